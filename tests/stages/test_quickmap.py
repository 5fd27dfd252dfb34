"""The map under the hand against the exact one, and against bodies whose locks and fill are known."""

from __future__ import annotations

import manifold3d as m3
import numpy as np
import pytest
import trimesh
from mouldloft.inputs.brief import MasterBrief
from mouldloft.stages.master import prepare_master
from mouldloft.stages.quickmap import FREE_AHEAD, FREE_BEHIND, FREE_EITHER, LOCKED, quick_map, quick_mapper
from mouldloft.stages.undercut import undercut_field
from seam_bodies import as_master


@pytest.fixture(scope="module")
def hare(small_hare):
    return prepare_master(*small_hare, MasterBrief(finished_height_mm=1400), name="Seated hare")


@pytest.fixture(scope="module")
def mapper(hare):
    return quick_mapper(hare)


@pytest.mark.parametrize("direction", [(1, 0, 0), (0, 1, 0), (0, 0, -1), (0.3, 1, 0.2), (-0.8, -0.2, -0.5)])
def test_locked_area_is_within_two_per_cent_of_the_exact_rays(hare, mapper, direction):
    exact = undercut_field(hare, direction, check=False)
    quick = quick_map(mapper, direction)
    assert quick.locked_area_mm2 == pytest.approx(exact.locked_area_mm2, rel=0.02)
    locked = (exact.free_plus <= 0.5) & (exact.free_minus <= 0.5)
    wrong = hare.face_areas_mm2[locked != (quick.answers == LOCKED)].sum() / hare.area_mm2
    assert wrong < 0.03  # what lies along the edge of a shadow


def test_a_pull_and_its_opposite_change_places(mapper):
    one, other = quick_map(mapper, (0.3, 1, 0.2)), quick_map(mapper, (-0.3, -1, -0.2))
    assert np.array_equal(one.answers == LOCKED, other.answers == LOCKED)
    assert np.array_equal(one.answers == FREE_AHEAD, other.answers == FREE_BEHIND)
    assert one.fill_mm3 == pytest.approx(other.fill_mm3, rel=0.02)


def test_a_convex_body_never_locks():
    quick = quick_map(quick_mapper(as_master(trimesh.creation.icosphere(subdivisions=4, radius=80))), (0.3, -0.5, 0.8))
    assert quick.locked_area_mm2 == 0.0
    assert set(np.unique(quick.answers)) <= {FREE_AHEAD, FREE_BEHIND, FREE_EITHER}


def _ledge() -> trimesh.Trimesh:
    """An H on its side: bars 100 x 60 x 20 at top and bottom, a web 20 x 60 x 60 between them, in millimetres."""
    solid = m3.Manifold.cube([100, 60, 20], True).translate([0, 0, 40])
    solid += m3.Manifold.cube([100, 60, 20], True).translate([0, 0, -40])
    solid += m3.Manifold.cube([20, 60, 62], True)
    mesh = solid.to_mesh()
    return trimesh.Trimesh(np.asarray(mesh.vert_properties)[:, :3], np.asarray(mesh.tri_verts), process=False)


def test_what_locks_under_a_ledge_and_its_fill_are_as_worked_out_by_hand():
    mapper = quick_mapper(as_master(_ledge()))
    up = quick_map(mapper, (0, 0, 1))
    # shut in between the bars: four faces 40 x 60, and both sides of the web, 60 x 60 each
    assert up.locked_area_mm2 == pytest.approx(4 * 40 * 60 + 2 * 60 * 60, rel=0.02)
    # two rooms 40 x 60 x 60 between the bars: wherever the mould is split, both are full of rubber
    assert up.fill_mm3 == pytest.approx(2 * 40 * 60 * 60, rel=0.06)
    along = quick_map(mapper, (0, 1, 0))
    assert along.locked_area_mm2 == 0.0
    assert along.fill_mm3 == pytest.approx(0.0, abs=0.03 * 2 * 40 * 60 * 60)
    # walls along the pull slide whichever way it goes
    sides = np.abs(np.asarray(_ledge().face_normals)[:, 1]) < 1e-6
    assert (along.answers[sides] == FREE_EITHER).all()


def test_a_direction_without_length_is_refused(mapper):
    with pytest.raises(ValueError, match="finite length"):
        quick_map(mapper, (0.0, 0.0, 0.0))


def test_the_master_says_how_it_was_moved():
    box = trimesh.creation.box((200, 100, 300))
    box.apply_translation((50, 20, 10))
    master = prepare_master(box.vertices, box.faces, MasterBrief(unit="mm"))
    # up +z and front -y leave the axes as they are
    moved = box.vertices + master.shift_mm
    assert np.allclose(master.vertices_mm.min(axis=0), moved.min(axis=0))
    assert np.allclose(master.vertices_mm.max(axis=0), moved.max(axis=0))
