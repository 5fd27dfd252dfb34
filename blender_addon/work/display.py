"""What is shown of each section: meshes and lines in plan millimetres, made by the core off the main thread."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

CURVE_STEP_MM = 22.0  # between points of the seam's curve: few enough to drag, close enough to keep the line


@dataclass(frozen=True, eq=False)
class Shape:
    """One object to show.

    vertices_mm : (n, 3); faces : (m, 3) or a list of polygons. `at_mm` is the object's origin in plan
    coordinates, `way` the unit pull it moves along and `reach_mm` how far at most. `thick_mm` : flat shapes
    are given this thickness by a modifier. `material_name` : names the material, the role where empty.
    """

    name: str
    role: str
    piece: int
    vertices_mm: np.ndarray
    faces: Any
    colour: tuple[float, float, float]
    smooth: bool = False
    at_mm: tuple[float, float, float] = (0.0, 0.0, 0.0)
    way: tuple[float, float, float] = (0.0, 0.0, 0.0)
    reach_mm: float = 0.0
    thick_mm: float = 0.0
    material_name: str = ""


@dataclass(frozen=True, eq=False)
class Line:
    """A run of the seam. points_mm : (k, 3); the first is not repeated."""

    name: str
    points_mm: np.ndarray
    closed: bool


@dataclass(frozen=True)
class Place:
    """A named place on a piece, moving with it. at_mm, way, reach_mm : as in `Shape`."""

    name: str
    piece: int
    at_mm: tuple[float, float, float]
    radius_mm: float
    way: tuple[float, float, float] = (0.0, 0.0, 0.0)
    reach_mm: float = 0.0


@dataclass(frozen=True, eq=False)
class Shown:
    """What a section puts on screen."""

    shapes: list[Shape] = field(default_factory=list)
    lines: list[Line] = field(default_factory=list)


def _reach(envelope: Any) -> float:
    """How far a piece moves off along its pull, full slider: beyond what lies under its outside."""
    rubber = np.where(np.isfinite(envelope.outer_mm), envelope.parting_mm, np.nan)
    return 1.25 * float(np.nanmax(envelope.outer_mm) - np.nanmin(rubber))


def _pull(envelope: Any) -> tuple[float, float, float]:
    x, y, z = envelope.frame.pull
    return float(x), float(y), float(z)


def _seam(done: dict[str, Any], progress: Any) -> Shown:
    from mouldloft.geometry.polyline import spaced_out

    lines = []
    for number, line in enumerate(done["seam"].lines, 1):
        points = spaced_out(line.points_mm, line.closed, CURVE_STEP_MM)
        lines.append(Line(f"Seam {number}", points, line.closed))
    return Shown(lines=lines)


def _wall(envelope: Any, thick_mm: float) -> tuple[np.ndarray, np.ndarray]:
    """The wall as it stands: the parting surface over the flange, a board thick behind it."""
    from mouldloft.solids.shapes import solid_between

    front = np.where(envelope.flange, envelope.parting_mm, np.nan)
    return solid_between(front - thick_mm, front, envelope.frame, envelope.origin_mm, envelope.pixel_mm)


def _glove(done: dict[str, Any], progress: Any) -> Shown:
    from types import SimpleNamespace

    from mouldloft.outputs.look import BEAD, PLASTER, rgb
    from mouldloft.outputs.pictures.joint import bead_mesh
    from mouldloft.solids.shapes import halved

    rubber = done["bare_rubber"]
    shapes = _glove_shapes(done["master"], rubber.envelopes, 120_000, progress)
    first = rubber.envelopes[0]
    vertices, faces = _wall(halved(first, 70_000), 12.0)
    shapes.append(Shape("Wall", "wall", first.piece, vertices, faces, rgb(PLASTER)))
    vertices, faces = bead_mesh(SimpleNamespace(rubber=rubber))  # type: ignore[arg-type]  # it reads nothing else
    if len(faces):
        shapes.append(Shape("Bead", "bead", -1, vertices, faces, rgb(BEAD), True))
    return Shown(shapes)


def _glove_shapes(master: Any, envelopes: Any, most_faces: int, progress: Any) -> list[Shape]:
    """Gloves, hollow where the master is solid. most_faces : of the master that they are hollowed by."""
    from mouldloft.outputs.look import GLOVE, rgb
    from mouldloft.solids.shapes import fewer_faces, glove_mesh, halved

    cut = fewer_faces(master.vertices_mm, master.faces, most_faces) if master.volume_mm3 > 0 else None
    shapes = []
    for at, envelope in enumerate(envelopes):
        progress.step(at / len(envelopes), f"shape of the {envelope.name}'s glove")
        vertices, faces = glove_mesh(halved(envelope, 70_000), cut)
        shapes.append(
            Shape(f"Glove, {envelope.name}", "glove", envelope.piece, vertices, faces, rgb(GLOVE), True,
                  way=_pull(envelope), reach_mm=_reach(envelope))
        )  # fmt: skip
    return shapes


def glove_at_a_look(done: dict[str, Any], level_mm: np.ndarray, brief: Any, progress: Any) -> tuple[float, Shown]:
    """A first look at the glove of a seam that was shaped: its rubber, mm³, and its shapes. level_mm : (n,) the line's.

    Raises the core's errors.
    """
    from mouldloft.stages.rubber import look_at_gloves
    from mouldloft.stages.seam.shaping import parted_along

    progress.begin("First look at the glove")
    master = done["master"]
    look = look_at_gloves(master, parted_along(master, done["seam"], level_mm), brief, progress.part(0.0, 0.6))
    return look.volume_mm3, Shown(_glove_shapes(master, look.envelopes, 20_000, progress.part(0.6, 1.0)))


def key_shapes(keys: Any, rubber: Any) -> list[Shape]:
    """One shape for each key, its origin at the key's foot so that moving it moves the foot."""
    from mouldloft.outputs.look import KEY, rgb
    from mouldloft.solids.shapes import key_mesh

    by_piece = {envelope.piece: envelope for envelope in rubber.envelopes}
    shapes = []
    for key in keys:
        envelope = by_piece[key.piece]
        vertices, faces = key_mesh(envelope, key)
        shapes.append(
            Shape(f"Key {key.name}", "key", key.piece, vertices - np.asarray(key.foot_mm), faces, rgb(KEY), True,
                  at_mm=key.foot_mm, way=_pull(envelope), reach_mm=_reach(envelope))
        )  # fmt: skip
    return shapes


