"""Stage 8, cradle: the timber frame a piece lies in so that it cannot rock.

The piece lies open side up, its pull pointing straight down into the boards: that is how it is laid up and
brushed out, and since its outside is a height map along the pull it lifts straight out again. Profile boards
stand across its length, cut to the jacket's outside.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely
from scipy import ndimage
from shapely.geometry import Polygon

from ..base.marks import Assumption, Mark
from ..base.progress import SILENT, Progress
from ..geometry.depthmap import Grid, raise_by_balls
from ..inputs.brief import CradleBrief
from ..inputs.catalogue import Catalogue
from ..trade.bedding import NO_CRADLE_KG, NO_CRADLE_MM, bench_words, wants_cradle
from .jacket import Jacket, JacketPiece, foot_flange_mm, glove_columns, laminate_mm, outside_with_keys
from .keys import Keys, piece_prefixes, snap_to_outside
from .rails import OVERHANG_MM, PLAY_MM, Rail, make_rails, rail_height_mm, rail_places, with_slots
from .rubber import Envelope, Rubber, covered
from .wall import SheetLot, sheet_lots

BOARD_SPACING_MM = 400.0  # common practice: further apart the jacket sags between boards
LEAST_APART_MM = 100.0  # common practice: two boards nearer to each other are one
GROUND_CLEARANCE_MM = 40.0  # common practice: wood left under the lowest point
SHOULDER_MM = 60.0  # common practice: wood left beside the jacket
UNDER_FLANGE_MM = 20.0  # common practice: room for bolts and fingers
TOOTH_MM = 40.0  # common practice: the narrowest wood that stands up between two hollows
FIT_MM = 0.25  # common practice: the outline is simplified to within this of the column image
# Derived from elementary beam theory (Airy points): a bar on two supports at 0.2113 of its length lies with
# level ends.
AIRY = 0.5 - 0.5 / np.sqrt(3.0)
# stations nearer the ends, and boards higher up the sides, are tried until the piece cannot rock
END_SHARES = (AIRY, 0.15, 0.10, 0.06)
EMBRACES = (0.5, 0.7, 0.9)  # common practice: share of the depth that the boards reach up
MOST_WIDENING_MM = 400.0  # common practice: longer feet are in the way


@dataclass(frozen=True, eq=False)
class Board:
    """A profile board. outline_mm : (k, 2) float, closed outline to cut (the first corner is not repeated),
    x along the board from its end, y up from the floor, before its slots. station_mm is its middle along the piece and
    start_mm its end across it, in the piece's pull frame. slots_mm : for the rails, cut up from the floor: start along
    the board, width, depth."""

    name: str
    piece: int
    station_mm: float
    outline_mm: np.ndarray
    thickness_mm: float
    start_mm: float = 0.0
    slots_mm: tuple[tuple[float, float, float], ...] = ()

    @property
    def cut_mm(self) -> np.ndarray:
        """(k, 2) the outline with its slots, as it is cut."""
        return with_slots(self.outline_mm, self.slots_mm)


@dataclass(frozen=True)
class TiltCheck:
    """Distance of the centre of mass's plumb line inside the support polygon at a working tilt, whichever
    way it tips.

    margin_mm is the lesser of the two below: of the frame on the floor, and of the piece in the frame.
    """

    tilt_deg: float
    margin_mm: float
    passes: bool
    on_floor_mm: float = 0.0
    in_frame_mm: float = 0.0


@dataclass(frozen=True, eq=False)
class CradlePiece:
    """The cradle for one jacket piece. cut_list rows: (name, count, length_mm, width_mm, thickness_mm).

    support_polygon_mm is on the floor, in the pull frame's x, y. length_axis says which of the two runs
    along the piece; floor_mm is the floor's z in that frame (the pull points down, so heights are floor_mm -
    z). centre_of_mass_mm (plan) and lying_mass_kg are of jacket and glove together.
    """

    piece: int
    boards: tuple[Board, ...]
    support_polygon_mm: tuple[tuple[float, float], ...]
    tilts: tuple[TiltCheck, ...]
    cut_list: tuple[tuple[str, int, float, float, float], ...]
    length_axis: str = "y"
    floor_mm: float = 0.0
    centre_of_mass_mm: tuple[float, float, float] = (0.0, 0.0, 0.0)
    lying_mass_kg: float = 0.0
    rails: tuple[Rail, ...] = ()


@dataclass(frozen=True, eq=False)
class Cradle:
    """One cradle for each piece; none where the mould is small. advice: where a piece could still rock, and what to do.
    sheets : where boards and rails lie on sheets as sold, by their numbers in `shapes`. instead : without cradles, what
    the pieces lie on, in one sentence."""

    pieces: tuple[CradlePiece, ...]
    advice: tuple[str, ...]
    sheets: tuple[SheetLot, ...] = ()
    instead: str = ""

    @property
    def shapes(self) -> tuple[tuple[np.ndarray, float], ...]:
        """Outline to cut and thickness of every member, piece by piece: its boards, then its rails."""
        return tuple(
            shape
            for piece in self.pieces
            for shape in (
                *((b.cut_mm, b.thickness_mm) for b in piece.boards),
                *((r.outline_mm, r.thickness_mm) for r in piece.rails),
            )
        )


def build_cradle(jacket: Jacket, rubber: Rubber, keys: Keys, brief: CradleBrief, progress: Progress = SILENT) -> Cradle:
    """Profile boards, support margins and a cut list for every piece of the jacket; none of it where the mould is small
    enough for the bench, or the brief wants none.

    A piece that cannot be kept from rocking within the limit still gets its cradle, and a sentence of advice.
    """
    longest = max((_body_mm(envelope) for envelope in rubber.envelopes), default=0.0)
    heaviest = max((shell.mass_kg + shell.rubber_mass_kg for shell in jacket.pieces), default=0.0)
    if not wants_cradle(longest, heaviest, brief.made):
        progress.step(1.0)
        return Cradle((), (), instead=bench_words(longest, heaviest, brief.made))
    prefixes = piece_prefixes([e.name for e in rubber.envelopes])
    pieces: list[CradlePiece] = []
    advice: list[str] = []
    for at, (shell, envelope) in enumerate(zip(jacket.pieces, rubber.envelopes, strict=True)):
        progress.step(at / len(jacket.pieces), f"cradle of the {envelope.name}")
        made, said = _build_one(shell, envelope, rubber, keys, brief, prefixes[at])
        pieces.append(made)
        advice += said
    progress.step(1.0)
    return Cradle(tuple(pieces), tuple(advice))


def _body_mm(envelope: Envelope) -> float:
    """Longest side of a glove piece along its lattice, its flange left out."""
    body = covered(envelope) & ~envelope.flange
    if not body.any():
        return 0.0
    rows, columns = np.nonzero(body.any(axis=1))[0], np.nonzero(body.any(axis=0))[0]
    deep = float(envelope.outer_mm[body].max() - envelope.parting_mm[body].min())
    return max((np.ptp(rows) + 1) * envelope.pixel_mm, (np.ptp(columns) + 1) * envelope.pixel_mm, deep)


# --- the shape it lies in --------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Lie:
    """The jacket's outside as it lies: heights above the floor on a grid with the length along axis 0.

    low_mm : (along, across) height of the underside above the lowest point, inf where there is no jacket.
    """

    low_mm: np.ndarray
    along_mm: np.ndarray
    across_mm: np.ndarray
    pixel_mm: float
    top_z_mm: float  # frame z of the lowest point as it lies
    flange_mm: np.ndarray  # (along,) lowest height of the flange's underside in each row, inf where there is none
    depth_mm: float  # height of the highest flange, or of the parting surface without one
    length_axis: str
    centre_mm: np.ndarray  # along, across, height above the lowest point: of jacket and glove
    mass_kg: float


def jacket_outside(envelope: Envelope, rubber: Rubber, keys: Keys, shell: JacketPiece) -> tuple[np.ndarray, Grid]:
    """Height map of the jacket's outside: the glove's outside with keys, offset by the laminate's thickness, the ribs,
    rounded off, and the jacket's own flange on the board, which reaches further down than the rubber's as it lies.

    Exact Euclidean offset of the pixels (balls). Returns the map (-inf where there is no jacket) and its
    grid, which is the envelope's with a margin.
    """
    glove = outside_with_keys(envelope, keys.keys)
    radius = laminate_mm(shell, envelope, rubber.edge_band_mm)
    thickest = max(z.thickness_mm for z in shell.zones)
    tallest = thickest + max((thickest + rib.core_height_mm for rib in shell.ribs), default=0.0)
    past = foot_flange_mm(shell, envelope, rubber.built_to)
    margin = int(np.ceil(tallest / envelope.pixel_mm)) + 1
    rows, columns = glove.shape
    p = envelope.pixel_mm
    x0, y0 = envelope.origin_mm
    grid = Grid(x0 - margin * p, y0 - margin * p, p, rows + 2 * margin, columns + 2 * margin)
    i, j = np.nonzero(np.isfinite(glove))
    points = np.column_stack([x0 + j * p, y0 + i * p, glove[i, j]]).astype(np.float64)
    height = np.full((grid.rows, grid.columns), -np.inf, np.float32)
    raise_by_balls(height, points, radius[i, j].astype(np.float64), grid)
    for rib in shell.ribs:
        line = snap_to_outside(envelope, np.linspace(rib.start_mm, rib.end_mm, 200))
        raise_by_balls(height, envelope.frame.to_frame(line), np.full(200, tallest), grid)
    return np.maximum(height, np.pad(past, margin, constant_values=-np.inf).astype(np.float32)), grid


def _lie_down(shell: JacketPiece, envelope: Envelope, rubber: Rubber, keys: Keys) -> _Lie:
    height, grid = jacket_outside(envelope, rubber, keys, shell)
    known = np.isfinite(height)
    rows, columns = np.nonzero(known.any(axis=1))[0], np.nonzero(known.any(axis=0))[0]
    along_y = len(rows) >= len(columns)
    top = float(height[known].max())
    low = np.where(known, top - height, np.inf)
    rim = np.where(envelope.flange & covered(envelope), envelope.outer_mm, -np.inf)
    thickest = max(z.thickness_mm for z in shell.zones)
    margin = (grid.rows - rim.shape[0]) // 2
    flange = np.pad(top - rim.max(axis=1 if along_y else 0) - thickest, margin, constant_values=np.inf)
    depth = flange[np.isfinite(flange)].max() if np.isfinite(flange).any() else top - envelope.parting_mm.min()
    x, y, z = _centre_of_both(shell, envelope)
    centre = np.array([y, x, top - z]) if along_y else np.array([x, y, top - z])
    return _Lie(
        low_mm=low if along_y else low.T,
        along_mm=grid.y() if along_y else grid.x(),
        across_mm=grid.x() if along_y else grid.y(),
        pixel_mm=envelope.pixel_mm,
        top_z_mm=top,
        flange_mm=flange,
        depth_mm=float(depth),
        length_axis="y" if along_y else "x",
        centre_mm=centre,
        mass_kg=shell.mass_kg + shell.rubber_mass_kg,
    )


def _centre_of_both(shell: JacketPiece, envelope: Envelope) -> np.ndarray:
    """(3,) centre of mass of jacket and glove, frame coordinates. The glove's is that of its columns."""
    jacket = np.asarray(shell.centre_of_mass_mm)
    middles, thick = glove_columns(envelope)
    if thick.sum() > 0 and shell.rubber_mass_kg > 0:
        glove = np.average(middles, axis=0, weights=thick)
        jacket = np.average([jacket, glove], axis=0, weights=[shell.mass_kg, shell.rubber_mass_kg])
    return envelope.frame.to_frame(jacket[None])[0]


