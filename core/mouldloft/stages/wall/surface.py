"""The parting surface: one sheet from the seam outward that wall, rubber, joint, jacket and solids all take.

A plane seam's is the plane. Any other's is a fair sheet through the seam: near the skin it turns towards square to it,
further out it leans as little against the pull as it can; it is one height map along the pull, so that both pieces
come off it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy import ndimage
from scipy.spatial import cKDTree

from ...geometry.depthmap import Grid, grid_around
from ...geometry.fairsheet import Asked, fair_sheet, near_line
from ...geometry.frame import PullFrame, pull_frame
from ...geometry.heightmap import sample_map
from ...geometry.membrane import stretch_surface
from ...geometry.polyline import spaced_out
from ...geometry.rays import inside_body, ray_scene
from ..master import Master
from ..seam import Seam, skin_bounds

_PIXELS = 350  # along the master's longest side
_REACH_SHARE, _REACH_LEAST_MM, _REACH_MOST_MM = 1 / 9, 60.0, 200.0  # of the longest side: past any flange's width
ROOT_SHARE, ROOT_MOST_MM = 1 / 20, 30.0  # of the longest side: how far the wall is turned square (common practice)
_STIFF_ROOTS = 1.3  # in roots: over this a bend of the sheet levels out
_AT_ROOT = (0.15, 0.5, 0.85)  # of the root, where it is asked to be square
_SQUARE_SHARE = 0.5  # of the skin's lean that the root turns with: halfway between square and no lean
_OFF_SQUARE_DEG = 20.0  # and never further from square than this ...
_STEEPEST_ROOT_DEG = 60.0  # ... unless the root would lean more than this
_CARRIED_ON = 3  # pixels into the body that the sheet goes on, so that it does not end at the seam itself


@dataclass(frozen=True, eq=False)
class PartingSurface:
    """Heights along the pull of the first piece, in whose frame the grid lies.

    height_mm : (rows, columns) float64, everywhere; fair : (rows, columns) bool, where it is the fair sheet, as far as
    `reach_mm` from the seam: further out it only levels off. off_seam_mm : greatest distance of the seam from it.
    """

    frame: PullFrame
    grid: Grid
    height_mm: np.ndarray
    fair: np.ndarray
    reach_mm: float
    off_seam_mm: float

    def over(self, x_mm: np.ndarray, y_mm: np.ndarray) -> np.ndarray:
        """(k,) heights over points of its own frame."""
        return sample_map(self.height_mm, self.grid, x_mm, y_mm)


def reach_of(master: Master) -> float:
    """How far from the seam the sheet is fair, mm: more than both flanges and a working margin take."""
    return float(np.clip(max(master.size_mm) * _REACH_SHARE, _REACH_LEAST_MM, _REACH_MOST_MM))


def root_of(master: Master) -> float:
    """How far from the skin the wall is turned towards square to it, mm."""
    return min(max(master.size_mm) * ROOT_SHARE, ROOT_MOST_MM)


@lru_cache(maxsize=4)
def parting_surface(seam: Seam, master: Master) -> PartingSurface:
    """The surface two pieces part along. Kept: every stage asks for the same one."""
    frame = pull_frame(np.asarray(seam.pieces[0].pull, float))
    pixel, reach = max(master.size_mm) / _PIXELS, reach_of(master)
    points = frame.to_frame(master.vertices_mm)
    grid = grid_around(points, pixel, reach + 4 * pixel)
    if seam.kind == "plane":
        flat = np.full((grid.rows, grid.columns), float(seam.plane_offset_mm))
        return PartingSurface(frame, grid, flat, np.ones(flat.shape, bool), np.inf, 0.0)
    assert seam.level_mm is not None
    bounds = skin_bounds(master, seam.level_mm, frame, grid)
    lines = [(line.points_mm, line.closed) for line in seam.lines]
    height, fair = fair_through(lines, master, frame, grid, bounds, reach)
    on = frame.to_frame(np.concatenate([spaced_out(p, closed, pixel) for p, closed in lines]))
    off = np.abs(sample_map(height, grid, on[:, 0], on[:, 1]) - on[:, 2])
    lean = sample_map(np.hypot(*np.gradient(height, pixel)), grid, on[:, 0], on[:, 1])
    return PartingSurface(frame, grid, height, fair, reach, float((off / np.hypot(1.0, lean)).max()))


def fair_through(
    lines: Sequence[tuple[np.ndarray, bool]],
    master: Master,
    frame: PullFrame,
    grid: Grid,
    bounds: tuple[np.ndarray, np.ndarray],
    reach_mm: float,
) -> tuple[np.ndarray, np.ndarray]:
    """Heights ((rows, columns) float64) of the fair sheet through lines of (points, closed), and where it is fair.

    bounds : two (rows, columns) maps it stays between. Further than `reach_mm` from the lines it is stretched on.
    """
    step = grid.pixel_mm / 2
    on = np.concatenate([spaced_out(points, closed, step) for points, closed in lines])
    asked = _asked(on, step, master, frame)
    rough = stretch_surface(lines, frame, grid, bounds)
    x, y = np.meshgrid(grid.x(), grid.y())
    nodes = frame.to_master(np.column_stack([x.ravel(), y.ravel(), rough.ravel()]))
    outside = near_line(grid, asked.at_mm, reach_mm)
    near = outside.ravel().copy()
    scene = ray_scene(master.vertices_mm, master.faces)
    near[near] = ~inside_body(scene, master.normals, nodes[near])
    outside &= ndimage.binary_dilation(near.reshape(outside.shape), iterations=_CARRIED_ON)
    outside |= near_line(grid, asked.at_mm, 2 * grid.pixel_mm)
    height = fair_sheet(grid, outside, asked, *bounds, _STIFF_ROOTS * root_of(master))
    return stretch_surface((), frame, grid, bounds, height), outside


def _asked(on_mm: np.ndarray, step_mm: float, master: Master, frame: PullFrame) -> Asked:
    """Through the line's points, and beside each turned halfway to square to the skin, never too far from it."""
    root = root_of(master)
    normal = frame.to_frame(skin_normals(on_mm, master, root / 2))
    lean = np.arcsin(np.clip(normal[:, 2], -1.0, 1.0))
    least = np.maximum(np.abs(lean) * _SQUARE_SHARE, np.abs(lean) - np.radians(_OFF_SQUARE_DEG))
    rise = np.sign(lean) * np.tan(np.minimum(least, np.radians(_STEEPEST_ROOT_DEG)))
    way = normal[:, :2] / np.maximum(np.linalg.norm(normal[:, :2], axis=1, keepdims=True), 1e-6)
    at = frame.to_frame(on_mm)
    count = len(_AT_ROOT)
    return Asked(
        at,
        step_mm,
        np.concatenate([at[:, :2] + share * root * way for share in _AT_ROOT]),
        np.tile(way, (count, 1)),
        np.tile(rise, count),
        np.full(count * len(at), step_mm * root / count),
    )


