"""Bolts, wedge slots and clamps past the rubber on flanges of known outline, their distances reckoned by radii."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely
from mouldloft.stages.jacket.fasteners import (
    WEDGE_CLEAR_MM,
    _furthest_mm,
    fitted_of,
    place_fasteners,
    where_flanges_meet,
)
from mouldloft.stages.rubber import Registration
from mouldloft.stages.rubber.flanges import spaced_spots
from mouldloft.stages.rubber.rims import covered, steps_along, widest_step_mm
from synthetic_gloves import FLANGE_WIDTH_MM, dome, rubber_of

R, B = 300.0, 44.0
MIDDLE = R + FLANGE_WIDTH_MM + B / 2.0  # of the jacket's flange, from the middle of the ball
RIM = R + FLANGE_WIDTH_MM + B


def halves(left=B, right=B):
    return rubber_of(
        dome(R, pull=(1, 0, 0), name="left piece", jacket_flange_mm=left),
        dome(R, pull=(-1, 0, 0), piece=1, name="right piece", jacket_flange_mm=right),
    )


def radius(points):
    """From the pull's axis, in plan coordinates."""
    return np.hypot(points[:, 1], points[:, 2])


def test_bolts_stand_half_way_across_the_jackets_flange_and_never_in_rubber():
    rubber = halves()
    left, right = place_fasteners(rubber)
    for made, envelope in zip((left, right), rubber.envelopes):
        assert radius(made.bolts_mm) == pytest.approx(MIDDLE, abs=3.0)
        at = envelope.frame.to_frame(made.bolts_mm)
        i, j = (np.rint((at[:, k] - envelope.origin_mm[k]) / envelope.pixel_mm).astype(int) for k in (1, 0))
        assert not covered(envelope)[i, j].any()
        assert envelope.past_rubber[i, j].all()
        assert made.pitch_mm <= 150.0
        assert len(made.bolts_mm) >= 2 * np.pi * MIDDLE / 150.0
        assert made.axes == pytest.approx(np.tile(envelope.frame.pull, (len(made.axes), 1)))
        assert len(made.clamps_mm) == 0
    assert np.sort(left.bolts_mm, axis=0) == pytest.approx(np.sort(right.bolts_mm, axis=0), abs=0.1)


def test_wedges_go_in_at_the_rim_between_bolts():
    for made in place_fasteners(halves()):
        assert radius(made.wedges_mm) == pytest.approx(RIM - 3.0, abs=3.0)
        assert len(made.wedges_mm) >= 2 * np.pi * RIM / 500.0
        apart = np.linalg.norm(made.wedges_mm[:, None] - made.bolts_mm[None], axis=2)
        assert apart.min() >= WEDGE_CLEAR_MM


def test_a_flange_that_meets_nothing_is_left_out_and_one_alone_is_kept():
    rubber = halves(right=B - 20.0)
    left, _ = where_flanges_meet(rubber.envelopes)
    i, j = np.nonzero(left.past_rubber)
    far = np.hypot(left.origin_mm[0] + left.pixel_mm * j, left.origin_mm[1] + left.pixel_mm * i)
    assert far.max() == pytest.approx(RIM - 20.0, abs=3.0)
    (alone,) = where_flanges_meet(rubber.envelopes[:1])
    assert (alone.past_rubber == rubber.envelopes[0].past_rubber).all()


def test_a_flange_that_leans_without_a_step_is_clamped():
    rubber = halves()
    e = rubber.envelopes[0]
    y = e.origin_mm[1] + e.pixel_mm * np.arange(e.parting_mm.shape[0])
    steep = np.where(y > 0, np.tan(np.radians(40.0)) * y, 0.0)[:, None] + np.zeros(e.parting_mm.shape)
    leaning = replace(e, parting_mm=steep.astype(np.float32), outer_mm=(e.outer_mm + steep).astype(np.float32))
    (made,) = place_fasteners(replace(rubber, envelopes=(leaning,)))
    assert len(made.clamps_mm)
    assert len(made.bolts_mm)
    assert e.frame.to_frame(made.clamps_mm)[:, 1].min() > -5.0
    assert e.frame.to_frame(made.bolts_mm)[:, 1].max() < 5.0


