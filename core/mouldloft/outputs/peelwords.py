"""Peeling in the bench's words: one line for the summary, sentences for the sheet and the page."""

from __future__ import annotations

from ..base.figures import GRAVITY_M_S2, cm2, newtons, number, percent
from ..stages.peel import Peel, PeeledGlove
from ..stages.plan import MouldPlan

_LITTLE = 0.05  # less stretch is not worth a word
_VERDICT = {"off": "comes off", "doubtful": "DOUBTFUL", "stuck": "STUCK"}


def span_words(low: float, high: float, unit: str) -> str:
    """'34 to 76 %', '120 to 310 N': one number where both read the same."""
    first, last = (f"{100.0 * v:.0f}" if unit == "%" else newtons(v).removesuffix(" N") for v in (low, high))
    return f"{first} {unit}" if first == last else f"{first} to {last} {unit}"


def glove_line(peel: Peel, glove: PeeledGlove) -> str:
    """'comes off from the top; stretch 34 to 76 %, 160 % allowed, at the mouth; 120 to 310 N, two people'."""
    people = "one person" if peel.people == 1 else "two people"
    if glove.verdict == "stuck":
        return f"STUCK: {glove.why[0]}"
    verdict = _VERDICT[glove.verdict]
    verdict = f"{verdict}: {glove.way}" if glove.verdict == "doubtful" else f"{verdict} {glove.way}"
    if glove.pockets:
        verdict += ", once air is let in"
    return (
        f"{verdict}; stretch {span_words(glove.stretch_low, glove.stretch_high, '%')}, "
        f"{percent(peel.stretch_allowed)} allowed, at {glove.stretch_place}; "
        f"{span_words(glove.force_low_n, glove.force_high_n, 'N')}, {people}"
    )


def peel_rows(plan: MouldPlan) -> list[tuple[str, str]]:
    """Rows of the summary; none where no glove was peeled."""
    if plan.peel is None:
        return []
    return [(f"Peel, {glove.name}", glove_line(plan.peel, glove)) for glove in plan.peel.gloves]


def peel_steps(peel: Peel, glove: PeeledGlove) -> tuple[str, ...]:
    """How it is peeled, step by step."""
    people = "One person" if peel.people == 1 else "Two people"
    steps = [f"{people}, hands on the flange. Start {_start(glove)}."]
    if glove.pockets:
        where = "; ".join(f"{p.place} ({cm2(p.area_mm2)})" for p in glove.pockets)
        steps.append(f"Let air in first, with a blunt wooden blade, where it has no other way: {where}.")
    if glove.order:
        steps.append(f"It lets go in this order: {'; '.join(glove.order)}.")
    if glove.verdict != "stuck":
        pull = f"{span_words(glove.force_low_n, glove.force_high_n, 'N')} in all, what {_as_kg(glove)} weigh"
        steps.append(
            f"Pull steadily: {pull}, the glove's own {glove.rubber_kg:.0f} kg in it{_with_hands(peel, glove)}. Stop "
            "and loosen by hand where it does not give."
        )
    if glove.stretch_high > _LITTLE:
        steps.append(
            f"Most stretch, {span_words(glove.stretch_low, glove.stretch_high, '%')}, at {glove.stretch_place}: ease "
            "it over with the flat of the hand, no tools."
        )
    doubts = (words for words in glove.why if not words.startswith("Air "))
    return (*steps, *doubts, *glove.advice)


def _as_kg(glove: PeeledGlove) -> str:
    """The pull as a weight, which hands know better than newtons."""
    low, high = (number(force / GRAVITY_M_S2, 2) for force in (glove.force_low_n, glove.force_high_n))
    return f"{high} kg" if low == high else f"{low} to {high} kg"


def _with_hands(peel: Peel, glove: PeeledGlove) -> str:
    """What is said where the pull may be more than the hands have."""
    if glove.force_high_n <= peel.hands_n:
        return ""
    return f"; the hands have {peel.hands_n:.0f} N, so loosen all round first and work it off place by place"


def _start(glove: PeeledGlove) -> str:
    if glove.way.startswith("from"):
        return glove.way
    return "at the top and swing it down" if glove.way.startswith("swung") else "all round and pull straight"
