"""How a glove is pulled: where hands take hold of its rim, when, and which way each goes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

PathKind = Literal["straight", "wave", "side", "top"]
HAND_SPEED_MM_S = 700.0  # brisk for a person, slow beside the speed of sound in rubber (some 20 m/s): invented
_WAVE_MM_S = 2500.0  # how fast the loosening runs along the rim


@dataclass(frozen=True)
class PeelPath:
    """kind : all of the rim at once, a wave round it from `start` (a share of the rim's length), from one side on (start
    is then an angle's share of a turn), or swung down from the top."""

    kind: PathKind
    start: float = 0.0

    @property
    def words(self) -> str:
        """As a person would say it."""
        return {
            "straight": "all round at once", "wave": "round the rim from one place", "side": "from one side",
            "top": "down from the top",
        }[self.kind]  # fmt: skip


@dataclass(frozen=True, eq=False)
class Pull:
    """The hands' orders: delay_s : (h,) when each takes hold; way : (h, 3) unit, where it goes; reach_mm how far.

    swing : for a path swung down, the (3,) level axis and a point on it; the hands then go round it instead.
    """

    delay_s: np.ndarray
    way: np.ndarray
    reach_mm: float
    axis: np.ndarray | None = None
    pivot_mm: np.ndarray | None = None

    def targets(self, from_mm: np.ndarray, t: float) -> np.ndarray:
        """(h, 3) where the hands want to be at time t, from where they took hold."""
        gone = np.clip((t - self.delay_s) * HAND_SPEED_MM_S, 0.0, self.reach_mm)
        if self.axis is None or self.pivot_mm is None:
            return from_mm + self.way * gone[:, None]
        arm = from_mm - self.pivot_mm
        arm = arm - (arm @ self.axis)[:, None] * self.axis
        radius = np.maximum(np.linalg.norm(arm, axis=1), 100.0)
        angle = np.minimum(gone / radius, np.radians(130.0))
        turned = np.cos(angle)[:, None] * arm + np.sin(angle)[:, None] * np.cross(self.axis, arm)
        return from_mm + (turned - arm) + self.way * np.minimum(0.3 * gone, 250.0)[:, None]

    @property
    def seconds(self) -> float:
        """Until the last hand has gone all its way."""
        return float(self.delay_s.max()) + self.reach_mm / HAND_SPEED_MM_S


def pull_along(path: PeelPath, places_mm: np.ndarray, along: np.ndarray, length_mm: float, pull: np.ndarray,
               reach_mm: float) -> Pull:  # fmt: skip
    """What each hand does. places_mm : (h, 3) of the rim; along : (h,) mm round it, of length_mm; pull : (3,) unit."""
    ways = np.tile(pull, (len(places_mm), 1))
    still = np.zeros(len(places_mm))
    if path.kind == "straight":
        return Pull(still, ways, reach_mm)
    if path.kind == "wave":
        away = np.abs((along / length_mm - path.start + 0.5) % 1.0 - 0.5) * length_mm
        return Pull(away / _WAVE_MM_S, ways, reach_mm)
    if path.kind == "side":
        across = np.cross(pull, [0.0, 0.0, 1.0])
        across = across / max(np.linalg.norm(across), 1e-9) * np.cos(2 * np.pi * path.start)
        off = places_mm @ across
        return Pull((off - off.min()) / _WAVE_MM_S * 2, ways, reach_mm)
    axis = np.cross([0.0, 0.0, 1.0], pull)
    if np.linalg.norm(axis) < 0.3:  # pulled upward: there is no top to swing from
        return Pull(still, ways, reach_mm)
    axis = axis / np.linalg.norm(axis)
    low = places_mm[places_mm[:, 2].argmin()]
    down = places_mm[:, 2].max() - places_mm[:, 2]
    return Pull(down / _WAVE_MM_S * 2, ways, 1.6 * float(np.ptp(places_mm[:, 2])) + reach_mm, axis, low)
