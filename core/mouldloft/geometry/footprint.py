"""A lattice's footprint cut into triangles: a rim inside its outer cells, and finer cells where a surface is steep.

Nodes are numbered flat, row by row; a cell's corners are counted round it, 0 to 3. Cells are cut so that whatever is
chosen for each, no crack opens to its neighbours.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from .edges import rim_of

_NEAR_CORNER = 0.02  # rim points keep this share of the pitch from a node, so that no sliver is made


def _cell_triangles() -> tuple[np.ndarray, ...]:
    """Triangles that cover the part of a cell inside the rim, for each of the 16 ways its corners may lie.

    Local numbers: corners 0 to 3 round the cell, then the rim's points on the sides 0-1, 1-2, 2-3 and 3-0. Corners
    are told inside by the bits of the case. Of a cell with two opposite corners inside, the two stay apart.
    """
    cases = []
    for case in range(16):
        inside = [bool(case >> corner & 1) for corner in range(4)]
        if case in (5, 10):
            cases.append(np.array([[4 + (c + 3) % 4, c, 4 + c] for c in range(4) if inside[c]]))
            continue
        around = []
        for corner in range(4):
            around += [corner] if inside[corner] else []
            around += [4 + corner] if inside[corner] != inside[(corner + 1) % 4] else []
        cases.append(_fan(around))
    return tuple(cases)


def _fan(around: list[int]) -> np.ndarray:
    return np.array([[around[0], a, b] for a, b in pairwise(around[1:])], int).reshape(-1, 3)


def _split_sides() -> tuple[np.ndarray, ...]:
    """Triangles of a whole cell whose sides are split in the middle or not, for each of the 16 ways.

    Local numbers as above, the sides' points being their middles. A fan from a middle: no triangle of it lies along a
    side.
    """
    cases = [_fan([0, 1, 2, 3])]
    for case in range(1, 16):
        around = [n for side in range(4) for n in ((side, 4 + side) if case >> side & 1 else (side,))]
        first = next(k for k, n in enumerate(around) if n >= 4)
        cases.append(_fan(around[first:] + around[:first]))
    return tuple(cases)


_INSIDE = _cell_triangles()
_WHOLE = 15
_TURNED = np.array([[0, 1, 3], [1, 2, 3]])  # the whole cell along its other diagonal
_SPLIT = _split_sides()
_QUARTERS = np.array([[0, 4, 8, 7], [4, 1, 5, 8], [8, 5, 2, 6], [7, 8, 6, 3]])  # 8 is the cell's middle


@dataclass(frozen=True, eq=False)
class CellCuts:
    """How whole cells are cut: along which diagonal, and which into quarters.

    turned : (rows - 1, columns - 1) bool, cells along their other diagonal. split : the same, cells that are quartered
    or have a side with a middle on it; faces holds theirs. one, other : (e,) flat numbers of the nodes that each middle
    lies halfway between; a middle's own number is the count of nodes and its place. faces : (f, 3), counter clockwise.
    """

    turned: np.ndarray
    split: np.ndarray
    one: np.ndarray
    other: np.ndarray
    faces: np.ndarray

    def cells(self, held: np.ndarray) -> np.ndarray:
        """(m, 3) triangles of the held cells, (rows - 1, columns - 1) bool; all split ones must be among them."""
        corners = _corners(held.shape)
        plain = [(held & ~self.split & ~self.turned, _INSIDE[_WHOLE]), (held & ~self.split & self.turned, _TURNED)]
        return np.concatenate([*(corners[which][:, t].reshape(-1, 3) for which, t in plain), self.faces])


def plain_cut(shape: tuple[int, int]) -> CellCuts:
    """Every cell of a lattice of (rows, columns) nodes in two triangles, all the same way."""
    none = np.zeros((shape[0] - 1, shape[1] - 1), bool)
    return CellCuts(none, none, np.zeros(0, int), np.zeros(0, int), np.zeros((0, 3), int))


def quartered(cells: np.ndarray) -> CellCuts:
    """The given cells, (rows - 1, columns - 1) bool, in quarters, and their neighbours fitted to them."""
    rows, columns = cells.shape[0] + 1, cells.shape[1] + 1
    node = np.arange(rows * columns).reshape(rows, columns)
    level, rising = np.zeros((rows, columns - 1), bool), np.zeros((rows - 1, columns), bool)
    level[:-1] |= cells
    level[1:] |= cells
    rising[:, :-1] |= cells
    rising[:, 1:] |= cells
    one = np.concatenate([node[:, :-1][level], node[:-1][rising], node[:-1, :-1][cells]])
    other = np.concatenate([node[:, 1:][level], node[1:][rising], node[1:, 1:][cells]])
    ends = np.cumsum([level.sum(), rising.sum(), cells.sum()])
    middles = [np.full(mask.shape, -1) for mask in (level, rising, cells)]
    for found, mask, start in zip(middles, (level, rising, cells), (0, *ends)):
        found[mask] = node.size + start + np.arange(mask.sum())
    on_level, on_rising, inner = middles
    sides = (level[:-1], rising[:, 1:], level[1:], rising[:, :-1])
    case = np.where(cells, -1, sum(side.astype(int) << k for k, side in enumerate(sides)))
    around = np.concatenate(
        [
            _corners(cells.shape),
            np.stack([on_level[:-1], on_rising[:, 1:], on_level[1:], on_rising[:, :-1], inner], axis=-1),
        ],
        axis=-1,
    )
    faces = [around[case == k][:, t].reshape(-1, 3) for k, t in enumerate(_SPLIT) if k]
    quarter = around[cells][:, _QUARTERS].reshape(-1, 4)
    faces.append(quarter[:, _INSIDE[_WHOLE]].reshape(-1, 3))
    return CellCuts(np.zeros(cells.shape, bool), case != 0, one, other, np.concatenate(faces))


def _corners(shape: tuple[int, ...]) -> np.ndarray:
    """(rows - 1, columns - 1, 4) flat numbers of the nodes round each cell."""
    node = np.arange((shape[0] + 1) * (shape[1] + 1)).reshape(shape[0] + 1, shape[1] + 1)
    return np.stack([node[:-1, :-1], node[:-1, 1:], node[1:, 1:], node[1:, :-1]], axis=-1)


@dataclass(frozen=True, eq=False)
class Sheet:
    """A footprint in triangles: its points are the nodes inside, points between nodes on the rim, and a cut's middles.

    one, other : (k,) flat node numbers; a point lies `along` (0 to 1) from one to the other. faces : (m, 3), counter
    clockwise seen against the pull. middles : how many of the points, the last, are a cut's.
    """

    one: np.ndarray
    other: np.ndarray
    along: np.ndarray
    faces: np.ndarray
    middles: int = 0

    def at(self, values: np.ndarray) -> np.ndarray:
        """(k,) a map's values at the points, linear between nodes."""
        flat = values.reshape(-1)
        return flat[self.one] * (1.0 - self.along) + flat[self.other] * self.along

    def rim(self) -> np.ndarray:
        """(k, 2) directed edges that only one face has."""
        return rim_of(self.faces)


