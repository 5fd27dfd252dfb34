"""A camera on plan coordinates, and where it has to stand to take bodies in."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from ...geometry.frame import unit

_MOST_FRAMED = 30_000  # points that a view is fitted to; more change nothing one can see


@dataclass(frozen=True, eq=False)
class Camera:
    """A camera on plan coordinates.

    axes : (3, 3) rows right, up, towards the eye. target_mm : (3,) middle of the picture. half_height_mm : what
    the upper half of the picture spans at the target. distance_mm : eye to target; inf for a parallel view.
    """

    axes: np.ndarray
    target_mm: np.ndarray
    half_height_mm: float
    distance_mm: float
    width_px: int
    height_px: int

    @property
    def px_per_mm(self) -> float:
        """Scale of the picture at the target."""
        return self.height_px / (2.0 * self.half_height_mm)

    def project(self, points_mm: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """(n, 2) pixel coordinates (x right, y down, the top left corner at 0, 0) and (n,) depth towards the eye."""
        local = (np.asarray(points_mm, float) - self.target_mm) @ self.axes.T
        shrink = 1.0 if np.isinf(self.distance_mm) else self.distance_mm / (self.distance_mm - local[:, 2])
        x = self.width_px / 2 + local[:, 0] * shrink * self.px_per_mm
        y = self.height_px / 2 - local[:, 1] * shrink * self.px_per_mm
        return np.column_stack([x, y]), local[:, 2]

    def towards_eye(self, points_mm: np.ndarray) -> np.ndarray:
        """(n, 3) unit directions from points to the eye."""
        if np.isinf(self.distance_mm):
            return np.broadcast_to(self.axes[2], np.shape(points_mm))
        sight = self.target_mm + self.distance_mm * self.axes[2] - points_mm
        return sight / np.linalg.norm(sight, axis=1, keepdims=True)

    def rays(self, scale: int = 1, rows: slice | None = None) -> tuple[np.ndarray, np.ndarray]:
        """Origins and directions ((k, 3) each) through every pixel's centre, row by row, `scale` times finer.

        rows : those of the finer picture; None for all.
        """
        columns, down = self.width_px * scale, np.arange(self.height_px * scale)[rows or slice(None)]
        x = ((np.arange(columns) + 0.5) / scale - self.width_px / 2) / self.px_per_mm
        y = (self.height_px / 2 - (down + 0.5) / scale) / self.px_per_mm
        across = (y[:, None, None] * self.axes[1] + x[None, :, None] * self.axes[0]).reshape(-1, 3)
        if np.isinf(self.distance_mm):
            reach = 40.0 * self.half_height_mm
            return self.target_mm + across + reach * self.axes[2], np.broadcast_to(-self.axes[2], across.shape)
        eye = self.target_mm + self.distance_mm * self.axes[2]
        way = across - self.distance_mm * self.axes[2]
        way /= np.sqrt(np.einsum("ij,ij->i", way, way))[:, None]
        return np.broadcast_to(eye, across.shape), way


def look(
    towards: Sequence[float] | np.ndarray,
    bodies_mm: np.ndarray,
    width_px: int,
    height_px: int,
    *,
    parallel: bool = False,
    margin: float = 0.08,
    view_angle_deg: float = 22.0,
) -> Camera:
    """Camera that looks along `towards` and just takes in the (n, 3) points, with a margin on every side."""
    back = -unit(np.asarray(towards, float))
    bodies_mm = bodies_mm[:: 1 + len(bodies_mm) // _MOST_FRAMED]
    up = np.array([0.0, 0.0, 1.0]) if abs(back[2]) < 0.999 else np.array([0.0, 1.0, 0.0])
    right = unit(np.cross(up, back))
    axes = np.stack([right, np.cross(back, right), back])
    local = bodies_mm @ axes.T
    low, high = local.min(axis=0), local.max(axis=0)
    target = ((low + high) / 2) @ axes
    half = (high - low) / 2
    half_height = max(half[1], half[0] * height_px / width_px, 1e-6) * (1 + 2 * margin)
    camera = Camera(axes, target, float(half_height), float("inf"), width_px, height_px)
    if parallel:
        return camera
    return _step_back(camera, bodies_mm, margin, view_angle_deg)


def _step_back(camera: Camera, bodies_mm: np.ndarray, margin: float, view_angle_deg: float) -> Camera:
    """The camera in perspective, moved and opened until the points fill the picture as they do in parallel view."""
    frame = np.array([camera.width_px, camera.height_px]) / 2
    for _ in range(6):
        distance = camera.half_height_mm / np.tan(np.radians(view_angle_deg / 2))
        camera = replace(camera, distance_mm=float(distance))
        seen, _ = camera.project(bodies_mm)
        low, high = seen.min(axis=0), seen.max(axis=0)
        off = (low + high) / 2 - frame
        shift = (off[0] * camera.axes[0] - off[1] * camera.axes[1]) / camera.px_per_mm
        wanted = float(((high - low) / 2 / frame).max()) * (1 + 2 * margin)
        camera = replace(camera, target_mm=camera.target_mm + shift, half_height_mm=camera.half_height_mm * wanted)
    return replace(camera, distance_mm=float(camera.half_height_mm / np.tan(np.radians(view_angle_deg / 2))))
