"""Master: figures against analytic bodies, trimesh and manifold3d; every bad input's sentence; every repair."""

from __future__ import annotations

import io
import json
import math
import os
import struct
import warnings
import zipfile
from dataclasses import replace

import bombs
import manifold3d
import meshes
import numpy as np
import pytest
import trimesh
from mouldloft.base.errors import Cancelled, MasterRefused
from mouldloft.base.progress import Progress
from mouldloft.geometry import meshfile, selfcrossings
from mouldloft.geometry.edges import edges_of
from mouldloft.geometry.repair import merge_equal
from mouldloft.geometry.selfcrossings import find_self_crossings
from mouldloft.inputs.brief import MasterBrief
from mouldloft.stages import master as master_stage
from mouldloft.stages.master import prepare_master, read_master

BRIEF = MasterBrief()
METRE = MasterBrief(finished_height_mm=1000.0)


def refused(sentence: str):
    """The refusal is one sentence that says this."""
    return pytest.raises(MasterRefused, match=r"^[^\n]*" + sentence + r"[^\n]*\.$")


# --- figures


def test_box_is_exact():
    vertices, faces = meshes.box((200.0, 160.0, 240.0))
    master = prepare_master(vertices + [7.0, -3.0, 11.0], faces, BRIEF)
    # analytic
    assert master.volume_mm3 == pytest.approx(200 * 160 * 240, rel=1e-12)
    assert master.area_mm2 == pytest.approx(2 * (200 * 160 + 160 * 240 + 240 * 200), rel=1e-12)
    assert master.base_area_mm2 == pytest.approx(200 * 160, rel=1e-12)
    assert master.skin_area_mm2 == pytest.approx(master.area_mm2 - 200 * 160, rel=1e-12)
    assert master.size_mm == pytest.approx((200, 160, 240))
    assert master.vertices_mm.min(axis=0) == pytest.approx((-100, -80, 0), abs=1e-9)
    assert master.health.is_solid
    assert master.health.repairs == master.health.left_out == ()


def test_few_large_facets_are_split_in_their_own_planes():
    """What locks and is seen is asked facet by facet: against the same body with its facets as read, by trimesh."""
    vertices, faces = meshes.box((200.0, 160.0, 240.0))
    weights = np.where(vertices[:, 2] > vertices[:, 2].mean(), 1.0, 0.0)
    master = prepare_master(vertices, faces, BRIEF, vertex_weights=weights)
    body = trimesh.Trimesh(master.vertices_mm, master.faces, process=False)
    assert body.is_watertight
    assert body.edges_unique_length.max() < 2 * 240 / 50
    assert len(body.facets) == 6  # trimesh's coplanar groups: still a box
    assert master.volume_mm3 == pytest.approx(200 * 160 * 240, rel=1e-12)
    assert master.vertex_weights == pytest.approx(master.vertices_mm[:, 2] / 240.0)  # linear between the corners
    assert master.health.split_from == 12
    assert master.health.notes[0].startswith("12 facets are few to judge a mould by")
    # a fine mesh stays as it is
    ball = trimesh.creation.icosphere(4, 100.0)
    fine = prepare_master(ball.vertices, ball.faces, BRIEF)
    assert (len(fine.faces), fine.health.split_from) == (len(ball.faces), 0)


@pytest.fixture
def facets_as_read(monkeypatch):
    """For what is compared corner by corner."""
    monkeypatch.setattr("mouldloft.stages.master._FEW_FACETS", 0)


def test_closed_base_covers_the_foot_too():
    master = prepare_master(*meshes.box(), MasterBrief(base="closed"))
    assert master.skin_area_mm2 == pytest.approx(master.area_mm2)


def test_torus_converges_to_pappus():
    # Pappus: V = 2 pi R x pi r^2, A = 2 pi R x 2 pi r (classical); chords fall short by order 1 / n^2
    volume, area = 2 * np.pi**2 * 120 * 40**2, 4 * np.pi**2 * 120 * 40
    misses = []
    for sections in (48, 96):
        master = prepare_master(*meshes.torus(120.0, 40.0, sections), BRIEF)
        misses.append((1 - master.volume_mm3 / volume, 1 - master.area_mm2 / area))
    for coarse, fine in zip(*misses):
        assert 0 < fine < 0.01
        assert coarse / fine == pytest.approx(4.0, rel=0.05)


@pytest.mark.parametrize(
    "body",
    [meshes.ellipsoid, meshes.cone, meshes.drafted_box, meshes.u_shape, meshes.holed_cube, meshes.three_arms,
     meshes.torus_knot, meshes.mushroom, meshes.two_lobes],
)  # fmt: skip
def test_figures_agree_with_reference_libraries(body):
    vertices, faces = body()
    master = prepare_master(vertices, faces, MasterBrief(finished_height_mm=900.0))
    scaled = trimesh.Trimesh(master.vertices_mm, master.faces, process=False)
    solid = meshes.as_manifold(master.vertices_mm, master.faces)
    assert solid.status() == manifold3d.Error.NoError
    assert master.volume_mm3 == pytest.approx(solid.volume(), rel=1e-9)
    assert master.volume_mm3 == pytest.approx(scaled.volume, rel=1e-9)
    assert master.area_mm2 == pytest.approx(solid.surface_area(), rel=1e-9)
    assert master.face_areas_mm2 == pytest.approx(scaled.area_faces)
    assert np.allclose(master.normals, scaled.face_normals, atol=1e-6)
    assert master.height_mm == pytest.approx(900.0)
    # similar bodies: volume goes with the cube of the scale
    assert master.volume_mm3 == pytest.approx(meshes.as_manifold(vertices, faces).volume() * master.scale**3, rel=1e-9)
    assert master.health.self_intersections == 0


def test_drafted_box_leans_as_it_says():
    vertices, faces = meshes.drafted_box(draft_deg=7.0)
    master = prepare_master(vertices, faces, BRIEF)
    sides = np.abs(master.normals[:, 2]) < 0.9
    assert np.degrees(np.arcsin(master.normals[sides, 2])) == pytest.approx(7.0)


# --- axes, unit, size


def arrow():
    """A body without symmetry: longest along its up (z), a nose to its front (-y), a lug on its left (+x)."""
    parts = [
        trimesh.creation.box((60, 60, 200)),
        trimesh.creation.box((20, 80, 20), trimesh.transformations.translation_matrix((0, -50, 70))),
        trimesh.creation.box((70, 20, 20), trimesh.transformations.translation_matrix((40, 0, 20))),
    ]
    solids = [meshes.as_manifold(part.vertices, part.faces) for part in parts]
    return meshes._arrays(manifold3d.Manifold.batch_boolean(solids, manifold3d.OpType.Add))


