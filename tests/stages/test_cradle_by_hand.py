"""The cradle's sums by hand on a trough of 45 degree sides, and on small gloves whose columns can be added up."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
import shapely
from mouldloft.geometry.frame import pull_frame
from mouldloft.inputs.brief import CradleBrief
from mouldloft.stages.cradle import (
    Board,
    CradlePiece,
    _best_layout,
    _cut_list,
    _lay_out,
    _Lie,
    _margins,
    _members,
    _outline,
    _widen,
    board_in_plan,
    build_cradle,
    jacket_outside,
)
from mouldloft.stages.jacket.record import Jacket, Rib, Zone
from mouldloft.stages.keys.record import Keys
from mouldloft.stages.rails import make_rails, rail_height_mm, rail_places
from mouldloft.stages.rubber.record import Envelope
from synthetic_gloves import envelope_of, rubber_of
from trade_bodies import jacket_of

AIRY_STATION = 450 * 0.5774  # published: Airy points, 0.577 of the length apart
TAN_10 = math.tan(math.radians(10))
NO_KEYS = Keys((), ())


def trough(along: float = 10.0, across: float = 20.0, up: float = 150.0, flange: float = 180.0) -> _Lie:
    """900 mm long, sides rising 1 for 1 to 200 mm, its centre of mass at the given place."""
    y, x = np.arange(-500.0, 501.0, 5.0), np.arange(-220.0, 221.0, 5.0)
    low = np.where((np.abs(y)[:, None] <= 450) & (np.abs(x) <= 200), np.abs(x) + 0.0 * y[:, None], np.inf)
    lip = np.where(np.abs(y) <= 450, flange, np.inf)
    return _Lie(low, y, x, 5.0, 300.0, lip, 200.0, "y", np.array([along, across, up]), 16.0)


# --- boards --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("share", "station"), [(0.5 - 0.5 / math.sqrt(3), AIRY_STATION), (0.1, 360.0)])
def test_boards_stand_at_their_share_of_the_length(share: float, station: float) -> None:
    layout = _lay_out(trough(), CradleBrief(made="always"), share, 0.5)
    # no further apart than 400 mm: 520 and 720 mm take a third
    assert layout.stations_mm == pytest.approx([-station, 0.0, station], abs=0.1)
    assert layout.heights_mm == pytest.approx([100.0] * 3)  # half of the depth of 200
    assert layout.contact == pytest.approx(
        np.array([(s, a) for s in (-station, 0.0, station) for a in (-100.0, 100.0)]), abs=0.1
    )
    assert layout.ends(1) == (-160.0, 160.0)  # 60 mm of wood beside the jacket


@pytest.mark.parametrize(("flange", "embrace", "reach"), [(180.0, 0.7, 140.0), (180.0, 0.9, 160.0), (100.0, 0.7, 80.0)])
def test_boards_reach_up_by_the_depth_but_stay_20_mm_under_the_flange(
    flange: float, embrace: float, reach: float
) -> None:
    layout = _lay_out(trough(flange=flange), CradleBrief(made="always"), 0.2, embrace)
    assert layout.heights_mm == pytest.approx([reach] * 3)


def test_a_longer_trough_gets_a_board_every_400_mm() -> None:
    lie = trough()
    twice = replace(lie, along_mm=2 * lie.along_mm)
    layout = _lay_out(twice, CradleBrief(made="always"), 0.1, 0.5)
    assert len(layout.stations_mm) == 5  # 1440 mm in bays of 360
    assert _lay_out(twice, CradleBrief(made="always"), 0.5, 0.5).stations_mm == pytest.approx([0.0, 0.0])


def test_where_a_web_hangs_as_low_as_the_body_a_board_stands_beside_it() -> None:
    """A wall between two limbs, 300 mm of it, down to the lowest point: the middle board finds nothing there."""
    lie = trough()
    web = replace(lie, flange_mm=np.where(np.abs(lie.along_mm) <= 150.0, 0.0, lie.flange_mm))
    layout = _lay_out(web, CradleBrief(made="always"), 0.2, 0.5)
    assert layout is not None
    assert len(layout.stations_mm) >= 2
    assert np.abs(layout.stations_mm).min() > 150.0
    assert layout.heights_mm == pytest.approx([100.0] * len(layout.stations_mm))
    bare = replace(lie, flange_mm=np.zeros(len(lie.along_mm)))
    assert _lay_out(bare, CradleBrief(made="always"), 0.2, 0.5) is None


def test_a_board_clears_the_jacket_over_its_whole_thickness() -> None:
    # the trough rises at 1 in 2 along its length as well: over 18 mm and half a pixel each side, 9 + 2.5 mm, the lowest
    # is 5.75 mm or, on rows of 5 mm, 5 mm under the middle of the board
    lie = trough()
    rising = replace(lie, low_mm=lie.low_mm + np.abs(lie.along_mm)[:, None] / 2)
    layout = _lay_out(rising, CradleBrief(made="always"), 0.2, 0.9)
    at = float(layout.stations_mm[0])
    _, height = layout.profiles[0]
    assert height.min() == pytest.approx((abs(at) - 10.0) / 2, abs=2.5)
    assert height.min() < abs(at) / 2 - 2.0
    thick = _lay_out(rising, CradleBrief(made="always", board_thickness_mm=60.0), 0.2, 0.9).profiles[0][1].min()
    assert thick == pytest.approx((abs(at) - 30.0) / 2, abs=2.6)


def test_a_trough_too_shallow_for_boards_gets_none() -> None:
    # two pixels of dip are the least a board is cut for
    assert _lay_out(trough(flange=29.0), CradleBrief(made="always"), 0.2, 0.5) is None
    assert _lay_out(trough(flange=31.0), CradleBrief(made="always"), 0.2, 0.5) is not None
    assert _best_layout(trough(flange=29.0), CradleBrief(made="always")) is None


def test_the_outline_of_a_board_by_hand() -> None:
    outline, start = _outline(_lay_out(trough(), CradleBrief(made="always"), 0.2, 0.5), 1)
    assert start == -160.0
    # 40 mm of wood under the lowest point
    corners = [(0, 0), (320, 0), (320, 140), (260, 140), (160, 40), (60, 140), (0, 140)]
    assert outline == pytest.approx(np.array(corners, float))


# --- rocking -------------------------------------------------------------------------------------------------


def test_margins_of_the_trough_by_hand() -> None:
    lie, brief = trough(), CradleBrief(made="always", working_tilts_deg=(0.0, 10.0), margin_limit_mm=75.0)
    level, tilted = _margins(lie, _lay_out(lie, brief, 0.2113, 0.5), brief)
    # on the floor: 160 - 20 across; the centre is 150 + 40 up. In the frame: 100 - 20, and 50 over the shoulders
    assert (level.on_floor_mm, level.in_frame_mm, level.margin_mm) == pytest.approx((140.0, 80.0, 80.0))
    assert (tilted.on_floor_mm, tilted.in_frame_mm) == pytest.approx((140 - 190 * TAN_10, 80 - 50 * TAN_10))
    assert tilted.margin_mm == tilted.in_frame_mm
    assert (level.passes, tilted.passes) == (True, False)
    assert (level.tilt_deg, tilted.tilt_deg) == (0.0, 10.0)
    (just,) = _margins(
        lie,
        _lay_out(lie, brief, 0.2113, 0.5),
        CradleBrief(made="always", working_tilts_deg=(0.0,), margin_limit_mm=80.0),
    )
    assert just.passes


def test_a_negative_tilt_costs_what_the_positive_one_costs() -> None:
    brief = CradleBrief(made="always", working_tilts_deg=(-20.0, 20.0, -10.0, 0.0))
    lie = trough()
    back, forth, less, level = _margins(lie, _lay_out(lie, brief, 0.2113, 0.5), brief)
    tan_20 = math.tan(math.radians(20))
    # on the floor 140 - 190 tan 20, in the frame 80 - 50 tan 20, whichever way it tips
    assert (back.on_floor_mm, back.in_frame_mm) == pytest.approx((140 - 190 * tan_20, 80 - 50 * tan_20))
    assert (back.margin_mm, back.passes) == (forth.margin_mm, forth.passes)
    assert back.margin_mm < less.margin_mm < level.margin_mm


def test_margins_along_the_piece_count_the_boards_thickness() -> None:
    lie = trough(along=200.0)
    layout = _lay_out(lie, CradleBrief(made="always"), 0.2113, 0.9)
    level, _ = _margins(lie, layout, CradleBrief(made="always"))
    assert level.on_floor_mm == pytest.approx(AIRY_STATION + 9 - 200, abs=0.1)
    assert level.in_frame_mm == pytest.approx(AIRY_STATION - 200, abs=0.1)


def test_feet_are_widened_by_20_mm_steps_until_the_frame_stands() -> None:
    lie, brief = trough(), CradleBrief(made="always", margin_limit_mm=150.0)
    layout = _lay_out(lie, brief, 0.2113, 0.5)
    wider = _widen(lie, layout, brief)
    # 140 - 33.5 and 60 more are the first over 150
    assert wider.shoulders_mm == (120.0, 120.0)
    assert wider.ends(0) == (-220.0, 220.0)
    assert _margins(lie, wider, brief)[1].on_floor_mm == pytest.approx(200 - 190 * TAN_10)
    far = CradleBrief(made="always", margin_limit_mm=500.0)
    assert _widen(lie, layout, far).shoulders_mm == (60.0, 60.0), "no widening helps: none is done"
    # 400 mm more is the most: 140 + 400 - 33.5, where the boards stand far enough apart
    long = replace(lie, along_mm=5 * lie.along_mm)
    spread = _lay_out(long, brief, 0.2113, 0.5)
    assert _widen(long, spread, CradleBrief(made="always", margin_limit_mm=506.0)).shoulders_mm == (460.0, 460.0)
    assert _widen(long, spread, CradleBrief(made="always", margin_limit_mm=507.0)).shoulders_mm == (60.0, 60.0)


@pytest.mark.parametrize(
    ("along", "limit", "height", "station"),
    [
        (10.0, 70.0, 100.0, AIRY_STATION),  # the plainest does: 71.2 in the frame
        (10.0, 130.0, 160.0, AIRY_STATION),  # only 160 high boards hold it by 140
        (10.0, 145.0, 160.0, AIRY_STATION),  # none does: the one with the most margin, the plainer of equals
        (200.0, 100.0, 140.0, 360.0),  # further out, since the weight is at one end: 160 - 2 and 369 - 200 - 33.5
    ],
)
def test_the_plainest_layout_that_holds_is_taken(along: float, limit: float, height: float, station: float) -> None:
    layout, tilts = _best_layout(trough(along=along), CradleBrief(made="always", margin_limit_mm=limit))
    assert layout.heights_mm == pytest.approx([height] * 3)
    assert layout.stations_mm[-1] == pytest.approx(station, abs=0.1)
    assert all(t.passes for t in tilts) is (limit != 145.0)


# --- cut list ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("flange", "rail"), [(180.0, 80.0), (50.0, 70.0)])
def test_the_frame_by_hand(flange: float, rail: float) -> None:
    """Boards 40 mm of wood under the lowest place, shouldered 60 mm beside the trough; rails 20 mm in from their ends,
    30 mm past the last, half their height out of each."""
    brief = CradleBrief(made="always", board_thickness_mm=20.0)
    lie = trough(flange=flange)
    layout = _lay_out(lie, brief, 0.1, 0.5)
    boards, rails = _members(lie, layout, brief, "L", 0)
    reach = min(100.0, flange - 20.0)
    rows = _cut_list(boards, rails)
    assert [row[:2] for row in rows] == [(f"L board {k}", 1) for k in (1, 2, 3)] + [("L rail 1", 1), ("L rail 2", 1)]
    for row in rows[:3]:
        assert row[2:] == pytest.approx((2 * (reach + 60), reach + 40, 20.0))
    for row in rows[3:]:
        assert row[2:] == pytest.approx((720.0 + 20.0 + 60.0, rail, 20.0))
    left, right = boards[0].slots_mm
    assert left == pytest.approx((20.0 - 0.25, 20.5, rail / 2))
    assert right == pytest.approx((2 * (reach + 60) - 40.0 - 0.25, 20.5, rail / 2))
    area = 3 * shapely.Polygon(boards[0].outline_mm).area - 6 * 20.5 * rail / 2
    assert sum(shapely.Polygon(b.cut_mm).area for b in boards) == pytest.approx(area)
    for one in rails:
        assert shapely.Polygon(one.outline_mm).area == pytest.approx(800.0 * rail - 3 * 20.5 * rail / 2)
        assert one.boards == ("L board 1", "L board 2", "L board 3")


def test_rails_go_under_the_jacket_and_leave_wood_over_a_slot() -> None:
    assert rail_height_mm(np.array([200.0]), 500.0) == 80.0
    assert rail_height_mm(np.array([200.0]), 71.3) == 61.0  # 10 mm clear, whole millimetres
    assert rail_height_mm(np.array([60.0, 48.0]), 500.0) == 46.0  # 23 and 25 of wood
    assert rail_height_mm(np.array([60.0, 55.0]), 500.0) == 55.0  # no taller than a board
    assert rail_height_mm(np.array([40.0]), 41.0) == 30.0


def test_a_rail_longer_than_a_sheet_is_two_that_meet_in_a_boards_slot() -> None:
    stations = np.linspace(-1200.0, 1200.0, 7)
    names = [f"L board {k + 1}" for k in range(7)]
    made = make_rails(((0.0, 18.0),), stations, names, 80.0, 18.0, lambda k: f"L rail {k}", 0)
    assert [r.boards for r in made] == [tuple(names[:4]), tuple(names[3:])]
    assert [r.start_mm for r in made] == pytest.approx([-1239.0, 0.0])
    assert [r.length_mm for r in made] == pytest.approx([1239.0, 1239.0])
    for rail in made:
        shape = shapely.Polygon(rail.outline_mm)
        assert shape.is_valid
        # three whole slots of 18.5 mm, and half a one at its end
        assert shape.area == pytest.approx(1239.0 * 80.0 - 3.5 * 18.5 * 40.0)
    assert rail_places([0.0], [500.0], 18.0) == ()
    assert rail_places([0.0, 10.0], [500.0, 480.0], 18.0) == ((30.0, 48.0), (442.0, 460.0))
    assert rail_places([0.0, 10.0], [60.0, 90.0], 18.0) == ()


# --- small gloves --------------------------------------------------------------------------------------------


def ridge(pull=(0.0, 0.0, 1.0), long_x: bool = False, pixel_mm: float = 4.0) -> Envelope:
    """A roof 120 mm high over 200 x 400 mm, falling 1 for 1 from its ridge, and more to one end."""

    def outside(x, y):
        across, along = (y, x) if long_x else (x, y)
        height = 120.0 - np.abs(across) + along / 20
        return np.where((np.abs(across) < 100) & (np.abs(along) < 200), height, np.nan)

    sides = (200.0, 100.0) if long_x else (100.0, 200.0)
    return envelope_of(outside, *sides, pull=pull, pixel_mm=pixel_mm, name="left piece", flange_width_mm=40.0)


def shell_of(envelope: Envelope, edge_mm: float = 6.0) -> Jacket:
    zones = (
        Zone("field", 1e5, 900.0, 2.95, (), 3.0, 0.2, 0.5),
        Zone("handling edge", 1e5, 900.0, 2.95, (), edge_mm, 0.2, 0.5),
        Zone("flange", 1e5, 900.0, 2.95, (), edge_mm, 0.2, 0.5),
    )
    made = jacket_of(pieces=1)
    piece = replace(made.pieces[0], zones=zones, mass_kg=1.6, rubber_mass_kg=0.8, centre_of_mass_mm=(10.0, 20.0, 60.0))
    return replace(made, pieces=(piece,))


def columns(envelope: Envelope) -> np.ndarray:
    """(k, 4) of every column of rubber: x, y, its middle's height, its thickness, by plain counting."""
    found = []
    for (i, j), top in np.ndenumerate(envelope.outer_mm):
        if np.isfinite(top) and not envelope.open_base[i, j]:
            floor = envelope.filled_mm[i, j] if np.isfinite(envelope.filled_mm[i, j]) else envelope.parting_mm[i, j]
            x, y = envelope.origin_mm[0] + 4.0 * j, envelope.origin_mm[1] + 4.0 * i
            found.append((x, y, (top + floor) / 2, top - floor))
    return np.array(found)


