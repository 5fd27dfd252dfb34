"""Under cast: what it stands on, and the boards that are glassed into its foot, sawn where the cast's parts meet."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from scipy.spatial import cKDTree
from shapely.geometry import LineString, MultiPolygon, Polygon
from shapely.ops import polygonize, split, unary_union

from ..geometry.edges import edges_of
from ..geometry.heightmap import outline
from ..geometry.polyline import spaced_out
from .master import Master

FOOT_SLICE = 0.004  # of the height, where the master has no flat base
BOARD_CLEARANCE_MM = 2.0  # common practice: gap that the glassing-in fills
_BOARD_CELLS = 200  # along a board, to which its parts are told from each other
_LEAST_BOARD_MM2 = 1000.0  # a smaller part of a board is not cut out
_RING_STEP_MM = 2.0  # between the places round a foot that are asked which part stands there
_SNAP_SHARE = 0.05  # of a foot's reach: a change of part round it is no further than this from the seam's own line

Outline = tuple[tuple[float, float], ...]


def foot_polygons(master: Master) -> tuple[Polygon, ...]:
    """Where it meets the ground, one polygon a foot, plan coordinates: the outline of the base faces, or for want of a
    flat base a slice just above the ground. Rings are filled. Empty where nothing closes."""
    if master.base_faces.any():
        lines = _border_segments(master.faces[master.base_faces], master.vertices_mm[:, :2])
    else:
        lines = level_section(master.vertices_mm, master.faces, FOOT_SLICE * master.height_mm)
    rings = polygonize(list(shapely.linestrings(lines)))
    merged = unary_union([Polygon(ring.exterior) for ring in rings])
    parts = merged.geoms if isinstance(merged, MultiPolygon) else [merged]
    filled = [Polygon(part.exterior) for part in parts if not part.is_empty]
    return tuple(sorted(filled, key=lambda p: -p.area))


def _border_segments(faces: np.ndarray, points: np.ndarray) -> np.ndarray:
    """(k, 2, 2) edges that belong to one of the faces only."""
    edges = edges_of(faces, len(points))
    return points[edges.ends[edges.open]]


def level_section(vertices: np.ndarray, faces: np.ndarray, z_mm: float) -> np.ndarray:
    """(k, 2, 2) section of a mesh by a level plane, ends rounded so that neighbours meet."""
    height = vertices[:, 2] - z_mm
    height = np.where(height == 0, 1e-9, height)  # a vertex on the plane counts as above: every section closes
    above = height[faces] > 0
    crossed = faces[above.any(axis=1) & ~above.all(axis=1)]
    ends = []
    for a, b in ((0, 1), (1, 2), (2, 0)):
        low = np.minimum(crossed[:, a], crossed[:, b])  # the same two numbers in the same order from either face
        high = np.maximum(crossed[:, a], crossed[:, b])
        parted = (height[low] > 0) != (height[high] > 0)
        t = height[low] / np.where(parted, height[low] - height[high], 1.0)
        point = vertices[low, :2] + t[:, None] * (vertices[high, :2] - vertices[low, :2])
        ends.append(np.where(parted[:, None], point, np.nan))
    stacked = np.stack(ends, axis=1)
    cut = ~np.isnan(stacked[:, :, 0])
    return np.round(stacked[cut].reshape(-1, 2, 2), 6)


def outline_of(polygon: Polygon) -> Outline:
    """Its corners, the first not repeated."""
    return tuple((float(x), float(y)) for x, y in polygon.exterior.coords[:-1])


@dataclass(frozen=True, eq=False)
class Parting:
    """Where the parts of a cast meet: labels (m,), the part of each of the master's faces; the seam's lines,
    each (k, 3) points and whether it closes; and for a seam on a plane its normal and offset."""

    labels: np.ndarray
    lines: tuple[tuple[np.ndarray, bool], ...]
    plane: tuple[np.ndarray, float] | None


def baseboard_of(feet: tuple[Polygon, ...], master: Master, parting: Parting, shell_mm: float) -> tuple[Polygon, ...]:
    """Boards that fit inside the shell at each foot, split where the parts of the cast meet."""
    boards: list[Polygon] = []
    for foot in feet:
        inside = foot.buffer(-(shell_mm + BOARD_CLEARANCE_MM), join_style="mitre")
        parts = inside.geoms if isinstance(inside, MultiPolygon) else [inside]
        for part in parts:
            if part.area > 100.0:
                board = Polygon(part.exterior)
                plane = parting.plane
                boards.extend(_on_plane(board, *plane) if plane else _by_labels(board, foot, master, parting))
    return tuple(boards)


def _on_plane(board: Polygon, pull: np.ndarray, offset_mm: float) -> list[Polygon]:
    across = pull[:2]
    level = float(np.linalg.norm(across))
    if level < 0.2:
        return [board]
    normal = across / level
    foot = normal * (offset_mm / level)
    reach = 10.0 * max(abs(c) for c in board.bounds) + 10.0 * abs(offset_mm) + 1.0
    along = np.array([-normal[1], normal[0]]) * reach
    return [p for p in split(board, LineString([foot - along, foot + along])).geoms if p.area > 1.0]


def _by_labels(board: Polygon, foot: Polygon, master: Master, parting: Parting) -> list[Polygon]:
    """A board in one part for each piece of the mould whose skin stands round it: sawn straight between the two places
    where the seam crosses the foot's rim, or where there are more, each part nearest to its own skin."""
    spots, owners = _round_foot(foot, master, parting.labels)
    if not len(spots) or (owners == owners[0]).all():
        return [board]
    changes = np.flatnonzero(owners != np.roll(owners, 1))
    if len(changes) == 2:
        ends = [_on_seam((spots[k] + spots[k - 1]) / 2, foot, parting) for k in changes]
        return [part for part in _sawn(board, *ends) if part.area > 1.0]
    return _nearest(board, spots, owners)


