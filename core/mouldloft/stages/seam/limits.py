"""What a seam may not break: each half open like a dish, the glove's stretch, the hands that lift it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

import numpy as np
from numba import njit
from scipy.spatial import cKDTree

from ...geometry.contour import cross_at_zero, face_centres, join_chains
from ...geometry.depthmap import grid_around
from ...geometry.facegraph import regions
from ...geometry.frame import pull_frame
from ...geometry.membrane import stretch_surface
from ...geometry.rays import blocked, ray_scene
from ...trade.seamterms import LEAN_DEG, LEAST_STRETCHED, SOLID_MM, WIDTHS_DEEP
from .bounds import skin_bounds
from .ground import Ground
from .record import SeamLimits

_MOUTH_PIXELS = 100  # over the longest side: how finely an opening is looked through
_LOOKS = 40  # places of an opening, spread over it, that each place of the inside is looked at from
# and the places so many from the nearest straight out from it: all of the opening's, then one in eight
_NEAR = ((1, 1), (9, 1), (3, 8), (6, 8), (12, 8), (20, 8))
_GLANCE = 0.1  # sine of the flattest angle at which skin is seen and brushed (common practice, no source)
_HEAVIER = 1.25  # times the plane's heavier half: what two or more lift anyway (invented)
_LEAST_PLACE = 1.0 / 100.0  # of the skin: a smaller place, a palm or two of a figure a metre high, is texture


@dataclass(frozen=True, eq=False)
class Trouble:
    """Faces that break a limit of their half: (m,) bool each; and what is filled instead of laid up."""

    unseen: np.ndarray
    out_of_reach: np.ndarray
    overstretched: np.ndarray
    solid_mm3: float  # of limbs too thin to lay up and not seen or reached

    @property
    def anywhere(self) -> np.ndarray:
        return self.unseen | self.out_of_reach | self.overstretched


def mouth_points(ground: Ground, level: np.ndarray, lines: list[tuple[np.ndarray, bool]]) -> np.ndarray:
    """(k, 3) points of the opening between the halves: of the parting surface, what lies within the body."""
    master = ground.place.master
    frame = pull_frame(ground.direction)
    points = frame.to_frame(master.vertices_mm)
    span = float(np.ptp(points[:, :2], axis=0).max())
    grid = grid_around(points, span / _MOUTH_PIXELS, 0.0)
    low, high = skin_bounds(master, level, frame, grid)
    height = stretch_surface(lines, frame, grid, (low, high), rough=True)
    x, y = np.meshgrid(grid.x(), grid.y())
    at = np.stack([x, y, height], axis=-1).reshape(-1, 3)
    # within the body: skin of the piece ahead above, of the piece behind below
    within = (np.isfinite(low) & np.isfinite(high) & (high - low > 0)).reshape(-1)
    on_line = np.concatenate([frame.to_frame(run) for run, _ in lines])
    chosen = at[within]
    if len(chosen) < 8:  # an opening finer than the pixels
        chosen = np.concatenate([chosen, on_line[:: max(len(on_line) // 64, 1)]])
    return frame.to_master(chosen)


def _foot_points(ground: Ground, labels: np.ndarray, piece: int) -> np.ndarray:
    master = ground.place.master
    if master.base != "open":
        return np.zeros((0, 3))
    which = np.flatnonzero(master.base_faces & (labels == piece))
    return face_centres(master.vertices_mm, master.faces[which])[:: max(len(which) // 200, 1)]


def find_trouble(
    ground: Ground, level: np.ndarray, labels: np.ndarray, lines: list[tuple[np.ndarray, bool]]
) -> Trouble:
    """Where a seam breaks the limits of its halves. labels : (m,); lines : of (points, closed).

    A place is seen where a straight line leads from it through its half's own opening, or its open foot, to the
    outside, past all skin of that half, no further aslant than one leans and not flat along the skin. It is reached
    where that line is no longer than an arm from place to opening, and than four widths of the body there.
    """
    master, place = ground.place.master, ground.place
    mouth = mouth_points(ground, level, lines)
    seen, reached = np.zeros(len(labels), bool), np.zeros(len(labels), bool)
    centre = face_centres(master.vertices_mm, master.faces)
    skin = place.skin_mm2 > 0
    reach = np.minimum(WIDTHS_DEEP * place.thick_mm, place.terms.rates.reach_mm)
    for piece, pull in enumerate((ground.direction, -ground.direction)):
        own = np.flatnonzero((labels == piece) & skin)
        if not len(own):
            continue
        scene = ray_scene(master.vertices_mm, master.faces[own])
        ways = [(mouth, -pull), (_foot_points(ground, labels, piece), np.array([0.0, 0.0, -1.0]))]
        for opening, out in ways:
            left = own[~reached[own]]
            look = _looked_into(scene, centre[left], master.normals[left], opening, out, reach[left])
            seen[left] |= look[0]
            reached[left] |= look[1]
    own_side = labels[None] == np.arange(2)[:, None]
    over = ((ground.stretch > place.terms.stretch_allowed) & own_side).any(axis=0)
    laid_up = skin & (place.thick_mm > SOLID_MM)
    found = (laid_up & ~seen, laid_up & seen & ~reached, skin & over)
    least = (_LEAST_PLACE, _LEAST_PLACE, LEAST_STRETCHED)
    bad = [_places(ground, labels, which, share) for which, share in zip(found, least, strict=True)]
    left_out = skin & ~laid_up & ~reached
    # a limb has two sides, and half of it stands behind each
    solid = float((place.skin_mm2 * np.minimum(place.thick_mm, SOLID_MM) / 2)[left_out].sum())
    unseen, out_of_reach, overstretched = bad
    return Trouble(unseen, out_of_reach, overstretched, solid)


def _looked_into(
    scene, points: np.ndarray, normals: np.ndarray, opening: np.ndarray, out: np.ndarray, reach_mm: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Which places are seen through an opening, and which of them reached: two (k,) bool."""
    seen, reached = np.zeros(len(points), bool), np.zeros(len(points), bool)
    if not len(opening):
        return seen, reached
    looks = opening[np.unique(np.linspace(0, len(opening) - 1, _LOOKS).astype(int))]
    beside = _Beside(points, opening, out)
    ways: list[Callable[[np.ndarray], np.ndarray]] = [partial(beside.place, *near) for near in _NEAR]
    least = float(np.cos(np.radians(LEAN_DEG)))
    for through in [*ways, *(_always(look) for look in looks)]:
        left = np.flatnonzero(~reached & ~beside.hopeless)
        if not len(left):
            break
        at, way, within = _worth_a_look(points, normals, reach_mm, seen, left, through(left), out, least, _GLANCE)
        if not len(at):
            continue
        clear = ~blocked(scene, points[at], -normals[at], way)
        seen[at] |= clear
        reached[at] |= clear & within
    return seen, reached


