"""The client's sheet over all sections of a sculpture: its parts, the joints that show, weight, price, who joins it."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from pathlib import Path
from typing import IO

import numpy as np
from PIL import Image
from reportlab.lib.colors import HexColor
from reportlab.lib.units import mm as MM
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import (
    BaseDocTemplate,
    Flowable,
    Frame,
    KeepTogether,
    PageTemplate,
    Spacer,
    Table,
    TableStyle,
)

from ...base.figures import (
    First,
    counted,
    feet_inches,
    kg_lb_range,
    listed,
    metres_by,
    metres_or_feet,
    mm,
    mm_by,
    mm_feet,
    money,
    percent,
    sides_by,
)
from ...base.files import write_whole
from ...base.intervals import Interval
from ...inputs.brief import Brief
from ...solids.sections import SectionSolids
from ...stages.plan import MouldPlan
from ...stages.sections import Cut, Sections
from ...stages.sections.plans import PartPlan, SectionPlans
from ...trade.money import Share, share_of
from ..joined import whole_crates
from ..look import SEAM, SOFT_INK
from ..words import run_words, stands_words
from .client import JOB_WIDTH, SIGN_HEIGHT, job_lines, sign_box
from .letterhead import draw_logo
from .typeset import (
    MARGIN,
    NumberedCanvas,
    Placed,
    facts_table,
    fitted,
    heading,
    image_reader,
    paper_for,
    put,
    ruled_table,
    set_text,
    tall_of,
)

_HEAD = 84.0  # points of the page's head
_PICTURE_SHARE = 0.56
_LEAST_PICTURE, _MOST_PICTURE = 150.0, 250.0
_MANY_ROWS = 5  # of a table: more stand closer together, so that it is all signed on one page
_NAMED_ROUND = 0.12  # of a joint's line: a place with less of it is not named


@dataclass(frozen=True)
class OfferRow:
    """What one part is offered for. seam_mm, on_show_mm : of the seam on its cast; mould, run : prices as offered, to
    the nearest ten; weight_kg : of one cast, None of the joints; refused : why it was not planned."""

    name: str
    size: str
    weight_kg: Interval | None
    seam_mm: float
    on_show_mm: float
    mould: float
    run: float
    refused: str = ""

    @property
    def price(self) -> float:
        return self.mould + self.run


def offer_rows(sections: Sections, plans: SectionPlans, brief: Brief) -> tuple[OfferRow, ...]:
    """A row for each part in their order, one for the joints between them and one for the crates of joined casts: at
    the same overhead and margin, the making of cuts with the moulds, bonding, making good and crates with the run."""
    rows = [_row(part, made.size_mm, brief.job.units) for part, made in zip(plans.parts, sections.parts, strict=True)]
    price, rate = sections.price, brief.rates.hourly_rate
    making = share_of("cuts", price.making_h * rate, 0.0, brief.money)
    joining = share_of("joints", (price.joint_h + price.cleanup_h) * rate, price.tape_cost, brief.money)
    line = sum(cut.section.perimeter_mm for cut in sections.cuts)
    shown = sum(cut.section.perimeter_mm * cut.shown for cut in sections.cuts)
    rows.append(OfferRow("joints between them", "", None, line, shown, _tens(making), _tens(joining)))
    if (crates := whole_crates(sections, plans)) is not None:
        packed = share_of("crates", crates.labour, crates.material, brief.money)
        rows.append(OfferRow("crates", "", None, 0.0, 0.0, 0.0, _tens(packed)))
    return tuple(rows)


def _row(part: PartPlan, size_mm: tuple[float, float, float], first: First) -> OfferRow:
    size = sides_by(size_mm, first).rsplit(" ", 1)[0]  # the unit stands over the column
    if part.plan is None or part.plan.takeoff.money is None:
        return OfferRow(part.name, size, None, 0.0, 0.0, 0.0, 0.0, part.refused or "no price was worked out")
    cash, seam = part.plan.takeoff.money, part.plan.seam
    return OfferRow(
        part.name, size, part.plan.cast.lift_kg_interval, seam.length_mm, seam.figures.on_show_mm, _tens(cash.mould),
        _tens(cash.run),
    )  # fmt: skip


def _tens(share: Share) -> float:
    return float(round(share.price, -1))


def sections_sheet(
    sections: Sections, solids: SectionSolids, plans: SectionPlans, brief: Brief, path: str | Path, picture: Image.Image
) -> Path:
    """The sheet as a PDF, on the brief's paper. Raises `OutputRefused`."""
    width, height = paper_for(brief.job)
    inner = width - 2 * MARGIN
    title = brief.piece or sections.master.name
    story = _story(sections, solids, plans, brief, picture, inner)

    def edges(canvas: Canvas, _document: object) -> None:
        _page_head(canvas, sections, brief, title)

    def fill(handle: IO[bytes]) -> None:
        frame = Frame(MARGIN, 15 * MM, inner, _frame_height(brief), 0, 0, 0, 0)
        document = BaseDocTemplate(
            handle, pagesize=(width, height), title=f"{title}: in sections", author="mouldloft", invariant=1
        )
        document.addPageTemplates(PageTemplate("sheet", [frame], onPage=edges))
        document.build(story, canvasmaker=NumberedCanvas)

    return write_whole(path, fill)


