"""A steel frame against sums by hand and tables of hollow sections (EN 10219-2, from memory)."""

from __future__ import annotations

import pytest
from mouldloft.trade.uprights import checked_frame, modulus_mm3, reach_mm, room_for

# side, wall: elastic modulus cm³ as tables of cold formed sections have it, and kg a metre
TABLES = {(40.0, 3.0): (4.66, 3.30), (50.0, 4.0): (9.49, 5.45), (60.0, 4.0): (14.5, 6.71), (80.0, 5.0): (32.9, 11.1)}


@pytest.mark.parametrize("section", TABLES)
def test_sections_are_no_stronger_than_their_tables(section: tuple[float, float]) -> None:
    modulus, mass = TABLES[section]
    assert 0.94 * modulus < modulus_mm3(*section) / 1000.0 <= modulus
    frame = checked_frame("", section, ((0.0, 0.0),), 1000.0, 1.0, 1.0)
    assert mass <= frame.mass_kg < 1.07 * mass  # sharp corners: a little heavier


def test_two_uprights_by_hand() -> None:
    frame = checked_frame("slender", (50.0, 4.0), ((-100.0, 0.0), (100.0, 0.0)), 800.0, 900.0, 400.0)
    # 1.5 × 900 = 1,350 N·m, 675 on each; 0.9 × (50⁴ − 42⁴) / 300 = 9,415 mm³ carry 2,212 N·m
    assert frame.moment_nm == pytest.approx(675.0)
    assert frame.shear_n == pytest.approx(300.0)
    assert frame.use == pytest.approx(675.0 / 2212.5, rel=1e-3)
    # stress along the tabs runs from + to −: 6 M / h² = 6.33 N/mm, on 150 mm of tab 0.0422 N/mm²
    assert frame.tab_mpa == pytest.approx(0.0422, rel=1e-2)
    # (50² − 42²) × 800 × 7.85e-6 = 4.62 kg each
    assert frame.mass_kg == pytest.approx(9.24, rel=1e-3)
    assert frame.holds
    said = {line.what: line.result for line in frame.lines}
    assert said["on each upright"] == "675 N·m"
    assert said["section modulus"] == "9.41 cm³"
    assert frame.words == "2 uprights of 50 × 50 × 4 mm, 800 mm long"


def test_steel_or_bond_that_does_not_hold() -> None:
    spot = ((0.0, 0.0),)
    assert not checked_frame("", (40.0, 3.0), spot, 800.0, 900.0, 0.0).holds  # 1,350 N·m on 1,079
    short = checked_frame("", (100.0, 5.0), spot, 250.0, 900.0, 0.0)
    assert short.use < 1.0
    assert not short.holds, "6 × 1,350 N·m / 0.25² m² = 130 N/mm tears 150 mm of tab"


def test_reach_and_room_by_hand() -> None:
    assert reach_mm(2000.0, 0.0) == 500.0
    assert reach_mm(2000.0, 600.0) == pytest.approx(900.0)
    assert room_for(40.0, 4.5) == pytest.approx(28.284 + 10 + 4.5, abs=1e-3)
