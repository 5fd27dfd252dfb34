"""Sheets: what is printed is what the plan says, read back from the files with a PDF reader."""

from __future__ import annotations

import csv
import json
import re
import shutil
import subprocess
from dataclasses import replace
from datetime import date, timedelta
from types import SimpleNamespace
from typing import Any

import numpy as np
import pypdf
import pytest
import trimesh
from mouldloft.base.errors import OutputRefused
from mouldloft.base.figures import kg, kg_lb, litres, metres, mm, money, number, ounces, percent
from mouldloft.base.marks import Mark
from mouldloft.inputs.brief import JobBrief
from mouldloft.outputs import words
from mouldloft.outputs.notkept import look_first, not_kept
from mouldloft.outputs.page.build import write_page
from mouldloft.outputs.pictures import bodies, overlay, studio
from mouldloft.outputs.pictures.thickness import thickness_view
from mouldloft.outputs.planfile import save_plan
from mouldloft.outputs.sheets import book as sheets
from mouldloft.outputs.sheets import client as client_sheets
from mouldloft.outputs.sheets import typeset, work
from mouldloft.outputs.sheets.book import workshop_sheets
from mouldloft.outputs.sheets.chart import chart_rows, grams, programme_pages
from mouldloft.outputs.sheets.client import client_sheet
from mouldloft.outputs.sheets.daylist import day_rows
from mouldloft.outputs.sheets.order import packs_in_words
from mouldloft.outputs.sheets.typeset import fitted, marked_up
from mouldloft.outputs.sheets.work import write_offer
from mouldloft.outputs.summary import summary_rows, summary_text
from mouldloft.outputs.whereabouts import along_seam, where_words
from mouldloft.outputs.words import (
    coats_of,
    needed_line,
    rubber_kg_per_mm3,
    seam_course,
    seam_sentences,
    work_steps,
)
from mouldloft.stages.places import BodyPlaces
from mouldloft.stages.programme import set_programme
from mouldloft.stages.takeoff import write_order
from mouldloft.trade.handling import lift_of
from PIL import Image
from reportlab.lib.units import mm as MM
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import BaseDocTemplate, Frame, PageTemplate, SimpleDocTemplate
from scipy.spatial import cKDTree
from stumbles import STUMBLES
from synthetic_plan import CAUTIONS, master_of
from synthetic_plan import small_plan as figure_plan

LONG_NAME = (
    "The <b>hare</b> & its \"garden\" <script>alert('x')</script> " + "upon a rather long plinth " * 9 + "x" * 90
)


@pytest.fixture(scope="module", autouse=True)
def coarse_pictures():
    """Pictures at half the fineness: what is read here is text."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(studio, "_SCALE", 1)
        patch.setattr(studio, "_MOST_BAKED", 6000)
        patch.setattr(bodies, "MOST_GLOVE_PIXELS", 4000)
        patch.setattr(overlay, "_FINE", 1)
        yield


@pytest.fixture
def no_names(monkeypatch):
    """The figure as a body without a face: courses go by sides."""
    nowhere = BodyPlaces(np.zeros(0, object), cKDTree(np.zeros((1, 3))), (), False)
    monkeypatch.setattr(words, "places_of", lambda master: nowhere)


@pytest.fixture(scope="module")
def plan():
    return figure_plan()


def changed(plan, **parts):
    return SimpleNamespace(**{**vars(plan), **parts})


def words_of(path) -> list[str]:
    """Text of each page, white space made single."""
    return [re.sub(r"\s+", " ", page.extract_text()) for page in pypdf.PdfReader(path).pages]


needs_poppler = pytest.mark.skipif(
    shutil.which("pdftoppm") is None, reason="pdftoppm (poppler-utils) is not installed on this machine"
)


@pytest.fixture(scope="module")
def client(plan, tmp_path_factory):
    return client_sheet(plan, tmp_path_factory.mktemp("sheets") / "client.pdf")


@pytest.fixture(scope="module")
def workshop(plan, tmp_path_factory):
    return workshop_sheets(plan, tmp_path_factory.mktemp("sheets") / "workshop.pdf")


# --- the client's sheet ----------------------------------------------------------------------------------


def test_client_sheet_is_one_page_with_the_plans_figures(plan, client):
    pages = words_of(client)
    assert len(pages) == 1
    text = pages[0]
    assert plan.brief.piece in text
    assert mm(plan.master.height_mm) in text
    assert f"run of {plan.brief.run.casts} casts" in text
    assert metres(plan.seam.length_mm) in text
    assert metres(plan.seam.length_mm * plan.brief.run.casts) in text
    for word in ("Signature", "Date", "Name", "Front", "Its left", "Back", "Its right", "seam behind"):
        assert word in text


def test_client_sheet_is_a4_and_draws_the_seam_as_lines(client):
    page = pypdf.PdfReader(client).pages[0]
    assert [float(v) for v in page.mediabox[2:]] == pytest.approx([595.28, 841.89], abs=0.1)  # ISO 216 A4
    drawn = page.get_contents().get_data().decode("latin-1")
    red = "0.690196 0.164706 0.188235 RG"  # the seam's colour, b02a30
    assert red in drawn.replace(".690196", "0.690196").replace(" .", " 0.").replace("00.", "0.")
    assert len(page.images) == 5


@needs_poppler
@pytest.mark.parametrize("paper", ["A4", "letter"])
def test_initials_stand_clear_of_the_ground_and_of_the_pieces(plan, tmp_path, monkeypatch, paper):
    """Each view's box for initials with its word: no ground line through it, and below the picture it is for."""
    drawn = []
    draw = client_sheets._ground_line

    def noted(canvas, camera, x, y, width):
        ends, _ = camera.project(np.zeros((1, 3)))
        level = y + (camera.height_px - float(ends[0, 1])) * width / camera.width_px
        drawn.append((x, x + width, y, level))
        draw(canvas, camera, x, y, width)

    monkeypatch.setattr(client_sheets, "_ground_line", noted)
    asked = changed(plan, brief=replace(plan.brief, job=replace(plan.brief.job, paper=paper)))
    (page,) = word_boxes(client_sheet(asked, tmp_path / "client.pdf"))
    tall = typeset.paper_for(asked.brief.job)[1]
    boxes = [word for word in page if word[4] == "initials"]
    assert (len(boxes), len(drawn)) == (5, 4)
    for left, right, foot, level in drawn:
        own = [(tall - bottom, tall - top) for x0, top, x1, bottom, _ in boxes if left < x0 and x1 < right][-1:]
        assert own
        ((low, high),) = own
        assert high < min(foot, level)
        assert low > typeset.MARGIN


