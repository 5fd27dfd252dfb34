"""Card or ply ribs that clay is drawn over where no sheet bends to the wall: one square to the seam at each station."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import shapely
from shapely.geometry import Polygon, box

from ...geometry.heightmap import outline as outline_of
from ...geometry.rays import RayScene, first_wall_mm, inside_body
from .records import CLAY_MM, StationMark, WallPiece
from .rulings import Rulings
from .surface import PartingSurface

CLAY_WITHIN_MM = 5.0  # of the parting surface, between one rib and the next
RIB_DEEP_MM = 80.0  # below the wall's face (common practice, no source)
_RIB_LEAST_DEEP_MM = 25.0
_BACK_MM = 15.0  # under the body that a rib follows the skin
_LOOK_MM = 2.0  # how finely a rib's plane is looked through for other parts of the body
_LEVELS = 32  # at which a rib's edge along the skin is found
_SHARES = np.linspace(0.0, 1.0, 15)


def section_of(surface: PartingSurface, rulings: Rulings, at: int, gap_mm: float, width_mm: float) -> np.ndarray:
    """(15, 3) the wall's section along one ruling, in the frame: from the gap to the width, on the parting surface."""
    start, end = rulings.on_seam_mm[at], rulings.outer_mm[at]
    run = float(np.hypot(*(end - start)[:2]))
    way = (end - start)[:2] / max(run, 1e-9)
    wide = width_mm * (1.0 if rulings.fair is None else float(rulings.fair[at]))
    far = run * min(1.0, wide / max(float(np.linalg.norm(end - start)), 1e-9))
    steps = min(gap_mm, 0.5 * far) + _SHARES * (far - min(gap_mm, 0.5 * far))
    xy = start[:2] + steps[:, None] * way
    return np.column_stack([xy, surface.over(xy[:, 0], xy[:, 1])])


def ribs_between(surface: PartingSurface, rulings: Rulings, first: int, last: int, width_mm: float) -> list[int]:
    """Numbers of further ribs between two, so that clay drawn straight between neighbours keeps to the surface."""
    if last - first < 2 or drawn_off_mm(surface, rulings, first, last, width_mm) <= CLAY_WITHIN_MM:
        return []
    middle = (first + last) // 2
    before = ribs_between(surface, rulings, first, middle, width_mm)
    return [*before, middle, *ribs_between(surface, rulings, middle, last, width_mm)]


def drawn_off_mm(surface: PartingSurface, rulings: Rulings, first: int, last: int, width_mm: float) -> float:
    """Greatest distance from the parting surface of clay drawn straight from one ruling's section to another's."""
    count = len(rulings.along_mm)
    one = section_of(surface, rulings, first % count, 0.0, width_mm)
    other = section_of(surface, rulings, last % count, 0.0, width_mm)
    steps = max(last - first, 2)
    drawn = [one + share * (other - one) for share in np.linspace(0.0, 1.0, steps + 1)[1:-1]]
    # along the skin it is drawn to the seam itself
    return float(surface.away_mm(np.concatenate([d[3:] for d in drawn])).max()) if drawn else 0.0


@dataclass(frozen=True, eq=False)
class MasterSkin:
    """What ribs stand clear of: the master's rays, and its faces' normals."""

    scene: RayScene
    normals: np.ndarray


