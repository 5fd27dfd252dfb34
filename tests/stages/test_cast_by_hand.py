"""The cast's sums again by hand: what makes up the mass's interval, centres, boards and levers of uneven feet."""

from __future__ import annotations

import math
from dataclasses import replace

import mouldloft.stages.wind as wind_module
import numpy as np
import pytest
import shapely
import trimesh
from mouldloft.inputs.brief import Brief, CastBrief, JacketBrief
from mouldloft.inputs.catalogue import read_catalogue
from mouldloft.stages.baseboard import foot_polygons
from mouldloft.stages.cast import Cast, lay_up_cast
from mouldloft.stages.wind import wind_pressure
from mouldloft.trade.lifting import check_lift
from trade_bodies import any_ballast, box, locks_of, seam_of, standing

CALM = CastBrief(push_n=300.0, push_height_mm=400.0, basic_wind_m_s=0.0)
LEVEL = seam_of(pull=(0.0, 0.0, 1.0))
G = 9.80665


def cast_of(master, cast: CastBrief = CALM, seam=LEVEL) -> Cast:
    with any_ballast():
        return lay_up_cast(master, seam, locks_of(), Brief(cast=cast), read_catalogue(None))


def union(*boxes: tuple[tuple[float, float, float], tuple[float, float, float]]) -> trimesh.Trimesh:
    """Boxes given by their sides and the middle of their foot."""
    parts = [trimesh.creation.box(sides) for sides, _ in boxes]
    for part, (sides, (x, y, z)) in zip(parts, boxes, strict=True):
        part.apply_translation((x, y, z + sides[2] / 2))
    return trimesh.boolean.union(parts, engine="manifold")


def bridge():
    """Two legs, 100 and 150 mm along x, under a beam from x = -350 to 375."""
    legs = ((100.0, 120.0, 500.0), (-300.0, 0.0, 0.0)), ((150.0, 120.0, 500.0), (300.0, 0.0, 0.0))
    return standing(union(*legs, ((725.0, 120.0, 100.0), (12.5, 0.0, 500.0))))


# --- mass and centre -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(("allowance", "unsure"), [(1.0, 0.05), (1.2, 0.08), (1.2, 0.0)])
def test_what_makes_up_the_masss_interval(allowance: float, unsure: float) -> None:
    ring = np.array([[0.0, 0, 0], [0, 0, 900], [0, 500, 900], [0, 500, 0]])
    body = replace(box(400, 300, 1000), detail_allowance=allowance, detail_allowance_uncertainty=unsure)
    made = cast_of(body, seam=seam_of(ring))
    # the bundled catalogue: resin by hand 15 % of the resin, gelcoat 16 % of the gelcoat; carving what the brief says,
    # of what lies on the skin
    causes = {
        "resin taken up by hand": 0.15 * (made.resin_kg + made.joint_resin_kg) / made.mass_kg,
        "gelcoat's thickness": 0.16 * made.gelcoat_kg / made.mass_kg,
    }
    if unsure:
        on_skin = made.gelcoat_kg + made.glass_kg + made.resin_kg
        causes["detail still to be carved"] = unsure * on_skin / made.mass_kg
    half = math.sqrt(sum(c * c for c in causes.values()))
    assert dict(made.mass_kg_interval.causes) == pytest.approx(causes)
    assert made.mass_kg_interval.low == pytest.approx(made.mass_kg * (1 - half))
    assert made.mass_kg_interval.high == pytest.approx(made.mass_kg * (1 + half))


def test_centre_with_an_open_and_a_closed_line_by_hand() -> None:
    closed = seam_of(np.array([[30.0, 0, 0], [30, 0, 300], [30, 400, 0]])).lines[0]
    opened = replace(closed, points_mm=np.array([[0.0, 100, 500], [0, 100, 600], [80, 100, 600]]), closed=False)
    seam = replace(seam_of(), lines=(closed, opened), length_mm=1380.0)
    made = cast_of(box(400, 300, 1000), seam=seam)
    # closed: sides 300, 500 and 400 mm; open: 100 and 80 mm. Each side's weight sits in its middle
    sides = (
        (300, (30, 0, 150)),
        (500, (30, 200, 150)),
        (400, (30, 200, 0)),
        (100, (0, 100, 550)),
        (80, (40, 100, 600)),
    )
    line = np.array([sum(length * middle[k] for length, middle in sides) for k in range(3)]) / 1380
    # shell of the box open below: long sides 2 x 0.4, short 2 x 0.3, lid 0.12 m²
    shell = np.array([0, 0, (1.4 * 500 + 0.12 * 1000) / 1.52])
    share = (made.joint_tape_kg + made.joint_resin_kg) / made.mass_kg
    assert made.centre_of_mass_mm == pytest.approx(tuple((1 - share) * shell + share * line), rel=1e-9)


