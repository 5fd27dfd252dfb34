"""Flanges on the wall as maps along the pull: where the rubber lies, where glass meets glass, bead, bolts and steps.

One set of maps serves both pieces of a mould in two, in the frame of the first: both gloves end on the same line, both
jackets meet on the same ground, and the bead is one surface, a groove in the first piece and a ridge on the other.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import shapely
from scipy import ndimage
from scipy.spatial import cKDTree

from ...geometry.depthmap import Grid
from ...geometry.faraway import cells_away
from ...geometry.heightmap import outline, sample_map
from ...trade.bolts import BOLT_SIZES
from ...trade.section import CLEAR_DEG, LEAN_DEG, LEAST_RADIUS_MM, JointSection, bead_height_at_mm
from ..wall import ROOT_MOST_MM
from .rims import steps_along

STEEPEST = 4.0  # rise over run: past it a pixel's slope says more of the lattice than of the flange
SMOOTH_MM = 6.0  # over which the wall's lean is read
_ROOM_MM = 6.0  # round a washer: the jacket's own inside radius, and the spanner's wall
_FILLED_SHARE = 0.8  # of the jacket's flange: a strip of wall narrower than that between two rubbers stays rubber
_PAD_SLOPE = float(np.tan(np.radians(90.0 - CLEAR_DEG))) * 0.9  # of the risers of a step: clear of both pulls
_MOVED_MM = 0.5  # a step that moves the wall by less is none
_BEAD_FADE_MM = 12.0  # common practice: a bead runs out over about its own width
_LEAST_BEAD_MM = 60.0  # a shorter run holds nothing
_TURN_DEG, _TURN_OVER_MM = 50.0, 25.0  # a flange's middle line that turns more within that has a corner there
BESIDE_MM = 25.0  # a bolt this near to a flange's middle line is one of its own
_BULGE_MM = 16.0  # half-width of the rise over a bead's back: mat lies over it without bridging


@dataclass(frozen=True, eq=False)
class Flanges:
    """The maps, (rows, columns) each, in one piece's frame.

    rubber : bool, all wall under rubber, bodies included. jacket : bool, where the jackets' flanges meet. wall_mm :
    the parting surface with its steps, without the bead. bead_mm : how far the bead stands on it along the pull.
    behind_mm : how far the first piece's outside rises over it. top_mm : the flange's thickness along the pull, bevel
    in. bolts_mm, domes_mm, pads_mm : (k, 3), x and y and the wall's height; beads_mm : the bead's middle lines, (n, 3)
    each.
    """

    rubber: np.ndarray
    jacket: np.ndarray
    wall_mm: np.ndarray
    bead_mm: np.ndarray
    behind_mm: np.ndarray
    top_mm: np.ndarray
    bolts_mm: np.ndarray
    pads_mm: np.ndarray
    beads_mm: tuple[np.ndarray, ...]
    domes_mm: np.ndarray


def lay_flanges(
    wall_mm: np.ndarray,
    bodies: np.ndarray,
    crowded: np.ndarray,
    tall: np.ndarray,
    on_board: np.ndarray,
    origin_mm: tuple[float, float],
    pixel_mm: float,
    section: JointSection,
    fewest_bolts: int,
    between: Callable[[], tuple[np.ndarray, np.ndarray]],
) -> Flanges:
    """Flanges round the bodies ((rows, columns) bool, where the wall's own surface lies inside the master).

    crowded : bool, where a bead on the wall would run into the master. tall : bool, where a glove stands higher than
    its flange. between : gives the two (rows, columns) heights between which the wall has to pass, -inf and inf where
    no skin is. on_board : bool, pixels above an open base's board; below it everything is carried straight on, so that
    flanges run down to the board square.
    """
    down = _carried_down(on_board)
    bodies, crowded, tall = bodies[down], crowded[down], tall[down]
    far = cells_away(~bodies) * pixel_mm
    rubber = _rubber_area(far, tall, pixel_mm, section)
    past = cells_away(~rubber) * pixel_mm
    jacket = ~rubber & (past <= section.jacket_flange_mm)
    spots = _bolt_spots(wall_mm, rubber, jacket & on_board, past, origin_mm, pixel_mm, section, fewest_bolts)
    wall, pads = _with_steps(wall_mm, spots, bodies, between, origin_mm, pixel_mm, section)
    slope = lean_of(wall, pixel_mm)
    toe = cells_away(rubber) * pixel_mm
    top = np.minimum(toe / section.bevel_run_mm, 1.0) * section.rubber_flange_thickness_mm * np.hypot(1.0, slope)
    flange = rubber & ~bodies & ~crowded
    bead, behind, share, domes = _registration(wall, far, toe, flange, on_board, origin_mm, pixel_mm, section)

    def at(points: np.ndarray) -> np.ndarray:
        return np.column_stack([points, _read(wall + bead, points, origin_mm, pixel_mm)])

    return Flanges(
        rubber=rubber & on_board,
        jacket=jacket & on_board,
        wall_mm=wall,
        bead_mm=bead,
        behind_mm=behind,
        top_mm=top,
        bolts_mm=at(spots),
        pads_mm=at(spots[pads]),
        beads_mm=tuple(
            at(line) for line in _bead_lines(bodies, flange & on_board & (share > 0.5), origin_mm, pixel_mm, section)
        ),
        domes_mm=at(domes),
    )


def lean_of(height_mm: np.ndarray, pixel_mm: float) -> np.ndarray:
    """(rows, columns) rise over run of a surface, evened over a few millimetres, no more than `STEEPEST`."""
    even = ndimage.gaussian_filter(height_mm.astype(float), SMOOTH_MM / 2.0 / pixel_mm, mode="nearest")
    return np.minimum(np.hypot(*np.gradient(even, pixel_mm)), STEEPEST)


def _carried_down(on_board: np.ndarray) -> tuple[np.ndarray, ...]:
    """Index arrays that give every pixel below the board its nearest one above."""
    if on_board.all() or not on_board.any():
        return tuple(np.indices(on_board.shape))
    return tuple(ndimage.distance_transform_edt(~on_board, return_distances=False, return_indices=True))


def _rubber_area(far: np.ndarray, tall: np.ndarray, pixel_mm: float, section: JointSection) -> np.ndarray:
    """Within the flange's width of a body, a bevel's run past what stands above the flange, and all over the strips
    too narrow for two jackets' flanges; its inside corners are rounded as mat needs them."""
    rubber = far <= section.rubber_flange_mm
    if tall.any():
        rubber |= cells_away(~tall) * pixel_mm <= section.bevel_run_mm + 2.0 * pixel_mm
    closing = max(_FILLED_SHARE * section.jacket_flange_mm / 2.0, LEAST_RADIUS_MM)
    margin = int(np.ceil(closing / pixel_mm)) + 2
    padded = np.pad(rubber, margin, mode="edge")
    grown = cells_away(~padded) * pixel_mm <= closing
    shut = cells_away(np.pad(grown, 1, mode="edge"))[1:-1, 1:-1] * pixel_mm > closing
    return np.asarray(rubber | shut[margin:-margin, margin:-margin])


# --- bolts and their steps -------------------------------------------------------------------------------


def _bolt_spots(
    wall: np.ndarray,
    rubber: np.ndarray,
    jacket: np.ndarray,
    past: np.ndarray,
    origin_mm: tuple[float, float],
    pixel_mm: float,
    section: JointSection,
    fewest: int,
) -> np.ndarray:
    """(k, 2) places along the middle of the jackets' flange, no further apart than the pitch, near every corner."""
    if not jacket.any():
        return np.zeros((0, 2))
    half = section.jacket_flange_mm / 2.0
    room = min(BOLT_SIZES[section.bolt].washer_mm / 2.0 + _ROOM_MM, half - pixel_mm)
    lines = middle_lines(rubber, jacket, past, origin_mm, pixel_mm, half, room)
    pitch = 0.98 * section.bolt_pitch_mm  # measured along a line drawn anew it is no longer than asked
    while True:
        spots = [s for line in lines for s in spaced_spots(line, pitch, section.corner_mm)]
        if len(spots) >= fewest or pitch <= 0.4 * section.bolt_pitch_mm:
            kept = _apart(np.array(spots).reshape(-1, 2), 2.0 * room)
            more = _in_gaps(lines, kept, 0.98 * section.bolt_pitch_mm, lambda xy: _read(wall, xy, origin_mm, pixel_mm))
            return _apart(np.concatenate([kept, more]), 2.0 * room)
        pitch *= 0.95


def _in_gaps(
    lines: Sequence[shapely.LineString],
    spots: np.ndarray,
    pitch_mm: float,
    height: Callable[[np.ndarray], np.ndarray],
) -> np.ndarray:
    """(k, 2) further places, evenly, wherever two neighbours stand further apart along the wall than the pitch: where
    it climbs, and in a notch, where one of the two beside a corner is in the other's way.

    height : of the wall over (k, 2) places.
    """
    found: list[tuple[float, float]] = []
    for line, start, end in steps_along(lines, spots, BESIDE_MM):
        along = np.mod(np.linspace(start, end, max(int((end - start) / 5.0), 2) + 1), line.length)
        xy = shapely.get_coordinates(shapely.line_interpolate_point(line, along))
        true = float(np.linalg.norm(np.diff(np.column_stack([xy, height(xy)]), axis=0), axis=1).sum())
        count = int(np.ceil(true / pitch_mm - 1e-6))
        for at in np.linspace(start, end, count + 1)[1:-1]:
            place = line.interpolate(float(np.mod(at, line.length)))
            found.append((place.x, place.y))
    return np.array(found).reshape(-1, 2)


def middle_lines(
    rubber: np.ndarray,
    jacket: np.ndarray,
    past: np.ndarray,
    origin_mm: tuple[float, float],
    pixel_mm: float,
    half_mm: float,
    room_mm: float,
) -> list[shapely.LineString]:
    """Lines half-way across the jackets' flange where a washer has room to both sides, longest first."""
    clear = jacket & (past >= room_mm)
    rim = cells_away(np.pad(jacket | rubber, 1, constant_values=False))[1:-1, 1:-1] * pixel_mm
    clear &= rim >= room_mm
    # level sets of the distance would have kinks; the outline's own buffer is round at outer corners
    ring = outline(rubber, origin_mm, pixel_mm).buffer(half_mm, quad_segs=16).boundary
    area = outline(clear, origin_mm, pixel_mm).buffer(0.5 * pixel_mm)
    kept = shapely.line_merge(shapely.intersection(ring, area))
    lines = [g for g in shapely.get_parts(kept) if isinstance(g, shapely.LineString) and g.length > 2.0 * room_mm]
    return sorted(lines, key=lambda g: (-round(g.length, 3), g.coords[0]))


def spaced_spots(line: shapely.LineString, pitch_mm: float, corner_mm: float) -> list[tuple[float, float]]:
    """Places along a line: evenly, no further apart than the pitch, from every end and corner no more than given."""
    length = line.length
    corners = _corners(line)
    if line.is_ring and len(corners) == 0:
        count = max(int(np.ceil(length / pitch_mm)), 3)
        marks = (np.arange(count) + 0.5) * length / count
    else:
        ends = [0.0, *corners, length]
        if line.is_ring:
            ends = [*corners, corners[0] + length]
        marks = np.concatenate([_between(a, b, pitch_mm, corner_mm) for a, b in pairwise(ends)])
    found = shapely.get_coordinates(shapely.line_interpolate_point(line, np.mod(marks, length)))
    return [(float(x), float(y)) for x, y in found]


def _between(start: float, end: float, pitch_mm: float, corner_mm: float) -> np.ndarray:
    length, inset = end - start, 0.6 * corner_mm
    if length <= 2.0 * inset:
        return np.array([start + length / 2.0])
    count = int(np.ceil((length - 2.0 * inset) / pitch_mm)) + 1
    return np.linspace(start + inset, end - inset, max(count, 2))


def _corners(line: shapely.LineString) -> list[float]:
    """Places along a line where it turns sharply: the sharpest of every stretch that does."""
    length, step = line.length, 5.0
    if length < 4.0 * _TURN_OVER_MM:
        return []
    at = np.arange(0.0, length, step)
    if not line.is_ring:
        at = at[(at > _TURN_OVER_MM) & (at < length - _TURN_OVER_MM)]

    def there(where: np.ndarray) -> np.ndarray:
        return shapely.get_coordinates(shapely.line_interpolate_point(line, np.mod(where, length)))

    before, after = there(at) - there(at - _TURN_OVER_MM), there(at + _TURN_OVER_MM) - there(at)
    cross = before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0]
    turn = np.degrees(np.abs(np.arctan2(cross, (before * after).sum(axis=1))))
    found: list[float] = []
    for k in np.argsort(-turn, kind="stable"):
        if turn[k] < _TURN_DEG:
            break
        near = [min(abs(at[k] - c), length - abs(at[k] - c)) for c in found]
        if min(near, default=np.inf) > 2.0 * _TURN_OVER_MM:
            found.append(float(at[k]))
    return sorted(found)


