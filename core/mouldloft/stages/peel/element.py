"""Rubber on a lattice of cubes: forces in every cell from its nodes' displacements, compiled.

A cell is an eight-node cube of which only a part is rubber. Its stretch is taken at the middle of that rubber by a
stable neo-Hookean law (Smith, De Goes and Kim, ACM Transactions on Graphics 37, 2018; from memory, verify). What varies
over the cell (bending, twisting) is taken in the cell's own turned axes, weighted by the rubber's second moments,
without the shear and the thickness strain that a cube puts there by mistake: the idea of physical hourglass
stabilisation (Belytschko and Bindeman 1993; from memory, verify). So one layer of cells bends as stiffly as the skin
in it, and one evaluation a cell is enough. Cells are worked through in blocks, each component of a block in a row of
its own and no branch between: so the compiler takes several cells in one instruction.
"""

from __future__ import annotations

import numpy as np
from numba import njit

# corners of a cell, in the order of its nodes
CORNERS = np.array([(i, j, k) for i in (-1, 1) for j in (-1, 1) for k in (-1, 1)], dtype=np.int8)
_MOST_TURN = 0.02  # half of the angle, in radians, by which a cell's axes turn in one step
_LANES = 16  # cells of a block
# rows of a block: what moves each component of each corner, and then the force on it; then what a cell is
_VOLUME, _MIDDLE, _EASED, _MOMENT, _TURN, _ENERGY, _ROWS = 24, 25, 28, 31, 37, 41, 42


def corner_weights(local: np.ndarray) -> np.ndarray:
    """(k, 8) how much each corner of its cell counts at places (k, 3) in the cell, -1 to 1 across it."""
    return np.asarray(np.prod(1 + local[:, None, :] * CORNERS[None], axis=2) / 8)


@njit(cache=True, nogil=True, fastmath=True, error_model="numpy", forceinline=True)
def _in(w, row, lane):  # type: ignore[no-untyped-def]
    return w[row * _LANES + lane]


@njit(cache=True, nogil=True, fastmath=True, error_model="numpy", forceinline=True)
def _modes(w, at):  # type: ignore[no-untyped-def]
    """Sums of one component over a cell's corners, _LANES apart in w from `at` on, with the signs of x, y, z, yz, xz,
    xy, xyz."""
    a, b, c, d = w[at], w[at + _LANES], w[at + 2 * _LANES], w[at + 3 * _LANES]
    e, f, g, h = w[at + 4 * _LANES], w[at + 5 * _LANES], w[at + 6 * _LANES], w[at + 7 * _LANES]
    ab, cd, ef, gh = a + b, c + d, e + f, g + h
    ba, dc, fe, hg = b - a, d - c, f - e, h - g
    low, high, low_y, high_y = ab + cd, ef + gh, cd - ab, gh - ef
    low_z, high_z, low_yz, high_yz = ba + dc, fe + hg, dc - ba, hg - fe
    return (
        high - low, low_y + high_y, low_z + high_z, low_yz + high_yz, high_z - low_z, high_y - low_y,
        high_yz - low_yz,
    )  # fmt: skip


@njit(cache=True, nogil=True, fastmath=True, error_model="numpy", forceinline=True)
def _spread(w, at, x, y, z, yz, xz, xy, xyz):  # type: ignore[no-untyped-def]
    """One component's sums taken back to the corners: the transpose of `_modes`, in its place."""
    low, high = -x, x
    low_y, high_y = y - xy, y + xy
    low_z, high_z = z - xz, z + xz
    low_yz, high_yz = yz - xyz, yz + xyz
    w[at] = low - low_y - low_z + low_yz
    w[at + _LANES] = low - low_y + low_z - low_yz
    w[at + 2 * _LANES] = low + low_y - low_z - low_yz
    w[at + 3 * _LANES] = low + low_y + low_z + low_yz
    w[at + 4 * _LANES] = high - high_y - high_z + high_yz
    w[at + 5 * _LANES] = high - high_y + high_z - high_yz
    w[at + 6 * _LANES] = high + high_y - high_z - high_yz
    w[at + 7 * _LANES] = high + high_y + high_z + high_yz


