"""Whether two checkouts plan the same: plan.json, its arrays, order, summary and closed meshes, field by field.

python scripts/same_plan.py ../before .                          every case, to the bit
python scripts/same_plan.py ../before . --cases hare-20k ant     a quick run
python scripts/same_plan.py ../before . --tolerance 1e-6         after a change that only rounds differently
python scripts/same_plan.py ../before . --renamed keys_mm3=keys_mm3

Each checkout plans in processes of its own, with its own core/ first on the path. Times, paths and the stamps of
stages, which hold the code itself, are left out of the comparison. Exit code 1 where anything differs, 2 where a
checkout cannot plan.
"""

from __future__ import annotations

import argparse
import csv
import hashlib
import json
import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import numpy as np

NOT_COMPARED = ("path", "made_by", "seconds", "key", "keys_read", "stage_keys", "stamps", "mesh_stamp")
SHOWN = 20
NO_SOLIDS = 7  # the exit code where all but the closed meshes could be made


@dataclass(frozen=True)
class Case:
    """One plan to make in both checkouts: the command line's words after `mouldloft`."""

    name: str
    words: tuple[str, ...]
    mesh: tuple[str, str] | None = None  # package and file inside it


CASES = (
    Case("hare-20k", ("demo", "--triangles", "20000")),
    Case("hare-300k", ("demo", "--triangles", "300000")),
    Case("rabbit", ("plan", "--height", "600", "--casts", "4"), ("pymeshfix", "examples/StanfordBunny.ply")),
    Case("ant", ("plan", "--height", "400", "--casts", "2"), ("pyvista", "examples/ant.ply")),
    Case("four-pieces", ("plan", "--height", "1400", "--casts", "6", "--pieces", "4")),
)


def _mesh_of(case: Case, folder: Path) -> list[str]:
    """The mesh a case plans: a package's own, or the hare that was planned before it."""
    if case.words[0] == "demo":
        return []
    if case.mesh is None:
        return [str(next((folder / "hare-20k").glob("*.stl"), folder / "hare-20k" / "missing.stl"))]
    spec = find_spec(case.mesh[0])
    if spec is None or spec.origin is None:
        sys.exit(f"The package {case.mesh[0]} is not installed; pip install it, or leave '{case.name}' out.")
    return [str(Path(spec.origin).parent / case.mesh[1])]


def plan_case(checkout: Path, case: Case, folder: Path, again: bool) -> Path | None:
    """Plan one case with a checkout's own code; what stands already is kept unless `again`."""
    out = folder / case.name
    if (out / "plan.json").exists() and not again:
        return out
    shutil.rmtree(out, ignore_errors=True)
    words = [case.words[0], *_mesh_of(case, folder), *case.words[1:], "--out", str(out)]
    environment = {**os.environ, "PYTHONPATH": str(checkout / "core"), "MOULDLOFT_TRACEBACK": "1"}
    command = [sys.executable, "-m", "mouldloft.cli", *words, "--no-pictures", "--solids", "stl", "--quiet"]
    done = subprocess.run(command, env=environment, cwd=folder, capture_output=True, text=True, check=False)
    if done.returncode and not (done.returncode == NO_SOLIDS and (out / "plan.json").exists()):
        print(f"{checkout}: {case.name} ends with {done.returncode}: {done.stderr.strip()[-600:]}", file=sys.stderr)
        return None
    return out


def _flat(value: Any, path: str, renamed: dict[str, str]) -> Iterator[tuple[str, Any]]:
    """(path, value) of every leaf of a plan, its old field names replaced by the new."""
    if isinstance(value, dict) and "array" in value and "shape" in value:
        yield path, tuple(value["shape"])
    elif isinstance(value, dict):
        for name, inner in value.items():
            if name not in NOT_COMPARED:
                yield from _flat(inner, f"{path}.{renamed.get(name, name)}".strip("."), renamed)
    elif isinstance(value, list):
        for k, inner in enumerate(value):
            yield from _flat(inner, f"{path}.{k}", renamed)
    else:
        yield path, value


def _arrays(folder: Path, name: str, renamed: dict[str, str]) -> dict[str, np.ndarray]:
    with np.load(folder / name, allow_pickle=False) as packed:
        return {".".join(renamed.get(word, word) for word in key.split(".")): packed[key] for key in packed.files}


def _far_apart(one: Any, other: Any, tolerance: float) -> bool:
    numbers = (int, float)
    if isinstance(one, numbers) and isinstance(other, numbers) and not isinstance(one, bool):
        return abs(one - other) > tolerance * max(1.0, abs(one), abs(other))
    return bool(one != other)


def _arrays_apart(one: np.ndarray, other: np.ndarray, tolerance: float) -> str:
    if one.shape != other.shape or one.dtype != other.dtype:
        return f"{one.dtype}{one.shape} became {other.dtype}{other.shape}"
    if one.dtype.kind != "f":
        return "" if np.array_equal(one, other) else f"{(one != other).sum()} of {one.size} values differ"
    near = np.isclose(one, other, rtol=tolerance, atol=tolerance, equal_nan=True)
    return "" if near.all() else f"{(~near).sum()} of {one.size} values differ by up to {np.nanmax(abs(one - other)):g}"


