"""Pages for the bench and the office: a cast's card, how it stands, lifts and grips, money, the client's offer."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path
from typing import IO

import numpy as np
from reportlab.lib.colors import HexColor
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import Flowable, PageBreak, SimpleDocTemplate, Spacer

from ...base.figures import bare_money, counted, kg, kg_by, kg_lb_range, litres, m2, metres, mm, money, number, percent
from ...base.files import write_whole
from ...geometry.heightmap import sample
from ...inputs.brief import day_one
from ...stages.cast import ENGINEER, PART_ALONE
from ...stages.handling import plan_grips
from ...stages.joining import Joining
from ...stages.plan import MouldPlan
from ...stages.programme import Task
from ...stages.rubber.record import Envelope
from ...trade.fixings import Fixings, SumLine
from ...trade.handling import Grips, Lift, lift_words
from ...trade.money import Money
from ...trade.uprights import TAB_MM, Frame
from ..look import SOFT_INK
from ..whereabouts import apart_words
from ..words import held_words, run_line, title_of
from .aside import crate_facts, installation_part
from .chart import grams
from .daylist import day_rows, kit_legend
from .finish import colourway_words, finish_page
from .letterhead import draw_logo, draw_right, filing_line, job_line
from .typeset import MARGIN, facts_table, heading, paper_of, ruled_table, set_text, tick_box

_ANSWERS = {
    "pole": "roller on a pole, from the foot",
    "hatch": "by hand through a hatch, below",
    "core": "limb cored with cut rigid polyurethane before the halves are shut",
    "fill": "limb filled with resin and filler, in lifts, before the halves are shut",
    "section": "neither arm, pole nor hatch reaches it: cut the master into sections here (mouldloft sections)",
}


def work_pages(plan: MouldPlan, inner: float) -> list[Flowable]:
    """The casting card, how a cast stands, lifts and grips, and money: each begins a page of its own."""
    pages: list[Flowable] = []
    for part in (
        casting_card(plan, inner),
        finish_page(plan, inner),
        standing_page(plan, inner),
        lifting_page(plan, inner),
        money_page(plan, inner),
    ):
        if part:
            pages += [PageBreak(), *part]
    return pages


# --- casting card ----------------------------------------------------------------------------------------


def casting_card(plan: MouldPlan, inner: float) -> list[Flowable]:
    """One cast from glove home to weighing, to copy for each cast of the run."""
    cast = plan.cast
    parts: list[Flowable] = [
        set_text("Casting card", weight="light", size=20, leading=25),
        set_text("Copy one for each cast. Cast number ____   Date ________   Temperature ____ °C", size=9),
        Spacer(1, 6),
        facts_table(_card_facts(plan), inner, 0.2),
    ]
    parts += heading(
        "In this order",
        "Days counted from its first, weekends included; times as planned for the second cast, or the only one.",
    )
    tasks = _one_cast(plan)
    begun = min((t.day for t in tasks), default=1)
    rows = [
        [_day_of(row[0], begun), row[2], _without_cast(row[3]), row[4], row[5], tick_box()]
        for row in day_rows(tasks, lambda task: str(task.hands))
    ]
    table = ruled_table(
        ("Day", "From, to", "Work", "People", "Kit", "Done"),
        rows,
        [inner * v for v in (0.05, 0.13, 0.56, 0.08, 0.12, 0.06)],
        (3,),
    )
    legend = kit_legend(tasks)
    parts += [table, set_text(f"Kits. {legend[:1].upper()}{legend[1:]}.", size=7.8, colour=SOFT_INK)]
    if cast.joining is not None and cast.joining.spans:
        parts += _past_reach(plan, cast.joining, inner)
    parts += heading(
        "Weighed",
        f"Out of the mould: with {held_words(cast)}" + (" and its joint." if cast.section != "carried" else "."),
    )
    parts.append(set_text(f"Planned {_mass_words(plan)}.   Found ______ kg.   Signed ____________", size=9))
    return parts


def _past_reach(plan: MouldPlan, joining: Joining, inner: float) -> list[Flowable]:
    """What is done about the joint that no arm reaches from the foot, and where the hatches are cut."""
    where = apart_words(plan, [span.point_mm for span in joining.spans])
    spans = [
        [name, metres(s.length_mm), "too narrow for an arm" if s.reach_mm > 1e6 else mm(s.reach_mm),
         _ANSWERS[s.answer], litres(s.litres * 1e6) if s.litres else ""]
        for name, s in zip(where, joining.spans)
    ]  # fmt: skip
    note = f"Further than {mm(plan.brief.rates.reach_mm)} from the foot. Nobody puts head or body inside the cast."
    parts: list[Flowable] = heading("Joint past an arm's reach", note)
    parts.append(
        ruled_table(("Where", "Length", "Way from the foot", "How", "Limb"), spans,
                    [inner * v for v in (0.25, 0.1, 0.17, 0.4, 0.08)], (1, 2, 4))
    )  # fmt: skip
    if joining.hatches:
        spots = apart_words(plan, [hatch.point_mm for hatch in joining.hatches])
        rows = [
            [str(k), name, f"{h.size_mm[0]:.0f} × {h.size_mm[1]:.0f} mm", metres(h.served_mm),
             f"{number(h.saves_h, 2)} h" if h.saves_h < 50 else "nothing else reaches it", f"{number(h.costs_h, 2)} h",
             percent(h.shows)]
            for k, (h, name) in enumerate(zip(joining.hatches, spots), 1)
        ]  # fmt: skip
        note = "Cut when the halves are shut, edge bevelled; glassed back, filled and textured when the joint is made."
        parts += heading("Hatches", note)
        parts.append(
            ruled_table(("Hatch", "Middle of it", "Size", "Joint taped", "Saves", "Takes", "On show"), rows,
                        [inner * v for v in (0.07, 0.3, 0.15, 0.12, 0.16, 0.1, 0.1)], (3, 5, 6))
        )  # fmt: skip
    return parts


def _card_facts(plan: MouldPlan) -> list[tuple[str, str]]:
    cast, catalogue, materials = plan.cast, plan.catalogue, plan.brief.materials
    gelcoat, resin = catalogue.gelcoat_for(materials), catalogue.resin_for(materials)
    pots = {b.coat: b for b in plan.programme.batches if b.piece == "each cast"}

    def mix(coat: str) -> str:
        b = pots.get(coat)
        return f"; {counted(b.batches, 'pot')} of {grams(b.base_g)} and {grams(b.catalyst_g)} of catalyst" if b else ""

    facts = [
        ("Gelcoat", f"{gelcoat.name}: {kg(cast.gelcoat_kg)}, {mm(plan.brief.cast.gelcoat_wet_mm)} wet{mix('gelcoat')}"),
        ("Wait", f"{gelcoat.overlay_h:g} to {gelcoat.overlay_most_h:g} h at 20 °C: tacky, and a finger leaves no mark"),
        ("Glass", f"{', '.join(cast.layers)}; {kg(cast.glass_kg)}"),
        ("Resin", f"{resin.name}: {kg(cast.resin_kg + cast.joint_resin_kg)}{mix('cast laminate')}"),
    ]
    if cast.joining is not None:
        places = [place for place in cast.joining.places if place.area_m2 >= 0.005]
        names = apart_words(plan, [place.point_mm for place in places])
        where = ": " + "; ".join(f"{name} ({m2(p.area_m2 * 1e6)})" for name, p in zip(names, places)) if places else ""
        facts.append(
            ("Tight places", f"{percent(cast.joining.tight_share)} of the skin, tissue and light mat first" + where)
        )
    facts.append(("Joint", f"{metres(cast.joint_tape_m * 1000)}, paste and tape"))
    return facts


def _one_cast(plan: MouldPlan) -> list[Task]:
    for name in ("Cast 2", "Cast 1"):
        tasks = [t for t in plan.programme.tasks if t.line == name and t.stage == "casts" and t.hands]
        if tasks:
            return [t for t in tasks if "trial cast" not in t.name]
    return []


def _without_cast(words: str) -> str:
    """A task's words on the card of any cast: 'Cast 2: lay glove home' reads 'Lay glove home'."""
    said = words.split(": ", 1)[-1]
    return said[:1].upper() + said[1:]


