"""Small features that no seam should cross: eyes, nose, mouth, fingers, lettering, found from the shape alone.

A proposal: its regions can be edited, and what the client paints wins. Sizes are shares of the greatest size. All
thresholds are starting values set on bodies whose eyes are known (invented).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import sparse
from scipy.spatial import cKDTree

from ...base.progress import SILENT, Progress
from ...geometry.edges import connected
from ...geometry.frame import as_point
from ...geometry.rays import RayScene, first_wall_mm, ray_scene
from ...geometry.sampling import samples_by_area
from ..master import Master
from ..named import Feature
from .lettering import LetteredRow, find_lettering

_SAMPLES = 24_000
_NEIGHBOURS = 16
_SCALES = (0.012, 0.018, 0.027)  # radii at which detail is looked for
_MOST_SPOTS = 90  # candidates for eyes
_MOST_PAIRS = 60  # pairs whose two sides are laid on one another
_LEAST_SCORE = 0.1  # less is no face
_LEAST_RELIEF = 0.11  # of its scale: less is how a round body curves away
_THIN = 0.022  # fingers are thinner than this, and so are the gaps between them
_LEAST_COMB = 14  # samples of fingers
_LONG_ROW = 5.0  # times its radius: a shorter row of letters may be an eye


@dataclass(frozen=True, eq=False)
class KeepClearProposal:
    """weights : (n,) float, 0 free to 1 keep clear, on the master's vertices. regions : what they stand for.

    facing : (3,) unit, level, the way the face looks; None where no face was found.
    """

    weights: np.ndarray
    regions: tuple[Feature, ...]
    facing: tuple[float, float, float] | None = None


@dataclass(frozen=True, eq=False)
class _Skin:
    """Samples of the skin. relief : (s, k) mm off the smoothed surface at each scale, root of mean square around."""

    points: np.ndarray
    normals: np.ndarray  # smoothed
    thick_mm: np.ndarray  # of the body behind each sample
    gap_mm: np.ndarray  # of the air before it, inf where it is open
    relief: np.ndarray
    radii_mm: np.ndarray
    tree: cKDTree
    size_mm: float


def find_features(master: Master, progress: Progress = SILENT, scene: RayScene | None = None) -> KeepClearProposal:
    """Where eyes, nose, mouth, fingers and lettering are, as weights on the vertices and as regions.

    A pair of like spots of fine relief, one a mirror of the other, high up and on thick body, is taken for eyes; nose
    and mouth lie between and below them. Deterministic. A body without a face gets no face; a section has those of the
    whole sculpt that lie on it, and no others.
    """
    if master.named is not None:
        return KeepClearProposal(weights_of(master.vertices_mm, master.named.features), master.named.features)
    progress.step(0.0, "looking for a face")
    skin = _skin_of(master, scene or ray_scene(master.vertices_mm, master.faces))
    progress.step(0.4, "looking for lettering")
    rows = find_lettering(master)
    progress.step(0.5, "looking for a face")
    regions, facing = _face(skin, _among_letters(skin, rows))
    regions += _fingers(skin, regions)
    regions += _lettering(rows, regions)
    return KeepClearProposal(weights_of(master.vertices_mm, regions), tuple(regions), facing)


def weights_of(vertices_mm: np.ndarray, regions: list[Feature] | tuple[Feature, ...]) -> np.ndarray:
    """(n,) 1 inside the regions, falling to 0 at one and a half radii."""
    weights = np.zeros(len(vertices_mm))
    for region in regions:
        far = region.away_mm(vertices_mm) / region.radius_mm
        weights = np.maximum(weights, np.clip((1.5 - far) / 0.5, 0.0, 1.0) * region.sureness)
    return weights


def _skin_of(master: Master, scene: RayScene) -> _Skin:
    keep = ~master.base_faces
    samples = samples_by_area(master.vertices_mm, master.faces, master.face_areas_mm2, _SAMPLES, keep)
    points, raw = samples.points_mm, master.normals[samples.faces]
    size = float(max(master.size_mm))
    tree = cKDTree(points)
    near = tree.query(points, k=_NEIGHBOURS, workers=2)[1]
    fine = _spreading(raw, near) @ raw
    fine /= np.maximum(np.linalg.norm(fine, axis=1, keepdims=True), 1e-30)
    thick = first_wall_mm(scene, points, -fine, -fine)
    gap = first_wall_mm(scene, points, fine, fine)
    thick = np.median(np.where(np.isfinite(thick), thick, 0.0)[near], axis=1)
    radii = np.array(_SCALES) * size
    relief, normals = [], fine
    spread = _spreading(fine, near)
    for radius in radii:
        level, smooth, rounds = points, fine, _rounds(radius, points, near)
        for _ in range(rounds):
            level, smooth = spread @ level, spread @ smooth
        normals = smooth / np.maximum(np.linalg.norm(smooth, axis=1, keepdims=True), 1e-30)
        square = np.einsum("ij,ij->i", points - level, normals) ** 2
        for _ in range(max(1, rounds // 2)):
            square = square[near].mean(axis=1)
        relief.append(np.sqrt(square))
    return _Skin(points, normals, thick, gap, np.stack(relief, axis=1), radii, tree, size)


def _spreading(normals: np.ndarray, near: np.ndarray) -> sparse.csr_matrix:
    """(s, s) mean over neighbours that face the same way: the two sides of a thin part do not mix."""
    weight = np.einsum("ij,ikj->ik", normals, normals[near]).clip(min=0.0)
    weight[:, 0] = 1.0
    weight /= weight.sum(axis=1, keepdims=True)
    count, each = near.shape
    return sparse.csr_matrix((weight.ravel(), near.ravel(), np.arange(count + 1) * each), shape=(count, count))


def _rounds(radius: float, points: np.ndarray, near: np.ndarray) -> int:
    """Averaging rounds over neighbours that reach about a radius: a walk of steps of random way."""
    step = float(np.linalg.norm(points[near[:, -1]] - points, axis=1).mean()) / np.sqrt(2.0)
    return int(np.clip(round((radius / step) ** 2), 1, 40))


# --- the face --------------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Pair:
    """Two spots that may be eyes: samples, their scale, the way the face would look, and how sure."""

    one: int
    two: int
    radius_mm: float
    across: np.ndarray  # unit, level, from two to one
    facing: np.ndarray  # unit, level
    score: float


def _face(skin: _Skin, barred: np.ndarray) -> tuple[list[Feature], tuple[float, float, float] | None]:
    pairs = [pair for at in range(len(skin.radii_mm)) for pair in _pairs_at(skin, at, barred)]
    if not pairs:
        return [], None
    best = max(pairs, key=lambda pair: pair.score)
    if best.score < _LEAST_SCORE:
        return [], None
    sureness = float(np.clip(best.score / (2.0 * _LEAST_SCORE), 0.5, 1.0))
    left, right = _agreed_eyes(skin, pairs, best)
    apart = float(np.linalg.norm(left - right))
    radius = max(1.6 * best.radius_mm, 0.36 * apart)
    regions = [Feature("left eye", "eye", as_point(left), radius, sureness)]
    regions.append(Feature("right eye", "eye", as_point(right), radius, sureness))
    facing = best.facing
    return regions + _nose_and_mouth(skin, best, apart, sureness), (float(facing[0]), float(facing[1]), 0.0)


def _agreed_eyes(skin: _Skin, pairs: list[_Pair], best: _Pair) -> tuple[np.ndarray, np.ndarray]:
    """Left and right eye as the good pairs near the best one have them, in the mean, on the skin."""
    ends = np.array([_left_first(skin, pair) for pair in pairs])
    score = np.array([pair.score for pair in pairs])
    own = _left_first(skin, best)
    apart = float(np.linalg.norm(own[0] - own[1]))
    near = (np.linalg.norm(ends - own, axis=2).max(axis=1) < 0.35 * apart) & (score > 0.5 * best.score)
    mean = (ends[near] * score[near][:, None, None]).sum(axis=0) / score[near].sum()
    left, right = skin.points[skin.tree.query(mean)[1]]
    return left, right


def _left_first(skin: _Skin, pair: _Pair) -> np.ndarray:
    """(2, 3) its places, the piece's own left (+x) first."""
    ends = skin.points[[pair.one, pair.two]]
    return ends if ends[0, 0] > ends[1, 0] else ends[::-1]


