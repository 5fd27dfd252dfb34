"""Stage jacket: the rigid shell over the glove."""

from .layup import flange_mm, foot_flange_mm, jacket_assumptions, laminate_mm, lay_up_jacket
from .record import ONE_PLACE_MM, Jacket, JacketPiece, LoadCheck, LooseShell, Patch, Rib, Zone
from .straps import STRAP_EVERY_MM, STRAP_M, Strap, straps_for
from .unheld import LEANS, NARROW, RUBBER, THREE, Unheld, unheld_stretches
from .zones import glove_columns, outside_with_keys

__all__ = [
    "LEANS",
    "NARROW",
    "ONE_PLACE_MM",
    "RUBBER",
    "STRAP_EVERY_MM",
    "STRAP_M",
    "THREE",
    "Jacket",
    "JacketPiece",
    "LoadCheck",
    "LooseShell",
    "Patch",
    "Rib",
    "Strap",
    "Unheld",
    "Zone",
    "flange_mm",
    "foot_flange_mm",
    "glove_columns",
    "jacket_assumptions",
    "laminate_mm",
    "lay_up_jacket",
    "outside_with_keys",
    "straps_for",
    "unheld_stretches",
]
