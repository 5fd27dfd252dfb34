# ruff: noqa: RUF012 - Blender reads these plain class attributes
"""As built: the finished clay against its plan, and what the bench wrote down of the run."""

from __future__ import annotations

import json

import bpy
from bpy.props import IntProperty

from ...registering import registering
from ...scene import properties, reading, results, state, views
from .. import asbuilt
from .common import UNDO
from .running import Working

AROUND = 3.0  # times a place's own size are in view when it is looked at
ANOTHER_SIZE = 0.02  # of the height: further off, the scan's plan is of another piece or at another size


class Kept(Working):
    """Work whose refusal stays readable in the panel."""

    kept = ""

    def salvage(self, context, error) -> bool:
        from mouldloft.base.errors import Cancelled

        if not isinstance(error, Cancelled):
            result = properties.of(context.scene).result(self.kept)
            result.refusal, result.cure = str(error), getattr(error, "cure", "")
        return False


class MOULDLOFT_OT_show_clay(Kept, bpy.types.Operator):
    """Show a scan of the finished clay against its plan, in colours on the sculpt, with the places that differ"""

    bl_idname = "mouldloft.show_clay"
    bl_label = "Show Scan Against Plan"
    bl_options = UNDO

    kept = "clay"

    def prepare(self, context):
        folder = bpy.path.abspath(properties.of(context.scene).as_built)
        if not folder:
            raise reading.Unreadable("Choose the folder that mouldloft rescan wrote first.")
        return lambda progress: asbuilt.clay_of(folder, progress)

    def finish(self, context, result) -> None:
        scene = context.scene
        s = properties.of(scene)
        results.show_clay(scene, result)
        told = s.result("clay")
        told.line, told.remarks = "\n".join(result.said), json.dumps(result.listed)
        told.refusal, told.cure = "", ""
        s.map_kind = "CLAY"
        here = s.taken_height_mm
        if here and abs(result.planned_height_mm / here - 1.0) > ANOTHER_SIZE:
            self.report(
                {"WARNING"},
                f"The scan's plan is {result.planned_height_mm:.0f} mm tall and the sculpt here {here:.0f} mm: is it "
                "the same piece?",
            )
        else:
            self.report({"INFO"}, result.said[-1])


class MOULDLOFT_OT_look_at_place(bpy.types.Operator):
    """Turn the view to this place"""

    bl_idname = "mouldloft.look_at_place"
    bl_label = "Look at a Place"
    bl_options = {"INTERNAL"}

    number: IntProperty(name="Number", description="Which place, counted as listed", min=1)

    def execute(self, context):
        things = results.of_role(context.scene, "place")
        found = [thing for thing in things if thing.name.split(":")[0] == str(self.number)]
        if not found:
            self.report({"ERROR"}, "That place is not marked any more: show the scan again.")
            return {"CANCELLED"}
        results.set_seen(context.scene, True, "place")
        place = found[0]
        size = place.empty_display_size
        place.empty_display_size = AROUND * size  # with what is round it in view
        try:
            views.frame_things(context, found)
        finally:
            place.empty_display_size = size
        return {"FINISHED"}


class MOULDLOFT_OT_show_log(Kept, bpy.types.Operator):
    """Set the bench's log against the plan: used over planned, what the mould has left, what is left to buy"""

    bl_idname = "mouldloft.show_log"
    bl_label = "Show the Run's Log"
    bl_options = UNDO

    kept = "log"

    def prepare(self, context):
        s = properties.of(context.scene)
        path, folder = bpy.path.abspath(s.run_log), bpy.path.abspath(s.as_built)
        if not path:
            raise reading.Unreadable("Choose the log that the bench filled in first: a TOML or CSV file.")
        planned = None if folder else state.plan_for_sure(context)

        def work(progress):
            from mouldloft.outputs.planfile import open_plan

            progress.begin("Run's log")
            return asbuilt.log_of(planned or open_plan(folder), path)

        return work

    def finish(self, context, result) -> None:
        s = properties.of(context.scene)
        s.log_text = json.dumps(result)
        kept = s.result("log")
        kept.refusal, kept.cure = "", ""
        views.redraw(context)
        self.report({"INFO"}, f"{len(result['rows'])} quantities logged in {result['file']}")


_CLASSES = (MOULDLOFT_OT_show_clay, MOULDLOFT_OT_look_at_place, MOULDLOFT_OT_show_log)


register, unregister = registering(_CLASSES)
