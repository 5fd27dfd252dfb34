"""Stage 12, sheets: what leaves the computer on paper: the client's page, the workshop's pages, the order list."""

from __future__ import annotations

import functools
import io
import struct
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any
from xml.sax.saxutils import escape

import numpy as np
from PIL import Image
from reportlab.lib.colors import HexColor
from reportlab.lib.enums import TA_RIGHT
from reportlab.lib.pagesizes import A4
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm as MM
from reportlab.lib.utils import ImageReader
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.cidfonts import UnicodeCIDFont
from reportlab.pdfbase.ttfonts import TTFError, TTFont
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import (
    BaseDocTemplate,
    CondPageBreak,
    Flowable,
    Frame,
    KeepTogether,
    PageBreak,
    PageTemplate,
    Paragraph,
    Spacer,
    Table,
    TableStyle,
)

from .files import write_whole
from .house import (
    BACKDROP,
    FONT_FILES,
    GLOVE,
    HAIRLINE,
    INK,
    JACKET,
    KEY,
    SEAM,
    SOFT_INK,
    cm2,
    counted,
    font_path,
    kg_lb,
    litres,
    m2,
    metres,
    mm,
    money,
    number,
    ounces,
    percent,
)
from .house import kg as kilograms
from .pictures import ELEVATIONS, SeamView, apart_picture, dashes, lock_picture, mould_bodies, seam_view
from .progress import SILENT, Progress
from .studio import Camera, look, photograph, set_up
from .takeoff import write_order
from .words import (
    caution_lines,
    coats_of,
    opening_line,
    rubber_kg_per_mm3,
    rubber_line,
    run_line,
    seam_sentences,
    size_line,
    title_of,
    work_steps,
)

if TYPE_CHECKING:
    from .pipeline import MouldPlan
    from .programme import Task
    from .takeoff import OrderLine

PAGE = A4
MARGIN = 16 * MM
_JPEG_QUALITY = 88
_KEYS_A_ROW = 3
_NOT_A_CERTIFICATE = (
    "A plan, not a certificate. Product data sheets, local codes and licensed practice come before it; "
    "whoever signs for the work checks it."
)


# --- type ------------------------------------------------------------------------------------------------


@functools.cache
def _register_type() -> dict[str, str]:
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
    _register_type()
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


def _style(
    weight: str = "regular", size: float = 9.0, leading: float | None = None, colour: str = INK, **more: Any
) -> ParagraphStyle:
    return ParagraphStyle(
        f"{weight}{size}{colour}{sorted(more.items())}",
        fontName=_register_type()[weight],
        fontSize=size,
        leading=leading or size * 1.35,
        textColor=HexColor(colour),
        splitLongWords=1,
        **more,
    )


def _text(words: str, **style: Any) -> Paragraph:
    return Paragraph(marked_up(words), _style(**style))


def _rich(words: str, **style: Any) -> Paragraph:
    """A paragraph of our own markup; what comes from outside has gone through `marked_up`."""
    return Paragraph(words, _style(**style))


def fitted(words: str, width: float, height: float, sizes: Sequence[float], weight: str) -> tuple[Paragraph, float]:
    """The words in the largest of `sizes` that fits the box, shortened if none does; with its height."""
    for size in sizes:
        paragraph = _text(words, weight=weight, size=size, leading=size * 1.12)
        _, used = paragraph.wrap(width, 10_000)
        if used <= height:
            return paragraph, used
    while len(words) > 4:
        words = words[: int(len(words) * 0.9)].rstrip()
        paragraph = _text(words + "…", weight=weight, size=sizes[-1], leading=sizes[-1] * 1.12)
        _, used = paragraph.wrap(width, 10_000)
        if used <= height:
            break
    return paragraph, used


# --- pictures on paper -----------------------------------------------------------------------------------


def _reader(picture: np.ndarray) -> ImageReader:
    held = io.BytesIO()
    Image.fromarray(picture).save(held, "JPEG", quality=_JPEG_QUALITY, subsampling=0)
    held.seek(0)
    return ImageReader(held)


def _polyline(canvas: Canvas, points: np.ndarray) -> None:
    path = canvas.beginPath()
    path.moveTo(*points[0])
    for x, y in points[1:]:
        path.lineTo(x, y)
    canvas.drawPath(path, stroke=1, fill=0)


def _thinned(points: np.ndarray, least: float = 0.4) -> np.ndarray:
    """A drawn line without points closer than `least` to the last one kept."""
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))])
    _, first = np.unique(np.floor(along / least), return_index=True)
    return points[np.unique(np.append(first, len(points) - 1))]


def draw_seam_view(canvas: Canvas, view: SeamView, x: float, y: float, width: float, line: float = 1.4) -> float:
    """Draw a seam view with its lower left corner at x, y; the seam as vectors. Returns its height in points."""
    scale = width / view.camera.width_px
    height = view.camera.height_px * scale
    canvas.drawImage(_reader(view.picture), x, y, width, height)
    canvas.saveState()
    path = canvas.beginPath()
    path.rect(x, y, width, height)
    canvas.clipPath(path, stroke=0)
    canvas.setLineJoin(1)
    canvas.setLineCap(1)
    canvas.setStrokeColor(HexColor(SEAM))

    def on_page(points: np.ndarray) -> np.ndarray:
        return np.column_stack([x + points[:, 0] * scale, y + height - points[:, 1] * scale])

    canvas.setLineWidth(0.5 * line)
    for part in view.hidden:
        for dash in dashes(on_page(part), (3.2, 2.6)):
            _polyline(canvas, dash)
    canvas.setLineWidth(line)
    for part in view.seen:
        if len(part) > 1:
            _polyline(canvas, _thinned(on_page(part)))
    canvas.restoreState()
    return height


def _ground_line(canvas: Canvas, camera: Camera, x: float, y: float, width: float) -> None:
    scale = width / camera.width_px
    at, _ = camera.project(np.zeros((1, 3)))
    level = y + camera.height_px * scale - float(at[0, 1]) * scale
    canvas.setStrokeColor(HexColor(SOFT_INK))
    canvas.setLineWidth(0.4)
    canvas.line(x + 0.06 * width, level, x + 0.94 * width, level)


