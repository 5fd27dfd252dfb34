"""What the jacket stage hands on."""

from __future__ import annotations

from dataclasses import dataclass

from ...base.intervals import Interval
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
    clamps_mm: tuple[tuple[float, float, float], ...] = ()  # at the rim, where keys leave no place for a bolt
    rubber_interval_kg: Interval | None = None
    flange_width_mm: float = 0.0  # of the glove's flanges, round the foot as at the parting
    flange_thickness_mm: float = 0.0


@dataclass(frozen=True)
class Jacket:
    """The shell in pieces. advice holds sentences such as: more hands, or more pieces."""

    pieces: tuple[JacketPiece, ...]
    gelcoat_kg: float  # 0: the jacket's face is rubber, no tooling coat is laid
    advice: tuple[str, ...]


@dataclass(frozen=True)
class Zone:
    """A zone of the jacket with one laminate. mat_g_m2 is the sum of the layers as sold."""

    name: str  # "field", "handling edge", "flange"; "patch" and "ribs" where there are any
    area_mm2: float
    mat_g_m2: float
    mat_oz_ft2: float
    layers: tuple[str, ...]  # schedule, mat weights as sold
    thickness_mm: float
    glass_kg: float
    resin_kg: float


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


@dataclass(frozen=True)
class LoadCheck:
    """A stiffness, strength or buckling check, with its load stated."""

    what: str
    load: str
    value: float
    limit: float
    unit: str
    passes: bool
    method: str  # formula and source
