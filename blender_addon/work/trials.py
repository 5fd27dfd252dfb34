"""What is shown of a trial on a plan: the gloves peeled by mechanics, the master cut into sections."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from .display import Shape


@dataclass(frozen=True, eq=False)
class Peeled:
    """A glove coming off. places_mm : (f, n, 3) float32 of its vertices, home first; colours : (n, 4) float32 linear,
    the greatest stretch at each."""

    name: str
    piece: int
    faces: np.ndarray
    places_mm: np.ndarray
    colours: np.ndarray


@dataclass(frozen=True, eq=False)
class Told:
    """What a trial said: a line, sentences below it, and whether nothing is left to mend."""

    line: str
    remarks: list[str]
    good: bool


@dataclass(frozen=True, eq=False)
class PeelShown:
    """The gloves in the order that they come off, the stretch's legend, and what is said of them."""

    gloves: list[Peeled]
    legend: dict[str, Any]
    told: Told


@dataclass(frozen=True, eq=False)
class SectionsShown:
    """The parts as closed meshes, each to move off along its cut's normal, and what is said of them."""

    shapes: list[Shape]
    told: Told
