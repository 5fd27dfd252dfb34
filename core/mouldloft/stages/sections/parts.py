"""A section as a master of its own, and its brief."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ...base.progress import SILENT, Progress
from ...geometry.frame import PullFrame
from ...geometry.parting import Mesh
from ...inputs.brief import Brief
from ..master import Master, prepare_master
from .names import named_skin, upright
from .record import Sections


def master_of_part(sections: Sections, at: int, mesh: Mesh, brief: Brief, progress: Progress = SILENT) -> Master:
    """A section stood on its cut face, its front in front, or as the whole stands; its places are called as on the
    whole. Raises `MasterRefused`, as for a part too small."""
    vertices, faces = mesh
    part = sections.parts[at]
    turn = upright(sections.cuts[part.stands_on - 1].section.normal) if part.stands_on else np.eye(3)
    made = prepare_master(PullFrame(turn).to_frame(vertices), faces, brief.master, name=part.name, progress=progress)
    return replace(made, named=named_skin(sections, at, made, turn))


def brief_of_part(sections: Sections, at: int, brief: Brief) -> Brief:
    """The brief for one section: what the user placed on the whole has no place on it, and a crate is made for the
    joined cast where it travels in one."""
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
        finish=replace(brief.finish, crates=brief.finish.crates and not sections.joined_before_packing),
        cast=replace(brief.cast, section="carried" if part.stands_on else "carries"),
    )  # fmt: skip