def _keys(done: dict[str, Any], progress: Any) -> Shown:
    return Shown(key_shapes(done["keys"].keys, done["bare_rubber"]))


def _jacket(done: dict[str, Any], progress: Any) -> Shown:
    from mouldloft.outputs.look import JACKET, PLASTER, rgb
    from mouldloft.solids.shapes import halved, jacket_mesh
    from mouldloft.stages.cradle import board_in_plan, rail_in_plan

    rubber, keys, jacket, cradle = (done[name] for name in ("bare_rubber", "keys", "jacket", "cradle"))
    by_piece = {envelope.piece: envelope for envelope in rubber.envelopes}
    shapes = []
    for at, piece in enumerate(jacket.pieces):
        progress.step(at / len(jacket.pieces), f"shape of the {piece.name}'s jacket")
        envelope = by_piece[piece.piece]
        thick = max(zone.thickness_mm for zone in piece.zones)
        vertices, faces = jacket_mesh(halved(envelope, 70_000), keys.keys, thick)
        shapes.append(
            Shape(f"Jacket, {piece.name}", "jacket", piece.piece, vertices, faces, rgb(JACKET), True,
                  way=_pull(envelope), reach_mm=2.0 * _reach(envelope))
        )  # fmt: skip
    for piece in cradle.pieces:
        envelope = by_piece[piece.piece]
        members = [(board, board_in_plan(board, piece, envelope)) for board in piece.boards]
        members += [(rail, rail_in_plan(rail, piece, envelope)) for rail in piece.rails]
        for member, outline in members:
            shapes.append(
                Shape(f"Cradle, {envelope.name}, {member.name}", "cradle", piece.piece, outline,
                      [list(range(len(outline)))], rgb(PLASTER), way=_pull(envelope),
                      reach_mm=2.0 * _reach(envelope), thick_mm=member.thickness_mm)
            )  # fmt: skip
    return Shown([*shapes, *_loose_pieces(done, by_piece), *_bolts(jacket)])


