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

from ..base.errors import CatalogueRefused
from ..base.figures import listed, percent
from ..base.files import write_text
from ..base.intervals import Interval, add_intervals, interval_of
from ..base.marks import Assumption, Mark
from ..base.progress import SILENT, Progress
from ..inputs.brief import Brief
from ..inputs.catalogue import Catalogue, Material, MatMaterial, Pack, ResinMaterial, RubberMaterial
from .cast import BOARD_THICKNESS_MM, Cast, joint_tape
from .cradle import Cradle
from .jacket import Jacket, Zone
from .keys import Keys
from .locks import Locks
from .master import Master
from .programme import Programme, bolt_count, set_programme
from .rubber import Rubber, flange_areas_mm2, wall_areas_mm2

STAGES = ("wall", "glove", "jacket", "cradle", "casts")
MOULD_STAGES = STAGES[:-1]
MASTER_RELEASE_COATINGS = 1.0  # the release's kg/m² is in all its coats; master, flanges and rubber get it once
CAST_RELEASES = 0.5  # common practice: half of it again before each cast, for the glove's sake
LEAST_LIFE_CASTS = 1.0
LIFE_THICKNESS_MM = 6.0  # a skin thinner than this wears in proportion (our rule, common practice, no source)
LIFE_TEAR_N_MM = 20.0  # rubber weaker than this wears in proportion (our rule, common practice, no source)
LIFE_STRETCH_SHARE = 0.75  # of its life a glove loses when it works at all of its allowed stretch (our rule)
QUANTA_LIMIT = 20_000  # packs are combined exactly up to this many of their smallest step
_FORMULA_STARTS = tuple("=+-@\t\r\n|%＝＋－＠")


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
    programme: Programme | None = None,
) -> Takeoff:
    """Take off every material of the mould and the run, in packs, with its cost.

    The programme (reckoned here where none is given) says how many pots and days consumables last. Raises
    `CatalogueRefused` when the brief names a material that the catalogue lacks.
    """
    progress.step(0.0, "amounts by stage")
    programme = programme or set_programme(rubber, keys, jacket, cast, brief, catalogue)
    needs = [
        *_glove_needs(rubber, brief, catalogue),
        *_wall_needs(rubber, catalogue),
        *_jacket_needs(jacket, brief, catalogue),
        *_cradle_needs(cradle, catalogue),
        *_cast_needs(master, cast, brief, catalogue),
        *_consumable_needs(rubber, cast, programme, brief, catalogue),
    ]
    progress.step(0.5, "packs")
    lines = tuple(_order(material, parts, catalogue) for material, parts in _gathered(needs))
    total = sum(line.cost for line in lines)
    mould = sum(line.cost * _share(line, MOULD_STAGES) for line in lines)
    life, reason = mould_life(rubber, locks, catalogue.rubber_for(brief.materials))
    gloves = max(1, math.ceil(brief.run.casts / life - 1e-9))
    progress.step(1.0)
    return Takeoff(
        lines=lines,
        currency=catalogue.currency,
        total_cost=total,
        cost_mould=mould,
        cost_per_cast=(total - mould) / brief.run.casts,
        cost_next_cast=_cost_of_one_more(lines, brief.run.casts),
        mould_life_casts=life,
        mould_life_reason=reason,
        gloves_needed=gloves,
        advice=(*_advice(gloves, life, brief), *_ballast_left_out(cast)),
    )


# --- amounts ---------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Need:
    """A material that a stage uses, without waste."""

    material: Material
    stage: str
    net: Interval
    waste: float


