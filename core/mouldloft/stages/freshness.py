"""What each stage reads, and from it a stamp for each: where a stamp is the same, the stage need not run again.

A stamp is a digest of contents: of the master as read, of the fields of the brief and the figures of the catalogue
that the stage reads (of the user's own line and keep-clear file what they hold, not where they lie), and of the stamps
of the stages it reads. The same on another computer; another version of the program changes all of them.

    now = stage_stamps(master, brief, catalogue)
    is_fresh("jacket", dict(made.stamps), now)
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from functools import lru_cache
from pathlib import Path
from typing import Any, Literal

from ..base.stamp import stamp_of
from ..inputs.brief import Brief
from ..inputs.catalogue import KINDS, Catalogue
from ..trade.seamterms import for_directions, terms_for
from .master import Master

Stamps = Mapping[str, str]


@dataclass(frozen=True)
class Reads:
    """What one stage reads. stages : earlier stages' results; brief : its parts, or single fields as "run.casts";
    catalogue : nothing, the rubber's figures, all figures without prices, or all of it; terms : what seams are weighed
    by, or of it what directions are ranked by."""

    stages: tuple[str, ...]
    brief: tuple[str, ...] = ()
    catalogue: Literal["nothing", "rubber", "figures", "all"] = "nothing"
    terms: Literal["nothing", "directions", "all"] = "nothing"


_LIFTING = tuple(
    f"jacket.{name}"
    for name in ("lifters", "lift_limit_per_person_kg", "lift_from_mm", "lift_to_mm", "reach_mm", "rope_rail")
)
_SEEN = ("seam.seen_from", "seam.eye_height_mm", "seam.viewer_distance_mm")
_ALL_BUT_MESH = tuple(f.name for f in fields(Brief) if f.name not in ("piece", "master", "opening", "peel", "sections"))
# A test records what each stage reads while it runs and holds this table to it.
READS: dict[str, Reads] = {
    "visibility": Reads(("master",), _SEEN),
    "directions": Reads(("master", "visibility"), ("opening",), terms="directions"),
    "opening": Reads(
        ("master", "visibility", "directions"),
        ("opening", "seam.kind", "seam.keep_clear", "seam.find_features"),
        terms="all",
    ),
    "undercut": Reads(("master", "opening")),
    "seam": Reads(("master", "visibility", "opening", "undercut"), ("seam",), terms="all"),
    "locks": Reads(("master", "undercut", "seam"), (), "rubber"),
    "division": Reads(
        ("master", "visibility", "opening", "seam", "locks"),
        ("seam", "rubber", "run.casts", "jacket.mat_oz", "jacket.glass_fraction"),
        "rubber",
        "all",
    ),
    "rubber": Reads(("master", "seam", "division"), ("rubber", "joint", "run.casts"), "rubber"),
    "wall": Reads(("master", "seam", "division", "rubber"), (), "figures"),
    "keys": Reads(("master", "seam", "locks", "division", "rubber"), ("keys",), "rubber"),
    "jacket": Reads(("rubber", "keys"), ("jacket", "cast", "materials"), "figures"),
    "peel": Reads(("master", "seam", "locks", "rubber", "keys"), ("peel",), "rubber"),
    "cradle": Reads(("rubber", "keys", "jacket"), ("cradle",), "figures"),
    "answers": Reads(
        ("master", "seam", "locks", "division", "rubber", "jacket"),
        (
            "opening",
            "seam",
            "rubber",
            "joint",
            "run.casts",
            "jacket",
            "cast",
            "sections",
            "rates",
            "materials",
            "job.units",
        ),
        "figures",
        "all",
    ),
    "cast": Reads(
        ("master", "seam", "locks", "division", "peel"),
        ("cast", "materials", "rates", *_SEEN, *_LIFTING),
        "figures",
    ),
    "programme": Reads(
        ("seam", "locks", "division", "rubber", "keys", "jacket", "cradle", "cast"),
        ("run", "cast", "jacket", "finish", "materials", "rates", "observed", "joint.reinforced_edges"),
        "figures",
    ),
    "takeoff": Reads(
        ("master", "locks", "wall", "rubber", "keys", "jacket", "peel", "cradle", "cast", "programme"),
        _ALL_BUT_MESH,
        "all",
    ),
}


def master_stamp(master: Master, brief: Brief) -> str:
    """Stamp of a prepared master: its geometry as read, what was painted on it, and how the brief has it read."""
    read = (master.source_hash, master.name, master.unit_assumed, brief.master, master.vertex_weights, master.named)
    return stamp_of(_code_stamp(), *read)


def file_stamp(path: str | Path, brief: Brief) -> str:
    """Stamp of a mesh file's contents and how the brief has it read; "" where the file may name others (.gltf, .obj).

    Raises OSError where it cannot be read.
    """
    file = Path(path)
    if file.suffix.lower() in (".gltf", ".obj"):
        return ""
    return stamp_of(_code_stamp(), file.stem, file.suffix.lower(), file.read_bytes(), brief.master)


def stage_stamps(master: Master, brief: Brief, catalogue: Catalogue) -> dict[str, str]:
    """The stamp of every stage that is kept, from inputs alone: nothing is run."""
    terms = terms_for(master.height_mm, brief, catalogue)
    weighed = {"nothing": None, "directions": for_directions(terms), "all": terms}
    made = {"master": master_stamp(master, brief)}
    for stage, reads in READS.items():
        # a peel that is not asked for follows from nothing but the master: so does what reads it
        asked = stage != "peel" or brief.peel.run
        before = [made[name] for name in (reads.stages if asked else ("master",))]
        parts = [_field(brief, path) for path in reads.brief]
        figures = _figures(catalogue, brief, reads.catalogue)
        made[stage] = stamp_of(stage, before, parts, figures, weighed[reads.terms])
    return made


def is_fresh(stage: str, made: Stamps, now: Stamps) -> bool:
    """Whether a stage's result still follows from what it would read now."""
    return stage in made and made[stage] == now[stage]