def _page_head(canvas: Canvas, sections: Sections, brief: Brief, title: str) -> None:
    width, height = paper_for(brief.job)
    inner, top = width - 2 * MARGIN, height - MARGIN
    canvas.setFillColor(HexColor(SEAM))
    canvas.rect(MARGIN, top - 1.2, 26, 2.4, stroke=0, fill=1)
    put(canvas, set_text("Moulded in sections", weight="strong", size=9.5, colour=SEAM), MARGIN, top - 8, inner)
    job_lines(canvas, brief.job, width - MARGIN, top - 4)
    logo = draw_logo(canvas, brief.job, width - MARGIN - JOB_WIDTH, top + 2, 100, 46)
    words, used = fitted(title, inner - JOB_WIDTH - logo, 40, (23, 19, 16, 13), "light")
    words.drawOn(canvas, MARGIN, top - 24 - used)
    tall = sections.master.height_mm
    line = f"{mm_feet(tall, brief.job.units, 'tall')}. {run_words(brief).capitalize()}."
    put(canvas, set_text(line, size=9.4, colour=SOFT_INK), MARGIN, top - 28 - used, inner - JOB_WIDTH)


def _story(
    sections: Sections, solids: SectionSolids, plans: SectionPlans, brief: Brief, picture: Image.Image, inner: float
) -> list[Flowable]:
    rows = offer_rows(sections, plans, brief)
    rest = [
        *heading("Parts and price", "Price without tax, each rounded as in its own offer."),
        _price_table(rows, plans, brief, inner),
        *heading("Joints between the parts"),
        _joint_table(sections, solids, inner, brief.job.units),
        *heading("Joined and fixed"),
        facts_table(_assembly(sections, plans, rows, brief), inner, 0.2),
    ]
    tall = mm_by(sections.master.height_mm, brief.job.units)
    agreed = (
        f"I have seen where the parts join, where the seam of each will run (a sheet for each part), and that the "
        f"finished height is {tall} for {run_words(brief)}. Making the moulds may begin."
    )

    def sign(canvas: Canvas) -> None:
        sign_box(canvas, brief.job, agreed, (0.0, 0.0), (inner, SIGN_HEIGHT))

    # the picture gives way, so that it is signed on the page that says it
    room = _frame_height(brief) - sum(tall_of(part, inner) for part in rest) - SIGN_HEIGHT - 12.0 - 8.0
    high = min(max(room, _LEAST_PICTURE), _MOST_PICTURE)
    look = _first_look(sections, plans, rows, picture, inner, high, brief.job.units)
    return [look, *rest, KeepTogether([Spacer(1, 12), Placed(inner, SIGN_HEIGHT, sign)])]


def _frame_height(brief: Brief) -> float:
    return paper_for(brief.job)[1] - 15 * MM - MARGIN - _HEAD


