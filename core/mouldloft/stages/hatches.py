"""Where a hatch is cut in a cast, if one pays: through it the joint past an arm's reach is taped by hand.

It lies off the seam, on skin that is flat enough to cut and glass back, over room for an arm, where it is seen least.
Each is taken while what it saves (poles, cores, or joint that nothing else reaches) is more than what it costs.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from ..base.marks import Assumption, Mark
from ..base.progress import SILENT, Progress
from ..geometry.hollow import Hollow, reach_from, reach_to
from ..inputs.brief import RatesBrief, SeamBrief
from .master import Master
from .undercut import where_on_piece
from .visibility import how_it_shows

ARM_MM = 50.0  # common practice: half the width that an arm in a sleeve needs
HAND_MM = 160.0  # common practice: from the last place an arm fits to the fingers
HATCH_MM = (180.0, 240.0)  # common practice: across and along, an arm with a brush
OFF_SEAM_MM = 60.0  # common practice: from its edge to the joint, so that it is glassed back on whole laminate
FLAT_COSINE = 0.75  # common practice: skin within some 40° of the hatch's middle is glassed back fair
MOST_HATCHES = 6
MOST_TRIED = 24  # places, least seen first
_PITCH_MM = 150.0  # between places tried
_RIM_M = 2e-3 * sum(HATCH_MM)


@dataclass(frozen=True)
class Stretch:
    """A run of joint past reach. run : its points' indices; hours : what its answer without a hatch costs more, inf
    where there is none; slim : no arm's room there, so a hatch has to serve all of it or none."""

    run: np.ndarray
    hours: float
    slim: bool


@dataclass(frozen=True)
class Hatch:
    """A hatch in one cast. point_mm : its middle on the skin; shows : 0 hidden to 1 in full view; serves : indices of
    the joint's points taped through it; served_mm : their length; saves_h, costs_h : on each cast."""

    name: str
    point_mm: tuple[float, float, float]
    size_mm: tuple[float, float]
    shows: float
    serves: tuple[int, ...]
    served_mm: float
    saves_h: float
    costs_h: float


def best_hatches(
    master: Master,
    hollow: Hollow,
    points_mm: np.ndarray,
    steps_mm: np.ndarray,
    stretches: Sequence[Stretch],
    rates: RatesBrief,
    hatch_h: float,
    seen: SeamBrief,
    progress: Progress = SILENT,
) -> tuple[Hatch, ...]:
    """Hatches worth cutting, the most worth first. points_mm : (n, 3) of the joint; steps_mm : (n,) for each."""
    whole = math.fsum(stretch.hours for stretch in stretches)
    if whole <= hatch_h:
        return ()
    progress.step(0.5, "where a hatch would pay")
    past = np.concatenate([stretch.run for stretch in stretches])
    spots, shows = _spots(master, hollow, points_mm, past, rates, seen)
    served = [
        np.flatnonzero(reach_to(hollow, reach_from(hollow, spot[None], ARM_MM), points_mm, HAND_MM) <= rates.reach_mm)
        for spot in spots
    ]
    chosen: list[Hatch] = []
    left = list(stretches)
    while len(chosen) < MOST_HATCHES and len(spots):
        worth = [(_saved(left, which, steps_mm), hatch_h + _seen_h(show, rates)) for which, show in zip(served, shows)]
        best = max(range(len(spots)), key=lambda k: worth[k][0] - worth[k][1])
        saves, costs = worth[best]
        if saves <= costs:
            break
        chosen.append(_hatch(master, spots[best], float(shows[best]), served[best], left, steps_mm, saves, costs))
        left = list(_after(left, served[best], steps_mm))
    return tuple(chosen)


_NOTHING_ELSE_H_M = 100.0  # a metre of joint that nothing else reaches is worth any hatch


def _hours(stretch: Stretch, steps_mm: np.ndarray) -> float:
    if math.isfinite(stretch.hours):
        return stretch.hours
    return _NOTHING_ELSE_H_M * float(steps_mm[stretch.run].sum()) / 1000.0


