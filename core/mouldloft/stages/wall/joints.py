"""Where more than two pieces part: a surface beside every joint, and each piece's parting surface through its own.

Two pieces that meet part as two alone do, only along the difference of their pulls: what faces that way lets each go
its own. Beside every joint such a surface is stretched once, and both pieces take it as theirs.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from scipy.spatial import cKDTree

from ...base.errors import PlanImpossible
from ...base.kept import kept_with_owner
from ...geometry.contour import face_centres, faces_at
from ...geometry.depthmap import Grid, column_image, grid_around
from ...geometry.edges import renumbered
from ...geometry.frame import PullFrame, pull_frame, unit
from ...geometry.heightmap import outline, sample_map
from ...geometry.membrane import stretch_surface
from ...geometry.polyline import spaced_out
from ...geometry.rays import RayScene, inside_body, ray_scene
from ..master import Master, skin_faces
from ..seam import Seam, SeamLine
from .rulings import Rulings, rule_line, stands_on_board
from .surface import Over, PartingSurface, fair_through, parting_heights

_PIXELS = 250  # along the master's longest side, of the map a joint's surface is stretched on
_LEAST_TURN_DEG = 20.0  # between the pulls of two pieces that meet: closer, neither could part from the other
_BESIDE_MM = 8.0  # of a line: where it is looked for the master
_AT_BOARD_MM = 3.0  # a line ends on the board
_MITRE_FROM = 0.2  # of the width: the least of a wall where three meet
_REACH = 0.1  # of the master's longest side: how far a joint's surface goes, unless told


@dataclass(frozen=True, eq=False)
class JointSurface:
    """Where two pieces part beside their joint, outside the master. between : the pieces; vertices_mm : (n, 3), plan
    coordinates; faces : (m, 3)."""

    between: tuple[int, int]
    vertices_mm: np.ndarray
    faces: np.ndarray


def joint_reach_mm(flanges_mm: float, edge_mm: float) -> float:
    """How far beside a joint all its pieces have to agree: past both flanges, on the thickest rubber."""
    return 1.25 * (flanges_mm + edge_mm)


@dataclass(frozen=True, eq=False)
class JointSheet:
    """The fair sheet beside the joint of two pieces, in a frame along the way they part: the first made lies ahead.

    surface : with straight lines across the wall along each of the joint's lines, as far as the joint reaches or to
    where another's wall begins, and where a board or a bent sheet lies. own : (rows, columns), where this joint is the
    nearest and the master is not.
    """

    between: tuple[int, int]
    surface: PartingSurface
    own: np.ndarray


def _nodes_mm(frame: PullFrame, grid: Grid, height_mm: np.ndarray) -> np.ndarray:
    """(rows * columns, 3) in plan coordinates."""
    x, y = np.meshgrid(grid.x(), grid.y())
    return frame.to_master(np.column_stack([x.ravel(), y.ravel(), height_mm.ravel()]))


def joint_surfaces(seam: Seam, master: Master, reach_mm: float) -> tuple[JointSurface, ...]:
    """The surface beside every joint, as far as `reach_mm` from it and nearer to it than to any other."""
    found = []
    for sheet in joint_sheets(seam, master, reach_mm):
        nodes = _nodes_mm(sheet.surface.frame, sheet.surface.grid, sheet.surface.height_mm)
        found.append(_meshed(sheet.between, nodes, sheet.own))
    return tuple(found)


@kept_with_owner(4)
def joint_sheets(seam: Seam, master: Master, reach_mm: float) -> tuple[JointSheet, ...]:
    """The sheet beside every joint, as far as `reach_mm` from it.

    Stretched as between two pieces, between the skins of both, along the difference of their pulls. Raises
    `PlanImpossible` where two pieces that meet come off nearly the same way. Kept: every stage asks.
    """
    pixel = max(master.size_mm) / _PIXELS
    pairs = sorted({line.between for line in seam.lines})
    beads = {
        pair: np.concatenate([spaced_out(n.points_mm, n.closed, pixel) for n in seam.lines if n.between == pair])
        for pair in pairs
    }
    tree = cKDTree(np.concatenate([beads[pair] for pair in pairs]))
    whose = np.repeat(np.arange(len(pairs)), [len(beads[pair]) for pair in pairs])
    around = _Around(master, ray_scene(master.vertices_mm, master.faces), tree, whose, reach_mm, pixel)
    skins, found = _clear_skins(master, seam), []
    for k, pair in enumerate(pairs):
        frame = pull_frame(_parting_way(seam, pair))
        grid = grid_around(frame.to_frame(beads[pair]), pixel, reach_mm + 2 * pixel)
        vertices, near = frame.to_frame(master.vertices_mm), cKDTree(beads[pair])
        low = column_image(vertices, _near_faces(master, skins[pair[1]], near, 1.5 * reach_mm), grid)[0]
        high = column_image(vertices, _near_faces(master, skins[pair[0]], near, 1.5 * reach_mm), grid)[1]
        numbered = [(at, line) for at, line in enumerate(seam.lines) if line.between == pair]
        lines = [(line.points_mm, line.closed) for _, line in numbered]
        bounds = (low.astype(float), high.astype(float))
        rule = partial(_ruled_joint, numbered, around, k, frame, grid)
        surface = fair_through(lines, master, frame, grid, bounds, reach_mm, rule)
        found.append(JointSheet(pair, surface, around.own(k, frame, grid, surface.height_mm)[0]))
    return tuple(found)


@dataclass(frozen=True, eq=False)
class _Around:
    """What lies round a joint: the master, and all joints' points in one tree, with the joint each is of."""

    master: Master
    scene: RayScene
    tree: cKDTree
    whose: np.ndarray
    reach_mm: float
    pixel_mm: float

    def own(self, joint: int, frame: PullFrame, grid: Grid, height_mm: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """(rows, columns) bool each: where a joint is the nearest and the master is not, and where the master is."""
        nodes = _nodes_mm(frame, grid, height_mm)
        within = self.holds(nodes)
        away, nearest = self.tree.query(nodes, distance_upper_bound=self.reach_mm)
        kept = np.isfinite(away)
        kept[kept] = self.whose[nearest[kept]] == joint
        kept &= (away < 2 * self.pixel_mm) | ~within
        shape = (grid.rows, grid.columns)
        return kept.reshape(shape), within.reshape(shape)

    def holds(self, points_mm: np.ndarray) -> np.ndarray:
        return inside_body(self.scene, self.master.normals, points_mm)


def _parting_way(seam: Seam, pair: tuple[int, int]) -> np.ndarray:
    one, other = (unit(np.asarray(seam.pieces[k].pull)) for k in pair)
    if float(one @ other) > np.cos(np.radians(_LEAST_TURN_DEG)):
        raise PlanImpossible(
            f"The {seam.pieces[pair[0]].name} and the {seam.pieces[pair[1]].name} meet and come off nearly the same "
            "way, so no flange between them lets both go; ask for another number under [seam] pieces, or keep two."
        )
    return unit(one - other)


def _clear_skins(master: Master, seam: Seam) -> list[np.ndarray]:
    """For each piece its skin's faces ((k, 3)) less those along its joints, whose edges are not the joint's own."""
    low = np.full(len(master.vertices_mm), len(seam.pieces), np.int64)
    high = np.full(len(master.vertices_mm), -1, np.int64)
    corners = master.faces.reshape(-1)
    np.minimum.at(low, corners, np.repeat(seam.labels, 3))
    np.maximum.at(high, corners, np.repeat(seam.labels, 3))
    clear = skin_faces(master) & ~faces_at(low != high, master.faces)
    return [master.faces[clear & (seam.labels == k)] for k in range(len(seam.pieces))]


def _near_faces(master: Master, faces: np.ndarray, tree: cKDTree, reach_mm: float) -> np.ndarray:
    away = tree.query(face_centres(master.vertices_mm, faces), distance_upper_bound=reach_mm)[0]
    return faces[np.isfinite(away)]


def _meshed(pair: tuple[int, int], nodes: np.ndarray, kept: np.ndarray) -> JointSurface:
    """Two triangles for every cell whose four nodes are kept."""
    number = np.arange(kept.size).reshape(kept.shape)
    i, j = np.nonzero(kept[:-1, :-1] & kept[1:, :-1] & kept[:-1, 1:] & kept[1:, 1:])
    a, b, c, d = number[i, j], number[i, j + 1], number[i + 1, j + 1], number[i + 1, j]
    faces = np.concatenate([np.stack([a, b, c], 1), np.stack([a, c, d], 1)])
    used, faces = renumbered(faces)
    return JointSurface(pair, nodes[used], faces.astype(np.int32))


def parting_of(
    master: Master, seam: Seam, piece: int, frame: PullFrame, grid: Grid, reach_mm: float | None = None
) -> np.ndarray:
    """(rows, columns) float32: z of a piece's parting surface along its pull over each pixel of the grid.

    Of two pieces it is `parting_heights`. Of more, the piece's joints and the surfaces beside them, and stretched in
    between: under the piece's own skin, over the skin of others that lies below it. reach_mm : how far beside a joint
    all pieces have to agree.
    """
    if len(seam.pieces) == 2:
        return parting_heights(seam, frame, grid.x0_mm, grid.y0_mm, grid.pixel_mm, grid.rows, grid.columns, master)
    vertices = frame.to_frame(master.vertices_mm)
    low, high = _own_bounds(master, seam, piece, vertices, grid)
    beside = np.full((grid.rows, grid.columns), -np.inf)
    for surface in joint_surfaces(seam, master, reach_mm or _REACH * max(master.size_mm)):
        if piece in surface.between:
            beside = np.maximum(beside, column_image(frame.to_frame(surface.vertices_mm), surface.faces, grid)[0])
    # where a joint's surface reaches over skin of the piece's own, that skin has to be covered: it ends there
    beside = np.where(np.isfinite(beside) & (beside < high), beside, np.nan)
    lines = [(line.points_mm, line.closed) for line in seam.lines if piece in line.between]
    height = stretch_surface(lines, frame, grid, (np.minimum(low, high), high), beside)
    return np.minimum(height, high).astype(np.float32)


def _own_bounds(
    master: Master, seam: Seam, piece: int, vertices: np.ndarray, grid: Grid
) -> tuple[np.ndarray, np.ndarray]:
    """Under its own skin, and over what skin of others lies below that; -inf and +inf where nothing bounds. vertices :
    (n, 3) in the piece's frame."""
    skins = _clear_skins(master, seam)
    top, high = column_image(vertices, master.faces[skin_faces(master) & (seam.labels == piece)], grid)
    others = np.concatenate([faces for k, faces in enumerate(skins) if k != piece])
    centre = face_centres(vertices, others)
    i, j = grid.nearest(centre[:, 0], centre[:, 1])
    low = column_image(vertices, others[centre[:, 2] < top[i, j]], grid)[0]
    return np.where(low < top, low, -np.inf), high.astype(float)


# --- the wall beside a joint -----------------------------------------------------------------------------


def _ruled_joint(
    lines: Sequence[tuple[int, SeamLine]], around: _Around, joint: int, frame: PullFrame, grid: Grid, height: np.ndarray
) -> tuple[Rulings, ...]:
    """Rulings across the wall along each of a joint's numbered lines: as far as it reaches, or to where another
    joint's wall begins."""
    own, within = around.own(joint, frame, grid, height)
    inside = outline(within, (grid.x0_mm, grid.y0_mm), grid.pixel_mm)

    def over(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        return sample_map(height, grid, x, y)

    on_board, found = stands_on_board(around.master, frame), []
    for number, line in lines:
        points = frame.to_frame(line.points_mm)
        if not _body_to_the_left(points, line.closed, frame, over, around):
            points = points[::-1]
        low = on_board & (frame.to_master(points[[0, -1]])[:, 2] < _AT_BOARD_MM)
        feet = bool(low[0]), bool(low[1])
        ruled = rule_line(points, line.closed, number, inside, around.reach_mm, over, feet)
        found.append(_to_mitre(ruled, grid, own, over))
    return tuple(found)


def _body_to_the_left(points_mm: np.ndarray, closed: bool, frame: PullFrame, over: Over, around: _Around) -> bool:
    """Whether the master lies to the left of a line ((k, 3) in the frame), by most places beside it."""
    at = spaced_out(points_mm, closed, _BESIDE_MM)
    way = np.gradient(at[:, :2], axis=0)
    left = np.column_stack([-way[:, 1], way[:, 0]]) / np.maximum(np.linalg.norm(way, axis=1, keepdims=True), 1e-9)
    count = []
    for side in (_BESIDE_MM, -_BESIDE_MM):
        xy = at[:, :2] + side * left
        there = np.column_stack([xy, over(xy[:, 0], xy[:, 1])])
        count.append(int(around.holds(frame.to_master(there)).sum()))
    return count[0] >= count[1]


def _to_mitre(rulings: Rulings, grid: Grid, own: np.ndarray, over: Over) -> Rulings:
    """The rulings cut where another joint is nearer or the master stands. own : (rows, columns), where neither is."""
    shares = np.linspace(_MITRE_FROM, 1.0, 25)
    way = rulings.outer_mm - rulings.on_seam_mm
    at = rulings.on_seam_mm[:, None] + shares[:, None] * way[:, None]
    i, j = grid.nearest(at[..., 0].ravel(), at[..., 1].ravel())
    free = own[i, j].reshape(at.shape[:2])
    first = np.where(free.all(axis=1), 1.0, np.maximum(shares[np.argmin(free, axis=1)], _MITRE_FROM))
    outer = rulings.on_seam_mm + first[:, None] * way
    outer[:, 2] = over(outer[:, 0], outer[:, 1])
    return replace(rulings, outer_mm=outer)
