"""The mould's order of work: board and master, wall, rubber, jackets, cradle, bolts, opening.

Each piece is laid up against those that stand; hours come from amounts and the working rates of the catalogue, wall
and joint from the brief's rates (`trade.price`).
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from ...base.figures import counted, listed
from ...base.marks import Assumption, Mark
from ...trade.price import wall_hours
from ..jacket import JacketPiece, LooseShell
from .mixes import Workshop
from .work import (
    CUT_WEAR,
    GRIND_WEAR,
    LEAST_TASK_H,
    LIFT_WEAR,
    RESIN_WEAR,
    RUBBER_WEAR,
    SOLVENT_WEAR,
    Ledger,
    Wait,
    Work,
)

WAX_HAZE_H = 0.5  # common practice: wax left before it is buffed
PVA_DRY_H = 1.0  # common practice: film dry to the touch
SEALER_DRY_H = 2.0  # common practice: shellac or varnish on clay
RESIN_STAGE_MM = 4.0  # common practice: no more laminate than this at once, against heat
STAGE_COOLS_H = 3.0  # common practice: gelled and cool to the hand
STAGE_MOST_H = 24.0  # common practice: past a day the laminate is abraded before the next stage
ABRADE_H = 0.75
PATCH_CURE_H = 24.0  # test patches are read the next day
GLOVE_REST_H = 16.0  # common practice: left bolted overnight before the first cast
CLOSE_LOOSE_H = 1.5  # common practice: the back of a loose piece closed with a lid of glass and faired
GELLED_H = 2.0  # common practice: a jacket piece may be worked beside once it has gelled


def mould_works(shop: Workshop) -> tuple[Ledger, str]:
    """All work of the mould in order, and the key of its last."""
    ledger = Ledger()
    last, patches = _before_rubber(ledger, shop)
    keys_cast = _cast_keys(ledger, shop)
    for piece in range(len(shop.piece_names)):
        last = _one_piece(ledger, shop, piece, last, patches, keys_cast)
    return ledger, _open(ledger, shop, last)


def _before_rubber(ledger: Ledger, shop: Workshop) -> tuple[str, str]:
    """Board, master, seam; test patches, read before anything is sealed for rubber. Keys of both ends."""
    rates, few = shop.catalogue.rates, min(2, shop.hands)
    line = "Board, master, seam"
    board = ledger.add(
        Work("board", "Cut, batten and level the mould board", "wall", line, "board and master", rates.board_h, few)
    )
    stood = ledger.add(
        Work(
            "stand", "Stand, level and brace the master", "wall", line, "board and master", rates.stand_master_h, few,
            (Wait(board),), wear=LIFT_WEAR,
        )
    )  # fmt: skip
    seam = ledger.add(
        Work(
            "mark", "Mark the seam on the master", "wall", line, "board and master",
            shop.seam_m / rates.mark_seam_m_h, 1, (Wait(stood),),
        )
    )  # fmt: skip
    surfaces = 3  # sealed skin, sealed wall, clay
    patches = ledger.add(
        Work(
            "patches", "Test patches: rubber on skin, wall and clay, sealed and released", "wall", line,
            "test patches", surfaces * rates.test_patch_h, 1, note="read when cured; no rubber before all have set",
            wear=RUBBER_WEAR,
        )
    )  # fmt: skip
    read = ledger.add(
        Work(
            "patches read", "Read the test patches", "wall", line, "test patches", 0.25, 1,
            (Wait(patches, PATCH_CURE_H * shop.rubber_warmth, name="Test patches cure"),),
        )
    )  # fmt: skip
    return seam, read


def _cast_keys(ledger: Ledger, shop: Workshop) -> str | None:
    """Keys cast beforehand in an open mould of their own; None where there are none."""
    rates, count = shop.catalogue.rates, len(shop.keys.keys)
    if not count:
        return None
    line = "Keys, cast beforehand"
    mould = ledger.add(
        Work("key mould", "Make the open key mould", "keys", line, "keys cast beforehand", rates.key_mould_h, 1)
    )
    cast = ledger.add(
        Work(
            "keys cast", f"Cast {count} keys", "keys", line, "keys cast beforehand", count / rates.cast_keys_per_h, 1,
            (Wait(mould, 2.0, name="Key mould dries"),), wear=RUBBER_WEAR,
        )
    )  # fmt: skip
    cure_h = shop.rubber_material.cure_h * shop.rubber_warmth
    return ledger.add(
        Work("keys ready", "Turn the keys out, wipe them", "keys", line, "keys cast beforehand", 0.5, 1,
             (Wait(cast, cure_h, name="Keys cure"),))
    )  # fmt: skip


def _one_piece(ledger: Ledger, shop: Workshop, piece: int, last: str, patches: str, keys_cast: str | None) -> str:
    """Wall or flange made ready, rubber, jackets of one glove piece; the key of what the next waits for."""
    ready = _first_wall(ledger, shop, last, patches) if piece == 0 else _next_face(ledger, shop, piece, last)
    brushed, cured = _rubber(ledger, shop, piece, ready, keys_cast)
    return _jackets(ledger, shop, piece, brushed, cured)


def _first_wall(ledger: Ledger, shop: Workshop, last: str, patches: str) -> str:
    rates, few = shop.catalogue.rates, min(2, shop.hands)
    name, line = shop.piece_names[0], f"Wall and release, {shop.piece_names[0]}"
    lines = max(len(shop.seam.lines), 1) if not shop.several else 1
    wall_mm = 1000.0 * shop.wall_m(0)
    bent = min(shop.seam.figures.bent_mm, wall_mm)
    hours = wall_hours(wall_mm - bent, bent, lines, shop.brief.rates, shop.seam.figures.facing_mm)
    wall = ledger.add(
        Work(
            "wall", "Build the wall", "wall", line, "wall", hours, few, (Wait(last),),
            note=f"{shop.wall_m(0):.2f} m, root closed with clay",
        )
    )  # fmt: skip
    held = shop.rubber.registration
    if held is not None and (held.bead_length_mm > 0 or held.domes_set_for(0)):
        domes, long_m = held.domes_set_for(0), held.bead_length_mm / 1000.0
        said = ((f"{long_m:.2f} m of bead", long_m > 0), (counted(domes, "dome"), domes > 0))
        what = "domes" if shop.several else "bead and domes"
        wall = ledger.add(
            Work("bead", f"Set {what} on the wall", "wall", line, "wall",
                 (long_m + domes / 3) / rates.set_bead_m_h, 1, (Wait(wall),),
                 note=" and ".join(words for words, has in said if has))
        )  # fmt: skip
    far_m2 = max(shop.rubber.skin_m2 - shop.skin_m2(0), 0.0)
    covered = ledger.add(
        Work("cover", "Cover the far side", "wall", line, "wall", far_m2 / rates.cover_m2_h, few, (Wait(wall),))
    )
    coated_m2 = shop.skin_m2(0) + shop.wall_m(0) * shop.rubber.flange_width_mm * 1e-3
    sealed = ledger.add(
        Work(
            "seal", "Seal skin and wall", "wall", line, "release", coated_m2 / rates.release_m2_h, few,
            (Wait(covered), Wait(patches)), wear=SOLVENT_WEAR, unbroken=True,
        )
    )  # fmt: skip
    return ledger.add(
        Work(
            "release 0", f"Wax skin and wall, PVA where glass meets the wall, {name}", "wall", line, "release",
            coated_m2 / rates.release_m2_h, few, (Wait(sealed, SEALER_DRY_H, name="Sealer dries"),),
            unbroken=True, note="buff, second coat, PVA last", wear=SOLVENT_WEAR,
        )
    )  # fmt: skip


def _next_face(ledger: Ledger, shop: Workshop, piece: int, last: str) -> str:
    """Turn or go round, wall off, flange 1 made ready for what lies against it."""
    rates, few = shop.catalogue.rates, min(2, shop.hands)
    name, line = shop.piece_names[piece], f"Wall and release, {shop.piece_names[piece]}"
    turned = ledger.add(
        Work(f"turn {piece}", "Turn the job or go round it", "wall", line, "lifting and turning",
             2 * rates.turn_h, 2, (Wait(last),), wear=LIFT_WEAR)
    )  # fmt: skip
    off = ledger.add(
        Work(f"wall off {piece}", "Take the wall off, clean skin and flange", "wall", line, "wall",
             rates.wall_away_h, few, (Wait(turned),))
    )  # fmt: skip
    own_wall = wall_hours(1000.0 * shop.wall_m(piece), 0.0, 1, shop.brief.rates)
    walled = ledger.add(
        Work(f"wall {piece}", f"Build the wall, {name}", "wall", line, "wall", own_wall, few, (Wait(off),))
    )
    held = shop.rubber.registration
    if held is not None and (domes := held.domes_set_for(piece)):
        walled = ledger.add(
            Work(f"domes {piece}", f"Set domes on the wall, {name}", "wall", line, "wall",
                 domes / 3 / rates.set_bead_m_h, 1, (Wait(walled),), note=counted(domes, "dome"))
        )  # fmt: skip
    sealed = ledger.add(
        Work(f"seal {piece}", f"Seal the skin, {name}", "wall", line, "release",
             shop.skin_m2(piece) / rates.release_m2_h, few, (Wait(walled),), unbroken=True, wear=SOLVENT_WEAR)
    )  # fmt: skip
    flange_m = shop.flange_m2(piece) / (shop.rubber.flange_width_mm * 1e-3)
    wedges = max((len(p.wedge_points_mm) for p in shop.jacket.pieces if p.piece == piece), default=0)
    taped_h = flange_m / rates.edge_tape_m_h + wedges / rates.wedge_formers_per_h
    glass = ledger.add(
        Work(
            f"flange {piece}", "Wax and PVA the glass flange, tape it, set wedge formers", "wall", line, "release",
            taped_h + shop.flange_m2(piece) / rates.release_m2_h, few, (Wait(sealed),), unbroken=True,
            wear=SOLVENT_WEAR, note=f"{wedges} wedge formers" if wedges else "",
        )
    )  # fmt: skip
    area = shop.flange_m2(piece) + shop.skin_m2(piece)
    return ledger.add(
        Work(
            f"release {piece}", f"Release the rubber's flange, wax the skin, {name}", "wall", line, "release",
            area / rates.release_m2_h, few,
            (Wait(glass, PVA_DRY_H, name="PVA dries"), Wait(sealed, SEALER_DRY_H, name="Sealer dries")), unbroken=True,
            note="petroleum jelly or the maker's release between rubber and rubber, always", wear=SOLVENT_WEAR,
        )
    )  # fmt: skip


def _rubber(ledger: Ledger, shop: Workshop, piece: int, ready: str, keys_cast: str | None) -> tuple[str, str]:
    """Every coat inside the window of the one before; a tack coat mends one that is missed. Keys of the last coat and
    of the rubber cured and trimmed."""
    name, used, all_hands = shop.piece_names[piece], shop.rubber_material, min(shop.crew(piece), shop.hands)
    line = f"Rubber, {name}"
    least, most = (
        used.recoat_min / 60 * shop.rubber_warmth,
        used.recoat_most_min / 60 * shop.rubber_warmth,
    )
    tack_h = (shop.brushing_h(shop.tack_batch(piece), all_hands) + 0.25) * all_hands
    before = ready
    bedded_at = max(len(shop.rubber.coats) - 2, 0)  # covered by the last
    for at, coat in enumerate(shop.rubber.coats):
        batch = shop.coat_batch(piece, at)
        released = Wait(before, WAX_HAZE_H, name="Wax hazes") if piece else Wait(before, PVA_DRY_H, name="PVA dries")
        waits = [released] if at == 0 else [
            Wait(before, least, most, f"{shop.rubber.coats[at - 1].name.capitalize()} sets, {name}",
                 "Wipe, thin tack coat, test", tack_h)
        ]  # fmt: skip
        hours = shop.brushing_h(batch, all_hands) * all_hands
        note = f"{batch.batches} × {batch.batch_kg:.2f} kg"
        bedded = _keys_on(shop, piece) if at == bedded_at else 0
        if bedded and keys_cast:
            waits.append(Wait(keys_cast))
            hours += bedded / shop.catalogue.rates.keys_per_h
            note += f"; {bedded} keys bedded in it"
        if coat.thickness_mm == 0 and shop.gauze_m2(piece) > 0:
            gauze_m = shop.flange_m2(piece) / (shop.rubber.flange_width_mm * 1e-3)
            hours += gauze_m / shop.catalogue.rates.edge_tape_m_h
            note += f"; {shop.gauze_m2(piece):.2f} m² of gauze laid into the handled edges"
        lifts = shop.fill_lifts(piece) if coat.thickness_mm == 0 and batch.batches else 1
        for lift in range(lifts):
            if lift:
                waits = [Wait(before, least, most, f"Lift {lift} sets, {name}", "Wipe, thin tack coat, test", tack_h)]
            said = f", lift {lift + 1} of {lifts}" if lifts > 1 else ""
            before = ledger.add(
                Work(
                    f"coat {piece}.{at}" + (f".{lift}" if lift else ""), f"{coat.name.capitalize()}{said}, {name}",
                    "glove", line, "rubber", hours / lifts, all_hands, tuple(waits), unbroken=True,
                    note=f"{note} in all; the middle may be cured scrap of this rubber" if lifts > 1 else note,
                    wear=RUBBER_WEAR, mix=(batch.coat, batch.piece),
                )
            )  # fmt: skip
    cure = Wait(before, used.cure_h * shop.rubber_warmth, name=f"Rubber cures, {name}")
    if piece == 0:
        return before, ledger.add(
            Work(f"cured {piece}", f"Look over the rubber, trim its rim, {name}", "glove", line, "rubber", 0.5, 1,
                 (cure,))
        )  # fmt: skip
    cut_h = shop.flange_m2(piece) / (shop.rubber.flange_width_mm * 1e-3) / shop.catalogue.rates.cut_back_m_h
    return before, ledger.add(
        Work(f"cured {piece}", f"Cut the rubber back to its neighbour's rim, tape off, {name}", "glove", line,
             "rubber", max(cut_h, 0.5), 1, (cure,))
    )  # fmt: skip


def _keys_on(shop: Workshop, piece: int) -> int:
    return sum(1 for key in shop.keys.keys if key.piece == piece)


@dataclass(frozen=True)
class LaminateStage:
    """What is laid at once: layers as sold, first layer first, and their share of the piece's glass."""

    layers: tuple[str, ...]
    glass_share: float


