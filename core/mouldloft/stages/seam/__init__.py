"""Stage seam: which piece owns each face, and the line between them."""

from .bounds import skin_bounds
from .costs import skin_areas_mm2
from .draw import line_along, measures_of
from .features import Feature, KeepClearProposal, find_features, weights_of
from .free import line_price
from .ground import at_vertices, know_place
from .pairs import price_openings
from .place import keep_clear_weights, place_seam, proposed_features, seam_assumptions
from .reasons import KIND_NAMES
from .record import Seam, SeamCandidate, SeamFigures, SeamLimits, SeamLine, SeamPiece

__all__ = [
    "KIND_NAMES",
    "Feature",
    "KeepClearProposal",
    "Seam",
    "SeamCandidate",
    "SeamFigures",
    "SeamLimits",
    "SeamLine",
    "SeamPiece",
    "at_vertices",
    "find_features",
    "keep_clear_weights",
    "know_place",
    "line_along",
    "line_price",
    "measures_of",
    "place_seam",
    "price_openings",
    "proposed_features",
    "seam_assumptions",
    "skin_areas_mm2",
    "skin_bounds",
    "weights_of",
]
