# ruff: noqa: RUF012 - Blender reads these plain class attributes
"""One tab in the sidebar: the sections in the order of the work, each with what it said when it last ran."""

from __future__ import annotations

import json
import re
from pathlib import Path

import bpy

from ..scene import results, state, views
from ..work import jobs
from ..work.sections import BY_KEY, PLAN_KEYS

TAB = "Mouldloft"
ICONS = {"none": "RADIOBUT_OFF", "fresh": "CHECKMARK", "stale": "FILE_REFRESH"}


_FIGURE = re.compile(r"(?<=\d) (?=(?:%|mm|m|m²|cm²|l|ml|kg|lb|oz|days?)\b|%|m²|cm²)")


def wrapped(layout: bpy.types.UILayout, context: bpy.types.Context, text: str, icon: str = "NONE") -> None:
    """Text over as many lines as the sidebar's width asks for, so that none is cut."""
    import blf

    scale = context.preferences.system.ui_scale
    room = max(context.region.width - (104 if icon != "NONE" else 84) * scale, 80 * scale)
    blf.size(0, context.preferences.ui_styles[0].widget.points * scale)
    column = layout.column(align=True)
    column.scale_y = 0.8
    line = ""
    for word in _FIGURE.sub("\N{NO-BREAK SPACE}", text.replace("\n", " ")).split(" "):
        longer = f"{line} {word}".strip()
        if line and blf.dimensions(0, longer)[0] > room:
            column.label(text=line, icon=icon)
            icon = "BLANK1" if icon != "NONE" else "NONE"
            line = word
        else:
            line = longer
    if line:
        column.label(text=line, icon=icon)


class Standing:
    """What all sections' panels share."""

    bl_space_type = "VIEW_3D"
    bl_region_type = "UI"
    bl_category = TAB


class SectionPanel(Standing):
    """A section: its settings, its button, its line."""

    key = ""

    def draw_header(self, context):
        standing = _standings(context)[0][self.key]
        icon = ICONS[standing.kind]
        if standing.kind == "fresh" and not standing.good:
            icon = "ERROR"
        self.layout.label(text="", icon=icon)

    def draw(self, context):
        layout = self.layout
        layout.use_property_split = True
        layout.use_property_decorate = False
        self.draw_settings(context, layout, context.scene.mouldloft)
        row = layout.row()
        row.scale_y = 1.2
        row.operator("mouldloft.run", text=BY_KEY[self.key].verb).section = self.key
        self.draw_line(context, layout)
        self.draw_after(context, layout, context.scene.mouldloft)

    def draw_line(self, context, layout):
        standing = _standings(context)[0][self.key]
        if standing.kind == "none":
            return
        box = layout.box()
        if standing.kind == "stale":
            wrapped(box, context, "Out of date: this or something before it has changed.", "FILE_REFRESH")
            box.active = False
        wrapped(box, context, standing.line, "NONE" if standing.good else "ERROR")
        result = context.scene.mouldloft.results[self.key]
        remarks = json.loads(result.remarks or "[]")
        if not remarks:
            return
        arrow = "DISCLOSURE_TRI_DOWN" if result.open else "DISCLOSURE_TRI_RIGHT"
        words = f"{len(remarks)} remark{'s' if len(remarks) > 1 else ''}"
        row = box.row()
        row.use_property_split = False
        row.alignment = "LEFT"
        row.prop(result, "open", text=words, icon=arrow, emboss=False)
        for remark in remarks if result.open else ():
            wrapped(box, context, remark, "DOT")

    def draw_settings(self, context, layout, s):
        pass

    def draw_after(self, context, layout, s):
        pass


_seen: tuple | None = None


def _standings(context):
    """The standings, reckoned once for all panels of one draw."""
    global _seen
    import time

    now = (context.scene.name, int(time.monotonic() * 20))
    if _seen is None or _seen[0] != now:
        _seen = (now, state.standings(context.scene))
    return _seen[1]


