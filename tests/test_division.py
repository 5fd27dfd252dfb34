"""More than two pieces: who takes which face, what has to be filled, and in which order the pieces come off."""

from __future__ import annotations

import itertools

import numpy as np
from mouldloft.expansion import ShareCosts, share_cost, share_out
from mouldloft.mincut import FaceGraph, SplitCosts, cheapest_split, split_cost

# --- sharing out among labels: against all labellings, and against the exact cut of two ---------------------------


def _tiny(rng: np.random.Generator, places: int, labels: int, price: float) -> ShareCosts:
    pairs = np.array([(i, j) for i in range(places) for j in range(i) if rng.random() < 0.5])
    return ShareCosts(rng.uniform(0, 10, (places, labels)), pairs, rng.uniform(0, 4, len(pairs)), price)


def test_sharing_out_against_every_labelling_of_a_tiny_graph():
    rng = np.random.default_rng(3)
    exact = 0
    for trial in range(60):
        costs = _tiny(rng, 7, 3, 0.0)
        least = min(share_cost(costs, np.array(p)) for p in itertools.product(range(3), repeat=7))
        found = share_cost(costs, share_out(costs))
        # Boykov, Veksler and Zabih 2001, theorem 6.1 (from memory): within twice the least for one price on every pair
        assert least - 1e-9 <= found <= 2 * least, trial
        exact += found < least + 1e-9
    assert exact >= 54  # in practice nearly always the least itself


def test_a_label_dearer_than_it_is_worth_is_left_out():
    data = np.array([[0.0, 5.0, 9.0], [0.0, 5.0, 9.0], [5.0, 0.0, 9.0], [6.0, 6.0, 3.0]])
    pairs, price = np.array([[0, 1], [1, 2], [2, 3]]), np.full(3, 0.5)
    assert share_out(ShareCosts(data, pairs, price)).tolist() == [0, 0, 1, 2]
    assert share_out(ShareCosts(data, pairs, price, 4.0)).tolist() == [0, 0, 1, 1]  # the third saves 3.5 - 0.5
    assert share_out(ShareCosts(data, pairs, price, 20.0)).tolist() == [0, 0, 0, 0]
    for worth in (0.0, 2.0, 4.0, 20.0):
        costs = ShareCosts(data, pairs, price, worth)
        least = min(share_cost(costs, np.array(p)) for p in itertools.product(range(3), repeat=4))
        assert share_cost(costs, share_out(costs)) == least


def test_two_labels_are_the_exact_cut():
    """`cheapest_split` is another formulation of the same two-label problem, exact by construction."""
    rng = np.random.default_rng(5)
    side = 14
    number = np.arange(side * side).reshape(side, side)
    pairs = np.concatenate(
        [
            np.stack([number[:, :-1], number[:, 1:]], -1).reshape(-1, 2),
            np.stack([number[:-1], number[1:]], -1).reshape(-1, 2),
        ]
    ).astype(np.int32)
    for _ in range(5):
        data, price = rng.uniform(0, 3, (side * side, 2)), rng.uniform(0, 2, len(pairs))
        found = share_out(ShareCosts(data, pairs, price))
        graph = FaceGraph(pairs, pairs, price)
        two = SplitCosts(graph, data[:, 0], data[:, 1], price, np.zeros((0, 2), int))
        exact = cheapest_split(two)
        assert 0 < found.sum() < len(found)
        np.testing.assert_allclose(split_cost(two, found), split_cost(two, exact), rtol=1e-12)
