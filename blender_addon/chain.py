"""The sections of the sidebar in the order of the work, and which stages of the core each one runs.

No Blender here: arrays and records in, records out, so that a section can run in a thread of its own.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
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
    Section("sculpt", "The sculpt", "Take it in", ("piece", "master")),
    Section("opening", "Way of opening", "Find the best way", ("opening",)),
    Section("seam", "Seam and wall", "Draw the seam", ("seam", "materials")),
    Section("glove", "Glove", "Lay the glove", ("rubber", "run.casts")),
    Section("keys", "Keys", "Set the keys", ("keys",)),
    Section("jacket", "Jacket and cradle", "Lay up the jacket", ("jacket", "cradle")),
    Section("casts", "Casts", "Lay up a cast", ("cast",)),
    Section("order", "Order and days", "Reckon the order", ("run",)),
)
KEYS = tuple(section.key for section in SECTIONS)
BY_KEY = {section.key: section for section in SECTIONS}


@dataclass(frozen=True, eq=False)
class Sculpt:
    """The evaluated sculpt as read from Blender.

    vertices_mm : (n, 3) float64 in world axes; faces : (m, 3) int32; weights : (n,) float32 or None.
    """

    name: str
    vertices_mm: Any
    faces: Any
    weights: Any

    def token(self) -> str:
        """Digest of the geometry and the painted weights."""
        made = hashlib.sha256(self.name.encode())
        for array in (self.vertices_mm, self.faces, self.weights):
            made.update(b"-" if array is None else array.tobytes())
        return made.hexdigest()[:16]


def _part(brief: Any, path: str) -> Any:
    for name in path.split("."):
        brief = getattr(brief, name)
    return brief


def stamps(brief: Any, token: str) -> dict[str, str]:
    """For each section, a digest of all that its result follows from: the sculpt and the brief up to there."""
    import msgspec

    made, out = hashlib.sha256(token.encode()), {}
    for section in SECTIONS:
        for part in section.parts:
            made.update(msgspec.json.encode(_part(brief, part)))
        out[section.key] = made.hexdigest()[:16]
    return out


def _sculpt(done: Records, brief: Any, catalogue: Any, progress: Any) -> Records:
    from mouldloft.master import prepare_master

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
    from mouldloft.opening import find_opening
    from mouldloft.undercut import undercut_field

    opening = find_opening(done["master"], brief.opening, progress)
    field = undercut_field(done["master"], opening.chosen.direction, progress)
    return {"opening": opening, "undercut": field}


def _seam(done: Records, brief: Any, catalogue: Any, progress: Any) -> Records:
    from mouldloft.seam import place_seam
    from mouldloft.undercut import find_locks

    master, field = done["master"], done["undercut"]
    seam = place_seam(master, done["opening"], field, brief.seam, progress)
    locks = find_locks(master, field, seam, catalogue.rubber_for(brief.materials), progress)
    return {"seam": seam, "locks": locks}


def _glove(done: Records, brief: Any, catalogue: Any, progress: Any) -> Records:
    from mouldloft.rubber import brush_rubber

    return {"bare_rubber": brush_rubber(done["master"], done["seam"], done["locks"], brief, progress)}


def _keys(done: Records, brief: Any, catalogue: Any, progress: Any) -> Records:
    from mouldloft.keys import rubber_stuff, set_keys
    from mouldloft.rubber import add_tabs

    rubber, stuff = done["bare_rubber"], rubber_stuff(catalogue.rubber_for(brief.materials))
    keys = set_keys(rubber, done["locks"], done["seam"], brief.keys, progress, master=done["master"], stuff=stuff)
    return {"keys": keys, "rubber": add_tabs(done["bare_rubber"], keys)}


def _jacket(done: Records, brief: Any, catalogue: Any, progress: Any) -> Records:
    from mouldloft.cradle import build_cradle
    from mouldloft.jacket import lay_up_jacket

    rubber, keys = done["rubber"], done["keys"]
    jacket = lay_up_jacket(done["master"], done["seam"], rubber, keys, brief, catalogue, progress)
    return {"jacket": jacket, "cradle": build_cradle(jacket, rubber, keys, brief.cradle, progress)}


def _casts(done: Records, brief: Any, catalogue: Any, progress: Any) -> Records:
    from mouldloft.cast import lay_up_cast

    cast = lay_up_cast(done["master"], done["seam"], done["locks"], done["rubber"], brief, catalogue, progress)
    return {"cast": cast}


def _order(done: Records, brief: Any, catalogue: Any, progress: Any) -> Records:
    from mouldloft.programme import set_programme
    from mouldloft.takeoff import take_off

    rubber, keys, jacket, cast = (done[name] for name in ("rubber", "keys", "jacket", "cast"))
    takeoff = take_off(
        done["master"], done["locks"], rubber, keys, jacket, done["cradle"], cast, brief, catalogue, progress
    )
    programme = set_programme(rubber, keys, jacket, cast, brief, catalogue, progress)
    return {"takeoff": takeoff, "programme": programme}


_RUN: Mapping[str, Callable[[Records, Any, Any, Any], Records]] = {
    "sculpt": _sculpt,
    "opening": _opening,
    "seam": _seam,
    "glove": _glove,
    "keys": _keys,
    "jacket": _jacket,
    "casts": _casts,
    "order": _order,
}


def run_section(key: str, done: Records, brief: Any, catalogue: Any, progress: Any) -> Records:
    """The records a section adds to those before it. Raises the core's errors."""
    progress.begin(BY_KEY[key].title)
    return _RUN[key](done, brief, catalogue, progress)


def plan_of(done: Records, brief: Any, catalogue: Any) -> Any:
    """The whole plan from the records of all sections, as `mouldloft.pipeline.plan` puts it together."""
    from mouldloft import pipeline
    from mouldloft.cautions import cautions_for

    names = [
        name
        for name in pipeline.MouldPlan.__dataclass_fields__
        if name not in ("brief", "catalogue", "assumptions", "cautions", "version", "made_by")
    ]
    parts = {name: done[name] for name in names}
    made = pipeline.MouldPlan(brief=brief, catalogue=catalogue, assumptions=(), cautions=(), **parts)
    made = replace(made, cautions=cautions_for(made))
    return replace(made, assumptions=pipeline.gather_assumptions(made))


_RECORDS = {
    "sculpt": ("master",),
    "opening": ("opening", "undercut"),
    "seam": ("seam", "locks"),
    "glove": ("bare_rubber",),
    "keys": ("keys", "rubber"),
    "jacket": ("jacket", "cradle"),
    "casts": ("cast",),
    "order": ("takeoff", "programme"),
}


def records_of_section(key: str, records: Records) -> Records:
    """The part of all records that a section makes; empty where one is missing."""
    names = _RECORDS[key]
    return {name: records[name] for name in names} if all(name in records for name in names) else {}
