"""A seam under the hand: its line drawn through a place on the skin, measured and priced at once, on a light copy.

A seam is the zero line of a level that grows with the distance from it. Less what the level is at a few places, spread
about each, the line goes through them, stays on the skin and parts the same two sides, fair however it was drawn. At
rest it is drawn on the master itself, measured and judged as the plan does: the level handed to the plan is that one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import sparse
from scipy.sparse import csgraph
from trimesh.triangles import closest_point, points_to_barycentric

from ...base.errors import PlanImpossible
from ...base.kept import kept_with_owner
from ...base.progress import SILENT, Progress
from ...geometry.contour import cross_at_zero
from ...geometry.frame import unit
from ...geometry.rays import RayScene, ray_scene
from ...geometry.tautline import distance_to_segments_mm, keep_off_vertices
from ...inputs.brief import SeamBrief
from ...trade.seamterms import SeamTerms
from ..lighter import carry_to_light, lighten
from ..master import Master
from ..undercut import UndercutField
from ..visibility import how_it_shows
from .draw import Canvas, Drawn, canvas_of, draw, parts_of
from .ground import edge_lengths, survey
from .place import SeamTable, judge_own, keep_clear_weights, lay_out, own_level, seam_table
from .record import Seam, SeamLine

SHAPED_ON = 14_000  # triangles of the copy, and half as many more of a master drawn on itself: some 50 ms
LEAST_APART = 4e-3  # of the largest singular value: two handles nearer than an eighth of their reach are met between

DETOUR = 1.3  # that the way along a mesh's edges makes on a flat: by a tenth on the whole, seldom by a third


@dataclass(frozen=True, eq=False)
class MeasuredSkin:
    """A mesh that handles are set on. level_mm : (n,) distance from the seam as it was, below zero on one side; links :
    (n, n) lengths of its edges, mm."""

    master: Master
    level_mm: np.ndarray
    links: sparse.csr_matrix


@dataclass(frozen=True, eq=False)
class Shaper:
    """A seam made ready to be shaped: on a light copy while it moves, and on the whole master for when it rests.

    table : what the plan draws it on.
    """

    canvas: Canvas
    light: MeasuredSkin
    whole: MeasuredSkin
    table: SeamTable

    @property
    def master(self) -> Master:
        """The light copy that is drawn on."""
        return self.light.master

    @property
    def level_mm(self) -> np.ndarray:
        """(n,) the level of the seam as it was, on the copy."""
        return self.light.level_mm


@dataclass(frozen=True)
class Told:
    """What is said of a seam: its length, its undercut fill, hours and money over the run."""

    length_mm: float
    fill_mm3: float
    hours: float
    total: float


def told_of(drawn: Drawn) -> Told:
    """What is said of a seam drawn."""
    return Told(drawn.figures.length_mm, drawn.figures.fill_mm3, drawn.price.hours, drawn.price.total)


@dataclass(frozen=True, eq=False)
class Rest:
    """A seam at rest, as the plan takes it. level_mm : (n,) float32 over the whole master's vertices; light : the same
    on the copy, for what changes from here on."""

    level_mm: np.ndarray
    lines: tuple[SeamLine, ...]
    told: Told
    light: Drawn

    def told_at(self, now: Drawn) -> Told:
        """What is said of the line while it moves: what it was at rest, and what the copy says has changed since."""
        then, here, at = told_of(self.light), told_of(now), self.told
        return Told(
            at.length_mm + here.length_mm - then.length_mm,
            max(at.fill_mm3 + here.fill_mm3 - then.fill_mm3, 0.0),
            at.hours + here.hours - then.hours,
            at.total + here.total - then.total,
        )


def shaper_of(
    master: Master,
    field: UndercutField,
    level_mm: np.ndarray,
    brief: SeamBrief,
    terms: SeamTerms,
    progress: Progress = SILENT,
    show: np.ndarray | None = None,
    scene: RayScene | None = None,
) -> Shaper:
    """A seam of two pieces made ready on a light copy of its master. level_mm : (n,) whose zero line it is, as
    `level_of` gives it; show, scene : of the master, if at hand."""
    scene = scene or ray_scene(master.vertices_mm, master.faces)
    if show is None:
        show = how_it_shows(master, brief, progress, scene)
    direction = unit(np.asarray(field.direction, float))
    table = seam_table(master, field, brief, terms, direction, progress, scene, show)
    copy = lighten(master, SHAPED_ON)
    place = lay_out(copy, terms, show, keep_clear_weights(master, brief))
    canvas = canvas_of(place, direction, survey(place, direction, progress).locked)
    light = _skin(copy.master, carry_to_light(copy, level_mm))
    whole = light if copy.master is master else _skin(master, np.asarray(level_mm, float))
    return Shaper(canvas, light, whole, table)


def _skin(master: Master, level_mm: np.ndarray) -> MeasuredSkin:
    return MeasuredSkin(master, _by_distance(master, level_mm), edge_lengths(master))


def level_of(seam: Seam) -> np.ndarray:
    """(n,) level of a seam's line. Raises `PlanImpossible` where it has more than two pieces."""
    if seam.level_mm is None or len(seam.pieces) != 2:
        raise PlanImpossible("Only the seam of two pieces can be shaped by hand; joints of more follow their pulls.")
    return seam.level_mm


