"""Stage 12, sheets: the workshop's book on paper, from the mould taken apart to the order list."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import IO

from reportlab.lib.colors import HexColor
from reportlab.lib.units import mm as MM
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import BaseDocTemplate, Flowable, Frame, KeepTogether, PageBreak, PageTemplate, Spacer

from ...base.figures import (
    cm2,
    counted,
    kg_lb,
    listed,
    litres,
    m2,
    metres,
    metres_by,
    mm,
    money,
    number,
    percent,
    strain_by_rule,
)
from ...base.figures import kg as kilograms
from ...base.files import write_whole
from ...base.marks import Assumption, Mark
from ...base.progress import SILENT, Progress
from ...stages.cautions import NOT_A_HAZARD
from ...stages.plan import MouldPlan
from ...stages.takeoff import ORDER_SECTIONS
from ..look import SEAM, SOFT_INK
from ..pictures.apart import apart_picture
from ..pictures.locks import lock_picture
from ..pictures.thickness import thickness_picture, thickness_view
from ..summary import division_rows
from ..whereabouts import undercut_words, where_words, with_places
from ..words import (
    MEASURES,
    caution_lines,
    fill_mm3,
    kind_words,
    loose_words,
    opening_line,
    rubber_line,
    run_line,
    size_line,
    stands_words,
    title_of,
    weight_words,
    work_steps,
)
from .aside import beforehand_page
from .chart import histogram, programme_pages
from .letterhead import draw_logo, draw_right, filing_line, job_line
from .loose import loose_pages
from .order import advice_block, order_pages
from .peel import peel_pages
from .pieces import piece_pages
from .section import section_pages
from .typeset import (
    MARGIN,
    NumberedCanvas,
    facts_table,
    fitted,
    heading,
    house_fonts,
    marked_up,
    paper_of,
    picture_panel,
    ruled_table,
    set_rich,
    set_text,
    tall_of,
)
from .wall import wall_pages
from .work import work_pages

_NOT_A_CERTIFICATE = (
    "A plan, not a certificate. Product data sheets, local codes and licensed practice come before it; "
    "whoever signs for the work checks it."
)
_LOCKS_SHOWN = 12  # places of undercut in the table; the rest is summed
_LEAST_COVER, _MOST_COVER = 200.0, 350.0  # points of the cover's picture
_DANGER_SIZES = (8.2, 7.9, 7.6, 7.3)
_LAST_DANGERS = 6  # of the list's parts, a paragraph and a space each: kept on one page
_LEAST_LOCKS, _MOST_LOCKS = 230.0, 400.0  # of the undercuts'


def workshop_sheets(plan: MouldPlan, path: str | Path, progress: Progress = SILENT) -> Path:
    """The workshop's PDF: overview, locks, a sheet for each piece, casts, order of work, programme, order list,
    assumptions. Raises `OutputRefused`."""
    progress.step(0.02, "the workshop's sheets")
    paper = paper_of(plan)
    inner = paper[0] - 2 * MARGIN
    story: list[Flowable] = []
    story += [*_overview(plan, inner, progress), PageBreak(), *_lock_pages(plan, inner)]
    story += [PageBreak(), *_thickness_pages(plan, inner)]
    if plan.wall is not None:
        story += [PageBreak(), *wall_pages(plan, inner)]
    joint = section_pages(plan, inner)
    if joint:
        story += [PageBreak(), *joint]
    count = len(plan.jacket.pieces)
    for at, piece in enumerate(plan.jacket.pieces):
        own = progress.part(0.4 + 0.3 * at / count, 0.4 + 0.3 * (at + 1) / count)
        own.step(0.0, f"sheet of the {piece.name}")
        story += [PageBreak(), *piece_pages(plan, at, inner, own)]
    story += loose_pages(plan, inner)
    if plan.peel is not None:
        story += [PageBreak(), *peel_pages(plan, inner, progress.part(0.7, 0.8))]
    progress.step(0.8, "order of work and programme")
    story += [PageBreak(), *_cast_pages(plan, inner)]
    story += [PageBreak(), *_work_pages(plan, inner)]
    story += [PageBreak(), *programme_pages(plan, inner)]
    story += work_pages(plan, inner)
    story += [PageBreak(), *order_pages(plan, inner)]
    story += [PageBreak(), *beforehand_page(plan, inner), PageBreak()]
    story += _assumption_pages(plan, inner)

    def fill(handle: IO[bytes]) -> None:
        frame = Frame(MARGIN, 15 * MM, inner, paper[1] - 15 * MM - 21 * MM, 0, 0, 0, 0)
        document = BaseDocTemplate(
            handle, pagesize=paper, title=f"{title_of(plan)}: workshop sheets", author="mouldloft", invariant=1
        )

        def edges(canvas: Canvas, _document: object) -> None:
            progress.step(0.9, "setting the pages")
            _page_edges(canvas, plan)

        document.addPageTemplates(PageTemplate("sheet", [frame], onPage=edges))
        document.build(story, canvasmaker=NumberedCanvas)

    done = write_whole(path, fill)
    progress.step(1.0)
    return done


def _page_edges(canvas: Canvas, plan: MouldPlan) -> None:
    names = house_fonts()
    width, height = paper_of(plan)
    canvas.setFillColor(HexColor(SEAM))
    canvas.rect(MARGIN, height - 13 * MM, 14, 2, stroke=0, fill=1)
    title, _ = fitted(title_of(plan), 0.4 * width - MARGIN, 12, (9,), "strong")
    title.drawOn(canvas, MARGIN + 20, height - 13 * MM - 3.5)
    job = plan.brief.job
    logo = draw_logo(canvas, job, width - MARGIN, height - 6 * MM, 60, 10 * MM)
    words = f"{job_line(job)}: workshop sheets" if job_line(job) else "Workshop sheets"
    right = width - MARGIN - (logo + 8 if logo else 0)
    canvas.setFillColor(HexColor(SOFT_INK))
    draw_right(canvas, words, right, height - 13 * MM, right - 0.42 * width)
    canvas.setFont(names["regular"], 6.4)
    canvas.drawString(MARGIN, 8 * MM, _NOT_A_CERTIFICATE)
    canvas.drawString(MARGIN, 11 * MM, filing_line(job))


def _overview(plan: MouldPlan, inner: float, progress: Progress) -> list[Flowable]:
    progress.step(0.05, "the mould taken apart")
    title, _ = fitted(title_of(plan), inner, 70, (24, 20, 16, 13), "light")
    locks, seam, take = plan.locks, plan.seam, plan.takeoff
    jacket_kg, first = sum(p.mass_kg for p in plan.jacket.pieces), plan.brief.job.units
    facts = [
        ("Finished size", size_line(plan)),
        ("Run", run_line(plan)),
        ("Opening", opening_line(plan)),
        ("Seam", f"{metres_by(seam.length_mm, first)} in {counted(len(seam.lines), 'line')}, {_seam_kind(plan)}"),
        (
            "Undercuts",
            f"{cm2(locks.rigid_area_mm2)} undercut for both pieces "
            f"({percent(plan.undercut.locked_fraction)} of the skin); "
            f"{cm2(locks.piece_locked_area_mm2)} undercut for its own piece; "
            f"{litres(fill_mm3(plan))} of undercut fill",
        ),
        (
            "Stretch",
            f"{strain_by_rule(locks.worst_stretch, locks.elongation_at_break)} at most by rule; "
            f"{percent(locks.stretch_allowed)} is allowed "
            f"of {percent(locks.elongation_at_break)} at break",
        ),
        ("Rubber", rubber_line(plan)),
        ("Keys", f"{len(plan.keys.keys)}: " + "; ".join(_fixture(c, plan) for c in plan.keys.checks)),
        ("Jacket", f"{kg_lb(jacket_kg, first)} in {counted(len(plan.jacket.pieces), 'piece')}"),
        *((one.name.capitalize(), loose_words(one, first)) for one in plan.jacket.loose),
        (
            "One cast",
            f"{weight_words(plan.cast, first)}, wall {mm(plan.cast.thickness_mm)}; {stands_words(plan.cast, first)}",
        ),
        (
            "Time",
            f"{counted(plan.programme.mould_days, 'day')} for the mould, "
            f"{counted(plan.programme.run_days, 'day')} for {run_line(plan)}",
        ),
        (
            "Material",
            f"{money(take.total_cost, take.currency)}; mould {money(take.cost_mould, take.currency)}, "
            f"one more cast {money(take.cost_next_cast, take.currency)}",
        ),
        *([("Measures", MEASURES)] if first == "imperial" else []),
    ]
    parts: list[Flowable] = [title, Spacer(1, 8), facts_table(facts, inner, 0.16)]
    dangers = _dangers_by_stage(plan, inner)
    # the picture gives way, so that the dangers stay on the cover
    room = _room(plan, inner, (*parts, *dangers))
    tall = min(max(room - 24.0, _LEAST_COVER), _MOST_COVER)
    return [*parts, Spacer(1, 8), picture_panel(apart_picture(plan), inner, tall), *dangers]


def _room(plan: MouldPlan, inner: float, parts: Iterable[Flowable]) -> float:
    """What of a page's height, in points, the parts leave."""
    return float(paper_of(plan)[1] - 36 * MM - sum(tall_of(part, inner) for part in parts))


