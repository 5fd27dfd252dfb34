"""What a plan says in plain sentences: the seam's course, what will be seen, the order of work, the dangers.

Every figure in a sentence is the plan's own.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.ndimage import gaussian_filter1d
from scipy.spatial import cKDTree

from ..base.figures import (
    First,
    counted,
    kg_by,
    kg_lb,
    kg_lb_range,
    listed,
    litres,
    metres,
    metres_by,
    mm,
    mm_by,
    mm_feet,
    money,
    number,
    ounces,
    sides_by,
)
from ..base.kept import kept_with_owner
from ..geometry.polyline import spaced_out
from ..inputs.brief import Brief
from ..stages.cast import Cast
from ..stages.jacket import LooseShell
from ..stages.master import Master
from ..stages.opening import direction_words
from ..stages.places import FACE_KINDS, BodyPlaces, places_of
from ..stages.plan import MouldPlan
from ..stages.programme import bolt_count
from ..stages.rubber import coat_volumes_mm3
from ..stages.rubber.record import Coat
from ..stages.seam import Feature
from ..stages.seam.record import SeamCandidate, SeamLine
from ..stages.takeoff import ORDER_SECTIONS, first_days
from .bolts import pitch_words, unheld_of
from .courses import alone_words, course_words, crossing_words

MEASURES = (
    "feet, inches and pounds first for sizes and weights; bench measures, areas, boards and templates in millimetres, "
    "square metres and litres"
)
_COURSE_SAMPLES = 240
_CROSSED = 0.7  # of a feature's radius: a line that runs nearer to its middle crosses it
_LEAST_RUN = 0.05  # of a line's length: shorter turns to another side are left out
_SECOND_SIDE = 0.35  # of a leg: a second side is named from here on
_LEVEL_SHARE = 0.15  # rise over length: a line that rises less runs along, not up and down
_SIDES = ("its left side", "its right side", "the back", "the front", "the top", "the underside")
_LEVEL_SIDES = 4
_MOST_FACES = 200_000


def title_of(plan: MouldPlan) -> str:
    """The piece's name: the brief's, else the master's."""
    return plan.brief.piece.strip() or plan.master.name.strip() or "Untitled piece"


def size_line(plan: MouldPlan) -> str:
    """Finished size in words: height first, with feet and inches or with millimetres beside it."""
    width, depth, height = plan.master.size_mm
    first = plan.brief.job.units
    tall = mm_feet(height, first, "tall")
    return f"{tall}, {mm_by(width, first)} wide, {mm_by(depth, first)} deep"


def kind_words(kind: str) -> str:
    """How a seam was drawn: 'on a plane', 'free over the surface', 'after your own line'."""
    words = {
        "plane": "on a plane",
        "relief": "on a plane with local relief",
        "free": "free over the surface",
        "own": "after your own line",
        "joints": "joints of more than two pieces",
    }
    return words.get(kind, kind)


def stands_words(cast: Cast, first: First = "metric") -> str:
    """How a cast is kept standing: by itself, by ballast, or fixed to the ground."""
    if cast.section == "carried":
        return "goes over the spigot of the part that carries it, bonded"
    if cast.needs_fixing:
        how = (
            " by a steel frame"
            if cast.frame is not None
            else ", which an engineer has to design"
            if cast.unfixed
            else ""
        )
        return f"has to be fixed to the ground{how}"
    if cast.ballast_kg > 0:
        return f"{kg_lb(cast.ballast_kg, first)} of ballast low in its foot"
    return "stands without ballast"


def run_line(plan: MouldPlan) -> str:
    """'a run of 6 casts'."""
    return run_words(plan.brief)


def run_words(brief: Brief) -> str:
    """'a run of 6 casts'."""
    casts = brief.run.casts
    return "a single cast" if casts == 1 else f"a run of {casts} casts"


def caution_lines(plan: MouldPlan) -> tuple[tuple[str, str, str], ...]:
    """Each caution: the hazard, what to do about it, and what decides instead of this plan."""
    return tuple((c.hazard, c.sentence, c.defers_to) for c in plan.cautions)


