"""How figures read in every summary, sheet and screen: numbers, units, counts and lists."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Literal

import numpy as np

First = Literal["metric", "imperial"]  # which stands first where both are given

MM_PER_INCH = 25.4
KG_PER_LB = 0.45359237
GRAVITY_M_S2 = 9.80665  # standard gravity, by the 3rd CGPM (1901)
_MINUS = "\N{MINUS SIGN}"
_ROUND = (1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0)


def round_step(most: float, steps: int = 4) -> float:
    """Least round number (one figure, or 1.5 or 2.5 times a power of ten) so that `steps` of it reach `most`."""
    least = max(most, 1e-9) / steps
    power = 10.0 ** np.floor(np.log10(least))
    return float(next(m * power for m in _ROUND if m * power >= least * (1 - 1e-9)))


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


def kg_lb(value_kg: float, first: First = "metric") -> str:
    """Kilograms with pounds beside them: '12.3 kg (27.1 lb)', or the other way round."""
    return _paired(kg(value_kg), pounds(value_kg), first)


def kg_lb_range(low_kg: float, high_kg: float, first: First = "metric") -> str:
    """A range of weights in the unit that stands first: '17.9 to 19.4 kg'."""
    low, high = (pounds(low_kg), pounds(high_kg)) if first == "imperial" else (kg(low_kg), kg(high_kg))
    return f"{low.rsplit(' ', 1)[0]} to {high}"


def mm_feet(value_mm: float, first: First = "metric", what: str = "") -> str:
    """Millimetres with feet and inches beside them, as '1400 mm tall (4 ft 7 1/8 in)', or the other way round."""
    return _paired(mm(value_mm), feet_inches(value_mm), first, what)


def kg_by(value_kg: float, first: First) -> str:
    """Kilograms, with pounds before them where those stand first: '12.3 kg', '27.1 lb (12.3 kg)'."""
    return kg_lb(value_kg, first) if first == "imperial" else kg(value_kg)


def whole_kg_by(value_kg: float, first: First) -> str:
    """To the whole kilogram, with pounds before it where those stand first: '12 kg', '27 lb (12 kg)'."""
    whole = f"{value_kg:.0f} kg"
    return f"{value_kg / KG_PER_LB:.0f} lb ({whole})" if first == "imperial" else whole


def mm_by(value_mm: float, first: First) -> str:
    """Millimetres, with feet and inches before them where those stand first: '940 mm', '3 ft 1 in (940 mm)'."""
    return mm_feet(value_mm, first) if first == "imperial" else mm(value_mm)


def metres_by(value_mm: float, first: First) -> str:
    """Metres of a length in mm, with feet before them where those stand first: '3.68 m', '12.1 ft (3.68 m)'."""
    return f"{feet(value_mm)} ({metres(value_mm)})" if first == "imperial" else metres(value_mm)


def metres_or_feet(value_mm: float, first: First) -> str:
    """A length in mm in the unit that stands first, for tables: '3.68 m', '12.1 ft'."""
    return feet(value_mm) if first == "imperial" else metres(value_mm)


def feet(value_mm: float) -> str:
    """Feet of a length in mm: '12.1 ft'."""
    return f"{number(value_mm / MM_PER_INCH / 12)} ft"


def sides_by(sides_mm: Iterable[float], first: First) -> str:
    """The sides of a box in the unit that stands first: '940 × 620 × 1400 mm', '37 × 24 3/8 × 55 1/8 in'."""
    if first == "metric":
        return " × ".join(f"{side:.0f}" for side in sides_mm) + " mm"
    return " × ".join(_inches(round(side / MM_PER_INCH * 8)) for side in sides_mm) + " in"


def _paired(metric: str, imperial: str, first: First, what: str = "") -> str:
    one, other = (imperial, metric) if first == "imperial" else (metric, imperial)
    return f"{one} {what} ({other})" if what else f"{one} ({other})"


def newtons(value_n: float) -> str:
    """A pull to two figures: lattice and friction decide more than the third."""
    return f"{float(f'{value_n:.2g}'):.0f} N"


def m2(value_mm2: float) -> str:
    """Square metres of an area in mm²: '2.05 m²'."""
    return f"{number(value_mm2 / 1e6)} m²"


def cm2(value_mm2: float) -> str:
    """Square centimetres of an area in mm²: '93.7 cm²'."""
    return f"{number(value_mm2 / 100)} cm²"


def litres(value_mm3: float) -> str:
    """Volume in litres, in millilitres under a tenth of one."""
    return f"{number(value_mm3 / 1e6)} l" if abs(value_mm3) >= 1e5 else f"{round(value_mm3 / 1e3) + 0:.0f} ml"


def metres(value_mm: float) -> str:
    """Metres of a length in mm: '3.68 m'."""
    return f"{number(value_mm / 1000)} m"


def unit_words(unit: str) -> str:
    """A unit of the order as it is written: 'm2' -> 'm²', 'pcs' -> 'pieces'."""
    return {"m2": "m²", "pcs": "pieces"}.get(unit, unit)


def amount(value: float, unit: str) -> str:
    """An amount of the order: '12.3 kg', '46 pieces'; what is counted is never parted."""
    whole = int(np.ceil(value - 1e-6))
    return counted(whole, "piece") if unit == "pcs" else f"{number(value)} {unit_words(unit)}"


def packs_words(packs: Iterable[tuple[float, int]], unit: str) -> str:
    """'2 x 25 kg and 1 x 5 kg' of (size, count)."""
    return listed(f"{count} x {size:g} {unit_words(unit)}" for size, count in packs)


def percent(share: float) -> str:
    """A share of one in hundredths, to two figures: 0.045 -> '4.5 %'."""
    return f"{number(100 * share, 2, 1).removesuffix('.0')} %"


def strain_by_rule(strain: float, breaks_at: float) -> str:
    """What a rule of thumb asks rubber to stretch: '45 %', or, past where it breaks, 'over 480 %'."""
    return percent(strain) if strain <= breaks_at else f"over {percent(breaks_at)}"


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
    return f"{feet} ft {_inches(rest)} in" if feet else f"{_inches(rest)} in"


def _inches(eighths: int) -> str:
    """Eighths of an inch as a tape reads: 385 -> '48 1/8'."""
    inches, part = divmod(eighths, 8)
    names = {0: "", 1: "1/8", 2: "1/4", 3: "3/8", 4: "1/2", 5: "5/8", 6: "3/4", 7: "7/8"}
    return " ".join(t for t in (str(inches) if inches or not part else "", names[part]) if t)


def money(value: float, currency: str) -> str:
    """Amount with its currency in whole units, to the hundredth under ten, thousands apart by a no-break space:
    '1 234 EUR', '4.50 EUR'."""
    return (
        f"{value:,.{2 if 0 < abs(value) < 9.995 else 0}f}".replace(",", "\N{NO-BREAK SPACE}")
        + f"\N{NO-BREAK SPACE}{currency}"
    )


def bare_money(value: float) -> str:
    """An amount of money in whole units beside one with its currency: '1 234'."""
    return f"{value:,.0f}".replace(",", "\N{NO-BREAK SPACE}")


def counted(count: int, one: str, many: str | None = None) -> str:
    """'1 key', '3 keys'."""
    return f"{count} {one if count == 1 else (many or one + 's')}"


def listed(words: Iterable[str]) -> str:
    """'a, b and c'."""
    items = list(words)
    if len(items) < 2:
        return "".join(items)
    return ", ".join(items[:-1]) + " and " + items[-1]
