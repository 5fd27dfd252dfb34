"""The inside of a master on a lattice, found once for each pitch that it comes to."""

from __future__ import annotations

from ..base.kept import kept_with_owner
from ..geometry.hollow import Hollow, hollow_inside, pitch_over
from .master import Master


def inside_of(master: Master, pitch_mm: float) -> Hollow:
    """The inside of a closed master at a pitch, or at a coarser one where that would be too many nodes: whatever is
    asked finer than that has one answer."""
    return _at(master, pitch_over(master.vertices_mm, pitch_mm))


@kept_with_owner(1)
def _at(master: Master, pitch_mm: float) -> Hollow:
    return hollow_inside(master.vertices_mm, master.faces, master.normals, master.face_areas_mm2, pitch_mm)
