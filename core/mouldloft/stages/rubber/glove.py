"""Stage 5, rubber: the glove's outside as an envelope over the parting surface, and its volume by part."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely
from scipy import ndimage

from ...base.errors import PlanImpossible
from ...base.progress import SILENT, Progress
from ...base.threads import in_threads
from ...geometry.depthmap import (
    EMPTY_TOP,
    Grid,
    column_image,
    grid_around,
    limit_slope,
    raise_by_balls,
)
from ...geometry.edges import edges_of
from ...geometry.faraway import cells_away
from ...geometry.frame import PullFrame, pull_frame
from ...geometry.heightmap import filled as filled_map
from ...geometry.heightmap import sample_map
from ...geometry.polyline import spaced_out
from ...geometry.rays import RayScene, ray_scene
from ...inputs.brief import Brief, RubberBrief
from ...inputs.catalogue import read_catalogue
from ...inputs.materials import RubberMaterial
from ...trade.section import JointSection, choose_section
from ...trade.thickness import ThicknessRule, choose_thickness
from ..master import Master
from ..seam import Seam
from ..wall import joint_reach_mm, parting_heights, parting_of
from .amounts import bare_mm3, less_held_before, rubber_interval, wall_face_mm2
from .coats import split_into_coats
from .columns import (
    above_base,
    own_columns,
    own_faces,
    piece_points,
    solid_in_columns,
    solid_of_piece_mm3,
    volume_of_columns,
    wall_bounds,
)
from .domes import Domes, registration_of_many
from .fills import fills_of
from .fixture import check_registration
from .flanges import Flanges, lay_flanges, lean_of, share_registered
from .loose import find_loose_pieces, loose_mm3
from .record import Envelope, Registration, Rubber, RubberParts
from .several import flanges_of_many, outside_of
from .thickness import FADE, edge_share, true_thickness_mm, wanted_thickness_mm

_ROUNDED_MM3 = 1e-3  # what sums over a map differ by
SPACING_PIXELS = 1.2  # between the points of the skin that the outside is held from


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


def lay_lattices(
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
        reach = joint_reach_mm(reach_mm, rule.edge_mm)
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


def raise_body(
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
    base_low, base_high = above_base(frame, grid, master)
    low = np.maximum(parting, base_low)
    usable = low < base_high
    filled = own_columns(master, seam, piece, frame, grid, parting)
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


def flanges_of_two(
    bodies: Sequence[_Body], section: JointSection, fewest: int, master: Master, seam: Seam, scene: RayScene
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
        return pixels & ~outside_of(pixels, wall + raised_mm, bodies[0].frame, grid, master, scene)

    shown, inside = inside, within(inside, 0.0)
    near = shown & ~inside & (cells_away(~inside) * pixel <= section.rubber_flange_mm)
    crowded = within(near, section.bead_height_mm + 3.0) | within(near, -3.0)
    whole = lay_flanges(
        wall, inside, crowded, tall, on_board, origin, pixel, section, fewest,
        lambda: wall_bounds(master, seam, bodies[0].frame, grid),
    )  # fmt: skip
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


def cover_piece(master: Master, seam: Seam, piece: int, body: _Body, flanges: Flanges) -> _Cover:
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
    solid = 0.0 if several else solid_of_piece_mm3(master, seam, piece, frame, grid, body.parting)
    inside = solid_in_columns(master, frame, grid, wall, base_high, stages) if several else [0.0] * len(stages)
    body_mm3, skin_mm3, half_mm3, edge_mm3, handled_mm3, drafted_mm3, plain_mm3 = (
        volume_of_columns(height, wall, base_high, pixel_mm) - body_part for height, body_part in zip(stages, inside)
    )
    final_mm3 = plain_mm3 + volume_of_columns(final, low, base_high, pixel_mm)
    final_mm3 -= volume_of_columns(plain, wall, base_high, pixel_mm)
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


def _with_foot_prism(
    height: np.ndarray, frame: PullFrame, grid: Grid, rule: ThicknessRule, master: Master, seam: Seam, piece: int
) -> np.ndarray:
    """The flange on the board round the foot of a piece, whichever way it is pulled."""
    import manifold3d

    foot = _foot_edges(master, own_faces(master, seam, piece))
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
    edges = edges_of(master.faces, len(master.vertices_mm))
    return edges.ends[np.intersect1d(edges.edge_of[mine], edges.edge_of[master.base_faces])]


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
    thick = rule.skin_mm + (rule.edge_mm - rule.skin_mm) * edge_share(steps, rule.band_mm)
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


def refuse_open(master: Master) -> None:
    if not master.health.is_solid or master.volume_mm3 <= 0:
        raise PlanImpossible(
            "Rubber, jacket and casts need a closed master, and this one could not be closed; mend it in your "
            "sculpting program, or use the undercut map and seam alone."
        )


def _pixel_for(master: Master, rule: ThicknessRule, brief: RubberBrief) -> float:
    """The pitch of the lattice, mm: a seventh of the skin and no finer than pays.

    Raises `PlanImpossible` where the brief asks for an absurdly fine one.
    """
    pixel = brief.pixel_mm or max(rule.skin_mm / 7.0, max(master.size_mm) / 2200.0)
    if (max(master.size_mm) / pixel) ** 2 > 6.4e7:
        raise PlanImpossible(
            f"A pixel of {pixel:g} mm is too fine for a piece of {max(master.size_mm):.0f} mm; "
            "give a larger rubber.pixel_mm in the brief, or leave it out."
        )
    return pixel


def _raise_all(
    master: Master,
    seam: Seam,
    rule: ThicknessRule,
    section: JointSection,
    brief: RubberBrief,
    pixel: float,
    progress: Progress,
) -> list[_Body]:
    """Every piece without its flanges, on the fine lattice and then again on the coarse one."""
    spacing = SPACING_PIXELS * pixel
    pieces = range(len(seam.pieces))
    points = in_threads(
        lambda k: piece_points(master, seam, k, spacing), pieces, progress, (0.0, 0.1), "points over the skin"
    )
    fine, coarse = in_threads(
        lambda size: lay_lattices(master, seam, rule, brief, size, points, section.reach_mm), (pixel, 1.37 * pixel),
        progress, (0.1, 0.3), "the parting surface",
    )  # fmt: skip
    return in_threads(
        lambda k: raise_body(
            master, seam, k % len(pieces), rule, section, brief, *(*fine, *coarse)[k], points[k % len(pieces)],
            spacing, by_cause=k in pieces,
        ),
        range(2 * len(pieces)), progress, (0.3, 0.8), "covering the pieces, and again on a coarser lattice",
    )  # fmt: skip


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
    refuse_open(master)
    rubber_material = rubber_material or read_catalogue(None).rubber_for(brief.materials)
    rule = choose_thickness(master.height_mm, brief.run.casts, brief.rubber, max(master.size_mm))
    section = choose_section(max(master.size_mm), rule.skin_mm, brief.rubber, brief.joint)
    pixel = _pixel_for(master, rule, brief.rubber)
    scene = ray_scene(master.vertices_mm, master.faces)
    pieces = range(len(seam.pieces))
    raised = _raise_all(master, seam, rule, section, brief.rubber, pixel, progress)
    whole, flanges = _all_flanges(raised, section, master, seam, scene, rule.edge_mm)
    made = in_threads(
        lambda k: cover_piece(master, seam, k % len(pieces), raised[k], flanges[k]), range(2 * len(pieces)), progress,
        (0.8, 0.9), "flanges on the wall",
    )  # fmt: skip
    covers, checks = made[: len(pieces)], made[len(pieces) :]
    thickness = np.concatenate(
        in_threads(
            lambda cover: true_thickness_mm(master, seam, cover.envelope, rule), covers, progress, (0.9, 1.0),
            "measuring the thickness",
        )
    )  # fmt: skip
    envelopes = tuple(cover.envelope for cover in covers)
    parts = tuple(_parts(cover, len(pieces) > 2) for cover in covers)
    loose = find_loose_pieces(master, envelopes, parts, rule, section, brief.rubber)
    claimed = tuple(replace(part, loose_mm3=0.0 - loose_mm3(loose, k)) for k, part in enumerate(parts))
    parts = less_held_before(claimed, envelopes, master, scene)
    out_mm3 = [(one.total_mm3 - own.total_mm3) - own.loose_mm3 for one, own in zip(claimed, parts)]
    fine_mm3 = sum(c.rubber_mm3 for c in covers) - sum(out_mm3)
    coarse_mm3 = sum(c.rubber_mm3 for c in checks) - sum(out_mm3)
    skin = sum(c.skin_mm3 - c.filled_mm3 for c in covers)
    half = sum(c.half_skin_mm3 - c.filled_mm3 for c in covers)
    claims = bare_mm3(master, envelopes, rule, scene) if len(pieces) > 2 else ()
    interval = rubber_interval(master, brief, skin, fine_mm3, coarse_mm3, claims)
    true_skin = master.skin_area_mm2 * master.detail_allowance
    wall = sum(wall_face_mm2(cover.envelope, section) for cover in covers)
    return Rubber(
        skin_thickness_mm=rule.skin_mm,
        edge_thickness_mm=rule.edge_mm,
        edge_band_mm=rule.band_mm,
        flange_width_mm=rule.flange_width_mm,
        flange_thickness_mm=rule.flange_mm,
        thickness_reason=rule.reason,
        envelopes=envelopes,
        parts=parts,
        volume_on_coarser_mm3=tuple(cover.rubber_mm3 - out for cover, out in zip(checks, out_mm3)),
        volume_mm3=interval,
        coats=split_into_coats(rule, rubber_material, interval.likely, true_skin, half, skin, wall),
        min_thickness_mm=float(thickness.min()),
        thickness_quantiles_mm=tuple(float(q) for q in np.quantile(thickness, [0.05, 0.25, 0.5, 0.75, 0.95])),
        section=section,
        registration=_registration_of(whole, covers[0].envelope, seam, section),
        loose=loose,
        fills=fills_of(master, envelopes, parts, loose, rule.skin_mm),
    )


BOLT_OF_SEAM_MM = 190.0  # common practice: at least one for each 200 mm of seam, wherever flanges leave room


def _all_flanges(
    raised: Sequence[_Body], section: JointSection, master: Master, seam: Seam, scene: RayScene, edge_mm: float
) -> tuple[Flanges | Domes, list[Flanges]]:
    """The fine lattice's flanges as one (of more than two pieces their domes), and every piece's on the fine and on the
    coarse one."""
    if len(seam.pieces) > 2:
        return flanges_of_many(raised, section, master, seam, scene, joint_reach_mm(section.reach_mm, edge_mm))
    fewest = int(np.ceil(seam.length_mm / BOLT_OF_SEAM_MM))
    (whole, fine), (_, coarse) = in_threads(
        lambda bodies: flanges_of_two(bodies, section, fewest, master, seam, scene), (raised[:2], raised[2:])
    )
    return whole, [*fine, *coarse]


def _registration_of(whole: Flanges | Domes, first: Envelope, seam: Seam, section: JointSection) -> Registration:
    """Bead, domes and bolts in plan coordinates, how much of the seam the first two serve, and whether they hold."""
    if isinstance(whole, Domes):
        return registration_of_many(whole, seam)
    frame = first.frame
    lines, domes = tuple(frame.to_master(line) for line in whole.beads_mm), frame.to_master(whole.domes_mm)
    held = np.concatenate([np.zeros((0, 3)), *lines])
    runs = [spaced_out(line.points_mm, line.closed, 5.0) for line in seam.lines]
    share = share_registered(runs, held, domes, section.rubber_flange_mm)
    bolts, pads = frame.to_master(whole.bolts_mm), frame.to_master(whole.pads_mm)
    return Registration(lines, domes, share, bolts, pads, check_registration(first))


def _parts(cover: _Cover, several: bool = False) -> RubberParts:
    # columns miss the master by a little: without undercuts that must not come out as less than no fill
    filled_mm3 = max(cover.filled_mm3, cover.solid_mm3)
    ridges_mm3 = cover.bead_mm3 - cover.flange_mm3
    return RubberParts(
        skin_mm3=cover.skin_mm3 - filled_mm3,
        lock_fill_mm3=filled_mm3 - cover.solid_mm3,
        edge_mm3=cover.edge_mm3 - cover.skin_mm3,
        draft_mm3=cover.draft_mm3 - cover.handled_mm3,
        flange_mm3=cover.flange_mm3 - cover.draft_mm3,
        handling_mm3=cover.handled_mm3 - cover.edge_mm3,
        bead_mm3=0.0 if several else ridges_mm3,
        domes_mm3=ridges_mm3 if several and abs(ridges_mm3) > _ROUNDED_MM3 else 0.0,
    )
