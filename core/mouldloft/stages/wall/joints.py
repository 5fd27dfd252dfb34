"""Where more than two pieces part: a surface beside every joint, and each piece's parting surface through its own.

Two pieces that meet part as two alone do, only along the difference of their pulls: what faces that way lets each go
its own. Beside every joint such a surface is stretched once, and both pieces take it as theirs.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from ...base.errors import PlanImpossible
from ...base.kept import kept_with_owner
from ...geometry.contour import face_centres, faces_at
from ...geometry.depthmap import Grid, column_image, grid_around
from ...geometry.edges import renumbered
from ...geometry.frame import PullFrame, pull_frame, unit
from ...geometry.membrane import stretch_surface
from ...geometry.polyline import spaced_out
from ...geometry.rays import inside_body, ray_scene
from ..master import Master, skin_faces
from ..seam import Seam
from .surface import fair_through, parting_heights

_PIXELS = 250  # along the master's longest side, of the map a joint's surface is stretched on
_LEAST_TURN_DEG = 20.0  # between the pulls of two pieces that meet: closer, neither could part from the other
_REACH = 0.1  # of the master's longest side: how far a joint's surface goes, unless told


@dataclass(frozen=True, eq=False)
class JointSurface:
    """Where two pieces part beside their joint, outside the master. between : the pieces; vertices_mm : (n, 3), plan
    coordinates; faces : (m, 3)."""

    between: tuple[int, int]
    vertices_mm: np.ndarray
    faces: np.ndarray


@kept_with_owner(4)
def joint_surfaces(seam: Seam, master: Master, reach_mm: float) -> tuple[JointSurface, ...]:
    """The surface beside every joint, as far as `reach_mm` from it and nearer to it than to any other.

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
    skins = _clear_skins(master, seam)
    scene = ray_scene(master.vertices_mm, master.faces)
    found = []
    for k, pair in enumerate(pairs):
        frame = pull_frame(_parting_way(seam, pair))
        grid = grid_around(frame.to_frame(beads[pair]), pixel, reach_mm + 2 * pixel)
        vertices = frame.to_frame(master.vertices_mm)
        near = cKDTree(beads[pair])
        low = column_image(vertices, _near_faces(master, skins[pair[1]], near, 1.5 * reach_mm), grid)[0]
        high = column_image(vertices, _near_faces(master, skins[pair[0]], near, 1.5 * reach_mm), grid)[1]
        lines = [(n.points_mm, n.closed) for n in seam.lines if n.between == pair]
        bounds = (low.astype(float), high.astype(float))
        height, _ = fair_through(lines, master, frame, grid, bounds, reach_mm)
        x, y = np.meshgrid(grid.x(), grid.y())
        nodes = frame.to_master(np.column_stack([x.ravel(), y.ravel(), height.ravel()]))
        away, nearest = tree.query(nodes, distance_upper_bound=reach_mm)
        kept = np.isfinite(away)
        kept[kept] = whose[nearest[kept]] == k
        kept[kept] = (away[kept] < 2 * pixel) | ~inside_body(scene, master.normals, nodes[kept])
        found.append(_meshed(pair, nodes, kept.reshape(grid.rows, grid.columns)))
    return tuple(found)


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
