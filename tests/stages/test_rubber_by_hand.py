"""The rubber stage's sums by hand: the thickness rule, coats, intervals, columns cut by a base, parts of triangles."""

from __future__ import annotations

import math
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
import shapely
from mouldloft.base.intervals import Interval
from mouldloft.geometry.depthmap import Grid
from mouldloft.geometry.frame import pull_frame
from mouldloft.geometry.heightmap import sample_map
from mouldloft.inputs.brief import Brief, RubberBrief
from mouldloft.inputs.catalogue import read_catalogue
from mouldloft.stages.keys.record import Key, Keys, count_keys_in
from mouldloft.stages.rubber.amounts import rubber_interval
from mouldloft.stages.rubber.coats import coat_volumes_mm3, split_into_coats
from mouldloft.stages.rubber.columns import above_base, mean_positive_part, volume_of_columns
from mouldloft.stages.rubber.glove import _parts
from mouldloft.stages.rubber.record import Coat, RubberParts
from mouldloft.stages.rubber.thickness import edge_share, wanted_thickness_mm
from mouldloft.trade.thickness import ThicknessRule, choose_thickness
from trade_bodies import box, rubber_of


@pytest.mark.parametrize(
    ("height", "casts", "skin", "width"),
    [
        # 5 mm + 1.5 a metre + 1 each time the run doubles, up to the next half; a thirtieth of the size, 30 to 50
        (1000.0, 1, 6.5, 33.0),
        (1400.0, 8, 10.5, 47.0),  # 5 + 2.1 + 3 = 10.1
        (400.0, 1, 6.0, 24.0),  # 5.6; half-way from 17.5 to 30
        (2000.0, 6, 11.0, 50.0),  # 5 + 3 + 2.58 = 10.58
    ],
)
def test_the_thickness_rule_by_hand(height: float, casts: int, skin: float, width: float) -> None:
    rule = choose_thickness(height, casts, RubberBrief())
    assert (rule.skin_mm, rule.edge_mm, rule.flange_width_mm) == (skin, 1.5 * skin, width)
    assert rule.flange_mm == rule.skin_mm
    assert rule.band_mm == max(40.0, 7.5 * skin)
    run = "1 cast" if casts == 1 else f"{casts} casts"
    assert rule.reason.startswith(f"{skin:g} mm skin by rule for {height:.0f} mm and {run}, {1.5 * skin:.3g} mm within")
    assert f"within {rule.band_mm:.3g} mm of the seam" in rule.reason


def test_the_brief_overrides_the_rule() -> None:
    own = RubberBrief(
        skin_thickness_mm=4.0, edge_thickness_mm=3.0, edge_band_mm=0.0, flange_width_mm=33.0, flange_thickness_mm=7.0
    )
    rule = choose_thickness(1000.0, 1, own)
    assert (rule.skin_mm, rule.edge_mm, rule.band_mm) == (4.0, 4.0, 0.0)  # no edge thinner than the skin
    assert (rule.flange_width_mm, rule.flange_mm) == (33.0, 7.0)
    assert "by the brief" in rule.reason
    assert choose_thickness(1000.0, 1, RubberBrief(skin_thickness_mm=4.0)).band_mm == 40.0  # five edges are 30
    assert choose_thickness(1000.0, 1, RubberBrief(edge_thickness_mm=9.0)).flange_mm == 6.5  # the skin's


