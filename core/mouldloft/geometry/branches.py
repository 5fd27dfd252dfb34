"""Where a body narrows: limbs and necks along its branches, and the plane of least section there.

The inside is walked from its thickest place outwards. Places equally far on, in one connected part, are a slice of the
body; how the slices hang together is its graph of branches (the level set graph of Reeb 1946, from memory), and a link
that alone holds what lies beyond is where a plane may part it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from scipy.optimize import minimize
from scipy.sparse import coo_array, csr_array
from scipy.sparse.csgraph import connected_components, dijkstra

from .contour import Chain, Crossings, cross_at_zero, join_chains
from .edges import renumbered
from .frame import pull_frame, unit
from .inside import InsideNodes, nodes_inside

NODES = 100_000
_STEPS = np.array([(i, j, k) for i in (-1, 0, 1) for j in (-1, 0, 1) for k in (-1, 0, 1) if (i, j, k) > (0, 0, 0)])
_SLICE = 2.0  # pitches thick: thinner ones fall apart on the lattice
# what is a limb and what a neck; starting values (invented). A cone is neither: with the swelling asked for within one
# width of it, its half-angle is over atan((sqrt(2.5) - 1) / 2) = 16.2 degrees, and then it is shorter beyond than 1.72
_LIMB_SWELLS = 2.5  # times the section, within one width towards the body
_LIMB_LONG = 1.75  # widths of the section that a limb sticks out beyond it
_NECK_SWELLS = 1.7  # times the section, on both sides
_CREASE = 2.0  # widths: a shorter way round is a crease in the skin, no hole through the body
_OFF_MIDDLE = 0.5  # of a line's breadth, that it may pass the place it is asked round
_GOES_ON = 0.6  # of the volume beyond a slice, beyond the next
_SLIM = 0.75  # of the body where it is thickest: a wider section is none of a limb
_LEAST_BEYOND = 0.004  # of the body's volume
_FURTHER = 0.25  # of its area, for each width that a section lies further out: nearest to the body where all are alike
_SLIDE = 0.35  # of its width, that the plane may move while it settles
_TILT = np.tan(np.radians(25.0))
_AROUND = 3.0  # widths round the neck, of the skin that is looked at


def _round_width(area_mm2):
    """Width of a round section of so much area."""
    return 2.0 * np.sqrt(area_mm2 / np.pi)


@dataclass(frozen=True, eq=False)
class Neck:
    """A place where the body is narrow. at_mm, towards : (3,) middle and unit direction away from the body's thickest
    place; area_mm2 : of the slice; beyond_mm, beyond_mm3 : how far what lies beyond reaches, and its volume; swells :
    how many times the section the body has on its narrower side."""

    at_mm: np.ndarray
    towards: np.ndarray
    area_mm2: float
    beyond_mm: float
    beyond_mm3: float
    swells: float

    @property
    def width_mm(self) -> float:
        """Of a round section of the same area."""
        return float(_round_width(self.area_mm2))


@dataclass(frozen=True, eq=False)
class Section:
    """A plane across a body and the line round it there. normal : (3,) unit; offset_mm : normal . p on the plane;
    loop_mm : (k, 3), closed, its first not repeated."""

    normal: np.ndarray
    offset_mm: float
    area_mm2: float
    loop_mm: np.ndarray

    @property
    def width_mm(self) -> float:
        """Of a round section of the same area."""
        return float(_round_width(self.area_mm2))

    @property
    def perimeter_mm(self) -> float:
        """Length of the line."""
        return float(np.linalg.norm(np.roll(self.loop_mm, -1, axis=0) - self.loop_mm, axis=1).sum())


@dataclass(frozen=True, eq=False)
class _Slices:
    """Connected slices of the inside. far_mm : (s,) from the start; parent : (s,) the one slice before it, -1 where
    there is none or more than one; sole : (s,) bool, it alone holds what lies beyond; and of what lies beyond, itself
    with it: reach_mm, volume_mm3, widest_mm2."""

    middle_mm: np.ndarray
    far_mm: np.ndarray
    area_mm2: np.ndarray
    parent: np.ndarray
    sole: np.ndarray
    reach_mm: np.ndarray
    volume_mm3: np.ndarray
    widest_mm2: np.ndarray


def find_necks(vertices_mm: np.ndarray, faces: np.ndarray, nodes: int = NODES) -> tuple[Neck, ...]:
    """Limbs and necks of a closed body ((n, 3), (m, 3)), the largest beyond first; none of a ball, a cone, or a ring,
    where no single cut parts anything. nodes : about so many inside it. The same every time."""
    inside = nodes_inside(vertices_mm, faces, nodes)
    if len(inside.nodes_mm) < 2:
        return ()
    slices = _sliced(inside)
    whole = float(slices.volume_mm3.max())
    found = _narrow(slices, whole, 2.0 * float(inside.clearance_mm.max()))
    necks = [_neck(slices, group, found) for group in _runs(slices, np.isfinite(found))]
    return tuple(sorted(necks, key=lambda n: (-n.beyond_mm3, *n.at_mm)))


def _links(inside: InsideNodes) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Pairs of neighbouring nodes and their distance."""
    grid = np.full(tuple(inside.index.max(axis=0) + 3), -1, np.int64)
    grid[tuple((inside.index + 1).T)] = np.arange(len(inside.index))
    one, other, length = [], [], []
    for step in _STEPS:
        beside = grid[tuple((inside.index + 1 + step).T)]
        has = np.flatnonzero(beside >= 0)
        one.append(has)
        other.append(beside[has])
        length.append(np.full(len(has), float(np.linalg.norm(step)) * inside.pitch_mm))
    return np.concatenate(one), np.concatenate(other), np.concatenate(length)


