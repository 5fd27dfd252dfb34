"""Sections in words, a table and a folder: where it is cut, what each part is, what the sum costs beside the whole."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from ..base.errors import BriefRefused
from ..base.figures import (
    counted,
    kg_by,
    kg_lb,
    kg_lb_range,
    litres,
    m2,
    metres,
    metres_by,
    mm,
    mm_by,
    money,
    number,
    percent,
    sides_by,
)
from ..base.files import all_or_nothing, make_folder, write_text
from ..base.progress import SILENT, Progress
from ..inputs.brief import Brief
from ..solids.build import FORMATS, write_solids
from ..solids.sections import SectionSolids
from ..stages.plan import MouldPlan
from ..stages.sections import Sections
from ..stages.sections.plans import SectionPlans
from ..trade.answers import stretch_words
from ..trade.lifting import who_lifts
from ..trade.sectioning import sectioning_assumptions
from .joined import Crates, whole_crates
from .results import Written, write_results
from .words import fill_mm3, rubber_kg_per_mm3

WORDS, CUTS, PARTS, PICTURE, PLANS = "sections.txt", "cuts.csv", "parts", "sections.png", "plans"
CLIENT = "client-sections.pdf"


def section_lines(sections: Sections, solids: SectionSolids, brief: Brief, currency: str) -> list[str]:
    """Why it is cut or not, each cut, each part."""
    whole, casts = sections.whole, brief.run.casts
    tall = mm_by(sections.master.height_mm, brief.job.units)
    lines = [f"{sections.master.name}, {tall} tall, {m2(whole.skin_mm2)} of skin", ""]
    lines += [f"In one: {words}." for words in sections.asks]
    if not sections.asks:
        lines.append(
            "Nothing asks for a cut: in one it is within reach, can be lifted and goes into the van. "
            "Two pieces will do."
        )
    if not sections.cuts:
        lines.append("No neck or limb was found where one cut would part it.")
    elif not sections.asks:
        lines.append("Where it would be cut all the same, for a limb worth a mould of its own:")
    if sections.cuts:
        total = f"{number(sections.price.hours)} h and {money(sections.price.total, currency)}"
        lines += ["", *_cut_lines(sections, solids), "", f"The cuts alone take {total} over {counted(casts, 'cast')}."]
        if sections.hatch_cost > 0:
            lines.append(
                f"Hatches in their place, for reach alone: {money(sections.hatch_cost, currency)} over the run."
            )
        lines += ["", *_part_lines(sections, brief), ""]
        total_mm3 = sum(part.volume_mm3 for part in sections.parts)
        lines.append(f"Cut plain, the parts make up {litres(total_mm3)} of {litres(whole.volume_mm3)}.")
        lines.append(_HOW)
    lines += [f"Still over a limit: {words}." for words in sections.left if sections.cuts]
    rests = "; ".join(f"{a.what} {a.value} ({a.mark})" for a in sectioning_assumptions(brief.sections))
    return [*lines, *sections.notes, f"Taken as: {rests}."]


_HOW = (
    "Each part is moulded by itself, standing on its cut face; its cast stays open there and goes over the spigot of "
    "the part that carries it, bonded in the gap. The flat side of a spigot keeps it from turning. The joint is made "
    "good as any other."
)


def _cut_lines(sections: Sections, solids: SectionSolids) -> list[str]:
    lines = []
    for cut, spigot in zip(sections.cuts, solids.spigots):
        takes, leaves = sections.parts[cut.takes].name, sections.parts[cut.leaves].name
        line = metres(cut.section.perimeter_mm)
        how = (
            spigot.words if spigot is not None else "no room for a spigot: two dowels, drilled through before it is cut"
        )
        lines.append(
            f"Cut {cut.number}: {takes} off {leaves}; {cut.why}; line {line}, {percent(cut.shown)} on show; {how}"
        )
    return lines


def _part_lines(sections: Sections, brief: Brief) -> list[str]:
    lines, first = [], brief.job.units
    for part in sections.parts:
        deep = f"inside {mm(part.inside_mm)} deep" if np.isfinite(part.inside_mm) else "no opening"
        stands = f"stands on cut {part.stands_on}" if part.stands_on else "stands as the whole does"
        lift = f"cast about {kg_lb(part.cast_kg, first)}, {who_lifts(part.heaviest_kg, brief.jacket)}"
        lines.append(
            f"{part.name}: {sides_by(part.size_mm, first)}, {m2(part.skin_mm2)} of skin, {lift}, {deep}; {stands}"
        )
    return lines


# --- the sum beside the whole ----------------------------------------------------------------------------


@dataclass(frozen=True)
class TableRow:
    """One line of the table: words for the whole, the sum or worst of the sections, and each of them."""

    what: str
    whole: str
    together: str
    parts: tuple[str, ...]


def section_table(sections: Sections, plans: SectionPlans) -> tuple[TableRow, ...]:
    """What the whole takes in one mould, what the sections take together, and each. The cuts are in the sum, and the
    crates of joined casts."""
    every = [plans.whole.plan, *(part.plan for part in plans.parts)]
    known = [plan for plan in every if plan is not None]
    if not known:
        return ()
    currency, price, first = known[0].takeoff.currency, sections.price, known[0].brief.job.units
    crates = whole_crates(sections, plans) or Crates(0.0, 0.0, 0.0)

    def row(
        what: str,
        figure: Callable[[MouldPlan], float],
        say: Callable[[float], str],
        worst: bool = False,
        more: float = 0.0,
    ) -> TableRow:
        values = [None if plan is None else float(figure(plan)) for plan in every]
        parts = [value for value in values[1:] if value is not None]
        whole_sum = None if len(parts) < len(values) - 1 else max(parts) if worst else sum(parts) + more
        return TableRow(what, _said(values[0], say), _said(whole_sum, say), tuple(_said(v, say) for v in values[1:]))

    def cash(value: float) -> str:
        return money(value, currency)

    def long(value_mm: float) -> str:
        return metres_by(value_mm, first)

    def heavy(value_kg: float) -> str:
        return kg_by(value_kg, first)

    return (
        row("Price, material and work", _cost, cash, more=price.total + crates.total),
        row("Hours of work", _hours, lambda v: f"{v:.0f} h", more=price.hours + crates.hours),
        row("Rubber", lambda p: p.rubber.volume_mm3.likely * rubber_kg_per_mm3(p), heavy),
        row("Undercut fill", fill_mm3, litres),
        row("Deepest fill, along the pull", lambda p: float(p.locks.fill_mm.max(initial=0.0)), mm, worst=True),
        row("Stretch by rule, of what is allowed", _stretch, stretch_words, worst=True),
        row("Seam", lambda p: p.seam.length_mm, long, more=sum(c.section.perimeter_mm for c in sections.cuts)),
        row("of it on show", lambda p: p.seam.figures.on_show_mm, long, more=_cuts_on_show(sections)),
        row("Jackets", lambda p: sum(q.mass_kg for q in p.jacket.pieces), heavy),
        row(
            "Biggest lift, jacket with glove",
            lambda p: max(q.lift_with_glove.load_kg for q in p.jacket.pieces),
            heavy,
            True,
        ),
        row("One cast", lambda p: p.cast.mass_kg, heavy),
    )


def _cuts_on_show(sections: Sections) -> float:
    return sum(cut.section.perimeter_mm * cut.shown for cut in sections.cuts)


def _said(value: float | None, say: Callable[[float], str]) -> str:
    return "not planned" if value is None else say(value)


def _cost(plan: MouldPlan) -> float:
    return plan.takeoff.total_cost + _hours(plan) * plan.brief.rates.hourly_rate


def _hours(plan: MouldPlan) -> float:
    return plan.programme.mould_person_hours + plan.programme.run_person_hours


def _stretch(plan: MouldPlan) -> float:
    allowed = plan.locks.stretch_allowed
    return plan.locks.worst_stretch / allowed if allowed > 0 else float("inf")


def advice(sections: Sections, plans: SectionPlans | None) -> str:
    """Which is recommended, the whole in one mould or the sections, and why: one sentence or two."""
    if not sections.cuts:
        return "In one mould."
    if not sections.asks and plans is None:
        return "In one mould: nothing asks for sections. To weigh their moulds against the whole, run with --plan."
    if plans is not None and plans.whole.plan is not None and all(p.plan is not None for p in plans.parts):
        whole = _cost(plans.whole.plan)
        total = sum(_cost(p.plan) for p in plans.parts if p.plan is not None) + sections.price.total
        if (crates := whole_crates(sections, plans)) is not None:
            total += crates.total
        currency = plans.whole.plan.takeoff.currency
        dear = f"{money(total, currency)} against {money(whole, currency)}"
        if sections.asks and not sections.left:
            return f"In sections: {dear} in one, which breaks a limit that they keep."
        if total < whole:
            return f"In sections: {dear} in one."
        return f"In one mould: sections would be {dear}" + (", and a limit stays broken." if sections.left else ".")
    if sections.hatch_cost and sections.hatch_cost < sections.price.total and _only_reach(sections):
        return "In one mould with hatches: only reach asks for a cut, and hatches cost less than the cuts."
    return "In sections: they keep a limit that the whole breaks." if not sections.left else (
        "In sections, and look at what stays over a limit."
    )  # fmt: skip


def _only_reach(sections: Sections) -> bool:
    return all("reached" in words for words in sections.asks)


def table_lines(rows: Sequence[TableRow], names: Sequence[str]) -> list[str]:
    """The table as plain text in columns."""
    head = ("", "in one", "sections", *names)
    body = [(row.what, row.whole, row.together, *row.parts) for row in rows]
    widths = [max(len(line[k]) for line in (head, *body)) for k in range(len(head))]
    return ["  ".join(cell.ljust(width) for cell, width in zip(line, widths)).rstrip() for line in (head, *body)]


# --- the folder ------------------------------------------------------------------------------------------


def write_sections(
    sections: Sections,
    solids: SectionSolids,
    brief: Brief,
    folder: str | Path,
    currency: str,
    plans: SectionPlans | None = None,
    formats: Sequence[str] = ("stl",),
    pictures: bool = True,
    progress: Progress = SILENT,
) -> tuple[str, tuple[Written, ...]]:
    """The words, and the files that hold them: words, cuts as a table, parts as closed meshes, a picture, and each
    part's plan where it was planned. All take their places or none. Raises `OutputRefused`, `BriefRefused`."""
    if unknown := [form for form in formats if form not in FORMATS]:
        raise BriefRefused(f"There is no solid format '{unknown[0]}'; use {', '.join(FORMATS)}.")
    lines = section_lines(sections, solids, brief, currency)
    names = [part.name for part in sections.parts]
    if plans is not None:
        lines += ["", *table_lines(section_table(sections, plans), names)]
        if whole_crates(sections, plans) is not None:
            lines.append(
                "The parts are joined before they are packed: one crate a cast, of the whole's size, is in the sum."
            )
        lines += [f"The {p.name} was not planned: {p.refused}" for p in (plans.whole, *plans.parts) if p.plan is None]
    lines += ["", f"Advice: {advice(sections, plans)}"]
    words, target = "\n".join(lines), Path(folder)
    with all_or_nothing(target, last=WORDS) as inner:
        made = [Written(target / WORDS, "all of the above")]
        write_text(inner / WORDS, words + "\n")
        if sections.cuts:
            write_text(inner / CUTS, _cuts_csv(sections))
            made.append(Written(target / CUTS, "each cut's plane, to set a saw or a CAD program by"))
            write_solids(solids.printed, inner / PARTS, formats)
            made.append(Written(target / PARTS, "the parts as closed meshes, spigots and sockets in, to print or mill"))
        if pictures:
            progress.step(0.9, "picture")
            made += _drawn(sections, solids, plans, brief, inner, target, progress)
        for part in (plans.whole, *plans.parts) if plans is not None else ():
            if part.plan is not None:
                name = part.name.replace(",", "").replace(" ", "-")
                write_results(part.plan, make_folder(inner / PLANS / name), progress, pictures=pictures)
        if plans is not None:
            made.append(Written(target / PLANS, "the whole and each part planned, a folder each"))
    return words, tuple(made)