@njit(cache=True, nogil=True)
def _worth_a_look(points, normals, reach_mm, seen, left, to, out, least, glance):
    """Of the points left, (k,), those whose line to a place, (k, 3) or one for all, leans no further than one does, is
    not flat along the skin, and shows anything new: which, (j, 3) the way, (j,) whether within reach."""
    at = np.empty(len(left), np.int64)
    ways = np.empty((len(left), 3))
    near = np.empty(len(left), np.bool_)
    count = 0
    for i in range(len(left)):
        k = left[i]
        j = i if len(to) > 1 else 0
        x, y, z = to[j, 0] - points[k, 0], to[j, 1] - points[k, 1], to[j, 2] - points[k, 2]
        far = np.sqrt(x * x + y * y + z * z)
        within = far <= reach_mm[k]
        if seen[k] and not within:
            continue
        rim = far < 0.5  # what lies at the very rim is seen straight on
        if rim:
            x, y, z = out[0], out[1], out[2]
        else:
            x, y, z = x / far, y / far, z / far
        facing = x * normals[k, 0] + y * normals[k, 1] + z * normals[k, 2]
        if x * out[0] + y * out[1] + z * out[2] < least or facing > (0.0 if rim else -glance):
            continue
        at[count], near[count] = k, within
        ways[count, 0], ways[count, 1], ways[count, 2] = x, y, z
        count += 1
    return at[:count], ways[:count], near[:count]


def _always(look: np.ndarray) -> Callable[[np.ndarray], np.ndarray]:
    return lambda left: look[None]


class _Beside:
    """Places of an opening by how far they lie beside the straight way out from points. hopeless : (k,) bool, points
    from which every place left lies further aslant than one leans: few are left to ask after the first."""

    def __init__(self, points: np.ndarray, opening: np.ndarray, out: np.ndarray) -> None:
        frame = pull_frame(out)
        at, ways = frame.to_frame(points), frame.to_frame(opening)
        self._at = at[:, :2]
        self._openings = {every: opening[::every] for _, every in _NEAR}
        self._trees = {every: cKDTree(ways[::every, :2]) for _, every in _NEAR}
        self._asked: dict[int, np.ndarray] = {}  # (k, ways): of each tree, once asked, the places of all its ways
        rise = np.maximum(ways[:, 2].max() - at[:, 2], 0.0)
        self._furthest = np.tan(np.radians(LEAN_DEG)) * rise + 1.0  # one at the very rim is seen straight on
        self.hopeless = np.zeros(len(points), bool)

    def place(self, nth: int, every: int, left: np.ndarray) -> np.ndarray:
        """(k, 3) the nth nearest place beside each of the points left, (k,), of one in `every` of the opening's."""
        opening = self._openings[every]
        if nth == every == 1:
            away, which = self._trees[every].query(self._at[left])
            self.hopeless[left] = away > self._furthest[left]
            return opening[which]
        ways = [n for n, e in _NEAR if e == every and n > 1]
        if every not in self._asked:  # points left only become fewer
            asked = np.zeros((len(self._at), len(ways)), np.int64)
            asked[left] = self._trees[every].query(self._at[left], k=[min(n, len(opening)) for n in ways])[1]
            self._asked[every] = asked
        return opening[self._asked[every][left, ways.index(nth)]]


