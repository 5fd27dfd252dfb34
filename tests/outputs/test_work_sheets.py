"""Pages for the bench and the office: their figures are the plan's, and the client's offer shows no inner ones."""

from __future__ import annotations

import re
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from mouldloft.inputs.brief import brief_from_dict
from mouldloft.outputs.notkept import not_kept
from mouldloft.outputs.sheets import chart, typeset
from mouldloft.outputs.sheets.aside import installation_part
from mouldloft.outputs.sheets.finish import _of_cast
from mouldloft.outputs.sheets.work import work_pages, write_offer
from mouldloft.outputs.words import held_words, stands_words
from mouldloft.trade.handling import lift_words
from mouldloft.trade.uprights import checked_frame
from pypdf import PdfReader
from reportlab.platypus import SimpleDocTemplate


@pytest.fixture(scope="module")
def pages(small_plan, tmp_path_factory) -> list[str]:
    path = tmp_path_factory.mktemp("work") / "work.pdf"
    inner = typeset.PAGE[0] - 2 * typeset.MARGIN
    SimpleDocTemplate(str(path), pagesize=typeset.PAGE).build(work_pages(small_plan, inner))
    return [" ".join((page.extract_text() or "").split()) for page in PdfReader(str(path)).pages]


def test_the_casting_card_holds_one_cast(small_plan, pages) -> None:
    (card,) = (page for page in pages if "Casting card" in page)
    for words in ("Gelcoat in the open halves", "Trim flush while green", "shut like a book", "Number and weigh"):
        assert words in card
    assert "Cast 3" not in card
    for batch in small_plan.programme.batches:
        if batch.piece == "each cast":
            assert f"{batch.batches} pots of {batch.base_g:.0f} g" in card


def test_the_sockets_and_their_sum_are_printed(small_plan, pages) -> None:
    fixings = small_plan.cast.fixings
    assert fixings is not None  # a hare 1.4 m tall, pushed at its ears
    text = " ".join(pages)
    assert f"{fixings.count} of {fixings.size} A4-70" in text
    for line in fixings.lines:
        assert line.result in text
    for words in small_plan.cast.openings:
        assert " ".join(words.split()) in text


def test_every_lift_says_how_many(small_plan, pages) -> None:
    text = " ".join(" ".join(pages).split())
    lifts = small_plan.lifts
    assert len(lifts) == 3 * len(small_plan.jacket.pieces) + 2
    for lift in lifts:
        said = lift_words(lift, "").rstrip(" .")
        assert lift.people or "tackle" in said or "rope" in said
        assert said in text


def test_the_closed_mould_weighs_what_is_in_it(small_plan) -> None:
    """Jackets, rubber and what is in the cast before its baseboard, each counted once; tipped over its foot, its moment
    is that of its halves."""
    p = small_plan
    closed = next(lift for lift in p.lifts if lift.kind == "laid down")
    halves = [lift for lift in p.lifts if lift.kind == "stood up"]
    inside = sum(piece.mass_kg + piece.rubber_mass_kg for piece in p.jacket.pieces)
    assert closed.whole_kg == pytest.approx(inside + p.cast.lift_kg - p.cast.baseboard_kg)
    assert closed.load_kg == pytest.approx(sum(lift.load_kg for lift in halves))
    ropes = [line for line in p.takeoff.lines if line.code == "rope-12"]
    assert bool(ropes) is bool(closed.tail_kg)
    assert closed.most_kg == pytest.approx(sum(lift.most_kg for lift in halves))
    # a seated hare is wide at its foot: its mould's centre is below the middle
    assert 0.3 < closed.load_kg / closed.whole_kg < 0.5


def test_the_money_adds_up_as_printed(small_plan, pages) -> None:
    cash = small_plan.takeoff.money
    text = " ".join(pages).replace("\N{NO-BREAK SPACE}", " ")
    assert sum(line.person_hours for line in cash.labour) == pytest.approx(
        small_plan.programme.mould_person_hours + small_plan.programme.run_person_hours
    )
    assert cash.mould.labour + cash.run.labour == pytest.approx(sum(line.cost for line in cash.labour))
    assert cash.mould.material + cash.run.material == pytest.approx(small_plan.takeoff.total_cost)
    for share in (cash.mould, cash.run, cash.each, cash.more):
        assert f"{share.price:,.0f}".replace(",", " ") in text


def test_the_offer_shows_no_inner_figures(small_plan, tmp_path) -> None:
    path = write_offer(small_plan, tmp_path / "offer.pdf")
    (page,) = PdfReader(str(path)).pages
    text = page.extract_text()
    cash = small_plan.takeoff.money
    assert not re.search(r"margin|overhead|labour|an hour", text, re.IGNORECASE)
    said = re.findall(r"([\d \u00a0]*\d)[ \u00a0]EUR", text)
    figures = [float(f.replace(" ", "").replace("\N{NO-BREAK SPACE}", "")) for f in said]
    assert figures[:3] == [round(cash.mould.price, -1), round(cash.run.price, -1), sum(figures[:2])]


