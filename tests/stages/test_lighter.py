"""A lighter copy of a master, against the whole one."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from mouldloft.inputs.brief import MasterBrief
from mouldloft.stages.lighter import lighten
from mouldloft.stages.master import prepare_master


def test_a_foot_that_is_not_quite_flat_stays_a_foot():
    """A block of 200 by 200 by 400 mm whose foot's vertices are up to a tenth of a millimetre off, as sculpts have it:
    its copy stands on the same 400 cm², and no less flat."""
    block = trimesh.creation.box((200.0, 200.0, 400.0))
    for _ in range(6):
        block = block.subdivide()
    vertices = np.array(block.vertices)
    foot = vertices[:, 2] < -199.9
    vertices[foot, 2] += np.random.default_rng(3).uniform(0.0, 0.1, int(foot.sum()))
    master = prepare_master(vertices, np.asarray(block.faces), MasterBrief(unit="mm"))
    copy = lighten(master, 10_000).master
    assert len(copy.faces) < 0.5 * len(master.faces)
    assert master.base_area_mm2 == pytest.approx(4e4, rel=1e-3)
    assert copy.base_area_mm2 == pytest.approx(4e4, rel=0.05), "within half an edge all round"
    assert np.ptp(copy.vertices_mm[copy.faces[copy.base_faces].reshape(-1), 2]) < 1e-9
    assert copy.normals[copy.base_faces, 2].max() < -0.99