def laminate_stages(piece: JacketPiece) -> tuple[LaminateStage, ...]:
    """The fewest goes that each stay within `RESIN_STAGE_MM` at the piece's thickest zone."""
    zones = [zone for zone in piece.zones if zone.layers]
    thickest = max(zones, key=lambda zone: zone.thickness_mm, default=None)
    if thickest is None:
        return (LaminateStage((), 1.0),)
    count = max(1, math.ceil(thickest.thickness_mm / RESIN_STAGE_MM - 1e-9))
    layers, per = thickest.layers, math.ceil(len(thickest.layers) / count)
    cuts = [layers[k : k + per] for k in range(0, len(layers), per)]
    return tuple(LaminateStage(tuple(part), len(part) / len(layers)) for part in cuts)


def _jackets(ledger: Ledger, shop: Workshop, piece: int, brushed: str, cured: str) -> str:
    """The jacket pieces over one glove piece, one against the other; cured on the master before anything moves. Mat
    and cradle boards are cut while the rubber cures."""
    last = cured
    cure_h = shop.catalogue.resin_for(shop.brief.materials).cure_h * shop.resin_warmth
    for insert in reversed([one for one in shop.jacket.loose if one.piece == piece]):  # the last off is laid up first
        last = _lay_loose(ledger, shop, insert, last)
    for shell in (p for p in shop.jacket.pieces if p.piece == piece):
        laid = _lay_jacket(ledger, shop, shell, brushed, last)
        last = _fit_out(ledger, shop, shell, brushed, laid, cure_h)
    return last


