"""Templates measured back from the written files: DXF by ezdxf, SVG by an XML parser, PDF by pypdf."""

from __future__ import annotations

import re
from xml.etree import ElementTree

import ezdxf
import numpy as np
import pypdf
import pytest
from mouldloft.base.errors import OutputRefused
from mouldloft.outputs.templates.fullsize import (
    Template,
    TemplateLine,
    TemplateText,
    tiles_of,
    write_dxf,
    write_pdf,
    write_svg,
)

MM = 72.0 / 25.4  # points to a millimetre: PDF's unit is 1/72 inch (ISO 32000)


def boards():
    angle = np.linspace(0, 2 * np.pi, 400, endpoint=False)
    disc = np.stack([300 * np.cos(angle) - 40, 300 * np.sin(angle) + 25], axis=1)
    hole = np.stack([80 * np.cos(-angle), 80 * np.sin(-angle)], axis=1)
    station = TemplateLine(np.array([[0.0, 100.0], [0.0, 250.0]]), closed=False, use="mark")
    bend = TemplateLine(np.array([[-200.0, 0.0], [-100.0, 0.0]]), closed=False, use="fold")
    one = Template("W1", (TemplateLine(disc), TemplateLine(hole), station, bend), (TemplateText("7", (3.0, 170.0)),))
    square = TemplateLine(np.array([[0, 0], [120, 0], [120, 60], [0, 60.0]]))
    return [one, Template("board <B&2> Ø", (square,))]


def length(points, closed):
    path = np.concatenate([points, points[:1]]) if closed else points
    return float(np.linalg.norm(np.diff(path, axis=0), axis=1).sum())


EXPECTED = {"CUT": 2 * np.pi * 300 + 2 * np.pi * 80 + 2 * (120 + 60), "MARK": 150.0, "FOLD": 100.0}


def test_dxf_measures_in_millimetres(tmp_path):
    drawing = ezdxf.readfile(write_dxf(tmp_path / "boards.dxf", boards()))
    assert drawing.header["$INSUNITS"] == 4  # millimetres (DXF reference, $INSUNITS)
    assert not drawing.audit().has_errors
    found = dict.fromkeys(EXPECTED, 0.0)
    for entity in drawing.modelspace().query("LWPOLYLINE"):
        points = np.array(entity.get_points("xy"))
        found[entity.dxf.layer] += length(points, entity.closed)
    for layer, expected in EXPECTED.items():
        assert found[layer] == pytest.approx(expected, rel=1e-4)
    words = {text.dxf.text for text in drawing.modelspace().query("TEXT")}
    assert words == {"W1", "board <B&2> Ø", "7"}


def test_dxf_pieces_lie_apart(tmp_path):
    drawing = ezdxf.readfile(write_dxf(tmp_path / "boards.dxf", boards()))
    boxes = []
    for entity in drawing.modelspace().query("LWPOLYLINE"):
        points = np.array(entity.get_points("xy"))
        boxes.append((*points.min(axis=0), *points.max(axis=0)))
    square = min(boxes[:1] + boxes[-1:], key=lambda b: b[2] - b[0])
    disc = max(boxes, key=lambda b: b[2] - b[0])
    assert square[0] >= disc[2] + 20 or square[1] >= disc[3] + 20


def test_svg_measures_in_millimetres(tmp_path):
    root = ElementTree.parse(write_svg(tmp_path / "boards.svg", boards())).getroot()
    space = "{http://www.w3.org/2000/svg}"
    x, y, width, height = (float(v) for v in root.get("viewBox").split())
    assert (x, y) == (0.0, 0.0)
    # one user unit is one millimetre
    assert root.get("width") == f"{width:.3f}mm"
    assert root.get("height") == f"{height:.3f}mm"
    found = dict.fromkeys(EXPECTED, 0.0)
    for path in root.iter(space + "path"):
        numbers = np.array([float(v) for v in re.findall(r"-?\d+\.\d+", path.get("d"))]).reshape(-1, 2)
        assert (numbers >= 0).all()
        assert (numbers <= [width, height]).all()
        found[path.get("class").upper()] += length(numbers, path.get("d").endswith("Z"))
    for use, expected in EXPECTED.items():
        assert found[use] == pytest.approx(expected, rel=1e-4)
    assert {text.text for text in root.iter(space + "text")} == {"W1", "board <B&2> Ø", "7"}


