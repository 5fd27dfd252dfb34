"""Whole packs at least cost, by a mixed-integer program (HiGHS, through scipy)."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp

from ..base.errors import CatalogueRefused
from ..inputs.materials import Pack

LEFTOVER_WORTH = 0.25  # common practice: what is left over is worth a quarter of its price to the next job
MOST_AMOUNT = 1e9  # past any order
_SMALL_SHARE = 0.2  # of the bulk: what is bought small at the end of a large order is searched up to this


def cheapest_packs(
    amount: float, packs: Sequence[Pack], leftover_worth: float = LEFTOVER_WORTH
) -> tuple[tuple[Pack, int], ...]:
    """Whole packs that hold at least `amount` for the least money, large first, what is left over counted at
    leftover_worth of the best price by amount: two packs of 25 kg for 960 are the better buy than 46 kg for 954.

    Raises `CatalogueRefused` for an amount past any order.
    """
    if amount <= 1e-9:
        return ()
    if amount > MOST_AMOUNT:
        raise CatalogueRefused(f"An order of {amount:.3g} is past anything; check the master's size and unit.")
    sizes = np.array([pack.size for pack in packs])
    prices = np.array([pack.price for pack in packs])
    best = int(np.argmin(prices / sizes))
    bulk = _bulk(amount, sizes, best)
    wanted = amount - bulk * sizes[best]
    # among equal costs the least left over, then the fewest packs: too little to change a cost
    cost = prices - leftover_worth * prices[best] / sizes[best] * sizes
    cost = cost + 1e-7 * (prices[best] + 1e-6) * (sizes / sizes[best] + 1e-3)
    most = np.ceil(wanted / sizes + 1e-9)
    found = milp(
        cost,
        integrality=np.ones(len(packs)),
        bounds=Bounds(0, np.maximum(most, 1)),
        constraints=LinearConstraint(sizes[None, :], wanted * (1 - 1e-9), np.inf),
        options={"mip_rel_gap": 0.0},
    )
    counts = np.round(found.x).astype(int) if found.x is not None else np.zeros(len(packs), int)
    if sizes @ counts < wanted * (1 - 1e-6):  # a solver that gave up: whole packs of the best by amount
        counts = np.zeros(len(packs), int)
        counts[best] = math.ceil(wanted / sizes[best] - 1e-9)
    counts[best] += bulk
    chosen = [(pack, int(count)) for pack, count in zip(packs, counts) if count]
    return tuple(sorted(chosen, key=lambda pair: -pair[0].size))


def _bulk(amount: float, sizes: np.ndarray, best: int) -> int:
    """Packs of the best price that any large order begins with; the rest is left to the solver."""
    keep = 20.0 * float(sizes.max()) + _SMALL_SHARE * float(sizes[best])
    return max(0, math.floor((amount - keep) / sizes[best]))
