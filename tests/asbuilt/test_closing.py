"""Scans closed: what was missing, what noise does, what the board under the clay does."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from asbuilt_scans import scanned, vertex_normals
from mouldloft.asbuilt.closing import close_scan
from mouldloft.asbuilt.difference import carried_values, measure_difference, signed_distances
from mouldloft.base.errors import MasterRefused
from mouldloft.base.progress import Progress


def as_placed(vertices, faces, drop, noise_mm=0.5):
    """A scan with its noise and holes, already laid on the plan."""
    scan, left, as_scanned = scanned(vertices, faces, 7, 1.0, drop, noise_mm)
    origin = as_scanned(np.zeros((1, 3)))[0]
    turn = (as_scanned(np.eye(3)) - origin).T
    return (scan - origin) @ turn, left


@pytest.fixture(scope="module")
def closed_hare(hare):
    """Not seen: the lowest 40 mm, and three places 120 mm across."""
    vertices, faces = hare
    centres = vertices[faces].mean(axis=1)
    drop = centres[:, 2] < 40
    for place in centres[np.random.default_rng(0).integers(0, len(centres), 3)]:
        drop |= np.linalg.norm(centres - place, axis=1) < 60
    scan, left = as_placed(vertices, faces, drop)
    return close_scan(scan, left, vertices, faces, open_foot=True, pitch_mm=8.0), drop


def test_a_scan_with_holes_and_noise_becomes_one_closed_body_within_half_a_millimetre(hare, closed_hare):
    vertices, faces = hare
    closed, _ = closed_hare
    body, planned = (trimesh.Trimesh(v, f) for v, f in ((closed.vertices_mm, closed.faces), (vertices, faces)))
    assert body.is_watertight
    assert body.body_count == 1
    assert body.bounds[0, 2] == pytest.approx(0.0, abs=1e-6)  # cut off level where it stands
    assert body.volume == pytest.approx(planned.volume, rel=2e-3)
    off = signed_distances(closed.vertices_mm, vertices, faces)
    assert np.sqrt((off**2).mean()) < 0.6  # half a millimetre of noise, and what an 8 mm lattice rounds
    assert np.quantile(np.abs(off), 0.99) < 2.0


def test_what_the_scanner_did_not_see_is_measured_and_placed(hare, closed_hare):
    vertices, faces = hare
    closed, drop = closed_hare
    areas = trimesh.triangles.area(vertices[faces])
    foot = (vertices[faces][:, :, 2] < 1).all(axis=1)
    lost = float(areas[drop & ~foot].sum())
    # what lies within a pitch of the clay is the scan's to bridge: a band 8 mm wide along the rim, which runs in the
    # facets' zigzag, a third longer than the band
    sides = trimesh.Trimesh(vertices, faces, process=False)
    rim = sides.face_adjacency_edges[np.diff(drop[sides.face_adjacency], axis=1)[:, 0]]
    band = 8.0 * np.linalg.norm(vertices[rim[:, 0]] - vertices[rim[:, 1]], axis=1).sum()
    assert 0.65 < (lost - closed.missing_mm2) / band < 0.8
    assert 0 < closed.missing_share < 0.12
    assert len(closed.hole_middles_mm) >= 3
    unseen = ~closed.measured(vertices[faces].mean(axis=1))
    assert unseen[drop & ~foot].mean() > 0.8
    assert unseen[~drop].mean() < 0.06


def test_borrowed_skin_follows_the_clay_around_the_hole():
    """A ball of clay 5 mm larger than planned, with a hole: over the hole too it is 5 mm larger."""
    plan = trimesh.creation.icosphere(5, 200.0)
    drop = plan.triangles_center[:, 2] > 180
    clay = close_scan(
        1.025 * plan.vertices, plan.faces[~drop], plan.vertices, plan.faces, open_foot=False, pitch_mm=8.0
    )
    radius = np.linalg.norm(clay.vertices_mm, axis=1)
    assert np.abs(radius - 205).max() < 1.0
    # missing is planned skin more than a pitch from all clay: by the law of cosines from the hole's rim, 5 mm above
    # the plan, the cap that is left of the one cut out
    rim = np.arccos(1 - plan.area_faces[drop].sum() / (2 * np.pi * 200**2))
    left = rim - np.arccos((205**2 + 200**2 - 8**2) / (2 * 205 * 200))
    assert clay.missing_mm2 == pytest.approx(2 * np.pi * 200**2 * (1 - np.cos(left)), rel=0.06)


def test_the_board_under_the_clay_and_strays_are_left_out(hare):
    vertices, faces = hare
    board = trimesh.creation.box((1500, 1500, 2), transform=trimesh.transformations.translation_matrix((0, 0, -1)))
    board = board.subdivide().subdivide().subdivide()
    lamp = trimesh.creation.icosphere(3, 60.0)
    lamp.apply_translation((900, 0, 900))
    whole = trimesh.util.concatenate([trimesh.Trimesh(vertices, faces, process=False), board, lamp])
    closed = close_scan(whole.vertices, whole.faces, vertices, faces, open_foot=True, pitch_mm=10.0)
    body = trimesh.Trimesh(closed.vertices_mm, closed.faces)
    assert body.is_watertight
    assert body.body_count == 1
    assert body.volume == pytest.approx(trimesh.Trimesh(vertices, faces).volume, rel=5e-3)
    assert closed.left_out_mm2 > lamp.area


def test_half_a_scan_is_refused_in_one_sentence(hare):
    vertices, faces = hare
    left = faces[vertices[faces].mean(axis=1)[:, 0] > 0]
    with pytest.raises(MasterRefused, match="shows only") as refused:
        close_scan(vertices, left, vertices, faces, open_foot=True, pitch_mm=12.0)
    assert "\n" not in str(refused.value)


def test_skin_that_was_not_seen_is_no_difference():
    ball = trimesh.creation.icosphere(4, 100.0)
    carved = ball.vertices * np.where(ball.vertices[:, 2:] > 60, 1.08, 1.0)
    seen = carved[:, 2] < 60
    both = [measure_difference(carved, ball.faces, ball.vertices, ball.faces, 0.5, None, Progress(), measured)
            for measured in (None, seen)]  # fmt: skip
    assert [len(found.patches) for found in both] == [1, 0]


def test_values_are_carried_linearly():
    """A field that is linear in space comes back as itself on another mesh of the same box."""
    box, finer = (trimesh.creation.box((100, 60, 40)) for _ in range(2))
    for _ in range(4):
        finer = finer.subdivide()
    way = np.array([0.3, -0.2, 0.9])
    carried = carried_values(finer.vertices, box.vertices, box.faces, box.vertices @ way)
    assert np.abs(carried - finer.vertices @ way).max() < 1e-9


def test_the_sign_is_that_of_the_side(hare):
    vertices, faces = hare
    out = vertex_normals(vertices, faces)
    assert np.median(signed_distances(vertices + 3 * out, vertices, faces)) > 2
    assert np.median(signed_distances(vertices - 3 * out, vertices, faces)) < -2
