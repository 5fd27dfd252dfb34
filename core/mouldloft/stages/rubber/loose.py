"""Loose pieces: rigid inserts between glove and jacket where a fill is deep or heavy.

A jacket that lifts off along its pull asks for rubber under everything that stands over it. Where much of that rubber
has a way out of its own, across the jacket's, a rigid piece takes its place: it comes off after the jacket, along its
own pull. Its floor is a height map along that pull over all that stays (the master with its skin of rubber, the rubber
on wall and board, the other half with its jacket), so its way out is clear by construction; its outside is the
envelope's, so the jacket over it is the one it would be without.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import chain, product

import numpy as np
from scipy import ndimage

from ...base.progress import SILENT, Progress
from ...base.threads import in_threads
from ...geometry.depthmap import EMPTY_TOP, Grid, grid_around, limit_slope, raise_by_balls
from ...geometry.frame import PullFrame, as_point, pull_frame
from ...geometry.heightmap import sample_map
from ...geometry.sampling import covering_points
from ...inputs.brief import RubberBrief
from ...trade.answers import DEEP_FILL_MM, HEAVY_FILL_MM3, WORTH_MORE
from ...trade.section import JointSection
from ...trade.thickness import ThicknessRule
from ..master import Master, skin_faces
from .fills import FillCells, fill_cells
from .record import Envelope, LoosePiece, RubberParts
from .thickness import wanted_thickness_mm

LEAST_LOOSE_MM3 = 2.5e5  # nobody lays up, bolts home and lifts out a smaller one (invented)
HOLD_APART = 0.5  # of its length against the jacket: how far apart two bolts hold a loose piece (common practice)
MOST_EACH, MOST_TRIED = 4, 6  # of each half
_LEAST_THICK_MM = 25.0  # laminate on both sides and room to lay it up (common practice)
_OFF_PULL_DEG = 30.0  # nearer to the jacket's own pull it would be part of the jacket
_TURN_DEG = 30.0
_RISES_DEG = (0.0, 30.0, 60.0, 90.0, -30.0, -60.0, -90.0)
_COARSE_MM, _FINE_MM = 9.0, 3.0  # of the lattices; coarser in proportion past two metres
_LESS_DEEP_MM = 12.0  # by which a piece has to make the fill less deep: two cells of the lattice that tells (invented)
_JACKET_CLEAR_MM = 12.0  # flange laminate and a finger's breadth of play, over the other half


@dataclass(frozen=True, eq=False)
class _Standing:
    """What stays in the way of a loose piece of one half: points and the reach of each (plan coordinates, mm)."""

    points_mm: np.ndarray
    reach_mm: np.ndarray


@dataclass(frozen=True, eq=False)
class _Looked:
    """A half's cells seen along one pull. at : (cells,) int32, their pixels, counted row by row; clear : (cells,) bool,
    nothing stands in their way. There are as many of these as pulls, so they are kept small."""

    frame: PullFrame
    grid: Grid
    at: np.ndarray
    clear: np.ndarray


@dataclass(frozen=True, eq=False)
class _Freed:
    """The largest part that comes out along a pull. mask : of the pull's grid; taken : (cells,) bool."""

    looked: _Looked
    mask: np.ndarray
    taken: np.ndarray

    @property
    def count(self) -> int:
        return int(self.taken.sum())


def find_loose_pieces(
    master: Master,
    envelopes: Sequence[Envelope],
    parts: Sequence[RubberParts],
    rule: ThicknessRule,
    section: JointSection,
    brief: RubberBrief,
    progress: Progress = SILENT,
) -> tuple[LoosePiece, ...]:
    """The loose pieces of a mould in two, in the order they come off; none where no fill is deep or heavy enough.

    Of each half the pull that frees most is taken, and again over what is left. envelopes, parts : of both halves.
    Level and rising pulls where the master stands on a board.
    """
    if brief.loose_pieces == "none" or len(envelopes) != 2:
        return ()
    halves = [
        (envelope, other)
        for envelope, other, part in zip(envelopes, reversed(envelopes), parts)
        if part.lock_fill_mm3 >= LEAST_LOOSE_MM3
    ]
    found = in_threads(
        lambda half: _of_one_half(master, *half, rule, section, brief), halves, progress, note="loose pieces"
    )
    return _named([*chain(*found)])


