"""The parting surface: one sheet from the seam outward that wall, rubber, joint, jacket and solids all take.

A plane seam's is the plane, with a root that rises from it towards square to the skin wherever the plane itself would
meet the skin too flat. Any other's is a fair sheet through the seam: near the skin it turns towards square to it,
further out it leans as little against the pull as it can. Either is one height map along the pull, so that both pieces
come off it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely
from scipy import ndimage
from scipy.spatial import cKDTree

from ...base.kept import kept_with_owner
from ...geometry.depthmap import Grid, grid_around
from ...geometry.fairsheet import Asked, fair_sheet, near_line
from ...geometry.frame import PullFrame, pull_frame
from ...geometry.heightmap import sample_map
from ...geometry.membrane import stretch_surface
from ...geometry.polyline import spaced_out
from ...geometry.rays import inside_body, ray_scene
from ...geometry.sampling import samples_on_every_face
from ..master import Master, skin_faces
from ..seam import Seam, skin_bounds
from .rulings import (
    BOARD_SHORTEST_MM,
    LEAST_ANGLE_DEG,
    STEP_MM,
    Rulings,
    flat_parts,
    rule_line,
    section_area,
    stands_on_board,
    strip_runs,
)

_PIXELS = 350  # along the master's longest side
_REACH_PIXELS = 72  # over the reach, at most: a master smaller than a foot has its flanges on coarser ones
_REACH_SHARE, _REACH_LEAST_MM, _REACH_MOST_MM = 1 / 9, 60.0, 200.0  # of the longest side: past any flange's width
ROOT_SHARE, ROOT_MOST_MM = 1 / 20, 30.0  # of the longest side: how far the wall is turned square (common practice)
_RULED_SHARE = 0.8  # of the reach: how far strips are ruled straight
_STIFF_ROOTS = 1.3  # in roots: over this a bend of the sheet levels out
_AT_ROOT = (0.15, 0.5, 0.85)  # of the root, where it is asked to be square
_SQUARE_SHARE = 0.5  # of the skin's lean that the root turns with: halfway between square and no lean
_OFF_SQUARE_DEG = 20.0  # and never further from square than this ...
_STEEPEST_ROOT_DEG = 60.0  # ... unless the root would lean more than this
# of a plane's clay root: its rise over the first third, past the tenth it is measured from, by its slope at the seam
_MET = 0.564
_SPARE_DEG = 1.0  # steeper than asked, for the lattice's sake
_STEEPEST_CLAY = float(np.tan(np.radians(60.0)))
_NEIGHBOURS = 64  # lumps of skin that a normal is taken from
_CARRIED_ON = 3  # pixels into the body that the sheet goes on, so that it does not end at the seam itself


Over = Callable[[np.ndarray, np.ndarray], np.ndarray]  # heights over x, y


@dataclass(frozen=True, eq=False)
class PartingSurface:
    """Heights along the pull of the first piece, in whose frame the grid lies.

    height_mm : (rows, columns) float64, everywhere; fair : (rows, columns) bool, where it is the fair sheet, as far as
    `reach_mm` from the seam: further out it only levels off; all of a plane is. off_seam_mm : greatest distance of the
    seam from it.
    rulings : straight lines across the wall from every line of the seam; strips : those stretches of them where a sheet
    is bent to them, or a board lies: the surface is fitted to these. Neither of a plane.
    """

    frame: PullFrame
    grid: Grid
    height_mm: np.ndarray
    fair: np.ndarray
    reach_mm: float
    off_seam_mm: float
    rulings: tuple[Rulings, ...] = ()
    strips: tuple[Rulings, ...] = ()

    @property
    def bent(self) -> bool:
        """Is it anything but a plane across the pull?"""
        return bool(self.height_mm.max() > self.height_mm.min())

    def over(self, x_mm: np.ndarray, y_mm: np.ndarray) -> np.ndarray:
        """(k,) heights over points of its own frame."""
        return sample_map(self.height_mm, self.grid, x_mm, y_mm)

    def away_mm(self, points_mm: np.ndarray) -> np.ndarray:
        """(k,) distance of (k, 3) points of its own frame from it, square to it there."""
        lean = np.hypot(*np.gradient(self.height_mm, self.grid.pixel_mm))
        x, y = points_mm[:, 0], points_mm[:, 1]
        return np.abs(self.over(x, y) - points_mm[:, 2]) / np.hypot(1.0, sample_map(lean, self.grid, x, y))


def reach_of(master: Master) -> float:
    """How far from the seam the sheet is fair, mm: more than both flanges and a working margin take."""
    return float(np.clip(max(master.size_mm) * _REACH_SHARE, _REACH_LEAST_MM, _REACH_MOST_MM))


def root_of(master: Master) -> float:
    """How far from the skin the wall is turned towards square to it, mm."""
    return min(max(master.size_mm) * ROOT_SHARE, ROOT_MOST_MM)


@kept_with_owner(4)
def parting_surface(seam: Seam, master: Master) -> PartingSurface:
    """The surface two pieces part along. Kept: every stage asks for the same one.

    Where the wall can be a bent sheet the sheet is ruled first, and the surface fitted to it.
    """
    frame = pull_frame(np.asarray(seam.pieces[0].pull, float))
    # round a small master the flanges are wider than it is: no more pixels over them than need be
    reach = reach_of(master)
    pixel = max(max(master.size_mm) / _PIXELS, reach / _REACH_PIXELS)
    points = frame.to_frame(master.vertices_mm)
    grid = grid_around(points, pixel, reach + 4 * pixel)
    lines = [(line.points_mm, line.closed) for line in seam.lines]
    if seam.kind == "plane":
        return _plane(lines, master, frame, grid, seam)
    assert seam.level_mm is not None
    bounds = skin_bounds(master, seam.level_mm, frame, grid)
    sheet = _sheet(lines, master, frame, grid, bounds, reach)
    height = sheet.height()
    ruled = _ruled(seam, master, frame, lambda x, y: sample_map(height, grid, x, y), _RULED_SHARE * reach)
    strips = tuple(
        run
        for r in ruled
        for run in strip_runs(r, _normals_at(r, master, frame), _RULED_SHARE * reach, _above_board(r, master, frame))
    )
    if strips:
        height = sheet.through(strips).height()
    height = stretch_surface((), frame, grid, bounds, height)
    ruled = tuple(_laid_on(r, lambda x, y: sample_map(height, grid, x, y)) for r in ruled)
    made = PartingSurface(frame, grid, height, sheet.active, reach, 0.0, ruled, strips)
    on = frame.to_frame(np.concatenate([spaced_out(p, closed, pixel) for p, closed in lines]))
    return replace(made, off_seam_mm=float(made.away_mm(on).max()))


def _plane(
    lines: Sequence[tuple[np.ndarray, bool]], master: Master, frame: PullFrame, grid: Grid, seam: Seam
) -> PartingSurface:
    """The plane, with its roots."""
    height = np.full((grid.rows, grid.columns), float(seam.plane_offset_mm))
    whole = np.ones(height.shape, bool)
    made = PartingSurface(frame, grid, height, whole, np.inf, 0.0)
    if not lines or seam.level_mm is None:
        return made
    on = np.concatenate([spaced_out(points, closed, grid.pixel_mm) for points, closed in lines])
    rise = np.concatenate([_root_slopes(p, closed, master, frame, grid.pixel_mm) for p, closed in lines])
    if not rise.any():
        return made
    height += _roots(frame.to_frame(on)[:, :2], rise, section_area(master, seam), grid, root_of(master))
    made = replace(made, height_mm=height)
    return replace(made, off_seam_mm=float(made.away_mm(frame.to_frame(on)).max()))


def _root_slopes(points_mm: np.ndarray, closed: bool, master: Master, frame: PullFrame, step_mm: float) -> np.ndarray:
    """(k,) rise over run with which a plane's root leaves the seam at points a step apart: enough to meet the skin at
    `LEAST_ANGLE_DEG` over its first third, evened along the line; 0 where the plane itself does."""
    on, root = spaced_out(points_mm, closed, step_mm), root_of(master)
    lean = np.arcsin(np.clip(frame.to_frame(skin_normals(on, master, root / 2))[:, 2], -1.0, 1.0))
    more = np.maximum(np.abs(lean) - np.radians(90.0 - LEAST_ANGLE_DEG), 0.0)
    rise = np.sign(lean) * np.minimum(np.tan(more + np.radians(_SPARE_DEG) * (more > 0)) / _MET, _STEEPEST_CLAY)
    if not rise.any():
        return np.zeros(len(on))
    mode = "wrap" if closed else "nearest"
    size = 2 * int(np.ceil(root / 2 / step_mm)) + 1
    up, down = ndimage.maximum_filter1d(rise, size, mode=mode), ndimage.minimum_filter1d(rise, size, mode=mode)
    strongest = np.where(up > -down, up, down)
    return np.asarray(ndimage.gaussian_filter1d(strongest, root / 4 / step_mm, mode=mode))


def _roots(on_mm: np.ndarray, rise: np.ndarray, inside: shapely.Geometry, grid: Grid, root_mm: float) -> np.ndarray:
    """(rows, columns) how far roots stand off a plane: t (1 - t²/r²)² times the rise of the seam's nearest places, at t
    outside the seam, nothing past r; inside the body it goes on as straight for a few pixels, so that the seam stays
    on it. on_mm : (k, 2) places of the seam; rise : (k,) of each."""
    height = np.zeros((grid.rows, grid.columns))
    near = near_line(grid, on_mm, root_mm + grid.pixel_mm)
    i, j = np.nonzero(near)
    at = np.column_stack([grid.x()[j], grid.y()[i]])
    away, which = cKDTree(on_mm).query(at, k=min(_NEIGHBOURS, len(on_mm)))
    away, which = away.reshape(len(at), -1), which.reshape(len(at), -1)
    weight = np.exp((away[:, :1] - away) / (0.2 * root_mm))
    slope = (weight * rise[which]).sum(axis=1) / weight.sum(axis=1)
    t = _off_line(at, on_mm, away[:, 0], which[:, 0])
    out = ~shapely.contains_xy(inside, at[:, 0], at[:, 1])
    reach = np.where(out, root_mm, _CARRIED_ON * grid.pixel_mm)
    share = np.clip(t / reach, 0.0, 1.0)
    height[i, j] = np.where(out, 1.0, -1.0) * slope * t * (1.0 - share**2) ** 2
    return height


def _off_line(at: np.ndarray, on_mm: np.ndarray, away: np.ndarray, which: np.ndarray) -> np.ndarray:
    """(k,) distance of places from the line through the two points of it that are nearest, no more than from those."""
    before, after = on_mm[np.maximum(which - 1, 0)], on_mm[np.minimum(which + 1, len(on_mm) - 1)]
    way = after - before
    length = np.maximum(np.linalg.norm(way, axis=1), 1e-9)
    apart = at - on_mm[which]
    straight = np.abs(way[:, 0] * apart[:, 1] - way[:, 1] * apart[:, 0]) / length
    # across the gap between two lines the neighbours in order are none
    return np.where(length < 4.0 * np.median(length), np.minimum(straight, away), away)


def _ruled(seam: Seam, master: Master, frame: PullFrame, over: Over, width_mm: float) -> tuple[Rulings, ...]:
    inside, feet = section_area(master, seam), (stands_on_board(master, frame),) * 2
    return tuple(
        rule_line(frame.to_frame(line.points_mm), line.closed, k, inside, width_mm, over, feet)
        for k, line in enumerate(seam.lines)
    )


def _boards_and_strips(
    ruled: Sequence[Rulings], master: Master, frame: PullFrame, width_mm: float
) -> tuple[Rulings, ...]:
    """Stretches of the rulings where a board lies, and those that sheet bends to, in their order: judged over the
    width, and as long as the rulings themselves."""
    found = []
    for whole in ruled:
        short = replace(whole, outer_mm=replace(whole, fair=None).between(0.0, width_mm)[1])
        longer = np.linalg.norm(whole.outer_mm - whole.on_seam_mm, axis=1) / np.maximum(
            np.linalg.norm(short.outer_mm - whole.on_seam_mm, axis=1), 1e-9
        )
        normals, standing = _normals_at(short, master, frame), _above_board(short, master, frame)
        for run in strip_runs(short, normals, width_mm, standing, BOARD_SHORTEST_MM):
            for part in flat_parts(run):
                own = longer[(part.first + np.arange(len(part.along_mm))) % len(longer), None]
                outer = part.on_seam_mm + own * (part.outer_mm - part.on_seam_mm)
                found.append(replace(part, outer_mm=outer))
    return tuple(found)


def _laid_on(rulings: Rulings, over: Over) -> Rulings:
    outer = rulings.outer_mm.copy()
    outer[:, 2] = over(outer[:, 0], outer[:, 1])
    return replace(rulings, outer_mm=outer)


def _above_board(rulings: Rulings, master: Master, frame: PullFrame) -> np.ndarray:
    """(k,) bool: rulings that end above the board an open base stands on."""
    if master.base != "open":
        return np.ones(len(rulings.along_mm), bool)
    return frame.to_master(rulings.outer_mm)[:, 2] > 0.0


def _normals_at(rulings: Rulings, master: Master, frame: PullFrame) -> np.ndarray:
    return frame.to_frame(skin_normals(frame.to_master(rulings.on_seam_mm), master, root_of(master) / 2))


def _along(strips: Sequence[Rulings], pixel_mm: float) -> np.ndarray:
    """(k, 3) points all over the strips, a pixel and a half apart along the rulings."""
    found = []
    for strip in strips:
        ends = (strip.on_seam_mm, strip.outer_mm)
        count = int(np.linalg.norm(ends[1] - ends[0], axis=1).max() / (1.5 * pixel_mm)) + 2
        found += [ends[0] + share * (ends[1] - ends[0]) for share in np.linspace(0.0, 1.0, count)]
    return np.concatenate(found)


@dataclass(frozen=True, eq=False)
class _Sheet:
    """What the fair sheet is laid from."""

    grid: Grid
    active: np.ndarray
    asked: Asked
    bounds: tuple[np.ndarray, np.ndarray]
    stiff_mm: float

    def height(self) -> np.ndarray:
        return fair_sheet(self.grid, self.active, self.asked, *self.bounds, self.stiff_mm)

    def through(self, strips: Sequence[Rulings]) -> _Sheet:
        """The same, laid through strips too."""
        return replace(self, asked=self.asked.joined_by(_along(strips, self.grid.pixel_mm), STEP_MM))


def _sheet(
    lines: Sequence[tuple[np.ndarray, bool]],
    master: Master,
    frame: PullFrame,
    grid: Grid,
    bounds: tuple[np.ndarray, np.ndarray],
    reach_mm: float,
) -> _Sheet:
    step = grid.pixel_mm / 2
    on = np.concatenate([spaced_out(points, closed, step) for points, closed in lines])
    asked = _asked(on, step, master, frame)
    rough = stretch_surface(lines, frame, grid, bounds)
    x, y = np.meshgrid(grid.x(), grid.y())
    nodes = frame.to_master(np.column_stack([x.ravel(), y.ravel(), rough.ravel()]))
    active = near_line(grid, asked.at_mm, reach_mm)
    near = active.ravel().copy()
    near[near] = ~inside_body(ray_scene(master.vertices_mm, master.faces), master.normals, nodes[near])
    active &= ndimage.binary_dilation(near.reshape(active.shape), iterations=_CARRIED_ON)
    active |= near_line(grid, asked.at_mm, 2 * grid.pixel_mm)
    return _Sheet(grid, active, asked, bounds, _STIFF_ROOTS * root_of(master))


def fair_through(
    lines: Sequence[tuple[np.ndarray, bool]],
    master: Master,
    frame: PullFrame,
    grid: Grid,
    bounds: tuple[np.ndarray, np.ndarray],
    reach_mm: float,
    rule: Callable[[np.ndarray], tuple[Rulings, ...]],
) -> PartingSurface:
    """The fair sheet through lines of (points, closed), with rulings across the wall, boards where it is flat and
    strips where it bends one way.

    bounds : two (rows, columns) maps it stays between. Further than `reach_mm` from the lines it is stretched on.
    rule : rulings for (rows, columns) heights.
    """
    sheet = _sheet(lines, master, frame, grid, bounds, reach_mm)
    height = stretch_surface((), frame, grid, bounds, sheet.height())
    ruled = rule(height)
    strips = _boards_and_strips(ruled, master, frame, _RULED_SHARE * reach_mm)
    if strips:
        height = stretch_surface((), frame, grid, bounds, sheet.through(strips).height())
        ruled = tuple(_laid_on(r, lambda x, y: sample_map(height, grid, x, y)) for r in ruled)
    return PartingSurface(frame, grid, height, sheet.active, reach_mm, 0.0, ruled, strips)


def _asked(on_mm: np.ndarray, step_mm: float, master: Master, frame: PullFrame) -> Asked:
    """Through the line's points, and beside each turned halfway to square to the skin, never too far from it."""
    root = root_of(master)
    normal = frame.to_frame(skin_normals(on_mm, master, root / 2))
    lean = np.arcsin(np.clip(normal[:, 2], -1.0, 1.0))
    least = np.maximum(np.abs(lean) * _SQUARE_SHARE, np.abs(lean) - np.radians(_OFF_SQUARE_DEG))
    rise = np.sign(lean) * np.tan(np.minimum(least, np.radians(_STEEPEST_ROOT_DEG)))
    way = normal[:, :2] / np.maximum(np.linalg.norm(normal[:, :2], axis=1, keepdims=True), 1e-6)
    at = frame.to_frame(on_mm)
    count = len(_AT_ROOT)
    return Asked(
        at,
        step_mm,
        np.concatenate([at[:, :2] + share * root * way for share in _AT_ROOT]),
        np.tile(way, (count, 1)),
        np.tile(rise, count),
        np.full(count * len(at), step_mm * root / count),
    )


