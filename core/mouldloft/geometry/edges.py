"""The edges of a mesh and which faces meet on them, found in time linear in the faces."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numba import njit
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components


@dataclass(frozen=True, eq=False)
class Edges:
    """The edges of a mesh, in the order of their lower and then their higher vertex.

    A face's side k runs from its corner k to the next; sides are numbered 3 * face + k. edge_of : (m, 3) int32, the
    edge of each side; ends : (e, 2) int32, lower vertex first; uses : (e,) int32, how many sides lie on the edge;
    upward : (e,) int32, how many of them run from the lower vertex to the higher. sides : (3m,) int32, sides by their
    edge; first : (e,) int32, where each edge's own begin in it.
    """

    edge_of: np.ndarray
    ends: np.ndarray
    uses: np.ndarray
    upward: np.ndarray
    sides: np.ndarray
    first: np.ndarray

    @property
    def open(self) -> np.ndarray:
        return self.uses == 1

    @property
    def crowded(self) -> np.ndarray:
        """Edges with more than two faces."""
        return self.uses > 2

    @cached_property
    def is_closed(self) -> bool:
        """Every edge has two faces that run along it in opposite ways."""
        return bool((self.uses == 2).all() and (self.upward == 1).all())

    @property
    def pairs(self) -> np.ndarray:
        """(k, 2) the two sides on each edge that has just two."""
        first = self.first[self.uses == 2]
        return np.stack([self.sides[first], self.sides[first + 1]], axis=1)

    @cached_property
    def shells(self) -> tuple[int, np.ndarray]:
        """Number of shells and the (m,) shell of each face; faces belong together where they share an edge."""
        follows = np.ones(len(self.sides), bool)
        follows[self.first] = False
        at = np.flatnonzero(follows)
        return connected(np.stack([self.sides[at - 1], self.sides[at]], axis=1) // 3, len(self.edge_of))


@njit(cache=True, nogil=True)
def _by_vertex(order, vertex, count, out):
    """The sides of `order` by their vertex, those of one vertex in the order they came."""
    start = np.zeros(count + 1, np.int32)
    for v in vertex:
        start[v + 1] += 1
    for v in range(count):
        start[v + 1] += start[v]
    for side in order:
        v = vertex[side]
        out[start[v]] = side
        start[v] += 1


@njit(cache=True, nogil=True)
def _find_edges(faces, vertex_count):
    total = 3 * len(faces)
    low, high = np.empty(total, np.int32), np.empty(total, np.int32)
    for f in range(len(faces)):
        for k in range(3):
            a, b = faces[f, k], faces[f, (k + 1) % 3]
            low[3 * f + k], high[3 * f + k] = min(a, b), max(a, b)
    half, sides = np.empty(total, np.int32), np.empty(total, np.int32)
    _by_vertex(np.arange(total), high, vertex_count, half)
    _by_vertex(half, low, vertex_count, sides)
    count = 0
    edge_of, first = np.empty(total, np.int32), half  # which is read out by now
    for place in range(total):
        side, before = sides[place], sides[place - 1]
        if place == 0 or low[side] != low[before] or high[side] != high[before]:
            first[count] = place
            count += 1
        edge_of[side] = count - 1
    ends, uses, upward = np.empty((count, 2), np.int32), np.zeros(count, np.int32), np.zeros(count, np.int32)
    for side in range(total):
        edge = edge_of[side]
        ends[edge, 0], ends[edge, 1] = low[side], high[side]
        uses[edge] += 1
        upward[edge] += faces[side // 3, side % 3] < high[side]
    return edge_of.reshape(-1, 3), ends, uses, upward, sides, first[:count].copy()


def edges_of(faces: np.ndarray, vertex_count: int) -> Edges:
    """The edges of (m, 3) faces over `vertex_count` vertices."""
    return Edges(*_find_edges(faces, vertex_count))


def renumbered(faces: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """(k,) the vertices that faces use, in order, and the faces, (m, 3), by their place among them."""
    used, local = np.unique(faces, return_inverse=True)
    return used, local.reshape(faces.shape)


def rim_of(faces: np.ndarray) -> np.ndarray:
    """(k, 2) edges that only one of (m, 3) faces has, as that face runs along them."""
    if not len(faces):
        return np.zeros((0, 2), np.int64)
    found = edges_of(np.ascontiguousarray(faces, np.int32), int(faces.max()) + 1)
    alone = []
    for k in range(3):
        edge, start, end = found.edge_of[:, k], faces[:, k], faces[:, (k + 1) % 3]
        against = np.where(start < end, found.uses[edge] - found.upward[edge], found.upward[edge])
        alone.append(np.column_stack([start, end])[against == 0])
    return np.concatenate(alone).astype(np.int64)


def connected(pairs: np.ndarray, count: int) -> tuple[int, np.ndarray]:
    """Parts that (k, 2) pairs of `count` things make of them: how many, and the (count,) int32 part of each."""
    links = coo_matrix((np.ones(len(pairs), np.int8), (pairs[:, 0], pairs[:, 1])), shape=(count, count))
    parts, part = connected_components(links, directed=False)
    return int(parts), part