def _of_one_half(
    master: Master,
    envelope: Envelope,
    other: Envelope,
    rule: ThicknessRule,
    section: JointSection,
    brief: RubberBrief,
) -> list[LoosePiece]:
    scale = max(1.0, max(master.size_mm) / 2000.0)
    coarse, fine = _COARSE_MM * scale, _FINE_MM * scale
    standing = _what_stands(master, envelope, other, rule, section, brief, coarse)
    cells = _cells_of(envelope, coarse)
    if not len(cells):
        return []
    draft = brief.draft_deg
    tried = [_looked(standing, pull_frame(pull), cells, coarse, draft) for pull in _pulls(master, envelope.frame.pull)]
    made: list[LoosePiece] = []
    exact: _Standing | None = None
    left = np.ones(len(cells), bool)
    fill = fill_cells(master, envelope, rule.skin_mm)
    still = fill.there.copy()
    for _ in range(MOST_TRIED):
        if len(made) >= MOST_EACH or not _deep_or_heavy(fill, still):
            break
        best = _best([_freed(one, left, coarse) for one in tried])
        around = _beside(master, envelope.frame.pull, best.looked.frame.pull)
        nearer = [_looked(standing, pull_frame(pull), cells, coarse, draft) for pull in around]
        best = _best([best, *(_freed(one, left, coarse) for one in nearer)])
        if best.count * coarse**3 < LEAST_LOOSE_MM3:
            break
        left &= ~best.taken  # what it leaves under its drafted floor is rubber
        exact = exact or _what_stands(master, envelope, other, rule, section, brief, fine)
        for piece in _made(envelope, exact, best, cells[best.taken], fine, brief.draft_deg, made):
            taken = fill.taken_by([piece]) & still
            deep, less = _depths_mm(fill, still, taken)
            if piece.volume_mm3 >= LEAST_LOOSE_MM3 and _pays(piece.volume_mm3, deep, less):
                made.append(replace(piece, deep_mm=deep))
                still &= ~taken
    return made


def _best(freed: Sequence[_Freed]) -> _Freed:
    return max(freed, key=lambda one: one.count)  # of equals the first


def _pulls(master: Master, own: np.ndarray) -> np.ndarray:
    """(n, 3) pulls to try, none near the jacket's own; with an open base none downwards."""
    across, ahead = np.array([-own[1], own[0], 0.0]), np.array([own[0], own[1], 0.0])
    if np.linalg.norm(ahead) < 0.3:  # a pull near the vertical: any level axes will do
        across, ahead = np.array([1.0, 0.0, 0.0]), np.array([0.0, 1.0, 0.0])
    across, ahead = across / np.linalg.norm(across), ahead / np.linalg.norm(ahead)
    out = []
    for rise in np.radians(_RISES_DEG):
        count = max(round(360.0 / _TURN_DEG * np.cos(rise)), 1)
        turn = 2.0 * np.pi * np.arange(count) / count
        level = np.cos(turn)[:, None] * across + np.sin(turn)[:, None] * ahead
        out.append(np.cos(rise) * level + np.sin(rise) * np.array([0.0, 0.0, 1.0]))
    return _allowed(master, own, np.concatenate(out))


def _beside(master: Master, own: np.ndarray, pull: np.ndarray) -> np.ndarray:
    """(n, 3) pulls in a ring about one."""
    frame, turn = pull_frame(pull), np.pi / 4 * np.arange(8)
    tilt = np.tan(np.radians(_TURN_DEG / 3.0))
    ring = pull + tilt * (np.cos(turn)[:, None] * frame.axes[0] + np.sin(turn)[:, None] * frame.axes[1])
    return _allowed(master, own, ring / np.linalg.norm(ring, axis=1, keepdims=True))


def _allowed(master: Master, own: np.ndarray, pulls: np.ndarray) -> np.ndarray:
    kept = pulls @ own < np.cos(np.radians(_OFF_PULL_DEG))
    if master.base == "open":
        kept &= pulls[:, 2] > -1e-9
    return pulls[kept]


