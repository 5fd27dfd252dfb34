# ruff: noqa: RUF012 - Blender reads these plain class attributes
"""One tab in the sidebar: the sections in the order of the work, each with what it said when it last ran."""

from __future__ import annotations

import json
import re
import time
from pathlib import Path
from typing import Any

import bpy

from ..registering import registering
from ..scene import drawnline, properties, reading, results, signing, state, views
from ..scene.roles import COLLECTIONS, NAME
from ..work import jobs
from ..work.sections import BY_KEY, KEYS, PLAN_KEYS
from . import charts, presets
from .operators.seam import KINDS
from .operators.sheets import written_files

TAB = "Mouldloft"
MOST_SIGNATURES = 5  # shown, the last first; all stay in the file
ICONS = {"none": "RADIOBUT_OFF", "fresh": "CHECKMARK", "stale": "FILE_REFRESH"}


_FIGURE = re.compile(r"(?<=\d) (?=(?:%|mm|m|m²|cm²|l|ml|kg|lb|oz|days?)\b|%|m²|cm²)")


def wrapped(
    layout: bpy.types.UILayout, context: bpy.types.Context, text: str, icon: Any = "NONE", room: float = 1.0
) -> None:
    """Text over as many lines as the sidebar's width asks for, so that none is cut. room : its share of that width."""
    import blf

    scale = context.preferences.system.ui_scale
    room = max(room * (context.region.width - (104 if icon != "NONE" else 84) * scale), 80 * scale)
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


class InSidebar:
    """What all panels share."""

    bl_space_type: Any = "VIEW_3D"  # Blender's own class says more narrowly what each may be
    bl_region_type: Any = "UI"
    bl_category = TAB


_seen: tuple | None = None


def standings_now(context):
    """The standings, worked out once for all panels of one draw."""
    global _seen
    now = (context.scene.session_uid if hasattr(context.scene, "session_uid") else context.scene.name,
           int(time.monotonic() * 20))  # fmt: skip
    if _seen is None or _seen[0] != now:
        _seen = (now, state.standings(context.scene))
    return _seen[1]


def _next_section(context) -> str | None:
    standings = standings_now(context)[0]
    return next((key for key in PLAN_KEYS if standings[key].kind != "fresh"), None)


def refusal_box(layout, context, key: str) -> None:
    """Why a section did not run when last asked to, and a button that mends it where there is one."""
    result = properties.of(context.scene).results.get(key)
    if result is None or not result.refusal:
        return
    box = layout.box()
    box.alert = True
    wrapped(box, context, result.refusal, "CANCEL")
    if result.cure in CURES:
        box.operator(result.cure, icon="TOOL_SETTINGS")


# what a refusal may offer; a .blend may come from anybody
CURES = (
    "mouldloft.plan_all", "mouldloft.take_sculpt", "mouldloft.use_selection", "mouldloft.show_sculpt",
    "mouldloft.forget_keys", "wm.save_mainfile",
)  # fmt: skip


# --- the sections: settings above the button, what belongs to the result below it -----------------------------


def _sculpt(context, layout, s):
    layout.prop(s, "sculpt")
    layout.prop(s, "group")
    layout.operator("mouldloft.use_selection", icon="EYEDROPPER")
    if s.sculpt is not None:
        members = reading.members_of(context.scene, context.view_layer)
        for words in reading.joined_words(members):
            wrapped(layout, context, words, "ERROR" if words.startswith("Left out") else "OBJECT_DATA")
        if len(s.parts) or s.group is not None:
            layout.operator("mouldloft.drop_parts", icon="X")
    layout.prop(s, "piece")
    column = layout.column(heading="Finished Height")
    row = column.row(align=True)
    row.prop(s, "set_height", text="")
    inner = row.row()
    inner.active = s.set_height
    inner.prop(s, "finished_height", text="")
    row = layout.row(align=True)
    row.prop(s, "up", text="Up, Front")
    row.prop(s, "front", text="")
    layout.prop(s, "base")
    layout.prop(s, "detail")
    if s.arrow and not s.token and s.sculpt is not None:
        wrapped(layout, context, "Drag the arrow on the sculpt to turn the opening, or go step by step:", "INFO")


