"""The panel of what is tried on a plan: the gloves peeled by mechanics, the sculpt in sections."""

from __future__ import annotations

import bpy

from ..registering import registering
from ..scene import properties, results
from ..work.sections import BY_KEY
from .panels import InSidebar, refusal_box, remarks_below, remarks_of, standings_now, wrapped


def _told(context, layout, key: str, section: str) -> None:
    """What a trial said, and whether that is still of the plan as it stands."""
    refusal_box(layout, context, key)
    result = properties.of(context.scene).results.get(key)
    if result is None or not result.stamp:
        return
    box = layout.box()
    made = properties.of(context.scene).results.get(section)
    if standings_now(context)[0][section].kind != "fresh" or made is None or made.stamp != result.stamp:
        wrapped(box, context, f"Of an earlier state: {BY_KEY[section].title} has changed since.", "FILE_REFRESH")
    wrapped(box, context, result.line, "NONE" if result.good else "ERROR")
    remarks_below(context, box, result, remarks_of(result))


class MOULDLOFT_PT_trials(InSidebar, bpy.types.Panel):
    """The gloves peeled by mechanics, the sculpt in sections."""

    bl_label = "Trials"
    bl_idname = "MOULDLOFT_PT_trials"
    bl_order = 11
    bl_options = {"DEFAULT_CLOSED"}  # noqa: RUF012 - Blender reads this plain class attribute

    def draw(self, context):
        layout = self.layout
        layout.use_property_split = True
        layout.use_property_decorate = False
        scene = context.scene
        layout.prop(properties.of(scene), "peel_ways")
        layout.operator("mouldloft.peel_gloves", icon="MOD_CLOTH")
        _told(context, layout, "peel", "keys")
        if results.of_role(scene, "peel"):
            layout.prop(scene, "frame_current", text="Frame")
        layout.separator()
        layout.operator("mouldloft.propose_sections", icon="MOD_BOOLEAN")
        _told(context, layout, "sections", "sculpt")


_CLASSES = (MOULDLOFT_PT_trials,)

register, unregister = registering(_CLASSES)
