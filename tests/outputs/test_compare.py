"""Plans side by side, and the summary of one: figures against the records they come from."""

from __future__ import annotations

import base64
import re
from dataclasses import replace
from html.parser import HTMLParser
from types import SimpleNamespace

import pytest
from mouldloft.base.errors import BriefRefused, OutputRefused
from mouldloft.base.intervals import Interval
from mouldloft.outputs.compare import Row, compare_plans, comparison_html, comparison_text, write_comparison
from mouldloft.outputs.summary import caution_lines, summary_rows, summary_text
from mouldloft.stages.cautions import SHEET, Caution
from synthetic_plan import small_plan as figure_plan


def changed(plan, **parts):
    return SimpleNamespace(**{**vars(plan), **parts})


@pytest.fixture(scope="module")
def plan():
    return figure_plan()


@pytest.fixture(scope="module")
def other(plan):
    """The same with half the undercut fill, a dearer order and another brief."""
    halved = tuple(replace(part, lock_fill_mm3=part.lock_fill_mm3 / 2) for part in plan.rubber.parts)
    return changed(
        plan,
        rubber=replace(plan.rubber, parts=halved),
        takeoff=replace(plan.takeoff, total_cost=plan.takeoff.total_cost * 1.25),
        brief=replace(plan.brief, run=replace(plan.brief.run, casts=12)),
    )


def row_of(comparison, what) -> Row:
    return next(row for row in comparison.rows if row.what == what)


def test_the_better_figure_is_marked(plan, other):
    comparison = compare_plans([plan, other], ["as it is", "filled less"])
    assert row_of(comparison, "Undercut fill").best == (1,)
    assert row_of(comparison, "Cost of all material").best == (0,)
    assert row_of(comparison, "Seam length").best == ()  # the same
    assert not row_of(comparison, "Seam length").differs
    assert row_of(comparison, "Casts").differs
    assert row_of(comparison, "Casts").best == ()  # more casts are not better or worse


def test_differences_are_told_largest_first(plan, other):
    told = compare_plans([plan, other]).differences()
    assert told[:2] == ("Undercut fill: 50 % less.", "Cost of all material: 25 % more.")
    assert compare_plans([other, plan]).differences()[0] == "Undercut fill: 100 % more."


def test_an_estimate_within_doubt_says_so(plan):
    v = plan.rubber.volume_mm3

    def with_rubber(factor):
        scaled = Interval(v.low * factor, v.likely * factor, v.high * factor, v.causes)
        return changed(plan, rubber=replace(plan.rubber, volume_mm3=scaled))

    # intervals run from 0.9 to 1.15 times the likely: they meet at 1.1 times, not at 1.4 times
    near = compare_plans([plan, with_rubber(1.1)])
    assert row_of(near, "Rubber").overlap
    assert row_of(near, "Rubber").best == ()  # not sure, so neither is ticked
    assert near.differences() == ("Rubber: 10 % more, within what the estimates leave open.",)
    assert not row_of(compare_plans([plan, with_rubber(1.4)]), "Rubber").overlap


def test_other_currencies_are_not_ranked(plan):
    pounds = changed(plan, takeoff=replace(plan.takeoff, currency="GBP", total_cost=1.0))
    row = row_of(compare_plans([plan, pounds]), "Cost of all material")
    assert row.best == ()
    assert row.words[1].endswith("GBP")


def test_three_plans_and_ties(plan, other):
    comparison = compare_plans([plan, other, other])
    assert row_of(comparison, "Undercut fill").best == (1, 2)
    assert comparison.differences() == ()
    assert comparison.names == ("Garden figure (1)", "Garden figure (2)", "Garden figure (3)")


def test_refusals(plan):
    with pytest.raises(BriefRefused, match="two plans or more"):
        compare_plans([plan])
    with pytest.raises(BriefRefused, match="one name for each plan"):
        compare_plans([plan, plan], ["one"])


def test_text_stands_in_columns(plan, other):
    lines = comparison_text(compare_plans([plan, other], ["first", "second"])).splitlines()
    start = lines[0].index("second")
    for line in lines[2:28]:
        assert line[start - 2 : start] == "  " or len(line) < start
        assert len(line) > start
    assert next(line for line in lines if line.startswith("Undercut fill")).endswith("*")


