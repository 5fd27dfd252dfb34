"""Chopped strand mat as sold: its weights, and in which order they go down."""

from __future__ import annotations

from functools import lru_cache
from itertools import combinations_with_replacement

# Units by definition: the international avoirdupois ounce and foot (1959 agreement), so oz/ft2 is exact.
GRAMS_PER_OUNCE = 28.349523125


SQUARE_METRES_PER_SQUARE_FOOT = 0.3048**2


G_M2_PER_OZ_FT2 = GRAMS_PER_OUNCE / SQUARE_METRES_PER_SQUARE_FOOT  # 305.15


# Published: mat makers' lists (see SOLD_SOURCE). A sold "1 oz" mat is 300 g/m2, not 305: the nominal is
# rounded.
SOLD_MATS_G_M2 = (225, 300, 450, 600, 900)


SOLD_SOURCE = "mat makers' lists of chopped strand mat by weight"


NOMINAL_SHORTFALL = 0.02  # 300/305.15 is 1.7 % light; a schedule may be as light as its nominal ounces are


FIRST_LAYER_G_M2 = 300  # common practice: the first mat is light, so that it lies in without air


ALONE_G_M2 = 450  # ... unless it is the only one


HAND_LAYER_G_M2 = 600  # common practice: heavier mat does not follow a form when wetted by hand ...


HEAVY_FROM_G_M2 = 3000  # ... and is only used for the bulk of a thick laminate


@lru_cache(maxsize=256)
def mat_weights(g_m2: float) -> tuple[int, ...]:
    """Mats as sold, g/m², in the order they go down, that reach `g_m2` (within the nominal ounce's rounding).

    Common practice: a light first mat, none over 600 by hand until the laminate is thick. Among the
    schedules that reach: least over, then fewest mats, then the most even. Raises ValueError for a weight
    that is not positive.
    """
    if not 0 < g_m2 < 50_000:
        raise ValueError("a mat schedule needs a weight between 0 and 50 kg/m2")
    least = g_m2 * (1.0 - NOMINAL_SHORTFALL)
    firsts = [m for m in SOLD_MATS_G_M2 if m <= FIRST_LAYER_G_M2]
    rest = [m for m in SOLD_MATS_G_M2 if m <= HAND_LAYER_G_M2 or g_m2 >= HEAVY_FROM_G_M2]
    bulk = 0
    if g_m2 > 2 * HEAVY_FROM_G_M2:  # the search stays small: whole heavy mats make up the middle
        bulk = int((least - HEAVY_FROM_G_M2) // SOLD_MATS_G_M2[-1])
    found: list[tuple[float, int, int, tuple[int, ...]]] = []
    for first in firsts:
        wanted = least - first - bulk * SOLD_MATS_G_M2[-1]
        for count in range(0, 9):
            for mats in combinations_with_replacement(rest, count):
                over = sum(mats) - wanted
                if over >= 0:
                    spread = max(mats, default=first) - min(mats, default=first)
                    found.append((round(over, 6), count, spread, (first, *mats)))
    alone = [m for m in SOLD_MATS_G_M2 if least <= m <= ALONE_G_M2]
    if alone:
        found.append((round(alone[0] - least, 6), 0, 0, (alone[0],)))
    best = min(found)[3]
    return best + (SOLD_MATS_G_M2[-1],) * bulk
