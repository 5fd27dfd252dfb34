"""Stage 11, take-off: what to buy, in packs, what it costs, and how long the mould may last.

Every material is gathered by stage with an interval, added up over the job, and bought in the cheapest packs that
cover the likely amount with waste and the high amount without. Costs go back to the stages by their share of what is
used.
"""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from ...base.figures import listed, percent
from ...base.files import write_text
from ...base.intervals import (
    CARVING,
    Interval,
    add_intervals,
    as_observed,
    combined,
    exactly,
    interval_of,
    widened,
)
from ...base.marks import Assumption, Mark
from ...base.progress import SILENT, Progress
from ...inputs.brief import Brief
from ...inputs.catalogue import Catalogue
from ...inputs.materials import Material, MatMaterial, ResinMaterial, RubberMaterial
from ...trade.money import Money, price_job
from ...trade.observed import observed_assumptions
from ...trade.packs import cheapest_packs
from ..cast import BOARD_THICKNESS_MM, Cast
from ..cradle import Cradle
from ..jacket import Jacket, Strap, Zone
from ..keys import Keys
from ..locks import Locks
from ..master import Master
from ..peel import Peel
from ..programme import RUN_PARTS, Programme, bolts_of
from ..rubber import Rubber, flange_areas_mm2, wall_areas_mm2
from ..wall import BOARD_MM, Wall
from .consumables import Need, consumable_needs
from .delivery import Wanted, first_days, wanted

ORDER_SECTIONS = ("wall", "glove", "jacket", "cradle", "casts", "finish")
MOULD_SECTIONS = ORDER_SECTIONS[:-2]
MASTER_RELEASE_COATINGS = 1.0  # the release's kg/m² is in all its coats; master, flanges and rubber get it once
CAST_RELEASES = 0.5  # common practice: half of it again before each cast, for the glove's sake
LEAST_LIFE_CASTS = 1.0
LIFE_THICKNESS_MM = 6.0  # a skin thinner than this wears in proportion (our rule, common practice, no source)
LIFE_TEAR_N_MM = 20.0  # rubber weaker than this wears in proportion (our rule, common practice, no source)
LIFE_STRETCH_SHARE = 0.75  # of its life a glove loses when it works at all of its allowed stretch (our rule)
_FORMULA_STARTS = tuple("=+-@\t\r\n|%＝＋－＠")


_FROM_THE_START = Wanted(1, "", "")


@dataclass(frozen=True)
class OrderLine:
    """One material over the whole job. net is from the geometry, without waste; buy is what the packs hold.

    packs counts all packs and pack_size is their mean size, so that buy = packs x pack_size; `pack_list` says which
    packs: (size, count, price of one), large first.
    """

    code: str
    name: str
    stage: str  # "glove", "jacket and casts", ...
    net: Interval
    unit: str  # "kg", "m2", "m", "pcs"
    waste_fraction: float
    packs: int
    pack_size: float
    buy: float
    cost: float
    currency: str
    price_mark: str
    pack_list: tuple[tuple[float, int, float], ...] = ()
    by_stage: tuple[tuple[str, float], ...] = ()  # likely net amount of each stage
    note: str = ""
    supplier: str = ""  # as the catalogue names it
    wanted: Wanted = _FROM_THE_START


@dataclass(frozen=True)
class Takeoff:
    """The order. cost_mould and cost_per_cast share out what the packs cost; cost_next_cast is one more cast than the
    run, at the price of what it uses, without whole packs."""

    lines: tuple[OrderLine, ...]
    currency: str
    total_cost: float
    cost_mould: float
    cost_per_cast: float
    cost_next_cast: float
    mould_life_casts: float
    mould_life_reason: str
    gloves_needed: int = 1  # for the run, by the life rule
    advice: tuple[str, ...] = ()
    money: Money | None = None  # labour and material together


