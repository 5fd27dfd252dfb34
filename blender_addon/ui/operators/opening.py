# ruff: noqa: RUF012 - Blender reads these plain class attributes
"""The opening: turned by hand with the undercut map following, snapped, taken from the view or from the list."""

from __future__ import annotations

import json
import math
from typing import Any

import bpy
from bpy.props import EnumProperty, FloatVectorProperty, IntProperty

from ...registering import registering
from ...scene import opening, properties, results, state, views
from ...work import display, jobs, lines, quick
from .. import live
from .common import UNDO, Idle, say, sight_of
from .running import RunsSections

HELP = "Drag to turn the opening    Ctrl: snap    Shift: fine    X Y Z: axis    Esc or right click: back"


class MOULDLOFT_OT_take_sculpt(RunsSections, bpy.types.Operator):
    """Read the sculpt with its modifiers and children, check it, and lay its undercut map. Escape stops it"""

    bl_idname = "mouldloft.take_sculpt"
    bl_label = "Take the Sculpt In"
    bl_options = UNDO

    section = "sculpt"


def finish_turn(operator, context, direction) -> set[str]:
    """Open by hand along a direction: exact map, figures in the report."""
    s = properties.of(context.scene)
    try:
        opening.set_direction(s, direction)
        if s.map_kind != "FREES":
            s.map_kind = "FREES"
        field = opening.show_exact(context, direction)
        volume = quick.quick(state.done_now(context.scene)["master"], direction).fill_mm3
    except Exception as error:
        return say(operator, error)
    views.show_coloured(context, "map", "handling")
    units = lines.Units(context.scene.unit_settings.system == "IMPERIAL")
    told = lines.dragged_line(field.locked_fraction, field.locked_area_mm2, volume, units)
    operator.report({"INFO"}, f"Opens {lines.way_words(direction)}: {told}")
    return {"FINISHED"}


def at_hand(context) -> bool:
    """Whether the sculpt as it stands was taken in."""
    return state.settle(context) and "master" in state.done_now(context.scene)


def taken_in(context) -> bool:
    """Have the sculpt taken in, at once, where it was not; whether it is now."""
    ops: Any = bpy.ops  # ours is there once it is registered
    try:
        if at_hand(context):
            return True
        if context.window is not None:
            context.window.cursor_set("WAIT")
        return "FINISHED" in ops.mouldloft.take_sculpt("EXEC_DEFAULT")
    except RuntimeError:  # it has said why
        return False
    finally:
        if context.window is not None:
            context.window.cursor_set("DEFAULT")


class NeedsSculpt(Idle):
    """An operator on a sculpt that was chosen."""

    @classmethod
    def poll(cls, context):
        if properties.of(context.scene).sculpt is None:
            cls.poll_message_set("Choose the sculpt first: Use Selected as Sculpt")
            return False
        return super().poll(context)


