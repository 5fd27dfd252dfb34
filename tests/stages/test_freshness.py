"""Stamps of what each stage reads: the table held to what the stages do read, and planned again the same as fresh."""

from __future__ import annotations

import dataclasses
from contextlib import nullcontext
from dataclasses import replace

import meshes
import pytest
from mouldloft.base.errors import CatalogueRefused
from mouldloft.base.progress import Progress
from mouldloft.base.stamp import stamp_of
from mouldloft.inputs import brief as briefs
from mouldloft.inputs.brief import Brief, brief_from_dict
from mouldloft.inputs.catalogue import read_catalogue
from mouldloft.stages import freshness, pipeline
from mouldloft.stages.freshness import READS, is_fresh, stage_stamps, stale_stages
from mouldloft.stages.master import prepare_master
from test_planfile import same

BRIEF = {
    "master": {"finished_height_mm": 300},
    "run": {"casts": 3, "start_date": "2027-03-01"},
    "opening": {"directions": 32, "refine": 0},
    "rubber": {"pixel_mm": 5.0},
}
# progress names the stage that runs; these run under another's name, whose part of the table they share
TOGETHER = {
    "opening": ("visibility", "directions", "opening"),
    "locks": ("locks", "division"),
    "cradle": ("cradle", "peel"),
}
STAMPED = {"rubber", "gelcoat"}  # entries that the stamps look up themselves


@pytest.fixture(scope="module")
def brief():
    return brief_from_dict(BRIEF)


@pytest.fixture(scope="module")
def master(brief):
    return prepare_master(*meshes.two_lobes(90.0, 140.0, 24), brief.master, name="lobes")


@pytest.fixture(scope="module")
def watched(master, brief):
    """The plan, and by stage the brief's fields that were read while it ran."""
    seen: dict[str, set[str]] = {}
    stage = [""]
    parts = {type(getattr(Brief(), f.name)): f.name for f in dataclasses.fields(Brief) if f.name != "piece"}
    own = {id(getattr(brief, part)) for part in parts.values()}
    kept = {kind: kind.__getattribute__ for kind in parts}

    def watch(kind, part, names):
        def read(self, name):
            if name in names and id(self) in own:  # a default brief that a formula asks is nobody's wish
                seen.setdefault(stage[0], set()).add(f"{part}.{name}")
            return object.__getattribute__(self, name)

        kind.__getattribute__ = read

    for kind, part in parts.items():
        watch(kind, part, {f.name for f in dataclasses.fields(kind)})
    begin = Progress.begin

    def begins(self, name):
        stage[0] = name
        begin(self, name)

    terms_for = pipeline.terms_for

    def weighed(*asked):  # what seams are weighed by is stamped by its own figures
        running, stage[0] = stage[0], "terms"
        made = terms_for(*asked)
        stage[0] = running
        return made

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(pipeline, "terms_for", weighed)
        patch.setattr(Progress, "begin", begins)
        patch.setattr(pipeline, "with_notes", lambda made: made)
        patch.setattr(pipeline, "stage_stamps", lambda *_: {})
        patch.setattr(pipeline, "meanwhile", lambda work, progress: work(progress))  # a stage begins where it reads
        made = pipeline.plan(master, brief)
    for kind, old in kept.items():
        kind.__getattribute__ = old
    return replace(made, stamps=tuple(stage_stamps(master, brief, made.catalogue).items())), seen


def declared(stage: str) -> set[str]:
    """Every field of the brief that the table lets a stage read, single fields by name."""
    found = set()
    for name in TOGETHER.get(stage, (stage,)):
        reads = READS[name]
        for path in reads.brief:
            part, _, field = path.partition(".")
            whole = {f"{part}.{f.name}" for f in dataclasses.fields(getattr(Brief(), part))}
            found |= {path} if field else whole
        if reads.catalogue != "nothing" or reads.terms != "nothing":  # entries are named in the brief
            found |= {f"materials.{f.name}" for f in dataclasses.fields(briefs.MaterialsBrief)}
        if reads.terms != "nothing":
            found |= {f"rates.{f.name}" for f in dataclasses.fields(briefs.RatesBrief)}
    return found


def test_no_stage_reads_what_the_table_does_not_say(watched):
    _, seen = watched
    assert {"opening", "seam", "rubber", "jacket", "takeoff"} <= seen.keys()
    assert not [f"{stage}: {path}" for stage in READS for path in sorted(seen.get(stage, set()) - declared(stage))]


def other(value, kind: str):
    """Another value of a field, that the schema allows."""
    changes = {
        "start_date": "2027-04-01", "unit": "cm", "up": "+y", "front": "+y", "base": "closed", "seen_from": "front",
        "pieces": 3, "max_pieces": 3, "kind": "plane", "direction": (1.0, 0.0, 0.0), "working_tilts_deg": (0.0, 5.0),
        "days_off": ("2027-03-02",), "colourways": ("moss",), "people_names": ("A",), "frictions": (0.0, 0.2),
        "block_mm": (2500.0, 1200.0, 100.0),
        "handling_points_mm": ((0.0, 0.0, 50.0),), "own_keys": (("left piece", 0.0, 0.0, 100.0),),
    }  # fmt: skip
    if kind in changes:
        return changes[kind]
    if isinstance(value, bool):
        return not value
    if isinstance(value, int):
        return value + 1
    if isinstance(value, float):
        return value * 1.25 + 0.01
    if value is None and kind.endswith(("_mm", "_kg")):
        return 20.0
    return "other" if value is None or isinstance(value, str) else value


