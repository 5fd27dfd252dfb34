"""Type, tables and pictures on paper, shared by every sheet."""

from __future__ import annotations

import functools
import io
import struct
from collections.abc import Sequence
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape

import numpy as np
from PIL import Image
from reportlab import rl_config
from reportlab.lib.colors import HexColor
from reportlab.lib.enums import TA_RIGHT
from reportlab.lib.pagesizes import A4, letter
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm as MM
from reportlab.lib.utils import ImageReader
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.cidfonts import UnicodeCIDFont
from reportlab.pdfbase.ttfonts import TTFError, TTFont
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import CondPageBreak, Flowable, Paragraph, Spacer, Table, TableStyle

from ...inputs.brief import JobBrief
from ...stages.plan import MouldPlan
from ..look import BACKDROP, FONT_FILES, HAIRLINE, INK, SOFT_INK, font_path

rl_config.useA85 = 0  # pictures as they are: as text they are a quarter larger, and slow to turn into it

PAGE = A4
MARGIN = 16 * MM
_JPEG_QUALITY = 88


def paper_of(plan: MouldPlan) -> tuple[float, float]:
    """Width and height of the sheets' paper in points, by the brief."""
    return paper_for(plan.brief.job)


def paper_for(job: JobBrief) -> tuple[float, float]:
    """Width and height of the paper a job's sheets are on, in points."""
    width, height = letter if job.paper == "letter" else A4
    return float(width), float(height)


@functools.cache
def house_fonts() -> dict[str, str]:
    """Register the house type once; returns PDF font names by weight."""
    names = {}
    for weight in FONT_FILES:
        names[weight] = f"House-{weight}"
        pdfmetrics.registerFont(TTFont(names[weight], str(font_path(weight))))
    for name in ("HeiseiKakuGo-W5", "STSong-Light", "HYGothic-Medium"):
        pdfmetrics.registerFont(UnicodeCIDFont(name))
    pdfmetrics.registerFontFamily(
        names["regular"],
        normal=names["regular"],
        bold=names["strong"],
        italic=names["italic"],
        boldItalic=names["strong"],
    )
    return names


_FONT_FOLDERS = (
    "/usr/share/fonts", "/usr/local/share/fonts", "~/.local/share/fonts", "~/.fonts", "/Library/Fonts",
    "/System/Library/Fonts", "~/Library/Fonts", "C:/Windows/Fonts",
)  # fmt: skip
_MOST_FONTS = 600  # files looked at for a script the house type lacks


@functools.cache
def _script_font(character: str) -> str | None:
    """Name of a font for a character that the house type lacks: one of this machine's, to be embedded; else one that
    most PDF readers bring for the scripts of East Asia; else None."""
    for name, known in _machine_fonts():
        if ord(character) in known:
            return name
    code = ord(character)
    if 0x3040 <= code <= 0x30FF:
        return "HeiseiKakuGo-W5"
    if 0xAC00 <= code <= 0xD7AF or 0x1100 <= code <= 0x11FF:
        return "HYGothic-Medium"
    if 0x3000 <= code <= 0x303F or 0x3400 <= code <= 0x9FFF or 0xFF00 <= code <= 0xFFEF:
        return "STSong-Light"
    return None


@functools.cache
def _machine_fonts() -> tuple[tuple[str, frozenset[int]], ...]:
    """This machine's TrueType fonts that can be embedded, registered, with the characters they have."""
    files: list[Path] = []
    for folder in _FONT_FOLDERS:
        root = Path(folder).expanduser()
        if root.is_dir():
            files += [f for f in sorted(root.rglob("*")) if f.suffix.lower() in (".ttf", ".ttc")]
    found = []
    for at, file in enumerate(files[:_MOST_FONTS]):
        try:
            font = TTFont(f"Machine-{at}", str(file))
        except (OSError, ValueError, TTFError, KeyError, IndexError, struct.error):
            continue  # outlines or tables that cannot be embedded
        pdfmetrics.registerFont(font)
        found.append((font.fontName, frozenset(font.face.charToGlyph)))
    return tuple(found)


