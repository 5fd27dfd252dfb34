"""Under jacket: bolts and wedge slots along the flange where glass meets glass, and through the flange on the board."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from itertools import combinations

import numpy as np
import shapely
from scipy.spatial import cKDTree

from ...geometry.faraway import cells_away
from ...geometry.frame import unit
from ...geometry.heightmap import outline, sample
from ...trade.bolts import BOLT_SIZES
from ...trade.section import LEAN_DEG, JointSection
from ..keys import Keys
from ..rubber import (
    BOLT_OF_SEAM_MM,
    Envelope,
    Rubber,
    columns_hold,
    covered,
    inside_of_jacket_mm,
    jacketed,
    lean_of,
    middle_lines,
    on_parting,
    over,
    points_along,
    seen_share,
    spaced_spots,
    widest_step_mm,
)
from .footflange import above_parting_mm, along_board, foot_lines, foot_pixels, on_board
from .record import ONE_PLACE_MM

SPANNER_MM = 100.0  # common practice: room over a bolt in the board
WEDGE_CLEAR_MM = 35.0  # common practice: half a wedge's width, and room for the hand that drives it
_BESIDE_MM = 25.0  # a bolt this near to a flange's middle line is one of its own
_ROOM_MM = 6.0  # common practice: round a washer, as where the bolts are set
_READ_DEG = 1.0  # a lean read off pixels: three level pulls evenly round part at just the limit
_MEETS_PIXELS = 3.0  # two pieces' partings differ by no more where they meet
_ALONG_MM = np.arange(4.0, 61.0, 4.0)  # common practice: room for bolt and spanner
BOLT_ROOM_MM = 9.0  # round a bolt's axis that no rubber comes into (common practice)
THIRD_OFF_MM = 34.0  # a bolt between two jackets keeps this far from a third: half a washer, and its flange's back
_CLOSEST = 0.4  # of the pitch: bolts stand no closer, however little of the flanges has room
_LOOK_MM = 6.0
_CLAMP_IN_MM = (10.0, 25.0)  # from the rim: where a clamp's pads lie (common practice)
_AXIS_MM = 12.0  # over which the flange's slope under a bolt is read

_Places = dict[tuple[int, int], np.ndarray]  # of two pieces, (k, 3) plan or (k, 2) frame places


@dataclass(frozen=True, eq=False)
class Fasteners:
    """What holds one piece's flange against its neighbours', in plan coordinates, on the parting surface.

    axes : (k, 3) unit, square to the flange at each bolt, towards this piece's pull. pitch_mm : the widest distance
    between neighbouring bolts. clamps_mm : (k, 3) where the flange leans too much for a bolt and has no step.
    """

    bolts_mm: np.ndarray
    axes: np.ndarray
    wedges_mm: np.ndarray
    clamps_mm: np.ndarray
    pitch_mm: float


def place_fasteners(rubber: Rubber) -> list[Fasteners]:
    """Bolts, wedge slots and clamps of every piece, past the rubber; pieces that meet share them, so both flanges take
    the same hole.
    """
    section = rubber.built_to
    if rubber.registration is not None and len(rubber.envelopes) == 2:
        one, other = rubber.envelopes
        shared = rubber.registration.bolt_places_mm
        leans = _leans(one, one.frame.to_frame(shared)[:, :2], one.frame.pull)  # with no room for a step
        first = _held(one, section, shared[~leans], shared[leans], None)
        return [first, _held(other, section, shared[~leans], shared[leans], first.wedges_mm)]
    several = len(rubber.envelopes) > 1
    met = where_flanges_meet(rubber.envelopes)
    bolts, clamps = _between_pairs(rubber) if several else _on_one(met[0], section)
    made: list[Fasteners] = []
    for at, envelope in enumerate(met):
        wedges = np.concatenate([np.zeros((0, 3)), *(f.wedges_mm for f in made)])
        made.append(_held(envelope, section, _of_piece(bolts, at), _of_piece(clamps, at), wedges))
    return made


def _of_piece(places: dict[tuple[int, int], np.ndarray], at: int) -> np.ndarray:
    """(k, 3) places between a piece and any other."""
    return np.concatenate([np.zeros((0, 3)), *(points for pair, points in places.items() if at in pair)])


def _on_one(envelope: Envelope, section: JointSection) -> tuple[_Places, _Places]:
    """Bolts and clamps of a piece alone, by how its flange leans against its pull."""
    lines = flange_lines(envelope, section)
    spots = [s for line in lines for s in spaced_spots(line, section.bolt_pitch_mm, section.corner_mm)]
    at = np.array(spots).reshape(-1, 2)
    leans = _leans(envelope, at, envelope.frame.pull)
    return {(0, 0): on_parting(envelope, at[~leans])}, {(0, 0): on_parting(envelope, at[leans])}


def _leans(envelope: Envelope, spots: np.ndarray, way: np.ndarray) -> np.ndarray:
    """(k,) bool: where the flange leans too much against the way two pieces part ((3,) unit) for a bolt."""
    return np.asarray(bolt_axes(envelope, spots) @ way < np.cos(np.radians(LEAN_DEG + _READ_DEG)))


def _between_pairs(rubber: Rubber) -> tuple[_Places, _Places]:
    """Bolts and clamps between every two pieces that meet, on the parting surface of the one made first: as many as
    there would be one for each `BOLT_OF_SEAM_MM` were there room all along, closer where there is not.

    Two pieces part along the difference of their pulls, so their flanges lean against that and not against either pull.
    """
    section, envelopes = rubber.built_to, rubber.envelopes
    whole = sum(line.length / seen_share(e, [line]) for e in envelopes for line in flange_lines(e, section)) / 2.0
    meetings = meetings_of(rubber)
    pitch = 0.98 * section.bolt_pitch_mm
    while True:
        found = {(m.one, m.other): m.places(pitch, m.stands) for m in meetings}
        if sum(map(len, found.values())) * BOLT_OF_SEAM_MM >= whole or pitch <= _CLOSEST * section.bolt_pitch_mm:
            break
        pitch *= 0.9
    found = {(m.one, m.other): m.filled(found[m.one, m.other], section) for m in meetings}
    held = {pair: on_parting(envelopes[pair[0]], spots) for pair, spots in found.items()}
    clamps = {(m.one, m.other): m.clamped(m.places(pitch, m.clear, found[m.one, m.other]), section) for m in meetings}
    return held, {pair: on_parting(envelopes[pair[0]], spots[len(found[pair]) :]) for pair, spots in clamps.items()}


@dataclass(frozen=True, eq=False)
class Meeting:
    """Where one piece's flange lies against another's. lines : middle lines of it in the first one's frame; envelope :
    the first one's, with no more flange than that; third : points all over other jackets. way : (3,) unit, along which
    the two part."""

    one: int
    other: int
    envelopes: Sequence[Envelope]
    envelope: Envelope
    lines: list[shapely.LineString]
    third: cKDTree | None
    way: np.ndarray
    known: dict[bytes, np.ndarray] = field(default_factory=dict)  # the same stations are asked at every pitch

    def stands(self, spots: np.ndarray) -> np.ndarray:
        """(k,) bool: where a bolt may stand."""
        return self.clear(spots) & self.upright(spots)

    def clear(self, spots: np.ndarray) -> np.ndarray:
        """(k,) bool: those of (k, 2) places where nothing but these two is in the way of a bolt or a clamp."""
        asked = spots.tobytes()
        if asked not in self.known:
            kept = _lies_on(self.envelopes[self.other], on_parting(self.envelope, spots)) & self.off_third(spots)
            kept[kept] = self.has_room(spots[kept])
            self.known[asked] = kept
        return self.known[asked]

    def off_third(self, spots: np.ndarray) -> np.ndarray:
        """(k,) bool: far enough from any third jacket."""
        if self.third is None:
            return np.ones(len(spots), bool)
        return np.asarray(self.third.query(on_parting(self.envelope, spots))[0] > THIRD_OFF_MM)

    def has_room(self, spots: np.ndarray) -> np.ndarray:
        """(k,) bool: no rubber stands in a bolt's or a spanner's way."""
        return _has_room(on_parting(self.envelope, spots), bolt_axes(self.envelope, spots), self.envelopes)

    def upright(self, spots: np.ndarray) -> np.ndarray:
        """(k,) bool: where the flange leans no more against the way the two part than a bolt may."""
        return ~_leans(self.envelope, spots, self.way)

    def flange_places(self) -> tuple[np.ndarray, np.ndarray]:
        """(k, 2) and (k, 3) places some millimetres apart all over the flange, in the frame and in plan coordinates."""
        xy = self._spots(self.envelope.past_rubber)
        return xy, on_parting(self.envelope, xy)

    def places(
        self, pitch_mm: float, usable: Callable[[np.ndarray], np.ndarray], beside: np.ndarray | None = None
    ) -> np.ndarray:
        """(k, 2) places along the lines, no further apart on the flange than a pitch wherever they are usable; those
        that stand beside come first."""
        shared = np.zeros((0, 2)) if beside is None else beside

        def raised(spots: np.ndarray) -> np.ndarray:
            return on_parting(self.envelope, spots)

        return points_along(self.lines, pitch_mm, usable, shared, raised=raised)

    def filled(self, bolts: np.ndarray, section: JointSection) -> np.ndarray:
        """(k, 2) the bolts, and more of them where the flange is too narrow for a line half-way across but a washer has
        room: there too no place for a bolt is further than half a pitch from one."""
        half, room = _half_and_room_mm(self.envelope, section)
        past, rim = _past_and_rim_mm(self.envelope)
        spots = self._spots((past >= room) & (past <= half + self.envelope.pixel_mm) & (rim >= room))
        return self._spread(bolts, spots[self.stands(spots)], section.bolt_pitch_mm / 2.0)

    def clamped(self, held: np.ndarray, section: JointSection) -> np.ndarray:
        """(k, 2) what holds, and clamps on the rim where the flange leans too much for a bolt."""
        _, rim = _past_and_rim_mm(self.envelope)
        spots = self._spots((rim >= _CLAMP_IN_MM[0]) & (rim <= _CLAMP_IN_MM[1]))
        spots = spots[self.clear(spots) & ~self.upright(spots)]
        return self._spread(held, spots, float(np.hypot(section.bolt_pitch_mm, section.jacket_flange_mm)) / 2.0)

    def _spots(self, usable: np.ndarray) -> np.ndarray:
        """(k, 2) places some millimetres apart on those of the flange's pixels."""
        step = max(int(_LOOK_MM / self.envelope.pixel_mm), 1)
        i, j = np.nonzero((self.envelope.past_rubber & usable)[::step, ::step])
        pixel = step * self.envelope.pixel_mm
        return np.column_stack([o + n * pixel for o, n in zip(self.envelope.origin_mm, (j, i))])

    def _spread(self, held: np.ndarray, spots: np.ndarray, within_mm: float) -> np.ndarray:
        """(k, 2) what holds, and as many of the spots, furthest off first, as bring all of them within a distance."""
        if not len(spots):
            return held
        at = on_parting(self.envelope, spots)
        away = np.full(len(at), np.inf)
        if len(held):
            away = np.asarray(cKDTree(on_parting(self.envelope, held)).query(at)[0])
        while away.max() > within_mm:
            further = int(np.argmax(away))
            held = np.concatenate([held, spots[[further]]])
            away = np.minimum(away, np.linalg.norm(at - at[further], axis=1))
        return held


