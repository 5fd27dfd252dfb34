"""One cast's work, from the glove laid home to the scales: gelcoat, tight places, glass, green trim, shut, joint,
open, number, weigh."""

from __future__ import annotations

import math
from collections.abc import Iterable

from ...base.marks import Assumption, Mark
from ...trade.answers import BOLTED_H
from ...trade.price import joint_hours
from .mixes import Workshop
from .mouldwork import GLOVE_REST_H
from .painting import Out, finish_works, painting_assumptions
from .work import CUT_WEAR, KNIFE_WEAR, LIFT_WEAR, RESIN_WEAR, SOLVENT_WEAR, Ledger, Wait, Work

KEY_GELCOAT_H = 0.75  # gelcoat past its window is keyed with a fine pad and wiped
TRIM_FROM_H = 0.75  # common practice: the laminate is green, firm and still cuts with a knife
TRIM_UNTIL_H = 2.5  # common practice: past it the edge is cut hard, with a disc
HARD_TRIM_FACTOR = 2.0  # hours of a hard edge over a green one
JOINT_WITHIN_H = 24.0  # common practice: past a day the edges are abraded before they are joined
CLEANED_WITHIN_H = 8.0  # common practice
PUT_AWAY_WITHIN_H = 24.0  # common practice: rubber that lies loose takes a set
JOINT_GELS_H = 1.5  # common practice: before the baseboard goes in or the mould is turned


def run_works(ledger: Ledger, shop: Workshop, mould_ready: str) -> None:
    """Every cast of the run, one after the other out of one mould, painted in sets when they are out."""
    last, rest = mould_ready, GLOVE_REST_H
    out: list[Out] = []
    for number in shop.brief.run.numbers:
        name = f"Cast {number}" if number else "Trial cast"
        key = f"cast {number}"
        weighed, cleaned = _one_cast(ledger, shop, key, name, last, rest, number == shop.brief.run.numbers[-1])
        last, rest = cleaned, 0.0
        trial = number == 0 or (number == 1 and shop.brief.run.trial_cast == "first")
        if trial:
            last = ledger.add(
                Work(f"{key} looked over", "Look over the trial cast, touch up the mould", "casts", name, "trial cast",
                     shop.catalogue.rates.look_over_h, 2, (Wait(weighed), Wait(cleaned)),
                     note="the next cast waits for it")
            )  # fmt: skip
        if number:
            out.append(Out(number, key, name, weighed))
    _put_away(ledger, shop, last)
    finish_works(ledger, shop, out)


def _one_cast(
    ledger: Ledger, shop: Workshop, key: str, name: str, last: str, rest_h: float, last_one: bool
) -> tuple[str, str]:
    """Gelcoat to weighing; the keys of the weighed cast and of the mould cleaned for the next."""
    rates = shop.catalogue.rates
    home = ledger.add(
        Work(f"{key} home", f"{name}: lay {_homed(shop)} home", "casts", name, "casting",
             rates.glove_home_h + BOLTED_H / 2 * len(shop.jacket.loose), min(2, shop.hands),
             (Wait(last, rest_h, name="Mould rests, bolted" if rest_h else ""),))
    )  # fmt: skip
    laid = _lay_up(ledger, shop, key, name, home)
    joined = _join(ledger, shop, key, name, laid)
    cure_h = shop.catalogue.resin_for(shop.brief.materials).cure_h * shop.resin_warmth
    opened = ledger.add(
        Work(
            f"{key} open", f"{name}: open, {_taken_off(shop)}, cast out", "casts", name, "casting",
            rates.open_mould_h + BOLTED_H / 2 * len(shop.jacket.loose) + shop.peel_h,
            shop.lifters("jacket off", "glove peeled", "cast out"),
            (Wait(joined, cure_h, name=f"{name} cures"),), wear=LIFT_WEAR,
        )
    )  # fmt: skip
    weighed = ledger.add(
        Work(f"{key} weigh", f"{name}: number and weigh", "casts", name, "casting", rates.weigh_h, 1, (Wait(opened),),
             note=f"{shop.cast.lift_kg:.1f} kg by the plan")
    )  # fmt: skip
    # of the last cast too on the same day: resin that has set comes off rubber with more trouble
    soon = (
        Wait(opened, 0.0, CLEANED_WITHIN_H, "", "Soften what has set on the gloves", 0.5) if last_one else Wait(opened)
    )
    cleaned = ledger.add(
        Work(f"{key} clean", f"{name}: clean and check the gloves", "casts", name, "cleaning",
             shop.rubber.skin_m2 / rates.clean_m2_h, min(2, shop.hands), (soon,), wear=SOLVENT_WEAR)
    )  # fmt: skip
    return weighed, cleaned


