"""Straight lines across the wall, from the seam outward: what a bent sheet is ruled by, and where it can be one."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import shapely
from scipy import ndimage
from shapely.geometry import Polygon

from ...geometry.contour import cross_at_zero, join_chains
from ...geometry.frame import PullFrame, pull_frame
from ...geometry.polyline import spaced_out
from ..master import Master
from ..seam import Seam

STEP_MM = 8.0  # between rulings
STRETCH_MOST = 0.005  # that thin sheet gives when it is bent (common practice, no source)
LEAST_ANGLE_DEG = 60.0  # between wall and skin: flatter, and the edge of the rubber tears (common practice, no source)
_STRIP_SHORTEST_MM = 240.0  # a shorter strip is quicker built up in clay (common practice, no source)
BOARD_SHORTEST_MM = 120.0  # the same of a board, which is one straight cut more than a rib (common practice, no source)
_FLAT_MM = 1.0  # that a board lies off what it is fitted to (common practice, no source: half of what it is built to)
_SHARED_OVER = 5  # cells
_NARROWEST = 0.9  # of the width: narrower than this it is no strip
_LEAST_WIDTH = 0.15  # of the width, of any ruling
_BESIDE_FROM, _BESIDE_SHARE = 0.3, 0.6  # of the width, and of the way out: from where, and how near is beside
_REACH_TURN = 1.5  # at most so much longer, or shorter, for each millimetre along the line
_FAIR_MM = 40.0  # of the line: bumps of the skin shorter than this are none of the outer edge's
_FAIR_LEAST, _FAIR_MOST = 0.85, 1.1  # of the width: the flanges still fit, and rulings reach no further
_DRAWN_IN_ROUNDS = 30
_AT_FOOT = 6  # rulings that say to which side the wall stands at the foot


@dataclass(frozen=True, eq=False)
class Rulings:
    """Straight lines across the wall in order along one seam line, in the frame of the piece ahead.

    on_seam_mm, outer_mm : (k, 3) ends; along_mm : (k,) length along the seam from its start; line : which of the seam's
    lines; closed : the last is followed by the first. first : number of the first one along its whole line. fair : (k,)
    how much of any width each has, so that the wall's outer edge runs fair where the skin does not. flat : they lie in
    one plane, a board's.
    """

    on_seam_mm: np.ndarray
    outer_mm: np.ndarray
    along_mm: np.ndarray
    line: int
    closed: bool
    first: int = 0
    fair: np.ndarray | None = None
    flat: bool = False

    def part(self, first: int, last: int) -> Rulings:
        """Rulings first to last, both in; past the end of a closed line they go round it."""
        at = np.arange(first, last + 1)
        turn = np.floor_divide(at, len(self.along_mm))
        at = np.mod(at, len(self.along_mm))
        step = float(np.linalg.norm(self.on_seam_mm[0] - self.on_seam_mm[-1]))
        length = float(self.along_mm[-1]) + step
        fair = None if self.fair is None else self.fair[at]
        along = self.along_mm[at] + turn * length
        return Rulings(self.on_seam_mm[at], self.outer_mm[at], along, self.line, False, first, fair, self.flat)

    def between(self, inner_mm: float, width_mm: float) -> tuple[np.ndarray, np.ndarray]:
        """Ends ((k, 3) each) of what of every ruling lies from `inner_mm` off the seam to `width_mm`."""
        way = self.outer_mm - self.on_seam_mm
        length = np.linalg.norm(way, axis=1, keepdims=True)
        way = way / np.maximum(length, 1e-9)
        far = np.minimum(width_mm * (1.0 if self.fair is None else self.fair[:, None]), length)
        return self.on_seam_mm + np.minimum(inner_mm, 0.5 * far) * way, self.on_seam_mm + far * way


def stands_on_board(master: Master, frame: PullFrame) -> bool:
    """Do the wall's ends stand on the board? They do under an open base and a pull that is not steep."""
    return master.base == "open" and bool(master.base_faces.any()) and float(frame.axes[1, 2]) > 0.5


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


