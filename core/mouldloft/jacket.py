"""Stage 7, jacket: the rigid fibreglass shell over the glove: laminate, stiffness, bolts, weight, lifting."""

from __future__ import annotations

from dataclasses import dataclass

from .lifting import LiftCheck


@dataclass(frozen=True)
class Zone:
    """A zone of the jacket with one laminate."""

    name: str  # "field", "handling edge", "flange"
    area_mm2: float
    mat_g_m2: float
    mat_oz_ft2: float
    layers: tuple[str, ...]  # schedule, mat weights as sold
    thickness_mm: float
    glass_kg: float
    resin_kg: float


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
    bolts_mm: tuple[tuple[float, float, float], ...]
    wedge_points_mm: tuple[tuple[float, float, float], ...]
    bolt_pitch_mm: float
    checks: tuple[LoadCheck, ...]
    lift: LiftCheck  # jacket alone
    lift_with_glove: LiftCheck


@dataclass(frozen=True)
class Jacket:
    """The shell in pieces. advice holds sentences such as: more hands, or more pieces."""

    pieces: tuple[JacketPiece, ...]
    gelcoat_kg: float
    advice: tuple[str, ...]
