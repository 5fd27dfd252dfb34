"""What the wall is made of: pieces to cut, and numbered stations to set them by."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from ...base.marks import Assumption
from ...geometry.nesting import Laid

FILLET_MM2 = 250.0  # clay's section that closes the wall along the skin, both faces (common practice, no source)
CLAY_MM = 10.0  # over ribs, and of a root at its edge (common practice, no source)


def _no_points(width: int) -> np.ndarray:
    return np.zeros((0, width))


@dataclass(frozen=True, eq=False)
class Station:
    """A numbered place along the seam, and the line across the wall there. Plan coordinates, mm.

    along_mm : along its line of the seam from that line's start; inner_mm, outer_mm : the wall's edges there.
    towards_mm : how far the outer edge stands towards the first piece from the inner one, along the pull. root_mm : how
    far, at most, a flat wall's clay root stands off its plane towards the first piece.
    """

    number: int
    line: int
    along_mm: float
    on_seam_mm: tuple[float, float, float]
    inner_mm: tuple[float, float, float]
    outer_mm: tuple[float, float, float]
    towards_mm: float
    root_mm: float = 0.0


@dataclass(frozen=True, eq=False)
class StationMark:
    """Where a station's line is drawn on a flat piece, skin edge to outer edge."""

    number: int
    inner_mm: tuple[float, float]
    outer_mm: tuple[float, float]


@dataclass(frozen=True, eq=False)
class WallPiece:
    """One flat piece to cut at full size, drawn as seen from the first piece it parts (a rib: along the stations).

    kind : "board", "strip" or "rib". outline_mm : (k, 2); holes_mm : outlines cut out of it. skin_edge_mm : (j, 2) the
    edge along the skin. stretch : greatest relative difference of a length on the flat piece from that on the bent one.
    flat_inner_mm, flat_outer_mm : (r, 2) ends of its rulings laid flat; inner_mm, outer_mm : (r, 3) the same on the
    wall, plan coordinates. Of a board in a plane seam and of a rib there are none.
    """

    name: str
    kind: str
    line: int
    outline_mm: np.ndarray
    holes_mm: tuple[np.ndarray, ...]
    skin_edge_mm: np.ndarray
    marks: tuple[StationMark, ...]
    stretch: float = 0.0
    flat_inner_mm: np.ndarray = field(default_factory=lambda: _no_points(2))
    flat_outer_mm: np.ndarray = field(default_factory=lambda: _no_points(2))
    inner_mm: np.ndarray = field(default_factory=lambda: _no_points(3))
    outer_mm: np.ndarray = field(default_factory=lambda: _no_points(3))


@dataclass(frozen=True)
class SheetLot:
    """Sheets of one material as sold, and where the pieces of a wall, or the members of a cradle, lie on them.

    code : of the catalogue's board; size_mm : length and width; count : sheets; laid : one for each of `pieces`, which
    are numbers of the pieces; too_large : numbers of those that no such sheet holds.
    """

    code: str
    size_mm: tuple[float, float]
    count: int
    pieces: tuple[int, ...]
    laid: tuple[Laid, ...]
    too_large: tuple[int, ...] = ()

    @property
    def bought_mm2(self) -> float:
        """Area of the sheets bought; a piece too large for one is made up from one more."""
        return (self.count + len(self.too_large)) * self.size_mm[0] * self.size_mm[1]


@dataclass(frozen=True, eq=False)
class Wall:
    """The wall along the whole seam.

    kind : "boards", "strips", "clay on ribs", or what it is made of, as "boards, strips and clay". gap_mm : how far
    the skin edge is cut shy of the skin. off_sheet_mm, off_clay_mm : greatest distance of boards and strips, and of
    clay drawn straight from rib to rib, from the parting surface that all else is calculated on; clay_root_mm : how far
    roots of clay, which that surface follows, stand off the boards' plane at most. steepest_deg : greatest lean against
    the plane across the pull. strip_share : of the seam's length that is board or sheet. clay_mm2 : area of the wall
    that is clay. flattest_deg : least angle to the skin as built; rooted_mm : length of the seam along which sheet or
    board alone would meet it at less than 60 degrees: boards stop short there for a clay root.
    """

    kind: str
    width_mm: float
    gap_mm: float
    root_mm: float
    pieces: tuple[WallPiece, ...]
    stations: tuple[Station, ...]
    stretch: float
    off_sheet_mm: float
    off_clay_mm: float
    clay_root_mm: float
    flattest_deg: float
    steepest_deg: float
    area_mm2: float
    clay_mm2: float
    strip_share: float
    rooted_mm: float
    assumptions: tuple[Assumption, ...]
    sheets: tuple[SheetLot, ...] = ()

    @property
    def rooted(self) -> bool:
        """Is it boards in one plane across the pull, with roots of clay where they stop short?"""
        return self.kind == "boards" and not any(len(piece.inner_mm) for piece in self.pieces)

    @property
    def clay_mm3(self) -> float:
        """Clay over the ribs, in roots where boards stop short, and closing the edge along the skin."""
        whole = sum(max(s.along_mm for s in self.stations if s.line == k) for k in {s.line for s in self.stations})
        return CLAY_MM * (self.clay_mm2 + self.rooted_mm * self.root_mm) + FILLET_MM2 * whole
