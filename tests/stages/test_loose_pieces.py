"""Loose pieces: a U parted beside its slot, so that one half's jacket asks for a slotful of rubber."""

from __future__ import annotations

import importlib
import itertools
import sys
import types
from dataclasses import replace
from pathlib import Path

import meshes
import numpy as np
import pytest
import trimesh
from mouldloft.base.figures import kg
from mouldloft.base.progress import SILENT
from mouldloft.geometry.rays import ray_scene
from mouldloft.inputs.brief import brief_from_dict
from mouldloft.outputs.planfile import open_plan, save_plan
from mouldloft.outputs.summary import summary_text
from mouldloft.outputs.words import work_steps
from mouldloft.solids.build import make_solids
from mouldloft.solids.solid import manifold_of
from mouldloft.stages.answers import measure_loose, recommended_kind
from mouldloft.stages.division import measure_two
from mouldloft.stages.keys.shape import key_bumps
from mouldloft.stages.master import prepare_master
from mouldloft.stages.peel.glove import cast_field, peel_glove
from mouldloft.stages.pipeline import back_glove, plan
from mouldloft.stages.rubber import brush_rubber
from mouldloft.stages.rubber.fills import FillCells
from mouldloft.stages.rubber.loose import _cells_of, _depths_mm, _pays
from mouldloft.stages.seam import place_seam, skin_areas_mm2
from mouldloft.trade.seamterms import terms_for
from scipy.spatial import cKDTree
from seam_bodies import opening_along, seen_field

BRIEF = {
    "master": {"finished_height_mm": 300, "unit": "mm"},
    "run": {"casts": 3},
    "opening": {"direction": [1.0, 0.0, 0.0], "directions": 32, "refine": 0},
    "seam": {"kind": "plane", "plane_offset_mm": -110.0},
    "rubber": {"pixel_mm": 3.0, "skin_thickness_mm": 8.0, "edge_thickness_mm": 8.0},
}
SLOT_MM, DEEP_MM, WIDE_MM = 140.0, 220.0, 100.0


@pytest.fixture(scope="module")
def planned():
    """A U 300 mm wide, its slot 140 × 100 × 220 mm: parted at x = -110, all of the slot is the left piece's to fill."""
    mesh = trimesh.Trimesh(*meshes.u_shape(), process=False).subdivide_to_size(30.0)
    brief = brief_from_dict(BRIEF)
    return plan(prepare_master(mesh.vertices, mesh.faces, brief.master, name="U"), brief)


@pytest.fixture(scope="module")
def solids(planned):
    return {solid.name: manifold_of(solid.vertices_mm, solid.faces, solid.name) for solid in make_solids(planned, 3.0)}


def test_the_slot_gets_one_loose_piece_of_its_size(planned):
    (one,) = planned.rubber.loose
    # the slot less a skin on each wall, less the draft of 3° over half or all of its width; the glove's own skin and
    # draft stand round the U on the open sides
    most = (SLOT_MM - 16.0) * (WIDE_MM + 30.0) * (DEEP_MM + 10.0)
    least = (SLOT_MM - 16.0 - 2 * 120.0 * np.tan(np.radians(3.0)) - 6.0) * WIDE_MM * (DEEP_MM - 20.0)
    assert least < one.volume_mm3 < most
    assert abs(one.frame.pull[0]) < 0.5  # out of the slot's open sides, not through its legs
    assert one.centre_mm[0] == pytest.approx(0.0, abs=10.0)
    assert SLOT_MM - 35.0 < one.deep_mm <= SLOT_MM - 10.0
    without = brush_rubber(
        planned.master, planned.seam, brief_from_dict({**BRIEF, "rubber": {**BRIEF["rubber"], "loose_pieces": "none"}})
    )
    assert not without.loose
    # what the piece takes is what the glove holds less
    bare = planned.bare_rubber
    gone = without.volume_mm3.likely - bare.volume_mm3.likely
    assert gone == pytest.approx(one.volume_mm3, rel=1e-6)
    before, now = without.fill, planned.rubber.fill
    assert before.deep_mm == pytest.approx(SLOT_MM - 8.0, abs=12.0)
    assert now.left_deep_mm < 30.0
    assert now.deep_mm == before.deep_mm


