"""Scan against plan: in lines, and as a mesh in colours."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import trimesh

from ..base.figures import cm2, listed, mm, number
from ..base.files import write_whole
from ..stages.clay import ClayDifference
from ..stages.plan import MouldPlan
from .look import off_colours


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
    """The scanned body the plan was made from, closed (binary STL, mm). Raises `OutputRefused`."""
    data: Any = trimesh.Trimesh(plan.master.vertices_mm, plan.master.faces, process=False).export(file_type="stl")
    return write_whole(path, lambda handle: handle.write(bytes(data)))


def clay_lines(clay: ClayDifference) -> list[str]:
    """What the scan says, in plain lines: how it lies, where it differs, what that touches."""
    scanned, wanted = clay.height_mm
    lines = [*clay.told, f"Height {mm(scanned)}, planned {mm(wanted)}."]
    if not clay.patches:
        return [*lines, f"Nowhere is the clay more than {mm(clay.threshold_mm)} off the plan."]
    added, taken = (volume / 1e6 for volume in clay.volume_mm3)
    lines.append(
        f"{len(clay.patches)} {'place' if len(clay.patches) == 1 else 'places'} more than {mm(clay.threshold_mm)} off "
        f"the plan: {number(added)} l of clay more, {number(taken)} l less."
    )
    for patch in clay.patches[:12]:
        touches = [
            *(["on the seam"] if patch.to_seam_mm < 5 else
              [f"{mm(patch.to_seam_mm)} from the seam"] if patch.to_seam_mm < 60 else []),
            *(["locks there"] if patch.locks else []),
        ]  # fmt: skip
        way = "proud" if patch.most_mm > 0 else "shy"
        lines.append(
            f"  {patch.where}: {mm(abs(patch.most_mm))} {way} at most, {cm2(patch.area_mm2)}"
            f"{', ' + listed(touches) if touches else ''}"
        )
    if len(clay.patches) > 12:
        lines.append(f"  and {len(clay.patches) - 12} smaller ones")
    return lines
