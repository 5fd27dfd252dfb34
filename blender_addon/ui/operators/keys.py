"""The keys: moved, checked again, and planned on with."""

from __future__ import annotations

import bpy

from ...registering import registering
from ...scene import properties, results, settings, state
from ...work import display, lines
from .common import UNDO, Idle, say
from .running import RunsSections
from .taking import keys_as_moved, settle_keys, take_keys


def check_moved_keys(scene: bpy.types.Scene, done: dict, keys: list | None = None) -> None:
    """Check the keys again as they stand, and keep what the check says."""
    from mouldloft.stages.keys import keys_on_one_spot, rubber_properties
    from mouldloft.stages.keys.fixture import recheck_keys

    moved = keys_as_moved(scene, done) if keys is None else keys
    brief = settings.brief_of(scene)
    rubber = rubber_properties(state.catalogue_of(scene).rubber_for(brief.materials))
    checks = recheck_keys(moved, done["bare_rubber"], brief.keys, rubber)
    clash = keys_on_one_spot(moved)
    held = lines.keys_line(checks, len(moved), lines.Units(scene.unit_settings.system == "IMPERIAL"))
    s = properties.of(scene)
    s.keys_check = " ".join([*clash, held])
    s.keys_check_good = not clash and all(check.holds for check in checks)


class HasKeys(Idle):
    @classmethod
    def poll(cls, context):
        if not results.of_role(context.scene, "key"):
            cls.poll_message_set("Set the keys first")
            return False
        return super().poll(context)


class MOULDLOFT_OT_check_keys(HasKeys, bpy.types.Operator):
    """Check whether the glove is still held with the keys where they stand now"""

    bl_idname = "mouldloft.check_keys"
    bl_label = "Check the Keys as Moved"
    bl_options = UNDO

    def execute(self, context):
        try:
            done = state.done_for_sure(context, "glove", "mouldloft.plan_all")
            done |= state.done_now(context.scene, "keys")
            if "keys" not in done:
                self.report({"ERROR"}, "The keys are out of date: set them again first.")
                return {"CANCELLED"}
            moved = keys_as_moved(context.scene, done)
            settle_keys(context.scene, done, moved)
            check_moved_keys(context.scene, done, moved)
        except Exception as error:
            return say(self, error)
        s = properties.of(context.scene)
        self.report({"INFO"} if s.keys_check_good else {"WARNING"}, s.keys_check)
        return {"FINISHED"}


class MOULDLOFT_OT_use_keys(RunsSections, HasKeys, bpy.types.Operator):
    """Plan on with the keys as they were moved, added or deleted"""

    bl_idname = "mouldloft.use_keys"
    bl_label = "Use These Keys"
    bl_options = UNDO

    section = "keys"

    def prepare(self, context):
        take_keys(context.scene)
        return super().prepare(context)


class MOULDLOFT_OT_forget_keys(Idle, bpy.types.Operator):
    """Forget the keys placed by hand. They are set by rule again"""

    bl_idname = "mouldloft.forget_keys"
    bl_label = "Forget My Keys"
    bl_options = UNDO

    @classmethod
    def poll(cls, context):
        if not properties.of(context.scene).moved_keys and not results.is_edited(context.scene, "keys"):
            cls.poll_message_set("No key was moved by hand")
            return False
        return super().poll(context)

    def invoke(self, context, event):
        return context.window_manager.invoke_confirm(self, event)

    def execute(self, context):
        from mouldloft.base.progress import SILENT

        scene = context.scene
        properties.of(scene).moved_keys = properties.of(scene).keys_check = ""
        done = state.done_now(scene)
        if "keys" in done:
            results.show(scene, "keys", display.shown_of("keys", done, SILENT))
        else:
            results.remember(scene, "keys")
        return {"FINISHED"}


_CLASSES = (MOULDLOFT_OT_check_keys, MOULDLOFT_OT_use_keys, MOULDLOFT_OT_forget_keys)


register, unregister = registering(_CLASSES)
