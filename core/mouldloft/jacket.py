"""Stage 7, jacket: the rigid fibreglass shell over the glove: laminate, stiffness, bolts, weight, lifting.

Areas, masses and centres come from the glove's outside with its keys. Load checks use plate and shell
formulae on the flattest panel found on that surface; they are checks with stated loads, no certification.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import ndimage
from scipy.spatial import cKDTree

from .brief import Brief, CastBrief, JacketBrief
from .heightmap import Cells, surface_cells
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
from .lifting import LiftCheck, check_lift, lifting_assumptions
from .marks import Assumption, Mark
from .master import Master
from .progress import SILENT, Progress
from .rims import covered, on_parting, on_this_flange, points_along, rim_lines, widest_step_mm
from .rubber import Envelope, Interval, Rubber
from .seam import Seam

if TYPE_CHECKING:
    from .catalogue import Catalogue

POISSON = 0.3  # Mark.MEMORY: random mat in polyester, 0.3 to 0.33
STRENGTH_SAFETY = 3.0  # common practice: against the breaking stress of hand-laid mat
HANGING_SHOCK = 2.0  # common practice: a piece on slings is set down with a jerk
BUCKLING_SAFETY = 3.0  # common practice: against the classical load of a flat panel
PATCH_RADIUS_MM = 50.0  # common practice: a leaning person's hand or knee
BOLT_PITCH_MM = 150.0  # common practice
BOLT_EDGE_MM = 20.0  # common practice: two and a half diameters of an M8 from the rim
WASHER_RADIUS_MM = 12.0  # M8 wide washer, 24 mm
WEDGE_PITCH_MM = 400.0  # common practice
WEDGE_CLEAR_MM = 35.0  # half a wedge's width, and room for the hand that drives it
HAND_LAID_VARIATION = 0.10  # common practice: resin taken up by hand, from one laminator to the next
COVERED = (0.85, 1.4)  # share of a disc's area that its patch must have, and may have
SAMPLES = 30_000  # of the surface, for the panel search
ZONES = ("field", "handling edge", "flange")


@dataclass(frozen=True)
class Zone:
    """A zone of the jacket with one laminate. mat_g_m2 is the sum of the layers as sold."""

    name: str  # "field", "handling edge", "flange"
    area_mm2: float
    mat_g_m2: float
    mat_oz_ft2: float
    layers: tuple[str, ...]  # schedule, mat weights as sold
    thickness_mm: float
    glass_kg: float
    resin_kg: float


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
    field, edge = jacket_laminates(catalogue, brief)
    by_hand = HAND_LAID_VARIATION if catalogue is None else catalogue.rates.laminate_uncertainty
    shells: list[_Shell] = []
    for at, envelope in enumerate(rubber.envelopes):
        progress.step(0.6 * at / len(rubber.envelopes), f"area of the {envelope.name}")
        rubber_kg = density * rubber.parts[at].total_mm3 * 1e-6
        shells.append(_lay_up(envelope, rubber, keys, field, edge, rubber_kg, by_hand))
    progress.step(0.6, "bolts and wedges")
    bolts, wedges = _place_fasteners(rubber, keys)
    mould_kg = sum(s.mass_kg + s.rubber_kg for s in shells) + sum(s.area_mm2 for s in shells) * _cast_kg_mm2(brief.cast)
    pieces = []
    for at, shell in enumerate(shells):
        progress.step(0.7 + 0.3 * at / len(shells), f"loads on the {shell.envelope.name}")
        checks = _check_loads(shell, shells, bolts[at].pitch_mm, rubber, brief, mould_kg)
        pieces.append(_piece(shell, bolts[at].points_mm, wedges[at], bolts[at].pitch_mm, checks, brief.jacket))
    progress.step(1.0)
    return Jacket(tuple(pieces), 0.0, tuple(_advice(pieces, brief.jacket)))


def rubber_density_kg_dm3(catalogue: Catalogue | None, brief: Brief) -> float:
    """Density of the brief's rubber by the catalogue, or the typical one."""
    if catalogue is None:
        return RUBBER_DENSITY_KG_DM3
    return catalogue.rubber_for(brief.materials).density_kg_m3 / 1000.0


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
class _Shell:
    """One piece's shell before bolts and checks. Cell arrays are flat, over cells with area, in plan
    coordinates.
    """

    envelope: Envelope
    zones: tuple[Zone, ...]
    field: Laminate
    edge: Laminate
    area_mm2: float
    mass_kg: float
    rubber_kg: float
    interval: Interval
    centre_mm: np.ndarray
    cell_area_mm2: np.ndarray
    cell_centre_mm: np.ndarray
    cell_normal: np.ndarray
    cell_zone: np.ndarray


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


