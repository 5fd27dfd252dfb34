"""The sculpt: choosing it, the demo, and painting where the seam should not go."""

from __future__ import annotations

from pathlib import Path

import bpy

from ...scene import reading, results
from .running import UNDO


class MOULDLOFT_OT_use_active(bpy.types.Operator):
    """Take the active object as the sculpt"""

    bl_idname = "mouldloft.use_active"
    bl_label = "Use the active object"
    bl_options = UNDO

    def execute(self, context):
        problem = reading.whose_mesh(context.active_object)
        if problem:
            self.report({"ERROR"}, problem)
            return {"CANCELLED"}
        context.scene.mouldloft.sculpt = context.active_object
        return {"FINISHED"}


class MOULDLOFT_OT_add_hare(bpy.types.Operator):
    """Add the demo: a seated hare, 1.4 m tall"""

    bl_idname = "mouldloft.add_hare"
    bl_label = "Add the seated hare"
    bl_options = UNDO

    def execute(self, context):
        import numpy as np

        with np.load(Path(__file__).parents[2] / "hare.npz", allow_pickle=False) as kept:
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
        scene.mouldloft.sculpt = hare
        return {"FINISHED"}


class MOULDLOFT_OT_paint_keep_clear(bpy.types.Operator):
    """Paint where the seam should not go, as a vertex group of the sculpt"""

    bl_idname = "mouldloft.paint_keep_clear"
    bl_label = "Paint keep-clear"
    bl_options = UNDO

    def execute(self, context):
        s = context.scene.mouldloft
        thing = s.sculpt
        problem = reading.whose_mesh(thing)
        if problem or thing.type != "MESH":
            self.report({"ERROR"}, problem or f"{thing.name} instances a collection: paint on its parts instead.")
            return {"CANCELLED"}
        if thing.library or thing.data.library:
            self.report({"ERROR"}, f"{thing.name} is linked: make it local to paint on it.")
            return {"CANCELLED"}
        if thing.hide_get() or thing.name not in context.view_layer.objects:
            self.report({"ERROR"}, f"{thing.name} is hidden: show it to paint on it.")
            return {"CANCELLED"}
        group = thing.vertex_groups.get(s.keep_clear) or thing.vertex_groups.new(name="Keep clear")
        s.keep_clear = group.name
        thing.vertex_groups.active_index = group.index
        context.view_layer.objects.active = thing
        thing.select_set(True)
        if not bpy.app.background:
            bpy.ops.object.mode_set(mode="WEIGHT_PAINT")
        return {"FINISHED"}


_CLASSES = (MOULDLOFT_OT_use_active, MOULDLOFT_OT_add_hare, MOULDLOFT_OT_paint_keep_clear)


register, unregister = bpy.utils.register_classes_factory(_CLASSES)
