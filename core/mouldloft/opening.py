"""Stage 3, opening: the direction in which the mould comes apart."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class SymmetryPlane:
    """Best mirror plane of the master. mismatch is the mean mirror distance over the body's diagonal."""

    normal: tuple[float, float, float]
    offset_mm: float
    mismatch: float
    is_symmetric: bool


@dataclass(frozen=True)
class Candidate:
    """One direction with its trouble, term by term. cost is the weighted sum; lower is better."""

    direction: tuple[float, float, float]
    offset_mm: float  # best plane along the direction: points with p . d = offset
    origin: str  # "search", "symmetry plane", "principal axis 1", "brief"
    locked_area_mm2: float
    locked_fraction: float
    fill_mm3: float
    fill_fraction: float  # of the master's volume
    pull_depth_mm: float
    balance: float  # smaller piece's share of the skin, 0 to 0.5
    show: float  # share of the section line that stands on show, 0 to 1
    cost: float
    reason: str  # one sentence


@dataclass(frozen=True)
class Opening:
    """The chosen direction, the ranked others, and the symmetry that was found."""

    chosen: Candidate
    candidates: tuple[Candidate, ...]  # ranked, chosen included
    symmetry: SymmetryPlane
    directions_tried: int
