"""Wedges where the skin inside the seam runs along the pull: no tab finds ground there, and a fin down the wall holds.

A wedge is bedded on the glove's wall from the root of the flange up: as thick as a tab is high at its foot, running out
along the pull to nothing, narrower outwards. As a height map it cannot lock the jacket.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from scipy import ndimage

from ...inputs.brief import KeysBrief
from ..rubber import Envelope, covered
from .record import Key

SIDE_DRAFT_DEG = 5.0  # common practice: of a wedge's sides to the pull
LEAST_RISE_MM = 60.0  # common practice: a shorter wall carries no wedge
MOST_RISE_MM = 120.0  # common practice: how far inside the seam the row reaches
RISE_SHARE = 0.8  # common practice: of the wall: the wedge runs out below its top
FROM_BEVEL = 0.5  # common practice: of the flange's width: no wedge reaches further out on it


def wedge_height_mm(key: Key, out_mm: np.ndarray, across_mm: np.ndarray) -> np.ndarray:
    """Height of a wedge over its foot at distances out from the wall and across; below zero past it."""
    face = key.length_mm * (1.0 - np.maximum(out_mm, 0.0) / key.height_mm)
    taper = (key.base_diameter_mm - key.top_diameter_mm) / 2.0 / key.height_mm
    half = key.base_diameter_mm / 2.0 - np.maximum(out_mm, 0.0) * taper
    sides = (half - np.abs(across_mm)) / np.tan(np.radians(SIDE_DRAFT_DEG))
    return np.minimum(face, sides)


def wedge_bump_mm(key: Key, envelope: Envelope) -> tuple[tuple[slice, slice], np.ndarray]:
    """A window of the envelope's maps and the height that the wedge adds to its outside there."""
    foot = envelope.frame.to_frame(np.array([key.foot_mm]))[0]
    out = envelope.frame.to_frame(np.array([key.out]))[0][:2]
    reach = float(np.hypot(key.base_diameter_mm / 2.0, key.height_mm)) + 3.0 * envelope.pixel_mm
    rows, columns = envelope.outer_mm.shape
    lows = [int((foot[k] - reach - envelope.origin_mm[k]) / envelope.pixel_mm) for k in (1, 0)]
    size = int(2.0 * reach / envelope.pixel_mm) + 2
    window = (
        slice(max(lows[0], 0), max(min(lows[0] + size, rows), 0)),
        slice(max(lows[1], 0), max(min(lows[1] + size, columns), 0)),
    )
    dy = envelope.origin_mm[1] + envelope.pixel_mm * np.arange(window[0].start, window[0].stop) - foot[1]
    dx = envelope.origin_mm[0] + envelope.pixel_mm * np.arange(window[1].start, window[1].stop) - foot[0]
    away = dx[None] * out[0] + dy[:, None] * out[1]
    across = -dx[None] * out[1] + dy[:, None] * out[0]
    top = np.where(away < -reach, -np.inf, foot[2] + wedge_height_mm(key, away, across))
    outside = envelope.outer_mm[window]
    bump = np.where(np.isfinite(outside), np.maximum(top - outside, 0.0), 0.0)
    return window, np.where(envelope.open_base[window], 0.0, bump)


def wedge_contact(key: Key, envelope: Envelope, centre_mm: np.ndarray, gyration_mm: float) -> np.ndarray:
    """(6, 6) contact matrix of a wedge: the mean over its two sides and its face, as `contact_stiffness` has tabs."""
    foot, out = envelope.frame.to_frame(np.array([key.foot_mm, key.out]))
    out = np.array([out[0], out[1], 0.0])
    across, up = np.array([-out[1], out[0], 0.0]), np.array([0.0, 0.0, 1.0])
    lean = np.arctan2(key.height_mm, key.length_mm)
    normals = np.array([across, -across, np.cos(lean) * out + np.sin(lean) * up])
    middle = foot + out * key.height_mm / 3.0 + up * key.length_mm / 3.0
    half = key.base_diameter_mm / 2.0 * across
    places = np.array([middle + half, middle - half, middle])
    turn = np.cross(places - centre_mm, normals) / gyration_mm
    wrench = np.concatenate([normals, turn], axis=1)
    return np.einsum("ki,kj->ij", wrench, wrench) / 3.0


