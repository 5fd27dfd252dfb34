"""Bodies to look at: the master, the glove and the jacket as meshes light enough to draw, with colours on them.

These are for pictures and the page. What is milled or printed comes from the solids.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from scipy import sparse

from ..geometry.edges import rim_of
from ..geometry.facets import face_vectors
from ..geometry.frame import PullFrame
from ..geometry.gathering import gathered
from ..geometry.heightmap import sample
from ..geometry.manifold import arrays_of, as_manifold
from ..stages.keys.record import Key
from ..stages.keys.shape import key_bumps, key_profile_mm
from ..stages.master import Master
from ..stages.rubber.record import Envelope, LoosePiece
from .loose import cut_out_loose

_RIM_ROUNDS = 6  # averaging rounds that take the pixel stairs out of a rim
_STAIR_ROUNDS = 10
_EVENED_NORMALS = 4
_LEAST_WALL_MM = 0.2


@dataclass(frozen=True, eq=False)
class Body:
    """A mesh to draw.

    vertices_mm, normals, colours : (n, 3) float; faces : (m, 3) int32, outward. colours are sRGB, 0 to 1.
    """

    name: str
    vertices_mm: np.ndarray
    faces: np.ndarray
    normals: np.ndarray
    colours: np.ndarray
    coarse_mm: float = 0.0  # how far its surface may be out: light is measured this far off it

    def moved(self, by_mm: np.ndarray) -> Body:
        """The same body, shifted."""
        return replace(self, vertices_mm=self.vertices_mm + np.asarray(by_mm, float))


def body_of(
    name: str,
    vertices_mm: np.ndarray,
    faces: np.ndarray,
    colour: tuple[float, float, float] | np.ndarray,
    crease_deg: float = 42.0,
    coarse_mm: float = 0.0,
) -> Body:
    """Body with smooth normals, broken where the surface turns by more than about `crease_deg`.

    colour : one sRGB triple, or (n, 3) for each vertex.
    """
    vertices, faces, normals, origin = split_creases(vertices_mm, faces, crease_deg)
    colours = np.asarray(colour, float)
    colours = np.broadcast_to(colours, (len(vertices), 3)) if colours.ndim == 1 else colours[origin]
    return Body(name, vertices, faces, normals, np.ascontiguousarray(colours), coarse_mm)


def split_creases(
    vertices_mm: np.ndarray, faces: np.ndarray, crease_deg: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Vertices doubled along creases: new vertices, faces, unit normals, and the vertex each came from.

    A corner whose face leans from the vertex's mean normal by more than the limit gets a vertex of its own,
    shared with the corners that lean the same way (to the nearest of 26 directions).
    """
    across = face_vectors(vertices_mm, faces)
    flat = across / np.maximum(np.linalg.norm(across, axis=1, keepdims=True), 1e-30)
    mean = _summed(faces.reshape(-1), np.repeat(across, 3, axis=0), len(vertices_mm))
    mean /= np.maximum(np.linalg.norm(mean, axis=1, keepdims=True), 1e-30)
    corners = faces.reshape(-1).astype(np.int64)
    corner_flat = np.repeat(flat, 3, axis=0)
    leans = np.einsum("ij,ij->i", corner_flat, mean[corners]) < np.cos(np.radians(crease_deg))
    facing = (np.rint(corner_flat * 1.2).clip(-1, 1) + 1).astype(np.int64) @ np.array([9, 3, 1])
    key = corners * 28 + np.where(leans, facing, 27)
    kept, at = np.unique(key, return_inverse=True)
    origin = (kept // 28).astype(np.intp)
    normals = _summed(at, np.repeat(across, 3, axis=0), len(kept))
    normals /= np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-30)
    return vertices_mm[origin], at.reshape(-1, 3).astype(np.int32), normals, origin


def _summed(index: np.ndarray, values: np.ndarray, size: int) -> np.ndarray:
    # of nothing at all numpy counts in whole numbers
    sums = [np.bincount(index, values[:, k], minlength=size) for k in range(values.shape[1])]
    return np.stack(sums, axis=1).astype(float)


# --- fewer faces -----------------------------------------------------------------------------------------


