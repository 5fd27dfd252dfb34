#!/usr/bin/env python3
"""Build the Blender extension's zips: one for each platform and Python, with all wheels inside, no NumPy.

    python scripts/build_extension.py                         all six
    python scripts/build_extension.py --platform linux-x64 --python 3.11
    python scripts/build_extension.py --platform linux-x64 --python 3.13 --blender-min 4.2.0

Blender up to 5.0 runs Python 3.11 and NumPy 1.24 to 1.26, from 5.1 on Python 3.13 and NumPy 2; both sets of
wheels in one zip would pass the size limit, so each Python has a zip that says which Blender it is for.
`--blender-min` overrides that for a Blender that a Linux distribution built against another Python.
Run it with the project's own environment, which meshes the demo hare. Needs the package index (or a filled
`build/wheels`) and, for Linux, `strip` of binutils.
"""

from __future__ import annotations

import argparse
import base64
import hashlib
import os
import re
import shutil
import subprocess
import sys
import tempfile
import zipfile
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
ADDON = ROOT / "blender_addon"
WHEELS = ROOT / "build" / "wheels"
OUT = ROOT / "dist"
SIZE_LIMIT_MB = 120.0
HARE_TRIANGLES = 40_000
FIXED_TIME = (2026, 1, 1, 0, 0, 0)  # so that the same sources make the same zip

# pip's platform tags, newest first, that a wheel for Blender's platform may carry
PIP_PLATFORMS = {
    "linux-x64": (
        "manylinux_2_28_x86_64",
        "manylinux_2_27_x86_64",
        "manylinux_2_24_x86_64",
        "manylinux_2_17_x86_64",
        "manylinux2014_x86_64",
    ),
    "windows-x64": ("win_amd64",),
    "macos-arm64": ("macosx_14_0_arm64", "macosx_13_0_arm64", "macosx_12_0_arm64", "macosx_11_0_arm64"),
}

# What only Python carries, the same for all. reportlab (with pillow) and ezdxf (with its own needs) write the
# sheets.
PURE = (
    "trimesh==5.2.0",
    "reportlab==5.1.0",
    "charset-normalizer==3.5.2",
    "ezdxf==1.4.5",
    "fonttools==4.68.0",
    "pyparsing==3.3.3",
    "typing-extensions==4.16.0",
)


@dataclass(frozen=True)
class Target:
    """One Python of Blender's: which releases have it, and compiled wheels that import with their NumPy."""

    python: str
    blender_min: str
    blender_max: str | None  # first release that no longer fits
    wheels: tuple[str, ...]


TARGETS = {
    # NumPy 1.24 (Blender 4.2) to 1.26 (5.0): newer numba, scipy and shapely want more
    "3.11": Target(
        "3.11",
        "4.2.0",
        "5.1.0",
        (
            "scipy==1.15.3",
            "numba==0.61.2",
            "llvmlite==0.44.0",
            "embreex==4.4.0.post1",
            "manifold3d==3.5.4",
            "shapely==2.1.2",
            "msgspec==0.22.0",
            "pillow==13.0.0",
        ),
    ),
    # NumPy 2.2 to 2.5: numba refuses a NumPy newer than it knows, so the newest
    "3.13": Target(
        "3.13",
        "5.1.0",
        None,
        (
            "scipy==1.17.1",
            "numba==0.68.1",
            "llvmlite==0.50.0",
            "embreex==4.4.0.post1",
            "manifold3d==3.5.4",
            "shapely==2.2.0",
            "msgspec==0.22.0",
            "pillow==11.1.0",  # the last without a large AVIF library, or the Linux zip grows too big
        ),
    ),
}

# Parts of a wheel that no running plan reads: tests and their data, sources and headers of compiled parts.
UNUSED = re.compile(r"(^|/)(tests?|testing_data)/|\.(pxd|pyx|h|hpp|c|cpp|lib|a)$")
# Compiled parts whose symbol tables weigh megabytes. Only wheels that were not patched after linking (those with
# a `.libs` folder were): stripping those can break them.
STRIPPED = re.compile(r"^(llvmlite|numba)/.*\.so$")
KEPT = re.compile(r"\.dist-info/|^numba/(testing|tests/support\.py)|^numpy|^scipy/_lib/tests?$")


def pip(*arguments: str) -> None:
    """Run pip of this Python, quietly, or stop with its words."""
    done = subprocess.run(
        [sys.executable, "-m", "pip", *arguments, "--quiet", "--disable-pip-version-check"],
        capture_output=True,
        text=True,
        check=False,
    )
    if done.returncode:
        sys.exit(f"pip {' '.join(arguments[:2])} failed:\n{done.stderr}")


