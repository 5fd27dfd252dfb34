"""Sections: bodies whose necks are known, volumes by manifold3d and by formula, spigots tried by moving them."""

from __future__ import annotations

import json
from dataclasses import replace
from types import SimpleNamespace

import manifold3d
import numpy as np
import pytest
import trimesh
from meshes import as_manifold, ball_on_ball, box, cone, sphere, torus
from mouldloft.base.errors import Cancelled, PlanImpossible
from mouldloft.base.progress import Progress
from mouldloft.geometry.branches import find_necks, is_narrow, least_section, section_at
from mouldloft.geometry.parting import cut_off
from mouldloft.inputs.brief import Brief, brief_from_dict
from mouldloft.inputs.catalogue import read_catalogue
from mouldloft.outputs.keptclear import kept_clear_words
from mouldloft.outputs.sections import advice, write_sections
from mouldloft.outputs.whereabouts import where_words
from mouldloft.solids.sections import FIT_MM, make_section_solids
from mouldloft.stages.answers.quick import measure_sections
from mouldloft.stages.master import prepare_master
from mouldloft.stages.named import Feature
from mouldloft.stages.places import BodyPlaces, name_places
from mouldloft.stages.seam import find_features, keep_clear_weights
from mouldloft.stages.sections import names as section_names
from mouldloft.stages.sections import propose, propose_sections
from mouldloft.stages.sections.names import upright
from mouldloft.stages.sections.parts import brief_of_part, master_of_part
from mouldloft.trade.seamterms import terms_for
from mouldloft.trade.sectioning import fits_van, price_sections

NODES = 15_000
BALL, BAR, APART = 150.0, 50.0, 600.0


@pytest.fixture(scope="module")
def bell():
    """Two balls of 150 mm one over the other, on a bar of 50 mm: a section of pi 50² between them."""
    return prepare_master(*ball_on_ball(BALL, BAR, APART), Brief().master, name="dumb-bell")


@pytest.fixture(scope="module")
def bell_sections(bell):
    return propose_sections(bell, Brief())


@pytest.fixture(scope="module")
def bell_solids(bell_sections):
    return make_section_solids(bell_sections, Brief().sections)


@pytest.fixture(scope="module")
def post():
    """2.5 m tall, 400 mm wide, closed above, open below."""
    return prepare_master(*box((400.0, 400.0, 2500.0)), Brief().master, name="post")


@pytest.fixture(scope="module")
def post_sections(post):
    return propose_sections(post, Brief())


@pytest.mark.parametrize(
    "body", [torus(sections=48), sphere(subdivisions=3), cone(100, 60, 200, 48), cone(100, 1, 150, 48), box()],
    ids=["ring", "ball", "frustum", "cone", "box"],
)  # fmt: skip
def test_what_has_no_neck_gets_none(body):
    """One cut of a ring parts nothing; the others never narrow."""
    for neck in find_necks(*body, nodes=NODES):
        section = least_section(*body, neck)
        assert section is None or not is_narrow(*body, neck, section)


def test_a_dumb_bell_is_cut_at_its_neck(bell, bell_sections):
    (cut,) = bell_sections.cuts
    level = abs(float(cut.section.normal[2]))
    assert level == pytest.approx(1.0, abs=0.02)
    # on the bar, which runs between the balls; the section is the bar's
    z = float(cut.section.loop_mm[:, 2].mean())
    out = np.sqrt(BALL**2 - BAR**2)
    assert BALL + out - 5 < z < BALL + APART - out + 5
    assert cut.section.area_mm2 == pytest.approx(np.pi * BAR**2, rel=0.02)
    assert cut.section.perimeter_mm == pytest.approx(2 * np.pi * BAR, rel=0.02)
    # the lower ball carries the upper one
    assert bell_sections.parts[cut.leaves].vertices_mm[:, 2].min() == pytest.approx(0.0, abs=1e-6)


