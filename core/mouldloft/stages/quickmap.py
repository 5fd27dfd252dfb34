"""The undercut map while a direction is dragged: fast enough to follow the hand, exact enough to decide by.

Faces are gathered in cells of space and facing. For a direction each cell sends one ray from the face nearest to its
own middle (two where some of its faces look along the pull and some against it), and all its faces take that answer.
Which way a face looks is exact for every face; a large one is asked in several places. The number of rays does not
grow with the mesh.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit

from ..base.threads import WORKERS, in_threads
from ..geometry.depthmap import column_image, grid_around
from ..geometry.frame import pull_frame, unit
from ..geometry.freedom import VERTICAL_DEG
from ..geometry.rays import RayScene, ray_scene
from ..geometry.sampling import samples_on_every_face
from .lighter import lighten
from .master import Master, skin_faces

CELLS = 200  # over the body's diagonal: holds the locked area within 2 % of itself, see scripts/bench/addon.py
FILL_TRIANGLES = 20_000
_FILL_PIXELS = 160  # over the body's diagonal, as the search's first look
FREE_AHEAD, FREE_BEHIND, FREE_EITHER, LOCKED = 0, 1, 2, 3  # a face's answer
_FEWEST_RAYS = 8_192  # fewer are not worth a thread of their own


@dataclass(frozen=True, eq=False)
class QuickMap:
    """What one direction frees, as far as it is worked out while dragging.

    answers : (m,) uint8, FREE_AHEAD, FREE_BEHIND, FREE_EITHER (a wall along the pull) or LOCKED for each face.
    locked_area_mm2, locked_fraction : of the skin. fill_mm3 : rubber that fills the locks of a mould split by the
    best plane; NaN where the mesh is no solid.
    """

    direction: tuple[float, float, float]
    answers: np.ndarray
    locked_area_mm2: float
    locked_fraction: float
    fill_mm3: float
    rays: int


@dataclass(frozen=True, eq=False)
class QuickMapper:
    """A master made ready for quick maps: built once by `quick_mapper`, asked for each direction by `quick_map`."""

    scene: RayScene
    normals: np.ndarray  # (k, 3) float32, of places on the surface: one for a small face, more for a large one
    starts: np.ndarray  # (k, 3) float32, the places about the scene's own middle, lifted off the surface
    skin_areas: np.ndarray  # (k,) float32, mm² that each stands for; 0 where no rubber goes
    skin_area_mm2: float
    first_of_face: np.ndarray  # (m,) int64, the place in the middle of each face
    cell: np.ndarray  # (k,) int32
    order: np.ndarray  # (k,) int32, each cell's places from its middle outwards
    cells: int
    light_vertices: np.ndarray  # a lighter copy, for the fill
    light_faces: np.ndarray
    light_volume_mm3: float  # 0 where the mesh is no solid
    pixel_mm: float


def _cells(
    points: np.ndarray, normals: np.ndarray, areas: np.ndarray, size_mm: float
) -> tuple[np.ndarray, np.ndarray, int]:
    """(k,) cell of each place, (k,) places ordered by cell and then from its middle outwards, and how many cells."""
    place = np.floor((points - points.min(axis=0)) / size_mm).astype(np.int64)
    facing = np.rint(normals).astype(np.int64) + 1  # 27 ways to face
    key = ((place[:, 0] << 42) | (place[:, 1] << 21) | place[:, 2]) * 27 + facing @ np.array([9, 3, 1])
    _, cell = np.unique(key, return_inverse=True)
    cell = cell.reshape(-1)
    weight = np.bincount(cell, areas)
    off = np.zeros(len(cell))
    for k in range(3):
        for values, scale in ((points[:, k], size_mm), (normals[:, k], 1.0)):
            middle = np.bincount(cell, areas * values) / np.maximum(weight, 1e-30)
            off += ((values - middle[cell]) / scale) ** 2
    return cell.astype(np.int32), np.lexsort((off, cell)).astype(np.int32), len(weight)


def quick_mapper(master: Master, scene: RayScene | None = None, cells: int = CELLS) -> QuickMapper:
    """Make a master ready for quick maps. cells : over its diagonal; more are closer and slower.

    scene : the master's own, if at hand. Takes about a second for 300 000 triangles.
    """
    scene = scene or ray_scene(master.vertices_mm, master.faces)
    diagonal = float(np.linalg.norm(master.size_mm))
    places = samples_on_every_face(master.vertices_mm, master.faces, master.face_areas_mm2, diagonal / cells)
    normals = master.normals[places.faces]
    cell, order, count = _cells(places.points_mm, normals, places.areas_mm2, diagonal / cells)
    light = lighten(master, FILL_TRIANGLES).master
    corner = light.vertices_mm[light.faces]
    volume = float(np.einsum("ij,ij->", corner[:, 0], np.cross(corner[:, 1], corner[:, 2]))) / 6.0
    areas = np.where(skin_faces(master)[places.faces], places.areas_mm2, 0.0).astype(np.float32)
    starts = places.points_mm - scene.centre_mm + scene.lift_mm * normals
    first_of_face = np.searchsorted(places.faces, np.arange(len(master.faces)))
    return QuickMapper(
        scene, normals.astype(np.float32), starts.astype(np.float32), areas, float(areas.sum(dtype=float)),
        first_of_face, cell, order, count, light.vertices_mm, light.faces,
        abs(volume) if master.volume_mm3 > 0 else 0.0, diagonal / _FILL_PIXELS,
    )  # fmt: skip


@njit(cache=True, nogil=True)
def _way(normals, f, d, wall):
    """0 where the face looks along the pull, 1 against it, 2 where it is a wall along it."""
    sine = normals[f, 0] * d[0] + normals[f, 1] * d[1] + normals[f, 2] * d[2]
    return 0 if sine > wall else (1 if sine < -wall else 2)


@njit(cache=True, nogil=True)
def _choose_starts(normals, order, cell, d, wall, first):
    """For each cell and way of looking the face nearest to the cell's middle; -1 where no face looks so."""
    for k in range(order.shape[0]):
        f = order[k]
        way = _way(normals, f, d, wall)
        if first[cell[f], way] < 0:
            first[cell[f], way] = f


