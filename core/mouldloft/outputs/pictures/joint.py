"""The joint as bodies to look at: bead and domes between the rubbers, wedges between the glass."""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from ...geometry.polyline import spaced_out
from ...solids.shapes import joined, pin
from ...solids.slots import slots_of
from ...stages.plan import MouldPlan

_SIDES = 6
_STEP_MM = 12.0


def ridge_mesh(plan: MouldPlan, at: int) -> tuple[np.ndarray, np.ndarray]:
    """Bead and domes of the rubber of piece `at`: of two the last one's, of more the domes that are its own."""
    held = plan.rubber.registration
    if held is None or held.dome_between is None:
        return bead_mesh(plan) if at == 1 else joined(())
    return bead_mesh(plan, held.dome_between[:, 1] == at)


def bead_mesh(plan: MouldPlan, which: np.ndarray | None = None) -> tuple[np.ndarray, np.ndarray]:
    """The bead's course as a round bar half as wide, and the domes as discs; nothing where there is neither. which :
    (n,) bool, of the domes; all of them where left out."""
    held, section = plan.rubber.registration, plan.rubber.built_to
    if held is None:
        return joined(())
    pull = plan.rubber.envelopes[0].frame.pull
    parts = []
    for line in held.lines_mm:
        points = spaced_out(line, False, _STEP_MM)
        for one, other in pairwise(points):
            long = float(np.linalg.norm(other - one))
            if long > 0:
                parts.append(pin((one + other) / 2.0, other - one, section.bead_width_mm / 4.0, long, _SIDES))
    count = len(held.domes_mm)
    axes = np.tile(pull, (count, 1)) if held.dome_axes is None else held.dome_axes
    high = np.full(count, section.dome_height_mm) if held.dome_heights_mm is None else held.dome_heights_mm
    for k in np.arange(count) if which is None else np.flatnonzero(which):
        parts.append(pin(held.domes_mm[k], axes[k], section.dome_diameter_mm / 2.0, float(high[k]), 3 * _SIDES))
    return joined(parts)


def wedge_mesh(plan: MouldPlan, at: int) -> tuple[np.ndarray, np.ndarray]:
    """The wedges in the slots of piece `at`, which its jacket was laid over; only the last of two has any."""
    if len(plan.rubber.envelopes) != 2 or at != 1:
        return joined(())
    return joined(slots_of(plan.rubber.envelopes[at], plan.jacket.pieces[at].wedge_points_mm).meshes(0.0))
