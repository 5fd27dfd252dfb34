"""How much each place of the master shows to the people it is made for."""

from __future__ import annotations

import numpy as np

from ..base.progress import SILENT, Progress
from ..base.threads import in_threads
from ..geometry.contour import face_centres
from ..geometry.rays import RayScene, blocked, ray_scene
from ..inputs.brief import SeamBrief
from .master import Master

_FACING = {"front": -90.0, "left": 0.0, "back": 90.0, "right": 180.0}  # azimuth, degrees from +x
_ARC_DEG = 60.0  # to each side, when one side is what people see (common practice, no source)
_VIEWS_ROUND = 24
_CELLS = 120  # sampling cells over the height


def viewpoints(master: Master, brief: SeamBrief) -> np.ndarray:
    """(k, 3) eyes around the master, mm: on a ring (or an arc of it) at eye height.

    The ring keeps `viewer_distance_mm` clear of the body's half width.
    """
    radius = brief.viewer_distance_mm + 0.5 * float(np.hypot(master.size_mm[0], master.size_mm[1]))
    if brief.seen_from == "all round":
        azimuth = np.arange(_VIEWS_ROUND) * (360.0 / _VIEWS_ROUND) - 90.0
    else:
        azimuth = _FACING[brief.seen_from] + np.linspace(-_ARC_DEG, _ARC_DEG, 9)
    angle = np.radians(azimuth)
    eye = np.full(len(angle), brief.eye_height_mm)
    return np.stack([radius * np.cos(angle), radius * np.sin(angle), eye], axis=1)


def _sampling_cells(master: Master) -> tuple[np.ndarray, np.ndarray]:
    """One face to stand for each cell of space and facing: (c,) faces, and (m,) the cell of each face."""
    cell_mm = max(master.height_mm, max(master.size_mm) / 2) / _CELLS
    centre = face_centres(master.vertices_mm, master.faces)
    place = np.floor((centre - centre.min(axis=0)) / cell_mm).astype(np.int64)
    facing = np.rint(master.normals).astype(np.int64) + 1  # 27 bins
    key = ((place[:, 0] << 42) | (place[:, 1] << 21) | place[:, 2]) * 27 + facing @ np.array([9, 3, 1])
    _, first, cell = np.unique(key, return_index=True, return_inverse=True)
    return first, cell


def how_it_shows(
    master: Master,
    brief: SeamBrief,
    progress: Progress = SILENT,
    scene: RayScene | None = None,
    span: tuple[float, float] = (0.0, 0.3),
) -> np.ndarray:
    """(m,) float32: how much each face shows, 0 never seen to 1 as well as any upright place can be.

    The mean over the viewpoints of the cosine at which an eye sees the place, 0 where the master itself
    stands in the way, over the best that an upright, unhidden place gets from the same viewpoints. Sampled
    in cells of 1/120 of the height and 27 facings, so faces of a cell share one value. scene : of the
    master, if at hand; span : the fractions of the stage that `progress` reports.
    """
    held = scene or ray_scene(master.vertices_mm, master.faces)
    first, cell = _sampling_cells(master)
    weight = np.bincount(cell, master.face_areas_mm2)
    summed = np.stack([np.bincount(cell, master.face_areas_mm2 * master.normals[:, k]) for k in range(3)], axis=1)
    # shorter than 1 where the cell is rough: it shows less of itself
    normal = summed / np.maximum(weight, 1e-30)[:, None]
    point = face_centres(master.vertices_mm, master.faces[first])
    eyes = viewpoints(master, brief)
    own_normal = master.normals[first]

    def seen_from(eye: np.ndarray) -> np.ndarray:
        sight = eye - point
        sight /= np.sqrt(np.einsum("ij,ij->i", sight, sight))[:, None]
        cosine = np.einsum("ij,ij->i", normal, sight).clip(min=0.0)
        facing = np.flatnonzero(cosine)
        cosine[facing[blocked(held, point[facing], own_normal[facing], sight[facing])]] = 0.0
        return cosine

    seen = sum(in_threads(seen_from, eyes, progress, span, "how much each place shows"), np.zeros(len(first)))
    return (seen / (len(eyes) * _best_upright(eyes)))[cell].clip(0.0, 1.0).astype(np.float32)


def _best_upright(eyes: np.ndarray) -> float:
    """Greatest mean cosine that an upright place at the middle gets from the eyes: 1/pi from a full ring."""
    flat = eyes[:, :2] / np.linalg.norm(eyes[:, :2], axis=1, keepdims=True)
    angle = np.radians(np.arange(360))
    upright = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    return float((upright @ flat.T).clip(min=0.0).mean(axis=1).max())
