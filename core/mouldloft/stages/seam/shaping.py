"""A seam under the hand: its line drawn through a place on the skin, measured and priced at once, on a light copy.

A seam is the zero line of a level that grows with the distance from it. Less what the level is at a few places, spread
about each, the line goes through them, stays on the skin and parts the same two sides, fair however it was drawn.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import sparse
from scipy.sparse import csgraph
from trimesh.triangles import points_to_barycentric

from ...base.errors import PlanImpossible
from ...base.progress import SILENT, Progress
from ...geometry.contour import cross_at_zero
from ...geometry.frame import unit
from ...geometry.rays import ray_scene
from ...geometry.tautline import distance_to_segments_mm, keep_off_vertices
from ...inputs.brief import SeamBrief
from ...trade.seamterms import SeamTerms
from ..lighter import carry_to_light, lighten
from ..master import Master
from ..visibility import how_it_shows
from .draw import Canvas, Drawn, canvas_of, draw
from .ground import edge_links, survey
from .place import keep_clear_weights, lay_out
from .record import Seam

SHAPED_ON = 10_000  # triangles of the copy: drawn and priced in some 50 ms
LEAST_APART = 1e-3  # of the largest singular value: two handles on nearly one spot are met between them


@dataclass(frozen=True, eq=False)
class Shaper:
    """A seam made ready to be shaped. level_mm : (n,) distance from the seam as planned, on the copy's vertices, below
    zero on one side; links : (n, n) lengths of the copy's edges, mm."""

    canvas: Canvas
    level_mm: np.ndarray
    links: sparse.csr_matrix

    @property
    def master(self) -> Master:
        """The light copy that is drawn on."""
        return self.canvas.place.master


def shaper_of(
    master: Master,
    seam: Seam,
    brief: SeamBrief,
    terms: SeamTerms,
    progress: Progress = SILENT,
    show: np.ndarray | None = None,
) -> Shaper:
    """A two-piece seam made ready on a light copy of its master. show : (m,) how much each face shows, if at hand.

    Raises `PlanImpossible` where the seam has more than two pieces.
    """
    if seam.level_mm is None or len(seam.pieces) != 2:
        raise PlanImpossible("Only the seam of two pieces can be shaped by hand; joints of more follow their pulls.")
    copy = lighten(master, SHAPED_ON)
    if show is None:
        show = how_it_shows(master, brief, progress, ray_scene(master.vertices_mm, master.faces))
    place = lay_out(copy, terms, show, keep_clear_weights(master, brief))
    direction = unit(np.asarray(seam.pieces[0].pull, float))
    canvas = canvas_of(place, direction, survey(place, direction, progress).locked)
    return Shaper(canvas, _by_distance(copy.master, carry_to_light(copy, seam.level_mm)), edge_links(place))


def drawn_seam(shaper: Shaper, level_mm: np.ndarray) -> Drawn:
    """The seam at the zero line of a level, measured and priced. Raises `PlanImpossible` where it parts nothing."""
    light = shaper.master
    return draw(shaper.canvas, "own", keep_off_vertices(light.vertices_mm, light.faces, level_mm))


@dataclass(frozen=True, eq=False)
class Handle:
    """A place on the skin that the line is to go through.

    at_mm : (3,); corners, weights : (3,) of the copy's face that it lies on; bell : (n,) how far the line follows over
    the copy's vertices, one at the place.
    """

    at_mm: np.ndarray
    corners: np.ndarray
    weights: np.ndarray
    bell: np.ndarray

    def read(self, values: np.ndarray) -> float:
        """Values of the copy's vertices at the place."""
        return float(self.weights @ values[self.corners])


def handle_at(shaper: Shaper, face: int, at_mm: np.ndarray, reach_mm: float) -> Handle:
    """A handle. face : number of the copy's face that the place lies on; at_mm : (3,); reach_mm : how far over the skin
    the line follows, as the standard deviation of a bell."""
    light = shaper.master
    corners = light.faces[face]
    weights = points_to_barycentric(light.vertices_mm[corners][None], np.asarray(at_mm, float)[None])[0]
    first = np.linalg.norm(light.vertices_mm[corners] - at_mm, axis=1)
    away = csgraph.dijkstra(shaper.links, directed=False, indices=corners, limit=4.0 * reach_mm)
    bell = np.exp(-0.5 * ((first[:, None] + away).min(axis=0) / reach_mm) ** 2)  # nothing past the limit, which is inf
    return Handle(np.asarray(at_mm, float), corners, weights, bell)


def drawn_through(shaper: Shaper, handles: Sequence[Handle]) -> np.ndarray:
    """(n,) the level whose zero line goes through all handles, and is the planned one's further off than some three
    reaches of each. In whatever order they were set."""
    if not handles:
        return shaper.level_mm
    held = np.array([[handle.read(other.bell) for other in handles] for handle in handles])
    off = np.array([handle.read(shaper.level_mm) for handle in handles])
    share = np.linalg.lstsq(held, off, rcond=LEAST_APART)[0]
    return shaper.level_mm - share @ np.array([handle.bell for handle in handles])


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
