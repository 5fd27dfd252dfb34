"""Loose pieces in glass: laid up on the rubber before the jacket goes over them."""

from __future__ import annotations

from ...base.intervals import interval_of
from ...geometry.frame import as_point
from ...inputs.brief import JacketBrief
from ...trade.laminate import Laminate
from ...trade.lifting import check_lift
from ..rubber import LoosePiece, Rubber
from .record import LooseShell
from .zones import zone_of


def lay_up_loose(rubber: Rubber, field: Laminate, brief: JacketBrief, by_hand: float) -> tuple[LooseShell, ...]:
    """Every loose piece as a closed box of the field's laminate. by_hand : how far hand-laid resin varies, a share."""
    return tuple(_laid(piece, rubber, field, brief, by_hand) for piece in rubber.loose)


def _laid(piece: LoosePiece, rubber: Rubber, field: Laminate, brief: JacketBrief, by_hand: float) -> LooseShell:
    zone = zone_of(piece.name, piece.area_mm2, field)
    kg = zone.glass_kg + zone.resin_kg
    mass = interval_of(kg, (("resin taken up by hand", by_hand), ("overlaps and edges", 0.1)))
    return LooseShell(
        name=piece.name,
        piece=piece.piece,
        under=next(e.name for e in rubber.envelopes if e.piece == piece.piece),
        pull=as_point(piece.frame.pull),
        zone=zone,
        volume_mm3=piece.volume_mm3,
        size_mm=piece.size_mm,
        centre_mm=piece.centre_mm,
        held_at_mm=piece.held_at_mm,
        lift=check_lift(kg, brief, f"the {piece.name}", most_kg=mass.high),
        mass_interval_kg=mass,
    )
