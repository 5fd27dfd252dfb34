"""The cradle's boards and rails as a cutter reads them, and how they slot together."""

from __future__ import annotations

import ezdxf
import manifold3d as m3
import numpy as np
import pytest
from mouldloft.geometry.frame import pull_frame
from mouldloft.outputs.templates.cradle import cradle_templates, end_words
from mouldloft.outputs.templates.write import write_templates
from shapely.geometry import Point, Polygon


def test_ends_are_called_by_the_master():
    """By hand: pulled to +x, u = z x x = y runs to the back, v up to the head."""
    frame = pull_frame(np.array([1.0, 0.0, 0.0]))
    assert end_words(frame, "y") == ("foot", "head")
    assert end_words(frame, "x") == ("front", "back")
    turned = pull_frame(np.array([-1.0, 0.0, 0.0]))
    assert end_words(turned, "x") == ("back", "front")


@pytest.fixture(scope="module")
def drawing(small_plan, tmp_path_factory):
    """Outlines, words and sheets of the cradles' file, read by ezdxf."""
    folder = write_templates(small_plan, tmp_path_factory.mktemp("templates"))
    space = ezdxf.readfile(folder / "cradle.dxf").modelspace()
    lines = [(e.dxf.layer, Polygon([p[:2] for p in e.get_points()])) for e in space
             if e.dxftype() == "LWPOLYLINE" and e.closed]  # fmt: skip
    words = [(e.dxf.text, Point(e.dxf.insert.x, e.dxf.insert.y)) for e in space if e.dxftype() == "TEXT"]
    sheets = [shape for layer, shape in lines if layer == "MARK" and shape.area > 1e6]
    return [shape for layer, shape in lines if layer == "CUT"], words, sheets


def test_every_member_says_which_it_is_and_is_cut_as_planned(small_plan, drawing):
    """One outline a member, of its area, with its name, heights and ends inside."""
    cut, words, _ = drawing
    boards = [b for piece in small_plan.cradle.pieces for b in piece.boards]
    rails = [r for piece in small_plan.cradle.pieces for r in piece.rails]
    assert len(cut) == len(boards) + len(rails)
    for member in (*boards, *rails):
        (at,) = (p for text, p in words if text == member.name)
        shape = next(c for c in cut if c.distance(at) < 1.0)
        outline = member.cut_mm if member in boards else member.outline_mm
        assert shape.is_valid
        assert shape.area == pytest.approx(Polygon(outline).area, rel=1e-6)
        own = [text for text, p in words if shape.buffer(2.0).covers(p)]
        assert sum(text in ("HEAD", "FOOT", "FRONT", "BACK", "LEFT", "RIGHT") for text in own) == 2
        if member in boards:
            assert any(text == f"{member.outline_mm[2:, 1].min():.0f} high" for text in own)
            assert any("this face to the" in text for text in own)
            assert {"rail 1", "rail 2"} <= set(own)
        else:
            assert {b.split(" ", 1)[1] for b in member.boards} <= set(own)


def test_members_lie_apart_on_the_sheets_that_are_bought(small_plan, drawing):
    cut, _, sheets = drawing
    lots = small_plan.cradle.sheets
    assert len(sheets) == sum(lot.count for lot in lots)
    assert all(sum(sheet.covers(shape) for sheet in sheets) == 1 for shape in cut)
    assert min(a.distance(b) for k, a in enumerate(cut) for b in cut[:k]) > 4.0
    for lot in lots:
        line = next(n for n in small_plan.takeoff.lines if n.code == lot.code)
        assert dict(line.by_stage)["cradle"] == pytest.approx(lot.count * lot.size_mm[0] * lot.size_mm[1] * 1e-6)


def test_sawn_members_slot_into_each_other(small_plan, small_solids):
    """By manifold3d: no wood is in other wood, though every board and its rails cross."""
    made = [s for s in small_solids if s.kind in ("cradle board", "cradle rail")]
    solids = [m3.Manifold(m3.Mesh64(s.vertices_mm, s.faces.astype(np.uint64))) for s in made]
    crossings = 0
    for k, (one, solid) in enumerate(zip(made, solids, strict=True)):
        for other, beside in zip(made[:k], solids[:k], strict=True):
            assert (solid ^ beside).volume() < 1.0, (one.name, other.name)
            if one.kind != other.kind:
                crossings += (m3.Manifold.batch_hull([solid]) ^ m3.Manifold.batch_hull([beside])).volume() > 1e4
    pieces = small_plan.cradle.pieces
    assert crossings >= sum(2 * len(piece.boards) for piece in pieces)


def test_no_board_is_idle(small_plan):
    """The jacket lies at least 40 mm along every board: its top edge dips under its shoulders there."""
    templates = cradle_templates(small_plan)
    boards = [b for piece in small_plan.cradle.pieces for b in piece.boards]
    assert len(templates) == len(small_plan.cradle.shapes)
    for board in boards:
        top = board.outline_mm[2:]
        order = np.argsort(top[:, 0])
        x, height = top[order].T
        across = np.linspace(x[0], x[-1], 2000)
        dips = np.interp(across, x, height) < height.max() - 2.0
        assert dips.mean() * (x[-1] - x[0]) > 40.0
