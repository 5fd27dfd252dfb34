"""A seam shaped by hand on a sphere, against circles of latitude, whose length and area are known."""

from __future__ import annotations

from dataclasses import replace

import meshes
import numpy as np
import pytest
from mouldloft.base.errors import PlanImpossible
from mouldloft.geometry.polyline import tightest_turn_mm
from mouldloft.inputs.brief import Brief, MasterBrief, OpeningBrief, RunBrief, SeamBrief
from mouldloft.inputs.catalogue import read_catalogue
from mouldloft.stages.master import prepare_master
from mouldloft.stages.pipeline import open_mould
from mouldloft.stages.seam import place, place_seam, shaping
from mouldloft.stages.seam.shaping import at_rest, drawn_seam, drawn_through, handle_at, level_of, shaper_of
from mouldloft.trade.seamterms import terms_for
from scipy.spatial import cKDTree
from seam_bodies import few_candidates

RADIUS = 100.0


@pytest.fixture(scope="module")
def sphere():
    """A sphere opened to the side along a plane, on a covered base, with its shaper."""
    brief = Brief(
        master=MasterBrief(base="closed"),
        opening=OpeningBrief(direction=(1.0, 0.0, 0.0)),
        seam=SeamBrief(kind="plane", plane_offset_mm=0.0),
    )
    master = prepare_master(*meshes.sphere(RADIUS, 5), brief.master, name="ball")
    opening, field = open_mould(master, brief)
    seam = place_seam(master, opening, field, brief.seam)
    terms = terms_for(master.height_mm, brief, read_catalogue(None))
    return master, seam, shaper_of(master, field, level_of(seam), brief.seam, terms)


def on_skin(shaper, latitude_deg: float, turn_deg: float):
    """A face of the copy and its middle, near a latitude over the seam's plane and a turn about the pull."""
    light = shaper.master
    centre = light.vertices_mm.mean(axis=0)
    up, turn = np.radians((latitude_deg, turn_deg))
    wanted = centre + RADIUS * np.array([np.sin(up), np.cos(up) * np.cos(turn), np.cos(up) * np.sin(turn)])
    middles = light.vertices_mm[light.faces].mean(axis=1)
    face = int(np.argmin(np.linalg.norm(middles - wanted, axis=1)))
    return face, middles[face]


def through(shaper, *places):
    """The level through handles, each of a face, a place on it and a reach."""
    return drawn_through(shaper, [handle_at(shaper, *place) for place in places])


def test_a_line_drawn_wide_is_a_circle_of_latitude(sphere):
    """So wide a bell moves the whole line alike: a circle of radius sqrt(R² - h²), a zone of area 2πRh (Archimedes)."""
    _, _, shaper = sphere
    face, at = on_skin(shaper, 20.0, 40.0)
    drawn = drawn_seam(shaper, through(shaper, (face, at, 1e4)))
    height = at[0] - shaper.master.vertices_mm[:, 0].mean()
    assert drawn.figures.length_mm == pytest.approx(2 * np.pi * np.sqrt(RADIUS**2 - height**2), rel=0.01)
    ahead = shaper.master.face_areas_mm2[drawn.labels == 0].sum()
    assert ahead == pytest.approx(2 * np.pi * RADIUS * (RADIUS - height), rel=0.02)


def test_a_line_goes_through_its_place_and_stays_where_it_was_elsewhere(sphere):
    _, _, shaper = sphere
    before = drawn_seam(shaper, shaper.level_mm)
    face, at = on_skin(shaper, 12.0, 90.0)
    after = drawn_seam(shaper, through(shaper, (face, at, 30.0)))
    points = np.concatenate([line.points_mm for line in after.lines])
    assert np.linalg.norm(points - at, axis=1).min() < 6.0, "between two crossings of edges as far apart"
    changed = before.labels != after.labels
    middles = shaper.master.vertices_mm[shaper.master.faces].mean(axis=1)
    assert changed.any()
    assert np.linalg.norm(middles[changed] - at, axis=1).max() < 4.0 * 30.0
    assert after.figures.length_mm > before.figures.length_mm
    assert after.price.total > before.price.total, "a longer line off its plane costs more"
    assert after.figures.piece_locked_area_mm2 > 2.0 * before.figures.piece_locked_area_mm2, "past the equator it locks"


