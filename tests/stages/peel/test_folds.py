"""Rubber that folds on itself: one plate dropped on another rests on it with its weight, and does not pass through."""

from __future__ import annotations

import numpy as np
import pytest
from mouldloft.stages.peel.body import MovingRubber, law_of
from mouldloft.stages.peel.folds import find_folds, fold_forces, held_apart, middle_weights
from mouldloft.stages.peel.lattice import lattice_of

LAW = law_of(0.6, 1.08e-6)
THICK, WIDE, PITCH = 10.0, 60.0, 13.0


def two_plates(gap_mm: float, offset: float = 0.3):
    """Two plates of one lattice, one over the other, each THICK."""

    def depth(p):
        side = (WIDE - np.abs(p[:, :2])).min(axis=1)
        lower = np.minimum(p[:, 2], THICK - p[:, 2])
        upper = np.minimum(p[:, 2] - THICK - gap_mm, 2 * THICK + gap_mm - p[:, 2])
        return np.minimum(side, np.maximum(lower, upper))

    reach = 1.2 * WIDE + 20.0
    low = np.array([-reach, -reach, -reach]) + offset * PITCH
    lattice = lattice_of(depth, low, low + 2 * reach, PITCH, 1.08e-6)
    middle = np.einsum("ca,cai->ci", middle_weights(lattice), lattice.positions_mm[lattice.nodes])
    upper = np.zeros(len(lattice.positions_mm), bool)
    upper[lattice.nodes[middle[:, 2] > THICK + gap_mm / 2]] = True
    return lattice, upper


@pytest.mark.parametrize("offset", [0.0, 0.3, 0.6])
def test_a_plate_dropped_on_another_rests_on_it_with_its_weight(offset):
    """The push between them is the upper one's weight, to 2 %, and its middle rests a plate's thickness over the lower
    one's, to a third of a cell."""
    lattice, upper = two_plates(30.0, offset)
    body = MovingRubber(lattice, LAW, gravity=(0.0, 0.0, -9810.0), damping_per_s=40.0)
    body.held[~upper] = True
    for _ in range(60):
        body.move(0.02)
    force = np.zeros_like(body.u_mm)
    x = lattice.positions_mm + body.u_mm
    assert len(find_folds(lattice, middle_weights(lattice), np.zeros_like(body.u_mm), LAW.shear_mpa).pairs) == 0
    fold_forces(x, lattice.nodes, body.folds, force)
    weight = lattice.mass_kg[upper].sum() * 9.81
    assert force[upper, 2].sum() == pytest.approx(weight, rel=0.02)
    assert force.sum(axis=0) == pytest.approx(0.0, abs=1e-9 * weight)
    heights = [np.average(x[side, 2], weights=lattice.mass_kg[side]) for side in (upper, ~upper)]
    assert heights[0] - heights[1] == pytest.approx(THICK, abs=PITCH / 3)


def test_what_holds_two_plates_apart_is_what_the_time_step_counts():
    """The stiffness that the time step is taken from is at least the true one of a pair pressed straight in."""
    lattice, upper = two_plates(30.0)
    weights = middle_weights(lattice)
    down = np.where(upper[:, None], [[0.0, 0.0, -32.0]], 0.0)
    folds = find_folds(lattice, weights, down, LAW.shear_mpa)
    assert len(folds.pairs) > 20
    way = np.where(upper[:, None], [[0.0, 0.0, -0.1]], 0.0)
    forces = []
    for at in (down, down + way):
        force = np.zeros_like(at)
        fold_forces(lattice.positions_mm + at, lattice.nodes, folds, force)
        forces.append(force[upper, 2].sum())
    back = held_apart(way, lattice.nodes, folds)[upper, 2].sum()
    assert 0 < forces[1] - forces[0] <= -back * (1 + 1e-9)