def take_off(
    master: Master,
    locks: Locks,
    rubber: Rubber,
    keys: Keys,
    jacket: Jacket,
    cradle: Cradle,
    cast: Cast,
    brief: Brief,
    catalogue: Catalogue,
    progress: Progress = SILENT,
    *,
    programme: Programme,
    wall: Wall | None = None,
    peel: Peel | None = None,
    straps: Sequence[Strap] = (),
) -> Takeoff:
    """Take off every material of the mould and the run, in packs, with its cost.

    The programme says how many pots and days consumables last. straps : round jackets that bolts do not hold all round.
    Raises `CatalogueRefused` when the brief names a material that the catalogue lacks.
    """
    progress.step(0.0, "amounts by stage")
    needs = [
        *_glove_needs(rubber, programme.tack_coat_kg, brief, catalogue),
        *_wall_needs(master, rubber, wall, catalogue),
        *_jacket_needs(jacket, brief, catalogue),
        *_cradle_needs(cradle, catalogue),
        *_cast_needs(master, cast, brief, catalogue),
        *consumable_needs(rubber, jacket, cast, programme, brief, catalogue, wall, straps),
    ]
    progress.step(0.5, "packs")
    days = first_days(programme)
    lines = tuple(_order(material, parts, catalogue, days) for material, parts in _gathered(needs))
    total = sum(line.cost for line in lines)
    mould = sum(line.cost * _share(line, MOULD_SECTIONS) for line in lines)
    life, reason = mould_life(rubber, locks, catalogue.rubber_for(brief.materials), peel)
    gloves = max(1, math.ceil(brief.run.casts / life - 1e-9))
    next_cast = _cost_of_one_more(lines, brief)
    money = _money(lines, (mould, total - mould, next_cast), programme, brief, catalogue)
    progress.step(1.0)
    return Takeoff(
        lines=lines,
        currency=catalogue.currency,
        total_cost=total,
        cost_mould=mould,
        cost_per_cast=(total - mould) / brief.run.casts,
        cost_next_cast=next_cast,
        money=money,
        mould_life_casts=life,
        mould_life_reason=reason,
        gloves_needed=gloves,
        advice=_advice(gloves, life, brief),
    )


# --- amounts ---------------------------------------------------------------------------------------------


def _glove_needs(rubber: Rubber, tack_coat_kg: float, brief: Brief, catalogue: Catalogue) -> Iterable[Need]:
    """Rubber, catalyst and thickener of the glove, with the tack coats that the programme plans."""
    rubber_material = catalogue.rubber_for(brief.materials)
    seen = brief.observed
    waste = 0.0 if seen.rubber_entries else brief.materials.waste_fraction  # what was weighed out holds its waste
    density = rubber_material.density_kg_m3 * 1e-9
    volume = as_observed(rubber.volume_mm3, seen.rubber, seen.rubber_uncertainty)
    mix = widened(volume.times(1 / volume.likely), (("density", rubber_material.density_uncertainty),))
    mixed = volume.likely * density + tack_coat_kg
    base = mixed / (1 + rubber_material.catalyst_fraction)
    if rubber_material.catalyst is None:
        yield Need(rubber_material, "glove", mix.times(mixed), waste)
    else:
        yield Need(rubber_material, "glove", mix.times(base), waste)
        hardener = catalogue.catalyst_of(rubber_material.catalyst)
        yield Need(hardener, "glove", mix.times(base * rubber_material.catalyst_fraction), waste)
    if rubber_material.viscosity != "thixotropic":
        thickener = catalogue.thickener_for(brief.materials)
        yield Need(thickener, "glove", mix.times(base * _thickened(rubber) * thickener.dose_fraction), waste)


def _thickened(rubber: Rubber) -> float:
    """Share of the glove's volume that is brushed thickened."""
    whole = sum(coat.volume_mm3 for coat in rubber.coats)
    return sum(coat.volume_mm3 for coat in rubber.coats if coat.thickened) / whole


def _wall_needs(master: Master, rubber: Rubber, wall: Wall | None, catalogue: Catalogue) -> Iterable[Need]:
    """Sheets for the wall, as its pieces are nested on them, and release on master and flanges."""
    areas = [area * 1e-6 for area in flange_areas_mm2(rubber)]
    release = catalogue.release[0]
    coated = (rubber.skin_m2 + sum(areas)) * MASTER_RELEASE_COATINGS
    carving = master.detail_allowance_uncertainty * rubber.skin_m2 / (rubber.skin_m2 + sum(areas))
    by_hand = ((CARVING, carving), ("wiped on by hand", 0.3))
    yield Need(release, "wall", interval_of(coated * release.kg_m2, by_hand), 0.0)
    if wall is None:
        board = catalogue.board_for(BOARD_MM)
        area = sum(wall_areas_mm2(rubber)) * 1e-6
        yield Need(board, "wall", interval_of(area, (("column image resolution", 0.05),)), board.cutting_loss)
        return
    for lot in wall.sheets:
        board = next(b for b in catalogue.board if b.code == lot.code)
        yield Need(board, "wall", exactly(lot.bought_mm2 * 1e-6), 0.0)


