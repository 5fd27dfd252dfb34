"""How a cast is fixed to the ground: number and size of fixings, pull and shear on each, from the moment balance.

The foot is taken as rigid and turns about one side of its outline; each fixing pulls in proportion to its distance
from that side. A check of the cast's own fixings, no design of plinth or anchor: who answers for the place does that.
Partial factors and resistances after EN 1990 and EN 1993-1-8 (from memory, verify).
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry

from ..base.figures import GRAVITY_M_S2, number
from ..base.marks import Assumption, Mark

FACTOR_LOAD = 1.5  # from memory: EN 1990, table A1.2, variable and unfavourable
FACTOR_WEIGHT = 0.9  # from memory: EN 1990, table A1.2 (A), permanent and favourable
FACTOR_BOLT = 1.25  # from memory: EN 1993-1-8, gamma M2
BOLT_STRENGTH_MPA = 700.0  # from memory: ISO 3506-1, stainless A4-70
SHEAR_SHARE = 0.5  # from memory: EN 1993-1-8, table 3.4, shear through the thread
# from memory: ISO 898-1, stress areas, mm²
STRESS_AREAS_MM2 = {"M10": 58.0, "M12": 84.3, "M16": 157.0, "M20": 245.0, "M24": 353.0}
LAMINATE_SHEAR_MPA = 15.0  # common practice: mat laminate punched through, a quarter of its strength
PAD_MM = 8.0  # common practice: the foot is laid up to this under a plate
LEAST_PLATE_MM, PLATE_STEP_MM = 100.0, 20.0  # common practice
SMALLEST_PLATE_MM = 40.0  # common practice: under 320 mm of cast
PLATE_MM = {"M10": 6.0, "M12": 8.0, "M16": 10.0, "M20": 12.0, "M24": 15.0}  # common practice, steel
INSET_MM = 70.0  # common practice: socket from the foot's edge
FEWEST, MOST = 3, 12
DRAIN_MM, VENT_MM, PORT_MM = 12.0, 8.0, 110.0  # common practice
STEEL_KG_MM3 = 7.85e-6
# from memory: round bar twice the thread across, three times it long, tapped
SOCKET_KG = {"M10": 0.06, "M12": 0.1, "M16": 0.25, "M20": 0.5, "M24": 0.8}
EYES = 2  # either side of the centre of mass
EYES_FROM_KG = 60.0  # common practice: past it a cast is craned rather than carried
LARGEST_PLATE_MM = 200.0


@dataclass(frozen=True)
class SumLine:
    """One line of the sum: what, how, result."""

    what: str
    sum: str
    result: str


@dataclass(frozen=True)
class Fixings:
    """What holds one cast down. points_mm : (x, y) of each socket in the plan; pull_n, shear_n : design values on the
    hardest worked; use : of its resistance. sum : so that a person can do it again."""

    count: int
    size: str
    points_mm: tuple[tuple[float, float], ...]
    pull_n: float
    shear_n: float
    use: float
    plate_side_mm: float
    plate_thickness_mm: float
    pad_mm: float
    lines: tuple[SumLine, ...]

    @property
    def mass_kg(self) -> float:
        """Of all plates and sockets."""
        plate = self.plate_side_mm**2 * self.plate_thickness_mm * STEEL_KG_MM3
        return self.count * (plate + SOCKET_KG.get(self.size, 0.0))

    @property
    def apart_mm(self) -> float:
        """Between the two sockets nearest to each other."""
        return min((math.dist(a, b) for a, b in itertools.combinations(self.points_mm, 2)), default=math.inf)

    @property
    def holds(self) -> bool:
        """Is there a size that carries it, on plates of a size that fits a foot, side by side?"""
        return self.use <= 1.0 and self.plate_side_mm <= min(LARGEST_PLATE_MM, self.apart_mm)


def least_plate_mm(height_mm: float) -> float:
    """The least side of a backing plate: smaller on a small cast."""
    return float(np.clip(height_mm / 8.0, SMALLEST_PLATE_MM, LEAST_PLATE_MM))


def design_fixings(
    foot_mm: tuple[tuple[float, float], ...],
    centre_mm: tuple[float, float],
    mass_kg: float,
    moment_nm: float,
    force_n: float,
    laminate_mm: float,
    least_mm: float = LEAST_PLATE_MM,
    feet: Sequence[Polygon] = (),
) -> Fixings | None:
    """Fixings for the greatest overturning moment and level force, either from any side.

    foot_mm : outline that the cast would tip over; mass_kg : the low end, with what is fixed in it; moment_nm and
    force_n : as they act, without factors; least_mm : the least side of a plate; feet : where sockets may sit, else
    all of the outline. None where the foot is too small for a socket inside it.
    """
    hull = Polygon(foot_mm).convex_hull
    inset = _inset(shapely.union_all(list(feet)) if len(feet) else hull)
    if inset is None:
        return None
    best: Fixings | None = None
    for count in range(FEWEST, MOST + 1):
        points = _round_about(inset, count)
        made = _checked(hull, points, centre_mm, mass_kg, moment_nm, force_n, laminate_mm, least_mm)
        best = made if best is None or made.holds or not best.holds else best
        if made.holds and made.size in ("M10", "M12") and made.plate_side_mm <= least_mm + PLATE_STEP_MM:
            break
    return best


def _inset(foot: BaseGeometry) -> tuple[Polygon, ...] | None:
    """The foot, or each of several, in from its edge; front first."""
    for inset in (INSET_MM, INSET_MM / 2, INSET_MM / 4):
        inner = foot.buffer(-inset)
        parts = [part for part in shapely.get_parts(inner) if isinstance(part, Polygon) and part.area > 0]
        if parts:
            return tuple(sorted(parts, key=lambda part: (part.bounds[1], part.bounds[0])))
    return None


def _round_about(inner: Sequence[Polygon], count: int) -> np.ndarray:
    """(count, 2) places evenly round one outline or several, each from its front (-y) on."""
    rings = [shapely.geometry.polygon.orient(part).exterior for part in inner]
    ends = np.cumsum([ring.length for ring in rings])
    spots = []
    for along in (np.arange(count) + 0.5) * ends[-1] / count:
        which = int(np.searchsorted(ends, along))
        ring, own = rings[which], along - (ends[which] - rings[which].length)
        corners = np.asarray(ring.coords)
        start = ring.project(shapely.Point(corners[np.argmin(corners[:, 1])]))
        spots.append(ring.interpolate((start + own) % ring.length).coords[0])
    return np.array(spots)


def _checked(
    hull: Polygon,
    points: np.ndarray,
    centre_mm: tuple[float, float],
    mass_kg: float,
    moment_nm: float,
    force_n: float,
    laminate_mm: float,
    least_mm: float,
) -> Fixings:
    """Every side of the outline in turn; the hardest worked fixing decides the size."""
    corners = np.asarray(shapely.geometry.polygon.orient(hull).exterior.coords)
    along = np.diff(corners, axis=0)
    outward = np.column_stack([along[:, 1], -along[:, 0]]) / np.linalg.norm(along, axis=1, keepdims=True)
    offset = np.einsum("ij,ij->i", outward, corners[:-1])
    lever_weight = (offset - outward @ np.asarray(centre_mm)) / 1000.0
    levers = (offset[:, None] - outward @ points.T) / 1000.0  # (sides, fixings) m
    design = FACTOR_LOAD * moment_nm
    holding = FACTOR_WEIGHT * mass_kg * GRAVITY_M_S2 * lever_weight
    short = np.maximum(design - holding, 0.0)
    stiffness = np.maximum((levers**2).sum(axis=1), 1e-9)
    pulls = short[:, None] * levers / stiffness[:, None]
    side, hardest = np.unravel_index(int(np.argmax(pulls)), pulls.shape)
    pull = float(pulls[side, hardest])
    shear = FACTOR_LOAD * force_n / len(points)
    size, use = _size_for(pull, shear)
    plate, pad = _plate_for(pull, laminate_mm, least_mm)
    held, left = float(holding[side]), float(short[side])
    lines = (
        SumLine("overturning, design", f"{FACTOR_LOAD:g} × {number(moment_nm)} N·m", f"{number(design)} N·m"),
        SumLine(
            "weight holds",
            f"{FACTOR_WEIGHT:g} × {mass_kg:.1f} kg × {GRAVITY_M_S2:.2f} × {lever_weight[side]:.3f} m",
            f"{number(held)} N·m",
        ),
        SumLine("left for the fixings", f"{number(design)} − {number(held)}", f"{number(left)} N·m"),
        SumLine("sum of distances squared", " + ".join(f"{x:.2f}²" for x in levers[side]), f"{stiffness[side]:.3f} m²"),
        SumLine(
            "pull on the hardest worked",
            f"{number(left)} × {levers[side, hardest]:.2f} / {stiffness[side]:.3f}",
            f"{number(pull)} N",
        ),
        SumLine("shear on each", f"{FACTOR_LOAD:g} × {number(force_n)} N / {len(points)}", f"{number(shear)} N"),
        SumLine(f"one {size}, A4-70", "shear over its own + pull over 1.4 times its own", f"{100 * use:.0f} % used"),
        SumLine(
            "backing plate",
            f"{number(pull)} N / (4 × {pad:.1f} mm × {LAMINATE_SHEAR_MPA:g} N/mm²); at least {least_mm:.0f} mm",
            f"{plate:.0f} × {plate:.0f} × {PLATE_MM[size]:g} mm",
        ),
    )  # fmt: skip
    places = tuple((float(x), float(y)) for x, y in points)
    return Fixings(len(points), size, places, pull, shear, use, plate, PLATE_MM[size], pad, lines)


def _size_for(pull_n: float, shear_n: float) -> tuple[str, float]:
    """The smallest size that carries both, and how much of it is used (EN 1993-1-8, table 3.4)."""
    use = math.inf
    for size, area in STRESS_AREAS_MM2.items():
        in_pull = 0.9 * BOLT_STRENGTH_MPA * area / FACTOR_BOLT
        in_shear = SHEAR_SHARE * BOLT_STRENGTH_MPA * area / FACTOR_BOLT
        use = max(shear_n / in_shear + pull_n / (1.4 * in_pull), pull_n / in_pull)
        if use <= 1.0:
            return size, use
    return list(STRESS_AREAS_MM2)[-1], use


def _plate_for(pull_n: float, laminate_mm: float, least_mm: float) -> tuple[float, float]:
    """Side of a square plate that does not punch through the foot laid up under it, and that foot's thickness."""
    pad = max(PAD_MM, laminate_mm)
    side = pull_n / (4.0 * pad * LAMINATE_SHEAR_MPA)
    return max(least_mm, PLATE_STEP_MM * math.ceil(side / PLATE_STEP_MM - 1e-9)), pad


