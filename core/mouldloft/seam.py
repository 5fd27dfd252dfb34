"""Stage 4, seam: which piece owns each face, and the line between them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .brief import SeamBrief
from .contour import Chain, Crossings, cross_at_zero, face_level, join_chains
from .errors import PlanImpossible
from .frame import unit
from .master import Master
from .opening import Opening
from .progress import SILENT, Progress
from .undercut import UndercutField
from .visibility import how_it_shows


@dataclass(frozen=True, eq=False)
class SeamLine:
    """One run of the seam. points_mm : (k, 3) float on the surface; a closed line does not repeat its first."""

    points_mm: np.ndarray
    closed: bool
    length_mm: float
    tightest_turn_mm: float  # smallest radius of the smoothed line
    flatness_mm: float  # greatest distance from its best plane
    show: float  # 0 hidden to 1 in full view, length-weighted


@dataclass(frozen=True, eq=False)
class SeamPiece:
    """One piece of the mould: its name, the way it comes off, the surface it covers."""

    name: str  # "left piece" ...
    pull: tuple[float, float, float]
    area_mm2: float  # without an open base


@dataclass(frozen=True, eq=False)
class SeamFigures:
    """What a seam costs, for setting the free one and the best plane side by side."""

    kind: str  # "plane" or "free"
    length_mm: float
    on_show_mm: float  # length weighted by how much it shows
    piece_locked_area_mm2: float
    fill_mm3: float
    loops: int


@dataclass(frozen=True, eq=False)
class Seam:
    """The split. labels : (m,) int8, index into pieces for each face of the master.

    level_mm : (n,) float, a field on the master's vertices that is positive on piece 0 and whose zero line is
    the seam; near the seam its value is about the distance from it.
    """

    kind: str
    labels: np.ndarray
    pieces: tuple[SeamPiece, ...]
    lines: tuple[SeamLine, ...]
    plane_offset_mm: float  # of the plane, or of the plane nearest to the free seam
    length_mm: float
    figures: SeamFigures
    alternative: SeamFigures | None  # the other kind, for comparison
    taking_off: tuple[str, ...]  # order of coming off, by piece name
    notes: tuple[str, ...] = ()
    level_mm: np.ndarray | None = None


_SIDES = (("left piece", "right piece"), ("back piece", "front piece"), ("top piece", "bottom piece"))
_TURN_STEP_MM = 5.0  # least step over which a turn is measured: less is the texture, not the line


def name_pieces(direction: np.ndarray) -> tuple[str, str]:
    """Names by position, of the piece that pulls along +direction and of the other."""
    axis = int(np.argmax(np.abs(direction).round(9)))
    ahead, behind = _SIDES[axis]
    return (ahead, behind) if direction[axis] > 0 else (behind, ahead)


def line_length_mm(points_mm: np.ndarray, closed: bool) -> float:
    """Length of a polyline, the closing step included."""
    return float(_steps_mm(points_mm, closed).sum())


def _steps_mm(points_mm: np.ndarray, closed: bool) -> np.ndarray:
    following = np.roll(points_mm, -1, axis=0) if closed else points_mm[1:]
    return np.linalg.norm(following - points_mm[: len(following)], axis=1)


def resample(points_mm: np.ndarray, closed: bool, step_mm: float) -> np.ndarray:
    """(k, d) points evenly spaced along a polyline, about `step_mm` apart, the first not repeated."""
    path = np.concatenate([points_mm, points_mm[:1]]) if closed else points_mm
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(path, axis=0), axis=1))])
    count = max(round(along[-1] / step_mm), 3 if closed else 1)
    at = np.linspace(0.0, along[-1], count + 1)
    if closed:
        at = at[:-1]
    return np.stack([np.interp(at, along, path[:, k]) for k in range(path.shape[1])], axis=1)


def tightest_turn_mm(points_mm: np.ndarray, closed: bool, step_mm: float) -> float:
    """Smallest radius of the circle through three points `step_mm` apart along the line; inf if straight."""
    p = resample(points_mm, closed, step_mm)
    if closed:
        before, here, after = np.roll(p, 1, axis=0), p, np.roll(p, -1, axis=0)
    else:
        before, here, after = p[:-2], p[1:-1], p[2:]
    if len(here) == 0:
        return float("inf")
    a, b = here - before, after - here
    doubled = np.linalg.norm(np.cross(a, b), axis=1)  # twice the triangle's area
    sides = np.linalg.norm(a, axis=1) * np.linalg.norm(b, axis=1) * np.linalg.norm(a + b, axis=1)
    flat = doubled <= 1e-9 * sides ** (2 / 3)
    return float(np.where(flat, np.inf, sides / np.where(flat, 1.0, 2 * doubled)).min())


def flatness_mm(points_mm: np.ndarray) -> float:
    """Greatest distance of the points from their best plane (least squares)."""
    centred = points_mm - points_mm.mean(axis=0)
    normal = np.linalg.svd(centred, full_matrices=False)[2][-1]
    return float(np.abs(centred @ normal).max())


def _line(crossings: Crossings, chain: Chain, show: np.ndarray, turn_step_mm: float) -> SeamLine:
    points = crossings.points_mm[chain.nodes]
    # points that fall on one another (a line through a vertex) say nothing twice
    steps = _steps_mm(points, chain.closed)
    keep = np.ones(len(points), bool)
    keep[: len(steps)] = steps > 1e-3 * max(float(steps.mean()), 1e-12)
    if not chain.closed:
        keep[0] = True
    at, points = chain.nodes[keep], points[keep]
    edges, share = crossings.edges[at], crossings.share[at]
    shown = show[edges[:, 0]] * (1 - share) + show[edges[:, 1]] * share
    steps = _steps_mm(points, chain.closed)
    following = np.roll(shown, -1) if chain.closed else shown[1:]
    length = float(steps.sum())
    on_show = float((steps * (shown[: len(steps)] + following) / 2).sum())
    return SeamLine(
        points,
        chain.closed,
        length,
        tightest_turn_mm(points, chain.closed, turn_step_mm),
        flatness_mm(points),
        on_show / length if length > 0 else 0.0,
    )


def seam_lines(
    master: Master, level: np.ndarray, show: np.ndarray, turn_step_mm: float = _TURN_STEP_MM
) -> tuple[SeamLine, ...]:
    """The zero line of `level` as seam lines, longest first; none along an open base: lines end at the foot.

    show : (n,) how much each vertex shows.
    """
    crossings = cross_at_zero(master.vertices_mm, master.faces, level)
    skip = master.base_faces if master.base == "open" else None
    lines = [_line(crossings, chain, show, turn_step_mm) for chain in join_chains(crossings, skip)]
    lines = [line for line in lines if line.length_mm > 0]
    return tuple(sorted(lines, key=lambda line: (-line.length_mm, *line.points_mm.min(axis=0))))


def at_vertices(master: Master, per_face: np.ndarray) -> np.ndarray:
    """(n,) area-weighted mean of a face value over the faces around each vertex."""
    weight = np.repeat(master.face_areas_mm2, 3)
    corners = master.faces.reshape(-1)
    size = len(master.vertices_mm)
    total = np.bincount(corners, weight, minlength=size)
    value = np.bincount(corners, weight * np.repeat(np.asarray(per_face, float), 3), minlength=size)
    return value / np.maximum(total, 1e-30)


def _triple(vector: np.ndarray) -> tuple[float, float, float]:
    x, y, z = (float(v) + 0.0 for v in vector)  # no negative zeros
    return x, y, z


def _skin(master: Master) -> np.ndarray:
    """(m,) bool, faces that rubber covers."""
    if master.base == "open":
        return ~master.base_faces
    return np.ones(len(master.faces), bool)


def _piece_areas(master: Master, labels: np.ndarray) -> np.ndarray:
    return np.bincount(labels, np.where(_skin(master), master.face_areas_mm2, 0.0), minlength=2)


def piece_locked_area_mm2(master: Master, field: UndercutField, labels: np.ndarray) -> float:
    """Skin that its own piece's pull does not free."""
    free = np.where(labels == 0, field.free_plus, field.free_minus).astype(float)
    return float((master.face_areas_mm2 * (1.0 - free))[_skin(master)].sum())


