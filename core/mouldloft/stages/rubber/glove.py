"""Stage 5, rubber: the glove's outside as an envelope over the parting surface, and its volume by part."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely
from scipy import ndimage, spatial

from ...base.errors import PlanImpossible
from ...base.intervals import CARVING, Interval, interval_of
from ...base.progress import SILENT, Progress
from ...base.threads import in_threads
from ...geometry.contour import face_centres
from ...geometry.depthmap import (
    EMPTY_TOP,
    Grid,
    column_image,
    grid_around,
    limit_slope,
    raise_by_balls,
    solid_between_mm,
)
from ...geometry.frame import PullFrame, pull_frame
from ...geometry.heightmap import filled as filled_map
from ...geometry.heightmap import sample_map
from ...geometry.polyline import spaced_out
from ...geometry.rays import RayScene, inside_body, ray_scene
from ...geometry.sampling import covering_points, samples_on_every_face
from ...inputs.brief import Brief, RubberBrief
from ...inputs.catalogue import read_catalogue
from ...inputs.materials import RubberMaterial
from ...trade.section import JointSection, choose_section
from ...trade.thickness import ThicknessRule, choose_thickness
from ..master import Master, skin_faces
from ..seam import Seam
from ..wall import parting_heights, parting_of
from .fixture import check_registration
from .flanges import STEEPEST, Flanges, lay_flanges, lean_of, share_registered
from .record import Coat, Envelope, Registration, Rubber, RubberParts

SPACING_PIXELS = 1.2  # between the points of the skin that the outside is held from
FILL_LIFT_MM = 20.0  # common practice: as much of an undercut's fill as sets at once
LAST_COATS = 2  # common practice: brushed over fill and built-up edges
FADE = 0.5  # of the handling band: past it the edge's thickness goes smoothly down to the skin's (common practice)


@dataclass(frozen=True, eq=False)
class _Cover:
    """One piece's maps at one pixel size: stage by stage, each raised on the one before."""

    envelope: Envelope
    filled_mm3: float
    skin_mm3: float
    half_skin_mm3: float  # offset by half the skin thickness, for the coats
    edge_mm3: float
    handled_mm3: float
    draft_mm3: float
    flange_mm3: float
    bead_mm3: float
    solid_mm3: float  # the master's own part of the piece

    @property
    def rubber_mm3(self) -> float:
        return self.bead_mm3 - self.solid_mm3


def _smooth_step(x: np.ndarray) -> np.ndarray:
    x = np.clip(x, 0.0, 1.0)
    return x * x * (3 - 2 * x)


def _piece_points(master: Master, seam: Seam, piece: int, spacing_mm: float) -> np.ndarray:
    """(k, 3) points that cover a piece's skin and its seam, none of it further than 0.58 spacings from one."""
    mine = (seam.labels == piece) & skin_faces(master)
    return np.vstack(
        [covering_points(master.vertices_mm, master.faces[mine], spacing_mm), _seam_points(seam, piece, spacing_mm)]
    )


def _seam_points(seam: Seam, piece: int, spacing_mm: float) -> np.ndarray:
    """(k, 3) points along a piece's seam lines, no further apart than the spacing."""
    runs = [np.zeros((0, 3))]
    for line in seam.lines:
        if piece not in line.between:
            continue
        ends = np.vstack([line.points_mm, line.points_mm[:1]]) if line.closed else line.points_mm
        if len(ends) < 2:
            continue
        lengths = np.linalg.norm(np.diff(ends, axis=0), axis=1)
        along = np.concatenate([[0.0], np.cumsum(lengths)])
        marks = np.linspace(0.0, along[-1], max(int(along[-1] / spacing_mm), 2))
        runs.append(np.column_stack([np.interp(marks, along, ends[:, k]) for k in range(3)]))
    return np.vstack(runs)


def _own(master: Master, seam: Seam, piece: int) -> np.ndarray:
    """(m,) bool: faces that close a piece's columns. Of many pieces no open base: whose it is means nothing there."""
    mine = seam.labels == piece
    return mine if len(seam.pieces) == 2 else mine & skin_faces(master)


def _own_columns(
    master: Master, seam: Seam, piece: int, frame: PullFrame, grid: Grid, parting: np.ndarray
) -> np.ndarray:
    """(rows, columns) top of the piece's own columns above the parting surface, -inf elsewhere: locks filled."""
    vertices = frame.to_frame(master.vertices_mm)
    faces = master.faces if seam.kind == "plane" else master.faces[_own(master, seam, piece)]
    top, _ = column_image(vertices, faces, grid)
    top[~(top > parting)] = EMPTY_TOP
    return top


def _solid_of_piece_mm3(
    master: Master, seam: Seam, piece: int, frame: PullFrame, grid: Grid, parting: np.ndarray
) -> float:
    """Volume between the piece's surface and the parting surface, by the divergence theorem.

    Exact for a plane (faces are clipped at it); for a free seam the parting surface is read at the face centroids.
    """
    vertices = frame.to_frame(master.vertices_mm)
    lift = master.normals @ frame.pull * master.face_areas_mm2
    if seam.kind == "plane":
        above = vertices[:, 2][master.faces] - float(parting[0, 0])
        return float((lift * _mean_positive_part(above)).sum())
    mine = np.flatnonzero(_own(master, seam, piece))
    centres = face_centres(vertices, master.faces[mine])
    return float((lift[mine] * (centres[:, 2] - sample_map(parting, grid, centres[:, 0], centres[:, 1]))).sum())


