"""A steel frame in the cast where sockets do not do: uprights tabbed into the shell over their length, each over a
spigot that rises from the plinth.

The shell is taken to hand its moment to the uprights along the tabs, as stress that runs from one end to the other;
each upright carries its share to the ground as a cantilever. The weight, which helps, is left out. Plinth and spigots
are by others; who answers for the place checks all of it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from ..base.figures import number
from ..base.marks import Assumption, Mark
from .fixings import FACTOR_LOAD, STEEL_KG_MM3, SumLine

# square hollow section, side and wall (EN 10219-2, sizes from memory), lightest first
SECTIONS_MM = ((40.0, 3.0), (50.0, 4.0), (60.0, 4.0), (80.0, 5.0), (100.0, 5.0))
STEEL_MPA = 235.0  # from memory: EN 1993-1-1, S235, gamma M0 1.0
# of the sharp-cornered section's modulus: corners are rounded (derived: within 5 % under EN 10219's tables)
ROUNDED = 0.9
TAB_MM = 75.0  # common practice: mat laid from the upright on to the shell, on either side
TAB_MPA = 0.5  # common practice: shear in the bond of a tab, a tenth of what fresh laminate gives
ROOM_MM = 10.0  # common practice: between upright and shell, for the packer
LEAST_SHARE, OVER_SHARE = 0.25, 0.15  # of the height: least reach of an upright, and past the last weak level


@dataclass(frozen=True)
class Frame:
    """Uprights in one cast. side_mm, wall_mm : of the square hollow section; length_mm : of each, up from the ground;
    places_mm : (x, y) of each; moment_nm, shear_n : design values on each at the ground; use : of the steel; tab_mpa :
    greatest shear in a tab; why : why sockets do not do. lines : so that a person can do the sum again. packer_mm : the
    least and the greatest thickness of the foam between an upright and the nearest skin, packer_mm3 : of all of it in
    one cast, strips as wide as the upright."""

    why: str
    side_mm: float
    wall_mm: float
    length_mm: float
    places_mm: tuple[tuple[float, float], ...]
    moment_nm: float
    shear_n: float
    use: float
    tab_mpa: float
    lines: tuple[SumLine, ...]
    packer_mm: tuple[float, float] = (0.0, 0.0)
    packer_mm3: float = 0.0

    @property
    def count(self) -> int:
        return len(self.places_mm)

    @property
    def packer_words(self) -> str:
        """'foam packers 60 mm wide, 18 to 42 mm thick, over all of its length'."""
        least, most = (round(v) for v in self.packer_mm)
        thick = f"{least} to {most} mm thick" if most > least else f"{most} mm thick"
        return f"foam packers {self.side_mm:g} mm wide, {thick}, over all of its length"

    @property
    def mass_kg(self) -> float:
        """Of all uprights."""
        inner = self.side_mm - 2.0 * self.wall_mm
        return self.count * (self.side_mm**2 - inner**2) * self.length_mm * STEEL_KG_MM3

    @property
    def holds(self) -> bool:
        return self.use <= 1.0 and self.tab_mpa <= TAB_MPA

    @property
    def words(self) -> str:
        """'2 uprights of 50 × 50 × 4 mm, 900 mm long'."""
        uprights = "1 upright" if self.count == 1 else f"{self.count} uprights"
        return f"{uprights} of {self.side_mm:g} × {self.side_mm:g} × {self.wall_mm:g} mm, {self.length_mm:.0f} mm long"


def modulus_mm3(side_mm: float, wall_mm: float) -> float:
    """Elastic section modulus of a square hollow section with rounded corners."""
    inner = side_mm - 2.0 * wall_mm
    return ROUNDED * (side_mm**4 - inner**4) / (6.0 * side_mm)


def reach_mm(height_mm: float, weak_to_mm: float) -> float:
    """How high uprights have to reach: a quarter of the height, and past the last level where the shell is too weak by
    a seventh, so that tabs take hold over it."""
    past = weak_to_mm + OVER_SHARE * height_mm if weak_to_mm > 0 else 0.0
    return max(LEAST_SHARE * height_mm, past)


def checked_frame(
    why: str,
    section_mm: tuple[float, float],
    places_mm: tuple[tuple[float, float], ...],
    length_mm: float,
    moment_nm: float,
    force_n: float,
) -> Frame:
    """Uprights of one section at given places, for a moment and a level force as they act, without factors."""
    side, wall = section_mm
    count = len(places_mm)
    design = FACTOR_LOAD * moment_nm
    each, shear = design / count, FACTOR_LOAD * force_n / count
    modulus = modulus_mm3(side, wall)
    carries = modulus * STEEL_MPA / 1000.0
    line_load = 6.0 * each * 1000.0 / length_mm**2
    tab = line_load / (2.0 * TAB_MM)
    lines = (
        SumLine("overturning, design", f"{FACTOR_LOAD:g} × {number(moment_nm)} N·m", f"{number(design)} N·m"),
        SumLine("on each upright", f"{number(design)} N·m / {count}", f"{number(each)} N·m"),
        SumLine("shear on each", f"{FACTOR_LOAD:g} × {number(force_n)} N / {count}", f"{number(shear)} N"),
        SumLine(
            "section modulus",
            f"{ROUNDED:g} × ({side:g}⁴ − {side - 2 * wall:g}⁴) / (6 × {side:g}) mm³",
            f"{modulus / 1000.0:.2f} cm³",
        ),
        SumLine("one upright carries", f"{modulus / 1000.0:.2f} cm³ × {STEEL_MPA:g} N/mm²", f"{number(carries)} N·m"),
        SumLine("used", f"{number(each)} / {number(carries)}", f"{100 * each / carries:.0f} %"),
        SumLine("most on a tab", f"6 × {number(each)} N·m / ({length_mm / 1000:.2f} m)²", f"{line_load:.2f} N/mm"),
        SumLine(
            "shear in its bond",
            f"{line_load:.2f} N/mm / (2 × {TAB_MM:g} mm); at most {TAB_MPA:g} N/mm²",
            f"{tab:.3f} N/mm²",
        ),
    )
    return Frame(why, side, wall, length_mm, places_mm, each, shear, each / carries, tab, lines)


def room_for(side_mm: float, shell_mm: float) -> float:
    """How far the middle of an upright keeps from the skin: half its diagonal, packer and shell."""
    return side_mm / math.sqrt(2.0) + ROOM_MM + shell_mm


def frame_assumptions() -> tuple[Assumption, ...]:
    """The figures that uprights rest on, with their marks."""
    memory, rule = Mark.MEMORY, Mark.COMMON_PRACTICE
    return (
        Assumption("steel of uprights", f"S235, {STEEL_MPA:g} N/mm²", memory, "EN 1993-1-1"),
        Assumption("square hollow sections", "40 to 100 mm", memory, "EN 10219-2"),
        Assumption("bond of a tab, shear", f"{TAB_MPA:g} N/mm²", rule, "a tenth of what fresh laminate gives"),
        Assumption("tab of an upright, either side", f"{TAB_MM:g} mm", rule),
    )
