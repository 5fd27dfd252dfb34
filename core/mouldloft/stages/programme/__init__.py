"""Stage 10, programme: what is done when, by how many, and what is mixed for it."""

from .days import first_day
from .mixes import Workshop, bolt_count, bolts_of, clamp_count, slot_count, split_into_batches, wedges_of
from .painting import colour_shares, colourway
from .plan import programme_assumptions, set_programme
from .record import RUN_PARTS, Batch, HoursLine, PersonHours, Programme, Task
from .work import KITS

__all__ = [
    "KITS",
    "RUN_PARTS",
    "Batch",
    "HoursLine",
    "PersonHours",
    "Programme",
    "Task",
    "Workshop",
    "bolt_count",
    "bolts_of",
    "clamp_count",
    "colour_shares",
    "colourway",
    "first_day",
    "programme_assumptions",
    "set_programme",
    "slot_count",
    "split_into_batches",
    "wedges_of",
]