def _what_stands(
    master: Master,
    envelope: Envelope,
    other: Envelope,
    rule: ThicknessRule,
    section: JointSection,
    brief: RubberBrief,
    spacing_mm: float,
) -> _Standing:
    """Everything that is not this half's jacket, as balls: skin with its rubber, rubber on wall and board, the other
    half in its jacket."""
    frame, grid = envelope.frame, envelope.grid
    skin = covering_points(master.vertices_mm, master.faces[skin_faces(master)], spacing_mm)
    at = frame.to_frame(skin)
    above = np.maximum(at[:, 2] - sample_map(envelope.parting_mm, grid, at[:, 0], at[:, 1]), 0.0)
    thick = wanted_thickness_mm(at, above, rule, frame, brief.handling_points_mm, brief)
    lie = section.rubber_flange_thickness_mm
    on_wall = _points_of(envelope, envelope.parting_mm, np.isfinite(envelope.outer_mm), spacing_mm)
    beyond = _points_of(other, other.outer_mm, np.isfinite(other.outer_mm), spacing_mm)
    rim = _points_of(other, other.parting_mm, other.past_rubber, spacing_mm)
    parts = [(skin, thick), (on_wall, lie), (beyond, _JACKET_CLEAR_MM), (rim, _JACKET_CLEAR_MM)]
    if master.base == "open":
        far = 10.0 * max(master.size_mm)
        across = _cells_of(envelope, spacing_mm, _corners_of((-far, far), (-far, far), (-far, 2.0 * spacing_mm)))
        board = across[across[:, 2] < 2.0 * spacing_mm] * (1.0, 1.0, 0.0)
        parts.append((board, lie))
    # a point off the middle of its cell is missed by so much
    slack = 0.4 * spacing_mm
    reach = [np.broadcast_to(np.asarray(r, float), len(p)) + slack for p, r in parts]
    return _Standing(np.concatenate([p for p, _ in parts]), np.concatenate(reach))


def _points_of(envelope: Envelope, height_mm: np.ndarray, where: np.ndarray, spacing_mm: float) -> np.ndarray:
    """(k, 3) plan points over the marked pixels of a map, about a spacing apart across it and down its steps."""
    step = max(int(spacing_mm / envelope.pixel_mm), 1)
    height, where = height_mm[::step, ::step], where[::step, ::step] & np.isfinite(height_mm[::step, ::step])
    i, j = np.nonzero(where)
    x, y = (o + step * envelope.pixel_mm * n for o, n in zip(envelope.origin_mm, (j, i)))
    top = height[i, j].astype(float)
    # down the steepest step beside each, so that walls are as closely set as the flats
    low = ndimage.minimum_filter(np.where(where, height, np.inf), 3)[i, j]
    count = np.clip(np.ceil((top - low) / spacing_mm).astype(int), 1, 4000)
    which = np.repeat(np.arange(len(i)), count)
    drop = (np.arange(len(which)) - np.repeat(np.cumsum(count) - count, count)) * spacing_mm
    return envelope.frame.to_master(np.column_stack([x[which], y[which], top[which] - drop]))


def _cells_of(envelope: Envelope, cell_mm: float, corners_mm: np.ndarray | None = None) -> np.ndarray:
    """(k, 3) plan points, middles of cells about so large, all through a half's columns above the board.

    corners_mm : (n, 3) plan points; cells out of the box round them, along the half's own axes, are left out for the
    most part: a whole half in fine cells is too much to hold.
    """
    step = _pixels_a_cell(envelope, cell_mm)
    low, top = envelope.parting_mm[::step, ::step].astype(float), envelope.outer_mm[::step, ::step].astype(float)
    taken = np.isfinite(top) & ~envelope.open_base[::step, ::step] & ~envelope.flange[::step, ::step]
    x, y = (o + step * envelope.pixel_mm * np.arange(n) for o, n in zip(envelope.origin_mm, taken.shape[::-1]))
    least, most = np.full(3, -np.inf), np.full(3, np.inf)
    if corners_mm is not None:
        box = envelope.frame.to_frame(corners_mm)
        least, most = box.min(axis=0), box.max(axis=0)
        taken &= ((y >= least[1]) & (y <= most[1]))[:, None] & ((x >= least[0]) & (x <= most[0]))
    i, j = np.nonzero(taken)
    count = np.maximum(np.rint((top - low)[i, j] / cell_mm).astype(int), 0)
    i, j, count = i[count > 0], j[count > 0], count[count > 0]
    start, deep = low[i, j], (top - low)[i, j] / count
    first = np.clip(np.floor((least[2] - start) / deep) - 1, 0, count).astype(int)
    last = np.clip(np.ceil((most[2] - start) / deep) + 1, first, count).astype(int)
    which = np.repeat(np.arange(len(i)), last - first)
    number = np.arange(len(which)) - np.repeat(np.cumsum(last - first) - last, last - first)
    z = start[which] + (number + 0.5) * deep[which]
    return envelope.frame.to_master(np.column_stack([x[j][which], y[i][which], z]))


