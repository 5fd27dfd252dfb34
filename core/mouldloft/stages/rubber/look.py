"""A first look at the two gloves of a seam that is not planned yet: on a coarse lattice, over a wall that is only
stretched through the seam, and with the rubber that loose pieces may take the place of."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ...base.progress import SILENT, Progress
from ...base.threads import in_threads
from ...geometry.rays import ray_scene
from ...inputs.brief import Brief
from ...trade.section import choose_section
from ...trade.thickness import choose_thickness
from ..master import Master
from ..seam import Seam
from .columns import piece_points
from .glove import SPACING_PIXELS, cover_piece, flanges_of_two, lay_lattices, raise_body, refuse_open
from .record import Envelope

_PIXELS = 2.5  # over the skin
_MOST_PIXELS = 550  # over the longest side


@dataclass(frozen=True, eq=False)
class GloveLook:
    """Both gloves. volume_mm3 : rubber of both, within some hundredths of the plan's before loose pieces."""

    envelopes: tuple[Envelope, ...]
    volume_mm3: float


def look_at_gloves(master: Master, seam: Seam, brief: Brief, progress: Progress = SILENT) -> GloveLook:
    """The gloves of a seam of two pieces, by its labels and lines alone, within a second or two.

    Raises `PlanImpossible` where the master is no closed solid.
    """
    refuse_open(master)
    size = max(master.size_mm)
    rule = choose_thickness(master.height_mm, brief.run.casts, brief.rubber, size)
    section = choose_section(size, rule.skin_mm, brief.rubber, brief.joint)
    pixel = max(brief.rubber.pixel_mm or 0.0, rule.skin_mm / _PIXELS, size / _MOST_PIXELS)
    spacing = SPACING_PIXELS * pixel
    stretched = replace(seam, level_mm=None)  # without it no fair wall is laid
    progress.step(0.1, "points over the skin")
    points = in_threads(lambda k: piece_points(master, stretched, k, spacing), (0, 1))
    lattices = lay_lattices(master, stretched, rule, brief.rubber, pixel, points, section.reach_mm)
    bodies = in_threads(
        lambda k: raise_body(
            master, stretched, k, rule, section, brief.rubber, *lattices[k], points[k], spacing, by_cause=False
        ),
        (0, 1), progress, (0.3, 0.7), "covering the pieces",
    )  # fmt: skip
    progress.step(0.7, "flanges on the wall")
    _, flanges = flanges_of_two(bodies, section, 0, master, seam, ray_scene(master.vertices_mm, master.faces))
    covers = in_threads(lambda k: cover_piece(master, stretched, k, bodies[k], flanges[k]), (0, 1))
    return GloveLook(tuple(c.envelope for c in covers), float(np.sum([c.rubber_mm3 for c in covers])))
