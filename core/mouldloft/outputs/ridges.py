"""What brings the rubbers back on each other in words: bead and domes, and of several pieces which carry how many."""

from __future__ import annotations

import numpy as np

from ..base.figures import counted, metres, mm
from ..stages.plan import MouldPlan
from ..stages.rubber import Registration
from ..trade.section import JointSection


def ridge_words(plan: MouldPlan, at: int) -> str:
    """What the rubber of piece `at` carries into its neighbours': the bead of two pieces, or the domes of several."""
    held, section = plan.rubber.registration, plan.rubber.built_to
    if held is None:
        return ""
    if held.dome_between is not None and held.dome_heights_mm is not None:
        high = held.dome_heights_mm[held.dome_between[:, 1] == at]
        return f"Domes between the rubbers: {counted(len(high), 'dome')} {sizes_words(high, section)}"
    said = f"Bead between the rubbers, {metres(held.bead_length_mm)}, {mm(section.bead_width_mm)} wide"
    return f"{said}, {counted(len(held.domes_mm), 'dome')}" if len(held.domes_mm) else said


def sizes_words(heights_mm: np.ndarray, section: JointSection) -> str:
    """Across and high, as '20 × 5 mm' or '20 × 5 to 8 mm'."""
    high = " to ".join(f"{h:g}" for h in dict.fromkeys((float(heights_mm.min()), float(heights_mm.max()))))
    return f"{section.dome_diameter_mm:g} × {high} mm"


def dome_line(plan: MouldPlan, held: Registration) -> str:
    """The domes of several pieces, joint by joint and size by size, and how much of the joints' length they serve."""
    if held.dome_between is None or held.dome_heights_mm is None or not len(held.domes_mm):
        return "none: nowhere do the sides of one stand clear of both pulls, with room for it on both flanges"
    far, domes = f"{plan.rubber.built_to.bead_from_skin_mm:.0f} mm from the skin", counted(len(held.domes_mm), "dome")
    section, names = plan.rubber.built_to, [e.name for e in plan.rubber.envelopes]
    joints = []
    for one, other in np.unique(held.dome_between, axis=0):
        high = held.dome_heights_mm[(held.dome_between == (one, other)).all(axis=1)]
        sizes = zip(*np.unique(high, return_counts=True), strict=True)
        each = " and ".join(f"{count} of {section.dome_diameter_mm:g} × {h:g} mm" for h, count in sizes)
        joints.append(f"{names[one]} to {names[other]} {each}")
    served = f"they serve {100 * held.share:.0f} % of the joints' length"
    return f"{domes}, {far}, {served}: {'; '.join(joints)}"
