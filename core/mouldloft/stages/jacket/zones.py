"""Under jacket: a piece's outside, the zones that are laid on it, and what they weigh."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from scipy import ndimage

from ...base.figures import counted, listed
from ...base.intervals import Interval, interval_of
from ...geometry.heightmap import SurfaceCells, surface_cells
from ...trade.laminate import Laminate, oz_from_mat_g_m2, resin_kg
from ...trade.panels import Panels, find_panels
from ..keys import Key, Keys, key_bumps
from ..rubber import Envelope, Rubber, covered, inside_of_jacket_mm, jacketed
from .footflange import foot_lines, foot_pixels, on_board
from .record import Patch, Rib, Zone

LAP_MM = 50.0  # common practice: a patch runs on past what it stiffens
RIB_WIDTH_MM = 40.0  # common practice
CORE_KG_MM3 = 0.6e-6  # Mark.MEMORY: sheet timber, where no catalogue says
SAMPLES = 15_000  # of the surface, for the panel search
_SECTION = ("core_width_mm", "core_height_mm")
ZONES = ("field", "handling edge", "flange", "patch")


@dataclass(frozen=True, eq=False)
class Outside:
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
    unjoined_mm2: float  # of the flange, what meets no other piece: on the board round the foot, and keys' sides
    panels: Panels
    samples_mm: np.ndarray  # (n, 3) spread evenly over the body


@dataclass(frozen=True)
class Schedule:
    """What is laid where on one piece. core_kg_mm3 is what ribs' cores are made of."""

    field: Laminate
    edge: Laminate
    patch: Laminate | None = None
    patches: tuple[Patch, ...] = ()
    ribs: tuple[Rib, ...] = ()
    ribbed: tuple[Ribbed, ...] = ()
    core_kg_mm3: float = CORE_KG_MM3

    @property
    def heaviest(self) -> Laminate:
        """What the field carries where it is laid heaviest."""
        return self.patch or self.field


@dataclass(frozen=True)
class Ribbed:
    """A round panel with ribs along it: what leans in it comes on a strip between two of them."""

    disc: Patch
    pitch_mm: float
    core_height_mm: float

    @property
    def strip_mm(self) -> float:
        """Clear width between two ribs."""
        return self.pitch_mm - RIB_WIDTH_MM


@dataclass(frozen=True, eq=False)
class LaidPiece:
    """One piece's shell, laid up."""

    envelope: Envelope
    schedule: Schedule
    zones: tuple[Zone, ...]
    area_mm2: float
    unjoined_mm2: float
    mass_kg: float
    rubber_kg: float
    interval: Interval
    centre_mm: np.ndarray
    cell_kg: np.ndarray  # of the outside's cells, ribs left out


def outside_with_keys(envelope: Envelope, keys: Iterable[Key]) -> np.ndarray:
    """(rows, columns) float32: what the jacket lies on: the glove's outside, keys included, and the parting past the
    rubber; NaN where no jacket goes."""
    return inside_of_jacket_mm(envelope) + key_bumps(envelope, keys)


def glove_columns(envelope: Envelope) -> tuple[np.ndarray, np.ndarray]:
    """(n, 3) middles of the glove's columns in plan coordinates, and their (n,) thickness along the pull."""
    i, j = np.nonzero(covered(envelope))
    below, top = np.where(np.isfinite(envelope.filled_mm), envelope.filled_mm, envelope.parting_mm), envelope.outer_mm
    thick = (top[i, j] - below[i, j]).astype(float)
    (x0, y0), p = envelope.origin_mm, envelope.pixel_mm
    return envelope.frame.to_master(np.column_stack([x0 + p * j, y0 + p * i, top[i, j] - thick / 2.0])), thick


def reach_from_flange_mm(envelope: Envelope) -> np.ndarray:
    """(rows, columns) distance from the flange up the glove's outside, straight; NaN where no jacket goes,
    infinite
    where there is no flange."""
    inside, outside = jacketed(envelope), inside_of_jacket_mm(envelope)
    flange = (envelope.flange | envelope.past_rubber) & inside
    if not flange.any():
        return np.where(inside, np.inf, np.nan)
    far, (i, j) = ndimage.distance_transform_edt(~flange, return_indices=True)
    up = outside - outside[i, j]
    return np.where(inside, np.hypot(far * envelope.pixel_mm, up), np.nan)


