"""The joint's section by size against the trade's table, and bolt lengths against the ISO tables by hand.

Table and rules: common practice, no source. Standards' figures: ISO 4014/4017, 4032, 7093, 262, from memory.
"""

from __future__ import annotations

import numpy as np
import pytest
from mouldloft.base.errors import PlanImpossible
from mouldloft.inputs.brief import JointBrief, RubberBrief, brief_from_dict
from mouldloft.trade.bolts import choose_bolt
from mouldloft.trade.section import CLEAR_DEG, bead_height_at_mm, choose_section


def section(size, skin=10.0, rubber=None, joint=None):
    return choose_section(size, skin, rubber or RubberBrief(), joint or JointBrief())


@pytest.mark.parametrize(
    ("size", "a", "b", "bolt", "bead"),
    [
        (300.0, (15, 20), (20, 25), "M6", (8, 4)),
        (500.0, (30, 30), (40, 50), "M8", (14, 5)),
        (1000.0, (1000 / 30 - 0.5, 1000 / 30 + 0.5), (40, 50), "M8", (14, 5)),
        (1400.0, (1400 / 30 - 0.5, 1400 / 30 + 0.5), (40, 50), "M8", (14, 5)),
        (3000.0, (50, 50), (40, 50), "M8", (14, 5)),
        (5000.0, (50, 50), (75, 100), "M10", (14, 5)),
        (9000.0, (50, 50), (75, 100), "M12", (14, 5)),
    ],
)
def test_section_by_the_trades_table(size, a, b, bolt, bead):
    s = section(size)
    assert a[0] <= s.rubber_flange_mm <= a[1]
    assert b[0] <= s.jacket_flange_mm <= b[1]
    assert s.bolt == bolt
    assert (s.bead_width_mm, s.bead_height_mm) == bead
    assert s.rubber_flange_thickness_mm == 10.0  # the skin's
    assert 30.0 <= s.bevel_deg <= 45.0
    assert s.bead_width_mm <= s.rubber_flange_mm / 2.0


def test_between_the_rows_it_never_falls():
    sizes = np.linspace(100, 10_000, 300)
    for field in ("rubber_flange_mm", "jacket_flange_mm", "bead_width_mm", "turn_mm"):
        assert (np.diff([getattr(section(v), field) for v in sizes]) >= 0).all()


def test_the_brief_overrides_every_figure():
    own = brief_from_dict(
        {
            "rubber": {"flange_width_mm": 55, "flange_thickness_mm": 9},
            "joint": {
                "jacket_flange_mm": 62, "bevel_deg": 30, "registration": "domes", "bead_width_mm": 12,
                "bead_height_mm": 4, "bolt": "M10", "bolt_pitch_mm": 120, "fitted_bolts": 3,
            },
        }
    )  # fmt: skip
    s = choose_section(1000.0, 8.0, own.rubber, own.joint)
    found = (s.rubber_flange_mm, s.rubber_flange_thickness_mm, s.jacket_flange_mm, s.bevel_deg, s.registration)
    assert found == (55, 9, 62, 30, "domes")
    assert (s.bead_width_mm, s.bead_height_mm, s.bolt, s.bolt_pitch_mm, s.fitted_bolts) == (12, 4, "M10", 120, 3)
    assert s.bevel_run_mm == pytest.approx(9 * np.sqrt(3.0))
    assert s.reach_mm == 117


@pytest.mark.parametrize("size", [300.0, 700.0, 1400.0, 6000.0])
def test_a_beads_sides_clear_both_pulls(size):
    s = section(size)
    off = np.linspace(-s.bead_width_mm, s.bead_width_mm, 4001)
    height = bead_height_at_mm(off, s.bead_width_mm, s.bead_height_mm)
    steepest = np.abs(np.gradient(height, off)).max()
    assert 90.0 - np.degrees(np.arctan(steepest)) >= CLEAR_DEG
    assert height.max() == pytest.approx(s.bead_height_mm)
    assert height[np.abs(off) > s.bead_width_mm / 2].max() == 0.0


# M8: nut 6.8, washer 2.0, pitch 1.25: length >= flanges + 2 x 2.0 + 6.8 + 2 x 1.25 = flanges + 13.3, next of the series
# M6: flanges + 2 x 1.6 + 5.2 + 2.0 = + 10.4; M10: + 5.0 + 8.4 + 3.0 = + 16.4; M12: + 6.0 + 10.8 + 3.5 = + 20.3
@pytest.mark.parametrize(
    ("bolt", "flanges", "length"),
    [
        ("M8", 9.8, 25), ("M8", 11.7, 25), ("M8", 11.8, 30), ("M8", 14.8, 30), ("M8", 25.4, 40), ("M8", 16.8, 35),
        ("M6", 8.0, 20), ("M6", 9.7, 25), ("M10", 18.0, 35), ("M10", 18.7, 40), ("M12", 20.0, 45), ("M12", 54.0, 80),
    ],
)  # fmt: skip
def test_bolt_lengths_by_hand(bolt, flanges, length):
    made = choose_bolt(bolt, flanges)
    assert made.length_mm == length
    assert made.proud_mm >= 2.0 * made.size.pitch_mm - 1e-9
    assert made.grip_mm == pytest.approx(flanges + 2 * made.size.washer_thick_mm)


@pytest.mark.parametrize(("bolt", "longest"), [("M6", 60), ("M8", 80), ("M10", 100), ("M12", 120)])
def test_no_bolt_is_longer_than_its_size_is_sold(bolt, longest):
    """ISO 4014 and 4017, table 1: greatest lengths of the preferred series."""
    over = {"M6": 10.4, "M8": 13.3, "M10": 16.4, "M12": 20.3}[bolt]
    assert choose_bolt(bolt, longest - over).length_mm == longest
    with pytest.raises(PlanImpossible, match="lighter flanges"):
        choose_bolt(bolt, longest - over + 0.1)


def test_a_plain_shank_never_stops_the_nut():
    for flanges in np.linspace(2.0, 60.0, 200):
        made = choose_bolt("M8", flanges)
        assert made.full_thread or made.length_mm - made.size.thread_mm <= made.grip_mm - made.size.washer_thick_mm


def test_flanges_no_bolt_grips_are_refused():
    with pytest.raises(PlanImpossible, match="lighter flanges"):
        choose_bolt("M8", 300.0)
