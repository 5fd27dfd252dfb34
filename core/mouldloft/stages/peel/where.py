"""Where on the body something happens as its glove comes off, as a person would call it out."""

from __future__ import annotations

import numpy as np

from ..master import Master
from ..places import places_of
from ..undercut import where_on_piece


def called(point_mm: np.ndarray, master: Master) -> str:
    """'left ear, 1310 mm up'; by sides where the body has no names."""
    places = places_of(master)
    name = places.at(point_mm)[0] if places.known else ""
    return f"{name}, {round(float(point_mm[2]) / 10) * 10:.0f} mm up" if name else where_on_piece(point_mm, master)