def _height_measure(canvas: Canvas, camera: Camera, height_mm: float, x: float, y: float, width: float) -> None:
    """The finished height as a dimension line at the picture's right edge."""
    scale = width / camera.width_px
    ends, _ = camera.project(np.array([[0.0, 0.0, 0.0], [0.0, 0.0, height_mm]]))
    low, high = (y + camera.height_px * scale - float(v) * scale for v in ends[:, 1])
    at = x + width - 9
    canvas.setStrokeColor(HexColor(SOFT_INK))
    canvas.setFillColor(HexColor(SOFT_INK))
    canvas.setLineWidth(0.4)
    canvas.line(at, low, at, high)
    for level in (low, high):
        canvas.line(at - 2.4, level, at + 2.4, level)
    canvas.saveState()
    canvas.translate(at - 2.5, (low + high) / 2)
    canvas.rotate(90)
    canvas.setFont(_register_type()["regular"], 6.6)
    canvas.drawCentredString(0, 0, mm(height_mm))
    canvas.restoreState()


# --- the client's sheet ----------------------------------------------------------------------------------


def best_three_quarter(plan: MouldPlan, width_px: int, height_px: int) -> SeamView:
    """The three-quarter view that shows the seam: from in front, unless from behind shows far more of it."""
    ahead = seam_view(plan, "three_quarter", width_px, height_px)
    if ahead.seen_share >= 0.25:
        return ahead
    behind = seam_view(plan, "three_quarter_behind", width_px, height_px)
    return behind if behind.seen_share > 1.6 * ahead.seen_share else ahead


def client_sheet(plan: MouldPlan, path: str | Path, progress: Progress = SILENT) -> Path:
    """One A4 page to sign: the piece with its seam, what will show, size, run. Raises `OutputRefused`."""
    progress.step(0.05, "the client's sheet")
    large = best_three_quarter(plan, 1150, 1340)
    small = []
    for at, name in enumerate(ELEVATIONS):
        progress.step(0.3 + 0.15 * at, "the client's sheet")
        small.append(seam_view(plan, name, 500, 613))

    def fill(handle: IO[bytes]) -> None:
        canvas = Canvas(handle, pagesize=PAGE, invariant=1, pageCompression=1)
        canvas.setTitle(f"{title_of(plan)}: where the seam runs")
        canvas.setAuthor("mouldloft")
        _client_page(canvas, plan, large, small)
        canvas.showPage()
        canvas.save()

    return write_whole(path, fill)


def _client_page(canvas: Canvas, plan: MouldPlan, large: SeamView, small: Sequence[SeamView]) -> None:
    width, height = PAGE
    inner = width - 2 * MARGIN
    top = height - MARGIN
    canvas.setFillColor(HexColor(SEAM))
    canvas.rect(MARGIN, top - 1.2, 26, 2.4, stroke=0, fill=1)
    _put(canvas, _text("Where the seam will run", weight="strong", size=9.5, colour=SEAM), MARGIN, top - 8, inner)
    title, used = fitted(title_of(plan), inner, 62, (27, 23, 19, 16, 13), "light")
    title.drawOn(canvas, MARGIN, top - 24 - used)
    y = top - 24 - used - 6
    y = _put(
        canvas, _text(f"{size_line(plan)}. {run_line(plan).capitalize()}.", size=10, colour=SOFT_INK), MARGIN, y, inner
    )
    y -= 12
    # foot first: what is left between is the pictures'
    sign_top = MARGIN + 12 + 104
    _sign_box(canvas, plan, MARGIN, MARGIN + 12, inner, 104)
    gap = 6.0
    small_width = (inner - 3 * gap) / 4
    small_height = small_width * small[0].camera.height_px / small[0].camera.width_px
    row = sign_top + 28
    # the height is measured where the piece leaves most room beside it
    across = [np.ptp(view.camera.project(plan.master.vertices_mm[::97])[0][:, 0]) for view in small]
    roomiest = len(small) - 1 - int(np.argmin(across[::-1]))
    for at, view in enumerate(small):
        x = MARGIN + at * (small_width + gap)
        draw_seam_view(canvas, view, x, row, small_width, line=1.1)
        _ground_line(canvas, view.camera, x, row, small_width)
        _label(canvas, view.title, x + 6, row + small_height - 11)
        if at == roomiest:
            _height_measure(canvas, view.camera, plan.master.height_mm, x, row, small_width)
    _line_key(canvas, MARGIN, row - 13)
    space = y - (row + small_height + gap)
    large_width = min(0.62 * inner, space * large.camera.width_px / large.camera.height_px)
    large_height = large_width * large.camera.height_px / large.camera.width_px
    draw_seam_view(canvas, large, MARGIN, y - large_height, large_width, line=1.7)
    _label(canvas, large.title, MARGIN + 8, y - 14)
    _client_words(canvas, plan, MARGIN + large_width + 16, y, inner - large_width - 16, large_height)
    canvas.setFont(_register_type()["regular"], 6.2)
    canvas.setFillColor(HexColor(SOFT_INK))
    canvas.drawString(
        MARGIN, MARGIN - 4, f"Drawn from the digital master, mark {plan.master.source_hash[:10]}. {plan.made_by}."
    )


def _client_words(canvas: Canvas, plan: MouldPlan, x: float, y: float, width: float, height: float) -> None:
    where, shows, cleaned = seam_sentences(plan)
    blocks = (("The seam", where), ("What will be seen", shows), ("What is cleaned up", cleaned))
    for size in (10.2, 9.6, 9.0, 8.4, 7.8, 7.0):
        parts: list[Flowable] = []
        for title, words in blocks:
            parts += [
                _text(title, weight="strong", size=size),
                _text(words, size=size, leading=size * 1.42, spaceAfter=0),
                Spacer(1, size * 0.9),
            ]
        if sum(part.wrap(width, 10_000)[1] for part in parts) <= height:
            break
    for part in parts:
        y = _put(canvas, part, x, y, width)


def _put(canvas: Canvas, part: Flowable, x: float, y: float, width: float) -> float:
    """Draw a flowable below y; returns where it ends."""
    _, used = part.wrap(width, 10_000)
    part.drawOn(canvas, x, y - used)
    return y - used


def _label(canvas: Canvas, words: str, x: float, y: float) -> None:
    canvas.setFont(_register_type()["strong"], 7.6)
    canvas.setFillColor(HexColor(INK))
    canvas.drawString(x, y, words)


def _line_key(canvas: Canvas, x: float, y: float) -> None:
    canvas.setStrokeColor(HexColor(SEAM))
    canvas.setFillColor(HexColor(SOFT_INK))
    canvas.setFont(_register_type()["regular"], 7.6)
    canvas.setLineWidth(1.4)
    canvas.line(x, y, x + 20, y)
    canvas.drawString(x + 25, y - 2.6, "seam in view")
    canvas.setLineWidth(0.7)
    canvas.setDash(3.2, 2.6)
    canvas.line(x + 84, y, x + 104, y)
    canvas.setDash()
    canvas.drawString(x + 109, y - 2.6, "seam behind")


