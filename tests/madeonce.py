"""Dear records made by the first worker that asks for them, and read back by the others.

They are kept as saved plans are, which reopen the same to the last digit (test_pipeline.py holds a fresh plan to that).
"""

from __future__ import annotations

import json
import os
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from mouldloft.outputs.planfile import decode_record, encode_record

LONGEST_S = 300.0


def shared_folder(factory: Any) -> Path:
    """The run's own folder, the same one for all its workers."""
    own = factory.getbasetemp()
    return own.parent if "PYTEST_XDIST_WORKER" in os.environ else own


def made_once(folder: Path, name: str, kind: Any, make: Callable[[], Any]) -> Any:
    """The record of type `kind` that `make` gives, made by the first worker that asks for it by this name.

    Where the first one failed, or never ended, each makes its own.
    """
    ended = folder / f"{name}.ended"
    try:
        (folder / f"{name}.begun").touch(exist_ok=False)
    except FileExistsError:
        patience = time.monotonic() + LONGEST_S
        while not ended.exists() and time.monotonic() < patience:
            time.sleep(0.1)
        kept = ended.exists() and ended.read_text() == "kept"
        return _read(folder / name, kind) if kept else make()
    outcome = "failed"
    try:
        made = make()
        _keep(folder / name, made)
        outcome = "kept"
    finally:
        half = folder / f"{name}.half"
        half.write_text(outcome)
        half.rename(ended)
    return made


def _keep(folder: Path, made: Any) -> None:
    arrays: dict[str, Any] = {}
    record = encode_record(made, "", arrays)
    folder.mkdir()
    (folder / "record.json").write_text(json.dumps(record), "utf-8")
    numbers = {path: number for number, path in enumerate(arrays)}  # a path may be no file's name
    for path, array in arrays.items():
        np.save(folder / f"{numbers[path]}.npy", array, allow_pickle=False)
    (folder / "arrays.json").write_text(json.dumps(numbers), "utf-8")


def _read(folder: Path, kind: Any) -> Any:
    numbers = json.loads((folder / "arrays.json").read_text("utf-8"))
    arrays = {path: np.load(folder / f"{number}.npy", allow_pickle=False) for path, number in numbers.items()}
    return decode_record(json.loads((folder / "record.json").read_text("utf-8")), kind, arrays)
