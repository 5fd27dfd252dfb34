"""The pieces of the wall as templates to cut: skin edge, side, up, stations, bead and bolts drawn on each."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from shapely.affinity import rotate, translate
from shapely.geometry import LineString, Point, Polygon, box

from ...geometry.frame import pull_frame
from ...stages.plan import MouldPlan
from ...stages.wall import STEP_MM, Wall, WallPiece
from ..bolts import all_bolts
from .fullsize import LETTER, Template, TemplateLine, TemplateText

_ON_WALL_MM = 30.0  # a bolt or bead further than this from a piece is another's
_ON_JOINT_MM = 10.0  # the same where three walls meet
_BOLT_MM, _DOME_MM = 5.0, 10.0  # radius of its ring
_ARROW_MM = 26.0
_BEND_MM = 24.0
_BLOCK_MM, _SPOT_MM = (-52.0, -16.0, 64.0, 18.0), 8.0  # room that name, words and arrow take; places tried for them
_WORDS_IN_MM, _LEAST_WORDS_MM = 2.0, 1.2


@dataclass(frozen=True, eq=False)
class OnWall:
    """What is marked on the wall, plan coordinates. beads_mm : centre lines; domes_mm, bolts_mm, pads_mm : (k, 3);
    bolt_names : of the bolts; dome_names : of the domes, where each has a height of its own."""

    beads_mm: tuple[np.ndarray, ...] = ()
    domes_mm: np.ndarray | None = None
    bolts_mm: np.ndarray | None = None
    pads_mm: np.ndarray | None = None
    bolt_names: tuple[str, ...] = ()
    dome_names: tuple[str, ...] = ()


@dataclass(frozen=True)
class Imprint:
    """What stands on every piece: the job, its date if the brief gives one, and the revision of the templates."""

    job: str
    date: str
    revision: str

    @property
    def words(self) -> str:
        return f"{self.job}  ·  {self.date or 'date ________'}  ·  rev {self.revision}"


def imprint_of(plan: MouldPlan, shapes: Sequence[np.ndarray]) -> Imprint:
    """The job's name and date, and a revision that changes when any of the outlines does."""
    digest = hashlib.sha256()
    for shape in shapes:
        digest.update(np.ascontiguousarray(np.round(np.asarray(shape, float), 1)).tobytes())
    return Imprint(plan.brief.piece or plan.master.name, plan.brief.run.start_date or "", digest.hexdigest()[:6])


def marks_of(plan: MouldPlan) -> OnWall:
    """Bolts of the jackets' joint; the rubber's bead, domes and pads where it has them."""
    every = all_bolts(plan.jacket)
    bolts, names = np.array([place for _, place in every], float).reshape(-1, 3), tuple(name for name, _ in every)
    held = plan.rubber.registration
    if held is None:
        return OnWall(bolts_mm=bolts, bolt_names=names)
    domes = () if held.dome_heights_mm is None else tuple(f"dome {high:g} high" for high in held.dome_heights_mm)
    return OnWall(held.lines_mm, held.domes_mm, bolts, held.pads_mm, names, domes)


def wall_templates(plan: MouldPlan, wall: Wall) -> tuple[Template, ...]:
    """A template for every piece of the wall, in its order."""
    marks, imprint = marks_of(plan), imprint_of(plan, [p.outline_mm for p in wall.pieces])
    to_flat = _Flattened(plan) if any(piece.kind != "rib" for piece in wall.pieces) else None
    return tuple(
        _rib(piece, wall, imprint) if to_flat is None or piece.kind == "rib"
        else _flat(piece, wall, imprint, _faces(plan, piece), marks, to_flat)
        for piece in wall.pieces
    )  # fmt: skip


def _faces(plan: MouldPlan, piece: WallPiece) -> str:
    """The glove piece that the drawn face of a board or strip is turned to: the first made of the two it parts."""
    lines = plan.seam.lines
    return plan.seam.pieces[lines[piece.line].between[0] if len(plan.seam.pieces) > 2 else 0].name


