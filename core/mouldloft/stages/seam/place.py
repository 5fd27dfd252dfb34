"""Stage 4, seam: which piece owns each face, and the line between them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from ...base.errors import PlanImpossible
from ...base.marks import Assumption, Mark
from ...base.progress import SILENT, Progress
from ...geometry.contour import Chain, Crossings, cross_at_zero, face_level, join_chains
from ...geometry.depthmap import Grid, grid_around
from ...geometry.edges import connected
from ...geometry.frame import pull_frame, unit
from ...geometry.membrane import stretch_surface
from ...geometry.mincut import (
    FaceGraph,
    SplitCosts,
    absorb_small_regions,
    cheapest_split,
    face_graph,
    island_regions,
    regions,
)
from ...geometry.polyline import flatness_mm, steps_mm, tightest_turn_mm
from ...geometry.rays import RayScene, ray_scene
from ...geometry.tautline import keep_off_vertices, smooth_level, surface_links, tauten_level
from ...inputs.brief import SeamBrief
from ..master import Master, skin_faces
from ..opening import Opening
from ..undercut import UndercutField
from ..visibility import how_it_shows
from .bounds import skin_bounds
from .costs import (
    Walls,
    edge_prices,
    fill_volume_mm3,
    locked_areas_mm2,
    skin_areas_mm2,
    walls_along,
    weigh_split,
)
from .ownline import read_keep_clear, read_own_lines, split_by_lines
from .record import Seam, SeamFigures, SeamLine, SeamPiece

_SIDES = (("left piece", "right piece"), ("back piece", "front piece"), ("top piece", "bottom piece"))
_TURN_STEP_MM = 10.0  # least step over which a turn is measured: less is the coat, not the line
_LEAST_LINE_MM = 5.0  # of an open line
_LEAST_REGION = 0.002  # of the skin: smaller islands join the piece around them
_FIGURE_PIXELS = 240  # over the longest side, of the parting surface that fill is reckoned from


def name_pieces(direction: np.ndarray) -> tuple[str, str]:
    """Names by position, of the piece that pulls along +direction and of the other."""
    axis = int(np.argmax(np.abs(direction).round(9)))
    ahead, behind = _SIDES[axis]
    return (ahead, behind) if direction[axis] > 0 else (behind, ahead)


def _triple(vector: np.ndarray) -> tuple[float, float, float]:
    x, y, z = (float(v) + 0.0 for v in vector)  # no negative zeros
    return x, y, z


def _line(crossings: Crossings, chain: Chain, show: np.ndarray) -> SeamLine:
    points = crossings.points_mm[chain.nodes]
    # points that fall on one another (a line through a vertex) say nothing twice
    steps = steps_mm(points, chain.closed)
    keep = np.ones(len(points), bool)
    keep[: len(steps)] = steps > 1e-3 * max(float(steps.mean()), 1e-12)
    if not chain.closed:
        keep[0] = True
    at, points = chain.nodes[keep], points[keep]
    edges, share = crossings.edges[at], crossings.share[at]
    shown = show[edges[:, 0]] * (1 - share) + show[edges[:, 1]] * share
    return line_along(points, chain.closed, shown)


def line_along(points: np.ndarray, closed: bool, shown: np.ndarray, between: tuple[int, int] = (0, 1)) -> SeamLine:
    """A seam line through (k, 3) points on the surface. shown : (k,) how much each shows."""
    steps = steps_mm(points, closed)
    following = np.roll(shown, -1) if closed else shown[1:]
    length = float(steps.sum())
    on_show = float((steps * (shown[: len(steps)] + following) / 2).sum())
    turn_step = max(_TURN_STEP_MM, 3.0 * length / max(len(steps), 1))
    return SeamLine(
        points,
        closed,
        length,
        tightest_turn_mm(points, closed, turn_step),
        flatness_mm(points),
        on_show / length if length > 0 else 0.0,
        between,
    )


def seam_lines(master: Master, level: np.ndarray, show: np.ndarray) -> tuple[SeamLine, ...]:
    """The zero line of `level` as seam lines, longest first; none along an open base: lines end at the foot.

    show : (n,) how much each vertex shows. Turns are measured over 10 mm, or three steps of a coarser line.
    """
    crossings = cross_at_zero(master.vertices_mm, master.faces, level)
    skip = master.base_faces if master.base == "open" else None
    lines = [_line(crossings, chain, show) for chain in join_chains(crossings, skip)]
    # the line may run in and out of an open base where it turns under the foot: those crumbs are no seam
    lines = [line for line in lines if line.length_mm > (0.0 if line.closed else _LEAST_LINE_MM)]
    return tuple(sorted(lines, key=lambda line: (-line.length_mm, *line.points_mm.min(axis=0))))


def at_vertices(master: Master, per_face: np.ndarray) -> np.ndarray:
    """(n,) area-weighted mean of a face value over the faces around each vertex."""
    weight = np.repeat(master.face_areas_mm2, 3)
    corners = master.faces.reshape(-1)
    size = len(master.vertices_mm)
    total = np.bincount(corners, weight, minlength=size)
    value = np.bincount(corners, weight * np.repeat(np.asarray(per_face, float), 3), minlength=size)
    return value / np.maximum(total, 1e-30)


@dataclass(frozen=True, eq=False)
class _Ground:
    """What every seam of one master and direction is judged on."""

    master: Master
    field: UndercutField
    direction: np.ndarray
    show: np.ndarray  # (m,)
    show_at_vertices: np.ndarray  # (n,)
    walls: Walls
    graph: FaceGraph
    costs: SplitCosts
    price_at_vertices: np.ndarray  # (n,) mm² of locked skin per mm of seam
    bent_wall_share: float


def _survey(
    master: Master,
    field: UndercutField,
    brief: SeamBrief,
    direction: np.ndarray,
    offset_mm: float,
    progress: Progress,
    scene: RayScene | None = None,
    show: np.ndarray | None = None,
) -> _Ground:
    scene = scene or ray_scene(master.vertices_mm, master.faces)
    if show is None:
        show = how_it_shows(master, brief, progress, scene)
    walls = walls_along(master, scene, direction, progress)
    graph = face_graph(master.vertices_mm, master.faces)
    progress.step(0.46, "what the seam costs")
    prices = edge_prices(master, graph, brief, show, keep_clear_weights(master, brief))
    costs = weigh_split(master, graph, field, walls, brief, direction, offset_mm, prices)
    at_ends = graph.vertices.reshape(-1)
    count = np.maximum(np.bincount(at_ends, minlength=len(master.vertices_mm)), 1)
    price = np.bincount(at_ends, np.repeat(prices, 2), minlength=len(count)) / count
    return _Ground(
        master,
        field,
        direction,
        show,
        at_vertices(master, show),
        walls,
        graph,
        costs,
        brief.locked_mm2_per_mm * price,
        brief.bent_wall_share,
    )


def _parting_at_faces(ground: _Ground, level: np.ndarray, lines: tuple[SeamLine, ...]) -> np.ndarray:
    """(m,) height of the parting surface along the pull in each face's column."""
    master = ground.master
    frame = pull_frame(ground.direction)
    points = frame.to_frame(master.vertices_mm)
    span = float(np.ptp(points[:, :2], axis=0).max())
    grid: Grid = grid_around(points, span / _FIGURE_PIXELS, 0.02 * span)
    bounds = skin_bounds(master, level, frame, grid)
    height = stretch_surface([(line.points_mm, line.closed) for line in lines], frame, grid, bounds)
    centre = points[master.faces].mean(axis=1)
    i, j = grid.nearest(centre[:, 0], centre[:, 1])
    return height[i, j]


