"""Stage 9, cast: laminate and mass of the hollow cast, whether it comes out, and what keeps it standing.

The cast is a thin shell: its laminate lies on the mould's face, so its area is the master's skin and its mass sits
there. Stand checks are statics with stated loads, no certification: a local code and whoever answers for the place
decide.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import shapely
from shapely.geometry import Polygon
from shapely.ops import unary_union

from ..base.figures import GRAVITY_M_S2, percent, strain_by_rule
from ..base.intervals import CARVING, Interval, exactly, interval_of
from ..base.marks import Assumption, Mark
from ..base.progress import SILENT, Progress
from ..inputs.brief import Brief, CastBrief
from ..inputs.catalogue import Catalogue
from ..inputs.materials import GelcoatMaterial
from ..trade.fixings import Fixings, design_fixings, eyes_for, fixing_assumptions, least_plate_mm, openings_of
from ..trade.laminate import laminate_thickness_mm, resin_kg
from ..trade.lifting import check_lift
from ..trade.uprights import Frame, frame_assumptions
from .ballast import ballast_depth_mm
from .baseboard import Outline, Parting, baseboard_of, foot_polygons, outline_of
from .framing import WORKED_SHARE, Loads, check_shell, frame_instead
from .joining import Joining, joining_assumptions, plan_joining
from .locks import Locks
from .master import Master
from .peel import Peel
from .seam import Seam
from .wind import (
    AIR_DENSITY_KG_M3,
    Silhouettes,
    WindPressure,
    silhouettes,
    wind_pressure,
)

BOARD_THICKNESS_MM = 18.0  # common practice: baseboard glassed into the foot
PUSH_SHARE_OF_HEIGHT = 0.9  # common practice: of the height, where a person leans
GUIDES_GELCOAT_MM = (0.46, 0.64)  # common practice: two suppliers' guides, 18 to 25 mil
BALLAST_HIGH = 0.25  # of the height: ballast filled higher than this no longer lies low
# common practice, no source: past either, nobody carries ballast in by the bag, and the cast is fixed to the ground
MOST_BALLAST_KG = 60.0
MOST_BALLAST_SHARE = 0.25  # of the body's volume
AIR_SOURCE = "EN 1991-1-4, 4.5, the value recommended"
WIND_SOURCE = "EN 1991-1-4 (4.4), (4.5), (4.7), (4.8), (5.3); the national annex governs"

# where neither sockets nor the frame planned here hold
ENGINEER = "no fixing is planned; an engineer designs a steel frame for it before it is cast."

# of a part that others stand on
PART_ALONE = (
    "How it stands is worked out for this part alone: fix it by the plan of the whole, with all its parts in place."
)

Point = tuple[float, float, float]


@dataclass(frozen=True)
class StandCheck:
    """Overturning about the worst edge of the foot. holding is without ballast, at the low end of the mass.

    ballast_kg : what to add at the foot so that holding >= factor x overturning; 0 where the cast is to be fixed to
        the ground instead.
    """

    cause: str  # "push", "wind"
    overturning_nm: float
    holding_nm: float
    ballast_kg: float
    tip_edge: str
    factor: float
    method: str

    @property
    def short_nm(self) -> float:
        """What ballast or a fixing has to add to the holding moment about that edge."""
        return max(0.0, self.factor * self.overturning_nm - self.holding_nm)


@dataclass(frozen=True)
class Cast:
    """One cast of the run; take-off multiplies. mass_kg is the shell with its joint, without board and ballast."""

    area_mm2: float
    gelcoat_kg: float
    glass_kg: float
    resin_kg: float  # of the shell, without the joint's
    joint_tape_m: float  # length of the joint; the tape lies in its catalogue's number of layers
    joint_tape_kg: float  # dry glass of the joint
    thickness_mm: float  # laminate and gelcoat
    mass_kg: float
    centre_of_mass_mm: Point
    baseboard_outline_mm: Outline  # of the largest foot
    baseboard_area_mm2: float  # of all halves
    stands: tuple[StandCheck, ...]
    ballast_kg: float
    comes_out: bool
    comes_out_reason: str
    # shell, joint, baseboard, sockets and plates or frame: what is weighed; ballast goes in where it stands
    lift_kg: float
    advice: tuple[str, ...]
    laminate_mm: float = 0.0
    layers: tuple[str, ...] = ()  # schedule, mat weights as sold, first layer first
    joint_resin_kg: float = 0.0
    mass_kg_interval: Interval | None = None
    baseboard_kg: float = 0.0
    baseboard_halves_mm: tuple[Outline, ...] = ()  # what to cut, plan coordinates seen from above
    ballast_depth_mm: float = 0.0  # how high it fills the body from the foot
    needs_fixing: bool = False  # to the ground: ballast past what a person carries in is never asked for
    foot_hull_mm: Outline = ()  # what it would tip over
    wind_area_mm2: float = 0.0  # greatest silhouette
    wind_pressure_pa: float = 0.0
    fixings: Fixings | None = None  # where it is fixed to the ground by sockets
    frame: Frame | None = None  # where it is fixed by a steel frame, for sockets do not do
    section: str = ""  # "carried" over another part's spigot, "carries" others, "" of a whole
    unfixed: str = ""  # where neither does: why not sockets; then it is an engineer's to design
    joining: Joining | None = None  # tight places, and the joint by reach
    openings: tuple[str, ...] = ()  # drains, vent, filling port, eyes: what is made where, in words
    eyes: int = 0  # lifting eyes, each rated for all of it
    size_mm: Point = (0.0, 0.0, 0.0)  # width, depth and height, for its crate

    @property
    def lift_kg_interval(self) -> Interval:
        """What is weighed when it is out of the mould, with the shell's doubt."""
        own = self.mass_kg_interval
        if own is None:
            return exactly(self.lift_kg)
        more, share = self.lift_kg - self.mass_kg, self.mass_kg / max(self.lift_kg, 1e-9)
        causes = tuple((name, half * share) for name, half in own.causes)
        return Interval(own.low + more, self.lift_kg, own.high + more, causes)


