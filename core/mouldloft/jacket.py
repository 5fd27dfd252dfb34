"""Stage 7, jacket: the rigid fibreglass shell over the glove: laminate, stiffness, bolts, weight, lifting.

Areas, masses and centres come from the glove's outside with its keys. Load checks look at panels of every size all
over that surface, by its own curvature (`panels`); where they fail the schedule is made heavier: more mat on the edge,
then on the field or on patches of it, then ribs. They are checks with stated loads, no certification.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from scipy import ndimage
from scipy.spatial import cKDTree

from .brief import Brief, CastBrief, JacketBrief
from .footflange import above_parting_mm, along_board, foot_lines, foot_pixels, on_board
from .heightmap import Cells, surface_cells
from .house import counted
from .keys import GRAVITY_M_S2, RUBBER_DENSITY_KG_DM3, Key, Keys, key_bumps
from .laminate import (
    GELCOAT_DENSITY_KG_DM3,
    Laminate,
    laminate_of,
    lay_up,
    mat_g_m2_from_oz,
    oz_from_mat_g_m2,
    resin_kg,
)
from .lifting import LiftCheck, check_lift, lifting_assumptions, pieces_to_lift, who_lifts
from .marks import Assumption, Mark
from .master import Master
from .panels import KNOCK_DOWN, PATCH_RADIUS_MM, POISSON, Panels, buckling_stress_mpa, find_panels, panels_under_load
from .panels import SOURCE as PANEL_SOURCE
from .progress import SILENT, Progress
from .rims import covered, on_parting, on_this_flange, points_along, rim_lines, seen_share, widest_step_mm
from .rubber import Envelope, Interval, Rubber
from .seam import Seam

if TYPE_CHECKING:
    from .catalogue import Catalogue

STRENGTH_SAFETY = 3.0  # common practice: against the breaking stress of hand-laid mat
HANGING_SHOCK = 2.0  # common practice: a piece on slings is set down with a jerk
BUCKLING_SAFETY = 3.0  # common practice: against the load at which a panel buckles
EXTRA_PLY_G_M2 = 450  # common practice: what a laminate is thickened with
MOST_EXTRA_OF_BRIEF = 1.0  # common practice: beyond as much mat again, ribs are lighter and cure cooler
MOST_PATCHED = 0.5  # common practice: of the field
LAP_MM = 50.0  # common practice: a patch runs on past what it stiffens
RIB_CORES_MM = (20.0, 30.0, 40.0, 50.0, 60.0, 80.0, 100.0)  # common practice: heights of foam or timber strip
RIB_WIDTH_MM = 40.0  # common practice
LEAST_RIB_PITCH_MM = 100.0  # common practice: closer, a core all over (sandwich) is less work
MOST_RIBS_A_PANEL = 8
MOST_RIBBED_PANELS = 8
BOLT_PITCH_MM = 150.0  # common practice
BOLT_EDGE_MM = 20.0  # common practice: two and a half diameters of an M8 from the rim
WASHER_RADIUS_MM = 12.0  # M8 wide washer, 24 mm
SPANNER_MM = 100.0  # common practice: room over a bolt in the board
WEDGE_PITCH_MM = 400.0  # common practice
WEDGE_CLEAR_MM = 35.0  # half a wedge's width, and room for the hand that drives it
HAND_LAID_VARIATION = 0.10  # common practice: resin taken up by hand, from one laminator to the next
SAMPLES = 15_000  # of the surface, for the panel search
BEAMS = "(Timoshenko, Strength of materials; from memory, verify)"
BUCKLING_SOURCE = (
    "shallow shell held at its edges (Timoshenko & Gere, Theory of elastic stability; from memory, verify), "
)
BUCKLING_SOURCE += f"{KNOCK_DOWN:.0%} of its curve counted on (after NASA SP-8007, from memory, verify)"
ZONES = ("field", "handling edge", "flange", "patch")


@dataclass(frozen=True)
class Zone:
    """A zone of the jacket with one laminate. mat_g_m2 is the sum of the layers as sold."""

    name: str  # "field", "handling edge", "flange"; "patch" and "ribs" where there are any
    area_mm2: float
    mat_g_m2: float
    mat_oz_ft2: float
    layers: tuple[str, ...]  # schedule, mat weights as sold
    thickness_mm: float
    glass_kg: float
    resin_kg: float


@dataclass(frozen=True)
class Patch:
    """Where the field is laid heavier: all outside within a reach of a point."""

    centre_mm: tuple[float, float, float]
    radius_mm: float


@dataclass(frozen=True)
class Rib:
    """A strip of foam or timber bonded to the outside and glassed over, the stiffness of its core not counted on."""

    start_mm: tuple[float, float, float]
    end_mm: tuple[float, float, float]
    core_height_mm: float
    core_width_mm: float
    layers: tuple[str, ...]


@dataclass(frozen=True)
class LoadCheck:
    """A stiffness, strength or buckling check, with its load stated."""

    what: str
    load: str
    value: float
    limit: float
    unit: str
    passes: bool
    method: str  # formula and source


@dataclass(frozen=True)
class JacketPiece:
    """One jacket piece."""

    piece: int
    name: str
    zones: tuple[Zone, ...]
    area_mm2: float
    mass_kg: float
    rubber_mass_kg: float
    centre_of_mass_mm: tuple[float, float, float]
    bolts_mm: tuple[tuple[float, float, float], ...]  # on the parting surface, shared by the pieces that meet there
    wedge_points_mm: tuple[tuple[float, float, float], ...]
    bolt_pitch_mm: float  # the widest distance between neighbours along the flange
    checks: tuple[LoadCheck, ...]
    lift: LiftCheck  # jacket alone
    lift_with_glove: LiftCheck
    mass_interval_kg: Interval | None = None
    patches: tuple[Patch, ...] = ()  # where the zone "patch" lies
    ribs: tuple[Rib, ...] = ()
    # on the board, through the flange that lies on it round the foot
    foot_bolts_mm: tuple[tuple[float, float, float], ...] = ()
    foot_wedge_points_mm: tuple[tuple[float, float, float], ...] = ()


@dataclass(frozen=True)
class Jacket:
    """The shell in pieces. advice holds sentences such as: more hands, or more pieces."""

    pieces: tuple[JacketPiece, ...]
    gelcoat_kg: float  # 0: the jacket's face is rubber, no tooling coat is laid
    advice: tuple[str, ...]


def lay_up_jacket(
    master: Master | None,
    seam: Seam | None,
    rubber: Rubber,
    keys: Keys,
    brief: Brief,
    catalogue: Catalogue | None = None,
    progress: Progress = SILENT,
) -> Jacket:
    """Lay up the jacket over the glove and its keys, place bolts and wedges, check stiffness and lifting.

    The catalogue gives the rubber's density; without one the typical 1.08 kg/dm³ is taken. Master and seam
    are the pipeline's; the outside is all that is needed.
    """
    density = rubber_density_kg_dm3(catalogue, brief)
    start = _Schedule(*jacket_laminates(catalogue, brief))
    ply = _extra_ply(catalogue, brief)
    by_hand = HAND_LAID_VARIATION if catalogue is None else catalogue.rates.laminate_uncertainty
    outsides: list[_Outside] = []
    for at, envelope in enumerate(rubber.envelopes):
        progress.step(0.4 * at / len(rubber.envelopes), f"area of the {envelope.name}")
        outsides.append(_measure(envelope, rubber, keys, rubber.parts[at].total_mm3, density, by_hand))
    progress.step(0.4, "bolts and wedges")
    bolts, wedges = _place_fasteners(rubber, keys)
    feet = [_place_on_board(e, rubber, keys, bolts[at].points_mm) for at, e in enumerate(rubber.envelopes)]
    standing = _stand_closed(outsides, start, _cast_kg_mm2(brief.cast))
    pieces = []
    for at, outside in enumerate(outsides):
        progress.step(0.5 + 0.5 * at / len(outsides), f"loads on the {outside.envelope.name}")
        loads = _loads(outside, standing, max(bolts[at].pitch_mm, feet[at].pitch_mm), rubber, brief)
        schedule = _strengthen(outside, start, ply, loads)
        shell = _lay(outside, schedule)
        checks = _check_loads(outside, schedule, loads)
        pieces.append(_piece(shell, bolts[at], wedges[at], feet[at], checks, brief.jacket))
    progress.step(1.0)
    adds = [_cut_adds_kg(outside, start.edge, rubber) for outside in outsides]
    cast = _cast_kg_mm2(brief.cast) * sum(outside.area_mm2 for outside in outsides)
    mould_kg = sum(piece.mass_kg + piece.rubber_mass_kg for piece in pieces) + cast
    return Jacket(tuple(pieces), 0.0, tuple(_advice(pieces, start, adds, mould_kg, brief.jacket)))


def rubber_density_kg_dm3(catalogue: Catalogue | None, brief: Brief) -> float:
    """Density of the brief's rubber by the catalogue, or the typical one."""
    if catalogue is None:
        return RUBBER_DENSITY_KG_DM3
    return catalogue.rubber_for(brief.materials).density_kg_m3 / 1000.0