def test_every_field_of_the_brief_makes_some_stage_run_again(master, brief):
    """And none makes a stage run that comes before all that read it: seam and later fields leave directions alone."""
    catalogue = read_catalogue(None)
    was = stage_stamps(master, brief, catalogue)
    unread = set()
    # sections are cut before there is a plan
    for part in (f.name for f in dataclasses.fields(Brief) if f.name not in ("piece", "sections")):
        for field in dataclasses.fields(getattr(brief, part)):
            path = f"{part}.{field.name}"
            old = getattr(getattr(brief, part), field.name)
            changed = replace(brief, **{part: replace(getattr(brief, part), **{field.name: other(old, field.name)})})
            if part == "materials" and old is None:  # an entry that the catalogue lacks is refused by name
                with pytest.raises(CatalogueRefused) if field.name in STAMPED else nullcontext():
                    stage_stamps(master, changed, catalogue)
                continue
            now = stage_stamps(master, changed, catalogue)
            if not stale_stages(was, now):
                unread.add(path)
    assert not unread


def test_what_runs_again_after_a_change(master, brief, watched):
    made, _ = watched
    was = dict(made.stamps)

    def stale(**parts):
        return set(stale_stages(was, stage_stamps(master, replace(brief, **parts), made.catalogue)))

    assert stale() == set()
    thicker = stale(rubber=replace(brief.rubber, skin_thickness_mm=9.0))
    assert "directions" not in thicker
    assert {"rubber", "keys", "jacket", "takeoff"} <= thicker
    lower = stale(keys=replace(brief.keys, height_mm=10.0))
    assert "rubber" not in lower
    assert "seam" not in lower
    assert {"keys", "jacket", "cradle"} <= lower
    assert stale(cradle=replace(brief.cradle, board_thickness_mm=24.0)) == {"cradle", "programme", "takeoff"}
    later = stale(run=replace(brief.run, start_date="2027-04-01"))
    assert later == {"programme", "takeoff"}


def test_other_prices_redo_order_and_money_alone(master, brief, watched):
    """Of all but the rubber, whose price weighs in the seam."""
    made, _ = watched
    dearer = tuple(
        replace(mat, packs=tuple(replace(pack, price=2 * pack.price) for pack in mat.packs))
        for mat in made.catalogue.mat
    )
    catalogue = replace(made.catalogue, mat=dearer)
    assert stale_stages(dict(made.stamps), stage_stamps(master, brief, catalogue)) == ("takeoff",)
    again = pipeline.plan(master, brief, catalogue, before=made)
    assert again.jacket is made.jacket
    assert again.programme is made.programme
    assert again.takeoff.total_cost > made.takeoff.total_cost


@pytest.mark.parametrize(
    ("part", "field", "value"),
    [
        ("keys", "height_mm", 10.0),
        ("cradle", "board_thickness_mm", 24.0),
        ("run", "hands", 3),
        ("cast", "push_n", 500.0),
    ],
)
def test_planned_again_is_planned_afresh(master, brief, watched, part, field, value):
    """Whatever is kept: the same plan to the last digit."""
    made, _ = watched
    asked = replace(brief, **{part: replace(getattr(brief, part), **{field: value})})
    same(pipeline.plan(master, asked), pipeline.plan(master, asked, before=made))


def test_the_users_own_files_count_by_what_they_hold(master, brief, tmp_path):
    catalogue = read_catalogue(None)
    stamps = []
    for name, text in (("a.csv", "0,0,1\n"), ("b.csv", "0,0,1\n"), ("a.csv", "0,0,2\n")):
        (tmp_path / name).write_text(text)
        asked = replace(brief, seam=replace(brief.seam, own_line=str(tmp_path / name)))
        stamps.append(stage_stamps(master, asked, catalogue)["seam"])
    assert stamps[0] == stamps[1] != stamps[2]


def test_another_program_plans_all_of_it_again(master, brief, monkeypatch):
    catalogue = read_catalogue(None)
    was = stage_stamps(master, brief, catalogue)
    monkeypatch.setattr(freshness, "_code_stamp", lambda: "another")
    now = stage_stamps(master, brief, catalogue)
    assert set(stale_stages(was, now)) == set(now)
    assert not is_fresh("seam", {}, now)


def test_a_stamp_tells_values_apart():
    told = {
        stamp_of(v)
        for v in (1, 1.0, "1", b"1", True, None, (1,), ((1,),), [1, 1], {"a": 1}, {"a": 2}, "11", ("1", "1"))
    }
    assert len(told) == 13
    assert stamp_of({"a": 1, "b": 2}) == stamp_of({"b": 2, "a": 1})
    assert stamp_of(0.0) == stamp_of(-0.0)
    with pytest.raises(TypeError, match="no digest"):
        stamp_of({1, 2})
