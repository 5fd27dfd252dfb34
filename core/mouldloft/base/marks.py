"""Where a figure comes from. Every figure that is not geometry carries one of these marks."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Mark(StrEnum):
    """The standing of a figure."""

    PUBLISHED = "published"  # a source that can be looked up is named beside it
    COMMON_PRACTICE = "common practice, no source"
    MEMORY = "from memory, verify"
    INVENTED = "invented for the demo"


@dataclass(frozen=True)
class Assumption:
    """One figure the plan rests on: what it is, its value as text with unit, its mark and its source."""

    what: str
    value: str
    mark: Mark
    source: str = ""
