"""Exact visibility by embree: is the way out clear, and how far is the first wall."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from ..base.progress import SILENT, Progress
from ..base.threads import in_threads

_CHUNK = 262_144


@dataclass(frozen=True, eq=False)
class RayScene:
    """An embree scene over one mesh, shifted to its own centre so that single precision keeps its digits."""

    scene: Any
    mesh: Any  # embree holds no reference of its own
    centre_mm: np.ndarray
    lift_mm: float  # how far a ray starts off the surface


def ray_scene(vertices_mm: np.ndarray, faces: np.ndarray) -> RayScene:
    """Build the scene. vertices_mm : (n, 3), faces : (m, 3)."""
    from embreex import rtcore_scene
    from embreex.mesh_construction import TriangleMesh

    low, high = vertices_mm.min(axis=0), vertices_mm.max(axis=0)
    centre = (low + high) / 2
    scene = rtcore_scene.EmbreeScene()
    local = (vertices_mm - centre).astype(np.float32)
    mesh = TriangleMesh(scene, local, faces.astype(np.int32))
    # single precision resolves about 1e-7 of the size; twenty times that clears the surface itself
    return RayScene(scene, mesh, centre, float(np.linalg.norm(high - low)) * 2e-6)


def _in_chunks(count: int, work: Callable[[slice], None], progress: Progress, note: str) -> None:
    parts = [slice(k, min(k + _CHUNK, count)) for k in range(0, count, _CHUNK)]
    if len(parts) <= 1:
        for part in parts:
            work(part)
        return
    in_threads(work, parts, progress, note=note)


def _traced(
    scene: RayScene,
    points_mm: np.ndarray,
    normals: np.ndarray,
    directions: np.ndarray,
    query: str,
    progress: Progress,
    note: str,
) -> np.ndarray:
    """(k,) float64, embree's answer to the query for a ray off each surface point, in threaded chunks."""
    out = np.empty(len(points_mm), np.float64)
    directions = np.broadcast_to(np.asarray(directions, np.float32), points_mm.shape)

    def work(part: slice) -> None:
        origins = (points_mm[part] - scene.centre_mm + scene.lift_mm * normals[part]).astype(np.float32)
        out[part] = scene.scene.run(origins, np.ascontiguousarray(directions[part]), query=query)

    _in_chunks(len(points_mm), work, progress, note)
    return out


def blocked(
    scene: RayScene,
    points_mm: np.ndarray,
    normals: np.ndarray,
    directions: np.ndarray,
    progress: Progress = SILENT,
    note: str = "",
) -> np.ndarray:
    """(k,) bool: does the mesh stand in the way of each point along its direction?

    points_mm, normals : (k, 3); directions : (3,) or (k, 3). Rays start `lift_mm` off the surface along the normal.
    """
    return _traced(scene, points_mm, normals, directions, "OCCLUDED", progress, note) != -1


def first_wall_mm(
    scene: RayScene,
    points_mm: np.ndarray,
    normals: np.ndarray,
    directions: np.ndarray,
    progress: Progress = SILENT,
    note: str = "",
) -> np.ndarray:
    """(k,) float distance to the first wall along each direction, inf where there is none."""
    far = _traced(scene, points_mm, normals, directions, "DISTANCE", progress, note)
    return np.where(far > 1e30, np.inf, far)


def first_face(scene: RayScene, points_mm: np.ndarray, normals: np.ndarray, directions: np.ndarray) -> np.ndarray:
    """(k,) int64, the face that each ray meets first, -1 where there is none; rays as in `blocked`."""
    return _traced(scene, points_mm, normals, directions, "INTERSECT", SILENT, "").astype(np.int64)


def inside_body(scene: RayScene, face_normals: np.ndarray, points_mm: np.ndarray) -> np.ndarray:
    """(k,) bool: does each (k, 3) point lie inside a closed mesh? The first face a ray meets shows its back there.

    face_normals : (m, 3), outward.
    """
    way = np.array([0.0123, 0.0456, 1.0])  # along no axis: it would run in the faces of a box
    met = first_face(scene, points_mm, np.zeros_like(points_mm), way)
    return (met >= 0) & (face_normals[met] @ way > 0)
