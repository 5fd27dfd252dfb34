"""Between which heights a surface through the seam must pass, so that it meets neither skin."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ...geometry.contour import cross_at_zero, split_faces
from ...geometry.depthmap import Grid, column_image
from ...geometry.frame import PullFrame
from ..master import Master


def skin_bounds(master: Master, level: np.ndarray, frame: PullFrame, grid: Grid) -> tuple[np.ndarray, np.ndarray]:
    """Between which heights the parting surface must pass over each pixel: two (rows, cols) float maps.

    It stays above the skin of the piece behind and below that of the piece ahead (positive `level`); -inf
    and +inf where there is none. The skin is split along the seam first, so that the bounds meet on it.
    """
    crossings = cross_at_zero(master.vertices_mm, master.faces, level)
    crossed = replace(crossings, faces=np.arange(len(crossings.faces)))
    split = split_faces(master.vertices_mm, master.faces[crossings.faces], level, crossed)
    points = frame.to_frame(split.vertices_mm)
    side = (level >= 0).astype(np.int8)[master.faces[:, 0]]
    side[crossings.faces] = -1

    def skin(ahead: bool) -> np.ndarray:
        parts = split.faces[split.positive == ahead].astype(np.int32)
        return np.concatenate([master.faces[side == ahead], parts])

    low, _ = column_image(points, skin(False), grid)
    _, high = column_image(points, skin(True), grid)
    return low.astype(float), high.astype(float)
