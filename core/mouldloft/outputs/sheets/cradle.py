"""The cradle put together: seen from above and from the side, with what a person measures."""

from __future__ import annotations

from reportlab.lib.colors import HexColor
from reportlab.lib.units import mm as MM
from reportlab.pdfgen.canvas import Canvas

from ...stages.cradle import Board, CradlePiece
from ...stages.plan import MouldPlan
from ..look import INK, SOFT_INK
from ..templates.cradle import end_words
from .typeset import Placed, house_fonts

_WOOD = "#d9c39a"
_HIGHEST = 85 * MM  # of the view from above on the page
_GAP = 26.0
_LEFT = 44.0  # room for words beside the views


def cradle_drawing(plan: MouldPlan, piece: int, inner: float) -> Placed | None:
    """From above, with the boards' places and lengths, and from the side, with their heights; None without boards."""
    cradle = next((c for c in plan.cradle.pieces if c.piece == piece), None)
    if cradle is None or not cradle.boards:
        return None
    frame = next(e.frame for e in plan.rubber.envelopes if e.piece == piece)
    ends = end_words(frame, cradle.length_axis), end_words(frame, "x" if cradle.length_axis == "y" else "y")
    boards = sorted(cradle.boards, key=lambda board: board.station_mm)
    first, last = boards[0].station_mm, boards[-1].station_mm
    low = min(b.start_mm for b in boards)
    wide = max(b.start_mm + float(b.outline_mm[:, 0].max()) for b in boards) - low
    tall = max(float(b.outline_mm[:, 1].max()) for b in boards)
    long = last - first + boards[0].thickness_mm
    scale = min((inner - 2 * _LEFT) / long, _HIGHEST / wide)

    def draw(canvas: Canvas) -> None:
        base = _side(canvas, cradle, boards, first, scale, tall)
        _above(canvas, cradle, boards, (first, low), scale, base + _GAP)
        _end_labels(canvas, ends, long * scale, (base + _GAP, wide * scale))

    return Placed(inner, tall * scale + wide * scale + 2 * _GAP + 20.0, draw)


def _box(canvas: Canvas, x: float, y: float, wide: float, high: float) -> None:
    canvas.setFillColor(HexColor(_WOOD))
    canvas.setStrokeColor(HexColor(INK))
    canvas.setLineWidth(0.5)
    canvas.rect(x, y, wide, high, stroke=1, fill=1)


def _word(canvas: Canvas, x: float, y: float, words: str, size: float = 6.4, colour: str = INK) -> None:
    canvas.setFont(house_fonts()["regular"], size)
    canvas.setFillColor(HexColor(colour))
    canvas.drawCentredString(x, y, words)


def _side(canvas: Canvas, cradle: CradlePiece, boards: list[Board], first: float, scale: float, tall: float) -> float:
    """From the side: each board's thickness and height, and the rail they stand in. Returns the height drawn."""
    y = 14.0
    canvas.setStrokeColor(HexColor(SOFT_INK))
    canvas.line(_LEFT - 10, y, _LEFT + 10 + (boards[-1].station_mm - first + boards[0].thickness_mm) * scale, y)
    near = [rail for rail in cradle.rails if rail.across_mm == cradle.rails[0].across_mm]
    for rail in near:
        x = _LEFT + (rail.start_mm + rail.thickness_mm / 2.0 - first) * scale
        _box(canvas, x, y, rail.length_mm * scale, rail.height_mm * scale)
    for board in boards:
        x = _LEFT + (board.station_mm - first) * scale
        high = float(board.outline_mm[:, 1].max())
        _box(canvas, x, y, max(board.thickness_mm * scale, 1.5), high * scale)
        _word(canvas, x, y - 8.0, board.name)
        _word(canvas, x, y + high * scale + 3.0, f"{high:.0f}")
    return y + tall * scale + 10.0


def _above(
    canvas: Canvas, cradle: CradlePiece, boards: list[Board], corner: tuple[float, float], scale: float, base: float
) -> None:
    """From above: boards as bars over the rails they are slotted on, distances from the first board."""
    first, low = corner
    for rail in cradle.rails:
        x = _LEFT + (rail.start_mm + rail.thickness_mm / 2.0 - first) * scale
        y = base + (rail.across_mm - low) * scale
        _box(canvas, x, y, rail.length_mm * scale, max(rail.thickness_mm * scale, 1.5))
        bay = (boards[1].station_mm - boards[0].station_mm) * scale if len(boards) > 1 else rail.length_mm * scale
        for row, said in enumerate((rail.name, f"{rail.length_mm:.0f} × {rail.height_mm:.0f}, slots half as deep")):
            _word(canvas, _LEFT + bay / 2, y - 8.0 - 7.5 * row, said, colour=SOFT_INK)
    top = base + max(b.start_mm - low + float(b.outline_mm[:, 0].max()) for b in boards) * scale
    for board in boards:
        x = _LEFT + (board.station_mm - first) * scale
        long = float(board.outline_mm[:, 0].max())
        _box(canvas, x, base + (board.start_mm - low) * scale, max(board.thickness_mm * scale, 1.5), long * scale)
        _word(canvas, x, top + 4.0, f"{board.name}: {board.station_mm - first:.0f}")


def _end_labels(
    canvas: Canvas, ends: tuple[tuple[str, str], tuple[str, str]], long: float, view: tuple[float, float]
) -> None:
    base, wide = view
    along, across = ends
    _word(canvas, 0.45 * _LEFT, base + wide / 2, along[0], 7.0)
    _word(canvas, 1.55 * _LEFT + long, base + wide / 2, along[1], 7.0)
    _word(canvas, 0.45 * _LEFT, base + 3.0, across[0], 7.0)
    _word(canvas, 0.45 * _LEFT, base + wide - 9.0, across[1], 7.0)