@pytest.mark.parametrize(
    "corners",
    [(1.0, 2.0, 3.0), (-1.0, -2.0, -3.0), (-1.0, -2.0, 3.0), (-1.0, 2.0, 3.0), (0.0, 0.0, 2.0), (-2.0, 0.0, 0.0),
     (-1.0, 0.0, 2.0), (0.2, 0.5, 0.9), (-3.0, -3.0, 1.0), (1.0, 1.0, -1.0), (0.0, 0.0, 0.0), (2.0, 2.0, 2.0)],
)  # fmt: skip
def test_the_mean_positive_part_over_a_triangle(corners: tuple[float, float, float]) -> None:
    # reference library: shapely clips the triangle where the plane is above nought; a plane's mean over a polygon is
    # its value at the polygon's centroid
    def height(x: float, y: float) -> float:
        return corners[0] * (1 - x - y) + corners[1] * x + corners[2] * y

    far = 100.0
    gradient = np.array([corners[1] - corners[0], corners[2] - corners[0]])
    triangle = shapely.Polygon([(0, 0), (1, 0), (0, 1)])
    if np.linalg.norm(gradient) < 1e-12:
        by_hand = max(corners[0], 0.0)
    else:
        up = gradient / np.linalg.norm(gradient)
        foot = -corners[0] * gradient / (gradient @ gradient)
        side = np.array([-up[1], up[0]])
        half_plane = shapely.Polygon(
            [foot - far * side, foot + far * side, foot + far * (side + up), foot + far * (up - side)]
        )
        above = triangle.intersection(half_plane)
        by_hand = above.area * height(*above.centroid.coords[0]) / triangle.area if above.area > 0 else 0.0
    turned = np.array([[corners[k] for k in order] for order in ((0, 1, 2), (1, 2, 0), (2, 1, 0))] + [[4.0, 5.0, 6.0]])
    assert mean_positive_part(turned) == pytest.approx([by_hand] * 3 + [5.0], abs=1e-6)


# --- coats ---------------------------------------------------------------------------------------------------


def test_coats_of_a_ball_follow_steiner() -> None:
    # 4 pi R² t + 4 pi R t² of a ball of 100 mm (Minkowski-Steiner formula, without its cube): 6 mm of skin
    def grown(t: float) -> float:
        return 4 * math.pi * (1e4 * t + 100 * t * t)

    rubber_material = replace(read_catalogue(None).rubber[0], print_coat_mm=0.8, build_coat_mm=2.0)
    rule = ThicknessRule(6.0, 9.0, 40.0, 60.0, 9.0, "")
    coats = split_into_coats(rule, rubber_material, 3e6, 4 * math.pi * 1e4, grown(3.0), grown(6.0))
    assert [c.name for c in coats] == [
        "print coat", "build coat 1", "undercut fill in lifts of 20 mm, edges", "build coat 2", "build coat 3"
    ]  # fmt: skip
    assert [c.thickened for c in coats] == [False, True, True, True, True]
    step = 5.2 / 3  # what is left in the fewest coats of at most 2 mm
    ends = [0.8, 0.8 + step, 0.8 + 2 * step, 6.0]
    assert [c.thickness_mm for c in coats] == pytest.approx([0.8, step, 0.0, step, step])
    assert coats[0].volume_mm3 == pytest.approx(4 * math.pi * 1e4 * 0.8)
    built = [c for c in coats[1:] if c.thickness_mm > 0]
    for coat, inner, outer in zip(built, ends[:-1], ends[1:], strict=True):
        assert coat.volume_mm3 == pytest.approx(grown(outer) - grown(inner))
    assert sum(c.volume_mm3 for c in coats) == pytest.approx(3e6)
    # over the wall's face too, edge to edge: every coat takes the wall times its thickness more, the fill as much less
    on_wall = split_into_coats(rule, rubber_material, 3e6, 4 * math.pi * 1e4, grown(3.0), grown(6.0), wall_mm2=2e4)
    for wet, dry in zip(on_wall, coats, strict=True):
        more = 2e4 * dry.thickness_mm if dry.thickness_mm > 0 else -2e4 * 6.0
        assert wet.volume_mm3 == pytest.approx(dry.volume_mm3 + more)


def test_a_skin_of_whole_coats_takes_no_more_and_a_thin_one_is_one_coat() -> None:
    rubber_material = replace(read_catalogue(None).rubber[0], print_coat_mm=1.0, build_coat_mm=2.0)

    def thicknesses(skin: float) -> list[float]:
        rule = ThicknessRule(skin, skin, 0.0, 60.0, skin, "")
        return [c.thickness_mm for c in split_into_coats(rule, rubber_material, 1e4, 1e4, skin * 0.5e4, skin * 1e4)]

    assert thicknesses(5.0) == pytest.approx([1.0, 0.0, 2.0, 2.0])
    assert thicknesses(0.7) == pytest.approx([0.7, 0.0])
    rule = ThicknessRule(5.0, 5.0, 0.0, 60.0, 5.0, "")
    assert split_into_coats(rule, rubber_material, 1e4, 1e4, 2.5e4, 5e4)[1].volume_mm3 == 0.0, (
        "no coat of less than nothing"
    )