def lay_up_cast(
    master: Master,
    seam: Seam,
    locks: Locks,
    brief: Brief,
    catalogue: Catalogue,
    progress: Progress = SILENT,
    peel: Peel | None = None,
) -> Cast:
    """Lay up one hollow cast in the mould, stand it on its foot and see what keeps it there.

    peel : where the gloves were peeled by mechanics, which then say whether they come off, and not the rule. Raises
    `CatalogueRefused` when the brief names a material that the catalogue lacks.
    """
    progress.step(0.0, "laminate of the cast")
    area = master.skin_area_mm2 * master.detail_allowance
    shell = _lay_laminate(area, seam.length_mm, brief, catalogue)
    interval = _mass_interval(shell, master, catalogue)
    centre = _centre_of_mass(master, seam, shell)
    progress.step(0.2, "foot and baseboard")
    feet = () if brief.cast.section == "carried" else foot_polygons(master)
    board = catalogue.board_for(BOARD_THICKNESS_MM)
    halves = baseboard_of(feet, master, _parting_of(seam), shell.thickness_mm)
    board_area = float(sum(h.area for h in halves))
    board_kg = board_area * 1e-6 * board.thickness_mm * 1e-3 * board.density_kg_m3
    progress.step(0.3, "wind on the silhouette")
    stands, hull, seen, pressure = _stand(master, feet, centre, interval.low, board_kg, halves, brief.cast, progress)
    stands, ballast, depth, fixed = _held_down(master, stands, catalogue)
    comes_out, reason = _does_it_come_out(locks) if peel is None else _is_it_peeled(peel)
    lift_kg = shell.mass_kg + board_kg
    progress.step(1.0)
    made = Cast(
        area_mm2=area,
        gelcoat_kg=shell.gelcoat_kg,
        glass_kg=shell.glass_kg,
        resin_kg=shell.resin_kg,
        joint_tape_m=shell.joint_m,
        joint_tape_kg=shell.tape_kg,
        thickness_mm=shell.thickness_mm,
        mass_kg=shell.mass_kg,
        centre_of_mass_mm=centre,
        baseboard_outline_mm=outline_of(max(feet, key=lambda p: p.area)) if feet else (),
        baseboard_area_mm2=board_area,
        stands=stands,
        ballast_kg=ballast,
        comes_out=comes_out,
        comes_out_reason=reason,
        lift_kg=lift_kg,
        advice=_advice(master, stands, ballast, depth, fixed, lift_kg, halves, comes_out, reason, brief, catalogue),
        laminate_mm=shell.laminate_mm,
        layers=shell.layers,
        joint_resin_kg=shell.joint_resin_kg,
        mass_kg_interval=interval,
        baseboard_kg=board_kg,
        baseboard_halves_mm=tuple(outline_of(h) for h in halves),
        ballast_depth_mm=depth,
        needs_fixing=fixed,
        foot_hull_mm=hull,
        wind_area_mm2=float(seen.area_mm2.max()) if seen is not None else 0.0,
        wind_pressure_pa=pressure,
        section=brief.cast.section,
    )
    made = replace(made, size_mm=master.size_mm)
    return _fixed(_joined(made, master, seam, brief, catalogue, progress), feet, master, seen, brief.cast)


