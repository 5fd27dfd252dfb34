"""Where places are said to be."""

from __future__ import annotations

from types import SimpleNamespace

import pytest
from mouldloft.outputs import whereabouts


@pytest.mark.parametrize(("fill_mm3", "depth_mm", "named"), [(120.0, 0.2, False), (2e3, 0.2, True), (120.0, 6.0, True)])
def test_an_undercut_that_figures_show_nothing_of_is_not_named(monkeypatch, fill_mm3, depth_mm, named):
    """A plaque's noise of a tenth of a millilitre is no worst undercut; two millilitres, or 6 mm, are."""
    monkeypatch.setattr(whereabouts, "undercut_words", lambda plan: ["left side, 36 mm up"])
    region = SimpleNamespace(fill_mm3=fill_mm3, depth_mm=depth_mm)
    plan = SimpleNamespace(locks=SimpleNamespace(regions=(region,)))
    found = whereabouts.worst_undercut(plan)
    assert (found is not None) == named
    assert not named or found == (region, "left side, 36 mm up")
    assert whereabouts.worst_undercut(SimpleNamespace(locks=SimpleNamespace(regions=()))) is None


@pytest.mark.parametrize(
    ("sentence", "said"),
    [
        ("It locks at the left, 260 mm up most.", "It locks at the thigh, 263 mm up most."),
        ("Air has to be let in: front left, 260 mm up.", "Air has to be let in: front left, 260 mm up."),
        ("Nothing locks.", "Nothing locks."),
    ],
)
def test_an_undercuts_name_is_no_part_of_a_longer_one(monkeypatch, sentence, said):
    """'front left' is another place than 'left', at the same height too."""
    monkeypatch.setattr(whereabouts, "undercut_words", lambda plan: ["thigh, 263 mm up"])
    plan = SimpleNamespace(locks=SimpleNamespace(regions=(SimpleNamespace(name="left, 260 mm up"),)))
    assert whereabouts.with_places(plan, sentence) == said
