"""Lines where a field on the vertices is zero, and the mesh split along them. The seam is such a line."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

# A line that runs through a vertex would leave faces of no area; it is moved off by this share of an edge.
CLEARANCE = 1e-6


@dataclass(frozen=True, eq=False)
class Crossings:
    """Where the zero line of a vertex field crosses the mesh.

    points_mm : (k, 3), one for each crossed edge; edges : (k, 2) int, its vertices, lower index first;
    share : (k,) how far along the edge. start, end : (s,) int, indices into points of each face's segment,
    directed so that the positive side lies to the left seen from outside; faces : (s,) int, the face of each.
    """

    points_mm: np.ndarray
    edges: np.ndarray
    share: np.ndarray
    start: np.ndarray
    end: np.ndarray
    faces: np.ndarray


@dataclass(frozen=True, eq=False)
class Chain:
    """Crossings in order. nodes : (k,) int into `points_mm`; a closed chain does not repeat its first."""

    nodes: np.ndarray
    closed: bool


def cross_at_zero(
    vertices_mm: np.ndarray, faces: np.ndarray, level: np.ndarray, clearance: float = CLEARANCE
) -> Crossings:
    """The zero line of `level` ((n,) float) over the (m, 3) faces, exact for the linear field on each face.

    A zero counts as positive. Points keep `clearance` (share of an edge) off the vertices.
    """
    positive = level >= 0
    corner = positive[faces]
    count = corner[:, 0].astype(np.int8) + corner[:, 1] + corner[:, 2]
    mixed = np.flatnonzero((count == 1) | (count == 2))
    lone = count[mixed] == 1  # one positive corner stands alone, otherwise one negative
    odd = np.argmax(corner[mixed] == lone[:, None], axis=1)
    a = faces[mixed, odd].astype(np.int64)
    b = faces[mixed, (odd + 1) % 3].astype(np.int64)
    c = faces[mixed, (odd + 2) % 3].astype(np.int64)
    size = len(vertices_mm)
    first = np.minimum(a, b) * size + np.maximum(a, b)
    second = np.minimum(a, c) * size + np.maximum(a, c)
    keys, inverse = np.unique(np.concatenate([first, second]), return_inverse=True)
    edges = np.stack([keys // size, keys % size], axis=1)
    low, high = level[edges[:, 0]].astype(float), level[edges[:, 1]].astype(float)
    share = np.clip(low / np.where(low == high, 1.0, low - high), clearance, 1.0 - clearance)
    points = vertices_mm[edges[:, 0]] + share[:, None] * (vertices_mm[edges[:, 1]] - vertices_mm[edges[:, 0]])
    first, second = inverse[: len(mixed)], inverse[len(mixed) :]
    return Crossings(points, edges, share, np.where(lone, first, second), np.where(lone, second, first), mixed)


def join_chains(crossings: Crossings, skip_faces: np.ndarray | None = None) -> list[Chain]:
    """Order the segments into chains, longest first (by count, then by first node).

    skip_faces : (m,) bool, faces whose segments are left out: a loop that passes them becomes open chains.
    """
    start, end = crossings.start, crossings.end
    if skip_faces is not None:
        keep = ~skip_faces[crossings.faces]
        start, end = start[keep], end[keep]
    after = np.full(len(crossings.points_mm), -1, np.int64)
    after[start] = end
    before = np.zeros(len(after), bool)
    before[end] = True
    unseen = np.zeros(len(after), bool)
    unseen[start] = unseen[end] = True
    following = after.tolist()
    chains = []
    # open chains first, from their ends; what remains is closed
    for heads, closed in ((np.flatnonzero(unseen & ~before), False), (np.flatnonzero(unseen), True)):
        for head in heads.tolist():
            if not unseen[head]:
                continue
            nodes = []
            node = head
            while node >= 0 and unseen[node]:
                unseen[node] = False
                nodes.append(node)
                node = following[node]
            if len(nodes) > 1:
                chains.append(Chain(np.array(nodes), closed and node == head))
    return sorted(chains, key=lambda chain: (-len(chain.nodes), int(chain.nodes[0])))


def face_level(faces: np.ndarray, level: np.ndarray) -> np.ndarray:
    """(m,) value at each face's centre."""
    return (level[faces[:, 0]] + level[faces[:, 1]] + level[faces[:, 2]]) / 3


def face_centres(vertices_mm: np.ndarray, faces: np.ndarray) -> np.ndarray:
    """(m, 3) middle of each face."""
    # by columns: numpy reduces a short axis slowly
    return (vertices_mm[faces[:, 0]] + vertices_mm[faces[:, 1]] + vertices_mm[faces[:, 2]]) / 3


def faces_at(mark: np.ndarray, faces: np.ndarray) -> np.ndarray:
    """(m,) bool, faces with a marked vertex ((n,) bool)."""
    return mark[faces[:, 0]] | mark[faces[:, 1]] | mark[faces[:, 2]]


@dataclass(frozen=True, eq=False)
class SplitMesh:
    """The mesh with every crossed face split along the zero line.

    vertices_mm : (n + k, 3), the mesh's own, then the crossings in order; faces : (f, 3) int64;
    positive : (f,) bool, side of each; parent : (f,) int, the face it was part of.
    """

    vertices_mm: np.ndarray
    faces: np.ndarray
    positive: np.ndarray
    parent: np.ndarray


def split_faces(vertices_mm: np.ndarray, faces: np.ndarray, level: np.ndarray, crossings: Crossings) -> SplitMesh:
    """Split the crossed faces in a corner and a quad (two triangles); the others stay as they are."""
    positive = level >= 0
    whole = np.ones(len(faces), bool)
    whole[crossings.faces] = False
    cut = faces[crossings.faces].astype(np.int64)
    corner = positive[cut]
    lone = corner.sum(axis=1) == 1
    odd = np.argmax(corner == lone[:, None], axis=1)
    row = np.arange(len(cut))
    a, b, c = cut[row, odd], cut[row, (odd + 1) % 3], cut[row, (odd + 2) % 3]
    base = len(vertices_mm)
    ab = base + np.where(lone, crossings.start, crossings.end)
    ca = base + np.where(lone, crossings.end, crossings.start)
    points = np.concatenate([vertices_mm, crossings.points_mm])
    # the shorter diagonal of the quad gives the better triangles
    first = np.linalg.norm(points[ab] - points[c], axis=1) <= np.linalg.norm(points[b] - points[ca], axis=1)
    one = np.where(first[:, None], np.stack([ab, b, c], 1), np.stack([ab, b, ca], 1))
    two = np.where(first[:, None], np.stack([ab, c, ca], 1), np.stack([b, c, ca], 1))
    kept = np.flatnonzero(whole)
    return SplitMesh(
        points,
        np.concatenate([faces[kept].astype(np.int64), np.stack([a, ab, ca], 1), one, two]),
        np.concatenate([positive[faces[kept, 0]], lone, ~lone, ~lone]),
        np.concatenate([kept, crossings.faces, crossings.faces, crossings.faces]),
    )
