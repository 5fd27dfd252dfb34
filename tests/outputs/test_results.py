"""What is written in which order, and one refusal that spares the rest."""

import os
import time
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from mouldloft.base.errors import OutputRefused, PlanImpossible
from mouldloft.base.files import all_or_nothing
from mouldloft.base.progress import Progress
from mouldloft.outputs import results
from mouldloft.outputs.summary import left_by_loose


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

    monkeypatch.setattr(results, "_OUTPUTS", (("order", "what to buy", paper),))
    monkeypatch.setattr(results, "write_closed_meshes", solids)
    monkeypatch.setattr(results, "summary_text", lambda _plan: "")
    monkeypatch.setattr(results, "save_plan", lambda _plan, folder: (folder / "plan.json").write_text("new"))
    return events


def plan_of(count):
    brief = SimpleNamespace(run=SimpleNamespace(start_date=None))
    master = SimpleNamespace(faces=np.zeros((count, 3), np.int8))
    return SimpleNamespace(master=master, brief=brief, stamps=(), clay=None)


def test_solids_come_after_the_paper(told, tmp_path):
    written = results.write_results(plan_of(4), tmp_path, solids=("stl",))
    assert told == ["paper", "solids"]
    assert [file.path.name for file in written] == ["plan.json", "summary.txt", "order.csv", "solids"]


def test_a_word_comes_while_something_is_drawn(told, tmp_path, monkeypatch):
    """Every half second or sooner, though the drawing says nothing."""
    heard = [time.monotonic()]

    def slow(_plan, folder, _progress):
        time.sleep(1.3)
        (folder / "plan.html").write_text("")
        return folder / "plan.html"

    monkeypatch.setattr(results, "_OUTPUTS", (("page", "to turn", slow),))
    results.write_results(plan_of(4), tmp_path, Progress(lambda *_: heard.append(time.monotonic())))
    assert len(heard) > 4
    assert np.diff(heard).max() < 1.0


def test_where_no_solids_can_be_made_all_else_is_written(told, tmp_path, monkeypatch):
    def refuse(*_):
        raise PlanImpossible("The glove is torn.")

    monkeypatch.setattr(results, "write_closed_meshes", refuse)
    with pytest.raises(PlanImpossible, match=r"The glove is torn\. All else of the plan is written"):
        results.write_results(plan_of(4), tmp_path, solids=("stl",))
    assert (tmp_path / "order.csv").exists()


def contents(folder):
    return {str(path.relative_to(folder)): path.read_text() for path in folder.rglob("*") if path.is_file()}


def earlier_run(folder):
    """A folder as an earlier run left it."""
    for name in ("order.csv", "plan.json", "summary.txt", "templates/old.dxf"):
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_text("old")
    return contents(folder)


def test_a_folder_in_the_way_of_one_result_leaves_all_as_it_was(told, tmp_path):
    before = earlier_run(tmp_path)
    (tmp_path / "order.csv").unlink()
    (tmp_path / "order.csv").mkdir()
    before.pop("order.csv")
    with pytest.raises(OutputRefused, match=r"a folder stands where order\.csv belongs.* Nothing was replaced\.$"):
        results.write_results(plan_of(4), tmp_path)
    assert contents(tmp_path) == before


def test_a_result_held_open_puts_the_others_back(told, tmp_path, monkeypatch):
    """Windows refuses to replace a file that another program holds open; the system's call is made to refuse here."""
    before = earlier_run(tmp_path)
    (tmp_path / "summary.txt").unlink()
    before.pop("summary.txt")
    replace = os.replace

    def holds_plan_open(source, place):
        if os.fspath(place) == os.fspath(tmp_path / "plan.json"):
            raise PermissionError(13, "Permission denied")
        return replace(source, place)

    monkeypatch.setattr("mouldloft.base.files.os.replace", holds_plan_open)
    with pytest.raises(OutputRefused, match=r"plan\.json cannot be replaced .*holds it open.* Nothing was replaced"):
        results.write_results(plan_of(4), tmp_path)
    assert contents(tmp_path) == before, "the summary that was new is gone again, the order is the old one"


def test_what_cannot_be_put_back_is_named(tmp_path, monkeypatch):
    earlier_run(tmp_path)
    replace, calls = os.replace, []

    def only_once(source, place):
        calls.append(Path(place).name)
        if len(calls) > 1:
            raise PermissionError(13, "Permission denied")
        return replace(source, place)

    monkeypatch.setattr("mouldloft.base.files.os.replace", only_once)

    def write():
        with all_or_nothing(tmp_path, last="plan.json") as inner:
            for name in ("order.csv", "plan.json", "summary.txt"):
                (inner / name).write_text("new")

    with pytest.raises(OutputRefused, match=r"summary\.txt cannot be replaced .* Already replaced.*: order\.csv; all"):
        write()
    assert calls == ["order.csv", "summary.txt", "order.csv"], "plan.json is not touched before all others stand"
    assert contents(tmp_path)["plan.json"] == "old"


def test_what_an_earlier_run_left_in_a_folder_is_named(told, tmp_path):
    earlier_run(tmp_path)
    (tmp_path / "solids").mkdir()
    (tmp_path / "solids" / "third piece.stl").write_text("old")
    left = [w for w in results.write_results(plan_of(4), tmp_path, solids=("stl",)) if "earlier run" in w.what]
    assert [str(w.path.relative_to(tmp_path)) for w in left] == ["templates", "solids/third piece.stl"]


def test_what_loose_pieces_take_adds_up():
    """By hand: of 6 l of fill 1.5 l are left, so that of 3 l and 2 l of rubber taken half a litre was draft."""
    pieces = tuple(SimpleNamespace(volume_mm3=v) for v in (3e6, 2e6))
    rubber = SimpleNamespace(loose=pieces, fill=SimpleNamespace(all_mm3=6e6, left_mm3=1.5e6))
    said = "; 2 loose pieces take the place of 5.00 l of rubber, 0.50 l of it draft, and leave 1.50 l of fill"
    assert left_by_loose(SimpleNamespace(rubber=rubber)) == said