def _extra_ply(catalogue: Catalogue | None, brief: Brief) -> Laminate:
    """What a laminate is thickened with."""
    mats = [float(EXTRA_PLY_G_M2)]
    if catalogue is not None:
        mats = [mat.mat_g_m2 for mat in catalogue.mats_as((EXTRA_PLY_G_M2,), EXTRA_PLY_G_M2, brief.materials)]
    return laminate_of(mats, brief.jacket.glass_fraction)


def jacket_laminates(catalogue: Catalogue | None, brief: Brief) -> tuple[Laminate, Laminate]:
    """Laminates of the field and of the edges and flange, in the catalogue's mats."""
    made = []
    for oz in (brief.jacket.mat_oz, brief.jacket.mat_oz + brief.jacket.edge_extra_oz):
        if catalogue is None:
            made.append(lay_up(mat_g_m2_from_oz(oz), brief.jacket.glass_fraction))
        else:
            mats = catalogue.mat_layers(oz, brief.materials)
            made.append(laminate_of([m.mat_g_m2 for m in mats], brief.jacket.glass_fraction))
    return made[0], made[1]


# --- area and mass ---------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Outside:
    """One piece's outside before any laminate. Cell arrays are flat, over cells with area, in plan coordinates;
    cell_zone indexes `ZONES`. error is the area's share from resolution, by_hand the laminator's."""

    envelope: Envelope
    rubber_kg: float
    rubber_mm3: float
    area_mm2: float
    error: float
    by_hand: float
    cell_area_mm2: np.ndarray
    cell_centre_mm: np.ndarray
    cell_normal: np.ndarray
    cell_zone: np.ndarray
    foot_mm2: float  # of the flange that lies on the board round the foot
    panels: Panels
    samples_mm: np.ndarray  # (n, 3) spread evenly over the body


@dataclass(frozen=True)
class _Schedule:
    """What is laid where on one piece."""

    field: Laminate
    edge: Laminate
    patch: Laminate | None = None
    patches: tuple[Patch, ...] = ()
    ribs: tuple[Rib, ...] = ()
    ribbed: tuple[_Ribbed, ...] = ()

    @property
    def heaviest(self) -> Laminate:
        """What the field carries where it is laid heaviest."""
        return self.patch or self.field


@dataclass(frozen=True)
class _Ribbed:
    """A round panel with ribs along it: what leans in it comes on a strip between two of them."""

    disc: Patch
    pitch_mm: float
    core_height_mm: float

    @property
    def strip_mm(self) -> float:
        """Clear width between two ribs."""
        return self.pitch_mm - RIB_WIDTH_MM


@dataclass(frozen=True, eq=False)
class _Shell:
    """One piece's shell, laid up."""

    envelope: Envelope
    schedule: _Schedule
    zones: tuple[Zone, ...]
    area_mm2: float
    foot_mm2: float
    mass_kg: float
    rubber_kg: float
    interval: Interval
    centre_mm: np.ndarray


def outside_with_keys(envelope: Envelope, keys: Iterable[Key]) -> np.ndarray:
    """(rows, columns) float32: the glove's outside, keys included; NaN where no jacket goes."""
    outside = envelope.outer_mm + key_bumps(envelope, keys)
    return np.where(covered(envelope), outside, np.float32(np.nan))


def reach_from_flange_mm(envelope: Envelope) -> np.ndarray:
    """(rows, columns) distance from the flange up the glove's outside, straight; NaN where no jacket goes,
    infinite
    where there is no flange."""
    inside = covered(envelope)
    flange = envelope.flange & inside
    if not flange.any():
        return np.where(inside, np.inf, np.nan)
    far, (i, j) = ndimage.distance_transform_edt(~flange, return_indices=True)
    up = envelope.outer_mm - envelope.outer_mm[i, j]
    return np.where(inside, np.hypot(far * envelope.pixel_mm, up), np.nan)


