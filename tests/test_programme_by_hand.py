"""The programme of one small job against a ledger kept by hand: pots, hours, waits, and the days they come to."""

from __future__ import annotations

import itertools
import math
from collections import defaultdict
from dataclasses import replace
from datetime import date, timedelta

import pytest
from mouldloft.base.errors import PlanImpossible
from mouldloft.base.intervals import Interval
from mouldloft.inputs.brief import Brief, CastBrief, JacketBrief, RunBrief
from mouldloft.inputs.catalogue import Catalogue, read_catalogue
from mouldloft.stages.cast import Cast
from mouldloft.stages.jacket.record import Jacket, Zone
from mouldloft.stages.keys.record import Keys
from mouldloft.stages.programme import Programme, first_day, set_programme, split_into_batches
from mouldloft.stages.rubber.record import Coat, Rubber, RubberParts
from trade_bodies import cast_record, jacket_of, keys_of, rubber_of, uneven_flanges

HANDS = 3
WARM_RUBBER, WARM_RESIN = 2**-0.2, 2**-0.5  # 25 °C: data sheets at 23 and 20, half for every 10 (common practice)
RUN = RunBrief(casts=2, hands=HANDS, hours_per_day=24.0, work_weekends=True, workshop_temperature_c=25.0)
BRIEF = Brief(run=RUN, jacket=JacketBrief(glass_fraction=0.32), cast=CastBrief(glass_fraction=0.28))


def catalogue() -> Catalogue:
    """The bundled one with rates that no two sums share."""
    made = read_catalogue(None)
    rates = replace(
        made.rates, brushing_m2_h=2.0, laminating_kg_h=1.5, mixing_min=5.0, usable_pot_life=0.75, batch_limit_kg=3.0,
        wall_m_h=0.5, release_m2_h=4.0, keys_per_h=12.0, cradle_h_per_board=0.6, wall_away_h=1.2, open_mould_h=1.8,
        clean_m2_h=2.5, trim_m_h=3.0, drill_bolts_per_h=14.0, join_m_h=1.25, finish_m_h=0.9, baseboard_h=1.4,
        rate_uncertainty=0.9,
    )  # fmt: skip
    return replace(made, rates=rates)


def rubber() -> Rubber:
    """1.2 m² of skin, three quarters of it on the left; flanges of 0.15 and 0.10 m², 50 mm wide: 3 m of seam."""
    made = rubber_of()
    parts = (RubberParts(3.15e6, 0.0, 0.0, 0.0, 0.0), RubberParts(1.05e6, 0.0, 0.0, 0.0, 0.0))
    coats = (Coat("print coat", 1.0, 1.2e6, False), Coat("build coat 1", 2.5, 3e6, True))
    whole = Interval(4.2e6, 4.2e6, 4.2e6, ())
    return replace(made, envelopes=uneven_flanges(made), parts=parts, coats=coats, volume_mm3=whole)


def jacket() -> Jacket:
    made = jacket_of(bolts=7)

    def zones(glass: tuple[float, float], resin: float) -> tuple[Zone, ...]:
        return tuple(Zone("field", 3e5, 1200.0, 3.0, (), 2.0, kg, resin / 2) for kg in glass)

    left = replace(made.pieces[0], zones=zones((0.6, 0.5), 2.6), area_mm2=8e5)
    return replace(made, pieces=(left, replace(made.pieces[1], zones=zones((0.4, 0.3), 1.7), area_mm2=5e5)))


def keys() -> Keys:
    made = keys_of(12)
    return replace(made, keys=tuple(replace(key, piece=int(k >= 7)) for k, key in enumerate(made.keys)))


def programme(brief: Brief = BRIEF, glove: Rubber | None = None, poured: Cast | None = None) -> Programme:
    return set_programme(glove or rubber(), keys(), jacket(), poured or cast_record(), brief, catalogue())


# --- pots: (kg of mix, kg spread in an hour, pot life in min, catalyst in the mix) ---------------------------

