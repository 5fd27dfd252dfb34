"""Lettering raised or cut on the skin, found from the shape alone: steep steps each way between two even levels.

Fur, folds and scales have slopes of every steepness, an edge or a groove steps one way only; letters stand in between.
All thresholds are starting values set on lettered posts of known place and on bodies without any (invented).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from ...base.linear import solved
from ...geometry.edges import connected
from ...geometry.sampling import samples_by_area
from ..master import Master

_SAMPLES = 32_000
_REACHES = (0.02, 0.04)  # of the greatest size: how far about a place its levels are looked at
_AROUND = 56  # samples about a place, at most
_STEPS_NEAR = 12  # samples about one among which a step is looked for before all else
_FLAT, _STEEP = 0.9, 0.6  # n . n of the level round it over which a sample lies on it, and under which it is a step
_LEAST_STEEP, _MOST_STEEP, _LEAST_FLAT = 0.08, 0.6, 0.35  # shares of the samples about a place
_MOST_BETWEEN = 0.6  # slopes that are neither, beside the steps
_LEAST_EVEN = 0.25  # steps the one way beside those the other: an edge or a groove has one way only
_MOST_ONE_WAY = 0.5
_LEAST_STEP = 0.0012  # of the greatest size
_CLEAR = 3.0  # times what the levels themselves are uneven: how far apart they stand
_LEVEL_SHARE = 0.1  # of the samples: on the lesser level at least
_LEAST_PLACES = 24  # of a row
_LEAST_CLEAR = 0.5  # of a row's places: two levels there
_MOST_SAMPLES = 4_000  # places whose levels are looked at
_LEAST_RADIUS = 0.012  # of the greatest size
_APART = 1.5  # times the reach: words no further apart are one row
_LEAST_LONG = 2.0  # times its radius: a row is longer than it is high


@dataclass(frozen=True, eq=False)
class LetteredRow:
    """A row of lettering. course_mm : (k, 3) places along its middle, no further apart than its radius; radius_mm :
    half its height and a margin; sureness : 0 to 1."""

    course_mm: np.ndarray
    radius_mm: float
    sureness: float


@dataclass(frozen=True, eq=False)
class _Around:
    """Places with what lies about each. at : (p, 3); far_mm : (p,) how far it reaches; level : (p, 3) unit, the normal
    of the level there; offset_mm : (p, k, 3) of the samples about it; flat, steep : (p, k) bool."""

    at: np.ndarray
    far_mm: np.ndarray
    level: np.ndarray
    offset_mm: np.ndarray
    flat: np.ndarray
    steep: np.ndarray
    normals: np.ndarray  # (p, k, 3)


def find_lettering(master: Master) -> list[LetteredRow]:
    """Rows of letters on a master's skin, the surest first. Deterministic."""
    samples = samples_by_area(master.vertices_mm, master.faces, master.face_areas_mm2, _SAMPLES, ~master.base_faces)
    points, normals = samples.points_mm, master.normals[samples.faces]
    if not len(points):
        return []
    size, spacing = float(max(master.size_mm)), float(np.sqrt(samples.areas_mm2[0]))
    near = cKDTree(points).query(points, k=_STEPS_NEAR, workers=2)[1]
    least = np.einsum("ij,ikj->ik", normals, normals[near]).min(axis=1)
    stepped = points[least < _STEEP]
    found: list[LetteredRow] = []
    for reach in _REACHES:
        every = max(1, round(np.pi * (reach * size / spacing) ** 2 / _AROUND))
        tree = cKDTree(points[::every])
        places = stepped[:: max(1, len(stepped) // (5 * _MOST_SAMPLES))]
        around = _about(places, tree, points[::every], normals[::every], reach * size)
        which = np.flatnonzero(_lettered(around))
        which = which[:: max(1, len(which) // _MOST_SAMPLES)]
        if len(which) >= _LEAST_PLACES:
            found += _rows(around, which, _two_levels(around, which, size), reach * size, size)
    found.sort(key=lambda row: -row.sureness * len(row.course_mm) * row.radius_mm)
    kept: list[LetteredRow] = []
    for row in found:
        if all(np.linalg.norm(row.course_mm.mean(axis=0) - k.course_mm, axis=1).min() > k.radius_mm for k in kept):
            kept.append(row)
    return kept


def _about(places: np.ndarray, tree: cKDTree, points: np.ndarray, normals: np.ndarray, reach_mm: float) -> _Around:
    near = tree.query(places, k=min(_AROUND, tree.n), workers=2)[1]
    far = np.minimum(np.linalg.norm(points[near[:, -1]] - places, axis=1), 1.3 * reach_mm)
    about, offset = normals[near], points[near] - places[:, None]
    level = about.mean(axis=1)
    for _ in range(4):  # towards the level that most lies on
        level /= np.maximum(np.linalg.norm(level, axis=1, keepdims=True), 1e-30)
        along = np.einsum("ij,ikj->ik", level, about)
        weight = np.where(along > 0.85, 1.0, np.where(along > _STEEP, 0.3, 0.02))
        level = np.einsum("ik,ikj->ij", weight, about)
    level /= np.maximum(np.linalg.norm(level, axis=1, keepdims=True), 1e-30)
    along = np.einsum("ij,ikj->ik", level, about)
    same = np.abs(np.einsum("ij,ikj->ik", level, offset)) < 0.6 * far[:, None]  # not the far side of a thin part
    return _Around(places, far, level, offset, same & (along > _FLAT), same & (np.abs(along) < _STEEP), about)


def _lettered(around: _Around) -> np.ndarray:
    """(p,) bool: level for the most part, with steps that face every way and hardly a slope in between."""
    count = around.flat.shape[1]
    flat, steep = around.flat.sum(axis=1) / count, around.steep.sum(axis=1) / count
    along = np.einsum("ij,ikj->ik", around.level, around.normals)
    aside = around.normals - along[..., None] * around.level[:, None]
    aside = np.where(around.steep[..., None], aside, 0.0)
    ways = np.linalg.eigvalsh(np.einsum("ika,ikb->iab", aside, aside))
    even = ways[:, 1] / np.maximum(ways[:, 2], 1e-9)  # the least is along the level's normal
    one_way = np.linalg.norm(aside.sum(axis=1), axis=1) / np.maximum(np.linalg.norm(aside, axis=2).sum(axis=1), 1e-9)
    between = 1.0 - flat - steep
    fit = (steep > _LEAST_STEEP) & (steep < _MOST_STEEP) & (flat > _LEAST_FLAT) & (between < _MOST_BETWEEN * steep)
    return fit & (even > _LEAST_EVEN) & (one_way < _MOST_ONE_WAY)


def _two_levels(around: _Around, which: np.ndarray, size_mm: float) -> np.ndarray:
    """(w,) bool: the level samples about a place lie on a curved surface or a step above it, and nowhere between.

    Least squares by a quadric and one step, the samples sorted to the nearer level over and over.
    """
    level, offset = around.level[which], around.offset_mm[which]
    first = np.cross(level, np.where(np.abs(level[:, 2:]) < 0.8, [[0.0, 0.0, 1.0]], [[1.0, 0.0, 0.0]]))
    first /= np.linalg.norm(first, axis=1, keepdims=True)
    second = np.cross(level, first)
    u, v, up = (np.einsum("ij,ikj->ik", way, offset) / around.far_mm[which, None] for way in (first, second, level))
    on = around.flat[which].astype(float)
    quadric = np.stack([np.ones_like(u), u, v, u * u, u * v, v * v], axis=2)
    above = (up > np.median(up, axis=1, keepdims=True)).astype(float)
    for _ in range(8):
        terms = np.concatenate([quadric, above[..., None]], axis=2) * on[..., None]
        square = np.einsum("ika,ikb->iab", terms, terms) + 1e-9 * np.eye(7)
        fit = solved(square, np.einsum("ika,ik->ia", terms, up * on))
        off = up - np.einsum("ika,ia->ik", quadric, fit[:, :6])
        above = (off > fit[:, 6:] / 2).astype(float)
    uneven = np.sqrt(((off - above * fit[:, 6:]) ** 2 * on).sum(axis=1) / np.maximum(on.sum(axis=1), 1.0))
    share = (above * on).sum(axis=1) / np.maximum(on.sum(axis=1), 1.0)
    clear = fit[:, 6] > np.maximum(_CLEAR * uneven, _LEAST_STEP * size_mm / around.far_mm[which])
    return clear & (np.minimum(share, 1.0 - share) > _LEVEL_SHARE)


def _rows(
    around: _Around, which: np.ndarray, two_levels: np.ndarray, reach_mm: float, size_mm: float
) -> list[LetteredRow]:
    """Places that hang together, as rows."""
    points = around.at[which]
    count, part = connected(cKDTree(points).query_pairs(_APART * reach_mm, output_type="ndarray"), len(points))
    rows = []
    for k in np.flatnonzero(np.bincount(part, minlength=count) >= _LEAST_PLACES):
        own = part == k
        share = float(two_levels[own].mean())
        if share > _LEAST_CLEAR:
            course, radius = _course(points[own & two_levels], _LEAST_RADIUS * size_mm)
            if np.linalg.norm(np.ptp(course, axis=0)) > _LEAST_LONG * radius:
                rows.append(LetteredRow(course, radius, float(np.clip(share, 0.5, 1.0))))
    return rows


def _course(points: np.ndarray, least_mm: float) -> tuple[np.ndarray, float]:
    """(k, 3) places along the middle of a cluster, and half its width."""
    middle = points.mean(axis=0)
    along, across, _ = np.linalg.svd(points - middle, full_matrices=False)[2]
    low, high = np.quantile((points - middle) @ across, [0.03, 0.97])
    radius = max(float(high - low) / 2, least_mm)
    at = (points - middle) @ along
    parts = max(1, int(np.ceil(np.ptp(at) / radius)))
    bins = np.minimum(((at - at.min()) / max(float(np.ptp(at)), 1e-9) * parts).astype(int), parts - 1)
    return np.array([points[bins == k].mean(axis=0) for k in np.unique(bins)]), radius