def _lay_loose(ledger: Ledger, shop: Workshop, shell: LooseShell, last: str) -> str:
    """A loose piece laid up on the rubber, its back closed; waxed, so that the jacket comes off it."""
    rates, few = shop.catalogue.rates, min(2, shop.hands)
    line, area_m2 = f"Loose pieces, {shell.under}", shell.zone.area_mm2 * 1e-6
    waxed = ledger.add(
        Work(f"wax {shell.name}", f"Light wax on the rubber, {shell.name}", "jacket", line, "release",
             area_m2 / 2 / rates.release_m2_h, 1, (Wait(last),), wear=SOLVENT_WEAR)
    )  # fmt: skip
    batch = shop.loose_batch(shell)
    glass_h = shell.zone.glass_kg / rates.laminating_kg_h * rates.tight_factor
    pots_h = math.ceil(batch.batches / few) * few * rates.mixing_min / 60.0
    laid = ledger.add(
        Work(
            f"lay {shell.name}", f"Lay up {shell.name}, close its back", "jacket", line, "laminating",
            glass_h + pots_h + CLOSE_LOOSE_H, few, (Wait(waxed),), unbroken=True,
            note=f"{', '.join(shell.zone.layers)}; its outside faired to the glove's", wear=RESIN_WEAR,
            mix=(batch.coat, batch.piece),
        )
    )  # fmt: skip
    held = len(shell.held_at_mm)
    return ledger.add(
        Work(
            f"wax back {shell.name}", f"Glass in {counted(held, 'nut plate')}, wax and PVA its back, {shell.name}",
            "jacket", line, "release", held * rates.grip_h + area_m2 / 2 / rates.release_m2_h, 1,
            (Wait(laid, GELLED_H, STAGE_MOST_H, f"Loose piece gels, {shell.name}", "Abrade and wipe its back", 0.25),),
            wear=SOLVENT_WEAR,
        )
    )  # fmt: skip


