"""Faces of one mesh that cross each other, found by a compiled tree of boxes."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numba import njit

from ..base.progress import SILENT, Progress
from ..base.threads import WORKERS, in_threads

_LEAF = 4
_CHUNK_LEAVES = 16_384
MOST_PAIRS = 100_000
_ROUNDING = 1e-13  # of a determinant of differences, by the cube of the greatest, with room
# a carved sculpt takes about 160 tests a face; a heap of faces would take as many as there are faces
_MOST_TESTS, _MOST_TESTS_A_FACE = 50_000_000, 500


@dataclass(frozen=True, eq=False)
class SelfCrossings:
    """Pairs of faces that pass through each other. Touching, and folding along a shared edge, is not crossing.

    pairs : (k, 2) int64 face indices. checked_fraction : share of the faces that was compared with all others; under
    1 where the count was stopped because there were too many.
    """

    pairs: np.ndarray
    checked_fraction: float

    @property
    def count(self) -> int:
        return len(self.pairs)


@njit(cache=True, nogil=True)
def _spread(v):
    v = np.uint64(v)
    v = (v | (v << np.uint64(32))) & np.uint64(0x1F00000000FFFF)
    v = (v | (v << np.uint64(16))) & np.uint64(0x1F0000FF0000FF)
    v = (v | (v << np.uint64(8))) & np.uint64(0x100F00F00F00F00F)
    v = (v | (v << np.uint64(4))) & np.uint64(0x10C30C30C30C30C3)
    return (v | (v << np.uint64(2))) & np.uint64(0x1249249249249249)


@njit(cache=True, nogil=True)
def _morton(vertices, faces, low, scale):
    out = np.empty(len(faces), np.uint64)
    for f in range(len(faces)):
        code = np.uint64(0)
        for axis in range(3):
            centre = 0.0
            for corner in range(3):
                centre += vertices[faces[f, corner], axis]
            cell = np.uint64((centre / 3.0 - low[axis]) * scale)
            code |= _spread(cell) << np.uint64(axis)
        out[f] = code
    return out


@njit(cache=True, nogil=True)
def _leaf_boxes(vertices, faces, order, boxes, first):
    leaves = (len(order) + _LEAF - 1) // _LEAF
    for leaf in range(leaves):
        for axis in range(3):
            low, high = np.inf, -np.inf
            for k in range(leaf * _LEAF, min((leaf + 1) * _LEAF, len(order))):
                for corner in range(3):
                    value = vertices[faces[order[k], corner], axis]
                    low, high = min(low, value), max(high, value)
            boxes[first + leaf, axis], boxes[first + leaf, 3 + axis] = low, high
    for node in range(first - 1, -1, -1):
        for axis in range(3):
            boxes[node, axis] = min(boxes[2 * node + 1, axis], boxes[2 * node + 2, axis])
            boxes[node, 3 + axis] = max(boxes[2 * node + 1, 3 + axis], boxes[2 * node + 2, 3 + axis])


@njit(cache=True, nogil=True, inline="always")
def _side(a, b, c, d, tolerance):
    """Which side of the plane a b c the point d lies on: 1, -1, or 0 within the tolerance."""
    ux, uy, uz = b[0] - a[0], b[1] - a[1], b[2] - a[2]
    vx, vy, vz = c[0] - a[0], c[1] - a[1], c[2] - a[2]
    wx, wy, wz = d[0] - a[0], d[1] - a[1], d[2] - a[2]
    volume = wx * (uy * vz - uz * vy) + wy * (uz * vx - ux * vz) + wz * (ux * vy - uy * vx)
    return 1 if volume > tolerance else (-1 if volume < -tolerance else 0)


@njit(cache=True, nogil=True)
def _edge_through(p, q, a, b, c, tolerance):
    """Does the open segment p q pass through the inside of the triangle a b c?"""
    start, end = _side(a, b, c, p, tolerance), _side(a, b, c, q, tolerance)
    if start * end >= 0:
        return False
    one = _side(p, q, a, b, tolerance)
    return one != 0 and one == _side(p, q, b, c, tolerance) and one == _side(p, q, c, a, tolerance)


@njit(cache=True, nogil=True)
def edge_through(p, q, a, b, c):
    """Does the open segment between two (3,) points pass through the inside of the triangle of three, but for
    rounding?"""
    size = 0.0
    for axis in range(3):
        low = min(a[axis], b[axis], c[axis], p[axis], q[axis])
        size = max(size, max(a[axis], b[axis], c[axis], p[axis], q[axis]) - low)
    return _edge_through(p, q, a, b, c, _ROUNDING * size**3)


@njit(cache=True, nogil=True)
def _cross(vertices, one, two):
    shared = 0
    for i in range(3):
        for j in range(3):
            if one[i] == two[j]:
                shared += 1
    if shared >= 2:
        return False
    a, b, c = vertices[one[0]], vertices[one[1]], vertices[one[2]]
    p, q, r = vertices[two[0]], vertices[two[1]], vertices[two[2]]
    size = 0.0
    for axis in range(3):
        low = min(a[axis], b[axis], c[axis], p[axis], q[axis], r[axis])
        size = max(size, max(a[axis], b[axis], c[axis], p[axis], q[axis], r[axis]) - low)
    tolerance = _ROUNDING * size**3
    return (
        _edge_through(p, q, a, b, c, tolerance)
        or _edge_through(q, r, a, b, c, tolerance)
        or _edge_through(r, p, a, b, c, tolerance)
        or _edge_through(a, b, p, q, r, tolerance)
        or _edge_through(b, c, p, q, r, tolerance)
        or _edge_through(c, a, p, q, r, tolerance)
    )


@njit(cache=True, nogil=True)
def _apart(vertices, one, two):
    for axis in range(3):
        a, b, c = vertices[one[0], axis], vertices[one[1], axis], vertices[one[2], axis]
        p, q, r = vertices[two[0], axis], vertices[two[1], axis], vertices[two[2], axis]
        if min(a, b, c) > max(p, q, r) or min(p, q, r) > max(a, b, c):
            return True
    return False


@njit(cache=True, nogil=True)
def _pairs_of_leaves(vertices, faces, order, boxes, first, begin, end, room):
    """Crossing pairs whose lower face stands in leaves begin..end; each leaf keeps at most `room`."""
    found = np.full((end - begin, room, 2), -1, np.int64)
    tests = np.zeros(end - begin, np.int64)
    for leaf in range(begin, end):
        stack = np.empty(64, np.int64)
        stack[0], depth, kept = 0, 1, 0
        box = boxes[first + leaf]
        while depth > 0:
            depth -= 1
            node = stack[depth]
            tests[leaf - begin] += 1
            other = boxes[node]
            clear = False
            for axis in range(3):
                clear = clear or other[axis] > box[3 + axis] or box[axis] > other[3 + axis]
            if clear:
                continue
            if node < first:
                stack[depth], stack[depth + 1] = 2 * node + 1, 2 * node + 2
                depth += 2
                continue
            beside = node - first
            if beside < leaf:
                continue
            for k in range(leaf * _LEAF, min((leaf + 1) * _LEAF, len(order))):
                for m in range(max(k + 1, beside * _LEAF), min((beside + 1) * _LEAF, len(order))):
                    tests[leaf - begin] += 1
                    one, two = faces[order[k]], faces[order[m]]
                    if _apart(vertices, one, two):
                        continue
                    tests[leaf - begin] += 8  # what the exact test costs beside two boxes
                    if _cross(vertices, one, two) and kept < room:
                        found[leaf - begin, kept, 0], found[leaf - begin, kept, 1] = order[k], order[m]
                        kept += 1
    return found, tests.sum()


def find_self_crossings(vertices: np.ndarray, faces: np.ndarray, progress: Progress = SILENT) -> SelfCrossings:
    """Pairs of faces that cross. vertices : (n, 3) finite, faces : (m, 3).

    Exact up to the rounding of 64-bit numbers. Stops at 100 thousand pairs (or when the boxes overlap so much that
    the work would grow with the square of the faces) and then states the share it compared. Deterministic.
    """
    if len(faces) < 2:
        return SelfCrossings(np.empty((0, 2), np.int64), 1.0)
    points = np.ascontiguousarray(vertices - vertices.mean(axis=0))
    low = points.min(axis=0)
    span = float((points.max(axis=0) - low).max())
    scale = (2**21 - 1) / span if span > 0 else 0.0
    faces = np.ascontiguousarray(faces, np.int64)
    order = np.argsort(_morton(points, faces, low, scale), kind="stable")
    leaves = (len(faces) + _LEAF - 1) // _LEAF
    first = max(1, 1 << int(np.ceil(np.log2(leaves)))) - 1
    boxes = np.tile(np.array([np.inf] * 3 + [-np.inf] * 3), (2 * first + 1, 1))
    _leaf_boxes(points, faces, order, boxes, first)
    most_tests = _MOST_TESTS + _MOST_TESTS_A_FACE * len(faces)
    found, tests, begin = [], 0, 0
    while begin < leaves:
        # a heap is noticed on a few leaves, before a whole chunk of it is waited for
        affordable = 8 if begin == 0 else int((most_tests - tests) * begin / tests)
        end = min(begin + min(_CHUNK_LEAVES, max(affordable, 8)), leaves)
        ends = np.linspace(begin, end, min(WORKERS, end - begin) + 1).astype(np.int64)
        shares = in_threads(
            lambda run: _pairs_of_leaves(points, faces, order, boxes, first, *run, 16 * _LEAF), pairwise(ends)
        )
        for pairs, spent in shares:
            found.append(pairs[pairs[..., 0] >= 0])
            tests += int(spent)
        progress.step(end / leaves, "looking for faces that cross")
        begin = end
        if sum(map(len, found)) >= MOST_PAIRS or tests >= most_tests:
            break
    return SelfCrossings(np.concatenate(found), begin / leaves)
