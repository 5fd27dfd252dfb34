"""The cradle's boards as a cutter reads them, and where their rails sit."""

from __future__ import annotations

import ezdxf
import numpy as np
import pytest
from mouldloft.geometry.frame import pull_frame
from mouldloft.outputs.templates.cradle import cradle_templates, end_words, rail_seats
from mouldloft.outputs.templates.write import write_templates
from mouldloft.solids.build import make_solids
from shapely.geometry import Point, Polygon


def test_ends_are_called_by_the_master():
    """By hand: pulled to +x, u = z x x = y runs to the back, v up to the head."""
    frame = pull_frame(np.array([1.0, 0.0, 0.0]))
    assert end_words(frame, "y") == ("foot", "head")
    assert end_words(frame, "x") == ("front", "back")
    turned = pull_frame(np.array([-1.0, 0.0, 0.0]))
    assert end_words(turned, "x") == ("back", "front")


def test_every_board_says_which_it_is_and_is_cut_as_planned(small_plan, tmp_path):
    """Read by ezdxf: one outline a board, of its area, with its name, heights and ends inside."""
    space = ezdxf.readfile(write_templates(small_plan, tmp_path) / "cradle.dxf").modelspace()
    cut = [
        Polygon([p[:2] for p in e.get_points()]) for e in space if e.dxftype() == "LWPOLYLINE" and e.dxf.layer == "CUT"
    ]
    words = [(e.dxf.text, Point(e.dxf.insert.x, e.dxf.insert.y)) for e in space if e.dxftype() == "TEXT"]
    boards = [b for piece in small_plan.cradle.pieces for b in piece.boards]
    assert len(cut) == len(boards)
    for board in boards:
        (at,) = (p for text, p in words if text == board.name)
        shape = next(c for c in cut if c.distance(at) < 1.0)
        assert shape.area == pytest.approx(Polygon(board.outline_mm).area, rel=1e-6)
        own = [text for text, p in words if shape.buffer(2.0).covers(p)]
        assert any(text == f"{board.outline_mm[2:, 1].min():.0f} high" for text in own)
        assert sum(text in ("HEAD", "FOOT", "FRONT", "BACK", "LEFT", "RIGHT") for text in own) == 2
        assert any("this face to the" in text for text in own)


def test_rails_sit_where_they_are_marked(small_plan):
    """The seat on each board is where the rail's solid ends on it."""
    solids = {s.name: s for s in make_solids(small_plan) if s.kind == "cradle rail"}
    for piece in small_plan.cradle.pieces:
        frame = next(e.frame for e in small_plan.rubber.envelopes if e.piece == piece.piece)
        seats = rail_seats(piece)
        for first, other, x in seats:
            one, two = piece.boards[first], piece.boards[other]
            names = [n for n in solids if one.name in n and two.name in n]
            assert len(names) == 2
            axis = 0 if piece.length_axis == "y" else 1
            starts = [frame.to_frame(solids[n].vertices_mm)[:, axis].min() for n in names]
            assert min(abs(one.start_mm + x - s) for s in starts) < 0.01
        assert len(seats) == 4 * (len(piece.boards) - 1)


def test_no_board_is_idle(small_plan):
    """The jacket lies at least 40 mm along every board: its top edge dips under its shoulders there."""
    templates = cradle_templates(small_plan)
    boards = [b for piece in small_plan.cradle.pieces for b in piece.boards]
    assert len(templates) == len(boards)
    for board in boards:
        top = board.outline_mm[2:]
        order = np.argsort(top[:, 0])
        x, height = top[order].T
        across = np.linspace(x[0], x[-1], 2000)
        dips = np.interp(across, x, height) < height.max() - 2.0
        assert dips.mean() * (x[-1] - x[0]) > 40.0
