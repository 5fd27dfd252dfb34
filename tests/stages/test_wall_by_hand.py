"""The wall's geometry by hand: strips laid flat, room beside a body, boards cut from a ring."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
import shapely
import trimesh
from mouldloft.geometry.frame import pull_frame
from mouldloft.stages.wall.boards import above_base, board_cuts, cut_boards
from mouldloft.stages.wall.build import build_wall
from mouldloft.stages.wall.ribs import clay_spans
from mouldloft.stages.wall.rulings import (
    Rulings,
    _after,
    _laid_to_board,
    _outward,
    _room,
    _third,
    cell_stretch,
    lay_flat,
    rule_line,
    section_area,
    strip_runs,
)
from mouldloft.stages.wall.stations import numbered, station_rulings
from mouldloft.stages.wall.strips import _fewest, _panel_off_mm, strip_cuts, strip_pieces, strip_stations
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


def test_half_way_across_a_twisted_cell_by_hand() -> None:
    # opposite edges of 10 that turn by 2 x 0.3 rad out of each other's plane, 40 apart: flat, they are parallel
    inner = np.array([[0.0, 0, 0], [10 * math.cos(0.3), 0, 10 * math.sin(0.3)]])
    outer = np.array([[0.0, -40, 0], [10 * math.cos(0.3), -40, -10 * math.sin(0.3)]])
    bent = 10 * math.cos(0.3)
    (found,) = cell_stretch(inner, outer)
    flat_inner, flat_outer = lay_flat(inner, outer)
    flat = np.linalg.norm((flat_inner[1] + flat_outer[1] - flat_inner[0] - flat_outer[0]) / 2)
    assert found == pytest.approx(flat / bent - 1)
    assert found == pytest.approx(1 / math.cos(0.3) - 1, rel=0.15)


def straight(count: int, lift: np.ndarray | None = None, closed: bool = False) -> Rulings:
    """Rulings 8 mm apart and 40 long, the outer ends lifted."""
    inner = np.column_stack([np.arange(count) * 8.0, np.zeros(count), np.zeros(count)])
    outer = inner + (0.0, -40.0, 0.0)
    if lift is not None:
        outer[:, 2] += lift
    return Rulings(inner, outer, np.arange(count) * 8.0, 0, closed)


def test_strips_end_where_the_wall_twists_or_lies_too_flat() -> None:
    count = 120
    skin = np.tile((0.0, -1.0, 0.0), (count, 1))  # faces along the rulings: square
    yes = np.ones(count, bool)
    (whole,) = strip_runs(straight(count), skin, 40.0, yes)
    assert (whole.first, len(whole.along_mm)) == (0, count)
    # lifted by 40 in one step: a twist of 45 degrees that no sheet takes, shared out over five cells
    step = np.where(np.arange(count) < 60, 0.0, 40.0)
    runs = strip_runs(straight(count, step), skin * [1.0, 1.0, 1.0], 40.0, yes)
    assert [(r.first, r.first + len(r.along_mm) - 1) for r in runs] == [(0, 57)]  # lifted, they meet the skin at 45
    lying = skin.copy()
    lying[60:] = (0.0, -0.5, math.sqrt(0.75))  # 30 degrees to the wall
    assert [len(r.along_mm) for r in strip_runs(straight(count), lying, 40.0, yes)] == [60]
    assert strip_runs(straight(25), skin[:25], 40.0, yes[:25]) == []  # 192 mm is quicker in clay
    assert [len(r.along_mm) for r in strip_runs(straight(count), skin, 40.0, np.arange(count) < 70)] == [70]


def test_a_strip_is_cut_at_900_mm_and_carries_its_stations() -> None:
    run = straight(201)
    assert strip_cuts(run) == [0, 100, 200]
    stops = station_rulings(run, strip_stations(run, 4.0, 30.0))
    assert (stops[0], stops[-1]) == (0, 200)
    assert 100 in stops
    assert max(np.diff(stops)) <= 10
    at = numbered([(run, stops)], FLAT, 4.0, 30.0, lambda x, y: np.zeros(len(x)))
    assert [s.number for s in at.values()] == list(range(1, len(stops) + 1))
    pieces = strip_pieces(run, FLAT, 4.0, 30.0, at, 201)
    assert len(pieces) == 2
    for piece, start in zip(pieces, (0.0, 800.0), strict=True):
        assert np.ptp(piece.outline_mm, axis=0) == pytest.approx((800.0, 26.0))
        assert piece.stretch == pytest.approx(0.0, abs=1e-9)
        for mark in piece.marks:
            (station,) = (s for s in at.values() if s.number == mark.number)
            assert station.on_seam_mm[0] == pytest.approx(start + mark.inner_mm[0])
            assert math.dist(mark.inner_mm, mark.outer_mm) == pytest.approx(26.0)
    assert {m.number for m in pieces[0].marks} & {m.number for m in pieces[1].marks} == {at[0, 100].number}


def rolled(radius_mm: float, straight_to: int, count: int) -> Rulings:
    """Rulings 8 mm apart and 40 long square to their line, which runs straight, then round a cylinder."""
    turn = np.maximum(np.arange(count) - straight_to, 0) * 8.0 / radius_mm
    x = np.minimum(np.arange(count), straight_to) * 8.0 + radius_mm * np.sin(turn)
    inner = np.column_stack([x, np.zeros(count), radius_mm * (1.0 - np.cos(turn))])
    return Rulings(inner, inner + (0.0, -40.0, 0.0), np.arange(count) * 8.0, 0, False)


@pytest.mark.parametrize(("radius", "steps"), [(100.0, 4), (300.0, 7), (500.0, 9), (5000.0, 10)])
def test_stations_stand_closer_where_a_strip_bends(radius: float, steps: int) -> None:
    """Analytic: between two rulings of a cylinder a flat panel is off by the arc's rise, R (1 - cos s / 2R): 1.5 mm
    over 34.7, 60.0, 77.5 and 245 mm, and stations stand 80 mm apart at most. Where it runs straight that is enough."""
    stops = strip_stations(rolled(radius, 0, 6 * steps + 1), 4.0, 30.0)
    assert set(np.diff(stops)) == {steps}
    both = np.array(strip_stations(rolled(radius, 40, 40 + 6 * steps), 4.0, 30.0))
    assert np.diff(both[both <= 40]).min() >= 8
    assert np.diff(both[both >= 40]).max() <= steps


def test_a_flat_panel_on_a_strip_that_twists_is_off_by_half_the_twist() -> None:
    """Four corners of which those outside stand 5 mm up and down: laid nearest, each is off by half of that."""
    bent = np.array([[[x, 0.0, 0.0], [x, -40.0, x / 16.0]] for x in np.linspace(-80.0, 80.0, 21)])
    flat = np.stack(lay_flat(bent[:, 0], bent[:, 1]), axis=1)
    assert _panel_off_mm(bent, flat, np.array([0]), 20) == pytest.approx([2.5], rel=0.05)
    assert _panel_off_mm(bent, flat, np.array([0, 5, 10]), 10) == pytest.approx([1.25] * 3, rel=0.05)


def test_the_fewest_stations_that_hold_a_strip_are_even() -> None:
    apart = 8.0 * (np.arange(8)[None] - np.arange(8)[:, None])
    assert _fewest(apart <= 32.0, apart) in ([0, 3, 7], [0, 4, 7])
    assert _fewest(apart <= 24.0, apart) in ([0, 2, 4, 7], [0, 2, 5, 7], [0, 3, 5, 7])
    assert _fewest(apart < 0.0, apart) == list(range(8))  # where nothing holds, every ruling


def test_clay_is_what_lies_between_strips() -> None:
    assert clay_spans(100, False, []) == [(0, 99)]
    assert clay_spans(100, True, []) == [(0, 100)]
    assert clay_spans(100, False, [(10, 40), (60, 99)]) == [(0, 10), (40, 60)]
    assert clay_spans(100, True, [(10, 40), (60, 90)]) == [(40, 60), (90, 110)]
    assert clay_spans(100, False, [(0, 99)]) == []


def test_rulings_turn_level_to_the_board() -> None:
    out = np.tile((-math.sqrt(0.5), -math.sqrt(0.5)), (101, 1))
    found = _laid_to_board(out, np.arange(101) * 8.0, 100.0)
    assert found[0] == pytest.approx((-1.0, 0.0))
    assert found[-1] == pytest.approx((-1.0, 0.0))
    assert found[15:-15] == pytest.approx(out[15:-15])  # 120 mm from the foot it is what it was
    assert np.linalg.norm(found, axis=1) == pytest.approx(np.ones(101))
    # an end where three joints meet stands on no board: it stays as it was
    half = _laid_to_board(out, np.arange(101) * 8.0, 100.0, (True, False))
    assert half[:50] == pytest.approx(found[:50])
    assert half[50:] == pytest.approx(out[50:])


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


def test_a_ring_is_cut_at_least_in_two_and_scraps_stay_with_their_neighbour() -> None:
    turn = np.linspace(0, 2 * math.pi, 400, endpoint=False)
    circle = 200.0 * np.column_stack([np.cos(turn), np.sin(turn), np.zeros(400)])
    disc = shapely.Point(0, 0).buffer(200.0, quad_segs=64)
    rulings = rule_line(circle, True, 0, disc, 50.0, lambda x, y: np.zeros(len(x)))
    cuts = board_cuts(rulings)
    assert len(cuts) == 2  # 1257 mm round
    ring = disc.buffer(50.0, quad_segs=64).difference(disc)
    parts = cut_boards(ring, [(rulings, cuts)], 50.0)
    assert [line for _, line in parts] == [0, 0]
    assert sum(p.area for p, _ in parts) == pytest.approx(ring.area, rel=1e-3)
    assert all(p.area > 0.3 * ring.area for p, _ in parts)
    # two cuts 8 mm apart: the sliver between them, 400 mm², is not a board of its own
    sliver = cut_boards(ring, [(rulings, [0, 1, 80])], 50.0)
    assert len(sliver) == 2
    assert sum(p.area for p, _ in sliver) == pytest.approx(ring.area, rel=1e-3)


def test_what_of_a_leaning_plane_stands_above_the_ground() -> None:
    frame = pull_frame(np.array([0.8, 0.0, 0.6]))
    above = above_base(frame, 50.0, 1000.0)
    low = above.bounds[1]
    on_ground = frame.to_master(np.array([[0.0, low, 50.0], [300.0, low, 50.0]]))
    assert on_ground[:, 2] == pytest.approx([0.0, 0.0], abs=1e-9)
    assert above.bounds == pytest.approx((-1000.0, low, 1000.0, low + 2000.0))
    assert above_base(FLAT, 50.0, 1000.0) is None


def plane_seam(body, pull=(0.0, 1.0, 0.0)):
    """A plane through the middle across the pull, its line round the body's section."""
    a, b, c = 200.0, 0.0, 1000.0
    line = np.array([[-a, b, 0], [-a, b, c], [a, b, c], [a, b, 0]])  # the body to its left, seen against the pull
    seam = seam_of(line, pull=pull)
    if body.base == "open":  # its line ends at the foot
        seam = replace(seam, lines=(replace(seam.lines[0], closed=False, length_mm=2 * c + 2 * a),))
    return replace(seam, level_mm=body.vertices_mm @ np.array(pull) - 1e-7)


