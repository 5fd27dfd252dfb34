"""Templates at full size: DXF, SVG and PDF in millimetres, the PDF tiled on A4, letter or A3 with marks to join by.

Generic: wall pieces, cradle boards and baseboards all come as named lines and words.
"""

from __future__ import annotations

import io
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Literal
from xml.sax.saxutils import escape

import numpy as np

from ...base.files import write_text, write_via_path, write_whole

Use = Literal["cut", "mark", "fold"]
Page = Literal["A4", "A3", "letter"]

# ISO 216; ANSI/ASME Y14.1 size A
_PAGES_MM: dict[str, tuple[float, float]] = {"A4": (210.0, 297.0), "A3": (297.0, 420.0), "letter": (215.9, 279.4)}
_MARGIN_MM = 12.0  # what office printers leave white, with room to spare (common practice, no source)
_HEAD_MM = 14.0  # strip for name, tile and check ruler
_OVERLAP_MM = 10.0  # shared by neighbouring tiles
_RULER_MM = 100.0
_CROSS_MM = 4.0
_GAP_MM = 25.0  # between templates on one sheet
_TOGETHER_MM = 10.0  # between small ones that share a page
_COLOURS: dict[str, tuple[int, str, tuple[float, float, float]]] = {
    "cut": (7, "#111111", (0.07, 0.07, 0.07)),
    "mark": (5, "#1f5fa8", (0.12, 0.37, 0.66)),
    "fold": (30, "#b85c00", (0.72, 0.36, 0.0)),
}
_TILES_MOST = 2000


@dataclass(frozen=True, eq=False)
class TemplateLine:
    """A line to cut or draw. points_mm : (k, 2); a closed line does not repeat its first."""

    points_mm: np.ndarray
    closed: bool = True
    use: Use = "cut"


@dataclass(frozen=True)
class TemplateText:
    """Words on the template, their lower left corner at at_mm, turned about it (degrees, anticlockwise)."""

    text: str
    at_mm: tuple[float, float]
    height_mm: float = 5.0
    turn_deg: float = 0.0


@dataclass(frozen=True, eq=False)
class Template:
    """One piece to cut at full size. The origin is its own; it is drawn where it falls."""

    name: str
    lines: tuple[TemplateLine, ...]
    texts: tuple[TemplateText, ...] = ()

    def bounds_mm(self) -> tuple[float, float, float, float]:
        """x and y from, x and y to, over lines and the corners of the words."""
        points = [line.points_mm for line in self.lines if len(line.points_mm)]
        points += [np.array([text.at_mm]) for text in self.texts]
        if not points:
            return 0.0, 0.0, 0.0, 0.0
        stacked = np.concatenate(points)
        low, high = stacked.min(axis=0), stacked.max(axis=0)
        return float(low[0]), float(low[1]), float(high[0]), float(high[1])


def _laid_out(templates: Sequence[Template]) -> list[tuple[Template, float, float]]:
    """Templates side by side in rows about as wide as high, with the shift (x, y) of each."""
    boxes = [template.bounds_mm() for template in templates]
    area = sum((b[2] - b[0] + _GAP_MM) * (b[3] - b[1] + _GAP_MM) for b in boxes)
    width = max([float(np.sqrt(area)), *(b[2] - b[0] for b in boxes)])
    placed = []
    x = y = row = 0.0
    for template, (x_low, y_low, x_high, y_high) in zip(templates, boxes, strict=True):
        if x > 0 and x + x_high - x_low > width:
            x, y, row = 0.0, y + row + _GAP_MM, 0.0
        placed.append((template, x - x_low, y - y_low))
        x += x_high - x_low + _GAP_MM
        row = max(row, y_high - y_low)
    return placed


