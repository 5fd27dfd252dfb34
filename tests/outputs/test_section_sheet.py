"""The client's sheet over all sections: prices summed by hand, and what is printed read back from the file."""

from __future__ import annotations

import re
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pypdf
import pytest
from meshes import ball_on_ball
from mouldloft.base.figures import metres_or_feet, money
from mouldloft.inputs.brief import Brief, MoneyBrief, brief_from_dict
from mouldloft.inputs.catalogue import read_catalogue
from mouldloft.outputs.joined import whole_crates
from mouldloft.outputs.sections import section_table
from mouldloft.outputs.sheets import typeset
from mouldloft.outputs.sheets.sections import _paired, offer_rows, sections_sheet
from mouldloft.solids.sections import make_section_solids
from mouldloft.stages.master import prepare_master
from mouldloft.stages.sections import brief_of_part, propose_sections
from mouldloft.stages.sections.plans import PartPlan, SectionPlans
from mouldloft.trade.money import price_job
from PIL import Image
from stumbles import STUMBLES
from synthetic_plan import small_plan as figure_plan
from test_sheets import LONG_NAME, needs_poppler, word_boxes

OVERHEAD, MARGIN, CASTS = 0.1, 0.2, 6
ASKED = brief_from_dict({"run": {"casts": CASTS}, "money": {"overhead": OVERHEAD, "margin": MARGIN}})


@pytest.fixture(scope="module")
def bell():
    return propose_sections(prepare_master(*ball_on_ball(150.0, 50.0, 600.0), Brief().master, name="dumb-bell"), ASKED)


@pytest.fixture(scope="module")
def solids(bell):
    return make_section_solids(bell, ASKED.sections)


def planned(hours: float, bought: float) -> SimpleNamespace:
    """A plan whose mould takes so many hours and whose run twice as many, with so much bought for either."""
    made = figure_plan()
    work = [("wall", "wall", hours), ("casts", "casting", 2 * hours)]
    cash = price_job(
        work, ("casts",), CASTS, (bought, bought, 50.0), 5.0, (0.1, 0.1), 38.0, "EUR",
        MoneyBrief(overhead=OVERHEAD, margin=MARGIN),
    )  # fmt: skip
    catalogue = read_catalogue()
    take = replace(made.takeoff, money=cash, currency="EUR")
    return SimpleNamespace(**{**vars(made), "takeoff": take, "catalogue": catalogue, "brief": ASKED})


@pytest.fixture(scope="module")
def plans(bell):
    return SectionPlans(
        PartPlan("whole", planned(100.0, 900.0)),
        tuple(PartPlan(part.name, planned(20.0 + 10 * k, 300.0)) for k, part in enumerate(bell.parts)),
    )


def asked_for(work: float, bought: float) -> float:
    return (work * 38.0 + bought) * (1 + OVERHEAD) * (1 + MARGIN)


def test_prices_are_the_parts_offers_and_the_joints_at_the_same_margin(bell, plans):
    rows = offer_rows(bell, plans, ASKED)
    assert [row.name for row in rows] == [*(part.name for part in bell.parts), "joints between them", "crates"]
    for k, row in enumerate(rows[:2]):
        hours = 20.0 + 10 * k
        assert row.mould == pytest.approx(asked_for(hours, 300.0), abs=5.0)
        assert row.run == pytest.approx(asked_for(2 * hours, 300.0), abs=5.0)
    joints, (cut,) = rows[2], bell.cuts
    assert joints.mould == pytest.approx(asked_for(3.0, 0.0), abs=5.0)  # a cut takes 3 h
    length = cut.section.perimeter_mm / 1000
    making_good = CASTS * length * (0.67 + 0.25 + 0.25 * cut.shown)  # taped; cleaned up out of sight or on show
    assert joints.run == pytest.approx(asked_for(making_good, CASTS * 2.0 * length), abs=5.0)
    assert (joints.seam_mm, joints.on_show_mm) == (
        pytest.approx(1000 * length),
        pytest.approx(1000 * length * cut.shown),
    )


