"""The skin of a carved body: its field marched on a lattice, block by block, to one closed mesh."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit, prange

from ..base.progress import Progress
from ..geometry.edges import renumbered
from .carving import COAT_REACH_MM, distance, field_at, local_of_row

_COARSE = 4  # fine nodes to one coarse node inside a block
BLOCK = 48  # fine cells along a block's edge; a multiple of _COARSE


@njit(cache=True, nogil=True, parallel=True)
def _body_on(rows, origin, pitch, shape):
    """(i, j, k) float64 body without its coat on a lattice, x first."""
    out = np.empty((shape[0], shape[1], shape[2]))
    for i in prange(shape[0]):
        scratch = np.empty((rows.shape[0], 4))
        x = origin[0] + i * pitch
        for j in range(shape[1]):
            for k in range(shape[2]):
                y, z = origin[1] + j * pitch, origin[2] + k * pitch
                out[i, j, k] = field_at(rows, x, y, z, 0.0, 0.0, 0.0, scratch)
    return out


@njit(cache=True, nogil=True, parallel=True)
def _fill_block(rows, coarse, origin, pitch, cells, step, near_mm, coat_share, least_mm):
    """(cells + 1,)*3 float32 field of one block, cut off flat at z = 0.

    Far from the skin the coarse body interpolated is enough. It is read the same from both sides of a block's
    face, so neighbouring blocks agree to the last bit.
    """
    n = cells + 1
    out = np.empty((n, n, n), np.float32)
    least = 1e-3 * pitch
    coat_within = COAT_REACH_MM + 2.0 * pitch
    for i in prange(n):
        scratch = np.empty((rows.shape[0], 4))
        ci = min(i // step, coarse.shape[0] - 2)
        u = (i - ci * step) / step
        for j in range(n):
            cj = min(j // step, coarse.shape[1] - 2)
            v = (j - cj * step) / step
            for k in range(n):
                ck = min(k // step, coarse.shape[2] - 2)
                w = (k - ck * step) / step
                value = 0.0
                for di in range(2):
                    for dj in range(2):
                        for dk in range(2):
                            share = (u if di else 1 - u) * (v if dj else 1 - v) * (w if dk else 1 - w)
                            if share > 0.0:
                                value += share * coarse[ci + di, cj + dj, ck + dk]
                x, y, z = origin[0] + i * pitch, origin[1] + j * pitch, origin[2] + k * pitch
                if abs(value) < near_mm:
                    value = field_at(rows, x, y, z, coat_share, coat_within, least_mm, scratch)
                value = max(value, -z)
                if abs(value) < least:  # a surface through a lattice point makes slivers that do not weld
                    value = least if value >= 0.0 else -least
                out[i, j, k] = value
    return out


@dataclass(frozen=True)
class BodyLattice:
    """Fine lattice over a body: z = 0 half-way between two layers, whole blocks of cells."""

    pitch_mm: float
    low: tuple[int, int, int]  # first node, in pitches (z: half a pitch up)
    blocks: tuple[int, int, int]

    def origin(self, block) -> np.ndarray:
        """(3,) first node of a block, mm; the same number whichever block asks for a shared node's index."""
        node = np.array(self.low) + np.array(block) * BLOCK
        return (node + np.array([0.0, 0.0, 0.5])) * self.pitch_mm


def lattice_over(low_mm: np.ndarray, high_mm: np.ndarray, pitch_mm: float) -> BodyLattice:
    """The lattice of one pitch over a box."""
    low = np.floor(low_mm / pitch_mm).astype(int) - 2
    blocks = np.ceil((high_mm / pitch_mm + 2 - low) / BLOCK).astype(int)
    x, y, z = (int(v) for v in low)
    i, j, k = (int(v) for v in blocks)
    return BodyLattice(pitch_mm, (x, y, z), (i, j, k))


def _distances(rows: np.ndarray, point: np.ndarray) -> np.ndarray:
    """(k,) distance of a point from each solid by itself."""
    return np.array([distance(row, *_local_of(row, point)) for row in rows])


@njit(cache=True, nogil=True)
def _local_of(row, point):
    return local_of_row(row, point[0], point[1], point[2])


