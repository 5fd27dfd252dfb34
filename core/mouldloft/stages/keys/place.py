"""Stage 6, keys: tabs that bring the glove back to its place in the jacket, checked as a fixture.

A key is a sheared cone frustum: a round bump added to the glove's outside along the pull. Being a height map
it cannot lock the jacket along that pull, and its taper lets it leave its socket at once.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from scipy.spatial import cKDTree

from ...base.errors import BriefRefused
from ...base.marks import Assumption, Mark
from ...base.progress import SILENT, Progress
from ...geometry.depthmap import Grid, column_image
from ...geometry.heightmap import clearance_mm, coarsen, fit_planes, sample, share_of_blocks, surface_cells
from ...inputs.brief import KeysBrief
from ...inputs.catalogue import RubberMaterial
from ...trade.panels import beyond_thickness_mm
from ..locks import Locks
from ..master import Master
from ..rubber import Envelope, Rubber, covered, on_this_flange, points_along, rim_lines
from ..seam import Seam
from .record import FixtureCheck, Key, Keys, _blend_run_mm, _side_run_mm

GRAVITY_M_S2 = 9.81
# Common practice: the root is blended so that the rubber does not tear there and the jacket's mat lies in.
BLEND_OF_HEIGHT = 0.25
# Common practice: a tab sits on surface no tighter than this many times its own foot.
CURVE_OF_FOOT = 1.5
# Common practice: feet stand at least this many diameters apart, so that mat and rubber get between them.
SPACING_OF_FOOT = 1.5
# Common practice: lock fill thinner than the skin flexes with it as the glove is peeled, and works a key on it loose;
# thicker fill is a block as good as any. Thinner than half the skin (carved texture) it is no lock at all.
THIN_FILL_OF_SKIN = (0.5, 1.0)
# Common practice: where a flange is too narrow for the brief's key, smaller ones are set there, down to this
# share.
SMALLER_KEYS = (1.0, 0.8, 0.65, 0.5, 0.4)
LEAST_ADDED = 0.65
# The uphill wall of a tab on a slope still falls at 45 degrees or more: below that there is no socket to
# speak of.
LEAST_UPHILL_FALL = 1.0
STEEPEST_DEG = 60.0
# an edge place further from a key than this share of the spacing gets one off the flange's middle line
EDGE_UNSERVED = 0.75
MOST_KEYS_A_PIECE = 150
# what may keep a key off a place; the first where it is only want of room
BARRED = ("an edge or another key", "thin lock fill", "a steep slope", "tight curvature")
WORTHWHILE = 0.9  # a key is added for a gap only if it takes at least a tenth off its radius
# Published as a typical range: brushable silicone 1.07 to 1.09 g/cm3 (one data sheet, one workshop's notes).
RUBBER_DENSITY_KG_DM3 = 1.08
# Mark.MEMORY: Gent's relation between Shore A and modulus gives 0.5 to 1.0 MPa for Shore A 12 to 28.
RUBBER_MODULUS_MPA = 0.7
# Common practice: what its weight presses on the jacket by this much more than the tilt stays where it is.
LIES_DEG = 10.0
STRETCH_UNDER_SPREAD = 0.488  # see `hung_sag_mm`
RUBBER_POISSON = 0.5  # rubber keeps its volume
_AROUND = 12  # samples of a key's side: exact for the second moments of a circle from 5 up


@dataclass(frozen=True)
class RubberStuff:
    """What the sag check needs to know of the rubber."""

    density_kg_dm3: float = RUBBER_DENSITY_KG_DM3
    modulus_mpa: float = RUBBER_MODULUS_MPA


def rubber_stuff(material: RubberMaterial) -> RubberStuff:
    """What the sag check needs, from a catalogue entry."""
    return RubberStuff(material.density_kg_m3 / 1000.0, material.young_modulus_mpa)


# --- one key ---------------------------------------------------------------------------------------------


def shape_key(
    name: str,
    piece: int,
    where: str,
    foot_mm: Sequence[float],
    brief: KeysBrief,
    scale: float = 1.0,
    own: bool = False,
) -> Key:
    """A key of the brief's shape (times `scale`) at a foot in plan coordinates.

    Raises `BriefRefused` where the taper leaves no top.
    """
    height = brief.height_mm * scale
    base = brief.base_diameter_mm * scale
    top = base - 2.0 * height * float(np.tan(np.radians(brief.taper_deg)))
    if top <= 0:
        raise BriefRefused(
            f"A key {brief.base_diameter_mm:g} mm wide and {brief.height_mm:g} mm high runs to a point at "
            f"{brief.taper_deg:g} degrees; make it wider, lower or less tapered."
        )
    x, y, z = (float(v) for v in foot_mm)
    key = Key(name, piece, where, (x, y, z), base, top, height, 0.0, BLEND_OF_HEIGHT * height, own)
    return replace(key, volume_mm3=key_volume_mm3(key))


def key_profile_mm(key: Key, radius_mm: np.ndarray) -> np.ndarray:
    """Height of the key over the glove's outside at distances from its axis: flat top, cone side, round
    root.
    """
    r = np.asarray(radius_mm, float)
    base, run = key.base_diameter_mm / 2.0, _side_run_mm(key)
    height = np.clip((base - r) * key.height_mm / run, 0.0, key.height_mm)
    if key.blend_mm > 0:
        touch = _blend_run_mm(key)
        side = np.hypot(run, key.height_mm)
        start, end = base - touch * run / side, base + touch
        inside = np.maximum(key.blend_mm**2 - (end - r) ** 2, 0.0)
        height = np.where((r > start) & (r < end), key.blend_mm - np.sqrt(inside), height)
    return height


def key_volume_mm3(key: Key) -> float:
    """Volume of the frustum and its blend, exact. A slope under the key shears it and leaves the volume as
    it is.
    """
    base, top, height = key.base_diameter_mm / 2.0, key.top_diameter_mm / 2.0, key.height_mm
    run = _side_run_mm(key)
    rho = key.blend_mm
    touch = _blend_run_mm(key)
    blend_top = touch * height / np.hypot(run, height)
    at_blend = base - run * blend_top / height
    cone = np.pi / 3.0 * (height - blend_top) * (at_blend**2 + at_blend * top + top**2)
    if rho <= 0:
        return float(cone)
    # discs of radius c - sqrt(rho² - u²), u = rho - z, for z from 0 to blend_top
    c = base + touch

    def integral(u: float) -> float:
        half_chord = u * np.sqrt(max(rho**2 - u**2, 0.0)) + rho**2 * np.arcsin(np.clip(u / rho, -1.0, 1.0))
        return (c**2 + rho**2) * u - u**3 / 3.0 - c * half_chord

    return float(cone + np.pi * (integral(rho) - integral(rho - blend_top)))


def key_bumps(envelope: Envelope, keys: Iterable[Key]) -> np.ndarray:
    """(rows, columns) float32, height that the piece's keys add to `envelope.outer_mm`; 0 elsewhere.

    Where keys overlap the higher counts. Nothing is added where there is no rubber.
    """
    bumps = np.zeros(envelope.outer_mm.shape, np.float32)
    rows, columns = envelope.outer_mm.shape
    x0, y0 = envelope.origin_mm
    p = envelope.pixel_mm
    for key in keys:
        if key.piece != envelope.piece:
            continue
        x, y = _across(envelope, key.foot_mm)
        reach = key.reach_mm
        j_low, j_high = max(int(np.floor((x - reach - x0) / p)), 0), int(np.ceil((x + reach - x0) / p)) + 1
        i_low, i_high = max(int(np.floor((y - reach - y0) / p)), 0), int(np.ceil((y + reach - y0) / p)) + 1
        if j_high <= 0 or i_high <= 0 or j_low >= columns or i_low >= rows:
            continue
        window = (slice(i_low, min(i_high, rows)), slice(j_low, min(j_high, columns)))
        dy = y0 + p * np.arange(window[0].start, window[0].stop) - y
        dx = x0 + p * np.arange(window[1].start, window[1].stop) - x
        bump = key_profile_mm(key, np.hypot(dx[None, :], dy[:, None]))
        np.maximum(bumps[window], bump.astype(np.float32), out=bumps[window])
    bumps[~covered(envelope)] = 0.0
    return bumps


def _across(envelope: Envelope, point_mm: Sequence[float] | np.ndarray) -> tuple[float, float]:
    point = envelope.frame.to_frame(np.asarray(point_mm, float)[None])[0]
    return float(point[0]), float(point[1])


# --- the ground keys stand on ----------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class Ground:
    """One piece's outside on a coarse grid, with what the checks need.

    points_mm : (k, 3) frame coordinates of the covered blocks; thickness_mm : (k,) rubber there, across the skin.
    hangs : (k,) share of its weight that pulls it off the jacket, 0 where its weight presses it on or it lies on the
    board round the foot; held_mm : (k,) distance to the nearest place that lies firmly. allowed_mm : (k,) largest
    reach of a key that may stand there, 0 where none may; on_edge : (k,) bool, flange or handling band. centre_mm
    (frame) and gyration_mm are those of the surface. barred : (k,) int, index into BARRED of what keeps keys off.
    """

    envelope: Envelope
    points_mm: np.ndarray
    thickness_mm: np.ndarray
    hangs: np.ndarray
    held_mm: np.ndarray
    allowed_mm: np.ndarray
    on_edge: np.ndarray
    centre_mm: np.ndarray
    gyration_mm: float
    block_mm: float
    barred: np.ndarray


@dataclass(frozen=True, eq=False)
class _Coarse:
    """Block averages of an envelope: what a survey and a re-check have in common."""

    height_mm: np.ndarray
    inside: np.ndarray
    flange: np.ndarray
    thickness_mm: np.ndarray
    wall_deg: np.ndarray  # slope; -90 on the board round the foot
    origin_mm: tuple[float, float]
    block_mm: float
    factor: int

    def points(self) -> np.ndarray:
        i, j = np.nonzero(self.inside)
        return np.column_stack(
            [
                self.origin_mm[0] + j * self.block_mm,
                self.origin_mm[1] + i * self.block_mm,
                self.height_mm[i, j],
            ]
        )


def _coarse(envelope: Envelope, block_mm: float, rubber: Rubber) -> _Coarse:
    factor = max(round(block_mm / envelope.pixel_mm), 1)
    inside = covered(envelope)
    height, share = coarsen(envelope.outer_mm, inside, factor)
    below = np.where(envelope.flange | ~np.isfinite(envelope.filled_mm), envelope.parting_mm, envelope.filled_mm)
    under, _ = coarsen(below, inside, factor)
    flange = share_of_blocks(envelope.flange & inside, factor)
    block = factor * envelope.pixel_mm
    shift = (factor - 1) / 2.0 * envelope.pixel_mm
    whole = share >= 0.5
    slope2 = _slope_squared(np.where(whole, height, np.nan), block)
    thickness = np.maximum((height - under) / np.sqrt(1.0 + slope2), rubber.skin_thickness_mm)
    origin = (envelope.origin_mm[0] + shift, envelope.origin_mm[1] + shift)
    on_flange = whole & (flange >= 0.5 * share)
    wall_deg = np.degrees(np.arctan(np.sqrt(slope2)))  # how far the outside's normal leans from the pull
    on_board = _on_the_board(envelope, height, origin, block, rubber.flange_thickness_mm)
    return _Coarse(height, whole, on_flange, thickness, np.where(on_board, -90.0, wall_deg), origin, block, factor)


def pulled_off(points_mm: np.ndarray, wall_deg: np.ndarray, tilt_deg: float) -> tuple[np.ndarray, np.ndarray]:
    """(k,) share of its weight that pulls rubber off the jacket, and (k,) distance to the nearest that lies firmly.

    The piece lies open side up, the pull straight down, as its cradle holds it, and is tipped by up to `tilt_deg`
    whichever way is worse. Where the outside leans `wall_deg` from level, its weight presses it on the jacket by
    cos(wall + tilt); past a right angle that pulls it off. Firmly means with `LIES_DEG` to spare.
    """
    share = np.maximum(-np.cos(np.radians(wall_deg + tilt_deg)), 0.0)
    lies = wall_deg + tilt_deg + LIES_DEG <= 90.0
    if not lies.any():
        return share, np.full(len(points_mm), np.inf)
    return share, cKDTree(points_mm[lies]).query(points_mm)[0]


def _on_the_board(
    envelope: Envelope, height_mm: np.ndarray, origin_mm: tuple[float, float], block_mm: float, thick_mm: float
) -> np.ndarray:
    """Blocks of rubber that lie on the board round the foot of a piece pulled sideways: they cannot sag."""
    axes = envelope.frame.axes
    if abs(axes[2, 2]) > 0.5:
        return np.zeros(height_mm.shape, bool)
    rows, columns = height_mm.shape
    x = origin_mm[0] + block_mm * np.arange(columns)
    y = origin_mm[1] + block_mm * np.arange(rows)
    plan_z = x[None, :] * axes[0, 2] + y[:, None] * axes[1, 2] + np.nan_to_num(height_mm) * axes[2, 2]
    return np.asarray(np.abs(plan_z) <= thick_mm + block_mm)


def _slope_squared(height_mm: np.ndarray, pixel_mm: float) -> np.ndarray:
    """Squared slope, 0 where a neighbour is missing: the skin's thickness is then read straight along the
    pull.
    """
    if min(height_mm.shape) < 2:
        return np.zeros_like(height_mm)
    gradient = np.stack(np.gradient(height_mm, pixel_mm))
    return (np.nan_to_num(gradient) ** 2).sum(axis=0)


def _mass_figures(coarse: _Coarse) -> tuple[np.ndarray, float]:
    """Centre (3,) and radius of gyration of the surface, area-weighted, frame coordinates."""
    height = np.where(coarse.inside, coarse.height_mm, np.nan)
    cells = surface_cells(height, coarse.origin_mm, coarse.block_mm)
    used = cells.area_mm2 > 0
    if not used.any():
        points = coarse.points()
        centre = points.mean(axis=0) if len(points) else np.zeros(3)
        return centre, coarse.block_mm
    area, points = cells.area_mm2[used], cells.centre_mm[used]
    centre = (area[:, None] * points).sum(axis=0) / area.sum()
    spread = ((points - centre) ** 2).sum(axis=1)
    return centre, float(np.sqrt((area * spread).sum() / area.sum()))


def steepest_slope(taper_deg: float) -> float:
    """Tangent of the steepest ground a key may stand on: its uphill wall still falls at 45 degrees, 60 at
    most.
    """
    uphill = 1.0 / np.tan(np.radians(taper_deg)) - LEAST_UPHILL_FALL
    return float(np.clip(uphill, 0.1, np.tan(np.radians(STEEPEST_DEG))))


def survey_ground(
    rubber: Rubber,
    brief: KeysBrief,
    locks: Locks | None = None,
    seam: Seam | None = None,
    master: Master | None = None,
) -> tuple[Ground, ...]:
    """Where keys may stand on each piece: off locks, steep or tightly curved ground, open base and edges.

    With the master given, locked faces are projected exactly; without it each lock region bars a disc of its
    area.
    """
    return tuple(_survey(rubber, envelope, brief, locks, seam, master) for envelope in rubber.envelopes)


def _survey(
    rubber: Rubber,
    envelope: Envelope,
    brief: KeysBrief,
    locks: Locks | None,
    seam: Seam | None,
    master: Master | None,
) -> Ground:
    coarse = _coarse(envelope, brief.base_diameter_mm / 10.0, rubber)
    sigma = brief.base_diameter_mm / 4.0
    locked = _locked_blocks(envelope, coarse, rubber, locks, seam, master)
    steep = np.zeros_like(coarse.inside)
    tight = np.zeros_like(coarse.inside)
    allowed = np.zeros(coarse.inside.shape)
    for zone in (coarse.flange, coarse.inside & ~coarse.flange):
        if not zone.any():
            continue
        fit = fit_planes(coarse.height_mm, zone, coarse.block_mm, sigma)
        with np.errstate(invalid="ignore"):
            steep |= zone & ~(fit.slope <= steepest_slope(brief.taper_deg))
            tight |= zone & ~(fit.curve_radius_mm(sigma) >= CURVE_OF_FOOT * brief.base_diameter_mm)
        good = zone & ~steep & ~tight & ~locked
        allowed = np.maximum(allowed, clearance_mm(good, coarse.block_mm))
    at = np.nonzero(coarse.inside)
    centre, gyration = _mass_figures(coarse)
    points = coarse.points()
    hangs, held = pulled_off(points, coarse.wall_deg[at], brief.tilt_deg)
    barred = np.where(locked, 1, np.where(steep, 2, np.where(tight, 3, 0)))[at]
    return Ground(
        envelope=envelope,
        points_mm=points,
        thickness_mm=coarse.thickness_mm[at],
        hangs=hangs,
        held_mm=held,
        allowed_mm=allowed[at],
        on_edge=_edge_band(coarse, points, at, rubber.edge_band_mm),
        centre_mm=centre,
        gyration_mm=gyration,
        block_mm=coarse.block_mm,
        barred=barred,
    )


def _edge_band(coarse: _Coarse, points: np.ndarray, at: tuple[np.ndarray, ...], band_mm: float) -> np.ndarray:
    """(k,) bool: flange, and all within the handling band of it (of the outline where there is no flange)."""
    on_flange = coarse.flange[at]
    if on_flange.any():
        tree = cKDTree(points[on_flange], balanced_tree=False)
        distance, _ = tree.query(points, distance_upper_bound=np.nextafter(band_mm, np.inf), workers=2)
        return on_flange | (distance <= band_mm)
    return clearance_mm(coarse.inside, coarse.block_mm)[at] <= band_mm


def _locked_blocks(
    envelope: Envelope,
    coarse: _Coarse,
    rubber: Rubber,
    locks: Locks | None,
    seam: Seam | None,
    master: Master | None,
) -> np.ndarray:
    if locks is None:
        return np.zeros_like(coarse.inside)
    rows, columns = coarse.inside.shape
    grid = Grid(coarse.origin_mm[0], coarse.origin_mm[1], coarse.block_mm, rows, columns)
    if master is None or seam is None:
        return _lock_discs(envelope, grid, locks, rubber)
    filled = _thin(locks.fill_mm, rubber)
    faces = master.faces[filled & (seam.labels == envelope.piece)]
    if len(faces) == 0:
        return np.zeros_like(coarse.inside)
    points = envelope.frame.to_frame(master.vertices_mm)
    top, _ = column_image(points, faces, grid)
    # small and steep faces slip between the samples: their corners count as well
    locked = np.isfinite(top)
    i, j = grid.nearest(points[faces, 0].ravel(), points[faces, 1].ravel())
    locked[i, j] = True
    return locked


def _thin(fill_mm: np.ndarray, rubber: Rubber) -> np.ndarray:
    """Fill that is a lock, and thin."""
    least, most = (share * rubber.skin_thickness_mm for share in THIN_FILL_OF_SKIN)
    return (fill_mm > least) & (fill_mm < most)


def _lock_discs(envelope: Envelope, grid: Grid, locks: Locks, rubber: Rubber) -> np.ndarray:
    locked = np.zeros((grid.rows, grid.columns), bool)
    for region in locks.regions:
        if region.piece != envelope.piece or not _thin(np.array(region.fill_mm3 / region.area_mm2), rubber):
            continue
        x, y = _across(envelope, region.centre_mm)
        radius2 = region.area_mm2 / np.pi
        locked |= (grid.x()[None, :] - x) ** 2 + (grid.y()[:, None] - y) ** 2 <= radius2
    return locked


# --- the fixture -----------------------------------------------------------------------------------------


def contact_stiffness(
    feet_mm: np.ndarray,
    base_diameter_mm: np.ndarray,
    top_diameter_mm: np.ndarray,
    height_mm: np.ndarray,
    centre_mm: np.ndarray,
    gyration_mm: float,
) -> np.ndarray:
    """(n, 6, 6) contact matrix of each key: the mean over its side of w wᵀ, w = (normal, arm x normal /
    gyration).

    feet_mm : (n, 3) frame coordinates, the pull along +z; diameters and height (n,). Both senses of each
    normal count, since a tab sits in a socket. The side is sampled round at 12 places and at the two Gauss
    points of its height: a cone gripped along its side, so a lone one resists every motion but the turn
    about its own axis.
    """
    n = len(feet_mm)
    if n == 0:
        return np.zeros((0, 6, 6))
    angle = 2.0 * np.pi * np.arange(_AROUND) / _AROUND
    run = (np.asarray(base_diameter_mm) - np.asarray(top_diameter_mm)) / 2.0
    side = np.hypot(run, height_mm)
    sin_taper, cos_taper = run / side, height_mm / side
    out = np.stack([np.cos(angle), np.sin(angle), np.zeros(_AROUND)], axis=1)
    total = np.zeros((n, 6, 6))
    for gauss in (0.5 - 0.5 / np.sqrt(3.0), 0.5 + 0.5 / np.sqrt(3.0)):
        radius = np.asarray(base_diameter_mm) / 2.0 - run * gauss
        normal = cos_taper[:, None, None] * out[None]
        normal[:, :, 2] = sin_taper[:, None]
        place = feet_mm[:, None, :] + radius[:, None, None] * out[None]
        place[:, :, 2] += (height_mm * gauss)[:, None]
        turn = np.cross(place - centre_mm, normal) / gyration_mm
        wrench = np.concatenate([normal, turn], axis=2)
        total += np.einsum("nki,nkj->nij", wrench, wrench) / (2.0 * _AROUND)
    return total


def smallest_stiffness(contact: np.ndarray) -> float:
    """Smallest singular value of the stacked contact rows over the root of the key count; 0 for no keys.

    contact : (n, 6, 6) from `contact_stiffness`. 0 means that some slide or turn is free.
    """
    if len(contact) == 0:
        return 0.0
    least = float(np.linalg.eigvalsh(contact.sum(axis=0))[0])
    return float(np.sqrt(max(least, 0.0) / len(contact)))


def sag_of_patch_mm(radius_mm: np.ndarray, thickness_mm: np.ndarray, stuff: RubberStuff) -> np.ndarray:
    """Sag of a round patch of rubber held at its rim, hanging under its own weight.

    Clamped circular plate, w = q a⁴ / 64 D with D = E t³ / 12 (1 - nu²): the tests solve the plate's equation apart.
    Flat and free of the jacket: a curved patch sags less.
    """
    a, t = np.asarray(radius_mm, float), np.asarray(thickness_mm, float)
    q_mpa = stuff.density_kg_dm3 * 1e-6 * GRAVITY_M_S2 * t  # kg/dm3 = 1e-6 kg/mm3; N/mm2
    rigidity = stuff.modulus_mpa * t**3 / (12.0 * (1.0 - RUBBER_POISSON**2))
    return q_mpa * a**4 / (64.0 * rigidity)


def hung_sag_mm(
    radius_mm: np.ndarray, thickness_mm: np.ndarray, stuff: RubberStuff, share: np.ndarray | float = 1.0
) -> np.ndarray:
    """The sag under a share of its weight, the stretch of the middle plane counted: beyond half the thickness it tells.

    w (1 + 0.488 (w / t)²) = small-deflection sag, for a clamped rim that holds still (Timoshenko & Woinowsky-Krieger,
    Theory of plates and shells, for Poisson's ratio 0.3; from memory, verify).
    """
    small = share * np.minimum(
        sag_of_patch_mm(radius_mm, thickness_mm, stuff), 1e9
    )  # without a key it hangs from nothing
    return beyond_thickness_mm(small, np.asarray(thickness_mm, float), STRETCH_UNDER_SPREAD)


def _contact_of(keys: Sequence[Key], envelope: Envelope, centre: np.ndarray, gyration: float) -> np.ndarray:
    feet = envelope.frame.to_frame(np.array([k.foot_mm for k in keys], float).reshape(-1, 3))
    base = np.array([k.base_diameter_mm for k in keys])
    top = np.array([k.top_diameter_mm for k in keys])
    height = np.array([k.height_mm for k in keys])
    return contact_stiffness(feet, base, top, height, centre, gyration)


def _gaps_mm(keys: Sequence[Key], envelope: Envelope, points: np.ndarray) -> np.ndarray:
    """(k,) distance from each ground point to the foot of the nearest key: straight, so never more than the
    surface's own. Infinite without keys."""
    if not keys:
        return np.full(len(points), np.inf)
    feet = envelope.frame.to_frame(np.array([k.foot_mm for k in keys]))
    distance, nearest = cKDTree(feet).query(points)
    rim = np.array([k.base_diameter_mm / 2.0 for k in keys])[nearest]
    return np.maximum(distance - rim, 0.0)


def recheck_keys(
    keys: Iterable[Key],
    rubber: Rubber,
    brief: KeysBrief,
    stuff: RubberStuff | None = None,
    grounds: Sequence[Ground] | None = None,
) -> tuple[FixtureCheck, ...]:
    """Check any keys anew, after some were added, moved or removed: one check for each piece. Fast.

    With `grounds` from `survey_ground` the figures are those of `set_keys` to the last digit, and the
    reasons name what is in the way; without them the rubber alone is read, on a coarser grid.
    """
    stuff = stuff or RubberStuff()
    keys = tuple(keys)
    grounds = grounds or [_ground_of(e, brief, rubber) for e in rubber.envelopes]
    return tuple(_check([k for k in keys if k.piece == g.envelope.piece], g, brief, stuff) for g in grounds)


@lru_cache(maxsize=8)
def _ground_of(envelope: Envelope, brief: KeysBrief, rubber: Rubber) -> Ground:
    """Ground for a check alone: nothing is said of where keys may stand. Kept: keys are changed one by one."""
    coarse = _coarse(envelope, brief.base_diameter_mm / 4.0, rubber)
    centre, gyration = _mass_figures(coarse)
    points = coarse.points()
    nothing = np.zeros(len(points))
    hangs, held = pulled_off(points, coarse.wall_deg[coarse.inside], brief.tilt_deg)
    return Ground(
        envelope, points, coarse.thickness_mm[coarse.inside], hangs, held, nothing,
        nothing.astype(bool), centre, gyration, coarse.block_mm, nothing.astype(int),
    )  # fmt: skip


def check_fixture(keys: Keys, rubber: Rubber, brief: KeysBrief) -> tuple[FixtureCheck, ...]:
    """`recheck_keys` of a whole stage's result."""
    return recheck_keys(keys.keys, rubber, brief)


def _check(keys: Sequence[Key], ground: Ground, brief: KeysBrief, stuff: RubberStuff) -> FixtureCheck:
    envelope, points = ground.envelope, ground.points_mm
    stiffness = smallest_stiffness(_contact_of(keys, envelope, ground.centre_mm, ground.gyration_mm))
    gaps = _gaps_mm(keys, envelope, points)
    if not keys or len(points) == 0:
        return FixtureCheck(
            envelope.piece, 0.0, brief.least_stiffness, float("inf"), float("inf"), brief.sag_limit_mm, False,
            f"the {envelope.name} has no keys",
        )  # fmt: skip
    sags = _sags_mm(gaps, ground, stuff)
    worst = int(np.argmax(sags if sags.any() else gaps))
    stiff, flat = stiffness >= brief.least_stiffness, bool(sags[worst] <= brief.sag_limit_mm)
    place = envelope.frame.to_master(points[worst][None])[0]
    return FixtureCheck(
        piece=envelope.piece,
        stiffness=stiffness,
        least_stiffness=brief.least_stiffness,
        widest_gap_mm=float(gaps.max()),
        sag_mm=float(sags[worst]),
        sag_limit_mm=brief.sag_limit_mm,
        holds=stiff and flat,
        reason=_why(
            envelope.name, len(keys), stiff, flat, stiffness, float(sags[worst]), place, brief,
            _in_the_way(ground, points[worst], float(gaps[worst])),
        ),
        gap_centre_mm=(float(place[0]), float(place[1]), float(place[2])),
    )  # fmt: skip


def _sags_mm(gaps_mm: np.ndarray, ground: Ground, stuff: RubberStuff) -> np.ndarray:
    """(k,) sag about each place: of the round patch that reaches to the next key or to rubber that lies firmly."""
    sags = np.zeros(len(gaps_mm))
    at = np.flatnonzero(ground.hangs)
    radius = np.minimum(gaps_mm[at], ground.held_mm[at])
    sags[at] = hung_sag_mm(radius, ground.thickness_mm[at], stuff, ground.hangs[at])
    return sags


def _why(
    name: str,
    count: int,
    stiff: bool,
    flat: bool,
    stiffness: float,
    sag: float,
    place: np.ndarray,
    brief: KeysBrief,
    in_the_way: str,
) -> str:
    if stiff and flat:
        return f"{count} keys hold the {name}: no slide or turn is free, sag {sag:.1f} mm at most"
    said = []
    if not stiff:
        said.append(
            f"{count} keys leave a slide or turn of the {name} too free "
            f"({stiffness:.3f}, at least {brief.least_stiffness:.3f}): spread them or add some"
        )
    if not flat:
        said.append(f"the {name} sags {sag:.1f} mm (limit {brief.sag_limit_mm:.1f}) in the gap {place[2]:.0f} mm up")
        if in_the_way:
            said.append(
                f"what keeps keys from it is {in_the_way}: tie the rubber to the jacket there, or set your own key"
            )
    return "; ".join(said)


def _in_the_way(ground: Ground, centre: np.ndarray, gap_mm: float) -> str:
    """What bars most of a gap's ground, or "" where nobody looked."""
    if not ground.allowed_mm.any():
        return ""
    near = ground.barred[np.linalg.norm(ground.points_mm - centre, axis=1) <= gap_mm]
    counts = np.bincount(near, minlength=len(BARRED))
    return BARRED[int(np.argmax(counts[1:])) + 1] if counts[1:].any() else BARRED[0]


# --- setting them ----------------------------------------------------------------------------------------


def set_keys(
    rubber: Rubber,
    locks: Locks | None,
    seam: Seam | None,
    brief: KeysBrief,
    progress: Progress = SILENT,
    master: Master | None = None,
    stuff: RubberStuff | None = None,
) -> Keys:
    """Set the keys of every piece: the brief's own, or by spacing rules along the edges and over the middle,
    then more until the fixture holds.

    Raises `BriefRefused` where an own key names no piece or a key has no top. What cannot be made to hold is
    told in the check's reason, not raised.
    """
    stuff = stuff or RubberStuff()
    own = _own_keys(rubber, brief)
    grounds = survey_ground(rubber, brief, locks, seam, master)
    prefixes = piece_prefixes([g.envelope.name for g in grounds])
    keys: list[Key] = []
    checks: list[FixtureCheck] = []
    notes: list[str] = []
    for at, ground in enumerate(grounds):
        progress.step(at / len(grounds), f"keys of the {ground.envelope.name}")
        placed = [k for k in own if k.piece == ground.envelope.piece]
        if not placed:
            placed = _set_by_rule(ground, brief, rubber, keys)
            placed = _add_until_held(placed, ground, brief, stuff)
        placed = _named(placed, prefixes[at], ground.envelope)
        notes += key_faults(placed, ground)
        keys += placed
        checks.append(_check(placed, ground, brief, stuff))
    progress.step(1.0)
    return Keys(tuple(keys), tuple(checks), tuple(notes))


def _own_keys(rubber: Rubber, brief: KeysBrief) -> list[Key]:
    by_name = {e.name: e for e in rubber.envelopes}
    keys = []
    for name, x, y, z in brief.own_keys:
        if name not in by_name:
            raise BriefRefused(
                f"The brief has a key on '{name}', which is no piece of this mould; use one of: "
                f"{', '.join(sorted(by_name))}."
            )
        envelope = by_name[name]
        foot = snap_to_outside(envelope, np.array([[x, y, z]], float))[0]
        keys.append(shape_key("", envelope.piece, _where(envelope, foot), foot, brief, own=True))
    return keys


def snap_to_outside(envelope: Envelope, points_mm: np.ndarray) -> np.ndarray:
    """(k, 3) plan points moved onto the glove's outside: straight along the pull, or first to the nearest
    rubber.
    """
    inside = covered(envelope)
    if not inside.any():
        raise ValueError("an empty envelope has no outside to set a key on")
    frame_points = envelope.frame.to_frame(np.asarray(points_mm, float))
    i, j = np.nonzero(inside)
    x0, y0 = envelope.origin_mm
    pixels = np.column_stack([x0 + j * envelope.pixel_mm, y0 + i * envelope.pixel_mm])
    distance, nearest = cKDTree(pixels).query(frame_points[:, :2])
    off = distance > 0.75 * envelope.pixel_mm
    xy = np.where(off[:, None], pixels[nearest], frame_points[:, :2])
    z = sample(np.where(inside, envelope.outer_mm, np.nan), envelope.origin_mm, envelope.pixel_mm, xy)
    return envelope.frame.to_master(np.column_stack([xy, z]))


def _where(envelope: Envelope, foot_mm: np.ndarray) -> str:
    x, y = _across(envelope, foot_mm)
    rows, columns = envelope.flange.shape
    i = int(np.clip(round((y - envelope.origin_mm[1]) / envelope.pixel_mm), 0, rows - 1))
    j = int(np.clip(round((x - envelope.origin_mm[0]) / envelope.pixel_mm), 0, columns - 1))
    return "edge" if envelope.flange[i, j] else "middle"


def _set_by_rule(ground: Ground, brief: KeysBrief, rubber: Rubber, placed: Sequence[Key]) -> list[Key]:
    """Edge keys no further apart than the edge spacing, then middle keys; `placed` are those of earlier
    pieces.
    """
    keys: list[Key] = []
    scale = _edge_scale(ground, brief)
    if scale > 0:
        keys += _along_flange(ground, brief, scale, rubber, placed)
        shape = _shape(ground, brief, scale)
        free = np.nonzero(ground.on_edge & (ground.allowed_mm >= shape.reach_mm))[0]
        taken = _feet(keys, ground.envelope)
        chosen = _spread(ground.points_mm[free], taken, EDGE_UNSERVED * brief.edge_spacing_mm, ground.centre_mm)
        keys += [_at(ground, int(k), "edge", brief, scale) for k in free[chosen]]
    shape = _shape(ground, brief, 1.0)
    free = np.nonzero(~ground.on_edge & (ground.allowed_mm >= shape.reach_mm))[0]
    taken = _feet(keys, ground.envelope)
    chosen = _spread(ground.points_mm[free], taken, brief.middle_spacing_mm / np.sqrt(3.0), ground.centre_mm)
    keys += [_at(ground, int(k), "middle", brief, 1.0) for k in free[chosen]]
    return keys


def _along_flange(ground: Ground, brief: KeysBrief, scale: float, rubber: Rubber, placed: Sequence[Key]) -> list[Key]:
    """Keys along the flange's middle, back to back with those of a piece that meets it there, so that the
    bolts
    find the same free stretches on both."""
    envelope = ground.envelope
    if not envelope.flange.any() or len(ground.points_mm) == 0:
        return []
    reach = _shape(ground, brief, scale).reach_mm
    tree = cKDTree(ground.points_mm[:, :2])

    def usable(spots: np.ndarray) -> np.ndarray:
        away, nearest = tree.query(spots)
        return np.asarray((away <= ground.block_mm) & (ground.allowed_mm[nearest] >= reach))

    feet = np.array([k.foot_mm for k in placed if k.where == "edge"], float).reshape(-1, 3)
    here = feet[on_this_flange(envelope, feet, 2.0 * rubber.flange_thickness_mm)]
    shared = _apart(envelope.frame.to_frame(here)[:, :2], SPACING_OF_FOOT * brief.base_diameter_mm * scale)
    lines = rim_lines(envelope, rubber.flange_width_mm / 2.0)
    spots = points_along(lines, brief.edge_spacing_mm, usable, shared[usable(shared)] if len(shared) else shared)
    return [_stand(envelope, spot, "edge", brief, scale) for spot in spots]


def _apart(points: np.ndarray, least_mm: float) -> np.ndarray:
    """Those of (k, 2) points that stand at least `least_mm` from every one kept before: first come."""
    kept: list[np.ndarray] = []
    for point in points:
        if all(np.linalg.norm(point - other) >= least_mm for other in kept):
            kept.append(point)
    return np.array(kept).reshape(-1, 2)


def _shape(ground: Ground, brief: KeysBrief, scale: float) -> Key:
    return shape_key("", ground.envelope.piece, "edge", (0.0, 0.0, 0.0), brief, scale)


def _edge_scale(ground: Ground, brief: KeysBrief) -> float:
    """Largest key that finds room along most of the edge; 0 where none does."""
    room = ground.allowed_mm[ground.on_edge]
    if len(room) == 0:
        return 0.0
    edge = ground.points_mm[ground.on_edge]
    best, reached = 0.0, 0.0
    for scale in SMALLER_KEYS:
        fits = room >= _shape(ground, brief, scale).reach_mm
        if not fits.any():
            continue
        distance, _ = cKDTree(edge[fits]).query(edge)
        served = float((distance <= brief.edge_spacing_mm).mean())
        if served > reached + 0.05:  # a smaller key must reach noticeably more of the edge
            best, reached = scale, served
    return best


def _at(ground: Ground, index: int, where: str, brief: KeysBrief, scale: float) -> Key:
    return _stand(ground.envelope, ground.points_mm[index, :2], where, brief, scale)


def _stand(envelope: Envelope, xy: np.ndarray, where: str, brief: KeysBrief, scale: float) -> Key:
    """A key whose foot is on the glove's outside at a frame position."""
    z = sample(envelope.outer_mm, envelope.origin_mm, envelope.pixel_mm, xy[None])
    foot = envelope.frame.to_master(np.array([[xy[0], xy[1], z[0]]]))[0]
    return shape_key("", envelope.piece, where, foot, brief, scale)


def _feet(keys: Sequence[Key], envelope: Envelope) -> np.ndarray:
    return envelope.frame.to_frame(np.array([k.foot_mm for k in keys], float).reshape(-1, 3))


def _spread(points: np.ndarray, taken: np.ndarray, reach_mm: float, centre: np.ndarray) -> np.ndarray:
    """Indices of points so that none is further than `reach_mm` from a chosen or taken one: farthest first.

    No two chosen stand nearer than `reach_mm`. The first is the one farthest from the centre; ties go to the
    first in order, so the same ground gives the same keys.
    """
    if len(points) == 0:
        return np.zeros(0, int)
    chosen: list[int] = []
    if len(taken):
        distance, _ = cKDTree(taken).query(points)
    else:
        first = int(np.argmax(np.round(np.linalg.norm(points - centre, axis=1), 6)))
        chosen.append(first)
        distance = np.linalg.norm(points - points[first], axis=1)
    while len(chosen) < MOST_KEYS_A_PIECE:
        farthest = int(np.argmax(np.round(distance, 6)))
        if distance[farthest] <= reach_mm:
            break
        chosen.append(farthest)
        distance = np.minimum(distance, np.linalg.norm(points - points[farthest], axis=1))
    return np.array(chosen, int)


def _add_until_held(keys: list[Key], ground: Ground, brief: KeysBrief, stuff: RubberStuff) -> list[Key]:
    """Add keys where they help most until nothing is free and nothing sags, or no place is left."""
    # a crowd of small tabs is worth less than its work: none smaller than the edge takes anyway
    least_scale = min(LEAST_ADDED, _edge_scale(ground, brief) or 1.0)
    keys = _stiffen(keys, ground, brief, least_scale)
    return _close_gaps(keys, ground, brief, stuff, least_scale)


def _room(keys: Sequence[Key], ground: Ground, brief: KeysBrief, least_scale: float) -> tuple[np.ndarray, np.ndarray]:
    """Ground indices where one more key may stand, and the largest scale that fits there."""
    scale = np.zeros(len(ground.points_mm))
    for tried in [k for k in reversed(SMALLER_KEYS) if k >= least_scale]:
        scale[ground.allowed_mm >= _shape(ground, brief, tried).reach_mm] = tried
    scale[~ground.on_edge & (scale < 1.0)] = 0.0
    if keys:
        distance, nearest = cKDTree(_feet(keys, ground.envelope)).query(ground.points_mm)
        theirs = np.array([k.base_diameter_mm for k in keys])[nearest]
        apart = SPACING_OF_FOOT * (theirs + brief.base_diameter_mm * scale) / 2.0
        scale[distance < apart] = 0.0
    index = np.nonzero(scale > 0)[0]
    return index, scale[index]


def _stiffen(keys: list[Key], ground: Ground, brief: KeysBrief, least_scale: float) -> list[Key]:
    envelope = ground.envelope
    while len(keys) < MOST_KEYS_A_PIECE:
        contact = _contact_of(keys, envelope, ground.centre_mm, ground.gyration_mm)
        if smallest_stiffness(contact) >= brief.least_stiffness:
            break
        index, scale = _room(keys, ground, brief, least_scale)
        if len(index) == 0:
            break
        some = np.unique(np.linspace(0, len(index) - 1, 400).astype(int))
        tried = [_at(ground, int(index[k]), _edge_or_middle(ground, index[k]), brief, scale[k]) for k in some]
        each = _contact_of(tried, envelope, ground.centre_mm, ground.gyration_mm)
        least = np.linalg.eigvalsh(contact.sum(axis=0) + each)[:, 0]
        best = int(np.argmax(np.round(least, 12)))
        better = np.sqrt(max(least[best], 0.0) / (len(keys) + 1))
        keys = [*keys, tried[best]]
        if len(keys) > 3 and better <= smallest_stiffness(contact) * 1.0001:
            break  # the mean over keys no longer rises: more of them will not help
    return keys


def _edge_or_middle(ground: Ground, index: int) -> str:
    return "edge" if ground.on_edge[index] else "middle"


def _close_gaps(keys: list[Key], ground: Ground, brief: KeysBrief, stuff: RubberStuff, least_scale: float) -> list[Key]:
    """Set a key as near as may be to the worst sag, again and again; leave the places that no key can
    serve.
    """
    points, envelope = ground.points_mm, ground.envelope
    gaps = _gaps_mm(keys, envelope, points)
    open_points = np.nonzero(ground.hangs)[0]  # shrinks: more keys only close gaps and take up room
    while len(keys) < MOST_KEYS_A_PIECE:
        sags = _sags_mm(gaps, ground, stuff)[open_points]
        open_points, sags = open_points[sags > brief.sag_limit_mm], sags[sags > brief.sag_limit_mm]
        index, scale = _room(keys, ground, brief, least_scale)
        if len(open_points) == 0 or len(index) == 0:
            break
        distance, nearest = cKDTree(points[index]).query(points[open_points])
        new_gap = distance - brief.base_diameter_mm / 2.0 * scale[nearest]
        helped = new_gap <= WORTHWHILE * gaps[open_points]
        if not helped.any():
            break
        open_points, nearest = open_points[helped], nearest[helped]
        worst = int(np.argmax(np.round(sags[helped], 9)))
        at = int(index[nearest[worst]])
        key = _at(ground, at, _edge_or_middle(ground, at), brief, float(scale[nearest[worst]]))
        keys = [*keys, key]
        gaps = np.minimum(gaps, _gaps_mm([key], envelope, points))
    return keys


def piece_prefixes(names: Sequence[str]) -> list[str]:
    """Shortest beginnings of the piece names, in capitals, that tell them apart; numbers where three do not."""
    clean = ["".join(c for c in n if c.isalnum()) or "P" for n in names]
    for length in range(1, 4):
        short = [c[:length].upper() for c in clean]
        if len(set(short)) == len(short):
            return short
    return [f"{c[:1].upper()}{i + 1}." for i, c in enumerate(clean)]


def _named(keys: Sequence[Key], prefix: str, envelope: Envelope) -> list[Key]:
    """Numbered from the top down (across the pull), then left to right."""
    feet = _feet(keys, envelope)
    order = sorted(range(len(keys)), key=lambda k: (-round(float(feet[k, 1]), 3), round(float(feet[k, 0]), 3)))
    return [replace(keys[k], name=f"{prefix}{n}") for n, k in enumerate(order, start=1)]


def key_faults(keys: Iterable[Key], ground: Ground) -> list[str]:
    """One sentence for each key of the piece that stands where no key should, or too near another."""
    said: list[str] = []
    envelope = ground.envelope
    mine = [k for k in keys if k.piece == envelope.piece]
    if not mine:
        return said
    feet = _feet(mine, envelope)
    distance, nearest = cKDTree(ground.points_mm[:, :2]).query(feet[:, :2])
    for key, away, place in zip(mine, distance, nearest, strict=True):
        if away > ground.block_mm or ground.allowed_mm[place] + ground.block_mm < key.reach_mm:
            said.append(
                f"Key {key.name} of the {envelope.name} stands over a lock, a steep or tight place, or an "
                "edge: move it."
            )
    if len(mine) > 1:
        apart, other = cKDTree(feet).query(feet, k=2)
        for key, near, its in zip(mine, apart[:, 1], other[:, 1], strict=True):
            touching = near < (key.base_diameter_mm + mine[its].base_diameter_mm) / 2.0
            if touching and key.name < mine[its].name:
                both = f"{key.name} and {mine[its].name}"
                said.append(f"Keys {both} of the {envelope.name} run into each other.")
    return said


def key_assumptions(brief: KeysBrief, stuff: RubberStuff | None = None) -> tuple[Assumption, ...]:
    """The figures that keys rest on, with their marks."""
    stuff = stuff or RubberStuff()
    spacing = f"{brief.edge_spacing_mm:.0f} mm along edges, {brief.middle_spacing_mm:.0f} mm over the middle"
    return (
        Assumption("key spacing", spacing, Mark.COMMON_PRACTICE),
        Assumption("sag limit between keys", f"{brief.sag_limit_mm:g} mm", Mark.COMMON_PRACTICE),
        Assumption(
            "how a half lies while its cast is laid",
            f"open side up in its cradle, tipped {brief.tilt_deg:g}° at most",
            Mark.COMMON_PRACTICE,
        ),
        Assumption("rubber modulus", f"{stuff.modulus_mpa:g} MPa", Mark.MEMORY, "Gent, from Shore A 12 to 28"),
        Assumption("sag of a held patch", "that of a round plate clamped at its rim", Mark.COMMON_PRACTICE),
    )
