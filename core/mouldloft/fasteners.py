"""Under jacket: bolts and wedge points, along the parting flange and through the flange on the board."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from .footflange import above_parting_mm, foot_lines, foot_pixels, on_board
from .keys import Keys
from .rims import covered, on_parting, on_this_flange, points_along, rim_lines, widest_step_mm
from .rubber import Envelope, Rubber

BOLT_PITCH_MM = 150.0  # common practice
BOLT_EDGE_MM = 20.0  # common practice: two and a half diameters of an M8 from the rim
WASHER_RADIUS_MM = 12.0  # M8 wide washer, 24 mm
SPANNER_MM = 100.0  # common practice: room over a bolt in the board
WEDGE_PITCH_MM = 400.0  # common practice
WEDGE_CLEAR_MM = 35.0  # half a wedge's width, and room for the hand that drives it


@dataclass(frozen=True, eq=False)
class Bolts:
    points_mm: np.ndarray  # (k, 3) plan coordinates
    pitch_mm: float


def place_fasteners(rubber: Rubber, keys: Keys) -> tuple[list[Bolts], list[np.ndarray]]:
    """Bolts and wedge points of every piece; pieces that meet share them, so both flanges take the same
    hole.
    """
    all_bolts: list[Bolts] = []
    all_wedges: list[np.ndarray] = []
    for envelope in rubber.envelopes:
        if not (envelope.flange & covered(envelope)).any():
            all_bolts.append(Bolts(np.zeros((0, 3)), 0.0))
            all_wedges.append(np.zeros((0, 3)))
            continue
        feet, reach = _keys_on_flange(envelope, rubber, keys)
        lines = rim_lines(envelope, min(BOLT_EDGE_MM, rubber.flange_width_mm / 2.0))
        shared = _shared(envelope, [b.points_mm for b in all_bolts])
        xy = points_along(lines, BOLT_PITCH_MM, _clear_of(feet, reach + WASHER_RADIUS_MM), shared)
        all_bolts.append(Bolts(on_parting(envelope, xy), widest_step_mm(lines, xy, BOLT_EDGE_MM)))
        blocked = np.concatenate([feet, xy])
        clear = np.concatenate([reach, np.full(len(xy), WEDGE_CLEAR_MM)])
        rim = rim_lines(envelope, 1.5 * envelope.pixel_mm)
        shared = _shared(envelope, all_wedges)
        wedges = points_along(rim, WEDGE_PITCH_MM, _clear_of(blocked, clear), shared, phase=0.5)
        all_wedges.append(on_parting(envelope, wedges))
    return all_bolts, all_wedges


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
    blocked = envelope.frame.to_frame(np.concatenate(near))[:, [0, 2]]
    reach = np.concatenate([[k.reach_mm for k in low], np.full(len(near[1]), WEDGE_CLEAR_MM)])
    aside = rubber.flange_thickness_mm + inset

    def usable(points: np.ndarray, clear_mm: np.ndarray) -> Callable[[np.ndarray], np.ndarray]:
        clear = _clear_of(points, clear_mm)
        return lambda spots: clear(spots) & (above_parting_mm(envelope, pixels, spots) >= aside)

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
