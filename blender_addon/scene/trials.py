"""A peeled glove in the scene: its motion as shape keys along one time, its stretch in colours."""

from __future__ import annotations

import json
from typing import Any

import bpy

from ..work.trials import PeelShown
from . import results
from .roles import LEGEND, NAME

PEEL = "Mouldloft peel"
STEP = 2  # frames of the timeline for each frame of the motion
KEYS_APART = 10.0  # of Blender's absolute shape keys


def show_peel(scene: bpy.types.Scene, shown: PeelShown) -> int:
    """The gloves, one after the other along the timeline; the last frame of it."""
    results.remove(scene, "peel")
    unit, frame = results.units_per_mm(scene), scene.frame_start
    for glove in shown.gloves:
        mesh = results.new_mesh(glove.name, glove.places_mm[0] * unit, glove.faces, True)
        mesh.materials.append(results.material(PEEL, (0.8, 0.8, 0.8), PEEL))
        attribute: Any = mesh.color_attributes.new(PEEL, "FLOAT_COLOR", "POINT")
        attribute.data.foreach_set("color", glove.colours.ravel())
        mesh.color_attributes.active_color = attribute
        thing = bpy.data.objects.new(glove.name, mesh)
        for number, places in enumerate(glove.places_mm):
            key = thing.shape_key_add(name=f"{number}", from_mix=False)
            key.data.foreach_set("co", (places * unit).astype("float32").ravel())
        keys: Any = mesh.shape_keys
        keys.use_relative = False
        frame = _play(keys, len(glove.places_mm), frame)
        thing[LEGEND] = json.dumps(shown.legend)
        results.hang(scene, thing, "peel", glove.piece)
        thing[NAME] = glove.name
    scene.frame_end = max(scene.frame_end, frame)
    return frame


def _play(keys: Any, count: int, first: int) -> int:
    """Key the time of absolute shape keys from one frame on, evenly; the frame after."""
    last = first + STEP * (count - 1)
    for at, time in ((first, 0.0), (last, KEYS_APART * (count - 1))):
        keys.eval_time = keys.key_blocks[0].frame + time
        keys.keyframe_insert("eval_time", frame=at)
    return last + STEP