class MOULDLOFT_PT_plan(Standing, bpy.types.Panel):
    """Plan everything, or watch what runs."""

    bl_label = "Mould plan"
    bl_idname = "MOULDLOFT_PT_plan"
    bl_order = 0

    def draw(self, context):
        layout = self.layout
        job = jobs.job()
        if job is not None:
            box = layout.box()
            wrapped(box, context, job.words)
            box.progress(factor=job.fraction, text=f"{job.fraction:.0%}")
            box.operator("mouldloft.stop", text="Stop (Esc)", icon="X")
            return
        s = context.scene.mouldloft
        if s.sculpt is None:
            wrapped(layout, context, "Choose the sculpt below, or start with the demo.")
            layout.operator("mouldloft.add_hare")
            return
        row = layout.row()
        row.scale_y = 1.4
        row.operator("mouldloft.run", text="Plan everything").section = "order"
        standings, problem = _standings(context)
        following = next((key for key in PLAN_KEYS if standings[key].kind != "fresh"), None)
        if following is not None:
            verb = BY_KEY[following].verb
            layout.operator("mouldloft.run", text=f"Next: {verb}", icon="FORWARD").section = following
        if problem:
            wrapped(layout, context, problem, "ERROR")
        if s.results:
            layout.operator("mouldloft.clear", icon="TRASH")


class MOULDLOFT_PT_sculpt(SectionPanel, bpy.types.Panel):
    bl_label = BY_KEY["sculpt"].title
    bl_idname = "MOULDLOFT_PT_sculpt"
    bl_order = 1
    key = "sculpt"

    def draw_settings(self, context, layout, s):
        layout.prop(s, "sculpt")
        layout.operator("mouldloft.use_active", icon="EYEDROPPER")
        layout.prop(s, "piece")
        column = layout.column(heading="Finished height")
        row = column.row(align=True)
        row.prop(s, "set_height", text="")
        inner = row.row()
        inner.active = s.set_height
        inner.prop(s, "finished_height", text="")
        row = layout.row(align=True)
        row.prop(s, "up", text="Up, front")
        row.prop(s, "front", text="")
        layout.prop(s, "base")
        layout.prop(s, "detail")

    def draw_line(self, context, layout):
        if context.scene.mouldloft.touched and context.scene.mouldloft.token:
            wrapped(layout, context, "The sculpt has changed since: take it in again.", "FILE_REFRESH")
        super().draw_line(context, layout)


class MOULDLOFT_UL_ways(bpy.types.UIList):
    """Directions found, best first."""

    def draw_item(self, context, layout, data, item, icon, active_data, active_property, index=0):
        row = layout.row()
        row.label(text=item.text)
        row.operator("mouldloft.preview_way", text="", icon="HIDE_OFF", emboss=False).index = index


class MOULDLOFT_PT_opening(SectionPanel, bpy.types.Panel):
    bl_label = BY_KEY["opening"].title
    bl_idname = "MOULDLOFT_PT_opening"
    bl_order = 2
    bl_options = {"DEFAULT_CLOSED"}
    key = "opening"

    def draw_settings(self, context, layout, s):
        layout.row().prop(s, "way", expand=True)
        if s.way == "OWN":
            layout.prop(s, "own_way")
            layout.operator("mouldloft.preview_way").index = -1
        else:
            layout.prop(s, "directions")

    def draw_after(self, context, layout, s):
        if s.ways:
            layout.label(text="Skin locked, and where it opens:")
            layout.template_list("MOULDLOFT_UL_ways", "", s, "ways", s, "way_index", rows=4)
            if 0 <= s.way_index < len(s.ways):
                wrapped(layout, context, s.ways[s.way_index].reason)
            layout.operator("mouldloft.take_way")


class MOULDLOFT_PT_seam(SectionPanel, bpy.types.Panel):
    bl_label = BY_KEY["seam"].title
    bl_idname = "MOULDLOFT_PT_seam"
    bl_order = 3
    bl_options = {"DEFAULT_CLOSED"}
    key = "seam"

    def draw_settings(self, context, layout, s):
        layout.row().prop(s, "seam_kind", expand=True)
        if s.seam_kind == "plane":
            layout.prop(s, "set_offset")
            row = layout.row()
            row.active = s.set_offset
            row.prop(s, "plane_offset")
        else:
            layout.prop(s, "smooth_mm")
        layout.prop(s, "seen_from")
        layout.prop(s, "max_pieces")
        row = layout.row(align=True)
        if s.sculpt is not None and s.sculpt.type == "MESH":
            row.prop_search(s, "keep_clear", s.sculpt, "vertex_groups")
        row.operator("mouldloft.paint_keep_clear", text="", icon="BRUSH_DATA")

    def draw_after(self, context, layout, s):
        if not results.of_role("seam"):
            return
        row = layout.row(align=True)
        row.operator("mouldloft.edit_seam", icon="EDITMODE_HLT")
        row.operator("mouldloft.use_seam", icon="CHECKMARK")
        if s.drawn_seam:
            layout.operator("mouldloft.forget_seam")


