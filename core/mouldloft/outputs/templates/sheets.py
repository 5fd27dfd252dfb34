"""Templates laid out on sheets as sold, for the cutter: what the order buys is what is cut."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from ...inputs.catalogue import Catalogue
from ...stages.wall import SheetLot
from .fullsize import Template, TemplateLine, TemplateText


def sheet_templates(
    templates: Sequence[Template], lots: Sequence[SheetLot], catalogue: Catalogue
) -> tuple[Template, ...]:
    """One template for each sheet, with the sheet's edge drawn; pieces that no sheet holds come last, alone."""
    made: list[Template] = []
    for lot in lots:
        name = next(b.name for b in catalogue.board if b.code == lot.code)
        edge = np.array([[0.0, 0.0], [lot.size_mm[0], 0.0], list(lot.size_mm), [0.0, lot.size_mm[1]]])
        for number in range(lot.count):
            lines: list[TemplateLine] = [TemplateLine(edge, use="mark")]
            texts: list[TemplateText] = []
            for laid in (one for one in lot.laid if one.sheet == number):
                template = templates[laid.part]
                lines += [replace(line, points_mm=laid.place(line.points_mm)) for line in template.lines]
                for text in template.texts:
                    x, y = (float(v) for v in laid.place(np.array([text.at_mm]))[0])
                    texts.append(replace(text, at_mm=(x, y), turn_deg=text.turn_deg + laid.turn_deg))
            made.append(Template(f"{name}, sheet {number + 1} of {lot.count}", tuple(lines), tuple(texts)))
        made += [templates[k] for k in lot.too_large]
    return tuple(made)