def _spots(skin: _Skin, at: int, barred: np.ndarray) -> np.ndarray:
    """Samples where the relief at one scale is greatest around: high up, on thick body, not facing back or down."""
    radius, relief = skin.radii_mm[at], skin.relief[:, at]
    high = skin.points[:, 2] > 0.4 * skin.points[:, 2].max()
    fit = high & ~barred & (skin.thick_mm > 2.5 * radius)
    fit &= (skin.normals[:, 1] < 0.5) & (np.abs(skin.normals[:, 2]) < 0.85)
    order = np.flatnonzero(fit)
    order = order[np.argsort(-relief[order], kind="stable")][:6000]
    taken, spots = np.zeros(len(relief), bool), []
    for k in order:
        if taken[k]:
            continue
        spots.append(k)
        taken[skin.tree.query_ball_point(skin.points[k], 1.6 * radius)] = True
        if len(spots) == _MOST_SPOTS:
            break
    return np.array(spots, np.int64)


def _pairs_at(skin: _Skin, at: int, barred: np.ndarray) -> list[_Pair]:
    spots, radius = _spots(skin, at, barred), float(skin.radii_mm[at])
    if len(spots) < 2:
        return []
    i, j = np.triu_indices(len(spots), 1)
    one, two = spots[i], spots[j]
    apart = skin.points[one] - skin.points[two]
    distance = np.linalg.norm(apart, axis=1)
    across = apart / np.maximum(distance, 1e-9)[:, None]
    relief = skin.relief[:, at]
    weaker, stronger = np.minimum(relief[one], relief[two]), np.maximum(relief[one], relief[two])
    outward = np.einsum("ij,ij->i", skin.normals[one], across), -np.einsum("ij,ij->i", skin.normals[two], across)
    fit = (distance > 2.2 * radius) & (distance < 12.0 * radius) & (np.abs(across[:, 2]) < 0.3)
    fit &= (np.abs(across[:, 0]) > 0.75) & (weaker > 0.45 * stronger) & (weaker > _LEAST_RELIEF * radius)
    fit &= (np.minimum(*outward) > -0.1) & (np.abs(outward[0] - outward[1]) < 0.5)
    fit &= np.minimum(skin.thick_mm[one], skin.thick_mm[two]) > 0.7 * distance
    rough = np.where(fit, weaker * (skin.points[one, 2] + skin.points[two, 2]), -1.0)
    first = np.argsort(-rough, kind="stable")[:_MOST_PAIRS]
    return [_judged(skin, at, int(one[k]), int(two[k])) for k in first if rough[k] > 0]


