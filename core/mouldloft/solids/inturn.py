"""Gloves and jackets of more than two pieces as they are laid up: each against those that stand.

Rubber first: a place that two pieces claim belongs to the one made first. Jackets go over it in the same order, each
laid no deeper than it comes out past all gloves and the jackets made before, which still stand when it leaves.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import repeat
from typing import Any

import numpy as np
from scipy import sparse
from scipy.sparse import csgraph
from scipy.spatial import cKDTree

from ..base.errors import PlanImpossible
from ..geometry.edges import renumbered
from ..geometry.manifold import arrays_of, as_manifold
from .wayoff import JacketNodes, jacket_over

_LOOK_MM = (1.0, 10.0, 60.0, 300.0)  # along a jacket's way off
HELD_MM3 = 400.0  # less is the lattice's
_LEAST_SHARE = 0.01  # of a piece: a smaller part that a neighbour cuts off it is trimmed away


@dataclass(frozen=True, eq=False)
class Columns:
    """One piece's columns along its pull ((3,) unit) as manifolds, in plan coordinates: under the glove's outside, and
    what its jacket is laid on (None where no jacket goes).

    around : the glove's, a film wider. slots : wedge slots, cut from the jacket. hollows, domes : cut from the glove
    and set on it last, so that no jacket runs into a hollow.
    """

    name: str
    pull: np.ndarray
    glove: Any
    around: Any
    jacket: JacketNodes | None
    slots: tuple[Any, ...] = ()
    hollows: tuple[Any, ...] = ()
    domes: tuple[Any, ...] = ()


def laid_in_turn(columns: Sequence[Columns], print_of: Any) -> list[tuple[Any, Any | None]]:
    """Glove and jacket of every piece, as manifolds; columns in the order in which the pieces are made."""
    gloves, before = [], print_of
    for own in columns:
        gloves.append(_whole(own.glove - before))
        before = before + own.around
    jackets: list[Any | None] = []
    for at, own in enumerate(columns):
        if own.jacket is None:
            jackets.append(None)
            continue
        glass = [shell for shell in jackets if shell is not None]
        others = [print_of, *gloves[:at], *gloves[at + 1 :]]
        made = jacket_over(own.jacket, own.glove, others, glass)
        for slot in own.slots:
            made -= slot
        jackets.append(_whole(made))
    _refuse_held(columns, gloves, jackets)
    return [(_registered(glove, own), jacket) for own, glove, jacket in zip(columns, gloves, jackets, strict=True)]


def _registered(glove: Any, own: Columns) -> Any:
    """A glove with its hollows and its domes."""
    for hollow in own.hollows:
        glove -= hollow
    for dome in own.domes:
        glove += dome
    return _whole(glove) if own.hollows or own.domes else glove


def _refuse_held(columns: Sequence[Columns], gloves: Sequence[Any], jackets: Sequence[Any | None]) -> None:
    """Raises `PlanImpossible` where a jacket on its way off meets a glove, or a jacket made before it."""
    for at, (own, jacket) in enumerate(zip(columns, jackets, strict=True)):
        if jacket is None:
            continue
        standing = [*zip(repeat("glove"), columns, gloves), *zip(repeat("jacket"), columns[:at], jackets[:at])]
        for kind, other, solid in standing:
            if solid is None:
                continue
            met = max((jacket.translate(tuple(s * own.pull)) ^ solid).volume() for s in _LOOK_MM)
            if met > HELD_MM3:
                raise PlanImpossible(
                    f"No closed meshes are made: on its way off the jacket of the {own.name} would meet the {kind} of "
                    f"the {other.name} by {met / 1e3:.1f} cm³; ask for another number under [seam] pieces, or keep two."
                )


def _whole(solid: Any) -> Any:
    """A manifold without the parts that cuts have left hanging in the air; found all at once, as there are hundreds."""
    vertices, faces = arrays_of(solid)
    ends = faces[:, [0, 1, 1, 2]].reshape(-1, 2)
    beside = sparse.coo_matrix((np.ones(len(ends), bool), ends.T), shape=(len(vertices),) * 2)
    count, part = csgraph.connected_components(beside, directed=False)
    across = np.cross(vertices[faces[:, 1]], vertices[faces[:, 2]])
    volume = np.bincount(part[faces[:, 0]], np.einsum("ij,ij->i", vertices[faces[:, 0]], across) / 6.0, minlength=count)
    kept = np.abs(volume) > _LEAST_SHARE * volume.sum()
    used, own = renumbered(faces[kept[part[faces[:, 0]]]])
    return as_manifold(vertices[used], own) or solid


def points_beside(points_mm: Sequence[Sequence[float]], others_mm: np.ndarray, within_mm: float) -> np.ndarray:
    """(k, 3) of the points that have one of the others within a distance."""
    points = np.array(points_mm, float).reshape(-1, 3)
    if not len(points) or not len(others_mm):
        return points[:0]
    return points[cKDTree(others_mm).query(points)[0] <= within_mm]
