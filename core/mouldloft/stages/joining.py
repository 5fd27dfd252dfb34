"""How a cast is laid up and joined: tight places inside the halves, joint by reach, what is done past an arm's length.

The halves are laid up open, so tight places are those of the shape itself. Once they are shut, hands come in by the
foot: joint further than an arm's reach is taped with a roller on a pole, through a hatch, or its limb is cored before
the mould is shut, whichever is cheapest. Nobody puts head or body inside.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from ..base.marks import Assumption, Mark
from ..base.progress import SILENT, Progress
from ..geometry.hollow import Hollow, hollow_inside, reach_from, reach_to, unreached_by_ball
from ..geometry.polyline import spaced_out
from ..inputs.brief import RatesBrief
from .master import Master
from .seam import Seam
from .undercut import where_on_piece

LATTICE_MM = 12.0
MAT_BALL_MM = 25.0  # common practice: heavy mat is not rolled into what a ball of this radius does not reach
MAT_TOLERANCE_MM = 5.0  # gelcoat, tissue and paste fill less
ARM_MM = 50.0  # common practice: half the width that an arm in a sleeve needs
HAND_MM = 160.0  # common practice: from the last place an arm fits to the fingers
POLE_MM = 1300.0  # common practice: how far a roller on a pole is guided
SPACING_MM = 20.0  # of points along the joint
LEAST_SPAN_MM = 60.0
LIMB_MM = 180.0  # round the joint: what of a narrow limb is cored


@dataclass(frozen=True)
class JointSpan:
    """A stretch of joint past an arm's reach and what is done about it: "pole", "hatch" or "core"."""

    name: str
    length_mm: float
    reach_mm: float  # furthest, inf where no arm comes
    answer: str
    point_mm: tuple[float, float, float]
    litres: float = 0.0  # of the limb, where it is cored


@dataclass(frozen=True)
class Joining:
    """Of one cast. tight_share : of the skin, tissue and light mat first; places : the largest of them, with m²."""

    tight_share: float
    places: tuple[tuple[str, float], ...]
    near_mm: float
    pole_mm: float
    spans: tuple[JointSpan, ...]
    hatches: tuple[tuple[str, tuple[float, float, float]], ...]

    @property
    def cored_l(self) -> float:
        """Litres of foam that limbs are cored with."""
        return sum(span.litres for span in self.spans)


def plan_joining(master: Master, seam: Seam, rates: RatesBrief, hatch_h: float, progress: Progress = SILENT) -> Joining:
    """Tight places and the joint by reach. hatch_h : person-hours of a hatch, on each cast."""
    progress.step(0.1, "inside of the cast: what hands and mat reach")
    hollow = hollow_inside(master.vertices_mm, master.faces, master.normals, master.face_areas_mm2, LATTICE_MM)
    if not len(hollow.nodes_mm):
        return Joining(0.0, (), seam.length_mm, 0.0, (), ())
    tight = unreached_by_ball(hollow, MAT_BALL_MM, MAT_TOLERANCE_MM)
    if master.base == "open":
        tight &= hollow.skin_mm[:, 2] > MAT_BALL_MM  # the foot is an opening, not a corner
    area = float(hollow.skin_area_mm2.sum())
    share = float(hollow.skin_area_mm2[tight].sum()) / area if area > 0 else 0.0
    points, steps = _along(seam)
    if not len(points):
        return Joining(share, _places(master, hollow, tight), 0.0, 0.0, (), ())
    far = reach_from(hollow, _foot(master, hollow), ARM_MM)
    reach = reach_to(hollow, far, points, HAND_MM)
    past = reach > rates.reach_mm
    spans = _spans(master, hollow, far, points, steps, reach, past, rates, hatch_h)
    pole = sum(span.length_mm for span in spans if span.answer == "pole")
    hatches = tuple((span.name, span.point_mm) for span in spans if span.answer == "hatch")
    return Joining(
        share, _places(master, hollow, tight), float(seam.length_mm - pole), float(pole), spans, hatches
    )  # cored limbs and hatches are taped within reach


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
    far: np.ndarray,
    points: np.ndarray,
    steps: np.ndarray,
    reach: np.ndarray,
    past: np.ndarray,
    rates: RatesBrief,
    hatch_h: float,
) -> tuple[JointSpan, ...]:
    """Runs of joint past reach, narrow ones apart from wide ones, each with its answer."""
    narrow = past & ~np.isfinite(reach)
    found = []
    for of, which in (("core", narrow), ("wide", past & ~narrow)):
        for run in _runs(which):
            length = float(steps[run].sum())
            if length < LEAST_SPAN_MM:
                continue
            middle = points[run].mean(axis=0)
            name = where_on_piece(middle, master)
            furthest = float(reach[run].max())
            at = (float(middle[0]), float(middle[1]), float(middle[2]))
            if of == "core":
                found.append(JointSpan(name, length, math.inf, "core", at, _limb_l(hollow, far, points[run])))
                continue
            by_pole_h = length / 1000 * rates.joint_h_m * (rates.past_reach_factor - 1)
            answer = "pole" if furthest <= POLE_MM and by_pole_h <= hatch_h else "hatch"
            found.append(JointSpan(name, length, furthest, answer, at))
    return tuple(found)


def _runs(which: np.ndarray) -> list[np.ndarray]:
    """Index runs of true values, as they follow one another."""
    at = np.flatnonzero(which)
    return [run for run in np.split(at, np.flatnonzero(np.diff(at) > 3) + 1) if len(run)]


def _limb_l(hollow: Hollow, far: np.ndarray, points: np.ndarray) -> float:
    """Litres of the narrow inside round a run of joint, no hand in it."""
    slim = (hollow.clearance_mm < ARM_MM) & np.isinf(reach_to(hollow, far, hollow.nodes_mm, HAND_MM))
    if not slim.any():
        return 0.0
    away = cKDTree(points).query(hollow.nodes_mm[slim])[0]
    return float((away < LIMB_MM).sum()) * hollow.pitch_mm**3 / 1e6


def _places(master: Master, hollow: Hollow, tight: np.ndarray, most: int = 6) -> tuple[tuple[str, float], ...]:
    """The largest tight places by name, with their area in m²."""
    cell = 0.12 * master.height_mm
    keys = np.floor(hollow.skin_mm[tight] / cell).astype(int)
    area = hollow.skin_area_mm2[tight]
    if not len(keys):
        return ()
    _, label = np.unique(keys, axis=0, return_inverse=True)
    label = label.ravel()
    whole = np.bincount(label, weights=area)
    found: dict[str, float] = {}
    for k in np.argsort(-whole)[: 3 * most]:
        name = where_on_piece(hollow.skin_mm[tight][label == k].mean(axis=0), master)
        found[name] = found.get(name, 0.0) + float(whole[k]) * 1e-6
    return tuple(sorted(found.items(), key=lambda item: -item[1])[:most])


def joining_assumptions() -> tuple[Assumption, ...]:
    """The figures that lay-up and joint rest on, with their marks."""
    rule = Mark.COMMON_PRACTICE
    return (
        Assumption("tight place inside a half", f"what a ball of {MAT_BALL_MM:g} mm radius does not reach", rule),
        Assumption("arm in a sleeve", f"{2 * ARM_MM:g} mm wide", rule),
        Assumption("hand past the last place an arm fits", f"{HAND_MM:g} mm", rule),
        Assumption("roller on a pole", f"up to {POLE_MM:g} mm", rule),
    )
