"""Stage locks: what a seam leaves locked: rigid, by stretch of the glove, and by the rubber that fills it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..base.progress import SILENT, Progress
from ..geometry.contour import face_centres
from ..geometry.depthmap import column_image, grid_around
from ..geometry.facegraph import face_graph, regions
from ..geometry.frame import PullFrame, pull_frame, unit
from ..geometry.freedom import freedom_by_rays
from ..geometry.overhang import overhang_depths, ring_stretch
from ..geometry.rays import RayScene, first_face, first_wall_mm, ray_scene
from ..inputs.materials import RubberMaterial
from ..trade.seamterms import LEAST_STRETCHED
from .master import Master, skin_faces
from .seam import Seam
from .undercut import UndercutField, where_on_piece
from .wall import parting_of

_OF_A_SMALL_PATCH = 0.25  # of a patch no larger than what bars a seam: passed over a quarter of it (invented)


@dataclass(frozen=True, eq=False)
class LockRegion:
    """One connected patch that its piece's pull does not free."""

    name: str  # by position: "left side, 620 mm up"
    piece: int
    area_mm2: float
    depth_mm: float  # greatest, across the pull
    stretch: float  # greatest strain the glove needs to pass by the ring rule, 0.4 = 40 %
    fill_mm3: float  # rubber that fills it so that the jacket comes off
    centre_mm: tuple[float, float, float]
    height_mm: float
    faces: np.ndarray  # (k,) int32


@dataclass(frozen=True, eq=False)
class Locks:
    """The three questions, apart: rigid (area), rubber (stretch), jacket (fill).

    depth_mm, stretch, fill_mm : (m,) float32 per face, 0 where free. fill_mm is the height, along the pull, of the
    rubber column that hangs from the face.
    """

    regions: tuple[LockRegion, ...]  # ranked, worst first
    rigid_area_mm2: float  # neither pull frees it
    piece_locked_area_mm2: float  # its own piece's pull does not free it
    fill_mm3: float
    worst_stretch: float
    stretch_allowed: float
    elongation_at_break: float
    depth_mm: np.ndarray
    stretch: np.ndarray
    fill_mm: np.ndarray


def _hanging_mm(
    master: Master,
    scene: RayScene,
    centres: np.ndarray,
    which: np.ndarray,
    pull: np.ndarray,
    floor_mm: np.ndarray,
) -> np.ndarray:
    """Height, along the pull, of the empty column below each overhanging face: to the next wall or to the parting
    surface, whichever is nearer. Every gap of a piece's columns hangs from exactly one such face, so these heights
    times the faces' projected areas add up to the undercut fill."""
    wall = first_wall_mm(scene, centres[which], master.normals[which], -pull)
    return np.clip(np.minimum(wall, centres[which] @ pull - floor_mm), 0.0, None)


def _roofed_mm(
    master: Master, seam: Seam, scene: RayScene, centres: np.ndarray, which: np.ndarray, pull: np.ndarray
) -> np.ndarray:
    """Height, along the pull, of the gap between a piece's own skin and skin of another that roofs it over. Under its
    own skin the gap hangs from that."""
    normals = master.normals[which]
    roof = first_face(scene, centres[which], normals, pull)
    others = (roof >= 0) & (seam.labels[roof] != seam.labels[which])
    gap = np.zeros(len(which))
    gap[others] = first_wall_mm(scene, centres[which[others]], normals[others], pull)
    return gap


def _rigid_mm2(master: Master, seam: Seam, scene: RayScene, centres: np.ndarray, skin: np.ndarray) -> float:
    """Skin that no piece's pull frees."""
    left = np.flatnonzero(skin)
    for piece in seam.pieces:
        free = freedom_by_rays(scene, centres[left], master.normals[left], unit(np.asarray(piece.pull)))[0]
        left = left[~free]
    return float(master.face_areas_mm2[left].sum())