class MOULDLOFT_OT_turn_opening(NeedsSculpt, bpy.types.Operator):
    """Turn the opening direction by hand; the undercut map follows. Ctrl snaps, Shift is fine, Escape goes back"""

    bl_idname = "mouldloft.turn_opening"
    bl_label = "Turn the Opening"
    bl_options = {"UNDO", "BLOCKING", "GRAB_CURSOR"}

    direction: FloatVectorProperty(size=3, name="Direction", description="In plan axes, for scripts")
    handle: EnumProperty(
        name="Handle",
        description="What is dragged",
        items=(
            ("TIP", "Arrow", "The arrow's tip follows the pointer"),
            ("TAIL", "Other End", "The other end follows the pointer"),
            ("RING", "Ring", "Turns about the upright axis"),
        ),
    )

    def execute(self, context):
        if not taken_in(context):
            return {"CANCELLED"}
        return finish_turn(self, context, tuple(self.direction))

    def invoke(self, context, event):
        if context.space_data is None or context.space_data.type != "VIEW_3D":
            self.report({"ERROR"}, "Turn the opening in a 3D view.")
            return {"CANCELLED"}
        self._wait_timer = None
        if at_hand(context):
            self._start(context, event)
        else:
            ops: Any = bpy.ops
            try:
                if "CANCELLED" in ops.mouldloft.take_sculpt("INVOKE_DEFAULT"):
                    return {"CANCELLED"}
            except RuntimeError:  # it has said why
                return {"CANCELLED"}
            self._let_go = False
            self._wait_timer = context.window_manager.event_timer_add(0.1, window=context.window)
        context.window_manager.modal_handler_add(self)
        return {"RUNNING_MODAL"}

    def _wait(self, context, event) -> set[str]:
        """While the sculpt is taken in, held: how far that is in the header; Escape stops it."""
        if event.type == "LEFTMOUSE" and event.value == "RELEASE":
            self._let_go = True
        job = jobs.job()
        if job is not None:
            if event.type == "TIMER":
                context.area.header_text_set(f"{job.words}, {job.fraction:.0%}    Esc: back")
            return {"PASS_THROUGH"} if event.type in {"TIMER", "ESC"} else {"RUNNING_MODAL"}
        self._end_wait(context)
        if not at_hand(context):
            return {"CANCELLED"}
        self._start(context, event)
        if self._let_go:
            self._end(context)
            return finish_turn(self, context, self._now)
        return {"RUNNING_MODAL"}

    def _end_wait(self, context) -> None:
        context.window_manager.event_timer_remove(self._wait_timer)
        self._wait_timer = None
        if context.area is not None:
            context.area.header_text_set(None)

    def _start(self, context, event) -> None:
        """Take hold, from the direction as it is."""
        scene = context.scene
        self._master = state.done_now(scene)["master"]
        self._before = self._now = self._free = opening.direction_now(properties.of(scene))
        s = properties.of(scene)
        self._kept = (s.way, tuple(s.own_way), s.map_text, tuple(s.map_way))
        self._kind = s.map_kind
        if s.map_kind != "FREES":
            s.map_kind = "FREES"
        self._mouse = self._last = (event.mouse_region_x, event.mouse_region_y)
        self._units = lines.Units(scene.unit_settings.system == "IMPERIAL")
        self._map = results.show_map(scene, self._master, properties.of(scene).result("sculpt").stamp)
        self._begin_live(context)
        self._follow(context, self._now)

    def _begin_live(self, context) -> None:
        """Draw by shader; where this Blender cannot, colour the map object instead."""
        results.show_only(context.scene, "map", "handling")
        self._live: live.LiveMap | None = live.LiveMap(context.scene, self._master)
        try:
            self._live.start()
        except Exception as error:  # a driver that lacks something: slower, but it works
            print(f"Mouldloft: the map is coloured on its object while dragging ({error})")
            self._live = None
            views.show_colours(context, True)
        else:
            self._map.hide_viewport = True

    def _follow(self, context, direction) -> None:
        """The map, the arrow and the header at a direction."""
        found = quick.quick(self._master, direction)
        self._now = direction
        s = properties.of(context.scene)
        opening.set_direction(s, direction)
        s.map_text = json.dumps(display.frees_legend(direction, found.locked_fraction))
        s.map_way = direction
        if self._live is not None:
            self._live.show(found.answers)
        else:
            results.colour_answers(self._map, found.answers)
        told = lines.dragged_line(found.locked_fraction, found.locked_area_mm2, found.fill_mm3, self._units)
        context.area.header_text_set(f"Opens {lines.way_words(direction)}: {told}")
        context.workspace.status_text_set(HELP)
        views.redraw(context, "WINDOW", "UI")

    def _pointed(self, context, event):
        """The direction under the pointer, in plan axes."""

        place = opening.stand(context.scene)
        if place is None:
            return self._free
        at = (event.mouse_region_x, event.mouse_region_y)
        if self.handle == "RING":
            step = (at[0] - self._last[0]) * 2.0 * math.pi / max(context.region.width, 1)
            facing = context.region_data.view_rotation @ results.vector((0.0, 0.0, 1.0))
            front = -1.0 if facing.z < 0.0 else 1.0  # seen from below it turns the other way
            self._last = at
            slow = 0.1 if event.shift else 1.0
            return quick.turned_about(self._free, (0.0, 0.0, 1.0), slow * front * step)
        if event.shift:  # a tenth of the way from where the fine movement began
            at = tuple(m + 0.1 * (a - m) for m, a in zip(self._mouse, at))
        else:
            self._mouse = at
        eye, sight = sight_of(context, at)
        sign = -1.0 if self.handle == "TAIL" else 1.0
        before = sign * place.to_world(self._free)
        world = quick.on_sphere(eye, sight, place.centre, place.radius, before)
        return place.to_plan([sign * v for v in world])

    def modal(self, context, event):
        if self._wait_timer is not None:
            return self._wait(context, event)
        if event.type == "MOUSEMOVE":
            self._free = self._pointed(context, event)
            named = opening.proposals(properties.of(context.scene))
            self._follow(context, quick.snapped(self._free, named) if event.ctrl else self._free)
        elif event.type in {"X", "Y", "Z"} and event.value == "PRESS":
            self._free = (float(event.type == "X"), float(event.type == "Y"), float(event.type == "Z"))
            self._follow(context, self._free)
        elif event.type in {"LEFTMOUSE", "RET", "NUMPAD_ENTER"} and event.value in {"RELEASE", "PRESS"}:
            self._end(context)
            return finish_turn(self, context, self._now)
        elif event.type in {"ESC", "RIGHTMOUSE"} and event.value == "PRESS":
            self._go_back(context)
            return {"CANCELLED"}
        elif event.type in {"MIDDLEMOUSE", "WHEELUPMOUSE", "WHEELDOWNMOUSE"}:
            return {"PASS_THROUGH"}
        return {"RUNNING_MODAL"}

    def cancel(self, context):
        if self._wait_timer is not None:
            return self._end_wait(context)
        return self._go_back(context)

    def _go_back(self, context) -> None:
        self._end(context)
        s = properties.of(context.scene)
        if s.map_kind != self._kind:
            s.map_kind = self._kind
        s.way, s.own_way, s.map_text, s.map_way = self._kept

    def _end(self, context) -> None:
        if self._live is not None:
            self._live.stop()
            self._map.hide_viewport = False
        if context.area is not None:
            context.area.header_text_set(None)
        context.workspace.status_text_set(None)
        views.redraw(context)