def fewer_faces(vertices_mm: np.ndarray, faces: np.ndarray, most: int) -> tuple[np.ndarray, np.ndarray]:
    """The mesh with at most about `most` faces: within a growing tolerance where it is a manifold, else clustered."""
    if len(faces) <= most:
        return vertices_mm, faces
    simpler = _simplified(vertices_mm, faces, most)
    return simpler if simpler is not None else clustered(vertices_mm, faces, most)


def _simplified(vertices_mm: np.ndarray, faces: np.ndarray, most: int) -> tuple[np.ndarray, np.ndarray] | None:
    solid = as_manifold(vertices_mm, faces)
    if solid is None:
        return None
    size = float(np.linalg.norm(np.ptp(vertices_mm, axis=0)))
    # what a tolerance leaves falls about as it grows (on sculpts as its power of 0.8): begin a little short of enough
    tolerance = size * 4e-5 * max(1.0, len(faces) / most / 1.8)
    while solid.num_tri() > most and tolerance < 0.02 * size:
        solid = solid.simplify(tolerance)
        tolerance *= 1.8
    return arrays_of(solid)


def thinned(vertices_mm: np.ndarray, faces: np.ndarray, tolerance_mm: float) -> tuple[np.ndarray, np.ndarray]:
    """The mesh with flat parts thinned within a tolerance; as it is where it is no manifold."""
    solid = as_manifold(vertices_mm, faces)
    return (vertices_mm, faces) if solid is None else arrays_of(solid.simplify(tolerance_mm))


def evened(vertices_mm: np.ndarray, faces: np.ndarray, edge_mm: float) -> tuple[np.ndarray, np.ndarray]:
    """The mesh with long edges split, so that light on its vertices reads; as it is where it is no manifold."""
    solid = as_manifold(vertices_mm, faces)
    return (vertices_mm, faces) if solid is None else arrays_of(solid.refine_to_length(edge_mm))


def lightened(
    vertices_mm: np.ndarray, faces: np.ndarray, tolerance_mm: float, edge_mm: float, most: int
) -> tuple[np.ndarray, np.ndarray]:
    """Thinned and then evened, coarser and coarser, until there are no more than about `most` faces."""
    solid = as_manifold(vertices_mm, faces)
    for _ in range(8 if solid is not None else 0):
        solid = solid.simplify(tolerance_mm)
        lighter = solid.refine_to_length(edge_mm) if solid.num_tri() <= most else solid
        if lighter.num_tri() <= most:
            return arrays_of(lighter)
        tolerance_mm, edge_mm = tolerance_mm * 1.3, edge_mm * 1.4
    return fewer_faces(vertices_mm, faces, most)


def clustered(vertices_mm: np.ndarray, faces: np.ndarray, most: int) -> tuple[np.ndarray, np.ndarray]:
    """Vertices of a grid cell merged to their mean; works on any mesh, open or torn."""
    area = float(np.linalg.norm(face_vectors(vertices_mm, faces), axis=1).sum()) / 2
    cell = np.sqrt(2.0 * area / most)
    for _ in range(12):
        made = gathered(vertices_mm, faces, cell)
        if len(made[1]) <= most:
            break
        cell *= 1.15
    return made


# --- column solids ---------------------------------------------------------------------------------------


def halved(envelope: Envelope, most_pixels: int) -> Envelope:
    """The envelope at half the resolution, again and again, until its rubber covers no more than `most_pixels`."""
    while np.count_nonzero(np.isfinite(envelope.outer_mm)) > most_pixels:
        step = (slice(None, None, 2), slice(None, None, 2))
        envelope = replace(
            envelope,
            pixel_mm=envelope.pixel_mm * 2,
            parting_mm=envelope.parting_mm[step],
            filled_mm=envelope.filled_mm[step],
            outer_mm=envelope.outer_mm[step],
            flange=envelope.flange[step],
            open_base=envelope.open_base[step],
            jacket_flange=None if envelope.jacket_flange is None else envelope.jacket_flange[step],
            bead_mm=None if envelope.bead_mm is None else envelope.bead_mm[step],
        )
    return envelope