@pytest.mark.parametrize(
    ("up", "front", "turn"),
    [
        ("+z", "-y", np.eye(3)),
        ("+y", "+z", np.array([[1, 0, 0], [0, 0, -1], [0, 1, 0]])),  # the usual y-up file facing +z
        ("-x", "+y", np.array([[0, 0, -1], [0, -1, 0], [-1, 0, 0]])),
    ],
)
def test_axes_come_to_stand_in_plan_coordinates(up, front, turn):
    """turn holds, as rows, where the file keeps the piece's left, back and up."""
    vertices, faces = arrow()
    expected = prepare_master(vertices, faces, BRIEF)
    columns = {"x": (1, 0, 0), "y": (0, 1, 0), "z": (0, 0, 1)}

    def axis(name):
        return np.array(columns[name[1]]) * (1 if name[0] == "+" else -1)

    back, upward = -axis(front), axis(up)
    left = np.cross(back, upward)
    in_file = vertices @ np.stack([left, back, upward])
    master = prepare_master(in_file, faces, MasterBrief(up=up, front=front))
    assert np.allclose(master.vertices_mm, expected.vertices_mm, atol=1e-9)
    assert master.volume_mm3 == pytest.approx(expected.volume_mm3)
    assert master.volume_mm3 > 0  # a mirrored turn would show here as inside out
    assert not master.health.inside_out
    # the nose towards -y, the lug on +x
    high = master.vertices_mm[master.vertices_mm[:, 2] > 150]
    assert high[:, 1].min() == pytest.approx(master.vertices_mm[:, 1].min())


def test_gltf_stands_up_as_its_standard_has_it(facets_as_read, tmp_path):
    # glTF 2.0, section 3.4: +Y up, the front faces +Z
    vertices, faces = arrow()
    expected = prepare_master(vertices, faces, METRE)
    in_gltf = vertices[:, [0, 2, 1]] * (1.0, 1.0, -1.0)  # left, up, front
    path = saved(tmp_path, ".glb", trimesh.Trimesh(in_gltf / 1000, faces, process=False))
    for brief in (METRE, replace(METRE, up="+y"), replace(METRE, front="+z")):
        master = read_master(path, brief)
        assert master.size_mm == pytest.approx(expected.size_mm, rel=1e-6)
        assert np.sort(master.vertices_mm, axis=0) == pytest.approx(np.sort(expected.vertices_mm, axis=0), abs=1e-3)
    # the brief's word is stronger, and a file of a format without axes stands along z as before
    assert read_master(path, replace(METRE, up="+z")).size_mm[2] == pytest.approx(1000.0)
    assert read_master(path, replace(METRE, up="+z")).size_mm != pytest.approx(expected.size_mm, rel=1e-2)
    plain = saved(tmp_path, ".stl", trimesh.Trimesh(vertices, faces, process=False))
    assert read_master(plain, METRE).size_mm == pytest.approx(expected.size_mm, rel=1e-6)


def test_a_sculpt_on_its_tip_is_told_which_axis_stands_it():
    cone = trimesh.creation.cone(100, 300, sections=64)
    assert prepare_master(cone.vertices, cone.faces, BRIEF).health.stance == ""
    # lying, in the file, with its foot towards +x: -x is its up
    lying = np.column_stack([-cone.vertices[:, 2], cone.vertices[:, 1], cone.vertices[:, 0]])
    said = prepare_master(lying, cone.faces, BRIEF).health.stance
    assert "stands on almost nothing" in said
    assert 'with -x up it would stand on 100 %: give --up -x on the command line or up = "-x"' in said
    assert prepare_master(lying, cone.faces, replace(BRIEF, up="-x")).health.stance == ""
    ball = trimesh.creation.icosphere(4, 100.0)
    assert "none of its axes stands it better" in prepare_master(ball.vertices, ball.faces, BRIEF).health.stance


def test_a_sculpt_that_would_fall_over_is_told():
    # a block that leans out by its own width: its middle lies over the edge of its foot
    leaning = trimesh.creation.box((100, 100, 300))
    for out, falls in ((90.0, False), (110.0, True)):
        vertices = leaning.vertices.copy()
        vertices[vertices[:, 2] > 0, 0] += out  # the middle moves by half of it, the foot reaches 50 mm
        said = prepare_master(vertices, leaning.faces, BRIEF).health.stance
        assert ("would fall over" in said) is falls


def test_four_thin_legs_are_a_foot():
    legs = [trimesh.creation.cylinder(4, 300, sections=12) for _ in range(4)]
    for leg, (x, y) in zip(legs, ((-150, -90), (150, -90), (-150, 90), (150, 90))):
        leg.apply_translation((x, y, 150))
    table = trimesh.boolean.union([*legs, trimesh.creation.box(bounds=[[-200, -120, 295], [200, 120, 330]])])
    # the feet themselves are 0.2 % of the plan, what they enclose is over half of it
    assert 4 * math.pi * 4**2 / (400 * 240) < 0.003
    assert prepare_master(table.vertices, table.faces, BRIEF).health.stance == ""


def test_up_and_front_along_one_axis_are_refused():
    with refused("lie along one axis; choose a front that is level"):
        prepare_master(*meshes.box(), MasterBrief(up="+z", front="-z"))


@pytest.mark.parametrize(
    ("brief_unit", "file_unit", "factor", "says"),
    [
        ("auto", None, 1.0, "mm (assumed, since neither the file nor the brief states a unit)"),
        ("auto", "m", 1000.0, "m (as the file states)"),
        ("in", None, 25.4, "in (as the brief says)"),
        ("ft", "m", 304.8, "ft (as the brief says)"),
        ("cm", "mm", 10.0, "cm (as the brief says)"),
    ],
)
def test_unit_and_where_it_came_from(brief_unit, file_unit, factor, says):
    vertices, faces = meshes.box((600 / factor, 400 / factor, 800 / factor))
    master = prepare_master(vertices, faces, MasterBrief(unit=brief_unit), file_unit=file_unit)
    assert master.scale == factor
    assert master.height_mm == pytest.approx(800.0)
    assert says in master.unit_assumed
    # with a finished height the unit only matters for the statement
    sized = prepare_master(vertices, faces, MasterBrief(unit=brief_unit, finished_height_mm=1400), file_unit=file_unit)
    assert sized.height_mm == pytest.approx(1400.0)
    assert says in sized.unit_assumed
    assert "stands 800 mm tall" in sized.unit_assumed


@pytest.mark.parametrize(("height", "said"), [(49.0, "49 mm"), (20_100.0, "20.1 m")])
def test_absurd_sizes_are_refused(height, said):
    with refused(rf"would be {said} tall .* outside 50 mm to 20 m; state the finished height or the unit"):
        prepare_master(*meshes.box((height, height, height)), BRIEF)


def test_a_far_speck_does_not_set_the_height():
    vertices, faces = meshes.sphere(200.0, 3)
    speck, speck_faces = meshes.sphere(0.1, 1)
    both = np.concatenate([vertices, speck + [0, 0, 500.0]])
    master = prepare_master(both, np.concatenate([faces, speck_faces + len(vertices)]), METRE)
    assert master.scale == pytest.approx(1000.0 / 400.0, rel=1e-6)
    assert master.health.stray_shells == 1
    assert any("1 stray crumb of 80 faces dropped" in told for told in master.health.repairs)


# --- base


