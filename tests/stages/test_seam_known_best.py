"""Bodies whose best seam is known, and the same body turned or meshed otherwise: the seam stays where it is."""

from __future__ import annotations

import numpy as np
import pytest
import seam_bodies as bodies
import trimesh
from mouldloft.trade.seamterms import fair_rule
from scipy.spatial import cKDTree
from shapely.geometry import Polygon


def points_along(seam, step_mm: float = 2.0) -> np.ndarray:
    """Points every 2 mm of all its lines."""
    out = []
    for line in seam.lines:
        path = np.vstack([line.points_mm, line.points_mm[:1]]) if line.closed else line.points_mm
        along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(path, axis=0), axis=1))])
        at = np.arange(0.0, along[-1], step_mm)
        out.append(np.column_stack([np.interp(at, along, path[:, k]) for k in range(3)]))
    return np.concatenate(out)


def chamfered_box() -> trimesh.Trimesh:
    """400 by 500 by 1200 high, one upright edge taken off at 45 degrees by 120."""
    outline = Polygon([(-200, -250), (200, -250), (200, 130), (80, 250), (-200, 250)])
    mesh = trimesh.creation.extrude_polygon(outline, 1200.0).subdivide_to_size(24.0)
    mesh.merge_vertices()
    return mesh


def test_a_chamfered_box_parts_along_its_two_upright_edges():
    """Pulled square to the chamfer, its silhouette is the two upright edges beside it but one: no fill, half the line
    in an edge where the eye expects it."""
    _, seam = bodies.seam_of(chamfered_box(), (1, 1, 0), None, bodies.CHEAPEST, "open", terms=bodies.SIX)
    (line,) = seam.lines
    points = points_along(seam)
    upright = points[(points[:, 2] > 100) & (points[:, 2] < 1100)]
    edges = np.array([[200.0, -250.0], [-200.0, 250.0]])
    away, which = cKDTree(edges).query(upright[:, :2])
    assert np.median(away) < fair_rule(1200.0).off_mm
    assert np.mean(away < 25.0) > 0.75
    assert 0.4 < np.mean(which == 0) < 0.6  # one run up each
    assert line.length_mm < 2 * 1200.0 + np.hypot(400.0, 500.0)
    assert seam.figures.fill_mm3 < 1e6


def mirrored_figure(subdivisions: int) -> trimesh.Trimesh:
    """A standing body of three ellipsoids, the same to the left and to the right: trunk, head, and arms held out."""
    parts = []
    for middle, half in (
        ((0, 0, 450), (170, 130, 450)),
        ((0, -20, 1010), (100, 120, 150)),
        ((0, 0, 700), (330, 70, 75)),
    ):
        ball = trimesh.creation.icosphere(subdivisions, 1.0)
        ball.apply_scale(half)
        ball.apply_translation(middle)
        parts.append(ball)
    mesh = trimesh.boolean.union(parts, engine="manifold")
    mesh.apply_translation([0, 0, -mesh.bounds[0, 2]])
    return mesh


def test_a_figure_with_a_mirror_plane_parts_in_it():
    """Pulled square to its mirror plane the seam is the plane's own section, by trimesh: nothing is locked there."""
    mesh = mirrored_figure(4)
    _, seam = bodies.seam_of(mesh, (1, 0, 0), None, bodies.CHEAPEST, terms=bodies.SIX)
    section = mesh.section(plane_origin=[0.37, 0, 0], plane_normal=[1, 0, 0])
    assert np.quantile(np.abs(points_along(seam)[:, 0]), 0.95) < 2 * fair_rule(1160.0).off_mm
    assert seam.length_mm == pytest.approx(section.length, rel=0.02)


def parted_in_its_mirror_plane(mesh: trimesh.Trimesh, turn: np.ndarray):
    mesh.apply_transform(turn)
    return bodies.seam_of(mesh, turn[:3, 0], None, bodies.CHEAPEST, terms=bodies.SIX)[1]


def test_the_seam_turns_with_the_body_and_stays_on_another_mesh():
    turn = trimesh.transformations.rotation_matrix(0.7, [0, 0, 1])
    one = points_along(parted_in_its_mirror_plane(mirrored_figure(4), np.eye(4)))
    turned = points_along(parted_in_its_mirror_plane(mirrored_figure(4), turn)) @ turn[:3, :3]
    finer = points_along(parted_in_its_mirror_plane(mirrored_figure(5), np.eye(4)))
    for other in (turned, finer):
        assert_same_line(one, other, fair_rule(1160.0).off_mm)


def test_a_figure_on_another_mesh_keeps_its_price():
    """Askew the optimum is flat: the line may lie beside, but its price may not differ."""
    one, other = (
        bodies.seam_of(mirrored_figure(n), (1, 0.4, 0), None, bodies.FREE, terms=bodies.SIX)[1] for n in (4, 5)
    )
    assert other.candidates[0].price.total == pytest.approx(one.candidates[0].price.total, rel=0.02)


def assert_same_line(one: np.ndarray, other: np.ndarray, within_mm: float) -> None:
    """Of each, nine tenths within so much of the other."""
    for a, b in ((one, other), (other, one)):
        assert np.quantile(cKDTree(b).query(a)[0], 0.9) < within_mm


EAR = np.array([120.0, 45.0, 320.0])  # half its width, thickness and length


def leaning_ear() -> tuple[trimesh.Trimesh, np.ndarray]:
    """A trunk with a long flat ear on it that leans back half a right angle's third, and the ear's own turn."""
    trunk = trimesh.creation.icosphere(4, 1.0)
    trunk.apply_scale((200, 180, 300))
    ear = trimesh.creation.icosphere(5, 1.0)
    ear.apply_scale(EAR)
    lean = trimesh.transformations.rotation_matrix(np.radians(-30), [1, 0, 0])
    lean[:3, 3] = [0, 60, 520]
    ear.apply_transform(lean)
    return trimesh.boolean.union([trunk, ear], engine="manifold"), lean


def test_a_seam_goes_over_the_tip_of_an_ear_not_across_its_flat():
    """Analytic: the silhouette of an ellipsoid is where its normal is square to the pull. A line across the flat would
    be shorter, but there the wall lies along the skin, and the ear's tip is a sock for the other glove."""
    mesh, lean = leaning_ear()
    _, seam = bodies.seam_of(mesh, (0, -1, 0), None, bodies.FREE, terms=bodies.SIX)
    points = points_along(seam)
    at = np.column_stack([points, np.ones(len(points))]) @ np.linalg.inv(lean).T
    on_ear = (np.abs((at[:, :3] / EAR) ** 2).sum(axis=1) - 1 < 0.15) & (at[:, 2] > 60)
    assert on_ear.sum() > 50
    normal = (at[on_ear, :3] / np.square(EAR)) @ lean[:3, :3].T
    along = np.abs(normal[:, 1]) / np.linalg.norm(normal, axis=1)
    assert np.median(along) < 0.5  # wall and skin meet at 60 degrees or squarer
    assert points[on_ear, 2].max() > mesh.bounds[1, 2] - 35.0  # a line cut 60 below saves 100 mm of seam
    assert seam.figures.facing_mm < 0.03 * seam.figures.length_mm
