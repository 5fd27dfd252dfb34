"""Which places of a lattice lie inside a closed mesh: exact, by how often its surface winds round them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit

from .faraway import cells_away
from .repair import signed_volume
from .sampling import R2_STEPS

_MOST_CELLS = 3_000_000


@njit(cache=True, nogil=True)
def _wind(points, faces, change):
    columns, rows, levels = change.shape
    for f in range(faces.shape[0]):
        a, b, c = points[faces[f, 0]], points[faces[f, 1]], points[faces[f, 2]]
        doubled = (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])
        if doubled == 0.0:
            continue
        for i in range(
            max(int(np.ceil(min(a[0], b[0], c[0]))), 0), min(int(np.floor(max(a[0], b[0], c[0]))), columns - 1) + 1
        ):
            for j in range(
                max(int(np.ceil(min(a[1], b[1], c[1]))), 0), min(int(np.floor(max(a[1], b[1], c[1]))), rows - 1) + 1
            ):
                wa = ((b[0] - i) * (c[1] - j) - (c[0] - i) * (b[1] - j)) / doubled
                wb = ((c[0] - i) * (a[1] - j) - (a[0] - i) * (c[1] - j)) / doubled
                wc = 1.0 - wa - wb
                if wa < 0.0 or wb < 0.0 or wc < 0.0:
                    continue
                k = max(int(np.ceil(wa * a[2] + wb * b[2] + wc * c[2])), 0)
                if k < levels:
                    change[i, j, k] += -1 if doubled > 0.0 else 1


def inside_cells(
    vertices_mm: np.ndarray, faces: np.ndarray, first_mm: np.ndarray, pitch_mm: float, shape: tuple[int, int, int]
) -> np.ndarray:
    """bool of that shape, cells whose centre the closed surface ((n, 3), (m, 3)) winds round. Cell (i, j, k) has its
    centre at first_mm + pitch_mm * (i, j, k)."""
    points = (vertices_mm - first_mm) / pitch_mm
    # off the round numbers: no column of centres may run through an edge
    points = points + 1e-5 * np.append(R2_STEPS, 0.0)
    change = np.zeros(shape, np.int16)
    _wind(points, faces, change)
    return np.cumsum(change, axis=2, dtype=np.int16) > 0


@dataclass(frozen=True, eq=False)
class InsideNodes:
    """The inside of a closed mesh as nodes. nodes_mm, index : (k, 3), place and lattice place of each; clearance_mm :
    (k,) to the nearest place outside, right to a pitch."""

    nodes_mm: np.ndarray
    index: np.ndarray
    clearance_mm: np.ndarray
    pitch_mm: float


def nodes_inside(vertices_mm: np.ndarray, faces: np.ndarray, nodes: int) -> InsideNodes:
    """About so many nodes inside a closed mesh, fewer where the box round it would take more than 3 million cells."""
    low, high = vertices_mm.min(axis=0), vertices_mm.max(axis=0)
    volume = float(signed_volume(vertices_mm, faces).sum())
    pitch = max(volume / nodes, float(np.prod(high - low)) / _MOST_CELLS) ** (1 / 3)
    count = np.maximum(np.ceil((high - low) / pitch).astype(int), 1) + 2
    first = (low + high) / 2 - pitch * (count - 1) / 2  # between two cells: a symmetric body has symmetric cells
    inside = inside_cells(vertices_mm, faces, first, pitch, (int(count[0]), int(count[1]), int(count[2])))
    index = np.argwhere(inside)
    clearance = cells_away(inside)[inside] * pitch
    return InsideNodes(first + pitch * index, index, clearance, pitch)
