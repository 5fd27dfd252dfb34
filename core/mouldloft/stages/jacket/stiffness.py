"""Under jacket: what a shell is loaded by, whether it holds, and what is laid on it until it does.

Load checks look at panels of every size all over the outside, by its own curvature (`panels`); where they fail the
schedule is made heavier: more mat on the edge, then on the field or on patches of it, then ribs. They are checks with
stated loads, no certification.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial import cKDTree

from ...base.figures import GRAVITY_M_S2
from ...geometry.frame import as_point
from ...inputs.brief import Brief, CastBrief, JacketBrief
from ...trade.laminate import GELCOAT_DENSITY_KG_DM3, Laminate, laminate_of, lay_up, mat_g_m2_from_oz
from ...trade.panels import KNOCK_DOWN, PATCH_RADIUS_MM, Panels, buckling_stress_mpa, panels_under_load
from ...trade.panels import SOURCE as PANEL_SOURCE
from ..rubber import Rubber
from .record import LoadCheck, Patch, Rib
from .zones import LAP_MM, RIB_WIDTH_MM, LaidPiece, Outside, Ribbed, Schedule, lay, section_lengths_mm, within

FLANGE_OF_FIELD = 1.5  # common practice: glass on a jacket's flange beside its field's
STRENGTH_SAFETY = 3.0  # common practice: against the breaking stress of hand-laid mat
HANGING_SHOCK = 2.0  # common practice: a piece on slings is set down with a jerk
BUCKLING_SAFETY = 3.0  # common practice: against the load at which a panel buckles
MOST_EXTRA_OF_BRIEF = 1.0  # common practice: beyond as much mat again, ribs are lighter and cure cooler
MOST_PATCHED = 0.5  # common practice: of the field
RIB_CORES_MM = (20.0, 30.0, 40.0, 50.0, 60.0, 80.0, 100.0)  # common practice: heights of foam or timber strip
LEAST_RIB_PITCH_MM = 100.0  # common practice: closer, a core all over (sandwich) is less work
MOST_RIBS_A_PANEL = 8
RIB_STEP_MM = 10.0  # how finely a rib's course is followed to where the body ends
MOST_RIBBED_PANELS = 8
BEAMS = "(Timoshenko, Strength of materials; from memory, verify)"
BUCKLING_SOURCE = (
    "shallow shell held at its edges (Timoshenko & Gere, Theory of elastic stability; from memory, verify), "
)
BUCKLING_SOURCE += f"{KNOCK_DOWN:.0%} of its curve counted on (after NASA SP-8007, from memory, verify)"


def cast_kg_mm2(cast: CastBrief) -> float:
    """Wet cast per mm² of mould: gelcoat and the laminate behind it."""
    laminate = lay_up(mat_g_m2_from_oz(cast.mat_oz), cast.glass_fraction).mass_kg_m2
    return (laminate + cast.gelcoat_wet_mm * GELCOAT_DENSITY_KG_DM3) * 1e-6


@dataclass(frozen=True, eq=False)
class Loads:
    """What one piece is checked under. line_n_mm : (k,) what runs down the wall at each panel's height."""

    brief: JacketBrief
    pressure_mpa: float  # rubber and wet cast
    cast_kg_mm2: float
    line_n_mm: np.ndarray
    mould_kg: float
    pitch_mm: float  # between bolts, 0 without a flange
    flange_width_mm: float  # of the jacket's own flange, past the rubber
    reach_mm: float  # of both, from the skin to the jacket's rim


@dataclass(frozen=True, eq=False)
class Standing:
    """The closed mould as it stands: its mass, and what runs down each millimetre of wall at (k,) heights."""

    mould_kg: float
    level_mm: np.ndarray
    line_n_mm: np.ndarray