def _pinned(folder: Path, wanted: tuple[str, ...]) -> list[Path]:
    """The wheels of each `name==version` in the folder, without others left from earlier pins; [] where one misses."""
    names = {wheel: wheel.name.lower().replace("-", "_") for wheel in folder.glob("*.whl")}
    keys = [need.replace("==", "-").lower().replace("-", "_") + "_" for need in wanted]
    found = [[wheel for wheel, name in names.items() if name.startswith(key)] for key in keys]
    return [wheel for wheels in found for wheel in wheels] if all(found) else []


def fetch_wheels(target: Target, platform: str, cache: Path = WHEELS) -> list[Path]:
    """Download the pinned wheels into the cache where they are missing; their paths, sorted."""
    compiled = cache / f"{platform}-{target.python}"
    pure = cache / "pure"
    if not _pinned(compiled, target.wheels):
        shutil.rmtree(compiled, ignore_errors=True)
        tags = [part for tag in PIP_PLATFORMS[platform] for part in ("--platform", tag)]
        pip(
            "download", "--only-binary=:all:", "--no-deps", "--implementation", "cp",
            "--python-version", target.python, *tags, "--dest", str(compiled), *target.wheels,
        )  # fmt: skip
    if not _pinned(pure, PURE):
        shutil.rmtree(pure, ignore_errors=True)
        pip(
            "download", "--only-binary=:all:", "--no-deps", "--platform", "any",
            "--python-version", "3.11", "--dest", str(pure), *PURE,
        )  # fmt: skip
    wheels = [*_pinned(compiled, target.wheels), *_pinned(pure, PURE)]
    return sorted(wheels, key=lambda path: path.name.lower())


def build_core_wheel(folder: Path) -> Path:
    """The wheel of mouldloft itself, from a copy, so that no stale build folder leaks into it."""
    with tempfile.TemporaryDirectory() as room:
        source = Path(room) / "source"
        skip = shutil.ignore_patterns("__pycache__", "*.egg-info")
        shutil.copytree(ROOT / "core", source / "core", ignore=skip)
        for name in ("pyproject.toml", "README.md", "LICENSE"):
            shutil.copy(ROOT / name, source / name)
        pip("wheel", "--no-deps", "--wheel-dir", room, str(source))
        (wheel,) = Path(room).glob("mouldloft-*.whl")
        return Path(shutil.copy(wheel, folder / wheel.name))


def _record_line(name: str, data: bytes) -> str:
    digest = base64.urlsafe_b64encode(hashlib.sha256(data).digest()).rstrip(b"=").decode()
    return f"{name},sha256={digest},{len(data)}"


def strip_symbols(data: bytes, folder: Path) -> bytes:
    """A Linux library without its symbol table, which only a debugger reads."""
    part = folder / "part.so"
    part.write_bytes(data)
    try:
        subprocess.run(["strip", str(part)], check=True, capture_output=True)
    except FileNotFoundError:
        sys.exit("The Linux zip needs the command strip; install binutils and run again.")
    stripped = part.read_bytes()
    part.unlink()
    return stripped


def trim_wheel(wheel: Path, folder: Path) -> Path:
    """A copy of the wheel without tests, headers and symbols, with a RECORD that is right again."""
    made = folder / wheel.name
    linux = "manylinux" in wheel.name
    lines = []
    with (
        zipfile.ZipFile(wheel) as given,
        zipfile.ZipFile(made, "w", zipfile.ZIP_DEFLATED, compresslevel=9) as out,
    ):
        for entry in given.infolist():
            name = entry.filename
            if name.endswith("/RECORD"):
                record = name
            elif not name.endswith("/") and (KEPT.search(name) or not UNUSED.search(name)):
                data = given.read(entry)
                if linux and STRIPPED.search(name):
                    data = strip_symbols(data, folder)
                info = zipfile.ZipInfo(name, FIXED_TIME)
                info.external_attr = entry.external_attr
                info.compress_type = zipfile.ZIP_DEFLATED
                out.writestr(info, data)
                lines.append(_record_line(name, data))
        out.writestr(zipfile.ZipInfo(record, FIXED_TIME), "\n".join([*lines, f"{record},,"]) + "\n")
    return made


