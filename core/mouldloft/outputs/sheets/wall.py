"""The wall on the workshop's sheets: what it is, where its pieces stand on the master, and where each station is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np
from reportlab.lib.colors import HexColor
from reportlab.lib.units import mm as MM
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import Flowable, PageBreak, Spacer

from ...base.figures import counted, listed, metres
from ...geometry.depthmap import column_image, grid_around
from ...geometry.frame import PullFrame, pull_frame
from ...stages.plan import MouldPlan
from ...stages.wall import Station, Wall, WallPiece
from ..look import INK, SOFT_INK
from .typeset import Placed, facts_table, heading, house_fonts, image_reader, ruled_table, set_text

_PICTURE_PX = 900  # along the longer side of the master's picture
_MAP_HEIGHT = 205 * MM
_SHEET, _CLAY, _WALL = "#2f6f73", "#a8643a", "#e3d9c6"
_TABLE_COLUMNS = ("Station", "Pieces", "Along the seam", "Height at skin", "Height outside", "Outer edge leans")


def wall_pages(plan: MouldPlan, inner: float) -> list[Flowable]:
    """Facts, the map from either side, and the table of stations; empty where there is no one wall."""
    wall = plan.wall
    if wall is None:
        return []
    first, several = plan.seam.pieces[0].name, len(plan.seam.pieces) > 2
    when = "Each joint's before the first of its two pieces" if several else "Built on the master before any rubber"
    story: list[Flowable] = [*heading("The wall", f"{when}; seam by seam, skin to rim.")]
    story.append(facts_table(wall_facts(plan, wall), inner))
    if several:
        story += [Spacer(1, 6), _joints(plan, wall, inner)]
    story.append(Spacer(1, 6))
    story += [set_text(words, size=8.6) for words in _how_to(wall, first, several)]
    for at, piece in enumerate(plan.seam.pieces):
        own = _beside(plan, wall, at)
        title = heading(f"Wall map, seen from the {piece.name}", _map_words(own))
        story += [PageBreak(), *title, _map(plan, own, piece.pull, inner)]
    return [*story, PageBreak(), *heading("Stations", _table_note(plan)), _stations(wall, inner, plan)]


def _beside(plan: MouldPlan, wall: Wall, piece: int) -> Wall:
    """What of the wall stands along a piece's joints."""
    lines = {number for number, line in enumerate(plan.seam.lines) if piece in line.between}
    return replace(
        wall,
        pieces=tuple(p for p in wall.pieces if p.line in lines),
        stations=tuple(s for s in wall.stations if s.line in lines),
    )


def _joints(plan: MouldPlan, wall: Wall, inner: float) -> Flowable:
    """Which stations and pieces stand along which joint, and before which piece its wall is built."""
    rows = []
    for number in dict.fromkeys(s.line for s in wall.stations):
        line, stations = plan.seam.lines[number], [s.number for s in wall.stations if s.line == number]
        one, other = (plan.seam.pieces[k].name for k in line.between)
        built = "; ".join(_built_of([p for p in wall.pieces if p.line == number])) or "clay alone"
        rows.append((f"{one}, {other}", metres(line.length_mm), f"{stations[0]} to {stations[-1]}", built, one))
    widths = [share * inner for share in (0.30, 0.10, 0.12, 0.29, 0.19)]
    return ruled_table(("Joint", "Long", "Stations", "Built of", "Built before"), rows, widths, size=7.6, tight=True)


def _built_of(pieces: Sequence[WallPiece]) -> list[str]:
    """Boards, strips and ribs by their numbers: 'board W1; strips W2, W4; ribs R1 to R7'."""
    said = []
    for kind in ("board", "strip", "rib"):
        if names := [p.name for p in pieces if p.kind == kind]:
            said.append(f"{kind if len(names) == 1 else kind + 's'} {_run_of(names)}")
    return said


def _run_of(names: Sequence[str]) -> str:
    """Numbers that follow each other as 'W1 to W3', others one by one."""
    runs: list[list[str]] = []
    for name in names:
        if runs and int(name[1:]) == int(runs[-1][-1][1:]) + 1:
            runs[-1].append(name)
        else:
            runs.append([name])
    return ", ".join(f"{run[0]} to {run[-1]}" if len(run) > 2 else ", ".join(run) for run in runs)


