"""Of more than two pieces: stretches of a joint where no bolt or clamp stands, and why none can."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import ndimage
from scipy.spatial import cKDTree

from ...base.kept import kept_with_owner
from ...geometry.frame import as_point
from ...geometry.polyline import spaced_out
from ..rubber import Rubber
from ..seam import Seam, SeamLine
from .fasteners import Meeting, meetings_of
from .record import Jacket

_STEP_MM = 5.0  # along the seam
_SLACK = 1.05  # of the way from a bolt to the seam half a pitch on: the seam bends otherwise than the flange
_SHORTEST_MM, _JOINED_MM = 10.0, 40.0  # of a stretch, and of what parts two
_LOOKED_AT = 12  # places of a stretch that are asked what is in a bolt's way
_FEW = 0.25  # of the flange looked at: less is none

RUBBER, THREE, LEANS, NARROW = "rubber in the way", "three pieces meet", "leans", "narrow"


@dataclass(frozen=True)
class Unheld:
    """A stretch of a joint further than half a bolt's pitch from any bolt or clamp.

    between : numbers of the two pieces; line : of the seam's lines; start_mm, end_mm : its ends on the seam, plan
    coordinates; long_mm : along the seam. why : one of RUBBER, THREE, LEANS, NARROW.
    """

    between: tuple[int, int]
    line: int
    start_mm: tuple[float, float, float]
    end_mm: tuple[float, float, float]
    long_mm: float
    why: str


@kept_with_owner(1)
def unheld_stretches(jacket: Jacket, rubber: Rubber, seam: Seam) -> tuple[Unheld, ...]:
    """Every such stretch, in the order of the seam's lines; none of two pieces, whose flanges are bolted all round."""
    if len(seam.pieces) < 3:
        return ()
    section = rubber.built_to
    places = [place for piece in jacket.pieces for place in (*piece.bolts_mm, *piece.clamps_mm)]
    held = np.array(places, float).reshape(-1, 3)
    off = section.reach_mm - section.jacket_flange_mm / 2.0  # from the seam to the line the bolts stand on
    within = _SLACK * float(np.hypot(section.bolt_pitch_mm / 2.0, off))
    meetings = {(m.one, m.other): m for m in meetings_of(rubber)}
    found = []
    for number, line in enumerate(seam.lines):
        at = spaced_out(line.points_mm, line.closed, _STEP_MM)
        away = cKDTree(held).query(at)[0] if len(held) else np.full(len(at), np.inf)
        bare = ndimage.binary_closing(away > within, np.ones(round(_JOINED_MM / _STEP_MM) + 1))
        for stretch in _runs(at, bare | (away > within), line):
            why = _why(stretch, meetings[line.between], section.reach_mm)
            long = float(np.linalg.norm(np.diff(stretch, axis=0), axis=1).sum())
            found.append(Unheld(line.between, number, as_point(stretch[0]), as_point(stretch[-1]), long, why))
    return tuple(one for one in found if one.long_mm >= _SHORTEST_MM)


def _runs(at: np.ndarray, bare: np.ndarray, line: SeamLine) -> list[np.ndarray]:
    """Stretches of a line's places ((k, 3)) that are bare; on a closed line one may go past its end."""
    if bare.all() or not bare.any():
        return [at] if bare.any() else []
    if line.closed:
        shift = int(np.flatnonzero(~bare)[0])
        at, bare = np.roll(at, -shift, axis=0), np.roll(bare, -shift)
    edge = np.flatnonzero(np.diff(np.concatenate([[0], bare.astype(np.int8), [0]])))
    return [at[a:b] for a, b in zip(edge[::2], edge[1::2], strict=True)]


def _why(stretch: np.ndarray, meeting: Meeting, reach_mm: float) -> str:
    """What is in a bolt's way along most of a stretch: asked of the flange beside a few of its places."""
    spots, points = meeting.flange_places()
    looked = stretch[np.linspace(0, len(stretch) - 1, min(_LOOKED_AT, len(stretch))).astype(int)]
    if len(spots):
        near = cKDTree(looked).query(points)[0] <= 1.2 * reach_mm
        spots = spots[near]
    if len(spots) < _LOOKED_AT:
        return NARROW
    checks: tuple[tuple[str, Callable[[np.ndarray], np.ndarray]], ...] = (
        (THREE, meeting.off_third), (RUBBER, meeting.has_room), (LEANS, meeting.upright),
    )  # fmt: skip
    left = spots
    for why, passes in checks:
        kept = left[passes(left)]
        if len(kept) < _FEW * len(spots):
            return why
        left = kept
    return NARROW
