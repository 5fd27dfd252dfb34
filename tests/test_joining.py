"""A cast's joint by reach, on bodies whose answers are plain geometry. Reach and widths: common practice, no source."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from mouldloft.inputs.brief import RatesBrief
from mouldloft.stages.joining import plan_joining
from trade_bodies import box, seam_of, standing


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


def test_a_closed_base_lets_no_hand_in() -> None:
    closed = standing(trimesh.creation.box((400, 400, 450)), base="closed")
    made = plan_joining(closed, seam_of(ring(400, 450)), RatesBrief(), 3.0)
    assert {span.answer for span in made.spans} <= {"core", "hatch"}
    assert made.spans