def _solid_in_columns(
    master: Master, frame: PullFrame, grid: Grid, low: np.ndarray, high: np.ndarray, stages: Sequence[np.ndarray]
) -> list[float]:
    """mm³ of the master in the columns from `low` to each stage's height, cut at `high`."""
    vertices = frame.to_frame(master.vertices_mm)
    return [
        float(solid_between_mm(vertices, master.faces, grid, low, np.minimum(height, high)).sum()) * grid.pixel_mm**2
        for height in stages
    ]


def _mean_positive_part(values: np.ndarray) -> np.ndarray:
    """Mean over a triangle of max(f, 0) for f linear with the given (m, 3) corner values."""
    v = np.sort(values, axis=1)
    low, middle, high = v[:, 0], v[:, 1], v[:, 2]
    mean = v.mean(axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        one_above = high**3 / (3 * (high - low) * (high - middle))
        two_above = mean - low**3 / (3 * (low - middle) * (low - high))
    return np.where(low >= 0, mean, np.where(high <= 0, 0.0, np.where(middle <= 0, one_above, two_above)))


def _above_base(frame: PullFrame, grid: Grid, master: Master) -> tuple[np.ndarray, np.ndarray]:
    """Lowest and highest z of each column that stays above the open base plane (-inf, +inf where unbounded).

    A column that lies below the base all along gets low > high.
    """
    low = np.full((grid.rows, grid.columns), -np.inf)
    high = np.full_like(low, np.inf)
    if master.base != "open" or not master.base_faces.any():
        return low, high
    across, along = float(frame.axes[1][2]), float(frame.pull[2])
    rise = np.broadcast_to((grid.y() * across)[:, None], low.shape)  # u is level by construction of the frame
    if abs(along) < 1e-3:
        low[rise < 0] = np.inf
    elif along > 0:
        low = -rise / along
    else:
        high = rise / -along
    return low, high


def _volume(height: np.ndarray, low: np.ndarray, high: np.ndarray, pixel_mm: float) -> float:
    """Volume of the columns from `low` to `height`, cut at `high`; midpoint rule over pixels."""
    thick = np.minimum(height, high) - low
    return float(np.where(np.isfinite(thick), np.maximum(thick, 0.0), 0.0).sum(dtype=float)) * pixel_mm**2


def _edge_share(above_parting: np.ndarray, band_mm: float) -> np.ndarray:
    """1 all over the handling band, then smoothly to 0 over another half of it."""
    if band_mm <= 0:
        return np.zeros(len(above_parting))
    return 1.0 - _smooth_step((above_parting - band_mm) / (FADE * band_mm))


def wanted_thickness_mm(
    points: np.ndarray,
    above_parting: np.ndarray,
    rule: ThicknessRule,
    frame: PullFrame,
    places_mm: Sequence[Sequence[float]],
    brief: RubberBrief,
) -> np.ndarray:
    """(k,) thickness over each surface point (frame coordinates): skin, edge over the whole handling band and
    close to the given places, and a smooth way between."""
    extra = rule.edge_mm - rule.skin_mm
    share = _edge_share(above_parting, rule.band_mm)
    for place in places_mm:
        away = np.linalg.norm(points - frame.to_frame(np.asarray(place, float)[None])[0], axis=1)
        share = np.maximum(share, 1.0 - _smooth_step((away / brief.handling_radius_mm - 0.5) * 2))
    return rule.skin_mm + extra * share


def _lattice(
    master: Master,
    seam: Seam,
    rule: ThicknessRule,
    brief: RubberBrief,
    pixel_mm: float,
    covering_mm: Sequence[np.ndarray],
    reach_mm: float,
) -> list[tuple[Grid, np.ndarray]]:
    """Each piece's grid and the parting surface on it; of two pieces it is stretched once over both.

    covering_mm : by piece, (k, 3) points over its skin. reach_mm : of the flanges, rubber and jacket.
    """
    frames = [pull_frame(np.asarray(piece.pull)) for piece in seam.pieces]
    grids = []
    # of two pieces each lattice spans both: flanges meet wherever one of them has skin
    whole_mm = [np.concatenate(covering_mm)] * 2 if len(frames) == 2 else covering_mm
    for frame, covering in zip(frames, whole_mm):
        points = frame.to_frame(covering)
        rise = float(np.ptp(points[:, 2])) * np.tan(np.radians(brief.draft_deg))
        grids.append(grid_around(points, pixel_mm, reach_mm + rule.edge_mm + rise + 4 * pixel_mm))
    if len(seam.pieces) > 2:
        reach = 1.25 * (reach_mm + rule.edge_mm)
        return [(g, parting_of(master, seam, k, frames[k], g, reach)) for k, g in enumerate(grids)]
    # the frame of the piece behind is the first one's turned about y: x and z change sign, and the lattices meet
    turned = [bool(frame.pull @ frames[0].pull < 0) for frame in frames]
    left = [-float(g.x()[-1]) if turn else g.x0_mm for g, turn in zip(grids, turned)]
    low = np.array([min(left), min(g.y0_mm for g in grids)])
    starts = [np.rint((np.array([x, g.y0_mm]) - low) / pixel_mm).astype(int) for x, g in zip(left, grids)]
    columns = max(j + g.columns for (j, _), g in zip(starts, grids))
    rows = max(i + g.rows for (_, i), g in zip(starts, grids))
    whole = parting_heights(seam, frames[0], float(low[0]), float(low[1]), pixel_mm, int(rows), int(columns), master)
    parts = [whole[i : i + g.rows, j : j + g.columns] for (j, i), g in zip(starts, grids)]
    return [(g, -part[:, ::-1] if turn else part) for g, part, turn in zip(grids, parts, turned)]


@dataclass(frozen=True, eq=False)
class _Body:
    """One piece's rubber before its flanges: the maps of `_Cover`, each raised on the one before.

    low, high : where a column may hold rubber. tall : bool, where it stands above its flange.
    """

    frame: PullFrame
    grid: Grid
    parting: np.ndarray
    low: np.ndarray
    base_low: np.ndarray
    base_high: np.ndarray
    filled: np.ndarray
    skin: np.ndarray
    half: np.ndarray
    edge: np.ndarray
    handled: np.ndarray
    drafted: np.ndarray
    tall: np.ndarray

    @property
    def on_board(self) -> np.ndarray:
        """The wall ends where the board begins."""
        return np.asarray((self.parting >= self.base_low) & (self.parting < self.base_high))


def _raise_body(
    master: Master,
    seam: Seam,
    piece: int,
    rule: ThicknessRule,
    section: JointSection,
    brief: RubberBrief,
    grid: Grid,
    parting: np.ndarray,
    covering_mm: np.ndarray,
    spacing_mm: float,
    by_cause: bool,
) -> _Body:
    """Raise one piece's outside over its body, map by map: filled, skin, edge, foot flange, draft.

    parting : (rows, columns) heights of the parting surface on the grid, in the piece's frame. covering_mm : (k, 3)
    points over the piece's skin, `spacing_mm` apart. by_cause=False leaves out the maps that only
    part the volume: skin and half the skin then count as edge.
    """
    frame = pull_frame(np.asarray(seam.pieces[piece].pull))
    points = frame.to_frame(covering_mm)
    pixel_mm = grid.pixel_mm
    base_low, base_high = _above_base(frame, grid, master)
    low = np.maximum(parting, base_low)
    usable = low < base_high
    filled = _own_columns(master, seam, piece, frame, grid, parting)
    filled[~usable] = EMPTY_TOP

    above = points[:, 2] - sample_map(parting, grid, points[:, 0], points[:, 1])
    keep = above > -rule.edge_mm  # skin just under the parting surface is still covered
    points, above = points[keep], np.maximum(above[keep], 0.0)
    # the balls are that much larger
    guard = missed_mm(spacing_mm, rule.skin_mm)
    showing = _can_show(points, filled, grid, rule.edge_mm + guard)
    points, above = points[showing], above[showing]
    skin, half = filled.copy(), filled.copy()
    thick = wanted_thickness_mm(points, above, rule, frame, (), brief)
    if by_cause:
        raise_by_balls(skin, points, np.full(len(points), rule.skin_mm + guard), grid)
        raise_by_balls(half, points, np.full(len(points), rule.skin_mm / 2 + guard), grid)
        left = thick > rule.skin_mm
    else:
        left = np.ones(len(points), bool)
    edge = skin.copy()
    raise_by_balls(edge, points[left], thick[left] + guard, grid)
    walls = _filled_walls(points, above, filled, grid, rule)
    raise_by_balls(edge, walls[0], walls[1] + guard, grid)
    handled = edge
    if brief.handling_points_mm:
        handled = edge.copy()
        thick = wanted_thickness_mm(points, above, rule, frame, brief.handling_points_mm, brief) + guard
        raise_by_balls(handled, points, thick, grid)
    if len(seam.pieces) > 2:
        footed = _with_foot_prism(handled, frame, grid, rule, master, seam, piece)
    else:
        footed = _with_foot_flange(handled, filled, frame, grid, section, master)
    drafted = limit_slope(footed, brief.draft_deg, pixel_mm)
    tall = usable & (drafted > low + section.rubber_flange_thickness_mm * np.hypot(1.0, lean_of(parting, pixel_mm)))
    over_foot = grid.y() * float(frame.axes[1][2]) < section.rubber_flange_thickness_mm + 2.0 * pixel_mm
    if master.base == "open" and master.base_faces.any() and over_foot.any() and not over_foot.all():
        tall[over_foot] = tall[np.flatnonzero(~over_foot)[0]]  # the foot's own flange is no body
    return _Body(
        frame, grid, parting, low, base_low, base_high, filled, skin, half, edge, handled, drafted, tall
    )  # fmt: skip


def _flanges_of_two(
    bodies: Sequence[_Body], section: JointSection, fewest: int, master: Master, scene: RayScene
) -> tuple[Flanges, list[Flanges]]:
    """One set of flanges for both pieces, in the first one's frame, and each piece's share of its maps."""
    turned = [bool(body.frame.pull @ bodies[0].frame.pull < 0) for body in bodies]
    pixel = bodies[0].grid.pixel_mm
    left = [-float(b.grid.x()[-1]) if turn else b.grid.x0_mm for b, turn in zip(bodies, turned)]
    low = np.array([min(left), min(b.grid.y0_mm for b in bodies)])
    starts = [np.rint((np.array([x, b.grid.y0_mm]) - low) / pixel).astype(int) for x, b in zip(left, bodies)]
    windows = [np.s_[i : i + b.grid.rows, j : j + b.grid.columns] for (j, i), b in zip(starts, bodies)]
    shape = (max(w[0].stop for w in windows), max(w[1].stop for w in windows))
    wall = np.full(shape, np.nan)
    inside, tall, on_board = np.zeros(shape, bool), np.zeros(shape, bool), np.ones(shape, bool)
    for body, turn, window in zip(bodies, turned, windows):
        flip = np.s_[:, ::-1] if turn else np.s_[:, :]
        wall[window] = (-body.parting if turn else body.parting)[flip]
        inside[window] |= np.isfinite(body.filled)[flip]
        tall[window] |= body.tall[flip]
        on_board[window] &= body.on_board[flip]
    origin = (float(low[0]), float(low[1]))
    wall = filled_map(wall)
    grid = Grid(*origin, pixel, shape[0], shape[1])

    def within(pixels: np.ndarray, raised_mm: float) -> np.ndarray:
        return pixels & ~_outside(pixels, wall + raised_mm, bodies[0].frame, grid, master, scene)

    shown, inside = inside, within(inside, 0.0)
    near = shown & ~inside & (ndimage.distance_transform_edt(~inside) * pixel <= section.rubber_flange_mm)
    crowded = within(near, section.bead_height_mm + 3.0) | within(near, -3.0)
    whole = lay_flanges(wall, inside, crowded, tall, on_board, origin, pixel, section, fewest)
    return whole, [_share_of(whole, window, turn, k == 0) for k, (window, turn) in enumerate(zip(windows, turned))]


def _share_of(whole: Flanges, window: tuple[slice, slice], turn: bool, first: bool) -> Flanges:
    flip = np.s_[:, ::-1] if turn else np.s_[:, :]
    sign = -1.0 if turn else 1.0
    return replace(
        whole,
        rubber=whole.rubber[window][flip],
        jacket=whole.jacket[window][flip],
        wall_mm=sign * whole.wall_mm[window][flip],
        bead_mm=sign * whole.bead_mm[window][flip],
        behind_mm=whole.behind_mm[window][flip] * float(first),
        top_mm=whole.top_mm[window][flip],
    )


def _flanges_of_many(body: _Body, section: JointSection, master: Master, scene: RayScene) -> Flanges:
    """One of several pieces: its flanges alone, as wide as asked up their own slope, without a bead."""
    level = np.where(np.isfinite(body.low), body.low, 0.0)
    near, top = _leaning_flange(body.low, body.filled, body.grid.pixel_mm, section.rubber_flange_mm, section)
    half = body.low + section.rubber_flange_thickness_mm / 2.0
    rubber = _outside(near, half, body.frame, body.grid, master, scene) | np.isfinite(body.filled)
    reach, _ = _leaning_flange(body.low, body.filled, body.grid.pixel_mm, section.reach_mm, section)
    jacket = _outside(reach & ~rubber, body.low + 1.0, body.frame, body.grid, master, scene)
    toe = ndimage.distance_transform_edt(rubber) * body.grid.pixel_mm
    nothing, none = np.zeros((0, 3)), np.zeros(level.shape)
    bevelled = (top - level) * np.minimum(toe / section.bevel_run_mm, 1.0)
    stands = body.tall | (body.drafted > body.low)
    return Flanges(
        (rubber | stands) & (body.on_board | stands), jacket & body.on_board & ~stands, body.parting, none, none,
        bevelled, nothing, nothing, (), nothing,
    )  # fmt: skip


def _cover_piece(master: Master, seam: Seam, piece: int, body: _Body, flanges: Flanges) -> _Cover:
    """One piece with its flanges, and its volume stage by stage."""
    several = len(seam.pieces) > 2
    frame, grid, pixel_mm, base_high = body.frame, body.grid, body.grid.pixel_mm, body.base_high
    wall = np.maximum(flanges.wall_mm, body.base_low)
    low = np.maximum(flanges.wall_mm + flanges.bead_mm, body.base_low)
    stands = (wall < base_high) & (body.drafted > wall) & (flanges.rubber | ~body.on_board)
    outer = np.where(stands, np.minimum(body.drafted, base_high), -np.inf)
    plain_top = np.minimum(wall + flanges.top_mm, base_high)
    lies = flanges.rubber & body.on_board
    plain = np.where(lies & (outer < plain_top), plain_top, outer)
    flange_top = np.minimum(wall + flanges.top_mm + flanges.behind_mm, base_high)
    flange = lies & (outer < flange_top)
    final = np.where(flange, flange_top, outer)
    floor = np.where(np.isfinite(low), low, flanges.wall_mm)
    stages = (body.filled, body.skin, body.half, body.edge, body.handled, body.drafted, plain)
    # of many pieces a column may pass through skin of several: what of it is the master is measured, stage by stage
    solid = 0.0 if several else _solid_of_piece_mm3(master, seam, piece, frame, grid, body.parting)
    inside = _solid_in_columns(master, frame, grid, wall, base_high, stages) if several else [0.0] * len(stages)
    body_mm3, skin_mm3, half_mm3, edge_mm3, handled_mm3, drafted_mm3, plain_mm3 = (
        _volume(height, wall, base_high, pixel_mm) - body_part for height, body_part in zip(stages, inside)
    )
    final_mm3 = plain_mm3 + _volume(final, low, base_high, pixel_mm) - _volume(plain, wall, base_high, pixel_mm)
    envelope = Envelope(
        piece=piece,
        name=seam.pieces[piece].name,
        frame=frame,
        origin_mm=(grid.x0_mm, grid.y0_mm),
        pixel_mm=pixel_mm,
        parting_mm=floor.astype(np.float32),
        filled_mm=np.where(np.isfinite(body.filled), body.filled, np.nan).astype(np.float32),
        outer_mm=np.where(np.isfinite(final), final, np.nan).astype(np.float32),
        flange=flange,
        open_base=stands & (body.drafted >= base_high),
        of_many=several,
        jacket_flange=flanges.jacket & ~np.isfinite(final),
        bead_mm=flanges.bead_mm.astype(np.float32),
    )
    return _Cover(
        envelope, body_mm3, skin_mm3, half_mm3, edge_mm3, handled_mm3, drafted_mm3, plain_mm3, final_mm3, solid
    )  # fmt: skip


def missed_mm(spacing_mm: float, thickness_mm: float) -> float:
    """By how much balls about points that cover a skin fall short of its offset, at most: a place is within 0.58
    spacings of a point, and at a distance d from it the offset thins by d² / 2t."""
    return (0.58 * spacing_mm) ** 2 / (2 * thickness_mm)


def _leaning_flange(
    low: np.ndarray, filled: np.ndarray, pixel_mm: float, width_mm: float, section: JointSection
) -> tuple[np.ndarray, np.ndarray]:
    """(rows, columns) bool, where a flange may lie that leans against the pull, and its top: as wide as asked up the
    slope, at half its thickness, and as thick across it."""
    far, (i, j) = ndimage.distance_transform_edt(~np.isfinite(filled), return_indices=True)
    level = np.where(np.isfinite(low), low, 0.0)
    thick = section.rubber_flange_thickness_mm
    up = level - level[i, j]
    slope = np.minimum(np.hypot(*np.gradient(level, pixel_mm)), STEEPEST)
    run = np.hypot(far * pixel_mm, up)
    # its rim stands along the pull, and so leans out where the flange rises
    near = run + thick / 2 * slope * up / np.maximum(run, pixel_mm) <= width_mm
    return near, low + thick * np.hypot(1.0, slope)


def _outside(
    pixels: np.ndarray, height: np.ndarray, frame: PullFrame, grid: Grid, master: Master, scene: RayScene
) -> np.ndarray:
    """The pixels ((rows, columns) bool) whose point at that height is not inside the master."""
    i, j = np.nonzero(pixels & np.isfinite(height))
    points = frame.to_master(np.column_stack([grid.x()[j], grid.y()[i], height[i, j]]))
    out = np.zeros_like(pixels)
    out[i, j] = ~inside_body(scene, master.normals, points)
    return out


def _with_foot_prism(
    height: np.ndarray, frame: PullFrame, grid: Grid, rule: ThicknessRule, master: Master, seam: Seam, piece: int
) -> np.ndarray:
    """The flange on the board round the foot of a piece, whichever way it is pulled."""
    import manifold3d

    foot = _foot_edges(master, _own(master, seam, piece))
    if not len(foot):
        return height
    outline = shapely.MultiLineString(list(master.vertices_mm[foot][:, :, :2])).buffer(rule.flange_width_mm)
    rings = [r for part in shapely.get_parts(outline) for r in (part.exterior, *part.interiors)]
    flat = manifold3d.CrossSection([np.asarray(r.coords)[:-1] for r in rings], manifold3d.FillRule.EvenOdd)
    prism = flat.extrude(rule.flange_mm).to_mesh()
    points = frame.to_frame(np.asarray(prism.vert_properties, float))
    return np.maximum(height, column_image(points, np.asarray(prism.tri_verts), grid)[0])


def _foot_edges(master: Master, mine: np.ndarray) -> np.ndarray:
    """(k, 2) vertices of the edges along which the given faces ((m,) bool) meet an open base."""
    if master.base != "open" or not master.base_faces.any():
        return np.zeros((0, 2), np.int64)
    edges = np.sort(master.faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 3, 2), axis=2)
    size = len(master.vertices_mm)

    def keys(which: np.ndarray) -> np.ndarray:
        return np.unique(edges[which][..., 0].astype(np.int64) * size + edges[which][..., 1])

    both = np.intersect1d(keys(mine), keys(master.base_faces))
    return np.stack([both // size, both % size], axis=1)


def _can_show(points: np.ndarray, filled: np.ndarray, grid: Grid, reach_mm: float) -> np.ndarray:
    """(k,) bool: can a ball of this reach about each point rise above the filled columns anywhere?"""
    size = 2 * int(np.ceil(reach_mm / grid.pixel_mm)) + 3
    around = ndimage.minimum_filter(filled, size=size, mode="constant", cval=-np.inf)
    i, j = grid.nearest(points[:, 0], points[:, 1])
    return points[:, 2] + reach_mm > around[i, j]


def _filled_walls(
    points: np.ndarray, above: np.ndarray, filled: np.ndarray, grid: Grid, rule: ThicknessRule
) -> tuple[np.ndarray, np.ndarray]:
    """Points down the walls of the filled columns, with the edge band's thickness.

    Where a lock is filled, the filled solid has a wall below the overhang that the master lacks; the outline's own
    samples are dropped down it in steps of a third of the edge thickness.
    """
    if rule.band_mm <= 0 or rule.edge_mm <= rule.skin_mm:
        return np.zeros((0, 3)), np.zeros(0)
    inside = np.isfinite(filled)
    rim = ~ndimage.binary_erosion(inside, iterations=2)
    i, j = grid.nearest(points[:, 0], points[:, 1])
    on_rim = np.flatnonzero(rim[i, j])
    steps = np.arange(0.0, (1 + FADE) * rule.band_mm + 1e-9, rule.edge_mm / 3)
    thick = rule.skin_mm + (rule.edge_mm - rule.skin_mm) * _edge_share(steps, rule.band_mm)
    dropped, radii = [np.zeros((0, 3))], [np.zeros(0)]
    for level, radius in zip(steps, thick):
        which = on_rim[above[on_rim] > level]
        lower = points[which].copy()
        lower[:, 2] -= above[which] - level
        dropped.append(lower)
        radii.append(np.full(len(which), radius))
    return np.vstack(dropped), np.concatenate(radii)


def _with_foot_flange(
    height: np.ndarray, filled: np.ndarray, frame: PullFrame, grid: Grid, section: JointSection, master: Master
) -> np.ndarray:
    """The flange on the board round the foot of a piece with an open base, pulled level or nearly so; its rim is
    bevelled as the one on the wall."""
    across = float(frame.axes[1][2])
    if master.base != "open" or not master.base_faces.any() or across < 0.8:
        return height
    out = height.copy()
    rise = grid.y() * across
    rows = np.flatnonzero((rise >= 0) & (rise < section.rubber_flange_thickness_mm))
    if not len(rows):
        return out
    foot = filled[rows].max(axis=0)  # the outline where it leaves the board
    columns = np.flatnonzero(np.isfinite(foot))
    x = grid.x()[columns]
    for row in rows:
        line = Grid(grid.x0_mm, float(grid.y()[row]), grid.pixel_mm, 1, grid.columns)
        points = np.column_stack([x, np.full(len(x), grid.y()[row]), foot[columns]])
        strip = out[row : row + 1]
        width = section.rubber_flange_mm - float(rise[row]) / np.tan(np.radians(section.bevel_deg))
        raise_by_balls(strip, points, np.full(len(points), width), line)
    return out


def _thickness_of(master: Master, seam: Seam, envelope: Envelope, rule: ThicknessRule) -> np.ndarray:
    """Sampled true thickness (mm): from the glove's outside to the nearest point of the piece's own skin, in 3-D.

    The nearest vertices give candidate faces; the distance is then to the faces themselves.
    """
    import trimesh

    body = np.isfinite(envelope.outer_mm) & ~envelope.flange & ~envelope.open_base
    i, j = np.nonzero(body)
    step = max(len(i) // 30_000, 1)
    i, j = i[::step], j[::step]
    x = envelope.origin_mm[0] + j * envelope.pixel_mm
    y = envelope.origin_mm[1] + i * envelope.pixel_mm
    points = envelope.frame.to_master(np.column_stack([x, y, envelope.outer_mm[i, j]]))
    mine = np.flatnonzero((seam.labels == envelope.piece) & skin_faces(master))
    faces = master.faces[mine]
    taken = samples_on_every_face(master.vertices_mm, faces, master.face_areas_mm2[mine], 2.5 * rule.skin_mm)
    nearest = spatial.cKDTree(taken.points_mm).query(points, k=6)[1]
    triangles = master.vertices_mm[faces[taken.faces[nearest.ravel()]]]
    closest = trimesh.triangles.closest_point(triangles, np.repeat(points, 6, axis=0))
    away = np.linalg.norm(closest - np.repeat(points, 6, axis=0), axis=1).reshape(-1, 6)
    return away.min(axis=1)


def _coats(
    rule: ThicknessRule,
    rubber_material: RubberMaterial,
    total_mm3: float,
    area_mm2: float,
    half_mm3: float,
    full_mm3: float,
    wall_mm2: float = 0.0,
) -> tuple[Coat, ...]:
    """Brushed coats, each over skin and wall face (`wall_mm2`), edge to edge: a print coat over the true skin, even
    build coats, and before the last two of them what fills undercuts and builds up edges (common practice).

    No coat is thicker than the catalogue says it stands on a wall. The skin's volume by thickness is the quadratic
    through nothing, half and full thickness (Steiner's formula to its second term).
    """
    t = rule.skin_mm
    b = (full_mm3 - 2 * half_mm3) / (t * t / 2)
    a = full_mm3 / t - b * t
    first = min(rubber_material.print_coat_mm, t)
    count = int(np.ceil((t - first) / rubber_material.build_coat_mm - 1e-9))
    ends = np.append(0.0, np.linspace(first, t, count + 1))
    coats = [Coat("print coat", first, (area_mm2 + wall_mm2) * first, False)]
    for k, (inner, outer) in enumerate(itertools.pairwise(ends[1:].tolist()), 1):
        volume = (a + wall_mm2) * (outer - inner) + b * (outer**2 - inner**2)
        coats.append(Coat(f"build coat {k}", outer - inner, volume, True))
    used = sum(coat.volume_mm3 for coat in coats)
    fill = Coat(f"undercut fill in lifts of {FILL_LIFT_MM:.0f} mm, edges", 0.0, max(total_mm3 - used, 0.0), True)
    coats.insert(max(len(coats) - LAST_COATS, 1), fill)
    return tuple(coats)


def coat_volumes_mm3(rubber: Rubber, at: int) -> tuple[float, ...]:
    """What each coat takes on piece `at`: coats of a thickness by the pieces' skins, the filling one what is left of
    each piece, so that a coat adds up over the pieces and a piece over its coats."""
    skins = np.array([part.skin_mm3 for part in rubber.parts])
    share = skins / skins.sum() if skins.sum() > 0 else np.full(len(skins), 1 / len(skins))
    wholes = np.array([part.total_mm3 for part in rubber.parts])
    wholes = wholes + (rubber.volume_mm3.likely - wholes.sum()) * share  # detail still to be carved goes by skin
    spread = sum(coat.volume_mm3 for coat in rubber.coats if coat.thickness_mm > 0)
    left = np.maximum(wholes - spread * share, 0.0)
    fill = left / left.sum() if left.sum() > 0 else share
    return tuple(float(c.volume_mm3 * (share if c.thickness_mm > 0 else fill)[at]) for c in rubber.coats)


def brush_rubber(
    master: Master,
    seam: Seam,
    brief: Brief,
    progress: Progress = SILENT,
    rubber_material: RubberMaterial | None = None,
) -> Rubber:
    """The glove of every piece: envelope, volume by cause, coats, true thickness.

    rubber_material : says how thick a coat stands; without it the bundled catalogue's rubber.
    Each piece is covered on two lattices of different pitch: their difference is the resolution's share of the
    interval. Raises `PlanImpossible` where the master is no closed solid or the pixel would be absurdly fine.
    """
    if not master.health.is_solid or master.volume_mm3 <= 0:
        raise PlanImpossible(
            "Rubber, jacket and casts need a closed master, and this one could not be closed; mend it in your "
            "sculpting program, or use the undercut map and seam alone."
        )
    rubber_material = rubber_material or read_catalogue(None).rubber_for(brief.materials)
    rule = choose_thickness(master.height_mm, brief.run.casts, brief.rubber, max(master.size_mm))
    section = choose_section(max(master.size_mm), rule.skin_mm, brief.rubber, brief.joint)
    pixel = brief.rubber.pixel_mm or max(rule.skin_mm / 7.0, max(master.size_mm) / 2200.0)
    if (max(master.size_mm) / pixel) ** 2 > 6.4e7:
        raise PlanImpossible(
            f"A pixel of {pixel:g} mm is too fine for a piece of {max(master.size_mm):.0f} mm; "
            "give a larger rubber.pixel_mm in the brief, or leave it out."
        )
    spacing = SPACING_PIXELS * pixel
    scene = ray_scene(master.vertices_mm, master.faces)
    pieces = range(len(seam.pieces))
    points = in_threads(
        lambda k: _piece_points(master, seam, k, spacing), pieces, progress, (0.0, 0.1), "points over the skin"
    )
    fine, coarse = in_threads(
        lambda size: _lattice(master, seam, rule, brief.rubber, size, points, section.reach_mm), (pixel, 1.37 * pixel),
        progress, (0.1, 0.3), "the parting surface",
    )  # fmt: skip
    raised = in_threads(
        lambda k: _raise_body(
            master, seam, k % len(pieces), rule, section, brief.rubber, *(*fine, *coarse)[k], points[k % len(pieces)],
            spacing, by_cause=k in pieces,
        ),
        range(2 * len(pieces)), progress, (0.3, 0.8), "covering the pieces, and again on a coarser lattice",
    )  # fmt: skip
    whole, flanges = _all_flanges(raised, section, master, seam, scene)
    made = in_threads(
        lambda k: _cover_piece(master, seam, k % len(pieces), raised[k], flanges[k]), range(2 * len(pieces)), progress,
        (0.8, 0.9), "flanges on the wall",
    )  # fmt: skip
    covers, checks = made[: len(pieces)], made[len(pieces) :]
    thickness = np.concatenate(
        in_threads(
            lambda cover: _thickness_of(master, seam, cover.envelope, rule), covers, progress, (0.9, 1.0),
            "measuring the thickness",
        )
    )  # fmt: skip
    parts = tuple(_parts(cover) for cover in covers)
    fine_mm3, coarse_mm3 = sum(c.rubber_mm3 for c in covers), sum(c.rubber_mm3 for c in checks)
    skin = sum(c.skin_mm3 - c.filled_mm3 for c in covers)
    half = sum(c.half_skin_mm3 - c.filled_mm3 for c in covers)
    claims = _claims(master, seam, [c.envelope for c in covers], rule, scene) if len(pieces) > 2 else ()
    interval = _interval(master, brief, skin, fine_mm3, coarse_mm3, claims)
    true_skin = master.skin_area_mm2 * master.detail_allowance
    # the bevel takes half of what lies under it
    wall = sum(_wall_face_mm2(cover.envelope, section) for cover in covers)
    return Rubber(
        skin_thickness_mm=rule.skin_mm,
        edge_thickness_mm=rule.edge_mm,
        edge_band_mm=rule.band_mm,
        flange_width_mm=rule.flange_width_mm,
        flange_thickness_mm=rule.flange_mm,
        thickness_reason=rule.reason,
        envelopes=tuple(cover.envelope for cover in covers),
        parts=parts,
        volume_on_coarser_mm3=tuple(cover.rubber_mm3 for cover in checks),
        volume_mm3=interval,
        coats=_coats(rule, rubber_material, interval.likely, true_skin, half, skin, wall),
        min_thickness_mm=float(thickness.min()),
        thickness_quantiles_mm=tuple(float(q) for q in np.quantile(thickness, [0.05, 0.25, 0.5, 0.75, 0.95])),
        section=section,
        registration=None if whole is None else _registration_of(whole, covers[0].envelope, seam, section),
    )


def _wall_face_mm2(envelope: Envelope, section: JointSection) -> float:
    """Wall under a piece's rubber, by the thickness that lies on it: its bevel counts by its mean."""
    thick = np.where(envelope.flange, envelope.outer_mm - envelope.parting_mm, 0.0)
    lean = np.hypot(1.0, lean_of(np.nan_to_num(envelope.parting_mm), envelope.pixel_mm))
    share = np.clip(np.nan_to_num(thick) / lean / section.rubber_flange_thickness_mm, 0.0, 1.0)
    return float((share * lean).sum(dtype=float)) * envelope.pixel_mm**2


BOLT_OF_SEAM_MM = 190.0  # common practice: at least one for each 200 mm of seam, wherever flanges leave room


def _all_flanges(
    raised: Sequence[_Body], section: JointSection, master: Master, seam: Seam, scene: RayScene
) -> tuple[Flanges | None, list[Flanges]]:
    """The fine lattice's flanges as one (of two pieces), and every piece's on the fine and on the coarse one."""
    if len(seam.pieces) > 2:
        return None, [_flanges_of_many(body, section, master, scene) for body in raised]
    fewest = int(np.ceil(seam.length_mm / BOLT_OF_SEAM_MM))
    whole, fine = _flanges_of_two(raised[:2], section, fewest, master, scene)
    return whole, [*fine, *_flanges_of_two(raised[2:], section, fewest, master, scene)[1]]


def _registration_of(whole: Flanges, first: Envelope, seam: Seam, section: JointSection) -> Registration:
    """Bead, domes and bolts in plan coordinates, how much of the seam the first two serve, and whether they hold."""
    frame = first.frame
    lines, domes = tuple(frame.to_master(line) for line in whole.beads_mm), frame.to_master(whole.domes_mm)
    held = np.concatenate([np.zeros((0, 3)), *lines])
    runs = [spaced_out(line.points_mm, line.closed, 5.0) for line in seam.lines]
    share = share_registered(runs, held, domes, section.rubber_flange_mm)
    bolts, pads = frame.to_master(whole.bolts_mm), frame.to_master(whole.pads_mm)
    return Registration(lines, domes, share, bolts, pads, check_registration(first))


def _parts(cover: _Cover) -> RubberParts:
    return RubberParts(
        skin_mm3=cover.skin_mm3 - cover.filled_mm3,
        lock_fill_mm3=cover.filled_mm3 - cover.solid_mm3,
        edge_mm3=cover.edge_mm3 - cover.skin_mm3,
        draft_mm3=cover.draft_mm3 - cover.handled_mm3,
        flange_mm3=cover.flange_mm3 - cover.draft_mm3,
        handling_mm3=cover.handled_mm3 - cover.edge_mm3,
        bead_mm3=cover.bead_mm3 - cover.flange_mm3,
    )


_CLAIM_SAMPLES = 60_000  # a piece


def _claims(
    master: Master, seam: Seam, envelopes: Sequence[Envelope], rule: ThicknessRule, scene: RayScene
) -> tuple[tuple[str, float], ...]:
    """Rubber that two pieces both count, and that no piece counts, mm³: each piece's outside is a height map, and
    where skin lies one layer under another the maps of several pieces need not fit each other."""
    twice = 0.0
    for envelope in envelopes:
        i, j = np.nonzero(np.isfinite(envelope.outer_mm))
        step = max(len(i) // _CLAIM_SAMPLES, 1)
        i, j = i[::step], j[::step]
        low, thick = envelope.parting_mm[i, j], np.maximum((envelope.outer_mm - envelope.parting_mm)[i, j], 0.0)
        x, y = (o + n * envelope.pixel_mm for o, n in zip(envelope.origin_mm, (j, i)))
        height = low + thick * np.mod(0.5 + 0.6180339887498949 * np.arange(len(i)), 1.0)
        points = envelope.frame.to_master(np.column_stack([x, y, height]))
        others = np.any([_holds(e, points) for e in envelopes if e is not envelope], axis=0)
        counted = others & ~inside_body(scene, master.normals, points)
        twice += 0.5 * float(thick[counted].sum(dtype=float)) * step * envelope.pixel_mm**2
    skin = np.flatnonzero(skin_faces(master))
    over = face_centres(master.vertices_mm, master.faces[skin]) + rule.skin_mm / 2 * master.normals[skin]
    bare = ~np.any([_holds(e, over) for e in envelopes], axis=0) & ~inside_body(scene, master.normals, over)
    none = float(master.face_areas_mm2[skin[bare]].sum()) * rule.skin_mm
    return (("places two pieces both claim", twice), ("skin by the joints that no piece reaches", none))


def _holds(envelope: Envelope, points_mm: np.ndarray) -> np.ndarray:
    """(k,) bool: which (k, 3) plan points lie in a piece's columns."""
    at = envelope.frame.to_frame(points_mm)
    rows, columns = envelope.outer_mm.shape
    fx, fy = ((at[:, k] - envelope.origin_mm[k]) / envelope.pixel_mm for k in (0, 1))
    i, j = np.clip(np.rint(fy), 0, rows - 1).astype(int), np.clip(np.rint(fx), 0, columns - 1).astype(int)
    inside = (fx > -0.5) & (fy > -0.5) & (fx < columns - 0.5) & (fy < rows - 0.5)
    with np.errstate(invalid="ignore"):
        return np.asarray(inside & (at[:, 2] > envelope.parting_mm[i, j]) & (at[:, 2] < envelope.outer_mm[i, j]))


def _interval(
    master: Master,
    brief: Brief,
    skin_mm3: float,
    fine_mm3: float,
    coarse_mm3: float,
    claims: tuple[tuple[str, float], ...] = (),
) -> Interval:
    """Rubber with what may move it, each cause by its share."""
    likely = fine_mm3 + (master.detail_allowance - 1.0) * skin_mm3
    share = skin_mm3 / max(likely, 1e-9)
    causes = (
        ("lattice resolution", abs(fine_mm3 - coarse_mm3) / max(fine_mm3, 1e-9)),
        (CARVING, master.detail_allowance_uncertainty * share),
        ("brushing by hand", brief.rubber.brushing_variation * share),
        *((name, volume / max(likely, 1e-9)) for name, volume in claims),
    )
    return interval_of(likely, causes)


def flange_areas_mm2(rubber: Rubber) -> tuple[float, ...]:
    """Area of each piece's flange on its parting surface: of two pieces seen along the pull, of more along its lean."""
    found = []
    for envelope in rubber.envelopes:
        lean = np.ones(envelope.flange.shape)
        if len(rubber.envelopes) > 2:
            slope = np.hypot(*np.gradient(envelope.parting_mm.astype(float), envelope.pixel_mm))
            lean = np.hypot(1.0, np.minimum(slope, STEEPEST))
        found.append(float(lean[envelope.flange].sum()) * envelope.pixel_mm**2)
    return tuple(found)


def wall_areas_mm2(rubber: Rubber) -> tuple[float, ...]:
    """Wall to build before each piece is brushed: of two all of it for the first. Of more every joint's wall once, so
    half of all flanges, by the pieces' own flanges; the last finds its neighbours' standing."""
    areas = flange_areas_mm2(rubber)
    if len(areas) <= 2:
        return (areas[0], *(0.0 for _ in areas[1:]))
    whole, first = sum(areas) / 2, max(sum(areas[:-1]), 1e-9)
    return (*(whole * area / first for area in areas[:-1]), 0.0)
