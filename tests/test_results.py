"""What is written in which order, and one refusal that spares the rest."""

from types import SimpleNamespace

import numpy as np
import pytest
from mouldloft.base.errors import PlanImpossible
from mouldloft.outputs import results


@pytest.fixture
def told(monkeypatch):
    """The order of events of a run with one output on paper and solids, all stand-ins."""
    events: list[str] = []

    def paper(_plan, folder, _progress):
        events.append("paper")
        (folder / "order.csv").write_text("")
        return folder / "order.csv"

    def solids(_plan, folder, _formats, _progress):
        events.append("solids")
        return [results.Written(folder, "solids")]

    monkeypatch.setattr(results, "_OUTPUTS", (("order", "what to buy", paper),))
    monkeypatch.setattr(results, "_write_solids", solids)
    monkeypatch.setattr(results, "summary_text", lambda _plan: "")
    monkeypatch.setattr(results, "save_plan", lambda _plan, folder: folder / "plan.json")
    return events


def plan_of(count):
    return SimpleNamespace(master=SimpleNamespace(faces=np.zeros((count, 3), np.int8)))


def test_solids_come_after_the_paper(told, tmp_path):
    written = results.write_results(plan_of(4), tmp_path, solids=("stl",))
    assert told == ["paper", "solids"]
    assert [file.path.name for file in written] == ["plan.json", "summary.txt", "order.csv", "solids"]


def test_where_no_solids_can_be_made_all_else_is_written(told, tmp_path, monkeypatch):
    def refuse(*_):
        raise PlanImpossible("The glove is torn.")

    monkeypatch.setattr(results, "_write_solids", refuse)
    with pytest.raises(PlanImpossible, match=r"The glove is torn\. All else of the plan is written"):
        results.write_results(plan_of(4), tmp_path, solids=("stl",))
    assert (tmp_path / "order.csv").exists()
