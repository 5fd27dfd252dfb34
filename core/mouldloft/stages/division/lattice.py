"""The mould of many pieces as blocks on a lattice: who owns which place, what must be rubber, what comes off when.

Cells are cubes; a cell counts by its centre, so a surface stands right to half a cell. A piece is moved by whole cells,
in steps no longer than one. Joints may slide: what counts as a hit is going more than a cell deep.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numba import njit
from scipy import ndimage, spatial
from trimesh import triangles

from ...base.progress import SILENT, Progress
from ...geometry.contour import face_centres
from ...geometry.faraway import cells_away
from ...geometry.inside import inside_cells
from ...geometry.rays import RayScene, blocked, ray_scene
from ...geometry.sampling import samples_by_area
from ...geometry.thickcells import steps_along
from ..master import Master, skin_faces

CELLS = 120  # on the longest side
_MOST_CELLS = 3_000_000
_NOBODY = -1
_CUBE = np.ones((3, 3, 3), bool)
_FILL_ROUNDS = 6
_LEAST_PART = 0.05  # of a jacket's cells: a smaller loose part of it is a crumb
_EVEN_CELLS = 5  # over which a joint is evened
_FURTHER = 0.25  # of the distance: how much further a pull may reach for what another would have to fill
_CURE_ROUNDS = 6
_HOPELESS = 0.1  # of a jacket's cells: where two hold each other by more, no trimming helps


@dataclass(frozen=True, eq=False)
class Lattice:
    """Cubic cells in plan coordinates: cell (i, j, k) has its centre at first_mm + pitch_mm * (i, j, k)."""

    first_mm: np.ndarray
    pitch_mm: float
    shape: tuple[int, int, int]

    def centres_mm(self, cells: np.ndarray) -> np.ndarray:
        """(n, 3) centres of (n, 3) cells."""
        return self.first_mm + self.pitch_mm * cells


@dataclass(frozen=True, eq=False)
class MasterCells:
    """What every division of one master stands on; all arrays have the lattice's shape.

    inside : bool, the master. air : bool, where rubber and jacket may be (not the master, not under an open base).
    away_mm : float32, from the centre to the skin, negative inside, inf two cells beyond the rubber's skin or inside.
    near : (c, 3) int, cells where away_mm is finite; face, share : (c,) int32 and (c, 3), nearest skin face of each and
    the weights of its three corners at the nearest point.
    """

    master: Master
    scene: RayScene
    lattice: Lattice
    inside: np.ndarray
    air: np.ndarray
    away_mm: np.ndarray
    near: np.ndarray
    face: np.ndarray
    share: np.ndarray


@dataclass(frozen=True, eq=False)
class PieceCells:
    """Rubber and jackets of a division as cells.

    owner, jacket : int8, piece that a place belongs to, and whose jacket stands there (-1 none). rubber : bool.
    fill : bool, air that has to be rubber so that the jacket comes off; fill_cells : (pieces,) int, how much of it is
    each piece's. given_cells : how many were handed over or filled to undo a deadlock.
    """

    owner: np.ndarray
    rubber: np.ndarray
    jacket: np.ndarray
    fill: np.ndarray
    fill_cells: np.ndarray
    given_cells: int


@dataclass(frozen=True, eq=False)
class Unstacking:
    """In which order pieces can come off. after : for each piece, those that must be off before it; order : empty if
    there is none, and then `stuck` names who holds whom."""

    after: tuple[tuple[int, ...], ...]
    order: tuple[int, ...]
    stuck: tuple[int, ...]


# --- the body ------------------------------------------------------------------------------------------


def cells_of_master(
    master: Master,
    scene: RayScene,
    skin_mm: float,
    margin_mm: float,
    progress: Progress = SILENT,
    cells: int = CELLS,
) -> MasterCells:
    """The master on a lattice of about `cells` along its longest side, with room of `margin_mm` round it.

    skin_mm : thickness of the rubber; distances are kept two cells further.
    """
    low, high = master.vertices_mm.min(axis=0) - margin_mm, master.vertices_mm.max(axis=0) + margin_mm
    pitch = max(max(master.size_mm) / cells, float(np.prod(high - low) / _MOST_CELLS) ** (1 / 3))
    if master.base == "open":
        low[2] = 0.0
    count = np.ceil((high - low) / pitch).astype(int)
    # the body's middle falls between two cells, so that a symmetric body has symmetric cells
    first = (low + high) / 2 - pitch * (count - 1) / 2
    if master.base == "open":
        first[2] = pitch / 2
    lattice = Lattice(first, float(pitch), (int(count[0]), int(count[1]), int(count[2])))
    progress.step(0.02, "the master on a lattice")
    inside = inside_cells(master.vertices_mm, master.faces, lattice.first_mm, lattice.pitch_mm, lattice.shape)
    return MasterCells(
        master, scene, lattice, inside, ~inside, *_nearest_skin(master, lattice, inside, skin_mm + 2 * lattice.pitch_mm)
    )


def _nearest_skin(
    master: Master, lattice: Lattice, inside: np.ndarray, reach_mm: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Signed distance from the centres near the skin to it; those cells, the face nearest to each, and where on it."""
    pitch = lattice.pitch_mm
    count = int(np.clip(master.skin_area_mm2 / (0.4 * pitch) ** 2, 20_000, 600_000))
    taken = samples_by_area(master.vertices_mm, master.faces, master.face_areas_mm2, count, skin_faces(master))
    # the whole-cell transform only says which centres are worth asking
    near = cells_away(~inside) * pitch <= reach_mm + 2 * pitch
    near &= ~ndimage.binary_erosion(inside, _CUBE, iterations=2)
    cells = np.argwhere(near)
    centres = lattice.centres_mm(cells)
    nearest = taken.faces[spatial.cKDTree(taken.points_mm).query(centres, workers=2)[1]]
    # to the face itself: to its sample it would be too far
    on_face = triangles.closest_point(master.vertices_mm[master.faces[nearest]], centres)
    far = np.linalg.norm(centres - on_face, axis=1)
    within = far <= reach_mm
    cells, nearest = cells[within], nearest[within]
    away = np.full(lattice.shape, np.inf, np.float32)
    at = tuple(cells.T)
    away[at] = np.where(inside[at], -far[within], far[within])
    corners = master.vertices_mm[master.faces[nearest]]
    share = triangles.points_to_barycentric(corners, on_face[within])
    return away, cells, nearest, np.nan_to_num(share, nan=1 / 3)


