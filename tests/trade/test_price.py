"""The price of a seam against sums done by hand."""

from __future__ import annotations

from dataclasses import asdict, replace

import pytest
from mouldloft.base.marks import Mark
from mouldloft.inputs.brief import RatesBrief
from mouldloft.trade.price import (
    RubberPrice,
    SeamMeasures,
    piece_price,
    price_seam,
    rate_assumptions,
    unit_prices,
    wall_hours,
)

RUBBER = RubberPrice(per_litre=22.0, kg_per_litre=1.1)
RATES = RatesBrief(hourly_rate=40.0, joint_h_m=0.3, joint_tape_cost_m=2.0, risk_shown_h_m=0.1, carry_h_kg=0.02)


def test_a_seam_is_priced_as_by_hand():
    """Common practice, no source: an hour per 2 m on show and half of that hidden, 1.2 h a metre of flat wall and half
    as much again bent, three quarters of an hour for a further line, joint past the reach at three times."""
    seam = SeamMeasures(3000.0, 2000.0, 1000.0, 500.0, 100.0, 2, 6e6, 2e5, 5e5, 250.0)
    price = price_seam(seam, 6, RUBBER, RATES)
    assert price.cleanup_h == pytest.approx(6 * (0.5 * 2 + 0.25 * 1))
    assert price.wall_h == pytest.approx(1.2 * 2 + 1.8 * 1 + 0.75 + 2.4 * 0.25)
    assert price.joint_h == pytest.approx(6 * 0.3 * (2.5 + 3 * 0.5))
    assert price.risk_h == pytest.approx(6 * 0.1 * 2)
    assert price.facing_h == pytest.approx(6 * 2.0 * 0.25)
    assert price.keep_clear_h == pytest.approx(6 * 10 * 0.1)
    assert price.carry_h == pytest.approx(6 * 0.02 * 6.6)
    assert price.peel_h == pytest.approx(6 * 0.5 * 0.2)
    assert price.overhang_h == pytest.approx(6 * 2.0 * 0.2)
    assert price.rubber_cost == pytest.approx(132.0)
    assert price.tape_cost == pytest.approx(36.0)
    assert price.solid_h == pytest.approx(6 * 0.5 * 0.5)
    assert price.solid_cost == pytest.approx(6 * 6 * 0.5)
    hours = 7.5 + 5.55 + 7.2 + 1.2 + 3.0 + 6.0 + 0.792 + 0.6 + 2.4 + 1.5
    assert price.hours == pytest.approx(hours)
    assert price.total == pytest.approx(40 * hours + 168.0 + 18.0)


def test_unit_prices_add_up_to_the_whole():
    seam = SeamMeasures(3000.0, 2000.0, 1000.0, 0.0, 100.0, 3, 6e6, 2e5, 4e5, 200.0)
    unit = unit_prices(6, RUBBER, RATES)
    shown = 2000 * unit.shown_mm + 1000 * unit.hidden_mm
    added = shown + 1000 * unit.bent_mm + 100 * unit.keep_clear_mm + 2 * unit.line + 200 * unit.facing_mm
    added += 6e6 * unit.fill_mm3 + 2e5 * unit.locked_mm2 + 4e5 * unit.solid_mm3
    assert added == pytest.approx(price_seam(seam, 6, RUBBER, RATES).total)


def test_the_first_line_is_set_up_with_the_wall_itself():
    assert wall_hours(1000.0, 0.0, 1, RATES) == pytest.approx(1.2)
    assert wall_hours(1000.0, 0.0, 2, RATES) == pytest.approx(1.95)


def test_every_rate_is_told_and_changes_the_price():
    """A rate that no price follows would be a weight nobody reads."""
    told = rate_assumptions(RATES)
    assert {entry.mark for entry in told} == {Mark.COMMON_PRACTICE, Mark.INVENTED}
    assert len(told) == len(asdict(RATES))
    seam = SeamMeasures(3000.0, 2000.0, 1000.0, 500.0, 100.0, 2, 6e6, 2e5, 5e5, 250.0)
    for name, value in asdict(RATES).items():
        changed = replace(RATES, **{name: 2 * value})
        same = price_seam(seam, 6, RUBBER, changed).total == price_seam(seam, 6, RUBBER, RATES).total
        assert same == (name in ("reach_mm", "piece_h")), name
    assert piece_price(RATES) == pytest.approx(40 * RATES.piece_h)
