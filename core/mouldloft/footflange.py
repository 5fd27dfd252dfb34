"""The flange that lies on the board round the foot of a piece with an open base, pulled level.

Its rubber is part of the column image like the body's; what marks it is that it lies on the board.
"""

from __future__ import annotations

import numpy as np
import shapely

from .heightmap import sample
from .rims import covered
from .rubber import Envelope

LEVEL_PULL = 0.8  # least share of upright in the map's rows, as the rubber stage has it
DRAFTED = 0.1  # of the flange's width: how much further up its face runs, drafted


def foot_pixels(envelope: Envelope, width_mm: float, thickness_mm: float) -> np.ndarray:
    """(rows, columns) bool: rubber on the board round the foot; none where the piece goes on below the board's level or
    is pulled upright."""
    across = float(envelope.frame.axes[1][2])
    inside = covered(envelope)
    none = np.zeros(inside.shape, bool)
    if across < LEVEL_PULL or width_mm <= 0:
        return none
    rise = (envelope.origin_mm[1] + envelope.pixel_mm * np.arange(inside.shape[0])) * across
    if inside[rise < -2.0 * envelope.pixel_mm].any():
        return none  # a closed base: rubber all round
    rows = (rise > -envelope.pixel_mm) & (rise < thickness_mm + DRAFTED * width_mm)
    return inside & ~envelope.flange & rows[:, None]


def foot_lines(envelope: Envelope, pixels: np.ndarray, inset_mm: float) -> list[shapely.LineString]:
    """Lines along the foot flange's rim, moved in by `inset_mm`, on the board: x across the pull and z along it, in the
    piece's frame. pixels : from `foot_pixels`."""
    reach = np.where(pixels, envelope.outer_mm, -np.inf).max(axis=0)
    x = envelope.origin_mm[0] + envelope.pixel_mm * np.arange(len(reach))
    found: list[shapely.LineString] = []
    used = np.flatnonzero(np.isfinite(reach))
    for run in np.split(used, np.flatnonzero(np.diff(used) > 1) + 1):
        if len(run) < 3:
            continue
        low = float(np.where(pixels[:, run], envelope.parting_mm[:, run], np.inf).min())
        rim = shapely.LineString(np.column_stack([x[run], reach[run]]))
        outline = shapely.Polygon([(x[run[0]], low), *rim.coords, (x[run[-1]], low)]).buffer(0)
        inner = outline.buffer(-inset_mm).boundary.intersection(rim.buffer(inset_mm + envelope.pixel_mm))
        parts = shapely.get_parts(shapely.line_merge(inner))
        found += [line for line in parts if isinstance(line, shapely.LineString) and line.length > inset_mm]
    return sorted(found, key=lambda line: (-round(line.length, 3), line.coords[0]))


def above_parting_mm(envelope: Envelope, pixels: np.ndarray, xz: np.ndarray) -> np.ndarray:
    """(k,) how far (k, 2) places from `foot_lines` stand from the parting surface, read at the flange's upper side:
    under the board there is none."""
    top = int(np.flatnonzero(pixels.any(axis=1))[-1])
    at = np.column_stack([xz[:, 0], np.full(len(xz), envelope.origin_mm[1] + top * envelope.pixel_mm)])
    return xz[:, 1] - sample(envelope.parting_mm, envelope.origin_mm, envelope.pixel_mm, at)


def on_board(envelope: Envelope, xz: np.ndarray) -> np.ndarray:
    """(k, 3) plan coordinates, on the board, of (k, 2) places from `foot_lines`."""
    if len(xz) == 0:
        return np.zeros((0, 3))
    points = envelope.frame.to_master(np.column_stack([xz[:, 0], np.zeros(len(xz)), xz[:, 1]]))
    points[:, 2] = 0.0
    return points
