"""The rest of an early estimate: glass, resin, hours, days and money from a body's skin and seam, by the plan's rates.

The same laminate rules, working rates and prices as the plan's, laid on two figures of the body instead of its
geometry. What they leave out (tight places, ribs, turning, waits) are allowances of our own, set on plans of the demo's
hare, figure and goat, a run of six: with their skin and seam every line holds the plan's figure in its interval.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from ..base.intervals import Interval, interval_of
from ..base.marks import Assumption, Mark
from ..inputs.brief import Brief
from ..inputs.catalogue import Catalogue
from ..trade.laminate import gelcoat_kg, mat_g_m2_from_oz, resin_kg
from ..trade.section import JointSection
from ..trade.thickness import ThicknessRule

JACKET_OVER_SKIN = 1.10  # the jacket lies over the glove: further out, and smoother (our own figure)
FOOT_SHARE = 0.15  # of the seam again round the foot (our own figure)
STIFFENED = 1.18  # patches, heavier fields and waste of cutting, over the glass that covers (our own figure)
SMALL_MOULD_JOBS, SMALL_CAST_JOBS = 2.6, 1.43  # turning, ribs, cradle, numbering, over what is counted (our own)
SUNDRIES = 1.30  # release, sealers, catalyst, over rubber, resin, gelcoat and glass (our own figure)
ONCE, EACH_CAST, EACH_CAST_M2 = 600.0, 90.0, 30.0  # boards, bolts, PPE, paint: money of the bundled catalogue (our own)
CRATE_M2 = 65.0  # ply, battens and packing of a crate, by the square metre of skin inside it (our own figure)
MOULD_WAITS, RUN_WAITS = 4.0, 5.0  # days of cures that nobody works beside (our own figure)
SKIN_UNSURE, LAYERS_UNSURE, HOURS_UNSURE, DAYS_UNSURE, PACKS_UNSURE = 0.18, 0.12, 0.35, 0.30, 0.20
_COATS = 5  # print coat, build coats and the last with its fill (common practice)
_WORKED = 0.55  # of a day's hours of all hands: the rest is waited for (our own figure)


@dataclass(frozen=True)
class EarlyRow:
    """One line of the early table. unit : 'kg', 'h', 'days' or a currency."""

    what: str
    amount: Interval
    unit: str


def early_rows(
    skin_mm2: float,
    seam_mm: float,
    rubber_kg: Interval,
    rule: ThicknessRule,
    section: JointSection,
    brief: Brief,
    catalogue: Catalogue,
) -> tuple[EarlyRow, ...]:
    """Rubber, glass, resin, gelcoat, person-hours, days and money of the mould and its run, each as an interval.

    skin_mm2 : skin to be covered, carving in. seam_mm : of all joints. rubber_kg : as estimated, without waste.
    """
    casts, jacket, cast = brief.run.casts, brief.jacket, brief.cast
    flange_mm2 = 2 * (1 + FOOT_SHARE) * seam_mm * (rule.flange_width_mm + section.jacket_flange_mm)
    field_g, more_g = (mat_g_m2_from_oz(oz) for oz in (jacket.mat_oz, jacket.edge_extra_oz))
    shell = STIFFENED * (field_g * JACKET_OVER_SKIN * skin_mm2 + (field_g + more_g) * flange_mm2) * 1e-9
    laid = STIFFENED * mat_g_m2_from_oz(cast.mat_oz) * skin_mm2 * 1e-9 * casts
    resin = resin_kg(shell, jacket.glass_fraction) + resin_kg(laid, cast.glass_fraction)
    gelcoat = casts * gelcoat_kg(skin_mm2, cast.gelcoat_wet_mm)
    wide = (("skin and seam of the body", SKIN_UNSURE), ("layers", LAYERS_UNSURE))
    mould_h, each_h = _hours(skin_mm2 / 1e6, seam_mm / 1e3, shell, laid / casts, brief, catalogue)
    day_h = brief.run.hands * brief.run.hours_per_day * _WORKED * (1.0 if brief.run.work_weekends else 5 / 7)
    hours = mould_h + casts * each_h
    mould_days, run_days = MOULD_WAITS + mould_h / day_h, RUN_WAITS + casts * each_h / day_h
    kilograms = {"rubber": rubber_kg.likely, "glass": shell + laid, "resin": resin, "gelcoat": gelcoat}
    crate_m2 = CRATE_M2 if brief.finish.crates else 0.0
    material = SUNDRIES * (1 + brief.materials.waste_fraction) * _bought(kilograms, brief, catalogue)
    material += ONCE + casts * (EACH_CAST + (EACH_CAST_M2 + crate_m2) * skin_mm2 / 1e6)
    labour = hours * brief.rates.hourly_rate
    asked = (1 + brief.money.overhead) * (1 + brief.money.margin)
    slack = (("working rates", HOURS_UNSURE), ("skin and seam of the body", SKIN_UNSURE))
    bought = (("prices and packs", PACKS_UNSURE), ("rubber", (rubber_kg.high - rubber_kg.low) / 2 / rubber_kg.likely))
    shares = [(name, half * labour / (labour + material)) for name, half in slack]
    shares += [(name, half * material / (labour + material)) for name, half in bought]
    return (
        EarlyRow("rubber", rubber_kg, "kg"),
        EarlyRow("glass mat", interval_of(shell + laid, wide), "kg"),
        EarlyRow("resin", interval_of(resin, wide), "kg"),
        EarlyRow("gelcoat", interval_of(gelcoat, wide), "kg"),
        EarlyRow("work, mould", interval_of(mould_h, slack), "h"),
        EarlyRow("work, each cast", interval_of(each_h, slack), "h"),
        EarlyRow("days, mould", interval_of(mould_days, (*slack, ("waits", DAYS_UNSURE))), "days"),
        EarlyRow("days, run", interval_of(run_days, (*slack, ("waits", DAYS_UNSURE))), "days"),
        EarlyRow("material", interval_of(material, bought), catalogue.currency),
        EarlyRow("price with labour", interval_of(asked * (labour + material), shares), catalogue.currency),
    )


def _hours(
    skin_m2: float, seam_m: float, shell_kg: float, laid_kg: float, brief: Brief, catalogue: Catalogue
) -> tuple[float, float]:
    """Person-hours of the mould, and of one cast with its finish."""
    r, rates = catalogue.rates, brief.rates
    pieces = brief.seam.pieces if isinstance(brief.seam.pieces, int) else 2
    once = r.board_h + r.stand_master_h + r.key_mould_h + r.wall_away_h + r.open_mould_h
    mould = once + seam_m * (rates.wall_h_m + 1 / r.mark_seam_m_h + 2 / r.trim_m_h) + shell_kg / r.laminating_kg_h
    mould += skin_m2 * (_COATS / r.brushing_m2_h + 2 / r.release_m2_h + 1 / r.clean_m2_h)
    mould += pieces * (r.turn_h + 2 * r.fit_cradle_h + r.number_h)
    cast = 2 * r.glove_home_h + 2 * r.shut_mould_h + r.open_mould_h + r.weigh_h + r.baseboard_h
    cast += skin_m2 / r.brushing_m2_h + laid_kg / r.laminating_kg_h
    cast += seam_m * (rates.joint_h_m + (rates.cleanup_shown_h_m + rates.cleanup_hidden_h_m) / 2 + 1 / r.trim_m_h)
    finish = brief.finish
    coats = finish.primer_coats + finish.colour_coats + finish.lacquer_coats if finish.paint else 0
    cast += coats * (skin_m2 / r.paint_m2_h + r.spray_setup_h)
    crate_h = r.crate_h if finish.crates else 0.0
    return SMALL_MOULD_JOBS * mould, SMALL_CAST_JOBS * cast + crate_h


def _bought(kilograms: dict[str, float], brief: Brief, catalogue: Catalogue) -> float:
    """Money for the four materials, at the price of the pack that is cheapest by the kilogram."""
    chosen = brief.materials
    mats = [min(p.price / p.size for p in mat.packs) / (mat.mat_g_m2 / 1000) for mat in catalogue.mats_for(chosen)]
    each = {
        "rubber": _per_unit(catalogue.rubber_for(chosen).packs),
        "resin": _per_unit(catalogue.resin_for(chosen).packs),
        "gelcoat": _per_unit(catalogue.gelcoat_for(chosen).packs),
        "glass": sum(mats) / len(mats),
    }
    return sum(each[name] * mass for name, mass in kilograms.items())


def _per_unit(packs: Sequence) -> float:
    return min(pack.price / pack.size for pack in packs)


def early_assumptions() -> tuple[Assumption, ...]:
    """What the table lays on the body's two figures, with marks."""
    rule = Mark.MEMORY
    return (
        Assumption("jacket over skin", f"{JACKET_OVER_SKIN:g} times", rule, "our own figure"),
        Assumption(
            "small jobs over those counted", f"{SMALL_MOULD_JOBS:g} and {SMALL_CAST_JOBS:g} times", rule, "ours"
        ),
        Assumption(
            "boards, bolts, PPE and paint",
            f"{ONCE:g}, and {EACH_CAST:g} a cast, {CRATE_M2:g} a m² for crates",
            Mark.INVENTED,
            "ours",
        ),
        Assumption("sundries over rubber, resin and glass", f"{SUNDRIES:g} times", rule, "our own figure"),
        Assumption("of a day's hours worked", f"{100 * _WORKED:.0f} %", rule, "the rest is waited for; our own figure"),
    )
