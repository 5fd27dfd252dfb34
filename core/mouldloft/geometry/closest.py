"""The closest places on a mesh to many points."""

from __future__ import annotations

import numpy as np
import trimesh
from scipy.spatial import cKDTree


def closest_on_faces(
    points_mm: np.ndarray,
    vertices_mm: np.ndarray,
    faces: np.ndarray,
    samples: cKDTree,
    of_face: np.ndarray,
    candidates: int,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """For each of (k, 3) points the closest place on a mesh (k, 3), its face (k,), and how far it is (k,), mm.

    samples : tree of points spread over the faces, of_face : (s,) the face that each of them lies on. The nearest few
    (`candidates`) give the faces to look at; the distance is then to the faces themselves.
    """
    near = of_face[samples.query(points_mm, k=candidates, workers=-1)[1]]
    again = np.repeat(points_mm, candidates, axis=0)
    closest = trimesh.triangles.closest_point(vertices_mm[faces[near.ravel()]], again)
    away = np.linalg.norm(again - closest, axis=1).reshape(-1, candidates)
    best = away.argmin(axis=1) + candidates * np.arange(len(away))
    return closest[best], near.ravel()[best], away.min(axis=1)