def zone_of_cells(envelope: Envelope, cells: Cells, edge_band_mm: float) -> np.ndarray:
    """(rows - 1, columns - 1) int8: 0 field, 1 handling edge, 2 flange.

    A cell is flange where every known corner is; the handling edge reaches `edge_band_mm` from the flange, up
    the surface.
    """
    inside = covered(envelope)
    flange = envelope.flange & inside
    zone = np.zeros(cells.area_mm2.shape, np.int8)
    if flange.any():
        reach = reach_from_flange_mm(envelope)
        corners = np.stack([reach[:-1, :-1], reach[:-1, 1:], reach[1:, 1:], reach[1:, :-1]])
        known = np.isfinite(corners)
        middle = np.where(known, corners, 0.0).sum(axis=0) / np.maximum(known.sum(axis=0), 1)
        zone[middle <= edge_band_mm] = 1
        zone[_every_corner(~inside | flange)] = 2
    return zone


def _every_corner(pixels: np.ndarray) -> np.ndarray:
    """(rows - 1, columns - 1) bool: all four corners of a cell. Missing ones are passed in as True."""
    both = pixels[:-1] & pixels[1:]
    return both[:, :-1] & both[:, 1:]


def _measure(
    envelope: Envelope, rubber: Rubber, keys: Keys, rubber_mm3: float, density: float, by_hand: float
) -> _Outside:
    outside = outside_with_keys(envelope, keys.keys)
    cells = surface_cells(outside, envelope.origin_mm, envelope.pixel_mm)
    used = cells.area_mm2 > 0
    area = cells.area_mm2[used]
    half = surface_cells(outside[::2, ::2], envelope.origin_mm, 2.0 * envelope.pixel_mm)
    # sideways, the coarser map also loses a strip of rim: the difference is an upper bound
    error = abs(float(half.area_mm2.sum()) / float(area.sum()) - 1.0) if len(area) else 0.0
    samples, normals, each = _bare_samples(envelope)
    zone = zone_of_cells(envelope, cells, rubber.edge_band_mm)
    foot = foot_pixels(envelope, rubber.flange_width_mm, rubber.flange_thickness_mm, len(rubber.envelopes) > 2)
    on_foot = foot[:-1, :-1] & foot[:-1, 1:]  # a row of cells above it is its face, seen along the pull
    zone[on_foot] = 2
    return _Outside(
        envelope, rubber_mm3 * density * 1e-6, rubber_mm3, float(area.sum()), error, by_hand, area,
        envelope.frame.to_master(cells.centre_mm[used]), envelope.frame.to_master(cells.normal[used]),
        zone[used],
        float(cells.area_mm2[on_foot].sum()),
        find_panels(samples, normals, each), samples,
    )  # fmt: skip


def within(points_mm: np.ndarray, patches: Iterable[Patch]) -> np.ndarray:
    """(k,) bool: which of (k, 3) plan points lie in any of the patches."""
    found = np.zeros(len(points_mm), bool)
    for patch in patches:
        found |= ((points_mm - np.asarray(patch.centre_mm)) ** 2).sum(axis=1) <= patch.radius_mm**2
    return found


def laminate_mm(piece: JacketPiece, envelope: Envelope, edge_band_mm: float) -> np.ndarray:
    """(rows, columns) thickness of the jacket's laminate over each pixel of the glove's outside, ribs left out; NaN
    where no jacket goes."""
    thick = {zone.name: zone.thickness_mm for zone in piece.zones}
    reach = reach_from_flange_mm(envelope)
    found = np.where(reach <= edge_band_mm, thick["handling edge"], thick["field"])
    i, j = np.nonzero(np.isfinite(reach) | (reach == np.inf))
    if piece.patches:
        x0, y0 = envelope.origin_mm
        at = np.column_stack([x0 + j * envelope.pixel_mm, y0 + i * envelope.pixel_mm, envelope.outer_mm[i, j]])
        patched = within(envelope.frame.to_master(at), piece.patches) & ~envelope.flange[i, j]
        found[i[patched], j[patched]] = np.maximum(found[i[patched], j[patched]], thick["patch"])
    return np.where(covered(envelope), found, np.nan)


def _lay(outside: _Outside, schedule: _Schedule) -> _Shell:
    """Areas and masses of a schedule's zones; a patch lies where it is heavier than what it lies on."""
    which = outside.cell_zone.copy()
    laid = [schedule.field, schedule.edge, schedule.edge]
    if schedule.patch is not None:
        laid.append(schedule.patch)
        lighter = (which == 0) | ((which == 1) & (schedule.edge.glass_g_m2 < schedule.patch.glass_g_m2))
        which[lighter & within(outside.cell_centre_mm, schedule.patches)] = 3
    area = outside.cell_area_mm2
    zones = [
        _zone(name, float(area[which == k].sum()), laminate) for k, (name, laminate) in enumerate(zip(ZONES, laid))
    ]
    mass_each = area * 1e-6 * np.array([laminate.mass_kg_m2 for laminate in laid])[which]
    moment = (mass_each[:, None] * outside.cell_centre_mm).sum(axis=0)
    mass = float(mass_each.sum())
    if schedule.ribs:
        zone, moments = _rib_zone(schedule)
        zones.append(zone)
        mass, moment = mass + zone.glass_kg + zone.resin_kg, moment + moments
    middle = moment / mass if mass > 0 else np.zeros(3)
    spread = float(np.hypot(outside.error, outside.by_hand))
    causes = (("column image resolution", outside.error), ("resin taken up by hand", outside.by_hand))
    interval = Interval(mass * (1 - spread), mass, mass * (1 + spread), causes)
    return _Shell(
        outside.envelope,
        schedule,
        tuple(zones),
        outside.area_mm2,
        outside.foot_mm2,
        mass,
        outside.rubber_kg,
        interval,
        middle,
    )


