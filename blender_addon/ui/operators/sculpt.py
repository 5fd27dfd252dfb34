# ruff: noqa: RUF012 - Blender reads these plain class attributes
"""The sculpt: choosing it, the demo, and painting where the seam should not go."""

from __future__ import annotations

from pathlib import Path

import bpy

from ...registering import registering
from ...scene import keepclear, properties, reading, results, views
from .common import UNDO, Idle

HARE = Path(__file__).parents[2] / "hare.npz"


class MOULDLOFT_OT_use_selection(Idle, bpy.types.Operator):
    """Plan a mould for the selected objects. Several are planned as one sculpt, with their children"""

    bl_idname = "mouldloft.use_selection"
    bl_label = "Use Selected as Sculpt"
    bl_options = UNDO

    @classmethod
    def poll(cls, context):
        if context.active_object is None and not context.selected_objects:
            cls.poll_message_set("Select the sculpt's mesh first")
            return False
        return super().poll(context)

    def execute(self, context):
        chosen = [thing for thing in context.selected_objects if not reading.whose_mesh(thing)]
        active = context.active_object
        if active is not None and (active in chosen or not chosen):
            problem = reading.whose_mesh(active)
            if problem:
                self.report({"ERROR"}, problem)
                return {"CANCELLED"}
            chosen = [active, *(thing for thing in chosen if thing != active)]
        if not chosen:
            self.report({"ERROR"}, "Nothing selected has a mesh: select the sculpt first.")
            return {"CANCELLED"}
        s = properties.of(context.scene)
        s.parts.clear()
        for thing in chosen[1:]:
            if thing not in chosen[0].children_recursive:
                s.parts.add().thing = thing
        s.sculpt = chosen[0]
        said = reading.joined_words(reading.members_of(context.scene, context.view_layer))
        views.frame_things(context, list(reading.members_of(context.scene, context.view_layer).things))
        self.report({"INFO"}, " ".join(said) or f"{chosen[0].name} is the sculpt: drag the arrow on it")
        return {"FINISHED"}


class MOULDLOFT_OT_drop_parts(Idle, bpy.types.Operator):
    """Plan the sculpt alone, without the further objects and the collection"""

    bl_idname = "mouldloft.drop_parts"
    bl_label = "Drop Further Objects"
    bl_options = {"UNDO", "INTERNAL"}

    def execute(self, context):
        s = properties.of(context.scene)
        s.parts.clear()
        s.group = None
        s.touched = True
        return {"FINISHED"}


class MOULDLOFT_OT_show_sculpt(bpy.types.Operator):
    """Show the sculpt where it is hidden"""

    bl_idname = "mouldloft.show_sculpt"
    bl_label = "Show the Sculpt"
    bl_options = UNDO

    @classmethod
    def poll(cls, context):
        if properties.of(context.scene).sculpt is None:
            cls.poll_message_set("Choose the sculpt first")
            return False
        return True

    def execute(self, context):
        s = properties.of(context.scene)
        results.set_seen(context.scene, False, "map")
        for thing in reading.members_of(context.scene, context.view_layer).things:
            if thing.name in context.view_layer.objects:
                thing.hide_set(False)
            thing.hide_viewport = False
        if s.sculpt.name not in context.view_layer.objects:
            self.report({"WARNING"}, f"{s.sculpt.name} is in no collection of this view layer: link it to one.")
        return {"FINISHED"}


class MOULDLOFT_OT_add_hare(bpy.types.Operator):
    """Add the demo sculpt: a seated hare, 1.4 m tall"""

    bl_idname = "mouldloft.add_hare"
    bl_label = "Seated Hare (Mould Demo)"
    bl_options = UNDO

    @classmethod
    def poll(cls, context):
        if context.mode != "OBJECT":
            cls.poll_message_set("Only in Object mode")
            return False
        return True

    def execute(self, context):
        import numpy as np

        with np.load(HARE, allow_pickle=False) as kept:
            vertices, faces = kept["vertices_mm"].astype(np.float64), kept["faces"]
        scene = context.scene
        mesh = results.new_mesh("Seated hare", vertices * results.units_per_mm(scene), faces, True)
        hare = bpy.data.objects.new("Seated hare", mesh)
        hare.location.x = results.clear_of(scene, float(np.abs(vertices[:, 0]).max()) * results.units_per_mm(scene))
        context.collection.objects.link(hare)
        for thing in context.selected_objects:
            thing.select_set(False)
        hare.select_set(True)
        context.view_layer.objects.active = hare
        properties.of(scene).parts.clear()
        properties.of(scene).group = None
        properties.of(scene).sculpt = hare
        return {"FINISHED"}


class MOULDLOFT_OT_paint_keep_clear(Idle, bpy.types.Operator):
    """Paint where the seam should not go, such as eyes and face, as a vertex group of the sculpt. It begins with what
    was found from the shape, once the sculpt is taken in"""

    bl_idname = "mouldloft.paint_keep_clear"
    bl_label = "Paint Keep-Clear"
    bl_options = UNDO

    @classmethod
    def poll(cls, context):
        if properties.of(context.scene).sculpt is None:
            cls.poll_message_set("Choose the sculpt first")
            return False
        return super().poll(context)

    def execute(self, context):
        s = properties.of(context.scene)
        thing = s.sculpt
        problem = reading.whose_mesh(thing)
        if problem or thing.type != "MESH":
            self.report({"ERROR"}, problem or f"{thing.name} instances a collection: paint on its parts instead.")
            return {"CANCELLED"}
        if thing.library or thing.data.library:
            self.report({"ERROR"}, f"{thing.name} is linked: make it local to paint on it.")
            return {"CANCELLED"}
        results.show_only(context.scene)  # the sculpt alone: map, glove and jacket lie over what is painted on
        if thing.hide_get() or thing.name not in context.view_layer.objects:
            self.report({"ERROR"}, f"{thing.name} is hidden: show it to paint on it.")
            return {"CANCELLED"}
        group = thing.vertex_groups.get(s.keep_clear)
        if group is None:
            found = keepclear.found_on(context.scene, thing)  # asked first: another group puts the sculpt out of date
            group = thing.vertex_groups.new(name="Keep clear")
            self.report({"INFO"}, keepclear.painted_in(group, found))
        s.keep_clear = group.name
        thing.vertex_groups.active_index = group.index
        context.view_layer.objects.active = thing
        thing.select_set(True)
        if not bpy.app.background:
            bpy.ops.object.mode_set(mode="WEIGHT_PAINT")
        return {"FINISHED"}


_CLASSES = (
    MOULDLOFT_OT_use_selection,
    MOULDLOFT_OT_drop_parts,
    MOULDLOFT_OT_show_sculpt,
    MOULDLOFT_OT_add_hare,
    MOULDLOFT_OT_paint_keep_clear,
)


register, unregister = registering(_CLASSES)
