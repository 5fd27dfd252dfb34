"""Stage 10, programme: what is done when, by how many, and what is mixed for it."""

from .days import first_day
from .mixes import Workshop, bolt_count, bolts_of, part_of, slot_count, split_into_batches
from .plan import programme_assumptions, set_programme
from .record import RUN_PARTS, Batch, HoursLine, Programme, Task

__all__ = [
    "RUN_PARTS",
    "Batch",
    "HoursLine",
    "Programme",
    "Task",
    "Workshop",
    "bolt_count",
    "bolts_of",
    "first_day",
    "part_of",
    "programme_assumptions",
    "set_programme",
    "slot_count",
    "split_into_batches",
]
