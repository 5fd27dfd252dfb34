"""The temporary wall along the seam before the rubber goes on: flat boards for a plane; else sheet bent along straight
lines where it will go, and clay drawn over ribs where it will not."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np

from ...base.figures import listed
from ...base.marks import Assumption, Mark
from ...base.progress import SILENT, Progress
from ...geometry.rays import ray_scene
from ..master import Master
from ..seam import Seam
from . import boards, ribs, strips
from .joints import joint_reach_mm, joint_sheets
from .records import Station, Wall, WallPiece
from .rulings import LEAST_ANGLE_DEG, STRETCH_MOST, Rulings, rule_line, section_area, stands_on_board
from .stations import STATION_MM, numbered, station_rulings
from .surface import Over, PartingSurface, parting_surface, root_of, skin_normals

WORKING_MARGIN_MM = 20.0  # of wall past the flanges (common practice, no source)
_FOOT_SHARE = 0.1  # of the root, off the seam, from where the wall's angle to the skin is measured
GAP_MM = 4.0  # that the skin edge is cut shy, closed with clay (common practice, no source: 3 to 5 mm)


def wall_assumptions(kind: str) -> tuple[Assumption, ...]:
    """The figures that the wall of a seam of this kind rests on, with their marks."""
    shared = (
        Assumption("wall cut shy of the skin, closed with clay", f"{GAP_MM:g} mm", Mark.COMMON_PRACTICE),
        Assumption("wall meets the skin at no less than", f"{LEAST_ANGLE_DEG:g}°", Mark.COMMON_PRACTICE),
        Assumption("stations no further apart than", f"{STATION_MM:g} mm", Mark.COMMON_PRACTICE),
    )
    if kind == "plane":
        longest = Assumption("longest board of wall", f"{boards.BOARD_LONGEST_MM:g} mm", Mark.COMMON_PRACTICE)
        return (*shared, longest)
    return (
        *shared,
        Assumption("longest strip of wall", f"{strips.STRIP_LONGEST_MM:g} mm", Mark.COMMON_PRACTICE),
        Assumption("strip set by its stations is within", f"{strips.SET_WITHIN_MM:g} mm", Mark.COMMON_PRACTICE),
        Assumption("sheet is bent to a stretch of", f"{100 * STRETCH_MOST:g} %", Mark.COMMON_PRACTICE),
        Assumption("clay over the ribs", f"{ribs.CLAY_MM:g} mm", Mark.COMMON_PRACTICE),
    )


def build_wall(
    master: Master, seam: Seam, width_mm: float, progress: Progress = SILENT, reach_mm: float | None = None
) -> Wall:
    """Stations along the seam and flat pieces of the wall, ready to be cut at full size.

    width_mm : both flanges and a working margin. reach_mm : of more than two pieces, how far beside a joint the parting
    surfaces of the rubber agree.
    """
    if len(seam.pieces) > 2:
        return _of_joints(master, seam, width_mm, reach_mm or joint_reach_mm(width_mm, 0.0), progress)
    surface = parting_surface(seam, master)
    progress.step(0.4, "the wall along the seam")
    if seam.kind == "plane":
        return _of_boards(master, seam, surface, width_mm)
    return _bent(master, surface, width_mm, _skin_of(master))


def _skin_of(master: Master) -> ribs.MasterSkin:
    return ribs.MasterSkin(ray_scene(master.vertices_mm, master.faces), master.normals)


def _root_angles_deg(
    rulings: Rulings, surface: PartingSurface, master: Master, over: Over | None = None, square: bool = False
) -> np.ndarray:
    """(k,) angle between wall and skin at each ruling's foot, over the first third of the root.

    over : heights of the wall, if not the surface's. square : measured straight off the skin, not along the ruling.
    """
    over, root = over or surface.over, root_of(master)
    skin = surface.frame.to_frame(skin_normals(surface.frame.to_master(rulings.on_seam_mm), master, root / 2))
    out = skin[:, :2] if square else (rulings.outer_mm - rulings.on_seam_mm)[:, :2]
    out = out / np.maximum(np.linalg.norm(out, axis=1, keepdims=True), 1e-9)
    near = rulings.on_seam_mm[:, :2] + _FOOT_SHARE * root * out
    far = rulings.on_seam_mm[:, :2] + (_FOOT_SHARE + 1 / 3) * root * out
    way = np.column_stack([far - near, over(far[:, 0], far[:, 1]) - over(near[:, 0], near[:, 1])])
    way = way / np.maximum(np.linalg.norm(way, axis=1, keepdims=True), 1e-9)
    return np.degrees(np.arcsin(np.clip(np.einsum("ij,ij->i", way, skin), 0.0, 1.0)))


def _named(pieces: Sequence[WallPiece]) -> tuple[WallPiece, ...]:
    """W1, W2 ... for what stands, R1, R2 ... for ribs; each kind in the order of the seam."""
    counts = {"W": 0, "R": 0}
    named = []
    for piece in pieces:
        letter = "R" if piece.kind == "rib" else "W"
        counts[letter] += 1
        named.append(replace(piece, name=f"{letter}{counts[letter]}"))
    return tuple(named)


def _of_boards(master: Master, seam: Seam, surface: PartingSurface, width_mm: float) -> Wall:
    frame, offset = surface.frame, seam.plane_offset_mm
    inside = section_area(master, seam)
    feet = (stands_on_board(master, frame),) * 2

    def level(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        return np.full(len(x), offset)

    rulings = [
        replace(rule_line(frame.to_frame(n.points_mm), n.closed, k, inside, width_mm, level, feet), fair=None)
        for k, n in enumerate(seam.lines)
    ]
    flat = [_root_angles_deg(r, surface, master, level, square=True) < LEAST_ANGLE_DEG for r in rulings]
    built = [_root_angles_deg(r, surface, master, square=True) for r in rulings]
    root = root_of(master)
    kept = boards.set_back(inside, rulings, flat, GAP_MM, root)
    whole = boards.board_ring(inside, master, frame, offset, width_mm)
    cuts = [boards.board_cuts(r) for r in rulings]
    lines = list(zip(rulings, cuts, strict=True))
    at = numbered([(r, station_rulings(r, c)) for r, c in lines], frame, GAP_MM, width_mm, surface.over)
    at = {(n, k): _rooted(one, surface, rulings[n], k, root) for (n, k), one in at.items()}
    parts = boards.cut_boards(whole.difference(kept), lines, width_mm)
    pieces = _named([boards.as_piece(part, line, kept, at, lines) for part, line in parts])
    bad = np.concatenate(flat)
    step = sum(n.length_mm for n in seam.lines) / max(len(bad), 1)
    return Wall(
        "boards", width_mm, GAP_MM, root, pieces, tuple(at.values()), 0.0, 0.0, 0.0,
        float(np.abs(surface.height_mm - offset).max()), float(np.concatenate(built).min(initial=90.0)), 0.0,
        float(whole.area), 0.0, 1.0, float(bad.sum() * step), wall_assumptions("plane"),
    )  # fmt: skip


def _rooted(station: Station, surface: PartingSurface, rulings: Rulings, at: int, root_mm: float) -> Station:
    """A station with how far the clay root there stands off the boards' plane."""
    foot, outer = rulings.on_seam_mm[at, :2], rulings.outer_mm[at, :2]
    way = (outer - foot) / max(float(np.hypot(*(outer - foot))), 1e-9)
    xy = foot + np.linspace(0.0, root_mm, 31)[:, None] * way
    off = surface.over(xy[:, 0], xy[:, 1]) - surface.over(outer[:1], outer[1:])
    return replace(station, root_mm=float(off[np.argmax(np.abs(off))]), towards_mm=0.0)


