"""What every seam of one master and one direction is judged on: what shows, what locks how deep, what is in the way.

Made on a light copy of the master, so that a seam costs the same search however fine the sculpt is.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy import sparse

from ...base.progress import SILENT, Progress
from ...geometry.contour import face_centres
from ...geometry.depthmap import column_image, grid_around
from ...geometry.edges import edges_of
from ...geometry.facegraph import FaceGraph, face_graph, regions
from ...geometry.frame import pull_frame
from ...geometry.freedom import freedom_by_rays
from ...geometry.overhang import overhang_depths, ring_stretch
from ...geometry.rays import RayScene, first_wall_mm, ray_scene
from ...trade.seamterms import SOLID_MM, TIP_MM, FairRule, SeamTerms, fair_rule
from ..lighter import LighterCopy
from ..master import Master, skin_faces
from .costs import Walls, form_hides, skin_areas_mm2, walls_along

SQUARE_ENOUGH = 0.5  # |n . d| where wall and skin meet at 60 degrees
_PIXELS = 200  # along the diagonal, of the image that depths are read from


@dataclass(frozen=True, eq=False)
class Place:
    """What holds for every direction. show, clear : (n,) how much each vertex shows (a fold or an edge hides), and its
    keep-clear weight, -1 preferred to 1; past_reach : (n,) bool, further than an arm from the open foot;
    vertex_normals : (n, 3)."""

    master: Master
    terms: SeamTerms
    rule: FairRule
    scene: RayScene
    graph: FaceGraph
    show: np.ndarray
    clear: np.ndarray
    past_reach: np.ndarray
    vertex_normals: np.ndarray
    skin_mm2: np.ndarray  # (m,) 0 on an open base
    thick_mm: np.ndarray  # (m,) of the body behind each face
    forced_lines: int


@dataclass(frozen=True, eq=False)
class Ground:
    """A place seen along one pull.

    locked : (2, m) float, share of each face that the pull ahead, and the pull behind, does not free; depth_mm : (2, m)
    how far under an overhang it then lies, across the pull; stretch : (2, m) what the glove must give there, without a
    cap; fill_mm : (2, m) undercut fill by area, if the face goes to that piece against its own side.
    """

    place: Place
    direction: np.ndarray
    walls: Walls
    locked: np.ndarray
    depth_mm: np.ndarray
    stretch: np.ndarray
    fill_mm: np.ndarray
    tops_mm: np.ndarray  # (k,) of the columns along the pull
    bottoms_mm: np.ndarray
    pixel_mm: float


def at_vertices(master: Master, per_face: np.ndarray) -> np.ndarray:
    """(n,) area-weighted mean of a face value over the faces around each vertex."""
    weight = np.repeat(master.face_areas_mm2, 3)
    corners = master.faces.reshape(-1)
    size = len(master.vertices_mm)
    total = np.bincount(corners, weight, minlength=size)
    value = np.bincount(corners, weight * np.repeat(np.asarray(per_face, float), 3), minlength=size)
    return value / np.maximum(total, 1e-30)


def faces_the_pull(normals: np.ndarray, direction: np.ndarray) -> np.ndarray:
    """(n,) 0 where a wall across the pull meets skin of these normals ((n, 3)) at 60° or squarer, 1 where it lies along
    it. The angle is common practice, no source."""
    along = np.abs(normals @ direction) / np.maximum(np.linalg.norm(normals, axis=1), 1e-12)
    return np.clip((along - SQUARE_ENOUGH) / (1.0 - SQUARE_ENOUGH), 0.0, 1.0)


def know_place(
    master: Master,
    terms: SeamTerms,
    show: np.ndarray,
    clear: np.ndarray | None,
    scene: RayScene | None = None,
) -> Place:
    """What holds for every direction on a master. show : (n,) how much each vertex shows; clear : (n,) keep-clear
    weights or None."""
    graph = face_graph(master.vertices_mm, master.faces)
    hidden = form_hides(master, graph)
    normals = np.stack([at_vertices(master, master.normals[:, k]) for k in range(3)], axis=1)
    normals /= np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-12)
    scene = scene or ray_scene(master.vertices_mm, master.faces)
    centre = face_centres(master.vertices_mm, master.faces)
    thick = first_wall_mm(scene, centre, -master.normals, -master.normals)
    skin = skin_areas_mm2(master)
    return Place(
        master,
        terms,
        fair_rule(max(master.size_mm)),
        scene,
        graph,
        show * (1.0 - hidden),
        np.zeros(len(master.vertices_mm)) if clear is None else np.asarray(clear, float),
        _past_reach(master, terms.rates.reach_mm),
        normals,
        skin,
        _laid_up_all_the_same(graph, thick, skin, terms.solid_most_mm3),
        forced_lines(master),
    )


def _laid_up_all_the_same(graph: FaceGraph, thick_mm: np.ndarray, skin_mm2: np.ndarray, most_mm3: float) -> np.ndarray:
    """The thickness, but that thin limbs too large to be filled solid (a long ear) count as thick enough to lay up; not
    their tips."""
    thin = thick_mm <= SOLID_MM
    count, region = regions(graph, thin.astype(np.int8))
    held = np.bincount(region, skin_mm2 * np.minimum(thick_mm, SOLID_MM) / 2, minlength=count)
    return np.where(thin & (held[region] > most_mm3) & (thick_mm > TIP_MM), SOLID_MM + 1.0, thick_mm)


def _past_reach(master: Master, reach_mm: float) -> np.ndarray:
    """(n,) bool: further from the open foot than an arm reaches; of a closed body everything is, but for a body as
    small as the reach, which is joined through a hatch."""
    points = master.vertices_mm
    if master.base != "open" or not master.base_faces.any():
        return np.full(len(points), max(master.size_mm) > reach_mm)
    foot = points[np.unique(master.faces[master.base_faces])]
    low, high = foot.min(axis=0), foot.max(axis=0)
    away = points - np.clip(points, low, high)
    return np.einsum("ij,ij->i", away, away) > reach_mm**2


def forced_lines(master: Master) -> int:
    """Closed lines that no two open halves can do without: one for each shell, and one for each hole through it.

    A sphere in two discs has one line; each handle adds one (Euler's formula). Holes finer than the light copy's mesh
    are no holes a seam has to pass. An open mesh counts as whole.
    """
    edges = edges_of(master.faces, len(master.vertices_mm))
    shells = edges.shells[0]
    euler = len(np.unique(master.faces)) - len(edges.ends) + len(master.faces)
    if not edges.is_closed:
        return max(int(shells), 1)
    return max(round(shells + (2 * shells - euler) / 2), 1)


def survey(place: Place, direction: np.ndarray, progress: Progress = SILENT) -> Ground:
    """A place seen along one pull ((3,) unit)."""
    master, scene = place.master, place.scene
    centre = face_centres(master.vertices_mm, master.faces)
    free = freedom_by_rays(scene, centre, master.normals, direction)
    locked = np.stack([1.0 - free[0], 1.0 - free[1]])
    skin = skin_faces(master)
    locked[:, ~skin] = 0.0
    walls = walls_along(master, scene, direction, progress)
    pixel = float(np.linalg.norm(master.size_mm)) / _PIXELS
    depth, stretch = np.zeros_like(locked), np.zeros_like(locked)
    columns = None
    for k, pull in enumerate((direction, -direction)):
        frame = pull_frame(pull)
        vertices = frame.to_frame(master.vertices_mm)
        grid = grid_around(vertices, pixel)
        top, bottom = column_image(vertices, master.faces, grid)
        if columns is None:
            solid = np.isfinite(top)
            columns = top[solid].astype(float), bottom[solid].astype(float)
        which = np.flatnonzero(locked[k] > 0.5)
        depth[k, which], inscribed = overhang_depths(frame.to_frame(centre[which]), top, grid, progress)
        stretch[k, which] = _by_rule(master, scene, centre, which, pull, depth[k, which], inscribed)
    assert columns is not None
    along = master.normals @ direction
    sine = np.sqrt(np.clip(1.0 - along**2, 0.0, 1.0))
    # a gap shut both ways is filled by the one piece or the other: it weighs the same for both
    shut = (locked > 0.5).all(axis=0)
    fill = np.where(shut, 0.0, depth * sine)
    return Ground(place, direction, walls, locked, depth, stretch, fill, *columns, pixel)


def _by_rule(
    master: Master,
    scene: RayScene,
    centre: np.ndarray,
    which: np.ndarray,
    pull: np.ndarray,
    depth: np.ndarray,
    inscribed: np.ndarray,
) -> np.ndarray:
    """Strain at locked faces by the ring rule."""
    across = master.normals[which] - np.outer(master.normals[which] @ pull, pull)
    steep = np.linalg.norm(across, axis=1)
    wall = steep > 0.5
    neck = np.zeros(len(which))
    inward = -across[wall] / steep[wall, None]
    neck[wall] = first_wall_mm(scene, centre[which[wall]], -master.normals[which[wall]], inward) / 2
    neck[~np.isfinite(neck)] = 0.0
    return ring_stretch(depth, inscribed, neck)


def edge_links(place: Place) -> sparse.csr_matrix:
    """(n, n) lengths of the edges between the master's vertices, mm, for ways over its surface."""
    return _links(place.graph, len(place.master.vertices_mm))


def edge_lengths(master: Master) -> sparse.csr_matrix:
    """The same of any master."""
    return _links(face_graph(master.vertices_mm, master.faces), len(master.vertices_mm))


def _links(graph: FaceGraph, size: int) -> sparse.csr_matrix:
    ends = graph.vertices
    return sparse.coo_matrix((graph.length_mm, (ends[:, 0], ends[:, 1])), shape=(size, size)).tocsr()


def carried_to_whole(place: Place, copy: LighterCopy, clear: np.ndarray | None) -> Place:
    """The place on the whole master, to draw and measure seams on. clear : (n,) of the whole master."""
    if copy.master is copy.whole:
        return place
    whole = copy.whole
    return replace(
        place,
        master=whole,
        show=place.show[copy.cluster],
        clear=np.zeros(len(whole.vertices_mm)) if clear is None else np.asarray(clear, float),
        past_reach=_past_reach(whole, place.terms.rates.reach_mm),
        vertex_normals=place.vertex_normals[copy.cluster],
        skin_mm2=skin_areas_mm2(whole),
    )