def stale_stages(made: Stamps, now: Stamps) -> tuple[str, ...]:
    """The stages whose results no longer follow from what they would read now, in the order of work."""
    return tuple(stage for stage in now if not is_fresh(stage, made, now))


def _field(brief: Brief, path: str) -> Any:
    """A part or field of the brief; files that the seam names stand by their contents."""
    part, _, name = path.partition(".")
    value = getattr(brief, part)
    if name:
        own = getattr(value, name)
        return _held(own) if path == "seam.keep_clear" else own
    if part == "seam":
        return (replace(value, own_line=None, keep_clear=None), _held(value.own_line), _held(value.keep_clear))
    return value


def _held(path: str | None) -> bytes | None:
    """What a file holds; of one that cannot be read its name: the stage that reads it says why."""
    if path is None:
        return None
    try:
        return Path(path).read_bytes()
    except OSError:
        return path.encode("utf-8", "surrogatepass")


def _figures(catalogue: Catalogue, brief: Brief, which: str) -> Any:
    if which == "nothing":
        return None
    if which == "all":
        return catalogue
    if which == "rubber":
        return replace(catalogue.rubber_for(brief.materials), packs=())
    return (catalogue.rates, [[replace(entry, packs=()) for entry in getattr(catalogue, kind)] for kind in KINDS])


@lru_cache(maxsize=1)
def _code_stamp() -> str:
    """Digest of the program's own text up to the stages, so that a changed program plans anew."""
    root = Path(__file__).resolve().parent.parent
    sources = sorted(
        p for floor in ("base", "inputs", "geometry", "trade", "stages") for p in root.glob(f"{floor}/**/*.py")
    )
    return stamp_of([(p.relative_to(root).as_posix(), p.read_bytes()) for p in sources])