def _rib_zone(schedule: _Schedule) -> tuple[Zone, np.ndarray]:
    """The ribs' laminate, over crown, sides and a lap on each side, and its moment about the origin, kg mm."""
    area, moment = 0.0, np.zeros(3)
    for rib in schedule.ribs:
        ends = np.array([rib.start_mm, rib.end_mm])
        over = rib_girth_mm(rib.core_height_mm) * float(np.linalg.norm(ends[1] - ends[0]))
        area += over
        moment += over * 1e-6 * schedule.edge.mass_kg_m2 * ends.mean(axis=0)
    return _zone("ribs", area, schedule.edge), moment


def rib_girth_mm(core_height_mm: float) -> float:
    """Across a rib's laminate: crown, two sides, two laps."""
    return RIB_WIDTH_MM + 2.0 * core_height_mm + 2.0 * LAP_MM


def _zone(name: str, area_mm2: float, laminate: Laminate) -> Zone:
    glass = area_mm2 * 1e-6 * laminate.glass_g_m2 / 1000.0
    return Zone(
        name=name,
        area_mm2=area_mm2,
        mat_g_m2=laminate.glass_g_m2,
        mat_oz_ft2=oz_from_mat_g_m2(laminate.glass_g_m2),
        layers=laminate.layers,
        thickness_mm=laminate.thickness_mm,
        glass_kg=glass,
        resin_kg=resin_kg(glass, laminate.glass_fraction),
    )


def _piece(
    shell: _Shell,
    bolts: _Bolts,
    wedges: np.ndarray,
    feet: _Foot,
    checks: tuple[LoadCheck, ...],
    brief: JacketBrief,
) -> JacketPiece:
    name = shell.envelope.name
    both = shell.mass_kg + shell.rubber_kg
    return JacketPiece(
        piece=shell.envelope.piece,
        name=name,
        zones=shell.zones,
        area_mm2=shell.area_mm2,
        mass_kg=shell.mass_kg,
        rubber_mass_kg=shell.rubber_kg,
        centre_of_mass_mm=_point(shell.centre_mm),
        bolts_mm=tuple(_point(b) for b in bolts.points_mm),
        wedge_points_mm=tuple(_point(w) for w in wedges),
        bolt_pitch_mm=bolts.pitch_mm,
        checks=checks,
        lift=check_lift(shell.mass_kg, brief, f"the {name} of the jacket"),
        lift_with_glove=check_lift(both, brief, f"the {name} of the jacket with its glove"),
        mass_interval_kg=shell.interval,
        patches=shell.schedule.patches,
        ribs=shell.schedule.ribs,
        foot_bolts_mm=tuple(_point(b) for b in feet.bolts_mm),
        foot_wedge_points_mm=tuple(_point(w) for w in feet.wedges_mm),
    )


def _point(values: np.ndarray) -> tuple[float, float, float]:
    return float(values[0]), float(values[1]), float(values[2])


# --- bolts and wedges ------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Bolts:
    points_mm: np.ndarray  # (k, 3) plan coordinates
    pitch_mm: float


def _place_fasteners(rubber: Rubber, keys: Keys) -> tuple[list[_Bolts], list[np.ndarray]]:
    """Bolts and wedge points of every piece; pieces that meet share them, so both flanges take the same
    hole.
    """
    all_bolts: list[_Bolts] = []
    all_wedges: list[np.ndarray] = []
    for envelope in rubber.envelopes:
        if not (envelope.flange & covered(envelope)).any():
            all_bolts.append(_Bolts(np.zeros((0, 3)), 0.0))
            all_wedges.append(np.zeros((0, 3)))
            continue
        feet, reach = _keys_on_flange(envelope, rubber, keys)
        inset = min(BOLT_EDGE_MM, rubber.flange_width_mm / 2.0)
        lines, seen = rim_lines(envelope, inset), 1.0
        if len(rubber.envelopes) > 2:  # a flange that leans looks narrower and shorter along the pull
            seen = seen_share(envelope, lines)
            lines = rim_lines(envelope, seen * inset)
        shared = _shared(envelope, [b.points_mm for b in all_bolts])
        xy = points_along(lines, seen * BOLT_PITCH_MM, _clear_of(feet, reach + WASHER_RADIUS_MM), shared)
        all_bolts.append(_Bolts(on_parting(envelope, xy), widest_step_mm(lines, xy, BOLT_EDGE_MM) / seen))
        blocked = np.concatenate([feet, xy])
        clear = np.concatenate([reach, np.full(len(xy), WEDGE_CLEAR_MM)])
        rim = rim_lines(envelope, 1.5 * envelope.pixel_mm)
        shared = _shared(envelope, all_wedges)
        wedges = points_along(rim, WEDGE_PITCH_MM, _clear_of(blocked, clear), shared, phase=0.5)
        all_wedges.append(on_parting(envelope, wedges))
    return all_bolts, all_wedges


@dataclass(frozen=True, eq=False)
class _Foot:
    bolts_mm: np.ndarray  # (k, 3) plan coordinates, on the board
    wedges_mm: np.ndarray
    pitch_mm: float


def _place_on_board(envelope: Envelope, rubber: Rubber, keys: Keys, bolts_mm: np.ndarray) -> _Foot:
    """Bolts down through the foot's flange into the board, and wedge points under its rim: off the parting flange,
    clear of its bolts and of the keys low enough to be in a spanner's way."""
    any_pull = len(rubber.envelopes) > 2
    pixels = foot_pixels(envelope, rubber.flange_width_mm, rubber.flange_thickness_mm, any_pull)
    if not pixels.any():
        return _Foot(np.zeros((0, 3)), np.zeros((0, 3)), 0.0)
    low = [k for k in keys.keys if k.foot_mm[2] < rubber.flange_thickness_mm + SPANNER_MM]
    inset = min(BOLT_EDGE_MM, rubber.flange_width_mm / 2.0)
    near = [np.array([k.foot_mm for k in low]).reshape(-1, 3), bolts_mm[bolts_mm[:, 2] < SPANNER_MM]]
    blocked = along_board(envelope, np.concatenate(near), any_pull)
    reach = np.concatenate([[k.reach_mm for k in low], np.full(len(near[1]), WEDGE_CLEAR_MM)])
    aside = rubber.flange_thickness_mm + inset

    def usable(points: np.ndarray, clear_mm: np.ndarray) -> Callable[[np.ndarray], np.ndarray]:
        clear = _clear_of(points, clear_mm)
        thick = rubber.flange_thickness_mm
        return lambda spots: clear(spots) & (above_parting_mm(envelope, pixels, spots, thick, any_pull) >= aside)

    nothing = np.zeros((0, 2))
    lines = foot_lines(envelope, pixels, inset, any_pull)
    spots = points_along(lines, BOLT_PITCH_MM, usable(blocked, reach + WASHER_RADIUS_MM), nothing)
    rims = foot_lines(envelope, pixels, 1.5 * envelope.pixel_mm, any_pull)
    blocked, reach = np.concatenate([blocked, spots]), np.concatenate([reach, np.full(len(spots), WEDGE_CLEAR_MM)])
    wedges = points_along(rims, WEDGE_PITCH_MM, usable(blocked, reach), nothing, phase=0.5)
    bolts_at, wedges_at = (on_board(envelope, at, any_pull) for at in (spots, wedges))
    return _Foot(bolts_at, wedges_at, widest_step_mm(lines, spots, BOLT_EDGE_MM))


