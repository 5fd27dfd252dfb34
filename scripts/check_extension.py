#!/usr/bin/env python3
"""Build the extension's Linux zips, pass them through Blender's own validation, and run the add-on in real Blender.

    python scripts/check_extension.py --blender 4.5 --blender 5.0
    python scripts/check_extension.py --only build ...    what CI does beside the tests: downloads, zips, validation
    python scripts/check_extension.py --only run ...      and after them: those zips in Blender
    python scripts/check_extension.py --blender 4.2
    python scripts/check_extension.py --with-python /path/to/python3.13   one that has bpy 5.1 or newer installed

Each Blender is the `bpy` wheel in an environment of its own under build/blender, and runs in a process of its own,
for one process can hold one Blender; as many side by side as there are cores, each one's lines printed together at its
end. A run starts from an empty user folder and, where the system lets it, without a network. Run it with the project's
own environment.
"""

from __future__ import annotations

import argparse
import io
import os
import shutil
import subprocess
import sys
import tempfile
import time
import venv
import zipfile
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent))
from build_extension import ADDON, ROOT, TARGETS, addon_files, build_zip, make_own_parts, zip_path

FOLDER = ROOT / "build" / "blender"
SCRIPT = ROOT / "tests" / "addon" / "in_blender.py"
LONGEST_S = 1800


@dataclass(frozen=True)
class Release:
    """A Blender release as a wheel, with the NumPy that Blender's own build of it brings (from memory, verify)."""

    bpy: str
    python: str
    numpy: str


RELEASES = {
    "4.2": Release("4.2.23", "3.11", "1.24.4"),
    "4.4": Release("4.4.0", "3.11", "1.26.4"),
    "4.5": Release("4.5.15", "3.11", "1.26.4"),
    "5.0": Release("5.0.1", "3.11", "1.26.4"),
    "5.2": Release("5.2.3", "3.13", "2.3.5"),
}


def _interpreter(version: str) -> str:
    if f"{sys.version_info.major}.{sys.version_info.minor}" == version:
        return sys.executable
    found = shutil.which(f"python{version}")
    if found is None:
        sys.exit(f"Python {version} is not on this machine; install it, or give --with-python one that has bpy.")
    return found


def environment_for(name: str) -> Path:
    """The interpreter of an environment with that Blender, made where it is missing."""
    release = RELEASES[name]
    folder = FOLDER / name
    python = folder / "bin" / "python"
    mark = folder / "ready"
    wanted = f"bpy=={release.bpy} numpy=={release.numpy}"
    if mark.exists() and mark.read_text() == wanted:
        return python
    shutil.rmtree(folder, ignore_errors=True)
    interpreter = _interpreter(release.python)
    if interpreter == sys.executable:
        venv.create(folder, with_pip=True)
    else:
        subprocess.run([interpreter, "-m", "venv", str(folder)], check=True)
    done = subprocess.run(
        [str(python), "-m", "pip", "install", "--quiet", "--disable-pip-version-check", *wanted.split()],
        capture_output=True,
        text=True,
    )
    if done.returncode:
        sys.exit(f"Blender {name} could not be installed:\n{done.stderr}")
    mark.write_text(wanted)
    return python


def validate(python: Path, archive: Path) -> None:
    """Pass the zip through the validation that this Blender carries; exits with its words if it does not pass."""
    code = "import importlib.util; print(importlib.util.find_spec('bpy').origin)"
    told = subprocess.run([str(python), "-c", code], capture_output=True, text=True, check=True).stdout
    package = Path(told.strip()).parent
    (tool,) = package.glob("*/scripts/addons_core/bl_pkg/cli/blender_ext.py")
    done = subprocess.run([str(python), str(tool), "validate", str(archive)], capture_output=True, text=True)
    told = (done.stdout + done.stderr).strip()
    print(told)
    if done.returncode or "warn" in told.lower():
        sys.exit(f"{archive.name} does not pass Blender's validation.")


