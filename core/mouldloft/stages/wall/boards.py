"""The temporary wall along the seam before the rubber goes on: flat boards for a plane, else a bent strip."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import shapely
from shapely.geometry import MultiPolygon, Polygon, box

from ...base.marks import Assumption, Mark
from ...base.progress import SILENT, Progress
from ...geometry.contour import cross_at_zero, join_chains
from ...geometry.depthmap import Grid, grid_around
from ...geometry.frame import PullFrame, pull_frame
from ...geometry.heightmap import sample_map
from ...geometry.polyline import spaced_out, steps_mm
from ..master import Master
from ..seam import Seam, SeamLine
from .surface import parting_heights

_STEP_MM = 8.0  # between rulings of a bent strip
_STATION_MM = 96.0  # between numbered stations
_TICK_MM = 12.0  # length of a station's mark on a flat board
_STRIP_LONGEST_MM = 700.0  # of one flat piece: what one pair of hands sets in place (invented)
_SHEET_MM = (1220.0, 2440.0)  # board as sold, 4 x 8 ft (from memory, verify)
_STRETCH_MOST = 0.03  # that a wall of card or thin board is bent to without a crease (invented)
_LEAST_WIDTH = 0.15  # of the flange: narrower than this the strip is not worth cutting


@dataclass(frozen=True, eq=False)
class Station:
    """A numbered mark across the wall: its ends on the flat piece, and its place on the master's seam."""

    number: int
    inner_mm: tuple[float, float]
    outer_mm: tuple[float, float]
    on_seam_mm: tuple[float, float, float]


@dataclass(frozen=True, eq=False)
class WallPiece:
    """One flat piece to cut at full size.

    outline_mm : (k, 2) closed outline; holes_mm : outlines cut out of it; stations : marks to set it by.
    stretch : greatest relative difference of a length on the flat piece from the length on the bent wall.
    """

    name: str
    outline_mm: np.ndarray
    holes_mm: tuple[np.ndarray, ...]
    stations: tuple[Station, ...]
    stretch: float


@dataclass(frozen=True, eq=False)
class Wall:
    """The wall along the whole seam.

    kind : "boards" (plane) or "strip" (free). off_parting_mm : greatest distance of the built wall from the
    parting surface, halfway across it. steepest_deg : steepest slope of the wall against the plane across
    the pull.
    """

    kind: str
    width_mm: float
    pieces: tuple[WallPiece, ...]
    stretch: float
    off_parting_mm: float
    steepest_deg: float
    area_mm2: float
    by_hand_mm: float
    assumptions: tuple[Assumption, ...]


def flange_width_mm(size_mm: tuple[float, float, float]) -> tuple[float, Assumption]:
    """Width of the flange by the piece's greatest size: a twentieth of it, 40 to 80 mm."""
    width = float(np.clip(max(size_mm) / 20.0, 40.0, 80.0))
    width = 5.0 * round(width / 5.0)
    return width, Assumption("flange width", f"{width:.0f} mm: 1/20 of the size, 40 to 80 mm", Mark.COMMON_PRACTICE)


def wall_assumptions(kind: str) -> tuple[Assumption, ...]:
    """The figures that the wall of a seam of this kind rests on, its width left out, with their marks."""
    if kind == "plane":
        return (Assumption("board size", f"{_SHEET_MM[0]:.0f} x {_SHEET_MM[1]:.0f} mm", Mark.MEMORY, "4 x 8 ft"),)
    return (
        Assumption("longest strip of wall", f"{_STRIP_LONGEST_MM:.0f} mm", Mark.INVENTED),
        Assumption("a wall is bent to a stretch of", f"{100 * _STRETCH_MOST:g} %", Mark.INVENTED),
    )


def build_wall(master: Master, seam: Seam, width_mm: float | None = None, progress: Progress = SILENT) -> Wall:
    """Flat pieces of the wall, ready to be cut at full size. width_mm : the flange's, by size if None."""
    width, rule = flange_width_mm(master.size_mm)
    assumptions = (*((rule,) if width_mm is None else ()), *wall_assumptions(seam.kind))
    width = width if width_mm is None else width_mm
    frame = pull_frame(np.asarray(seam.pieces[0].pull, float))
    if seam.kind == "plane":
        return _boards(master, seam, frame, width, assumptions)
    return _strips(master, seam, frame, width, assumptions, progress)


def section_area(master: Master, seam: Seam) -> shapely.Geometry:
    """What the seam encloses seen along the pull: polygons in the frame of the piece ahead, base included."""
    assert seam.level_mm is not None
    frame = pull_frame(np.asarray(seam.pieces[0].pull, float))
    crossings = cross_at_zero(master.vertices_mm, master.faces, seam.level_mm)
    inside = Polygon()
    for chain in join_chains(crossings):
        if len(chain.nodes) < 3:
            continue
        ring = shapely.make_valid(Polygon(frame.to_frame(crossings.points_mm[chain.nodes])[:, :2]))
        inside = inside.symmetric_difference(ring)  # a loop inside a loop is a hole
    return inside


