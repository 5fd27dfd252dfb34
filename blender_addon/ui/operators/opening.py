"""The opening: its directions, and the undercut map along one."""

from __future__ import annotations

import bpy
from bpy.props import IntProperty

from ...scene import results, state, views
from ...work import display, jobs
from .running import UNDO, say


class MOULDLOFT_OT_preview_way(bpy.types.Operator):
    """Colour the copy at once by what a pull along this direction frees; nothing else is changed"""

    bl_idname = "mouldloft.preview_way"
    bl_label = "Show the map along it"
    bl_options = UNDO

    index: IntProperty(default=-1, description="Direction found, or -1 for my own")

    @classmethod
    def poll(cls, context):
        return jobs.job() is None

    def execute(self, context):
        scene = context.scene
        s = scene.mouldloft
        try:
            done = state.done_now(scene)
            if "master" not in done:
                self.report({"ERROR"}, "Take the sculpt in first.")
                return {"CANCELLED"}
            way = s.ways[self.index].direction if 0 <= self.index < len(s.ways) else s.own_way
            if max(abs(v) for v in way) < 1e-6:
                self.report({"ERROR"}, "The direction is zero: set at least one of its numbers.")
                return {"CANCELLED"}
            from mouldloft.stages.undercut import undercut_field

            if s.map_kind != "FREES":
                s.map_kind = "FREES"
            field = undercut_field(done["master"], tuple(way), check=False, scene=self._rays(done["master"]))
            thing = results.show_map(scene, done["master"], s.result("sculpt").stamp)
            results.colour_map(scene, thing, display.map_colours("FREES", {"undercut": field}))
        except Exception as error:
            return say(self, error)
        results.show_only("map", "seam", "handling")
        views.show_colours(context, True)
        views.redraw(context)
        return {"FINISHED"}

    _scene_of: tuple | None = None

    @classmethod
    def _rays(cls, master):
        """The master's ray scene, built once: a new direction asks the same one."""
        from mouldloft.geometry.rays import ray_scene

        if cls._scene_of is None or cls._scene_of[0] is not master:
            cls._scene_of = (master, ray_scene(master.vertices_mm, master.faces))
        return cls._scene_of[1]


class MOULDLOFT_OT_take_way(bpy.types.Operator):
    """Open along the direction chosen in the list instead of the best one"""

    bl_idname = "mouldloft.take_way"
    bl_label = "Open along this one"
    bl_options = UNDO

    @classmethod
    def poll(cls, context):
        s = context.scene.mouldloft
        return jobs.job() is None and 0 <= s.way_index < len(s.ways)

    def execute(self, context):
        s = context.scene.mouldloft
        s.way, s.own_way = "OWN", s.ways[s.way_index].direction
        return bpy.ops.mouldloft.preview_way(index=s.way_index)


class MOULDLOFT_OT_map_view(bpy.types.Operator):
    """Have this view show the map's colours, or the materials again"""

    bl_idname = "mouldloft.map_view"
    bl_label = "Colours in this view"

    @classmethod
    def poll(cls, context):
        return context.space_data is not None and context.space_data.type == "VIEW_3D"

    def execute(self, context):
        on = views.colours_shown(context)
        context.space_data.shading.type = "SOLID"
        views.show_colours(context, not on)
        return {"FINISHED"}


_CLASSES = (MOULDLOFT_OT_preview_way, MOULDLOFT_OT_take_way, MOULDLOFT_OT_map_view)


register, unregister = bpy.utils.register_classes_factory(_CLASSES)
