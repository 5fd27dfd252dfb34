"""A flat wall: boards cut to the seam plane's section of the master."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import shapely
from shapely.geometry import LineString, Polygon, box

from ...geometry.frame import PullFrame
from ..master import Master
from .records import Station, StationMark, WallPiece
from .rulings import STEP_MM, Rulings

BOARD_LONGEST_MM = 900.0  # along the seam: what one pair of hands sets in place (common practice, no source)
_CUT_WITHIN_MM = 120.0  # of even lengths a joint may be moved to where the seam runs straight
_SCRAP_MM2 = 6000.0  # a smaller piece stays joined to its neighbour


def above_base(frame: PullFrame, offset_mm: float, span_mm: float) -> shapely.Geometry | None:
    """The part of the seam plane that stands above the base, in the frame; None where the plane lies flat."""
    across, up = float(frame.axes[0, 2]), float(frame.axes[1, 2])
    if np.hypot(across, up) < 0.05:
        return None
    # z = x across + y up + offset pull_z; v leans upward, so `up` is above zero
    low = -offset_mm * float(frame.axes[2, 2]) / up
    return box(-span_mm, low, span_mm, low + 2.0 * span_mm)


def board_ring(
    inside: shapely.Geometry, master: Master, frame: PullFrame, offset_mm: float, width_mm: float
) -> shapely.Geometry:
    """All of the flat wall as one area in the frame: from the seam out to its width, above the board."""
    ring = inside.buffer(width_mm, quad_segs=16).difference(inside)
    if master.base == "open":
        standing = above_base(frame, offset_mm, 4.0 * max(master.size_mm))
        ring = ring.intersection(standing) if standing is not None else ring
    return ring


def set_back(
    inside: shapely.Geometry, rulings: Sequence[Rulings], flat: Sequence[np.ndarray], gap_mm: float, root_mm: float
) -> shapely.Geometry:
    """What the boards keep clear of: the seam by the gap, by the clay root where they would meet the skin too flat.

    flat : for each line's rulings, (k,) bool, where they do.
    """
    kept = [inside.buffer(gap_mm)]
    for line, bad in zip(rulings, flat, strict=True):
        feet = line.on_seam_mm[bad, :2]
        if len(feet):
            kept.append(shapely.MultiPoint(feet).buffer(root_mm))
    return shapely.union_all(kept)


def board_cuts(rulings: Rulings) -> list[int]:
    """Numbers of the rulings at which boards meet: even lengths, each moved to where the seam runs straight."""
    count = len(rulings.along_mm)
    length = float(rulings.along_mm[-1])
    parts = int(np.ceil(length / BOARD_LONGEST_MM))
    if rulings.closed:
        parts = max(parts, 2)
    if parts < 2:
        return []
    reach = np.linalg.norm(rulings.outer_mm - rulings.on_seam_mm, axis=1)
    way = (rulings.outer_mm - rulings.on_seam_mm)[:, :2]
    turn = np.abs(np.gradient(np.unwrap(np.arctan2(way[:, 1], way[:, 0]))))
    cost = turn + 1.0 * (reach < 0.95 * reach.max())
    within = round(_CUT_WITHIN_MM / STEP_MM)
    cuts = []
    for at in np.linspace(0, count, parts + 1)[0 if rulings.closed else 1 : -1]:
        near = np.arange(round(at) - within, round(at) + within + 1)
        near = np.mod(near, count) if rulings.closed else near[(near > 0) & (near < count - 1)]
        cuts.append(int(near[np.argmin(cost[near] + 1e-4 * np.abs(near - at))]))
    return sorted(set(cuts))


def cut_boards(
    ring: shapely.Geometry, lines: Sequence[tuple[Rulings, Sequence[int]]], width_mm: float
) -> list[tuple[Polygon, int]]:
    """The flat wall in boards, each with the line of the seam it stands along; scraps stay with their neighbour."""
    edges: list[shapely.Geometry] = [ring.boundary]
    for rulings, cuts in lines:
        for k in cuts:
            foot = rulings.on_seam_mm[k, :2]
            way = (rulings.outer_mm - rulings.on_seam_mm)[k, :2]
            way = way / max(float(np.hypot(*way)), 1e-9)
            crossing = LineString([foot - 2.0 * way, foot + 1.3 * width_mm * way]).intersection(ring.buffer(0.5))
            pieces = [p for p in shapely.get_parts(crossing) if isinstance(p, LineString)]
            if pieces:
                edges.append(min(pieces, key=lambda p: p.distance(shapely.Point(foot))))
    faces = [
        f for f in shapely.get_parts(shapely.polygonize(shapely.get_parts(shapely.union_all(edges))))
        if ring.contains(f.representative_point())
    ]  # fmt: skip
    parts = _without_scraps(faces)
    seam = [LineString(np.concatenate([r.on_seam_mm, r.on_seam_mm[:1]])[:, :2]) for r, _ in lines]
    placed = [(p, int(np.argmin([p.distance(s) for s in seam]))) for p in parts]
    return sorted(placed, key=lambda one: (one[1], _along(one[0], lines[one[1]][0])))


def _along(part: Polygon, rulings: Rulings) -> float:
    """Where along its line a board stands, by the ruling nearest to its middle."""
    feet = shapely.points(rulings.on_seam_mm[:, :2])
    return float(rulings.along_mm[int(np.argmin(shapely.distance(feet, part.representative_point())))])


def _without_scraps(faces: Sequence[Polygon]) -> list[Polygon]:
    """Small faces joined to the neighbour they share most edge with; those without one are left out."""
    large = [f for f in faces if f.area >= _SCRAP_MM2]
    for scrap in (f for f in faces if f.area < _SCRAP_MM2):
        shared = [scrap.boundary.intersection(f.boundary).length for f in large]
        if shared and max(shared) > 1.0:
            k = int(np.argmax(shared))
            joined = large[k].union(scrap)
            if isinstance(joined, Polygon):
                large[k] = joined
    return large


def as_piece(
    part: Polygon,
    line: int,
    kept: shapely.Geometry,
    stations: Mapping[tuple[int, int], Station],
    lines: Sequence[tuple[Rulings, Sequence[int]]],
) -> WallPiece:
    """One board with its station lines. kept : what the boards keep clear of."""
    marks = []
    for (which, k), station in stations.items():
        rulings = lines[which][0]
        drawn = LineString([rulings.on_seam_mm[k, :2], rulings.outer_mm[k, :2]]).intersection(part.buffer(0.05))
        if drawn.length < 0.2 * np.linalg.norm(rulings.outer_mm[k] - rulings.on_seam_mm[k]):
            continue
        near = np.concatenate([np.asarray(p.coords) for p in shapely.get_parts(drawn) if isinstance(p, LineString)])
        out = near[np.argsort(np.linalg.norm(near - rulings.on_seam_mm[k, :2], axis=1))]
        marks.append(StationMark(station.number, _pair(out[0]), _pair(out[-1])))
    along = shapely.line_merge(part.boundary.intersection(kept.buffer(0.2)))
    edges = [p for p in shapely.get_parts(along) if isinstance(p, LineString)]
    skin = max(edges, key=lambda p: p.length, default=LineString())
    holes = tuple(np.asarray(r.coords)[:-1] for r in part.interiors)
    outline = np.asarray(part.exterior.coords)[:-1]
    return WallPiece("", "board", line, outline, holes, np.asarray(skin.coords).reshape(-1, 2), tuple(marks))


def _pair(point: np.ndarray) -> tuple[float, float]:
    return float(point[0]), float(point[1])
