"""More than two pieces, where two cost too much."""

from .answering import table_of, weigh_division, with_rubber
from .propose import Division, division_assumptions, propose_division
from .taken import seam_of_division, takes_division

__all__ = [
    "Division",
    "division_assumptions",
    "propose_division",
    "seam_of_division",
    "table_of",
    "takes_division",
    "weigh_division",
    "with_rubber",
]
