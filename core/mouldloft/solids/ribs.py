"""Ribs as solids: each core on the jacket's outside, cut to it, and the glass that covers them.

A rib is built in its own axes: along its course, across it, and up from the shell. The shell under it is a height map
in those axes (balls of the laminate's thickness about points that cover the glove's outside, keys and all), so that
cores and glass lie on it wherever it curves; cuts are exact booleans (manifold3d).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy import ndimage

from ..geometry.depthmap import Grid, raise_by_balls
from ..geometry.facets import face_vectors, nearest_values
from ..geometry.frame import unit
from ..geometry.heightmap import sample
from ..geometry.manifold import arrays_of
from ..geometry.sampling import covering_points
from ..stages.jacket.layup import laminate_mm
from ..stages.jacket.record import JacketPiece, Rib
from ..stages.jacket.zones import LAP_MM, outside_with_keys
from ..stages.keys.record import Keys
from ..stages.plan import MouldPlan
from ..stages.rubber.record import Envelope, Rubber
from .pinches import opened_as_stored
from .solid import Solid

_PITCH_MM = 2.0  # of the height map under a rib, and half of its facets' size
_ASIDE_MM = 8.0  # the map goes on past the lap
_DEEP_MM = 60.0  # how far the shell is followed below and above a rib's course
_EVENED_MM = 20.0  # common practice: a kerfed strip bends along its course over no less than about that
_EVEN_MM = 0.01  # flat parts are thinned within this, far below any tool's accuracy
_CRUMB_SHARE = 1e-3  # of a solid: loose parts smaller than this are the map's, not the rib's


def rib_solids(plan: MouldPlan) -> tuple[Solid, ...]:
    """Every piece's ribs as closed solids in plan coordinates, outward: a core for each ("rib core"), and for each
    piece the glass over all of them in one ("rib glass"). Where two ribs cross, the later core is cut at the earlier.

    Undersides lie on the jacket's outside as its zones are laid; no two of the solids share volume.
    """
    found: list[Solid] = []
    for piece, envelope in zip(plan.jacket.pieces, plan.rubber.envelopes, strict=True):
        found += ribs_of(piece, envelope, plan.keys, plan.rubber)
    return tuple(found)


def ribs_of(piece: JacketPiece, envelope: Envelope, keys: Keys, rubber: Rubber) -> list[Solid]:
    """`rib_solids` of one piece."""
    import manifold3d

    if not piece.ribs:
        return []
    thick = next(zone.thickness_mm for zone in piece.zones if zone.name == "ribs")
    bare, keyed = (_surface(piece, envelope, some, rubber.edge_band_mm) for some in (Keys((), ()), keys))
    cores: list[Any] = []
    covers: list[Any] = []
    for rib in piece.ribs:
        axes = _axes(rib, bare)
        core, cover = _core_and_cover(rib, thick, *(_shell_under(surface, axes, rib) for surface in (bare, keyed)))
        for made, parts in ((core, cores), (cover, covers)):
            parts.append(made.transform(np.column_stack([axes.T, _middle(rib)])))
    for k in range(1, len(cores)):
        cores[k] = cores[k] - manifold3d.Manifold.batch_boolean(cores[:k], manifold3d.OpType.Add)
    glass = manifold3d.Manifold.batch_boolean([*covers], manifold3d.OpType.Add)
    glass -= manifold3d.Manifold.batch_boolean(cores, manifold3d.OpType.Add)
    made = [_solid(f"rib {k}, {piece.name}", "rib core", core) for k, core in enumerate(cores, 1)]
    return [*made, _solid(f"glass over ribs, {piece.name}", "rib glass", glass)]


# --- the shell under a rib -------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Surface:
    """The glove's outside as triangles in plan coordinates, their unit normals, and the laminate on each corner."""

    vertices_mm: np.ndarray
    faces: np.ndarray
    normals: np.ndarray
    laid_mm: np.ndarray


