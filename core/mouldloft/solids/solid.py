"""A closed mesh with a name."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from ..base.errors import PlanImpossible
from ..geometry.manifold import as_manifold


@dataclass(frozen=True, eq=False)
class Solid:
    """A closed mesh in plan coordinates. vertices_mm : (n, 3) float64; faces : (m, 3) int32, outward.

    kind : "master half", "glove" and "jacket" (each with its flange in one), "loose piece", "rib core" and "rib
    glass" (what covers them), "cradle board", "cradle rail" or "baseboard" (half of what stands in the cast's foot).
    """

    name: str
    kind: str
    vertices_mm: np.ndarray
    faces: np.ndarray
    volume_mm3: float


def manifold_of(vertices_mm: np.ndarray, faces: np.ndarray, name: str) -> Any:
    """The mesh as a manifold3d solid. Raises `PlanImpossible` where it is no closed manifold."""
    solid = as_manifold(vertices_mm, faces)
    if solid is None:
        mend = "mend the mesh in your sculpting program, or make a new surface over it."
        raise PlanImpossible(f"No solids can be made: {name} is no closed manifold; {mend}")
    return solid