def _opening(context, layout, s):
    layout.row().prop(s, "way", expand=True)
    if s.way == "OWN":
        layout.prop(s, "own_way")
        layout.operator("mouldloft.preview_way", icon="COLOR").index = -1
    else:
        layout.prop(s, "directions")
    row = layout.row(align=True)
    row.operator("mouldloft.opening_from_view", text="From View", icon="VIEW_CAMERA_UNSELECTED")
    row.operator_menu_enum("mouldloft.snap_opening", "to", text="Snap", icon="SNAP_ON")
    layout.prop(s, "arrow")
    if s.arrow:
        wrapped(layout, context, "Drag the arrow or the ring in the view: the map follows.", "INFO")


def _after_opening(context, layout, s):
    if s.ways:
        layout.label(text="Skin locked, and where it opens:")
        layout.template_list("MOULDLOFT_UL_ways", "", s, "ways", s, "way_index", rows=4)
        if 0 <= s.way_index < len(s.ways):
            wrapped(layout, context, s.ways[s.way_index].reason)
        layout.operator("mouldloft.take_way")


def _seam(context, layout, s):
    layout.prop(s, "seam_kind")
    if s.seam_kind == "plane":
        layout.prop(s, "set_offset")
        row = layout.row()
        row.active = s.set_offset
        row.prop(s, "plane_offset")
    else:
        layout.prop(s, "smooth")
    layout.prop(s, "seen_from")
    layout.prop(s, "max_pieces")
    row = layout.row(align=True)
    if s.sculpt is not None and s.sculpt.type == "MESH":
        row.prop_search(s, "keep_clear", s.sculpt, "vertex_groups")
    row.operator("mouldloft.paint_keep_clear", text="", icon="BRUSH_DATA")


def _after_seam(context, layout, s):
    if not results.of_role(context.scene, "seam"):
        return
    if len(s.candidates):
        layout.label(text="Seams, with cost over the run:")
        column = layout.column(align=True)
        for number, found in enumerate(s.candidates):
            row = column.row(align=True)
            row.operator("mouldloft.preview_candidate", text="", icon="HIDE_OFF").index = number
            icon = "NONE" if found.kept else "ERROR"
            if found.kind in KINDS:
                taken = row.operator("mouldloft.take_candidate", text=found.text, icon=icon, depress=found.chosen)
                taken.kind = found.kind
            else:
                row.label(text=found.text, icon="CHECKMARK" if found.chosen else icon)
        broken = next((found for found in s.candidates if found.chosen and not found.kept), None)
        if broken is not None:
            wrapped(layout, context, broken.reason, "ERROR")
    if results.is_edited(context.scene, "seam"):
        wrapped(layout, context, "The line was dragged. What you run next uses it as it is.", "INFO")
        if drawnline.is_as_left(context.scene):
            layout.operator("mouldloft.look_at_glove", icon="HIDE_OFF")
    layout.operator("mouldloft.shape_seam", icon="MOD_SMOOTH")
    row = layout.row(align=True)
    row.operator("mouldloft.edit_seam", text="Edit Points", icon="EDITMODE_HLT")
    row.operator("mouldloft.use_seam", icon="CHECKMARK")
    if s.drawn_seam or results.is_edited(context.scene, "seam"):
        layout.separator()
        layout.operator("mouldloft.forget_seam", icon="LOOP_BACK")


def _glove(context, layout, s):
    layout.prop(s, "casts")
    layout.prop(s, "set_skin")
    if s.set_skin:
        layout.prop(s, "skin")
        layout.prop(s, "edge")
    layout.prop(s, "draft_deg")
    layout.prop(s, "set_flange")
    if s.set_flange:
        layout.prop(s, "flange")
    layout.prop(s, "set_pixel")
    if s.set_pixel:
        layout.prop(s, "pixel")
    layout.operator("mouldloft.mark_handling", icon="PIVOT_CURSOR")
    if results.of_role(context.scene, "handling"):
        layout.prop(s, "handling")


def _after_glove(context, layout, s):
    if results.of_role(context.scene, "glove"):
        layout.operator("mouldloft.measure_thickness", text="Measure the Thickness", icon="DRIVER_DISTANCE")


def _keys(context, layout, s):
    layout.prop(s, "edge_spacing")
    layout.prop(s, "middle_spacing")
    layout.prop(s, "key_height")
    layout.prop(s, "key_width")


def _after_keys(context, layout, s):
    if not results.of_role(context.scene, "key"):
        return
    edited = results.is_edited(context.scene, "keys")
    if s.keys_check:
        box = layout.box()
        wrapped(box, context, "As moved: " + s.keys_check, "NONE" if s.keys_check_good else "ERROR")
    elif not edited:
        wrapped(layout, context, "Place, copy or delete the keys in the view: each step is checked.")
    layout.operator("mouldloft.place_keys", icon="PIVOT_BOUNDBOX")
    row = layout.row(align=True)
    row.operator("mouldloft.check_keys", text="Check as Moved", icon="VIEWZOOM")
    row.operator("mouldloft.use_keys", icon="CHECKMARK")
    if s.moved_keys or edited:
        layout.separator()
        layout.operator("mouldloft.forget_keys", icon="LOOP_BACK")


