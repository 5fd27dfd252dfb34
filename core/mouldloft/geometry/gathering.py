"""Light copies of a mesh: vertices that share a cell of a grid drawn together. Works on any mesh, open or torn."""

from __future__ import annotations

import numpy as np


def gathered(vertices: np.ndarray, faces: np.ndarray, cell: float) -> tuple[np.ndarray, np.ndarray]:
    """(n, 3) and (m, 3) int32: the vertices of each cell at their mean, and the faces whose corners stay three.

    An outline moves by less than half a cell, out as often as in. Numbered by cell: x first, then y and z.
    """
    place = np.floor((vertices - vertices.min(axis=0)) / cell).astype(np.int64)
    span = place.max(axis=0) + 1
    _, at, count = np.unique(
        (place[:, 0] * span[1] + place[:, 1]) * span[2] + place[:, 2], return_inverse=True, return_counts=True
    )
    at = at.ravel()
    middles = np.column_stack([np.bincount(at, axis, minlength=len(count)) for axis in vertices.T]) / count[:, None]
    a, b, c = at[faces].T
    whole = (a != b) & (b != c) & (c != a)
    return middles, np.column_stack([a, b, c])[whole].astype(np.int32)
