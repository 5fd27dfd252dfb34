"""Measures of a polyline in space: steps, even spacing, turn, flatness."""

from __future__ import annotations

import numpy as np


def steps_mm(points_mm: np.ndarray, closed: bool) -> np.ndarray:
    """Length of each step of a (k, d) polyline, the closing one last."""
    following = np.roll(points_mm, -1, axis=0) if closed else points_mm[1:]
    return np.linalg.norm(following - points_mm[: len(following)], axis=1)


def length_mm(points_mm: np.ndarray, closed: bool) -> float:
    """Length of a polyline, the closing step included."""
    return float(steps_mm(points_mm, closed).sum())


def spaced_out(points_mm: np.ndarray, closed: bool, step_mm: float) -> np.ndarray:
    """(c, d) points evenly spaced along a polyline, about `step_mm` apart, the first not repeated."""
    path = np.concatenate([points_mm, points_mm[:1]]) if closed else points_mm
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(path, axis=0), axis=1))])
    count = max(round(along[-1] / step_mm), 3 if closed else 1)
    at = np.linspace(0.0, along[-1], count + 1)
    if closed:
        at = at[:-1]
    return np.stack([np.interp(at, along, path[:, k]) for k in range(path.shape[1])], axis=1)


def tightest_turn_mm(points_mm: np.ndarray, closed: bool, step_mm: float) -> float:
    """Smallest radius of the circle through three points `step_mm` apart along the line; inf if straight."""
    p = spaced_out(points_mm, closed, step_mm)
    if closed:
        before, here, after = np.roll(p, 1, axis=0), p, np.roll(p, -1, axis=0)
    else:
        before, here, after = p[:-2], p[1:-1], p[2:]
    if len(here) == 0:
        return float("inf")
    a, b = here - before, after - here
    doubled = np.linalg.norm(np.cross(a, b), axis=1)  # twice the triangle's area
    sides = np.linalg.norm(a, axis=1) * np.linalg.norm(b, axis=1) * np.linalg.norm(a + b, axis=1)
    flat = doubled <= 1e-9 * sides ** (2 / 3)
    return float(np.where(flat, np.inf, sides / np.where(flat, 1.0, 2 * doubled)).min())


def flatness_mm(points_mm: np.ndarray) -> float:
    """Greatest distance of the points from their best plane (least squares)."""
    centred = points_mm - points_mm.mean(axis=0)
    normal = np.linalg.svd(centred, full_matrices=False)[2][-1]
    return float(np.abs(centred @ normal).max())
