"""A fair height map through given points: stiff, leaning as little as it can, held square where it is asked to be."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy import sparse
from scipy.sparse.linalg import splu

from .depthmap import Grid
from .faraway import cells_away

_ROOT_WEIGHT = 8.0  # of the rise asked at the root, beside the lean everywhere: it is met to about a tenth
_PASSED = 5.0  # pixels: waves of the line shorter than this are smoothed over, longer ones followed
_BOUND_ROUNDS = 6


@dataclass(frozen=True, eq=False)
class Asked:
    """What a sheet has to do. at_mm : (k, 3) points it passes through, each for `step_mm` of line.

    root_at_mm, root_way : (r, 2) places and the way, across the pull, along which it rises by root_rise ((r,), rise
    over the length of root_way, which need not be one); root_mm2 : (r,) area each place stands for.
    """

    at_mm: np.ndarray
    step_mm: float | np.ndarray
    root_at_mm: np.ndarray
    root_way: np.ndarray
    root_rise: np.ndarray
    root_mm2: np.ndarray

    def joined_by(self, at_mm: np.ndarray, step_mm: float) -> Asked:
        """The same, and through more points, each for `step_mm` of line."""
        steps = np.broadcast_to(self.step_mm, len(self.at_mm))
        added = np.full(len(at_mm), step_mm)
        return replace(self, at_mm=np.concatenate([self.at_mm, at_mm]), step_mm=np.concatenate([steps, added]))


def fair_sheet(
    grid: Grid, active: np.ndarray, asked: Asked, low: np.ndarray, high: np.ndarray, stiff_mm: float
) -> np.ndarray:
    """(rows, columns) float64: heights of the fairest sheet over the active pixels, NaN elsewhere.

    Least ∫ |∇h|² + stiff² |h''|² over the active pixels ((rows, columns) bool) with the asked points and rises met in
    least squares, between the bounds; its border is free. stiff_mm : over this length a bend levels out.
    """
    number = np.full(active.shape, -1, np.int64)
    number[active] = np.arange(int(active.sum()))
    normal = _stiffness(number, grid.pixel_mm, stiff_mm)
    weight = (
        stiff_mm**2 * (2 * np.pi / (_PASSED * grid.pixel_mm)) ** 3 * np.broadcast_to(asked.step_mm, len(asked.at_mm))
    )
    through = _values_at(number, grid, asked.at_mm[:, :2])
    slopes = _slopes_at(number, grid, asked.root_at_mm, asked.root_way)
    roots = _ROOT_WEIGHT * asked.root_mm2
    normal = normal + through.T @ sparse.diags(weight) @ through + slopes.T @ sparse.diags(roots) @ slopes
    right = through.T @ (weight * asked.at_mm[:, 2]) + slopes.T @ (roots * asked.root_rise)
    found = _between(normal, right, low[active], high[active], (stiff_mm / grid.pixel_mm) ** 2)
    height = np.full(active.shape, np.nan)
    height[active] = found
    return height


def _between(
    normal: sparse.spmatrix, right: np.ndarray, low: np.ndarray, high: np.ndarray, weight: float
) -> np.ndarray:
    """The least-squares heights, pushed back by the weight inside the bounds that they cross."""
    crossed = low > high
    middle = (np.where(crossed, low, 0.0) + np.where(crossed, high, 0.0)) / 2
    low, high = np.where(crossed, middle, low), np.where(crossed, middle, high)
    held = np.zeros(len(low), bool)
    target = np.zeros(len(low))
    found = splu(normal.tocsc(), permc_spec="MMD_AT_PLUS_A", options={"SymmetricMode": True}).solve(right)
    for _ in range(_BOUND_ROUNDS):
        under, over = found < low - 0.05, found > high + 0.05
        fresh = (under | over) & ~held
        if not fresh.any():
            break
        held |= fresh
        target = np.where(fresh & under, low, np.where(fresh & over, high, target))
        pushed = normal + sparse.diags(weight * held)
        solver = splu(pushed.tocsc(), permc_spec="MMD_AT_PLUS_A", options={"SymmetricMode": True})
        found = solver.solve(right + weight * held * target)
    return found


def _stiffness(number: np.ndarray, pixel_mm: float, stiff_mm: float) -> sparse.csc_matrix:
    """Lean and bending of the sheet as a quadratic form over its pixels."""
    bend = stiff_mm / pixel_mm
    stencils = (
        (((0, 0), (0, 1)), (-1.0, 1.0), 1.0),
        (((0, 0), (1, 0)), (-1.0, 1.0), 1.0),
        (((0, 0), (0, 1), (0, 2)), (1.0, -2.0, 1.0), bend),
        (((0, 0), (1, 0), (2, 0)), (1.0, -2.0, 1.0), bend),
        (((0, 0), (0, 1), (1, 0), (1, 1)), (1.0, -1.0, -1.0, 1.0), np.sqrt(2.0) * bend),
    )
    size = int(number.max()) + 1
    total = sparse.csc_matrix((size, size))
    for steps, factors, scale in stencils:
        rows, columns = number.shape
        height, width = (max(s[k] for s in steps) for k in (0, 1))
        at = [number[i : rows - height + i, j : columns - width + j].ravel() for i, j in steps]
        whole = np.flatnonzero(np.min(at, axis=0) >= 0)
        row = np.tile(np.arange(len(whole)), len(steps))
        value = np.repeat(scale * np.array(factors), len(whole))
        made = sparse.csr_matrix((value, (row, np.concatenate([a[whole] for a in at]))), (len(whole), size))
        total = total + made.T @ made
    return total.tocsc() + sparse.eye(size, format="csc") * 1e-9


def _corners(number: np.ndarray, grid: Grid, points_mm: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Numbers of the four pixels round each point ((k, 4)), and how far it is across and up between them (k,)."""
    x = np.clip((points_mm[:, 0] - grid.x0_mm) / grid.pixel_mm, 0, grid.columns - 1.001)
    y = np.clip((points_mm[:, 1] - grid.y0_mm) / grid.pixel_mm, 0, grid.rows - 1.001)
    j, i = x.astype(np.int64), y.astype(np.int64)
    at = np.stack([number[i, j], number[i, j + 1], number[i + 1, j], number[i + 1, j + 1]], axis=1)
    return at, x - j, y - i