def test_base_tolerates_a_rough_foot_but_no_round_one():
    rng = np.random.default_rng(4)
    grid = trimesh.creation.box((200, 200, 300)).subdivide().subdivide().subdivide()
    vertices = np.array(grid.vertices)
    foot = vertices[:, 2] < -149.9
    vertices[foot, 2] += rng.uniform(0, 0.2, foot.sum())  # under a thousandth of 300 mm
    rough = prepare_master(vertices, np.array(grid.faces), BRIEF)
    assert rough.base_area_mm2 == pytest.approx(200 * 200, rel=0.01)
    ball = prepare_master(*meshes.sphere(150.0, 4), BRIEF)
    assert not ball.base_faces.any()
    assert ball.base_area_mm2 == 0.0
    assert any("No flat base was found" in note for note in ball.health.notes)
    closed = prepare_master(*meshes.sphere(150.0, 4), MasterBrief(base="closed"))
    assert not any("base" in note for note in closed.health.notes)


# --- breaking and mending


def ball():
    return meshes.sphere(200.0, 4)


BALL_VOLUME = meshes.as_manifold(*ball()).volume()


def joined(*bodies):
    start, vertices, faces = 0, [], []
    for v, f in bodies:
        vertices.append(v)
        faces.append(np.asarray(f) + start)
        start += len(v)
    return np.concatenate(vertices), np.concatenate(faces)


def told(master, words):
    assert any(words in sentence for sentence in master.health.repairs), master.health.repairs


def test_one_missing_face_is_filled_exactly():
    vertices, faces = ball()
    master = prepare_master(vertices, np.delete(faces, 100, axis=0), BRIEF)
    assert master.health.open_edges == 3
    assert master.health.is_solid
    assert master.volume_mm3 == pytest.approx(BALL_VOLUME, rel=1e-12)
    told(master, "1 flat hole capped")
    # the fault is shown where it is
    hole = vertices[faces[100]].mean(axis=0) + [0, 0, 200]
    assert np.linalg.norm(master.health.fault_points_mm - hole, axis=1).max() < 30


def test_a_cut_foot_is_capped_and_found_as_base():
    half = trimesh.intersections.slice_mesh_plane(trimesh.creation.icosphere(5, 200.0), [0, 0, 1], [0, 0, -120.0])
    master = prepare_master(half.vertices, half.faces, BRIEF)
    assert master.health.is_solid
    # analytic, sphere less a cap of height h = 80: V = 4/3 pi r^3 - pi h^2 (3 r - h) / 3; the foot has pi (r^2 - 120^2)
    volume = 4 / 3 * np.pi * 200**3 - np.pi * 80**2 * (600 - 80) / 3
    assert master.volume_mm3 == pytest.approx(volume, rel=0.002)
    assert master.base_area_mm2 == pytest.approx(np.pi * (200**2 - 120**2), rel=0.005)
    assert master.normals[master.base_faces, 2] == pytest.approx(-1.0)


def test_a_neck_cut_a_little_unevenly_is_capped():
    """By hand: a ball cut level. Over a rim as much above as below it the cap lies within that rise."""
    half = trimesh.intersections.slice_mesh_plane(trimesh.creation.icosphere(5, 200.0), [0, 0, 1], [0, 0, -120.0])
    x, y, z = half.vertices.T
    uneven = 10.0 * np.cos(2.0 * np.arctan2(y, x)) * (z < -119.0)
    master = prepare_master(half.vertices + np.outer(uneven, [0, 0, 1]), half.faces, BRIEF)
    assert master.health.is_solid
    volume = 4 / 3 * np.pi * 200**3 - np.pi * 80**2 * (600 - 80) / 3
    assert master.volume_mm3 == pytest.approx(volume, abs=np.pi * 160**2 * 10.0)
    told(master, "1 flat hole capped")


def test_a_large_bent_hole_stays_and_is_said():
    vertices, faces = ball()
    centre = vertices[faces].mean(axis=1)
    master = prepare_master(vertices, faces[~((centre[:, 0] > 100) & (centre[:, 1] < 50))], BRIEF)
    assert not master.health.is_solid
    assert master.volume_mm3 == 0.0
    told(master, "1 large bent hole left open")
    assert len(master.health.left_out) == 1
    assert "rubber, jacket, cradle and cast, cannot be worked out" in master.health.left_out[0]
    assert "84 edges open" in master.health.left_out[0]
    assert master.area_mm2 > 0
    assert master.height_mm == pytest.approx(400, rel=0.01)


def test_flipped_faces_are_turned_back():
    vertices, faces = ball()
    mixed = faces.copy()
    mixed[::7] = mixed[::7, ::-1]
    master = prepare_master(vertices, mixed, BRIEF)
    assert master.health.flipped_edges > 0
    assert np.array_equal(master.faces[1], faces[1])
    told(master, f"{len(faces[::7])} faces turned over")
    assert master.volume_mm3 == pytest.approx(BALL_VOLUME, rel=1e-12)


def test_inside_out_is_turned():
    vertices, faces = ball()
    master = prepare_master(vertices, faces[:, ::-1], BRIEF)
    assert master.health.inside_out
    assert master.volume_mm3 == pytest.approx(BALL_VOLUME, rel=1e-12)
    told(master, "inside out")


def test_duplicates_and_collapsed_faces_are_dropped():
    vertices, faces = ball()
    extra = np.concatenate([faces, faces[:20, [1, 2, 0]], [[5, 5, 9], [7, 3, 7]]])
    master = prepare_master(vertices, extra, BRIEF)
    assert master.health.duplicate_faces == 20
    assert master.health.degenerate_faces == 2
    assert len(master.faces) == len(faces)
    assert master.volume_mm3 == pytest.approx(BALL_VOLUME, rel=1e-12)
    told(master, "20 duplicate faces dropped")


def test_t_junction_is_closed():
    vertices, faces = meshes.box((200.0, 200.0, 200.0))
    a, b, c = faces[0]
    middle = len(vertices)
    split = np.concatenate([faces[1:], [[a, middle, c], [middle, b, c]]])
    master = prepare_master(np.vstack([vertices, vertices[[a, b]].mean(axis=0)]), split, BRIEF)
    assert master.health.open_edges == 3
    assert master.health.is_solid
    assert master.volume_mm3 == pytest.approx(200.0**3, rel=1e-12)
    assert np.isfinite(master.normals).all()


def test_cracks_are_joined():
    """Loose triangles whose corners differ by rounding, as an STL in single precision of a turned body has them."""
    vertices, faces = ball()
    soup = vertices[faces].reshape(-1, 3)
    soup = soup + np.random.default_rng(1).uniform(-1e-5, 1e-5, soup.shape)
    master = prepare_master(soup, np.arange(len(soup)).reshape(-1, 3)[: len(faces)], BRIEF, name="cracked")
    assert master.health.open_edges == 3 * len(faces)
    assert master.health.is_solid
    assert master.volume_mm3 == pytest.approx(BALL_VOLUME, rel=1e-6)


@pytest.mark.parametrize("inwards", [False, True])
def test_inside_shell_goes(inwards):
    """Overlooked bodies inside, and the inner wall of a hollowed print: the mould only sees the outside."""
    inner, inner_faces = meshes.sphere(90.0, 3)
    body = joined(ball(), (inner, inner_faces[:, ::-1] if inwards else inner_faces))
    master = prepare_master(*body, BRIEF)
    assert master.health.stray_shells == 1
    assert master.volume_mm3 == pytest.approx(BALL_VOLUME, rel=1e-9)
    told(master, "2 closed shells united into 1")