def _first_look(
    sections: Sections,
    plans: SectionPlans,
    rows: tuple[OfferRow, ...],
    picture: Image.Image,
    inner: float,
    most_tall: float,
    first: First,
) -> Table:
    """The parts drawn apart, and beside them what a client asks first."""
    wide = _PICTURE_SHARE * inner
    tall = wide * picture.height / picture.width
    if tall > most_tall:
        wide, tall = wide * most_tall / tall, most_tall
    reader = image_reader(np.asarray(picture.convert("RGB")))
    drawn = Placed(wide, tall, lambda canvas: canvas.drawImage(reader, 0, 0, wide, tall))
    column = inner - wide - 14
    words: list[Flowable] = []
    for title, said in _blocks(sections, plans, rows, first):
        words += [set_text(title, weight="strong", size=9), set_text(said, size=8.8, leading=12.2), Spacer(1, 6)]
    table = Table([[drawn, words]], colWidths=[wide + 14, column], hAlign="LEFT")
    table.setStyle(
        TableStyle([("VALIGN", (0, 0), (-1, -1), "TOP"), ("LEFTPADDING", (0, 0), (-1, -1), 0),
                    ("RIGHTPADDING", (0, 0), (-1, -1), 0), ("TOPPADDING", (0, 0), (-1, -1), 0),
                    ("BOTTOMPADDING", (0, 0), (-1, -1), 2)])
    )  # fmt: skip
    return table


def _blocks(sections: Sections, plans: SectionPlans, rows: tuple[OfferRow, ...], first: First) -> list[tuple[str, str]]:
    names = listed(part.name for part in sections.parts)
    asks = f" In one mould {listed(sections.asks)}." if sections.asks else ""
    count = len(sections.parts)
    parts, joints = rows[:count], rows[count]
    lengths = [sum(row.on_show_mm for row in parts), sum(row.seam_mm for row in parts)]
    lengths = [joints.on_show_mm, joints.seam_mm, *lengths]
    shown, joint, on_parts, seam = (metres_by(length, first) for length in lengths)
    return [
        ("In parts", f"{counted(len(sections.parts), 'part')}, each in a mould of its own: {names}.{asks}"),
        (
            "What will be seen",
            f"{shown} of the joints between the parts is on show, of {joint}; of "
            f"the seams on the parts {on_parts}, of {seam}. Both are ground back, filled and worked over "
            "on every cast; up close and in raking light their course may still be felt.",
        ),
        ("Beside one mould", _beside_one(plans.whole.plan)),
    ]


def _beside_one(whole: MouldPlan | None) -> str:
    """What the same sculpture would be in one mould: price, seam on show, one cast's weight."""
    if whole is None or whole.takeoff.money is None:
        return "In one mould it was not planned."
    cash = whole.takeoff.money
    price, weighed = _tens(cash.mould) + _tens(cash.run), whole.cast.lift_kg_interval
    first = whole.brief.job.units
    weight = kg_lb_range(weighed.low, weighed.high, first)
    shown = metres_by(whole.seam.figures.on_show_mm, first)
    return f"In one mould it would be {money(price, cash.currency)}, with {shown} of seam on show and {weight} a cast."


def _price_table(rows: tuple[OfferRow, ...], plans: SectionPlans, brief: Brief, inner: float) -> Flowable:
    known = [part.plan for part in (*plans.parts, plans.whole) if part.plan is not None]
    currency = known[0].takeoff.currency if known else ""
    first = brief.job.units
    body = [_cells(row, currency, first) for row in rows]
    missing = [row.name for row in rows if row.refused]
    every = f"without {listed(missing)}" if missing else "together"
    body.append(
        [every, "", _weight(rows, first), metres_or_feet(sum(r.seam_mm for r in rows), first),
         metres_or_feet(sum(r.on_show_mm for r in rows), first),
         money(sum(r.mould for r in rows), currency), money(sum(r.run for r in rows), currency),
         money(sum(r.price for r in rows), currency)]
    )  # fmt: skip
    run = "One cast" if brief.run.casts == 1 else f"{brief.run.casts} casts"
    widths = (0.16, 0.16, 0.13, 0.09, 0.09, 0.12, 0.12, 0.13)
    size = f"Size, {'in' if first == 'imperial' else 'mm'}"
    return ruled_table(
        ("", size, "A cast weighs", "Seam", "On show", "Mould", run, "Price"), body,
        [inner * share for share in widths], (2, 3, 4, 5, 6, 7), size=7.8, total=True,
        tight=len(rows) > _MANY_ROWS,
    )  # fmt: skip


