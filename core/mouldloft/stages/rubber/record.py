"""What the rubber stage hands on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ...base.intervals import Interval
from ...geometry.depthmap import Grid
from ...geometry.frame import PullFrame
from ...inputs.brief import JointBrief, RubberBrief
from ...trade.section import JointSection, choose_section

DRAWN_OFF = 0.6  # of a loose piece's greatest size


@dataclass(frozen=True, eq=False)
class Envelope:
    """One glove piece as a column image along its pull. All maps are (rows, columns) float32 in the pull frame,
    row i at y = origin_mm[1] + i * pixel_mm, column j at x = origin_mm[0] + j * pixel_mm (pixel centres); values
    are z along the pull, NaN where there is nothing.

    parting_mm : the parting surface, everywhere on the grid.
    filled_mm : top of the master's columns with locks filled (NaN outside its outline).
    outer_mm : the glove's outside before keys, over body and flange (NaN beyond the rubber).
    flange : bool, pixels of the rubber's flange (outer - parting is its thickness there).
    jacket_flange : bool, pixels past the rubber where the jacket itself meets the parting; None means none.
    bead_mm : how far bead and domes lift the parting along this piece's pull (below zero on the piece with the ridge);
    None means none.
    open_base : bool, pixels where the rubber ends at the open base: no rubber outside it, no jacket over it.
    of_many : one of more than two pieces, whose pulls need not be level nor opposed.
    """

    piece: int
    name: str
    frame: PullFrame
    origin_mm: tuple[float, float]
    pixel_mm: float
    parting_mm: np.ndarray
    filled_mm: np.ndarray
    outer_mm: np.ndarray
    flange: np.ndarray
    open_base: np.ndarray
    of_many: bool = False
    jacket_flange: np.ndarray | None = None
    bead_mm: np.ndarray | None = None

    @property
    def grid(self) -> Grid:
        """The lattice of its maps."""
        return Grid(*self.origin_mm, self.pixel_mm, *self.outer_mm.shape)

    @property
    def past_rubber(self) -> np.ndarray:
        """(rows, columns) bool: the jacket's own flange."""
        return np.zeros(self.flange.shape, bool) if self.jacket_flange is None else self.jacket_flange


@dataclass(frozen=True, eq=False)
class LoosePiece:
    """A rigid insert between a glove and its jacket, in place of fill; off after the jacket, along its own pull.

    piece : of whose glove it lies on. frame : along its pull. floor_mm : (rows, columns) float32 in that frame, where
    it begins along its pull, NaN off it; up to `top_mm` it takes all of its glove's envelope that stands over the
    floor. on_jacket_mm2 : of its outside, what the jacket lies against. size_mm : along the frame's axes. Those of one
    half come off in the order they are numbered.
    """

    name: str
    piece: int
    frame: PullFrame
    origin_mm: tuple[float, float]
    pixel_mm: float
    floor_mm: np.ndarray
    top_mm: float
    volume_mm3: float
    area_mm2: float
    on_jacket_mm2: float
    size_mm: tuple[float, float, float]
    centre_mm: tuple[float, float, float]
    deep_mm: float = 0.0  # how deep, along the jacket's pull, the fill was that it takes the place of
    held_at_mm: tuple[tuple[float, float, float], ...] = ()  # bolts through the jacket that hold it home

    @property
    def grid(self) -> Grid:
        """The lattice of its floor."""
        return Grid(*self.origin_mm, self.pixel_mm, *self.floor_mm.shape)

    @property
    def drawn_off_mm(self) -> np.ndarray:
        """(3,) how far pictures, page and solids draw it off its glove, along its own pull."""
        return DRAWN_OFF * max(self.size_mm) * self.frame.pull

    def holds(self, points_mm: np.ndarray) -> np.ndarray:
        """(k,) bool: which (k, 3) plan points stand over its floor; of those in its glove's envelope it takes them."""
        at = self.frame.to_frame(points_mm)
        fx, fy = ((at[:, k] - self.origin_mm[k]) / self.pixel_mm for k in (0, 1))
        rows, columns = self.floor_mm.shape
        inside = (fx > -0.5) & (fy > -0.5) & (fx < columns - 0.5) & (fy < rows - 0.5)
        i, j = self.grid.nearest(at[:, 0], at[:, 1])
        with np.errstate(invalid="ignore"):
            return np.asarray(inside & (at[:, 2] > self.floor_mm[i, j]) & (at[:, 2] < self.top_mm))


@dataclass(frozen=True)
class RegistrationCheck:
    """How firmly one glove's flange holds the other's, jackets closed: 0 where some slide or turn is free, 1 at most.

    freest : the motion that is held least.
    """

    stiffness: float
    least_stiffness: float
    freest: str

    @property
    def holds(self) -> bool:
        return self.stiffness >= self.least_stiffness