def _loose_pieces(done: dict[str, Any], by_piece: dict[int, Any]) -> list[Shape]:
    """The inserts between gloves and jackets, each by its name and weight."""
    from mouldloft.base.figures import kg
    from mouldloft.outputs.look import LOOSE, rgb
    from mouldloft.solids.shapes import loose_meshes

    found, weights = done["bare_rubber"].loose, {shell.name: shell.mass_kg for shell in done["jacket"].loose}
    shapes = []
    for envelope in by_piece.values():
        own = [one for one in found if one.piece == envelope.piece]
        for one, (vertices, faces) in zip(own, loose_meshes(envelope, own)):
            name = f"{one.name[:1].upper()}{one.name[1:]}, {kg(weights[one.name])}"
            shape = Shape(name, "loose", one.piece, vertices, faces, rgb(LOOSE), material_name="loose piece")
            shapes.append(_off_loose(shape, one, envelope))
    return shapes


def _bolts(jacket: Any) -> list[Shape]:
    """The bolts through the flanges and through the one on the board, as long as they are bought; they stay where they
    are while pieces move off."""
    from mouldloft.outputs.look import BOLT, rgb
    from mouldloft.solids.shapes import joined, pin

    pins: dict[tuple, Any] = {}  # pieces that meet share theirs
    for piece in jacket.pieces:
        if jacket.bolt is not None:
            for at, axis in zip(piece.bolts_mm, piece.bolt_axes):
                own = tuple(round(v) for v in at)
                pins.setdefault(own, (at, axis, jacket.bolt))
        if jacket.foot_bolt is not None:
            for at in piece.foot_bolts_mm:
                pins.setdefault(tuple(round(v) for v in at), (at, (0.0, 0.0, 1.0), jacket.foot_bolt))
    if not pins:
        return []
    vertices, faces = joined(
        pin(np.asarray(at), np.asarray(axis), bolt.size.diameter_mm / 2.0, bolt.length_mm)
        for at, axis, bolt in pins.values()
    )
    return [Shape("Bolts", "bolt", -1, vertices, faces, rgb(BOLT))]


def _solids(done: dict[str, Any], progress: Any) -> Shown:
    from mouldloft.outputs.look import GLOVE, JACKET, LOOSE, PLASTER, rgb

    colours = {"glove": ("glove", GLOVE), "jacket": ("jacket", JACKET), "loose piece": ("loose piece", LOOSE)}
    envelopes = {envelope.piece: envelope for envelope in done["bare_rubber"].envelopes}
    moving: dict[str, int] = {}
    for cradle in done["cradle"].pieces:
        moving |= {f"cradle board, {board.name}": cradle.piece for board in cradle.boards}
        moving |= {f"cradle rail, {rail.name}": cradle.piece for rail in cradle.rails}
    loose = {piece.name: piece for piece in done["bare_rubber"].loose}
    shapes = []
    for solid in done["solids"]:
        own = next((e.piece for e in envelopes.values() if solid.name.endswith(f", {e.name}")), -1)
        stays = solid.kind in ("master half", "baseboard")  # the rest goes with its piece
        envelope = None if stays else envelopes.get(moving.get(solid.name, own))
        material_name, colour = colours.get(solid.kind, ("wall", PLASTER))
        shape = Shape(
            f"Solid {solid.name}", "solid", -1, solid.vertices_mm, solid.faces, rgb(colour), material_name=material_name
        )
        if envelope is not None:
            reach = _reach(envelope) * (1.0 if solid.kind == "glove" else 2.0)
            shape = replace(shape, piece=envelope.piece, way=_pull(envelope), reach_mm=reach)
        if solid.name in loose:
            shape = _off_loose(shape, loose[solid.name], envelopes[loose[solid.name].piece])
        shapes.append(shape)
    return Shown(shapes)


def _off_loose(shape: Shape, piece: Any, envelope: Any) -> Shape:
    """A loose piece goes with its glove, and off it along its own pull."""
    move = _reach(envelope) * np.array(_pull(envelope)) + np.asarray(piece.drawn_off_mm)
    reach = float(np.linalg.norm(move))
    x, y, z = move / reach
    return replace(shape, piece=envelope.piece, way=(float(x), float(y), float(z)), reach_mm=reach)


_SHOWN = {"seam": _seam, "glove": _glove, "keys": _keys, "jacket": _jacket, "solids": _solids}


def shown_of(key: str, done: dict[str, Any], progress: Any) -> Shown:
    """What a section shows; empty for those that only reckon."""
    make = _SHOWN.get(key)
    return make(done, progress) if make else Shown()


