"""A post with a line of real letters round its front, raised or cut: where they stand is known."""

from __future__ import annotations

import numpy as np
import shapely
import trimesh
from vtk import vtkTriangleFilter, vtkVectorText
from vtk.util.numpy_support import vtk_to_numpy

RADIUS_MM, UP_MM, HEIGHT_MM = 150.0, 500.0, 900.0


def letters(text: str, high_mm: float) -> shapely.Geometry:
    """Outlines of a text in the plane, about the origin."""
    source, triangles = vtkVectorText(), vtkTriangleFilter()
    source.SetText(text)
    triangles.SetInputConnection(source.GetOutputPort())
    triangles.Update()
    found = triangles.GetOutput()
    points = vtk_to_numpy(found.GetPoints().GetData())[:, :2].astype(float)
    corners = vtk_to_numpy(found.GetPolys().GetConnectivityArray()).reshape(-1, 3)
    outline = shapely.unary_union([shapely.Polygon(points[face]).buffer(1e-6) for face in corners])
    left, low, right, high = outline.bounds
    centred = shapely.affinity.translate(outline, -(left + right) / 2, -(low + high) / 2)
    size = high_mm / (high - low)
    return shapely.affinity.scale(centred, size, size, origin=(0, 0))


def lettered_post(text: str = "TREFF 27", high_mm: float = 40.0, deep_mm: float = 4.0, cut: bool = False):
    """A round post with a round top, `text` across the middle of its front (-y), 500 mm up."""
    over = np.linspace(0.0, np.pi / 2, 12)
    side = np.arange(0.0, HEIGHT_MM, 20.0)
    away = np.concatenate([[0.0], np.full(len(side), RADIUS_MM), RADIUS_MM * np.cos(over)])
    up = np.concatenate([[0.0], side, HEIGHT_MM + RADIUS_MM * np.sin(over)])
    away[-1] = 0.0
    plain = trimesh.creation.revolve(np.stack([away, up], axis=1), sections=64)
    shapes = []
    for outline in shapely.get_parts(letters(text, high_mm)):
        shape = trimesh.creation.extrude_polygon(outline.simplify(0.3), 30.0).subdivide_to_size(12.0)
        shape.merge_vertices()
        outer, inner = (RADIUS_MM + 20, RADIUS_MM - deep_mm) if cut else (RADIUS_MM + deep_mm, RADIUS_MM - 20)
        away = np.where(shape.vertices[:, 2] > 15.0, outer, inner)
        turn = shape.vertices[:, 0] / RADIUS_MM
        up = UP_MM + shape.vertices[:, 1]
        shape.vertices = np.stack([away * np.sin(turn), -away * np.cos(turn), up], axis=1)
        shape.fix_normals()
        shapes.append(shape)
    both = trimesh.boolean.difference if cut else trimesh.boolean.union
    return both([plain, *shapes], engine="manifold")
