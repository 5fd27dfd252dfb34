"""What is drawn on a jacket: patches, ribs, bolts, wedges and clamps where the plan has them, on paper and in space."""

from __future__ import annotations

import itertools
import json
import re
from dataclasses import replace
from types import SimpleNamespace
from unittest.mock import MagicMock

import numpy as np
import pypdf
import pytest
import shapely
import trimesh
from mouldloft.geometry.heightmap import surface_cells
from mouldloft.outputs.look import JACKET, PATCH, RIB, rgb
from mouldloft.outputs.page.build import page_text
from mouldloft.outputs.pictures import bodies, studio
from mouldloft.outputs.pictures.apart import apart_picture, apart_steps_mm, taken_apart
from mouldloft.outputs.pictures.bodies import jacket_body, mould_bodies, mould_meshes
from mouldloft.outputs.sheets.drawing import piece_drawing
from mouldloft.outputs.sheets.pieces import piece_pages
from mouldloft.outputs.sheets.typeset import ruled_table
from mouldloft.outputs.summary import summary_text
from mouldloft.outputs.whereabouts import where_words
from mouldloft.solids.ribs import ribs_of
from mouldloft.stages.jacket.layup import in_patches
from mouldloft.stages.jacket.record import Patch, Rib, Zone
from mouldloft.stages.keys.place import snap_to_outside
from mouldloft.stages.rubber.rims import over
from mouldloft.trade.laminate import lay_up, mat_g_m2_from_oz
from reportlab.lib.pagesizes import A4
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import SimpleDocTemplate
from scipy.ndimage import binary_erosion
from scipy.spatial import cKDTree
from synthetic_plan import small_plan as figure_plan

INNER = 500.0
MAT = lay_up(mat_g_m2_from_oz(6), 0.30)


@pytest.fixture(scope="module", autouse=True)
def coarse_pictures():
    """Pictures at half the fineness: what is read here is places and words."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(studio, "_SCALE", 1)
        patch.setattr(studio, "_MOST_BAKED", 6000)
        patch.setattr(bodies, "MOST_GLOVE_PIXELS", 20_000)
        yield


@pytest.fixture(scope="module")
def plain():
    return figure_plan()


@pytest.fixture(scope="module")
def plan(plain):
    """The figure's plan with two ribs, two patches and a clamp on its left piece."""
    envelope, piece = plain.rubber.envelopes[0], plain.jacket.pieces[0]
    spots = [(100, -40, 180), (100, 60, 180), (100, -40, 120), (100, 60, 120), (90, 20, 150), (90, 24, 152)]
    on = [tuple(map(float, p)) for p in snap_to_outside(envelope, np.array(spots, float))]
    ribs = tuple(Rib(one, other, 20.0, 30.0, MAT.layers) for one, other in (on[:2], on[2:4]))
    zones = tuple(
        Zone(name, 1e4, MAT.glass_g_m2, 6.0, MAT.weights_g_m2, MAT.thickness_mm, 0.1, 0.2) for name in ("patch", "ribs")
    )
    stiff = replace(
        piece, ribs=ribs, patches=(Patch(on[4], 90.0), Patch(on[5], 90.0)), zones=(*piece.zones, *zones),
        clamps_mm=(piece.wedge_points_mm[0],),
    )  # fmt: skip
    jacket = replace(plain.jacket, pieces=(stiff, *plain.jacket.pieces[1:]))
    return SimpleNamespace(**{**vars(plain), "jacket": jacket})


# --- in space


