"""What stands in a jacket's way off, as a height map along its pull: laid over that, the jacket comes out.

Heights are of facets and not of nodes alone: held clear of points that cover all that faces along the pull.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy import ndimage

from ..geometry.depthmap import Grid, column_image
from ..geometry.facets import face_vectors
from ..geometry.frame import PullFrame
from ..geometry.manifold import arrays_of
from ..geometry.sampling import covering_points, samples_on_every_face

CLEAR_MM = 0.15  # between a jacket and what it passes: a release film and the lattice's own error
_SPACING_MM = 1.0  # between the points that facets are held from
_UNDER_MM = 8.0  # under its parting surface a jacket has nothing to pass
_MET_MM = 5.0  # glass laid so near to a parting surface is what this jacket is laid against
_LAID_OVER_MM = 40.0  # what stands further over its glove a jacket ends at
_STEEP = 2.0  # rise over run
_ROUNDS, _ENOUGH_MM, _PAST_MM = 6, 1e-6, 0.3
_ROUND = np.ones((3, 3), bool)


@dataclass(frozen=True, eq=False)
class JacketNodes:
    """The lattice that a piece's jacket is laid on; maps are (rows, columns), heights along its pull in its frame.

    low_mm : its parting surface; inside_mm : its glove's outside; laid_mm : the least laminate. rubber, glass : bool,
    nodes under the glove and under the jacket. columns : the solid between two maps over a share (0 to 1) of the nodes'
    blocks, as a manifold; over : the jacket's columns, from a map of undersides to its outside or a map of least
    heights, whichever is higher.
    """

    frame: PullFrame
    grid: Grid
    low_mm: np.ndarray
    inside_mm: np.ndarray
    laid_mm: float
    rubber: np.ndarray
    glass: np.ndarray
    columns: Callable[[np.ndarray, np.ndarray, np.ndarray], Any]
    over: Callable[[np.ndarray, np.ndarray], Any]


def jacket_over(nodes: JacketNodes, glove: Any, standing: Sequence[Any], glass: Sequence[Any]) -> Any:
    """A jacket's columns laid over its own glove's (a manifold) and over all that still stands when it comes off.

    standing : manifolds of the master and of gloves; glass : of the jackets made before it. Where one of those lies
    under its flange it is laid down to it, glass to glass.
    """
    met = _tops(nodes, *_facing(nodes, glass, _floor(nodes))) if len(glass) else np.full(nodes.low_mm.shape, -np.inf)
    flange = nodes.glass & ~ndimage.binary_dilation(nodes.rubber, _ROUND, iterations=2)
    low = np.where(flange & (np.abs(met - nodes.low_mm) < _MET_MM), np.minimum(met - 1.0, nodes.low_mm), nodes.low_mm)
    height, raised = heights_in_the_way(nodes, [*standing, *glass])
    made = nodes.over(low, _laid_over(nodes, height, raised)) - glove
    if not raised.any():
        return made
    under = np.minimum(nodes.low_mm, height) - 4.0 * _UNDER_MM
    return made - nodes.columns(under, height, raised.astype(float))


def _laid_over(nodes: JacketNodes, height_mm: np.ndarray, raised: np.ndarray) -> np.ndarray:
    """(rows, columns) least heights of the outside of a jacket laid over what is in its way; -inf where nothing is, or
    where it stands so far up that no jacket goes over it."""
    under = np.where(nodes.rubber, nodes.inside_mm, nodes.low_mm)
    slope = np.minimum(np.hypot(*np.gradient(height_mm, nodes.grid.pixel_mm)), _STEEP)
    over = raised & (height_mm > under) & (height_mm < under + _LAID_OVER_MM)
    return np.where(over, height_mm + nodes.laid_mm * np.hypot(1.0, slope), -np.inf)


def heights_in_the_way(nodes: JacketNodes, others: Sequence[Any]) -> tuple[np.ndarray, np.ndarray]:
    """(rows, columns) heights whose facets are clear of the others (manifolds), and bool, where any of them stands over
    what the jacket lies on, and a ring of nodes round it."""
    floor = _floor(nodes)
    vertices, faces = _facing(nodes, others, floor)
    top = _tops(nodes, vertices, faces)
    stands = top > floor
    below = nodes.low_mm - _UNDER_MM
    carried = _carried_on(np.where(stands, top, np.nan), nodes.grid.pixel_mm)
    start = np.where(np.isfinite(carried), np.maximum(carried + CLEAR_MM, below), below)
    if not stands.any():
        return start, stands
    points = covering_points(vertices, faces, _SPACING_MM)
    i, j = nodes.grid.nearest(points[:, 0], points[:, 1])
    over = points[:, 2] > floor[i, j]
    points = points[over]
    stands[i[over], j[over]] = True
    return _over_points(start, points, nodes.grid), ndimage.binary_dilation(stands, _ROUND, iterations=2)


def _carried_on(height_mm: np.ndarray, pitch_mm: float) -> np.ndarray:
    """(rows, columns) the map, carried straight on by one node past its border where it is not steep: what ends between
    two nodes keeps its slope there. NaN elsewhere."""
    wide = np.pad(height_mm, 2, constant_values=np.nan)
    rows, columns = height_mm.shape
    least = np.full(height_mm.shape, np.inf)
    for di, dj in ((-1, 0), (1, 0), (0, -1), (0, 1), (-1, -1), (-1, 1), (1, -1), (1, 1)):
        near, next_to = (wide[2 + k * di : 2 + k * di + rows, 2 + k * dj : 2 + k * dj + columns] for k in (1, 2))
        with np.errstate(invalid="ignore"):
            gentle = np.abs(near - next_to) <= _STEEP * pitch_mm * np.hypot(di, dj)
        least = np.where(gentle, np.minimum(least, 2.0 * near - next_to), least)
    return np.where(np.isfinite(height_mm), height_mm, np.where(np.isfinite(least), least, np.nan))


def _over_points(height_mm: np.ndarray, points_mm: np.ndarray, grid: Grid) -> np.ndarray:
    """(rows, columns) heights, raised until no facet (cells cut as by `plain_cut`) lies less than `CLEAR_MM` over a
    point ((k, 3)) along the pull."""
    fx, fy = ((points_mm[:, k] - start) / grid.pixel_mm for k, start in ((0, grid.x0_mm), (1, grid.y0_mm)))
    j, i = (np.clip(f.astype(int), 0, most - 2) for f, most in ((fx, grid.columns), (fy, grid.rows)))
    tx, ty = np.clip(fx - j, 0.0, 1.0), np.clip(fy - i, 0.0, 1.0)
    right = tx >= ty  # of the diagonal from the cell's first corner
    corners = np.stack(
        [i * grid.columns + j, (i + ~right) * grid.columns + j + right, (i + 1) * grid.columns + j + 1], 1
    )
    weights = np.stack([1.0 - np.maximum(tx, ty), np.abs(tx - ty), np.minimum(tx, ty)], 1)
    height, wanted = height_mm.ravel().copy(), points_mm[:, 2] + CLEAR_MM
    for _ in range(_ROUNDS):
        at = height[corners]
        short = np.flatnonzero((weights * at).sum(axis=1) < wanted - _ENOUGH_MM)
        if not len(short):
            break
        np.maximum.at(height, corners[short], at[short] + _steps(at[short], weights[short], wanted[short]))
        corners, weights, wanted = corners[short], weights[short], wanted[short]
    return height.reshape(height_mm.shape)


def _steps(heights_mm: np.ndarray, weights: np.ndarray, wanted_mm: np.ndarray) -> np.ndarray:
    """(k, 3) steps of corners, by their weights (that add up to one), so that their mean is what is wanted: the least
    sum of squares, but none to much more than is wanted, the others more in its place."""
    most = np.maximum(wanted_mm[:, None] - heights_mm, 0.0) + _PAST_MM
    need = wanted_mm - (weights * heights_mm).sum(axis=1)
    steps, free = np.zeros(heights_mm.shape), np.ones(heights_mm.shape, bool)
    for _ in range(3):
        left = need - np.where(free, 0.0, weights * steps).sum(axis=1)
        share = np.where(free, weights, 0.0)
        asked = share * np.maximum(left / np.maximum((share**2).sum(axis=1), 1e-12), 0.0)[:, None]
        steps = np.where(free, np.minimum(asked, most), steps)
        free &= asked < most
    return steps


def _floor(nodes: JacketNodes) -> np.ndarray:
    """(rows, columns) heights under which nothing is in the jacket's way: its glove's outside, and past the rubber some
    way under its parting surface; the least of the nodes around."""
    floor = np.where(nodes.rubber, nodes.inside_mm - 1.0, nodes.low_mm - _UNDER_MM + 1.0)
    glass = ndimage.binary_dilation(nodes.glass, _ROUND)  # its rim runs between nodes
    return np.where(glass, ndimage.minimum_filter(floor, footprint=_ROUND), np.inf)


def _facing(nodes: JacketNodes, others: Sequence[Any], floor_mm: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """(n, 3) vertices in the frame and (m, 3) faces of all that faces along the pull under the jacket and over its
    floor."""
    floor = ndimage.minimum_filter(floor_mm, footprint=_ROUND)
    points, found, first = [np.zeros((0, 3))], [np.zeros((0, 3), np.int64)], 0
    for other in others:
        vertices, faces = arrays_of(other)
        vertices = nodes.frame.to_frame(vertices)
        vectors = face_vectors(vertices, faces)
        faces, areas = faces[vectors[:, 2] > 0], np.linalg.norm(vectors[vectors[:, 2] > 0], axis=1) / 2.0
        taken = samples_on_every_face(vertices, faces, areas, nodes.grid.pixel_mm)
        kept = np.zeros(len(faces), bool)
        for at, of_face in ((taken.points_mm, taken.faces), (vertices[faces.ravel()], np.arange(faces.size) // 3)):
            i, j = nodes.grid.nearest(at[:, 0], at[:, 1])
            kept[of_face[at[:, 2] > floor[i, j]]] = True
        faces = faces[kept]
        points.append(vertices)
        found.append(faces + first)
        first += len(vertices)
    return np.concatenate(points), np.concatenate(found)


def _tops(nodes: JacketNodes, vertices_mm: np.ndarray, faces: np.ndarray) -> np.ndarray:
    """(rows, columns) topmost height of faces over each node, -inf where there is none."""
    return column_image(vertices_mm, faces, nodes.grid)[0].astype(float)
