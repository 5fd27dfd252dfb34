"""The glove's thickness as it is: from its outside to the nearest skin of the master, in space.

    measure_thickness(plan, solids=()) -> tuple[GloveThickness, ...]   # one a piece

Without solids the outside is read from the envelopes, at their pixels; with them on their own facets as well, between
the nodes. Both work on a plan that was reopened. What to show: `map_mm` over `vertices_mm` and `faces`, `bin_edges_mm`
and `share` as a histogram, `thin` as places with a name.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from ..base.progress import SILENT, Progress
from ..geometry.edges import renumbered
from ..geometry.facets import face_vectors
from ..geometry.heightmap import filled, sample
from ..geometry.sampling import covering_points, samples_on_every_face
from ..inputs.brief import RubberBrief
from ..stages.master import Master, skin_faces
from ..stages.plan import MouldPlan
from ..stages.rubber.record import Envelope, Rubber
from ..stages.rubber.rims import bent_to_board, covered
from ..stages.rubber.thickness import wanted_thickness_mm
from ..stages.seam.record import Seam
from ..trade.thickness import ThicknessRule
from .solid import Solid

READ_HIGH_MM = 0.05  # what the nearest of the covering points may be further away than the skin itself
ALLOWED_MM = 0.3  # a place thinner than asked by more than this is named: no brush holds it closer
_BINS = 24
_MOST_PLACES = 12
_PRINT_SPACING_MM = 3.0
_ON_BOARD_MM = 0.02  # flat parts of a solid are thinned within half of it
_FACING = 1e-3  # cosine to the pull over which a facet is the outside, not a rim


@dataclass(frozen=True)
class ThinPlace:
    """Where the glove is thinner than asked: the thinnest point of a patch of its outside, plan coordinates."""

    name: str
    point_mm: tuple[float, float, float]
    thickness_mm: float
    asked_mm: float


@dataclass(frozen=True, eq=False)
class GloveThickness:
    """One piece's thickness over its outside, the flange left out (it is as thick as the wall it lies on says).

    vertices_mm : (n, 3) float64, plan coordinates; faces : (m, 3) int32, the outside alone, not closed.
    map_mm : (n,) thickness at each vertex; asked_mm : (n,) what the rule asks there. Distances read high by at most
    `READ_HIGH_MM`. least_mm, band_least_mm : the least found, all over and in the edge band (inf where there is none),
    also between vertices where solids were measured. bin_edges_mm : (b + 1,); share : (b,) of the outside, sum 1.
    """

    piece: int
    name: str
    vertices_mm: np.ndarray
    faces: np.ndarray
    map_mm: np.ndarray
    asked_mm: np.ndarray
    least_mm: float
    band_least_mm: float
    bin_edges_mm: np.ndarray
    share: np.ndarray
    thin: tuple[ThinPlace, ...]


def measure_thickness(
    plan: MouldPlan, solids: Sequence[Solid] = (), progress: Progress = SILENT
) -> tuple[GloveThickness, ...]:
    """Thickness of every glove piece: of the given glove solids, or of the envelopes with keys left out.

    plan : of it the master, the seam, the rubber and the brief are read, so it may be unfinished beyond the glove.
    solids : what `make_solids` gave for this plan, in any order; others than gloves are passed over.
    """
    found = []
    count = len(plan.rubber.envelopes)
    for at, envelope in enumerate(plan.rubber.envelopes):
        progress.step(at / count, f"glove of the {envelope.name}")
        skin = asked_skin(plan.master, plan.seam, envelope, plan.rubber, plan.brief.rubber)
        name = f"glove, {envelope.name}"
        own = next((s for s in solids if s.kind == "glove" and s.name == name), None)
        if own is None:
            outside = _over_body(envelope, *_pixel_mesh(envelope))
        else:
            outside = _without_print(plan.master, *_over_body(envelope, own.vertices_mm, own.faces))
        progress.step((at + 0.5) / count, f"glove of the {envelope.name}")
        found.append(_measure(envelope, skin, plan.rubber, *outside, facets=own is not None))
    return tuple(found)


# --- what is asked ---------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class AskedSkin:
    """Points that cover a piece's skin, plan coordinates (k, 3), and the thickness asked over each, (k,) mm.

    spacing_mm : no point of the skin is further than 0.58 of it from one.
    """

    points_mm: np.ndarray
    thickness_mm: np.ndarray
    spacing_mm: float


def asked_skin(
    master: Master,
    seam: Seam,
    envelope: Envelope,
    rubber: Rubber,
    brief: RubberBrief,
    read_high_mm: float = READ_HIGH_MM,
) -> AskedSkin:
    """The piece's own skin in points, close enough that the nearest one is at most `read_high_mm` further than the
    skin: at a distance t it is within (0.58 spacing)² / 2t, since a foot inside a face has points around it in the
    face's plane, one on an edge along the edge, and every corner is a point itself."""
    spacing = np.sqrt(2.0 * rubber.skin_thickness_mm * read_high_mm) / 0.58
    mine = (seam.labels == envelope.piece) & skin_faces(master)
    points = covering_points(master.vertices_mm, master.faces[mine], spacing)
    at = envelope.frame.to_frame(points)
    y = envelope.origin_mm[1] + envelope.pixel_mm * np.arange(envelope.parting_mm.shape[0])
    bent = bent_to_board(envelope, y, envelope.parting_mm, envelope.pixel_mm)
    parting = filled(np.where(bent, np.nan, envelope.parting_mm))
    above = at[:, 2] - sample(parting, envelope.origin_mm, envelope.pixel_mm, at[:, :2])
    rule = ThicknessRule(
        rubber.skin_thickness_mm, rubber.edge_thickness_mm, rubber.edge_band_mm, rubber.flange_width_mm,
        rubber.flange_thickness_mm, rubber.thickness_reason,
    )  # fmt: skip
    asked = wanted_thickness_mm(at, above, rule, envelope.frame, brief.handling_points_mm, brief)
    return AskedSkin(points, asked, float(spacing))


