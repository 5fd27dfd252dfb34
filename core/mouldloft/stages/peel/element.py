"""Rubber on a lattice of cubes: forces in every cell from its nodes' displacements, compiled.

A cell is an eight-node cube of which only a part is rubber. Its stretch is taken at the middle of that rubber by a stable
neo-Hookean law (Smith, De Goes and Kim, ACM Transactions on Graphics 37, 2018; from memory, verify). What varies over the
cell (bending, twisting) is taken in the cell's own turned axes, weighted by the rubber's second moments, without the shear
and the thickness strain that a cube puts there by mistake: the idea of physical hourglass stabilisation (Belytschko and
Bindeman 1993; from memory, verify). So one layer of cells bends as stiffly as the skin in it, and one evaluation a cell
is enough. Components stand as plain numbers, so that the compiler keeps them in registers.
"""

from __future__ import annotations

import numpy as np
from numba import njit

# corners of a cell, in the order of its nodes
CORNERS = np.array([(i, j, k) for i in (-1, 1) for j in (-1, 1) for k in (-1, 1)], dtype=np.int8)

Three = tuple[float, float, float]


@njit(cache=True, nogil=True, fastmath=True, inline="always")
def _modes(u, at, i):  # type: ignore[no-untyped-def]
    """Sums of one component over a cell's corners with the signs of x, y, z, yz, xz, xy, xyz."""
    a, b, c, d = u[at[0], i], u[at[1], i], u[at[2], i], u[at[3], i]
    e, f, g, h = u[at[4], i], u[at[5], i], u[at[6], i], u[at[7], i]
    ab, cd, ef, gh = a + b, c + d, e + f, g + h
    ba, dc, fe, hg = b - a, d - c, f - e, h - g
    low, high, low_y, high_y = ab + cd, ef + gh, cd - ab, gh - ef
    low_z, high_z, low_yz, high_yz = ba + dc, fe + hg, dc - ba, hg - fe
    return (
        high - low, low_y + high_y, low_z + high_z, low_yz + high_yz, high_z - low_z, high_y - low_y,
        high_yz - low_yz,
    )  # fmt: skip


@njit(cache=True, nogil=True, fastmath=True, inline="always")
def _spread(force, at, i, x, y, z, yz, xz, xy, xyz):  # type: ignore[no-untyped-def]
    """Take one component's sums back to the corners: the transpose of `_modes`."""
    low, high = -x, x
    low_y, high_y = y - xy, y + xy
    low_z, high_z = z - xz, z + xz
    low_yz, high_yz = yz - xyz, yz + xyz
    force[at[0], i] -= low - low_y - low_z + low_yz
    force[at[1], i] -= low - low_y + low_z - low_yz
    force[at[2], i] -= low + low_y - low_z - low_yz
    force[at[3], i] -= low + low_y + low_z + low_yz
    force[at[4], i] -= high - high_y - high_z + high_yz
    force[at[5], i] -= high - high_y + high_z - high_yz
    force[at[6], i] -= high + high_y - high_z - high_yz
    force[at[7], i] -= high + high_y + high_z + high_yz


@njit(cache=True, nogil=True, fastmath=True, inline="always")
def _matrix(w, x, y, z):  # type: ignore[no-untyped-def]
    return (
        1 - 2 * (y * y + z * z), 2 * (x * y - w * z), 2 * (x * z + w * y),
        2 * (x * y + w * z), 1 - 2 * (x * x + z * z), 2 * (y * z - w * x),
        2 * (x * z - w * y), 2 * (y * z + w * x), 1 - 2 * (x * x + y * y),
    )  # fmt: skip