def test_overlapping_shells_become_one_skin():
    other, other_faces = meshes.sphere(90.0, 4)
    apart = 190.0
    master = prepare_master(*joined(ball(), (other + [apart, 0, 0], other_faces)), BRIEF)
    assert master.health.self_intersections > 0
    assert master.health.self_intersections_left == 0
    # analytic lens of two balls, R 200, r 90, d 190 apart (Weisstein, MathWorld "Sphere-Sphere Intersection", from
    # memory; at R = r = d it gives the known 5/12 pi R^3)
    big, small, d = 200.0, 90.0, apart
    lens = (
        np.pi
        * (big + small - d) ** 2
        * (d**2 + 2 * d * small - 3 * small**2 + 2 * d * big + 6 * small * big - 3 * big**2)
        / (12 * d)
    )
    assert master.volume_mm3 == pytest.approx(4 / 3 * np.pi * (big**3 + small**3) - lens, rel=0.01)


def test_overlapping_shell_that_faces_inwards_counts_the_same():
    other, other_faces = meshes.sphere(90.0, 3)
    right = prepare_master(*joined(ball(), (other + [190.0, 0, 0], other_faces)), BRIEF)
    wrong = prepare_master(*joined(ball(), (other + [190.0, 0, 0], other_faces[:, ::-1])), BRIEF)
    assert right.volume_mm3 > 1.02 * BALL_VOLUME
    assert wrong.volume_mm3 == pytest.approx(right.volume_mm3, rel=1e-9)


@pytest.mark.parametrize("doubled", [False, True])
def test_fin_goes(doubled):
    vertices, faces = ball()
    a, b, _ = faces[50]
    tip = len(vertices)
    fin = [[a, b, tip], [b, a, tip]] if doubled else [[a, b, tip]]
    master = prepare_master(np.vstack([vertices, vertices[a] * 1.2]), np.vstack([faces, fin]), BRIEF)
    assert master.health.non_manifold_edges >= 1
    assert master.health.is_solid
    assert len(master.vertices_mm) == len(vertices)
    assert master.volume_mm3 == pytest.approx(BALL_VOLUME, rel=1e-12)
    told(master, "1 open flap of 1 face hanging on the surface dropped")


def test_boxes_that_touch_along_an_edge_stay_two():
    one = meshes.box((100.0, 100.0, 100.0))
    body = joined(one, (one[0] + [100.0, 100.0, 0.0], one[1]))
    first, into = merge_equal(body[0])
    master = prepare_master(body[0][first], into[body[1]], BRIEF)
    assert master.health.non_manifold_edges == 1
    assert master.health.is_solid
    assert master.volume_mm3 == pytest.approx(2e6, rel=1e-12)
    assert any("2 separate parts" in note for note in master.health.notes)


def test_one_sided_band_is_no_solid():
    turns = np.linspace(0, 2 * np.pi, 41)[:-1]
    band = np.array(
        [
            [np.cos(t) * (100 + w * np.cos(t / 2)), np.sin(t) * (100 + w * np.cos(t / 2)), w * np.sin(t / 2)]
            for t in turns
            for w in (-30, 30)
        ]
    )
    k = 2 * np.arange(39)
    faces = np.concatenate([np.stack([k, k + 2, k + 1], 1), np.stack([k + 1, k + 2, k + 3], 1)])
    faces = np.concatenate([faces, [[78, 1, 79], [79, 1, 0]]])
    master = prepare_master(band, faces, BRIEF)
    assert not master.health.is_solid
    assert "run against each other" in master.health.left_out[0]


def test_loose_faces_are_refused_without_looking_for_cracks(monkeypatch):
    """Joining the corners of millions of loose triangles takes minutes and gigabytes, for nothing."""

    def never(_patient):
        raise AssertionError("looked for cracks")

    monkeypatch.setattr(master_stage, "close_cracks", never)
    rng = np.random.default_rng(1)
    soup = (rng.random((9000, 1, 3)) * 1000 + rng.normal(size=(9000, 3, 3))).reshape(-1, 3)
    with refused("not joined to each other .27000 open edges on 9000 faces."):
        prepare_master(soup, np.arange(27_000).reshape(-1, 3), BRIEF)


def test_unjoined_and_tangled_faces_are_refused():
    rng = np.random.default_rng(0)
    soup = rng.random((3000, 3)) * 100
    with refused("not joined to each other .3000 open edges on 1000 faces."):
        prepare_master(soup, np.arange(3000).reshape(-1, 3), BRIEF)
    with refused("are a tangle"):
        prepare_master(soup[:30], rng.integers(0, 30, (4000, 3)), BRIEF)


def test_body_far_from_the_origin_keeps_its_figures_and_is_said():
    vertices, faces = ball()
    master = prepare_master(vertices + 1e7, faces, BRIEF)
    assert master.volume_mm3 == pytest.approx(BALL_VOLUME, rel=1e-6)
    assert any("off the file's origin" in note for note in master.health.notes)
    with refused("too large to keep any detail"):
        prepare_master(vertices * 1e11, faces, BRIEF)


def test_weights_follow_the_merge_and_the_greatest_wins():
    vertices, faces = ball()
    rng = np.random.default_rng(3)
    weights = rng.random(len(vertices))
    soup_weights = weights[faces].ravel()
    soup_weights[::3] *= 0.25  # the same corner painted less in some faces
    soup = vertices[faces].reshape(-1, 3)
    master = prepare_master(soup, np.arange(len(soup)).reshape(-1, 3), BRIEF, vertex_weights=soup_weights)
    greatest = np.zeros(len(vertices))
    np.maximum.at(greatest, faces.ravel(), soup_weights)
    from scipy.spatial import cKDTree

    back = cKDTree(vertices + [0, 0, 200.0]).query(master.vertices_mm)[1]
    assert master.vertex_weights == pytest.approx(greatest[back])
    assert len(master.vertex_weights) == len(master.vertices_mm)
    with refused("weights of master are 5 for"):
        prepare_master(vertices, faces, BRIEF, vertex_weights=np.zeros(5))


def test_weights_follow_a_union():
    other = meshes.sphere(90.0, 3)
    body = joined(ball(), (other[0] + [190.0, 0, 0], other[1]))
    weights = (body[0][:, 0] > 230).astype(float)
    master = prepare_master(*body, BRIEF, vertex_weights=weights)
    shift = (master.vertices_mm[:, 0].max() - body[0][:, 0].max()) / 1.0
    x = master.vertices_mm[:, 0] - shift
    clear = np.abs(x - 230) > 15
    assert np.array_equal(master.vertex_weights[clear] > 0.5, (x > 230)[clear])


def test_what_is_given_is_not_changed_and_the_hash_is_of_the_geometry():
    vertices, faces = ball()
    kept = vertices.copy(), faces.copy()
    one = prepare_master(vertices, faces[:, ::-1], METRE)
    assert np.array_equal(vertices, kept[0])
    assert np.array_equal(faces, kept[1])
    again = prepare_master(vertices.astype(np.float64), faces[:, ::-1].astype(np.int64), BRIEF)
    moved = vertices.copy()
    moved[0, 0] += 1e-9
    other = prepare_master(moved, faces[:, ::-1], METRE)
    assert one.source_hash == again.source_hash != other.source_hash
    assert len(one.source_hash) == 64


# --- faces that cross