def write_dxf(path: str | Path, templates: Sequence[Template]) -> Path:
    """All templates in one DXF in millimetres, layers CUT, MARK, FOLD, TEXT. Raises `OutputRefused`."""
    import ezdxf
    from ezdxf import units

    drawing = ezdxf.new("R2010", units=units.MM)
    for use, (colour, _, _) in _COLOURS.items():
        drawing.layers.add(use.upper(), color=colour)
    drawing.layers.add("TEXT", color=8)
    space = drawing.modelspace()
    for template, dx, dy in _laid_out(templates):
        for line in template.lines:
            points = np.asarray(line.points_mm, float) + (dx, dy)
            space.add_lwpolyline(points.tolist(), close=line.closed, dxfattribs={"layer": line.use.upper()})
        x_low, y_low, _, _ = template.bounds_mm()
        words = (*template.texts, TemplateText(template.name, (x_low, y_low - 12.0), 8.0))
        for text in words:
            plain = " ".join(text.text.split())  # a line break would end the DXF group
            given = {"layer": "TEXT", "rotation": text.turn_deg}
            entity = space.add_text(plain, height=text.height_mm, dxfattribs=given)
            entity.set_placement((text.at_mm[0] + dx, text.at_mm[1] + dy))
    return write_via_path(path, drawing.saveas)


def write_svg(path: str | Path, templates: Sequence[Template]) -> Path:
    """All templates in one SVG whose user unit is a millimetre, y upward on paper. Raises `OutputRefused`."""
    placed = _laid_out(templates)
    edge = _GAP_MM
    boxes = [(t.bounds_mm(), dx, dy) for t, dx, dy in placed]
    width = max((b[2] + dx for b, dx, _ in boxes), default=0.0) + 2 * edge
    height = max((b[3] + dy for b, _, dy in boxes), default=0.0) + 2 * edge
    body: list[str] = []
    for template, dx, dy in placed:
        body.append(f"<g><title>{escape(_printable(template.name))}</title>")
        for line in template.lines:
            points = np.asarray(line.points_mm, float) + (dx + edge, dy + edge)
            way = " L ".join(f"{x:.3f} {height - y:.3f}" for x, y in points.tolist())
            close = " Z" if line.closed else ""
            dash = ' stroke-dasharray="4 2"' if line.use == "fold" else ""
            body.append(
                f'<path class="{line.use}" d="M {way}{close}" fill="none" stroke="{_COLOURS[line.use][1]}" '
                f'stroke-width="0.25"{dash}/>'
            )
        x_low, y_low, _, _ = template.bounds_mm()
        for text in (*template.texts, TemplateText(template.name, (x_low, y_low - 12.0), 8.0)):
            x, y = text.at_mm[0] + dx + edge, height - (text.at_mm[1] + dy + edge)
            body.append(
                f'<text x="{x:.3f}" y="{y:.3f}" font-family="sans-serif" font-size="{text.height_mm:.2f}"'
                f"{_turned_svg(text, x, y)}>"
                f"{escape(_printable(text.text))}</text>"
            )
        body.append("</g>")
    head = (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width:.3f}mm" height="{height:.3f}mm" '
        f'viewBox="0 0 {width:.3f} {height:.3f}">\n'
    )
    return write_text(path, head + "\n".join(body) + "\n</svg>\n")


def _turned_svg(text: TemplateText, x: float, y: float) -> str:
    return f' transform="rotate({-text.turn_deg:.2f} {x:.3f} {y:.3f})"' if text.turn_deg else ""


def _printable(text: str) -> str:
    """Without the control characters that XML forbids."""
    return "".join(c for c in text if c.isprintable())


@dataclass(frozen=True)
class Tile:
    """One page of a template: its row from the top and column from the left, and the window it shows."""

    row: int
    column: int
    x_mm: float
    y_mm: float
    width_mm: float
    height_mm: float

    @property
    def page_mm(self) -> tuple[float, float]:
        """Width and height of the page it is printed on, upright or lying."""
        return self.width_mm + 2 * _MARGIN_MM, self.height_mm + 2 * _MARGIN_MM + _HEAD_MM

    @property
    def name(self) -> str:
        """Letter of the row and number of the column: B3."""
        letters, row = "", self.row
        while True:
            letters = chr(ord("A") + row % 26) + letters
            row = row // 26 - 1
            if row < 0:
                return f"{letters}{self.column + 1}"


def tiles_of(template: Template, page: Page = "A4") -> list[Tile]:
    """Tiles that cover a template, neighbours sharing 10 mm; those that nothing crosses are left out. The pages stand
    upright, or lie where fewer of them will do."""
    across, up = _PAGES_MM[page]
    return min((_tiled(template, *size) for size in ((across, up), (up, across))), key=len)