def _polygons(area: shapely.Geometry) -> list[Polygon]:
    parts = area.geoms if isinstance(area, MultiPolygon) or hasattr(area, "geoms") else [area]
    return [part for part in parts if isinstance(part, Polygon) and part.area > 1.0]


def _above_base(frame: PullFrame, offset_mm: float, span_mm: float) -> shapely.Geometry | None:
    """The part of the seam plane that stands above the base, in the frame; None where the plane lies flat."""
    across, up = float(frame.axes[0, 2]), float(frame.axes[1, 2])
    if np.hypot(across, up) < 0.05:
        return None
    # z = x across + y up + offset pull_z; v leans upward, so `up` is above zero
    low = -offset_mm * float(frame.axes[2, 2]) / up
    return box(-span_mm, low, span_mm, low + 2.0 * span_mm)


def _boards(master: Master, seam: Seam, frame: PullFrame, width_mm: float, assumptions: tuple[Assumption, ...]) -> Wall:
    inside = section_area(master, seam)
    ring = inside.buffer(width_mm, quad_segs=16).difference(inside)
    if master.base == "open":
        standing = _above_base(frame, seam.plane_offset_mm, 4.0 * max(master.size_mm))
        ring = ring.intersection(standing) if standing is not None else ring
    x_low, y_low, x_high, y_high = ring.bounds
    middle = float(inside.centroid.x)
    # a ring cannot be slipped over the figure: it is cut in two through the middle, and to the sheet's size
    columns = _cuts(x_low, middle, _SHEET_MM[0]) + _cuts(middle, x_high, _SHEET_MM[0])[1:]
    rows = _cuts(y_low, y_high, _SHEET_MM[1])
    pieces: list[WallPiece] = []
    for left, right in pairwise(columns):
        for low, high in pairwise(rows):
            for part in _polygons(ring.intersection(box(left, low, right, high))):
                marked = sum(len(piece.stations) for piece in pieces)
                pieces.append(_board(f"W{len(pieces) + 1}", part, inside, seam, frame, marked + 1))
    return Wall("boards", width_mm, tuple(pieces), 0.0, 0.0, 0.0, float(ring.area), 0.0, assumptions)


def _cuts(low: float, high: float, longest: float) -> list[float]:
    count = max(int(np.ceil((high - low) / longest)), 1)
    return [float(v) for v in np.linspace(low, high, count + 1)]


def _board(name: str, part: Polygon, inside: shapely.Geometry, seam: Seam, frame: PullFrame, first: int) -> WallPiece:
    stations: list[Station] = []
    tick = inside.buffer(_TICK_MM).boundary
    for line in seam.lines:
        points = frame.to_frame(spaced_out(line.points_mm, line.closed, _STATION_MM))
        near = shapely.distance(shapely.points(points[:, :2]), part) < 0.5
        for point in points[near]:
            at = shapely.Point(point[:2])
            out = tick.interpolate(tick.project(at))
            x, y, z = (float(v) for v in frame.to_master(point[None])[0])
            stations.append(Station(first + len(stations), (at.x, at.y), (float(out.x), float(out.y)), (x, y, z)))
    holes = tuple(np.asarray(ring.coords)[:-1] for ring in part.interiors)
    return WallPiece(name, np.asarray(part.exterior.coords)[:-1], holes, tuple(stations), 0.0)