def sheet_of(share: np.ndarray, mirrored: bool, cut: CellCuts | None = None) -> Sheet:
    """The footprint whose rim runs where half of a block is covered (marching squares), so its area is unbiased.

    share : (rows, columns), 0 to 1, how much of each node's block is covered. mirrored : faces the other way round.
    cut : of whole cells; with it and without, the first points and the rim are the same.
    """
    cut = cut or plain_cut((share.shape[0], share.shape[1]))
    inside = share >= 0.5
    node = np.arange(share.size).reshape(share.shape)
    sides = [(node[:, :-1], node[:, 1:]), (node[:-1], node[1:])]
    crossed = [inside.reshape(-1)[a] != inside.reshape(-1)[b] for a, b in sides]
    one = np.concatenate([node[inside], *(a[c] for (a, _), c in zip(sides, crossed))])
    other = np.concatenate([node[inside], *(b[c] for (_, b), c in zip(sides, crossed))])
    here, there = share.reshape(-1)[one], share.reshape(-1)[other]
    # two blocks cut by a rim square to them hold what lies within it up to here + there blocks from the first's edge
    reach = np.where(here > there, here + there - 0.5, 1.5 - here - there)
    along = np.where(one == other, 0.0, np.clip(reach, _NEAR_CORNER, 1 - _NEAR_CORNER))
    number = np.arange(len(one))
    of_node = np.full(share.size + len(cut.one), -1)
    of_node[: share.size][inside.reshape(-1)] = number[: inside.sum()]
    of_node[share.size :] = len(one) + np.arange(len(cut.one))
    level, rising = (np.full(c.shape, -1) for c in crossed)
    level[crossed[0]] = number[inside.sum() : inside.sum() + crossed[0].sum()]
    rising[crossed[1]] = number[inside.sum() + crossed[0].sum() :]
    corners = _corners(cut.split.shape)
    on_rim = np.stack([level[:-1], rising[:, 1:], level[1:], rising[:, :-1]], axis=-1)
    local = np.concatenate([of_node[corners], on_rim], axis=-1)
    case = (inside.reshape(-1)[corners] << np.arange(4)).sum(axis=-1)
    partly = [local[case == k][:, t].reshape(-1, 3) for k, t in enumerate(_INSIDE) if len(t) and k != _WHOLE]
    faces = np.concatenate([*partly, of_node[cut.cells(case == _WHOLE)]])
    return Sheet(
        one=np.concatenate([one, cut.one]),
        other=np.concatenate([other, cut.other]),
        along=np.concatenate([along, np.full(len(cut.one), 0.5)]),
        faces=faces[:, ::-1] if mirrored else faces,
        middles=len(cut.one),
    )
