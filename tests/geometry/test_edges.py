"""Edges of meshes against trimesh and against plain counting."""

from collections import defaultdict

import numpy as np
import pytest
import trimesh
from mouldloft.geometry.edges import connected, edges_of, rim_of


def test_edges_of_a_closed_mesh_are_trimesh_s():
    mesh = trimesh.creation.icosphere(3)
    edges = edges_of(mesh.faces, len(mesh.vertices))
    assert edges.is_closed
    assert {tuple(e) for e in edges.ends.tolist()} == {tuple(e) for e in mesh.edges_unique.tolist()}
    pairs = {tuple(sorted(p)) for p in (edges.pairs // 3).tolist()}
    assert pairs == {tuple(sorted(p)) for p in mesh.face_adjacency.tolist()}
    assert edges.shells[0] == 1
    assert not edges_of(mesh.faces[1:], len(mesh.vertices)).is_closed
    assert not edges_of(np.concatenate([mesh.faces[1:], mesh.faces[:1, ::-1]]), len(mesh.vertices)).is_closed


@pytest.mark.parametrize("kind", [np.int32, np.int64])
def test_edges_of_any_faces_are_those_counted_one_by_one(kind):
    """Open, crowded, repeated and collapsed sides among them."""
    rng = np.random.default_rng(4)
    crowded = 0
    for _ in range(60):
        count = int(rng.integers(2, 20))
        faces = rng.integers(0, count, (int(rng.integers(1, 60)), 3)).astype(kind)
        sides, upward = defaultdict(list), defaultdict(int)
        for number, (a, b) in enumerate(zip(faces.ravel().tolist(), np.roll(faces, -1, axis=1).ravel().tolist())):
            sides[min(a, b), max(a, b)].append(number)
            upward[min(a, b), max(a, b)] += a < b
        edges = edges_of(faces, count)
        order = sorted(sides)
        assert edges.ends.tolist() == [list(e) for e in order]
        assert edges.uses.tolist() == [len(sides[e]) for e in order]
        assert edges.upward.tolist() == [upward[e] for e in order]
        assert edges.sides.tolist() == [side for e in order for side in sides[e]]
        assert [sides[order[k]].count(n) for n, k in enumerate(edges.edge_of.ravel())] == [1] * 3 * len(faces)
        assert edges.pairs.tolist() == [sides[e] for e in order if len(sides[e]) == 2]
        assert edges.open.sum() == sum(len(s) == 1 for s in sides.values())
        crowded += edges.crowded.sum()
    assert crowded > 100


def test_shells_are_joined_over_edges_not_over_corners():
    faces = np.array([[0, 1, 2], [2, 1, 3], [3, 4, 5], [6, 7, 8], [8, 7, 6]])
    count, shell = edges_of(faces, 9).shells
    assert count == 3
    assert shell.tolist() == [0, 0, 1, 2, 2]


def test_parts_that_pairs_make():
    assert connected(np.array([[0, 4], [4, 2]]), 5)[1].tolist() == [0, 1, 0, 2, 0]
    assert connected(np.zeros((0, 2), int), 3)[0] == 3


def test_the_rim_is_what_one_face_alone_runs_along():
    sphere = trimesh.creation.icosphere(subdivisions=2)
    faces = np.asarray(sphere.faces)[np.asarray(sphere.triangles_center)[:, 2] < 0.4]
    faces[::7] = faces[::7, ::-1]  # some turned over: two faces may run along an edge the same way
    sides = [(int(f[k]), int(f[(k + 1) % 3])) for k in range(3) for f in faces]
    assert rim_of(faces).tolist() == [list(side) for side in sides if side[::-1] not in set(sides)]
    assert rim_of(faces[:0]).shape == (0, 2)