def _glove_needs(rubber: Rubber, brief: Brief, catalogue: Catalogue) -> Iterable[Need]:
    stuff = catalogue.rubber_for(brief.materials)
    waste = brief.materials.waste_fraction
    density = stuff.density_kg_m3 * 1e-9
    volume = rubber.volume_mm3
    causes = (*volume.causes, ("density", stuff.density_uncertainty))
    low, high = volume.low / volume.likely, volume.high / volume.likely
    widen = stuff.density_uncertainty

    def share_of_mix(likely: float) -> Interval:
        down, up = math.hypot(1 - low, widen), math.hypot(high - 1, widen)
        return Interval(likely * max(0.0, 1 - down), likely, likely * (1 + up), causes)

    mixed = volume.likely * density
    base = mixed / (1 + stuff.catalyst_fraction)
    if stuff.catalyst is None:
        yield Need(stuff, "glove", share_of_mix(mixed), waste)
    else:
        yield Need(stuff, "glove", share_of_mix(base), waste)
        hardener = catalogue.catalyst_of(stuff.catalyst)
        yield Need(hardener, "glove", share_of_mix(base * stuff.catalyst_fraction), waste)
    if stuff.viscosity != "thixotropic":
        thickener = catalogue.thickener_for(brief.materials)
        yield Need(thickener, "glove", share_of_mix(base * _thickened(rubber) * thickener.dose_fraction), waste)


def _thickened(rubber: Rubber) -> float:
    """Share of the glove's volume that is brushed thickened."""
    whole = sum(coat.volume_mm3 for coat in rubber.coats)
    return sum(coat.volume_mm3 for coat in rubber.coats if coat.thickened) / whole


def _wall_needs(rubber: Rubber, catalogue: Catalogue) -> Iterable[Need]:
    """Boards for the wall and release on master and flanges."""
    areas = [area * 1e-6 for area in flange_areas_mm2(rubber)]
    wall = sum(wall_areas_mm2(rubber)) * 1e-6
    release = catalogue.release[0]
    coated = (rubber.skin_m2 + sum(areas)) * MASTER_RELEASE_COATINGS
    board = catalogue.board_for(0.0)
    yield Need(release, "wall", interval_of(coated * release.kg_m2, (("wiped on by hand", 0.3),)), 0.0)
    yield Need(board, "wall", interval_of(wall, (("column image resolution", 0.05),)), board.cutting_loss)


def mats_of_zone(zone: Zone, brief: Brief, catalogue: Catalogue) -> tuple[MatMaterial, ...]:
    """The catalogue's mats for a zone's schedule ("300 g/m²", ...)."""
    found = [re.match(r"\s*(\d+(?:\.\d+)?)\s*g/m", layer) for layer in zone.layers]
    weights = [float(match[1]) for match in found if match]
    by_weight = {mat.mat_g_m2: mat for mat in reversed(catalogue.mat)}
    if weights and len(weights) == len(zone.layers) and all(w in by_weight for w in weights):
        return tuple(by_weight[w] for w in weights)
    return catalogue.mats_as((), zone.mat_g_m2, brief.materials)


def _jacket_needs(jacket: Jacket, brief: Brief, catalogue: Catalogue) -> Iterable[Need]:
    rates, waste = catalogue.rates, brief.materials.waste_fraction
    resin = catalogue.resin_for(brief.materials)
    release = catalogue.release[0]
    by_hand = (("resin taken up by hand", rates.laminate_uncertainty),)
    laid = (("overlaps and edges", 0.1),)
    zones = [zone for piece in jacket.pieces for zone in piece.zones]
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
    yield Need(catalogue.bolt[0], "jacket", _exactly(bolt_count(jacket)), 0.05)
    for rib in (rib for piece in jacket.pieces for rib in piece.ribs):
        board = catalogue.board_for(rib.core_width_mm)
        layers = math.ceil(rib.core_width_mm / board.thickness_mm - 1e-9)  # on edge, glued up where one is too thin
        sawn = layers * rib.core_height_mm * math.dist(rib.start_mm, rib.end_mm) * 1e-6
        yield Need(board, "jacket", interval_of(sawn, (("cores follow the shell", 0.1),)), board.cutting_loss)


def _hardened(material: ResinMaterial, stage: str, net: Interval, waste: float, catalogue: Catalogue) -> Iterable[Need]:
    """A polyester and the catalyst it takes by its ratio."""
    yield Need(material, stage, net, waste)
    f = material.catalyst_fraction
    catalyst = Interval(net.low * f, net.likely * f, net.high * f, net.causes)
    yield Need(catalogue.catalyst_of(material.catalyst), stage, catalyst, waste)


