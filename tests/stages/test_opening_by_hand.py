"""What a direction costs, by hand: plane, fill, depth, evenness and show of boxes and a T, and the words for it."""

from __future__ import annotations

import math
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
import trimesh
from mouldloft.base.errors import BriefRefused
from mouldloft.geometry.rays import ray_scene
from mouldloft.inputs.brief import Brief, OpeningBrief, RatesBrief, RunBrief
from mouldloft.stages.opening import (
    Candidate,
    SymmetryPlane,
    _angle_deg,
    _apart,
    _judge,
    _own_direction,
    _reason,
    _section,
    _special,
    _stand_in,
    _survey,
    _thinned,
    best_offset,
    direction_words,
    fill_at,
    half_sphere,
    positive_half,
)
from mouldloft.trade.price import SeamMeasures, price_seam
from mouldloft.trade.seamterms import never_price, seam_terms
from trade_bodies import box, standing

TERMS = seam_terms(Brief(run=RunBrief(casts=4), rates=RatesBrief(hourly_rate=30.0, reach_mm=280.0)), None, 10.0)


def survey_of(master, samples: int = 20_000, full_mesh: bool = True, show: float = 1.0):
    scene = ray_scene(master.vertices_mm, master.faces)
    return _survey(master, OpeningBrief(), scene, np.full(len(master.faces), show), samples, full_mesh, TERMS)


def tee():
    """A stem 100 x 100 x 500 mm under a cap 300 x 100 x 100 mm."""
    stem, cap = trimesh.creation.box((100, 100, 500)), trimesh.creation.box((300, 100, 100))
    stem.apply_translation((0, 0, 250))
    cap.apply_translation((0, 0, 550))
    return standing(trimesh.boolean.union([stem, cap], engine="manifold"))


# --- plane and fill ------------------------------------------------------------------------------------------


def test_the_best_plane_and_its_fill_by_hand() -> None:
    tops, bottoms = np.array([600.0, 600, 600]), np.array([0.0, 500, 500])
    assert best_offset(tops, bottoms) == 550.0  # between the third and fourth of 0, 500, 500, 600, 600, 600
    solid = (600 + 100 + 100) * 4.0  # columns of 2 x 2 mm
    # at 550: 3 x 50 above, 550 + 50 + 50 below; at 300: 3 x 300 above, 300 below
    assert fill_at(tops, bottoms, 550.0, 2.0, solid) == pytest.approx((150 + 650) * 4 - solid)
    assert fill_at(tops, bottoms, 300.0, 2.0, solid) == pytest.approx((900 + 300) * 4 - solid)
    assert fill_at(tops, bottoms, 300.0, 2.0, 1e9) == 0.0
    assert fill_at(tops, bottoms, 700.0, 2.0, solid) == pytest.approx((700 + 200 + 200) * 4 - solid)


def test_a_tee_pulled_upright_by_hand() -> None:
    body = tee()
    survey = survey_of(body, show=0.4)
    made = _judge(survey, np.array([0.0, 0.0, -1.0]), "search", 300.0)
    assert made.direction == (0.0, 0.0, 1.0)
    assert made.offset_mm == 300.0
    # what hangs under the cap down to the plane: 2 x 100 x 100 mm, 200 deep; pixels of 1 mm count the edges to 1 %
    assert made.fill_mm3 == pytest.approx(4e6, rel=0.05)
    volume = 5e6 + 3e6
    assert survey.volume_mm3 == pytest.approx(volume)
    assert made.fill_fraction == pytest.approx(made.fill_mm3 / volume)
    assert made.pull_depth_mm == pytest.approx(300.0, abs=0.01)
    # skin without the foot: stem 4 x 0.1 x 0.5; cap 2 x (0.3 + 0.1) x 0.1, top 0.03, underside 0.02 m²
    skin = 0.2 + 0.08 + 0.03 + 0.02
    assert made.balance == pytest.approx(0.4 * 0.3 / skin, abs=0.01)
    assert made.locked_fraction == 0.0
    assert made.show == pytest.approx(0.4)
    # the section of the stem, 4 x 100 mm; the underside of the cap turns its back to the upper half's opening; of
    # 300 mm to either end 280 are reached: the lid, and 20 mm round cap and stem, are not
    price = price_seam(SeamMeasures(400, 160, 0, 0, 0, 1, made.fill_mm3, 0), 4, TERMS.rubber, TERMS.rates).total
    beyond = 0.03e6 + 800 * 20 + 400 * 20
    assert made.cost == pytest.approx(price + never_price(TERMS, skin * 1e6) * (0.02e6 + beyond), rel=0.03)


