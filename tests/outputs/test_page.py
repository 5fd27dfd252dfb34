"""The interactive page: its file read back, and the page itself in a headless browser with clicks."""

from __future__ import annotations

import base64
import io
import json
import re
import zlib
from dataclasses import replace
from html.parser import HTMLParser
from types import SimpleNamespace

import numpy as np
import pytest
import trimesh
from browser import browser, why_no_browser
from mouldloft.base.errors import Cancelled, OutputRefused
from mouldloft.base.figures import kg_lb, metres, mm
from mouldloft.base.progress import Progress
from mouldloft.outputs.look import rgb
from mouldloft.outputs.page import build as webpage
from mouldloft.outputs.page.build import page_text, script_json, write_page
from mouldloft.outputs.pictures import bodies, studio
from mouldloft.outputs.pictures.thickness import thickness_view
from mouldloft.stages.clay import ClayDifference, ClayPlace
from PIL import Image
from synthetic_plan import small_plan as figure_plan

NASTY = "</script><img src=x onerror=\"document.title='owned'\"> & <b>hare</b> ${data} \u2028 " + "long " * 30


@pytest.fixture(scope="module", autouse=True)
def coarse_shapes():
    """Fewer faces and coarser light: the page is the same, the test is quicker."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(studio, "_SCALE", 1)
        patch.setattr(studio, "_MOST_BAKED", 6000)
        patch.setattr(bodies, "MOST_GLOVE_PIXELS", 8000)
        patch.setattr(webpage, "MOST_SHELL_FACES", 20_000)
        yield


@pytest.fixture(scope="module")
def plan():
    return figure_plan()


@pytest.fixture(scope="module")
def page(plan, tmp_path_factory):
    """The page of a plan whose name tries to get out of its place."""
    named = SimpleNamespace(**{**vars(plan), "brief": replace(plan.brief, piece=NASTY)})
    return write_page(named, tmp_path_factory.mktemp("page") / "plan.html")


def taken(text: str, name: str) -> str:
    return re.search(rf'<script type="[a-z/-]+" id="{name}">(.*?)</script>', text, re.DOTALL).group(1)


# --- the file --------------------------------------------------------------------------------------------


def test_page_fetches_nothing(page):
    text = page.read_text(encoding="utf-8")
    assert "default-src 'none'" in text  # the browser itself is told to refuse
    addresses: list[str] = []

    class Addresses(HTMLParser):
        def handle_starttag(self, tag, attributes):
            addresses.extend(v for k, v in attributes if k in ("src", "href", "srcset", "action", "poster", "data"))

    Addresses().feed(text)
    assert [a for a in addresses if not a.startswith("data:")] == []
    assert "@import" not in text
    styles = text[text.index("<style>") : text.index("</style>")]
    assert all(address.startswith("data:") for address in re.findall(r"url\(([^)]*)\)", styles))
    assert "Permission is hereby granted, free of charge" in text  # the library's licence goes with it


def test_names_stay_text(page):
    text = page.read_text(encoding="utf-8")
    assert "<img src=x" not in text
    assert "&lt;/script&gt;&lt;img" in text
    assert text.count("</script>") == 4
    assert "${data}" in text.replace("&#36;", "$")  # not taken for a place in the page's own template


def test_script_json_keeps_its_value_and_never_ends_a_script():
    value = {"a": "</script><!-- & \u2028", "b": [1.5, None]}
    text = script_json(value)
    assert json.loads(text) == value
    for character in "<>&\u2028":
        assert character not in text
    with pytest.raises(ValueError, match="JSON"):
        script_json(float("nan"))


def test_shapes_read_back_as_the_plans(plan, page):
    text = page.read_text(encoding="utf-8")
    data = json.loads(taken(text, "plan"))
    block = zlib.decompress(base64.b64decode(taken(text, "shapes")))
    bodies = {body["part"]: body for body in data["bodies"]}
    # the figure's rubber comes without a bead
    assert set(bodies) - {"clear"} == {"master", "glove0", "glove1", "keys", "jacket0", "jacket1", "bolts", "wedges"}

    def mesh_of(body):
        steps = np.frombuffer(block, "<u2", 3 * body["vertices"], body["at"]["vertices"]).reshape(-1, 3)
        faces = np.frombuffer(block, "<u4", 3 * body["faces"], body["at"]["faces"]).reshape(-1, 3)
        assert faces.max() < body["vertices"]
        points = np.array(body["low"]) + steps * np.array(body["step"])
        return trimesh.Trimesh(points, faces, process=True, merge_norm=True)

    master = mesh_of(bodies["master"])
    assert master.volume == pytest.approx(plan.master.volume_mm3, rel=0.01)
    assert np.ptp(master.vertices, axis=0) == pytest.approx(plan.master.size_mm, abs=1.0)
    for at in (0, 1):
        # glove and its half of the master together fill the block they were cut from: compare with the column sums
        assert mesh_of(bodies[f"glove{at}"]).volume == pytest.approx(plan.rubber.volume_on_coarser_mm3[at], rel=0.08)
        assert np.dot(bodies[f"glove{at}"]["pull"], plan.seam.pieces[at].pull) > 0
        further = np.linalg.norm(bodies[f"jacket{at}"]["pull"])
        assert further > np.linalg.norm(bodies[f"glove{at}"]["pull"])
    wedges = mesh_of(bodies["wedges"])
    assert len(wedges.split()) == len(plan.jacket.pieces[1].wedge_points_mm)
    line = data["seam"][0]
    points = np.frombuffer(block, "<f4", 3 * line["points"], line["at"]).reshape(-1, 3)
    closing = points[:1] if line["closed"] else points[:0]
    length = np.linalg.norm(np.diff(np.concatenate([points, closing]), axis=0), axis=1).sum()
    assert length == pytest.approx(plan.seam.length_mm, rel=0.03)


def test_lock_colours_are_on_the_locks(plan, page):
    text = page.read_text(encoding="utf-8")
    data = json.loads(taken(text, "plan"))
    block = zlib.decompress(base64.b64decode(taken(text, "shapes")))
    body = data["bodies"][0]
    locked = np.frombuffer(block, np.uint8, 3 * body["vertices"], data["lockColours"]).reshape(-1, 3).astype(int)
    plain = np.frombuffer(block, np.uint8, 3 * body["vertices"], body["at"]["colours"]).reshape(-1, 3).astype(int)
    changed = np.abs(locked - plain).max(axis=1) > 12
    free = plan.master.face_areas_mm2[plan.locks.depth_mm == 0].sum() / plan.master.area_mm2
    assert 0.3 * (1 - free) < changed.mean() < 3 * (1 - free)


def test_figures_stand_beside(plan, page):
    text = page.read_text(encoding="utf-8")
    for words in (
        metres(plan.seam.length_mm),
        kg_lb(plan.jacket.pieces[0].mass_kg),
        kg_lb(plan.jacket.pieces[1].lift_with_glove.load_kg),
        kg_lb(plan.cast.mass_kg),
        plan.locks.regions[0].name,
        plan.cautions[0].sentence,
        "not a certificate",
    ):
        assert words in text


def test_page_of_a_planned_hare_is_small_enough_to_send(small_plan, tmp_path):
    path = write_page(small_plan, tmp_path / "plan.html")
    assert path.stat().st_size < 15e6
    data = json.loads(taken(path.read_text(encoding="utf-8"), "plan"))
    assert len(data["locks"]) == min(len(small_plan.locks.regions), 8)


def test_from_the_page_of_another_price_the_page_is_the_same_as_fresh(plan, page, monkeypatch):
    fresh = page_text(plan)
    other = page.read_text(encoding="utf-8")
    assert other != fresh
    assert page_text(plan, before="<!doctype html> of another version") == fresh
    monkeypatch.setattr(webpage, "_bodies", None)  # not one shape is made
    assert page_text(plan, before=other) == fresh


def test_page_stops_when_told_and_refuses_a_missing_folder(plan, tmp_path):
    progress = Progress()
    progress.cancel()
    with pytest.raises(Cancelled):
        page_text(plan, progress)
    with pytest.raises(OutputRefused, match="cannot be written"):
        write_page(plan, tmp_path / "missing" / "plan.html")
    assert not list(tmp_path.iterdir())


# --- in a browser ----------------------------------------------------------------------------------------

needs_browser = pytest.mark.skipif(bool(why_no_browser()), reason=why_no_browser() or "there is a browser")
READY = "document.documentElement.dataset.state === 'ready' && +document.documentElement.dataset.drawn > 1"


def seen(page_open) -> np.ndarray:
    """The stage as pixels, once what was asked for is drawn."""
    hide = "header, .legend, .views, #told { visibility: hidden }"  # what lies over the stage
    page_open.run(
        "if (!document.getElementById('bare')) document.head.insertAdjacentHTML('beforeend', arguments[0])",
        f"<style id='bare'>{hide}</style>",
    )
    before = page_open.run("return document.documentElement.dataset.drawn")
    page_open.run("window.dispatchEvent(new Event('resize'))")
    page_open.wait_for(f"document.documentElement.dataset.drawn !== '{before}'")
    box = page_open.run(
        "const b = document.getElementById('view').getBoundingClientRect(); return [b.left, b.top, b.right, b.bottom]"
    )
    picture = Image.open(io.BytesIO(page_open.picture())).convert("RGB")
    page_open.run("document.getElementById('bare').remove()")
    return np.asarray(picture.crop([round(v) for v in box])).astype(int)


def shown(page_open) -> set[str]:
    return set(page_open.run("return document.documentElement.dataset.shown").split())


def near_colour(picture: np.ndarray, colour: str, hue_within: float = 0.05) -> int:
    """Pixels whose hue is that of a colour and that are not grey."""
    from colorsys import rgb_to_hsv

    hue = rgb_to_hsv(*rgb(colour))[0]
    high, low = picture.max(axis=2), picture.min(axis=2)
    chroma = np.maximum(high - low, 1)
    r, g, b = (picture[..., k] for k in range(3))
    h = np.where(high == r, (g - b) / chroma % 6, np.where(high == g, (b - r) / chroma + 2, (r - g) / chroma + 4)) / 6
    off = np.abs(h - hue)
    return int(((np.minimum(off, 1 - off) < hue_within) & (chroma > 40)).sum())


@pytest.fixture(scope="module")
def desk(page):
    if why_no_browser():
        pytest.skip(why_no_browser())
    with browser(1280, 800) as page_open:
        page_open.open(page)
        page_open.wait_for(READY)
        yield page_open


@needs_browser
def test_page_comes_up_without_complaint_or_network(desk):
    assert [c for c in desk.complaints() if "ReadPixels" not in c] == []
    fetched = desk.run("return performance.getEntriesByType('resource').map((e) => e.name)")
    assert [name for name in fetched if not name.startswith(("data:", "blob:"))] == []
    assert desk.run("return document.querySelector('h1').textContent").startswith("</script><img")
    assert desk.run("return document.title").startswith("</script><img")  # nobody owned it
    assert desk.run("return document.images.length") == 1


@needs_browser
def test_clicks_hide_and_show_each_part(desk):
    for part, colour in (("jacket0", "#dcb765"), ("glove0", "#6fa9a8"), ("seam", "#b02a30")):
        desk.run("for (const b of document.querySelectorAll('[data-part]')) if (b.ariaPressed === 'true') b.click()")
        desk.click(f'[data-part="{part}"]')
        assert shown(desk) == {part}
        desk.click('[data-view="left"]')
        there = near_colour(seen(desk), colour)
        desk.click(f'[data-part="{part}"]')
        assert desk.run(f"return document.querySelector('[data-part={part}]').ariaPressed") == "false"
        assert there > 150
        assert near_colour(seen(desk), colour) < 0.02 * there


@needs_browser
def test_a_click_colours_the_glove_by_thickness_with_its_legend(plan, desk):
    desk.run("for (const b of document.querySelectorAll('[data-part]')) if (b.ariaPressed === 'true') b.click()")
    desk.click('[data-part="locks"]')
    assert shown(desk) == {"locks", "master"}
    desk.click('[data-part="thickness"]')
    assert shown(desk) == {"thickness", "master", "glove0", "glove1"}  # one scale at a time, and the glove to see it on
    assert desk.run("return document.getElementById('legend').hidden") is True
    assert desk.run("return document.getElementById('legend-thickness').hidden") is False
    legend = desk.run("return document.getElementById('legend-thickness').innerText")
    view = thickness_view(plan)
    assert mm(min(piece.least_mm for piece in view.pieces)) in legend
    assert f"{view.high_mm:.3g} mm +" in legend
    desk.click('[data-part="master"]')
    desk.click('[data-view="left"]')
    coloured = seen(desk)
    desk.click('[data-part="thickness"]')
    plain = seen(desk)
    changed = (np.abs(coloured - plain).max(axis=2) > 25).mean()
    glove = (np.abs(plain - [244, 241, 234]).max(axis=2) > 40).mean()
    assert changed > 0.5 * glove
    assert desk.run("return document.getElementById('legend-thickness').hidden") is True


def test_thickness_colours_are_those_of_the_measure(plan, page):
    text = page.read_text(encoding="utf-8")
    data = json.loads(taken(text, "plan"))
    block = zlib.decompress(base64.b64decode(taken(text, "shapes")))
    view = thickness_view(plan)
    for at in (0, 1):
        body = next(b for b in data["bodies"] if b["part"] == f"glove{at}")
        held = np.frombuffer(block, np.uint8, 3 * body["vertices"], body["thickness"]).reshape(-1, 3) / 255
        steps = np.frombuffer(block, "<u2", 3 * body["vertices"], body["at"]["vertices"]).reshape(-1, 3)
        points = np.array(body["low"]) + steps * np.array(body["step"])
        wanted = view.colours_on(at, points)
        # shade darkens all three channels alike, so what is compared is their ratio
        ratio = held / np.maximum(held.max(axis=1, keepdims=True), 1e-6)
        assert np.median(np.abs(ratio - wanted / wanted.max(axis=1, keepdims=True))) < 0.02


@needs_browser
def test_slider_pulls_the_mould_apart(desk):
    desk.run("for (const b of document.querySelectorAll('[data-part]')) if (b.ariaPressed === 'false') b.click()")
    desk.run("const s = document.getElementById('apart'); s.value = 0; s.dispatchEvent(new Event('input'))")
    assert desk.run("return document.getElementById('apart-said').textContent") == "closed"
    desk.click('[data-view="front"]')
    closed = seen(desk)
    desk.type("#apart", "\ue010")  # the End key on the slider
    assert desk.run("return document.documentElement.dataset.apart") == "1"
    desk.click('[data-view="front"]')
    apart = seen(desk)

    def spread(picture):
        columns = np.flatnonzero((np.abs(picture - [244, 241, 234]).max(axis=2) > 60).any(axis=0))
        rows = np.flatnonzero((np.abs(picture - [244, 241, 234]).max(axis=2) > 60).any(axis=1))
        return np.ptp(columns) / np.ptp(rows)

    assert spread(apart) > 1.6 * spread(closed)  # it opens to the sides


@needs_browser
@pytest.mark.parametrize("kind", ["mouse", "touch"])
def test_dragging_turns_it(desk, kind):
    desk.click('[data-view="front"]')
    before = seen(desk)
    desk.drag("#view", (160, 30), kind)
    assert (np.abs(seen(desk) - before).max(axis=2) > 30).mean() > 0.02


@needs_browser
def test_a_tap_tells_what_it_is_and_a_lock_is_shown(plan, desk):
    desk.run("for (const b of document.querySelectorAll('[data-part]')) if (b.ariaPressed === 'true') b.click()")
    desk.click('[data-part="master"]')
    desk.click('[data-view="front"]')
    desk.click("#view")
    assert desk.run("return document.getElementById('told').textContent").startswith(
        f"Master: {mm(plan.master.height_mm)}"
    )
    desk.click('[data-lock="0"]')
    assert shown(desk) == {"master", "locks"}
    assert desk.run("return document.getElementById('legend').hidden") is False
    assert "left side" in desk.run("return document.getElementById('told').textContent")


@needs_browser
def test_it_comes_apart_in_order_and_numbers_stand_on_keys_and_bolts(plan, desk):
    """Bolts first, then jackets, then gloves, the last made first; by the keyboard as well as by the mouse. From close
    up it steps back first, or nothing of it would be seen."""
    desk.click('[data-lock="0"]')
    near = float(desk.run("return document.documentElement.dataset.far"))
    desk.type("#off-play", "\ue007")  # Enter
    desk.wait_for("document.documentElement.dataset.turn !== undefined")
    assert float(desk.run("return document.documentElement.dataset.far")) > 1.5 * near
    turns = 1 + 2 * len(plan.seam.pieces)
    desk.wait_for(f"document.documentElement.dataset.turn === '{turns - 1}'")
    assert "Glove peeled" in desk.run("return document.getElementById('told').textContent")
    desk.wait_for("document.getElementById('off-play').ariaPressed === 'false'")
    assert desk.run("return document.documentElement.dataset.apart") == "1"
    said = desk.run("return JSON.parse(document.getElementById('plan').textContent).turns")
    assert [words.split(",")[0] for words in said] == [
        "Bolts out",
        *["Jacket off"] * len(plan.seam.pieces),
        *["Glove peeled"] * len(plan.seam.pieces),
    ]
    assert said[1].startswith(f"Jacket off, {plan.seam.taking_off[0]}")
    desk.click('[data-view="left"]')
    desk.click("#number-them")
    desk.wait_for("Number(document.documentElement.dataset.numbers) > 0")
    marks = desk.run("return JSON.parse(document.getElementById('plan').textContent).bodies.flatMap((b) => b.marks)")
    assert {mark["name"] for mark in marks} >= {key.name for key in plan.keys.keys}
    assert len(marks) == len(plan.keys.keys) + len(plan.jacket.pieces[0].bolts_mm)
    desk.click("#number-them")
    desk.wait_for("document.documentElement.dataset.numbers === '0'")


@needs_browser
def test_page_reads_on_a_phone(page):
    with browser(390, 844) as phone:
        phone.open(page)
        phone.wait_for(READY)
        assert phone.run("return document.documentElement.scrollWidth") <= 390
        stage = phone.run(
            "const b = document.querySelector('.stage').getBoundingClientRect(); return [b.width, b.height]"
        )
        assert stage[0] == 390
        assert 0.45 * 844 < stage[1] < 0.55 * 844
        phone.run("window.scrollTo(0, document.documentElement.scrollHeight)")
        # read to the end, the model is still in view and over what is read
        assert phone.run("return document.querySelector('.stage').getBoundingClientRect().top") == 0
        assert phone.run("return document.elementFromPoint(195, 200).closest('.stage') !== null")
        phone.run("window.scrollTo(0, 0)")
        small = phone.run(
            "return [...document.querySelectorAll('button')]"
            ".filter((b) => b.offsetParent && b.getBoundingClientRect().height < 36).length"
        )
        assert small == 0  # every button is large enough for a thumb
        sizes = phone.run(
            "return [...document.querySelectorAll('aside dd, aside p, aside summary, aside button')]"
            ".map((e) => parseFloat(getComputedStyle(e).fontSize))"
        )
        assert min(sizes) >= 12
        phone.click('[data-part="jacket0"]')
        assert "jacket0" not in shown(phone)


@needs_browser
def test_page_without_three_dimensions_keeps_picture_and_figures(page):
    with browser(1000, 700, flags=("--disable-3d-apis",)) as plain:
        plain.open(page)
        assert plain.wait_for("document.documentElement.dataset.state") == "flat"
        assert plain.run("return document.querySelector('.poster').naturalWidth") > 200
        assert plain.run("return getComputedStyle(document.querySelector('.poster')).visibility") == "visible"
        assert plain.run("return document.querySelectorAll('aside dl').length") >= 4
        assert "cannot turn" in plain.run("return document.getElementById('told').textContent")


# --- scan against plan -----------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def scanned_page(plan, tmp_path_factory):
    """The page of a plan made from a scan that is 12 mm proud at its left and 9 mm shy at its right."""
    x = plan.master.vertices_mm[:, 0]
    off = np.where(x > 60, 12.0, np.where(x < -60, -9.0, 0.0))
    places = tuple(
        ClayPlace((at, 0.0, 150.0), 4000.0, most, 4e4, 20.0, True, f"<i>{side}</i> side")
        for at, most, side in ((90.0, 12.0, "left"), (-90.0, -9.0, "right"))
    )
    clay = ClayDifference(off, 2.0, 0.4, places, (601.0, 600.0), (4e4, 4e4), 0.0, ("Laid within 0.4 mm.",))
    made = SimpleNamespace(**{**vars(plan), "clay": clay})
    return write_page(made, tmp_path_factory.mktemp("scanned") / "plan.html")


def test_a_plan_of_no_scan_shows_none(page):
    text = page.read_text(encoding="utf-8")
    assert json.loads(taken(text, "plan"))["clayColours"] is None
    assert "data-clay" not in text.split("<script")[0]


def test_a_scan_is_coloured_where_it_is_off_its_plan(plan, scanned_page):
    text = scanned_page.read_text(encoding="utf-8")
    data = json.loads(taken(text, "plan"))
    block = zlib.decompress(base64.b64decode(taken(text, "shapes")))
    body = next(each for each in data["bodies"] if each["part"] == "master")
    count = body["vertices"]
    colours = np.frombuffer(block, np.uint8, 3 * count, data["clayColours"]).reshape(-1, 3).astype(int)
    x = np.frombuffer(block, "<u2", 3 * count, body["at"]["vertices"]).reshape(-1, 3)[:, 0] * body["step"][0]
    x = x + body["low"][0]
    warmth = colours[:, 0] - colours[:, 2]
    assert warmth[x > 70].mean() > warmth[np.abs(x) < 40].mean() + 20 > warmth[x < -70].mean() + 40
    assert "&lt;i&gt;left&lt;/i&gt; side: 12 mm proud" in text
    assert "<i>left" not in text.split("<script")[0]


@needs_browser
def test_one_scale_is_shown_at_a_time_and_places_are_gone_to(scanned_page):
    with browser(1280, 800) as page_open:
        page_open.open(scanned_page)
        page_open.wait_for(READY)
        page_open.click('[data-part="locks"]')
        page_open.click('[data-clay="1"]')
        assert {"clay", "master"} <= shown(page_open)
        assert "locks" not in shown(page_open)
        hidden = "return [document.getElementById('legend').hidden, document.getElementById('legend-clay').hidden]"
        assert page_open.run(hidden) == [True, False]
        assert "9 mm shy" in page_open.run("return document.getElementById('told').textContent")
        cold = seen(page_open)
        assert ((cold[..., 2] - cold[..., 0]) > 25).mean() > 0.01
        page_open.click('[data-part="thickness"]')
        assert "clay" not in shown(page_open)