def rule_line(
    points_mm: np.ndarray,
    closed: bool,
    line: int,
    inside: shapely.Geometry,
    width_mm: float,
    over: Callable[[np.ndarray, np.ndarray], np.ndarray],
    at_foot: tuple[bool, bool] = (False, False),
) -> Rulings:
    """Rulings from a line ((k, 3) in the frame, body to its left) outward to `width_mm`, or halfway to the next part.

    inside : what the seam encloses seen along the pull; over : heights of the sheet over (x, y). Seen along the pull
    they do not cross. at_foot : whether an open line's first end stands on the board, and its last; there
    the wall's end lies along it.
    """
    inner = spaced_out(points_mm, closed, STEP_MM)
    if not closed:
        inner = np.concatenate([inner, points_mm[-1:]]) if np.linalg.norm(inner[-1] - points_mm[-1]) > 1e-6 else inner
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(inner, axis=0), axis=1))])
    out = _outward(inner[:, :2], closed, width_mm)
    if any(at_foot) and not closed:
        out = _laid_to_board(out, along, width_mm, at_foot)
    reach = _evened(_room(inner[:, :2], out, inside, width_mm), along, closed)
    for _ in range(_DRAWN_IN_ROUNDS):
        outer = inner[:, :2] + reach[:, None] * out
        forward = np.einsum("ij,ij->i", _after(outer, closed) - outer, _after(inner[:, :2], closed) - inner[:, :2])
        folded = forward < 0
        if not closed:
            folded[-1] = False
        if not folded.any():
            break
        # in a tight hollow the rulings would cross: draw them in, with their neighbours
        folded = folded | np.roll(folded, 1) | np.roll(folded, -1)
        reach = np.where(folded, 0.8 * reach, reach)
    outer = inner[:, :2] + reach[:, None] * out
    fair = _fair_edge(inner[:, :2], out, np.minimum(reach, width_mm / _FAIR_MOST), closed)
    return Rulings(inner, np.column_stack([outer, over(outer[:, 0], outer[:, 1])]), along, line, closed, fair=fair)


def strip_runs(
    rulings: Rulings,
    normals: np.ndarray,
    width_mm: float,
    standing: np.ndarray,
    shortest_mm: float = _STRIP_SHORTEST_MM,
) -> list[Rulings]:
    """Stretches long enough to be cut from sheet: they bend one way, stand off the skin and have their full width.

    normals : (k, 3) of the skin at the rulings' feet, in the frame; standing : (k,) bool, those that end above
    the board.
    """
    way = rulings.outer_mm - rulings.on_seam_mm
    reach = np.linalg.norm(way, axis=1)
    off = np.einsum("ij,ij->i", way, normals) / np.maximum(reach, 1e-9)
    sound = standing & (off >= np.sin(np.radians(LEAST_ANGLE_DEG))) & (reach >= _NARROWEST * width_mm)
    first, second = rulings, rulings
    if rulings.closed:
        count = len(reach)
        first = rulings.part(0, count)
        sound = np.append(sound, sound[0])
        second = first
    cells = sound[:-1] & sound[1:] & (shared_stretch(second.on_seam_mm, second.outer_mm) <= STRETCH_MOST)
    runs = _true_runs(cells, rulings.closed)
    found = []
    for start, end in runs:
        run = rulings.part(start, end) if rulings.closed else first.part(start, end)
        if run.along_mm[-1] - run.along_mm[0] >= shortest_mm:
            found.append(run)
    return found


def flat_parts(run: Rulings) -> list[Rulings]:
    """A stretch of sheet cut up into boards, laid in their planes, and strips: the longest boards there can be, beside
    strips that are long enough; of a stretch too short for a strip no more than a board is kept."""
    first, last = _longest_flat(run)
    end = len(run.along_mm) - 1
    step = float(run.along_mm[-1] - run.along_mm[0]) / end
    strip, board = (int(np.ceil(shortest / step)) for shortest in (_STRIP_SHORTEST_MM, BOARD_SHORTEST_MM))
    if end < strip:
        return [_laid_in_plane(_cut(run, first, last))] if last - first >= board else []
    first = max(first, strip) if first > 0 else first
    last = min(last, end - strip) if last < end else last
    if last - first < board:
        return [run]
    before = flat_parts(_cut(run, 0, first)) if first > 0 else []
    after = flat_parts(_cut(run, last, end)) if last < end else []
    return [*before, _laid_in_plane(_cut(run, first, last)), *after]


def _cut(run: Rulings, first: int, last: int) -> Rulings:
    """Rulings first to last of a stretch, numbered on along its whole line."""
    return replace(run.part(first, last), first=run.first + first)