def stand_closed(outsides: Sequence[Outside], start: Schedule, cast_kg_mm2: float) -> Standing:
    """The jackets' weight counts twice over, since as much mat again may be laid on them.

    All of a slab's own weight is taken to run down it; a flange that stands out over the body's top or under its foot
    goes with the slab it hangs on.
    """
    jackets = 2.0 * sum(lay(o, start).mass_kg for o in outsides)
    total = sum(o.area_mm2 for o in outsides)
    mould_kg = jackets + sum(o.rubber_kg for o in outsides) + total * cast_kg_mm2
    area = np.concatenate([o.cell_area_mm2 for o in outsides])
    height = np.concatenate([o.cell_centre_mm[:, 2] for o in outsides])
    upright = np.concatenate([o.cell_normal[:, 2] for o in outsides])
    body = np.concatenate([o.cell_zone for o in outsides]) < 2
    edges, wall = section_lengths_mm(area[body], height[body], upright[body])
    held = np.histogram(np.clip(height, edges[0], edges[-1]), edges, weights=area)[0]
    above = held[::-1].cumsum()[::-1] / max(total, 1e-9)
    line = mould_kg * above * GRAVITY_M_S2 / np.maximum(wall, 1.0)
    return Standing(mould_kg, (edges[1:] + edges[:-1]) / 2.0, line)


def loads_on(outside: Outside, standing: Standing, pitch_mm: float, rubber: Rubber, brief: Brief) -> Loads:
    cast = cast_kg_mm2(brief.cast)
    pressure = (outside.rubber_kg / max(outside.area_mm2, 1e-9) + cast) * GRAVITY_M_S2
    at = np.interp(outside.panels.centre_mm[:, 2], standing.level_mm, standing.line_n_mm)
    own = outside.envelope.past_rubber.any()
    past = rubber.built_to.jacket_flange_mm if own else rubber.flange_width_mm
    reach = rubber.flange_width_mm + past if own else past
    return Loads(brief.jacket, pressure, cast, at, standing.mould_kg, pitch_mm, past, reach)


@dataclass(frozen=True, eq=False)
class Found:
    """(3, k) deflection mm, bending stress MPa and pressing stress MPa of panels, and what each may be."""

    value: np.ndarray
    limit: np.ndarray

    @property
    def use(self) -> np.ndarray:
        """(k,) the greatest share of a limit that a panel takes."""
        return (self.value / self.limit).max(axis=0)


def _look(panels: Panels, line_n_mm: np.ndarray, laminate: Laminate, loads: Loads, strip_mm: float) -> Found:
    """Panels of one laminate under its loads, none wider than a strip."""
    width = np.minimum(2.0 * panels.radius_mm, strip_mm)
    given = panels_under_load(panels, laminate, loads.brief.leaning_load_n, loads.pressure_mpa, width)
    buckles = buckling_stress_mpa(replace(panels, radius_mm=width / 2.0), laminate) / BUCKLING_SAFETY
    strong = np.full(len(panels), laminate.flexural_strength_mpa / STRENGTH_SAFETY)
    value = np.array([given.deflection_mm, given.stress_mpa, line_n_mm / laminate.thickness_mm])
    return Found(value, np.array([width / loads.brief.deflection_limit_ratio, strong, buckles]))


def strengthen(outside: Outside, start: Schedule, ply: Laminate, loads: Loads) -> Schedule:
    """The schedule made heavier where a check fails, no more than a workshop would: plies on the edge for the flange,
    plies on the whole field or on patches, whichever takes less glass, and ribs where the most plies do not do."""
    most = int(MOST_EXTRA_OF_BRIEF * start.field.glass_g_m2 / ply.glass_g_m2)
    made = start
    for extra in range(most + 1):
        made = replace(start, edge=_with_plies(start.edge, ply, extra))
        if all(check.passes for check in _flange_checks(lay(outside, made), loads)):
            break
    weak = [np.arange(len(outside.panels))]  # those that fail under 0, 1, ... extra plies
    for extra in range(most + 1):
        left, laminate = weak[-1], _with_plies(start.field, ply, extra)
        found = _look(outside.panels.only(left), loads.line_n_mm[left], laminate, loads, np.inf)
        weak.append(left[found.use > 1.0])
        if len(weak[-1]) == 0:
            break
    needed = len(weak) - 2
    made = _least_glass(outside, made, ply, [outside.panels.only(kept) for kept in weak[1:]], needed)
    return _rib_up(outside, made, weak[-1], loads) if len(weak[-1]) else made