@dataclass(frozen=True, eq=False)
class Registration:
    """What brings the two gloves back on each other: bead and domes on the wall, plan coordinates.

    lines_mm : middle lines of the bead, (k, 3) each; domes_mm : (n, 3). share : of the seam's length with either beside
    it. bolt_places_mm : (b, 3) middles of the bolts on the parting, past the rubber; pads_mm : (p, 3) those of them
    that stand on a level step because the flange leans there; both of two pieces alone. Of more than two there is no
    bead, and each dome has its own figures: dome_axes : (n, 3) unit, square to the parting, towards the piece with the
    hollow; dome_heights_mm : (n,); dome_between : (n, 2) numbers of its pieces, the one with the hollow first.
    """

    lines_mm: tuple[np.ndarray, ...]
    domes_mm: np.ndarray
    share: float
    bolt_places_mm: np.ndarray
    pads_mm: np.ndarray
    check: RegistrationCheck | None = None
    dome_axes: np.ndarray | None = None
    dome_heights_mm: np.ndarray | None = None
    dome_between: np.ndarray | None = None

    def domes_set_for(self, piece: int) -> int:
        """How many domes are set on the wall before a piece is brushed."""
        if self.dome_between is None:
            return len(self.domes_mm) if piece == 0 else 0
        return int((self.dome_between[:, 0] == piece).sum())

    @property
    def bead_length_mm(self) -> float:
        return float(sum(np.linalg.norm(np.diff(line, axis=0), axis=1).sum() for line in self.lines_mm))


@dataclass(frozen=True)
class RubberParts:
    """Rubber volume of one piece by cause, mm³; tabs are added once keys are placed."""

    skin_mm3: float
    lock_fill_mm3: float
    edge_mm3: float
    draft_mm3: float
    flange_mm3: float
    keys_mm3: float = 0.0
    handling_mm3: float = 0.0  # where the brief says it is handled
    bead_mm3: float = 0.0  # the ridge, and what the first piece carries behind its groove less the groove
    domes_mm3: float = 0.0  # the same of several pieces' domes and hollows
    loose_mm3: float = 0.0  # below zero: what loose pieces take the place of

    @property
    def total_mm3(self) -> float:
        return sum(volume for _, volume in self.by_cause)

    @property
    def by_cause(self) -> tuple[tuple[str, float], ...]:
        """Each cause in the workshop's words, with its volume, in the order of the work."""
        return (
            ("skin", self.skin_mm3),
            ("undercut fill", self.lock_fill_mm3),
            ("edge", self.edge_mm3),
            *((("handling points", self.handling_mm3),) if self.handling_mm3 > 0 else ()),
            ("draft", self.draft_mm3),
            ("flange", self.flange_mm3),
            *((("bead", self.bead_mm3),) if self.bead_mm3 else ()),
            *((("domes", self.domes_mm3),) if self.domes_mm3 else ()),
            *((("less loose pieces", self.loose_mm3),) if self.loose_mm3 else ()),
            ("keys", self.keys_mm3),
        )


@dataclass(frozen=True)
class Fill:
    """Undercut fill of one glove: mm³, and how deep it is along the pull where it is thick all round (mm). all_mm3,
    deep_mm : were there no loose pieces; left_mm3, left_deep_mm : as it is built."""

    all_mm3: float
    deep_mm: float
    left_mm3: float
    left_deep_mm: float


@dataclass(frozen=True)
class Coat:
    """One brushed layer: its build, what it is for, and the volume it takes over all pieces."""

    name: str  # "print coat", "build coat 1", ...
    thickness_mm: float
    volume_mm3: float
    thickened: bool


@dataclass(frozen=True, eq=False)
class Rubber:
    """The glove. volumes in mm³ without waste; masses follow in take-off from the catalogue's density."""

    skin_thickness_mm: float
    edge_thickness_mm: float
    edge_band_mm: float
    flange_width_mm: float
    flange_thickness_mm: float
    thickness_reason: str
    envelopes: tuple[Envelope, ...]
    parts: tuple[RubberParts, ...]  # one for each envelope
    volume_on_coarser_mm3: tuple[float, ...]  # by the same method on a coarser lattice: how far it has converged
    volume_mm3: Interval
    coats: tuple[Coat, ...]
    min_thickness_mm: float  # true 3-D, measured on the outside
    thickness_quantiles_mm: tuple[float, ...]  # 5, 25, 50, 75, 95 %
    section: JointSection | None = None  # what the joint is built to
    registration: Registration | None = None
    loose: tuple[LoosePiece, ...] = ()  # rigid inserts in place of fill, of two pieces alone
    fills: tuple[Fill, ...] = ()  # of each of two gloves; of more than two none

    @property
    def built_to(self) -> JointSection:
        """The joint's section; a rubber that came without one gets it by its own flange."""
        if self.section is not None:
            return self.section
        own = RubberBrief(flange_width_mm=self.flange_width_mm, flange_thickness_mm=self.flange_thickness_mm)
        return choose_section(1000.0, self.skin_thickness_mm, own, JointBrief())

    @property
    def fill(self) -> Fill | None:
        """Both gloves' fill: volumes together, depths the worst. None of more than two."""
        if not self.fills:
            return None
        every = [(one.all_mm3, one.deep_mm, one.left_mm3, one.left_deep_mm) for one in self.fills]
        held, deep, left, left_deep = zip(*every)
        return Fill(sum(held), max(deep), sum(left), max(left_deep))

    @property
    def skin_m2(self) -> float:
        """Skin under the print coat, detail allowance in."""
        first = self.coats[0]
        return first.volume_mm3 / first.thickness_mm * 1e-6