def _joined(made: Cast, master: Master, seam: Seam, brief: Brief, catalogue: Catalogue, progress: Progress) -> Cast:
    """The cast with its tight places and its joint by reach."""
    rates = catalogue.rates
    joining = plan_joining(master, seam, brief.rates, rates.hatch_h, progress, rates.core_l_h, brief.seam)
    return replace(made, joining=joining)


def _parting_of(seam: Seam) -> Parting:
    plane = (np.asarray(seam.pieces[0].pull, float), seam.plane_offset_mm) if seam.kind == "plane" else None
    return Parting(seam.labels, tuple((line.points_mm, line.closed) for line in seam.lines), plane)


# --- the shell -------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _CastLaminate:
    gelcoat_kg: float
    glass_kg: float
    resin_kg: float
    joint_m: float
    tape_kg: float
    joint_resin_kg: float
    laminate_mm: float
    thickness_mm: float
    layers: tuple[str, ...]

    @property
    def mass_kg(self) -> float:
        return self.gelcoat_kg + self.glass_kg + self.resin_kg + self.joint_kg

    @property
    def joint_kg(self) -> float:
        return self.tape_kg + self.joint_resin_kg


def gelcoat_kg_m2(gelcoat: GelcoatMaterial, wet_mm: float) -> float:
    """Gelcoat for a square metre at a wet thickness: a millimetre over a square metre is a litre."""
    return wet_mm * 1e-3 * gelcoat.density_kg_m3


def _lay_laminate(area_mm2: float, seam_mm: float, brief: Brief, catalogue: Catalogue) -> _CastLaminate:
    cast = brief.cast
    layers = catalogue.mat_layers(cast.mat_oz, brief.materials)
    weight_g_m2 = sum(mat.mat_g_m2 for mat in layers)
    area_m2 = area_mm2 * 1e-6
    glass = area_m2 * weight_g_m2 * 1e-3
    tape = catalogue.joint_tape
    tape_kg = seam_mm * 1e-3 * tape.width_mm * 1e-3 * tape.mat_g_m2 * 1e-3 * tape.layers
    laminate = laminate_thickness_mm(weight_g_m2, cast.glass_fraction)
    return _CastLaminate(
        gelcoat_kg=area_m2 * gelcoat_kg_m2(catalogue.gelcoat_for(brief.materials), cast.gelcoat_wet_mm),
        glass_kg=glass,
        resin_kg=resin_kg(glass, cast.glass_fraction),
        joint_m=seam_mm * 1e-3,
        tape_kg=tape_kg,
        joint_resin_kg=resin_kg(tape_kg, cast.glass_fraction),
        laminate_mm=laminate,
        thickness_mm=laminate + cast.gelcoat_wet_mm,
        layers=tuple(f"{mat.mat_g_m2:.0f} g/m²" for mat in layers),
    )


