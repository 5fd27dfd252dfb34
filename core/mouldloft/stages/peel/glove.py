"""A planned glove piece and its cast made ready to peel: lattice, skin, rim, the cast's distances."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from scipy import ndimage, spatial

from ...base.progress import SILENT, Progress
from ...geometry.closest import closest_on_faces
from ...geometry.heightmap import outline
from ...geometry.rays import RayScene, inside_body
from ...geometry.sampling import samples_by_area, samples_on_every_face
from ..master import Master, skin_faces
from ..rubber import Envelope, LoosePiece
from .body import CastField
from .lattice import RubberLattice, lattice_of

_FIELD_MM = 4.0  # step of the cast's distances
_BAND_STEPS = 3.0  # steps either side of the surface within which distances are exact
_NEAREST = 4
_AT_ONCE = 50_000
_SKIN_SPACING = 0.9  # of a cell, between points of skin that touch


@dataclass(frozen=True, eq=False)
class PeelGlove:
    """lattice of the rubber. skin_mm : (k, 3) points of the cast's skin that this piece touches, each standing for
    skin_area_mm2; open_edge : (k,) bool, those at the piece's edge. rim : (r,) nodes near the outer edge of the flange,
    in order round it, with rim_along_mm. pull : (3,) unit.
    """

    lattice: RubberLattice
    skin_mm: np.ndarray
    skin_area_mm2: np.ndarray
    open_edge: np.ndarray
    rim: np.ndarray
    rim_along_mm: np.ndarray
    rim_length_mm: float
    pull: np.ndarray
    density_kg_per_mm3: float


def cast_field(master: Master, scene: RayScene, step_mm: float = _FIELD_MM, progress: Progress = SILENT) -> CastField:
    """Distances of the cast on a grid: exact near its skin, kept at the band's edge further off."""
    band = _BAND_STEPS * step_mm
    low = master.vertices_mm.min(axis=0) - band - step_mm
    count = np.ceil((master.vertices_mm.max(axis=0) + band + step_mm - low) / step_mm).astype(int) + 1
    taken = samples_on_every_face(master.vertices_mm, master.faces, master.face_areas_mm2, step_mm)
    near = np.zeros(count, bool)
    near[tuple(np.rint((taken.points_mm - low) / step_mm).astype(int).T)] = True
    near = ndimage.binary_dilation(near, iterations=int(_BAND_STEPS))
    places = np.argwhere(near)
    points = low + places * step_mm
    progress.step(0.3, "how far the cast is, on a grid")
    away = _distances(points, master, taken.points_mm, taken.faces, progress)
    inside = inside_body(scene, master.normals, points)
    values = np.full(count, band)
    values[tuple(places.T)] = np.where(inside, -1.0, 1.0) * np.minimum(away, band)
    outside = ndimage.label(~near | (values > 0))[0]
    values[(outside != outside[0, 0, 0]) & ~near] = -band
    return CastField(values, low, step_mm)


def _distances(
    points: np.ndarray, master: Master, samples: np.ndarray, of_face: np.ndarray, progress: Progress
) -> np.ndarray:
    found = np.empty(len(points))
    tree = spatial.cKDTree(samples)
    for start in range(0, len(points), _AT_ONCE):
        progress.step(0.3 + 0.6 * start / len(points), "how far the cast is, on a grid")
        part = points[start : start + _AT_ONCE]
        away = closest_on_faces(part, master.vertices_mm, master.faces, tree, of_face, _NEAREST)[2]
        found[start : start + len(part)] = away
    return found


def _depth(cast: CastField, points: np.ndarray) -> np.ndarray:
    at = (points - cast.low_mm) / cast.step_mm
    return ndimage.map_coordinates(cast.values, at.T, order=1, mode="nearest")


def peel_glove(
    master: Master,
    labels: np.ndarray,
    envelope: Envelope,
    cast: CastField,
    pitch_mm: float,
    density_kg_per_mm3: float,
    progress: Progress = SILENT,
    loose: Sequence[LoosePiece] = (),
) -> PeelGlove:
    """One piece of the glove: rubber between parting surface and outside, clear of the cast and of the loose pieces on
    it, which are off before it."""
    deep = _rubber_depth(envelope, cast, loose)
    low, high = _box(envelope)
    lattice = lattice_of(deep, low, high, pitch_mm, density_kg_per_mm3, progress)
    mine = (labels == envelope.piece) & skin_faces(master)
    areas = master.face_areas_mm2
    count = max(int(areas[mine].sum() / (_SKIN_SPACING * pitch_mm) ** 2), 50)
    taken = samples_by_area(master.vertices_mm, master.faces, areas, count, mine)
    rim, along, length = _rim(envelope, lattice)
    pull = np.asarray(envelope.frame.pull, float)
    edge = _beside(master, ~mine, taken.points_mm, 1.5 * pitch_mm)
    return PeelGlove(lattice, taken.points_mm, taken.areas_mm2, edge, rim, along, length, pull, density_kg_per_mm3)


