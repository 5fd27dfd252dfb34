"""The outer surface of a closed mesh that passes through itself: cut along the lines where it crosses, what lies inside
left out."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from itertools import pairwise

import numpy as np
from numba import njit

from ..base.threads import WORKERS, in_threads
from .edges import connected, edges_of, renumbered
from .selfcrossings import edge_through, find_self_crossings

_TRIES = 4
_NUDGE = 1e-9  # of the diagonal: vertices whose faces meet by chance in a point or a line are moved by so little
_OFF_WHOLE = 0.02  # how far a winding number may be from a whole one
_MOST_ANGLES = 2e9  # half a minute's work
_MOST_TURNED = 0.02  # of the area: more skin than this inside out is no body that was pushed through itself

Points = dict[tuple[int, ...], int]  # crossing points by what makes them: an edge and a face, or three faces


class _Unclear(Exception):
    """The faces meet so that the lines of crossing do not close."""


def outer_skins(
    vertices: np.ndarray, faces: np.ndarray, shell: np.ndarray, pairs: np.ndarray
) -> tuple[np.ndarray, np.ndarray, int]:
    """Each closed shell that passes through itself by its `outer_skin`, where that is found; the others as they are.

    shell : (m,) of each face, below 0 for one that is left alone; pairs : (k, 2) faces that cross. Returns vertices,
    faces and how many pairs were cut.
    """
    of_pair = np.where(shell[pairs[:, 0]] == shell[pairs[:, 1]], shell[pairs[:, 0]], -1)
    whole, cut, places = np.ones(len(faces), bool), [], 0
    for k in (k for k in np.unique(of_pair) if k >= 0):
        mine, own = np.flatnonzero(shell == k), pairs[of_pair == k]
        found = outer_skin(vertices, faces[mine], np.searchsorted(mine, own))
        if found is not None:
            vertices, whole[mine], places = found[0], False, places + len(own)
            cut.append(found[1])
    return vertices, np.concatenate([faces[whole], *cut]), places


def outer_skin(vertices: np.ndarray, faces: np.ndarray, pairs: np.ndarray) -> tuple[np.ndarray, np.ndarray] | None:
    """The boundary of what a closed mesh winds round once or more often, or None where it is not found.

    vertices : (n, 3) float64; faces : (m, 3) int64, closed, outward; pairs : (k, 2) faces that cross. Returns the same
    vertices, those of faces that cross moved by a few billionths of the diagonal at most, with the points of crossing
    after them, and faces, of which those that cross nothing are as they were. They may be in several shells, cavities
    among them.
    """
    chance = np.random.default_rng(0)
    diagonal = float(np.linalg.norm(np.ptp(vertices, axis=0)))
    points = vertices
    for _ in range(_TRIES):
        try:
            found = _kept(*_cut(points, faces, pairs))
        except _Unclear:
            found = None
        if found is not None or not len(pairs):
            return found
        moved = np.unique(faces[np.unique(pairs)])
        points = vertices.copy()
        points[moved] += _NUDGE * diagonal * chance.uniform(-1.0, 1.0, (len(moved), 3))
        pairs = find_self_crossings(points, faces).pairs
    return None


# --- cutting


def _cut(vertices: np.ndarray, faces: np.ndarray, pairs: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Vertices with the points of crossing after them, faces cut along the lines of crossing, and these lines as pairs
    of vertices, the lower first."""
    crossed, which = np.unique(pairs, return_inverse=True)
    used, own = renumbered(faces[crossed])
    where = list(vertices[used])
    pieces, seam = _cut_faces(own, which.reshape(pairs.shape), where)
    number = np.concatenate([used, len(vertices) + np.arange(len(where) - len(used))])
    everywhere = np.concatenate([vertices, np.array(where[len(used) :]).reshape(-1, 3)])
    lines = np.sort(number[np.array(sorted(seam), np.int64).reshape(-1, 2)], axis=1)
    return everywhere, np.concatenate([np.delete(faces, crossed, axis=0), number[pieces]]), lines


def _cut_faces(
    faces: np.ndarray, pairs: np.ndarray, where: list[np.ndarray]
) -> tuple[np.ndarray, set[tuple[int, int]]]:
    """The pieces of faces that all cross others, over `where`, which takes up the points of crossing, and the lines."""
    points: Points = {}
    lines: dict[int, list[tuple[int, int, int]]] = defaultdict(list)  # by face: two points, and the other face
    on_edge: dict[tuple[int, int], set[int]] = defaultdict(set)
    for one, other in pairs.tolist():
        ends = _ends(faces, one, other, points, where, on_edge)
        for face, across in ((one, other), (other, one)):
            lines[face].append((*ends, across))
    pieces = []
    seam: set[tuple[int, int]] = set()
    meetings: dict[tuple[int, ...], int] = defaultdict(int)
    for face in sorted(lines):
        flat, turned = _flat(*(where[v] for v in faces[face]))
        cut = _parted(lines[face], face, flat, where, points, meetings)
        seam.update((min(a, b), max(a, b)) for a, b in cut)
        rim = [side for k in range(3) for side in _side(faces[face], k, on_edge, where)]
        pieces.append(_triangles([*rim, *cut], flat, turned, where))
    if any(count != 3 for count in meetings.values()):
        raise _Unclear
    return np.concatenate(pieces), seam


