"""The jackets of a proposed division, as closed meshes."""

from __future__ import annotations

from typing import Any

import numpy as np
from scipy import ndimage

from ..stages.division.propose import Division
from .solid import Solid


def jacket_solids(division: Division) -> tuple[Solid, ...]:
    """A proposal's jacket pieces as closed meshes to look at and to move: within a cell, thicker than the laminate.

    A level set over the cells (manifold3d: always manifold out), in plan coordinates; a piece without a jacket is left
    out.
    """
    out = []
    for k, piece in enumerate(division.shares):
        cells = division.jacket_cells == k
        if not cells.any():
            continue
        mesh = _skin_of(cells).to_mesh64()
        vertices = np.array(division.lattice_first_mm) + division.cell_mm * np.array(mesh.vert_properties[:, :3])
        faces = np.ascontiguousarray(mesh.tri_verts, np.int32)
        corner = vertices[faces]
        volume = float(np.einsum("ij,ij->", corner[:, 0], np.cross(corner[:, 1], corner[:, 2]))) / 6
        out.append(Solid(f"proposed jacket, {piece.name}", "jacket", vertices, faces, volume))
    return tuple(out)


def _skin_of(cells: np.ndarray) -> Any:
    """Manifold half a cell round the middles of the cells that are set, a cell long a unit."""
    import manifold3d

    (around,) = ndimage.find_objects(cells.astype(np.int8))
    near = np.pad(cells[around], 2).astype(float)
    # the library asks at corners, which are middles of cells, and half way between eight of them
    between = sum(near[tuple(slice(s, n - 1 + s) for s, n in zip(at, near.shape))] for at in np.ndindex(2, 2, 2)) / 8
    at_corner, half_way = near.tolist(), np.asarray(between).tolist()

    def share(x: float, y: float, z: float) -> float:
        return float((at_corner if x == int(x) else half_way)[int(x)][int(y)][int(z)])

    last = [n - 2.0 for n in near.shape]
    made = manifold3d.Manifold.level_set(share, (1.0, 1.0, 1.0, *last), 1.0, 0.5)
    return made.translate([float(s.start - 2) for s in around])
