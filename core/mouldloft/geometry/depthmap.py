"""Column images: for each pixel across a pull, where a mesh begins and ends along it. Compiled and linear in the faces.

The time-linear use of a depth buffer for undercuts follows Khardekar, Burton and McMains, Computer-Aided Design 38
(2006). Pixels are sampled at their centres, so that area and volume sums over pixels are unbiased.

All kernels release the interpreter lock; callers thread over directions or strips, never inside a kernel.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit

from .sampling import R2_STEPS

EMPTY_TOP = np.float32(-np.inf)
EMPTY_BOTTOM = np.float32(np.inf)


@dataclass(frozen=True)
class Grid:
    """Pixel centres at x0 + j * pixel, y0 + i * pixel (mm, pull frame); rows along y, columns along x."""

    x0_mm: float
    y0_mm: float
    pixel_mm: float
    rows: int
    columns: int

    def x(self) -> np.ndarray:
        """(columns,) x of the pixel centres."""
        return self.x0_mm + self.pixel_mm * np.arange(self.columns)

    def y(self) -> np.ndarray:
        """(rows,) y of the pixel centres."""
        return self.y0_mm + self.pixel_mm * np.arange(self.rows)

    def nearest(self, x_mm: np.ndarray, y_mm: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Row and column of the pixel nearest to each point, clipped to the grid."""
        i = np.clip(np.rint((y_mm - self.y0_mm) / self.pixel_mm), 0, self.rows - 1).astype(np.intp)
        j = np.clip(np.rint((x_mm - self.x0_mm) / self.pixel_mm), 0, self.columns - 1).astype(np.intp)
        return i, j


def grid_around(points_mm: np.ndarray, pixel_mm: float, margin_mm: float = 0.0) -> Grid:
    """Grid that covers the (n, 2+) points with a margin. The lattice passes through the origin of the frame, so that
    the same body gives the same pixels whatever else is drawn."""
    x, y = points_mm[:, 0], points_mm[:, 1]  # by columns: numpy reduces a short axis slowly
    low = np.floor((np.array([x.min(), y.min()]) - margin_mm) / pixel_mm) - 1
    high = np.ceil((np.array([x.max(), y.max()]) + margin_mm) / pixel_mm) + 1
    columns, rows = (high - low).astype(int) + 1
    # half a pixel off the origin: a symmetric body has its own edges on the lattice lines otherwise
    return Grid((low[0] + 0.5) * pixel_mm, (low[1] + 0.5) * pixel_mm, float(pixel_mm), int(rows), int(columns))


@njit(cache=True, nogil=True, fastmath=False)
def _raster(xyz, faces, x0, y0, inverse_pixel, top, bottom):
    rows, columns = top.shape
    for f in range(faces.shape[0]):
        a, b, c = faces[f, 0], faces[f, 1], faces[f, 2]
        ax = (xyz[a, 0] - x0) * inverse_pixel
        bx = (xyz[b, 0] - x0) * inverse_pixel
        cx = (xyz[c, 0] - x0) * inverse_pixel
        j_low = int(np.ceil(min(ax, bx, cx)))
        j_high = int(np.floor(max(ax, bx, cx)))
        if j_low > j_high:
            continue
        ay = (xyz[a, 1] - y0) * inverse_pixel
        by = (xyz[b, 1] - y0) * inverse_pixel
        cy = (xyz[c, 1] - y0) * inverse_pixel
        i_low = int(np.ceil(min(ay, by, cy)))
        i_high = int(np.floor(max(ay, by, cy)))
        if i_low > i_high:
            continue
        double_area = (bx - ax) * (cy - ay) - (by - ay) * (cx - ax)
        if double_area == 0.0:
            continue  # seen edge on: its neighbours draw the pixels
        j_low, j_high = max(j_low, 0), min(j_high, columns - 1)
        i_low, i_high = max(i_low, 0), min(i_high, rows - 1)
        az, bz, cz = xyz[a, 2], xyz[b, 2], xyz[c, 2]
        z_low, z_high = min(az, bz, cz), max(az, bz, cz)
        scale = 1.0 / double_area
        for i in range(i_low, i_high + 1):
            for j in range(j_low, j_high + 1):
                wa = ((bx - j) * (cy - i) - (by - i) * (cx - j)) * scale
                wb = ((cx - j) * (ay - i) - (cy - i) * (ax - j)) * scale
                wc = ((ax - j) * (by - i) - (ay - i) * (bx - j)) * scale
                if wa >= -1e-9 and wb >= -1e-9 and wc >= -1e-9:
                    # slivers extrapolate: keep the face's own range
                    z = min(max(wa * az + wb * bz + wc * cz, z_low), z_high)
                    if z > top[i, j]:
                        top[i, j] = z
                    if z < bottom[i, j]:
                        bottom[i, j] = z


