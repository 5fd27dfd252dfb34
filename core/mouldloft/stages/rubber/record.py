"""What the rubber stage hands on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ...base.intervals import Interval
from ...geometry.frame import PullFrame


@dataclass(frozen=True, eq=False)
class Envelope:
    """One glove piece as a column image along its pull. All maps are (rows, columns) float32 in the pull frame,
    row i at y = origin_mm[1] + i * pixel_mm, column j at x = origin_mm[0] + j * pixel_mm (pixel centres); values
    are z along the pull, NaN where there is nothing.

    parting_mm : the parting surface, everywhere on the grid.
    filled_mm : top of the master's columns with locks filled (NaN outside its outline).
    outer_mm : the glove's outside before keys, over body and flange (NaN beyond the rubber).
    flange : bool, pixels of flange (outer - parting is the flange thickness there).
    open_base : bool, pixels where the rubber ends at the open base: no rubber outside it, no jacket over it.
    of_many : one of more than two pieces, whose pulls need not be level nor opposed.
    """

    piece: int
    name: str
    frame: PullFrame
    origin_mm: tuple[float, float]
    pixel_mm: float
    parting_mm: np.ndarray
    filled_mm: np.ndarray
    outer_mm: np.ndarray
    flange: np.ndarray
    open_base: np.ndarray
    of_many: bool = False


@dataclass(frozen=True)
class RubberParts:
    """Rubber volume of one piece by cause, mm³; tabs are added once keys are placed."""

    skin_mm3: float
    lock_fill_mm3: float
    edge_mm3: float
    draft_mm3: float
    flange_mm3: float
    tabs_mm3: float = 0.0
    handling_mm3: float = 0.0  # where the brief says it is handled

    @property
    def total_mm3(self) -> float:
        return sum(volume for _, volume in self.by_cause)

    @property
    def by_cause(self) -> tuple[tuple[str, float], ...]:
        """Each cause in the workshop's words, with its volume, in the order of the work."""
        return (
            ("skin", self.skin_mm3),
            ("lock fill", self.lock_fill_mm3),
            ("edge", self.edge_mm3),
            *((("handling points", self.handling_mm3),) if self.handling_mm3 > 0 else ()),
            ("draft", self.draft_mm3),
            ("flange", self.flange_mm3),
            ("keys", self.tabs_mm3),
        )


@dataclass(frozen=True)
class Coat:
    """One brushed layer: its build, what it is for, and the volume it takes over all pieces."""

    name: str  # "print coat", "build coat 1", ...
    thickness_mm: float
    volume_mm3: float
    thickened: bool


@dataclass(frozen=True, eq=False)
class Rubber:
    """The glove. volumes in mm³ without waste; masses follow in take-off from the catalogue's density."""

    skin_thickness_mm: float
    edge_thickness_mm: float
    edge_band_mm: float
    flange_width_mm: float
    flange_thickness_mm: float
    thickness_reason: str
    envelopes: tuple[Envelope, ...]
    parts: tuple[RubberParts, ...]  # one for each envelope
    measured_volume_mm3: tuple[float, ...]  # from the final columns, independent of the parts
    volume_mm3: Interval
    coats: tuple[Coat, ...]
    min_thickness_mm: float  # true 3-D, measured on the outside
    thickness_quantiles_mm: tuple[float, ...]  # 5, 25, 50, 75, 95 %

    @property
    def skin_m2(self) -> float:
        """Skin under the print coat, detail allowance in."""
        first = self.coats[0]
        return first.volume_mm3 / first.thickness_mm * 1e-6
