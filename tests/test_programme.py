"""The programme: batches by hand, waits by the temperature rule, a calendar checked by numpy's business days."""

from __future__ import annotations

import itertools
import math
from collections import defaultdict
from dataclasses import replace
from datetime import date

import numpy as np
import pytest
from mouldloft.base.errors import BriefRefused, PlanImpossible
from mouldloft.inputs.brief import Brief, RunBrief
from mouldloft.inputs.catalogue import Catalogue, read_catalogue
from mouldloft.stages.cast import Cast, lay_up_cast
from mouldloft.stages.programme import (
    Programme,
    Task,
    bolt_count,
    first_day,
    programme_assumptions,
    set_programme,
    split_into_batches,
)
from mouldloft.stages.rubber.record import Coat
from trade_bodies import box, jacket_of, keys_of, locks_of, rubber_of, seam_of


@pytest.fixture(scope="module")
def catalogue() -> Catalogue:
    return read_catalogue(None)


@pytest.fixture(scope="module")
def cast(catalogue: Catalogue) -> Cast:
    line = np.array([[0.0, 0, 0], [0, 0, 1000], [0, 300, 1000], [0, 300, 0]])
    return lay_up_cast(box(400, 300, 1000), seam_of(line), locks_of(), Brief(), catalogue)


def programme_of(catalogue: Catalogue, cast: Cast, rubber=None, jacket=None, **run) -> Programme:
    brief = Brief(run=RunBrief(**run))
    return set_programme(rubber or rubber_of(), keys_of(), jacket or jacket_of(), cast, brief, catalogue)


# --- batches -----------------------------------------------------------------------------------------------


def test_a_batch_by_hand(catalogue: Catalogue) -> None:
    # catalogue: four fifths of 30 min with the brush in it, less 4 min of mixing: 20 min at 6 kg/h are 2 kg
    made = split_into_batches("coat", "piece", 5.0, 6.0, 30.0, 0.05, catalogue)
    assert made.batches == 3
    assert math.isclose(made.batch_kg, 5 / 3)
    assert math.isclose(made.brushing_min, 5 / 3 / 6 * 60)
    assert math.isclose(made.catalyst_g, 5 / 3 * 50)
    assert made.brushing_min + catalogue.rates.mixing_min <= 30.0 * catalogue.rates.usable_pot_life


def test_no_batch_over_the_limit_and_none_of_nothing(catalogue: Catalogue) -> None:
    made = split_into_batches("coat", "piece", 12.0, 1000.0, 60.0, 0.05, catalogue)
    assert (made.batches, made.batch_kg) == (3, 4.0)
    assert split_into_batches("coat", "piece", 0.0, 6.0, 30.0, 0.05, catalogue).batches == 0


def test_a_mix_that_sets_while_it_is_stirred_is_refused(catalogue: Catalogue, cast: Cast) -> None:
    with pytest.raises(PlanImpossible, match=r"print coat sets in 4 min.*cool the workshop"):
        programme_of(catalogue, cast, workshop_temperature_c=45.0)


def test_batches_make_up_the_rubber_and_its_catalyst(catalogue: Catalogue, cast: Cast) -> None:
    rubber = rubber_of()
    made = programme_of(catalogue, cast, rubber)
    coats = {coat.name for coat in rubber.coats}
    poured = [b for b in made.batches if b.coat in coats]
    assert len(poured) == len(rubber.coats) * 2
    mass = sum(b.batches * b.batch_kg for b in poured)
    assert math.isclose(mass, 1e6 * 8.0 * 1.08e-6, rel_tol=1e-9)  # area x thickness x 1.08 kg/dm³
    # 5 parts to 100 of base are 5/105 of the mix
    assert math.isclose(sum(b.batches * b.catalyst_g for b in poured), mass * 1000 * 5 / 105, rel_tol=1e-9)
    (gelcoat,) = (b for b in made.batches if b.coat == "gelcoat")
    assert math.isclose(gelcoat.batches * gelcoat.batch_kg, cast.gelcoat_kg * 1.02, rel_tol=1e-9)


