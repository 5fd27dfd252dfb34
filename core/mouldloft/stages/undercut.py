"""Stage 2, undercut: which surface is free along a pull, which locks, how deep, and what fills it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..base.progress import SILENT, Progress
from ..geometry.depthmap import column_image, covered_from_above, grid_around
from ..geometry.frame import pull_frame, unit
from ..geometry.rays import RayScene, blocked, ray_scene
from ..geometry.sampling import Samples, samples_on_every_face
from .master import Master, skin_faces

pass


@dataclass(frozen=True, eq=False)
class UndercutField:
    """Freedom of every face along +d and -d.

    free_plus, free_minus : (m,) float32, share of the face that a straight pull along +d (-d) frees (0 to 1;
        faces larger than the sample spacing carry several samples). draft_deg : (m,) float32, asin(n . d).
    """

    direction: tuple[float, float, float]
    free_plus: np.ndarray
    free_minus: np.ndarray
    draft_deg: np.ndarray
    locked_area_mm2: float  # neither pull frees it: locks anything rigid
    locked_fraction: float  # of the skin area
    method: str
    disagreement_fraction: float  # area where ray and depth-map methods differ, over the skin area


VERTICAL_DEG = 0.05  # |draft| below this counts as a vertical wall: it slides, so both pulls are asked


def _sample_spacing(master: Master) -> float:
    return float(np.linalg.norm(master.size_mm)) / 250.0


def _ways_out(draft_sine: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Which samples face along +d and along -d; vertical walls face both."""
    limit = np.sin(np.radians(VERTICAL_DEG))
    return draft_sine > -limit, draft_sine < limit


def _share_per_face(free: np.ndarray, samples: Samples, face_count: int) -> np.ndarray:
    hits = np.bincount(samples.faces, weights=free, minlength=face_count)
    return (hits / np.maximum(np.bincount(samples.faces, minlength=face_count), 1)).astype(np.float32)


def freedom_by_rays(
    scene: RayScene,
    points_mm: np.ndarray,
    normals: np.ndarray,
    direction: np.ndarray,
    progress: Progress = SILENT,
) -> tuple[np.ndarray, np.ndarray]:
    """Two (k,) bool arrays: is each surface sample free along +d, and along -d? Exact occlusion by embree.

    A sample is asked only in the pull it faces, so one ray settles it; a vertical wall is asked in both.
    """
    sine = normals @ direction
    plus, minus = _ways_out(sine)
    free_plus, free_minus = np.zeros(len(sine), bool), np.zeros(len(sine), bool)
    for free, faces_way, d in ((free_plus, plus, direction), (free_minus, minus, -direction)):
        which = np.flatnonzero(faces_way)
        free[which] = ~blocked(scene, points_mm[which], normals[which], d, progress, "looking along the pull")
    return free_plus, free_minus


def freedom_by_columns(
    master: Master, samples: Samples, direction: np.ndarray, pixel_mm: float
) -> tuple[np.ndarray, np.ndarray]:
    """The same two answers from a column image of `pixel_mm`: the check on the rays, and theirs on it."""
    frame = pull_frame(direction)
    vertices = frame.to_frame(master.vertices_mm)
    points = frame.to_frame(samples.points_mm)
    normals = frame.to_frame(master.normals)[samples.faces]
    grid = grid_around(vertices, pixel_mm)
    top, bottom = column_image(vertices, master.faces, grid)
    plus, minus = _ways_out(normals[:, 2])
    tolerance = 0.05 * pixel_mm
    free_plus = plus & ~covered_from_above(points, normals, top, grid, tolerance)
    mirror = np.array([1.0, 1.0, -1.0])
    free_minus = minus & ~covered_from_above(points * mirror, normals * mirror, -bottom, grid, tolerance)
    return free_plus, free_minus


def undercut_field(
    master: Master,
    direction: tuple[float, float, float] | np.ndarray,
    progress: Progress = SILENT,
    *,
    scene: RayScene | None = None,
    check: bool = True,
    pixel_mm: float | None = None,
) -> UndercutField:
    """Freedom of every face along a pull, by embree rays, with a column image of `pixel_mm` as its check.

    direction : (3,) any length. check=False leaves the second method out (for quick redraws) and reports NaN.
    """
    d = unit(np.asarray(direction))
    samples = samples_on_every_face(master.vertices_mm, master.faces, master.face_areas_mm2, _sample_spacing(master))
    scene = scene or ray_scene(master.vertices_mm, master.faces)
    sample_normals = master.normals[samples.faces]
    free_plus, free_minus = freedom_by_rays(scene, samples.points_mm, sample_normals, d, progress)
    skin = skin_faces(master)[samples.faces]
    locked = ~(free_plus | free_minus) & skin
    skin_area = float(samples.areas_mm2[skin].sum())
    locked_area = float(samples.areas_mm2[locked].sum())
    disagreement = float("nan")
    if check:
        pixel = pixel_mm or float(np.linalg.norm(master.size_mm)) / 1200.0
        by_map = freedom_by_columns(master, samples, d, pixel)
        differ = ((free_plus | free_minus) != (by_map[0] | by_map[1])) & skin
        disagreement = float(samples.areas_mm2[differ].sum()) / max(skin_area, 1e-9)
    count = len(master.faces)
    return UndercutField(
        direction=tuple(float(c) for c in d),  # type: ignore[arg-type]
        free_plus=_share_per_face(free_plus, samples, count),
        free_minus=_share_per_face(free_minus, samples, count),
        draft_deg=np.degrees(np.arcsin(np.clip(master.normals @ d, -1, 1))).astype(np.float32),
        locked_area_mm2=locked_area,
        locked_fraction=locked_area / max(skin_area, 1e-9),
        method=f"embree occlusion, {len(samples.points_mm):,} samples",
        disagreement_fraction=disagreement,
    )


# --- locks: what is left once the seam says which piece owns each face ----------------------------------------------


def where_on_piece(point_mm: np.ndarray, master: Master) -> str:
    """A place's name as the workshop would call it out: side and height, seen from the piece's own left and right."""
    half = np.maximum(np.array(master.size_mm[:2]) / 2, 1e-6)
    x, y = np.asarray(point_mm)[:2] / half
    across = "" if abs(x) < 0.2 else ("left" if x > 0 else "right")
    along = "" if abs(y) < 0.2 else ("back" if y > 0 else "front")
    side = " ".join(part for part in (along, across) if part) or "middle"
    return f"{side}, {round(float(point_mm[2]) / 10) * 10:.0f} mm up"
