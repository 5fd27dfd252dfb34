"""Numbered stations along the seam: where a person measures, and where pieces of the wall begin and end."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from itertools import pairwise
from math import ceil

import numpy as np

from ...geometry.frame import PullFrame, as_point
from .records import Station
from .rulings import Rulings

STATION_MM = 80.0  # between stations, at most (common practice, no source)


def station_rulings(rulings: Rulings, ends: Iterable[int]) -> list[int]:
    """Numbers of the rulings of one seam line that are stations: the given ends, and even steps between them."""
    count = len(rulings.along_mm)
    fixed = sorted({int(e) % count for e in ends} | ({0} if rulings.closed else {0, count - 1}))
    every = max(int(STATION_MM / float(np.diff(rulings.along_mm).max()) + 1e-3), 1)
    found: list[int] = []
    stops = [*fixed, count + fixed[0]] if rulings.closed else fixed
    for first, last in pairwise(stops):
        parts = max(ceil((last - first) / every), 1)
        found += [round(v) for v in np.linspace(first, last, parts + 1)[:-1]]
    if not rulings.closed:
        found.append(count - 1)
    return sorted({k % count for k in found})


def numbered(
    lines: Sequence[tuple[Rulings, Sequence[int]]],
    frame: PullFrame,
    gap_mm: float,
    width_mm: float,
    over: Callable[[np.ndarray, np.ndarray], np.ndarray],
    before: int = 0,
) -> dict[tuple[int, int], Station]:
    """Stations by line and ruling, numbered through over all lines, on from `before`. over : heights of the parting
    surface over x, y."""
    made: dict[tuple[int, int], Station] = {}
    for rulings, at in lines:
        inner, outer = rulings.between(gap_mm, width_mm)
        for edge in (inner, outer):
            edge[:, 2] = over(edge[:, 0], edge[:, 1])
        for k in at:
            on_seam, skin, rim = (frame.to_master(p[k][None])[0] for p in (rulings.on_seam_mm, inner, outer))
            made[rulings.line, k] = Station(
                number=before + len(made) + 1,
                line=rulings.line,
                along_mm=float(rulings.along_mm[k]),
                on_seam_mm=as_point(on_seam),
                inner_mm=as_point(skin),
                outer_mm=as_point(rim),
                towards_mm=float(outer[k, 2] - inner[k, 2]),
            )
    return made
