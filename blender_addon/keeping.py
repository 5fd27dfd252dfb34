"""The plan inside the .blend: the core's records packed into the scene before saving, reopened when first needed."""

from __future__ import annotations

import io
import json
import typing
import zipfile

import bpy
import numpy as np

from . import bench
from .chain import KEYS, records_of_section

STORE = "mouldloft_store"
LENGTH = "mouldloft_store_bytes"
_UNREADABLE = (KeyError, ValueError, TypeError, AttributeError)
_reopened: set[int] = set()


def pack(records: dict, stamps: dict[str, str]) -> bytes:
    """Records by name and the stamps of their sections as one zip of JSON and plain arrays (no pickle)."""
    from mouldloft.outputs import planfile

    arrays: dict[str, np.ndarray] = {}
    told = {name: planfile.encode_record(record, name, arrays) for name, record in records.items()}
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as out:
        out.writestr("records.json", json.dumps({"records": told, "stamps": stamps}, allow_nan=False))
        out.writestr("arrays.npz", planfile.pack_arrays(arrays))
    return packed.getvalue()


def unpack(data: bytes) -> tuple[dict, dict[str, str]]:
    """The records and stamps of `pack`, without what another version of the core cannot read any more.

    Raises ValueError or KeyError where nothing can be read.
    """
    from mouldloft.outputs import planfile
    from mouldloft.stages import pipeline

    hints = typing.get_type_hints(pipeline.MouldPlan)
    hints["bare_rubber"] = hints["rubber"]
    with zipfile.ZipFile(io.BytesIO(data)) as given:
        told = json.loads(given.read("records.json"))
        with zipfile.ZipFile(io.BytesIO(given.read("arrays.npz"))) as inner:
            arrays = {
                name.removesuffix(".npy"): np.lib.format.read_array(io.BytesIO(inner.read(name)), allow_pickle=False)
                for name in inner.namelist()
            }
    records = {}
    for name, value in told["records"].items():
        try:
            records[name] = planfile.decode_record(value, hints[name], arrays)
        except _UNREADABLE as error:
            print(f"Mouldloft: the {name} kept in this file cannot be reopened ({error}); run its section again.")
    if {"keys", "bare_rubber"} <= records.keys():
        from mouldloft.stages.rubber.glove import add_tabs

        records["rubber"] = add_tabs(records["bare_rubber"], records["keys"])
    return records, told["stamps"]


def put_away(scene: bpy.types.Scene) -> None:
    """Pack what is up to date into the scene, so that it goes into the file that is saved next."""
    from mouldloft.base.errors import MouldloftError

    from . import state

    try:
        now = state.stamps_of(scene)
    except MouldloftError:
        return
    done = bench.done_up_to(None, now)
    done.pop("input", None)
    done.pop("rubber", None)  # the bare glove with the keys' tabs: counted again when reopened
    done.pop("solids", None)  # their objects are in the file
    if not done:
        return
    data = pack(done, {key: now[key] for key in KEYS if bench.kept(key, now[key])})
    padded = data + b"\0" * (-len(data) % 4)
    if STORE in scene:  # Blender writes a new array over an old one without minding its length, and tears its memory
        del scene[STORE]
    scene[STORE] = np.frombuffer(padded, np.int32)
    scene[LENGTH] = len(data)


def reopen(scene: bpy.types.Scene) -> None:
    """Put the records kept in the scene back on the bench, once for each file opened."""
    mark = scene.session_uid if hasattr(scene, "session_uid") else hash(scene.name)
    if mark in _reopened or STORE not in scene:
        return
    _reopened.add(mark)
    try:
        data = np.array(scene[STORE], np.int32).tobytes()[: scene[LENGTH]]
        records, stamps = unpack(data)
    except (*_UNREADABLE, OSError, zipfile.BadZipFile) as error:
        print(f"Mouldloft: the plan kept in this file cannot be reopened ({error}); run the sections again.")
        return
    for key, stamp in stamps.items():
        part = records_of_section(key, records)
        if part and bench.kept(key, stamp) is None:
            bench.keep(key, stamp, part)


def new_file() -> None:
    """Another file was opened: what lay on the bench belongs to the last one."""
    _reopened.clear()
    bench.forget()
