"""What several ask of one master is found once, and is what each would find alone."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from mouldloft.geometry import hollow
from mouldloft.geometry.hollow import hollow_inside
from mouldloft.inputs.brief import MasterBrief, SculptBrief, SeamBrief
from mouldloft.stages import beforehand, hollowed, places
from mouldloft.stages.hollowed import inside_of
from mouldloft.stages.joining import LATTICE_MM
from mouldloft.stages.master import Master, prepare_master
from mouldloft.stages.seam import keep_clear_weights, place


def _counted(monkeypatch: pytest.MonkeyPatch, module: object, name: str) -> list[tuple]:
    asked: list[tuple] = []
    own = getattr(module, name)
    monkeypatch.setattr(module, name, lambda *given: (asked.append(given), own(*given))[1])
    return asked


@pytest.fixture
def block(monkeypatch) -> Master:
    monkeypatch.setattr(hollow, "_MOST_NODES", 4_000)  # of 160,000: the inside is not what is tested here
    mesh = trimesh.creation.box((900.0, 700.0, 1400.0)).subdivide_to_size(150.0)
    return prepare_master(np.asarray(mesh.vertices), np.asarray(mesh.faces), MasterBrief(finished_height_mm=1400))


def test_joint_and_foam_of_a_large_master_ask_one_lattice(block, monkeypatch):
    """A block of 1.4 m in 4,000 nodes: they stand 60.4 mm apart, whatever finer is asked."""
    asked = _counted(monkeypatch, hollowed, "hollow_inside")
    found = inside_of(block, LATTICE_MM)
    assert found.pitch_mm == pytest.approx((900.0 * 700.0 * 1400.0 / 4_000) ** (1 / 3), rel=0.01)
    monkeypatch.setattr(beforehand, "_layer_parts", lambda *_: ([], 0))  # nesting its blocks is another matter
    beforehand.order_beforehand(block, SculptBrief())
    assert inside_of(block, 50.0) is found
    assert len(asked) == 1
    alone = hollow_inside(block.vertices_mm, block.faces, block.normals, block.face_areas_mm2, LATTICE_MM)
    assert alone.pitch_mm == found.pitch_mm
    assert np.array_equal(alone.nodes_mm, found.nodes_mm)
    assert np.array_equal(alone.clearance_mm, found.clearance_mm)


def test_a_coarser_lattice_is_its_own(block):
    assert inside_of(block, 80.0).pitch_mm == 80.0
    assert inside_of(block, 12.0).pitch_mm < 70.0


def test_features_for_seam_and_names_are_looked_for_once(block, monkeypatch):
    asked = _counted(monkeypatch, place, "find_features")
    keep_clear_weights(block, SeamBrief())
    places.name_places(block)
    assert len(asked) == 1
