"""Stage 4, seam: which piece owns each face, and the line between them."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ...base.kept import kept_with_owner
from ...base.marks import Assumption, Mark
from ...base.progress import SILENT, Progress
from ...base.stamp import stamp_of
from ...geometry.facegraph import face_graph, regions
from ...geometry.frame import unit
from ...geometry.rays import RayScene, ray_scene
from ...geometry.tautline import keep_off_vertices, smooth_level, tauten_level
from ...inputs.brief import SeamBrief
from ...trade.seamterms import SeamTerms, fair_rule, seam_terms
from ..lighter import LighterCopy, carry_to_light, carry_to_whole, lighten
from ..master import Master, skin_faces
from ..opening import Opening
from ..undercut import UndercutField
from ..visibility import how_it_shows
from .candidates import Bench, Judged, all_candidates, bench_of
from .draw import Canvas, Drawn, canvas_of, draw, with_solids
from .features import KeepClearProposal, find_features
from .free import LEAST_REGION
from .ground import Place, at_vertices, carried_to_whole, know_place, survey
from .ownline import read_keep_clear, read_level, read_own_lines, split_by_lines
from .reasons import in_words
from .record import Seam, SeamCandidate, SeamFigures, SeamLimits, SeamLine, SeamPiece

__all__ = [
    "Seam", "SeamCandidate", "SeamFigures", "SeamLimits", "SeamLine", "SeamPiece",
    "keep_clear_weights", "name_pieces", "place_seam", "seam_assumptions",
]  # fmt: skip

_SIDES = (("left piece", "right piece"), ("back piece", "front piece"), ("top piece", "bottom piece"))
SEARCHED_ON = 24_000  # triangles of the copy that seams are searched on


def name_pieces(direction: np.ndarray) -> tuple[str, str]:
    """Names by position, of the piece that pulls along +direction and of the other."""
    axis = int(np.argmax(np.abs(direction).round(9)))
    ahead, behind = _SIDES[axis]
    return (ahead, behind) if direction[axis] > 0 else (behind, ahead)


def keep_clear_weights(master: Master, brief: SeamBrief) -> np.ndarray | None:
    """(n,) weights from the brief's file, else as painted on the master, else round the features found on it."""
    if brief.keep_clear is not None:
        return read_keep_clear(brief.keep_clear, len(master.vertices_mm))
    if master.vertex_weights is not None or not brief.find_features:
        return master.vertex_weights
    return proposed_features(master).weights


@kept_with_owner(1)
def proposed_features(master: Master) -> KeepClearProposal:
    """The features found on a master; looked for once."""
    return find_features(master)


@dataclass(frozen=True, eq=False)
class SeamTable:
    """A master with its light copy: seams are searched on the copy and drawn on the master. canvas : of the whole
    master; direction : (3,)."""

    copy: LighterCopy
    bench: Bench
    canvas: Canvas
    direction: np.ndarray


class _Laid:
    """What was laid out for a seam that does not hang on which seam it is: kept with the master, for the next."""

    def __init__(self) -> None:
        self.table: SeamTable | None = None
        self.found: list[Judged] = []  # the seams of the search, drawn on the whole master, the best first


@kept_with_owner(2)
def _laid(master: Master, stamp: str) -> _Laid:
    return _Laid()


def lay_out(
    copy: LighterCopy, terms: SeamTerms, show: np.ndarray, clear: np.ndarray | None, scene: RayScene | None = None
) -> Place:
    """What holds for every direction, on the light copy. show : (m,) how much each face of the whole master shows;
    clear : (n,) keep-clear weights of it, or None; scene : of the whole master, if at hand."""
    at = carry_to_light(copy, at_vertices(copy.whole, show))
    light_clear = None if clear is None else carry_to_light(copy, clear)
    own = scene if copy.master is copy.whole else None
    return know_place(copy.master, terms, at, light_clear, own)


