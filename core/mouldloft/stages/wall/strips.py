"""Sheet bent along its rulings, and boards where these lie in a plane: the pieces of it, laid flat."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import pairwise

import numpy as np

from ...geometry.frame import PullFrame
from .records import Station, StationMark, WallPiece
from .rulings import STEP_MM, Rulings, lay_flat, shared_stretch
from .stations import STATION_MM

STRIP_LONGEST_MM = 900.0  # or board: what one pair of hands sets in place (common practice, no source)
SET_WITHIN_MM = 1.5  # off the wall, a strip set by its stations (common practice, no source: of the 2 it is built to)


def strip_cuts(run: Rulings) -> list[int]:
    """Numbers, along its whole line, of the rulings at which a stretch of strip begins, is cut and ends."""
    length = float(run.along_mm[-1] - run.along_mm[0])
    parts = max(int(np.ceil(length / STRIP_LONGEST_MM)), 1)
    return [run.first + round(v) for v in np.linspace(0, len(run.along_mm) - 1, parts + 1)]


def strip_stations(run: Rulings, gap_mm: float, width_mm: float) -> list[int]:
    """Numbers, along its whole line, of the rulings of a stretch of strip that are stations: where it is cut, and
    the fewest between, as even as may be, no further apart than `STATION_MM` and closer where it bends or twists.

    Sheet held at two stations bends of its own between them, more or less than it should. How far it can go is taken
    as how far a panel that does not bend at all, cut to the same edge and held at both, keeps to the strip as
    calculated: to `SET_WITHIN_MM`.
    """
    found: set[int] = set()
    for first, last in pairwise(strip_cuts(run)):
        part = run.part(first - run.first, last - run.first)
        bent = np.stack(part.between(gap_mm, width_mm), axis=1)
        flat = np.stack(lay_flat(bent[:, 0], bent[:, 1]), axis=1)
        apart = part.along_mm[None] - part.along_mm[:, None]
        held = apart <= STATION_MM + 1e-6
        for steps in range(2, len(bent)):
            at = np.flatnonzero(np.diagonal(held, steps))
            if not len(at):
                break
            held[at, at + steps] = _panel_off_mm(bent, flat, at, steps) <= SET_WITHIN_MM
        found |= {first + k for k in _fewest(held, apart)}
    return sorted(found)


def _panel_off_mm(bent: np.ndarray, flat: np.ndarray, at: np.ndarray, steps: int) -> np.ndarray:
    """How far, at most, the skin edge of a flat panel stands off a bent strip's, between two rulings it is held at.

    bent : (k, 2, 3) and flat : (k, 2, 2) ends of its rulings, bent and laid flat; at : (j,) the first ruling of each
    panel, held there and so many steps further. Returns (j,) mm.
    """
    rows = at[:, None] + np.arange(steps + 1)
    panel, strip = np.pad(flat, ((0, 0), (0, 0), (0, 1)))[rows], bent[rows]
    of_panel, of_strip = (ends[:, [0, -1]].reshape(-1, 4, 3) for ends in (panel, strip))
    a, b = of_panel.mean(axis=1, keepdims=True), of_strip.mean(axis=1, keepdims=True)
    # the turn that lays four corners nearest to four others (Kabsch 1976)
    u, _, vt = np.linalg.svd(np.swapaxes(of_panel - a, 1, 2) @ (of_strip - b))
    u[:, :, 2] *= np.sign(np.linalg.det(u @ vt))[:, None]
    laid = (panel[:, :, 0] - a) @ (u @ vt) + b
    return np.linalg.norm(laid - strip[:, :, 0], axis=2).max(axis=1)


def _fewest(held: np.ndarray, apart: np.ndarray) -> list[int]:
    """The fewest rulings from the first to the last, of those ways the most even.

    held : (k, k) bool, may the second be the next after the first? apart : (k, k) mm from one to the other.
    """
    count = len(held)
    best, before = [(0, 0.0)], [0]
    for k in range(1, count):
        # the next ruling always may be
        tries = [
            (best[j][0] + 1, best[j][1] + float(apart[j, k]) ** 2, j) for j in range(k) if held[j, k] or j == k - 1
        ]
        number, uneven, j = min(tries)
        best.append((number, uneven))
        before.append(j)
    found = [count - 1]
    while found[-1] > 0:
        found.append(before[found[-1]])
    return found[::-1]


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