def _cradle_needs(cradle: Cradle, catalogue: Catalogue) -> Iterable[Need]:
    by_thickness: dict[float, float] = {}
    for piece in cradle.pieces:
        for _, count, length, width, thickness in piece.cut_list:
            by_thickness[thickness] = by_thickness.get(thickness, 0.0) + count * length * width * 1e-6
    for thickness, area in sorted(by_thickness.items()):
        board = catalogue.board_for(thickness)
        yield Need(board, "cradle", interval_of(area, (("boards as rectangles", 0.05),)), board.cutting_loss)


def _cast_needs(master: Master, cast: Cast, brief: Brief, catalogue: Catalogue) -> Iterable[Need]:
    """One cast's materials times the run."""
    rates, waste, n = catalogue.rates, brief.materials.waste_fraction, brief.run.casts
    detail = ("detail allowance", master.detail_allowance_uncertainty if master.detail_allowance > 1 else 0.0)
    by_hand = (detail, ("resin taken up by hand", rates.laminate_uncertainty))
    laid = (detail, ("overlaps and edges", 0.1))
    thick = (detail, ("gelcoat's thickness", rates.gelcoat_uncertainty))
    gelcoat, resin = catalogue.gelcoat_for(brief.materials), catalogue.resin_for(brief.materials)
    yield from _hardened(gelcoat, "casts", interval_of(n * cast.gelcoat_kg, thick), waste, catalogue)
    for mat in catalogue.mat_layers(brief.cast.mat_oz, brief.materials):
        yield Need(mat, "casts", interval_of(n * cast.area_mm2 * 1e-6, laid), waste)
    resin_net = n * (cast.resin_kg + cast.joint_resin_kg)
    yield from _hardened(resin, "casts", interval_of(resin_net, by_hand), waste, catalogue)
    tape = joint_tape(catalogue)
    yield Need(tape, "casts", interval_of(n * cast.joint_tape_m * tape.layers, (("overlaps", 0.05),)), waste)
    board = catalogue.board_for(BOARD_THICKNESS_MM)
    yield Need(board, "casts", _exactly(n * cast.baseboard_area_mm2 * 1e-6), board.cutting_loss)
    if cast.ballast_kg > 0 and cast.ballast_fits:
        yield Need(catalogue.ballast[0], "casts", _exactly(n * cast.ballast_kg), 0.0)
    release = catalogue.release[0]
    waxed = n * cast.area_mm2 * 1e-6 * release.kg_m2 * CAST_RELEASES
    yield Need(release, "casts", interval_of(waxed, (("wiped on by hand", 0.3),)), 0.0)


def _consumable_needs(
    rubber: Rubber, cast: Cast, programme: Programme, brief: Brief, catalogue: Catalogue
) -> Iterable[Need]:
    """Gloves, brushes, pots: by person days, by coats brushed, by batches mixed, or once."""
    n, hours = brief.run.casts, brief.run.hours_per_day
    mould_pots, cast_pots = _pots(programme)
    mould = {
        "person day": programme.mould_person_hours / hours,
        "coat m2": len(rubber.coats) * rubber.skin_m2,
        "batch": mould_pots,
        "job": 1.0,
    }
    casts = {
        "person day": programme.run_person_hours / hours,
        "coat m2": n * cast.area_mm2 * 1e-6 * 2.0,  # gelcoat, then resin over the mat
        "batch": n * cast_pots,
        "job": 0.0,
    }
    loose = (("how the workshop works", 0.3),)
    for item in catalogue.consumable:
        for stage, amounts in (("glove", mould), ("casts", casts)):
            amount = amounts[item.per] * item.amount
            if amount > 0:
                yield Need(item, stage, _exactly(amount) if item.per == "job" else interval_of(amount, loose), 0.0)


