"""The cheapest seam there is: an exact minimum cut, then a fair line within a tube about it."""

from __future__ import annotations

import numpy as np

from ...base.progress import SILENT, Progress
from ...geometry.edges import connected
from ...geometry.facegraph import SplitCosts, absorb_small_regions, cheapest_split, island_regions, regions
from ...geometry.tautline import keep_off_vertices, smooth_level, tauten_level
from ...trade.seamterms import SOLID_MM, TURNED_AWAY, never_price
from .costs import Walls
from .ground import Ground, Place, at_vertices, faces_the_pull
from .limits import Trouble

LEAST_REGION = 0.002  # of the skin: smaller islands join the piece around them
_ZIGZAG = (
    1.1  # times a straight line's length: what a line along mesh edges comes to in the mean (hexagons: 2 sqrt 3 / pi)
)
_FOOT_SHARE = 0.01  # of the full price: what a cut under an open base costs, enough to keep it straight
_PREFERRED_SHARE = 0.2  # of the full price, where the client would have the seam (invented)
_LIMB_SHARE = 0.12  # of a limb's thickness: how far the fair line may leave the cut there, or it slips off (invented)
_NEAR_ALLOWED = 0.5  # of the stretch allowed: a seam is not drawn up to what a rule of thumb bears (invented)
_TEARS = 4.0  # times as dear as skin nobody lays up: a torn glove stops the run (invented)
_GRAZING = 0.05  # |n . d| under which a face counts as standing along the pull (3 degrees)


def line_price(place: Place, bent: bool, direction: np.ndarray | None = None) -> np.ndarray:
    """(n,) money for each mm of seam at every vertex, by `trade.price`. direction : of the pull, where there is one."""
    unit = place.terms.unit
    price = unit.hidden_mm + (unit.shown_mm - unit.hidden_mm) * np.clip(place.show, 0.0, 1.0)
    price = price + unit.past_reach_mm * place.past_reach + (unit.bent_mm if bent else 0.0)
    price = price + unit.keep_clear_mm * np.clip(place.clear, 0.0, 1.0)
    if direction is not None:
        price = price + unit.facing_mm * faces_the_pull(place.vertex_normals, direction)
    return price * (1.0 + (1.0 - _PREFERRED_SHARE) * np.clip(place.clear, -1.0, 0.0))


def side_costs(ground: Ground, lip: float = 0.0) -> np.ndarray:
    """(2, m) money for giving each face to the piece ahead, and to the piece behind.

    Where the glove would have to stretch past half its limit, more than the seam round it. lip : how dear skin is
    that turns its back to its half's opening, in the same measure: nobody sees it who leans in as far as one does.
    """
    unit, skin = ground.place.terms.unit, ground.place.skin_mm2
    never = never_price(ground.place.terms, float(skin.sum()))
    over = _one_sided(ground.stretch > _NEAR_ALLOWED * ground.place.terms.stretch_allowed)
    along = ground.place.master.normals @ ground.direction
    away = np.stack([along < -TURNED_AWAY, along > TURNED_AWAY])
    thick = ground.place.thick_mm
    under = never * lip * (away & (thick > SOLID_MM))
    # a limb too thin to lay up is filled: half of it stands behind each of its sides, and the other goes with this one
    under = under + unit.solid_mm3 * np.where(thick <= SOLID_MM, thick, 0.0) * away
    return skin * (unit.fill_mm3 * ground.fill_mm + unit.locked_mm2 * ground.locked + _TEARS * never * over + under)


def _one_sided(marked: np.ndarray) -> np.ndarray:
    """What holds for one piece only: between two evils there is nothing to choose."""
    return marked & ~marked.all(axis=0)


def weigh(ground: Ground, extra: np.ndarray, lip: float = 0.0) -> SplitCosts:
    """All that a free seam costs, ready for `cheapest_split`. extra : (2, m) money on top of the sides' own, which
    follow `lip`."""
    place = ground.place
    graph, master = place.graph, place.master
    price = line_price(place, True, ground.direction)
    pair = graph.length_mm / _ZIGZAG * price[graph.vertices].mean(axis=1)
    if master.base == "open":
        foot = master.base_faces[graph.faces].all(axis=1)
        pair = np.where(foot, _FOOT_SHARE * pair, pair)
    ahead, behind = side_costs(ground, lip) + extra
    return SplitCosts(graph, ahead, behind, pair, followers(ground))


def followers(ground: Ground) -> np.ndarray:
    """(k, 2) pairs (lower, upper) along the pull.

    If the lower goes ahead and the upper behind, the pieces would have to pass through one another: the
    parting surface could not be one height over each point. Walls nearer than texture is deep bind nothing.
    """
    place, walls = ground.place, ground.walls
    least = max(2.0 * place.rule.off_mm, 2.0 * float(np.median(place.graph.length_mm)))
    return _follow(walls, place.master.normals @ ground.direction, least)