def _day_of(day: str, begun: int) -> str:
    """A day of the calendar counted from the cast's first; "" where the row before has it."""
    return str(int(day) - begun + 1) if day else ""


def _mass_words(plan: MouldPlan) -> str:
    spread, first = plan.cast.lift_kg_interval, plan.brief.job.units
    return f"{kg_by(spread.likely, first)} ({kg_lb_range(spread.low, spread.high, first)})"


# --- how it stands ---------------------------------------------------------------------------------------


def _sockets(fixings: Fixings, inner: float) -> list[Flowable]:
    facts = [
        ("Sockets", f"{fixings.count} of {fixings.size} A4-70, glassed into the foot on backing plates"),
        ("Each plate", f"{fixings.plate_side_mm:.0f} mm square, {fixings.plate_thickness_mm:g} mm "
                       f"steel; foot laid up to {fixings.pad_mm:.0f} mm under it"),
        ("At most on one", f"pull {fixings.pull_n / 1000:.2f} kN, shear {fixings.shear_n / 1000:.2f} kN, "
                                  "with factors; plinth or anchor by others for these"),
    ]  # fmt: skip
    return [facts_table(facts, inner, 0.22), *_sum(fixings.lines, inner),
            *_places("Where the sockets sit", "Socket", fixings.points_mm, inner)]  # fmt: skip