# --- the map's colours ------------------------------------------------------------------------------------

# Told apart by lightness and by blue against yellow, which the common colour-vision deficiencies leave.
FREE_AHEAD = "#4f86b8"
FREE_BEHIND = "#f0cd72"
FREE_BOTH = "#e9e6df"
LOCKED = "#42184a"


@dataclass(frozen=True, eq=False)
class Colours:
    """Linear colours (m, 4) float32 for each face, the legend that goes with them, and the direction they are of."""

    per_face: np.ndarray
    legend: dict[str, Any]
    way: tuple[float, float, float] = (0.0, 0.0, 0.0)


def map_colours(kind: str, done: dict[str, Any]) -> Colours:
    """Colours of a map over the skin, one of `settings.MAPS`; the kinds beyond FREES need the seam's locks (KeyError
    otherwise)."""
    make = {"PIECES": _pieces, "FREES": _frees}.get(kind)
    made = make(done) if make else _scale(kind, done)
    x, y, z = done["undercut"].direction if "undercut" in done else (0.0, 0.0, 0.0)
    return replace(made, way=(float(x), float(y), float(z)))


def linear_colours(colours: list[str]) -> np.ndarray:
    """(k, 4) float32 linear colours of '#rrggbb' ones."""
    from mouldloft.outputs.look import rgb, to_linear

    srgb = np.array([rgb(colour) for colour in colours])
    return np.column_stack([to_linear(srgb), np.ones(len(srgb))]).astype(np.float32)


def frees_legend(direction: Any, locked_fraction: float) -> dict[str, Any]:
    """Legend of the map of what each pull frees."""
    from mouldloft.base.figures import percent
    from mouldloft.stages.seam.place import name_pieces

    names = name_pieces(np.asarray(direction, float))
    words = [
        f"free along the {names[0]}'s pull",
        f"free along the {names[1]}'s pull",
        "free either way",
        f"locked for both: {percent(locked_fraction)} of the skin",
    ]
    return {"title": "Which pull frees it", "swatches": list(zip((FREE_AHEAD, FREE_BEHIND, FREE_BOTH, LOCKED), words))}


def _frees(done: dict[str, Any]) -> Colours:
    field = done["undercut"]
    ahead, behind = field.free_plus > 0.5, field.free_minus > 0.5
    number = np.where(ahead & behind, 2, np.where(ahead, 0, np.where(behind, 1, 3)))
    colours = [FREE_AHEAD, FREE_BEHIND, FREE_BOTH, LOCKED]
    return Colours(linear_colours(colours)[number], frees_legend(field.direction, field.locked_fraction))


# Eight that common colour-vision deficiencies leave apart, by lightness and blue against yellow.
_PIECE_COLOURS = ("#4f86b8", "#f0cd72", "#42184a", "#e9e6df", "#8d6a9f", "#a8814c", "#1f4e5f", "#c9d9e8")


def _pieces(done: dict[str, Any]) -> Colours:
    """Which piece takes which skin: of the proposal where there is one, else of the seam."""
    division, seam = done.get("division"), done["seam"]
    held = division.shares if division else seam.pieces
    labels = (division or seam).labels
    words = [f"{piece.name}, {100 * piece.share:.0f} % of the skin" if division else piece.name for piece in held]
    legend = {
        "title": "Pieces proposed" if division else "Pieces",
        "swatches": list(zip(_PIECE_COLOURS, words)),
    }
    return Colours(linear_colours(list(_PIECE_COLOURS))[np.asarray(labels, np.int64)], legend)


def candidate_colours(done: dict[str, Any], at: int) -> Colours:
    """Which piece takes which skin with one of the seams that the planned one was chosen from."""
    from .lines import SEAM_NAMES

    seam = done["seam"]
    found = seam.candidates[at]
    words = [piece.name for piece in seam.pieces[:2]]
    title = f"Pieces, seam {SEAM_NAMES.get(found.kind, found.kind).lower()}" + (
        "" if found.chosen else " (not planned)"
    )
    colours = linear_colours(list(_PIECE_COLOURS))[np.asarray(found.labels, np.int64)]
    return Colours(colours, {"title": title, "swatches": list(zip(_PIECE_COLOURS, words))})


