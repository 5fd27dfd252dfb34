"""Who can lift it: the revised NIOSH lifting equation for one person, and what a team may count on.

A check, not a permission: it covers slow two-handed lifts by healthy adults on a sound floor. Local rules
and the workshop's own assessment come first; the brief's own limit overrides the equation.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np

from ..base.figures import counted
from ..base.marks import Assumption, Mark
from ..inputs.brief import JacketBrief

NIOSH = "NIOSH Publication 94-110, revised 9/2021, doi 10.26616/NIOSHPUB94110revised092021"
HSE = "HSE L23, Manual handling, guidance on the Regulations of 1992, paragraph 120"
LOAD_CONSTANT_KG = 23.0  # published: NIOSH

# Beyond these the multiplier is 0: no lift is recommended. Mark.MEMORY: limits of the tables in 94-110.
LEAST_REACH_CM, MOST_REACH_CM = 25.0, 63.0
MOST_HEIGHT_CM = 175.0
LEAST_TRAVEL_CM, MOST_TRAVEL_CM = 25.0, 175.0
MOST_ASYMMETRY_DEG = 135.0
LOW_LIFT_CM = 75.0  # hands below this: the stricter columns of the tables

Hold = Literal["good", "fair", "poor"]
Duration = Literal["an hour", "two hours", "a day"]

# Coupling table of 94-110, (hands below 75 cm, at or above). Published: 1.00 and 0.90 throughout; Mark.MEMORY: the fair
# hold's 0.95 below 75 cm.
HOLDS: dict[str, tuple[float, float]] = {"good": (1.00, 1.00), "fair": (0.95, 1.00), "poor": (0.90, 0.90)}

# Frequency table of 94-110: lifts a minute, then for each duration below and at or above 75 cm. Published (restated in
# three public sources): an hour at or above 75 cm, and what the test holds of the others; Mark.MEMORY: the rest.
_LIFTS_A_MINUTE = np.array([0.2, 0.5, *range(1, 16)], float)
_FREQUENCY: dict[str, tuple[list[float], list[float]]] = {
    "an hour": (
        [1, 0.97, 0.94, 0.91, 0.88, 0.84, 0.80, 0.75, 0.70, 0.60, 0.52, 0.45, 0.41, 0.37, 0, 0, 0],
        [1, 0.97, 0.94, 0.91, 0.88, 0.84, 0.80, 0.75, 0.70, 0.60, 0.52, 0.45, 0.41, 0.37, 0.34, 0.31, 0.28],
    ),
    "two hours": (
        [0.95, 0.92, 0.88, 0.84, 0.79, 0.72, 0.60, 0.50, 0.42, 0.35, 0.30, 0.26, 0, 0, 0, 0, 0],
        [0.95, 0.92, 0.88, 0.84, 0.79, 0.72, 0.60, 0.50, 0.42, 0.35, 0.30, 0.26, 0.23, 0.21, 0, 0, 0],
    ),
    "a day": (
        [0.85, 0.81, 0.75, 0.65, 0.55, 0.45, 0.35, 0.27, 0.22, 0.18, 0, 0, 0, 0, 0, 0, 0],
        [0.85, 0.81, 0.75, 0.65, 0.55, 0.45, 0.35, 0.27, 0.22, 0.18, 0.15, 0.13, 0, 0, 0, 0, 0],
    ),
}
MOST_LIFTERS = 4  # published, HSE L23: larger teams are unlikely to work
HSE_ONE_PERSON_KG = 20.0  # published restatement of HSE L23's worked example: one person 20 kg, two 26.6 kg
MOST_PIECES = 12


@dataclass(frozen=True)
class LiftCheck:
    """Who can lift it. kg throughout; recommended_one_person_kg is the limit in force for one person and two
    hands (the brief's own, else NIOSH's). Hands are counted by the most it may weigh; lifters_needed is 0 where no team
    up to four can: use a hoist.
    """

    load_kg: float
    recommended_one_person_kg: float
    lifters: int
    team_capability_kg: float
    lifters_needed: int
    passes: bool
    reason: str
    method: str = ""
    most_kg: float = 0.0


@dataclass(frozen=True)
class Multipliers:
    """The factors of the NIOSH equation, each 0 to 1."""

    horizontal: float
    vertical: float
    distance: float
    asymmetry: float
    frequency: float
    coupling: float

    @property
    def product(self) -> float:
        """Share of the load constant that is left."""
        return self.horizontal * self.vertical * self.distance * self.asymmetry * self.frequency * self.coupling


def lift_multipliers(
    reach_cm: float,
    height_cm: float,
    travel_cm: float,
    asymmetry_deg: float = 0.0,
    lifts_a_minute: float = 0.2,
    duration: Duration = "an hour",
    hold: Hold = "poor",
) -> Multipliers:
    """NIOSH multipliers in the metric form, at one end of the lift.

    reach_cm : hands to mid-ankle, level; height_cm : hands above the floor; travel_cm : up or down between
    the ends. Raises ValueError for a negative length or rate. Source: NIOSH 94-110 (rev. 9/2021).
    """
    _check_not_negative(reach_cm, height_cm, travel_cm, asymmetry_deg, lifts_a_minute)
    low = height_cm < LOW_LIFT_CM
    return Multipliers(
        horizontal=0.0 if reach_cm > MOST_REACH_CM else 25.0 / max(reach_cm, LEAST_REACH_CM),
        vertical=0.0 if height_cm > MOST_HEIGHT_CM else 1.0 - 0.003 * abs(height_cm - 75.0),
        distance=0.0 if travel_cm > MOST_TRAVEL_CM else 0.82 + 4.5 / max(travel_cm, LEAST_TRAVEL_CM),
        asymmetry=asymmetry_multiplier(asymmetry_deg),
        frequency=frequency_multiplier(lifts_a_minute, duration, low),
        coupling=HOLDS[hold][0 if low else 1],
    )


def asymmetry_multiplier(asymmetry_deg: float) -> float:
    """1 - 0.0032 A, and 0 beyond 135 degrees (NIOSH 94-110)."""
    return 0.0 if asymmetry_deg > MOST_ASYMMETRY_DEG else 1.0 - 0.0032 * asymmetry_deg


def frequency_multiplier(lifts_a_minute: float, duration: Duration = "an hour", low: bool = False) -> float:
    """Frequency multiplier of NIOSH 94-110, the next faster row where between rows."""
    if lifts_a_minute > _LIFTS_A_MINUTE[-1]:
        return 0.0
    row = int(np.searchsorted(_LIFTS_A_MINUTE, lifts_a_minute - 1e-9))
    return float(_FREQUENCY[duration][0 if low else 1][row])


def recommended_weight_kg(multipliers: Multipliers) -> float:
    """Recommended weight limit of one person with two hands, kg (NIOSH 94-110)."""
    return LOAD_CONSTANT_KG * multipliers.product


def team_share(lifters: int) -> float:
    """Share of the sum of its people's limits that a team may count on: 1, 2/3, 1/2, then 2/(n + 1).

    Two and three: published, HSE L23 paragraph 120. Four: 2/(n + 1), the simplest rule through those points; it has no
    source. Raises ValueError for no people.
    """
    if lifters < 1:
        raise ValueError("a lift needs at least one person")
    return 2.0 / (lifters + 1.0)


def one_person_limit_kg(brief: JacketBrief, hold: Hold = "poor") -> float:
    """Limit of one person in force: the brief's, else NIOSH's at the worse end of the lift the brief states.

    Both ends count since a mould piece is set down with care (significant control at the destination). The
    hold is poor by the publication's description: bulky, irregular, hard-edged (from memory, verify).
    """
    if brief.lift_limit_per_person_kg is not None:
        return brief.lift_limit_per_person_kg
    travel = abs(brief.lift_to_mm - brief.lift_from_mm) / 10.0
    ends = (brief.lift_from_mm / 10.0, brief.lift_to_mm / 10.0)
    reach = brief.reach_mm / 10.0
    return min(recommended_weight_kg(lift_multipliers(reach, v, travel, hold=hold)) for v in ends)


def team_limit_kg(people: int, brief: JacketBrief, hold: Hold = "poor") -> float:
    """What so many may lift together. One guide at a time: one person by NIOSH's equation, a team by HSE's rule with
    HSE's own figure; the brief's limit, where it gives one, is taken for each of them."""
    if people == 1:
        return one_person_limit_kg(brief, hold)
    each = brief.lift_limit_per_person_kg or HSE_ONE_PERSON_KG
    return people * team_share(people) * each


def check_lift(
    load_kg: float, brief: JacketBrief, what: str = "the piece", hold: Hold = "poor", most_kg: float | None = None
) -> LiftCheck:
    """Can the brief's lifters lift it the way the brief states, and if not, how many can?

    load_kg is what it likely weighs, most_kg the high end of that, which hands are counted by (else load_kg).
    """
    if not load_kg >= 0:
        raise ValueError("a load is not negative")
    most = max(load_kg, most_kg or 0.0)
    one = one_person_limit_kg(brief, hold)
    capabilities = [team_limit_kg(n, brief, hold) for n in range(1, MOST_LIFTERS + 1)]
    able = [n for n, kg in enumerate(capabilities, start=1) if kg >= most]
    team = team_limit_kg(min(brief.lifters, MOST_LIFTERS), brief, hold)
    weighs = f"{what} at {load_kg:.1f} kg"
    if most > load_kg:
        weighs += f" (at most {most:.1f})"
    return LiftCheck(
        load_kg=load_kg,
        recommended_one_person_kg=one,
        lifters=brief.lifters,
        team_capability_kg=team,
        lifters_needed=able[0] if able else 0,
        passes=team >= most,
        reason=_reason(weighs, load_kg, most, brief.lifters, team, able),
        method=_method(brief),
        most_kg=most,
    )


def lightest_cuts(
    at_mm: np.ndarray, loads: Sequence[tuple[np.ndarray, np.ndarray]], most_kg: float
) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Where a long thing is cut into the fewest parts that may each be lifted, and of those ways the one whose heaviest
    part is lightest: the cuts' places, and what each part weighs.

    at_mm : (k + 1,) rising, where cuts may go, with both ends. loads : each what is lifted at one time: (k,) kg between
    those places, and (k + 1,) kg that a cut there adds to each side, such as its flange; a part weighs what its
    heaviest load does. No cuts where none is needed; ((), ()) where no number of parts up to `MOST_PIECES` will do.
    """
    weight = np.max([_part_weights(mass, adds) for mass, adds in loads], axis=0)
    worst = [weight[0]]  # (k + 1,) the heaviest of n parts up to each place, at its lightest
    came_from: list[np.ndarray] = []
    while worst[-1][-1] > most_kg:
        if len(worst) == MOST_PIECES:
            return (), ()
        tried = np.maximum(worst[-1][:, None], weight)
        came_from.append(np.argmin(tried, axis=0))
        worst.append(tried.min(axis=0))
    ends = [len(at_mm) - 1]
    for came in reversed(came_from):
        ends.append(int(came[ends[-1]]))
    ends = [0, *reversed(ends)]
    return tuple(float(at_mm[e]) for e in ends[1:-1]), tuple(float(weight[i, j]) for i, j in pairwise(ends))