def drawn_paths(page):
    """Stroked paths of a page in mm on paper, from its content stream: move, line, close."""
    paths, current = [], []
    for operands, operator in pypdf.generic.ContentStream(page.get_contents(), page.pdf).operations:
        numbers = [float(v) for v in operands if isinstance(v, int | float)]
        if operator == b"m":
            current = [numbers]
        elif operator == b"l":
            current.append(numbers)
        elif operator == b"h" and current:
            current.append(current[0])
        elif operator in (b"S", b"s"):
            if len(current) > 1:
                paths.append(np.array(current) / MM)
            current = []
        elif operator in (b"n", b"c", b"re"):
            current = []
    return paths


SIZES = [("A4", (210.0, 297.0)), ("A3", (297.0, 420.0)), ("letter", (215.9, 279.4))]


@pytest.mark.parametrize(("page", "size"), SIZES)
def test_pdf_is_at_full_size(tmp_path, page, size):
    """ISO 216 and ANSI/ASME Y14.1 page sizes; every tile carries the whole outline at 1:1, clipped to its window."""
    templates = boards()
    book = pypdf.PdfReader(write_pdf(tmp_path / "boards.pdf", templates, page))
    many = tiles_of(templates[0], page)
    assert len(many) > 1
    assert len(book.pages) == 1 + len(many) + 1  # the plan of the tiles, the tiles, the small board
    for sheet in book.pages:
        box = float(sheet.mediabox.width) / MM, float(sheet.mediabox.height) / MM
        assert sorted(box) == pytest.approx(size, abs=0.01)
    for sheet, tile in zip(book.pages[1 : 1 + len(many)], many, strict=True):
        paths = drawn_paths(sheet)
        lengths = [length(path, False) for path in paths]
        assert max(lengths) == pytest.approx(2 * np.pi * 300, rel=1e-3)
        # the 100 mm ruler
        flat = [p for p in paths if len(p) == 2 and abs(p[0, 1] - p[1, 1]) < 1e-6]
        assert max(abs(p[1, 0] - p[0, 0]) for p in flat if p[0, 1] > tile.page_mm[1] - 30) == pytest.approx(
            100, abs=0.01
        )
        text = sheet.extract_text()
        assert f"W1 {tile.name}" in " ".join(text.split())
        assert "100 mm" in text
    assert "board" in book.pages[-1].extract_text()


def crosses(sheet, tile):
    """Register marks of a page in the template's own coordinates."""
    flat = [p for p in drawn_paths(sheet) if len(p) == 2 and abs(length(p, False) - 8.0) < 1e-3]
    level = [p.mean(axis=0) for p in flat if abs(p[0, 1] - p[1, 1]) < 1e-6]
    return {tuple(np.round(np.array(p) - 12.0 + [tile.x_mm, tile.y_mm], 2)) for p in level}


def test_marks_of_neighbouring_tiles_fall_on_one_another(tmp_path):
    template = boards()[0]
    tiles = tiles_of(template, "A4")
    book = pypdf.PdfReader(write_pdf(tmp_path / "one.pdf", [template], "A4"))
    marks = {(tile.row, tile.column): crosses(sheet, tile) for tile, sheet in zip(tiles, book.pages[1:], strict=True)}
    joined = 0
    for (row, column), own in marks.items():
        assert len(own) == 4
        for beside in ((row, column + 1), (row + 1, column)):
            if beside in marks:
                assert len(own & marks[beside]) == 2
                joined += 1
    assert joined >= len(tiles) - 1


def test_tiles_cover_every_line():
    template = boards()[0]
    for page in ("A4", "A3"):
        tiles = tiles_of(template, page)
        points = np.concatenate([line.points_mm for line in template.lines])
        covered = np.zeros(len(points), bool)
        for tile in tiles:
            inside = (points >= [tile.x_mm, tile.y_mm]) & (
                points <= [tile.x_mm + tile.width_mm, tile.y_mm + tile.height_mm]
            )
            covered |= inside.all(axis=1)
        assert covered.all()
    names = [tile.name for tile in tiles_of(template, "A4")]
    assert len(set(names)) == len(names)
    # a ring leaves its middle tiles empty when it is wide enough
    angle = np.linspace(0, 2 * np.pi, 400)
    ring = Template("R", (TemplateLine(900 * np.stack([np.cos(angle), np.sin(angle)], axis=1)),))
    tiles = tiles_of(ring, "A4")
    assert len(tiles) < 0.7 * (max(t.row for t in tiles) + 1) * (max(t.column for t in tiles) + 1)


