"""Rails that keep a cradle's boards upright: two on edge the length of the frame, halved into every board they pass."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np

HEIGHT_MM = 80.0  # common practice
LEAST_HEIGHT_MM = 30.0  # goes under the lowest place of any jacket
PLAY_MM = 0.5  # common practice: a slot is this much wider than the board that goes into it
INSET_MM = 20.0  # common practice: wood left outside a slot
WOOD_MM = 25.0  # common practice: of a board left over its slot
CLEAR_MM = 10.0  # common practice: between rail and jacket
OVERHANG_MM = 30.0  # common practice: of a rail past its last board
LONGEST_MM = 2300.0  # cut from one sheet as sold; a longer one is two that meet in a board's slot


def _no_outline() -> np.ndarray:
    return np.zeros((0, 2))


@dataclass(frozen=True, eq=False)
class Rail:
    """A rail on edge. outline_mm : (k, 2) float, closed, to cut: x along the piece from its end, y up from the floor,
    slots cut from its top. start_mm, across_mm : its end along the piece and its near face across it, in the pull
    frame. boards : names of those that sit in its slots, in their order."""

    name: str
    piece: int
    start_mm: float
    across_mm: float
    thickness_mm: float
    boards: tuple[str, ...] = ()
    outline_mm: np.ndarray = field(default_factory=_no_outline)

    @property
    def length_mm(self) -> float:
        return float(np.ptp(self.outline_mm[:, 0]))

    @property
    def height_mm(self) -> float:
        return float(np.ptp(self.outline_mm[:, 1]))


def with_slots(outline_mm: np.ndarray, slots_mm: Sequence[tuple[float, float, float]]) -> np.ndarray:
    """An outline that begins along the floor, with slots (start, width, depth) cut up from it."""
    cut = [(x, y) for at, wide, deep in sorted(slots_mm)
           for x, y in ((at, 0.0), (at, deep), (at + wide, deep), (at + wide, 0.0))]  # fmt: skip
    return np.concatenate([outline_mm[:1], np.array(cut).reshape(-1, 2), outline_mm[1:]])


def rail_places(
    starts_mm: Sequence[float], ends_mm: Sequence[float], thickness_mm: float
) -> tuple[tuple[float, float], ...]:
    """(from, to) across the piece of both rails: inside the narrowest board by `INSET_MM`; none without two boards."""
    if len(starts_mm) < 2:
        return ()
    left, right = max(starts_mm) + INSET_MM, min(ends_mm) - INSET_MM
    if right - left < 3.0 * thickness_mm:
        return ()
    return ((left, left + thickness_mm), (right - thickness_mm, right))


def rail_height_mm(tops_mm: np.ndarray, clear_mm: float) -> float:
    """Height of rails, whole millimetres: under the jacket, no taller than a board, and wood is left over its slots.

    tops_mm : of the boards over their slots; clear_mm : lowest place of the jacket over a rail. All from the floor.
    """
    top = float(np.min(tops_mm))
    most = min(HEIGHT_MM, top, clear_mm - CLEAR_MM, 2.0 * (top - WOOD_MM))
    return float(max(np.floor(most + 1e-6), LEAST_HEIGHT_MM))


def make_rails(
    places_mm: Sequence[tuple[float, float]],
    stations_mm: np.ndarray,
    names: Sequence[str],
    height_mm: float,
    thickness_mm: float,
    named: Callable[[int], str],
    piece: int,
) -> tuple[Rail, ...]:
    """Every rail with its slots. names : of the boards at the stations; named : a rail's name by its number."""
    half = (thickness_mm + PLAY_MM) / 2.0
    made: list[Rail] = []
    cuts = _joined_at(stations_mm)
    for low, _ in places_mm:
        for first, last in pairwise(cuts):
            own = stations_mm[first : last + 1]
            start = float(own[0]) - (thickness_mm / 2.0 + OVERHANG_MM if first == 0 else 0.0)
            end = float(own[-1]) + (thickness_mm / 2.0 + OVERHANG_MM if last == len(stations_mm) - 1 else 0.0)
            at = own - start
            outline = _slotted(end - start, height_mm, at - half, at + half)
            name = named(len(made) + 1)
            made.append(Rail(name, piece, start, low, thickness_mm, tuple(names[first : last + 1]), outline))
    return tuple(made)


def _joined_at(stations_mm: np.ndarray) -> list[int]:
    """Numbers of the boards a rail begins, is joined and ends at."""
    whole = float(stations_mm[-1] - stations_mm[0]) + 2.0 * OVERHANG_MM
    parts = int(np.ceil(whole / LONGEST_MM))
    marks = np.rint(np.linspace(0, len(stations_mm) - 1, parts + 1)).astype(int)
    return [int(k) for k in np.unique(marks)]


def _slotted(length: float, height: float, left: np.ndarray, right: np.ndarray) -> np.ndarray:
    """A rectangle with slots from its top to half its height; one that runs past an end is open there."""
    top = [(length, height)]
    for a, b in sorted(zip(left, right, strict=True), reverse=True):
        a, b = max(float(a), 0.0), min(float(b), length)
        top += [(b, height), (b, height / 2.0), (a, height / 2.0), (a, height)]
    top.append((0.0, height))
    corners = [(0.0, 0.0), (length, 0.0), *top]
    kept = [p for k, p in enumerate(corners) if np.hypot(p[0] - corners[k - 1][0], p[1] - corners[k - 1][1]) > 1e-9]
    # past an end of the rail there is nothing over the slot
    return np.array([p for p in kept if not (p[1] == height and _on_slot(p[0], length, left, right))])


def _on_slot(x: float, length: float, left: np.ndarray, right: np.ndarray) -> bool:
    ends = x in (0.0, length)
    return bool(ends and ((left < x + 1e-9) & (right > x - 1e-9)).any())
