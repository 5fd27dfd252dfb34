"""Each way of moulding a master measured alike, once the rubber of two pieces is known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ...base.errors import Cancelled, MouldloftError
from ...base.figures import counted, mm
from ...base.progress import SILENT, Progress
from ...inputs.brief import Brief
from ...inputs.catalogue import Catalogue
from ...trade.answers import DEEP_FILL_MM, WORTH_MORE, Answer, Kind, Measured, stretch_words, weigh_answers
from ...trade.lifting import MOST_LIFTERS, team_limit_kg
from ...trade.seamterms import SeamTerms, terms_for
from ..division import Division, measure_two
from ..jacket import Jacket
from ..locks import Locks
from ..master import Master
from ..rubber import Fill, Rubber
from ..seam import Seam
from ..sections import Sections, asks_of_whole, propose_sections
from .quick import heaviest_by_area_kg, measure_sections
from .record import Answers


def weigh_ways(
    master: Master,
    seam: Seam,
    locks: Locks,
    division: Division | None,
    rubber: Rubber,
    jacket: Jacket,
    brief: Brief,
    catalogue: Catalogue,
    progress: Progress = SILENT,
) -> Answers:
    """The table of answers: two pieces with fill, with loose pieces, what a division measured, sections.

    Drawn up where loose pieces are planned, further pieces were proposed, or two pieces break a limit: fill that stays
    deep, stretch, what hands may lift, an arm's reach, the van. Only the last asks for sections, whose moulds are
    looked at quickly.
    """
    progress.begin("answers")
    terms = terms_for(master.height_mm, brief, catalogue)
    most_kg = team_limit_kg(MOST_LIFTERS, brief.jacket)
    if rubber.fill is None:  # planned in more than two
        found = division.measured if division is not None else ()
        return Answers(_table(found, terms, most_kg) if found else (), ())
    in_one = _of_two_gloves(seam, locks, rubber, rubber.fill, jacket)
    size = asks_of_whole(master, brief, catalogue)
    asks = (*_asks_of(in_one[-1], most_kg), *size)
    further = () if division is None else [one for one in division.measured if one.kind not in ("two", "loose")]
    loose = counted(len(rubber.loose), "loose piece")
    why = asks or ((f"{loose} in place of deep or heavy fill",) if rubber.loose else ())
    if not why and division is None:
        return Answers((), ())
    rows, notes = [*in_one, *further], []
    if asks:
        cut = _in_sections(master, terms, brief, catalogue, progress)
        sections, own = cut if isinstance(cut, tuple) else (None, cut)
        if sections is not None and any("reached" in words for words in size):
            # what only reach asks is answered by hatches in one mould
            size = tuple(words for words in size if "reached" not in words)
            cost = sections.hatch_cost
            rows = [replace(row, more_total=cost, more_hours=cost / max(brief.rates.hourly_rate, 1e-9)) for row in rows]
        rows = [replace(row, over=size) for row in rows]
        if isinstance(own, Measured):
            rows.append(own)
        else:
            notes.append(own)
    return Answers(_table(tuple(rows), terms, most_kg), why, tuple(notes))


def recommended_kind(found: tuple[Measured, ...], terms: SeamTerms, brief: Brief) -> Kind:
    """Which kind of answer the table of these would recommend."""
    rows = _table(found, terms, team_limit_kg(MOST_LIFTERS, brief.jacket))
    return next(row.kind for row in rows if row.recommended)


def _table(found: tuple[Measured, ...], terms: SeamTerms, most_kg: float) -> tuple[Answer, ...]:
    return weigh_answers(found, terms.casts, terms.rubber, terms.rates, terms.currency, most_kg)


def _of_two_gloves(seam: Seam, locks: Locks, rubber: Rubber, fill: Fill, jacket: Jacket) -> list[Measured]:
    """Two pieces as they came out: all of it filled and, where there are any, with loose pieces."""
    heaviest = max(max(piece.mass_kg, piece.rubber_mass_kg) for piece in jacket.pieces)
    by_mm3 = sum(piece.rubber_mass_kg for piece in jacket.pieces) / max(rubber.volume_mm3.likely, 1e-9)
    whole = max(
        max(piece.mass_kg, piece.rubber_mass_kg - by_mm3 * part.loose_mm3)
        for piece, part in zip(jacket.pieces, rubber.parts)
    )
    rows = [measure_two(seam, locks, fill.all_mm3, fill.deep_mm, whole)]
    if rubber.loose:
        rows.append(_with_loose(seam, locks, rubber, fill, heaviest))
    return rows


def measure_loose(
    seam: Seam, locks: Locks, rubber: Rubber, skin_areas: np.ndarray, terms: SeamTerms
) -> Measured | None:
    """Two pieces with their loose pieces, before a jacket is laid up; None where none pays."""
    if rubber.fill is None or not rubber.loose:
        return None
    return _with_loose(seam, locks, rubber, rubber.fill, heaviest_by_area_kg(seam, rubber, skin_areas, terms))


def _with_loose(seam: Seam, locks: Locks, rubber: Rubber, fill: Fill, heaviest_kg: float) -> Measured:
    held = measure_two(seam, locks, fill.left_mm3, fill.left_deep_mm, heaviest_kg)
    return replace(held, kind="loose", loose=len(rubber.loose))


def _asks_of(built: Measured, most_kg: float) -> tuple[str, ...]:
    """In words, which limits the two pieces that are built still break."""
    out = []
    if built.deepest_mm > WORTH_MORE * DEEP_FILL_MM:
        out.append(f"fill stays {mm(built.deepest_mm)} deep, over {mm(DEEP_FILL_MM)}")
    if built.stretch > 1.0:
        out.append(f"the glove stretches {stretch_words(built.stretch)} of what is allowed")
    if built.heaviest_kg > most_kg:
        out.append(f"a piece of {built.heaviest_kg:.0f} kg is over what hands may lift, {most_kg:.0f} kg")
    return tuple(out)


def _in_sections(
    master: Master, terms: SeamTerms, brief: Brief, catalogue: Catalogue, progress: Progress
) -> tuple[Sections, Measured | str] | str:
    """The proposal of sections with its measures, or the sentence that says why there is none."""
    try:
        sections = propose_sections(master, brief, catalogue, progress)
    except Cancelled:
        raise
    except MouldloftError as error:
        return f"No sections: {error}"
    if not sections.cuts:
        return sections, "No sections: no neck or limb was found where one cut would part it."
    return sections, measure_sections(sections, terms, brief, catalogue, progress)