def nearest_mm(drawn, at):
    return np.linalg.norm(np.concatenate([line.points_mm for line in drawn.lines]) - at, axis=1).min()


def test_a_handle_on_the_line_moves_nothing(sphere):
    _, _, shaper = sphere
    before = drawn_seam(shaper, shaper.level_mm).lines[0].points_mm
    face, _ = on_skin(shaper, 0.0, 200.0)
    corners = shaper.master.vertices_mm[shaper.master.faces[face]]
    start, end = np.roll(before, 1, axis=0), before
    inside = next(m for m in (start + end) / 2.0 if np.linalg.norm(m - corners.mean(axis=0)) < 20.0)
    face = int(np.argmin(np.linalg.norm(shaper.master.vertices_mm[shaper.master.faces].mean(axis=1) - inside, axis=1)))
    after = drawn_seam(shaper, through(shaper, (face, inside, 40.0))).lines[0].points_mm
    assert cKDTree(before).query(after)[0].max() < 3.0, "half an edge of the copy"


def test_the_line_goes_through_every_handle_in_whatever_order(sphere):
    """One holds the line where it is while its neighbour, well within its reach, is drawn aside."""
    _, _, shaper = sphere
    drawn, pinned = (*on_skin(shaper, 18.0, 60.0), 40.0), (*on_skin(shaper, 0.0, 90.0), 40.0)
    alone = drawn_seam(shaper, through(shaper, drawn))
    both, turned = (drawn_seam(shaper, through(shaper, *order)) for order in ((drawn, pinned), (pinned, drawn)))
    assert nearest_mm(alone, pinned[1]) > 9.0
    assert nearest_mm(both, pinned[1]) < 4.0
    assert nearest_mm(both, drawn[1]) < 4.0
    assert cKDTree(both.lines[0].points_mm).query(turned.lines[0].points_mm)[0].max() < 1e-6
    assert len(both.lines) == 1


def test_two_handles_on_one_spot_tear_nothing(sphere):
    _, _, shaper = sphere
    (face, at), (beside, there) = on_skin(shaper, 10.0, 30.0), on_skin(shaper, 12.0, 30.0)
    drawn = drawn_seam(shaper, through(shaper, (face, at, 40.0), (beside, there, 40.0)))
    assert len(drawn.lines) == 1
    assert nearest_mm(drawn, (at + there) / 2.0) < 6.0


def test_a_line_dragged_far_is_fair(sphere):
    """Dragged by a third of the way to the pole, it makes no turn tighter than the bell that it follows by."""
    _, _, shaper = sphere
    face, at = on_skin(shaper, 30.0, 90.0)
    drawn = drawn_seam(shaper, through(shaper, (face, at, 36.0)))
    assert len(drawn.lines) == 1
    points = drawn.lines[0].points_mm
    assert np.linalg.norm(points - at, axis=1).min() < 6.0
    # a bell of height h and deviation s bends at its top by h / s²: here 52 / 36², a radius of 25 mm
    assert tightest_turn_mm(points, True, 15.0) > 0.5 * 36.0**2 / 52.0


def test_joints_of_more_pieces_are_refused(sphere):
    _, seam, _ = sphere
    with pytest.raises(PlanImpossible, match="two pieces"):
        level_of(replace(seam, level_mm=None))


@pytest.fixture(scope="module", autouse=True)
def fewer_tries():
    """Here only one line matters."""
    with few_candidates():
        yield


