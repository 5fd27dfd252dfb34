# ruff: noqa: RUF012 - Blender reads these plain class attributes
"""The seam under the hand: dragged over the skin, its price and undercut fill following."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import bpy
import numpy as np
from bpy.props import FloatProperty, FloatVectorProperty

from ...registering import registering
from ...scene import drawnline, properties, results, settings, state, views
from ...work import display, lines
from .. import live
from .common import say, sight_of
from .seam import HasSeam

HELP = (
    "Drag the line over the skin; a click pins it    Wheel while dragging: how much follows    "
    "X over a handle: let go    Ctrl Z: a step back    R: as it was    Enter: keep    Esc: leave"
)
NEAR_PX = 30.0  # from the pointer to the line it takes hold of
REACH = 0.06  # of the piece's greatest size, how far the line follows at first
FOLLOWS = 0.7  # of how far it was dragged, at least: so that no drag makes a tight turn
GROWS = 1.25  # a notch of the wheel


@dataclass(frozen=True, eq=False)
class Held:
    """A handle of the line. place : the core's; home_mm : (3,) where the line was taken hold of; reach_mm : how far it
    follows at least."""

    place: Any
    home_mm: np.ndarray
    reach_mm: float


@dataclass(frozen=True, eq=False)
class Step:
    """The handles after a step, and the line at rest with them."""

    handles: tuple[Held, ...]
    rest: Any


class Shaping:
    """A seam being shaped: its handles and its line at rest after each step, the last as it is now; the line while it
    moves; and where its skin is met."""

    def __init__(self, context: bpy.types.Context) -> None:
        from mathutils.bvhtree import BVHTree
        from mouldloft.stages.seam import shaping
        from mouldloft.trade.seamterms import terms_for

        scene = context.scene
        done, level = _begun_from(context)
        brief, catalogue = settings.brief_of(scene), state.catalogue_of(scene)
        self.scene, self.currency = scene, catalogue.currency
        self.units = lines.Units(scene.unit_settings.system == "IMPERIAL")
        terms = terms_for(done["master"].height_mm, brief, catalogue)
        self.shaper = shaping.shaper_of(done["master"], done["undercut"], level, brief.seam, terms)
        self.reach_mm = REACH * max(done["master"].size_mm)
        light = self.shaper.master
        self._skin: Any = BVHTree.FromPolygons(light.vertices_mm.tolist(), light.faces.tolist())
        self._core = shaping
        self.steps = [Step((), shaping.at_rest(self.shaper, (), level))]
        self.first, self.moving = self.steps[0].rest.told, self.steps[0].rest.light
        # the plan measures fill once more on a finer surface: what is said here is said by the same measure
        planned = done["locks"].fill_mm3 if "locks" in done else self.first.fill_mm3
        self._finer = planned / self.first.fill_mm3 if self.first.fill_mm3 > 0 else 1.0
        self._handles: tuple[Held, ...] = ()

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
        return np.concatenate([line.points_mm for line in self.lines])

    @property
    def handles(self) -> tuple[Held, ...]:
        """The handles as they are now."""
        return self._handles

    @property
    def at_rest(self) -> bool:
        """Whether nothing has moved since the last step."""
        return self._handles is self.steps[-1].handles

    @property
    def lines(self) -> tuple:
        """The line as it is now: at rest the plan's own, while it moves the light copy's."""
        return self.steps[-1].rest.lines if self.at_rest else self.moving.lines

    def put(self, number: int, at_mm: np.ndarray, face: int, home_mm: np.ndarray, reach_mm: float) -> bool:
        """Have a handle, or one more, at a place; where the line would part nothing, all stays, and this is False."""
        reach = max(reach_mm, FOLLOWS * float(np.linalg.norm(at_mm - home_mm)))
        held = Held(self._core.handle_at(self.shaper, face, at_mm, reach), home_mm, reach_mm)
        others = self._handles
        return self._move((*others[:number], held, *others[number + 1 :]))

    def let_go(self, number: int) -> None:
        """A step: one handle less."""
        if self._move(tuple(held for k, held in enumerate(self._handles) if k != number)):
            self.settle()

    def back(self) -> None:
        """A step back, where there is one."""
        if len(self.steps) > 1:
            self.steps.pop()
        self.leave()

    def leave(self) -> None:
        """Leave a line that moves: it is as after the last step."""
        self._handles = self.steps[-1].handles
        self.moving = self.steps[-1].rest.light

    def settle(self) -> None:
        """A step: the line comes to rest as the plan takes it; back to the last where it would part nothing."""
        from mouldloft.base.errors import PlanImpossible

        if self.at_rest:
            return
        try:
            rest = self._core.at_rest(self.shaper, [held.place for held in self._handles])
        except PlanImpossible:
            self.leave()
            return
        self.steps.append(Step(self._handles, rest))

    def _move(self, handles: tuple[Held, ...]) -> bool:
        from mouldloft.base.errors import PlanImpossible

        level = self._core.drawn_through(self.shaper, [held.place for held in handles])
        try:
            self.moving = self._core.drawn_seam(self.shaper, level)
        except PlanImpossible:
            return False
        self._handles = handles
        return True

    def reset(self) -> None:
        """A step: the line as it was."""
        self.steps.append(replace(self.steps[0], handles=()))
        self._handles, self.moving = self.steps[-1].handles, self.steps[0].rest.light

    def words(self) -> str:
        """What the line costs now, and what it cost before."""
        rest = self.steps[-1].rest
        now = rest.told if self.at_rest else rest.told_at(self.moving)
        here, before = (replace(told, fill_mm3=told.fill_mm3 * self._finer) for told in (now, self.first))
        return lines.shaped_line(here, before, self.currency, self.units)

    def keep(self) -> None:
        """Leave the line as the seam's curve, and its level beside it: what runs next takes that very line."""
        from mouldloft.geometry.polyline import spaced_out

        self.settle()
        results.remove(self.scene, "seam")
        for number, line in enumerate(self.lines, 1):
            points = spaced_out(line.points_mm, line.closed, display.CURVE_STEP_MM)
            results.show_line(self.scene, display.Line(f"Seam {number}", points, line.closed))
        results.set_seen(self.scene, True, "seam")
        drawnline.keep_level(self.scene, self.steps[-1].rest.level_mm)


