"""Distances over a lattice, against scipy's transform and against every clear cell in turn."""

from __future__ import annotations

import numpy as np
import pytest
from mouldloft.geometry.faraway import cells_away
from scipy import ndimage

RNG = np.random.default_rng(5)


def _blobs(shape: tuple[int, ...], share: float) -> np.ndarray:
    smooth = ndimage.gaussian_filter(RNG.random(shape), 2.0)
    return smooth > np.quantile(smooth, 1.0 - share)


@pytest.mark.parametrize("shape", [(40,), (1, 30), (30, 1), (57, 83), (23, 31, 19), (6, 7, 8, 5)])
@pytest.mark.parametrize("share", [0.05, 0.5, 0.95])
def test_as_scipy_to_the_bit(shape, share):
    marked = _blobs(shape, share)
    assert np.array_equal(cells_away(marked), ndimage.distance_transform_edt(marked))


def test_one_clear_cell_in_a_corner_is_seen_from_everywhere():
    marked = np.ones((60, 4, 33), bool)
    marked[59, 0, 2] = False
    i, j, k = np.indices(marked.shape)
    assert np.array_equal(cells_away(marked), np.sqrt((i - 59) ** 2 + j**2 + (k - 2) ** 2))


def test_scattered_cells_as_by_asking_every_clear_one():
    marked = RNG.random((24, 37)) < 0.97
    clear = np.argwhere(~marked)
    asked = np.argwhere(np.ones_like(marked))
    least = ((asked[:, None] - clear[None]) ** 2).sum(axis=2).min(axis=1)
    assert np.array_equal(cells_away(marked).ravel(), np.sqrt(least))


def test_a_view_and_lattices_of_one_kind():
    marked = _blobs((40, 50), 0.6)
    assert np.array_equal(cells_away(marked[::2, ::-1].T), ndimage.distance_transform_edt(marked[::2, ::-1].T))
    assert not cells_away(np.zeros((5, 6, 7), bool)).any()
    full = np.ones((4, 5), bool)
    assert np.array_equal(cells_away(full), ndimage.distance_transform_edt(full))
