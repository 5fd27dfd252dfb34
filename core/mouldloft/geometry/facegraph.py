"""The cheapest split of a surface in two: an exact minimum cut on the graph of its faces.

Two labels, so the cut is the true optimum of the stated cost (Greig, Porteous and Seheult 1989, from
memory); solved by `flow`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..base.progress import SILENT, Progress
from .edges import connected, edges_of
from .flow import cheapest_cut


@dataclass(frozen=True, eq=False)
class FaceGraph:
    """Edges that two faces share. vertices : (e, 2) int32; faces : (e, 2) int32; length_mm : (e,) float.

    faces[:, 0] runs along the edge from vertices[:, 0] to vertices[:, 1], faces[:, 1] against it.
    """

    vertices: np.ndarray
    faces: np.ndarray
    length_mm: np.ndarray


@dataclass(frozen=True, eq=False)
class SplitCosts:
    """What a split costs, in mm² of locked skin.

    ahead, behind : (m,) float, for giving each face to the piece that pulls along +d (ahead) or -d (behind).
    pair : (e,) float, for parting the two faces of each edge of `graph`.
    follows : (k, 2) int, pairs (lower, upper): where the lower face goes ahead the upper one must too,
    since it
        stands in the lower one's way along the pull.
    """

    graph: FaceGraph
    ahead: np.ndarray
    behind: np.ndarray
    pair: np.ndarray
    follows: np.ndarray


def face_graph(vertices_mm: np.ndarray, faces: np.ndarray) -> FaceGraph:
    """Pairs of faces over every edge with one face to each side; open and non-manifold edges join nothing."""
    start, end = faces.ravel(), np.roll(faces, -1, axis=1).ravel()
    one, two = edges_of(faces, len(vertices_mm)).pairs.T
    forward = start[one] < end[one]
    one, two = np.where(forward, one, two), np.where(forward, two, one)
    ends = np.stack([start[one], end[one]], axis=1).astype(np.int32)
    length = np.linalg.norm(vertices_mm[ends[:, 1]] - vertices_mm[ends[:, 0]], axis=1)
    return FaceGraph(ends, np.stack([one // 3, two // 3], axis=1).astype(np.int32), length)


def split_cost(costs: SplitCosts, labels: np.ndarray) -> float:
    """Cost of a labelling ((m,), 0 ahead, 1 behind); inf where a face that must follow does not."""
    low, high = costs.follows[:, 0], costs.follows[:, 1]
    if bool(np.any((labels[low] == 0) & (labels[high] == 1))):
        return float("inf")
    parted = labels[costs.graph.faces[:, 0]] != labels[costs.graph.faces[:, 1]]
    return float(np.where(labels == 0, costs.ahead, costs.behind).sum() + costs.pair[parted].sum())


def cheapest_split(costs: SplitCosts, progress: Progress = SILENT, at: float = 0.0) -> np.ndarray:
    """(m,) int8 labels, 0 ahead and 1 behind, of least `split_cost`. Exact, and the same every time.

    Steps `progress` at the fraction `at`; raises `Cancelled`.
    """
    # dearer than any split: the all-ahead one breaks no rule
    never = float(costs.ahead.sum() + costs.behind.sum() + costs.pair.sum()) + 1.0
    ends = np.concatenate([costs.graph.faces, costs.follows])
    ahead = np.concatenate([costs.pair, np.full(len(costs.follows), never)])
    against = np.concatenate([costs.pair, np.zeros(len(costs.follows))])
    excess = costs.behind - costs.ahead
    cut = cheapest_cut(excess, ends[:, 0], ends[:, 1], ahead, against, progress, at, "the cheapest split")
    return cut.astype(np.int8)


def regions(graph: FaceGraph, labels: np.ndarray) -> tuple[int, np.ndarray]:
    """Connected regions of one label: their count, and (m,) int the region of each face."""
    together = labels[graph.faces[:, 0]] == labels[graph.faces[:, 1]]
    pair = graph.faces[together]
    return connected(pair, len(labels))


def island_regions(region: np.ndarray, area_mm2: np.ndarray, labels: np.ndarray, least_mm2: float) -> np.ndarray:
    """(r,) bool: regions smaller than `least_mm2`, save the largest of each label.

    region, labels : (m,) region and label (0 or 1) of each member; area_mm2 : (r,) of each region.
    """
    owner = np.zeros(len(area_mm2), np.int8)
    owner[region] = labels
    small = area_mm2 < least_mm2
    for label in (0, 1):
        own = np.flatnonzero(owner == label)
        if len(own):
            small[own[np.argmax(area_mm2[own])]] = False
    return small


def absorb_small_regions(
    graph: FaceGraph, labels: np.ndarray, areas_mm2: np.ndarray, least_mm2: float
) -> tuple[np.ndarray, int]:
    """Give every region under `least_mm2` to the other piece, except each label's largest one.

    Returns the labels and how many regions were given away.
    """
    count, region = regions(graph, labels)
    area = np.bincount(region, areas_mm2, minlength=count)
    small = island_regions(region, area, labels, least_mm2)
    return np.where(small[region], 1 - labels, labels).astype(np.int8), int(small.sum())