def _cuts_csv(sections: Sections) -> str:
    out = io.StringIO()
    rows = csv.writer(out, lineterminator="\n")
    rows.writerow(["cut", "takes", "x_mm", "y_mm", "z_mm", "normal_x", "normal_y", "normal_z", "area_mm2", "line_mm"])
    for cut in sections.cuts:
        at = cut.section.loop_mm.mean(axis=0)
        rows.writerow(
            [
                cut.number,
                sections.parts[cut.takes].name,
                *(f"{v:.1f}" for v in at),
                *(f"{v:.5f}" for v in cut.section.normal),
                f"{cut.section.area_mm2:.0f}",
                f"{cut.section.perimeter_mm:.0f}",
            ]
        )
    return out.getvalue()


def _weights(sections: Sections, plans: SectionPlans | None, brief: Brief) -> list[str]:
    """What a cast of each part weighs: as planned, with all that is glassed into it, or about its laminate."""
    said = [f"about {kg_by(part.cast_kg, brief.job.units)}" for part in sections.parts]
    for at, part in enumerate(plans.parts if plans is not None else ()):
        if part.plan is not None:
            weighed = part.plan.cast.lift_kg_interval
            said[at] = kg_lb_range(weighed.low, weighed.high, brief.job.units)
    return said


def _drawn(
    sections: Sections,
    solids: SectionSolids,
    plans: SectionPlans | None,
    brief: Brief,
    inner: Path,
    target: Path,
    progress: Progress,
) -> list[Written]:
    """The parts drawn apart, and where they were planned the client's sheet over all of them."""
    from .pictures.overlay import save_png
    from .pictures.sections import sections_picture
    from .sheets.sections import sections_sheet

    picture = sections_picture(sections, solids, _weights(sections, plans, brief), progress)
    save_png(inner / PICTURE, picture)
    made = [Written(target / PICTURE, "the parts drawn apart")]
    if plans is not None and sections.cuts:
        sections_sheet(sections, solids, plans, brief, inner / CLIENT, picture)
        made.append(Written(target / CLIENT, "for the client to sign: all parts, their joints, weight and price"))
    return made