@pytest.mark.parametrize("long_x", [False, True])
@pytest.mark.parametrize("pull", [(0.0, 0.0, 1.0), (1.0, 0.0, 0.0)])
def test_how_a_small_glove_lies_by_hand(pull, long_x: bool) -> None:
    envelope = ridge(pull, long_x)
    rubber, jacket = rubber_of(envelope), shell_of(envelope)
    jacket = replace(jacket, pieces=(replace(jacket.pieces[0], piece=3),))
    (piece,) = build_cradle(jacket, rubber, NO_KEYS, CradleBrief(made="always", margin_limit_mm=20.0)).pieces
    assert piece.length_axis == ("x" if long_x else "y")
    assert piece.lying_mass_kg == pytest.approx(2.4)
    # the highest column is over the raised end of the ridge; the field's laminate is 3 mm, 40 mm of wood stay under it
    assert piece.floor_mm == pytest.approx(float(np.nanmax(envelope.outer_mm)) + 3.0 + 40.0, abs=0.01)
    rows = columns(envelope)
    glove = envelope.frame.to_master(np.average(rows[:, :3], axis=0, weights=rows[:, 3])[None])[0]
    both = (2 * np.array([10.0, 20.0, 60.0]) + glove) / 3
    assert piece.centre_of_mass_mm == pytest.approx(tuple(both), abs=1e-3)
    # feet under every board, in the pull frame's x and y
    feet = [(b.start_mm + e * np.ptp(b.outline_mm[:, 0]), b.station_mm + s) for b in piece.boards for e in (0, 1)
            for s in (-9.0, 9.0)]  # fmt: skip
    feet = np.array(feet)[:, ::-1] if long_x else np.array(feet)
    corners = np.array(piece.support_polygon_mm)
    assert corners.min(axis=0) == pytest.approx(feet.min(axis=0))
    assert corners.max(axis=0) == pytest.approx(feet.max(axis=0))
    assert [b.name for b in piece.boards] == [f"L board {k + 1}" for k in range(len(piece.boards))]
    assert {(b.thickness_mm, b.piece) for b in piece.boards} == {(18.0, 3)}
    assert piece.piece == 3
    assert shapely.Polygon(corners).area == pytest.approx(shapely.MultiPoint(feet).convex_hull.area)
    assert [row[0] for row in piece.cut_list] == [*(b.name for b in piece.boards), "L rail 1", "L rail 2"]