def _frame(frame: Frame, inner: float) -> list[Flowable]:
    facts = [
        ("Steel frame", f"{frame.words}, square hollow section S235, galvanised, {kg(frame.mass_kg)}; no sockets, for "
                        f"{frame.why}"),
        ("Laid in", f"before the mould is shut, on {frame.packer_words}, tabbed to the shell with "
                    f"{TAB_MM:.0f} mm of mat on either side; open at the ground"),
        ("On each upright", f"{frame.moment_nm / 1000:.2f} kN·m and {frame.shear_n / 1000:.2f} kN at the ground, with "
                            "factors; plinth, and the spigot that goes up into it, by others for these"),
    ]  # fmt: skip
    return [facts_table(facts, inner, 0.22), *_sum(frame.lines, inner),
            *_places("Where the uprights stand", "Upright", frame.places_mm, inner)]  # fmt: skip


def _sum(lines: tuple[SumLine, ...], inner: float) -> list[Flowable]:
    rows = [[line.what, line.sum, line.result] for line in lines]
    return [*heading("The sum", "Moments about the worst side of the foot; do it again before relying on it."),
            ruled_table(("What", "Sum", "Comes to"), rows, [inner * v for v in (0.27, 0.51, 0.22)], (2,))]  # fmt: skip


def _places(title: str, what: str, points_mm: tuple[tuple[float, float], ...], inner: float) -> list[Flowable]:
    rows = [[str(k), _off(x, "left", "right"), _off(y, "back", "front")] for k, (x, y) in enumerate(points_mm, 1)]
    return [*heading(title, "From the middle of the piece, mm."),
            ruled_table((what, "Across", "Along"), rows, [inner * 0.16] * 3, (1, 2))]  # fmt: skip


def standing_page(plan: MouldPlan, inner: float) -> list[Flowable]:
    """Sockets or frame with the sum that a person can do again, and what is made in the cast for it."""
    cast = plan.cast
    parts: list[Flowable] = [set_text("How a cast stands", weight="light", size=20, leading=25), Spacer(1, 4)]
    if cast.section == "carries":
        parts.append(set_text(PART_ALONE, size=9))
    if cast.section == "carried":
        parts.append(set_text("It goes over the spigot of the part that carries it and is bonded there.", size=9))
    elif cast.fixings is not None:
        parts += _sockets(cast.fixings, inner)
    elif cast.frame is not None:
        parts += _frame(cast.frame, inner)
    elif cast.needs_fixing:
        why = cast.unfixed or "no foot was found to fix it by"
        parts.append(set_text(f"NOT fixed by this plan: {why}. {ENGINEER[:1].upper()}{ENGINEER[1:]}", size=9))
    elif cast.ballast_kg > 0:
        ballast = kg_by(cast.ballast_kg, plan.brief.job.units)
        words = f"{ballast} of ballast in bags, low in the foot; the overturning sums stand with the casts."
        parts.append(set_text(words, size=9))
    else:
        parts.append(set_text("It stands by itself against the stated push and wind.", size=9))
    parts += installation_part(plan, inner)
    if cast.openings:
        parts += heading("Drains, vent, port, eyes")
    parts += [set_text("– " + words, size=8.8) for words in cast.openings]
    parts.append(
        set_text("Statics under stated loads; whoever answers for the place decides.", size=8, colour=SOFT_INK)
    )
    return parts