def set_wedges(envelope: Envelope, keys: Sequence[Key], brief: KeysBrief, flange_mm: float, sum_off: bool) -> list[Key]:
    """Wedges along the walls that rise from the flange, an edge spacing apart, where no key of the row stands near.

    flange_mm : the rubber flange's width. sum_off : leave out what would stand on the flange on the board.
    """
    places = _walls(envelope, flange_mm, sum_off)
    if not len(places):
        return []
    taken = [envelope.frame.to_frame(np.array([k.foot_mm]))[0][:2] for k in keys]
    made: list[Key] = []
    for x, y, z, out_x, out_y, rise in _in_order(places):
        near = min((float(np.hypot(x - tx, y - ty)) for tx, ty in taken), default=np.inf)
        if near < 0.9 * brief.edge_spacing_mm:
            continue
        key = _wedge(envelope, (x, y, z), (out_x, out_y), rise, brief, flange_mm)
        if key.volume_mm3 > 0.0:
            made.append(key)
            taken.append(np.array([x, y]))
    return made


def _wedge(
    envelope: Envelope,
    foot: tuple[float, float, float],
    out: tuple[float, float],
    rise: float,
    brief: KeysBrief,
    flange_mm: float,
) -> Key:
    high = min(brief.height_mm, FROM_BEVEL * flange_mm)
    wide = brief.base_diameter_mm * high / brief.height_mm
    narrow = max(wide - 2.0 * high * float(np.tan(np.radians(brief.taper_deg))), 0.3 * wide)
    x, y, z = (float(v) for v in envelope.frame.to_master(np.array([foot]))[0])
    along = envelope.frame.to_master(np.array([[*out, 0.0]]))[0]
    key = Key(
        "", envelope.piece, "edge", (x, y, z), wide, narrow, high, 0.0,
        out=(float(along[0]), float(along[1]), float(along[2])), length_mm=min(RISE_SHARE * rise, MOST_RISE_MM),
    )  # fmt: skip
    _, bump = wedge_bump_mm(key, envelope)
    return replace(key, volume_mm3=float(bump.sum(dtype=float)) * envelope.pixel_mm**2)


def _walls(envelope: Envelope, flange_mm: float, sum_off: bool) -> np.ndarray:
    """(k, 6) places on the flange's root before a wall: x, y, flange's top, the way out, how far the wall rises."""
    inside, p = covered(envelope), envelope.pixel_mm
    flange = envelope.flange & inside
    body = inside & ~flange
    root = flange & ndimage.binary_dilation(body, iterations=2) & ~ndimage.binary_dilation(body)
    if not root.any():
        return np.zeros((0, 6))
    spread = ndimage.gaussian_filter(body.astype(float), 8.0 / p)
    gy, gx = np.gradient(spread)
    i, j = np.nonzero(root)
    step = max(len(i) // 4000, 1)
    i, j = i[::step], j[::step]
    out = -np.column_stack([gx[i, j], gy[i, j]])
    size = np.linalg.norm(out, axis=1)
    kept = size > 1e-6
    i, j, out = i[kept], j[kept], out[kept] / size[kept, None]
    rows, columns = inside.shape
    top = envelope.outer_mm[i, j].astype(float)
    back = [np.clip(np.rint(at - 14.0 / p * o), 0, most - 1).astype(int) for at, o, most in
            ((i, out[:, 1], rows), (j, out[:, 0], columns))]  # fmt: skip
    rise = np.where(body[back[0], back[1]], envelope.outer_mm[back[0], back[1]] - top, 0.0)
    # room out to the bevel
    ahead = [np.clip(np.rint(at + FROM_BEVEL * flange_mm / 2.0 / p * o), 0, most - 1).astype(int) for at, o, most in
             ((i, out[:, 1], rows), (j, out[:, 0], columns))]  # fmt: skip
    good = (rise >= LEAST_RISE_MM) & flange[ahead[0], ahead[1]]
    if sum_off:
        good &= (envelope.origin_mm[1] + p * i) * envelope.frame.axes[1][2] > 3.0 * flange_mm / 2.0
    x, y = envelope.origin_mm[0] + p * j, envelope.origin_mm[1] + p * i
    return np.column_stack([x, y, top, out, rise])[good]


def _in_order(places: np.ndarray) -> np.ndarray:
    """The places in one walk from the lowest, each next one the nearest left: so that spacing follows the line."""
    left = places[np.lexsort((places[:, 0], places[:, 1]))]
    walked = []
    at = left[0]
    remaining = np.ones(len(left), bool)
    away = np.full(len(left), np.inf)
    for _ in range(len(left)):
        away = np.where(remaining, np.hypot(left[:, 0] - at[0], left[:, 1] - at[1]), np.inf)
        k = int(np.argmin(away))
        at, remaining[k] = left[k], False
        walked.append(at)
    return np.array(walked)