def zone_of_cells(envelope: Envelope, cells: SurfaceCells, edge_band_mm: float) -> np.ndarray:
    """(rows - 1, columns - 1) int8: 0 field, 1 handling edge, 2 flange.

    A cell is flange where every known corner is; the handling edge reaches `edge_band_mm` from the flange, up
    the surface.
    """
    inside = jacketed(envelope)
    flange = (envelope.flange | envelope.past_rubber) & inside
    zone = np.zeros(cells.area_mm2.shape, np.int8)
    if flange.any():
        reach = reach_from_flange_mm(envelope)
        corners = np.stack([reach[:-1, :-1], reach[:-1, 1:], reach[1:, 1:], reach[1:, :-1]])
        known = np.isfinite(corners)
        middle = np.where(known, corners, 0.0).sum(axis=0) / np.maximum(known.sum(axis=0), 1)
        zone[middle <= edge_band_mm] = 1
        zone[every_corner(~inside | flange)] = 2
    return zone


def every_corner(pixels: np.ndarray) -> np.ndarray:
    """(rows - 1, columns - 1) bool: all four corners of a cell. Missing ones are passed in as True."""
    both = pixels[:-1] & pixels[1:]
    return both[:, :-1] & both[:, 1:]


def measure_outside(
    envelope: Envelope, rubber: Rubber, keys: Keys, rubber_mm3: float, density: float, by_hand: float
) -> Outside:
    outside = outside_with_keys(envelope, keys.keys)
    cells = surface_cells(outside, envelope.origin_mm, envelope.pixel_mm)
    used = cells.area_mm2 > 0
    area = cells.area_mm2[used]
    half = surface_cells(outside[::2, ::2], envelope.origin_mm, 2.0 * envelope.pixel_mm)
    # sideways, the coarser map also loses a strip of rim: the difference is an upper bound
    error = abs(float(half.area_mm2.sum()) / float(area.sum()) - 1.0) if len(area) else 0.0
    samples, normals, each = _bare_samples(envelope)
    zone = zone_of_cells(envelope, cells, rubber.edge_band_mm)
    foot = foot_pixels(envelope, rubber.flange_width_mm, rubber.flange_thickness_mm)
    on_foot = foot[:-1, :-1] & foot[:-1, 1:]  # a row of cells above it is its face, seen along the pull
    zone[on_foot] = 2
    bare = surface_cells(inside_of_jacket_mm(envelope), envelope.origin_mm, envelope.pixel_mm).area_mm2
    raised = (cells.area_mm2 - bare)[(zone == 2) & ~on_foot].sum()
    past = _past_foot(envelope, foot, rubber.built_to.jacket_flange_mm)
    area = np.concatenate([area, np.full(len(past), rubber.built_to.jacket_flange_mm * _PAST_FOOT_MM)])
    up = np.tile([0.0, 0.0, 1.0], (len(past), 1))
    return Outside(
        envelope, rubber_mm3 * density * 1e-6, rubber_mm3, float(area.sum()), error, by_hand, area,
        np.concatenate([envelope.frame.to_master(cells.centre_mm[used]), past]),
        np.concatenate([envelope.frame.to_master(cells.normal[used]), up]),
        np.concatenate([zone[used], np.full(len(past), 2, np.int8)]),
        float(cells.area_mm2[on_foot].sum() + area[len(area) - len(past) :].sum() + raised),
        find_panels(samples, normals, each), samples,
    )  # fmt: skip


_PAST_FOOT_MM = 10.0  # along the foot's rim, how finely the jacket's flange on the board is weighed


def _past_foot(envelope: Envelope, foot: np.ndarray, width_mm: float) -> np.ndarray:
    """(k, 3) plan places along the middle of the jacket's own flange on the board, `_PAST_FOOT_MM` apart."""
    if not foot.any() or not envelope.past_rubber.any():
        return np.zeros((0, 3))
    spots = [np.zeros((0, 2))]
    for line in foot_lines(envelope, foot, -0.5 * width_mm):
        marks = np.arange(0.5 * _PAST_FOOT_MM, line.length, _PAST_FOOT_MM)
        spots.append(shapely.get_coordinates(shapely.line_interpolate_point(line, marks)))
    return on_board(envelope, np.concatenate(spots))


def within(points_mm: np.ndarray, patches: Iterable[Patch]) -> np.ndarray:
    """(k,) bool: which of (k, 3) plan points lie in any of the patches."""
    found = np.zeros(len(points_mm), bool)
    for patch in patches:
        found |= ((points_mm - np.asarray(patch.centre_mm)) ** 2).sum(axis=1) <= patch.radius_mm**2
    return found


