"""Undercut and locks on bodies whose locked surface is known exactly."""

from __future__ import annotations

from types import SimpleNamespace

import manifold3d as m3
import numpy as np
import pytest
import trimesh
from mouldloft.geometry.frame import pull_frame
from mouldloft.geometry.rays import ray_scene
from mouldloft.geometry.sampling import samples_on_every_face
from mouldloft.inputs.brief import SeamBrief
from mouldloft.stages.locks import find_locks
from mouldloft.stages.opening import half_sphere
from mouldloft.stages.seam.place import place_seam
from mouldloft.stages.undercut import freedom_by_columns, freedom_by_rays, undercut_field, where_on_piece
from seam_bodies import as_master, opening_along

RUBBER = SimpleNamespace(elongation_at_break=4.8)


def to_mesh(solid: m3.Manifold) -> trimesh.Trimesh:
    mesh = solid.to_mesh()
    return trimesh.Trimesh(np.asarray(mesh.vert_properties)[:, :3], np.asarray(mesh.tri_verts), process=False)


def channel() -> trimesh.Trimesh:
    """Block 100 x 60 x 60 with a slot 40 wide and 40 deep, open upwards and at both ends."""
    block = m3.Manifold.cube([100, 60, 60], True)
    return to_mesh(block - m3.Manifold.cube([40, 80, 40], True).translate([0, 0, 10.0]))


def mushroom(stem: float = 30.0, cap: float = 60.0, height: float = 100.0) -> trimesh.Trimesh:
    stalk = m3.Manifold.cylinder(height, stem, stem, 128)
    return to_mesh(stalk + m3.Manifold.cylinder(20.0, cap, cap, 128).translate([0, 0, height - 1e-3]))


def locks_along(master, direction, offset_mm):
    field = undercut_field(master, direction, check=False)
    seam = place_seam(
        master, opening_along(direction, offset_mm), field, SeamBrief(kind="plane", plane_offset_mm=offset_mm)
    )
    return find_locks(master, field, seam, RUBBER)


@pytest.mark.parametrize("direction", [(1, 0, 0), (0.3, -0.5, 0.8), (0, 0, 1)])
def test_a_convex_body_never_locks(direction):
    field = undercut_field(as_master(trimesh.creation.icosphere(subdivisions=4, radius=80)), direction)
    assert field.locked_area_mm2 == 0
    assert field.disagreement_fraction < 0.01
    assert np.all((field.free_plus > 0) == (field.draft_deg > -0.05))


def test_a_torus_opens_along_its_axis_and_locks_across_it():
    master = as_master(trimesh.creation.torus(120, 40, major_sections=96, minor_sections=48))
    assert undercut_field(master, (0, 0, 1)).locked_fraction < 1e-3
    across = undercut_field(master, (1, 0, 0))
    # reference: trimesh's own ray caster, both ways from every face centre
    mesh = trimesh.Trimesh(master.vertices_mm, master.faces, process=False)
    start = mesh.triangles_center + 1e-3 * mesh.face_normals
    shut = mesh.ray.intersects_any(start, np.tile([1.0, 0, 0], (len(start), 1)))
    shut &= mesh.ray.intersects_any(start, np.tile([-1.0, 0, 0], (len(start), 1)))
    assert across.locked_area_mm2 == pytest.approx(mesh.area_faces[shut].sum(), rel=0.01)
    assert across.locked_fraction > 0.05


def test_channel_locks_its_slot_and_nothing_else():
    master = as_master(channel().subdivide_to_size(8.0))
    field = undercut_field(master, (1, 0, 0))
    # two walls of 40 x 60 face each other, and the floor of 40 x 60 between them slides but is shut at both ends
    assert field.locked_area_mm2 == pytest.approx(3 * 40 * 60, rel=0.01)
    assert undercut_field(master, (0, 1, 0)).locked_area_mm2 == pytest.approx(0, abs=1)
    assert undercut_field(master, (0, 0, 1)).locked_area_mm2 == pytest.approx(0, abs=1)


def test_channel_fill_is_the_slot():
    locks = locks_along(as_master(channel().subdivide_to_size(8.0)), (1.0, 0, 0), 0.0)
    assert locks.fill_mm3 == pytest.approx(40 * 40 * 60, rel=0.01)
    assert {region.piece for region in locks.regions} == {0, 1}


def test_mushroom_stretch_is_cap_over_stem():
    """A ring of the stem's radius passes the cap: strain (R - r) / r. Derived, no source."""
    locks = locks_along(as_master(mushroom().subdivide_to_size(12.0)), (0, 0, 1.0), 0.5)
    assert max(r.depth_mm for r in locks.regions) == pytest.approx(30, rel=0.05)
    assert locks.worst_stretch == pytest.approx(1.0, rel=0.08)
    assert locks.fill_mm3 == pytest.approx(np.pi * (60**2 - 30**2) * 99.5, rel=0.02)
    assert locks.stretch_allowed == pytest.approx(1.6)


