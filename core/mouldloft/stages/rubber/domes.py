"""Domes between the rubbers of more than two pieces: where two flanges meet, the piece made first has the hollow and as
much rubber behind it as beside it, the later one the dome.

No continuous bead runs there: walls of several pieces end against each other, and their pulls are not opposed.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Protocol

import numpy as np
from scipy.spatial import cKDTree

from ...geometry.depthmap import Grid
from ...geometry.frame import PullFrame
from ...geometry.heightmap import sample_map
from ...geometry.polyline import spaced_out
from ...geometry.rays import RayScene, inside_body
from ...trade.section import CLEAR_DEG, JointSection, bead_height_at_mm
from ..master import Master
from ..seam import Seam
from ..wall import JointSheet
from .flanges import Flanges, share_registered
from .record import Registration

LEAST_APART_MM, MOST_APART_MM = 100.0, 150.0  # common practice: along a joint
_LEAST_SHARE = 0.5  # of the full height: a dome that would have to be lower is none
_FLAT_MM = 1.0  # a flange under a dome lies in one plane, the same for both pieces, to this
_STEP_MM = 3.0  # between the places tried along a joint
_OVER_MM = 3.0  # round a dome nothing of the master is nearer, up and down
_NEARER_MM = 2.0  # by which a dome's ground is nearer to its own joint than to any other
_STEEPEST = 1.5  # of a dome's sides, over their mean slope
_BEHIND = 1.06  # of a dome's height, the rise of the outside over its middle
_TURNS = 2.0 * np.pi * np.arange(16) / 16
_HALVINGS = 40


@dataclass(frozen=True, eq=False)
class Domes:
    """at_mm : (n, 3) middles on the parting, plan coordinates; axes : (n, 3) unit, square to it, towards the piece made
    first; heights_mm : (n,); between : (n, 2) pieces, the one made first first."""

    at_mm: np.ndarray
    axes: np.ndarray
    heights_mm: np.ndarray
    between: np.ndarray

    @classmethod
    def none(cls) -> Domes:
        return cls(np.zeros((0, 3)), np.zeros((0, 3)), np.zeros(0), np.zeros((0, 2), np.int64))

    def and_more(self, more: Domes) -> Domes:
        fields = ("at_mm", "axes", "heights_mm", "between")
        return Domes(*(np.concatenate([getattr(self, name), getattr(more, name)]) for name in fields))

    def taken(self, which: np.ndarray) -> Domes:
        """(k,) numbers of those that are left."""
        return Domes(self.at_mm[which], self.axes[which], self.heights_mm[which], self.between[which])


class Ground(Protocol):
    """What is read of a piece before its flanges carry anything."""

    @property
    def frame(self) -> PullFrame: ...

    @property
    def grid(self) -> Grid: ...

    @property
    def low(self) -> np.ndarray: ...

    @property
    def filled(self) -> np.ndarray: ...

    @property
    def drafted(self) -> np.ndarray: ...

    @property
    def on_board(self) -> np.ndarray: ...


@dataclass(frozen=True, eq=False)
class _Site:
    """What domes are placed on: bodies, flanges : by piece, in the order they are made; scene : the master's."""

    bodies: Sequence[Ground]
    flanges: Sequence[Flanges]
    seam: Seam
    section: JointSection
    master: Master
    scene: RayScene


def dome_height_at_mm(away_mm: np.ndarray, diameter_mm: float, height_mm: np.ndarray | float) -> np.ndarray:
    """Height of a dome at distances from its axis: its sides take the whole half of it, `_STEEPEST` times as steep
    half-way up as from rim to middle, so that a low one stands clear where a bead's would not."""
    return bead_height_at_mm(away_mm, diameter_mm, height_mm, diameter_mm / 2.0)


def behind_radius_mm(section: JointSection) -> float:
    """How far from a dome's axis the outside rises over its hollow."""
    return section.dome_diameter_mm / 2.0 + section.rubber_flange_thickness_mm


