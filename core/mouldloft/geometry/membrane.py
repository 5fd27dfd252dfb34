"""A surface stretched over a grid: through lines, between bounds, level where nothing holds it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numba import njit
from scipy import ndimage

from .depthmap import Grid
from .frame import PullFrame

_SWEEPS = 10  # between looks at how far the solution still moves


_ROUNDS_MOST = 200


# of the height range: a sweep that moves no pixel further ends a resolution. What is slow to level out is wide, so a
# coarser one, at half the pixels across a quarter of the work, is brought to rest eight times closer
_STILL, _STILL_PIXELS = 1e-5, 800


_COARSEST = 24  # pixels across, at which the solution starts


@njit(cache=True, nogil=True)
def _relax_border(height, low, high, i, j, factor):
    """One pixel of the border, from the neighbours it has; returns how far it moved."""
    rows, columns = height.shape
    total, count = 0.0, 0
    for a, b in ((i - 1, j), (i + 1, j), (i, j - 1), (i, j + 1)):
        if 0 <= a < rows and 0 <= b < columns:
            total += height[a, b]
            count += 1
    old = height[i, j]
    height[i, j] = min(max(old + factor * (total / count - old), low[i, j]), high[i, j])
    return abs(height[i, j] - old)


@njit(cache=True, nogil=True)
def _relax(height, low, high, sweeps, factor):
    """Projected successive over-relaxation of the Laplace equation; the border has no slope across it.

    Returns the furthest that a pixel moved in the last sweep.
    """
    rows, columns = height.shape
    furthest = 0.0
    for _ in range(sweeps):
        furthest = 0.0
        for colour in range(2):
            for i in range(rows):
                first = (i + colour) & 1
                if i == 0 or i == rows - 1:
                    for j in range(first, columns, 2):
                        furthest = max(furthest, _relax_border(height, low, high, i, j, factor))
                    continue
                above, row, below, least, most = height[i - 1], height[i], height[i + 1], low[i], high[i]
                for j in range(2 - first, columns - 1, 2):  # no branches: nearly all the time is spent here
                    old = row[j]
                    new = old + factor * ((above[j] + below[j] + row[j - 1] + row[j + 1]) / 4 - old)
                    new = min(max(new, least[j]), most[j])
                    furthest = max(furthest, abs(new - old))
                    row[j] = new
                if first == 0:
                    furthest = max(furthest, _relax_border(height, low, high, i, 0, factor))
                if columns > 1 and (columns - 1) & 1 == first:
                    furthest = max(furthest, _relax_border(height, low, high, i, columns - 1, factor))
    return furthest


def _halve(maps: Sequence[np.ndarray]) -> list[np.ndarray]:
    """Value, known, low and high at half the resolution: means of what is known, tightest of the bounds."""
    value, known, low, high = (np.pad(m, ((0, m.shape[0] % 2), (0, m.shape[1] % 2)), mode="edge") for m in maps)

    def blocks(m: np.ndarray) -> np.ndarray:
        return m.reshape(m.shape[0] // 2, 2, m.shape[1] // 2, 2)

    count = blocks(known).sum(axis=(1, 3))
    total = blocks(np.where(known, value, 0.0)).sum(axis=(1, 3))
    return [
        total / np.maximum(count, 1),
        count > 0,
        blocks(low).max(axis=(1, 3)),
        blocks(high).min(axis=(1, 3)),
    ]


def _doubled(height: np.ndarray) -> np.ndarray:
    """The map at twice the resolution, linear between pixel centres."""
    out = np.repeat(np.repeat(height, 2, axis=0), 2, axis=1)
    for axis in (0, 1):
        out = ndimage.convolve1d(out, [0.25, 0.5, 0.25], axis=axis, mode="nearest")
    return out


def _ordered(low: np.ndarray, high: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Where the bounds contradict each other (by a pixel's slope), both become their mean."""
    crossed = low > high
    middle = (np.where(crossed, low, 0.0) + np.where(crossed, high, 0.0)) / 2
    return np.where(crossed, middle, low), np.where(crossed, middle, high)


