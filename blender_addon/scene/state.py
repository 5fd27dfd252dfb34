"""What stands: which sections ran, on what, and whether that is still so."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import bpy
import numpy as np

from ..work import records, sections, store
from ..work.sections import BY_KEY, KEYS, Records, Taken, follows, stamps
from . import keeping, properties, reading, results, settings

EDITABLE = ("seam", "keys")  # sections whose objects the user drags


@dataclass(frozen=True)
class Standing:
    """One section as its header shows it. kind : "none", "fresh", "stale". why : what put it out of date."""

    kind: str
    line: str
    good: bool
    why: str = ""


@lru_cache(maxsize=4)
def _catalogue_in(path: str, size: int, changed_ns: int) -> Any:
    from mouldloft.inputs.catalogue import read_catalogue

    return read_catalogue(path or None)


def catalogue_path(scene: bpy.types.Scene) -> str:
    """The catalogue chosen in the scene, else the preferences'; empty for the one that comes along."""
    own = properties.of(scene).catalogue or properties.preference("catalogue")
    return bpy.path.abspath(own) if own else ""


def folder_of(scene: bpy.types.Scene) -> str:
    """Where results are written: the scene's folder, else the preferences', else beside the .blend.

    Raises `Unreadable` where that needs a .blend that was saved.
    """
    folder = properties.of(scene).folder or properties.preference("folder") or "//mouldloft/"
    if folder.startswith("//") and not bpy.data.filepath:
        raise reading.Unreadable("Save the .blend first, or choose a folder to write into.", "wm.save_mainfile")
    return bpy.path.abspath(folder).rstrip("/\\")


def catalogue_of(scene: bpy.types.Scene) -> Any:
    """The catalogue chosen, or the bundled one; read once while its file is the same. Raises `CatalogueRefused`."""
    path = catalogue_path(scene)
    try:
        told = Path(path).stat() if path else None
    except OSError:
        told = None  # the core says what is wrong with the path
    return _catalogue_in(path, told.st_size, told.st_mtime_ns) if told else _catalogue_in(path, 0, 0)


def taken_of(scene: bpy.types.Scene) -> Taken:
    """What was taken in of the scene's sculpt, for stamps."""
    s = properties.of(scene)
    return Taken(f"{s.token}|{s.keep_clear}|{scene.unit_settings.scale_length:.9g}", s.taken_height_mm)


def stamps_of(scene: bpy.types.Scene) -> dict[str, str]:
    """The stamp of every section by the settings as they are. Raises `BriefRefused` or `CatalogueRefused`."""
    return stamps(settings.brief_of(scene), taken_of(scene), catalogue_of(scene))


def standings(scene: bpy.types.Scene) -> tuple[dict[str, Standing], str]:
    """How every section stands, and what is wrong with the settings ("" for nothing)."""
    from mouldloft.base.errors import MouldloftError

    s = properties.of(scene)
    try:
        now, problem = stamps_of(scene), ""
    except MouldloftError as error:
        now, problem = {}, str(error)
    made: dict[str, Standing] = {}
    for key in KEYS:
        result = s.results.get(key)
        if result is None or not result.stamp:
            made[key] = Standing("none", "", True)
            continue
        why = _why_stale(scene, key, result.stamp, now, made)
        made[key] = Standing("stale" if why else "fresh", result.line, result.good, why)
    return made, problem


def _why_stale(scene: bpy.types.Scene, key: str, stamp: str, now: dict[str, str], made: dict[str, Standing]) -> str:
    """What put a section out of date, by the sections it follows from that are; "" where it is not."""
    if properties.of(scene).touched:
        return "The sculpt has changed."
    earlier = next((made[k].why for k in KEYS if k in follows(key) and made[k].kind == "stale"), "")
    if earlier:
        return earlier
    if key in EDITABLE and results.is_edited(scene, key):
        return "The line was dragged." if key == "seam" else "The keys were moved."
    if stamp == now.get(key):
        return ""
    return f"Something that {BY_KEY[key].title} is worked out from has changed: a setting, the catalogue, this add-on."


def settle(context: bpy.types.Context) -> bool:
    """Read the sculpt again and note whether it is another than was taken in; True where it is not."""
    s = properties.of(context.scene)
    if not s.token:
        return False
    changed = reading.token_now(context) != s.token
    if changed != s.touched:
        s.touched = changed
    return not changed


def done_now(scene: bpy.types.Scene, key: str | None = None) -> Records:
    """Records that are up to date, up to a section (None: all); reopened from the file where need be."""
    keeping.reopen(scene)
    return records.done_up_to(key, stamps_of(scene))


def done_for_sure(context: bpy.types.Context, key: str, cure: str) -> Records:
    """Records up to a section, the sculpt read again first. Raises `Unreadable` where anything is out of date."""
    scene = context.scene
    settle(context)
    standing = standings(scene)[0]
    done = done_now(scene, key)
    needed = sections.needed_for(key)
    behind = next((k for k in needed if standing[k].kind != "fresh"), None)
    if behind is None and not sections.records_of_section(key, done):
        behind = key  # it says so, but what it made is not at hand
    if behind is not None:
        title = BY_KEY[behind].title
        why = standing[behind].why or ("It has not run yet." if standing[behind].kind == "none" else "")
        raise reading.Unreadable(f"{title} is not up to date. {why} Run it again first.".replace("  ", " "), cure)
    return done


def plan_for_sure(context: bpy.types.Context):
    """The whole plan of the sculpt as it stands. Raises `Unreadable` where a section is out of date."""
    scene = context.scene
    done = done_for_sure(context, "order", "mouldloft.plan_all")
    return sections.plan_of(done, settings.brief_of(scene), catalogue_of(scene))


def put_away(scene: bpy.types.Scene) -> None:
    """Pack what is up to date into the scene, so that it goes into the file that is saved next: once a change."""
    from mouldloft.base.errors import MouldloftError

    try:
        now = stamps_of(scene)
    except MouldloftError:
        return
    done = records.done_up_to(None, now)
    for name in (
        "input",
        "rubber",
        "solids",
    ):  # the glove with tabs is counted again; solids are in the file as objects
        done.pop(name, None)
    if not done:
        return
    kept = {key: now[key] for key in KEYS if records.kept(key, now[key])}
    kept.pop("solids", None)
    if keeping.packed(scene) == kept:
        return
    keeping.write(scene, np.frombuffer(store.pack(done, kept), np.uint8), kept)
