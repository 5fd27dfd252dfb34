"""A cast's joint by reach, on bodies whose answers are plain geometry. Reach and widths: common practice, no source."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from mouldloft.inputs.brief import RatesBrief, SeamBrief
from mouldloft.stages.joining import plan_joining
from trade_bodies import box, seam_of, standing

pytestmark = pytest.mark.usefixtures("hollow_once")


def ring(x: float, height: float, half: float = 0.0) -> np.ndarray:
    """A seam round a body in the plane x = 0, 2 half wide."""
    half = half or x / 2
    return np.array([[0.0, -half, 0.0], [0.0, -half, height], [0.0, half, height], [0.0, half, 0.0]])


def test_a_low_box_is_taped_by_hand() -> None:
    made = plan_joining(box(400, 400, 450), seam_of(ring(400, 450)), RatesBrief(), 3.0)
    assert made.pole_mm == 0.0
    assert made.spans == ()
    assert made.near_mm == pytest.approx(2 * 450 + 2 * 400)
    # corners alone are too tight for heavy mat: a ball of 25 mm stays 10 mm out of an edge
    assert made.tight_share < 0.25


def test_a_tall_box_is_taped_with_a_pole_and_then_through_a_hatch() -> None:
    rates = RatesBrief()
    tall = plan_joining(box(400, 400, 1150), seam_of(ring(400, 1150)), rates, 3.0)
    assert {span.answer for span in tall.spans} == {"pole"}
    # two sides above 650 mm and the top, the way in too long by up to 8 %
    assert tall.pole_mm == pytest.approx(2 * (1150 - 650) + 400, rel=0.15)
    assert tall.near_mm + tall.pole_mm == pytest.approx(2 * 1150 + 2 * 400)
    higher = plan_joining(box(400, 400, 2200), seam_of(ring(400, 2200)), rates, 3.0)
    assert higher.hatches
    dear = plan_joining(box(400, 400, 1150), seam_of(ring(400, 1150)), rates, 0.1)  # a hatch that costs next to nothing
    assert dear.hatches


def test_a_narrow_limb_is_cored() -> None:
    body, limb = trimesh.creation.box((400, 400, 400)), trimesh.creation.box((60, 60, 420))
    limb.apply_translation((0, 0, 400))
    whole = trimesh.boolean.union([body, limb], engine="manifold")
    line = np.array([[0.0, -30, 400], [0, -30, 800], [0, 30, 800], [0, 30, 400]])
    made = plan_joining(standing(whole), seam_of(line), RatesBrief(), 3.0)
    cored = [span for span in made.spans if span.answer == "core"]
    assert len(cored) == 1
    # an arm comes to within a hand of the limb's first 160 mm; 60 x 60 mm above that, and what lies round it
    assert 0.5 < made.cored_l < 60 * 60 * 420 / 1e6 * 1.3


def test_a_hatch_lies_off_the_seam_where_it_serves_and_is_seen_least() -> None:
    rates, line = RatesBrief(), ring(400, 2200)
    made = plan_joining(box(400, 400, 2200), seam_of(line), rates, 3.0)
    served = 0.0
    for hatch in made.hatches:
        x, _, z = hatch.point_mm
        # the seam runs in the plane x = 0: on the faces that look across it, or a hatch's half and 60 mm beside it
        assert abs(x) > 150 + 60 - 1e-6 or abs(x) == pytest.approx(200)
        assert 150 < z < 2200
        assert hatch.saves_h > hatch.costs_h
        served += hatch.served_mm
    # nothing is left out: by hand, by pole and over cores make up the whole seam
    assert made.near_mm + made.pole_mm + made.bedded_mm == pytest.approx(2 * 2200 + 2 * 400)
    assert served >= 2 * (2200 - 1300)  # what neither arm nor pole reaches, up both sides
    seen_from_the_front = SeamBrief(seen_from="front")
    hidden = plan_joining(box(400, 400, 2200), seam_of(line), rates, 3.0, seen=seen_from_the_front)
    assert max(hatch.shows for hatch in hidden.hatches) < max(0.2, max(h.shows for h in made.hatches))


def test_a_wide_head_over_a_neck_no_arm_passes_gets_a_hatch_and_no_core() -> None:
    parts = [((400, 400, 400), 200), ((40, 40, 300), 500), ((400, 400, 400), 800)]
    solids = []
    for size, middle in parts:
        solid = trimesh.creation.box(size)
        solid.apply_translation((0, 0, middle))
        solids.append(solid)
    whole = trimesh.boolean.union(solids, engine="manifold")
    line = np.array([[0.0, -200, 600], [0, -200, 1000], [0, 200, 1000], [0, 200, 600]])
    made = plan_joining(standing(whole), seam_of(line), RatesBrief(), 3.0)
    assert len(made.hatches) == 1
    assert made.hatches[0].point_mm[2] > 600
    assert {span.answer for span in made.spans} == {"hatch"}
    assert made.cored_l == 0.0


def test_a_limb_too_slim_for_foam_is_filled() -> None:
    body, limb = trimesh.creation.box((400, 400, 400)), trimesh.creation.box((16, 90, 420))
    limb.apply_translation((0, 0, 400))
    whole = trimesh.boolean.union([body, limb], engine="manifold")
    line = np.array([[0.0, -45, 500], [0, -45, 610], [0, 45, 610], [0, 45, 500]])
    made = plan_joining(standing(whole), seam_of(line), RatesBrief(), 3.0)
    assert {span.answer for span in made.spans} == {"fill"}
    # 16 x 90 mm, 210 mm of it over the body: what stands further than a hand in, and half as much again by the lattice
    assert 0.0 < made.filled_l < 0.016 * 0.09 * 0.21 * 1e3 * 1.5


def test_a_closed_base_lets_no_hand_in() -> None:
    closed = standing(trimesh.creation.box((400, 400, 450)), base="closed")
    made = plan_joining(closed, seam_of(ring(400, 450)), RatesBrief(), 3.0)
    assert {span.answer for span in made.spans} <= {"core", "hatch"}
    assert made.spans