def test_patches_have_their_own_colour_where_they_lie(plan):
    body = mould_bodies(plan).jackets[0]
    piece, envelope = plan.jacket.pieces[0], plan.rubber.envelopes[0]
    mesh = trimesh.Trimesh(body.vertices_mm, body.faces, process=False)
    patched = (np.abs(body.colours[body.faces[:, 0]] - rgb(PATCH)) < 1e-9).all(axis=1)
    assert (np.abs(body.colours[body.faces[~patched, 0]] - rgb(JACKET)) < 1e-9).all()
    away = np.linalg.norm(mesh.triangles_center[:, None] - [p.centre_mm for p in piece.patches], axis=2).min(axis=1)
    assert away[patched].max() <= 90.0 + 1e-3
    # the outer face of what is coloured is as large as the column image's own cells there, and on the body alone
    outward = mesh.face_normals @ envelope.frame.pull > 0.05
    cells = surface_cells(envelope.outer_mm, envelope.origin_mm, envelope.pixel_mm)
    by_cells = cells.area_mm2[in_patches(piece, envelope)[:-1, :-1]].sum()
    assert mesh.area_faces[patched & outward].sum() == pytest.approx(by_cells, rel=0.12)
    assert not in_patches(piece, envelope)[envelope.flange].any()
    other = mould_bodies(plan).jackets[1]
    assert (np.abs(other.colours - rgb(JACKET)) < 1e-9).all()


def test_no_patch_is_drawn_on_a_flange(plan):
    piece, envelope = plan.jacket.pieces[0], plan.rubber.envelopes[0]
    wide = replace(piece, patches=(Patch(piece.patches[0].centre_mm, 260.0),))  # past the rim
    view = SimpleNamespace(**{**vars(plan), "jacket": replace(plan.jacket, pieces=(wide,))})
    body = jacket_body(view, 0, mould_meshes(plan).jackets[0])
    middles = envelope.frame.to_frame(body.vertices_mm[body.faces].mean(axis=1))
    patched = (np.abs(body.colours[body.faces[:, 0]] - rgb(PATCH)) < 1e-9).all(axis=1)
    on_flange = over(envelope, binary_erosion(envelope.flange, iterations=2), middles)
    assert on_flange.sum() > 100
    assert not (patched & on_flange).any()
    assert patched.any()


def test_ribs_are_drawn_on_the_jacket_and_move_with_it(plan, plain):
    drawn = mould_bodies(plan).ribs[0]
    cores = ribs_of(plan.jacket.pieces[0], plan.rubber.envelopes[0], plan.keys, plan.rubber)[:2]
    made = np.concatenate([core.vertices_mm for core in cores])
    assert cKDTree(made).query(drawn.vertices_mm)[0].max() < 12.0
    assert np.ptp(drawn.vertices_mm, axis=0) == pytest.approx(np.ptp(made, axis=0), abs=1.5)
    assert drawn.colours[0] == pytest.approx(rgb(RIB))
    moved = next(b for b in taken_apart(plan).bodies if b.name == "ribs, left piece")
    off = apart_steps_mm(plan, 0)[1] * plan.rubber.envelopes[0].frame.pull
    assert moved.vertices_mm == pytest.approx(drawn.vertices_mm + off)
    assert not any(b.name.startswith("ribs") for b in taken_apart(plain).bodies)


def test_the_picture_taken_apart_tells_its_colours(plan, plain):
    def swatches(of):
        corner = np.asarray(apart_picture(of))[:140, :80]
        return [
            (np.abs(corner.astype(int) - np.round(255 * np.array(rgb(c)))).max(axis=2) < 3).sum() for c in (PATCH, RIB)
        ]

    assert min(swatches(plan)) > 300
    assert max(swatches(plain)) == 0


def test_the_page_has_them(plan, plain):
    def told(of):
        text = page_text(of)
        data = re.search(r'<script type="application/json" id="plan">(.*?)</script>', text, re.S).group(1)
        return text, json.loads(data)

    text, data = told(plan)
    bodies = {body["part"]: body for body in data["bodies"]}
    assert bodies["ribs"]["words"].endswith("2 ribs on cores 30 mm wide and 20 mm high, glassed over")
    assert bodies["ribs"]["pull"] == bodies["jacket0"]["pull"]
    assert {"name": "ribs", "label": "Ribs", "colour": RIB, "shown": True} in data["parts"]
    assert f"Jacket laid heavier here: {len(MAT.layers)} layers" in text
    assert text.count("; 1 clamp where the flange leans too much") == 1
    assert summary_text(plan).count(" and 1 clamp") == 1
    text, data = told(plain)
    assert not any(part["name"] == "ribs" for part in data["parts"])
    assert "laid heavier" not in text


