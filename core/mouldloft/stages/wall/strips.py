"""Sheet bent along its rulings, and boards where these lie in a plane: the pieces of it, laid flat."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import pairwise

import numpy as np

from ...geometry.frame import PullFrame
from .records import Station, StationMark, WallPiece
from .rulings import STEP_MM, Rulings, lay_flat, shared_stretch

STRIP_LONGEST_MM = 900.0  # or board: what one pair of hands sets in place (common practice, no source)


def strip_cuts(run: Rulings) -> list[int]:
    """Numbers, along its whole line, of the rulings at which a stretch of strip begins, is cut and ends."""
    length = float(run.along_mm[-1] - run.along_mm[0])
    parts = max(int(np.ceil(length / STRIP_LONGEST_MM)), 1)
    return [run.first + round(v) for v in np.linspace(0, len(run.along_mm) - 1, parts + 1)]


def strip_pieces(
    run: Rulings, frame: PullFrame, gap_mm: float, width_mm: float, at: Mapping[tuple[int, int], Station], count: int
) -> list[WallPiece]:
    """The pieces of one stretch, without names. at : stations by line and ruling; count : rulings on the whole line."""
    made, kind = [], "board" if run.flat else "strip"
    cuts = strip_cuts(run)
    for first, last in pairwise(cuts):
        part = run.part(first - run.first, last - run.first)
        inner, outer = part.between(gap_mm, width_mm)
        flat_inner, flat_outer = _straightened(*lay_flat(inner, outer))
        marks = tuple(
            StationMark(at[run.line, k % count].number, _pair(flat_inner[k - first]), _pair(flat_outer[k - first]))
            for k in range(first, last + 1)
            if (run.line, k % count) in at
        )
        made.append(
            WallPiece(
                "", kind, run.line, np.concatenate([flat_inner, flat_outer[::-1]]), (), flat_inner, marks,
                float(shared_stretch(inner, outer).max()), flat_inner, flat_outer,
                frame.to_master(inner), frame.to_master(outer),
            )
        )  # fmt: skip
    return made


def _pair(point: np.ndarray) -> tuple[float, float]:
    return float(point[0]), float(point[1])


def _straightened(inner: np.ndarray, outer: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Turned so that the skin edge runs along x from end to end."""
    way = inner[-1] - inner[0]
    length = float(np.hypot(*way))
    if length < STEP_MM:
        return inner, outer
    c, s = way / length
    turn = np.array([[c, -s], [s, c]])
    return (inner - inner[0]) @ turn, (outer - inner[0]) @ turn
