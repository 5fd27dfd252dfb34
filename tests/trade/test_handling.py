"""Lifts and grips by hand. Grips from 15 kg about the centre of mass: common practice, no source."""

from __future__ import annotations

import pytest
from mouldloft.inputs.brief import JacketBrief
from mouldloft.trade.handling import LiftedPart, grips_for, lift_cure, lift_of, lift_words, rope_tail_kg


def test_people_by_the_most_it_weighs() -> None:
    brief = JacketBrief()
    assert lift_of("jacket off", "left piece", 9.0, 9.5, brief).people == 1
    # HSE L23's worked example: two people about 26.6 kg
    two = lift_of("glove peeled", "left piece", 24.0, 26.0, brief)
    assert (two.people, two.passes) == (2, True)
    assert lift_words(two, "Rolled.") == "24 kg, at most 26: 2 people. Rolled."
    three = lift_of("jacket off", "left piece", 24.0, 28.0, brief)
    assert (three.people, three.passes) == (3, False)
    assert lift_words(three, "").startswith("24 kg, at most 28: 3 people, or rope and tackle")
    none = lift_of("cast out", "", 80.0, 90.0, brief)
    assert (none.people, none.passes) == (0, False)
    assert "past what four people may lift; rope and tackle" in lift_words(none, "")


def test_what_is_tipped_weighs_on_the_hands_by_its_lever() -> None:
    """Moments about the foot: 60 kg with its centre two fifths of the way to the hands is 24 kg in them."""
    lift = lift_of("laid down", "", 60.0, 65.0, JacketBrief(), share=0.4)
    assert (lift.whole_kg, lift.load_kg, lift.most_kg) == (60.0, 24.0, 26.0)
    assert lift.passes
    assert lift_words(lift, "").startswith("24 kg, at most 26 at the hands: 2 people")


def test_a_closed_mould_too_heavy_for_hands_goes_down_on_a_rope() -> None:
    """Euler and Eytelwein: a turn at a friction of 0.2 holds e^(0.4 pi), 3.51 times what its tail does (handbooks
    tabulate 3.51 for that turn; from memory)."""
    assert rope_tail_kg(35.1) == pytest.approx(10.0, abs=0.02)
    heavy = lift_of("laid down", "", 75.0, 80.0, JacketBrief(), share=0.4)
    assert (heavy.people, heavy.passes) == (2, True)
    assert heavy.tail_kg == pytest.approx(32.0 / 3.51, abs=0.02)
    assert "on a rope with a round turn about a fixed rail or post, 9 kg to hold" in lift_words(heavy, "")
    alone = lift_of("laid down", "", 75.0, 80.0, JacketBrief(lifters=1), share=0.4)
    assert not alone.passes
    assert lift_cure(alone) == "two people, one on the rope and one guiding"
    bare = lift_of("laid down", "", 75.0, 80.0, JacketBrief(rope_rail=False), share=0.4)
    assert (bare.people, bare.passes, bare.tail_kg) == (4, False, 0.0)
    # a rope lowers: it does not stand a half up
    assert lift_of("stood up", "left piece", 75.0, 80.0, JacketBrief(), share=0.4).tail_kg == 0.0


def test_grips_balance_about_the_centre_of_mass() -> None:
    parts = (
        LiftedPart("left piece", 37.0, (120.0, -40.0, 500.0)),
        LiftedPart("lid", 12.0, (0.0, 0.0, 900.0)),
    )
    (heavy,) = grips_for(parts)
    assert (heavy.piece, heavy.heaviest_kg) == ("left piece", 37.0)
    assert len(heavy.places_mm) == 2
    for axis in range(3):
        assert sum(p[axis] for p in heavy.places_mm) / 2 == parts[0].centre_mm[axis]
    assert len(grips_for((LiftedPart("left piece", 59.0, (0.0, 0.0, 500.0)),))[0].places_mm) == 4
    assert grips_for((LiftedPart("lid", 12.0, (0.0, 0.0, 900.0)),)) == ()
