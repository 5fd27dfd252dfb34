"""One number for each bolt, the same on sheets, templates and page; those down into the board begin with a D. How far
apart they are said to stand, and where none can."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ..base.figures import counted, metres, mm
from ..stages.jacket import LEANS, NARROW, ONE_PLACE_MM, RUBBER, THREE, Jacket, Unheld, unheld_stretches
from ..stages.plan import MouldPlan


def bolt_names(jacket: Jacket) -> tuple[tuple[tuple[str, ...], tuple[str, ...]], ...]:
    """For each jacket piece its bolts through two flanges and those into the board, by name, in its own order."""
    places: list[np.ndarray] = []
    names: list[str] = []

    def named(bolts_mm: Sequence[Sequence[float]], sign: str) -> tuple[str, ...]:
        said = []
        for bolt in np.asarray(bolts_mm, float).reshape(-1, 3):
            near = np.linalg.norm(np.array(places).reshape(-1, 3) - bolt, axis=1)
            if len(near) and near.min() <= ONE_PLACE_MM:
                said.append(names[int(near.argmin())])
                continue
            places.append(bolt)
            names.append(f"{sign}{1 + sum(name.startswith('D') == bool(sign) for name in names)}")
            said.append(names[-1])
        return tuple(said)

    through = [named(piece.bolts_mm, "") for piece in jacket.pieces]
    return tuple((own, named(piece.foot_bolts_mm, "D")) for own, piece in zip(through, jacket.pieces, strict=True))


def all_bolts(jacket: Jacket) -> tuple[tuple[str, tuple[float, float, float]], ...]:
    """Every bolt through two flanges once, with its place in the plan."""
    found: dict[str, tuple[float, float, float]] = {}
    for (own, _), piece in zip(bolt_names(jacket), jacket.pieces, strict=True):
        for name, (x, y, z) in zip(own, piece.bolts_mm, strict=True):
            found.setdefault(name, (float(x), float(y), float(z)))
    return tuple(found.items())


_WHY = {
    RUBBER: "rubber in a bolt's way",
    THREE: "three jackets meet",
    LEANS: "flange leans over 30°",
    NARROW: "flanges do not meet over a washer",
}
_CURE = {LEANS: "clamp where a hand gets in, else strap", NARROW: "clamp where a hand gets in, else strap"}


def unheld_of(plan: MouldPlan, at: int | None = None) -> tuple[Unheld, ...]:
    """Stretches of the joints of a jacket piece, or of all, where neither bolt nor clamp stands."""
    every = unheld_stretches(plan.jacket, plan.rubber, plan.seam)
    return tuple(one for one in every if at is None or at in one.between)


def pitch_words(plan: MouldPlan, at: int | None = None) -> str:
    """'150 mm apart at most', of a jacket piece's bolts or of all: where some can stand, if there are stretches where
    none can."""
    widest = max((p.bolt_pitch_mm for k, p in enumerate(plan.jacket.pieces) if at in (None, k)), default=0.0)
    if unheld_of(plan, at):
        return f"{mm(min(widest, plan.rubber.built_to.bolt_pitch_mm))} apart at most where one can stand"
    return f"{mm(widest)} apart at most"


def bolt_words(plan: MouldPlan, at: int) -> str:
    """How a jacket piece is held to the others: its bolts, clamps, and what of its joints neither holds."""
    piece = plan.jacket.pieces[at]
    size = f" {plan.jacket.bolt.name} mm" if plan.jacket.bolt is not None else ""
    clamps = f"; {counted(len(piece.clamps_mm), 'clamp')} where the flange leans too much" if piece.clamps_mm else ""
    return f"{len(piece.bolts_mm)}{size}, {pitch_words(plan, at)}{clamps}{strapped_words(plan, at)}"


def strapped_words(plan: MouldPlan, at: int | None = None) -> str:
    """'; 0.57 m of joint with neither: strap', or nothing."""
    bare = sum(one.long_mm for one in unheld_of(plan, at))
    return f"; {metres(bare)} of joint with no bolt or clamp: strap" if bare else ""


def unheld_rows(plan: MouldPlan, at: int) -> list[tuple[str, str, str, str, str, str]]:
    """Of each stretch that holds a jacket piece by neither bolt nor clamp: the other piece, how long, its stations, its
    heights, why, and what to do instead."""
    rows = []
    for one in unheld_of(plan, at):
        other = plan.seam.pieces[next(k for k in one.between if k != at)].name
        heights = sorted(max(p[2], 0.0) for p in (one.start_mm, one.end_mm))
        high = f"{heights[0]:.0f} to {heights[1]:.0f} mm"
        rows.append(
            (other, metres(one.long_mm), _stations(plan, one), high, _WHY[one.why], _CURE.get(one.why, "strap"))
        )
    return rows


def _stations(plan: MouldPlan, one: Unheld) -> str:
    """'31 to 38': the wall's stations nearest to both ends of a stretch."""
    own = [s for s in plan.wall.stations if s.line == one.line] if plan.wall is not None else []
    if not own:
        return ""
    at = np.array([s.on_seam_mm for s in own])
    ends = sorted(own[int(np.linalg.norm(at - end, axis=1).argmin())].number for end in (one.start_mm, one.end_mm))
    return f"{ends[0]} to {ends[1]}" if ends[0] < ends[1] else f"at {ends[0]}"