def _figures(
    ground: _Ground,
    kind: str,
    level: np.ndarray,
    labels: np.ndarray,
    lines: tuple[SeamLine, ...],
    parting_mm: np.ndarray,
) -> SeamFigures:
    locked = np.where(labels == 0, *locked_areas_mm2(ground.master, ground.field))
    priced = seam_lines(ground.master, level, ground.price_at_vertices)
    return SeamFigures(
        kind,
        sum(line.length_mm for line in lines),
        sum(line.show * line.length_mm for line in lines),
        float(locked.sum()),
        fill_volume_mm3(ground.master, ground.walls, ground.direction, labels, parting_mm),
        len(lines),
        float(np.where(labels == 0, ground.costs.ahead, ground.costs.behind).sum())
        + (1.0 if kind == "plane" else 1.0 + ground.bent_wall_share)
        * sum(line.show * line.length_mm for line in priced),
    )


@dataclass(frozen=True, eq=False)
class _Drawn:
    """A seam drawn on the mesh, before it is set beside others."""

    level: np.ndarray
    labels: np.ndarray
    lines: tuple[SeamLine, ...]
    figures: SeamFigures


def _draw(ground: _Ground, kind: str, level: np.ndarray, offset_mm: float | None) -> _Drawn:
    """Labels, lines and figures of the seam at the zero line of `level`; offset_mm where it is a plane."""
    labels = np.where(face_level(ground.master.faces, level) >= 0, 0, 1).astype(np.int8)
    lines = seam_lines(ground.master, level, ground.show_at_vertices)
    if labels.min() == labels.max() or not lines:
        raise PlanImpossible(
            "The seam crosses no skin: it leaves each body whole to one piece; choose another opening "
            "direction or seam plane."
        )
    parting = np.array([offset_mm]) if offset_mm is not None else _parting_at_faces(ground, level, lines)
    return _Drawn(level, labels, lines, _figures(ground, kind, level, labels, lines, parting))