@njit(cache=True, nogil=True)
def _spread(normals, cell, d, wall, met, areas, answers):
    """Every face takes its cell's answer for the way it looks; returns the locked area."""
    locked = 0.0
    for f in range(cell.shape[0]):
        way, c = _way(normals, f, d, wall), cell[f]
        ahead = way != 1 and not met[c, way]
        behind = way != 0 and not met[c, 1 if way == 1 else 3]
        if ahead:
            answers[f] = FREE_EITHER if behind else FREE_AHEAD
        elif behind:
            answers[f] = FREE_BEHIND
        else:
            answers[f] = LOCKED
            locked += areas[f]
    return locked


def _met(mapper: QuickMapper, first: np.ndarray, d: np.ndarray) -> tuple[np.ndarray, int]:
    """(cells, 4) bool, whether the rays of each cell meet the mesh, and how many rays that took. Columns: of a face
    that looks along the pull, of one that looks against it, and of a wall along and against it."""
    slots = np.flatnonzero(np.column_stack([first, first[:, 2]]) >= 0)
    faces = first[slots // 4, np.minimum(slots % 4, 2)]
    way = np.where(slots % 2 == 0, np.float32(1.0), np.float32(-1.0))[:, None] * d
    met = np.empty(len(slots), bool)

    def ask(part: slice) -> None:
        starts = np.ascontiguousarray(mapper.starts[faces[part]])
        met[part] = mapper.scene.scene.run(starts, np.ascontiguousarray(way[part]), query="OCCLUDED") != -1

    step = max(-(-len(slots) // WORKERS), _FEWEST_RAYS)
    in_threads(ask, [slice(k, k + step) for k in range(0, len(slots), step)])
    out = np.zeros((mapper.cells, 4), np.bool_)
    out.ravel()[slots] = met
    return out, len(slots)


def _plane_fill_mm3(mapper: QuickMapper, d: np.ndarray) -> float:
    """Rubber that fills the locks when the mould is split by the best plane across the pull.

    fill(z) = sum over columns of (top - z)+ and (z - bottom)+, less the volume; least at the median of all ends.
    """
    if mapper.light_volume_mm3 <= 0.0:
        return float("nan")
    points = pull_frame(d).to_frame(mapper.light_vertices)
    top, bottom = column_image(points, mapper.light_faces, grid_around(points, mapper.pixel_mm))
    solid = np.isfinite(top)
    tops, bottoms = top[solid], bottom[solid]
    split = float(np.median(np.concatenate([tops, bottoms])))
    height = np.maximum(tops - split, 0.0).sum(dtype=float) + np.maximum(split - bottoms, 0.0).sum(dtype=float)
    return max(float(height) * mapper.pixel_mm**2 - mapper.light_volume_mm3, 0.0)


def quick_map(mapper: QuickMapper, direction: tuple[float, float, float] | np.ndarray) -> QuickMap:
    """What a pull along `direction` ((3,), any length but zero) frees, within 2 % of the locked area.

    `stages.undercut.undercut_field` is the exact one. Raises ValueError for a zero direction.
    """
    d = unit(np.asarray(direction, float)).astype(np.float32)
    wall = np.float32(np.sin(np.radians(VERTICAL_DEG)))
    first = np.full((mapper.cells, 3), -1, np.int32)
    _choose_starts(mapper.normals, mapper.order, mapper.cell, d, wall, first)
    met, rays = _met(mapper, first, d)
    answers = np.empty(len(mapper.cell), np.uint8)
    locked = _spread(mapper.normals, mapper.cell, d, wall, met, mapper.skin_areas, answers)
    return QuickMap(
        direction=(float(d[0]), float(d[1]), float(d[2])),
        answers=answers[mapper.first_of_face],
        locked_area_mm2=float(locked),
        locked_fraction=float(locked) / max(mapper.skin_area_mm2, 1e-9),
        fill_mm3=_plane_fill_mm3(mapper, d.astype(float)),
        rays=rays,
    )