RUBBER_LIFE, RESIN_LIFE, GELCOAT_LIFE = 20 * WARM_RUBBER, 20 * WARM_RESIN, 15 * WARM_RESIN
POTS = {
    # dm³ of the piece times 1.08; 2 m² an hour times the coat's mm times 1.08; 5 parts in 105
    ("print coat", "left piece"): (0.9 * 1.08, 2.0 * 1.0 * 1.08, RUBBER_LIFE, 5 / 105),
    ("build coat 1", "left piece"): (2.25 * 1.08, 2.0 * 2.5 * 1.08, RUBBER_LIFE, 5 / 105),
    ("print coat", "right piece"): (0.3 * 1.08, 2.0 * 1.0 * 1.08, RUBBER_LIFE, 5 / 105),
    ("build coat 1", "right piece"): (0.75 * 1.08, 2.0 * 2.5 * 1.08, RUBBER_LIFE, 5 / 105),
    # resin with 2 % on top; it goes on with 1.5 kg of glass an hour, at 0.32 glass 68 parts of resin to 32
    ("jacket laminate", "left piece"): (2.6 * 1.02, 1.5 * 68 / 32, RESIN_LIFE, 2 / 102),
    ("jacket laminate", "right piece"): (1.7 * 1.02, 1.5 * 68 / 32, RESIN_LIFE, 2 / 102),
    ("gelcoat", "each cast"): (1.1 * 1.02, 2.0 * 1.1 / 1.5, GELCOAT_LIFE, 2 / 102),
    ("cast laminate", "each cast"): (5.2 * 1.02, 1.5 * 72 / 28, RESIN_LIFE, 2 / 102),
}


def pots(of: tuple[str, str]) -> int:
    kg, kg_h, life, _ = POTS[of]
    return math.ceil(kg / min(3.0, kg_h * (0.75 * life - 5.0) / 60.0))


def test_pots_by_hand() -> None:
    made = programme().batches
    assert [(b.coat, b.piece) for b in made] == list(POTS)
    for batch in made:
        kg, kg_h, life, share = POTS[batch.coat, batch.piece]
        count = pots((batch.coat, batch.piece))
        assert batch.batches == count
        assert batch.batch_kg == pytest.approx(kg / count)
        assert batch.pot_life_min == pytest.approx(life)
        assert batch.brushing_min == pytest.approx(kg / count / kg_h * 60)
        assert batch.catalyst_g == pytest.approx(kg / count * share * 1000)
    # one in figures: 20 min at 23 °C are 17.41 at 25; 8.06 of them are left to brush 2.16 kg an hour: 0.290 kg a pot
    first = made[0]
    assert (first.batches, round(first.batch_kg, 3), round(first.catalyst_g, 1)) == (4, 0.243, 11.6)


# --- the ledger: hours of each task, all three at it ---------------------------------------------------------


def brushed(of: tuple[str, str]) -> float:
    kg, kg_h, *_ = POTS[of]
    return math.ceil(pots(of) / HANDS) * (5.0 / 60 + kg / pots(of) / kg_h)


def laid(glass_kg: float, of: tuple[str, str]) -> float:
    return glass_kg / 1.5 / HANDS + math.ceil(pots(of) / HANDS) * 5.0 / 60


def of_piece(name: str, count: int, area_m2: float, glass_kg: float) -> list[tuple[str, str, float, bool]]:
    return [
        (f"Print coat, {name}", "glove", brushed(("print coat", name)), True),
        (f"Print coat sets, {name}", "glove", 75 / 60 * WARM_RUBBER, False),
        (f"Build coat 1, {name}", "glove", brushed(("build coat 1", name)), True),
        (f"Set {count} keys, {name}", "glove", count / 12 / HANDS, True),
        (f"Rubber cures, {name}", "glove", 24 * WARM_RUBBER, False),
        (f"Release the rubber, {name}", "jacket", area_m2 / 4 / HANDS, True),
        (f"Lay up the jacket, {name}", "jacket", laid(glass_kg, ("jacket laminate", name)), True),
        (f"Jacket cures, {name}", "jacket", 12 * WARM_RESIN, False),
    ]


def of_cast(n: int) -> list[tuple[str, str, float, bool]]:
    tasks = (
        ("gelcoat in the open halves", brushed(("gelcoat", "each cast")), True),
        ("gelcoat sets", 1.5 * WARM_RESIN, False),
        ("lay up the halves", laid(2.25, ("cast laminate", "each cast")), True),
        ("close the mould and tape the joint", 2.5 / 1.25 / HANDS, True),
        ("glass in the baseboard", 1.4 / HANDS, True),
        ("cures", 12 * WARM_RESIN, False),
        ("open the mould", 1.8 / HANDS, True),
        ("clean and check the glove", 1.2 / 2.5 / HANDS, True),
    )
    return [(f"Cast {n}: {what}", "casts", hours, attended) for what, hours, attended in tasks]


