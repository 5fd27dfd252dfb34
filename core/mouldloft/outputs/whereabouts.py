"""Where a place is, so that a person with a tape finds it: its name and height, its distance along the seam."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ..base.figures import mm
from ..geometry.polyline import spaced_out
from ..stages.locks import LockRegion
from ..stages.plan import MouldPlan
from .words import places_of

_NEAR_CUT, _NEAR_TIP = 0.2, 0.8  # of a limb's height over its cut
_SHOWN_FILL_MM3, _SHOWN_DEPTH_MM = 500.0, 0.5  # figures are written to 1 ml and 1 mm
_STEP_MM = 5.0  # along the seam, finer than a tape is laid over a body


def where_words(plan: MouldPlan, points_mm: np.ndarray | Sequence[Sequence[float]]) -> list[str]:
    """Name and height of each of (k, 3) places, 'chest, 590 mm up'; by sides where the body has no names; on a limb
    that is a section 'outer edge of the left ear, near the tip, 210 mm up'."""
    points = np.atleast_2d(np.asarray(points_mm, float))
    if not points.size:
        return []
    places = places_of(plan.master)
    names = places.at(points) if places.known else [""] * len(points)
    return [
        f"{name or _side(plan, point)}{_along_limb(plan, name, point)}, {mm(round(float(point[2])))} up"
        for name, point in zip(names, points)
    ]


def _along_limb(plan: MouldPlan, name: str, point: np.ndarray) -> str:
    """', near the tip' or ', near the cut' on a limb that is a section by itself, else ''."""
    named = plan.master.named
    if named is None or not named.far_end or name.startswith(named.far_end):
        return ""
    share = float(point[2]) / max(plan.master.height_mm, 1e-9)
    return f", near the {named.far_end}" if share > _NEAR_TIP else ", near the cut" if share < _NEAR_CUT else ""


def apart_words(plan: MouldPlan, points_mm: np.ndarray | Sequence[Sequence[float]]) -> list[str]:
    """`where_words` of places that stand in one list: two by the same name are held apart by how far each lies to the
    left or right of the middle, and then to front or back."""
    points = np.atleast_2d(np.asarray(points_mm, float))
    words = where_words(plan, points)
    for axis, (more, less) in ((0, ("left", "right")), (1, ("back", "front"))):
        alike = {name for name in words if words.count(name) > 1}
        for k, name in enumerate(words):
            if name in alike:
                off = float(points[k, axis])
                words[k] = f"{name}, {abs(off):.0f} mm to the {more if off > 0 else less}"
    return words


def undercut_words(plan: MouldPlan) -> list[str]:
    """Where each undercut of the plan lies, in its order."""
    return apart_words(plan, [region.centre_mm for region in plan.locks.regions])


def worst_undercut(plan: MouldPlan) -> tuple[LockRegion, str] | None:
    """The undercut with most fill, and where it lies; None where figures would show nothing of it: 0 ml, 0 mm deep."""
    worst = next(iter(plan.locks.regions), None)
    if worst is None or (worst.fill_mm3 < _SHOWN_FILL_MM3 and worst.depth_mm < _SHOWN_DEPTH_MM):
        return None
    return worst, undercut_words(plan)[0]


def with_places(plan: MouldPlan, sentence: str) -> str:
    """A stage's sentence with the undercut that it names by side called as everywhere else."""
    for region, name in zip(plan.locks.regions, undercut_words(plan)):
        # a side's name stands in a longer one too: 'left, 260 mm up' in 'front left, 260 mm up'
        alone = re.compile(rf"(?<!front )(?<!back ){re.escape(region.name)}")
        if alone.search(sentence):
            return name.join(alone.split(sentence))
    return sentence


def _side(plan: MouldPlan, point: np.ndarray) -> str:
    """The side of the body that a place is nearest to, from the body's middle."""
    width, depth, _ = plan.master.size_mm
    x, y = 2 * point[0] / max(width, 1e-9), 2 * point[1] / max(depth, 1e-9)
    if max(abs(x), abs(y)) < 0.15:
        return "middle"
    if abs(x) > abs(y):
        return "its left side" if x > 0 else "its right side"
    return "back" if y > 0 else "front"


@dataclass(frozen=True)
class AlongSeam:
    """Where a place lies from the seam. along_mm : of the line, from its start, over the skin; off_mm : from the line;
    line : of the seam's lines, from 1."""

    line: int
    along_mm: float
    off_mm: float


def along_seam(plan: MouldPlan, points_mm: np.ndarray | Sequence[Sequence[float]]) -> list[AlongSeam]:
    """Distance along the nearest seam line to the place on it that is nearest to each of (k, 3) points.

    A line is measured from its lowest place at the front, up the front first.
    """
    points = np.atleast_2d(np.asarray(points_mm, float))
    found: list[AlongSeam] = []
    lines = [_measured(line.points_mm, line.closed) for line in plan.seam.lines]
    for point in points:
        nearest: AlongSeam | None = None
        for which, (spots, along) in enumerate(lines, 1):
            off = np.linalg.norm(spots - point, axis=1)
            at = int(np.argmin(off))
            if nearest is None or off[at] < nearest.off_mm:
                nearest = AlongSeam(which, float(along[at]), float(off[at]))
        assert nearest is not None  # a plan has a seam
        found.append(nearest)
    return found


def _measured(points_mm: np.ndarray, closed: bool) -> tuple[np.ndarray, np.ndarray]:
    """(k, 3) evenly spaced places on a line from where it is measured, and (k,) mm to each."""
    spots = spaced_out(points_mm, closed, _STEP_MM)
    if closed:
        front = spots[:, 1] <= np.quantile(spots[:, 1], 0.5)
        lowest = int(np.argmin(np.where(front, spots[:, 2], np.inf)))
        spots = np.roll(spots, -lowest, axis=0)
        ahead = len(spots) // 4
        turned = spots[1 : ahead + 1, 1].mean() > spots[-ahead:, 1].mean() if ahead else False
        spots = np.concatenate([spots[:1], spots[1:][::-1]]) if turned else spots
    elif spots[0, 1] > spots[-1, 1]:
        spots = spots[::-1]
    steps = np.linalg.norm(np.diff(spots, axis=0), axis=1)
    return spots, np.concatenate([[0.0], np.cumsum(steps)])
