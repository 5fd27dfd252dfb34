"""Stage jacket: the rigid shell over the glove."""

from .layup import flange_mm, foot_flange_mm, jacket_assumptions, laminate_mm, lay_up_jacket
from .record import ONE_PLACE_MM, Jacket, JacketPiece, LoadCheck, LooseShell, Patch, Rib, Zone
from .zones import glove_columns, outside_with_keys

__all__ = [
    "ONE_PLACE_MM",
    "Jacket",
    "JacketPiece",
    "LoadCheck",
    "LooseShell",
    "Patch",
    "Rib",
    "Zone",
    "flange_mm",
    "foot_flange_mm",
    "glove_columns",
    "jacket_assumptions",
    "laminate_mm",
    "lay_up_jacket",
    "outside_with_keys",
]
