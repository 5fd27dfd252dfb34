"""How evenly a line runs over a surface: how far it leaves a smooth curve, and how tightly it turns."""

from __future__ import annotations

import numpy as np

from ...geometry.polyline import steps_mm

_WINDOW = 21  # points that a smooth curve is fitted through


def line_fairness(
    points_mm: np.ndarray, normals: np.ndarray, closed: bool, over_mm: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Even points along a line, how far each lies beside a smooth curve, and how the line turns over the surface.

    points_mm, normals : (k, 3), the surface's normal at each point. over_mm : length of the smooth curve, a cubic by
    least squares about each point. Returns (p, 3) points, (p,) mm beside the curve in the surface, (p,) 1/mm turn of
    the curve in the surface, both without sign. What the surface itself does up and down is no fault of the line.
    """
    step = over_mm / (_WINDOW - 1)
    length = float(steps_mm(points_mm, closed).sum())
    none = np.zeros((0, 3)), np.zeros(0), np.zeros(0)
    if length < 1.5 * over_mm:
        return none
    even = _evenly(points_mm, normals, closed, step)
    half = _WINDOW // 2
    points, across = even
    count = len(points)
    if closed:
        at = (np.arange(count)[:, None] + np.arange(-half, half + 1)) % count
    else:
        at = np.arange(half, count - half)[:, None] + np.arange(-half, half + 1)
    if not len(at):
        return none
    t = np.arange(-half, half + 1) / half
    basis = np.stack([t**0, t, t**2, t**3], axis=1)
    fit = np.linalg.pinv(basis)
    window = points[at]
    terms = np.einsum("ab,kbc->kac", fit, window)
    here = at[:, half]
    along = terms[:, 1] / np.maximum(np.linalg.norm(terms[:, 1], axis=1, keepdims=True), 1e-12)
    normal = across[at].mean(axis=1)
    beside = np.cross(normal, along)
    beside /= np.maximum(np.linalg.norm(beside, axis=1, keepdims=True), 1e-12)
    off = np.abs(np.einsum("ij,ij->i", points[here] - terms[:, 0], beside))
    speed = np.linalg.norm(terms[:, 1], axis=1)
    turn = np.abs(np.einsum("ij,ij->i", 2 * terms[:, 2], beside)) / np.maximum(speed, 1e-12) ** 2
    return points[here], off, turn


def _evenly(points_mm: np.ndarray, normals: np.ndarray, closed: bool, step_mm: float) -> tuple[np.ndarray, np.ndarray]:
    path = np.concatenate([points_mm, points_mm[:1]]) if closed else points_mm
    facing = np.concatenate([normals, normals[:1]]) if closed else normals
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(path, axis=0), axis=1))])
    count = max(round(along[-1] / step_mm), 3)
    at = np.linspace(0.0, along[-1], count + 1)
    at = at[:-1] if closed else at
    even = np.stack([np.interp(at, along, path[:, k]) for k in range(3)], axis=1)
    return even, np.stack([np.interp(at, along, facing[:, k]) for k in range(3)], axis=1)


def off_plane_mm(points_mm: np.ndarray) -> np.ndarray:
    """(k,) distance of each point from the plane that fits them best (least squares)."""
    centred = points_mm - points_mm.mean(axis=0)
    return np.abs(centred @ np.linalg.svd(centred, full_matrices=False)[2][-1])