def column_image(frame_points_mm: np.ndarray, faces: np.ndarray, grid: Grid) -> tuple[np.ndarray, np.ndarray]:
    """Top and bottom of the mesh over each pixel centre.

    frame_points_mm : (n, 3) vertices in the pull frame; faces : (m, 3) int.
    Returns two (rows, columns) float32 maps; -inf and +inf where the column misses the mesh.
    """
    top = np.full((grid.rows, grid.columns), EMPTY_TOP, np.float32)
    bottom = np.full((grid.rows, grid.columns), EMPTY_BOTTOM, np.float32)
    if len(faces):
        _raster(frame_points_mm, faces, grid.x0_mm, grid.y0_mm, 1.0 / grid.pixel_mm, top, bottom)
    return top, bottom


@njit(cache=True, nogil=True)
def _add_lengths(xyz, faces, x0, y0, inverse_pixel, low, high, out):
    rows, columns = out.shape
    for f in range(faces.shape[0]):
        a, b, c = faces[f, 0], faces[f, 1], faces[f, 2]
        ax, ay = (xyz[a, 0] - x0) * inverse_pixel, (xyz[a, 1] - y0) * inverse_pixel
        bx, by = (xyz[b, 0] - x0) * inverse_pixel, (xyz[b, 1] - y0) * inverse_pixel
        cx, cy = (xyz[c, 0] - x0) * inverse_pixel, (xyz[c, 1] - y0) * inverse_pixel
        double_area = (bx - ax) * (cy - ay) - (by - ay) * (cx - ax)
        if double_area == 0.0:
            continue
        scale = 1.0 / double_area
        side = 1.0 if double_area > 0.0 else -1.0
        for i in range(max(int(np.ceil(min(ay, by, cy))), 0), min(int(np.floor(max(ay, by, cy))), rows - 1) + 1):
            for j in range(max(int(np.ceil(min(ax, bx, cx))), 0), min(int(np.floor(max(ax, bx, cx))), columns - 1) + 1):
                wa = ((bx - j) * (cy - i) - (by - i) * (cx - j)) * scale
                wb = ((cx - j) * (ay - i) - (cy - i) * (ax - j)) * scale
                wc = 1.0 - wa - wb
                if wa < 0.0 or wb < 0.0 or wc < 0.0:
                    continue
                z = wa * xyz[a, 2] + wb * xyz[b, 2] + wc * xyz[c, 2]
                if low[i, j] < high[i, j]:
                    out[i, j] += side * (min(max(z, low[i, j]), high[i, j]) - low[i, j])


def solid_between_mm(
    frame_points_mm: np.ndarray, faces: np.ndarray, grid: Grid, low_mm: np.ndarray, high_mm: np.ndarray
) -> np.ndarray:
    """(rows, columns) float64: how much of each column from `low_mm` to `high_mm` a closed mesh takes up.

    frame_points_mm : (n, 3) vertices in the pull frame; faces : (m, 3) int, outward. A column counts where low < high.
    """
    # off the round numbers: no column may run through an edge
    points = frame_points_mm + 1e-5 * grid.pixel_mm * np.append(R2_STEPS, 0.0)
    out = np.zeros((grid.rows, grid.columns))
    low, high = np.asarray(low_mm, float), np.asarray(high_mm, float)
    _add_lengths(points, faces, grid.x0_mm, grid.y0_mm, 1.0 / grid.pixel_mm, low, high, out)
    return out


@njit(cache=True, nogil=True)
def _covered(points, normals, map_top, x0, y0, pixel, tolerance, out):
    rows, columns = map_top.shape
    for k in range(points.shape[0]):
        x, y, z = points[k, 0], points[k, 1], points[k, 2]
        nx, ny, nz = normals[k, 0], normals[k, 1], normals[k, 2]
        fx, fy = (x - x0) / pixel, (y - y0) / pixel
        j0, i0 = int(np.floor(fx)), int(np.floor(fy))
        slope = np.sqrt(nx * nx + ny * ny) / max(abs(nz), 0.02)
        steep = slope > 1.5
        j_near, i_near = int(np.rint(fx)), int(np.rint(fy))
        covered = True
        for i in range(i0, i0 + 2):
            for j in range(j0, j0 + 2):
                if i < 0 or j < 0 or i >= rows or j >= columns:
                    covered = False
                    continue
                if not steep and (i != i_near or j != j_near):
                    continue
                # where the sample's own plane passes this pixel's centre, never further than its slope over a pixel
                dx, dy = (j - fx) * pixel, (i - fy) * pixel
                rise = -(nx * dx + ny * dy) / (nz if abs(nz) > 0.02 else (0.02 if nz >= 0 else -0.02))
                if map_top[i, j] <= z + max(rise, 0.0) + tolerance + 0.3 * pixel * min(slope, 4.0):
                    covered = False
        out[k] = covered


