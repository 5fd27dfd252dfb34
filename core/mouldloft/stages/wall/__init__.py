"""Stage wall: the parting surface and the wall built to it."""

from .boards import Wall, build_wall, wall_assumptions
from .joints import parting_of
from .surface import parting_heights

__all__ = [
    "Wall",
    "build_wall",
    "parting_heights",
    "parting_of",
    "wall_assumptions",
]
