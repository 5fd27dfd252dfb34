"""The glove in coats as they are brushed."""

from __future__ import annotations

import itertools

import numpy as np

from ...inputs.materials import RubberMaterial
from ...trade.thickness import ThicknessRule
from .record import Coat, Rubber

FILL_LIFT_MM = 20.0  # common practice: as much of an undercut's fill as sets at once
LAST_COATS = 2  # common practice: brushed over fill and built-up edges


def split_into_coats(
    rule: ThicknessRule,
    rubber_material: RubberMaterial,
    total_mm3: float,
    area_mm2: float,
    half_mm3: float,
    full_mm3: float,
    wall_mm2: float = 0.0,
) -> tuple[Coat, ...]:
    """Brushed coats, each over skin and wall face (`wall_mm2`), edge to edge: a print coat over the true skin, even
    build coats, and before the last two of them what fills undercuts and builds up edges (common practice).

    No coat is thicker than the catalogue says it stands on a wall. The skin's volume by thickness is the quadratic
    through nothing, half and full thickness (Steiner's formula to its second term).
    """
    t = rule.skin_mm
    b = (full_mm3 - 2 * half_mm3) / (t * t / 2)
    a = full_mm3 / t - b * t
    first = min(rubber_material.print_coat_mm, t)
    count = int(np.ceil((t - first) / rubber_material.build_coat_mm - 1e-9))
    ends = np.append(0.0, np.linspace(first, t, count + 1))
    coats = [Coat("print coat", first, (area_mm2 + wall_mm2) * first, False)]
    for k, (inner, outer) in enumerate(itertools.pairwise(ends[1:].tolist()), 1):
        volume = (a + wall_mm2) * (outer - inner) + b * (outer**2 - inner**2)
        coats.append(Coat(f"build coat {k}", outer - inner, volume, True))
    used = sum(coat.volume_mm3 for coat in coats)
    fill = Coat(f"undercut fill in lifts of {FILL_LIFT_MM:.0f} mm, edges", 0.0, max(total_mm3 - used, 0.0), True)
    coats.insert(max(len(coats) - LAST_COATS, 1), fill)
    return tuple(coats)


def coat_volumes_mm3(rubber: Rubber, at: int) -> tuple[float, ...]:
    """What each coat takes on piece `at`: coats of a thickness by the pieces' skins, the filling one what is left of
    each piece, so that a coat adds up over the pieces and a piece over its coats."""
    skins = np.array([part.skin_mm3 for part in rubber.parts])
    share = skins / skins.sum() if skins.sum() > 0 else np.full(len(skins), 1 / len(skins))
    wholes = np.array([part.total_mm3 for part in rubber.parts])
    wholes = wholes + (rubber.volume_mm3.likely - wholes.sum()) * share  # detail still to be carved goes by skin
    spread = sum(coat.volume_mm3 for coat in rubber.coats if coat.thickness_mm > 0)
    left = np.maximum(wholes - spread * share, 0.0)
    fill = left / left.sum() if left.sum() > 0 else share
    return tuple(float(c.volume_mm3 * (share if c.thickness_mm > 0 else fill)[at]) for c in rubber.coats)