# --- lifts -----------------------------------------------------------------------------------------------


def _off(value_mm: float, ahead: str, behind: str) -> str:
    """'120 to its left', 'on the middle'."""
    if round(value_mm) == 0:
        return "on the middle"
    return f"{abs(value_mm):.0f} to its {ahead if value_mm > 0 else behind}"


def _how(plan: MouldPlan, lift: Lift) -> str:
    """How a lift is done, in a sentence."""
    bench = "the bench" if plan.cradle.instead else "its cradle"
    rim = "" if lift.tail_kg else ", hands at the far rim"
    return {
        "jacket off": "Straight along its pull.",
        "glove peeled": "Rolled back on itself, never by its edge.",
        "stood up": f"Tipped up on its foot off {bench}, hands at the far rim: the floor carries the rest.",
        "laid down": f"Tipped over its foot on to {bench}{rim}: most at the last.",
        "cast out": "Hands inside the foot and under it.",
    }[lift.kind]


def lifting_page(plan: MouldPlan, inner: float) -> list[Flowable]:
    """The lifts, and the grips."""
    first = plan.brief.job.units
    rows = [
        [lift.what[:1].upper() + lift.what[1:], str(lift.people or "none"), lift_words(lift, _how(plan, lift), first)]
        for lift in plan.lifts
    ]
    method = plan.jacket.pieces[0].lift.method if plan.jacket.pieces else ""
    parts: list[Flowable] = [set_text("Lifting and turning", weight="light", size=20, leading=25), Spacer(1, 4)]
    parts.append(ruled_table(("Lift", "People", "How"), rows, [inner * v for v in (0.36, 0.08, 0.56)], (1,)))
    grips = plan_grips(plan.jacket, plan.cast)
    places = [
        [g.piece, kg_by(g.heaviest_kg, first), str(k), where]
        for g in grips
        for k, where in enumerate(apart_words(plan, grips_on_jacket(plan, g)), 1)
    ]
    if places:
        note = (
            "About the centre of mass, on the jacket, glassed on while it is on the master; heights from the floor, mm."
        )
        parts += heading("Hand grips", note)
        parts.append(
            ruled_table(("Piece", "With its wet cast", "Grip", "Where"), places,
                        [inner * v for v in (0.3, 0.16, 0.1, 0.44)], (1, 2))
        )  # fmt: skip
    man, woman = ("55 lb (25 kg)", "35 lb (16 kg)") if first == "imperial" else ("25 kg", "16 kg")
    said = (
        f"HSE's own guide for one person, close in at knuckle height, is {man} for a man and {woman} for a woman, less "
        "higher, lower and further out (from memory: see INDG143). "
        "A rope, a trolley and a second pair of hands come before a hoist; a hoist lifts from backed, rated eyes only."
    )
    parts += [Spacer(1, 6), set_text(said, size=8.6), set_text(f"Guide: {method}.", size=8, colour=SOFT_INK)]
    return parts


def _on_flange(envelope: Envelope, spot: np.ndarray) -> bool:
    """Does a place of the piece's frame lie over a flange, the rubber's or the jacket's?"""
    flange = envelope.flange | envelope.past_rubber
    column, row = ((spot[k] - envelope.origin_mm[k]) / envelope.pixel_mm for k in (0, 1))
    return bool(flange[np.clip(round(row), 0, flange.shape[0] - 1), np.clip(round(column), 0, flange.shape[1] - 1)])


