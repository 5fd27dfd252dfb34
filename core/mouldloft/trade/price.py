"""What a seam costs in money and hours: one function of rates and hours, for every stage that weighs a seam.

No meshes here: lengths, volumes and masses in, hours and money out. Direction, seam, pieces, wall and programme all ask
`price_seam`; the minimum cut's weights are its derivatives (`unit_prices`).
"""

from __future__ import annotations

from dataclasses import dataclass

from ..base.marks import Assumption, Mark
from ..inputs.brief import RatesBrief


@dataclass(frozen=True)
class RubberPrice:
    """What undercut fill is made of. per_litre : in the catalogue's currency, waste included; kg_per_litre : cured."""

    per_litre: float
    kg_per_litre: float


@dataclass(frozen=True)
class SeamMeasures:
    """What is measured of a seam. Lengths in mm, areas in mm², volumes in mm³.

    on_show_mm : length weighted by how much it shows, 0 hidden to 1 in full view. bent_mm : of it, what leaves its
    plane. past_reach_mm : what is joined further than an arm's reach from the way in. keep_clear_mm : what runs over
    places to be kept clear, weighted. lines : separate runs, each with its own wall. solid_mm3 : limbs of
    one cast that nobody can lay up from their half's opening, so that they are filled. facing_mm : of the length, what
    runs over skin that faces the pull, weighted from 0 at 60° between wall and skin to 1 where the wall lies along it.
    """

    length_mm: float
    on_show_mm: float
    bent_mm: float
    past_reach_mm: float
    keep_clear_mm: float
    lines: int
    fill_mm3: float
    locked_mm2: float
    solid_mm3: float = 0.0
    facing_mm: float = 0.0


@dataclass(frozen=True)
class SeamPrice:
    """Hours and money of a seam over its whole run, by cause. Hours are of people; money in the catalogue's currency.

    cleanup_h, joint_h, risk_h, facing_h, keep_clear_h, carry_h, peel_h, overhang_h, solid_h : over all casts.
    wall_h : once. rubber_cost, tape_cost, solid_cost : material. hours : all of them; total : hours at the hourly rate
    and the material.
    """

    cleanup_h: float
    wall_h: float
    joint_h: float
    risk_h: float
    facing_h: float
    keep_clear_h: float
    carry_h: float
    peel_h: float
    overhang_h: float
    solid_h: float
    rubber_cost: float
    tape_cost: float
    solid_cost: float
    hourly_rate: float
    hours: float
    total: float


@dataclass(frozen=True)
class UnitPrices:
    """The same price by its parts, for whoever weighs one place against another: money for each mm, mm², mm³ or line.

    shown_mm, hidden_mm : of a seam with a flat wall, in full view and out of sight; bent_mm : what a bent wall adds;
    past_reach_mm : what it adds to lie past an arm's reach; facing_mm : to run over skin that faces the pull;
    keep_clear_mm : what a place to be kept clear adds; line : a further run; fill_mm3 : undercut fill; locked_mm2 :
    skin that its piece's pull does not free; solid_mm3 : limbs filled.
    """

    shown_mm: float
    hidden_mm: float
    bent_mm: float
    past_reach_mm: float
    facing_mm: float
    keep_clear_mm: float
    line: float
    fill_mm3: float
    locked_mm2: float
    solid_mm3: float


def wall_hours(flat_mm: float, bent_mm: float, lines: int, rates: RatesBrief, facing_mm: float = 0.0) -> float:
    """Hours to build the dividing wall: by the metre, half as much again where it is bent, a set-up for each line
    after the first, and a root turned square in clay where it would meet the skin flatter than 60°."""
    metres = flat_mm / 1000 + (1.0 + rates.wall_bent_share) * bent_mm / 1000
    return rates.wall_h_m * metres + rates.wall_line_h * max(lines - 1, 0) + rates.root_h_m * facing_mm / 1000


def cleanup_hours(length_mm: float, on_show_mm: float, casts: int, rates: RatesBrief) -> float:
    """Hours to grind, fill and texture the joint on every cast of a run."""
    shown, hidden = on_show_mm / 1000, (length_mm - on_show_mm) / 1000
    return casts * (rates.cleanup_shown_h_m * shown + rates.cleanup_hidden_h_m * hidden)


def facing_hours(facing_mm: float, casts: int, rates: RatesBrief) -> float:
    """Hours that a joint over skin that faces the pull takes more, over so many casts: no edge hides it."""
    return casts * rates.facing_h_m * facing_mm / 1000


def joint_hours(length_mm: float, past_reach_mm: float, casts: int, rates: RatesBrief) -> float:
    """Hours to tape the halves of every cast together from the inside; past an arm's reach a metre takes longer."""
    metres = (length_mm + (rates.past_reach_factor - 1.0) * past_reach_mm) / 1000
    return casts * rates.joint_h_m * metres


