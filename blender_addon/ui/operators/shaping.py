# ruff: noqa: RUF012 - Blender reads these plain class attributes
"""The seam under the hand: dragged over the skin, its price and undercut fill following."""

from __future__ import annotations

from typing import Any

import bpy
import numpy as np
from bpy.props import FloatProperty, FloatVectorProperty

from ...registering import registering
from ...scene import properties, results, settings, state, views
from ...work import display, lines
from .. import live
from .common import say
from .seam import HasSeam

HELP = (
    "Drag the line over the skin    Wheel while dragging: how much follows    Ctrl Z: a step back    R: as planned    "
    "Enter: keep    Esc: leave"
)
NEAR_PX = 30.0  # from the pointer to the line it takes hold of
REACH = 0.06  # of the piece's greatest size, how far the line follows at first
FOLLOWS = 0.7  # of how far it was dragged, at least: so that no drag makes a tight turn
GROWS = 1.25  # a notch of the wheel


class Shaping:
    """A seam being shaped: its levels, one for each step, and where its skin is met."""

    def __init__(self, context: bpy.types.Context) -> None:
        from mathutils.bvhtree import BVHTree
        from mouldloft.stages.seam.shaping import drawn_seam, shaper_of
        from mouldloft.trade.seamterms import terms_for

        scene = context.scene
        done = state.done_for_sure(context, "seam", "mouldloft.plan_all")
        brief, catalogue = settings.brief_of(scene), state.catalogue_of(scene)
        self.scene, self.currency = scene, catalogue.currency
        self.units = lines.Units(scene.unit_settings.system == "IMPERIAL")
        terms = terms_for(done["master"].height_mm, brief, catalogue)
        self.shaper = shaper_of(done["master"], done["seam"], brief.seam, terms)
        self.levels: list[np.ndarray] = [self.shaper.level_mm]
        self.reach_mm = REACH * max(done["master"].size_mm)
        light = self.shaper.master
        self._skin: Any = BVHTree.FromPolygons(light.vertices_mm.tolist(), light.faces.tolist())
        self._draw = drawn_seam
        self.first = self.now = drawn_seam(self.shaper, self.shaper.level_mm)

    def to_plan(self, at: Any) -> np.ndarray:
        """Plan millimetres of a place in the world."""
        local = properties.of(self.scene).root.matrix_world.inverted() @ results.vector(at)
        return np.array(local) * properties.mm_per_unit(self.scene)

    def met(self, eye: Any, sight: Any) -> tuple[np.ndarray, int] | None:
        """Where a line of sight in the world meets the skin, and on which face."""
        start = self.to_plan(eye)
        along = self.to_plan(eye + sight) - start
        at, _, face, _ = self._skin.ray_cast(start.tolist(), along.tolist())
        return None if at is None else (np.array(at), int(face))

    def nearest(self, at_mm: Any) -> tuple[np.ndarray, int]:
        """The place of the skin nearest to one in plan millimetres, and its face."""
        at, _, face, _ = self._skin.find_nearest(list(at_mm))
        return np.array(at), int(face)

    def points_mm(self) -> np.ndarray:
        """(k, 3) points of the line as it is now."""
        return np.concatenate([line.points_mm for line in self.now.lines])

    def draw_through(self, base: np.ndarray, at_mm: np.ndarray, face: int, dragged_mm: float) -> None:
        """Have the line go through a place; it stays as it was where that would part nothing."""
        from mouldloft.base.errors import PlanImpossible
        from mouldloft.stages.seam.shaping import drawn_through

        reach = max(self.reach_mm, FOLLOWS * dragged_mm)
        level = drawn_through(self.shaper, base, face, at_mm, reach)
        try:
            self.now = self._draw(self.shaper, level)
        except PlanImpossible:
            return
        self.levels[-1] = level

    def go_to(self, level: np.ndarray) -> None:
        """Show the line of a level."""
        self.levels[-1] = level
        self.now = self._draw(self.shaper, level)

    def words(self) -> str:
        """What the line costs now, and what it cost as planned."""
        return lines.shaped_line(self.now, self.first, self.currency, self.units)

    def keep(self) -> None:
        """Leave the line as the seam's curve: what runs next uses it, as if it were dragged point by point."""
        from mouldloft.geometry.polyline import spaced_out

        results.remove(self.scene, "seam")
        for number, line in enumerate(self.now.lines, 1):
            points = spaced_out(line.points_mm, line.closed, display.CURVE_STEP_MM)
            results.show_line(self.scene, display.Line(f"Seam {number}", points, line.closed))
        results.set_seen(self.scene, True, "seam")


