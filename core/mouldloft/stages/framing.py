"""Under cast: is the shell strong enough over its foot, and where do uprights find room where it is not.

A shell too slender to carry its moment to the foot breaks over the sockets, however strong they are: then, or where the
foot has no room for sockets, a steel frame goes in. Where none of ours does either, the answer is an engineer's.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import shapely
from shapely.geometry import Polygon
from shapely.ops import polygonize

from ..base.figures import percent
from ..trade.fixings import FACTOR_LOAD, LARGEST_PLATE_MM, Fixings
from ..trade.laminate import tensile_strength_mpa
from ..trade.uprights import SECTIONS_MM, Frame, checked_frame, reach_mm, room_for
from .baseboard import level_section
from .master import Master
from .wind import SILHOUETTE_PIXELS, Silhouettes, coarse_mesh

CHECKED_SHARE = 0.6  # of the height: over it no frame would go, and nothing is said of the shell
LEVELS = 24
WAYS = 12  # directions over half a turn in which the shell may bend
WORKED_SHARE = 0.25  # common practice: of the laminate's tensile strength, for years out of doors


@dataclass(frozen=True, eq=False)
class Loads:
    """What bends a cast as it stands: push_n at push_at_mm, wind of pressure_n_mm2 (with its force coefficient) on what
    is seen."""

    push_n: float
    push_at_mm: float
    pressure_n_mm2: float
    seen: Silhouettes

    def moment_nmm(self, level_mm: float) -> float:
        """Greatest moment about a level, without factors, of push or wind on what is above it."""
        arm = np.clip(self.seen.level_mm - level_mm, 0.0, None)
        wind = float((self.seen.profile_mm2 @ arm).max(initial=0.0)) * self.pressure_n_mm2
        return max(self.push_n * max(self.push_at_mm - level_mm, 0.0), wind)


@dataclass(frozen=True)
class ShellCheck:
    """The hardest worked level of the shell in the lower part of a cast. weak_to_mm : the highest level that is too
    weak, 0 where none is."""

    level_mm: float
    stress_mpa: float
    allowed_mpa: float
    weak_to_mm: float

    @property
    def holds(self) -> bool:
        return self.weak_to_mm <= 0.0


def check_shell(master: Master, loads: Loads, wall_mm: float, glass_fraction: float) -> ShellCheck:
    """Bending of the shell over the foot, level by level, as a tube of thin wall about its own centre."""
    vertices, faces = coarse_mesh(master, max(master.size_mm) / SILHOUETTE_PIXELS)
    allowed = WORKED_SHARE * tensile_strength_mpa(glass_fraction)
    worst, worst_at, weak = 0.0, 0.0, 0.0
    for level in (np.arange(LEVELS) + 0.5) * (CHECKED_SHARE * master.height_mm / LEVELS):
        modulus = tube_modulus_mm3(level_section(vertices, faces, float(level)), wall_mm)
        stress = FACTOR_LOAD * loads.moment_nmm(float(level)) / max(modulus, 1e-9)
        if stress > worst:
            worst, worst_at = stress, float(level)
        if stress > allowed:
            weak = float(level)
    return ShellCheck(worst_at, worst, allowed, weak)


def tube_modulus_mm3(segments_mm: np.ndarray, wall_mm: float) -> float:
    """Least section modulus of a thin wall that follows (k, 2, 2) segments, over `WAYS` directions."""
    if not len(segments_mm):
        return 0.0
    length = np.linalg.norm(segments_mm[:, 1] - segments_mm[:, 0], axis=1)
    middle = segments_mm.mean(axis=1)
    centre = length @ middle / length.sum()
    least = np.inf
    for angle in np.arange(WAYS) * np.pi / WAYS:
        ends = (segments_mm - centre) @ np.array([np.cos(angle), np.sin(angle)])
        # of a straight line: length / 3 × (a² + ab + b²)
        second = wall_mm * (length * (ends**2).sum(axis=1) + length * ends.prod(axis=1)).sum() / 3.0
        least = min(least, float(second / max(np.abs(ends).max(), 1e-9)))
    return least


def clear_spots(
    master: Master, feet: tuple[Polygon, ...], length_mm: float, room_mm: float
) -> tuple[tuple[float, float], ...]:
    """Where an upright of that length stands inside the body, `room_mm` from its skin all the way: one place in each
    foot that has any, front first."""
    levels = np.linspace(0.0, length_mm, LEVELS + 1)[1:]
    inside = [_filled(level_section(master.vertices_mm, master.faces, float(z))).buffer(-room_mm) for z in levels]
    spots = []
    for foot in feet:
        free = foot.buffer(-room_mm)
        for section in inside:
            free = free.intersection(section)
        parts = [part for part in shapely.get_parts(free) if isinstance(part, Polygon) and part.area > 1.0]
        if parts:
            largest = max(parts, key=lambda part: part.area)
            x, y = shapely.maximum_inscribed_circle(largest, tolerance=1.0).coords[0]
            spots.append((float(x), float(y)))
    return tuple(sorted(spots, key=lambda xy: (xy[1], xy[0])))


def _filled(segments_mm: np.ndarray) -> Polygon:
    """A level section as an area: what lies inside an odd number of its rings."""
    area = Polygon()
    for ring in polygonize(list(shapely.linestrings(segments_mm))):
        area = area.symmetric_difference(Polygon(ring.exterior))
    return area


def frame_instead(
    master: Master,
    feet: tuple[Polygon, ...],
    fixings: Fixings | None,
    shell: ShellCheck,
    shell_mm: float,
    moment_nm: float,
    force_n: float,
) -> tuple[Frame | None, str]:
    """The frame that holds where sockets do not, and why they do not; no frame and "" where they do, no frame and why
    where ours does not either."""
    why = _why_not_sockets(fixings, shell)
    if not why:
        return None, ""
    length = reach_mm(master.height_mm, shell.weak_to_mm)
    for section in SECTIONS_MM:
        spots = clear_spots(master, feet, length, room_for(section[0], shell_mm))
        if not spots:
            break  # a larger one finds less room
        made = checked_frame(why, section, spots, length, moment_nm, force_n)
        if made.holds:
            return with_packers(made, master, shell_mm), why
    return None, why


def with_packers(frame: Frame, master: Master, shell_mm: float) -> Frame:
    """The frame with the foam that fills the gap between each upright and the skin nearest to it, level by level."""
    levels = (np.arange(LEVELS) + 0.5) * (frame.length_mm / LEVELS)
    sections = [shapely.multilinestrings(level_section(master.vertices_mm, master.faces, float(z))) for z in levels]
    away = np.array([[section.distance(shapely.Point(spot)) for section in sections] for spot in frame.places_mm])
    gap = np.maximum(away - shell_mm - frame.side_mm / 2.0, 0.0)
    volume = frame.side_mm * float(gap.sum()) * frame.length_mm / LEVELS
    return replace(frame, packer_mm=(float(gap.min()), float(gap.max())), packer_mm3=volume)


def _why_not_sockets(fixings: Fixings | None, shell: ShellCheck) -> str:
    if fixings is None:
        return "the foot has no room for sockets"
    if not fixings.holds:
        crowded = fixings.use <= 1.0 and fixings.plate_side_mm <= LARGEST_PLATE_MM
        return "backing plates do not fit side by side in the foot" if crowded else "no socket holds the pull"
    if not shell.holds:
        return (
            f"the shell itself is worked {percent(shell.stress_mpa / shell.allowed_mpa)} of what it may, "
            f"{shell.level_mm:.0f} mm up"
        )
    return ""