def _apart(points: np.ndarray, least_mm: float) -> np.ndarray:
    """Those that stand clear of every one kept before."""
    kept: list[np.ndarray] = []
    for point in points:
        if all(np.hypot(*(point - other)) >= least_mm for other in kept):
            kept.append(point)
    return np.array(kept).reshape(-1, 2)


def _with_steps(
    wall: np.ndarray,
    spots: np.ndarray,
    bodies: np.ndarray,
    between: Callable[[], tuple[np.ndarray, np.ndarray]],
    origin_mm: tuple[float, float],
    pixel_mm: float,
    section: JointSection,
) -> tuple[np.ndarray, np.ndarray]:
    """The wall with a level step under every bolt where it leans too much and has room for one, and (k,) bool, which
    bolts those are; the others are clamped."""
    lean = lean_of(wall, pixel_mm)
    # the worst under the washer, not the middle's
    size = 2 * int(BOLT_SIZES[section.bolt].washer_mm / 2.0 / pixel_mm) + 1
    pads = _read(ndimage.maximum_filter(lean, size=size), spots, origin_mm, pixel_mm) > np.tan(np.radians(LEAN_DEG))
    if not pads.any():
        return wall.astype(np.float32), pads
    bounds = between()
    while True:
        stepped = _stepped(wall, spots[pads], origin_mm, pixel_mm, section)
        clear = _clear_of_skin(stepped, wall, bodies, bounds, pixel_mm, section)
        moved = ndimage.maximum_filter(np.abs(clear - stepped), size=size)
        level = pads & (_read(moved, spots, origin_mm, pixel_mm) <= _MOVED_MM)
        if (level == pads).all():
            return clear.astype(np.float32), pads
        pads = level


