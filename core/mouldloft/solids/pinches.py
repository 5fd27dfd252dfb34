"""A mesh as single precision can hold it: corners too close to tell apart joined, and edges that four faces share
opened by a hair. Where two walls of a solid touch along a line, no reader of a mesh can tell which faces belong
together, and most call it open."""

from __future__ import annotations

from typing import Any

import numpy as np
from scipy import sparse
from scipy.sparse import csgraph
from scipy.spatial import cKDTree

from ..geometry.manifold import arrays_of, as_manifold

WELD_MM = 1e-3
OPENED_MM = 4e-3  # each side steps back by this: a few steps of single precision, far below any tool's accuracy
_ALIKE = 0.7  # cosine between ways that would bring two middles together
_ROUNDS = 24
_STORED_ROUNDS = 4
_MIXING = (0x9E3779B97F4A7C15, 0xC2B2AE3D27D4EB4F, 0x165667B19E3779F9)  # large odd numbers


def opened_pinches(vertices_mm: np.ndarray, faces: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The mesh with every edge of more than two faces split in its middle, one middle for each wedge of the solid.

    vertices_mm : (n, 3); faces : (m, 3), outward. Faces that bound one wedge of the solid are paired by turning about
    the edge, and their new corner steps back into that wedge. Edges of two faces stay as they are.
    """
    for _ in range(_ROUNDS):
        edges, owners = _shared_by_more(faces)
        if not edges:
            break
        vertices_mm, faces = _split(vertices_mm, faces, edges, owners)
    return vertices_mm, faces


def _shared_by_more(faces: np.ndarray) -> tuple[list[tuple[int, int]], list[np.ndarray]]:
    """Edges of more than two faces, no two of them of one face, and the faces of each."""
    ends = np.sort(faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2), axis=1).astype(np.int64)
    keys = ends[:, 0] * (int(faces.max()) + 1) + ends[:, 1]
    order = np.argsort(keys, kind="stable")
    starts = np.flatnonzero(np.concatenate([[True], np.diff(keys[order]) > 0]))
    counts = np.diff(np.append(starts, len(order)))
    taken = np.zeros(len(faces), bool)
    edges, owners = [], []
    for start, count in zip(starts[counts > 2], counts[counts > 2]):
        mine = order[start : start + count] // 3
        if taken[mine].any() or len(np.unique(mine)) < len(mine):
            continue
        taken[mine] = True
        a, b = ends[order[start]]
        edges.append((int(a), int(b)))
        owners.append(mine)
    return edges, owners


def _split(
    vertices: np.ndarray, faces: np.ndarray, edges: list[tuple[int, int]], owners: list[np.ndarray]
) -> tuple[np.ndarray, np.ndarray]:
    points: list[np.ndarray] = []
    added: list[list[int]] = []
    gone = np.zeros(len(faces), bool)
    for (a, b), mine in zip(edges, owners):
        ways: list[np.ndarray] = []
        for one, other, back in _wedges(vertices, faces, a, b, mine):
            middle = len(vertices) + len(points)
            # where a skin passes through itself two wedges lie one over the other, and would meet again
            alike = sum(float(back @ way) > _ALIKE for way in ways)
            ways.append(back)
            points.append((vertices[a] + vertices[b]) / 2.0 + (1.0 + alike) * OPENED_MM * back)
            for face in (one, other):
                for end in (a, b):
                    added.append([middle if corner == end else corner for corner in faces[face].tolist()])
        gone[mine] = True
    new = np.array(added, faces.dtype).reshape(-1, 3)
    return np.concatenate([vertices, np.array(points).reshape(-1, 3)]), np.concatenate([faces[~gone], new])


def _wedges(
    vertices: np.ndarray, faces: np.ndarray, a: int, b: int, mine: np.ndarray
) -> list[tuple[int, int, np.ndarray]]:
    """Pairs of faces that bound one wedge of the solid about the edge from a to b, and the unit way into each."""
    along = vertices[b] - vertices[a]
    along = along / max(float(np.linalg.norm(along)), 1e-12)
    aside = np.eye(3)[np.argmin(np.abs(along))]
    u = np.cross(along, aside)
    u /= np.linalg.norm(u)
    v = np.cross(along, u)
    corners = faces[mine]
    third = corners.sum(axis=1) - a - b
    out = vertices[third] - vertices[a]
    turn = np.arctan2(out @ v, out @ u)
    # a face that runs from a to b looks outward on the side of greater turn: a wedge of the solid ends there
    ends_here = [(c == a).argmax() == ((c == b).argmax() + 2) % 3 for c in corners]
    order = np.argsort(turn, kind="stable")
    left = [k for k in range(len(order)) if ends_here[order[k]]]
    found = []
    for k in (k for k in range(len(order)) if not ends_here[order[k]]):
        after = sorted(left, key=lambda j: (j - k) % len(order))
        if not after:
            continue
        left.remove(after[0])
        one, other = order[k], order[after[0]]
        middle = turn[one] + float(np.mod(turn[other] - turn[one], 2.0 * np.pi)) / 2.0
        found.append((int(mine[one]), int(mine[other]), np.cos(middle) * u + np.sin(middle) * v))
    return found


def welded(vertices_mm: np.ndarray, faces: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Corners that single precision cannot tell apart joined: a seam through the master's own corners leaves some.

    Faces that fold flat go, alone or with their back.
    """
    near = cKDTree(vertices_mm, balanced_tree=False).query_pairs(WELD_MM, output_type="ndarray")
    if len(near) == 0:
        return vertices_mm, faces
    count = len(vertices_mm)
    links = sparse.coo_matrix((np.ones(len(near)), (near[:, 0], near[:, 1])), shape=(count, count))
    groups, into = csgraph.connected_components(links, directed=False)
    first = np.full(groups, count)
    np.minimum.at(first, into, np.arange(count))
    moved = np.isin(faces, near).any(axis=1)  # only these can fold
    folded = into[faces[moved]]
    a, b, c = folded.T
    folded = folded[(a != b) & (b != c) & (c != a)]
    joined = np.concatenate([into[faces[~moved]], folded[~_with_its_back(folded)]])
    used, local = np.unique(joined, return_inverse=True)
    return vertices_mm[first[used]], local.reshape(-1, 3)


def _with_its_back(faces: np.ndarray) -> np.ndarray:
    """(m,) bool: faces that lie back to back with another of the same corners, each with one."""
    _, which = np.unique(np.sort(faces, axis=1), axis=0, return_inverse=True)
    which = which.reshape(-1)
    # the way round, from the least corner on
    least = faces.argmin(axis=1)
    rows = np.arange(len(faces))
    even = faces[rows, (least + 1) % 3] < faces[rows, (least + 2) % 3]
    pairs = np.minimum(np.bincount(which, weights=even), np.bincount(which, weights=~even))
    gone = np.zeros(len(faces), bool)
    for side in (even, ~even):
        own = np.flatnonzero(side)
        own = own[np.argsort(which[own], kind="stable")]
        group = which[own]
        number = np.arange(len(own)) - np.searchsorted(group, group)
        gone[own[number < pairs[group]]] = True
    return gone


def opened_as_stored(solid: Any) -> Any:
    """A manifold3d solid whose every edge has two faces in single precision too: welded and opened, in rounds, for what
    either moves may leave another pinch. Where a round makes no manifold the solid stays as it was."""
    for _ in range(_STORED_ROUNDS):
        vertices, faces = arrays_of(solid)
        if two_faces_an_edge(vertices, faces):
            break
        solid = as_manifold(*opened_pinches(*welded(vertices, faces))) or solid
    return solid


def two_faces_an_edge(vertices_mm: np.ndarray, faces: np.ndarray) -> bool:
    """Whether every edge is shared by two faces, once each way round, in single precision too, as formats store it."""
    stored = _as_stored(vertices_mm)[faces].astype(np.int64)
    if (stored == np.roll(stored, 1, axis=1)).any():
        return False
    ahead = np.sort((stored * len(vertices_mm) + np.roll(stored, -1, axis=1)).ravel())
    back = np.sort((np.roll(stored, -1, axis=1) * len(vertices_mm) + stored).ravel())
    return bool((np.diff(ahead) > 0).all() and (ahead == back).all())


def _as_stored(vertices_mm: np.ndarray) -> np.ndarray:
    """(n,) a number for each corner, the same for those that single precision cannot tell apart.

    Their bits are mixed to one number each first: where no two of those agree, no two corners do, and sorting numbers
    is far quicker than sorting rows.
    """
    stored = np.ascontiguousarray(vertices_mm, np.float32) + np.float32(0.0)  # one zero, not two
    mixed = stored.view(np.uint32).astype(np.uint64) @ np.array(_MIXING, np.uint64)
    if (np.diff(np.sort(mixed)) > 0).all():
        return np.arange(len(stored))
    _, at = np.unique(stored, axis=0, return_inverse=True)
    return np.asarray(at.reshape(-1))
