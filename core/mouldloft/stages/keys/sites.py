"""Where keys may stand on each piece, and how the glove lies there."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from ...base.kept import kept_with_owner
from ...geometry.depthmap import Grid, column_image
from ...geometry.heightmap import clearance_mm, coarsen, fit_planes, share_of_blocks, surface_cells
from ...inputs.brief import KeysBrief
from ..locks import Locks
from ..master import Master
from ..rubber import Envelope, Rubber, covered
from ..seam import Seam
from .shape import _across

# Common practice: a tab sits on surface no tighter than this many times its own foot.
CURVE_OF_FOOT = 1.5


# Common practice: feet stand at least this many diameters apart, so that mat and rubber get between them.
SPACING_OF_FOOT = 1.5


# Common practice: undercut fill thinner than the skin flexes with it as the glove is peeled, and works a key on it
# loose; thicker fill is a block as good as any. Thinner than half the skin (carved texture) it is no lock at all.
THIN_FILL_OF_SKIN = (0.5, 1.0)


# Common practice: the uphill wall of a tab on a slope still falls at 45 degrees or more: below that there is no
# socket to speak of.
LEAST_UPHILL_FALL = 1.0


STEEPEST_DEG = 60.0  # common practice: no tab stands on anything steeper


# Common practice: the row inside the seam stands this far from it; on a small piece by its flange's width.
ROW_MM = (40.0, 120.0)
ROW_OF_FLANGE = (0.85, 2.5)


# what may keep a key off a place; the first where it is only want of room
BARRED = ("an edge or another key", "thin undercut fill", "a steep slope", "tight curvature")


# Common practice: what its weight presses on the jacket by this much more than the tilt stays where it is.
LIES_DEG = 10.0


@dataclass(frozen=True, eq=False)
class KeySites:
    """One piece's outside on a coarse grid, with what the checks need.

    points_mm : (k, 3) frame coordinates of the covered blocks; thickness_mm : (k,) rubber there, across the skin.
    hangs : (k,) share of its weight that pulls it off the jacket, 0 where its weight presses it on or it lies on the
    board round the foot. hung_mm : (m, 3) places on what hangs, as close down a steep wall as along it; hung_of : (m,)
    the block each stands on, rising; held_mm : (m,) its distance to the nearest block that lies firmly.
    allowed_mm : (k,) largest reach of a key that may stand there, 0 where none may; on_edge : (k,) bool, the row inside
    the seam. centre_mm (frame) and gyration_mm are those of the surface. barred : (k,) int, index into BARRED of what
    keeps keys off.
    """

    envelope: Envelope
    points_mm: np.ndarray
    thickness_mm: np.ndarray
    hangs: np.ndarray
    hung_mm: np.ndarray
    hung_of: np.ndarray
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
    slope: np.ndarray  # (2, rows, columns) rise along y and along x, 0 where a neighbour is missing
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

    def falls_mm(self) -> np.ndarray:
        """(k, 3) from the middle of each block up its slope to where it leaves the block."""
        y, x = self.slope[:, self.inside]
        steepest = np.maximum(np.maximum(np.abs(x), np.abs(y)), 1e-12)
        return np.column_stack([x, y, x**2 + y**2]) * (self.block_mm / 2.0 / steepest)[:, None]


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
    slope = _slope(np.where(whole, height, np.nan), block)
    slope2 = (slope**2).sum(axis=0)
    thickness = np.maximum((height - under) / np.sqrt(1.0 + slope2), rubber.skin_thickness_mm)
    origin = (envelope.origin_mm[0] + shift, envelope.origin_mm[1] + shift)
    on_flange = whole & (flange >= 0.5 * share)
    wall_deg = np.degrees(np.arctan(np.sqrt(slope2)))  # how far the outside's normal leans from the pull
    on_board = _on_the_board(envelope, height, origin, block, rubber.flange_thickness_mm)
    leans = np.where(on_board, -90.0, wall_deg)
    return _Coarse(height, whole, on_flange, thickness, leans, slope, origin, block, factor)


def pulled_off(wall_deg: np.ndarray, tilt_deg: float) -> tuple[np.ndarray, np.ndarray]:
    """(k,) share of its weight that pulls rubber off the jacket, and (k,) bool whether it lies firmly.

    The piece lies open side up, the pull straight down, as its cradle holds it, and is tipped by up to `tilt_deg`
    whichever way is worse. Where the outside leans `wall_deg` from level, its weight presses it on the jacket by
    cos(wall + tilt); past a right angle that pulls it off. Firmly means with `LIES_DEG` to spare.
    """
    share = np.maximum(-np.cos(np.radians(wall_deg + tilt_deg)), 0.0)
    return share, wall_deg + tilt_deg + LIES_DEG <= 90.0


def _hung_places(
    coarse: _Coarse, points: np.ndarray, tilt_deg: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """`hangs`, `hung_mm`, `hung_of` and `held_mm` of the sites.

    A wall of 3 degrees rises 76 mm over a block of 4 mm: its places are a block apart down the wall too, or the middle
    of a strip that hangs would be missed, and the sag goes with the fourth power of the reach.
    """
    hangs, lies = pulled_off(coarse.wall_deg[coarse.inside], tilt_deg)
    blocks = np.flatnonzero(hangs)
    falls = coarse.falls_mm()[blocks]
    each = 2 * np.ceil(np.linalg.norm(falls, axis=1) / coarse.block_mm).astype(int) + 1
    of = np.repeat(blocks, each)
    step = np.arange(len(of)) - np.repeat(np.cumsum(each) - each, each)
    along = (2 * step + 1) / np.repeat(each, each) - 1.0  # the middles of equal parts of the block's fall
    hung = points[of] + along[:, None] * np.repeat(falls, each, axis=0)
    if not lies.any():
        return hangs, hung, of, np.full(len(of), np.inf)
    return hangs, hung, of, cKDTree(points[lies]).query(hung, workers=2)[0]


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


def _slope(height_mm: np.ndarray, pixel_mm: float) -> np.ndarray:
    """(2, rows, columns) rise along y and x, 0 where a neighbour is missing: the skin's thickness is then read straight
    along the pull.
    """
    if min(height_mm.shape) < 2:
        return np.zeros((2, *height_mm.shape))
    return np.nan_to_num(np.stack(np.gradient(height_mm, pixel_mm)))


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
    """Tangent of the steepest sites a key may stand on: its uphill wall still falls at 45 degrees, 60 at
    most.
    """
    uphill = 1.0 / np.tan(np.radians(taper_deg)) - LEAST_UPHILL_FALL
    return float(np.clip(uphill, 0.1, np.tan(np.radians(STEEPEST_DEG))))


def survey_sites(
    rubber: Rubber,
    brief: KeysBrief,
    locks: Locks | None = None,
    seam: Seam | None = None,
    master: Master | None = None,
) -> tuple[KeySites, ...]:
    """Where keys may stand on each piece: off locks, steep or tightly curved sites, open base and edges.

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
) -> KeySites:
    coarse = _coarse(envelope, brief.base_diameter_mm / 10.0, rubber)
    sigma = brief.base_diameter_mm / 4.0
    locked = _locked_blocks(envelope, coarse, rubber, locks, seam, master)
    steep = np.zeros_like(coarse.inside)
    tight = np.zeros_like(coarse.inside)
    allowed = np.zeros(coarse.inside.shape)
    zone = coarse.inside & ~coarse.flange & (coarse.wall_deg > -90.0)  # the body alone: no key on a flange
    if zone.any():
        fit = fit_planes(coarse.height_mm, zone, coarse.block_mm, sigma)
        with np.errstate(invalid="ignore"):
            steep = zone & ~(fit.slope <= steepest_slope(brief.taper_deg))
            tight = zone & ~(fit.curve_radius_mm(sigma) >= CURVE_OF_FOOT * brief.base_diameter_mm)
        allowed = clearance_mm(zone & ~steep & ~tight & ~locked, coarse.block_mm)
    at = np.nonzero(coarse.inside)
    centre, gyration = _mass_figures(coarse)
    points = coarse.points()
    from_seam = _from_seam_mm(coarse, points, at)
    row = [share * rubber.built_to.rubber_flange_mm for share in ROW_OF_FLANGE]
    row = [min(row[0], ROW_MM[0]), min(row[1], ROW_MM[1])]
    on_loose = _on_loose(rubber, envelope, points)
    allowed[at] = np.where((from_seam < row[0]) | on_loose, 0.0, allowed[at])
    hangs, hung, hung_of, held = _hung_places(coarse, points, brief.tilt_deg)
    barred = np.where(on_loose, 1, np.where(locked, 1, np.where(steep, 2, np.where(tight, 3, 0)))[at])
    return KeySites(
        envelope=envelope,
        points_mm=points,
        thickness_mm=coarse.thickness_mm[at],
        hangs=hangs,
        hung_mm=hung,
        hung_of=hung_of,
        held_mm=held,
        allowed_mm=allowed[at],
        on_edge=(from_seam >= row[0]) & (from_seam <= row[1]),
        centre_mm=centre,
        gyration_mm=gyration,
        block_mm=coarse.block_mm,
        barred=barred,
    )


