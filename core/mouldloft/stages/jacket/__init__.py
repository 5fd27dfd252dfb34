"""Stage jacket: the rigid shell over the glove."""

from .layup import jacket_assumptions, laminate_mm, lay_up_jacket
from .record import Jacket, JacketPiece, LoadCheck, Patch, Rib, Zone
from .shell import glove_columns, outside_with_keys

__all__ = [
    "Jacket",
    "JacketPiece",
    "LoadCheck",
    "Patch",
    "Rib",
    "Zone",
    "glove_columns",
    "jacket_assumptions",
    "laminate_mm",
    "lay_up_jacket",
    "outside_with_keys",
]
