"""What the command line shows of a plan; apart, so that help comes up without the stages."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from rich.console import Console
from rich.table import Table

from ..base.errors import PlanFileRefused
from ..base.figures import number
from ..stages.earlyfigures import EarlyRow
from ..stages.plan import MouldPlan
from .notkept import look_first, not_kept
from .planfile import PLAN_NAME, open_plan
from .summary import caution_lines, summary_rows, summary_text


def show_plan(plan: MouldPlan) -> None:
    """The summary on the terminal, or as plain text into a file or a pipe."""
    console = Console()
    if not console.is_terminal:
        console.file.write(summary_text(plan) + "\n")
        return
    table = Table(show_header=False, box=None, padding=(0, 1))
    table.add_column(style="bold")
    table.add_column(overflow="fold")
    for name, words in summary_rows(plan):
        table.add_row(name, words)
    console.print(table, highlight=False, markup=False)
    for line in caution_lines(plan):
        console.print(f"Caution: {line}", highlight=False, markup=False, style="yellow")


def show_end(made: MouldPlan, pictures: bool) -> None:
    """What is over a limit, and what to look at first."""
    broken = not_kept(made)
    print("\nOver a limit:" if broken else "\nEvery limit that was checked is kept.")
    for words in broken:
        print(f"  {words}")
    print("Look at first:")
    for at, words in enumerate(look_first(made, pictures), 1):
        print(f"  {at}. {words}")


def earlier_plan(out: Path) -> MouldPlan | None:
    """The plan that stands in the folder, so that only what changed is planned again; None where there is none."""
    try:
        return open_plan(out) if (out / PLAN_NAME).is_file() else None
    except PlanFileRefused:
        return None  # of another version, or damaged: all of it is planned again


def show_early(rows: Sequence[EarlyRow]) -> None:
    """The early table: the same lines as the plan's, each from low to high."""
    table = Table(box=None, padding=(0, 2), pad_edge=False)
    for heading, side in (("", "left"), ("low", "right"), ("likely", "right"), ("high", "right"), ("", "left")):
        table.add_column(heading, justify=side)  # type: ignore[arg-type]
    for row in rows:
        whole = row.unit not in ("kg", "h")
        low, likely, high = (
            f"{v:,.0f}".replace(",", " ") if whole or v >= 10 else number(v, 2)
            for v in (row.amount.low, row.amount.likely, row.amount.high)
        )
        table.add_row(row.what, low, likely, high, row.unit)
    Console(width=100).print(table, highlight=False, markup=False)
