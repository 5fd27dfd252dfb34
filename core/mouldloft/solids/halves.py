"""The master cut in two along the seam, each half closed by the parting surface."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..base.errors import PlanImpossible
from ..base.progress import SILENT, Progress
from ..geometry.contour import Chain, Crossings, SplitMesh, cross_at_zero, join_chains, split_faces
from ..geometry.frame import PullFrame, pull_frame
from ..geometry.patch import fill_loops, refine_patch
from ..stages.master import Master
from ..stages.seam.record import Seam
from ..stages.wall.surface import parting_surface

_CAP_CELLS = 60  # over the longest side, of the closing surface's own triangles


@dataclass(frozen=True, eq=False)
class Half:
    """One piece's share of the master as a closed mesh.

    vertices_mm : (k, 3) float64; faces : (f, 3) int32, outward; cap : (f,) bool, faces of the parting
    surface; parent : (f,) int32, the master's face each was part of, -1 on the cap.
    """

    piece: int
    name: str
    vertices_mm: np.ndarray
    faces: np.ndarray
    cap: np.ndarray
    parent: np.ndarray


def cut_along_seam(master: Master, seam: Seam, progress: Progress = SILENT) -> tuple[Half, Half]:
    """The two halves, exactly along the seam, closed by one surface that both share.

    The skins are the master's own faces, split where the seam crosses them, so the volumes add up to the
    master's whatever the parting surface; theirs passes through the seam and is `parting_surface` between. Raises
    `PlanImpossible` where the master is not closed.
    """
    if seam.level_mm is None:
        raise PlanImpossible("The seam carries no field to cut along; place it again.")
    crossings = cross_at_zero(master.vertices_mm, master.faces, seam.level_mm)
    chains = join_chains(crossings)
    if not chains or not all(chain.closed for chain in chains):
        raise PlanImpossible(
            "The master is not closed along the seam, so it cannot be cut in two solids; mend the mesh first."
        )
    split = split_faces(master.vertices_mm, master.faces, seam.level_mm, crossings)
    progress.step(0.3, "cutting the master")
    frame = pull_frame(np.asarray(seam.pieces[0].pull, float))
    points, cap = _closing_surface(master, seam, frame, crossings, chains)
    progress.step(0.8, "closing the halves")
    extra = frame.to_master(points)
    return (
        _half(seam, 0, split, extra, cap[:, ::-1]),
        _half(seam, 1, split, extra, cap),
    )


def _closing_surface(
    master: Master, seam: Seam, frame: PullFrame, crossings: Crossings, chains: list[Chain]
) -> tuple[np.ndarray, np.ndarray]:
    """Points beyond the split mesh's own ((e, 3), in the frame), and (f, 3) faces over both, facing ahead."""
    first = len(master.vertices_mm)
    nodes = np.concatenate([chain.nodes for chain in chains])
    loops = [frame.to_frame(crossings.points_mm[chain.nodes]) for chain in chains]
    points, faces = fill_loops(loops)
    count = len(nodes)
    if seam.kind != "plane" and len(points) == count:
        span = float(np.ptp(points[:, :2], axis=0).max())
        points, faces = refine_patch(points, faces, span / _CAP_CELLS)
        inner = points[count:]
        inner[:, 2] = parting_surface(seam, master).over(inner[:, 0], inner[:, 1])
    numbers = np.concatenate([first + nodes, first + len(crossings.points_mm) + np.arange(len(points) - count)])
    return points[count:], numbers[faces]


def _half(seam: Seam, piece: int, split: SplitMesh, extra: np.ndarray, cap: np.ndarray) -> Half:
    own = split.positive == (piece == 0)
    faces = np.concatenate([split.faces[own], cap])
    numbers, local = np.unique(faces, return_inverse=True)
    points = np.concatenate([split.vertices_mm, extra])[numbers]
    is_cap = np.zeros(len(faces), bool)
    is_cap[int(own.sum()) :] = True
    parent = np.concatenate([split.parent[own], np.full(len(cap), -1)]).astype(np.int32)
    return Half(piece, seam.pieces[piece].name, points, local.reshape(-1, 3).astype(np.int32), is_cap, parent)