def check_contents(archive: Path) -> None:
    """The zip holds the add-on, the licence, the hare and wheels; the core's wheel all its modules and data; neither
    holds what is only for us. Exits with what is missing or too much."""
    with zipfile.ZipFile(archive) as packed:
        names = set(packed.namelist())
        (core,) = (name for name in names if name.startswith("wheels/mouldloft-"))
        with zipfile.ZipFile(io.BytesIO(packed.read(core))) as wheel:
            inner = {name for name in wheel.namelist() if name.startswith("mouldloft/")}
    source = ROOT / "core" / "mouldloft"
    kept = [p for p in source.rglob("*") if p.is_file() and (p.suffix == ".py" or p.parent.name == "data")]
    wanted = {f"mouldloft/{path.relative_to(source).as_posix()}" for path in kept}
    own = {path.relative_to(ADDON).as_posix() for path in addon_files()}
    missing = (wanted - inner) | ((own | {"LICENSE", "hare.npz", "blender_manifest.toml"}) - names)
    extra = {name for name in names | inner if name.endswith(".pyc") or "test" in name.split("/")[0]}
    extra |= {name for name in names if name.startswith("wheels/numpy-")} | (inner - wanted)
    if missing or extra:
        sys.exit(f"{archive.name}: missing {sorted(missing) or 'nothing'}; too much: {sorted(extra) or 'nothing'}.")


def _offline() -> list[str]:
    """A prefix that runs a command without a network, where the system lets us."""
    tried = subprocess.run(["unshare", "--net", "true"], capture_output=True) if shutil.which("unshare") else None
    return ["unshare", "--net"] if tried is not None and tried.returncode == 0 else []


def run(python: Path, archive: Path) -> bool:
    """The checks of tests/addon/in_blender.py in that Blender, told in one piece. True where all pass."""
    began = time.monotonic()
    with tempfile.TemporaryDirectory() as room:
        (Path(room) / "user").mkdir()
        (Path(room) / "work").mkdir()
        environment = {k: v for k, v in os.environ.items() if not k.startswith(("BLENDER", "PYTHON"))}
        environment["BLENDER_USER_RESOURCES"] = str(Path(room) / "user")
        command = [*_offline(), str(python), str(SCRIPT), str(archive), str(Path(room) / "work")]
        done = subprocess.run(
            command, env=environment, capture_output=True, text=True, timeout=LONGEST_S, stdin=subprocess.DEVNULL
        )
    lines = done.stdout.splitlines()
    told = [line for line in lines if line.startswith(("ok ", "FAILED ", "BLENDER ")) or " passed, " in line]
    closing = any(line.endswith(" passed, 0 failed") for line in lines)
    if done.returncode or not closing:
        told += [done.stdout[-6000:], done.stderr[-6000:]]
    print("\n".join([*told, f"after {time.monotonic() - began:.0f} s"]), flush=True)
    return done.returncode == 0 and closing


def build(archives: dict[str, Path], wanted: list[tuple[Path, str]]) -> None:
    """The zips by Python version, their contents looked through, and each passed by the Blenders it is for."""
    with tempfile.TemporaryDirectory() as room:
        made = make_own_parts(Path(room))
        for version, archive in archives.items():
            build_zip("linux-x64", version, archive.parent, made=made)
            check_contents(archive)
    for python, version in wanted:
        validate(python, archives[version])


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--blender", choices=RELEASES, action="append", default=[])
    parser.add_argument("--with-python", type=Path, action="append", default=[])
    parser.add_argument("--only", choices=("build", "run"))
    chosen = parser.parse_args()
    wanted = [(environment_for(name), RELEASES[name].python) for name in chosen.blender]
    for python in chosen.with_python:
        code = "import sys; print(f'{sys.version_info.major}.{sys.version_info.minor}')"
        told = subprocess.run([str(python), "-c", code], capture_output=True, text=True, check=True).stdout.strip()
        wanted.append((python, told if told in TARGETS else "3.13"))
    if not wanted:
        parser.error("give at least one --blender or --with-python")
    versions = sorted({version for _, version in wanted})
    archives = {version: zip_path("linux-x64", version, ROOT / "dist") for version in versions}
    if chosen.only != "run":
        build(archives, wanted)
    if chosen.only == "build":
        return
    if missing := [archive.name for archive in archives.values() if not archive.exists()]:
        parser.error(f"{missing[0]} is not there; run it with --only build first")
    with ThreadPoolExecutor(max_workers=os.cpu_count()) as side_by_side:
        good = list(side_by_side.map(lambda each: run(each[0], archives[each[1]]), wanted))
    print(f"{sum(good)} passed, {len(good) - sum(good)} failed")
    sys.exit(0 if all(good) else 1)


if __name__ == "__main__":
    main()