def crossing_pairs_by_hand(vertices, faces):
    """Reference: every edge of every face against every other face by Moeller and Trumbore's test (published 1997)."""
    corners = vertices[faces]
    hit = np.zeros((len(faces), len(faces)), bool)
    e1, e2 = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    for k in range(3):
        start, step = corners[:, k][:, None], (corners[:, (k + 1) % 3] - corners[:, k])[:, None]
        h = np.cross(step, e2[None])
        with np.errstate(all="ignore"):
            volume = np.einsum("ijk,jk->ij", h, e1)
            inverse = np.where(np.abs(volume) > 1e-9, 1.0 / volume, np.nan)  # edges in the face's own plane
            s = start - corners[None, :, 0]
            u = inverse * np.einsum("ijk,ijk->ij", s, h)
            q = np.cross(s, e1[None])
            v = inverse * np.einsum("ijk,ijk->ij", q, np.broadcast_to(step, q.shape))
            t = inverse * np.einsum("ijk,jk->ij", q, e2)
            tiny = 1e-9
            hit |= (u > tiny) & (v > tiny) & (u + v < 1 - tiny) & (t > tiny) & (t < 1 - tiny)
    hit |= hit.T
    return {(i, j) for i, j in np.argwhere(hit) if i < j}


def test_crossing_faces_are_just_those_of_the_reference():
    one, two = meshes.sphere(10.0, 2), meshes.sphere(7.0, 2)
    vertices, faces = joined(one, (two[0] + [8.123, 1.1, 0.3], two[1]))
    found = find_self_crossings(vertices, faces)
    pairs = {(min(a, b), max(a, b)) for a, b in found.pairs.tolist()}
    assert found.checked_fraction == 1.0
    assert len(pairs) == len(found.pairs) > 50
    assert pairs == crossing_pairs_by_hand(vertices, faces)


@pytest.mark.parametrize("first", range(3))
@pytest.mark.parametrize("second", range(3))
def test_faces_that_share_a_corner_cross_by_one_edge(first, second):
    """Only the edge over against the shared corner can pass through the other face, whichever edge that is."""
    points = np.array([[0, 0, 0], [10, 0, 0], [0, 10, 0], [3, 3, -4], [3.2, 3.1, 5]], float)
    one, two = np.roll([0, 1, 2], first), np.roll([0, 3, 4], second)
    assert find_self_crossings(points, np.array([one, two])).count == 1
    assert find_self_crossings(points, np.array([two, one])).count == 1
    # pushed outwards, the second's far edge passes by, and the first's far edge passes through the second
    outwards = points + np.where(np.arange(5)[:, None] > 2, [8.0, 8.0, 0], 0)
    assert find_self_crossings(outwards, np.array([one, two])).count == 1
    above = points * [1, 1, 0] + np.where(np.arange(5)[:, None] > 2, [0, 0, 4.0], 0)
    above[4, 0] += 2.0
    assert find_self_crossings(above, np.array([one, two])).count == 0


def prongs(over_mm: float) -> tuple[np.ndarray, np.ndarray]:
    """A body of one shell: two prongs on a foot, the one leaning so that its upper half stands `over_mm` in the other,
    a little askew."""
    box = manifold3d.Manifold.cube
    foot, still = box((80.0, 20.0, 20.0)), box((20.0, 20.0, 200.0))
    leaning = box((20.0, 14.0, 150.0)).translate((60.0, 3.0, 19.0)).refine_to_length(11.0)
    mesh = (foot + still + leaning).to_mesh64()
    vertices = np.array(mesh.vert_properties)
    up = np.clip((vertices[:, 2] - 20.0) / 60.0, 0.0, 1.0) * (vertices[:, 0] > 59.0)
    vertices += up[:, None] * [-40.0 - over_mm, 0.7, 0.0]
    return vertices, np.array(mesh.tri_verts).astype(np.int64)


def as_solid(vertices, faces):
    return manifold3d.Manifold(manifold3d.Mesh64(np.ascontiguousarray(vertices, np.float64), faces.astype(np.uint64)))


@pytest.mark.parametrize("over_mm", [7.3, 27.1])
def test_a_body_that_passes_through_itself_is_planned_by_its_outer_surface(over_mm):
    """Against manifold3d's union of its two halves, each of which passes through nothing: into the other prong, and
    right through it."""
    vertices, faces = prongs(over_mm)
    assert find_self_crossings(vertices, faces).count > 20
    whole = as_solid(vertices, faces)
    parts = whole.trim_by_plane((0.0, 0.0, 1.0), 30.0).decompose()
    assert len(parts) == 2
    outer = parts[0] + parts[1] + whole.trim_by_plane((0.0, 0.0, -1.0), -30.0)
    master = prepare_master(vertices, faces, MasterBrief(unit="mm"))
    assert master.health.is_solid
    assert master.health.self_intersections_left == 0
    assert master.volume_mm3 == pytest.approx(outer.volume(), rel=1e-6)
    assert master.area_mm2 == pytest.approx(outer.surface_area(), rel=1e-6)
    assert any("passed through itself" in note for note in master.health.notes)
    assert find_self_crossings(master.vertices_mm, master.faces).count == 0


def test_strands_that_run_into_each_other_become_one_skin():
    """Against embree's hits along rays: what lies in no strand lies outside of the one skin, all else inside."""
    vertices, faces = meshes.torus_knot(tube_mm=58.0)
    master = prepare_master(vertices, faces, MasterBrief(unit="mm"))
    assert master.health.self_intersections > 100
    assert master.health.self_intersections_left == 0
    knot = trimesh.Trimesh(vertices + master.shift_mm, faces, process=False)
    spots = np.random.default_rng(2).uniform(*knot.bounds, (20_000, 3))
    up = np.tile([0.0, 0.0, 1.0], (len(spots), 1))
    hit, ray = knot.ray.intersects_id(spots, up, multiple_hits=True)
    winding = np.bincount(ray, np.sign(knot.face_normals[hit, 2]), len(spots))
    assert (winding > 1).sum() > 10
    skin = trimesh.Trimesh(master.vertices_mm, master.faces, process=False)
    assert (skin.contains(spots) == (winding > 0)).mean() > 0.999


def test_a_vertex_pushed_through_its_own_body_is_counted_and_its_spike_is_none():
    vertices, faces = meshes.sphere(200.0, 3)
    pushed = vertices.copy()
    pushed[np.argmax(vertices[:, 0])] = [-260.0, 3.0, 5.0]
    master = prepare_master(pushed, faces, BRIEF)
    assert master.health.self_intersections == len(crossing_pairs_by_hand(pushed, faces)) > 0
    assert master.health.self_intersections_left == 0
    assert master.size_mm[0] < 400.0  # it stood out inside out


def test_too_much_of_a_body_inside_out_stays_and_is_told():
    """Two balls on a twisted neck: the one's skin faces inwards, and neither is to be lost."""
    vertices, faces = meshes.sphere(200.0, 3)
    twisted = vertices.copy()
    away = vertices[:, 0] > 0
    twisted[away, 0] += 60.0
    twisted[away, 1:] *= -1.0
    squeezed = np.abs(vertices[:, 0]) < 30.0
    twisted[squeezed, 1:] *= 0.3
    master = prepare_master(twisted, faces, BRIEF)
    assert master.health.self_intersections_left == master.health.self_intersections > 0
    assert any("pass through each other" in note for note in master.health.notes)


