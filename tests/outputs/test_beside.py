"""The process that makes the closed meshes: what it says, how it is refused, that it ends."""

from __future__ import annotations

import pytest
from mouldloft.base.errors import Cancelled, MouldloftError, PlanImpossible
from mouldloft.base.progress import Progress
from mouldloft.outputs.beside import SolidsBeside, main, refusal_of


def test_what_it_refuses_is_said_in_its_sentence(tmp_path):
    with (
        SolidsBeside(tmp_path, ("stl",)) as begun,
        pytest.raises(MouldloftError, match=r"reopened \(.*No such"),
    ):
        begun.finish(Progress())


def test_it_ends_where_the_work_is_stopped(tmp_path):
    stopped = Progress()
    stopped.cancel()
    with pytest.raises(Cancelled), SolidsBeside(tmp_path, ("stl",)) as begun:
        begun.finish(stopped)
    assert begun._process.poll() is not None


def test_too_little_memory_is_told_apart(tmp_path, monkeypatch):
    def no_memory(_folder):
        raise MemoryError

    monkeypatch.setattr("mouldloft.outputs.beside._end_with_the_other", lambda: None)
    monkeypatch.setattr("mouldloft.outputs.beside.open_plan", no_memory)
    assert isinstance(refusal_of(main([str(tmp_path), "stl"]), ""), MemoryError)
    assert isinstance(refusal_of(-9, ""), MemoryError)
    torn = refusal_of(PlanImpossible.exit_code, "a library's own words\nThe glove is torn.\n")
    assert isinstance(torn, PlanImpossible)
    assert str(torn) == "The glove is torn."
