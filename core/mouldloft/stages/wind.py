"""Wind on the cast as it stands: pressure by height and ground, and what the wind sees of the body from all round."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from ..base.progress import SILENT, Progress
from ..geometry.depthmap import column_image, grid_around
from ..geometry.frame import pull_frame
from ..geometry.gathering import gathered
from .master import Master

AIR_DENSITY_KG_M3 = 1.25  # from memory, verify: AIR_SOURCE
SILHOUETTE_PIXELS = 256  # along the longest side; the area of a ball is then right to 0.2 %
SILHOUETTE_DIRECTIONS = 18  # over half a turn: every 10 degrees; the worst lies within 5, and cos 5 is 0.996
PROFILE_LEVELS = 64  # of what the wind sees, by height
COARSE_FROM_FACES = 200_000  # finer meshes lend their silhouettes and depths through a coarser one
# published, EN 1991-1-4, table 4.1: (z0 m, z_min m) of terrain categories 0 to IV
TERRAIN_Z_MIN = ((0.003, 1.0), (0.01, 1.0), (0.05, 2.0), (0.3, 5.0), (1.0, 10.0))


@dataclass(frozen=True)
class WindPressure:
    """Peak velocity pressure at a height and what leads to it (EN 1991-1-4)."""

    height_m: float  # reference height, not under z_min
    terrain_factor: float  # k_r
    roughness_factor: float  # c_r
    mean_velocity_m_s: float  # v_m
    turbulence: float  # I_v
    basic_pressure_pa: float  # q_b
    peak_pressure_pa: float  # q_p


def wind_pressure(basic_m_s: float, height_m: float, roughness_m: float) -> WindPressure:
    """Peak velocity pressure at a height over flat ground (EN 1991-1-4; orography and turbulence factors 1, direction
    and season factors 1). Under z_min the value at z_min holds."""
    z = max(height_m, _least_height_m(roughness_m))
    k_r = 0.19 * (roughness_m / 0.05) ** 0.07  # (4.5)
    logarithm = math.log(z / roughness_m)
    c_r = k_r * logarithm  # (4.4)
    v_m = c_r * basic_m_s  # (4.3)
    turbulence = 1.0 / logarithm  # (4.7)
    q_b = 0.5 * AIR_DENSITY_KG_M3 * basic_m_s**2  # (4.10)
    q_p = (1 + 7 * turbulence) * 0.5 * AIR_DENSITY_KG_M3 * v_m**2  # (4.8)
    return WindPressure(z, k_r, c_r, v_m, turbulence, q_b, q_p)


def _least_height_m(roughness_m: float) -> float:
    """z_min between the table's terrains, along the logarithm of z0; never under twice z0, where the law ends."""
    z0, z_min = zip(*TERRAIN_Z_MIN, strict=True)
    between = float(np.interp(math.log(roughness_m), np.log(z0), z_min))
    return max(between, 2.0 * roughness_m)


@dataclass(frozen=True)
class Silhouettes:
    """Seen along level directions over a full turn: angle of the wind's travel (k,) radians from +x, area (k,) mm²,
    height of its centre (k,) mm; over half a turn the area by height, profile_mm2 (k / 2, levels) about level_mm
    (levels,)."""

    angle: np.ndarray
    area_mm2: np.ndarray
    centre_mm: np.ndarray
    profile_mm2: np.ndarray
    level_mm: np.ndarray


def silhouettes(master: Master, progress: Progress = SILENT) -> Silhouettes:
    """Outlines of the master from all round, by column images along each direction.

    The area has the error of counting pixel centres, about 0.2 % at 256 pixels along the longest side.
    """
    pixel = max(master.size_mm) / SILHOUETTE_PIXELS
    vertices, faces = coarse_mesh(master, pixel)
    half_turn = np.arange(SILHOUETTE_DIRECTIONS) * (math.pi / SILHOUETTE_DIRECTIONS)
    area, centre = np.zeros(len(half_turn)), np.zeros(len(half_turn))
    bins = np.linspace(0.0, max(master.height_mm, 1.0), PROFILE_LEVELS + 1)
    profile = np.zeros((len(half_turn), PROFILE_LEVELS))
    for k, angle in enumerate(half_turn):
        progress.step(0.3 + 0.6 * k / len(half_turn), "wind on the silhouette")
        frame = pull_frame(np.array([math.cos(angle), math.sin(angle), 0.0]))
        points = np.ascontiguousarray(frame.to_frame(vertices))
        grid = grid_around(points, pixel)
        top, _ = column_image(points, faces, grid)
        rows = np.isfinite(top).sum(axis=1)
        area[k] = rows.sum() * pixel**2
        heights = grid.y()
        centre[k] = float(rows @ heights / max(rows.sum(), 1))
        profile[k], _ = np.histogram(np.clip(heights, 0.0, bins[-1]), bins, weights=rows * pixel**2)
    angles = np.concatenate([half_turn, half_turn + math.pi])
    return Silhouettes(angles, np.tile(area, 2), np.tile(centre, 2), profile, (bins[:-1] + bins[1:]) / 2.0)


def coarse_mesh(master: Master, cell_mm: float) -> tuple[np.ndarray, np.ndarray]:
    """Vertices and faces for a silhouette: of a fine mesh, the vertices of each cell drawn together to their mean, and
    the faces that are left. The outline moves by less than half a cell, out as often as in."""
    if len(master.faces) <= COARSE_FROM_FACES:
        return master.vertices_mm, master.faces
    return gathered(master.vertices_mm, master.faces, cell_mm)
