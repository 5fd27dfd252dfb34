"""The greatest flow through a graph, and the cheapest cut it proves, in compiled steps that can be stopped.

Two search trees, one from each end of the flow, grow towards each other and are mended after every path they find: the
method of Boykov and Kolmogorov, IEEE PAMI 26 (2004), DOI 10.1109/TPAMI.2004.60 (from memory). PyMaxflow carries the
same method, but holds the interpreter for as long as it takes; tests hold this one to it.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit

from ..base.progress import SILENT, Progress

_NONE, _ROOT, _ORPHAN = -1, -2, -3  # instead of the arc to a parent
_FAR = 2**31 - 1
_VISITS = 4_000_000  # arcs looked at between two steps of progress: about a tenth of a second


class _Arcs(NamedTuple):
    """Arcs by the node they leave. first : (n + 1,) int32; head, back : (a,) int32, where each leads and the arc that
    leads back; room : (a,) float64, what may still flow along it."""

    first: np.ndarray
    head: np.ndarray
    back: np.ndarray
    room: np.ndarray


class _Trees(NamedTuple):
    """The two search trees.

    left : (n,) float64, what a node may still take from its own end of the flow, negative from the end behind.
    parent : (n,) int32 arc; behind : (n,) bool, in the tree behind; stamp, depth : (n,) int32, how far it was from its
    root, and when. queue : (n + 1,) int32, a ring of nodes to grow from; queued : (n,) bool; state : (3,) int64, where
    the ring begins and ends, and the clock. orphans, waiting : (n,) int32, room to work in.
    """

    left: np.ndarray
    parent: np.ndarray
    behind: np.ndarray
    stamp: np.ndarray
    depth: np.ndarray
    queue: np.ndarray
    queued: np.ndarray
    state: np.ndarray
    orphans: np.ndarray
    waiting: np.ndarray


@njit(cache=True, nogil=True)
def _lay_arcs(one, two, ahead, against, size):
    first = np.zeros(size + 1, np.int32)
    for k in range(len(one)):
        first[one[k] + 1] += 1
        first[two[k] + 1] += 1
    for i in range(size):
        first[i + 1] += first[i]
    free = first[:-1].copy()
    head = np.empty(2 * len(one), np.int32)
    back = np.empty(2 * len(one), np.int32)
    room = np.empty(2 * len(one))
    for k in range(len(one)):
        a = free[one[k]]
        free[one[k]] += 1
        b = free[two[k]]
        free[two[k]] += 1
        head[a], head[b], back[a], back[b] = two[k], one[k], b, a
        room[a], room[b] = ahead[k], against[k]
    return first, head, back, room


def _plant(excess: np.ndarray) -> _Trees:
    """Every node with an end of its own as a root, to grow from."""
    size = len(excess)
    roots = np.flatnonzero(excess)
    parent, depth = np.full(size, _NONE, np.int32), np.zeros(size, np.int32)
    queue, queued = np.empty(size + 1, np.int32), np.zeros(size, np.bool_)
    parent[roots], depth[roots], queued[roots] = _ROOT, 1, True
    queue[: len(roots)] = roots
    state = np.array([0, len(roots), 0], np.int64)
    return _Trees(
        excess.astype(float), parent, excess < 0.0, np.zeros(size, np.int32), depth, queue, queued, state,
        np.empty(size, np.int32), np.empty(size, np.int32),
    )  # fmt: skip


@njit(cache=True, nogil=True, inline="always")
def _after(place, ring):
    return place + 1 if place + 1 < len(ring) else 0


@njit(cache=True, nogil=True, inline="always")
def _enqueue(trees, i):
    if not trees.queued[i]:
        trees.queued[i] = True
        trees.queue[trees.state[1]] = i
        trees.state[1] = _after(trees.state[1], trees.queue)


@njit(cache=True, nogil=True, inline="always")
def _orphan(trees, i, count):
    trees.parent[i] = _ORPHAN
    trees.orphans[count] = i
    return count + 1


@njit(cache=True, nogil=True)
def _push(arcs, trees, middle):
    """Push all that the path through `middle`, an arc between the trees, can take; how many nodes that cuts off."""
    room, head, back, parent, left = arcs.room, arcs.head, arcs.back, trees.parent, trees.left
    least = room[middle]
    ends = (head[back[middle]], head[middle])
    for side in range(2):
        i = ends[side]
        while parent[i] != _ROOT:
            a = parent[i]
            least = min(least, room[a if side else back[a]])
            i = head[a]
        least = min(least, abs(left[i]))
    room[middle] -= least
    room[back[middle]] += least
    count = 0
    for side in range(2):
        i = ends[side]
        while parent[i] != _ROOT:
            a = parent[i]
            forth = a if side else back[a]
            room[forth] -= least
            room[back[forth]] += least
            if room[forth] == 0.0:
                count = _orphan(trees, i, count)
            i = head[a]
        left[i] += least if side else -least
        if left[i] == 0.0:
            count = _orphan(trees, i, count)
    return count


@njit(cache=True, nogil=True)
def _adopt(arcs, trees, orphan):
    """Find a new parent in the same tree for an orphan and for all that it cuts off in turn, or set them free."""
    first, head, back, room = arcs
    parent, behind, stamp, depth = trees.parent, trees.behind, trees.stamp, trees.depth
    time, waiting = trees.state[2], trees.waiting
    visits, begin, end = 0, 0, 1
    waiting[0] = orphan
    while begin < end:
        i = waiting[begin]
        begin += 1
        side, nearest, chosen = behind[i], _FAR, _NONE
        for a in range(first[i], first[i + 1]):
            j = head[a]
            if behind[j] != side or parent[j] == _NONE or room[a if side else back[a]] <= 0.0:
                continue
            steps, k = 0, j
            while True:  # does it still hang on its root, and how far from it
                visits += 1
                if stamp[k] == time:
                    steps += depth[k]
                    break
                up = parent[k]
                if up == _ORPHAN:
                    steps = _FAR
                    break
                steps += 1
                if up == _ROOT:
                    stamp[k], depth[k] = time, 1
                    break
                k = head[up]
            if steps == _FAR:
                continue
            if steps < nearest:
                nearest, chosen = steps, a
            k = j
            while stamp[k] != time:
                stamp[k], depth[k] = time, steps
                steps -= 1
                k = head[parent[k]]
        parent[i] = chosen
        if chosen != _NONE:
            stamp[i], depth[i] = time, nearest + 1
            continue
        for a in range(first[i], first[i + 1]):
            visits += 1
            j = head[a]
            if behind[j] != side or parent[j] == _NONE:
                continue
            if room[a if side else back[a]] > 0.0:
                _enqueue(trees, j)
            up = parent[j]
            if up >= 0 and head[up] == i:
                parent[j] = _ORPHAN
                waiting[end] = j
                end += 1
    return visits


@njit(cache=True, nogil=True)
def _advance(arcs, trees, most):
    """Grow, push and mend until nothing is left to do (True) or more than `most` arcs were looked at (False)."""
    first, head, back, room = arcs
    parent, behind, stamp, depth, state = trees.parent, trees.behind, trees.stamp, trees.depth, trees.state
    visits = 0
    while state[0] != state[1]:
        i = trees.queue[state[0]]
        side, found = behind[i], _NONE
        if parent[i] != _NONE:
            for a in range(first[i], first[i + 1]):
                visits += 1
                forth = back[a] if side else a  # the arc as the flow would run
                if room[forth] <= 0.0:
                    continue
                j = head[a]
                free = parent[j] == _NONE
                if not free and behind[j] != side:
                    found = forth
                    break
                # new to the tree, or by this way nearer to its root
                if free or (stamp[j] <= stamp[i] and depth[j] > depth[i]):
                    parent[j], behind[j] = back[a], side
                    stamp[j], depth[j] = stamp[i], depth[i] + 1
                if free:
                    _enqueue(trees, j)
        state[2] += 1
        if found == _NONE:
            trees.queued[i] = False
            state[0] = _after(state[0], trees.queue)
        else:
            for k in range(_push(arcs, trees, found) - 1, -1, -1):
                visits += _adopt(arcs, trees, trees.orphans[k])
        if visits > most:
            return False
    return True


def cheapest_cut(
    excess: np.ndarray,
    one: np.ndarray,
    two: np.ndarray,
    ahead: np.ndarray,
    against: np.ndarray,
    progress: Progress = SILENT,
    at: float = 0.0,
    note: str = "",
) -> np.ndarray:
    """(n,) bool: which nodes stand behind the cheapest cut; where both sides cost the same, a node stands ahead.

    excess : (n,) float, what a node costs behind the cut less what it costs ahead. one, two : (e,) int, pairs of nodes;
    ahead, against : (e,) float, not negative, the cost of one ahead and two behind, and of two ahead and one behind.
    Steps `progress` at the fraction `at` several times a second; raises `Cancelled` there. Deterministic; exact but for
    the rounding of 64-bit sums.
    """
    ends = np.asarray(one, np.int32), np.asarray(two, np.int32)
    arcs = _Arcs(*_lay_arcs(*ends, np.asarray(ahead, float), np.asarray(against, float), len(excess)))
    trees = _plant(np.asarray(excess))
    while not _advance(arcs, trees, _VISITS):
        progress.step(at, note)
    return trees.behind & (trees.parent != _NONE)