def price_seam(seam: SeamMeasures, casts: int, rubber: RubberPrice, rates: RatesBrief) -> SeamPrice:
    """Hours and money of a seam over a run of `casts`.

    Clean-up, joint, risk, weight carried and peeling come with every cast; the wall and the fill come once. A line
    past the first costs its set-up. Linear in every measure but the first line, so that parts can be weighed alone.
    """
    litres = seam.fill_mm3 / 1e6
    cleanup = cleanup_hours(seam.length_mm, seam.on_show_mm, casts, rates)
    wall = wall_hours(seam.length_mm - seam.bent_mm, seam.bent_mm, seam.lines, rates, seam.facing_mm)
    joint = joint_hours(seam.length_mm, seam.past_reach_mm, casts, rates)
    risk = casts * rates.risk_shown_h_m * seam.on_show_mm / 1000
    facing = facing_hours(seam.facing_mm, casts, rates)
    clear = casts * rates.keep_clear_h_m * seam.keep_clear_mm / 1000
    carry = casts * rates.carry_h_kg * litres * rubber.kg_per_litre
    peel = casts * rates.peel_h_m2 * seam.locked_mm2 / 1e6
    overhang = casts * rates.overhang_h_m2 * seam.locked_mm2 / 1e6
    solid = casts * seam.solid_mm3 / 1e6
    rubber_cost = litres * rubber.per_litre
    tape_cost = casts * rates.joint_tape_cost_m * seam.length_mm / 1000
    solid_h, solid_cost = rates.solid_h_l * solid, rates.solid_cost_l * solid
    hours = cleanup + wall + joint + risk + facing + clear + carry + peel + overhang + solid_h
    return SeamPrice(
        cleanup, wall, joint, risk, facing, clear, carry, peel, overhang, solid_h, rubber_cost, tape_cost, solid_cost,
        rates.hourly_rate, hours, hours * rates.hourly_rate + rubber_cost + tape_cost + solid_cost,
    )  # fmt: skip


def unit_prices(casts: int, rubber: RubberPrice, rates: RatesBrief) -> UnitPrices:
    """`price_seam` of one mm, mm², mm³ or further line at a time."""

    def of(**measure: float) -> float:
        none = {"length_mm": 0.0, "on_show_mm": 0.0, "bent_mm": 0.0, "past_reach_mm": 0.0, "keep_clear_mm": 0.0}
        given = {**none, "lines": 1, "fill_mm3": 0.0, "locked_mm2": 0.0, **measure}
        return price_seam(SeamMeasures(**given), casts, rubber, rates).total  # type: ignore[arg-type]

    hidden = of(length_mm=1.0)
    return UnitPrices(
        shown_mm=of(length_mm=1.0, on_show_mm=1.0),
        hidden_mm=hidden,
        bent_mm=of(length_mm=1.0, bent_mm=1.0) - hidden,
        past_reach_mm=of(length_mm=1.0, past_reach_mm=1.0) - hidden,
        facing_mm=of(facing_mm=1.0),
        keep_clear_mm=of(keep_clear_mm=1.0),
        line=of(lines=2),
        fill_mm3=of(fill_mm3=1.0),
        locked_mm2=of(locked_mm2=1.0),
        solid_mm3=of(solid_mm3=1.0),
    )


def piece_price(rates: RatesBrief) -> float:
    """Money for a further glove piece and its jacket, beside the seam that parts it."""
    return rates.piece_h * rates.hourly_rate


def rate_assumptions(rates: RatesBrief, currency: str = "") -> tuple[Assumption, ...]:
    """Every rate with its mark."""
    money = f" {currency}".rstrip()
    practice = (
        ("clean-up of a joint on show", f"{rates.cleanup_shown_h_m:g} h a metre and cast"),
        ("clean-up of a joint out of sight", f"{rates.cleanup_hidden_h_m:g} h a metre and cast"),
        ("wall, flat", f"{rates.wall_h_m:g} h a metre"),
        ("wall, bent", f"{100 * rates.wall_bent_share:.0f} % more"),
        ("a further line of seam", f"{rates.wall_line_h:g} h"),
        ("wall's root turned square in clay", f"{rates.root_h_m:g} h a metre"),
        ("an arm's reach", f"{rates.reach_mm:g} mm"),
        ("joint past an arm's reach", f"{rates.past_reach_factor:g} times the hours"),
    )
    invented = (
        ("workshop hour", f"{rates.hourly_rate:g}{money}"),
        ("joint taped from the inside", f"{rates.joint_h_m:g} h a metre and cast"),
        ("joint tape, material", f"{rates.joint_tape_cost_m:g}{money} a metre and cast"),
        ("risk of doing a joint on show again", f"{rates.risk_shown_h_m:g} h a metre and cast"),
        ("joint over skin that faces the pull", f"{rates.facing_h_m:g} h more a metre and cast"),
        ("joint over a place to be kept clear", f"{rates.keep_clear_h_m:g} h more a metre and cast"),
        ("weight of fill carried", f"{rates.carry_h_kg:g} h a kg and cast"),
        ("glove worked out of undercuts", f"{rates.peel_h_m2:g} h a m² and cast"),
        ("lay-up under undercuts", f"{rates.overhang_h_m2:g} h a m² and cast"),
        ("a limb filled with resin in thin lifts", f"{rates.solid_h_l:g} h a litre and cast"),
        ("resin and filler of a filled limb", f"{rates.solid_cost_l:g}{money} a litre"),
        ("a further glove piece with its jacket", f"{rates.piece_h:g} h"),
    )
    return (
        *(Assumption(what, value, Mark.COMMON_PRACTICE) for what, value in practice),
        *(Assumption(what, value, Mark.INVENTED) for what, value in invented),
    )