def test_boards_of_a_box_by_hand() -> None:
    body = box(400, 300, 1000)
    wall = build_wall(body, plane_seam(body), 50.0)
    # round a section of 400 x 1000 that stands on the ground: two sides, the top, and a quarter disc at either corner
    exact = 2 * 50 * 1000 + 400 * 50 + math.pi * 50**2 / 2
    assert wall.area_mm2 == pytest.approx(exact, rel=1e-3)
    assert (wall.kind, wall.width_mm, wall.stretch, wall.off_sheet_mm, wall.steepest_deg) == ("boards", 50.0, 0, 0, 0)
    assert wall.rooted_mm == 0  # it meets the box's sides square
    # less the gap of 4 mm along the skin
    cut = exact - (2 * 4 * 1000 + 400 * 4 + math.pi * 4**2 / 2)
    shapes = [shapely.Polygon(p.outline_mm) for p in wall.pieces]
    assert sum(s.area for s in shapes) == pytest.approx(cut, rel=2e-3)
    section = shapely.box(-200, 0, 200, 1000)
    for piece, shape in zip(wall.pieces, shapes, strict=True):
        assert shape.distance(section) == pytest.approx(4.0, abs=0.05)
        assert piece.outline_mm[:, 1].min() > -1e-6  # on the ground
        edge = shapely.LineString(piece.skin_edge_mm)
        assert edge.length > 300
        assert shapely.distance(shapely.points(piece.skin_edge_mm), section) == pytest.approx(4.0, abs=0.3)
        assert [m.number for m in piece.marks]
    assert [p.name for p in wall.pieces] == [f"W{k + 1}" for k in range(len(wall.pieces))]
    assert [s.number for s in wall.stations] == list(range(1, len(wall.stations) + 1))
    narrow = build_wall(body, plane_seam(body), 30.0)
    assert narrow.area_mm2 == pytest.approx(2 * 30 * 1000 + 400 * 30 + math.pi * 30**2 / 2, rel=1e-3)


def test_boards_round_a_closed_base_go_all_round() -> None:
    body = replace(box(400, 300, 1000), base="closed")
    wall = build_wall(body, plane_seam(body), 50.0)
    assert wall.area_mm2 == pytest.approx(2 * 50 * 1400 + math.pi * 50**2, rel=1e-3)


def test_a_seam_in_two_loops_encloses_a_ring() -> None:
    # a torus cut level: the hole inside the loop is none of it
    torus = standing(trimesh.creation.torus(150.0, 50.0, major_sections=96, minor_sections=48))
    seam = replace(seam_of(pull=(0.0, 0.0, 1.0)), level_mm=torus.vertices_mm[:, 2] - 50.0 + 1e-7)
    assert section_area(torus, seam).area == pytest.approx(math.pi * (200**2 - 100**2), rel=0.01)
