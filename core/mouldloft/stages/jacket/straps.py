"""Straps round a mould of more than two pieces, where its joints are held by neither bolt nor clamp."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial import ConvexHull

from ..rubber import Rubber
from ..seam import Seam
from .record import Jacket
from .unheld import Unheld, unheld_stretches

STRAP_EVERY_MM = 300.0  # along a joint (common practice, no source)
STRAP_M = 5.0  # of one as sold; two are joined where the way round is longer
_TAIL_MM = 500.0  # through the ratchet, and a hand's hold
_SLICE_MM = 60.0  # of the jackets, either side of a strap


@dataclass(frozen=True)
class Strap:
    """One strap. height_mm : of a level one; None over the top. round_mm : the way round gloves and flanges."""

    height_mm: float | None
    round_mm: float

    @property
    def count(self) -> int:
        """Straps as sold that go round."""
        return int(np.ceil((self.round_mm + _TAIL_MM) / (1000.0 * STRAP_M)))


def straps_for(jacket: Jacket, rubber: Rubber, seam: Seam) -> tuple[Strap, ...]:
    """Level straps over the heights where joints rise, each for all joints that it crosses, and over the top for
    stretches that run level."""
    bare = unheld_stretches(jacket, rubber, seam)
    if not bare:
        return ()
    outside = _outside_mm(rubber)
    level = [Strap(high, _round_mm(outside, high)) for high in _heights([one for one in bare if _rises(one)])]
    flat = sum(one.long_mm for one in bare if not _rises(one))
    over = max(_hull_mm(outside[:, [k, 2]]) for k in (0, 1))
    return (*level, *[Strap(None, over)] * int(np.ceil(flat / STRAP_EVERY_MM)))


def _rises(one: Unheld) -> bool:
    return abs(one.end_mm[2] - one.start_mm[2]) > 0.5 * one.long_mm


def _heights(bare: list[Unheld]) -> list[float]:
    """Heights of level straps: spread evenly over every band of heights that some joint is bare at, one at least."""
    bands: list[list[float]] = []
    for low, high in sorted(tuple(sorted((one.start_mm[2], one.end_mm[2]))) for one in bare):
        if bands and low <= bands[-1][1] + STRAP_EVERY_MM / 2:
            bands[-1][1] = max(bands[-1][1], high)
        else:
            bands.append([low, high])
    found: list[float] = []
    for low, high in bands:
        count = max(int(np.ceil((high - low) / STRAP_EVERY_MM)), 1)
        found += (low + (np.arange(count) + 0.5) / count * (high - low)).tolist()
    return found


def _outside_mm(rubber: Rubber) -> np.ndarray:
    """(k, 3) places on the gloves' outsides, over which the jackets lie."""
    parts = []
    for envelope in rubber.envelopes:
        grid = envelope.grid
        i, j = np.nonzero(np.isfinite(envelope.outer_mm))
        at = np.column_stack([grid.x()[j], grid.y()[i], envelope.outer_mm[i, j]])
        parts.append(envelope.frame.to_master(at))
    return np.concatenate(parts)


def _round_mm(outside: np.ndarray, height_mm: float) -> float:
    near = outside[np.abs(outside[:, 2] - height_mm) < _SLICE_MM]
    return _hull_mm((near if len(near) > 3 else outside)[:, :2])


def _hull_mm(points: np.ndarray) -> float:
    """The way round the points of a plane, tight."""
    return float(ConvexHull(points).area)  # of two dimensions: its perimeter
