"""Where Blender's users look: the View, Add and Object menus."""

from __future__ import annotations

import bpy

from ..scene import properties


class MOULDLOFT_MT_opening(bpy.types.Menu):
    """The opening direction"""

    bl_idname = "MOULDLOFT_MT_opening"
    bl_label = "Mould Opening"

    def draw(self, context):
        layout = self.layout
        layout.operator("mouldloft.opening_from_view", icon="VIEW_CAMERA_UNSELECTED")
        layout.operator_menu_enum("mouldloft.snap_opening", "to", icon="SNAP_ON")
        layout.operator("mouldloft.find_opening", icon="VIEWZOOM")
        layout.separator()
        layout.prop(properties.of(context.scene), "arrow")


class MOULDLOFT_MT_object(bpy.types.Menu):
    """Mould planning"""

    bl_idname = "MOULDLOFT_MT_object"
    bl_label = "Mould"

    def draw(self, context):
        layout = self.layout
        layout.operator("mouldloft.use_selection", icon="EYEDROPPER")
        layout.operator("mouldloft.paint_keep_clear", icon="BRUSH_DATA")
        layout.separator()
        layout.operator("mouldloft.plan_all", icon="PLAY")
        layout.operator("mouldloft.write_sheets", icon="FILE_TICK")


def _view(self, context):
    self.layout.separator()
    self.layout.menu("MOULDLOFT_MT_opening")
    self.layout.operator("mouldloft.frame", text="Frame Mould Results")


def _add(self, context):
    self.layout.operator("mouldloft.add_hare", icon="MESH_MONKEY")


def _object(self, context):
    self.layout.separator()
    self.layout.menu("MOULDLOFT_MT_object")


_CLASSES = (MOULDLOFT_MT_opening, MOULDLOFT_MT_object)
_ENTRIES = (("VIEW3D_MT_view", _view), ("VIEW3D_MT_mesh_add", _add), ("VIEW3D_MT_object", _object))


def register():
    for cls in _CLASSES:
        bpy.utils.register_class(cls)
    for menu, entry in _ENTRIES:
        getattr(bpy.types, menu).append(entry)


def unregister():
    for menu, entry in _ENTRIES:
        getattr(bpy.types, menu).remove(entry)
    for cls in reversed(_CLASSES):
        bpy.utils.unregister_class(cls)
