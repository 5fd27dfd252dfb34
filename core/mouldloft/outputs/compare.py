"""Plans side by side: what two briefs, or two seams, come to."""

from __future__ import annotations

import base64
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from pathlib import Path
from string import Template
from typing import Literal

from ..base.errors import BriefRefused
from ..base.figures import cm2, kg, litres, metres, mm, money, number, percent
from ..base.files import write_text
from ..base.intervals import Interval
from ..stages.opening import direction_words
from ..stages.plan import MouldPlan
from .look import HAIRLINE, INK, SEAM, SOFT_INK
from .peelwords import glove_line
from .words import fill_mm3, rubber_kg_per_mm3, stands_words, title_of

Better = Literal["less", "more", ""]
_KINDS = {
    "plane": "on a plane",
    "relief": "plane with relief",
    "free": "free",
    "own": "own line",
    "joints": "more than two pieces",
}
_ALIKE = 0.005  # figures closer than this, as a share, count as the same


@dataclass(frozen=True)
class Row:
    """One figure of every plan. values are None where there is no one figure to compare; overlap : for an estimate,
    do the intervals of all plans share a value, so that the difference is not sure?"""

    what: str
    words: tuple[str, ...]
    values: tuple[float | None, ...]
    better: Better
    overlap: bool = False

    @property
    def differs(self) -> bool:
        """Is there a difference worth telling, that also shows in the words?"""
        if len(set(self.words)) == 1:
            return False
        known = [v for v in self.values if v is not None]
        if len(known) < len(self.values) or not known:
            return True
        span = max(known) - min(known)
        return span > _ALIKE * max(abs(v) for v in known)

    @property
    def best(self) -> tuple[int, ...]:
        """Which plans have the better figure; () where none is better, it is not sure or not a matter of better."""
        if not self.better or self.overlap or not self.differs or any(v is None for v in self.values):
            return ()
        known = [float(v) for v in self.values if v is not None]
        edge = min(known) if self.better == "less" else max(known)
        near = _ALIKE * max(abs(v) for v in known)
        return tuple(k for k, v in enumerate(known) if abs(v - edge) <= near)


@dataclass(frozen=True)
class Comparison:
    """Plans side by side, one name each."""

    names: tuple[str, ...]
    rows: tuple[Row, ...]

    def differences(self) -> tuple[str, ...]:
        """For two plans: what the second changes, in sentences, the largest change first."""
        if len(self.names) != 2:
            return ()
        told = []
        for row in self.rows:
            first, second = row.values
            if row.better and row.differs and first and second is not None:
                change = second / first - 1.0
                way = "more" if change > 0 else "less"
                doubt = ", within what the estimates leave open" if row.overlap else ""
                told.append((abs(change), f"{row.what}: {percent(abs(change))} {way}{doubt}."))
        return tuple(words for _, words in sorted(told, key=lambda item: -item[0]))


def compare_plans(plans: Sequence[MouldPlan], names: Sequence[str] = ()) -> Comparison:
    """Set two or more plans side by side.

    names : one for each plan; without them the pieces' names, numbered where they are alike. Raises `BriefRefused`
    for fewer than two plans, or names that do not match.
    """
    if len(plans) < 2:
        raise BriefRefused("Comparing needs two plans or more; name another plan file.")
    if names and len(names) != len(plans):
        raise BriefRefused(f"There are {len(plans)} plans and {len(names)} names; give one name for each plan.")
    return Comparison(tuple(names) or _names_of(plans), tuple(_rows(plans)))


def _names_of(plans: Sequence[MouldPlan]) -> tuple[str, ...]:
    titles = [title_of(plan) for plan in plans]
    return tuple(f"{t} ({k})" if titles.count(t) > 1 else t for k, t in enumerate(titles, 1))


