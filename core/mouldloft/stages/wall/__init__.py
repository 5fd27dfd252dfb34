"""Stage wall: the parting surface and the wall built to it."""

from .build import build_wall, wall_assumptions
from .joints import parting_of
from .records import Station, Wall, WallPiece
from .surface import PartingSurface, parting_heights, parting_surface

__all__ = [
    "PartingSurface",
    "Station",
    "Wall",
    "WallPiece",
    "build_wall",
    "parting_heights",
    "parting_of",
    "parting_surface",
    "wall_assumptions",
]
