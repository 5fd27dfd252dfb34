"""Scans made of known meshes, with a known pose, scale, noise and holes."""

from __future__ import annotations

import numpy as np
from scipy.spatial.transform import Rotation


def vertex_normals(vertices, faces):
    corner = vertices[faces]
    across = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
    found = np.zeros_like(vertices)
    for k in range(3):
        np.add.at(found, faces[:, k], across)
    return found / (np.linalg.norm(found, axis=1)[:, None] + 1e-12)


def scanned(vertices, faces, seed, scale, drop, noise_mm=0.5):
    """What a scanner gives: another pose and scale, half a millimetre of noise, faces missing."""
    rng = np.random.default_rng(seed)
    turn, shift = Rotation.random(random_state=seed).as_matrix(), rng.normal(size=3) * 500
    noisy = vertices + rng.normal(size=(len(vertices), 1)) * noise_mm * vertex_normals(vertices, faces)
    used, faces_left = np.unique(faces[~drop], return_inverse=True)
    return (
        ((noisy - shift) @ turn * scale)[used],
        faces_left.reshape(-1, 3),
        lambda points: (points - shift) @ turn * scale,
    )