def _with_plies(laminate: Laminate, ply: Laminate, extra: int) -> Laminate:
    """The laminate with more layers behind."""
    return laminate_of(laminate.weights_g_m2 + ply.weights_g_m2 * extra, laminate.glass_fraction)


def _least_glass(outside: Outside, made: Schedule, ply: Laminate, weak: Sequence[Panels], needed: int) -> Schedule:
    """Of all ways to lay `needed` more plies on every weak panel, some on the whole field and the rest on patches, the
    one that takes least glass; weak[p] are the panels that fail under p plies. Patches that would cover most of the
    field are no patches: the whole of it is laid then."""
    ways: list[tuple[float, int, tuple[Patch, ...]]] = []
    for whole in range(needed, -1, -1):
        patches = _cover(weak[whole]) if whole < needed else ()
        share = float(within(outside.samples_mm, patches).mean()) if patches else 0.0
        if share <= MOST_PATCHED:
            ways.append((round(whole + (needed - whole) * share, 6), needed - whole, patches))
    _, on_patches, patches = min(ways, key=lambda way: way[0])
    laid = _with_plies(made.field, ply, needed - on_patches)
    edge = made.edge
    while edge.glass_g_m2 < FLANGE_OF_FIELD * laid.glass_g_m2 - ply.glass_g_m2 / 4.0:
        edge = _with_plies(edge, ply, 1)
    patch = _with_plies(laid, ply, on_patches) if patches else None
    return replace(made, field=laid, edge=edge, patch=patch, patches=patches)


def _cover(panels: Panels) -> tuple[Patch, ...]:
    """Rounds over all the panels and a lap past them, largest first, none inside another."""
    kept: list[Patch] = []
    for k in np.argsort(-panels.radius_mm, kind="stable"):
        centre, radius = panels.centre_mm[k], float(panels.radius_mm[k]) + LAP_MM
        if not any(np.linalg.norm(centre - p.centre_mm) + radius <= p.radius_mm + 1e-6 for p in kept):
            kept.append(Patch(as_point(centre), radius))
    return tuple(kept)


# --- ribs ------------------------------------------------------------------------------------------------


def rib_section(core_height_mm: float, rib: Laminate, panel: Laminate) -> tuple[float, float]:
    """Second moment (mm⁴) of a glassed-over strip with the panel under it, and its greatest distance (mm) from the
    neutral line.

    Crown, two sides, and as much of the panel as the strip is wide and 20 thicknesses more (common practice); the core
    carries nothing.
    """
    t, p, h = rib.thickness_mm, panel.thickness_mm, core_height_mm
    base = RIB_WIDTH_MM + 20.0 * p
    # width, height, middle above the panel's underside
    parts = np.array([(base, p, p / 2.0), (2.0 * t, h, p + h / 2.0), (RIB_WIDTH_MM + 2.0 * t, t, p + h + t / 2.0)])
    area = parts[:, 0] * parts[:, 1]
    neutral = float(area @ parts[:, 2] / area.sum())
    second = float((parts[:, 0] * parts[:, 1] ** 3 / 12.0 + area * (parts[:, 2] - neutral) ** 2).sum())
    return second, max(neutral, p + h + t - neutral)


