"""Thickness in space against balls, and against trimesh's own closest points on the hare's skin."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
import trimesh
from mouldloft.solids.build import make_solids
from mouldloft.solids.thickness import READ_HIGH_MM, measure_thickness
from test_solids import plan_of
from trimesh.triangles import closest_point


@pytest.fixture(scope="module")
def ball_plan():
    return plan_of(trimesh.creation.icosphere(subdivisions=5, radius=150.0))


@pytest.fixture(scope="module")
def on_the_hare(small_plan, small_solids):
    return measure_thickness(small_plan, small_solids)


def test_a_ball_is_as_thick_as_its_distance_from_the_centre(ball_plan):
    """Outside of a ball of 150 mm: what is over 150 mm from the centre, less the facets' sagitta."""
    for piece in measure_thickness(ball_plan, make_solids(ball_plan)):
        analytic = np.linalg.norm(piece.vertices_mm, axis=1) - 150.0
        flat = 150.0 * (1 - np.cos(np.arctan(0.5) / 2**5))  # the master's own facets lie inside its ball
        assert len(piece.map_mm) > 5000
        assert np.all(piece.map_mm - analytic < READ_HIGH_MM + 2 * flat)
        assert np.all(piece.map_mm - analytic > -1e-6)
        assert piece.least_mm >= 10.0 - 0.1
        assert not piece.thin


def test_histogram_shares_the_area(ball_plan):
    """A ball's skin of one thickness: nearly all of the area in the bins round 10 mm, the rest where draft adds."""
    for piece in measure_thickness(ball_plan):
        assert piece.share.sum() == pytest.approx(1.0)
        assert piece.bin_edges_mm[0] <= piece.map_mm.min()
        assert piece.map_mm.max() <= piece.bin_edges_mm[-1]
        assert len(piece.share) == len(piece.bin_edges_mm) - 1
        middle = (piece.bin_edges_mm[1:] + piece.bin_edges_mm[:-1]) / 2
        mesh = trimesh.Trimesh(piece.vertices_mm, piece.faces, process=False)
        by_face = (mesh.area_faces * piece.map_mm[piece.faces].mean(axis=1)).sum() / mesh.area
        assert (piece.share * middle).sum() == pytest.approx(by_face, abs=np.diff(piece.bin_edges_mm)[0])


def test_a_thinner_glove_is_told_with_its_place(ball_plan):
    """The same glove measured against a skin of 12 mm: thin by 2 mm all over, and in places a band apart."""
    rubber = SimpleNamespace(**{**vars(ball_plan.rubber), "skin_thickness_mm": 12.0, "edge_thickness_mm": 12.0})
    for piece in measure_thickness(SimpleNamespace(**{**vars(ball_plan), "rubber": rubber})):
        assert len(piece.thin) >= 4
        assert piece.thin[0].asked_mm == pytest.approx(12.0)
        assert piece.thin[0].thickness_mm == pytest.approx(10.0, abs=0.2)
        assert np.linalg.norm(piece.thin[0].point_mm) == pytest.approx(160.0, abs=0.3)
        spots = np.array([p.point_mm for p in piece.thin])
        apart = np.linalg.norm(spots[:, None] - spots[None], axis=2)[~np.eye(len(spots), dtype=bool)]
        assert apart.min() > 40.0
        assert len({p.name for p in piece.thin}) == len(piece.thin)


def test_hare_is_never_thinner_than_asked(small_plan, on_the_hare):
    """On the solid's facets, between the nodes too: skin all over, the edge's thickness in the edge band."""
    rubber = small_plan.rubber
    for piece in on_the_hare:
        assert piece.least_mm >= rubber.skin_thickness_mm, piece.thin
        assert piece.band_least_mm >= rubber.edge_thickness_mm, piece.thin
        assert np.mean(piece.map_mm < piece.asked_mm - 0.1) < 1e-3


def test_envelopes_are_never_thinner_than_asked(small_plan):
    for piece in measure_thickness(small_plan):
        assert piece.least_mm >= small_plan.rubber.skin_thickness_mm - 0.02  # edges shared by four faces are opened
        assert piece.band_least_mm >= small_plan.rubber.edge_thickness_mm


def test_thinnest_facets_by_trimesh(small_plan, small_solids):
    """Middles of the thinnest facets to every one of the piece's faces: as thick as asked, less what thins flat parts
    when a solid is written (a hundredth)."""
    skin = small_plan.rubber.skin_thickness_mm
    for piece in measure_thickness(small_plan, small_solids):
        own = (small_plan.seam.labels == piece.piece) & ~small_plan.master.base_faces
        triangles = small_plan.master.vertices_mm[small_plan.master.faces[own]]
        middles = piece.vertices_mm[piece.faces].mean(axis=1)
        for at in np.argsort(piece.map_mm[piece.faces].min(axis=1))[:25]:
            near = closest_point(triangles, np.tile(middles[at], (len(triangles), 1)))
            assert np.linalg.norm(near - middles[at], axis=1).min() > skin - 0.011


def test_hare_against_trimesh(small_plan, on_the_hare):
    """Distance to every one of the piece's own faces by trimesh's closest point on a triangle."""
    master = small_plan.master
    for piece in on_the_hare:
        triangles = master.vertices_mm[master.faces[(small_plan.seam.labels == piece.piece) & ~master.base_faces]]
        for at in range(0, len(piece.vertices_mm), len(piece.vertices_mm) // 40):
            point = piece.vertices_mm[at]
            exact = np.linalg.norm(closest_point(triangles, np.tile(point, (len(triangles), 1))) - point, axis=1).min()
            assert -1e-6 < piece.map_mm[at] - exact < READ_HIGH_MM
