"""Under jacket: bolts and wedge slots along the flange where glass meets glass, and through the flange on the board."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely
from scipy import ndimage
from scipy.spatial import cKDTree

from ...geometry.heightmap import outline, sample
from ...trade.bolts import BOLT_SIZES
from ...trade.section import LEAN_DEG, JointSection
from ..keys import Keys
from ..rubber import (
    Envelope,
    Rubber,
    covered,
    jacketed,
    lean_of,
    middle_lines,
    on_parting,
    over,
    points_along,
    spaced_spots,
    widest_step_mm,
)
from .footflange import above_parting_mm, along_board, foot_lines, foot_pixels, on_board

SPANNER_MM = 100.0  # common practice: room over a bolt in the board
WEDGE_CLEAR_MM = 35.0  # common practice: half a wedge's width, and room for the hand that drives it
_BESIDE_MM = 25.0  # a bolt this near to a flange's middle line is one of its own
_ROOM_MM = 6.0  # common practice: round a washer, as where the bolts are set
_READ_DEG = 1.0  # a lean read off pixels: three level pulls evenly round part at just the limit
_AXIS_MM = 12.0  # over which the flange's slope under a bolt is read


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
        bolts = rubber.registration.bolt_places_mm
        first = _held(rubber.envelopes[0], section, bolts, np.zeros((0, 3)), None)
        return [first, _held(rubber.envelopes[1], section, bolts, np.zeros((0, 3)), first.wedges_mm)]
    made: list[Fasteners] = []
    for envelope in where_flanges_meet(rubber.envelopes):
        made.append(_of_many(envelope, section, made))
    return made


def _of_many(envelope: Envelope, section: JointSection, placed: Sequence[Fasteners]) -> Fasteners:
    """One of several pieces: what earlier ones set on this flange is taken over, the rest is set anew."""
    lines = flange_lines(envelope, section)
    shared = _shared(envelope, [f.bolts_mm for f in placed])
    clamped = _shared(envelope, [f.clamps_mm for f in placed])
    taken = np.concatenate([shared, clamped])
    spots = np.array([s for line in lines for s in spaced_spots(line, section.bolt_pitch_mm, section.corner_mm)])
    spots = spots.reshape(-1, 2)
    if len(taken) and len(spots):
        away = np.linalg.norm(spots[:, None] - taken[None], axis=2).min(axis=1)
        spots = spots[away > 0.6 * section.bolt_pitch_mm]
    leans = _lean_at(envelope, spots) > np.tan(np.radians(LEAN_DEG + _READ_DEG))
    bolts = on_parting(envelope, np.concatenate([shared, spots[~leans]]))
    clamps = on_parting(envelope, np.concatenate([clamped, spots[leans]]))
    wedges = np.concatenate([np.zeros((0, 3)), *(f.wedges_mm for f in placed)])
    return _held(envelope, section, bolts, clamps, wedges)


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
    shared = np.zeros((0, 2)) if wedges is None else _shared(envelope, [wedges])
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
    rubber = covered(envelope) | envelope.open_base
    past = ndimage.distance_transform_edt(~rubber) * envelope.pixel_mm
    # of many pieces flanges are as wide as asked up their own slope, so narrower along the pull
    level = 1.0 / np.hypot(1.0, _flange_lean(envelope)) if envelope.of_many else 1.0
    half = level * section.jacket_flange_mm / 2.0
    room = min(level * (BOLT_SIZES[section.bolt].washer_mm / 2.0 + _ROOM_MM), half - envelope.pixel_mm)
    place = (envelope.origin_mm, envelope.pixel_mm)
    return middle_lines(rubber, envelope.past_rubber, past, *place, half, room)


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


def _lean_at(envelope: Envelope, spots: np.ndarray) -> np.ndarray:
    lean = lean_of(np.nan_to_num(envelope.parting_mm), envelope.pixel_mm)
    return sample(lean, envelope.origin_mm, envelope.pixel_mm, spots) if len(spots) else np.zeros(0)


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


def where_flanges_meet(envelopes: Sequence[Envelope]) -> list[Envelope]:
    """The envelopes without what of their jackets' flanges stands out past every other piece's: a bolt there would hold
    nothing. A piece alone keeps all of its flange."""
    met = []
    for one in envelopes:
        i, j = np.nonzero(one.past_rubber)
        xy = np.column_stack([one.origin_mm[0] + one.pixel_mm * j, one.origin_mm[1] + one.pixel_mm * i])
        points = on_parting(one, xy)
        others = [other for other in envelopes if other is not one]
        alone = np.full(len(points), bool(others))
        for other in others:
            alone &= ~over(other, jacketed(other), other.frame.to_frame(points))
        flange = one.past_rubber.copy()
        flange[i[alone], j[alone]] = False
        met.append(replace(one, jacket_flange=flange))
    return met


def _shared(envelope: Envelope, placed: Sequence[np.ndarray]) -> np.ndarray:
    """(k, 2) frame positions of points placed for other pieces that lie on this flange too."""
    points = np.concatenate([np.zeros((0, 3)), *placed])
    at = envelope.frame.to_frame(points)
    parting = sample(envelope.parting_mm, envelope.origin_mm, envelope.pixel_mm, at[:, :2])
    here = over(envelope, envelope.past_rubber, at) & (np.abs(at[:, 2] - parting) <= 3.0 * envelope.pixel_mm)
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
