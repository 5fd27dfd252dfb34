"""A seam drawn by hand, as the scene keeps it: its points, and of one that was shaped the very level of its line.

The level is a number for each vertex of the prepared master, whose zero line is the seam. It holds for that master
alone: where the sculpt, or how it is read, is another, the points stand in for it.
"""

from __future__ import annotations

import binascii
import hashlib
import zlib
from base64 import b64decode, b64encode
from functools import lru_cache
from pathlib import Path

import bpy
import numpy as np

from . import properties, results

MOST_BYTES = 64 * 1024**2  # of a level unpacked: a .blend comes from anybody
_READ_BY = ("token", "up", "front", "base", "set_height", "finished_height_mm")  # what makes another master


def _master_mark(scene: bpy.types.Scene) -> str:
    s = properties.of(scene)
    told = "|".join(str(getattr(s, name)) for name in _READ_BY)
    return f"{told}|{scene.unit_settings.scale_length:.9g}"


def keep_level(scene: bpy.types.Scene, level_mm: np.ndarray) -> None:
    """Keep the level of the seam's curves as they are shown now. level_mm : (n,)."""
    packed = zlib.compress(np.asarray(level_mm, "<f4").tobytes(), 1)
    s = properties.of(scene)
    s.drawn_level = b64encode(packed).decode()
    s.drawn_level_of, s.drawn_level_shown = _master_mark(scene), results.seam_digest(scene)


def _holds(scene: bpy.types.Scene) -> bool:
    s = properties.of(scene)
    return bool(s.drawn_level) and s.drawn_level_of == _master_mark(scene)


def is_as_left(scene: bpy.types.Scene) -> bool:
    """Whether the seam's curves are still those that a level was kept of."""
    return _holds(scene) and properties.of(scene).drawn_level_shown == results.seam_digest(scene)


def level_left(scene: bpy.types.Scene) -> np.ndarray | None:
    """(n,) the level of a line that was shaped and is shown as it was left, else None."""
    return _unpacked(properties.of(scene).drawn_level) if is_as_left(scene) else None


@lru_cache(maxsize=2)
def _unpacked(text: str) -> np.ndarray | None:
    """The level of what `keep_level` kept; None where it is no such thing, or far too large."""
    try:
        inflate = zlib.decompressobj()
        data = inflate.decompress(b64decode(text, validate=True), MOST_BYTES)
    except (binascii.Error, ValueError, zlib.error):
        return None
    whole = inflate.eof and len(data) % 4 == 0 and len(data) > 0
    level = np.frombuffer(data, "<f4").astype(float) if whole else None
    return level if level is not None and np.isfinite(level).all() else None


def forget(scene: bpy.types.Scene, lines: bool = True) -> None:
    """Drop the level; with `lines`, the points too."""
    s = properties.of(scene)
    s.drawn_level = s.drawn_level_of = s.drawn_level_shown = ""
    if lines:
        s.drawn_seam = ""


def file_of(scene: bpy.types.Scene) -> str:
    """Path of a file with the drawn seam, for the brief; written from the scene where it is missing."""
    s = properties.of(scene)
    level = _unpacked(s.drawn_level) if _holds(scene) else None
    name, text = ("npy", s.drawn_level) if level is not None else ("json", s.drawn_seam)
    folder = Path(bpy.utils.extension_path_user(properties.ADDON, path="seams", create=True))
    path = folder / f"seam-{_short(text)}.{name}"
    if not path.exists():
        if level is not None:
            np.save(path, level.astype("<f4"))
        else:
            path.write_text(text, encoding="utf-8")
    return str(path)


@lru_cache(maxsize=4)
def _short(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()[:16]
