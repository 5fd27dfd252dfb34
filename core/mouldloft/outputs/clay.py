"""Scan against plan: in lines, and as a mesh in colours."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import trimesh

from ..base.figures import cm2, counted, litres, mm
from ..base.files import write_whole
from ..stages.clay import ClayDifference, ClayPlace
from ..stages.plan import MouldPlan
from .look import off_colours

PATCHES_LISTED = 12
ON_SEAM_MM, BESIDE_SEAM_MM = 5.0, 60.0  # a pencil line's worth, and the width of a flange


def scale_end_mm(clay: ClayDifference) -> float:
    """Where the colours end: a round figure over nearly all of the differences."""
    most = float(np.quantile(np.abs(clay.off_mm), 0.999)) if len(clay.off_mm) else 0.0
    return float(next((end for end in (5, 10, 20, 30, 50, 80, 120) if end >= max(most, 2 * clay.threshold_mm)), 200.0))


def clay_colours(clay: ClayDifference, off_mm: np.ndarray) -> np.ndarray:
    """(k, 3) sRGB 0 to 1: the plan's plaster within the threshold, then deeper to where the scale ends."""
    past = np.clip(np.abs(off_mm) - clay.threshold_mm, 0.0, None) / (scale_end_mm(clay) - clay.threshold_mm)
    return off_colours(np.sign(off_mm) * np.where(past > 0, 0.15 + 0.85 * np.minimum(past, 1.0), 0.0))


def write_difference(plan: MouldPlan, path: str | Path) -> Path:
    """The scanned body coloured by how far it is off its plan (PLY). Raises `OutputRefused`."""
    assert plan.clay is not None
    mesh = trimesh.Trimesh(plan.master.vertices_mm, plan.master.faces, process=False)
    visual: Any = mesh.visual
    colours = np.rint(255 * clay_colours(plan.clay, plan.clay.off_mm)).astype(np.uint8)
    visual.vertex_colors = np.hstack([colours, np.full((len(colours), 1), 255, np.uint8)])
    data: Any = mesh.export(file_type="ply")
    return write_whole(path, lambda handle: handle.write(bytes(data)))


def write_closed_scan(plan: MouldPlan, path: str | Path) -> Path:
    """The scanned body the plan was made from, closed (PLY, mm, the same vertices). Raises `OutputRefused`."""
    data: Any = trimesh.Trimesh(plan.master.vertices_mm, plan.master.faces, process=False).export(file_type="ply")
    return write_whole(path, lambda handle: handle.write(bytes(data)))


def clay_ticks(clay: ClayDifference) -> tuple[str, ...]:
    """Words along the colours, from furthest shy to furthest proud."""
    end = scale_end_mm(clay)
    return (f"{end:.3g} mm shy", "as planned", f"{end:.3g} mm proud")


def clay_scale_words(clay: ClayDifference) -> str:
    """What the colours say."""
    return f"How far the clay is off its plan; less than {mm(clay.threshold_mm)} is not coloured"


def clay_head(clay: ClayDifference) -> list[str]:
    """How the scan lies, and how much differs, in sentences."""
    scanned, wanted = clay.height_mm
    lines = [*clay.told, f"Height {mm(scanned)}, planned {mm(wanted)}."]
    if not clay.patches:
        return [*lines, f"Nowhere is the clay more than {mm(clay.threshold_mm)} off the plan."]
    added, taken = (litres(volume) for volume in clay.volume_mm3)
    return [
        *lines,
        f"{counted(len(clay.patches), 'place')} more than {mm(clay.threshold_mm)} off the plan: {added} of clay more, "
        f"{taken} less.",
    ]


def patch_words(patch: ClayPlace) -> str:
    """One place where the clay differs, and what it touches."""
    touches = []
    if patch.to_seam_mm < ON_SEAM_MM:
        touches.append("on the seam")
    elif patch.to_seam_mm < BESIDE_SEAM_MM:
        touches.append(f"{mm(patch.to_seam_mm)} from the seam")
    if patch.locks:
        touches.append("undercut there")
    way = "proud" if patch.most_mm > 0 else "shy"
    more = f", {' and '.join(touches)}" if touches else ""
    return f"{patch.where}: {mm(abs(patch.most_mm))} {way} at most, {cm2(patch.area_mm2)}{more}"


def clay_lines(clay: ClayDifference) -> list[str]:
    """What the scan says, in plain lines: how it lies, where it differs, what that touches."""
    lines = [*clay_head(clay), *(f"  {patch_words(patch)}" for patch in clay.patches[:PATCHES_LISTED])]
    left = len(clay.patches) - PATCHES_LISTED
    return [*lines, f"  and {counted(left, 'smaller one')}"] if left > 0 else lines