def meetings_of(rubber: Rubber) -> list[Meeting]:
    """Every two pieces, with what of their flanges lies against each other's."""
    pairs = combinations(range(len(rubber.envelopes)), 2)
    return [_meeting(rubber.envelopes, a, b, rubber.built_to) for a, b in pairs]


def _meeting(envelopes: Sequence[Envelope], a: int, b: int, section: JointSection) -> Meeting:
    one, others = envelopes[a], [e for k, e in enumerate(envelopes) if k not in (a, b)]
    xy, points = _on_flange(one)
    flange = np.zeros_like(one.past_rubber)
    flange[_pixels(one, xy[_lies_on(envelopes[b], points)])] = True
    own = replace(one, jacket_flange=flange)
    third = cKDTree(np.concatenate([_under_jacket(e) for e in others])) if others else None
    lines = flange_lines(own, section) if flange.any() else []
    return Meeting(a, b, envelopes, own, lines, third, unit(one.frame.pull - envelopes[b].frame.pull))


def _on_flange(envelope: Envelope) -> tuple[np.ndarray, np.ndarray]:
    """(k, 2) and (k, 3): every pixel of a jacket's own flange, in the frame and in plan coordinates."""
    i, j = np.nonzero(envelope.past_rubber)
    xy = np.column_stack([envelope.origin_mm[0] + envelope.pixel_mm * j, envelope.origin_mm[1] + envelope.pixel_mm * i])
    return xy, on_parting(envelope, xy)


