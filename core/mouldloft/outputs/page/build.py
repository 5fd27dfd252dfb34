"""The interactive page: one HTML file that needs no network, with the mould to turn, hide and pull apart."""

from __future__ import annotations

import base64
import weakref
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from pathlib import Path
from string import Template
from typing import Any

import numpy as np

from ...base.figures import (
    cm2,
    counted,
    kg,
    kg_lb,
    listed,
    litres,
    metres_by,
    mm,
    mm_by,
    money,
    number,
    percent,
    strain_by_rule,
)
from ...base.files import write_text
from ...base.progress import SILENT, Progress
from ...base.threads import meanwhile
from ...geometry.facets import nearest_values
from ...geometry.frame import unit
from ...geometry.polyline import spaced_out
from ...solids.shapes import Body, body_of, lightened, lock_share
from ...stages.jacket.zones import rib_words
from ...stages.peel import played
from ...stages.plan import MouldPlan
from ...stages.seam.record import SeamLine
from ...trade.lifting import hands_words
from ..bolts import bolt_words, pitch_words
from ..clay import PATCHES_LISTED, clay_colours, clay_head, clay_scale_words, clay_ticks, patch_words
from ..keptclear import clear_patch
from ..look import (
    BACKDROP,
    BEAD,
    BOLT,
    CLEAR,
    GLOVE,
    JACKET,
    KEY,
    LOCK_STOPS,
    LOOSE,
    OFF_STOPS,
    PATCH,
    PLASTER,
    RIB,
    SEAM,
    STRETCH_STOPS,
    THICKNESS_STOPS,
    WALL,
    WEDGE,
    lock_colours,
    rgb,
)
from ..peelwords import glove_line, peel_rows
from ..pictures.apart import apart_steps_mm
from ..pictures.bodies import MeshPair, jacket_body, kept, light_master, mould_meshes
from ..pictures.locks import lock_scale_end_mm
from ..pictures.peel import frame_words, glove_to_peel
from ..pictures.studio import set_up
from ..pictures.thickness import least_words, thickness_view
from ..pictures.views import seam_jpeg
from ..ridges import ridge_words
from ..whereabouts import undercut_words
from ..words import (
    caution_lines,
    loose_words,
    opening_line,
    rubber_line,
    run_line,
    said_first,
    seam_sentences,
    size_line,
    stands_words,
    title_of,
    weight_words,
)
from .candidates import candidates_list, kept_clear_part
from .jointsection import joint_svg
from .template import asset, fields_in, fonts, script_json
from .turns import bolt_marks, turn_of, turns
from .wall import wall_marks, wall_mesh

MOST_SHELL_FACES = 80_000
_MOST_HOLLOWS = 16_000  # places of a body where what it sees of the sky is worked out
LOCKS_LISTED = 8
_SEAM_POINTS = 1600  # over all lines
_PEEL_FACES = 9_000
_APART = 0.62  # how far it is pulled apart to begin with, so that every part is seen
_SHADE = 0.52  # how dark the deepest hollow is beside open surface


def write_page(plan: MouldPlan, path: str | Path, progress: Progress = SILENT, before: str | None = None) -> Path:
    """Write the page, with all it needs inside. before : as in `page_text`. Raises `OutputRefused`, `Cancelled`."""
    return write_text(path, page_text(plan, progress, before))


def page_text(plan: MouldPlan, progress: Progress = SILENT, before: str | None = None) -> str:
    """The page as HTML text. Names and words of the user are escaped for HTML and for the script's data.

    before : the page of a plan that differs in its prices at most; its shapes and pictures are taken as they are.
    """
    fields = fields_in(before) if before is not None else {}
    if not fields:
        fields = _drawn_fields(plan, progress)
    fields |= {
        "title": escape(title_of(plan)),
        "subtitle": escape(f"{mm_by(plan.master.height_mm, plan.brief.job.units)} tall, {run_line(plan)}"),
        "signs": _signs(plan),
        "panel": _panel(plan),
        "footer": escape(_footer(plan)),
    }
    text = Template(asset("page.html")).substitute(fields)
    progress.step(1.0)
    return text


