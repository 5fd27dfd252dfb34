"""A piece drawn along its pull on its workshop sheet: the glove with its keys, beside it the jacket with all that goes
on it, and what the signs mean."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from string import ascii_uppercase

import numpy as np
import shapely
from reportlab.lib.colors import HexColor
from reportlab.pdfgen.canvas import Canvas
from shapely.geometry.base import BaseGeometry

from ...base.figures import mm
from ...base.progress import SILENT, Progress
from ...base.threads import meanwhile
from ...geometry.heightmap import outline
from ...solids.shapes import Body
from ...stages.jacket.layup import in_patches
from ...stages.plan import MouldPlan
from ..bolts import bolt_names
from ..look import BACKDROP, INK, KEY, RIB, SEAM, SOFT_INK
from ..pictures.bodies import mould_bodies
from ..pictures.camera import Camera, look
from ..pictures.studio import photograph, set_up
from .typeset import Placed, house_fonts, image_reader

PATCH_NAMES = [*ascii_uppercase, *(f"{a}{b}" for a in ascii_uppercase for b in ascii_uppercase)]
_TALL = 300.0  # points of the two views
_FOOT = 20.0  # of the strip with the signs
_SCALE = 2.6  # pixels to a point
_HATCH = 4.0  # points between two strokes
_SIGN = 2.2  # half a sign's size
_TAG_ROOM = 11.0  # points between two tags' middles
_NUMBER_OFF, _NUMBER_ROOM = 6.5, 5.0  # points: a bolt's number from it, and from what else stands there
_BARS_MM = (1000.0, 500.0, 250.0, 200.0, 100.0, 50.0, 20.0, 10.0)


@dataclass(frozen=True, eq=False)
class _View:
    """A photograph on the page, its lower left corner at left, `_FOOT`."""

    camera: Camera
    left: float
    reader: object
    wide: float

    def spots(self, points_mm: Sequence[Sequence[float]] | np.ndarray) -> np.ndarray:
        """(k, 2) places on the page of (k, 3) plan points."""
        if not len(points_mm):
            return np.zeros((0, 2))
        found, _ = self.camera.project(np.asarray(points_mm, float))
        return np.column_stack([self.left + found[:, 0] / _SCALE, _FOOT + _TALL - found[:, 1] / _SCALE])


def piece_drawing(plan: MouldPlan, at: int, inner: float, progress: Progress = SILENT) -> Placed:
    """Both views of piece `at` at one scale, `inner` points wide, with the signs that stand on them explained."""
    bodies = mould_bodies(plan, progress)
    pull = plan.rubber.envelopes[at].frame.pull
    wide = inner / 2.0
    camera = look(
        -pull, bodies.jackets[at].vertices_mm, round(wide * _SCALE), round(_TALL * _SCALE), parallel=True, margin=0.05
    )

    def view(left: float, *shown: Body) -> _View:
        there = [body for body in shown if len(body.vertices_mm)]
        baked = meanwhile(partial(set_up, there, ground_mm=None), progress)
        picture = photograph(baked, camera, floor=False)
        return _View(camera, left, image_reader(picture), wide)

    glove = view(0.0, bodies.gloves[at], bodies.keys[at])
    jacket = view(wide, bodies.jackets[at], bodies.ribs[at])
    piece = plan.jacket.pieces[at]
    keys = [key for key in plan.keys.keys if key.piece == piece.piece]
    hatched = _patch_outlines(plan, at, jacket)
    words = [(str(number), RIB) for number in range(1, len(piece.ribs) + 1)]
    words += [(name, INK) for name, _ in zip(PATCH_NAMES, piece.patches)]
    tags = list(zip(_tag_places(plan, at, jacket), words, strict=True))
    bolts = _numbered(plan, at, jacket)

    def draw(canvas: Canvas) -> None:
        canvas.setFillColor(HexColor(BACKDROP))
        canvas.rect(0, 0, inner, _FOOT + _TALL, stroke=0, fill=1)
        for one in (glove, jacket):
            canvas.drawImage(one.reader, one.left, _FOOT, one.wide, _TALL)
        for region in hatched:
            _hatch(canvas, region)
        for (x, y), (nx, ny), name in bolts:
            _bolt(canvas, x, y)
            _number(canvas, nx, ny, name)
        for x, y in jacket.spots((*piece.wedge_points_mm, *piece.foot_wedge_points_mm)):
            _wedge(canvas, x, y)
        for x, y in jacket.spots(piece.clamps_mm):
            _clamp(canvas, x, y)
        for key, (x, y) in zip(keys, glove.spots([key.foot_mm for key in keys])):
            _word(canvas, x, y, key.name)
        for (x, y), (word, colour) in tags:
            _tag(canvas, x, y, word, colour)
        _explain(canvas, _signs(plan, at))
        _scale_bar(canvas, camera, inner)

    return Placed(inner, _FOOT + _TALL, draw)


def _patch_outlines(plan: MouldPlan, at: int, view: _View) -> list[BaseGeometry]:
    """Where the body is laid as a patch, on the page: seen along the pull the column image shows all of it."""
    piece, envelope = plan.jacket.pieces[at], plan.rubber.envelopes[at]
    if not piece.patches:
        return []
    region = outline(in_patches(piece, envelope), envelope.origin_mm, envelope.pixel_mm)

    def on_page(xy: np.ndarray) -> np.ndarray:
        return view.spots(envelope.frame.to_master(np.column_stack([xy, np.zeros(len(xy))])))

    return [shapely.transform(part, on_page) for part in shapely.get_parts(region)]


def _tag_places(plan: MouldPlan, at: int, view: _View) -> list[np.ndarray]:
    """Where ribs' numbers and then patches' letters stand: the first place on each that leaves those before it free."""
    piece = plan.jacket.pieces[at]
    tried = []
    for rib in piece.ribs:
        one, other = view.spots([rib.start_mm, rib.end_mm])
        tried.append([one + share * (other - one) for share in (0.5, 0.3, 0.7, 0.1, 0.9)])
    for patch, middle in zip(piece.patches, view.spots([p.centre_mm for p in piece.patches])):
        off = 0.7 * patch.radius_mm * view.camera.px_per_mm / _SCALE
        turns = np.radians(np.arange(90.0, 450.0, 30.0))
        tried.append([middle, *(middle + off * np.array([np.cos(t), np.sin(t)]) for t in turns)])
    placed: list[np.ndarray] = []
    for places in tried:
        free = (p for p in places if all(np.linalg.norm(p - other) > _TAG_ROOM for other in placed))
        placed.append(next(free, places[0]))
    return placed


def _numbered(plan: MouldPlan, at: int, view: _View) -> list[tuple[np.ndarray, np.ndarray, str]]:
    """Each bolt's place on the page, where its number stands, and the number: outward, in the first place that leaves
    the numbers before it and every sign free."""
    piece = plan.jacket.pieces[at]
    names = [name for own in bolt_names(plan.jacket)[at] for name in own]
    spots = view.spots((*piece.bolts_mm, *piece.foot_bolts_mm))
    if not len(spots):
        return []
    signs = np.concatenate([spots, view.spots((*piece.wedge_points_mm, *piece.foot_wedge_points_mm))])
    middle = spots.mean(axis=0)
    taken: list[np.ndarray] = []
    placed = []
    for spot, name in zip(spots, names, strict=True):
        first = float(np.arctan2(*(spot - middle)[::-1]))
        best, most = spot, -np.inf
        for out in (_NUMBER_OFF, 1.5 * _NUMBER_OFF):
            for turn in np.radians((0.0, 35.0, -35.0, 70.0, -70.0, 110.0, -110.0, 180.0)):
                place = spot + out * np.array([np.cos(first + turn), np.sin(first + turn)])
                inside = view.left + 6.0 < place[0] < view.left + view.wide - 6.0 and _FOOT < place[1] < _FOOT + _TALL
                others = np.concatenate([signs, np.array(taken).reshape(-1, 2)])
                room = float(np.linalg.norm(others - place, axis=1).min()) if inside else -1.0
                if room > most + 1e-6:
                    best, most = place, room
                if most >= _NUMBER_ROOM:
                    break
            if most >= _NUMBER_ROOM:
                break
        taken.append(best)
        placed.append((spot, best, name))
    return placed


# --- signs -----------------------------------------------------------------------------------------------


def _hatch(canvas: Canvas, region: BaseGeometry) -> None:
    """Strokes at 45 degrees inside an outline, on one lattice for all outlines."""
    x0, y0, x1, y1 = region.bounds
    step = _HATCH * np.sqrt(2.0)
    starts = np.arange(np.floor((x0 - y1) / step), np.ceil((x1 - y0) / step) + 1) * step
    strokes = shapely.linestrings([[(c + y0, y0), (c + y1, y1)] for c in starts])
    canvas.setStrokeColor(HexColor(INK))
    canvas.setLineWidth(0.3)
    for part in shapely.get_parts(shapely.intersection(strokes, region)):
        for line in shapely.get_parts(part):
            if line.geom_type == "LineString" and not line.is_empty:
                (ax, ay), *_, (bx, by) = line.coords
                canvas.line(ax, ay, bx, by)
    canvas.setLineWidth(0.6)
    for ring in (r for part in shapely.get_parts(region) for r in (part.exterior, *part.interiors)):
        _closed(canvas, np.array(ring.coords)[:-1], stroke=1, fill=0)


def _closed(canvas: Canvas, corners: np.ndarray, stroke: int, fill: int) -> None:
    path = canvas.beginPath()
    path.moveTo(*corners[0])
    for corner in corners[1:]:
        path.lineTo(*corner)
    path.close()
    canvas.drawPath(path, stroke=stroke, fill=fill)


def _bolt(canvas: Canvas, x: float, y: float) -> None:
    canvas.setFillColor(HexColor(BACKDROP))
    canvas.setStrokeColor(HexColor(INK))
    canvas.setLineWidth(0.7)
    canvas.circle(x, y, _SIGN, stroke=1, fill=1)
    canvas.line(x - _SIGN, y, x + _SIGN, y)
    canvas.line(x, y - _SIGN, x, y + _SIGN)


def _number(canvas: Canvas, x: float, y: float, name: str) -> None:
    """A bolt's number, ink on a light ground so that it reads on the jacket and in black and white."""
    size = 4.8
    half = canvas.stringWidth(name, house_fonts()["strong"], size) / 2.0
    canvas.setFillColor(HexColor(BACKDROP))
    canvas.rect(x - half - 0.7, y - 2.2, 2.0 * half + 1.4, 4.4, stroke=0, fill=1)
    canvas.setFont(house_fonts()["strong"], size)
    canvas.setFillColor(HexColor(INK))
    canvas.drawCentredString(x, y - 1.7, name)