def _clear_of(points: np.ndarray, distance_mm: np.ndarray) -> Callable[[np.ndarray], np.ndarray]:
    def usable(spots: np.ndarray) -> np.ndarray:
        if len(points) == 0:
            return np.ones(len(spots), bool)
        apart = np.linalg.norm(spots[:, None] - points[None], axis=2)
        return np.asarray((apart >= distance_mm[None]).all(axis=1))

    return usable


def _keys_on_flange(envelope: Envelope, rubber: Rubber, keys: Keys) -> tuple[np.ndarray, np.ndarray]:
    """(k, 2) frame positions and (k,) reaches of the piece's keys, and of those on the flange against its
    own.
    """
    if not keys.keys:
        return np.zeros((0, 2)), np.zeros(0)
    feet = np.array([k.foot_mm for k in keys.keys])
    mine = np.array([k.piece == envelope.piece for k in keys.keys])
    here = mine | on_this_flange(envelope, feet, 2.0 * rubber.flange_thickness_mm)
    reach = np.array([k.reach_mm for k in keys.keys])
    return envelope.frame.to_frame(feet[here])[:, :2], reach[here]


def _shared(envelope: Envelope, placed: Sequence[np.ndarray]) -> np.ndarray:
    """(k, 2) frame positions of points placed for other pieces that lie on this flange too."""
    points = np.concatenate([np.zeros((0, 3)), *placed])
    here = on_this_flange(envelope, points, 3.0 * envelope.pixel_mm)
    return envelope.frame.to_frame(points[here])[:, :2]


# --- loads -----------------------------------------------------------------------------------------------


def surface_samples(
    area_mm2: np.ndarray, centre_mm: np.ndarray, normal: np.ndarray, pixel_mm: float, count: int
) -> tuple[np.ndarray, np.ndarray, float]:
    """(count, 3) points spread evenly by area over flat cell arrays, their normals, and the mm² of each.

    Steep cells are long along the pull: points lie anywhere on them, not at their middle. Seeded.
    """
    rng = np.random.default_rng(20_240_617)
    total = np.cumsum(area_mm2)
    which = np.searchsorted(total, (np.arange(count) + 0.5) / count * total[-1])
    offset = np.zeros((count, 3))
    offset[:, :2] = (rng.random((count, 2)) - 0.5) * pixel_mm
    n = normal[which]
    offset[:, 2] = -(offset[:, :2] * n[:, :2]).sum(axis=1) / np.maximum(n[:, 2], 1e-3)
    return centre_mm[which] + offset, n, float(total[-1] / count)


def _cast_kg_mm2(cast: CastBrief) -> float:
    """Wet cast per mm² of mould: gelcoat and the laminate behind it."""
    laminate = lay_up(mat_g_m2_from_oz(cast.mat_oz), cast.glass_fraction).mass_kg_m2
    return (laminate + cast.gelcoat_wet_mm * GELCOAT_DENSITY_KG_DM3) * 1e-6


@dataclass(frozen=True, eq=False)
class _Loads:
    """What one piece is checked under. line_n_mm : (k,) what runs down the wall at each panel's height."""

    brief: JacketBrief
    pressure_mpa: float  # rubber and wet cast
    cast_kg_mm2: float
    line_n_mm: np.ndarray
    mould_kg: float
    pitch_mm: float  # between bolts, 0 without a flange
    flange_width_mm: float


@dataclass(frozen=True, eq=False)
class _Standing:
    """The closed mould as it stands: its mass, and what runs down each millimetre of wall at (k,) heights."""

    mould_kg: float
    level_mm: np.ndarray
    line_n_mm: np.ndarray


def _stand_closed(outsides: Sequence[_Outside], start: _Schedule, cast_kg_mm2: float) -> _Standing:
    """The jackets' weight counts twice over, since as much mat again may be laid on them."""
    jackets = 2.0 * sum(_lay(o, start).mass_kg for o in outsides)
    total = sum(o.area_mm2 for o in outsides)
    mould_kg = jackets + sum(o.rubber_kg for o in outsides) + total * cast_kg_mm2
    area = np.concatenate([o.cell_area_mm2 for o in outsides])
    height = np.concatenate([o.cell_centre_mm[:, 2] for o in outsides])
    upright = np.concatenate([o.cell_normal[:, 2] for o in outsides])
    body = np.concatenate([o.cell_zone for o in outsides]) < 2
    edges, wall = section_lengths_mm(area[body], height[body], upright[body])
    above = np.histogram(height, edges, weights=area)[0][::-1].cumsum()[::-1] / max(total, 1e-9)
    line = mould_kg * above * GRAVITY_M_S2 / np.maximum(wall, 1.0)
    return _Standing(mould_kg, (edges[1:] + edges[:-1]) / 2.0, line)


def _loads(outside: _Outside, standing: _Standing, pitch_mm: float, rubber: Rubber, brief: Brief) -> _Loads:
    cast = _cast_kg_mm2(brief.cast)
    pressure = (outside.rubber_kg / max(outside.area_mm2, 1e-9) + cast) * GRAVITY_M_S2
    at = np.interp(outside.panels.centre_mm[:, 2], standing.level_mm, standing.line_n_mm)
    return _Loads(brief.jacket, pressure, cast, at, standing.mould_kg, pitch_mm, rubber.flange_width_mm)


@dataclass(frozen=True, eq=False)
class _Found:
    """(3, k) deflection mm, bending stress MPa and pressing stress MPa of panels, and what each may be."""

    value: np.ndarray
    limit: np.ndarray

    @property
    def use(self) -> np.ndarray:
        """(k,) the greatest share of a limit that a panel takes."""
        return (self.value / self.limit).max(axis=0)