def test_feet_and_pounds_stand_first_where_a_client_or_lifter_reads(small_plan, tmp_path):
    """The same plan for a brief in feet and pounds; a foot is 304.8 mm and a pound 0.45359237 kg by definition."""
    asked = replace(small_plan, brief=replace(small_plan.brief, job=JobBrief(units="imperial")))
    (text,) = words_of(client_sheet(asked, tmp_path / "client.pdf"))
    assert f"{small_plan.seam.length_mm / 304.8:.1f} ft (" in text
    assert "finished height is 4 ft 7 1/8 in (1400 mm)" in text
    assert not re.search(r"(?<!\()\b\d[\d.]* (m|mm|kg)\b(?!\))", text)
    offer = " ".join(words_of(write_offer(asked, tmp_path / "offer.pdf")))
    crate = offer[offer.index("Crate, outside") : offer.index("Van door")]
    assert re.search(r"Crate, outside [\d/ ]+ × [\d/ ]+ × [\d/ ]+ in, about [\d.]+ lb \([\d.]+ kg\) empty", crate)
    for lift in asked.lifts:
        assert work.lift_words(lift, "", "imperial").startswith(f"{lift.load_kg / 0.45359237:.0f} lb")
    said = dict(summary_rows(asked))
    assert said["Master"].split(", ")[1] == "4 ft 7 1/8 in (1400 mm) tall"
    assert "millimetres" in said["Measures"]
    assert "Measures" not in dict(summary_rows(small_plan))


def test_sheets_are_the_same_each_time(plan, client, tmp_path):
    again = client_sheet(plan, tmp_path / "again.pdf")
    assert again.read_bytes() == client.read_bytes()


def test_long_and_marked_up_names_are_set_as_they_are(plan, tmp_path):
    named = changed(plan, brief=replace(plan.brief, piece=LONG_NAME))
    text = words_of(client_sheet(named, tmp_path / "client.pdf"))
    assert len(text) == 1
    assert "<b>hare</b> & its" in text[0]
    book = words_of(workshop_sheets(named, tmp_path / "workshop.pdf"))
    assert all("hare</b>" in page for page in book)


def test_every_script_is_set_somehow(monkeypatch):
    assert marked_up("a<b&c") == "a&lt;b&amp;c"
    assert marked_up("zając заяц λαγός") == "zając заяц λαγός"
    assert marked_up("a\x00\x07b\ud800") == "a  b "
    monkeypatch.setattr(typeset, "_machine_fonts", lambda: ())
    typeset._script_font.cache_clear()
    assert 'name="HeiseiKakuGo-W5"' in marked_up("うさぎ")
    assert 'name="STSong-Light"' in marked_up("兔")
    assert marked_up("\U0001f407") == "?"
    monkeypatch.setattr(typeset, "_machine_fonts", lambda: (("House-italic", frozenset({ord("兔")})),))
    typeset._script_font.cache_clear()
    assert marked_up("兔") == '<font name="House-italic">兔</font>'
    typeset._script_font.cache_clear()


def test_fonts_of_this_machine_are_embedded(plan, tmp_path):
    fonts = typeset._machine_fonts()
    lacking = [c for _, known in fonts for c in sorted(known) if 0x600 < c < 0xD000 and chr(c).isalpha()]
    lacking = [c for c in lacking if c not in typeset._known_characters()]
    if not lacking:
        pytest.skip("no font of this machine knows a letter that the house type lacks")
    word = chr(lacking[0]) * 3
    named = changed(plan, brief=replace(plan.brief, piece=word))
    path = client_sheet(named, tmp_path / "c.pdf")
    assert word in words_of(path)[0]
    for font in pypdf.PdfReader(path).pages[0]["/Resources"]["/Font"].values():
        descriptor = font.get_object().get("/FontDescriptor")
        assert font.get_object()["/BaseFont"] == "/Helvetica" or "/FontFile2" in descriptor.get_object()


def test_fitted_shrinks_then_shortens():
    _, height = fitted("Hare", 300, 40, (24, 12), "light")
    assert height == pytest.approx(24 * 1.12)
    paragraph, height = fitted("word " * 400, 300, 40, (24, 12), "light")
    assert height <= 40
    assert paragraph.text.endswith("…")


# --- sentences -------------------------------------------------------------------------------------------


