"""Lines along a flange, and points set along them at an even pitch: for edge keys, bolts and wedges."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import pairwise

import numpy as np
import shapely

from ...geometry.heightmap import outline, sample
from .record import Envelope

SHARED_WITHIN = 0.75  # of a pitch: nearer than this to a point shared with another piece, no other is needed
OTHER_LINE_WITHIN = 0.4  # the same for points on another line: where two lines end side by side one point serves both
TOO_NEAR = 0.25  # of a pitch: two points of one line nearer than this are one
BREAK = 4.0  # rise over run of a parting surface, past which it breaks between two joints
STATION_MM = 4.0  # how finely a line is searched for a clear spot


def covered(envelope: Envelope) -> np.ndarray:
    """(rows, columns) bool: pixels where there is rubber and a jacket goes over it."""
    return np.isfinite(envelope.outer_mm) & ~envelope.open_base


def jacketed(envelope: Envelope) -> np.ndarray:
    """(rows, columns) bool: pixels that a jacket goes over, its own flange past the rubber included."""
    return np.asarray(covered(envelope) | envelope.past_rubber)


def inside_of_jacket_mm(envelope: Envelope) -> np.ndarray:
    """(rows, columns) float32: what the jacket lies on, keys left out: the rubber, and the parting past it; NaN where
    no jacket goes."""
    found = np.where(envelope.past_rubber, envelope.parting_mm, envelope.outer_mm)
    return np.where(jacketed(envelope), found, np.float32(np.nan))


def bent_to_board(envelope: Envelope, y_mm: np.ndarray, low_mm: np.ndarray, within_mm: float) -> np.ndarray:
    """(rows, columns) bool: where the parting map of a piece that leans over the board is bent up to it.

    y_mm : (rows,); low_mm : (rows, columns) the parting map there, in the piece's frame.
    """
    across, along = envelope.frame.axes[1][2], envelope.frame.axes[2][2]
    return np.asarray((y_mm[:, None] * across + low_mm * along <= within_mm) & (along > 0))


def rim_lines(envelope: Envelope, inset_mm: float) -> list[shapely.LineString]:
    """The flange's outer rim, moved in by `inset_mm`, as lines in frame x, y; none along an open base.

    Longest first, so that the same flange gives the same order.
    """
    inside = covered(envelope)
    footprint = outline(inside, envelope.origin_mm, envelope.pixel_mm)
    flange = outline(envelope.flange & inside, envelope.origin_mm, envelope.pixel_mm)
    rim = footprint.buffer(-inset_mm).boundary
    kept = shapely.line_merge(shapely.intersection(rim, flange.buffer(-0.5 * envelope.pixel_mm)))
    lines = [g for g in shapely.get_parts(kept) if isinstance(g, shapely.LineString) and g.length > inset_mm]
    return sorted(lines, key=lambda g: (-round(g.length, 3), g.coords[0]))


def points_along(
    lines: Sequence[shapely.LineString],
    pitch_mm: float,
    usable: Callable[[np.ndarray], np.ndarray],
    shared: np.ndarray,
    phase: float = 0.0,
    raised: Callable[[np.ndarray], np.ndarray] | None = None,
) -> np.ndarray:
    """(k, 2) points along the lines, no further apart than a pitch where that can be; `shared` ones come
    first.

    usable : (n, 2) positions to (n,) bool, where a point may stand. Where shared points stand already no
    others are set. The first point of a line lies `phase` of a pitch along it. raised : (n, 2) positions to (n, 3), if
    the pitch is measured there and not along the lines themselves.
    """
    shared = np.asarray(shared, float).reshape(-1, 2)
    found = [shared]
    for line in lines:
        stations = np.arange(0.0, line.length, min(STATION_MM, line.length / 40.0))
        spots = shapely.get_coordinates(shapely.line_interpolate_point(line, stations))
        along, length = (stations, line.length) if raised is None else _raised_along(line, spots, raised)
        seen_mm = pitch_mm if raised is None else pitch_mm * line.length / length
        clear = usable(spots)
        clear = clear & _away_from(spots, shared, SHARED_WITHIN * seen_mm)
        clear = clear & _away_from(spots, np.concatenate(found), OTHER_LINE_WITHIN * seen_mm)
        if clear.any():
            steps = _even_steps(along[clear], length, line.is_ring, pitch_mm, phase)
            found.append(_off_itself(line, spots[clear][steps], seen_mm))
    return np.concatenate(found)


def _raised_along(
    line: shapely.LineString, spots: np.ndarray, raised: Callable[[np.ndarray], np.ndarray]
) -> tuple[np.ndarray, float]:
    """How far along the raised line its places are, and how long it is; a break in the surface counts as four times
    its run."""
    ends = np.concatenate([spots, shapely.get_coordinates(line)[-1:]])
    flat = np.linalg.norm(np.diff(ends, axis=0), axis=1)
    steps = np.minimum(np.linalg.norm(np.diff(raised(ends), axis=0), axis=1), BREAK * flat)
    along = np.concatenate([[0.0], np.cumsum(steps)])
    return along[:-1], float(along[-1])


def _off_itself(line: shapely.LineString, points: np.ndarray, pitch_mm: float) -> np.ndarray:
    """Points along a line without those in each other's way: too near the one before, or, where the line comes back
    beside itself or its two ends lie side by side, near one that serves there already."""
    along = shapely.line_locate_point(line, shapely.points(points))
    way = np.abs(along[:, None] - along[None])
    if line.is_ring:
        way = np.minimum(way, line.length - way)
    straight = np.linalg.norm(points[:, None] - points[None], axis=2)
    beside = (straight < OTHER_LINE_WITHIN * pitch_mm) & (way > 2.0 * straight + 1e-6)
    meets = beside | (straight < TOO_NEAR * pitch_mm)
    kept: list[int] = []
    for k in range(len(points)):
        if not meets[k, kept].any():
            kept.append(k)
    return points[kept]


def _away_from(spots: np.ndarray, points: np.ndarray, least_mm: float) -> np.ndarray:
    if len(points) == 0:
        return np.ones(len(spots), bool)
    return np.asarray(np.linalg.norm(spots[:, None] - points[None], axis=2).min(axis=1) >= least_mm)


def _even_steps(stations_mm: np.ndarray, length_mm: float, closed: bool, pitch_mm: float, phase: float) -> np.ndarray:
    """Indices of the fewest stations no further apart than a pitch (where there are any), as even as may be.

    stations_mm : (k,) rising, the places that may be taken.
    """
    first = int(np.argmin(np.abs(stations_mm - phase * pitch_mm)))
    ahead = stations_mm[first:]
    if closed:
        ahead = np.concatenate([ahead, stations_mm[:first] + length_mm])
    end = float(ahead[0] + length_mm if closed else ahead[-1])
    fewest = _jump(ahead, pitch_mm, end, closed)
    # the same number in shorter jumps is more even
    for shorter in np.linspace((end - ahead[0]) / max(len(fewest), 1), pitch_mm, 12):
        tried = _jump(ahead, float(shorter), end, closed)
        if len(tried) <= len(fewest):
            fewest = tried
            break
    return (fewest + first) % len(stations_mm)


def _jump(stations_mm: np.ndarray, pitch_mm: float, end_mm: float, closed: bool) -> np.ndarray:
    """Indices reached from the first station by the longest steps within a pitch, up to the end."""
    taken = [0]
    while end_mm - stations_mm[taken[-1]] > (pitch_mm + 1e-6 if closed else 1e-6):
        ahead = int(np.searchsorted(stations_mm, stations_mm[taken[-1]] + pitch_mm + 1e-6)) - 1
        ahead = max(ahead, taken[-1] + 1)  # nothing clear within a pitch: the next there is
        if ahead >= len(stations_mm):
            break
        taken.append(ahead)
    return np.array(taken)


def steps_along(
    lines: Sequence[shapely.LineString], points: np.ndarray, near_mm: float
) -> list[tuple[shapely.LineString, float, float]]:
    """(line, from, to) of neighbouring points along the lines (first to last on an open line; on a ring `to` may run
    past its length).

    Points further than `near_mm` from a line are not its own. A line with fewer than two counts whole.
    """
    found: list[tuple[shapely.LineString, float, float]] = []
    spots = shapely.points(points)
    for line in lines:
        near = spots[shapely.distance(spots, line) < near_mm]
        at = np.sort(shapely.line_locate_point(line, near)) if len(near) else np.zeros(0)
        if len(at) < 2:
            at = np.array([0.0, line.length])
        elif line.is_ring:
            at = np.append(at, at[0] + line.length)
        found += [(line, float(one), float(other)) for one, other in pairwise(at)]
    return found


def widest_step_mm(lines: Sequence[shapely.LineString], points: np.ndarray, near_mm: float) -> float:
    """The widest of `steps_along`."""
    return float(max((other - one for _, one, other in steps_along(lines, points, near_mm)), default=0.0))


def on_this_flange(envelope: Envelope, points_mm: np.ndarray, apart_mm: float) -> np.ndarray:
    """(k,) bool: which plan points lie over this piece's flange, within `apart_mm` of its parting surface."""
    at = envelope.frame.to_frame(np.asarray(points_mm, float).reshape(-1, 3))
    parting = sample(envelope.parting_mm, envelope.origin_mm, envelope.pixel_mm, at[:, :2])
    return over(envelope, envelope.flange, at) & (np.abs(at[:, 2] - parting) <= apart_mm)


