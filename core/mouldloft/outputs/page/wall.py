"""The wall as the page shows it: its surface from skin to rim, and the numbers of its pieces."""

from __future__ import annotations

from typing import Any

import numpy as np

from ...geometry.polyline import spaced_out
from ...stages.plan import MouldPlan
from ...stages.wall import Station, Wall
from ..pictures.bodies import MeshPair

_STEP_MM = 12.0  # along the seam


def wall_mesh(plan: MouldPlan, wall: Wall) -> MeshPair:
    """Vertices (n, 3) mm and faces (m, 3): from the seam outwards, as far and as steep as at the stations either
    side."""
    points, faces, count = [], [], 0
    for number, line in enumerate(plan.seam.lines):
        stations = [s for s in wall.stations if s.line == number]
        if len(stations) < 2:
            continue
        inner, outer = _edges(spaced_out(line.points_mm, line.closed, _STEP_MM), line.closed, stations)
        k = len(inner)
        points += [inner, outer]
        at = np.arange(k if line.closed else k - 1)
        after = (at + 1) % k
        faces += [count + np.column_stack([at, after, after + k]), count + np.column_stack([at, after + k, at + k])]
        count += 2 * k
    if not points:
        return np.zeros((0, 3)), np.zeros((0, 3), int)
    return np.concatenate(points), np.concatenate(faces)


def _edges(spots: np.ndarray, closed: bool, stations: list[Station]) -> tuple[np.ndarray, np.ndarray]:
    """(k, 3) each: the wall's skin edge at places along the seam, and its rim."""
    seam = np.array([s.on_seam_mm for s in stations])
    at = np.array([int(np.linalg.norm(spots - place, axis=1).argmin()) for place in seam], float)
    order = np.argsort(at, kind="stable")
    at, chosen = at[order], [stations[k] for k in order]
    off = [np.array([np.subtract(getattr(s, edge), s.on_seam_mm) for s in chosen]) for edge in ("inner_mm", "outer_mm")]
    along, period = np.arange(len(spots)), float(len(spots)) if closed else None
    inner, outer = (
        spots + np.column_stack([np.interp(along, at, offs[:, axis], period=period) for axis in range(3)])
        for offs in off
    )
    return inner, outer


def wall_marks(wall: Wall) -> list[dict[str, Any]]:
    """Each piece's name at the middle of its stations, or of its rulings."""
    by_number = {s.number: s for s in wall.stations}
    marks = []
    for piece in wall.pieces:
        ends = [by_number[m.number] for m in piece.marks if m.number in by_number]
        if len(piece.inner_mm):
            middle = (piece.inner_mm[len(piece.inner_mm) // 2] + piece.outer_mm[len(piece.outer_mm) // 2]) / 2.0
        elif ends:
            one = ends[len(ends) // 2]
            middle = (np.array(one.inner_mm) + np.array(one.outer_mm)) / 2.0
        else:
            continue
        words = f"{piece.name}: {_KINDS[piece.kind]}" + (f", station {ends[0].number}" if len(ends) == 1 else "")
        if len(ends) > 1:
            words += f", stations {ends[0].number} to {ends[-1].number}"
        marks.append({"at": [round(float(v), 1) for v in middle], "name": piece.name, "words": words})
    return marks


_KINDS = {"board": "flat board", "strip": "thin sheet, bent along its lines", "rib": "rib under clay"}
