"""A mesh file cut into sections, in words and files: what the command line runs, and a script may."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from .base.errors import BriefRefused
from .base.progress import SILENT, Progress
from .inputs.brief import Brief
from .inputs.catalogue import read_catalogue
from .outputs.results import Written
from .outputs.sections import write_sections
from .solids.sections import make_section_solids
from .stages.master import read_master
from .stages.sections import propose_sections
from .stages.sections.plans import plan_sections


def cut_and_write(
    mesh: str | Path,
    folder: str | Path,
    brief: Brief,
    catalogue_path: str | Path | None = None,
    cuts: str | None = None,
    each: bool = False,
    pictures: bool = True,
    formats: Sequence[str] = ("stl",),
    progress: Progress = SILENT,
) -> tuple[str, tuple[Written, ...]]:
    """Read a master, propose its sections, plan each where `each`, and write all of it; the words and the files.

    cuts : numbers of the cuts to keep, "1,3"; None: all. Raises as reading and planning do, each with one sentence;
    nothing is written then.
    """
    only = _numbers(cuts)
    if Path(folder).exists() and not Path(folder).is_dir():
        raise BriefRefused(f"The output {folder} is a file; give a folder.")
    catalogue = read_catalogue(catalogue_path)
    progress.begin("master")
    master = read_master(mesh, brief.master, progress)
    progress.begin("sections")
    found = propose_sections(master, brief, catalogue, progress, only)
    made = make_section_solids(found, brief.sections, progress)
    plans = None
    if each and found.cuts:
        plans = plan_sections(found, [(s.vertices_mm, s.faces) for s in made.moulded], brief, catalogue, progress)
    progress.begin("writing")
    return write_sections(found, made, brief, folder, catalogue.currency, plans, formats, pictures, progress)


def _numbers(cuts: str | None) -> tuple[int, ...] | None:
    if cuts is None:
        return None
    try:
        return tuple(sorted({int(word) for word in cuts.replace(",", " ").split()}))
    except ValueError:
        raise BriefRefused(f"The cuts {cuts[:40]!r} are no numbers; write them as 1,3.") from None