def _look(panels: Panels, line_n_mm: np.ndarray, laminate: Laminate, loads: _Loads, strip_mm: float) -> _Found:
    """Panels of one laminate under its loads, none wider than a strip."""
    width = np.minimum(2.0 * panels.radius_mm, strip_mm)
    given = panels_under_load(panels, laminate, loads.brief.leaning_load_n, loads.pressure_mpa, width)
    buckles = buckling_stress_mpa(replace(panels, radius_mm=width / 2.0), laminate) / BUCKLING_SAFETY
    strong = np.full(len(panels), laminate.flexural_strength_mpa / STRENGTH_SAFETY)
    value = np.array([given.deflection_mm, given.stress_mpa, line_n_mm / laminate.thickness_mm])
    return _Found(value, np.array([width / loads.brief.deflection_limit_ratio, strong, buckles]))


def _strengthen(outside: _Outside, start: _Schedule, ply: Laminate, loads: _Loads) -> _Schedule:
    """The schedule made heavier where a check fails, no more than a workshop would: plies on the edge for the flange,
    plies on the whole field or on patches, whichever takes less glass, and ribs where the most plies do not do."""
    most = int(MOST_EXTRA_OF_BRIEF * start.field.glass_g_m2 / ply.glass_g_m2)
    made = start
    for extra in range(most + 1):
        made = replace(start, edge=_with_plies(start.edge, ply, extra))
        if all(check.passes for check in _flange_checks(_lay(outside, made), loads)):
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


def _least_glass(outside: _Outside, made: _Schedule, ply: Laminate, weak: Sequence[Panels], needed: int) -> _Schedule:
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
    edge = max(made.edge, laid, key=lambda laminate: laminate.glass_g_m2)  # never lighter than the field beside it
    patch = _with_plies(laid, ply, on_patches) if patches else None
    return replace(made, field=laid, edge=edge, patch=patch, patches=patches)


def _cover(panels: Panels) -> tuple[Patch, ...]:
    """Rounds over all the panels and a lap past them, largest first, none inside another."""
    kept: list[Patch] = []
    for k in np.argsort(-panels.radius_mm, kind="stable"):
        centre, radius = panels.centre_mm[k], float(panels.radius_mm[k]) + LAP_MM
        if not any(np.linalg.norm(centre - p.centre_mm) + radius <= p.radius_mm + 1e-6 for p in kept):
            kept.append(Patch(_point(centre), radius))
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


def _rib_found(ribbed: _Ribbed, schedule: _Schedule, loads: _Loads) -> tuple[float, float]:
    """Deflection mm and stress MPa of one rib, free to turn at its ends, with its strip's load and all the person:
    P L³/48 E I + 5 q L⁴/384 E I, (P L/4 + q L²/8) c / I."""
    second, far = rib_section(ribbed.core_height_mm, schedule.edge, schedule.heaviest)
    span, point, line = 2.0 * ribbed.disc.radius_mm, loads.brief.leaning_load_n, loads.pressure_mpa * ribbed.pitch_mm
    stiff = schedule.edge.modulus_mpa * second
    sag = point * span**3 / (48.0 * stiff) + 5.0 * line * span**4 / (384.0 * stiff)
    return sag, (point * span / 4.0 + line * span**2 / 8.0) * far / second


def _rib_limits(ribbed: _Ribbed, schedule: _Schedule, loads: _Loads) -> tuple[float, float]:
    span = 2.0 * ribbed.disc.radius_mm
    return span / loads.brief.deflection_limit_ratio, schedule.edge.flexural_strength_mpa / STRENGTH_SAFETY


def _rib_up(outside: _Outside, made: _Schedule, weak: np.ndarray, loads: _Loads) -> _Schedule:
    """Ribs along the weak panels, the largest first: as many as make the strips between them pass, as high as carries
    them. What they cannot help is left to the checks to say."""
    ribbed: list[_Ribbed] = []
    ribs: list[Rib] = []
    surface = cKDTree(outside.cell_centre_mm)
    while len(weak) and len(ribbed) < MOST_RIBBED_PANELS:
        first = weak[np.argmax(outside.panels.radius_mm[weak])]
        disc = Patch(_point(outside.panels.centre_mm[first]), float(outside.panels.radius_mm[first]))
        inside = within(outside.panels.centre_mm[weak], [disc])
        found = _ribs_for(outside, made, weak[inside], disc, loads)
        weak = weak[~inside]
        if found is not None:
            ribbed.append(found)
            ribs += _draw_ribs(outside, found, outside.panels.along[first], made.edge, surface)
    return replace(made, ribbed=tuple(ribbed), ribs=tuple(ribs))


def _ribs_for(outside: _Outside, made: _Schedule, weak: np.ndarray, disc: Patch, loads: _Loads) -> _Ribbed | None:
    for count in range(1, MOST_RIBS_A_PANEL + 1):
        pitch = 2.0 * disc.radius_mm / (count + 1)
        if pitch < LEAST_RIB_PITCH_MM:
            return None
        strip = pitch - RIB_WIDTH_MM
        if _look(outside.panels.only(weak), loads.line_n_mm[weak], made.heaviest, loads, strip).use.max() > 1.0:
            continue
        for height in RIB_CORES_MM:
            tried = _Ribbed(disc, pitch, height)
            pairs = zip(_rib_found(tried, made, loads), _rib_limits(tried, made, loads), strict=True)
            if all(found <= limit for found, limit in pairs):
                return tried
    return None


def _draw_ribs(
    outside: _Outside, ribbed: _Ribbed, along: np.ndarray, laminate: Laminate, surface: cKDTree
) -> list[Rib]:
    """Chords of the disc along its straighter way, a strip apart, their ends on the surface."""
    centre, radius = np.asarray(ribbed.disc.centre_mm), ribbed.disc.radius_mm
    across = np.cross(outside.cell_normal[surface.query(centre)[1]], along)
    count = round(2.0 * radius / ribbed.pitch_mm) - 1
    made = []
    for off in (np.arange(count) - (count - 1) / 2.0) * ribbed.pitch_mm:
        half = np.sqrt(radius**2 - off**2)
        ends = outside.cell_centre_mm[surface.query([centre + off * across + way * half * along for way in (-1, 1)])[1]]
        made.append(Rib(_point(ends[0]), _point(ends[1]), ribbed.core_height_mm, RIB_WIDTH_MM, laminate.layers))
    return made