@njit(cache=True, nogil=True, fastmath=True, error_model="numpy", forceinline=True)
def _matrix(w, x, y, z):  # type: ignore[no-untyped-def]
    return (
        1 - 2 * (y * y + z * z), 2 * (x * y - w * z), 2 * (x * z + w * y),
        2 * (x * y + w * z), 1 - 2 * (x * x + z * z), 2 * (y * z - w * x),
        2 * (x * z - w * y), 2 * (y * z + w * x), 1 - 2 * (x * x + y * y),
    )  # fmt: skip


@njit(cache=True, nogil=True, fastmath=True, error_model="numpy", forceinline=True)
def _turned(w, x, y, z, f, ease):  # type: ignore[no-untyped-def]
    """The quaternion a step on towards the turn in f (Müller and others, "A robust method to extract the rotational
    part of deformations", 2016; from memory, verify)."""
    f00, f01, f02, f10, f11, f12, f20, f21, f22 = f
    r00, r01, r02, r10, r11, r12, r20, r21, r22 = _matrix(w, x, y, z)
    ox = r10 * f20 - r20 * f10 + r11 * f21 - r21 * f11 + r12 * f22 - r22 * f12
    oy = r20 * f00 - r00 * f20 + r21 * f01 - r01 * f21 + r22 * f02 - r02 * f22
    oz = r00 * f10 - r10 * f00 + r01 * f11 - r11 * f01 + r02 * f12 - r12 * f02
    dot = r00 * f00 + r01 * f01 + r02 * f02 + r10 * f10 + r11 * f11 + r12 * f12 + r20 * f20 + r21 * f21 + r22 * f22
    # half an angle; a cell pressed flat has no turn of its own and would flip from step to step
    size = 0.5 * np.sqrt(ox * ox + oy * oy + oz * oz) / (abs(dot) + 1e-9)
    s = ease * min(1.0, _MOST_TURN / (size + 1e-12)) * 0.5 / (abs(dot) + 1e-9)
    hx, hy, hz = s * ox, s * oy, s * oz  # half of a small turn, as a quaternion
    nw = w - hx * x - hy * y - hz * z
    nx = x + hx * w + hy * z - hz * y
    ny = y - hx * z + hy * w + hz * x
    nz = z + hx * y - hy * x + hz * w
    n = 1.0 / np.sqrt(nw * nw + nx * nx + ny * ny + nz * nz)
    return nw * n, nx * n, ny * n, nz * n


@njit(cache=True, nogil=True, fastmath=True, error_model="numpy", forceinline=True)
def _ease(f):  # type: ignore[no-untyped-def]
    """1, falling to 0 as a cell is pressed flat: its turned axes then say nothing, so they
    stay as they are and it is left a plain cube."""
    f00, f01, f02, f10, f11, f12, f20, f21, f22 = f
    j = (
        f00 * (f11 * f22 - f12 * f21) + f01 * (f12 * f20 - f10 * f22) + f02 * (f10 * f21 - f11 * f20)
    )  # fmt: skip
    return min(max((j - 0.2) / 0.4, 0.0), 1.0)


@njit(cache=True, nogil=True, fastmath=True, error_model="numpy", forceinline=True)
def _across(r, a0, a1, a2):  # type: ignore[no-untyped-def]
    """A vector in the cell's turned axes: rᵀa."""
    return (
        r[0] * a0 + r[3] * a1 + r[6] * a2, r[1] * a0 + r[4] * a1 + r[7] * a2, r[2] * a0 + r[5] * a1 + r[8] * a2,
    )  # fmt: skip


@njit(cache=True, nogil=True, fastmath=True, error_model="numpy", forceinline=True)
def _back(r, a, b, c):  # type: ignore[no-untyped-def]
    """ra: back in the axes of the plan."""
    return (
        r[0] * a + r[1] * b + r[2] * c, r[3] * a + r[4] * b + r[5] * c, r[6] * a + r[7] * b + r[8] * c,
    )  # fmt: skip


