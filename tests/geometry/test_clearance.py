"""Facets held clear of balls, judged by trimesh's closest points on every triangle."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from mouldloft.geometry.clearance import raised_clear
from mouldloft.geometry.footprint import plain_cut
from mouldloft.geometry.sampling import covering_points
from scipy.spatial import cKDTree
from trimesh.triangles import closest_point


def lattice(count: int, pitch_mm: float, height):
    """(nodes, faces) of a square map about the origin."""
    at = pitch_mm * (np.arange(count) - (count - 1) / 2)
    x, y = np.meshgrid(at, at)
    nodes = np.column_stack([x.ravel(), y.ravel(), height(x, y).ravel()])
    return nodes, plain_cut((count, count)).cells(np.ones((count - 1, count - 1), bool))


def least_over_mm(nodes, faces, centres, radii) -> np.ndarray:
    """(k,) how far the nearest facet is from each ball; below 0 where it cuts in."""
    found = []
    for centre, radius in zip(centres, radii):
        near = closest_point(nodes[faces], np.tile(centre, (len(faces), 1)))
        found.append(np.linalg.norm(near - centre, axis=1).min() - radius)
    return np.array(found)


@pytest.mark.parametrize("slope", [0.0, 3.0, 19.0])
def test_facets_clear_every_ball(slope):
    """Scattered balls of two sizes under a plane that leans up to 3 degrees off the pull: none is cut, and none needed
    more room than it takes: the worst still touches."""
    draw = np.random.default_rng(5)
    nodes, faces = lattice(25, 3.0, lambda x, y: slope * x)
    centres = np.column_stack([draw.uniform(-25, 25, (60, 2)), np.zeros(60)])
    radii = np.where(np.arange(60) % 3 == 0, 12.0, 8.0)
    # square to the plane, up to half a radius too near
    normal = np.array([-slope, 0.0, 1.0]) / np.hypot(slope, 1.0)
    centres[:, 2] = slope * centres[:, 0]
    centres -= np.outer(radii * draw.uniform(0.5, 1.2, 60), normal)
    before = least_over_mm(nodes, faces, centres, radii)
    raised = nodes.copy()
    raised[:, 2] = raised_clear(nodes, faces, centres, radii)
    after = least_over_mm(raised, faces, centres, radii)
    assert before.min() < -3.0
    assert after.min() > -2e-5
    assert after.min() < 0.05
    assert np.all(raised[:, 2] >= nodes[:, 2])


def test_what_is_clear_stays():
    nodes, faces = lattice(15, 3.0, lambda x, y: 0.2 * x)
    centres, radii = np.array([[0.0, 0.0, -20.0], [9.0, -4.0, -16.0]]), np.array([15.0, 10.0])
    assert np.array_equal(raised_clear(nodes, faces, centres, radii), nodes[:, 2])


def test_ball_between_nodes_is_seen():
    """A sharp spike of a ball that no node lies over: its facet rises though every node was clear."""
    nodes, faces = lattice(9, 10.0, lambda x, y: np.zeros_like(x))
    centre, radius = np.array([[6.0, 3.0, -1.0]]), np.array([1.5])
    raised = nodes.copy()
    raised[:, 2] = raised_clear(nodes, faces, centre, radius)
    assert least_over_mm(nodes, faces, centre, radius)[0] == pytest.approx(-0.5)
    assert least_over_mm(raised, faces, centre, radius)[0] > -2e-5
    assert (raised[:, 2] > 0).sum() == 3


def test_sphere_under_its_own_lattice():
    """A dome of 60 mm sampled at its nodes: chords lie inside it; after raising, trimesh finds no point of it outside
    by more than its own chords."""
    nodes, faces = lattice(41, 3.0, lambda x, y: np.sqrt(np.maximum(70.0**2 - x**2 - y**2, 30.0**2)))
    ball = trimesh.creation.icosphere(subdivisions=5, radius=60.0).vertices
    centres = ball[ball[:, 2] > 40.0]
    raised = nodes.copy()
    raised[:, 2] = raised_clear(nodes, faces, centres, np.full(len(centres), 10.0))
    on_top = np.hypot(nodes[:, 0], nodes[:, 1]) < 35.0
    away = np.linalg.norm(raised[on_top], axis=1)
    assert away.min() > 70.0 - 0.05
    assert away.max() < 70.0 + 3.0**2 * 2 / (8 * 70.0) + 0.05
    assert least_over_mm(raised, faces, centres[::40], np.full(len(centres[::40]), 10.0)).min() > -2e-5


@pytest.mark.parametrize("apex", [[3.0, 0.0], [3.0, 420.0], [3.0, 1400.0], [60.0, 900.0]])
def test_a_sliver_is_covered_without_a_point_too_many(apex):
    """Random places of a triangle a metre long, by scipy's nearest: none further off than 0.58 spacings; and no more
    points than a handful for each square spacing and each spacing of edge."""
    corners, spacing = np.array([[0.0, 0.0, 0.0], [0.0, 1000.0, 0.0], [*apex, 0.0]]), 1.5
    points = covering_points(corners, np.array([[0, 1, 2]]), spacing)
    share = np.random.default_rng(1).dirichlet([1.0, 1.0, 1.0], 20_000)
    assert cKDTree(points).query(share @ corners)[0].max() <= 0.58 * spacing
    area = 0.5 * np.linalg.norm(np.cross(corners[1] - corners[0], corners[2] - corners[0]))
    assert len(points) < 3.0 * area / spacing**2 + 4.0 * 3000.0 / spacing


def test_a_sheer_wall_grows_no_higher_than_the_balls_behind_it():
    """A step of 1.5 m between two columns of nodes, a millimetre too near to balls all up its back: by trimesh clear of
    them, where its foot rises, and no node far over the topmost ball."""
    nodes, faces = lattice(13, 3.0, lambda x, y: np.where(x > 0.5, 1500.0, 0.0))
    up = np.arange(20.0, 1480.0, 7.0)
    centres = np.column_stack([np.full(len(up), 9.0), 3.0 * np.sin(up), up])
    radii = np.full(len(up), 8.5)
    assert least_over_mm(nodes, faces, centres[::20], radii[::20]).min() < -0.5
    raised = nodes.copy()
    raised[:, 2] = raised_clear(nodes, faces, centres, radii)
    assert raised[:, 2].max() < 1520.0
    assert least_over_mm(raised, faces, centres[::10], radii[::10]).min() > -2e-5
