"""Level steps under bolts on a wall that rises as steeply as a cliff, with a limb beside it: by hand."""

from __future__ import annotations

import numpy as np
import pytest
from mouldloft.inputs.brief import JointBrief, RubberBrief
from mouldloft.stages.rubber.flanges import lay_flanges
from mouldloft.trade.section import CLEAR_DEG, choose_section

WIDE_MM, PAST_MM = 36.0, 44.0  # rubber's flange and the jacket's: bolts stand 58 mm from the skin
FOOT_MM, SLOPE = 40.0, 2.7  # the wall is level so far from the skin, and then climbs a little more steeply than a riser
ALONG_MM, OFF_MM = (40.0, 100.0), (80.0, 130.0)  # where a limb is, along x and y: over the step of one bolt of four
UNDER_MM = 10.0  # how far the limb lies under the wall
X, Y = np.arange(-260.0, 261.0), np.arange(-60.0, 301.0)  # the skin is at y = 0
WALL = SLOPE * np.maximum(Y - FOOT_MM, 0.0)[:, None] + np.zeros((1, len(X)))


@pytest.fixture(scope="module")
def section():
    own = JointBrief(jacket_flange_mm=PAST_MM, bolt="M8", registration="none")
    return choose_section(1000.0, 8.0, RubberBrief(flange_width_mm=WIDE_MM), own)


def limb_below():
    """Between which heights the wall has to pass: a limb of the piece behind lies just under it."""
    (left, right), (near, far) = ALONG_MM, OFF_MM
    along, off = X[None], Y[:, None]
    beside = (along > left) & (along < right) & (off > near) & (off < far)
    return np.where(beside, WALL - UNDER_MM, -np.inf), np.full(WALL.shape, np.inf)


def no_limb():
    return np.full(WALL.shape, -np.inf), np.full(WALL.shape, np.inf)


def laid(section, between):
    bodies = (Y <= 0.0)[:, None] & np.ones(WALL.shape, bool)
    none = np.zeros(WALL.shape, bool)
    return lay_flanges(WALL, bodies, none, none, ~none, (X[0], Y[0]), 1.0, section, 1, between)


def test_a_step_leaves_a_limb_beside_a_steep_wall_on_its_own_side(section):
    """By hand: 8 mm past its level of 14 a riser has climbed 20 mm and the wall 59, so a step went 29 mm into the
    limb, and what it cut off was in neither glove. With no room for a step its bolt is clamped."""
    made, alone = laid(section, limb_below), laid(section, no_limb)
    room = np.minimum(WALL, limb_below()[0] + section.rubber_flange_thickness_mm)
    assert (made.wall_mm >= room - 0.5).all()
    assert (room - alone.wall_mm).max() > 25.0
    assert len(made.bolts_mm) == len(alone.bolts_mm) == len(alone.pads_mm)
    assert len(made.pads_mm) == len(alone.pads_mm) - 1


def test_a_step_ends_before_the_walls_root_and_without_a_break(section):
    made = laid(section, no_limb)
    moved = made.wall_mm - WALL
    assert np.abs(moved).max() > 30.0
    assert np.abs(moved[Y <= 30.0]).max() < 1e-3  # square to the skin over the first 30 mm
    assert np.abs(moved[Y > 58.0 + 14.0 + 3.0 * PAST_MM]).max() < 1e-3
    # towards the root a riser down the wall; up it the riser does not meet the wall, and the step fades out
    steepest = SLOPE + np.tan(np.radians(90.0 - CLEAR_DEG))
    assert np.abs(np.diff(made.wall_mm, axis=0)).max() <= steepest
    assert np.abs(np.diff(made.wall_mm, axis=1)).max() <= steepest


def test_under_its_washer_a_step_is_level(section):
    made = laid(section, no_limb)
    assert len(made.pads_mm) == 4
    for x, y, z in made.pads_mm:
        assert y == pytest.approx(WIDE_MM + PAST_MM / 2, abs=1.5)
        under = np.hypot(X[None] - x, Y[:, None] - y) < 12.0
        assert made.wall_mm[under] == pytest.approx(z, abs=0.5)
