"""The joint at full size: a cut square across the wall, and the same on the board, from the plan's own figures."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import shapely
from reportlab.lib.colors import HexColor
from reportlab.lib.units import mm as MM
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import Flowable, Spacer
from shapely.affinity import scale as mirrored
from shapely.geometry.base import BaseGeometry

from ...base.figures import counted, listed
from ...stages.jacket import Jacket, JacketPiece, flange_mm
from ...stages.plan import MouldPlan
from ...stages.programme import wedges_of
from ...stages.rubber import RegistrationCheck
from ...trade.bolts import BoltChoice
from ...trade.section import LEAST_RADIUS_MM, JointSection, bead_height_at_mm
from ..bolts import all_bolts, pitch_words
from ..look import BOLT, GLOVE, INK, JACKET, PLASTER, SOFT_INK
from ..ridges import dome_line
from .typeset import Placed, draw_label, facts_table, heading, house_fonts, set_text

RISE_MM = 34.0  # of the skin drawn above and below the wall
MASTER_MM = 9.0  # of the master drawn inside its skin
RUBBERS, GLASS, _BOARD = (GLOVE, "#a9cccb"), (JACKET, "#ecd7a6"), "#c9b48e"
# each material by its strokes too, so that a black and white print tells them apart: degrees; two pieces of one
# material that meet are hatched either way
_STROKES = {GLOVE: (45.0,), "#a9cccb": (135.0,), JACKET: (20.0, 110.0), "#ecd7a6": (70.0, 160.0), _BOARD: (0.0,)}
_STROKE_MM = {GLOVE: 2.6, "#a9cccb": 2.6, JACKET: 1.7, "#ecd7a6": 1.7, _BOARD: 2.2}
_DOT_MM = 2.4  # between dots of the master
_TEXT_MM = 2.6


def section_pages(plan: MouldPlan, inner: float) -> list[Flowable]:
    """The section of the joint and of the foot at full size, with its figures."""
    section = section_built(plan)
    if section is None:
        return []
    several = len(plan.jacket.pieces) > 2
    above = "whichever of the two pieces was" if several else f"the {plan.jacket.pieces[0].name},"
    note = (
        f"Square across the wall, full size: print at 100 % and check the bar. Above, {above} made first. "
        "Hatched one way: rubber; crossed: glass; dotted: master; level: board; solid: steel."
    )
    story: list[Flowable] = [*heading("The joint at full size", note), _joint(plan, section, inner)]
    if any(piece.foot_bolts_mm for piece in plan.jacket.pieces):
        story += [*heading("On the board round the foot, full size"), _foot(plan, section, inner)]
    story += [Spacer(1, 4), facts_table(section_facts(plan), inner)]
    held = plan.rubber.registration
    domes = _DOMES if held is not None and len(held.domes_mm) else _NO_DOMES
    text = f"{_WHERE_THREE_MEET} {domes}" if several else _BEAD
    story.append(set_text(f"{text} {_HOW}", size=8.4, colour=SOFT_INK))
    return story


_BEAD = (
    "The bead is set on the wall before rubber 1: rubber 1 takes its groove from it, and rubber 2 its ridge from "
    "rubber 1."
)
_WHERE_THREE_MEET = (
    "The same along every joint; where three meet, each flange ends on the line halfway to the next, and no bolt "
    "stands there. No bead runs between more than two rubbers."
)
_DOMES = (
    "Domes are set on the wall before the rubber that is made first: it takes the hollow, rises over it, and the later "
    "rubber takes its dome from it. Elsewhere keys hold each rubber in its jacket, and bolts the jackets."
)
_NO_DOMES = "Keys hold each in its jacket, and bolts the jackets."
_HOW = (
    "The rubber lies unsqueezed. Each jacket is laid over its rubber's bevel, with a fillet of resin paste "
    "in the corner so that mat does not bridge, and down onto the wall; the second on the first one's waxed flange."
)


def section_built(plan: MouldPlan) -> JointSection | None:
    """The joint's section as it is built: more than two rubbers have no bead between them."""
    section = plan.rubber.section
    if section is None or len(plan.jacket.pieces) < 2:
        return None
    return section if len(plan.jacket.pieces) == 2 else replace(section, registration="none")


def joint_names(plan: MouldPlan) -> tuple[str, str]:
    """What the two pieces of the section drawn are called: of more than two, by which is made first."""
    one, other = (piece.name for piece in plan.jacket.pieces[:2])
    return (one, other) if len(plan.jacket.pieces) == 2 else ("made first", "made after it")


