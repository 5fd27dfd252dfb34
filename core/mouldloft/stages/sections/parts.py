"""A section as a master of its own, and its brief."""

from __future__ import annotations

from dataclasses import replace

from ...base.progress import SILENT, Progress
from ...geometry.frame import pull_frame
from ...geometry.parting import Mesh
from ...inputs.brief import Brief
from ..master import Master, prepare_master
from .record import Sections


def master_of_part(sections: Sections, at: int, mesh: Mesh, brief: Brief, progress: Progress = SILENT) -> Master:
    """A section stood on its cut face, or as the whole stands. Raises `MasterRefused`, as for a part too small."""
    vertices, faces = mesh
    part = sections.parts[at]
    if part.stands_on:
        vertices = pull_frame(sections.cuts[part.stands_on - 1].section.normal).to_frame(vertices)
    return prepare_master(vertices, faces, brief.master, name=part.name, progress=progress)


def brief_of_part(sections: Sections, at: int, brief: Brief) -> Brief:
    """The brief for one section: what the user placed on the whole has no place on it."""
    part = sections.parts[at]
    title = brief.piece or sections.master.name
    return replace(
        brief,
        piece=f"{title}, {part.name}",
        master=replace(
            brief.master, finished_height_mm=None, unit="mm", up=None, front=None,
            base="open" if part.stands_on else brief.master.base,
        ),
        opening=replace(brief.opening, direction=None),
        seam=replace(brief.seam, own_line=None, plane_offset_mm=None, keep_clear=None, pieces=2),
        rubber=replace(brief.rubber, handling_points_mm=()),
        keys=replace(brief.keys, own_keys=()),
        cast=replace(brief.cast, section="carried" if part.stands_on else "carries"),
    )  # fmt: skip
