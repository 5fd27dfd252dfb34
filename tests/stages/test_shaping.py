"""A seam shaped by hand on a sphere, against circles of latitude, whose length and area are known."""

from __future__ import annotations

from dataclasses import replace

import meshes
import numpy as np
import pytest
from mouldloft.base.errors import PlanImpossible
from mouldloft.geometry.polyline import tightest_turn_mm
from mouldloft.inputs.brief import Brief, MasterBrief, OpeningBrief, SeamBrief
from mouldloft.inputs.catalogue import read_catalogue
from mouldloft.stages.master import prepare_master
from mouldloft.stages.pipeline import open_mould
from mouldloft.stages.seam import place_seam
from mouldloft.stages.seam.shaping import drawn_seam, drawn_through, handle_at, shaper_of
from mouldloft.trade.seamterms import terms_for
from scipy.spatial import cKDTree

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
    return master, seam, shaper_of(master, seam, brief.seam, terms)


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
    master, seam, _ = sphere
    terms = terms_for(master.height_mm, Brief(), read_catalogue(None))
    with pytest.raises(PlanImpossible, match="two pieces"):
        shaper_of(master, replace(seam, level_mm=None), SeamBrief(), terms)
