"""The lifts that happen, each with its people, and where hand grips go."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

from ..base.figures import KG_PER_LB, First, whole_kg_by
from ..inputs.brief import JacketBrief
from .lifting import check_lift

GRIPS_FROM_KG = 15.0  # common practice: hand grips wherever the heaviest lift passes this
ROPE_FRICTION = 0.2  # of rope round a smooth rail or post (from memory, the low end of what handbooks give)
ROPE_TURNS = 1.0  # a round turn
ROPE_PEOPLE = 2  # one on the rope's tail, one guiding
GRIP_SPREAD_MM = 250.0  # common practice: from the centre of mass


@dataclass(frozen=True)
class LiftedPart:
    """What grips are for: the most it weighs as it is moved, and its centre of mass in the plan."""

    name: str
    most_kg: float
    centre_mm: tuple[float, float, float]


LiftKind = Literal["jacket off", "glove peeled", "stood up", "laid down", "cast out"]


@dataclass(frozen=True)
class Lift:
    """One lift that happens. piece : whose, "" for the closed mould and the cast. whole_kg : what is moved; load_kg,
    most_kg : what of it the hands carry, likely and at most: all of it, or its share by the lever where it is tipped.
    people : by the most; 0 where no team may. team_kg : what the brief's `lifters` may. tail_kg : where it is done on
    a rope, what the rope's tail takes to hold, at most; 0 by hand."""

    kind: LiftKind
    piece: str
    whole_kg: float
    load_kg: float
    most_kg: float
    people: int
    lifters: int
    team_kg: float
    tail_kg: float = 0.0

    @property
    def passes(self) -> bool:
        """May the brief's people lift it, by hand or on its rope?"""
        return self.lifters >= ROPE_PEOPLE if self.tail_kg else self.team_kg >= self.most_kg

    @property
    def tipped(self) -> bool:
        """Does part of it stay on the floor?"""
        return self.kind in ("stood up", "laid down")

    @property
    def where(self) -> str:
        """Where what is tipped weighs, after its weight; "" of what is lifted whole."""
        return " at its rim, on a rope" if self.tail_kg else " at the hands" if self.tipped else ""

    @property
    def what(self) -> str:
        """Its name on sheets."""
        if self.kind == "stood up":
            return f"{self.piece} stood up with its wet cast"
        if self.kind == "laid down":
            return "closed mould laid down with its cast"
        return f"{self.kind}, {self.piece}" if self.piece else self.kind


@dataclass(frozen=True)
class Grips:
    """Hand grips on a jacket piece: places in the plan, about its centre of mass."""

    piece: str
    heaviest_kg: float
    places_mm: tuple[tuple[float, float, float], ...]


def lift_of(
    kind: LiftKind, piece: str, whole_kg: float, most_kg: float, brief: JacketBrief, share: float = 1.0
) -> Lift:
    """A lift with its people. whole_kg, most_kg : all that is moved, likely and at most; share : of it in the hands.
    A closed mould that is more than the brief's people may lower goes on a rope where the brief has a rail for it."""
    load, most = whole_kg * share, max(whole_kg, most_kg) * share
    check = check_lift(load, brief, kind, most_kg=most)
    by_hand = Lift(kind, piece, whole_kg, load, most, check.lifters_needed, check.lifters, check.team_capability_kg)
    if by_hand.passes or kind != "laid down" or not brief.rope_rail:
        return by_hand
    return replace(by_hand, people=ROPE_PEOPLE, tail_kg=rope_tail_kg(most))


def rope_tail_kg(load_kg: float, turns: float = ROPE_TURNS) -> float:
    """What the tail of a rope takes to hold a load, the rope taken so many turns round a fixed rail or post: the load
    over e to the friction times the angle (Euler and Eytelwein)."""
    return load_kg * math.exp(-ROPE_FRICTION * 2.0 * math.pi * turns)


def lift_words(lift: Lift, how: str, first: First = "metric") -> str:
    """A lift's weight and people in a plain sentence, in pounds too where those stand `first`, how it is done, and what
    helps where it is more than the brief's people may lift."""
    most_too = lift.most_kg > lift.load_kg + 0.5

    def both(unit: str, kg_each: float) -> str:
        return f"{lift.load_kg / kg_each:.0f} {unit}" + (f", at most {lift.most_kg / kg_each:.0f}" if most_too else "")

    heavy = both("kg", 1.0) if first == "metric" else f"{both('lb', KG_PER_LB)} ({both('kg', 1.0)})"
    if lift.tail_kg:
        tail = whole_kg_by(lift.tail_kg, first)
        heavy += f" at its rim: on a rope with a round turn about a fixed rail or post, {tail} to hold"
        return f"{heavy}; one on the rope, one guiding, nobody under it. {how}"
    heavy += lift.where
    if lift.passes:
        return f"{heavy}: {_who(lift.people)}. {how}"
    past = "past what four people may lift; " if lift.people == 0 else ""
    return f"{heavy}: {past}{lift_cure(lift)}. {how}"


def lift_cure(lift: Lift) -> str:
    """What makes a lift possible that is too heavy for the brief's people: more of them where a team may, else less."""
    if lift.tail_kg:
        return "two people, one on the rope and one guiding"
    return f"{_who(lift.people)}, or {_help(lift)}" if lift.people else _help(lift)


def _who(people: int) -> str:
    return "one person" if people == 1 else f"{people} people"


def _help(lift: Lift) -> str:
    """What takes weight off the hands: common practice, and before any hoist."""
    if lift.kind == "laid down":
        return "two and a rope from its rim, with a round turn about a fixed rail or post"
    if lift.kind == "glove peeled":
        return "a sling and a trolley beside it, or smaller pieces"
    return "rope and tackle from rated eyes and a trolley under it, or smaller pieces"


def grips_for(parts: Sequence[LiftedPart]) -> tuple[Grips, ...]:
    """Grips on every piece whose heaviest lift passes 15 kg: level pairs about its centre of mass."""
    found = []
    for part in parts:
        if part.most_kg <= GRIPS_FROM_KG:
            continue
        x, y, z = part.centre_mm
        pairs = 1 if part.most_kg < 40.0 else 2
        steps = [(-1, 0.0), (1, 0.0)] if pairs == 1 else [(-1, -0.5), (1, -0.5), (-1, 0.5), (1, 0.5)]
        places = tuple((x, y + a * GRIP_SPREAD_MM, z + b * 2 * GRIP_SPREAD_MM) for a, b in steps)
        found.append(Grips(part.name, part.most_kg, places))
    return tuple(found)
