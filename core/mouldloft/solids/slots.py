"""Wedge slots: what the formers on the first jacket's flange leave in the second's, open at the rim, so that wedges
part glass from glass and nothing is levered."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from ..geometry.heightmap import sample
from ..stages.rubber.record import Envelope
from ..stages.rubber.rims import covered
from ..trade.section import WEDGE_DEEP_MM, WEDGE_HIGH_MM, WEDGE_TIP_MM, WEDGE_WIDE_MM

_STEP_MM = 2.5  # of the grid a slot is made on
_PAST_RIM_MM = 8.0  # it runs out past the rim, so that it is open


@dataclass(frozen=True, eq=False)
class Slots:
    """Slots of one piece's jacket in its frame: (k, 2) middles at the rim, and unit ways in from it."""

    envelope: Envelope
    at_mm: np.ndarray
    inward: np.ndarray

    def along(self, x_mm: np.ndarray, y_mm: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """(k, ...) of each slot: how far aside of its middle line, and how far in from the rim, places lie."""
        shape = (-1,) + (1,) * np.ndim(x_mm)
        dx, dy = (v[None] - self.at_mm[:, n].reshape(shape) for n, v in enumerate((x_mm, y_mm)))
        ix, iy = (self.inward[:, n].reshape(shape) for n in (0, 1))
        return dx * iy - dy * ix, dx * ix + dy * iy

    def laid_over_mm(self, x_mm: np.ndarray, y_mm: np.ndarray, glass_mm: float) -> np.ndarray:
        """How high over the wall the glass stands that is laid over the formers, at places; -inf beside them."""
        if not len(self.at_mm):
            return np.full(np.shape(x_mm), -np.inf)
        aside, deep = self.along(x_mm, y_mm)
        over = (np.abs(aside) <= WEDGE_WIDE_MM / 2 + glass_mm) & (deep <= WEDGE_DEEP_MM + glass_mm)
        over &= deep >= -_PAST_RIM_MM
        return np.where(over.any(axis=0), WEDGE_HIGH_MM + glass_mm, -np.inf)

    def meshes(self, below_mm: float) -> list[tuple[np.ndarray, np.ndarray]]:
        """Every slot as a closed mesh in plan coordinates, from `below_mm` under the wall to the former's top."""
        return [_slot(self.envelope, at, way, below_mm) for at, way in zip(self.at_mm, self.inward)]


def slots_of(envelope: Envelope, points_mm: Sequence[Sequence[float]]) -> Slots:
    """The slots at (k, 3) plan points on the jacket's rim: square in from it, towards the rubber."""
    at = envelope.frame.to_frame(np.array(points_mm, float).reshape(-1, 3))[:, :2]
    rubber = covered(envelope) | envelope.open_base
    if not len(at) or not rubber.any():
        return Slots(envelope, np.zeros((0, 2)), np.zeros((0, 2)))
    (x0, y0), p = envelope.origin_mm, envelope.pixel_mm
    i, j = (np.rint((at[:, n] - o) / p).astype(int) for n, o in ((1, y0), (0, x0)))
    i, j = np.clip(i, 0, rubber.shape[0] - 1), np.clip(j, 0, rubber.shape[1] - 1)
    near = ndimage.distance_transform_edt(~rubber, return_distances=False, return_indices=True)
    way = np.column_stack([x0 + p * near[1][i, j], y0 + p * near[0][i, j]]) - at
    long = np.linalg.norm(way, axis=1)
    kept = long > p
    return Slots(envelope, at[kept], way[kept] / long[kept, None])


def _slot(envelope: Envelope, at: np.ndarray, inward: np.ndarray, below_mm: float) -> tuple[np.ndarray, np.ndarray]:
    deep = np.linspace(-_PAST_RIM_MM, WEDGE_DEEP_MM, int((_PAST_RIM_MM + WEDGE_DEEP_MM) / _STEP_MM) + 1)
    aside = np.linspace(-WEDGE_WIDE_MM / 2, WEDGE_WIDE_MM / 2, int(WEDGE_WIDE_MM / _STEP_MM) + 1)
    d, a = np.meshgrid(deep, aside, indexing="ij")
    flat = np.column_stack([(at[n] + d * inward[n] + a * (inward[1], -inward[0])[n]).ravel() for n in (0, 1)])
    wall = sample(envelope.parting_mm, envelope.origin_mm, envelope.pixel_mm, flat)
    rise = np.interp(d.ravel(), (0.0, WEDGE_DEEP_MM), (WEDGE_HIGH_MM, WEDGE_TIP_MM))
    rows, columns = d.shape
    node = np.arange(rows * columns).reshape(rows, columns)
    p, q, r, s = (node[at].ravel() for at in (np.s_[:-1, :-1], np.s_[1:, :-1], np.s_[1:, 1:], np.s_[:-1, 1:]))
    # seen from above, deep to the right and aside across it turn clockwise in the frame
    top = np.concatenate([np.column_stack([p, r, q]), np.column_stack([p, s, r])])
    rim = np.concatenate([node[:, 0], node[-1, 1:], node[-2::-1, -1], node[0, -2:0:-1]])
    after, count = np.roll(rim, -1), node.size
    walls = [np.column_stack([rim, after, after + count]), np.column_stack([rim, after + count, rim + count])]
    points = np.concatenate([np.column_stack([flat, wall + rise]), np.column_stack([flat, wall - below_mm])])
    faces = np.concatenate([top, top[:, ::-1] + count, *walls])
    return envelope.frame.to_master(points), faces.astype(np.int32)
