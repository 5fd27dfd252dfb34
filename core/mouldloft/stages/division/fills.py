"""How deep a fill is where it is thick: what is deep and thick is heavy, cures slowly and hardly stretches."""

from __future__ import annotations

import numpy as np
from numba import njit

from ...geometry.thickcells import thick_cells
from ...trade.answers import THIN_FILL_MM
from .lattice import PieceCells, steps_along


def fill_of_pieces(blocks: PieceCells) -> np.ndarray:
    """int8 (the lattice's shape): whose fill each cell is, -1 where there is none."""
    return np.where(blocks.fill, blocks.owner, -1).astype(np.int8)


def deepest_fill_mm(fill: np.ndarray, pulls: np.ndarray, pitch_mm: float) -> float:
    """Longest column of a piece's fill along its pull, to a cell; 0 where nothing is filled.

    fill : as `fill_of_pieces`. Only where it is thick all round counts: a web no thicker than `THIN_FILL_MM` cures and
    bends as a skin does.
    """
    deepest = 0.0
    for piece, pull in enumerate(pulls):
        own = thick_cells(fill == piece, THIN_FILL_MM / 2.0 / pitch_mm)
        if own.any():
            shifts = steps_along(own.shape, pull)
            run = _longest_run(own, np.argwhere(own), shifts)
            length = float(np.linalg.norm(shifts[run])) if run >= 0 else 0.0
            deepest = max(deepest, (length + 1.0) * pitch_mm)
    return deepest


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
