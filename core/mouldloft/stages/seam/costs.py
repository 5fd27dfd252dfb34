"""What it costs to give a place to a piece, and to run the seam along an edge: money, by `trade.price`."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import sparse

from ...base.progress import SILENT, Progress
from ...base.threads import in_threads
from ...geometry.contour import face_centres
from ...geometry.facegraph import FaceGraph
from ...geometry.rays import RayScene
from ..master import Master

_CHUNK = 65_536
_CREASE_RADIUS = 0.015  # of the size: a fold this tight or tighter hides a seam as well as a fold can (invented)
_CREASE_SCALE = 0.004  # of the size: folds are looked for at this scale, not in the carved coat (invented)
_EDGE_HIDES = 0.5  # of what a fold hides: along an edge the eye expects a line (common practice, no source)


@dataclass(frozen=True, eq=False)
class Walls:
    """The first wall each face's centre meets along the pull and against it, through air or through the body.

    ahead, behind : (m,) int32 face met along +d and -d, -1 for none; ahead_mm, behind_mm : (m,) distance,
    inf for none.
    """

    ahead: np.ndarray
    behind: np.ndarray
    ahead_mm: np.ndarray
    behind_mm: np.ndarray


def walls_along(master: Master, scene: RayScene, direction: np.ndarray, progress: Progress = SILENT) -> Walls:
    """Cast a ray each way along the pull from every face's centre."""
    count = len(master.faces)
    ahead, behind = np.empty(count, np.int32), np.empty(count, np.int32)
    ahead_mm, behind_mm = np.empty(count), np.empty(count)

    def meet(begin: int) -> None:
        part = slice(begin, begin + _CHUNK)
        centre = face_centres(master.vertices_mm, master.faces[part]) - scene.centre_mm
        normal = master.normals[part]
        along = normal @ direction
        for sign, met, far in ((1.0, ahead, ahead_mm), (-1.0, behind, behind_mm)):
            # start on the side the ray leaves to, so that it does not meet its own face
            lift = np.where(sign * along >= 0, scene.lift_mm, -scene.lift_mm)[:, None]
            rays = np.broadcast_to((sign * direction).astype(np.float32), centre.shape)
            hit = scene.scene.run(
                (centre + lift * normal).astype(np.float32),
                np.ascontiguousarray(rays),
                query="INTERSECT",
                output=True,
            )
            met[part] = hit["primID"]
            far[part] = np.where(hit["primID"] < 0, np.inf, hit["tfar"])

    in_threads(meet, range(0, count, _CHUNK), progress, (0.3, 0.45), "walls along the pull")
    return Walls(ahead, behind, ahead_mm, behind_mm)


def skin_areas_mm2(master: Master) -> np.ndarray:
    """(m,) areas of the faces, 0 on an open base."""
    return np.where(master.base_faces & (master.base == "open"), 0.0, master.face_areas_mm2)


def bends(master: Master, graph: FaceGraph) -> np.ndarray:
    """(e,) how sharply the smoothed surface bends at each edge, -1 as tight a ridge as counts to 1 as tight a fold."""
    one, two = graph.faces[:, 0], graph.faces[:, 1]
    edge_mm = float(np.median(graph.length_mm)) if len(graph.length_mm) else 1.0
    size = max(master.size_mm)
    sweeps = int(np.clip((_CREASE_SCALE * size / edge_mm) ** 2, 1, 16))
    shape = (len(master.faces),) * 2
    beside = sparse.csr_matrix((np.ones(len(one), np.float32), (one, two)), shape=shape)
    beside = beside + beside.T
    normal = master.normals * master.face_areas_mm2[:, None]
    for _ in range(sweeps):
        normal = 0.25 * (normal + beside @ normal)
    normal = normal / np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-30)
    centre = face_centres(master.vertices_mm, master.faces)
    step = centre[two] - centre[one]
    squared = np.einsum("ij,ij->i", step, step)
    bend = np.einsum("ij,ij->i", normal[two] - normal[one], step) / np.maximum(squared, 1e-30)
    return np.clip(-bend * _CREASE_RADIUS * size, -1.0, 1.0)


def form_hides(master: Master, graph: FaceGraph) -> np.ndarray:
    """(n,) 0 on the open to 1 in a tight fold; along an edge, half: how much of a seam the form itself hides."""
    bend = bends(master, graph)
    hides = np.where(bend >= 0, bend, -_EDGE_HIDES * bend)
    ends = graph.vertices.reshape(-1)
    size = len(master.vertices_mm)
    total = np.bincount(ends, np.repeat(hides * graph.length_mm, 2), minlength=size)
    return total / np.maximum(np.bincount(ends, np.repeat(graph.length_mm, 2), minlength=size), 1e-12)
