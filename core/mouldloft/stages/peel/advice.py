"""What would help a glove that may not come off: each cure tried by running again, and said with its figures."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from ...base.figures import mm, newtons, percent
from ...base.progress import Progress
from ..master import Master
from .body import RubberLaw
from .glove import PeelGlove
from .lattice import without
from .trial import PeelTry
from .where import called

_SOFTER = 2 / 3


@dataclass(frozen=True, eq=False)
class Cure:
    """A glove or rubber changed, to be tried: what was done, in words. glove : made when it is asked for; None where
    nothing comes of it."""

    words: str
    glove: Callable[[Progress], PeelGlove | None]
    law: RubberLaw


def cures_for(master: Master, glove: PeelGlove, law: RubberLaw, tried: PeelTry) -> tuple[Cure, ...]:
    """A slit from where it stretches most, or still holds, to the nearest flange; and a softer rubber."""
    softer = RubberLaw(law.shear_mpa * _SOFTER, law.bulk_mpa * _SOFTER, law.density_kg_per_mm3)
    cures = [Cure("a rubber two thirds as stiff", lambda _: glove, softer)]
    held = np.flatnonzero(~np.isfinite(tried.free_s))
    at = np.array(tried.at_mm)
    if not tried.off and len(held):
        points = glove.skin_mm[tried.kept][held]
        at = points[np.linalg.norm(points - np.median(points, axis=0), axis=1).argmin()]
    slit = slit_glove(glove, at)
    if slit is not None:
        cut, end = slit
        words = f"a slit of {mm(float(np.linalg.norm(end - at)))} from {called(at, master)} to the flange"
        cures.insert(0, Cure(words, lambda _: cut, law))
    return tuple(cures)


def slit_glove(glove: PeelGlove, from_mm: np.ndarray) -> tuple[PeelGlove, np.ndarray] | None:
    """The glove cut through from a place to the nearest of the rim, one cell wide, and where the cut ends; None where
    the place lies at the rim already."""
    lattice, pull = glove.lattice, glove.pull
    rim = lattice.positions_mm[glove.rim]
    end = rim[int(np.linalg.norm(rim - from_mm, axis=1).argmin())]
    length = float(np.linalg.norm(end - from_mm))
    across = np.cross(pull, end - from_mm)
    if length < 2 * lattice.pitch_mm or np.linalg.norm(across) < 1e-3 * length:
        return None
    along, across = (end - from_mm) / length, across / np.linalg.norm(across)
    middle = lattice.positions_mm[lattice.nodes[:, 0]] + lattice.pitch_mm / 2 - from_mm
    way = middle @ along
    beside = np.linalg.norm(middle - way[:, None] * along, axis=1)
    cut = (np.abs(middle @ across) < 0.5 * lattice.pitch_mm) & (way > 0) & (way < length + 2 * lattice.pitch_mm)
    cut &= beside < max(length / 2, 3 * lattice.pitch_mm)  # not the far side of a glove that goes round a limb
    left, number = without(lattice, cut)
    still = number[glove.rim] >= 0
    changed = replace(glove, lattice=left, rim=number[glove.rim][still], rim_along_mm=glove.rim_along_mm[still])
    return changed, end


def cure_words(cure: Cure, before: PeelTry, after: PeelTry) -> str:
    """'Tried with a slit of 180 mm ...: off, 210 N in place of 480 N, stretch 40 % in place of 90 %.'"""
    how = "comes off" if after.off else f"{'tears' if after.torn else 'still holds'}, {percent(after.freed)} clear"
    return (
        f"Tried with {cure.words}: {how}, {newtons(after.force_n)} in place of {newtons(before.force_n)}, stretch "
        f"{percent(after.stretch - 1)} in place of {percent(before.stretch - 1)}."
    )
