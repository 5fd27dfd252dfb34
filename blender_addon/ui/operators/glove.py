"""The glove: where it is handled, and how thick it is."""

from __future__ import annotations

import bpy

from ...registering import registering
from ...scene import properties, reading, results, settings, state
from ...work import display
from .common import UNDO, Idle
from .running import Working


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


_CLASSES = (MOULDLOFT_OT_mark_handling, MOULDLOFT_OT_measure_thickness)


register, unregister = registering(_CLASSES)
