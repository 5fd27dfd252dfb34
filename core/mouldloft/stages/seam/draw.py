"""A seam drawn on a mesh, measured and priced."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ...base.errors import PlanImpossible
from ...geometry.contour import Chain, Crossings, cross_at_zero, face_level, join_chains
from ...geometry.depthmap import Grid, column_image, grid_around
from ...geometry.frame import pull_frame
from ...geometry.membrane import stretch_surface
from ...geometry.polyline import flatness_mm, steps_mm, tightest_turn_mm
from ...trade.price import SeamMeasures, SeamPrice, price_seam
from ..master import Master
from .bounds import skin_bounds
from .fair import line_fairness, off_plane_mm
from .ground import Place, faces_the_pull
from .record import SeamFigures, SeamLine

_TURN_STEP_MM = 10.0  # least step over which a turn is measured: less is the coat, not the line
_LEAST_LINE_MM = 5.0  # of an open line
_FIGURE_PIXELS = 140  # over the longest side, of the parting surface that fill is measured from
_BOARD_BEARS = 1.0  # times what a fair line may be off: further from its plane, the wall is no board


@dataclass(frozen=True, eq=False)
class Drawn:
    """A seam drawn on a mesh. level : (n,) float, positive on piece 0; labels : (m,) int8."""

    kind: str
    level: np.ndarray
    labels: np.ndarray
    lines: tuple[SeamLine, ...]
    figures: SeamFigures
    price: SeamPrice


@dataclass(frozen=True, eq=False)
class Canvas:
    """A master to draw on, with what a line's price follows from at each vertex.

    along : (m,) normal along the pull; locked : (2, m) as in `Ground`, of this master's faces. tops_mm, bottoms_mm :
    the column images (rows, cols) along the pull.
    """

    place: Place
    direction: np.ndarray
    locked: np.ndarray
    grid: Grid
    tops_mm: np.ndarray
    bottoms_mm: np.ndarray


def canvas_of(place: Place, direction: np.ndarray, locked: np.ndarray) -> Canvas:
    """A master ready to draw on. locked : (2, m) share of each face that either pull does not free."""
    points = pull_frame(direction).to_frame(place.master.vertices_mm)
    span = float(np.ptp(points[:, :2], axis=0).max())
    grid = grid_around(points, span / _FIGURE_PIXELS, 0.02 * span)
    top, bottom = column_image(points, place.master.faces, grid)
    return Canvas(place, direction, locked, grid, top, bottom)


def _line(crossings: Crossings, chain: Chain, values: np.ndarray) -> tuple[SeamLine, np.ndarray]:
    """A line with what it shows, and (k, v) all values at its points; values : (n, v), the first what shows."""
    points = crossings.points_mm[chain.nodes]
    # points that fall on one another (a line through a vertex) say nothing twice
    steps = steps_mm(points, chain.closed)
    keep = np.ones(len(points), bool)
    keep[: len(steps)] = steps > 1e-3 * max(float(steps.mean()), 1e-12)
    if not chain.closed:
        keep[0] = True
    at, points = chain.nodes[keep], points[keep]
    edges, share = crossings.edges[at], crossings.share[at][:, None]
    there = values[edges[:, 0]] * (1 - share) + values[edges[:, 1]] * share
    return line_along(points, chain.closed, there[:, 0]), there


def line_along(points: np.ndarray, closed: bool, shown: np.ndarray, between: tuple[int, int] = (0, 1)) -> SeamLine:
    """A seam line through (k, 3) points on the surface. shown : (k,) how much each shows."""
    length, on_show = float(steps_mm(points, closed).sum()), _along(points, closed, shown)
    turn_step = max(_TURN_STEP_MM, 3.0 * length / max(len(points), 1))
    return SeamLine(
        points,
        closed,
        length,
        tightest_turn_mm(points, closed, turn_step),
        flatness_mm(points),
        on_show / length if length > 0 else 0.0,
        between,
    )


def _along(points: np.ndarray, closed: bool, value: np.ndarray) -> float:
    """Integral of a value along a polyline."""
    steps = steps_mm(points, closed)
    following = np.roll(value, -1) if closed else value[1:]
    return float((steps * (value[: len(steps)] + following) / 2).sum())


def seam_lines(master: Master, level: np.ndarray, values: np.ndarray) -> list[tuple[SeamLine, np.ndarray]]:
    """The zero line of `level` as seam lines, longest first; none along an open base: lines end at the foot.

    values : (n, v), what each vertex is worth, the first of them how much it shows. Turns are measured over 10 mm, or
    three steps of a coarser line.
    """
    crossings = cross_at_zero(master.vertices_mm, master.faces, level)
    skip = master.base_faces if master.base == "open" else None
    lines = [_line(crossings, chain, values) for chain in join_chains(crossings, skip)]
    # the line may run in and out of an open base where it turns under the foot: those crumbs are no seam
    lines = [one for one in lines if one[0].length_mm > (0.0 if one[0].closed else _LEAST_LINE_MM)]
    return sorted(lines, key=lambda one: (-one[0].length_mm, *one[0].points_mm.min(axis=0)))


def parts_of(
    master: Master, level: np.ndarray, values: np.ndarray
) -> tuple[np.ndarray, list[tuple[SeamLine, np.ndarray]]]:
    """(m,) int8 piece of each face by the sign of a level, and the lines between. values : as in `seam_lines`. Raises
    `PlanImpossible` where it parts nothing."""
    labels = np.where(face_level(master.faces, level) >= 0, 0, 1).astype(np.int8)
    found = seam_lines(master, level, values)
    if labels.min() == labels.max() or not found:
        raise PlanImpossible(
            "The seam crosses no skin: it leaves each body whole to one piece; choose another opening "
            "direction or seam plane."
        )
    return labels, found


def lines_values(place: Place) -> np.ndarray:
    """(n, 3 + 3): how much each vertex shows, its keep-clear weight, whether it is past reach, its normal."""
    clear = np.clip(place.clear, 0.0, 1.0)
    columns = [place.show, clear, place.past_reach.astype(float)]
    return np.concatenate([np.stack(columns, axis=1), place.vertex_normals], axis=1)


def fill_of(canvas: Canvas, level: np.ndarray, lines: list[SeamLine], offset_mm: float | None) -> float:
    """Undercut fill (mm³): in every column along the pull, what stands between the parting surface and the body's ends,
    less the body. offset_mm : of a plane; else the surface is stretched from the lines."""
    frame = pull_frame(canvas.direction)
    solid = np.isfinite(canvas.tops_mm)
    if offset_mm is not None:
        height = np.full(solid.sum(), offset_mm)
    else:
        bounds = skin_bounds(canvas.place.master, level, frame, canvas.grid)
        runs = [(line.points_mm, line.closed) for line in lines]
        height = stretch_surface(runs, frame, canvas.grid, bounds, rough=True)[solid]
    columns = np.maximum(canvas.tops_mm[solid] - height, 0) + np.maximum(height - canvas.bottoms_mm[solid], 0)
    body = canvas.place.master.volume_mm3
    if body <= 0:
        body = float((canvas.tops_mm[solid] - canvas.bottoms_mm[solid]).sum()) * canvas.grid.pixel_mm**2
    return max(float(columns.sum(dtype=float)) * canvas.grid.pixel_mm**2 - body, 0.0)


def draw(
    canvas: Canvas, kind: str, level: np.ndarray, offset_mm: float | None = None, *, board_mm: float | None = None
) -> Drawn:
    """Labels, lines, figures and price of the seam at the zero line of `level`.

    offset_mm : where it is a plane; board_mm : of a plane that it follows for the most part. Raises
    `PlanImpossible` where it parts nothing.
    """
    place = canvas.place
    labels, found = parts_of(place.master, level, lines_values(place))
    lines = [line for line, _ in found]
    fill = fill_of(canvas, level, lines, offset_mm)
    figures = _measure(canvas, kind, labels, found, fill, board_mm if offset_mm is None else offset_mm)
    measures = measures_of(figures)
    price = price_seam(measures, place.terms.casts, place.terms.rubber, place.terms.rates)
    return Drawn(kind, level, labels, tuple(lines), figures, price)


def _measure(
    canvas: Canvas,
    kind: str,
    labels: np.ndarray,
    found: list[tuple[SeamLine, np.ndarray]],
    fill_mm3: float,
    board_mm: float | None,
) -> SeamFigures:
    place = canvas.place
    length = sum(line.length_mm for line, _ in found)
    locked = np.where(labels == 0, canvas.locked[0], canvas.locked[1])
    sums = np.zeros(3)
    fair, turn, bent, facing = 0.0, 0.0, 0.0, 0.0
    off = _off_board(canvas, np.concatenate([line.points_mm for line, _ in found]), board_mm)
    first = 0
    for line, values in found:
        sums += [_along(line.points_mm, line.closed, values[:, k]) for k in range(3)]
        leaves = off[first : first + len(line.points_mm)] > _BOARD_BEARS * place.rule.off_mm
        bent += _along(line.points_mm, line.closed, leaves.astype(float))
        facing += _along(line.points_mm, line.closed, faces_the_pull(values[:, 3:], canvas.direction))
        first += len(line.points_mm)
        _, beside, turns = line_fairness(line.points_mm, values[:, 3:], line.closed, place.rule.over_mm)
        fair, turn = max(fair, float(beside.max(initial=0.0))), max(turn, float(turns.max(initial=0.0)))
    area = float((locked * place.skin_mm2).sum())
    return SeamFigures(
        kind, length, float(sums[0]), area, fill_mm3, len(found), bent, float(sums[2]), float(sums[1]),
        place.forced_lines, fair, 1.0 / turn if turn > 0 else float("inf"), 0.0, facing,
    )  # fmt: skip


def _off_board(canvas: Canvas, points: np.ndarray, board_mm: float | None) -> np.ndarray:
    """(k,) how far the points leave the flat board they keep to: the given one, or the one that fits them best."""
    return off_plane_mm(points) if board_mm is None else np.abs(points @ canvas.direction - board_mm)


def measures_of(figures: SeamFigures) -> SeamMeasures:
    """The measures that a seam's price follows from."""
    return SeamMeasures(
        figures.length_mm,
        figures.on_show_mm,
        figures.bent_mm,
        figures.past_reach_mm,
        figures.keep_clear_mm,
        figures.loops,
        figures.fill_mm3,
        figures.piece_locked_area_mm2,
        figures.solid_mm3,
        figures.facing_mm,
    )


def with_solids(drawn: Drawn, place: Place, solid_mm3: float) -> Drawn:
    """The seam with the limbs that it leaves to be filled in its figures and its price."""
    figures = replace(drawn.figures, solid_mm3=solid_mm3)
    price = price_seam(measures_of(figures), place.terms.casts, place.terms.rubber, place.terms.rates)
    return replace(drawn, figures=figures, price=price)
