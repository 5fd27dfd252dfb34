"""Mouldloft in Blender: properties, operators, panels and an overlay around the `mouldloft` core.

Nothing here computes a mould. The core is imported when it is first needed, so that Blender starts as fast as
without it.
"""

from .scene import properties
from .ui import gizmos, handlers, menus, operators, overlay, panels, preferences, presets, trialpanel

_PARTS = (properties, preferences, operators, presets, panels, trialpanel, menus, gizmos, overlay, handlers)


def register():
    for part in _PARTS:
        part.register()


def unregister():
    for part in reversed(_PARTS):
        part.unregister()