def _stepped(
    wall: np.ndarray, spots: np.ndarray, origin_mm: tuple[float, float], pixel_mm: float, section: JointSection
) -> np.ndarray:
    """The wall with a level step about each of (k, 2) places."""
    out = wall.astype(float).copy()
    rows, columns = wall.shape
    flat = BOLT_SIZES[section.bolt].washer_mm / 2.0 + 2.0
    reach = 3.0 * section.jacket_flange_mm
    for x, y in spots:
        level = float(_read(wall, np.array([[x, y]]), origin_mm, pixel_mm)[0])
        i0, j0 = (int((v - o - flat - reach) / pixel_mm) for v, o in ((y, origin_mm[1]), (x, origin_mm[0])))
        size = int(2.0 * (flat + reach) / pixel_mm) + 2
        window = np.s_[max(i0, 0) : min(i0 + size, rows), max(j0, 0) : min(j0 + size, columns)]
        dy = origin_mm[1] + pixel_mm * np.arange(window[0].start, window[0].stop) - y
        dx = origin_mm[0] + pixel_mm * np.arange(window[1].start, window[1].stop) - x
        run = np.maximum(np.hypot(dx[None], dy[:, None]) - flat, 0.0)
        stepped = np.clip(out[window], level - _PAD_SLOPE * run, level + _PAD_SLOPE * run)
        # a wall as steep as the riser would not be met: the step fades out over the second half of its reach
        out[window] += np.clip(2.0 - 2.0 * run / reach, 0.0, 1.0) * (stepped - out[window])
    return out