def test_course_of_a_plane_through_the_middle(plan, no_names):
    course = seam_course(plan)[0]
    # the plane x = 0 of a standing body: up one side, over, down the other (analytic)
    assert course == "up the front, over the top and down the back"


def test_course_of_a_level_cut_runs_along_all_four_sides(plan, no_names):
    turn = np.linspace(0, 2 * np.pi, 200, endpoint=False)
    from skimage.measure import marching_cubes

    # a drum: its waist faces front, its left, back and its right, never up
    grid = np.stack(np.meshgrid(*[np.arange(-60, 61, 5.0)] * 2, np.arange(-5, 206, 5.0), indexing="ij"), axis=-1)
    drum = np.maximum(np.hypot(grid[..., 0], grid[..., 1]) - 50.0, np.abs(grid[..., 2] - 100) - 98.0)
    vertices, faces, _, _ = marching_cubes(drum, 0.0)
    master = master_of(vertices * 5 - (60, 60, 5), faces.astype(np.int32))
    ring = np.column_stack([50 * np.cos(turn), 50 * np.sin(turn), np.full(200, 100.0)])
    line = replace(plan.seam.lines[0], points_mm=ring, closed=True, length_mm=2 * np.pi * 50)
    level = changed(plan, master=master, seam=replace(plan.seam, lines=(line,)))
    course = seam_course(level)[0]
    assert course.startswith("along ")
    for side in ("its left side", "its right side", "the front", "the back"):
        assert course.count(side) == 1
    assert "up" not in course.split()


def arc(plan, bend, closed=True):
    """The plan with its seam drawn as a ring through the standing body, bent by `bend` from the plane x = 0."""
    master = plan.master
    turn = np.linspace(0, 2 * np.pi, 300, endpoint=False)
    ring = np.column_stack([bend(turn), -np.cos(turn), np.sin(turn)])
    scene = trimesh.Trimesh(master.vertices_mm, master.faces, process=False)
    middle = np.array([0.0, 10.0, 200.0])
    hits, ray, _ = scene.ray.intersects_location(np.tile(middle, (300, 1)), ring, multiple_hits=False)
    points = hits[np.argsort(ray)]
    length = np.linalg.norm(np.diff(points, axis=0), axis=1).sum()
    line = replace(plan.seam.lines[0], points_mm=points, closed=closed, length_mm=float(length))
    return changed(plan, seam=replace(plan.seam, lines=(line,)))


def test_course_of_a_diagonal_cut_names_the_sides_it_climbs(plan, no_names):
    # a ring in the plane x = y: it climbs on the left of the back and comes down on the right of the front
    course = seam_course(arc(plan, lambda turn: -np.cos(turn)))[0]
    up, down = course.split(", over the top and ")
    assert "its right side" in up or "the front" in up
    assert "its left side" in down or "the back" in down


def test_a_second_side_is_told_when_it_takes_a_good_part():
    left, front, top = 0, 3, 4
    assert words._mostly(np.repeat([front, left, top], [120, 80, 30])) == "the front and its left side"
    assert words._mostly(np.repeat([front, left, top], [150, 50, 30])) == "the front"
    assert words._mostly(np.repeat([front], [5])) == ""  # too short to tell
    assert words._mostly(np.repeat([top], [90])) == ""


def test_course_of_a_ring_on_one_side_is_a_loop(plan, no_names):
    ring = arc(plan, lambda turn: np.full_like(turn, 6.0))  # every point of it looks to its left
    assert seam_course(ring)[0] == "in a loop on its left side"


def test_sentences_name_more_lines_than_one(plan):
    line = plan.seam.lines[0]
    two = changed(plan, seam=replace(plan.seam, lines=(line, line), length_mm=2 * line.length_mm))
    assert "2 seam lines" in seam_sentences(two)[0]


@pytest.mark.parametrize(
    ("seen_from", "words"),
    [("all round", "Walked round at"), ("front", "Seen from the front at"), ("left", "Seen from its left at")],
)
def test_what_shows_is_said_for_where_it_is_seen_from(plan, seen_from, words):
    seam = replace(plan.seam, figures=replace(plan.seam.figures, on_show_mm=0.3 * plan.seam.length_mm))
    asked = changed(plan, seam=seam, brief=replace(plan.brief, seam=replace(plan.brief.seam, seen_from=seen_from)))
    shows = seam_sentences(asked)[1]
    assert shows.startswith(words)
    assert f"{metres(0.3 * plan.seam.length_mm)} of the seam is on show" in shows
    assert "part of it is plain" in shows


def test_coats_of_both_pieces_add_up_to_the_rubber(plan):
    density = rubber_kg_per_mm3(plan)
    masses = [sum(c.mass_kg for c in coats_of(plan, at)) for at in (0, 1)]
    # the coats were made to add up to the whole measured volume, the pieces' masses come from the jacket stage
    assert sum(masses) == pytest.approx(sum(plan.rubber.volume_on_coarser_mm3) * density, rel=1e-9)
    assert masses == pytest.approx([p.rubber_mass_kg for p in plan.jacket.pieces], rel=1e-6)
    assert coats_of(plan, 0)[1].batches == 2
    assert coats_of(plan, 1)[0].batches == 0  # the programme names none for it


