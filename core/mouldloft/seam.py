"""Stage 4, seam: which piece owns each face, and the line between them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .brief import SeamBrief
from .master import Master
from .opening import Opening
from .progress import SILENT, Progress
from .undercut import UndercutField


@dataclass(frozen=True, eq=False)
class SeamLine:
    """One run of the seam. points_mm : (k, 3) float, on the surface; a closed line does not repeat its first."""

    points_mm: np.ndarray
    closed: bool
    length_mm: float
    tightest_turn_mm: float  # smallest radius of the smoothed line
    flatness_mm: float  # greatest distance from its best plane
    show: float  # 0 hidden to 1 in full view, length-weighted


@dataclass(frozen=True, eq=False)
class SeamPiece:
    """One piece of the mould: its name, the way it comes off, the surface it covers."""

    name: str  # "left piece" ...
    pull: tuple[float, float, float]
    area_mm2: float  # without an open base


@dataclass(frozen=True, eq=False)
class SeamFigures:
    """What a seam costs, for setting the free one and the best plane side by side."""

    kind: str  # "plane" or "free"
    length_mm: float
    on_show_mm: float  # length weighted by how much it shows
    piece_locked_area_mm2: float
    fill_mm3: float
    loops: int


@dataclass(frozen=True, eq=False)
class Seam:
    """The split. labels : (m,) int8, index into pieces for each face of the master."""

    kind: str
    labels: np.ndarray
    pieces: tuple[SeamPiece, ...]
    lines: tuple[SeamLine, ...]
    plane_offset_mm: float  # of the plane, or of the plane nearest to the free seam
    length_mm: float
    figures: SeamFigures
    alternative: SeamFigures | None  # the other kind, for comparison
    taking_off: tuple[str, ...]  # order of coming off, by piece name
    notes: tuple[str, ...] = ()


def place_seam(
    master: Master,
    opening: Opening,
    field: UndercutField,
    brief: SeamBrief,
    progress: Progress = SILENT,
) -> Seam:
    """Split the master along the chosen direction. Raises `PlanImpossible` where the brief's line cannot split."""
    raise NotImplementedError
