"""What the jacket stage hands on."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from ...base.intervals import Interval
from ...trade.bolts import BoltChoice
from ...trade.laminate import mat_words
from ...trade.lifting import LiftCheck


@dataclass(frozen=True)
class JacketPiece:
    """One jacket piece."""

    piece: int
    name: str
    zones: tuple[Zone, ...]
    area_mm2: float
    mass_kg: float
    rubber_mass_kg: float
    centre_of_mass_mm: tuple[float, float, float]
    bolts_mm: tuple[tuple[float, float, float], ...]  # on the parting surface, shared by the pieces that meet there
    wedge_points_mm: tuple[tuple[float, float, float], ...]
    bolt_pitch_mm: float  # the widest distance between neighbours along the flange
    checks: tuple[LoadCheck, ...]
    lift: LiftCheck  # jacket alone
    lift_with_glove: LiftCheck
    mass_interval_kg: Interval | None = None
    patches: tuple[Patch, ...] = ()  # where the zone "patch" lies
    ribs: tuple[Rib, ...] = ()
    # on the board, through the flange that lies on it round the foot
    foot_bolts_mm: tuple[tuple[float, float, float], ...] = ()
    foot_wedge_points_mm: tuple[tuple[float, float, float], ...] = ()
    clamps_mm: tuple[tuple[float, float, float], ...] = ()  # where the flange leans too much for a bolt, unstepped
    rubber_interval_kg: Interval | None = None
    flange_width_mm: float = 0.0  # of the glove's flanges, round the foot as at the parting
    flange_thickness_mm: float = 0.0
    bolt_axes: tuple[tuple[float, float, float], ...] = ()  # square to the flange at each bolt, towards the pull
    # of its weight, with its glove, in the hands at its far rim as it is tipped up on its foot
    tipped_share: float = 0.5


@dataclass(frozen=True)
class LooseShell:
    """A loose piece as it is laid up: a closed box of glass. piece, under : the glove it lies on, its jacket's name.
    zone : its laminate, floor and outside. held_at_mm : where a bolt through the jacket holds it home."""

    name: str
    piece: int
    under: str
    pull: tuple[float, float, float]
    zone: Zone
    volume_mm3: float
    size_mm: tuple[float, float, float]
    centre_mm: tuple[float, float, float]
    held_at_mm: tuple[tuple[float, float, float], ...]
    lift: LiftCheck
    mass_interval_kg: Interval

    @property
    def mass_kg(self) -> float:
        return self.mass_interval_kg.likely


ONE_PLACE_MM = 5.0  # pieces that meet list the same bolts and wedges: places this near are one


@dataclass(frozen=True)
class Jacket:
    """The shell in pieces. advice holds sentences such as: more hands, or more pieces."""

    pieces: tuple[JacketPiece, ...]
    gelcoat_kg: float  # 0: the jacket's face is rubber, no tooling coat is laid
    advice: tuple[str, ...]
    bolt: BoltChoice | None = None  # through both flanges
    foot_bolt: BoltChoice | None = None  # through the flange on the board and the board
    # places of the bolts fitted without play: between every two pieces that meet, as far apart as may be
    fitted: tuple[tuple[float, float, float], ...] = ()
    loose: tuple[LooseShell, ...] = ()  # rigid inserts between glove and jacket
    loose_bolt: BoltChoice | None = None  # through the jacket and a loose piece's back, where there are any


@dataclass(frozen=True)
class Zone:
    """A zone of the jacket with one laminate. mat_g_m2 is the sum of the layers as sold."""

    name: str  # "field", "handling edge", "flange"; "patch" and "ribs" where there are any
    area_mm2: float
    mat_g_m2: float
    mat_oz_ft2: float
    weights_g_m2: tuple[float, ...]  # schedule, mats as sold, first layer first
    thickness_mm: float
    glass_kg: float
    resin_kg: float

    @property
    def layers(self) -> tuple[str, ...]:
        """The schedule as the workshop writes it: "300 g/m²", ..."""
        return mat_words(self.weights_g_m2)


@dataclass(frozen=True)
class Patch:
    """Where the field is laid heavier: all outside within a reach of a point."""

    centre_mm: tuple[float, float, float]
    radius_mm: float


@dataclass(frozen=True)
class Rib:
    """A strip of foam or timber bonded to the outside and glassed over, the stiffness of its core not counted on."""

    start_mm: tuple[float, float, float]
    end_mm: tuple[float, float, float]
    core_height_mm: float
    core_width_mm: float
    layers: tuple[str, ...]
    core_kg: float = 0.0


CheckKind = Literal["panel", "rib", "between bolts", "flange root"]


@dataclass(frozen=True)
class LoadCheck:
    """A stiffness, strength or buckling check, with its load stated; its kind says what part of the piece gives, and so
    what helps."""

    kind: CheckKind
    what: str
    load: str
    value: float
    limit: float
    unit: str
    passes: bool
    method: str  # formula and source