def test_wider_cap_needs_more_stretch():
    narrow = locks_along(as_master(mushroom(cap=45).subdivide_to_size(12.0)), (0, 0, 1.0), 0.5)
    wide = locks_along(as_master(mushroom(cap=75).subdivide_to_size(12.0)), (0, 0, 1.0), 0.5)
    assert narrow.worst_stretch < wide.worst_stretch
    assert narrow.fill_mm3 < wide.fill_mm3


@pytest.mark.parametrize("draft", [2.0, 8.0])
def test_draft_is_read_off_a_tapered_block(draft):
    top = 60 - 2 * 50 * np.tan(np.radians(draft))
    block = m3.Manifold.cube([60, 60, 0.01], True).translate([0, 0, 0.005])
    block = m3.Manifold.hull(block + m3.Manifold.cube([top, top, 0.01], True).translate([0, 0, 49.995]))
    field = undercut_field(as_master(to_mesh(block)), (0, 0, 1), check=False)
    side = (np.abs(field.draft_deg) < 45) & (field.draft_deg > 0.1)  # the caps are 0.01 mm slabs
    assert side.sum() >= 8
    assert np.allclose(field.draft_deg[side], draft, atol=0.05)


def holed_cube(taper_deg: float) -> trimesh.Trimesh:
    """Cube of 100 with one blind hole from above, 60 deep, floor radius 15, walls tapered."""
    mouth = 15 + 60 * np.tan(np.radians(taper_deg))
    hole = m3.Manifold.cylinder(60.0, 15.0, float(mouth), 96).translate([0, 0, -10.0])
    return to_mesh(m3.Manifold.cube([100, 100, 100], True) - hole)


@pytest.mark.parametrize(("tilt", "opens"), [(0, True), (6, True), (9, True), (11, False), (20, False), (90, False)])
def test_tapered_blind_hole_opens_exactly_within_its_taper(tilt, opens):
    """The feasible directions of a cube with one hole of taper a are those within a of the hole's axis (no facet is
    turned over, no point is covered): exactly known."""
    master = as_master(holed_cube(10.0))
    d = np.array([np.sin(np.radians(tilt)), 0, np.cos(np.radians(tilt))])
    assert (undercut_field(master, d, check=False).locked_fraction < 2e-4) is opens


def drilled_cube(*holes: tuple[tuple[float, float, float], float]) -> trimesh.Trimesh:
    """Cube of 400 with blind holes that do not meet, each in the middle of the face its direction points out of, 60
    deep, floor radius 15, walls of the given taper in degrees."""
    solid = m3.Manifold.cube([400, 400, 400], True)
    for axis, taper in holes:
        mouth = 15 + 70 * np.tan(np.radians(taper))
        cone = m3.Manifold.cylinder(70.0, 15.0, float(mouth), 96).translate([0, 0, 140.0])
        turn = trimesh.geometry.align_vectors([0, 0, 1], axis)[:3]
        solid -= cone.transform(turn)
    return to_mesh(solid)


FEASIBLE = {
    "one straight hole": (((0, 0, 1), 0.0),),
    "one tapered hole": (((0, 0, 1), 20.0),),
    "two holes on one side": (((0, 0, 1), 20.0), ((0, 0, -1), 12.0)),
    "two tapered holes square to each other": (((0, 0, 1), 50.0), ((1, 0, 0), 50.0)),
    "a straight hole and a wide one behind": (((0, 0, 1), 0.0), ((0, 0, -1), 40.0)),
    "three tapered holes": (((0, 0, 1), 50.0), ((1, 0, 0), 50.0), ((0, 0, -1), 46.0)),
    "two straight holes square to each other": (((0, 0, 1), 0.0), ((1, 0, 0), 0.0)),
}