# --- on paper


def drawn_on(plan, at=0):
    """Calls of a canvas that records them."""
    canvas = MagicMock()
    canvas.stringWidth.return_value = 30.0
    piece_drawing(plan, at, INNER)._draw_on(canvas)
    return canvas


def scale_of(canvas):
    """Points to a millimetre, by the scale bar: its line and its length in words."""
    words = next(c.args[2] for c in canvas.drawCentredString.call_args_list if c.args[2].endswith(" mm"))
    bar = next(c.args for c in canvas.line.call_args_list if c.args[2] == INNER - 10.0 and c.args[1] == c.args[3])
    return (bar[2] - bar[0]) / float(words.removesuffix(" mm"))


def test_bolts_stand_to_scale(plan):
    canvas = drawn_on(plan)
    piece, frame = plan.jacket.pieces[0], plan.rubber.envelopes[0].frame
    bolts = np.array([*piece.bolts_mm, *piece.foot_bolts_mm])
    drawn = np.array([c.args[:2] for c in canvas.circle.call_args_list if c.args[2] == 2.2])[: len(bolts)]
    assert len(drawn) == len(bolts) > 8
    real = frame.to_frame(bolts)[:, :2]
    apart, on_page = (np.linalg.norm(p[:, None] - p[None], axis=2) for p in (real, drawn))
    assert on_page == pytest.approx(apart * scale_of(canvas), abs=0.5)
    # seen against the pull: not mirrored, and up is up
    fit = np.linalg.lstsq(np.column_stack([real, np.ones(len(real))]), drawn, rcond=None)[0][:2]
    assert fit == pytest.approx(np.eye(2) * scale_of(canvas), abs=1e-2)


def test_hatching_covers_the_patches_and_nothing_else(plan):
    canvas = drawn_on(plan)
    frame, envelope = plan.rubber.envelopes[0].frame, plan.rubber.envelopes[0]
    scale = scale_of(canvas)
    bolt = next(np.array(c.args[:2]) for c in canvas.circle.call_args_list if c.args[2] == 2.2)
    origin = bolt - scale * frame.to_frame(np.array(plan.jacket.pieces[0].bolts_mm[:1]))[0, :2]
    lines = np.array([c.args for c in canvas.line.call_args_list])
    strokes = lines[np.abs((lines[:, 2] - lines[:, 0]) - (lines[:, 3] - lines[:, 1])) < 1e-6]  # at 45 degrees
    strokes = strokes[(strokes[:, 2] - strokes[:, 0] > 0) & (strokes[:, 1] > 20.0)]
    middles = (strokes[:, :2] + strokes[:, 2:]) / 2.0
    at = (middles - origin) / scale
    i, j = (np.rint((at[:, k] - envelope.origin_mm[k]) / envelope.pixel_mm).astype(int) for k in (1, 0))
    mask = in_patches(plan.jacket.pieces[0], envelope)
    assert mask[i, j].mean() > 0.97
    # strokes 4 points apart cover their length times that
    length = np.linalg.norm(strokes[:, 2:] - strokes[:, :2], axis=1).sum()
    assert length * 4.0 == pytest.approx(mask.sum() * (envelope.pixel_mm * scale) ** 2, rel=0.1)