def _strips(
    master: Master,
    seam: Seam,
    frame: PullFrame,
    width_mm: float,
    assumptions: tuple[Assumption, ...],
    progress: Progress,
) -> Wall:
    points = frame.to_frame(master.vertices_mm)
    span = float(np.ptp(points[:, :2], axis=0).max())
    grid = grid_around(points, span / 320.0, 1.5 * width_mm)
    height = parting_heights(seam, frame, grid.x0_mm, grid.y0_mm, grid.pixel_mm, grid.rows, grid.columns, master)
    progress.step(0.5, "the wall along the seam")
    lean = np.hypot(*np.gradient(height.astype(float), grid.pixel_mm))
    inside = section_area(master, seam)
    pieces: list[WallPiece] = []
    off, steep, by_hand = 0.0, 0.0, 0.0
    station = 1
    for line in seam.lines:
        if line.length_mm < 2.0 * _STEP_MM:
            by_hand += line.length_mm
            continue
        inner, outer = _rulings(line, frame, inside, height, grid, width_mm)
        if line.closed:
            inner, outer = np.concatenate([inner, inner[:1]]), np.concatenate([outer, outer[:1]])
        runs = _flat_runs(inner, outer)
        by_hand += line.length_mm - sum(float(steps_mm(inner[run], False).sum()) for run in runs)
        for run in runs:
            a, b = inner[run], outer[run]
            middle = (a + b) / 2
            drawn = sample_map(height, grid, middle[:, 0], middle[:, 1])
            slope = sample_map(lean, grid, middle[:, 0], middle[:, 1])
            off = max(off, float((np.abs(drawn - middle[:, 2]) / np.hypot(1.0, slope)).max()))
            across = np.linalg.norm((b - a)[:, :2], axis=1)
            steep = max(steep, float(np.degrees(np.arctan2(np.abs(b - a)[:, 2], across)).max()))
            made, station = _unroll(a, b, frame, len(pieces), station)
            pieces += made
    area = sum(float(Polygon(piece.outline_mm).area) for piece in pieces)
    stretch = max((piece.stretch for piece in pieces), default=0.0)
    return Wall("strip", width_mm, tuple(pieces), stretch, off, steep, area, by_hand, assumptions)


def _flat_runs(inner: np.ndarray, outer: np.ndarray) -> list[slice]:
    """Stretches of a ruled strip that can be cut flat: cells that twist harder than a board are left out."""
    soft = cell_stretch(inner, outer) <= _STRETCH_MOST
    edge = np.flatnonzero(np.diff(np.concatenate([[0], soft.astype(np.int8), [0]])))
    return [
        slice(int(first), int(last) + 1) for first, last in zip(edge[::2], edge[1::2], strict=True) if last - first >= 2
    ]


def _rulings(
    line: SeamLine,
    frame: PullFrame,
    inside: shapely.Geometry,
    height: np.ndarray,
    grid: Grid,
    width_mm: float,
) -> tuple[np.ndarray, np.ndarray]:
    """Inner and outer ends ((k, 3) each, in the frame) of the straight lines that the strip is ruled by.

    Each starts on the seam and runs outward across it, seen along the pull, to the flange's width or
    halfway to the next part of the body; its outer end lies on the parting surface.
    """
    inner = frame.to_frame(spaced_out(line.points_mm, line.closed, _STEP_MM))
    out = _outward(inner[:, :2], line.closed, width_mm)
    reach = _room(inner[:, :2], out, inside, width_mm)
    outer = np.empty_like(inner)
    for _ in range(30):
        outer[:, :2] = inner[:, :2] + reach[:, None] * out
        forward = np.einsum(
            "ij,ij->i",
            _after(outer[:, :2], line.closed) - outer[:, :2],
            _after(inner[:, :2], line.closed) - inner[:, :2],
        )
        folded = forward < 0
        if not line.closed:
            folded[-1] = False
        if not folded.any():
            break
        # in a tight hollow the rulings would cross: draw them in, with their neighbours
        folded = folded | np.roll(folded, 1) | np.roll(folded, -1)
        reach = np.where(folded, 0.8 * reach, reach)
    outer[:, 2] = sample_map(height, grid, outer[:, 0], outer[:, 1])
    return inner, outer


def _after(points: np.ndarray, closed: bool) -> np.ndarray:
    following = np.roll(points, -1, axis=0)
    if not closed:
        following[-1] = points[-1]
    return following


def _outward(points: np.ndarray, closed: bool, width_mm: float) -> np.ndarray:
    """(k, 2) unit directions to the right of a line with the body to its left, evened over half a width."""
    before = np.roll(points, 1, axis=0)
    after = np.roll(points, -1, axis=0)
    if not closed:
        before[0], after[-1] = points[0], points[-1]
    along = after - before
    out = np.stack([along[:, 1], -along[:, 0]], axis=1)
    reach = max(round(0.5 * width_mm / _STEP_MM), 1)
    weight = 1.0 - np.abs(np.arange(-reach, reach + 1)) / (reach + 1.0)
    padded = np.pad(out, ((reach, reach), (0, 0)), mode="wrap" if closed else "edge")
    even = np.stack([np.convolve(padded[:, k], weight, mode="valid") for k in range(2)], axis=1)
    length = np.linalg.norm(even, axis=1, keepdims=True)
    return even / np.maximum(length, 1e-12)


def _room(start: np.ndarray, out: np.ndarray, inside: shapely.Geometry, width_mm: float) -> np.ndarray:
    """(k,) length each ruling may have: the width, or half the way to the next part inside the seam."""
    skip = 0.05 * width_mm
    ray = shapely.linestrings(np.stack([start + skip * out, start + 2.0 * width_mm * out], axis=1))
    met = shapely.intersection(ray, inside)
    gap = np.where(shapely.is_empty(met), np.inf, shapely.distance(shapely.points(start), met))
    return np.clip(np.minimum(width_mm, gap / 2), _LEAST_WIDTH * width_mm, width_mm)


