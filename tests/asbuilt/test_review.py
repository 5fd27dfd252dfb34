"""Logs made from known factors, read back: planned beside used, the next brief, the mould's life, what is to buy."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from mouldloft.asbuilt.blank import blank_csv, blank_log
from mouldloft.asbuilt.review import planned_cast, planned_coats, review_lines, review_log
from mouldloft.asbuilt.runlog import CastEntry, CoatEntry, MarksEntry, RunLog, read_log
from mouldloft.base.errors import BriefRefused
from mouldloft.base.intervals import as_observed, interval_of
from mouldloft.inputs.brief import Brief, brief_from_dict, read_brief
from mouldloft.inputs.brieftext import brief_text
from mouldloft.outputs.logpage import log_page


def made_log(plan, rubber=1.2, weight=1.05, casts=3, noise=0.03, seed=0):
    rng = np.random.default_rng(seed)

    def around(value):
        return float(value * (1 + noise * rng.normal()))

    coats = tuple(
        CoatEntry(piece, coat, around(rubber * kilograms), temperature_c=14.0)
        for (piece, coat), (kilograms, _) in planned_coats(plan).items()
    )
    planned = planned_cast(plan)
    return RunLog(
        coats,
        tuple(
            CastEntry(
                k, weight_kg=around(weight * planned["weight_kg"]), gelcoat_kg=around(1.1 * planned["gelcoat_kg"])
            )
            for k in range(1, casts + 1)
        ),
        (MarksEntry("crown to foot", 1000.0, 997.0), MarksEntry("ear to ear", 500.0, 498.4)),
    )


def briefed(plan, **parts):
    """The stand-in plan under a brief with other parts."""
    return SimpleNamespace(**{**vars(plan), "brief": replace(plan.brief, **parts)})


def reading(review, what):
    return next(each for each in review.readings if each.what.startswith(what))


def test_known_factors_come_back_with_their_number(small):
    log = made_log(small)
    review = review_log(small, log)
    rubber = reading(review, "Rubber").factor
    assert rubber.low < 1.2 < rubber.high
    assert rubber.observations == len(log.coats)
    assert reading(review, "Gelcoat").factor.likely == pytest.approx(1.1, abs=0.06)
    assert reading(review, "Weight").factor.likely == pytest.approx(1.05, abs=0.06)
    assert review.shrinkage.likely == pytest.approx((0.003 + 0.0032) / 2)


def test_the_next_brief_holds_what_enough_entries_say_and_reads_back(small, tmp_path):
    review = review_log(small, made_log(small))
    seen = review.brief.observed
    assert seen.gelcoat == pytest.approx(reading(review, "Gelcoat").factor.likely, abs=1e-3)
    assert seen.gelcoat_entries == 3
    assert 0 < seen.gelcoat_uncertainty < 0.3
    assert seen.resin == 1.0  # nobody weighed it
    (tmp_path / "next.toml").write_text(brief_text(review.brief, "from a log"))
    assert read_brief(tmp_path / "next.toml") == review.brief


def test_two_casts_say_too_little(small):
    review = review_log(small, made_log(small, casts=2))
    assert review.brief.observed.gelcoat == 1.0
    assert any("only 2 entries" in words for words in review.corrected)


def test_a_second_run_corrects_the_first_correction(small):
    """Planned with factor 1.2 and used 1.1 of that: the next brief says 1.32."""
    once = briefed(small, observed=replace(small.brief.observed, gelcoat=1.2))
    planned = planned_cast(once)["gelcoat_kg"]
    assert planned == pytest.approx(1.2 * small.cast.gelcoat_kg)
    log = RunLog(casts=tuple(CastEntry(k, gelcoat_kg=1.1 * planned) for k in (1, 2, 3)))
    assert review_log(once, log).brief.observed.gelcoat == pytest.approx(1.32)


def test_the_mould_nears_its_end_by_casts_or_by_tears(small):
    life = small.takeoff.mould_life_casts
    few = review_log(small, RunLog(casts=(CastEntry(1),)))
    assert not few.life.near
    torn = review_log(small, RunLog(casts=(CastEntry(1, tears=1), CastEntry(2, tears=1))))
    assert torn.life.near
    many = review_log(small, RunLog(casts=tuple(CastEntry(k) for k in range(1, int(np.ceil(0.75 * life)) + 1))))
    assert many.life.near


def test_what_is_left_to_buy_is_what_the_packs_no_longer_hold(small):
    """A run of four, 1.4 kg of gelcoat each: 6.16 kg with a tenth of waste, bought as 7 kg. The first cast took three
    times its share, 4.2 kg; the three to come need 3 x 1.4 x 1.1 = 4.62 kg and 2.8 kg are left."""
    gelcoat = small.catalogue.gelcoat_for(small.brief.materials)
    line = replace(
        small.takeoff.lines[-1], code=gelcoat.code, buy=7.0, waste_fraction=0.1, by_stage=(("casts", 4 * 1.4),)
    )
    plan = briefed(small, run=replace(small.brief.run, casts=4, trial_cast="first"))
    plan.takeoff = replace(small.takeoff, lines=(line,))
    log = RunLog(casts=(CastEntry(1, gelcoat_kg=3 * plan.cast.gelcoat_kg),))
    (item,) = review_log(plan, log).buy
    assert (item.need, item.left) == pytest.approx((4.62, 2.8))
    assert sum(size * count for size, count in item.packs) >= 1.82
    assert item.cost > 0
    (enough,) = review_log(plan, RunLog(casts=(CastEntry(1, gelcoat_kg=plan.cast.gelcoat_kg),))).buy
    assert enough.packs == ()


def test_a_complete_run_buys_nothing(small):
    log = RunLog(casts=tuple(CastEntry(k) for k in range(1, small.brief.run.casts + 1)))
    review = review_log(small, log)
    assert review.life.to_come == 0
    assert review.buy == ()
    assert any("run is complete" in line for line in review_lines(review))


@pytest.mark.parametrize(
    ("entry", "words"),
    [
        (lambda p, c: CoatEntry("middle piece", c, 1.0), "the plan's pieces are"),
        (lambda p, c: CoatEntry(p, "build coat 99", 1.0), "its coats are"),
        (lambda p, c: CoatEntry(p, c, 4000.0), "check its unit"),
    ],
)
def test_a_log_of_another_job_or_in_grams_gets_one_sentence(small, entry, words):
    piece, coat = next(iter(planned_coats(small)))
    with pytest.raises(BriefRefused, match=words) as refused:
        review_log(small, RunLog(coats=(entry(piece, coat),)))
    assert "\n" not in str(refused.value)


def test_the_blank_log_is_filled_by_taking_comments_off(small, tmp_path):
    text = blank_log(small)
    piece, coat = next(iter(planned_coats(small)))
    filled = text.replace("# [[coat]]", "[[coat]]", 1).replace("# piece", "piece", 1).replace("# coat =", "coat =", 1)
    filled = filled.replace("# rubber_kg =", "rubber_kg = 1.5", 1)
    (tmp_path / "log.toml").write_text(filled)
    assert read_log(tmp_path / "log.toml").coats == (CoatEntry(piece, coat, 1.5),)


def test_rows_of_the_blank_table_that_nobody_filled_are_passed_over(small, tmp_path):
    rows = blank_csv(small).splitlines()
    at = next(k for k, row in enumerate(rows) if row.startswith("cast"))
    cells = rows[at].split(",")
    cells[rows[0].split(",").index("weight_kg")] = "12.5"
    rows[at] = ",".join(cells)
    (tmp_path / "log.csv").write_text("\n".join(rows))
    log = read_log(tmp_path / "log.csv")
    assert log == RunLog(casts=(CastEntry(1, weight_kg=12.5),))
    (tmp_path / "empty.csv").write_text(blank_csv(small))
    with pytest.raises(BriefRefused, match="empty"):
        read_log(tmp_path / "empty.csv")


def test_the_page_shows_every_entry_and_escapes_words(small):
    log = made_log(small)
    page = log_page(briefed(small, piece="<b>Hare</b>"), review_log(small, log))
    assert page.count("<circle") == len(log.coats) + 2 * len(log.casts)
    assert "<b>Hare" not in page
    assert "http" not in page.replace("http-equiv", "")


def test_every_brief_comes_back_from_its_text(tmp_path):
    given = {
        "piece": 'Hare "on\ttop" \u007f ü',
        "job": {"studio": "Ålder & Söhne\\n"},
        "rubber": {"handling_points_mm": [[0.0, -1.5, 2.0]]},
        "keys": {"own_keys": [["left piece", 1.0, 2.0, 3.0]]},
        "run": {"casts": 9, "start_date": "2027-03-01", "work_weekends": True},
        "seam": {"pieces": "as proposed"},
    }
    brief = brief_from_dict(given)
    (tmp_path / "b.toml").write_text(brief_text(brief), encoding="utf-8")
    assert read_brief(tmp_path / "b.toml") == brief
    (tmp_path / "plain.toml").write_text(brief_text(Brief()))
    assert read_brief(tmp_path / "plain.toml") == Brief()


def test_what_was_logged_takes_the_place_of_the_plans_causes():
    planned = interval_of(10.0, (("brushing by hand", 0.2),))
    assert as_observed(planned, 1.2, None).high == pytest.approx(14.4)
    logged = as_observed(planned, 1.2, 0.05)
    assert (logged.low, logged.likely, logged.high) == pytest.approx((11.4, 12.0, 12.6))
