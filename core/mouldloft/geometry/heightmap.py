"""Height maps along a pull: their surface, slope, how far from flat, and their outline. Shared by the shell
stages.

All maps are (rows, columns), NaN (or False) where there is nothing; pixel centres lie `pixel_mm` apart,
columns along x and rows along y, as in `rubber.Envelope`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from scipy import ndimage
from shapely.geometry.base import BaseGeometry

from .depthmap import Grid
from .faraway import cells_away


@dataclass(frozen=True, eq=False)
class SurfaceCells:
    """The surface over each square between four pixel centres, as two triangles.

    area_mm2 : (rows - 1, columns - 1) float64, 0 where a corner is missing (half where one is).
    centre_mm : (rows - 1, columns - 1, 3) float64, centroid x, y, z; NaN where area is 0.
    normal : the same shape, unit, towards +z.
    """

    area_mm2: np.ndarray
    centre_mm: np.ndarray
    normal: np.ndarray


def surface_cells(height_mm: np.ndarray, origin_mm: tuple[float, float], pixel_mm: float) -> SurfaceCells:
    """Triangulate a height map. The mean of both diagonals is taken, so that a mirrored map gives the same.

    Beside a straight wall steeper than one pixel the area is over by at most a few per cent (staircase);
    with a draft that spreads the wall over several pixels it converges.
    """
    z = np.asarray(height_mm, float)
    corners = np.stack([z[:-1, :-1], z[:-1, 1:], z[1:, 1:], z[1:, :-1]])  # round the cell
    missing = ~np.isfinite(corners)
    count = missing.sum(axis=0)
    whole = count == 0
    one_out = count == 1
    a, b, c, d = corners
    # each diagonal gives two triangles; for a triangle with legs p along x and y the area is p/2 sqrt(p2 +
    # dz2 + dz2)
    area = np.zeros(whole.shape)
    p = float(pixel_mm)
    with np.errstate(invalid="ignore"):
        corner_areas = np.stack(
            [
                _half_cell(b - a, d - a, p),
                _half_cell(a - b, c - b, p),
                _half_cell(d - c, b - c, p),
                _half_cell(c - d, a - d, p),
            ]
        )
    area[whole] = 0.5 * corner_areas.sum(axis=0)[whole]
    # with one corner out, the triangle that stands opposite it is left
    opposite = np.take_along_axis(corner_areas, ((np.argmax(missing, axis=0) + 2) % 4)[None, :, :], axis=0)[0]
    area[one_out] = opposite[one_out]
    usable = whole | one_out
    gx, gy = _cell_gradient(corners, p)
    rows, columns = whole.shape
    x = origin_mm[0] + p * (np.arange(columns) + 0.5)
    y = origin_mm[1] + p * (np.arange(rows) + 0.5)
    mean_z = np.where(usable, np.nansum(corners, axis=0) / np.maximum(4 - count, 1), np.nan)
    centre = np.stack([np.where(usable, x[None, :], np.nan), np.where(usable, y[:, None], np.nan), mean_z], axis=-1)
    normal = np.stack([-gx, -gy, np.ones_like(gx)], axis=-1)
    normal /= np.linalg.norm(normal, axis=-1, keepdims=True)
    return SurfaceCells(area, centre, normal)


def _half_cell(dz1: np.ndarray, dz2: np.ndarray, pixel_mm: float) -> np.ndarray:
    return 0.5 * pixel_mm * np.sqrt(pixel_mm**2 + dz1**2 + dz2**2)


def _cell_gradient(corners: np.ndarray, pixel_mm: float) -> tuple[np.ndarray, np.ndarray]:
    a, b, c, d = corners
    with np.errstate(invalid="ignore"):
        along_x = _mean_of_known(b - a, c - d)
        along_y = _mean_of_known(d - a, c - b)
    return along_x / pixel_mm, along_y / pixel_mm


def _mean_of_known(one: np.ndarray, other: np.ndarray) -> np.ndarray:
    known_one, known_other = np.isfinite(one), np.isfinite(other)
    total = np.where(known_one, one, 0.0) + np.where(known_other, other, 0.0)
    return total / np.maximum(known_one.astype(int) + known_other, 1)


def coarsen(height_mm: np.ndarray, inside: np.ndarray, factor: int) -> tuple[np.ndarray, np.ndarray]:
    """Mean height and share of inside pixels over blocks of `factor` x `factor`.

    Returns (rows // factor up, columns // factor up) float64 mean (NaN where none) and share 0 to 1. Block
    (i, j) has its centre (factor - 1)/2 pixels from its first pixel's centre.
    """
    rows, columns = height_mm.shape
    pad = ((0, -rows % factor), (0, -columns % factor))
    known = np.pad(inside & np.isfinite(height_mm), pad)
    z = np.pad(np.where(inside & np.isfinite(height_mm), height_mm, 0.0).astype(float), pad)
    shape = (known.shape[0] // factor, factor, known.shape[1] // factor, factor)
    count = known.reshape(shape).sum(axis=(1, 3))
    total = z.reshape(shape).sum(axis=(1, 3))
    return np.where(count > 0, total / np.maximum(count, 1), np.nan), count / factor**2


def filled(values: np.ndarray) -> np.ndarray:
    """The map with every unknown pixel at its nearest known one's value."""
    unknown = ~np.isfinite(values)
    at = ndimage.distance_transform_edt(unknown, return_distances=False, return_indices=True)
    return np.asarray(values[tuple(at)])


def share_of_blocks(mask: np.ndarray, factor: int) -> np.ndarray:
    """Share of True pixels over the blocks of `coarsen`, 0 to 1."""
    rows, columns = mask.shape
    padded = np.pad(mask, ((0, -rows % factor), (0, -columns % factor)))
    shape = (padded.shape[0] // factor, factor, padded.shape[1] // factor, factor)
    return padded.reshape(shape).mean(axis=(1, 3))


@dataclass(frozen=True, eq=False)
class LocalFit:
    """Best plane around each pixel: gradient (dz/dx, dz/dy) and the rms distance from that plane along z,
    mm.
    """

    gradient_x: np.ndarray
    gradient_y: np.ndarray
    roughness_mm: np.ndarray

    @property
    def slope(self) -> np.ndarray:
        """Tangent of the slope."""
        return np.hypot(self.gradient_x, self.gradient_y)

    def curve_radius_mm(self, sigma_mm: float) -> np.ndarray:
        """Radius of the sphere that stands as far from its plane as the map does: sigma² / (roughness cos
        slope).

        Over a Gaussian window a sphere of radius R has an rms distance of sigma²/R from its best plane (the
        standard deviation of (x² + y²)/2R); a cylinder has 1/sqrt(2) of that, so it reads as a sphere of 1.4
        times its radius.
        """
        across = self.roughness_mm / np.sqrt(1.0 + self.slope**2)
        return sigma_mm**2 / np.maximum(across, 1e-9)


def fit_planes(height_mm: np.ndarray, inside: np.ndarray, pixel_mm: float, sigma_mm: float) -> LocalFit:
    """Least-squares plane around each inside pixel, Gaussian weights of `sigma_mm`, only inside pixels
    counted.

    Exact for planes right up to the mask's edge (a plain smoothed gradient is not). NaN outside.
    """
    inside = inside & np.isfinite(height_mm)
    sigma = max(sigma_mm / pixel_mm, 0.6)
    rows, columns = inside.shape
    # coordinates about the middle keep the moments' cancellation far above float64's rounding
    x = (np.arange(columns) - columns / 2.0)[None, :] * np.ones((rows, 1))
    y = (np.arange(rows) - rows / 2.0)[:, None] * np.ones((1, columns))
    middle = float(np.nanmean(height_mm[inside])) if inside.any() else 0.0
    z = np.where(inside, height_mm - middle, 0.0).astype(float)
    w = inside.astype(float)

    def smooth(values: np.ndarray) -> np.ndarray:
        return ndimage.gaussian_filter(values, sigma, mode="constant", truncate=4.0)

    with np.errstate(invalid="ignore", divide="ignore"):
        total = smooth(w)
        mx, my, mz = smooth(w * x) / total, smooth(w * y) / total, smooth(z) / total
        xx = smooth(w * x * x) / total - mx * mx
        xy = smooth(w * x * y) / total - mx * my
        yy = smooth(w * y * y) / total - my * my
        xz = smooth(z * x) / total - mx * mz
        yz = smooth(z * y) / total - my * mz
        zz = smooth(z * z) / total - mz * mz
        det = xx * yy - xy * xy
        thin = det < 1e-6 * np.maximum(xx, yy) ** 2  # a line of pixels says nothing about the slope across it
        det = np.where(thin, np.nan, det)
        gx = (yy * xz - xy * yz) / det
        gy = (xx * yz - xy * xz) / det
        left_over = zz - gx * xz - gy * yz
    rough = np.sqrt(np.maximum(left_over, 0.0))
    out = ~inside
    gx, gy, rough = (np.where(out, np.nan, v) for v in (gx / pixel_mm, gy / pixel_mm, rough))
    return LocalFit(gx, gy, rough)


def clearance_mm(allowed: np.ndarray, pixel_mm: float) -> np.ndarray:
    """Distance from each allowed pixel's centre to the edge of the nearest pixel that is not, in the map's
    plane.
    """
    padded = np.pad(allowed, 1)
    distance = cells_away(padded)[1:-1, 1:-1] * pixel_mm
    return np.maximum(distance - 0.5 * pixel_mm, 0.0)


def outline(mask: np.ndarray, origin_mm: tuple[float, float], pixel_mm: float) -> BaseGeometry:
    """The mask's outline as a shapely geometry in frame x, y, its pixel stairs straightened to within a
    pixel.
    """
    stairs = np.diff(np.pad(mask.astype(np.int8), ((0, 0), (1, 1))), axis=1)
    row_on, first = np.nonzero(stairs == 1)
    _, last = np.nonzero(stairs == -1)  # runs of a row come in the same order as their starts
    if len(row_on) == 0:
        return shapely.Polygon()
    # in whole pixels, so that rows meet exactly: in millimetres rounding would leave cracks between them
    runs = shapely.box(first - 0.5, row_on - 0.5, last - 0.5, row_on + 0.5)
    shape = shapely.union_all(runs).simplify(1.0)
    return shapely.transform(shape, lambda ij: np.asarray(origin_mm) + pixel_mm * ij)


def sample(height_mm: np.ndarray, origin_mm: tuple[float, float], pixel_mm: float, xy_mm: np.ndarray) -> np.ndarray:
    """(k,) height at (k, 2) points: bilinear, from the known corners only; NaN where none is known."""
    xy = np.asarray(xy_mm, float)
    rows, columns = height_mm.shape
    fx = np.clip((xy[:, 0] - origin_mm[0]) / pixel_mm, 0, columns - 1)
    fy = np.clip((xy[:, 1] - origin_mm[1]) / pixel_mm, 0, rows - 1)
    j0 = np.minimum(fx.astype(int), max(columns - 2, 0))
    i0 = np.minimum(fy.astype(int), max(rows - 2, 0))
    j1, i1 = np.minimum(j0 + 1, columns - 1), np.minimum(i0 + 1, rows - 1)
    tx, ty = fx - j0, fy - i0
    weights = np.stack([(1 - tx) * (1 - ty), tx * (1 - ty), (1 - tx) * ty, tx * ty])
    values = np.stack([height_mm[i0, j0], height_mm[i0, j1], height_mm[i1, j0], height_mm[i1, j1]]).astype(float)
    known = np.isfinite(values)
    weights = np.where(known, weights, 0.0)
    total = weights.sum(axis=0)
    with np.errstate(invalid="ignore"):
        return np.where(total > 0, (weights * np.where(known, values, 0.0)).sum(axis=0) / total, np.nan)


def sample_map(height_mm: np.ndarray, grid: Grid, x_mm: np.ndarray, y_mm: np.ndarray) -> np.ndarray:
    """(k,) heights of a full map between the pixel centres, bilinear; points beyond the grid take its border's."""
    at = np.stack([(np.asarray(y_mm) - grid.y0_mm) / grid.pixel_mm, (np.asarray(x_mm) - grid.x0_mm) / grid.pixel_mm])
    return ndimage.map_coordinates(height_mm.astype(np.float64), at, order=1, mode="nearest")