def mats_of_zone(zone: Zone, brief: Brief, catalogue: Catalogue) -> tuple[MatMaterial, ...]:
    """The catalogue's mats for a zone's schedule."""
    by_weight = {mat.mat_g_m2: mat for mat in reversed(catalogue.mat)}
    if zone.weights_g_m2 and all(w in by_weight for w in zone.weights_g_m2):
        return tuple(by_weight[w] for w in zone.weights_g_m2)
    return catalogue.mats_as((), zone.mat_g_m2, brief.materials)


def _jacket_needs(jacket: Jacket, brief: Brief, catalogue: Catalogue) -> Iterable[Need]:
    rates, waste = catalogue.rates, brief.materials.waste_fraction
    resin = catalogue.resin_for(brief.materials)
    release = catalogue.release[0]
    by_hand = (("resin taken up by hand", rates.laminate_uncertainty),)
    laid = (("overlaps and edges", 0.1),)
    zones = [zone for piece in jacket.pieces for zone in piece.zones] + [one.zone for one in jacket.loose]
    for zone in zones:
        for mat in mats_of_zone(zone, brief, catalogue):
            yield Need(mat, "jacket", interval_of(zone.area_mm2 * 1e-6, laid), waste)
    resin_needed = sum(zone.resin_kg for zone in zones)
    yield from _hardened(resin, "jacket", interval_of(resin_needed, by_hand), waste, catalogue)
    if jacket.gelcoat_kg > 0:
        gelcoat = catalogue.gelcoat_for(brief.materials)
        thick = (("gelcoat's thickness", rates.gelcoat_uncertainty),)
        yield from _hardened(gelcoat, "jacket", interval_of(jacket.gelcoat_kg, thick), waste, catalogue)
    area = sum(zone.area_mm2 for zone in zones if zone.name != "ribs") * 1e-6  # what lies on the glove
    yield Need(release, "jacket", interval_of(area * release.kg_m2, (("wiped on by hand", 0.3),)), 0.0)
    for bolt, count in zip((jacket.bolt, jacket.foot_bolt), bolts_of(jacket), strict=True):
        if count:
            made = catalogue.bolt_for(bolt.size.diameter_mm, bolt.length_mm) if bolt else catalogue.bolt[0]
            yield Need(made, "jacket", exactly(count), 0.05)
    plates = sum(len(one.held_at_mm) for one in jacket.loose)
    if plates:
        held = jacket.loose_bolt
        made = catalogue.bolt_for(held.size.diameter_mm, held.length_mm) if held else catalogue.bolt[0]
        yield Need(made, "jacket", exactly(plates), 0.05)
    for rib in (rib for piece in jacket.pieces for rib in piece.ribs):
        board = catalogue.board_for(rib.core_width_mm)
        layers = math.ceil(rib.core_width_mm / board.thickness_mm - 1e-9)  # on edge, glued up where one is too thin
        sawn = layers * rib.core_height_mm * math.dist(rib.start_mm, rib.end_mm) * 1e-6
        yield Need(board, "jacket", interval_of(sawn, (("cores follow the shell", 0.1),)), board.cutting_loss)


def _hardened(material: ResinMaterial, stage: str, net: Interval, waste: float, catalogue: Catalogue) -> Iterable[Need]:
    """A polyester and the catalyst it takes by its ratio."""
    yield Need(material, stage, net, waste)
    f = material.catalyst_fraction
    yield Need(catalogue.catalyst_of(material.catalyst), stage, net.times(f), waste)


def _cradle_needs(cradle: Cradle, catalogue: Catalogue) -> Iterable[Need]:
    """Sheets for the cradles, as their boards and rails are nested on them."""
    for lot in cradle.sheets:
        board = next(b for b in catalogue.board if b.code == lot.code)
        yield Need(board, "cradle", exactly(lot.bought_mm2 * 1e-6), 0.0)


