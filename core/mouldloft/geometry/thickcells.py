"""Cells of a lattice where what they fill is thick all round."""

from __future__ import annotations

import numpy as np
from scipy import ndimage


def thick_cells(cells: np.ndarray, radius: float) -> np.ndarray:
    """The cells that a ball of so many cells, all within them, reaches. A cell's side lies half a cell off its
    middle."""
    if not cells.any():
        return cells
    middles = ndimage.distance_transform_edt(np.pad(cells, 1))[1:-1, 1:-1, 1:-1] >= radius + 0.5
    if not middles.any():
        return middles
    return np.asarray(cells & (ndimage.distance_transform_edt(~middles) < radius + 0.5))