def grips_on_jacket(plan: MouldPlan, grips: Grips) -> np.ndarray:
    """(k, 3) places of a piece's grips on the outside of its jacket: about the centre of mass across the pull, drawn in
    towards it where the piece is too narrow."""
    at = next(k for k, piece in enumerate(plan.jacket.pieces) if piece.name == grips.piece)
    piece, envelope = plan.jacket.pieces[at], plan.rubber.envelopes[at]
    centre = np.asarray(piece.centre_of_mass_mm, float)
    level, up, _ = envelope.frame.axes
    thick = max((zone.thickness_mm for zone in piece.zones if zone.name == "field"), default=0.0)
    found = []
    for place in np.asarray(grips.places_mm, float) - centre:
        for share in (1.0, 0.8, 0.6, 0.4, 0.2, 0.0):
            spot = envelope.frame.to_frame((centre + share * (place[1] * level + place[2] * up))[None])
            high = sample(envelope.outer_mm, envelope.origin_mm, envelope.pixel_mm, spot[:, :2])
            if (np.isfinite(high[0]) and not _on_flange(envelope, spot[0])) or share == 0.0:
                spot[:, 2] = np.where(np.isfinite(high), high + thick, spot[:, 2])
                found.append(envelope.frame.to_master(spot)[0])
                break
    return np.array(found)


# --- money -----------------------------------------------------------------------------------------------


def money_page(plan: MouldPlan, inner: float) -> list[Flowable]:
    """Labour by task, and labour and material by what is sold. For the office, not for the client."""
    cash = plan.takeoff.money
    if cash is None:
        return []
    hours = [
        [line.part, line.what, f"{number(line.person_hours)} h", money(line.cost, cash.currency)]
        for line in cash.labour
    ]
    whole = sum(line.person_hours for line in cash.labour)
    hours.append(["all", "", f"{number(whole)} h", money(sum(line.cost for line in cash.labour), cash.currency)])
    shares = [
        [
            s.name[:1].upper() + s.name[1:],
            *(money(v, cash.currency) for v in (s.labour, s.material, s.overhead, s.margin, s.price)),
        ]
        for s in (cash.mould, cash.run, cash.each, cash.more)
    ]
    return [
        set_text("Money", weight="light", size=20, leading=25),
        set_text(f"{money(cash.hourly_rate, cash.currency)} an hour and person; no tax.", size=8.6, colour=SOFT_INK),
        *heading("What it comes to", f"All of it {_whole_words(cash)}."),
        ruled_table(("", "Labour", "Material", "Overhead", "Margin", "Price"), shares,
                    [inner * v for v in (0.25, 0.15, 0.15, 0.15, 0.15, 0.15)], (1, 2, 3, 4, 5)),
        *heading("Labour by task", "Hours as they stand on the calendar."),
        ruled_table(("Part", "Work", "Hours", "Cost"), hours, [inner * v for v in (0.18, 0.42, 0.2, 0.2)], (2, 3),
                    total=True),
    ]  # fmt: skip


def _whole_words(cash: Money) -> str:
    spread = cash.whole
    return f"{money(spread.likely, cash.currency)} ({bare_money(spread.low)} to {bare_money(spread.high)})"


def _installed(plan: MouldPlan) -> list[tuple[str, str]]:
    """For whoever makes the plinth and brings the cast in: what acts at the foot, eyes, crate and door."""
    cast, facts = plan.cast, []
    if cast.fixings is not None:
        pull, shear = cast.fixings.pull_n / 1000, cast.fixings.shear_n / 1000
        any_of = f"at most on any of the {cast.fixings.count} sockets, factors in"
        facts.append(("For the plinth", f"pull {pull:.2f} kN and shear {shear:.2f} kN {any_of}"))
    elif cast.frame is not None:
        moment, shear = cast.frame.moment_nm / 1000, cast.frame.shear_n / 1000
        facts.append(("For the plinth", f"{moment:.2f} kN·m and {shear:.2f} kN with factors, on each spigot"))
    if cast.eyes:
        facts.append(("Lifting eyes", f"{cast.eyes}, each rated for all of it"))
    return [*facts, *(crate_facts(plan) if plan.brief.finish.crates else [])]


