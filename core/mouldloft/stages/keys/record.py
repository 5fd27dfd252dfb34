"""What the keys stage hands on."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ...base.intervals import Interval
from ..rubber import Rubber


@dataclass(frozen=True)
class Key:
    """A tapered tab standing on the glove's outside along the pull: a blended cone frustum."""

    name: str  # "L3"
    piece: int
    where: str  # "edge" or "middle"
    foot_mm: tuple[float, float, float]  # plan coordinates, on the glove's outside
    base_diameter_mm: float
    top_diameter_mm: float
    height_mm: float
    volume_mm3: float
    blend_mm: float = 0.0  # radius of the fillet at the root
    own: bool = False  # the user's, from the brief or moved by hand

    @property
    def reach_mm(self) -> float:
        """Radius of all it touches, its blend included."""
        return self.base_diameter_mm / 2.0 + _blend_run_mm(self)

    @property
    def taper_deg(self) -> float:
        """Angle of its side to the pull."""
        return float(np.degrees(np.arctan2(_side_run_mm(self), self.height_mm)))


@dataclass(frozen=True)
class FixtureCheck:
    """Is the glove of one piece held? stiffness is the smallest singular value of the key-face contact
    matrix, with turns scaled by the piece's radius of gyration, over the root of the key count; sag is that
    of the worst patch that nothing holds, the piece lying in its cradle and tipped as the brief says."""

    piece: int
    stiffness: float
    least_stiffness: float
    widest_gap_mm: float  # radius of the largest circle without a key, hanging or not
    sag_mm: float
    sag_limit_mm: float
    holds: bool
    reason: str
    gap_centre_mm: tuple[float, float, float] | None = None  # plan coordinates, where it sags most


@dataclass(frozen=True)
class Keys:
    """All keys and one check for each piece. notes: sentences on keys that stand badly or could not be
    set.
    """

    keys: tuple[Key, ...]
    checks: tuple[FixtureCheck, ...]
    notes: tuple[str, ...] = ()


def _side_run_mm(key: Key) -> float:
    return (key.base_diameter_mm - key.top_diameter_mm) / 2.0


def _blend_run_mm(key: Key) -> float:
    """Length along the foot (and along the side) from the sharp root to where the fillet touches."""
    side_angle = np.arctan2(key.height_mm, _side_run_mm(key))
    return float(key.blend_mm * np.tan(side_angle / 2.0))


def add_tabs(rubber: Rubber, keys: Keys) -> Rubber:
    """The same glove with its tabs' rubber counted: parts, measured volume, interval and the last coat."""
    tabs = [sum(k.volume_mm3 for k in keys.keys if k.piece == e.piece) for e in rubber.envelopes]
    total = float(sum(tabs))
    grown = rubber.volume_mm3
    scale = (grown.likely + total) / grown.likely
    coats = (*rubber.coats[:-1], replace(rubber.coats[-1], volume_mm3=rubber.coats[-1].volume_mm3 + total))
    return replace(
        rubber,
        parts=tuple(replace(part, tabs_mm3=float(tab)) for part, tab in zip(rubber.parts, tabs)),
        measured_volume_mm3=tuple(float(v + tab) for v, tab in zip(rubber.measured_volume_mm3, tabs)),
        volume_mm3=Interval(grown.low * scale, grown.likely + total, grown.high * scale, grown.causes),
        coats=coats,
    )