def solid_between(
    low_mm: np.ndarray,
    high_mm: np.ndarray,
    frame: PullFrame,
    origin_mm: tuple[float, float],
    pixel_mm: float,
) -> tuple[np.ndarray, np.ndarray]:
    """Closed mesh between two height maps, in plan coordinates: vertices (n, 3), faces (m, 3).

    Cells whose four pixels all have both heights (not NaN) are taken; the pixel stairs of the rim are
    smoothed in the map's plane, those of steep walls in space.
    """
    inside = np.isfinite(low_mm) & np.isfinite(high_mm)
    cells = _whole_cells(inside)
    used = np.zeros(inside.shape, bool)
    for di in (0, 1):
        for dj in (0, 1):
            used[di : cells.shape[0] + di, dj : cells.shape[1] + dj] |= cells
    number = np.full(inside.shape, -1, np.int64)
    number[used] = np.arange(np.count_nonzero(used))
    i, j = np.nonzero(used)
    xy = np.stack([origin_mm[0] + j * pixel_mm, origin_mm[1] + i * pixel_mm], axis=1).astype(float)
    top = _cell_faces(number, cells)
    rim = rim_of(top)
    xy = _smooth_rim(xy, rim)
    low = low_mm[used].astype(float)
    high = np.maximum(high_mm[used].astype(float), low + _LEAST_WALL_MM)
    count = len(xy)
    upper = _without_stairs(np.column_stack([xy, high]), top, rim)
    upper[:, 2] = np.maximum(upper[:, 2], low + _LEAST_WALL_MM)
    vertices = np.concatenate([upper, np.column_stack([xy, low])])
    walls = np.concatenate(
        [
            np.column_stack([rim[:, 1], rim[:, 0], rim[:, 0] + count]),
            np.column_stack([rim[:, 1], rim[:, 0] + count, rim[:, 1] + count]),
        ]
    )
    faces = np.concatenate([top, top[:, ::-1] + count, walls]).astype(np.int32)
    return frame.to_master(vertices), faces


def _whole_cells(inside: np.ndarray) -> np.ndarray:
    """(rows - 1, columns - 1) bool: cells with four pixels inside, none of them touching another by a corner only."""
    cells = inside[:-1, :-1] & inside[1:, :-1] & inside[:-1, 1:] & inside[1:, 1:]
    for _ in range(8):
        a, b = cells[:-1, :-1], cells[1:, 1:]
        c, d = cells[1:, :-1], cells[:-1, 1:]
        pinched = (a & b & ~c & ~d) | (c & d & ~a & ~b)
        if not pinched.any():
            break
        # a corner shared by two cells alone would be no manifold: drop one of the two
        cells = cells.copy()
        cells[1:, :-1] &= ~pinched
        cells[1:, 1:] &= ~pinched
    return cells


def _cell_faces(number: np.ndarray, cells: np.ndarray) -> np.ndarray:
    a, b = number[:-1, :-1][cells], number[:-1, 1:][cells]
    c, d = number[1:, 1:][cells], number[1:, :-1][cells]
    return np.concatenate([np.column_stack([a, b, c]), np.column_stack([a, c, d])])


def _smooth_rim(xy: np.ndarray, rim: np.ndarray) -> np.ndarray:
    xy = xy.copy()
    at = np.unique(rim)
    for _ in range(_RIM_ROUNDS):
        around = _summed(rim[:, 0], xy[rim[:, 1]], len(xy)) + _summed(rim[:, 1], xy[rim[:, 0]], len(xy))
        xy[at] = 0.5 * xy[at] + 0.25 * around[at]
    return xy


def _without_stairs(points: np.ndarray, faces: np.ndarray, rim: np.ndarray) -> np.ndarray:
    """Points of a sheet with the pixel stairs of its steep walls smoothed out (Taubin's shrink and swell: from memory).

    The rim stays where it is.
    """
    count = len(points)
    links = _links(faces, count)
    share = np.where(np.isin(np.arange(count), rim), 0.0, 1.0)[:, None]
    degree = np.maximum(np.asarray(links.sum(axis=1)).reshape(-1, 1), 1.0)
    for _ in range(_STAIR_ROUNDS):
        for factor in (0.5, -0.52):
            points = points + factor * share * (links @ points / degree - points)
    return points


