"""A peeled glove's motion played back on any points of it, for pictures, the page and the add-on."""

from __future__ import annotations

import numpy as np

from .element import corner_weights
from .record import PeelMotion

_FURTHEST = 1.4  # half cells: a point beside the lattice follows the nearest cell


def played(motion: PeelMotion, points_mm: np.ndarray, frames: np.ndarray | None = None) -> np.ndarray:
    """(f, k, 3) float32 where points of the glove (k, 3) are at each frame, or at the frames named."""
    from scipy import spatial

    at_rest = np.asarray(motion.low_mm) + motion.corners.astype(float) * motion.pitch_mm
    centres = at_rest[motion.nodes[:, 0]] + motion.pitch_mm / 2
    cell = spatial.cKDTree(centres).query(points_mm, workers=-1)[1]
    local = np.clip((points_mm - centres[cell]) / (motion.pitch_mm / 2), -_FURTHEST, _FURTHEST)
    weights = corner_weights(local)
    nodes = motion.nodes[cell]
    chosen = np.arange(len(motion.moved_mm)) if frames is None else frames
    out = np.empty((len(chosen), len(points_mm), 3), np.float32)
    for k, frame in enumerate(chosen):
        moved = motion.moved_mm[frame].astype(np.float32)
        out[k] = points_mm + np.einsum("ka,kai->ki", weights, moved[nodes])
    return out