def _corners_of(x_mm: Iterable[float], y_mm: Iterable[float], z_mm: Iterable[float]) -> np.ndarray:
    """(8, 3) corners of a box from its two ends along each axis."""
    return np.array([*product(x_mm, y_mm, z_mm)], float)


def _round_about(piece: LoosePiece, low_mm: float) -> np.ndarray:
    """(8, 3) plan points, corners of a box that has in it all that a piece takes, from so low along its pull."""
    i, j = np.nonzero(np.isfinite(piece.floor_mm))
    if not len(i):
        return np.zeros((8, 3))
    x, y = piece.grid.x()[[j.min(), j.max()]], piece.grid.y()[[i.min(), i.max()]]
    beyond = piece.pixel_mm * np.array([-1.0, 1.0])
    return piece.frame.to_master(_corners_of(x + beyond, y + beyond, (low_mm, piece.top_mm)))


def _pixels_a_cell(envelope: Envelope, cell_mm: float) -> int:
    return max(round(cell_mm / envelope.pixel_mm), 1)


def _cell_mm3(envelope: Envelope, cell_mm: float) -> float:
    """What one of `_cells_of` stands for: a column's cells are fitted to its height, so a little more or less than a
    cube."""
    return cell_mm * (_pixels_a_cell(envelope, cell_mm) * envelope.pixel_mm) ** 2


def _floor(standing: _Standing, frame: PullFrame, cells: np.ndarray, pixel_mm: float) -> tuple[Grid, np.ndarray]:
    """Top, along a pull, of all that stands, on a grid over the cells."""
    grid = grid_around(frame.to_frame(cells), pixel_mm, 2.0 * pixel_mm)
    height = np.full((grid.rows, grid.columns), EMPTY_TOP, np.float32)
    raise_by_balls(height, frame.to_frame(standing.points_mm), standing.reach_mm, grid)
    return grid, height


def _looked(standing: _Standing, frame: PullFrame, cells: np.ndarray, cell_mm: float, draft_deg: float) -> _Looked:
    """What a pull frees, with draft: over a long way out it takes more than it is worth."""
    grid, floor = _floor(standing, frame, cells, cell_mm)
    floor = limit_slope(floor, draft_deg, cell_mm)
    at = frame.to_frame(cells)
    i, j = grid.nearest(at[:, 0], at[:, 1])
    pixels = (i * grid.columns + j).astype(np.int32)
    return _Looked(frame, grid, pixels, at[:, 2] > floor[i, j] + 0.5 * cell_mm)


def _freed(seen: _Looked, left: np.ndarray, cell_mm: float) -> _Freed:
    """The largest connected part of the cells left that comes out along a pull, thick enough to be laid up."""
    clear = seen.clear & left
    shape = (seen.grid.rows, seen.grid.columns)
    column = np.bincount(seen.at[clear], minlength=shape[0] * shape[1]).reshape(shape).astype(float)
    # cells of one frame fall unevenly into the pixels of another
    column = ndimage.uniform_filter(column, 3) * cell_mm
    part, count = ndimage.label(ndimage.binary_opening(column >= _LEAST_THICK_MM, np.ones((3, 3), bool)))
    held = part.reshape(-1)[seen.at] * clear
    size = np.bincount(held, minlength=count + 1)
    size[0] = 0
    most = int(np.argmax(size))
    mask = (part == most) & (most > 0)
    return _Freed(seen, mask, (held == most) & (most > 0))