def test_coats_by_piece_by_hand() -> None:
    # skins 3 to 1; 1 dm³ of carving to come goes by skin; a piece's fill is what its coats leave of it
    parts = (RubberParts(3e6, 1e6, 0.0, 0.0, 0.0), RubberParts(1e6, 2e6, 0.0, 0.0, 0.0))
    coats = (Coat("print", 1.0, 1e6, False), Coat("build", 3.0, 3e6, True), Coat("fill", 0.0, 4e6, True))
    rubber = replace(rubber_of(), parts=parts, coats=coats, volume_mm3=Interval(8e6, 8e6, 8e6, ()))
    left, right = (coat_volumes_mm3(rubber, k) for k in (0, 1))
    assert left == pytest.approx((0.75e6, 2.25e6, 4e6 + 0.75e6 - 3e6))
    assert right == pytest.approx((0.25e6, 0.75e6, 3e6 + 0.25e6 - 1e6))


def test_coats_of_pieces_that_have_no_skin_are_shared_evenly() -> None:
    none = (RubberParts(0.0, 0.0, 0.0, 0.0, 0.0),) * 2
    coats = (Coat("print", 1.0, 1e6, False), Coat("fill", 0.0, 0.0, True))
    rubber = replace(rubber_of(), parts=none, coats=coats, volume_mm3=Interval(1e6, 1e6, 1e6, ()))
    assert coat_volumes_mm3(rubber, 1) == pytest.approx((0.5e6, 0.0))


# --- volumes and intervals -----------------------------------------------------------------------------------


def test_the_interval_by_hand() -> None:
    master = replace(box(400, 300, 1000), detail_allowance=1.25, detail_allowance_uncertainty=0.08)
    brief = Brief(rubber=RubberBrief(brushing_variation=0.2))
    made = rubber_interval(master, brief, 6e6, 8e6, 8.2e6)
    # a quarter more skin: 9.5 dm³ of which 6 are skin; the coarser lattice says 2.5 % more
    share = 6 / 9.5
    assert dict(made.causes) == pytest.approx(
        {"lattice resolution": 0.025, "detail still to be carved": 0.08 * share, "brushing by hand": 0.2 * share}
    )
    half = math.hypot(0.025, 0.08 * share, 0.2 * share)
    assert (made.low, made.likely, made.high) == pytest.approx((9.5e6 * (1 - half), 9.5e6, 9.5e6 * (1 + half)))


def test_tabs_are_counted_everywhere() -> None:
    rubber = rubber_of(coats=((0.8, False), (2.4, True), (4.8, True)))
    key = Key("L1", 0, "edge", (0.0, 0.0, 0.0), 40.0, 30.0, 12.0, 3e5)
    keys = Keys((key, replace(key, volume_mm3=1e5), replace(key, piece=1, volume_mm3=2e5)), ())
    made = count_keys_in(rubber, keys)
    assert [p.keys_mm3 for p in made.parts] == [4e5, 2e5]
    assert made.volume_on_coarser_mm3 == pytest.approx((4.4e6, 4.2e6))
    assert made.coats[:-1] == rubber.coats[:-1]
    assert made.coats[-1] == replace(rubber.coats[-1], volume_mm3=4.8e6 + 6e5)
    grown = made.volume_mm3
    assert (grown.low, grown.likely, grown.high) == pytest.approx((0.9 * 8.6e6, 8.6e6, 1.1 * 8.6e6))
    assert grown.causes == rubber.volume_mm3.causes


def test_parts_add_up_and_are_listed() -> None:
    part = RubberParts(1.0, 2.0, 4.0, 8.0, 16.0, 32.0, 64.0)
    assert part.total_mm3 == 127.0
    assert [volume for _, volume in part.by_cause] == [1.0, 2.0, 4.0, 64.0, 8.0, 16.0, 32.0]
    assert "handling points" not in dict(replace(part, handling_mm3=0.0).by_cause)