def test_a_slot_that_is_not_deep_gets_none():
    """Parted through its middle each half fills 70 mm: neither deep nor heavy."""
    mesh = trimesh.Trimesh(*meshes.u_shape(), process=False).subdivide_to_size(30.0)
    rubber = {**BRIEF["rubber"], "pixel_mm": 6.0}
    brief = brief_from_dict({**BRIEF, "seam": {"kind": "plane", "plane_offset_mm": 0.0}, "rubber": rubber})
    master = prepare_master(mesh.vertices, mesh.faces, brief.master, name="U")
    seam = place_seam(master, opening_along((1.0, 0.0, 0.0)), seen_field(master, (1.0, 0.0, 0.0)), brief.seam)
    assert not brush_rubber(master, seam, brief).loose


def test_a_further_piece_pays_where_it_makes_what_is_left_less_deep():
    """A block of fill 120 mm deep: what takes its upper half leaves 60 mm; what takes a strip down one side leaves all
    of the depth beside it, but none there; neither does more than its own columns ask."""
    there = np.zeros((22, 12, 24), bool)
    there[1:21, 1:11, 1:21] = True
    fill = FillCells(there, np.zeros((int(there.sum()), 3)), 6.0)
    upper, strip, shaving = there.copy(), there.copy(), there.copy()
    upper[:, :, :11] = False
    strip[6:] = False
    shaving[:, :, :20] = False
    assert _depths_mm(fill, there, upper) == (120.0, 60.0)
    assert _depths_mm(fill, there, strip) == (120.0, 0.0)
    assert fill.deep_mm(there & ~strip) == 120.0
    assert _depths_mm(fill, there, shaving) == (120.0, 114.0)
    assert _pays(5e5, 120.0, 60.0)
    assert not _pays(5e5, 120.0, 114.0)
    assert not _pays(5e5, 84.0, 0.0)  # little too deep
    assert _pays(6e6, 84.0, 84.0)  # heavy


def test_closed_and_what_the_glove_lacks(planned, solids):
    """Glove and loose piece are parted by one surface: nothing between them, nothing twice."""
    glove, loose = solids["glove, left piece"], solids["loose piece 1"]
    (one,) = planned.rubber.loose
    assert loose.volume() == pytest.approx(one.volume_mm3, rel=0.03)
    assert (glove ^ loose).volume() < 1.0
    said = planned.rubber.parts[0].total_mm3
    # a box has sharp edges, that facets stand clear of: solids hold a little more than the plan, with a loose piece or
    # without
    assert glove.volume() + loose.volume() == pytest.approx(said + one.volume_mm3, rel=0.025)
    skin = trimesh.Trimesh(planned.master.vertices_mm, planned.master.faces, process=False)
    spots, _ = trimesh.sample.sample_surface(skin, 150_000, seed=1)
    away, _ = cKDTree(spots).query(np.asarray(loose.to_mesh64().vert_properties)[:, :3])
    assert away.min() > 8.0 - 0.3  # never nearer to the skin than the glove is thick


def test_it_leaves_along_its_own_pull_once_the_jacket_is_off(planned, solids):
    """Taken off with solids moved by an outside library: jacket, then loose piece, while the other half stands."""
    (one,) = planned.rubber.loose
    loose, jacket = solids["loose piece 1"], solids["jacket, left piece"]
    others = [solids[name] for name in ("glove, left piece", "glove, right piece", "jacket, right piece")]
    others += [solid for name, solid in solids.items() if name.startswith("master half")]
    out = planned.rubber.envelopes[0].frame.pull
    for far in (1.0, 5.0, 20.0, 60.0, 150.0, 400.0):
        off = jacket.translate((far * out).tolist())
        assert max((off ^ other).volume() for other in (*others[:2], loose)) < 50.0
        moved = loose.translate((far * one.frame.pull).tolist())
        assert max((moved ^ other).volume() for other in others) < 50.0
    # across the jacket's pull alone: along it the far leg is in its way, which is why it was rubber
    stuck = loose.translate((30.0 * out).tolist())
    assert (stuck ^ solids["glove, left piece"]).volume() > 1e4


def test_every_rigid_solid_leaves_in_the_order_of_taking_off(planned, solids):
    """Jackets as the seam says, then loose pieces as numbered: each swept by an outside library past all that still
    stands."""
    pulls = {f"jacket, {piece.name}": np.array(piece.pull) for piece in planned.seam.pieces}
    order = [f"jacket, {name}" for name in planned.seam.taking_off]
    pulls |= {one.name: one.frame.pull for one in planned.rubber.loose}
    order += [one.name for one in planned.rubber.loose]
    assert len(order) == 3
    stands = {name: s for name, s in solids.items() if name.startswith(("glove", "jacket", "loose", "master half"))}
    for name in order:
        going = stands.pop(name)
        for far in (1.0, 10.0, 60.0, 300.0):
            moved = going.translate((far * pulls[name]).tolist())
            assert max((moved ^ other).volume() for other in stands.values()) < 50.0, (name, far)