def test_tags_do_not_cover_one_another(plan):
    canvas = drawn_on(plan)
    tags = {c.args[2]: np.array(c.args[:2]) for c in canvas.drawCentredString.call_args_list}
    places = [tags[name] for name in ("1", "2", "A", "B")]
    for k, one in enumerate(places):
        for other in places[:k]:
            assert np.linalg.norm(one - other) > 10.0
    scale, frame = scale_of(canvas), plan.rubber.envelopes[0].frame
    ribs = [np.mean([r.start_mm, r.end_mm], axis=0) for r in plan.jacket.pieces[0].ribs]
    apart = frame.to_frame(np.array(ribs))[:, :2]
    assert tags["1"] - tags["2"] == pytest.approx((apart[0] - apart[1]) * scale, abs=0.1), "on the ribs' middles"


def test_signs_are_explained_where_they_stand(plan, plain, tmp_path):
    words = ("key", "bolt", "wedge point", "clamp", "laid heavier (patch)", "rib, its core")

    def read(of):
        canvas = Canvas(str(tmp_path / "drawing.pdf"), pagesize=(INNER, 400))
        piece_drawing(of, 0, INNER).drawOn(canvas, 0, 0)
        canvas.save()
        text = " ".join(pypdf.PdfReader(tmp_path / "drawing.pdf").pages[0].extract_text().split())
        return [word in text for word in words]

    assert read(plan) == [True] * 6
    assert read(plain) == [True, True, True, False, False, False]


def test_signs_do_not_run_into_the_scale(plan):
    canvas = Canvas("unused.pdf")
    spans = []

    def note(x, y, text):
        spans.append((x, x + canvas.stringWidth(text, "Helvetica", 7)))

    recorder = MagicMock()
    recorder.stringWidth.side_effect = lambda text, _font, size: canvas.stringWidth(text, "Helvetica", size)
    recorder.drawString.side_effect = note
    piece_drawing(plan, 0, INNER)._draw_on(recorder)
    bar = next(c.args for c in recorder.line.call_args_list if c.args[2] == INNER - 10.0 and c.args[1] == c.args[3])
    assert max(end for _, end in spans) < bar[0] - 5.0
    assert all(a[1] < b[0] for a, b in itertools.pairwise(spans))


def test_the_sheet_says_where_they_go(plan):
    def rows(flowable):
        return getattr(flowable, "_cellvalues", [])

    tables = [t for t in piece_pages(plan, 0, INNER) if rows(t)]
    text = [" ".join(str(getattr(c, "text", c)) for c in row) for t in tables for row in rows(t)]
    piece = plan.jacket.pieces[0]
    (where,) = where_words(plan, [piece.patches[0].centre_mm])
    assert any(f"all within 90 mm of {where}" in line for line in text)
    assert sum("30 × 20 mm" in line for line in text) == 2


def test_outline_of_a_patch_is_a_shape(plan):
    piece, envelope = plan.jacket.pieces[0], plan.rubber.envelopes[0]
    alone = replace(piece, patches=piece.patches[:1])
    mask = in_patches(alone, envelope)
    i, j = np.nonzero(mask)
    spread = np.column_stack([i, j]) * envelope.pixel_mm
    # seen along the pull a ball's cut is no wider than the ball
    assert shapely.MultiPoint(spread).minimum_rotated_rectangle.area <= (2 * 90.0 + envelope.pixel_mm) ** 2
    assert mask.sum() * envelope.pixel_mm**2 <= np.pi * 90.0**2


def test_a_tables_last_row_is_never_alone_on_a_page(tmp_path):
    """One row too many for a page takes two more with it."""

    def on_each(rows: int) -> list[int]:
        made = tmp_path / f"{rows}.pdf"
        table = ruled_table(("coat", "piece"), [("skin", "left")] * rows, (100, 100))
        SimpleDocTemplate(str(made), pagesize=A4).build([table])
        return [page.extract_text().count("skin") for page in pypdf.PdfReader(made).pages]

    fits = next(rows for rows in range(30, 90) if len(on_each(rows + 1)) == 2)
    assert on_each(fits) == [fits]
    assert on_each(fits + 1) == [fits - 2, 3]
