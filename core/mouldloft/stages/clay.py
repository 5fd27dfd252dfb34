"""The finished clay against its plan, as a plan made again from a scan carries it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class ClayPlace:
    """One place where the clay differs: middle (mm), area, largest distance (+ proud of the plan, − shy of it), volume
    between the two, how near the seam it comes (inf without a seam), and whether it locks."""

    middle_mm: tuple[float, float, float]
    area_mm2: float
    most_mm: float
    volume_mm3: float
    to_seam_mm: float
    locks: bool = False
    where: str = ""  # its place in words


@dataclass(frozen=True, eq=False)
class ClayDifference:
    """Scan against plan.

    off_mm : (n,) signed distance of each vertex of the scanned body from the planned surface, + outside.
    threshold_mm : what counts as a difference; noise_mm : the scanner's spread. patches : largest volume first.
    height_mm : scanned and planned. missing_mm2 : planned skin with no scan near it. told : how the scan was laid on
    the plan and closed, and what was carried over, in sentences.
    """

    off_mm: np.ndarray
    threshold_mm: float
    noise_mm: float
    patches: tuple[ClayPlace, ...]
    height_mm: tuple[float, float]
    volume_mm3: tuple[float, float]  # added and taken away
    missing_mm2: float
    told: tuple[str, ...] = ()
