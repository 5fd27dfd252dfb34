"""How much of two gloves fills undercuts, and how deep it is where it is thick, loose pieces taken out."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy import ndimage

from ...base.threads import in_threads
from ...geometry.frame import UP
from ...geometry.heightmap import sample_map
from ...geometry.inside import inside_cells
from ...geometry.thickcells import deepest_mm
from ...trade.answers import THIN_FILL_MM
from ..master import Master
from .record import Envelope, Fill, LoosePiece, RubberParts

_CELL_MM = 6.0  # coarser in proportion past two metres
LEAST_MM3 = 2.5e5  # of one glove: a quarter of a litre is no deep fill (invented)


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
    cell = _CELL_MM * max(1.0, max(master.size_mm) / 2000.0)
    return tuple(in_threads(lambda pair: _fill_of(master, *pair, loose, skin_mm, cell), zip(envelopes, parts)))


def _fill_of(
    master: Master, envelope: Envelope, part: RubberParts, loose: Sequence[LoosePiece], skin_mm: float, cell_mm: float
) -> Fill:
    held = part.lock_fill_mm3
    if held < LEAST_MM3:
        return Fill(held, 0.0, held, 0.0)
    own = [one for one in loose if one.piece == envelope.piece]
    fill, kept = _fill_cells(master, envelope, own, skin_mm, cell_mm)
    deep = deepest_mm(fill, UP, cell_mm, THIN_FILL_MM)
    if not own:
        return Fill(held, deep, held, deep)
    # by share: a loose piece also takes some of the draft that stands over its fill
    left = held * float((fill & kept).sum()) / max(float(fill.sum()), 1.0)
    return Fill(held, deep, left, deepest_mm(fill & kept, UP, cell_mm, THIN_FILL_MM))


def _fill_cells(
    master: Master, envelope: Envelope, loose: Sequence[LoosePiece], skin_mm: float, cell_mm: float
) -> tuple[np.ndarray, np.ndarray]:
    """(rows, columns, levels) bool in the pull frame, along it last: rubber further off the skin than its thickness,
    with skin beyond it along the pull; and what no loose piece takes."""
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
    away = ndimage.distance_transform_edt(~inside) * cell_mm
    under = np.cumsum(inside[:, :, ::-1], axis=2)[:, :, ::-1] > 0
    fill = held & ~inside & under & (away > skin_mm + 0.5 * cell_mm)
    kept = np.ones(fill.shape, bool)
    cells = np.argwhere(fill)
    points = frame.to_master(np.column_stack([x[cells[:, 1]], y[cells[:, 0]], z[cells[:, 2]]]))
    for one in loose:
        kept[tuple(cells[one.holds(points)].T)] = False
    return fill, kept
