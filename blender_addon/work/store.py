"""The plan as bytes: the core's records packed for the .blend, and read again. No pickle.

A .blend comes from anybody: sizes, types and heads are checked before anything is reserved.
"""

from __future__ import annotations

import io
import json
import typing
import zipfile

import numpy as np

UNREADABLE = (KeyError, ValueError, TypeError, AttributeError, OSError, MemoryError, RecursionError, zipfile.BadZipFile)
LARGEST_BYTES = 2 * 1024**3
LARGEST_JSON = 64 * 1024**2


def pack(records: dict, stamps: dict[str, str]) -> bytes:
    """Records by name and the stamps of their sections as one zip of JSON and plain arrays (no pickle)."""
    from mouldloft.outputs import planfile

    arrays: dict[str, np.ndarray] = {}
    told = {name: planfile.encode_record(record, name, arrays) for name, record in records.items()}
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as out:
        out.writestr("records.json", json.dumps({"records": told, "stamps": stamps}, allow_nan=False))
        out.writestr("arrays.npz", planfile.pack_arrays(arrays), zipfile.ZIP_STORED)  # packed already
    return packed.getvalue()


def _whole(archive: zipfile.ZipFile, packed_bytes: int, most: int) -> None:
    from mouldloft.base.files import check_unpacking

    check_unpacking(archive, packed_bytes, most)


def _open(data: bytes) -> tuple[dict, dict[str, np.ndarray]]:
    """The JSON and the arrays of `pack`, sizes checked first. Raises one of `UNREADABLE`."""
    from mouldloft.base.files import npy_array

    if len(data) > LARGEST_BYTES:
        raise ValueError("it is larger than 2 GiB")
    with zipfile.ZipFile(io.BytesIO(data)) as given:
        _whole(given, len(data), LARGEST_BYTES)
        if given.getinfo("records.json").file_size > LARGEST_JSON:
            raise ValueError("its table is larger than 64 MiB")
        told = json.loads(given.read("records.json"))
        inner_bytes = given.read("arrays.npz")
    with zipfile.ZipFile(io.BytesIO(inner_bytes)) as inner:
        _whole(inner, len(inner_bytes), LARGEST_BYTES)
        arrays = {entry.filename.removesuffix(".npy"): npy_array(inner.read(entry)) for entry in inner.infolist()}
    if not isinstance(told, dict) or not all(isinstance(told.get(name), dict) for name in ("records", "stamps")):
        raise ValueError("its table has another form")
    return told, arrays


def _fits(records: dict) -> None:
    """Drop what does not belong to the master beside it: arrays over the faces of another count. Raises ValueError."""
    master = records.get("master")
    if master is None:
        records.clear()
        return
    faces, vertices = np.asarray(master.faces), np.asarray(master.vertices_mm)
    sound = faces.ndim == 2 and faces.shape[1] == 3 and vertices.ndim == 2 and vertices.shape[1] == 3
    if not sound or not len(faces) or faces.dtype.kind not in "iu" or vertices.dtype.kind != "f":
        raise ValueError("its master is no mesh")
    if faces.min() < 0 or faces.max() >= len(vertices) or not np.isfinite(vertices).all():
        raise ValueError("its master names vertices that are not there")
    for name, field in (("undercut", "free_plus"), ("seam", "labels"), ("locks", "fill_mm")):
        if name in records and np.shape(getattr(records[name], field)) != (len(faces),):
            raise ValueError(f"its {name} belongs to another mesh")


def unpack(data: bytes) -> tuple[dict, dict[str, str]]:
    """The records and stamps of `pack`, without what another version of the core cannot read any more.

    Raises one of `UNREADABLE` where nothing can be read.
    """
    from mouldloft.outputs import planfile
    from mouldloft.stages import pipeline

    hints = typing.get_type_hints(pipeline.MouldPlan)
    hints["bare_rubber"] = hints["rubber"]
    told, arrays = _open(data)
    records = {}
    for name, value in told["records"].items():
        try:
            records[name] = planfile.decode_record(value, hints[name], arrays)
        except UNREADABLE as error:
            print(f"Mouldloft: the {name} kept in this file cannot be reopened ({error}); run its section again.")
    _fits(records)
    if {"keys", "bare_rubber"} <= records.keys():
        from mouldloft.stages.keys.record import count_keys_in

        records["rubber"] = count_keys_in(records["bare_rubber"], records["keys"])
    return records, {str(key): str(stamp) for key, stamp in told["stamps"].items()}