# --- boards ----------------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Layout:
    """Boards at stations that reach `embrace_mm` above the lowest point, with shoulders; all heights from
    there.
    """

    stations_mm: np.ndarray
    heights_mm: np.ndarray  # (n,) of the boards' shoulders
    profiles: tuple[tuple[np.ndarray, np.ndarray], ...]  # across, height of the board's top edge
    contact: np.ndarray  # (2 n, 2) along, across: where the boards' tops leave the jacket
    shoulders_mm: tuple[float, float]

    def ends(self, number: int) -> tuple[float, float]:
        across = self.profiles[number][0]
        return float(across[0] - self.shoulders_mm[0]), float(across[-1] + self.shoulders_mm[1])


def _lay_out(lie: _Lie, brief: CradleBrief, end_share: float, embrace: float) -> _Layout | None:
    """Boards spaced by rule over the part of the piece that dips to them; None where a board would find
    nothing.
    """
    reach = np.minimum(embrace * lie.depth_mm, lie.flange_mm - UNDER_FLANGE_MM)
    dips = np.nonzero(lie.low_mm.min(axis=1) < reach - 2.0 * lie.pixel_mm)[0]
    if len(dips) == 0:
        return None
    first, last = lie.along_mm[dips[0]], lie.along_mm[dips[-1]]
    length = last - first
    count = max(int(np.ceil((1 - 2 * end_share) * length / BOARD_SPACING_MM)) + 1, 2)
    wanted = np.linspace(first + end_share * length, last - end_share * length, count)
    wide = 2 * int((brief.board_thickness_mm + lie.pixel_mm) / 2.0 / lie.pixel_mm) + 1
    under = ndimage.minimum_filter1d(lie.low_mm.min(axis=1), wide, mode="nearest")
    holds = np.nonzero(under < ndimage.minimum_filter1d(reach, wide, mode="nearest"))[0]
    stations = _on_what_dips(lie, holds, wanted)
    if len(stations) < 2:
        return None
    profiles, contact = [], []
    for station in stations:
        profile = _profile(lie, float(station), brief.board_thickness_mm, reach)
        if profile is None:
            return None
        profiles.append(profile)
        across = profile[0]
        contact += [(station, across[0]), (station, across[-1])]
    heights = np.array([height[[0, -1]].max() for _, height in profiles])
    return _Layout(stations, heights, tuple(profiles), np.array(contact), (SHOULDER_MM, SHOULDER_MM))