def _on_loose(rubber: Rubber, envelope: Envelope, points: np.ndarray) -> np.ndarray:
    """(k,) bool: where the outside is a loose piece's, not the glove's. points : (k, 3) on it, in the piece's frame."""
    inside = envelope.frame.to_master(points - [0.0, 0.0, envelope.pixel_mm])
    held = [one.holds(inside) for one in rubber.loose if one.piece == envelope.piece]
    return np.any(held, axis=0) if held else np.zeros(len(points), bool)


def _from_seam_mm(coarse: _Coarse, points: np.ndarray, at: tuple[np.ndarray, ...]) -> np.ndarray:
    """(k,) straight distance from the flange at the skin (of the outline where there is no flange), 0 on it."""
    on_flange = coarse.flange[at]
    if on_flange.any():
        return np.asarray(cKDTree(points[on_flange], balanced_tree=False).query(points, workers=2)[0])
    return clearance_mm(coarse.inside, coarse.block_mm)[at]


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


@kept_with_owner(8)
def _sites_of(envelope: Envelope, brief: KeysBrief, rubber: Rubber) -> KeySites:
    """KeySites for a check alone: nothing is said of where keys may stand. Kept: keys are changed one by one."""
    coarse = _coarse(envelope, brief.base_diameter_mm / 4.0, rubber)
    centre, gyration = _mass_figures(coarse)
    points = coarse.points()
    nothing = np.zeros(len(points))
    hung = _hung_places(coarse, points, brief.tilt_deg)
    return KeySites(
        envelope, points, coarse.thickness_mm[coarse.inside], *hung, nothing,
        nothing.astype(bool), centre, gyration, coarse.block_mm, nothing.astype(int),
    )  # fmt: skip
