"""Bolts, wedges and clamps on flanges of known outline, their distances from rims and keys reckoned by radii."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely
from mouldloft.inputs.brief import Brief
from mouldloft.stages.jacket.fasteners import (
    BOLT_PITCH_MM,
    WASHER_RADIUS_MM,
    WEDGE_CLEAR_MM,
    place_fasteners,
    where_flanges_meet,
)
from mouldloft.stages.keys.place import shape_key
from mouldloft.stages.keys.record import Keys
from mouldloft.stages.rubber.rims import steps_along, widest_step_mm
from synthetic_gloves import FLANGE_WIDTH_MM, dome, rubber_of

R = 300.0
NO_KEYS = Keys((), ())
MIDDLE = R + FLANGE_WIDTH_MM / 2.0  # of the flange, from the middle of the ball


def halves(**right):
    return rubber_of(dome(R, pull=(1, 0, 0), name="left piece"), dome(R, pull=(-1, 0, 0), piece=1, **right))


def radius(points):
    """From the pull's axis, in plan coordinates."""
    return np.hypot(points[:, 1], points[:, 2])


def keys_at(angles_deg, piece=0):
    at = np.radians(angles_deg)
    feet = np.column_stack([np.zeros(len(at)), MIDDLE * np.cos(at), MIDDLE * np.sin(at)])
    return Keys(tuple(shape_key(f"L{k}", piece, "edge", tuple(f), Brief().keys) for k, f in enumerate(feet)), ())


def slack_mm(points, keys):
    """Least distance from points to the rim of a key's foot, across the pull."""
    feet = np.array([k.foot_mm for k in keys.keys])
    reach = np.array([k.reach_mm for k in keys.keys])
    return (np.linalg.norm(points[:, None, 1:] - feet[None, :, 1:], axis=2) - reach).min()


# --- where both flanges are


def test_bolts_go_through_both_flanges():
    # the right flange is 26 mm narrower all round: its rim, not the left's, is what a bolt keeps its distance from
    rubber = halves(name="right piece", flange_width_mm=FLANGE_WIDTH_MM - 26.0)
    left, right = place_fasteners(rubber, NO_KEYS)
    rim = R + FLANGE_WIDTH_MM - 26.0
    for made in (left, right):
        assert radius(made.bolts_mm) == pytest.approx(rim - 20.0, abs=3.0)
        assert radius(made.wedges_mm) == pytest.approx(rim - 3.0, abs=3.0)
        assert made.pitch_mm <= BOLT_PITCH_MM * 1.02
    assert np.array(sorted(map(tuple, left.bolts_mm))) == pytest.approx(
        np.array(sorted(map(tuple, right.bolts_mm))), abs=1e-3
    )


def test_a_flange_that_meets_nothing_is_left_out_and_one_alone_is_kept():
    wide, narrow = halves(name="right piece", flange_width_mm=20.0).envelopes
    met = where_flanges_meet([wide, narrow])
    assert met[0].flange.sum() * 4.0 == pytest.approx(narrow.flange.sum() * 4.0, rel=0.05)
    assert (met[1].flange == narrow.flange).all()
    assert np.isnan(met[0].outer_mm[wide.flange & ~met[0].flange]).all()
    assert (where_flanges_meet([wide])[0].flange == wide.flange).all()


# --- beside keys


def test_a_bolt_finds_another_distance_from_the_rim():
    # keys 11 degrees apart along the flange's middle; half way between two, by Pythagoras, a bolt 20 mm from the
    # flange's rim is nearer to their feet than its washer, one at 16 mm is not
    keys = keys_at(np.arange(0.0, 90.0, 11.0))
    made = place_fasteners(rubber_of(dome(R, pull=(1, 0, 0))), keys)[0]
    reach = keys.keys[0].reach_mm
    for edge, room in ((20.0, False), (16.0, True)):
        up, across = R + FLANGE_WIDTH_MM - edge - MIDDLE, (R + FLANGE_WIDTH_MM - edge) * np.sin(np.radians(5.5))
        assert (np.hypot(up, across) - reach > WASHER_RADIUS_MM) == room
    beside = made.bolts_mm[(made.bolts_mm[:, 1] > 100) & (made.bolts_mm[:, 2] > 100)]
    assert len(beside), "bolts between the keys"
    assert radius(beside) == pytest.approx(R + FLANGE_WIDTH_MM - 16.0, abs=3.0)
    assert slack_mm(made.bolts_mm, keys) >= WASHER_RADIUS_MM - 1e-6
    assert made.pitch_mm <= BOLT_PITCH_MM * 1.02
    assert len(made.clamps_mm) == 0