def _ends(
    faces: np.ndarray,
    one: int,
    other: int,
    points: Points,
    where: list[np.ndarray],
    on_edge: dict[tuple[int, int], set[int]],
) -> tuple[int, int]:
    """The two ends of the line in which two faces cross: where an edge of the one goes through the other, or a corner
    they share."""
    found = [int(v) for v in np.intersect1d(faces[one], faces[other])]
    for face, across in ((one, other), (other, one)):
        a, b, c = (where[v] for v in faces[across])
        for k in range(3):
            p, q = sorted((int(faces[face, k]), int(faces[face, (k + 1) % 3])))
            if not edge_through(where[p], where[q], a, b, c):
                continue
            key = (p, q, across)
            if key not in points:
                normal = np.cross(b - a, c - a)
                start, end = (where[p] - a) @ normal, (where[q] - a) @ normal
                points[key] = len(where)
                where.append(where[p] + start / (start - end) * (where[q] - where[p]))
                on_edge[p, q].add(points[key])
            found.append(points[key])
    if len(found) != 2:
        raise _Unclear
    return found[0], found[1]


def _flat(a: np.ndarray, b: np.ndarray, c: np.ndarray) -> tuple[list[int], bool]:
    """The two axes on which a face of these corners is seen best, and whether it runs clockwise there."""
    normal = np.cross(b - a, c - a)
    axis = int(np.argmax(np.abs(normal)))
    return [(axis + 1) % 3, (axis + 2) % 3], bool(normal[axis] < 0)


def _parted(
    lines: list[tuple[int, int, int]],
    face: int,
    flat: list[int],
    where: list[np.ndarray],
    points: Points,
    meetings: dict[tuple[int, ...], int],
) -> list[tuple[int, int]]:
    """A face's lines of crossing, parted where two of them cross, that is where three faces meet."""
    ends = np.array([(where[a][flat], where[b][flat]) for a, b, _ in lines])
    way = ends[:, 1] - ends[:, 0]
    on: list[list[tuple[float, int]]] = [[] for _ in lines]
    for i, j in _crossing(ends):
        turn = way[i, 0] * way[j, 1] - way[i, 1] * way[j, 0]
        apart = ends[j, 0] - ends[i, 0]
        s = (apart[0] * way[j, 1] - apart[1] * way[j, 0]) / turn
        t = (apart[0] * way[i, 1] - apart[1] * way[i, 0]) / turn
        key = tuple(sorted((face, lines[i][2], lines[j][2])))
        meetings[key] += 1
        if key not in points:
            points[key] = len(where)
            a, b, _ = lines[i]
            where.append(where[a] + s * (where[b] - where[a]))
        on[i].append((s, points[key]))
        on[j].append((t, points[key]))
    out = []
    for (a, b, _), between in zip(lines, on):
        chain = [a, *(v for _, v in sorted(between)), b]
        out += list(pairwise(chain))
    return out


def _crossing(ends: np.ndarray) -> Iterator[tuple[int, int]]:
    """Which of (k, 2, 2) segments cross, ends left out."""
    start, end = ends[:, 0], ends[:, 1]

    def side(p: np.ndarray) -> np.ndarray:
        """(k, k) which side of segment i the point j lies on."""
        way, to = (end - start)[:, None], p[None] - start[:, None]
        return np.sign(way[..., 0] * to[..., 1] - way[..., 1] * to[..., 0])

    parts = side(start) * side(end) < 0
    both = parts & parts.T
    # segments that go on from one another share an end, which lies on neither side but for rounding
    same = (ends[:, None, :, None] == ends[None, :, None, :]).all(axis=-1).any(axis=(-1, -2))
    yield from ((int(i), int(j)) for i, j in np.argwhere(np.triu(both & ~same, 1)))


def _side(
    face: np.ndarray, k: int, on_edge: dict[tuple[int, int], set[int]], where: list[np.ndarray]
) -> list[tuple[int, int]]:
    """A side of a face, cut where other faces go through it."""
    a, b = int(face[k]), int(face[(k + 1) % 3])
    found = on_edge.get((min(a, b), max(a, b)), set())
    between = sorted(found, key=lambda v: float(np.linalg.norm(where[v] - where[a])))
    chain = [a, *between, b]
    return list(pairwise(chain))