def _begun_from(context: bpy.types.Context) -> tuple[dict, np.ndarray]:
    """The records a line is shaped on, and its level: of a line that was shaped and not planned yet, else the plan's.

    Raises `Unreadable` where something is out of date.
    """
    from mouldloft.stages.seam.shaping import level_of

    level = drawnline.level_left(context.scene)
    if level is not None:
        done = state.done_for_sure(context, "opening", "mouldloft.plan_all")
        if len(level) == len(done["master"].vertices_mm):
            return done, level
    done = state.done_for_sure(context, "seam", "mouldloft.plan_all")
    return done, level_of(done["seam"])


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
            shaping.put(0, at, face, at, shaping.reach_mm)
            shaping.settle()
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
        self._held: int | None = None  # number of the handle that is dragged
        results.show_only(context.scene, "map", "handling")
        views.show_colours(context, False)
        self._drawing = live.LiveLine(context.scene)
        self._drawing.start()
        self._show(context)
        context.window_manager.modal_handler_add(self)
        return {"RUNNING_MODAL"}

    def _show(self, context) -> None:
        shaping = self._shaping
        dots = np.array([held.place.at_mm for held in shaping.handles]).reshape(-1, 3)
        self._drawing.show([(line.points_mm, line.closed) for line in shaping.lines], dots)
        context.area.header_text_set(shaping.words())
        context.workspace.status_text_set(HELP)
        views.redraw(context, "WINDOW")

    def _met(self, context, event):
        return self._shaping.met(*sight_of(context, (event.mouse_region_x, event.mouse_region_y)))

    def _nearest(self, context, event, points: np.ndarray) -> int | None:
        """Number of the place of the skin that is under the pointer; None where none is near."""
        from bpy_extras.view3d_utils import location_3d_to_region_2d

        met = self._met(context, event)
        if met is None or not len(points):
            return None
        number = int(np.argmin(np.linalg.norm(points - met[0], axis=1)))
        world = properties.of(context.scene).root.matrix_world
        local = results.vector(points[number] * results.units_per_mm(context.scene))
        seen: Any = location_3d_to_region_2d(context.region, context.region_data, world @ local)
        if seen is None:
            return None
        away = np.hypot(seen.x - event.mouse_region_x, seen.y - event.mouse_region_y)
        return number if away <= NEAR_PX * context.preferences.system.ui_scale else None

    def _handle_near(self, context, event) -> int | None:
        return self._nearest(context, event, np.array([held.place.at_mm for held in self._shaping.handles]))

    def _take_hold(self, context, event) -> None:
        """Take hold of a handle, or of the line where the pointer is near it: a new handle, which pins it there."""
        shaping = self._shaping
        self._held = self._handle_near(context, event)
        if self._held is not None:
            return
        points = shaping.points_mm()
        number = self._nearest(context, event, points)
        if number is None:
            return
        at, face = shaping.nearest(points[number])
        if shaping.put(len(shaping.handles), at, face, at, shaping.reach_mm):
            self._held = len(shaping.handles) - 1

    def _drag(self, context, event) -> None:
        met = self._met(context, event)
        if met is not None:
            at, face = met
            held = self._shaping.handles[self._held]
            self._shaping.put(self._held, at, face, held.home_mm, held.reach_mm)
            self._show(context)

    def _wider(self, context, event) -> None:
        """More of the line follows the handle, or less."""
        shaping = self._shaping
        held = shaping.handles[self._held]
        shaping.reach_mm = held.reach_mm * (GROWS if event.type == "WHEELUPMOUSE" else 1.0 / GROWS)
        at, face = shaping.nearest(held.place.at_mm)
        shaping.put(self._held, at, face, held.home_mm, shaping.reach_mm)
        self._show(context)

    def modal(self, context, event):
        pressed = event.value == "PRESS"
        if self._held is not None:
            return self._while_held(context, event)
        if event.type == "LEFTMOUSE" and pressed:
            self._take_hold(context, event)
            self._show(context)
        elif event.type in {"X", "DEL"} and pressed:
            number = self._handle_near(context, event)
            if number is not None:
                self._shaping.let_go(number)
                self._show(context)
        elif event.type == "Z" and pressed and (event.ctrl or event.oskey):
            self._shaping.back()
            self._show(context)
        elif event.type == "R" and pressed:
            self._shaping.reset()
            self._show(context)
        elif event.type in {"RET", "NUMPAD_ENTER"} and pressed:
            return self._end(context, keep=bool(self._shaping.handles))
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
            self._wider(context, event)
        elif event.type == "LEFTMOUSE" and event.value == "RELEASE":
            self._held = None
            self._shaping.settle()
            self._show(context)
        elif event.type in {"ESC", "RIGHTMOUSE"} and event.value == "PRESS":
            self._held = None
            self._shaping.leave()
            self._show(context)
        return {"RUNNING_MODAL"}

    def _end(self, context, keep: bool) -> set[str]:
        self.cancel(context)
        if not keep:
            return {"CANCELLED"}
        self._shaping.keep()
        self.report({"INFO"}, f"{self._shaping.words()}. What you run next uses this line")
        ops: Any = bpy.ops
        if results.of_role(context.scene, "glove") and ops.mouldloft.look_at_glove.poll():
            ops.mouldloft.look_at_glove("INVOKE_DEFAULT")
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
