"""How a cast is laid up and joined: tight places inside the halves, joint by reach, what is done past an arm's length.

The halves are laid up open, so tight places are those of the shape itself. Once they are shut, hands come in by the
foot: joint further than an arm's reach is taped with a roller on a pole or through a hatch, or its limb is cored or
filled before the mould is shut, whichever is cheapest. Nobody puts head or body inside.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial import cKDTree

from ..base.marks import Assumption, Mark
from ..base.progress import SILENT, Progress
from ..geometry.hollow import Hollow, reach_from, reach_to, unreached_by_ball
from ..geometry.polyline import spaced_out
from ..inputs.brief import RatesBrief, SeamBrief
from .hatches import ARM_MM, HAND_MM, Hatch, Stretch, best_hatches, hatch_assumptions
from .hollowed import inside_of
from .master import Master
from .seam import Seam
from .undercut import where_on_piece

LATTICE_MM = 12.0
MAT_BALL_MM = 25.0  # common practice: heavy mat is not rolled into what a ball of this radius does not reach
MAT_TOLERANCE_MM = 5.0  # gelcoat, tissue and paste fill less
POLE_MM = 1300.0  # common practice: how far a roller on a pole is guided
ROLLER_MM = 25.0  # common practice: half the width that a roller needs
SPACING_MM = 20.0  # of points along the joint
LEAST_SPAN_MM = 60.0
LIMB_MM = 180.0  # round the joint: what of a narrow limb is cored
LEAST_CORE_MM = 12.0  # common practice: half the width under which foam is not cut to fit, and resin fills it


@dataclass(frozen=True)
class JointSpan:
    """A stretch of joint past an arm's reach and what is done about it: "pole", "hatch", "core", "fill" or, where none
    of them does, "section"."""

    name: str
    length_mm: float
    reach_mm: float  # furthest by a way that an arm passes, inf where there is none
    answer: str
    point_mm: tuple[float, float, float]
    litres: float = 0.0  # of the limb, where it is cored or filled


@dataclass(frozen=True)
class TightPlace:
    """A place inside that heavy mat bridges: tissue and light mat go there first. point_mm : its middle."""

    name: str
    area_m2: float
    point_mm: tuple[float, float, float]


@dataclass(frozen=True)
class Joining:
    """Of one cast. tight_share : of the skin, tissue and light mat first; places : the largest of them. near_mm : of
    joint taped by hand, from the foot or a hatch; pole_mm : by a roller on a pole; bedded_mm : shut over a core or a
    filled limb."""

    tight_share: float
    places: tuple[TightPlace, ...]
    near_mm: float
    pole_mm: float
    spans: tuple[JointSpan, ...]
    hatches: tuple[Hatch, ...]
    bedded_mm: float = 0.0

    @property
    def cored_l(self) -> float:
        """Litres of foam that limbs are cored with."""
        return math.fsum(span.litres for span in self.spans if span.answer == "core")

    @property
    def filled_l(self) -> float:
        """Litres of limbs too slim for foam, filled with resin in thin lifts."""
        return math.fsum(span.litres for span in self.spans if span.answer == "fill")


def plan_joining(
    master: Master,
    seam: Seam,
    rates: RatesBrief,
    hatch_h: float,
    progress: Progress = SILENT,
    core_l_h: float = 12.0,
    seen: SeamBrief | None = None,
) -> Joining:
    """Tight places and the joint by reach. hatch_h : person-hours of a hatch, on each cast; core_l_h : litres of foam
    an hour; seen : from where the piece is looked at, for where a hatch is least seen."""
    progress.step(0.1, "inside of the cast: what hands and mat reach")
    hollow = inside_of(master, LATTICE_MM)
    if not len(hollow.nodes_mm):
        return Joining(0.0, (), seam.length_mm, 0.0, (), ())
    tight = unreached_by_ball(hollow, MAT_BALL_MM, MAT_TOLERANCE_MM)
    if master.base == "open":
        tight &= hollow.skin_mm[:, 2] > MAT_BALL_MM  # the foot is an opening, not a corner
    area = float(hollow.skin_area_mm2.sum())
    share = float(hollow.skin_area_mm2[tight].sum()) / area if area > 0 else 0.0
    places = _places(master, hollow, tight)
    points, steps = _along(seam)
    if not len(points):
        return Joining(share, places, 0.0, 0.0, (), ())
    foot = _foot(master, hollow)
    reach = reach_to(hollow, reach_from(hollow, foot, ARM_MM), points, HAND_MM)
    past = reach > rates.reach_mm
    spans = _spans(master, hollow, foot, (points, steps), reach, past, rates, core_l_h)
    stretches = [stretch for stretch, _ in spans]
    hatches = best_hatches(master, hollow, points, steps, stretches, rates, hatch_h, seen or SeamBrief(), progress)
    answered = tuple(_answered(span, stretch, hatches, steps) for stretch, span in spans)
    by_pole = sum(left for span, left in answered if span.answer == "pole")
    bedded = sum(span.length_mm for span, _ in answered if span.answer in ("core", "fill"))
    near = float(seam.length_mm - by_pole - bedded)
    return Joining(
        share, places, near, float(by_pole), tuple(span for span, _ in answered), hatches, float(bedded)
    )  # what a hatch serves is taped by hand


def _foot(master: Master, hollow: Hollow) -> np.ndarray:
    """Samples of the opening at the foot; none where the base is closed."""
    if master.base == "closed":
        return np.zeros((0, 3))
    lowest = hollow.nodes_mm[hollow.index[:, 2] == hollow.index[:, 2].min()]
    return lowest * (1.0, 1.0, 0.0)


def _along(seam: Seam) -> tuple[np.ndarray, np.ndarray]:
    """Points along every line of the seam, and the length each stands for."""
    points, steps = [], []
    for line in seam.lines:
        spaced = spaced_out(line.points_mm, line.closed, SPACING_MM)
        points.append(spaced)
        steps.append(np.full(len(spaced), line.length_mm / max(len(spaced), 1)))
    if not points:
        return np.zeros((0, 3)), np.zeros(0)
    return np.concatenate(points), np.concatenate(steps)


def _spans(
    master: Master,
    hollow: Hollow,
    foot: np.ndarray,
    along: tuple[np.ndarray, np.ndarray],
    reach: np.ndarray,
    past: np.ndarray,
    rates: RatesBrief,
    core_l_h: float,
) -> list[tuple[Stretch, JointSpan]]:
    """Runs of joint past reach, narrow ones apart from wide ones, each with its answer without a hatch and what that
    costs in hours; inf where there is none."""
    points, steps = along
    room = np.where(hollow.clearance_mm >= ARM_MM, 0.0, np.inf)
    narrow = ~np.isfinite(reach_to(hollow, room, points, HAND_MM))
    by_pole = reach_to(hollow, reach_from(hollow, foot, ROLLER_MM), points, HAND_MM)
    by_pole = np.minimum(by_pole, reach)  # where an arm comes a pole does
    narrow = past & narrow
    for run in _runs(past & ~narrow & (by_pole > POLE_MM)):
        # a hand's length past the pole, beside a narrow limb: its core or fill goes on that far
        if steps[run].sum() <= HAND_MM and narrow[max(run[0] - 3, 0) : run[-1] + 4].any():
            narrow[run] = True
    found = []
    reached = past & ~narrow & (by_pole <= POLE_MM)
    for slim, which in ((True, narrow), (False, reached), (False, past & ~narrow & ~reached)):
        for run in _runs(which):
            length = float(steps[run].sum())
            if length < LEAST_SPAN_MM:
                continue
            middle = points[run].mean(axis=0)
            at = (float(middle[0]), float(middle[1]), float(middle[2]))
            span = JointSpan(where_on_piece(middle, master), length, float(reach[run].max()), "section", at)
            ways = list(_ways(hollow, points[run], span, float(by_pole[run].max()), slim, rates, core_l_h))
            hours, span = min(ways, key=lambda way: way[0]) if ways else (math.inf, span)
            found.append((Stretch(run, hours, slim), span))
    return found


def _ways(
    hollow: Hollow,
    points: np.ndarray,
    span: JointSpan,
    pole_mm: float,
    slim: bool,
    rates: RatesBrief,
    core_l_h: float,
) -> Iterable[tuple[float, JointSpan]]:
    """What can be done about a span without a hatch, with what it costs more than a joint within reach, hours."""
    if pole_mm <= POLE_MM:
        more = span.length_mm / 1000 * rates.joint_h_m * (rates.past_reach_factor - 1)
        yield more, replace(span, answer="pole", reach_mm=min(span.reach_mm, pole_mm))
    if slim:
        litres, foam = _limb(hollow, points)
        if foam:
            yield litres / core_l_h, replace(span, answer="core", litres=litres)
        else:
            hours = litres * (rates.solid_h_l + rates.solid_cost_l / max(rates.hourly_rate, 1e-9))
            yield hours, replace(span, answer="fill", litres=litres)


def _answered(
    span: JointSpan, stretch: Stretch, hatches: Sequence[Hatch], steps: np.ndarray
) -> tuple[JointSpan, float]:
    """The span with a hatch where one serves all of it, and the length that is left for its first answer."""
    served = np.zeros(len(stretch.run), bool)
    for hatch in hatches:
        served |= np.isin(stretch.run, hatch.serves)
    left = float(steps[stretch.run][~served].sum())
    if left < LEAST_SPAN_MM and served.any():
        return replace(span, answer="hatch", litres=0.0), 0.0
    return (span, left) if not stretch.slim else (span, span.length_mm)


def _runs(which: np.ndarray) -> list[np.ndarray]:
    """Index runs of true values, as they follow one another."""
    at = np.flatnonzero(which)
    return [run for run in np.split(at, np.flatnonzero(np.diff(at) > 3) + 1) if len(run)]


def _limb(hollow: Hollow, points: np.ndarray) -> tuple[float, bool]:
    """Litres of the narrow inside round a run of joint, no hand in it, and whether foam can be cut to it."""
    slim = hollow.clearance_mm < ARM_MM
    if not slim.any():
        return 0.0, True
    away = cKDTree(points).query(hollow.nodes_mm[slim])[0]
    wide = hollow.nodes_mm[~slim]
    if len(wide):  # what lies along the wall of a roomy part is no limb
        away = np.where(cKDTree(wide).query(hollow.nodes_mm[slim])[0] < ARM_MM, np.inf, away)
    inside = away < LIMB_MM
    litres = float(inside.sum()) * hollow.pitch_mm**3 / 1e6
    # the middle of a limb is as far from its skin as half its width
    middle = float(np.quantile(hollow.clearance_mm[slim][inside], 0.9)) if inside.any() else 0.0
    return litres, middle >= LEAST_CORE_MM


def _places(master: Master, hollow: Hollow, tight: np.ndarray, most: int = 6) -> tuple[TightPlace, ...]:
    """The largest tight places, each a cell of the body's height with what of it is tight."""
    cell = 0.12 * master.height_mm
    keys = np.floor(hollow.skin_mm[tight] / cell).astype(int)
    area = hollow.skin_area_mm2[tight]
    if not len(keys):
        return ()
    _, label = np.unique(keys, axis=0, return_inverse=True)
    label = label.ravel()
    whole = np.bincount(label, weights=area)
    found: dict[str, TightPlace] = {}
    for k in np.argsort(-whole)[: 3 * most]:
        x, y, z = hollow.skin_mm[tight][label == k].mean(axis=0)
        name = where_on_piece(np.array([x, y, z]), master)
        first = found.get(name, TightPlace(name, 0.0, (float(x), float(y), float(z))))
        found[name] = replace(first, area_m2=first.area_m2 + float(whole[k]) * 1e-6)
    return tuple(sorted(found.values(), key=lambda place: -place.area_m2)[:most])


def joining_assumptions() -> tuple[Assumption, ...]:
    """The figures that lay-up and joint rest on, with their marks."""
    rule = Mark.COMMON_PRACTICE
    return (
        Assumption("tight place inside a half", f"what a ball of {MAT_BALL_MM:g} mm radius does not reach", rule),
        Assumption("roller on a pole", f"up to {POLE_MM:g} mm, through {2 * ROLLER_MM:g} mm", rule),
        Assumption("limb too slim for cut foam, filled with resin", f"under {2 * LEAST_CORE_MM:g} mm wide", rule),
        *hatch_assumptions(),
    )
