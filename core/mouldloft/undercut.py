"""Stage 2, undercut: which surface is free along a pull, which locks, how deep, and what fills it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True, eq=False)
class UndercutField:
    """Freedom of every face along +d and -d.

    free_plus, free_minus : (m,) float32, share of the face that a straight pull along +d (-d) frees (0 to 1;
        faces larger than the sample spacing carry several samples). draft_deg : (m,) float32, asin(n . d).
    """

    direction: tuple[float, float, float]
    free_plus: np.ndarray
    free_minus: np.ndarray
    draft_deg: np.ndarray
    locked_area_mm2: float  # neither pull frees it: locks anything rigid
    locked_fraction: float  # of the skin area
    method: str
    disagreement_fraction: float  # area where ray and depth-map methods differ, over the skin area


@dataclass(frozen=True, eq=False)
class LockRegion:
    """One connected patch that its piece's pull does not free."""

    name: str  # by position: "left side, 620 mm up"
    piece: int
    area_mm2: float
    depth_mm: float  # greatest, across the pull
    stretch: float  # greatest strain the glove needs to pass, 0.4 = 40 %
    fill_mm3: float  # rubber that fills it so that the jacket comes off
    centre_mm: tuple[float, float, float]
    height_mm: float
    faces: np.ndarray  # (k,) int32


@dataclass(frozen=True, eq=False)
class Locks:
    """The three questions, apart: rigid (area), rubber (stretch), jacket (fill).

    depth_mm, stretch, fill_mm : (m,) float32 per face, 0 where free. fill_mm is the height, along the pull, of the
    rubber column that hangs from the face.
    """

    regions: tuple[LockRegion, ...]  # ranked, worst first
    rigid_area_mm2: float  # neither pull frees it
    piece_locked_area_mm2: float  # its own piece's pull does not free it
    fill_mm3: float
    worst_stretch: float
    stretch_allowed: float
    elongation_at_break: float
    depth_mm: np.ndarray
    stretch: np.ndarray
    fill_mm: np.ndarray