def _cast_needs(master: Master, cast: Cast, brief: Brief, catalogue: Catalogue) -> Iterable[Need]:
    """One cast's materials times the run."""
    rates, usual, n = catalogue.rates, brief.materials.waste_fraction, len(brief.run.numbers)
    seen = brief.observed
    detail = (CARVING, master.detail_allowance_uncertainty)
    on_skin = cast.resin_kg / (cast.resin_kg + cast.joint_resin_kg)
    by_hand = ((CARVING, detail[1] * on_skin), ("resin taken up by hand", rates.laminate_uncertainty))
    laid = (detail, ("overlaps and edges", 0.1))
    thick = (detail, ("gelcoat's thickness", rates.gelcoat_uncertainty))
    gelcoat, resin = catalogue.gelcoat_for(brief.materials), catalogue.resin_for(brief.materials)
    gelcoat_net = as_observed(interval_of(n * cast.gelcoat_kg, thick), seen.gelcoat, seen.gelcoat_uncertainty)
    waste = 0.0 if seen.gelcoat_entries else usual  # what was weighed out holds its waste
    yield from _hardened(gelcoat, "casts", gelcoat_net, waste, catalogue)
    waste = 0.0 if seen.glass_entries else usual
    for mat in catalogue.mat_layers(brief.cast.mat_oz, brief.materials):
        area = interval_of(n * cast.area_mm2 * 1e-6, laid)
        yield Need(mat, "casts", as_observed(area, seen.glass, seen.glass_uncertainty), waste)
    tape = catalogue.joint_tape
    taped = interval_of(n * cast.joint_tape_m * tape.layers, (("overlaps", 0.05),))
    yield Need(tape, "casts", as_observed(taped, seen.glass, seen.glass_uncertainty), waste)
    tissue = catalogue.tissue
    tight = cast.joining.tight_share if cast.joining is not None else 0.0
    if tissue is not None and tight > 0:
        laid_m = n * tight * cast.area_mm2 * 1e-6 / (tissue.width_mm * 1e-3)
        yield Need(tissue, "casts", interval_of(laid_m, laid), waste)
    resin_net = interval_of(n * (cast.resin_kg + cast.joint_resin_kg), by_hand)
    resin_net = as_observed(resin_net, seen.resin, seen.resin_uncertainty)
    yield from _hardened(resin, "casts", resin_net, 0.0 if seen.resin_entries else usual, catalogue)
    board = catalogue.board_for(BOARD_THICKNESS_MM)
    yield Need(board, "casts", exactly(n * cast.baseboard_area_mm2 * 1e-6), board.cutting_loss)
    if cast.ballast_kg > 0:
        yield Need(catalogue.ballast[0], "casts", exactly(n * cast.ballast_kg), 0.0)
    release = catalogue.release[0]
    waxed = n * cast.area_mm2 * 1e-6 * release.kg_m2 * CAST_RELEASES
    yield Need(release, "casts", interval_of(waxed, (detail, ("wiped on by hand", 0.3))), 0.0)


# --- packs and cost --------------------------------------------------------------------------------------


def _gathered(needs: Iterable[Need]) -> list[tuple[Material, list[Need]]]:
    """Needs by material, in order of first appearance; nothing needed is left out."""
    gathered: dict[str, list[Need]] = {}
    for need in needs:
        if need.net.likely > 1e-9:
            gathered.setdefault(need.material.code, []).append(need)
    return [(parts[0].material, parts) for parts in gathered.values()]


