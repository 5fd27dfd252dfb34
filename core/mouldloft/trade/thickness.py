"""How thick the rubber is, by the size of the piece and the length of the run."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..base.figures import counted
from ..base.marks import Mark
from ..inputs.brief import RubberBrief


@dataclass(frozen=True)
class ThicknessRule:
    """What is brushed where. All mm."""

    skin_mm: float
    edge_mm: float
    band_mm: float
    flange_width_mm: float
    flange_mm: float
    reason: str


def choose_thickness(height_mm: float, casts: int, brief: RubberBrief) -> ThicknessRule:
    """Rubber thickness by the size of the piece and the length of the run.

    Skin: 5 mm, and 1.5 mm for each metre of height, and 1 mm each time the run doubles, to the next half millimetre;
    edge: half as thick again; handling band: five edge thicknesses, at least 40 mm; flange: 40 mm and 20 mm for each
    metre, as thick as the edge. [common practice, no source: thicker for size, for the run and where it is handled; the
    coefficients are ours] The brief overrides each.
    """
    metres = height_mm / 1000.0
    ruled = np.ceil(2 * (5.0 + 1.5 * metres + np.log2(max(casts, 1)))) / 2
    skin = brief.skin_thickness_mm or float(ruled)
    edge = max(brief.edge_thickness_mm or 1.5 * skin, skin)
    band = max(5 * edge, 40.0) if brief.edge_band_mm is None else brief.edge_band_mm
    flange = brief.flange_thickness_mm or edge
    width = brief.flange_width_mm or float(np.ceil((40 + 20 * metres) / 5) * 5)
    how = "by the brief" if brief.skin_thickness_mm else f"by rule for {height_mm:.0f} mm and {counted(casts, 'cast')}"
    reason = (
        f"{skin:.3g} mm skin {how}, {edge:.3g} mm within {band:.3g} mm of the seam where it is handled "
        f"({Mark.COMMON_PRACTICE.value})"
    )
    return ThicknessRule(skin, edge, band, width, flange, reason)
