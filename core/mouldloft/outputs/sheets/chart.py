"""Charts on paper: the programme's days and batches, and how much of a glove is how thick."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
from reportlab.lib.colors import HexColor
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import Flowable, PageBreak, Spacer

from ...base.figures import counted, mm, number, percent
from ...stages.plan import MouldPlan
from ...stages.programme import Batch, Task
from ..look import GLOVE, HAIRLINE, INK, JACKET, KEY, SEAM, SOFT_INK, thickness_colours
from ..pictures.thickness import thickness_view
from ..words import run_line
from .daylist import day_list, people_table, short_date
from .typeset import Placed, fitted, heading, house_fonts, ruled_table, set_text

_STAGE_COLOURS = {
    "wall": "#b9ac95",
    "glove": GLOVE,
    "keys": KEY,
    "jacket": JACKET,
    "cradle": "#a87f3d",
    "mould": SEAM,
    "casts": "#8b8f96",
    "finish": "#5f7f8c",
}
_ROWS_A_PAGE, _CHART_HEIGHT = 56, 620.0


@dataclass(frozen=True)
class ChartRow:
    """A line of the chart: its name and the tasks on it."""

    name: str
    tasks: tuple[Task, ...]


def chart_rows(tasks: Sequence[Task]) -> tuple[ChartRow, ...]:
    """Tasks as lines of the chart, by what they are part of, in the order they begin."""
    rows: dict[str, list[Task]] = {}
    for task in tasks:
        rows.setdefault(task.line or task.name, []).append(task)
    return tuple(ChartRow(name, tuple(parts)) for name, parts in rows.items())


def _days(days: int, span: tuple[int, int]) -> str:
    """'11 days (10 to 13)'; the span only where there is one."""
    return counted(days, "day") + (f" ({span[0]} to {span[1]})" if span[0] < span[1] else "")


def programme_pages(plan: MouldPlan, inner: float) -> list[Flowable]:
    """The programme on paper, `inner` points wide: chart, day by day, batches."""
    programme = plan.programme
    parts: list[Flowable] = [set_text("Programme", weight="light", size=20, leading=25)]
    words = (
        f"{_days(programme.mould_days, programme.mould_days_range)} for the mould, "
        f"{_days(programme.run_days, programme.run_days_range)} for {run_line(plan)}, weekends between included; "
        f"{counted(plan.brief.run.hands, 'person', 'people')}. {programme.temperature_note}"
    )
    parts += [set_text(words, size=8.8, colour=SOFT_INK), Spacer(1, 6)]
    rows = chart_rows(programme.tasks)
    for start in range(0, len(rows), _ROWS_A_PAGE):
        if start:
            parts.append(PageBreak())
        parts.append(_chart(plan, rows[start : start + _ROWS_A_PAGE], inner))
    note = "Full bars: hands at work. Dotted: waiting. A day's working hours are drawn wide, its night narrow."
    parts += [Spacer(1, 4), set_text(note, size=7.6, colour=SOFT_INK)]
    parts += [set_text("– " + words, size=8.4, colour=SOFT_INK) for words in programme.notes]
    parts += [*people_table(plan, inner), *day_list(plan, inner)]
    if programme.batches:
        parts += mixing_table(plan, inner)
    return parts


def mixing_table(plan: MouldPlan, inner: float) -> list[Flowable]:
    """Every batch in grams of base, catalyst and thickener, and by when it is spread."""
    rows = [
        [
            b.coat[:1].upper() + b.coat[1:],
            "each" if b.piece == "each cast" else b.piece,
            ("from " if b.piece == "each cast" else "") + str(b.first_day or ""),
            str(b.batches),
            grams(b.base_g),
            grams(b.catalyst_g),
            grams(b.thickener_g) if b.thickener_g else "none",
            f"{number(b.spread_by_min, 2, 0)} min",
            _ticks(b.batches),
        ]
        for b in _by_day(plan.programme.batches)
        if b.batches
    ]
    note = "One batch is for one person. Weigh in this order; spread it within the time given."
    return [
        *heading("Mixing", note),
        ruled_table(
            ("Coat", "Piece", "Day", "Batches", "Base", "Catalyst", "Thickener", "Spread by", "Done"),
            rows,
            [inner * v for v in (0.20, 0.13, 0.075, 0.075, 0.085, 0.085, 0.09, 0.09, 0.17)],
            right=(2, 3, 4, 5, 6, 7),
            size=7.6,
        ),
    ]


def _by_day(batches: Sequence[Batch]) -> list[Batch]:
    """The batches as they are mixed: by day, a tack coat before what it is for; those of every cast last."""
    at = {(b.coat.casefold(), b.piece): k for k, b in enumerate(batches)}

    def turn(k: int) -> tuple[bool, int, float]:
        b = batches[k]
        under = b.coat.casefold().removeprefix("tack coat before ")
        own = at.get((under, b.piece), k) - 0.5 if under != b.coat.casefold() else float(k)
        return b.piece == "each cast", b.first_day, own

    return [batches[k] for k in sorted(range(len(batches)), key=turn)]


def _ticks(count: int) -> Placed:
    """A box for each batch, up to ten; past that a line to count on."""
    shown = min(count, 10)

    def draw(canvas: Canvas) -> None:
        canvas.setStrokeColor(HexColor(SOFT_INK))
        canvas.setLineWidth(0.6)
        for k in range(shown):
            canvas.rect(8.4 * k, 0, 7, 7, stroke=1, fill=0)

    return Placed(8.4 * shown, 8, draw)


def grams(value: float) -> str:
    """Grams to weigh: whole, below ten to a tenth, by a scale that workshops have."""
    return f"{value:.0f} g" if value >= 10 else f"{value:.1f} g"


def _in_days(hours: float, worked: float) -> float:
    """Where an hour stands on the chart, in days: the working hours take four fifths of a day's width."""
    day, hour = divmod(hours, 24.0)
    if worked >= 23.0:
        return day + hour / 24.0
    at_work = min(hour, worked) / worked * 0.8
    return day + at_work + max(hour - worked, 0.0) / (24.0 - worked) * 0.2


