"""Low, likely and high of a figure, and how their causes combine."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True)
class Interval:
    """Low, likely and high of a volume or mass, with what makes it up (name, relative half-width)."""

    low: float
    likely: float
    high: float
    causes: tuple[tuple[str, float], ...]


def combine_causes(causes: Sequence[tuple[str, float]]) -> float:
    """Relative half-width of a figure with independent causes: the root of the sum of squares (JCGM 100:2008, 5.1.2,
    for a product of powers)."""
    return math.sqrt(sum(half**2 for _, half in causes))


def interval_of(likely: float, causes: Sequence[tuple[str, float]]) -> Interval:
    """Interval about a likely value with independent causes; causes of no width are left out."""
    kept = tuple((name, half) for name, half in causes if half > 0)
    half = combine_causes(kept)
    return Interval(likely * max(0.0, 1 - half), likely, likely * (1 + half), kept)


def add_intervals(intervals: Sequence[Interval]) -> Interval:
    """Sum of amounts whose causes may be the same: half-widths add straight, the careful way. A cause's width is its
    share of the sum."""
    likely = sum(i.likely for i in intervals)
    causes: dict[str, float] = {}
    for each in intervals:
        for name, half in each.causes:
            causes[name] = causes.get(name, 0.0) + half * each.likely / likely if likely > 0 else 0.0
    low, high = sum(i.low for i in intervals), sum(i.high for i in intervals)
    return Interval(low, likely, high, tuple(causes.items()))
