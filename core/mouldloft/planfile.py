"""The saved plan: `plan.json` for people and programs, and one array file beside it; together they reopen whole.

plan.json holds every record by field name. Arrays stand in `plan-arrays-<hash>.npz`, a plain zip of .npy files named by
their path in the plan (no pickle). The array file is written first and carries its own hash in its name, so a plan.json
always finds the arrays it was written with, whatever happens between the two writes.
"""

from __future__ import annotations

import hashlib
import io
import json
import math
import types
import typing
import zipfile
from dataclasses import fields, is_dataclass
from enum import Enum
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from .errors import PlanFileRefused
from .files import make_folder, read_small_text, write_text, write_whole

PLAN_NAME = "plan.json"
LARGEST_JSON = 256 * 1024 * 1024
LARGEST_ARRAYS = 8 * 1024**3


def encode_record(value: Any, path: str, arrays: dict[str, np.ndarray]) -> Any:
    """A record as plain JSON values; its arrays go into `arrays` by their path, in place."""
    if isinstance(value, np.ndarray):
        arrays[path] = value
        return {"array": path, "shape": list(value.shape)}
    if isinstance(value, Enum):
        return value.value
    if is_dataclass(value) and not isinstance(value, type):
        return {
            f.name: encode_record(getattr(value, f.name), f"{path}.{f.name}".strip("."), arrays) for f in fields(value)
        }
    if isinstance(value, (list, tuple)):
        return [encode_record(item, f"{path}.{k}", arrays) for k, item in enumerate(value)]
    if isinstance(value, dict):
        return {str(k): encode_record(v, f"{path}.{k}", arrays) for k, v in value.items()}
    if isinstance(value, (np.bool_, bool)):
        return bool(value)
    if isinstance(value, np.integer):
        return int(value)
    if isinstance(value, (float, np.floating)):
        number = float(value)
        return number if math.isfinite(number) else {"number": str(number)}
    return value


def save_plan(plan: Any, folder: str | Path) -> Path:
    """Write the plan into a folder (made if missing) and return the path of its plan.json.

    Raises `OutputRefused`; a plan saved there before stays whole until the new plan.json takes its place.
    """
    target = make_folder(folder)
    arrays: dict[str, np.ndarray] = {}
    record = encode_record(plan, "", arrays)
    packed = pack_arrays(arrays)
    digest = hashlib.sha256(packed).hexdigest()
    name = f"plan-arrays-{digest[:12]}.npz"
    write_whole(target / name, lambda handle: handle.write(packed))
    head = {"format": "mouldloft plan", "version": record["version"], "arrays": name, "arrays_sha256": digest}
    text = json.dumps({**head, "plan": record}, indent=1, ensure_ascii=False, allow_nan=False)
    written = write_text(target / PLAN_NAME, text + "\n")
    for stale in target.glob("plan-arrays-*.npz"):
        if stale.name != name:
            stale.unlink(missing_ok=True)
    return written


def pack_arrays(arrays: dict[str, np.ndarray]) -> bytes:
    """A zip of .npy files with fixed dates, so that the same plan gives the same bytes."""
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive:
        for name, array in arrays.items():
            entry = zipfile.ZipInfo(name + ".npy", (1980, 1, 1, 0, 0, 0))
            entry.compress_type = zipfile.ZIP_DEFLATED
            inner = io.BytesIO()
            np.lib.format.write_array(inner, np.ascontiguousarray(array), allow_pickle=False)
            archive.writestr(entry, inner.getvalue(), compresslevel=1)
    return buffer.getvalue()


def _unpack(path: Path, digest: str) -> dict[str, np.ndarray]:
    data = path.read_bytes()
    if hashlib.sha256(data).hexdigest() != digest:
        raise ValueError("its array file has changed since the plan was saved")
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        if sum(entry.file_size for entry in archive.infolist()) > LARGEST_ARRAYS:
            raise ValueError("its arrays are larger than 8 GiB")
        return {
            entry.filename.removesuffix(".npy"): np.lib.format.read_array(
                io.BytesIO(archive.read(entry)), allow_pickle=False
            )
            for entry in archive.infolist()
        }


def open_plan(path: str | Path) -> Any:
    """The `MouldPlan` saved at `path` (the folder or its plan.json). Raises `PlanFileRefused` with one sentence."""
    from .pipeline import PLAN_VERSION, MouldPlan

    given = Path(path)
    file = given / PLAN_NAME if given.is_dir() else given
    try:
        head = json.loads(read_small_text(file, LARGEST_JSON))
        if not isinstance(head, dict) or head.get("format") != "mouldloft plan":
            raise ValueError("it is not a mouldloft plan")
        if head.get("version") != PLAN_VERSION:
            raise ValueError(f"it is of version {head.get('version')}, and this program reads version {PLAN_VERSION}")
        name = str(head["arrays"])
        if Path(name).name != name:
            raise ValueError("its array file lies outside its folder")
        arrays = _unpack(file.parent / name, str(head["arrays_sha256"]))
        return decode_record(head["plan"], MouldPlan, arrays)
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError, zipfile.BadZipFile) as error:
        raise PlanFileRefused(
            f"The plan {file} cannot be reopened ({error}); make it again from the mesh and the brief."
        ) from None


@cache
def _hints(record: type) -> dict[str, Any]:
    return typing.get_type_hints(record)


def decode_record(value: Any, kind: Any, arrays: dict[str, np.ndarray]) -> Any:
    """The record of type `kind` that `encode_record` made `value` and `arrays` of."""
    if isinstance(value, dict) and set(value) == {"number"}:
        return float(value["number"])
    if isinstance(value, dict) and "array" in value and "shape" in value:
        return arrays[value["array"]]
    origin, inner = typing.get_origin(kind), typing.get_args(kind)
    if origin is typing.Annotated:
        return decode_record(value, inner[0], arrays)
    if origin in (typing.Union, types.UnionType):
        if value is None:
            return None
        return decode_record(value, next(k for k in inner if k is not type(None)), arrays)
    if origin is tuple:
        if len(inner) == 2 and inner[1] is Ellipsis:
            return tuple(decode_record(item, inner[0], arrays) for item in value)
        if len(inner) != len(value):
            raise ValueError("a row has the wrong length")
        return tuple(decode_record(item, k, arrays) for item, k in zip(value, inner))
    if origin in (list, dict):
        return value
    if isinstance(kind, type) and is_dataclass(kind):
        hints = _hints(kind)
        known = {f.name for f in fields(kind) if f.init}
        return kind(**{k: decode_record(v, hints[k], arrays) for k, v in value.items() if k in known})
    if isinstance(kind, type) and issubclass(kind, Enum):
        return kind(value)
    if kind is float and isinstance(value, int) and not isinstance(value, bool):
        return float(value)
    return value
