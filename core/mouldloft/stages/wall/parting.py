"""The parting surface: where the pieces meet from the seam to the flange's edge, and the wall built to it."""

from __future__ import annotations

import numpy as np

from ...geometry.depthmap import Grid
from ...geometry.frame import PullFrame, pull_frame
from ...geometry.membrane import stretch_surface
from ..master import Master
from ..seam import Seam, skin_bounds


def sample_map(height_mm: np.ndarray, grid: Grid, x_mm: np.ndarray, y_mm: np.ndarray) -> np.ndarray:
    """(k,) heights between the pixel centres, bilinear; points beyond the grid take its border's."""
    at_x = np.clip((x_mm - grid.x0_mm) / grid.pixel_mm, 0, grid.columns - 1)
    at_y = np.clip((y_mm - grid.y0_mm) / grid.pixel_mm, 0, grid.rows - 1)
    j = np.minimum(at_x.astype(np.int64), max(grid.columns - 2, 0))
    i = np.minimum(at_y.astype(np.int64), max(grid.rows - 2, 0))
    s, t = at_x - j, at_y - i
    j_next, i_next = np.minimum(j + 1, grid.columns - 1), np.minimum(i + 1, grid.rows - 1)
    low = height_mm[i, j] * (1 - s) + height_mm[i, j_next] * s
    high = height_mm[i_next, j] * (1 - s) + height_mm[i_next, j_next] * s
    return low * (1 - t) + high * t


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
    get the same surface. A plane is level. A free seam's surface passes through the seam (mean height where
    the seam climbs within a pixel) and is harmonic elsewhere; with the master given it also keeps between
    the skins of the two pieces.
    """
    ahead = np.asarray(seam.pieces[0].pull, float)
    sign = 1.0 if float(frame.pull @ ahead) > 0 else -1.0
    if seam.kind == "plane":
        return np.full((rows, cols), sign * seam.plane_offset_mm, np.float32)
    if sign < 0:
        # the frame of the piece behind is the other one turned about v: x and z change sign
        x0_mm = -(x0_mm + (cols - 1) * pixel_mm)
    canonical = pull_frame(ahead)
    grid = Grid(float(x0_mm), float(y0_mm), float(pixel_mm), rows, cols)
    bounds = None
    if master is not None and seam.level_mm is not None:
        bounds = skin_bounds(master, seam.level_mm, canonical, grid)
    height = stretch_surface([(line.points_mm, line.closed) for line in seam.lines], canonical, grid, bounds)
    return (height if sign > 0 else -height[:, ::-1]).astype(np.float32)
