"""The client's signature in the file: who signed which seam, when, at which revision; void once that seam changes."""

from __future__ import annotations

from dataclasses import dataclass

import bpy

from . import properties, results


@dataclass(frozen=True)
class Signed:
    """One signature as shown. why : what makes it void; empty while it holds."""

    words: str
    why: str


def seam_mark(scene: bpy.types.Scene) -> str:
    """Digest of what a client signs: this sculpt at this height with this line."""
    s = properties.of(scene)
    return f"{s.token}|{s.taken_height_mm:.2f}|{results.seam_digest(scene)}"


def sign(scene: bpy.types.Scene, who: str, when: str) -> None:
    """Keep a signature of the seam as it stands."""
    s = properties.of(scene)
    row = s.signatures.add()
    row.who, row.when, row.revision, row.mark = who, when, s.revision, seam_mark(scene)
    row.piece = s.piece or (s.sculpt.name if s.sculpt is not None else "")


def _why_void(scene: bpy.types.Scene, row) -> str:
    s = properties.of(scene)
    token, _, line = row.mark.partition("|")
    if token != s.token or s.touched:
        return "the sculpt has changed since"
    if row.mark != seam_mark(scene):
        return "the seam has changed since" if line.partition("|")[2] else "the height has changed since"
    return "the revision is another now" if row.revision != s.revision else ""


def signed(scene: bpy.types.Scene) -> list[Signed]:
    """The signatures kept in the scene, the last first."""
    told = []
    for row in reversed(properties.of(scene).signatures):
        revision = f", rev. {row.revision}" if row.revision else ""
        told.append(Signed(f"{row.who}, {row.when}, {row.piece}{revision}", _why_void(scene, row)))
    return told


def signature_now(scene: bpy.types.Scene) -> tuple[str, str]:
    """Who signed the seam as it stands, and when; empty where nobody did."""
    for row in reversed(properties.of(scene).signatures):
        if not _why_void(scene, row):
            return row.who, row.when
    return "", ""