def test_parts_are_closed_and_make_up_the_whole(bell, bell_sections):
    bodies = [as_manifold(part.vertices_mm, part.faces) for part in bell_sections.parts]
    assert all(body.status() == manifold3d.Error.NoError for body in bodies)
    whole = as_manifold(bell.vertices_mm, bell.faces)
    assert sum(body.volume() for body in bodies) == pytest.approx(whole.volume(), rel=1e-9)
    # they touch and do not overlap, and each is in one part
    assert (bodies[0] ^ bodies[1]).volume() == pytest.approx(0.0, abs=1.0)
    assert [len(body.decompose()) for body in bodies] == [1, 1]
    # skin is shared out, cut faces are no skin
    assert sum(part.skin_mm2 for part in bell_sections.parts) == pytest.approx(bell_sections.whole.skin_mm2, rel=1e-6)


def test_nothing_more_is_sold_for_a_dumb_bell(bell_sections, bell_solids, tmp_path):
    assert bell_sections.asks == ()
    assert advice(bell_sections, None).startswith("In one mould")
    words, _ = write_sections(bell_sections, bell_solids, Brief(), tmp_path, "EUR", pictures=False)
    assert "Two pieces will do" in words


def test_a_plane_parts_only_what_its_line_goes_round():
    """Two posts of one slab: the plane crosses both, one is cut."""
    slab = manifold3d.Manifold.cube((300, 100, 50)) + manifold3d.Manifold.cube((60, 60, 300)).translate((20, 20, 0))
    whole = slab + manifold3d.Manifold.cube((60, 60, 300)).translate((220, 20, 0))
    mesh = whole.to_mesh64()
    vertices, faces = np.array(mesh.vert_properties)[:, :3], np.array(mesh.tri_verts).astype(np.int32)
    section = section_at(vertices, faces, np.array([0.0, 0.0, 1.0]), 200.0, np.array([50.0, 50.0, 200.0]))
    rest, off = (as_manifold(*part) for part in cut_off(vertices, faces, section))
    assert off.volume() == pytest.approx(60 * 60 * 100, rel=1e-9)
    assert off.bounding_box()[3] == pytest.approx(80)  # the post at x 20 to 80
    assert rest.volume() == pytest.approx(whole.volume() - off.volume(), rel=1e-9)
    assert rest.bounding_box()[5] == pytest.approx(300)


def test_a_ring_is_not_parted_by_one_cut():
    vertices, faces = torus()
    section = section_at(vertices, faces, np.array([0.0, 1.0, 0.0]), 0.0, np.array([120.0, 0.0, 0.0]))
    assert section.area_mm2 == pytest.approx(np.pi * 40**2, rel=0.01)
    assert cut_off(vertices, faces, section) is None


def test_a_tall_post_is_cut_by_reach_or_gets_a_hatch(post_sections):
    (asks,) = post_sections.asks
    assert "reached" in asks
    (cut,) = post_sections.cuts
    assert cut.kind == "level"
    assert all(part.inside_mm <= 1300 for part in post_sections.parts)
    assert post_sections.left == ()
    # one hatch on the one cast at the catalogue's hours, against the cut's own: the cheaper is advised
    assert 0 < post_sections.hatch_cost < post_sections.price.total
    assert "hatches" in advice(post_sections, None)
    assert sum(part.volume_mm3 for part in post_sections.parts) == pytest.approx(0.4 * 0.4 * 2.5e9, rel=1e-9)


def test_price_is_hours_and_lines():
    brief = Brief()
    made = price_sections(2000.0, 500.0, 3, 4, brief.rates, brief.sections)
    # 3 cuts of 3 h; 4 casts: 2 m at 0.67 h, and 0.5 m on show at 0.5 h and 1.5 m out of sight at 0.25 h
    assert made.hours == pytest.approx(9 + 4 * (2 * 0.67 + 0.5 * 0.5 + 1.5 * 0.25))
    assert made.total == pytest.approx(made.hours * 38 + 4 * 2 * 2.0)


def test_a_van_takes_what_can_be_turned_into_it():
    assert fits_van((400, 400, 2500), (3000, 1250, 1650))
    assert not fits_van((1300, 1700, 1300), (3000, 1250, 1650))


# --- spigots ---------------------------------------------------------------------------------------------