@njit(cache=True, nogil=True, fastmath=True, error_model="numpy", forceinline=True)
def _less_shear(f, r, ex, ey, ez, a, b, c):  # type: ignore[no-untyped-def]
    """The gradient without the shear by which a cube bends: as it is at the rubber's middle, so further on."""
    gxy, gxz, gyx, gyz, gzx, gzy = ex * c[0], ex * b[0], ey * c[1], ey * a[1], ez * b[2], ez * a[2]
    r00, r01, r02, r10, r11, r12, r20, r21, r22 = r
    return (
        f[0] - r01 * gyx - r02 * gzx, f[1] - r00 * gxy - r02 * gzy, f[2] - r00 * gxz - r01 * gyz,
        f[3] - r11 * gyx - r12 * gzx, f[4] - r10 * gxy - r12 * gzy, f[5] - r10 * gxz - r11 * gyz,
        f[6] - r21 * gyx - r22 * gzx, f[7] - r20 * gxy - r22 * gzy, f[8] - r20 * gxz - r21 * gyz,
    )  # fmt: skip


@njit(cache=True, nogil=True, fastmath=True, error_model="numpy", forceinline=True)
def _stress(f, v, mu, bulk):  # type: ignore[no-untyped-def]
    """Energy, and force over gradient (nine), of v mm³ stretched by f."""
    f00, f01, f02, f10, f11, f12, f20, f21, f22 = f
    k00, k01, k02 = f11 * f22 - f12 * f21, f12 * f20 - f10 * f22, f10 * f21 - f11 * f20
    k10, k11, k12 = f21 * f02 - f22 * f01, f22 * f00 - f20 * f02, f20 * f01 - f21 * f00
    k20, k21, k22 = f01 * f12 - f02 * f11, f02 * f10 - f00 * f12, f00 * f11 - f01 * f10
    j = f00 * k00 + f01 * k01 + f02 * k02
    vm, vp = v * mu, v * (bulk * (j - 1.0) - mu)
    square = f00 * f00 + f01 * f01 + f02 * f02 + f10 * f10 + f11 * f11 + f12 * f12 + f20 * f20 + f21 * f21 + f22 * f22
    energy = v * (0.5 * mu * (square - 3.0) - mu * (j - 1.0) + 0.5 * bulk * (j - 1.0) * (j - 1.0))
    return energy, (
        vm * f00 + vp * k00, vm * f01 + vp * k01, vm * f02 + vp * k02,
        vm * f10 + vp * k10, vm * f11 + vp * k11, vm * f12 + vp * k12,
        vm * f20 + vp * k20, vm * f21 + vp * k21, vm * f22 + vp * k22,
    )  # fmt: skip


@njit(cache=True, nogil=True, fastmath=True, error_model="numpy", forceinline=True)
def _moments(m, g, a, b, c):  # type: ignore[no-untyped-def]
    return (
        g * (m[0] * a + m[5] * b + m[4] * c), g * (m[5] * a + m[1] * b + m[3] * c),
        g * (m[4] * a + m[3] * b + m[2] * c),
    )  # fmt: skip


@njit(cache=True, nogil=True, fastmath=True, error_model="numpy", forceinline=True)
def _bending(m, mu, a, b, c):  # type: ignore[no-untyped-def]
    """Energy of what varies over the cell, and its slope against the modes yz, xz and xy (three each), in turned axes.

    Strain for each mm along x: yy = ux, zz = vx, xx = −ux − vx, yz = wx; along y: zz = uy, xx = vy, yy = −uy − vy,
    xz = wy; along z: xx = uz, yy = vz, zz = −uz − vz, xy = wz.
    """
    (ax, ay, az), (bx, by, bz), (cx, cy, cz) = a, b, c
    ux, vx, wx = cy, bz, 0.5 * (by + cz)
    uy, vy, wy = az, cx, 0.5 * (cz + ax)
    uz, vz, wz = bx, ay, 0.5 * (ax + by)
    xx0, xx1, xx2 = -ux - vx, vy, uz
    yy0, yy1, yy2 = ux, -uy - vy, vz
    zz0, zz1, zz2 = vx, uy, -uz - vz
    g = 2.0 * mu
    sxx0, sxx1, sxx2 = _moments(m, g, xx0, xx1, xx2)
    syy0, syy1, syy2 = _moments(m, g, yy0, yy1, yy2)
    szz0, szz1, szz2 = _moments(m, g, zz0, zz1, zz2)
    # each shear stands twice in the strain: yz for x, xz for y, xy for z, and no two of them at one place
    tx, ty, tz = 2 * g * m[0] * wx, 2 * g * m[1] * wy, 2 * g * m[2] * wz
    energy = 0.5 * (
        sxx0 * xx0 + sxx1 * xx1 + sxx2 * xx2 + syy0 * yy0 + syy1 * yy1 + syy2 * yy2 + szz0 * zz0 + szz1 * zz1
        + szz2 * zz2 + tx * wx + ty * wy + tz * wz
    )  # fmt: skip
    return (
        energy,
        (0.5 * (ty + tz), syy2 - szz2, szz1 - syy1),
        (sxx2 - szz2, 0.5 * (tx + tz), szz0 - sxx0),
        (sxx1 - syy1, syy0 - sxx0, 0.5 * (tx + ty)),
    )