@functools.cache
def _known_characters() -> frozenset[int]:
    house_fonts()
    return frozenset(pdfmetrics.getFont("House-regular").face.charToGlyph)


def marked_up(text: str) -> str:
    """Text safe to set: markup escaped, control characters dropped, scripts the house type lacks in another font."""
    known = _known_characters()
    parts: list[str] = []
    for character in str(text):
        if ord(character) < 32 or 0xD800 <= ord(character) <= 0xDFFF:
            parts.append(" ")
        elif ord(character) in known:
            parts.append(escape(character))
        elif (font := _script_font(character)) is not None:
            parts.append(f'<font name="{font}">{escape(character)}</font>')
        else:
            parts.append("?")
    return "".join(parts)


def type_style(
    weight: str = "regular", size: float = 9.0, leading: float | None = None, colour: str = INK, **more: Any
) -> ParagraphStyle:
    return ParagraphStyle(
        f"{weight}{size}{colour}{sorted(more.items())}",
        fontName=house_fonts()[weight],
        fontSize=size,
        leading=leading or size * 1.35,
        textColor=HexColor(colour),
        splitLongWords=1,
        **more,
    )


def set_text(words: str, **style: Any) -> Paragraph:
    return Paragraph(marked_up(words), type_style(**style))


def set_rich(words: str, **style: Any) -> Paragraph:
    """A paragraph of our own markup; what comes from outside has gone through `marked_up`."""
    return Paragraph(words, type_style(**style))


def fitted(words: str, width: float, height: float, sizes: Sequence[float], weight: str) -> tuple[Paragraph, float]:
    """The words in the largest of `sizes` that fits the box, shortened if none does; with its height."""
    for size in sizes:
        paragraph = set_text(words, weight=weight, size=size, leading=size * 1.12)
        _, used = paragraph.wrap(width, 10_000)
        if used <= height:
            return paragraph, used
    while len(words) > 4:
        words = words[: int(len(words) * 0.9)].rstrip()
        paragraph = set_text(words + "…", weight=weight, size=sizes[-1], leading=sizes[-1] * 1.12)
        _, used = paragraph.wrap(width, 10_000)
        if used <= height:
            break
    return paragraph, used


def put(canvas: Canvas, part: Flowable, x: float, y: float, width: float) -> float:
    """Draw a flowable below y; returns where it ends."""
    _, used = part.wrap(width, 10_000)
    part.drawOn(canvas, x, y - used)
    return y - used


def draw_label(canvas: Canvas, words: str, x: float, y: float) -> None:
    canvas.setFont(house_fonts()["strong"], 7.6)
    canvas.setFillColor(HexColor(INK))
    canvas.drawString(x, y, words)


def image_reader(picture: np.ndarray) -> ImageReader:
    held = io.BytesIO()
    Image.fromarray(picture).save(held, "JPEG", quality=_JPEG_QUALITY, subsampling=0)
    held.seek(0)
    return ImageReader(held)


def draw_polyline(canvas: Canvas, points: np.ndarray) -> None:
    path = canvas.beginPath()
    path.moveTo(*points[0])
    for x, y in points[1:]:
        path.lineTo(x, y)
    canvas.drawPath(path, stroke=1, fill=0)


_TOGETHER = 3  # last rows of a table that stay on one page


