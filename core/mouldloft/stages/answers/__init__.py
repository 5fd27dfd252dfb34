"""Stage answers: what is done where two pieces lock much or one mould is too large, in one table."""

from .record import Answers
from .weigh import measure_loose, recommended_kind, weigh_ways

__all__ = ["Answers", "measure_loose", "recommended_kind", "weigh_ways"]
