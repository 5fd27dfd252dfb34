"""The sections of the sidebar in the order of the work, and which stages of the core each one runs.

No Blender here: arrays and records in, records out, so that a section can run in a thread of its own.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from importlib import import_module
from typing import Any

Records = dict[str, Any]


@dataclass(frozen=True)
class Section:
    """One section. stages : those of the core that it runs, by the names in `freshness.READS`."""

    key: str
    title: str
    verb: str
    stages: tuple[str, ...]


SECTIONS = (
    Section("sculpt", "The Sculpt", "Take the Sculpt In", ("master",)),
    Section("opening", "Opening", "Find the Opening", ("opening", "undercut")),
    Section("seam", "Seam and Wall", "Draw the Seam", ("seam", "locks", "division")),
    Section("glove", "Glove", "Lay the Glove", ("rubber", "wall")),
    Section("keys", "Keys", "Set the Keys", ("keys",)),
    Section("jacket", "Jacket and Cradle", "Lay Up the Jacket", ("jacket", "cradle")),
    Section("casts", "Casts", "Lay Up a Cast", ("cast",)),
    Section("order", "Order and Days", "Work Out the Order", ("answers", "programme", "takeoff")),
    Section("solids", "Solids", "Make the Solids", ("rubber", "keys", "jacket", "cradle")),
)
KEYS = tuple(section.key for section in SECTIONS)
PLAN_KEYS = KEYS[: KEYS.index("order") + 1]  # what the whole plan takes; solids only where they are asked for
BY_KEY = {section.key: section for section in SECTIONS}


@dataclass(frozen=True, eq=False)
class Sculpt:
    """The evaluated sculpt as read from Blender.

    vertices_mm : (n, 3) float64 in world axes about the sculpt's origin; faces : (m, 3) int32; weights : (n,) float32
    or None. digest : of all that, the same wherever the sculpt stands.
    """

    name: str
    vertices_mm: Any
    faces: Any
    weights: Any
    digest: str


@dataclass(frozen=True)
class Taken:
    """What the core stamps of a master, from what the scene keeps: the master itself need not be at hand.

    source_hash : digest of the sculpt as read; height_mm : of the prepared master, 0 before it was. The name is not in
    it: another name makes no other mould.
    """

    source_hash: str
    height_mm: float = 0.0
    name: str = ""
    unit_assumed: str = ""
    vertex_weights: None = None
    named: None = None


KEPT = 8  # sets of stamps kept, for the panels ask for them at every redraw, and rankings of directions
# with the catalogue beside each set, so that its id stays its own
_stages: OrderedDict[tuple, tuple[Any, dict[str, str]]] = OrderedDict()
_ranked: OrderedDict[str, Any] = OrderedDict()  # the search's ranking of directions, by the stamp of what it read


def _stage_stamps(brief: Any, taken: Taken, catalogue: Any) -> dict[str, str]:
    import msgspec

    brief = replace(brief, piece="", job=type(brief.job)())  # printed at the head of the sheets, nothing else
    key = (msgspec.json.encode(brief), taken, id(catalogue))
    if key not in _stages:
        made = import_module("mouldloft.stages.freshness").stage_stamps(taken, brief, catalogue)
        _stages[key] = catalogue, made
        while len(_stages) > KEPT:
            _stages.popitem(last=False)
    _stages.move_to_end(key)
    return _stages[key][1]


def stamps(brief: Any, taken: Taken, catalogue: Any) -> dict[str, str]:
    """For each section, one stamp of all that its result follows from, by the core's own of its stages.

    Raises the core's errors where the catalogue lacks what the brief names.
    """
    now = _stage_stamps(brief, taken, catalogue)
    undivided = brief.seam.max_pieces == 2 and brief.seam.pieces == 2  # the seam then stands whatever the rubber is
    left_out = {"division"} if undivided else set()
    return {
        section.key: "-".join(now[stage][:16] for stage in section.stages if stage not in left_out)
        for section in SECTIONS
    }


def ranking_of(brief: Any, taken: Taken, catalogue: Any) -> Any:
    """The search's ranking of directions made earlier from the same, or None."""
    return _ranked.get(_stage_stamps(brief, taken, catalogue)["directions"])


def keep_ranking(brief: Any, taken: Taken, catalogue: Any, ranking: Any) -> None:
    """Keep the search's ranking of directions: other prices or another thickness rank no direction anew."""
    if ranking is not None:
        _ranked[_stage_stamps(brief, taken, catalogue)["directions"]] = ranking
        while len(_ranked) > KEPT:
            _ranked.popitem(last=False)


def forget() -> None:
    """Drop what was kept: another file was opened."""
    _stages.clear()
    _ranked.clear()


@lru_cache(maxsize=1)
def _all_before() -> dict[str, frozenset[str]]:
    reads = import_module("mouldloft.stages.freshness").READS
    makes = {stage: section.key for section in SECTIONS if section.key != "solids" for stage in section.stages}
    found: dict[str, frozenset[str]] = {}
    for section in SECTIONS:
        behind, left = set(), list(section.stages)
        while left:
            stage = left.pop()
            if stage not in behind:
                behind.add(stage)
                left += reads[stage].stages if stage in reads and stage != "peel" else ()  # which is a trial here
        found[section.key] = frozenset(makes[stage] for stage in behind if stage in makes) - {section.key}
    return found


def follows(key: str) -> frozenset[str]:
    """The sections that a section's result follows from, by what its stages read."""
    return _all_before()[key]


def needed_for(key: str) -> tuple[str, ...]:
    """The sections to run for one, itself the last; the solids are made of a whole plan."""
    return (*PLAN_KEYS, key) if key == "solids" else tuple(k for k in KEYS if k == key or k in follows(key))


