"""The page of the finish: coats and litres, which cast has which colours, when it is painted and packed."""

from __future__ import annotations

import re
from collections.abc import Sequence

from reportlab.platypus import Flowable

from ...base.figures import listed, litres, m2
from ...stages.plan import MouldPlan
from ...stages.programme import Task, colourway
from ..look import SOFT_INK
from .daylist import kit_words, short_date
from .typeset import heading, ruled_table, set_text

_HOOD = (
    "Two-pack lacquer holds isocyanate, which can make a person allergic for life. It is sprayed only in an air-fed "
    "hood with extraction, nobody else in the room, by people under health surveillance as local rules ask, and "
    "flatted wet once it is hard. Without these, take the one-pack lacquer ([finish] lacquer in the brief) or have it "
    "sprayed outside. The product's data sheet decides."
)


def finish_page(plan: MouldPlan, inner: float) -> list[Flowable]:
    """Coats with area, litres and drying, then the run by number; nothing where casts leave unpainted."""
    finish = plan.brief.finish
    if not finish.paint:
        return []
    parts: list[Flowable] = [
        set_text("Finish", weight="light", size=20, leading=25),
        set_text("Joint made good, degreased, keyed with a fine pad; each coat dry before the next.", size=8.6,
                 colour=SOFT_INK),
        *heading("Coats", f"{m2(plan.cast.area_mm2)} a cast; litres for the run, with {100 * finish.overspray:.0f} % "
                          "of it past the piece."),
        ruled_table(("Coat", "Coats", "m² a litre", "For the run", "In sets of", "Kit"), _coats(plan),
                    [inner * v for v in (0.34, 0.1, 0.14, 0.14, 0.14, 0.14)], (1, 2, 3, 4)),
        *heading("The run", "As the day list has it, weekends included."),
        ruled_table(("Cast", "Colourway", "Out of the mould", "Painted", "Packed", "Weight", "Signed"), _run(plan),
                    [inner * v for v in (0.07, 0.28, 0.16, 0.17, 0.12, 0.1, 0.1)]),
    ]  # fmt: skip
    if finish.lacquer == "two-pack" and finish.lacquer_coats:
        parts += [*heading("Two-pack lacquer"), set_text(_HOOD, size=8.8)]
    return parts


def _coats(plan: MouldPlan) -> list[list[str]]:
    finish, rows = plan.brief.finish, []
    kits = {t.name.split(": ", 1)[-1].split(",")[0]: t.wear for t in plan.programme.tasks if t.stage == "finish"}
    for what, coats, per in (
        ("primer", finish.primer_coats, "primer m2"),
        ("colour", finish.colour_coats, "colour m2"),
        (f"{finish.lacquer} lacquer", finish.lacquer_coats, "lacquer m2"),
    ):
        item = next(
            (c for c in plan.catalogue.consumable if c.per == per and c.only_with in ("", finish.lacquer)), None
        )
        if coats and item is not None:
            needed = sum(line.net.likely for line in plan.takeoff.lines if line.code.startswith(item.code))
            rows.append(
                [item.name, str(coats), f"{1 / item.amount:.0f}", litres(1e6 * needed),
                 str(min(finish.painted_together, plan.brief.run.casts)), kit_words(kits.get(what, ()))]
            )  # fmt: skip
    return rows


def _run(plan: MouldPlan) -> list[list[str]]:
    tasks = [t for t in plan.programme.tasks if t.hands]
    rows = []
    for number_ in range(1, plan.brief.run.casts + 1):
        out, packed = (_of_cast(tasks, number_, what) for what in ("open", "look over and pack"))
        painted = [t for t in tasks if t.line.startswith("Paint, ") and number_ in _numbers(t.line)]
        colour = colourway(plan.brief.finish.colourways, number_) or "not named yet: ____________"
        rows.append([str(number_), colour, _span(out), _span(painted), _span(packed), "______ kg", ""])
    return rows


def _of_cast(tasks: Sequence[Task], number_: int, what: str) -> list[Task]:
    """A cast's tasks by how their words begin: what comes off when it is opened, for one, is the mould's."""
    return [task for task in tasks if re.match(rf"Cast {number_}: {what}\b", task.name)]


def _numbers(line: str) -> range:
    """The casts of a set, by its line: 'Paint, casts 1 to 3'."""
    found = [int(word) for word in line.split() if word.isdigit()]
    return range(found[0], found[-1] + 1) if found else range(0)


def _span(tasks: list[Task]) -> str:
    """'day 19 (19 Mar)', 'day 25 to 27'."""
    if not tasks:
        return ""
    first, last = min(tasks, key=lambda t: t.day), max(tasks, key=lambda t: t.day)
    if first.day == last.day:
        return f"day {first.day}" + (f" ({short_date(first.date)})" if first.date else "")
    dates = f" ({short_date(first.date)} to {short_date(last.date)})" if first.date else ""
    return f"day {first.day} to {last.day}{dates}"


def colourway_words(plan: MouldPlan) -> str:
    """'moss: casts 1, 3 and 5; rust: casts 2, 4 and 6'; "" where none is named."""
    names = plan.brief.finish.colourways
    if not names or not plan.brief.finish.paint:
        return ""
    casts: dict[str, list[str]] = {}
    for k in range(1, plan.brief.run.casts + 1):
        casts.setdefault(colourway(names, k), []).append(str(k))
    return "; ".join(f"{name}: cast{'s' if len(own) > 1 else ''} {listed(own)}" for name, own in casts.items())