def test_joined_casts_are_crated_once(bell, plans):
    """In the van as one: parts have no crates of their own, and those of the whole are in the sum."""
    assert bell.joined_before_packing
    assert not any(brief_of_part(bell, k, ASKED).finish.crates for k in range(2))
    crates = whole_crates(bell, plans)
    assert crates.hours == CASTS * read_catalogue().rates.crate_h
    row = offer_rows(bell, plans, ASKED)[-1]
    assert row.run == pytest.approx(asked_for(crates.hours, crates.material), abs=5.0)
    price = next(line for line in section_table(bell, plans) if line.what.startswith("Price"))
    bought = sum(p.plan.takeoff.total_cost for p in plans.parts)
    hours = [p.plan.programme.mould_person_hours + p.plan.programme.run_person_hours for p in plans.parts]
    cost = bought + 38.0 * sum(hours) + bell.price.total + crates.material + 38.0 * crates.hours
    assert price.together == money(cost, "EUR")
    large = replace(bell, whole=replace(bell.whole, fits_van=False))
    assert whole_crates(large, plans) is None
    assert all(brief_of_part(large, k, ASKED).finish.crates for k in range(2))


@needs_poppler
@pytest.mark.parametrize("paper", ["A4", "letter"])
@pytest.mark.parametrize("title", ["Seated hare", LONG_NAME], ids=("short", "long"))
def test_the_sheet_says_it_all_and_nothing_runs_over(bell, solids, plans, tmp_path, paper, title):
    units = "imperial" if paper == "letter" else "metric"  # both units take more room
    brief = replace(ASKED, piece=title, job=replace(ASKED.job, paper=paper, units=units))
    grey = Image.fromarray(np.full((1800, 1860, 3), 200, np.uint8))
    upper = replace(bell.cuts[0], number=2, takes=2, leaves=1)
    bell = replace(bell, parts=(*bell.parts, replace(bell.parts[1], name="ears")), cuts=(*bell.cuts, upper))
    solids = replace(solids, spigots=(*solids.spigots, None))
    plans = replace(plans, parts=(*plans.parts, PartPlan("ears", planned(15.0, 200.0))))
    path = sections_sheet(bell, solids, plans, brief, tmp_path / "client.pdf", grey)
    pages = word_boxes(path)
    width, height = typeset.paper_for(brief.job)
    assert len(pages) == 1
    (page,) = pages
    left, top, right, bottom = (np.array([word[k] for word in page]) for k in range(4))
    assert left.min() > typeset.MARGIN - 1
    assert right.max() < width - typeset.MARGIN + 1
    assert top.min() > 20
    assert bottom.max() < height - 12
    wide = np.minimum(right[:, None], right) - np.maximum(left[:, None], left)
    high = np.minimum(bottom[:, None], bottom) - np.maximum(top[:, None], top)
    both = np.triu((wide > 0.8) & (high > 0.45 * (bottom - top)), 1)
    assert [(page[i][4], page[j][4]) for i, j in np.argwhere(both)] == []
    text = " ".join(pypdf.PdfReader(path).pages[0].extract_text().split()).replace("\N{NO-BREAK SPACE}", " ")
    rows = offer_rows(bell, plans, brief)
    for row in rows:
        assert row.name in text
        assert money(row.price, "EUR").replace("\N{NO-BREAK SPACE}", " ") in text
    assert money(sum(row.price for row in rows), "EUR").replace("\N{NO-BREAK SPACE}", " ") in text
    assert metres_or_feet(bell.cuts[0].section.perimeter_mm, units) in text
    assert "In our workshop" in text
    assert "Signature" in text
    assert [hit for word in STUMBLES for hit in re.findall(word, text)] == []


def test_a_part_that_was_refused_is_named_and_not_summed(bell, solids, plans, tmp_path):
    lacking = replace(plans, parts=(plans.parts[0], PartPlan(bell.parts[1].name, None, "too thin")))
    path = sections_sheet(bell, solids, lacking, ASKED, tmp_path / "client.pdf", Image.new("RGB", (1780, 900)))
    text = " ".join(pypdf.PdfReader(path).pages[0].extract_text().split())
    assert "not planned" in text
    assert f"without {bell.parts[1].name}" in text


def test_sides_are_said_together_and_what_carries_is_there_first(bell):
    assert _paired(["throat", "left side", "nape", "right side"]) == ["throat", "both sides", "nape"]
    (cut,) = bell.cuts
    tip, middle = replace(cut, number=1, takes=2, leaves=1), replace(cut, number=2, takes=1, leaves=0)
    assert [c.number for c in replace(bell, cuts=(tip, middle)).outwards()] == [2, 1]