def _tiled(template: Template, across: float, up: float) -> list[Tile]:
    width, height = across - 2 * _MARGIN_MM, up - 2 * _MARGIN_MM - _HEAD_MM
    x_low, y_low, x_high, y_high = template.bounds_mm()
    x_low, y_low, x_high, y_high = x_low - 2, y_low - 2, x_high + 2, y_high + 2
    columns = max(int(np.ceil((x_high - x_low - _OVERLAP_MM) / (width - _OVERLAP_MM))), 1)
    rows = max(int(np.ceil((y_high - y_low - _OVERLAP_MM) / (height - _OVERLAP_MM))), 1)
    if rows * columns > _TILES_MOST:
        raise ValueError(f"{template.name} would take {rows * columns} pages")
    tiles = []
    for row in range(rows):
        for column in range(columns):
            x = x_low + column * (width - _OVERLAP_MM)
            y = y_high - height - row * (height - _OVERLAP_MM)
            tile = Tile(row, column, x, y, width, height)
            if rows * columns == 1 or _crossed(template, tile):
                tiles.append(tile)
    return tiles


def _crossed(template: Template, tile: Tile) -> bool:
    import shapely

    # what lies within half the overlap of an inner edge stands on the neighbour too
    half = _OVERLAP_MM / 2
    x_low, y_low, x_high, y_high = template.bounds_mm()
    window = shapely.box(
        tile.x_mm + (half if tile.x_mm > x_low else 0.0),
        tile.y_mm + (half if tile.y_mm > y_low else 0.0),
        tile.x_mm + tile.width_mm - (half if tile.x_mm + tile.width_mm < x_high else 0.0),
        tile.y_mm + tile.height_mm - (half if tile.y_mm + tile.height_mm < y_high else 0.0),
    )
    lines = [_shape(line) for line in template.lines]
    return bool(lines) and bool(np.any(shapely.intersects(np.array(lines, dtype=object), window)))


def _shape(line: TemplateLine) -> Any:
    import shapely

    points = np.asarray(line.points_mm, float)
    if len(points) == 1:
        return shapely.Point(points[0])
    return shapely.LineString(np.concatenate([points, points[:1]]) if line.closed else points)


def write_pdf(path: str | Path, templates: Iterable[Template], page: Page = "A4", title: str = "") -> Path:
    """Templates at full size on A4, letter or A3 pages, each after a small plan of its tiles; those that fit a page
    together share it, after the rest. Raises `OutputRefused`.

    Every page carries the template's and the tile's name, a 100 mm ruler to check the printer by, and
    crosses where the window's corners lie; crosses of neighbouring tiles fall on one another once the pages
    are joined.
    """
    from reportlab.pdfgen import canvas

    buffer = io.BytesIO()
    sheet = canvas.Canvas(buffer, pagesize=tuple(v * _POINT for v in _PAGES_MM[page]), invariant=1, pageCompression=1)
    sheet.setTitle(title or "Templates at full size")
    _use_font()
    for template in _sharing_pages(list(templates), page):
        tiles = tiles_of(template, page)
        if len(tiles) > 1:
            _draw_key_page(sheet, template, tiles, page)
        for tile in tiles:
            _draw_tile(sheet, template, tile, tiles)
    sheet.save()
    data = buffer.getvalue()
    return write_whole(path, lambda handle: handle.write(data))


def _sharing_pages(templates: Sequence[Template], page: Page) -> list[Template]:
    """The templates in their order, those that several of fit one upright page put together, last; each keeps the words
    on it."""
    width = _PAGES_MM[page][0] - 2 * _MARGIN_MM - 4.0
    height = _PAGES_MM[page][1] - 2 * _MARGIN_MM - _HEAD_MM - 4.0
    alone, shared = [], []
    row: list[Template] = []  # of the page being filled
    x = y = tall = 0.0
    for template in templates:
        x_low, y_low, x_high, y_high = template.bounds_mm()
        wide, high = x_high - x_low, y_high - y_low
        if wide > width or high > 0.5 * height:
            alone.append(template)
            continue
        if x > 0 and x + wide > width:
            x, y, tall = 0.0, y + tall + _TOGETHER_MM, 0.0
        if row and y + high > height:
            shared.append(_together(row))
            row, x, y, tall = [], 0.0, 0.0, 0.0
        row.append(_moved(template, x - x_low, -y - y_high))
        x, tall = x + wide + _TOGETHER_MM, max(tall, high)
    return [*alone, *shared, *([_together(row)] if row else [])]