def _mass_interval(shell: _CastLaminate, master: Master, catalogue: Catalogue) -> Interval:
    """Resin by hand, gelcoat by hand, carving still to come, each by its share of the mass."""
    resin_share = (shell.resin_kg + shell.joint_resin_kg) / shell.mass_kg
    return interval_of(
        shell.mass_kg,
        (
            ("resin taken up by hand", catalogue.rates.laminate_uncertainty * resin_share),
            ("gelcoat's thickness", catalogue.rates.gelcoat_uncertainty * shell.gelcoat_kg / shell.mass_kg),
            (CARVING, master.detail_allowance_uncertainty * (1 - shell.joint_kg / shell.mass_kg)),
        ),
    )


def _centre_of_mass(master: Master, seam: Seam, shell: _CastLaminate) -> Point:
    """Of a thin shell over the skin, with the joint's tape as a heavy line along the seam."""
    skin = ~master.base_faces if master.base == "open" else np.ones(len(master.faces), bool)
    areas = master.face_areas_mm2 * skin
    centre = areas @ master.vertices_mm[master.faces].mean(axis=1) / areas.sum()
    line, length = _line_moment(seam)
    if length > 0:
        share = shell.joint_kg / shell.mass_kg
        centre = (1 - share) * centre + share * line / length
    return (float(centre[0]), float(centre[1]), float(centre[2]))


def _line_moment(seam: Seam) -> tuple[np.ndarray, float]:
    """Sum of segment length times midpoint over the seam's lines, and their length, mm."""
    moment, length = np.zeros(3), 0.0
    for line in seam.lines:
        points = np.vstack([line.points_mm, line.points_mm[:1]]) if line.closed else line.points_mm
        steps = np.linalg.norm(np.diff(points, axis=0), axis=1)
        moment += steps @ ((points[:-1] + points[1:]) / 2)
        length += float(steps.sum())
    return moment, length


# --- standing --------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Edges:
    """Sides of the foot's hull. outward : (k, 2) unit; offset : (k,) so that outward . p = offset on the side."""

    outward: np.ndarray
    offset_mm: np.ndarray

    def lever_mm(self, point: np.ndarray) -> np.ndarray:
        """(k,) how far inside each side a point lies."""
        return self.offset_mm - self.outward @ point


def _hull_edges(hull: Polygon) -> _Edges:
    corners = np.asarray(shapely.geometry.polygon.orient(hull).exterior.coords)
    along = np.diff(corners, axis=0)
    outward = np.column_stack([along[:, 1], -along[:, 0]]) / np.linalg.norm(along, axis=1, keepdims=True)
    return _Edges(outward, np.einsum("ij,ij->i", outward, corners[:-1]))


def _stand(
    master: Master,
    feet: tuple[Polygon, ...],
    centre: Point,
    shell_kg: float,
    board_kg: float,
    halves: tuple[Polygon, ...],
    brief: CastBrief,
    progress: Progress,
) -> tuple[tuple[StandCheck, ...], Outline, Silhouettes | None, float]:
    """Push and wind about every side of the foot's hull, hull, silhouettes and wind pressure."""
    hull = unary_union(feet).convex_hull
    if not isinstance(hull, Polygon) or hull.area < 1.0:
        return (), (), None, 0.0
    edges = _hull_edges(hull)
    low_point = np.array(unary_union(halves).centroid.coords[0] if halves else hull.centroid.coords[0])
    holding = (
        GRAVITY_M_S2 * 1e-3 * (shell_kg * edges.lever_mm(np.array(centre[:2])) + board_kg * edges.lever_mm(low_point))
    )
    ballast_lever = edges.lever_mm(low_point)
    seen = silhouettes(master, progress)
    pressure = wind_pressure(brief.basic_wind_m_s, master.height_mm * 1e-3, brief.terrain_roughness_m)
    push_at = _push_at_mm(master, brief)
    push = np.full(len(holding), brief.push_n * push_at * 1e-3)
    wind = _wind_moments(edges, seen, pressure, brief)
    widest = int(np.argmax(seen.area_mm2))
    how_wind = (
        f"{WIND_SOURCE}: basic wind {brief.basic_wind_m_s:g} m/s, z0 {brief.terrain_roughness_m:g} m, peak pressure "
        f"{pressure.peak_pressure_pa:.0f} Pa, force coefficient {brief.wind_force_coefficient:g}, silhouette up to "
        f"{seen.area_mm2[widest] * 1e-6:.2f} m²"
    )
    checks = (
        _worst("push", push, holding, ballast_lever, edges, brief, f"{brief.push_n:g} N at {push_at:.0f} mm"),
        _worst("wind", wind, holding, ballast_lever, edges, brief, how_wind),
    )
    outline = outline_of(hull)
    return checks, outline, seen, pressure.peak_pressure_pa


