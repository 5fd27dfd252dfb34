"""The skin shared out among several pulls: which pulls are worth having, and which takes which face.

A face costs its piece what it locks: its area where the pull does not free it, and the rubber of the gap that then has
to be filled. Shares are found on patches of faces, since that is what a jacket's parting can follow, and carried back
to the faces they are made of.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import sparse

from ...base.progress import SILENT, Progress
from ...geometry.contour import cross_at_zero, face_centres, join_chains
from ...geometry.edges import edges_of
from ...geometry.expansion import ShareCosts, share_out
from ...geometry.facegraph import FaceGraph, regions
from ...geometry.frame import pull_frame
from ...geometry.freedom import VERTICAL_DEG
from ...geometry.rays import RayScene, blocked, first_wall_mm
from ...trade.price import UnitPrices
from ..master import Master
from ..seam import at_vertices, skin_areas_mm2

_PATCHES = 90  # patches along the diagonal
_RING_STEP_DEG = 15
_USEFUL = 12  # pulls kept of all that are tried
_BELOW_LEVEL_DEG = 15.0  # how far a pull may point down where the piece stands on a board
_OPEN_GAP = 0.2  # of the diagonal: fill under an overhang with nothing beneath it ends there
_STARTS = 4  # of the useful pulls, that the choice of a few begins with
_CHOSEN_ON = 2_500  # patches that the choice of pulls looks at
_SKEW_SHARE = 0.03  # of its area, as locked skin: what a face turned across its pull costs (invented)
# more than two pieces are made where two break a limit, so what breaks it weighs many times its price (invented)
_FORCED = 30.0
_AS_FILL_MM = 20.0  # locked skin weighs as fill so deep (invented)
_DEEP_MM = 10.0  # shallower locks weigh by the square of their depth: rubber passes them (invented)
_TILTS_DEG = (8.0, 4.0, 2.0, 1.0)
_SMOOTH_SWEEPS = 24
_LEAST_ISLAND = 0.015  # of the skin: a smaller part of a share goes to the piece around it
_ISLAND_ROUNDS = 8


@dataclass(frozen=True, eq=False)
class Patches:
    """Faces gathered by place and facing. of_face : (m,) int; area_mm2, face : (p,) skin, and the face that stands for
    each; centres_mm, normals : (p, 3); pairs : (e, 2), neighbours, with the seam's price along their edge."""

    of_face: np.ndarray
    area_mm2: np.ndarray
    face: np.ndarray
    centres_mm: np.ndarray
    normals: np.ndarray
    pairs: np.ndarray
    price: np.ndarray


@dataclass(frozen=True, eq=False)
class Shares:
    """labels : (m,) int8, index into pulls ((k, 3)) for each face. fields : (k, n) float32, share of each label at the
    vertices, smoothed: the joints run where the two largest are equal."""

    labels: np.ndarray
    pulls: np.ndarray
    fields: np.ndarray


