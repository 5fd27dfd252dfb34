"""Drawings left as they are where all they were drawn from is the same: pictures, templates and the client's sheet
when only prices changed, and of the page all but its words.

`drawn.json` in the plan's folder says what they were drawn from, by a stamp, and holds each file's hash as it was
written: a file that is missing or was changed since is drawn again.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import shutil
from collections.abc import Iterable
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path

from ..base.files import make_folder, read_small_text, write_text
from ..base.stamp import stamp_of
from ..stages.plan import MouldPlan

DRAWN_NAME = "drawn.json"
LEAVE_PRICES_OUT = ("pictures", "client-sheet.pdf", "templates")  # what of a folder tells no money
PAGE_NAME = "plan.html"


def drawing_stamp(plan: MouldPlan) -> str:
    """Stamp of all that these are drawn from: what every stage but the order read, the brief, the logo's own bytes, and
    the program; "" of a plan that does not say what it read, and of a scan, which is laid beside another plan.

    The catalogue without its packs and prices is among what the stages read.
    """
    read = [(stage, stamp) for stage, stamp in plan.stamps if stage != "takeoff"]
    if not read or plan.clay is not None:
        return ""
    logo = plan.brief.job.logo
    held = None
    if logo:
        try:
            held = Path(logo).read_bytes()
        except OSError:
            return ""
    return stamp_of(_program_stamp(), plan.mesh_stamp, read, plan.brief, held)


@lru_cache(maxsize=1)
def _program_stamp() -> str:
    """Digest of the whole program and of what it draws with: type, templates."""
    root = Path(__file__).resolve().parent.parent
    files = sorted(p for p in root.rglob("*") if p.is_file() and p.suffix not in (".pyc", ".nbi", ".nbc"))
    return stamp_of([(p.relative_to(root).as_posix(), p.read_bytes()) for p in files])


@dataclass(frozen=True)
class Drawn:
    """What stands in a folder and may stay. hashes : by path in the folder, each file as it was written."""

    folder: Path
    stamp: str
    hashes: dict[str, str] = field(default_factory=dict)

    def taken_over(self, name: str, inner: Path) -> Path | None:
        """A file, or a folder with all its files, copied into `inner` as it stands; None where it has to be made."""
        paths = [path for path in self.hashes if path == name or path.startswith(f"{name}/")]
        if not paths or name not in LEAVE_PRICES_OUT:
            return None
        if not all(_copied(self.folder / path, inner / path, self.hashes[path]) for path in paths):
            shutil.rmtree(inner / name, ignore_errors=True)
            return None
        return inner / name

    def page(self) -> str | None:
        """The page as it stands, where nobody changed it."""
        digest = self.hashes.get(PAGE_NAME)
        file = self.folder / PAGE_NAME
        with contextlib.suppress(OSError, ValueError):
            if digest is not None and _hash_of(file) == digest:
                return file.read_text(encoding="utf-8")
        return None


def _copied(file: Path, copy: Path, digest: str) -> bool:
    """Whether a file could be copied and the copy is what was once written."""
    try:
        make_folder(copy.parent)
        shutil.copy2(file, copy)
        return _hash_of(copy) == digest
    except OSError:
        return False


def _hash_of(file: Path) -> str:
    with open(file, "rb") as handle:
        return hashlib.file_digest(handle, "sha256").hexdigest()


def drawn_before(plan: MouldPlan, folder: Path) -> Drawn:
    """What of a folder may stay beside this plan; nothing where its drawings are another plan's or cannot be known."""
    stamp = drawing_stamp(plan)
    with contextlib.suppress(OSError, ValueError, KeyError, TypeError, AttributeError):
        noted = json.loads(read_small_text(folder / DRAWN_NAME))
        if stamp and noted["stamp"] == stamp:
            hashes = {str(path): str(digest) for path, digest in noted["files"].items()}
            if not any(Path(path).is_absolute() or ".." in Path(path).parts for path in hashes):
                return Drawn(folder, stamp, hashes)
    return Drawn(folder, stamp)


def note_drawn(drawn: Drawn, inner: Path, made: Iterable[str]) -> None:
    """Write down what was made in `inner`, for the next run; nothing of a plan without a stamp."""
    if not drawn.stamp:
        return
    found = [inner / name for name in (*LEAVE_PRICES_OUT, PAGE_NAME) if name in made]
    files = sorted(f for one in found for f in ([one] if one.is_file() else one.rglob("*")) if f.is_file())
    hashes = {f.relative_to(inner).as_posix(): _hash_of(f) for f in files}
    text = json.dumps({"stamp": drawn.stamp, "files": hashes}, indent=1, ensure_ascii=False)
    write_text(inner / DRAWN_NAME, text + "\n")
