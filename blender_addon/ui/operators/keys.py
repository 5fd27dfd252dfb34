"""The keys: moved, checked again, and planned on with."""

from __future__ import annotations

import json

import bpy

from ...scene import reading, results, settings, state
from ...work import jobs, lines
from .running import UNDO, RunsSections, say


def keys_as_moved(scene: bpy.types.Scene, done: dict):
    """The keys as their objects stand now, feet on the glove's outside again: a list of the core's keys."""
    from dataclasses import replace

    import numpy as np
    from mouldloft.stages.keys.place import snap_to_outside

    models = {key.name: key for key in done["keys"].keys}
    things, moved = results.of_role("key"), []
    for envelope in done["bare_rubber"].envelopes:
        own = [thing for thing in things if thing[results.PIECE] == envelope.piece]
        if not own:
            continue
        at = np.array([results.plan_position(scene, thing) for thing in own])
        for thing, foot in zip(own, snap_to_outside(envelope, at)):
            # a copy of a key carries its name with a number behind the point
            name = thing.name.removeprefix("Key ").split(".")[0]
            model = models.get(name) or done["keys"].keys[0]
            moved.append(replace(model, piece=envelope.piece, foot_mm=tuple(float(v) for v in foot)))
    return moved


def check_moved_keys(scene: bpy.types.Scene) -> bool:
    """Re-check the keys as they stand and keep what the check says. False where there is nothing to check."""
    from mouldloft.stages.keys.fixture import recheck_keys, rubber_properties

    done = state.done_now(scene)
    if "keys" not in done or not results.of_role("key"):
        return False
    moved = keys_as_moved(scene, done)
    brief = settings.brief_of(scene)
    properties = rubber_properties(state.catalogue_of(scene).rubber_for(brief.materials))
    checks = recheck_keys(moved, done["bare_rubber"], brief.keys, properties)
    s = scene.mouldloft
    s.keys_check = lines.keys_line(checks, len(moved))
    s.keys_check_good = all(check.holds for check in checks)
    return True


class MOULDLOFT_OT_check_keys(bpy.types.Operator):
    """Check whether the glove is still held with the keys where they stand now"""

    bl_idname = "mouldloft.check_keys"
    bl_label = "Check as moved"
    bl_options = UNDO

    @classmethod
    def poll(cls, context):
        return jobs.job() is None and bool(results.of_role("key"))

    def execute(self, context):
        try:
            if not check_moved_keys(context.scene):
                self.report({"ERROR"}, "The keys are out of date: set them again first.")
                return {"CANCELLED"}
        except Exception as error:
            return say(self, error)
        s = context.scene.mouldloft
        self.report({"INFO"} if s.keys_check_good else {"WARNING"}, s.keys_check)
        return {"FINISHED"}


class MOULDLOFT_OT_use_keys(RunsSections, bpy.types.Operator):
    """Plan on with the keys as they were moved, added or deleted"""

    bl_idname = "mouldloft.use_keys"
    bl_label = "Use these keys"
    bl_options = UNDO

    section = "keys"

    def prepare(self, context):
        scene = context.scene
        done = state.done_now(scene)
        if "keys" not in done:
            raise reading.Unreadable("The keys are out of date: set them again first.")
        names = {envelope.piece: envelope.name for envelope in done["bare_rubber"].envelopes}
        rows = [[names[key.piece], *(round(v, 2) for v in key.foot_mm)] for key in keys_as_moved(scene, done)]
        scene.mouldloft.moved_keys = json.dumps(rows)
        return super().prepare(context)


class MOULDLOFT_OT_forget_keys(bpy.types.Operator):
    """Forget the keys placed by hand; they are set by rule again"""

    bl_idname = "mouldloft.forget_keys"
    bl_label = "Forget my keys"
    bl_options = UNDO

    @classmethod
    def poll(cls, context):
        return bool(context.scene.mouldloft.moved_keys)

    def execute(self, context):
        context.scene.mouldloft.moved_keys = ""
        return {"FINISHED"}


_CLASSES = (MOULDLOFT_OT_check_keys, MOULDLOFT_OT_use_keys, MOULDLOFT_OT_forget_keys)


register, unregister = bpy.utils.register_classes_factory(_CLASSES)
