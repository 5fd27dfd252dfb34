"""Flat members nested on sheets as sold: what is cut from which, and how many are bought."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from shapely.geometry import Polygon

from ...geometry.nesting import nest
from ...inputs.catalogue import Catalogue
from .records import SheetLot, Wall

BOARD_MM = 9.0  # ply of flat walls and ribs (common practice, no source)
STRIP_MM = 1.0  # sheet that bends by hand (common practice, no source)
_THICKNESS_MM = {"board": BOARD_MM, "rib": BOARD_MM, "strip": STRIP_MM}


def lay_on_sheets(wall: Wall, catalogue: Catalogue) -> Wall:
    """The wall with its pieces laid out on the catalogue's boards: ply for boards and ribs, thin sheet for strips."""
    members = [(Polygon(p.outline_mm, p.holes_mm), _THICKNESS_MM[p.kind]) for p in wall.pieces]
    return replace(wall, sheets=sheet_lots(members, catalogue))


def sheet_lots(members: Sequence[tuple[Polygon, float]], catalogue: Catalogue) -> tuple[SheetLot, ...]:
    """Members (outline and thickness) on the catalogue's boards of their thickness, thickest first."""
    lots = []
    for thickness in sorted({thick for _, thick in members}, reverse=True):
        numbers = [k for k, (_, thick) in enumerate(members) if thick == thickness]
        board = catalogue.board_for(thickness)
        size = (board.length_mm, board.width_mm)
        laid = nest([members[k][0] for k in numbers], size)
        held = {one.part for one in laid}
        left = tuple(numbers[k] for k in range(len(numbers)) if k not in held)
        count = max((one.sheet for one in laid), default=-1) + 1
        own = tuple(replace(one, part=numbers[one.part]) for one in laid)
        lots.append(SheetLot(board.code, size, count, tuple(one.part for one in own), own, left))
    return tuple(lots)