def _on_what_dips(lie: _Lie, dips: np.ndarray, wanted: np.ndarray) -> np.ndarray:
    """Stations as wanted; where the flange hangs as low as the body there, as between limbs, at the next place that
    dips. dips : rows of the lie where it does over a board's thickness."""
    if not len(dips):
        return np.zeros(0)
    nearest = lie.along_mm[dips][np.argmin(np.abs(lie.along_mm[dips][None] - wanted[:, None]), axis=1)]
    moved = np.abs(nearest - wanted) > lie.pixel_mm
    if not moved.any():
        return wanted
    stations = np.unique(np.where(moved, nearest, wanted))
    return stations[np.append(True, np.diff(stations) > LEAST_APART_MM)]


def _profile(
    lie: _Lie, station_mm: float, thickness_mm: float, reach_mm: np.ndarray
) -> tuple[np.ndarray, np.ndarray] | None:
    """Top edge of a board from where it meets the jacket to where it leaves it: across and height, up to its
    reach.

    The lowest of the jacket's underside over the board's whole thickness, so that a square-cut board fits.
    """
    inside = np.abs(lie.along_mm - station_mm) <= thickness_mm / 2.0 + lie.pixel_mm / 2.0
    low = lie.low_mm[inside].min(axis=0)
    height_mm = float(reach_mm[inside].min())
    touching = np.nonzero(low < height_mm)[0]
    if len(touching) == 0:
        return None
    # one pixel beyond on each side, where the board stands at its full height
    window = slice(max(touching[0] - 1, 0), min(touching[-1] + 2, len(low)))
    top = np.minimum(low[window], height_mm)
    # a narrower tooth of wood, as between two limbs, would break off
    wide = max(int(TOOTH_MM / lie.pixel_mm), 1)
    sound = ndimage.grey_opening(np.pad(top, wide, mode="edge"), size=wide)[wide:-wide]  # with its shoulders
    return lie.across_mm[window], sound


