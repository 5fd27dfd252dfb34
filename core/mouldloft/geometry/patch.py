"""A surface spanned in closed loops: filled, made finer inside, its rim untouched."""

from __future__ import annotations

import numpy as np

from .edges import edges_of

_FLIP_ROUNDS = 200
_SPLIT_ROUNDS = 60


def fill_loops(loops: list[np.ndarray]) -> tuple[np.ndarray, np.ndarray]:
    """Triangles over the area that the loops enclose seen along z.

    loops : (k, 3) each, counter-clockwise round what is filled and clockwise round a hole. Returns the
    points ((p, 3), the loops' own in order, more only where a loop crosses itself so that it must be closed
    by a fan round its middle) and (f, 3) int faces, counter-clockwise. Every loop edge bounds exactly one
    face.
    """
    import manifold3d

    points = np.concatenate(loops)
    faces = np.asarray(manifold3d.triangulate([loop[:, :2] for loop in loops]), np.int64).reshape(-1, 3)
    if _rim_is_whole(loops, faces):
        return points, faces
    parts = []
    first = 0
    fans: list[np.ndarray] = []
    for loop in loops:
        own = first + np.arange(len(loop))
        flat = _in_best_plane(loop)
        faces = np.asarray(manifold3d.triangulate([flat]), np.int64).reshape(-1, 3)
        if _rim_is_whole([loop], faces):
            parts.append(own[faces])
        else:
            middle = len(points) + len(fans)
            fans.append(loop.mean(axis=0))
            parts.append(np.stack([own, np.roll(own, -1), np.full(len(own), middle)], axis=1))
        first += len(loop)
    return np.concatenate([points, *(fan[None] for fan in fans)]), np.concatenate(parts)


def _in_best_plane(loop: np.ndarray) -> np.ndarray:
    """(k, 2) the loop in its best plane, turned so that it runs counter-clockwise."""
    centred = loop - loop.mean(axis=0)
    axes = np.linalg.svd(centred, full_matrices=False)[2]
    flat = centred @ axes[:2].T
    following = np.roll(flat, -1, axis=0)
    area = float((flat[:, 0] * following[:, 1] - flat[:, 1] * following[:, 0]).sum())
    return flat if area >= 0 else flat * np.array([1.0, -1.0])


def _rim_is_whole(loops: list[np.ndarray], faces: np.ndarray) -> bool:
    """Does every loop edge bound one face, and every other edge two that run against each other?"""
    following = []
    first = 0
    for loop in loops:
        own = first + np.arange(len(loop))
        following.append(np.stack([own, np.roll(own, -1)], axis=1))
        first += len(loop)
    rim = np.concatenate(following)
    if len(faces) == 0:
        return False
    edges = np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]])
    size = int(max(first, faces.max() + 1))
    half = np.concatenate([edges[:, 0] * size + edges[:, 1], rim[:, 1] * size + rim[:, 0]])
    back = np.concatenate([edges[:, 1] * size + edges[:, 0], rim[:, 0] * size + rim[:, 1]])
    keys, times = np.unique(half, return_counts=True)
    return bool((times == 1).all()) and bool(np.array_equal(keys, np.unique(back)))