def wall_facts(plan: MouldPlan, wall: Wall) -> list[tuple[str, str]]:
    """What the wall is, as label and words."""
    count = {k: sum(p.kind == k for p in wall.pieces) for k in ("board", "strip", "rib")}
    closer = "; closer where a strip bends or twists" if count["strip"] else ""
    bought = ", ".join(
        f"{lot.count + len(lot.too_large)} of {next(b.name for b in plan.catalogue.board if b.code == lot.code)}"
        for lot in wall.sheets
    )
    facts = [
        ("Kind", _kind_words(wall, count)),
        ("Width", f"{wall.width_mm:.0f} mm from the skin: both flanges and a working margin"),
        ("Skin edge", f"cut {wall.gap_mm:g} mm shy, closed with clay"),
        ("Built and calculated", _fit_words(wall)),
        ("Angle to the skin", _angle_words(wall)),
        ("Stations", f"{len(wall.stations)}, numbered along the seam{closer}"),
        ("Sheets", bought or "none"),
    ]
    if count["strip"] and wall.stretch > 0:
        facts.insert(4, ("Stretch", f"{100 * wall.stretch:.1f} % at most where the sheet is bent"))
    over = f"{wall.clay_mm2 * 1e-6:.2f} m² of the wall over ribs, and " if wall.clay_mm2 > 0 else ""
    facts.insert(-1, ("Clay", f"{over}along the skin: about {max(wall.clay_mm3 * 1e-6, 0.1):.1f} litres"))
    return facts


def _kind_words(wall: Wall, count: dict[str, int]) -> str:
    ribs, share = f"clay on {count['rib']} ribs", f"{100 * wall.strip_share:.0f} % of the seam"
    if wall.rooted:
        return f"flat boards, {count['board']} pieces"
    if wall.kind == "clay on ribs":
        return ribs
    if wall.kind == "strips":
        return f"thin sheet bent along its marked lines, {count['strip']} pieces"
    sheet = [counted(count["board"], "flat board")] if count["board"] else []
    sheet += [f"thin sheet in {counted(count['strip'], 'strip')}"] if count["strip"] else []
    return f"{listed(sheet)} along {share}, {ribs if count['rib'] else 'clay'} elsewhere"


def _fit_words(wall: Wall) -> str:
    said, made = [], [f"{kind}s" for kind in ("board", "strip") if any(p.kind == kind for p in wall.pieces)]
    if wall.rooted:
        said.append("the boards lie in the parting surface itself")
        if wall.clay_root_mm > 0:
            said.append(f"it follows the clay roots, which rise {wall.clay_root_mm:.0f} mm off the boards at most")
    elif made:
        said.append(f"{listed(made)} within {wall.off_sheet_mm:.1f} mm of the parting surface")
    if wall.off_clay_mm > 0:
        said.append(f"clay drawn straight from rib to rib within {wall.off_clay_mm:.1f} mm")
    return "; ".join(said)


def _angle_words(wall: Wall) -> str:
    if wall.rooted_mm < 1.0:
        return f"{wall.flattest_deg:.0f}° or more"
    if wall.rooted:
        return (
            f"{wall.flattest_deg:.0f}° or more. A flat board would meet it at less than 60° along "
            f"{wall.rooted_mm / 1000:.2f} m of the seam: there it stops {wall.root_mm:.0f} mm short, and a clay root "
            "leaves the skin steeper, rises as the table of stations says half-way out, and runs out into the board"
        )
    where = f"less than 60° along {wall.rooted_mm / 1000:.2f} m of the seam (flattest {wall.flattest_deg:.0f}°)"
    return f"{where}: there shape the last {wall.root_mm:.0f} mm in clay, as square to the skin as it will go"


def _map_words(wall: Wall) -> str:
    """What the map's colours and numbers are."""
    kinds = {p.kind for p in wall.pieces}
    said = []
    if cut := [words for kind, words in (("board", "boards"), ("strip", "sheet")) if kind in kinds]:
        said.append(f"W: cut {listed(cut)}, green")
    if "rib" in kinds:
        said.append("R: ribs, under clay, sand")
    return "; ".join([*said, "numbers at the rim: stations"]) + "."