def test_order_of_work_names_every_piece_and_opens_in_order(plan):
    steps = work_steps(plan)
    whole = " ".join(f"{s.title} {s.text}" for s in steps)
    assert "Brush the left piece" in whole
    assert "Print coat (1 mm), build coat (3 mm) and build coat (4 mm)." in whole
    even = tuple(replace(coat, thickness_mm=2.0) for coat in plan.rubber.coats[1:])
    filling = replace(even[0], name="undercut fill, edges and flange", thickness_mm=0.0)
    brushed = changed(plan, rubber=replace(plan.rubber, coats=(plan.rubber.coats[0], *even, filling)))
    told = "Print coat (1 mm), 2 build coats (2 mm each) and undercut fill, edges and flange."
    assert any(told in step.text for step in work_steps(brushed))
    assert "The same for the right piece" in whole
    first, second = plan.seam.taking_off
    assert f"the {first}, then the {second}" in whole


# --- the workshop's sheets -------------------------------------------------------------------------------


def test_workshop_figures_are_the_plans(plan, workshop):
    pages = words_of(workshop)
    text = " ".join(pages)
    assert f"page 1 of {len(pages)}" in pages[0]
    assert f"page {len(pages)} of {len(pages)}" in pages[-1]
    assert "30 Nov" in text  # the first day of the programme
    assert litres(plan.rubber.volume_mm3.likely) in text
    assert f"{number(plan.rubber.volume_mm3.low / 1e6)} to {number(plan.rubber.volume_mm3.high / 1e6)} l" in text
    for piece, part in zip(plan.jacket.pieces, plan.rubber.parts):
        assert kg_lb(piece.lift.load_kg) in text
        assert kg_lb(piece.lift_with_glove.load_kg) in text
        assert litres(part.total_mm3) in text
        for zone in piece.zones:
            assert f"{ounces(zone.mat_oz_ft2)} ({number(zone.mat_g_m2)} g/m²)" in text
    for at in (0, 1):
        assert f"all {kg(sum(coat.mass_kg for coat in coats_of(plan, at)))}" in text  # the coats' own sum
    for key, spot in zip(plan.keys.keys, along_seam(plan, [key.foot_mm for key in plan.keys.keys]), strict=True):
        assert f"{key.name} {spot.along_mm:.0f} {spot.off_mm:.0f} {key.foot_mm[2]:.0f}" in text
    assert money(plan.takeoff.total_cost, "EUR").replace("\N{NO-BREAK SPACE}", " ") in text
    for task in plan.programme.tasks:
        assert task.name in text or not task.hands
    assert "1 30 Nov 4 h Build the wall 2 12:00 to 12:30 Print coat, left piece; one batch 2 nitrile gloves" in text
    heads = [text.rindex(mark.value.capitalize()) for mark in Mark if any(a.mark is mark for a in plan.assumptions)]
    for assumption in plan.assumptions:  # each stands under the heading of its own mark
        start = text.rindex(assumption.mark.value.capitalize())
        end = min((other for other in heads if other > start), default=len(text))
        assert f"{assumption.what}: {assumption.value}" in text[start:end]
    assert f"{CAUTIONS[0].sentence} What decides: {CAUTIONS[0].defers_to}." in text
    assert "not a certificate" in text


def test_what_a_plan_is_never_stands_alone_on_a_page(plan, tmp_path, monkeypatch):
    asked = changed(plan, brief=replace(plan.brief, job=replace(plan.brief.job, paper="letter")))
    wide, tall = typeset.paper_of(asked)
    inner = wide - 2 * typeset.MARGIN

    def pages(count, sizes):
        hazards = [(f"hazard {k}", "so much to look out for and to wear " * 6, "rules") for k in range(count - 1)]
        monkeypatch.setattr(sheets, "caution_lines", lambda _: (*hazards, ("what this plan is", "no permit", "others")))
        monkeypatch.setattr(sheets, "_DANGER_SIZES", sizes)
        document = BaseDocTemplate(str(tmp_path / "work.pdf"), pagesize=(wide, tall))
        frame = Frame(typeset.MARGIN, 15 * MM, inner, tall - 36 * MM, 0, 0, 0, 0)  # as the book's
        document.addPageTemplates(PageTemplate("sheet", [frame]))
        document.build(sheets._work_pages(asked, inner))
        return words_of(tmp_path / "work.pdf")

    sizes = sheets._DANGER_SIZES
    saved = 0
    for count in range(5, 20):
        one, several = pages(count, sizes[:1]), pages(count, sizes)
        saved += len(one) > len(several) == 1
        for last in (one[-1], several[-1]):
            assert "What this plan is." in last
            assert "Dangers" in last or last.count("Hazard") >= 2
    assert saved  # a list that is a little too long is set smaller, and stays on its page


def test_more_pieces_are_told_on_the_sheets_as_in_the_summary(plan, tmp_path, monkeypatch):
    assert "More pieces?" not in " ".join(words_of(workshop_sheets(plan, tmp_path / "two.pdf")))
    rows = [
        ("More pieces?", "Two pieces need 9 l of fill."),
        ("  third piece", "31 % of the skin"),
        ("  Limits", "Rough."),
    ]
    monkeypatch.setattr(sheets, "division_rows", lambda _: rows)
    text = " ".join(words_of(workshop_sheets(plan, tmp_path / "three.pdf")))
    assert "More pieces? Two pieces need 9 l of fill. Third piece 31 % of the skin Limits Rough." in text
    # on the page of the undercuts, not on one by itself: the picture gives way
    long = [*rows, *((f"  way {k}", "so much of this and so much of that " * 4) for k in range(5))]
    monkeypatch.setattr(sheets, "division_rows", lambda _: long)
    pages = words_of(workshop_sheets(plan, tmp_path / "long.pdf"))
    assert [page for page in pages if "More pieces?" in page] == [page for page in pages if "does not free" in page]


