"""Edges of four faces: bodies that touch along a line, judged by trimesh and manifold3d."""

from __future__ import annotations

import manifold3d as m3
import numpy as np
import pytest
import trimesh
from mouldloft.geometry.manifold import as_manifold
from mouldloft.solids.pinches import opened_pinches, two_faces_an_edge, welded


def blocks_on_an_edge() -> trimesh.Trimesh:
    """Two cubes of 10 mm that share one upright edge."""
    one, other = trimesh.creation.box((10, 10, 10)), trimesh.creation.box((10, 10, 10))
    other.apply_translation((10, 10, 0))
    made = trimesh.util.concatenate([one, other])
    made.merge_vertices()
    return made


def shafts_on_an_edge() -> trimesh.Trimesh:
    """A block with two square shafts that share one upright edge: what touches there is the solid itself."""
    shaft = m3.Manifold.cube((10, 10, 20), True)
    block = m3.Manifold.cube((40, 40, 10), True) - shaft - shaft.translate((10, 10, 0))
    mesh = block.to_mesh64()
    made = trimesh.Trimesh(mesh.vert_properties, mesh.tri_verts)
    made.merge_vertices()
    return made


@pytest.mark.parametrize(("touching", "volume"), [(blocks_on_an_edge(), 2000.0), (shafts_on_an_edge(), 14000.0)])
def test_what_touches_along_an_edge_is_closed_and_keeps_its_volume(touching, volume):
    assert not touching.is_watertight
    vertices, faces = opened_pinches(np.array(touching.vertices), np.array(touching.faces))
    made = trimesh.Trimesh(vertices, faces, process=False)
    assert made.is_watertight
    assert made.is_winding_consistent
    assert volume - 0.5 < made.volume < volume  # each side steps back into its own solid, a hair
    assert m3.Manifold(m3.Mesh64(vertices, faces.astype(np.uint64))).status() == m3.Error.NoError
    # as an STL holds it, read back by place
    single = trimesh.Trimesh(vertices.astype(np.float32), faces)
    single.merge_vertices()
    assert single.is_watertight


def test_a_closed_mesh_stays_as_it_is():
    ball = trimesh.creation.icosphere(3, 50.0)
    vertices, faces = opened_pinches(*welded(np.array(ball.vertices), np.array(ball.faces)))
    assert (vertices == ball.vertices).all()
    assert (faces == ball.faces).all()


def beside(shift):
    """Two boxes of 10 mm, the other one `shift` from the first, as one mesh welded and opened."""
    box = trimesh.creation.box([10.0, 10.0, 10.0])
    points = np.concatenate([box.vertices, box.vertices + shift])
    return opened_pinches(*welded(points, np.concatenate([box.faces, box.faces + len(box.vertices)])))


def test_faces_back_to_back_go_and_faces_laid_over_each_other_stay():
    """Side by side the wall between two boxes goes; one over the other, as where a sculpt passes through itself, both
    stay, each edge with two faces."""
    for shift, volume in (([10.0, 0.0, 0.0], 2000.0), ([0.0, 0.0, 1e-4], 2000.0)):
        points, faces = beside(np.array(shift))
        assert two_faces_an_edge(points, faces)
        assert trimesh.Trimesh(points, faces, process=False).volume == pytest.approx(volume, rel=0.005)
        assert as_manifold(points, faces) is not None
