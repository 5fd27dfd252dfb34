"""Closed meshes as manifold3d solids, and back: the one place where arrays go in and come out."""

from __future__ import annotations

from typing import Any

import numpy as np


def as_manifold(vertices: np.ndarray, faces: np.ndarray, values: np.ndarray | None = None) -> Any:
    """A mesh as a `manifold3d.Manifold`, or None where it is no closed manifold.

    vertices : (n, 3), kept in double precision; faces : (m, 3); values : (n,) or None, carried along linearly.
    """
    import manifold3d

    rows = vertices if values is None else np.column_stack([vertices, values])
    mesh = manifold3d.Mesh64(np.ascontiguousarray(rows, np.float64), np.ascontiguousarray(faces, np.uint64))
    solid = manifold3d.Manifold(mesh)
    return solid if solid.status() == manifold3d.Error.NoError and solid.num_tri() else None


def arrays_of(solid: Any) -> tuple[np.ndarray, np.ndarray]:
    """(n, 3) float64 vertices and (m, 3) int32 faces of a manifold3d solid."""
    mesh = solid.to_mesh64()
    return np.array(mesh.vert_properties, np.float64)[:, :3], np.array(mesh.tri_verts, np.int32)


def split_to_length(
    vertices: np.ndarray, faces: np.ndarray, longest: float, values: np.ndarray | None = None
) -> tuple[np.ndarray, np.ndarray, np.ndarray | None]:
    """The same surface, each facet cut up in its own plane: edges in even parts no longer than `longest`, and new ones
    within a facet at most twice that.

    Vertices, faces and values (or None) as given where the mesh is no closed manifold.
    """
    solid = as_manifold(vertices, faces, values)
    if solid is None:
        return vertices, faces, values
    finer = solid.refine_to_length(longest)
    mesh = np.array(finer.to_mesh64().vert_properties, np.float64)
    return mesh[:, :3].copy(), arrays_of(finer)[1], None if values is None else mesh[:, 3].copy()