def lay(outside: Outside, schedule: Schedule) -> LaidPiece:
    """Areas and masses of a schedule's zones; a patch lies where it is heavier than what it lies on."""
    which = outside.cell_zone.copy()
    laid = [schedule.field, schedule.edge, schedule.edge]
    if schedule.patch is not None:
        laid.append(schedule.patch)
        lighter = (which == 0) | ((which == 1) & (schedule.edge.glass_g_m2 < schedule.patch.glass_g_m2))
        which[lighter & within(outside.cell_centre_mm, schedule.patches)] = 3
    area = outside.cell_area_mm2
    zones = [
        zone_of(name, float(area[which == k].sum()), laminate) for k, (name, laminate) in enumerate(zip(ZONES, laid))
    ]
    mass_each = area * 1e-6 * np.array([laminate.mass_kg_m2 for laminate in laid])[which]
    moment = (mass_each[:, None] * outside.cell_centre_mm).sum(axis=0)
    mass = float(mass_each.sum())
    if schedule.ribs:
        zone, of_ribs, moments = _rib_zone(schedule)
        zones.append(zone)
        mass, moment = mass + of_ribs, moment + moments
    middle = moment / mass if mass > 0 else np.zeros(3)
    causes = (("column image resolution", outside.error), ("resin taken up by hand", outside.by_hand))
    interval = interval_of(mass, causes)
    return LaidPiece(
        outside.envelope,
        schedule,
        tuple(zones),
        outside.area_mm2,
        outside.unjoined_mm2,
        mass,
        outside.rubber_kg,
        interval,
        middle,
        mass_each,
    )


def _rib_zone(schedule: Schedule) -> tuple[Zone, float, np.ndarray]:
    """The ribs' laminate, kg of it and of their cores, and their moment about the origin, kg mm."""
    area, mass, moment = 0.0, 0.0, np.zeros(3)
    for rib in schedule.ribs:
        ends = np.array([rib.start_mm, rib.end_mm])
        over = rib_cover_mm2(rib)
        weighs = over * 1e-6 * schedule.edge.mass_kg_m2 + rib.core_kg
        area, mass, moment = area + over, mass + weighs, moment + weighs * ends.mean(axis=0)
    return zone_of("ribs", area, schedule.edge), mass, moment


def rib_cover_mm2(rib: Rib) -> float:
    """A rib's laminate: over its crown, sides and ends, and a lap all round."""
    length, width, lap = math.dist(rib.start_mm, rib.end_mm), rib.core_width_mm, 2.0 * LAP_MM
    return (length + lap) * (width + lap) + 2.0 * rib.core_height_mm * (length + width)


def rib_words(ribs: Sequence[Rib]) -> str:
    """'4 ribs on cores 40 mm wide and 20 mm high, glassed over'."""
    wide, high = (listed(f"{v:.0f}" for v in sorted({getattr(rib, k) for rib in ribs})) for k in _SECTION)
    return f"{counted(len(ribs), 'rib')} on cores {wide} mm wide and {high} mm high, glassed over"


def zone_of(name: str, area_mm2: float, laminate: Laminate) -> Zone:
    """An area of one laminate, with its glass and resin."""
    glass = area_mm2 * 1e-6 * laminate.glass_g_m2 / 1000.0
    return Zone(
        name=name,
        area_mm2=area_mm2,
        mat_g_m2=laminate.glass_g_m2,
        mat_oz_ft2=oz_from_mat_g_m2(laminate.glass_g_m2),
        weights_g_m2=laminate.weights_g_m2,
        thickness_mm=laminate.thickness_mm,
        glass_kg=glass,
        resin_kg=resin_kg(glass, laminate.glass_fraction),
    )


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


def _bare_samples(envelope: Envelope) -> tuple[np.ndarray, np.ndarray, float]:
    """Samples of the body without its keys: their sockets would read as curvature that stiffens, and do
    little.

    Every second pixel is enough for panels of 100 mm and more. No samples where there is no body.
    """
    inside = covered(envelope)
    bare = np.where(inside, envelope.outer_mm, np.float32(np.nan))[::2, ::2]
    pixel = 2.0 * envelope.pixel_mm
    cells = surface_cells(bare, envelope.origin_mm, pixel)
    on_flange = every_corner((~inside | envelope.flange | envelope.past_rubber)[::2, ::2])
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
