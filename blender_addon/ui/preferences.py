"""The add-on's preferences: what is the same for every piece of a workshop."""

from __future__ import annotations

import bpy
from bpy.props import StringProperty

from ..registering import registering
from ..scene.properties import ADDON


class MouldloftPreferences(bpy.types.AddonPreferences):
    """Studio, catalogue and output folder."""

    bl_idname = ADDON

    studio: StringProperty(name="Studio", maxlen=80, description="Your workshop's name at the head of every sheet")
    logo: StringProperty(
        name="Logo", subtype="FILE_PATH",
        description="A PNG or JPEG drawn at the head of every sheet. Empty: none",
    )  # fmt: skip
    catalogue: StringProperty(
        name="Catalogue", subtype="FILE_PATH",
        description="Your own materials.toml, used where a scene names none. Empty: the add-on's own",
    )  # fmt: skip
    folder: StringProperty(
        name="Output Folder", subtype="DIR_PATH",
        description="Where sheets and pictures go, where a scene names none. Empty: beside the .blend",
    )  # fmt: skip

    def draw(self, context):
        layout = self.layout
        layout.use_property_split = True
        for name in ("studio", "logo", "catalogue", "folder"):
            layout.prop(self, name)


register, unregister = registering((MouldloftPreferences,))