def skin_volume_mm3(body: MasterCells, thickness_mm: float) -> float:
    """Volume within a thickness of the skin, outside it. Cells at either face count by how much of them lies within."""
    shell = np.isfinite(body.away_mm)
    away = body.away_mm[shell].astype(float) / body.lattice.pitch_mm
    thick = thickness_mm / body.lattice.pitch_mm
    share = np.clip(thick - away + 0.5, 0.0, 1.0) - np.clip(0.5 - away, 0.0, 1.0)
    return float(share.sum()) * body.lattice.pitch_mm**3


def skin_ratio(body: MasterCells, fill: np.ndarray, thickness_mm: float) -> float:
    """How much more skin goes over the master with its locks filled than over the bare one. Both by whole-cell
    distances, whose error the ratio takes out."""
    pitch = body.lattice.pitch_mm

    def shell(solid: np.ndarray) -> float:
        # the solid's side lies half a cell off its outermost centres
        away = cells_away(~solid)[body.air & ~solid] - 0.5
        return float(np.clip(thickness_mm / pitch - away + 0.5, 0.0, 1.0).sum())

    return shell(body.inside | fill) / max(shell(body.inside), 1e-9)


def labels_by_field(body: MasterCells, fields: np.ndarray) -> np.ndarray:
    """(c,) int8 label of the skin next to each near cell, by the largest of the (k, n) fields there."""
    corners = body.master.faces[body.face]
    return np.argmax(np.einsum("kcj,cj->kc", fields[:, corners], body.share), axis=0).astype(np.int8)


