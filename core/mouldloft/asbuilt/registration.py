"""A scan of the finished clay laid on the planned master: turn, scale and shift, whatever pose the scanner gave.

Coarse: the 24 ways in which two sets of principal axes can lie on each other, each settled by a few rounds of paired
points both ways (so that no scan shrinks into a corner), with the worst pairs left out. Fine: distances to tangent
planes, with weights that fall to nothing for what does not belong (Tukey's biweight), so that holes, the bench under
the clay and places carved otherwise do not pull the rest.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from scipy import spatial
from trimesh.registration import procrustes

from ..base.errors import MasterRefused
from ..base.progress import SILENT, Progress
from ..geometry.sampling import samples_by_area

_FIRST_FINE_POINTS = 4_000
_COARSE_POINTS, _FINE_POINTS, _TARGET_POINTS = 900, 30_000, 250_000
_KEPT_SHARE = 0.8  # of the pairs in the coarse rounds: what is missing or added is at most a fifth of the skin
_COARSE_ROUNDS, _SECOND_ROUNDS, _FINE_ROUNDS = 6, 25, 60
_TUKEY = 4.685  # 95 % efficient for normal errors: Beaton and Tukey 1974 (from memory, verify)
_WORST_SPREAD = 0.006  # of the master's height: a fit no better than this is no fit (invented starting value)


@dataclass(frozen=True, eq=False)
class Pose:
    """How a scan lies in plan coordinates: plan = scale · turn @ scan + shift.

    turn : (3, 3) rotation; scale : plan millimetres per unit of the scan; shift_mm : (3,).
    spread_mm : robust standard deviation of the distances that count; share_fitted : of the scan's points that count.
    """

    turn: np.ndarray
    scale: float
    shift_mm: np.ndarray
    spread_mm: float
    share_fitted: float

    def apply(self, points: np.ndarray) -> np.ndarray:
        """(n, 3) points of the scan in plan coordinates, mm."""
        return self.scale * points @ self.turn.T + self.shift_mm


@dataclass(frozen=True, eq=False)
class _Cloud:
    points: np.ndarray
    normals: np.ndarray

    @property
    def tree(self) -> spatial.cKDTree:
        return spatial.cKDTree(self.points)


def lay_scan_on(
    scan_vertices: np.ndarray,
    scan_faces: np.ndarray,
    master_vertices_mm: np.ndarray,
    master_faces: np.ndarray,
    mm_per_unit: float | None = None,
    progress: Progress = SILENT,
) -> Pose:
    """The pose of a scan, (n, 3) vertices in any unit and (m, 3) faces, on a master.

    mm_per_unit : the scan's scale where it is known; None fits it too. A known scale is kept, so that clay that came
    out larger shows as larger. Raises `MasterRefused` where no pose brings the two together.
    """
    scan = _cloud(scan_vertices, scan_faces, _FINE_POINTS)
    master = _cloud(master_vertices_mm, master_faces, _TARGET_POINTS)
    height = float(np.ptp(master_vertices_mm[:, 2]))
    progress.step(0.05, "laying the scan on the master")
    turn, scale, shift = _coarse(scan, master, mm_per_unit, progress)
    known = mm_per_unit is not None
    pose = _fine(_thin(scan, _FIRST_FINE_POINTS), master, turn, scale, shift, known, progress.part(0.0, 0.7))
    if np.isfinite(pose.spread_mm) and pose.spread_mm < 2 * _WORST_SPREAD * height:
        pose = _fine(scan, master, pose.turn, pose.scale, pose.shift_mm, known, progress.part(0.7, 1.0))
    if not np.isfinite(pose.spread_mm) or pose.spread_mm > _WORST_SPREAD * height or pose.share_fitted < 0.4:
        raise MasterRefused(
            f"The scan does not fit the planned master (typical distance {pose.spread_mm:.0f} mm over "
            f"{100 * pose.share_fitted:.0f} % of it); check that it is a scan of this piece, and cut away the bench "
            "and whatever else the scanner saw."
        )
    return pose


def _cloud(vertices: np.ndarray, faces: np.ndarray, count: int) -> _Cloud:
    a, b, c = (vertices[faces[:, k]] for k in range(3))
    across = np.cross(b - a, c - a)
    length = np.linalg.norm(across, axis=1)
    taken = samples_by_area(vertices, faces, length / 2, count)
    normals = across / np.where(length > 0, length, 1.0)[:, None]
    return _Cloud(taken.points_mm, normals[taken.faces])


def _size(cloud: _Cloud) -> tuple[np.ndarray, float, np.ndarray]:
    """Middle, root mean square distance from it, principal axes as columns of a rotation."""
    middle = cloud.points.mean(axis=0)
    off = cloud.points - middle
    axes = np.linalg.eigh(off.T @ off)[1]
    if np.linalg.det(axes) < 0:
        axes[:, 0] *= -1
    return middle, float(np.sqrt((off**2).sum(axis=1).mean())), axes


def _axis_turns() -> list[np.ndarray]:
    """The 24 rotations that lay three axes on three axes."""
    found = []
    for order in itertools.permutations(range(3)):
        for signs in itertools.product((1.0, -1.0), repeat=3):
            turn = np.zeros((3, 3))
            turn[range(3), order] = signs
            if np.linalg.det(turn) > 0:
                found.append(turn)
    return found


def _coarse(
    scan: _Cloud, master: _Cloud, known: float | None, progress: Progress
) -> tuple[np.ndarray, float, np.ndarray]:
    few, goal = _thin(scan, _COARSE_POINTS), _thin(master, 4 * _COARSE_POINTS)
    tree, goal_few = goal.tree, _thin(master, _COARSE_POINTS)
    from_middle, from_size, from_axes = _size(scan)
    to_middle, to_size, to_axes = _size(master)
    tries = []
    for turned in _axis_turns():
        turn = to_axes @ turned @ from_axes.T
        scale = known or to_size / from_size
        start = (turn, scale, to_middle - scale * turn @ from_middle)
        tries.append(_settle(start, few, goal, tree, goal_few, known, _COARSE_ROUNDS))
        progress.step(0.05 + 0.35 * len(tries) / 24, "trying the ways it may lie")
    tries.sort(key=lambda found: found[0])
    best = [_settle(t[1], few, goal, tree, goal_few, known, _SECOND_ROUNDS) for t in tries[:4]]
    return min(best, key=lambda found: found[0])[1]


def _thin(cloud: _Cloud, count: int) -> _Cloud:
    step = max(len(cloud.points) // count, 1)
    return _Cloud(cloud.points[::step], cloud.normals[::step])


Similarity = tuple[np.ndarray, float, np.ndarray]


def _settle(
    start: Similarity,
    few: _Cloud,
    goal: _Cloud,
    tree: spatial.cKDTree,
    goal_few: _Cloud,
    known: float | None,
    rounds: int,
) -> tuple[float, Similarity]:
    """Paired points both ways, the nearest four fifths of each; returns what is left between them, and the pose."""
    turn, scale, shift = start
    left = np.inf
    for _ in range(rounds):
        moved = scale * few.points @ turn.T + shift
        there, at = tree.query(moved)
        back, of = spatial.cKDTree(moved).query(goal_few.points)
        near, near_back = (d <= np.quantile(d, _KEPT_SHARE) for d in (there, back))
        left = float(np.sqrt((there[near] ** 2).mean() + (back[near_back] ** 2).mean()))
        a = np.vstack([few.points[near], few.points[of[near_back]]])
        b = np.vstack([goal.points[at[near]], goal_few.points[near_back]])
        turn, scale, shift = _paired(a, b, known)
    return left, (turn, scale, shift)


def _paired(a: np.ndarray, b: np.ndarray, known: float | None) -> Similarity:
    """Least squares similarity of paired points, by trimesh's Procrustes."""
    matrix, _, _ = procrustes(a if known is None else known * a, b, reflection=False, scale=known is None)
    scale = float(np.cbrt(np.linalg.det(matrix[:3, :3])))
    return matrix[:3, :3] / scale, (scale if known is None else known), matrix[:3, 3]