def behind_at_mm(away_mm: np.ndarray, section: JointSection, height_mm: float) -> np.ndarray:
    """Rise of the outside over a hollow, square to the parting: mat lies over it, and rubber behind it is nowhere
    thinner than the flange beside it, measured every way."""
    share = np.clip(np.abs(away_mm) / behind_radius_mm(section), 0.0, 1.0)
    return np.asarray(_BEHIND * height_mm * 0.5 * (1.0 + np.cos(np.pi * share)))


def dome_that_clears_mm(lean_deg: np.ndarray, section: JointSection) -> np.ndarray:
    """(k,) height of a dome whose sides stand clear of a pull that leans so far off its axis; 0 where none does.

    As high as the section asks where that is clear, lower, in whole millimetres, where only that is.
    """
    full, half = section.dome_height_mm, section.dome_diameter_mm / 2.0
    steepest = np.clip(90.0 - CLEAR_DEG - np.asarray(lean_deg, float), 0.0, 89.0)
    most = np.tan(np.radians(steepest)) * half / _STEEPEST + 1e-9
    lower = np.where(np.floor(most) >= _LEAST_SHARE * full, np.floor(most), 0.0)
    return np.where(most >= full, full, lower)


# --- where they go ---------------------------------------------------------------------------------------


def place_domes(
    sheets: Sequence[JointSheet],
    bodies: Sequence[Ground],
    flanges: Sequence[Flanges],
    seam: Seam,
    section: JointSection,
    master: Master,
    scene: RayScene,
) -> Domes:
    """Domes along every joint, half-way across the rubber flange, `LEAST_APART_MM` to `MOST_APART_MM` apart.

    sheets : the parting surface beside every joint; bodies, flanges : by piece, in the order they are made.
    """
    found, site = Domes.none(), _Site(bodies, flanges, seam, section, master, scene)
    if section.registration == "none":
        return found
    for sheet in sheets:
        for ruled in sheet.surface.rulings:
            way = ruled.outer_mm - ruled.on_seam_mm
            long = np.linalg.norm(way, axis=1)
            ends = ruled.on_seam_mm + section.bead_from_skin_mm * way / np.maximum(long, 1e-9)[:, None]
            reached, kept = long >= section.bead_from_skin_mm, _thinned(ends, _STEP_MM)
            places = sheet.surface.frame.to_master(ends[kept])
            tried = _tried(places, sheet, site)
            fits = reached[kept] & (tried.heights_mm > 0)
            found = _with_clear(found, tried.taken(_spaced(tried.at_mm, fits, ruled.closed, section)), section)
    return found


def _thinned(points_mm: np.ndarray, step_mm: float) -> np.ndarray:
    """Numbers of points along a line that stand no nearer to the one before than a step."""
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(points_mm, axis=0), axis=1))])
    return np.unique(np.searchsorted(along, np.arange(0.0, along[-1] + 1e-9, step_mm)))


