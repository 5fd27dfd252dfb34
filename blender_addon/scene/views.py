"""The 3D views: which colours they show, and drawing them anew."""

from __future__ import annotations

import bpy

from ..work import display
from . import properties, results, state


def redraw(context: bpy.types.Context, *kinds: str) -> None:
    """Have the 3D views drawn anew; only their regions of the given kinds, such as "UI", where any are named."""
    for window in context.window_manager.windows:
        for area in window.screen.areas:
            if area.type != "VIEW_3D":
                continue
            for region in area.regions:
                if not kinds or region.type in kinds:
                    region.tag_redraw()


def show_colours(context: bpy.types.Context, on: bool) -> None:
    """Have the view that was worked in show the maps' colours, or the materials again."""
    space = context.space_data
    if not isinstance(space, bpy.types.SpaceView3D) or space.shading.type != "SOLID":
        return
    if on or space.shading.color_type == "VERTEX":
        space.shading.color_type = "VERTEX" if on else "MATERIAL"


def show_coloured(context: bpy.types.Context, *roles: str) -> None:
    """Only these results in view, in their maps' colours."""
    results.show_only(context.scene, *roles)
    show_colours(context, True)
    redraw(context)


BESIDE = {
    "glove": ("thin", "handling"),
    "clay": ("place",),
    "peel": ("map",),
}  # what is seen with results that carry a map


def show_map(context: bpy.types.Context) -> None:
    """Show the map chosen, as far as the sections have got: on the copy of the sculpt, or on results of its own."""
    scene = context.scene
    s = properties.of(scene)
    role = properties.OWN_OBJECTS.get(s.map_kind)
    if role is not None:
        s.map_text = results.legend_on(scene, role)
        if s.map_text:
            show_coloured(context, role, *BESIDE[role])
        return redraw(context)
    if colour_again(scene):
        show_coloured(context, "map", "seam", "handling")


def colour_again(scene: bpy.types.Scene) -> bool:
    """Colour the copy of the sculpt by the map chosen; False where the sections have not got that far."""
    from mouldloft.base.errors import MouldloftError

    s = properties.of(scene)
    thing = next(iter(results.of_role(scene, "map")), None)
    try:
        done = state.done_now(scene)
        if thing is None or "undercut" not in done:
            return False
        results.colour_map(scene, thing, display.map_colours(skin_map(s, done), done))
    except (MouldloftError, KeyError):
        return False
    return True


def skin_map(s, done: dict) -> str:
    """The map over the skin to show now: what frees it, until the seam is drawn."""
    return s.map_kind if "locks" in done and s.map_kind not in properties.OWN_OBJECTS else "FREES"


def colours_shown(context: bpy.types.Context) -> bool:
    """Whether this view shows the maps' colours."""
    shading = context.space_data.shading  # type: ignore[attr-defined]
    return shading.type == "SOLID" and shading.color_type == "VERTEX"


def frame(context: bpy.types.Context, *roles: str) -> None:
    """Turn the 3D views of this window to the results of the given roles."""
    frame_things(context, results.of_role(context.scene, *roles))


def frame_things(context: bpy.types.Context, things: list[bpy.types.Object]) -> None:
    """Turn the 3D views of this window to some objects."""
    if bpy.app.background or context.window is None:
        return
    layer = context.view_layer
    before = list(context.selected_objects)
    active = layer.objects.active
    for thing in before:
        thing.select_set(False)
    for thing in things:
        if thing.name in layer.objects and thing.visible_get():
            thing.select_set(True)
    for area in context.window.screen.areas:
        region = next((r for r in area.regions if r.type == "WINDOW"), None)
        if area.type == "VIEW_3D" and region is not None and context.selected_objects:
            with context.temp_override(area=area, region=region):
                bpy.ops.view3d.view_selected()
    for thing in list(context.selected_objects):
        thing.select_set(False)
    for thing in before:
        if thing.name in layer.objects:
            thing.select_set(True)
    layer.objects.active = active


properties.on_map_change.append(show_map)