def test_thickness_is_printed_as_measured(plan, workshop):
    page = " ".join(words_of(workshop))
    assert page.count("share of the outside") == 2
    view = thickness_view(plan)
    for piece, share in zip(view.pieces, view.shares):
        assert f"thinnest {mm(piece.least_mm)}, asked {mm(plan.rubber.skin_thickness_mm)}" in page
        for part in share[share >= 0.005]:
            assert percent(part).replace(" ", "") in page
        for place in piece.thin:
            (where,) = where_words(plan, [place.point_mm])
            assert f"{mm(place.thickness_mm)} {mm(place.asked_mm)} {where}" in page


def test_handling_points_and_detail_to_carve_are_told(plan, tmp_path):
    brief = replace(plan.brief, rubber=replace(plan.brief.rubber, handling_points_mm=((10.0, -20.0, 500.0),)))
    parts = tuple(replace(part, handling_mm3=2e5) for part in plan.rubber.parts)
    whole = 1.1 * sum(part.total_mm3 for part in parts)
    grown = whole / sum(coat.volume_mm3 for coat in plan.rubber.coats)
    coats = tuple(replace(coat, volume_mm3=grown * coat.volume_mm3) for coat in plan.rubber.coats)
    carved = replace(plan.rubber.volume_mm3, likely=whole)
    handled = changed(plan, brief=brief, rubber=replace(plan.rubber, parts=parts, volume_mm3=carved, coats=coats))
    text = " ".join(words_of(workshop_sheets(handled, tmp_path / "w.pdf")))
    assert re.search(r"Handled 12 mm round [a-z ]+, 500 mm up, fading to the skin 80 mm from it", text)
    assert text.count("handling points 0.20 l") == 2
    assert text.count("detail to be carved") == 2


def test_workshop_says_what_fails(plan, tmp_path):
    piece = plan.jacket.pieces[0]
    heavy = replace(piece.lift, passes=False, lifters_needed=0)
    bad = replace(piece, lift=heavy, checks=(replace(piece.checks[0], passes=False), *piece.checks[1:]))
    broken = changed(
        plan,
        jacket=replace(plan.jacket, pieces=(bad, *plan.jacket.pieces[1:])),
        cast=replace(plan.cast, comes_out=False),
    )
    text = " ".join(words_of(workshop_sheets(broken, tmp_path / "w.pdf")))
    assert "FAILS" in text
    assert "TOO HEAVY" in text
    assert "a hoist" in text
    assert "DOES NOT COME OUT" in text


def test_a_long_programme_runs_over_pages(plan, tmp_path):
    task = plan.programme.tasks[0]
    many = tuple(replace(task, name=f"Task number {k}", start_h=24.0 * k, day=k + 1) for k in range(120))
    long = changed(plan, programme=replace(plan.programme, tasks=many))
    text = " ".join(words_of(workshop_sheets(long, tmp_path / "w.pdf")))
    for k in range(120):
        assert len(re.findall(rf"Task number {k}\b", text)) == 2  # on the chart and in its day


@needs_poppler
def test_nothing_runs_off_a_page(plan, tmp_path):
    named = changed(plan, brief=replace(plan.brief, piece=LONG_NAME))
    for make in (client_sheet, workshop_sheets):
        made = make(named, tmp_path / f"{make.__name__}.pdf")
        root = tmp_path / make.__name__
        subprocess.run(["pdftoppm", "-r", "50", "-png", str(made), str(root)], check=True, timeout=120)
        pages = sorted(tmp_path.glob(f"{make.__name__}-*.png"))
        assert len(pages) == len(pypdf.PdfReader(made).pages)
        for page in pages:
            grey = np.asarray(Image.open(page).convert("L"))
            edge = 12  # about 6 mm: inside the margin of every page
            rim = np.concatenate(
                [grey[:edge].ravel(), grey[-edge:].ravel(), grey[:, :edge].ravel(), grey[:, -edge:].ravel()]
            )
            assert rim.min() > 250
            assert grey.min() < 90  # there is print on it


# --- the order list --------------------------------------------------------------------------------------


def test_what_is_needed_first_stands_over_the_order_list(plan, workshop):
    assert needed_line(plan) == "glove from day 1, jacket from day 2 and casts from day 4"
    assert f"Needed first: {needed_line(plan)}." in " ".join(words_of(workshop))


def test_order_list_reads_back_as_the_take_off(plan, tmp_path):
    path = write_order(plan.takeoff, tmp_path / "order.csv")
    with path.open(encoding="utf-8-sig", newline="") as handle:
        rows = list(csv.reader(handle))
    assert len(rows) == 1 + len(plan.takeoff.lines)
    for row, line in zip(rows[1:], plan.takeoff.lines):
        assert line.name in row
        assert f"{line.cost:.2f}" in row


def test_packs_as_they_are_bought(plan):
    line = replace(plan.takeoff.lines[0], pack_list=((25.0, 1, 480.0), (5.0, 3, 112.0)), unit="m2")
    assert packs_in_words(line) == "1 × 25 + 3 × 5 m²"


