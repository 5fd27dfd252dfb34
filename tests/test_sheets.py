"""Sheets: what is printed is what the plan says, read back from the files with a PDF reader."""

from __future__ import annotations

import csv
import re
import shutil
import subprocess
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pypdf
import pytest
from mouldloft import pictures, sheets, studio
from mouldloft.errors import OutputRefused
from mouldloft.house import kg, kg_lb, litres, metres, mm, money, number, ounces
from mouldloft.sheets import (
    chart_rows,
    client_sheet,
    fitted,
    marked_up,
    order_list,
    packs_in_words,
    workshop_sheets,
)
from mouldloft.words import (
    coats_of,
    rubber_kg_per_mm3,
    seam_course,
    seam_sentences,
    work_steps,
)
from PIL import Image
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
        patch.setattr(pictures, "MOST_GLOVE_PIXELS", 4000)
        patch.setattr(pictures, "_FINE", 1)
        yield


@pytest.fixture(scope="module")
def plan():
    return figure_plan()


def changed(plan, **parts):
    return SimpleNamespace(**{**vars(plan), **parts})


def words_of(path) -> list[str]:
    """Text of each page, white space made single."""
    return [re.sub(r"\s+", " ", page.extract_text()) for page in pypdf.PdfReader(path).pages]


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
    monkeypatch.setattr(sheets, "_machine_fonts", lambda: ())
    sheets._script_font.cache_clear()
    assert 'name="HeiseiKakuGo-W5"' in marked_up("うさぎ")
    assert 'name="STSong-Light"' in marked_up("兔")
    assert marked_up("\U0001f407") == "?"
    monkeypatch.setattr(sheets, "_machine_fonts", lambda: (("House-italic", frozenset({ord("兔")})),))
    sheets._script_font.cache_clear()
    assert marked_up("兔") == '<font name="House-italic">兔</font>'
    sheets._script_font.cache_clear()


def test_fonts_of_this_machine_are_embedded(plan, tmp_path):
    fonts = sheets._machine_fonts()
    lacking = [c for _, known in fonts for c in sorted(known) if 0x600 < c < 0xD000 and chr(c).isalpha()]
    lacking = [c for c in lacking if c not in sheets._known_characters()]
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


def test_course_of_a_plane_through_the_middle(plan):
    course = seam_course(plan)[0]
    # the plane x = 0 of a standing body: up one side, over, down the other (analytic)
    assert course.startswith("up the front")
    assert course.endswith("down the back")
    assert "over the top" in course
    assert "its left" not in course


def test_course_of_a_level_cut_runs_along_all_four_sides(plan):
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
    for side in ("its left side", "its right side", "the front", "the back"):
        assert f"along {side}" in course
    assert "up" not in course.split()


def test_sentences_name_more_lines_than_one(plan):
    line = plan.seam.lines[0]
    two = changed(plan, seam=replace(plan.seam, lines=(line, line), length_mm=2 * line.length_mm))
    assert "2 seam lines" in seam_sentences(two)[0]


def test_coats_of_both_pieces_add_up_to_the_rubber(plan):
    density = rubber_kg_per_mm3(plan)
    masses = [sum(c.mass_kg for c in coats_of(plan, at)) for at in (0, 1)]
    # the coats were made to add up to the whole measured volume, the pieces' masses come from the jacket stage
    assert sum(masses) == pytest.approx(sum(plan.rubber.measured_volume_mm3) * density, rel=1e-9)
    assert masses == pytest.approx([p.rubber_mass_kg for p in plan.jacket.pieces], rel=1e-6)
    assert coats_of(plan, 0)[1].batches == 2
    assert coats_of(plan, 1)[0].batches == 0  # the programme names none for it


def test_order_of_work_names_every_piece_and_opens_in_order(plan):
    steps = work_steps(plan)
    whole = " ".join(f"{s.title} {s.text}" for s in steps)
    assert "Brush the left piece" in whole
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
    for key in plan.keys.keys:
        x, y, z = key.foot_mm
        assert f"{key.name} {key.where} {x:.0f} {y:.0f} {z:.0f}" in text
    assert money(plan.takeoff.total_cost, "EUR").replace("\N{NO-BREAK SPACE}", " ") in text
    for task in plan.programme.tasks:
        assert task.name in text
    for assumption in plan.assumptions:
        assert assumption.what in text
        assert assumption.mark.value in text
    assert f"{CAUTIONS[0].sentence} What decides: {CAUTIONS[0].defers_to}." in text
    assert "not a certificate" in text


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
    pages = words_of(workshop_sheets(long, tmp_path / "w.pdf"))
    text = " ".join(pages)
    assert all(f"Task number {k}" in text for k in range(120))
    assert sum("Task number" in page for page in pages) == 3


needs_poppler = pytest.mark.skipif(
    shutil.which("pdftoppm") is None, reason="pdftoppm (poppler-utils) is not installed on this machine"
)


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


def test_order_list_reads_back_as_the_take_off(plan, tmp_path):
    path = order_list(plan, tmp_path / "order.csv")
    with path.open(encoding="utf-8", newline="") as handle:
        rows = list(csv.reader(handle))
    assert len(rows) == 1 + len(plan.takeoff.lines)
    for row, line in zip(rows[1:], plan.takeoff.lines):
        assert line.name in row
        assert f"{line.cost:.2f}" in row


def test_packs_as_they_are_bought(plan):
    line = replace(plan.takeoff.lines[0], pack_list=((25.0, 1, 480.0), (5.0, 3, 112.0)), unit="m2")
    assert packs_in_words(line) == "1 × 25 + 3 × 5 m²"


def test_chart_rows_gather_later_casts_and_parted_tasks(plan):
    first = replace(plan.programme.tasks[0], name="Cast 1: lay up", stage="casts")
    tasks = [
        replace(first, stage="wall", name="Build the wall"),
        first,
        replace(first, start_h=24.0),  # went over the night: the same task
        *(replace(first, name=f"Cast {k}: {what}") for k in (2, 3) for what in ("lay up", "open")),
    ]
    rows = chart_rows(tasks)
    assert [row.name for row in rows] == ["Build the wall", "Cast 1: lay up", "Cast 2", "Cast 3"]
    assert [len(row.tasks) for row in rows] == [1, 2, 2, 2]


def test_sheets_refuse_a_folder_that_is_not_there(plan, tmp_path):
    with pytest.raises(OutputRefused, match="cannot be written"):
        order_list(plan, tmp_path / "missing" / "order.csv")
    with pytest.raises(OutputRefused, match="cannot be written"):
        client_sheet(plan, tmp_path / "missing" / "client.pdf")
    assert not list(tmp_path.iterdir())


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