def _march_block(rows, lattice: BodyLattice, block, coat_share: float):
    """Vertices ((n, 3) float64, in lattice nodes) and faces of one block, or None where no skin passes it."""
    from skimage.measure import marching_cubes

    pitch = lattice.pitch_mm
    origin = lattice.origin(block)
    half = 0.5 * np.sqrt(3.0) * BLOCK * pitch
    apart = _distances(rows, origin + 0.5 * BLOCK * pitch)
    # fillets are at most 110 mm wide: a solid this far off changes nothing near the skin
    near = rows[apart < 1.5 * half + 200.0]
    if apart.min() > 1.5 * half + 110.0:
        return None
    middle = _body_on(near, origin + 0.5 * BLOCK * pitch, pitch, (1, 1, 1))[0, 0, 0]
    if middle > 1.5 * half or (middle < -1.5 * half and origin[2] > 0):
        return None
    nodes = BLOCK // _COARSE + 1
    coarse = _body_on(near, origin, pitch * _COARSE, (nodes, nodes, nodes))
    # interpolated between coarse nodes, a crease is missed by under half a coarse diagonal
    reach = COAT_REACH_MM + 2.0 * pitch + np.sqrt(3.0) / 2.0 * _COARSE * pitch
    if coarse.min() > reach or (coarse.max() < -reach and origin[2] > 0):
        return None
    filled = _fill_block(near, coarse, origin, pitch, BLOCK, _COARSE, reach, coat_share, 2.0 * pitch)
    if filled.min() > 0 or filled.max() < 0:
        return None
    vertices, faces, _, _ = marching_cubes(filled, 0.0)
    return vertices.astype(np.float64) + np.array(block) * float(BLOCK), faces.astype(np.int64)


def _weld(vertices: np.ndarray, faces: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Join the vertices that neighbouring blocks share: those on block faces, equal to the last bit."""
    shared = np.flatnonzero((np.mod(vertices, BLOCK) == 0).any(axis=1))
    _, first, inverse = np.unique(vertices[shared], axis=0, return_index=True, return_inverse=True)
    into = np.arange(len(vertices))
    into[shared] = shared[first[inverse.ravel()]]
    faces = into[faces]
    kept, faces = renumbered(faces)
    return vertices[kept], faces


def _largest_part(vertices: np.ndarray, faces: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The part with the most faces: a carved groove can close over a bubble."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components

    a = np.concatenate([faces[:, 0], faces[:, 1]])
    b = np.concatenate([faces[:, 1], faces[:, 2]])
    links = coo_matrix((np.ones(len(a), np.int8), (a, b)), shape=(len(vertices), len(vertices)))
    _, part = connected_components(links, directed=False)
    wanted = np.bincount(part[faces[:, 0]]).argmax()
    faces = faces[part[faces[:, 0]] == wanted]
    kept, faces = renumbered(faces)
    return vertices[kept], faces


def march(
    rows: np.ndarray, lattice: BodyLattice, coat_share: float, progress: Progress, note: str
) -> tuple[np.ndarray, np.ndarray]:
    """The whole body at one lattice pitch: (n, 3) mm and (m, 3), closed, one part, height not yet exact."""
    vertices, faces, count = [], [], 0
    for i in range(lattice.blocks[0]):
        for j in range(lattice.blocks[1]):
            progress.step((i * lattice.blocks[1] + j) / (lattice.blocks[0] * lattice.blocks[1]), note)
            for k in range(lattice.blocks[2]):
                piece = _march_block(rows, lattice, (i, j, k), coat_share)
                if piece is not None:
                    vertices.append(piece[0])
                    faces.append(piece[1] + count)
                    count += len(piece[0])
    nodes, joined = _largest_part(*_weld(np.concatenate(vertices), np.concatenate(faces)))
    return (nodes + np.array(lattice.low) + np.array([0.0, 0.0, 0.5])) * lattice.pitch_mm, joined


def sharp_foot(
    vertices: np.ndarray,
    faces: np.ndarray,
    centre_mm: tuple[float, float, float],
    half_axes_mm: tuple[float, float, float],
) -> np.ndarray:
    """The rim of the foot moved out to the plinth's own outline, which the lattice chamfers by up to a pitch."""
    ground = vertices[:, 2] == 0.0
    flat = ground[faces].all(axis=1)
    rim = np.zeros(len(vertices), bool)
    rim[faces[~flat].ravel()] = True
    rim &= ground
    x0, y0, _ = centre_mm
    a, b, _ = half_axes_mm
    x, y = vertices[rim, 0] - x0, vertices[rim, 1] - y0
    out = vertices.copy()
    reach = np.hypot(x / a, y / b)
    out[rim, 0], out[rim, 1] = x0 + x / reach, y0 + y / reach
    return out
