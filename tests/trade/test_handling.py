"""Lifts and grips by hand. Grips from 15 kg about the centre of mass: common practice, no source."""

from __future__ import annotations

from mouldloft.inputs.brief import JacketBrief
from mouldloft.trade.handling import LiftedPart, grips_for, lift_of


def test_people_by_the_most_it_weighs() -> None:
    brief = JacketBrief()
    assert lift_of("the left jacket", 9.0, 9.5, brief, "By its grips.").people == 1
    # HSE L23's worked example: two people about 26.6 kg
    two = lift_of("the half with its wet cast", 24.0, 26.0, brief, "By its grips.")
    assert two.people == 2
    assert two.sentence == "24 kg, at most 26: 2 people. By its grips."
    assert lift_of("the half", 24.0, 28.0, brief, "").people == 3
    assert lift_of("the closed mould", 80.0, 90.0, brief, "").people == 0
    assert "trolley" in lift_of("the closed mould", 80.0, 90.0, brief, "").sentence


def test_grips_balance_about_the_centre_of_mass() -> None:
    parts = (
        LiftedPart("left piece", 28.0, 30.0, (120.0, -40.0, 500.0)),
        LiftedPart("lid", 4.0, 5.0, (0.0, 0.0, 900.0)),
    )
    (heavy,) = grips_for(parts, 7.0)
    assert (heavy.piece, heavy.heaviest_kg) == ("left piece", 37.0)
    assert len(heavy.places_mm) == 2
    for axis in range(3):
        assert sum(p[axis] for p in heavy.places_mm) / 2 == parts[0].centre_mm[axis]
    assert len(grips_for((LiftedPart("left piece", 50.0, 52.0, (0.0, 0.0, 500.0)),), 7.0)[0].places_mm) == 4
    assert grips_for((LiftedPart("lid", 4.0, 5.0, (0.0, 0.0, 900.0)),), 7.0) == ()