def test_the_spigot_fits_locates_and_leaves_room_for_the_wall(bell_sections, bell_solids):
    (spigot,) = bell_solids.spigots
    (cut,) = bell_sections.cuts
    assert spigot.depth_mm == pytest.approx(spigot.half_width_mm, rel=1e-6)
    upper = as_manifold(bell_solids.printed[cut.takes].vertices_mm, bell_solids.printed[cut.takes].faces)
    lower = as_manifold(bell_solids.printed[cut.leaves].vertices_mm, bell_solids.printed[cut.leaves].faces)
    assert (upper ^ lower).volume() < 1e-6 * upper.volume()
    # drawn straight up it comes clear all the way; a hair to the side it does not
    pull = cut.section.normal
    for far in (5.0, 20.0, 60.0):
        assert (upper.translate(tuple(far * pull)) ^ lower).volume() < 1e-6 * upper.volume()
    for way in (np.array([1.0, 0, 0]), np.array([0, 1.0, 0])):
        assert (upper.translate(tuple(4 * FIT_MM * way)) ^ lower).volume() > 100.0
    # turned by 20 degrees about its own axis the flat holds it
    middle = spigot.middle_mm
    turned = upper.translate(tuple(-middle)).rotate((0.0, 0.0, 20.0)).translate(tuple(middle))
    assert (turned ^ lower).volume() > 100.0
    # wall and gap all round at the cut: the bar's radius less the spigot's
    assert BAR - spigot.half_width_mm >= bell_sections.wall_mm + Brief().sections.spigot_gap_mm - 0.5


def test_a_spigot_is_drafted_on_every_side(bell_solids):
    (spigot,) = bell_solids.spigots
    mesh = trimesh.Trimesh(spigot.vertices_mm, spigot.faces, process=False)
    up = mesh.face_normals @ spigot.axis
    sides = np.abs(up) < 0.9
    assert mesh.is_watertight
    assert up[sides].min() >= np.sin(np.radians(Brief().sections.spigot_draft_deg)) - 1e-3


def test_what_is_moulded_is_the_parts_and_their_spigots(bell_sections, bell_solids):
    (spigot,) = bell_solids.spigots
    (cut,) = bell_sections.cuts
    root = as_manifold(spigot.vertices_mm, spigot.faces)
    proud = root.split_by_plane(tuple(cut.section.normal), cut.section.offset_mm)[0].volume()
    more = bell_solids.moulded[cut.leaves].volume_mm3 - bell_sections.parts[cut.leaves].volume_mm3
    assert more == pytest.approx(proud, rel=1e-3)
    assert bell_solids.moulded[cut.takes].volume_mm3 == pytest.approx(bell_sections.parts[cut.takes].volume_mm3)


# --- limits and words ------------------------------------------------------------------------------------


def test_each_part_stands_on_its_cut_as_a_master_of_its_own(bell_sections, bell_solids):
    (cut,) = bell_sections.cuts
    brief = brief_of_part(bell_sections, cut.takes, Brief())
    assert brief.cast.section == "carried"
    assert brief_of_part(bell_sections, cut.leaves, Brief()).cast.section == "carries"
    solid = bell_solids.moulded[cut.takes]
    master = master_of_part(bell_sections, cut.takes, (solid.vertices_mm, solid.faces), brief)
    assert master.base == "open"
    assert master.base_area_mm2 == pytest.approx(cut.section.area_mm2, rel=0.01)
    assert master.volume_mm3 == pytest.approx(bell_sections.parts[cut.takes].volume_mm3, rel=1e-6)


@pytest.mark.parametrize("lean", [(0.0, 0.0, 1.0), (0.0, 0.5, 0.9), (0.3, -0.6, 0.7), (0.0, 0.2, -1.0)])
def test_a_part_stands_with_its_front_in_front(lean):
    """Up is along the cut's normal, and what faced the front before still does, however the limb leaned."""
    turn = upright(np.array(lean))
    assert turn @ turn.T == pytest.approx(np.eye(3), abs=1e-12)
    assert np.linalg.det(turn) == pytest.approx(1.0)
    assert turn @ (np.array(lean) / np.linalg.norm(lean)) == pytest.approx((0.0, 0.0, 1.0))
    ahead = turn @ np.array([0.0, -1.0, 0.0])
    assert ahead[1] < -0.5
    assert ahead[0] == pytest.approx(0.0, abs=1e-12)


