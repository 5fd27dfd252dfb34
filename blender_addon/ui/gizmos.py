# ruff: noqa: RUF012 - Blender reads these plain class attributes
"""The arrow and ring on the sculpt that turn the opening direction."""

from __future__ import annotations

import bpy

from ..registering import registering
from ..scene import opening, properties, results
from ..work import display
from . import live

_LONG = 2.2  # heads of the arrow in its length
_GREY = (0.55, 0.55, 0.55)


def _colour(text: str) -> tuple[float, float, float]:
    red, green, blue = (int(text[k : k + 2], 16) / 255 for k in (1, 3, 5))
    return red, green, blue


class MOULDLOFT_GGT_opening(bpy.types.GizmoGroup):
    """Two arrows, one for each piece's pull, and a ring about the upright axis."""

    bl_idname = "MOULDLOFT_GGT_opening"
    bl_label = "Opening Direction"
    bl_space_type = "VIEW_3D"
    bl_region_type = "WINDOW"
    bl_options = {"3D", "PERSISTENT", "SHOW_MODAL_ALL"}

    @classmethod
    def poll(cls, context):
        s = getattr(context.scene, "mouldloft", None)
        if s is None or not s.arrow or s.sculpt is None or context.mode != "OBJECT":
            return False
        if context.scene.as_pointer() in live.lined:
            return False
        over = [role for role in ("glove", "clay") if results.is_seen(context.scene, role)]
        return not results.of_role(context.scene, *over)  # else they lie over it

    def _handle(self, kind: str, handle: str, colour):
        made = self.gizmos.new(kind)
        made.target_set_operator("mouldloft.turn_opening").handle = handle
        made.use_draw_scale = False  # as large as the sculpt asks, whatever the zoom: the size is in the matrix
        made.use_draw_modal = True
        made.color = colour
        made.color_highlight = (1.0, 1.0, 1.0)
        made.alpha, made.alpha_highlight = 0.9, 1.0
        return made

    def setup(self, context):
        self._tip = self._handle("GIZMO_GT_arrow_3d", "TIP", _colour(display.FREE_AHEAD))
        self._tail = self._handle("GIZMO_GT_arrow_3d", "TAIL", _colour(display.FREE_BEHIND))
        self._ring = self._handle("GIZMO_GT_dial_3d", "RING", _GREY)
        self._ring.line_width = 2.0
        for arrow in (self._tip, self._tail):
            arrow.draw_style = "NORMAL"
            # Blender slides an arrow that has no value of its own along itself while it is held
            arrow.target_set_handler("offset", get=lambda: 0.0, set=lambda value: None)
            arrow.line_width = 4.0

    def draw_prepare(self, context):
        from mathutils import Matrix

        place = opening.stand(context.scene)
        if place is None:
            return
        way = place.to_world(opening.direction_now(properties.of(context.scene)))
        at = Matrix.Translation(place.centre)
        held = context.scene.as_pointer() in live.shown  # then it lies over skin that is drawn in its own colour
        for arrow, sign in ((self._tip, 1.0), (self._tail, -1.0)):
            turn = (sign * way).to_track_quat("Z", "Y").to_matrix().to_4x4()
            arrow.matrix_basis = at @ turn @ Matrix.Scale(place.radius / _LONG, 4)
            arrow.length = _LONG
            own = _colour(display.FREE_AHEAD if sign > 0.0 else display.FREE_BEHIND)
            arrow.color = [0.25 * v + 0.75 for v in own] if held else own
        up = results.vector(place.to_world((0.0, 0.0, 1.0)))
        turn = up.to_track_quat("Z", "Y").to_matrix().to_4x4()
        self._ring.matrix_basis = at @ turn @ Matrix.Scale(0.8 * place.radius, 4)


register, unregister = registering((MOULDLOFT_GGT_opening,))
