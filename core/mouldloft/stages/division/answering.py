"""The answers to what two pieces lock, measured alike."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ...trade.answers import Measured
from ...trade.seamterms import SeamTerms
from ..locks import Locks
from ..seam import Seam, measures_of
from .propose import Division


def weigh_division(
    division: Division,
    two: tuple[Seam, Locks],
    more: tuple[Seam, Locks] | None,
    skin_areas: np.ndarray,
    terms: SeamTerms,
    flange_width_mm: float,
) -> tuple[Measured, ...]:
    """Measured alike: two pieces with fill, two gloves under more jackets, more glove pieces each with its jacket.

    two : the seam of two pieces and what locks; more : those of the division's pieces, None where they hold each other.
    skin_areas : (m,) mm² of each face that rubber covers. Fill is the division's lattice's for all. Jackets apart leave
    the two gloves' stretch as it is.
    """
    seam, locks = two
    stretch = _share(locks)
    of_two = replace(measures_of(seam.figures), fill_mm3=division.two_piece_fill_mm3)
    area = np.bincount(seam.labels, skin_areas, minlength=2)
    jacket_mm2, carried = area + flange_width_mm * seam.length_mm, 1e-6 * terms.rubber.kg_per_litre
    gloves = 1e-6 * terms.rubber_kg_m2 * area
    halves = 0.5 * carried * division.two_piece_fill_mm3 + gloves  # the lattice does not say which half fills what
    heaviest = float(max(jacket_mm2.max() * 1e-6 * terms.jacket_kg_m2, halves.max()))
    found = [measure_two(seam, locks, division.two_piece_fill_mm3, division.two_piece_deepest_mm, heaviest)]
    apart = division.jackets
    if apart is not None:
        own = {piece.name: float(kg) for piece, kg in zip(seam.pieces, gloves)}
        for one in apart.shells:
            own[one.glove] += carried * one.fill_mm3
        heaviest = max(*(piece.jacket_kg for piece in apart.shells), *own.values())
        found.append(
            Measured(
                "jackets", 2, len(apart.shells), replace(of_two, fill_mm3=apart.fill_mm3), apart.joint_mm,
                apart.deepest_fill_mm, stretch, heaviest, apart.comes_off,
            )
        )  # fmt: skip
    parts, length = division.shares, division.joint_length_mm
    count = len(parts)
    if count > 2:
        # every joint of more pieces is bent; where they hold each other, nothing but its length is known of the seam,
        # and the rest is taken for as large a share of it as of two
        share = length / max(seam.figures.length_mm, 1.0)
        rough = replace(of_two, on_show_mm=of_two.on_show_mm * share, locked_mm2=division.locked_area_mm2, lines=count)
        measures = measures_of(more[0].figures) if more is not None else rough
        measures = replace(
            measures, length_mm=length, bent_mm=length, past_reach_mm=of_two.past_reach_mm * share,
            fill_mm3=division.fill_mm3,
        )  # fmt: skip
        found.append(
            Measured(
                "gloves", count, count, measures, 0.0, division.deepest_fill_mm,
                stretch if more is None else _share(more[1]),
                max(max(p.jacket_kg, 1e-6 * terms.rubber_kg_m2 * p.area_mm2 + carried * p.fill_mm3) for p in parts),
                more is not None,
            )
        )  # fmt: skip
    return tuple(found)


def measure_two(seam: Seam, locks: Locks, fill_mm3: float, deepest_mm: float, heaviest_kg: float) -> Measured:
    """Two pieces, with what of them is filled, how deep, and the heaviest jacket piece or glove."""
    measures = replace(measures_of(seam.figures), fill_mm3=fill_mm3)
    return Measured("two", 2, 2, measures, 0.0, deepest_mm, _share(locks), heaviest_kg, True)


def _share(locks: Locks) -> float:
    return locks.worst_stretch / locks.stretch_allowed if locks.stretch_allowed > 0 else float("inf")
