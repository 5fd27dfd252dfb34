"""What the peel stage hands on."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

Verdict = Literal["off", "doubtful", "stuck"]


@dataclass(frozen=True)
class TriedPeel:
    """One try in figures. way : as a person would say it. stretch : 0.4 = 40 %, averaged; force_n : the most that all
    hands pulled together, where they might pull hands_n; freed : share of the skin that came clear; torn : the rubber
    was stretched past what breaks it."""

    way: str
    friction: float
    pitch_mm: float
    off: bool
    freed: float
    stretch: float
    force_n: float
    hands_n: float = 0.0
    torn: bool = False


@dataclass(frozen=True)
class AirPocket:
    """Skin that lifts while all round it still touches: air has to be let in there. place : its name."""

    place: str
    centre_mm: tuple[float, float, float]
    area_mm2: float


@dataclass(frozen=True, eq=False)
class PeelMotion:
    """The glove coming off, to play: places of a lattice of part-filled cubes.

    corners : (n, 3) int16, nodes in cells from low_mm; nodes : (c, 8) int32 of each cell; moved_mm : (f, n, 3) float16,
    displacements at each frame; force_n, clear : (f,) float32, what the hands pull and the share of the skin that is
    off by then.
    """

    pitch_mm: float
    low_mm: tuple[float, float, float]
    corners: np.ndarray
    nodes: np.ndarray
    moved_mm: np.ndarray
    force_n: np.ndarray
    clear: np.ndarray


@dataclass(frozen=True, eq=False)
class PeeledGlove:
    """How one glove piece comes off.

    why : what the verdict stands on, in sentences. stretch_low, stretch_high : over frictions and pitches of the way
    chosen, averaged over the stated length; force likewise, N. order : places in the order they let go. skin_mm :
    (k, 3) float32 points of the skin; stretches, freed_at : (k,) float32, greatest stretch at each and the share of
    the motion after which it is clear (above 1: never).
    """

    piece: int
    name: str
    verdict: Verdict
    why: tuple[str, ...]
    way: str
    stretch_low: float
    stretch_high: float
    stretch_place: str
    stretch_at_mm: tuple[float, float, float]
    rule_stretch: float  # by the ring rule of the locks stage, the first look
    force_low_n: float
    force_high_n: float
    rubber_kg: float
    order: tuple[str, ...]
    pockets: tuple[AirPocket, ...]
    tries: tuple[TriedPeel, ...]
    advice: tuple[str, ...]
    skin_mm: np.ndarray
    stretches: np.ndarray
    freed_at: np.ndarray
    motion: PeelMotion


@dataclass(frozen=True, eq=False)
class Peel:
    """Whether the gloves come off the cast, by mechanics. people : who pull; hands_n : what they pull together at most.
    left_out : what the mechanics leave out, in words."""

    gloves: tuple[PeeledGlove, ...]
    people: int
    hands_n: float
    frictions: tuple[float, ...]
    average_mm: float
    stretch_allowed: float
    shear_mpa: float
    left_out: tuple[str, ...]

    @property
    def verdict(self) -> Verdict:
        """Of all gloves: the worst."""
        found = {glove.verdict for glove in self.gloves}
        return "stuck" if "stuck" in found else "doubtful" if "doubtful" in found else "off"
