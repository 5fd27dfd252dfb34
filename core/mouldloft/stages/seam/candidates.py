"""Seams side by side: the best plane, the plane with local relief, the free seam."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from scipy import sparse
from scipy.sparse import csgraph

from ...base.errors import PlanImpossible
from ...base.progress import SILENT, Progress
from ...geometry.facegraph import regions
from ...geometry.tautline import keep_off_vertices
from .draw import Canvas, Drawn, canvas_of, draw, with_solids
from .free import LEAST_REGION, cut_labels, dearer_where_broken, fair_level, level_regions
from .ground import Ground, edge_links
from .limits import Trouble, check_limits, find_trouble, heavier_half_kg, lines_of
from .record import SeamLimits

_OFFSETS = 9  # planes tried along the pull
_PLANES_QUICKLY = 3  # of them, the cheapest, held to the limits
_OFFSET_SHARE = 0.16  # of the body's depth along the pull, to each side of the plane of least fill
# how dear a place is that could not be laid up, in turn until none is left, then halved back
_AT_LEISURE = (0.0, 1.0, 4.0, 16.0, 64.0)
_QUICKLY = (4.0, 24.0, 96.0)
_HALVINGS = 2
_OTHERS_MOST = 3  # free seams that a plane is tried along
_PLACES_MOST = 5  # where a plane may follow the free seam
_LINES_MOST = 8  # lines that are tried without


# of its price: what a seam has to save that is less simply stood up than another: a plane beside the middle, whose
# halves are unlike, a seam that leaves the plane, a line more, a direction askew to the mirror plane (invented)
LESS_SIMPLE_SAVES = 0.03
_EXCESS_WEIGHS = 5.0  # of the price, for all of the skin past a limit (invented)
_BARRED_WEIGHS = 8.0  # past a small breach: each hundredth makes it a twelfth dearer than the last (invented)
_SMALL_BREACH = 0.02  # of the skin (invented)


@dataclass(frozen=True, eq=False)
class Judged:
    """A seam drawn, measured and held to its limits. offset_mm : of a plane; board_mm : of the plane that a relief
    keeps to."""

    drawn: Drawn
    trouble: Trouble
    limits: SeamLimits
    offset_mm: float | None = None
    board_mm: float | None = None

    @property
    def rank(self) -> tuple[int, float]:
        """Kept limits first, then the price. A small breach (a palm's breadth, for a mirror and a roller on a stick) is
        weighed, not barred: a hundredth of the skin as a twentieth of the price; past that it grows with each
        hundredth, or a sock that hides half its inside would pay by its short seam. One that does not let the cast
        out comes last: what nobody can lay up is filled or cored, but a cast that stays in its mould is none. A seam
        that leaves the plane has to save a thirtieth (a flat wall is simply stood up), and so has each line more than
        the body forces: a loop on its own is a sliver of glove with a joint all round."""
        excess, figures = self.limits.excess, self.drawn.figures
        further = max(figures.loops - figures.forced_lines, 0)
        less_simple = LESS_SIMPLE_SAVES * (further + (self.drawn.kind != "plane"))
        barred = 2 if self.limits.overstretched_mm2 > 0 else int(excess > _SMALL_BREACH)
        weighed = np.expm1(_BARRED_WEIGHS * excess) if barred else _EXCESS_WEIGHS * excess
        return barred, self.drawn.price.total * float(1.0 + weighed + less_simple)


@dataclass(frozen=True, eq=False)
class Bench:
    """A ground with a canvas to draw its seams on."""

    ground: Ground
    canvas: Canvas

    def judge(self, drawn: Drawn, plane_kg: float | None = None, offset_mm: float | None = None) -> Judged:
        master = self.ground.place.master
        trouble = find_trouble(
            self.ground, drawn.level, drawn.labels, lines_of(master.vertices_mm, master.faces, drawn.level)
        )
        limits = check_limits(self.ground, drawn.labels, trouble, drawn.figures.fill_mm3, plane_kg)
        return Judged(with_solids(drawn, self.ground.place, trouble.solid_mm3), trouble, limits, offset_mm)


def bench_of(ground: Ground) -> Bench:
    """A ground with its own canvas."""
    return Bench(ground, canvas_of(ground.place, ground.direction, ground.locked))


def plane_level(canvas: Canvas, offset_mm: float) -> np.ndarray:
    """(n,) height over a plane across the pull. Raises `PlanImpossible` where it misses the master."""
    along = canvas.place.master.vertices_mm @ canvas.direction
    if not along.min() < offset_mm < along.max():
        raise PlanImpossible(
            f"The seam plane at {offset_mm:.0f} mm misses the master, which reaches from {along.min():.0f} "
            f"to {along.max():.0f} mm along the opening direction; choose an offset between them."
        )
    return along - offset_mm


def best_plane(bench: Bench, offset_mm: float | None = None, most: int = _OFFSETS) -> Judged:
    """The cheapest plane across the pull that keeps the limits, or the one asked for. most : planes held to them."""
    canvas = bench.canvas
    if offset_mm is not None:
        return bench.judge(draw(canvas, "plane", plane_level(canvas, offset_mm), offset_mm), None, offset_mm)
    tops, bottoms = bench.ground.tops_mm, bench.ground.bottoms_mm
    middle = float(np.median(np.concatenate([tops, bottoms])))
    depth = float(tops.max() - bottoms.min())
    drawn = []
    for share in np.linspace(-_OFFSET_SHARE, _OFFSET_SHARE, _OFFSETS):
        at = middle + float(share) * depth
        try:
            drawn.append((draw(canvas, "plane", plane_level(canvas, at), at), at))
        except PlanImpossible:
            continue
    if not drawn:
        return best_plane(bench, middle)

    def asked(offset_mm: float | None) -> float:
        return 1.0 if offset_mm == middle else 1.0 + LESS_SIMPLE_SAVES

    drawn.sort(key=lambda one: (one[0].price.total * asked(one[1]), one[1]))
    judged = []
    for one, at in drawn[:most]:
        judged.append(bench.judge(one, None, at))
        if judged[-1].limits.kept:
            break
    return min(judged, key=lambda j: (j.rank[0], j.rank[1] * asked(j.offset_mm)))


def free_seams(
    bench: Bench, plane: Judged, progress: Progress = SILENT, tries: tuple[float, ...] = _AT_LEISURE
) -> list[Judged]:
    """The cheapest seams over the whole surface, until one keeps the limits; none where no seam pays for its length.

    Where a half could not be laid up, those places are made dearer for it, four times each turn, and the cut is made
    anew; once one is kept, what is dear enough is halved in on.
    """
    ground = bench.ground
    extra = np.zeros((2, len(ground.place.skin_mm2)))
    plane_kg = heavier_half_kg(ground, plane.drawn.labels, plane.drawn.figures.fill_mm3)
    tube = 0.5 * ground.place.rule.turn_mm
    found: list[Judged] = []
    lowest, highest = 0.0, None
    for turn, dear in enumerate(tries):
        at = 0.5 + 0.3 * turn / len(tries)
        progress.step(at, "the cheapest split")
        tried = _cut_fair(bench, extra, dear, tube, plane_kg, progress, at)
        if tried is not None:
            found.append(tried)
            if tried.limits.kept:
                highest = dear
                break
            extra = np.maximum(extra, dearer_where_broken(ground, tried.drawn.labels, tried.trouble))
        lowest = dear
    if highest and len(tries) > _HALVINGS:
        for _ in range(_HALVINGS):
            dear = float(np.sqrt(max(lowest, 0.25) * highest))
            tried = _cut_fair(bench, extra, dear, tube, plane_kg, progress, 0.8)
            if tried is None or not tried.limits.kept:
                lowest = dear
            else:
                found.append(tried)
                highest = dear
    return sorted(found, key=lambda j: j.rank)


def _cut_fair(
    bench: Bench, extra: np.ndarray, dear: float, tube_mm: float, plane_kg: float, progress: Progress, at: float
) -> Judged | None:
    labels = cut_labels(bench.ground, dear * extra, dear, progress, at)
    return None if labels is None else _fair(bench, labels, tube_mm, dear, plane_kg, progress)


def _fair(
    bench: Bench, labels: np.ndarray, tube_mm: float, lip: float, plane_kg: float, progress: Progress
) -> Judged | None:
    level = fair_level(bench.ground, labels, tube_mm, lip, progress)
    try:
        tried = bench.judge(draw(bench.canvas, "free", level), plane_kg)
    except PlanImpossible:
        return None
    return _without_lines(bench, tried, plane_kg)


def _without_lines(bench: Bench, seam: Judged, plane_kg: float, pays: set[tuple[int, int]] | None = None) -> Judged:
    """The seam without each line that does not pay for its set-up: what it rings goes to the piece around it. A line
    that was tried and pays is not tried again when another has gone, nor where it is among `pays`, which grows."""
    place = bench.ground.place
    pays = set() if pays is None else pays
    for _ in range(_LINES_MOST):
        if seam.drawn.figures.loops <= 1:
            break
        better = None
        for ring, vertices in _ringed(bench, seam.drawn.level):
            if ring in pays:
                continue
            level = np.where(vertices, -seam.drawn.level, seam.drawn.level)
            level = keep_off_vertices(place.master.vertices_mm, place.master.faces, level)
            better = _if_better(bench, seam, level, plane_kg)
            if better is not None:
                break
            pays.add(ring)
        if better is None:
            break
        seam = better
    return seam


def _ringed(bench: Bench, level: np.ndarray) -> Iterator[tuple[tuple[int, int], np.ndarray]]:
    """What a seam's lines ring beside the greatest region of each piece, smallest first: (its first vertex and their
    count, (n,) which vertices)."""
    behind, region, area = level_regions(bench.ground.place, level)
    largest = [int(np.argmax(np.where(_owner(region, behind, area) == k, area, -1.0))) for k in (0, 1)]
    for k in [k for k in np.argsort(area) if k not in largest and area[k] > 0][:_LINES_MOST]:
        vertices = region == k
        yield (int(np.argmax(vertices)), int(np.count_nonzero(vertices))), vertices


def _if_better(bench: Bench, seam: Judged, level: np.ndarray, plane_kg: float) -> Judged | None:
    """The seam at another level, where it ranks before; held to its limits only where its price lets it."""
    try:
        drawn = draw(bench.canvas, seam.drawn.kind, level, board_mm=seam.board_mm)
    except PlanImpossible:
        return None
    barred, cost = seam.rank
    if not barred and drawn.price.total >= cost:
        return None
    tried = replace(bench.judge(drawn, plane_kg), board_mm=seam.board_mm)
    return tried if tried.rank < seam.rank else None


def _owner(region: np.ndarray, behind: np.ndarray, area: np.ndarray) -> np.ndarray:
    owner = np.zeros(len(area), np.int8)
    owner[region] = behind
    return owner


def relieved_plane(bench: Bench, plane: Judged, others: list[Judged], progress: Progress = SILENT) -> Judged | None:
    """The plane, but along one of the free seams where that pays; None where it pays nowhere."""
    ground, place = bench.ground, bench.ground.place
    plane_kg = heavier_half_kg(ground, plane.drawn.labels, plane.drawn.figures.fill_mm3)
    links, best = edge_links(place), plane
    pays: set[tuple[int, int]] = set()  # relief in one place leaves the lines of others as they are
    for free in others[:_OTHERS_MOST]:
        apart = plane.drawn.labels != free.drawn.labels
        count, region = regions(place.graph, (apart * (1 + plane.drawn.labels)).astype(np.int8))
        area = np.bincount(region, place.skin_mm2 * apart, minlength=count)
        least = LEAST_REGION / 2 * float(place.skin_mm2.sum())
        for k in [int(k) for k in np.argsort(-area)[:_PLACES_MOST] if area[k] > least]:
            progress.step(0.85, "local relief")
            near = _fades(links, np.unique(place.master.faces[region == k]), place.rule.over_mm)
            tried = _blended(bench, best.drawn.level, free.drawn.level, near, plane, plane_kg, pays)
            if tried is not None and tried.rank < best.rank:
                best = tried
    return None if best is plane else best


def _fades(links: sparse.csr_matrix, seeds: np.ndarray, over_mm: float) -> np.ndarray:
    """(n,) 1 on the seeds, fading to 0 over a distance along the surface."""
    away = csgraph.dijkstra(links, directed=False, indices=seeds, min_only=True, limit=1.5 * over_mm)
    share = np.clip(1.0 - away / (1.5 * over_mm), 0.0, 1.0)
    return share * share * (3.0 - 2.0 * share)


def _blended(
    bench: Bench,
    one: np.ndarray,
    other: np.ndarray,
    share: np.ndarray,
    plane: Judged,
    plane_kg: float,
    pays: set[tuple[int, int]],
) -> Judged | None:
    level = (1.0 - share) * one + share * other
    place = bench.ground.place
    level = keep_off_vertices(place.master.vertices_mm, place.master.faces, level)
    try:
        drawn = draw(bench.canvas, "relief", level, board_mm=plane.offset_mm)
    except PlanImpossible:
        return None
    judged = replace(bench.judge(drawn, plane_kg), board_mm=plane.offset_mm)
    return _without_lines(bench, judged, plane_kg, pays)


def all_candidates(
    bench: Bench, offset_mm: float | None = None, progress: Progress = SILENT, quick: bool = False
) -> list[Judged]:
    """The best plane, the plane with local relief, the free seam, those that there are. quick : to compare directions
    by, with fewer tries, and without relief where a seam keeps the limits without it."""
    plane = best_plane(bench, offset_mm, _PLANES_QUICKLY if quick else _OFFSETS)
    found = free_seams(bench, plane, progress, _QUICKLY if quick else _AT_LEISURE)
    enough = quick and any(not judged.rank[0] for judged in (plane, *found[:1]))
    relief = None if enough else relieved_plane(bench, plane, found, progress)
    return [plane, *([relief] if relief else []), *found[:1]]