def manifest_text(target: Target, platform: str, wheels: list[Path], blender_min: str | None) -> str:
    """The manifest of one zip: the versions it is for, its platform and its wheels."""
    text = (ADDON / "blender_manifest.toml").read_text("utf-8")
    lines = [f'blender_version_min = "{blender_min or target.blender_min}"']
    if target.blender_max and not blender_min:
        lines.append(f'blender_version_max = "{target.blender_max}"')
    lines.append(f'platforms = ["{platform}"]')
    lines.append("wheels = [")
    lines += [f'  "./wheels/{wheel.name}",' for wheel in wheels]
    lines.append("]")
    return re.sub(r'^blender_version_min = ".*"$', "\n".join(lines), text, count=1, flags=re.M)


def demo_hare(folder: Path) -> Path:
    """The demo hare as arrays: meshing it needs a library too heavy to bundle for that alone."""
    made = folder / "hare.npz"
    code = (
        "import sys, numpy; from mouldloft.demo.hare import demo_hare; v, f = demo_hare(int(sys.argv[2]));"
        "numpy.savez_compressed(sys.argv[1], vertices_mm=v.astype(numpy.float32), faces=f.astype(numpy.int32))"
    )
    environment = {**os.environ, "PYTHONPATH": str(ROOT / "core")}
    subprocess.run([sys.executable, "-c", code, str(made), str(HARE_TRIANGLES)], check=True, env=environment)
    return made


@dataclass(frozen=True)
class Made:
    """What every zip carries of our own."""

    core: Path
    hare: Path


def make_own_parts(folder: Path) -> Made:
    """The core's wheel and the demo hare, in `folder`."""
    return Made(build_core_wheel(folder), demo_hare(folder))


def addon_files() -> list[Path]:
    """The add-on's own files, sorted."""
    left_out = {"__pycache__", "guide"}
    files = [path for path in ADDON.rglob("*") if path.is_file() and not left_out & set(path.parts)]
    return sorted(
        path for path in files if "wheels" not in path.parts and path.name not in ("blender_manifest.toml", "hare.npz")
    )


def zip_path(platform: str, python: str, out: Path = OUT, blender_min: str | None = None) -> Path:
    """Where the zip for a platform and a Python stands."""
    version = re.search(r'^version = "(.+)"', (ADDON / "blender_manifest.toml").read_text(), re.M)[1]
    suffix = f"-from-{blender_min}" if blender_min else ""
    return out / f"mouldloft-{version}-{platform}-py{python.replace('.', '')}{suffix}.zip"


def build_zip(
    platform: str, python: str, out: Path = OUT, blender_min: str | None = None, made: Made | None = None
) -> Path:
    """One extension zip, written whole or not at all. Exits with a sentence where it passes the size limit."""
    target = TARGETS[python]
    out.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=out) as room:
        folder = Path(room)
        wheels = [trim_wheel(wheel, folder) for wheel in fetch_wheels(target, platform)]
        made = made or make_own_parts(folder)
        wheels.append(made.core)
        name = zip_path(platform, python, out, blender_min).name
        with zipfile.ZipFile(folder / name, "w", zipfile.ZIP_DEFLATED, compresslevel=9) as packed:
            packed.writestr("blender_manifest.toml", manifest_text(target, platform, wheels, blender_min))
            packed.write(ROOT / "LICENSE", "LICENSE")
            packed.write(made.hare, "hare.npz")
            for path in addon_files():
                packed.write(path, path.relative_to(ADDON).as_posix())
            for wheel in wheels:
                packed.write(wheel, f"wheels/{wheel.name}", zipfile.ZIP_STORED)
        size = (folder / name).stat().st_size / 1e6
        if size > SIZE_LIMIT_MB:
            biggest = sorted(wheels, key=lambda path: -path.stat().st_size)[:4]
            told = ", ".join(f"{path.name.split('-')[0]} {path.stat().st_size / 1e6:.1f}" for path in biggest)
            sys.exit(f"{name} has {size:.1f} MB, over the limit of {SIZE_LIMIT_MB:.0f}: {told}.")
        os.replace(folder / name, out / name)
    print(f"{name}  {size:.1f} MB  {len(wheels)} wheels")
    return out / name


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--platform", choices=PIP_PLATFORMS, action="append", help="default: all")
    parser.add_argument("--python", choices=TARGETS, action="append", help="default: both")
    parser.add_argument("--blender-min", help="for a Blender built against another Python than usual")
    parser.add_argument("--out", type=Path, default=OUT)
    chosen = parser.parse_args()
    with tempfile.TemporaryDirectory() as room:
        made = make_own_parts(Path(room))
        for python in chosen.python or TARGETS:
            for platform in chosen.platform or PIP_PLATFORMS:
                build_zip(platform, python, chosen.out, chosen.blender_min, made)


if __name__ == "__main__":
    main()
