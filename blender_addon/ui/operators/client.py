"""The client: signing the seam in the file, and the papers that go out."""

from __future__ import annotations

import datetime
from typing import Any

import bpy
from bpy.props import BoolProperty, StringProperty

from ...registering import registering
from ...scene import properties, reading, signing, state
from .common import UNDO, say
from .running import Working
from .seam import HasSeam
from .sheets import keep_written


class MOULDLOFT_OT_sign_seam(HasSeam, bpy.types.Operator):
    """Keep in the file that the client signs this seam: who, when, which revision. Void once the seam changes"""

    bl_idname = "mouldloft.sign_seam"
    bl_label = "Sign This Seam"
    bl_options = UNDO

    who: StringProperty(name="Name", maxlen=80, description="The client who signs")
    when: StringProperty(name="Date", maxlen=40, description="Day of the signature. Empty: today")
    write: BoolProperty(
        name="Write Client Sheet and Offer", description="Write both into the folder with the signature on them"
    )

    def invoke(self, context, event):
        self.when = datetime.date.today().isoformat()
        self.write = state.standings(context.scene)[0]["order"].kind == "fresh"  # else the offer has no figures yet
        return context.window_manager.invoke_props_dialog(self, width=380)

    def draw(self, context):
        layout = self.layout
        layout.use_property_split = True
        layout.use_property_decorate = False
        split = layout.split(factor=0.4, align=True)
        named = split.row()
        named.alignment = "RIGHT"
        named.label(text="Name ")
        name = split.row()
        name.use_property_split = False
        name.activate_init = True  # it is typed at once; only outside a property split does Blender heed this
        name.prop(self, "who", text="")
        layout.prop(self, "when")
        layout.prop(properties.of(context.scene), "revision")
        layout.prop(self, "write")

    def execute(self, context):
        scene = context.scene
        try:
            state.done_for_sure(context, "seam", "mouldloft.plan_all")
            if not self.who.strip():
                raise reading.Unreadable("Write the name of the client who signs.")
        except Exception as error:
            return say(self, error)
        signing.sign(scene, self.who.strip(), self.when.strip() or datetime.date.today().isoformat())
        self.report({"INFO"}, f"Signed: {signing.signed(scene)[0].words}")
        if self.write:
            ops: Any = bpy.ops  # ours is there once it is registered
            ops.mouldloft.client_papers("INVOKE_DEFAULT")
        return {"FINISHED"}


class MOULDLOFT_OT_client_papers(Working, bpy.types.Operator):
    """Write the client's sheet with the seam to sign, and the offer, into the folder. Escape stops it"""

    bl_idname = "mouldloft.client_papers"
    bl_label = "Write Client Sheet and Offer"

    def prepare(self, context):
        target = state.folder_of(context.scene)
        plan = state.plan_for_sure(context)

        def work(progress):
            from mouldloft.outputs.results import write_client_papers

            return [(str(made.path), made.what) for made in write_client_papers(plan, target, progress)]

        return work

    def finish(self, context, result) -> None:
        keep_written(context.scene, result)
        self.report({"INFO"}, f"Client sheet and offer stand in {state.folder_of(context.scene)}")


_CLASSES = (MOULDLOFT_OT_sign_seam, MOULDLOFT_OT_client_papers)


register, unregister = registering(_CLASSES)
