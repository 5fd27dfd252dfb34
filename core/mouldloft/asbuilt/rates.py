"""What the log says of the plan's figures: used against planned, as a factor with the interval its number allows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import stats

_SURE = 0.95


@dataclass(frozen=True)
class Factor:
    """Used over planned: the likely factor with its 95 % interval for the mean, from `observations` entries.

    low and high are the mean's; spread is one entry's standard deviation about it. With one entry the interval is
    not known and low = high = likely.
    """

    likely: float
    low: float
    high: float
    spread: float
    observations: int

    @property
    def differs(self) -> bool:
        """Is the difference from the plan more than the entries' own scatter explains?"""
        return self.observations > 1 and not self.low <= 1.0 <= self.high


def fit_factor(used: Sequence[float], planned: Sequence[float]) -> Factor | None:
    """The factor used / planned of paired entries; None without any.

    Student's t for the mean of the entries' own factors: each entry counts the same, whatever its size, since a
    person's habit is a share (W. S. Gosset, "The probable error of a mean", 1908; from memory, verify).
    """
    wanted = np.asarray(planned, float)
    have = np.asarray(used, float)
    counts = np.isfinite(have) & (wanted > 0)
    ratios = have[counts] / wanted[counts]
    if not len(ratios):
        return None
    mean = float(ratios.mean())
    if len(ratios) == 1:
        return Factor(mean, mean, mean, 0.0, 1)
    spread = float(ratios.std(ddof=1))
    half = float(stats.t.ppf(0.5 + _SURE / 2, len(ratios) - 1)) * spread / np.sqrt(len(ratios))
    return Factor(mean, mean - half, mean + half, spread, len(ratios))