def stretched_between(
    value: np.ndarray, known: np.ndarray, low: np.ndarray, high: np.ndarray, rough: bool = False
) -> np.ndarray:
    """(rows, cols) float64: the map of least Dirichlet energy through the known pixels and between the
    bounds.

    Harmonic wherever no bound touches it, so outside the seam it levels off as it leaves it; pixels at the
    border have no slope across it. value, low, high : (rows, cols) float; known : (rows, cols) bool. Solved
    from coarse to fine; rough : to what a price is worth, about a thousandth of the height range.
    """
    levels = [[value.astype(float), known, low.astype(float), high.astype(float)]]
    while min(levels[-1][0].shape) > _COARSEST:
        levels.append(_halve(levels[-1]))
    height: np.ndarray | None = None
    for maps in reversed(levels):
        given, fixed, below, above = maps
        below, above = _ordered(below, above)
        if height is None:
            mean = float(given[fixed].mean()) if fixed.any() else 0.0
            height = np.full(given.shape, mean)
        else:
            height = _doubled(height)[: given.shape[0], : given.shape[1]]
        height = np.where(fixed, given, np.clip(height, below, above))
        below, above = np.where(fixed, given, below), np.where(fixed, given, above)
        across = max(given.shape)
        # on a fine one, only what the coarser ones could not show is left to level out
        factor = 2.0 / (1.0 + np.sin(np.pi / (min(across, 200) if across < _STILL_PIXELS // 2 else 32)))
        span = max(float(np.ptp(given[fixed])) if fixed.any() else 0.0, 1.0)
        share = 1.0 if rough else min(across / _STILL_PIXELS, 1.0) ** 3
        still = max(_STILL * share, 1e-9) * span
        for _ in range(_ROUNDS_MOST):
            if _relax(height, below, above, _SWEEPS, factor) <= still:
                break
    assert height is not None
    return height


def _line_pixels(points_mm: np.ndarray, closed: bool, grid: Grid) -> tuple[np.ndarray, np.ndarray]:
    """Sum of heights and number of samples over each pixel that a (k, 3) line in the frame passes."""
    path = np.concatenate([points_mm, points_mm[:1]]) if closed else points_mm
    step = np.linalg.norm(np.diff(path, axis=0), axis=1)
    pieces = np.maximum(np.ceil(step / (0.25 * grid.pixel_mm)), 1).astype(np.int64)
    which = np.repeat(np.arange(len(step)), pieces)
    number = np.arange(len(which)) - np.repeat(np.cumsum(pieces) - pieces, pieces)
    share = ((number + 0.5) / pieces[which])[:, None]
    sample = path[which] + share * (path[which + 1] - path[which])
    i = np.rint((sample[:, 1] - grid.y0_mm) / grid.pixel_mm).astype(np.int64)
    j = np.rint((sample[:, 0] - grid.x0_mm) / grid.pixel_mm).astype(np.int64)
    on = (i >= 0) & (j >= 0) & (i < grid.rows) & (j < grid.columns)
    at = i[on] * grid.columns + j[on]
    size = grid.rows * grid.columns
    shape = (grid.rows, grid.columns)
    total = np.bincount(at, sample[on, 2], minlength=size).reshape(shape)
    return total, np.bincount(at, minlength=size).reshape(shape)


def stretch_surface(
    lines: Sequence[tuple[np.ndarray, bool]],
    frame: PullFrame,
    grid: Grid,
    bounds: tuple[np.ndarray, np.ndarray] | None = None,
    given: np.ndarray | None = None,
    rough: bool = False,
) -> np.ndarray:
    """(rows, cols) float64 heights along the pull of the surface through lines of (points, closed).

    given : (rows, cols) float, heights it also passes through where no line does, NaN where none is given; rough : as
    in `stretched_between`.
    """
    total = np.zeros((grid.rows, grid.columns))
    count = np.zeros((grid.rows, grid.columns), np.int64)
    for points, closed in lines:
        height, number = _line_pixels(frame.to_frame(points), closed, grid)
        total += height
        count += number
    known = count > 0
    value = total / np.maximum(count, 1)
    if given is not None:
        value = np.where(known, value, np.nan_to_num(given))
        known = known | np.isfinite(given)
    if bounds is None:
        bounds = (np.full(total.shape, -np.inf), np.full(total.shape, np.inf))
    return stretched_between(value, known, *bounds, rough=rough)