def test_a_closed_box_has_its_centre_in_the_middle() -> None:
    assert cast_of(replace(box(400, 300, 1000), base="closed")).centre_of_mass_mm == pytest.approx((0, 0, 500))


# --- feet and boards -----------------------------------------------------------------------------------------


def test_uneven_feet_their_boards_and_levers_by_hand() -> None:
    body = bridge()
    assert [round(foot.area) for foot in foot_polygons(body)] == [18_000, 12_000]
    made = cast_of(body)
    assert len(made.baseboard_outline_mm) == 4
    assert sorted({x for x, _ in made.baseboard_outline_mm}) == pytest.approx([225.0, 375.0])
    assert sorted({x for x, _ in made.foot_hull_mm}) == pytest.approx([-350.0, 375.0])
    inset = made.thickness_mm + 2.0  # 2 mm of clearance: common practice, no source
    boards = [((b - 2 * inset) * (120 - 2 * inset), x) for b, x in ((150, 300.0), (100, -300.0))]
    assert made.baseboard_area_mm2 == pytest.approx(sum(area for area, _ in boards))
    # reference library: trimesh's area-weighted centre of the skin without the feet
    open_below = trimesh.Trimesh(body.vertices_mm, body.faces[~body.base_faces], process=False)
    board_x = sum(area * x for area, x in boards) / sum(area for area, _ in boards)
    assert made.centre_of_mass_mm[0] == pytest.approx(open_below.centroid[0])
    low = made.mass_kg_interval.low
    asked = {}  # over the front or back the lever is 60 mm; over the ends far more
    for edge, lever, board_lever in (
        ("left edge", 375 - open_below.centroid[0], 375 - board_x),
        ("right edge", 350 + open_below.centroid[0], 350 + board_x),
        ("front edge", 60.0, 60.0),
    ):
        held = G * 1e-3 * (low * lever + made.baseboard_kg * board_lever)
        asked[edge] = (1.5 * 300 * 0.4 - held) / (G * board_lever * 1e-3), held
    push = made.stands[0]
    assert push.tip_edge in ("front edge", "back edge")
    assert (push.ballast_kg, push.holding_nm) == pytest.approx(asked["front edge"], rel=1e-6)
    assert max(asked.values())[0] == asked["front edge"][0]
    assert push.method.startswith("300 N at 400 mm")


def test_a_broad_bridge_tips_over_its_end_with_its_boards_lever() -> None:
    # 3000 mm deep legs: only the ends can tip; the smaller board lies further from the nearer end
    legs = ((100.0, 3000.0, 300.0), (-300.0, 0.0, 0.0)), ((150.0, 3000.0, 300.0), (300.0, 0.0, 0.0))
    body = standing(union(*legs, ((725.0, 3000.0, 100.0), (12.5, 0.0, 300.0))))
    made = cast_of(body, replace(CALM, push_n=30_000.0))
    open_below = trimesh.Trimesh(body.vertices_mm, body.faces[~body.base_faces], process=False)
    inset = made.thickness_mm + 2.0
    boards = [((b - 2 * inset) * (3000 - 2 * inset), x) for b, x in ((150, 300.0), (100, -300.0))]
    board_x = sum(area * x for area, x in boards) / sum(area for area, _ in boards)
    lever, board_lever = 375 - open_below.centroid[0], 375 - board_x
    held = G * 1e-3 * (made.mass_kg_interval.low * lever + made.baseboard_kg * board_lever)
    assert made.stands[0].tip_edge == "left edge"
    assert made.stands[0].holding_nm == pytest.approx(held, rel=1e-6)
    at = min(0.4, body.height_mm * 1e-3)
    assert made.ballast_kg == pytest.approx((1.5 * 30_000 * at - held) / (G * board_lever * 1e-3), rel=1e-6)