def skin_normals(on_mm: np.ndarray, master: Master, within_mm: float) -> np.ndarray:
    """(k, 3) unit normals of the skin at points on it, evened over what faces the same way within a distance."""
    at, facing = _lumps(*_skin_near(on_mm, master, within_mm), within_mm / 4)
    away, which = cKDTree(at).query(on_mm, k=min(_NEIGHBOURS, len(at)))
    away, which = away.reshape(len(on_mm), -1), which.reshape(len(on_mm), -1)
    around = facing[which]
    # over a sharp edge both its sides count; the far side of a thin ear looks the other way
    unit = around / np.maximum(np.linalg.norm(around, axis=2, keepdims=True), 1e-12)
    same = np.einsum("ijk,ik->ij", unit, unit[:, 0]) > -0.3
    weight = same * np.maximum(1.0 - away / np.maximum(within_mm, 1.5 * away[:, :1] + 1e-9), 0.0)
    total = np.einsum("ij,ijk->ik", weight, around)
    return total / np.maximum(np.linalg.norm(total, axis=1, keepdims=True), 1e-12)


def _skin_near(on_mm: np.ndarray, master: Master, within_mm: float) -> tuple[np.ndarray, np.ndarray]:
    """Points on the skin near others ((n, 3)), and its normal at each times the area it stands for."""
    corners = master.vertices_mm[master.faces]
    centre = corners.mean(axis=1)
    radius = np.linalg.norm(corners - centre[:, None], axis=2).max(axis=1)
    tree = cKDTree(on_mm)
    small = radius <= within_mm
    near = ~small
    away = tree.query(centre[small], distance_upper_bound=2 * within_mm)[0]
    near[small] = np.isfinite(away)
    near[~small] = tree.query(centre[~small])[0] <= 2 * within_mm + radius[~small]
    faces = np.flatnonzero(near & skin_faces(master))
    if len(faces) == 0:
        faces = np.flatnonzero(near) if near.any() else np.arange(len(near))
    taken = samples_on_every_face(master.vertices_mm, master.faces[faces], master.face_areas_mm2[faces], within_mm / 2)
    return taken.points_mm, master.normals[faces[taken.faces]] * taken.areas_mm2[:, None]