def _parts(ground: _Ground, level: np.ndarray) -> bool:
    """Does the zero line of a level leave some of the master to each piece?"""
    centre = face_level(ground.master.faces, level)
    return bool(centre.min() < 0 <= centre.max())


def _plane_level(ground: _Ground, offset_mm: float) -> np.ndarray:
    along = ground.master.vertices_mm @ ground.direction
    if not along.min() < offset_mm < along.max():
        raise PlanImpossible(
            f"The seam plane at {offset_mm:.0f} mm misses the master, which reaches from {along.min():.0f} "
            f"to {along.max():.0f} mm along the opening direction; choose an offset between them."
        )
    return along - offset_mm


def keep_clear_weights(master: Master, brief: SeamBrief) -> np.ndarray | None:
    """(n,) weights from the brief's file, or as painted on the master; the file wins."""
    if brief.keep_clear is not None:
        return read_keep_clear(brief.keep_clear, len(master.vertices_mm))
    return master.vertex_weights


def _free_level(ground: _Ground, brief: SeamBrief, progress: Progress) -> tuple[np.ndarray | None, list[str]]:
    """Level of the cheapest seam, smoothed, and what there is to say of it; None where no seam is cheapest."""
    master = ground.master
    progress.step(0.5, "the cheapest split")
    labels = cheapest_split(ground.costs, progress, 0.5)
    progress.step(0.75, "small islands")
    least = _LEAST_REGION * master.area_mm2
    labels, absorbed = absorb_small_regions(ground.graph, labels, master.face_areas_mm2, least)
    pair = labels[ground.graph.faces]
    if not (pair[:, 0] != pair[:, 1]).any():
        return None, ["By the brief's own rates no free seam pays for its length, so the plane is kept."]
    notes = []
    if absorbed:
        notes.append(f"{absorbed} islands under {least / 100:.0f} cm² joined the piece around them.")
    level, tolerance = smooth_level(master.vertices_mm, master.faces, labels, brief.smooth_mm, progress)
    level = _without_islands(master, ground.graph, level, least)
    if tolerance > brief.smooth_mm:
        notes.append(f"The mesh is coarse: the seam is smoothed within {tolerance:.1f}, not {brief.smooth_mm:.1f} mm.")
    return level, notes


def _without_islands(master: Master, graph: FaceGraph, level: np.ndarray, least_mm2: float) -> np.ndarray:
    """The level with small islands that smoothing left sunk into the other side.

    By vertices, not faces: the smallest island is one vertex, and the centre of no face lies on it.
    """
    size = len(level)
    behind = (level < 0).astype(np.int8)
    together = graph.vertices[behind[graph.vertices[:, 0]] == behind[graph.vertices[:, 1]]]
    count, region = connected(together, size)
    lumped = np.bincount(master.faces.reshape(-1), np.repeat(master.face_areas_mm2 / 3, 3), minlength=size)
    small = island_regions(region, np.bincount(region, lumped, minlength=count), behind, least_mm2)
    if not small.any():
        return level
    return keep_off_vertices(master.vertices_mm, master.faces, np.where(small[region], -level, level))