def test_a_board_in_a_bent_foot_keeps_its_corners() -> None:
    # offset of a right-angled outline: area - perimeter x d + (convex - reentrant corners) x d²; a round joint would
    # take a quarter circle at the reentrant one
    body = standing(union(((400.0, 200.0, 500.0), (0.0, -100.0, 0.0)), ((200.0, 400.0, 500.0), (-100.0, 0.0, 0.0))))
    made = cast_of(body)
    d = made.thickness_mm + 2.0
    assert made.baseboard_area_mm2 == pytest.approx(120_000 - 1600 * d + 4 * d * d, rel=1e-9)


def test_a_slice_through_corners_closes_all_the_same() -> None:
    # a spinning top 1000 mm tall whose widest square, 200 mm across its corners, lies just where the slice does
    around = [[100.0, 0, 4], [0, 100, 4], [-100, 0, 4], [0, -100, 4]]
    corners = np.array([[0.0, 0, 0], *around, [0, 0, 1000]])
    sides = [(1, 2), (2, 3), (3, 4), (4, 1)]
    faces = [(0, b, a) for a, b in sides] + [(5, a, b) for a, b in sides]
    (foot,) = foot_polygons(standing(trimesh.Trimesh(corners, faces, process=False)))
    assert foot.area == pytest.approx(20_000, rel=1e-6)


def test_without_any_body_there_is_no_foot() -> None:
    body = box(400, 300, 1000)
    nothing = replace(body, faces=body.faces[:0], base_faces=body.base_faces[:0])
    assert foot_polygons(nothing) == ()


def test_a_foot_with_a_thin_neck_gets_two_boards() -> None:
    neck = ((120.0, 4.0, 300.0), (0.0, 0.0, 0.0))
    body = standing(union(((100.0, 100.0, 300.0), (-100.0, 0, 0)), ((100.0, 100.0, 300.0), (100.0, 0, 0)), neck))
    made = cast_of(body)
    assert made.baseboard_area_mm2 == pytest.approx(2 * (100 - 2 * (made.thickness_mm + 2.0)) ** 2, rel=1e-6)
    assert len(made.baseboard_halves_mm) == 2


@pytest.mark.parametrize("offset", [30.0, -30.0])
def test_a_slanting_seam_parts_the_board_where_it_meets_the_ground(offset: float) -> None:
    # the plane 0.36 x + 0.48 y + 0.8 z = offset stands on 0.6 x + 0.8 y = offset / 0.6
    made = cast_of(box(400, 300, 1000), seam=seam_of(pull=(0.36, 0.48, 0.8), offset_mm=offset))
    d = made.thickness_mm + 2.0
    board = shapely.box(-200 + d, -150 + d, 200 - d, 150 - d)
    far = 0.6 * 2000, 0.8 * 2000
    at = 0.6 * offset / 0.6, 0.8 * offset / 0.6
    beyond = shapely.Polygon(
        [
            (at[0] - far[1], at[1] + far[0]),
            (at[0] + far[1], at[1] - far[0]),
            (at[0] + far[1] + far[0], at[1] - far[0] + far[1]),
            (at[0] - far[1] + far[0], at[1] + far[0] + far[1]),
        ]
    )
    halves = [shapely.Polygon(half) for half in made.baseboard_halves_mm]
    expected = [board.intersection(beyond), board.difference(beyond)]
    for half in halves:
        assert any(half.symmetric_difference(wanted).area < 1.0 for wanted in expected)
    assert len(halves) == 2


def test_a_free_seam_parts_the_board_where_it_crosses_the_rim() -> None:
    # the skin goes to the left piece past x = 20 in front and past x = -40 behind, whatever the pull's own plane says
    mesh = trimesh.creation.box((400, 300, 1000)).subdivide_to_size(20.0)
    body = standing(mesh)
    x, y, _ = body.vertices_mm[body.faces].mean(axis=1).T
    front = np.array([[20.0, -150.0, z] for z in np.arange(0.0, 1001.0, 10.0)])
    behind = np.array([[-40.0, 150.0, z] for z in np.arange(1000.0, -1.0, -10.0)])
    seam = replace(
        seam_of(np.concatenate([front, behind])),
        kind="free",
        labels=np.where(x > np.where(y < 0, 20.0, -40.0), 0, 1).astype(np.int8),
    )
    made = cast_of(body, seam=seam)
    d = made.thickness_mm + 2.0
    board = shapely.box(-200 + d, -150 + d, 200 - d, 150 - d)
    right = shapely.Polygon([(20 + 60, -450), (-500, -450), (-500, 450), (-40 - 60, 450)])
    expected = [board.intersection(right), board.difference(right)]
    halves = [shapely.Polygon(half) for half in made.baseboard_halves_mm]
    assert len(halves) == 2
    for half in halves:
        # a millimetre along a cut of 300 mm: faces of up to 20 mm carry the labels, the seam's line says where
        assert min(half.symmetric_difference(wanted).area for wanted in expected) < 300.0


