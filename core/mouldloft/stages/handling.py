"""Who can lift it: every lift that happens in the order of work, with what the hands carry.

A half with its wet cast is tipped up on its foot, and the closed mould is laid down over it, so that the floor carries
the rest: the hands' share is by the lever. Jacket and glove are taken off one after the other, never both at once. A
closed mould that is too much for hands goes down on a rope, which comes before a hoist.
"""

from __future__ import annotations

from collections.abc import Sequence

from ..base.intervals import Interval, exactly
from ..base.marks import Assumption, Mark
from ..inputs.brief import JacketBrief
from ..trade.handling import ROPE_FRICTION, ROPE_TURNS, Grips, Lift, LiftedPart, grips_for, lift_of
from .cast import Cast
from .jacket import Jacket, JacketPiece


def plan_lifts(jacket: Jacket, cast: Cast, brief: JacketBrief) -> tuple[Lift, ...]:
    """Jackets off, gloves peeled, halves stood up with their wet cast, the closed mould laid down, the cast out.

    The closed mould is laid down; hands count their load at the lowest, where it is most.
    """
    out = cast.lift_kg_interval
    off, peeled, stood = [], [], []
    for piece, (whole, most) in zip(jacket.pieces, _with_wet_cast_kg(jacket, cast), strict=True):
        glove = _glove_kg(piece)
        off.append(lift_of("jacket off", piece.name, piece.lift.load_kg, piece.lift.most_kg, brief))
        peeled.append(lift_of("glove peeled", piece.name, glove.likely, glove.high, brief))
        stood.append(lift_of("stood up", piece.name, whole, most, brief, piece.tipped_share))
    cast_out = lift_of("cast out", "", out.likely, out.high, brief)
    return (*off, *peeled, *stood, *_laid_down(stood, brief), cast_out)


def plan_grips(jacket: Jacket, cast: Cast) -> tuple[Grips, ...]:
    """Hand grips, by the heaviest that each jacket piece is moved with: its glove and its wet cast."""
    weights = zip(jacket.pieces, _with_wet_cast_kg(jacket, cast), strict=True)
    return grips_for([LiftedPart(piece.name, most, piece.centre_of_mass_mm) for piece, (_, most) in weights])


def _with_wet_cast_kg(jacket: Jacket, cast: Cast) -> list[tuple[float, float]]:
    """What each half weighs with its glove and its wet cast, likely and at most: its share, by area, of the shell and
    of what is laid in before the halves are shut."""
    out = cast.lift_kg_interval
    shell = out.times(max(out.likely - cast.baseboard_kg, 0.0) / max(out.likely, 1e-9))
    area = max(sum(piece.area_mm2 for piece in jacket.pieces), 1e-9)
    both = [(piece.lift_with_glove, shell.times(piece.area_mm2 / area)) for piece in jacket.pieces]
    return [(lift.load_kg + own.likely, max(lift.most_kg, lift.load_kg) + own.high) for lift, own in both]


def lift_assumptions(lifts: Sequence[Lift]) -> tuple[Assumption, ...]:
    """The rules that lifts rest on, with their marks."""
    tipped = Assumption("what is tipped on its foot", "the lever's share in the hands", Mark.COMMON_PRACTICE, "statics")
    if not any(lift.tail_kg for lift in lifts):
        return (tipped,)
    rope = f"{ROPE_FRICTION:g}, {ROPE_TURNS:g} turn; a rail or post fixed to the building takes it"
    return (tipped, Assumption("friction of a rope round a rail", rope, Mark.MEMORY, "Euler and Eytelwein"))


def _glove_kg(piece: JacketPiece) -> Interval:
    return piece.rubber_interval_kg if piece.rubber_interval_kg is not None else exactly(piece.rubber_mass_kg)


def _laid_down(stood: list[Lift], brief: JacketBrief) -> tuple[Lift, ...]:
    """The closed mould, tipped over on its foot: each piece's moment about it."""
    whole = sum(lift.whole_kg for lift in stood)
    if whole <= 0:
        return ()
    share = sum(lift.load_kg for lift in stood) / whole
    most = sum(lift.most_kg for lift in stood) / share
    return (lift_of("laid down", "", whole, most, brief, share),)
