"""Stage answers: what is done where two pieces lock much or one mould is too large, in one table."""

from .record import Answers
from .weigh import weigh_ways

__all__ = ["Answers", "weigh_ways"]
