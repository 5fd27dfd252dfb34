"""How much of two gloves fills undercuts, and how deep it is where it is thick, loose pieces taken out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ...base.threads import in_threads
from ...geometry.faraway import cells_away
from ...geometry.frame import UP
from ...geometry.heightmap import sample_map
from ...geometry.inside import inside_cells
from ...geometry.thickcells import deepest_mm, thick_cells
from ...trade.answers import THIN_FILL_MM
from ..master import Master
from .record import Envelope, Fill, LoosePiece, RubberParts

_CELL_MM = 6.0  # coarser in proportion past two metres
LEAST_MM3 = 2.5e5  # of one glove: a quarter of a litre is no deep fill (invented)


@dataclass(frozen=True, eq=False)
class FillCells:
    """The undercut fill of one glove on a lattice. there : (rows, columns, levels) bool in the pull frame, along it
    last: rubber further off the skin than its thickness, with skin beyond it along the pull. points_mm : (k, 3) middles
    of the cells that are there, plan coordinates."""

    there: np.ndarray
    points_mm: np.ndarray
    cell_mm: float

    def taken_by(self, loose: Sequence[LoosePiece]) -> np.ndarray:
        """Bool as `there`: which of it loose pieces take."""
        held = np.zeros(len(self.points_mm), bool)
        for one in loose:
            held |= one.holds(self.points_mm)
        out = np.zeros(self.there.shape, bool)
        out[self.there] = held
        return out

    def deep_mm(self, cells: np.ndarray, columns: np.ndarray | None = None) -> float:
        """How deep such cells are along the pull where they are thick all round; over some (rows, columns) alone."""
        thick = thick_cells(cells, THIN_FILL_MM / 2.0 / self.cell_mm)
        return deepest_mm(thick if columns is None else thick & columns[:, :, None], UP, self.cell_mm, 0.0)


def fills_of(
    master: Master,
    envelopes: Sequence[Envelope],
    parts: Sequence[RubberParts],
    loose: Sequence[LoosePiece],
    skin_mm: float,
) -> tuple[Fill, ...]:
    """The undercut fill of each of two gloves; nothing of more. Only where it is thick all round is it deep: a web no
    thicker than `THIN_FILL_MM` cures and bends as a skin does. Under `LEAST_MM3` of fill its depth is not looked at."""
    if len(envelopes) != 2:
        return ()
    return tuple(in_threads(lambda pair: _fill_of(master, *pair, loose, skin_mm), zip(envelopes, parts)))


def _fill_of(
    master: Master, envelope: Envelope, part: RubberParts, loose: Sequence[LoosePiece], skin_mm: float
) -> Fill:
    held = part.lock_fill_mm3
    if held < LEAST_MM3:
        return Fill(held, 0.0, held, 0.0)
    own = [one for one in loose if one.piece == envelope.piece]
    fill = fill_cells(master, envelope, skin_mm)
    deep = fill.deep_mm(fill.there)
    if not own:
        return Fill(held, deep, held, deep)
    kept = fill.there & ~fill.taken_by(own)
    # by share: a loose piece also takes some of the draft that stands over its fill
    left = held * float(kept.sum()) / max(float(fill.there.sum()), 1.0)
    return Fill(held, deep, left, fill.deep_mm(kept))


def fill_cells(master: Master, envelope: Envelope, skin_mm: float) -> FillCells:
    """A glove's fill on a lattice, loose pieces not taken out."""
    cell_mm = _CELL_MM * max(1.0, max(master.size_mm) / 2000.0)
    frame, (x0, y0), p = envelope.frame, envelope.origin_mm, envelope.pixel_mm
    there = np.isfinite(envelope.outer_mm) & ~envelope.open_base
    i, j = np.nonzero(there)
    low, high = float(envelope.parting_mm[there].min()), float(envelope.outer_mm[there].max())
    spans = [(o + p * n.min(), o + p * n.max()) for o, n in ((y0, i), (x0, j))] + [(low, high)]
    shape = tuple(int(np.ceil((b - a) / cell_mm)) + 1 for a, b in spans)
    y, x, z = (a + cell_mm * np.arange(n) for (a, _), n in zip(spans, shape))
    gx, gy = np.meshgrid(x, y)

    def on_lattice(height_mm: np.ndarray) -> np.ndarray:
        return sample_map(height_mm, envelope.grid, gx.ravel(), gy.ravel()).reshape(gx.shape)

    floor, top = on_lattice(envelope.parting_mm), on_lattice(np.where(there, envelope.outer_mm, np.nan))
    with np.errstate(invalid="ignore"):
        held = (z > floor[..., None]) & (z < top[..., None])
    first = np.array([x[0], y[0], z[0]])
    vertices = frame.to_frame(master.vertices_mm)
    inside = inside_cells(vertices, master.faces, first, cell_mm, (shape[1], shape[0], shape[2])).transpose(1, 0, 2)
    away = cells_away(~inside) * cell_mm
    under = np.cumsum(inside[:, :, ::-1], axis=2)[:, :, ::-1] > 0
    fill = held & ~inside & under & (away > skin_mm + 0.5 * cell_mm)
    cells = np.argwhere(fill)
    points = frame.to_master(np.column_stack([x[cells[:, 1]], y[cells[:, 0]], z[cells[:, 2]]]))
    return FillCells(fill, points, cell_mm)
