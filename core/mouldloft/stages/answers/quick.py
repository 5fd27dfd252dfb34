"""A first look at the moulds of a master's sections, for a table: each parted on a plane, on a light copy of it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ...base.errors import Cancelled, MouldloftError
from ...base.progress import SILENT, Progress
from ...inputs.brief import Brief
from ...inputs.catalogue import Catalogue
from ...trade.answers import QUICK_SPREAD, Measured
from ...trade.price import SeamMeasures
from ...trade.seamterms import SeamTerms, for_directions, terms_for
from ...trade.thickness import choose_thickness
from ..lighter import lighten
from ..locks import find_locks
from ..master import Master
from ..opening import find_opening
from ..rubber import Rubber, brush_rubber
from ..seam import Seam, measures_of, place_seam, skin_areas_mm2
from ..sections import Sections, brief_of_part, master_of_part
from ..undercut import undercut_field
from ..visibility import how_it_shows

_PIXELS = 3.0  # over the skin
_TRIANGLES = 3000  # of a light copy: fill within some tenths of the whole one's


@dataclass(frozen=True)
class _Looked:
    """One section in two pieces on a plane. stretch : of what is allowed; heaviest_kg : jacket piece or glove."""

    seam: SeamMeasures
    deepest_mm: float
    stretch: float
    heaviest_kg: float


def measure_sections(
    sections: Sections, terms: SeamTerms, brief: Brief, catalogue: Catalogue, progress: Progress = SILENT
) -> Measured | str:
    """Sections as an answer beside one mould: the sum of their moulds and their cuts; the sentence that refused a part
    where one was.

    terms : of the whole. Loose pieces stand in the sections' fills as they would in the whole's.
    """
    looked = []
    for k, part in enumerate(sections.parts):
        progress.step(k / len(sections.parts), f"{part.name} as a mould of its own")
        try:
            looked.append(_look(sections, k, brief, catalogue))
        except Cancelled:
            raise
        except MouldloftError as error:
            return f"the {part.name} was refused a mould of its own: {error}"
    cuts = [cut.section.perimeter_mm for cut in sections.cuts]
    shown = [cut.section.perimeter_mm * cut.shown for cut in sections.cuts]
    count = len(looked)
    return Measured(
        "sections", 2 * count, 2 * count, _sum_of([one.seam for one in looked]), 0.0,
        max(one.deepest_mm for one in looked), max(one.stretch for one in looked),
        max(one.heaviest_kg for one in looked), True, parts=count, more_hours=sections.price.hours,
        more_total=sections.price.total, cuts_mm=float(sum(cuts)), cuts_on_show_mm=float(sum(shown)),
        over=sections.left, spread=QUICK_SPREAD,
    )  # fmt: skip


def _look(sections: Sections, at: int, brief: Brief, catalogue: Catalogue) -> _Looked:
    part, own = sections.parts[at], brief_of_part(sections, at, brief)
    own = replace(own, seam=replace(own.seam, kind="plane"))
    master = _light(master_of_part(sections, at, (part.vertices_mm, part.faces), own))
    skin = choose_thickness(master.height_mm, own.run.casts, own.rubber).skin_mm
    pixel = own.rubber.pixel_mm or max(skin / _PIXELS, max(master.size_mm) / 700.0)
    own = replace(own, rubber=replace(own.rubber, pixel_mm=pixel))
    terms = terms_for(master.height_mm, own, catalogue)
    show = how_it_shows(master, own.seam)
    opening = find_opening(master, own.opening, show=show, terms=for_directions(terms))
    field = undercut_field(master, opening.chosen.direction)
    seam = place_seam(master, opening, field, own.seam, show=show, terms=terms)
    material = catalogue.rubber_for(own.materials)
    locks = find_locks(master, field, seam, material)
    rubber = brush_rubber(master, seam, own, rubber_material=material)
    fill = rubber.fill
    assert fill is not None
    return _Looked(
        replace(measures_of(seam.figures), fill_mm3=fill.left_mm3), fill.left_deep_mm,
        locks.worst_stretch / max(locks.stretch_allowed, 1e-9),
        heaviest_by_area_kg(seam, rubber, skin_areas_mm2(master), terms),
    )  # fmt: skip


def heaviest_by_area_kg(seam: Seam, rubber: Rubber, skin_areas: np.ndarray, terms: SeamTerms) -> float:
    """The heaviest jacket or glove of two, before a jacket is laid up: it weighs by its area. skin_areas : (m,) mm² of
    each face that rubber covers."""
    area = np.bincount(seam.labels, skin_areas, minlength=2) + rubber.built_to.reach_mm * seam.length_mm
    jackets = 1e-6 * terms.jacket_kg_m2 * area
    gloves = [1e-6 * terms.rubber.kg_per_litre * each.total_mm3 for each in rubber.parts]
    return float(max(*jackets, *gloves))


def _light(master: Master) -> Master:
    return lighten(master, _TRIANGLES).master


def _sum_of(seams: list[SeamMeasures]) -> SeamMeasures:
    total = seams[0]
    for each in seams[1:]:
        total = SeamMeasures(
            total.length_mm + each.length_mm, total.on_show_mm + each.on_show_mm, total.bent_mm + each.bent_mm,
            total.past_reach_mm + each.past_reach_mm, total.keep_clear_mm + each.keep_clear_mm,
            total.lines + each.lines, total.fill_mm3 + each.fill_mm3, total.locked_mm2 + each.locked_mm2,
            total.solid_mm3 + each.solid_mm3, total.facing_mm + each.facing_mm,
        )  # fmt: skip
    return total