def make_rib(
    surface: PartingSurface, rulings: Rulings, at: int, number: int, body: MasterSkin, gap_mm: float, width_mm: float
) -> WallPiece | None:
    """A rib under the wall's face at one ruling: top edge 10 mm under the face, inner edge along the skin, and cut back
    wherever another part of the body stands in its way.

    Drawn with the way out from the seam along x and the pull along y, the seam at 0, 0. None where there is no room.
    """
    section = section_of(surface, rulings, at, gap_mm, width_mm)
    foot = rulings.on_seam_mm[at]
    out = (section[-1] - foot)[:2]
    out = out / max(float(np.hypot(*out)), 1e-9)
    s, top = (section[:, :2] - foot[:2]) @ out, section[:, 2] - foot[2] - CLAY_MM
    levels = np.linspace(float(top.min()) - RIB_DEEP_MM, float(top.max()), _LEVELS)
    skin = _skin_at(surface, foot, out, levels, float(s[-1]), body.scene) + gap_mm
    # where the skin below stands out under the rib, the rib stops over it
    under_it = np.flatnonzero((skin > s[0] + 0.4 * (s[-1] - s[0])) & (levels < float(top.min()) - _RIB_LEAST_DEEP_MM))
    first = int(under_it[-1]) + 1 if len(under_it) else 0
    skin, levels = skin[first:], levels[first:]
    under = Polygon([(float(skin.min()), levels[0]), (s[-1], levels[0]), *zip(s[::-1], top[::-1], strict=True)]
                    + [(float(skin.min()), float(top[0]))])  # fmt: skip
    free = Polygon([*zip(skin, levels, strict=True), (s[-1], levels[-1]), (s[-1], levels[0])])
    shape = shapely.make_valid(under).intersection(shapely.make_valid(free))
    shape = _areas(_areas(shape).difference(_in_the_way(surface, foot, out, shape, body).buffer(0.5 * gap_mm)))
    # slivers off, and no corner sharper than what was free
    shape = shape.buffer(-2.0).buffer(2.0, join_style=2).intersection(shape)
    parts = [p for p in shapely.get_parts(shape) if isinstance(p, Polygon) and p.area > 100.0]
    if not parts:
        return None
    kept = max(parts, key=lambda p: p.intersection(box(s[0] - 1.0, levels[0], s[-1] + 1.0, levels[-1])).area)
    outline = np.asarray(kept.simplify(0.2).exterior.coords)[:-1]
    edge = np.column_stack([skin, levels])
    mark = StationMark(number, (float(s[0]), float(top[0])), (float(s[-1]), float(top[-1])))
    return WallPiece("", "rib", rulings.line, outline, (), edge, (mark,))


def _areas(shape: shapely.Geometry) -> shapely.Geometry:
    """What of a shape has an area: lines and points that a cut leaves are none."""
    return shapely.union_all([p for p in shapely.get_parts(shape) if isinstance(p, Polygon)])


def _in_the_way(
    surface: PartingSurface, foot: np.ndarray, out: np.ndarray, shape: shapely.Geometry, body: MasterSkin
) -> shapely.Geometry:
    """The master's own section in the rib's plane, within the rib's bounds, to `_LOOK_MM`."""
    if shape.is_empty:
        return shape
    x_low, y_low, x_high, y_high = shape.bounds
    x, y = (
        np.arange(low - _LOOK_MM, high + 2.0 * _LOOK_MM, _LOOK_MM) for low, high in ((x_low, x_high), (y_low, y_high))
    )
    along, up = np.meshgrid(x, y)
    there = np.column_stack([foot[:2] + along.ravel()[:, None] * out, foot[2] + up.ravel()])
    inside = inside_body(body.scene, body.normals, surface.frame.to_master(there)).reshape(along.shape)
    return outline_of(inside, (float(x[0]), float(y[0])), _LOOK_MM) if inside.any() else Polygon()


def _skin_at(
    surface: PartingSurface, foot: np.ndarray, out: np.ndarray, levels: np.ndarray, far_mm: float, scene: RayScene
) -> np.ndarray:
    """(k,) how far out the skin stands at each level below the seam, seen from the rib's outer edge."""
    start = np.column_stack([np.tile(foot[:2] + far_mm * out, (len(levels), 1)), foot[2] + levels])
    way = surface.frame.to_master(np.array([[-out[0], -out[1], 0.0]]))[0]
    points = surface.frame.to_master(start)
    met = first_wall_mm(scene, points, np.zeros_like(points), way)
    return np.clip(far_mm - met, -_BACK_MM, far_mm)


def clay_spans(count: int, closed: bool, strips: Sequence[tuple[int, int]]) -> list[tuple[int, int]]:
    """First and last ruling of every stretch of a line between its strips, given by first and last too."""
    if not strips:
        return [(0, count if closed else count - 1)]
    ordered = sorted(strips)
    spans = [(a[1], b[0]) for a, b in pairwise(ordered)]
    if closed:
        spans.append((ordered[-1][1], ordered[0][0] + count))
    else:
        spans = [(0, ordered[0][0]), *spans, (ordered[-1][1], count - 1)]
    return [(a, b) for a, b in spans if b > a]