def _follow(walls: Walls, along: np.ndarray, least_mm: float) -> np.ndarray:
    here = np.arange(len(along), dtype=np.int32)
    steep = np.abs(along) < _GRAZING
    up = (walls.ahead >= 0) & (walls.ahead_mm > least_mm) & ~steep
    up &= ~steep[np.maximum(walls.ahead, 0)]
    down = (walls.behind >= 0) & (walls.behind_mm > least_mm) & ~steep
    down &= ~steep[np.maximum(walls.behind, 0)]
    return np.concatenate(
        [np.stack([here[up], walls.ahead[up]], axis=1), np.stack([walls.behind[down], here[down]], axis=1)]
    )


def cut_labels(
    ground: Ground, extra: np.ndarray, lip: float = 0.0, progress: Progress = SILENT, at: float = 0.5
) -> np.ndarray | None:
    """(m,) int8 labels of the cheapest split, small islands given away; None where one piece takes all."""
    master, graph = ground.place.master, ground.place.graph
    labels = cheapest_split(weigh(ground, extra, lip), progress, at)
    labels, _ = absorb_small_regions(graph, labels, ground.place.skin_mm2, LEAST_REGION * master.area_mm2)
    pair = labels[graph.faces]
    return labels if (pair[:, 0] != pair[:, 1]).any() else None


def fair_level(
    ground: Ground, labels: np.ndarray, tube_mm: float, lip: float = 0.0, progress: Progress = SILENT
) -> np.ndarray:
    """A level whose zero line is the seam between the labels, drawn as a fair line.

    The line moves as its own price asks, length against what each side costs, but turns nowhere tighter than the rule;
    it may leave the cut by the tube twice over.
    """
    place, master = ground.place, ground.place.master
    price = line_price(place, True, ground.direction)
    cost = side_costs(ground, lip) / np.maximum(place.skin_mm2, 1e-9)
    push = at_vertices(master, cost[1] - cost[0]) / np.maximum(price, 1e-12)
    push = np.clip(push, -1.0 / place.rule.turn_mm, 1.0 / place.rule.turn_mm)
    weight = price / float(np.median(price))
    finest = 2.0 * float(np.median(place.graph.length_mm))  # no line is drawn finer than the mesh
    tube_mm = max(tube_mm, finest)
    tube = np.maximum(_LIMB_SHARE * at_vertices(master, np.minimum(place.thick_mm, 1e6)), 0.25 * finest)
    how = {"weight": weight, "push": push, "tube": tube}
    level, _ = smooth_level(master.vertices_mm, master.faces, labels, tube_mm, progress, **how)
    level = tauten_level(master.vertices_mm, master.faces, level, tube_mm, progress, **how)
    return without_islands(place, level)


def without_islands(place: Place, level: np.ndarray) -> np.ndarray:
    """The level with small islands that smoothing left sunk into the other side.

    By vertices, not faces: the smallest island is one vertex, and the centre of no face lies on it.
    """
    master = place.master
    behind, region, area = level_regions(place, level)
    small = island_regions(region, area, behind, LEAST_REGION * master.area_mm2)
    if not small.any():
        return level
    return keep_off_vertices(master.vertices_mm, master.faces, np.where(small[region], -level, level))


def level_regions(place: Place, level: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Which side each vertex is on ((n,) int8, 1 behind), its connected region, and each region's area."""
    master, graph = place.master, place.graph
    behind = (level < 0).astype(np.int8)
    together = graph.vertices[behind[graph.vertices[:, 0]] == behind[graph.vertices[:, 1]]]
    count, region = connected(together, len(level))
    lumped = np.bincount(master.faces.reshape(-1), np.repeat(place.skin_mm2 / 3, 3), minlength=len(level))
    return behind, region, np.bincount(region, lumped, minlength=count)


def dearer_where_broken(ground: Ground, labels: np.ndarray, trouble: Trouble) -> np.ndarray:
    """(2, m) money on faces that break a limit where they are: a little more than a seam round each such place."""
    place, skin = ground.place, ground.place.skin_mm2
    bad = trouble.anywhere
    count, region = regions(place.graph, (bad + 2 * labels).astype(np.int8))
    area = np.bincount(region, skin, minlength=count)[region]
    money = 4.0 * place.terms.unit.shown_mm / np.sqrt(np.maximum(area, 1.0)) * skin * bad
    return np.stack([np.where(labels == 0, money, 0.0), np.where(labels == 1, money, 0.0)])
