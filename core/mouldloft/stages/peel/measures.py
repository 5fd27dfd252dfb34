"""What is read off a glove in motion: how far it is stretched, and where skin lifts with no way in for air."""

from __future__ import annotations

import numpy as np
from scipy import sparse, spatial
from scipy.sparse import csgraph

from .body import MovingRubber
from .element import CORNERS
from .lattice import RubberLattice


def principal_stretch(body: MovingRubber) -> np.ndarray:
    """(c,) greatest principal stretch (1 = none) at the middle of each cell's rubber."""
    lat = body.lattice
    u = body.u_mm[lat.nodes]
    signs = CORNERS.astype(float)
    parts = 1 + (lat.middle_mm / (lat.pitch_mm / 2))[:, None, :] * signs[None]
    grad = np.empty((len(u), 8, 3))
    for k in range(3):
        i, j = (m for m in range(3) if m != k)
        grad[:, :, k] = signs[None, :, k] * parts[:, :, i] * parts[:, :, j] / (4 * lat.pitch_mm)
    f = np.eye(3) + np.einsum("cai,cak->cik", u, grad)
    return np.sqrt(np.linalg.eigvalsh(np.einsum("cki,ckj->cij", f, f))[:, 2])


def averaging(lattice: RubberLattice, length_mm: float) -> sparse.csr_matrix:
    """(c, c): mean over a ball of `length_mm` across round each cell's rubber, by how much of each cell lies in it.

    A cell wider than the ball stands for itself, so that what is averaged over is the cell.
    """
    middle = lattice.positions_mm[lattice.nodes[:, 0]] + lattice.pitch_mm / 2 + lattice.middle_mm
    half, cell = length_mm / 2, lattice.pitch_mm / 2
    tree = spatial.cKDTree(middle)
    pairs = tree.sparse_distance_matrix(tree, half + cell, output_type="coo_matrix")
    row, col, away = pairs.row, pairs.col, pairs.data
    share = np.clip((half + cell - away) / (2 * min(half, cell)), 0.0, 1.0) * lattice.fill_mm3[col]
    out = sparse.csr_matrix((share, (row, col)), shape=pairs.shape)
    own = np.where(np.asarray(out.diagonal()) > 0, 0.0, lattice.fill_mm3)
    out = sparse.csr_matrix(out + sparse.diags(own))
    return sparse.csr_matrix(sparse.diags(1.0 / np.asarray(out.sum(axis=1)).ravel()) @ out)


class Pockets:
    """Skin that has lifted while all round it still touches: no air comes in there until somebody lets it in.

    points_mm, areas_mm2 : the skin's points (k, 3), (k,); open_edge : (k,) bool, those beside the glove's edge, where
    air comes in by itself.
    """

    def __init__(self, points_mm: np.ndarray, areas_mm2: np.ndarray, open_edge: np.ndarray) -> None:
        self._areas, self._open = areas_mm2, open_edge
        spacing = float(np.sqrt(np.median(areas_mm2))) if len(areas_mm2) else 1.0
        self._pairs = spatial.cKDTree(points_mm).query_pairs(2.2 * spacing, output_type="ndarray")
        self.held_mm2 = np.zeros(len(points_mm))  # the largest pocket that each point was part of

    def look(self, lifted: np.ndarray) -> float:
        """Note the pockets as they are now, lifted (k,) bool; returns the area of the largest, mm²."""
        count = len(lifted)
        both = self._pairs[lifted[self._pairs].all(axis=1)]
        graph = sparse.coo_matrix((np.ones(len(both)), (both[:, 0], both[:, 1])), shape=(count, count))
        number, of = csgraph.connected_components(graph, directed=False)
        area = np.bincount(of, weights=self._areas * lifted, minlength=number)
        aired = np.zeros(number, bool)
        aired[of[lifted & self._open]] = True
        shut = np.where(lifted & ~aired[of], area[of], 0.0)
        self.held_mm2 = np.maximum(self.held_mm2, shut)
        return float(shut.max(initial=0.0))
