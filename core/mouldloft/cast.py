"""Stage 9, cast: laminate and mass of the hollow cast, whether it comes out, and what keeps it standing."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class StandCheck:
    """Overturning about the worst edge of the foot."""

    cause: str  # "push", "wind"
    overturning_nm: float
    holding_nm: float
    ballast_kg: float  # added at the foot so that holding >= factor x overturning
    tip_edge: str
    factor: float
    method: str


@dataclass(frozen=True)
class Cast:
    """One cast of the run; take-off multiplies."""

    area_mm2: float
    gelcoat_kg: float
    glass_kg: float
    resin_kg: float
    joint_tape_m: float
    joint_tape_kg: float
    thickness_mm: float
    mass_kg: float
    centre_of_mass_mm: tuple[float, float, float]
    baseboard_outline_mm: tuple[tuple[float, float], ...]
    baseboard_area_mm2: float
    stands: tuple[StandCheck, ...]
    ballast_kg: float
    comes_out: bool
    comes_out_reason: str
    lift_kg: float
    advice: tuple[str, ...]