MOULD = [
    ("Build and seal the wall", "wall", 3 / 0.5 / HANDS, True),
    ("Seal and release the master", "wall", 1.2 / 4 / HANDS, True),
    *of_piece("left piece", 7, 0.8, 1.1),
    ("Take the wall away, release the flange for the right piece", "wall", (1.2 + 3 * 0.05 / 4) / HANDS, True),
    *of_piece("right piece", 5, 0.5, 0.7),
    ("Drill and bolt the flange", "jacket", 7 / 14 / HANDS, True),
    ("Trim the jacket", "jacket", 2 * 3 / 3 / HANDS, True),
    ("Open the mould, lift the master out", "mould", 1.8 / HANDS, True),
    ("Clean the glove and jacket", "mould", 1.2 / 2.5 / HANDS, True),
]
CASTS = of_cast(1) + of_cast(2)
# (task, stage, hours, the wait it goes into, or "" for the end)
SPARE = [
    *((f"Cradle for the {n} piece", "cradle", 3 * 0.6 / HANDS, f"Jacket cures, {n} piece") for n in ("left", "right")),
    ("Cast 1: clean up the joint", "casts", 2.5 / 0.9 / HANDS, "Cast 2: gelcoat sets"),
    ("Cast 2: clean up the joint", "casts", 2.5 / 0.9 / HANDS, ""),
]


def test_hours_of_every_task_by_hand() -> None:
    made = programme()
    ledger = {name: (stage, hours, HANDS if attended else 0) for name, stage, hours, attended in MOULD + CASTS}
    ledger |= {name: (stage, hours, HANDS) for name, stage, hours, _ in SPARE}
    hours: dict[str, float] = defaultdict(float)  # work may be broken off at midnight
    for task in made.tasks:
        hours[task.name] += task.duration_h
        assert (task.stage, task.hands) == ledger[task.name][::2], task.name
    assert hours == pytest.approx({name: row[1] for name, row in ledger.items()})
    for stages, person_hours in ((False, made.mould_person_hours), (True, made.run_person_hours)):
        by_hand = sum(row[1] * row[2] for row in ledger.values() if (row[0] == "casts") is stages)
        assert person_hours == pytest.approx(by_hand)


def begun(made: Programme) -> dict[str, float]:
    """When each task starts first."""
    return {task.name: task.start_h for task in reversed(made.tasks)}


def test_round_the_clock_one_thing_follows_another() -> None:
    made = programme()
    start = begun(made)
    chain = MOULD + CASTS
    sums = [0.0, *itertools.accumulate(hours for _, _, hours, _ in chain)]
    for (name, *_), when in zip(chain, sums, strict=False):
        assert start[name] == pytest.approx(when), name
    for name, _, hours, wait in SPARE:
        if wait == "Cast 2: gelcoat sets":  # 0.93 h in a wait of 1.06
            assert hours < 1.5 * WARM_RESIN
        assert start[name] == pytest.approx(start[wait] if wait else sums[-1]), name


def test_each_batch_names_the_day_of_its_first_pot() -> None:
    made = programme(replace(BRIEF, run=replace(RUN, hours_per_day=8.0)))
    uses = {"jacket laminate": "Lay up the jacket, {}", "gelcoat": "Cast 1: gelcoat in the open halves"}
    uses["cast laminate"] = "Cast 1: lay up the halves"
    for batch in made.batches:
        task = uses.get(batch.coat, batch.coat.capitalize() + ", {}").format(batch.piece)
        assert batch.first_day == min(t.day for t in made.tasks if t.name == task), task
    assert made.batches[0].first_day == 1
    assert made.batches[-1].first_day > made.batches[0].first_day