def section_facts(plan: MouldPlan) -> list[tuple[str, str]]:
    """The section's figures in the workshop's words."""
    section, jacket, held = plan.rubber.built_to, plan.jacket, plan.rubber.registration
    thick = [f"{flange_mm(piece):.1f}" for piece in jacket.pieces]
    glass = " to ".join(dict.fromkeys((min(thick, key=float), max(thick, key=float))))
    facts = [
        (
            "Rubber flange",
            f"{section.rubber_flange_mm:g} mm from the skin, {section.rubber_flange_thickness_mm:g} mm thick, "
            f"rim bevelled at {section.bevel_deg:g}°",
        ),
        ("Jacket flange", f"{section.jacket_flange_mm:g} mm past the rubber, {glass} mm thick, glass to glass"),
    ]
    if held is not None and held.dome_between is not None:
        facts.append(("Domes", dome_line(plan, held)))
    elif held is not None and held.lines_mm:
        size = f"{section.bead_width_mm:g} × {section.bead_height_mm:g} mm"
        along = f"{held.bead_length_mm / 1000:.1f} m, {section.bead_from_skin_mm:.0f} mm from the skin"
        domes = f"; {_domes(held.domes_mm, section)} where it cannot run" if len(held.domes_mm) else ""
        facts.append(("Bead", f"{size}, {along}{domes}"))
    elif held is not None and len(held.domes_mm):
        facts.append(("Domes", f"{_domes(held.domes_mm, section)}, {section.bead_from_skin_mm:.0f} mm from the skin"))
    if held is not None and held.check is not None:
        facts.append(("Rubber on rubber", registration_words(held.check)))
    if jacket.bolt is not None:
        facts.append(("Bolts", _bolt_words(jacket.bolt, len(all_bolts(jacket)), pitch_words(plan))))
        bolt = jacket.bolt.size
        each = ", between every two pieces that meet" if len(jacket.pieces) > 2 else ""
        facts.append(
            (
                "Fitted bolts",
                f"{len(jacket.fitted)} of them{each}: {_fitted(jacket)}, in holes of "
                f"{bolt.diameter_mm:g} mm without play, the others {bolt.hole_mm:g} mm; all drilled before opening, "
                "the fitted ones drawn first",
            )
        )
    if held is not None and len(held.pads_mm):
        facts.append(("Level steps", f"{len(held.pads_mm)} bolts stand on one, where the wall leans more than 30°"))
    laid = "later of two jackets" if len(jacket.pieces) > 2 else "second jacket"
    facts.append(("Wedge slots", f"{wedges_of(jacket)[0]} between the glass flanges, formed before the {laid} is laid"))
    return facts


def registration_words(check: RegistrationCheck) -> str:
    """Whether the jackets shut bring the rubber halves home."""
    figure = f"{check.stiffness:.2f}, at least {check.least_stiffness:g} (common practice)"
    if check.holds:
        return f"jackets closed, no slide or turn of one half on the other is free: {figure}"
    return (
        f"NOT held: a {check.freest} of one half on the other is too free: {figure}; add domes, or keys near the seam"
    )


def _domes(domes_mm: np.ndarray, section: JointSection) -> str:
    size = f"{section.dome_diameter_mm:g} × {section.dome_height_mm:g} mm"
    return f"{counted(len(domes_mm), 'dome')} {size}"


def _fitted(jacket: Jacket) -> str:
    """Number and height of each fitted bolt: 'number 7 (1448 mm up) and number 22 (50 mm up)'."""
    names, places = zip(*all_bolts(jacket), strict=True)
    at = [int(np.linalg.norm(np.array(places) - place, axis=1).argmin()) for place in np.array(jacket.fitted)]
    return listed(f"number {names[k]} ({place[2]:.0f} mm up)" for k, place in zip(at, jacket.fitted, strict=True))


def _bolt_words(bolt: BoltChoice, count: int, apart: str) -> str:
    kind = "ISO 4017, thread to the head" if bolt.full_thread else "ISO 4014"
    return (
        f"{count} {bolt.name} mm ({kind}), {apart}, wide washers both sides; grip "
        f"{bolt.grip_mm:.1f} mm, {bolt.proud_mm:.1f} mm of thread proud of the nut"
    )


def _handled_mm(piece: JacketPiece) -> float:
    """The laminate's thickness along the handled edge."""
    return next(zone.thickness_mm for zone in piece.zones if zone.name == "handling edge")


# --- the shapes, in millimetres from the skin (x) and the wall (y) ---------------------------------------------