@pytest.mark.parametrize("name", FEASIBLE)
def test_the_feasible_directions_of_a_drilled_cube_are_the_cones_in_common(name):
    """Exactly known: a straight pull, either way, frees a blind hole of taper a if it lies within a of the hole's axis,
    and outside nothing locks; so the feasible lines are those in the cones of all holes. Derived, no source. Probed
    on 200 lines over the half-sphere, the holes' axes, and lines 2 degrees to each side of every cone."""
    holes = FEASIBLE[name]
    master = as_master(drilled_cube(*holes))
    scene = ray_scene(master.vertices_mm, master.faces)
    probes = [*half_sphere(200)]
    for axis, taper in holes:
        frame = pull_frame(np.array(axis, float))
        for tilt in (0.0, taper - 2.0, taper + 2.0):
            for turn in np.radians([10.0, 100.0, 190.0, 280.0]):
                across = np.cos(turn) * frame.axes[0] + np.sin(turn) * frame.axes[1]
                probes.append(np.cos(np.radians(tilt)) * frame.pull + np.sin(np.radians(tilt)) * across)
    taken = samples_on_every_face(master.vertices_mm, master.faces, master.face_areas_mm2, 4.0)
    found, expected = [], []
    for d in probes:
        angles = [np.degrees(np.arccos(min(abs(float(d @ axis)), 1.0))) for axis, _ in holes]
        room = [taper - angle for angle, (_, taper) in zip(angles, holes)]
        if 1e-5 < abs(min(room)) < 0.5:
            continue  # 96-sided cones are 0.02 degrees off round, and walls count as upright within 0.05
        free = np.logical_or(*freedom_by_rays(scene, taken.points_mm, master.normals[taken.faces], d))
        found.append(float(taken.areas_mm2[~free].sum()) / master.area_mm2 < 1e-5)
        expected.append(min(room) > -1e-5)
    assert found == expected
    assert not all(expected)
    assert any(expected) == (name != "two straight holes square to each other")


def test_crossing_blind_holes_leave_no_direction():
    up = m3.Manifold.cylinder(60.0, 15.0, 15.0, 48).translate([0, 0, -5.0])
    side = up.rotate([0, 90, 0])
    master = as_master(to_mesh(m3.Manifold.cube([100, 100, 100], True) - up - side))
    for d in np.vstack([np.eye(3), np.array([[1, 0, 1], [1, 1, 1.0]])]):
        assert undercut_field(master, d, check=False).locked_fraction > 0.01


def test_two_methods_converge_on_each_other():
    master = as_master(channel().subdivide_to_size(4.0))
    d = np.array([0.8, 0.15, 0.3])
    d /= np.linalg.norm(d)
    taken = samples_on_every_face(master.vertices_mm, master.faces, master.face_areas_mm2, 2.0)
    scene = ray_scene(master.vertices_mm, master.faces)
    by_ray = np.logical_or(*freedom_by_rays(scene, taken.points_mm, master.normals[taken.faces], d))
    differ = []
    for pixel in (6.0, 3.0, 1.0, 0.5):
        by_map = np.logical_or(*freedom_by_columns(master, taken, d, pixel))
        differ.append(taken.areas_mm2[by_ray != by_map].sum() / master.area_mm2)
    assert differ[-1] < 0.004
    assert differ[-1] < 0.4 * differ[0]


def test_thin_sheet_is_free_both_ways():
    field = undercut_field(as_master(trimesh.creation.box([200, 150, 0.5])), (0, 0, 1))
    assert field.locked_area_mm2 == 0
    assert field.disagreement_fraction < 1e-3


def test_faces_larger_than_the_spacing_are_shared_out():
    """A plate half under a roof: its big faces are partly free, in the right share."""
    plate = m3.Manifold.cube([200, 100, 10], True)
    roof = m3.Manifold.cube([100, 100, 10], True).translate([50, 0, 60.0])
    post = m3.Manifold.cube([4, 100, 60], True).translate([98, 0, 30.0])
    field = undercut_field(as_master(to_mesh(plate + roof + post)), (0, 0, 1), check=False)
    # under the roof: the plate's top, the roof's underside and the post's inner wall; 4 mm of it stands on the post
    locked = 2 * 96 * 100 + 50 * 100
    assert field.locked_area_mm2 == pytest.approx(locked, rel=0.03)


def test_places_are_named_from_the_pieces_own_side():
    master = as_master(trimesh.creation.box([200, 400, 800]))
    assert where_on_piece(np.array([90.0, 0, 623.0]), master) == "left, 620 mm up"
    assert where_on_piece(np.array([-90.0, -190.0, 100.0]), master) == "front right, 100 mm up"


# --- what trips up rays and images: one rule each, written beside it in the code ------------------------------------


def both_ways(mesh: trimesh.Trimesh, direction, pixel_mm: float) -> tuple[float, float]:
    """Locked area by rays, and share of the skin on which the image differs."""
    field = undercut_field(as_master(mesh), direction, pixel_mm=pixel_mm)
    return field.locked_area_mm2, field.disagreement_fraction


def test_upright_walls_slide_out_either_way():
    """Rule: a wall within 0.05 degrees of the pull slides, and is asked both ways; a prism along it is all wall."""
    prism = trimesh.creation.cylinder(40.0, 200.0, sections=60)
    locked, differ = both_ways(prism, (0, 0, 1), 1.0)
    assert locked == 0
    assert differ < 0.01
    field = undercut_field(as_master(prism), (0, 0, 1), check=False)
    walls = np.abs(field.draft_deg) < 0.01
    assert walls.sum() == 120
    assert (field.free_plus[walls] == 1).all()
    assert (field.free_minus[walls] == 1).all()


