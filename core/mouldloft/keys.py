"""Stage 6, keys: tabs that bring the glove back to its place in the jacket, checked as a fixture."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Key:
    """A tapered tab standing on the glove's outside along the pull: a blended cone frustum."""

    name: str  # "L3"
    piece: int
    where: str  # "edge" or "middle"
    foot_mm: tuple[float, float, float]  # plan coordinates, on the glove's outside
    base_diameter_mm: float
    top_diameter_mm: float
    height_mm: float
    volume_mm3: float


@dataclass(frozen=True)
class FixtureCheck:
    """Is the glove of one piece held? stiffness is the smallest singular value of the key-face contact matrix, with
    turns scaled by the piece's radius of gyration, over the root of the key count; sag is that of the largest
    patch without a key under its own weight."""

    piece: int
    stiffness: float
    least_stiffness: float
    widest_gap_mm: float  # radius of the largest circle without a key
    sag_mm: float
    sag_limit_mm: float
    holds: bool
    reason: str


@dataclass(frozen=True)
class Keys:
    """All keys and one check for each piece."""

    keys: tuple[Key, ...]
    checks: tuple[FixtureCheck, ...]