def _outline(layout: _Layout, number: int) -> tuple[np.ndarray, float]:
    """Closed outline (k, 2) from the board's end and the floor, and where that end lies across the piece."""
    across, height = layout.profiles[number]
    start, end = layout.ends(number)
    shoulder = float(layout.heights_mm[number]) + GROUND_CLEARANCE_MM
    top = np.column_stack([across - start, height + GROUND_CLEARANCE_MM])
    line = shapely.LineString([(0.0, shoulder), *top, (end - start, shoulder)]).simplify(FIT_MM)
    edge = shapely.get_coordinates(line)
    return np.concatenate([[(0.0, 0.0), (end - start, 0.0)], edge[::-1]]), start


# --- rocking ---------------------------------------------------------------------------------------------


def margin_in_polygon_mm(corners_mm: np.ndarray, point_mm: np.ndarray, height_mm: float, tilt_deg: float) -> float:
    """How far inside a support polygon a plumb line falls, tilted in the worst direction; negative outside.

    corners_mm : (k, 2), their hull is the support; point_mm : (2,) under the centre of mass, which stands
    height_mm above the support. Tilting by t moves the plumb line by height · tan t towards the nearest edge,
    whichever way it tips: -20° counts as 20°.
    """
    hull = shapely.MultiPoint(np.asarray(corners_mm, float)).convex_hull
    spot = shapely.Point(point_mm)
    inside = hull.geom_type == "Polygon" and hull.covers(spot)
    away = spot.distance(hull.boundary if hull.geom_type == "Polygon" else hull)
    return float((away if inside else -away) - max(height_mm, 0.0) * np.tan(np.radians(abs(tilt_deg))))


