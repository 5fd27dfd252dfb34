"""Under master: what a sculpt stands on, and which axis would stand it better."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial import ConvexHull, QhullError

CONTACT_SHARE = 1e-3  # of the height: what lies this near the ground touches it (common practice, no source)
LEAST_FOOT_SHARE = 0.01  # of the plan: a smaller foot is a point it balances on (common practice, no source)
AXES = ("+x", "-x", "+y", "-y", "+z", "-z")


@dataclass(frozen=True)
class Stance:
    """How a body stands along one up axis.

    foot_share : area of the convex hull of what touches the ground, over that of the body seen from above. inside :
    whether the plumb line of its skin's centre of mass falls inside that hull.
    """

    foot_share: float
    inside: bool

    @property
    def stands(self) -> bool:
        return self.inside and self.foot_share >= LEAST_FOOT_SHARE


def stance_of(vertices: np.ndarray, faces: np.ndarray, centre: np.ndarray, up: np.ndarray) -> Stance:
    """How a mesh ((n, 3) vertices, (m, 3) faces) with its centre of mass (3,) stands along a unit vector `up`."""
    height = vertices @ up
    low = float(height.min())
    level = low + CONTACT_SHARE * float(height.max() - low)
    aside = np.linalg.svd(up[None])[2][1:]
    plan = vertices @ aside.T
    corners = height[faces]
    crossed = faces[(corners.min(axis=1) < level) & (corners.max(axis=1) > level)]
    touching = [plan[height <= level]]
    for a, b in ((0, 1), (1, 2), (2, 0)):
        one, other = crossed[:, a], crossed[:, b]
        rise = height[other] - height[one]
        along = (level - height[one]) / np.where(rise == 0, np.inf, rise)
        cut = (along > 0) & (along < 1)
        touching.append(plan[one[cut]] + along[cut, None] * (plan[other[cut]] - plan[one[cut]]))
    foot, whole = _hull(np.concatenate(touching)), _hull(plan)
    if foot is None or whole is None:
        return Stance(0.0, False)
    inside = bool((foot.equations[:, :2] @ (aside @ centre) + foot.equations[:, 2] <= 0).all())
    return Stance(float(foot.volume / whole.volume), inside)


def _hull(points: np.ndarray) -> ConvexHull | None:
    """The convex hull of (k, 2) points (its `volume` is the area), None where they lie in a line."""
    try:
        return ConvexHull(points) if len(points) > 2 else None
    except QhullError:
        return None


def stance_words(vertices: np.ndarray, faces: np.ndarray, areas: np.ndarray, turn: np.ndarray) -> str:
    """One sentence where the sculpt, +z up in plan axes, hardly stands; "" where it does.

    areas : (m,) of the faces; turn : (3, 3) rotation from the file's axes to these, to name the axis that would stand
    it better as the file has it.
    """
    centre = areas @ vertices[faces].mean(axis=1) / areas.sum()
    now = stance_of(vertices, faces, centre, np.array([0.0, 0.0, 1.0]))
    if now.stands:
        return ""
    said = (
        f"The sculpt stands on almost nothing: its foot is {100 * now.foot_share:.1f} % of its plan"
        if now.foot_share < LEAST_FOOT_SHARE
        else "The sculpt would fall over: its centre of mass lies outside its foot"
    )
    ways = {name: stance_of(vertices, faces, centre, turn @ _unit(name)) for name in AXES}
    name, best = max(ways.items(), key=lambda way: (way[1].stands, way[1].foot_share))
    if not best.stands:
        return (
            f"{said}, and none of its axes stands it better; stand it up in the sculpting program, or give it a base."
        )
    return (
        f"{said}; with {name} up it would stand on {100 * best.foot_share:.0f} %: give --up {name} on the command line"
        f' or up = "{name}" in the brief, unless it is meant so.'
    )


def _unit(name: str) -> np.ndarray:
    out = np.zeros(3)
    out["xyz".index(name[1])] = 1.0 if name[0] == "+" else -1.0
    return out