def test_chart_has_a_line_for_what_tasks_are_part_of(plan):
    first = replace(plan.programme.tasks[0], name="Cast 1: lay up", stage="casts", line="Cast 1")
    tasks = [
        replace(first, stage="wall", name="Build the wall", line=""),
        first,
        replace(first, start_h=24.0),  # went over the night: the same task
        *(replace(first, name=f"Cast {k}: {what}", line=f"Cast {k}") for k in (2, 3) for what in ("lay up", "open")),
    ]
    rows = chart_rows(tasks)
    assert [row.name for row in rows] == ["Build the wall", "Cast 1", "Cast 2", "Cast 3"]
    assert [len(row.tasks) for row in rows] == [1, 2, 2, 2]


def test_day_list_says_when_what_and_how_many(plan):
    rows = day_rows(plan.programme.tasks)
    assert [row[0] for row in rows] == ["1", "", "2", "", "3", "4", "5"]  # a day is named once; waits are no work
    assert rows[1] == ["", "", "12:00 to 12:30", "Print coat, left piece; one batch", "2", "nitrile gloves"]
    assert rows[2][:4] == ["2", "1 Dec", "3 h", "Build coats, left piece"]


def test_a_run_of_thirty_still_fits_one_chart(small_plan, tmp_path):
    brief = replace(small_plan.brief, run=replace(small_plan.brief.run, casts=30))
    names = ("seam", "locks", "rubber", "keys", "jacket", "cradle", "cast")
    parts = (*(getattr(small_plan, name) for name in names), brief, small_plan.catalogue)
    long = replace(small_plan, brief=brief, programme=set_programme(*parts))
    rows = chart_rows(long.programme.tasks)
    pieces = len(small_plan.seam.pieces)
    # wall, rubber, jacket and cradle of a piece; board, keys, opening, put away; each cast, its paint in sets of three
    assert len(rows) == 30 + 10 + 4 * pieces + 4
    inner = typeset.PAGE[0] - 2 * typeset.MARGIN
    SimpleDocTemplate(str(tmp_path / "p.pdf"), pagesize=typeset.PAGE).build(programme_pages(long, inner))
    (chart,) = (page for page in words_of(tmp_path / "p.pdf") if "Full bars: hands at work" in page)
    assert all(f"Cast {k} " in chart for k in range(1, 31))
    # a day with nothing beginning on it has its date too: the run starts on Monday, 1 March
    headed = re.findall(r"day (\d+) (\d+ [A-Z][a-z]{2})\b", chart)
    assert len(headed) >= 5
    for day, told in headed:
        on = date(2027, 3, 1) + timedelta(days=int(day) - 1)
        assert told == f"{on.day} {on:%b}"


def test_a_studios_logo_and_name_stand_on_every_sheet(plan, tmp_path):
    """The picture is found again in the files by pypdf, at its own size and colour."""
    logo = tmp_path / "logo.png"
    Image.new("RGB", (120, 40), (12, 130, 200)).save(logo)
    job = JobBrief(
        studio="Kiln Lane Workshop", number="041", revision="B", logo=str(logo), signed_by="Ada Clay",
        signed_on="1 March 2027",
    )  # fmt: skip
    filed = changed(plan, brief=replace(plan.brief, job=job))
    canvas = Canvas(str(tmp_path / "edges.pdf"))
    sheets._page_edges(canvas, filed)  # on each of the workshop's sheets
    canvas.showPage()
    work._letterhead(canvas, filed)  # and on the offer
    canvas.save()
    for path in (client_sheet(filed, tmp_path / "client.pdf"), tmp_path / "edges.pdf"):
        for page in pypdf.PdfReader(path).pages:
            found = [picture.image.convert("RGB") for picture in page.images]
            assert (12, 130, 200) in [image.getpixel((0, 0)) for image in found if image.size == (120, 40)]
            assert "Kiln Lane Workshop" in page.extract_text()
    for signed in ("Ada Clay", "signed in the plan's file", "1 March 2027"):
        assert signed in words_of(tmp_path / "client.pdf")[0]
    logo.write_text("no picture")
    with pytest.raises(OutputRefused, match=r"logo.png cannot be read as a picture"):
        client_sheet(filed, tmp_path / "client.pdf")
    gone = changed(plan, brief=replace(plan.brief, job=replace(job, logo=str(tmp_path / "gone.png"))))
    with pytest.raises(OutputRefused, match="is not there"):
        client_sheet(gone, tmp_path / "client.pdf")


def test_sheets_refuse_a_folder_that_is_not_there(plan, tmp_path):
    with pytest.raises(OutputRefused, match="cannot be written"):
        write_order(plan.takeoff, tmp_path / "missing" / "order.csv")
    with pytest.raises(OutputRefused, match="cannot be written"):
        client_sheet(plan, tmp_path / "missing" / "client.pdf")
    assert not list(tmp_path.iterdir())


# --- nothing is clipped ----------------------------------------------------------------------------------


def word_boxes(path) -> list[list[tuple[float, float, float, float, str]]]:
    """Each page's words with their boxes (left, top, right, bottom in points, from the top left corner)."""
    out = subprocess.run(["pdftotext", "-bbox", str(path), "-"], check=True, capture_output=True, timeout=120)
    pages = out.stdout.decode().split("<page ")[1:]
    box = re.compile(r'<word xMin="([\d.-]+)" yMin="([\d.-]+)" xMax="([\d.-]+)" yMax="([\d.-]+)">(.*?)</word>')
    return [[(*map(float, found[:4]), found[4]) for found in box.findall(page)] for page in pages]