def _links(faces: np.ndarray, count: int) -> sparse.csr_matrix:
    """(n, n) sparse: 1 where two vertices share an edge."""
    edges = np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]])
    ends = np.concatenate([edges, edges[:, ::-1]])
    links = sparse.csr_matrix((np.ones(len(ends), np.float32), (ends[:, 0], ends[:, 1])), shape=(count, count))
    links.data[:] = 1.0
    return links


def with_keys(envelope: Envelope, keys: Iterable[Key]) -> np.ndarray:
    """(rows, columns) the glove's outside with its keys on it, NaN beyond the rubber."""
    return envelope.outer_mm + key_bumps(envelope, keys)


def glove_mesh(
    envelope: Envelope,
    master: tuple[np.ndarray, np.ndarray] | Any | None,
    loose: Sequence[LoosePiece] = (),
    flat_mm: float = 0.0,
) -> tuple[np.ndarray, np.ndarray]:
    """The glove piece without its keys: what lies between parting surface and outside, less the master and its loose
    pieces.

    master : vertices and faces, or a manifold3d solid, to take away, so that the glove's inside is the master's own
        print with the locks in it; None, or a master that is no manifold: the inside is the filled column map.
    flat_mm : flat parts are thinned within it.
    """
    if master is not None:
        vertices, faces = solid_between(
            envelope.parting_mm, envelope.outer_mm, envelope.frame, envelope.origin_mm, envelope.pixel_mm
        )
        block, print_of = as_manifold(vertices, faces), as_manifold(*master) if isinstance(master, tuple) else master
        if block is not None and print_of is not None:
            left = cut_out_loose(block, loose)[0] - print_of
            if left.num_tri():
                return arrays_of(_largest_parts(left).simplify(flat_mm))
    inside = np.where(np.isfinite(envelope.filled_mm), envelope.filled_mm, envelope.parting_mm)
    made = solid_between(inside, envelope.outer_mm, envelope.frame, envelope.origin_mm, envelope.pixel_mm)
    return thinned(*made, flat_mm) if flat_mm else made


def loose_meshes(envelope: Envelope, loose: Sequence[LoosePiece]) -> list[tuple[np.ndarray, np.ndarray]]:
    """A glove's loose pieces where they sit, without keys on them."""
    if not loose:
        return []
    block = as_manifold(
        *solid_between(envelope.parting_mm, envelope.outer_mm, envelope.frame, envelope.origin_mm, envelope.pixel_mm)
    )
    if block is None:
        return []
    return [arrays_of(insert) for _, insert in cut_out_loose(block, loose)[1]]


def _largest_parts(solid):
    """Without the crumbs a cut along a sampled parting surface leaves (under a hundredth of the volume)."""
    parts = solid.decompose()
    if len(parts) == 1:
        return solid
    volumes = [part.volume() for part in parts]
    kept = [part for part, volume in zip(parts, volumes) if volume > 0.01 * sum(volumes)]
    whole = kept[0]
    for part in kept[1:]:
        whole = whole + part
    return whole


def jacket_mesh(envelope: Envelope, keys: Iterable[Key], thickness_mm: float) -> tuple[np.ndarray, np.ndarray]:
    """The jacket piece: the glove's outside, sockets and all, and the wall past the rubber, and the same a laminate
    further out along its normals."""
    inside = np.where(envelope.past_rubber, envelope.parting_mm, with_keys(envelope, keys))
    flat = np.where(np.isfinite(inside), inside - 1.0, np.nan)
    vertices, faces = solid_between(flat, inside, envelope.frame, envelope.origin_mm, envelope.pixel_mm)
    count = len(vertices) // 2  # the upper sheet comes first, the lower in the same order
    sheet = faces[(faces < count).all(axis=1)]
    upper = vertices[:count]
    across = face_vectors(upper, sheet)
    normals = _summed(sheet.reshape(-1), np.repeat(across, 3, axis=0), count)
    links = _links(sheet, count)
    for _ in range(_EVENED_NORMALS):  # a ripple of the map must not fold the offset sheet over
        normals /= np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-30)
        normals = normals + links @ normals
    normals /= np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-30)
    normals[np.unique(rim_of(sheet))] = envelope.frame.pull  # the rim stays flush with the flange's edge
    return np.concatenate([upper + thickness_mm * normals, upper]), faces


