"""More than two pieces, where two cost too much."""

from .answering import measure_two, weigh_division
from .propose import Division, division_assumptions, propose_division
from .taken import seam_of_division, takes_division

__all__ = [
    "Division",
    "division_assumptions",
    "measure_two",
    "propose_division",
    "seam_of_division",
    "takes_division",
    "weigh_division",
]