def _connected(master: Master, inside: np.ndarray, labels: np.ndarray) -> np.ndarray:
    """(m,) int32, number of the connected patch of `inside` faces of one label, -1 elsewhere."""
    which = np.flatnonzero(inside)
    patches = np.full(len(inside), -1, np.int32)
    patches[which] = regions(face_graph(master.vertices_mm, master.faces[which]), labels[which])[1]
    return patches


def find_locks(
    master: Master,
    field: UndercutField,
    seam: Seam,
    rubber: RubberMaterial,
    progress: Progress = SILENT,
    *,
    scene: RayScene | None = None,
    working_fraction: float = 1.0 / 3.0,
    least_area_mm2: float | None = None,
) -> Locks:
    """The three questions for a given split: rigid area, stretch of the glove, fill under the jacket.

    rubber : the glove's rubber, for its elongation at break; working_fraction : share of it that may be used
    [common practice, no source: stay under about a third]. Patches under `least_area_mm2` (default: a 20-thousandth of
    the skin) are counted in every sum but not listed.
    """
    scene = scene or ray_scene(master.vertices_mm, master.faces)
    centres, skin = face_centres(master.vertices_mm, master.faces), skin_faces(master)
    count = len(master.faces)
    depth, stretch, fill = np.zeros(count), np.zeros(count), np.zeros(count)
    locked_share = np.zeros(count)
    for index, piece in enumerate(seam.pieces):
        pull = unit(np.asarray(piece.pull))
        mine = (seam.labels == index) & skin
        share = _piece_locked_share(master, field, scene, centres, mine, pull)
        locked_share[mine] = share[mine]
        frame = pull_frame(pull)
        floor = _parting_under(seam, index, frame, frame.to_frame(centres), master)
        over = np.flatnonzero(mine & (master.normals @ pull < -1e-6))
        fill[over] = _hanging_mm(master, scene, centres, over, pull, floor[over])
        if len(seam.pieces) > 2:
            under = np.flatnonzero(mine & (master.normals @ pull > 1e-6))
            fill[under] = _roofed_mm(master, seam, scene, centres, under, pull)
        which = np.flatnonzero(mine & (share > 0.5))
        depth[which], inscribed = _piece_depths(master, centres[which], frame, progress)
        across = master.normals[which] - np.outer(master.normals[which] @ pull, pull)
        steepness = np.linalg.norm(across, axis=1)
        is_wall = steepness > 0.5
        neck = np.full(len(which), 0.0)
        inward = -across[is_wall] / steepness[is_wall, None]
        neck[is_wall] = first_wall_mm(scene, centres[which[is_wall]], -master.normals[which[is_wall]], inward) / 2
        neck[~np.isfinite(neck)] = 0.0
        stretch[which] = ring_stretch(depth[which], inscribed, neck)
    projected = master.face_areas_mm2 * np.abs(_own_sine(master, seam))
    regions = _regions(
        master, seam, centres, locked_share, depth, stretch, fill * projected,
        least_area_mm2 or master.skin_area_mm2 / 20_000,
    )  # fmt: skip
    worst = max((r.stretch for r in regions), default=0.0)
    rigid = field.locked_area_mm2
    if len(seam.pieces) > 2:
        rigid = _rigid_mm2(master, seam, scene, centres, skin)
    return Locks(
        regions=regions,
        rigid_area_mm2=rigid,
        piece_locked_area_mm2=float((locked_share * master.face_areas_mm2)[skin].sum()),
        fill_mm3=float((fill * projected).sum()),
        worst_stretch=worst,
        stretch_allowed=rubber.elongation_at_break * working_fraction,
        elongation_at_break=rubber.elongation_at_break,
        depth_mm=depth.astype(np.float32),
        stretch=stretch.astype(np.float32),
        fill_mm=fill.astype(np.float32),
    )


def _own_sine(master: Master, seam: Seam) -> np.ndarray:
    pulls = np.array([piece.pull for piece in seam.pieces])
    return np.einsum("ij,ij->i", master.normals, pulls[seam.labels])


