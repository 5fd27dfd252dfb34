"""What the seam stage hands on: lines, pieces, what a seam measures and costs, which limits it keeps."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ...trade.price import SeamPrice


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
    """What is measured of a seam.

    on_show_mm : length weighted by how much it shows. bent_mm : of it, what leaves the seam's plane by more than a
    board bears. past_reach_mm : what is joined further than an arm's reach from the open foot. keep_clear_mm : what
    runs over places to keep clear, weighted. loops : lines, those that end at an open foot included; forced_lines :
    how few there can be, by the body's holes and parts. fairness_mm : how far the line leaves a smooth one within a
    hand's width. tightest_turn_mm : smallest radius over the surface. solid_mm3 : limbs of
    a cast that nobody can lay up, so that they are filled. facing_mm : length over skin that faces the pull, weighted.
    """

    kind: str  # "plane", "relief", "free", "own"; "joints" of more than two pieces
    length_mm: float
    on_show_mm: float
    piece_locked_area_mm2: float
    fill_mm3: float
    loops: int
    bent_mm: float = 0.0
    past_reach_mm: float = 0.0
    keep_clear_mm: float = 0.0
    forced_lines: int = 1
    fairness_mm: float = 0.0
    tightest_turn_mm: float = 0.0
    solid_mm3: float = 0.0
    facing_mm: float = 0.0


@dataclass(frozen=True)
class SeamLimits:
    """What a seam may not break, and whether it does.

    unseen_mm2, out_of_reach_mm2 : skin of the halves that cannot be seen, or seen but not reached, from its own
    opening. stretch, stretch_allowed : the glove's worst strain and what its rubber bears; overstretched_mm2 : skin
    where it is over. heaviest_kg : glove, jacket and wet cast of the heavier half; lift_limit_kg : what its hands may
    lift. broken : a sentence for each limit that is not kept. excess : by how much, 0 where all are kept.
    """

    unseen_mm2: float
    out_of_reach_mm2: float
    stretch: float
    stretch_allowed: float
    overstretched_mm2: float
    heaviest_kg: float
    lift_limit_kg: float
    broken: tuple[str, ...]
    excess: float

    @property
    def kept(self) -> bool:
        return not self.broken


@dataclass(frozen=True, eq=False)
class SeamCandidate:
    """One seam beside the others, measured and priced. labels : (m,) int8, the piece of each face of the master."""

    kind: str
    lines: tuple[SeamLine, ...]
    labels: np.ndarray
    figures: SeamFigures
    price: SeamPrice
    limits: SeamLimits
    chosen: bool
    reason: str


@dataclass(frozen=True, eq=False)
class Seam:
    """The split. labels : (m,) int8, index into pieces for each face of the master.

    level_mm : (n,) float, a field on the master's vertices that is positive on piece 0 and whose zero line is
    the seam; near the seam its value is about the distance from it. None of more than two pieces.
    candidates : the seams it was chosen from, itself first; none of more than two pieces.
    """

    kind: str  # "plane", "relief", "free", "own"; "joints" of more than two pieces
    labels: np.ndarray
    pieces: tuple[SeamPiece, ...]
    lines: tuple[SeamLine, ...]
    plane_offset_mm: float  # of the plane, or of the plane nearest to the free seam
    length_mm: float
    figures: SeamFigures
    alternative: SeamFigures | None  # the next one, for comparison
    taking_off: tuple[str, ...]  # order of coming off, by piece name
    notes: tuple[str, ...] = ()
    level_mm: np.ndarray | None = None
    candidates: tuple[SeamCandidate, ...] = ()
