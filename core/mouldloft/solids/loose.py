"""Loose pieces as closed meshes: what stands over each one's floor, cut out of its glove's columns."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from scipy import ndimage

from ..geometry.footprint import sheet_of
from ..geometry.heightmap import filled
from ..stages.rubber.record import LoosePiece
from .solid import manifold_of

LOOSE_CRUMB = 0.05  # of a loose piece: a part that hung on it by an edge alone
_LEAST_CRUMB_MM3 = 1000.0  # what hangs on no loose piece is rubber; less of it is a pixel's doing


def cut_out_loose(block: Any, loose: Sequence[LoosePiece]) -> tuple[Any, list[tuple[LoosePiece, Any]]]:
    """A glove's columns (a manifold) less its loose pieces, and each piece with its own manifold, one body, in the
    order they come off."""
    out = []
    for piece in loose:
        over = _over_floor(piece)
        taken = block ^ over
        insert, *crumbs = sorted(taken.decompose(), key=lambda part: -part.volume()) or [taken]
        out.append((piece, insert))
        block = block - over
        for crumb in crumbs:
            if crumb.volume() > _LEAST_CRUMB_MM3:
                block = block + crumb
    return block, out


def _over_floor(piece: LoosePiece) -> Any:
    """All that stands over a loose piece's floor, up to its top, as a manifold in plan coordinates."""
    floor = np.pad(piece.floor_mm.astype(float), 2, constant_values=np.nan)
    known = np.isfinite(floor)
    # a ring past its rim, where the drafted floor has reached the top
    share = ndimage.binary_dilation(known).astype(float)
    low = np.where(known, floor, np.where(share > 0, piece.top_mm - 0.5, np.nan))
    low = np.minimum(filled(low), piece.top_mm - 0.5)
    x = piece.origin_mm[0] + piece.pixel_mm * (np.arange(floor.shape[1]) - 2)
    y = piece.origin_mm[1] + piece.pixel_mm * (np.arange(floor.shape[0]) - 2)
    sheet = sheet_of(share, False)
    across, up = np.meshgrid(x, y)
    flat = np.column_stack([sheet.at(across), sheet.at(up)])
    count, rim = len(flat), sheet.rim()
    walls = [
        np.column_stack([rim[:, 1], rim[:, 0], rim[:, 0] + count]),
        np.column_stack([rim[:, 1], rim[:, 0] + count, rim[:, 1] + count]),
    ]
    heights = (np.full(count, piece.top_mm), sheet.at(low))
    points = np.concatenate([np.column_stack([flat, height]) for height in heights])
    faces = np.concatenate([sheet.faces, sheet.faces[:, ::-1] + count, *walls])
    return manifold_of(piece.frame.to_master(points), faces.astype(np.int32), f"the {piece.name}")