def _fine(
    scan: _Cloud,
    master: _Cloud,
    turn: np.ndarray,
    scale: float,
    shift: np.ndarray,
    scale_known: bool,
    progress: Progress,
) -> Pose:
    """Gauss-Newton on the distances to the master's tangent planes, weighted anew each round."""
    tree = master.tree
    spread, weights = np.inf, np.zeros(len(scan.points))
    for k in range(_FINE_ROUNDS):
        moved = scale * scan.points @ turn.T + shift
        facing = scan.normals @ turn.T
        at = tree.query(moved, workers=-1)[1]
        normal = master.normals[at]
        off = np.einsum("ij,ij->i", moved - master.points[at], normal)
        agrees = np.einsum("ij,ij->i", facing, normal) > 0.5
        spread = 1.4826 * float(np.median(np.abs(off[agrees]))) if agrees.any() else np.inf
        weights = np.where(agrees, np.clip(1 - (off / (_TUKEY * max(spread, 1e-9))) ** 2, 0, None) ** 2, 0.0)
        step = _newton_step(moved, normal, off, weights, scale_known)
        turn, scale, shift = _moved_on(step, turn, scale, shift, moved)
        progress.step(0.4 + 0.5 * (k + 1) / _FINE_ROUNDS, "settling the scan")
        if np.abs(step[:3]).max() < 1e-7 and np.abs(step[3:6]).max() < 1e-4 and abs(step[6]) < 1e-8:
            break
    return Pose(turn, scale, shift, spread, float((weights > 0).mean()))


def _newton_step(
    moved: np.ndarray, normal: np.ndarray, off: np.ndarray, weights: np.ndarray, scale_known: bool
) -> np.ndarray:
    """(7,) small turn about the points' middle, shift in mm, and share of scale that bring the distances down."""
    arm = moved - moved.mean(axis=0)
    rows = np.column_stack([np.cross(arm, normal), normal, np.einsum("ij,ij->i", arm, normal)])
    if scale_known:
        rows[:, 6] = 0.0
    normal_matrix = rows.T @ (weights[:, None] * rows)
    ease = 1e-9 * max(float(np.trace(normal_matrix)), 1e-30)  # a round body leaves its turn free: it then stays
    return np.linalg.solve(normal_matrix + ease * np.eye(7), -rows.T @ (weights * off))


def _moved_on(
    step: np.ndarray, turn: np.ndarray, scale: float, shift: np.ndarray, moved: np.ndarray
) -> tuple[np.ndarray, float, np.ndarray]:
    small = spatial.transform.Rotation.from_rotvec(step[:3]).as_matrix()
    grow, middle = 1.0 + step[6], moved.mean(axis=0)
    return small @ turn, scale * grow, grow * small @ (shift - middle) + middle + step[3:6]