def test_touching_is_not_crossing():
    one = meshes.box((100.0, 100.0, 100.0))
    vertices, faces = joined(one, (one[0] + [100.0, 0, 0], one[1]))
    assert find_self_crossings(vertices, faces).count == 0
    assert find_self_crossings(*meshes.torus_knot()).count == 0
    assert find_self_crossings(*meshes.torus_knot(tube_mm=58.0)).count > 0  # the strands run into each other


def test_a_heap_of_crossing_faces_is_counted_on_a_stated_share(monkeypatch):
    heap = np.random.default_rng(0).random((30_000, 3))
    faces = np.arange(30_000).reshape(-1, 3)
    monkeypatch.setattr(selfcrossings, "_MOST_TESTS", 3_000_000)
    monkeypatch.setattr(selfcrossings, "_MOST_TESTS_A_FACE", 0)
    found = find_self_crossings(heap, faces)
    assert 0 < found.checked_fraction < 0.5
    assert found.count > 1000
    again = find_self_crossings(heap, faces)
    assert np.array_equal(found.pairs, again.pairs)


# --- edges and merging against the reference library


def test_edges_agree_with_trimesh():
    vertices, faces = meshes.sphere(10.0, 3)
    faces = faces[5:]
    edges = edges_of(faces, len(vertices))
    mesh = trimesh.Trimesh(vertices, faces, process=False)
    assert len(edges.ends) == len(mesh.edges_unique)
    single = trimesh.grouping.group_rows(mesh.edges_sorted, require_count=1)
    assert edges.open.sum() == len(single)
    assert {tuple(e) for e in edges.ends[edges.open]} == {tuple(e) for e in mesh.edges_sorted[single]}


def test_merging_agrees_with_numpy():
    rng = np.random.default_rng(5)
    points = rng.integers(-3, 4, (5000, 3)).astype(float)
    points[::11] *= -1.0  # brings in -0.0, which equals 0.0
    first, into = merge_equal(points)
    assert len(first) == len(np.unique(points + 0.0, axis=0))
    assert np.array_equal(points[first][into], points)
    assert (np.diff(first) > 0).all()


# --- files


def saved(tmp_path, suffix, mesh=None):
    mesh = mesh or trimesh.creation.icosphere(3, 0.5)
    path = tmp_path / f"piece{suffix}"
    if suffix == ".gltf":
        for name, data in trimesh.exchange.gltf.export_gltf(trimesh.Scene(mesh)).items():
            (tmp_path / name).write_bytes(data)
        return tmp_path / "model.gltf"
    mesh.export(path)
    return path


UNITS = {".glb": "m", ".gltf": "m", ".3mf": "mm"}


@pytest.mark.parametrize("suffix", meshfile.SUFFIXES)
def test_every_format_gives_the_same_body(facets_as_read, tmp_path, suffix, capfd):
    mesh = trimesh.creation.icosphere(3, 0.5)
    path = saved(tmp_path, suffix, mesh)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        master = read_master(path, METRE)
    assert master.health.is_solid
    assert len(master.vertices_mm) == len(mesh.vertices)
    assert master.volume_mm3 == pytest.approx(mesh.volume * 1e9, rel=1e-5)
    assert master.name == path.stem
    assert f"unit is {UNITS.get(suffix, 'mm')} (" in master.unit_assumed
    stated = "as the file states" if suffix in UNITS else "assumed"
    assert stated in master.unit_assumed
    assert capfd.readouterr() == ("", "")


def test_text_stl_gives_the_same_body(tmp_path):
    mesh = trimesh.creation.icosphere(2, 90.0)
    path = tmp_path / "text.stl"
    path.write_text(trimesh.exchange.stl.export_stl_ascii(mesh))
    assert read_master(path, BRIEF).volume_mm3 == pytest.approx(mesh.volume, rel=1e-5)
    path.write_text(path.read_text()[:-300])
    with refused("cut short .its last line is missing."):
        read_master(path, BRIEF)


def test_binary_stl_that_begins_with_solid_is_read(tmp_path):
    mesh = trimesh.creation.icosphere(2, 90.0)
    data = bytearray(trimesh.exchange.stl.export_stl(mesh))
    data[:14] = b"solid of facet"
    path = tmp_path / "sly.stl"
    path.write_bytes(data)
    assert read_master(path, BRIEF).volume_mm3 == pytest.approx(mesh.volume, rel=1e-5)


def test_scene_parts_stand_where_the_file_puts_them(tmp_path):
    scene = trimesh.Scene()
    cube = trimesh.creation.box((0.2, 0.2, 0.2))
    scene.add_geometry(cube, node_name="low")
    place = trimesh.transformations.translation_matrix((0, 0, 0.5))
    scene.add_geometry(cube, node_name="high", transform=place)
    for name in ("two.glb", "two.3mf"):
        scene.export(tmp_path / name)
        # exporters may swap axes or unit: the two cubes keep their proportions
        master = read_master(tmp_path / name, METRE)
        spread = master.size_mm
        assert sorted(spread)[-1] / sorted(spread)[0] == pytest.approx(3.5)
        assert any("2 separate parts" in note for note in master.health.notes)


def test_3mf_unit_is_read(tmp_path):
    path = saved(tmp_path, ".3mf", trimesh.creation.icosphere(2, 10.0))
    with zipfile.ZipFile(path) as archive:
        entries = {name: archive.read(name) for name in archive.namelist()}
    model = next(name for name in entries if name.endswith(".model"))
    entries[model] = entries[model].replace(b'unit="millimeter"', b'unit="inch"')
    assert b'unit="inch"' in entries[model]
    with zipfile.ZipFile(path, "w") as archive:
        for name, data in entries.items():
            archive.writestr(name, data)
    master = read_master(path, BRIEF)
    assert master.height_mm == pytest.approx(20 * 25.4, rel=0.01)
    assert "in (as the file states)" in master.unit_assumed


@pytest.mark.parametrize("suffix", meshfile.SUFFIXES)
@pytest.mark.parametrize("share", [0.0, 0.01, 0.2, 0.5])
def test_truncated_files_end_in_one_sentence(tmp_path, suffix, share, capfd):
    path = saved(tmp_path, suffix)
    data = path.read_bytes()
    path.write_bytes(data[: int(len(data) * share)])
    with pytest.raises(MasterRefused, match=r"^[^\n]*; [^\n]*\.$") as caught:
        read_master(path, METRE)
    assert caught.value.__cause__ is None
    assert caught.value.__suppress_context__ or caught.value.__context__ is None
    assert capfd.readouterr() == ("", "")


@pytest.mark.parametrize("suffix", [".stl", ".ply", ".off", ".glb", ".3mf"])
def test_a_file_that_lacks_its_end_is_called_cut_short(tmp_path, suffix):
    path = saved(tmp_path, suffix)
    path.write_bytes(path.read_bytes()[:-40])
    with refused("cut short"):
        read_master(path, METRE)


@pytest.mark.parametrize("suffix", meshfile.SUFFIXES)
@pytest.mark.parametrize("content", [b"milk, eggs, and a new mould knife\n" * 99, os.urandom(4000), b"\0" * 4000])
def test_anything_else_under_a_mesh_name_is_refused(tmp_path, suffix, content):
    path = tmp_path / f"list{suffix}"
    path.write_bytes(content)
    with pytest.raises(MasterRefused, match=r"^list[^\n]*\.$"):
        read_master(path, METRE)


