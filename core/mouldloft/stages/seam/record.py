"""What the seam stage hands on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True, eq=False)
class SeamLine:
    """One run of the seam. points_mm : (k, 3) on the surface; a closed line does not repeat its first."""

    points_mm: np.ndarray
    closed: bool
    length_mm: float
    tightest_turn_mm: float  # smallest radius of the smoothed line
    flatness_mm: float  # greatest distance from its best plane
    show: float  # 0 hidden to 1 in full view, length-weighted
    between: tuple[int, int] = (0, 1)  # the pieces it parts


@dataclass(frozen=True, eq=False)
class SeamPiece:
    """One piece of the mould: its name, the way it comes off, the surface it covers."""

    name: str  # "left piece" ...
    pull: tuple[float, float, float]
    area_mm2: float  # without an open base


@dataclass(frozen=True, eq=False)
class SeamFigures:
    """What a seam costs, for setting the free one and the best plane side by side."""

    kind: str  # "plane" or "free"
    length_mm: float
    on_show_mm: float  # length weighted by how much it shows
    piece_locked_area_mm2: float
    fill_mm3: float
    loops: int
    trouble_mm2: float = 0.0  # all of it by the brief's rates, in mm² of locked skin; lower is better


@dataclass(frozen=True, eq=False)
class Seam:
    """The split. labels : (m,) int8, index into pieces for each face of the master.

    level_mm : (n,) float, a field on the master's vertices that is positive on piece 0 and whose zero line is
    the seam; near the seam its value is about the distance from it. None of more than two pieces.
    """

    kind: str  # "plane", "free", "own"; "joints" of more than two pieces
    labels: np.ndarray
    pieces: tuple[SeamPiece, ...]
    lines: tuple[SeamLine, ...]
    plane_offset_mm: float  # of the plane, or of the plane nearest to the free seam
    length_mm: float
    figures: SeamFigures
    alternative: SeamFigures | None  # the other kind, for comparison
    taking_off: tuple[str, ...]  # order of coming off, by piece name
    notes: tuple[str, ...] = ()
    level_mm: np.ndarray | None = None