@pytest.mark.parametrize("long_x", [False, True])
@pytest.mark.parametrize("flanged", [True, False])
def test_boards_meet_the_ridge_at_half_its_depth(long_x: bool, flanged: bool) -> None:
    envelope = ridge(long_x=long_x, pixel_mm=2.0)
    if not flanged:
        bare = np.where(envelope.flange, np.float32(np.nan), envelope.outer_mm)
        envelope = replace(envelope, outer_mm=bare, flange=np.zeros_like(envelope.flange))
    jacket = shell_of(envelope)
    light = replace(jacket.pieces[0], centre_of_mass_mm=(0.0, 0.0, 100.0), rubber_mass_kg=0.0)
    brief = CradleBrief(made="always", margin_limit_mm=1.0, working_tilts_deg=(0.0,))
    (piece,) = build_cradle(replace(jacket, pieces=(light,)), rubber_of(envelope), NO_KEYS, brief).pieces
    top = piece.floor_mm - 40.0
    # as it lies, the flange's underside (12 mm of rubber, 6 of laminate) or the parting surface is the depth
    reach = 0.5 * (top - 12.0 - 6.0 if flanged else top)
    for board in piece.boards:
        assert board.outline_mm[:, 1].max() == pytest.approx(40.0 + reach, abs=0.3)
        # the laminate's outside falls 1 for 1, 3 root 2 over the glove's; boards go 60 mm past it
        meets = reach - top + 120.0 + board.station_mm / 20 + 3.0 * math.sqrt(2)
        assert board.start_mm == pytest.approx(-meets - 60.0, abs=3.0)
        assert np.ptp(board.outline_mm[:, 0]) == pytest.approx(2 * (meets + 60.0), abs=6.0)


