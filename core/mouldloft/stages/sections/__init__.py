"""A master cut into sections, each moulded by itself: where it is cut, what each part is, what asks for it."""

from .propose import propose_sections
from .record import Cut, Part, Sections

__all__ = ["Cut", "Part", "Sections", "propose_sections"]