def _part_weights(mass_kg: np.ndarray, adds_kg: np.ndarray) -> np.ndarray:
    """(k + 1, k + 1) weight of the part from one place to another, infinite where that lies before it."""
    below = np.append(0.0, np.cumsum(mass_kg))
    adds = np.concatenate([[0.0], adds_kg[1:-1], [0.0]])  # the ends are no cuts
    weight = below[None, :] - below[:, None] + adds[:, None] + adds[None, :]
    return np.where(np.tri(len(below), dtype=bool), np.inf, weight)


def who_lifts(load_kg: float, brief: JacketBrief) -> str:
    """As `hands_words`, of a load."""
    return hands_words(check_lift(load_kg, brief).lifters_needed)


def hands_words(lifters_needed: int) -> str:
    """ "1 person", "3 people", or "a hoist" for none."""
    return counted(lifters_needed, "person", "people") if lifters_needed else "a hoist"


def _reason(weighs: str, load_kg: float, most_kg: float, lifters: int, team_kg: float, able: list[int]) -> str:
    people = "one person" if lifters == 1 else f"{lifters} people"
    if team_kg >= most_kg:
        return f"{weighs} is within the {team_kg:.1f} kg that {people} may lift this way"
    is_over = "may be" if team_kg >= load_kg else "is"
    said = f"{weighs} {is_over} over the {team_kg:.1f} kg that {people} may lift this way"
    if able:
        return f"{said}; {able[0]} people could"
    return f"{said}, and no team of up to {MOST_LIFTERS} may by this rule: use a hoist, or more and smaller pieces"