def _piece_locked_share(
    master: Master,
    field: UndercutField,
    scene: RayScene,
    centres: np.ndarray,
    mine: np.ndarray,
    pull: np.ndarray,
) -> np.ndarray:
    """(m,) share of each of a piece's faces that its own pull does not free; from the field where the pull is its."""
    along = float(pull @ np.asarray(field.direction))
    if along > 1 - 1e-9:
        return 1.0 - field.free_plus
    if along < -1 + 1e-9:
        return 1.0 - field.free_minus
    share = np.ones(len(mine))
    which = np.flatnonzero(mine)
    share[which] = ~freedom_by_rays(scene, centres[which], master.normals[which], pull)[0]
    return share


def _parting_under(seam: Seam, piece: int, frame: PullFrame, points: np.ndarray, master: Master) -> np.ndarray:
    """(k,) height of the parting surface, along the pull, under points in the pull frame."""
    grid = grid_around(points, float(np.linalg.norm(master.size_mm)) / 300.0)
    heights = parting_of(master, seam, piece, frame, grid)
    i, j = grid.nearest(points[:, 0], points[:, 1])
    return heights[i, j].astype(float)


def _piece_depths(
    master: Master, points_mm: np.ndarray, frame: PullFrame, progress: Progress
) -> tuple[np.ndarray, np.ndarray]:
    vertices = frame.to_frame(master.vertices_mm)
    grid = grid_around(vertices, float(np.linalg.norm(master.size_mm)) / 600.0)
    top, _ = column_image(vertices, master.faces, grid)
    return overhang_depths(frame.to_frame(points_mm), top, grid, progress)


def _regions(
    master: Master,
    seam: Seam,
    centres: np.ndarray,
    locked_share: np.ndarray,
    depth: np.ndarray,
    stretch: np.ndarray,
    fill_mm3: np.ndarray,
    least_area_mm2: float,
) -> tuple[LockRegion, ...]:
    """Connected locked patches, worst first: by fill, then stretch, then area."""
    skin_mm2 = float(master.face_areas_mm2[skin_faces(master)].sum())
    patches = _connected(master, locked_share > 0.5, seam.labels)
    inside = np.flatnonzero(patches >= 0)
    if not len(inside):
        return ()
    _, compact = np.unique(patches[inside], return_inverse=True)
    area = master.face_areas_mm2[inside]
    total = np.bincount(compact, area)
    order = np.argsort(compact, kind="stable")
    bounds = np.concatenate([[0], np.cumsum(np.bincount(compact))])
    regions = []
    for k in np.flatnonzero(total >= least_area_mm2):
        faces = inside[order[bounds[k] : bounds[k + 1]]]
        weight = master.face_areas_mm2[faces]
        centre = np.average(centres[faces], axis=0, weights=weight)
        # a single sliver face may sit on a pixel's edge: the greatest depth is read at the 98th percentile by area. Of
        # a ledge's innermost no ring is left: the stretch is what is passed over as much skin as bars a seam
        torn = min(LEAST_STRETCHED * skin_mm2 / float(total[k]), _OF_A_SMALL_PATCH)
        regions.append(
            LockRegion(
                name=where_on_piece(centre, master),
                piece=int(seam.labels[faces[0]]),
                area_mm2=float(total[k]),
                depth_mm=_quantile(depth[faces], weight),
                stretch=_quantile(stretch[faces], weight, 1.0 - torn),
                fill_mm3=float(fill_mm3[faces].sum()),
                centre_mm=tuple(float(c) for c in centre),  # type: ignore[arg-type]
                height_mm=float(centre[2]),
                faces=faces.astype(np.int32),
            )
        )
    return tuple(sorted(regions, key=lambda r: (-r.fill_mm3, -r.stretch, -r.area_mm2)))


def _quantile(values: np.ndarray, weights: np.ndarray, share: float = 0.98) -> float:
    order = np.argsort(values)
    along = np.cumsum(weights[order])
    return float(values[order][min(np.searchsorted(along, share * along[-1]), len(values) - 1)])