def rubber_shape(section: JointSection, edge_mm: float, ridge: bool) -> shapely.Polygon:
    """One rubber above the wall: up the skin as thick as its edge, over the flange, down its bevel. With a groove for
    the bead and a back as thick behind it, or (`ridge`) the ridge that fills the groove, below the wall."""
    a, thick = section.rubber_flange_mm, section.rubber_flange_thickness_mm
    middle = section.bead_from_skin_mm
    off = np.linspace(-16.0, 16.0, 65)
    bead = bead_height_at_mm(off, section.bead_width_mm, section.bead_height_mm)
    has = section.registration == "bead"
    back = 0.53 * section.bead_height_mm * (1.0 + np.cos(np.pi * off / 16.0)) * float(has and not ridge)
    under = (-bead if ridge else bead) * float(has)
    x = middle + off
    top = np.maximum(thick + back, 0.0)
    run = np.column_stack([x, top])
    run = run[(run[:, 0] > edge_mm) & (run[:, 0] < a - section.bevel_run_mm)]
    below = np.column_stack([x, under])
    below = below[(below[:, 0] > 0.0) & (below[:, 0] < a)]
    points = [
        (0.0, RISE_MM), (edge_mm, RISE_MM), (edge_mm, float(np.interp(edge_mm, x, top, left=thick, right=thick))),
        *run, (a - section.bevel_run_mm, thick), (a, 0.0), *below[::-1], (0.0, 0.0),
    ]  # fmt: skip
    return shapely.Polygon(points).buffer(0)


def jacket_shape(
    section: JointSection, rubber: BaseGeometry, edge_mm: float, wall_mm: float, flange_mm: float
) -> BaseGeometry:
    """The glass over a rubber and past it, its inner corners filled to the radius that mat lies in."""
    reach = section.reach_mm
    under = shapely.box(0.0, -1.0, reach, 0.0).union(rubber).union(shapely.box(-MASTER_MM, -1.0, 0.0, RISE_MM))
    on_flange = shapely.box(edge_mm + wall_mm, -2.0, reach, RISE_MM)
    laid = under.buffer(flange_mm).intersection(on_flange).union(under.buffer(wall_mm))
    laid = laid.buffer(LEAST_RADIUS_MM).buffer(-LEAST_RADIUS_MM)
    return laid.intersection(shapely.box(0.0, 0.0, reach, RISE_MM)).difference(rubber)


# --- drawing ---------------------------------------------------------------------------------------------------


def joint_areas(plan: MouldPlan, section: JointSection) -> list[tuple[BaseGeometry, str]]:
    """Master, both jackets and rubbers and the bolt between them, each with its colour, as they lie over one another;
    mm from the skin and from the parting, the piece made first above."""
    edge = plan.rubber.edge_thickness_mm
    areas: list[tuple[BaseGeometry, str]] = [(shapely.box(-MASTER_MM, -RISE_MM, 0.0, RISE_MM), PLASTER)]
    for k, piece in enumerate(plan.jacket.pieces[:2]):
        side = 1.0 if k == 0 else -1.0
        # the second is drawn as if above, with what hangs below the wall turned up into the first one's groove
        rubber = rubber_shape(section, edge, ridge=k == 1)
        jacket = jacket_shape(section, rubber, edge, _handled_mm(piece), flange_mm(piece))
        for shape, colour in ((jacket, GLASS[k]), (rubber, RUBBERS[k])):
            areas.append((mirrored(shape, 1.0, side, origin=(0.0, 0.0)), colour))
    if plan.jacket.bolt is not None:
        thick = [flange_mm(piece) for piece in plan.jacket.pieces[:2]]
        boxes = _bolt_boxes(section.bolts_from_skin_mm, thick[0], -thick[1], plan.jacket.bolt)
        areas += [(box, BOLT) for box in boxes]
    return areas


def _joint(plan: MouldPlan, section: JointSection, inner: float) -> Placed:
    left = MASTER_MM + 4.0
    tall = 2.0 * RISE_MM + 20.0

    def draw(canvas: Canvas) -> None:
        canvas.saveState()
        canvas.translate(left * MM, (RISE_MM + 16.0) * MM)
        for shape, colour in joint_areas(plan, section):
            _area(canvas, shape, colour)
        _name_parts(canvas, plan, section, plan.rubber.edge_thickness_mm)
        _measures(canvas, section, plan)
        canvas.restoreState()
        _bar(canvas, inner)

    return Placed(inner, tall * MM, draw)