NAMES = (f"<b>Siedzący</b> & Καθιστός λαγός, {LONG_NAME}", "W" * 300)


@needs_poppler
@pytest.mark.parametrize("name", NAMES, ids=("marked up", "one word"))
def test_no_word_leaves_its_column_or_runs_into_another(plan, tmp_path, name):
    pieces = tuple(replace(p, name=f"{name[:70]} {k}") for k, p in enumerate(plan.seam.pieces))
    shells = tuple(replace(p, name=piece.name) for p, piece in zip(plan.jacket.pieces, pieces))
    gloves = tuple(replace(e, name=piece.name) for e, piece in zip(plan.rubber.envelopes, pieces))
    tasks = tuple(replace(t, name=f"{t.name} {name[:90]}", line=f"Rubber, {name[:70]}") for t in plan.programme.tasks)
    lines = tuple(replace(line, name=f"{line.name} {name[:70]}") for line in plan.takeoff.lines)
    named = changed(
        plan,
        brief=replace(plan.brief, piece=name),
        seam=replace(plan.seam, pieces=pieces, taking_off=tuple(p.name for p in pieces)),
        jacket=replace(plan.jacket, pieces=shells),
        rubber=replace(plan.rubber, envelopes=gloves),
        programme=replace(plan.programme, tasks=tasks),
        takeoff=replace(plan.takeoff, lines=lines),
    )
    for make in (client_sheet, workshop_sheets):
        path = make(named, tmp_path / f"{make.__name__}.pdf")
        for page in word_boxes(path):
            left, top, right, bottom = (np.array([word[k] for word in page]) for k in range(4))
            assert left.min() > typeset.MARGIN - 1
            assert right.max() < typeset.PAGE[0] - typeset.MARGIN + 1
            assert top.min() > 20
            assert bottom.max() < typeset.PAGE[1] - 12
            wide = np.minimum(right[:, None], right) - np.maximum(left[:, None], left)
            high = np.minimum(bottom[:, None], bottom) - np.maximum(top[:, None], top)
            both = np.triu((wide > 0.8) & (high > 0.45 * (bottom - top)), 1)
            run_over = [(page[i][4], page[j][4]) for i, j in np.argwhere(both)]
            # keys that run into one another are named where they stand
            assert [pair for pair in run_over if not all(re.fullmatch(r"[LR]\d+", word) for word in pair)] == []


# --- numbers agree with the saved plan -------------------------------------------------------------------


@pytest.fixture(scope="module")
def printed(small_plan, tmp_path_factory):
    """The saved plan as plain JSON, and the text of each sheet, of one hare."""
    folder = tmp_path_factory.mktemp("printed")
    saved = json.loads(save_plan(small_plan, folder).read_text(encoding="utf-8"))["plan"]
    files = [make(small_plan, folder / f"{make.__name__}.pdf") for make in (client_sheet, workshop_sheets)]
    client, book = (" ".join(words_of(path)).replace("\N{NO-BREAK SPACE}", " ") for path in files)
    return saved, client, book


def figures(pattern: str, text: str) -> list[float]:
    """The numbers in the first place that a pattern fits."""
    found = re.search(pattern, text)
    assert found, pattern
    return [float(figure.replace(" ", "")) for figure in found.groups()]


def told(value: float) -> Any:
    """A figure as printed to three places."""
    return pytest.approx(value, rel=0.006)


def test_printed_masses_and_litres_are_those_saved(printed):
    saved, client, book = printed
    rubber, pieces, cast = saved["rubber"], saved["jacket"]["pieces"], saved["cast"]
    litre, low, high, mass = figures(r"Rubber ([\d.]+) l \(([\d.]+) to ([\d.]+) l\), ([\d.]+) kg", book)
    assert [litre, low, high] == [told(rubber["volume_mm3"][k] / 1e6) for k in ("likely", "low", "high")]
    assert mass == told(sum(piece["rubber_mass_kg"] for piece in pieces))
    assert figures(r"Jacket ([\d.]+) kg \(([\d.]+) lb\)", book) == [
        told(sum(p["mass_kg"] for p in pieces) / unit)
        for unit in (1, 0.45359237)  # the pound by its definition
    ]
    assert figures(r"One cast ([\d.]+) kg", book) == [told(cast["mass_kg"])]
    for name in ("gelcoat", "glass", "resin"):
        word = "glass mat" if name == "glass" else name
        one, run = figures(rf"Amounts .*?{word} ([\d.]+) kg ([\d.]+) kg", book)
        assert [one, run] == [told(cast[f"{name}_kg"]), told(6 * cast[f"{name}_kg"])]
    assert figures(r"([\d.]+) m long", client) == [told(saved["seam"]["length_mm"] / 1000)]
    assert figures(r"(\d+) mm tall", client) == [round(saved["master"]["height_mm"])]


def test_no_word_that_readers_stumble_over_is_printed(printed, small_plan, plan, workshop, tmp_path):
    _, client, book = printed
    texts = {"client": client, "book": book, "summary": summary_text(small_plan), "figure": summary_text(plan)}
    texts["figure's book"] = " ".join(words_of(workshop))
    texts["offer"] = " ".join(words_of(write_offer(small_plan, tmp_path / "offer.pdf")))
    page = write_page(small_plan, tmp_path / "plan.html").read_text(encoding="utf-8")
    texts["page"] = re.sub(r"<(script|style)\b.*?</\1>|<[^>]+>", " ", page, flags=re.DOTALL)
    found = [(name, hit) for name, text in texts.items() for word in STUMBLES for hit in re.findall(word, text)]
    assert found == []
    assert "undercut" in client + book
    pages = words_of(workshop)
    assert all(re.search(r"Job .*Revision .*Date ", page) for page in pages)
    # a note on invented prices stands once over the order, not in every row
    assert (
        book[book.index("Order list") : book.index("Where the figures come from")].count("invented for the demo") <= 1
    )


