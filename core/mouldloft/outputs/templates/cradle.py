"""The cradle's boards as templates: name, ends, heights, seats of the rails, centre line; nested on sheets as sold."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from shapely.geometry import Polygon

from ...geometry.frame import PullFrame
from ...geometry.nesting import nest
from ...inputs.catalogue import Catalogue
from ...stages.cradle import Board, CradlePiece
from ...stages.plan import MouldPlan
from ...stages.wall import SheetLot
from .fullsize import Template, TemplateLine, TemplateText
from .wall import Imprint, imprint_of

_TICK_MM = 8.0


def cradle_templates(plan: MouldPlan) -> tuple[Template, ...]:
    """A template for every board of every cradle, in their order."""
    outlines = [b.outline_mm for piece in plan.cradle.pieces for b in piece.boards]
    imprint = imprint_of(plan, outlines)
    frames = {e.piece: e.frame for e in plan.rubber.envelopes}
    names = {e.piece: e.name for e in plan.rubber.envelopes}
    return tuple(
        _board(board, piece, frames[piece.piece], names[piece.piece], imprint)
        for piece in plan.cradle.pieces
        for board in piece.boards
    )


def cradle_sheets(plan: MouldPlan, catalogue: Catalogue) -> tuple[SheetLot, ...]:
    """Where the boards lie on sheets of the catalogue's board of their thickness."""
    boards = [b for piece in plan.cradle.pieces for b in piece.boards]
    if not boards:
        return ()
    material = catalogue.board_for(max(b.thickness_mm for b in boards))
    size = (material.length_mm, material.width_mm)
    laid = nest([Polygon(b.outline_mm) for b in boards], size)
    held = {one.part for one in laid}
    count = max((one.sheet for one in laid), default=-1) + 1
    left = tuple(k for k in range(len(boards)) if k not in held)
    return (SheetLot(material.code, size, count, tuple(sorted(held)), laid, left),)


def end_words(frame: PullFrame, axis: str) -> tuple[str, str]:
    """What the two ends of a pull frame's x or y are called on the master: towards its low end, and its high."""
    way = frame.axes[0 if axis == "x" else 1]
    k = int(np.argmax(np.abs(way)))
    low, high = (("right", "left"), ("front", "back"), ("foot", "head"))[k]
    return (low, high) if way[k] > 0 else (high, low)


def rail_seats(piece: CradlePiece) -> list[tuple[int, int, float]]:
    """Where rails butt on boards: board and its neighbour, by number, and x along the first from its own end; each rail
    is on both its boards."""
    boards = sorted(piece.boards, key=lambda board: board.station_mm)
    height = next((row[3] for row in piece.cut_list if row[0] == "rail"), 0.0)
    number = {id(b): k for k, b in enumerate(piece.boards)}
    found = []
    for one, other in pairwise(boards):
        if height <= 0 or other.station_mm - one.station_mm - one.thickness_mm <= 0:
            continue
        left = max(one.start_mm, other.start_mm)
        right = min(b.start_mm + float(b.outline_mm[:, 0].max()) for b in (one, other)) - one.thickness_mm
        for start in (left, right):
            found += [(number[id(a)], number[id(b)], start - a.start_mm) for a, b in ((one, other), (other, one))]
    return found


def _board(board: Board, piece: CradlePiece, frame: PullFrame, name: str, imprint: Imprint) -> Template:
    outline = board.outline_mm
    long = float(outline[:, 0].max())
    across = "x" if piece.length_axis == "y" else "y"
    ends, along = end_words(frame, across), end_words(frame, piece.length_axis)
    # across, up and along are right-handed only where the piece lies along y
    faces = along[1] if piece.length_axis == "y" else along[0]
    own = next(k for k, b in enumerate(piece.boards) if b is board)
    lines = [TemplateLine(outline)]
    texts: list[TemplateText] = []
    height = next((row[3] for row in piece.cut_list if row[0] == "rail"), 0.0)
    for first, other, x in rail_seats(piece):
        if first == own:
            seat = np.array([[x, 0.0], [x, height], [x + board.thickness_mm, height], [x + board.thickness_mm, 0.0]])
            lines.append(TemplateLine(seat, closed=False, use="mark"))
            inwards = x + board.thickness_mm + 3.0 if x < long / 2 else x - 34.0
            side = along[0] if piece.boards[other].station_mm < board.station_mm else along[1]
            at = 16.0 if side == along[0] else 26.0
            texts.append(TemplateText(f"rail, {side} face", (inwards, at), 3.5))
    lines += _heights(outline, texts)
    station = board.station_mm - min(b.station_mm for b in piece.boards)
    middle = 0.5 * long
    low = float(np.interp(middle, *_top_edge(outline)))
    big = float(np.clip(0.3 * low, 6.0, 14.0))
    texts += [
        TemplateText(f"{board.name}", (middle - 4.0 * big, 0.55 * low), big),
        TemplateText(f"{name}; {station:.0f} mm from the {along[0]} board; this face to the {faces}",
                     (middle - 70.0, 0.32 * low), 4.0),
        TemplateText(f"{board.thickness_mm:g} mm; stands on this edge   {imprint.words}", (middle - 70.0, 4.0), 3.5),
        TemplateText(ends[0].upper(), (6.0, 4.0), 5.0),
        TemplateText(ends[1].upper(), (long - 28.0, 4.0), 5.0),
    ]  # fmt: skip
    return Template(f"{name}, {board.name}", tuple(lines), tuple(texts))


def _top_edge(outline: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """x and height of the edge the jacket lies on, by rising x: the outline runs along the floor, then back over it."""
    top = outline[2:][::-1]
    order = np.argsort(top[:, 0], kind="stable")
    return top[order, 0], top[order, 1]


def _heights(outline: np.ndarray, texts: list[TemplateText]) -> list[TemplateLine]:
    """Height marks: both shoulders and the lowest place, with words."""
    x, height = _top_edge(outline)
    lowest = int(np.argmin(height))
    lines = []
    for k, shift in ((0, 4.0), (lowest, 3.0), (len(x) - 1, -24.0)):
        at, up = float(x[k]), float(height[k])
        lines.append(TemplateLine(np.array([[at, up - _TICK_MM], [at, up]]), closed=False, use="mark"))
        texts.append(TemplateText(f"{up:.0f} high", (at + shift, up - _TICK_MM - 4.0), 4.0))
    return lines
