"""Trials on a plan: the gloves peeled by mechanics, the master cut into sections."""

from __future__ import annotations

import json

import bpy

from ...registering import registering
from ...scene import properties, results, settings, state, trials, views
from ...work.trials import Told
from ..trying import cut_up, peeled
from .asbuilt import Kept
from .common import UNDO


def keep_told(scene: bpy.types.Scene, key: str, told: Told, section: str) -> None:
    """Keep what a trial said, and what it was tried on."""
    kept = properties.of(scene).result(key)
    kept.line, kept.good, kept.remarks = told.line, told.good, json.dumps(told.remarks)
    kept.stamp, kept.refusal, kept.cure = state.stamps_of(scene)[section], "", ""


class MOULDLOFT_OT_peel_gloves(Kept, bpy.types.Operator):
    """Peel each glove off its cast by mechanics, and play it, its stretch in colours. Takes minutes; Escape stops it"""

    bl_idname = "mouldloft.peel_gloves"
    bl_label = "Peel the Gloves"
    bl_options = UNDO

    kept = "peel"

    def prepare(self, context):
        plan, ways = state.plan_for_sure(context), properties.of(context.scene).peel_ways.lower()
        return lambda progress: peeled(plan, ways, progress)

    def finish(self, context, result) -> None:
        scene = context.scene
        trials.show_peel(scene, result)
        keep_told(scene, "peel", result.told, "keys")
        properties.of(scene).map_kind = "PEEL"
        scene.frame_set(scene.frame_start)
        self.report({"INFO"} if result.told.good else {"WARNING"}, result.told.line)


class MOULDLOFT_OT_propose_sections(Kept, bpy.types.Operator):
    """Show where the sculpt would be cut into parts moulded by themselves, and what each weighs. Escape stops it"""

    bl_idname = "mouldloft.propose_sections"
    bl_label = "Propose Sections"
    bl_options = UNDO

    kept = "sections"

    def prepare(self, context):
        scene = context.scene
        master = state.done_for_sure(context, "sculpt", "mouldloft.take_sculpt")["master"]
        brief, catalogue = settings.brief_of(scene), state.catalogue_of(scene)
        return lambda progress: cut_up(master, brief, catalogue, progress)

    def finish(self, context, result) -> None:
        scene = context.scene
        results.remove(scene, "section")
        for shape in result.shapes:
            results.show_shape(scene, shape)
        keep_told(scene, "sections", result.told, "sculpt")
        if result.shapes:
            s = properties.of(scene)
            s.apart = max(s.apart, 0.25)  # so that the cuts are seen
            results.set_apart(scene, s.apart)
            results.show_only(scene, "section")
            views.show_colours(context, False)
        self.report({"INFO"} if result.told.good else {"WARNING"}, result.told.line)


_CLASSES = (MOULDLOFT_OT_peel_gloves, MOULDLOFT_OT_propose_sections)

register, unregister = registering(_CLASSES)