def test_the_hares_boards_part_at_the_seam(small_plan) -> None:
    rim = shapely.MultiPolygon(foot_polygons(small_plan.master)).boundary
    ends = [shapely.LineString(line.points_mm[:, :2]) for line in small_plan.seam.lines]
    low = [p for line in small_plan.seam.lines for p in line.points_mm if p[2] < 0.01 * small_plan.master.height_mm]
    assert low
    crossing = [p[:2] for p in low if rim.distance(shapely.Point(p[:2])) < 6.0]
    halves = [shapely.Polygon(half) for half in small_plan.cast.baseboard_halves_mm]
    assert len(halves) == len(ends) + 1 == 2
    cut = shapely.LineString(shapely.get_coordinates(halves[0].boundary.intersection(halves[1].buffer(0.01)))[:])
    one, other = np.array(cut.coords[0]), np.array(cut.coords[-1])
    along = (other - one) / np.linalg.norm(other - one)
    across = np.array([-along[1], along[0]])
    off = [abs(across @ (np.array(p) - one)) for p in crossing]
    assert len(off) >= 2
    assert sorted(off)[1] < 2.0, "the saw cut runs through both places where the seam crosses the foot's rim"


# --- standing ------------------------------------------------------------------------------------------------


def test_a_body_on_its_tip_has_no_foot_to_stand_on() -> None:
    # a cone on its point: the slice at 0.4 % of 900 mm is under a square millimetre
    cone = trimesh.creation.cone(100, 900, sections=32)
    cone.apply_transform(trimesh.transformations.rotation_matrix(math.pi, (1, 0, 0)))
    made = cast_of(standing(cone))
    assert (made.stands, made.foot_hull_mm, made.baseboard_halves_mm) == ((), (), ())
    assert (made.ballast_kg, made.ballast_depth_mm, made.wind_area_mm2, made.wind_pressure_pa) == (0, 0, 0, 0)
    assert not made.needs_fixing
    assert any("No foot" in said for said in made.advice)
    assert any("too small for a baseboard" in said for said in made.advice)


def test_the_wind_is_told_as_it_is_reckoned() -> None:
    made = cast_of(box(600, 300, 1000), CastBrief(push_n=0.0, wind_force_coefficient=1.4, terrain_roughness_m=0.3))
    pressure = wind_pressure(25.0, 1.0, 0.3).peak_pressure_pa
    assert made.wind_pressure_pa == pressure
    said = made.stands[1].method
    for words in ("25 m/s", "z0 0.3 m", f"{pressure:.0f} Pa", "coefficient 1.4", f"{made.wind_area_mm2 / 1e6:.2f} m²"):
        assert words in said
    assert not any("baseboard" in words for words in made.advice)


def test_over_rougher_ground_than_the_table_the_law_ends_at_twice_its_roughness() -> None:
    assert wind_pressure(25.0, 1.0, 7.0).height_m == 14.0


def test_a_coarser_mesh_has_one_vertex_a_cell(monkeypatch: pytest.MonkeyPatch) -> None:
    ball = standing(trimesh.creation.icosphere(4, 300.0))
    monkeypatch.setattr(wind_module, "COARSE_FROM_FACES", len(ball.faces))
    assert wind_module.coarse_mesh(ball, 70.0)[0] is ball.vertices_mm
    monkeypatch.setattr(wind_module, "COARSE_FROM_FACES", len(ball.faces) - 1)
    vertices, faces = wind_module.coarse_mesh(ball, 70.0)
    cells = np.floor((ball.vertices_mm - ball.vertices_mm.min(axis=0)) / 70.0)
    each, label = np.unique(cells, axis=0, return_inverse=True)
    assert len(vertices) == len(each)
    means = np.array([ball.vertices_mm[label.ravel() == k].mean(axis=0) for k in range(len(each))])
    assert np.allclose(vertices[np.lexsort(vertices.T)], means[np.lexsort(means.T)])
    assert (np.sort(faces, axis=1)[:, :2] != np.sort(faces, axis=1)[:, 1:]).all()
    assert faces.dtype == np.int32
    assert len(faces) < len(ball.faces)


