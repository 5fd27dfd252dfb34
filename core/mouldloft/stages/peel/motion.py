"""The glove in motion: elastic cells, contact with the cast, gravity and hands, stepped explicitly and compiled.

Slow enough that inertia hardly counts, so that what the hands hold is what the rubber asks.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit

from .element import cell_forces
from .folds import Folds, fold_forces

# of a time step: forces asked a little ahead of the motion damp what a lattice cannot carry, and hardly anything slower
_LOOK_AHEAD = 0.3
_FASTEST_MM_S = 5000.0  # some ten times a hand
_SLOPE = 2.0  # between grid points distances change by less than this for each mm (a cube's own steps: the root of 3)
_DEEPEST_MM = 4.0  # a point further in is pushed no harder: beyond a thin limb's middle it would be thrown out behind


class Cells(NamedTuple):
    """The rubber as `element.cell_forces` wants it, with its law: shear and bulk modulus, MPa."""

    nodes: np.ndarray
    volume: np.ndarray
    middle: np.ndarray
    eased: np.ndarray
    moment: np.ndarray
    turn: np.ndarray
    pitch: float
    mu: float
    bulk: float
    steady: float


class Touch(NamedTuple):
    """Skin points in cells, (k,), (k, 8), (k,) mm², with what they lie off their cell's own place at rest (shift,
    (k, 3) mm) and how deep the grid has them then (rest, mm, at most 0: a coarse grid puts some a little inside, and
    they are not pushed for that). reach : (k,) how far a point goes, at most, for each mm that its cell's corners do.
    The cast's signed distances on a grid, positive outside, and the least of them on the grid's border; stiff : MPa for
    each mm; friction, eased below the speed slip (mm/s)."""

    cell: np.ndarray
    weights: np.ndarray
    area: np.ndarray
    shift: np.ndarray
    rest: np.ndarray
    reach: np.ndarray
    grid: np.ndarray
    low: np.ndarray
    step: float
    border: float
    stiff: float
    friction: float
    slip: float


class Hands(NamedTuple):
    """grip : (g,) nodes held, by hand `hand_of` with the share `share`. spring : N/mm of a hand; most : (h,) N a hand
    pulls, 0 for one that has not taken hold; together : N all pull. A hand holds the middle of its nodes."""

    grip: np.ndarray
    share: np.ndarray
    hand_of: np.ndarray
    spring: float
    most: np.ndarray
    together: float


@njit(cache=True, nogil=True, fastmath=True, forceinline=True)
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


@njit(cache=True, nogil=True)
def distances(points: np.ndarray, grid: np.ndarray, low: np.ndarray, step: float) -> np.ndarray:
    """(k,) signed distances of (k, 3) points by the grid, mm."""
    out = np.empty(len(points))
    for p in range(len(points)):
        out[p] = _field(grid, low, step, points[p, 0], points[p, 1], points[p, 2])[0]
    return out


@njit(cache=True, nogil=True, fastmath=True, forceinline=True)
def _place(x, at, weights, p):  # type: ignore[no-untyped-def]
    """A skin point's place (or speed) from its cell's corners."""
    px = py = pz = 0.0
    for a in range(8):
        w = weights[p, a]
        px += w * x[at[a], 0]
        py += w * x[at[a], 1]
        pz += w * x[at[a], 2]
    return px, py, pz


@njit(cache=True, nogil=True, fastmath=True, forceinline=True)
def _drag(vx, vy, vz, nx, ny, nz, limit, slip):  # type: ignore[no-untyped-def]
    """Friction against the sliding part of a speed."""
    vn = vx * nx + vy * ny + vz * nz
    vx, vy, vz = vx - vn * nx, vy - vn * ny, vz - vn * nz
    speed = np.sqrt(vx * vx + vy * vy + vz * vz) + 1e-12
    drag = limit * min(speed / slip, 1.0) / speed
    return -drag * vx, -drag * vy, -drag * vz


@njit(cache=True, nogil=True, fastmath=True, error_model="numpy")
def contact_forces(x: np.ndarray, v: np.ndarray, nodes: np.ndarray, touch: Touch, force: np.ndarray,
                   gap: np.ndarray, due: np.ndarray, now: int, most: float) -> float:  # fmt: skip
    """Add the cast's push on the glove's skin points, and Coulomb friction.

    x, v, force : (n, 3) of the nodes, mm, mm/s, N. gap : (k,) out, distance of each point (mm). due : (k,) number of
    the step in which a point is next looked at, for it cannot touch before; now : this step's. most : mm that a node
    goes in a step at most. Returns the sum of normal forces, N.
    """
    total = 0.0
    weights = touch.weights
    for p in range(len(touch.cell)):
        if due[p] > now:
            continue
        at = nodes[touch.cell[p]]
        px, py, pz = _place(x, at, weights, p)
        px, py, pz = px + touch.shift[p, 0], py + touch.shift[p, 1], pz + touch.shift[p, 2]
        d, nx, ny, nz = _field(touch.grid, touch.low, touch.step, px, py, pz)
        d -= touch.rest[p]
        gap[p] = d
        if d >= 0.0:
            due[p] = now + int(min(d, max(touch.border, 0.0)) / (_SLOPE * most * touch.reach[p]))
            continue
        push = touch.stiff * touch.area[p] * min(-d, _DEEPEST_MM)
        total += push
        fx, fy, fz = push * nx, push * ny, push * nz
        if touch.friction > 0.0:
            vx, vy, vz = _place(v, at, weights, p)
            dx, dy, dz = _drag(vx, vy, vz, nx, ny, nz, touch.friction * push, touch.slip)
            fx, fy, fz = fx + dx, fy + dy, fz + dz
        for a in range(8):
            w = weights[p, a]
            force[at[a], 0] += w * fx
            force[at[a], 1] += w * fy
            force[at[a], 2] += w * fz
    return total


@njit(cache=True, nogil=True, fastmath=True, error_model="numpy")
def hand_forces(x: np.ndarray, hands: Hands, target: np.ndarray, pull: np.ndarray, force: np.ndarray) -> None:
    """Add the pull of hands that want to be at `target` (h, 3); pull : (h, 3) out, N."""
    pull[:] = 0.0
    for g in range(len(hands.grip)):
        for i in range(3):
            pull[hands.hand_of[g], i] += hands.share[g] * x[hands.grip[g], i]
    whole = 0.0
    for h in range(len(target)):
        size = 0.0
        for i in range(3):
            pull[h, i] = hands.spring * (target[h, i] - pull[h, i])
            size += pull[h, i] * pull[h, i]
        size = np.sqrt(size)
        if size > hands.most[h]:
            for i in range(3):
                pull[h, i] *= hands.most[h] / size
            size = hands.most[h]
        whole += size
    if whole > hands.together:
        pull *= hands.together / whole
    for g in range(len(hands.grip)):
        for i in range(3):
            force[hands.grip[g], i] += hands.share[g] * pull[hands.hand_of[g], i]


@njit(cache=True, nogil=True, fastmath=True, error_model="numpy")
def floor_forces(x: np.ndarray, level: np.ndarray, stiff: float, force: np.ndarray) -> float:
    """Add the floor's push on nodes below their level (n,), mm, by `stiff` N/mm; returns its sum, N."""
    total = 0.0
    for a in range(len(x)):
        if x[a, 2] < level[a]:
            push = stiff * (level[a] - x[a, 2])
            force[a, 2] += push
            total += push
    return total


