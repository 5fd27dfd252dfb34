"""The user's own seam: closed lines of points, snapped to the surface and drawn over it."""

from __future__ import annotations

import csv
import json
import os
from pathlib import Path

import numpy as np
from scipy import sparse
from scipy.sparse import csgraph
from scipy.spatial import cKDTree

from ...base.errors import BriefRefused, PlanImpossible
from ...base.files import npy_array, read_small_text
from ...geometry.contour import face_centres
from ...geometry.facegraph import FaceGraph
from ..master import Master

_POINTS_MOST = 20_000
_NPY_HEADER_MOST = 65_536


def read_own_lines(path: str | Path) -> list[np.ndarray]:
    """Closed lines of points in plan coordinates (mm) from a file: a list of (k, 3) float.

    JSON holds [[x, y, z], ...] or a list of such lists; CSV or text holds x, y, z on each row (commas,
    semicolons or blanks), lines parted by an empty row. Raises `BriefRefused` with one sentence.
    """
    try:
        text = read_small_text(path)
        given = json.loads(text) if Path(path).suffix.lower() == ".json" else _rows_of(text)
        nested = given if given and np.ndim(given[0][0]) == 1 else [given]
        lines = [np.asarray(line, dtype=float) for line in nested]
    except (OSError, ValueError, TypeError, IndexError, KeyError, RecursionError) as error:
        raise BriefRefused(
            f"The seam line {path} cannot be read ({error}); give at least three points x, y, z in mm."
        ) from None
    for line in lines:
        if line.ndim != 2 or line.shape[1] != 3 or len(line) < 3 or not np.isfinite(line).all():
            raise BriefRefused(f"The seam line {path} needs at least three finite points x, y, z for each closed line.")
    if sum(len(line) for line in lines) > _POINTS_MOST:
        raise BriefRefused(f"The seam line {path} has more than {_POINTS_MOST} points; thin it out.")
    return lines


def _rows_of(text: str) -> list[list[list[float]]]:
    lines: list[list[list[float]]] = [[]]
    for row in csv.reader(text.replace(";", ",").replace("\t", ",").splitlines()):
        cells = [cell for part in row for cell in part.split()]
        if not cells:
            lines.append([])
        elif not cells[0].lstrip().startswith("#"):
            lines[-1].append([float(cell) for cell in cells])
    return [line for line in lines if line]


def read_level(path: str | Path, count: int) -> np.ndarray:
    """(n,) field on a master of `count` vertices, in mm, whose zero line is the seam and that is positive on the piece
    further along the pull: a seam carried over from another mesh of the same body. Raises `BriefRefused`."""
    try:
        if os.path.getsize(path) > 8 * count + _NPY_HEADER_MOST:
            raise ValueError(f"it is larger than {count} numbers")
        level = np.asarray(npy_array(Path(path).read_bytes()), float)
        if level.shape != (count,) or not np.isfinite(level).all():
            raise ValueError(f"it is not {count} plain numbers")
        if (level > 0).all() or (level < 0).all():
            raise ValueError("all of the master lies on one side of it")
    except (OSError, ValueError, TypeError, EOFError) as error:
        raise BriefRefused(f"The carried seam {path} cannot be read ({error}); carry it over again.") from None
    return level


def read_keep_clear(path: str | Path, count: int) -> np.ndarray:
    """(n,) weights for a master of `count` vertices, from .npy or text: -1 preferred, 1 keep clear."""
    try:
        if Path(path).suffix.lower() == ".npy":
            if os.path.getsize(path) > 8 * count + _NPY_HEADER_MOST:
                raise ValueError(f"it is larger than {count} numbers")
            weights = npy_array(Path(path).read_bytes())
        else:
            text = read_small_text(path, limit=64 * count + 4096)
            weights = np.array([float(row) for row in text.replace(",", "\n").split()])
        weights = np.asarray(weights, dtype=float)
    except (OSError, ValueError, TypeError, EOFError) as error:
        raise BriefRefused(f"The keep-clear file {path} cannot be read ({error}); give one weight a vertex.") from None
    if weights.shape != (count,):
        raise BriefRefused(
            f"The keep-clear file {path} has {weights.size} weights for {count} vertices; paint it anew."
        )
    if not np.isfinite(weights).all() or np.abs(weights).max(initial=0.0) > 1.0:
        raise BriefRefused(f"The keep-clear file {path} has weights outside -1 to 1; correct them.")
    return weights