def labels_by_face(body: MasterCells, labels: np.ndarray) -> np.ndarray:
    """(c,) int8 label of the skin next to each near cell, from labels of faces ((m,))."""
    return labels[body.face].astype(np.int8)


# --- pieces ----------------------------------------------------------------------------------------------


def cells_of_pieces(
    body: MasterCells,
    skin_labels: np.ndarray,
    pulls: np.ndarray,
    skin_mm: float,
    wall_mm: float,
    flange_mm: float,
    progress: Progress = SILENT,
) -> tuple[PieceCells, Unstacking]:
    """Rubber and jackets of pieces that pull along `pulls` ((k, 3)) from the skin of `skin_labels` ((c,), for each
    near cell: `labels_by_field` or `labels_by_face`).

    A place belongs to the piece whose skin is nearest and whose pull frees it; where no pull does, it is filled. A
    jacket is the rubber's cover, at least a cell and a half thick, with a flange along the joints. Where two jackets
    hold each other, the fewer offending cells go to the other piece or are filled.
    """
    shut = _shut(body, pulls, progress)
    owner = _territory(body, skin_labels, shut)
    given = 0
    extra = np.zeros_like(body.inside)
    for turn in range(_CURE_ROUNDS):
        progress.step(0.5 + 0.5 * turn / _CURE_ROUNDS, "jackets as blocks, and their way off")
        blocks = _cover(body, owner, shut, extra, pulls, skin_mm, wall_mm, flange_mm)
        met = meetings(body, blocks, pulls)
        found = unstack(_count_met(met, len(pulls)))
        if found.order:
            break
        cells, other, share = _least_knot(met, found)
        if share > _HOPELESS:
            break
        free = ~shut[other][tuple(cells.T)]
        owner[tuple(cells[free].T)] = other
        extra[tuple(cells[~free].T)] = True
        given += len(cells)
    return replace(blocks, given_cells=given), found


def _shut(body: MasterCells, pulls: np.ndarray, progress: Progress) -> np.ndarray:
    """(pieces, ...) bool: air from which the master stands in the way along each pull. By rays, exact at the centre."""
    shut = np.zeros((len(pulls), *body.lattice.shape), bool)
    cells = np.argwhere(body.air)
    points = body.lattice.centres_mm(cells)
    still = np.zeros_like(points)
    for k, pull in enumerate(pulls):
        progress.step(0.1 + 0.4 * k / len(pulls), "looking along each pull")
        shut[k][tuple(cells.T)] = blocked(body.scene, points, still, pull)
    return shut


def _territory(body: MasterCells, skin_labels: np.ndarray, shut: np.ndarray) -> np.ndarray:
    """int8 owner of every cell: nearest skin, but a quarter as far again and three cells for a pull that is free there.

    The slack takes the label's own roughness out: a sliver on the wrong side of an edge would ask for a column of fill.
    """
    at = tuple(body.near.T)
    of_skin = np.full(body.lattice.shape, _NOBODY, np.int8)
    of_skin[at] = np.where(np.abs(body.away_mm[at]) <= 1.25 * body.lattice.pitch_mm, skin_labels, _NOBODY)
    of_skin[~body.air] = _NOBODY
    least = np.full(body.lattice.shape, np.inf, np.float32)
    owner = np.full(body.lattice.shape, _NOBODY, np.int8)
    for piece in range(len(shut)):
        skin = of_skin == piece
        if not skin.any():
            continue
        far = cells_away(~skin).astype(np.float32)
        far += (3.0 + _FURTHER * far) * shut[piece]
        owner[far < least] = piece
        least = np.minimum(far, least)
    return _evened(owner, shut)


