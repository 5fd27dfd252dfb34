"""What stands: which sections ran, on what, and whether that is still so."""

from __future__ import annotations

from dataclasses import dataclass

import bpy
import numpy as np

from ..work import records, sections, store
from ..work.sections import KEYS, Records, stamps
from . import keeping, settings


@dataclass(frozen=True)
class Standing:
    """One section as its header shows it. kind : "none", "fresh", "stale"."""

    kind: str
    line: str
    good: bool


def stamps_of(scene: bpy.types.Scene) -> dict[str, str]:
    """The stamp of every section by the settings as they are. Raises `BriefRefused`."""
    s = scene.mouldloft
    token = f"{s.token}|{s.keep_clear}|{s.catalogue}"
    return stamps(settings.brief_of(scene), token)


def standings(scene: bpy.types.Scene) -> tuple[dict[str, Standing], str]:
    """How every section stands, and what is wrong with the settings ("" for nothing)."""
    from mouldloft.base.errors import MouldloftError

    s = scene.mouldloft
    try:
        now, problem = stamps_of(scene), ""
    except MouldloftError as error:
        now, problem = {}, str(error)
    made, before = {}, not s.touched
    for key in KEYS:
        result = s.results.get(key)
        if result is None or not result.stamp:
            made[key] = Standing("none", "", True)
            continue
        fresh = before and result.stamp == now.get(key)
        made[key] = Standing("fresh" if fresh else "stale", result.line, result.good)
        before = fresh or (before and key == "order")  # the solids follow from what is before the order
    return made, problem


def done_now(scene: bpy.types.Scene, key: str | None = None) -> Records:
    """Records that are up to date, up to a section (None: all); reopened from the file where need be."""
    keeping.reopen(scene)
    return records.done_up_to(key, stamps_of(scene))


def catalogue_of(scene: bpy.types.Scene):
    """The catalogue chosen, or the bundled one. Raises `CatalogueRefused`."""
    from mouldloft.inputs.catalogue import read_catalogue

    path = scene.mouldloft.catalogue
    return read_catalogue(bpy.path.abspath(path) if path else None)


def plan_now(scene: bpy.types.Scene):
    """The whole plan, or None where a section has not run on what is set now."""
    done = done_now(scene)
    if "programme" not in done:
        return None
    return sections.plan_of(done, settings.brief_of(scene), catalogue_of(scene))


def put_away(scene: bpy.types.Scene) -> None:
    """Pack what is up to date into the scene, so that it goes into the file that is saved next."""
    from mouldloft.base.errors import MouldloftError

    try:
        now = stamps_of(scene)
    except MouldloftError:
        return
    done = records.done_up_to(None, now)
    done.pop("input", None)
    done.pop("rubber", None)  # the bare glove with the keys' tabs: counted again when reopened
    done.pop("solids", None)  # their objects are in the file
    if not done:
        return
    data = store.pack(done, {key: now[key] for key in KEYS if records.kept(key, now[key])})
    padded = data + b"\0" * (-len(data) % 4)
    if (
        keeping.STORE in scene
    ):  # Blender writes a new array over an old one without minding its length, and tears its memory
        del scene[keeping.STORE]
    scene[keeping.STORE] = np.frombuffer(padded, np.int32)
    scene[keeping.LENGTH] = len(data)