@pytest.mark.parametrize("draft", [0.02, 0.2, 1.0])
def test_grazing_faces_are_not_shut_by_themselves_or_their_neighbours(draft):
    """A cone of slight draft in many slim faces, each seen almost edge on: nothing stands in any face's way."""
    top = 40.0 - 200.0 * np.tan(np.radians(draft))
    cone = to_mesh(m3.Manifold.cylinder(200.0, 40.0, float(top), 240))
    locked, differ = both_ways(cone.subdivide_to_size(25.0), (0, 0, 1), 0.5)
    assert locked == 0
    assert differ < 0.02


def test_two_shells_that_touch_shut_what_lies_between():
    """Two blocks stood on each other as shells of their own: along the pull the faces that meet are shut, and no more;
    across it they slide. 60 x 40 mm of each."""
    low = trimesh.creation.box([60, 40, 30])
    high = low.copy()
    high.apply_translation([0, 0, 30])
    both = trimesh.util.concatenate([low, high])
    assert undercut_field(as_master(both), (0, 0, 1), check=False).locked_area_mm2 == pytest.approx(2 * 60 * 40)


def test_a_thin_sheet_shuts_what_is_under_it():
    """A sheet a tenth of a millimetre thick, 5 mm over a plate: rays and image both see it."""
    plate = trimesh.creation.box([100, 80, 10])
    sheet = trimesh.creation.box([60, 50, 0.1])
    sheet.apply_translation([0, 0, 10.05])
    locked, differ = both_ways(trimesh.util.concatenate([plate, sheet]).subdivide_to_size(10.0), (0, 0, 1), 0.5)
    assert locked == pytest.approx(2 * 60 * 50, rel=0.02)
    assert differ < 0.02


def test_faces_smaller_and_larger_than_a_pixel_give_one_answer():
    """The same slotted block in 28 faces and in thousands, on pixels of 2 mm: one locked area, one fill."""
    few, many = channel(), channel().subdivide_to_size(1.5)
    for direction in [(1, 0, 0), (0.7, 0.2, 0.5)]:
        coarse, fine = both_ways(few, direction, 2.0), both_ways(many, direction, 2.0)
        assert coarse[0] == pytest.approx(fine[0], rel=0.03)
        assert abs(coarse[1] - fine[1]) < 0.02


def two_groove_post() -> trimesh.Trimesh:
    """A square post 100 wide and 400 tall with a groove on its left, 100 mm up, 30 deep, and one on its right, 300 mm
    up, 15 deep; both 40 high."""
    post = m3.Manifold.cube([100, 100, 400], True).translate([0, 0, 200.0])
    post -= m3.Manifold.cube([60, 200, 40], True).translate([50, 0, 100.0])
    post -= m3.Manifold.cube([30, 200, 40], True).translate([-50, 0, 300.0])
    return to_mesh(post).subdivide_to_size(8.0)


def test_locks_are_told_apart_ranked_and_named_where_the_workshop_finds_them():
    """Pulled straight up, each groove is a lock of its own: its roof overhangs. Parted at the foot, the fill under a
    roof is the groove (30 and 15 deep, 100 wide, 40 high) and each lock has its own depth and stretch."""
    locks = locks_along(as_master(two_groove_post()), (0, 0, 1.0), 0.5)
    left, right = (next(r for r in locks.regions if side in r.name) for side in ("left", "right"))
    assert locks.regions.index(left) < locks.regions.index(right)
    assert left.name == "left, 100 mm up" or abs(left.height_mm - 100) <= 20
    assert right.name == "right, 300 mm up" or abs(right.height_mm - 300) <= 20
    assert left.fill_mm3 == pytest.approx(30 * 100 * 40, rel=0.03)
    assert right.fill_mm3 == pytest.approx(15 * 100 * 40, rel=0.03)
    assert left.depth_mm == pytest.approx(30, abs=2.0)
    assert right.depth_mm == pytest.approx(15, abs=2.0)
    assert left.stretch > 1.5 * right.stretch > 0


def test_stretch_is_known_by_position():
    """Deeper into a groove the rubber has further to come out: the strain at a face grows with its depth, is nothing
    on the outside, and the worst is the greatest of them."""
    master = as_master(two_groove_post())
    locks = locks_along(master, (0, 0, 1.0), 0.5)
    centre = master.vertices_mm[master.faces].mean(axis=1)
    in_left = (centre[:, 0] > 20.1) & (np.abs(centre[:, 2] - 100) < 20.1) & (locks.depth_mm > 0)
    shallow, deep = in_left & (centre[:, 0] > 42), in_left & (centre[:, 0] < 28)
    assert locks.stretch[shallow].mean() < locks.stretch[deep].mean()
    assert locks.stretch[np.abs(centre[:, 2] - 200) < 60].max() == 0
    assert locks.worst_stretch == pytest.approx(max(r.stretch for r in locks.regions))