def overhanging():
    """Deep legs at -300 and 300 under a beam that juts out to x = -700: the weight lies right, the boards left."""
    legs = ((100.0, 3000.0, 300.0), (-300.0, 0.0, 0.0)), ((150.0, 3000.0, 300.0), (300.0, 0.0, 0.0))
    return standing(union(*legs, ((1075.0, 3000.0, 100.0), (-162.5, 0.0, 300.0))))


def test_ballast_goes_by_its_own_lever() -> None:
    body = overhanging()
    open_below = trimesh.Trimesh(body.vertices_mm, body.faces[~body.base_faces], process=False)
    made = cast_of(body, replace(CALM, push_n=30_000.0))
    inset = made.thickness_mm + 2.0
    widths = {300.0: 150 - 2 * inset, -300.0: 100 - 2 * inset}
    board_x = sum(x * w for x, w in widths.items()) / sum(widths.values())
    turned = 1.5 * 30_000 * min(0.4, body.height_mm * 1e-3)
    asked = {}
    for edge, side, reach in (("left edge", 1, 375), ("right edge", -1, 350)):
        levers = reach - side * open_below.centroid[0], reach - side * board_x
        held = G * 1e-3 * (made.mass_kg_interval.low * levers[0] + made.baseboard_kg * levers[1])
        asked[edge] = (turned - held) / (G * levers[1] * 1e-3), held
    # more holds on the left, but ballast has less of a lever there
    assert asked["left edge"][1] > asked["right edge"][1]
    assert asked["left edge"][0] > asked["right edge"][0]
    assert made.stands[0].tip_edge == "left edge"
    assert made.ballast_kg == pytest.approx(asked["left edge"][0], rel=1e-6)
    assert "moments about the left edge" in made.stands[0].method
    # lightly pushed it stands by itself; the side nearest to tipping is told
    light = cast_of(body, replace(CALM, push_n=10.0)).stands[0]
    assert (light.ballast_kg, light.tip_edge, light.factor) == (0.0, "right edge", 1.5)
    assert light.holding_nm == pytest.approx(asked["right edge"][1], rel=1e-6)


def test_every_side_of_a_round_foot_has_its_name() -> None:
    # a push tips a leaning post over the side it leans to: eight ways round
    names = ("left", "back left", "back", "back right", "right", "front right", "front", "front left")
    for k, name in enumerate(names):
        post = trimesh.creation.cylinder(100, 500, sections=64)
        lean = math.radians(45 * k)
        post.vertices[post.vertices[:, 2] > 0, :2] += 40 * np.array([math.cos(lean), math.sin(lean)])
        assert cast_of(standing(post)).stands[0].tip_edge == f"{name} edge"


def test_advice_is_told_in_the_casts_own_figures() -> None:
    cast = CastBrief(push_n=60.0, basic_wind_m_s=0.0, gelcoat_wet_mm=0.4)
    brief = Brief(cast=cast, jacket=JacketBrief(lift_limit_per_person_kg=5.0))
    made = lay_up_cast(box(400, 400, 1400), LEVEL, locks_of(), brief, read_catalogue(None))
    gelcoat, put, lift = made.advice
    assert gelcoat.startswith("0.4 mm of wet gelcoat is outside the 0.46 to 0.64 mm")
    assert put.startswith(f"Put {made.ballast_kg:.0f} kg of ballast")
    assert f"the lowest {made.ballast_depth_mm:.0f} mm" in put
    said = check_lift(made.lift_kg, brief.jacket, "the cast").reason
    assert lift == said[0].upper() + said[1:] + "."
    assert "the cast" in lift.lower()
    for wet in (0.46, 0.64):  # the limits themselves are right
        inside = replace(brief, cast=replace(brief.cast, gelcoat_wet_mm=wet))
        fine = lay_up_cast(box(400, 400, 600), LEVEL, locks_of(), inside, read_catalogue(None)).advice
        assert not any("gelcoat" in words for words in fine)
    closed = cast_of(replace(box(400, 400, 1400), base="closed"))
    assert [words for words in closed.advice if "closed base" in words]
    assert not [words for words in closed.advice if "baseboard" in words]