def openings_of(
    feet_mm: tuple[tuple[float, float], ...], height_mm: float, ballasted: bool, fixed: bool, lift_kg: float
) -> tuple[str, ...]:
    """Drains, vent, filling port and eyes in sentences. feet_mm : middle of each foot."""
    several = len(feet_mm) > 1
    said = []
    for x, y in feet_mm:
        where = _from_middle(x, y) if several else "at its lowest point"
        said.append(f"Drain: one hole of {DRAIN_MM:g} mm through the foot, {where}, clear of the baseboard.")
    said.append(f"Vent: one hole of {VENT_MM:g} mm, facing down, on the back about {0.9 * height_mm:.0f} mm up.")
    if ballasted:
        said.append(f"Filling port: {PORT_MM:g} mm with a lid, in the baseboard; the bags go in where it stands.")
    if fixed:
        said.append("No ballast: it is fixed instead. Plinth or anchor by others, for the figures given here.")
    if eyes_for(lift_kg):
        said.append(
            f"Lifting eyes: two rated eyes on backing plates, either side of the centre of mass, each rated for all "
            f"{lift_kg:.0f} kg; a competent person plans the lift."
        )
    return tuple(said)


def _from_middle(x_mm: float, y_mm: float) -> str:
    """A place seen from above, from the middle of the piece: +x is its left, +y its back."""
    across, along = "left" if x_mm > 0 else "right", "back" if y_mm > 0 else "front"
    return f"{abs(x_mm):.0f} mm to the {across} and {abs(y_mm):.0f} mm to the {along} of its middle"