def _drawn_fields(plan: MouldPlan, progress: Progress) -> dict[str, str]:
    """What of the page no price changes: shapes, picture, scales, and all that is the same on every page."""
    progress.step(0.05, "shapes for the page")
    block = _Block()
    shown = meanwhile(lambda own: _bodies(plan, block, own), progress)
    progress.step(0.8, "the page's picture")
    return {
        "fonts": fonts(),
        "css": asset("page.css"),
        "poster": base64.b64encode(seam_jpeg(plan, 720, 840)).decode("ascii"),
        "ramp": ", ".join(LOCK_STOPS),
        "ticks": _ticks(plan),
        "thick_ramp": ", ".join(THICKNESS_STOPS),
        "thick_ticks": "".join(f"<span>{tick:.3g}</span>" for tick in thickness_view(plan).ticks_mm()[:-1])
        + f"<span>{thickness_view(plan).high_mm:.3g} mm +</span>",
        "stretch_ramp": ", ".join(STRETCH_STOPS),
        "stretch_ticks": _stretch_ticks(plan),
        "least": escape(least_words(plan)),
        "off_ramp": ", ".join(OFF_STOPS),
        "off_ticks": "".join(f"<span>{escape(tick)}</span>" for tick in (clay_ticks(plan.clay) if plan.clay else ())),
        "off_words": escape(clay_scale_words(plan.clay) if plan.clay else ""),
        "data": script_json(_data(plan, shown)),
        "shapes": base64.b64encode(meanwhile(lambda _: zlib.compress(bytes(block.data), 6), progress)).decode("ascii"),
        "three": asset("three.bundle.js"),
        "script": asset("page.js"),
    }


# --- shapes ----------------------------------------------------------------------------------------------


class _Block:
    """One run of bytes with arrays at places a multiple of four."""

    def __init__(self) -> None:
        self.data = bytearray()

    def add(self, values: np.ndarray) -> int:
        """Append an array; returns where it starts."""
        self.data.extend(b"\0" * (-len(self.data) % 4))
        at = len(self.data)
        self.data.extend(np.ascontiguousarray(values).tobytes())
        return at


@dataclass(frozen=True)
class _Shown:
    """What of the block is what: bodies for the page, seam lines, and where the lock colours start."""

    bodies: list[dict[str, Any]]
    seam: list[dict[str, Any]]
    lock_colours: int
    peel: list[dict[str, Any]]
    clay_colours: int | None  # where the master is a scan: how far it is off its plan


