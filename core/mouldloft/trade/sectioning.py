"""What it costs to mould a sculpture in sections, how a spigot is proportioned, what a van takes. No meshes here."""

from __future__ import annotations

import math
from dataclasses import dataclass

from ..base.marks import Assumption, Mark
from ..inputs.brief import RatesBrief, SectionsBrief
from .price import cleanup_hours, joint_hours

SPIGOT_DEPTH_SHARE = 0.5  # of its narrower width
LEAST_SPIGOT_DEPTH_MM, MOST_SPIGOT_DEPTH_MM = 12.0, 80.0
SPIGOT_FLAT = (
    0.7  # of its half width: where the flat stands that keeps it from turning, or going in the wrong way round
)


@dataclass(frozen=True)
class SectionPrice:
    """Hours and money of cutting a master into sections, over the run: what the cuts alone cost, beside the moulds of
    the sections. making_h : once; joint_h, cleanup_h : over all casts."""

    making_h: float
    joint_h: float
    cleanup_h: float
    tape_cost: float
    hours: float
    total: float


def price_sections(
    joint_mm: float, on_show_mm: float, cuts: int, casts: int, rates: RatesBrief, brief: SectionsBrief
) -> SectionPrice:
    """Price of cuts whose lines are joint_mm long in all, of which on_show_mm shows (weighted, 0 to 1).

    Each cut is sawn, faced and given its spigot once; on every cast its joint is bonded like any other and made good.
    """
    making = brief.cut_h * cuts
    joint = joint_hours(joint_mm, 0.0, casts, rates)
    clean = cleanup_hours(joint_mm, on_show_mm, casts, rates)
    tape = casts * rates.joint_tape_cost_m * joint_mm / 1000
    hours = making + joint + clean
    return SectionPrice(making, joint, clean, tape, hours, hours * rates.hourly_rate + tape)


def hatch_price(hatches: int, hatch_h: float, casts: int, rates: RatesBrief) -> float:
    """Money of so many hatches in every cast, hatch_h person-hours each."""
    return hatches * hatch_h * casts * rates.hourly_rate


def spigot_depth_mm(narrower_mm: float) -> float:
    """Half of the spigot's narrower width, between 12 and 80 mm (common practice)."""
    return min(max(SPIGOT_DEPTH_SHARE * narrower_mm, LEAST_SPIGOT_DEPTH_MM), MOST_SPIGOT_DEPTH_MM)


def spigot_inset_mm(wall_mm: float, brief: SectionsBrief) -> float:
    """How far inside the section's outline the spigot stands: the cast's wall on the part that goes over it, and the
    gap for the bond."""
    return wall_mm + brief.spigot_gap_mm


def taper_mm(depth_mm: float, draft_deg: float) -> float:
    """How much narrower a side stands at the end of a drafted spigot."""
    return depth_mm * math.tan(math.radians(draft_deg))


def fits_van(size_mm: tuple[float, float, float], van_mm: tuple[float, float, float]) -> bool:
    """Whether a box goes through a van's door and into its hold, turned as it may be. Both as three sides."""
    return all(mine <= its for mine, its in zip(sorted(size_mm), sorted(van_mm)))


def sectioning_assumptions(brief: SectionsBrief) -> tuple[Assumption, ...]:
    """The figures that sections rest on, with their marks."""
    rule, own = Mark.COMMON_PRACTICE, Mark.INVENTED
    depths = f"{LEAST_SPIGOT_DEPTH_MM:g} to {MOST_SPIGOT_DEPTH_MM:g} mm"
    return (
        Assumption("depth of a spigot", f"half its narrower width, {depths}", rule),
        Assumption("draft of a spigot", f"{brief.spigot_draft_deg:g}°", rule),
        Assumption("gap for the bond round a spigot", f"{brief.spigot_gap_mm:g} mm", rule),
        Assumption("van: door and hold", " x ".join(f"{side:g}" for side in brief.van_mm) + " mm", rule),
        Assumption("a cut sawn, faced and given its spigot", f"{brief.cut_h:g} h", own),
    )