class _Flattened:
    """Where a point of the wall lies on a flat piece."""

    def __init__(self, plan: MouldPlan) -> None:
        self.frame = pull_frame(np.asarray(plan.seam.pieces[0].pull, float))
        self.near_mm = _ON_WALL_MM if len(plan.seam.pieces) == 2 else _ON_JOINT_MM
        self.level_mm = plan.seam.plane_offset_mm

    def on(self, piece: WallPiece, points_mm: np.ndarray) -> np.ndarray:
        """(k, 2) on the piece, NaN where a point is not on it."""
        points = np.asarray(points_mm, float).reshape(-1, 3)
        if len(points) == 0:
            return np.zeros((0, 2))
        if not len(piece.inner_mm):
            local = self.frame.to_frame(points)
            flat, away = local[:, :2], np.abs(local[:, 2] - self.level_mm)
        else:
            flat, away = on_strip(piece, points)
        body = Polygon(piece.outline_mm, piece.holes_mm)
        on = np.array([a < self.near_mm and body.covers(Point(p)) for p, a in zip(flat, away, strict=True)])
        return np.where(on[:, None], flat, np.nan)

    def up(self, piece: WallPiece) -> np.ndarray | None:
        """(2,) unit way up on the piece, None where it lies nearly level."""
        if not len(piece.inner_mm):
            way = self.frame.axes[:2, 2]
        else:
            flat = np.concatenate([piece.flat_inner_mm, piece.flat_outer_mm])
            rise = np.concatenate([piece.inner_mm, piece.outer_mm])[:, 2]
            way = np.linalg.lstsq(flat - flat.mean(axis=0), rise - rise.mean(), rcond=None)[0]
        steep = float(np.hypot(*way))
        return way / steep if steep > 0.3 else None


