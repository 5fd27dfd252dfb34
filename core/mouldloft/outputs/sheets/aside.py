"""What stands before and after the mould: the sculpt's own order, and the cast's crate and installation."""

from __future__ import annotations

import csv
import io
from pathlib import Path

from reportlab.platypus import Flowable, Spacer

from ...base.figures import kg_by, mm_by, number, sides_by
from ...base.files import write_text
from ...stages.beforehand import Beforehand, order_beforehand
from ...stages.plan import MouldPlan
from ...trade.crate import crate_kg, crate_mm
from ..look import SOFT_INK
from .typeset import facts_table, heading, ruled_table, set_text


def installation_part(plan: MouldPlan, inner: float) -> list[Flowable]:
    """Crate, van door and what arrives on the place, for whoever carries and fixes a cast."""
    if not plan.brief.finish.crates:
        part = bool(plan.brief.cast.section)
        words = "Packed with the whole cast, as its own sheets have it." if part else "In blankets."
        return [*heading("Way in"), set_text(words, size=9)]
    way = ("On the place", "by pallet truck; stood up by the people on the lifting page; eyes only where named below")
    return [
        *heading("Crate and way in", "One cast a crate, standing, soft packing all round."),
        facts_table([*crate_facts(plan), way], inner, 0.2),
    ]


def crate_facts(plan: MouldPlan) -> list[tuple[str, str]]:
    """A crate's size, what it weighs empty and full, and the door it goes through."""
    cast, first = plan.cast, plan.brief.job.units
    width, depth, height = outside = crate_mm(plan.master.size_mm)
    empty = crate_kg(outside)
    high = cast.mass_kg_interval.high if cast.mass_kg_interval is not None else cast.mass_kg
    full = empty + cast.lift_kg
    return [
        ("Crate, outside", f"{sides_by(outside, first)}, about {kg_by(empty, first)} empty"),
        ("Crate with a cast", f"{kg_by(full, first)}, at most {kg_by(full + high - cast.mass_kg, first)}"),
        ("Van door", f"at least {mm_by(min(width, depth) + 50, first)} wide and {mm_by(height + 50, first)} high; "
                     f"lying down, {mm_by(min(height, max(width, depth)) + 50, first)} high"),
    ]  # fmt: skip


def beforehand_page(plan: MouldPlan, inner: float) -> list[Flowable]:
    """The sculpt's own order: foam, clay, armature and sealer, or what a printed or milled one takes."""
    made = order_beforehand(plan.master, plan.brief.sculpt)
    rows = [[row.what, _likely(row), _range(row), row.unit, row.note] for row in made.rows]
    return [
        set_text("Before the mould", weight="light", size=20, leading=25),
        set_text("An order of its own, for the full-size sculpt; prices by your supplier. Also in before.csv.",
                 size=8.6, colour=SOFT_INK),
        ruled_table(("Material", "Likely", "Low to high", "", "How"), rows,
                    [inner * v for v in (0.16, 0.09, 0.14, 0.08, 0.53)], (1, 2)),
        *([Spacer(1, 6), set_text(made.said, size=8.6)] if made.said else []),
        *heading("Taken as", "Change it under [sculpt] in the brief."),
        *[set_text(f"– {a.what}: {a.value} ({a.mark.value})", size=8.2) for a in made.assumptions],
    ]  # fmt: skip


def _likely(row) -> str:
    return f"{row.amount.likely:.0f}" if row.unit == "blocks" else number(row.amount.likely, 2)


def _range(row) -> str:
    if row.unit == "blocks":
        return f"{max(row.amount.low, 1):.0f} to {-(-row.amount.high // 1):.0f}"
    return f"{number(row.amount.low, 2)} to {number(row.amount.high, 2)}"


def write_beforehand(plan: MouldPlan, path: str | Path) -> Path:
    """The sculpt's order as CSV, as a spreadsheet opens it. Raises `OutputRefused`."""
    made: Beforehand = order_beforehand(plan.master, plan.brief.sculpt)
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(("material", "low", "likely", "high", "unit", "how"))
    for row in made.rows:
        digits = 0 if row.unit == "blocks" else 1
        low, likely, high = (f"{v:.{digits}f}" for v in (row.amount.low, row.amount.likely, row.amount.high))
        writer.writerow((row.what, low, likely, high, row.unit, row.note))
    return write_text(path, "\ufeff" + out.getvalue())