def pipeline() -> Any:
    """The core's pipeline, loaded when first needed: Blender starts without it."""
    return import_module("mouldloft.stages.pipeline")


def _sculpt(done: Records, brief: Any, catalogue: Any, progress: Any) -> Records:
    from mouldloft.stages.master import prepare_master

    sculpt: Sculpt = done["input"]
    master = prepare_master(
        sculpt.vertices_mm,
        sculpt.faces,
        replace(brief.master, unit="mm"),
        name=brief.piece or sculpt.name,
        vertex_weights=sculpt.weights,
        progress=progress,
    )
    return {"master": master}


def _opening(done: Records, brief: Any, catalogue: Any, progress: Any) -> Records:
    ranked = done.get("ranked")
    opening, field = pipeline().open_mould(done["master"], brief, progress, catalogue=catalogue, directions=ranked)
    return {"opening": opening, "undercut": field}


def _seam(done: Records, brief: Any, catalogue: Any, progress: Any) -> Records:
    from mouldloft.geometry.rays import ray_scene
    from mouldloft.stages.plan import OpenSurvey
    from mouldloft.stages.visibility import how_it_shows

    master, opening, field = (done[name] for name in ("master", "opening", "undercut"))
    scene = ray_scene(master.vertices_mm, master.faces)
    show = how_it_shows(master, brief.seam, progress, scene, (0.0, 0.1))
    seam, locks = pipeline().draw_seam(master, opening, field, brief, catalogue, progress, scene, show)
    survey = OpenSurvey(master, opening, field, seam, locks, scene, show)
    seam, locks, division = pipeline().divide(survey, brief, catalogue, progress)
    return {"seam": seam, "locks": locks, "division": division}


def _glove(done: Records, brief: Any, catalogue: Any, progress: Any) -> Records:
    from mouldloft.stages.rubber.glove import brush_rubber

    rubber_material = catalogue.rubber_for(brief.materials)
    bare = brush_rubber(done["master"], done["seam"], brief, progress, rubber_material)
    return {"bare_rubber": bare, "wall": pipeline().plan_wall(done["master"], done["seam"], bare, catalogue, progress)}


def _keys(done: Records, brief: Any, catalogue: Any, progress: Any) -> Records:
    master, seam, locks, bare = (done[name] for name in ("master", "seam", "locks", "bare_rubber"))
    rubber, keys = pipeline().key_glove(master, seam, locks, bare, brief, catalogue, progress)
    return {"keys": keys, "rubber": rubber}


def _jacket(done: Records, brief: Any, catalogue: Any, progress: Any) -> Records:
    jacket, cradle = pipeline().back_glove(done["rubber"], done["keys"], brief, catalogue, progress)
    return {"jacket": jacket, "cradle": cradle}


def _casts(done: Records, brief: Any, catalogue: Any, progress: Any) -> Records:
    from mouldloft.stages.cast import lay_up_cast

    cast = lay_up_cast(done["master"], done["seam"], done["locks"], brief, catalogue, progress)
    return {"cast": cast}


def _order(done: Records, brief: Any, catalogue: Any, progress: Any) -> Records:
    from mouldloft.stages.answers import weigh_ways

    before = (done[name] for name in ("master", "seam", "locks", "rubber", "keys", "jacket", "cradle", "cast"))
    takeoff, programme = pipeline().order_and_days(*before, brief, catalogue, progress, done["wall"])
    weighed = (done[name] for name in ("master", "seam", "locks", "division", "rubber", "jacket"))
    answers = weigh_ways(*weighed, brief, catalogue, progress)
    return {"takeoff": takeoff, "programme": programme, "answers": answers}


def _solids(done: Records, brief: Any, catalogue: Any, progress: Any) -> Records:
    from mouldloft.solids.build import make_solids

    return {"solids": make_solids(plan_of(done, brief, catalogue), progress=progress)}


_RUN: Mapping[str, Callable[[Records, Any, Any, Any], Records]] = {
    "sculpt": _sculpt,
    "opening": _opening,
    "seam": _seam,
    "glove": _glove,
    "keys": _keys,
    "jacket": _jacket,
    "casts": _casts,
    "order": _order,
    "solids": _solids,
}


def run_section(key: str, done: Records, brief: Any, catalogue: Any, progress: Any) -> Records:
    """The records a section adds to those before it. Raises the core's errors, `Cancelled` within a second."""
    from mouldloft.base.threads import meanwhile

    progress.begin(BY_KEY[key].title)
    return meanwhile(lambda own: _RUN[key](done, brief, catalogue, own), progress)


def plan_of(done: Records, brief: Any, catalogue: Any) -> Any:
    """The whole plan from the records of all sections, as `mouldloft.pipeline.plan` puts it together."""
    core = pipeline()
    parts = {name: done[name] for name in core.MouldPlan.__dataclass_fields__ if name in done}
    parts["bare_rubber"] = replace(done["bare_rubber"], envelopes=())  # the glove's own say the same
    stamps_now = tuple(core.stage_stamps(done["master"], brief, catalogue).items())
    made = core.MouldPlan(brief=brief, catalogue=catalogue, assumptions=(), cautions=(), stamps=stamps_now, **parts)
    return core.with_notes(made)


_RECORDS = {
    "sculpt": ("master",),
    "opening": ("opening", "undercut"),
    "seam": ("seam", "locks", "division"),
    "glove": ("bare_rubber", "wall"),
    "keys": ("keys", "rubber"),
    "jacket": ("jacket", "cradle"),
    "casts": ("cast",),
    "order": ("takeoff", "programme", "answers"),
    "solids": ("solids",),
}


def records_of_section(key: str, records: Records) -> Records:
    """The part of all records that a section makes; empty where one is missing."""
    names = _RECORDS[key]
    return {name: records[name] for name in names} if all(name in records for name in names) else {}
