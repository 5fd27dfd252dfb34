"""The house look, shared by pictures, sheets and the page: colours, the lock scale, type, and how figures read."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import numpy as np

DATA = Path(__file__).parent.parent / "outputs" / "data"

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

# Free skin to deepest lock. Lightness falls at every step, so the order survives any colour vision and a
# black-and-white print; a test holds it to that.
LOCK_STOPS = ("#e2d9c9", "#e3ad55", "#cf7a35", "#92383f", "#42184a")
# Thinnest to thickest rubber, by the same rule: what is thin stands out dark.
THICKNESS_STOPS = ("#2b1a4d", "#2f5a8c", "#3d998c", "#a5cc8a", "#f3ecc6")

FONT_FILES = {
    "light": "SourceSans3-Light.ttf",
    "regular": "SourceSans3-Regular.ttf",
    "strong": "SourceSans3-Semibold.ttf",
    "italic": "SourceSans3-It.ttf",
}

MM_PER_INCH = 25.4
KG_PER_LB = 0.45359237
_MINUS = "\N{MINUS SIGN}"
_ROUND = (1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0)


def font_path(weight: str) -> Path:
    """File of the house type at `weight`: light, regular, strong or italic."""
    return DATA / FONT_FILES[weight]


# --- colour ----------------------------------------------------------------------------------------------


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


def _along_stops(colours: tuple[str, ...], share: np.ndarray) -> np.ndarray:
    """Colours at 0 to 1 along even stops, mixed in linear light."""
    stops = to_linear(np.array([rgb(c) for c in colours]))
    at = np.linspace(0.0, 1.0, len(stops))
    share = np.clip(np.asarray(share, float), 0.0, 1.0)
    return to_srgb(np.stack([np.interp(share, at, stops[:, k]) for k in range(3)], axis=-1))


def round_step(most: float, steps: int = 4) -> float:
    """Least round number (one figure, or 1.5 or 2.5 times a power of ten) so that `steps` of it reach `most`."""
    least = max(most, 1e-9) / steps
    power = 10.0 ** np.floor(np.log10(least))
    return float(next(m * power for m in _ROUND if m * power >= least * (1 - 1e-9)))


# --- figures ---------------------------------------------------------------------------------------------


def number(value: float, digits: int = 3, most_decimals: int = 2) -> str:
    """A figure to about `digits` figures, never in powers of ten: 0.347 -> '0.35', 12.34 -> '12.3', 1234 -> '1234'."""
    if not np.isfinite(value):
        return "unlimited" if value > 0 else "?"
    size = abs(value)
    if size == 0:
        return "0"
    decimals = 0 if size >= 10 ** (digits - 1) else digits - 1 - max(int(np.floor(np.log10(size))), 0)
    text = f"{abs(value):.{min(max(decimals, 0), most_decimals)}f}"
    return (_MINUS if value < 0 and float(text) != 0 else "") + text


def mm(value: float) -> str:
    """Millimetres: to the tenth under 20, to the millimetre above."""
    return f"{value:.1f}".removesuffix(".0") + " mm" if abs(value) < 20 else f"{value:.0f} mm"


def kg(value: float) -> str:
    """Kilograms to three figures: '12.3 kg'."""
    return f"{number(value)} kg"


def pounds(value_kg: float) -> str:
    """Pounds (0.45359237 kg by definition) of a mass in kilograms: '27.1 lb'."""
    return f"{number(value_kg / KG_PER_LB)} lb"


def kg_lb(value_kg: float) -> str:
    """Kilograms with pounds beside them: '12.3 kg (27.1 lb)'."""
    return f"{kg(value_kg)} ({pounds(value_kg)})"


def m2(value_mm2: float) -> str:
    """Square metres of an area in mm²: '2.05 m²'."""
    return f"{number(value_mm2 / 1e6)} m²"


def cm2(value_mm2: float) -> str:
    """Square centimetres of an area in mm²: '93.7 cm²'."""
    return f"{number(value_mm2 / 100)} cm²"


def litres(value_mm3: float) -> str:
    """Volume in litres, in millilitres under a tenth of one."""
    return f"{number(value_mm3 / 1e6)} l" if abs(value_mm3) >= 1e5 else f"{value_mm3 / 1e3:.0f} ml"


def metres(value_mm: float) -> str:
    """Metres of a length in mm: '3.68 m'."""
    return f"{number(value_mm / 1000)} m"


def unit_words(unit: str) -> str:
    """A unit of the order as it is written: 'm2' -> 'm²'."""
    return {"m2": "m²"}.get(unit, unit)


def percent(share: float) -> str:
    """A share of one in hundredths, to two figures: 0.045 -> '4.5 %'."""
    return f"{number(100 * share, 2, 1).removesuffix('.0')} %"


def ounces(oz_ft2: float) -> str:
    """Mat weight as the trade says it, ounces a square foot: 300 g/m², sold as 1 oz, weighs 0.98 and reads '1 oz'."""
    nominal = round(oz_ft2 * 2) / 2
    # a sold mat is up to 2 % light of its name (305.15 g/m² an ounce, sold as 300)
    close = nominal > 0 and abs(oz_ft2 / nominal - 1) < 0.025
    return f"{nominal if close else round(oz_ft2, 2):g} oz"


def feet_inches(value_mm: float) -> str:
    """Feet and inches to the nearest eighth, as a tape reads: 1400 -> '4 ft 7 1/8 in'."""
    eighths = round(value_mm / MM_PER_INCH * 8)
    feet, rest = divmod(eighths, 12 * 8)
    inches, part = divmod(rest, 8)
    names = {0: "", 1: "1/8", 2: "1/4", 3: "3/8", 4: "1/2", 5: "5/8", 6: "3/4", 7: "7/8"}
    inch_text = " ".join(t for t in (str(inches) if inches or not part else "", names[part]) if t)
    return f"{feet} ft {inch_text} in" if feet else f"{inch_text} in"


def money(value: float, currency: str) -> str:
    """Amount with its currency, thousands apart by a no-break space: '1 234.50 EUR'."""
    return f"{value:,.2f}".replace(",", "\N{NO-BREAK SPACE}") + f"\N{NO-BREAK SPACE}{currency}"


def counted(count: int, one: str, many: str | None = None) -> str:
    """'1 key', '3 keys'."""
    return f"{count} {one if count == 1 else (many or one + 's')}"


def listed(words: Iterable[str]) -> str:
    """'a, b and c'."""
    items = list(words)
    if len(items) < 2:
        return "".join(items)
    return ", ".join(items[:-1]) + " and " + items[-1]
