"""What a section's skin is called: the names and features of the whole sculpt, carried over to the part cut off it.

A part by itself is no whole figure: an ear's lower half is no chest, and two dents in it are no eyes.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree


@dataclass(frozen=True, eq=False)
class Feature:
    """A region to keep clear: a ball, or what lies about a course. kind : "eye", "nose", "mouth", "fingers" or
    "lettering"."""

    name: str  # "left eye" ...
    kind: str
    centre_mm: tuple[float, float, float]
    radius_mm: float
    sureness: float  # 0 to 1
    course_mm: tuple[tuple[float, float, float], ...] = ()  # along the middle of a row of letters

    def away_mm(self, points_mm: np.ndarray) -> np.ndarray:
        """(n,) how far (n, 3) points lie from its middle."""
        middle = np.array(self.course_mm or (self.centre_mm,))
        return cKDTree(middle).query(np.atleast_2d(points_mm))[0]


@dataclass(frozen=True, eq=False)
class NamedSkin:
    """Names over a section. points_mm : (k, 3) float64 in its own coordinates, codes : (k,) int32 into words, the name
    at each. features : those of the whole that lie on it. known : whether the whole has names. far_end : what the end
    away from its cut is called, "" where it is no limb."""

    points_mm: np.ndarray
    codes: np.ndarray
    words: tuple[str, ...]
    features: tuple[Feature, ...]
    known: bool
    far_end: str = ""