def _tried(places_mm: np.ndarray, sheet: JointSheet, site: _Site) -> Domes:
    """A dome at every one of (k, 3) places; of height 0 where none may stand."""
    one, other = sheet.between
    bodies, flanges, section, master = site.bodies, site.flanges, site.section, site.master
    first, later = bodies[one], bodies[other]
    radius = section.dome_diameter_mm / 2.0
    axes = np.tile(sheet.surface.frame.pull, (len(places_mm), 1))
    for _ in range(2):  # the second time round the flange's own lean
        under = _onto(first, _rings(places_mm, axes, (0.0, radius / 2.0, radius)))
        middle = under.mean(axis=1)
        off = under - middle[:, None]
        axes = np.linalg.eigh(np.einsum("kmi,kmj->kij", off, off))[1][:, :, 0]
        axes *= np.where(axes @ first.frame.pull < 0, -1.0, 1.0)[:, None]
    uneven = np.abs(np.einsum("kmi,ki->km", off, axes)).max(axis=1)
    lean = np.degrees(np.arccos(np.clip(np.minimum(axes @ first.frame.pull, -axes @ later.frame.pull), -1.0, 1.0)))
    heights = dome_that_clears_mm(lean, section)
    apart = np.abs(np.einsum("kmi,ki->km", _onto(later, under) - under, axes)).max(axis=1)
    fits = (uneven <= _FLAT_MM) & (apart <= _FLAT_MM)
    for k in sheet.between:
        fits &= _on(bodies[k], flanges[k].rubber & ~np.isfinite(bodies[k].filled), under).all(axis=1)
        inside = _rings(middle, axes, (radius + 0.5 * section.bevel_run_mm,))
        fits &= _on(bodies[k], flanges[k].rubber & bodies[k].on_board, inside).all(axis=1)
    risen = _rings(middle, axes, (0.0, behind_radius_mm(section)))
    fits &= _nearest_to_its_own(risen, site.seam, sheet.between)
    if master.base == "open" and master.base_faces.any():  # the foot has a flange of its own on the board
        fits &= (risen[..., 2] >= section.rubber_flange_thickness_mm).all(axis=1)
    fits &= _clear_of_others(middle, axes, sheet.between, site)
    for side in (heights + _OVER_MM, np.full(len(heights), -_OVER_MM)):
        round_it = _rings(middle + side[:, None] * axes, axes, (0.0, radius))
        fits &= ~inside_body(site.scene, master.normals, round_it.reshape(-1, 3)).reshape(len(middle), -1).any(axis=1)
    between = np.tile(np.array([one, other]), (len(middle), 1))
    return Domes(middle, axes, np.where(fits, heights, 0.0), between)


def _rings(middles_mm: np.ndarray, axes: np.ndarray, radii_mm: Sequence[float]) -> np.ndarray:
    """(k, m, 3) places on circles round each middle, square to its axis."""
    aside = np.where(np.abs(axes[:, :1]) < 0.7, [[1.0, 0.0, 0.0]], [[0.0, 1.0, 0.0]])
    u = np.cross(axes, aside)
    u /= np.linalg.norm(u, axis=1, keepdims=True)
    v = np.cross(axes, u)
    ring = np.cos(_TURNS)[None, :, None] * u[:, None] + np.sin(_TURNS)[None, :, None] * v[:, None]
    return np.concatenate([middles_mm[:, None] + r * (ring if r else ring[:, :1]) for r in radii_mm], axis=1)


def _onto(body: Ground, points_mm: np.ndarray) -> np.ndarray:
    """(k, m, 3) plan points moved along a piece's pull onto its parting surface; far off where it has none."""
    at = body.frame.to_frame(points_mm.reshape(-1, 3))
    low = np.where(np.isfinite(body.low), body.low, 1e6)
    at[:, 2] = sample_map(low, body.grid, at[:, 0], at[:, 1])
    return body.frame.to_master(at).reshape(points_mm.shape)


def _on(body: Ground, pixels: np.ndarray, points_mm: np.ndarray) -> np.ndarray:
    """(k, m) bool: which plan points lie over pixels ((rows, columns) bool) of a piece's map."""
    at = body.frame.to_frame(points_mm.reshape(-1, 3))
    fx = (at[:, 0] - body.grid.x0_mm) / body.grid.pixel_mm
    fy = (at[:, 1] - body.grid.y0_mm) / body.grid.pixel_mm
    inside = (fx > 0.0) & (fy > 0.0) & (fx < body.grid.columns - 1) & (fy < body.grid.rows - 1)
    i, j = body.grid.nearest(at[:, 0], at[:, 1])
    return np.asarray(inside & pixels[i, j]).reshape(points_mm.shape[:2])


def _nearest_to_its_own(points_mm: np.ndarray, seam: Seam, between: tuple[int, int]) -> np.ndarray:
    """(k,) bool: all of a dome's ground is nearer to its own joint than to any other."""
    away = []
    for own in (True, False):
        lines = [n for n in seam.lines if (n.between == between) == own]
        runs = [spaced_out(n.points_mm, n.closed, _STEP_MM) for n in lines]
        away.append(cKDTree(np.concatenate(runs)).query(points_mm)[0] if runs else np.inf)
    return np.asarray(np.broadcast_to(away[0] + _NEARER_MM <= away[1], points_mm.shape[:2]).all(axis=1))