# --- the seam's course -----------------------------------------------------------------------------------


def seam_course(plan: MouldPlan) -> tuple[str, ...]:
    """How each seam line runs, longest first: 'up the chest, under the chin, between the ears, down the spine', or by
    sides where the body has no face to name its parts from."""
    return line_courses(plan.master, plan.seam.lines)


def line_courses(master: Master, lines: Sequence[SeamLine]) -> tuple[str, ...]:
    """The course of each line in words."""
    places = places_of(master)
    return tuple(_named_course(line, places) or _course(line, *_facing(master)) for line in lines)


def _named_course(line: SeamLine, places: BodyPlaces) -> str:
    """By the names of places; "" where the body has none, or the line passes none."""
    points = spaced_out(line.points_mm, line.closed, line.length_mm / _COURSE_SAMPLES)
    if not places.known or len(points) < 8:
        return ""
    points = _set_off_from_the_front(points, line.closed)
    return course_words(places.at(points), points)


def face_crossings(master: Master, lines: Sequence[SeamLine]) -> list[tuple[str, float]]:
    """What of face and lettering the lines cross, with the length in each, mm; longest first."""
    out = []
    for region in places_of(master).regions:
        if region.kind in (*FACE_KINDS, "lettering"):
            inside = sum(_length_within(line, region) for line in lines)
            if inside > 0:
                out.append((region.name, inside))
    return sorted(out, key=lambda crossed: -crossed[1])


def _length_within(line: SeamLine, region: Feature) -> float:
    radius = _CROSSED * region.radius_mm
    points = spaced_out(line.points_mm, line.closed, max(1.0, 0.05 * radius))
    following = np.roll(points, -1, axis=0) if line.closed else points[1:]
    middles = (points[: len(following)] + following) / 2
    steps = np.linalg.norm(following - points[: len(following)], axis=1)
    return float(steps[region.away_mm(middles) < radius].sum())


def said_first(plan: MouldPlan, lines: Sequence[SeamLine] | None = None) -> str:
    """What crosses the face, or that nothing does, and what stands alone; "" where there is neither face nor more
    lines."""
    lines = plan.seam.lines if lines is None else lines
    words = []
    places = places_of(plan.master)
    lettered = any(region.kind == "lettering" for region in places.regions)
    face = places.known and (plan.master.named is None or any(r.kind in FACE_KINDS for r in places.regions))
    if face or lettered:
        words.append(crossing_words(face_crossings(plan.master, lines), face, lettered, plan.brief.job.units))
    courses = line_courses(plan.master, lines)
    alone = [(course, line.length_mm, line.closed) for line, course in zip(lines[1:], courses[1:])]
    if alone:
        words.append(alone_words(alone, plan.brief.job.units))
    return " ".join(words)