def _put_away(ledger: Ledger, shop: Workshop, cleaned: str) -> None:
    """The last of the mould's work: laid home with all that belongs to it and bolted shut, so that it keeps its
    shape."""
    rates = shop.catalogue.rates
    on = "level on a shelf" if shop.cradle.instead else "on its cradles"
    hours = rates.glove_home_h + rates.shut_mould_h + BOLTED_H / 2 * len(shop.jacket.loose)
    ledger.add(
        Work("put away", f"Lay {_homed(shop)} home, bolt the mould shut, put it away", "casts", "Mould put away",
             "cleaning", hours, 2,
             (Wait(cleaned, 0.0, PUT_AWAY_WITHIN_H, "", "Wipe the gloves, lay them home", 0.5),),
             note=f"rests bolted, {on}, out of the sun; spare bolts and wedges in a bag, job and revision on it",
             wear=LIFT_WEAR)
    )  # fmt: skip


def _homed(shop: Workshop) -> str:
    return "loose pieces, glove and keys" if shop.jacket.loose else "glove and keys"


def _taken_off(shop: Workshop) -> str:
    return "loose pieces off, peel the gloves" if shop.jacket.loose else "peel the gloves"


def _lay_up(ledger: Ledger, shop: Workshop, key: str, name: str, home: str) -> str:
    """Gelcoat, tight places first, heavier glass behind, narrow limbs cored, trimmed while green."""
    rates, all_hands, gelcoat = shop.catalogue.rates, shop.hands, shop.catalogue.gelcoat_for(shop.brief.materials)
    parts = "pieces" if shop.several else "halves"
    coat = shop.gelcoat_batch()
    warm = shop.warmth(gelcoat.gel_temperature_c)
    coated = ledger.add(
        Work(
            f"{key} gelcoat", f"{name}: gelcoat in the open {parts}", "casts", name, "casting",
            shop.brushing_h(coat, all_hands) * all_hands, all_hands, (Wait(home),), True,
            f"{coat.batches} × {coat.batch_kg:.2f} kg", RESIN_WEAR, (coat.coat, coat.piece),
        )
    )  # fmt: skip
    window = Wait(coated, gelcoat.overlay_h * warm, gelcoat.overlay_most_h * warm, f"{name}: gelcoat sets",
                  "Key the gelcoat with a fine pad, wipe", KEY_GELCOAT_H)  # fmt: skip
    batch = shop.cast_batch()
    pots = math.ceil(batch.batches / all_hands) * all_hands * rates.mixing_min / 60.0
    tight = shop.tight_share
    glass_h = shop.cast.glass_kg / rates.laminating_kg_h
    first = ledger.add(
        Work(
            f"{key} tight", f"{name}: tissue and light mat in tight places", "casts", name, "casting",
            glass_h * tight * rates.tight_factor, min(2, all_hands), (window,), True,
            f"{100 * tight:.0f} % of the skin", RESIN_WEAR, (batch.coat, batch.piece),
        )
    )  # fmt: skip
    behind = Wait(first, 0.0, 1.0) if glass_h * tight > 1e-9 else window
    mat = ledger.add(
        Work(f"{key} mat", f"{name}: cut the mat", "casts", name, "casting", shop.cast.glass_kg / rates.cut_mat_kg_h, 1,
             (Wait(coated),), True, "by layer and half, numbered; while the gelcoat sets", CUT_WEAR)
    )  # fmt: skip
    laid = ledger.add(
        Work(
            f"{key} lay", f"{name}: glass in the {parts}", "casts", name, "casting",
            glass_h * (1 - tight) + pots + shop.overhang_h, all_hands, (behind, Wait(mat)), True,
            ", ".join(shop.cast.layers), RESIN_WEAR, (batch.coat, batch.piece),
        )
    )  # fmt: skip
    cored = ledger.add(
        Work(f"{key} core", f"{name}: core the narrow limbs", "casts", name, "casting",
             shop.cored_l / rates.core_l_h, 1, (Wait(laid, 0.0, 2.0),), True,
             f"{shop.cored_l:.1f} l: cut rigid polyurethane, bedded in paste, glassed over; never polystyrene, never "
             "poured", RESIN_WEAR)
    )  # fmt: skip
    cored = ledger.add(
        Work(f"{key} fill", f"{name}: fill the slim limbs", "casts", name, "casting",
             shop.filled_l * shop.brief.rates.solid_h_l, 1, (Wait(cored, 0.0, 2.0),), True,
             f"{shop.filled_l:.1f} l: resin with filler in lifts of 10 mm, each gelled and cool before the next",
             RESIN_WEAR)
    )  # fmt: skip
    edges_m = 2 * shop.cast.joint_tape_m
    green_h = edges_m / rates.green_trim_m_h
    return ledger.add(
        Work(
            f"{key} trim", f"{name}: trim flush while green", "casts", name, "casting", green_h, min(2, all_hands),
            (Wait(cored, TRIM_FROM_H * shop.resin_warmth, TRIM_UNTIL_H * shop.resin_warmth,
                  f"{name}: laminate gels", "Cut the hard edge with a disc", green_h * HARD_TRIM_FACTOR),),
            True, f"{edges_m:.1f} m of edge, with a knife", KNIFE_WEAR,
        )
    )  # fmt: skip