def test_a_part_that_sticks_out_ahead_or_behind_is_turned_up():
    """By hand: a muzzle turned up has its upper side behind, a tail its upper side in front."""
    assert upright(np.array([0.0, -1.0, 0.0])) @ (0.0, 0.0, 1.0) == pytest.approx((0.0, 1.0, 0.0))
    assert upright(np.array([0.0, 1.0, 0.0])) @ (0.0, 0.0, 1.0) == pytest.approx((0.0, -1.0, 0.0))


@pytest.fixture(scope="module")
def named_bell(bell_sections):
    """The dumb-bell as if its upper ball were a left ear with lettering in front, the rest a chest."""
    tree = bell_sections.places.tree
    ear = tree.data[:, 2] > bell_sections.cuts[0].section.loop_mm[:, 2].min() - 30.0
    letters = Feature("lettering 800 mm up", "lettering", (0.0, -BALL, BALL + APART), 30.0, 1.0)
    names = np.where(ear, "left ear", "chest").astype(object)
    return replace(bell_sections, places=BodyPlaces(names, tree, (letters,), True))


def named_part(sections, solids, at):
    mesh = solids.moulded[at].vertices_mm, solids.moulded[at].faces
    return master_of_part(sections, at, mesh, brief_of_part(sections, at, Brief()))


def test_an_ear_is_an_ear_and_no_chest(named_bell, bell_solids):
    """Places that are known by hand: the four sides of a ball, its top, and what of it was the whole's."""
    (cut,) = named_bell.cuts
    ear = named_part(named_bell, bell_solids, cut.takes)
    places = name_places(ear)
    middle = np.array([0.0, 0.0, ear.height_mm - BALL])
    around = middle + BALL * np.array([[1, 0, 0], [-1, 0, 0], [0, -1, 0], [0, 1, 0], [0, 0, 1.0]])
    assert places.at(around) == [
        "outer side of the left ear", "inner side of the left ear", "front of the left ear", "back of the left ear",
        "tip of the left ear",
    ]  # fmt: skip
    assert "chest" not in set(places.names)
    assert not [name for name in set(places.names) if "cut" in name]  # it stands open on its own
    (letters,) = find_features(ear).regions
    assert letters.centre_mm == pytest.approx(tuple(around[2]), abs=0.02 * BALL)
    assert letters.name == f"lettering {5 * round(letters.centre_mm[2] / 5)} mm up"
    plan = SimpleNamespace(master=ear)
    low = np.array([30.0, 0.0, 0.1 * ear.height_mm])
    assert where_words(plan, [around[2], around[4], low]) == [
        f"front of the left ear, {middle[2]:.0f} mm up", f"tip of the left ear, {ear.height_mm:.0f} mm up",
        f"outer side of the left ear, near the cut, {low[2]:.0f} mm up",
    ]  # fmt: skip


def test_what_carries_a_part_keeps_its_names_and_knows_cut_and_spigot(named_bell, bell_solids):
    (cut,) = named_bell.cuts
    (spigot,) = bell_solids.spigots
    body = named_part(named_bell, bell_solids, cut.leaves)
    places = name_places(body)
    assert find_features(body).regions == ()
    shift = np.array(body.shift_mm)
    end = spigot.middle_mm + spigot.depth_mm * spigot.axis + shift
    assert places.at(np.array([[0.0, -BALL, BALL]]) + shift) == ["chest"]
    assert places.at(end[None]) == ["spigot of cut 1"]
    rim = cut.section.loop_mm.mean(axis=0) + 0.97 * (cut.section.loop_mm[0] - cut.section.loop_mm.mean(axis=0))
    near = places.tree.query_ball_point(rim + shift, 12.0)
    assert "face of cut 1" in set(places.names[near])