def _made(
    envelope: Envelope,
    standing: _Standing,
    freed: _Freed,
    own: np.ndarray,
    pixel_mm: float,
    draft_deg: float,
    off: Sequence[LoosePiece],
) -> list[LoosePiece]:
    """The piece on a finer lattice: its floor with draft, its volume, its outside and how it lies; as many pieces as
    its finer shape falls into. own : (k, 3) its cells; off : pieces that are off before it, and take what they hold."""
    frame, coarse = freed.looked.frame, freed.looked.grid
    grid, floor = _floor(standing, frame, own, pixel_mm)
    x, y = np.meshgrid(grid.x(), grid.y())
    # its rim as a fair line, not in the coarse lattice's teeth
    spread = ndimage.gaussian_filter(freed.mask.astype(float), 1.0)
    at = [(y - coarse.y0_mm) / coarse.pixel_mm, (x - coarse.x0_mm) / coarse.pixel_mm]
    mask = ndimage.map_coordinates(spread, at, order=1, mode="nearest") > 0.5
    heights = frame.to_frame(own)[:, 2]
    low, top = float(heights.min()) - coarse.pixel_mm, float(heights.max()) + 2.0 * coarse.pixel_mm
    floor = limit_slope(np.where(mask, np.maximum(floor, low), top).astype(np.float32), draft_deg, pixel_mm)
    floor = np.where(mask & (floor < top), floor, np.nan).astype(np.float32)
    nowhere = (0.0, 0.0, 0.0)
    origin = (grid.x0_mm, grid.y0_mm)
    piece = LoosePiece("", envelope.piece, frame, origin, pixel_mm, floor, top, 0.0, 0.0, 0.0, nowhere, nowhere)
    cells = _cells_of(envelope, pixel_mm, _round_about(piece, low))
    cells = cells[_holds_alone(piece, off, cells)]
    made: list[LoosePiece] = []
    lumps = _lumps(piece, envelope, cells)
    for lump in lumps:
        alone = piece if len(lumps) == 1 else _of_one_body(piece, lump, draft_deg)
        made.append(_measured(alone, envelope, lump, [*off, *made]))
    return made


def _lumps(piece: LoosePiece, envelope: Envelope, cells: np.ndarray) -> list[np.ndarray]:
    """The cells (k, 3) of each body that hangs together and is worth a piece, who stands furthest along the pull first:
    one that lies over another's way out comes off before it. Crumbs are rubber."""
    if not len(cells):
        return []
    at = piece.frame.to_frame(cells)
    place = np.floor((at - at.min(axis=0)) / piece.pixel_mm).astype(int) + 1
    there = np.zeros(place.max(axis=0) + 2, bool)
    there[tuple(place.T)] = True
    # cells of one frame fall unevenly into the lattice of another
    body = ndimage.label(ndimage.binary_closing(there, np.ones((3, 3, 3), bool)))[0][tuple(place.T)]
    size = np.bincount(body) * _cell_mm3(envelope, piece.pixel_mm)
    kept = [n for n in np.flatnonzero(size >= LEAST_LOOSE_MM3) if n]
    return [cells[body == n] for n in sorted(kept, key=lambda n: -float(at[body == n, 2].mean()))]


def _of_one_body(piece: LoosePiece, lump: np.ndarray, draft_deg: float) -> LoosePiece:
    """The piece over one of its bodies alone: its floor raised to it where another lies below, its top its own."""
    at = piece.frame.to_frame(lump)
    i, j = piece.grid.nearest(at[:, 0], at[:, 1])
    lowest = np.full(piece.floor_mm.shape, np.inf)
    np.minimum.at(lowest, (i, j), at[:, 2] - piece.pixel_mm)
    lowest = ndimage.minimum_filter(lowest, 3)
    top = min(piece.top_mm, float(at[:, 2].max()) + 2.0 * piece.pixel_mm)
    floor = np.where(np.isfinite(lowest), np.maximum(piece.floor_mm, lowest), top)
    floor = limit_slope(np.nan_to_num(floor, nan=top).astype(np.float32), draft_deg, piece.pixel_mm)
    return replace(piece, floor_mm=np.where(floor < top, floor, np.nan).astype(np.float32), top_mm=top)


