"""The parting surface: where the pieces meet from the seam to the flange's edge, and the wall built to it."""

from __future__ import annotations

import numpy as np

from .frame import PullFrame
from .seam import Seam


def parting_heights(
    seam: Seam, frame: PullFrame, x0_mm: float, y0_mm: float, pixel_mm: float, rows: int, cols: int
) -> np.ndarray:
    """(rows, cols) float32: z of the parting surface along the frame's pull over each pixel centre.

    Row i stands at y0 + i * pixel, column j at x0 + j * pixel, in the frame of either piece.
    """
    sign = 1.0 if float(frame.pull @ np.asarray(seam.pieces[0].pull)) > 0 else -1.0
    return np.full((rows, cols), sign * seam.plane_offset_mm, np.float32)
