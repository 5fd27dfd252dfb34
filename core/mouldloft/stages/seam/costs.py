"""What it costs to give a place to a piece, and to run the seam along an edge: all in mm² of locked skin."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import sparse

from ...base.progress import SILENT, Progress
from ...base.threads import in_threads
from ...geometry.contour import face_centres
from ...geometry.facegraph import FaceGraph, SplitCosts
from ...geometry.rays import RayScene
from ...inputs.brief import SeamBrief
from ..master import Master
from ..undercut import UndercutField

_CHUNK = 65_536
_GRAZING = 0.05  # |n . d| under which a face counts as standing along the pull (3 degrees)
_CREASE_RADIUS_MM = 20.0  # a fold this tight or tighter hides a seam as well as a fold can (invented)
_CREASE_SCALE_MM = 6.0  # folds are looked for at this scale, not in the carved coat (invented)
_PREFERRED_SHARE = 0.2  # of the full price, where the client would have the seam (invented)
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

    def meet(begin: int) -> None:
        part = slice(begin, begin + _CHUNK)
        centre = face_centres(master.vertices_mm, master.faces[part]) - scene.centre_mm
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

    in_threads(meet, range(0, count, _CHUNK), progress, (0.3, 0.45), "walls along the pull")
    return Walls(ahead, behind, ahead_mm, behind_mm)


def locked_areas_mm2(master: Master, field: UndercutField) -> tuple[np.ndarray, np.ndarray]:
    """Skin of each face that the pull ahead, and the pull behind, does not free: two (m,) float."""
    skin = skin_areas_mm2(master)
    return skin * (1.0 - field.free_plus), skin * (1.0 - field.free_minus)


def skin_areas_mm2(master: Master) -> np.ndarray:
    """(m,) areas of the faces, 0 on an open base."""
    return np.where(master.base_faces & (master.base == "open"), 0.0, master.face_areas_mm2)


def fill_volume_mm3(
    master: Master, walls: Walls, direction: np.ndarray, labels: np.ndarray, parting_mm: np.ndarray
) -> float:
    """Rubber that fills the locks: under (over) each face that faces against its piece's pull, down (up) to
    the next wall or to the parting surface.

    parting_mm : (m,) or (1,), the parting surface in each face's column.
    """
    along = master.normals @ direction
    height = face_centres(master.vertices_mm, master.faces) @ direction - parting_mm
    hang = np.where(
        labels == 0,
        np.where(along < 0, np.minimum(walls.behind_mm, np.maximum(height, 0.0)), 0.0),
        np.where(along > 0, np.minimum(walls.ahead_mm, np.maximum(-height, 0.0)), 0.0),
    )
    return float((skin_areas_mm2(master) * np.abs(along) * hang).sum())


def crease_depth(master: Master, graph: FaceGraph) -> np.ndarray:
    """(e,) 0 on the open or a ridge to 1 in a fold as tight as 20 mm, from smoothed normals."""
    one, two = graph.faces[:, 0], graph.faces[:, 1]
    edge_mm = float(np.median(graph.length_mm)) if len(graph.length_mm) else 1.0
    sweeps = int(np.clip((_CREASE_SCALE_MM / edge_mm) ** 2, 1, 16))
    size = (len(master.faces),) * 2
    beside = sparse.csr_matrix((np.ones(len(one), np.float32), (one, two)), shape=size)
    beside = beside + beside.T
    normal = master.normals * master.face_areas_mm2[:, None]
    for _ in range(sweeps):
        normal = 0.25 * (normal + beside @ normal)
    normal = normal / np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-30)
    centre = face_centres(master.vertices_mm, master.faces)
    step = centre[two] - centre[one]
    squared = np.einsum("ij,ij->i", step, step)
    bend = np.einsum("ij,ij->i", normal[two] - normal[one], step) / np.maximum(squared, 1e-30)
    return np.clip(-bend * _CREASE_RADIUS_MM, 0.0, 1.0)


def edge_prices(
    master: Master, graph: FaceGraph, brief: SeamBrief, show: np.ndarray, keep: np.ndarray | None
) -> np.ndarray:
    """(e,) price of seam along each edge, 1 in full view on the open.

    show : (m,) how much each face shows; keep : (n,) keep-clear weights, -1 preferred to 1 keep clear, or
    None.
    """
    one, two = graph.faces[:, 0], graph.faces[:, 1]
    shown = (show[one].astype(float) + show[two]) / 2
    price = brief.hidden_share + (1.0 - brief.hidden_share) * shown
    price = price * (1.0 - (1.0 - brief.crease_share) * crease_depth(master, graph))
    if keep is not None:
        clear = keep[graph.vertices].mean(axis=1)
        preferred = 1.0 + (1.0 - _PREFERRED_SHARE) * clear
        price = price * np.where(clear >= 0, 1.0 + brief.keep_clear_factor * clear, preferred)
    if master.base == "open":
        price = np.where(master.base_faces[one] & master.base_faces[two], _FOOT_SHARE, price)
    return price


def weigh_split(
    master: Master,
    graph: FaceGraph,
    field: UndercutField,
    walls: Walls,
    brief: SeamBrief,
    direction: np.ndarray,
    offset_mm: float,
    prices: np.ndarray,
) -> SplitCosts:
    """All costs of a free seam, ready for `cheapest_split`.

    A gap between two walls along the pull is filled by one piece or the other whatever the split, and its
    faces lock whichever piece has them: they weigh the same for both. What differs is surface that one pull
    frees and the other does not, and the fill it hangs over when it goes to the wrong piece, reckoned from
    the best plane.
    """
    along = master.normals @ direction
    height = face_centres(master.vertices_mm, master.faces) @ direction - offset_mm
    gap = np.where(along > 0, walls.ahead_mm, walls.behind_mm)
    shut = np.isfinite(gap)
    depth = np.where(shut, gap, np.abs(height))
    deep = np.minimum(depth / brief.lock_depth_mm, 1.0) ** 2
    hang = np.where(shut, 0.0, skin_areas_mm2(master) * np.abs(along)) / brief.fill_mm3_per_mm2
    astray = brief.off_plane_mm2_per_mm2 * master.face_areas_mm2
    astray = astray * np.minimum(np.abs(height) / brief.lock_depth_mm, 1.0)
    locked_ahead, locked_behind = locked_areas_mm2(master, field)
    above, below = np.maximum(height, 0.0), np.maximum(-height, 0.0)
    return SplitCosts(
        graph,
        locked_ahead * deep + np.where(along < 0, hang * above, 0.0) + np.where(height < 0, astray, 0.0),
        locked_behind * deep + np.where(along > 0, hang * below, 0.0) + np.where(height > 0, astray, 0.0),
        brief.locked_mm2_per_mm * graph.length_mm * prices,
        _followers(master, walls, direction, brief, graph),
    )


def _followers(master: Master, walls: Walls, direction: np.ndarray, brief: SeamBrief, graph: FaceGraph) -> np.ndarray:
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
