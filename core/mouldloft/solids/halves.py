"""The master cut in two along the seam, each half closed by the parting surface."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from ..base.errors import PlanImpossible
from ..base.progress import SILENT, Progress
from ..geometry.contour import Chain, Crossings, SplitMesh, cross_at_zero, join_chains, split_faces
from ..geometry.edges import renumbered
from ..geometry.frame import UP, PullFrame, pull_frame
from ..geometry.manifold import arrays_of, as_manifold
from ..geometry.patch import fill_loops, refine_patch
from ..geometry.repair import merge_equal
from ..stages.master import Master
from ..stages.seam.record import Seam
from ..stages.wall.surface import parting_surface
from .pinches import opened_pinches, two_faces_an_edge, welded
from .solid import Solid, manifold_of

_HALVED_ON_MM = (4.0, 3.1, 5.3)  # lattices of the parting surface; one finds no edge of four faces
_HALVED_SO_FROM_MM = 600.0  # of the master's largest side: a smaller one on finer lattices
_FILM_SHARE = 1e-3  # of the master's surface between two halves put together again: more is seen as skin
_NOT_CLOSED = 1e9  # a film worse than any
# of a flat cap each half would join the triangles in a way of its own, and rounding leaves a film between
_UNEVEN_MM = 0.01
_STRAY_SHARE = 1e-6  # of a half outside its master: more is no rounding
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


def above_parting(master: Master, seam: Seam, pitch_mm: float) -> tuple[np.ndarray, np.ndarray]:
    """A closed block over the parting surface, wider and higher than the master: (n, 3) vertices and (f, 3) faces.

    What of the master lies in it, and the rest, are halves in general position to the skin, for bodies whose undercut
    skin lies across the parting surface, so that no surface through the seam stays inside them. Heights on a lattice.
    """
    frame = pull_frame(np.asarray(seam.pieces[0].pull, float))
    points = frame.to_frame(master.vertices_mm)
    low, high = points.min(axis=0) - 2.3 * pitch_mm, points.max(axis=0) + 2.3 * pitch_mm
    columns, rows = (np.ceil((high - low)[:2] / pitch_mm) + 1).astype(int)
    x, y = np.meshgrid(low[0] + pitch_mm * np.arange(columns), low[1] + pitch_mm * np.arange(rows))
    z = parting_surface(seam, master).over(x.ravel(), y.ravel())
    z = z + _UNEVEN_MM * np.random.default_rng(0).uniform(-1.0, 1.0, z.size)
    top = np.full(z.size, max(float(z.max()), float(high[2])) + 10.0)
    node = np.arange(z.size).reshape(rows, columns)
    a, b, c, d = (n.ravel() for n in (node[:-1, :-1], node[:-1, 1:], node[1:, 1:], node[1:, :-1]))
    lid = np.concatenate([np.column_stack([a, b, c]), np.column_stack([a, c, d])])
    rim = np.concatenate([node[0, :-1], node[:-1, -1], node[-1, :0:-1], node[:0:-1, 0]])
    after = np.roll(rim, -1)
    sides = np.concatenate(
        [np.column_stack([rim, after, after + z.size]), np.column_stack([rim, after + z.size, rim + z.size])]
    )
    corners = np.column_stack([np.tile(x.ravel(), 2), np.tile(y.ravel(), 2), np.concatenate([z, top])])
    return frame.to_master(corners), np.concatenate([lid[:, ::-1], lid + z.size, sides])


def on_grid(vertices_mm: np.ndarray, master: Master) -> np.ndarray:
    """The vertices on a grid that single precision holds exactly, about a thousandth of a millimetre: two solids that
    meet then have the same corners there, in every format. One step for all solids of a master, by twice its size: what
    stands out further is cut off at the board."""
    most = 2.0 * float(np.abs(master.vertices_mm).max(initial=1.0))
    step = 2.0 ** max(int(np.ceil(np.log2(most))) - 23, -10)
    return np.asarray(np.rint(vertices_mm / step) * step)


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
    numbers, local = renumbered(faces)
    points = np.concatenate([split.vertices_mm, extra])[numbers]
    is_cap = np.zeros(len(faces), bool)
    is_cap[int(own.sum()) :] = True
    parent = np.concatenate([split.parent[own], np.full(len(cap), -1)]).astype(np.int32)
    return Half(piece, seam.pieces[piece].name, points, local.astype(np.int32), is_cap, parent)


def master_halves(master: Master, seam: Seam, print_of: Any) -> list[Solid]:
    """The halves along the seam: the first way in which both close as formats store them and put together again are
    the master, no film between them; else the one that leaves the least film."""
    names = [f"master half, {piece.name}" for piece in seam.pieces]
    skin_mm2 = print_of.surface_area()
    best, least = [], np.inf
    for made in _ways_to_halve(master, seam, print_of, names):
        stored = [opened_pinches(*welded(*arrays_of(half))) for half in made]
        closed = all(two_faces_an_edge(*one) for one in stored)
        film = _joined_mm2(stored) / skin_mm2 - 1.0 if closed else _NOT_CLOSED
        if film < least:
            best, least = list(zip(names, made, stored)), film
        if film < _FILM_SHARE:
            break
    return [
        Solid(name, "master half", at, faces.astype(np.int32), float(half.volume())) for name, half, (at, faces) in best
    ]


def _joined_mm2(stored: Sequence[tuple[np.ndarray, np.ndarray]]) -> float:
    """Surface of two bodies put together, as single precision holds them. Where the faces on which they meet differ by
    rounding, a film stays between."""
    one, other = (as_manifold(*_in_single_precision(*body)) for body in stored)
    return float((one + other).surface_area()) if one is not None and other is not None else np.inf


def _in_single_precision(vertices_mm: np.ndarray, faces: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    stored = vertices_mm.astype(np.float32).astype(np.float64)
    first, into = merge_equal(stored)
    return stored[first], into[faces]


def _ways_to_halve(master: Master, seam: Seam, print_of: Any, names: list[str]) -> Iterator[list[Any]]:
    """Two halves each time, the truest first: by the seam, what lies in one of those, by the parting surface."""
    halves = cut_along_seam(master, seam)
    for rounded in (True, False) if seam.kind == "plane" else (False,):
        corners = [on_grid(h.vertices_mm, master) if rounded else h.vertices_mm for h in halves]  # flat caps meet
        made = [manifold_of(*welded(v, h.faces), f"the {n}") for v, h, n in zip(corners, halves, names)]
        whole = print_of
        if rounded:  # or what is left of it beside a rounded half is a film over the half's whole skin
            whole = as_manifold(*welded(on_grid(master.vertices_mm, master), master.faces)) or print_of
        inside, outside = made[0].split(whole)  # both at the price of one
        stray = _STRAY_SHARE * whole.volume()
        if abs(outside.volume()) > stray or abs((made[1] - whole).volume()) > stray:
            made = [inside, whole - made[0]]
        yield made
    finer = float(np.clip(max(master.size_mm) / _HALVED_SO_FROM_MM, 0.25, 1.0))
    for pitch in _HALVED_ON_MM:
        above = manifold_of(*above_parting(master, seam, finer * pitch), "the parting")
        yield list(print_of.split(above))


def trimmed(solid: Any, master: Master) -> Any:
    """Without what lies below the board that a master with an open base stands on."""
    if master.base != "open" or not master.base_faces.any():
        return solid
    return solid.trim_by_plane(UP, 0.0)