def _dangers_by_stage(plan: MouldPlan, inner: float) -> list[Flowable]:
    """On which days what is worn, stage by stage, and the hazards' names."""
    rows = []
    for stage in ORDER_SECTIONS:
        tasks = [t for t in plan.programme.tasks if t.stage == stage and t.hands]
        worn = list(dict.fromkeys(what for t in tasks for what in t.wear))
        if worn:
            days = sorted({t.day for t in tasks})
            span = f"{days[0]} to {days[-1]}" if days[0] < days[-1] else f"{days[0]}"
            rows.append([stage[:1].upper() + stage[1:], span, ", ".join(worn)])
    hazards = listed(hazard for hazard, _, _ in caution_lines(plan) if hazard != NOT_A_HAZARD)
    if not rows and not hazards:
        return []
    parts = heading("Dangers of the day", f"What to do about each stands after the order of work: {hazards}.")
    if rows:
        parts.append(ruled_table(("Work", "Days", "Wear"), rows, [inner * v for v in (0.16, 0.12, 0.72)], size=7.6))
    return parts


def _seam_kind(plan: MouldPlan) -> str:
    figures, other = plan.seam.figures, plan.seam.alternative
    kind = kind_words(plan.seam.kind)
    if other is None:
        return kind
    names = {"plane": "the best plane", "relief": "a plane with local relief"}
    names = {**names, "free": "a free seam", "own": "your own line"}
    if len(plan.seam.pieces) > 2:
        names = {"plane": "two pieces on a plane", "free": "a free seam of two", "own": "two along your own line"}
    return (
        f"{kind}: {metres(figures.on_show_mm)} on show and {litres(fill_mm3(plan))} to fill, where "
        f"{names.get(other.kind, other.kind)} has {metres(other.on_show_mm)} and {litres(other.fill_mm3)}"
    )


