"""Under jacket: bolts and wedge points, along the parting flange and through the flange on the board."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely

from ..keys import Keys
from ..rubber import (
    OTHER_LINE_WITHIN,
    TOO_NEAR,
    Envelope,
    Rubber,
    covered,
    on_parting,
    on_this_flange,
    over,
    points_along,
    rim_lines,
    seen_share,
    steps_along,
    widest_step_mm,
)
from .footflange import DRAFTED, above_parting_mm, along_board, foot_lines, foot_pixels, on_board

BOLT_PITCH_MM = 150.0  # common practice
BOLT_EDGE_MM = 20.0  # common practice: two and a half diameters of an M8 from the rim
# common practice: two diameters at least; further in where that is taken too
OTHER_EDGES_MM = (16.0, 24.0, 28.0, 32.0, 36.0)
PITCH_SLACK = 1.02  # a step within this of the pitch is no wide step: stations come every few millimetres
CLAMP_EDGE_MM = 10.0  # common practice: middle of a clamp's jaw from the rim
WASHER_RADIUS_MM = 12.0  # M8 wide washer, 24 mm
SPANNER_MM = 100.0  # common practice: room over a bolt in the board
WEDGE_PITCH_MM = 400.0  # common practice
WEDGE_CLEAR_MM = 35.0  # half a wedge's width, and room for the hand that drives it


@dataclass(frozen=True, eq=False)
class Fasteners:
    """What holds one piece's flange against its neighbours', in plan coordinates, on the parting surface.

    pitch_mm : the widest distance between neighbouring bolts. clamps_mm : (k, 3) where keys leave a stretch wider than
    the pitch without a place for a bolt.
    """

    bolts_mm: np.ndarray
    wedges_mm: np.ndarray
    clamps_mm: np.ndarray
    pitch_mm: float


def place_fasteners(rubber: Rubber, keys: Keys) -> list[Fasteners]:
    """Bolts, wedge points and clamps of every piece, clear of the keys; pieces that meet share them, so both flanges
    take the same hole.
    """
    made: list[Fasteners] = []
    for envelope in where_flanges_meet(rubber.envelopes):
        made.append(_along_flange(envelope, rubber, keys, made))
    return made


def _along_flange(envelope: Envelope, rubber: Rubber, keys: Keys, placed: Sequence[Fasteners]) -> Fasteners:
    nothing = np.zeros((0, 3))
    if not (envelope.flange & covered(envelope)).any():
        return Fasteners(nothing, nothing, nothing, 0.0)
    feet, reach = _keys_on_flange(envelope, rubber, keys)
    width = rubber.flange_width_mm
    lines, seen = rim_lines(envelope, min(BOLT_EDGE_MM, width / 2.0)), 1.0
    if envelope.of_many:  # a flange that leans looks narrower and shorter along the pull
        seen = seen_share(envelope, lines)
        lines = rim_lines(envelope, seen * min(BOLT_EDGE_MM, width / 2.0))
    off_keys, lowest = _clear_of(feet, reach + WASHER_RADIUS_MM), _over_foot_mm(envelope, rubber)

    def clear(spots: np.ndarray) -> np.ndarray:
        up = on_parting(envelope, spots)[:, 2] if envelope.of_many else spots[:, 1]
        return off_keys(spots) & (up >= lowest)

    bolts = points_along(lines, seen * BOLT_PITCH_MM, clear, _shared(envelope, [f.bolts_mm for f in placed]))
    clamps = _shared(envelope, [f.clamps_mm for f in placed])
    if _wide_steps(lines, bolts):
        others = [line for edge in OTHER_EDGES_MM if edge < width / 2.0 for line in rim_lines(envelope, edge)]
        bolts = _with_stopgaps(lines, bolts, _spots_of(others), clear)
        rim = rim_lines(envelope, min(CLAMP_EDGE_MM, width / 2.0))
        clamps = _clamps(lines, bolts, _spots_of(rim), feet, reach, clamps)
    taken = np.concatenate([bolts, clamps])
    blocked, room = np.concatenate([feet, taken]), np.concatenate([reach, np.full(len(taken), WEDGE_CLEAR_MM)])
    edge = rim_lines(envelope, 1.5 * envelope.pixel_mm)
    shared = _shared(envelope, [f.wedges_mm for f in placed])
    wedges = points_along(edge, WEDGE_PITCH_MM, _clear_of(blocked, room), shared, phase=0.5)
    pitch = widest_step_mm(lines, bolts, BOLT_EDGE_MM) / seen
    return Fasteners(on_parting(envelope, bolts), on_parting(envelope, wedges), on_parting(envelope, clamps), pitch)


def _over_foot_mm(envelope: Envelope, rubber: Rubber) -> float:
    """Frame y (of many pieces: height) from which on a washer lies clear of the flange on the board, which meets this
    one in a corner."""
    if envelope.of_many:
        thick = rubber.flange_thickness_mm + DRAFTED * rubber.flange_width_mm
        on_foot = foot_pixels(envelope, rubber.flange_width_mm, rubber.flange_thickness_mm).any()
        return thick + WASHER_RADIUS_MM if on_foot else -np.inf
    rows = np.flatnonzero(foot_pixels(envelope, rubber.flange_width_mm, rubber.flange_thickness_mm).any(axis=1))
    return envelope.origin_mm[1] + envelope.pixel_mm * rows[-1] + WASHER_RADIUS_MM if len(rows) else -np.inf


def _spots_of(lines: Sequence[shapely.LineString]) -> np.ndarray:
    """(n, 2) places along lines, a millimetre apart: what keys leave between them is narrow."""
    each = [shapely.line_interpolate_point(line, np.arange(0.0, line.length, 1.0)) for line in lines]
    return shapely.get_coordinates(np.concatenate(each)) if each else np.zeros((0, 2))


def _wide_steps(
    lines: Sequence[shapely.LineString], bolts: np.ndarray
) -> list[tuple[shapely.LineString, float, float]]:
    steps = steps_along(lines, bolts, BOLT_EDGE_MM)
    return [step for step in steps if step[2] - step[1] > PITCH_SLACK * BOLT_PITCH_MM]


def _with_stopgaps(
    lines: Sequence[shapely.LineString],
    bolts: np.ndarray,
    spots: np.ndarray,
    clear: Callable[[np.ndarray], np.ndarray],
) -> np.ndarray:
    """(k, 2) bolts with more of them in wide steps, at other distances from the rim, where that is clear."""
    spots = spots[clear(spots)]
    waiting = _wide_steps(lines, bolts)
    while waiting and len(spots):
        line, one, other = waiting.pop()
        along = _along(line, spots, one)
        apart = np.minimum(along - one, other - along)
        best = int(np.argmax(apart))
        if apart[best] >= TOO_NEAR * BOLT_PITCH_MM:
            bolts = np.concatenate([bolts, spots[[best]]])
            waiting = _wide_steps(lines, bolts)
    return bolts


def _along(line: shapely.LineString, spots: np.ndarray, start_mm: float) -> np.ndarray:
    """(k,) how far along a line (k, 2) spots stand, from a start on; -inf for those not beside it."""
    near = shapely.points(spots)
    along = shapely.line_locate_point(line, near)
    along += line.length * (line.is_ring & (along < start_mm))  # a ring's last step runs on past its first point
    return np.where(shapely.distance(near, line) < BOLT_EDGE_MM, along, -np.inf)


def _clamps(
    lines: Sequence[shapely.LineString],
    bolts: np.ndarray,
    spots: np.ndarray,
    feet: np.ndarray,
    reach: np.ndarray,
    shared: np.ndarray,
) -> np.ndarray:
    """(k, 2) clamps at the rim in the steps still wider than the pitch, evenly, each as far off the keys as half of its
    share of the step lets it; `shared` ones come first."""
    found = [shared]
    for line, one, other in _wide_steps(lines, bolts):
        along = _along(line, spots, one)
        share = (other - one) / np.ceil((other - one) / BOLT_PITCH_MM)
        for middle in np.arange(one + share, other - share / 2.0, share):
            there = spots[np.abs(along - middle) <= share / 4.0]
            near = np.linalg.norm(shared[:, None] - there[None], axis=2).min(initial=np.inf)
            if len(there) and near >= OTHER_LINE_WITHIN * BOLT_PITCH_MM:
                off = (np.linalg.norm(there[:, None] - feet[None], axis=2) - reach).min(axis=1, initial=np.inf)
                found.append(there[[np.argmax(off)]])
    return np.concatenate(found)


def where_flanges_meet(envelopes: Sequence[Envelope]) -> list[Envelope]:
    """The envelopes without what of their flanges stands out past every other piece's: a bolt there would hold
    nothing. A piece alone keeps all of its flange."""
    met = []
    for one in envelopes:
        i, j = np.nonzero(one.flange & covered(one))
        xy = np.column_stack([one.origin_mm[0] + one.pixel_mm * j, one.origin_mm[1] + one.pixel_mm * i])
        points = on_parting(one, xy)
        others = [other for other in envelopes if other is not one]
        alone = np.full(len(points), bool(others))
        for other in others:
            alone &= ~over(other, covered(other), other.frame.to_frame(points))
        flange, outer = one.flange.copy(), one.outer_mm.copy()
        flange[i[alone], j[alone]], outer[i[alone], j[alone]] = False, np.nan
        met.append(replace(one, flange=flange, outer_mm=outer))
    return met


@dataclass(frozen=True, eq=False)
class Foot:
    bolts_mm: np.ndarray  # (k, 3) plan coordinates, on the board
    wedges_mm: np.ndarray
    pitch_mm: float


def place_on_board(envelope: Envelope, rubber: Rubber, keys: Keys, bolts_mm: np.ndarray) -> Foot:
    """Bolts down through the foot's flange into the board, and wedge points under its rim: off the parting flange,
    clear of its bolts and of the keys low enough to be in a spanner's way."""
    pixels = foot_pixels(envelope, rubber.flange_width_mm, rubber.flange_thickness_mm)
    if not pixels.any():
        return Foot(np.zeros((0, 3)), np.zeros((0, 3)), 0.0)
    low = [k for k in keys.keys if k.foot_mm[2] < rubber.flange_thickness_mm + SPANNER_MM]
    inset = min(BOLT_EDGE_MM, rubber.flange_width_mm / 2.0)
    near = [np.array([k.foot_mm for k in low]).reshape(-1, 3), bolts_mm[bolts_mm[:, 2] < SPANNER_MM]]
    blocked = along_board(envelope, np.concatenate(near))
    reach = np.concatenate([[k.reach_mm for k in low], np.full(len(near[1]), WEDGE_CLEAR_MM)])
    thick = rubber.flange_thickness_mm
    aside = thick + inset

    def usable(points: np.ndarray, clear_mm: np.ndarray) -> Callable[[np.ndarray], np.ndarray]:
        clear = _clear_of(points, clear_mm)
        return lambda spots: clear(spots) & (above_parting_mm(envelope, pixels, spots, thick) >= aside)

    nothing = np.zeros((0, 2))
    lines = foot_lines(envelope, pixels, inset)
    spots = points_along(lines, BOLT_PITCH_MM, usable(blocked, reach + WASHER_RADIUS_MM), nothing)
    rims = foot_lines(envelope, pixels, 1.5 * envelope.pixel_mm)
    blocked, reach = np.concatenate([blocked, spots]), np.concatenate([reach, np.full(len(spots), WEDGE_CLEAR_MM)])
    wedges = points_along(rims, WEDGE_PITCH_MM, usable(blocked, reach), nothing, phase=0.5)
    return Foot(on_board(envelope, spots), on_board(envelope, wedges), widest_step_mm(lines, spots, BOLT_EDGE_MM))