def _clear_of_others(middles_mm: np.ndarray, axes: np.ndarray, between: tuple[int, int], site: _Site) -> np.ndarray:
    """(k,) bool: no third piece has rubber where a dome, its hollow or what lies behind them would be."""
    clear, section = np.ones(len(middles_mm), bool), site.section
    thick = section.rubber_flange_thickness_mm
    for k, (body, flange) in enumerate(zip(site.bodies, site.flanges, strict=True)):
        if k in between:
            continue
        top = np.where(flange.rubber, np.fmax(body.drafted, body.low + flange.top_mm), body.drafted)
        for side in (-thick, 0.0, thick + section.dome_height_mm):
            points = _rings(middles_mm + side * axes, axes, (0.0, behind_radius_mm(section)))
            height = body.frame.to_frame(points.reshape(-1, 3))
            i, j = body.grid.nearest(height[:, 0], height[:, 1])
            with np.errstate(invalid="ignore"):
                held = (height[:, 2] > body.low[i, j]) & (height[:, 2] < top[i, j])
            held = held.reshape(points.shape[:2]) & _on(body, np.ones(body.low.shape, bool), points)
            clear &= ~held.any(axis=1)
    return clear


def _spaced(places_mm: np.ndarray, fits: np.ndarray, closed: bool, section: JointSection) -> np.ndarray:
    """Numbers of the places along a line that take a dome: evenly over every run that fits."""
    count = len(places_mm)
    steps = np.linalg.norm(places_mm - np.roll(places_mm, 1, axis=0), axis=1)
    order = np.arange(count)
    if closed and fits.any() and not fits.all():
        order = np.roll(order, -int(np.argmin(fits)))  # begun where none fits, no run passes the end
    ring = closed and bool(fits.all())
    found: list[int] = []
    reached, last = 0.0, -np.inf
    marks = np.concatenate([[0.0], np.cumsum(steps[order][1:])])
    for run in np.split(np.arange(count), np.flatnonzero(np.diff(fits[order].astype(int))) + 1):
        if not len(run) or not fits[order[run[0]]]:
            continue
        start, length = marks[run[0]], marks[run[-1]] - marks[run[0]]
        for at in _marks(length + (steps[order[0]] if ring else 0.0), ring, section.dome_pitch_mm):
            nearest = run[np.argmin(np.abs(marks[run] - start - at))]
            reached = marks[nearest]
            if reached - last >= LEAST_APART_MM - _STEP_MM:
                found.append(int(order[nearest]))
                last = reached
    return np.array(found, np.int64)


def _marks(length_mm: float, ring: bool, pitch_mm: float) -> np.ndarray:
    """Places along a run, evenly and no further apart than `MOST_APART_MM`: a short one has one in its middle."""
    if ring:
        count = max(int(np.ceil(length_mm / MOST_APART_MM)), 1)
        return np.asarray((np.arange(count) + 0.5) * length_mm / count)
    if length_mm < LEAST_APART_MM:
        return np.array([length_mm / 2.0])
    count = max(int(length_mm / pitch_mm), 1)
    step = min(length_mm / count, MOST_APART_MM)
    return np.asarray((length_mm - count * step) / 2.0 + step * np.arange(count + 1))


def _with_clear(found: Domes, more: Domes, section: JointSection) -> Domes:
    """Those found, and of the others the ones whose rise is clear of theirs."""
    clear = [
        k for k in range(len(more.at_mm))
        if not len(found.at_mm)
        or np.linalg.norm(found.at_mm - more.at_mm[k], axis=1).min() >= 2.0 * behind_radius_mm(section)
    ]  # fmt: skip
    return found.and_more(more.taken(np.array(clear, np.int64)))


# --- what the maps take of them --------------------------------------------------------------------------