@pytest.mark.parametrize("casts", [1, 2, 5])
def test_days_and_their_range_by_hand(casts: int) -> None:
    made = programme(replace(BRIEF, run=replace(RUN, casts=casts)))

    def days(pace: float) -> tuple[int, int]:
        """Waits are not sped up; the last cast's joint is cleaned after all."""
        mould = sum(hours * (pace if attended else 1.0) for _, _, hours, attended in MOULD)
        one = sum(hours * (pace if attended else 1.0) for _, _, hours, attended in of_cast(1))
        spare = pace * 2.5 / 0.9 / HANDS
        assert spare < (1.5 + 12) * WARM_RESIN, "the joint before goes into the next cast's waits"
        end = mould + casts * one + spare
        return math.ceil(mould / 24), math.ceil(end / 24) - int(mould // 24)

    assert (made.mould_days, made.run_days) == days(1.0)
    assert made.mould_days_range[0] < made.mould_days_range[1]
    assert made.mould_days_range == (days(0.1)[0], days(1.9)[0])
    assert made.run_days_range == (days(0.1)[1], days(1.9)[1])


def test_notes_of_pots_and_glass() -> None:
    notes = {task.name: task.note for task in programme().tasks}
    assert notes["Print coat, left piece"] == "4 x 0.24 kg, 12 g of it catalyst"
    assert notes["Cradle for the left piece"] == "taken as 3 boards"
    jacket_pots = pots(("jacket laminate", "left piece"))
    assert notes["Lay up the jacket, left piece"] == (
        f"1.1 kg of glass; resin in {jacket_pots} x {2.652 / jacket_pots:.2f} kg"
    )
    cast_pots, gel_pots = pots(("cast laminate", "each cast")), pots(("gelcoat", "each cast"))
    assert notes["Cast 2: lay up the halves"] == f"2.2 kg of glass; resin in {cast_pots} x {5.304 / cast_pots:.2f} kg"
    catalyst = f"{22 / gel_pots:.0f} g of it catalyst"  # 2 % of 1.1 kg
    assert notes["Cast 1: gelcoat in the open halves"] == f"{gel_pots} x {1.122 / gel_pots:.2f} kg, {catalyst}"


def test_a_cast_without_a_board_has_none_glassed_in() -> None:
    made = programme(poured=cast_record(baseboard_halves_mm=()))
    assert not any("baseboard" in task.name for task in made.tasks)


def test_a_filling_coat_goes_on_like_a_build_coat() -> None:
    glove = rubber()
    fill = Coat("lock fill", 0.0, 1e6, True)
    parts = tuple(replace(p, lock_fill_mm3=5e5) for p in glove.parts)
    whole = Interval(5.2e6, 5.2e6, 5.2e6, ())
    made = programme(glove=replace(glove, coats=(*glove.coats, fill), parts=parts, volume_mm3=whole))
    batch = next(b for b in made.batches if b.coat == "lock fill" and b.piece == "right piece")
    # the bundled catalogue's build coat of 2 mm: 2 m² x 2 mm x 1.08 kg/dm³ an hour
    assert batch.brushing_min == pytest.approx(batch.batch_kg / (2.0 * 2.0 * 1.08) * 60)
    assert batch.batches * batch.batch_kg == pytest.approx(0.5 * 1.08)


# --- limits --------------------------------------------------------------------------------------------------


def test_a_minute_to_brush_in_is_enough_and_none_is_not() -> None:
    made = split_into_batches("coat", "piece", 0.1, 6.0, 8.0, 0.05, catalogue())  # 0.75 x 8 less 5: one minute
    assert made.batches == 1
    assert split_into_batches("coat", "piece", 0.101, 6.0, 8.0, 0.05, catalogue()).batches == 2
    with pytest.raises(PlanImpossible, match="sets in 7 min"):
        split_into_batches("coat", "piece", 0.1, 6.0, 20 / 3, 0.05, catalogue())
    none = split_into_batches("coat", "piece", 0.0, 6.0, 8.0, 0.05, catalogue())
    assert (none.batches, none.batch_kg, none.brushing_min, none.catalyst_g) == (0, 0.0, 0.0, 0.0)


def test_day_one_is_moved_to_monday_and_said() -> None:
    found, notes = first_day(Brief(run=RunBrief(start_date="2026-12-05")))
    assert found == date(2026, 12, 7)
    assert notes == ("2026-12-05 is a weekend day; work starts on 2026-12-07.",)
    assert first_day(Brief(run=RunBrief(work_weekends=True))) == (None, ())
    unsaid = first_day(Brief())
    assert unsaid == (None, ("Without a start date, day 1 is taken as a Monday.",))
    assert programme(replace(BRIEF, run=replace(RUN, work_weekends=False))).notes == unsaid[1]
    assert first_day(Brief(run=RunBrief(start_date="9000-12-31"))) == (date(9000, 12, 31), ())  # a Wednesday


def test_a_working_day_by_hand() -> None:
    # 5 h a day from a Thursday: wall 2 h, release 0.1 h; the left print coat is begun the same day and done in one go
    run = replace(RUN, hours_per_day=5.0, work_weekends=False, start_date="2026-12-03")
    made = programme(replace(BRIEF, run=run))
    start = begun(made)
    assert start["Print coat, left piece"] == pytest.approx(2.1)
    begins = 2.1 + brushed(("print coat", "left piece")) + 75 / 60 * WARM_RUBBER
    assert start["Build coat 1, left piece"] == pytest.approx(begins)
    cured = begins + brushed(("build coat 1", "left piece")) + 7 / 12 / HANDS + 24 * WARM_RUBBER
    assert 24 < cured < 29  # Friday, in working hours
    assert start["Release the rubber, left piece"] == pytest.approx(cured)
    # the jacket cures into Friday night; the cradle is made on Friday; the piece is turned on Monday
    assert start["Take the wall away, release the flange for the right piece"] == 96.0
    for task in made.tasks:
        assert task.date == (date(2026, 12, 3) + timedelta(days=task.day - 1)).isoformat()
        assert task.day == int(task.start_h // 24) + 1


def test_a_coat_of_more_than_a_day_says_so_behind_its_note() -> None:
    run = replace(RUN, hours_per_day=0.2, start_date="2026-12-03")
    note = next(task.note for task in programme(replace(BRIEF, run=run)).tasks if task.name == "Print coat, left piece")
    assert note == "4 x 0.24 kg, 12 g of it catalyst; more than a day's work: it needs more hands to be done in one go"


@pytest.mark.parametrize(
    ("celsius", "life", "words", "without"),
    [
        (10.0, "49 min", "Below 15 °C", "Above"),
        (15.0, "35 min", "common practice", "Below"),
        (30.0, "12 min", "common practice", "Above"),
        (31.0, "11 min", "Above 30 °C", "Below"),
    ],
)
def test_the_note_on_warmth(celsius: float, life: str, words: str, without: str) -> None:
    # 20 min at 23 °C, half for every 10 °C warmer: 20 x 2^1.3, 2^0.8, 2^-0.7, 2^-0.8
    made = set_programme(
        rubber(), keys(), jacket(), cast_record(), replace(BRIEF, run=replace(RUN, workshop_temperature_c=celsius)),
        read_catalogue(None),
    )  # fmt: skip
    assert f"At {celsius:g} °C" in made.temperature_note
    assert f"taken as {life} (20 min at 23 °C, half for every 10 °C" in made.temperature_note
    assert words in made.temperature_note
    assert without not in made.temperature_note


def test_work_that_cures_into_saturday_goes_on_on_monday() -> None:
    run = replace(RUN, hours_per_day=5.0, work_weekends=False, start_date="2026-12-04")  # a Friday
    start = begun(programme(replace(BRIEF, run=run)))
    assert 24 < start["Rubber cures, left piece"] + 24 * WARM_RUBBER < 48
    assert start["Release the rubber, left piece"] == 72.0


def test_the_last_minutes_of_a_day_are_worked() -> None:
    # the wall takes 2 h; of 2.04 that leaves 0.04 h for the release's 0.1
    run = replace(RUN, hours_per_day=2.04, work_weekends=True, start_date="2026-12-03")
    tasks = programme(replace(BRIEF, run=run)).tasks
    release = [(t.start_h, t.duration_h) for t in tasks if t.name == "Seal and release the master"]
    assert release == [pytest.approx((2.0, 0.04)), pytest.approx((24.0, 0.06))]


def test_rates_known_for_sure_leave_no_range() -> None:
    stuff = catalogue()
    stuff = replace(stuff, rates=replace(stuff.rates, rate_uncertainty=0.0))
    run = replace(RUN, hours_per_day=5.0, work_weekends=False, start_date="2026-12-03")
    made = set_programme(rubber(), keys(), jacket(), cast_record(), replace(BRIEF, run=run), stuff)
    assert made.mould_days_range == (made.mould_days,) * 2
    assert made.run_days_range == (made.run_days,) * 2
    # day 1 a Thursday: the weekend is among them
    from_monday = set_programme(
        rubber(), keys(), jacket(), cast_record(), replace(BRIEF, run=replace(run, start_date=None)), stuff
    )
    assert from_monday.mould_days == made.mould_days - 2


def test_spare_work_longer_than_a_wait_goes_on_in_the_next() -> None:
    # cleaning the joint takes 2.5 / 0.3 / 3 = 2.78 h; cast 2's gelcoat sets for 1.06
    stuff = catalogue()
    stuff = replace(stuff, rates=replace(stuff.rates, finish_m_h=0.3))
    tasks = set_programme(rubber(), keys(), jacket(), cast_record(), BRIEF, stuff).tasks
    start = {task.name: task.start_h for task in reversed(tasks)}
    sets = 1.5 * WARM_RESIN
    done = [(t.start_h, t.duration_h) for t in tasks if t.name == "Cast 1: clean up the joint"]
    first = start["Cast 2: gelcoat sets"]
    assert done[0] == pytest.approx((first, sets))
    assert start["Cast 2: lay up the halves"] == pytest.approx(first + sets), "the cast does not wait for it"
    rest = [start_h for start_h, _ in done[1:]]
    assert rest[0] == pytest.approx(start["Cast 2: cures"])
    assert sum(hours for _, hours in done) == pytest.approx(2.5 / 0.3 / HANDS)


def test_waits_under_an_hour_are_kept_and_used() -> None:
    # at 30 °C gelcoat sets in half of 1.5 h; the joint before is cleaned meanwhile
    made = programme(replace(BRIEF, run=replace(RUN, workshop_temperature_c=30.0)))
    sets = next(t for t in made.tasks if t.name == "Cast 2: gelcoat sets")
    assert sets.duration_h == pytest.approx(0.75)
    assert begun(made)["Cast 1: clean up the joint"] == pytest.approx(sets.start_h)
    assert begun(made)["Cast 2: lay up the halves"] == pytest.approx(sets.start_h + 0.75)


def test_a_coat_that_no_longer_fits_the_day_waits_for_the_next() -> None:
    # 2.3 h a day: wall and release take 2.1, the print coat 0.39
    run = replace(RUN, hours_per_day=2.3, work_weekends=True, start_date="2026-12-03")
    tasks = programme(replace(BRIEF, run=run)).tasks
    (coat,) = (t for t in tasks if t.name == "Print coat, left piece")
    assert (coat.start_h, coat.duration_h) == pytest.approx((24.0, brushed(("print coat", "left piece"))))
    assert "more hands" not in coat.note


LINES = (
    (("Build and seal", "Seal and release"), "Wall and release, left piece"),
    (("Take the wall away",), "Wall and release, right piece"),
    (("Drill", "Trim", "Open the mould", "Clean the glove and"), "Bolt, trim, open, clean"),
    (("Cast 1",), "Cast 1"),
    (("Cast 2",), "Cast 2"),
    *(
        row
        for piece in ("left piece", "right piece")
        for row in (
            ((f"Cradle for the {piece}",), f"Cradle for the {piece}"),
            (
                (f"Release the rubber, {piece}", f"Lay up the jacket, {piece}", f"Jacket cures, {piece}"),
                f"Jacket, {piece}",
            ),
            (
                (
                    f"Print coat, {piece}",
                    f"Print coat sets, {piece}",
                    f"Build coat 1, {piece}",
                    f"Rubber cures, {piece}",
                ),
                f"Rubber, {piece}",
            ),
        )
    ),
    (("Set 7 keys",), "Rubber, left piece"),
    (("Set 5 keys",), "Rubber, right piece"),
)


@pytest.mark.parametrize("hours", [5.0, 24.0])
def test_every_task_stands_on_its_line(hours: float) -> None:
    made = programme(replace(BRIEF, run=replace(RUN, hours_per_day=hours)))
    for task in made.tasks:
        (line,) = {line for starts, line in LINES if task.name.startswith(starts)}
        assert task.line == line, task.name


@pytest.mark.parametrize("hours", [5.0, 8.0])
@pytest.mark.parametrize("casts", [1, 3])
def test_days_are_counted_from_the_first_task_to_the_last(hours: float, casts: int) -> None:
    made = programme(replace(BRIEF, run=replace(RUN, hours_per_day=hours, casts=casts)))
    run = [task for task in made.tasks if task.stage == "casts"]
    mould = [task for task in made.tasks if task.stage != "casts"]
    assert run[0].day > mould[-1].day or run[0].start_h >= mould[-1].start_h
    assert made.mould_days == max(task.day for task in mould if task.hands)
    assert made.run_days == max(task.day for task in run if task.hands) - run[0].day + 1


def test_gelcoat_is_brushed_in_one_go() -> None:
    # 16 pots of 0.07 kg by three: six rounds of 5 + 2.87 min are 0.79 h, all of it on one day of 0.9
    long = brushed(("gelcoat", "each cast"))
    assert 0.7 < long < 0.9
    run = replace(RUN, hours_per_day=0.9, casts=4)
    tasks = programme(replace(BRIEF, run=run)).tasks
    for n in (1, 2, 3, 4):
        (coat,) = (t for t in tasks if t.name == f"Cast {n}: gelcoat in the open halves")
        assert coat.duration_h == pytest.approx(long)