def _how_to(wall: Wall, first: str, several: bool) -> list[str]:
    side = "and the way up" if several else f"the way up, and the side that faces the {first}"
    lines = [
        "Mark the seam on the master by the table of stations. Every piece has its number, the edge that goes to the "
        f"skin, {side}; the stations on it stand on those of the seam.",
    ]
    if several:
        lines.append(
            "Where a piece stands already, its flange is the wall: what holds the wall stands on the side of the piece "
            "made later, and comes away before that is brushed. Where three joints meet two walls run out against each "
            "other."
        )
    if any(p.kind == "rib" for p in wall.pieces):
        lines.append(
            "Ribs stand square to the seam at their stations, on the far side of the wall; clay is drawn from rib to "
            "rib, 10 mm over them, and trued with a straight edge laid from the skin to the outer edge."
        )
    if several and any(p.kind != "rib" for p in wall.pieces):
        lines.append(
            "Boards and strips lean on props at their stations, on the same side: offcuts of the sheets, stood on the "
            "mould board or on what stands already, held with clay or hot glue."
        )
    if any(p.kind == "strip" for p in wall.pieces):
        lines.append("Strips bend along the lines drawn straight across them, and nowhere else.")
    lines.append("Close the skin edge with clay, square to the skin. Seal, wax; PVA film where the jacket meets it.")
    return lines


# --- the map ---------------------------------------------------------------------------------------------------


def _map(plan: MouldPlan, wall: Wall, pull: Sequence[float], inner: float) -> Placed:
    frame = pull_frame(np.asarray(pull, float))
    points = frame.to_frame(np.concatenate([plan.master.vertices_mm, _edges(wall)]))
    low, high = points[:, :2].min(axis=0) - 25.0, points[:, :2].max(axis=0) + 25.0
    scale = min(inner / (high[0] - low[0]), _MAP_HEIGHT / (high[1] - low[1]))
    height = float((high[1] - low[1]) * scale)
    left = (inner - (high[0] - low[0]) * scale) / 2
    picture, box = _shaded(plan, frame)

    def at(points_mm: np.ndarray) -> np.ndarray:
        return (frame.to_frame(np.asarray(points_mm, float).reshape(-1, 3))[:, :2] - low) * scale + (left, 0.0)

    def draw(canvas: Canvas) -> None:
        x, y = (box[:2] - low) * scale + (left, 0.0)
        wide, tall = (box[2:] - box[:2]) * scale
        canvas.drawImage(image_reader(picture), float(x), float(y), float(wide), float(tall))
        _draw_band(canvas, wall, at)
        for piece in wall.pieces:
            _draw_piece(canvas, plan, piece, wall, at)
        taken: list[tuple[float, float, float, float]] = []
        for station in wall.stations:
            taken.append(_draw_station(canvas, station, at, taken))
        for piece in wall.pieces:
            place = _place(plan, piece, wall, at)
            _tag(canvas, place, taken, piece.name, _CLAY if piece.kind == "rib" else _SHEET)

    return Placed(inner, height, draw)


def _edges(wall: Wall) -> np.ndarray:
    return np.array([[*s.outer_mm] for s in wall.stations])


def _shaded(plan: MouldPlan, frame: PullFrame) -> tuple[np.ndarray, np.ndarray]:
    """The master as seen against the pull, in pale greys ((rows, columns, 3) uint8), and its box in the frame."""
    points = frame.to_frame(plan.master.vertices_mm)
    grid = grid_around(points, float(np.ptp(points[:, :2], axis=0).max()) / _PICTURE_PX)
    top, _ = column_image(points, plan.master.faces, grid)
    seen = np.isfinite(top)
    rise_y, rise_x = np.gradient(np.where(seen, top, np.nan).astype(float), grid.pixel_mm)
    light = (0.45 * rise_x - 0.55 * rise_y + 1.0) / np.sqrt(1.0 + rise_x**2 + rise_y**2) / np.sqrt(1.5)
    grey = np.where(seen, 150.0 + 90.0 * np.clip(np.nan_to_num(light, nan=0.3), 0.0, 1.0), 255.0)
    half = grid.pixel_mm / 2
    box = np.array([grid.x0_mm - half, grid.y0_mm - half, grid.x()[-1] + half, grid.y()[-1] + half])
    return np.repeat(grey[::-1, :, None], 3, axis=2).astype(np.uint8), box