def _scale(kind: str, done: dict[str, Any]) -> Colours:
    from mouldloft.base.figures import round_step
    from mouldloft.outputs.look import lock_colours, to_linear

    locks = done["locks"]
    title, values, unit = {
        "DEPTH": ("Depth of the undercut", locks.depth_mm, "mm"),
        "STRETCH": ("Stretch of the rubber", 100.0 * locks.stretch, "%"),
        "FILL": ("Undercut fill", locks.fill_mm, "mm"),
    }[kind]
    end = 4.0 * round_step(max(float(np.max(values, initial=0.0)), 1e-3))
    srgb = lock_colours(np.linspace(0.0, 1.0, 256))
    table = np.column_stack([to_linear(srgb), np.ones(256)]).astype(np.float32)
    index = np.clip(values * (255.0 / end) + 0.5, 0, 255).astype(np.int32)
    marks = ["free", *(f"{end * k / 4:g}" for k in (1, 2, 3)), f"{end:g} {unit}"]
    note = f"{100 * locks.stretch_allowed:.0f} % is allowed" if kind == "STRETCH" else ""
    return Colours(table[index], ramp(title, srgb, marks, note))


def ramp(title: str, srgb: np.ndarray, marks: list[str], note: str) -> dict[str, Any]:
    """Legend of a scale. srgb : (256, 3) along it; marks : five, evenly along it."""
    ramp = [[round(float(v), 4) for v in colour] for colour in srgb[::8]]
    return {"title": title, "ramp": ramp, "marks": marks, "note": note}


@dataclass(frozen=True, eq=False)
class Clay:
    """A scan of the finished clay against its plan, in the plan's millimetres: (n, 3) vertices, (m, 3) faces, linear
    colours (n, 4) float32, their legend, the places that differ, and what is said of them in sentences."""

    vertices_mm: np.ndarray
    faces: np.ndarray
    colours: np.ndarray
    legend: dict[str, Any]
    places: list[Place]
    said: list[str]
    listed: list[str]
    planned_height_mm: float


@dataclass(frozen=True, eq=False)
class Thickness:
    """The glove's thickness as shown: linear colours (n, 4) float32 for the vertices of each piece's glove by its
    number, the thin places, and the legend."""

    per_vertex: dict[int, np.ndarray]
    thin: list[Place]
    legend: dict[str, Any]


def thickness_shown(done: dict[str, Any], brief: Any, glove_mm: dict[int, np.ndarray], progress: Any) -> Thickness:
    """Measure the glove and colour it. glove_mm : by piece, (n, 3) points of the glove as drawn, plan millimetres.

    Print and flange keep the glove's own colour: they are further from its outside than nearly a skin's thickness.
    """
    from types import SimpleNamespace

    from mouldloft.base.figures import counted, mm
    from mouldloft.outputs.look import thickness_colours, to_linear
    from mouldloft.outputs.pictures.thickness import least_words, thickness_view

    rubber = done["bare_rubber"]
    glove: Any = SimpleNamespace(master=done["master"], seam=done["seam"], rubber=rubber, brief=brief)
    progress.begin("Thickness")
    view = thickness_view(glove, progress)
    colours: dict[int, np.ndarray] = {}
    thin: list[Place] = []
    for at, (piece, envelope) in enumerate(zip(view.pieces, rubber.envelopes)):
        progress.step(at / len(view.pieces), f"colours of the {piece.name}'s glove")
        points = glove_mm.get(piece.piece, np.zeros((0, 3)))
        linear = to_linear(view.colours_on(at, points, 0.9 * rubber.skin_thickness_mm))
        colours[piece.piece] = np.column_stack([linear, np.ones(len(points))]).astype(np.float32)
        thin += [
            Place(f"Thin {number}: {t.thickness_mm:.1f} of {mm(t.asked_mm)}", piece.piece, t.point_mm,
                  2.0 * rubber.skin_thickness_mm, _pull(envelope), _reach(envelope))
            for number, t in enumerate(piece.thin, len(thin) + 1)
        ]  # fmt: skip
    marks = [f"{tick:.3g}" for tick in view.ticks_mm()]
    marks[-1] += " mm or more"
    note = least_words(glove) + (f"; {counted(len(thin), 'thin place')} marked" if thin else "")
    srgb = thickness_colours(np.linspace(0.0, 1.0, 256))
    return Thickness(colours, thin, ramp("Thickness of the glove", srgb, marks, note))
