"""Whether the pieces of a mould want cradles, or lie on the bench on a bag of sand."""

from __future__ import annotations

from typing import Literal

Wish = Literal["as needed", "always", "none"]

# common practice, no source: none at about 300 mm, one from 500 mm on; between the two, half way
NO_CRADLE_MM = 400.0
NO_CRADLE_KG = 10.0  # common practice, no source: one person turns it over on the bench


def wants_cradle(longest_mm: float, heaviest_kg: float, wish: Wish = "as needed") -> bool:
    """Does a mould want cradles? longest_mm : side of its largest piece, flanges left out; heaviest_kg : jacket with
    its glove. What the brief says goes first."""
    if wish != "as needed":
        return wish == "always"
    return longest_mm > NO_CRADLE_MM or heaviest_kg > NO_CRADLE_KG


def bench_words(longest_mm: float, heaviest_kg: float, wish: Wish = "as needed") -> str:
    """What keeps the pieces from rocking where no cradle is made, in one sentence."""
    why = "as the brief asks" if wish == "none" else f"{longest_mm:.0f} mm and {heaviest_kg:.1f} kg at most"
    return (
        f"No cradle ({why}): each piece lies open side up on the bench, bedded on a bag of sand pressed to its "
        "jacket, or on a plaster foot cast on the jacket's back."
    )