def test_a_filling_coat_takes_what_each_piece_still_lacks(catalogue: Catalogue, cast: Cast) -> None:
    base = rubber_of()
    first = replace(base.parts[0], lock_fill_mm3=base.parts[0].lock_fill_mm3 + 6e5)
    filling = Coat("lock fill, edges and flange", 0.0, 6e5, True)
    more = replace(base.volume_mm3, likely=base.volume_mm3.likely + 6e5)
    rubber = replace(base, coats=(*base.coats, filling), parts=(first, base.parts[1]), volume_mm3=more)
    made = programme_of(catalogue, cast, rubber)
    left, right = (sum(b.batches * b.batch_kg for b in made.batches if b.piece == p and "coat" in b.coat) for p in
                   ("left piece", "right piece"))  # fmt: skip
    assert math.isclose(left, right, rel_tol=1e-9)  # the skins are alike
    fill = {b.piece: b.batches * b.batch_kg for b in made.batches if b.coat == filling.name}
    assert math.isclose(fill["left piece"], 6e5 * 1.08e-6, rel_tol=1e-9)
    assert fill["right piece"] == 0


def test_warmth_shortens_pot_life_waits_and_cures_by_the_rule(catalogue: Catalogue, cast: Cast) -> None:
    # common practice, no source: half for every 10 °C warmer
    cool, warm = (programme_of(catalogue, cast, workshop_temperature_c=t) for t in (13.0, 23.0))
    assert math.isclose(cool.batches[0].pot_life_min, 40.0)
    assert math.isclose(warm.batches[0].pot_life_min, 20.0)

    def wait(programme: Programme, words: str) -> float:
        return next(t.duration_h for t in programme.tasks if words in t.name and t.hands == 0)

    for words in ("Rubber cures", "Print coat sets", "Jacket cures", "gelcoat sets"):
        assert math.isclose(wait(cool, words), 2 * wait(warm, words), rel_tol=1e-9)
    assert math.isclose(wait(warm, "Print coat sets"), 75 / 60)
    assert "never cure through" in cool.temperature_note
    assert "common practice" in warm.temperature_note
    assert "never cure through" not in warm.temperature_note


def test_bolts_shared_by_pieces_are_counted_once() -> None:
    assert bolt_count(jacket_of(bolts=18)) == 18
    apart = jacket_of(bolts=18)
    moved = tuple((x + 500.0, y, z) for x, y, z in apart.pieces[1].bolts_mm)
    assert bolt_count(replace(apart, pieces=(apart.pieces[0], replace(apart.pieces[1], bolts_mm=moved)))) == 36
    assert bolt_count(jacket_of(bolts=0)) == 0


# --- calendar ----------------------------------------------------------------------------------------------


def attended(programme: Programme) -> list[Task]:
    return [t for t in programme.tasks if t.hands > 0]