def _evened(owner: np.ndarray, shut: np.ndarray) -> np.ndarray:
    """Owners by the majority of the cells around, of the pieces whose pull is free there: no joint in teeth."""
    around = [ndimage.uniform_filter((owner == piece).astype(np.float32), _EVEN_CELLS) for piece in range(len(shut))]
    even, most = owner.copy(), np.choose(np.maximum(owner, 0), around)
    for piece, share in enumerate(around):
        change = (share > most) & ~shut[piece]
        even[change] = piece
        most = np.where(change, share, most)
    return even


def _cover(
    body: MasterCells,
    owner: np.ndarray,
    shut: np.ndarray,
    extra: np.ndarray,
    pulls: np.ndarray,
    skin_mm: float,
    wall_mm: float,
    flange_mm: float,
) -> PieceCells:
    """Skin, then all that the master or other rubber stands over, then jacket and flange on that."""
    pitch = body.lattice.pitch_mm
    fill = extra.copy()
    for piece in range(len(pulls)):
        fill |= shut[piece] & (owner == piece)
    fill &= body.air
    glove = body.air & (body.away_mm <= skin_mm)
    for _ in range(_FILL_ROUNDS):
        solid = body.inside | glove | fill
        core = ndimage.binary_erosion(solid, border_value=1)
        more = np.zeros_like(fill)
        for piece, pull in enumerate(pulls):
            cells = np.argwhere(body.air & ~glove & ~fill & (owner == piece))
            more[tuple(cells[_under(core, cells, steps_along(body.lattice.shape, pull))].T)] = True
        if not more.any():
            break
        fill |= more
    rubber = glove | fill
    solid = body.inside | rubber
    away = cells_away(~solid) * pitch
    joint = ndimage.maximum_filter(owner, 3) != ndimage.minimum_filter(owner, 3)
    cover = (away <= max(wall_mm, 1.5 * pitch)) | (joint & (away <= flange_mm))
    jacket = _without_crumbs(np.where(cover & ~solid, owner, _NOBODY).astype(np.int8), len(pulls))
    counted = np.bincount(owner[fill & (owner >= 0)], minlength=len(pulls))
    return PieceCells(owner.copy(), rubber, jacket, fill, counted, 0)


def _without_crumbs(jacket: np.ndarray, pieces: int) -> np.ndarray:
    """The jackets less loose parts too small to be a piece: nothing holds them, and nobody would lay them up."""
    for piece in range(pieces):
        part, count = ndimage.label(jacket == piece, _CUBE)
        size = np.bincount(part.reshape(-1), minlength=count + 1)
        crumb = size < _LEAST_PART * max(size[1:].sum(), 1)
        crumb[0] = False
        jacket = np.where(crumb[part], _NOBODY, jacket).astype(np.int8)
    return jacket


