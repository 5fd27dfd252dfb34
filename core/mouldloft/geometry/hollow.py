"""The inside of a hollow body on a lattice: how wide it is, how far an arm goes in, what no tool of a size reaches."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import dijkstra
from scipy.spatial import cKDTree

from .sampling import samples_by_area

_MOST_NODES = 160_000  # of the box round the body
_LEAST_PITCH_MM = 6.0
_SAMPLES = 40_000
_STEPS = np.array([(i, j, k) for i in (-1, 0, 1) for j in (-1, 0, 1) for k in (-1, 0, 1) if (i, j, k) > (0, 0, 0)])


@dataclass(frozen=True, eq=False)
class Hollow:
    """Nodes inside a closed mesh. nodes_mm : (k, 3); clearance_mm : (k,) to the nearest skin; index : (k, 3) lattice
    place of each; skin_mm : (n, 3) samples of the skin; skin_area_mm2 : (n,) that each stands for; skin_normals :
    (n, 3) outward; skin_faces : (n,) the face of each."""

    nodes_mm: np.ndarray
    clearance_mm: np.ndarray
    index: np.ndarray
    pitch_mm: float
    skin_mm: np.ndarray
    skin_area_mm2: np.ndarray
    skin_normals: np.ndarray
    skin_faces: np.ndarray

    @property
    def slack_mm(self) -> float:
        """How far a place may lie from the node that stands for it."""
        return 0.87 * self.pitch_mm


def pitch_over(vertices_mm: np.ndarray, pitch_mm: float) -> float:
    """The pitch asked for, or the coarser one that a lattice round (n, 3) vertices gets."""
    box = np.prod(vertices_mm.max(axis=0) - vertices_mm.min(axis=0))
    return max(pitch_mm, _LEAST_PITCH_MM, float(box / _MOST_NODES) ** (1 / 3))


def hollow_inside(
    vertices_mm: np.ndarray, faces: np.ndarray, normals: np.ndarray, areas_mm2: np.ndarray, pitch_mm: float
) -> Hollow:
    """The inside of a closed mesh ((n, 3), (m, 3); (m, 3) unit normals outward; (m,) areas) at a pitch, or at a coarser
    one where that would be too many nodes. Inside is behind the nearest of 40 thousand samples of the skin."""
    low, high = vertices_mm.min(axis=0), vertices_mm.max(axis=0)
    pitch = pitch_over(vertices_mm, pitch_mm)
    skin = samples_by_area(vertices_mm, faces, areas_mm2, _SAMPLES)
    counts = np.maximum(np.ceil((high - low) / pitch).astype(int), 1)
    index = np.stack(np.meshgrid(*(np.arange(c) for c in counts), indexing="ij"), axis=-1).reshape(-1, 3)
    nodes = low + (index + 0.5) * pitch
    away, nearest = cKDTree(skin.points_mm).query(nodes, workers=-1)
    behind = ((nodes - skin.points_mm[nearest]) * normals[skin.faces[nearest]]).sum(axis=1) < 0
    outward = normals[skin.faces]
    return Hollow(
        nodes[behind], away[behind], index[behind], pitch, skin.points_mm, skin.areas_mm2, outward, skin.faces
    )


def reach_from(hollow: Hollow, at_mm: np.ndarray, passage_mm: float) -> np.ndarray:
    """(k,) how far each node lies from the nearest of the openings at_mm ((j, 3)) by a way that is at least 2 x
    passage_mm wide, inf where there is none. Steps go to 26 neighbours: too long by up to 8 %, never too short."""
    wide = hollow.clearance_mm >= passage_mm
    start = cKDTree(at_mm).query(hollow.nodes_mm, workers=-1)[0] if len(at_mm) else np.full(len(wide), np.inf)
    first = start <= passage_mm + hollow.slack_mm + hollow.pitch_mm
    wide = wide | first
    places = hollow.index[wide]
    if not len(places):
        return np.full(len(hollow.nodes_mm), np.inf)
    size = places.max(axis=0) + 3
    grid = np.full(tuple(size), -1, np.int64)
    grid[tuple(places.T)] = np.arange(len(places))
    rows, columns, lengths = [], [], []
    for step in _STEPS:
        moved = places + step
        kept = (moved >= 0).all(axis=1)
        other = np.where(kept, grid[tuple(np.maximum(moved, 0).T)], -1)
        found = np.flatnonzero(other >= 0)
        rows.append(found)
        columns.append(other[found])
        lengths.append(np.full(len(found), float(np.linalg.norm(step)) * hollow.pitch_mm))
    source = len(places)
    begun = np.flatnonzero(first[wide])
    rows.append(np.full(len(begun), source))
    columns.append(begun)
    lengths.append(start[wide][begun])
    graph = coo_array(
        (np.concatenate(lengths), (np.concatenate(rows), np.concatenate(columns))), shape=(source + 1,) * 2
    )
    far = np.full(len(hollow.nodes_mm), np.inf)
    far[wide] = dijkstra(graph.tocsr(), directed=False, indices=source)[:source]
    return far


def reach_to(hollow: Hollow, far_mm: np.ndarray, points_mm: np.ndarray, hand_mm: float) -> np.ndarray:
    """(n,) how far points on the skin are reached: a node's distance and the rest of the way, within a hand's length
    of it; inf where no hand comes so near."""
    known = np.isfinite(far_mm)
    if not known.any():
        return np.full(len(points_mm), np.inf)
    tree = cKDTree(hollow.nodes_mm[known])
    away, nearest = tree.query(points_mm, k=min(32, int(known.sum())))
    away, nearest = np.atleast_2d(away.T).T, np.atleast_2d(nearest.T).T
    whole = np.where(away <= hand_mm, far_mm[known][nearest] + away, np.inf)
    return whole.min(axis=1)


def unreached_by_ball(hollow: Hollow, radius_mm: float, tolerance_mm: float) -> np.ndarray:
    """(n,) bool, samples of the skin that a ball of this radius, rolled about inside, stays further than the tolerance
    away from: corners and slots narrower than it."""
    centres = hollow.nodes_mm[hollow.clearance_mm >= radius_mm - hollow.slack_mm / 2]
    if not len(centres):
        return np.ones(len(hollow.skin_mm), bool)
    away = cKDTree(centres).query(hollow.skin_mm, workers=-1)[0]
    return away > radius_mm + tolerance_mm + hollow.slack_mm / 2