def _sliced(inside: InsideNodes) -> _Slices:
    size = len(inside.nodes_mm)
    one, other, length = _links(inside)
    graph = coo_array((length, (one, other)), shape=(size, size)).tocsr()
    start = int(np.argmax(inside.clearance_mm))
    far = dijkstra(graph, directed=False, indices=start)
    known = np.isfinite(far[one])  # both ends, or neither
    one, other = one[known], other[known]
    thick = _SLICE * inside.pitch_mm
    band = np.where(np.isfinite(far), far / thick, 0).astype(np.int64)
    same = band[one] == band[other]
    _, label = connected_components(
        csr_array((np.ones(same.sum()), (one[same], other[same])), shape=(size, size)), directed=False
    )
    use = np.isfinite(far)
    _, label = np.unique(np.where(use, label, -1), return_inverse=True)
    label = label - (0 if use.all() else 1)
    count = int(label.max()) + 1
    cells = np.bincount(label[use], minlength=count)
    level = np.zeros(count, np.int64)
    level[label[use]] = band[use]
    pairs = np.unique(np.sort(np.stack([label[one[~same]], label[other[~same]]], axis=1), axis=1), axis=0)
    lower = np.where(level[pairs[:, :1]] < level[pairs[:, 1:]], pairs, pairs[:, ::-1])
    level, lower, label[use] = _healed(level, lower, label[use], cells * inside.pitch_mm**3 / thick, thick)
    count = len(level)
    cells = np.bincount(label[use], minlength=count)
    middle = np.stack([np.bincount(label[use], inside.nodes_mm[use, k], minlength=count) for k in range(3)], axis=1)
    far_mm = np.bincount(label[use], far[use], minlength=count) / cells
    parents = np.bincount(lower[:, 1], minlength=count)
    parent = np.full(count, -1, np.int64)
    parent[lower[:, 1]] = lower[:, 0]
    volume = cells * inside.pitch_mm**3
    beyond = _gathered(level, parent, far_mm, volume, volume / thick)
    return _Slices(
        middle / cells[:, None], far_mm, volume / thick, np.where(parents == 1, parent, -1), _sole(count, lower),
        *beyond,
    )  # fmt: skip