def parted_along(master: Master, planned: Seam, level_mm: np.ndarray) -> Seam:
    """The planned seam's two pieces parted along the line of another level ((n,)), for a first look at what follows
    from it: its figures are the planned one's still. Raises `PlanImpossible` where the line parts nothing."""
    level = own_level(master, np.asarray(level_mm, float))
    labels, lines = parts_of(master, level, np.zeros((len(level), 1 + 3)))
    runs = tuple(line for line, _ in lines)
    return replace(
        planned,
        labels=labels,
        lines=runs,
        level_mm=level,
        length_mm=sum(line.length_mm for line in runs),
        candidates=(),
    )


def at_rest(shaper: Shaper, handles: Sequence[Handle], planned_mm: np.ndarray | None = None) -> Rest:
    """The line through the handles as the plan takes it, drawn on the whole master, with the limbs that are filled.

    planned_mm : (n,) level of the seam as planned, taken as it is where there is no handle. Raises `PlanImpossible`
    where the line parts nothing.
    """
    drawn = drawn_seam(shaper, drawn_through(shaper, handles))
    whole = shaper.whole.master
    if not handles and planned_mm is not None:
        level = planned_mm
    elif shaper.whole is shaper.light:
        level = drawn.level
    else:
        level = _through(shaper.whole, [_on_whole(handle, shaper.whole) for handle in handles])
    level = np.asarray(level, np.float32)
    judged = judge_own(shaper.table, own_level(whole, level.astype(float)))
    return Rest(level, judged.drawn.lines, told_of(judged.drawn), drawn)


def drawn_seam(shaper: Shaper, level_mm: np.ndarray) -> Drawn:
    """The seam at the zero line of a level, measured and priced. Raises `PlanImpossible` where it parts nothing."""
    light = shaper.master
    return draw(shaper.canvas, "own", keep_off_vertices(light.vertices_mm, light.faces, level_mm))


@dataclass(frozen=True, eq=False)
class Handle:
    """A place on the skin that the line is to go through.

    at_mm : (3,); reach_mm : how far the line follows; corners, weights : (3,) of the face that it lies on; bell : (n,)
    how far the line follows over the vertices, one at the place.
    """

    at_mm: np.ndarray
    reach_mm: float
    corners: np.ndarray
    weights: np.ndarray
    bell: np.ndarray

    def read(self, values: np.ndarray) -> float:
        """Values of the vertices at the place."""
        return float(self.weights @ values[self.corners])


def handle_at(shaper: Shaper, face: int, at_mm: np.ndarray, reach_mm: float) -> Handle:
    """A handle. face : number of the copy's face that the place lies on; at_mm : (3,); reach_mm : how far over the skin
    the line follows, as the standard deviation of a bell."""
    return _handle(shaper.light, face, np.asarray(at_mm, float), reach_mm)


def _handle(skin: MeasuredSkin, face: int, at_mm: np.ndarray, reach_mm: float) -> Handle:
    points = skin.master.vertices_mm
    corners = skin.master.faces[face]
    weights = points_to_barycentric(points[corners][None], at_mm[None])[0]
    first = np.linalg.norm(points[corners] - at_mm, axis=1)
    walked = csgraph.dijkstra(skin.links, directed=False, indices=corners, limit=4.0 * reach_mm)
    along = (first[:, None] + walked).min(axis=0)  # inf past the limit: nothing follows there
    # the straight way is even, the way along edges is not; it counts where the skin turns away between
    away = np.maximum(np.linalg.norm(points - at_mm, axis=1), along / DETOUR)
    bell = np.exp(-0.5 * (away / reach_mm) ** 2)
    return Handle(at_mm, reach_mm, corners, weights, bell)


@kept_with_owner(1)
def _on_whole(handle: Handle, whole: MeasuredSkin) -> Handle:
    """A handle of the copy on the whole master."""
    master = whole.master
    beside = np.flatnonzero((master.faces == _nearest(master, handle.at_mm)).any(axis=1))
    corners = master.vertices_mm[master.faces[beside]]
    at = closest_point(corners, np.repeat(handle.at_mm[None], len(beside), axis=0))
    nearest = int(np.argmin(np.linalg.norm(at - handle.at_mm, axis=1)))
    return _handle(whole, int(beside[nearest]), at[nearest], handle.reach_mm)


def _nearest(master: Master, at_mm: np.ndarray) -> int:
    """The vertex nearest to a place."""
    return int(np.argmin(((master.vertices_mm - at_mm) ** 2).sum(axis=1)))


def drawn_through(shaper: Shaper, handles: Sequence[Handle]) -> np.ndarray:
    """(n,) the level whose zero line goes through all handles, and is the planned one's further off than some three
    reaches of each. In whatever order they were set."""
    return _through(shaper.light, handles)


def _through(skin: MeasuredSkin, handles: Sequence[Handle]) -> np.ndarray:
    if not handles:
        return skin.level_mm
    held = np.array([[handle.read(other.bell) for other in handles] for handle in handles])
    off = np.array([handle.read(skin.level_mm) for handle in handles])
    share = np.linalg.lstsq(held, off, rcond=LEAST_APART)[0]
    return skin.level_mm - share @ np.array([handle.bell for handle in handles])


def _by_distance(light: Master, level_mm: np.ndarray) -> np.ndarray:
    """(n,) the level as the distance from its line, mm, where no line crosses: one that levels off gives no fair line
    far from where it was."""
    crossings = cross_at_zero(light.vertices_mm, light.faces, level_mm)
    start, end = (crossings.points_mm[which] for which in (crossings.start, crossings.end))
    away = distance_to_segments_mm(light.vertices_mm, start, end)
    sides = np.sign(level_mm[light.faces])
    crossed = np.unique(light.faces[(sides.min(axis=1) < 0) & (sides.max(axis=1) > 0)])
    made = np.sign(level_mm) * away
    made[crossed] = level_mm[crossed]
    return made
