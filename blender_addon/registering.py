"""Classes put into Blender, and taken out of it again."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import bpy


def registering(classes: tuple[type, ...]) -> tuple[Callable[[], None], Callable[[], None]]:
    """The two functions that register and unregister classes, for a module to offer."""
    factory: Any = bpy.utils.register_classes_factory  # the stubs say that it gives nothing
    return factory(classes)