# --- the outside -----------------------------------------------------------------------------------------


def _over_body(envelope: Envelope, vertices: np.ndarray, faces: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The faces towards the pull whose column is under the jacket, with no flange beside it."""
    corners = vertices[faces]
    across = face_vectors(vertices, faces)
    facing = across @ envelope.frame.pull > _FACING * np.linalg.norm(across, axis=1)
    at = envelope.frame.to_frame(corners.mean(axis=1))
    body = covered(envelope) & ~envelope.flange
    facing &= sample(body.astype(float), envelope.origin_mm, envelope.pixel_mm, at[:, :2]) > 0.99
    return vertices, faces[facing]


def _without_print(master: Master, vertices: np.ndarray, faces: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Without what lies on the master or is cut by its board: the print hangs over in places and faces the pull there.

    A facet counts as print where its corners and its middle all lie on the master, so none that leaves it is missed.
    """
    corners = vertices[faces]
    tree = tree_over(covering_points(master.vertices_mm, master.faces, _PRINT_SPACING_MM))
    on_print = tree.query(vertices, distance_upper_bound=0.6 * _PRINT_SPACING_MM, workers=2)[0] < np.inf
    on_print = on_print[faces].all(axis=1)
    middle = tree.query(corners[on_print].mean(axis=1), distance_upper_bound=0.6 * _PRINT_SPACING_MM, workers=2)[0]
    on_print[on_print] = middle < np.inf
    kept = ~on_print & ~(np.abs(corners[:, :, 2]).max(axis=1) < _ON_BOARD_MM)
    return vertices, faces[kept]


def _pixel_mesh(envelope: Envelope) -> tuple[np.ndarray, np.ndarray]:
    rows, columns = envelope.outer_mm.shape
    (x0, y0), p = envelope.origin_mm, envelope.pixel_mm
    x, y = np.meshgrid(x0 + p * np.arange(columns), y0 + p * np.arange(rows))
    vertices = np.column_stack([x.ravel(), y.ravel(), envelope.outer_mm.ravel().astype(float)])
    number = np.arange(rows * columns).reshape(rows, columns)
    a, b, c, d = (number[s].ravel() for s in (np.s_[:-1, :-1], np.s_[:-1, 1:], np.s_[1:, 1:], np.s_[1:, :-1]))
    faces = np.concatenate([np.column_stack([a, b, c]), np.column_stack([a, c, d])])
    known = np.isfinite(vertices[:, 2])
    return envelope.frame.to_master(vertices), faces[known[faces].all(axis=1)]


def tree_over(points_mm: np.ndarray) -> cKDTree:
    """A tree over even, dense points: neither balancing nor shrinking its boxes pays there."""
    return cKDTree(points_mm, leafsize=24, balanced_tree=False, compact_nodes=False)


# --- the measure -----------------------------------------------------------------------------------------


def _measure(
    envelope: Envelope, skin: AskedSkin, rubber: Rubber, vertices: np.ndarray, faces: np.ndarray, facets: bool
) -> GloveThickness:
    tree = tree_over(skin.points_mm)
    used, faces = renumbered(faces)
    vertices, faces = vertices[used], faces.astype(np.int32)
    areas = 0.5 * np.linalg.norm(face_vectors(vertices, faces), axis=1)
    thickness, nearest = tree.query(vertices, workers=2)
    asked = skin.thickness_mm[nearest]
    points, measured, wanted = vertices, thickness, asked
    weights = np.bincount(faces.ravel(), np.repeat(areas / 3, 3), minlength=len(vertices))
    if facets:
        taken = samples_on_every_face(vertices, faces, areas, envelope.pixel_mm / 2)
        away, closest = tree.query(taken.points_mm, workers=2)
        points = np.concatenate([vertices, taken.points_mm])
        measured, wanted = np.concatenate([thickness, away]), np.concatenate([asked, skin.thickness_mm[closest]])
        weights = np.concatenate([np.zeros(len(vertices)), taken.areas_mm2])
    edges = _bin_edges(measured)
    held = np.histogram(measured, edges, weights=weights)[0]
    in_band = wanted > rubber.edge_thickness_mm - 1e-6
    return GloveThickness(
        piece=envelope.piece,
        name=envelope.name,
        vertices_mm=vertices,
        faces=faces,
        map_mm=thickness,
        asked_mm=asked,
        least_mm=float(measured.min(initial=np.inf)),
        band_least_mm=float(measured[in_band].min(initial=np.inf)),
        bin_edges_mm=edges,
        share=held / max(float(held.sum()), 1e-12),
        thin=_thin_places(points, measured, wanted, envelope, rubber),
    )


def _bin_edges(thickness_mm: np.ndarray) -> np.ndarray:
    """Even, round edges from below the least to above the greatest."""
    low, high = (float(thickness_mm.min()), float(thickness_mm.max())) if len(thickness_mm) else (0.0, 1.0)
    step = max((high - low) / _BINS, 1e-3)
    size = 10.0 ** np.floor(np.log10(step))
    step = size * next(k for k in (1, 2, 5, 10) if k * size >= step * 0.999)
    first = np.floor(low / step)
    return step * np.arange(first, np.floor(high / step) + 2)


def _thin_places(
    points: np.ndarray, thickness: np.ndarray, asked: np.ndarray, envelope: Envelope, rubber: Rubber
) -> tuple[ThinPlace, ...]:
    """The worst point of every patch where the glove is thinner than asked: patches stand an edge band apart."""
    short = np.flatnonzero(thickness < asked - ALLOWED_MM)
    order = short[np.argsort(thickness[short] - asked[short], kind="stable")]
    apart = max(rubber.edge_band_mm, 4.0 * rubber.skin_thickness_mm)
    places: list[ThinPlace] = []
    while len(order) and len(places) < _MOST_PLACES:
        worst = order[0]
        order = order[np.linalg.norm(points[order] - points[worst], axis=1) > apart]
        x, y, z = (float(v) for v in points[worst])
        name = f"{envelope.name}, thin place {len(places) + 1}"
        places.append(ThinPlace(name, (x, y, z), float(thickness[worst]), float(asked[worst])))
    return tuple(places)
