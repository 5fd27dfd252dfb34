"""A lighter copy of a master, even and joined up as the master is, to search a seam on."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy import sparse
from scipy.sparse import csgraph
from scipy.spatial import cKDTree

from ..geometry.edges import edges_of, renumbered
from .master import Master

_NEAREST = 4


@dataclass(frozen=True, eq=False)
class LighterCopy:
    """master : the copy, a master of its own. cluster : (n,) int, the copy's vertex that stands for each vertex of the
    whole one, which is `whole`; the same master where it was light enough."""

    master: Master
    whole: Master
    cluster: np.ndarray


def lighten(master: Master, triangles: int) -> LighterCopy:
    """A copy of about `triangles` triangles, or the master itself where it has little more.

    Vertices are gathered about evenly spread ones, each with what is nearest to it over the surface, so that the two
    sides of a thin ear stay apart; where three gatherings meet stands a triangle. Deterministic.
    """
    if len(master.faces) <= 1.5 * triangles:
        return LighterCopy(master, master, np.arange(len(master.vertices_mm)))
    cluster, count = _gathered(master, triangles)
    corner = cluster[master.faces]
    apart = (corner[:, 0] != corner[:, 1]) & (corner[:, 1] != corner[:, 2]) & (corner[:, 2] != corner[:, 0])
    faces = _unlike(corner[apart])
    weight = np.bincount(
        master.faces.reshape(-1), np.repeat(master.face_areas_mm2, 3), minlength=len(master.vertices_mm)
    )
    total = np.maximum(np.bincount(cluster, weight, minlength=count), 1e-30)
    points = np.stack(
        [np.bincount(cluster, weight * master.vertices_mm[:, k], minlength=count) / total for k in range(3)], axis=1
    )
    # what stands on the board stays on it, though a real foot is never quite flat
    low = np.full(count, np.inf)
    np.minimum.at(low, cluster, master.vertices_mm[:, 2])
    floor = float(master.vertices_mm[:, 2].min())
    on_board = low <= floor + 1e-6 * master.height_mm
    on_board[cluster[master.faces[master.base_faces]]] = True
    points[on_board, 2] = np.where(master.base_faces.any(), floor, points[on_board, 2])
    return LighterCopy(_as_master(master, points, faces, cluster, weight / total[cluster]), master, cluster)


def _gathered(master: Master, triangles: int) -> tuple[np.ndarray, int]:
    """(n,) int, the gathering of each vertex, and how many there are."""
    vertices = master.vertices_mm
    cell = np.sqrt(2.3 * master.area_mm2 / triangles)
    edges = edges_of(master.faces, len(vertices)).ends
    length = np.linalg.norm(vertices[edges[:, 1]] - vertices[edges[:, 0]], axis=1)
    links = sparse.coo_matrix(
        (np.maximum(length, 1e-9), (edges[:, 0], edges[:, 1])), shape=(len(vertices),) * 2
    ).tocsr()
    seeds = _spread_out(vertices, edges, cell)
    _, _, nearest = csgraph.dijkstra(links, directed=False, indices=seeds, min_only=True, return_predecessors=True)
    number = np.full(len(vertices), -1)
    number[seeds] = np.arange(len(seeds))
    found = np.where(nearest >= 0, number[np.maximum(nearest, 0)], -1)
    _, cluster = np.unique(found, return_inverse=True)
    return cluster.reshape(-1), int(cluster.max()) + 1


def _spread_out(vertices: np.ndarray, edges: np.ndarray, cell_mm: float) -> np.ndarray:
    """One vertex for each joined part of the surface within each cell: the one nearest to the part's middle."""
    place = np.floor(vertices / cell_mm).astype(np.int64)
    key = (place[:, 0] << 42) ^ (place[:, 1] << 21) ^ place[:, 2]
    inside = key[edges[:, 0]] == key[edges[:, 1]]
    pair = edges[inside]
    size = len(vertices)
    together = sparse.coo_matrix((np.ones(len(pair), np.int8), (pair[:, 0], pair[:, 1])), shape=(size, size))
    count, part = csgraph.connected_components(together, directed=False)
    many = np.bincount(part, minlength=count)
    middle = np.stack([np.bincount(part, vertices[:, k], minlength=count) / many for k in range(3)], axis=1)
    off = np.linalg.norm(vertices - middle[part], axis=1)
    order = np.lexsort((off, part))
    first = order[np.searchsorted(part[order], np.arange(count))]
    # a part that only just reaches into a cell needs no vertex of its own
    return np.sort(first[many > 0.15 * np.median(many)])


