"""Intervals against the GUM's sums (JCGM 100:2008) and against drawn numbers."""

from __future__ import annotations

import ast
from pathlib import Path

import mouldloft
import numpy as np
import pytest
from mouldloft.base.intervals import Interval, add_intervals, combined, exactly, interval_of, widened


def test_independent_causes_add_by_squares() -> None:
    # JCGM 100:2008 (GUM), 5.1.2: 3 % and 4 % make 5 %
    made = interval_of(10.0, (("a", 0.03), ("b", 0.04), ("none", 0.0)))
    assert (made.low, made.likely, made.high) == pytest.approx((9.5, 10.0, 10.5))
    assert made.causes == (("a", 0.03), ("b", 0.04))
    assert interval_of(10.0, (("wild", 1.5),)).low == 0.0, "no amount falls under nothing"


def test_the_spread_of_a_product_of_independent_factors() -> None:
    # JCGM 101 (Monte Carlo): the relative spread of a x b x c, drawn two hundred thousand times
    widths = (0.05, 0.08, 0.03)
    drawn = np.random.default_rng(3).normal(1.0, widths, (200_000, 3)).prod(axis=1)
    assert combined(widths) == pytest.approx(drawn.std() / drawn.mean(), rel=0.01)


def test_a_lopsided_interval_keeps_each_side() -> None:
    made = widened(Interval(7.0, 10.0, 14.0, (("body", 0.35),)), (("hand", 0.4), ("none", 0.0)))
    assert (made.low, made.high) == pytest.approx((10 - 5.0, 10 + 32**0.5))  # 3 and 4 make 5; 4 and 4, root 32
    assert made.causes == (("body", 0.35), ("hand", 0.4))


def test_sums_are_careful() -> None:
    made = add_intervals([Interval(9, 10, 11, (("hand", 0.1),)), Interval(27, 30, 33, (("hand", 0.1),))])
    assert (made.low, made.likely, made.high) == (36, 40, 44)
    assert dict(made.causes)["hand"] == pytest.approx(0.1)


def test_another_unit_adds_no_doubt() -> None:
    assert Interval(1.0, 2.0, 4.0, (("a", 0.1),)).times(1e-3) == Interval(1e-3, 2e-3, 4e-3, (("a", 0.1),))
    assert exactly(3) == Interval(3.0, 3.0, 3.0, ())


def test_causes_are_combined_in_one_place() -> None:
    """No module but base/intervals adds squares of a cause's width by its own sum."""
    root = Path(mouldloft.__file__).parent
    own = [
        f"{path.relative_to(root)}:{node.lineno}"
        for path in sorted(root.rglob("*.py"))
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Call)
        and isinstance(node.func, ast.Attribute)
        and node.func.attr in ("sqrt", "hypot")
        and any(
            word in ast.unparse(node)
            for word in ("cause", "for _, half", "for _, width", "uncertainty", "by_hand", "*spread")
        )
        and path.name != "intervals.py"
    ]
    assert own == []