def flanges_with(flanges: Flanges, body: Ground, piece: int, domes: Domes, section: JointSection) -> Flanges:
    """A piece's flanges with its hollows, the rise of its outside behind them, and its domes."""
    bead, behind = np.zeros(body.low.shape), np.zeros(body.low.shape)
    thick, across = section.rubber_flange_thickness_mm, section.dome_diameter_mm
    for k in np.flatnonzero((domes.between == piece).any(axis=1)):
        hollow = domes.between[k, 0] == piece
        at, axis, high = domes.at_mm[k], domes.axes[k], float(domes.heights_mm[k])
        window, ground = _ground(body, at, axis, behind_radius_mm(section) + high + thick)
        way = body.frame.pull if hollow else -body.frame.pull
        lifted = _lifted(ground - at, axis, way, high, partial(dome_height_at_mm, diameter_mm=across, height_mm=high))
        if not hollow:
            bead[window] = np.minimum(bead[window], -lifted)
            continue
        bead[window] = np.maximum(bead[window], lifted)
        outside = ground - at + way * thick / float(way @ axis) - thick * axis
        risen = _lifted(outside, axis, way, _BEHIND * high, partial(behind_at_mm, section=section, height_mm=high))
        behind[window] = np.maximum(behind[window], risen)
    return replace(flanges, bead_mm=bead, behind_mm=behind)


def _ground(
    body: Ground, at_mm: np.ndarray, axis: np.ndarray, reach_mm: float
) -> tuple[tuple[slice, slice], np.ndarray]:
    """A window of a piece's map round a place, and where each of its columns meets the plane square to the axis there:
    (rows, columns, 3), plan coordinates."""
    grid, frame = body.grid, body.frame
    x, y, z = frame.to_frame(at_mm[None])[0]
    normal = frame.to_frame(axis[None])[0]
    reach = reach_mm / max(abs(float(normal[2])), 0.2)  # what leans is met further out
    i0, i1 = (int(np.clip((y + s * reach - grid.y0_mm) / grid.pixel_mm + (s > 0), 0, grid.rows)) for s in (-1, 1))
    j0, j1 = (int(np.clip((x + s * reach - grid.x0_mm) / grid.pixel_mm + (s > 0), 0, grid.columns)) for s in (-1, 1))
    px, py = np.meshgrid(grid.x()[j0:j1], grid.y()[i0:i1])
    pz = z - ((px - x) * normal[0] + (py - y) * normal[1]) / normal[2]
    points = np.stack([px, py, pz], axis=2)
    return np.s_[i0:i1, j0:j1], frame.to_master(points.reshape(-1, 3)).reshape(points.shape)


def _lifted(
    ground_mm: np.ndarray,
    axis: np.ndarray,
    way: np.ndarray,
    most_mm: float,
    profile: Callable[[np.ndarray], np.ndarray],
) -> np.ndarray:
    """How far along `way` from places of a plane square to the axis ((..., 3), from where the axis meets it) a body of
    revolution ends whose height over the plane is the profile's: where it clears `way`, there is one such place."""
    rise = float(way @ axis)
    slide = way - rise * axis
    low, high = np.zeros(ground_mm.shape[:-1]), np.full(ground_mm.shape[:-1], most_mm / rise)
    for _ in range(_HALVINGS):
        middle = (low + high) / 2.0
        away = np.linalg.norm(ground_mm + middle[..., None] * slide, axis=-1)
        inside = middle * rise < profile(away)
        low, high = np.where(inside, middle, low), np.where(inside, high, middle)
    return np.asarray(np.where(low > 1e-6, low, 0.0))


def registration_of_many(domes: Domes, seam: Seam) -> Registration:
    """What several rubbers are brought back on each other by, and how much of the joints' length that serves."""
    nothing, served, whole = np.zeros((0, 3)), 0.0, 0.0
    for line in seam.lines:
        run = spaced_out(line.points_mm, line.closed, 5.0)
        own = (domes.between == np.array(line.between)).all(axis=1)
        served += len(run) * share_registered([run], nothing, domes.at_mm[own], 0.0)
        whole += len(run)
    share = served / max(whole, 1.0)
    return Registration(
        (), domes.at_mm, share, nothing, nothing, None, domes.axes, domes.heights_mm, domes.between.astype(np.int64)
    )
