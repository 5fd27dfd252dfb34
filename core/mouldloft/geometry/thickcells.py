"""Cells of a lattice where what they fill is thick all round."""

from __future__ import annotations

import numpy as np
from numba import njit
from scipy import ndimage

from .faraway import cells_away


def thick_cells(cells: np.ndarray, radius: float) -> np.ndarray:
    """The cells that a ball of so many cells, all within them, reaches. A cell's side lies half a cell off its
    middle."""
    if not cells.any():
        return cells
    middles = cells_away(np.pad(cells, 1))[1:-1, 1:-1, 1:-1] >= radius + 0.5
    if not middles.any():
        return middles
    return np.asarray(cells & (cells_away(~middles) < radius + 0.5))


def steps_along(shape: tuple[int, ...], pull: np.ndarray) -> np.ndarray:
    """(s, 3) whole-cell shifts along a pull, in steps no longer than a cell, until past a lattice of that shape."""
    count = int(np.ceil(np.linalg.norm(shape))) + 1
    shifts = np.rint(np.arange(1, count + 1)[:, None] * pull).astype(np.int32)
    fresh = np.concatenate([[bool(shifts[0].any())], (np.diff(shifts, axis=0) != 0).any(axis=1)])
    return shifts[fresh]


def deepest_mm(cells: np.ndarray, pull: np.ndarray, pitch_mm: float, thin_mm: float) -> float:
    """Longest run of cells, bool over a lattice, along a pull, to a cell; only where they are thick all round, by more
    than `thin_mm`. 0 where none are."""
    around = ndimage.find_objects(cells.astype(np.int8))
    thick = thick_cells(cells[around[0]], thin_mm / 2.0 / pitch_mm) if around else cells
    if not thick.any():
        return 0.0
    shifts = steps_along(thick.shape, pull)
    run = _longest_run(thick, np.argwhere(thick), shifts)
    length = float(np.linalg.norm(shifts[run])) if run >= 0 else 0.0
    return (length + 1.0) * pitch_mm


@njit(cache=True, nogil=True)
def _longest_run(fill, cells, shifts):
    columns, rows, levels = fill.shape
    best = -1
    for n in range(cells.shape[0]):
        for s in range(shifts.shape[0]):
            i, j, k = cells[n, 0] + shifts[s, 0], cells[n, 1] + shifts[s, 1], cells[n, 2] + shifts[s, 2]
            if i < 0 or j < 0 or k < 0 or i >= columns or j >= rows or k >= levels or not fill[i, j, k]:
                break
            best = max(best, s)
    return best