def _sign_box(canvas: Canvas, plan: MouldPlan, x: float, y: float, width: float, height: float) -> None:
    canvas.setStrokeColor(HexColor(HAIRLINE))
    canvas.setLineWidth(0.8)
    canvas.roundRect(x, y, width, height, 4, stroke=1, fill=0)
    casts = run_line(plan)
    words = (
        f"I have seen where the seam will run, and that the finished height is {mm(plan.master.height_mm)} "
        f"for {casts}. Making the mould may begin."
    )
    _put(canvas, _text(words, size=9.2), x + 12, y + height - 9, width - 24)
    canvas.setFont(_register_type()["regular"], 7)
    spots = ((12, 0.40, "Name"), (0.42 * width, 0.36, "Signature"), (0.81 * width, 0.16, "Date"))
    for left, share, label in spots:
        canvas.setStrokeColor(HexColor(SOFT_INK))
        canvas.setLineWidth(0.5)
        canvas.line(x + left, y + 42, x + left + share * width - 12, y + 42)
        canvas.setFillColor(HexColor(SOFT_INK))
        canvas.drawString(x + left, y + 33, label)
    canvas.line(x + 12, y + 18, x + width - 12, y + 18)
    canvas.drawString(x + 12, y + 9, "Changes wished before that")


# --- tables and small parts ------------------------------------------------------------------------------


def _table(
    head: Sequence[str],
    rows: Sequence[Sequence[str | Flowable]],
    widths: Sequence[float],
    right: Sequence[int] = (),
    size: float = 8.0,
    total: bool = False,
) -> Table:
    """A plain table: hairlines, figures to the right in the `right` columns; the last row strong if `total`."""

    def cell(words: str | Flowable, column: int, weight: str, colour: str = INK) -> Flowable:
        if isinstance(words, Flowable):
            return words
        more = {"alignment": TA_RIGHT} if column in right else {}
        return _text(words, weight=weight, size=size, leading=size * 1.25, colour=colour, **more)

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
        ("TOPPADDING", (0, 0), (-1, -1), 2.0),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 2.6),
    ]
    if head:
        style.append(("LINEBELOW", (0, 0), (-1, 0), 0.8, HexColor(INK)))
    table.setStyle(TableStyle(style))
    return table


def _facts(pairs: Sequence[tuple[str, str]], width: float, label: float = 0.3) -> Table:
    """Two columns: what, and how much."""
    rows = [[_text(a, weight="strong", size=8.6, colour=SOFT_INK), _text(b, size=8.6)] for a, b in pairs]
    return _table((), rows, (label * width, (1 - label) * width))


def _heading(words: str, note: str = "") -> list[Flowable]:
    parts: list[Flowable] = [CondPageBreak(90), Spacer(1, 9), _text(words, weight="strong", size=11.5, leading=15)]
    if note:
        parts.append(_text(note, size=8.2, colour=SOFT_INK))
    parts.append(Spacer(1, 3))
    return parts


class _Placed(Flowable):
    """A drawing of its own of a given size: `draw_on(canvas)` with its lower left corner at 0, 0."""

    def __init__(self, width: float, height: float, draw_on) -> None:
        super().__init__()
        self.width, self.height, self._draw_on = width, height, draw_on

    def wrap(self, _width: float, _height: float) -> tuple[float, float]:
        return self.width, self.height

    def draw(self) -> None:
        self._draw_on(self.canv)


def _picture(image: Image.Image | np.ndarray, inner: float, most_height: float) -> _Placed:
    """A picture in the middle of a panel that runs the width of the page."""
    picture = np.asarray(image)
    width, height = inner, inner * picture.shape[0] / picture.shape[1]
    if height > most_height:
        width, height = width * most_height / height, most_height
    reader = _reader(picture)

    def draw(canvas: Canvas) -> None:
        canvas.setFillColor(HexColor(BACKDROP))
        canvas.rect(0, 0, inner, height, stroke=0, fill=1)
        canvas.drawImage(reader, (inner - width) / 2, 0, width, height)

    return _Placed(inner, height, draw)


# --- the workshop's sheets -------------------------------------------------------------------------------


class _NumberedCanvas(Canvas):
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
            self.setFont(_register_type()["regular"], 7)
            self.setFillColor(HexColor(SOFT_INK))
            self.drawRightString(PAGE[0] - MARGIN, 8 * MM, f"page {self._pageNumber} of {len(self._kept)}")
            super().showPage()
        super().save()


def workshop_sheets(plan: MouldPlan, path: str | Path, progress: Progress = SILENT) -> Path:
    """The workshop's PDF: overview, locks, a sheet for each piece, casts, order of work, programme, order list,
    assumptions. Raises `OutputRefused`."""
    progress.step(0.02, "the workshop's sheets")
    inner = PAGE[0] - 2 * MARGIN
    story: list[Flowable] = []
    story += _overview(plan, inner, progress)
    story += [PageBreak(), *_lock_pages(plan, inner)]
    for at in range(len(plan.jacket.pieces)):
        progress.step(0.4 + 0.3 * at / len(plan.jacket.pieces), f"sheet of the {plan.jacket.pieces[at].name}")
        story += [PageBreak(), *_piece_pages(plan, at, inner)]
    progress.step(0.8, "order of work and programme")
    story += [PageBreak(), *_cast_pages(plan, inner)]
    story += [PageBreak(), *_work_pages(plan, inner)]
    story += [PageBreak(), *_programme_pages(plan, inner)]
    story += [PageBreak(), *_order_pages(plan, inner)]
    story += _assumption_pages(plan, inner)

    def fill(handle: IO[bytes]) -> None:
        frame = Frame(MARGIN, 15 * MM, inner, PAGE[1] - 15 * MM - 21 * MM, 0, 0, 0, 0)
        document = BaseDocTemplate(
            handle, pagesize=PAGE, title=f"{title_of(plan)}: workshop sheets", author="mouldloft", invariant=1
        )
        document.addPageTemplates(PageTemplate("sheet", [frame], onPage=lambda canvas, _: _page_edges(canvas, plan)))
        document.build(story, canvasmaker=_NumberedCanvas)

    done = write_whole(path, fill)
    progress.step(1.0)
    return done


def _page_edges(canvas: Canvas, plan: MouldPlan) -> None:
    names = _register_type()
    width, height = PAGE
    canvas.setFillColor(HexColor(SEAM))
    canvas.rect(MARGIN, height - 13 * MM, 14, 2, stroke=0, fill=1)
    title, _ = fitted(title_of(plan), width - 2 * MARGIN - 150, 12, (9,), "strong")
    title.drawOn(canvas, MARGIN + 20, height - 13 * MM - 3.5)
    canvas.setFont(names["regular"], 8)
    canvas.setFillColor(HexColor(SOFT_INK))
    canvas.drawRightString(width - MARGIN, height - 13 * MM, "Workshop sheets")
    canvas.setFont(names["regular"], 6.4)
    canvas.drawString(MARGIN, 8 * MM, _NOT_A_CERTIFICATE)