def _of_joints(master: Master, seam: Seam, width_mm: float, reach_mm: float, progress: Progress) -> Wall:
    """The wall of more than two pieces, joint by joint: boards where it is flat, strips where it bends one way, else
    clay over ribs; all on the side of the piece made later."""
    body, walls = _skin_of(master), list[Wall]()
    sheets = joint_sheets(seam, master, reach_mm)
    for sheet in sheets:
        progress.step(0.4, "the wall along the joints")
        before = sum(len(wall.stations) for wall in walls)
        walls.append(_bent(master, sheet.surface, width_mm, body, before))
    long = [sum(line.length_mm for line in seam.lines if line.between == s.between) for s in sheets]
    pieces = _named([piece for wall in walls for piece in wall.pieces])
    clay_mm2 = sum(wall.clay_mm2 for wall in walls)
    return replace(
        walls[0],
        kind=_kind_of(pieces, clay_mm2 > 0),
        pieces=pieces,
        stations=tuple(station for wall in walls for station in wall.stations),
        stretch=max(wall.stretch for wall in walls),
        off_sheet_mm=max(wall.off_sheet_mm for wall in walls),
        off_clay_mm=max(wall.off_clay_mm for wall in walls),
        flattest_deg=min(wall.flattest_deg for wall in walls),
        steepest_deg=max(wall.steepest_deg for wall in walls),
        area_mm2=sum(wall.area_mm2 for wall in walls),
        clay_mm2=clay_mm2,
        strip_share=sum(wall.strip_share * mm for wall, mm in zip(walls, long, strict=True)) / sum(long),
        rooted_mm=sum(wall.rooted_mm for wall in walls),
    )


def _kind_of(pieces: Sequence[WallPiece], clay: bool) -> str:
    """What a wall that is not one plane is made of."""
    made = [f"{kind}s" for kind in ("board", "strip") if any(p.kind == kind for p in pieces)]
    return listed([*made, *(["clay"] if clay else [])]) if made else "clay on ribs"


