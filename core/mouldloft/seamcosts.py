"""What it costs to give a place to a piece, and to run the seam along an edge: all in mm² of locked skin."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .brief import SeamBrief
from .master import Master
from .mincut import FaceGraph, SplitCosts
from .progress import SILENT, Progress
from .rays import RayScene
from .undercut import UndercutField

_CHUNK = 262_144
_GRAZING = 0.05  # |n . d| under which a face counts as standing along the pull (3 degrees)
_CREASE_RADIUS_MM = 20.0  # a fold this tight or tighter hides a seam as well as a fold can (invented)
_CREASE_SCALE_MM = 6.0  # folds are looked for at this scale, not in the carved coat (invented)
_FOOT_SHARE = 0.01  # of the full price: what a cut under an open base costs, enough to keep it straight


@dataclass(frozen=True, eq=False)
class Walls:
    """The first wall each face's centre meets along the pull and against it, through air or through the body.

    ahead, behind : (m,) int32 face met along +d and -d, -1 for none; ahead_mm, behind_mm : (m,) distance,
    inf for none.
    """

    ahead: np.ndarray
    behind: np.ndarray
    ahead_mm: np.ndarray
    behind_mm: np.ndarray


def walls_along(master: Master, scene: RayScene, direction: np.ndarray, progress: Progress = SILENT) -> Walls:
    """Cast a ray each way along the pull from every face's centre."""
    count = len(master.faces)
    ahead, behind = np.empty(count, np.int32), np.empty(count, np.int32)
    ahead_mm, behind_mm = np.empty(count), np.empty(count)
    for first in range(0, count, _CHUNK):
        part = slice(first, min(first + _CHUNK, count))
        centre = master.vertices_mm[master.faces[part]].mean(axis=1) - scene.centre_mm
        normal = master.normals[part]
        along = normal @ direction
        for sign, met, far in ((1.0, ahead, ahead_mm), (-1.0, behind, behind_mm)):
            # start on the side the ray leaves to, so that it does not meet its own face
            lift = np.where(sign * along >= 0, scene.lift_mm, -scene.lift_mm)[:, None]
            rays = np.broadcast_to((sign * direction).astype(np.float32), centre.shape)
            hit = scene.scene.run(
                (centre + lift * normal).astype(np.float32),
                np.ascontiguousarray(rays),
                query="INTERSECT",
                output=True,
            )
            met[part] = hit["primID"]
            far[part] = np.where(hit["primID"] < 0, np.inf, hit["tfar"])
        progress.step(0.3 + 0.15 * part.stop / count, "walls along the pull")
    return Walls(ahead, behind, ahead_mm, behind_mm)


@dataclass(frozen=True, eq=False)
class FaceTrouble:
    """Each face's trouble with each pull. All (m,) float.

    locked_*_mm2 : area the pull does not free; fill_*_mm3 : rubber that hangs from the face down to the
    next wall or to the plane of the seam; depth_*_mm : how deep the lock is, along the pull.
    """

    locked_ahead_mm2: np.ndarray
    locked_behind_mm2: np.ndarray
    fill_ahead_mm3: np.ndarray
    fill_behind_mm3: np.ndarray
    depth_ahead_mm: np.ndarray
    depth_behind_mm: np.ndarray


def face_trouble(
    master: Master, field: UndercutField, walls: Walls, direction: np.ndarray, parting_mm: np.ndarray
) -> FaceTrouble:
    """Trouble of every face. parting_mm : (m,) or (1,), the parting surface in its column."""
    along = master.normals @ direction
    height = master.vertices_mm[master.faces].mean(axis=1) @ direction - parting_mm
    skin = master.face_areas_mm2 * (~master.base_faces if master.base == "open" else 1.0)
    across = skin * np.abs(along)
    up, down = along > 0, along < 0
    # seen from the piece ahead: what faces against the pull hangs over the parting surface or over the next
    # wall
    hang_ahead = np.where(down, np.minimum(walls.behind_mm, np.abs(height)), 0.0)
    hang_behind = np.where(up, np.minimum(walls.ahead_mm, np.abs(height)), 0.0)
    return FaceTrouble(
        skin * (1.0 - field.free_plus),
        skin * (1.0 - field.free_minus),
        across * np.where(height > 0, hang_ahead, 0.0),
        across * np.where(height < 0, hang_behind, 0.0),
        np.where(down, hang_ahead, np.where(up, walls.ahead_mm, np.inf)),
        np.where(up, hang_behind, np.where(down, walls.behind_mm, np.inf)),
    )