def _overview(plan: MouldPlan, inner: float, progress: Progress) -> list[Flowable]:
    progress.step(0.05, "the mould taken apart")
    title, _ = fitted(title_of(plan), inner, 70, (24, 20, 16, 13), "light")
    locks, seam, take = plan.locks, plan.seam, plan.takeoff
    jacket_kg = sum(p.mass_kg for p in plan.jacket.pieces)
    facts = [
        ("Finished size", size_line(plan)),
        ("Run", run_line(plan)),
        ("Opening", opening_line(plan)),
        ("Seam", f"{metres(seam.length_mm)} in {counted(len(seam.lines), 'line')}, {_seam_kind(plan)}"),
        (
            "Locks",
            f"{cm2(locks.rigid_area_mm2)} free to neither side ({percent(plan.undercut.locked_fraction)} of the skin); "
            f"{cm2(locks.piece_locked_area_mm2)} not free to its own piece; "
            f"{litres(locks.fill_mm3)} of rubber fills them",
        ),
        (
            "Stretch",
            f"{percent(locks.worst_stretch)} at most; {percent(locks.stretch_allowed)} is allowed "
            f"of {percent(locks.elongation_at_break)} at break",
        ),
        ("Rubber", rubber_line(plan)),
        ("Keys", f"{len(plan.keys.keys)}: " + "; ".join(_fixture(c, plan) for c in plan.keys.checks)),
        ("Jacket", f"{kg_lb(jacket_kg)} in {counted(len(plan.jacket.pieces), 'piece')}"),
        ("One cast", f"{kg_lb(plan.cast.mass_kg)}, wall {mm(plan.cast.thickness_mm)}; {_stands(plan)}"),
        (
            "Time",
            f"{counted(plan.programme.mould_days, 'day')} for the mould, "
            f"{counted(plan.programme.run_days, 'day')} for {run_line(plan)}",
        ),
        (
            "Material",
            f"{money(take.total_cost, take.currency)}; mould {money(take.cost_mould, take.currency)}, "
            f"one more cast {money(take.cost_next_cast, take.currency)}",
        ),
    ]
    parts: list[Flowable] = [title, Spacer(1, 8), _facts(facts, inner, 0.16)]
    parts += [Spacer(1, 8), _picture(apart_picture(plan), inner, 350)]
    parts += _cautions(plan, inner, most=3)
    return parts


def _seam_kind(plan: MouldPlan) -> str:
    figures, other = plan.seam.figures, plan.seam.alternative
    kind = {"plane": "on a plane", "free": "drawn free over the surface", "own": "after your own line"}.get(
        plan.seam.kind, plan.seam.kind
    )
    if other is None:
        return kind
    names = {"plane": "the best plane", "free": "a free seam", "own": "your own line"}
    return (
        f"{kind}: {metres(figures.on_show_mm)} on show and {litres(figures.fill_mm3)} to fill, where "
        f"{names.get(other.kind, other.kind)} has {metres(other.on_show_mm)} and {litres(other.fill_mm3)}"
    )


def _fixture(check, plan: MouldPlan) -> str:
    name = next((e.name for e in plan.rubber.envelopes if e.piece == check.piece), f"piece {check.piece + 1}")
    held = "held" if check.holds else "NOT held"
    return f"{name} {held} (sags {mm(check.sag_mm)} of {mm(check.sag_limit_mm)} allowed)"


def _stands(plan: MouldPlan) -> str:
    ballast = plan.cast.ballast_kg
    return f"ballast {kg_lb(ballast)} at the foot" if ballast > 0 else "stands without ballast"


def _cautions(plan: MouldPlan, inner: float, most: int | None = None) -> list[Flowable]:
    lines = caution_lines(plan)
    shown = lines if most is None else lines[:most]
    if not shown:
        return []
    parts: list[Flowable] = [*_heading("Mind")]
    for hazard, sentence, defers in shown:
        words = (
            f"<b>{marked_up(hazard[:1].upper() + hazard[1:])}.</b> {marked_up(sentence)} "
            f"<font color='{SOFT_INK}'>What decides: {marked_up(defers)}.</font>"
        )
        parts += [_rich(words, size=8.6, leading=11.6), Spacer(1, 3)]
    if most is not None and len(lines) > most:
        parts.append(_text(f"{len(lines) - most} more with the order of work.", size=8, colour=SOFT_INK))
    return parts


def _lock_pages(plan: MouldPlan, inner: float) -> list[Flowable]:
    parts: list[Flowable] = [
        *_heading("Where it locks", "What a straight pull of its own piece does not free, worst first.")
    ]
    parts.append(_picture(lock_picture(plan, titled=False), inner, 400))
    if not plan.locks.regions:
        return parts
    rows = [
        [
            str(at),
            region.name,
            _piece_name(plan, region.piece),
            cm2(region.area_mm2),
            mm(region.depth_mm),
            percent(region.stretch),
            litres(region.fill_mm3),
        ]
        for at, region in enumerate(plan.locks.regions[:18], 1)
    ]
    parts += [
        Spacer(1, 8),
        _table(
            ("", "Where", "Piece", "Area", "Depth", "Stretch", "Fill"),
            rows,
            [inner * v for v in (0.04, 0.36, 0.18, 0.12, 0.10, 0.10, 0.10)],
            right=(3, 4, 5, 6),
        ),
    ]
    if len(plan.locks.regions) > 18:
        rest = plan.locks.regions[18:]
        words = f"and {len(rest)} smaller, {cm2(sum(r.area_mm2 for r in rest))} together."
        parts.append(_text(words, size=8, colour=SOFT_INK))
    return parts


def _piece_name(plan: MouldPlan, piece: int) -> str:
    return next((e.name for e in plan.rubber.envelopes if e.piece == piece), f"piece {piece + 1}")


# --- a sheet for each piece ------------------------------------------------------------------------------


