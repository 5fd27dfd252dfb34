"""Which drawings stay when a plan is written again into its folder, and that no other does."""

import json
from dataclasses import replace
from types import SimpleNamespace

import pytest
from mouldloft.inputs.brief import Brief, JobBrief
from mouldloft.outputs import drawn, results

STAGES = (("seam", "s1"), ("wall", "w1"), ("programme", "p1"), ("takeoff", "t1"))


@pytest.fixture
def bench(monkeypatch, tmp_path):
    """Writes a plan into one folder with stand-ins for what draws, and tells which of them ran."""
    ran = []

    def stand_in(name, path):
        def write(plan, folder, _progress, before=None):
            ran.append(name if before is None else f"{name} from {before}")
            (folder / path).parent.mkdir(exist_ok=True)
            (folder / path).write_text(f"{name} of {plan.stamps}")
            return folder / path.split("/")[0]

        return name, "", write

    outputs = [("order", "order.csv"), ("pictures", "pictures/front.png"), ("client sheet", "client-sheet.pdf")]
    outputs += [("workshop sheets", "workshop-sheets.pdf"), ("templates", "templates/wall.dxf"), ("page", "plan.html")]
    monkeypatch.setattr(results, "_OUTPUTS", tuple(stand_in(*one) for one in outputs))
    monkeypatch.setattr(results, "summary_text", lambda _plan: "")
    monkeypatch.setattr(results, "save_plan", lambda _plan, folder: (folder / "plan.json").write_text("new"))

    def write(stamps=STAGES, brief=None, **more):
        ran.clear()
        plan = SimpleNamespace(brief=brief or Brief(), stamps=stamps, clay=None, mesh_stamp="m")
        results.write_results(SimpleNamespace(**{**vars(plan), **more}), tmp_path / "out")
        return list(ran)

    return SimpleNamespace(write=write, out=tmp_path / "out", every=[name for name, _ in outputs])


OTHER_PRICES = (*STAGES[:-1], ("takeoff", "t2"))


def test_at_other_prices_what_tells_no_money_stays(bench):
    assert bench.write() == bench.every
    before = {p.name: p.read_bytes() for p in (bench.out / "pictures").iterdir()}
    page = (bench.out / "plan.html").read_text()
    assert bench.write(OTHER_PRICES) == ["order", "workshop sheets", f"page from {page}"]
    assert {p.name: p.read_bytes() for p in (bench.out / "pictures").iterdir()} == before
    assert "t2" in (bench.out / "plan.html").read_text()
    page = (bench.out / "plan.html").read_text()
    assert bench.write() == ["order", "workshop sheets", f"page from {page}"]  # and from run to run
    (bench.out / "plan.html").write_text("touched")
    assert bench.write() == ["order", "workshop sheets", "page"]


def touched(bench, tmp_path):
    (bench.out / "pictures" / "front.png").write_text("painted over")


def lost(bench, tmp_path):
    (bench.out / "pictures" / "front.png").unlink()


def unread(bench, tmp_path):
    (bench.out / drawn.DRAWN_NAME).write_text("{")


@pytest.mark.parametrize("harm", [touched, lost])
def test_a_file_that_is_not_as_it_was_written_is_made_again(bench, tmp_path, harm):
    bench.write()
    harm(bench, tmp_path)
    page = (bench.out / "plan.html").read_text()
    assert bench.write(OTHER_PRICES) == ["order", "pictures", "workshop sheets", f"page from {page}"]
    assert (bench.out / "pictures" / "front.png").read_text().startswith("pictures of")


def test_anything_else_that_changed_has_all_of_it_drawn(bench, tmp_path, monkeypatch):
    bench.write()
    for stage, _ in STAGES[:-1]:
        assert bench.write(tuple((n, "x" if n == stage else s) for n, s in STAGES)) == bench.every
    assert bench.write(mesh_stamp="n") == bench.every
    assert bench.write(brief=Brief(piece="Another")) == bench.every
    logo = tmp_path / "logo.png"
    logo.write_bytes(b"one")
    job = replace(Brief(), job=JobBrief(logo=str(logo)))
    assert bench.write(brief=job) == bench.every
    assert bench.write(brief=job)[:2] == ["order", "workshop sheets"]
    logo.write_bytes(b"other")
    assert bench.write(brief=job) == bench.every
    monkeypatch.setattr(drawn, "_program_stamp", lambda: "a later version")
    assert bench.write(brief=job) == bench.every
    unread(bench, tmp_path)
    assert bench.write(brief=job) == bench.every


def test_a_plan_that_does_not_say_what_it_read_keeps_nothing(bench):
    for _ in range(2):
        assert bench.write(stamps=()) == bench.every
        assert bench.write(clay=object()) == bench.every
    assert not (bench.out / drawn.DRAWN_NAME).exists()


def test_no_file_outside_the_folder_is_taken(bench):
    bench.write()
    told = json.loads((bench.out / drawn.DRAWN_NAME).read_text())
    (bench.out.parent / "secret.txt").write_text("not of this plan")
    told["files"]["pictures/../../secret.txt"] = drawn._hash_of(bench.out.parent / "secret.txt")
    (bench.out / drawn.DRAWN_NAME).write_text(json.dumps(told))
    assert bench.write() == bench.every