def _floor_corners(layout: _Layout, thickness_mm: float) -> np.ndarray:
    """(4 n, 2) along, across: the feet of all boards."""
    half = thickness_mm / 2.0
    corners = []
    for number, station in enumerate(layout.stations_mm):
        low, high = layout.ends(number)
        corners += [(station + s, a) for s in (-half, half) for a in (low, high)]
    return np.array(corners)


def _margins(lie: _Lie, layout: _Layout, brief: CradleBrief) -> tuple[TiltCheck, ...]:
    at, height = lie.centre_mm[:2], float(lie.centre_mm[2])
    feet = _floor_corners(layout, brief.board_thickness_mm)
    checks = []
    for tilt in brief.working_tilts_deg:
        on_floor = margin_in_polygon_mm(feet, at, height + GROUND_CLEARANCE_MM, tilt)
        in_frame = margin_in_polygon_mm(layout.contact, at, height - float(layout.heights_mm.min()), tilt)
        margin = min(on_floor, in_frame)
        checks.append(TiltCheck(float(tilt), margin, margin >= brief.margin_limit_mm, on_floor, in_frame))
    return tuple(checks)


def _widen(lie: _Lie, layout: _Layout, brief: CradleBrief) -> _Layout:
    """Longer feet on both sides until the frame stands with the margin, or the boards get absurdly long."""
    best = layout
    for extra in np.arange(0.0, MOST_WIDENING_MM + 1.0, 20.0):
        wider = SHOULDER_MM + float(extra)
        best = _Layout(layout.stations_mm, layout.heights_mm, layout.profiles, layout.contact, (wider, wider))
        if all(t.on_floor_mm >= brief.margin_limit_mm for t in _margins(lie, best, brief)):
            return best
    return layout


def _joinable(layout: _Layout, brief: CradleBrief) -> _Layout:
    """Longer feet on both sides until two rails pass under every board, as under a piece that leans; as it was where
    the boards would get absurdly long."""
    low, high = layout.shoulders_mm
    for extra in np.arange(0.0, MOST_WIDENING_MM + 1.0, 20.0):
        longer = replace(layout, shoulders_mm=(low + float(extra), high + float(extra)))
        ends = [longer.ends(k) for k in range(len(longer.stations_mm))]
        if rail_places([a for a, _ in ends], [b for _, b in ends], brief.board_thickness_mm):
            return longer
    return layout


