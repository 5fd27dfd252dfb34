"""The glove in motion: elastic cells, contact with the cast, gravity and hands, stepped explicitly and compiled.

Slow enough that inertia hardly counts, so that what the hands hold is what the rubber asks.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from .element import cell_forces

# of a time step: forces asked a little ahead of the motion damp what a lattice cannot carry, and hardly anything slower
_LOOK_AHEAD = 0.3


@njit(cache=True, nogil=True, fastmath=True, inline="always")
def _field(grid, low, step, x, y, z):  # type: ignore[no-untyped-def]
    """Signed distance and its gradient at a point, from a grid of distances; far outside: a large distance."""
    fx, fy, fz = (x - low[0]) / step, (y - low[1]) / step, (z - low[2]) / step
    i, j, k = int(np.floor(fx)), int(np.floor(fy)), int(np.floor(fz))
    if i < 0 or j < 0 or k < 0 or i >= grid.shape[0] - 1 or j >= grid.shape[1] - 1 or k >= grid.shape[2] - 1:
        return 1e9, 0.0, 0.0, 0.0
    a, b, c = fx - i, fy - j, fz - k
    d000, d001, d010, d011 = grid[i, j, k], grid[i, j, k + 1], grid[i, j + 1, k], grid[i, j + 1, k + 1]
    d100, d101, d110, d111 = grid[i + 1, j, k], grid[i + 1, j, k + 1], grid[i + 1, j + 1, k], grid[i + 1, j + 1, k + 1]
    c00, c01, c10, c11 = (
        d000 + c * (d001 - d000),
        d010 + c * (d011 - d010),
        d100 + c * (d101 - d100),
        d110 + c * (d111 - d110),
    )
    low_x, high_x = c00 + b * (c01 - c00), c10 + b * (c11 - c10)
    gx = high_x - low_x
    gy = (1 - a) * (c01 - c00) + a * (c11 - c10)
    gz = (1 - a) * ((1 - b) * (d001 - d000) + b * (d011 - d010)) + a * ((1 - b) * (d101 - d100) + b * (d111 - d110))
    n = np.sqrt(gx * gx + gy * gy + gz * gz) + 1e-12
    return low_x + a * (high_x - low_x), gx / n, gy / n, gz / n


@njit(cache=True, nogil=True, fastmath=True, error_model="numpy")
def contact_forces(
    x: np.ndarray,
    v: np.ndarray,
    nodes: np.ndarray,
    cell: np.ndarray,
    weights: np.ndarray,
    area: np.ndarray,
    grid: np.ndarray,
    low: np.ndarray,
    step: float,
    stiff: float,
    friction: float,
    slip: float,
    force: np.ndarray,
    gap: np.ndarray,
) -> float:
    """Add the cast's push on the glove's skin points, and Coulomb friction eased below the speed `slip` (mm/s).

    x, v, force : (n, 3) of the nodes. cell, weights, area : skin points in cells, (k,), (k, 8), (k,) mm². grid : signed
    distances of the cast, positive outside. stiff : MPa for each mm. gap : (k,) out, distance of each point (mm).
    Returns the sum of normal forces, N.
    """
    total = 0.0
    for p in range(len(cell)):
        at = nodes[cell[p]]
        px = py = pz = 0.0
        for a in range(8):
            w = weights[p, a]
            px += w * x[at[a], 0]
            py += w * x[at[a], 1]
            pz += w * x[at[a], 2]
        d, nx, ny, nz = _field(grid, low, step, px, py, pz)
        gap[p] = d
        if d >= 0.0:
            continue
        push = -stiff * area[p] * d
        total += push
        fx, fy, fz = push * nx, push * ny, push * nz
        if friction > 0.0:
            vx = vy = vz = 0.0
            for a in range(8):
                w = weights[p, a]
                vx += w * v[at[a], 0]
                vy += w * v[at[a], 1]
                vz += w * v[at[a], 2]
            vn = vx * nx + vy * ny + vz * nz
            vx, vy, vz = vx - vn * nx, vy - vn * ny, vz - vn * nz
            speed = np.sqrt(vx * vx + vy * vy + vz * vz) + 1e-12
            drag = friction * push * min(speed / slip, 1.0) / speed
            fx, fy, fz = fx - drag * vx, fy - drag * vy, fz - drag * vz
        for a in range(8):
            w = weights[p, a]
            force[at[a], 0] += w * fx
            force[at[a], 1] += w * fy
            force[at[a], 2] += w * fz
    return total


@njit(cache=True, nogil=True, fastmath=True, error_model="numpy")
def run_steps(
    steps: int,
    dt: float,
    rest: np.ndarray,
    u: np.ndarray,
    v: np.ndarray,
    mass: np.ndarray,
    weight: np.ndarray,
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
    cell: np.ndarray,
    weights: np.ndarray,
    area: np.ndarray,
    grid: np.ndarray,
    low: np.ndarray,
    step_mm: float,
    stiff: float,
    friction: float,
    slip: float,
    damp: float,
    grip: np.ndarray,
    grip_share: np.ndarray,
    hand_of: np.ndarray,
    start: np.ndarray,
    end: np.ndarray,
    spring: float,
    cap: np.ndarray,
    hand_force: np.ndarray,
    gap: np.ndarray,
    held: np.ndarray,
) -> float:
    """Step the motion on in place, hands moving from `start` to `end` (h, 3, mm); returns the elastic energy (N mm).

    Units: mm, N, s, tonnes (N s²/mm). mass : (n,) t. weight : (3,) mm/s², gravity. grip : (g,) nodes held, by hand
    hand_of with the share grip_share. spring : N/mm of a hand; cap : (h,) most a hand pulls, N; 0 for one that has not taken hold. A hand holds the middle of
    its nodes, wherever that is. held : (n, 3) bool, components that do not move. hand_force : (h, 3) out, averaged.
    """
    n = len(u)
    force = np.zeros((n, 3))
    x = np.empty((n, 3))
    ahead = np.empty((n, 3))
    hands = len(start)
    here = np.zeros((hands, 3))
    pull = np.zeros((hands, 3))
    hand_force[:] = 0.0
    energy = 0.0
    for s in range(steps):
        for a in range(n):
            for i in range(3):
                x[a, i] = rest[a, i] + u[a, i]
                force[a, i] = mass[a] * (weight[i] - damp * v[a, i])
                ahead[a, i] = u[a, i] + _LOOK_AHEAD * dt * v[a, i]
        energy = cell_forces(ahead, nodes, volume, middle, eased, moment, turn, pitch, mu, bulk, steady, force)
        if len(cell):
            contact_forces(x, v, nodes, cell, weights, area, grid, low, step_mm, stiff, friction, slip, force, gap)
        if hands:
            here[:] = 0.0
            for g in range(len(grip)):
                for i in range(3):
                    here[hand_of[g], i] += grip_share[g] * x[grip[g], i]
            t = (s + 1.0) / steps
            for h in range(hands):
                size = 0.0
                for i in range(3):
                    pull[h, i] = spring * (start[h, i] + t * (end[h, i] - start[h, i]) - here[h, i])
                    size += pull[h, i] * pull[h, i]
                size = np.sqrt(size)
                ease = cap[h] / size if size > cap[h] else 1.0
                for i in range(3):
                    pull[h, i] *= ease
                    hand_force[h, i] += pull[h, i] / steps
            for g in range(len(grip)):
                for i in range(3):
                    force[grip[g], i] += grip_share[g] * pull[hand_of[g], i]
        for a in range(n):
            for i in range(3):
                if held[a, i]:
                    v[a, i] = 0.0
                else:
                    v[a, i] += dt * force[a, i] / mass[a]
                    u[a, i] += dt * v[a, i]
    return energy