def _rib_found(ribbed: Ribbed, schedule: Schedule, loads: Loads) -> tuple[float, float]:
    """Deflection mm and stress MPa of one rib, free to turn at its ends, with its strip's load and all the person:
    P L³/48 E I + 5 q L⁴/384 E I, (P L/4 + q L²/8) c / I."""
    second, far = rib_section(ribbed.core_height_mm, schedule.edge, schedule.heaviest)
    span, point, line = 2.0 * ribbed.disc.radius_mm, loads.brief.leaning_load_n, loads.pressure_mpa * ribbed.pitch_mm
    stiff = schedule.edge.modulus_mpa * second
    sag = point * span**3 / (48.0 * stiff) + 5.0 * line * span**4 / (384.0 * stiff)
    return sag, (point * span / 4.0 + line * span**2 / 8.0) * far / second


def _rib_limits(ribbed: Ribbed, schedule: Schedule, loads: Loads) -> tuple[float, float]:
    span = 2.0 * ribbed.disc.radius_mm
    return span / loads.brief.deflection_limit_ratio, schedule.edge.flexural_strength_mpa / STRENGTH_SAFETY


def _rib_up(outside: Outside, made: Schedule, weak: np.ndarray, loads: Loads) -> Schedule:
    """Ribs along the weak panels, the largest first: as many as make the strips between them pass, as high as carries
    them. What they cannot help is left to the checks to say."""
    ribbed: list[Ribbed] = []
    ribs: list[Rib] = []
    surface = cKDTree(outside.cell_centre_mm)
    while len(weak) and len(ribbed) < MOST_RIBBED_PANELS:
        first = weak[np.argmax(outside.panels.radius_mm[weak])]
        disc = Patch(as_point(outside.panels.centre_mm[first]), float(outside.panels.radius_mm[first]))
        inside = within(outside.panels.centre_mm[weak], [disc])
        found = _ribs_for(outside, made, weak[inside], disc, loads)
        weak = weak[~inside]
        if found is not None:
            ribbed.append(found)
            ribs += _draw_ribs(outside, found, outside.panels.along[first], made, surface)
    return replace(made, ribbed=tuple(ribbed), ribs=tuple(ribs))


def _ribs_for(outside: Outside, made: Schedule, weak: np.ndarray, disc: Patch, loads: Loads) -> Ribbed | None:
    for count in range(1, MOST_RIBS_A_PANEL + 1):
        pitch = 2.0 * disc.radius_mm / (count + 1)
        if pitch < LEAST_RIB_PITCH_MM:
            return None
        strip = pitch - RIB_WIDTH_MM
        if _look(outside.panels.only(weak), loads.line_n_mm[weak], made.heaviest, loads, strip).use.max() > 1.0:
            continue
        for height in RIB_CORES_MM:
            tried = Ribbed(disc, pitch, height)
            pairs = zip(_rib_found(tried, made, loads), _rib_limits(tried, made, loads), strict=True)
            if all(found <= limit for found, limit in pairs):
                return tried
    return None


def _draw_ribs(outside: Outside, ribbed: Ribbed, along: np.ndarray, made: Schedule, surface: cKDTree) -> list[Rib]:
    """Chords of the disc along its straighter way, a strip apart, their ends on the surface, a lap off the flange."""
    centre, radius, height = np.asarray(ribbed.disc.centre_mm), ribbed.disc.radius_mm, ribbed.core_height_mm
    across = np.cross(outside.cell_normal[surface.query(centre)[1]], along)
    count = round(2.0 * radius / ribbed.pitch_mm) - 1
    drawn = []
    for off in (np.arange(count) - (count - 1) / 2.0) * ribbed.pitch_mm:
        half = np.sqrt(radius**2 - off**2)
        places = centre + off * across + np.linspace(-half, half, int(half / RIB_STEP_MM) + 2)[:, None] * along
        cells = surface.query(places)[1]
        on_body = np.flatnonzero(outside.cell_zone[cells] < 2)
        if len(on_body) < 2:
            continue
        one, other = outside.cell_centre_mm[cells[on_body[[0, -1]]]]
        inwards = LAP_MM * (other - one) / np.linalg.norm(other - one)
        if on_body[0] > 0:
            one = one + inwards
        if on_body[-1] < len(cells) - 1:
            other = other - inwards
        ends = outside.cell_centre_mm[surface.query([one, other])[1]]
        core_kg = float(np.linalg.norm(ends[1] - ends[0])) * RIB_WIDTH_MM * height * made.core_kg_mm3
        drawn.append(Rib(as_point(ends[0]), as_point(ends[1]), height, RIB_WIDTH_MM, made.edge.layers, core_kg))
    return drawn


