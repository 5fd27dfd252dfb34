"""The map's legend, drawn in the corner of every 3D view that shows the map."""

from __future__ import annotations

import json
from typing import Any

import bpy

from ..scene import opening, results
from . import live

_handle = None
_INK = (0.145, 0.157, 0.169, 1.0)
_PAPER = (0.957, 0.945, 0.918, 0.94)


def _scale() -> float:
    return bpy.context.preferences.system.ui_scale


def _box(x: float, y: float, width: float, height: float, colour) -> None:
    import gpu
    from gpu_extras.batch import batch_for_shader

    shader = gpu.shader.from_builtin("UNIFORM_COLOR")
    corners = ((x, y), (x + width, y), (x + width, y + height), (x, y + height))
    batch = batch_for_shader(shader, "TRIS", {"pos": corners}, indices=((0, 1, 2), (0, 2, 3)))
    gpu.state.blend_set("ALPHA")
    shader.uniform_float("color", colour)
    batch.draw(shader)
    gpu.state.blend_set("NONE")


def _words(x: float, y: float, text: str, size: float, colour=_INK) -> None:
    import blf

    blf.size(0, size)
    blf.color(0, *colour)
    blf.position(0, x, y, 0)
    blf.draw(0, text)


def _width(text: str, size: float) -> float:
    import blf

    blf.size(0, size)
    return blf.dimensions(0, text)[0]


def _srgb(colour: str) -> tuple[float, float, float, float]:
    red, green, blue = (int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5))
    return red, green, blue, 1.0


def _left_bottom(context: bpy.types.Context) -> tuple[float, float]:
    """A corner that no overlapping toolbar, header or asset shelf covers."""
    left, bottom = 0, 0
    for region in context.area.regions:
        if region.type == "TOOLS" and region.width > 1:
            left = max(left, region.width)
        if region.type in ("ASSET_SHELF", "ASSET_SHELF_HEADER", "HUD") and region.height > 1:
            bottom = max(bottom, region.height)
    return left + 14.0 * _scale(), bottom + 14.0 * _scale()


def _colours_are_seen(context: bpy.types.Context, kind: str) -> bool:
    """Whether this view shows the map's colours, rather than plain materials or a wire."""
    if context.scene.as_pointer() in live.shown:
        return True
    space: Any = context.space_data
    shading = space.shading
    on_glove = kind == "THICKNESS"  # whose material stays plain: drawn views do not show it
    coloured = (
        shading.color_type == "VERTEX" if shading.type == "SOLID" else shading.type != "WIREFRAME" and not on_glove
    )
    role = "glove" if on_glove else "map"
    there = [thing for thing in results.of_role(context.scene, role) if thing.name in context.view_layer.objects]
    return coloured and any(thing.visible_get() for thing in there)


WAY_MAPS = ("FREES", "DEPTH", "STRETCH", "FILL")  # which follow from a direction


def _is_plans_way(settings) -> bool:
    """Whether the colours belong to the direction that the mould would open in."""
    from mathutils import Vector

    shown, planned = Vector(settings.map_way), Vector(opening.direction_now(settings))
    if shown.length < 1e-6:
        return True
    return abs(shown.normalized().dot(planned.normalized())) > 1.0 - 1e-6


def draw() -> None:
    """Draw the legend where the map's colours are in view."""
    context = bpy.context
    space: Any = context.space_data
    settings = getattr(context.scene, "mouldloft", None)
    if settings is None or not settings.legend or not settings.map_text:
        return
    if not space.overlay.show_overlays or not _colours_are_seen(context, settings.map_kind):
        return
    try:
        legend = json.loads(settings.map_text)
    except ValueError:
        return
    if settings.map_kind in WAY_MAPS and not _is_plans_way(settings):
        legend = {**legend, "title": legend["title"] + " (not the plan's direction)"}
    if "swatches" in legend:
        _draw_swatches(context, legend)
    else:
        _draw_ramp(context, legend)


def _draw_swatches(context, legend) -> None:
    unit = _scale()
    size, row = 12.0 * unit, 20.0 * unit
    rows = legend["swatches"]
    x, y = _left_bottom(context)
    width = max([_width(words, size) + 24 * unit for _, words in rows] + [_width(legend["title"], 13 * unit)])
    height = (len(rows) + 1) * row + 10 * unit
    _box(x, y, width + 20 * unit, height, _PAPER)
    x += 10 * unit
    _words(x, y + height - row, legend["title"], 13 * unit)
    for number, (colour, words) in enumerate(rows, 2):
        at = y + height - number * row
        _box(x - 1, at - 2 * unit - 1, 15 * unit + 2, 14 * unit + 2, _INK)  # an outline, for the pale swatch
        _box(x, at - 2 * unit, 15 * unit, 14 * unit, _srgb(colour))
        _words(x + 24 * unit, at, words, size)


def _draw_ramp(context, legend) -> None:
    unit = _scale()
    size = 12.0 * unit
    x, y = _left_bottom(context)
    bar, steps = 260.0 * unit, legend["ramp"]
    note = legend.get("note", "")
    height = (92.0 if note else 72.0) * unit
    widest = max(bar + _width(legend["marks"][-1], size) / 2, _width(note, size))
    _box(x, y, widest + 24 * unit, height, _PAPER)
    x += 12 * unit
    low = y + (44.0 if note else 24.0) * unit
    _words(x, low + 26 * unit, legend["title"], 13 * unit)
    for number, colour in enumerate(steps):
        _box(x + bar * number / len(steps), low + 2 * unit, bar / len(steps) + 1, 16 * unit, (*colour, 1.0))
    for number, words in enumerate(legend["marks"]):
        at = x + bar * number / 4
        shift = 0.0 if number == 0 else _width(words, size) / 2
        _words(at - shift, low - 14 * unit, words, size)
    if note:
        _words(x, y + 9 * unit, note, size)


def register():
    global _handle
    if not bpy.app.background:
        _handle = bpy.types.SpaceView3D.draw_handler_add(draw, (), "WINDOW", "POST_PIXEL")


def unregister():
    global _handle
    if _handle is not None:
        bpy.types.SpaceView3D.draw_handler_remove(_handle, "WINDOW")
        _handle = None
