"""Stage rubber: the glove's outside and what it takes."""

from .glove import brush_rubber, coat_volumes_mm3, flange_areas_mm2, wall_areas_mm2
from .record import Coat, Envelope, Rubber, RubberParts
from .rims import (
    OTHER_LINE_WITHIN,
    TOO_NEAR,
    covered,
    on_parting,
    on_this_flange,
    over,
    points_along,
    rim_lines,
    seen_share,
    steps_along,
    widest_step_mm,
)

__all__ = [
    "OTHER_LINE_WITHIN",
    "TOO_NEAR",
    "Coat",
    "Envelope",
    "Rubber",
    "RubberParts",
    "brush_rubber",
    "coat_volumes_mm3",
    "covered",
    "flange_areas_mm2",
    "on_parting",
    "on_this_flange",
    "over",
    "points_along",
    "rim_lines",
    "seen_share",
    "steps_along",
    "wall_areas_mm2",
    "widest_step_mm",
]