def _own_level(ground: _Ground, brief: SeamBrief, progress: Progress) -> tuple[np.ndarray, list[str]]:
    assert brief.own_line is not None
    master = ground.master
    labels = split_by_lines(master, ground.graph, read_own_lines(brief.own_line), ground.direction)
    level, tolerance = smooth_level(master.vertices_mm, master.faces, labels, brief.smooth_mm, progress)
    return level, [f"The seam follows the given line, smoothed within {tolerance:.1f} mm."]


def _region_notes(ground: _Ground, labels: np.ndarray) -> list[str]:
    """Say where a piece is not in one part over the skin, since each part needs its own way off."""
    master, names = ground.master, name_pieces(ground.direction)
    skin = skin_faces(master)
    marked = np.where(skin, labels, 2).astype(np.int8)
    count, region = regions(ground.graph, marked)
    owner = np.zeros(count, np.int8)
    owner[region] = marked
    area = np.bincount(region, master.face_areas_mm2, minlength=count)
    notes = []
    for label in (0, 1):
        parts = int(((owner == label) & (area >= _LEAST_REGION * master.area_mm2)).sum())
        if parts > 1:
            notes.append(f"The {names[label]} covers {parts} parts of the surface that do not touch.")
    return notes


def _to_seam(
    ground: _Ground,
    drawn: _Drawn,
    offset_mm: float | None,
    alternative: SeamFigures | None,
    notes: list[str],
) -> Seam:
    master = ground.master
    areas = np.bincount(drawn.labels, skin_areas_mm2(master), minlength=2)
    names = name_pieces(ground.direction)
    pieces = (
        SeamPiece(names[0], _triple(ground.direction), float(areas[0])),
        SeamPiece(names[1], _triple(-ground.direction), float(areas[1])),
    )
    sides = locked_areas_mm2(master, ground.field)
    locked = [float(sides[k][drawn.labels == k].sum()) for k in (0, 1)]
    # the piece with less to work loose comes off first, and gives the other room
    order = names if locked[0] <= locked[1] else names[::-1]
    return Seam(
        drawn.figures.kind,
        drawn.labels,
        pieces,
        drawn.lines,
        float(offset_mm) if offset_mm is not None else _mean_offset(drawn.lines, ground.direction),
        drawn.figures.length_mm,
        drawn.figures,
        alternative,
        order,
        (*notes, *_region_notes(ground, drawn.labels)),
        drawn.level,
    )


def _mean_offset(lines: tuple[SeamLine, ...], direction: np.ndarray) -> float:
    """Offset of the plane across the pull that lies nearest to the lines (length-weighted mean)."""
    total, length = 0.0, 0.0
    for line in lines:
        steps = steps_mm(line.points_mm, line.closed)
        along = line.points_mm @ direction
        following = np.roll(along, -1) if line.closed else along[1:]
        total += float((steps * (along[: len(steps)] + following) / 2).sum())
        length += float(steps.sum())
    return total / length if length > 0 else 0.0


def seam_assumptions(brief: SeamBrief) -> tuple[Assumption, ...]:
    """What a free seam is weighed by; every rate is the workshop's to set."""
    rates = (
        ("seam in full view, in skin one may leave locked", f"{brief.locked_mm2_per_mm:g} mm² a mm"),
        ("seam out of sight beside seam in view", f"{100 * brief.hidden_share:.0f} %"),
        ("seam in a crease beside seam on the open", f"{100 * brief.crease_share:.0f} %"),
        ("seam where it is to keep clear", f"{1 + brief.keep_clear_factor:g} times dearer"),
        ("lock fill that troubles as much as 1 mm² locked", f"{brief.fill_mm3_per_mm2:g} mm³"),
        ("locks weigh in full from a depth of", f"{brief.lock_depth_mm:g} mm"),
        ("a bent wall beside a flat one", f"{100 * brief.bent_wall_share:.0f} % more"),
        ("the seam is smoothed within", f"{brief.smooth_mm:g} mm"),
        (
            "people see the piece from",
            f"{brief.seen_from}, {brief.viewer_distance_mm:.0f} mm off, eyes at {brief.eye_height_mm:.0f} mm",
        ),
    )
    return tuple(Assumption(what, value, Mark.INVENTED) for what, value in rates)