def test_promised_counts_are_checked_before_anything_is_reserved(tmp_path, monkeypatch):
    path = tmp_path / "big.stl"
    path.write_bytes(b"\0" * 80 + struct.pack("<I", 4_000_000_000) + b"\0" * 500)
    with refused("promises 4000000000 triangles, its size allows 10"):
        read_master(path, METRE)
    path = tmp_path / "big.ply"
    header = "ply\nformat binary_little_endian 1.0\nelement vertex 900000000\nproperty float x\nproperty float y\n"
    path.write_text(header + "property float z\nelement face 10\nproperty list uchar int i\nend_header\nabc")
    with refused("promises at least 10800000130 bytes, 4 are there"):
        read_master(path, METRE)
    path = tmp_path / "big.off"
    path.write_text("OFF\n999999999 10 0\n0 0 0\n")
    with refused("promises 999999999 vertices"):
        read_master(path, METRE)
    glb = saved(tmp_path, ".glb")
    data = glb.read_bytes()
    length = struct.unpack_from("<I", data, 12)[0]
    tree = data[20 : 20 + length].replace(b'"count":3840', b'"count":9e12')
    assert tree != data[20 : 20 + length]
    glb.write_bytes(data[:20] + tree.ljust(length) + data[20 + length :])
    with refused("promises more data than it holds"):
        read_master(glb, METRE)
    monkeypatch.setattr(meshfile, "MOST_FACES", 1000)
    for suffix in (".stl", ".ply", ".off", ".obj", ".glb", ".3mf"):
        with refused("million that are read; export it with fewer triangles"):
            read_master(saved(tmp_path, suffix), METRE)


def test_files_over_the_bound_are_refused_unread(tmp_path, monkeypatch):
    path = tmp_path / "huge.stl"
    with open(path, "wb") as handle:
        handle.truncate(3 * 1024**3)  # sparse: takes no disk
    monkeypatch.setattr("pathlib.Path.read_bytes", lambda self: pytest.fail("was read"))
    with refused(r"is 3.0 GiB, more than the 2 GiB that is read"):
        read_master(path, METRE)


def bomb(tmp_path, model: bytes):
    path = tmp_path / "bomb.3mf"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("3D/3dmodel.model", model)
    return path


def test_3mf_bombs_are_refused(tmp_path, monkeypatch):
    # a zip whose content would fill the memory
    monkeypatch.setattr(meshfile, "LARGEST_FILE_BYTES", 1_000_000)
    path = bomb(tmp_path, b" " * 5_000_000)
    assert path.stat().st_size < 10_000
    with refused("unpacks to .* more than is read"):
        read_master(path, METRE)
    monkeypatch.undo()
    # parts placed in parts, twice each, forty deep: 2^40 triangles
    head = b'<model unit="millimeter"><resources><object id="0"><mesh><triangles><triangle v1="0"/></triangles></mesh>'
    nest = b"".join(
        b'<object id="%d"><components><component objectid="%d"/><component objectid="%d"/></components></object>'
        % (k, k - 1, k - 1)
        for k in range(1, 41)
    )
    path = bomb(tmp_path, head + b"</object>" + nest + b'</resources><build><item objectid="40"/></build></model>')
    with refused("million that are read"):
        read_master(path, METRE)
    # a ">" inside an attribute is legal XML and ends no tag: each such triangle counts
    monkeypatch.setattr(meshfile, "MOST_FACES", 1000)
    sly = b'<triangle n=">" v1="0" v2="1" v3="2"/>' * 1001
    mesh = b'<model><resources><object id="1"><mesh><triangles>' + sly + b"</triangles></mesh></object></resources>"
    with refused("million that are read"):
        read_master(bomb(tmp_path, mesh + b'<build><item objectid="1"/></build></model>'), METRE)
    # counted as they come: what follows the limit, even broken XML, is never reached
    with refused("million that are read"):
        read_master(bomb(tmp_path, mesh.replace(b"</triangles>", b"<<<")), METRE)
    monkeypatch.undo()
    loop = (
        b'<model><object id="1"><components><component objectid="1"/></components></object><item objectid="1"/></model>'
    )
    with refused("places a part inside itself"):
        read_master(bomb(tmp_path, loop), METRE)
    with refused("defines XML entities"):
        read_master(bomb(tmp_path, b'<!DOCTYPE m [<!ENTITY a "aaaa">]><model>&a;</model>'), METRE)


def packed_glb(tmp_path, change):
    tree, binary = bombs.split_glb(trimesh.creation.icosphere(2, 1.0).export(file_type="glb"))
    change(tree)
    path = tmp_path / "packed.glb"
    path.write_bytes(bombs.join_glb(json.dumps(tree).encode(), binary))
    return path


def test_a_compressed_glb_is_called_compressed(tmp_path):
    # as the Khronos registry's extensions write them: accessors without a view, or a view that names its unpacker
    def draco(tree):
        tree["extensionsUsed"] = tree["extensionsRequired"] = ["KHR_draco_mesh_compression"]
        tree["meshes"][0]["primitives"][0]["extensions"] = {"KHR_draco_mesh_compression": {"bufferView": 0}}
        for accessor in tree["accessors"]:
            accessor.pop("bufferView")

    def meshopt(tree):
        tree["extensionsUsed"] = ["EXT_meshopt_compression"]
        tree["bufferViews"][0]["extensions"] = {"EXT_meshopt_compression": {"buffer": 0, "count": 9}}

    def quantized(tree):
        at = tree["meshes"][0]["primitives"][0]["attributes"]["POSITION"]
        tree["accessors"][at] |= {"componentType": 5122, "normalized": True}

    for change, word in ((draco, "Draco"), (meshopt, "meshopt")):
        with refused(rf"holds its mesh compressed .{word}., which is not read; export it again with compression"):
            read_master(packed_glb(tmp_path, change), METRE)
    with refused("holds its points quantized"):
        read_master(packed_glb(tmp_path, quantized), METRE)
    assert read_master(packed_glb(tmp_path, lambda tree: tree.update(extensionsUsed=["KHR_materials_unlit"])), METRE)


def test_points_without_faces_are_called_so(tmp_path):
    path = tmp_path / "pts.ply"
    points = trimesh.PointCloud(trimesh.creation.icosphere(2, 10.0).vertices)
    path.write_bytes(points.export(file_type="ply"))
    with refused("holds no surface .no faces."):
        read_master(path, METRE)


def test_3mf_components_are_placed_with_their_transforms(tmp_path):
    cube = trimesh.creation.box((20, 20, 20))
    corners = "".join(f'<vertex x="{x}" y="{y}" z="{z}"/>' for x, y, z in cube.vertices)
    sides = "".join(f'<triangle v1="{a}" v2="{b}" v3="{c}"/>' for a, b, c in cube.faces)
    model = (
        f'<model unit="millimeter"><resources><object id="1"><mesh><vertices>{corners}</vertices><triangles>{sides}'
        '</triangles></mesh></object><object id="2"><components><component objectid="1"/>'
        '<component objectid="1" transform="1 0 0 0 1 0 0 0 1 0 0 50"/></components></object></resources>'
        '<build><item objectid="2" transform="2 0 0 0 2 0 0 0 2 0 0 0"/></build></model>'
    )
    master = read_master(bomb(tmp_path, model.encode()), BRIEF)
    # two cubes of 40 mm, their middles 100 mm apart
    assert master.size_mm == pytest.approx((40, 40, 140))
    assert master.volume_mm3 == pytest.approx(2 * 40**3)


