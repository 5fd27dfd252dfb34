"""Undercut and locks on bodies whose locked surface is known exactly."""

from __future__ import annotations

from types import SimpleNamespace

import manifold3d as m3
import numpy as np
import pytest
import trimesh
from mouldloft.brief import SeamBrief
from mouldloft.rays import ray_scene
from mouldloft.sampling import samples_on_every_face
from mouldloft.seam import place_seam
from mouldloft.undercut import find_locks, freedom_by_columns, freedom_by_rays, undercut_field, where_on_piece
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
