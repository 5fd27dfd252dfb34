"""The sections of the sidebar in the order of the work, and which stages of the core each one runs.

No Blender here: arrays and records in, records out, so that a section can run in a thread of its own.
"""

from __future__ import annotations

import hashlib
import ntpath
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from importlib import import_module
from typing import Any

Records = dict[str, Any]


@dataclass(frozen=True)
class Section:
    """One section. parts : the parts of the brief it reads, so that a change of one puts it out of date."""

    key: str
    title: str
    verb: str
    parts: tuple[str, ...]


SECTIONS = (
    Section("sculpt", "The Sculpt", "Take the Sculpt In", ("piece", "master")),
    Section("opening", "Opening", "Find the Opening", ("opening", "seam.seen_from")),
    Section("seam", "Seam and Wall", "Draw the Seam", ("seam", "materials")),
    Section("glove", "Glove", "Lay the Glove", ("rubber", "run.casts")),
    Section("keys", "Keys", "Set the Keys", ("keys",)),
    Section("jacket", "Jacket and Cradle", "Lay Up the Jacket", ("jacket", "cradle")),
    Section("casts", "Casts", "Lay Up a Cast", ("cast",)),
    Section("order", "Order and Days", "Work Out the Order", ("run",)),
    Section("solids", "Solids", "Make the Solids", ()),
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


def _part(brief: Any, path: str) -> Any:
    for name in path.split("."):
        brief = getattr(brief, name)
    return brief


def _contents(part: Any) -> Any:
    """A part of the brief by its contents: the drawn line's file is named after them, wherever it lies."""
    path = getattr(part, "own_line", None)
    return replace(part, own_line=ntpath.basename(str(path))) if path else part


def stamps(brief: Any, token: str, catalogue: str = "") -> dict[str, str]:
    """For each section, a digest of all that its result follows from: the sculpt and the brief up to there.

    catalogue : digest of the catalogue's contents; materials are read from the seam on.
    """
    import msgspec

    made, out = hashlib.sha256(token.encode()), {}
    for section in SECTIONS:
        if section.key == "seam":
            made.update(catalogue.encode())
        for part in section.parts:
            made.update(msgspec.json.encode(_contents(_part(brief, part))))
        out[section.key] = made.hexdigest()[:16]
    out["solids"] = out["casts"]  # nothing of the order and the days is in them
    return out


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
    opening, field = pipeline().open_mould(done["master"], brief, progress, catalogue=catalogue)
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
    before = (done[name] for name in ("master", "seam", "locks", "rubber", "keys", "jacket", "cradle", "cast"))
    takeoff, programme = pipeline().order_and_days(*before, brief, catalogue, progress, done["wall"])
    return {"takeoff": takeoff, "programme": programme}


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
    """The records a section adds to those before it. Raises the core's errors."""
    progress.begin(BY_KEY[key].title)
    return _RUN[key](done, brief, catalogue, progress)


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
    "order": ("takeoff", "programme"),
    "solids": ("solids",),
}


def records_of_section(key: str, records: Records) -> Records:
    """The part of all records that a section makes; empty where one is missing."""
    names = _RECORDS[key]
    return {name: records[name] for name in names} if all(name in records for name in names) else {}