def _bodies(plan: MouldPlan, block: _Block, progress: Progress) -> _Shown:
    bodies = []
    vertices, faces = light_master(plan)
    master = body_of("master", vertices, faces, rgb(PLASTER))
    words = f"Master: {mm(plan.master.height_mm)} tall, {number(plan.master.skin_area_mm2 / 1e6)} m² of skin"
    bodies.append(_packed(master, block, "master", words))
    if (patch := clear_patch(plan, master)) is not None:
        bodies.append(_packed(body_of("clear", *patch, rgb(CLEAR)), block, "clear", "Kept clear of the seam"))
    share = lock_share(plan.master, plan.locks.depth_mm, lock_scale_end_mm(plan))
    near = nearest_values(master.vertices_mm, plan.master.vertices_mm, share)
    shade = _hollows(master)
    locks_at = block.add(_bytes_of(lock_colours(near), shade))
    clay_at = None
    if plan.clay is not None:
        off = nearest_values(master.vertices_mm, plan.master.vertices_mm, plan.clay.off_mm)
        clay_at = block.add(_bytes_of(clay_colours(plan.clay, off), shade))
    for at, (envelope, piece) in enumerate(zip(plan.rubber.envelopes, plan.jacket.pieces)):
        progress.step(0.2 + 0.5 * at / len(plan.jacket.pieces), f"shapes of the {envelope.name}")
        meshes, first = mould_meshes(plan), len(bodies)
        pull = unit(envelope.frame.pull)
        steps = [distance * pull for distance in apart_steps_mm(plan, at)]
        part = plan.rubber.parts[at]
        glove = body_of(envelope.name, *_lightened(meshes.gloves[at], meshes.fine_mm[at]), rgb(GLOVE))
        said = f"Glove, {envelope.name}: {kg(piece.rubber_mass_kg)} of rubber, {litres(part.total_mm3)}"
        packed = _packed(glove, block, f"glove{at}", said, steps[0])
        thick = thickness_view(plan).colours_on(at, glove.vertices_mm)
        bodies.append(packed | {"thickness": block.add(_bytes_of(thick, _hollows(glove)))})
        keys = [key for key in plan.keys.keys if key.piece == envelope.piece]
        if keys:
            tabs = body_of("keys", *meshes.keys[at], rgb(KEY))
            marks = [
                {
                    "at": [round(v, 1) for v in key.foot_mm],
                    "name": key.name,
                    "words": f"Key {key.name}: {mm(key.base_diameter_mm)} across its foot, {mm(key.height_mm)} high",
                }
                for key in keys
            ]
            bodies.append(_packed(tabs, block, "keys", f"Keys, {envelope.name}", steps[0], marks))
        shell = jacket_body(plan, at, _lightened(meshes.jackets[at], meshes.fine_mm[at]))
        said = f"Jacket, {piece.name}: {kg(piece.mass_kg)}, {counted(len(piece.bolts_mm), 'bolt')}"
        bodies.append(_packed(shell, block, f"jacket{at}", said, steps[1]))
        if piece.ribs:
            cores = body_of("ribs", *meshes.ribs[at], rgb(RIB))
            bodies.append(_packed(cores, block, "ribs", f"Jacket, {piece.name}: {rib_words(piece.ribs)}", steps[1]))
        marks = bolt_marks(plan.jacket, at)
        if marks and len(meshes.bolts[at][0]):
            bolts = body_of("bolts", *meshes.bolts[at], rgb(BOLT))
            said = f"Bolts, {pitch_words(plan, at)}"
            bodies.append(_packed(bolts, block, "bolts", said, steps[2], marks))
        bodies += _joint_bodies(plan, at, block, steps)
        bodies += _loose_bodies(plan, at, block, steps)
        for body in bodies[first:]:
            body["turn"] = turn_of(plan, envelope.name, body["part"])
    bodies += _wall_bodies(plan, block)
    peel = _peeled(plan, block, bodies)
    return _Shown(bodies, _seam_lines(plan, block, master), locks_at, peel, clay_at)


def _wall_bodies(plan: MouldPlan, block: _Block) -> list[dict[str, Any]]:
    """The wall with the numbers of its pieces; nothing where none is planned."""
    if plan.wall is None:
        return []
    surface = wall_mesh(plan, plan.wall)
    if not len(surface[0]):
        return []
    several = len(plan.seam.pieces) > 2
    when = "along each joint before the first of its two pieces" if several else "built before any rubber"
    said = f"Wall, {mm(plan.wall.width_mm)} wide, {when}"
    return [_packed(body_of("wall", *surface, rgb(WALL)), block, "wall", said, None, wall_marks(plan.wall))]