def _piece_pages(plan: MouldPlan, at: int, inner: float) -> list[Flowable]:
    piece, envelope = plan.jacket.pieces[at], plan.rubber.envelopes[at]
    rubber = plan.rubber
    name = piece.name[:1].upper() + piece.name[1:]
    parts: list[Flowable] = [_text(name, weight="light", size=20, leading=25)]
    parts.append(_text("Glove, keys and jacket; seen along its pull, from outside.", size=8.6, colour=SOFT_INK))
    parts += [Spacer(1, 4), _pull_drawing(plan, at, inner, 340), Spacer(1, 4)]
    facts = [
        ("Comes off", opening_line(plan).split(";")[at].strip().rstrip(".") if at < len(plan.seam.pieces) else ""),
        ("Skin", _skin_words(plan)),
        ("Edge", f"{mm(rubber.edge_thickness_mm)}, over the last {mm(rubber.edge_band_mm)} to the seam"),
        ("Flange", f"{mm(rubber.flange_width_mm)} wide, {mm(rubber.flange_thickness_mm)} thick"),
        (
            "Thinnest",
            f"{mm(rubber.min_thickness_mm)}, measured on the outside of the whole glove; "
            f"half of it is over {mm(rubber.thickness_quantiles_mm[2])}",
        ),
        ("Draft", f"{number(plan.brief.rubber.draft_deg, 2, 1)}° at least on the outside"),
    ]  # fmt: skip
    parts.append(_facts(facts, inner, 0.13))
    parts += _rubber_tables(plan, at, inner)
    parts += _key_table(plan, envelope.piece, inner)
    parts += _laminate_table(plan, at, inner)
    parts += _lifting_table(plan, at, inner)
    parts += _cradle_table(plan, piece.piece, inner)
    return parts


def _skin_words(plan: MouldPlan) -> str:
    """The skin's thickness and why, said once."""
    thick, reason = mm(plan.rubber.skin_thickness_mm), plan.rubber.thickness_reason
    return reason if reason.startswith(thick) else f"{thick}; {reason}"


def _rubber_tables(plan: MouldPlan, at: int, inner: float) -> list[Flowable]:
    part, density = plan.rubber.parts[at], rubber_kg_per_mm3(plan)
    causes = (*part.by_cause, ("all", part.total_mm3))
    left = _table(
        ("Rubber, by cause", "Volume", "Mass"),
        [[name, litres(v), kilograms(v * density)] for name, v in causes],
        [inner * v for v in (0.17, 0.10, 0.11)],
        right=(1, 2),
        total=True,
    )
    rows = []
    for coat in coats_of(plan, at):
        mixed = f"{coat.batches} × {kilograms(coat.batch_kg)}" if coat.batches else ""
        rows.append(
            [
                coat.name + (", thickened" if coat.thickened else ""),
                mm(coat.thickness_mm) if coat.thickness_mm > 0 else "to fill",
                kilograms(coat.mass_kg),
                mixed,
                f"{number(coat.catalyst_g)} g" if coat.catalyst_g else "",
            ]
        )
    right = _table(
        ("Coat", "Build", "Mass", "Batches", "Catalyst each"),
        rows,
        [inner * v for v in (0.20, 0.08, 0.09, 0.13, 0.10)],
        right=(1, 2, 3, 4),
    )
    both = Table([[left, right]], colWidths=[inner * 0.40, inner * 0.60])
    both.setStyle(
        TableStyle(
            [
                ("VALIGN", (0, 0), (-1, -1), "TOP"),
                ("LEFTPADDING", (0, 0), (-1, -1), 0),
                ("RIGHTPADDING", (0, 0), (-1, -1), 0),
            ]
        )
    )
    note = "Without waste. Catalyst by the product's data sheet and never beyond its limits."
    return [KeepTogether([*_heading("Rubber"), both, _text(note, size=7.6, colour=SOFT_INK)])]


