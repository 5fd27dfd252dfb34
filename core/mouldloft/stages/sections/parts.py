"""A section as a master of its own, and its brief."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy.spatial import cKDTree
from trimesh.triangles import points_to_barycentric

from ...base.progress import SILENT, Progress
from ...geometry.closest import closest_on_faces
from ...geometry.contour import face_centres
from ...geometry.frame import PullFrame
from ...geometry.parting import Mesh
from ...inputs.brief import Brief
from ..master import Master, prepare_master
from .names import named_skin, upright
from .record import Sections

_ON_SKIN_MM = 0.5  # off the whole's skin: what lies further off is a cut's face or a spigot
_NEAR_FACES = 8


def master_of_part(sections: Sections, at: int, mesh: Mesh, brief: Brief, progress: Progress = SILENT) -> Master:
    """A section stood on its cut face, its front in front, or as the whole stands; its places are called as on the
    whole, and what was painted on the whole is kept clear on it. Raises `MasterRefused`, as for a part too small."""
    vertices, faces = mesh
    part = sections.parts[at]
    turn = upright(sections.cuts[part.stands_on - 1].section.normal) if part.stands_on else np.eye(3)
    made = prepare_master(PullFrame(turn).to_frame(vertices), faces, brief.master, name=part.name, progress=progress)
    clear = None
    if sections.painted is not None:
        clear = _painted(sections.master, sections.painted, (made.vertices_mm - np.array(made.shift_mm)) @ turn)
    return replace(made, named=named_skin(sections, at, made, turn), vertex_weights=clear)


def _painted(whole: Master, weights: np.ndarray, points_mm: np.ndarray) -> np.ndarray:
    """(k,) weights at (k, 3) places of a part, in the whole's coordinates: as its nearest skin has them, and 0 on what
    is none of its skin."""
    corners = whole.vertices_mm[whole.faces]
    near = cKDTree(np.concatenate([face_centres(whole.vertices_mm, whole.faces), *corners.transpose(1, 0, 2)]))
    of_face = np.tile(np.arange(len(whole.faces)), 4)
    spots, face, away = closest_on_faces(points_mm, whole.vertices_mm, whole.faces, near, of_face, _NEAR_FACES)
    shares = points_to_barycentric(corners[face], spots)
    return np.where(away <= _ON_SKIN_MM, (shares * weights[whole.faces[face]]).sum(axis=1), 0.0)


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
