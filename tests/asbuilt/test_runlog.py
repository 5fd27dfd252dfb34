"""Logs as the bench writes them, and the factors fitted to them."""

from __future__ import annotations

import numpy as np
import pytest
from mouldloft.asbuilt.rates import fit_factor
from mouldloft.asbuilt.runlog import read_log
from mouldloft.base.errors import BriefRefused
from scipy import stats

GOOD = """
[[coat]]
piece = "left piece"
coat = "print coat"
rubber_kg = 1.31
hours = 1.25
date = 2027-03-02

[[cast]]
number = 1
weight_kg = 14.2
tears = 1

[[marks]]
what = "ear tip to paw"
before_mm = 1203.0
after_mm = 1197.5
"""


def test_toml_and_csv_with_comma_or_semicolon_say_the_same(tmp_path):
    (tmp_path / "log.toml").write_text(GOOD)
    comma = "kind,piece,coat,rubber_kg,hours,date,number,weight_kg,tears,what,before_mm,after_mm\n"
    rows = (
        "coat,left piece,print coat,1.31,1.25,2027-03-02,,,,,,\n"
        "cast,,,,,,1,14.2,1,,,\nmarks,,,,,,,,,ear tip to paw,1203.0,1197.5\n"
    )
    (tmp_path / "log.csv").write_text(comma + rows)
    (tmp_path / "log2.csv").write_text((comma + rows).replace(",", ";").replace("1.31", "1,31").replace("14.2", "14,2"))
    whole = read_log(tmp_path / "log.toml")
    assert whole.coats[0].rubber_kg == 1.31
    assert whole.coats[0].date == "2027-03-02"
    assert read_log(tmp_path / "log.csv") == whole == read_log(tmp_path / "log2.csv")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "empty"),
        ("[[coat]]\npiece = 'x'\ncoat = 'y'\nrubber_kg = -1", r"\[\[coat\]\] number 1 is not right"),
        ("[[coat]]\npiece = 'x'\ncoat = 'y'\nrubber_kg = nan", r"is not right"),
        ("[[cast]]\nnumber = 1\n[[cast]]\nnumber = 1", "cast 1 twice"),
        ("[[cast]]\nnumber = 1\nwieght_kg = 3", "wieght_kg"),
        ("[[boots]]\nx = 1", "boots"),
        ("[[cast]\n", "not valid TOML"),
    ],
)
def test_bad_logs_get_one_sentence(tmp_path, text, words):
    (tmp_path / "log.toml").write_text(text)
    with pytest.raises(BriefRefused, match=words) as refused:
        read_log(tmp_path / "log.toml")
    assert "\n" not in str(refused.value)


def test_a_missing_log_and_one_with_too_many_cells_are_refused(tmp_path):
    with pytest.raises(BriefRefused, match="cannot be read"):
        read_log(tmp_path / "none.toml")
    (tmp_path / "log.csv").write_text("kind,number\ncast,1,2,3\n")
    with pytest.raises(BriefRefused, match="more cells"):
        read_log(tmp_path / "log.csv")


def test_factors_come_back_within_their_interval_95_times_of_100():
    """Over 2,000 logs of known rate 1.2 with a tenth of scatter, the interval holds the rate 95 % of the time, within
    what 2,000 tries allow (binomial), and is no wider than twice what noise and number imply."""
    rng = np.random.default_rng(4)
    for count in (3, 6, 12):
        planned = rng.uniform(0.5, 3.0, (2000, count))
        used = planned * (1.2 + 0.12 * rng.normal(size=planned.shape))
        found = [fit_factor(u, p) for u, p in zip(used, planned)]
        held = sum(f.low <= 1.2 <= f.high for f in found)
        low, high = stats.binom.interval(0.999, 2000, 0.95)
        assert low <= held <= high
        implied = 2 * stats.t.ppf(0.975, count - 1) * 0.12 / np.sqrt(count)
        assert np.mean([f.high - f.low for f in found]) < 2 * implied


def test_one_entry_gives_no_interval_and_none_no_factor():
    one = fit_factor([1.1], [1.0])
    assert (one.likely, one.low, one.high, one.observations) == (1.1, 1.1, 1.1, 1)
    assert not one.differs
    assert fit_factor([], []) is None
    assert fit_factor([2.0], [0.0]) is None