class MOULDLOFT_OT_opening_from_view(NeedsSculpt, bpy.types.Operator):
    """Open the mould towards you, along this view, and show what that locks"""

    bl_idname = "mouldloft.opening_from_view"
    bl_label = "Open Along This View"
    bl_options = UNDO

    @classmethod
    def poll(cls, context):
        if context.region_data is None:
            cls.poll_message_set("Use it in a 3D view")
            return False
        return super().poll(context)

    def execute(self, context):
        if not taken_in(context):
            return {"CANCELLED"}
        towards = context.region_data.view_rotation @ results.vector((0.0, 0.0, 1.0))
        place = opening.stand(context.scene)
        return finish_turn(self, context, place.to_plan(towards)) if place else {"CANCELLED"}


class MOULDLOFT_OT_snap_opening(NeedsSculpt, bpy.types.Operator):
    """Open along an axis of the piece, or the ranked proposal nearest to the arrow, and show what that locks"""

    bl_idname = "mouldloft.snap_opening"
    bl_label = "Snap the Opening"
    bl_options = UNDO

    to: EnumProperty(
        name="To",
        description="What to snap to",
        items=(
            ("X", "Side to Side", "To the piece's left and right"),
            ("Y", "Front to Back", "To the piece's front and back"),
            ("Z", "Up and Down", "Upwards and downwards"),
            ("PROPOSAL", "Nearest Proposal", "The ranked direction nearest to the arrow"),
        ),
    )

    def execute(self, context):
        if not taken_in(context):
            return {"CANCELLED"}
        s = properties.of(context.scene)
        way = tuple(float(self.to == axis) for axis in "XYZ")
        if self.to == "PROPOSAL":
            if not s.ways:
                self.report({"ERROR"}, "There are no proposals yet: find the best opening first.")
                return {"CANCELLED"}
            now = results.vector(opening.direction_now(s)).normalized()
            way = max(opening.proposals(s), key=lambda d: abs(results.vector(d).normalized().dot(now)))
        return finish_turn(self, context, way)


class MOULDLOFT_OT_preview_way(NeedsSculpt, bpy.types.Operator):
    """Colour the map by what a pull along this direction frees. The plan is not changed"""

    bl_idname = "mouldloft.preview_way"
    bl_label = "Show the Map Along It"
    bl_options = {"UNDO", "INTERNAL"}

    index: IntProperty(default=-1, name="Direction", description="Direction found, or -1 for the one set by hand")

    def execute(self, context):
        scene = context.scene
        s = properties.of(scene)
        try:
            way = s.ways[self.index].direction if 0 <= self.index < len(s.ways) else s.own_way
            if s.map_kind != "FREES":
                s.map_kind = "FREES"
            opening.show_exact(context, tuple(way))
        except Exception as error:
            return say(self, error)
        views.show_coloured(context, "map", "seam", "handling")
        return {"FINISHED"}


class MOULDLOFT_OT_take_way(Idle, bpy.types.Operator):
    """Open along the direction chosen in the list instead of the best one"""

    bl_idname = "mouldloft.take_way"
    bl_label = "Open Along This One"
    bl_options = UNDO

    @classmethod
    def poll(cls, context):
        s = properties.of(context.scene)
        if not 0 <= s.way_index < len(s.ways):
            cls.poll_message_set("Find the best opening first, then choose a direction in the list")
            return False
        return super().poll(context)

    def execute(self, context):
        s = properties.of(context.scene)
        return finish_turn(self, context, tuple(s.ways[s.way_index].direction))


class MOULDLOFT_OT_map_view(bpy.types.Operator):
    """Have this view show the map's colours, or the materials again"""

    bl_idname = "mouldloft.map_view"
    bl_label = "Map Colours in This View"

    @classmethod
    def poll(cls, context):
        if context.space_data is None or context.space_data.type != "VIEW_3D":
            cls.poll_message_set("Use it in a 3D view")
            return False
        return True

    def execute(self, context):
        on = views.colours_shown(context)
        context.space_data.shading.type = "SOLID"
        views.show_colours(context, not on)
        return {"FINISHED"}


class MOULDLOFT_OT_frame(bpy.types.Operator):
    """Turn the views to what the plan has made"""

    bl_idname = "mouldloft.frame"
    bl_label = "Frame Results"

    @classmethod
    def poll(cls, context):
        if properties.of(context.scene).root is None:
            cls.poll_message_set("There are no results yet: take the sculpt in first")
            return False
        return True

    def execute(self, context):
        views.frame(context, *results.COLLECTIONS)
        return {"FINISHED"}


_CLASSES = (
    MOULDLOFT_OT_take_sculpt,
    MOULDLOFT_OT_turn_opening,
    MOULDLOFT_OT_opening_from_view,
    MOULDLOFT_OT_snap_opening,
    MOULDLOFT_OT_preview_way,
    MOULDLOFT_OT_take_way,
    MOULDLOFT_OT_map_view,
    MOULDLOFT_OT_frame,
)


register, unregister = registering(_CLASSES)