def seam_table(
    master: Master,
    field: UndercutField,
    brief: SeamBrief,
    terms: SeamTerms,
    direction: np.ndarray,
    progress: Progress = SILENT,
    scene: RayScene | None = None,
    show: np.ndarray | None = None,
) -> SeamTable:
    """The master with its light copy, ready to draw and judge seams on; made once for what it follows from.

    direction : (3,) unit; scene, show : as of `place_seam`. Raises `BriefRefused` where a file the brief names is not
    right.
    """
    return _laid_out(master, field, brief, terms, direction, progress, scene, show)[0]


def _laid_out(
    master: Master,
    field: UndercutField,
    brief: SeamBrief,
    terms: SeamTerms,
    direction: np.ndarray,
    progress: Progress,
    scene: RayScene | None,
    show: np.ndarray | None,
) -> tuple[SeamTable, _Laid]:
    scene = scene or ray_scene(master.vertices_mm, master.faces)
    if show is None:
        show = how_it_shows(master, brief, progress, scene)
    clear = keep_clear_weights(master, brief)
    stamp = stamp_of(direction, terms, show, clear, field.free_plus, field.free_minus, brief.plane_offset_mm)
    laid = _laid(master, stamp)
    if laid.table is None:
        progress.step(0.3, "a light copy")
        copy = lighten(master, SEARCHED_ON)
        place = lay_out(copy, terms, show, clear, scene)
        bench = bench_of(survey(place, direction, progress))
        laid.table = SeamTable(copy, bench, _canvas(bench, copy, clear, field), direction)
    return laid.table, laid


def _canvas(bench: Bench, copy: LighterCopy, clear: np.ndarray | None, field: UndercutField) -> Canvas:
    """The whole master to draw on."""
    if copy.master is copy.whole:
        return bench.canvas
    locked = np.stack([1.0 - field.free_plus, 1.0 - field.free_minus]).astype(float)
    locked[:, ~skin_faces(copy.whole)] = 0.0
    return canvas_of(carried_to_whole(bench.ground.place, copy, clear), bench.ground.direction, locked)


def _on_whole(table: SeamTable, judged: Judged, as_asked: bool = False) -> Judged:
    """A seam of the light copy, drawn on the whole master. as_asked : a plane stays exactly where it is."""
    copy = table.copy
    if copy.master is copy.whole:
        return judged
    whole = copy.whole
    drawn = judged.drawn
    if judged.offset_mm is not None:
        return _plane_on_whole(table, judged, as_asked)
    level = carry_to_whole(copy, drawn.level)
    level = tauten_level(whole.vertices_mm, whole.faces, level, fair_rule(max(whole.size_mm)).off_mm)
    return _redrawn(table, judged, draw(table.canvas, drawn.kind, level, board_mm=judged.board_mm))


def _plane_on_whole(table: SeamTable, judged: Judged, as_asked: bool) -> Judged:
    """A plane of the copy on the whole master; where it grazes what the copy has not, the cheapest close beside it."""
    assert judged.offset_mm is not None

    def at(offset_mm: float) -> Judged:
        level = table.copy.whole.vertices_mm @ table.direction - offset_mm
        drawn = draw(table.canvas, judged.drawn.kind, level, offset_mm)
        return replace(_redrawn(table, judged, drawn), offset_mm=offset_mm)

    first = at(judged.offset_mm)
    if as_asked or first.drawn.figures.loops <= judged.drawn.figures.loops:
        return first
    off = fair_rule(max(table.copy.whole.size_mm)).off_mm
    beside = [at(judged.offset_mm + steps * off) for steps in (-2, -1, 1, 2)]
    return min((first, *beside), key=lambda plane: plane.drawn.price.total)


def _redrawn(table: SeamTable, judged: Judged, drawn: Drawn) -> Judged:
    return replace(judged, drawn=with_solids(drawn, table.canvas.place, judged.trouble.solid_mm3))


