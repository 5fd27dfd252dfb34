"""A closed body cut in two at one place: along a plane, but only where one line goes round it."""

from __future__ import annotations

import numpy as np
import shapely

from .branches import Section, loop_round
from .contour import CLEARANCE, Crossings, cross_at_zero, split_faces
from .edges import connected, renumbered
from .frame import pull_frame
from .patch import fill_loops

Mesh = tuple[np.ndarray, np.ndarray]
_ON_PLANE = 1e-6  # of the body's size: corners of a cut lie so near its plane
_ALIKE = 0.02  # of the section's area: the line found on a part is the one asked for


def cut_off(vertices_mm: np.ndarray, faces: np.ndarray, section: Section) -> tuple[Mesh, Mesh] | None:
    """The body without what lies beyond the section's line, and that: two closed meshes whose volumes add up.

    The plane parts nothing but what the line goes round; whatever else it crosses stays whole. None where the line is
    not on this body, or the part beyond hangs on somewhere else too, so that one cut does not take it off.
    """
    level = vertices_mm @ section.normal - section.offset_mm
    crossings = cross_at_zero(vertices_mm, faces, level)
    found = loop_round(crossings, section.normal, section.loop_mm.mean(axis=0))
    if found is None or abs(found[1] / section.area_mm2 - 1.0) > _ALIKE:
        return None
    nodes = found[0].nodes
    beyond = _beyond(len(vertices_mm), faces, crossings, nodes, level)
    if beyond is None:
        return None
    # the same places on the crossed edges, and nowhere else
    least = CLEARANCE * max(float(np.abs(level).max()), 1.0)
    only = cross_at_zero(vertices_mm, faces, np.where(beyond, 1.0, -1.0) * np.maximum(np.abs(level), least))
    split = split_faces(vertices_mm, faces, np.where(beyond, 1.0, -1.0), only)
    loops = loop_round(only, section.normal, section.loop_mm.mean(axis=0))
    if loops is None or len(loops[0].nodes) != len(only.points_mm):
        return None
    frame = pull_frame(section.normal)
    points, cap = fill_loops([frame.to_frame(only.points_mm[loops[0].nodes])])
    extra = frame.to_master(points[len(loops[0].nodes) :])
    numbers = np.concatenate([loops[0].nodes, len(only.points_mm) + np.arange(len(extra))]) + len(vertices_mm)
    whole = np.concatenate([split.vertices_mm, extra])
    lid = numbers[cap]
    return (
        _compact(whole, np.concatenate([split.faces[~split.positive], lid])),
        _compact(whole, np.concatenate([split.faces[split.positive], lid[:, ::-1]])),
    )


def _beyond(
    count: int, faces: np.ndarray, crossings: Crossings, nodes: np.ndarray, level: np.ndarray
) -> np.ndarray | None:
    """(n,) bool, vertices that a line parts from the rest, None where it parts nothing."""
    edges = np.sort(faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2).astype(np.int64), axis=1)
    codes = np.unique(edges[:, 0] * count + edges[:, 1])
    cut = np.sort(crossings.edges[nodes].astype(np.int64), axis=1)
    kept = np.setdiff1d(codes, cut[:, 0] * count + cut[:, 1], assume_unique=True)
    _, part = connected(np.stack([kept // count, kept % count], axis=1), count)
    ends = crossings.edges[nodes]
    above = level[ends] >= 0
    ahead, behind = np.unique(part[ends[above]]), np.unique(part[ends[~above]])
    if np.intersect1d(ahead, behind).size:
        return None
    return np.asarray(np.isin(part, ahead))


def _compact(vertices: np.ndarray, faces: np.ndarray) -> Mesh:
    used, local = renumbered(faces)
    return vertices[used], local.astype(np.int32)


def carries(vertices_mm: np.ndarray, faces: np.ndarray, section: Section) -> bool:
    """Whether a section's face is one of a body's own."""
    size = float(np.abs(vertices_mm).max())
    on = np.abs(vertices_mm @ section.normal - section.offset_mm) <= _ON_PLANE * size
    flat = vertices_mm[faces[on[faces].all(axis=1)]]
    if not len(flat):
        return False
    frame = pull_frame(section.normal)
    shapes = shapely.polygons(frame.to_frame(flat.reshape(-1, 3))[:, :2].reshape(-1, 3, 2))
    inner = shapely.Polygon(frame.to_frame(section.loop_mm)[:, :2]).representative_point()
    return bool(shapely.distance(shapes, inner).min() <= 1e-6 * np.sqrt(section.area_mm2))
