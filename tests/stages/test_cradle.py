"""The cradle against balls, polygons and the column image it was cut from."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely
from mouldloft.inputs.brief import Brief, CradleBrief
from mouldloft.stages.cradle import (
    GROUND_CLEARANCE_MM,
    board_in_plan,
    build_cradle,
    jacket_outside,
    margin_in_polygon_mm,
)
from mouldloft.stages.jacket.layup import lay_up_jacket
from mouldloft.stages.keys.place import set_keys
from mouldloft.stages.keys.record import Keys
from mouldloft.trade.bedding import wants_cradle
from synthetic_gloves import box, dome, envelope_of, rubber_of

BRIEF = Brief()
NO_KEYS = Keys((), ())
R = 300.0


def cradle_of(*envelopes, keys=NO_KEYS, brief=BRIEF):
    rubber = rubber_of(*envelopes)
    if keys is None:
        keys = set_keys(rubber, None, None, brief.keys)
    jacket = lay_up_jacket(rubber, keys, brief)
    return rubber, keys, jacket, build_cradle(jacket, rubber, keys, brief.cradle)


@pytest.fixture(scope="module")
def round_cradle():
    return cradle_of(dome(R, pull=(1, 0, 0), name="left piece", pixel_mm=1.0))


@pytest.fixture(scope="module")
def keyed_cradle():
    return cradle_of(box(500, 900, 160, pixel_mm=2.0), keys=None)


def test_margin_in_a_rectangle_by_hand():
    corners = np.array([[0, 0], [200, 0], [200, 100], [0, 100]], float)
    assert margin_in_polygon_mm(corners, np.array([60, 50]), 80.0, 0.0) == pytest.approx(50)
    # tipping 10 degrees at 80 mm of height moves the plumb line by 80 tan 10 = 14.1 mm
    assert margin_in_polygon_mm(corners, np.array([60, 50]), 80.0, 10.0) == pytest.approx(50 - 14.106, abs=1e-3)
    assert margin_in_polygon_mm(corners, np.array([60, 130]), 0.0, 0.0) == pytest.approx(-30)
    # a centre below its support does not tip out of it
    assert margin_in_polygon_mm(corners, np.array([60, 50]), -80.0, 10.0) == pytest.approx(50)


def test_margin_on_a_tripod_and_on_a_plank():
    # an equilateral triangle's incircle: side / 2 sqrt 3
    tripod = 100 * np.array([[0, 0], [1, 0], [0.5, np.sqrt(3) / 2]])
    middle = tripod.mean(axis=0)
    assert margin_in_polygon_mm(tripod, middle, 50.0, 0.0) == pytest.approx(100 / (2 * np.sqrt(3)))
    plank = np.array([[0, 0], [100, 0]], float)
    assert margin_in_polygon_mm(plank, np.array([50, 0]), 50.0, 0.0) <= 0


def test_the_outside_is_the_ball_and_its_laminate(round_cradle):
    rubber, keys, jacket, _ = round_cradle
    height, grid = jacket_outside(rubber.envelopes[0], rubber, keys, jacket.pieces[0])
    field = jacket.pieces[0].zones[0].thickness_mm
    y, x = np.meshgrid(grid.y(), grid.x(), indexing="ij")
    r = np.hypot(x, y)
    on_field = r < 0.9 * R
    off = np.sqrt(r**2 + height**2)[on_field]
    # offset of a ball is a ball; one pixel apart, balls of 2.8 mm leave dents of 1/(8 x 2.8) = 0.05 mm, more
    # aslant
    assert np.abs(off - (R + field)).max() < 0.2


def test_boards_are_cut_to_the_ball_within_a_millimetre(round_cradle):
    _, _, jacket, cradle = round_cradle
    (piece,) = cradle.pieces
    outer = R + jacket.pieces[0].zones[0].thickness_mm
    assert len(piece.boards) >= 2
    for board in piece.boards:
        polygon = shapely.Polygon(board.outline_mm)
        assert polygon.is_valid
        assert polygon.exterior.is_ccw
        # the deepest of the ball over the board's thickness is at its inner face
        s = max(abs(board.station_mm) - board.thickness_mm / 2, 0.0)
        c = np.linspace(-0.7, 0.7, 200) * outer
        under = GROUND_CLEARANCE_MM + outer - np.sqrt(outer**2 - s**2 - c**2)
        reach = board.outline_mm[:, 1].max()
        kept = under < reach - 2
        edge = shapely.LineString(board.outline_mm)
        off = shapely.distance(edge, shapely.points(c[kept] - board.start_mm, under[kept]))
        assert kept.sum() > 100
        assert off.max() < 1.0
        # and a wrong laminate or station would show
        assert shapely.distance(edge, shapely.points(c[kept] - board.start_mm, under[kept] + 3)).max() > 1.5


def test_boards_touch_the_keyed_jacket_and_never_cut_into_it(keyed_cradle):
    rubber, keys, jacket, cradle = keyed_cradle
    (piece,) = cradle.pieces
    assert piece.length_axis == "y"
    height, grid = jacket_outside(rubber.envelopes[0], rubber, keys, jacket.pieces[0])
    for board in piece.boards:
        rows = np.abs(grid.y() - board.station_mm) <= board.thickness_mm / 2
        lowest = piece.floor_mm - height[rows].max(axis=0)  # inf where there is nothing
        top_edge = board.outline_mm[2:]
        order = np.argsort(top_edge[:, 0], kind="stable")
        x = grid.x() - board.start_mm
        top = np.interp(x, top_edge[order, 0], top_edge[order, 1], left=-np.inf, right=-np.inf)
        under = np.isfinite(top)
        gap = (lowest - top)[under]
        steep = np.abs(np.gradient(np.where(np.isfinite(lowest), lowest, 1e3), grid.pixel_mm))[under] > 1
        assert gap[~steep].min() > -0.5
        assert np.median(gap[(gap < 30) & ~steep]) < 0.5


def test_boards_hold_the_piece_under_its_flange(round_cradle):
    rubber, _, _, cradle = round_cradle
    (piece,) = cradle.pieces
    flange_under = piece.floor_mm - rubber.flange_thickness_mm
    for board in piece.boards:
        assert board.outline_mm[:, 1].min() == 0.0
        assert GROUND_CLEARANCE_MM + 50 < board.outline_mm[:, 1].max() < flange_under - 20


def test_where_the_boards_stand_in_the_plan(round_cradle):
    rubber, _, _, cradle = round_cradle
    (piece,) = cradle.pieces
    points = board_in_plan(piece.boards[0], piece, rubber.envelopes[0])
    # the pull is +x: the floor lies beyond the ball's far side, the board's foot along the plan's y
    assert points[:2, 0] == pytest.approx(piece.floor_mm)
    assert piece.floor_mm == pytest.approx(R + 2.8 + GROUND_CLEARANCE_MM, abs=0.2)
    assert np.ptp(points[:, 1]) == pytest.approx(np.ptp(piece.boards[0].outline_mm[:, 0]))
    assert np.linalg.norm(points, axis=1).min() > R + 2.0, "no board inside the jacket"


def test_a_piece_that_leans_across_has_rails_under_every_board():
    # a ridge that runs aslant: the boards' own ends do not overlap
    def ridge(x, y):
        off = np.abs(x - 0.45 * y)
        return np.where((off < 70) & (np.abs(y) < 600), 90.0 - 0.6 * off, np.nan)

    envelope = envelope_of(ridge, 400.0, 650.0, pixel_mm=4.0)
    (piece,) = cradle_of(envelope)[3].pieces
    assert len(piece.rails) >= 2
    names = {board.name for board in piece.boards}
    for rail in {r.across_mm for r in piece.rails}:
        assert {b for r in piece.rails if r.across_mm == rail for b in r.boards} == names


def test_small_moulds_have_no_cradle_and_the_brief_goes_first():
    # workshop's rule (common practice, no source): none at about 300 mm, one from half a metre on
    assert not wants_cradle(300.0, 5.0)
    assert wants_cradle(500.0, 5.0)
    assert wants_cradle(300.0, 15.0), "what a person does not turn over by himself is cradled"
    small, large = dome(150.0, pixel_mm=2.0), dome(R, pixel_mm=3.0)
    made = cradle_of(small)[3]
    assert made.pieces == made.sheets == made.shapes == made.advice == ()
    # a ball of 150 and its 10 mm of rubber are in the dome's own radius
    assert "300 mm" in made.instead
    assert "sand" in made.instead
    always = cradle_of(small, brief=Brief(cradle=CradleBrief(made="always")))[3]
    assert always.instead == ""
    assert len(always.pieces[0].boards) >= 2
    none = cradle_of(large, brief=Brief(cradle=CradleBrief(made="none")))[3]
    assert none.pieces == ()
    assert "as the brief asks" in none.instead


def test_two_boards_stand_at_the_airy_points(round_cradle):
    # published: Airy points, 0.577 of the length apart; the length is what dips to the boards
    _, _, _, cradle = round_cradle
    one, two = cradle.pieces[0].boards
    assert one.station_mm == pytest.approx(-two.station_mm, abs=1.0)
    rise = one.outline_mm[:, 1].max() - GROUND_CLEARANCE_MM
    half = np.sqrt((R + 2.8) ** 2 - (R + 2.8 - rise) ** 2)
    assert two.station_mm - one.station_mm == pytest.approx(0.5774 * 2 * half, rel=0.02)


def test_long_pieces_get_more_boards(keyed_cradle):
    stations = [b.station_mm for b in keyed_cradle[3].pieces[0].boards]
    assert len(stations) >= 3
    assert np.diff(stations).max() <= 400.0


def test_margins_fall_with_tilt_and_pass(round_cradle):
    brief = replace(BRIEF, cradle=CradleBrief(working_tilts_deg=(0.0, 5.0, 10.0, 20.0)))
    _, _, _, cradle = cradle_of(dome(R), brief=brief)
    margins = [t.margin_mm for t in cradle.pieces[0].tilts]
    assert margins == sorted(margins, reverse=True)
    assert all(t.passes for t in round_cradle[3].pieces[0].tilts)
    assert round_cradle[3].advice == ()
    for check in cradle.pieces[0].tilts:
        assert check.margin_mm == min(check.on_floor_mm, check.in_frame_mm)


def test_tilt_moves_the_plumb_line_by_its_height(round_cradle):
    # trigonometry: over the floor the centre stands floor - x high; in the frame it tips over the boards'
    # shoulders
    _, _, _, cradle = round_cradle
    (piece,) = cradle.pieces
    level, tilted = piece.tilts
    height = piece.floor_mm - piece.centre_of_mass_mm[0]
    shoulder = max(b.outline_mm[:, 1].max() for b in piece.boards)
    slope = np.tan(np.radians(tilted.tilt_deg))
    assert level.tilt_deg == 0.0
    assert level.on_floor_mm - tilted.on_floor_mm == pytest.approx(height * slope, abs=0.5)
    assert level.in_frame_mm - tilted.in_frame_mm == pytest.approx((height - shoulder) * slope, abs=0.5)


def test_centre_of_mass_is_of_jacket_and_glove(round_cradle):
    rubber, _, jacket, cradle = round_cradle
    piece = cradle.pieces[0]
    shell = jacket.pieces[0]
    assert piece.lying_mass_kg == pytest.approx(shell.mass_kg + shell.rubber_mass_kg)
    # independent: the glove as a cloud of its columns' middles
    e = rubber.envelopes[0]
    below = np.where(np.isfinite(e.filled_mm), e.filled_mm, e.parting_mm)
    thick = np.nan_to_num(e.outer_mm - below)
    glove = float((thick * np.nan_to_num(e.outer_mm + below) / 2).sum() / thick.sum())
    both = (shell.mass_kg * shell.centre_of_mass_mm[0] + shell.rubber_mass_kg * glove) / piece.lying_mass_kg
    assert piece.centre_of_mass_mm == pytest.approx((both, 0, 0), abs=0.5)


def test_a_narrow_piece_gets_wider_feet():
    narrow = box(60, 700, 250, draft_deg=4.0)
    _, _, _, slack = cradle_of(narrow, brief=replace(BRIEF, cradle=CradleBrief(margin_limit_mm=5.0)))
    strict = CradleBrief(margin_limit_mm=30.0, working_tilts_deg=(0.0, 25.0))
    _, _, _, wide = cradle_of(narrow, brief=replace(BRIEF, cradle=strict))
    width = [np.ptp(c.pieces[0].boards[0].outline_mm[:, 0]) for c in (slack, wide)]
    assert width[1] > width[0]
    assert all(t.on_floor_mm >= 30.0 for t in wide.pieces[0].tilts)


def test_what_can_still_rock_is_told():
    strict = CradleBrief(margin_limit_mm=400.0, made="always")
    _, _, _, cradle = cradle_of(dome(200.0), brief=replace(BRIEF, cradle=strict))
    assert not any(t.passes for t in cradle.pieces[0].tilts)
    assert len(cradle.pieces[0].boards) >= 2
    assert any("strap" in a or "bolt" in a for a in cradle.advice)


def test_cut_list_covers_every_board(keyed_cradle):
    (piece,) = keyed_cradle[3].pieces
    rows = {row[0]: row for row in piece.cut_list}
    for board in piece.boards:
        _, count, length, height, thickness = rows[board.name]
        assert count == 1
        assert (length, height) == pytest.approx(tuple(np.ptp(board.outline_mm, axis=0)))
        assert thickness == BRIEF.cradle.board_thickness_mm
    assert len(piece.rails) == 2
    for rail in piece.rails:
        assert rows[rail.name][2:4] == pytest.approx((rail.length_mm, rail.height_mm))


def test_rails_and_boards_fit_into_each_other_under_the_jacket(keyed_cradle):
    """By shapely: where rail and board cross, the wood of either ends where the slot of the other begins."""
    rubber, keys, jacket, cradle = keyed_cradle
    (piece,) = cradle.pieces
    height, grid = jacket_outside(rubber.envelopes[0], rubber, keys, jacket.pieces[0])
    for rail in piece.rails:
        assert rail.boards == tuple(b.name for b in piece.boards)
        sawn = shapely.Polygon(rail.outline_mm)
        assert sawn.is_valid
        for board in piece.boards:
            cut = shapely.Polygon(board.cut_mm)
            assert cut.is_valid
            at = rail.across_mm - board.start_mm
            upper = cut.intersection(shapely.box(at, 0, at + rail.thickness_mm, 1e3)).bounds[1]
            along = board.station_mm - rail.start_mm
            lower = sawn.intersection(shapely.box(along - 9.0, 0, along + 9.0, 1e3)).bounds[3]
            assert upper == pytest.approx(lower) == pytest.approx(rail.height_mm / 2)
        x, y = grid.x(), grid.y()
        over = (x >= rail.across_mm) & (x <= rail.across_mm + rail.thickness_mm)
        beside = (y >= rail.start_mm) & (y <= rail.start_mm + rail.length_mm)
        assert piece.floor_mm - height[np.ix_(beside, over)].max() > rail.height_mm


def test_support_polygon_is_the_feet(keyed_cradle):
    (piece,) = keyed_cradle[3].pieces
    hull = shapely.Polygon(piece.support_polygon_mm)
    for board in piece.boards:
        ends = board.start_mm, board.start_mm + np.ptp(board.outline_mm[:, 0])
        for x in ends:
            assert hull.buffer(1e-6).covers(shapely.Point(x, board.station_mm))
    low, high = piece.boards[0].station_mm - 9, piece.boards[-1].station_mm + 9
    assert hull.bounds[1] == pytest.approx(low)
    assert hull.bounds[3] == pytest.approx(high)


def test_both_halves_and_an_open_base():
    _, _, _, cradle = cradle_of(
        dome(R, pull=(1, 0, 0), name="left piece", open_below_mm=-100.0),
        dome(R, pull=(-1, 0, 0), piece=1, name="right piece", open_below_mm=-100.0),
    )
    left, right = cradle.pieces
    assert [b.name[0] for b in left.boards + right.boards] == ["L"] * len(left.boards) + ["R"] * len(right.boards)
    for a, b in zip(left.tilts, right.tilts, strict=True):
        assert a.margin_mm == pytest.approx(b.margin_mm, abs=2.0)
    assert left.centre_of_mass_mm[0] == pytest.approx(-right.centre_of_mass_mm[0], abs=0.5)


def test_the_hare_does_not_rock(small_plan):
    # independent: the piece's weight drops from its centre of mass, turned by each tilt in sixteen directions by a
    # rotation matrix, on the floor; how far inside the feet it falls
    from scipy.spatial.transform import Rotation

    for made, envelope in zip(small_plan.cradle.pieces, small_plan.rubber.envelopes, strict=True):
        x, y, z = envelope.frame.to_frame(np.array([made.centre_of_mass_mm]))[0]
        up = made.floor_mm - z
        assert up > 0
        hull = shapely.Polygon(made.support_polygon_mm)
        for check in made.tilts:
            margins = []
            for way in np.linspace(0, 2 * np.pi, 16, endpoint=False):
                axis = np.array([np.cos(way), np.sin(way), 0.0]) * np.radians(check.tilt_deg)
                fall = Rotation.from_rotvec(axis).apply([0.0, 0.0, -1.0])
                spot = shapely.Point(x + up * fall[0] / -fall[2], y + up * fall[1] / -fall[2])
                margins.append(hull.exterior.distance(spot) * (1 if hull.covers(spot) else -1))
            assert min(margins) >= small_plan.brief.cradle.margin_limit_mm - 0.5
            assert min(margins) == pytest.approx(check.on_floor_mm, abs=6.0)  # sixteen ways may miss the worst
            assert check.in_frame_mm >= small_plan.brief.cradle.margin_limit_mm
            assert check.passes
    assert {t.tilt_deg for t in small_plan.cradle.pieces[0].tilts} == {0.0, 10.0}
    assert small_plan.cradle.advice == ()