def _moved(template: Template, dx: float, dy: float) -> Template:
    lines = tuple(replace(line, points_mm=np.asarray(line.points_mm, float) + (dx, dy)) for line in template.lines)
    texts = tuple(replace(text, at_mm=(text.at_mm[0] + dx, text.at_mm[1] + dy)) for text in template.texts)
    return Template(template.name, lines, texts)


def _together(templates: Sequence[Template]) -> Template:
    name = ", ".join(template.name for template in templates)
    lines = tuple(line for template in templates for line in template.lines)
    return Template(name, lines, tuple(text for template in templates for text in template.texts))


_POINT = 72.0 / 25.4
_FONT = "Vera"
LETTER = 0.62  # of its height, a letter's width in the mean


def _use_font() -> None:
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfbase.ttfonts import TTFont

    if _FONT not in pdfmetrics.getRegisteredFontNames():
        pdfmetrics.registerFont(TTFont(_FONT, "Vera.ttf"))  # comes with reportlab


def _words(sheet: Any, x_mm: float, y_mm: float, text: str, height_mm: float, right: bool = False) -> None:
    sheet.setFont(_FONT, height_mm * _POINT)
    draw = sheet.drawRightString if right else sheet.drawString
    draw(x_mm * _POINT, y_mm * _POINT, _printable(text))


def _draw_lines(sheet: Any, template: Template, dx: float, dy: float, scale: float, weight: float) -> None:
    """Lines of a template moved by (dx, dy) mm, after scaling."""
    sheet.setLineJoin(1)
    for line in template.lines:
        points = (np.asarray(line.points_mm, float) * scale + (dx, dy)) * _POINT
        sheet.setStrokeColorRGB(*_COLOURS[line.use][2])
        # what is cut differs from what is drawn in black and white too
        sheet.setLineWidth(weight * _POINT * (1.6 if line.use == "cut" else 0.7))
        if line.use == "fold":
            sheet.setDash(4 * _POINT, 2 * _POINT)
        way = sheet.beginPath()
        way.moveTo(*points[0].tolist())
        for x, y in points[1:].tolist():
            way.lineTo(x, y)
        if line.closed:
            way.close()
        sheet.drawPath(way)
        sheet.setDash()


def _draw_tile(sheet: Any, template: Template, tile: Tile, tiles: list[Tile]) -> None:
    across, up = tile.page_mm
    sheet.setPageSize((across * _POINT, up * _POINT))
    dx, dy = _MARGIN_MM - tile.x_mm, _MARGIN_MM - tile.y_mm
    sheet.saveState()
    window = sheet.beginPath()
    window.rect(_MARGIN_MM * _POINT, _MARGIN_MM * _POINT, tile.width_mm * _POINT, tile.height_mm * _POINT)
    sheet.clipPath(window, stroke=0, fill=0)
    _draw_lines(sheet, template, dx, dy, 1.0, 0.25)
    sheet.setFillColorRGB(0.07, 0.07, 0.07)
    for text in template.texts:
        sheet.saveState()
        sheet.translate((text.at_mm[0] + dx) * _POINT, (text.at_mm[1] + dy) * _POINT)
        sheet.rotate(text.turn_deg)
        _words(sheet, 0.0, 0.0, text.text, text.height_mm)
        sheet.restoreState()
    sheet.restoreState()
    _draw_crosses(sheet, tile)
    sheet.setFillColorRGB(0.07, 0.07, 0.07)
    head = up - _MARGIN_MM - 4.0
    others = {(t.row, t.column): t.name for t in tiles}
    beside = [
        f"{word} {others[at]}"
        for word, at in (
            ("left", (tile.row, tile.column - 1)),
            ("right", (tile.row, tile.column + 1)),
            ("above", (tile.row - 1, tile.column)),
            ("below", (tile.row + 1, tile.column)),
        )
        if at in others
    ]
    title = f"{template.name}   {tile.name}" if len(tiles) > 1 else template.name
    room = across - 2 * _MARGIN_MM - _RULER_MM - 4.0
    _words(sheet, _MARGIN_MM, head, title, min(4.0, room / (LETTER * len(title))))
    _words(sheet, _MARGIN_MM, head - 5.0, "joins " + ", ".join(beside) if beside else "whole on this page", 2.8)
    _draw_ruler(sheet, across - _MARGIN_MM - _RULER_MM, head - 3.0)
    sheet.showPage()