def ruled_table(
    head: Sequence[str],
    rows: Sequence[Sequence[str | Flowable]],
    widths: Sequence[float],
    right: Sequence[int] = (),
    size: float = 8.0,
    total: bool = False,
    tight: bool = False,
) -> Table:
    """A plain table: hairlines, figures to the right in the `right` columns; the last row strong if `total`; `tight`
    with rows closer together."""

    def cell(words: str | Flowable, column: int, weight: str, colour: str = INK) -> Flowable:
        if isinstance(words, Flowable):
            return words
        more = {"alignment": TA_RIGHT} if column in right else {}
        return set_text(words, weight=weight, size=size, leading=size * 1.25, colour=colour, **more)

    body = [[cell(w, k, "strong", SOFT_INK) for k, w in enumerate(head)]] if head else []
    for at, row in enumerate(rows):
        weight = "strong" if total and at == len(rows) - 1 else "regular"
        body.append([cell(w, k, weight) for k, w in enumerate(row)])
    table = Table(body, colWidths=list(widths), repeatRows=1 if head else 0, hAlign="LEFT")
    style = [
        ("VALIGN", (0, 0), (-1, -1), "TOP"),
        ("LINEBELOW", (0, 0), (-1, -1), 0.4, HexColor(HAIRLINE)),
        ("LEFTPADDING", (0, 0), (-1, -1), 5),
        ("LEFTPADDING", (0, 0), (0, -1), 0),
        ("RIGHTPADDING", (0, 0), (-1, -1), 3),
        ("TOPPADDING", (0, 0), (-1, -1), 1.0 if tight else 2.0),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 1.6 if tight else 2.6),
    ]
    if head:
        style.append(("LINEBELOW", (0, 0), (-1, 0), 0.8, HexColor(INK)))
    if len(rows) > _TOGETHER:  # no last row alone on a page
        style.append(("NOSPLIT", (0, len(body) - _TOGETHER), (0, -1)))
    table.setStyle(TableStyle(style))
    return table


def facts_table(pairs: Sequence[tuple[str, str]], width: float, label: float = 0.3) -> Table:
    """Two columns: what, and how much."""
    rows = [[set_text(a, weight="strong", size=8.6, colour=SOFT_INK), set_text(b, size=8.6)] for a, b in pairs]
    return ruled_table((), rows, (label * width, (1 - label) * width))


def heading(words: str, note: str = "") -> list[Flowable]:
    parts: list[Flowable] = [CondPageBreak(90), Spacer(1, 9), set_text(words, weight="strong", size=11.5, leading=15)]
    if note:
        parts.append(set_text(note, size=8.2, colour=SOFT_INK))
    parts.append(Spacer(1, 3))
    return parts


def tall_of(part: Flowable, inner: float) -> float:
    """Height of a part as wide as the page, space round it and all; where a page may break takes none."""
    if isinstance(part, CondPageBreak):
        return 0.0
    return float(part.wrap(inner, 1e4)[1] + part.getSpaceBefore() + part.getSpaceAfter())


class Placed(Flowable):
    """A drawing of its own of a given size: `draw_on(canvas)` with its lower left corner at 0, 0."""

    def __init__(self, width: float, height: float, draw_on) -> None:
        super().__init__()
        self.width, self.height, self._draw_on = width, height, draw_on

    def wrap(self, _width: float, _height: float) -> tuple[float, float]:
        return self.width, self.height

    def draw(self) -> None:
        self._draw_on(self.canv)


def picture_panel(image: Image.Image | np.ndarray, inner: float, most_height: float) -> Placed:
    """A picture in the middle of a panel that runs the width of the page."""
    picture = np.asarray(image)
    width, height = inner, inner * picture.shape[0] / picture.shape[1]
    if height > most_height:
        width, height = width * most_height / height, most_height
    reader = image_reader(picture)

    def draw(canvas: Canvas) -> None:
        canvas.setFillColor(HexColor(BACKDROP))
        canvas.rect(0, 0, inner, height, stroke=0, fill=1)
        canvas.drawImage(reader, (inner - width) / 2, 0, width, height)

    return Placed(inner, height, draw)


class NumberedCanvas(Canvas):
    """A canvas that knows at the end how many pages there are, and says so on each."""

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        self._kept: list[dict] = []

    def showPage(self) -> None:
        self._kept.append(dict(self.__dict__))
        self._startPage()

    def save(self) -> None:
        for page in self._kept:
            self.__dict__.update(page)
            self.setFont(house_fonts()["regular"], 7)
            self.setFillColor(HexColor(SOFT_INK))
            self.drawRightString(self._pagesize[0] - MARGIN, 8 * MM, f"page {self._pageNumber} of {len(self._kept)}")
            super().showPage()
        super().save()


def tick_box() -> Placed:
    """A box to tick."""

    def draw(canvas: Canvas) -> None:
        canvas.setStrokeColor(HexColor(SOFT_INK))
        canvas.setLineWidth(0.6)
        canvas.rect(0, 0, 8, 8, stroke=1, fill=0)

    return Placed(8, 8, draw)