def _order(material: Material, parts: list[Need], catalogue: Catalogue, days: dict[str, tuple[int, str]]) -> OrderLine:
    net = add_intervals([part.net for part in parts])
    with_waste = sum(part.net.likely * (1 + part.waste) for part in parts)
    chosen = cheapest_packs(max(with_waste, net.high), material.packs)
    buy = sum(pack.size * count for pack, count in chosen)
    count = sum(count for _, count in chosen)
    by_stage: dict[str, float] = {}
    for part in parts:
        by_stage[part.stage] = by_stage.get(part.stage, 0.0) + part.net.likely
    stages = [stage for stage in ORDER_SECTIONS if stage in by_stage]
    return OrderLine(
        code=material.code,
        name=material.name,
        stage=listed(stages),
        net=net,
        unit=material.unit,
        waste_fraction=with_waste / net.likely - 1,
        packs=count,
        pack_size=buy / count,
        buy=buy,
        cost=sum(pack.price * number for pack, number in chosen),
        currency=catalogue.currency,
        price_mark=chosen[0][0].mark.value,
        pack_list=tuple((pack.size, number, pack.price) for pack, number in chosen),
        by_stage=tuple((stage, by_stage[stage]) for stage in stages),
        note=_note(material),
        supplier=material.supplier,
        wanted=wanted(stages, days, catalogue.delivery_days(material.supplier)),
    )


def _note(material: Material) -> str:
    if isinstance(material, RubberMaterial):
        share = percent(material.catalyst_fraction)
        return f"catalyst {share} of the base" if material.catalyst else "both parts in the pack"
    return ""


def _share(line: OrderLine, stages: Sequence[str]) -> float:
    whole = sum(amount for _, amount in line.by_stage)
    return sum(amount for stage, amount in line.by_stage if stage in stages) / whole


def _money(
    lines: Sequence[OrderLine],
    material: tuple[float, float, float],
    programme: Programme,
    brief: Brief,
    catalogue: Catalogue,
) -> Money:
    """Labour from the hours on the calendar, material from the order."""
    spread = [line.cost * (line.net.high - line.net.low) / (2 * line.net.likely) for line in lines if line.net.likely]
    bought = sum(line.cost for line in lines)
    return price_job(
        [(line.part, line.what, line.person_hours) for line in programme.hours],
        RUN_PARTS,
        brief.run.casts,
        material,
        programme.next_cast_person_hours,
        (catalogue.rates.rate_uncertainty, combined(spread) / bought if bought else 0.0),
        brief.rates.hourly_rate,
        catalogue.currency,
        brief.money,
    )


def _cost_of_one_more(lines: Sequence[OrderLine], brief: Brief) -> float:
    """What one cast uses, with waste, at the price the order pays for an amount."""
    cost = 0.0
    for line in lines:
        used = dict(line.by_stage)
        one = used.get("casts", 0.0) / len(brief.run.numbers) + used.get("finish", 0.0) / brief.run.casts
        cost += one * (1 + line.waste_fraction) * line.cost / line.buy
    return cost


# --- how long it lasts -----------------------------------------------------------------------------------


def mould_life(
    rubber: Rubber, locks: Locks, rubber_material: RubberMaterial, peel: Peel | None = None
) -> tuple[float, str]:
    """Casts to expect of one glove, and the rule in words. A rule of thumb of our own, never a promise.

    The catalogue's life of the rubber with little stretch; less by how near to its allowed stretch the glove works
    (three quarters less at all of it), in proportion for a thinnest place under 6 mm, and for tear strength under 20
    N/mm.
    [common practice, no source: each cause; its weight is ours] Where gloves were peeled, the stretch is that of the
    mechanics, else the ring rule's.
    """
    stretch = locks.worst_stretch if peel is None else max(glove.stretch_high for glove in peel.gloves)
    worked = min(1.0, stretch / locks.stretch_allowed) if locks.stretch_allowed > 0 else 1.0
    by_stretch = 1 - LIFE_STRETCH_SHARE * worked
    by_thickness = min(1.0, rubber.min_thickness_mm / LIFE_THICKNESS_MM)
    by_tear = min(1.0, rubber_material.tear_strength_n_mm / LIFE_TEAR_N_MM)
    life = max(LEAST_LIFE_CASTS, rubber_material.mould_life_casts * by_stretch * by_thickness * by_tear)
    thinnest = rubber.min_thickness_mm
    reason = (
        f"About {life:.0f} casts by rule of thumb ({Mark.COMMON_PRACTICE.value}), not a promise: "
        f"{rubber_material.mould_life_casts:g} for this rubber with little stretch, times {by_stretch:.2f} for working "
        f"at {percent(worked)} of its allowed stretch, {by_thickness:.2f} for {thinnest:.1f} mm at its thinnest and "
        f"{by_tear:.2f} for its tear strength."
    )
    return life, reason