def _jacket(context, layout, s):
    layout.prop(s, "mat_oz")
    layout.prop(s, "edge_extra_oz")
    layout.prop(s, "lifters")
    layout.prop(s, "cradle")
    row = layout.row()
    row.enabled = s.cradle != "none"
    row.prop(s, "board")


def _casts(context, layout, s):
    layout.prop(s, "cast_mat_oz")
    layout.prop(s, "push_n")
    layout.prop(s, "wind_m_s")


def _order(context, layout, s):
    layout.prop(s, "casts")
    layout.prop(s, "hands")
    layout.prop(s, "start_date")
    layout.prop(s, "temperature_c")
    layout.prop(s, "catalogue")


def _solids(context, layout, s):
    wrapped(layout, context, "Halves, gloves, jackets and boards as closed meshes, to print or mill.")


_SETTINGS = {
    "sculpt": _sculpt, "opening": _opening, "seam": _seam, "glove": _glove, "keys": _keys, "jacket": _jacket,
    "casts": _casts, "order": _order, "solids": _solids,
}  # fmt: skip
_AFTER = {"opening": _after_opening, "seam": _after_seam, "glove": _after_glove, "keys": _after_keys}


def remarks_of(result) -> list[str]:
    """The sentences kept with a result; a .blend may come from anybody."""
    try:
        told = json.loads(result.remarks or "[]")
    except ValueError:
        return []
    return [str(remark) for remark in told] if isinstance(told, list) else []


def _line(context, layout, key: str) -> None:
    standing = standings_now(context)[0][key]
    if standing.kind == "none":
        return
    box = layout.box()
    if standing.kind == "stale":
        wrapped(box, context, f"Out of date. {standing.why}", "FILE_REFRESH")
        box.active = False
    wrapped(box, context, standing.line, "NONE" if standing.good else "ERROR")
    result = properties.of(context.scene).results[key]
    remarks_below(context, box, result, remarks_of(result))


def remarks_below(context, box, result, remarks: list[str]) -> None:
    """What else was said, behind an arrow."""
    if not remarks:
        return
    arrow = "DISCLOSURE_TRI_DOWN" if result.open else "DISCLOSURE_TRI_RIGHT"
    row = box.row()
    row.use_property_split = False
    row.alignment = "LEFT"
    row.prop(result, "open", text=f"{len(remarks)} remark{'s' if len(remarks) > 1 else ''}", icon=arrow, emboss=False)
    for remark in remarks if result.open else ():
        wrapped(box, context, remark, "DOT")


def _section(context, layout, key: str, following: str | None) -> None:
    """One section: its header with how it stands, its settings, its button, what it said."""
    s = properties.of(context.scene)
    standing = standings_now(context)[0][key]
    result = s.results.get(key)
    icon = ICONS[standing.kind]
    if (standing.kind == "fresh" and not standing.good) or (result is not None and result.refusal):
        icon = "ERROR"
    header, inner = layout.panel_prop(s, f"open_{key}")
    header.label(text=BY_KEY[key].title, icon=icon)
    if inner is None:
        return
    inner.use_property_split = True
    inner.use_property_decorate = False
    _SETTINGS[key](context, inner, s)
    row = inner.row()
    row.scale_y = 1.6 if key == following else 1.0  # the one next step stands out
    verb = "Open Along the Arrow" if key == "opening" and s.way == "OWN" else BY_KEY[key].verb
    row.operator("mouldloft.run", text=verb, icon="PLAY" if key == following else "NONE").section = key
    refusal_box(inner, context, key)
    _line(context, inner, key)
    if key in _AFTER:
        _AFTER[key](context, inner, s)


