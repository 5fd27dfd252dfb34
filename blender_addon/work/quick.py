"""The quick map under the hand: the master made ready once, colours by number, snapping of directions."""

from __future__ import annotations

import weakref
from collections.abc import Iterable
from typing import Any

import numpy as np

SNAP_DEG = 10.0  # a named direction nearer than this is taken
STEP_DEG = 15.0  # else azimuth and elevation in steps of this
_ready: tuple[weakref.ref, Any] | None = None


def mapper_for(master: Any) -> Any:
    """The core's quick mapper of a master; the last one is kept for as long as its master is."""
    from mouldloft.stages.quickmap import quick_mapper

    global _ready
    if _ready is None or _ready[0]() is not master:
        made = quick_mapper(master)
        _ready = (weakref.ref(master, _let_go), made)
    return _ready[1]


def _let_go(_: Any) -> None:
    global _ready
    _ready = None


def forget() -> None:
    """Drop what was made ready."""
    _let_go(None)


def quick(master: Any, direction: Iterable[float]) -> Any:
    """The core's quick map of a direction."""
    from mouldloft.stages.quickmap import quick_map

    return quick_map(mapper_for(master), np.asarray(tuple(direction), float))


def _unit(direction: Iterable[float]) -> np.ndarray:
    d = np.asarray(tuple(direction), float)
    return d / max(float(np.linalg.norm(d)), 1e-12)


def snapped(direction: Iterable[float], named: Iterable[Iterable[float]]) -> tuple[float, float, float]:
    """The nearest axis or named direction, either way round; where none is near, a whole step of azimuth and
    elevation. direction : (3,) any length, in plan axes."""
    d = _unit(direction)
    axes = [*np.eye(3), *(_unit(other) for other in named)]
    known = np.array([*axes, *(-axis for axis in axes)])
    along = known @ d
    best = int(np.argmax(along))
    if along[best] >= np.cos(np.radians(SNAP_DEG)):
        found = known[best]
    else:
        step = np.radians(STEP_DEG)
        turn = np.round(np.arctan2(d[1], d[0]) / step) * step
        rise = np.round(np.arcsin(np.clip(d[2], -1.0, 1.0)) / step) * step
        found = np.array([np.cos(rise) * np.cos(turn), np.cos(rise) * np.sin(turn), np.sin(rise)])
    x, y, z = np.round(found, 9) + 0.0
    return float(x), float(y), float(z)


def on_sphere(
    eye: Iterable[float], sight: Iterable[float], centre: Iterable[float], radius: float, before: Iterable[float]
) -> tuple[float, float, float]:
    """Direction from the centre to where a line of sight meets the sphere, on the side nearer to the direction before;
    where it passes by, to the rim. All in one set of axes."""
    e, s, b = np.asarray(tuple(eye), float) - np.asarray(tuple(centre), float), _unit(sight), _unit(before)
    along = float(e @ s)
    off = e - along * s  # nearest the line comes to the centre
    inside = radius**2 - float(off @ off)
    if inside <= 0.0:
        found = _unit(off)
    else:
        half = np.sqrt(inside)
        ends = [_unit(off - half * s), _unit(off + half * s)]
        found = max(ends, key=lambda end: float(end @ b))
    return float(found[0]), float(found[1]), float(found[2])


def turned_about(direction: Iterable[float], axis: Iterable[float], angle: float) -> tuple[float, float, float]:
    """A direction turned about an axis by an angle in radians (Rodrigues)."""
    d, k = np.asarray(tuple(direction), float), _unit(axis)
    made = d * np.cos(angle) + np.cross(k, d) * np.sin(angle) + k * float(k @ d) * (1.0 - np.cos(angle))
    return float(made[0]), float(made[1]), float(made[2])