def _longest_flat(run: Rulings) -> tuple[int, int]:
    """First and last ruling of the longest stretch that lies in a plane to `_FLAT_MM`."""
    best, last = (0, 0), 1
    for first in range(len(run.along_mm) - 1):
        last = max(last, first + 1)
        while last < len(run.along_mm) and _off_plane_mm(run, first, last) <= _FLAT_MM:
            last += 1
        if last - 1 - first > best[1] - best[0]:
            best = (first, last - 1)
    return best


def _plane_heights(run: Rulings, first: int, last: int) -> tuple[np.ndarray, np.ndarray, float]:
    """Both ends of rulings first to last ((2 k, 3)), heights of the plane that fits them best, and its lean as rise
    over run."""
    ends = np.concatenate([run.on_seam_mm[first : last + 1], run.outer_mm[first : last + 1]])
    xy = ends[:, :2] - ends[:, :2].mean(axis=0)
    level = float(ends[:, 2].mean())
    lean = np.linalg.lstsq(xy, ends[:, 2] - level, rcond=None)[0]
    return ends, level + xy @ lean, float(np.hypot(*lean))


def _off_plane_mm(run: Rulings, first: int, last: int) -> float:
    ends, height, lean = _plane_heights(run, first, last)
    return float(np.abs(ends[:, 2] - height).max() / np.hypot(1.0, lean))


