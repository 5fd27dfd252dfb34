"""How fine a lattice the closed meshes are made on: finer until the gloves hold the rubber that the plan buys."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TypeVar

from ..stages.plan import MouldPlan
from .solid import Solid

_OFF_PLAN = 0.009  # more rubber than the plan's, a skin rich in detail being held clear of: a finer lattice follows it
# of a piece's lattice: a jacket on it has some five times as many facets, and 1.3 million took 7.8 GB
_MOST_NODES = 700_000
_Made = TypeVar("_Made")


def pixels_of(pitch_mm: float, pixel_mm: float) -> int:
    """How many of the envelope's pixels a lattice of about a pitch has between its nodes."""
    return max(int(pitch_mm / pixel_mm + 1e-6), 1)


def fine_enough(
    make: Callable[[float], _Made],
    held: Callable[[_Made], Sequence[Solid]],
    plan: MouldPlan,
    pitch_mm: float,
    finer: bool = True,
) -> _Made:
    """What `make` makes at a pitch, and, if asked, at finer ones while its gloves hold more rubber than the plan buys.

    held : the solids of what was made. No lattice is made twice, nor one with more nodes than a machine holds.
    """
    made = make(pitch_mm)
    while finer and _off_plan(held(made), plan) > _OFF_PLAN:
        pitch = _next_pitch(plan, pitch_mm)
        if pitch is None:
            break
        del made  # what stands on a lattice is far larger than the lattice
        made, pitch_mm = make(pitch), pitch
    return made


def _next_pitch(plan: MouldPlan, pitch_mm: float) -> float | None:
    """Two thirds of a pitch, or as much less as makes another lattice; None where none is finer, or it is too large."""
    pixel, finer = max(e.pixel_mm for e in plan.rubber.envelopes), pitch_mm
    tried = pixels_of(pitch_mm, pixel)
    if tried == 1:
        return None
    while pixels_of(finer, pixel) == tried:
        finer = max(pixel, finer * 2.0 / 3.0)
    nodes = max(e.outer_mm.size for e in plan.rubber.envelopes) / pixels_of(finer, pixel) ** 2
    return finer if nodes <= _MOST_NODES else None


def _off_plan(made: Sequence[Solid], plan: MouldPlan) -> float:
    """By what share the gloves hold more rubber than the plan buys."""
    bought = sum(part.total_mm3 for part in plan.rubber.parts)
    return sum(solid.volume_mm3 for solid in made if solid.kind == "glove") / max(bought, 1.0) - 1.0