def _lay_jacket(ledger: Ledger, shop: Workshop, shell: JacketPiece, brushed: str, last: str) -> str:
    rates, all_hands = shop.catalogue.rates, shop.crew(shell.piece)
    line = f"Jacket, {shell.name}"
    waxed = ledger.add(
        Work(
            f"wax {shell.name}", f"Light wax on the rubber, {shell.name}", "jacket", line, "release",
            shell.area_mm2 * 1e-6 / rates.release_m2_h, min(2, all_hands), (Wait(last),), wear=SOLVENT_WEAR,
        )
    )  # fmt: skip
    glass = sum(zone.glass_kg for zone in shell.zones)
    cut = ledger.add(
        Work(f"mat {shell.name}", f"Cut the mat, {shell.name}", "jacket", line, "laminating",
             glass / rates.cut_mat_kg_h, 1, (Wait(brushed),), True, "by layer and zone, numbered", CUT_WEAR)
    )  # fmt: skip
    batch = shop.jacket_batch(shell)
    stages = laminate_stages(shell)
    before = waxed
    for k, stage in enumerate(stages):
        pots = math.ceil(batch.batches * stage.glass_share / all_hands)
        hours = glass * stage.glass_share / rates.laminating_kg_h + pots * all_hands * rates.mixing_min / 60.0
        wait = Wait(before) if k == 0 else Wait(
            before, STAGE_COOLS_H * shop.resin_warmth, STAGE_MOST_H, f"Laminate gels and cools, {shell.name}",
            "Abrade and wipe the laminate", ABRADE_H,
        )  # fmt: skip
        part = f", stage {k + 1} of {len(stages)}" if len(stages) > 1 else ""
        before = ledger.add(
            Work(
                f"lay {shell.name} {k}", f"Lay up the jacket{part}, {shell.name}", "jacket", line, "laminating",
                hours, all_hands, (wait, *((Wait(cut),) if k == 0 else ())), unbroken=True,
                note=f"{glass * stage.glass_share:.1f} kg of glass: {', '.join(stage.layers)}", wear=RESIN_WEAR,
                mix=(batch.coat, batch.piece),
            )
        )  # fmt: skip
    return before


