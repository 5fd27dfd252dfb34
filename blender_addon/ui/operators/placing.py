# ruff: noqa: RUF012 - Blender reads these plain class attributes
"""The keys under the hand: dragged over the glove, added and taken away, the fixture checked at each step."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import bpy
import numpy as np
from bpy.props import EnumProperty, FloatVectorProperty, IntProperty, StringProperty

from ...registering import registering
from ...scene import properties, reading, results, settings, state, views
from ...scene.roles import PIECE, SHARE, WAY
from ...work import display
from .common import say, sight_of
from .keys import HasKeys, check_moved_keys
from .taking import keys_as_moved

HELP = (
    "Drag a key over the glove    Ctrl click: add one    X over a key: take it away    Ctrl Z: a step back    "
    "Enter: keep    Esc: leave"
)
NEAR_PX = 26.0  # from the pointer to the key it takes hold of


class Placing:
    """The tabs of a plan while they are placed by hand: a list for each step, the last as they stand now."""

    def __init__(self, context: bpy.types.Context) -> None:
        self.scene = context.scene
        self.done = state.done_for_sure(context, "glove", "mouldloft.plan_all") | state.done_now(self.scene, "keys")
        if "keys" not in self.done:
            raise reading.Unreadable("The keys are out of date: set them again first.", "mouldloft.plan_all")
        self.gloves = {thing[PIECE]: thing for thing in results.of_role(self.scene, "glove")}
        if not self.gloves:
            raise reading.Unreadable("The glove's objects are gone: lay it again, then place keys on it.")
        self.envelopes = {envelope.piece: envelope for envelope in self.done["bare_rubber"].envelopes}
        self.wedges = [key for key in self.done["keys"].keys if key.is_wedge]
        tabs = [key for key in keys_as_moved(self.scene, self.done) if not key.is_wedge]
        self.steps: list[list] = [tabs]

    @property
    def tabs(self) -> list:
        """The core's keys as they stand now."""
        return self.steps[-1]

    def thing_of(self, key) -> bpy.types.Object:
        """The object of a tab."""
        return next(t for t in results.of_role(self.scene, "key") if t.name == f"Key {key.name}")

    def at(self, name: str) -> int:
        """Number of the tab of a name. Raises `Unreadable`."""
        for number, key in enumerate(self.tabs):
            if key.name == name:
                return number
        raise reading.Unreadable(f"There is no key {name} that may be moved; wedges follow the wall they stand on.")

    def met(self, eye: Any, sight: Any) -> tuple[np.ndarray, int] | None:
        """Where a line of sight in the world first meets a glove, in plan millimetres, and of which piece."""
        best = None
        for piece, glove in self.gloves.items():
            back = glove.matrix_world.inverted_safe()
            start = back @ eye
            hit, at, _, _ = glove.ray_cast(start, (back @ (eye + sight) - start).normalized())
            if hit:
                away = ((glove.matrix_world @ at) - eye).length
                if best is None or away < best[0]:
                    best = (away, np.array(at) * properties.mm_per_unit(self.scene), piece)
        return None if best is None else best[1:]

    def carry(self, number: int, at_mm: np.ndarray, piece: int) -> None:
        """Have a tab's object stand at a place of a glove, while it is held."""
        thing = self.thing_of(self.tabs[number])
        if thing[PIECE] != piece:  # it moves off with the other glove then
            thing[PIECE], thing[WAY], thing[SHARE] = piece, list(self.gloves[piece][WAY]), self.gloves[piece][SHARE]
        results.stand_at(self.scene, thing, at_mm)

    def _foot(self, at_mm: Any, piece: int) -> tuple[float, float, float]:
        from mouldloft.stages.keys import snap_to_outside

        x, y, z = snap_to_outside(self.envelopes[piece], np.asarray(at_mm, float)[None])[0]
        return float(x), float(y), float(z)

    def move(self, number: int, at_mm: Any, piece: int) -> None:
        """A step: a tab stands at a place of a glove."""
        key = replace(self.tabs[number], piece=piece, foot_mm=self._foot(at_mm, piece))
        self._step([key if k == number else other for k, other in enumerate(self.tabs)])

    def add(self, at_mm: Any, piece: int) -> None:
        """A step: one more tab of the brief's shape at a place of a glove."""
        from mouldloft.stages.keys.shape import shape_key

        taken = {key.name for key in self.tabs}
        name = next(f"N{k}" for k in range(1, 10_000) if f"N{k}" not in taken)
        brief = settings.brief_of(self.scene)
        self._step([*self.tabs, shape_key(name, piece, "middle", self._foot(at_mm, piece), brief.keys, own=True)])

    def take_away(self, number: int) -> None:
        """A step: a tab less."""
        self._step([other for k, other in enumerate(self.tabs) if k != number])

    def _step(self, tabs: list) -> None:
        before = self.tabs
        self.steps.append(tabs)
        self._show(before, tabs)

    def back(self, steps: int = 1) -> None:
        """Some steps back, as far as there are any."""
        before = self.tabs
        del self.steps[max(len(self.steps) - steps, 1) :]
        self._show(before, self.tabs)

    def _show(self, before: list, now: list) -> None:
        """Have the objects be those of these tabs, and say whether they hold the glove."""
        results.remove_things([self.thing_of(key) for key in before if key not in now])
        new = [key for key in now if key not in before]
        for shape in display.key_shapes(new, self.done["bare_rubber"]):
            results.show_shape(self.scene, shape)
        results.set_apart(self.scene, properties.of(self.scene).apart)
        check_moved_keys(self.scene, self.done, [*now, *self.wedges])


