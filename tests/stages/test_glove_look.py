"""A first look at the gloves of a seam: near the plan's rubber, and of the very line that was shaped."""

from dataclasses import replace

import numpy as np
import pytest
from mouldloft.stages.rubber import look_at_gloves
from mouldloft.stages.seam.shaping import parted_along


def test_a_look_at_the_planned_seam_is_near_the_planned_rubber(small_plan):
    master, seam = small_plan.master, small_plan.seam
    same = parted_along(master, seam, seam.level_mm)
    assert (same.labels == seam.labels).all()
    assert same.length_mm == pytest.approx(seam.length_mm, rel=1e-6)
    look = look_at_gloves(master, same, small_plan.brief)
    held = sum(part.total_mm3 - part.loose_mm3 for part in small_plan.rubber.parts)
    assert look.volume_mm3 == pytest.approx(held, rel=0.08)
    assert [e.name for e in look.envelopes] == [e.name for e in small_plan.rubber.envelopes]


def test_a_line_moved_along_the_pull_moves_rubber_to_the_other_glove(small_plan):
    master, seam, brief = small_plan.master, small_plan.seam, small_plan.brief
    plain = replace(brief, rubber=replace(brief.rubber, draft_deg=0.5))
    looks = [look_at_gloves(master, parted_along(master, seam, seam.level_mm + by), plain) for by in (0.0, -25.0)]
    bare = [[float(np.isfinite(e.filled_mm).sum()) * e.pixel_mm**2 for e in look.envelopes] for look in looks]
    assert bare[1][0] < bare[0][0]  # the first piece lost skin
    assert bare[1][1] > 0.9 * bare[0][1]