def crease_depth(master: Master, graph: FaceGraph) -> np.ndarray:
    """(e,) 0 on the open or a ridge to 1 in a fold as tight as 20 mm, from smoothed normals."""
    one, two = graph.faces[:, 0], graph.faces[:, 1]
    count = len(master.faces)
    edge_mm = float(np.median(graph.length_mm)) if len(graph.length_mm) else 1.0
    sweeps = int(np.clip((_CREASE_SCALE_MM / edge_mm) ** 2, 1, 16))
    normal = master.normals * master.face_areas_mm2[:, None]
    for _ in range(sweeps):
        normal = normal + np.stack(
            [
                np.bincount(one, normal[two, k], minlength=count)
                + np.bincount(two, normal[one, k], minlength=count)
                for k in range(3)
            ],
            axis=1,
        )
        normal *= 0.25
    normal = normal / np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-30)
    centre = master.vertices_mm[master.faces].mean(axis=1)
    step = centre[two] - centre[one]
    squared = np.einsum("ij,ij->i", step, step)
    bend = np.einsum("ij,ij->i", normal[two] - normal[one], step) / np.maximum(squared, 1e-30)
    return np.clip(-bend * _CREASE_RADIUS_MM, 0.0, 1.0)


def edge_costs(
    master: Master, graph: FaceGraph, brief: SeamBrief, show: np.ndarray, keep: np.ndarray | None
) -> np.ndarray:
    """(e,) price of running the seam along each edge.

    show : (m,) how much each face shows; keep : (n,) keep-clear weights, -1 preferred to 1 keep clear, or
    None.
    """
    one, two = graph.faces[:, 0], graph.faces[:, 1]
    shown = (show[one].astype(float) + show[two]) / 2
    price = brief.hidden_share + (1.0 - brief.hidden_share) * shown
    price = price * (1.0 - (1.0 - brief.crease_share) * crease_depth(master, graph))
    if keep is not None:
        clear = keep[graph.vertices].mean(axis=1)
        price = price * np.where(clear >= 0, 1.0 + brief.keep_clear_factor * clear, 1.0 + 0.8 * clear)
    if master.base == "open":
        price = np.where(master.base_faces[one] & master.base_faces[two], _FOOT_SHARE, price)
    return brief.locked_mm2_per_mm * graph.length_mm * price


def weigh_split(
    master: Master,
    graph: FaceGraph,
    field: UndercutField,
    walls: Walls,
    brief: SeamBrief,
    direction: np.ndarray,
    offset_mm: float,
    show: np.ndarray,
    keep: np.ndarray | None,
) -> SplitCosts:
    """All costs of a free seam, ready for `cheapest_split`."""
    trouble = face_trouble(master, field, walls, direction, np.array([offset_mm]))
    height = master.vertices_mm[master.faces].mean(axis=1) @ direction - offset_mm
    astray = brief.off_plane_mm2_per_mm2 * master.face_areas_mm2
    astray = astray * np.minimum(np.abs(height) / brief.lock_depth_mm, 1.0)

    def cost(locked: np.ndarray, fill: np.ndarray, depth: np.ndarray, across: np.ndarray) -> np.ndarray:
        deep = np.minimum(depth / brief.lock_depth_mm, 1.0)
        return locked * deep + fill / brief.fill_mm3_per_mm2 + np.where(across, astray, 0.0)

    return SplitCosts(
        graph,
        cost(trouble.locked_ahead_mm2, trouble.fill_ahead_mm3, trouble.depth_ahead_mm, height < 0),
        cost(trouble.locked_behind_mm2, trouble.fill_behind_mm3, trouble.depth_behind_mm, height > 0),
        edge_costs(master, graph, brief, show, keep),
        _followers(master, walls, direction, brief, graph),
    )


def _followers(
    master: Master, walls: Walls, direction: np.ndarray, brief: SeamBrief, graph: FaceGraph
) -> np.ndarray:
    """(k, 2) pairs (lower, upper) along the pull.

    If the lower goes ahead and the upper behind, the pieces would have to pass through one another: the
    parting surface could not be one height over each point. Walls nearer than the seam's own tolerance are
    texture and bind nothing.
    """
    least = max(brief.smooth_mm, 2.0 * float(np.median(graph.length_mm)))
    here = np.arange(len(master.faces), dtype=np.int32)
    steep = np.abs(master.normals @ direction) < _GRAZING
    up = (walls.ahead >= 0) & (walls.ahead_mm > least) & ~steep
    up &= ~steep[np.maximum(walls.ahead, 0)]
    down = (walls.behind >= 0) & (walls.behind_mm > least) & ~steep
    down &= ~steep[np.maximum(walls.behind, 0)]
    return np.concatenate(
        [np.stack([here[up], walls.ahead[up]], axis=1), np.stack([walls.behind[down], here[down]], axis=1)]
    )