@njit(cache=True, nogil=True, fastmath=True, inline="always")
def _turned(q, f00, f01, f02, f10, f11, f12, f20, f21, f22):  # type: ignore[no-untyped-def]
    """One step of the quaternion q towards the turn in f, and its matrix (Müller and others, "A robust method to extract
    the rotational part of deformations", 2016; from memory, verify)."""
    w, x, y, z = q[0], q[1], q[2], q[3]
    r00, r01, r02, r10, r11, r12, r20, r21, r22 = _matrix(w, x, y, z)
    ox = r10 * f20 - r20 * f10 + r11 * f21 - r21 * f11 + r12 * f22 - r22 * f12
    oy = r20 * f00 - r00 * f20 + r21 * f01 - r01 * f21 + r22 * f02 - r02 * f22
    oz = r00 * f10 - r10 * f00 + r01 * f11 - r11 * f01 + r02 * f12 - r12 * f02
    dot = r00 * f00 + r01 * f01 + r02 * f02 + r10 * f10 + r11 * f11 + r12 * f12 + r20 * f20 + r21 * f21 + r22 * f22
    s = 0.5 / (abs(dot) + 1e-9)
    hx, hy, hz = s * ox, s * oy, s * oz  # half of a small turn, as a quaternion
    nw = w - hx * x - hy * y - hz * z
    nx = x + hx * w + hy * z - hz * y
    ny = y - hx * z + hy * w + hz * x
    nz = z + hx * y - hy * x + hz * w
    n = 1.0 / np.sqrt(nw * nw + nx * nx + ny * ny + nz * nz)
    q[0], q[1], q[2], q[3] = nw * n, nx * n, ny * n, nz * n
    return _matrix(q[0], q[1], q[2], q[3])


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
    of rubber. middle : (c, 3) mm, its centroid from the cell's centre; eased : the same, less for slivers (`lattice`). moment : (c, 6) mm⁵, its second moments about
    the centroid (xx, yy, zz, yz, xz, xy), lessened where the skin runs across the cell's axes (`lattice`). turn : (c, 4)
    quaternions, kept from step to step. mu, bulk : MPa. steady : share of mu that holds the one mode without energy.
    """
    one = 0.25 / pitch
    two = 0.5 / (pitch * pitch)
    three = 1.0 / (pitch * pitch * pitch)
    energy = 0.0
    for c in range(len(nodes)):
        at = nodes[c]
        x0, y0, z0, a0, b0, c0, t0 = _modes(u, at, 0)  # a, b, c: the modes yz, xz, xy
        x1, y1, z1, a1, b1, c1, t1 = _modes(u, at, 1)
        x2, y2, z2, a2, b2, c2, t2 = _modes(u, at, 2)
        a0, b0, c0 = two * a0, two * b0, two * c0
        a1, b1, c1 = two * a1, two * b1, two * c1
        a2, b2, c2 = two * a2, two * b2, two * c2
        lx, ly, lz = middle[c, 0], middle[c, 1], middle[c, 2]
        f00, f01, f02 = 1 + one * x0 + ly * c0 + lz * b0, one * y0 + lx * c0 + lz * a0, one * z0 + lx * b0 + ly * a0
        f10, f11, f12 = one * x1 + ly * c1 + lz * b1, 1 + one * y1 + lx * c1 + lz * a1, one * z1 + lx * b1 + ly * a1
        f20, f21, f22 = one * x2 + ly * c2 + lz * b2, one * y2 + lx * c2 + lz * a2, 1 + one * z2 + lx * b2 + ly * a2
        # --- what varies over the cell, in its own turned axes
        r00, r01, r02, r10, r11, r12, r20, r21, r22 = _turned(turn[c], f00, f01, f02, f10, f11, f12, f20, f21, f22)
        ax, ay, az = r00 * a0 + r10 * a1 + r20 * a2, r01 * a0 + r11 * a1 + r21 * a2, r02 * a0 + r12 * a1 + r22 * a2
        bx, by, bz = r00 * b0 + r10 * b1 + r20 * b2, r01 * b0 + r11 * b1 + r21 * b2, r02 * b0 + r12 * b1 + r22 * b2
        cx, cy, cz = r00 * c0 + r10 * c1 + r20 * c2, r01 * c0 + r11 * c1 + r21 * c2, r02 * c0 + r12 * c1 + r22 * c2
        # a cube bends by shearing; that share of the shear at the rubber's middle is left out, as it is further on
        ex, ey, ez = eased[c, 0], eased[c, 1], eased[c, 2]
        gxy, gxz, gyx, gyz, gzx, gzy = ex * cx, ex * bx, ey * cy, ey * ay, ez * bz, ez * az
        f00 -= r01 * gyx + r02 * gzx
        f10 -= r11 * gyx + r12 * gzx
        f20 -= r21 * gyx + r22 * gzx
        f01 -= r00 * gxy + r02 * gzy
        f11 -= r10 * gxy + r12 * gzy
        f21 -= r20 * gxy + r22 * gzy
        f02 -= r00 * gxz + r01 * gyz
        f12 -= r10 * gxz + r11 * gyz
        f22 -= r20 * gxz + r21 * gyz
        # --- stretch at the rubber's middle
        k00, k01, k02 = f11 * f22 - f12 * f21, f12 * f20 - f10 * f22, f10 * f21 - f11 * f20
        k10, k11, k12 = f21 * f02 - f22 * f01, f22 * f00 - f20 * f02, f20 * f01 - f21 * f00
        k20, k21, k22 = f01 * f12 - f02 * f11, f02 * f10 - f00 * f12, f00 * f11 - f01 * f10
        j = f00 * k00 + f01 * k01 + f02 * k02
        v = volume[c]
        vm, vp = v * mu, v * (bulk * (j - 1.0) - mu)
        p00, p01, p02 = vm * f00 + vp * k00, vm * f01 + vp * k01, vm * f02 + vp * k02
        p10, p11, p12 = vm * f10 + vp * k10, vm * f11 + vp * k11, vm * f12 + vp * k12
        p20, p21, p22 = vm * f20 + vp * k20, vm * f21 + vp * k21, vm * f22 + vp * k22
        square = (
            f00 * f00 + f01 * f01 + f02 * f02 + f10 * f10 + f11 * f11 + f12 * f12 + f20 * f20 + f21 * f21 + f22 * f22
        )
        energy += v * (0.5 * mu * (square - 3.0) - mu * (j - 1.0) + 0.5 * bulk * (j - 1.0) * (j - 1.0))
        # strain for each mm along x: (yy, zz, yz), xx closing the sum to nothing; likewise along y and z
        ux, vx, wx = cy, bz, 0.5 * (by + cz)
        uy, vy, wy = az, cx, 0.5 * (cz + ax)
        uz, vz, wz = bx, ay, 0.5 * (ax + by)
        # along x: yy = ux, zz = vx, xx = −ux−vx, yz = wx; along y: zz = uy, xx = vy, yy = −uy−vy, xz = wy;
        # along z: xx = uz, yy = vz, zz = −uz−vz, xy = wz
        mxx, myy, mzz, myz, mxz, mxy = (
            moment[c, 0],
            moment[c, 1],
            moment[c, 2],
            moment[c, 3],
            moment[c, 4],
            moment[c, 5],
        )
        xx0, xx1, xx2 = -ux - vx, vy, uz
        yy0, yy1, yy2 = ux, -uy - vy, vz
        zz0, zz1, zz2 = vx, uy, -uz - vz
        g = 2.0 * mu
        sxx0, sxx1, sxx2 = (
            g * (mxx * xx0 + mxy * xx1 + mxz * xx2), g * (mxy * xx0 + myy * xx1 + myz * xx2),
            g * (mxz * xx0 + myz * xx1 + mzz * xx2),
        )  # fmt: skip
        syy0, syy1, syy2 = (
            g * (mxx * yy0 + mxy * yy1 + mxz * yy2), g * (mxy * yy0 + myy * yy1 + myz * yy2),
            g * (mxz * yy0 + myz * yy1 + mzz * yy2),
        )  # fmt: skip
        szz0, szz1, szz2 = (
            g * (mxx * zz0 + mxy * zz1 + mxz * zz2), g * (mxy * zz0 + myy * zz1 + myz * zz2),
            g * (mxz * zz0 + myz * zz1 + mzz * zz2),
        )  # fmt: skip
        # each shear stands twice in the strain: yz for x, xz for y, xy for z, and no two of them at one place
        tx, ty, tz = 2 * g * mxx * wx, 2 * g * myy * wy, 2 * g * mzz * wz
        energy += 0.5 * (
            sxx0 * xx0 + sxx1 * xx1 + sxx2 * xx2 + syy0 * yy0 + syy1 * yy1 + syy2 * yy2 + szz0 * zz0 + szz1 * zz1
            + szz2 * zz2 + tx * wx + ty * wy + tz * wz
        )  # fmt: skip
        pux, pvx = syy0 - sxx0, szz0 - sxx0
        puy, pvy = szz1 - syy1, sxx1 - syy1
        puz, pvz = sxx2 - szz2, syy2 - szz2
        qax, qay, qaz = 0.5 * (ty + tz), pvz, puy
        qbx, qby, qbz = puz, 0.5 * (tx + tz), pvx
        qcx, qcy, qcz = pvy, pux, 0.5 * (tx + ty)
        qcx -= ex * (r00 * p01 + r10 * p11 + r20 * p21)
        qbx -= ex * (r00 * p02 + r10 * p12 + r20 * p22)
        qcy -= ey * (r01 * p00 + r11 * p10 + r21 * p20)
        qay -= ey * (r01 * p02 + r11 * p12 + r21 * p22)
        qbz -= ez * (r02 * p00 + r12 * p10 + r22 * p20)
        qaz -= ez * (r02 * p01 + r12 * p11 + r22 * p21)
        # --- back to the nodes
        hold = steady * mu * v * three * three * pitch * pitch * pitch * pitch
        energy += 0.5 * hold * (t0 * t0 + t1 * t1 + t2 * t2)
        _spread(
            force, at, 0, one * p00, one * p01, one * p02,
            two * (r00 * qax + r01 * qay + r02 * qaz + ly * p02 + lz * p01),
            two * (r00 * qbx + r01 * qby + r02 * qbz + lx * p02 + lz * p00),
            two * (r00 * qcx + r01 * qcy + r02 * qcz + lx * p01 + ly * p00), hold * t0,
        )  # fmt: skip
        _spread(
            force, at, 1, one * p10, one * p11, one * p12,
            two * (r10 * qax + r11 * qay + r12 * qaz + ly * p12 + lz * p11),
            two * (r10 * qbx + r11 * qby + r12 * qbz + lx * p12 + lz * p10),
            two * (r10 * qcx + r11 * qcy + r12 * qcz + lx * p11 + ly * p10), hold * t1,
        )  # fmt: skip
        _spread(
            force, at, 2, one * p20, one * p21, one * p22,
            two * (r20 * qax + r21 * qay + r22 * qaz + ly * p22 + lz * p21),
            two * (r20 * qbx + r21 * qby + r22 * qbz + lx * p22 + lz * p20),
            two * (r20 * qcx + r21 * qcy + r22 * qcz + lx * p21 + ly * p20), hold * t2,
        )  # fmt: skip
    return energy