def _saved(stretches: Sequence[Stretch], served: np.ndarray, steps_mm: np.ndarray) -> float:
    """Hours that a hatch saves on one cast."""
    saved = 0.0
    for stretch in stretches:
        own = np.isin(stretch.run, served)
        share = float(steps_mm[stretch.run][own].sum() / max(steps_mm[stretch.run].sum(), 1e-9))
        if not stretch.slim or own.all():
            saved += share * _hours(stretch, steps_mm)
    return saved


def _after(stretches: Sequence[Stretch], served: np.ndarray, steps_mm: np.ndarray) -> Iterable[Stretch]:
    """What is left past reach once a hatch is cut."""
    for stretch in stretches:
        own = np.isin(stretch.run, served)
        if own.all():
            continue
        if stretch.slim or not own.any():
            yield stretch
            continue
        share = float(steps_mm[stretch.run][~own].sum() / steps_mm[stretch.run].sum())
        yield Stretch(stretch.run[~own], stretch.hours * share, False)


def _seen_h(show: float, rates: RatesBrief) -> float:
    """Hours more where a hatch's rim is on show."""
    return show * _RIM_M * (rates.cleanup_shown_h_m + rates.risk_shown_h_m)


def _hatch(
    master: Master,
    spot: np.ndarray,
    show: float,
    served: np.ndarray,
    stretches: Sequence[Stretch],
    steps_mm: np.ndarray,
    saves: float,
    costs: float,
) -> Hatch:
    own = np.concatenate([stretch.run[np.isin(stretch.run, served)] for stretch in stretches])
    length = float(steps_mm[own].sum())
    at = (float(spot[0]), float(spot[1]), float(spot[2]))
    return Hatch(where_on_piece(spot, master), at, HATCH_MM, show, tuple(int(k) for k in own), length, saves, costs)


def _spots(
    master: Master, hollow: Hollow, points_mm: np.ndarray, past: np.ndarray, rates: RatesBrief, seen: SeamBrief
) -> tuple[np.ndarray, np.ndarray]:
    """(k, 3) places where a hatch may lie, the least seen of each neighbourhood, and (k,) how much each shows."""
    skin, outward = hollow.skin_mm, hollow.skin_normals
    half = math.hypot(*HATCH_MM) / 2
    good = skin[:, 2] > half  # clear of foot and baseboard
    good &= cKDTree(points_mm).query(skin)[0] > half + OFF_SEAM_MM
    good &= cKDTree(points_mm[past]).query(skin)[0] < rates.reach_mm
    roomy = hollow.nodes_mm[hollow.clearance_mm >= ARM_MM]
    if not len(roomy) or not good.any():
        return np.zeros((0, 3)), np.zeros(0)
    good &= cKDTree(roomy).query(skin - 1.5 * ARM_MM * outward)[0] < ARM_MM
    at = np.flatnonzero(good)
    shows = how_it_shows(master, seen)[hollow.skin_faces[at]]
    order = at[np.argsort(shows, kind="stable")]
    ranked = np.sort(shows, kind="stable")
    tree = cKDTree(skin)
    taken: list[int] = []
    for k, index in enumerate(order):
        near = [skin[order[j]] for j in taken]
        if near and np.linalg.norm(np.array(near) - skin[index], axis=1).min() < _PITCH_MM:
            continue
        around = tree.query_ball_point(skin[index], half)
        if float(np.quantile(outward[around] @ outward[index], 0.05)) >= FLAT_COSINE:
            taken.append(k)
        if len(taken) == MOST_TRIED:
            break
    return skin[order[taken]].reshape(-1, 3), ranked[taken]


def hatch_assumptions() -> tuple[Assumption, ...]:
    """The figures that hatches rest on, with their marks."""
    rule = Mark.COMMON_PRACTICE
    across, along = HATCH_MM
    return (
        Assumption("arm in a sleeve", f"{2 * ARM_MM:g} mm wide", rule),
        Assumption("hand past the last place an arm fits", f"{HAND_MM:g} mm", rule),
        Assumption("hatch", f"{across:g} × {along:g} mm, its edge {OFF_SEAM_MM:g} mm off the joint at least", rule),
    )
