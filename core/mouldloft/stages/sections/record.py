"""What a proposal of sections holds."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from ...geometry.branches import Section
from ...trade.sectioning import SectionPrice
from ..master import Master
from ..places import BodyPlaces


@dataclass(frozen=True, eq=False)
class Cut:
    """One cut. number : from 1; kind : at a neck or limb of the body, or level across it. section : its plane and line,
    the normal towards the part taken off. takes, leaves : places in `Sections.parts`: the part taken off, which stands
    on this cut, and the one that carries its spigot. shown : 0 hidden to 1 in full view; why : in words."""

    number: int
    kind: Literal["neck", "level"]
    section: Section
    takes: int
    leaves: int
    shown: float
    why: str


@dataclass(frozen=True, eq=False)
class Part:
    """One section, cut plain, as a closed mesh in plan coordinates: vertices_mm (n, 3) float64, faces (m, 3) int32.

    stands_on : number of the cut whose face it stands on, 0 where it stands as the whole does. skin_mm2 : without cut
    faces and open foot. cast_kg, jacket_kg, glove_kg : of one cast, and of the heavier half of jacket and glove if they
    halve it evenly, without fill. people : for the heaviest of them, 0 a hoist. inside_mm : furthest place inside that
    an arm or a pole is led to from its opening, inf where it has none.
    """

    name: str
    vertices_mm: np.ndarray
    faces: np.ndarray
    stands_on: int
    volume_mm3: float
    skin_mm2: float
    size_mm: tuple[float, float, float]
    cast_kg: float
    jacket_kg: float
    glove_kg: float
    people: int
    fits_van: bool
    inside_mm: float

    @property
    def heaviest_kg(self) -> float:
        """The heaviest thing that is carried."""
        return max(self.cast_kg, self.jacket_kg, self.glove_kg)


@dataclass(frozen=True, eq=False)
class Sections:
    """A proposal. whole : the master as one part; parts : the first carries the rest. asks : in words, which limits the
    whole breaks, none where nothing asks for a cut; left : what stays over them; notes : places that were not cut, and
    why. wall_mm : of the cast. hatch_cost : hatches in its place over the run, where an arm's reach asks; else 0.
    places : the names over the whole's skin. painted : (n,) what somebody gave to keep clear, painted or in a file;
    None where that was left to the shape."""

    master: Master
    whole: Part
    parts: tuple[Part, ...]
    cuts: tuple[Cut, ...]
    asks: tuple[str, ...]
    left: tuple[str, ...]
    notes: tuple[str, ...]
    price: SectionPrice
    hatch_cost: float
    wall_mm: float
    places: BodyPlaces | None = None
    painted: np.ndarray | None = None

    def outwards(self) -> tuple[Cut, ...]:
        """The cuts from the part that stands on the ground on: what carries comes before what it carries."""
        placed, order, left = {0} if not self.parts[0].stands_on else set(), [], list(self.cuts)
        while left:
            ready = [cut for cut in left if cut.leaves in placed] or left
            order += ready
            placed.update(cut.takes for cut in ready)
            left = [cut for cut in left if cut not in ready]
        return tuple(order)

    @property
    def joined_before_packing(self) -> bool:
        """In one it goes into the van: the parts are joined in the workshop, and packed as one."""
        return self.whole.fits_van