# --- the checks as they stand ----------------------------------------------------------------------------


def check_loads(outside: Outside, schedule: Schedule, loads: Loads) -> tuple[LoadCheck, ...]:
    checks: list[LoadCheck] = []
    if len(outside.panels):
        checks += _panel_checks(outside, schedule, loads)
    checks += [_rib_check(ribbed, schedule, loads) for ribbed in schedule.ribbed]
    return (*checks, *_flange_checks(lay(outside, schedule), loads))


def _final_look(outside: Outside, schedule: Schedule, loads: Loads) -> tuple[Found, np.ndarray]:
    """All panels as laid: those wholly in a patch with its laminate, those that fail so between their ribs; and (k,)
    widths. One that holds without ribs holds with them, though between them it may bend less."""
    panels, line = outside.panels, loads.line_n_mm
    patched = np.zeros(len(panels), bool)
    for patch in schedule.patches:
        away = np.linalg.norm(panels.centre_mm - patch.centre_mm, axis=1)
        patched |= away + panels.radius_mm <= patch.radius_mm
    strip = np.full(len(panels), np.inf)
    for ribbed in reversed(schedule.ribbed):
        strip[within(panels.centre_mm, [ribbed.disc])] = ribbed.strip_mm
    found, width = Found(np.zeros((3, len(panels))), np.ones((3, len(panels)))), np.full(len(panels), np.inf)
    for wide in (np.inf, *np.unique(strip[np.isfinite(strip)])):
        between = np.ones(len(panels), bool) if wide == np.inf else (strip == wide) & (found.use > 1.0)
        width[between] = wide
        for heavy in (False, True):
            which = np.flatnonzero(between & (patched == heavy))
            if len(which):
                laminate = schedule.heaviest if heavy else schedule.field
                own = _look(panels.only(which), line[which], laminate, loads, float(wide))
                found.value[:, which], found.limit[:, which] = own.value, own.limit
    return found, np.minimum(width, 2.0 * panels.radius_mm)


def _panel_checks(outside: Outside, schedule: Schedule, loads: Loads) -> list[LoadCheck]:
    """The panel that takes up most of each limit."""
    found, width = _final_look(outside, schedule, loads)
    leant = f"rubber and wet cast {loads.pressure_mpa * 1e6:.0f} Pa, and {loads.brief.leaning_load_n:.0f} N leaning in "
    leant += "the middle"
    carried = loads.line_n_mm
    strength = schedule.field.flexural_strength_mpa
    rows = (
        ("deflection of the", "mm", f"{PANEL_SOURCE}; limit span/{loads.brief.deflection_limit_ratio:.0f}"),
        (
            "bending stress in the",
            "MPa",
            f"{PANEL_SOURCE}; breaking stress {strength:.0f} MPa over {STRENGTH_SAFETY:g}",
        ),
        ("buckling of the", "MPa", f"{BUCKLING_SOURCE}, over {BUCKLING_SAFETY:g}"),
    )
    checks = []
    for row, (what, unit, method) in enumerate(rows):
        worst = int(np.argmax(np.round(found.value[row] / found.limit[row], 9)))
        value, limit = float(found.value[row, worst]), float(found.limit[row, worst])
        place = f"weakest panel, {width[worst]:.0f} mm across, {outside.panels.centre_mm[worst, 2]:.0f} mm up"
        load = leant
        if row == 2:
            load = f"{loads.mould_kg * GRAVITY_M_S2:.0f} N of closed mould, its jackets counted twice, "
            load += f"{carried[worst]:.2f} N/mm of wall there"
        checks.append(LoadCheck("panel", f"{what} {place}", load, value, limit, unit, value <= limit, method))
    return checks