def covered_from_above(
    points_mm: np.ndarray, normals: np.ndarray, top_mm: np.ndarray, grid: Grid, tolerance_mm: float
) -> np.ndarray:
    """(k,) bool: is something of the mesh above each surface sample, by the top map of its own mesh?

    points_mm, normals : (k, 3) in the pull frame. A gentle sample asks its nearest pixel, corrected by its own slope;
    a steep one (over 56 degrees) counts as free if any of the four pixels around it says so, since its own upper
    neighbours stand over some of them. Occluders closer than `tolerance_mm` are not seen.
    """
    out = np.empty(len(points_mm), np.bool_)
    _covered(points_mm, normals, top_mm, grid.x0_mm, grid.y0_mm, grid.pixel_mm, tolerance_mm, out)
    return out


# no NaN comes in, so that the inner loop may run on whole vectors of pixels
@njit(cache=True, nogil=True, fastmath={"nnan", "nsz", "contract", "reassoc", "arcp"})
def _splat_balls(points, radii, x0, y0, pixel, height):
    rows, columns = height.shape
    none, size = np.float32(0.0), np.float32(pixel)
    for k in range(points.shape[0]):
        # in pixels, and from the ball's own middle: single precision is then good to 1e-6 of the radius
        r, x, y = radii[k] / pixel, (points[k, 0] - x0) / pixel, (points[k, 1] - y0) / pixel
        z = np.float32(points[k, 2])
        i_low = max(int(np.ceil(y - r)), 0)
        i_high = min(int(np.floor(y + r)), rows - 1)
        for i in range(i_low, i_high + 1):
            half = r * r - (i - y) * (i - y)
            if half < 0.0:
                continue
            reach = np.sqrt(half)
            j_low = max(int(np.ceil(x - reach)), 0)
            j_high = min(int(np.floor(x + reach)), columns - 1)
            row, h, first = height[i], np.float32(half), np.float32(j_low - x)
            for m in range(j_high - j_low + 1):
                away = first + np.float32(m)
                left = h - away * away
                top = z + size * np.sqrt(left if left > none else none)
                old = row[j_low + m]
                row[j_low + m] = top if top > old else old


def raise_by_balls(height_mm: np.ndarray, points_mm: np.ndarray, radii_mm: np.ndarray, grid: Grid) -> None:
    """Raise the map in place to the upper side of a union of balls: the Euclidean offset of a sampled surface.

    Exact at pixel centres up to the sample spacing s: the surface between samples is missed by at most s^2 / (8 r).
    """
    _splat_balls(points_mm, radii_mm, grid.x0_mm, grid.y0_mm, grid.pixel_mm, height_mm)


@njit(cache=True, nogil=True)
def _sweep_cone(height, source_i, source_j, value, pixel, slope):
    rows, columns = height.shape
    for sweep in range(8):
        down, right = sweep & 1, sweep & 2
        changed = 0
        for ii in range(rows):
            i = ii if down == 0 else rows - 1 - ii
            for jj in range(columns):
                j = jj if right == 0 else columns - 1 - jj
                best = height[i, j]
                for di in range(-1, 2):
                    for dj in range(-1, 2):
                        a, b = i + di, j + dj
                        if (di == 0 and dj == 0) or a < 0 or b < 0 or a >= rows or b >= columns:
                            continue
                        si, sj = source_i[a, b], source_j[a, b]
                        if si < 0:
                            continue
                        distance = pixel * np.sqrt(float((si - i) * (si - i) + (sj - j) * (sj - j)))
                        raised = value[si, sj] - distance * slope
                        if raised > best:
                            best = raised
                            source_i[i, j] = si
                            source_j[i, j] = sj
                            changed += 1
                height[i, j] = best
        if changed == 0 and sweep >= 3:
            break


def limit_slope(height_mm: np.ndarray, draft_deg: float, pixel_mm: float) -> np.ndarray:
    """Least map above `height_mm` whose slope nowhere exceeds cot(draft): dilation by a cone.

    Each pixel carries the pixel that its height comes from, so distances stay Euclidean (not chamfered).
    -inf pixels have no height of their own; they stay -inf only where nothing is near enough.
    """
    slope = 1.0 / np.tan(np.radians(draft_deg))
    out = height_mm.astype(np.float64)
    rows, columns = out.shape
    own = np.isfinite(out)
    source_i = np.where(own, np.arange(rows)[:, None], -1).astype(np.int32)
    source_j = np.where(own, np.arange(columns)[None, :], -1).astype(np.int32)
    _sweep_cone(out, source_i, source_j, out.copy(), float(pixel_mm), float(slope))
    return out.astype(np.float32)
