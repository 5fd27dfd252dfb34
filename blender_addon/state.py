"""What stands: which sections ran, on what, and whether that is still so."""

from __future__ import annotations

from dataclasses import dataclass

import bpy

from . import bench, keeping, settings
from .chain import KEYS, Records, stamps


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
    return bench.done_up_to(key, stamps_of(scene))


def catalogue_of(scene: bpy.types.Scene):
    """The catalogue chosen, or the bundled one. Raises `CatalogueRefused`."""
    from mouldloft.inputs.catalogue import read_catalogue

    path = scene.mouldloft.catalogue
    return read_catalogue(bpy.path.abspath(path) if path else None)


def plan_now(scene: bpy.types.Scene):
    """The whole plan, or None where a section has not run on what is set now."""
    from . import chain

    done = done_now(scene)
    if "programme" not in done:
        return None
    return chain.plan_of(done, settings.brief_of(scene), catalogue_of(scene))
