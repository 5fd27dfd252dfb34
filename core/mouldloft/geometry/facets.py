"""Small questions of a triangle mesh: its facets' vectors, values at the nearest of its points."""

from __future__ import annotations

import numpy as np
from scipy.spatial import cKDTree


def face_vectors(vertices_mm: np.ndarray, faces: np.ndarray) -> np.ndarray:
    """(m, 3) normals of twice the face's area in length."""
    corner = vertices_mm[faces]
    return np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])


def nearest_values(points_mm: np.ndarray, at_mm: np.ndarray, values: np.ndarray) -> np.ndarray:
    """Values given at (k, 3) places, carried to (n, 3) points by the nearest of them."""
    return values[cKDTree(at_mm).query(points_mm)[1]]
