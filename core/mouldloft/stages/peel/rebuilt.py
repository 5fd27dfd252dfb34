"""Gloves brushed otherwise, to be peeled where the one planned is in doubt: thicker, with loose pieces, on another
seam."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from ...base.errors import Cancelled, MouldloftError
from ...base.figures import mm
from ...base.progress import Progress
from ...inputs.brief import Brief
from ..master import Master
from ..rubber import Envelope, LoosePiece, Rubber, brush_rubber, look_at_gloves
from ..seam import KIND_NAMES, Seam, SeamCandidate
from .glove import PeelGlove

THICKER = 1.25  # of the skin's thickness: what a brief would be changed by (invented)

Cut = Callable[[np.ndarray, Envelope, Sequence[LoosePiece], Progress], PeelGlove]  # labels of the master's faces first


@dataclass(frozen=True, eq=False)
class Rebuilt:
    """words : what was done. brush : makes the glove ready to peel; None where it comes out as it was, or not at
    all."""

    words: str
    brush: Callable[[Progress], PeelGlove | None]


def rebuilt_gloves(
    master: Master, seam: Seam, rubber: Rubber, brief: Brief, piece: int, cut: Cut
) -> tuple[Rebuilt, ...]:
    """What a brief could ask for in place of the piece's glove; each is brushed when it is asked for.

    cut : an envelope as a glove ready to peel, in cells of the size that the others had.
    """
    return tuple(
        filter(
            None,
            [
                _thicker(master, seam, rubber, brief, piece, cut),
                _with_loose(master, seam, brief, piece, cut),
                _on_another_seam(master, seam, rubber, brief, piece, cut),
            ],
        )
    )


def next_seam(seam: Seam) -> SeamCandidate | None:
    """The cheapest of the other seams that parts the skin otherwise, of those that keep the limits where any does."""
    chosen = seam.labels
    others = [c for c in seam.candidates[1:] if (c.labels != chosen).any()]
    return min(others, key=lambda c: (c.limits.excess, c.price.total), default=None)


def _brushed(
    master: Master, seam: Seam, brief: Brief, piece: int, cut: Cut, progress: Progress, loose_only: bool = False
) -> PeelGlove | None:
    try:
        rubber = brush_rubber(master, seam, brief, progress)
    except Cancelled:
        raise
    except MouldloftError:  # what no plan allows helps nobody
        return None
    envelope = next(one for one in rubber.envelopes if one.piece == piece)
    own = [one for one in rubber.loose if one.piece == piece]
    return None if loose_only and not own else cut(seam.labels, envelope, own, progress)


def _thicker(master: Master, seam: Seam, rubber: Rubber, brief: Brief, piece: int, cut: Cut) -> Rebuilt:
    skin = np.ceil(2 * THICKER * rubber.skin_thickness_mm) / 2
    wanted = replace(brief, rubber=replace(brief.rubber, skin_thickness_mm=float(skin), edge_thickness_mm=None))
    words = f"a skin of {mm(float(skin))} in place of {mm(rubber.skin_thickness_mm)}"
    return Rebuilt(words, lambda progress: _brushed(master, seam, wanted, piece, cut, progress))


def _with_loose(master: Master, seam: Seam, brief: Brief, piece: int, cut: Cut) -> Rebuilt | None:
    """Only where the brief wants none: else those that pay are planned already."""
    if brief.rubber.loose_pieces != "none" or len(seam.pieces) != 2:
        return None
    wanted = replace(brief, rubber=replace(brief.rubber, loose_pieces="where they pay"))
    return Rebuilt(
        "loose pieces in place of deep fill",
        lambda progress: _brushed(master, seam, wanted, piece, cut, progress, loose_only=True),
    )


def _on_another_seam(master: Master, seam: Seam, rubber: Rubber, brief: Brief, piece: int, cut: Cut) -> Rebuilt | None:
    other = next_seam(seam)
    if other is None or len(seam.pieces) != 2:
        return None
    moved = replace(seam, kind=other.kind, labels=other.labels, lines=other.lines, level_mm=None)

    def brush(progress: Progress) -> PeelGlove:
        envelope = look_at_gloves(master, moved, brief, progress).envelopes[piece]
        return cut(other.labels, envelope, (), progress)

    filled = ", fill all rubber" if any(one.piece == piece for one in rubber.loose) else ""
    return Rebuilt(f"another seam, {KIND_NAMES[other.kind]}{filled} (this piece alone)", brush)