def test_two_pieces_with_their_loose_ones_stand_beside_more_pieces(planned):
    """Where a division is proposed, two pieces are measured with the loose ones that pay, before any jacket is made."""
    terms = terms_for(planned.master.height_mm, planned.brief, planned.catalogue)
    areas = skin_areas_mm2(planned.master)
    found = measure_loose(planned.seam, planned.locks, planned.rubber, areas, terms)
    built = {row.kind: row for row in planned.answers.rows}["loose"]
    assert (found.kind, found.loose, found.deepest_mm) == ("loose", 1, built.deepest_mm)
    assert found.seam.fill_mm3 == built.fill_mm3
    assert found.heaviest_kg == pytest.approx(built.heaviest_kg, rel=0.15)  # a jacket by its area
    deep = measure_two(planned.seam, planned.locks, planned.rubber.fill.all_mm3, 220.0, 1.0)
    more = replace(deep, kind="gloves", gloves=3, jackets=3, deepest_mm=10.0)
    assert recommended_kind((deep, more), terms, planned.brief) == "gloves"
    assert recommended_kind((deep, found, more), terms, planned.brief) == "loose"
    assert measure_loose(planned.seam, planned.locks, replace(planned.rubber, loose=()), areas, terms) is None


def test_a_hook_deeper_than_fill_may_be_is_answered_by_its_loose_piece(planned):
    """The table, by the fill as it is built: 140 mm of slot are over 80, what is left is not."""
    rows = {row.kind: row for row in planned.answers.rows}
    assert rows["two"].deepest_mm > 100.0
    assert "over 80 mm" in rows["two"].reason
    assert rows["loose"].recommended
    assert rows["loose"].fill_mm3 < rows["two"].fill_mm3 - 0.8 * planned.rubber.loose[0].volume_mm3
    assert "More pieces?" not in summary_text(planned)  # what asked for them is gone


def test_the_glove_that_is_peeled_has_no_rubber_where_it_was(planned, solids):
    """By manifold3d's volume of the closed glove, keys and all: what is peeled holds as much rubber."""
    (one,) = planned.rubber.loose
    master = planned.master
    envelope = next(e for e in planned.rubber.envelopes if e.piece == one.piece)
    keyed = replace(envelope, outer_mm=envelope.outer_mm + key_bumps(envelope, planned.keys.keys))
    cast = cast_field(master, ray_scene(master.vertices_mm, master.faces))
    made = [peel_glove(master, planned.seam.labels, keyed, cast, 12.0, 1e-6, loose=loose) for loose in ([one], [])]
    held, full = (float(glove.lattice.fill_mm3.sum()) for glove in made)
    assert held == pytest.approx(solids[f"glove, {envelope.name}"].volume(), rel=0.05)
    assert full - held == pytest.approx(one.volume_mm3, rel=0.05)


def test_its_weight_order_and_work_by_hand(planned):
    (shell,), (one,) = planned.jacket.loose, planned.rubber.loose
    # a box of the laminate: area by the piece's own sides
    wide, tall, long = one.size_mm
    assert one.area_mm2 == pytest.approx(2 * (wide * tall + tall * long + wide * long), rel=0.25)
    per_m2 = (shell.zone.glass_kg + shell.zone.resin_kg) / (one.area_mm2 * 1e-6)
    glass = shell.zone.mat_g_m2 / 1000.0
    assert per_m2 == pytest.approx(glass / planned.brief.jacket.glass_fraction, rel=1e-6)
    names = [task.name for task in planned.programme.tasks]
    laid = next(k for k, name in enumerate(names) if name.startswith("Lay up loose piece 1"))
    jacket = next(k for k, name in enumerate(names) if name.startswith("Lay up the jacket") and "left piece" in name)
    assert laid < jacket
    assert any("loose pieces off" in name for name in names)
    without, _ = back_glove(replace(planned.rubber, loose=()), planned.keys, planned.brief, planned.catalogue)
    heavier = planned.jacket.pieces[0].lift_with_glove.load_kg - without.pieces[0].lift_with_glove.load_kg
    assert heavier == pytest.approx(shell.mass_kg)
    bolts = {line.code: line.net.likely for line in planned.takeoff.lines if line.code.startswith("bolt")}
    assert sum(bolts.values()) >= 2
    assert "loose piece 1" in summary_text(planned).lower()
    assert any("loose piece 1" in step.text or "loose piece 1" in step.title for step in work_steps(planned))


