"""The plan inside the .blend: packed into the scene before saving, reopened when first needed."""

from __future__ import annotations

import json

import bpy
import numpy as np

from ..work import records, sections, store
from ..work.sections import KEYS, records_of_section

STORE = "mouldloft_store"
LENGTH = "mouldloft_store_bytes"
PACKED = "mouldloft_store_stamps"  # what the pack holds, so that it is made once a change
_reopened: set[int] = set()


def packed(scene: bpy.types.Scene) -> dict[str, str]:
    """The stamps of what is packed in the scene."""
    try:
        told = json.loads(scene.get(PACKED, "{}"))
    except ValueError:
        return {}
    return told if isinstance(told, dict) and scene.get(STORE) is not None else {}


def write(scene: bpy.types.Scene, data: np.ndarray, stamps: dict[str, str]) -> None:
    """Put packed bytes into the scene."""
    padded = data.tobytes() + b"\0" * (-len(data) % 4)
    if scene.get(STORE) is not None:  # a new array over an old one of another length tears Blender's memory
        del scene[STORE]
    scene[STORE] = np.frombuffer(padded, np.int32)
    scene[LENGTH] = len(data)
    scene[PACKED] = json.dumps(stamps)


def reopen(scene: bpy.types.Scene) -> None:
    """Bring back the records kept in the scene, once for each file opened."""
    mark = scene.session_uid if hasattr(scene, "session_uid") else hash(scene.name)
    if mark in _reopened or scene.get(STORE) is None:
        return
    _reopened.add(mark)
    try:
        data = np.array(scene[STORE], np.int32).tobytes()[: int(scene[LENGTH])]
        found, stamps = store.unpack(data)
    except store.UNREADABLE as error:
        print(f"Mouldloft: the plan kept in this file cannot be reopened ({error}); run the sections again.")
        return
    for key in KEYS:
        part = records_of_section(key, found)
        if part and key in stamps and records.kept(key, stamps[key]) is None:
            records.keep(key, stamps[key], part)


def drop(scene: bpy.types.Scene) -> None:
    """Take the packed plan out of the scene."""
    for name in (STORE, LENGTH, PACKED):
        if scene.get(name) is not None:
            del scene[name]


def new_file() -> None:
    """Another file was opened: what was kept belongs to the last one."""
    _reopened.clear()
    records.forget()
    sections.forget()
