"""Reading with a size bound, and writing that never leaves a half-made file."""

from __future__ import annotations

import contextlib
import errno
import io
import math
import os
import re
import shutil
import tempfile
import time
import tomllib
import zipfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import IO, Any

import numpy as np

from .errors import OutputRefused

# Windows opens a device for these, whatever the suffix and the letters' case
DEVICE_NAMES = frozenset(("con", "prn", "aux", "nul", *(f"{port}{k}" for port in ("com", "lpt") for k in range(10))))
TEMPORARY = ".mouldloft-"
ABANDONED_S = 6 * 3600.0  # longer than any run takes
# zip packs a run of one byte a thousandfold; meshes and plans, twice to twentyfold
_MOST_UNPACKING, _SMALL_UNPACKED = 100, 64 * 1024**2
SMALL_TEXT_LIMIT = 4 * 1024 * 1024
# the parser's memory grows with the square of the parts of one dotted key: 20 thousand parts take 1.5 GB
_DEEP_KEY = re.compile(r"""(?<![\w-])(?:(?:[\w-]+|"[^"\n]*"|'[^'\n]*')[ \t]*\.[ \t]*){16}""")


def read_small_text(path: str | Path, limit: int = SMALL_TEXT_LIMIT) -> str:
    """The text of a UTF-8 file no larger than `limit` bytes; raises OSError or ValueError otherwise."""
    with open(path, "rb") as handle:
        data = handle.read(limit + 1)
    if len(data) > limit:
        raise ValueError(f"it is larger than {limit // 1024} KiB")
    return data.decode("utf-8-sig")


def check_unpacking(archive: zipfile.ZipFile, packed_bytes: int, most_bytes: int) -> None:
    """Raises ValueError where a zip would unpack to more than `most_bytes`, or to far more than its size explains.

    zipfile itself stops at the size the directory states, so what is checked here holds while unpacking.
    """
    unpacked = sum(entry.file_size for entry in archive.infolist())
    if unpacked > min(most_bytes, max(_MOST_UNPACKING * packed_bytes, _SMALL_UNPACKED)):
        raise ValueError(f"it unpacks to {unpacked / 1024**3:.1f} GiB, more than is read")


def read_toml(path: str | Path) -> dict[str, Any]:
    """The tables of a small UTF-8 TOML file. Raises OSError, or ValueError saying why it is none."""
    text = read_small_text(path)
    try:
        if _DEEP_KEY.search(text):
            raise RecursionError
        return tomllib.loads(text)
    except RecursionError:
        raise ValueError("it nests its values too deeply") from None
    except tomllib.TOMLDecodeError as error:
        raise ValueError(f"it is not valid TOML: {error}") from None


_TYPES = {
    "float": "a number", "int": "a whole number", "str": "text in quotes", "bool": "true or false", "array": "a list",
    "object": "a table", "date": "a date", "datetime": "a date with a time", "time": "a time",
}  # fmt: skip


def in_plain_words(complaint: str) -> str:
    """What a schema says of a TOML file's value, without the names of a programmer's types: "Expected `float | null`,
    got `str` - at `$.run.hands`" as "expected a number, got text in quotes at run.hands"."""

    def named(types: re.Match[str]) -> str:
        return " or ".join(_TYPES.get(word, word) for word in types[1].split(" | ") if word != "null")

    place = re.sub(r" - at `\$\.?([^`]*)`", r" at \1", complaint)
    said = re.sub(r"`([a-z]+(?: \| [a-z]+)*)`", named, place)
    return said[:1].lower() + said[1:]


def npy_array(data: bytes) -> np.ndarray:
    """The array of a .npy file, never unpickled. Raises ValueError.

    The size its head states is compared with what is there before it is reserved.
    """
    stream = io.BytesIO(data)
    try:
        version = np.lib.format.read_magic(stream)
        read_head = {(1, 0): np.lib.format.read_array_header_1_0, (2, 0): np.lib.format.read_array_header_2_0}[version]
        shape, _, dtype = read_head(stream)
        whole = math.prod(shape) * dtype.itemsize == len(data) - stream.tell()
    except Exception:  # the head is a Python literal, and fails in as many ways
        whole = False
    if not whole:
        raise ValueError("an array is not as large as its head says")
    stream.seek(0)
    return np.lib.format.read_array(stream, allow_pickle=False)


def why_not_written(error: OSError) -> str:
    """The operating system's refusal in words that say what to do."""
    if error.errno in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG):
        return "the disk, or your share of it, is full; free some space and run again"
    if error.errno in (errno.EACCES, errno.EPERM, errno.EROFS):
        return "permission is missing; choose a folder you may write to"
    if error.errno in (errno.ENAMETOOLONG,):
        return "the path is too long; choose a shorter folder or name"
    if error.errno in (errno.ENOTDIR, errno.EEXIST, errno.EISDIR):
        return "something else stands at that path; choose another folder"
    return f"{error.strerror or error}; choose another folder"


def make_folder(path: str | Path) -> Path:
    """Make the folder and its parents. Raises `OutputRefused` with the reason."""
    folder = Path(path)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputRefused(f"The folder {folder} cannot be made: {why_not_written(error)}.") from None
    except ValueError as error:  # a NUL in the path
        raise OutputRefused(f"The folder {str(folder)!r} cannot be made ({error}); choose another name.") from None
    return folder