def _cells(row: OfferRow, currency: str, first: First) -> list[str]:
    if row.refused:
        return [row.name, row.size, "not planned", "", "", "", "", ""]
    weight = kg_lb_range(row.weight_kg.low, row.weight_kg.high, first) if row.weight_kg is not None else ""
    prices = (money(value, currency) if value else "" for value in (row.mould, row.run, row.price))
    seam = ("", "") if row.seam_mm <= 0 else (metres_or_feet(row.seam_mm, first), metres_or_feet(row.on_show_mm, first))
    return [row.name, row.size, weight, *seam, *prices]


def _weight(rows: tuple[OfferRow, ...], first: First) -> str:
    """Of all parts on one another, low to high."""
    known = [row.weight_kg for row in rows if row.weight_kg is not None]
    if not known:
        return ""
    return kg_lb_range(sum(w.low for w in known), sum(w.high for w in known), first)


def _joint_table(sections: Sections, solids: SectionSolids, inner: float, first: First) -> Flowable:
    rows = []
    for cut, spigot in zip(sections.cuts, solids.spigots, strict=True):
        held = "over a spigot with a flat side, bonded" if spigot is not None else "on two dowels, bonded"
        on = f"{sections.parts[cut.takes].name} on {sections.parts[cut.leaves].name}"
        rows.append(
            [str(cut.number), on, _round_what(sections, cut, first), metres_or_feet(cut.section.perimeter_mm, first),
             percent(cut.shown), held]
        )  # fmt: skip
    return ruled_table(
        ("", "Joins", "Runs round", "Length", "On show", "Held"), rows,
        [inner * share for share in (0.03, 0.21, 0.3, 0.08, 0.08, 0.3)], (3, 4), size=7.8,
        tight=len(rows) > _MANY_ROWS,
    )  # fmt: skip


def _round_what(sections: Sections, cut: Cut, first: First) -> str:
    """The places that a joint's line passes, in its order, and how high up it is."""
    line = cut.section.loop_mm
    high = round(float(line[:, 2].mean()))
    up = f"{feet_inches(high) if first == 'imperial' else mm(high)} up"
    if sections.places is None or not sections.places.known:
        return up
    names = sections.places.at(line)
    steps = np.linalg.norm(np.roll(line, -1, axis=0) - line, axis=1)
    length: defaultdict[str, float] = defaultdict(float)
    for name, step in zip(names, steps):
        length[name] += float(step)
    most = _NAMED_ROUND * float(steps.sum())
    said = _paired([name for name in dict.fromkeys(names) if name and length[name] >= most])
    return f"{listed(said)}, {up}" if said else up


def _paired(names: list[str]) -> list[str]:
    """'left side' and 'right side' together as 'both sides'."""
    found = []
    for name in names:
        side, _, what = name.partition(" ")
        other = {"left": "right", "right": "left"}.get(side)
        found.append(f"both {what}s" if other and f"{other} {what}" in names else name)
    return list(dict.fromkeys(found))


def _assembly(
    sections: Sections, plans: SectionPlans, rows: tuple[OfferRow, ...], brief: Brief
) -> list[tuple[str, str]]:
    """Where the parts are joined, in what order, what the whole weighs and how it is kept standing."""
    order = [f"{sections.parts[cut.takes].name} on {sections.parts[cut.leaves].name}" for cut in sections.outwards()]
    van = " × ".join(f"{side / 1000:g}" for side in brief.sections.van_mm) + " m"
    if brief.job.units == "imperial":
        van = f"{sides_by(brief.sections.van_mm, 'imperial')}, {van}"
    said = listed(order)
    said = said[:1].upper() + said[1:]
    place = (
        f"In our workshop: in one it goes into the van ({van}). {said}; one cast arrives whole."
        if sections.joined_before_packing
        else f"On the place: in one it is larger than the van ({van}), its parts go in. {said}."
    )
    weighs = f"{_weight(rows, brief.job.units)} with all its parts, plinth and anchors apart"
    facts = [("Joined", place), ("One cast, whole", weighs)]
    if plans.whole.plan is not None:
        cast = plans.whole.plan.cast
        facts.append(("Kept standing", f"By the plan of the whole it {_stands(stands_words(cast, brief.job.units))}."))
    large = [part.name for part in sections.parts if not part.fits_van]
    if large:
        facts.append(("Transport", f"{listed(large).capitalize()}: larger than that van; another is hired."))
    return facts


def _stands(words: str) -> str:
    return words if words.startswith(("stands", "has", "goes")) else f"stands with {words}"