def _clear_of_skin(
    stepped: np.ndarray,
    wall: np.ndarray,
    bodies: np.ndarray,
    between: tuple[np.ndarray, np.ndarray],
    pixel_mm: float,
    section: JointSection,
) -> np.ndarray:
    """The stepped wall, with its root as it was and all skin on its own side, with room for rubber: where a wall rises
    more steeply than a riser, a step would run on into limbs that hang beside it.

    between : as in `lay_flanges`. Towards root and skin a step runs out as a riser does.
    """
    low, high = between
    thick = section.rubber_flange_thickness_mm
    moved = stepped - wall
    cut = ((moved > _MOVED_MM) & (stepped > high - thick)) | ((moved < -_MOVED_MM) & (stepped < low + thick))
    away = cells_away(~(cut | bodies)) * pixel_mm
    most = _PAD_SLOPE * np.maximum(away - min(ROOT_MOST_MM, section.rubber_flange_mm), 0.0)
    return np.asarray(wall + np.clip(moved, -most, most))


# --- bead and domes --------------------------------------------------------------------------------------


def _registration(
    wall: np.ndarray,
    far: np.ndarray,
    toe: np.ndarray,
    flange: np.ndarray,
    on_board: np.ndarray,
    origin_mm: tuple[float, float],
    pixel_mm: float,
    section: JointSection,
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Height of bead and domes over the wall, the rise of the first piece's outside behind them, how much of the bead
    stands where (0 to 1), and the domes' middles, (k, 2)."""
    none = np.zeros(wall.shape)
    if section.registration == "none" or not flange.any():
        return none, none, none, np.zeros((0, 2))
    wide, high = section.bead_width_mm, section.bead_height_mm
    off = far - section.bead_from_skin_mm
    share = none
    if section.registration == "bead":
        full = bead_height_at_mm(off, wide, high)
        share = _bead_share(wall, full, off, toe, flange, pixel_mm, section)
    middle = flange & on_board & (np.abs(off) <= 0.5 * pixel_mm)
    bead = bead_height_at_mm(off, wide, high) * share
    behind = _bulge(np.abs(off), high) * share
    domes = _dome_spots(wall, toe, flange, middle, share, origin_mm, pixel_mm, section)
    for x, y in domes:
        away = _away(wall.shape, x, y, origin_mm, pixel_mm)
        bead = np.maximum(bead, bead_height_at_mm(away, section.dome_diameter_mm, section.dome_height_mm))
        behind = np.maximum(behind, _bulge(away, section.dome_height_mm))
    return bead, behind, share, domes


def _bead_lines(
    bodies: np.ndarray, held: np.ndarray, origin_mm: tuple[float, float], pixel_mm: float, section: JointSection
) -> list[np.ndarray]:
    """The bead's middle as lines of (k, 2) points some 5 mm apart, longest first. held : bool, where it stands."""
    if not held.any():
        return []
    ring = outline(bodies, origin_mm, pixel_mm).buffer(section.bead_from_skin_mm, quad_segs=16).boundary
    kept = shapely.line_merge(shapely.intersection(ring, outline(held, origin_mm, pixel_mm).buffer(pixel_mm)))
    lines = [g for g in shapely.get_parts(kept) if isinstance(g, shapely.LineString) and g.length > _LEAST_BEAD_MM / 2]
    lines.sort(key=lambda g: (-round(g.length, 3), g.coords[0]))
    spots = [np.linspace(0.0, g.length, max(int(g.length / 5.0), 2) + 1) for g in lines]
    return [shapely.get_coordinates(shapely.line_interpolate_point(g, at)) for g, at in zip(lines, spots)]


def _bulge(away: np.ndarray, height_mm: float) -> np.ndarray:
    """A rise over a bead's back that mat lies over, nowhere thinner than the flange beside it."""
    return 1.06 * height_mm * 0.5 * (1.0 + np.cos(np.pi * np.clip(away / _BULGE_MM, 0.0, 1.0)))


def _bead_share(
    wall: np.ndarray,
    full: np.ndarray,
    off: np.ndarray,
    toe: np.ndarray,
    flange: np.ndarray,
    pixel_mm: float,
    section: JointSection,
) -> np.ndarray:
    """(rows, columns) 0 to 1: how much of the bead stands where. It runs out where its sides would not clear the
    pulls, where two beads would meet, and where the bevel begins."""
    zone = np.abs(off) <= section.bead_width_mm / 2.0
    slope = np.hypot(*np.gradient(ndimage.gaussian_filter(wall + full, 1.0), pixel_mm))
    even = ndimage.gaussian_filter(off, 2.0 / pixel_mm)
    turns = np.hypot(*np.gradient(even, pixel_mm)) < 0.8  # a ridge of the distance: the line turns or meets another
    clear = flange & (slope <= np.tan(np.radians(90.0 - CLEAR_DEG))) & ~turns & (toe >= 0.8 * section.bevel_run_mm)
    bad = zone & ~clear
    away = cells_away(~bad) * pixel_mm if bad.any() else np.full(wall.shape, np.inf)
    share = np.clip((away - section.bead_width_mm / 2.0) / _BEAD_FADE_MM, 0.0, 1.0)
    share = share * share * (3.0 - 2.0 * share)
    line = zone & (share > 0.5)
    parts, count = ndimage.label(line, np.ones((3, 3)))
    sizes = ndimage.sum_labels(line, parts, np.arange(1, count + 1)) * pixel_mm**2 / section.bead_width_mm
    short = np.isin(parts, 1 + np.flatnonzero(sizes < _LEAST_BEAD_MM))
    if short.any():  # a run's fading ends go with it
        gone = ndimage.distance_transform_edt(~short, return_indices=True)
        near = gone[0] * pixel_mm <= 2.0 * _BEAD_FADE_MM
        kept = cells_away(~(line & ~short)) if (line & ~short).any() else np.inf
        share = np.where(near & (gone[0] < kept), 0.0, share)
    return share


def _dome_spots(
    wall: np.ndarray,
    toe: np.ndarray,
    flange: np.ndarray,
    middle: np.ndarray,
    share: np.ndarray,
    origin_mm: tuple[float, float],
    pixel_mm: float,
    section: JointSection,
) -> np.ndarray:
    """(k, 2) places on the bead's line where there is no bead and a dome stands clear of both pulls."""
    half = section.dome_diameter_mm / 2.0
    room = int(np.ceil(half / pixel_mm))
    lean = ndimage.maximum_filter(lean_of(wall, pixel_mm), size=2 * room + 1)
    side = 1.5 * section.dome_height_mm / min(1.1 * section.dome_height_mm, half)
    fits = middle & (lean + side <= np.tan(np.radians(90.0 - CLEAR_DEG)))
    clearance = cells_away(flange) * pixel_mm
    fits &= (clearance >= half) & (toe >= half + 0.5 * section.bevel_run_mm)
    taken = cells_away(~(middle & (share > 0.5))) * pixel_mm if share.any() else None
    if taken is not None:
        fits &= taken >= section.dome_pitch_mm / 4.0
    i, j = np.nonzero(fits)
    points = np.column_stack([origin_mm[0] + pixel_mm * j, origin_mm[1] + pixel_mm * i])
    kept: list[np.ndarray] = []
    left = points
    while len(left):
        kept.append(left[0])
        away = np.hypot(*(left - left[0]).T)
        left = left[away >= section.dome_pitch_mm]
        if len(left):  # next to the last, so that they follow the line at the pitch
            left = left[np.argsort(np.hypot(*(left - kept[-1]).T), kind="stable")]
    return np.array(kept).reshape(-1, 2)


def _away(shape: tuple[int, ...], x: float, y: float, origin_mm: tuple[float, float], pixel_mm: float) -> np.ndarray:
    """(rows, columns) distance of every pixel from a place."""
    dx = origin_mm[0] + pixel_mm * np.arange(shape[1]) - x
    dy = origin_mm[1] + pixel_mm * np.arange(shape[0]) - y
    return np.hypot(dx[None], dy[:, None])


def _read(height: np.ndarray, points: np.ndarray, origin_mm: tuple[float, float], pixel_mm: float) -> np.ndarray:
    """(k,) bilinear heights of a full map."""
    grid = Grid(*origin_mm, pixel_mm, *height.shape)
    return sample_map(height, grid, points[:, 0], points[:, 1])


def share_registered(
    seam_mm: Sequence[np.ndarray], held_mm: np.ndarray, domes_mm: np.ndarray, reach_mm: float
) -> float:
    """Share of the seam's length with a bead, or a dome no more than a pitch's half away, beside it.

    seam_mm : (k, 3) points of each line, evenly spaced; held_mm, domes_mm : (n, 3) points of the bead and the domes.
    """
    points = np.concatenate([np.zeros((0, 3)), *seam_mm])
    if not len(points):
        return 0.0
    found = np.zeros(len(points), bool)
    for at, near in ((held_mm, reach_mm), (domes_mm, 75.0)):
        if len(at):
            found |= cKDTree(at).query(points)[0] <= near
    return float(found.mean())
