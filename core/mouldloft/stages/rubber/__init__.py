"""Stage rubber: the glove's outside and what it takes."""

from .amounts import columns_hold, flange_areas_mm2, handled_edges_mm2, wall_areas_mm2
from .coats import FILL_LIFT_MM, coat_volumes_mm3
from .fixture import check_registration
from .flanges import lean_of, middle_lines, spaced_spots
from .glove import BOLT_OF_SEAM_MM, brush_rubber
from .look import GloveLook, look_at_gloves
from .record import Coat, Envelope, Fill, LoosePiece, Registration, RegistrationCheck, Rubber, RubberParts
from .rims import (
    OTHER_LINE_WITHIN,
    TOO_NEAR,
    covered,
    inside_of_jacket_mm,
    jacketed,
    on_parting,
    on_this_flange,
    over,
    points_along,
    rim_lines,
    seen_share,
    steps_along,
    widest_step_mm,
)
from .thickness import FADE

__all__ = [
    "BOLT_OF_SEAM_MM",
    "FADE",
    "FILL_LIFT_MM",
    "OTHER_LINE_WITHIN",
    "TOO_NEAR",
    "Coat",
    "Envelope",
    "Fill",
    "GloveLook",
    "LoosePiece",
    "Registration",
    "RegistrationCheck",
    "Rubber",
    "RubberParts",
    "brush_rubber",
    "check_registration",
    "coat_volumes_mm3",
    "columns_hold",
    "covered",
    "flange_areas_mm2",
    "handled_edges_mm2",
    "inside_of_jacket_mm",
    "jacketed",
    "lean_of",
    "look_at_gloves",
    "middle_lines",
    "on_parting",
    "on_this_flange",
    "over",
    "points_along",
    "rim_lines",
    "seen_share",
    "spaced_spots",
    "steps_along",
    "wall_areas_mm2",
    "widest_step_mm",
]
