# ruff: noqa: RUF012 - Blender reads these plain class attributes
"""The sheets, and taking the plan away."""

from __future__ import annotations

import json
from pathlib import Path

import bpy
from bpy.props import BoolProperty, StringProperty

from ...registering import registering
from ...scene import properties, results, state
from ...scene.roles import COLLECTIONS
from . import taking
from .common import Idle
from .running import Working

OPENED = (".pdf", ".csv", ".dxf", ".svg", ".json", ".html", ".png", ".stl", ".glb", ".3mf")  # what a plan writes


def written_files(scene: bpy.types.Scene) -> list[tuple[str, str]]:
    """(path, what) of the results written last; nothing else that a stranger's .blend may name."""
    try:
        told = json.loads(properties.of(scene).sheets or "[]")
        rows = [(str(path), str(what)) for path, what in told]
    except (ValueError, TypeError):
        return []
    return [(path, what) for path, what in rows if Path(path).suffix.lower() in OPENED]


def keep_written(scene: bpy.types.Scene, rows: list[tuple[str, str]]) -> None:
    """List what was written first, before what was written earlier."""
    new = {path for path, _ in rows}
    earlier = [row for row in written_files(scene) if row[0] not in new]
    properties.of(scene).sheets = json.dumps([*rows, *earlier])


class MOULDLOFT_OT_write_sheets(Working, bpy.types.Operator):
    """Write the client sheet, workshop sheets, order list and templates of the plan into the folder"""

    bl_idname = "mouldloft.write_sheets"
    bl_label = "Write the Sheets"

    def prepare(self, context):
        scene = context.scene
        target = state.folder_of(scene)
        plan = state.plan_for_sure(context)
        solids = tuple(sorted(properties.of(scene).solids))

        def work(progress):
            from mouldloft.outputs.results import write_results

            return [(str(made.path), made.what) for made in write_results(plan, target, progress, solids=solids)]

        return work

    def salvage(self, context, error) -> bool:
        from mouldloft.base.errors import Cancelled

        if not isinstance(error, Cancelled):
            kept = properties.of(context.scene).result("sheets")
            kept.refusal, kept.cure = str(error), getattr(error, "cure", "")
        return False

    def finish(self, context, result) -> None:
        s = properties.of(context.scene)
        s.sheets = json.dumps(result)
        s.result("sheets").refusal = ""
        self.report({"INFO"}, f"{len(result)} results stand in {state.folder_of(context.scene)}")


class MOULDLOFT_OT_open_file(bpy.types.Operator):
    """Open this file with the program that shows its kind"""

    bl_idname = "mouldloft.open_file"
    bl_label = "Open a Result"
    bl_options = {"INTERNAL"}

    path: StringProperty(name="File", description="Path of the file to open")
    what: StringProperty(name="What", description="What the file is")

    @classmethod
    def description(cls, context, properties):
        return f"Open {Path(properties.path).name}: {properties.what}"

    def execute(self, context):
        if Path(self.path).suffix.lower() not in OPENED:
            self.report({"ERROR"}, f"{Path(self.path).name} is not a result of a plan: it is not opened from here.")
            return {"CANCELLED"}
        if not Path(self.path).exists():
            self.report({"ERROR"}, f"{self.path} is not there any more: write the sheets again.")
            return {"CANCELLED"}
        return bpy.ops.wm.path_open(filepath=self.path)


class MOULDLOFT_OT_clear(Idle, bpy.types.Operator):
    """Take away all objects of the plan and what the sections said. The sculpt and the settings stay"""

    bl_idname = "mouldloft.clear"
    bl_label = "Clear the Plan"
    bl_options = {"REGISTER", "UNDO"}

    all_settings: BoolProperty(
        name="Drawn Seam and Moved Keys Too", default=True, description="Forget the line and the keys set by hand"
    )

    @classmethod
    def poll(cls, context):
        s = properties.of(context.scene)
        if not s.results and not results.of_role(context.scene, *COLLECTIONS):
            cls.poll_message_set("There is no plan to clear")
            return False
        return super().poll(context)

    def invoke(self, context, event):
        return context.window_manager.invoke_confirm(self, event)

    def execute(self, context):
        taking.forget_plan(context, self.all_settings)
        return {"FINISHED"}


class MOULDLOFT_OT_toggle_shown(bpy.types.Operator):
    """Show or hide these results in the views"""

    bl_idname = "mouldloft.toggle_shown"
    bl_label = "Show or Hide Results"
    bl_options = {"UNDO", "INTERNAL"}

    role: StringProperty(name="Role", description="Which results")

    def execute(self, context):
        results.set_seen(context.scene, not results.is_seen(context.scene, self.role), self.role)
        return {"FINISHED"}


_CLASSES = (MOULDLOFT_OT_write_sheets, MOULDLOFT_OT_open_file, MOULDLOFT_OT_clear, MOULDLOFT_OT_toggle_shown)


register, unregister = registering(_CLASSES)
