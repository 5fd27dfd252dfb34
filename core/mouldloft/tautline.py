"""A line along mesh edges drawn anew as a smooth line on the surface, within a tolerance.

The line is the zero line of a signed distance on the vertices. Curvature flow shortens it (each step
diffuses the distance, then measures it anew), and no point may leave a tube of the tolerance around the
line it began as: at rest this is the taut string in that tube.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import sparse
from scipy.sparse import csgraph
from scipy.sparse.linalg import splu
from scipy.spatial import cKDTree

from .contour import cross_at_zero
from .progress import SILENT, Progress

_STEPS = 12
_RINGS_MOST = 60
_CLEARANCE = 0.02  # share of an edge that the line keeps off the vertices, so that no sliver faces arise


@dataclass(frozen=True, eq=False)
class _Band:
    """The mesh near a line. vertices : (b,) numbers in the whole mesh; within : (f,) its faces' numbers
    there;
    faces : (f, 3) in the band's own numbers; points_mm : (b, 3)."""

    vertices: np.ndarray
    within: np.ndarray
    faces: np.ndarray
    points_mm: np.ndarray


def _band_around(vertices_mm: np.ndarray, faces: np.ndarray, near: np.ndarray, reach_mm: float) -> _Band:
    """Faces within about `reach_mm` of the marked vertices ((n,) bool), grown ring by ring."""
    mark = near.copy()
    seeds = cKDTree(vertices_mm[near])
    for _ in range(_RINGS_MOST):
        grown = mark.copy()
        grown[faces[mark[faces].any(axis=1)]] = True
        fresh = np.flatnonzero(grown & ~mark)
        distance, _ = seeds.query(vertices_mm[fresh], distance_upper_bound=reach_mm)
        fresh = fresh[np.isfinite(distance)]
        if len(fresh) == 0:
            break
        mark[fresh] = True
    within = np.flatnonzero(mark[faces].all(axis=1))
    numbers, local = np.unique(faces[within], return_inverse=True)
    return _Band(numbers, within, local.reshape(-1, 3), vertices_mm[numbers])


def _stiffness(points_mm: np.ndarray, faces: np.ndarray) -> tuple[sparse.csc_matrix, np.ndarray]:
    """Cotangent Laplacian (positive semi-definite) and lumped areas; slivers' cotangents are bounded."""
    size = len(points_mm)
    rows, columns, values = [], [], []
    corner = points_mm[faces]
    doubled = np.linalg.norm(np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0]), axis=1)
    doubled = np.maximum(doubled, 1e-12)
    for k in range(3):
        i, j = (k + 1) % 3, (k + 2) % 3
        u, v = corner[:, i] - corner[:, k], corner[:, j] - corner[:, k]
        weight = 0.5 * np.clip(np.einsum("ij,ij->i", u, v) / doubled, 0.05, 20.0)
        rows += [faces[:, i], faces[:, j], faces[:, i], faces[:, j]]
        columns += [faces[:, j], faces[:, i], faces[:, i], faces[:, j]]
        values += [-weight, -weight, weight, weight]
    matrix = sparse.coo_matrix(
        (np.concatenate(values), (np.concatenate(rows), np.concatenate(columns))), shape=(size, size)
    )
    area = np.bincount(faces.reshape(-1), np.repeat(doubled / 6.0, 3), minlength=size)
    return matrix.tocsc(), np.maximum(area, 1e-12)


def _along_segments(start: np.ndarray, end: np.ndarray, step_mm: float) -> np.ndarray:
    """Points on segments, none further than about `step_mm` from the next."""
    length = np.linalg.norm(end - start, axis=1)
    pieces = np.clip(np.ceil(length / step_mm), 1, 64).astype(np.int64)
    which = np.repeat(np.arange(len(start)), pieces)
    number = np.arange(len(which)) - np.repeat(np.cumsum(pieces) - pieces, pieces)
    share = ((number + 0.5) / pieces[which])[:, None]
    return start[which] + share * (end[which] - start[which])


def distance_to_segments_mm(points_mm: np.ndarray, start: np.ndarray, end: np.ndarray) -> np.ndarray:
    """(n,) distance of each point from the nearest of a dense set of short segments ((s, 3) each)."""
    step = max(float(np.median(np.linalg.norm(end - start, axis=1))) / 2, 1e-9)
    samples = _along_segments(start, end, step)
    owner = np.repeat(
        np.arange(len(start)),
        np.clip(np.ceil(np.linalg.norm(end - start, axis=1) / step), 1, 64).astype(np.int64),
    )
    _, near = cKDTree(samples).query(points_mm, k=min(3, len(samples)))
    near = near.reshape(len(points_mm), -1)
    a, b = start[owner[near]], end[owner[near]]
    along = b - a
    squared = np.maximum(np.einsum("ijk,ijk->ij", along, along), 1e-30)
    share = np.clip(np.einsum("ijk,ijk->ij", points_mm[:, None] - a, along) / squared, 0.0, 1.0)
    return np.linalg.norm(points_mm[:, None] - (a + share[..., None] * along), axis=2).min(axis=1)


def _signed_distance_mm(band: _Band, level: np.ndarray) -> np.ndarray:
    """Distance from the zero line of `level` on the band, with its sign."""
    crossings = cross_at_zero(band.points_mm, band.faces, level)
    if len(crossings.faces) == 0:
        return level
    distance = distance_to_segments_mm(
        band.points_mm, crossings.points_mm[crossings.start], crossings.points_mm[crossings.end]
    )
    return np.where(level >= 0, distance, -distance)