@njit(cache=True, nogil=True, fastmath=True, error_model="numpy", forceinline=True)
def _one_cell(w, lane, one, two, mu, bulk, hold):  # type: ignore[no-untyped-def]
    """A lane of a block: from what moves its corners to the forces on them, its axes a step on, its energy."""
    x, y, z = lane, lane + 8 * _LANES, lane + 16 * _LANES
    v = _in(w, _VOLUME, lane)
    lx, ly, lz = _in(w, _MIDDLE, lane), _in(w, _MIDDLE + 1, lane), _in(w, _MIDDLE + 2, lane)
    m = (
        _in(w, _MOMENT, lane), _in(w, _MOMENT + 1, lane), _in(w, _MOMENT + 2, lane), _in(w, _MOMENT + 3, lane),
        _in(w, _MOMENT + 4, lane), _in(w, _MOMENT + 5, lane),
    )  # fmt: skip
    x0, y0, z0, a0, b0, c0, t0 = _modes(w, x)  # a, b, c: the modes yz, xz, xy
    x1, y1, z1, a1, b1, c1, t1 = _modes(w, y)
    x2, y2, z2, a2, b2, c2, t2 = _modes(w, z)
    a0, b0, c0, a1, b1, c1 = two * a0, two * b0, two * c0, two * a1, two * b1, two * c1
    a2, b2, c2 = two * a2, two * b2, two * c2
    f = (
        1 + one * x0 + ly * c0 + lz * b0, one * y0 + lx * c0 + lz * a0, one * z0 + lx * b0 + ly * a0,
        one * x1 + ly * c1 + lz * b1, 1 + one * y1 + lx * c1 + lz * a1, one * z1 + lx * b1 + ly * a1,
        one * x2 + ly * c2 + lz * b2, one * y2 + lx * c2 + lz * a2, 1 + one * z2 + lx * b2 + ly * a2,
    )  # fmt: skip
    ease = _ease(f)
    qw, qx, qy, qz = _turned(
        _in(w, _TURN, lane), _in(w, _TURN + 1, lane), _in(w, _TURN + 2, lane), _in(w, _TURN + 3, lane), f, ease
    )
    r = _matrix(qw, qx, qy, qz)
    ex, ey, ez = (
        ease * _in(w, _EASED, lane), ease * _in(w, _EASED + 1, lane), ease * _in(w, _EASED + 2, lane),
    )  # fmt: skip
    a, b, c = _across(r, a0, a1, a2), _across(r, b0, b1, b2), _across(r, c0, c1, c2)
    stored, p = _stress(_less_shear(f, r, ex, ey, ez, a, b, c), v, mu, bulk)
    bent, qa, qb, qc = _bending(m, mu, a, b, c)
    hold *= v
    p0, p1, p2 = _across(r, p[0], p[3], p[6]), _across(r, p[1], p[4], p[7]), _across(r, p[2], p[5], p[8])
    ax, ay, az = _back(r, qa[0], qa[1] - ey * p2[1], qa[2] - ez * p1[2])
    bx, by, bz = _back(r, qb[0] - ex * p2[0], qb[1], qb[2] - ez * p0[2])
    cx, cy, cz = _back(r, qc[0] - ex * p1[0], qc[1] - ey * p0[1], qc[2])
    _spread(
        w, x, one * p[0], one * p[1], one * p[2], two * (ax + ly * p[2] + lz * p[1]),
        two * (bx + lx * p[2] + lz * p[0]), two * (cx + lx * p[1] + ly * p[0]), hold * t0,
    )  # fmt: skip
    _spread(
        w, y, one * p[3], one * p[4], one * p[5], two * (ay + ly * p[5] + lz * p[4]),
        two * (by + lx * p[5] + lz * p[3]), two * (cy + lx * p[4] + ly * p[3]), hold * t1,
    )  # fmt: skip
    _spread(
        w, z, one * p[6], one * p[7], one * p[8], two * (az + ly * p[8] + lz * p[7]),
        two * (bz + lx * p[8] + lz * p[6]), two * (cz + lx * p[7] + ly * p[6]), hold * t2,
    )  # fmt: skip
    w[_ENERGY * _LANES + lane] = stored + bent + 0.5 * hold * (t0 * t0 + t1 * t1 + t2 * t2)
    w[_TURN * _LANES + lane], w[(_TURN + 1) * _LANES + lane] = qw, qx
    w[(_TURN + 2) * _LANES + lane], w[(_TURN + 3) * _LANES + lane] = qy, qz