def _foot(plan: MouldPlan, section: JointSection, inner: float) -> Placed:
    piece = next(p for p in plan.jacket.pieces if p.foot_bolts_mm)
    bolt, edge = plan.jacket.foot_bolt, plan.rubber.edge_thickness_mm
    rise, board = 26.0, 18.0 if bolt is None else bolt.grip_mm - 2.0 * bolt.size.washer_thick_mm - flange_mm(piece)

    def draw(canvas: Canvas) -> None:
        canvas.saveState()
        canvas.translate((MASTER_MM + 4.0) * MM, (board + 12.0) * MM)
        plain = shapely.box(-MASTER_MM, 0.0, section.reach_mm + 20.0, rise)
        _area(canvas, shapely.box(-MASTER_MM, -board, section.reach_mm + 18.0, 0.0), _BOARD)
        _area(canvas, shapely.box(-MASTER_MM, 0.0, 0.0, rise), PLASTER)
        rubber = _without_bead(section, edge)
        jacket = jacket_shape(section, rubber, edge, _handled_mm(piece), flange_mm(piece))
        for shape, colour in ((jacket, GLASS[0]), (rubber, RUBBERS[0])):
            _area(canvas, shape.intersection(plain), colour)
        if bolt is not None:
            _draw_bolt(canvas, section.bolts_from_skin_mm, flange_mm(piece), -board, bolt)
            _say(canvas, section.reach_mm + 3.0, 8.0, f"{bolt.name} through the board")
        _say(canvas, section.reach_mm + 21.0, -board / 2.0, f"board, {board:.0f} mm")
        canvas.restoreState()

    return Placed(inner, (rise + board + 16.0) * MM, draw)


def _without_bead(section: JointSection, edge_mm: float) -> shapely.Polygon:
    a, thick = section.rubber_flange_mm, section.rubber_flange_thickness_mm
    corner = a - section.bevel_run_mm
    return shapely.Polygon(
        [(0, RISE_MM), (edge_mm, RISE_MM), (edge_mm, thick), (max(corner, edge_mm), thick), (a, 0.0), (0.0, 0.0)]
    )


def _area(canvas: Canvas, shape: BaseGeometry, colour: str) -> None:
    canvas.setFillColor(HexColor(colour))
    canvas.setStrokeColor(HexColor(INK))
    canvas.setLineWidth(0.5)
    for part in shapely.get_parts(shape):
        if not isinstance(part, shapely.Polygon) or part.is_empty:
            continue
        path = canvas.beginPath()
        for ring in (part.exterior, *part.interiors):
            corners = np.asarray(ring.coords) * MM
            path.moveTo(*corners[0])
            for corner in corners[1:]:
                path.lineTo(*corner)
            path.close()
        canvas.drawPath(path, stroke=1, fill=1)
        _fill(canvas, part, colour)


def _fill(canvas: Canvas, part: shapely.Polygon, colour: str) -> None:
    """Strokes, or dots for the master; steel stays solid."""
    canvas.setStrokeColor(HexColor(INK))
    canvas.setFillColor(HexColor(INK))
    x0, y0, x1, y1 = part.bounds
    if colour == PLASTER:
        grid = np.stack(np.meshgrid(np.arange(x0, x1, _DOT_MM), np.arange(y0, y1, _DOT_MM)), axis=-1).reshape(-1, 2)
        for x, y in grid[shapely.contains_xy(part.buffer(-0.4), grid)]:
            canvas.circle(x * MM, y * MM, 0.35, stroke=0, fill=1)
    canvas.setLineWidth(0.25)
    reach = float(np.hypot(x1 - x0, y1 - y0)) / 2.0 + 1.0
    middle = np.array([x0 + x1, y0 + y1]) / 2.0
    for degrees in _STROKES.get(colour, ()):
        along = np.array([np.cos(np.radians(degrees)), np.sin(np.radians(degrees))])
        across = np.array([-along[1], along[0]])
        offs = np.arange(-reach, reach, _STROKE_MM[colour])[:, None] * across + middle
        strokes = shapely.linestrings(np.stack([offs - reach * along, offs + reach * along], axis=1))
        for piece in shapely.get_parts(shapely.intersection(strokes, part)):
            if piece.geom_type == "LineString" and piece.length > 0.2:
                (ax, ay), *_, (bx, by) = piece.coords
                canvas.line(ax * MM, ay * MM, bx * MM, by * MM)


def _draw_bolt(canvas: Canvas, x: float, top: float, bottom: float, bolt: BoltChoice) -> None:
    """Head above, nut below; washers to both sides."""
    for box in _bolt_boxes(x, top, bottom, bolt):
        _area(canvas, box, BOLT)