def _inner_edges(faces: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Edges with a face to each side: (e, 4) int, end, end, apex left, apex right, and (e, 2) their faces."""
    a, b, apex = (np.roll(faces, -k, axis=1).reshape(-1) for k in range(3))
    one, two = edges_of(faces, int(faces.max()) + 1).pairs.T
    return np.stack([a[one], b[one], apex[one], apex[two]], axis=1), np.stack([one // 3, two // 3], axis=1)


def _apart(rank: np.ndarray, faces: np.ndarray, count: int) -> np.ndarray:
    """(e,) bool: edges that may be changed at once, since no lower-ranked one shares a face with them."""
    least = np.full(count, len(rank), np.int64)
    np.minimum.at(least, faces.reshape(-1), np.repeat(rank, 2))
    return (least[faces[:, 0]] == rank) & (least[faces[:, 1]] == rank)


def _doubled_area(p: np.ndarray, q: np.ndarray, r: np.ndarray) -> np.ndarray:
    return (q[:, 0] - p[:, 0]) * (r[:, 1] - p[:, 1]) - (q[:, 1] - p[:, 1]) * (r[:, 0] - p[:, 0])


def _flip_to_delaunay(points: np.ndarray, faces: np.ndarray) -> np.ndarray:
    """Flip inner edges until the triangles are Delaunay seen along z (Lawson), many at a time."""
    xy = points[:, :2]
    for _ in range(_FLIP_ROUNDS):
        edge, owner = _inner_edges(faces)
        a, b, left, right = (xy[edge[:, k]] for k in range(4))
        one, two = _doubled_area(left, right, b), _doubled_area(right, left, a)
        u, v = a - left, b - left
        s, t = a - right, b - right
        opposite = (u * v).sum(axis=1) * np.abs(_doubled_area(right, a, b)) + (s * t).sum(axis=1) * np.abs(
            _doubled_area(left, a, b)
        )
        scale = np.maximum(np.abs(u).max(), np.abs(s).max()) ** 2 if len(u) else 1.0
        sound = (one > 1e-12 * scale) & (two > 1e-12 * scale)
        wrong = np.flatnonzero(sound & (opposite < -1e-12 * scale**2))
        if len(wrong) == 0:
            break
        rank = np.empty(len(wrong), np.int64)
        rank[np.argsort(opposite[wrong], kind="stable")] = np.arange(len(wrong))
        chosen = wrong[_apart(rank, owner[wrong], len(faces))]
        faces = faces.copy()
        end, start, apex, other = edge[chosen].T[[1, 0, 2, 3]]
        faces[owner[chosen, 0]] = np.stack([apex, other, end], axis=1)
        faces[owner[chosen, 1]] = np.stack([other, apex, start], axis=1)
    return faces


def _longest_rim(points: np.ndarray, faces: np.ndarray) -> np.ndarray:
    """(f,) length seen along z of each face's longest rim edge, 0 where it has none."""
    edges = edges_of(faces, int(faces.max()) + 1)
    side = points[np.roll(faces, -1, axis=1), :2] - points[faces, :2]
    return np.where(edges.open[edges.edge_of], np.linalg.norm(side, axis=2), 0.0).max(axis=1)


def refine_patch(points: np.ndarray, faces: np.ndarray, edge: float) -> tuple[np.ndarray, np.ndarray]:
    """Split inner edges longer than `edge` (seen along z) at their middles and even the triangles out.

    points : (p, 3); the rim keeps its points and edges, and faces along a longer rim edge stay as long as it.
    Returns all points, the given ones first, and faces.
    """
    faces = _flip_to_delaunay(points, faces)
    for _ in range(_SPLIT_ROUNDS):
        inner, owner = _inner_edges(faces)
        length = np.linalg.norm(points[inner[:, 0], :2] - points[inner[:, 1], :2], axis=1)
        # beside a longer rim edge one inner edge is always long: splitting would never end
        long = np.flatnonzero(length > np.maximum(edge, _longest_rim(points, faces)[owner].max(axis=1)))
        if len(long) == 0:
            break
        rank = np.empty(len(long), np.int64)
        rank[np.argsort(-length[long], kind="stable")] = np.arange(len(long))
        chosen = long[_apart(rank, owner[long], len(faces))]
        a, b, left, right = inner[chosen].T
        middle = len(points) + np.arange(len(chosen))
        points = np.concatenate([points, (points[a] + points[b]) / 2])
        faces = faces.copy()
        faces[owner[chosen, 0]] = np.stack([a, middle, left], axis=1)
        faces[owner[chosen, 1]] = np.stack([b, middle, right], axis=1)
        more = [np.stack([middle, b, left], axis=1), np.stack([middle, a, right], axis=1)]
        faces = _flip_to_delaunay(points, np.concatenate([faces, *more]))
    return points, faces
