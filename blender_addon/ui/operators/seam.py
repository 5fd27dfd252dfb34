"""The seam: editing its curve, and planning on with it."""

from __future__ import annotations

import json

import bpy

from ...scene import reading, results, views
from .running import UNDO, RunsSections


class MOULDLOFT_OT_edit_seam(bpy.types.Operator):
    """Edit the seam's curve: drag its points, then press Use this line"""

    bl_idname = "mouldloft.edit_seam"
    bl_label = "Edit the line"
    bl_options = UNDO

    @classmethod
    def poll(cls, context):
        return bool(results.of_role("seam"))

    def execute(self, context):
        if context.mode != "OBJECT":
            bpy.ops.object.mode_set(mode="OBJECT")
        results.show_only("map", "seam", "handling")  # glove and jacket lie over the line
        views.show_colours(context, False)
        for thing in context.selected_objects:
            thing.select_set(False)
        things = [thing for thing in results.of_role("seam") if thing.name in context.view_layer.objects]
        if not things:
            self.report({"ERROR"}, "The seam's curve is not in this view layer: show its collection first.")
            return {"CANCELLED"}
        for thing in things:
            thing.hide_set(False)
            thing.select_set(True)
        context.view_layer.objects.active = things[0]
        bpy.ops.object.mode_set(mode="EDIT")
        return {"FINISHED"}


class MOULDLOFT_OT_use_seam(RunsSections, bpy.types.Operator):
    """Snap the edited curve to the sculpt and split the mould along it"""

    bl_idname = "mouldloft.use_seam"
    bl_label = "Use this line"
    bl_options = UNDO

    section = "seam"

    def prepare(self, context):
        if context.mode != "OBJECT":
            bpy.ops.object.mode_set(mode="OBJECT")
        drawn = results.seam_lines_mm(context.scene)
        if not drawn:
            raise reading.Unreadable("No seam curve with three points or more is there: draw the seam first.")
        context.scene.mouldloft.drawn_seam = json.dumps(drawn)
        context.scene.mouldloft.seam_kind = "cheapest"
        return super().prepare(context)


class MOULDLOFT_OT_forget_seam(bpy.types.Operator):
    """Forget the line drawn by hand; the seam is placed by rule again"""

    bl_idname = "mouldloft.forget_seam"
    bl_label = "Forget my line"
    bl_options = UNDO

    @classmethod
    def poll(cls, context):
        return bool(context.scene.mouldloft.drawn_seam)

    def execute(self, context):
        context.scene.mouldloft.drawn_seam = ""
        return {"FINISHED"}


_CLASSES = (MOULDLOFT_OT_edit_seam, MOULDLOFT_OT_use_seam, MOULDLOFT_OT_forget_seam)


register, unregister = bpy.utils.register_classes_factory(_CLASSES)
