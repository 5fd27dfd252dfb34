"""What is done where two pieces lock too much, or one mould is too large, priced one beside the other: fill, loose
pieces, more jackets, more glove pieces, sections.

One function of the rates for all, `trade.price.price_seam`, and what further jackets cost beside it. No meshes here.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from ..base.figures import counted, kg, listed, mm, money, strain_by_rule
from ..base.marks import Assumption, Mark
from ..inputs.brief import RatesBrief
from .price import RubberPrice, SeamMeasures, SeamPrice, piece_price, price_seam, wall_hours

JACKET_SHARE = 0.5  # of a further glove piece with its jacket: the glass alone
BOLTED_H = 0.2  # on every cast: a further jacket unbolted, lifted off, cleaned and bolted home
THIN_FILL_MM = 25.0  # a web of fill no thicker cures and bends as a skin does (common practice)
DEEP_FILL_MM = 80.0  # deeper fill is heavy, cures slowly and stretches little: trade's own figure

WORTH_MORE = 1.1  # times the depth that is too deep: one that is little too deep is left as it is (invented)
QUICK_SPREAD = 0.2
AT_BREAK = 3.0  # times what is allowed, a third of the elongation at break
HEAVY_FILL_MM3 = 5e6  # five litres, as many kilograms and more on two gloves (common practice)

Kind = Literal["two", "loose", "jackets", "gloves", "sections"]
UNBUILT = "priced to compare, not built here: no wall, sheets or closed meshes of it"
HOW_SECTIONS = "mouldloft sections MASTER --brief BRIEF --plan plans them"


@dataclass(frozen=True)
class Measured:
    """One answer as measured. seam : of the glove, its fill included; jacket_joint_mm : joints in the jacket alone;
    stretch : the glove's worst, of what is allowed; heaviest_kg : jacket piece or glove, lifted apart; comes_off : in
    an order, every piece tried on its way. more_hours, more_total : cuts or hatches over the run; cuts_mm,
    cuts_on_show_mm : lines that cuts leave on the cast; over : limits of reach, lift or van that it breaks, in words;
    spread : how far its price may be out, a share, where it is an estimate."""

    kind: Kind
    gloves: int
    jackets: int
    seam: SeamMeasures
    jacket_joint_mm: float
    deepest_mm: float
    stretch: float
    heaviest_kg: float
    comes_off: bool
    loose: int = 0  # loose pieces under the jackets
    parts: int = 1  # sections of the master
    more_hours: float = 0.0
    more_total: float = 0.0
    cuts_mm: float = 0.0
    cuts_on_show_mm: float = 0.0
    over: tuple[str, ...] = ()
    spread: float = 0.0


@dataclass(frozen=True)
class Answer:
    """One line of the table. hours, total : of seam, fill and further pieces over the run, in the catalogue's currency;
    what all answers share is left out. broken : which limits it does not keep, in words; reason : why it is recommended
    or not; spread : how far hours and total may be out, a share, where they are an estimate."""

    kind: Kind
    name: str
    gloves: int
    jackets: int
    hours: float
    total: float
    stretch: float
    fill_mm3: float
    deepest_mm: float
    seam_mm: float
    on_show_mm: float
    heaviest_kg: float
    broken: tuple[str, ...]
    recommended: bool
    reason: str
    spread: float = 0.0


def stretch_words(share: float) -> str:
    """A stretch by rule, of what is allowed: past thrice, where rubber breaks, only that."""
    return strain_by_rule(share, AT_BREAK)


def further_jackets_hours(joint_mm: float, further: int, casts: int, rates: RatesBrief) -> float:
    """Hours of jacket pieces past one a glove piece: their wall on the rubber and their making once, bolting up and
    down on every cast. joint_mm : of joints in the jacket alone."""
    if further <= 0:
        return 0.0
    once = wall_hours(0.0, joint_mm, further + 1, rates) + JACKET_SHARE * rates.piece_h * further
    return once + BOLTED_H * further * casts


def loose_hours(count: int, casts: int, rates: RatesBrief) -> float:
    """Hours of loose pieces: laid up once without a wall of their own, bolted home and lifted out on every cast."""
    return count * (JACKET_SHARE * rates.piece_h + BOLTED_H * casts)


def price_answer(found: Measured, casts: int, rubber: RubberPrice, rates: RatesBrief) -> tuple[float, float]:
    """Hours and money of an answer over the run."""
    seam: SeamPrice = price_seam(found.seam, casts, rubber, rates)
    pieces = piece_price(rates) * (found.gloves - 2)
    jackets = further_jackets_hours(found.jacket_joint_mm, found.jackets - found.gloves, casts, rates)
    jackets += loose_hours(found.loose, casts, rates)
    hours = seam.hours + jackets + (rates.piece_h * (found.gloves - 2)) + found.more_hours
    return hours, seam.total + pieces + jackets * rates.hourly_rate + found.more_total


def weigh_answers(
    found: tuple[Measured, ...],
    casts: int,
    rubber: RubberPrice,
    rates: RatesBrief,
    currency: str,
    most_lift_kg: float = float("inf"),
) -> tuple[Answer, ...]:
    """The table, one line an answer, with one recommended of those that are built here: the cheapest that keeps its
    limits; where none does, the one that breaks fewest, and of as many the one that breaks them least for its price.
    most_lift_kg : what hands may lift, as many as may help."""
    rows = []
    for each in found:
        hours, total = price_answer(each, casts, rubber, rates)
        rows.append((each, hours, total, _broken(each, most_lift_kg)))
    built = [k for k in range(len(rows)) if rows[k][0].kind != "jackets"]
    # of two pieces that break as many limits either way, those that are planned: with their loose pieces
    loose = any(each.kind == "loose" for each, *_ in rows)
    weighed = [total * (1.0 + _past_limits(each, most_lift_kg)) for each, _, total, _ in rows]
    best = min(built, key=lambda k: (len(rows[k][3]), loose and rows[k][0].kind == "two", round(weighed[k], 2), k))
    return tuple(
        Answer(
            each.kind, _name(each), each.gloves, each.jackets, hours, total, each.stretch, each.seam.fill_mm3,
            each.deepest_mm, each.seam.length_mm + each.cuts_mm, each.seam.on_show_mm + each.cuts_on_show_mm,
            each.heaviest_kg, broken, k == best,
            _reason(each, k == best, broken, total, rows[best][2], rows[best][3], currency), each.spread,
        )
        for k, (each, hours, total, broken) in enumerate(rows)
    )  # fmt: skip


def _name(found: Measured) -> str:
    if found.kind == "two":
        return "two pieces, with fill"
    if found.kind == "loose":
        return f"two pieces, {counted(found.loose, 'loose piece')}"
    if found.kind == "jackets":
        return f"two gloves under {found.jackets} jackets"
    if found.kind == "sections":
        return f"{found.parts} sections, each in two pieces"
    return f"{found.gloves} glove pieces, each with its jacket"


def _broken(found: Measured, most_lift_kg: float) -> tuple[str, ...]:
    out = []
    if not found.comes_off:
        out.append("no order of taking off was found")
    if found.deepest_mm > DEEP_FILL_MM:
        out.append(f"fill {mm(found.deepest_mm)} deep, over {mm(DEEP_FILL_MM)}")
    if found.stretch > 1.0:
        out.append(f"stretch {stretch_words(found.stretch)} of what is allowed")
    if found.heaviest_kg > most_lift_kg:
        out.append(f"{kg(found.heaviest_kg)} to lift, over the {kg(most_lift_kg)} that hands may")
    return (*out, *found.over)


def _past_limits(found: Measured, most_lift_kg: float) -> float:
    """By what share an answer is past its limits, summed, each as a share of its limit: 0 where it keeps them. No limit
    counts for more than a glove torn, and so does a mould that does not come off."""
    shares = np.array([found.deepest_mm / DEEP_FILL_MM, found.stretch, found.heaviest_kg / most_lift_kg])
    past = float(np.clip(shares - 1.0, 0.0, AT_BREAK).sum())
    return past if found.comes_off else past + AT_BREAK


def _reason(
    each: Measured,
    chosen: bool,
    broken: tuple[str, ...],
    total: float,
    least: float,
    its: tuple[str, ...],
    currency: str,
) -> str:
    how = f"; {HOW_SECTIONS}" if each.kind == "sections" else ""
    if each.kind == "jackets":
        return f"{UNBUILT}; {listed(broken)}" if broken else UNBUILT
    if chosen and not broken:
        return f"recommended: the cheapest that keeps its limits{how}"
    if chosen:
        return f"recommended: none keeps all limits, this breaks them least ({listed(broken)}){how}"
    if len(broken) > len(its):
        return listed(broken)
    if total < least:
        return f"{money(least - total, currency)} cheaper; {listed(broken)}" if broken else "as cheap"
    return f"{money(total - least, currency)} dearer" + (f"; {listed(broken)}" if broken else "")


def answer_assumptions(rates: RatesBrief) -> tuple[Assumption, ...]:
    """What the table rests on beside the rates."""
    own, deep = Mark.INVENTED, f"over {DEEP_FILL_MM:g} mm deep, or over {HEAVY_FILL_MM3 / 1e6:g} l"
    return (
        Assumption("a further jacket piece", f"{JACKET_SHARE * rates.piece_h:g} h", own),
        Assumption("a further jacket unbolted and bolted home", f"{BOLTED_H:g} h a cast", own),
        Assumption("fill that further pieces are tried against", deep, Mark.COMMON_PRACTICE),
        Assumption("a way past its limits, beside others that break as many", "priced up by the share it is past", own),
        Assumption("moulds of sections, planned quickly on planes, right to", f"{100 * QUICK_SPREAD:g} %", own),
    )