class MOULDLOFT_OT_place_keys(HasKeys, bpy.types.Operator):
    """Drag keys over the glove, add some or take some away, checked at each step. Enter keeps them, Escape leaves"""

    bl_idname = "mouldloft.place_keys"
    bl_label = "Place the Keys"
    bl_options: Any = {"UNDO", "BLOCKING"}

    what: EnumProperty(
        name="What",
        description="For scripts: what to do",
        items=(("MOVE", "Move", "Move a key"), ("ADD", "Add", "Add a key"), ("TAKE", "Take Away", "Take a key away")),
    )
    key: StringProperty(name="Key", description="For scripts: name of the key, such as L3")
    to: FloatVectorProperty(size=3, name="To", description="For scripts: a place in plan millimetres")
    piece: IntProperty(name="Piece", description="For scripts: number of the glove's piece")

    def execute(self, context):
        try:
            placing = Placing(context)
            if self.what == "ADD":
                placing.add(self.to, self.piece)
            elif self.what == "TAKE":
                placing.take_away(placing.at(self.key))
            else:
                placing.move(placing.at(self.key), self.to, self.piece)
        except Exception as error:
            return say(self, error)
        self._tell(context)
        return {"FINISHED"}

    def _tell(self, context) -> None:
        s = properties.of(context.scene)
        self.report({"INFO"} if s.keys_check_good else {"WARNING"}, s.keys_check)

    def invoke(self, context, event):
        if not isinstance(context.space_data, bpy.types.SpaceView3D):
            self.report({"ERROR"}, "Place the keys in a 3D view.")
            return {"CANCELLED"}
        try:
            self._placing = Placing(context)
        except Exception as error:
            return say(self, error)
        s = properties.of(context.scene)
        self._said = s.keys_check, s.keys_check_good
        self._held: int | None = None
        self._met: Any = None
        results.show_only(context.scene, "glove", "key")
        views.show_colours(context, False)
        self._show(context)
        context.window_manager.modal_handler_add(self)
        return {"RUNNING_MODAL"}

    def _show(self, context) -> None:
        said = properties.of(context.scene).keys_check
        context.area.header_text_set(f"Keys: {said}" if said else f"Keys: {len(self._placing.tabs)} may be moved")
        context.workspace.status_text_set(HELP)
        views.redraw(context, "WINDOW")

    def _under(self, context, event):
        return self._placing.met(*sight_of(context, (event.mouse_region_x, event.mouse_region_y)))

    def _near(self, context, event) -> int | None:
        """Number of the tab under the pointer, the nearest on the side that is seen."""
        from bpy_extras.view3d_utils import location_3d_to_region_2d

        met = self._under(context, event)
        best = None
        for number, key in enumerate(self._placing.tabs):
            place = self._placing.thing_of(key).matrix_world.translation
            seen: Any = location_3d_to_region_2d(context.region, context.region_data, place)
            if seen is None or (met is not None and np.linalg.norm(met[0] - key.foot_mm) > 3.0 * key.reach_mm):
                continue
            away = np.hypot(seen.x - event.mouse_region_x, seen.y - event.mouse_region_y)
            if away <= NEAR_PX * context.preferences.system.ui_scale and (best is None or away < best[0]):
                best = (away, number)
        return None if best is None else best[1]

    def modal(self, context, event):
        pressed = event.value == "PRESS"
        if self._held is not None:
            return self._while_held(context, event)
        if event.type == "LEFTMOUSE" and pressed and event.ctrl:
            met = self._under(context, event)
            if met is not None:
                self._placing.add(*met)
        elif event.type == "LEFTMOUSE" and pressed:
            self._held, self._met = self._near(context, event), None
        elif event.type in {"X", "DEL"} and pressed:
            number = self._near(context, event)
            if number is not None:
                self._placing.take_away(number)
        elif event.type == "Z" and pressed and (event.ctrl or event.oskey):
            self._placing.back()
        elif event.type in {"RET", "NUMPAD_ENTER"} and pressed:
            return self._end(context, keep=len(self._placing.steps) > 1)
        elif event.type in {"ESC", "RIGHTMOUSE"} and pressed:
            self._leave(context)
            return self._end(context, keep=False)
        elif event.type in {"MIDDLEMOUSE", "WHEELUPMOUSE", "WHEELDOWNMOUSE"} or event.type.startswith(
            ("NUMPAD_", "TRACKPAD", "NDOF")
        ):
            return {"PASS_THROUGH"}  # the view turns as ever
        if pressed:
            self._show(context)
        return {"RUNNING_MODAL"}

    def _while_held(self, context, event):
        if event.type == "MOUSEMOVE":
            met = self._under(context, event)
            if met is not None:
                self._met = met
                self._placing.carry(self._held, *met)
                views.redraw(context, "WINDOW")
        elif event.type == "LEFTMOUSE" and event.value == "RELEASE":
            if self._met is not None:  # a click moves nothing
                self._placing.move(self._held, *self._met)
            self._held = None
            self._show(context)
        elif event.type in {"ESC", "RIGHTMOUSE"} and event.value == "PRESS":
            key = self._placing.tabs[self._held]
            self._placing.carry(self._held, np.array(key.foot_mm), key.piece)
            self._held = None
        return {"RUNNING_MODAL"}

    def _leave(self, context) -> None:
        self._placing.back(len(self._placing.steps))
        s = properties.of(context.scene)
        s.keys_check, s.keys_check_good = self._said

    def _end(self, context, keep: bool) -> set[str]:
        if context.area is not None:
            context.area.header_text_set(None)
        context.workspace.status_text_set(None)
        views.redraw(context)
        if not keep:
            return {"CANCELLED"}
        self._tell(context)
        return {"FINISHED"}

    def cancel(self, context):
        self._leave(context)
        self._end(context, keep=False)


_CLASSES = (MOULDLOFT_OT_place_keys,)

register, unregister = registering(_CLASSES)