def _lay_up(
    envelope: Envelope,
    rubber: Rubber,
    keys: Keys,
    field: Laminate,
    edge: Laminate,
    rubber_kg: float,
    by_hand: float,
) -> _Shell:
    outside = outside_with_keys(envelope, keys.keys)
    cells = surface_cells(outside, envelope.origin_mm, envelope.pixel_mm)
    zone = zone_of_cells(envelope, cells, rubber.edge_band_mm)
    used = cells.area_mm2 > 0
    area, which = cells.area_mm2[used], zone[used]
    zones = tuple(
        _zone(name, float(area[which == k].sum()), laminate)
        for k, (name, laminate) in enumerate(zip(ZONES, (field, edge, edge), strict=True))
    )
    centre = envelope.frame.to_master(cells.centre_mm[used])
    mass_each = area * 1e-6 * np.array([field.mass_kg_m2, edge.mass_kg_m2, edge.mass_kg_m2])[which]
    mass = float(mass_each.sum())
    middle = (mass_each[:, None] * centre).sum(axis=0) / mass if mass > 0 else np.zeros(3)
    total = float(area.sum())
    return _Shell(
        envelope, zones, field, edge, total, mass, rubber_kg,
        _mass_interval(mass, total, outside, envelope, by_hand),
        middle, area, centre, envelope.frame.to_master(cells.normal[used]), which,
    )  # fmt: skip


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


def _mass_interval(
    mass_kg: float, area_mm2: float, outside: np.ndarray, envelope: Envelope, by_hand: float
) -> Interval:
    """Mass with the area's error (from every second pixel) and the laminator's hand."""
    half = surface_cells(outside[::2, ::2], envelope.origin_mm, 2.0 * envelope.pixel_mm)
    coarse_error = abs(float(half.area_mm2.sum()) / area_mm2 - 1.0) if area_mm2 > 0 else 0.0
    # sideways, the coarser map also loses a strip of rim: the difference is an upper bound
    causes = (("column image resolution", coarse_error), ("resin taken up by hand", by_hand))
    spread = float(np.hypot(coarse_error, by_hand))
    return Interval(mass_kg * (1 - spread), mass_kg, mass_kg * (1 + spread), causes)


