"""The joint of a ball in halves, looked at from outside: what each map of the two pieces says of the same place."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from mouldloft.geometry.heightmap import sample
from mouldloft.inputs.brief import Brief, JointBrief, RubberBrief, RunBrief, SeamBrief
from mouldloft.stages.rubber import brush_rubber
from mouldloft.stages.rubber.rims import covered
from mouldloft.stages.seam.place import place_seam
from mouldloft.stages.undercut import undercut_field
from mouldloft.trade.section import CLEAR_DEG
from seam_bodies import as_master, opening_along

RADIUS_MM, WIDTH_MM, PAST_MM, THICK_MM = 150.0, 40.0, 44.0, 8.0


def ball(**joint):
    mesh = trimesh.creation.icosphere(subdivisions=5, radius=RADIUS_MM)
    master = as_master(mesh, base="closed")
    field = undercut_field(master, (1.0, 0.0, 0.0), check=False)
    cut = SeamBrief(kind="plane", plane_offset_mm=0.0)
    seam = place_seam(master, opening_along((1.0, 0.0, 0.0), 0.0), field, cut)
    thickness = RubberBrief(
        skin_thickness_mm=THICK_MM, edge_thickness_mm=THICK_MM, edge_band_mm=0, flange_width_mm=WIDTH_MM, pixel_mm=1.0
    )
    own = JointBrief(jacket_flange_mm=PAST_MM, bead_width_mm=14.0, bead_height_mm=5.0, bolt="M8", **joint)
    return brush_rubber(master, seam, Brief(run=RunBrief(casts=1), rubber=thickness, joint=own))


@pytest.fixture(scope="module")
def beaded():
    return ball()


def ring(envelope, radius_mm, height):
    """Values of a map round the pull's axis at a radius, 5 degrees apart."""
    angle = np.radians(np.arange(0, 360, 5))
    xy = radius_mm * np.column_stack([np.cos(angle), np.sin(angle)])
    return sample(height, envelope.origin_mm, envelope.pixel_mm, xy)


def test_ridge_and_groove_are_one_surface(beaded):
    one, other = beaded.envelopes
    for radius in np.arange(RADIUS_MM + 1, RADIUS_MM + WIDTH_MM, 1.0):
        ahead, behind = ring(one, radius, one.parting_mm), ring(other, radius, other.parting_mm)
        assert ahead == pytest.approx(ahead.mean(), abs=0.6)  # the same all round, but for the lattice
        assert ahead.mean() == pytest.approx(-behind.mean(), abs=0.02)
    middle = RADIUS_MM + (WIDTH_MM - THICK_MM) / 2.0  # half-way to the bevel, which runs as far as it is thick
    assert ring(one, middle, one.parting_mm) == pytest.approx(5.0, abs=0.3)
    assert ring(other, middle, other.parting_mm) == pytest.approx(-5.0, abs=0.3)


def test_the_flange_is_as_thick_behind_the_bead_as_beside_it(beaded):
    for envelope in beaded.envelopes:
        for radius in np.arange(RADIUS_MM + THICK_MM + 2, RADIUS_MM + WIDTH_MM - THICK_MM - 1, 0.5):
            thick = ring(envelope, radius, envelope.outer_mm) - ring(envelope, radius, envelope.parting_mm)
            assert thick.min() >= THICK_MM - 0.35


def test_the_bead_clears_both_pulls_and_runs_along_the_seam(beaded):
    assert beaded.registration.share > 0.98
    length = 2 * np.pi * (RADIUS_MM + (WIDTH_MM - THICK_MM) / 2.0)
    assert beaded.registration.bead_length_mm == pytest.approx(length, rel=0.02)
    for envelope in beaded.envelopes:
        slope = np.hypot(*np.gradient(envelope.parting_mm.astype(float), envelope.pixel_mm))
        assert 90.0 - np.degrees(np.arctan(slope.max())) >= CLEAR_DEG


def test_past_the_bevel_glass_meets_glass(beaded):
    for envelope in beaded.envelopes:
        past, rubber = envelope.past_rubber, covered(envelope)
        assert not (past & rubber).any()
        i, j = np.nonzero(past)
        away = np.hypot(
            envelope.origin_mm[0] + envelope.pixel_mm * j, envelope.origin_mm[1] + envelope.pixel_mm * i
        )  # from the ball's middle
        assert away.min() == pytest.approx(RADIUS_MM + WIDTH_MM, abs=1.5)
        assert away.max() == pytest.approx(RADIUS_MM + WIDTH_MM + PAST_MM, abs=1.5)
        assert np.abs(envelope.parting_mm[i, j]).max() < 1e-3  # both jackets lie on the parting itself


def test_the_rim_is_bevelled(beaded):
    envelope = beaded.envelopes[1]
    for back in (2.0, 4.0, 6.0):
        height = ring(envelope, RADIUS_MM + WIDTH_MM - back, envelope.outer_mm)
        assert height == pytest.approx(back, abs=0.8)  # 45 degrees


def test_every_bolt_stands_half_way_across_the_glass(beaded):
    bolts = beaded.registration.bolt_places_mm
    away = np.hypot(bolts[:, 1], bolts[:, 2])
    assert away == pytest.approx(RADIUS_MM + WIDTH_MM + PAST_MM / 2, abs=1.0)
    angle = np.sort(np.arctan2(bolts[:, 2], bolts[:, 1]))
    assert (np.diff(np.append(angle, angle[0] + 2 * np.pi)) * away.mean()).max() <= beaded.section.bolt_pitch_mm
    assert len(beaded.registration.pads_mm) == 0


def test_domes_and_nothing_are_the_briefs_to_ask_for():
    domed = ball(registration="domes").registration
    assert domed.lines_mm == ()
    around = 2 * np.pi * (RADIUS_MM + (WIDTH_MM - THICK_MM) / 2.0)
    assert around / 200.0 <= len(domed.domes_mm) <= around / 100.0
    assert domed.share > 0.8
    bare = ball(registration="none")
    assert bare.registration.share == 0.0
    assert np.abs(bare.envelopes[0].bead_mm).max() == 0.0
