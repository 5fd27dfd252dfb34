"""A rubber body as a lattice of part-filled cubes, from anything that says how deep a place lies in it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from ...base.errors import PlanImpossible
from ...base.progress import SILENT, Progress
from .element import CORNERS, corner_weights

_SUB = 6  # points along a cell's side where rubber is asked for
_LEAST_FILL = 0.02  # emptier cells are left out
_STIFFNESS_FLOOR, _MASS_FLOOR = 0.04, 0.50  # of a full cell: slivers would set the time step (from a trial)
_SLIVER = 0.12  # cells with less fill bend more like a plain cube: they are too soft to stand on their own
_MOMENT_FLOOR = 0.02  # of a full cell's
# of its second moment a thin layer keeps where it runs at 45 degrees to the cells, whose own steps already bend there
# (fitted to strips; its normal is the axis in which its rubber is thinnest)
_CROSSWISE = 0.2
_BEARS = 0.15  # emptier cells carry no skin point: they give way under it
_CRUMB = 0.02  # of all rubber
_MOST_CELLS = 400_000

# (n, 3) points, mm → (n,) how deep they lie in the rubber, mm, negative outside; only right near the surface
Depth = Callable[[np.ndarray], np.ndarray]


@dataclass(frozen=True, eq=False)
class RubberLattice:
    """positions_mm : (n, 3) nodes at rest. nodes : (c, 8) int32. volume_mm3 : (c,) as stiffness counts it; fill_mm3 :
    (c,) as it is. middle_mm : (c, 3) of the rubber from the cell's centre; eased_mm : less in slivers. moment_mm5 :
    (c, 6). mass_kg : (n,), what weighs; inertia_kg : (n,), what is moved, more in slivers: that hardly matters at a
    hand's pace, and fewer steps do."""

    pitch_mm: float
    positions_mm: np.ndarray
    nodes: np.ndarray
    volume_mm3: np.ndarray
    fill_mm3: np.ndarray
    middle_mm: np.ndarray
    eased_mm: np.ndarray
    moment_mm5: np.ndarray
    mass_kg: np.ndarray
    inertia_kg: np.ndarray
    low_mm: np.ndarray  # (3,) corner of cell (0, 0, 0)
    cell_at: np.ndarray  # (x, y, z) int32: which cell stands there, −1 for none


def lattice_of(
    depth: Depth,
    low_mm: np.ndarray,
    high_mm: np.ndarray,
    pitch_mm: float,
    density_kg_per_mm3: float,
    progress: Progress = SILENT,
) -> RubberLattice:
    """Cells of `pitch_mm` over a box, filled as `depth` says. Raises `PlanImpossible` where they would be too many."""
    count = np.maximum(np.ceil((np.asarray(high_mm) - low_mm) / pitch_mm - 1e-9).astype(int), 1)
    low = np.asarray(low_mm, float)
    fill, middle, moment, at = _filled(depth, low, count, pitch_mm, progress)
    if not len(fill):
        raise PlanImpossible("There is no rubber in this lattice; give a finer pitch.")
    kept = _in_one_piece(fill, at, count)
    fill, middle, moment, at = fill[kept], middle[kept], moment[kept], at[kept]
    nodes, corners = _nodes(at, count)
    cell_at = np.full(count, -1, np.int32)
    cell_at[tuple(at.T)] = np.arange(len(at))
    whole = pitch_mm**3
    share = np.maximum(fill, _STIFFNESS_FLOOR) / fill
    mass, inertia = np.zeros(len(corners)), np.zeros(len(corners))
    np.add.at(mass, nodes.ravel(), np.repeat(fill * whole * density_kg_per_mm3 / 8, 8))
    np.add.at(inertia, nodes.ravel(), np.repeat(np.maximum(fill, _MASS_FLOOR) * whole * density_kg_per_mm3 / 8, 8))
    return RubberLattice(
        pitch_mm=pitch_mm,
        positions_mm=low + corners * pitch_mm,
        nodes=nodes,
        volume_mm3=fill * share * whole,
        fill_mm3=fill * whole,
        middle_mm=middle * pitch_mm,
        eased_mm=middle * pitch_mm * np.clip(fill / _SLIVER, 0, 1)[:, None],
        moment_mm5=(moment + np.array([1, 1, 1, 0, 0, 0]) * _MOMENT_FLOOR / 12) * pitch_mm**5,
        mass_kg=mass,
        inertia_kg=inertia,
        low_mm=low,
        cell_at=cell_at,
    )