def jacket_parts(body: MasterCells, blocks: PieceCells, labels: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Labels ((m,) int) of which each has a jacket in one part, and the old label of each new one.

    Skin in several parts may share one jacket, that reaches from one to the other; a jacket in parts is as many pieces.
    """
    centre = face_centres(body.master.vertices_mm, body.master.faces)
    made = np.zeros(len(labels), np.int8)
    old: list[int] = []
    for piece in range(int(labels.max()) + 1):
        mine = np.flatnonzero(labels == piece)
        cells = np.argwhere(blocks.jacket == piece)
        part = ndimage.label(blocks.jacket == piece, _CUBE)[0][tuple(cells.T)] - 1
        large = np.unique(part)
        if len(large) > 1:
            near = part[spatial.cKDTree(body.lattice.centres_mm(cells)).query(centre[mine], workers=2)[1]]
            large = np.unique(near)
            made[mine] = len(old) + np.searchsorted(large, near)
        else:
            made[mine] = len(old)
        old += [piece] * max(len(large), 1)
    return made, np.array(old)


# --- moving ----------------------------------------------------------------------------------------------


@njit(cache=True, nogil=True)
def _first_met(solid, cells, shifts, out):
    columns, rows, levels = solid.shape
    for n in range(cells.shape[0]):
        for s in range(shifts.shape[0]):
            i, j, k = cells[n, 0] + shifts[s, 0], cells[n, 1] + shifts[s, 1], cells[n, 2] + shifts[s, 2]
            if i < 0 or j < 0 or k < 0 or i >= columns or j >= rows or k >= levels:
                break
            if solid[i, j, k]:
                out[n] = True
                break


def _under(solid: np.ndarray, cells: np.ndarray, shifts: np.ndarray) -> np.ndarray:
    """(n,) bool: does the solid stand in the way of each cell along the shifts?"""
    out = np.zeros(len(cells), bool)
    _first_met(solid, cells, shifts, out)
    return out


@njit(cache=True, nogil=True)
def _all_met(jacket, cells, shifts, out):
    columns, rows, levels = jacket.shape
    for n in range(cells.shape[0]):
        for s in range(shifts.shape[0]):
            i, j, k = cells[n, 0] + shifts[s, 0], cells[n, 1] + shifts[s, 1], cells[n, 2] + shifts[s, 2]
            if i < 0 or j < 0 or k < 0 or i >= columns or j >= rows or k >= levels:
                break
            other = jacket[i, j, k]
            if other >= 0:
                out[n, other] = True


def obstacles(blocks: PieceCells, piece: int, sliding: int = 1) -> np.ndarray:
    """int8 jackets of the others as one piece meets them: less the `sliding` cells along its joints."""
    mine = ndimage.binary_dilation(blocks.owner == piece, _CUBE, iterations=sliding)
    return np.where(mine, _NOBODY, blocks.jacket).astype(np.int8)


def meetings(body: MasterCells, blocks: PieceCells, pulls: np.ndarray) -> list[tuple[np.ndarray, np.ndarray]]:
    """For each piece its jacket's cells ((n, 3)) and which other pieces each meets on its way ((n, pieces) bool)."""
    out = []
    for piece, pull in enumerate(pulls):
        cells = np.argwhere(blocks.jacket == piece)
        hit = np.zeros((len(cells), len(pulls)), bool)
        _all_met(obstacles(blocks, piece), cells, steps_along(body.lattice.shape, pull), hit)
        out.append((cells, hit))
    return out


def _count_met(met: Sequence[tuple[np.ndarray, np.ndarray]], pieces: int) -> np.ndarray:
    """(pieces, pieces) int: cells of the first that meet the second."""
    return np.array([hit.sum(axis=0) if len(cells) else np.zeros(pieces, int) for cells, hit in met])


def unstack(counts: np.ndarray) -> Unstacking:
    """The order in which pieces come off, given how many cells of each ((k, k), mover first) meet each other.

    Of those that are free at a time the one that frees most others goes first, then by number: always the same.
    """
    waits = counts > 0
    left = list(range(len(counts)))
    order: list[int] = []
    while left:
        free = [k for k in left if not waits[k, left].any()]
        if not free:
            break
        chosen = max(free, key=lambda k: (int(waits[left, k].sum()), -k))
        order.append(chosen)
        left.remove(chosen)
    after = tuple(tuple(int(j) for j in np.flatnonzero(row)) for row in waits)
    return Unstacking(after, () if left else tuple(order), tuple(left))


def _least_knot(met: Sequence[tuple[np.ndarray, np.ndarray]], found: Unstacking) -> tuple[np.ndarray, int, float]:
    """Of all that hold each other, the fewest cells that one piece meets another with, that other, and what share of
    the piece's jacket they are."""
    best: tuple[int, int, int] | None = None
    for mover in found.stuck:
        for other in found.stuck:
            hits = int(met[mover][1][:, other].sum())
            if hits and (best is None or hits < best[0]):
                best = (hits, mover, other)
    assert best is not None  # stuck pieces wait for one another
    cells, hit = met[best[1]]
    return cells[hit[:, best[2]]], best[2], best[0] / len(cells)


# --- a second look, by other means -----------------------------------------------------------------------


def surface_of(cells: np.ndarray, lattice: Lattice) -> tuple[np.ndarray, np.ndarray]:
    """The bare outside of the marked cells (bool, the lattice's shape) as triangles: (n, 3) mm and (m, 3) int32."""
    padded = np.pad(cells, 1)
    quads = []
    for axis in range(3):
        for sign in (1, -1):
            open_side = padded & ~np.roll(padded, -sign, axis)
            at = np.argwhere(open_side) - 1.0
            u, v = np.eye(3)[(axis + 1) % 3], np.eye(3)[(axis + 2) % 3]
            centre = at + 0.5 * sign * np.eye(3)[axis]
            corners = np.stack([centre + 0.5 * (a * u + b * v) for a, b in ((-1, -1), (1, -1), (1, 1), (-1, 1))], 1)
            quads.append(corners if sign > 0 else corners[:, ::-1])
    corners = np.concatenate(quads).reshape(-1, 3)
    first = 4 * np.arange(len(corners) // 4)[:, None]
    faces = np.concatenate([first + [0, 1, 2], first + [0, 2, 3]]).astype(np.int32)
    return lattice.centres_mm(corners), faces


@dataclass(frozen=True)
class WayOff:
    """One piece's way off, looked at anew. travel_mm : until it is past all that stands; master_hits, other_hits : rays
    from its cells that meet the master itself, or pieces still in place; clearance_mm : least distance of its cells'
    centres from the master's skin on the way; steps : places it was looked at."""

    piece: int
    travel_mm: float
    rays: int
    master_hits: int
    other_hits: int
    clearance_mm: float
    steps: int


_LEAST_STEPS = 12
_CLEARANCE_CELLS = 3_000


def look_again(
    body: MasterCells, blocks: PieceCells, pulls: np.ndarray, order: Sequence[int], progress: Progress = SILENT
) -> tuple[WayOff, ...]:
    """Take the pieces off in an order by another method than the one that found it: embree rays, not whole-cell steps.

    From the centre of every cell of a jacket a ray runs along the pull, against the master's own triangles and against
    the outsides of the pieces still in place, less two cells along its own joints (the first method rounds to one).
    Clearance is measured apart, from points on the master's skin.
    """
    area = body.master.skin_area_mm2
    count = int(np.clip(area / body.lattice.pitch_mm**2, 5_000, 100_000))
    master = body.master
    taken = samples_by_area(master.vertices_mm, master.faces, master.face_areas_mm2, count, skin_faces(master))
    tree = spatial.cKDTree(taken.points_mm)
    ways, left = [], list(order)
    for at, piece in enumerate(order):
        progress.step(at / len(order), "every way off, looked at again")
        left.remove(piece)
        ways.append(_way_off(body, blocks, pulls[piece], piece, left, tree))
    return tuple(ways)


def _way_off(
    body: MasterCells, blocks: PieceCells, pull: np.ndarray, piece: int, left: Sequence[int], tree: spatial.cKDTree
) -> WayOff:
    lattice = body.lattice
    centres = lattice.centres_mm(np.argwhere(blocks.jacket == piece))
    if not len(centres):
        return WayOff(piece, 0.0, 0, 0, 0, float("inf"), 0)
    still = np.zeros_like(centres)
    master_hits = int(blocked(body.scene, centres, still, pull).sum())
    standing = np.isin(obstacles(blocks, piece, sliding=2), left) if left else np.zeros_like(body.inside)
    other_hits = 0
    if standing.any():
        other_hits = int(blocked(ray_scene(*surface_of(standing, lattice)), centres, still, pull).sum())
    top = float((body.master.vertices_mm @ pull).max())
    if standing.any():
        top = max(top, float((lattice.centres_mm(np.argwhere(standing)) @ pull).max()))
    travel = max(top - float((centres @ pull).min()), 0.0)
    some = centres[:: max(len(centres) // _CLEARANCE_CELLS, 1)]
    stops = np.linspace(0.0, travel, _LEAST_STEPS)
    near = min(float(tree.query(some + s * pull, workers=2)[0].min()) for s in stops)
    return WayOff(piece, travel, len(centres), master_hits, other_hits, near, len(stops))