def _rows(at: np.ndarray, value: np.ndarray, size: int) -> sparse.csr_matrix:
    whole = (at >= 0).all(axis=1)
    row = np.repeat(np.arange(len(at)), 4)[np.repeat(whole, 4)]
    return sparse.csr_matrix((value[whole].ravel(), (row, at[whole].ravel())), (len(at), size))


def _values_at(number: np.ndarray, grid: Grid, points_mm: np.ndarray) -> sparse.csr_matrix:
    at, s, t = _corners(number, grid, points_mm)
    value = np.stack([(1 - s) * (1 - t), s * (1 - t), (1 - s) * t, s * t], axis=1)
    return _rows(at, value, int(number.max()) + 1)


def _slopes_at(number: np.ndarray, grid: Grid, points_mm: np.ndarray, way: np.ndarray) -> sparse.csr_matrix:
    at, s, t = _corners(number, grid, points_mm)
    across = np.stack([-(1 - t), 1 - t, -t, t], axis=1) / grid.pixel_mm
    up = np.stack([-(1 - s), -s, 1 - s, s], axis=1) / grid.pixel_mm
    return _rows(at, way[:, :1] * across + way[:, 1:] * up, int(number.max()) + 1)


def near_line(grid: Grid, points_mm: np.ndarray, reach_mm: float) -> np.ndarray:
    """(rows, columns) bool: pixels within a reach of the points, seen along the pull."""
    free = np.ones((grid.rows, grid.columns), bool)
    i, j = grid.nearest(points_mm[:, 0], points_mm[:, 1])
    free[i, j] = False
    return cells_away(free) * grid.pixel_mm <= reach_mm