def test_where_keys_leave_no_place_a_clamp_is_set():
    # foot to foot over a quarter of the ring: nothing clear for 518 mm and two feet's rims, four shares of 150
    keys = keys_at(np.arange(0.0, 91.0, 8.0))
    rubber = halves(name="right piece")
    left, right = place_fasteners(rubber, keys)
    assert slack_mm(left.bolts_mm, keys) >= WASHER_RADIUS_MM - 1e-6, "never over a key"
    assert left.pitch_mm > 500.0
    count = np.ceil(left.pitch_mm / BOLT_PITCH_MM) - 1
    assert len(left.clamps_mm) == len(right.clamps_mm) == count >= 3
    assert left.clamps_mm == pytest.approx(right.clamps_mm, abs=1e-3)
    assert left.clamps_mm[:, 0] == pytest.approx(0.0, abs=1e-6)
    assert radius(left.clamps_mm) == pytest.approx(R + FLANGE_WIDTH_MM - 10.0, abs=3.0)
    # with the bolts on both sides of the stretch, no step is wider than a pitch and half a share to either side
    held = np.concatenate([left.bolts_mm, left.clamps_mm])
    around = np.sort(np.degrees(np.arctan2(held[:, 2], held[:, 1])))
    steps = np.radians(np.diff(np.append(around, around[0] + 360.0))) * (R + FLANGE_WIDTH_MM - 20.0)
    assert steps.max() <= 1.5 * BOLT_PITCH_MM
    apart = np.linalg.norm(left.wedges_mm[:, None] - left.clamps_mm[None], axis=2)
    assert apart.min() >= WEDGE_CLEAR_MM - 1e-6
    # half way between two feet by radii, and not over one
    between = np.hypot(FLANGE_WIDTH_MM / 2.0 - 10.0, MIDDLE * np.radians(4.0)) - keys.keys[0].reach_mm
    assert slack_mm(left.clamps_mm, keys) == pytest.approx(between, abs=2.5)


def test_a_flange_with_room_needs_no_clamp():
    for made in place_fasteners(halves(name="right piece"), NO_KEYS):
        assert len(made.clamps_mm) == 0
        assert made.pitch_mm <= BOLT_PITCH_MM * 1.02
    bare = rubber_of(dome(R, flange_width_mm=0.0))
    (none,) = place_fasteners(replace(bare, flange_width_mm=0.0), NO_KEYS)
    assert len(none.bolts_mm) == len(none.wedges_mm) == len(none.clamps_mm) == none.pitch_mm == 0


@pytest.mark.parametrize("width", [30.0, 16.0])
def test_on_a_narrow_flange_they_stand_in_its_middle(width):
    rubber = replace(rubber_of(dome(R, flange_width_mm=width, pixel_mm=1.0)), flange_width_mm=width)
    at = np.radians(np.arange(0.0, 91.0, 4.0))
    feet = np.column_stack([R * np.cos(at), R * np.sin(at), np.zeros(len(at))])
    keys = Keys(tuple(shape_key(f"U{k}", 0, "edge", tuple(f), Brief().keys) for k, f in enumerate(feet)), ())
    (made,) = place_fasteners(rubber, keys)
    assert np.hypot(*made.bolts_mm[:, :2].T) == pytest.approx(R + width / 2.0, abs=2.0)
    assert len(made.clamps_mm) >= 2
    assert np.hypot(*made.clamps_mm[:, :2].T) == pytest.approx(R + width - min(10.0, width / 2.0), abs=2.0)


def test_steps_along_by_hand():
    straight = shapely.LineString([(0, 0), (1000, 0)])
    points = np.array([[100.0, 1.0], [900.0, -1.0], [400.0, 0.0], [600.0, 50.0]])
    assert [step[1:] for step in steps_along([straight], points, 5.0)] == [(100.0, 400.0), (400.0, 900.0)]
    ring = shapely.LinearRing([(0, 0), (100, 0), (100, 100), (0, 100)])
    round_ = steps_along([ring], np.array([[50.0, 0.0], [50.0, 100.0]]), 5.0)
    assert [step[1:] for step in round_] == [(50.0, 250.0), (250.0, 450.0)]
    assert steps_along([straight], points[:1], 5.0)[0][1:] == (0.0, 1000.0), "one point holds no stretch"
    assert widest_step_mm([straight, ring], points, 5.0) == 500.0
    assert widest_step_mm([], points, 5.0) == 0.0
