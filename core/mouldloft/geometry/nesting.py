"""Flat parts laid out on sheets as sold: largest first, each as near the sheet's start as it fits, in quarter turns."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from scipy import signal
from shapely import affinity
from shapely.geometry import Polygon

_CELLS = 300  # along the longer side of a sheet
_TURNS = (0.0, 90.0, 180.0, 270.0)


@dataclass(frozen=True)
class Laid:
    """Where a part lies: turned by turn_deg about its own origin, then moved by shift_mm on a sheet (from 0)."""

    part: int
    sheet: int
    turn_deg: float
    shift_mm: tuple[float, float]

    def place(self, points_mm: np.ndarray) -> np.ndarray:
        """(k, 2) of the part's points on its sheet."""
        angle = np.radians(self.turn_deg)
        c, s = np.cos(angle), np.sin(angle)
        return np.asarray(points_mm, float) @ np.array([[c, s], [-s, c]]) + self.shift_mm


def nest(parts: Sequence[Polygon], sheet_mm: tuple[float, float], apart_mm: float = 6.0) -> tuple[Laid, ...]:
    """One place for every part that fits a sheet, in the parts' order; one that does not fit is left out.

    sheet_mm : length and width; apart_mm : between parts, and along the sheet's edge.
    """
    cell = max(sheet_mm) / _CELLS
    shape = tuple(int(side // cell) for side in sheet_mm)
    sheets: list[np.ndarray] = []
    laid: list[Laid] = []
    for k in sorted(range(len(parts)), key=lambda k: (-parts[k].area, k)):
        lies = [_rastered(parts[k], turn, cell, apart_mm) for turn in _turns_of(parts[k])]
        lies = [one for one in lies if all(m <= n for m, n in zip(one[1].shape, shape, strict=True))]
        if not lies:
            continue
        for number in range(len(sheets) + 1):
            if number == len(sheets):
                sheets.append(np.zeros(shape))
            found = _lowest(sheets[number], lies)
            if found is None:
                continue
            (turn, mask, low), (i, j) = found
            sheets[number][i : i + mask.shape[0], j : j + mask.shape[1]] += mask
            laid.append(Laid(k, number, turn, (i * cell - low[0], j * cell - low[1])))
            break
    return tuple(sorted(laid, key=lambda one: one.part))


_Lie = tuple[float, np.ndarray, tuple[float, float]]


def _turns_of(part: Polygon) -> list[float]:
    """Quarter turns from where the part's smallest box lies along the sheet."""
    box = np.asarray(part.minimum_rotated_rectangle.exterior.coords)
    side = box[1] - box[0]
    return [float(turn - np.degrees(np.arctan2(side[1], side[0]))) for turn in _TURNS]


def _rastered(part: Polygon, turn_deg: float, cell_mm: float, apart_mm: float) -> _Lie:
    """The part turned, as a mask of cells it needs, and the point of the part's plane its first cell begins at."""
    wide = affinity.rotate(part, turn_deg, origin=(0.0, 0.0)).buffer(apart_mm / 2 + 0.71 * cell_mm)
    x_low, y_low, x_high, y_high = wide.bounds
    rows, columns = int(np.ceil((x_high - x_low) / cell_mm)), int(np.ceil((y_high - y_low) / cell_mm))
    x, y = np.meshgrid(x_low + (np.arange(rows) + 0.5) * cell_mm, y_low + (np.arange(columns) + 0.5) * cell_mm)
    return turn_deg, shapely.contains_xy(wide, x, y).T.astype(float), (x_low, y_low)


def _lowest(sheet: np.ndarray, lies: Sequence[_Lie]) -> tuple[_Lie, tuple[int, int]] | None:
    """The lie that ends nearest the sheet's start, and its first cell; None where none fits."""
    best: tuple[float, _Lie, tuple[int, int]] | None = None
    for lie in lies:
        mask = lie[1]
        taken = signal.fftconvolve(sheet, mask[::-1, ::-1], mode="valid")
        free = np.argwhere(taken < 0.5)  # row by row: the first is the lowest
        if not len(free):
            continue
        i, j = (int(v) for v in free[0])
        reached = i + mask.shape[0] + 1e-3 * (j + mask.shape[1])
        if best is None or reached < best[0] - 1e-9:
            best = (reached, lie, (i, j))
    return None if best is None else (best[1], best[2])
