"""Columns of a piece along its pull: its own skin, the master in them, and their volume."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ...geometry.contour import face_centres
from ...geometry.depthmap import EMPTY_TOP, Grid, column_image, solid_between_mm
from ...geometry.frame import PullFrame
from ...geometry.heightmap import sample_map
from ...geometry.sampling import covering_points
from ..master import Master, skin_faces
from ..seam import Seam, skin_bounds


def piece_points(master: Master, seam: Seam, piece: int, spacing_mm: float) -> np.ndarray:
    """(k, 3) points that cover a piece's skin and its seam, none of it further than 0.58 spacings from one."""
    mine = (seam.labels == piece) & skin_faces(master)
    return np.vstack(
        [covering_points(master.vertices_mm, master.faces[mine], spacing_mm), _seam_points(seam, piece, spacing_mm)]
    )


def _seam_points(seam: Seam, piece: int, spacing_mm: float) -> np.ndarray:
    """(k, 3) points along a piece's seam lines, no further apart than the spacing."""
    runs = [np.zeros((0, 3))]
    for line in seam.lines:
        if piece not in line.between:
            continue
        ends = np.vstack([line.points_mm, line.points_mm[:1]]) if line.closed else line.points_mm
        if len(ends) < 2:
            continue
        lengths = np.linalg.norm(np.diff(ends, axis=0), axis=1)
        along = np.concatenate([[0.0], np.cumsum(lengths)])
        marks = np.linspace(0.0, along[-1], max(int(along[-1] / spacing_mm), 2))
        runs.append(np.column_stack([np.interp(marks, along, ends[:, k]) for k in range(3)]))
    return np.vstack(runs)


def own_faces(master: Master, seam: Seam, piece: int) -> np.ndarray:
    """(m,) bool: faces that close a piece's columns. Of many pieces no open base: whose it is means nothing there."""
    mine = seam.labels == piece
    return mine if len(seam.pieces) == 2 else mine & skin_faces(master)


def own_columns(
    master: Master, seam: Seam, piece: int, frame: PullFrame, grid: Grid, parting: np.ndarray
) -> np.ndarray:
    """(rows, columns) top of the piece's own columns above the parting surface, -inf elsewhere: locks filled."""
    vertices = frame.to_frame(master.vertices_mm)
    faces = master.faces if seam.kind == "plane" else master.faces[own_faces(master, seam, piece)]
    top, _ = column_image(vertices, faces, grid)
    top[~(top > parting)] = EMPTY_TOP
    return top


def solid_of_piece_mm3(
    master: Master, seam: Seam, piece: int, frame: PullFrame, grid: Grid, parting: np.ndarray
) -> float:
    """Volume between the piece's surface and the parting surface, by the divergence theorem.

    Exact for a plane (faces are clipped at it); for a free seam the parting surface is read at the face centroids.
    """
    vertices = frame.to_frame(master.vertices_mm)
    lift = master.normals @ frame.pull * master.face_areas_mm2
    if seam.kind == "plane":
        above = vertices[:, 2][master.faces] - float(parting[0, 0])
        return float((lift * mean_positive_part(above)).sum())
    mine = np.flatnonzero(own_faces(master, seam, piece))
    centres = face_centres(vertices, master.faces[mine])
    return float((lift[mine] * (centres[:, 2] - sample_map(parting, grid, centres[:, 0], centres[:, 1]))).sum())


def solid_in_columns(
    master: Master, frame: PullFrame, grid: Grid, low: np.ndarray, high: np.ndarray, stages: Sequence[np.ndarray]
) -> list[float]:
    """mm³ of the master in the columns from `low` to each stage's height, cut at `high`."""
    vertices = frame.to_frame(master.vertices_mm)
    return [
        float(solid_between_mm(vertices, master.faces, grid, low, np.minimum(height, high)).sum()) * grid.pixel_mm**2
        for height in stages
    ]


def mean_positive_part(values: np.ndarray) -> np.ndarray:
    """Mean over a triangle of max(f, 0) for f linear with the given (m, 3) corner values."""
    v = np.sort(values, axis=1)
    low, middle, high = v[:, 0], v[:, 1], v[:, 2]
    mean = v.mean(axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        one_above = high**3 / (3 * (high - low) * (high - middle))
        two_above = mean - low**3 / (3 * (low - middle) * (low - high))
    return np.where(low >= 0, mean, np.where(high <= 0, 0.0, np.where(middle <= 0, one_above, two_above)))


def above_base(frame: PullFrame, grid: Grid, master: Master) -> tuple[np.ndarray, np.ndarray]:
    """Lowest and highest z of each column that stays above the open base plane (-inf, +inf where unbounded).

    A column that lies below the base all along gets low > high.
    """
    low = np.full((grid.rows, grid.columns), -np.inf)
    high = np.full_like(low, np.inf)
    if master.base != "open" or not master.base_faces.any():
        return low, high
    across, along = float(frame.axes[1][2]), float(frame.pull[2])
    rise = np.broadcast_to((grid.y() * across)[:, None], low.shape)  # u is level by construction of the frame
    if abs(along) < 1e-3:
        low[rise < 0] = np.inf
    elif along > 0:
        low = -rise / along
    else:
        high = rise / -along
    return low, high


def wall_bounds(master: Master, seam: Seam, frame: PullFrame, grid: Grid) -> tuple[np.ndarray, np.ndarray]:
    """Between which heights the wall passes clear of both pieces' skin, two (rows, columns) maps; -inf and inf where
    none is, and all over for a seam whose level is not known."""
    if seam.level_mm is None:
        return np.full((grid.rows, grid.columns), -np.inf), np.full((grid.rows, grid.columns), np.inf)
    return skin_bounds(master, seam.level_mm, frame, grid)


def volume_of_columns(height: np.ndarray, low: np.ndarray, high: np.ndarray, pixel_mm: float) -> float:
    """Volume of the columns from `low` to `height`, cut at `high`; midpoint rule over pixels."""
    thick = np.minimum(height, high) - low
    return float(np.where(np.isfinite(thick), np.maximum(thick, 0.0), 0.0).sum(dtype=float)) * pixel_mm**2