def eyes_for(lift_kg: float) -> int:
    """How many lifting eyes a cast of that weight gets: none where people carry it."""
    return EYES if lift_kg > EYES_FROM_KG else 0


def fixing_assumptions() -> tuple[Assumption, ...]:
    """The figures that fixings rest on, with their marks."""
    memory, rule = Mark.MEMORY, Mark.COMMON_PRACTICE
    return (
        Assumption("factor on push and wind, fixings", f"{FACTOR_LOAD:g}", memory, "EN 1990, table A1.2"),
        Assumption("factor on the cast's own weight, fixings", f"{FACTOR_WEIGHT:g}", memory, "EN 1990, table A1.2 (A)"),
        Assumption("factor on bolts", f"{FACTOR_BOLT:g}", memory, "EN 1993-1-8"),
        Assumption("bolts of stainless A4-70", f"{BOLT_STRENGTH_MPA:g} N/mm²", memory, "ISO 3506-1"),
        Assumption("stress areas of M10 to M24", "58.0 to 353 mm²", memory, "ISO 898-1"),
        Assumption("mat laminate punched through", f"{LAMINATE_SHEAR_MPA:g} N/mm²", rule, "a quarter of its strength"),
        Assumption("foot laid up under a backing plate", f"{PAD_MM:g} mm", rule),
        Assumption("drain, vent and filling port", f"{DRAIN_MM:g}, {VENT_MM:g} and {PORT_MM:g} mm", rule),
        Assumption("socket from the foot's edge", f"{INSET_MM:g} mm", rule),
    )