def _judged(skin: _Skin, at: int, one: int, two: int) -> _Pair:
    """The pair with its score: how far its relief stands over that around, how well its sides mirror, how high."""
    a, b = skin.points[one], skin.points[two]
    middle, across = (a + b) / 2, (a - b) / np.linalg.norm(a - b)
    across[2] = 0.0
    across /= np.linalg.norm(across)
    facing = np.array([across[1], -across[0], 0.0])
    facing = facing if facing[1] < 0 else -facing
    distance = float(np.linalg.norm(a - b))
    around = np.array(skin.tree.query_ball_point(middle, 1.5 * distance))
    local = skin.points[around] - middle
    ahead = local @ facing > -0.35 * distance
    local, around = local[ahead], around[ahead]
    mirrored = local - 2.0 * np.outer(local @ across, across)
    off = skin.tree.query(mirrored + middle)[0]
    uneven = float(np.sqrt((np.minimum(off, 0.3 * distance) ** 2).mean())) / distance
    relief = skin.relief[:, at]
    usual = float(np.median(relief[around])) + 0.02 * float(skin.radii_mm[at])
    stands_out = float(min(relief[one], relief[two])) / usual
    high = float(np.clip(middle[2] / skin.points[:, 2].max(), 0.0, 1.0))
    looks = float(np.clip(0.3 + 0.5 * (skin.normals[one] + skin.normals[two]) @ facing, 0.0, 1.0))
    # a nose, muzzle or beak between and below the eyes stands out before them
    between = (np.abs(local @ across) < 0.2 * distance) & (local[:, 2] < 0.2 * distance)
    nose = float((local[between] @ facing).max()) / distance if between.any() else 0.0
    score = 0.5 * min(stands_out, 4.0) * high**2 * np.exp(-((uneven / 0.06) ** 2)) * looks
    score *= float(np.clip((nose - 0.02) / 0.25, 0.0, 1.0))
    return _Pair(one, two, float(skin.radii_mm[at]), across, facing, float(score))