def _key_table(plan: MouldPlan, piece: int, inner: float) -> list[Flowable]:
    keys = [key for key in plan.keys.keys if key.piece == piece]
    check = next((c for c in plan.keys.checks if c.piece == piece), None)
    note = f"{check.reason}" if check else ""
    parts = _heading("Keys", note)
    if not keys:
        return [*parts, _text("None.", size=8.6)]
    deep = -(-len(keys) // _KEYS_A_ROW)

    def cells(key) -> list[str]:
        x, y, z = key.foot_mm
        size = f"{number(key.base_diameter_mm, 3, 0)} × {number(key.height_mm, 2, 1).removesuffix('.0')}"
        return [key.name + ("*" if key.own else ""), key.where, str(round(x)), str(round(y)), str(round(z)), size]

    columns = [[cells(key) for key in keys[k * deep : (k + 1) * deep]] for k in range(_KEYS_A_ROW)]
    empty = [""] * 6
    rows = [[c for column in columns for c in (column[k] if k < len(column) else empty)] for k in range(deep)]
    one = (0.052, 0.068, 0.048, 0.048, 0.048, 0.068)
    head = ("Key", "Where", "x", "y", "z", "Size") * _KEYS_A_ROW
    right = [6 * k + c for k in range(_KEYS_A_ROW) for c in (2, 3, 4)]
    parts.append(_table(head, rows, [inner * v for v in one * _KEYS_A_ROW], right=right, size=7.0))
    words = (
        "Feet in mm on the glove's outside: x to its left from the middle, y to its back, z up from the floor. "
        "Size: foot across × height, mm. "
        f"{'A star marks your own. ' if any(key.own for key in keys) else ''}"
        f"Sides taper {number(keys[0].taper_deg, 2, 0)}° to the pull."
    )
    parts.append(_text(words, size=7.6, colour=SOFT_INK))
    return parts


def _laminate_table(plan: MouldPlan, at: int, inner: float) -> list[Flowable]:
    piece = plan.jacket.pieces[at]
    rows = [
        [
            zone.name,
            m2(zone.area_mm2),
            f"{ounces(zone.mat_oz_ft2)} ({number(zone.mat_g_m2)} g/m²)",
            " + ".join(layer.replace(" g/m²", "") for layer in zone.layers) + " g/m²",
            mm(zone.thickness_mm),
            kilograms(zone.glass_kg),
            kilograms(zone.resin_kg),
        ]
        for zone in piece.zones
    ]
    glass, resin = (sum(getattr(z, k) for z in piece.zones) for k in ("glass_kg", "resin_kg"))
    rows.append(["all", m2(piece.area_mm2), "", "", "", kilograms(glass), kilograms(resin)])
    table = _table(
        ("Zone", "Area", "Mat", "Layers, first first", "Thick", "Glass", "Resin"),
        rows,
        [inner * v for v in (0.14, 0.09, 0.18, 0.27, 0.09, 0.11, 0.12)],
        right=(1, 4, 5, 6),
        total=True,
    )
    bolts = (
        f"{counted(len(piece.bolts_mm), 'bolt')} through the flange, no further than {mm(piece.bolt_pitch_mm)} apart; "
        f"{counted(len(piece.wedge_points_mm), 'wedge point')} to open it by."
    )
    checks = [
        [c.what, c.load, f"{number(c.value)} {c.unit}", f"{number(c.limit)} {c.unit}", "holds" if c.passes else "FAILS"]
        for c in piece.checks
    ]
    parts: list[Flowable] = [KeepTogether([*_heading("Jacket", bolts), table])]
    if checks:
        parts += [
            Spacer(1, 6),
            _table(
                ("Check", "Under", "Found", "Limit", ""),
                checks,
                [inner * v for v in (0.31, 0.35, 0.12, 0.13, 0.09)],
                right=(2, 3),
                size=7.4,
            ),
        ]
    return parts


def _lifting_table(plan: MouldPlan, at: int, inner: float) -> list[Flowable]:
    piece = plan.jacket.pieces[at]
    rows = []
    for what, lift in (("jacket alone", piece.lift), ("jacket with its glove", piece.lift_with_glove)):
        who = "a hoist" if lift.lifters_needed == 0 else counted(lift.lifters_needed, "person", "people")
        rows.append(
            [
                what,
                kg_lb(lift.load_kg),
                kg_lb(lift.recommended_one_person_kg),
                f"{kg_lb(lift.team_capability_kg)} for {lift.lifters}",
                who,
                "within" if lift.passes else "TOO HEAVY",
            ]
        )
    x, y, z = piece.centre_of_mass_mm
    note = f"Centre of mass of the jacket at x {x:.0f}, y {y:.0f}, z {z:.0f} mm. {piece.lift.method}"
    table = _table(
        ("Weight and lifting", "Load", "One person", "Team", "Needs", ""),
        rows,
        [inner * v for v in (0.21, 0.18, 0.18, 0.21, 0.11, 0.11)],
        right=(1, 2),
    )
    return [KeepTogether([*_heading("Lifting"), table, _text(note, size=7.4, colour=SOFT_INK)])]


def _cradle_table(plan: MouldPlan, piece: int, inner: float) -> list[Flowable]:
    cradle = next((c for c in plan.cradle.pieces if c.piece == piece), None)
    if cradle is None:
        return []
    rows = [
        [name, str(count), mm(length), mm(width), mm(thick)] for name, count, length, width, thick in cradle.cut_list
    ]
    tilts = "; ".join(
        f"{t.tilt_deg:g}°: {mm(t.margin_mm)} inside its feet, {'stands' if t.passes else 'ROCKS'}" for t in cradle.tilts
    )
    table = _table(
        ("Cradle, to cut", "Count", "Length", "Width", "Thick"),
        rows,
        [inner * v for v in (0.44, 0.11, 0.15, 0.15, 0.15)],
        right=(1, 2, 3, 4),
    )
    return [KeepTogether([*_heading("Cradle", f"Worked at {tilts}."), table])]


def _pull_drawing(plan: MouldPlan, at: int, inner: float, most_height: float) -> _Placed:
    """The glove piece seen along its pull, with keys, bolts and wedge points named, and a scale bar."""
    bodies = mould_bodies(plan)
    glove, tabs = bodies.gloves[at], bodies.keys[at]
    shown = [glove, *([tabs] if len(tabs.vertices_mm) else [])]
    pull = plan.rubber.envelopes[at].frame.pull
    flat = look(-pull, glove.vertices_mm, 100, 100, parallel=True)
    spread = np.ptp(glove.vertices_mm @ flat.axes.T, axis=0)
    tall = most_height
    wide = min(inner, max(tall * spread[0] / spread[1] * 1.1, 0.55 * inner))
    scale = 2.6
    camera = look(-pull, glove.vertices_mm, round(wide * scale), round(tall * scale), parallel=True, margin=0.04)
    picture = photograph(set_up(shown, ground_mm=None), camera, floor=False)
    reader = _reader(picture)
    piece = plan.jacket.pieces[at]
    keys = [key for key in plan.keys.keys if key.piece == piece.piece]
    left = (inner - wide) / 2

    def spots(points: Sequence[Sequence[float]]) -> np.ndarray:
        if not len(points):
            return np.zeros((0, 2))
        found, _ = camera.project(np.asarray(points, float))
        return np.column_stack([left + found[:, 0] / scale, tall - found[:, 1] / scale])

    def draw(canvas: Canvas) -> None:
        canvas.setFillColor(HexColor(BACKDROP))
        canvas.rect(0, 0, inner, tall, stroke=0, fill=1)
        canvas.drawImage(reader, left, 0, wide, tall)
        names = _register_type()
        for x, y in spots(piece.bolts_mm):
            canvas.setFillColor(HexColor(BACKDROP))
            canvas.setStrokeColor(HexColor(INK))
            canvas.setLineWidth(0.7)
            canvas.circle(x, y, 2.2, stroke=1, fill=1)
            canvas.line(x - 2.2, y, x + 2.2, y)
            canvas.line(x, y - 2.2, x, y + 2.2)
        canvas.setFillColor(HexColor(SEAM))
        for x, y in spots(piece.wedge_points_mm):
            path = canvas.beginPath()
            path.moveTo(x - 2.6, y - 2.2)
            path.lineTo(x + 2.6, y - 2.2)
            path.lineTo(x, y + 2.8)
            path.close()
            canvas.drawPath(path, stroke=0, fill=1)
        canvas.setFont(names["strong"], 5.4)
        canvas.setFillColor(HexColor("#ffffff"))
        for key, (x, y) in zip(keys, spots([key.foot_mm for key in keys])):
            canvas.drawCentredString(x, y - 1.9, key.name)
        _drawing_key(canvas, camera, scale, inner)

    return _Placed(inner, tall, draw)


def _drawing_key(canvas: Canvas, camera: Camera, scale: float, inner: float) -> None:
    names = _register_type()
    canvas.setFont(names["regular"], 7)
    y = 9.0
    canvas.setFillColor(HexColor(KEY))
    canvas.circle(12, y + 2.2, 3, stroke=0, fill=1)
    canvas.setFillColor(HexColor(SOFT_INK))
    canvas.drawString(18, y, "key")
    canvas.setStrokeColor(HexColor(INK))
    canvas.setLineWidth(0.7)
    canvas.circle(12, y + 13.2, 2.2, stroke=1, fill=0)
    canvas.drawString(18, y + 11, "bolt")
    canvas.setFillColor(HexColor(SEAM))
    path = canvas.beginPath()
    path.moveTo(9.4, y + 22)
    path.lineTo(14.6, y + 22)
    path.lineTo(12, y + 27)
    path.close()
    canvas.drawPath(path, stroke=0, fill=1)
    canvas.setFillColor(HexColor(SOFT_INK))
    canvas.drawString(18, y + 22, "wedge point")
    length = next(v for v in (500.0, 250.0, 200.0, 100.0, 50.0, 20.0, 10.0) if v * camera.px_per_mm / scale < 110)
    run = length * camera.px_per_mm / scale
    right = inner - 10
    canvas.setStrokeColor(HexColor(SOFT_INK))
    canvas.line(right - run, y + 1, right, y + 1)
    for x in (right - run, right):
        canvas.line(x, y - 1.5, x, y + 3.5)
    canvas.drawCentredString(right - run / 2, y + 5, mm(length))


# --- casts, work, programme, order -----------------------------------------------------------------------


def _cast_pages(plan: MouldPlan, inner: float) -> list[Flowable]:
    cast, casts = plan.cast, plan.brief.run.casts
    out = "Comes out. " if cast.comes_out else "DOES NOT COME OUT. "
    facts = [
        ("Out of the mould", out + cast.comes_out_reason),
        ("Wall", f"{mm(cast.thickness_mm)} over {m2(cast.area_mm2)}"),
        ("Mass", f"{kg_lb(cast.mass_kg)}; to lift {kg_lb(cast.lift_kg)}"),
        ("Centre of mass", "x {:.0f}, y {:.0f}, z {:.0f} mm".format(*cast.centre_of_mass_mm)),
        ("Baseboard", f"{m2(cast.baseboard_area_mm2)}"),
        ("Ballast", _stands(plan)),
        ("Joint", f"{metres(cast.joint_tape_m * 1000)} of tape, {kilograms(cast.joint_tape_kg)}"),
    ]
    amounts = [
        [name, kilograms(one), kilograms(one * casts)]
        for name, one in (("gelcoat", cast.gelcoat_kg), ("glass mat", cast.glass_kg), ("resin", cast.resin_kg))
    ]
    stands = [
        [
            s.cause,
            f"{number(s.overturning_nm)} N·m",
            f"{number(s.holding_nm)} N·m",
            kilograms(s.ballast_kg),
            f"{s.tip_edge}; {s.method}",
        ]
        for s in cast.stands
    ]
    parts: list[Flowable] = [
        _text("The casts", weight="light", size=20, leading=25),
        Spacer(1, 4),
        _facts(facts, inner, 0.16),
    ]
    parts += [
        *_heading("Amounts", "Net, without waste."),
        _table(("", "One cast", f"All {casts}"), amounts, [inner * v for v in (0.3, 0.16, 0.16)], right=(1, 2)),
        *_heading("Will it stand?", "Statics under stated loads; a local code decides."),
        _table(
            ("Cause", "Tips it", "Holds it", "Ballast", "About, and by"),
            stands,
            [inner * v for v in (0.10, 0.13, 0.13, 0.12, 0.52)],
            right=(1, 2, 3),
        ),
    ]
    return parts + _advice([*cast.advice, *plan.jacket.advice, *plan.cradle.advice])


def _advice(sentences: Sequence[str]) -> list[Flowable]:
    if not sentences:
        return []
    parts = _heading("Advice")
    for sentence in sentences:
        parts.append(_text("– " + sentence, size=8.6, leftIndent=8, firstLineIndent=-8))
    return parts


def _work_pages(plan: MouldPlan, inner: float) -> list[Flowable]:
    rows = [
        [
            _text(str(at), weight="light", size=15, colour=SEAM),
            _rich(f"<b>{marked_up(s.title)}.</b> {marked_up(s.text)}", size=9, leading=12.4),
        ]
        for at, s in enumerate(work_steps(plan), 1)
    ]
    parts: list[Flowable] = [_text("Order of work", weight="light", size=20, leading=25), Spacer(1, 4)]
    parts.append(_table((), rows, (inner * 0.06, inner * 0.94)))
    order = plan.seam.taking_off
    if order:
        parts += _heading("Opening order")
        words = " → ".join(f"{k}. {name}" for k, name in enumerate(order, 1))
        parts.append(_text(words.replace("→", "then"), size=9))
    for note in (*plan.seam.notes, *getattr(plan.keys, "notes", ())):
        parts.append(_text("– " + note, size=8.4, colour=SOFT_INK))
    return parts + _cautions(plan, inner)


_STAGE_COLOURS = {
    "wall": "#b9ac95",
    "glove": GLOVE,
    "keys": KEY,
    "jacket": JACKET,
    "cradle": "#a87f3d",
    "mould": SEAM,
    "casts": "#8b8f96",
}
_ROWS_A_PAGE = 46


@dataclass(frozen=True)
class ChartRow:
    """A line of the chart: its name and the tasks on it."""

    name: str
    tasks: tuple[Task, ...]


def chart_rows(tasks: Sequence[Task]) -> tuple[ChartRow, ...]:
    """Tasks as lines: parts of one task on one line, and every cast after the first on a line of its own."""
    rows: dict[str, list[Task]] = {}
    for task in tasks:
        name = task.name
        if task.stage == "casts" and ":" in name and not name.startswith("Cast 1:"):
            name = name.split(":")[0]
        rows.setdefault(name, []).append(task)
    return tuple(ChartRow(name, tuple(parts)) for name, parts in rows.items())


def _days(days: int, span: tuple[int, int]) -> str:
    """'11 days (10 to 13)'; the span only where there is one."""
    return counted(days, "day") + (f" ({span[0]} to {span[1]})" if span[0] < span[1] else "")


def _programme_pages(plan: MouldPlan, inner: float) -> list[Flowable]:
    programme = plan.programme
    parts: list[Flowable] = [_text("Programme", weight="light", size=20, leading=25)]
    words = (
        f"{_days(programme.mould_days, programme.mould_days_range)} for the mould, "
        f"{_days(programme.run_days, programme.run_days_range)} for {run_line(plan)}, of the calendar; "
        f"{counted(plan.brief.run.hands, 'pair')} of hands. {programme.temperature_note}"
    )
    parts += [_text(words, size=8.8, colour=SOFT_INK), Spacer(1, 6)]
    rows = chart_rows(programme.tasks)
    for start in range(0, len(rows), _ROWS_A_PAGE):
        if start:
            parts.append(PageBreak())
        parts.append(_chart(plan, rows[start : start + _ROWS_A_PAGE], inner))
    note = "Full bars: hands at work. Dotted: it waits. A day's working hours are drawn wide, its night narrow."
    parts += [Spacer(1, 4), _text(note, size=7.6, colour=SOFT_INK)]
    parts += [_text("– " + words, size=8.4, colour=SOFT_INK) for words in programme.notes]
    if programme.batches:
        mixes = [
            [
                b.coat,
                b.piece,
                f"{b.batches} × {kilograms(b.batch_kg)}",
                f"{number(b.catalyst_g)} g",
                f"{number(b.brushing_min, 2, 1)} min",
                f"{number(b.pot_life_min, 2, 1)} min",
            ]
            for b in programme.batches
        ]
        parts += [
            *_heading("Batches", "No more is mixed at once than is spread inside the pot life."),
            _table(
                ("Coat", "Piece", "Batches", "Catalyst each", "To brush", "Pot life"),
                mixes,
                [inner * v for v in (0.27, 0.23, 0.16, 0.13, 0.105, 0.105)],
                right=(2, 3, 4, 5),
                size=7.6,
            ),
        ]
    return parts


_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


def _short_date(iso: str) -> str:
    """'2027-03-01' as '1 Mar': no reader takes day and month for one another."""
    return f"{int(iso[8:10])} {_MONTHS[int(iso[5:7]) - 1]}" if len(iso) == 10 else ""


def _in_days(hours: float, worked: float) -> float:
    """Where an hour stands on the chart, in days: the working hours take four fifths of a day's width."""
    day, hour = divmod(hours, 24.0)
    if worked >= 23.0:
        return day + hour / 24.0
    at_work = min(hour, worked) / worked * 0.8
    return day + at_work + max(hour - worked, 0.0) / (24.0 - worked) * 0.2


def _chart(plan: MouldPlan, rows: Sequence[ChartRow], inner: float) -> _Placed:
    """Bars over days: full where hands work, dotted where it waits."""
    worked = plan.brief.run.hours_per_day
    row_height, head, label = 12.6, 24.0, 0.36 * inner
    tasks = [task for row in rows for task in row.tasks]
    first = int(min(t.start_h for t in tasks) // 24.0)
    last = int(np.ceil(max(_in_days(t.start_h + t.duration_h, worked) for t in tasks)))
    days = max(last - first, 1)
    height = head + row_height * len(rows) + 4
    scale = (inner - label) / days
    dates = {t.day - 1: t.date for t in plan.programme.tasks if t.date}

    def draw(canvas: Canvas) -> None:
        names = _register_type()
        every = max(1, int(np.ceil(27.0 / scale)))
        canvas.setLineWidth(0.4)
        for day in range(days + 1):
            x = label + day * scale
            canvas.setStrokeColor(HexColor(HAIRLINE))
            canvas.line(x, 0, x, height - head + 4)
            if day < days and day % every == 0:
                canvas.setFillColor(HexColor(INK))
                canvas.setFont(names["strong"], 6.4)
                canvas.drawString(x + 1, height - 9, f"day {first + day + 1}")
                canvas.setFillColor(HexColor(SOFT_INK))
                canvas.setFont(names["regular"], 5.6)
                canvas.drawString(x + 1, height - 16, _short_date(dates.get(first + day, "")))
        for at, row in enumerate(rows):
            y = height - head - row_height * (at + 1) + 3
            words, used = fitted(row.name, label - 8, 10.5, (7.4, 6.6), "regular")
            words.drawOn(canvas, 0, y + 3.7 - used / 2 + 0.6)
            for task in row.tasks:
                x = label + (_in_days(task.start_h, worked) - first) * scale
                end = label + (_in_days(task.start_h + task.duration_h, worked) - first) * scale
                colour = HexColor(_STAGE_COLOURS.get(task.stage, SOFT_INK))
                canvas.setStrokeColor(colour)
                canvas.setFillColor(colour)
                canvas.setLineWidth(0.8)
                if task.hands > 0:
                    canvas.rect(x, y, max(end - x, 0.9), 7.4, stroke=0, fill=1)
                else:
                    canvas.setDash(1.2, 1.2)
                    canvas.line(x, y + 3.7, max(end, x + 1), y + 3.7)
                    canvas.setDash()

    return _Placed(inner, height, draw)


def _order_pages(plan: MouldPlan, inner: float) -> list[Flowable]:
    take = plan.takeoff
    rows = [
        [
            line.name + (f" ({line.note})" if line.note else ""),
            line.stage,
            f"{number(line.net.likely)} {_unit(line.unit)}",
            f"{number(line.net.low)} to {number(line.net.high)}",
            percent(line.waste_fraction),
            packs_in_words(line),
            money(line.cost, line.currency),
            line.price_mark,
        ]
        for line in take.lines
    ]
    rows.append(["All", "", "", "", "", "", money(take.total_cost, take.currency), ""])
    table = _table(
        ("Material", "For", "Net", "Low to high", "Waste", "Buy", "Cost", "Price is"),
        rows,
        [inner * v for v in (0.25, 0.10, 0.085, 0.125, 0.065, 0.135, 0.12, 0.12)],
        right=(2, 3, 4, 5, 6),
        size=7.4,
        total=True,
    )
    facts = [
        ("The mould", money(take.cost_mould, take.currency)),
        ("Each cast of the run", money(take.cost_per_cast, take.currency)),
        ("One cast more", money(take.cost_next_cast, take.currency)),
        ("Mould life", f"{take.mould_life_reason} {_gloves(take.gloves_needed)}".strip()),
    ]
    return [
        _text("Order list", weight="light", size=20, leading=25),
        _text("Net from the geometry; packs cover it with waste and the upper end.", size=8.6, colour=SOFT_INK),
        Spacer(1, 4),
        table,
        Spacer(1, 8),
        _facts(facts, inner, 0.2),
        *_advice(take.advice),
    ]


def packs_in_words(line: OrderLine) -> str:
    """What to put in the cart: '1 × 25 + 3 × 5 kg'."""
    packs = line.pack_list or ((line.pack_size, line.packs, 0.0),)
    return " + ".join(f"{count} × {size:.3g}" for size, count, _ in packs) + f" {_unit(line.unit)}"


def _unit(name: str) -> str:
    return {"m2": "m²", "m3": "m³"}.get(name, name)


def _gloves(count: int) -> str:
    return f"The run needs {count} gloves." if count > 1 else ""


def _assumption_pages(plan: MouldPlan, inner: float) -> list[Flowable]:
    if not plan.assumptions:
        return []
    rows = [[a.what.replace("_", " "), a.value, a.mark.value, a.source] for a in plan.assumptions]
    return [
        *_heading("What it rests on", "Every figure that is not geometry, with its standing."),
        _table(
            ("Figure", "Value", "Standing", "Source"),
            rows,
            [inner * v for v in (0.29, 0.26, 0.17, 0.28)],
            size=7.2,
        ),
    ]


# --- the order list as a file ----------------------------------------------------------------------------


def order_list(plan: MouldPlan, path: str | Path) -> Path:
    """The order as CSV, written whole or not at all. Raises `OutputRefused`."""
    return write_order(plan.takeoff, path)
