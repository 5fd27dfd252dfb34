"""A closed mesh with a name."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True, eq=False)
class Solid:
    """A closed mesh in plan coordinates. vertices_mm : (n, 3) float64; faces : (m, 3) int32, outward.

    kind : "master half", "glove" and "jacket" (each with its flange in one), "rib core" and "rib glass" (what covers
    them), "cradle board", "cradle rail" or "baseboard" (half of what stands in the cast's foot).
    """

    name: str
    kind: str
    vertices_mm: np.ndarray
    faces: np.ndarray
    volume_mm3: float
