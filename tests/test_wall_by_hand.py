"""The wall's geometry by hand: strips laid flat, room beside a body, boards cut from a ring."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
import shapely
import trimesh
from mouldloft.base.marks import Mark
from mouldloft.geometry.frame import pull_frame
from mouldloft.outputs.templates.wall import wall_templates
from mouldloft.stages.wall.boards import (
    Station,
    Wall,
    WallPiece,
    _above_base,
    _after,
    _cuts,
    _flat_runs,
    _outward,
    _polygons,
    _room,
    _third,
    _unroll,
    build_wall,
    cell_stretch,
    flange_width_mm,
    lay_flat,
    section_area,
)
from trade_bodies import box, seam_of, standing

FLAT = pull_frame(np.array([0.0, 0.0, 1.0]))


# --- strips --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("p", "q", "from_p", "from_q", "corner"),
    [
        ((0, 0), (3, 0), 4.0, 5.0, (0, 4)),  # 3, 4, 5
        ((1, 1), (1, 4), 4.0, 5.0, (-3, 1)),  # the same, turned: to the left of the way
        ((0, 0), (10, 0), 13.0, 13.0, (5, 12)),
        ((0, 0), (4, 0), 1.0, 3.0, (1, 0)),  # on the line
        ((0, 0), (4, 0), 1.0, 2.0, (1.625, 0)),  # too short to meet: laid on it
        ((2, 2), (2, 2), 5.0, 5.0, (7, 2)),
    ],
)
def test_the_third_corner_of_a_triangle(p, q, from_p: float, from_q: float, corner) -> None:
    found = _third(np.array(p, float), np.array(q, float), from_p, from_q)
    assert found == pytest.approx(np.array(corner, float), abs=1e-9)


def test_a_folded_strip_keeps_its_lengths() -> None:
    # two rectangles of 30 x 40 and 50 x 40 that meet at a right angle: flat, 80 x 40
    inner = np.array([[0.0, 0, 0], [30, 0, 0], [30, 0, 50]])
    outer = inner + (0.0, -40.0, 0.0)
    flat_inner, flat_outer = lay_flat(inner, outer)
    assert flat_inner == pytest.approx(np.array([[0.0, 0], [30, 0], [80, 0]]), abs=1e-9)
    assert flat_outer == pytest.approx(np.array([[0.0, -40], [30, -40], [80, -40]]), abs=1e-9)
    assert cell_stretch(inner, outer) == pytest.approx([0.0, 0.0], abs=1e-12)


def test_a_twisted_cell_by_hand() -> None:
    # a square of 10 with one corner lifted by 5: its two triangles laid flat on the diagonal of 10 root 2
    inner = np.array([[0.0, 0, 0], [10, 0, 5]])
    outer = np.array([[0.0, -10, 0], [10, -10, 0]])
    shared = math.hypot(10, 10)
    lifted = math.sqrt(10**2 + 5**2), math.sqrt(10**2 + 5**2)  # from the corners beside it
    along = (lifted[0] ** 2 - lifted[1] ** 2 + shared**2) / (2 * shared)
    up = math.sqrt(lifted[0] ** 2 - along**2)
    laid = math.hypot(along - shared / 2, up + shared / 2)
    true = math.sqrt(10**2 + 10**2 + 5**2)
    assert cell_stretch(inner, outer) == pytest.approx([abs(laid - true) / true])


def test_hard_twists_break_a_strip_into_runs() -> None:
    # a straight strip whose edge is lifted in the sixth cell alone; runs of one cell are not worth cutting
    inner = np.column_stack([np.arange(12) * 8.0, np.zeros(12), np.zeros(12)])
    outer = inner + (0.0, -40.0, 0.0)
    assert _flat_runs(inner, outer) == [slice(0, 12)]
    bent = outer.copy()
    bent[6:, 2] += 40.0
    assert [(run.start, run.stop) for run in _flat_runs(inner, bent)] == [(0, 6), (6, 12)]
    bent[8:, 2] += 40.0
    assert [(run.start, run.stop) for run in _flat_runs(inner, bent)] == [(0, 6), (8, 12)]


def test_a_long_strip_is_cut_at_700_mm_and_numbered_on() -> None:
    inner = np.column_stack([np.arange(201) * 8.0, np.zeros(201), np.full(201, 30.0)])
    outer = inner + (0.0, -40.0, 0.0)
    pieces, following = _unroll(inner, outer, FLAT, 2, 5)
    assert [p.name for p in pieces] == ["W3", "W4", "W5"]
    lengths = [np.ptp(p.outline_mm[:, 0]) for p in pieces]
    assert lengths == pytest.approx([696.0, 696.0, 208.0])  # 87 steps of 8 mm each
    assert all(np.ptp(p.outline_mm[:, 1]) == pytest.approx(40.0) for p in pieces)
    # a mark every 96 mm and at both ends; a joint has one number
    numbers = [[s.number for s in p.stations] for p in pieces]
    assert numbers == [list(range(5, 14)), list(range(13, 22)), list(range(21, 25))]
    assert following == 25
    marks = [s.inner_mm[0] for s in pieces[0].stations]
    assert marks == pytest.approx([0, 96, 192, 288, 384, 480, 576, 672, 696])
    for piece, start in zip(pieces, (0.0, 696.0, 1392.0), strict=True):
        for s in piece.stations:
            assert s.outer_mm == pytest.approx((s.inner_mm[0], -40.0))
            assert FLAT.to_frame(np.array([s.on_seam_mm]))[0] == pytest.approx((start + s.inner_mm[0], 0.0, 30.0))
        assert piece.stretch == pytest.approx(0.0, abs=1e-9)


def test_a_strip_that_would_cover_itself_is_cut_shorter() -> None:
    # a flat ring round a circle of 30 mm, once and a half round: 283 mm, under the longest, but it laps itself
    turn = np.linspace(0.0, 3 * math.pi, 60)
    inner = np.column_stack([30 * np.cos(turn), 30 * np.sin(turn), np.zeros(60)])
    outer = inner * 2.0
    pieces, _ = _unroll(inner, outer, FLAT, 0, 1)
    assert len(pieces) > 1
    assert all(shapely.Polygon(p.outline_mm).is_valid for p in pieces)
    exact = 1.5 * math.pi * (60**2 - 30**2)
    assert sum(shapely.Polygon(p.outline_mm).area for p in pieces) == pytest.approx(exact, rel=0.01)


# --- beside the body -----------------------------------------------------------------------------------------


def test_rulings_look_away_from_a_body_to_the_left() -> None:
    # round a circle walked with the body to its left, outward is away from the middle
    turn = np.linspace(0, 2 * math.pi, 100, endpoint=False)
    circle = np.column_stack([np.cos(turn), np.sin(turn)])
    assert _outward(127.3 * circle, True, 60.0) == pytest.approx(circle, abs=1e-9)
    line = np.column_stack([np.arange(20) * 8.0, np.zeros(20)])
    assert _outward(line, False, 60.0) == pytest.approx(np.tile((0.0, -1.0), (20, 1)))
    # evened over half a width on either side: 30 mm, four steps of 8, with weights 1 to 5 and back
    corner = np.vstack([line, line[-1] + np.column_stack([np.zeros(20), np.arange(1, 21) * 8.0])])
    found = _outward(corner, False, 60.0)
    weights = np.array([1, 2, 3, 4, 5, 4, 3, 2, 1]) / 5
    own = np.array([(0.0, -16.0)] * 4 + [(8.0, -8.0)] + [(16.0, 0.0)] * 4)
    mean = (own * weights[:, None]).sum(axis=0)
    assert found[19] == pytest.approx(mean / np.linalg.norm(mean))
    early = (np.array([(0.0, -16.0)] * 5 + [(8.0, -8.0)] + [(16.0, 0.0)] * 3) * weights[:, None]).sum(axis=0)
    assert found[18] == pytest.approx(early / np.linalg.norm(early))
    assert found[10] == pytest.approx((0.0, -1.0))


def test_room_is_the_width_or_half_the_way_to_the_next_part() -> None:
    start = np.zeros((3, 2))
    out = np.tile((1.0, 0.0), (3, 1))
    walls = [shapely.box(x, -5, x + 10, 5) for x in (70.0, 200.0, 4.0)]
    found = [_room(start[:1], out[:1], wall, 50.0)[0] for wall in walls]
    # 35 of 50; the whole width; never under 15 % of it
    assert found == pytest.approx([35.0, 50.0, 7.5])
    assert _room(start[:1], out[:1], shapely.box(99.0, -5, 200, 5), 50.0)[0] == pytest.approx(49.5)
    # the body it stands on, within a twentieth of the width, is not in its way
    assert _room(start[:1], out[:1], shapely.box(-50, -5, 2.4, 5), 50.0)[0] == pytest.approx(50.0)
    assert _room(start[:1], out[:1], shapely.box(-50, -5, 20.0, 5), 50.0)[0] == pytest.approx(7.5)


def test_who_follows_whom() -> None:
    line = np.array([[0.0, 0], [1, 0], [2, 5]])
    assert _after(line, True).tolist() == [[1, 0], [2, 5], [0, 0]]
    assert _after(line, False).tolist() == [[1, 0], [2, 5], [2, 5]]


# --- boards --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("size", "width"), [(600.0, 40.0), (1000.0, 50.0), (1250.0, 60.0), (1400.0, 70.0), (1820.0, 80.0), (4000.0, 80.0)]
)
def test_flange_by_size(size: float, width: float) -> None:
    found, told = flange_width_mm((100.0, size, 50.0))
    assert found == width
    assert told.value.startswith(f"{width:.0f} mm")
    assert told.mark is Mark.COMMON_PRACTICE


def test_cuts_are_even_and_no_longer_than_the_sheet() -> None:
    assert _cuts(0.0, 100.0, 100.0) == [0.0, 100.0]
    assert _cuts(-50.0, 100.0, 100.0) == [-50.0, 25.0, 100.0]
    assert _cuts(0.0, 0.0, 100.0) == [0.0, 0.0]


def test_polygons_worth_cutting() -> None:
    parts = shapely.GeometryCollection([shapely.box(0, 0, 2, 2), shapely.Point(5, 5), shapely.box(9, 9, 9.5, 9.5)])
    assert [p.area for p in _polygons(parts)] == [4.0]
    assert [p.area for p in _polygons(shapely.box(0, 0, 2, 2))] == [4.0]


def test_what_of_a_leaning_plane_stands_above_the_ground() -> None:
    frame = pull_frame(np.array([0.8, 0.0, 0.6]))
    above = _above_base(frame, 50.0, 1000.0)
    low = above.bounds[1]
    on_ground = frame.to_master(np.array([[0.0, low, 50.0], [300.0, low, 50.0]]))
    assert on_ground[:, 2] == pytest.approx([0.0, 0.0], abs=1e-9)
    assert above.bounds == pytest.approx((-1000.0, low, 1000.0, low + 2000.0))
    assert _above_base(FLAT, 50.0, 1000.0) is None


def plane_seam(body, pull=(0.0, 1.0, 0.0)):
    """A plane through the middle across the pull, its line round the body's section."""
    a, b, c = 200.0, 0.0, 1000.0
    line = np.array([[-a, b, 0], [a, b, 0], [a, b, c], [-a, b, c]])
    seam = seam_of(line, pull=pull)
    return replace(seam, level_mm=body.vertices_mm @ np.array(pull) - 1e-7)