def gather_patches(master: Master, graph: FaceGraph, edge_price: np.ndarray) -> Patches:
    """Faces of one cell (1/90 of the diagonal) that face alike, in connected parts.

    edge_price : (e,) money for parting each edge of the graph.
    """
    cell_mm = float(np.linalg.norm(master.size_mm)) / _PATCHES
    centre = face_centres(master.vertices_mm, master.faces)
    place = np.floor((centre - centre.min(axis=0)) / cell_mm).astype(np.int64)
    facing = (np.rint(master.normals).astype(np.int64) + 1) @ np.array([9, 3, 1])
    key = ((place[:, 0] << 42) | (place[:, 1] << 21) | place[:, 2]) * 27 + facing
    _, bin_of_face = np.unique(key, return_inverse=True)
    count, of_face = regions(graph, bin_of_face.reshape(-1))
    weight = np.maximum(master.face_areas_mm2, 1e-12)
    total = np.bincount(of_face, weight, minlength=count)
    middle = np.stack([np.bincount(of_face, weight * centre[:, k], minlength=count) / total for k in range(3)], axis=1)
    # the face nearest to the middle stands for the patch: rays have to start on the surface
    off = np.linalg.norm(centre - middle[of_face], axis=1)
    order = np.lexsort((off, of_face))
    face = order[np.searchsorted(of_face[order], np.arange(count))]
    one, two = of_face[graph.faces[:, 0]], of_face[graph.faces[:, 1]]
    apart = one != two
    low, high = np.minimum(one, two)[apart].astype(np.int64), np.maximum(one, two)[apart].astype(np.int64)
    codes, joined = np.unique(low * count + high, return_inverse=True)
    return Patches(
        of_face,
        np.bincount(of_face, skin_areas_mm2(master), minlength=count),
        face,
        centre[face],
        master.normals[face],
        np.stack([codes // count, codes % count], axis=1),
        np.bincount(joined.reshape(-1), edge_price[apart], minlength=len(codes)),
    )


# --- which pulls -----------------------------------------------------------------------------------------


def ringed_directions(step_deg: float = _RING_STEP_DEG) -> np.ndarray:
    """(n, 3) unit directions over the full sphere, in level rings that a quarter turn about z maps onto themselves."""
    out = []
    for rise in np.arange(-90.0, 90.0 + step_deg / 2, step_deg):
        level = np.cos(np.radians(rise))
        count = max(4 * round(90.0 / step_deg * level), 1)
        turn = np.radians(np.arange(count) * 360.0 / count)
        out.append(np.stack([level * np.cos(turn), level * np.sin(turn), np.full(count, np.sin(np.radians(rise)))], 1))
    return np.concatenate(out).round(12) + 0.0


def possible_pulls(master: Master, others: np.ndarray) -> np.ndarray:
    """(n, 3) pulls to try: rings over the sphere, and `others` ((k, 3)) both ways. On a board, none far downwards."""
    pulls = np.concatenate([ringed_directions(), others, -others])
    if master.base == "open":
        pulls = pulls[pulls[:, 2] > -np.sin(np.radians(_BELOW_LEVEL_DEG))]
    return pulls


def pull_costs(
    master: Master, scene: RayScene, patches: Patches, pull: np.ndarray, unit: UnitPrices, which: np.ndarray
) -> np.ndarray:
    """(len(which),) money that each patch costs a piece with this pull, as what the limits force is weighed.

    A patch is locked where it faces away from the pull or the master stands in the way. Its gap, along the pull to the
    next wall, is filled with rubber; between two walls each carries half. Shallow locks weigh by the square of their
    depth,. Among pulls that free a patch, the one it faces more squarely is a little cheaper: it
    leaves more draft.
    """
    area, centre, normal = patches.area_mm2[which], patches.centres_mm[which], patches.normals[which]
    along = normal @ pull
    away = along < -np.sin(np.radians(VERTICAL_DEG))
    gap = np.zeros(len(which))
    below = np.flatnonzero(away)
    gap[below] = first_wall_mm(scene, centre[below], normal[below], -pull)
    above = np.flatnonzero(~away)
    shut = above[blocked(scene, centre[above], normal[above], pull)]
    gap[shut] = first_wall_mm(scene, centre[shut], normal[shut], pull)
    ended = np.isfinite(gap)
    most = _OPEN_GAP * float(np.linalg.norm(master.size_mm))
    filled = np.abs(along) * np.where(ended, 0.5 * gap, most)
    depth = np.where(away, np.abs(along) * np.minimum(gap, most), np.minimum(gap, most))
    locked = np.minimum(depth / _DEEP_MM, 1.0) ** 2
    return _FORCED * unit.fill_mm3 * area * (filled + _AS_FILL_MM * (locked + _SKEW_SHARE * (1.0 - along)))


def useful_pulls(costs: np.ndarray, most: int = _USEFUL) -> np.ndarray:
    """(most,) columns of the (patches, pulls) costs, each the one that lowers what is left the most. Greedy cover."""
    left = np.full(len(costs), np.inf)
    chosen: list[int] = []
    for _ in range(min(most, costs.shape[1])):
        totals = np.minimum(costs, left[:, None]).sum(axis=0)
        best = int(np.argmin(totals.round(6)))
        if best in chosen:
            break
        chosen.append(best)
        left = np.minimum(left, costs[:, best])
    return np.array(chosen)


def best_few(costs: np.ndarray, count: int, starts: np.ndarray) -> np.ndarray:
    """(count,) columns that together cost little if every patch takes its cheapest.

    Greedy from each of the `starts` (columns), then one column is changed for another while that helps (k-medoids by
    swaps, Kaufman and Rousseeuw 1990, from memory); the best of all starts.
    """
    best, least = np.zeros(0, int), np.inf
    for start in starts[:_STARTS]:
        chosen = np.concatenate([[start], useful_pulls(np.minimum(costs, costs[:, [start]]), count - 1)])
        total = np.inf
        while True:
            options = [(*_best_swap(costs, chosen, k), k) for k in range(len(chosen))]
            lowest, column, place = min(options)
            if lowest >= total - 1e-6 * max(total, 1.0):
                break
            chosen[place], total = column, lowest
        if total < least - 1e-6 * max(total, 1.0):
            best, least = np.sort(chosen), total
    return best


def _best_swap(costs: np.ndarray, chosen: np.ndarray, place: int) -> tuple[float, int]:
    """Cost and column of the best stand-in for one of the chosen."""
    others = costs[:, np.delete(chosen, place)].min(axis=1)
    totals = np.minimum(costs, others[:, None]).sum(axis=0).round(6)
    return float(totals.min()), int(np.argmin(totals))


# --- who takes what --------------------------------------------------------------------------------------


def share_skin(
    master: Master,
    graph: FaceGraph,
    patches: Patches,
    scene: RayScene,
    unit: UnitPrices,
    piece_money: float,
    pulls: np.ndarray,
    costs: np.ndarray,
    starts: np.ndarray,
    count: int,
    progress: Progress = SILENT,
) -> Shares:
    """Faces shared out among `count` of the pulls, each pull then turned to suit its own share, and shared out again.

    pulls : (c, 3); costs : (patches, c); unit : prices, and piece_money : what a further piece has to
    save; starts : columns that the search begins with. Parts of a share under 1.5 % of the skin go to their neighbours.
    """
    few = best_few(costs[:: max(len(costs) // _CHOSEN_ON, 1)], count, starts)
    chosen, data = pulls[few], costs[:, few]
    everything = np.arange(len(patches.area_mm2))

    def cost_of(pull: np.ndarray, which: np.ndarray) -> np.ndarray:
        return pull_costs(master, scene, patches, pull, unit, which)

    for turn in range(2):
        progress.step(0.2 + 0.4 * turn, f"{count} pulls share the skin")
        labels = share_out(ShareCosts(data, patches.pairs, patches.price, piece_money))
        used = np.unique(labels)
        chosen = np.array([_turned_to_suit(chosen[k], np.flatnonzero(labels == k), cost_of, master) for k in used])
        data = np.stack([cost_of(pull, everything) for pull in chosen], axis=1)
    labels = share_out(ShareCosts(data, patches.pairs, patches.price, piece_money))
    return _on_faces(master, graph, labels[patches.of_face], chosen)


def _turned_to_suit(
    pull: np.ndarray, which: np.ndarray, cost_of: Callable[[np.ndarray, np.ndarray], np.ndarray], master: Master
) -> np.ndarray:
    """The pull turned in smaller and smaller steps while its own share gets cheaper."""
    best, least = pull, float(cost_of(pull, which).sum())
    for tilt in np.tan(np.radians(_TILTS_DEG)):
        for _ in range(3):
            frame = pull_frame(best)
            ring = [
                best + tilt * (np.cos(a) * frame.axes[0] + np.sin(a) * frame.axes[1]) for a in np.pi / 4 * np.arange(8)
            ]
            ring = [d / np.linalg.norm(d) for d in ring]
            if master.base == "open":
                ring = [d for d in ring if d[2] > -np.sin(np.radians(_BELOW_LEVEL_DEG))]
            totals = [float(cost_of(d, which).sum()) for d in ring]
            at = int(np.argmin(np.round(totals, 6)))
            if totals[at] >= least * (1 - 1e-4) - 1e-6:
                break
            best, least = ring[at], totals[at]
    return best


def _on_faces(master: Master, graph: FaceGraph, labels: np.ndarray, pulls: np.ndarray) -> Shares:
    """Patches' shares as faces' labels with even borders, less their islands."""
    smooth = _largest_at_faces(master, _smooth_fields(master, labels, len(pulls)))
    whole = without_islands(graph, smooth, skin_areas_mm2(master))
    used, labels = np.unique(whole, return_inverse=True)
    return drawn_shares(master, labels.reshape(-1), pulls[used])


def drawn_shares(master: Master, labels: np.ndarray, pulls: np.ndarray) -> Shares:
    """Shares with even borders after labels ((m,) int)."""
    fields = _smooth_fields(master, labels, len(pulls))
    return Shares(_largest_at_faces(master, fields), pulls, fields.astype(np.float32))


def _smooth_fields(master: Master, labels: np.ndarray, count: int) -> np.ndarray:
    """(count, n) share of each label around every vertex, averaged over the patch's size."""
    edges = edges_of(master.faces, len(master.vertices_mm)).ends
    lengths = np.linalg.norm(master.vertices_mm[edges[:, 1]] - master.vertices_mm[edges[:, 0]], axis=1)
    cell_mm = float(np.linalg.norm(master.size_mm)) / _PATCHES
    sweeps = int(np.clip(4 * (cell_mm / float(np.median(lengths))) ** 2, 2, _SMOOTH_SWEEPS))
    size = len(master.vertices_mm)
    beside = sparse.csr_matrix((np.ones(len(edges)), (edges[:, 0], edges[:, 1])), shape=(size, size))
    beside = beside + beside.T
    share = np.maximum(np.asarray(beside.sum(axis=1)).ravel(), 1.0)
    fields = np.stack([at_vertices(master, labels == k) for k in range(count)], axis=1)
    for _ in range(sweeps):
        fields = 0.5 * (fields + (beside @ fields) / share[:, None])
    return fields.T


def _largest_at_faces(master: Master, fields: np.ndarray) -> np.ndarray:
    """(m,) int8 label of the largest field at each face's centre."""
    a, b, c = master.faces.T
    return np.argmax(fields[:, a] + fields[:, b] + fields[:, c], axis=0).astype(np.int8)


def without_islands(graph: FaceGraph, labels: np.ndarray, skin_mm2: np.ndarray) -> np.ndarray:
    """Labels of which every part smaller than 1.5 % of the skin has gone to the neighbour with the longest border."""
    for _ in range(_ISLAND_ROUNDS):
        count, part = regions(graph, labels)
        area = np.bincount(part, skin_mm2, minlength=count)
        give = np.flatnonzero(area < _LEAST_ISLAND * skin_mm2.sum())
        if not len(give):
            break
        labels = _given_away(graph, labels, part, give, count)
    return labels


def at_most(graph: FaceGraph, labels: np.ndarray, skin_mm2: np.ndarray, most: int) -> np.ndarray:
    """Labels of at most `most` kinds: the smallest goes, each part of it to the neighbour with the longest border."""
    while True:
        area = np.bincount(labels, skin_mm2)
        kinds = np.flatnonzero(np.bincount(labels))
        if len(kinds) <= most:
            return labels
        smallest = kinds[np.argmin(area[kinds])]
        count, part = regions(graph, labels)
        fewer = _given_away(graph, labels, part, np.unique(part[labels == smallest]), count)
        if (fewer == labels).all():
            return labels  # it touches no other
        labels = fewer


def _given_away(graph: FaceGraph, labels: np.ndarray, part: np.ndarray, give: np.ndarray, count: int) -> np.ndarray:
    """Labels with the listed parts given to the larger-bordering neighbour (never another of the listed, if it can)."""
    one, two = part[graph.faces[:, 0]], part[graph.faces[:, 1]]
    crossing = one != two
    a = np.concatenate([one[crossing], two[crossing]])
    b = np.concatenate([two[crossing], one[crossing]])
    length = np.tile(graph.length_mm[crossing], 2)
    old = np.zeros(count, labels.dtype)
    old[part] = labels
    border = np.asarray(sparse.coo_matrix((length, (a, b)), shape=(count, count)).tocsr()[give].todense())
    border[:, give] *= 1e-6
    takes = np.argmax(border, axis=1)
    into = np.arange(count)
    into[give] = np.where(border.max(axis=1) > 0, takes, give)
    return old[into[part]]


def joints_between(master: Master, shares: Shares) -> tuple[tuple[tuple[int, int], np.ndarray, bool], ...]:
    """Where two pieces' fields are equal and above all others': pairs of pieces, points (k, 3), closed or not."""
    fields = shares.fields.astype(float)
    at_faces = fields[:, master.faces].mean(axis=2)
    skip_base = master.base_faces if master.base == "open" else np.zeros(len(master.faces), bool)
    out = []
    for a in range(len(fields)):
        for b in range(a + 1, len(fields)):
            rest = np.delete(at_faces, (a, b), axis=0).max(axis=0) if len(fields) > 2 else np.zeros(len(master.faces))
            skip = skip_base | (np.maximum(at_faces[a], at_faces[b]) < rest)
            crossings = cross_at_zero(master.vertices_mm, master.faces, fields[a] - fields[b])
            for chain in join_chains(crossings, skip):
                out.append(((a, b), crossings.points_mm[chain.nodes], chain.closed))
    return tuple(out)