def test_a_part_of_a_body_without_names_is_called_by_its_sides(bell_sections, bell_solids):
    (cut,) = bell_sections.cuts
    nameless = replace(bell_sections, places=replace(bell_sections.places, known=False, regions=()))
    ball = named_part(nameless, bell_solids, cut.takes)
    assert not name_places(ball).known
    spot = np.array([0.0, -BALL, ball.height_mm - BALL])
    assert where_words(SimpleNamespace(master=ball), [spot]) == [f"front, {spot[2]:.0f} mm up"]


def test_a_flat_ear_has_faces_and_edges():
    """Normals of a card that faces front and back, its edges to the sides."""
    normals = np.array([[0, -1, 0]] * 40 + [[0, 1, 0]] * 40 + [[1, 0, 0]] * 5 + [[-1, 0, 0]] * 5, float)
    said = section_names._sides("right ear", normals, np.array([0.0, 0.0, 1.0]), "tip")
    assert [said[0], said[40], said[80], said[85]] == [
        "front of the right ear", "back of the right ear", "inner edge of the right ear", "outer edge of the right ear",
    ]  # fmt: skip


def test_only_the_cuts_asked_for(bell):
    with pytest.raises(PlanImpossible, match="no cut 7"):
        propose_sections(bell, Brief(), only=(7,))


def test_a_thin_neck_is_named_and_left(bell):
    brief = brief_from_dict({"sections": {"least_width_mm": 120}})
    found = propose_sections(bell, brief)
    assert found.cuts == ()
    assert "too thin" in " ".join(found.notes)


def test_no_cut_over_what_is_painted_clear(bell):
    weights = ((bell.vertices_mm[:, 2] > 150) & (bell.vertices_mm[:, 2] < 750)).astype(float)
    found = propose_sections(replace(bell, vertex_weights=weights), Brief())
    assert found.cuts == ()
    assert "kept clear" in " ".join(found.notes)


def test_what_was_painted_on_the_whole_is_kept_clear_on_its_part(bell, bell_solids):
    """One side of the upper ball: on the part just that side, and neither on the cut nor on a spigot."""
    side = np.clip(bell.vertices_mm[:, 0] / BALL, 0.0, 1.0) * (bell.vertices_mm[:, 2] > BALL + APART)
    found = propose_sections(replace(bell, vertex_weights=side), Brief())
    (cut,) = found.cuts
    ball, rest = named_part(found, bell_solids, cut.takes), named_part(found, bell_solids, cut.leaves)
    middle = ball.vertices_mm[:, 2].max() - BALL
    above = ball.vertices_mm[:, 2] > middle + 1.0
    asked = np.clip(ball.vertices_mm[above, 0] / BALL, 0.0, 1.0)
    assert ball.vertex_weights[above] == pytest.approx(asked, abs=0.02)
    assert ball.vertex_weights[ball.vertices_mm[:, 2] < middle - 20.0].max() == 0.0
    assert rest.vertex_weights.max() == 0.0
    brief = brief_of_part(found, cut.takes, Brief())
    assert keep_clear_weights(ball, brief.seam) is ball.vertex_weights
    plan = SimpleNamespace(master=ball, brief=brief)
    assert kept_clear_words(plan) == "what was painted on the whole"


def test_what_was_found_from_the_shape_is_no_paint(bell_sections, bell_solids):
    assert bell_sections.painted is None
    assert named_part(bell_sections, bell_solids, bell_sections.cuts[0].takes).vertex_weights is None


def test_a_file_of_weights_reaches_the_parts(bell, bell_solids, tmp_path):
    np.save(tmp_path / "clear.npy", (bell.vertices_mm[:, 2] > BALL + APART).astype(float))
    brief = brief_from_dict({"seam": {"keep_clear": str(tmp_path / "clear.npy")}})
    found = propose_sections(bell, brief)
    ball = named_part(found, bell_solids, found.cuts[0].takes)
    assert ball.vertex_weights[ball.vertices_mm[:, 2].argmax()] == pytest.approx(1.0)


def test_an_open_master_is_refused(bell):
    health = replace(bell.health, is_solid=False)
    with pytest.raises(PlanImpossible, match="closed"):
        propose_sections(replace(bell, health=health), Brief())