def test_each_cause_is_what_its_map_adds_to_the_one_before() -> None:
    maps = {
        "solid": 1.0,
        "filled": 3.0,
        "skin": 7.0,
        "edge": 15.0,
        "handled": 31.0,
        "draft": 63.0,
        "flange": 127.0,
        "bead": 255.0,
    }
    part = _parts(SimpleNamespace(**{f"{name}_mm3": volume for name, volume in maps.items()}))
    assert part == RubberParts(
        lock_fill_mm3=2.0,
        skin_mm3=4.0,
        edge_mm3=8.0,
        handling_mm3=16.0,
        draft_mm3=32.0,
        flange_mm3=64.0,
        bead_mm3=128.0,
    )


def test_columns_between_a_floor_and_a_ceiling() -> None:
    height = np.array([[5.0, 2.0], [np.nan, 9.0]])
    low, high = np.array([[1.0, 3.0], [0.0, 2.0]]), np.full((2, 2), 6.0)
    assert volume_of_columns(height, low, high, 3.0) == pytest.approx((4 + 0 + 0 + 4) * 9)


def test_what_stays_above_the_ground_by_geometry() -> None:
    master = box(400, 300, 1000)
    grid = Grid(-50.0, -30.0, 10.0, 7, 11)  # y from -30 to 30
    frame = pull_frame(np.array([1.0, 0.0, 0.0]))
    low, high = above_base(frame, grid, master)  # level: half of the columns lie under the ground
    assert np.isinf(high).all()
    assert (low[:, 0] == np.where(grid.y() < 0, np.inf, -np.inf)).all()
    for slope in (0.6, -0.6):
        frame = pull_frame(np.array([0.8, 0.0, slope]))
        low, high = above_base(frame, grid, master)
        ends = np.column_stack([np.zeros(7), grid.y(), (low if slope > 0 else high)[:, 4]])
        assert frame.to_master(ends)[:, 2] == pytest.approx(np.zeros(7), abs=1e-9)  # the column ends on the ground
        assert np.isinf(high if slope > 0 else low).all()
    for free in (replace(master, base="closed"), replace(master, base_faces=np.zeros(len(master.faces), bool))):
        low, high = above_base(frame, grid, free)
        assert (low == -np.inf).all()
        assert (high == np.inf).all()


def test_a_map_is_read_between_its_pixels() -> None:
    grid = Grid(10.0, 20.0, 2.0, 3, 4)
    x, y = np.meshgrid(grid.x(), grid.y())
    found = sample_map(3 * x - 2 * y, grid, np.array([11.0, 15.5, 0.0]), np.array([23.0, 20.5, 20.0]))
    assert found == pytest.approx([33.0 - 46.0, 46.5 - 41.0, 30.0 - 40.0])  # beyond the edge: the edge's value


# --- handling edge -------------------------------------------------------------------------------------------


def test_the_edge_band_and_its_fade_by_hand() -> None:
    # full over the band, half way down in the middle of the fade, nothing from half a band further on
    above = np.array([0.0, 40.0, 50.0, 60.0, 80.0])
    assert edge_share(above, 40.0) == pytest.approx([1.0, 1.0, 0.5, 0.0, 0.0])
    assert (edge_share(above, 0.0) == 0.0).all()
    assert edge_share(np.array([0.4, 0.8]), 0.5).tolist() == [1.0, 0.0]
    # the smooth step 3 x² - 2 x³ at a quarter: 0.15625
    assert edge_share(np.array([45.0]), 40.0) == pytest.approx([1 - 0.15625])


def test_thickness_where_it_is_handled_by_hand() -> None:
    rule = ThicknessRule(8.0, 14.0, 40.0, 60.0, 14.0, "")
    frame = pull_frame(np.array([1.0, 0.0, 0.0]))
    points = frame.to_frame(np.array([[200.0, 0, 0], [200, 0, 45], [200, 0, 60], [200, 0, 80], [50, 0, 500]]))
    above = np.array([200.0, 200.0, 200.0, 200.0, 50.0])
    thick = wanted_thickness_mm(points, above, rule, frame, [(200.0, 0.0, 0.0)], RubberBrief(handling_radius_mm=80.0))
    # full to half the radius of 80, nothing from all of it: at 45 mm an eighth of the way, at 60 half
    step = 3 / 64 - 2 / 512
    assert thick == pytest.approx([14.0, 8 + 6 * (1 - step), 11.0, 8.0, 11.0])
    far = wanted_thickness_mm(points[:4], above[:4], rule, frame, [], RubberBrief())
    assert far == pytest.approx([8.0] * 4)