def offer_page(plan: MouldPlan, inner: float) -> list[Flowable]:
    """An offer for the client: what is made, by when, for how much; no inner figures."""
    cash = plan.takeoff.money
    if cash is None:
        return []
    days = plan.programme.mould_days + plan.programme.run_days
    start = day_one(plan.brief.run)
    valid = f"Valid {plan.brief.money.offer_valid_days} days"
    if start is not None:
        valid += f"; work from {start.isoformat()}, ready about {(start + timedelta(days=days)).isoformat()}"
    cast = plan.cast
    weighed, colours = cast.lift_kg_interval, colourway_words(plan)
    weight = kg_lb_range(weighed.low, weighed.high, plan.brief.job.units)
    finish = "painted and lacquered" if plan.brief.finish.paint else "unpainted, joint ground"
    if plan.brief.finish.paint and plan.brief.finish.colourways:
        finish += f" in {counted(len(set(plan.brief.finish.colourways)), 'colourway')}"
    stands = "stands by itself"
    if cast.fixings is not None:
        stands = f"{cast.fixings.count} {cast.fixings.size} sockets in the foot; plinth and anchors by others"
    elif cast.frame is not None:
        stands = f"steel frame in the foot, {counted(cast.frame.count, 'upright')}; plinth and spigots by others"
    elif cast.needs_fixing:
        stands = "fixed to the ground by an engineer's design, which is not in this offer"
    elif cast.section == "carried":
        stands = "goes over the spigot of the part that carries it"
    elif cast.ballast_kg:
        stands = f"{kg_by(cast.ballast_kg, plan.brief.job.units)} of ballast in bags"
    rows = [
        ["Mould, silicone with fibreglass jackets; yours to keep", money(round(cash.mould.price, -1), cash.currency)],
        [
            f"{run_line(plan)[:1].upper()}{run_line(plan)[1:]} in fibreglass, {finish}",
            money(round(cash.run.price, -1), cash.currency),
        ],
        ["Together, without tax", money(round(cash.mould.price, -1) + round(cash.run.price, -1), cash.currency)],
    ]
    return [
        set_text(f"Offer: {title_of(plan)}", weight="light", size=20, leading=25),
        set_text(filing_line(plan.brief.job), size=9, colour=SOFT_INK),
        set_text(valid + ".", size=9, colour=SOFT_INK),
        Spacer(1, 8),
        ruled_table(("", ""), rows, (inner * 0.76, inner * 0.24), (1,), total=True),
        Spacer(1, 8),
        facts_table(
            [
                ("One cast more", f"{money(round(cash.more.price, -1), cash.currency)} while the mould is kept"),
                ("Each cast weighs", f"{weight}, as it leaves us; {stands}"),
                *([("Colours", colours)] if colours else []),
                *_installed(plan),
                ("The mould lasts", f"about {plan.takeoff.mould_life_casts:.0f} casts; a rule of thumb, no promise"),
            ],
            inner,
            0.24,
        ),
        Spacer(1, 24),
        set_text("Agreed ____________________   Date ____________", size=9),
    ]  # fmt: skip


def _letterhead(canvas: Canvas, plan: MouldPlan) -> None:
    """Whose offer it is, at its head."""
    job, right, top = plan.brief.job, paper_of(plan)[0] - MARGIN, paper_of(plan)[1] - 20
    logo = draw_logo(canvas, job, right, top, 110, 38)
    canvas.setFillColor(HexColor(SOFT_INK))
    draw_right(canvas, job_line(job), right - (logo + 8 if logo else 0), top - 26, 300)


def write_offer(plan: MouldPlan, path: str | Path) -> Path:
    """The offer as a PDF of one page. Raises `OutputRefused`."""

    def fill(handle: IO[bytes]) -> None:
        title = f"{title_of(plan)}: offer"
        document = SimpleDocTemplate(
            handle,
            pagesize=paper_of(plan),
            title=title,
            author="mouldloft",
            invariant=1,
            leftMargin=MARGIN,
            rightMargin=MARGIN,
        )
        story = offer_page(plan, paper_of(plan)[0] - 2 * MARGIN - 12)
        document.build(story, onFirstPage=lambda canvas, _: _letterhead(canvas, plan))

    return write_whole(path, fill)
