"""Fixings against a moment balance by hand. Factors and resistances: EN 1990, EN 1993-1-8, from memory."""

from __future__ import annotations

import numpy as np
import pytest
from mouldloft.trade.fixings import INSET_MM, design_fixings

SQUARE = ((-300.0, -300.0), (300.0, -300.0), (300.0, 300.0), (-300.0, 300.0))


def test_a_square_foot_by_hand() -> None:
    made = design_fixings(SQUARE, (0.0, 0.0), 20.0, 400.0, 300.0, 4.0)
    assert made is not None
    # every side, from the places alone: distances of the fixings from it, weight at 300 mm
    worst = 0.0
    points = np.array(made.points_mm)
    assert np.abs(points).max() == pytest.approx(300 - INSET_MM)
    net = 1.5 * 400.0 - 0.9 * 20.0 * 9.80665 * 0.3
    for axis, sign in ((0, 1), (0, -1), (1, 1), (1, -1)):
        lever = (300.0 - sign * points[:, axis]) / 1000.0
        worst = max(worst, net * lever.max() / (lever**2).sum())
        assert (net * lever / (lever**2).sum()) @ lever == pytest.approx(net)  # the pulls hold the moment
    assert made.pull_n == pytest.approx(worst)
    assert made.shear_n == pytest.approx(1.5 * 300.0 / made.count)
    # M10, A4-70: 0.9 x 700 x 58 / 1.25 = 29.2 kN in pull, 0.5 x 700 x 58 / 1.25 = 16.2 kN in shear
    assert made.size == "M10"
    assert made.use == pytest.approx(made.shear_n / 16_240 + made.pull_n / (1.4 * 29_232), rel=1e-3)
    assert made.holds
    assert (made.plate_side_mm, made.plate_thickness_mm, made.pad_mm) == (100.0, 6.0, 8.0)


def test_the_sum_can_be_done_again() -> None:
    made = design_fixings(SQUARE, (0.0, 0.0), 20.0, 400.0, 300.0, 4.0)
    assert made is not None
    said = {line.what: line for line in made.lines}
    assert said["overturning, design"].result == "600 N·m"
    assert said["weight holds"].sum == "0.9 × 20.0 kg × 9.81 × 0.300 m"
    assert said["weight holds"].result == "53.0 N·m"
    squares = [float(x.rstrip("²")) ** 2 for x in said["sum of distances squared"].sum.split(" + ")]
    assert sum(squares) == pytest.approx(float(said["sum of distances squared"].result.split()[0]), abs=0.03)
    assert float(said["pull on the hardest worked"].result.split()[0].replace(" ", "")) == pytest.approx(
        made.pull_n, rel=0.01
    )


def test_more_load_larger_or_more() -> None:
    small = design_fixings(SQUARE, (0.0, 0.0), 20.0, 400.0, 300.0, 4.0)
    large = design_fixings(SQUARE, (0.0, 0.0), 20.0, 80_000.0, 30_000.0, 4.0)
    assert small is not None
    assert large is not None
    assert large.count > small.count
    assert large.size != small.size
    assert not design_fixings(SQUARE, (0.0, 0.0), 20.0, 4e6, 300.0, 4.0).holds  # type: ignore[union-attr]


def test_a_cast_that_stands_by_itself_is_not_pulled() -> None:
    made = design_fixings(SQUARE, (0.0, 0.0), 500.0, 100.0, 50.0, 4.0)
    assert made is not None
    assert made.pull_n == 0.0


def test_a_foot_too_small_for_a_socket() -> None:
    assert (
        design_fixings(((0.0, 0.0), (20.0, 0.0), (20.0, 20.0), (0.0, 20.0)), (10.0, 10.0), 5.0, 50.0, 50.0, 4.0) is None
    )