def _fixture(check, plan: MouldPlan) -> str:
    name = next((e.name for e in plan.rubber.envelopes if e.piece == check.piece), f"piece {check.piece + 1}")
    held = "held" if check.holds else "NOT held"
    return f"{name} {held} (sags {mm(check.sag_mm)} of {mm(check.sag_limit_mm)} allowed)"


def _cautions(plan: MouldPlan, inner: float, room: float) -> list[Flowable]:
    """Every danger, set smaller where that keeps them within `room` points, the rest of the page."""
    shown = caution_lines(plan)
    if not shown:
        return []
    head = heading("Dangers")
    for size in _DANGER_SIZES:
        parts = _danger_rows(shown, size)
        if sum(tall_of(part, inner) for part in (*head, *parts)) <= room:
            return [*head, *parts]
    parts = _danger_rows(shown, _DANGER_SIZES[0])
    # what the plan itself is stands with dangers, not on a page alone
    return [*head, *parts[:-_LAST_DANGERS], KeepTogether(parts[-_LAST_DANGERS:])]


def _danger_rows(shown: Sequence[tuple[str, str, str]], size: float) -> list[Flowable]:
    parts: list[Flowable] = []
    for hazard, sentence, defers in shown:
        words = (
            f"<b>{marked_up(hazard[:1].upper() + hazard[1:])}.</b> {marked_up(sentence)} "
            f"<font color='{SOFT_INK}'>What decides: {marked_up(defers)}.</font>"
        )
        parts += [set_rich(words, size=size, leading=1.3 * size), Spacer(1, 2.4)]
    return parts