def place_seam(
    master: Master,
    opening: Opening,
    field: UndercutField,
    brief: SeamBrief,
    progress: Progress = SILENT,
    *,
    scene: RayScene | None = None,
    show: np.ndarray | None = None,
) -> Seam:
    """Split the master along the chosen direction, by plane, by the cheapest free seam or by the user's own
    line.

    The plane and the free seam are set side by side in `figures` and `alternative`. scene : the master's, and
    show : (m,) how much each face shows, if at hand. Raises `PlanImpossible`
    where a given plane or line does not part the master, `BriefRefused` where a file the brief names is not
    right.
    """
    direction = unit(np.asarray(opening.chosen.direction, float))
    offset = brief.plane_offset_mm if brief.plane_offset_mm is not None else opening.chosen.offset_mm
    ground = _survey(master, field, brief, direction, offset, progress, scene, show)
    plane = _draw(ground, "plane", _plane_level(ground, offset), offset)
    if brief.own_line is not None:
        own, notes = _own_level(ground, brief, progress)
        drawn = _draw(ground, "own", own, None)
        return _to_seam(ground, drawn, None, plane.figures, notes)
    level, notes = _free_level(ground, brief, progress)
    if level is None:
        return _to_seam(ground, plane, offset, None, notes)
    if not _parts(ground, level):
        notes = ["The free seam does not outlast smoothing on so coarse a mesh, so the plane is kept."]
        return _to_seam(ground, plane, offset, None, notes)
    free = _draw(ground, "free", level, None)
    progress.step(0.95, "seam figures")
    if brief.kind == "plane":
        return _to_seam(ground, plane, offset, free.figures, [])
    if plane.figures.trouble_mm2 <= free.figures.trouble_mm2:
        notes = ["The plane is the better seam here by the brief's own rates: the free one gains nothing."]
        return _to_seam(ground, plane, offset, free.figures, notes)
    return _to_seam(ground, free, None, plane.figures, notes)


def nudge_seam(
    master: Master,
    opening: Opening,
    field: UndercutField,
    seam: Seam,
    brief: SeamBrief,
    to_mm: tuple[float, float, float],
    reach_mm: float = 120.0,
    progress: Progress = SILENT,
) -> Seam:
    """Draw the nearest stretch of the seam over to a point on the surface; it fades out over `reach_mm`.

    Everything else stays. The reach is widened to twice the move, so that the line cannot fold over itself.
    Raises `PlanImpossible` where the point lies further from the seam than four times the reach.
    """
    if seam.level_mm is None:
        raise PlanImpossible("The seam carries no field to move; place it again.")
    direction = unit(np.asarray(opening.chosen.direction, float))
    ground = _survey(master, field, brief, direction, seam.plane_offset_mm, progress)
    links = surface_links(master.vertices_mm, ground.graph.vertices, ground.graph.length_mm)
    _, target = cKDTree(master.vertices_mm).query(np.asarray(to_mm, float))
    distance = links.from_line(master.faces, seam.level_mm, 4.0 * reach_mm)
    move = float(distance[target])
    if abs(move) >= 4.0 * reach_mm:
        raise PlanImpossible(
            f"The point lies over {4 * reach_mm:.0f} mm from the seam; choose a nearer one or a wider reach."
        )
    reach = max(reach_mm, 2.0 * abs(move))
    away = links.from_vertex(int(target), reach)
    fade = (1.0 - np.minimum(away / reach, 1.0) ** 2) ** 2
    touched = fade > 0
    moved = np.where(touched, distance - move * fade, seam.level_mm)
    # a short tube: the line must stay by the point it was drawn to
    level = tauten_level(master.vertices_mm, master.faces, moved, brief.smooth_mm / 4, progress)
    level = keep_off_vertices(master.vertices_mm, master.faces, np.where(touched, level, seam.level_mm))
    drawn = _draw(ground, "own", level, None)
    return _to_seam(ground, drawn, None, seam.alternative, ["The seam was moved by hand."])
