"""The cradle's boards and rails as templates: name, ends, heights, and the slots that hold them together."""

from __future__ import annotations

import numpy as np

from ...geometry.frame import PullFrame
from ...stages.cradle import Board, CradlePiece, top_edge
from ...stages.plan import MouldPlan
from ...stages.rails import Rail
from .fullsize import Template, TemplateLine, TemplateText
from .wall import Imprint, imprint_of

_TICK_MM = 8.0


def cradle_templates(plan: MouldPlan) -> tuple[Template, ...]:
    """A template for every board and rail of every cradle, in the order of the cradle's `shapes`."""
    imprint = imprint_of(plan, [cut for cut, _ in plan.cradle.shapes])
    frames = {e.piece: e.frame for e in plan.rubber.envelopes}
    names = {e.piece: e.name for e in plan.rubber.envelopes}
    made: list[Template] = []
    for piece in plan.cradle.pieces:
        own = frames[piece.piece], names[piece.piece], imprint
        made += [_board(board, piece, *own) for board in piece.boards]
        made += [_rail(rail, piece, *own) for rail in piece.rails]
    return tuple(made)


def end_words(frame: PullFrame, axis: str) -> tuple[str, str]:
    """What the two ends of a pull frame's x or y are called on the master: towards its low end, and its high."""
    way = frame.axes[0 if axis == "x" else 1]
    k = int(np.argmax(np.abs(way)))
    low, high = (("right", "left"), ("front", "back"), ("foot", "head"))[k]
    return (low, high) if way[k] > 0 else (high, low)


def _board(board: Board, piece: CradlePiece, frame: PullFrame, name: str, imprint: Imprint) -> Template:
    outline = board.outline_mm
    long = float(outline[:, 0].max())
    across = "x" if piece.length_axis == "y" else "y"
    ends, along = end_words(frame, across), end_words(frame, piece.length_axis)
    # across, up and along are right-handed only where the piece lies along y
    faces = along[1] if piece.length_axis == "y" else along[0]
    texts: list[TemplateText] = []
    for (x, wide, deep), rail in zip(board.slots_mm, _rails_through(board, piece), strict=True):
        # the words stand to the inside of the slot
        at = x + wide + 3.0 if x < long / 2 else x - 16.0
        texts.append(TemplateText(rail, (at, 0.5 * deep), 3.5))
    lines = [TemplateLine(board.cut_mm), *_heights(outline, texts)]
    station = board.station_mm - min(b.station_mm for b in piece.boards)
    where = f"{station:.0f} mm from the board at the {along[0]}" if station >= 0.5 else f"the board at the {along[0]}"
    middle = 0.5 * long
    low = float(np.interp(middle, *top_edge(outline)))
    big = float(np.clip(0.3 * low, 6.0, 14.0))
    texts += [
        TemplateText(f"{board.name}", (middle - 4.0 * big, 0.55 * low), big),
        TemplateText(f"{name}; {where}; this face to the {faces}", (middle - 70.0, 0.32 * low), 4.0),
        TemplateText(f"{board.thickness_mm:g} mm; stands on this edge  ·  {imprint.words}", (middle - 70.0, 4.0), 3.5),
        TemplateText(ends[0].upper(), (2.0, 14.0), 5.0),
        TemplateText(ends[1].upper(), (long - 18.5, 14.0), 5.0),
    ]  # fmt: skip
    return Template(f"{name}, {board.name}", tuple(lines), tuple(texts))


def _rails_through(board: Board, piece: CradlePiece) -> list[str]:
    """For each of a board's slots, the rail in it; where two meet in it, both."""
    found = []
    for x, _, _ in board.slots_mm:
        own = [r.name for r in piece.rails if board.name in r.boards and abs(r.across_mm - board.start_mm - x) < 1.0]
        found.append(" + ".join(name.split(" ", 1)[1] for name in own))
    return found


def _rail(rail: Rail, piece: CradlePiece, frame: PullFrame, name: str, imprint: Imprint) -> Template:
    outline, high = rail.outline_mm, rail.height_mm
    ends = end_words(frame, piece.length_axis)
    by_name = {b.name: b.station_mm for b in piece.boards}
    texts = [
        TemplateText(board.split(" ", 1)[1], (max(by_name[board] - rail.start_mm - 9.0, 3.0), 0.5 * high - 6.0), 3.5)
        for board in rail.boards
    ]
    at = 0.5 * sum(by_name[b] - rail.start_mm for b in rail.boards[:2]) - 60.0  # between the first two boards
    texts += [
        TemplateText(rail.name, (at, 0.5 * high - 3.0), min(10.0, 0.16 * high)),
        TemplateText(f"{name}; {rail.thickness_mm:g} mm; stands on this edge", (at, 0.22 * high), 3.5),
        TemplateText(imprint.words, (at, 0.08 * high), 3.0),
        TemplateText(ends[0].upper(), (3.0, 3.0), 5.0),
        TemplateText(ends[1].upper(), (rail.length_mm - 22.0, 3.0), 5.0),
    ]
    return Template(f"{name}, {rail.name}", (TemplateLine(outline),), tuple(texts))


def _heights(outline: np.ndarray, texts: list[TemplateText]) -> list[TemplateLine]:
    """Height marks: both shoulders and the lowest place, with words."""
    x, height = top_edge(outline)
    lowest = int(np.argmin(height))
    lines = []
    for k, shift in ((0, 4.0), (lowest, 3.0), (len(x) - 1, -24.0)):
        at, up = float(x[k]), float(height[k])
        lines.append(TemplateLine(np.array([[at, up - _TICK_MM], [at, up]]), closed=False, use="mark"))
        texts.append(TemplateText(f"{up:.0f} high", (at + shift, up - _TICK_MM - 4.0), 4.0))
    return lines