# --- the checks as they stand ----------------------------------------------------------------------------


def _check_loads(outside: _Outside, schedule: _Schedule, loads: _Loads) -> tuple[LoadCheck, ...]:
    checks: list[LoadCheck] = []
    if len(outside.panels):
        checks += _panel_checks(outside, schedule, loads)
    checks += [_rib_check(ribbed, schedule, loads) for ribbed in schedule.ribbed]
    return (*checks, *_flange_checks(_lay(outside, schedule), loads))


def _final_look(outside: _Outside, schedule: _Schedule, loads: _Loads) -> tuple[_Found, np.ndarray]:
    """All panels as laid: those wholly in a patch with its laminate, those with ribs between them; and (k,) widths."""
    panels, line = outside.panels, loads.line_n_mm
    value, limit = np.zeros((3, len(panels))), np.ones((3, len(panels)))
    patched = np.zeros(len(panels), bool)
    for patch in schedule.patches:
        away = np.linalg.norm(panels.centre_mm - patch.centre_mm, axis=1)
        patched |= away + panels.radius_mm <= patch.radius_mm
    strip = np.full(len(panels), np.inf)
    for ribbed in reversed(schedule.ribbed):
        strip[within(panels.centre_mm, [ribbed.disc])] = ribbed.strip_mm
    for width in np.unique(strip):
        for heavy in (False, True):
            which = np.flatnonzero((strip == width) & (patched == heavy))
            if len(which):
                laminate = schedule.heaviest if heavy else schedule.field
                found = _look(panels.only(which), line[which], laminate, loads, float(width))
                value[:, which], limit[:, which] = found.value, found.limit
    return _Found(value, limit), np.minimum(strip, 2.0 * panels.radius_mm)


def _panel_checks(outside: _Outside, schedule: _Schedule, loads: _Loads) -> list[LoadCheck]:
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
            load = f"mould of {loads.mould_kg:.0f} kg standing closed, {carried[worst]:.2f} N/mm of wall there"
        checks.append(LoadCheck(f"{what} {place}", load, value, limit, unit, value <= limit, method))
    return checks


def _rib_check(ribbed: _Ribbed, schedule: _Schedule, loads: _Loads) -> LoadCheck:
    """The rib's deflection or stress, whichever takes up more of its limit."""
    found, limits = _rib_found(ribbed, schedule, loads), _rib_limits(ribbed, schedule, loads)
    k = int(found[1] / limits[1] > found[0] / limits[0])
    what = ("deflection", "bending stress")[k]
    place = f"{ribbed.core_height_mm:.0f} mm rib, {2 * ribbed.disc.radius_mm:.0f} mm long"
    load = f"a strip of {ribbed.pitch_mm:.0f} mm and {loads.brief.leaning_load_n:.0f} N in its middle"
    return LoadCheck(
        f"{what} of a {place}, {ribbed.disc.centre_mm[2]:.0f} mm up", load, found[k], limits[k], ("mm", "MPa")[k],
        found[k] <= limits[k], f"beam free to turn at its ends {BEAMS}; over {STRENGTH_SAFETY:g} in stress",
    )  # fmt: skip


def _bare_samples(envelope: Envelope) -> tuple[np.ndarray, np.ndarray, float]:
    """Samples of the body without its keys: their sockets would read as curvature that stiffens, and do
    little.

    Every second pixel is enough for panels of 100 mm and more. No samples where there is no body.
    """
    inside = covered(envelope)
    bare = np.where(inside, envelope.outer_mm, np.float32(np.nan))[::2, ::2]
    pixel = 2.0 * envelope.pixel_mm
    cells = surface_cells(bare, envelope.origin_mm, pixel)
    on_flange = _every_corner((~inside | envelope.flange)[::2, ::2])
    used = (cells.area_mm2 > 0) & ~on_flange
    if not used.any():
        return np.zeros((0, 3)), np.zeros((0, 3)), 1.0
    points, normals, each = surface_samples(
        cells.area_mm2[used], cells.centre_mm[used], cells.normal[used], pixel, SAMPLES
    )
    return envelope.frame.to_master(points), envelope.frame.to_master(normals), each


def section_lengths_mm(
    area_mm2: np.ndarray, height_mm: np.ndarray, upright: np.ndarray, slab_mm: float = 60.0
) -> tuple[np.ndarray, np.ndarray]:
    """Heights between level slabs of a surface (k + 1,), and the mean length of its level cut in each (k,): the
    integral of the level part of the normal over the slab, divided by its height (coarea formula).

    upright : (n,) z of the cells' unit normals.
    """
    low, high = float(height_mm.min(initial=0.0)), float(height_mm.max(initial=1.0))
    edges = np.linspace(low, high, max(int(np.ceil((high - low) / slab_mm)), 1) + 1)
    level = area_mm2 * np.sqrt(np.maximum(1.0 - upright**2, 0.0))
    return edges, np.histogram(height_mm, edges, weights=level)[0] / np.diff(edges)


def _flange_checks(shell: _Shell, loads: _Loads) -> list[LoadCheck]:
    """The flange between two bolts, the piece hanging from it, and as a ledge that somebody leans on."""
    pitch, width = loads.pitch_mm, loads.flange_width_mm
    if pitch <= 0:
        return []
    laminate = shell.schedule.edge
    t, e = laminate.thickness_mm, laminate.modulus_mpa
    allowed = laminate.flexural_strength_mpa / STRENGTH_SAFETY
    around = (shell.zones[2].area_mm2 - shell.foot_mm2) / width  # a piece hangs by its parting flange
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
            f"flange between bolts {bolts}", load, sag, limit, "mm", sag <= limit,
            f"beam held at both ends, q L⁴ / 384 E I {BEAMS}",
        ),
        LoadCheck(
            f"bending stress in the flange, bolts {bolts}", load, stress, allowed, "MPa", stress <= allowed,
            f"beam held at both ends, q L² / 12 {BEAMS}; over {STRENGTH_SAFETY:g}",
        ),
        LoadCheck(
            f"bending stress at the root of the flange, {width:.0f} mm wide",
            f"{loads.brief.leaning_load_n:.0f} N leaning on its rim",
            ledge, allowed, "MPa", ledge <= allowed,
            f"ledge, F w over a width of {spread:.0f} mm (spread at 45 degrees, common practice) {BEAMS}; "
            f"over {STRENGTH_SAFETY:g}",
        ),
    ]  # fmt: skip