def _peeled(plan: MouldPlan, block: _Block, bodies: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """For each glove that was peeled a light body, put among `bodies`, and its places at every frame in 16 bits."""
    found = []
    for at, glove in enumerate(plan.peel.gloves if plan.peel is not None else ()):
        body = glove_to_peel(plan, at, _PEEL_FACES)
        words = f"Peel, {glove.name}: {glove_line(plan.peel, glove)}" if plan.peel else ""
        bodies.append(_packed(body, block, f"peel{at}", words))
        places = played(glove.motion, body.vertices_mm)
        low, high = places.min(axis=(0, 1)), places.max(axis=(0, 1))
        step = np.maximum(high - low, 1e-6) / 65535
        found.append(
            {
                "part": f"peel{at}",
                "label": glove.name[:1].upper() + glove.name[1:],
                "words": words,
                "vertices": len(body.vertices_mm),
                "frames": len(places),
                "low": [float(v) for v in low],
                "step": [float(v) for v in step],
                "at": block.add(np.rint((places - low) / step).astype("<u2")),
                "said": [frame_words(glove, k) for k in range(len(places))],
            }
        )
    return found


def _joint_bodies(plan: MouldPlan, at: int, block: _Block, steps: Sequence[np.ndarray]) -> list[dict[str, Any]]:
    """Bead, domes and wedges, which go with the later piece: they are its rubber's, the slots are in its glass."""
    meshes = mould_meshes(plan)
    bodies = []
    if len(meshes.ridges[at][0]):
        ridge = body_of("bead", *meshes.ridges[at], rgb(BEAD))
        bodies.append(_packed(ridge, block, "bead", ridge_words(plan, at), steps[0]))
    if len(meshes.wedges[at][0]):
        count = len(plan.jacket.pieces[at].wedge_points_mm)
        said = f"Wedge slots between the glass flanges: {count}, formed before this jacket is laid"
        wedges = body_of("wedges", *meshes.wedges[at], rgb(WEDGE))
        bodies.append(_packed(wedges, block, "wedges", said, steps[1]))
    return bodies


def _loose_bodies(plan: MouldPlan, at: int, block: _Block, steps: Sequence[np.ndarray]) -> list[dict[str, Any]]:
    """Loose pieces of one glove, drawn off along their own pull."""
    bodies = []
    for one, shell, mesh in zip(plan.rubber.loose, plan.jacket.loose, mould_meshes(plan).loose):
        if one.piece == plan.rubber.envelopes[at].piece:
            said = f"{one.name.capitalize()}: {kg(shell.mass_kg)}, in place of {litres(one.volume_mm3)} of rubber"
            off = steps[0] + one.drawn_off_mm
            bodies.append(_packed(body_of("loose", *mesh, rgb(LOOSE)), block, "loose", said, off))
    return bodies


def _lightened(mesh: MeshPair, fine_mm: float) -> MeshPair:
    """The mesh with flat parts thinned and long edges split, coarser and coarser until it is light enough."""
    return lightened(*mesh, 0.2 * fine_mm, 5.0 * fine_mm, MOST_SHELL_FACES)


_shades: weakref.WeakKeyDictionary = weakref.WeakKeyDictionary()


def _hollows(body: Body) -> np.ndarray:
    """(n,) how bright each vertex is for what it sees of the sky; found once for each body."""

    def found() -> np.ndarray:
        return _SHADE + (1 - _SHADE) * set_up([body], ground_mm=None, most_stands=_MOST_HOLLOWS).open_sky

    return kept(_shades, body, found)


def _bytes_of(colours: np.ndarray, shade: np.ndarray) -> np.ndarray:
    return np.rint(255 * np.clip(colours * shade[:, None], 0, 1)).astype(np.uint8)


def _packed(
    body: Body,
    block: _Block,
    part: str,
    words: str,
    pull_mm: np.ndarray | None = None,
    marks: Sequence[dict[str, Any]] = (),
) -> dict[str, Any]:
    """Put a body into the block: places in 16 bits over its own box, normals in 8, colours in 8, faces in 32."""
    low, high = body.vertices_mm.min(axis=0), body.vertices_mm.max(axis=0)
    step = np.maximum(high - low, 1e-6) / 65535
    places = {
        "vertices": block.add(np.rint((body.vertices_mm - low) / step).astype("<u2")),
        "normals": block.add(np.rint(body.normals * 127).astype(np.int8)),
        "colours": block.add(_bytes_of(body.colours, _hollows(body))),
        "faces": block.add(body.faces.astype("<u4")),
    }
    return {
        "part": part,
        "words": words,
        "vertices": len(body.vertices_mm),
        "faces": len(body.faces),
        "low": [float(v) for v in low],
        "step": [float(v) for v in step],
        "pull": [float(v) for v in (pull_mm if pull_mm is not None else np.zeros(3))],
        "turn": -1,
        "at": places,
        "marks": list(marks),
    }


def _seam_lines(plan: MouldPlan, block: _Block, master: Body) -> list[dict[str, Any]]:
    """Seam lines a little off the surface, so that the thinned master does not swallow them."""
    from scipy.spatial import cKDTree

    tree = cKDTree(master.vertices_mm)
    lift = 2.0e-3 * float(np.linalg.norm(plan.master.size_mm))
    step = max(plan.seam.length_mm / _SEAM_POINTS, 1.0)
    lines = []
    for candidate, drawn in enumerate(_seams_shown(plan)):
        for line in drawn:
            points = spaced_out(line.points_mm, line.closed, step)
            points = points + lift * master.normals[tree.query(points)[1]]
            at = block.add(points.astype("<f4"))
            lines.append({"at": at, "points": len(points), "closed": bool(line.closed), "candidate": candidate})
    return lines


def _seams_shown(plan: MouldPlan) -> list[tuple[SeamLine, ...]]:
    """The lines of the planned seam, then those of the other candidates in their order."""
    others = [candidate.lines for candidate in plan.seam.candidates if not candidate.chosen]
    return [plan.seam.lines, *others]


# --- what stands beside ----------------------------------------------------------------------------------


def _data(plan: MouldPlan, shown: _Shown) -> dict[str, Any]:
    size = float(np.linalg.norm(plan.master.size_mm))
    return {
        "bodies": shown.bodies,
        "seam": shown.seam,
        "peel": shown.peel,
        "lockColours": shown.lock_colours,
        "clayColours": shown.clay_colours,
        "parts": _parts(plan, shown),
        "locks": _lock_views(plan),
        "clay": _clay_views(plan),
        "backdrop": BACKDROP,
        "seamColour": SEAM,
        "size": size,
        "middle": [0.0, 0.0, plan.master.height_mm / 2],
        "foot": [float(v) for v in plan.master.size_mm[:2]],
        "apart": _APART,
        "turns": list(turns(plan)),
    }


def _parts(plan: MouldPlan, shown: _Shown) -> list[dict[str, Any]]:
    there = {body["part"] for body in shown.bodies}
    parts = [
        ("master", "Master", PLASTER, True),
        ("seam", "Seam", SEAM, True),
        ("clear", "Kept clear of the seam", CLEAR, False),
        ("locks", "Undercuts", LOCK_STOPS[2], False),
        ("thickness", "How thick the glove is", THICKNESS_STOPS[2], False),
    ]
    if plan.clay is not None:
        parts.append(("clay", "Scan against plan", OFF_STOPS[3], False))
    parts += [(f"glove{k}", f"Glove, {e.name}", GLOVE, True) for k, e in enumerate(plan.rubber.envelopes)]
    parts.append(("keys", "Keys", KEY, True))
    parts += [(f"jacket{k}", f"Jacket, {p.name}", JACKET, True) for k, p in enumerate(plan.jacket.pieces)]
    parts += [("ribs", "Ribs", RIB, True), ("bolts", "Bolts", BOLT, True)]
    if plan.rubber.loose:
        parts.append(("loose", "Loose pieces", LOOSE, True))
    ridges = "Bead" if len(plan.rubber.envelopes) <= 2 else "Domes"
    parts += [("bead", ridges, BEAD, True), ("wedges", "Wedge slots", WEDGE, True), ("wall", "Wall", WALL, False)]
    return [
        {"name": name, "label": label, "colour": colour, "shown": on}
        for name, label, colour, on in parts
        if name in there or name in ("seam", "locks", "thickness", "clay")
    ]


def _lock_views(plan: MouldPlan) -> list[dict[str, Any]]:
    """For each listed lock: words, middle, and a way to look at it (the mean way its faces look)."""
    master = plan.master
    views = []
    for region, name in zip(plan.locks.regions[:LOCKS_LISTED], undercut_words(plan)):
        weight = master.face_areas_mm2[region.faces][:, None]
        way = (master.normals[region.faces] * weight).sum(axis=0) if len(region.faces) else np.zeros(3)
        way = way / max(float(np.linalg.norm(way)), 1e-9)
        way = unit(way + np.array([0.0, -0.35, 0.15]))  # a little from in front and above: few look up from the floor
        views.append(
            {
                "words": _lock_words(region, name, plan.locks.elongation_at_break),
                "centre": [float(v) for v in region.centre_mm],
                "way": [float(v) for v in way],
            }
        )
    return views


def _clay_views(plan: MouldPlan) -> list[dict[str, Any]]:
    """For each place where the clay differs: words, middle, and a way to look at it."""
    if plan.clay is None:
        return []
    views = []
    for patch in plan.clay.patches[:PATCHES_LISTED]:
        away = np.linalg.norm(plan.master.vertices_mm[plan.master.faces[:, 0]] - patch.middle_mm, axis=1)
        near = away < max(np.sqrt(patch.area_mm2), float(away.min()) + 1.0)
        way = (plan.master.normals[near] * plan.master.face_areas_mm2[near][:, None]).sum(axis=0)
        way = unit(way / max(float(np.linalg.norm(way)), 1e-9) + np.array([0.0, -0.2, 0.15]))
        centre = [float(v) for v in patch.middle_mm]
        views.append({"words": patch_words(patch), "centre": centre, "way": [float(v) for v in way]})
    return views


def _clay_list(plan: MouldPlan) -> str:
    """Scan against plan beside the stage, as HTML; "" where the plan is of no scan."""
    if plan.clay is None:
        return ""
    said = "".join(f"<p>{escape(words)}</p>" for words in clay_head(plan.clay))
    rows = "".join(
        f'<li><button type="button" data-clay="{k}"><b>{k + 1}</b>'
        f"<span>{escape(patch_words(patch))}</span></button></li>"
        for k, patch in enumerate(plan.clay.patches[:PATCHES_LISTED])
    )
    return f"<h2>Scan against plan</h2>{said}" + (f'<ol class="locks">{rows}</ol>' if rows else "")


def _lock_words(region, name: str, breaks_at: float) -> str:
    return (
        f"{name}: {cm2(region.area_mm2)}, {mm(region.depth_mm)} deep, stretch by rule "
        f"{strain_by_rule(region.stretch, breaks_at)}, fill {litres(region.fill_mm3)}"
    )


def _signs(plan: MouldPlan) -> str:
    """The colour on the jackets that has no button of its own, as HTML."""
    layers = {len(z.layers) for p in plan.jacket.pieces if p.patches for z in p.zones if z.name == "patch"}
    if not layers:
        return ""
    words = f"Jacket laid heavier here: {listed(str(n) for n in sorted(layers))} layers"
    return f'<p class="sign"><i style="background:{PATCH}"></i>{escape(words)}</p>'


def _ticks(plan: MouldPlan) -> str:
    end = lock_scale_end_mm(plan)
    words = ["free", *(f"{end * (k / 4) ** 2:.3g}" for k in (1, 2, 3)), f"{end:.3g} mm"]
    return "".join(f"<span>{escape(w)}</span>" for w in words)


def _stretch_ticks(plan: MouldPlan) -> str:
    allowed = plan.locks.stretch_allowed
    words = ["no stretch", percent(allowed / 2), f"{percent(allowed)} allowed"]
    return "".join(f"<span>{escape(w)}</span>" for w in words)


def _list(pairs: Sequence[tuple[str, str]]) -> str:
    rows = "".join(f"<dt>{escape(name)}</dt><dd>{escape(words)}</dd>" for name, words in pairs)
    return f"<dl>{rows}</dl>"


def _panel(plan: MouldPlan) -> str:
    """The figures beside the stage, as HTML."""
    take, locks = plan.takeoff, plan.locks
    first = said_first(plan)
    said = ([first] if first else []) + list(seam_sentences(plan)[:2])
    parts = ["<h2>The seam</h2>", *(f"<p>{escape(words)}</p>" for words in said), candidates_list(plan)]
    parts += [kept_clear_part(plan), _clay_list(plan), joint_svg(plan), "<h2>The mould</h2>"]
    parts.append(
        _list(
            [
                ("Finished size", size_line(plan)),
                ("Opening", opening_line(plan)),
                ("Seam", metres_by(plan.seam.length_mm, plan.brief.job.units)),
                ("Rubber", rubber_line(plan)),
                ("Skin, edge", f"{mm(plan.rubber.skin_thickness_mm)}, {mm(plan.rubber.edge_thickness_mm)}"),
                ("Thinnest found", mm(thickness_view(plan).least_mm)),
                ("Keys", str(len(plan.keys.keys))),
                *peel_rows(plan),
                (
                    "Stretch by rule",
                    f"{strain_by_rule(locks.worst_stretch, locks.elongation_at_break)}; "
                    f"{percent(locks.stretch_allowed)} is allowed",
                ),
                ("Time", f"{counted(plan.programme.mould_days, 'day')}; run {counted(plan.programme.run_days, 'day')}"),
                ("Material", money(take.total_cost, take.currency)),
                ("One cast more", money(take.cost_next_cast, take.currency)),
            ]
        )
    )
    for at, piece in enumerate(plan.jacket.pieces):
        parts.append(f"<h2>{escape(piece.name[:1].upper() + piece.name[1:])}</h2>")
        parts.append(_list(_piece_figures(plan, at)))
    parts.append("<h2>One cast</h2>")
    parts.append(
        _list(
            [
                ("Mass", weight_words(plan.cast, plan.brief.job.units)),
                ("Wall", mm(plan.cast.thickness_mm)),
                ("Stands", stands_words(plan.cast, plan.brief.job.units)),
            ]
        )
    )
    if locks.regions:
        rows = "".join(
            f'<li><button type="button" data-lock="{k}"><b>{k + 1}</b>'
            f"<span>{escape(_lock_words(region, name, locks.elongation_at_break))}</span></button></li>"
            for k, (region, name) in enumerate(zip(locks.regions[:LOCKS_LISTED], undercut_words(plan)))
        )
        parts.append(f'<h2>Undercuts</h2><ol class="locks">{rows}</ol>')
    parts.append("<h2>Dangers</h2>")
    for hazard, sentence, defers in caution_lines(plan):
        name = escape(hazard[:1].upper() + hazard[1:])
        parts.append(
            f"<details><summary>{name}</summary><p>{escape(sentence)} "
            f'<span class="decides">What decides: {escape(defers)}.</span></p></details>'
        )
    return "\n".join(parts)


def _piece_figures(plan: MouldPlan, at: int) -> list[tuple[str, str]]:
    piece, part = plan.jacket.pieces[at], plan.rubber.parts[at]
    lift = piece.lift_with_glove
    hands = hands_words(lift.lifters_needed) if lift.passes else "lifted one after the other"
    own = sum(key.piece == piece.piece for key in plan.keys.keys)
    loose = [one for one in plan.jacket.loose if one.piece == piece.piece]
    return [
        ("Glove", f"{kg_lb(piece.rubber_mass_kg, plan.brief.job.units)}, {litres(part.total_mm3)}"),
        ("of it undercut fill", litres(part.lock_fill_mm3)),
        *((one.name.capitalize(), loose_words(one, plan.brief.job.units)) for one in loose),
        ("Keys", str(own)),
        ("Jacket", kg_lb(piece.mass_kg, plan.brief.job.units)),
        ("Bolts", bolt_words(plan, at)),
        ("Jacket with its glove", f"{kg_lb(lift.load_kg, plan.brief.job.units)}: {hands}"),
    ]


def _footer(plan: MouldPlan) -> str:
    return (
        "A plan, not a certificate: product data sheets, local codes and licensed practice come before it. "
        f"Master file {plan.master.source_hash[:10]}. {plan.made_by}. Drawn with three.js (MIT licence, in this file)."
    )