def _advice(gloves: int, life: float, brief: Brief) -> tuple[str, ...]:
    if gloves <= 1:
        return ()
    return (
        f"A run of {brief.run.casts} outlasts one glove of about {life:.0f} casts: plan {gloves} gloves in the same "
        "jacket (the order holds one), or a thicker skin.",
    )


# --- the order list --------------------------------------------------------------------------------------

ORDER_COLUMNS = (
    "code", "material", "for", "net low", "net likely", "net high", "unit", "waste %", "packs", "pack size", "bought",
    "cost", "currency", "price is", "what makes the interval", "supplier", "needed on day", "needed on", "order by",
)  # fmt: skip


def order_rows(takeoff: Takeoff) -> list[list[str]]:
    """The order as rows of text, headings first: one row for each size of pack (amounts on a material's first row).
    Numbers have a decimal point in every locale."""
    rows = [list(ORDER_COLUMNS)]
    for line in takeoff.lines:
        for at, (size, count, price) in enumerate(line.pack_list):
            first = at == 0
            net = (line.net.low, line.net.likely, line.net.high)
            causes = "; ".join(f"{name} {percent(half)}" for name, half in line.net.causes)
            rows.append(
                [
                    line.code,
                    line.name,
                    line.stage,
                    *([_figure(value) for value in net] if first else ["", "", ""]),
                    line.unit,
                    f"{line.waste_fraction * 100:.0f}" if first else "",
                    str(count),
                    f"{size:g}",
                    f"{size * count:g}",
                    f"{price * count:.2f}",
                    line.currency,
                    line.price_mark,
                    causes if first else "",
                    line.supplier,
                    f"{line.wanted.day}",
                    line.wanted.date,
                    line.wanted.order_by,
                ]
            )
    return rows


def _figure(value: float) -> str:
    """Three figures, without an exponent."""
    digits = max(0, 2 - math.floor(math.log10(abs(value)))) if value else 0
    return f"{value:.{min(digits, 6)}f}"


def safe_cell(text: str) -> str:
    """Text that no spreadsheet takes for a formula: an apostrophe before what could start one."""
    lead = text.lstrip(" \u00a0")
    return "'" + text if lead.startswith(_FORMULA_STARTS) else text


def order_csv(takeoff: Takeoff, comma_decimals: bool = False) -> str:
    """`order_rows` as CSV text, cells safe, Unix line ends; comma_decimals : with semicolons between the cells."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n", delimiter=";" if comma_decimals else ",")
    comma = r"\1,\2" if comma_decimals else r"\1.\2"
    rows = [[re.sub(r"^(-?\d+)\.(\d+)$", comma, cell) for cell in row] for row in order_rows(takeoff)]
    # the writer leaves a lone carriage return unquoted, and a spreadsheet takes it for a new row
    writer.writerows([safe_cell(cell).replace("\r", " ") for cell in row] for row in rows)
    return out.getvalue()


def write_order(takeoff: Takeoff, path: str | Path, comma_decimals: bool = False) -> Path:
    """Write the order list whole or not at all, as a spreadsheet opens it. Raises `OutputRefused`."""
    # the byte order mark: without it a spreadsheet on Windows takes the file for its own code page
    return write_text(path, "\ufeff" + order_csv(takeoff, comma_decimals))


def takeoff_assumptions(brief: Brief, catalogue: Catalogue) -> tuple[Assumption, ...]:
    """The figures that the order rests on, with their marks: those of the materials in use, and waste."""
    materials = brief.materials
    used: list[Material] = [
        catalogue.rubber_for(materials),
        catalogue.thickener_for(materials),
        catalogue.gelcoat_for(materials),
        catalogue.resin_for(materials),
    ]
    rule = Mark.COMMON_PRACTICE
    own = (
        Assumption("waste", percent(materials.waste_fraction), rule),
        Assumption("bought", "likely with waste or high without, whichever is more", rule),
        Assumption("release before each cast", f"{percent(CAST_RELEASES)} of a full waxing", rule),
        Assumption("life lost at all of the allowed stretch", percent(LIFE_STRETCH_SHARE), rule, "the weight is ours"),
    )
    return (*own, *observed_assumptions(brief.observed), *(a for material in used for a in material.assumptions()))