def _draw_band(canvas: Canvas, wall: Wall, at) -> None:
    """The wall from station to station, pale."""
    canvas.setFillColor(HexColor(_WALL))
    canvas.setFillAlpha(0.55)
    for one, other in _neighbours(wall.stations):
        _fill(canvas, at(np.array([one.inner_mm, one.outer_mm, other.outer_mm, other.inner_mm])))
    canvas.setFillAlpha(1.0)


def _neighbours(stations: Sequence[Station]) -> list[tuple[Station, Station]]:
    return [(a, b) for a, b in pairwise(stations) if a.line == b.line]


def _draw_piece(canvas: Canvas, plan: MouldPlan, piece: WallPiece, wall: Wall, at) -> None:
    colour = HexColor(_CLAY if piece.kind == "rib" else _SHEET)
    canvas.setStrokeColor(colour)
    canvas.setLineWidth(1.2 if piece.kind == "rib" else 0.9)
    if piece.kind == "rib":
        station = next(s for s in wall.stations if s.number == piece.marks[0].number)
        ends = at(np.array([station.inner_mm, station.outer_mm]))
        canvas.line(*ends[0], *ends[1])
        return
    if len(piece.inner_mm):
        outline = at(np.concatenate([piece.inner_mm, piece.outer_mm[::-1]]))
    else:
        frame = pull_frame(np.asarray(plan.seam.pieces[0].pull, float))
        flat = np.column_stack([piece.outline_mm, np.full(len(piece.outline_mm), plan.seam.plane_offset_mm)])
        outline = at(frame.to_master(flat))
    path = canvas.beginPath()
    path.moveTo(*outline[0])
    for x, y in outline[1:]:
        path.lineTo(x, y)
    path.close()
    canvas.setFillColor(HexColor("#bcd5d3"))
    canvas.setFillAlpha(0.65)
    canvas.drawPath(path, stroke=1, fill=1)
    canvas.setFillAlpha(1.0)


def _draw_station(
    canvas: Canvas, station: Station, at, taken: Sequence[tuple[float, float, float, float]]
) -> tuple[float, float, float, float]:
    """A station's line with its number, further out where another's is in its way; the box of the number."""
    ends = at(np.array([station.inner_mm, station.outer_mm]))
    canvas.setStrokeColor(HexColor(SOFT_INK))
    canvas.setLineWidth(0.35)
    way = ends[1] - ends[0]
    way = way / max(float(np.hypot(*way)), 1e-9)
    spots = [ends[1] + off * way for off in _NUMBER_OFF]
    boxes = [(float(x) - 3.5, float(y) - 2.5, float(x) + 3.5, float(y) + 2.5) for x, y in spots]
    k = next((k for k, box in enumerate(boxes) if not _met(box, taken)), 0)
    end = ends[1] if k == 0 else spots[k] - _NUMBER_OFF[0] * way
    canvas.line(*ends[0], *end)
    canvas.setFont(house_fonts()["regular"], 5.6)
    canvas.setFillColor(HexColor(INK))
    canvas.drawCentredString(float(spots[k][0]), float(spots[k][1]) - 2.0, str(station.number))
    return boxes[k]


def _met(box: tuple[float, float, float, float], others: Sequence[tuple[float, float, float, float]]) -> bool:
    return any(box[0] < o[2] and o[0] < box[2] and box[1] < o[3] and o[1] < box[3] for o in others)