class MOULDLOFT_PT_plan(InSidebar, bpy.types.Panel):
    """The plan's sections, or what runs."""

    bl_label = "Mould Plan"
    bl_idname = "MOULDLOFT_PT_plan"
    bl_order = 0

    def draw_header_preset(self, context):
        presets.draw(self.layout)

    def draw(self, context):
        layout = self.layout
        job = jobs.job()
        if job is not None:
            box = layout.box()
            wrapped(box, context, job.words)
            box.progress(factor=job.fraction, text=f"{job.fraction:.0%}")
            box.operator("mouldloft.stop", text="Stop (Esc)", icon="X")
            return
        s = properties.of(context.scene)
        if s.sculpt is None:
            self._start(context, layout)
            return
        problem = standings_now(context)[1]
        if problem:
            wrapped(layout, context, problem, "ERROR")
        following = _next_section(context)
        if following is not None:
            layout.operator("mouldloft.plan_all", icon="FORWARD")
        elif not any(signing.signature_now(context.scene)):
            row = layout.row()
            row.scale_y = 1.6  # the next step once all stands
            row.operator("mouldloft.sign_seam", icon="GREASEPENCIL")
        for key in KEYS:
            _section(context, layout, key, following)
        if following is None:
            layout.separator()
            layout.operator("mouldloft.plan_all", icon="FORWARD")

    def _start(self, context, layout) -> None:
        wrapped(layout, context, "Select the sculpt, then:")
        row = layout.row()
        row.scale_y = 1.6
        row.operator("mouldloft.use_selection", icon="EYEDROPPER")
        wrapped(layout, context, "Or try it on the demo:")
        layout.operator("mouldloft.add_hare", icon="MESH_MONKEY")


class MOULDLOFT_UL_ways(bpy.types.UIList):
    """Directions found, best first."""

    def draw_item(self, context, layout, data, item, icon, active_data, active_property, index=0, flt_flag=0):
        row = layout.row()
        row.label(text=item.text)
        row.operator("mouldloft.preview_way", text="", icon="HIDE_OFF", emboss=False).index = index


class MOULDLOFT_PT_view(InSidebar, bpy.types.Panel):
    """What is shown: map, results, where they stand."""

    bl_label = "Show"
    bl_idname = "MOULDLOFT_PT_view"
    bl_order = 10

    @classmethod
    def poll(cls, context):
        return properties.of(context.scene).root is not None

    def draw(self, context):
        layout = self.layout
        layout.use_property_split = True
        layout.use_property_decorate = False
        scene = context.scene
        s = properties.of(scene)
        layout.row().prop(s, "placing", expand=True)
        shown = layout.grid_flow(columns=3, row_major=True, even_columns=True, align=True)
        for role, name in COLLECTIONS.items():
            if results.of_role(scene, role):
                words = name.split()[1].capitalize()  # one word: no more fits
                pressed = results.is_seen(scene, role)
                shown.operator("mouldloft.toggle_shown", text=words, depress=pressed).role = role
        pieces = layout.column(align=True)
        pieces.use_property_split = False  # a whole line for each name: the loose pieces' ends with their weight
        for role in ("glove", "jacket", "loose", "peel", "section") if s.show_pieces else ():
            for thing in results.of_role(scene, role) if results.is_seen(scene, role) else ():
                pieces.prop(thing, "hide_viewport", text=str(thing[NAME]), invert_checkbox=True)
        if results.of_role(scene, "glove"):
            layout.prop(s, "show_pieces")
        layout.operator("mouldloft.frame", icon="VIEWZOOM")
        layout.prop(s, "map_kind")
        if s.map_kind == "THICKNESS":
            if not s.map_text:
                wrapped(layout, context, "The glove as it stands has not been measured.", "INFO")
            layout.operator("mouldloft.measure_thickness", text="Measure the Thickness", icon="DRIVER_DISTANCE")
        elif s.map_kind == "CLAY":
            if not s.map_text:
                wrapped(layout, context, "No scan is shown yet: choose its folder under As Built.", "INFO")
        elif s.map_kind != "FREES" and not results.of_role(scene, "seam"):
            wrapped(layout, context, "Until the seam is drawn, the map shows which pull frees it.", "INFO")
        row = layout.row(align=True)
        row.prop(s, "legend", toggle=True)
        row.operator("mouldloft.map_view", text="Colours", icon="COLOR", depress=views.colours_shown(context))
        if results.of_role(scene, "glove"):
            layout.prop(s, "apart", slider=True)


