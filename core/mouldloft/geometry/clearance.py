"""A height map's facets held clear of balls: what stands between its nodes counts too, and steep walls with it.

Compiled, exact by pairs of facet and ball, and linear in the pairs that come near each other.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit

_BIN_MM = 4.0  # about the pitch of a lattice: a facet looks at few bins, and a bin holds few points out of its reach
_SHARES = (0.4, 0.5, 0.7)  # of the first steps: a full one clears every ball at once, and some by more than need be
_ONE_IN = 4  # balls that are asked in the first steps, which need not be exact
_ROUNDS = 24
_ENOUGH_MM = 1e-5
_TOUCHING = 1.000001  # times a radius squared: what rounding cannot bring into the ball
_SHEER, _OVER_MM = 0.03, 1e-3  # a facet whose normal leans no more than this to the pull is sheer


@dataclass(frozen=True, eq=False)
class _Balls:
    """Balls sorted into square bins over x and y, and by height in each.

    x_mm, y_mm, z_mm, radii_mm : (k,); first : (rows * columns + 1,) where each bin begins; widest_mm, top_mm :
    (rows * columns,) each bin's largest radius and its highest centre, -inf where it holds none.
    """

    x_mm: np.ndarray
    y_mm: np.ndarray
    z_mm: np.ndarray
    radii_mm: np.ndarray
    first: np.ndarray
    widest_mm: np.ndarray
    top_mm: np.ndarray
    corner_mm: tuple[float, float]
    rows: int
    columns: int


def raised_clear(nodes_mm: np.ndarray, faces: np.ndarray, centres_mm: np.ndarray, radii_mm: np.ndarray) -> np.ndarray:
    """(n,) heights of a height map's nodes, raised until no facet cuts into a ball by more than `_ENOUGH_MM`.

    nodes_mm : (n, 3), heights last; faces : (m, 3); centres_mm : (k, 3), radii_mm : (k,). Each facet and ball that come
    too near ask the corners for the least sum of squares of steps; a node takes the greatest asked of it.
    """
    nodes = nodes_mm.astype(np.float64)
    some = _sorted_balls(centres_mm[::_ONE_IN], radii_mm[::_ONE_IN])
    for share in _SHARES:
        nodes[:, 2] += share * _asked_rise(nodes, faces, some)[0]
    balls, looked = _sorted_balls(centres_mm, radii_mm), faces
    for _ in range(_ROUNDS):
        rise, worst = _asked_rise(nodes, looked, balls)
        if worst < _ENOUGH_MM:
            break
        nodes[:, 2] += rise
        looked = faces[(rise[faces] > 0).any(axis=1)]
    return np.asarray(nodes[:, 2])


def _sorted_balls(centres_mm: np.ndarray, radii_mm: np.ndarray) -> _Balls:
    corner = centres_mm[:, :2].min(axis=0)
    at = ((centres_mm[:, :2] - corner) / _BIN_MM).astype(np.int64)
    columns, rows = (at.max(axis=0) + 1).tolist()
    bins = at[:, 1] * columns + at[:, 0]
    height = centres_mm[:, 2] - centres_mm[:, 2].min()
    order = np.argsort(bins + 0.999 * height / max(float(height.max()), 1e-9))
    first = np.zeros(rows * columns + 1, np.int64)
    np.cumsum(np.bincount(bins, minlength=rows * columns), out=first[1:])
    widest = np.zeros(rows * columns)
    np.maximum.at(widest, bins, radii_mm)
    x, y, z = (np.ascontiguousarray(axis[order]) for axis in centres_mm.T)
    top = np.full(rows * columns, -np.inf)
    top[bins[order]] = z  # of a bin's the last one stays, which is the highest
    at_corner = (float(corner[0]), float(corner[1]))
    return _Balls(x, y, z, radii_mm[order], first, widest, top, at_corner, rows, columns)


def _asked_rise(nodes: np.ndarray, faces: np.ndarray, balls: _Balls) -> tuple[np.ndarray, float]:
    """(n,) by how much each node should rise, and by how much a facet cuts into a ball at the worst."""
    rise, worst = np.zeros(len(nodes)), np.zeros(1)
    _ask(
        nodes, faces, balls.x_mm, balls.y_mm, balls.z_mm, balls.radii_mm, balls.first, balls.widest_mm, balls.top_mm,
        float(balls.radii_mm.max()), *balls.corner_mm, balls.rows, balls.columns, _BIN_MM, rise, worst,
    )  # fmt: skip
    return rise, float(worst[0])


@njit(cache=True, nogil=True, inline="always")
def _dot(ux, uy, uz, vx, vy, vz):
    return ux * vx + uy * vy + uz * vz


# numbers, not small arrays: an array made in the inner loop would cost more than all that is done with it
@njit(cache=True, nogil=True)
def _weights(px, py, pz, ax, ay, az, bx, by, bz, cx, cy, cz):
    """Barycentric weights of the point of a triangle nearest to p: by the regions of its corners and edges.

    Ericson, Real-Time Collision Detection (2005), section 5.1.5 (from memory; tested against trimesh).
    """
    d1 = _dot(bx - ax, by - ay, bz - az, px - ax, py - ay, pz - az)
    d2 = _dot(cx - ax, cy - ay, cz - az, px - ax, py - ay, pz - az)
    d3 = _dot(bx - ax, by - ay, bz - az, px - bx, py - by, pz - bz)
    d4 = _dot(cx - ax, cy - ay, cz - az, px - bx, py - by, pz - bz)
    d5 = _dot(bx - ax, by - ay, bz - az, px - cx, py - cy, pz - cz)
    d6 = _dot(cx - ax, cy - ay, cz - az, px - cx, py - cy, pz - cz)
    va, vb, vc = d3 * d6 - d5 * d4, d5 * d2 - d1 * d6, d1 * d4 - d3 * d2
    if d1 <= 0.0 and d2 <= 0.0:
        return 1.0, 0.0, 0.0
    if d3 >= 0.0 and d4 <= d3:
        return 0.0, 1.0, 0.0
    if d6 >= 0.0 and d5 <= d6:
        return 0.0, 0.0, 1.0
    if vc <= 0.0 and d1 >= 0.0 and d3 <= 0.0:
        share = d1 / (d1 - d3)
        return 1.0 - share, share, 0.0
    if vb <= 0.0 and d2 >= 0.0 and d6 <= 0.0:
        share = d2 / (d2 - d6)
        return 1.0 - share, 0.0, share
    if va <= 0.0 and d4 >= d3 and d5 >= d6:
        share = (d4 - d3) / ((d4 - d3) + (d5 - d6))
        return 0.0, 1.0 - share, share
    whole = va + vb + vc
    return va / whole, vb / whole, vc / whole


@njit(cache=True, nogil=True)
def _steps(need, wa, wb, wc, most_a, most_b, most_c):
    """Steps of three corners, the least sum of squares that lifts the point of these weights by what is needed; none
    over its most, the others more in its place."""
    a, b, c = 0.0, 0.0, 0.0
    free_a, free_b, free_c = wa > 0.0, wb > 0.0, wc > 0.0
    for _ in range(3):
        whole = free_a * wa * wa + free_b * wb * wb + free_c * wc * wc
        if whole <= 0.0:
            break
        left = need
        left -= 0.0 if free_a else wa * a
        left -= 0.0 if free_b else wb * b
        left -= 0.0 if free_c else wc * c
        step = max(left, 0.0) / whole
        a, b, c = step * wa if free_a else a, step * wb if free_b else b, step * wc if free_c else c
        if a <= most_a and b <= most_b and c <= most_c:
            break
        if a > most_a:
            a, free_a = most_a, False
        if b > most_b:
            b, free_b = most_b, False
        if c > most_c:
            c, free_c = most_c, False
    return a, b, c


@njit(cache=True, nogil=True)
def _first_at(heights, start, end, z):
    """Number of the first centre of a bin that is at least this high."""
    while start < end:
        half = (start + end) // 2
        if heights[half] < z:
            start = half + 1
        else:
            end = half
    return start


@njit(cache=True, nogil=True, inline="always")
def _outward(ax, ay, az, bx, by, bz, nx, ny, nz):
    """Unit vector in a facet's plane, away from it across its side from a to b."""
    ux, uy, uz = bx - ax, by - ay, bz - az
    px, py, pz = uy * nz - uz * ny, uz * nx - ux * nz, ux * ny - uy * nx
    long = np.sqrt(px * px + py * py + pz * pz)
    return px / long, py / long, pz / long