def _unroll(
    inner: np.ndarray, outer: np.ndarray, frame: PullFrame, made: int, station: int
) -> tuple[list[WallPiece], int]:
    """Lay the ruled strip flat in pieces that neither grow too long nor cover themselves."""
    every = max(round(_STATION_MM / _STEP_MM), 1)
    along = np.concatenate([[0.0], np.cumsum(steps_mm(inner, False))])
    pieces: list[WallPiece] = []
    first = 0
    while first < len(inner) - 1:
        last = int(np.searchsorted(along, along[first] + _STRIP_LONGEST_MM, side="right")) - 1
        last = min(max(last, first + 1), len(inner) - 1)
        flat_inner, flat_outer = lay_flat(inner[first : last + 1], outer[first : last + 1])
        while last > first + 1 and not Polygon(np.concatenate([flat_inner, flat_outer[::-1]])).is_valid:
            last = first + max((last - first) * 3 // 4, 1)
            flat_inner, flat_outer = lay_flat(inner[first : last + 1], outer[first : last + 1])
        marks = sorted({0, last - first, *range(0, last - first, every)})
        stations = []
        for k in marks:
            x, y, z = (float(v) for v in frame.to_master(inner[first + k][None])[0])
            stations.append(
                Station(
                    station,
                    (float(flat_inner[k, 0]), float(flat_inner[k, 1])),
                    (float(flat_outer[k, 0]), float(flat_outer[k, 1])),
                    (x, y, z),
                )
            )
            station += 1
        station -= 1  # the joint carries one number on both pieces
        pieces.append(
            WallPiece(
                f"W{made + len(pieces) + 1}",
                np.concatenate([flat_inner, flat_outer[::-1]]),
                (),
                tuple(stations),
                float(cell_stretch(inner[first : last + 1], outer[first : last + 1]).max()),
            )
        )
        first = last
    return pieces, station + 1


def lay_flat(inner: np.ndarray, outer: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Both edges of a ruled strip laid flat, (k, 2) each: edges, rulings, one diagonal keep their lengths."""
    ruling = np.linalg.norm(outer - inner, axis=1)
    at_inner = np.linalg.norm(np.diff(inner, axis=0), axis=1)
    at_outer = np.linalg.norm(np.diff(outer, axis=0), axis=1)
    diagonal = np.linalg.norm(outer[1:] - inner[:-1], axis=1)
    flat_inner, flat_outer = np.zeros((len(inner), 2)), np.zeros((len(inner), 2))
    flat_outer[0] = (0.0, -ruling[0])
    for k in range(len(inner) - 1):
        flat_outer[k + 1] = _third(flat_inner[k], flat_outer[k], diagonal[k], at_outer[k])
        flat_inner[k + 1] = _third(flat_inner[k], flat_outer[k + 1], at_inner[k], ruling[k + 1])
    return flat_inner, flat_outer


def cell_stretch(inner: np.ndarray, outer: np.ndarray) -> np.ndarray:
    """(k - 1,) relative difference of each cell's other diagonal once its two triangles are laid flat.

    Zero for a strip that can be unrolled; what is left is twist, which the board must give when it is bent.
    """
    a, b, c, d = inner[:-1], outer[:-1], outer[1:], inner[1:]
    shared = c - a
    length = np.maximum(np.linalg.norm(shared, axis=1), 1e-9)
    axis = shared / length[:, None]
    along_b, along_d = ((p * axis).sum(axis=1) for p in (b - a, d - a))
    up_b = np.linalg.norm((b - a) - along_b[:, None] * axis, axis=1)
    up_d = np.linalg.norm((d - a) - along_d[:, None] * axis, axis=1)
    laid = np.hypot(along_b - along_d, up_b + up_d)  # b and d lie to either side of the shared diagonal
    other = np.linalg.norm(d - b, axis=1)
    return np.abs(laid - other) / np.maximum(other, 1e-9)


def _third(p: np.ndarray, q: np.ndarray, from_p: float, from_q: float) -> np.ndarray:
    """The corner at the given distances from p and q, to the left of the way from p to q."""
    base = float(np.hypot(q[0] - p[0], q[1] - p[1]))
    if base < 1e-12:
        return p + np.array([from_p, 0.0])
    along = (base * base + from_p * from_p - from_q * from_q) / (2.0 * base)
    up = float(np.sqrt(max(from_p * from_p - along * along, 0.0)))
    u = (q - p) / base
    return p + along * u + up * np.array([-u[1], u[0]])