def _pots(programme: Programme) -> tuple[float, float]:
    """Pots of the mould, and of one cast."""
    casts = sum(b.batches for b in programme.batches if b.piece == "each cast")
    return float(sum(b.batches for b in programme.batches) - casts), float(casts)


def _exactly(amount: float) -> Interval:
    return Interval(float(amount), float(amount), float(amount), ())


# --- packs and cost --------------------------------------------------------------------------------------


def cheapest_packs(amount: float, packs: Sequence[Pack]) -> tuple[tuple[Pack, int], ...]:
    """The cheapest whole packs that hold at least `amount`, large first; of equal cost, the fewest left over.

    Exact: a covering knapsack over the packs' common step. Of s packs other than the best by amount (whose size is s
    steps) some make a multiple of s and can be exchanged for it, so only the last s x largest steps need searching;
    beyond, the best pack is taken. Sizes with too fine a common step (over 200 000 steps to search) are bought in the
    best pack alone. Raises `CatalogueRefused` for an amount past any order.
    """
    if amount <= 1e-9:
        return ()
    steps = [max(1, round(pack.size * 1e4)) for pack in packs]
    step = math.gcd(*steps)
    sizes = [s // step for s in steps]
    wanted = math.ceil(amount * 1e4 / step - 1e-6)
    if wanted > 1e15:
        raise CatalogueRefused(f"An order of {amount:.3g} is past anything; check the master's size and unit.")
    best = min(range(len(packs)), key=lambda k: (packs[k].price / sizes[k], sizes[k]))
    bulk = 0
    if wanted > QUANTA_LIMIT:
        keep = max(QUANTA_LIMIT // 2, sizes[best] * max(sizes))
        bulk = max(0, (wanted - keep) // sizes[best])
        wanted -= bulk * sizes[best]
    counts = _cover(wanted, sizes, [pack.price for pack in packs]) if wanted <= 10 * QUANTA_LIMIT else {}
    if not counts and wanted > 0:  # steps too fine to combine: whole packs of the cheapest by amount
        counts = {best: math.ceil(wanted / sizes[best])}
    counts[best] = counts.get(best, 0) + bulk
    chosen = [(packs[k], count) for k, count in counts.items() if count]
    return tuple(sorted(chosen, key=lambda pair: -pair[0].size))


def _cover(wanted: int, sizes: Sequence[int], prices: Sequence[float]) -> dict[int, int]:
    """Counts of packs that cover `wanted` steps for the least money, then the least left over."""
    cost = [(0.0, 0)] + [(math.inf, 0)] * wanted  # (money, steps held) to cover at least i
    pick = [-1] * (wanted + 1)
    for i in range(1, wanted + 1):
        for k, size in enumerate(sizes):
            money, held = cost[max(0, i - size)]
            offer = (money + prices[k], held + size)
            if offer < cost[i]:
                cost[i], pick[i] = offer, k
    counts: dict[int, int] = {}
    i = wanted
    while i > 0:
        counts[pick[i]] = counts.get(pick[i], 0) + 1
        i -= sizes[pick[i]]
    return counts


def _gathered(needs: Iterable[Need]) -> list[tuple[Material, list[Need]]]:
    """Needs by material, in order of first appearance; nothing needed is left out."""
    gathered: dict[str, list[Need]] = {}
    for need in needs:
        if need.net.likely > 1e-9:
            gathered.setdefault(need.material.code, []).append(need)
    return [(parts[0].material, parts) for parts in gathered.values()]


def _order(material: Material, parts: list[Need], catalogue: Catalogue) -> OrderLine:
    net = add_intervals([part.net for part in parts])
    with_waste = sum(part.net.likely * (1 + part.waste) for part in parts)
    chosen = cheapest_packs(max(with_waste, net.high), material.packs)
    buy = sum(pack.size * count for pack, count in chosen)
    count = sum(count for _, count in chosen)
    by_stage: dict[str, float] = {}
    for part in parts:
        by_stage[part.stage] = by_stage.get(part.stage, 0.0) + part.net.likely
    stages = [stage for stage in STAGES if stage in by_stage]
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
    )


def _note(material: Material) -> str:
    if isinstance(material, RubberMaterial):
        share = percent(material.catalyst_fraction)
        return f"catalyst {share} of the base" if material.catalyst else "both parts in the pack"
    return ""


def _share(line: OrderLine, stages: Sequence[str]) -> float:
    whole = sum(amount for _, amount in line.by_stage)
    return sum(amount for stage, amount in line.by_stage if stage in stages) / whole


def _cost_of_one_more(lines: Sequence[OrderLine], casts: int) -> float:
    """What one cast uses, with waste, at the price the order pays for an amount."""
    cost = 0.0
    for line in lines:
        one = dict(line.by_stage).get("casts", 0.0) / casts
        cost += one * (1 + line.waste_fraction) * line.cost / line.buy
    return cost


# --- how long it lasts -----------------------------------------------------------------------------------


def mould_life(rubber: Rubber, locks: Locks, stuff: RubberMaterial) -> tuple[float, str]:
    """Casts to expect of one glove, and the rule in words. A rule of thumb of our own, never a promise.

    The catalogue's life of the rubber with little stretch; less by how near to its allowed stretch the glove works
    (three quarters less at all of it), in proportion for a thinnest place under 6 mm, and for tear strength under 20
    N/mm.
    [common practice, no source: each cause; its weight is ours]
    """
    worked = min(1.0, locks.worst_stretch / locks.stretch_allowed) if locks.stretch_allowed > 0 else 1.0
    by_stretch = 1 - LIFE_STRETCH_SHARE * worked
    by_thickness = min(1.0, rubber.min_thickness_mm / LIFE_THICKNESS_MM)
    by_tear = min(1.0, stuff.tear_strength_n_mm / LIFE_TEAR_N_MM)
    life = max(LEAST_LIFE_CASTS, stuff.mould_life_casts * by_stretch * by_thickness * by_tear)
    thinnest = rubber.min_thickness_mm
    reason = (
        f"About {life:.0f} casts by rule of thumb ({Mark.COMMON_PRACTICE.value}), not a promise: "
        f"{stuff.mould_life_casts:g} for this rubber with little stretch, times {by_stretch:.2f} for working at "
        f"{percent(worked)} of its allowed stretch, {by_thickness:.2f} for {thinnest:.1f} mm at its thinnest and "
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


def _ballast_left_out(cast: Cast) -> tuple[str, ...]:
    if cast.ballast_fits:
        return ()
    return ("No ballast is ordered, since what the stated loads ask for does not go into the cast.",)


# --- the order list --------------------------------------------------------------------------------------

ORDER_COLUMNS = (
    "code", "material", "for", "net low", "net likely", "net high", "unit", "waste %", "packs", "pack size", "bought",
    "cost", "currency", "price", "what makes the interval",
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
                ]
            )
    return rows


def _figure(value: float) -> str:
    """Three figures, without an exponent."""
    if value == 0:
        return "0"
    digits = max(0, 2 - math.floor(math.log10(abs(value))))
    return f"{value:.{min(digits, 6)}f}"


def safe_cell(text: str) -> str:
    """Text that no spreadsheet takes for a formula: an apostrophe before what could start one."""
    lead = text.lstrip(" \u00a0")
    return "'" + text if lead.startswith(_FORMULA_STARTS) else text


def order_csv(takeoff: Takeoff) -> str:
    """`order_rows` as CSV text with safe cells and Unix line ends."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    # the writer leaves a lone carriage return unquoted, and a spreadsheet takes it for a new row
    writer.writerows([safe_cell(cell).replace("\r", " ") for cell in row] for row in order_rows(takeoff))
    return out.getvalue()


def write_order(takeoff: Takeoff, path: str | Path) -> Path:
    """Write the order list whole or not at all. Raises `OutputRefused`."""
    return write_text(path, order_csv(takeoff))


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
    return (*own, *(a for material in used for a in material.assumptions()))