def _fit_out(ledger: Ledger, shop: Workshop, shell: JacketPiece, brushed: str, laid: str, cure_h: float) -> str:
    """Ribs and grips glassed on, the cradle or a bag of sand fitted while the jacket is on the master."""
    rates = shop.catalogue.rates
    line = f"Jacket, {shell.name}"
    grips = shop.grips_on(shell.name)
    hours = len(shell.ribs) * rates.rib_h + grips * rates.grip_h
    on = ledger.add(
        Work(
            f"grips {shell.name}", f"Glass on {_fittings(len(shell.ribs), grips)}, {shell.name}", "jacket", line,
            "laminating", hours, 1, (Wait(laid, GELLED_H, STAGE_MOST_H, f"Jacket gels, {shell.name}",
                                          "Abrade and wipe where they go", 0.25),), True, wear=RESIN_WEAR,
        )
    )  # fmt: skip
    cured = Wait(laid, cure_h, name=f"Jacket cures, {shell.name}")
    if shop.cradle.instead:
        return ledger.add(
            Work(f"bed {shell.name}", f"Tap the jacket over, press a bag of sand to its back, {shell.name}", "jacket",
                 line, "lifting and turning", LEAST_TASK_H, 1, (cured, Wait(on)), note="no cradle at this size")
        )  # fmt: skip
    boards = shop.boards_for(shell.name)
    row = f"Cradle, {shell.name}"
    cut = ledger.add(
        Work(f"cut {shell.name}", f"Cut and assemble the cradle, {shell.name}", "cradle", row, "cradles",
             boards * rates.cradle_h_per_board, 1, (Wait(brushed),), False, shop.cradle_words(shell.name), GRIND_WEAR)
    )  # fmt: skip
    waits = [cured, Wait(on)]
    if boards:
        waits.append(Wait(cut))
    return ledger.add(
        Work(f"fit {shell.name}", f"Fit the cradle on the master, {shell.name}", "cradle", row, "cradles",
             2 * rates.fit_cradle_h, 2, tuple(waits), wear=RESIN_WEAR)
    )  # fmt: skip


