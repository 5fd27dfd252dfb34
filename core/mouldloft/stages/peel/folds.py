"""Rubber against rubber: a glove that folds lies on itself and does not pass through.

Cells that were well apart at rest and have come near push each other off, each as a ball about its rubber's middle, as
wide as a cell that is full and as much less as it holds less. Good to about a third of a cell; without friction.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit
from scipy import spatial

from .element import corner_weights
from .lattice import RubberLattice

_APART = 2.5  # pitches between two cells at rest: nearer ones are one piece of rubber that bends
_NEAR = 1.5  # pitches: cells this near may touch before the next look
_STIFF = 2.0  # of a touching pair, N/mm, over shear modulus and pitch: as of the floor


class Folds(NamedTuple):
    """Pairs of cells that may touch, (m, 2), with the distance (mm) at which they do, (m,). weights : (c, 8) of each
    cell's corners at its rubber's middle. stiff : N/mm."""

    pairs: np.ndarray
    reach: np.ndarray
    weights: np.ndarray
    stiff: float


def middle_weights(lattice: RubberLattice) -> np.ndarray:
    """(c, 8) how much each corner counts at the middle of a cell's rubber."""
    return corner_weights(lattice.middle_mm / (lattice.pitch_mm / 2))


def find_folds(lattice: RubberLattice, weights: np.ndarray, u_mm: np.ndarray, shear_mpa: float) -> Folds:
    """The pairs that may touch as the rubber lies now, displaced by u_mm (n, 3), in a fixed order."""
    pitch = lattice.pitch_mm
    places = (lattice.positions_mm, lattice.positions_mm + u_mm)
    rest, now = (np.einsum("ca,cai->ci", weights, at[lattice.nodes]) for at in places)
    pairs = spatial.cKDTree(now).query_pairs(_NEAR * pitch, output_type="ndarray").astype(np.int64)
    away = np.linalg.norm(rest[pairs[:, 0]] - rest[pairs[:, 1]], axis=1)
    kept = away > _APART * pitch
    pairs = pairs[kept]
    pairs = pairs[np.lexsort(pairs.T[::-1])]
    wide = pitch * np.cbrt(np.minimum(lattice.fill_mm3 / pitch**3, 1.0))
    return Folds(pairs, wide[pairs].mean(axis=1), weights, _STIFF * shear_mpa * pitch)


@njit(cache=True, nogil=True, fastmath=True, error_model="numpy")
def fold_forces(x: np.ndarray, nodes: np.ndarray, folds: Folds, force: np.ndarray) -> float:
    """Add the push of every touching pair on the nodes; x, force : (n, 3) mm, N. Returns the sum of pushes, N."""
    total = 0.0
    for p in range(len(folds.pairs)):
        one, other = folds.pairs[p, 0], folds.pairs[p, 1]
        dx = dy = dz = 0.0
        for a in range(8):
            w, q = folds.weights[one, a], folds.weights[other, a]
            at, to = nodes[one, a], nodes[other, a]
            dx += w * x[at, 0] - q * x[to, 0]
            dy += w * x[at, 1] - q * x[to, 1]
            dz += w * x[at, 2] - q * x[to, 2]
        d = np.sqrt(dx * dx + dy * dy + dz * dz) + 1e-9
        if d >= folds.reach[p]:
            continue
        push = folds.stiff * (folds.reach[p] - d)
        total += push
        dx, dy, dz = push / d * dx, push / d * dy, push / d * dz
        for a in range(8):
            w, q = folds.weights[one, a], folds.weights[other, a]
            at, to = nodes[one, a], nodes[other, a]
            force[at, 0] += w * dx
            force[at, 1] += w * dy
            force[at, 2] += w * dz
            force[to, 0] -= q * dx
            force[to, 1] -= q * dy
            force[to, 2] -= q * dz
    return total


def held_apart(way: np.ndarray, nodes: np.ndarray, folds: Folds) -> np.ndarray:
    """(n, 3) forces against a small displacement if every pair touched, each way, N: for the time step."""
    back = np.zeros_like(way)
    if len(folds.pairs):
        one, other = folds.pairs.T
        moved = np.einsum("ma,mai->mi", folds.weights[one], way[nodes[one]])
        moved -= np.einsum("ma,mai->mi", folds.weights[other], way[nodes[other]])
        for cells, sign in ((one, 1.0), (other, -1.0)):
            spread = sign * folds.stiff * folds.weights[cells][:, :, None] * moved[:, None, :]
            np.add.at(back, nodes[cells].ravel(), spread.reshape(-1, 3))
    return back
