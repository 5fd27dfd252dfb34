"""Low, likely and high of a figure, and the one way in which its causes combine."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

CARVING = "detail still to be carved"  # the cause that rubber, casts and order share


@dataclass(frozen=True)
class Interval:
    """Low, likely and high of a volume, mass or other amount, with what makes it up (name, relative half-width)."""

    low: float
    likely: float
    high: float
    causes: tuple[tuple[str, float], ...]

    def times(self, factor: float) -> Interval:
        """The same amount in another unit, or a fixed share of it: no cause is added."""
        return Interval(self.low * factor, self.likely * factor, self.high * factor, self.causes)


def combined(half_widths: Iterable[float]) -> float:
    """Half-width of a figure with independent causes: the root of the sum of squares.

    JCGM 100:2008 (GUM), 5.1.2, for relative half-widths of a product of powers or absolute ones of a sum.
    """
    return math.sqrt(sum(half**2 for half in half_widths))


def interval_of(likely: float, causes: Sequence[tuple[str, float]]) -> Interval:
    """Interval about a likely amount with independent causes (name, relative half-width); causes of no width are left
    out, and no amount falls under nothing."""
    kept = tuple((name, half) for name, half in causes if half > 0)
    half = combined(half for _, half in kept)
    return Interval(likely * max(0.0, 1 - half), likely, likely * (1 + half), kept)


def widened(interval: Interval, causes: Sequence[tuple[str, float]]) -> Interval:
    """The interval with further independent causes; each side keeps its own width from before."""
    kept = tuple((name, half) for name, half in causes if half > 0)
    more = combined(half for _, half in kept) * interval.likely
    down = combined((interval.likely - interval.low, more))
    up = combined((interval.high - interval.likely, more))
    low = max(0.0, interval.likely - down)
    return Interval(low, interval.likely, interval.likely + up, (*interval.causes, *kept))


def as_observed(interval: Interval, factor: float, half: float | None) -> Interval:
    """The amount as earlier runs used it, factor times what was planned. half : relative half-width of what was used,
    which takes the place of the plan's own causes; None keeps them."""
    if half is None:
        return interval.times(factor)
    return interval_of(interval.likely * factor, (("as earlier runs were logged", half),))


def exactly(amount: float) -> Interval:
    """An amount that nothing moves, such as a count."""
    return Interval(float(amount), float(amount), float(amount), ())


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