def test_printed_days_packs_and_cost_are_those_saved(printed):
    saved, _, book = printed
    take, programme = saved["takeoff"], saved["programme"]
    assert figures(r"Time (\d+) days? for the mould, (\d+) days?", book) == [
        programme["mould_days"], programme["run_days"],
    ]  # fmt: skip
    amount = r"([\d ]+) EUR"
    total, mould, more = figures(f"Material {amount}; mould {amount}, one more cast {amount}", book)
    assert [total, mould, more] == [
        pytest.approx(take[k], abs=0.5) for k in ("total_cost", "cost_mould", "cost_next_cast")
    ]
    each = take["money"]["each"]
    said = [float(found.replace(" ", "")) for found in re.findall(r"Each cast of the run ([\d ]+)", book)]
    for wanted in (each["labour"], take["cost_per_cast"]):
        assert any(value == pytest.approx(wanted, abs=0.5) for value in said), (wanted, said)
    order = book[book.index("Order list") : book.index("Where the figures come from")]
    for line in take["lines"]:
        assert money(line["cost"], "EUR").replace("\N{NO-BREAK SPACE}", " ") in order
        for size, count, _ in line["pack_list"]:
            assert f"{count} × {size:.3g}" in order or (size == 1 and line["unit"] == "pcs")
    for batch in programme["batches"]:
        assert not batch["batches"] or grams(batch["base_g"]) in book
    for key in saved["keys"]["keys"]:
        assert key["name"] in book


def test_the_csv_holds_what_was_saved(printed, small_plan, tmp_path):
    saved, _, _ = printed
    with write_order(small_plan.takeoff, tmp_path / "order.csv").open(encoding="utf-8-sig", newline="") as handle:
        rows = list(csv.DictReader(handle))
    lines = {line["code"]: line for line in saved["takeoff"]["lines"]}
    assert sum(float(row["cost"]) for row in rows) == pytest.approx(
        saved["takeoff"]["total_cost"], abs=0.01 * len(rows)
    )
    for code, line in lines.items():
        own = [row for row in rows if row["code"] == code]
        assert sum(float(row["bought"]) for row in own) == pytest.approx(line["buy"], rel=1e-4)
        assert sum(int(row["packs"]) for row in own) == line["packs"]
        assert float(own[0]["net likely"]) == told(line["net"]["likely"])


# --- on a whole plan -------------------------------------------------------------------------------------


def test_sheets_of_a_planned_hare(small_plan, tmp_path):
    client = words_of(client_sheet(small_plan, tmp_path / "client.pdf"))
    assert len(client) == 1
    assert metres(small_plan.seam.length_mm) in client[0]
    text = " ".join(words_of(workshop_sheets(small_plan, tmp_path / "workshop.pdf")))
    for line in small_plan.takeoff.lines:
        assert packs_in_words(line) in text
    for piece in small_plan.jacket.pieces:
        assert kg_lb(piece.mass_kg) in text
        for check in piece.checks:
            assert f"{number(check.value)} {check.unit}" in text
    for caution in small_plan.cautions:
        assert caution.sentence in text
    for coat in coats_of(small_plan, 0):
        assert coat.batches > 0
        assert f"{coat.batches} × {kg(coat.batch_kg)}" in text


def test_sheets_on_letter_paper(plan, tmp_path):
    job = replace(plan.brief.job, paper="letter", number="27-014", revision="B", date="3 March 2027")
    asked = changed(plan, brief=replace(plan.brief, job=job))
    for make in (client_sheet, workshop_sheets):
        reader = pypdf.PdfReader(make(asked, tmp_path / f"{make.__name__}.pdf"))
        for page in reader.pages:
            assert [float(v) for v in page.mediabox[2:]] == pytest.approx([612.0, 792.0])  # ANSI/ASME Y14.1 A
    text = words_of(tmp_path / "workshop_sheets.pdf")
    assert all("Job 27-014 Revision B Date 3 March 2027" in page for page in text)


def test_what_is_not_kept_is_said_at_the_end(plan):
    assert not_kept(plan) == ()
    piece = plan.jacket.pieces[0]
    weak = replace(piece, checks=(replace(piece.checks[0], passes=False), *piece.checks[1:]))
    broken = changed(
        plan,
        jacket=replace(plan.jacket, pieces=(weak, *plan.jacket.pieces[1:])),
        cast=replace(plan.cast, comes_out=False, comes_out_reason="the head is wider than its neck"),
        lifts=(lift_of("glove peeled", "left piece", 27.0, 29.0, plan.brief.jacket), *plan.lifts[1:]),
    )
    said = " ".join(not_kept(broken))
    # HSE L23's worked example: two people about 26.6 kg
    assert "Glove peeled, left piece: 27 kg, at most 29 kg, over the 27 kg that 2 people may lift; 3 people, or" in said
    assert f"Jacket of the {piece.name} is too weak: {piece.checks[0].what}." in said
    assert "The cast does not come out: The head is wider than its neck." in said
    assert any("client-sheet.pdf" in words for words in look_first(plan, True))