@njit(cache=True, nogil=True, fastmath=True, error_model="numpy")
def _advance(u, v, mass, force, held, dt):  # type: ignore[no-untyped-def]
    """One step of every node; none goes faster than rubber that snaps back."""
    for a in range(len(u)):
        fast, lighter = 0.0, dt / mass[a]
        for i in range(3):
            v[a, i] = 0.0 if held[a, i] else v[a, i] + lighter * force[a, i]
            fast += v[a, i] * v[a, i]
        ease = _FASTEST_MM_S / np.sqrt(fast) if fast > _FASTEST_MM_S * _FASTEST_MM_S else 1.0
        for i in range(3):
            v[a, i] *= ease
            u[a, i] += dt * v[a, i]


@njit(cache=True, nogil=True, fastmath=True, error_model="numpy")
def run_steps(
    steps: int,
    dt: float,
    rest: np.ndarray,
    u: np.ndarray,
    v: np.ndarray,
    mass: np.ndarray,
    weight: np.ndarray,
    level: np.ndarray,
    floor: float,
    damp: float,
    cells: Cells,
    touch: Touch,
    hands: Hands,
    folds: Folds,
    start: np.ndarray,
    end: np.ndarray,
    hand_force: np.ndarray,
    gap: np.ndarray,
    held: np.ndarray,
) -> float:
    """Step the motion on in place, hands moving from `start` to `end` (h, 3, mm); returns the elastic energy (N mm).

    Units: mm, N, s, tonnes (N s²/mm). rest, u, v : (n, 3). mass : (n,) t. weight : (n, 3) N. level, floor : as
    `floor_forces` wants them. held : (n, 3) bool, components that do not move. hand_force : (h, 3) out, averaged.
    gap : (k,) out.
    """
    n = len(u)
    force, x, ahead = np.zeros((n, 3)), np.empty((n, 3)), np.empty((n, 3))
    pull, target = np.zeros(start.shape), np.zeros(start.shape)
    due = np.zeros(len(touch.cell), np.int64)
    hand_force[:] = 0.0
    energy = 0.0
    c = cells
    for s in range(steps):
        for a in range(n):
            for i in range(3):
                x[a, i] = rest[a, i] + u[a, i]
                force[a, i] = weight[a, i] - mass[a] * damp * v[a, i]
                ahead[a, i] = u[a, i] + _LOOK_AHEAD * dt * v[a, i]
        energy = cell_forces(
            ahead, c.nodes, c.volume, c.middle, c.eased, c.moment, c.turn, c.pitch, c.mu, c.bulk, c.steady, force
        )
        floor_forces(x, level, floor, force)
        fold_forces(x, c.nodes, folds, force)
        if len(touch.cell):
            if s == steps - 1:
                due[:] = 0  # all gaps as they are at the end
            contact_forces(x, v, c.nodes, touch, force, gap, due, s, _FASTEST_MM_S * dt)
        if len(start):
            t = (s + 1.0) / steps
            target[:] = start + t * (end - start)
            hand_forces(x, hands, target, pull, force)
            hand_force += pull / steps
        _advance(u, v, mass, force, held, dt)
    return energy