def test_the_farther_end_is_the_pulls_depth_on_either_side() -> None:
    survey = survey_of(box(400, 300, 1000), samples=2000)
    for offset, depth in ((50.0, 250.0), (-80.0, 280.0)):
        made = _judge(survey, np.array([1.0, 0.0, 0.0]), "brief", offset)
        assert made.pull_depth_mm == pytest.approx(depth, abs=0.01)
        assert made.origin == "brief"
        # of the 1.52 m² of skin, that end (0.3 m²) and what of sides and lid lies beyond the plane (2.3 mm² a mm)
        beyond = (0.3e6 + (200 - offset) * 2300) / 1.52e6
        assert made.balance == pytest.approx(min(beyond, 1 - beyond), abs=0.01)
    middle = _judge(survey, np.array([1.0, 0.0, 0.0]), "search")
    assert middle.offset_mm == pytest.approx(0.0, abs=0.01)
    assert middle.balance == pytest.approx(0.5, abs=0.01)


def test_a_pocket_locks_its_skin() -> None:
    # a slot of 100 x 300 x 100 mm through the front of a block, pulled upright: its ceiling is closed in from below
    block, slot = trimesh.creation.box((300, 300, 300)), trimesh.creation.box((300, 100, 100))
    slot.apply_translation((0, -100, 0))
    body = standing(trimesh.boolean.difference([block, slot], engine="manifold"))
    made = _judge(survey_of(body), np.array([0.0, 0.0, 1.0]), "search")
    # ceiling and floor of the slot lock, 0.03 m² each; its back is upright and closed in both ways as well: 0.03 m².
    # skin without the foot: lid 0.09, back 0.09, sides 2 x (0.09 - 0.01), front 0.06, slot 0.09 m²
    skin = 0.09 + 0.09 + 0.16 + 0.06 + 0.09
    assert made.locked_fraction == pytest.approx(0.09 / skin, abs=0.01)
    assert made.locked_area_mm2 == pytest.approx(made.locked_fraction * skin * 1e6, rel=1e-6)
    # the plane runs through the slot's middle, round the 300 x 200 mm behind it.
    # its ceiling belongs to the upper half and shows it its back, its floor to the lower
    line = 2 * (300 + 200)
    measures = SeamMeasures(line, line, 0, 0, 0, 1, made.fill_mm3, made.locked_area_mm2)
    price = price_seam(measures, 4, TERMS.rubber, TERMS.rates).total
    assert made.cost == pytest.approx(price + never_price(TERMS, skin * 1e6) * 0.06e6, rel=0.02)


def test_volume_wherever_it_stands_and_however_it_is_wound() -> None:
    body = tee()
    assert survey_of(replace(body, vertices_mm=body.vertices_mm + 1000.0), 600).volume_mm3 == pytest.approx(8e6)
    assert survey_of(replace(body, faces=body.faces[:, ::-1].copy()), 600).volume_mm3 == pytest.approx(8e6)


def test_a_thinner_survey_stands_for_as_much_skin() -> None:
    survey = survey_of(tee(), samples=6000)
    thin = _thinned(survey, 3)
    assert len(thin.points) == pytest.approx(len(survey.points) / 3, abs=1)
    assert thin.sample_area * len(thin.points) == pytest.approx(survey.sample_area * len(survey.points), rel=1e-3)
    assert survey.sample_area * len(survey.points) == pytest.approx(0.33e6, rel=0.01)
    assert len(thin.normals) == len(thin.shown) == len(thin.points)
    assert (survey.pixel_mm, survey.diagonal_mm) == pytest.approx((math.sqrt(460_000) / 600, math.sqrt(460_000)))
    assert survey_of(tee(), 600, full_mesh=False).pixel_mm == pytest.approx(math.sqrt(460_000) / 160)


