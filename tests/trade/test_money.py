"""The job's money by hand."""

from __future__ import annotations

import pytest
from mouldloft.inputs.brief import MoneyBrief
from mouldloft.trade.money import price_job

HOURS = (("wall", "wall", 4.0), ("glove", "rubber", 20.0), ("casts", "casting", 30.0), ("finish", "painting", 6.0))


def test_a_job_by_hand() -> None:
    made = price_job(HOURS, ("casts", "finish"), 3, (500.0, 300.0, 90.0), 11.0, (0.3, 0.1), 40.0, "EUR", MoneyBrief())
    assert [line.cost for line in made.labour] == [160.0, 800.0, 1200.0, 240.0]
    assert (made.mould.labour, made.mould.material, made.mould.price) == (960.0, 500.0, 1460.0)
    assert (made.run.labour, made.run.price) == (1440.0, 1740.0)
    assert made.each.price == pytest.approx(580.0)
    assert made.more.price == pytest.approx(11 * 40 + 90)
    # hours and material by themselves: 0.3 x 2400 and 0.1 x 800
    half = (720.0**2 + 80.0**2) ** 0.5
    assert (made.whole.low, made.whole.likely, made.whole.high) == pytest.approx((3200 - half, 3200, 3200 + half))


def test_overhead_and_margin_by_hand() -> None:
    brief = MoneyBrief(overhead=0.25, margin=0.1)
    made = price_job(HOURS, ("casts", "finish"), 3, (500.0, 300.0, 90.0), 11.0, (0.3, 0.1), 40.0, "EUR", brief)
    assert made.mould.overhead == pytest.approx(365.0)
    assert made.mould.margin == pytest.approx(182.5)
    assert made.mould.price == pytest.approx(1460 * 1.25 * 1.1)
    assert made.whole.likely == pytest.approx(3200 * 1.375)
    assert made.whole.high / made.whole.likely == pytest.approx(1 + (720.0**2 + 80.0**2) ** 0.5 / 3200)