def skin_normals(on_mm: np.ndarray, master: Master, within_mm: float) -> np.ndarray:
    """(k, 3) unit normals of the skin at points on it, evened over what faces the same way within a distance."""
    near = cKDTree(on_mm).query(master.vertices_mm, distance_upper_bound=2 * within_mm)[0]
    close = np.isfinite(near)
    touching = close[master.faces].any(axis=1)
    faces = master.faces[touching]
    weighted = np.repeat(master.normals[touching] * master.face_areas_mm2[touching, None], 3, axis=0)
    corners = faces.reshape(-1)
    size = len(master.vertices_mm)
    normal = np.stack([np.bincount(corners, weighted[:, k], minlength=size) for k in range(3)], axis=1)
    known = np.flatnonzero(np.abs(normal).sum(axis=1) > 0)
    tree = cKDTree(master.vertices_mm[known])
    number = min(64, len(known))
    away, which = tree.query(on_mm, k=number)
    away, which = away.reshape(len(on_mm), -1), which.reshape(len(on_mm), -1)
    around = normal[known[which]]
    # the far side of a thin ear looks the other way
    same = np.einsum("ijk,ik->ij", around, around[:, 0]) > 0
    weight = same * np.maximum(1.0 - away / np.maximum(within_mm, 1.5 * away[:, :1]), 0.0)
    total = np.einsum("ij,ijk->ik", weight, around)
    return total / np.maximum(np.linalg.norm(total, axis=1, keepdims=True), 1e-12)


def parting_heights(
    seam: Seam,
    frame: PullFrame,
    x0_mm: float,
    y0_mm: float,
    pixel_mm: float,
    rows: int,
    cols: int,
    master: Master | None = None,
) -> np.ndarray:
    """(rows, cols) float32: z of the parting surface along the frame's pull over each pixel centre.

    Row i stands at y0 + i * pixel, column j at x0 + j * pixel, in the frame of either piece; the two pieces
    get the same surface. Without the master there is no fair sheet: the surface is only stretched through the seam.
    """
    ahead = np.asarray(seam.pieces[0].pull, float)
    sign = 1.0 if float(frame.pull @ ahead) > 0 else -1.0
    if seam.kind == "plane":
        return np.full((rows, cols), sign * seam.plane_offset_mm, np.float32)
    if sign < 0:
        # the frame of the piece behind is the other one turned about v: x and z change sign
        x0_mm = -(x0_mm + (cols - 1) * pixel_mm)
    grid = Grid(float(x0_mm), float(y0_mm), float(pixel_mm), rows, cols)
    if master is not None and seam.level_mm is not None:
        x, y = np.meshgrid(grid.x(), grid.y())
        height = parting_surface(seam, master).over(x, y)
    else:
        lines = [(line.points_mm, line.closed) for line in seam.lines]
        height = stretch_surface(lines, pull_frame(ahead), grid)
    return (height if sign > 0 else -height[:, ::-1]).astype(np.float32)