def test_a_rib_stands_out_by_its_core_and_a_laminate_on_either_side_of_it() -> None:
    # a flat top at 60 mm; the rib's core is 20 mm high under 3 mm, on the 3 mm of the shell: a ball of 26 along it
    flat = envelope_of(
        lambda x, y: np.where((np.abs(x) < 100) & (np.abs(y) < 100), 60.0, np.nan), 100.0, pixel_mm=1.0,
        name="left piece", flange_width_mm=40.0,
    )  # fmt: skip
    jacket = shell_of(flat, edge_mm=3.0)
    rib = Rib((-40.0, 10.5, 60.0), (40.0, 10.5, 60.0), 20.0, 25.0, ())
    shell = replace(jacket.pieces[0], ribs=(rib,))
    height, grid = jacket_outside(flat, replace(rubber_of(flat), edge_band_mm=0.0), NO_KEYS, shell)
    x, y = np.meshgrid(grid.x(), grid.y())
    frame_line = flat.frame.to_frame(np.array([rib.start_mm, rib.end_mm]))
    along = np.clip((x - frame_line[0, 0]) / (frame_line[1, 0] - frame_line[0, 0]), 0, 1)
    away = np.hypot(x - frame_line[0, 0] - along * (frame_line[1, 0] - frame_line[0, 0]), y - frame_line[0, 1])
    round_rib = 60.0 + np.sqrt(np.maximum(26.0**2 - away**2, 0.0))
    top = (np.abs(x) < 90) & (np.abs(y) < 90)
    assert np.abs(height - np.maximum(round_rib, 63.0))[top].max() < 0.6
    assert height.max() == pytest.approx(86.0, abs=0.05)
    assert not np.isfinite(height[0]).any()