def on_strip(piece: WallPiece, points_mm: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """(k, 2) places on a strip laid flat of points near it, between the two nearest rulings, and (k,) how far off."""
    a, b = piece.inner_mm, piece.outer_mm
    way = b - a
    t = np.clip(((points_mm[:, None] - a) * way).sum(axis=2) / np.maximum((way**2).sum(axis=1), 1e-9), 0.0, 1.0)
    away = np.linalg.norm(points_mm[:, None] - (a + t[..., None] * way), axis=2)
    row = np.arange(len(points_mm))
    first = away.argmin(axis=1)
    count = len(a)
    before, after = np.maximum(first - 1, 0), np.minimum(first + 1, count - 1)
    second = np.where((away[row, before] < away[row, after]) & (before != first), before, after)
    second = np.where(second == first, before, second)
    share = away[row, first] / np.maximum(away[row, first] + away[row, second], 1e-9)
    flat = piece.flat_inner_mm + t[..., None] * (piece.flat_outer_mm - piece.flat_inner_mm)
    place = (1 - share)[:, None] * flat[row, first] + share[:, None] * flat[row, second]
    step = np.linalg.norm(flat[row, first] - flat[row, second], axis=1)
    return place, np.maximum(away[row, first] - step, 0.0)


def _flat(piece: WallPiece, wall: Wall, imprint: Imprint, faces: str, marks: OnWall, to_flat: _Flattened) -> Template:
    lines = [TemplateLine(piece.outline_mm), *(TemplateLine(hole) for hole in piece.holes_mm)]
    texts: list[TemplateText] = []
    lines += [TemplateLine(bend, closed=False, use="mark") for bend in _bends(piece)]
    body = Polygon(piece.outline_mm, piece.holes_mm)
    for mark in piece.marks:
        ends = np.array([mark.inner_mm, mark.outer_mm])
        lines.append(TemplateLine(ends, closed=False, use="mark"))
        texts.append(_station_number(str(mark.number), ends, body))
    lines += [TemplateLine(part, closed=False, use="mark") for bead in marks.beads_mm
              for part in _runs(to_flat.on(piece, bead))]  # fmt: skip
    for points, radius in ((marks.bolts_mm, _BOLT_MM), (marks.domes_mm, _DOME_MM), (marks.pads_mm, 20.0)):
        if points is not None:
            on = to_flat.on(piece, points)
            lines += [_ring(p, radius) for p in on[np.isfinite(on[:, 0])]]
            lines += [_cross(p, radius) for p in on[np.isfinite(on[:, 0])]] if radius == _BOLT_MM else []
    if marks.bolts_mm is not None:
        texts += [
            _bolt_name(f"bolt {name}", (float(x), float(y)), body)
            for name, (x, y) in zip(marks.bolt_names, to_flat.on(piece, marks.bolts_mm), strict=True)
            if np.isfinite(x)
        ]
    if marks.domes_mm is not None and marks.dome_names:
        texts += [
            _bolt_name(name, (float(x), float(y)), body, _DOME_MM)
            for name, (x, y) in zip(marks.dome_names, to_flat.on(piece, marks.domes_mm), strict=True)
            if np.isfinite(x)
        ]
    texts += _skin_words(piece, wall.gap_mm)
    up = to_flat.up(piece)
    rings = [Polygon(line.points_mm).buffer(0.5 * _BOLT_MM) for line in lines if line.closed and line.use == "mark"]
    middle = _clear_spot(piece, body, [*rings, *(_box_of(text) for text in texts)])
    if up is not None:
        lines += _arrow(middle + np.array([-38.0, 0.0]) - 0.5 * _ARROW_MM * up, up)
        texts.append(TemplateText("UP", (float(middle[0]) - 36.0, float(middle[1]) - 14.0), 5.0))
    x, y = float(middle[0]), float(middle[1])
    texts += [
        TemplateText(piece.name, (x - 12.0, y + 2.0), 16.0),
        TemplateText(f"this face to the {faces}", (x - 24.0, y - 6.0), 5.0),
        TemplateText(imprint.words, (x - 24.0, y - 13.0), 3.5),
    ]
    return Template(piece.name, tuple(lines), tuple(texts))


def _box_of(text: TemplateText) -> Polygon:
    """Where words stand, about."""
    wide = LETTER * text.height_mm * len(text.text)
    own = box(0.0, -0.2 * text.height_mm, wide, 0.8 * text.height_mm)
    return translate(rotate(own, text.turn_deg, origin=(0, 0)), *text.at_mm)


def _station_number(number: str, ends: np.ndarray, body: Polygon) -> TemplateText:
    """A station's number beside its line; at a piece's end, where it would be cut off, along the line inside it."""
    way = (ends[1] - ends[0]) / max(float(np.linalg.norm(ends[1] - ends[0])), 1e-9)
    at = ends[1] - 12.0 * way
    beside = TemplateText(number, (float(at[0]) + 1.5, float(at[1])), 6.0)
    if body.covers(_box_of(beside)):
        return beside
    tries = []
    for run in (way, -way):  # words stand to the left of the way they run
        start = at - (8.0 * run if run is way else 0.0) + 1.5 * np.array([-run[1], run[0]])
        turn = float(np.degrees(np.arctan2(run[1], run[0])))
        tries.append(TemplateText(number, (float(start[0]), float(start[1])), 6.0, turn))
    return max((beside, *tries), key=lambda text: body.intersection(_box_of(text)).area / _box_of(text).area)


def _bolt_name(name: str, at_mm: tuple[float, float], body: Polygon, radius_mm: float = _BOLT_MM) -> TemplateText:
    """A bolt's name, or a dome's, on whichever side of its ring it stands on the piece."""
    (x, y), clear, wide = at_mm, radius_mm + 1.5, LETTER * 3.5 * len(name)
    spots = ((x + clear, y - 1.5), (x - clear - wide, y - 1.5), (x - wide / 2, y + 1.5 * clear),
             (x - wide / 2, y - 1.5 * clear - 3.5))  # fmt: skip
    tries = [TemplateText(name, spot, 3.5) for spot in spots]
    return next((text for text in tries if body.covers(_box_of(text))), tries[0])


def _clear_spot(piece: WallPiece, body: Polygon, taken: Sequence[Polygon]) -> np.ndarray:
    """(2,) where a piece's name, words and arrow stand on it and run into least, as near its middle as may be."""
    middle, (x_low, y_low, x_high, y_high) = _middle(piece), body.bounds
    x, y = (v.ravel() for v in np.meshgrid(np.arange(x_low, x_high, _SPOT_MM), np.arange(y_low, y_high, _SPOT_MM)))
    blocks = shapely.box(x + _BLOCK_MM[0], y + _BLOCK_MM[1], x + _BLOCK_MM[2], y + _BLOCK_MM[3])
    off = 3.0 * shapely.area(shapely.difference(blocks, body))
    off += shapely.area(shapely.intersection(blocks, shapely.union_all(list(taken))))
    off += 0.1 * np.hypot(x - middle[0], y - middle[1])
    least = int(np.argmin(off))
    return np.array([x[least], y[least]])


def _bends(piece: WallPiece) -> list[np.ndarray]:
    """The straight lines a strip is bent along between its stations, 24 mm apart."""
    marked = np.array([mark.inner_mm for mark in piece.marks]).reshape(-1, 2)
    found = []
    for inner, outer in list(zip(piece.flat_inner_mm, piece.flat_outer_mm, strict=True))[:: round(_BEND_MM / STEP_MM)]:
        if len(marked) == 0 or np.linalg.norm(marked - inner, axis=1).min() > STEP_MM:
            found.append(np.array([inner, outer]))
    return found


def _skin_words(piece: WallPiece, gap_mm: float) -> list[TemplateText]:
    """Skin edge, written along it a little inside the piece."""
    if len(piece.skin_edge_mm) < 2:
        return []
    line = LineString(piece.skin_edge_mm)
    body = Polygon(piece.outline_mm)
    found = []
    for share in (0.25, 0.75) if line.length > 400.0 else (0.4,):
        at, further = (np.asarray(line.interpolate(share * line.length + d).coords[0]) for d in (-20.0, 20.0))
        way = (further - at) / max(float(np.linalg.norm(further - at)), 1e-9)
        for side in (np.array([-way[1], way[0]]), np.array([way[1], -way[0]])):
            spot = (at + further) / 2 + 9.0 * side
            if body.covers(Point(spot)):
                turn = float(np.degrees(np.arctan2(way[1], way[0])))
                turn = turn if abs(turn) <= 90.0 else turn - 180.0 * np.sign(turn)
                along = np.array([np.cos(np.radians(turn)), np.sin(np.radians(turn))])
                start = spot - 22.0 * along
                words = f"SKIN EDGE, cut {gap_mm:g} mm shy"
                found.append(TemplateText(words, (float(start[0]), float(start[1])), 4.0, turn))
                break
    return found


def _rib(piece: WallPiece, wall: Wall, imprint: Imprint) -> Template:
    """A rib: its station, the edge along the skin, the edge under the clay; its words along its longer way."""
    number = piece.marks[0].number
    lines = [TemplateLine(piece.outline_mm)]
    (x, y), room = _middle(piece), _room_mm(piece)
    if room > 20.0:
        # beside the name, clear of the lines under it
        lines += _arrow(np.array([x + 0.66 * room, y + 0.24 * room]), np.array([0.0, 1.0]), min(16.0, 0.42 * room))
    rows = (
        (0.45, piece.name, 12.0),
        (0.05, f"station {number}, look to {number + 1}", 4.0),
        (-0.3, "left edge to the skin, clay over the top", 3.0),
        (-0.6, imprint.words, 2.5),
    )
    wide, high = np.ptp(piece.outline_mm, axis=0)
    turn = 90.0 if high > wide else 0.0
    texts = [_fitted(piece, (x, y), share * room, words, min(most, 0.5 * room), turn) for share, words, most in rows]
    return Template(piece.name, tuple(lines), tuple(texts))


def _fitted(
    piece: WallPiece, middle: tuple[float, float], up_mm: float, words: str, most_mm: float, turn_deg: float
) -> TemplateText:
    """Words on a line so far up from a piece's middle, no larger than the piece is long there."""
    way = np.array([np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))])
    at = np.asarray(middle) + up_mm * np.array([-way[1], way[0]])
    far = 2.0 * float(np.linalg.norm(np.ptp(piece.outline_mm, axis=0)))
    there = LineString([at - far * way, at + far * way]).intersection(Polygon(piece.outline_mm))
    parts = [p for p in getattr(there, "geoms", [there]) if isinstance(p, LineString) and p.length > 0]
    own = min(parts, key=lambda p: p.distance(Point(at)), default=LineString([at, at + way]))
    size = max(min(most_mm, (own.length - 2.0 * _WORDS_IN_MM) / (LETTER * len(words))), _LEAST_WORDS_MM)
    start = np.asarray(own.interpolate(0.5, normalized=True).coords[0]) - 0.5 * LETTER * size * len(words) * way
    return TemplateText(words, (float(start[0]), float(start[1])), size, turn_deg)


