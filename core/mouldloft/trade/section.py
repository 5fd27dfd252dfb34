"""The joint between two pieces, square across the wall: rubber flange with its bead, jackets glass to glass beyond it.

From the skin outwards the rubber lies on the wall over `rubber_flange_mm`, its rim bevelled; past the bevel the two
jackets meet on the parting over `jacket_flange_mm`, and the bolts stand there. The foot on its board is the same.
Figures by size are common practice, no source; the brief overrides each.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..base.marks import Assumption, Mark
from ..inputs.brief import JointBrief, RubberBrief

# greatest size of the piece in mm, and each figure there; straight lines between (common practice, no source)
_SIZES_MM = (300.0, 500.0, 900.0, 1500.0, 3000.0, 5000.0, 8000.0)
_RUBBER_FLANGE_MM = (17.5, 30.0, 30.0, 50.0, 50.0, 50.0, 50.0)  # a thirtieth of the size, 30 to 50, from 0.5 to 3 m
_JACKET_FLANGE_MM = (22.5, 40.0, 42.0, 45.0, 50.0, 75.0, 100.0)
_BEAD_WIDTH_MM = (8.0, 14.0, 14.0, 14.0, 14.0, 14.0, 14.0)
_BEAD_HEIGHT_MM = (4.0, 5.0, 5.0, 5.0, 5.0, 5.0, 5.0)
_TURN_MM = (17.5, 60.0, 60.0, 60.0, 60.0, 100.0, 100.0)
_BOLTS = ((400.0, "M6"), (4000.0, "M8"), (6500.0, "M10"), (np.inf, "M12"))
_PITCH_MM = (100.0, 150.0, 150.0, 150.0, 150.0, 150.0, 150.0)
LEAST_RADIUS_MM = 8.0  # common practice: chopped strand mat bridges a tighter inside corner
CORNER_MM = 60.0  # common practice: a bolt no further than this from a corner of the flange
CLEAR_DEG = 20.0  # common practice: a bead's sides stand this clear of both pulls
DOME_MM = (20.0, 8.0)  # common practice: across and high
DOME_PITCH_MM = 120.0  # common practice: 100 to 150
WEDGE_PITCH_MM = 400.0  # common practice: 300 to 500
WEDGE_WIDE_MM, WEDGE_DEEP_MM = 40.0, 25.0  # common practice: a former along the rim, and in from it
WEDGE_HIGH_MM, WEDGE_TIP_MM = 4.0, 1.0  # common practice: at the rim, and at its inner end
LEAN_DEG = 30.0  # common practice: a bolt stands square to a flange that leans no more; past it on a level step


@dataclass(frozen=True)
class JointSection:
    """What a joint is built to, mm unless the name says otherwise. turn_mm : tightest fair turn of a seam this size."""

    rubber_flange_mm: float
    rubber_flange_thickness_mm: float
    bevel_deg: float
    jacket_flange_mm: float
    bolt: str
    bolt_pitch_mm: float
    corner_mm: float
    registration: str  # "bead", "domes" or "none"
    bead_width_mm: float
    bead_height_mm: float
    dome_diameter_mm: float
    dome_height_mm: float
    dome_pitch_mm: float
    wedge_pitch_mm: float
    fitted_bolts: int
    turn_mm: float

    @property
    def reach_mm(self) -> float:
        """From the skin to the jacket's rim: how wide the wall is at least."""
        return self.rubber_flange_mm + self.jacket_flange_mm

    @property
    def bevel_run_mm(self) -> float:
        """How much of the rubber flange its bevel takes up."""
        return float(self.rubber_flange_thickness_mm / np.tan(np.radians(self.bevel_deg)))

    @property
    def bead_from_skin_mm(self) -> float:
        """Middle of the bead: half-way across what the bevel leaves of the rubber flange."""
        return max((self.rubber_flange_mm - self.bevel_run_mm) / 2.0, self.bead_width_mm / 2.0 + 1.0)

    @property
    def bolts_from_skin_mm(self) -> float:
        """Middle of the bolts: half-way across the jacket's flange."""
        return self.rubber_flange_mm + 0.5 * self.jacket_flange_mm