def _push_at_mm(master: Master, brief: CastBrief) -> float:
    return min(brief.push_height_mm or PUSH_SHARE_OF_HEIGHT * master.height_mm, master.height_mm)


def _wind_moments(edges: _Edges, seen: Silhouettes, pressure: WindPressure, brief: CastBrief) -> np.ndarray:
    """(k,) greatest moment about each side over all wind directions, Nm: F = c_f q_p A at the silhouette's centre."""
    force_n = brief.wind_force_coefficient * pressure.peak_pressure_pa * seen.area_mm2 * 1e-6
    travel = np.column_stack([np.cos(seen.angle), np.sin(seen.angle)])
    toward = np.clip(edges.outward @ travel.T, 0.0, None)
    return (toward * (force_n * seen.centre_mm * 1e-3)).max(axis=1)


def _worst(
    cause: str,
    overturning: np.ndarray,
    holding: np.ndarray,
    ballast_lever_mm: np.ndarray,
    edges: _Edges,
    brief: CastBrief,
    how: str,
) -> StandCheck:
    """The side that asks for most ballast, or where none does, the side nearest to tipping."""
    short = brief.safety_factor * overturning - holding
    ballast = np.clip(short, 0.0, None) / (GRAVITY_M_S2 * ballast_lever_mm * 1e-3)
    k = int(np.argmax(ballast)) if ballast.max() > 0 else int(np.argmax(short))
    return StandCheck(
        cause=cause,
        overturning_nm=float(overturning[k]),
        holding_nm=float(holding[k]),
        ballast_kg=float(ballast[k]),
        tip_edge=_side_name(edges.outward[k]),
        factor=brief.safety_factor,
        method=f"{how}; moments about the {_side_name(edges.outward[k])}, the low end of the mass holding",
    )


def _side_name(outward: np.ndarray) -> str:
    """ "front left edge" and so on: front is -y, left is +x."""
    eighth = round(math.atan2(float(outward[1]), float(outward[0])) / (math.pi / 4)) % 8
    names = ("left", "back left", "back", "back right", "right", "front right", "front", "front left")
    return f"{names[eighth]} edge"


def _centres(feet: tuple[Polygon, ...]) -> tuple[tuple[float, float], ...]:
    """Middle of each foot, front first."""
    found = ((float(foot.centroid.x), float(foot.centroid.y)) for foot in feet)
    return tuple(sorted(found, key=lambda xy: (xy[1], xy[0])))


def _fixed(made: Cast, feet: tuple[Polygon, ...], master: Master, seen: Silhouettes | None, brief: CastBrief) -> Cast:
    """The cast with its sockets, or its frame where they do not do, for the worse of push and wind from any side, and
    with drains, vent, port, eyes."""
    fixings, frame, unfixed = None, None, ""
    if made.needs_fixing and made.foot_hull_mm and made.mass_kg_interval is not None and seen is not None:
        moment = max((check.overturning_nm for check in made.stands), default=0.0)
        pressure = brief.wind_force_coefficient * made.wind_pressure_pa * 1e-6
        force = max(brief.push_n, pressure * made.wind_area_mm2)
        fixings = design_fixings(
            made.foot_hull_mm, made.centre_of_mass_mm[:2], made.mass_kg_interval.low + made.baseboard_kg, moment,
            force, made.laminate_mm, least_plate_mm(master.height_mm), feet,
        )  # fmt: skip
        loads = Loads(brief.push_n, _push_at_mm(master, brief), pressure, seen)
        shell = check_shell(master, loads, made.laminate_mm, brief.glass_fraction)
        frame, why = frame_instead(master, feet, fixings, shell, made.thickness_mm, moment, force)
        unfixed = "" if frame is not None else why
        fixings = fixings if not why else None
    steel = fixings.mass_kg if fixings is not None else frame.mass_kg if frame is not None else 0.0
    lift_kg = made.lift_kg + steel
    openings = openings_of(_centres(feet), master.height_mm, made.ballast_kg > 0, made.needs_fixing, lift_kg)
    openings = openings if made.section != "carried" else ()
    said = (f"{unfixed[0].upper()}{unfixed[1:]}: {ENGINEER}",) if unfixed else ()
    return replace(made, fixings=fixings, frame=frame, unfixed=unfixed, openings=openings, lift_kg=lift_kg,
                   eyes=eyes_for(lift_kg), advice=(*made.advice, *said))  # fmt: skip