def key_mesh(envelope: Envelope, key: Key, sectors: int = 40, sunk_mm: float = 2.0) -> tuple[np.ndarray, np.ndarray]:
    """One key as it stands on the glove's outside, open below: rings of its profile over the height map."""
    side = (key.base_diameter_mm - key.top_diameter_mm) / 2
    at_side = np.linspace(0.0, 1.0, 5)
    radii = np.concatenate(
        [
            [key.top_diameter_mm / 4, key.top_diameter_mm / 2 - 0.1],
            key.top_diameter_mm / 2 + side * at_side,
            [key.reach_mm],
        ]
    )
    turn = 2 * np.pi * np.arange(sectors) / sectors
    ring = np.column_stack([np.cos(turn), np.sin(turn)])
    foot = envelope.frame.to_frame(np.array([key.foot_mm]))[0]
    flat = np.concatenate([[[0.0, 0.0]], (radii[:, None, None] * ring).reshape(-1, 2)])
    rise = key_profile_mm(key, np.linalg.norm(flat, axis=1))
    ground = sample(envelope.outer_mm, envelope.origin_mm, envelope.pixel_mm, flat + foot[:2])
    # the height map knows nothing beyond the rubber: the foot's own height goes on there
    ground = np.where(np.isfinite(ground), ground, foot[2])
    z = ground + rise
    z[-sectors:] -= sunk_mm
    k = np.arange(sectors)
    following = (k + 1) % sectors
    faces = [np.column_stack([np.zeros(sectors, int), 1 + k, 1 + following])]
    for r in range(len(radii) - 1):
        inner, outer = 1 + r * sectors, 1 + (r + 1) * sectors
        faces.append(np.column_stack([inner + k, outer + k, outer + following]))
        faces.append(np.column_stack([inner + k, outer + following, inner + following]))
    points = np.column_stack([flat + foot[:2], z])
    return envelope.frame.to_master(points), np.concatenate(faces).astype(np.int32)


def pin(
    foot_mm: np.ndarray, axis: np.ndarray, radius_mm: float, length_mm: float, sides: int = 16
) -> tuple[np.ndarray, np.ndarray]:
    """A closed cylinder centred on `foot_mm` along `axis`: a bolt to look at."""
    from ..geometry.frame import pull_frame

    turn = 2 * np.pi * np.arange(sides) / sides
    ring = np.column_stack([radius_mm * np.cos(turn), radius_mm * np.sin(turn)])
    local = np.concatenate(
        [
            np.column_stack([ring, np.full(sides, -length_mm / 2)]),
            np.column_stack([ring, np.full(sides, length_mm / 2)]),
            [[0, 0, -length_mm / 2], [0, 0, length_mm / 2]],
        ]
    )
    k = np.arange(sides)
    following = (k + 1) % sides
    faces = np.concatenate(
        [
            np.column_stack([k, following, following + sides]),
            np.column_stack([k, following + sides, k + sides]),
            np.column_stack([following, k, np.full(sides, 2 * sides)]),
            np.column_stack([k + sides, following + sides, np.full(sides, 2 * sides + 1)]),
        ]
    )
    return pull_frame(np.asarray(axis, float)).to_master(local) + np.asarray(foot_mm, float), faces


def joined(parts: Iterable[tuple[np.ndarray, np.ndarray]]) -> tuple[np.ndarray, np.ndarray]:
    """Meshes put into one."""
    vertices, faces, count = [], [], 0
    for points, triangles in parts:
        vertices.append(points)
        faces.append(triangles + count)
        count += len(points)
    if not vertices:
        return np.zeros((0, 3)), np.zeros((0, 3), np.int32)
    return np.concatenate(vertices), np.concatenate(faces).astype(np.int32)


def lock_share(master: Master, depth_mm: np.ndarray, deepest_mm: float) -> np.ndarray:
    """(n,) greatest lock depth of the faces at each vertex, as the root of its share of the scale's end.

    By the root, so that shallow locks are told from free skin beside deep ones.
    """
    at_vertex = np.zeros(len(master.vertices_mm))
    np.maximum.at(at_vertex, master.faces.reshape(-1), np.repeat(np.asarray(depth_mm, float), 3))
    return np.sqrt(np.clip(at_vertex / max(deepest_mm, 1e-9), 0.0, 1.0))
