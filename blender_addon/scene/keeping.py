"""The plan inside the .blend: the core's records packed into the scene before saving, reopened when first needed."""

from __future__ import annotations

import zipfile

import bpy
import numpy as np

from ..work import records as kept_records
from ..work import store
from ..work.sections import records_of_section

STORE = "mouldloft_store"
LENGTH = "mouldloft_store_bytes"
_reopened: set[int] = set()


def reopen(scene: bpy.types.Scene) -> None:
    """Put the records kept in the scene back on the bench, once for each file opened."""
    mark = scene.session_uid if hasattr(scene, "session_uid") else hash(scene.name)
    if mark in _reopened or STORE not in scene:
        return
    _reopened.add(mark)
    try:
        data = np.array(scene[STORE], np.int32).tobytes()[: scene[LENGTH]]
        records, stamps = store.unpack(data)
    except (*store.UNREADABLE, OSError, zipfile.BadZipFile) as error:
        print(f"Mouldloft: the plan kept in this file cannot be reopened ({error}); run the sections again.")
        return
    for key, stamp in stamps.items():
        part = records_of_section(key, records)
        if part and kept_records.kept(key, stamp) is None:
            kept_records.keep(key, stamp, part)


def new_file() -> None:
    """Another file was opened: what lay on the bench belongs to the last one."""
    _reopened.clear()
    kept_records.forget()