def test_two_flanges_that_lean_with_no_room_for_a_step_are_clamped():
    """Of two pieces the places come with the wall: those on its leaning half are clamps, on both jackets alike."""
    rubber = halves()
    made = []
    for e, way in zip(rubber.envelopes, (1.0, -1.0), strict=True):
        y = e.origin_mm[1] + e.pixel_mm * np.arange(e.parting_mm.shape[0])
        steep = way * np.where(y > 0, np.tan(np.radians(40.0)) * y, 0.0)[:, None] + np.zeros(e.parting_mm.shape)
        made.append(replace(e, parting_mm=steep.astype(np.float32), outer_mm=(e.outer_mm + steep).astype(np.float32)))
    angle = np.radians(np.arange(10.0, 360.0, 20.0))
    y, x = MIDDLE * np.sin(angle), MIDDLE * np.cos(angle)
    places = made[0].frame.to_master(np.column_stack([x, y, np.where(y > 0, np.tan(np.radians(40.0)) * y, 0.0)]))
    none = np.zeros((0, 3))
    held = Registration((), none, 0.0, places, none)
    left, right = place_fasteners(replace(rubber, envelopes=tuple(made), registration=held))
    for piece in (left, right):
        assert len(piece.clamps_mm) == len(piece.bolts_mm) == 9
        assert made[0].frame.to_frame(piece.clamps_mm)[:, 1].min() > 0.0
        assert made[0].frame.to_frame(piece.bolts_mm)[:, 1].max() < 0.0
    assert (left.clamps_mm == right.clamps_mm).all()


def test_no_jacket_flange_no_bolts():
    (made,) = place_fasteners(rubber_of(dome(R)))
    assert len(made.bolts_mm) == len(made.wedges_mm) == 0
    assert made.pitch_mm == 0.0


def test_spots_of_a_square_stand_near_its_corners():
    line = shapely.LinearRing([(0, 0), (1000, 0), (1000, 1000), (0, 1000)])
    spots = np.array(spaced_spots(shapely.LineString(line.coords), 150.0, 60.0))
    for corner in ((0, 0), (1000, 0), (1000, 1000), (0, 1000)):
        away = np.sort(np.hypot(*(spots - corner).T))
        assert away[0] <= 60.0
        assert away[1] <= 60.0
    along = np.sort(shapely.line_locate_point(line, shapely.points(spots)))
    assert np.diff(np.append(along, along[0] + 4000.0)).max() <= 150.0


def test_spots_of_an_open_line_stand_near_its_ends():
    line = shapely.LineString([(0, 0), (700, 0)])
    x = np.sort(np.array(spaced_spots(line, 150.0, 60.0))[:, 0])
    assert x[0] <= 60.0
    assert x[-1] >= 640.0
    assert np.diff(x).max() <= 150.0


def test_fitted_bolts_are_the_furthest_apart():
    bolts = np.array([(0, 0, 0), (0, 0, 500.0), (0, 0, 1000.0), (0, 800.0, 500.0)])
    assert fitted_of(bolts, 2) == (0, 2)
    assert fitted_of(bolts, 3) == (0, 2, 3)
    assert fitted_of(bolts[:1], 2) == ()


def test_steps_along_by_hand():
    line = shapely.LineString([(0, 0), (400, 0)])
    ring = shapely.LineString([(0, 0), (100, 0), (100, 100), (0, 100), (0, 0)])
    spots = np.array([(50.0, 1.0), (200.0, 0.0), (390.0, -1.0), (50.0, 300.0)])
    assert [(a, b) for _, a, b in steps_along([line], spots, 5.0)] == [(50.0, 200.0), (200.0, 390.0)]
    assert widest_step_mm([line], spots, 5.0) == 190.0
    corners = np.array([(0.0, 0.0), (100.0, 100.0)])
    assert [(a, b) for _, a, b in steps_along([ring], corners, 5.0)] == [(0.0, 200.0), (200.0, 400.0)]
    assert widest_step_mm([line], np.zeros((0, 2)), 5.0) == 400.0


def test_a_bolt_between_two_flanges_side_by_side_serves_both():
    """By hand: bolts at both ends of 300 mm, and one 30 mm beside its middle. As far from the first as from that one is
    x = sqrt((150 - x)² + 30²), or 78 mm."""
    line = shapely.LineString([(0.0, 0.0), (300.0, 0.0)])
    spots = np.array([[0.0, 0.0], [150.0, 30.0], [300.0, 0.0]])
    assert _furthest_mm([line], spots) == pytest.approx(78.0, abs=3.0)  # looked for every 5 mm
    assert _furthest_mm([line], spots[:0]) == np.inf
