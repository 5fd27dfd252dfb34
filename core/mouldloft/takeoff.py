"""Stage 10, take-off: what to buy, in packs, and what it costs."""

from __future__ import annotations

from dataclasses import dataclass

from .rubber import Interval


@dataclass(frozen=True)
class OrderLine:
    """One material over the whole job. net is from the geometry; buy is packs x pack_size."""

    code: str
    name: str
    stage: str  # "glove", "jacket", "casts", ...
    net: Interval
    unit: str  # "kg", "m2", "m", "pcs"
    waste_fraction: float
    packs: int
    pack_size: float
    buy: float
    cost: float
    currency: str
    price_mark: str


@dataclass(frozen=True)
class Takeoff:
    """The order. cost_next_cast is one more cast than the run, in packs-free material cost."""

    lines: tuple[OrderLine, ...]
    currency: str
    total_cost: float
    cost_mould: float
    cost_per_cast: float
    cost_next_cast: float
    mould_life_casts: float
    mould_life_reason: str