def test_it_stops_when_told(bell, tmp_path):
    progress = Progress()
    progress.cancel()
    with pytest.raises(Cancelled):
        propose_sections(bell, Brief(), progress=progress)


def test_the_moulds_of_sections_looked_at_quickly(bell_sections):
    """Two balls, each parted by a plane through its pole, half round from rim to rim of its cut: about pi times the
    radius and no fill to speak of. What the cuts cost and leave on the cast is the proposal's own."""
    catalogue = read_catalogue(None)
    found = measure_sections(
        bell_sections, terms_for(bell_sections.master.height_mm, Brief(), catalogue), Brief(), catalogue
    )
    assert not isinstance(found, str)
    count = len(bell_sections.parts)
    assert (found.parts, found.gloves, found.jackets) == (count, 2 * count, 2 * count)
    assert found.more_total == bell_sections.price.total
    assert found.cuts_mm == pytest.approx(sum(cut.section.perimeter_mm for cut in bell_sections.cuts))
    assert found.deepest_mm == 0.0
    assert found.stretch < 1.0
    # round each ball once, less what the bar takes; the bar itself is parted along both its sides
    bar = APART - 2 * BALL
    assert found.seam.length_mm == pytest.approx(2 * 2 * np.pi * BALL + 2 * bar, rel=0.15)


def test_the_folder_holds_words_cuts_and_closed_parts(bell_sections, bell_solids, tmp_path):
    out = tmp_path / "sections"
    words, written = write_sections(bell_sections, bell_solids, Brief(), out, "EUR", pictures=False)
    assert (out / "sections.txt").read_text().strip() == words.strip()
    assert {item.path.name for item in written} == {"sections.txt", "cuts.csv", "parts"}
    names = sorted(path.name for path in (out / "parts").iterdir())
    assert len(names) == 2
    for name in names:
        assert trimesh.load_mesh(out / "parts" / name).is_watertight
    assert not [path for path in out.iterdir() if path.name.startswith(".")]
    assert json.dumps(words)  # plain text


def test_the_command_in_one_sentence(bell, tmp_path, capsys):
    from test_cli import run

    mesh = tmp_path / "bell.stl"
    trimesh.Trimesh(bell.vertices_mm, bell.faces, process=False).export(mesh)
    code, out, err = run(capsys, "sections", str(mesh), "--out", str(tmp_path / "x"), "--cuts", "one", "--no-pictures")
    assert (code, out) == (3, "")
    assert "no numbers" in err
    assert not (tmp_path / "x").exists()
    code, out, err = run(capsys, "sections", str(mesh), "--out", str(tmp_path / "x"), "--no-pictures")
    assert code == 0, err
    assert "Cut 1" in out
    assert (tmp_path / "x" / "parts").is_dir()


@pytest.mark.parametrize(
    ("size_mm", "low_mm", "name", "called"),
    [
        ((190, 400, 280), 0.0, "left leg", "left foot"),
        ((190, 400, 280), 300.0, "left leg", "left leg"),  # a shin
        ((240, 250, 670), 0.0, "left leg", "left leg"),
        ((310, 280, 640), 1500.0, "right hand", "right arm"),
        ((150, 250, 330), 900.0, "right hand", "right hand"),
        ((100, 200, 600), 1400.0, "left ear", "left ear"),
    ],
)
def test_a_limbs_part_is_called_by_how_much_of_it_there_is(size_mm, low_mm, name, called):
    """On a figure 2.6 m tall."""
    assert propose._of_limb(name, np.array(size_mm, float), low_mm, 2600.0) == called


def test_the_body_is_no_foot_that_carries_it():
    def box_of(side):
        mesh = trimesh.creation.box([side] * 3)
        return np.array(mesh.vertices), np.array(mesh.faces)

    foot, trunk = box_of(100.0), box_of(400.0)
    assert propose._body_of(SimpleNamespace(solids=[foot, trunk])) == 1
    assert propose._body_of(SimpleNamespace(solids=[trunk, foot])) == 0
    assert propose._body_of(SimpleNamespace(solids=[box_of(350.0), trunk])) == 0
