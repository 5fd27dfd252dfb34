"""A master's sections drawn apart along their cuts."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from PIL import Image

from ...base.progress import SILENT, Progress
from ...solids.sections import SectionSolids
from ...solids.shapes import Body, body_of
from ...stages.sections import Sections
from ..look import KEY, PLASTER, SOFT_INK, rgb
from .camera import look
from .overlay import Overlay
from .studio import photograph, set_up

_WIDTH_PX, _LETTERS, _COLUMN_PX = 1400, 42.0, 460  # letters are read on the client's sheet at a sixth
_APART = 0.14  # of the greatest size
_WAY = np.array([0.5, 0.85, -0.24])


def sections_picture(
    sections: Sections,
    solids: SectionSolids,
    weights: Sequence[str],
    progress: Progress = SILENT,
    renderer: str = "auto",
) -> Image.Image:
    """The parts as they are moulded, each drawn off the one that carries it; spigots in a colour of their own.

    weights : of a cast of each part, in words.
    """
    moves = _moves(sections)
    bodies: list[Body] = []
    for part, solid, move in zip(sections.parts, solids.moulded, moves):
        bodies.append(body_of(part.name, solid.vertices_mm + move, solid.faces, rgb(PLASTER)))
    for cut, spigot in zip(sections.cuts, solids.spigots):
        if spigot is not None:
            # a hair larger than the spigot that is part of its body, to be seen in its own colour
            off = spigot.vertices_mm - spigot.middle_mm
            shown = spigot.middle_mm + 1.004 * off + moves[cut.leaves]
            bodies.append(body_of("spigot", shown, spigot.faces, rgb(KEY)))
    baked = set_up(bodies, progress)
    points = np.concatenate([body.vertices_mm for body in bodies])
    axes = look(_WAY, points, 100, 100, parallel=True).axes
    wide, tall = np.ptp(points @ axes.T, axis=0)[:2]
    height = int(np.clip(_WIDTH_PX * tall / wide, 0.5 * _WIDTH_PX, 1.3 * _WIDTH_PX))
    camera = look(_WAY, points, _WIDTH_PX, height, margin=0.06)
    photo = photograph(baked, camera, renderer=renderer)
    edge = np.repeat(photo[:, -1:], _COLUMN_PX, axis=1)  # the backdrop goes on behind the names
    over = Overlay(np.concatenate([photo, edge], axis=1))
    flat = [camera.project(body.vertices_mm)[0] for body in bodies[: len(sections.parts)]]
    _names(over, sections, weights, flat)
    return over.finished()


def _moves(sections: Sections) -> list[np.ndarray]:
    """How far each part is drawn off, with whatever it stands on."""
    step = _APART * max(sections.master.size_mm)
    moves = [np.zeros(3) for _ in sections.parts]
    for cut in sections.outwards():
        moves[cut.takes] = moves[cut.leaves] + step * cut.section.normal
    return moves


def _names(over: Overlay, sections: Sections, weights: Sequence[str], flat: list[np.ndarray]) -> None:
    taken = -np.inf
    order = sorted(range(len(flat)), key=lambda k: float(flat[k][:, 1].mean()))
    left = _WIDTH_PX + 12.0
    for k in order:
        part, at = sections.parts[k], flat[k]
        y = max(float(np.median(at[:, 1])), taken + 3.0 * _LETTERS)
        taken = y
        near = at[np.abs(at[:, 1] - np.median(at[:, 1])) < 20]
        start = float((near if len(near) else at)[:, 0].max()) + 10
        over.line(np.array([[start, float(np.median(at[:, 1]))], [left - 10, y]]), SOFT_INK, 1.2)
        over.text(left, y + 0.3 * _LETTERS, part.name, _LETTERS, "strong")
        over.text(left, y + 1.5 * _LETTERS, f"{weights[k]} a cast", 0.9 * _LETTERS, colour=SOFT_INK)