def _fittings(ribs: int, grips: int) -> str:
    words = [f"{n} {what if n != 1 else what[:-1]}" for n, what in ((ribs, "ribs"), (grips, "grips")) if n]
    return " and ".join(words) or "fittings"


def _open(ledger: Ledger, shop: Workshop, last: str) -> str:
    """Flange trimmed, bolts drilled before opening, pieces numbered, opened, cleaned, rested."""
    rates, few = shop.catalogue.rates, min(2, shop.hands)
    line = "Trim, bolt, open, clean"
    trimmed = ledger.add(
        Work("trim", "Trim the flange", "jacket", line, "trimming and bolting", 2 * shop.seam_m / rates.trim_m_h, few,
             (Wait(last),), wear=GRIND_WEAR)
    )  # fmt: skip
    bolts = shop.bolt_count + sum(len(one.held_at_mm) for one in shop.jacket.loose)
    drilled = ledger.add(
        Work("drill", f"Drill and bolt: {bolts} bolts, fitted bolts first", "jacket", line, "trimming and bolting",
             bolts / rates.drill_bolts_per_h, few, (Wait(trimmed),), note="before opening", wear=GRIND_WEAR)
    )  # fmt: skip
    numbered = ledger.add(
        Work("number", "Number every piece, flange and bolt", "jacket", line, "trimming and bolting", rates.number_h, 1,
             (Wait(drilled),))
    )  # fmt: skip
    opened = ledger.add(
        Work("open", "Open the mould, peel the gloves", "mould", line, "lifting and turning", rates.open_mould_h,
             shop.lifters("jacket off", "glove peeled"), (Wait(numbered),),
             note=f"jackets first, last made first; by the wedge slots{_then_loose(shop)}",
             wear=LIFT_WEAR)
    )  # fmt: skip
    return ledger.add(
        Work("clean", "Clean gloves and jackets, lay them home and bolt up", "mould", line, "cleaning",
             shop.rubber.skin_m2 / rates.clean_m2_h + 2 * rates.glove_home_h, few, (Wait(opened),), wear=SOLVENT_WEAR)
    )  # fmt: skip


def _then_loose(shop: Workshop) -> str:
    """In which order the loose pieces come off, after the jackets."""
    names = [one.name for one in shop.jacket.loose]
    return f"; then {listed(names)}, each along its own pull" if names else ""


def mould_work_assumptions() -> Iterable[Assumption]:
    """The waits of the mould's work, with their marks."""
    rule = Mark.COMMON_PRACTICE
    for what, hours in (
        ("wax left before it is buffed", WAX_HAZE_H),
        ("PVA dries", PVA_DRY_H),
        ("sealer dries", SEALER_DRY_H),
        ("laminate cools before the next stage", STAGE_COOLS_H),
        ("laminate abraded before the next stage after", STAGE_MOST_H),
        ("test patches are read after", PATCH_CURE_H),
        ("mould rests bolted before the first cast", GLOVE_REST_H),
    ):
        yield Assumption(what, f"{hours:g} h", rule)
    yield Assumption("laminate laid at once, at most", f"{RESIN_STAGE_MM:g} mm", rule, "against heat")