def test_the_laminate_is_thicker_near_the_flange() -> None:
    # the offset of a plane that falls 1 for 1 is root 2 of the thickness higher
    envelope = ridge(pixel_mm=1.0)
    rubber = replace(rubber_of(envelope), edge_band_mm=40.0)
    height, grid = jacket_outside(envelope, rubber, NO_KEYS, shell_of(envelope, edge_mm=7.0).pieces[0])
    row = height[np.argmin(np.abs(grid.y()))]
    for across, thick in ((30.0, 3.0), (90.0, 7.0)):  # the flange begins at 100, its top at 12: 80 and 13 mm away
        at = np.argmin(np.abs(grid.x() - across))
        outside = 120.0 - grid.x()[at] + grid.y()[np.argmin(np.abs(grid.y()))] / 20
        assert row[at] - outside == pytest.approx(thick * math.sqrt(2), abs=0.15)
    assert not np.isfinite(height[0]).any()


def test_a_piece_without_rubber_weight_hangs_by_its_jacket() -> None:
    envelope = ridge()
    jacket = shell_of(envelope)
    jacket = replace(jacket, pieces=(replace(jacket.pieces[0], rubber_mass_kg=0.0),))
    (piece,) = build_cradle(
        jacket, rubber_of(envelope), NO_KEYS, CradleBrief(made="always", margin_limit_mm=20.0)
    ).pieces
    assert piece.centre_of_mass_mm == pytest.approx((10.0, 20.0, 60.0))


