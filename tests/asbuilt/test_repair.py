"""A patch by its geometry, a second glove by the order, and a cast as master by measured marks."""

from __future__ import annotations

import math

import pytest
from mouldloft.asbuilt.repair import (
    FEATHER_MM,
    FEATHER_THICK_MM,
    LEAST_MIX_KG,
    cast_as_master,
    patch_lines,
    patch_tear,
    remake_lines,
    repair_assumptions,
    second_glove,
)
from mouldloft.base.errors import BriefRefused


def test_a_patch_fills_its_groove_and_film(small):
    """A V of 45° is as wide each way as the skin is thick: its section is the thickness squared."""
    t, long, gap = small.rubber.skin_thickness_mm, 120.0, 6.0
    patch = patch_tear(small, long, gap)
    section = t * t + gap * t + (2 * t + gap + 2 * FEATHER_MM) * FEATHER_THICK_MM
    assert patch.volume_mm3 == pytest.approx(section * (long + 2 * t))
    rubber = small.catalogue.rubber_for(small.brief.materials)
    assert patch.catalyst_g / patch.base_g == pytest.approx(rubber.catalyst_fraction)
    assert patch.base_g + patch.catalyst_g == pytest.approx(1000 * patch.rubber_kg)
    assert patch.rubber_kg >= max(LEAST_MIX_KG, patch.volume_mm3 * rubber.density_kg_m3 * 1e-9)


@pytest.mark.parametrize("length", [0.0, -5.0, math.nan, math.inf, 1e5])
def test_a_tear_that_is_none_or_past_patching_gets_one_sentence(small, length):
    with pytest.raises(BriefRefused) as refused:
        patch_tear(small, length)
    assert "\n" not in str(refused.value)


def test_a_second_glove_buys_the_gloves_rubber_and_no_jacket(small):
    from dataclasses import replace

    rubber = small.catalogue.rubber_for(small.brief.materials)
    line = replace(
        small.takeoff.lines[0], code=rubber.code, waste_fraction=0.1, by_stage=(("glove", 8.0),),
        net=replace(small.takeoff.lines[0].net, low=7.5, likely=8.0, high=8.4),
    )  # fmt: skip
    resin = replace(line, code=small.catalogue.resin_for(small.brief.materials).code, by_stage=(("jacket", 8.0),))
    small.takeoff, before = replace(small.takeoff, lines=(line, resin)), small.takeoff
    try:
        made = second_glove(small)
    finally:
        small.takeoff = before
    ((_, needed, _, packs, cost),) = made.lines
    assert needed == pytest.approx(8.8)  # with waste, which is more than the interval's high end
    assert sum(size * count for size, count in packs) >= 8.8
    assert made.cost == cost
    assert any("jacket" in what for what in made.keep)


def test_a_cast_of_a_cast_shrinks_twice(small):
    height = small.master.height_mm
    words = " ".join(cast_as_master(small, 0.005, 4))
    assert f"{height * 0.995:.0f} mm" in words
    assert f"{height * 0.995**2:.0f} mm" in words
    assert "from memory" in " ".join(cast_as_master(small))


def test_what_hurts_and_what_decides_is_said(small):
    words = " ".join([*patch_lines(patch_tear(small, 50.0)), *remake_lines(second_glove(small))])
    assert "data sheet decides" in words
    assert all(each.mark for each in repair_assumptions())
