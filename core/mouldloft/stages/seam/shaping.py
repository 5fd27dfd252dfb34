"""A seam under the hand: its line drawn through a place on the skin, measured and priced at once, on a light copy.

A seam is the zero line of a level that grows with the distance from it. Less what the level is at a place, spread
about that place, the line goes through it, stays on the skin and parts the same two sides, fair however it was drawn.
"""

from __future__ import annotations

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


@dataclass(frozen=True, eq=False)
class Shaper:
    """A seam made ready to be shaped. level_mm : (n,) of the seam as planned, on the copy's vertices; links : (n, n)
    lengths of the copy's edges, mm."""

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
    return Shaper(canvas, carry_to_light(copy, seam.level_mm), edge_links(place))


def drawn_seam(shaper: Shaper, level_mm: np.ndarray) -> Drawn:
    """The seam at the zero line of a level, measured and priced. Raises `PlanImpossible` where it parts nothing."""
    light = shaper.master
    return draw(shaper.canvas, "own", keep_off_vertices(light.vertices_mm, light.faces, level_mm))


def drawn_through(shaper: Shaper, level_mm: np.ndarray, face: int, at_mm: np.ndarray, reach_mm: float) -> np.ndarray:
    """(n,) the level whose zero line goes through a place, and is what it was further off than some three reaches.

    face : number of the copy's face that the place lies on; at_mm : (3,); reach_mm : how far over the skin the line
    follows, as the standard deviation of a bell.
    """
    light = shaper.master
    level_mm = _by_distance(light, level_mm)
    corners = light.faces[face]
    weights = points_to_barycentric(light.vertices_mm[corners][None], np.asarray(at_mm, float)[None])[0]
    first = np.linalg.norm(light.vertices_mm[corners] - at_mm, axis=1)
    away = csgraph.dijkstra(shaper.links, directed=False, indices=corners, limit=4.0 * reach_mm)
    bell = np.exp(-0.5 * ((first[:, None] + away).min(axis=0) / reach_mm) ** 2)  # nothing past the limit, which is inf
    value = float(weights @ level_mm[corners])
    return level_mm - value / float(weights @ bell[corners]) * bell


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