def _places(ground: Ground, labels: np.ndarray, which: np.ndarray, share: float) -> np.ndarray:
    """The marked faces without those whose connected place is too small to matter."""
    skin = ground.place.skin_mm2
    least = share * float(skin.sum())
    if float(skin[which].sum()) < least:
        return np.zeros(len(which), bool)
    count, region = regions(ground.place.graph, (which + 2 * labels).astype(np.int8))
    area = np.bincount(region, skin, minlength=count)
    return which & (area[region] >= least)


def check_limits(
    ground: Ground, labels: np.ndarray, trouble: Trouble, fill_mm3: float, plane_kg: float | None = None
) -> SeamLimits:
    """The limits of a seam, with a sentence for each that is broken. plane_kg : the plane's heavier half: no other seam
    has to be lighter than that."""
    place, skin = ground.place, ground.place.skin_mm2
    terms, whole = place.terms, float(skin.sum())
    unseen, far, over = (float(skin[w].sum()) for w in (trouble.unseen, trouble.out_of_reach, trouble.overstretched))
    worst = np.where(labels == 0, ground.stretch[0], ground.stretch[1])
    stretch = _high(worst, skin, trouble.overstretched)
    heaviest = heavier_half_kg(ground, labels, fill_mm3)
    allowed = terms.lift_kg if plane_kg is None else max(terms.lift_kg, _HEAVIER * plane_kg)
    broken = []
    if unseen:
        broken.append(f"{unseen / 100:.0f} cm² of a half cannot be seen from its own opening")
    if far:
        broken.append(f"{far / 100:.0f} cm² of a half lie further than {terms.rates.reach_mm:.0f} mm from its opening")
    if over:
        broken.append(
            f"the glove would have to stretch past {100 * terms.stretch_allowed:.0f} % over {over / 100:.0f} cm²"
        )
    if plane_kg is not None and heaviest > allowed:
        broken.append(f"the heavier half weighs {heaviest:.0f} kg, over {allowed:.0f} kg")
    excess = (unseen + far + over) / whole + (max(heaviest / allowed - 1.0, 0.0) if plane_kg is not None else 0.0)
    return SeamLimits(unseen, far, stretch, terms.stretch_allowed, over, heaviest, allowed, tuple(broken), excess)


def _high(values: np.ndarray, skin: np.ndarray, over: np.ndarray) -> float:
    """The greatest value, but for single faces: at 99.9 % of the skin, or of what is over."""
    order = np.argsort(values)
    along = np.cumsum(skin[order])
    at = float(values[order][min(np.searchsorted(along, 0.999 * along[-1]), len(values) - 1)])
    return max(at, float(np.quantile(values[over], 0.98))) if over.any() else at


def heavier_half_kg(ground: Ground, labels: np.ndarray, fill_mm3: float) -> float:
    """Glove, jacket and wet cast of the heavier half; fill by where it lies."""
    terms, skin = ground.place.terms, ground.place.skin_mm2
    area = np.bincount(labels, skin, minlength=2) / 1e6
    locked = np.array([float((skin * ground.locked[k] * (labels == k)).sum()) for k in (0, 1)])
    share = locked / locked.sum() if locked.sum() > 0 else np.array([0.5, 0.5])
    kg = area * (terms.rubber_kg_m2 + terms.jacket_kg_m2 + terms.cast_kg_m2)
    return float((kg + share * fill_mm3 / 1e6 * terms.rubber.kg_per_litre).max())


def lines_of(vertices_mm: np.ndarray, faces: np.ndarray, level: np.ndarray) -> list[tuple[np.ndarray, bool]]:
    """The whole zero line of a level, over an open base too, as (points, closed)."""
    crossings = cross_at_zero(vertices_mm, faces, level)
    return [(crossings.points_mm[chain.nodes], chain.closed) for chain in join_chains(crossings)]