def _middle(piece: WallPiece) -> np.ndarray:
    """(2,) the roomiest place on a piece, for its words."""
    return np.asarray(_circle_in(piece).coords[0])


def _room_mm(piece: WallPiece) -> float:
    """Radius of the greatest circle on a piece."""
    return float(_circle_in(piece).length)


def _circle_in(piece: WallPiece) -> LineString:
    """From the middle of the greatest circle on a piece to its rim."""
    return shapely.maximum_inscribed_circle(Polygon(piece.outline_mm), tolerance=0.5)


def _ring(at: np.ndarray, radius: float) -> TemplateLine:
    angle = np.linspace(0.0, 2 * np.pi, 25)[:-1]
    return TemplateLine(at + radius * np.column_stack([np.cos(angle), np.sin(angle)]), use="mark")


def _cross(at: np.ndarray, radius: float) -> TemplateLine:
    arm = radius * np.array([[-1.5, 0], [1.5, 0], [0, 0], [0, 1.5], [0, -1.5]])
    return TemplateLine(at + arm, closed=False, use="mark")


def _arrow(start: np.ndarray, way: np.ndarray, length: float = _ARROW_MM) -> list[TemplateLine]:
    tip = start + length * way
    side = np.array([-way[1], way[0]])
    head = np.array([tip - 6.0 * way + 3.0 * side, tip, tip - 6.0 * way - 3.0 * side])
    return [
        TemplateLine(np.array([start, tip]), closed=False, use="mark"),
        TemplateLine(head, closed=False, use="mark"),
    ]


def _runs(points: np.ndarray) -> list[np.ndarray]:
    """Stretches of a line that are on the piece."""
    known = np.isfinite(points[:, 0])
    edge = np.flatnonzero(np.diff(np.concatenate([[0], known.astype(np.int8), [0]])))
    return [points[a:b] for a, b in zip(edge[::2], edge[1::2], strict=True) if b - a > 1]
