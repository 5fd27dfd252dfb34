"""How deep a fill is where it is thick: what is deep and thick is heavy, cures slowly and hardly stretches."""

from __future__ import annotations

import numpy as np

from ...geometry.thickcells import deepest_mm
from ...trade.answers import THIN_FILL_MM
from .lattice import PieceCells


def fill_of_pieces(blocks: PieceCells) -> np.ndarray:
    """int8 (the lattice's shape): whose fill each cell is, -1 where there is none."""
    return np.where(blocks.fill, blocks.owner, -1).astype(np.int8)


def deepest_fill_mm(fill: np.ndarray, pulls: np.ndarray, pitch_mm: float) -> float:
    """Longest column of a piece's fill along its pull, to a cell; 0 where nothing is filled.

    fill : as `fill_of_pieces`. Only where it is thick all round counts: a web no thicker than `THIN_FILL_MM` cures and
    bends as a skin does.
    """
    return max((deepest_mm(fill == k, pull, pitch_mm, THIN_FILL_MM) for k, pull in enumerate(pulls)), default=0.0)