def _path_between(
    master: Master, graph: FaceGraph, ends: tuple[int, int], normals: np.ndarray, tree: cKDTree
) -> np.ndarray:
    """Vertices of a short path over mesh edges that keeps to the plane through both ends and the surface
    normal.

    Without the plane, equally short paths over a regular mesh can bow far from the straight one.
    """
    one, two = master.vertices_mm[ends[0]], master.vertices_mm[ends[1]]
    chord = two - one
    span = float(np.linalg.norm(chord))
    across = np.cross(chord, normals[ends[0]] + normals[ends[1]])
    length = float(np.linalg.norm(across))
    across = across / length if length > 1e-12 * max(span, 1.0) else np.zeros(3)
    reach = 0.75 * span
    while True:
        inside = np.zeros(len(master.vertices_mm), bool)
        inside[tree.query_ball_point((one + two) / 2, reach)] = True
        inside[list(ends)] = True
        edge = np.flatnonzero(inside[graph.vertices].all(axis=1))
        pair = graph.vertices[edge]
        middle = master.vertices_mm[pair].mean(axis=1) - one
        off = np.abs(middle @ across) / np.maximum(graph.length_mm[edge], 1e-9)
        weight = np.maximum(graph.length_mm[edge], 1e-9) * (1.0 + 0.5 * np.minimum(off, 20.0) ** 2)
        numbers, local = np.unique(pair, return_inverse=True)
        local = local.reshape(-1, 2)
        place = np.searchsorted(numbers, np.array(ends))
        if len(numbers) and bool(np.all(numbers[np.minimum(place, len(numbers) - 1)] == np.array(ends))):
            links = sparse.coo_matrix((weight, (local[:, 0], local[:, 1])), shape=(len(numbers),) * 2)
            _, before = csgraph.dijkstra(links.tocsr(), directed=False, indices=place[0], return_predecessors=True)
            if before[place[1]] >= 0:
                return numbers[_walk_back(before, int(place[0]), int(place[1]))]
        if reach > 4.0 * max(master.size_mm):
            raise PlanImpossible(
                f"No way over the surface joins the seam points near {_where(one)} and {_where(two)}; "
                "they lie on separate shells."
            )
        reach = 2.0 * reach + 1.0


def _walk_back(before: np.ndarray, first: int, last: int) -> np.ndarray:
    path = [last]
    while path[-1] != first:
        path.append(int(before[path[-1]]))
    return np.array(path[::-1])


def _where(point: np.ndarray) -> str:
    return f"({point[0]:.0f}, {point[1]:.0f}, {point[2]:.0f}) mm"


def split_by_lines(master: Master, graph: FaceGraph, lines: list[np.ndarray], direction: np.ndarray) -> np.ndarray:
    """(m,) int8 labels of the two sides of closed lines drawn over the surface; 0 lies further along
    `direction`.

    Raises `PlanImpossible` where the lines do not part the surface in two sides.
    """
    tree = cKDTree(master.vertices_mm)
    normals = np.stack(
        [
            np.bincount(
                master.faces.reshape(-1),
                np.repeat(master.face_areas_mm2 * master.normals[:, k], 3),
                minlength=len(master.vertices_mm),
            )
            for k in range(3)
        ],
        axis=1,
    )
    normals = normals / np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-30)
    size = np.int64(len(master.vertices_mm))
    walked = []
    for line in lines:
        _, at = tree.query(line)
        at = at[np.concatenate([[True], at[1:] != at[:-1]])]
        for first, last in zip(at, np.roll(at, -1), strict=True):
            if first != last:
                path = _path_between(master, graph, (int(first), int(last)), normals, tree).astype(np.int64)
                walked.append(np.minimum(path[:-1], path[1:]) * size + np.maximum(path[:-1], path[1:]))
    if not walked:
        raise PlanImpossible("The seam line falls on a single point of the master; check its coordinates.")
    # an edge walked to and fro parts nothing
    keys, times = np.unique(np.concatenate(walked), return_counts=True)
    keys = keys[times % 2 == 1]
    own = graph.vertices.astype(np.int64)
    cut = np.isin(np.minimum(own[:, 0], own[:, 1]) * size + np.maximum(own[:, 0], own[:, 1]), keys)
    return _two_sides(master, graph, cut, direction)


def _two_sides(master: Master, graph: FaceGraph, cut: np.ndarray, direction: np.ndarray) -> np.ndarray:
    count = len(master.faces)
    whole = graph.faces[~cut]
    ones = np.ones(len(whole), np.int8)
    links = sparse.coo_matrix((ones, (whole[:, 0], whole[:, 1])), shape=(count, count))
    regions, region = csgraph.connected_components(links, directed=False)
    over = region[graph.faces[cut]]
    if len(over) == 0 or bool(np.any(over[:, 0] == over[:, 1])):
        raise PlanImpossible(
            "The seam line does not part the master in two sides; close it round the whole body, "
            "and round every handle and opening."
        )
    areas = np.bincount(region, master.face_areas_mm2, minlength=regions)
    ones = np.ones(len(over), np.int8)
    beside = sparse.coo_matrix((ones, (over[:, 0], over[:, 1])), shape=(regions, regions))
    order, before = csgraph.breadth_first_order(beside, int(np.argmax(areas)), directed=False)
    side = np.zeros(regions, np.int8)
    for k in order[1:]:
        side[k] = 1 - side[before[k]]
    labels = side[region]
    if bool(np.any(side[over[:, 0]] == side[over[:, 1]])):
        raise PlanImpossible("The seam lines cross so that no two sides can be told apart; draw them apart.")
    height = face_centres(master.vertices_mm, master.faces) @ direction
    mean = [np.average(height[labels == k], weights=master.face_areas_mm2[labels == k]) for k in (0, 1)]
    return (labels if mean[0] >= mean[1] else 1 - labels).astype(np.int8)
