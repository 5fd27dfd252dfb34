# ruff: noqa: RUF012 - Blender reads these plain class attributes
"""The sheets, and taking the plan away."""

from __future__ import annotations

import json
from pathlib import Path

import bpy
from bpy.props import BoolProperty, StringProperty

from ...scene import keeping, reading, results, state
from ...work import jobs
from . import pictures
from .running import Working


class MOULDLOFT_OT_write_sheets(Working, bpy.types.Operator):
    """Write the client sheet, workshop sheets, order list and templates of the plan into the folder"""

    bl_idname = "mouldloft.write_sheets"
    bl_label = "Write the sheets"

    def prepare(self, context):
        scene = context.scene
        folder = scene.mouldloft.folder
        if folder.startswith("//") and not bpy.data.filepath:
            raise reading.Unreadable("Save the .blend first, or choose a folder that does not start with //.")
        plan = state.plan_now(scene)
        if plan is None:
            raise reading.Unreadable("A section is out of date: reckon the order first, then write the sheets.")
        target = bpy.path.abspath(folder)
        solids = tuple(sorted(scene.mouldloft.solids))

        def work(progress):
            from mouldloft.outputs.results import write_results

            return [(str(made.path), made.what) for made in write_results(plan, target, progress, solids=solids)]

        return work

    def finish(self, context, result) -> None:
        context.scene["mouldloft_sheets"] = json.dumps(result)
        self.report({"INFO"}, f"{len(result)} results stand in {bpy.path.abspath(context.scene.mouldloft.folder)}")


class MOULDLOFT_OT_open_file(bpy.types.Operator):
    """Open this file with the program that shows its kind"""

    bl_idname = "mouldloft.open_file"
    bl_label = "Open"

    path: StringProperty()
    what: StringProperty()

    @classmethod
    def description(cls, context, properties):
        return f"Open {Path(properties.path).name}: {properties.what}"

    def execute(self, context):
        if not Path(self.path).exists():
            self.report({"ERROR"}, f"{self.path} is not there any more: write the sheets again.")
            return {"CANCELLED"}
        return bpy.ops.wm.path_open(filepath=self.path)


class MOULDLOFT_OT_clear(bpy.types.Operator):
    """Take away all objects of the plan and what the sections said; the sculpt and the settings stay"""

    bl_idname = "mouldloft.clear"
    bl_label = "Clear the plan"
    bl_options = {"REGISTER", "UNDO"}

    all_settings: BoolProperty(name="Drawn seam and moved keys too", default=True)

    @classmethod
    def poll(cls, context):
        return jobs.job() is None

    def execute(self, context):
        s = context.scene.mouldloft
        pictures.remove_stills()
        results.remove(*results.COLLECTIONS)
        root = bpy.data.objects.get(results.ROOT)
        if root:
            bpy.data.objects.remove(root)
        for name in (*results.COLLECTIONS.values(), results.COLLECTION):
            collection = bpy.data.collections.get(name)
            if collection:
                bpy.data.collections.remove(collection)
        s.results.clear()
        s.ways.clear()
        s.map_text = s.keys_check = ""
        if self.all_settings:
            s.drawn_seam = s.moved_keys = ""
        for name in (keeping.STORE, keeping.LENGTH, "mouldloft_sheets"):
            if name in context.scene:
                del context.scene[name]
        return {"FINISHED"}


_CLASSES = (MOULDLOFT_OT_write_sheets, MOULDLOFT_OT_open_file, MOULDLOFT_OT_clear)


register, unregister = bpy.utils.register_classes_factory(_CLASSES)
