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
import re
import types
import typing
import zipfile
import zlib
from dataclasses import MISSING, fields, is_dataclass
from enum import Enum
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from ..base.errors import PlanFileRefused
from ..base.files import check_unpacking, drop_stale, make_folder, npy_array, read_small_text, write_text, write_whole

PLAN_NAME = "plan.json"
ARRAYS = "plan-arrays-*.npz"
LARGEST_JSON = 64 * 1024 * 1024  # the demo's takes half a megabyte
LARGEST_ARRAYS = 8 * 1024**3
_TRIED = 65_536
STALE_S = 60.0  # another run may be between writing its arrays and naming them in plan.json


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
    if not (target / name).exists():  # another run on this folder took it for stale
        write_whole(target / name, lambda handle: handle.write(packed))
    drop_old_arrays(target, name)
    return written


def drop_old_arrays(folder: Path, name: str) -> None:
    """Remove the array files of plans saved there before, all but `name`."""
    drop_stale(folder, ARRAYS, STALE_S, name)


def pack_arrays(arrays: dict[str, np.ndarray]) -> bytes:
    """A zip of .npy files with fixed dates, so that the same plan gives the same bytes."""
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w") as archive:
        for name, array in arrays.items():
            entry = zipfile.ZipInfo(name + ".npy", (1980, 1, 1, 0, 0, 0))
            inner = io.BytesIO()
            np.lib.format.write_array(inner, np.ascontiguousarray(array), allow_pickle=False)
            packed = inner.getvalue()
            entry.compress_type = zipfile.ZIP_DEFLATED if _shrinks(packed) else zipfile.ZIP_STORED
            archive.writestr(entry, packed, compresslevel=1)
    return buffer.getvalue()


def _shrinks(data: bytes) -> bool:
    """Whether packing saves a quarter, by a piece from the middle: full-length fractions, such as normals, do not."""
    piece = data[len(data) // 2 :][:_TRIED]
    return len(zlib.compress(piece, 1)) < 0.75 * len(piece)


def _unpack(path: Path, digest: str) -> dict[str, np.ndarray]:
    size = path.stat().st_size
    if size > LARGEST_ARRAYS:
        raise ValueError("its array file is larger than 8 GiB")
    data = path.read_bytes()
    if hashlib.sha256(data).hexdigest() != digest:
        raise ValueError("its array file has changed since the plan was saved")
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        check_unpacking(archive, size, LARGEST_ARRAYS)
        return {entry.filename.removesuffix(".npy"): npy_array(archive.read(entry)) for entry in archive.infolist()}


def open_plan(path: str | Path) -> Any:
    """The `MouldPlan` saved at `path` (the folder or its plan.json). Raises `PlanFileRefused` with one sentence."""
    from ..stages.plan import PLAN_VERSION, MouldPlan

    file = Path(path)
    try:
        file = file / PLAN_NAME if file.is_dir() else file
        head = json.loads(read_small_text(file, LARGEST_JSON))
        if not isinstance(head, dict) or head.get("format") != "mouldloft plan":
            raise ValueError("it is not a mouldloft plan")
        if head.get("version") != PLAN_VERSION:
            raise ValueError(f"it is of version {head.get('version')}, and this program reads version {PLAN_VERSION}")
        name = str(head["arrays"])
        if not re.fullmatch(r"plan-arrays-[0-9a-f]{12}\.npz", name):
            raise ValueError("its array file lies outside its folder, or has another name")
        arrays = _unpack(file.parent / name, str(head["arrays_sha256"]))
        return decode_record(head["plan"], MouldPlan, arrays)
    except MemoryError:
        raise PlanFileRefused(
            f"The plan {file} needs more memory than there is; open it on a larger machine."
        ) from None
    except Exception as error:  # whatever a damaged file makes a library raise ends as one sentence
        why = " ".join(str(error).split())[:200] or type(error).__name__
        raise PlanFileRefused(
            f"The plan {file} cannot be reopened ({why}); make it again from the mesh and the brief."
        ) from None


@cache
def _hints(record: type) -> dict[str, Any]:
    return typing.get_type_hints(record)


def decode_record(value: Any, kind: Any, arrays: dict[str, np.ndarray]) -> Any:
    """The record of type `kind` that `encode_record` made `value` and `arrays` of.

    Raises ValueError, KeyError or TypeError where a value is not of its field's type.
    """
    origin, inner = typing.get_origin(kind), typing.get_args(kind)
    if origin is typing.Annotated:
        return decode_record(value, inner[0], arrays)
    if origin in (typing.Union, types.UnionType):
        if value is None:
            return None
        return decode_record(value, next(k for k in inner if k is not type(None)), arrays)
    if kind is np.ndarray:
        array = arrays[value["array"]]
        if list(array.shape) != value["shape"]:
            raise ValueError(f"the array {value['array']} has another shape")
        return array
    if kind is float:
        return _number(value)
    if origin is tuple:
        many = len(inner) == 2 and inner[1] is Ellipsis
        if not isinstance(value, list) or not (many or len(inner) == len(value)):
            raise ValueError("a row has the wrong length")
        return tuple(decode_record(item, inner[0] if many else k, arrays) for item, k in zip(value, inner * len(value)))
    if isinstance(kind, type) and is_dataclass(kind):
        _refuse_other_fields(value, kind)
        hints = _hints(kind)
        known = {f.name for f in fields(kind) if f.init}
        return kind(**{k: decode_record(v, hints[k], arrays) for k, v in value.items() if k in known})
    if isinstance(kind, type) and issubclass(kind, Enum):
        return kind(value)
    right = value in inner if origin is typing.Literal else type(value) is kind
    if not right:
        raise ValueError(f"{str(value)[:40]!r} stands where {getattr(kind, '__name__', kind)} belongs")
    return value


def _refuse_other_fields(value: dict[str, Any], kind: type) -> None:
    """A record that another version of the program wrote is never read in part: what it held or lacks would go unsaid.
    A field that came later with a value of its own to stand for "not known" is no such lack."""
    names = {f.name for f in fields(kind)}
    asked = {f.name for f in fields(kind) if f.init and f.default is MISSING and f.default_factory is MISSING}
    if strange := sorted(value.keys() - names):
        raise ValueError(f"another version of the program saved it, with '{strange[0]}' in its {kind.__name__}")
    if lacking := sorted(asked - value.keys()):
        raise ValueError(f"another version of the program saved it, without '{lacking[0]}' in its {kind.__name__}")


def _number(value: Any) -> float:
    """A float; NaN and infinities stand in JSON as a table, since it has no word for them."""
    if isinstance(value, dict) and set(value) == {"number"}:
        return float(value["number"])
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        raise ValueError(f"{str(value)[:40]!r} stands where a number belongs")
    return float(value)