def _healed(
    level: np.ndarray, lower: np.ndarray, label: np.ndarray, area_mm2: np.ndarray, thick_mm: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Levels, links and labels with slices made one that only a crease parts: where two lead on to the same one and
    come from the same one no further back than it is wide, what lies between is no ring of the body."""
    count = len(level)
    stands_for = np.arange(count)

    def of(k: int) -> int:
        while stands_for[k] != k:
            k = int(stands_for[k])
        return k

    before: list[set[int]] = [set() for _ in range(count)]
    for one, other in lower.tolist():
        before[other].add(one)
    for k in np.argsort(level, kind="stable").tolist():
        most = int(np.ceil(_CREASE * _round_width(area_mm2[k]) / thick_mm))
        front = {of(j) for j in before[k]}
        chain: list[set[int]] = []
        while len(front) > 1 and len(chain) < most:
            chain.append(front)
            front = {of(j) for name in front for j in before[name]}
        if len(front) != 1 or not chain:
            continue
        for names in chain:
            first = min(names)
            for name in names:
                stands_for[name] = first
                before[first] |= before[name]
    used, into = np.unique([of(k) for k in range(count)], return_inverse=True)
    links = np.unique(into[lower], axis=0)
    return level[used], links, into[label]


def _sole(count: int, lower: np.ndarray) -> np.ndarray:
    """(count,) bool, slices whose link to the one before is a bridge of the graph: without it, it falls apart."""

    def parts(links: np.ndarray) -> int:
        table = coo_array((np.ones(len(links), np.int8), (links[:, 0], links[:, 1])), shape=(count, count))
        return int(connected_components(table, directed=False, return_labels=False))

    whole, sole = parts(lower), np.zeros(count, bool)
    for k, after in enumerate(lower[:, 1].tolist()):
        sole[after] |= parts(np.delete(lower, k, axis=0)) > whole
    return sole


def _gathered(
    level: np.ndarray, parent: np.ndarray, far: np.ndarray, volume: np.ndarray, area: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Furthest reach, volume and widest slice of everything beyond each slice, itself with it."""
    reach, whole, widest = far.copy(), volume.astype(float).copy(), area.copy()
    for k in np.argsort(-level, kind="stable").tolist():
        before = parent[k]
        if before >= 0:
            reach[before] = max(reach[before], reach[k])
            whole[before] += whole[k]
            widest[before] = max(widest[before], widest[k])
    return reach, whole, widest


def _narrow(slices: _Slices, whole_mm3: float, thickest_mm: float) -> np.ndarray:
    """(s,) how much the body swells on the narrower side of each slice that is a limb's root or a neck; else inf."""
    found = np.full(len(slices.far_mm), np.inf)
    for k in np.flatnonzero(slices.sole & (slices.volume_mm3 > _LEAST_BEYOND * whole_mm3)).tolist():
        area = slices.area_mm2[k]
        width = _round_width(area)
        if width > _SLIM * thickest_mm:
            continue
        near, all_of_it, before = 0.0, 0.0, slices.parent[k]
        while before >= 0:
            if slices.far_mm[k] - slices.far_mm[before] <= width:
                near = max(near, slices.area_mm2[before])
            all_of_it = max(all_of_it, slices.area_mm2[before])
            before = slices.parent[before]
        long = slices.reach_mm[k] - slices.far_mm[k] >= _LIMB_LONG * width
        inward, outward = all_of_it / area, slices.widest_mm2[k] / area
        if near >= _LIMB_SWELLS * area and long:
            found[k] = near / area
        elif min(inward, outward) >= _NECK_SWELLS:
            found[k] = min(inward, outward)
    return found


def _runs(slices: _Slices, chosen: np.ndarray) -> list[np.ndarray]:
    """Chosen slices that follow one another along one branch, each run a place. A branch goes on where most of what
    lies beyond does."""
    before = slices.parent
    goes_on = chosen & (before >= 0) & chosen[before] & (slices.volume_mm3 > _GOES_ON * slices.volume_mm3[before])
    on = np.flatnonzero(goes_on)
    links = csr_array((np.ones(len(on)), (on, before[on])), shape=(len(chosen), len(chosen)))
    _, label = connected_components(links, directed=False)
    return [np.flatnonzero(chosen & (label == name)) for name in np.unique(label[chosen])]


def _neck(slices: _Slices, run: np.ndarray, swells: np.ndarray) -> Neck:
    first = slices.far_mm[run].min()
    width = _round_width(slices.area_mm2[run])
    costs = slices.area_mm2[run] * (1.0 + _FURTHER * (slices.far_mm[run] - first) / width)
    k = int(run[np.argmin(costs.round(6))])
    before = slices.parent[k]
    towards = slices.middle_mm[k] - slices.middle_mm[before]
    after = np.flatnonzero((slices.parent == k) & (slices.volume_mm3 > 0.5 * slices.volume_mm3[k]))
    if len(after):
        towards = slices.middle_mm[after[0]] - slices.middle_mm[before]
    return Neck(
        slices.middle_mm[k],
        unit(towards),
        float(slices.area_mm2[k]),
        float(slices.reach_mm[k] - slices.far_mm[k]),
        float(slices.volume_mm3[k]),
        float(swells[k]),
    )


# --- the plane -------------------------------------------------------------------------------------------


def section_at(
    vertices_mm: np.ndarray, faces: np.ndarray, normal: np.ndarray, offset_mm: float, near_mm: np.ndarray
) -> Section | None:
    """The closed line round a body ((n, 3), (m, 3)) on a plane that goes round `near_mm` ((3,)), or else comes nearest
    to it; None where there is none."""
    crossings = cross_at_zero(vertices_mm, faces, vertices_mm @ normal - offset_mm)
    found = loop_round(crossings, normal, near_mm)
    if found is None:
        return None
    return Section(np.asarray(normal, float), float(offset_mm), found[1], crossings.points_mm[found[0].nodes])


def loop_round(crossings: Crossings, normal: np.ndarray, near_mm: np.ndarray) -> tuple[Chain, float] | None:
    """The closed chain on a plane that goes round a place ((3,)) or passes it closely, and the area in it; None where
    there is none. Lines round a hollow run the other way and are none."""
    best: tuple[float, float, Chain] | None = None
    frame = pull_frame(normal)
    middle = shapely.Point(*frame.to_frame(np.asarray(near_mm)[None])[0, :2])
    for chain in join_chains(crossings):
        if not chain.closed or len(chain.nodes) < 3:
            continue
        shape = shapely.Polygon(frame.to_frame(crossings.points_mm[chain.nodes])[:, :2])
        if not shape.exterior.is_ccw:
            continue
        away = float(shape.distance(middle))
        if best is None or (away, -shape.area) < (best[0], -best[1]):
            best = (away, float(shape.area), chain)
    if best is None or best[0] > _OFF_MIDDLE * np.sqrt(best[1]):
        return None
    return best[2], best[1]


def least_section(vertices_mm: np.ndarray, faces: np.ndarray, neck: Neck) -> Section | None:
    """The plane across a neck with the least section, turned by up to 25° and slid by up to a third of its width."""
    width = neck.width_mm
    near = np.linalg.norm(vertices_mm - neck.at_mm, axis=1) <= _AROUND * width
    kept = faces[near[faces].any(axis=1)]
    if not len(kept):
        return None
    used, corners = renumbered(kept)
    points = vertices_mm[used]
    frame = pull_frame(neck.towards)

    def plane(asked: np.ndarray) -> tuple[np.ndarray, float, np.ndarray]:
        a, b, slide = np.clip(asked, -1.0, 1.0)
        normal = unit(neck.towards + _TILT * (a * frame.axes[0] + b * frame.axes[1]))
        at = neck.at_mm + _SLIDE * width * slide * neck.towards
        return normal, float(normal @ at), at

    def area(asked: np.ndarray) -> float:
        section = section_at(points, corners, *plane(asked))
        beyond = float(np.maximum(np.abs(asked) - 1.0, 0.0).sum())
        return (section.area_mm2 if section is not None else 10.0 * neck.area_mm2) * (1.0 + beyond) / neck.area_mm2

    begin = np.array([[0, 0, 0], [0.4, 0, 0], [0, 0.4, 0], [0, 0, 0.4]], float)
    how = {"initial_simplex": begin, "xatol": 2e-3, "fatol": 1e-5, "maxfev": 120}
    best = minimize(area, begin[0], method="Nelder-Mead", options=how)
    return section_at(points, corners, *plane(best.x))


def is_narrow(vertices_mm: np.ndarray, faces: np.ndarray, neck: Neck, section: Section) -> bool:
    """Whether plane sections beside a neck's own say that it is one too: slices of the inside curve, and near the
    thickest place they go all round it."""
    middle, width = section.loop_mm.mean(axis=0), section.width_mm

    def most(steps: tuple[float, ...]) -> float:
        found = []
        for step in steps:
            at = middle + step * width * section.normal
            beside = section_at(vertices_mm, faces, section.normal, float(section.normal @ at), at)
            found.append(beside.area_mm2 if beside is not None else 0.0)
        return max(found) / section.area_mm2

    if most((-1.0, -0.75, -0.5, -0.25)) >= _LIMB_SWELLS and neck.beyond_mm >= _LIMB_LONG * width:
        return True
    return most((-3.0, -2.0, -1.0, -0.5)) >= _NECK_SWELLS and most((0.5, 1.0, 2.0, 3.0)) >= _NECK_SWELLS