def _beside(master: Master, others: np.ndarray, points: np.ndarray, within_mm: float) -> np.ndarray:
    """(k,) which points lie beside skin of another piece or the open foot, where air comes in by itself."""
    if not others.any():
        return np.zeros(len(points), bool)
    areas = master.face_areas_mm2
    count = int(areas[others].sum() / (within_mm / 2) ** 2) + 50
    theirs = samples_by_area(master.vertices_mm, master.faces, areas, count, others)
    return np.asarray(spatial.cKDTree(theirs.points_mm).query(points)[0] < within_mm)


def _rubber_depth(
    envelope: Envelope, cast: CastField, loose: Sequence[LoosePiece]
) -> Callable[[np.ndarray], np.ndarray]:
    """How deep a place lies in this piece's rubber: by its height maps, square to them, the cast's distances, and the
    floors of loose pieces."""
    frame, pixel = envelope.frame, envelope.pixel_mm
    rows, columns = envelope.outer_mm.shape
    leans = []
    for surface in (envelope.outer_mm, envelope.parting_mm):
        slope = np.hypot(*np.gradient(surface.astype(float), pixel))
        leans.append(1.0 / np.hypot(1.0, np.nan_to_num(slope, nan=0.0)))
    taken = [_under_floor(one) for one in loose]

    def depth(points: np.ndarray) -> np.ndarray:
        at = frame.to_frame(points)
        i, j = (np.rint((at[:, k] - envelope.origin_mm[k]) / pixel).astype(int) for k in (1, 0))
        within = (i >= 0) & (j >= 0) & (i < rows) & (j < columns)
        i, j = np.where(within, i, 0), np.where(within, j, 0)
        below = (envelope.outer_mm[i, j] - at[:, 2]) * leans[0][i, j]
        above = (at[:, 2] - envelope.parting_mm[i, j]) * leans[1][i, j]
        found = np.where(within, np.minimum(below, above), -1e3)
        found = np.nan_to_num(found, nan=-1e3)
        near = found > -2 * cast.step_mm
        found[near] = np.minimum(found[near], _depth(cast, points[near]))
        for under in taken:
            found[near] = np.minimum(found[near], under(points[near]))
        return found

    return depth


def _under_floor(piece: LoosePiece) -> Callable[[np.ndarray], np.ndarray]:
    """How deep a place lies outside of a loose piece: under its floor, square to it, or over its top; all beside it."""
    grid, floor = piece.grid, piece.floor_mm.astype(float)
    lean = 1.0 / np.hypot(1.0, np.nan_to_num(np.hypot(*np.gradient(floor, piece.pixel_mm)), nan=0.0))

    def depth(points: np.ndarray) -> np.ndarray:
        at = piece.frame.to_frame(points)
        fx, fy = ((at[:, k] - piece.origin_mm[k]) / piece.pixel_mm for k in (0, 1))
        within = (fx > -0.5) & (fy > -0.5) & (fx < grid.columns - 0.5) & (fy < grid.rows - 0.5)
        i, j = grid.nearest(at[:, 0], at[:, 1])
        under = np.maximum((floor[i, j] - at[:, 2]) * lean[i, j], at[:, 2] - piece.top_mm)
        return np.where(within & np.isfinite(under), under, np.inf)

    return depth


def _box(envelope: Envelope) -> tuple[np.ndarray, np.ndarray]:
    i, j = np.nonzero(np.isfinite(envelope.outer_mm))
    x = envelope.origin_mm[0] + j * envelope.pixel_mm
    y = envelope.origin_mm[1] + i * envelope.pixel_mm
    z = (envelope.outer_mm[i, j], envelope.parting_mm[i, j])
    points = np.vstack([envelope.frame.to_master(np.column_stack([x, y, h])) for h in z])
    return points.min(axis=0) - 1.0, points.max(axis=0) + 1.0


def _rim(envelope: Envelope, lattice: RubberLattice) -> tuple[np.ndarray, np.ndarray, float]:
    """Nodes at the glove's outer edge, by the longest outline of its column image, and how far along it they lie."""
    pixel, origin = envelope.pixel_mm, envelope.origin_mm
    held = outline(np.isfinite(envelope.outer_mm), origin, pixel)
    rings = [part.exterior for part in shapely.get_parts(held)]
    edge = shapely.get_coordinates(shapely.segmentize(max(rings, key=lambda ring: ring.length), pixel))
    at = np.rint((edge[:, ::-1] - np.asarray(origin)[::-1]) / pixel).astype(int)
    i, j = np.clip(at, 0, np.array(envelope.outer_mm.shape) - 1).T
    line = envelope.frame.to_master(np.column_stack([edge, envelope.parting_mm[i, j]]))
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))])
    away, at = spatial.cKDTree(line).query(lattice.positions_mm)
    chosen = np.flatnonzero(away < 1.5 * lattice.pitch_mm)
    order = np.argsort(along[at[chosen]], kind="stable")
    return chosen[order], along[at[chosen]][order], float(along[-1])
