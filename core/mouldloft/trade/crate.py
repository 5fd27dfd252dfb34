"""A crate for one cast: how large outside, and how heavy empty."""

from __future__ import annotations

_ROOM_MM = 80.0  # of soft packing on each side (common practice)
_PLY_MM, _PLY_KG_M2 = 9.0, 6.3  # of its sides: 9 mm ply on battens, at 700 kg/m³ (common practice)
_BATTENS = 1.25  # battens, skids and packing, over the ply
_PALLET_MM = 100.0  # skids under it


def crate_mm(size_mm: tuple[float, float, float]) -> tuple[float, float, float]:
    """Width, depth and height outside of a crate for a piece of that size."""
    width, depth, height = size_mm
    sides = 2 * (_ROOM_MM + _PLY_MM)
    return width + sides, depth + sides, height + sides + _PALLET_MM


def crate_kg(outside_mm: tuple[float, float, float]) -> float:
    """Mass of the empty crate."""
    return _BATTENS * _PLY_KG_M2 * crate_m2(outside_mm)


def crate_m2(outside_mm: tuple[float, float, float]) -> float:
    """Plywood of its six sides."""
    width, depth, height = (side / 1000 for side in outside_mm)
    return 2 * (width * depth + width * height + depth * height)