def differences(before: Path, after: Path, renamed: dict[str, str], tolerance: float) -> list[str]:
    """What differs between two plans' folders, one line each."""
    heads = [json.loads((folder / "plan.json").read_text()) for folder in (before, after)]
    old, new = dict(_flat(heads[0]["plan"], "", renamed)), dict(_flat(heads[1]["plan"], "", {}))
    found = [f"{path}: only {'before' if path in old else 'after'}" for path in sorted(old.keys() ^ new.keys())]
    for path in old.keys() & new.keys():
        if _far_apart(old[path], new[path], tolerance):
            found.append(f"{path}: {old[path]!r} became {new[path]!r}")
    arrays = _arrays(before, heads[0]["arrays"], renamed), _arrays(after, heads[1]["arrays"], {})
    for path in sorted(arrays[0].keys() & arrays[1].keys()):
        if why := _arrays_apart(arrays[0][path], arrays[1][path], tolerance):
            found.append(f"array {path}: {why}")
    found += _tables_apart(before / "order.csv", after / "order.csv", tolerance)
    one, other = ((folder / "summary.txt").read_text() for folder in (before, after))
    found += [f"summary: {a!r} became {b!r}" for a, b in zip(one.splitlines(), other.splitlines()) if a != b]
    if one.count("\n") != other.count("\n"):
        found.append("summary: another number of lines")
    return sorted(found) + _solids_apart(before / "solids", after / "solids", tolerance)


def _tables_apart(before: Path, after: Path, tolerance: float) -> list[str]:
    rows = [list(csv.reader(path.open(newline=""))) for path in (before, after)]
    if len(rows[0]) != len(rows[1]):
        return [f"order.csv: {len(rows[0])} lines became {len(rows[1])}"]
    pairs = [(a, b) for one, other in zip(*rows) for a, b in zip(one, other)]
    return [f"order.csv: {a!r} became {b!r}" for a, b in pairs if _far_apart(_number(a), _number(b), tolerance)]


def _number(words: str) -> float | str:
    try:
        return float(words)
    except ValueError:
        return words


def _solids_apart(before: Path, after: Path, tolerance: float) -> list[str]:
    """Closed meshes by their files' hashes; with a tolerance, by volume, since triangles may fall otherwise."""
    hashes = [{f.name: hashlib.sha256(f.read_bytes()).hexdigest() for f in p.glob("*.stl")} for p in (before, after)]
    found = [f"solids: {name} stands on one side only" for name in sorted(hashes[0].keys() ^ hashes[1].keys())]
    for name in sorted(hashes[0].keys() & hashes[1].keys()):
        if hashes[0][name] == hashes[1][name]:
            continue
        if not tolerance:
            found.append(f"solids: {name} has another hash")
            continue
        import trimesh

        one, other = (float(trimesh.load_mesh(folder / name).volume) for folder in (before, after))
        if abs(one - other) > 1e-4 * abs(one):
            found.append(f"solids: {name} holds {other / 1e6:.4f} l, {one / 1e6:.4f} before")
    return found


def main() -> int:
    """0 the same, 1 not, 2 a checkout could not plan."""
    words = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    words.add_argument("before", type=Path)
    words.add_argument("after", type=Path)
    words.add_argument("--cases", nargs="+", choices=[case.name for case in CASES], help="else all of them")
    words.add_argument("--out", type=Path, default=Path("build/same_plan"), help="where both sides' plans are kept")
    words.add_argument("--keep", action="store_true", help="what 'before' planned there already is not planned again")
    words.add_argument("--tolerance", type=float, default=0.0, help="relative; 0 means to the bit")
    words.add_argument("--renamed", nargs="*", default=[], metavar="OLD=NEW", help="fields that got another name")
    asked = words.parse_args()
    renamed = dict(pair.split("=", 1) for pair in asked.renamed)
    cases = [case for case in CASES if asked.cases is None or case.name in asked.cases]
    worst = 0
    for case in cases:
        sides = []
        for name, checkout in (("before", asked.before), ("after", asked.after)):
            folder = (asked.out / name).resolve()
            folder.mkdir(parents=True, exist_ok=True)
            sides.append(plan_case(checkout.resolve(), case, folder, again=name == "after" or not asked.keep))
        if sides[0] is None or sides[1] is None:
            worst = 2
            continue
        found = differences(sides[0], sides[1], renamed, asked.tolerance)
        print(f"{case.name}: {'the same' if not found else f'{len(found)} differences'}", flush=True)
        for line in found[:SHOWN]:
            print(f"  {line}")
        worst = max(worst, 1 if found else 0)
    return worst


if __name__ == "__main__":
    sys.exit(main())
