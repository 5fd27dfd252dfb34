"""The log's form on paper: a row for every coat and every cast, to be filled in at the bench."""

from __future__ import annotations

from pathlib import Path
from typing import IO

from reportlab.lib.pagesizes import landscape
from reportlab.platypus import CondPageBreak, Flowable, SimpleDocTemplate, Spacer

from ...asbuilt.review import planned_cast, planned_coats
from ...base.figures import number
from ...base.files import write_whole
from ...stages.plan import MouldPlan
from ..words import run_line, title_of
from .typeset import MARGIN, PAGE, heading, ruled_table, set_text

_MARK_ROWS = 6


def log_form(plan: MouldPlan, path: str | Path) -> Path:
    """The form as a PDF, A4 across. Raises `OutputRefused`."""
    wide, tall = landscape(PAGE)
    inner = wide - 2 * MARGIN

    def fill(handle: IO[bytes]) -> None:
        document = SimpleDocTemplate(
            handle, pagesize=(wide, tall), leftMargin=MARGIN, rightMargin=MARGIN, topMargin=MARGIN, bottomMargin=MARGIN,
            title=f"Run log, {title_of(plan)}", invariant=1,
        )  # fmt: skip
        document.build(_pages(plan, inner))

    return write_whole(path, fill)


def _pages(plan: MouldPlan, inner: float) -> list[Flowable]:
    parts: list[Flowable] = [
        set_text(f"Run log: {title_of(plan)}", weight="light", size=20, leading=25),
        set_text(
            f"{run_line(plan).capitalize()}. Weigh what is mixed, less the pot. Hours are of all people together. "
            "Leave empty what was not measured. Copy it into run-log.csv or run-log.toml, then: mouldloft log.",
            size=9,
        ),
        Spacer(1, 6),
        *heading("Coats of rubber", "One row a coat and glove."),
    ]
    rows = [
        [piece, coat, f"{number(kilograms)} kg", "", f"{number(hours)} h", "", "", "", ""]
        for (piece, coat), (kilograms, hours) in planned_coats(plan).items()
    ]
    head: tuple[str, ...] = ("Glove", "Coat", "Planned", "Mixed, kg", "Planned", "Hours", "°C", "Date", "Note")
    parts.append(_table(head, rows, inner, (0.11, 0.24, 0.08, 0.1, 0.08, 0.08, 0.06, 0.09, 0.16)))
    planned = planned_cast(plan)
    wanted = [f"{number(planned[name])}" for name in ("gelcoat_kg", "resin_kg", "glass_kg", "weight_kg", "hours")]
    parts += [CondPageBreak(200), *heading("Casts", "Weighed trimmed, with the baseboard; tears of the glove counted.")]
    head = ("Cast", *(f"{what} ({each})" for what, each in zip(
        ("Gelcoat, kg", "Resin, kg", "Glass, kg", "Weight, kg", "Hours"), wanted, strict=True)),
        "°C", "Tears", "Date", "Note")  # fmt: skip
    rows = [[str(at), *[""] * 9] for at in plan.brief.run.numbers]
    parts.append(_table(head, rows, inner, (0.05, 0.12, 0.11, 0.11, 0.12, 0.1, 0.06, 0.07, 0.1, 0.16)))
    parts += [
        CondPageBreak(160),
        *heading("Marks", "Two marks a long way apart, measured on the master and on a cast."),
    ]
    head = ("From where to where", "On the master, mm", "On the cast, mm", "Cast number")
    parts.append(_table(head, [[""] * 4 for _ in range(_MARK_ROWS)], inner, (0.4, 0.2, 0.2, 0.2)))
    return parts


def _table(head: tuple[str, ...], rows: list[list[str]], inner: float, shares: tuple[float, ...]) -> Flowable:
    table = ruled_table(head, rows, [inner * share for share in shares], ())
    table.setStyle([("TOPPADDING", (0, 1), (-1, -1), 7), ("BOTTOMPADDING", (0, 1), (-1, -1), 7)])
    return table