def test_boards_of_a_box_by_hand() -> None:
    body = box(400, 300, 1000)
    wall = build_wall(body, plane_seam(body), 50.0)
    # round a section of 400 x 1000 that stands on the ground: two sides, the top, and a quarter disc at either corner
    exact = 2 * 50 * 1000 + 400 * 50 + math.pi * 50**2 / 2
    assert wall.area_mm2 == pytest.approx(exact, rel=1e-3)
    assert (wall.kind, wall.width_mm, wall.stretch, wall.off_parting_mm, wall.steepest_deg) == ("boards", 50.0, 0, 0, 0)
    assert [p.name for p in wall.pieces] == ["W1", "W2"]  # cut through the middle
    for piece in wall.pieces:
        assert shapely.Polygon(piece.outline_mm).area == pytest.approx(exact / 2, rel=1e-3)
        assert np.ptp(piece.outline_mm, axis=0) == pytest.approx((250.0, 1050.0))
    # 2800 mm of line in stations 96 mm apart
    stations = [s for p in wall.pieces for s in p.stations]
    assert [s.number for s in stations] == list(range(1, len(stations) + 1))
    assert all(math.dist(s.inner_mm, s.outer_mm) == pytest.approx(12.0, abs=6.0) for s in stations)
    assert {a.value for a in wall.assumptions} == {"1220 x 2440 mm"}
    frame = pull_frame(np.array([0.0, 1.0, 0.0]))  # of the first piece
    for station in stations:
        assert frame.to_frame(np.array([station.on_seam_mm]))[0, :2] == pytest.approx(station.inner_mm, abs=0.5)
    narrow = build_wall(body, plane_seam(body), 30.0)
    assert narrow.width_mm == 30.0
    assert narrow.area_mm2 == pytest.approx(2 * 30 * 1000 + 400 * 30 + math.pi * 30**2 / 2, rel=1e-3)
    assert {a.what for a in build_wall(body, plane_seam(body)).assumptions} == {"flange width", "board size"}
    by_size = build_wall(body, plane_seam(body))
    assert by_size.width_mm == 50.0
    assert len(by_size.assumptions) == 2


