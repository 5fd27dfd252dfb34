"""Lifting checks against the publication's own equation, table and worked example."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest
from mouldloft.inputs.brief import JacketBrief
from mouldloft.trade.lifting import (
    asymmetry_multiplier,
    check_lift,
    frequency_multiplier,
    lift_multipliers,
    lightest_cuts,
    one_person_limit_kg,
    recommended_weight_kg,
    team_share,
    who_lifts,
)


def customary_lb(reach_in: float, height_in: float, travel_in: float, rest: float) -> float:
    """RWL in the inch form of NIOSH Publication 94-110 (rev. 9/2021), published beside the metric one:
    51 lb · 10/H · (1 - 0.0075 |V - 30|) · (0.82 + 1.8/D) · the other multipliers."""
    return 51.0 * 10.0 / reach_in * (1.0 - 0.0075 * abs(height_in - 30.0)) * (0.82 + 1.8 / travel_in) * rest


# published: NIOSH Publication 94-110 (rev. 9/2021), asymmetry table, after Waters et al. 1994
ASYMMETRY = {
    0: 1.00,
    15: 0.95,
    30: 0.90,
    45: 0.86,
    60: 0.81,
    75: 0.76,
    90: 0.71,
    105: 0.66,
    120: 0.62,
    135: 0.57,
}


@pytest.mark.parametrize(("degrees", "tabled"), ASYMMETRY.items())
def test_asymmetry_table(degrees, tabled):
    assert asymmetry_multiplier(degrees) == pytest.approx(tabled, abs=0.0051)


def test_no_lift_beyond_the_tables():
    assert asymmetry_multiplier(135.5) == 0.0
    assert lift_multipliers(63.5, 75, 25).horizontal == 0.0
    assert lift_multipliers(25, 176, 25).vertical == 0.0
    assert lift_multipliers(25, 75, 176).distance == 0.0
    assert recommended_weight_kg(lift_multipliers(70, 75, 25)) == 0.0


def test_the_best_lift_is_the_load_constant():
    # published: every multiplier is 1 at H 25 cm, V 75 cm, D 25 cm, good hold, seldom
    best = lift_multipliers(25, 75, 25, hold="good")
    assert recommended_weight_kg(best) == pytest.approx(23.0)
    # nearer or shorter gives no more
    assert lift_multipliers(5, 75, 1, hold="good").product == pytest.approx(1.0)


def test_sheet_stock_into_a_press():
    # from memory: first worked example of 94-110, H 23 in, V 15 in, D 48 in, fair hold, seldom: RWL 16.3 lb at the
    # origin from two-place multipliers 0.44, 0.89, 0.86, 0.95; 14.5 lb at the destination, V 63 in, whose hold is 1.00
    assert customary_lb(23, 15, 48, 0.95) == pytest.approx(16.3, rel=0.02)
    assert customary_lb(23, 63, 48, 1.0) == pytest.approx(14.5, rel=0.02)
    for height_in, rest in ((15, 0.95), (63, 1.0)):
        found = lift_multipliers(23 * 2.54, height_in * 2.54, 48 * 2.54, hold="fair")
        assert found.coupling == rest
        assert 0.96 < recommended_weight_kg(found) / (0.45359237 * customary_lb(23, height_in, 48, rest)) < 1.0


@pytest.mark.parametrize(("reach_in", "height_in", "travel_in"), [(18, 20, 30), (12, 40, 12), (24, 60, 65)])
def test_the_two_published_forms_say_the_same(reach_in, height_in, travel_in):
    # published: both forms stand side by side in 94-110; the metric constants are rounded down (25 cm for 10 in, 23 kg
    # for 51 lb, 0.003 a cm for 0.0075 an inch): up to 4 % less
    found = lift_multipliers(reach_in * 2.54, height_in * 2.54, travel_in * 2.54, 30, 1.0, "two hours", "fair")
    rest = found.asymmetry * found.frequency * found.coupling
    in_kg = 0.45359237 * customary_lb(reach_in, height_in, travel_in, rest)
    assert 0.96 < recommended_weight_kg(found) / in_kg < 1.0


def test_frequency_falls_with_rate_and_duration():
    # published: frequency table of NIOSH 94-110, hands at 75 cm or above, as restated in three public sources
    rates = (0.2, 0.5, *range(1, 16))
    hour = (1, 0.97, 0.94, 0.91, 0.88, 0.84, 0.80, 0.75, 0.70, 0.60, 0.52, 0.45, 0.41, 0.37, 0.34, 0.31, 0.28)
    assert [frequency_multiplier(r, "an hour") for r in rates] == list(hour)
    assert [frequency_multiplier(r, "two hours") for r in rates[:5]] == [0.95, 0.92, 0.88, 0.84, 0.79]
    assert [frequency_multiplier(r, "a day") for r in (0.2, 1, 2, 4, 6, 10)] == [0.85, 0.75, 0.65, 0.45, 0.27, 0.13]
    # from memory: more entries of the same table
    assert frequency_multiplier(0.1, "an hour") == 1.0
    assert frequency_multiplier(5, "two hours") == 0.60
    assert frequency_multiplier(9, "a day", low=True) == 0.0
    assert frequency_multiplier(9, "a day", low=False) == 0.15
    assert frequency_multiplier(16) == 0.0
    for low in (True, False):
        for shorter, longer in (("an hour", "two hours"), ("two hours", "a day")):
            rates = [0.1, 0.3, *range(1, 17)]
            of_short = [frequency_multiplier(r, shorter, low) for r in rates]
            of_long = [frequency_multiplier(r, longer, low) for r in rates]
            assert of_short == sorted(of_short, reverse=True)
            assert all(a >= b for a, b in zip(of_short, of_long, strict=True))


def test_team_share_of_the_guidance():
    # published: HSE L23 paragraph 120: two people two thirds of the sum, three half of it
    assert team_share(1) == 1.0
    assert team_share(2) == pytest.approx(2 / 3)
    assert team_share(3) == pytest.approx(1 / 2)
    # published, a restatement of it: one person 20 kg, two about 26.6
    assert 2 * team_share(2) * 20.0 == pytest.approx(26.6, abs=0.1)
    # a bigger team lifts more than a smaller one, each with a smaller share (own extrapolation, no source)
    capability = [n * team_share(n) for n in range(1, 9)]
    assert capability == sorted(capability)
    assert team_share(8) < team_share(4) < team_share(3)
    with pytest.raises(ValueError, match="at least one"):
        team_share(0)


def test_one_guide_at_a_time():
    # one person by NIOSH's equation; two by HSE's own figure: one person 20 kg, two 26.6 (published worked example)
    brief = JacketBrief(lifters=2)
    assert check_lift(26.6, brief).passes
    assert not check_lift(26.8, brief).passes
    assert check_lift(1.0, replace(brief, lifters=1)).team_capability_kg == one_person_limit_kg(brief)
    assert check_lift(22.0, brief).lifters_needed == 2


def test_the_brief_s_lift_at_its_worse_end():
    brief = JacketBrief(lift_from_mm=700, lift_to_mm=1000, reach_mm=400)
    # by hand from the equation, poor hold: H 40, D 30; V 100 is the worse end
    by_hand = 23 * (25 / 40) * (1 - 0.003 * 25) * (0.82 + 4.5 / 30) * 0.90
    assert one_person_limit_kg(brief) == pytest.approx(by_hand)
    assert one_person_limit_kg(replace(brief, lift_from_mm=1000, lift_to_mm=700)) == pytest.approx(by_hand)


def test_own_limit_overrides():
    brief = JacketBrief(lift_limit_per_person_kg=25.0, lifters=2)
    check = check_lift(33.0, brief)
    assert check.recommended_one_person_kg == 25.0
    assert check.team_capability_kg == pytest.approx(100 / 3)
    assert check.passes
    assert check.lifters_needed == 2
    assert "own limit" in check.method


def test_too_heavy_says_how_many_or_a_hoist():
    brief = JacketBrief(lift_limit_per_person_kg=10.0, lifters=1)
    heavy = check_lift(14.9, brief, "the left jacket")
    assert not heavy.passes
    assert heavy.lifters_needed == 3
    assert "3 people could" in heavy.reason
    beyond = check_lift(50.0, brief)
    assert beyond.lifters_needed == 0
    assert "hoist" in beyond.reason


def test_nonsense_is_refused():
    with pytest.raises(ValueError, match="not negative"):
        lift_multipliers(-1, 75, 25)
    with pytest.raises(ValueError, match="not negative"):
        check_lift(float("nan"), JacketBrief())


@pytest.mark.parametrize("at", range(5))
def test_no_place_takes_a_negative_number(at):
    numbers = [25.0, 30.0, 25.0, 0.0, 0.2]
    numbers[at] = -1.0
    with pytest.raises(ValueError, match="not negative"):
        lift_multipliers(*numbers)


def test_the_limits_themselves_still_count():
    # published: 94-110 sets a multiplier to 0 beyond 63 cm (25 in) reach, 175 cm (70 in) up, 175 cm (70 in) travel
    edge = lift_multipliers(63, 175, 175)
    assert (edge.horizontal, edge.vertical, edge.distance) == pytest.approx((25 / 63, 0.70, 0.82 + 4.5 / 175))
    beyond = lift_multipliers(63.1, 175.1, 175.1)
    assert (beyond.horizontal, beyond.vertical, beyond.distance) == (0.0, 0.0, 0.0)
    assert frequency_multiplier(15) > 0  # from memory: the table's last row is 15 a minute
    assert frequency_multiplier(14) > 0


def test_hands_below_the_knee_height_hold_and_lift_worse():
    # published: the tables' columns part at V 75 cm (30 in), which itself counts as high; fair hold 0.95 low, 1.00 high
    low, high = (lift_multipliers(10, knee, 10, 0, 9, "a day", "fair") for knee in (74, 75))
    assert (low.coupling, high.coupling) == (0.95, 1.0)
    assert (low.frequency, high.frequency) == (0.0, 0.15)  # from memory: 9 a minute for a day


def test_the_hold_counts_in_the_limit():
    brief = JacketBrief(lift_from_mm=800, lift_to_mm=1000, lifters=1)
    assert one_person_limit_kg(brief, "poor") == pytest.approx(0.9 * one_person_limit_kg(brief, "good"))
    check = check_lift(0.0, brief, "the left jacket", "good")
    assert check.recommended_one_person_kg == pytest.approx(one_person_limit_kg(brief, "good"))
    assert (check.load_kg, check.lifters) == (0.0, 1)


def test_a_load_at_the_limit_may_be_lifted():
    brief = JacketBrief(lift_limit_per_person_kg=12.0, lifters=2)
    check = check_lift(16.0, brief, "the left jacket")  # 2 × 2/3 × 12
    assert check.passes
    assert check.lifters_needed == 2
    assert check.reason == "the left jacket at 16.0 kg is within the 16.0 kg that 2 people may lift this way"
    alone = check_lift(16.0, replace(brief, lifters=1), "the left jacket")
    assert alone.reason == (
        "the left jacket at 16.0 kg is over the 12.0 kg that one person may lift this way; 2 people could"
    )
    # teams are counted up to four (published: HSE L23 paragraph 120), whose share has no source: 4 × 2/5 of 12 kg
    assert check_lift(19.1, brief).lifters_needed == 4
    assert check_lift(19.3, brief).lifters_needed == 0


def test_the_method_says_reach_and_heights():
    method = check_lift(1.0, JacketBrief(lift_from_mm=700, lift_to_mm=1000, reach_mm=400)).method
    assert "reach 400 mm, from 700 to 1000 mm" in method


def test_hands_are_counted_by_the_most_it_may_weigh():
    brief = JacketBrief(lift_limit_per_person_kg=12.0, lifters=1)
    check = check_lift(10.0, brief, "the jacket", most_kg=13.0)
    assert not check.passes
    assert (check.load_kg, check.most_kg, check.lifters_needed) == (10.0, 13.0, 2)
    assert check.reason == (
        "the jacket at 10.0 kg (at most 13.0) may be over the 12.0 kg that one person may lift this way; 2 people could"
    )
    assert " is over " in check_lift(12.5, brief, most_kg=13.0).reason
    assert check_lift(0.2, brief).most_kg == 0.2
    assert "at most" not in check_lift(0.2, brief).reason


def test_what_weighs_just_the_limit_is_not_cut():
    assert lightest_cuts(np.array([0.0, 1.0, 2.0]), [(np.array([4.0, 6.0]), np.zeros(3))], 10.0) == ((), (10.0,))


AT = np.arange(0.0, 1001.0, 10.0)


def bar(kg, adds):
    """A bar a metre long, of even weight, and what each cut adds to each of its sides."""
    return np.full(100, kg / 100.0), np.full(101, adds)


def test_an_even_bar_is_cut_evenly():
    # 26 kg, 1 kg on each side of a cut: one part of 26, or two of 13 + 1
    assert lightest_cuts(AT, [bar(26.0, 1.0)], 26.1) == ((), pytest.approx((26.0,)))
    cuts, each = lightest_cuts(AT, [bar(26.0, 1.0)], 15.0)
    assert cuts == (500.0,)
    assert each == pytest.approx((14.0, 14.0))
    # three parts: the middle one carries two flanges, (26 + 4) / 3 = 10 each when the ends are a kilogram longer
    cuts, each = lightest_cuts(AT, [bar(26.0, 1.0)], 13.0)
    assert cuts == pytest.approx((350.0, 650.0), abs=10.0)
    assert each == pytest.approx((10.0,) * 3, abs=0.2)
    assert lightest_cuts(AT, [bar(26.0, 7.0)], 13.0) == ((), ()), "what two cuts add is more than may be lifted"


def test_an_uneven_bar_by_trying_every_way():
    rng = np.random.default_rng(5)
    mass, adds, at = rng.uniform(0.5, 2.0, 12), rng.uniform(0.0, 1.5, 13), np.arange(13.0)

    def parts(cuts):
        ends = [0, *cuts, 12]
        return [
            mass[i:j].sum() + (adds[i] if i else 0.0) + (adds[j] if j < 12 else 0.0)
            for i, j in itertools.pairwise(ends)
        ]

    for limit in (12.0, 8.0, 6.0):
        count = next(
            n for n in range(12) if any(max(parts(c)) <= limit for c in itertools.combinations(range(1, 12), n))
        )
        best = min(itertools.combinations(range(1, 12), count), key=lambda c: max(parts(c)))
        cuts, each = lightest_cuts(at, [(mass, adds)], limit)
        assert max(each) == pytest.approx(max(parts(best)))
        assert each == pytest.approx(parts([int(c) for c in cuts]))
        assert len(cuts) == count


def test_what_is_lifted_at_different_times_is_weighed_apart():
    # 10 kg and 22 kg lifted one after the other: the heavier decides
    cuts, each = lightest_cuts(AT, [bar(10.0, 0.0), bar(22.0, 0.0)], 12.0)
    assert (cuts, each) == ((500.0,), pytest.approx((11.0, 11.0)))


def test_who_lifts_in_words():
    alone = JacketBrief(lift_limit_per_person_kg=15.0, lifters=1)
    assert who_lifts(15.0, alone) == "1 person"
    assert who_lifts(20.0, alone) == "2 people"
    assert who_lifts(40.0, alone) == "a hoist"