def test_a_small_piece_takes_one_page(tmp_path):
    book = pypdf.PdfReader(write_pdf(tmp_path / "small.pdf", boards()[1:], "A4"))
    assert len(book.pages) == 1
    assert "whole on this page" in book.pages[0].extract_text()


def strip(name, wide, high, x=0.0, y=0.0):
    corners = np.array([[0, 0], [wide, 0], [wide, high], [0, high]]) + (x, y)
    return Template(name, (TemplateLine(corners),), (TemplateText(name, (x + 2.0, y + 2.0)),))


def test_a_long_piece_is_laid_on_fewer_pages_that_lie():
    """490 mm: upright pages show 186 mm each and share 10, so three; lying 273 mm, so two. 150 mm across suits both."""
    tiles = tiles_of(strip("W1", 490.0, 150.0), "A4")
    assert [tile.page_mm for tile in tiles] == [pytest.approx((297.0, 210.0))] * 2
    upright = tiles_of(strip("W2", 150.0, 490.0), "A4")
    assert [tile.page_mm for tile in upright] == [pytest.approx((210.0, 297.0))] * 2


def test_small_pieces_share_a_page_and_lie_apart(tmp_path):
    """Twelve of 80 × 70 mm: two beside each other and three rows, so six a page; at full size and 10 mm apart."""
    small = [strip(f"R{k}", 80.0, 70.0, 13.0 * k, -7.0 * k) for k in range(1, 13)]
    book = pypdf.PdfReader(write_pdf(tmp_path / "small.pdf", [*small, strip("W1", 400.0, 100.0)], "A4"))
    pages = [page.extract_text() for page in book.pages]
    assert len(pages) == 3 + 2  # the strip's plan and two tiles first
    assert [all(f"R{k}" in text for k in own) for text, own in zip(pages[3:], (range(1, 7), range(7, 13)))] == [
        True
    ] * 2
    for sheet in book.pages[3:]:
        outlines = [p for p in drawn_paths(sheet) if len(p) == 5]
        boxes = np.array([[*p.min(axis=0), *p.max(axis=0)] for p in outlines])
        assert len(boxes) == 6
        assert boxes[:, 2:] - boxes[:, :2] == pytest.approx(np.array([[80.0, 70.0]] * 6), abs=0.02)
        assert boxes[:, :2].min() > 12.0 - 0.01
        assert (boxes[:, 2:].max(axis=0) < (198.0, 271.0)).all()
        for k, one in enumerate(boxes):
            for other in boxes[:k]:
                gap = np.maximum(np.maximum(one[:2] - other[2:], other[:2] - one[2:]), 0.0)
                assert gap.max() > 9.98


@pytest.mark.parametrize("write", [write_dxf, write_svg, write_pdf])
def test_what_cannot_be_written_is_refused_and_leaves_nothing(tmp_path, write):
    (tmp_path / "taken").write_text("x")
    with pytest.raises(OutputRefused) as refused:
        write(tmp_path / "taken" / "boards.out", boards())
    assert "cannot be written" in str(refused.value)
    assert [p.name for p in tmp_path.iterdir()] == ["taken"]


@pytest.mark.parametrize("write", [write_dxf, write_svg, write_pdf])
def test_a_rewrite_replaces_the_whole_file(tmp_path, write):
    suffix = {"write_dxf": ".dxf", "write_svg": ".svg", "write_pdf": ".pdf"}[write.__name__]
    path = tmp_path / f"boards{suffix}"
    path.write_bytes(b"old" * 100_000)
    write(path, boards())
    assert path.stat().st_size < 300_000
    assert b"oldold" not in path.read_bytes()
    assert [p.name for p in tmp_path.iterdir()] == [path.name]


def test_the_same_templates_give_the_same_pdf(tmp_path):
    one = write_pdf(tmp_path / "one.pdf", boards()).read_bytes()
    assert one == write_pdf(tmp_path / "two.pdf", boards()).read_bytes()