def _round_foot(foot: Polygon, master: Master, labels: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """(k, 2) places in order round a foot and the (k,) piece whose skin stands there."""
    lowest = master.vertices_mm[:, 2][master.faces].min(axis=1)
    low = np.flatnonzero(~master.base_faces & (lowest < FOOT_SLICE * master.height_mm))
    if not len(low):
        return np.zeros((0, 2)), np.zeros(0, int)
    corners = master.vertices_mm[master.faces[low]]
    sides = np.concatenate([corners[:, [a, b]] for a, b in ((0, 1), (1, 2), (2, 0))])
    owner = np.tile(labels[low], 3)
    on_ground = sides[:, :, 2].max(axis=1) < FOOT_SLICE * master.height_mm
    if not on_ground.any():
        return np.zeros((0, 2)), np.zeros(0, int)
    sides, owner = sides[on_ground][:, :, :2], owner[on_ground]
    steps = np.maximum(np.ceil(np.linalg.norm(sides[:, 1] - sides[:, 0], axis=1) / _RING_STEP_MM).astype(int), 1)
    which = np.repeat(np.arange(len(sides)), steps)
    along = (np.arange(len(which)) - np.repeat(np.cumsum(steps) - steps, steps) + 0.5) / steps[which]
    known = sides[which, 0] + along[:, None] * (sides[which, 1] - sides[which, 0])
    count = max(int(foot.exterior.length / _RING_STEP_MM), 8)
    spots = shapely.get_coordinates(
        shapely.line_interpolate_point(foot.exterior, np.arange(count) / count, normalized=True)
    )
    return spots, owner[which][cKDTree(known).query(spots)[1]]


def _on_seam(spot: np.ndarray, foot: Polygon, parting: Parting) -> np.ndarray:
    """The place on the seam's own line, near the ground, that a change of part belongs to; else the change itself."""
    reach = _SNAP_SHARE * max(foot.bounds[2] - foot.bounds[0], foot.bounds[3] - foot.bounds[1])
    points = np.concatenate([spaced_out(line, closed, 1.0) for line, closed in parting.lines] or [np.zeros((0, 3))])
    off = np.linalg.norm(points - [*spot, 0.0], axis=1)
    return points[np.argmin(off), :2] if len(points) and off.min() <= reach else spot


def _sawn(board: Polygon, one: np.ndarray, other: np.ndarray) -> list[Polygon]:
    """A board cut along the straight line through two places."""
    along = (other - one) / max(float(np.linalg.norm(other - one)), 1e-9)
    reach = 2.0 * float(np.hypot(*(np.array(board.bounds[2:]) - board.bounds[:2]))) + float(np.linalg.norm(other - one))
    return list(split(board, LineString([one - along * reach, other + along * reach])).geoms)


def _nearest(board: Polygon, spots: np.ndarray, owners: np.ndarray) -> list[Polygon]:
    """Each part of the board nearest to the skin of its own piece."""
    x0, y0, x1, y1 = board.bounds
    pitch = max(x1 - x0, y1 - y0) / _BOARD_CELLS
    x, y = np.meshgrid(np.arange(x0 - pitch, x1 + 2 * pitch, pitch), np.arange(y0 - pitch, y1 + 2 * pitch, pitch))
    owner = owners[cKDTree(spots).query(np.column_stack([x.ravel(), y.ravel()]))[1]].reshape(x.shape)
    shares = [outline(owner == k, (x0 - pitch, y0 - pitch), pitch) for k in np.unique(owner)]
    parts = [p for share in shares for p in shapely.get_parts(share.intersection(board)) if isinstance(p, Polygon)]
    return [p for p in parts if p.area > _LEAST_BOARD_MM2]