class MOULDLOFT_PT_glove(SectionPanel, bpy.types.Panel):
    bl_label = BY_KEY["glove"].title
    bl_idname = "MOULDLOFT_PT_glove"
    bl_order = 4
    bl_options = {"DEFAULT_CLOSED"}
    key = "glove"

    def draw_settings(self, context, layout, s):
        layout.prop(s, "casts")
        layout.prop(s, "set_skin")
        if s.set_skin:
            layout.prop(s, "skin_mm")
            layout.prop(s, "edge_mm")
        layout.prop(s, "draft_deg")
        layout.prop(s, "set_flange")
        if s.set_flange:
            layout.prop(s, "flange_mm")
        layout.prop(s, "set_pixel")
        if s.set_pixel:
            layout.prop(s, "pixel_mm")
        layout.operator("mouldloft.mark_handling", icon="PIVOT_CURSOR")
        if results.of_role("handling"):
            layout.prop(s, "handling_mm")

    def draw_after(self, context, layout, s):
        if results.of_role("glove"):
            layout.operator("mouldloft.measure_thickness", icon="DRIVER_DISTANCE")


class MOULDLOFT_PT_keys(SectionPanel, bpy.types.Panel):
    bl_label = BY_KEY["keys"].title
    bl_idname = "MOULDLOFT_PT_keys"
    bl_order = 5
    bl_options = {"DEFAULT_CLOSED"}
    key = "keys"

    def draw_settings(self, context, layout, s):
        layout.prop(s, "edge_spacing_mm")
        layout.prop(s, "middle_spacing_mm")
        layout.prop(s, "key_height_mm")
        layout.prop(s, "key_width_mm")

    def draw_after(self, context, layout, s):
        if not results.of_role("key"):
            return
        if s.keys_check:
            box = layout.box()
            wrapped(box, context, "As moved: " + s.keys_check, "NONE" if s.keys_check_good else "ERROR")
        else:
            wrapped(layout, context, "Move, copy or delete the keys in the view; each move is checked.")
        row = layout.row(align=True)
        row.operator("mouldloft.check_keys", icon="VIEWZOOM")
        row.operator("mouldloft.use_keys", icon="CHECKMARK")
        if s.moved_keys:
            layout.operator("mouldloft.forget_keys")


class MOULDLOFT_PT_jacket(SectionPanel, bpy.types.Panel):
    bl_label = BY_KEY["jacket"].title
    bl_idname = "MOULDLOFT_PT_jacket"
    bl_order = 6
    bl_options = {"DEFAULT_CLOSED"}
    key = "jacket"

    def draw_settings(self, context, layout, s):
        layout.prop(s, "mat_oz")
        layout.prop(s, "edge_extra_oz")
        layout.prop(s, "lifters")
        layout.prop(s, "board_mm")


class MOULDLOFT_PT_casts(SectionPanel, bpy.types.Panel):
    bl_label = BY_KEY["casts"].title
    bl_idname = "MOULDLOFT_PT_casts"
    bl_order = 7
    bl_options = {"DEFAULT_CLOSED"}
    key = "casts"

    def draw_settings(self, context, layout, s):
        layout.prop(s, "cast_mat_oz")
        layout.prop(s, "push_n")
        layout.prop(s, "wind_m_s")


class MOULDLOFT_PT_order(SectionPanel, bpy.types.Panel):
    bl_label = BY_KEY["order"].title
    bl_idname = "MOULDLOFT_PT_order"
    bl_order = 8
    bl_options = {"DEFAULT_CLOSED"}
    key = "order"

    def draw_settings(self, context, layout, s):
        layout.prop(s, "casts")
        layout.prop(s, "hands")
        layout.prop(s, "start_date")
        layout.prop(s, "temperature_c")
        layout.prop(s, "catalogue")


class MOULDLOFT_PT_solids(SectionPanel, bpy.types.Panel):
    bl_label = BY_KEY["solids"].title
    bl_idname = "MOULDLOFT_PT_solids"
    bl_order = 9
    bl_options = {"DEFAULT_CLOSED"}
    key = "solids"

    def draw_settings(self, context, layout, s):
        wrapped(layout, context, "Halves, gloves, jackets and boards as closed meshes, to print or mill.")