def _filled(
    depth: Depth, low: np.ndarray, count: np.ndarray, pitch: float, progress: Progress
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Fill, middle, second moments (all in cell sides) and place of the cells that hold rubber."""
    sub, rough = _inner(_SUB), _inner(2)
    found: list[tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]] = []
    slab = np.stack(np.meshgrid(*(np.arange(n) for n in (1, *count[1:])), indexing="ij"), axis=-1).reshape(-1, 3)
    for i in range(count[0]):
        cells = slab + [i, 0, 0]
        near = depth(_points(low, cells, rough, pitch).reshape(-1, 3)).reshape(len(cells), -1).max(axis=1) > -pitch
        cells = cells[near]
        for part in np.array_split(cells, max(len(cells) // 20_000, 1)):
            held = np.clip(0.5 + depth(_points(low, part, sub, pitch).reshape(-1, 3)) * _SUB / pitch, 0.0, 1.0)
            held = held.reshape(len(part), _SUB**3)
            keep = held.mean(axis=1) >= _LEAST_FILL
            found.append((*_measured(held[keep], sub), part[keep]))
        if sum(len(f[0]) for f in found) > _MOST_CELLS:
            raise PlanImpossible(f"A lattice of {pitch:g} mm has too many cells for this glove; give a coarser pitch.")
        progress.step((i + 1) / count[0], "filling the lattice with rubber")
    return tuple(np.concatenate(part) for part in zip(*found))  # type: ignore[return-value]


def _in_one_piece(fill: np.ndarray, at: np.ndarray, count: np.ndarray) -> np.ndarray:
    """Which cells hang together face to face in more than crumbs: a crumb at a corner would fly off by itself."""
    from scipy import ndimage

    there = np.zeros(count, bool)
    there[tuple(at.T)] = True
    number = ndimage.label(there)[0][tuple(at.T)]
    share = np.bincount(number, weights=fill) / fill.sum()
    return np.asarray(share[number] > _CRUMB)


def _inner(count: int) -> np.ndarray:
    """(count³, 3) places spread evenly over a cell of side 1 about its centre."""
    steps = (np.arange(count) + 0.5) / count - 0.5
    return np.stack(np.meshgrid(steps, steps, steps, indexing="ij"), axis=-1).reshape(-1, 3)


def _points(low: np.ndarray, cells: np.ndarray, inner: np.ndarray, pitch: float) -> np.ndarray:
    return (low + (cells + 0.5) * pitch)[:, None] + inner[None] * pitch


def _measured(held: np.ndarray, sub: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Fill, middle and second moments (xx, yy, zz, yz, xz, xy) of the rubber at the points of cells; (c, points)."""
    fill, whole = held.mean(axis=1), held.sum(axis=1)
    middle = held @ sub / whole[:, None]
    pairs = np.array([0, 1, 2, 1, 0, 0]), np.array([0, 1, 2, 2, 2, 1])
    square = held @ (sub[:, pairs[0]] * sub[:, pairs[1]]) / whole[:, None]
    square -= middle[:, pairs[0]] * middle[:, pairs[1]]
    square[:, :3] += 1 / (12 * _SUB**2)  # each point stands for a small cube
    normal = np.linalg.eigh(square[:, [0, 5, 4, 5, 1, 3, 4, 3, 2]].reshape(-1, 3, 3))[1][:, :, 0]
    # a face between points is a slope as wide as they lie apart, which spreads the layer along its normal
    part = fill < 0.999
    square[part] -= (normal[:, pairs[0]] * normal[:, pairs[1]])[part] / (12 * _SUB**2)
    aligned = np.clip(2 * (normal**4).sum(axis=1) - 1, 0, 1)
    share = np.where(part, _CROSSWISE + (1 - _CROSSWISE) * aligned, 1.0)
    return fill, middle, square * (fill * share)[:, None]


def _nodes(at: np.ndarray, count: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """(c, 8) node numbers and the (n, 3) lattice places of the nodes, in a fixed order."""
    corner = at[:, None, :] + (CORNERS[None].astype(int) + 1) // 2
    flat = np.ravel_multi_index(tuple(np.moveaxis(corner, -1, 0)), tuple(count + 1))
    used, number = np.unique(flat, return_inverse=True)
    return number.reshape(-1, 8).astype(np.int32), np.stack(np.unravel_index(used, tuple(count + 1)), axis=-1)


def without(lattice: RubberLattice, cells: np.ndarray) -> tuple[RubberLattice, np.ndarray]:
    """The lattice less some cells (c,) bool, and the new number of every old node, −1 where it is gone."""
    left = ~cells
    used = np.unique(lattice.nodes[left])
    number = np.full(len(lattice.positions_mm), -1)
    number[used] = np.arange(len(used))
    nodes = number[lattice.nodes[left]].astype(np.int32)
    density = lattice.mass_kg.sum() / lattice.fill_mm3.sum()
    fill, least = lattice.fill_mm3[left], _MASS_FLOOR * lattice.pitch_mm**3
    mass, inertia = np.zeros(len(used)), np.zeros(len(used))
    np.add.at(mass, nodes.ravel(), np.repeat(fill * density / 8, 8))
    np.add.at(inertia, nodes.ravel(), np.repeat(np.maximum(fill, least) * density / 8, 8))
    at = np.full(lattice.cell_at.shape, -1, np.int32)
    old = lattice.cell_at
    kept = (old >= 0) & left[old]
    at[kept] = (np.cumsum(left) - 1)[old[kept]]
    return replace(
        lattice, positions_mm=lattice.positions_mm[used], nodes=nodes, volume_mm3=lattice.volume_mm3[left],
        fill_mm3=fill, middle_mm=lattice.middle_mm[left], eased_mm=lattice.eased_mm[left],
        moment_mm5=lattice.moment_mm5[left], mass_kg=mass, inertia_kg=inertia, cell_at=at,
    ), number  # fmt: skip


def embed(lattice: RubberLattice, points_mm: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Cells and corner weights of points in the rubber: (k,) int32, (k, 8), and which of the points lie in a cell.

    A point in an empty place beside the lattice, or in a sliver, is given to the next cell with rubber enough, and
    follows it as if it were in it.
    """
    from scipy import spatial

    place = np.floor((points_mm - lattice.low_mm) / lattice.pitch_mm).astype(int)
    size = np.array(lattice.cell_at.shape)
    within = ((place >= 0) & (place < size)).all(axis=1)
    cell = np.full(len(points_mm), -1, np.int32)
    cell[within] = lattice.cell_at[tuple(place[within].T)]
    bears = lattice.fill_mm3 >= _BEARS * lattice.pitch_mm**3
    lost = np.flatnonzero((cell < 0) | ~bears[cell])
    centres = lattice.positions_mm[lattice.nodes[:, 0]] + lattice.pitch_mm / 2
    if len(lost) and bears.any():
        able = np.flatnonzero(bears)
        away, nearest = spatial.cKDTree(centres[able]).query(points_mm[lost])
        cell[lost] = np.where(away < 1.4 * lattice.pitch_mm, able[nearest], -1)
    kept = np.flatnonzero(cell >= 0)
    # further out than half a cell a point would weigh on the corners many times over
    local = np.clip((points_mm[kept] - centres[cell[kept]]) / (lattice.pitch_mm / 2), -1.5, 1.5)
    return cell[kept], corner_weights(local), kept