def _surface(piece: JacketPiece, envelope: Envelope, keys: Keys, edge_band_mm: float) -> _Surface:
    outside = outside_with_keys(envelope, keys.keys)
    i, j = np.nonzero(np.isfinite(outside))
    number = np.full(outside.shape, -1)
    number[i, j] = np.arange(len(i))
    around = np.stack([number[:-1, :-1], number[:-1, 1:], number[1:, 1:], number[1:, :-1]], axis=-1).reshape(-1, 4)
    around = around[(around >= 0).all(axis=1)]
    faces = np.concatenate([around[:, [0, 1, 2]], around[:, [0, 2, 3]]])
    (x0, y0), p = envelope.origin_mm, envelope.pixel_mm
    vertices = envelope.frame.to_master(np.column_stack([x0 + p * j, y0 + p * i, outside[i, j]]))
    across = face_vectors(vertices, faces)
    normals = across / np.linalg.norm(across, axis=1, keepdims=True)
    return _Surface(vertices, faces, normals, laminate_mm(piece, envelope, edge_band_mm)[i, j])


def _middle(rib: Rib) -> np.ndarray:
    return (np.asarray(rib.start_mm) + np.asarray(rib.end_mm)) / 2.0


def _length(rib: Rib) -> float:
    return float(np.linalg.norm(np.subtract(rib.end_mm, rib.start_mm)))


def _axes(rib: Rib, surface: _Surface) -> np.ndarray:
    """(3, 3) rows: along the rib, across it, up from the shell (its mean normal beside the rib, square to it)."""
    along = unit(np.subtract(rib.end_mm, rib.start_mm))
    off = surface.vertices_mm[surface.faces[:, 0]] - _middle(rib)
    at = off @ along
    beside = (np.linalg.norm(off - at[:, None] * along, axis=1) < rib.core_width_mm) & (np.abs(at) < _length(rib) / 2.0)
    mean = surface.normals[beside].mean(axis=0)
    up = unit(mean - along * (mean @ along))
    return np.stack([along, np.cross(up, along), up])