@kept_with_owner(1)
def _facing(master: Master) -> tuple[cKDTree, np.ndarray]:
    step = max(1, len(master.faces) // _MOST_FACES)
    faces = master.faces[::step]
    return cKDTree(master.vertices_mm[faces].mean(axis=1)), master.normals[::step]


def _course(line: SeamLine, tree: cKDTree, normals: np.ndarray) -> str:
    points = spaced_out(line.points_mm, line.closed, line.length_mm / _COURSE_SAMPLES)
    if len(points) < 8:
        return "in one place"
    points = _set_off_from_the_front(points, line.closed)
    near = tree.query(points, k=min(12, tree.n))[1].reshape(len(points), -1)
    sides = _sides_along(_evened(normals[near].mean(axis=1), line.closed))
    top = int(np.argmax(points[:, 2]))
    legs = [(way, _mostly(sides[leg])) for way, leg in (("up", slice(0, top)), ("down", slice(top, None)))]
    legs = [(way, where) for way, where in legs if where]
    if np.ptp(points[:, 2]) < _LEVEL_SHARE * line.length_mm or not legs:
        return f"along {listed(_SIDES[s] for s in _in_turn(sides))}"
    if len(legs) == 2 and legs[0][1] == legs[1][1]:
        return f"in a loop on {legs[0][1]}"
    words = [f"{way} {where}" for way, where in legs]
    return f"{words[0]}, over the top and {words[1]}" if len(words) == 2 else words[0]


def _mostly(sides: np.ndarray) -> str:
    """The side that a leg of the line runs on, and a second one that takes a good part of it; "" for a short leg."""
    counts = np.bincount(sides, minlength=len(_SIDES))[:_LEVEL_SIDES]
    if len(sides) < _LEAST_RUN * _COURSE_SAMPLES or not counts.sum():
        return ""
    first, second = np.argsort(-counts, kind="stable")[:2]
    both = counts[second] > _SECOND_SIDE * counts.sum()
    return listed(_SIDES[s] for s in ((first, second) if both else (first,)))


def _in_turn(sides: np.ndarray) -> list[int]:
    """The sides a level line runs along, in its order, each once; short touches are left out."""
    runs = sides[np.flatnonzero(np.diff(sides, prepend=-1))]
    counts = np.bincount(sides, minlength=len(_SIDES))
    return [s for s in dict.fromkeys(runs.tolist()) if counts[s] > _LEAST_RUN * len(sides)]


def _evened(normals: np.ndarray, closed: bool) -> np.ndarray:
    """Normals along a line, evened over its neighbours so that carving does not count as a turn."""
    return gaussian_filter1d(normals, 4.0, axis=0, mode="wrap" if closed else "nearest")


def _set_off_from_the_front(points: np.ndarray, closed: bool) -> np.ndarray:
    """The line's samples from its foot, up the front first."""
    if closed:
        points = np.roll(points, -int(np.argmin(points[:, 2])), axis=0)
    quarter = max(2, len(points) // 4)
    if points[:quarter, 1].mean() > points[-quarter:, 1].mean():
        points = points[::-1]
    return points


def _sides_along(normals: np.ndarray) -> np.ndarray:
    """(k,) index into `_SIDES` of where the surface faces, evened over a few neighbours."""
    x, y, z = (normals / np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-12)).T
    level = np.where(np.abs(x) > np.abs(y), np.where(x > 0, 0, 1), np.where(y > 0, 2, 3))
    side = np.where(z > 0.75, 4, np.where(z < -0.75, 5, level))
    window = np.stack([np.roll(side, k) for k in range(-4, 5)])
    counts = np.stack([(window == k).sum(axis=0) for k in range(len(_SIDES))])
    return np.argmax(counts, axis=0)


# --- for the client --------------------------------------------------------------------------------------


def seam_sentences(plan: MouldPlan) -> tuple[str, ...]:
    """What a client wants to know of the seam: where it runs, how it shows, what is done about it."""
    seam, first = plan.seam, plan.brief.job.units
    courses = seam_course(plan)
    apart = f"The mould comes apart in {counted(len(seam.pieces), 'piece')}."
    length = metres_by(seam.length_mm, first)
    if len(seam.lines) == 1:
        runs = f"{apart} They meet in one seam, {length} long, that runs {courses[0]}."
    else:
        runs = f"{apart} They meet in {len(seam.lines)} seam lines, {length} together; the longest runs {courses[0]}."
    on_show = seam.figures.on_show_mm
    share = on_show / seam.length_mm if seam.length_mm > 0 else 0.0
    shows = f"{_looked_at(plan)}, {metres_by(on_show, first)} of the seam is on show: {_how_open(share)}."
    work = metres_by(seam.length_mm * plan.brief.run.casts, first)
    cleaned = (
        "On every cast the seam leaves a fine raised line. It is ground back and touched up by hand, and carved "
        f"texture that crosses it is worked over again: {work} of seam over {run_line(plan)}. Looked for up close "
        "and in raking light, its course may still be felt."
    )
    return runs, shows, cleaned


def with_candidate(plan: MouldPlan, at: int) -> MouldPlan:
    """The plan with another candidate as its seam, for showing it: what was worked out after the seam stays the
    planned one's."""
    other = plan.seam.candidates[at]
    seam = replace(
        plan.seam,
        kind=other.kind,
        labels=other.labels,
        lines=other.lines,
        length_mm=other.figures.length_mm,
        figures=other.figures,
    )
    return replace(plan, seam=seam)


def installed_words(plan: MouldPlan) -> str:
    """What a finished cast weighs, as a range, and how it is kept standing."""
    cast, weighed = plan.cast, plan.cast.lift_kg_interval
    first = plan.brief.job.units
    weight = f"{kg_lb_range(weighed.low, weighed.high, first)}, likely {kg_lb(cast.lift_kg, first)}"
    stands = stands_words(cast, first)
    said = (
        f"It {stands}"
        if cast.needs_fixing or cast.section == "carried" or cast.ballast_kg <= 0
        else f"It stands with {stands}"
    )
    if cast.section == "carried":
        return f"Each finished cast weighs {weight}. {said}."
    return f"Each finished cast weighs {weight}, with {held_words(cast)}; plinth and anchors apart. {said}."


def held_words(cast: Cast) -> str:
    """What is glassed into a cast before it is weighed."""
    if cast.section == "carried":
        return "its joint"
    steel = ", sockets and plates" if cast.fixings is not None else " and steel frame" if cast.frame is not None else ""
    return f"its baseboard{steel}"


def weight_words(cast: Cast, first: First = "metric") -> str:
    """One cast as laid up, and as it comes out of the mould."""
    if cast.section == "carried":
        return f"{kg_lb(cast.lift_kg, first)} of laminate and joint"
    return f"{kg_by(cast.mass_kg, first)} of laminate and joint, {kg_lb(cast.lift_kg, first)} with {held_words(cast)}"


def candidate_words(plan: MouldPlan, candidate: SeamCandidate) -> str:
    """What is measured of a candidate: '3.49 m, 3.40 m of it bent; 2.60 m on show, 1 line, 3.38 l of undercut fill'.

    The planned one's fill is what its glove holds, as everywhere; another's what the search for seams found.
    """
    f, first = candidate.figures, plan.brief.job.units
    fill = litres(fill_mm3(plan)) if candidate.chosen else f"about {litres(f.fill_mm3)}"
    bent = f"{metres_by(f.bent_mm, first)} of it bent" if f.bent_mm > 0 else "straight in one plane"
    return (
        f"{metres_by(f.length_mm, first)}, {bent}; {metres_by(f.on_show_mm, first)} on show, "
        f"{counted(len(candidate.lines), 'line')}, "
        f"{fill} of undercut fill"
    )


def price_words(candidate: SeamCandidate, currency: str) -> str:
    """What a candidate costs over the run: 'USD 1,240 and 31 h over the run'."""
    return f"{money(candidate.price.total, currency)} with {number(candidate.price.hours)} h over the run"


def _looked_at(plan: MouldPlan) -> str:
    seen = plan.brief.seam.seen_from
    if seen == "all round":
        return "Walked round at eye height"
    return f"Seen from {'its' if seen in ('left', 'right') else 'the'} {seen} at eye height"


def _how_open(share: float) -> str:
    if share < 0.2:
        return "most of it lies in folds, on turned-away surface or out of sight"
    if share < 0.45:
        return "part of it is plain to see, part lies turned away"
    return "most of it is plain to see"


# --- for the workshop ------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Step:
    """One step of the work."""

    title: str
    text: str


@dataclass(frozen=True)
class CoatShare:
    """A coat on one piece."""

    name: str
    thickness_mm: float
    litres: float
    mass_kg: float
    thickened: bool
    batches: int  # 0 where the programme names none
    batch_kg: float
    catalyst_g: float


def fill_mm3(plan: MouldPlan) -> float:
    """Undercut fill, as the glove holds it: what is brushed and bought. The places under it, found by columns of the
    skin alone, come to it within a few per cent."""
    return sum(parts.lock_fill_mm3 for parts in plan.rubber.parts)


def rubber_kg_per_mm3(plan: MouldPlan) -> float:
    """The density the plan weighed its rubber with."""
    volume = sum(part.total_mm3 for part in plan.rubber.parts)
    mass = sum(piece.rubber_mass_kg for piece in plan.jacket.pieces)
    return mass / volume if volume > 0 else 0.0


def coats_of(plan: MouldPlan, at: int) -> tuple[CoatShare, ...]:
    """Every coat on piece `at`, with its batches where the programme has them."""
    density = rubber_kg_per_mm3(plan)
    name = plan.rubber.envelopes[at].name
    found = []
    for coat, volume in zip(plan.rubber.coats, coat_volumes_mm3(plan.rubber, at)):
        batch = next((b for b in plan.programme.batches if b.coat == coat.name and b.piece == name), None)
        found.append(
            CoatShare(
                coat.name,
                coat.thickness_mm,
                volume / 1e6,
                volume * density,
                coat.thickened,
                batch.batches if batch else 0,
                batch.batch_kg if batch else 0.0,
                batch.catalyst_g if batch else 0.0,
            )
        )
    return tuple(found)


def opening_line(plan: MouldPlan) -> str:
    """Which way the mould opens, in words and angles: 'The left piece comes off to the left, ...'."""
    words = [f"the {p.name} comes off {direction_words(p.pull)}" for p in plan.seam.pieces]
    return "; ".join(words).capitalize() + "."


def work_steps(plan: MouldPlan) -> tuple[Step, ...]:
    """The order of work, first piece to last cast, with the plan's figures where a hand needs them."""
    first, *others = [p.name for p in plan.seam.pieces]
    rubber, jacket = plan.rubber, plan.jacket
    coats = listed(_coat_words(rubber.coats))
    glass = listed(
        f"{zone.name} {ounces(zone.mat_oz_ft2)} ({number(zone.mat_g_m2)} g/m²)" for zone in jacket.pieces[0].zones
    )
    base = " The foot stays open: seal round it." if plan.master.base == "open" else ""
    loose = {k: _loose_step(plan, k) for k in range(len(plan.seam.pieces))}
    wide = plan.wall.width_mm if plan.wall is not None else rubber.flange_width_mm
    steps = [
        Step("Stand the master", f"Upright and level on a board, {mm(plan.master.height_mm)} tall.{base}"),
        Step(
            "Build the wall",
            f"Along the seam, {metres(_first_wall_mm(plan))}, {mm(wide)} wide, on the side of the "
            f"{listed(others) or first}; seal its root, seal and release the master.",
        ),
        Step(
            f"Brush the {first}",
            f"{coats[:1].upper()}{coats[1:]}. Skin {mm(rubber.skin_thickness_mm)}, "
            f"{mm(rubber.edge_thickness_mm)} over the last {mm(rubber.edge_band_mm)} to the seam; flange "
            f"{mm(rubber.flange_thickness_mm)}."
            + (" Gauze in the thickened coat over flange and edge." if plan.brief.joint.reinforced_edges else ""),
        ),
        Step(
            "Set its keys",
            f"{counted(_keys_on(plan, 0), 'tab')} of thickened rubber, cast beforehand or shaped by hand, where its "
            "sheet shows, bedded while the last coat is wet.",
        ),
        *loose[0],
        Step(
            f"Lay up the jacket of the {first}",
            f"Release the rubber, then glass: {glass}. Let it cure on the master before it is moved.",
        ),
        Step("Take the wall away", "Clean the flange and release rubber and jacket where the next piece meets them."),
    ]
    for at, name in enumerate(others, 1):
        tabs = counted(_keys_on(plan, at), "tab")
        walled = "Wall along the joints that no piece stands at yet. " if at < len(others) > 1 else ""
        insert = f" {loose[at][0].title}: {loose[at][0].text}" if loose[at] else ""
        steps.append(Step(f"The same for the {name}", f"{walled}Rubber in the same coats, {tabs}, jacket.{insert}"))
    return (*steps, *_bolted_and_cast(plan))


def _bolted_and_cast(plan: MouldPlan) -> tuple[Step, ...]:
    """From the drilling of the bolts to the run."""
    jacket, several = plan.jacket, len(plan.seam.pieces) > 2
    bolts = bolt_count(jacket) if several else max((len(p.bolts_mm) for p in jacket.pieces), default=0)
    strap = " Strap it where the jackets' sheets say that no bolt stands." if unheld_of(plan) else ""
    return (
        Step(
            "Drill and bolt",
            f"{counted(bolts, 'bolt')} through both flanges, {pitch_words(plan)}, before it is opened.{strap}",
        ),
        Step(
            "Open",
            f"{_taking_off(plan)} Jackets first, by the wedge points and never by the edge;{_then_loose(plan)} then "
            "peel the glove back out of its undercuts.",
        ),
        Step(
            "Cast",
            f"{run_line(plan).capitalize()}: each {'part' if several else 'half'} laid up in its mould, mould bolted "
            f"shut, joined from inside over {metres(plan.cast.joint_tape_m * 1000)} of tape.",
        ),
    )


def _loose_step(plan: MouldPlan, at: int) -> list[Step]:
    """How the loose pieces under one jacket are made, if there are any; the last off first."""
    own = [one for one in plan.jacket.loose if one.piece == plan.rubber.envelopes[at].piece]
    if not own:
        return []
    names = listed(one.name for one in reversed(own))
    layers = ", ".join(own[0].zone.layers)
    return [
        Step(
            f"Lay up {names}",
            f"On the rubber, waxed, before the jacket goes over: {layers}, back closed and faired to the glove's "
            "outside; nut plates glassed in; wax and PVA over it, so that the jacket comes off.",
        )
    ]


def _then_loose(plan: MouldPlan) -> str:
    off = [f"{one.name} {direction_words(one.pull)}" for one in plan.jacket.loose]
    return f" their bolts out first; then {listed(off)};" if off else ""


def _first_wall_mm(plan: MouldPlan) -> float:
    """Seam of the piece that is brushed first."""
    return sum(line.length_mm for line in plan.seam.lines if 0 in line.between)


def _coat_words(coats: Sequence[Coat]) -> Iterator[str]:
    """'print coat (0.8 mm)', '5 build coats (1.8 mm each)', 'undercut fill, edges and flange'."""
    for (kind, build), alike in itertools.groupby(coats, lambda c: (c.name.rstrip(" 0123456789"), mm(c.thickness_mm))):
        count, each = len(tuple(alike)), f" ({build}" if build != mm(0.0) else ""
        yield f"{count} {kind}s{each} each)" if count > 1 and each else f"{kind}{each}" + (")" if each else "")


def _keys_on(plan: MouldPlan, at: int) -> int:
    piece = plan.rubber.envelopes[at].piece
    return sum(key.piece == piece for key in plan.keys.keys)


def needed_line(plan: MouldPlan) -> str:
    """What is bought first: each stage of the order with the first day it uses, 'wall and glove from day 1, ...'."""
    first = first_days(plan.programme)
    days: dict[int, list[str]] = {}
    for stage in ORDER_SECTIONS:
        if stage in first:
            days.setdefault(first[stage][0], []).append(stage)
    return listed(f"{listed(stages)} from day {day}" for day, stages in sorted(days.items()))


def _taking_off(plan: MouldPlan) -> str:
    order = plan.seam.taking_off or tuple(p.name for p in plan.seam.pieces)
    return "Taking off: " + ", then ".join(f"the {name}" for name in order) + "."


def loose_words(shell: LooseShell, first: First = "metric") -> str:
    """A loose piece in a line: '1.2 kg, 183 × 405 × 192 mm, comes off to the front after the jacket, ...'."""
    return (
        f"{kg_by(shell.mass_kg, first)}, {sides_by(shell.size_mm, first)}, in place of {litres(shell.volume_mm3)} of "
        f"rubber; comes off {direction_words(shell.pull)} after the jacket of the {shell.under}"
    )


def rubber_line(plan: MouldPlan) -> str:
    """Rubber in the glove with its interval, litres and kilograms."""
    v, density = plan.rubber.volume_mm3, rubber_kg_per_mm3(plan)
    first, masses = plan.brief.job.units, (v.low * density, v.high * density)
    return (
        f"{litres(v.likely)} ({number(v.low / 1e6)} to {number(v.high / 1e6)} l), {kg_by(v.likely * density, first)} "
        f"({kg_lb_range(*masses, first)})"
    )
