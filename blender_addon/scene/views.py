"""The 3D views: which colours they show, and drawing them anew."""

from __future__ import annotations

import bpy

from ..work import display
from . import results, settings, state


def redraw(context: bpy.types.Context) -> None:
    """Have every 3D view drawn anew."""
    for window in context.window_manager.windows:
        for area in window.screen.areas:
            if area.type == "VIEW_3D":
                area.tag_redraw()


def show_colours(context: bpy.types.Context, on: bool) -> None:
    """Have the view that was worked in show the maps' colours, or the materials again."""
    space = context.space_data
    if space is None or space.type != "VIEW_3D" or space.shading.type != "SOLID":
        return
    if on or space.shading.color_type == "VERTEX":
        space.shading.color_type = "VERTEX" if on else "MATERIAL"


def show_map(context: bpy.types.Context) -> None:
    """Show the map chosen, as far as the sections have got: on the copy of the sculpt, or on the glove."""
    from mouldloft.base.errors import MouldloftError

    scene = context.scene
    s = scene.mouldloft
    thing = next(iter(results.of_role("map")), None)
    if thing is None:
        return
    if s.map_kind == "THICKNESS":
        s.map_text = results.thickness_legend()
        if s.map_text:
            results.show_only("glove", "thin", "handling")
            show_colours(context, True)
        return redraw(context)
    try:
        done = state.done_now(scene)
        results.colour_map(scene, thing, display.map_colours(skin_map(s, done), done))
    except (MouldloftError, KeyError):
        return
    results.show_only("map", "seam", "handling")
    show_colours(context, True)
    redraw(context)


def skin_map(s, done: dict) -> str:
    """The map over the skin to show now: what frees it, until the seam is drawn."""
    return s.map_kind if "locks" in done else "FREES"


def colours_shown(context: bpy.types.Context) -> bool:
    """Whether this view shows the maps' colours."""
    shading = context.space_data.shading
    return shading.type == "SOLID" and shading.color_type == "VERTEX"


settings.on_map_change.append(show_map)