def check_calendar(programme: Programme, hours_per_day: float, weekends: bool) -> None:
    by_day: dict[int, float] = defaultdict(float)
    last_end = 0.0
    for task in attended(programme):
        assert task.day == int(task.start_h // 24) + 1
        within = task.start_h - (task.day - 1) * 24
        assert within + task.duration_h <= hours_per_day + 1e-6, f"{task.name} runs past the day"
        assert task.start_h >= last_end - 1e-6, f"{task.name} overlaps the work before it"
        last_end = task.start_h + task.duration_h
        by_day[task.day] += task.duration_h
        if task.date and not weekends:
            assert np.is_busday(np.datetime64(task.date)), f"{task.name} on a weekend, {task.date}"
    assert max(by_day.values()) <= hours_per_day + 1e-6


@pytest.mark.parametrize("hours", [3.0, 8.0, 12.0, 24.0])
@pytest.mark.parametrize("weekends", [False, True])
def test_work_keeps_to_hours_and_weekends(catalogue: Catalogue, cast: Cast, hours: float, weekends: bool) -> None:
    made = programme_of(catalogue, cast, casts=3, start_date="2026-12-03", hours_per_day=hours, work_weekends=weekends)
    check_calendar(made, hours, weekends)
    for task in made.tasks:
        assert (date.fromisoformat(task.date) - date(2026, 12, 3)).days == task.day - 1


def test_waits_are_kept(catalogue: Catalogue, cast: Cast) -> None:
    made = programme_of(catalogue, cast, casts=2, start_date="2026-12-03")
    tasks = list(made.tasks)
    chain = [t for t in tasks if not t.name.startswith("Cradle") and "clean up the joint" not in t.name]
    for before, after in itertools.pairwise(chain):
        assert after.start_h >= before.start_h + before.duration_h - 1e-6, f"{after.name} before {before.name} is done"
    assert any(t.hands == 0 and t.duration_h > 10 for t in chain)


def test_every_task_says_what_it_is_part_of(catalogue: Catalogue, cast: Cast) -> None:
    made = programme_of(catalogue, cast, casts=2)
    parts: dict[str, set[str]] = {}
    for task in made.tasks:
        parts.setdefault(task.line, set()).add(task.stage)
    by_piece = {"Wall and release": "wall", "Rubber": "glove", "Jacket": "jacket"}
    wanted = {
        f"{what}, {piece}": {stage} for what, stage in by_piece.items() for piece in ("left piece", "right piece")
    }
    wanted |= {f"Cradle for the {piece}": {"cradle"} for piece in ("left piece", "right piece")}  # done in waits
    wanted |= {"Cast 1": {"casts"}, "Cast 2": {"casts"}, "Bolt, trim, open, clean": {"jacket", "mould"}}
    assert parts == wanted
    assert all(task.name.startswith(task.line) for task in made.tasks if task.stage in ("casts", "cradle"))
    cured = [task for task in made.tasks if "Jacket cures" in task.name]
    assert {task.line for task in cured} == {"Jacket, left piece", "Jacket, right piece"}


def test_spare_work_fills_waits(catalogue: Catalogue, cast: Cast) -> None:
    made = programme_of(catalogue, cast, casts=2)
    for words in ("Cradle for the left piece", "Cast 1: clean up the joint"):
        spare = next(t for t in made.tasks if t.name == words)
        assert any(
            wait.hands == 0 and wait.start_h <= spare.start_h < wait.start_h + wait.duration_h for wait in made.tasks
        )


def test_all_work_is_in_the_calendar_whatever_the_day(catalogue: Catalogue, cast: Cast) -> None:
    whole = programme_of(catalogue, cast, casts=4, hours_per_day=24.0, work_weekends=True)
    for hours in (1.0, 5.0, 8.0):
        split = programme_of(catalogue, cast, casts=4, hours_per_day=hours)
        assert math.isclose(split.mould_person_hours, whole.mould_person_hours, rel_tol=1e-9)
        assert math.isclose(split.run_person_hours, whole.run_person_hours, rel_tol=1e-9)
        assert split.mould_days >= whole.mould_days


def test_hours_of_the_run_by_hand(catalogue: Catalogue, cast: Cast) -> None:
    made = programme_of(catalogue, cast, casts=1, hands=1)
    hours: dict[str, float] = defaultdict(float)  # a task may go on the next day
    for task in attended(made):
        hours[task.name] += task.duration_h
    assert math.isclose(hours["Cast 1: close the mould and tape the joint"], cast.joint_tape_m / 1.5, rel_tol=1e-9)
    # 1 m² of skin at 3 m²/h
    assert math.isclose(hours["Cast 1: clean and check the glove"], 1 / 3, rel_tol=1e-9)
    laminate = next(b for b in made.batches if b.coat == "cast laminate")
    by_hand = cast.glass_kg / 1.2 + laminate.batches * 4 / 60
    assert math.isclose(hours["Cast 1: lay up the halves"], by_hand, rel_tol=1e-9)


def test_a_coat_is_not_left_half_brushed(catalogue: Catalogue, cast: Cast) -> None:
    made = programme_of(catalogue, cast, rubber_of(area_mm2=3e6), hours_per_day=6.0)
    for name in ("Print coat, left piece", "Build coat 1, right piece"):
        assert sum(1 for t in made.tasks if t.name == name) == 1
    slow = programme_of(catalogue, cast, rubber_of(area_mm2=2e7), hours_per_day=2.0, hands=1)
    broken = [t for t in slow.tasks if t.name == "Print coat, left piece"]
    assert len(broken) > 1
    assert all("more hands" in t.note for t in broken)


def test_more_casts_more_days_more_hands_fewer(catalogue: Catalogue, cast: Cast) -> None:
    six = programme_of(catalogue, cast, casts=6, start_date="2026-11-30")
    one = programme_of(catalogue, cast, casts=1, start_date="2026-11-30")
    assert six.mould_days == one.mould_days
    assert six.run_days > one.run_days >= 2  # it cures overnight
    alone = programme_of(catalogue, cast, casts=6, hands=1, start_date="2026-11-30")
    assert alone.mould_days >= six.mould_days
    assert alone.run_days >= six.run_days
    assert six.run_days_range[0] <= six.run_days <= six.run_days_range[1]
    big = programme_of(catalogue, cast, rubber_of(area_mm2=8e6), jacket_of(area_mm2=5e6))
    low, high = big.mould_days_range
    assert low <= big.mould_days <= high
    assert low < high


def test_more_pieces_take_more_days(catalogue: Catalogue, cast: Cast) -> None:
    two = programme_of(catalogue, cast)
    three = programme_of(catalogue, cast, rubber_of(pieces=3), jacket_of(pieces=3))
    assert three.mould_days > two.mould_days
    assert any(t.name == "Print coat, third piece" for t in three.tasks)


@pytest.mark.parametrize(
    ("given", "weekends", "first"),
    [
        ("2026-12-05", False, date(2026, 12, 7)),  # a Saturday
        ("2026-12-06", False, date(2026, 12, 7)),
        ("2026-12-05", True, date(2026, 12, 5)),
        ("2026-12-07", False, date(2026, 12, 7)),
    ],
)
def test_day_one_is_a_working_day(given: str, weekends: bool, first: date) -> None:
    found, notes = first_day(Brief(run=RunBrief(start_date=given, work_weekends=weekends)))
    assert found == first
    assert bool(notes) is (found.isoformat() != given)


@pytest.mark.parametrize("given", ["soon", "2026-13-01", "", "01.12.2026", "9999-12-31"])
def test_a_start_date_that_is_none_is_refused(given: str) -> None:
    with pytest.raises(BriefRefused, match=r"run\.start_date"):
        first_day(Brief(run=RunBrief(start_date=given)))


def test_without_a_date_days_are_numbered(catalogue: Catalogue, cast: Cast) -> None:
    made = programme_of(catalogue, cast, casts=6)
    assert {t.date for t in made.tasks} == {""}
    assert all((t.day - 1) % 7 < 5 for t in attended(made))
    assert made.notes == ("Without a start date, day 1 is taken as a Monday.",)


def test_a_century_of_work_is_refused(catalogue: Catalogue, cast: Cast) -> None:
    with pytest.raises(PlanImpossible, match="hundred years"):
        programme_of(catalogue, cast, casts=500, hours_per_day=0.02, hands=1)


def test_its_rates_carry_marks(catalogue: Catalogue) -> None:
    assert all(a.mark for a in programme_assumptions(catalogue))
    assert any("brushing" in a.what for a in programme_assumptions(catalogue))