def test_a_stand_in_gathers_cells_to_their_means() -> None:
    ball = standing(trimesh.creation.icosphere(5, 300.0))
    points, faces = _stand_in(ball)
    cell = 600 * math.sqrt(3) / 140
    cells = np.floor((ball.vertices_mm - ball.vertices_mm.min(axis=0)) / cell)
    each, label = np.unique(cells, axis=0, return_inverse=True)
    assert len(points) == len(each) < len(ball.vertices_mm)
    means = np.array([ball.vertices_mm[label.ravel() == k].mean(axis=0) for k in range(len(each))])
    assert np.allclose(points[np.lexsort(points.T)], means[np.lexsort(means.T)])
    ordered = np.sort(faces, axis=1)
    assert (ordered[:, :2] != ordered[:, 1:]).all()
    assert trimesh.Trimesh(points, faces).volume == pytest.approx(ball.volume_mm3, rel=0.01)
    assert survey_of(ball, 600).vertices is ball.vertices_mm
    assert len(survey_of(ball, 600, full_mesh=False).vertices) == len(points)


def test_show_of_a_section_by_hand() -> None:
    # 600 mm of diagonal: the band is 10 mm on either side; a sample counts by the sine between its normal and the pull
    normals = np.array([[1.0, 0, 0], [0.6, 0, 0.8], [0, 0, 1.0], [0, 1.0, 0], [1.0, 0, 0]])
    shown = np.array([1.0, 0.5, 0.9, 0.25, 0.0])
    survey = SimpleNamespace(diagonal_mm=600.0, normals=normals, shown=shown, sample_area=30.0)
    height = np.array([101.0, 109.9, 100.0, 90.1, 110.1])
    d = np.array([0.0, 0.0, 1.0])
    length, share = _section(survey, d, height, 100.0)
    assert share == pytest.approx((1.0 + 0.5 * 0.6 + 0.25) / (1 + 0.6 + 1))
    assert length == pytest.approx(2.6 * 30.0 / 20.0)
    assert _section(survey, d, height, 500.0) == (0.0, 0.0)


# --- directions ----------------------------------------------------------------------------------------------


def test_the_half_sphere_is_even_and_has_no_pair_of_opposites() -> None:
    found = half_sphere(400)
    assert np.allclose(np.linalg.norm(found, axis=1), 1.0)
    assert (found[:, 0] > 0).all()
    assert found[0] @ np.array([1.0, 0, 0]) == pytest.approx(1 - 0.5 / 400)
    # even: the mean of a half-sphere lies at half its radius, and each tenth along the axis holds a tenth (Archimedes)
    assert found.mean(axis=0) == pytest.approx((0.5, 0.0, 0.0), abs=0.01)
    assert np.histogram(found[:, 0], 10, (0, 1))[0].tolist() == [40] * 10
    # each turns on by the golden angle, 137.5 degrees
    turn = np.degrees(np.diff(np.arctan2(found[:, 2], found[:, 1])))
    assert np.abs((turn + 180) % 360 - 180) == pytest.approx(np.full(399, 180 * (3 - math.sqrt(5))))
    # no two nearer than half of the 8.4 degrees of an even net of as many cells
    nearest = np.sort(found @ found.T, axis=1)[:, -2]
    assert np.degrees(np.arccos(nearest.max())) > math.degrees(math.sqrt(2 * math.pi / 400)) / 2


@pytest.mark.parametrize(
    ("given", "stands"),
    [
        ((0.3, -0.4, 0.0), (0.3, -0.4, 0.0)),
        ((-2.0, 1.0, 0.0), (2.0, -1.0, 0.0)),
        ((1e-10, -3.0, 1.0), (0.0, 3.0, -1.0)),
        ((0.0, 0.0, -5.0), (0.0, 0.0, 1.0)),
    ],
)
def test_one_of_two_opposites_stands_for_both(given, stands) -> None:
    assert positive_half(np.array(given)) == pytest.approx(np.array(stands) / np.linalg.norm(stands), abs=1e-9)


def candidate(direction=(1.0, 0.0, 0.0), cost: float = 1.0, **figures) -> Candidate:
    plain = {
        "offset_mm": 0.0, "origin": "search", "locked_area_mm2": 0.0, "locked_fraction": 0.02, "fill_mm3": 2e6,
        "fill_fraction": 0.02, "pull_depth_mm": 100.0, "balance": 0.45, "show": 0.3, "reason": "",
    }  # fmt: skip
    return Candidate(direction=direction, cost=cost, **(plain | figures))


def at(degrees: float) -> tuple[float, float, float]:
    return (math.cos(math.radians(degrees)), math.sin(math.radians(degrees)), 0.0)


def test_angles_between_lines_not_arrows() -> None:
    assert _angle_deg(at(10), at(40)) == pytest.approx(30.0)
    assert _angle_deg(at(10), at(190)) == pytest.approx(0.0, abs=1e-5)
    assert _angle_deg(at(0), at(120)) == pytest.approx(60.0)