def _triangles(lines: list[tuple[int, int]], flat: list[int], turned: bool, where: list[np.ndarray]) -> np.ndarray:
    """(k, 3) triangles of the areas that lines in a face's plane, joined at their ends alone, bound."""
    import manifold3d
    import shapely

    at: dict[tuple[float, float], int] = {}
    for v in {v for line in lines for v in line}:
        place = (float(where[v][flat[0]]), float(where[v][flat[1]]))
        if place in at:
            raise _Unclear
        at[place] = v
    drawn = [[tuple(where[v][flat]) for v in line] for line in lines]
    areas, dangling, cuts, invalid = shapely.polygonize_full(shapely.linestrings(drawn))
    if not (dangling.is_empty and cuts.is_empty and invalid.is_empty):
        raise _Unclear
    out = []
    for area in areas.geoms:
        area = shapely.geometry.polygon.orient(area)
        rings = [np.array(ring.coords)[:-1] for ring in (area.exterior, *area.interiors)]
        number = np.array([at[x, y] for x, y in np.concatenate(rings)])
        found = number[np.asarray(manifold3d.triangulate(rings), np.int64).reshape(-1, 3)]
        # a hole that touches its rim in a corner is joined to it there by triangles of no width
        a, b, c = found.T
        found = found[(a != b) & (b != c) & (c != a)]
        out.append(found[:, ::-1] if turned else found)
    return np.concatenate(out)


# --- what is outside


def _kept(vertices: np.ndarray, faces: np.ndarray, lines: np.ndarray) -> tuple[np.ndarray, np.ndarray] | None:
    """The vertices, and those of the cut faces that have nothing of the body on their outer side."""
    edges = edges_of(faces, len(vertices))
    by_ends = np.array([len(vertices), 1], np.int64)
    line = np.isin(edges.ends.astype(np.int64) @ by_ends, lines @ by_ends)
    if (edges.uses != np.where(line, 4, 2)).any() or (2 * edges.upward != edges.uses).any():
        return None
    count, patch = connected(edges.pairs // 3, len(faces))
    if count * len(faces) > _MOST_ANGLES:
        return None
    a, b, c = (vertices[faces[:, k]] for k in range(3))
    area = np.linalg.norm(np.cross(b - a, c - a), axis=1)
    order = np.lexsort((-area, patch))
    largest = order[np.searchsorted(patch[order], np.arange(count))]
    # half of a whole turn is the face's own, on whose plane the point lies
    shares = np.array_split(largest, WORKERS)
    outer = np.concatenate(in_threads(lambda seen: _windings(vertices, faces, seen), shares)) - 0.5
    if (np.abs(outer - np.rint(outer)) > _OFF_WHOLE).any():
        return None
    outside = np.rint(outer).astype(int)[patch]
    if area[outside < 0].sum() > _MOST_TURNED * area.sum():
        return None
    kept = np.ascontiguousarray(faces[outside == 0])
    return (vertices, kept) if len(kept) and edges_of(kept, len(vertices)).is_closed else None


@njit(cache=True, nogil=True)
def _windings(vertices, faces, seen):
    """How often all other faces wind round the middles of those seen: the sum of their solid angles over 4 pi."""
    out = np.zeros(len(seen))
    for k in range(len(seen)):
        own = seen[k]
        x, y, z = 0.0, 0.0, 0.0
        for corner in range(3):
            v = faces[own, corner]
            x, y, z = x + vertices[v, 0] / 3, y + vertices[v, 1] / 3, z + vertices[v, 2] / 3
        total = 0.0
        for f in range(len(faces)):
            if f == own:
                continue
            i, j, m = faces[f]
            ax, ay, az = vertices[i, 0] - x, vertices[i, 1] - y, vertices[i, 2] - z
            bx, by, bz = vertices[j, 0] - x, vertices[j, 1] - y, vertices[j, 2] - z
            cx, cy, cz = vertices[m, 0] - x, vertices[m, 1] - y, vertices[m, 2] - z
            a = np.sqrt(ax * ax + ay * ay + az * az)
            b = np.sqrt(bx * bx + by * by + bz * bz)
            c = np.sqrt(cx * cx + cy * cy + cz * cz)
            # van Oosterom and Strackee, IEEE Trans. Biomed. Eng. 30 (1983) 125
            over = ax * (by * cz - bz * cy) + ay * (bz * cx - bx * cz) + az * (bx * cy - by * cx)
            under = a * b * c
            under += (ax * bx + ay * by + az * bz) * c
            under += (bx * cx + by * cy + bz * cz) * a
            under += (cx * ax + cy * ay + cz * az) * b
            total += np.arctan2(over, under)
        out[k] = total / (2.0 * np.pi)
    return out