def _wedge(canvas: Canvas, x: float, y: float) -> None:
    canvas.setFillColor(HexColor(SEAM))
    _closed(canvas, np.array([(x - 2.6, y - 2.2), (x + 2.6, y - 2.2), (x, y + 2.8)]), stroke=0, fill=1)


def _clamp(canvas: Canvas, x: float, y: float) -> None:
    """Two jaws on a back."""
    canvas.setStrokeColor(HexColor(SEAM))
    canvas.setLineWidth(1.3)
    for (ax, ay), (bx, by) in (((-3, 2.6), (-3, -2.6)), ((-3, 2.6), (2.6, 2.6)), ((-3, -2.6), (2.6, -2.6))):
        canvas.line(x + ax, y + ay, x + bx, y + by)


def _word(canvas: Canvas, x: float, y: float, word: str) -> None:
    canvas.setFont(house_fonts()["strong"], 5.4)
    canvas.setFillColor(HexColor("#ffffff"))
    canvas.drawCentredString(x, y - 1.9, word)


def _tag(canvas: Canvas, x: float, y: float, word: str, colour: str) -> None:
    canvas.setFillColor(HexColor(colour))
    canvas.setStrokeColor(HexColor("#ffffff"))
    canvas.setLineWidth(0.6)
    half = 4.0 + 1.4 * (len(word) - 1)
    canvas.roundRect(x - half, y - 4.0, 2 * half, 8.0, 2.0, stroke=1, fill=1)
    _word(canvas, x, y, word)