def choose_section(size_mm: float, skin_mm: float, rubber: RubberBrief, joint: JointBrief) -> JointSection:
    """The section by the piece's greatest size and its skin's thickness; what the brief gives overrides it.

    A bead is no wider than half of the rubber flange, and leaves its flange as thick behind it as beside it.
    """

    def by_size(figures: tuple[float, ...]) -> float:
        return float(np.interp(size_mm, _SIZES_MM, figures))

    # of the whole range only 0.9 to 1.5 m follows the size itself; to the whole millimetre that a rule can be set to
    width = rubber.flange_width_mm or float(np.rint(by_size(_RUBBER_FLANGE_MM)))
    thick = rubber.flange_thickness_mm or skin_mm
    wide = min(joint.bead_width_mm or by_size(_BEAD_WIDTH_MM), width / 2.0)
    high = joint.bead_height_mm or by_size(_BEAD_HEIGHT_MM)
    by_rule = next(name for up_to, name in _BOLTS if size_mm <= up_to)
    bolt: str = joint.bolt or by_rule
    return JointSection(
        rubber_flange_mm=width,
        rubber_flange_thickness_mm=thick,
        bevel_deg=joint.bevel_deg,
        jacket_flange_mm=joint.jacket_flange_mm or float(np.rint(by_size(_JACKET_FLANGE_MM))),
        bolt=bolt,
        bolt_pitch_mm=joint.bolt_pitch_mm or by_size(_PITCH_MM),
        corner_mm=CORNER_MM,
        registration=joint.registration,
        bead_width_mm=wide,
        bead_height_mm=min(high, wide / 2.0),
        dome_diameter_mm=min(DOME_MM[0], width / 2.0),
        dome_height_mm=min(DOME_MM[1], width / 5.0),
        dome_pitch_mm=DOME_PITCH_MM,
        wedge_pitch_mm=WEDGE_PITCH_MM,
        fitted_bolts=joint.fitted_bolts,
        turn_mm=by_size(_TURN_MM),
    )


def bead_height_at_mm(
    off_mm: np.ndarray, width_mm: float, height_mm: np.ndarray | float, side_mm: float | None = None
) -> np.ndarray:
    """Height of a bead over the wall at distances from its middle line: flat crown, sides as long as high, rounded.

    A smooth step over each side; its steepest place stands 1.5 times as steep as the straight side, about 54 degrees
    from the wall for a bead 14 by 5. side_mm : how long each side is, where it is not by the height.
    """
    side = np.minimum(height_mm * 1.1, width_mm / 2.0) if side_mm is None else side_mm
    share = np.clip((width_mm / 2.0 - np.abs(off_mm)) / side, 0.0, 1.0)
    return np.asarray(height_mm * share * share * (3.0 - 2.0 * share))


def section_assumptions(section: JointSection) -> tuple[Assumption, ...]:
    """The figures of the joint with their marks."""
    s = section
    rows = (
        (
            "rubber flange",
            f"{s.rubber_flange_mm:g} mm wide, {s.rubber_flange_thickness_mm:g} thick, bevel {s.bevel_deg:g}°",
        ),
        ("jacket flange past the rubber, glass to glass", f"{s.jacket_flange_mm:g} mm"),
        ("bolts", f"{s.bolt}, no further than {s.bolt_pitch_mm:g} mm apart, {s.corner_mm:g} from a corner"),
        ("bead between the rubber halves", f"{s.bead_width_mm:g} × {s.bead_height_mm:g} mm"),
        ("wedge slots", f"{s.wedge_pitch_mm:g} mm apart"),
    )
    return tuple(Assumption(what, value, Mark.COMMON_PRACTICE) for what, value in rows)
