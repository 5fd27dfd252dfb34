"""More than two pieces, where two cost too much."""

from .answering import weigh_division
from .propose import Division, division_assumptions, propose_division, seam_of_division, takes_division

__all__ = [
    "Division",
    "division_assumptions",
    "propose_division",
    "seam_of_division",
    "takes_division",
    "weigh_division",
]
