"""Stage 8, cradle: the timber frame a piece lies in so that it cannot rock."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True, eq=False)
class Board:
    """A profile board. outline_mm : (k, 2) float, closed outline to cut, x along the board, y up from the floor."""

    name: str
    piece: int
    station_mm: float
    outline_mm: np.ndarray
    thickness_mm: float


@dataclass(frozen=True)
class TiltCheck:
    """Distance of the centre of mass's plumb line inside the support polygon at a working tilt."""

    tilt_deg: float
    margin_mm: float
    passes: bool


@dataclass(frozen=True, eq=False)
class CradlePiece:
    """The cradle for one jacket piece. cut_list rows: (name, count, length_mm, width_mm, thickness_mm)."""

    piece: int
    boards: tuple[Board, ...]
    support_polygon_mm: tuple[tuple[float, float], ...]
    tilts: tuple[TiltCheck, ...]
    cut_list: tuple[tuple[str, int, float, float, float], ...]


@dataclass(frozen=True, eq=False)
class Cradle:
    pieces: tuple[CradlePiece, ...]
    advice: tuple[str, ...]