def _best_layout(lie: _Lie, brief: CradleBrief) -> tuple[_Layout, tuple[TiltCheck, ...]] | None:
    """The first layout, plainest first, in which the piece cannot rock; else the one with the most margin."""
    best: tuple[_Layout, tuple[TiltCheck, ...]] | None = None
    for embrace in EMBRACES:
        for share in END_SHARES:
            layout = _lay_out(lie, brief, share, embrace)
            if layout is None:
                continue
            layout = _joinable(_widen(lie, layout, brief), brief)
            tilts = _margins(lie, layout, brief)
            if all(t.passes for t in tilts):
                return layout, tilts
            if best is None or _least(tilts) > _least(best[1]):
                best = layout, tilts
    return best


def _least(tilts: Sequence[TiltCheck]) -> float:
    return min((t.margin_mm for t in tilts), default=0.0)


# --- the result ------------------------------------------------------------------------------------------


def _build_one(
    shell: JacketPiece, envelope: Envelope, rubber: Rubber, keys: Keys, brief: CradleBrief, prefix: str
) -> tuple[CradlePiece, list[str]]:
    if not covered(envelope).any():
        return CradlePiece(shell.piece, (), (), (), ()), [f"The {shell.name} has no jacket to cradle."]
    lie = _lie_down(shell, envelope, rubber, keys)
    found = _best_layout(lie, brief)
    if found is None:
        return CradlePiece(shell.piece, (), (), (), ()), [
            f"The {shell.name} gives boards nothing to hold: lay it on a level board with packing."
        ]
    layout, tilts = found
    boards, rails = _members(lie, layout, brief, prefix, shell.piece)
    feet = _floor_corners(layout, brief.board_thickness_mm)
    hull = shapely.get_coordinates(shapely.MultiPoint(feet).convex_hull)[:-1]
    polygon = hull[:, ::-1] if lie.length_axis == "y" else hull
    along, across, up = (float(v) for v in lie.centre_mm)
    x, y = (across, along) if lie.length_axis == "y" else (along, across)
    centre = envelope.frame.to_master(np.array([[x, y, lie.top_z_mm - up]]))[0]
    made = CradlePiece(
        piece=shell.piece,
        boards=boards,
        support_polygon_mm=tuple((float(a), float(b)) for a, b in polygon),
        tilts=tilts,
        cut_list=_cut_list(boards, rails),
        length_axis=lie.length_axis,
        floor_mm=lie.top_z_mm + GROUND_CLEARANCE_MM,
        centre_of_mass_mm=(float(centre[0]), float(centre[1]), float(centre[2])),
        lying_mass_kg=lie.mass_kg,
        rails=rails,
    )
    return made, _advice(shell.name, tilts, brief)


def _members(
    lie: _Lie, layout: _Layout, brief: CradleBrief, prefix: str, piece: int
) -> tuple[tuple[Board, ...], tuple[Rail, ...]]:
    """The boards with their slots, and the rails that go into them."""
    thick = brief.board_thickness_mm
    boards = []
    for number, station in enumerate(layout.stations_mm):
        outline, start = _outline(layout, number)
        boards.append(Board(f"{prefix} board {number + 1}", piece, float(station), outline, thick, start))
    ends = [layout.ends(k) for k in range(len(boards))]
    places = rail_places([a for a, _ in ends], [b for _, b in ends], thick)
    if not places:
        return tuple(boards), ()
    spots = np.array([np.linspace(a - PLAY_MM, b + PLAY_MM, 9) for a, b in places])
    tops = np.array([[np.interp(spots - b.start_mm, *top_edge(b.outline_mm)).min()] for b in boards])
    past = thick / 2.0 + OVERHANG_MM
    under = (lie.along_mm >= layout.stations_mm[0] - past) & (lie.along_mm <= layout.stations_mm[-1] + past)
    over = np.any(
        [(lie.across_mm >= a - lie.pixel_mm) & (lie.across_mm <= b + lie.pixel_mm) for a, b in places], axis=0
    )
    clear = float(lie.low_mm[np.ix_(under, over)].min(initial=np.inf)) + GROUND_CLEARANCE_MM
    height = rail_height_mm(tops, clear)
    rails = make_rails(
        places, layout.stations_mm, [b.name for b in boards], height, thick, lambda k: f"{prefix} rail {k}", piece
    )
    wide = thick + PLAY_MM
    slotted = [
        replace(b, slots_mm=tuple((a - PLAY_MM / 2.0 - b.start_mm, wide, height / 2.0) for a, _ in places))
        for b in boards
    ]
    return tuple(slotted), rails


