"""Stage seam: which piece owns each face, and the line between them."""

from .bounds import skin_bounds
from .costs import edge_prices, skin_areas_mm2
from .place import at_vertices, keep_clear_weights, line_along, place_seam, seam_assumptions
from .record import Seam, SeamFigures, SeamLine, SeamPiece

__all__ = [
    "Seam",
    "SeamFigures",
    "SeamLine",
    "SeamPiece",
    "at_vertices",
    "edge_prices",
    "keep_clear_weights",
    "line_along",
    "place_seam",
    "seam_assumptions",
    "skin_areas_mm2",
    "skin_bounds",
]
