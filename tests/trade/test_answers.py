"""The table of answers: hours by hand, and what is recommended."""

from __future__ import annotations

from dataclasses import replace

import pytest
from mouldloft.inputs.brief import RatesBrief
from mouldloft.trade.answers import Measured, further_jackets_hours, price_answer, weigh_answers
from mouldloft.trade.price import RubberPrice, SeamMeasures, price_seam

RATES, RUBBER = RatesBrief(), RubberPrice(20.0, 1.1)
SEAM = SeamMeasures(4000.0, 2000.0, 0.0, 0.0, 0.0, 1, 10e6, 2e5)


def measured(kind="two", gloves=2, jackets=2, seam=SEAM, joint=0.0, deep=300.0, stretch=0.5, off=True) -> Measured:
    return Measured(kind, gloves, jackets, seam, joint, deep, stretch, 10.0, off)


def test_further_jackets_by_hand():
    """Two more: 1.5 m of bent wall at 1.8 h, two set-ups of 0.75 h and half of 8 h each; 0.2 h each on six casts."""
    assert further_jackets_hours(1500.0, 2, 6, RATES) == pytest.approx(1.5 * 1.8 + 2 * 0.75 + 2 * 4.0 + 2 * 0.2 * 6)
    assert further_jackets_hours(1500.0, 0, 6, RATES) == 0.0


def test_jackets_apart_put_nothing_on_the_cast():
    """Against two pieces with the same fill, jackets differ by glass and bolts alone, whatever the run's clean-up."""
    for casts in (1, 20):
        two = price_answer(measured(), casts, RUBBER, RATES)
        more = price_answer(measured("jackets", 2, 4, joint=1500.0), casts, RUBBER, RATES)
        assert more[0] - two[0] == pytest.approx(further_jackets_hours(1500.0, 2, casts, RATES))
        assert more[1] - two[1] == pytest.approx(38 * further_jackets_hours(1500.0, 2, casts, RATES))


def test_two_pieces_cost_what_their_seam_does():
    hours, total = price_answer(measured(), 6, RUBBER, RATES)
    alone = price_seam(SEAM, 6, RUBBER, RATES)
    assert (hours, total) == pytest.approx((alone.hours, alone.total))
    three = price_answer(measured("gloves", 3, 3), 6, RUBBER, RATES)
    assert three[0] - hours == pytest.approx(8.0)


def table(*found):
    return weigh_answers(tuple(found), 6, RUBBER, RATES, "EUR")


def test_the_cheapest_that_keeps_its_limits_is_recommended():
    less = replace(SEAM, fill_mm3=1e6)
    longer = replace(less, length_mm=8000.0, on_show_mm=4000.0)
    loose = replace(measured("loose", 2, 2, less, 0.0, 60.0), loose=3)
    rows = table(measured(), loose, measured("gloves", 4, 4, longer, 0.0, 60.0))
    assert [row.recommended for row in rows] == [False, True, False]
    assert "fill 300 mm deep" in rows[0].reason
    assert "dearer" in rows[2].reason
    assert rows[1].name == "two pieces, 3 loose pieces"


def test_where_loose_pieces_are_planned_two_are_not_recommended_without():
    """Both break one limit, and the loose piece costs more: it is what is built."""
    rows = table(measured(deep=98.0), replace(measured("loose", deep=98.0), loose=1))
    assert rows[0].total < rows[1].total
    assert [row.recommended for row in rows] == [False, True]


def test_what_is_not_built_is_priced_and_never_recommended():
    """Jackets apart alone keep their limits."""
    rows = table(measured(), measured("jackets", 2, 4, replace(SEAM, fill_mm3=1e6), 1500.0, 60.0))
    assert [row.recommended for row in rows] == [True, False]
    assert not rows[1].broken
    assert rows[0].broken
    assert "not built here" in rows[1].reason


def test_what_does_not_come_off_is_not_recommended():
    less = replace(SEAM, fill_mm3=1e6)
    rows = table(measured(), measured("gloves", 4, 4, less, 0.0, 60.0, off=False))
    # one limit broken each: the cheaper stands, and says so
    assert sum(row.recommended for row in rows) == 1
    assert "no order" in rows[1].broken[0]
    kept = table(measured(deep=50.0), measured("gloves", 4, 4, less, 0.0, 60.0, off=False))
    assert kept[0].recommended


def test_what_breaks_the_same_limits_far_more_is_not_recommended_for_a_little_less_money():
    """A tenth cheaper with the glove torn, against one stretched a little too far; at like stretch price decides."""
    held = measured(deep=100.0, stretch=1.2)
    torn = measured("sections", 2, 2, replace(SEAM, fill_mm3=8e6), 0.0, 120.0, 3.5)
    kept, gone = table(held, torn)
    assert gone.total < kept.total
    assert [kept.recommended, gone.recommended] == [True, False]
    like = table(held, replace(torn, deepest_mm=100.0, stretch=1.2))
    assert [row.recommended for row in like] == [False, True]


def test_a_mould_with_no_way_off_is_no_better_for_being_cheaper():
    """One limit broken each: fill a quarter too deep stands against no order of taking off."""
    stuck = measured("gloves", 2, 2, replace(SEAM, fill_mm3=8e6), 0.0, 60.0, off=False)
    rows = table(measured(deep=100.0), stuck)
    assert rows[1].total < rows[0].total
    assert [row.recommended for row in rows] == [True, False]


def test_sections_cost_their_seams_pieces_and_cuts():
    """Three: six glove pieces, four more than two at 8 h; 20 h and 900 EUR of cuts; 2 m of line on the cast."""
    parts = replace(
        measured("sections", 6, 6, replace(SEAM, fill_mm3=1e6), 0.0, 60.0), parts=3, more_hours=20.0,
        more_total=900.0, cuts_mm=2000.0, cuts_on_show_mm=500.0, spread=0.2,
    )  # fmt: skip
    alone = price_seam(parts.seam, 6, RUBBER, RATES)
    hours, total = price_answer(parts, 6, RUBBER, RATES)
    assert hours == pytest.approx(alone.hours + 4 * 8.0 + 20.0)
    assert total == pytest.approx(alone.total + 4 * 8.0 * 38.0 + 900.0)
    one = replace(measured(deep=50.0), over=("3500 mm does not go into a van",))
    rows = table(one, parts)
    assert rows[1].recommended
    assert rows[1].seam_mm == 6000.0
    assert rows[1].on_show_mm == 2500.0
    assert "mouldloft sections" in rows[1].reason
    assert rows[0].reason == "3500 mm does not go into a van"


def test_what_hands_may_not_lift_breaks_a_limit():
    heavy = replace(measured(deep=50.0), heaviest_kg=40.0)
    (row,) = weigh_answers((heavy,), 6, RUBBER, RATES, "EUR", 32.0)
    assert row.broken == ("40.0 kg to lift, over the 32.0 kg that hands may",)


def test_stretch_past_its_limit_is_said():
    (row,) = table(measured(deep=10.0, stretch=1.3))
    assert row.broken == ("stretch 130 % of what is allowed",)
    assert row.recommended
