"""The map's legend, drawn in the corner of every 3D view that shows the map."""

from __future__ import annotations

import json
from typing import Any

import bpy

from ..scene import opening, properties, results
from . import charts, live

_handle = None
_INK = (0.145, 0.157, 0.169, 1.0)
_PAPER = (0.957, 0.945, 0.918, 0.94)
_HAIR = (0.145, 0.157, 0.169, 0.25)
_BAND, _DOT = (0.435, 0.663, 0.659, 0.45), (0.69, 0.165, 0.188, 1.0)  # the glove's colour, and the seam's


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
    plain = kind == "THICKNESS"  # its material stays the glove's: drawn views do not show it
    coloured = shading.color_type == "VERTEX" if shading.type == "SOLID" else shading.type != "WIREFRAME" and not plain
    role = properties.OWN_OBJECTS.get(kind, "map")
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
    """Draw the legend where the map's colours are in view, and the log's chart above it."""
    context = bpy.context
    space: Any = context.space_data
    settings = getattr(context.scene, "mouldloft", None)
    if settings is None or not space.overlay.show_overlays:
        return
    below = 0.0
    if settings.legend and settings.map_text and _colours_are_seen(context, settings.map_kind):
        below = _draw_legend(context, settings) + 10.0 * _scale()
    if settings.log_chart:
        told = charts.log_kept(settings)
        if told:
            _draw_log(context, told, below)


def _draw_legend(context, settings) -> float:
    """Draw the legend; its height."""
    try:
        legend = json.loads(settings.map_text)
    except ValueError:
        return 0.0
    if settings.map_kind in WAY_MAPS and not _is_plans_way(settings):
        legend = {**legend, "title": legend["title"] + " (not the plan's direction)"}
    return _draw_swatches(context, legend) if "swatches" in legend else _draw_ramp(context, legend)


def _draw_swatches(context, legend) -> float:
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
    return height


def _draw_ramp(context, legend) -> float:
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
    return height


def _draw_log(context, told, below: float) -> None:
    """Used over planned: a dot for each entry, the factor with its band, the plan as an upright line at 1."""
    unit = _scale()
    size, row, bar = 12.0 * unit, 24.0 * unit, 220.0 * unit
    rows, end = told["rows"], charts.end_of(told["rows"])
    x, y = _left_bottom(context)
    y += below
    named = max([_width(each["what"], size) for each in rows] + [_width("planned", size)]) + 12 * unit
    said = max([_width(each["words"], size) for each in rows] + [40 * unit])
    height = (len(rows) + 2) * row + 8 * unit
    _box(x, y, named + bar + said + 36 * unit, height, _PAPER)
    left = x + 12 * unit + named
    _words(x + 12 * unit, y + height - 18 * unit, f"Used over planned: {told['file']}", 13 * unit)
    for value in range(int(end) + 1):
        at = left + bar * value / end
        _box(at, y + row, 1.0 if value != 1 else 2.0 * unit, len(rows) * row, _INK if value == 1 else _HAIR)
        words = "planned" if value == 1 else f"{value}"
        _words(at - _width(words, size) / 2, y + 9 * unit, words, size)
    for number, each in enumerate(rows):
        middle = y + height - (number + 2) * row + 8 * unit
        _words(x + 12 * unit, middle - 4 * unit, each["what"], size)
        _words(left + bar + 12 * unit, middle - 4 * unit, each["words"], size)
        if len(each["span"]) == 3:
            low, likely, high = (left + bar * value / end for value in each["span"])
            _box(low, middle - 7 * unit, max(high - low, 1.0), 14 * unit, _BAND)
            _box(likely - unit, middle - 9 * unit, 2 * unit, 18 * unit, _BAND[:3] + (1.0,))
        for value in each["ratios"]:
            _box(left + bar * value / end - 2 * unit, middle - 2 * unit, 4 * unit, 4 * unit, _DOT)


def register():
    global _handle
    if not bpy.app.background:
        _handle = bpy.types.SpaceView3D.draw_handler_add(draw, (), "WINDOW", "POST_PIXEL")


def unregister():
    global _handle
    if _handle is not None:
        bpy.types.SpaceView3D.draw_handler_remove(_handle, "WINDOW")
        _handle = None
