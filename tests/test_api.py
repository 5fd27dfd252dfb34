"""The public API as its docstrings show it: every example is run, in order, on a small body."""

from __future__ import annotations

import doctest

import meshes
import mouldloft as ml
import pytest
import trimesh
from mouldloft import api

EXAMPLES = ("make_brief", "estimate", "plan_file", "compare", "open")


@pytest.fixture(scope="module")
def shown(tmp_path_factory):
    """What the examples leave behind: their names, after all of them ran."""
    folder = tmp_path_factory.mktemp("api")
    mesh = folder / "lobes.stl"
    trimesh.Trimesh(*meshes.two_lobes(90.0, 140.0, 40), process=False).export(mesh)
    names = {"ml": ml, "mesh": mesh, "folder": folder / "out"}
    runner = doctest.DocTestRunner()
    for name in EXAMPLES:
        text = getattr(api, name).__doc__
        example = doctest.DocTestParser().get_doctest(text, names, name, "api.py", 0)
        assert example.examples, f"{name} shows no example"
        runner.run(example, clear_globs=False)
        names.update(example.globs)
    assert runner.failures == 0
    return names


def test_every_example_runs(shown):
    assert isinstance(shown["plan"], ml.Plan)
    assert (shown["folder"] / "order.csv").exists()


def test_a_plan_shows_itself_in_a_notebook(shown, monkeypatch):
    """Without a renderer as words alone."""
    monkeypatch.setattr("mouldloft.outputs.pictures.views.seam_jpeg", lambda *_: b"jpeg")
    said = shown["plan"]._repr_html_()
    assert said.startswith("<div")
    assert "data:image/jpeg;base64,anBlZw==" in said
    assert "<pre>" in said

    def none(*_):
        raise RuntimeError("no renderer")

    monkeypatch.setattr("mouldloft.outputs.pictures.views.seam_jpeg", none)
    assert shown["plan"]._repr_html_().startswith("<pre>")


def test_only_what_is_public_is_offered():
    assert set(api.__all__) <= set(dir(ml))
    with pytest.raises(AttributeError, match="no attribute 'plan_everything'"):
        ml.plan_everything  # noqa: B018
    with pytest.raises(AttributeError):
        ml.Plan(None)._hidden  # noqa: B018