def _signs(plan: MouldPlan, at: int) -> list[tuple[str, Callable[[Canvas, float, float], None]]]:
    """The signs that stand on this piece's views, with their names."""
    piece = plan.jacket.pieces[at]

    def key(canvas: Canvas, x: float, y: float) -> None:
        canvas.setFillColor(HexColor(KEY))
        canvas.circle(x, y, 3.0, stroke=0, fill=1)

    def patch(canvas: Canvas, x: float, y: float) -> None:
        _hatch(canvas, shapely.box(x - 6.0, y - 4.0, x + 6.0, y + 4.0))

    def rib(canvas: Canvas, x: float, y: float) -> None:
        canvas.setFillColor(HexColor(RIB))
        canvas.rect(x - 7.0, y - 1.6, 14.0, 3.2, stroke=0, fill=1)

    every = (
        ("key", key, any(k.piece == piece.piece for k in plan.keys.keys)),
        ("bolt, its number", _bolt, piece.bolts_mm or piece.foot_bolts_mm),
        ("wedge point", _wedge, piece.wedge_points_mm or piece.foot_wedge_points_mm),
        ("clamp", _clamp, piece.clamps_mm),
        ("laid heavier (patch)", patch, piece.patches),
        ("rib, its core", rib, piece.ribs),
    )
    return [(name, sign) for name, sign, there in every if there]


def _explain(canvas: Canvas, signs: Sequence[tuple[str, Callable[[Canvas, float, float], None]]]) -> None:
    """The signs in a row at the foot, each with its name."""
    font, x, y = house_fonts()["regular"], 14.0, _FOOT / 2.0
    for name, sign in signs:
        sign(canvas, x, y)
        canvas.setFont(font, 7)
        canvas.setFillColor(HexColor(SOFT_INK))
        canvas.drawString(x + 10.0, y - 2.4, name)
        x += 27.0 + canvas.stringWidth(name, font, 7)


def _scale_bar(canvas: Canvas, camera: Camera, inner: float) -> None:
    per_mm = camera.px_per_mm / _SCALE
    length = next((v for v in _BARS_MM if v * per_mm < 110), _BARS_MM[-1])
    right, y = inner - 10.0, _FOOT / 2.0 - 4.0
    canvas.setStrokeColor(HexColor(SOFT_INK))
    canvas.setLineWidth(0.7)
    canvas.line(right - length * per_mm, y, right, y)
    for x in (right - length * per_mm, right):
        canvas.line(x, y - 2.5, x, y + 2.5)
    canvas.setFont(house_fonts()["regular"], 7)
    canvas.setFillColor(HexColor(SOFT_INK))
    canvas.drawCentredString(right - length * per_mm / 2.0, y + 4.0, mm(length))
