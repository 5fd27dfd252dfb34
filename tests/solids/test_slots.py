"""Wedge slots against their own prism, on a flange that leans."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from mouldloft.geometry.frame import pull_frame
from mouldloft.solids.slots import slots_of
from mouldloft.stages.rubber.record import Envelope
from mouldloft.trade.section import WEDGE_DEEP_MM, WEDGE_HIGH_MM, WEDGE_TIP_MM, WEDGE_WIDE_MM


@pytest.fixture(scope="module", params=(0.0, 0.4))
def envelope(request) -> Envelope:
    """Rubber as far as x = 0, the jacket's flange to x = 45, on a wall that rises along it."""
    x, y = np.meshgrid(np.arange(-60.0, 61.0, 1.5), np.arange(-60.0, 61.0, 1.5))
    wall = (request.param * y).astype(np.float32)
    outer = np.where(x < 0, wall + 10.0, np.nan).astype(np.float32)
    none = np.zeros(x.shape, bool)
    frame = pull_frame(np.array([0.3, -1.0, 0.2]))
    return Envelope(
        1, "right piece", frame, (-60.0, -60.0), 1.5, wall, wall, outer, x < 0, none,
        jacket_flange=(x >= 0) & (x <= 45),
    )  # fmt: skip


def test_a_slot_is_a_wedge_that_opens_at_the_rim(envelope):
    at = envelope.frame.to_master(np.array([[45.0, 0.0, 0.0]]))
    slots = slots_of(envelope, at)
    assert slots.inward[0] == pytest.approx([-1.0, 0.0], abs=0.05)
    (mesh,) = slots.meshes(0.0)
    wedge = trimesh.Trimesh(*mesh, process=False)
    assert wedge.is_watertight
    assert wedge.is_winding_consistent
    # a trapezium inside the rim and a slab past it
    inside = WEDGE_WIDE_MM * WEDGE_DEEP_MM * (WEDGE_HIGH_MM + WEDGE_TIP_MM) / 2
    assert wedge.volume == pytest.approx(inside + WEDGE_WIDE_MM * 8.0 * WEDGE_HIGH_MM, rel=0.01)
    local = envelope.frame.to_frame(np.asarray(wedge.vertices))
    assert local[:, 0].min() == pytest.approx(45.0 - WEDGE_DEEP_MM, abs=0.2)
    assert np.ptp(local[:, 1]) == pytest.approx(WEDGE_WIDE_MM, abs=1.0)


def test_glass_goes_over_the_former_and_nowhere_else(envelope):
    slots = slots_of(envelope, envelope.frame.to_master(np.array([[45.0, 0.0, 0.0]])))
    laid = slots.laid_over_mm(np.array([40.0, 40.0, 10.0, 40.0]), np.array([0.0, 24.0, 0.0, 40.0]), 6.0)
    assert laid.tolist() == [10.0, 10.0, -np.inf, -np.inf]
    assert not len(slots_of(envelope, ()).at_mm)
