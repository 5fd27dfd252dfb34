"""A master cut into sections, each moulded by itself: where it is cut, what each part is, what asks for it."""

from .measure import asks_of_whole
from .parts import brief_of_part, master_of_part
from .propose import propose_sections
from .record import Cut, Part, Sections

__all__ = ["Cut", "Part", "Sections", "asks_of_whole", "brief_of_part", "master_of_part", "propose_sections"]
