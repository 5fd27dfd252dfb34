"""The edges of a glove that hands pull at: its flanges, and the thickened band behind them."""

from __future__ import annotations

from .amounts import flange_areas_mm2
from .record import Rubber


def handled_edges_mm2(rubber: Rubber) -> tuple[float, ...]:
    """Area of every piece's handled edges: the flange, and the band along it that is as thick as the edge."""
    wide = 1.0 + rubber.edge_band_mm / max(rubber.flange_width_mm, 1e-9)
    return tuple(area * wide for area in flange_areas_mm2(rubber))
