"""Many small systems, against LAPACK."""

import numpy as np
import pytest
from mouldloft.base.linear import solved


def test_many_small_systems_are_solved_as_by_lapack():
    made = np.random.default_rng(0)
    terms = made.normal(size=(7, 50, 20, 6)) * (1.0, 30.0, 30.0, 900.0, 900.0, 900.0)  # as over a patch in millimetres
    matrices = np.swapaxes(terms, -1, -2) @ terms
    rights = made.normal(size=(7, 50, 6))
    exact = np.linalg.solve(matrices, rights[..., None])[..., 0]
    assert solved(matrices, rights) == pytest.approx(exact, rel=1e-8, abs=1e-14)