def test_saved_and_reopened(planned, tmp_path):
    save_plan(planned, tmp_path)
    again = open_plan(tmp_path)
    (one,), (other,) = planned.rubber.loose, again.rubber.loose
    assert np.array_equal(one.floor_mm, other.floor_mm, equal_nan=True)
    assert again.jacket.loose == planned.jacket.loose


def test_the_add_on_shows_each_with_its_weight(planned, solids):
    """Under the jacket, as large as the solid that is milled, and off along its own pull."""
    package = types.ModuleType("addon_parts")
    package.__path__ = [str(Path(__file__).resolve().parents[2] / "blender_addon")]
    sys.modules.setdefault("addon_parts", package)
    display = importlib.import_module("addon_parts.work.display")
    bare = replace(planned.bare_rubber, envelopes=planned.rubber.envelopes)
    done = {"bare_rubber": bare, "keys": planned.keys, "jacket": planned.jacket, "cradle": planned.cradle}
    (shape,) = [shape for shape in display.shown_of("jacket", done, SILENT).shapes if shape.role == "loose"]
    (one,), (shell,) = planned.rubber.loose, planned.jacket.loose
    assert shape.name == f"Loose piece 1, {kg(shell.mass_kg)}"
    made = trimesh.Trimesh(shape.vertices_mm, shape.faces)
    assert made.volume == pytest.approx(solids["loose piece 1"].volume(), rel=0.03)
    assert np.dot(shape.way, one.frame.pull) > 0.3


def test_a_shape_in_two_bodies_is_two_pieces_the_upper_first():
    """A block of 120 × 90 × 60 mm over one of 90 × 90 × 90, 20 mm of rubber between them, and a crumb beside: two
    pieces, each with its own volume; the upper one's floor stays over the lower one, and the lower keeps its own."""
    from mouldloft.geometry.frame import pull_frame
    from mouldloft.stages.rubber.loose import _lumps, _of_one_body
    from mouldloft.stages.rubber.record import LoosePiece

    frame = pull_frame(np.array([0.0, 0.0, 1.0]))
    nowhere = (0.0, 0.0, 0.0)
    floor = np.full((60, 60), np.nan, np.float32)
    floor[5:45, 5:45] = 0.0
    piece = LoosePiece("", 0, frame, (0.0, 0.0), 3.0, floor, 200.0, 0.0, 0.0, 0.0, nowhere, nowhere)

    def block(low, size):
        sides = [np.arange(a + 1.5, a + b, 3.0) for a, b in zip(low, size)]
        return frame.to_master(np.stack(np.meshgrid(*sides, indexing="ij"), axis=-1).reshape(-1, 3))

    upper, lower, crumb = (
        block(*sides)
        for sides in (((15, 15, 110), (120, 90, 60)), ((15, 15, 0), (90, 90, 90)), ((120, 120, 0), (9, 9, 9)))
    )
    found = _lumps(piece, types.SimpleNamespace(pixel_mm=3.0), np.concatenate([lower, crumb, upper]))
    assert [len(one) * 27.0 for one in found] == [120.0 * 90 * 60, 90.0**3]
    over, below = (_of_one_body(piece, one, 3.0) for one in found)
    assert 95.0 < np.nanmin(over.floor_mm) < 111.0
    assert over.holds(upper).mean() > 0.96  # its draft takes a little at the rim
    assert not over.holds(lower).any()
    assert below.holds(lower).mean() > 0.9  # over a longer way, more
    assert not below.holds(upper).any()
    assert not below.holds(crumb).any()


def test_cells_of_a_box_are_those_of_the_whole_half_that_lie_in_it(planned):
    """A half in fine cells is more than a small machine holds: over a tall beast they alone took a gigabyte."""
    envelope = planned.rubber.envelopes[0]
    least, most = np.array([-60.0, -20.0, 40.0]), np.array([40.0, 30.0, 120.0])
    corners = np.array([*itertools.product(*zip(least, most))])
    whole, near = _cells_of(envelope, 3.0), _cells_of(envelope, 3.0, corners)
    inside = ((whole > least) & (whole < most)).all(axis=1)
    assert inside.sum() > 1000
    assert {*map(tuple, whole[inside])} <= {*map(tuple, near)} <= {*map(tuple, whole)}
    assert len(near) < 1.3 * inside.sum()
