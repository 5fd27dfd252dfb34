"""The flange that lies on the board round the foot of a piece with an open base.

Its rubber is part of the column image like the body's; what marks it is that it lies on the board. Of two pieces it is
looked for where they are pulled level or nearly so, of more whichever way they are pulled.
"""

from __future__ import annotations

import numpy as np
import shapely

from ...geometry.heightmap import sample
from ..rubber import Envelope, covered

LEVEL_PULL = 0.8  # least share of upright in the map's rows, as the rubber stage has it
LEAST_PULL = 0.3  # the same for any pull: a piece pulled more steeply hardly stands on the board
DRAFTED = 0.1  # of the flange's width: how much further up its face runs, drafted


def _over_board(envelope: Envelope) -> tuple[float, float, float, float]:
    """Height over the board is the first two times y and z of the frame, distance along it the others times z and y."""
    across, along = float(envelope.frame.axes[1][2]), float(envelope.frame.axes[2][2])
    return (across, along, across, -along) if envelope.of_many else (across, 0.0, 1.0, 0.0)


def _rows_mm(envelope: Envelope) -> np.ndarray:
    return (envelope.origin_mm[1] + envelope.pixel_mm * np.arange(envelope.outer_mm.shape[0]))[:, None]


def foot_pixels(envelope: Envelope, width_mm: float, thickness_mm: float) -> np.ndarray:
    """(rows, columns) bool: rubber on the board round the foot; none where the piece goes on below the board's level or
    is pulled upright."""
    up_y, up_z, _, _ = _over_board(envelope)
    inside = covered(envelope)
    none = np.zeros(inside.shape, bool)
    if up_y < (LEAST_PULL if envelope.of_many else LEVEL_PULL) or width_mm <= 0:
        return none
    rise = _rows_mm(envelope) * up_y + np.nan_to_num(envelope.outer_mm) * up_z
    if inside[np.broadcast_to(rise < -2.0 * envelope.pixel_mm, inside.shape)].any():
        return none  # a closed base: rubber all round
    on_it = (rise > -envelope.pixel_mm) & (rise < thickness_mm + DRAFTED * width_mm)
    return inside & ~envelope.flange & on_it


def foot_lines(envelope: Envelope, pixels: np.ndarray, inset_mm: float) -> list[shapely.LineString]:
    """Lines along the foot flange's rim, moved in by `inset_mm`, on the board: x across the pull and the way along the
    board, in the piece's frame. pixels : from `foot_pixels`."""
    _, _, out_z, out_y = _over_board(envelope)
    away = _rows_mm(envelope) * out_y
    reach = np.where(pixels, envelope.outer_mm * out_z + away, -np.inf).max(axis=0)
    inner = np.where(pixels, envelope.parting_mm * out_z + away, np.inf)
    x = envelope.origin_mm[0] + envelope.pixel_mm * np.arange(len(reach))
    found: list[shapely.LineString] = []
    used = np.flatnonzero(np.isfinite(reach))
    for run in np.split(used, np.flatnonzero(np.diff(used) > 1) + 1):
        if len(run) < 3:
            continue
        low = float(inner[:, run].min())
        rim = shapely.LineString(np.column_stack([x[run], reach[run]]))
        outline = shapely.Polygon([(x[run[0]], low), *rim.coords, (x[run[-1]], low)]).buffer(0)
        line = outline.buffer(-inset_mm).boundary.intersection(rim.buffer(inset_mm + envelope.pixel_mm))
        parts = shapely.get_parts(shapely.line_merge(line))
        found += [part for part in parts if isinstance(part, shapely.LineString) and part.length > inset_mm]
    return sorted(found, key=lambda line: (-round(line.length, 3), line.coords[0]))


def above_parting_mm(envelope: Envelope, pixels: np.ndarray, spots: np.ndarray, thickness_mm: float) -> np.ndarray:
    """(k,) how far (k, 2) places from `foot_lines` stand from the parting surface, read at the flange's upper side:
    under the board there is none."""
    if not envelope.of_many:
        top = int(np.flatnonzero(pixels.any(axis=1))[-1])
        at = np.column_stack([spots[:, 0], np.full(len(spots), envelope.origin_mm[1] + top * envelope.pixel_mm)])
        return spots[:, 1] - sample(envelope.parting_mm, envelope.origin_mm, envelope.pixel_mm, at)
    up_y, up_z, out_z, out_y = _over_board(envelope)
    rows = _rows_mm(envelope)
    rise = rows * up_y + envelope.parting_mm * up_z
    row = np.argmin(np.where(rise >= thickness_mm, rise, np.inf), axis=0)
    column = np.arange(rise.shape[1])
    parting = envelope.parting_mm[row, column] * out_z + rows[row, 0] * out_y
    x = envelope.origin_mm[0] + envelope.pixel_mm * column
    return spots[:, 1] - np.interp(spots[:, 0], x, parting)


def along_board(envelope: Envelope, points_mm: np.ndarray) -> np.ndarray:
    """(k, 2) places of (k, 3) plan points as `foot_lines` has them."""
    _, _, out_z, out_y = _over_board(envelope)
    at = envelope.frame.to_frame(points_mm)
    return np.column_stack([at[:, 0], at[:, 2] * out_z + at[:, 1] * out_y])


def on_board(envelope: Envelope, spots: np.ndarray) -> np.ndarray:
    """(k, 3) plan coordinates, on the board, of (k, 2) places from `foot_lines`."""
    if len(spots) == 0:
        return np.zeros((0, 3))
    _, _, out_z, out_y = _over_board(envelope)
    points = envelope.frame.to_master(np.column_stack([spots[:, 0], spots[:, 1] * out_y, spots[:, 1] * out_z]))
    points[:, 2] = 0.0
    return points