@njit(cache=True, nogil=True)
def _mark_near(
    x, y, z, radii, ax, ay, az, bx, by, bz, cx, cy, cz, mx, my, mz, nx, ny, nz, reach,
    px, py, pz, qx, qy, qz, sx, sy, sz, near,
):  # fmt: skip
    """Which balls may cut into a facet: by its plane, a ball round its middle, and its sides. No branch within, so that
    it runs on whole vectors of balls; the last of the three spares rounding, or a ball that just touches would go."""
    for k in range(len(x)):
        r, wide = radii[k], reach + radii[k]
        ux, uy, uz = x[k] - mx, y[k] - my, z[k] - mz
        off = ux * nx + uy * ny + uz * nz
        beside = max(_dot(x[k] - ax, y[k] - ay, z[k] - az, px, py, pz), 0.0)
        beside = max(_dot(x[k] - bx, y[k] - by, z[k] - bz, qx, qy, qz), beside)
        beside = max(_dot(x[k] - cx, y[k] - cy, z[k] - cz, sx, sy, sz), beside)
        far = (off * off >= r * r) | (ux * ux + uy * uy + uz * uz >= wide * wide)
        near[k] = not (far | (off * off + beside * beside >= _TOUCHING * r * r))


@njit(cache=True, nogil=True)
def _ask(
    nodes, faces, xs, ys, zs, radii, first, widest, top, most, left, front, rows, columns, size, rise, worst
):  # fmt: skip
    near = np.empty(np.diff(first).max(), np.bool_)
    for f in range(faces.shape[0]):
        one, two, three = faces[f, 0], faces[f, 1], faces[f, 2]
        ax, ay, az = nodes[one, 0], nodes[one, 1], nodes[one, 2]
        bx, by, bz = nodes[two, 0], nodes[two, 1], nodes[two, 2]
        cx, cy, cz = nodes[three, 0], nodes[three, 1], nodes[three, 2]
        nx = (by - ay) * (cz - az) - (bz - az) * (cy - ay)
        ny = (bz - az) * (cx - ax) - (bx - ax) * (cz - az)
        nz = (bx - ax) * (cy - ay) - (by - ay) * (cx - ax)
        long = np.sqrt(nx * nx + ny * ny + nz * nz)
        nx, ny, nz = nx / long, ny / long, nz / long
        mx, my, mz = (ax + bx + cx) / 3.0, (ay + by + cy) / 3.0, (az + bz + cz) / 3.0
        reach = np.sqrt(
            max(
                (ax - mx) ** 2 + (ay - my) ** 2 + (az - mz) ** 2,
                (bx - mx) ** 2 + (by - my) ** 2 + (bz - mz) ** 2,
                (cx - mx) ** 2 + (cy - my) ** 2 + (cz - mz) ** 2,
            )
        )
        px, py, pz = _outward(ax, ay, az, bx, by, bz, nx, ny, nz)
        qx, qy, qz = _outward(bx, by, bz, cx, cy, cz, nx, ny, nz)
        sx, sy, sz = _outward(cx, cy, cz, ax, ay, az, nx, ny, nz)
        west, east = min(ax, bx, cx) - left, max(ax, bx, cx) - left
        south, north = min(ay, by, cy) - front, max(ay, by, cy) - front
        low, high = min(az, bz, cz), max(az, bz, cz)
        for i in range(max(int((south - most) / size), 0), min(int((north + most) / size) + 1, rows)):
            across = max(i * size - north, south - (i + 1) * size, 0.0)
            for j in range(max(int((west - most) / size), 0), min(int((east + most) / size) + 1, columns)):
                bin_at = i * columns + j
                below = low - top[bin_at]
                if below > most:
                    continue
                along = max(j * size - east, west - (j + 1) * size, 0.0)
                wide = widest[bin_at] ** 2 - across * across - along * along
                if wide <= 0.0:
                    continue
                wide = np.sqrt(wide)
                if below > wide:
                    continue
                end = first[bin_at + 1]
                start = _first_at(zs, first[bin_at], end, low - wide)
                end = _first_at(zs, start, end, high + wide)
                _mark_near(
                    xs[start:end], ys[start:end], zs[start:end], radii[start:end], ax, ay, az, bx, by, bz, cx, cy, cz,
                    mx, my, mz, nx, ny, nz, reach, px, py, pz, qx, qy, qz, sx, sy, sz, near,
                )  # fmt: skip
                for k in range(start, end):
                    if near[k - start]:
                        _lift(
                            xs[k], ys[k], zs[k], radii[k], ax, ay, az, bx, by, bz, cx, cy, cz, nz, one, two, three,
                            rise, worst,
                        )  # fmt: skip


@njit(cache=True, nogil=True)
def _lift(x, y, z, r, ax, ay, az, bx, by, bz, cx, cy, cz, nz, one, two, three, rise, worst):
    """What one ball asks of one facet's corners."""
    wa, wb, wc = _weights(x, y, z, ax, ay, az, bx, by, bz, cx, cy, cz)
    short = r - np.sqrt(
        (wa * ax + wb * bx + wc * cx - x) ** 2
        + (wa * ay + wb * by + wc * cy - y) ** 2
        + (wa * az + wb * bz + wc * cz - z) ** 2
    )
    if short <= 0.0:
        return
    worst[0] = max(worst[0], short)
    # of a sheer facet no corner past the ball's top, where it is clear: it would ask for ever more
    over = z + r + _OVER_MM if abs(nz) < _SHEER else np.inf
    up, middle, down = _steps(
        short / abs(nz), wa, wb, wc, max(over - az, 0.0), max(over - bz, 0.0), max(over - cz, 0.0)
    )
    rise[one] = max(rise[one], up)
    rise[two] = max(rise[two], middle)
    rise[three] = max(rise[three], down)
