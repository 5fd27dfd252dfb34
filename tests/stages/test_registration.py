"""Whether one rubber half holds the other: on planes whose free motions are known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from mouldloft.geometry.frame import pull_frame
from mouldloft.stages.rubber import Envelope, check_registration
from mouldloft.trade.section import bead_height_at_mm

PIXEL = 2.0


def flange(bead) -> Envelope:
    """A level flange of 200 by 200 mm with a bead as high as `bead(x, y)` says."""
    at = PIXEL * np.arange(101) - 100.0
    x, y = np.meshgrid(at, at)
    parting = np.asarray(bead(x, y), float).astype(np.float32)
    everywhere = np.ones(x.shape, bool)
    return Envelope(
        0, "left piece", pull_frame(np.array([1.0, 0.0, 0.0])), (-100.0, -100.0), PIXEL, parting,
        np.full(x.shape, np.nan, np.float32), parting + 10.0, everywhere, ~everywhere,
    )  # fmt: skip


def bead_at(off: np.ndarray) -> np.ndarray:
    return bead_height_at_mm(off, 14.0, 5.0)


def test_a_bead_under_the_bodys_own_rubber_holds_as_one_under_a_flange_does():
    """Where draft makes the outside higher than a flange, the halves meet under it all the same."""
    low = flange(lambda x, y: np.maximum(bead_at(np.abs(x) - 60.0), bead_at(np.abs(y) - 60.0)))
    beaded = low.parting_mm > 0
    high = replace(low, flange=low.flange & ~beaded, bead_mm=low.parting_mm.copy())
    assert check_registration(high).stiffness == pytest.approx(check_registration(low).stiffness)
    assert not check_registration(replace(high, bead_mm=None)).holds


def test_a_bare_plane_holds_nothing():
    check = check_registration(flange(lambda x, y: np.zeros_like(x)))
    assert check.stiffness == pytest.approx(0.0, abs=1e-6)
    assert not check.holds


def test_one_straight_bead_lets_slide_along_itself():
    check = check_registration(flange(lambda x, y: bead_at(x)))
    assert check.stiffness < 1e-3
    assert check.freest == "slide up the wall"
    across = check_registration(flange(lambda x, y: bead_at(y)))
    assert across.freest == "slide across the pull"


def test_a_ring_of_bead_holds_every_slide_but_not_its_own_turn():
    """Shut in a groove that is a circle, a half may still turn about the pull; two dents of a dome stop it."""
    ring = check_registration(flange(lambda x, y: bead_at(np.hypot(x, y) - 70.0)))
    assert ring.stiffness < 0.03
    assert ring.freest == "turn"


def test_a_square_of_bead_holds_everything():
    """By hand: each bead of length L and sides at slope s holds a slide across it by its projected sides; four of them
    on a flange of area A hold each slide by 2 L ∫ s² / √(1 + s²) dx / A (normals of a height map)."""
    check = check_registration(flange(lambda x, y: np.maximum(bead_at(np.abs(x) - 60.0), bead_at(np.abs(y) - 60.0))))
    assert check.holds
    off = np.linspace(-7.0, 7.0, 2801)
    slope = np.gradient(bead_at(off), off)
    held = float((slope**2 / np.hypot(1.0, slope)).sum() * (off[1] - off[0]))
    assert check.stiffness**2 < 1.1 * (2 * 200.0 * held) / 200.0**2
    assert check.stiffness > 0.1