def _held_down(
    master: Master, stands: tuple[StandCheck, ...], catalogue: Catalogue
) -> tuple[tuple[StandCheck, ...], float, float, bool]:
    """The checks, the ballast in kg with its depth in mm, and whether the cast is fixed instead: then none is asked."""
    ballast = max((s.ballast_kg for s in stands), default=0.0)
    filled_mm3 = ballast / catalogue.ballast[0].density_kg_m3 * 1e9
    if ballast > MOST_BALLAST_KG or filled_mm3 > MOST_BALLAST_SHARE * master.volume_mm3:
        return tuple(replace(s, ballast_kg=0.0) for s in stands), 0.0, 0.0, True
    return stands, ballast, ballast_depth_mm(master, filled_mm3), False


# --- coming out, and what to say -------------------------------------------------------------------------


def _does_it_come_out(locks: Locks) -> tuple[bool, str]:
    """A rigid cast leaves a rubber glove when the glove may stretch past every lock: by the ring rule, a first look."""
    if locks.worst_stretch <= 0:
        return True, "No undercuts: the glove comes off the cast without stretching."
    worst = max(locks.regions, key=lambda region: region.stretch, default=None)
    where = f" at the {worst.name}" if worst is not None else ""
    allowed = (
        f"{percent(locks.stretch_allowed)} is allowed ({percent(locks.elongation_at_break)} at break, worked at "
        f"{percent(locks.stretch_allowed / locks.elongation_at_break)} of that)"
    )
    if locks.worst_stretch <= locks.stretch_allowed:
        return (
            True,
            f"By rule the glove stretches {percent(locks.worst_stretch)}{where} to leave the rigid cast; {allowed}.",
        )
    return False, (
        f"By rule the glove would have to stretch {strain_by_rule(locks.worst_stretch, locks.elongation_at_break)}"
        f"{where} to leave the rigid cast; {allowed}: peel it by mechanics, move the seam there, cast that part apart, "
        "or ease the undercut."
    )


def _is_it_peeled(peel: Peel) -> tuple[bool, str]:
    """By mechanics: the worst glove's verdict."""
    worst = max(peel.gloves, key=lambda glove: (glove.verdict == "stuck", glove.verdict == "doubtful"))
    if worst.verdict == "off":
        most, allowed = max(glove.stretch_high for glove in peel.gloves), percent(peel.stretch_allowed)
        return True, f"By mechanics the glove stretches up to {percent(most)}; {allowed} is allowed."
    return worst.verdict != "stuck", f"By mechanics the {worst.name} is {worst.verdict}: {' '.join(worst.why)}"


def _advice(
    master: Master,
    stands: tuple[StandCheck, ...],
    ballast_kg: float,
    depth_mm: float,
    fixed: bool,
    lift_kg: float,
    halves: tuple[Polygon, ...],
    comes_out: bool,
    reason: str,
    brief: Brief,
    catalogue: Catalogue,
) -> tuple[str, ...]:
    said = []
    if not comes_out:
        said.append(reason)
    gelcoat = catalogue.gelcoat_for(brief.materials)
    if not gelcoat.wet_low_mm <= brief.cast.gelcoat_wet_mm <= gelcoat.wet_high_mm:
        said.append(
            f"{brief.cast.gelcoat_wet_mm:g} mm of wet gelcoat is outside the {gelcoat.wet_low_mm:g} to "
            f"{gelcoat.wet_high_mm:g} mm of its catalogue entry: thin gelcoat wrinkles, thick gelcoat cracks."
        )
    if brief.cast.section == "carries":
        said.append(PART_ALONE)
    if brief.cast.section == "carried":
        said.append("It stays open at its cut, goes over the spigot of the part that carries it and is bonded there.")
    elif not stands:
        said.append("No foot was found to stand on: how the cast is held up is not checked here.")
    if master.base == "closed":
        said.append("With a closed base no hand reaches the joint from inside: leave an opening or join outside.")
    if not halves and master.base == "open" and brief.cast.section != "carried":
        said.append("The foot is too small for a baseboard inside the shell: glass it to a plate of its own.")
    said += [_fixing_advice(stands)] if fixed else _ballast_advice(master, ballast_kg, depth_mm)
    lift = check_lift(lift_kg, brief.jacket, "the cast")
    if not lift.passes:
        said.append(lift.reason[0].upper() + lift.reason[1:] + ".")
    return tuple(said)