def _label_distance_mm(band: _Band, labels: np.ndarray, sign: np.ndarray) -> np.ndarray:
    """Signed distance from the edges between faces of differing label; labels : (f,) of the band's faces."""
    pair = np.concatenate([band.faces[:, [0, 1]], band.faces[:, [1, 2]], band.faces[:, [2, 0]]])
    key = np.minimum(pair[:, 0], pair[:, 1]) * np.int64(len(band.points_mm)) + np.maximum(
        pair[:, 0], pair[:, 1]
    )
    order = np.argsort(key, kind="stable")
    owner = np.tile(labels, 3)[order]
    same = key[order][1:] == key[order][:-1]
    edge = pair[order[:-1][same & (owner[1:] != owner[:-1])]]
    distance = distance_to_segments_mm(band.points_mm, band.points_mm[edge[:, 0]], band.points_mm[edge[:, 1]])
    return sign * distance


def smooth_level(
    vertices_mm: np.ndarray,
    faces: np.ndarray,
    labels: np.ndarray,
    tolerance_mm: float,
    progress: Progress = SILENT,
) -> tuple[np.ndarray, float]:
    """A signed distance whose zero line parts the labels smoothly, never further than a tolerance from
    their edge.

    labels : (m,) 0 (positive side) or 1. The tolerance is raised to one typical edge where the mesh is
    coarser than that, since no smooth line follows its edges more closely. Returns ((n,) level, tolerance
    used in mm).
    """
    size = len(vertices_mm)
    around = np.bincount(faces.reshape(-1), minlength=size)
    behind = np.bincount(faces.reshape(-1), np.repeat(labels, 3), minlength=size)
    sign = np.sign(around - 2 * behind).astype(float)
    sign[sign == 0] = 1.0
    near = (behind > 0) & (behind < around)
    on_line = faces[near[faces].any(axis=1)]
    edges = vertices_mm[on_line] - vertices_mm[np.roll(on_line, -1, axis=1)]
    edge_mm = float(np.median(np.linalg.norm(edges, axis=2)))
    tolerance = max(tolerance_mm, edge_mm)
    reach = tolerance + 4.0 * max(edge_mm, tolerance / 4)
    band = _band_around(vertices_mm, faces, near, reach)
    began = _label_distance_mm(band, labels[band.within], sign[band.vertices])
    level = began.copy()
    stiffness, area = _stiffness(band.points_mm, band.faces)
    step = 0.5 * tolerance**2
    solver = splu((sparse.diags(area) + step * stiffness).tocsc())
    for k in range(_STEPS):
        progress.step(0.8 + 0.1 * k / _STEPS, "smoothing the seam")
        level = solver.solve(area * level)
        level = np.clip(level, began - tolerance, began + tolerance)
        level = _signed_distance_mm(band, level)
    whole = sign * reach
    whole[band.vertices] = level
    return keep_off_vertices(vertices_mm, faces, whole), tolerance


def keep_off_vertices(vertices_mm: np.ndarray, faces: np.ndarray, level: np.ndarray) -> np.ndarray:
    """The level with values near zero pushed away from it, so that its zero line passes no vertex closely."""
    positive = (level >= 0)[faces]
    crossing = faces[positive.any(axis=1) & ~positive.all(axis=1)]
    edge = np.linalg.norm(vertices_mm[crossing] - vertices_mm[np.roll(crossing, -1, axis=1)], axis=2)
    size = np.zeros(len(level))
    np.maximum.at(size, crossing.reshape(-1), edge.reshape(-1))
    least = _CLEARANCE * size
    pushed = np.where(level >= 0, np.maximum(level, least), np.minimum(level, -least))
    return np.where(size > 0, pushed, level)


def distance_over_surface_mm(
    vertices_mm: np.ndarray, faces: np.ndarray, level: np.ndarray, reach_mm: float
) -> np.ndarray:
    """(n,) distance of each vertex from the zero line of `level`, along mesh edges, with its sign;
    `reach_mm` at most.

    Along edges a distance comes out up to about 10 % long (an even triangle mesh, from memory): enough to
    fade a move out, not to measure by.
    """
    crossings = cross_at_zero(vertices_mm, faces, level)
    if len(crossings.faces) == 0:
        return np.where(level >= 0, reach_mm, -reach_mm)
    size = len(vertices_mm)
    near = np.unique(faces[crossings.faces])
    begin = distance_to_segments_mm(
        vertices_mm[near], crossings.points_mm[crossings.start], crossings.points_mm[crossings.end]
    )
    pair = np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]]).astype(np.int64)
    length = np.linalg.norm(vertices_mm[pair[:, 0]] - vertices_mm[pair[:, 1]], axis=1)
    # one more node stands for the line itself
    rows = np.concatenate([pair[:, 0], np.full(len(near), size)])
    columns = np.concatenate([pair[:, 1], near])
    values = np.concatenate([np.maximum(length, 1e-9), np.maximum(begin, 1e-9)])
    _, first = np.unique(rows * (size + 1) + columns, return_index=True)
    links = sparse.csr_matrix((values[first], (rows[first], columns[first])), shape=(size + 1, size + 1))
    far = csgraph.dijkstra(links, directed=True, indices=size, limit=reach_mm)[:size]
    far = np.minimum(far, reach_mm)
    return np.where(level >= 0, far, -far)