def test_grips_sit_on_the_jacket_either_side_of_the_centre_of_mass(small_plan) -> None:
    from mouldloft.outputs.sheets.work import grips_on_jacket
    from mouldloft.trade.handling import Grips

    piece, envelope = small_plan.jacket.pieces[0], small_plan.rubber.envelopes[0]
    x, y, z = piece.centre_of_mass_mm
    places = grips_on_jacket(small_plan, Grips(piece.name, 20.0, ((x, y - 250.0, z), (x, y + 250.0, z))))
    spots = envelope.frame.to_frame(places - piece.centre_of_mass_mm)
    assert spots[0, 0] * spots[1, 0] < 0  # one on each side
    assert abs(spots[:, 1]).max() < 1.0  # level with it
    column, row = ((spots + envelope.frame.to_frame(np.array([[x, y, z]])))[:, k] for k in (0, 1))
    i, j = (
        np.round((value - origin) / envelope.pixel_mm).astype(int)
        for value, origin in ((row, envelope.origin_mm[1]), (column, envelope.origin_mm[0]))
    )
    assert not envelope.flange[i, j].any()  # on the body, not on a flange


def test_bolts_are_bought_as_the_joint_page_names_them(small_plan):
    """Through two flanges, and through one and the board: each size with its own count, and one in twenty over."""
    jacket = small_plan.jacket
    lines = {line.name: line for line in small_plan.takeoff.lines if line.code.startswith("bolt-")}
    first, *_ = jacket.pieces
    wanted = {jacket.bolt.name: len(first.bolts_mm)}
    down = sum(len(p.foot_bolts_mm) for p in jacket.pieces)
    assert set(lines) == {
        f"Bolt M8 x {bolt.length_mm:.0f} with nut and two washers" for bolt in (jacket.bolt, jacket.foot_bolt)
    }
    found = {name.removeprefix("Bolt ").split(" with")[0].replace("x", "×"): line for name, line in lines.items()}
    assert found[jacket.bolt.name].net.likely == wanted[jacket.bolt.name]
    assert 0 < found[jacket.foot_bolt.name].net.likely <= down


def test_a_cast_is_out_whatever_comes_off_before_it():
    """With loose pieces the mould is opened in other words; cast 1 is not cast 11."""
    names = [
        "Cast 1: open, peel the gloves, cast out", "Cast 11: open, loose pieces off, peel the gloves, cast out",
        "Cast 11: look over and pack",
    ]  # fmt: skip
    tasks = [SimpleNamespace(name=name) for name in names]
    assert [task.name for task in _of_cast(tasks, 1, "open")] == names[:1]
    assert [task.name for task in _of_cast(tasks, 11, "open")] == names[1:2]
    assert [task.name for task in _of_cast(tasks, 11, "look over and pack")] == names[2:]


def test_a_frame_or_an_engineer_takes_the_place_of_sockets(small_plan, tmp_path) -> None:
    frame = checked_frame("the foot has no room for sockets", (50.0, 4.0), ((0.0, 0.0),), 800.0, 900.0, 400.0)
    fixed = {"needs_fixing": True, "fixings": None, "stands": small_plan.cast.stands}
    framed = replace(small_plan, cast=replace(small_plan.cast, **fixed, frame=frame))
    open_still = replace(small_plan, cast=replace(small_plan.cast, **fixed, unfixed="the foot has no room for sockets"))
    assert stands_words(framed.cast) == "has to be fixed to the ground by a steel frame"
    assert held_words(framed.cast) == "its baseboard and steel frame"
    said = [PdfReader(str(write_offer(plan, tmp_path / f"{k}.pdf"))).pages[0].extract_text().replace("\n", " ")
            for k, plan in enumerate((framed, open_still))]  # fmt: skip
    assert "1.35 kN·m and 0.60 kN with factors, on each spigot" in said[0]  # 1.5 times 900 N·m and 400 N
    assert "1 upright" in said[0]
    assert "an engineer's design, which is not in this offer" in said[1]
    assert any("by an engineer" in line for line in not_kept(open_still))
    assert not any("by an engineer" in line for line in not_kept(framed))


@pytest.mark.parametrize(("section", "words"), [("carried", "Packed with the whole cast"), ("", "In blankets")])
def test_no_crate_is_described_where_none_is_made(section, words) -> None:
    asked = brief_from_dict({"finish": {"crates": False}, "cast": {"section": section}})
    said = " ".join(
        part.text for part in installation_part(SimpleNamespace(brief=asked), 400.0) if hasattr(part, "text")
    )
    assert words in said
    assert "Crate" not in said


def test_batches_stand_in_the_order_they_are_mixed_in():
    """By day, a tack coat before its fill; what every cast takes last."""

    def batch(coat, piece, day):
        return SimpleNamespace(coat=coat, piece=piece, first_day=day)

    given = [
        batch("undercut fill", "left piece", 4), batch("build coat 4", "left piece", 4),
        batch("gelcoat", "each cast", 2), batch("print coat", "right piece", 10),
        batch("jacket laminate", "left piece", 8), batch("tack coat before undercut fill", "left piece", 4),
    ]  # fmt: skip
    said = [b.coat for b in chart._by_day(given)]
    assert said == [
        "tack coat before undercut fill", "undercut fill", "build coat 4", "jacket laminate", "print coat", "gelcoat",
    ]  # fmt: skip