def _clear_of(points: np.ndarray, distance_mm: np.ndarray) -> Callable[[np.ndarray], np.ndarray]:
    def usable(spots: np.ndarray) -> np.ndarray:
        if len(points) == 0:
            return np.ones(len(spots), bool)
        apart = np.linalg.norm(spots[:, None] - points[None], axis=2)
        return np.asarray((apart >= distance_mm[None]).all(axis=1))

    return usable


def _keys_on_flange(envelope: Envelope, rubber: Rubber, keys: Keys) -> tuple[np.ndarray, np.ndarray]:
    """(k, 2) frame positions and (k,) reaches of the piece's keys, and of those on the flange against its
    own.
    """
    if not keys.keys:
        return np.zeros((0, 2)), np.zeros(0)
    feet = np.array([k.foot_mm for k in keys.keys])
    mine = np.array([k.piece == envelope.piece for k in keys.keys])
    here = mine | on_this_flange(envelope, feet, 2.0 * rubber.flange_thickness_mm)
    reach = np.array([k.reach_mm for k in keys.keys])
    return envelope.frame.to_frame(feet[here])[:, :2], reach[here]


def _shared(envelope: Envelope, placed: Sequence[np.ndarray]) -> np.ndarray:
    """(k, 2) frame positions of points placed for other pieces that lie on this flange too."""
    points = np.concatenate([np.zeros((0, 3)), *placed])
    here = on_this_flange(envelope, points, 3.0 * envelope.pixel_mm)
    return envelope.frame.to_frame(points[here])[:, :2]