def _lock_pages(plan: MouldPlan, inner: float) -> list[Flowable]:
    """The undercuts drawn and listed, then what more pieces would do: the picture gives way, so that this does not
    stand on a page by itself."""
    head = heading("Undercuts", "What a straight pull of its own piece does not free, worst first.")
    table, more = _lock_table(plan, inner), _division(plan, inner)
    room = _room(plan, inner, (*head, *table, *more)) - 12.0
    tall = room if room >= _LEAST_LOCKS else _MOST_LOCKS
    picture = picture_panel(lock_picture(plan, titled=False), inner, min(tall, _MOST_LOCKS))
    return [*head, picture, *table, KeepTogether(more)]  # a row alone on a page is overlooked


def _lock_table(plan: MouldPlan, inner: float) -> list[Flowable]:
    if not plan.locks.regions:
        return []
    rows = [
        [
            str(at),
            name,
            _piece_name(plan, region.piece),
            cm2(region.area_mm2),
            mm(region.depth_mm),
            strain_by_rule(region.stretch, plan.locks.elongation_at_break),
            litres(region.fill_mm3),
        ]
        for at, (region, name) in enumerate(zip(plan.locks.regions[:_LOCKS_SHOWN], undercut_words(plan)), 1)
    ]
    parts: list[Flowable] = [
        Spacer(1, 8),
        ruled_table(
            ("", "Where", "Piece", "Area", "Depth", "By rule", "Fill"),
            rows,
            [inner * v for v in (0.04, 0.36, 0.18, 0.12, 0.10, 0.10, 0.10)],
            right=(3, 4, 5, 6),
        ),
    ]
    if len(plan.locks.regions) > _LOCKS_SHOWN:
        rest = plan.locks.regions[_LOCKS_SHOWN:]
        words = f"and {len(rest)} smaller, {cm2(sum(r.area_mm2 for r in rest))} together."
        parts.append(set_text(words, size=8, colour=SOFT_INK))
    return parts


def _division(plan: MouldPlan, inner: float) -> list[Flowable]:
    """What more than two pieces would do, where two break a limit of the brief."""
    rows = division_rows(plan)
    if not rows:
        return []
    (title, why), *rest = rows
    parts = heading(title, why)
    if rest:
        parts.append(facts_table([(name.strip().capitalize(), words) for name, words in rest], inner, 0.16))
    return parts


def _thickness_pages(plan: MouldPlan, inner: float) -> list[Flowable]:
    view = thickness_view(plan)
    note = "From the glove's outside to the nearest skin, in space; flange and keys left out."
    parts: list[Flowable] = heading("How thick the glove is", note)
    parts += [picture_panel(thickness_picture(plan, titled=False), inner, 330), Spacer(1, 10)]
    parts += [histogram(plan, at, inner) for at in range(len(view.pieces))]
    thin = [
        [
            place.name,
            mm(place.thickness_mm),
            mm(place.asked_mm),
            where_words(plan, [place.point_mm])[0],
        ]
        for piece in view.pieces
        for place in piece.thin
    ]
    if not thin:
        return [*parts, set_text("Nowhere thinner than asked.", size=8.6)]
    return [
        *parts,
        *heading("Thinner than asked", "Brush more on here, or move the seam."),
        ruled_table(
            ("Place", "Found", "Asked", "Where"), thin, [inner * v for v in (0.4, 0.14, 0.14, 0.32)], right=(1, 2)
        ),
    ]


def _piece_name(plan: MouldPlan, piece: int) -> str:
    return next((e.name for e in plan.rubber.envelopes if e.piece == piece), f"piece {piece + 1}")


def _advice_left(plan: MouldPlan) -> list[str]:
    """The cast's advice less what its page says of the way out of the mould already."""
    return [with_places(plan, words) for words in plan.cast.advice if words != plan.cast.comes_out_reason]