def test_choices_stand_apart() -> None:
    ranked = [candidate(at(a), cost) for cost, a in enumerate((0, 5, 12.1, 20, 30, 60))]
    assert [c.cost for c in _apart(ranked, 3, 12.0)] == [0, 2, 4]
    assert [c.cost for c in _apart(ranked, 9, 12.0)] == [0, 2, 4, 5]
    assert _apart(ranked, 0, 12.0) == []


def test_the_briefs_own_direction() -> None:
    assert _own_direction((0.0, 3.0, 4.0)) == pytest.approx((0.0, 0.6, 0.8))
    with pytest.raises(BriefRefused, match="has no length"):
        _own_direction((0.0, 0.0, 0.0))


def test_a_mould_makers_first_guesses() -> None:
    survey = survey_of(replace(box(200, 100, 1000), base="closed"), samples=4000)
    mirror = SymmetryPlane((1.0, 0.0, 0.0), 0.0, 0.001, True)
    tried = _special(survey, mirror)
    names = ["level", "level", "symmetry plane", "principal axis 1", "principal axis 2", "principal axis 3"]
    assert [name for _, name in tried] == names
    exact_axes = np.eye(3)[[1, 0, 0, 2, 0, 1]]  # to the front, to the side, the mirror's normal; then longest first
    for (axis, _), exact in zip(tried, exact_axes, strict=True):
        assert abs(axis @ exact) == pytest.approx(1.0, abs=1e-3)
    assert len(_special(survey, replace(mirror, is_symmetric=False))) == 5


@pytest.mark.parametrize(
    ("direction", "words"),
    [
        ((1.0, 0.0, 0.0), "to the left"),
        ((-1.0, 0.0, 0.0), "to the right"),
        ((0.0, -1.0, 0.0), "to the front"),
        ((0.0, 1.0, 0.0), "to the back"),
        ((0.1, 0.0, 1.0), "straight up"),
        ((0.0, 0.2, -1.0), "straight down"),
        ((math.cos(0.35), 0.0, math.sin(0.35)), "to the left, 20° up"),
        ((math.cos(0.35), 0.0, -math.sin(0.35)), "to the left, 20° down"),
        (at(-30), "to the left, 30° towards the front"),
        (at(30), "to the left, 30° towards the back"),
        (at(150), "to the right, 30° towards the back"),
        (at(-100), "to the front, 10° towards the right"),
        (at(0.9), "to the left"),
    ],
)
def test_a_pull_in_the_workshops_words(direction, words: str) -> None:
    assert direction_words(direction) == words


@pytest.mark.parametrize(
    ("worse", "words"),
    [
        ({"locked_fraction": 0.14, "locked_area_mm2": 0.4e6}, "12.0 % more skin undercut"),
        ({"fill_mm3": 5e6}, "3.0 litres more undercut fill"),
        ({"pull_depth_mm": 400.0}, "a pull 300 mm deeper"),  # 120 mm past the reach
        ({"show": 0.9}, "60 % more of the seam on show"),
        # each just outweighed by the next, in money
        ({"locked_fraction": 0.14, "locked_area_mm2": 0.4e6, "fill_mm3": 9e6}, "7.0 litres more"),
        ({"fill_mm3": 2.5e6, "pull_depth_mm": 400.0}, "a pull 300 mm deeper"),
    ],
)
def test_why_another_stands_behind(worse: dict, words: str) -> None:
    survey = SimpleNamespace(terms=TERMS, diagonal_mm=600.0)
    mirror = SymmetryPlane(at(30), 0.0, 0.001, True)
    best = candidate()
    said = _reason(candidate(**worse), best, mirror, survey)
    assert f"behind the chosen one for {words}" in said
    assert "30° off the mirror plane's normal" in said
    assert said.startswith("Opens to the left (30°")


def test_the_chosen_one_is_told_in_figures() -> None:
    survey = SimpleNamespace(terms=TERMS, diagonal_mm=600.0)
    mirror = SymmetryPlane(at(30), 0.0, 0.1, False)
    best = candidate()
    assert _reason(best, best, mirror, survey) == (
        "Opens to the left (from the search): 2.0 % of the skin undercut, 2.0 litres of undercut fill, pull 100 mm."
    )
    other = candidate()
    assert _reason(other, best, mirror, survey).endswith("2.0 litres of undercut fill; close to the chosen one.")