def place_seam(
    master: Master,
    opening: Opening,
    field: UndercutField,
    brief: SeamBrief,
    progress: Progress = SILENT,
    *,
    scene: RayScene | None = None,
    show: np.ndarray | None = None,
    terms: SeamTerms | None = None,
) -> Seam:
    """Split the master along the chosen direction: by the cheapest of the best plane, the plane with local relief and
    the free seam that keeps the limits, by the one the brief picks, or by the user's own line.

    All of them stand in `candidates` with their figures, price and limits. scene : the master's, and show : (m,) how
    much each face shows, if at hand; terms : rates and limits, those of an empty brief if left out. Raises
    `PlanImpossible` where a given plane or line does not part the master, `BriefRefused` where a file the brief names
    is not right.
    """
    direction = unit(np.asarray(opening.chosen.direction, float))
    terms = terms or seam_terms()
    table, laid = _laid_out(master, field, brief, terms, direction, progress, scene, show)
    if not laid.found:
        as_asked = brief.plane_offset_mm is not None
        drawn = all_candidates(table.bench, brief.plane_offset_mm, progress)
        found = [_on_whole(table, judged, as_asked) for judged in drawn]
        laid.found = sorted(found, key=lambda judged: judged.rank)
    found = laid.found
    if brief.own_line is not None:
        own, note = _own_level(master, table, brief, progress)
        return _to_seam(table, [judge_own(table, own), *found], "own", [note])
    progress.step(0.95, "seam figures")
    notes = []
    if brief.kind != "cheapest":
        asked = [judged for judged in found if judged.drawn.kind == brief.kind]
        if not asked:
            notes = [_NOT_FOUND[brief.kind]]
        found = [*asked, *(judged for judged in found if judged.drawn.kind != brief.kind)]
    return _to_seam(table, found, brief.kind if not notes else "cheapest", notes)


_NOT_FOUND = {
    "plane": "No plane parts the body, so the next seam is taken.",
    "relief": "Following an edge pays nowhere along the plane, so the plane has no relief here.",
    "free": "No free seam pays for its length, so another is taken.",
}


def judge_own(table: SeamTable, level: np.ndarray) -> Judged:
    """A seam of the user's at the zero line of a level (n,) of the whole master, drawn and priced on it, held to the
    limits on the light copy. Raises `PlanImpossible` where it parts nothing."""
    drawn = draw(table.canvas, "own", level)
    light = carry_to_light(table.copy, level)
    light = keep_off_vertices(table.copy.master.vertices_mm, table.copy.master.faces, light)
    judged = table.bench.judge(draw(table.bench.canvas, "own", light))
    return _redrawn(table, judged, drawn)


def own_level(master: Master, level: np.ndarray) -> np.ndarray:
    """(n,) a given level as the plan takes it: its line off the vertices, so that no sliver faces arise."""
    return keep_off_vertices(master.vertices_mm, master.faces, level)


def _own_level(master: Master, table: SeamTable, brief: SeamBrief, progress: Progress) -> tuple[np.ndarray, str]:
    assert brief.own_line is not None
    if brief.own_line.lower().endswith(".npy"):
        level = read_level(brief.own_line, len(master.vertices_mm))
        return own_level(master, level), "The seam is the one that was carried over."
    graph = face_graph(master.vertices_mm, master.faces)
    labels = split_by_lines(master, graph, read_own_lines(brief.own_line), table.direction)
    level, tolerance = smooth_level(master.vertices_mm, master.faces, labels, brief.smooth_mm, progress)
    return level, f"The seam follows the given line, smoothed within {tolerance:.1f} mm."