def _cast_pages(plan: MouldPlan, inner: float) -> list[Flowable]:
    cast, casts = plan.cast, plan.brief.run.casts
    out = "Comes out. " if cast.comes_out else "DOES NOT COME OUT. "
    facts = [
        ("Out of the mould", out + with_places(plan, cast.comes_out_reason)),
        ("Wall", f"{mm(cast.thickness_mm)} over {m2(cast.area_mm2)}"),
        ("Mass", weight_words(cast, plan.brief.job.units)),
        ("Centre of mass", _middle_words(cast.centre_of_mass_mm)),
        *([("Baseboard", m2(cast.baseboard_area_mm2))] if cast.baseboard_area_mm2 > 0 else []),
        ("Stands", stands_words(plan.cast, plan.brief.job.units)),
        ("Joint", f"{metres(cast.joint_tape_m * 1000)} taped from inside"),
    ]
    amounts = [
        [name, kilograms(one), kilograms(one * casts)]
        for name, one in (
            ("gelcoat", cast.gelcoat_kg),
            ("glass mat", cast.glass_kg),
            ("resin", cast.resin_kg),
            ("glass of the joint", cast.joint_tape_kg),
            ("resin of the joint", cast.joint_resin_kg),
            ("all", cast.mass_kg),
        )
    ]
    stands = [
        [
            s.cause,
            f"{number(s.overturning_nm)} N·m",
            f"{number(s.holding_nm)} N·m",
            "fixing" if s.short_nm > 0 and cast.needs_fixing else kilograms(s.ballast_kg),
            f"{s.tip_edge}; {s.method}",
        ]
        for s in cast.stands
    ]
    parts: list[Flowable] = [
        set_text("The casts", weight="light", size=20, leading=25),
        Spacer(1, 4),
        facts_table(facts, inner, 0.16),
    ]
    parts += [
        *heading("Amounts", "Net, without waste."),
        ruled_table(
            ("", "One cast", f"All {casts}"), amounts, [inner * v for v in (0.3, 0.16, 0.16)], (1, 2), total=True
        ),
    ]
    if stands:
        parts += heading("Will it stand?", "Statics under stated loads; a local code decides.")
        widths = [inner * v for v in (0.10, 0.13, 0.13, 0.12, 0.52)]
        parts.append(
            ruled_table(("Cause", "Tips it", "Holds it", "Ballast", "About, and by"), stands, widths, (1, 2, 3))
        )
    return parts + advice_block([*_advice_left(plan), *plan.jacket.advice, *plan.cradle.advice])


def _middle_words(point_mm: Sequence[float]) -> str:
    """'612 mm up, 34 mm behind the middle, 5 mm to its left'; what is under 5 mm is left out."""
    x, y, z = point_mm
    off = [(y, "behind the middle", "in front of the middle"), (x, "to its left", "to its right")]
    words = [f"{mm(round(abs(v)))} {ahead if v > 0 else behind}" for v, ahead, behind in off if abs(v) >= 5.0]
    return ", ".join([f"{mm(round(z))} up", *words])


def _work_pages(plan: MouldPlan, inner: float) -> list[Flowable]:
    rows = [
        [
            set_text(str(at), weight="light", size=15, colour=SEAM),
            set_rich(f"<b>{marked_up(s.title)}.</b> {marked_up(s.text)}", size=9, leading=12.4),
        ]
        for at, s in enumerate(work_steps(plan), 1)
    ]
    parts: list[Flowable] = [set_text("Order of work", weight="light", size=20, leading=25), Spacer(1, 4)]
    parts.append(ruled_table((), rows, (inner * 0.06, inner * 0.94)))
    order = plan.seam.taking_off
    if order:
        parts += heading("Opening order")
        parts.append(set_text(", then ".join(f"{k}. {name}" for k, name in enumerate(order, 1)), size=9))
    for note in (*plan.seam.notes, *plan.keys.notes):
        parts.append(set_text("– " + note, size=8.4, colour=SOFT_INK))
    room = _room(plan, inner, parts) - 2.0
    return parts + _cautions(plan, inner, room)


def _assumption_pages(plan: MouldPlan, inner: float) -> list[Flowable]:
    """Every figure under the heading of its mark, two a row."""
    if not plan.assumptions:
        return []
    parts: list[Flowable] = []
    for mark in Mark:
        cells = [_figure_cell(a) for a in plan.assumptions if a.mark is mark]
        if cells:
            rows = [cells[k : k + 2] + [""] * (k + 2 - len(cells)) for k in range(0, len(cells), 2)]
            parts += [
                set_text(mark.value[:1].upper() + mark.value[1:], weight="strong", size=8.6),
                ruled_table((), rows, [inner / 2] * 2),
                Spacer(1, 6),
            ]
    return (
        [*heading("Where the figures come from", "Every figure that is not geometry, by its source."), *parts]
        if parts
        else []
    )


def _figure_cell(figure: Assumption) -> Flowable:
    source = f" <font color='{SOFT_INK}'>{marked_up(figure.source)}</font>" if figure.source else ""
    what = marked_up(figure.what.replace("_", " "))
    return set_rich(f"{what}: <b>{marked_up(figure.value)}</b>{source}", size=6.6, leading=8.2)