def _join(ledger: Ledger, shop: Workshop, key: str, name: str, trimmed: str) -> str:
    """Shut like a book, joint taped by reach, baseboard and fixings glassed in."""
    rates, few, lifters = shop.catalogue.rates, min(2, shop.hands), shop.lifters("stood up", "laid down")
    frame = shop.cast.frame
    framed = ledger.add(
        Work(
            f"{key} frame", f"{name}: lay the steel frame in, tab it", "casts", name, "casting",
            frame.count * frame.length_mm / 1000.0 / rates.upright_m_h if frame is not None else 0.0, few,
            (Wait(trimmed, 0.0, JOINT_WITHIN_H, "", "Abrade where the tabs go", 0.5),),
            note=f"{frame.words}; on foam packers" if frame is not None else "", wear=RESIN_WEAR,
        )
    )  # fmt: skip
    shut = ledger.add(
        Work(
            f"{key} shut", f"{name}: {_shutting(shop)}", "casts", name, "casting",
            lifters * rates.shut_mould_h, lifters,
            (Wait(framed, 0.0, JOINT_WITHIN_H, "", "Abrade the edges that meet", 0.75),),
            note="then laid down, its foot where hands reach in" + shop.cut_hatches_words, wear=LIFT_WEAR,
        )
    )  # fmt: skip
    near, far, bedded = shop.joint_by_reach_mm
    said = [(near, "by hand"), (far, "by a roller on a pole"), (bedded, "in paste over cored or filled limbs")]
    joined = ledger.add(
        Work(
            f"{key} joint", f"{name}: tape the joint from inside", "casts", name, "joint",
            joint_hours(near + far + bedded, far, 1, shop.brief.rates), few, (Wait(shut),),
            note=", ".join(f"{length / 1000:.1f} m {how}" for length, how in said if length > 0),
            wear=RESIN_WEAR,
        )
    )  # fmt: skip
    board_h = rates.baseboard_h if shop.cast.baseboard_halves_mm else 0.0
    return ledger.add(
        Work(f"{key} board", f"{name}: glass in baseboard{_sockets(shop)}", "casts", name, "casting", board_h, few,
             (Wait(joined, JOINT_GELS_H * shop.resin_warmth, name=f"{name}: joint gels"),), wear=RESIN_WEAR)
    )  # fmt: skip


def _sockets(shop: Workshop) -> str:
    if shop.cast.fixings is not None:
        return " and sockets"
    return ", tab the frame to the other half" if shop.cast.frame is not None else ""


def _shutting(shop: Workshop) -> str:
    return "stand the pieces up, bolt together" if shop.several else "stand the halves up, shut like a book, bolt"


def cast_work_assumptions() -> Iterable[Assumption]:
    """The waits of a cast's work, with their marks."""
    rule = Mark.COMMON_PRACTICE
    yield Assumption("green trim", f"{TRIM_FROM_H:g} to {TRIM_UNTIL_H:g} h after the last glass", rule, "at 20 °C")
    for what, hours in (
        ("edges are abraded before they are joined after", JOINT_WITHIN_H),
        ("joint gels before the baseboard goes in", JOINT_GELS_H),
        ("mould bolted shut after the last cast within", PUT_AWAY_WITHIN_H),
    ):
        yield Assumption(what, f"{hours:g} h", rule)
    yield from painting_assumptions()
