"""Flanges of more than two pieces: each piece's own, up its own parting surface, and the domes between them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

import numpy as np
from scipy import ndimage

from ...geometry.depthmap import Grid
from ...geometry.faraway import cells_away
from ...geometry.frame import PullFrame
from ...geometry.rays import RayScene, inside_body
from ...trade.section import JointSection
from ..master import Master
from ..seam import Seam
from ..wall import joint_sheets
from .domes import Domes, Ground, flanges_with, place_domes
from .flanges import STEEPEST, Flanges


class Raised(Ground, Protocol):
    """A piece's rubber before its flanges. tall : (rows, columns) bool, where it stands above them."""

    @property
    def parting(self) -> np.ndarray: ...

    @property
    def tall(self) -> np.ndarray: ...


def flanges_of_many(
    raised: Sequence[Raised], section: JointSection, master: Master, seam: Seam, scene: RayScene, reach_mm: float
) -> tuple[Domes, list[Flanges]]:
    """The domes, and every piece's flanges with them on the fine lattice and on the coarse one.

    raised : all pieces on the fine lattice, then on the coarse one. reach_mm : how far beside a joint its pieces agree.
    """
    plain, count = [_own_flanges(body, section, master, scene) for body in raised], len(seam.pieces)
    sheets = joint_sheets(seam, master, reach_mm)
    domes = place_domes(sheets, raised[:count], plain[:count], seam, section, master, scene)
    return domes, [
        flanges_with(own, body, k % count, domes, section)
        for k, (own, body) in enumerate(zip(plain, raised, strict=True))
    ]


def _own_flanges(body: Raised, section: JointSection, master: Master, scene: RayScene) -> Flanges:
    """One of several pieces: its flanges alone, as wide as asked up their own slope, without a bead."""
    level = np.where(np.isfinite(body.low), body.low, 0.0)
    near, top = _leaning_flange(body.low, body.filled, body.grid.pixel_mm, section.rubber_flange_mm, section)
    half = body.low + section.rubber_flange_thickness_mm / 2.0
    rubber = outside_of(near, half, body.frame, body.grid, master, scene) | np.isfinite(body.filled)
    reach, _ = _leaning_flange(body.low, body.filled, body.grid.pixel_mm, section.reach_mm, section)
    jacket = outside_of(reach & ~rubber, body.low + 1.0, body.frame, body.grid, master, scene)
    toe = cells_away(rubber) * body.grid.pixel_mm
    nothing, none = np.zeros((0, 3)), np.zeros(level.shape)
    there = np.isfinite(top)  # beyond the parting surface there is no flange to bevel
    bevelled = np.full(level.shape, np.nan)
    bevelled[there] = (top - level)[there] * np.minimum(toe[there] / section.bevel_run_mm, 1.0)
    stands = body.tall | (body.drafted > body.low)
    return Flanges(
        (rubber | stands) & (body.on_board | stands), jacket & body.on_board & ~stands, body.parting, none, none,
        bevelled, nothing, nothing, (), nothing,
    )  # fmt: skip


def _leaning_flange(
    low: np.ndarray, filled: np.ndarray, pixel_mm: float, width_mm: float, section: JointSection
) -> tuple[np.ndarray, np.ndarray]:
    """(rows, columns) bool, where a flange may lie that leans against the pull, and its top: as wide as asked up the
    slope, at half its thickness, and as thick across it."""
    far, (i, j) = ndimage.distance_transform_edt(~np.isfinite(filled), return_indices=True)
    level = np.where(np.isfinite(low), low, 0.0)
    thick = section.rubber_flange_thickness_mm
    up = level - level[i, j]
    slope = np.minimum(np.hypot(*np.gradient(level, pixel_mm)), STEEPEST)
    run = np.hypot(far * pixel_mm, up)
    # its rim stands along the pull, and so leans out where the flange rises
    near = run + thick / 2 * slope * up / np.maximum(run, pixel_mm) <= width_mm
    return near, low + thick * np.hypot(1.0, slope)


def outside_of(
    pixels: np.ndarray, height: np.ndarray, frame: PullFrame, grid: Grid, master: Master, scene: RayScene
) -> np.ndarray:
    """The pixels ((rows, columns) bool) whose point at that height is not inside the master."""
    i, j = np.nonzero(pixels & np.isfinite(height))
    points = frame.to_master(np.column_stack([grid.x()[j], grid.y()[i], height[i, j]]))
    out = np.zeros_like(pixels)
    out[i, j] = ~inside_body(scene, master.normals, points)
    return out