def _unlike(corner: np.ndarray) -> np.ndarray:
    """Triangles without those that come twice; two that face one another shut a flap and go together."""
    turned = np.argmin(corner, axis=1)
    row = np.arange(len(corner))
    told = np.stack([corner[row, (turned + k) % 3] for k in range(3)], axis=1)
    told = np.unique(told, axis=0)
    plain = np.sort(told, axis=1)
    _, which, times = np.unique(plain, axis=0, return_inverse=True, return_counts=True)
    return told[times[which.reshape(-1)] == 1].astype(np.int32)


def _as_master(master: Master, points: np.ndarray, faces: np.ndarray, cluster: np.ndarray, share: np.ndarray) -> Master:
    used, faces = renumbered(faces)
    faces = faces.astype(np.int32)
    # a gathering without a triangle hands over to the nearest that has one
    renumber = np.full(len(points), -1)
    renumber[used] = np.arange(len(used))
    lost = np.flatnonzero(renumber < 0)
    if len(lost):
        renumber[lost] = cKDTree(points[used]).query(points[lost])[1]
    cluster[:] = renumber[cluster]
    points = points[used]
    across = np.cross(points[faces[:, 1]] - points[faces[:, 0]], points[faces[:, 2]] - points[faces[:, 0]])
    doubled = np.linalg.norm(across, axis=1)
    normals = np.where(doubled[:, None] > 1e-12, across / np.maximum(doubled, 1e-30)[:, None], [0.0, 0.0, 1.0])
    base = np.zeros(len(faces), bool)
    if master.base_faces.any():
        floor = float(points[:, 2].min())
        base = (np.ptp(points[faces][:, :, 2], axis=1) < 1e-6) & (np.abs(points[faces[:, 0], 2] - floor) < 1e-6)
    area = doubled / 2
    weights = None
    if master.vertex_weights is not None:
        weights = np.clip(np.bincount(cluster, share * master.vertex_weights, minlength=len(points)), -1.0, 1.0)
    return replace(
        master,
        vertices_mm=points,
        faces=faces,
        normals=normals,
        face_areas_mm2=area,
        base_faces=base,
        area_mm2=float(area.sum()),
        base_area_mm2=float(area[base].sum()),
        vertex_weights=weights,
    )


def carry_to_whole(copy: LighterCopy, level: np.ndarray) -> np.ndarray:
    """(n,) level on the whole master's vertices of one on the copy's, by where each lies beside the copy's skin."""
    if copy.master is copy.whole:
        return level
    light, whole = copy.master, copy.whole
    # among the vertices round its own gathering, so that nothing leaks through a thin ear
    size = len(light.vertices_mm)
    ends = edges_of(light.faces, size).ends
    rows = np.concatenate([ends[:, 0], ends[:, 1], np.arange(size)])
    columns = np.concatenate([ends[:, 1], ends[:, 0], np.arange(size)])
    near = sparse.csr_matrix((np.ones(len(rows), np.int8), (rows, columns)), shape=(size, size))
    return _plane_fit(near, light.vertices_mm, level, copy.cluster, whole.vertices_mm)


def carry_to_light(copy: LighterCopy, values: np.ndarray) -> np.ndarray:
    """Means, at the copy's vertices, of (n,) values on the whole master's."""
    if copy.master is copy.whole:
        return np.asarray(values, float)
    count = len(copy.master.vertices_mm)
    many = np.maximum(np.bincount(copy.cluster, minlength=count), 1)
    return np.bincount(copy.cluster, np.asarray(values, float), minlength=count) / many


def _plane_fit(
    near: sparse.csr_matrix, points: np.ndarray, level: np.ndarray, cluster: np.ndarray, at: np.ndarray
) -> np.ndarray:
    """Value at points of a level that is linear about each gathering: least squares over its neighbours."""
    count = np.asarray(near.sum(axis=1), float).ravel()
    mean_p = (near @ points) / count[:, None]
    mean_v = (near @ level) / count
    products = np.einsum("ij,ik->ijk", points, points).reshape(-1, 9)
    spread = (near @ products).reshape(-1, 3, 3) / count[:, None, None] - np.einsum("ij,ik->ijk", mean_p, mean_p)
    together = (near @ (points * level[:, None])) / count[:, None] - mean_p * mean_v[:, None]
    trace = np.trace(spread, axis1=1, axis2=2)
    spread = spread + 0.01 * np.maximum(trace, 1e-9)[:, None, None] * np.eye(3)
    slope = np.linalg.solve(spread, together[:, :, None])[:, :, 0]
    return mean_v[cluster] + np.einsum("ij,ij->i", slope[cluster], at - mean_p[cluster])