def _bolt_boxes(x: float, top: float, bottom: float, bolt: BoltChoice) -> list[shapely.Polygon]:
    """A bolt at x through what lies between two heights: shank, washers, head, nut."""
    size = bolt.size
    half, wide = size.diameter_mm / 2.0, size.washer_mm / 2.0
    head, across = 0.65 * size.diameter_mm, 0.85 * size.diameter_mm
    under = top + size.washer_thick_mm
    nut = bottom - size.washer_thick_mm
    spans = (
        (under - bolt.length_mm, under, half),
        (top, under, wide),
        (nut, bottom, wide),
        (under, under + head, across),
        (nut - size.nut_mm, nut, across),
    )
    return [shapely.box(x - reach, low, x + reach, high) for low, high, reach in spans]


def _say(canvas: Canvas, x: float, y: float, words: str) -> None:
    canvas.setFillColor(HexColor(INK))
    canvas.setFont(house_fonts()["regular"], _TEXT_MM * MM)
    canvas.drawString(x * MM, y * MM - 0.35 * _TEXT_MM * MM, words)


def _name_parts(canvas: Canvas, plan: MouldPlan, section: JointSection, edge: float) -> None:
    right = section.reach_mm + 6.0
    names = joint_names(plan)
    thick = section.rubber_flange_thickness_mm
    rows: Sequence[tuple[float, float, float, str]] = (
        (edge / 2.0, 27.0, 27.0, f"rubber 1, {names[0]}"),
        (edge + 3.0, 20.0, 20.0, f"jacket 1, {names[0]}"),
        (section.reach_mm - 2.0, 0.0, 0.0, "parting: glass to glass"),
        (edge / 2.0, -24.0, -24.0, f"rubber 2, {names[1]}"),
        (edge + 3.0, -29.0, -29.0, f"jacket 2, {names[1]}"),
    )
    canvas.setStrokeColor(HexColor(INK))
    for x, y, at, words in rows:
        canvas.setLineWidth(0.4)
        canvas.line(x * MM, y * MM, (right - 1.0) * MM, at * MM)
        canvas.setFillColor(HexColor(INK))
        canvas.circle(x * MM, y * MM, 0.5 * MM, stroke=0, fill=1)
        _say(canvas, right, at, words)
    if section.registration == "bead":
        x = section.bead_from_skin_mm
        canvas.line(x * MM, 0.5 * section.bead_height_mm * MM, (right - 1.0) * MM, (thick + 3.5) * MM)
        _say(canvas, right, thick + 3.5, f"bead {section.bead_width_mm:g} × {section.bead_height_mm:g}")


def _measures(canvas: Canvas, section: JointSection, plan: MouldPlan) -> None:
    a, b = section.rubber_flange_mm, section.jacket_flange_mm
    low = -RISE_MM - 3.0
    for start, end, words in ((0.0, a, f"{a:g}"), (a, a + b, f"{b:g}")):
        _measure(canvas, start, end, low, words)
    middle = section.bolts_from_skin_mm
    _measure(canvas, a, middle, RISE_MM - 8.0, f"{b / 2.0:g}")
    _say(canvas, a - section.bevel_run_mm - 1.0, section.rubber_flange_thickness_mm + 12.5, f"{section.bevel_deg:g}°")
    if plan.jacket.bolt is not None:
        _say(canvas, middle - 5.0, RISE_MM - 17.0, plan.jacket.bolt.name)


def _measure(canvas: Canvas, start: float, end: float, y: float, words: str) -> None:
    canvas.setStrokeColor(HexColor(INK))
    canvas.setLineWidth(0.4)
    canvas.line(start * MM, y * MM, end * MM, y * MM)
    for x in (start, end):
        canvas.line(x * MM, (y - 1.2) * MM, x * MM, (y + 1.2) * MM)
    draw_label(canvas, words, (start + end) / 2.0 * MM, (y - 3.2) * MM)


def _bar(canvas: Canvas, inner: float) -> None:
    """100 mm to lay a rule against."""
    canvas.setStrokeColor(HexColor(INK))
    canvas.setLineWidth(0.8)
    x, y = inner - 104.0 * MM, 1.5 * MM
    canvas.line(x, y, x + 100.0 * MM, y)
    for k in range(11):
        canvas.line(x + 10.0 * k * MM, y, x + 10.0 * k * MM, y + (2.0 if k % 5 else 3.2) * MM)
    canvas.setFont(house_fonts()["regular"], _TEXT_MM * MM)
    canvas.setFillColor(HexColor(INK))
    canvas.drawRightString(x - 2.0 * MM, y, "100 mm")
