"""Hexagon bolts of a flange: thread, washer and nut by nominal size, and the length by what they grip.

Lengths are the preferred ones of ISO 4014 (part thread) and ISO 4017 (thread to the head); nuts ISO 4032, wide washers
ISO 7093, coarse threads ISO 262, clearance holes ISO 273 (medium). Mark.MEMORY: all figures of the standards are from
memory and are to be checked against the fastener list in hand.
"""

from __future__ import annotations

from dataclasses import dataclass

from ..base.errors import PlanImpossible

STANDARD = "ISO 4014/4017"
LENGTHS_MM = (12, 16, 20, 25, 30, 35, 40, 45, 50, 55, 60, 65, 70, 80, 90, 100, 110, 120)
THREADS_PROUD = 2  # common practice: so that the nut is full


@dataclass(frozen=True)
class BoltSize:
    """One nominal size, mm. nut_mm : greatest height of its nut; hole_mm : clearance hole; part_from_mm : shortest
    length sold with a plain shank; washer_mm across, washer_thick_mm; sold_mm : shortest and longest of the series."""

    name: str
    diameter_mm: float
    pitch_mm: float
    nut_mm: float
    washer_mm: float
    washer_thick_mm: float
    hole_mm: float
    part_from_mm: float
    sold_mm: tuple[float, float] = (16.0, 80.0)

    @property
    def thread_mm(self) -> float:
        """Length of thread on a bolt with a plain shank, up to 125 mm long: 2 d + 6."""
        return 2.0 * self.diameter_mm + 6.0


BOLT_SIZES = {
    size.name: size
    for size in (
        BoltSize("M6", 6.0, 1.0, 5.2, 18.0, 1.6, 6.6, 30.0, (12.0, 60.0)),
        BoltSize("M8", 8.0, 1.25, 6.8, 24.0, 2.0, 9.0, 40.0, (16.0, 80.0)),
        BoltSize("M10", 10.0, 1.5, 8.4, 30.0, 2.5, 11.0, 45.0, (20.0, 100.0)),
        BoltSize("M12", 12.0, 1.75, 10.8, 37.0, 3.0, 13.5, 50.0, (25.0, 120.0)),
    )
}


@dataclass(frozen=True)
class BoltChoice:
    """The bolt of a flange. grip_mm : both flanges and two washers; proud_mm : what stands out of the nut."""

    size: BoltSize
    grip_mm: float
    length_mm: float
    proud_mm: float
    full_thread: bool

    @property
    def name(self) -> str:
        """'M8 × 35'."""
        return f"{self.size.name} × {self.length_mm:.0f}"


def choose_bolt(name: str, flanges_mm: float) -> BoltChoice:
    """The shortest bolt whose nut is full with two threads proud. flanges_mm : all that lies between the washers.

    Raises `PlanImpossible` where no bolt of the series is long enough.
    """
    size = BOLT_SIZES[name]
    grip = flanges_mm + 2.0 * size.washer_thick_mm
    needed = grip + size.nut_mm + THREADS_PROUD * size.pitch_mm
    shortest, longest = size.sold_mm
    sold = (float(one) for one in LENGTHS_MM if shortest <= one <= longest)
    length = next((one for one in sold if one >= needed - 1e-9), None)
    if length is None:
        raise PlanImpossible(
            f"Flanges {flanges_mm:.0f} mm thick are more than any {name} bolt of the series grips; "
            "lay lighter flanges or give a larger bolt under [joint]."
        )
    # a plain shank that reaches past the grip would stop the nut before it holds
    plain = length - size.thread_mm
    full = length < size.part_from_mm or plain > grip - size.washer_thick_mm
    return BoltChoice(size, grip, length, length - grip - size.nut_mm, full)