def top_edge(outline_mm: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """x and height of the edge a jacket lies on, by rising x: a board's outline runs along the floor, then back over
    it."""
    top = outline_mm[2:][::-1]
    order = np.argsort(top[:, 0], kind="stable")
    return top[order, 0], top[order, 1]


def _cut_list(boards: Sequence[Board], rails: Sequence[Rail]) -> tuple[tuple[str, int, float, float, float], ...]:
    """Each board and rail by its bounding rectangle."""
    rows: list[tuple[str, int, float, float, float]] = []
    for name, outline, thickness in (
        *((b.name, b.outline_mm, b.thickness_mm) for b in boards),
        *((r.name, r.outline_mm, r.thickness_mm) for r in rails),
    ):
        length, height = np.ptp(outline, axis=0)
        rows.append((name, 1, float(length), float(height), thickness))
    return tuple(rows)


def lay_cradle_on_sheets(cradle: Cradle, catalogue: Catalogue) -> Cradle:
    """The cradle with its members laid out on the catalogue's boards of their thickness: what is cut is bought."""
    return replace(cradle, sheets=sheet_lots([(Polygon(cut), thick) for cut, thick in cradle.shapes], catalogue))


def _advice(name: str, tilts: Sequence[TiltCheck], brief: CradleBrief) -> list[str]:
    failing = [t for t in tilts if not t.passes]
    if not failing:
        return []
    worst = min(failing, key=lambda t: t.margin_mm)
    tips = worst.on_floor_mm < worst.in_frame_mm
    how = "bolt the frame to the bench" if tips else "strap the piece to its frame"
    return [
        f"The {name} in its cradle has {worst.margin_mm:.0f} mm of margin at {worst.tilt_deg:g} degrees of "
        f"tilt (limit {brief.margin_limit_mm:.0f}): {how}, or do not tilt it."
    ]


def board_in_plan(board: Board, cradle_piece: CradlePiece, envelope: Envelope) -> np.ndarray:
    """(k, 3) plan coordinates of the outline on the board's middle plane, where it stands round the
    jacket.
    """
    cut = board.cut_mm
    across = board.start_mm + cut[:, 0]
    return _in_plan(np.full(len(cut), board.station_mm), across, cut[:, 1], cradle_piece, envelope)


def rail_in_plan(rail: Rail, cradle_piece: CradlePiece, envelope: Envelope) -> np.ndarray:
    """(k, 3) plan coordinates of the outline on the rail's middle plane, where it stands under the boards."""
    along = rail.start_mm + rail.outline_mm[:, 0]
    across = np.full(len(along), rail.across_mm + rail.thickness_mm / 2.0)
    return _in_plan(along, across, rail.outline_mm[:, 1], cradle_piece, envelope)


def _in_plan(
    along: np.ndarray, across: np.ndarray, height: np.ndarray, cradle_piece: CradlePiece, envelope: Envelope
) -> np.ndarray:
    """(k, 3) plan coordinates of places along and across a piece in its cradle, and above the floor."""
    x, y = (across, along) if cradle_piece.length_axis == "y" else (along, across)
    return envelope.frame.to_master(np.column_stack([x, y, cradle_piece.floor_mm - height]))


def cradle_assumptions(brief: CradleBrief) -> tuple[Assumption, ...]:
    """The figures that the cradle rests on, with their marks."""
    tilts = ", ".join(f"{t:g}°" for t in brief.working_tilts_deg)
    return (
        Assumption("how it lies", "open side up, pull straight down", Mark.COMMON_PRACTICE),
        Assumption("board spacing", f"{BOARD_SPACING_MM:.0f} mm at most", Mark.COMMON_PRACTICE),
        Assumption(
            "no cradle up to", f"{NO_CRADLE_MM:.0f} mm of mould and {NO_CRADLE_KG:.0f} kg a piece", Mark.COMMON_PRACTICE
        ),
        Assumption("margin against rocking", f"{brief.margin_limit_mm:.0f} mm at {tilts}", Mark.COMMON_PRACTICE),
    )
