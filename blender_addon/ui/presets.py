# ruff: noqa: RUF012 - Blender reads these plain class attributes
"""Presets, as Blender keeps them for its own settings: one menu for brief and catalogue."""

from __future__ import annotations

import bpy
from bl_operators.presets import AddPresetBase

from ..registering import registering

FOLDER = "mouldloft"
# what a workshop sets once and uses again; not what belongs to one sculpt
KEPT = (
    "base", "detail", "directions", "seam_kind", "smooth_mm", "seen_from", "max_pieces",
    "set_skin", "skin_mm", "edge_mm", "handling_mm", "draft_deg", "set_flange", "flange_mm", "set_pixel", "pixel_mm",
    "edge_spacing_mm", "middle_spacing_mm", "key_height_mm", "key_width_mm",
    "mat_oz", "edge_extra_oz", "lifters", "cradle", "board_mm", "cast_mat_oz", "push_n", "wind_m_s",
    "catalogue", "casts", "hands", "temperature_c",
)  # fmt: skip


class MOULDLOFT_MT_presets(bpy.types.Menu):
    """Settings kept under a name"""

    bl_label = "Mould Presets"
    preset_subdir = FOLDER
    preset_operator = "script.execute_preset"
    draw = bpy.types.Menu.draw_preset  # type: ignore[assignment]  # as Blender's own menus have it


class MOULDLOFT_OT_preset(AddPresetBase, bpy.types.Operator):
    """Keep the settings and the catalogue under a name, or remove that name"""

    bl_idname = "mouldloft.preset"
    bl_label = "Keep Mould Preset"
    preset_menu = "MOULDLOFT_MT_presets"
    preset_defines = ["settings = bpy.context.scene.mouldloft"]
    preset_values = [f"settings.{name}" for name in KEPT]
    preset_subdir = FOLDER


def draw(layout: bpy.types.UILayout) -> None:
    """The menu with its plus and minus."""
    row = layout.row(align=True)
    row.menu("MOULDLOFT_MT_presets", text=MOULDLOFT_MT_presets.bl_label)
    row.operator("mouldloft.preset", text="", icon="ADD")
    row.operator("mouldloft.preset", text="", icon="REMOVE").remove_active = True


register, unregister = registering((MOULDLOFT_MT_presets, MOULDLOFT_OT_preset))
