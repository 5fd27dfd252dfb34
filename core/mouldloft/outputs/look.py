"""Colours, the lock and thickness scales, and type: shared by pictures, sheets and the page."""

from __future__ import annotations

from pathlib import Path

import numpy as np

DATA = Path(__file__).parent / "data"


BACKDROP = "#f4f1ea"  # behind every picture, on paper as on the screen


INK = "#25282b"


SOFT_INK = "#646a6a"


HAIRLINE = "#d6d0c4"


PLASTER = "#e2d9c9"  # the master


SEAM = "#b02a30"


GLOVE = "#6fa9a8"


JACKET = "#dcb765"


PATCH = "#b27f2c"  # where the jacket is laid heavier


RIB = "#6e4a2a"


KEY = "#1f5a70"


BOLT = "#3b3d40"


BEAD = "#6b4c9a"


WEDGE = "#8f8a2e"
WALL = "#c3a878"


LOOSE = "#c4693f"  # loose pieces


CLEAR = "#7d8fb3"  # what the seam keeps clear of


# Free skin to deepest lock. Lightness falls at every step, so the order survives any colour vision and a
# black-and-white print; a test holds it to that.
LOCK_STOPS = ("#e2d9c9", "#e3ad55", "#cf7a35", "#92383f", "#42184a")


# Thinnest to thickest rubber, by the same rule: what is thin stands out dark.
THICKNESS_STOPS = ("#2b1a4d", "#2f5a8c", "#3d998c", "#a5cc8a", "#f3ecc6")
# how far the glove stretches, from none to what is allowed: light to dark, so that it reads in grey too
STRETCH_STOPS = ("#dfe3e6", "#b9cfc4", "#e0b05a", "#c25b3c", "#5d1d3c")


# Clay shy of the plan, as planned, proud of it. Both ways lightness falls, and blue and ochre stay apart for any eye.
OFF_STOPS = ("#1c3f7a", "#5f8fc4", PLASTER, "#d08a3a", "#7a3412")


FONT_FILES = {
    "light": "SourceSans3-Light.ttf",
    "regular": "SourceSans3-Regular.ttf",
    "strong": "SourceSans3-Semibold.ttf",
    "italic": "SourceSans3-It.ttf",
}


def font_path(weight: str) -> Path:
    """File of the house type at `weight`: light, regular, strong or italic."""
    return DATA / FONT_FILES[weight]


def rgb(colour: str) -> tuple[float, float, float]:
    """'#rrggbb' as sRGB 0 to 1."""
    value = colour.lstrip("#")
    return int(value[0:2], 16) / 255, int(value[2:4], 16) / 255, int(value[4:6], 16) / 255


def to_linear(srgb: np.ndarray) -> np.ndarray:
    """sRGB 0 to 1 to linear light (IEC 61966-2-1)."""
    s = np.asarray(srgb, float)
    return np.where(s <= 0.04045, s / 12.92, ((np.maximum(s, 0.0) + 0.055) / 1.055) ** 2.4)


def to_srgb(linear: np.ndarray) -> np.ndarray:
    """Linear light to sRGB 0 to 1 (IEC 61966-2-1), clipped to what a screen shows."""
    v = np.clip(linear, 0.0, 1.0)
    return np.where(v <= 0.0031308, v * 12.92, 1.055 * v ** (1 / 2.4) - 0.055)


def lightness(srgb: np.ndarray) -> np.ndarray:
    """CIE L* of (..., 3) sRGB colours, 0 to 100 (luminance by Rec. 709 weights)."""
    y = to_linear(srgb) @ np.array([0.2126, 0.7152, 0.0722])
    return np.where(y > (6 / 29) ** 3, 116 * np.cbrt(y) - 16, y * (29 / 3) ** 3)


def lock_colours(share: np.ndarray) -> np.ndarray:
    """(k, 3) sRGB of the lock scale at `share` (0 free, 1 the scale's deepest)."""
    return _along_stops(LOCK_STOPS, share)


def thickness_colours(share: np.ndarray) -> np.ndarray:
    """(k, 3) sRGB of the thickness scale at `share` (0 the scale's thinnest, 1 its thickest)."""
    return _along_stops(THICKNESS_STOPS, share)


def stretch_colours(share: np.ndarray) -> np.ndarray:
    """(k, 3) sRGB of the stretch scale at `share` (0 none, 1 all that is allowed)."""
    return _along_stops(STRETCH_STOPS, share)


def off_colours(share: np.ndarray) -> np.ndarray:
    """(k, 3) sRGB of the scale of differences at `share` (-1 furthest shy of the plan, 0 on it, 1 furthest proud)."""
    return _along_stops(OFF_STOPS, (np.asarray(share, float) + 1.0) / 2.0)


def _along_stops(colours: tuple[str, ...], share: np.ndarray) -> np.ndarray:
    """Colours at 0 to 1 along even stops, mixed in linear light."""
    stops = to_linear(np.array([rgb(c) for c in colours]))
    at = np.linspace(0.0, 1.0, len(stops))
    share = np.clip(np.asarray(share, float), 0.0, 1.0)
    return to_srgb(np.stack([np.interp(share, at, stops[:, k]) for k in range(3)], axis=-1))
