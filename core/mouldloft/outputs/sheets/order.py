"""The order on paper: by supplier, with the day to order by, then what the mould and each cast cost."""

from __future__ import annotations

from collections.abc import Sequence

from reportlab.platypus import Flowable, Spacer

from ...base.figures import amount, counted, money, percent, unit_words
from ...stages.plan import MouldPlan
from ...stages.takeoff import OrderLine, Takeoff
from ..look import SOFT_INK
from ..words import needed_line
from .daylist import short_date
from .typeset import facts_table, heading, ruled_table, set_text

_NOTE = "Net from the geometry; packs cover it with waste and the upper end. Needed first: {}."
_HEAD = ("Material", "For", "Net", "Low to high", "Waste", "Needed", "Buy", "Cost")
_WIDTHS = (0.27, 0.10, 0.09, 0.125, 0.06, 0.125, 0.145, 0.085)
_WITH_MARKS = (0.21, 0.09, 0.08, 0.12, 0.055, 0.11, 0.125, 0.09, 0.12)
_UNNAMED = "No supplier named"


def order_pages(plan: MouldPlan, inner: float) -> list[Flowable]:
    """Every material with its amount, packs and price under whoever sells it, who has to be rung first at the top."""
    take = plan.takeoff
    marks = {line.price_mark for line in take.lines}
    alike = len(marks) == 1
    prices = f" All prices {marks.pop()}." if alike else ""
    facts = [
        ("All of it", money(take.total_cost, take.currency)),
        ("The mould", money(take.cost_mould, take.currency)),
        ("Each cast of the run", money(take.cost_per_cast, take.currency)),
        ("One cast more", money(take.cost_next_cast, take.currency)),
        ("Mould life", f"{take.mould_life_reason} {_gloves(take.gloves_needed)}".strip()),
    ]
    parts: list[Flowable] = [
        set_text("Order list", weight="light", size=20, leading=25),
        set_text(_NOTE.format(needed_line(plan)) + prices, size=8.6, colour=SOFT_INK),
    ]
    suppliers = by_supplier(take)
    for name, lines in suppliers:
        if len(suppliers) > 1 or name:
            parts += heading(name or _UNNAMED, _when(plan, name, lines))
        parts.append(_table(lines, alike, inner))
    return [*parts, Spacer(1, 8), facts_table(facts, inner, 0.2), *advice_block(take.advice)]


def by_supplier(take: Takeoff) -> list[tuple[str, list[OrderLine]]]:
    """The order's lines by supplier, in order of the day to order by; those without one last."""
    groups: dict[str, list[OrderLine]] = {}
    for line in take.lines:
        groups.setdefault(line.supplier, []).append(line)
    first = {name: min((line.wanted.order_by, line.wanted.day) for line in lines) for name, lines in groups.items()}
    return sorted(groups.items(), key=lambda group: (not group[0], *first[group[0]], group[0]))


def _when(plan: MouldPlan, name: str, lines: Sequence[OrderLine]) -> str:
    """'Order by 22 Feb for day 1, 5 working days\' delivery; 1,234 EUR.'"""
    first = min(lines, key=lambda line: (line.wanted.order_by, line.wanted.day)).wanted
    days = plan.catalogue.delivery_days(name)
    when = (
        f"Order by {short_date(first.order_by)}, for {_day(first.day, first.date)}"
        if first.order_by
        else (f"Needed from day {first.day}")
    )
    delivery = f"{counted(days, 'working day')} to the door; " if days else ""
    cost = money(sum(line.cost for line in lines), lines[0].currency)
    return f"{when}. {delivery}{counted(len(lines), 'line')}, {cost}."


def _day(day: int, iso: str) -> str:
    return f"day {day}, {short_date(iso)}" if iso else f"day {day}"


def _table(lines: Sequence[OrderLine], alike: bool, inner: float) -> Flowable:
    rows = [
        [
            line.name + (f" ({line.note})" if line.note else ""),
            line.stage,
            amount(line.net.likely, line.unit),
            f"{_bare(line.net.low, line.unit)} to {_bare(line.net.high, line.unit)}",
            percent(line.waste_fraction),
            _day(line.wanted.day, line.wanted.date),
            packs_in_words(line),
            money(line.cost, line.currency),
            *([] if alike else [line.price_mark]),
        ]
        for line in lines
    ]
    return ruled_table(
        (*_HEAD, *(() if alike else ("Price is",))), rows, [inner * v for v in (_WIDTHS if alike else _WITH_MARKS)],
        right=(2, 3, 4, 6, 7), size=7.4,
    )  # fmt: skip


def _bare(value: float, unit: str) -> str:
    """The figure of an amount without its unit."""
    return amount(value, unit).split(" ")[0]


def packs_in_words(line: OrderLine) -> str:
    """What to put in the cart: '1 × 25 + 3 × 5 kg'."""
    packs = line.pack_list or ((line.pack_size, line.packs, 0.0),)
    words = " + ".join(
        f"{count}" if size == 1 and line.unit == "pcs" else f"{count} × {size:.3g}" for size, count, _ in packs
    )
    return f"{words} {unit_words(line.unit)}" if line.unit != "pcs" else words


def _gloves(count: int) -> str:
    return f"The run needs {count} gloves." if count > 1 else ""


def advice_block(sentences: Sequence[str]) -> list[Flowable]:
    """Sentences under a heading of their own; nothing for none."""
    if not sentences:
        return []
    parts = heading("Advice")
    for sentence in sentences:
        parts.append(set_text("– " + sentence, size=8.6, leftIndent=8, firstLineIndent=-8))
    return parts
