"""The seam: editing its curve, and planning on with it."""

from __future__ import annotations

import bpy
from bpy.props import EnumProperty, IntProperty

from ...registering import registering
from ...scene import drawnline, opening, properties, reading, results, state, views
from ...work import display
from ...work.lines import SEAM_NAMES
from .common import UNDO, Idle, say
from .running import RunsSections
from .taking import take_seam

KINDS = {kind: name for kind, name in SEAM_NAMES.items() if kind != "own"}


class HasSeam(Idle):
    @classmethod
    def poll(cls, context):
        if not results.of_role(context.scene, "seam"):
            cls.poll_message_set("Draw the seam first")
            return False
        return super().poll(context)


class MOULDLOFT_OT_edit_seam(HasSeam, bpy.types.Operator):
    """Edit the seam's curve: drag its points. What is run next uses the line as you leave it"""

    bl_idname = "mouldloft.edit_seam"
    bl_label = "Edit the Seam Line"
    bl_options = UNDO

    def execute(self, context):
        if context.mode != "OBJECT":
            bpy.ops.object.mode_set(mode="OBJECT")
        results.show_only(context.scene, "map", "seam", "handling")  # glove and jacket lie over the line
        views.show_colours(context, False)
        for thing in context.selected_objects:
            thing.select_set(False)
        there = results.of_role(context.scene, "seam")
        things = [thing for thing in there if thing.name in context.view_layer.objects]
        if not things:
            self.report({"ERROR"}, "The seam's curve is not in this view layer: show its collection first.")
            return {"CANCELLED"}
        for thing in things:
            thing.hide_set(False)
            thing.select_set(True)
        context.view_layer.objects.active = things[0]
        bpy.ops.object.mode_set(mode="EDIT")
        return {"FINISHED"}


class MOULDLOFT_OT_use_seam(RunsSections, HasSeam, bpy.types.Operator):
    """Snap the dragged curve to the sculpt and split the mould along it"""

    bl_idname = "mouldloft.use_seam"
    bl_label = "Use This Line"
    bl_options = UNDO

    section = "seam"

    def prepare(self, context):
        if context.mode != "OBJECT":
            bpy.ops.object.mode_set(mode="OBJECT")
        take_seam(context.scene)
        return super().prepare(context)


class MOULDLOFT_OT_preview_candidate(HasSeam, bpy.types.Operator):
    """Colour the map by the pieces that this seam makes. The plan is not changed"""

    bl_idname = "mouldloft.preview_candidate"
    bl_label = "Show This Seam's Pieces"
    bl_options = UNDO

    index: IntProperty(name="Seam", description="Number of the seam in the list, from 0")

    def execute(self, context):
        scene = context.scene
        s = properties.of(scene)
        try:
            done = state.done_for_sure(context, "seam", "mouldloft.plan_all")
            if not 0 <= self.index < len(done["seam"].candidates):
                raise reading.Unreadable("That seam is not in the list any more: draw the seam again.")
            s.map_kind = "PIECES"
            thing = results.show_map(scene, done["master"], s.result("sculpt").stamp)
            results.colour_map(scene, thing, display.candidate_colours(done, self.index))
        except Exception as error:
            return say(self, error)
        views.show_coloured(context, "map", "seam", "handling")
        return {"FINISHED"}


class MOULDLOFT_OT_take_candidate(RunsSections, HasSeam, bpy.types.Operator):
    """Plan with this seam, in the direction it was found in. A line drawn by hand is forgotten"""

    bl_idname = "mouldloft.take_candidate"
    bl_label = "Take This Seam"
    bl_options = UNDO

    section = "seam"
    kind: EnumProperty(
        name="Seam",
        description="Kind of the seam to take",
        items=tuple((kind, name, f"The best seam of this kind: {name.lower()}") for kind, name in KINDS.items()),
    )

    def prepare(self, context):
        scene = context.scene
        s = properties.of(scene)
        done = state.done_for_sure(context, "opening", "mouldloft.plan_all")
        if s.way == "SEARCH":  # another kind of seam may pay best in another direction: this one was seen in this
            opening.set_direction(s, done["opening"].chosen.direction)
        s.seam_kind = self.kind
        if s.drawn_seam or results.is_edited(scene, "seam"):
            drawnline.forget(scene)
            results.remember(scene, "seam")
        return super().prepare(context)


class MOULDLOFT_OT_forget_seam(Idle, bpy.types.Operator):
    """Forget the line drawn by hand. The seam is placed by rule again"""

    bl_idname = "mouldloft.forget_seam"
    bl_label = "Forget My Line"
    bl_options = UNDO

    @classmethod
    def poll(cls, context):
        if not properties.of(context.scene).drawn_seam and not results.is_edited(context.scene, "seam"):
            cls.poll_message_set("No line was drawn by hand")
            return False
        return super().poll(context)

    def invoke(self, context, event):
        return context.window_manager.invoke_confirm(self, event)

    def execute(self, context):
        from mouldloft.base.progress import SILENT

        scene = context.scene
        drawnline.forget(scene)
        done = state.done_now(scene)
        if "seam" in done:
            results.show(scene, "seam", display.shown_of("seam", done, SILENT))
        else:
            results.remember(scene, "seam")
        return {"FINISHED"}


_CLASSES = (
    MOULDLOFT_OT_edit_seam,
    MOULDLOFT_OT_use_seam,
    MOULDLOFT_OT_preview_candidate,
    MOULDLOFT_OT_take_candidate,
    MOULDLOFT_OT_forget_seam,
)


register, unregister = registering(_CLASSES)