@njit(cache=True, nogil=True)
def _gather(w, u, nodes, start, count, volume, middle, eased, moment, turn):  # type: ignore[no-untyped-def]
    """Cells from `start` on into the rows of a block; lanes past `count` are not taken back."""
    for lane in range(count):
        n = start + lane
        for a in range(8):
            at = nodes[n, a]
            w[a * _LANES + lane], w[(8 + a) * _LANES + lane], w[(16 + a) * _LANES + lane] = u[at, 0], u[at, 1], u[at, 2]
        w[_VOLUME * _LANES + lane] = volume[n]
        for i in range(3):
            w[(_MIDDLE + i) * _LANES + lane], w[(_EASED + i) * _LANES + lane] = middle[n, i], eased[n, i]
        for i in range(6):
            w[(_MOMENT + i) * _LANES + lane] = moment[n, i]
        for i in range(4):
            w[(_TURN + i) * _LANES + lane] = turn[n, i]


@njit(cache=True, nogil=True)
def _scatter(w, force, nodes, start, count, turn):  # type: ignore[no-untyped-def]
    """A block's forces taken off those of its nodes, its axes kept; returns its energy."""
    energy = 0.0
    for lane in range(count):
        n = start + lane
        for a in range(8):
            at = nodes[n, a]
            force[at, 0] -= w[a * _LANES + lane]
            force[at, 1] -= w[(8 + a) * _LANES + lane]
            force[at, 2] -= w[(16 + a) * _LANES + lane]
        for i in range(4):
            turn[n, i] = w[(_TURN + i) * _LANES + lane]
        energy += w[_ENERGY * _LANES + lane]
    return energy


@njit(cache=True, nogil=True, fastmath=True, error_model="numpy")
def _work(w, one, two, mu, bulk, hold):  # type: ignore[no-untyped-def]
    for lane in range(_LANES):
        _one_cell(w, lane, one, two, mu, bulk, hold)


@njit(cache=True, nogil=True, fastmath=True, error_model="numpy")
def cell_forces(
    u: np.ndarray,
    nodes: np.ndarray,
    volume: np.ndarray,
    middle: np.ndarray,
    eased: np.ndarray,
    moment: np.ndarray,
    turn: np.ndarray,
    pitch: float,
    mu: float,
    bulk: float,
    steady: float,
    force: np.ndarray,
) -> float:
    """Add every cell's forces to `force` and return the elastic energy (N mm).

    u, force : (n, 3) displacements (mm) and forces (N). nodes : (c, 8) int32 in the order of CORNERS. volume : (c,) mm³
    of rubber. middle : (c, 3) mm, its centroid from the cell's centre; eased : the same, less for slivers (`lattice`).
    moment : (c, 6) mm⁵, its second moments about the centroid (xx, yy, zz, yz, xz, xy), lessened where the skin runs
    across the cell's axes (`lattice`). turn : (c, 4) quaternions, kept from step to step. mu, bulk : MPa. steady :
    share of mu that holds the one mode without energy.
    """
    one, two = 0.25 / pitch, 0.5 / (pitch * pitch)
    hold = steady * mu / (pitch * pitch)
    work = np.zeros(_ROWS * _LANES)
    work[_TURN * _LANES : (_TURN + 1) * _LANES] = 1.0
    energy = 0.0
    for start in range(0, len(nodes), _LANES):
        count = min(_LANES, len(nodes) - start)
        _gather(work, u, nodes, start, count, volume, middle, eased, moment, turn)
        _work(work, one, two, mu, bulk, hold)
        energy += _scatter(work, force, nodes, start, count, turn)
    return energy