def _bent(master: Master, surface: PartingSurface, width_mm: float, body: ribs.MasterSkin, before: int = 0) -> Wall:
    frame = surface.frame
    rulings = list(surface.rulings)
    made: list[tuple[Rulings, list[int], list[tuple[int, int]]]] = []
    for line in rulings:
        own = [s for s in surface.strips if s.line == line.line]
        ends = [k for s in own for k in strips.strip_stations(s, GAP_MM, width_mm)]
        spans = ribs.clay_spans(
            len(line.along_mm), line.closed, [(s.first, s.first + len(s.along_mm) - 1) for s in own]
        )
        made.append((line, _with_ribs(surface, line, station_rulings(line, ends), spans, width_mm), spans))
    at = numbered([(line, stops) for line, stops, _ in made], frame, GAP_MM, width_mm, surface.over, before)
    pieces: list[WallPiece] = []
    for line, stops, spans in made:
        count = len(line.along_mm)
        for run in (s for s in surface.strips if s.line == line.line):
            pieces += strips.strip_pieces(run, frame, GAP_MM, width_mm, at, count)
        for k in stops:
            lying = frame.to_master(np.array([line.on_seam_mm[k], line.outer_mm[k]]))[:, 2].max() < ribs.CLAY_MM
            if not lying and any(a <= k <= b or a <= k + count <= b for a, b in spans):
                rib = ribs.make_rib(surface, line, k, at[line.line, k].number, body, GAP_MM, width_mm)
                pieces += [rib] if rib is not None else []
    return _sum_up(surface, made, _named(pieces), at, width_mm, master)


def _with_ribs(
    surface: PartingSurface, line: Rulings, stops: Sequence[int], spans: Sequence[tuple[int, int]], width_mm: float
) -> list[int]:
    """The stations, and more of them in clay where it would not keep to the surface between them."""
    count = len(line.along_mm)
    found = set(stops)
    around = sorted({*stops, *(k + count for k in stops)} if line.closed else set(stops))
    for a, b in spans:
        inside = [a, *(k for k in around if a < k < b), b]
        for one, other in pairwise(inside):
            found |= {k % count for k in ribs.ribs_between(surface, line, one, other, width_mm)}
    return sorted(found)


def _sum_up(
    surface: PartingSurface,
    made: Sequence[tuple[Rulings, Sequence[int], Sequence[tuple[int, int]]]],
    pieces: tuple[WallPiece, ...],
    at: Mapping[tuple[int, int], Station],
    width_mm: float,
    master: Master,
) -> Wall:
    sheet = [p for p in pieces if p.kind in ("board", "strip")]
    off = [_off_mm(surface, p) for p in sheet]
    clay_off, clay_mm2, clay_mm, total_mm, area = 0.0, 0.0, 0.0, 0.0, 0.0
    for line, stops, spans in made:
        count = len(line.along_mm)
        cells = _cell_areas(line, width_mm)
        area += float(cells.sum())
        step = float(line.along_mm[-1]) / max(count - 1, 1)
        total_mm += step * len(cells)
        around = sorted({*stops, *(k + count for k in stops)})
        for a, b in spans:
            clay_mm2 += float(cells[np.arange(a, b) % len(cells)].sum())
            clay_mm += step * (b - a)
            inside = [a, *(k for k in around if a < k < b), b]
            gaps = [ribs.drawn_off_mm(surface, line, *pair, width_mm) for pair in pairwise(inside)]
            clay_off = max([clay_off, *gaps])
    lean = np.concatenate([_lean_deg(r.between(GAP_MM, width_mm)) for r, _, _ in made])
    angles = np.concatenate([_root_angles_deg(r, surface, master) for r, _, _ in made])
    flat_mm = float((angles < LEAST_ANGLE_DEG).mean()) * total_mm
    return Wall(
        _kind_of(pieces, clay_mm >= 1.0), width_mm, GAP_MM, root_of(master), pieces, tuple(at.values()),
        max((p.stretch for p in sheet), default=0.0), max(off, default=0.0), clay_off, 0.0,
        float(angles.min(initial=90.0)), float(lean.max(initial=0.0)), area, clay_mm2,
        1.0 - clay_mm / max(total_mm, 1e-9), flat_mm, wall_assumptions("free"),
    )  # fmt: skip


def _off_mm(surface: PartingSurface, piece: WallPiece) -> float:
    """Greatest distance of a strip as it is bent, or of a board, from the parting surface."""
    shares = np.linspace(0.0, 1.0, 9)[:, None, None]
    points = (piece.inner_mm + shares * (piece.outer_mm - piece.inner_mm)).reshape(-1, 3)
    return float(surface.away_mm(surface.frame.to_frame(points)).max())


def _cell_areas(line: Rulings, width_mm: float) -> np.ndarray:
    """(k,) area of the wall from each ruling to the next."""
    inner, outer = line.between(0.0, width_mm)
    if line.closed:
        inner, outer = np.concatenate([inner, inner[:1]]), np.concatenate([outer, outer[:1]])
    a, b, c, d = inner[:-1], outer[:-1], outer[1:], inner[1:]
    return (np.linalg.norm(np.cross(b - a, c - a), axis=1) + np.linalg.norm(np.cross(c - a, d - a), axis=1)) / 2


def _lean_deg(ends: tuple[np.ndarray, np.ndarray]) -> np.ndarray:
    inner, outer = ends
    across = np.linalg.norm((outer - inner)[:, :2], axis=1)
    return np.degrees(np.arctan2(np.abs(outer - inner)[:, 2], np.maximum(across, 1e-9)))
