"""Stage peel: whether the glove comes off the cast, by mechanics, and how it is peeled."""

from .playing import played
from .record import AirPocket, Peel, PeeledGlove, PeelMotion, TriedPeel, Verdict
from .runs import peel_assumptions, peel_gloves
from .verdict import is_gentle

__all__ = [
    "AirPocket",
    "Peel",
    "PeelMotion",
    "PeeledGlove",
    "TriedPeel",
    "Verdict",
    "is_gentle",
    "peel_assumptions",
    "peel_gloves",
    "played",
]