def _rows(plans: Sequence[MouldPlan]) -> list[Row]:
    def row(what: str, figure, words, better: Better) -> Row:
        values = tuple(float(figure(p)) for p in plans)
        return Row(what, tuple(words(v) for v in values), values, better)

    def said(what: str, words) -> Row:
        return Row(what, tuple(words(p) for p in plans), (None,) * len(plans), "")

    def estimate(what: str, interval, unit: str, better: Better) -> Row:
        spans: list[Interval] = [interval(p) for p in plans]
        words = tuple(f"{number(s.likely)} {unit} ({number(s.low)} to {number(s.high)})" for s in spans)
        overlap = max(s.low for s in spans) <= min(s.high for s in spans)
        return Row(what, words, tuple(s.likely for s in spans), better, overlap)

    def cash(what: str, figure) -> Row:
        currencies = {p.takeoff.currency for p in plans}
        words = tuple(money(figure(p.takeoff), p.takeoff.currency) for p in plans)
        if len(currencies) > 1:  # no rate is known here: amounts stand beside one another and are not ranked
            return Row(what, words, (None,) * len(plans), "")
        return Row(what, words, tuple(float(figure(p.takeoff)) for p in plans), "less")

    return [
        row("Height", lambda p: p.master.height_mm, mm, ""),
        row("Casts", lambda p: p.brief.run.casts, lambda v: f"{v:.0f}", ""),
        said("Opens", lambda p: direction_words(p.opening.chosen.direction)),
        said("Seam is", lambda p: _KINDS.get(p.seam.kind, p.seam.kind)),
        row("Seam length", lambda p: p.seam.length_mm, metres, "less"),
        row("Seam on show", lambda p: p.seam.figures.on_show_mm, metres, "less"),
        row("Undercut for its own piece", lambda p: p.locks.piece_locked_area_mm2, cm2, "less"),
        row("Stretch by rule, of what is allowed", _stretch_share, percent, "less"),
        row("Undercut fill", fill_mm3, litres, "less"),
        row("Loose pieces", lambda p: len(p.jacket.loose), lambda v: f"{v:.0f}", ""),
        said("Glove peeled", _peel_words),
        estimate("Rubber", _rubber_kg, "kg", "less"),
        row("Skin", lambda p: p.rubber.skin_thickness_mm, mm, ""),
        row("Keys", lambda p: len(p.keys.keys), lambda v: f"{v:.0f}", ""),
        said("Glove held", lambda p: "yes" if all(c.holds for c in p.keys.checks) else "NO"),
        row("Mass of the jacket", lambda p: sum(q.mass_kg for q in p.jacket.pieces), kg, "less"),
        row("Heaviest jacket piece with its glove", _heaviest_kg, kg, "less"),
        said("Jacket's checks", _jacket_words),
        row("Mass of one cast", lambda p: p.cast.mass_kg, kg, "less"),
        said("How a cast stands", lambda p: stands_words(p.cast, p.brief.job.units)),
        said("Cast comes out", lambda p: "yes" if p.cast.comes_out else "NO"),
        row("Days for the mould", lambda p: p.programme.mould_days, lambda v: f"{v:.0f}", "less"),
        row("Days for the run", lambda p: p.programme.run_days, lambda v: f"{v:.0f}", "less"),
        row("Hours of work", _person_hours, lambda v: f"{v:.0f} h", "less"),
        cash("Cost of all material", lambda t: t.total_cost),
        cash("Material of the mould", lambda t: t.cost_mould),
        cash("Material of each cast", lambda t: t.cost_per_cast),
        cash("Material of one cast more", lambda t: t.cost_next_cast),
        cash("Price of the mould", lambda t: t.money.mould.price if t.money else 0.0),
        cash("Price of each cast", lambda t: t.money.each.price if t.money else 0.0),
        cash("Price of one cast more", lambda t: t.money.more.price if t.money else 0.0),
        row("Mould life, casts", lambda p: p.takeoff.mould_life_casts, lambda v: f"about {v:.0f}", "more"),
    ]  # fmt: skip


def _person_hours(plan: MouldPlan) -> float:
    return plan.programme.mould_person_hours + plan.programme.run_person_hours


def _stretch_share(plan: MouldPlan) -> float:
    allowed = plan.locks.stretch_allowed
    return plan.locks.worst_stretch / allowed if allowed > 0 else float("inf")


def _peel_words(plan: MouldPlan) -> str:
    if plan.peel is None:
        return "not tried"
    return "; ".join(f"{glove.name}: {glove_line(plan.peel, glove)}" for glove in plan.peel.gloves)


def _rubber_kg(plan: MouldPlan) -> Interval:
    v, density = plan.rubber.volume_mm3, rubber_kg_per_mm3(plan)
    return v.times(density)


def _heaviest_kg(plan: MouldPlan) -> float:
    return max(piece.lift_with_glove.load_kg for piece in plan.jacket.pieces)