def _laid_in_plane(run: Rulings) -> Rulings:
    ends, height, _ = _plane_heights(run, 0, len(run.along_mm) - 1)
    laid = np.column_stack([ends[:, :2], height])
    return replace(run, on_seam_mm=laid[: len(laid) // 2], outer_mm=laid[len(laid) // 2 :], flat=True)


def _true_runs(cells: np.ndarray, closed: bool) -> list[tuple[int, int]]:
    """First and last ruling of every stretch of good cells; on a closed line one may go past its end."""
    count = len(cells)
    if cells.all():
        return [(0, count)]
    if closed:
        # begin where one is bad, so that no run is cut at the line's start
        shift = int(np.flatnonzero(~cells)[0]) + 1
        cells = np.roll(cells, -shift)
    else:
        shift = 0
    edge = np.flatnonzero(np.diff(np.concatenate([[0], cells.astype(np.int8), [0]])))
    return [(int(a) + shift, int(b) + shift) for a, b in zip(edge[::2], edge[1::2], strict=True)]


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
    """(k - 1,) greatest relative difference in a cell of a ruled strip between a length on it and the same laid flat.

    Of its other diagonal, and of the line halfway between its edges, whose lengths twist changes. Zero for a strip
    that can be unrolled; what is left is twist, which the sheet must give when it is bent.
    """
    a, b, c, d = inner[:-1], outer[:-1], outer[1:], inner[1:]
    shared = c - a
    length = np.maximum(np.linalg.norm(shared, axis=1), 1e-9)
    axis = shared / length[:, None]
    along_b, along_d = ((p * axis).sum(axis=1) for p in (b - a, d - a))
    up_b = np.linalg.norm((b - a) - along_b[:, None] * axis, axis=1)
    up_d = np.linalg.norm((d - a) - along_d[:, None] * axis, axis=1)
    laid = np.hypot(along_b - along_d, up_b + up_d)  # b and d lie to either side of the shared diagonal
    other = np.maximum(np.linalg.norm(d - b, axis=1), 1e-9)
    # laid flat: a at 0, c along x, b below and d above
    middle = np.hypot((length + along_d - along_b) / 2, (up_d + up_b) / 2)
    bent = np.maximum(np.linalg.norm((c + d - a - b) / 2, axis=1), 1e-9)
    return np.maximum(np.abs(laid - other) / other, np.abs(middle - bent) / bent)


def shared_stretch(inner: np.ndarray, outer: np.ndarray) -> np.ndarray:
    """(k - 1,) `cell_stretch` as a sheet shares it out over 40 mm of its length: a kink of one cell bends no sheet."""
    stretch = cell_stretch(inner, outer)
    return ndimage.uniform_filter1d(stretch, _SHARED_OVER, mode="nearest") if len(stretch) else stretch


def _third(p: np.ndarray, q: np.ndarray, from_p: float, from_q: float) -> np.ndarray:
    """The corner at the given distances from p and q, to the left of the way from p to q."""
    base = float(np.hypot(q[0] - p[0], q[1] - p[1]))
    if base < 1e-12:
        return p + np.array([from_p, 0.0])
    along = (base * base + from_p * from_p - from_q * from_q) / (2.0 * base)
    up = float(np.sqrt(max(from_p * from_p - along * along, 0.0)))
    u = (q - p) / base
    return p + along * u + up * np.array([-u[1], u[0]])


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
    reach = max(round(0.5 * width_mm / STEP_MM), 1)
    weight = 1.0 - np.abs(np.arange(-reach, reach + 1)) / (reach + 1.0)
    padded = np.pad(out, ((reach, reach), (0, 0)), mode="wrap" if closed else "edge")
    even = np.stack([np.convolve(padded[:, k], weight, mode="valid") for k in range(2)], axis=1)
    length = np.linalg.norm(even, axis=1, keepdims=True)
    return even / np.maximum(length, 1e-12)


def _laid_to_board(
    out: np.ndarray, along_mm: np.ndarray, width_mm: float, at_foot: tuple[bool, bool] = (True, True)
) -> np.ndarray:
    """The ways out turned level towards the ends of the line that stand at the foot; u is level in every pull frame."""
    first, last = (0.0 if foot else np.inf for foot in at_foot)
    far = np.minimum(along_mm + first, along_mm[-1] - along_mm + last)
    share = np.clip(1.0 - far / (1.2 * width_mm), 0.0, 1.0)[:, None]
    half = len(out) // 2
    ends = np.zeros_like(out)
    ends[:half, 0] = np.sign(out[:_AT_FOOT, 0].sum())
    ends[half:, 0] = np.sign(out[-_AT_FOOT:, 0].sum())
    turned = (1.0 - share) * out + share * ends
    length = np.linalg.norm(turned, axis=1, keepdims=True)
    return np.where(length > 0.2, turned / np.maximum(length, 1e-9), out)


def _room(start: np.ndarray, out: np.ndarray, inside: shapely.Geometry, width_mm: float) -> np.ndarray:
    """(k,) length each ruling may have: the width, or half the way to the next part inside the seam; no further than
    where that is much nearer beside it than its own foot, so that rulings from two sides of a gap do not cross."""
    skip = 0.05 * width_mm
    ray = shapely.linestrings(np.stack([start + skip * out, start + 2.0 * width_mm * out], axis=1))
    met = shapely.intersection(ray, inside)
    gap = np.where(shapely.is_empty(met), np.inf, shapely.distance(shapely.points(start), met))
    room = np.minimum(width_mm, gap / 2)
    steps = np.arange(_BESIDE_FROM, 1.0 + 1e-9, 0.05) * width_mm
    at = start[:, None] + steps[:, None] * out[:, None]
    crowded = shapely.distance(shapely.points(at), inside) < _BESIDE_SHARE * steps
    first = np.where(crowded.any(axis=1), steps[crowded.argmax(axis=1)], np.inf)
    return np.clip(np.minimum(room, first), _LEAST_WIDTH * width_mm, width_mm)


def _fair_edge(start: np.ndarray, out: np.ndarray, wide: np.ndarray, closed: bool) -> np.ndarray:
    """(k,) how much of its width each ruling has, so that their ends lie on a line smoothed over `_FAIR_MM`."""
    ends = start + wide[:, None] * out
    mode = "wrap" if closed else "nearest"
    smooth = ndimage.gaussian_filter1d(ends, _FAIR_MM / STEP_MM, axis=0, mode=mode)
    if not closed:  # what a line loses at its ends is no bump
        far = np.minimum(np.arange(len(ends)), np.arange(len(ends))[::-1]) * STEP_MM / (2.0 * _FAIR_MM)
        smooth = ends + np.clip(far, 0.0, 1.0)[:, None] * (smooth - ends)
    share = np.einsum("ij,ij->i", smooth - start, out) / np.maximum(wide, 1e-9)
    return np.clip(share, _FAIR_LEAST, _FAIR_MOST)


def _evened(reach: np.ndarray, along_mm: np.ndarray, closed: bool) -> np.ndarray:
    """Reaches that change along the line by no more than `_REACH_TURN` of the way: shortened where they jump."""
    along, kept = along_mm, reach
    if closed:
        whole = float(along_mm[-1]) + STEP_MM
        along, kept = np.concatenate([along_mm + k * whole for k in (-1, 0, 1)]), np.tile(reach, 3)
    up = np.minimum.accumulate(kept - _REACH_TURN * along) + _REACH_TURN * along
    down = np.minimum.accumulate((kept + _REACH_TURN * along)[::-1])[::-1] - _REACH_TURN * along
    found = np.minimum(up, down)
    return found[len(reach) : 2 * len(reach)] if closed else found