def _piece(
    shell: _Shell,
    bolts: np.ndarray,
    wedges: np.ndarray,
    pitch_mm: float,
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
        bolts_mm=tuple(_point(b) for b in bolts),
        wedge_points_mm=tuple(_point(w) for w in wedges),
        bolt_pitch_mm=pitch_mm,
        checks=checks,
        lift=check_lift(shell.mass_kg, brief, f"the {name} of the jacket"),
        lift_with_glove=check_lift(both, brief, f"the {name} of the jacket with its glove"),
        mass_interval_kg=shell.interval,
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
        lines = rim_lines(envelope, min(BOLT_EDGE_MM, rubber.flange_width_mm / 2.0))
        shared = _shared(envelope, [b.points_mm for b in all_bolts])
        xy = points_along(lines, BOLT_PITCH_MM, _clear_of(feet, reach + WASHER_RADIUS_MM), shared)
        all_bolts.append(_Bolts(on_parting(envelope, xy), widest_step_mm(lines, xy, BOLT_EDGE_MM)))
        blocked = np.concatenate([feet, xy])
        clear = np.concatenate([reach, np.full(len(xy), WEDGE_CLEAR_MM)])
        rim = rim_lines(envelope, 1.5 * envelope.pixel_mm)
        shared = _shared(envelope, all_wedges)
        wedges = points_along(rim, WEDGE_PITCH_MM, _clear_of(blocked, clear), shared, phase=0.5)
        all_wedges.append(on_parting(envelope, wedges))
    return all_bolts, all_wedges


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


@dataclass(frozen=True)
class Panel:
    """The panel that gives most under load. radius_mm of the disc; curve_radius_mm of the sphere it reads
    as.
    """

    radius_mm: float
    curve_radius_mm: float
    deflection_mm: float
    centre_mm: tuple[float, float, float]


def plate_rigidity_nmm(modulus_mpa: float, thickness_mm: float) -> float:
    """D = E t³ / 12 (1 - nu²)."""
    return modulus_mpa * thickness_mm**3 / (12.0 * (1.0 - POISSON**2))


def plate_deflection_mm(
    radius_mm: np.ndarray | float, point_n: float, pressure_mpa: float, rigidity_nmm: float
) -> np.ndarray:
    """Middle of a clamped round plate: P a² / 16 pi D + q a⁴ / 64 D.

    Timoshenko & Woinowsky-Krieger, Theory of plates and shells (from memory, verify). Small deflections: a
    thin plate that goes further than its thickness is stiffer than this.
    """
    a = np.asarray(radius_mm, float)
    return point_n * a**2 / (16.0 * np.pi * rigidity_nmm) + pressure_mpa * a**4 / (64.0 * rigidity_nmm)


def dome_deflection_mm(
    curve_radius_mm: np.ndarray | float, point_n: float, modulus_mpa: float, thickness_mm: float
) -> np.ndarray:
    """Under a point load on a shallow ball-shaped shell: sqrt(3 (1 - nu²)) / 4 · P R / E t² (Reissner 1946;
    from
    memory, verify)."""
    factor = np.sqrt(3.0 * (1.0 - POISSON**2)) / 4.0
    return factor * point_n * np.asarray(curve_radius_mm, float) / (modulus_mpa * thickness_mm**2)


def plate_stress_mpa(radius_mm: float, point_n: float, pressure_mpa: float, thickness_mm: float) -> float:
    """Greatest bending stress of a clamped round plate, the point load on a patch of 50 mm radius.

    Middle: P/4pi (1 + nu) ln(a/r) + q a² (1 + nu)/16; rim: P/4pi + q a²/8; 6M/t² (Timoshenko; from memory,
    verify).
    """
    spread = np.log(max(radius_mm / PATCH_RADIUS_MM, 1.0))
    middle = point_n / (4 * np.pi) * (1 + POISSON) * spread + pressure_mpa * radius_mm**2 * (1 + POISSON) / 16
    rim = point_n / (4 * np.pi) + pressure_mpa * radius_mm**2 / 8
    return float(6.0 * max(middle, rim) / thickness_mm**2)


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


def find_panel(
    points_mm: np.ndarray,
    normals: np.ndarray,
    each_mm2: float,
    laminate: Laminate,
    point_n: float,
    pressure_mpa: float,
) -> Panel | None:
    """The disc that uses up most of its deflection limit; None on a surface too small for one.

    Round patches of several sizes, centred all over the surface: each gives as a clamped plate of its radius
    or as a shallow shell of its own curvature, whichever is stiffer, since a shell must bend and stretch to
    give. Curvature comes from the rms distance to the patch's best plane: a²/(2 sqrt(12) R) for a ball.
    """
    if len(points_mm) == 0:
        return None
    tree = cKDTree(points_mm)
    surface = each_mm2 * len(points_mm)
    rigidity = plate_rigidity_nmm(laminate.modulus_mpa, laminate.thickness_mm)
    best: tuple[float, Panel] | None = None
    for radius in np.geomspace(50.0, 500.0, 9):
        plate = float(plate_deflection_mm(radius, point_n, pressure_mpa, rigidity))
        wanted = min(surface / (radius / 3.0) ** 2, 1500.0)  # centres a third of a radius apart
        centres = np.arange(0, len(points_mm), max(int(len(points_mm) / max(wanted, 1.0)), 1))
        full = COVERED[0] * np.pi * radius**2 / each_mm2
        centres = centres[tree.query_ball_point(points_mm[centres], radius, return_length=True) >= full]
        for centre, found in zip(centres, tree.query_ball_point(points_mm[centres], radius), strict=True):
            near = np.asarray(found)
            near = near[normals[near] @ normals[centre] > 0.0]  # not the far side of a thin limb
            if not full <= len(near) <= full * COVERED[1] / COVERED[0]:
                continue  # over an edge, or folded
            spread = points_mm[near] - points_mm[near].mean(axis=0)
            from_plane = np.sqrt(max(np.linalg.eigvalsh(spread.T @ spread / len(near))[0], 1e-12))
            curve = radius**2 / (2.0 * np.sqrt(12.0) * from_plane)
            dome = float(dome_deflection_mm(curve, point_n, laminate.modulus_mpa, laminate.thickness_mm))
            gives = min(plate, dome)
            if best is None or gives / radius > best[0]:
                best = gives / radius, Panel(float(radius), float(curve), gives, _point(points_mm[centre]))
    return best[1] if best else None


def _cast_kg_mm2(cast: CastBrief) -> float:
    """Wet cast per mm² of mould: gelcoat and the laminate behind it."""
    laminate = lay_up(mat_g_m2_from_oz(cast.mat_oz), cast.glass_fraction).mass_kg_m2
    return (laminate + cast.gelcoat_wet_mm * GELCOAT_DENSITY_KG_DM3) * 1e-6


def _check_loads(
    shell: _Shell, shells: Sequence[_Shell], pitch_mm: float, rubber: Rubber, brief: Brief, mould_kg: float
) -> tuple[LoadCheck, ...]:
    body = shell.cell_zone < 2
    checks: list[LoadCheck] = []
    if body.any():
        spread_kg_mm2 = shell.rubber_kg / shell.area_mm2 + _cast_kg_mm2(brief.cast)
        pressure = spread_kg_mm2 * GRAVITY_M_S2
        points, normals, each = _bare_samples(shell.envelope)
        panel = find_panel(points, normals, each, shell.field, brief.jacket.leaning_load_n, pressure)
        if panel is not None:
            checks += _panel_checks(panel, shell.field, pressure, brief.jacket)
            checks.append(_buckling_check(panel, shell.field, shells, mould_kg))
    if pitch_mm > 0:
        around = shell.zones[2].area_mm2 / rubber.flange_width_mm
        checks += _flange_checks(shell, pitch_mm, rubber.flange_width_mm, around, brief)
    return tuple(checks)


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


def _panel_checks(panel: Panel, laminate: Laminate, pressure: float, brief: JacketBrief) -> list[LoadCheck]:
    load = f"rubber and wet cast {pressure * 1e6:.0f} Pa, and {brief.leaning_load_n:.0f} N leaning in the middle"
    rigidity = plate_rigidity_nmm(laminate.modulus_mpa, laminate.thickness_mm)
    limit = 2.0 * panel.radius_mm / brief.deflection_limit_ratio
    where = f"flattest panel, {2 * panel.radius_mm:.0f} mm across, {panel.centre_mm[2]:.0f} mm up"
    # where the shell's curve stiffens it, stress is that of the smaller plate that gives as little
    acting = panel.radius_mm
    if brief.leaning_load_n > 0:
        gives_alike = np.sqrt(16 * np.pi * rigidity * panel.deflection_mm / brief.leaning_load_n)
        acting = min(acting, float(gives_alike))
    stress = plate_stress_mpa(acting, brief.leaning_load_n, pressure, laminate.thickness_mm)
    allowed = laminate.flexural_strength_mpa / STRENGTH_SAFETY
    plate = "clamped round plate (Timoshenko & Woinowsky-Krieger, from memory, verify)"
    shell = "shallow shell under a point load (Reissner 1946, from memory, verify)"
    return [
        LoadCheck(
            f"deflection of the {where}", load, panel.deflection_mm, limit, "mm",
            panel.deflection_mm <= limit,
            f"the stiffer of: {plate}; {shell} of radius {panel.curve_radius_mm:.0f} mm; limit span/"
            f"{brief.deflection_limit_ratio:.0f}",
        ),
        LoadCheck(
            f"bending stress in the {where}", load, stress, allowed, "MPa", stress <= allowed,
            f"{plate}; breaking stress {laminate.flexural_strength_mpa:.0f} MPa over {STRENGTH_SAFETY:g}",
        ),
    ]  # fmt: skip


def _buckling_check(panel: Panel, laminate: Laminate, shells: Sequence[_Shell], mould_kg: float) -> LoadCheck:
    """The closed mould stands: what is above the flattest panel runs down the shells, through it too."""
    section = section_length_mm(
        np.concatenate([s.cell_area_mm2[s.cell_zone < 2] for s in shells]),
        np.concatenate([s.cell_centre_mm[s.cell_zone < 2] for s in shells]),
        np.concatenate([s.cell_normal[s.cell_zone < 2] for s in shells]),
        panel.centre_mm[2],
    )
    areas = np.concatenate([s.cell_area_mm2 for s in shells])
    above = np.concatenate([s.cell_centre_mm[:, 2] for s in shells]) > panel.centre_mm[2]
    carried = mould_kg * float(areas[above].sum() / areas.sum())
    stress = carried * GRAVITY_M_S2 / max(section, 2 * panel.radius_mm) / laminate.thickness_mm
    slender = laminate.thickness_mm / (2.0 * panel.radius_mm)
    critical = 4.0 * np.pi**2 * laminate.modulus_mpa / (12.0 * (1.0 - POISSON**2)) * slender**2
    allowed = float(critical) / BUCKLING_SAFETY
    return LoadCheck(
        "buckling of the flattest panel, mould standing closed",
        f"mould and cast above it, {carried:.0f} of {mould_kg:.0f} kg, on {section:.0f} mm of wall",
        float(stress), allowed, "MPa", bool(stress <= allowed),
        "flat plate held at its edges, 4 pi² E (t/b)² / 12 (1 - nu²) (Timoshenko & Gere, Theory of elastic "
        f"stability; from memory, verify) over {BUCKLING_SAFETY:g}; its curve is not counted on",
    )  # fmt: skip


def section_length_mm(
    area_mm2: np.ndarray, centre_mm: np.ndarray, normal: np.ndarray, height_mm: float, slab_mm: float = 60.0
) -> float:
    """Length of the surface's level cut, mean over a slab: the integral of the level part of the normal over
    the slab,
    divided by its height (coarea formula)."""
    inside = np.abs(centre_mm[:, 2] - height_mm) <= slab_mm / 2.0
    level = np.sqrt(np.maximum(1.0 - normal[inside, 2] ** 2, 0.0))
    return float((area_mm2[inside] * level).sum() / slab_mm)


def _flange_checks(shell: _Shell, pitch_mm: float, width_mm: float, around_mm: float, brief: Brief) -> list[LoadCheck]:
    """The flange between two bolts, the piece hanging from it, and as a ledge that somebody leans on."""
    laminate = shell.edge
    t, e = laminate.thickness_mm, laminate.modulus_mpa
    allowed = laminate.flexural_strength_mpa / STRENGTH_SAFETY
    beams = "(Timoshenko, Strength of materials; from memory, verify)"
    hangs = (shell.mass_kg + shell.rubber_kg + shell.area_mm2 * _cast_kg_mm2(brief.cast)) * GRAVITY_M_S2
    line_n_mm = HANGING_SHOCK * hangs / around_mm
    across = width_mm * t**3 / 12.0
    sag = line_n_mm * pitch_mm**4 / (384.0 * e * across)
    limit = pitch_mm / brief.jacket.deflection_limit_ratio
    stress = line_n_mm * pitch_mm**2 / 12.0 / (width_mm * t**2 / 6.0)
    spread = 2.0 * width_mm + 2.0 * PATCH_RADIUS_MM
    ledge = 6.0 * brief.jacket.leaning_load_n * width_mm / (spread * t**2)
    load = f"{HANGING_SHOCK:g} times the piece, glove and cast ({hangs:.0f} N) along {around_mm:.0f} mm"
    bolts = f"{pitch_mm:.0f} mm apart"
    return [
        LoadCheck(
            f"flange between bolts {bolts}", load, sag, limit, "mm", sag <= limit,
            f"beam held at both ends, q L⁴ / 384 E I {beams}",
        ),
        LoadCheck(
            f"bending stress in the flange, bolts {bolts}", load, stress, allowed, "MPa", stress <= allowed,
            f"beam held at both ends, q L² / 12 {beams}; over {STRENGTH_SAFETY:g}",
        ),
        LoadCheck(
            f"bending stress at the root of the flange, {width_mm:.0f} mm wide",
            f"{brief.jacket.leaning_load_n:.0f} N leaning on its rim",
            ledge, allowed, "MPa", ledge <= allowed,
            f"ledge, F w over a width of {spread:.0f} mm (spread at 45 degrees, common practice) {beams}; "
            f"over {STRENGTH_SAFETY:g}",
        ),
    ]  # fmt: skip


# --- advice ----------------------------------------------------------------------------------------------


def _advice(pieces: Sequence[JacketPiece], brief: JacketBrief) -> list[str]:
    said: list[str] = []
    for piece in pieces:
        said += [_thicker(piece, check) for check in piece.checks if not check.passes]
        if not piece.lift_with_glove.passes:
            said.append(_lighter(piece, brief))
    return said


def _thicker(piece: JacketPiece, check: LoadCheck) -> str:
    over = check.value / check.limit
    power = 2.0 if check.unit == "MPa" and "buckling" not in check.what else 3.0
    on_flange = check.what.startswith(("flange", "bending stress in the flange"))
    zone = piece.zones[2 if on_flange else 0]
    wanted = zone.mat_oz_ft2 * over ** (1.0 / power)
    wanted = max(np.ceil(2.0 * wanted) / 2.0, zone.mat_oz_ft2 + 0.5)  # the next half ounce
    remedy = "set the bolts closer" if "bolts" in check.what else "lay a rib over it"
    found = f"{check.value:.2g} {check.unit} (limit {check.limit:.2g})"
    return (
        f"The {piece.name} of the jacket: {check.what} is {found} under {check.load}; {remedy}, "
        f"or lay about {wanted:.1f} oz of mat there."
    )


def _lighter(piece: JacketPiece, brief: JacketBrief) -> str:
    check = piece.lift_with_glove
    alone = "" if piece.lift.passes else " even without its glove"
    parts = int(np.ceil(check.load_kg / max(check.team_capability_kg, 1e-9)))
    how = f"use {check.lifters_needed} people" if check.lifters_needed else "use a hoist"
    if piece.lift.passes:
        how = f"lift the jacket and the glove one after the other, {how}"
    return (
        f"The {piece.name} with its glove weighs {check.load_kg:.0f} kg, over the {check.team_capability_kg:.0f} kg "
        f"that {check.lifters} may lift this way{alone}: {how}, or split the piece into {max(parts, 2)}."
    )


def jacket_assumptions(brief: JacketBrief) -> tuple[Assumption, ...]:
    """The figures that the jacket rests on, with their marks; laminate figures are told by the laminate."""
    return (
        Assumption("bolt pitch", f"{BOLT_PITCH_MM:.0f} mm, M8", Mark.COMMON_PRACTICE),
        Assumption("jacket mat", f"{brief.mat_oz:g} oz, edges {brief.edge_extra_oz:g} more", Mark.COMMON_PRACTICE),
        Assumption("leaning load", f"{brief.leaning_load_n:.0f} N on a patch", Mark.COMMON_PRACTICE),
        Assumption("safety on laminate strength", f"{STRENGTH_SAFETY:g}", Mark.COMMON_PRACTICE),
        Assumption("Poisson's ratio of laminate", f"{POISSON}", Mark.MEMORY),
        *lifting_assumptions(brief),
    )