class MOULDLOFT_PT_map(Standing, bpy.types.Panel):
    bl_label = "Map"
    bl_idname = "MOULDLOFT_PT_map"
    bl_order = 10
    bl_options = {"DEFAULT_CLOSED"}

    def draw(self, context):
        layout = self.layout
        layout.use_property_split = True
        layout.use_property_decorate = False
        s = context.scene.mouldloft
        if not s.ways:
            wrapped(layout, context, "Find a way of opening first; then there is something to colour.")
            return
        layout.prop(s, "map_kind")
        if s.map_kind == "THICKNESS":
            if not s.map_text:
                wrapped(layout, context, "The glove as it stands has not been measured.", "INFO")
            layout.operator("mouldloft.measure_thickness", icon="DRIVER_DISTANCE")
        elif s.map_kind != "FREES" and not results.of_role("seam"):
            wrapped(layout, context, "Until the seam is drawn, the map shows which pull frees it.", "INFO")
        layout.prop(s, "legend")
        layout.operator("mouldloft.map_view", icon="COLOR", depress=views.colours_shown(context))


class MOULDLOFT_PT_show(Standing, bpy.types.Panel):
    bl_label = "Show it"
    bl_idname = "MOULDLOFT_PT_show"
    bl_order = 11
    bl_options = {"DEFAULT_CLOSED"}

    def draw(self, context):
        layout = self.layout
        layout.use_property_split = True
        layout.use_property_decorate = False
        s = context.scene.mouldloft
        if not results.of_role("seam"):
            wrapped(layout, context, "Draw the seam first; then there is something to show.")
            return
        shown = layout.grid_flow(columns=3, row_major=True, even_columns=True, align=True)
        shown.use_property_split = False
        for name in results.COLLECTIONS.values():
            inner = bpy.data.collections.get(name)
            if inner is not None:
                words = name.split()[1].capitalize()  # one word: no more fits
                shown.prop(inner, "hide_viewport", text=words, toggle=1, invert_checkbox=True)
        layout.prop(s, "apart", slider=True)
        column = layout.column(align=True)
        column.prop(s, "opening_frames")
        column.operator("mouldloft.animate", icon="ANIM")
        column.operator("mouldloft.still_again")
        layout.separator()
        layout.operator("mouldloft.cameras", icon="CAMERA_DATA")
        layout.prop(s, "picture_size")
        layout.prop(s, "turntable_frames")
        layout.prop(s, "picture_engine")
        if s.picture_engine == "CYCLES":
            layout.prop(s, "samples")
        layout.prop(s, "folder")
        row = layout.row(align=True)
        row.operator("mouldloft.render", text="Draw the stills", icon="RENDER_STILL").what = "STILLS"
        row.operator("mouldloft.render", text="Turntable", icon="RENDER_ANIMATION").what = "TURN"


class MOULDLOFT_PT_sheets(Standing, bpy.types.Panel):
    bl_label = "Sheets"
    bl_idname = "MOULDLOFT_PT_sheets"
    bl_order = 12
    bl_options = {"DEFAULT_CLOSED"}

    def draw(self, context):
        layout = self.layout
        layout.use_property_split = True
        layout.use_property_decorate = False
        s = context.scene.mouldloft
        layout.prop(s, "folder")
        layout.row().prop(s, "solids", expand=True)
        layout.operator("mouldloft.write_sheets", icon="FILE_TICK")
        column = layout.column(align=True)
        for path, what in json.loads(context.scene.get("mouldloft_sheets", "[]")):
            row = column.operator("mouldloft.open_file", text=Path(path).name, icon="FILE")
            row.path, row.what = path, what


_CLASSES = (
    MOULDLOFT_UL_ways,
    MOULDLOFT_PT_plan,
    MOULDLOFT_PT_sculpt,
    MOULDLOFT_PT_opening,
    MOULDLOFT_PT_seam,
    MOULDLOFT_PT_glove,
    MOULDLOFT_PT_keys,
    MOULDLOFT_PT_jacket,
    MOULDLOFT_PT_casts,
    MOULDLOFT_PT_order,
    MOULDLOFT_PT_solids,
    MOULDLOFT_PT_map,
    MOULDLOFT_PT_show,
    MOULDLOFT_PT_sheets,
)


register, unregister = bpy.utils.register_classes_factory(_CLASSES)
