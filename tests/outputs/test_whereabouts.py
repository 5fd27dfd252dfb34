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