def _measured(piece: LoosePiece, envelope: Envelope, own: np.ndarray, off: Sequence[LoosePiece]) -> LoosePiece:
    """The piece with its volume, its outside and its size, by the fine cells own (k, 3) of the half that it takes."""
    cell = piece.pixel_mm
    own = own[_holds_alone(piece, off, own)]
    if not len(own):
        return piece
    volume = float(len(own)) * _cell_mm3(envelope, cell)
    floor = piece.floor_mm
    lean = np.hypot(*np.gradient(floor, cell))
    under = np.zeros(floor.shape, bool)
    at = piece.frame.to_frame(own)
    i, j = piece.grid.nearest(at[:, 0], at[:, 1])
    under[i, j] = True
    under = ndimage.binary_closing(under) & np.isfinite(floor)
    floor_mm2 = float(np.nan_to_num(np.hypot(1.0, np.minimum(lean, 20.0)), nan=1.0)[under].sum()) * cell**2
    outside = _points_of(envelope, envelope.outer_mm, np.isfinite(envelope.outer_mm), cell)
    outside = outside[_holds_alone(piece, off, outside - 0.5 * cell * envelope.frame.pull)]
    jacket_mm2 = float(len(outside)) * cell**2
    size = np.ptp(at, axis=0) + cell
    return replace(
        piece, volume_mm3=volume, area_mm2=floor_mm2 + jacket_mm2, on_jacket_mm2=jacket_mm2,
        size_mm=as_point(size), centre_mm=as_point(own.mean(axis=0)),
        held_at_mm=_held_at(outside),
    )  # fmt: skip


def _holds_alone(piece: LoosePiece, off: Sequence[LoosePiece], points_mm: np.ndarray) -> np.ndarray:
    """(k,) bool: which points a piece takes that those off before it leave."""
    held = piece.holds(points_mm)
    for one in off:
        held &= ~one.holds(points_mm)
    return held


def _deep_or_heavy(fill: FillCells, left: np.ndarray) -> bool:
    """Is what is left of a glove's fill still too deep or too heavy?"""
    return float(left.sum()) * fill.cell_mm**3 > HEAVY_FILL_MM3 or fill.deep_mm(left) > DEEP_FILL_MM


def _depths_mm(fill: FillCells, left: np.ndarray, taken: np.ndarray) -> tuple[float, float]:
    """How deep the fill is over the columns that a piece takes from, before and after."""
    columns = np.asarray(taken.any(axis=2))
    return fill.deep_mm(left, columns), fill.deep_mm(left & ~taken, columns)


def _pays(volume_mm3: float, deep_mm: float, less_mm: float) -> bool:
    """Does a piece take enough, or out of a depth that is too great? One that is little too deep is left as rubber: a
    loose piece is laid up, and put home for every cast."""
    return volume_mm3 > HEAVY_FILL_MM3 or (deep_mm > WORTH_MORE * DEEP_FILL_MM and less_mm < deep_mm - _LESS_DEEP_MM)


def _held_at(outside: np.ndarray) -> tuple[tuple[float, float, float], ...]:
    """Two places against the jacket, as far apart as half of its length there, about its middle."""
    if not len(outside):
        return ()
    middle = outside.mean(axis=0)
    along = np.linalg.svd(outside[:: max(len(outside) // 4000, 1)] - middle, full_matrices=False)[2][0]
    along = along if along[int(np.argmax(np.abs(along)))] > 0 else -along
    reach = np.ptp(np.quantile((outside - middle) @ along, [0.05, 0.95]))
    wanted = middle + np.outer([-0.5, 0.5], along) * HOLD_APART * reach
    nearest = [outside[np.argmin(np.linalg.norm(outside - spot, axis=1).round(6))] for spot in wanted]
    return tuple(as_point(spot) for spot in nearest)


def loose_mm3(loose: Sequence[LoosePiece], piece: int) -> float:
    """What the loose pieces of one half take the place of."""
    return float(sum(one.volume_mm3 for one in loose if one.piece == piece))


def _named(found: Sequence[LoosePiece]) -> tuple[LoosePiece, ...]:
    """Numbered in the order in which they come off: of each half the first made first."""
    return tuple(replace(piece, name=f"loose piece {k}") for k, piece in enumerate(found, 1))