def _jacket_words(plan: MouldPlan) -> str:
    failed = sum(not check.passes for piece in plan.jacket.pieces for check in piece.checks)
    return "hold" if failed == 0 else f"{failed} FAIL"


# --- text and HTML ---------------------------------------------------------------------------------------


def comparison_text(comparison: Comparison) -> str:
    """The comparison as plain text in columns; a star marks the better figure."""
    head = ("", *comparison.names)
    body = [
        (row.what, *(words + (" *" if k in row.best else "") for k, words in enumerate(row.words)))
        for row in comparison.rows
    ]
    widths = [max(len(line[k]) for line in (head, *body)) for k in range(len(head))]
    lines = ["  ".join(cell.ljust(width) for cell, width in zip(line, widths)).rstrip() for line in (head, *body)]
    lines.insert(1, "  ".join("-" * width for width in widths))
    return "\n".join([*lines, "", "* the better figure", *comparison.differences()])


_PAGE = Template("""<!doctype html>
<html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width, initial-scale=1">
<meta http-equiv="Content-Security-Policy" content="default-src 'none'; img-src data:; style-src 'unsafe-inline'">
<title>$title</title>
<style>
body { font: 15px/1.45 system-ui, sans-serif; color: $ink; margin: 0 auto; padding: 28px 20px 48px; max-width: 60rem; }
h1 { font-weight: 400; font-size: 26px; margin: 0 0 18px; overflow-wrap: anywhere; }
h1::before { content: ""; display: block; width: 34px; height: 3px; background: $seam; margin-bottom: 10px; }
.wide { overflow-x: auto; }
table { border-collapse: collapse; width: 100%; }
img { display: block; width: 100%; max-width: 16rem; }
th, td { text-align: left; padding: 6px 18px 6px 0; border-bottom: 1px solid $line; vertical-align: top; }
thead th { border-bottom-color: $ink; overflow-wrap: anywhere; min-width: 8rem; }
tbody th { font-weight: 400; color: $soft; }
td.best { font-weight: 600; }
td.best::after { content: " \\2713"; color: $seam; }
tr.same td { color: $soft; }
p, li { color: $soft; }
</style></head><body>
<h1>$title</h1>
<div class="wide"><table><thead>$portraits<tr><th></th>$head</tr></thead><tbody>
$body
</tbody></table></div>
$told
<p>A tick marks the better figure. Estimates are given with their interval; where the intervals of the plans meet, the
difference is not sure.</p>
</body></html>
""")


def comparison_html(comparison: Comparison, portraits: Sequence[bytes] = ()) -> str:
    """The comparison as one HTML page that needs no network; every name and figure is escaped.

    portraits : a JPEG of each plan's piece with its seam, to head the columns.
    """
    head = "".join(f"<th>{escape(name)}</th>" for name in comparison.names)
    body = []
    for row in comparison.rows:
        cells = "".join(
            f"<td{' class=best' if k in row.best else ''}>{escape(words)}</td>" for k, words in enumerate(row.words)
        )
        body.append(f"<tr{'' if row.differs else ' class=same'}><th>{escape(row.what)}</th>{cells}</tr>")
    shown = "".join(
        f'<td><img alt="{escape(name)}" src="data:image/jpeg;base64,{base64.b64encode(held).decode("ascii")}"></td>'
        for name, held in zip(comparison.names, portraits)
    )
    told = comparison.differences()
    listed = "<ul>" + "".join(f"<li>{escape(words)}</li>" for words in told) + "</ul>" if told else ""
    return _PAGE.substitute(
        title=escape(" beside ".join(comparison.names)),
        portraits=f"<tr><th></th>{shown}</tr>" if shown else "",
        head=head,
        body="\n".join(body),
        told=listed,
        ink=INK,
        soft=SOFT_INK,
        line=HAIRLINE,
        seam=SEAM,
    )


def write_comparison(comparison: Comparison, path: str | Path, plans: Sequence[MouldPlan] = ()) -> Path:
    """Write the page, with each of `plans` pictured over its column, or plain text where the path ends in .txt.

    Raises `OutputRefused`.
    """
    if str(path).lower().endswith(".txt"):
        return write_text(path, comparison_text(comparison) + "\n")
    if plans:
        from .pictures.views import seam_jpeg  # the renderer is for the page alone
    return write_text(path, comparison_html(comparison, [seam_jpeg(plan, 480, 560) for plan in plans]))
