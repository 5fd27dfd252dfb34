"""The lifts that happen, each with its people, and where hand grips go."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from ..base.figures import KG_PER_LB, First, counted
from ..inputs.brief import JacketBrief
from .lifting import check_lift

GRIPS_FROM_KG = 15.0  # common practice: hand grips wherever the heaviest lift passes this
GRIP_SPREAD_MM = 250.0  # common practice: from the centre of mass


@dataclass(frozen=True)
class LiftedPart:
    """What is lifted: kg likely and at most, and its centre of mass in the plan."""

    name: str
    load_kg: float
    most_kg: float
    centre_mm: tuple[float, float, float]


@dataclass(frozen=True)
class Lift:
    """One lift. people : by the most it may weigh; 0 where no team may: a hoist, or smaller pieces."""

    what: str
    load_kg: float
    most_kg: float
    people: int
    sentence: str


@dataclass(frozen=True)
class Grips:
    """Hand grips on a jacket piece: places in the plan, about its centre of mass."""

    piece: str
    heaviest_kg: float
    places_mm: tuple[tuple[float, float, float], ...]


def lift_of(what: str, load_kg: float, most_kg: float, brief: JacketBrief, how: str, first: First = "metric") -> Lift:
    """A lift with its people and a plain sentence, its weight in pounds too where those stand `first`."""
    check = check_lift(load_kg, brief, what, most_kg=most_kg)
    people = check.lifters_needed
    most_too = most_kg > load_kg + 0.5

    def both(unit: str, kg_each: float) -> str:
        return f"{load_kg / kg_each:.0f} {unit}" + (f", at most {most_kg / kg_each:.0f}" if most_too else "")

    heavy = both("kg", 1.0) if first == "metric" else f"{both('lb', KG_PER_LB)} ({both('kg', 1.0)})"
    if people == 0:
        said = f"{heavy}: past what four people may lift; trolley, rope and tackle from rated eyes, or smaller pieces."
    elif people == 1:
        said = f"{heavy}: one person. {how}"
    else:
        said = f"{heavy}: {counted(people, 'person', 'people')}. {how}"
    return Lift(what, load_kg, max(load_kg, most_kg), people, said)


def grips_for(parts: Sequence[LiftedPart], wet_kg: float) -> tuple[Grips, ...]:
    """Grips on every piece whose heaviest lift, with its share of a wet cast, passes 15 kg: level pairs about its
    centre of mass. wet_kg : of the cast in each half."""
    found = []
    for part in parts:
        heaviest = part.most_kg + wet_kg
        if heaviest <= GRIPS_FROM_KG:
            continue
        x, y, z = part.centre_mm
        pairs = 1 if heaviest < 40.0 else 2
        steps = [(-1, 0.0), (1, 0.0)] if pairs == 1 else [(-1, -0.5), (1, -0.5), (-1, 0.5), (1, 0.5)]
        places = tuple((x, y + a * GRIP_SPREAD_MM, z + b * 2 * GRIP_SPREAD_MM) for a, b in steps)
        found.append(Grips(part.name, heaviest, places))
    return tuple(found)