def _fixing_advice(stands: tuple[StandCheck, ...]) -> str:
    """One sentence for a cast that no ballast a person carries in would hold."""
    worst = max(stands, key=lambda check: check.short_nm)
    return (
        f"The cast has to be fixed to the ground: against the stated {worst.cause} it lacks {worst.short_nm:.0f} N·m "
        f"about its {worst.tip_edge}, more than ballast carried in by the bag gives (at most {MOST_BALLAST_KG:.0f} kg "
        "and a quarter of the body). Plinth or anchor by others, for the place."
    )


def _ballast_advice(master: Master, ballast_kg: float, depth_mm: float) -> list[str]:
    if ballast_kg <= 0:
        return []
    said = [
        f"Put {ballast_kg:.0f} kg of ballast low in the foot where the cast stands: it fills the lowest "
        f"{depth_mm:.0f} mm; sliding and ground fixing are not checked here."
    ]
    if depth_mm > BALLAST_HIGH * master.height_mm:
        said.append(
            f"Ballast would fill {percent(depth_mm / master.height_mm)} of the height and no longer lie low: bolt the "
            "cast to a plinth or a buried slab instead, by a design for the place."
        )
    return said


def cast_assumptions(brief: CastBrief) -> tuple[Assumption, ...]:
    """The figures that the cast rests on, with their marks."""
    rule = Mark.COMMON_PRACTICE
    height = f"{percent(PUSH_SHARE_OF_HEIGHT)} of the height"
    low, high = GUIDES_GELCOAT_MM
    as_guides = low <= brief.gelcoat_wet_mm <= high
    guides = f"two suppliers' guides: {low:g} to {high:g} mm"
    return (
        Assumption(
            "gelcoat, wet",
            f"{brief.gelcoat_wet_mm:g} mm",
            rule,
            guides if as_guides else f"the brief; {guides}",
        ),
        Assumption("mat behind the gelcoat", f"{brief.mat_oz:g} oz/ft²", rule),
        Assumption("push", f"{brief.push_n:g} N", rule),
        Assumption("push height, where none is given", height, rule),
        Assumption("basic wind", f"{brief.basic_wind_m_s:g} m/s", rule, "the place's own figure decides"),
        Assumption("force coefficient", f"{brief.wind_force_coefficient:g}", rule),
        Assumption("wind pressure", "peak velocity pressure at the top", Mark.PUBLISHED, WIND_SOURCE),
        Assumption("air", f"{AIR_DENSITY_KG_M3:g} kg/m³", Mark.MEMORY, AIR_SOURCE),
        Assumption(
            "least heights of the wind profile", "1 to 10 m by terrain", Mark.PUBLISHED, "EN 1991-1-4, table 4.1"
        ),
        Assumption("factor against tipping", f"{brief.safety_factor:g}", rule),
        Assumption("most ballast carried in", f"{MOST_BALLAST_KG:.0f} kg and a quarter of the body", rule),
        *fixing_assumptions(),
        *frame_assumptions(),
        Assumption(
            "shell in bending over its foot",
            f"{percent(WORKED_SHARE)} of its tensile strength",
            Mark.COMMON_PRACTICE,
            "strength by ISO 12215-5, from memory",
        ),
        *joining_assumptions(),
    )
