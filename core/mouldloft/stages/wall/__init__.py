"""Stage wall: the parting surface and the wall built to it."""

from .build import WORKING_MARGIN_MM, build_wall, wall_assumptions
from .joints import JointSheet, joint_reach_mm, joint_sheets, parting_of
from .records import FILLET_MM2, SheetLot, Station, Wall, WallPiece
from .rulings import STEP_MM
from .sheets import BOARD_MM, lay_on_sheets, sheet_lots
from .surface import ROOT_MOST_MM, PartingSurface, parting_heights, parting_surface

__all__ = [
    "BOARD_MM",
    "FILLET_MM2",
    "ROOT_MOST_MM",
    "STEP_MM",
    "WORKING_MARGIN_MM",
    "JointSheet",
    "PartingSurface",
    "SheetLot",
    "Station",
    "Wall",
    "WallPiece",
    "build_wall",
    "joint_reach_mm",
    "joint_sheets",
    "lay_on_sheets",
    "parting_heights",
    "parting_of",
    "parting_surface",
    "sheet_lots",
    "wall_assumptions",
]