class MOULDLOFT_OT_shape_seam(HasSeam, bpy.types.Operator):
    """Drag the seam over the skin, its price and undercut fill following. Enter keeps the line, Escape leaves it"""

    bl_idname = "mouldloft.shape_seam"
    bl_label = "Shape the Seam"
    bl_options: Any = {"UNDO", "BLOCKING"}

    through: FloatVectorProperty(size=3, name="Through", description="For scripts: a place in plan millimetres")
    reach: FloatProperty(name="Reach", description="For scripts: how far the line follows, in millimetres. 0: by size")

    def execute(self, context):
        try:
            shaping = Shaping(context)
            shaping.reach_mm = self.reach or shaping.reach_mm
            at, face = shaping.nearest(self.through)
            shaping.draw_through(shaping.levels[0], at, face, 0.0)
        except Exception as error:
            return say(self, error)
        shaping.keep()
        self.report({"INFO"}, shaping.words())
        return {"FINISHED"}

    def invoke(self, context, event):
        if not isinstance(context.space_data, bpy.types.SpaceView3D):
            self.report({"ERROR"}, "Shape the seam in a 3D view.")
            return {"CANCELLED"}
        context.window.cursor_set("WAIT")
        try:
            self._shaping = Shaping(context)
        except Exception as error:
            return say(self, error)
        finally:
            context.window.cursor_set("DEFAULT")
        self._held: Any = None  # the level that a drag began from, and the place that was taken hold of
        results.show_only(context.scene, "map", "handling")
        views.show_colours(context, False)
        self._drawing = live.LiveLine(context.scene)
        self._drawing.start()
        self._show(context)
        context.window_manager.modal_handler_add(self)
        return {"RUNNING_MODAL"}

    def _show(self, context) -> None:
        self._drawing.show([(line.points_mm, line.closed) for line in self._shaping.now.lines])
        context.area.header_text_set(self._shaping.words())
        context.workspace.status_text_set(HELP)
        views.redraw(context, "WINDOW")

    def _met(self, context, event):
        from bpy_extras.view3d_utils import region_2d_to_origin_3d, region_2d_to_vector_3d

        at = (event.mouse_region_x, event.mouse_region_y)
        eye: Any = region_2d_to_origin_3d(context.region, context.region_data, at)
        sight: Any = region_2d_to_vector_3d(context.region, context.region_data, at)
        return self._shaping.met(eye, sight)

    def _take_hold(self, context, event) -> None:
        """Take hold of the line where the pointer is near it."""
        from bpy_extras.view3d_utils import location_3d_to_region_2d

        met = self._met(context, event)
        if met is None:
            return
        points = self._shaping.points_mm()
        place = points[int(np.argmin(np.linalg.norm(points - met[0], axis=1)))]
        world = properties.of(context.scene).root.matrix_world
        local = results.vector(place * results.units_per_mm(context.scene))
        seen: Any = location_3d_to_region_2d(context.region, context.region_data, world @ local)
        if seen is None:
            return
        away = np.hypot(seen.x - event.mouse_region_x, seen.y - event.mouse_region_y)
        if away <= NEAR_PX * context.preferences.system.ui_scale:
            self._held = (self._shaping.levels[-1], place)
            self._shaping.levels.append(self._shaping.levels[-1])

    def _drag(self, context, event) -> None:
        met = self._met(context, event)
        if met is not None:
            (at, face), (base, place) = met, self._held
            self._shaping.draw_through(base, at, face, float(np.linalg.norm(at - place)))
            self._show(context)

    def _step_back(self, context) -> None:
        levels = self._shaping.levels
        if len(levels) > 1:
            levels.pop()
            self._shaping.go_to(levels[-1])
            self._show(context)

    def modal(self, context, event):
        pressed = event.value == "PRESS"
        if self._held is not None:
            return self._while_held(context, event)
        if event.type == "LEFTMOUSE" and pressed:
            self._take_hold(context, event)
        elif event.type == "Z" and pressed and (event.ctrl or event.oskey):
            self._step_back(context)
        elif event.type == "R" and pressed:
            self._shaping.levels.append(self._shaping.levels[-1])
            self._shaping.go_to(self._shaping.levels[0])
            self._show(context)
        elif event.type in {"RET", "NUMPAD_ENTER"} and pressed:
            return self._end(context, keep=self._shaping.levels[-1] is not self._shaping.levels[0])
        elif event.type in {"ESC", "RIGHTMOUSE"} and pressed:
            return self._end(context, keep=False)
        elif event.type in {"MIDDLEMOUSE", "WHEELUPMOUSE", "WHEELDOWNMOUSE"} or event.type.startswith(
            ("NUMPAD_", "TRACKPAD", "NDOF")
        ):
            return {"PASS_THROUGH"}  # the view turns as ever
        return {"RUNNING_MODAL"}

    def _while_held(self, context, event):
        if event.type == "MOUSEMOVE":
            self._drag(context, event)
        elif event.type in {"WHEELUPMOUSE", "WHEELDOWNMOUSE"}:
            self._shaping.reach_mm *= GROWS if event.type == "WHEELUPMOUSE" else 1.0 / GROWS
            self._drag(context, event)
        elif event.type == "LEFTMOUSE" and event.value == "RELEASE":
            self._held = None
        elif event.type in {"ESC", "RIGHTMOUSE"} and event.value == "PRESS":
            self._held = None
            self._step_back(context)
        return {"RUNNING_MODAL"}

    def _end(self, context, keep: bool) -> set[str]:
        self.cancel(context)
        if not keep:
            return {"CANCELLED"}
        self._shaping.keep()
        self.report({"INFO"}, f"{self._shaping.words()}. What you run next uses this line")
        return {"FINISHED"}

    def cancel(self, context):
        self._drawing.stop()
        results.set_seen(context.scene, True, "seam")
        if context.area is not None:
            context.area.header_text_set(None)
        context.workspace.status_text_set(None)
        views.redraw(context)


_CLASSES = (MOULDLOFT_OT_shape_seam,)

register, unregister = registering(_CLASSES)
