"""A surface shared out among several labels at about the least cost, by expansion moves.

Each move asks every place at once whether it would rather take one given label; that question is a minimum cut and is
answered exactly. Moves are made label by label until none helps (Boykov, Veksler and Zabih, IEEE PAMI 23, 2001, from
memory). A label that is not worth its price is then left out and its places shared out among the rest.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from .flow import cheapest_cut

_MOST_ROUNDS = 12


@dataclass(frozen=True, eq=False)
class ShareCosts:
    """What a sharing-out costs, all in one unit.

    data : (n, labels) float, for each label at each place. pairs : (e, 2) int, neighbours; price : (e,) float, not
    negative, where the two differ. label_price : for every label that is used at all.
    """

    data: np.ndarray
    pairs: np.ndarray
    price: np.ndarray
    label_price: float = 0.0


def share_cost(costs: ShareCosts, labels: np.ndarray) -> float:
    """Cost of a labelling ((n,) int)."""
    own = costs.data[np.arange(len(labels)), labels].sum()
    parted = labels[costs.pairs[:, 0]] != labels[costs.pairs[:, 1]]
    return float(own + costs.price[parted].sum() + costs.label_price * len(np.unique(labels)))


def share_out(costs: ShareCosts) -> np.ndarray:
    """(n,) int8 labels that no expansion move betters, and of which none is dearer than it is worth.

    Without a label price within twice the least cost; with two labels the first move is the exact minimum cut. The
    same every time.
    """
    labels = _moved_all(costs, np.arange(costs.data.shape[1]))
    best = share_cost(costs, labels)
    used = np.unique(labels)
    while costs.label_price > 0 and len(used) > 1:
        fewer = [_moved_all(costs, used[used != k]) for k in used]
        totals = [share_cost(costs, f) for f in fewer]
        at = int(np.argmin(totals))
        if totals[at] >= best:
            break
        labels, best = fewer[at], totals[at]
        used = np.unique(labels)
    return labels


def _moved_all(costs: ShareCosts, allowed: np.ndarray) -> np.ndarray:
    """Expansion moves of the allowed labels until none helps."""
    # from the one label that serves best alone: each move then only adds what pays for itself
    labels = np.full(len(costs.data), allowed[np.argmin(costs.data[:, allowed].sum(axis=0))], np.int8)
    free = replace(costs, label_price=0.0)
    best = share_cost(free, labels)
    for _ in range(_MOST_ROUNDS):
        before = best
        for label in allowed.tolist():
            moved = _expand(costs, labels, label)
            cost = share_cost(free, moved)
            if cost < best - 1e-9 * abs(best):
                labels, best = moved, cost
        if best >= before - 1e-9 * abs(before):
            break
    return labels


def _expand(costs: ShareCosts, labels: np.ndarray, label: int) -> np.ndarray:
    """The labelling of least cost in which each place keeps its own or takes `label`."""
    size = len(labels)
    keep = costs.data[np.arange(size), labels].astype(float)
    take = costs.data[:, label].astype(float)
    p, q = costs.pairs[:, 0].astype(np.int64), costs.pairs[:, 1].astype(np.int64)
    both_keep = np.where(labels[p] != labels[q], costs.price, 0.0)
    p_keeps = np.where(labels[p] != label, costs.price, 0.0)
    q_keeps = np.where(labels[q] != label, costs.price, 0.0)
    # E(p, q) as two terms of one place each, and one edge that is cut where p keeps and q takes
    take += np.bincount(p, q_keeps - both_keep, minlength=size) - np.bincount(q, q_keeps, minlength=size)
    edge = p_keeps + q_keeps - both_keep
    return np.where(cheapest_cut(take - keep, p, q, edge, np.zeros(len(p))), label, labels).astype(np.int8)