class MOULDLOFT_PT_client(InSidebar, bpy.types.Panel):
    """Pictures for the client, and the signature."""

    bl_label = "Client"
    bl_idname = "MOULDLOFT_PT_client"
    bl_order = 12
    bl_options = {"DEFAULT_CLOSED"}

    def draw(self, context):
        layout = self.layout
        layout.use_property_split = True
        layout.use_property_decorate = False
        s = properties.of(context.scene)
        if not results.of_role(context.scene, "seam"):
            wrapped(layout, context, "Draw the seam first: the pictures show the piece with it.")
            return
        column = layout.column(align=True)
        column.prop(s, "opening_frames")
        column.operator("mouldloft.animate", icon="ANIM")
        layout.separator()
        layout.operator("mouldloft.cameras", icon="CAMERA_DATA")
        layout.prop(s, "picture_size")
        layout.prop(s, "turntable_frames")
        layout.prop(s, "picture_engine")
        if s.picture_engine == "CYCLES":
            layout.prop(s, "samples")
        layout.prop(s, "folder")
        row = layout.row(align=True)
        row.operator("mouldloft.render", text="Draw the Stills", icon="RENDER_STILL").what = "STILLS"
        row.operator("mouldloft.render", text="Turntable", icon="RENDER_ANIMATION").what = "TURN"
        layout.separator()
        self._signatures(context, layout)
        layout.operator("mouldloft.client_papers", icon="FILE_TICK")
        layout.separator()
        layout.operator("mouldloft.still_again", icon="LOOP_BACK")

    def _signatures(self, context, layout) -> None:
        layout.operator("mouldloft.sign_seam", icon="GREASEPENCIL")
        for row in signing.signed(context.scene)[:MOST_SIGNATURES]:
            box = layout.box()
            box.active = not row.why
            wrapped(box, context, row.words, "CANCEL" if row.why else "CHECKMARK")
            if row.why:
                wrapped(box, context, f"Void: {row.why}.")


class MOULDLOFT_PT_sheets(InSidebar, bpy.types.Panel):
    """Sheets, and the end of a plan."""

    bl_label = "Sheets"
    bl_idname = "MOULDLOFT_PT_sheets"
    bl_order = 13
    bl_options = {"DEFAULT_CLOSED"}

    def draw(self, context):
        layout = self.layout
        layout.use_property_split = True
        layout.use_property_decorate = False
        s = properties.of(context.scene)
        layout.prop(s, "folder")
        layout.prop(s, "job")
        layout.prop(s, "revision")
        layout.row().prop(s, "solids", expand=True)
        row = layout.row()
        ready = _next_section(context) is None
        row.scale_y = 1.6 if ready else 1.0
        row.operator("mouldloft.write_sheets", icon="FILE_TICK")
        refusal_box(layout, context, "sheets")
        column = layout.column(align=True)
        for path, what in written_files(context.scene):
            opened = column.operator("mouldloft.open_file", text=Path(path).name, icon="FILE")
            opened.path, opened.what = path, what
        if s.results:
            layout.separator(factor=3.0)
            layout.operator("mouldloft.clear", icon="TRASH")


class MOULDLOFT_PT_as_built(InSidebar, bpy.types.Panel):
    """The finished clay against its plan, and the run's log."""

    bl_label = "As Built"
    bl_idname = "MOULDLOFT_PT_as_built"
    bl_order = 14
    bl_options = {"DEFAULT_CLOSED"}

    def draw(self, context):
        layout = self.layout
        layout.use_property_split = True
        layout.use_property_decorate = False
        s = properties.of(context.scene)
        layout.prop(s, "as_built")
        layout.operator("mouldloft.show_clay", icon="MOD_SHRINKWRAP")
        refusal_box(layout, context, "clay")
        if results.of_role(context.scene, "clay"):
            self._places(context, layout, s.result("clay"))
        layout.separator()
        layout.prop(s, "run_log")
        layout.operator("mouldloft.show_log", icon="LINENUMBERS_ON")
        refusal_box(layout, context, "log")
        told = charts.log_kept(s)
        if told:
            layout.prop(s, "log_chart")
            box = layout.box()
            for line in told["lines"]:
                wrapped(box, context, line.strip()) if line else box.separator()

    def _places(self, context, layout, result) -> None:
        box = layout.box()
        *before, last = result.line.split("\n")
        wrapped(box, context, last)
        remarks_below(context, box, result, before)
        for number, words in enumerate(remarks_of(result), 1):
            row = box.split(factor=0.18, align=True)
            row.operator("mouldloft.look_at_place", text=f"{number}").number = number
            wrapped(row, context, words, room=0.76)


_CLASSES = (
    MOULDLOFT_UL_ways,
    MOULDLOFT_PT_plan,
    MOULDLOFT_PT_view,
    MOULDLOFT_PT_client,
    MOULDLOFT_PT_sheets,
    MOULDLOFT_PT_as_built,
)


register, unregister = registering(_CLASSES)
