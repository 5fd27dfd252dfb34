"""Whether a straight pull frees a surface: by its slope, and by rays along the pull."""

from __future__ import annotations

import numpy as np

from ..base.progress import SILENT, Progress
from .rays import RayScene, blocked

VERTICAL_DEG = 0.05  # |draft| below this counts as a vertical wall: it slides, so both pulls are asked


def ways_out(draft_sine: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Which samples face along +d and along -d; vertical walls face both."""
    limit = np.sin(np.radians(VERTICAL_DEG))
    return draft_sine > -limit, draft_sine < limit


def freedom_by_rays(
    scene: RayScene,
    points_mm: np.ndarray,
    normals: np.ndarray,
    direction: np.ndarray,
    progress: Progress = SILENT,
) -> tuple[np.ndarray, np.ndarray]:
    """Two (k,) bool arrays: is each surface sample free along +d, and along -d? Exact occlusion by embree.

    A sample is asked only in the pull it faces, so one ray settles it; a vertical wall is asked in both.
    """
    sine = normals @ direction
    plus, minus = ways_out(sine)
    free_plus, free_minus = np.zeros(len(sine), bool), np.zeros(len(sine), bool)
    for free, faces_way, d in ((free_plus, plus, direction), (free_minus, minus, -direction)):
        which = np.flatnonzero(faces_way)
        free[which] = ~blocked(scene, points_mm[which], normals[which], d, progress, "looking along the pull")
    return free_plus, free_minus
