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


def bead_mesh(plan: MouldPlan) -> tuple[np.ndarray, np.ndarray]:
    """The bead's course as a round bar half as wide, and the domes as discs; nothing where there is neither."""
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
    for dome in held.domes_mm:
        parts.append(pin(dome, pull, section.dome_diameter_mm / 2.0, section.dome_height_mm, 3 * _SIDES))
    return joined(parts)


def wedge_mesh(plan: MouldPlan, at: int) -> tuple[np.ndarray, np.ndarray]:
    """The wedges in the slots of piece `at`, which its jacket was laid over; only the last of two has any."""
    if len(plan.rubber.envelopes) != 2 or at != 1:
        return joined(())
    return joined(slots_of(plan.rubber.envelopes[at], plan.jacket.pieces[at].wedge_points_mm).meshes(0.0))
