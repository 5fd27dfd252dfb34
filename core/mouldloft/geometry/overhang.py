"""How far under an overhang a place lies, and what a rubber ring has to give to pass it."""

from __future__ import annotations

import numpy as np
from scipy import ndimage

from ..base.progress import SILENT, Progress
from .depthmap import Grid
from .faraway import cells_away

_TILE_LEVELS = 48


def overhang_depths(
    points: np.ndarray, top: np.ndarray, grid: Grid, progress: Progress = SILENT
) -> tuple[np.ndarray, np.ndarray]:
    """Depth of each locked point across the pull, and the inscribed radius of the overhang it lies under.

    At height z the overhang is the set of columns whose top is above z; the way out is the nearest column that is
    clear. Both come from Euclidean distance transforms at levels between the lowest and the highest locked point.
    """
    depth, inscribed = np.zeros(len(points)), np.zeros(len(points))
    if not len(points):
        return depth, inscribed
    i, j = grid.nearest(points[:, 0], points[:, 1])
    low, high = points[:, 2].min(), points[:, 2].max()
    edges = np.linspace(low, high + 1e-6, min(_TILE_LEVELS, len(points)) + 1)
    level = np.clip(np.searchsorted(edges, points[:, 2], side="right") - 1, 0, len(edges) - 2)
    margin = 0.5 * grid.pixel_mm
    for k in range(len(edges) - 1):
        here = np.flatnonzero(level == k)
        if not len(here):
            continue
        progress.step(k / len(edges), "measuring the depth of the locks")
        overhang = np.pad(top > (edges[k] + edges[k + 1]) / 2 + margin, 1)
        distance = cells_away(overhang) * grid.pixel_mm
        islands, count = ndimage.label(overhang, np.ones((3, 3)))
        widest = np.zeros(count + 1)
        np.maximum.at(widest, islands[overhang], distance[overhang])
        # the transform measures to the centre of the first clear pixel: half a pixel too far
        depth[here] = np.maximum(distance[i[here] + 1, j[here] + 1] - margin, 0.0)
        inscribed[here] = np.maximum(widest[islands[i[here] + 1, j[here] + 1]] - margin, 0.0)
    return depth, inscribed


def ring_stretch(depth_mm: np.ndarray, inscribed_mm: np.ndarray, neck_mm: np.ndarray) -> np.ndarray:
    """Strain the glove needs at each locked point, by rule.

    Rubber round a neck is a ring of the neck's radius that must pass the overhang: strain = depth / ring radius, where
    the ring is what is left of the overhang's inscribed circle after the depth, and no smaller than the neck (half the
    solid's width there; 0 under a ledge, which has none). Nothing caps it: under the middle of a bar no ring is left,
    and the rule says that the glove cannot pass. A first look: a tongue that is drawn out folded asks for less, and
    only mechanics tell. [derivation ours; ring model: common practice, no source]
    """
    ring = np.maximum(inscribed_mm - depth_mm, neck_mm)
    return depth_mm / np.maximum(ring, 1e-3 * np.maximum(inscribed_mm, 1.0))