def _nose_and_mouth(skin: _Skin, pair: _Pair, apart: float, sureness: float) -> list[Feature]:
    """The nose is what stands furthest out on the middle line below the eyes; the mouth the deepest relief below it."""
    middle = (skin.points[pair.one] + skin.points[pair.two]) / 2
    local = skin.points - middle
    out, level = local @ pair.facing, local @ pair.across
    far = np.linalg.norm(local, axis=1)
    mid = (np.abs(level) < 0.3 * apart) & (far < 1.7 * apart) & (out > -0.2 * apart)
    below = mid & (local[:, 2] < 0.15 * apart)
    if not below.any():
        return []
    nose = np.flatnonzero(below)[np.argmax(out[below])]
    found = [Feature("nose", "nose", as_point(skin.points[nose]), 0.26 * apart, sureness)]
    under = mid & (local[:, 2] < local[nose, 2] - 0.12 * apart) & (local[:, 2] > local[nose, 2] - 1.1 * apart)
    under &= skin.normals @ pair.facing > -0.5
    if under.any():
        relief = skin.relief[:, 0] * np.exp(-(((local[:, 2] - local[nose, 2]) / (0.8 * apart)) ** 2))
        mouth = np.flatnonzero(under)[np.argmax(relief[under])]
        centre = skin.points[mouth] - level[mouth] * pair.across
        centre = skin.points[skin.tree.query(centre)[1]]
        found.append(Feature("mouth", "mouth", as_point(centre), 0.34 * apart, sureness))
    return found


# --- fingers ---------------------------------------------------------------------------------------------


def _fingers(skin: _Skin, face: list[Feature]) -> list[Feature]:
    """Hands: clusters of thin skin that looks at other thin skin across a narrow gap, clear of ground and face."""
    thin = (skin.thick_mm < _THIN * skin.size_mm) & (skin.gap_mm < _THIN * skin.size_mm)
    thin &= skin.points[:, 2] > 0.08 * skin.points[:, 2].max()
    for region in face:
        thin &= np.linalg.norm(skin.points - np.array(region.centre_mm), axis=1) > 2.0 * region.radius_mm
    at = np.flatnonzero(thin)
    if len(at) < _LEAST_COMB:
        return []
    links = cKDTree(skin.points[at]).query_pairs(0.03 * skin.size_mm, output_type="ndarray")
    count, part = connected(links, len(at))
    found = []
    for k in range(count):
        points = skin.points[at[part == k]]
        reach = float(np.linalg.norm(points - points.mean(axis=0), axis=1).max()) if len(points) else 0.0
        around = skin.tree.query_ball_point(points.mean(axis=0), max(reach, 0.02 * skin.size_mm)) if len(points) else []
        slender = float((skin.thick_mm[around] < 2.0 * _THIN * skin.size_mm).mean()) if around else 0.0
        if len(points) >= _LEAST_COMB and reach < 0.09 * skin.size_mm and slender > 0.6:
            side = "left" if points[:, 0].mean() > 0 else "right"
            radius = max(reach, 0.03 * skin.size_mm)
            found.append(Feature(f"{side} fingers", "fingers", as_point(points.mean(axis=0)), radius, 0.5))
    return found


# --- lettering -------------------------------------------------------------------------------------------


def _among_letters(skin: _Skin, rows: list[LetteredRow]) -> np.ndarray:
    """(s,) bool: samples on a long row, where two letters are no pair of eyes."""
    among = np.zeros(len(skin.points), bool)
    for row in rows:
        if np.linalg.norm(np.ptp(row.course_mm, axis=0)) > _LONG_ROW * row.radius_mm:
            among |= cKDTree(row.course_mm).query(skin.points)[0] < 1.5 * row.radius_mm
    return among


def _lettering(rows: list[LetteredRow], others: list[Feature]) -> list[Feature]:
    """Rows of letters, but for what is an eye, a mouth or a hand."""
    found = []
    for row in rows:
        middle = row.course_mm[np.argmin(np.linalg.norm(row.course_mm - row.course_mm.mean(axis=0), axis=1))]
        if any(float(other.away_mm(middle)[0]) < 1.5 * other.radius_mm + row.radius_mm for other in others):
            continue
        course = tuple(as_point(point) for point in row.course_mm)
        name = f"lettering {5 * round(float(middle[2]) / 5)} mm up"  # no nearer than one would measure it
        found.append(Feature(name, "lettering", as_point(middle), row.radius_mm, row.sureness, course))
    return found