def _method(brief: JacketBrief) -> str:
    if brief.lift_limit_per_person_kg is not None:
        return "the brief's own limit per person; a team by HSE L23, paragraph 120"
    way = f"reach {brief.reach_mm:.0f} mm, from {brief.lift_from_mm:.0f} to {brief.lift_to_mm:.0f} mm"
    team = f"a team by HSE L23, paragraph 120, {HSE_ONE_PERSON_KG:g} kg each"
    return f"one person by {NIOSH}: {way}, seldom, poor hold; {team}"


def lifting_assumptions(brief: JacketBrief) -> tuple[Assumption, ...]:
    """The figures that lifting checks rest on, with their marks."""
    limit = f"{one_person_limit_kg(brief):.1f} kg"
    if brief.lift_limit_per_person_kg is not None:
        first = Assumption("lift limit of one person", limit, Mark.COMMON_PRACTICE, "the brief")
    else:
        first = Assumption("lift limit of one person", limit, Mark.PUBLISHED, NIOSH)
    share = "1, 2/3, 1/2 of the sum"
    return (
        first,
        Assumption("frequency and coupling multipliers", "seldom 1.00, poor hold 0.90", Mark.PUBLISHED, NIOSH),
        Assumption("what a team of up to three may lift", share, Mark.PUBLISHED, HSE),
        Assumption("what four may lift", "2/5 of the sum", Mark.COMMON_PRACTICE, "the same rule carried on"),
        Assumption("most in one team", f"{MOST_LIFTERS}", Mark.PUBLISHED, HSE),
        Assumption("one person in a team", f"{HSE_ONE_PERSON_KG:g} kg", Mark.PUBLISHED, f"{HSE}, its worked example"),
    )


def _check_not_negative(*values: float) -> None:
    if not all(v >= 0 for v in values):
        raise ValueError("lengths, angles and rates of a lift are not negative")