def _region_notes(table: SeamTable, drawn: Drawn) -> list[str]:
    """Say where a piece is not in one part over the skin, since each part needs its own way off."""
    master, names = table.copy.whole, name_pieces(table.direction)
    skin = skin_faces(master)
    marked = np.where(skin, drawn.labels, 2).astype(np.int8)
    count, region = regions(face_graph(master.vertices_mm, master.faces), marked)
    owner = np.zeros(count, np.int8)
    owner[region] = marked
    area = np.bincount(region, master.face_areas_mm2, minlength=count)
    notes = []
    for label in (0, 1):
        parts = int(((owner == label) & (area >= LEAST_REGION * master.area_mm2)).sum())
        if parts > 1:
            notes.append(f"The {names[label]} covers {parts} parts of the surface that do not touch.")
    return notes


def _triple(vector: np.ndarray) -> tuple[float, float, float]:
    x, y, z = (float(v) + 0.0 for v in vector)  # no negative zeros
    return x, y, z


def _to_seam(table: SeamTable, found: list[Judged], asked: str, notes: list[str]) -> Seam:
    """The first of the seams as the plan's, with all of them beside it."""
    master, drawn = table.copy.whole, found[0].drawn
    names = name_pieces(table.direction)
    areas = np.bincount(drawn.labels, table.canvas.place.skin_mm2, minlength=2)
    pieces = (
        SeamPiece(names[0], _triple(table.direction), float(areas[0])),
        SeamPiece(names[1], _triple(-table.direction), float(areas[1])),
    )
    skin = table.canvas.place.skin_mm2
    locked = [float((table.canvas.locked[k] * skin)[drawn.labels == k].sum()) for k in (0, 1)]
    # the piece with less to work loose comes off first, and gives the other room
    order = names if locked[0] <= locked[1] else names[::-1]
    words = in_words(found, asked, table.canvas.place.terms)
    candidates = tuple(
        SeamCandidate(
            judged.drawn.kind, judged.drawn.lines, judged.drawn.labels, judged.drawn.figures, judged.drawn.price,
            judged.limits, judged is found[0], reason,
        )
        for judged, reason in zip(found, words, strict=True)
    )  # fmt: skip
    others = [c for c in candidates[1:] if c.kind == "plane"] or list(candidates[1:])
    offset = found[0].offset_mm
    return Seam(
        drawn.kind,
        drawn.labels,
        pieces,
        drawn.lines,
        offset if offset is not None else _mean_offset(drawn.lines, table.direction),
        drawn.figures.length_mm,
        drawn.figures,
        others[0].figures if others else None,
        order,
        (words[0], *notes, *_region_notes(table, drawn)),
        drawn.level if len(drawn.level) == len(master.vertices_mm) else None,
        candidates,
    )


def _mean_offset(lines: tuple[SeamLine, ...], direction: np.ndarray) -> float:
    """Offset of the plane across the pull that lies nearest to the lines (length-weighted mean)."""
    total, length = 0.0, 0.0
    for line in lines:
        path = np.concatenate([line.points_mm, line.points_mm[:1]]) if line.closed else line.points_mm
        steps = np.linalg.norm(np.diff(path, axis=0), axis=1)
        along = path @ direction
        total += float((steps * (along[:-1] + along[1:]) / 2).sum())
        length += float(steps.sum())
    return total / length if length > 0 else 0.0


def seam_assumptions(brief: SeamBrief, size_mm: float = 1000.0) -> tuple[Assumption, ...]:
    """What a seam is judged by besides its rates, which `trade.price` lists. size_mm : of the master."""
    rule = fair_rule(size_mm)
    practice = (
        ("a fair seam leaves a smooth curve by", f"{rule.off_mm:.1f} mm over {rule.over_mm:.0f} mm"),
        ("tightest turn of a seam on open surface", f"{rule.turn_mm:.0f} mm"),
    )
    seen = (
        "people see the piece from",
        f"{brief.seen_from}, {brief.viewer_distance_mm:.0f} mm off, eyes at {brief.eye_height_mm:.0f} mm",
    )
    return (
        *(Assumption(what, value, Mark.COMMON_PRACTICE) for what, value in practice),
        Assumption(*seen, Mark.INVENTED),
    )