def test_what_cannot_be_cradled_is_said() -> None:
    envelope = ridge()
    none = replace(envelope, open_base=np.ones_like(envelope.open_base))
    shells = shell_of(none)
    twice = replace(shells, pieces=shells.pieces * 2)
    made = build_cradle(twice, rubber_of(none, none), NO_KEYS, CradleBrief(made="always"))
    assert made.advice == ("The left piece has no jacket to cradle.",) * 2
    with pytest.raises(ValueError, match="zip"):
        build_cradle(twice, rubber_of(none), NO_KEYS, CradleBrief(made="always"))
    for piece in made.pieces:
        assert (piece.piece, piece.boards, piece.support_polygon_mm, piece.tilts, piece.cut_list) == (0, (), (), (), ())
    flat = envelope_of(
        lambda x, y: np.where(np.hypot(x, y) < 100, 14.0, np.nan), 100.0, pixel_mm=4.0, name="left piece"
    )
    made = build_cradle(shell_of(flat), rubber_of(flat), NO_KEYS, CradleBrief(made="always"))
    assert made.advice == ("The left piece gives boards nothing to hold: lay it on a level board with packing.",)
    (piece,) = made.pieces
    assert (piece.piece, piece.boards, piece.support_polygon_mm, piece.tilts, piece.cut_list) == (0, (), (), (), ())


