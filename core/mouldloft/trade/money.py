"""What the job costs and what is offered for it: labour by part and task, material, overhead, margin.

Sums only: hours come from the calendar, materials from the order. Money is in the catalogue's currency, without tax.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from ..base.intervals import Interval, interval_of
from ..inputs.brief import MoneyBrief


@dataclass(frozen=True)
class LabourLine:
    """Person-hours of one kind of work in one part of the job, and what they cost."""

    part: str
    what: str
    person_hours: float
    cost: float


@dataclass(frozen=True)
class Share:
    """Money of one thing sold: the mould, the run, one cast more."""

    name: str
    labour: float
    material: float
    overhead: float
    margin: float

    @property
    def cost(self) -> float:
        """What it costs the workshop, overhead in."""
        return self.labour + self.material + self.overhead

    @property
    def price(self) -> float:
        """What is asked for it, without tax."""
        return self.cost + self.margin


@dataclass(frozen=True)
class Money:
    """The job's money. mould and run make up the whole; each : one cast of the run; more : one cast past it, at the
    price of what it uses. whole : of the price, by hours faster and slower and amounts less and more."""

    currency: str
    hourly_rate: float
    labour: tuple[LabourLine, ...]
    mould: Share
    run: Share
    each: Share
    more: Share
    whole: Interval


def price_job(
    hours: Sequence[tuple[str, str, float]],
    run_parts: Sequence[str],
    casts: int,
    material: tuple[float, float, float],
    next_cast_hours: float,
    unsure: tuple[float, float],
    hourly_rate: float,
    currency: str,
    brief: MoneyBrief,
) -> Money:
    """Price the mould, the run, each cast and one more.

    hours : (part, what, person-hours); run_parts : the parts that belong to the run; material : of the mould, of the
    run, of one cast more; unsure : relative half-widths of hours and of material, taken as independent.
    """
    labour = tuple(LabourLine(part, what, h, h * hourly_rate) for part, what, h in hours)
    of_run = sum(line.cost for line in labour if line.part in run_parts)
    of_mould = sum(line.cost for line in labour if line.part not in run_parts)
    mould = share_of("the mould", of_mould, material[0], brief)
    run = share_of("the run", of_run, material[1], brief)
    each = share_of("each cast of the run", of_run / casts, material[1] / casts, brief)
    more = share_of("one cast more", next_cast_hours * hourly_rate, material[2], brief)
    worked, bought = of_mould + of_run, material[0] + material[1]
    price = mould.price + run.price
    share = price / (worked + bought) if worked + bought > 0 else 0.0
    parts = (("hours", unsure[0] * worked), ("material", unsure[1] * bought))
    whole = interval_of(price, tuple((name, share * half / price) for name, half in parts if price > 0))
    return Money(currency, hourly_rate, labour, mould, run, each, more, whole)


def share_of(name: str, labour: float, material: float, brief: MoneyBrief) -> Share:
    """What is asked for work and material, overhead and margin on it."""
    overhead = brief.overhead * (labour + material)
    return Share(name, labour, material, overhead, brief.margin * (labour + material + overhead))