# --- advice ----------------------------------------------------------------------------------------------


def _advice(
    pieces: Sequence[JacketPiece], start: _Schedule, cuts_add_kg: Sequence[float], mould_kg: float, brief: JacketBrief
) -> list[str]:
    said: list[str] = []
    for piece, adds in zip(pieces, cuts_add_kg, strict=True):
        said += _what_was_added(piece, start)
        said += [_cannot(piece, check) for check in piece.checks if not check.passes]
        if not piece.lift_with_glove.passes:
            said.append(_lighter(piece, adds, brief))
    return said + _closed(mould_kg, brief)


def _what_was_added(piece: JacketPiece, start: _Schedule) -> list[str]:
    """Where the checks asked for more than the brief."""
    zones = {zone.name: zone for zone in piece.zones}
    more = [
        f"{name} {len(zones[name].layers)} layers in place of {len(asked.layers)}"
        for name, asked in (("field", start.field), ("flange", start.edge))
        if zones[name].mat_g_m2 > asked.glass_g_m2
    ]
    if piece.patches:
        rounds = ", ".join(f"{2 * p.radius_mm:.0f} mm across, {p.centre_mm[2]:.0f} mm up" for p in piece.patches)
        more.append(f"{len(zones['patch'].layers)} layers on rounds ({rounds})")
    if piece.ribs:
        heights = sorted({rib.core_height_mm for rib in piece.ribs})
        cores = " and ".join(f"{h:.0f}" for h in heights)
        more.append(
            f"{counted(len(piece.ribs), 'rib')} on cores {RIB_WIDTH_MM:.0f} mm wide and {cores} mm high, glassed over"
        )
    if not more:
        return []
    return [
        f"The {piece.name} of the jacket is laid heavier than the brief's mat, so that it holds: {'; '.join(more)}."
    ]


def _cannot(piece: JacketPiece, check: LoadCheck) -> str:
    """A check that still fails with the most that is laid."""
    remedy = (
        "set the bolts closer or widen the flange's laminate" if "bolts" in check.what else "build a frame under it"
    )
    if "root of the flange" in check.what:
        remedy = "make the flange narrower, or brace it with gussets"
    found = f"{check.value:.2g} {check.unit} (limit {check.limit:.2g})"
    return (
        f"The {piece.name} of the jacket: {check.what} is still {found} under {check.load}, with up to "
        f"{MOST_EXTRA_OF_BRIEF:.0%} more mat than the brief's and ribs where they help; {remedy}, or split the piece."
    )


def _cut_adds_kg(outside: _Outside, edge: Laminate, rubber: Rubber) -> float:
    """What a level cut through a piece's middle adds: a flange of jacket and of glove on both sides of it."""
    body = outside.cell_zone < 2
    if not body.any():
        return 0.0
    edges, lengths = section_lengths_mm(
        outside.cell_area_mm2[body], outside.cell_centre_mm[body, 2], outside.cell_normal[body, 2]
    )
    middle = float(np.average(outside.cell_centre_mm[:, 2], weights=outside.cell_area_mm2))
    length = float(np.interp(middle, (edges[1:] + edges[:-1]) / 2.0, lengths))
    density = outside.rubber_kg / max(outside.rubber_mm3, 1e-9)
    kg_mm2 = edge.mass_kg_m2 * 1e-6 + rubber.flange_thickness_mm * density
    return 2.0 * length * rubber.flange_width_mm * kg_mm2


def _lighter(piece: JacketPiece, cut_adds_kg: float, brief: JacketBrief) -> str:
    """What a workshop does with a heavy piece, each way with its numbers."""
    check = piece.lift_with_glove
    glove = piece.rubber_mass_kg
    ways = [
        f"lift the jacket ({piece.mass_kg:.0f} kg, {who_lifts(piece.mass_kg, brief)}) and then the glove "
        f"({glove:.0f} kg, {who_lifts(glove, brief)}, in a sling or rolled)",
        f"lift both together with {who_lifts(check.load_kg, brief)}",
    ]
    count, each = pieces_to_lift(check.load_kg, cut_adds_kg, brief)
    if count:
        ways.append(f"split the piece into {count} of about {each:.0f} kg, their new flanges counted")
    return (
        f"The {piece.name} with its glove weighs {check.load_kg:.0f} kg, over the {check.team_capability_kg:.0f} kg "
        f"that {check.lifters} may lift this way: {'; or '.join(ways)}."
    )


def _closed(mould_kg: float, brief: JacketBrief) -> list[str]:
    """The closed mould is turned and carried too."""
    check = check_lift(mould_kg, brief)
    if check.passes:
        return []
    return [
        f"Closed, with its gloves and a cast inside, the mould weighs about {mould_kg:.0f} kg, over the "
        f"{check.team_capability_kg:.0f} kg that {check.lifters} may lift this way: turn and carry it with "
        f"{who_lifts(mould_kg, brief)}, or open it where it stands."
    ]


def jacket_assumptions(brief: JacketBrief) -> tuple[Assumption, ...]:
    """The figures that the jacket rests on, with their marks; laminate figures are told by the laminate."""
    return (
        Assumption("bolt pitch", f"{BOLT_PITCH_MM:.0f} mm, M8", Mark.COMMON_PRACTICE),
        Assumption("jacket mat", f"{brief.mat_oz:g} oz, edges {brief.edge_extra_oz:g} more", Mark.COMMON_PRACTICE),
        Assumption("leaning load", f"{brief.leaning_load_n:.0f} N on a patch", Mark.COMMON_PRACTICE),
        Assumption("safety on laminate strength", f"{STRENGTH_SAFETY:g}", Mark.COMMON_PRACTICE),
        Assumption(
            "most mat added where a check fails", f"{MOST_EXTRA_OF_BRIEF:.0%} of the field's", Mark.COMMON_PRACTICE
        ),
        Assumption("how far a panel gives", "shallow shell of the surface's own curvature", Mark.MEMORY, PANEL_SOURCE),
        Assumption("curve counted on in buckling", f"{KNOCK_DOWN:.0%}", Mark.MEMORY, "NASA SP-8007"),
        Assumption("Poisson's ratio of laminate", f"{POISSON}", Mark.MEMORY),
        *lifting_assumptions(brief),
    )
