"""The pieces of the wall as templates to cut."""

from __future__ import annotations

import numpy as np

from ...stages.wall.boards import Wall
from .fullsize import PaperLine, PaperText, Template


def wall_templates(wall: Wall) -> tuple[Template, ...]:
    """Each piece of the wall as a template to cut, with its numbered stations drawn across it."""
    templates = []
    for piece in wall.pieces:
        lines = [PaperLine(piece.outline_mm)]
        lines += [PaperLine(hole) for hole in piece.holes_mm]
        texts = []
        for station in piece.stations:
            ends = np.array([station.inner_mm, station.outer_mm])
            lines.append(PaperLine(ends, closed=False, use="mark"))
            x, y = (float(v) for v in ends.mean(axis=0))
            texts.append(PaperText(str(station.number), (x + 1.5, y), 5.0))
        templates.append(Template(piece.name, tuple(lines), tuple(texts)))
    return tuple(templates)