def test_html_escapes_and_stands_alone(plan, other, tmp_path):
    name = '<script>alert(1)</script> & "co"'
    page = write_comparison(compare_plans([plan, other], [name, "plain"]), tmp_path / "c.html").read_text("utf-8")
    assert "<script" not in page
    assert "&lt;script&gt;alert(1)&lt;/script&gt; &amp; &quot;co&quot;" in page
    assert "http" not in page.replace("http-equiv", "")

    found: list[str | None] = []

    class Cells(HTMLParser):
        def handle_starttag(self, tag, attributes):
            if tag == "td":
                found.append(dict(attributes).get("class"))

    Cells().feed(page)
    comparison = compare_plans([plan, other])
    assert len(found) == 2 * len(comparison.rows)
    assert found.count("best") == sum(len(row.best) for row in comparison.rows)
    assert comparison_html(comparison) == comparison_html(comparison)


def test_portraits_head_their_columns(plan, other):
    comparison = compare_plans([plan, other], ["a", "b<"])
    page = comparison_html(comparison, [b"first", b"second"])
    row = page[page.index("<thead>") : page.index("</thead>")]
    pictures = re.findall(r'<img alt="(.*?)" src="data:image/jpeg;base64,(.*?)">', row)
    assert [(name, base64.b64decode(held)) for name, held in pictures] == [("a", b"first"), ("b&lt;", b"second")]
    assert "<img" not in comparison_html(comparison)


def test_comparison_is_written_as_asked(plan, other, tmp_path):
    comparison = compare_plans([plan, other])
    assert write_comparison(comparison, tmp_path / "c.txt").read_text("utf-8") == comparison_text(comparison) + "\n"
    with pytest.raises(OutputRefused):
        write_comparison(comparison, tmp_path / "none" / "c.html")


# --- the summary of one plan -----------------------------------------------------------------------------


def test_summary_says_what_the_records_say(plan):
    rows = dict(summary_rows(plan))
    # by definition: 1 cm² = 100 mm², 1 l = 1e6 mm³
    assert f"{plan.locks.rigid_area_mm2 / 100:.0f} cm²" in rows["Undercuts"]
    # what is brushed and bought, not the hollow under it: the glove's own sum by cause
    assert f"{sum(part.lock_fill_mm3 for part in plan.rubber.parts) / 1e6:.2f} l" in rows["Undercut fill"]
    assert f"{plan.seam.length_mm / 1000:.2f} m" in rows["Seam"]
    assert f"{plan.rubber.volume_mm3.likely / 1e6:.2f} l" in rows["Rubber"]
    part = plan.rubber.parts[0]
    assert rows["  left piece"].startswith(f"{part.total_mm3 / 1e6:.2f} l = skin {part.skin_mm3 / 1e6:.2f}")
    assert f"{plan.jacket.pieces[1].mass_kg:.2f} kg" in rows["Jacket, right piece"]
    assert rows["Material"].startswith("460")  # 459.50, in whole units


def test_summary_shouts_what_fails(plan):
    check = replace(plan.keys.checks[0], holds=False, reason="the left piece can slide upwards")
    piece = plan.jacket.pieces[0]
    weak = replace(piece, checks=(replace(piece.checks[0], passes=False),))
    bad = changed(
        plan,
        keys=replace(plan.keys, checks=(check, *plan.keys.checks[1:])),
        jacket=replace(plan.jacket, pieces=(weak, *plan.jacket.pieces[1:])),
        cast=replace(plan.cast, comes_out=False),
    )
    text = summary_text(bad)
    assert "NOT held: the left piece can slide upwards" in text
    assert f"WEAK: {piece.checks[0].what}" in text
    assert "does NOT come out" in text


def test_cautions_are_short_and_defer(plan):
    cautions = (
        Caution("styrene vapour", "Long words on styrene.", SHEET),
        Caution("solvents", "Long words on solvents.", SHEET),
        Caution("tipping", "A push can tip it.", "local codes"),
    )
    lines = caution_lines(changed(plan, cautions=cautions))
    assert lines[0].startswith("Styrene vapour and solvents: read each product's safety data sheet")
    assert lines[1] == "A push can tip it."
    assert lines[-1] == f"What decides: {SHEET}; local codes."


def test_summary_of_a_planned_hare_fits_one_screen(small_plan):
    text = summary_text(small_plan)
    assert len(text.splitlines()) <= 32
    for caution in small_plan.cautions:
        assert caution.sentence in text or caution.hazard in text.lower()