def _chart(plan: MouldPlan, rows: Sequence[ChartRow], inner: float) -> Placed:
    """Bars over days: full where hands work, dotted where it waits."""
    worked = plan.brief.run.hours_per_day
    head, label = 24.0, 0.27 * inner
    row_height = min(14.6, _CHART_HEIGHT / len(rows))  # a long run still stands on one page
    tasks = [task for row in rows for task in row.tasks]
    first = int(min(t.start_h for t in tasks) // 24.0)
    last = int(np.ceil(max(_in_days(t.start_h + t.duration_h, worked) for t in tasks)))
    days = max(last - first, 1)
    height = head + row_height * len(rows) + 4
    scale = (inner - label) / days
    dated = next((task for task in plan.programme.tasks if task.date), None)

    def draw(canvas: Canvas) -> None:
        names = house_fonts()
        every = max(1, int(np.ceil(27.0 / scale)))
        canvas.setLineWidth(0.4)
        for day in range(days + 1):
            x = label + day * scale
            canvas.setStrokeColor(HexColor(HAIRLINE))
            canvas.line(x, 0, x, height - head + 4)
            if day < days and day % every == 0:
                canvas.setFillColor(HexColor(INK))
                canvas.setFont(names["strong"], 6.4)
                canvas.drawString(x + 1, height - 9, f"day {first + day + 1}")
                canvas.setFillColor(HexColor(SOFT_INK))
                canvas.setFont(names["regular"], 5.6)
                if dated is not None:
                    on = date.fromisoformat(dated.date) + timedelta(days=first + day + 1 - dated.day)
                    canvas.drawString(x + 1, height - 16, short_date(on.isoformat()))
        for at, row in enumerate(rows):
            y = height - head - row_height * (at + 1) + 3
            words, used = fitted(row.name, label - 8, 10.5, (7.4, 6.6), "regular")
            words.drawOn(canvas, 0, y + 3.7 - used / 2 + 0.6)
            for task in row.tasks:
                x = label + (_in_days(task.start_h, worked) - first) * scale
                end = label + (_in_days(task.start_h + task.duration_h, worked) - first) * scale
                colour = HexColor(_STAGE_COLOURS.get(task.stage, SOFT_INK))
                canvas.setStrokeColor(colour)
                canvas.setFillColor(colour)
                canvas.setLineWidth(0.8)
                if task.hands > 0:
                    canvas.rect(x, y, max(end - x, 0.9), 7.4, stroke=0, fill=1)
                else:
                    canvas.setDash(1.2, 1.2)
                    canvas.line(x, y + 3.7, max(end, x + 1), y + 3.7)
                    canvas.setDash()

    return Placed(inner, height, draw)


def histogram(plan: MouldPlan, at: int, inner: float) -> Placed:
    """How much of a glove piece's outside is how thick, with what was asked and the least found."""
    view = thickness_view(plan)
    piece, share = view.pieces[at], view.shares[at]
    foot, tall, head = 22.0, 62.0, 16.0
    step = inner / len(share)

    def along(thickness_mm: float) -> float:
        return inner * float(view.share_at(np.array(thickness_mm)))

    def draw(canvas: Canvas) -> None:
        names = house_fonts()
        colours = thickness_colours((np.arange(len(share)) + 0.5) / len(share))
        title, _ = fitted(piece.name[:1].upper() + piece.name[1:], 0.45 * inner, 11, (7.6,), "strong")
        title.drawOn(canvas, 0, foot + tall + 4)
        canvas.setFont(names["regular"], 7)
        canvas.setFillColor(HexColor(SOFT_INK))
        words = f"share of the outside; thinnest {mm(piece.least_mm)}, asked {mm(plan.rubber.skin_thickness_mm)} (line)"
        canvas.drawRightString(inner, foot + tall + 6, words)
        for k, (part, colour) in enumerate(zip(share, colours)):
            high = tall * part / max(share.max(), 1e-9)
            canvas.setFillColorRGB(*colour)
            canvas.setStrokeColor(HexColor(HAIRLINE))
            canvas.setLineWidth(0.4)
            canvas.rect(k * step + 0.6, foot, step - 1.2, high, stroke=1, fill=1)
            if part >= 0.005:
                canvas.setFillColor(HexColor(INK if high < tall - 9 or k > len(share) / 2 else "#ffffff"))
                y = foot + high + 2 if high < tall - 9 else foot + high - 8
                canvas.setFont(names["regular"], 5.8)
                canvas.drawCentredString((k + 0.5) * step, y, percent(part).replace(" ", ""))
        canvas.setStrokeColor(HexColor(SOFT_INK))
        canvas.line(0, foot, inner, foot)
        canvas.setStrokeColor(HexColor(SEAM))
        canvas.setLineWidth(0.9)
        asked = along(plan.rubber.skin_thickness_mm)
        canvas.line(asked, foot - 3, asked, foot + tall)
        canvas.setFillColor(HexColor(SOFT_INK))
        canvas.setFont(names["regular"], 6.6)
        ticks = view.ticks_mm()
        for k, tick in enumerate(ticks):
            place = (canvas.drawString, *(canvas.drawCentredString,) * 3, canvas.drawRightString)[k]
            place(along(tick), foot - 10, f"{tick:.3g} mm" + (" and more" if k == 4 else ""))

    return Placed(inner, foot + tall + head, draw)
