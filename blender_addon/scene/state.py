"""What stands: which sections ran, on what, and whether that is still so."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import bpy
import numpy as np

from ..work import records, sections, store
from ..work.sections import BY_KEY, KEYS, Records, stamps
from . import keeping, properties, reading, results, settings

EDITABLE = ("seam", "keys")  # sections whose objects the user drags


@dataclass(frozen=True)
class Standing:
    """One section as its header shows it. kind : "none", "fresh", "stale". why : what put it out of date."""

    kind: str
    line: str
    good: bool
    why: str = ""


@lru_cache(maxsize=8)
def _digest_of(path: str, size: int, changed_ns: int) -> str:
    return hashlib.blake2b(Path(path).read_bytes(), digest_size=8).hexdigest()


def catalogue_path(scene: bpy.types.Scene) -> str:
    """The catalogue chosen in the scene, else the preferences'; empty for the one that comes along."""
    own = properties.of(scene).catalogue or preference("catalogue")
    return bpy.path.abspath(own) if own else ""


def preference(name: str) -> str:
    """A text of the add-on's preferences; empty where it runs without any."""
    found: Any = bpy.context.preferences.addons.get(properties.ADDON)
    return str(getattr(found.preferences, name, "")) if found and found.preferences else ""


def folder_of(scene: bpy.types.Scene) -> str:
    """Where results are written: the scene's folder, else the preferences', else beside the .blend.

    Raises `Unreadable` where that needs a .blend that was saved.
    """
    folder = properties.of(scene).folder or preference("folder") or "//mouldloft/"
    if folder.startswith("//") and not bpy.data.filepath:
        raise reading.Unreadable("Save the .blend first, or choose a folder to write into.", "wm.save_mainfile")
    return bpy.path.abspath(folder).rstrip("/\\")


def catalogue_digest(scene: bpy.types.Scene) -> str:
    """Digest of the catalogue's contents, wherever it lies: the same on another computer."""
    path = catalogue_path(scene)
    try:
        told = Path(path).stat() if path else None
        return _digest_of(path, told.st_size, told.st_mtime_ns) if told else ""
    except OSError:
        return "missing"


def stamps_of(scene: bpy.types.Scene) -> dict[str, str]:
    """The stamp of every section by the settings as they are. Raises `BriefRefused`."""
    s = properties.of(scene)
    token = f"{s.token}|{s.keep_clear}|{scene.unit_settings.scale_length:.9g}"
    return stamps(settings.brief_of(scene), token, catalogue_digest(scene))


def standings(scene: bpy.types.Scene) -> tuple[dict[str, Standing], str]:
    """How every section stands, and what is wrong with the settings ("" for nothing)."""
    from mouldloft.base.errors import MouldloftError

    s = properties.of(scene)
    try:
        now, problem = stamps_of(scene), ""
    except MouldloftError as error:
        now, problem = {}, str(error)
    made: dict[str, Standing] = {}
    why = "The sculpt has changed." if s.touched else ""
    for key in KEYS:
        result = s.results.get(key)
        if result is None or not result.stamp:
            made[key] = Standing("none", "", True)
            continue
        if not why and key in EDITABLE and results.is_edited(scene, key):
            why = "The line was dragged." if key == "seam" else "The keys were moved."
        if not why and result.stamp != now.get(key):
            why = f"A setting of {BY_KEY[key].title}, or of something before it, has changed."
        before_order = made.get("casts") if key == "solids" else None  # solids follow from what is before the order
        if before_order is not None and before_order.kind == "fresh" and result.stamp == now.get(key):
            made[key] = Standing("fresh", result.line, result.good)
            continue
        made[key] = Standing("stale" if why else "fresh", result.line, result.good, why)
    return made, problem


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
    behind = next((k for k in KEYS[: KEYS.index(key) + 1] if standing[k].kind != "fresh"), None)
    done = done_now(scene, key)
    if behind is None and not sections.records_of_section(key, done):
        behind = key  # it says so, but what it made is not at hand
    if behind is not None:
        title = BY_KEY[behind].title
        why = standing[behind].why or ("It has not run yet." if standing[behind].kind == "none" else "")
        raise reading.Unreadable(f"{title} is not up to date. {why} Run it again first.".replace("  ", " "), cure)
    return done


def catalogue_of(scene: bpy.types.Scene):
    """The catalogue chosen, or the bundled one. Raises `CatalogueRefused`."""
    from mouldloft.inputs.catalogue import read_catalogue

    return read_catalogue(catalogue_path(scene) or None)


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
