"""The plan as bytes: the core's records packed for the .blend, and read again. No pickle."""

from __future__ import annotations

import io
import json
import typing
import zipfile

import numpy as np

UNREADABLE = (KeyError, ValueError, TypeError, AttributeError)


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
        except UNREADABLE as error:
            print(f"Mouldloft: the {name} kept in this file cannot be reopened ({error}); run its section again.")
    if {"keys", "bare_rubber"} <= records.keys():
        from mouldloft.stages.keys.record import add_tabs

        records["rubber"] = add_tabs(records["bare_rubber"], records["keys"])
    return records, told["stamps"]
