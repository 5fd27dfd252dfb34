"""The inside of a body: clearance and reach in boxes and tubes whose answers are plain geometry."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from mouldloft.geometry.hollow import Hollow, hollow_inside, reach_from, reach_to, unreached_by_ball


def hollow_of(mesh: trimesh.Trimesh, pitch_mm: float) -> Hollow:
    return hollow_inside(
        np.asarray(mesh.vertices), np.asarray(mesh.faces), mesh.face_normals, mesh.area_faces, pitch_mm
    )


@pytest.fixture(scope="module")
def box() -> Hollow:
    """400 x 300 x 1000 mm, its foot at z = 0."""
    mesh = trimesh.creation.box((400, 300, 1000))
    mesh.apply_translation((0, 0, 500))
    return hollow_of(mesh, 20.0)


def test_inside_and_clearance_of_a_box(box: Hollow) -> None:
    assert len(box.nodes_mm) * box.pitch_mm**3 == pytest.approx(400 * 300 * 1000, rel=0.02)
    by_hand = np.minimum(np.array([200, 150, 500]) - np.abs(box.nodes_mm - (0, 0, 500)), 1e9).min(axis=1)
    assert np.abs(box.clearance_mm - by_hand).max() < 6.0  # samples lie some 5 mm apart


def test_reach_from_the_foot_of_a_box(box: Hollow) -> None:
    foot = box.nodes_mm[box.index[:, 2] == box.index[:, 2].min()] * (1, 1, 0)
    far = reach_from(box, foot, 50.0)
    found = np.isfinite(far)
    assert np.abs(far[found] - box.nodes_mm[found, 2]).max() < 0.1 * 1000  # straight up, too long by 8 % at most
    assert (far[found] >= box.nodes_mm[found, 2] - box.pitch_mm).all()
    points = np.array([[200.0, 0.0, z] for z in (100, 600, 900)])
    assert reach_to(box, far, points, 160.0) == pytest.approx([100, 600, 900], abs=90)


def test_no_arm_passes_a_neck() -> None:
    low, high = trimesh.creation.box((300, 300, 400)), trimesh.creation.box((300, 300, 400))
    low.apply_translation((0, 0, 200))
    neck = trimesh.creation.box((60, 60, 220))
    neck.apply_translation((0, 0, 500))
    high.apply_translation((0, 0, 800))
    body = trimesh.boolean.union([low, neck, high], engine="manifold")
    hollow = hollow_of(body, 14.0)
    foot = hollow.nodes_mm[hollow.index[:, 2] == hollow.index[:, 2].min()] * (1, 1, 0)
    far = reach_from(hollow, foot, 50.0)  # an arm needs 100 mm, the neck has 60
    assert np.isfinite(far[hollow.nodes_mm[:, 2] < 300]).any()
    assert not np.isfinite(far[hollow.nodes_mm[:, 2] > 620]).any()
    wide = reach_from(hollow, foot, 15.0)
    assert np.isfinite(wide[hollow.nodes_mm[:, 2] > 900]).any()
    assert np.isinf(reach_to(hollow, far, np.array([[150.0, 0.0, 800.0]]), 160.0)[0])


def test_a_ball_stays_out_of_a_slot() -> None:
    body = trimesh.creation.box((300, 300, 300))
    fin = trimesh.creation.box((20, 200, 200))
    fin.apply_translation((0, 0, 240))
    whole = trimesh.boolean.union([body, fin], engine="manifold")
    hollow = hollow_of(whole, 8.0)
    tight = unreached_by_ball(hollow, 25.0, 5.0)
    high = hollow.skin_mm[:, 2] > 200  # well up the fin, 20 mm thick
    assert tight[high].mean() > 0.95
    flat = (np.abs(hollow.skin_mm[:, :2]).max(axis=1) > 149) & (np.abs(hollow.skin_mm[:, 2]) < 90)
    flat &= np.abs(hollow.skin_mm[:, :2]).min(axis=1) < 90
    assert tight[flat].mean() < 0.02