def _pixels(envelope: Envelope, xy: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    return envelope.grid.nearest(xy[:, 0], xy[:, 1])


def _under_jacket(envelope: Envelope) -> np.ndarray:
    """(k, 3) plan points some millimetres apart all over what a jacket lies on."""
    step = max(int(_LOOK_MM / envelope.pixel_mm), 1)
    under = inside_of_jacket_mm(envelope)[::step, ::step]
    i, j = np.nonzero(np.isfinite(under))
    x, y = (o + n * step * envelope.pixel_mm for o, n in zip(envelope.origin_mm, (j, i)))
    return envelope.frame.to_master(np.column_stack([x, y, under[i, j]]))


def _held(
    envelope: Envelope, section: JointSection, bolts: np.ndarray, clamps: np.ndarray, wedges: np.ndarray | None
) -> Fasteners:
    """A piece's fasteners round the given bolts: their axes, wedge slots between them, the widest pitch."""
    nothing = np.zeros((0, 3))
    if not envelope.past_rubber.any():
        return Fasteners(nothing, nothing, nothing, nothing, 0.0)
    at = envelope.frame.to_frame(bolts)[:, :2]
    taken = np.concatenate([at, envelope.frame.to_frame(clamps)[:, :2]])
    lines = flange_lines(envelope, section)
    shared = np.zeros((0, 2)) if wedges is None else _shared(envelope, wedges)
    free = _clear_of(taken, np.full(len(taken), WEDGE_CLEAR_MM))
    slots = points_along(rim_of_jacket(envelope, 1.5 * envelope.pixel_mm), section.wedge_pitch_mm, free, shared, 0.5)
    # where two flanges run side by side one bolt serves both
    pitch = min(widest_step_mm(lines, taken, _BESIDE_MM), 2.0 * _furthest_mm(lines, taken))
    return Fasteners(bolts, bolt_axes(envelope, at), on_parting(envelope, slots), clamps, pitch)


def _furthest_mm(lines: Sequence[shapely.LineString], spots: np.ndarray) -> float:
    """How far, at most, a place on the lines is from the nearest of (k, 2) spots."""
    if not lines or not len(spots):
        return np.inf
    on = np.concatenate([shapely.get_coordinates(g.segmentize(5.0)) for g in lines])
    return float(cKDTree(spots).query(on)[0].max())


def flange_lines(envelope: Envelope, section: JointSection) -> list[shapely.LineString]:
    """Middle lines of the jacket's flange past the rubber, in frame x, y, where a washer has room."""
    rubber, (half, room) = covered(envelope) | envelope.open_base, _half_and_room_mm(envelope, section)
    past = cells_away(~rubber) * envelope.pixel_mm
    return middle_lines(rubber, envelope.past_rubber, past, envelope.origin_mm, envelope.pixel_mm, half, room)


def _half_and_room_mm(envelope: Envelope, section: JointSection) -> tuple[float, float]:
    """Half a jacket flange's width, and what a washer needs round its middle, seen along the pull."""
    # of many pieces flanges are as wide as asked up their own slope, so narrower along the pull
    level = 1.0 / np.hypot(1.0, _flange_lean(envelope)) if envelope.of_many else 1.0
    half = level * section.jacket_flange_mm / 2.0
    return half, min(level * (BOLT_SIZES[section.bolt].washer_mm / 2.0 + _ROOM_MM), half - envelope.pixel_mm)


def _past_and_rim_mm(envelope: Envelope) -> tuple[np.ndarray, np.ndarray]:
    """(rows, columns) each: how far pixels are from the rubber, and from all that is neither rubber nor jacket."""
    rubber = covered(envelope) | envelope.open_base
    kept = np.pad(rubber | envelope.past_rubber, 1, constant_values=False)
    past, rim = cells_away(~rubber), cells_away(kept)[1:-1, 1:-1]
    return past * envelope.pixel_mm, rim * envelope.pixel_mm


def _flange_lean(envelope: Envelope) -> float:
    """Rise over run of the jacket's flange, at its middle place."""
    lean = lean_of(np.nan_to_num(envelope.parting_mm), envelope.pixel_mm)[envelope.past_rubber]
    return float(np.median(lean)) if lean.size else 0.0


def rim_of_jacket(envelope: Envelope, inset_mm: float) -> list[shapely.LineString]:
    """The jacket flange's outer rim, moved in, as lines in frame x, y; none along the board."""
    footprint = outline(jacketed(envelope), envelope.origin_mm, envelope.pixel_mm)
    flange = outline(envelope.past_rubber, envelope.origin_mm, envelope.pixel_mm)
    rim = footprint.buffer(-inset_mm).boundary
    kept = shapely.line_merge(shapely.intersection(rim, flange.buffer(-0.5 * envelope.pixel_mm)))
    lines = [g for g in shapely.get_parts(kept) if isinstance(g, shapely.LineString) and g.length > 20.0]
    return sorted(lines, key=lambda g: (-round(g.length, 3), g.coords[0]))


def bolt_axes(envelope: Envelope, spots: np.ndarray) -> np.ndarray:
    """(k, 3) unit directions in plan coordinates, square to the parting surface at (k, 2) places, towards the pull."""
    step = _AXIS_MM / 2.0

    def height(dx: float, dy: float) -> np.ndarray:
        return sample(envelope.parting_mm, envelope.origin_mm, envelope.pixel_mm, spots + (dx, dy))

    if len(spots) == 0:
        return np.zeros((0, 3))
    along = (height(step, 0.0) - height(-step, 0.0)) / (2.0 * step)
    across = (height(0.0, step) - height(0.0, -step)) / (2.0 * step)
    axes = np.column_stack([-along, -across, np.ones(len(spots))])
    return envelope.frame.to_master(axes / np.linalg.norm(axes, axis=1, keepdims=True))


def fitted_of(bolts_mm: np.ndarray, count: int) -> tuple[int, ...]:
    """Numbers of the bolts that are fitted without play: as far from each other as may be."""
    if len(bolts_mm) < 2:
        return ()
    away = np.linalg.norm(bolts_mm[:, None] - bolts_mm[None], axis=2)
    one, other = np.unravel_index(int(np.argmax(np.round(away, 3))), away.shape)
    found = [int(min(one, other)), int(max(one, other))]
    if count > 2 and len(bolts_mm) > 2:
        found.append(int(np.argmax(np.round(np.minimum(away[one], away[other]), 3))))
    return tuple(sorted(found))


def fitted_between(pieces_bolts_mm: Sequence[np.ndarray], count: int) -> tuple[tuple[float, float, float], ...]:
    """Places of the bolts fitted without play between every two pieces, of each piece's bolts ((k, 3)); those that
    two list near each other are one."""
    found: list[tuple[float, float, float]] = []
    for one, other in combinations([np.asarray(b, float).reshape(-1, 3) for b in pieces_bolts_mm], 2):
        if not len(one) or not len(other):
            continue
        shared = one[cKDTree(other).query(one)[0] <= ONE_PLACE_MM]
        chosen = fitted_of(shared, count) or range(len(shared))
        found += [(float(x), float(y), float(z)) for x, y, z in shared[list(chosen)]]
    return tuple(found)


def where_flanges_meet(envelopes: Sequence[Envelope]) -> list[Envelope]:
    """The envelopes with that of their jackets' flanges against which just one other piece's lies: past it a bolt
    would hold nothing, and where three meet it would pass through a mitre. A piece alone keeps all of its flange."""
    met = []
    for one in envelopes:
        xy, points = _on_flange(one)
        others = [other for other in envelopes if other is not one]
        count = np.sum([_lies_on(other, points) for other in others], axis=0) if others else np.ones(len(points))
        flange = np.zeros_like(one.past_rubber)
        flange[_pixels(one, xy[count == 1])] = True
        met.append(replace(one, jacket_flange=flange))
    return met


def _has_room(points_mm: np.ndarray, axes: np.ndarray, envelopes: Sequence[Envelope]) -> np.ndarray:
    """(k,) bool: where no glove stands in the way of bolt, nut and spanner, square to the flange to both sides."""
    clear = np.ones(len(points_mm), bool)
    aside = np.cross(axes, np.where(np.abs(axes[:, :1]) < 0.7, (1.0, 0.0, 0.0), (0.0, 1.0, 0.0)))
    aside *= BOLT_ROOM_MM / np.maximum(np.linalg.norm(aside, axis=1, keepdims=True), 1e-9)
    across = np.cross(axes, aside)
    ring = [np.zeros_like(axes), *(np.cos(t) * aside + np.sin(t) * across for t in np.arange(8) * np.pi / 4)]
    for off in np.concatenate([-_ALONG_MM, _ALONG_MM]):
        left = np.flatnonzero(clear)
        at = np.concatenate([points_mm[left] + off * axes[left] + way[left] for way in ring])
        held = np.any([columns_hold(envelope, at) for envelope in envelopes], axis=0)
        clear[left] = ~held.reshape(len(ring), -1).any(axis=0)
    return clear


def _lies_on(envelope: Envelope, points_mm: np.ndarray) -> np.ndarray:
    """(k,) bool: which (k, 3) plan points lie on a piece's parting surface, under its jacket, within three pixels."""
    at = envelope.frame.to_frame(points_mm)
    level = np.nan_to_num(envelope.parting_mm)
    place = (envelope.origin_mm, envelope.pixel_mm, at[:, :2])
    off = (at[:, 2] - sample(level, *place)) / np.hypot(1.0, sample(lean_of(level, envelope.pixel_mm), *place))
    return over(envelope, jacketed(envelope), at) & (np.abs(off) <= _MEETS_PIXELS * envelope.pixel_mm)


def _shared(envelope: Envelope, points_mm: np.ndarray) -> np.ndarray:
    """(k, 2) frame positions of points placed for other pieces that lie on this flange too."""
    at = envelope.frame.to_frame(points_mm)
    parting = sample(envelope.parting_mm, envelope.origin_mm, envelope.pixel_mm, at[:, :2])
    here = over(envelope, envelope.past_rubber, at) & (np.abs(at[:, 2] - parting) <= _MEETS_PIXELS * envelope.pixel_mm)
    return at[here, :2]


# --- the foot --------------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class Foot:
    bolts_mm: np.ndarray  # (k, 3) plan coordinates, on the board
    wedges_mm: np.ndarray
    pitch_mm: float


def place_on_board(envelope: Envelope, rubber: Rubber, keys: Keys, bolts_mm: np.ndarray) -> Foot:
    """Bolts down into the board through the jacket's flange past the rubber of the foot, and wedge points under its
    rim: off the parting flange, clear of its bolts and of the keys low enough to be in a spanner's way."""
    section = rubber.built_to
    pixels = foot_pixels(envelope, rubber.flange_width_mm, rubber.flange_thickness_mm)
    if not pixels.any():
        return Foot(np.zeros((0, 3)), np.zeros((0, 3)), 0.0)
    low = [k for k in keys.keys if k.foot_mm[2] < rubber.flange_thickness_mm + SPANNER_MM]
    near = [np.array([k.foot_mm for k in low]).reshape(-1, 3), bolts_mm[bolts_mm[:, 2] < SPANNER_MM]]
    blocked = along_board(envelope, np.concatenate(near))
    reach = np.concatenate([[k.reach_mm for k in low], np.full(len(near[1]), WEDGE_CLEAR_MM)])
    thick, washer = rubber.flange_thickness_mm, BOLT_SIZES[section.bolt].washer_mm / 2.0
    aside = thick + washer + _ROOM_MM

    def usable(points: np.ndarray, clear_mm: np.ndarray) -> Callable[[np.ndarray], np.ndarray]:
        clear = _clear_of(points, clear_mm)
        return lambda spots: clear(spots) & (above_parting_mm(envelope, pixels, spots, thick) >= aside)

    nothing = np.zeros((0, 2))
    lines = foot_lines(envelope, pixels, -0.5 * section.jacket_flange_mm)
    spots = points_along(lines, section.bolt_pitch_mm, usable(blocked, reach + washer), nothing)
    rims = foot_lines(envelope, pixels, 1.5 * envelope.pixel_mm - section.jacket_flange_mm)
    blocked, reach = np.concatenate([blocked, spots]), np.concatenate([reach, np.full(len(spots), WEDGE_CLEAR_MM)])
    wedges = points_along(rims, section.wedge_pitch_mm, usable(blocked, reach), nothing, phase=0.5)
    return Foot(on_board(envelope, spots), on_board(envelope, wedges), widest_step_mm(lines, spots, _BESIDE_MM))


def _clear_of(points: np.ndarray, distance_mm: np.ndarray) -> Callable[[np.ndarray], np.ndarray]:
    def usable(spots: np.ndarray) -> np.ndarray:
        if len(points) == 0:
            return np.ones(len(spots), bool)
        apart = np.linalg.norm(spots[:, None] - points[None], axis=2)
        return np.asarray((apart >= distance_mm[None]).all(axis=1))

    return usable
