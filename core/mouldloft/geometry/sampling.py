"""Points on a surface: low-discrepancy, stratified by area, and always the same for the same mesh."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .edges import edges_of

_LONG = 100  # spacings along a side: a sliver as long is not divided as finely across

# Roberts' R2 sequence: the plane's counterpart of golden-ratio steps (from memory, verify)
R2_STEPS = np.array([0.7548776662466927, 0.5698402909980532])


@dataclass(frozen=True, eq=False)
class Samples:
    """points_mm : (k, 3) float64; faces : (k,) int32, the face each lies on; areas_mm2 : (k,) what each stands for."""

    points_mm: np.ndarray
    faces: np.ndarray
    areas_mm2: np.ndarray


def _points_on(vertices: np.ndarray, faces: np.ndarray, of_face: np.ndarray, number: np.ndarray) -> np.ndarray:
    """Point `number` of each listed face by the R2 sequence folded into the triangle; number 0 is the centroid."""
    corner = vertices[faces[of_face]]
    st = np.mod(0.5 + np.outer(number, R2_STEPS), 1.0)
    folded = st.sum(axis=1) > 1.0
    st[folded] = 1.0 - st[folded]
    st[number == 0] = 1.0 / 3.0
    s, t = st[:, :1], st[:, 1:]
    return corner[:, 0] + s * (corner[:, 1] - corner[:, 0]) + t * (corner[:, 2] - corner[:, 0])


def samples_on_every_face(
    vertices_mm: np.ndarray,
    faces: np.ndarray,
    areas_mm2: np.ndarray,
    spacing_mm: float,
    most_per_face: int = 4096,
) -> Samples:
    """At least the centroid of each face, and one more for each spacing² of a larger face."""
    counts = np.clip(np.ceil(areas_mm2 / spacing_mm**2), 1, most_per_face).astype(np.int64)
    of_face = np.repeat(np.arange(len(faces), dtype=np.int32), counts)
    first = np.cumsum(counts) - counts
    number = np.arange(len(of_face)) - np.repeat(first, counts)
    points = _points_on(vertices_mm, faces, of_face, number)
    return Samples(points, of_face, (areas_mm2 / counts)[of_face])


def samples_by_area(
    vertices_mm: np.ndarray,
    faces: np.ndarray,
    areas_mm2: np.ndarray,
    count: int,
    keep: np.ndarray | None = None,
) -> Samples:
    """About `count` points, one from each equal share of the area taken along the order of the faces.

    keep : (m,) bool, faces to sample; others get none. Stratified, so the error of an area share is well below that
    of as many random points.
    """
    weights = areas_mm2 if keep is None else np.where(keep, areas_mm2, 0.0)
    along = np.cumsum(weights)
    total = float(along[-1])
    if total <= 0:
        return Samples(np.zeros((0, 3)), np.zeros(0, np.int32), np.zeros(0))
    marks = (np.arange(count) + np.mod(0.5 + R2_STEPS[0] * np.arange(count), 1.0)) * (total / count)
    of_face = np.minimum(np.searchsorted(along, marks, side="right"), len(faces) - 1).astype(np.int32)
    number = 1 + np.arange(count)
    return Samples(_points_on(vertices_mm, faces, of_face, number), of_face, np.full(count, total / count))


def covering_points(vertices_mm: np.ndarray, faces: np.ndarray, spacing_mm: float) -> np.ndarray:
    """(k, 3) points such that no point of the faces is further than 0.58 spacings from one of them.

    The used vertices, points along longer edges, and a triangular lattice inside larger faces: each face is divided
    as finely as its longest edge needs, a long sliver in rows along that edge. Each shared vertex and edge gives its
    points once.
    """
    edges = edges_of(faces, len(vertices_mm))
    lengths = np.linalg.norm(vertices_mm[edges.ends[:, 1]] - vertices_mm[edges.ends[:, 0]], axis=1)
    used = np.zeros(len(vertices_mm), bool)
    used[edges.ends] = True
    found = [vertices_mm[used], _along_edges(vertices_mm, edges.ends, lengths, spacing_mm)]
    sides = lengths[edges.edge_of]
    longest = np.maximum(np.maximum(sides[:, 0], sides[:, 1]), sides[:, 2])
    parts = np.ceil(longest / spacing_mm).astype(np.int64)
    long = np.flatnonzero(parts > _LONG)
    rows = _rows_across(vertices_mm[faces[long]], sides[long], spacing_mm)
    slender = rows < parts[long] / 4
    found.append(_in_rows(vertices_mm[faces[long]][slender], sides[long][slender], rows[slender], spacing_mm))
    parts[long[slender]] = 0
    for k in np.unique(parts[parts > 2]):
        i, j = np.meshgrid(np.arange(1, k), np.arange(1, k), indexing="ij")
        inner = (i + j) < k
        s, t = (i[inner] / k)[None, :, None], (j[inner] / k)[None, :, None]
        which = vertices_mm[faces[parts == k]][:, None, :, :]
        points = which[:, :, 0] + s * (which[:, :, 1] - which[:, :, 0]) + t * (which[:, :, 2] - which[:, :, 0])
        found.append(points.reshape(-1, 3))
    return np.vstack(found)


def _rows_across(corners: np.ndarray, sides: np.ndarray, spacing_mm: float) -> np.ndarray:
    """(m,) into how many strips along its longest side a triangle is divided: 0.58 spacings wide, so that points a
    spacing apart on their borders leave none further off than the same."""
    area = np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1)
    return np.ceil(area / np.maximum(sides.max(axis=1, initial=0.0), 1e-12) / (0.57 * spacing_mm)).astype(np.int64)


def _in_rows(corners: np.ndarray, sides: np.ndarray, rows: np.ndarray, spacing_mm: float) -> np.ndarray:
    """(k, 3) points on the borders between the strips of (m, 3, 3) triangles, no more than a spacing apart."""
    start = sides.argmax(axis=1) if len(sides) else np.zeros(0, np.int64)
    a, b, c = (corners[np.arange(len(corners)), (start + k) % 3] for k in range(3))
    inner = np.maximum(rows - 1, 0)
    of_face = np.repeat(np.arange(len(rows)), inner)
    number = 1 + np.arange(len(of_face)) - np.repeat(np.cumsum(inner) - inner, inner)
    up = number / np.maximum(rows, 1)[of_face]
    length = np.linalg.norm(b - a, axis=1)[of_face] * (1.0 - up)
    count = np.maximum(np.ceil(length / spacing_mm), 1).astype(np.int64)
    row = np.repeat(np.arange(len(count)), count)
    place = (np.arange(len(row)) - np.repeat(np.cumsum(count) - count, count) + 0.5) / count[row]
    t, s = up[row][:, None], ((1.0 - up[row]) * place)[:, None]
    face = of_face[row]
    return a[face] + t * (c - a)[face] + s * (b - a)[face]


def _along_edges(vertices: np.ndarray, edges: np.ndarray, lengths: np.ndarray, spacing_mm: float) -> np.ndarray:
    extra = np.maximum(np.ceil(lengths / spacing_mm).astype(np.int64) - 1, 0)
    of_edge = np.repeat(np.arange(len(edges)), extra)
    number = np.arange(len(of_edge)) - np.repeat(np.cumsum(extra) - extra, extra)
    share = ((number + 1) / (extra[of_edge] + 1))[:, None]
    ends = vertices[edges[of_edge]]
    return ends[:, 0] * (1 - share) + ends[:, 1] * share
