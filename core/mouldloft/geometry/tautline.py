"""A line along mesh edges drawn anew as a smooth line on the surface, within a tolerance.

The line is the zero line of a signed distance on the vertices. Curvature flow shortens it (each step
diffuses the distance, then measures it anew), and no point may leave a tube of the tolerance around the
line it began as: at rest this is the taut string in that tube.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from scipy import sparse
from scipy.sparse.linalg import splu
from scipy.spatial import cKDTree

from ..base.progress import SILENT, Progress
from .contour import cross_at_zero, faces_at
from .edges import edges_of, renumbered

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
    # the faces at the line belong to it however far they reach
    mark = near.copy()
    mark[faces[faces_at(near, faces)]] = True
    seeds = cKDTree(vertices_mm[near])
    for _ in range(_RINGS_MOST):
        grown = mark.copy()
        grown[faces[faces_at(mark, faces)]] = True
        fresh = np.flatnonzero(grown & ~mark)
        distance, _ = seeds.query(vertices_mm[fresh], distance_upper_bound=reach_mm)
        fresh = fresh[np.isfinite(distance)]
        if len(fresh) == 0:
            break
        mark[fresh] = True
    within = np.flatnonzero(~faces_at(~mark, faces))
    numbers, local = renumbered(faces[within])
    return _Band(numbers, within, local, vertices_mm[numbers])


def _stiffness(
    points_mm: np.ndarray, faces: np.ndarray, weight: np.ndarray | None = None
) -> tuple[sparse.csc_matrix, np.ndarray]:
    """Cotangent Laplacian (positive semi-definite) and lumped areas; slivers' cotangents are bounded.

    weight : (n,) what a mm of line costs at each vertex: the line is then drawn to where it is cheap.
    """
    dear = np.ones(len(faces)) if weight is None else weight[faces].mean(axis=1)
    size = len(points_mm)
    rows, columns, values = [], [], []
    corner = points_mm[faces]
    doubled = np.linalg.norm(np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0]), axis=1)
    doubled = np.maximum(doubled, 1e-12)
    for k in range(3):
        i, j = (k + 1) % 3, (k + 2) % 3
        u, v = corner[:, i] - corner[:, k], corner[:, j] - corner[:, k]
        link = 0.5 * dear * np.clip(np.einsum("ij,ij->i", u, v) / doubled, 0.05, 20.0)
        rows += [faces[:, i], faces[:, j], faces[:, i], faces[:, j]]
        columns += [faces[:, j], faces[:, i], faces[:, i], faces[:, j]]
        values += [-link, -link, link, link]
    matrix = sparse.coo_matrix(
        (np.concatenate(values), (np.concatenate(rows), np.concatenate(columns))), shape=(size, size)
    )
    area = np.bincount(faces.reshape(-1), np.repeat(dear * doubled / 6.0, 3), minlength=size)
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
    length = np.linalg.norm(end - start, axis=1)
    step = max(float(np.median(length)) / 2, 1e-9)
    samples = _along_segments(start, end, step)
    owner = np.repeat(np.arange(len(start)), np.clip(np.ceil(length / step), 1, 64).astype(np.int64))
    _, near = cKDTree(samples).query(points_mm, k=min(3, len(samples)))
    return _to_nearest(points_mm, start, end, owner[near.reshape(len(points_mm), -1)])


@njit(cache=True, nogil=True)
def _to_nearest(points, start, end, tried):
    """(n,) distance of each point from the nearest of the segments tried for it, (n, k) of their numbers."""
    out = np.empty(len(points))
    for n in range(len(points)):
        least = np.inf
        for s in tried[n]:
            ax, ay, az = start[s, 0], start[s, 1], start[s, 2]
            ux, uy, uz = end[s, 0] - ax, end[s, 1] - ay, end[s, 2] - az
            px, py, pz = points[n, 0] - ax, points[n, 1] - ay, points[n, 2] - az
            share = (px * ux + pz * uz + py * uy) / max(ux * ux + uz * uz + uy * uy, 1e-30)
            share = min(max(share, 0.0), 1.0)
            dx, dy, dz = (
                points[n, 0] - (ax + share * ux),
                points[n, 1] - (ay + share * uy),
                points[n, 2] - (az + share * uz),
            )
            least = min(least, dx * dx + dy * dy + dz * dz)
        out[n] = np.sqrt(least)
    return out


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
    edges = edges_of(band.faces, len(band.points_mm))
    beside = labels[edges.pairs // 3]
    edge = edges.ends[edges.uses == 2][beside[:, 0] != beside[:, 1]]
    distance = distance_to_segments_mm(band.points_mm, band.points_mm[edge[:, 0]], band.points_mm[edge[:, 1]])
    return sign * distance


def _edge_near(vertices_mm: np.ndarray, faces: np.ndarray, near: np.ndarray) -> float:
    """Median length of the edges round the marked vertices."""
    around = faces[faces_at(near, faces)]
    edges = vertices_mm[around] - vertices_mm[np.roll(around, -1, axis=1)]
    return float(np.median(np.linalg.norm(edges, axis=2)))


def _tauten(
    band: _Band,
    began: np.ndarray,
    tolerance_mm: float,
    progress: Progress,
    weight: np.ndarray | None = None,
    push: np.ndarray | None = None,
    tube: np.ndarray | None = None,
) -> np.ndarray:
    """Let the zero line of a signed distance on the band shorten within its tube; weight, push, tube : (b,) as in
    `smooth_level`."""
    most = tolerance_mm if tube is None else np.minimum(tolerance_mm, tube)
    level = began
    stiffness, area = _stiffness(band.points_mm, band.faces, weight)
    step = 0.5 * tolerance_mm**2
    held = (sparse.diags(area) + step * stiffness).tocsc()
    solver = splu(held, permc_spec="MMD_AT_PLUS_A", options={"SymmetricMode": True})
    shift = 0.0 if push is None else step * push
    for k in range(_STEPS):
        progress.step(0.8 + 0.1 * k / _STEPS, "smoothing the seam")
        level = solver.solve(area * (level + shift))
        level = np.clip(level, began - most, began + most)
        level = _signed_distance_mm(band, level)
    return level


def smooth_level(
    vertices_mm: np.ndarray,
    faces: np.ndarray,
    labels: np.ndarray,
    tolerance_mm: float,
    progress: Progress = SILENT,
    *,
    weight: np.ndarray | None = None,
    push: np.ndarray | None = None,
    tube: np.ndarray | None = None,
) -> tuple[np.ndarray, float]:
    """A signed distance whose zero line parts the labels smoothly, within a tolerance from their edge.

    labels : (m,) 0 (positive side) or 1. weight : (n,) what a mm of line costs at each vertex; push : (n,) 1/mm,
    what the positive side gains there beside it: at rest the line turns by the push, towards where it is cheaper.
    tube : (n,) mm, a closer tolerance where the body is thin: a limb that is parted lengthwise stays parted.
    The tolerance is raised to one typical edge where the mesh is coarser than that, since no smooth line follows its
    edges more closely. Returns ((n,) level, tolerance used in mm).
    """
    size = len(vertices_mm)
    around = np.bincount(faces.reshape(-1), minlength=size)
    behind = np.bincount(faces.reshape(-1), np.repeat(labels, 3), minlength=size)
    sign = np.where(around >= 2 * behind, 1.0, -1.0)
    near = (behind > 0) & (behind < around)
    edge = _edge_near(vertices_mm, faces, near)
    tolerance = max(tolerance_mm, edge)
    reach = tolerance + 4.0 * max(edge, tolerance / 4)
    band = _band_around(vertices_mm, faces, near, reach)
    began = _label_distance_mm(band, labels[band.within], sign[band.vertices])
    whole = sign * reach
    at = band.vertices
    whole[at] = _tauten(band, began, tolerance, progress, _at(weight, at), _at(push, at), _at(tube, at))
    return keep_off_vertices(vertices_mm, faces, whole), tolerance


def tauten_level(
    vertices_mm: np.ndarray,
    faces: np.ndarray,
    level: np.ndarray,
    tolerance_mm: float,
    progress: Progress = SILENT,
    *,
    weight: np.ndarray | None = None,
    push: np.ndarray | None = None,
    tube: np.ndarray | None = None,
) -> np.ndarray:
    """`smooth_level` for a line that is already the zero line of a (n,) level."""
    positive = level >= 0
    near = np.zeros(len(vertices_mm), bool)
    near[faces[faces_at(positive, faces) & faces_at(~positive, faces)]] = True
    edge = _edge_near(vertices_mm, faces, near)
    tolerance = max(tolerance_mm, edge)
    band = _band_around(vertices_mm, faces, near, tolerance + 4.0 * max(edge, tolerance / 4))
    whole = level.astype(float)
    began = _signed_distance_mm(band, level[band.vertices])
    at = band.vertices
    whole[at] = _tauten(band, began, tolerance, progress, _at(weight, at), _at(push, at), _at(tube, at))
    return keep_off_vertices(vertices_mm, faces, whole)


def _at(values: np.ndarray | None, which: np.ndarray) -> np.ndarray | None:
    return None if values is None else values[which]


def keep_off_vertices(vertices_mm: np.ndarray, faces: np.ndarray, level: np.ndarray) -> np.ndarray:
    """The level with values near zero pushed away from it, so that its zero line passes no vertex closely."""
    positive = level >= 0
    crossing = faces[faces_at(positive, faces) & faces_at(~positive, faces)]
    edge = np.linalg.norm(vertices_mm[crossing] - vertices_mm[np.roll(crossing, -1, axis=1)], axis=2)
    size = np.zeros(len(level))
    np.maximum.at(size, crossing.reshape(-1), edge.reshape(-1))
    least = _CLEARANCE * size
    pushed = np.where(level >= 0, np.maximum(level, least), np.minimum(level, -least))
    return np.where(size > 0, pushed, level)