def _rib_check(ribbed: Ribbed, schedule: Schedule, loads: Loads) -> LoadCheck:
    """The rib's deflection or stress, whichever takes up more of its limit."""
    found, limits = _rib_found(ribbed, schedule, loads), _rib_limits(ribbed, schedule, loads)
    k = int(found[1] / limits[1] > found[0] / limits[0])
    what = ("deflection", "bending stress")[k]
    place = f"{ribbed.core_height_mm:.0f} mm rib, {2 * ribbed.disc.radius_mm:.0f} mm long"
    load = f"a strip of {ribbed.pitch_mm:.0f} mm and {loads.brief.leaning_load_n:.0f} N in its middle"
    return LoadCheck(
        "rib",
        f"{what} of a {place}, {ribbed.disc.centre_mm[2]:.0f} mm up", load, found[k], limits[k], ("mm", "MPa")[k],
        found[k] <= limits[k], f"beam free to turn at its ends {BEAMS}; over {STRENGTH_SAFETY:g} in stress",
    )  # fmt: skip


def _flange_checks(shell: LaidPiece, loads: Loads) -> list[LoadCheck]:
    """The flange between two bolts, the piece hanging from it, and as a ledge that somebody leans on."""
    pitch, width = loads.pitch_mm, loads.flange_width_mm
    if pitch <= 0:
        return []
    laminate = shell.schedule.edge
    t, e = laminate.thickness_mm, laminate.modulus_mpa
    allowed = laminate.flexural_strength_mpa / STRENGTH_SAFETY
    around = (shell.zones[2].area_mm2 - shell.unjoined_mm2) / loads.reach_mm  # a piece hangs by its parting flange
    hangs = (shell.mass_kg + shell.rubber_kg + shell.area_mm2 * loads.cast_kg_mm2) * GRAVITY_M_S2
    line_n_mm = HANGING_SHOCK * hangs / around
    sag = line_n_mm * pitch**4 / (384.0 * e * width * t**3 / 12.0)
    limit = pitch / loads.brief.deflection_limit_ratio
    stress = line_n_mm * pitch**2 / 12.0 / (width * t**2 / 6.0)
    spread = 2.0 * width + 2.0 * PATCH_RADIUS_MM
    ledge = 6.0 * loads.brief.leaning_load_n * width / (spread * t**2)
    load = f"{HANGING_SHOCK:g} times the piece, glove and cast ({hangs:.0f} N) along {around:.0f} mm"
    bolts = f"{pitch:.0f} mm apart"
    return [
        LoadCheck(
            "between bolts", f"flange between bolts {bolts}", load, sag, limit, "mm", sag <= limit,
            f"beam held at both ends, q L⁴ / 384 E I {BEAMS}",
        ),
        LoadCheck(
            "between bolts",
            f"bending stress in the flange, bolts {bolts}", load, stress, allowed, "MPa", stress <= allowed,
            f"beam held at both ends, q L² / 12 {BEAMS}; over {STRENGTH_SAFETY:g}",
        ),
        LoadCheck(
            "flange root",
            f"bending stress at the root of the flange, {width:.0f} mm past the rubber",
            f"{loads.brief.leaning_load_n:.0f} N leaning on its rim",
            ledge, allowed, "MPa", ledge <= allowed,
            f"ledge, F w over a width of {spread:.0f} mm (spread at 45 degrees, common practice) {BEAMS}; "
            f"over {STRENGTH_SAFETY:g}",
        ),
    ]  # fmt: skip
