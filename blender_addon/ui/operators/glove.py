"""The glove: where it is handled, and how thick it is."""

from __future__ import annotations

import bpy

from ...registering import registering
from ...scene import drawnline, properties, reading, results, settings, state
from ...work import display, lines
from .common import UNDO, Idle
from .running import Working

FIRST_LOOK = "first look"  # no section's stamp: what is shown so is out of date by it


class MOULDLOFT_OT_mark_handling(Idle, bpy.types.Operator):
    """Mark the 3D cursor's place on the map, seam or glove as one where the glove is handled: it is thicker there"""

    bl_idname = "mouldloft.mark_handling"
    bl_label = "Handled at the Cursor"
    bl_options = UNDO

    @classmethod
    def poll(cls, context):
        if not results.of_role(context.scene, "map"):
            cls.poll_message_set("Take the sculpt in first, then set the 3D cursor on it")
            return False
        return super().poll(context)

    def execute(self, context):
        scene = context.scene
        results.mark_handling(scene, scene.cursor.location, properties.of(scene).handling_mm)
        return {"FINISHED"}


class MOULDLOFT_OT_measure_thickness(Working, bpy.types.Operator):
    """Measure the glove from its outside to the nearest skin, colour it, and mark where it is thinner than asked"""

    bl_idname = "mouldloft.measure_thickness"
    bl_label = "Measure the Glove's Thickness"
    bl_options = UNDO

    @classmethod
    def poll(cls, context):
        if not results.of_role(context.scene, "glove"):
            cls.poll_message_set("Lay the glove first")
            return False
        return super().poll(context)

    def prepare(self, context):
        scene = context.scene
        done = state.done_for_sure(context, "glove", "mouldloft.plan_all")
        points = results.glove_points_mm(scene)
        if not points:
            raise reading.Unreadable("The glove's objects are gone: lay it again, then measure it.")
        brief = settings.brief_of(scene)
        return lambda progress: display.thickness_shown(done, brief, points, progress)

    def finish(self, context, result) -> None:
        results.show_thickness(context.scene, result)
        properties.of(context.scene).map_kind = "THICKNESS"
        self.report({"WARNING"} if result.thin else {"INFO"}, result.legend["note"].capitalize())


class MOULDLOFT_OT_look_at_glove(Working, bpy.types.Operator):
    """Show the glove of the line as it was left, on a coarse grid: in a second or two, before it is planned"""

    bl_idname = "mouldloft.look_at_glove"
    bl_label = "First Look at the Glove"
    bl_options = UNDO

    @classmethod
    def poll(cls, context):
        if drawnline.level_left(context.scene) is None:
            cls.poll_message_set("Shape the seam first")
            return False
        return super().poll(context)

    def prepare(self, context):
        scene = context.scene
        done = state.done_for_sure(context, "opening", "mouldloft.plan_all") | state.done_now(scene, "seam")
        level, brief = drawnline.level_left(scene), settings.brief_of(scene)
        if "seam" not in done or level is None or len(level) != len(done["master"].vertices_mm):
            raise reading.Unreadable("The seam that was shaped is not at hand: plan the mould with it.")
        return lambda progress: display.glove_at_a_look(done, level, brief, progress)

    def finish(self, context, result) -> None:
        scene = context.scene
        volume, shown = result
        results.show(scene, "glove", shown)
        results.show_only(scene, "seam", "glove")  # jacket and keys are of the line before
        units = lines.Units(scene.unit_settings.system == "IMPERIAL")
        kept = properties.of(scene).result("glove")
        kept.stamp, kept.line, kept.good = FIRST_LOOK, f"A first look: about {units.litres(volume)} of rubber", True
        kept.remarks, kept.refusal, kept.cure = "[]", "", ""
        self.report({"INFO"}, f"{kept.line}, before any loose piece. Plan the mould for the rest.")


_CLASSES = (MOULDLOFT_OT_mark_handling, MOULDLOFT_OT_measure_thickness, MOULDLOFT_OT_look_at_glove)


register, unregister = registering(_CLASSES)