def _shell_under(surface: _Surface, axes: np.ndarray, rib: Rib) -> tuple[np.ndarray, Grid]:
    """The jacket's outside as a height map in the rib's axes (rows across it), -inf where there is none."""
    local = (surface.vertices_mm - _middle(rib)) @ axes.T
    half = np.array([_length(rib), rib.core_width_mm]) / 2.0 + LAP_MM + _ASIDE_MM
    near = (np.abs(local[:, :2]) <= half + _ASIDE_MM).all(axis=1)
    near &= np.abs(local[:, 2]) <= _DEEP_MM + half.max() / 4.0
    looked = near[surface.faces].any(axis=1) & (surface.normals @ axes[2] > 0.0)
    spacing = min(_PITCH_MM, 0.4 * float(surface.laid_mm.min()))
    points = covering_points(local, surface.faces[looked], spacing)
    laid = nearest_values(points, local[near], surface.laid_mm[near])
    # between points the offset thins by up to (0.58 spacing)² / 2t; half of that more keeps it right on the mean
    laid = laid + (0.58 * spacing) ** 2 / (4.0 * laid)
    columns, rows = (2 * np.ceil(half / _PITCH_MM).astype(int) + 1).tolist()
    grid = Grid(-_PITCH_MM * (columns // 2), -_PITCH_MM * (rows // 2), _PITCH_MM, rows, columns)
    height = np.full((rows, columns), -np.inf, np.float32)
    raise_by_balls(height, points, laid, grid)
    return height, grid


# --- core and glass --------------------------------------------------------------------------------------


def _core_and_cover(rib: Rib, thick_mm: float, bare: tuple[np.ndarray, Grid], keyed: tuple[np.ndarray, Grid]) -> Any:
    """Core and cover as manifolds in the rib's axes. The cover holds the core's room too."""
    height, grid = keyed
    known = np.isfinite(height)
    height = np.where(known, height, height[known].min())
    floor = float(height.min()) - 1.0
    length, width = _length(rib), rib.core_width_mm
    crown = _course(bare[0], grid, length, width) + rib.core_height_mm
    shell = _block(height, grid, floor)
    core = _prism(crown, grid, length, width, floor) - shell
    steep = np.minimum(np.hypot(*np.gradient(height, grid.pixel_mm)), 3.0)
    lap = _block(height + thick_mm * np.hypot(1.0, steep), grid, floor) ^ _lap_box(known, grid, length, width, floor)
    over = _prism(crown + thick_mm, grid, length + 2.0 * thick_mm, width + 2.0 * thick_mm, floor)
    return core, (over + lap) - shell


def _course(bare_mm: np.ndarray, grid: Grid, length_mm: float, width_mm: float) -> np.ndarray:
    """(columns,) height of the bare shell under the core, mean across it, evened along it as a strip bends. It
    goes on level past the core's ends."""
    under = np.abs(grid.y()) <= width_mm / 2.0
    beside = np.abs(grid.x()) <= length_mm / 2.0
    known = np.isfinite(bare_mm[under]).any(axis=0) & beside
    mean = np.nanmean(np.where(np.isfinite(bare_mm), bare_mm, np.nan)[np.ix_(under, known)], axis=0)
    course = np.interp(grid.x()[beside], grid.x()[known], mean)
    course = ndimage.gaussian_filter1d(course, _EVENED_MM / grid.pixel_mm, mode="nearest")
    return np.interp(grid.x(), grid.x()[beside], course)


def _block(top_mm: np.ndarray, grid: Grid, floor_mm: float) -> Any:
    """All between a floor and a height map."""
    import manifold3d

    size = (_PITCH_MM * (grid.columns - 1), _PITCH_MM * (grid.rows - 1), 1.0)

    def raised(points: np.ndarray) -> np.ndarray:
        high = sample(top_mm, (grid.x0_mm, grid.y0_mm), grid.pixel_mm, points[:, :2])
        return np.column_stack([points[:, :2], floor_mm + points[:, 2] * (high - floor_mm)])

    flat = manifold3d.Manifold.cube(size).translate((grid.x0_mm, grid.y0_mm, 0.0))
    return flat.refine_to_length(2.0 * _PITCH_MM).warp_batch(raised)


def _prism(crown_mm: np.ndarray, grid: Grid, length_mm: float, width_mm: float, floor_mm: float) -> Any:
    """A strip along the rib, square in section, from the floor to its crown."""
    import manifold3d

    x = np.linspace(-length_mm / 2.0, length_mm / 2.0, max(int(length_mm / (2.0 * _PITCH_MM)), 1) + 1)
    side = np.column_stack([x, np.interp(x, grid.x(), crown_mm)])
    outline = np.concatenate([[(x[0], floor_mm), (x[-1], floor_mm)], side[::-1]])
    strip = manifold3d.CrossSection([outline]).extrude(width_mm)
    turn = np.array([(1.0, 0.0, 0.0, 0.0), (0.0, 0.0, -1.0, width_mm / 2.0), (0.0, 1.0, 0.0, 0.0)])
    return strip.transform(turn)


def _lap_box(known: np.ndarray, grid: Grid, length_mm: float, width_mm: float, floor_mm: float) -> Any:
    """The lap's outline, no further than there is a shell under half of its edge, from floor to far above."""
    import manifold3d

    ends = []
    for at, half, share in (
        (grid.x(), length_mm / 2.0 + LAP_MM, known.mean(axis=0)),
        (grid.y(), width_mm / 2.0 + LAP_MM, known.mean(axis=1)),
    ):
        there = at[share >= 0.5]
        ends.append((max(-half, there[0]), min(half, there[-1])))
    (x0, x1), (y0, y1) = ends
    return manifold3d.Manifold.cube((x1 - x0, y1 - y0, 1e4)).translate((x0, y0, floor_mm))


def _solid(name: str, kind: str, made: Any) -> Solid:
    """A manifold as a `Solid`, without crumbs."""
    import manifold3d

    parts = made.simplify(_EVEN_MM).decompose()
    least = _CRUMB_SHARE * sum(part.volume() for part in parts)
    kept: Sequence[Any] = [part for part in parts if abs(part.volume()) > least]
    whole = opened_as_stored(manifold3d.Manifold.batch_boolean([*kept], manifold3d.OpType.Add))
    return Solid(name, kind, *arrays_of(whole), float(whole.volume()))
