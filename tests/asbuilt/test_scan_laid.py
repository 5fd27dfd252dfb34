"""Scans with a known pose, noise and holes, laid back on the hare; and clay carved otherwise in known places."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from asbuilt_scans import scanned, vertex_normals
from mouldloft.asbuilt.difference import measure_difference, signed_distances
from mouldloft.asbuilt.registration import lay_scan_on
from mouldloft.base.errors import MasterRefused


@pytest.mark.parametrize(("seed", "scale"), [(0, 1.0), (1, 0.001), (2, 1 / 25.4), (3, 1.3)])
def test_pose_scale_noise_and_holes_are_undone_to_half_a_millimetre(hare, seed, scale):
    vertices, faces = hare
    centres = vertices[faces].mean(axis=1)
    rng = np.random.default_rng(seed)
    drop = centres[:, 2] < 40  # what stands on the board is never scanned
    for place in centres[rng.integers(0, len(centres), 3)]:
        drop |= np.linalg.norm(centres - place, axis=1) < 60
    scan, scan_faces, as_scanned = scanned(vertices, faces, seed, scale, drop)
    pose = lay_scan_on(scan, scan_faces, vertices, faces)
    assert np.abs(pose.apply(as_scanned(vertices)) - vertices).max() < 0.5
    assert pose.scale == pytest.approx(1 / scale, rel=3e-4)
    assert 0.2 < pose.spread_mm < 0.7


def test_a_known_scale_is_kept_so_that_larger_clay_shows(hare):
    vertices, faces = hare
    pose = lay_scan_on(1.01 * vertices, faces, vertices, faces, mm_per_unit=1.0)
    assert pose.scale == 1.0
    assert np.median(signed_distances(pose.apply(1.01 * vertices), vertices, faces)) > 0.5


def test_places_carved_otherwise_show_and_no_others(hare):
    vertices, faces = hare
    out = vertex_normals(vertices, faces)
    places = vertices[[np.argmin(vertices[:, 1] + 1e3 * (np.abs(vertices[:, 2] - 900) > 20)),
                       np.argmax(vertices[:, 1] - 1e3 * (np.abs(vertices[:, 2] - 450) > 20))]]  # fmt: skip
    carved = vertices.copy()
    for place, depth in zip(places, (12.0, -9.0)):
        away = np.linalg.norm(vertices - place, axis=1)
        carved += out * (depth * np.exp(-((away / 50) ** 2)) * (away < 100))[:, None]
    scan, scan_faces, _ = scanned(carved, faces, 5, 0.1, np.zeros(len(faces), bool))
    pose = lay_scan_on(scan, scan_faces, vertices, faces)
    found = measure_difference(pose.apply(scan), scan_faces, vertices, faces, pose.spread_mm)
    assert len(found.patches) == 2
    for place, depth in zip(places, (12.0, -9.0)):
        patch = min(found.patches, key=lambda p: np.linalg.norm(np.array(p.middle_mm) - place))
        assert np.linalg.norm(np.array(patch.middle_mm) - place) < 30
        assert patch.most_mm == pytest.approx(depth, abs=2.5)  # a face's mean, with the scanner's noise


def test_another_piece_is_refused_in_one_sentence(hare):
    vertices, faces = hare
    with pytest.raises(MasterRefused, match="does not fit the planned master"):
        lay_scan_on(vertices * [3.0, 0.3, 1.0], faces, vertices, faces)


def test_the_board_under_the_clay_does_not_pull_it(hare):
    """As much board as skin in the scan: outliers are left out, and the pose is right to half a millimetre."""
    vertices, faces = hare
    board = trimesh.creation.box((1300, 1300, 2), transform=trimesh.transformations.translation_matrix((0, 0, -1)))
    for _ in range(5):
        board = board.subdivide()
    top = board.faces[board.triangles_center[:, 2] > -0.5]
    both = np.vstack([vertices, board.vertices]), np.vstack([faces, top + len(vertices)])
    scan, scan_faces, as_scanned = scanned(*both, 2, 0.001, np.zeros(len(both[1]), bool))
    pose = lay_scan_on(scan, scan_faces, vertices, faces)
    assert np.abs(pose.apply(as_scanned(vertices)) - vertices).max() < 0.5
