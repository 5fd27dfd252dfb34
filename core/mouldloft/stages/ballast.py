"""Under cast: how high ballast fills the body from the foot."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from .master import Master
from .wind import SILHOUETTE_PIXELS, coarse_mesh


def ballast_depth_mm(master: Master, volume_mm3: float) -> float:
    """How high ballast of this volume fills the body (the shell's own thickness left out). Read between 65 levels:
    right to a hundredth of the height."""
    if volume_mm3 <= 0:
        return 0.0
    vertices, faces = coarse_mesh(master, max(master.size_mm) / SILHOUETTE_PIXELS)
    levels = np.linspace(0.0, master.height_mm, 65)
    filled = volume_below_mm3(vertices, faces, levels.tolist())
    return float(np.interp(volume_mm3, np.maximum.accumulate(filled), levels))


def volume_below_mm3(vertices_mm: np.ndarray, faces: np.ndarray, levels_mm: Sequence[float]) -> list[float]:
    """Volume of a closed mesh ((n, 3) vertices, (m, 3) faces) under each level, exact: over each face's shadow on the
    ground, its height or the level, whichever is lower, signed by the way the face looks (divergence theorem)."""
    corners = vertices_mm[faces]
    side, other = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    shadow = 0.5 * (side[:, 0] * other[:, 1] - side[:, 1] * other[:, 0])
    z = np.sort(corners[:, :, 2], axis=1)
    a, b, c = z.T
    mean = z.mean(axis=1)
    low_wedge = 3 * (b - a) * (c - a)  # of the cube of a height: the mean of what a corner cuts off
    high_wedge = 3 * (c - a) * (c - b)
    return [float(shadow @ (mean - _above(h, (a, b, c), mean, low_wedge, high_wedge))) for h in levels_mm]


def _above(
    h: float, abc: tuple[np.ndarray, ...], mean: np.ndarray, low_wedge: np.ndarray, high_wedge: np.ndarray
) -> np.ndarray:
    """(m,) mean over each face of what of its height stands above the level."""
    a, b, c = abc
    above = np.where(h < a, mean - h, 0.0)
    low = np.flatnonzero((a <= h) & (h < b))
    above[low] = mean[low] - h + (h - a[low]) ** 3 / low_wedge[low]
    high = np.flatnonzero((b <= h) & (h < c))
    above[high] = (c[high] - h) ** 3 / high_wedge[high]
    return above
