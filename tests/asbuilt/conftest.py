"""The hare and the small plan that the tests of what is as built share."""

from __future__ import annotations

import numpy as np
import pytest
import synthetic_plan
from mouldloft.demo.hare import demo_hare


@pytest.fixture(scope="session")
def hare():
    vertices, faces = demo_hare(20_000)
    vertices = np.asarray(vertices, float)
    vertices *= 1400 / np.ptp(vertices[:, 2])
    vertices -= [0, 0, vertices[:, 2].min()]
    return vertices, faces


@pytest.fixture(scope="session")
def small():
    return synthetic_plan.small_plan()