@pytest.mark.parametrize(("up", "how"), [(400.0, "bolt the frame to the bench"), (60.0, "strap the piece")])
def test_advice_names_the_worst_tilt(up: float, how: str) -> None:
    envelope = ridge()
    jacket = shell_of(envelope)
    heavy = replace(jacket.pieces[0], centre_of_mass_mm=(0.0, 0.0, 60.0 - up), rubber_mass_kg=0.0)
    brief = CradleBrief(made="always", margin_limit_mm=100.0, working_tilts_deg=(0.0, 5.0, 15.0))
    made = build_cradle(replace(jacket, pieces=(heavy,)), rubber_of(envelope), NO_KEYS, brief)
    worst = min(made.pieces[0].tilts, key=lambda t: t.margin_mm)
    assert worst.tilt_deg == 15.0
    (said,) = made.advice
    assert f"has {worst.margin_mm:.0f} mm of margin at 15 degrees of tilt (limit 100)" in said
    assert (how in said) is (("bolt" in how) == (worst.on_floor_mm < worst.in_frame_mm))


@pytest.mark.parametrize("axis", ["x", "y"])
def test_a_board_in_the_plan_by_hand(axis: str) -> None:
    envelope = replace(ridge(), frame=pull_frame(np.array([1.0, 0.0, 0.0])))
    board = Board("L board 1", 0, 70.0, np.array([[0.0, 0.0], [300.0, 0.0], [300.0, 90.0]]), 18.0, -140.0)
    cradle = CradlePiece(0, (board,), (), (), (), length_axis=axis, floor_mm=250.0)
    found = envelope.frame.to_frame(board_in_plan(board, cradle, envelope))
    across, along = found[:, 0 if axis == "y" else 1], found[:, 1 if axis == "y" else 0]
    assert across == pytest.approx([-140.0, 160.0, 160.0])
    assert along == pytest.approx([70.0] * 3)
    assert found[:, 2] == pytest.approx([250.0, 250.0, 160.0])