def _place(plan: MouldPlan, piece: WallPiece, wall: Wall, at) -> tuple[float, float]:
    """Where a piece's name stands on the map."""
    if piece.kind == "rib":
        station = next(s for s in wall.stations if s.number == piece.marks[0].number)
        ends = at(np.array([station.inner_mm, station.outer_mm]))
        x, y = ends[0] + 0.66 * (ends[1] - ends[0])
    elif len(piece.inner_mm):
        middle = len(piece.inner_mm) // 2
        x, y = at((piece.inner_mm[middle] + piece.outer_mm[middle])[None] / 2)[0]
    else:
        marked = [s for s in wall.stations if s.number in {m.number for m in piece.marks}]
        station = marked[len(marked) // 2]
        x, y = at((np.array(station.inner_mm) + np.array(station.outer_mm))[None] / 2)[0]
    return float(x), float(y)


def _fill(canvas: Canvas, corners: np.ndarray) -> None:
    path = canvas.beginPath()
    path.moveTo(*corners[0])
    for x, y in corners[1:]:
        path.lineTo(x, y)
    path.close()
    canvas.drawPath(path, stroke=0, fill=1)


_NUMBER_OFF = (5.0, 13.0, 21.0, 29.0)  # points past the rim that a station's number stands
_ASIDE = (0.0, 11.0, 20.0, 30.0, 42.0)  # points that a tag stands off its place where another is in its way


def _tag(
    canvas: Canvas, place: tuple[float, float], taken: list[tuple[float, float, float, float]], word: str, colour: str
) -> None:
    """A piece's name at its place, or as near as no other stands, with a line to it."""
    size = 8.5 if word.startswith("W") else 5.6
    canvas.setFont(house_fonts()["strong"], size)
    wide, high = canvas.stringWidth(word) + 3.0, 1.2 * size
    spots = [(place[0] + off * np.cos(turn), place[1] + off * np.sin(turn))
             for off in _ASIDE for turn in (np.linspace(0.0, 2 * np.pi, 13)[:-1] if off else (0.0,))]  # fmt: skip
    boxes = [(u - wide / 2, v - high / 2, u + wide / 2, v + high / 2) for u, v in spots]
    k = next((k for k, b in enumerate(boxes) if not _met(b, taken)), 0)
    (x, y), box = spots[k], boxes[k]
    taken.append(box)
    canvas.setStrokeColor(HexColor(colour))
    canvas.setLineWidth(0.5)
    if k:
        canvas.line(float(place[0]), float(place[1]), float(x), float(y))
    canvas.setFillColor(HexColor("#ffffff"))
    canvas.roundRect(float(box[0]), float(box[1]), wide, high, 1.5, stroke=1, fill=1)
    canvas.setFillColor(HexColor(colour))
    canvas.drawCentredString(float(x), float(y) - 0.34 * size, word)


# --- the table -------------------------------------------------------------------------------------------------


def _table_note(plan: MouldPlan) -> str:
    many = " Each line of the seam is measured from its own start." if len(plan.seam.lines) > 1 else ""
    return (
        "Heights are above the board; along the seam with a tape on the skin, from station 1." + many
        + (" A clay root rises so far off the boards' plane, where it is highest."
           if plan.seam.kind == "plane" else " The wall leans so far over its width from square across the pull.")
    )  # fmt: skip


def _stations(wall: Wall, inner: float, plan: MouldPlan) -> Flowable:
    names = [[plan.seam.pieces[k].name for k in line.between] for line in plan.seam.lines]
    on: dict[int, list[str]] = {}
    for piece in wall.pieces:
        for mark in piece.marks:
            on.setdefault(mark.number, []).append(piece.name)
    rows = [
        (
            str(s.number),
            ", ".join(on.get(s.number, [])),
            f"{s.along_mm:.0f} mm",
            f"{max(s.on_seam_mm[2], 0.0):.0f} mm",
            f"{max(s.outer_mm[2], 0.0):.0f} mm",
            _towards(s.root_mm if wall.rooted else s.towards_mm, names[s.line]),
        )
        for s in wall.stations
    ]
    widths = [share * inner for share in (0.09, 0.16, 0.16, 0.16, 0.17, 0.26)]
    columns = (*_TABLE_COLUMNS[:-1], "Clay root rises") if wall.rooted else _TABLE_COLUMNS
    return ruled_table(columns, rows, widths, right=(2, 3, 4), size=7.6, tight=True)


def _towards(towards_mm: float, names: Sequence[str]) -> str:
    if abs(towards_mm) < 0.5:
        return "not at all"
    return f"{abs(towards_mm):.0f} mm to the {names[0] if towards_mm > 0 else names[1]}"
