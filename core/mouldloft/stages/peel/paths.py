"""How a glove is pulled: where hands take hold of its rim, when, and which way each goes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

PathKind = Literal["straight", "wave", "side", "swing"]
Start = Literal["", "top", "foot", "left", "right", "front", "back"]
HAND_SPEED_MM_S = 450.0  # brisk for a person, slow beside the speed of sound in rubber (some 20 m/s): invented
# how fast the loosening runs along the rim, across the piece, and down it where the freed part is swung out of the way:
# hands walk it loose, so that little pulls at a time. Slower than the hands, what is lifted draws the rim out between
# them (a cap on a ball: 216 N at 500 mm/s round it, 342 straight, stuck at 250), but for a swing, which gives way (a
# figure of 450 mm: 815, 529 and 333 N at 1000, 333 and 125 mm/s)
_ROUND_MM_S, _ACROSS_MM_S, _DOWN_MM_S = 500.0, 250.0, 125.0
_GATHER_S = 0.25  # in which a hand gets up to its speed
# plan coordinates: the front looks towards −y, and left is the piece's own
_WAYS = {
    "top": (0.0, 0.0, 1.0), "foot": (0.0, 0.0, -1.0), "left": (1.0, 0.0, 0.0), "right": (-1.0, 0.0, 0.0),
    "front": (0.0, -1.0, 0.0), "back": (0.0, 1.0, 0.0),
}  # fmt: skip
_LEVEL = 0.5  # a pull with less of its way upward is level


@dataclass(frozen=True)
class PeelPath:
    """kind : all of the rim at once, a wave round it from `start`, across from one side on, or swung down."""

    kind: PathKind
    start: Start = ""

    @property
    def words(self) -> str:
        """As a person would say it after "comes off"."""
        at = {"top": "the top", "foot": "the foot", "left": "its left", "right": "its right"}.get(
            self.start, f"the {self.start}"
        )
        return {
            "straight": "straight, all round at once", "wave": f"from {at}, round the rim",
            "side": f"from {at} across", "swing": "swung down from the top",
        }[self.kind]  # fmt: skip


STRAIGHT = PeelPath("straight")


def paths_for(pull: np.ndarray) -> tuple[PeelPath, ...]:
    """The ways that are tried for a glove pulled along `pull` (3,), the straight one first."""
    x, y, z = (abs(float(c)) for c in pull)
    if z >= _LEVEL:
        starts: tuple[Start, ...] = ("left", "right", "front", "back")
        return STRAIGHT, *(PeelPath("wave", s) for s in starts), *(PeelPath("side", s) for s in starts)
    sides: tuple[Start, ...] = ("front", "back") if x > y else ("left", "right")
    return (
        STRAIGHT, PeelPath("swing", "top"), PeelPath("wave", "top"), *(PeelPath("wave", s) for s in sides),
        *(PeelPath("side", s) for s in sides),
    )  # fmt: skip


@dataclass(frozen=True, eq=False)
class Pull:
    """The hands' orders: delay_s : (h,) when each takes hold; way : (h, 3) unit, where it goes; reach_mm how far.

    axis, pivot_mm : for a path swung down, the (3,) level axis and a point on it; the hands then go round it instead.
    """

    delay_s: np.ndarray
    way: np.ndarray
    reach_mm: float
    axis: np.ndarray | None = None
    pivot_mm: np.ndarray | None = None

    def gone_mm(self, on_way_s: np.ndarray) -> np.ndarray:
        """How far hands have gone that were on their way so long, getting up to speed evenly."""
        t = np.maximum(on_way_s, 0.0)
        gathering = np.minimum(t, _GATHER_S)
        gone = HAND_SPEED_MM_S * (gathering**2 / (2 * _GATHER_S) + t - gathering)
        return np.minimum(gone, self.reach_mm)

    def targets(self, from_mm: np.ndarray, on_way_s: np.ndarray) -> np.ndarray:
        """(h, 3) where the hands want to be after (h,) seconds on their way, from where they took hold."""
        gone = self.gone_mm(on_way_s)
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
        """Until the last hand has gone all its way, if none is held up."""
        return float(self.delay_s.max()) + _GATHER_S + self.reach_mm / HAND_SPEED_MM_S


def pull_along(
    path: PeelPath, places_mm: np.ndarray, along_mm: np.ndarray, length_mm: float, pull: np.ndarray, reach_mm: float
) -> Pull:
    """What each hand does. places_mm : (h, 3) of the rim; along_mm : (h,) round it, of length_mm; pull : (3,) unit."""
    ways = np.tile(pull, (len(places_mm), 1))
    still = np.zeros(len(places_mm))
    if path.kind == "straight":
        return Pull(still, ways, reach_mm)
    ahead = places_mm @ np.array(_WAYS[path.start or "top"])
    if path.kind == "wave":
        from_start = (along_mm - along_mm[ahead.argmax()]) / length_mm
        return Pull(np.abs((from_start + 0.5) % 1.0 - 0.5) * length_mm / _ROUND_MM_S, ways, reach_mm)
    behind = ahead.max() - ahead
    if path.kind == "side":
        return Pull(behind / _ACROSS_MM_S, ways, reach_mm)
    axis = np.cross([0.0, 0.0, 1.0], pull)
    axis = axis / max(float(np.linalg.norm(axis)), 1e-9)
    low = places_mm[places_mm[:, 2].argmin()]
    return Pull(behind / _DOWN_MM_S, ways, 1.6 * float(np.ptp(places_mm[:, 2])) + reach_mm, axis, low)