def test_obj_with_n_gons_and_negative_indices(tmp_path):
    # a hexagonal prism, as its makers write it: two hexagons, six quads, and corners counted back from the last
    ring = [(100 * math.cos(k * math.pi / 3), 100 * math.sin(k * math.pi / 3)) for k in range(6)]
    lines = [f"v {x} {y} {z}" for z in (0, 80) for x, y in ring]
    lines += ["f " + " ".join(str(k) for k in range(-7, -13, -1)), "f 7 8 9 10 11 12"]
    lines += [f"f {k + 1} {(k + 1) % 6 + 1} {(k + 1) % 6 + 7} {k + 7}" for k in range(6)]
    path = tmp_path / "prism.obj"
    path.write_text("\n".join(lines) + "\n")
    master = read_master(path, MasterBrief(finished_height_mm=80.0))
    assert master.health.is_solid
    assert master.volume_mm3 == pytest.approx(1.5 * math.sqrt(3) * 100**2 * 80)  # area of a regular hexagon


def test_gltf_cannot_reach_outside_its_folder(tmp_path):
    path = saved(tmp_path, ".gltf")
    text = path.read_text()
    name = next(p.name for p in tmp_path.iterdir() if p.suffix == ".bin")
    path.write_text(text.replace(name, "../../etc/passwd"))
    with refused("takes its data from outside its own folder"):
        read_master(path, METRE)
    path.write_text(text.replace(name, "gone.bin"))
    with refused("lacks the data file beside it"):
        read_master(path, METRE)


def test_paths_that_lead_nowhere(tmp_path, monkeypatch):
    with refused("is not there; check the path"):
        read_master(tmp_path / "none.stl", METRE)
    folder = tmp_path / "folder.stl"
    folder.mkdir()
    with refused("is a folder; name a mesh file in it"):
        read_master(folder, METRE)
    odd = tmp_path / "piece.blend"
    odd.write_bytes(b"BLENDER")
    with refused(r"'.blend'.; export it as STL, OBJ, PLY, GLB, GLTF, 3MF or OFF"):
        read_master(odd, METRE)
    empty = tmp_path / "empty.obj"
    empty.touch()
    with refused("is empty .0 bytes."):
        read_master(empty, METRE)

    def denied(self):
        raise PermissionError(13, "Permission denied")

    path = saved(tmp_path, ".stl")
    monkeypatch.setattr("pathlib.Path.read_bytes", denied)
    with refused("may not be read; ask for permission"):
        read_master(path, METRE)

    def broken(self):
        raise OSError(5, "Input/output error")

    monkeypatch.setattr("pathlib.Path.read_bytes", broken)
    with refused("cannot be opened .Input/output error."):
        read_master(path, METRE)


def test_files_without_a_surface(tmp_path):
    path = tmp_path / "points.ply"
    trimesh.PointCloud(np.random.default_rng(0).random((50, 3))).export(path)
    with refused("holds no surface .no faces."):
        read_master(path, METRE)
    path = tmp_path / "nan.obj"
    path.write_text("v 0 0 0\nv 1 0 nan\nv 0 1 0\nv 0 0 1\nf 1 2 3\nf 1 3 4\nf 1 4 2\nf 2 4 3\n")
    with refused("vertices that are not numbers .1 NaN or infinite."):
        read_master(path, METRE)


@pytest.mark.parametrize(
    ("vertices", "faces", "sentence"),
    [
        (np.empty((0, 3)), np.empty((0, 3), int), "is empty: it holds no faces"),
        (np.eye(3), np.array([[0, 1, 2]]), "has only 1 face, which encloses nothing"),
        (np.eye(3), np.array([[0, 1, 3]] * 5), "faces that name missing vertices"),
        (np.eye(3)[:, :2], np.array([[0, 1, 2]] * 5), "is not a triangle mesh"),
        (np.eye(4, 3), np.array([[0, 1, 2, 3]] * 5), "is not a triangle mesh"),
        (np.array([[0, 0, np.inf], [0, 1, 0], [1, 0, 0], [1, 1, 1]]), np.array([[0, 1, 2]] * 5), "1 NaN or inf"),
    ],
)
def test_arrays_that_are_no_body(vertices, faces, sentence):
    with refused(sentence):
        prepare_master(vertices, faces, METRE)


def test_flat_bodies_are_refused():
    vertices, faces = ball()
    with refused("has no height; check the up axis"):
        prepare_master(vertices * [1, 1, 0], faces, METRE)
    with refused("is flat as a sheet"):
        prepare_master(vertices * [0, 1, 1], faces, METRE)


def test_stray_vertices_say_nothing():
    vertices, faces = ball()
    stray = np.vstack([vertices, [[np.nan, 0, 0], [1e9, 0, 0]]])
    master = prepare_master(stray, faces, BRIEF)
    assert len(master.vertices_mm) == len(vertices)
    assert master.height_mm == pytest.approx(400.0, rel=1e-9)


def test_cancelling_stops():
    progress = Progress()
    progress.cancel()
    with pytest.raises(Cancelled):
        prepare_master(*ball(), BRIEF, progress=progress)


# --- meshes nobody here made


@pytest.mark.parametrize("packaged", meshes.registry_meshes(), ids=lambda mesh: mesh.name)
def test_packaged_meshes(packaged):
    if packaged.path is None:
        pytest.skip(f"the package {packaged.package} ({packaged.licence}) is not installed")
    master = read_master(packaged.path, METRE)
    health = master.health
    # reference library: open edges as trimesh counts them on the same file with equal vertices joined
    mesh = trimesh.load_mesh(packaged.path, process=False)
    mesh.merge_vertices(digits_vertex=12)
    single = trimesh.grouping.group_rows(mesh.edges_sorted, require_count=1)
    assert health.open_edges == len(single)
    assert health.is_solid
    body = meshes.as_manifold(master.vertices_mm, master.faces)
    assert body.status() == manifold3d.Error.NoError
    assert master.volume_mm3 == pytest.approx(body.volume(), rel=1e-6)
    # mending changes little: the convex hull, which no repair inside it can move, is the same
    hull = trimesh.Trimesh(mesh.vertices * master.scale).convex_hull
    assert meshes.as_manifold(master.vertices_mm, master.faces).hull().volume() == pytest.approx(hull.volume, rel=0.01)
    assert master.area_mm2 == pytest.approx(mesh.area * master.scale**2, rel=0.06)


def test_hare_needs_no_repair(small_hare):
    master = prepare_master(*small_hare, METRE)
    assert master.health.is_solid
    assert master.health.repairs == ()
    assert master.health.notes == ()
    assert master.base_area_mm2 > 0
    buffer = io.BytesIO()
    trimesh.Trimesh(*small_hare, process=False).export(buffer, file_type="ply")
    assert buffer.tell() > 0