def place_seam(
    master: Master,
    opening: Opening,
    field: UndercutField,
    brief: SeamBrief,
    progress: Progress = SILENT,
) -> Seam:
    """Split the master along the chosen direction. Raises `PlanImpossible` if the brief's line cannot."""
    direction = unit(np.asarray(opening.chosen.direction, float))
    offset = brief.plane_offset_mm if brief.plane_offset_mm is not None else opening.chosen.offset_mm
    show = at_vertices(master, how_it_shows(master, brief, progress))
    level = master.vertices_mm @ direction - offset
    labels = np.where(face_level(master.faces, level) >= 0, 0, 1).astype(np.int8)
    if labels.min() == labels.max():
        low, high = (float(v) for v in np.percentile(master.vertices_mm @ direction, [0, 100]))
        raise PlanImpossible(
            f"The seam plane at {offset:.0f} mm misses the master, which reaches from {low:.0f} to {high:.0f} mm "
            "along the opening direction; choose an offset between them."
        )
    lines = seam_lines(master, level, show)
    length = sum(line.length_mm for line in lines)
    figures = SeamFigures(
        "plane",
        length,
        sum(line.show * line.length_mm for line in lines),
        piece_locked_area_mm2(master, field, labels),
        0.0,
        len(lines),
    )
    areas = _piece_areas(master, labels)
    names = name_pieces(direction)
    pieces = (
        SeamPiece(names[0], _triple(direction), float(areas[0])),
        SeamPiece(names[1], _triple(-direction), float(areas[1])),
    )
    return Seam("plane", labels, pieces, lines, float(offset), length, figures, None, names, level_mm=level)