def _lumps(points_mm: np.ndarray, facing: np.ndarray, cell_mm: float) -> tuple[np.ndarray, np.ndarray]:
    """Samples of one cell that face the same way taken together: as many on a fine mesh as on a coarse one."""
    cell = np.floor(points_mm / cell_mm).astype(np.int64)
    octant = (facing > 0) @ np.array([1, 2, 4])
    _, lump, count = np.unique(np.column_stack([cell, octant]), axis=0, return_inverse=True, return_counts=True)
    lump = lump.reshape(-1)
    size = len(count)
    at = np.stack([np.bincount(lump, points_mm[:, k], minlength=size) for k in range(3)], axis=1) / count[:, None]
    return at, np.stack([np.bincount(lump, facing[:, k], minlength=size) for k in range(3)], axis=1)


def parting_heights(
    seam: Seam,
    frame: PullFrame,
    x0_mm: float,
    y0_mm: float,
    pixel_mm: float,
    rows: int,
    cols: int,
    master: Master | None = None,
) -> np.ndarray:
    """(rows, cols) float32: z of the parting surface along the frame's pull over each pixel centre.

    Row i stands at y0 + i * pixel, column j at x0 + j * pixel, in the frame of either piece; the two pieces
    get the same surface. Without the master there is no fair sheet: the surface is only stretched through the seam.
    """
    ahead = np.asarray(seam.pieces[0].pull, float)
    sign = 1.0 if float(frame.pull @ ahead) > 0 else -1.0
    if seam.kind == "plane" and (master is None or not parting_surface(seam, master).bent):
        return np.full((rows, cols), sign * seam.plane_offset_mm, np.float32)
    if sign < 0:
        # the frame of the piece behind is the other one turned about v: x and z change sign
        x0_mm = -(x0_mm + (cols - 1) * pixel_mm)
    grid = Grid(float(x0_mm), float(y0_mm), float(pixel_mm), rows, cols)
    if master is not None and seam.level_mm is not None:
        x, y = np.meshgrid(grid.x(), grid.y())
        height = parting_surface(seam, master).over(x, y)
    else:
        lines = [(line.points_mm, line.closed) for line in seam.lines]
        height = stretch_surface(lines, pull_frame(ahead), grid)
    return (height if sign > 0 else -height[:, ::-1]).astype(np.float32)