def write_whole(path: str | Path, fill: Callable[[IO[bytes]], object]) -> Path:
    """Write a file through `fill(handle)` into a temporary neighbour, then rename it into place.

    Either the whole new file stands at `path` afterwards, or what was there before. Raises `OutputRefused`.
    """
    target = Path(path)
    temporary: str | None = None
    try:
        descriptor, temporary = tempfile.mkstemp(prefix=TEMPORARY, dir=target.parent)
        with os.fdopen(descriptor, "wb") as handle:
            fill(handle)
            handle.flush()
            os.fsync(handle.fileno())
        os.chmod(temporary, 0o644)
        os.replace(temporary, target)
        temporary = None
    except OSError as error:
        raise OutputRefused(f"{target} cannot be written: {why_not_written(error)}.") from None
    finally:
        if temporary is not None and os.path.exists(temporary):
            os.unlink(temporary)
    return target


def write_text(path: str | Path, text: str) -> Path:
    """`write_whole` for UTF-8 text with Unix line ends. What has no UTF-8 (file names may not) becomes a "?"."""
    return write_whole(path, lambda handle: handle.write(text.encode("utf-8", "replace")))


def write_via_path(path: str | Path, fill: Callable[[str], object]) -> Path:
    """`write_whole` for libraries that want a file name of their own: `fill(temporary_path)`, then rename.

    The temporary name keeps the target's suffix, since many libraries choose the format by it.
    """
    target = Path(path)
    try:
        with tempfile.TemporaryDirectory(prefix=TEMPORARY, dir=target.parent) as folder:
            inner = os.path.join(folder, "part" + target.suffix)
            fill(inner)
            os.replace(inner, target)
    except OSError as error:
        raise OutputRefused(f"{target} cannot be written: {why_not_written(error)}.") from None
    return target


@contextlib.contextmanager
def all_or_nothing(folder: str | Path, last: str = "") -> Iterator[Path]:
    """A temporary folder whose files all take their places in `folder` when the block ends well, and none otherwise.

    By then they are on the disk, so only renames are left to do; the file named `last` is renamed last. Where one
    cannot take its place (a folder stands there, another program holds the file open), those before it are put back.
    Raises `OutputRefused`, which says what could not be replaced and how things stand.
    """
    made_here = not os.path.exists(folder)
    target = make_folder(folder)
    drop_stale(target, TEMPORARY + "*", ABANDONED_S)
    try:
        with tempfile.TemporaryDirectory(prefix=TEMPORARY, dir=target) as name:
            inner = Path(name, "new")
            inner.mkdir()
            yield inner
            files = sorted(path for path in inner.rglob("*") if path.is_file())
            _take_places([file.relative_to(inner) for file in files], inner, target, last)
    except OSError as error:
        raise OutputRefused(f"Results cannot be written to {target}: {why_not_written(error)}.") from None
    finally:
        if made_here:
            with contextlib.suppress(OSError):
                target.rmdir()  # only goes while nothing is in it


def _take_places(names: list[Path], inner: Path, target: Path, last: str) -> None:
    """Rename `inner`'s files into `target`, the one named `last` at the end; all of them or none."""
    names = [name for name in names if str(name) != last] + [name for name in names if str(name) == last]
    for name in names:
        if (target / name).is_dir():
            raise OutputRefused(
                f"Results cannot be written to {target}: a folder stands where {name} belongs; move it away or choose "
                "another folder. Nothing was replaced."
            )
    kept = inner.parent / "old"
    done: list[Path] = []
    for name in names:
        try:
            make_folder((target / name).parent)
            _keep(target / name, kept / name)
            os.replace(inner / name, target / name)
        except (OSError, OutputRefused) as error:
            raise OutputRefused(_put_back(name, error, done, kept, target)) from None
        done.append(name)


def _keep(file: Path, copy: Path) -> None:
    """A second name for what stands there, or a copy where the disk knows no second names."""
    if not file.exists():
        return
    copy.parent.mkdir(parents=True, exist_ok=True)
    try:
        os.link(file, copy)
    except OSError:
        shutil.copy2(file, copy)


def _put_back(blocked: Path, error: OSError | OutputRefused, done: list[Path], kept: Path, target: Path) -> str:
    """Undo the renames that are done; the sentences that say how things stand then."""
    stuck = []
    for name in reversed(done):
        try:
            if (kept / name).exists():
                os.replace(kept / name, target / name)
            else:
                (target / name).unlink()
        except OSError:
            stuck.append(name)
    why = why_not_written(error) if isinstance(error, OSError) else str(error)
    if isinstance(error, PermissionError):
        why = "another program holds it open, or it may not be written; close it there and run again"
    said = f"Results cannot be written to {target}: {blocked} cannot be replaced ({why.rstrip('.')}). "
    if not stuck:
        return said + "Nothing was replaced: all files there are those of before."
    return said + (
        f"Already replaced, and not to be put back: {', '.join(str(name) for name in reversed(stuck))}; all others are "
        "those of before. Run again to make them one plan."
    )


def drop_stale(folder: Path, pattern: str, age_s: float, but: str = "") -> None:
    """Remove what matches in a folder and was last written longer ago than `age_s`, except the name `but`."""
    for stale in folder.glob(pattern):
        with contextlib.suppress(OSError):
            if stale.name != but and time.time() - stale.stat().st_mtime > age_s:
                shutil.rmtree(stale) if stale.is_dir() else stale.unlink()