def over(envelope: Envelope, pixels: np.ndarray, at_mm: np.ndarray) -> np.ndarray:
    """(k,) bool: which (k, 2+) points of the piece's frame lie on pixels of a (rows, columns) mask of it."""
    rows, columns = pixels.shape
    fx = (at_mm[:, 0] - envelope.origin_mm[0]) / envelope.pixel_mm
    fy = (at_mm[:, 1] - envelope.origin_mm[1]) / envelope.pixel_mm
    inside = (fx > -0.5) & (fy > -0.5) & (fx < columns - 0.5) & (fy < rows - 0.5)
    i, j = np.clip(np.rint(fy), 0, rows - 1).astype(int), np.clip(np.rint(fx), 0, columns - 1).astype(int)
    return np.asarray(inside & pixels[i, j])


def on_parting(envelope: Envelope, xy: np.ndarray) -> np.ndarray:
    """(k, 3) plan coordinates of (k, 2) frame positions, on the parting surface."""
    if len(xy) == 0:
        return np.zeros((0, 3))
    z = sample(envelope.parting_mm, envelope.origin_mm, envelope.pixel_mm, xy)
    return envelope.frame.to_master(np.column_stack([xy, z]))


def seen_share(envelope: Envelope, lines: Sequence[shapely.LineString]) -> float:
    """Length of the lines seen along the pull over their length on the parting surface, 1 where it is level.

    Where the surface breaks between two joints it rises by more than `BREAK` times its run: that is no flange's length.
    """
    across = along = 0.0
    for line in lines:
        points = on_parting(envelope, shapely.get_coordinates(line))
        flat = np.linalg.norm(np.diff(points @ envelope.frame.axes.T, axis=0)[:, :2], axis=1)
        across += float(flat.sum())
        along += float(np.minimum(np.linalg.norm(np.diff(points, axis=0), axis=1), BREAK * flat).sum())
    return across / along if along > 0 else 1.0