def _draw_crosses(sheet: Any, tile: Tile) -> None:
    """A cross half an overlap inside each corner of the window, so that neighbours draw the same ones."""
    sheet.setStrokeColorRGB(0.35, 0.35, 0.35)
    sheet.setLineWidth(0.15 * _POINT)
    half = _OVERLAP_MM / 2
    for x in (_MARGIN_MM + half, _MARGIN_MM + tile.width_mm - half):
        for y in (_MARGIN_MM + half, _MARGIN_MM + tile.height_mm - half):
            sheet.line((x - _CROSS_MM) * _POINT, y * _POINT, (x + _CROSS_MM) * _POINT, y * _POINT)
            sheet.line(x * _POINT, (y - _CROSS_MM) * _POINT, x * _POINT, (y + _CROSS_MM) * _POINT)
            sheet.circle(x * _POINT, y * _POINT, 0.5 * _CROSS_MM * _POINT, stroke=1, fill=0)


def _draw_ruler(sheet: Any, x_mm: float, y_mm: float) -> None:
    sheet.setStrokeColorRGB(0.07, 0.07, 0.07)
    sheet.setLineWidth(0.2 * _POINT)
    sheet.line(x_mm * _POINT, y_mm * _POINT, (x_mm + _RULER_MM) * _POINT, y_mm * _POINT)
    for k in range(11):
        tick = 3.0 if k % 5 == 0 else 1.8
        x = (x_mm + k * _RULER_MM / 10) * _POINT
        sheet.line(x, y_mm * _POINT, x, (y_mm + tick) * _POINT)
    _words(sheet, x_mm + _RULER_MM, y_mm - 3.4, "100 mm: measure before cutting, print at 100 %", 2.4, right=True)


def _draw_key_page(sheet: Any, template: Template, tiles: list[Tile], page: Page) -> None:
    """The whole template in small, with its tiles and their names, on a page that lies as they do."""
    across, up = tiles[0].page_mm
    sheet.setPageSize((across * _POINT, up * _POINT))
    x_low, y_low = min(t.x_mm for t in tiles), min(t.y_mm for t in tiles)
    x_high = max(t.x_mm + t.width_mm for t in tiles)
    y_high = max(t.y_mm + t.height_mm for t in tiles)
    room_x, room_y = across - 2 * _MARGIN_MM, up - 2 * _MARGIN_MM - _HEAD_MM
    scale = min(room_x / (x_high - x_low), room_y / (y_high - y_low), 1.0)
    dx, dy = _MARGIN_MM - x_low * scale, up - _MARGIN_MM - _HEAD_MM - y_high * scale
    _draw_lines(sheet, template, dx, dy, scale, 0.25)
    sheet.setStrokeColorRGB(0.6, 0.6, 0.6)
    sheet.setLineWidth(0.12 * _POINT)
    sheet.setFillColorRGB(0.4, 0.4, 0.4)
    for tile in tiles:
        x, y = tile.x_mm * scale + dx, tile.y_mm * scale + dy
        wide, high = tile.width_mm * scale, tile.height_mm * scale
        sheet.rect(x * _POINT, y * _POINT, wide * _POINT, high * _POINT, stroke=1, fill=0)
        size = min(6.0, 0.25 * high)
        _words(sheet, x + 0.06 * wide, y + high - 1.4 * size, tile.name, size)
    sheet.setFillColorRGB(0.07, 0.07, 0.07)
    head = up - _MARGIN_MM - 4.0
    _words(sheet, _MARGIN_MM, head, template.name, 4.0)
    box = template.bounds_mm()
    _words(
        sheet,
        _MARGIN_MM,
        head - 5.0,
        f"{len(tiles)} pages of {page}; {box[2] - box[0]:.0f} x {box[3] - box[1]:.0f} mm; trim to the crosses, "
        "lay cross on cross, tape",
        2.8,
    )
    sheet.showPage()
