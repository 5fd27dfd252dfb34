"""Stage 1, the master: read a mesh, judge its health, repair it, stand it up at the finished height."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from .brief import MasterBrief
from .progress import SILENT, Progress


@dataclass(frozen=True, eq=False)
class Health:
    """What is wrong with the mesh as read, and what was mended. Counts are before repair.

    fault_points_mm : (k, 3) float, up to a few hundred places to look at, in plan coordinates.
    """

    open_edges: int
    non_manifold_edges: int
    inside_out: bool
    self_intersections: int
    stray_shells: int
    degenerate_faces: int
    is_solid: bool  # after repair: closed, manifold, right way out
    repairs: tuple[str, ...] = ()
    left_out: tuple[str, ...] = ()  # what could not be done for want of a closed solid
    fault_points_mm: np.ndarray | None = None


@dataclass(frozen=True, eq=False)
class Master:
    """The master in plan coordinates: millimetres, +z up, front towards -y, standing on z = 0, x and y centred.

    vertices_mm : (n, 3) float64; faces : (m, 3) int32, outward by the right-hand rule.
    normals : (m, 3) float64 unit; face_areas_mm2 : (m,) float64.
    base_faces : (m,) bool, faces that lie on the base plane (no rubber there when the base is open).
    """

    name: str
    vertices_mm: np.ndarray
    faces: np.ndarray
    normals: np.ndarray
    face_areas_mm2: np.ndarray
    base_faces: np.ndarray
    base: str  # "open" or "closed"
    area_mm2: float  # whole surface, base included
    base_area_mm2: float
    volume_mm3: float  # 0 where the mesh is no solid
    height_mm: float
    size_mm: tuple[float, float, float]
    scale: float  # plan millimetres per unit of the file
    unit_assumed: str  # sentence saying where the unit came from
    detail_allowance: float
    detail_allowance_uncertainty: float
    source_hash: str  # sha256 of the geometry as read, hex
    health: Health
    vertex_weights: np.ndarray | None = None  # (n,) float 0..1, keep-clear painted by the user

    @property
    def skin_area_mm2(self) -> float:
        """Area that rubber and casts cover: without the base when it is open."""
        return self.area_mm2 - (self.base_area_mm2 if self.base == "open" else 0.0)


def read_master(path: str | Path, brief: MasterBrief, progress: Progress = SILENT) -> Master:
    """Read STL, OBJ, PLY, GLB or 3MF and prepare it. Raises `MasterRefused` with one sentence."""
    raise NotImplementedError


def prepare_master(
    vertices: np.ndarray,
    faces: np.ndarray,
    brief: MasterBrief,
    *,
    name: str = "master",
    file_unit: str | None = None,
    vertex_weights: np.ndarray | None = None,
    progress: Progress = SILENT,
) -> Master:
    """Master from (n, 3) vertices in any unit and (m, 3) faces: checked, mended, scaled, stood on z = 0."""
    raise NotImplementedError