@pytest.fixture(scope="module")
def goat(carved_body):
    """A goat with its seam."""
    body = carved_body("goat", 20_000)
    brief = Brief(run=RunBrief(casts=6), opening=OpeningBrief(direction=(1.0, 0.0, 0.0)))
    master = prepare_master(body.vertices_mm, body.faces, brief.master, name="goat")
    opening, field = open_mould(master, brief)
    terms = terms_for(master.height_mm, brief, read_catalogue(None))
    seam = place_seam(master, opening, field, brief.seam, terms=terms)
    return master, opening, field, seam, brief, terms


@pytest.fixture(scope="module")
def hare(small_plan):
    """The small hare, drawn on itself while its seam moves."""
    plan = small_plan
    terms = terms_for(plan.master.height_mm, plan.brief, plan.catalogue)
    return plan.master, plan.opening, plan.undercut, plan.seam, plan.brief, terms


@pytest.mark.parametrize("body", ["hare", "goat"])
def test_a_line_shaped_by_six_handles_is_planned_as_it_was_shown(body, request, tmp_path, monkeypatch):
    """The plan is made by another way, from the file alone: length, fill and price to half a hundredth, filled limbs
    counted, and every point of the planned line within 1 mm of the shown one."""
    master, opening, field, seam, brief, terms = request.getfixturevalue(body)
    if body == "goat":  # too fine to be drawn on while it moves
        monkeypatch.setattr(shaping, "SHAPED_ON", len(master.faces) // 2)
    shaper = shaper_of(master, field, level_of(seam), brief.seam, terms)
    assert (shaper.whole is shaper.light) == (body == "hare")
    reach = 0.06 * max(master.size_mm)
    aside = np.random.default_rng(3).normal(size=(6, 3)) * 0.6 * reach
    points = np.concatenate([line.points_mm for line in seam.lines])
    middles = shaper.master.vertices_mm[shaper.master.faces].mean(axis=1)
    wanted = points[:: len(points) // 6][:6] + aside
    faces = [int(np.argmin(np.linalg.norm(middles - at, axis=1))) for at in wanted]
    rest = at_rest(shaper, [handle_at(shaper, face, middles[face], reach) for face in faces])
    np.save(tmp_path / "line.npy", rest.level_mm)
    asked = replace(brief.seam, own_line=str(tmp_path / "line.npy"))
    apart = replace(master)  # nothing kept with the one that was shaped
    planned = place_seam(apart, opening, field, asked, terms=terms)
    assert planned.figures.length_mm == pytest.approx(rest.told.length_mm, rel=0.005)
    assert planned.figures.fill_mm3 == pytest.approx(rest.told.fill_mm3, rel=0.005)
    assert planned.candidates[0].price.total == pytest.approx(rest.told.total, rel=0.005)
    assert len(planned.lines) == len(rest.lines)
    shown = cKDTree(np.concatenate([line.points_mm for line in rest.lines]))
    assert shown.query(np.concatenate([line.points_mm for line in planned.lines]))[0].max() < 1.0
    assert planned.figures.solid_mm3 > 0
    moving = rest.light.figures.length_mm
    assert rest.told.length_mm == pytest.approx(moving, rel=0.05), "no other line than the one that was dragged"


def test_another_line_prices_no_other_candidate_again(hare, tmp_path, monkeypatch):
    master, opening, field, seam, brief, terms = hare
    np.save(tmp_path / "line.npy", level_of(seam))
    asked = replace(brief.seam, own_line=str(tmp_path / "line.npy"))
    first = place_seam(master, opening, field, asked, terms=terms)
    monkeypatch.setattr(place, "all_candidates", None)
    again = place_seam(master, opening, field, asked, terms=terms)
    assert [c.price for c in again.candidates] == [c.price for c in first.candidates]
    with pytest.raises(TypeError):
        place_seam(master, opening, field, replace(asked, plane_offset_mm=5.0), terms=terms)
    with pytest.raises(TypeError):
        place_seam(master, opening, field, asked, terms=replace(terms, casts=terms.casts + 1))