def test_boards_round_a_closed_base_go_all_round() -> None:
    body = replace(box(400, 300, 1000), base="closed")
    wall = build_wall(body, plane_seam(body), 50.0)
    assert wall.area_mm2 == pytest.approx(2 * 50 * 1400 + math.pi * 50**2, rel=1e-3)


def test_a_seam_in_two_loops_encloses_a_ring() -> None:
    # a torus cut level: the hole inside the loop is none of it
    torus = standing(trimesh.creation.torus(150.0, 50.0, major_sections=96, minor_sections=48))
    seam = replace(seam_of(pull=(0.0, 0.0, 1.0)), level_mm=torus.vertices_mm[:, 2] - 50.0 + 1e-7)
    assert section_area(torus, seam).area == pytest.approx(math.pi * (200**2 - 100**2), rel=0.01)


def test_templates_carry_every_line_and_number() -> None:
    outline, hole = np.array([[0.0, 0], [90, 0], [90, 40], [0, 40]]), np.array([[10.0, 10], [20, 10], [20, 20]])
    station = Station(7, (30.0, 0.0), (40.0, 20.0), (0.0, 0.0, 0.0))
    wall = Wall("boards", 40.0, (WallPiece("W9", outline, (hole,), (station,), 0.0),), 0, 0, 0, 0, 0, ())
    (made,) = wall_templates(wall)
    assert made.name == "W9"
    outside, inside, mark = made.lines
    assert (outside.points_mm is outline, inside.points_mm is hole) == (True, True)
    assert (outside.closed, mark.closed, mark.use) == (True, False, "mark")
    assert mark.points_mm.tolist() == [[30.0, 0.0], [40.0, 20.0]]
    (text,) = made.texts
    assert (text.text, text.at_mm, text.height_mm) == ("7", (36.5, 10.0), 5.0)
