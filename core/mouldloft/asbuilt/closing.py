"""One closed body from a scan: its noise averaged out, and skin the scanner did not see taken from the plan.

Scan and borrowed skin become one cloud of points with normals; the surface is where the weighted mean of their tangent
planes' distances is nought (implicit moving least squares: R. Kolluri, "Provably good moving least squares", 2008; from
memory, verify), taken off a lattice by marching cubes. What is finer than the lattice's pitch goes.
"""

from __future__ import annotations

from dataclasses import dataclass

import manifold3d
import numpy as np
import trimesh
from scipy import ndimage, sparse, spatial
from scipy.sparse.linalg import spsolve
from skimage.measure import marching_cubes

from ..base.errors import MasterRefused
from ..base.progress import SILENT, Progress
from ..geometry.edges import edges_of
from ..geometry.manifold import arrays_of, as_manifold
from ..geometry.rays import RayScene, first_face, first_wall_mm, ray_scene
from ..geometry.repair import face_areas, merge_equal
from ..geometry.sampling import samples_on_every_face

PITCHES_OVER_SIZE = 260  # lattice over the largest side: 5 mm on a piece of 1.4 m (invented starting value)
MOST_MISSING_SHARE = 0.35  # of the planned skin: past it the scan says too little (invented starting value)
_NEAR = 10  # points each lattice node asks
_BAND = 1.2  # pitches: nodes this near the surface are asked, those beyond only lie inside or outside
_CHUNK = 200_000
_STRAY_SHARE = 0.05  # of the largest side: what lies further from the plan is no clay of this piece
_BENCH_MM = 4.0  # above the foot's level, level faces this low are the board it stands on


@dataclass(frozen=True, eq=False)
class ClosedScan:
    """A closed body in the plan's coordinates, and what was done to close it.

    vertices_mm : (n, 3); faces : (m, 3). missing_mm2 : planned skin that no scan covers, borrowed from the plan;
    hole_middles_mm : (h, 3) its larger places; pitch_mm : what is finer than this is gone; left_out_mm2 : of the scan,
    bench and strays.
    """

    vertices_mm: np.ndarray
    faces: np.ndarray
    missing_mm2: float
    missing_share: float
    hole_middles_mm: np.ndarray
    pitch_mm: float
    left_out_mm2: float
    seen: spatial.cKDTree  # of points on the scan
    borrowed: spatial.cKDTree | None  # of points of the plan that stand in for it

    def measured(self, points_mm: np.ndarray) -> np.ndarray:
        """(k,) bool: did the scanner see the skin at (k, 3) points, or does the plan's stand in?"""
        if self.borrowed is None:
            return np.ones(len(points_mm), bool)
        there = self.borrowed.query(points_mm, workers=-1)[0]
        return (self.seen.query(points_mm, workers=-1)[0] < there) & (there > 2 * self.pitch_mm)


@dataclass(frozen=True, eq=False)
class Skin:
    """A mesh as the work here needs it: (n, 3) vertices, (m, 3) faces, (m, 3) unit normals, (m,) areas."""

    vertices: np.ndarray
    faces: np.ndarray
    normals: np.ndarray
    areas: np.ndarray


def skin_of(vertices: np.ndarray, faces: np.ndarray) -> Skin:
    """Equal corners joined, faces without area dropped."""
    first, into = merge_equal(np.ascontiguousarray(vertices, float))
    vertices, faces = vertices[first], into[np.asarray(faces)]
    areas = face_areas(vertices, faces)
    faces, areas = faces[areas > 0], areas[areas > 0]
    corner = vertices[faces]
    across = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
    return Skin(vertices, faces, across / (2 * areas[:, None]), areas)


def close_scan(
    scan_vertices_mm: np.ndarray,
    scan_faces: np.ndarray,
    master_vertices_mm: np.ndarray,
    master_faces: np.ndarray,
    *,
    open_foot: bool,
    pitch_mm: float | None = None,
    progress: Progress = SILENT,
) -> ClosedScan:
    """The closed body of a scan that lies in plan coordinates.

    open_foot : the piece stands flat on z = 0, and is cut off level there. Raises `MasterRefused` where too much skin
    is missing, or what is missing cannot be closed.
    """
    scan, plan = skin_of(scan_vertices_mm, scan_faces), skin_of(master_vertices_mm, master_faces)
    size = float(np.ptp(plan.vertices, axis=0).max())
    pitch = pitch_mm or size / PITCHES_OVER_SIZE
    whole = float(scan.areas.sum())
    scan = _without_bench(scan, plan, size, open_foot)
    progress.step(0.1, "skin the scanner did not see")
    seen = _seen(scan, pitch, _STRAY_SHARE * size)
    points, normals = seen.points, seen.normals
    borrowed, borrowed_normals, missing, middles = _borrowed(plan, seen, pitch, open_foot)
    skin_mm2 = float(plan.areas[~_on_foot(plan, open_foot)].sum())
    share = missing / max(skin_mm2, 1e-9)
    if share > MOST_MISSING_SHARE:
        raise MasterRefused(
            f"The scan shows only {100 * (1 - share):.0f} % of the piece's skin; scan the rest of it as well, and join "
            "the scans before you lay them on the plan."
        )
    cloud, ways = np.vstack([points, borrowed]), np.vstack([normals, borrowed_normals])
    if open_foot:
        cloud, ways = _carried_below(cloud, ways, pitch)
    cloud, ways = _thinned(cloud, ways, 0.6 * pitch)
    progress.step(0.2, "closing the scan")
    vertices, faces = _surface(cloud, ways, pitch, open_foot, progress)
    left_out = whole - float(scan.areas.sum())
    lent = spatial.cKDTree(borrowed) if len(borrowed) else None
    return ClosedScan(vertices, faces, missing, share, middles, pitch, left_out, seen.tree, lent)


def _on_foot(skin: Skin, open_foot: bool) -> np.ndarray:
    """(m,) bool, faces that stand on z = 0."""
    low = skin.vertices[:, 2][skin.faces].max(axis=1) < 1e-3 * np.ptp(skin.vertices[:, 2])
    return low & (skin.normals[:, 2] < -0.98) & open_foot


def _without_bench(scan: Skin, plan: Skin, size: float, open_foot: bool) -> Skin:
    """Without the board under it and what else the scanner saw."""
    centres = scan.vertices[scan.faces].mean(axis=1)
    spacing = max(float(np.sqrt(plan.areas.sum() / 100_000)), 1e-9)
    near = samples_on_every_face(plan.vertices, plan.faces, plan.areas, spacing).points_mm
    away = spatial.cKDTree(near).query(centres, workers=-1)[0]
    keep = away < _STRAY_SHARE * size
    if open_foot:
        keep &= ~((centres[:, 2] < _BENCH_MM) & (np.abs(scan.normals[:, 2]) > 0.7)) & (centres[:, 2] > -_BENCH_MM)
    return Skin(scan.vertices, scan.faces[keep], scan.normals[keep], scan.areas[keep])


@dataclass(frozen=True, eq=False)
class _Seen:
    """What the scanner saw: the scan, (k, 3) points on it, (k, 3) their normals, (k,) bool whether their face touches
    a rim; how to ask for the nearest of them and for walls; how far clay may stand off its plan."""

    scan: Skin
    points: np.ndarray
    normals: np.ndarray
    at_rim: np.ndarray
    tree: spatial.cKDTree
    scene: RayScene
    pitch: float
    reach_mm: float

    def off(self, points: np.ndarray, ways: np.ndarray) -> np.ndarray:
        """(k,) how far the clay stands off the plan at (k, 3) points along their normals: the nearest wall of the scan
        in or out that looks the same way; inf over a hole of the scan."""
        found = np.full(len(points), np.inf)
        for sign in (1.0, -1.0):
            start = points - 0.5 * sign * ways  # clay that lies just on the plan is met too
            far = first_wall_mm(self.scene, start, ways, sign * ways) - 0.5
            face = first_face(self.scene, start, ways, sign * ways)
            alike = (face >= 0) & (np.einsum("ij,ij->i", self.scan.normals[face], ways) > 0.3) & (far < self.reach_mm)
            nearer = alike & (far < np.abs(found))
            found[nearer] = sign * far[nearer]
        # through a hole the wall met may be that of another limb: the nearest clay is then the hole's rim
        beyond = (np.abs(found) > 3 * self.pitch) & self.at_rim[self.tree.query(points, workers=-1)[1]]
        found[beyond] = np.inf
        return found


def _seen(scan: Skin, pitch: float, reach_mm: float) -> _Seen:
    edges = edges_of(scan.faces, len(scan.vertices))
    rim = np.zeros(len(scan.vertices), bool)
    rim[edges.ends[edges.open]] = True
    taken = samples_on_every_face(scan.vertices, scan.faces, scan.areas, 0.5 * pitch)
    at_rim = rim[scan.faces].any(axis=1)[taken.faces]
    tree, scene = spatial.cKDTree(taken.points_mm), ray_scene(scan.vertices, scan.faces)
    return _Seen(scan, taken.points_mm, scan.normals[taken.faces], at_rim, tree, scene, pitch, reach_mm)


def _borrowed(
    plan: Skin, seen: _Seen, pitch: float, open_foot: bool
) -> tuple[np.ndarray, np.ndarray, float, np.ndarray]:
    """Planned skin where the scan has a hole, moved in or out as the clay around the hole is."""
    taken = samples_on_every_face(plan.vertices, plan.faces, plan.areas, 0.7 * pitch)
    ways = plan.normals[taken.faces]
    away = seen.tree.query(taken.points_mm, workers=-1)[0]
    hole = np.flatnonzero((away > pitch) & ~_on_foot(plan, open_foot)[taken.faces])
    hole = hole[~np.isfinite(seen.off(taken.points_mm[hole], ways[hole]))]
    off = _offsets(plan, seen)[plan.faces].mean(axis=1)[taken.faces[hole]]
    moved = taken.points_mm[hole] + off[:, None] * ways[hole]
    areas = taken.areas_mm2[hole]
    return moved, ways[hole], float(areas.sum()), _hole_middles(moved, areas, pitch)


def _offsets(plan: Skin, seen: _Seen) -> np.ndarray:
    """(n,) how far the clay stands off the plan at each of its vertices; over holes as smooth as it can be."""
    ways = trimesh.geometry.mean_vertex_normals(len(plan.vertices), plan.faces, plan.normals)
    off = seen.off(plan.vertices, ways)
    known = np.isfinite(off)
    ends = edges_of(plan.faces, len(plan.vertices)).ends
    count = len(plan.vertices)
    links = sparse.coo_matrix((np.ones(len(ends)), (ends[:, 0], ends[:, 1])), shape=(count, count))
    links = (links + links.T).tocsr()
    spread = sparse.diags(np.asarray(links.sum(axis=1)).ravel() + 1e-9) - links
    free, off = np.flatnonzero(~known), np.where(known, off, 0.0)
    if len(free) and known.any():
        off[free] = spsolve(spread[free][:, free].tocsc(), -spread[free][:, np.flatnonzero(known)] @ off[known])
    return off


def _hole_middles(points: np.ndarray, areas: np.ndarray, pitch: float) -> np.ndarray:
    """(h, 3) middles of the places that are missing, the largest first; those under 10 cm² are not listed."""
    if not len(points):
        return np.zeros((0, 3))
    pairs = spatial.cKDTree(points).query_pairs(2.0 * pitch, output_type="ndarray")
    links = sparse.coo_matrix((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(len(points),) * 2)
    count, label = sparse.csgraph.connected_components(links, directed=False)
    whole = np.bincount(label, areas, minlength=count)
    middle = np.stack([np.bincount(label, areas * points[:, k], minlength=count) for k in range(3)], axis=1)
    order = [k for k in np.argsort(-whole, kind="stable") if whole[k] > 1000.0]
    return middle[order] / whole[order][:, None]


def _carried_below(points: np.ndarray, normals: np.ndarray, pitch: float) -> tuple[np.ndarray, np.ndarray]:
    """With the walls at the ground carried straight on below it, each at its own slope, so that the body can be cut
    off level."""
    points, normals = points[points[:, 2] > 0], normals[points[:, 2] > 0]
    down = np.array([0.0, 0.0, -1.0]) + normals[:, 2:] * normals
    steep = np.linalg.norm(down, axis=1)
    low = (points[:, 2] < 1.5 * pitch) & (steep > 0.3)
    way = down[low] / steep[low][:, None]
    found = [points]
    for step in np.arange(0.5, 10.0, 0.5) * pitch:
        found.append(points[low] + step * way)
    ways = [normals, *[normals[low]] * (len(found) - 1)]
    carried = np.arange(sum(map(len, found))) >= len(points)
    points, normals = np.vstack(found), np.vstack(ways)
    keep = ~carried | ((points[:, 2] <= 0) & (points[:, 2] > -4 * pitch))
    return points[keep], normals[keep]


def _thinned(points: np.ndarray, normals: np.ndarray, cell: float) -> tuple[np.ndarray, np.ndarray]:
    """Means of points and normals over cells, sheets that face other ways apart."""
    place = np.floor((points - points.min(axis=0)) / cell).astype(np.int64)
    facing = np.rint(normals).astype(np.int64) + 1
    key = ((place[:, 0] << 42) | (place[:, 1] << 21) | place[:, 2]) * 27 + facing @ np.array([9, 3, 1])
    _, of, count = np.unique(key, return_inverse=True, return_counts=True)
    means = [
        np.stack([np.bincount(of, values[:, k]) for k in range(3)], axis=1) / count[:, None]
        for values in (points, normals)
    ]
    length = np.linalg.norm(means[1], axis=1)
    keep = length > 0.1
    return means[0][keep], means[1][keep] / length[keep][:, None]


def _surface(
    points: np.ndarray, normals: np.ndarray, pitch: float, open_foot: bool, progress: Progress
) -> tuple[np.ndarray, np.ndarray]:
    low = points.min(axis=0) - 4 * pitch
    low[2] = -1.05 * pitch if open_foot else low[2]
    shape = np.ceil((points.max(axis=0) + 4 * pitch - low) / pitch).astype(int) + 1
    field, asked = _field(points, normals, low, shape, pitch, progress)
    progress.step(0.8, "inside and outside")
    above = slice(1, None) if open_foot else slice(None)
    _fill_far(field[:, :, above], asked[:, :, above], pitch)
    if open_foot:
        field[:, :, 0] = pitch  # closed under the ground, where it is then cut off
    progress.step(0.85, "the closed surface")
    vertices, faces, _, _ = marching_cubes(field, 0.0, spacing=(pitch,) * 3, gradient_direction="descent")
    body = as_manifold(vertices.astype(np.float64) + low, faces)
    if body is None:
        raise MasterRefused("The scan could not be made one closed body; clean it in the scanner's program.")
    return _whole_part(body, open_foot, pitch)


def _whole_part(body: manifold3d.Manifold, open_foot: bool, pitch: float) -> tuple[np.ndarray, np.ndarray]:
    """Cut off level where it stands, without specks and hollows inside."""
    if open_foot:
        body = body.trim_by_plane((0.0, 0.0, 1.0), 0.0)
    body = body.simplify(0.02 * pitch)
    parts = [part for part in body.decompose() if part.volume() > 0.002 * abs(body.volume())]
    if not parts:
        raise MasterRefused("The scan encloses nothing; check that its faces look outwards.")
    return arrays_of(manifold3d.Manifold.compose(parts))


def _field(
    points: np.ndarray, normals: np.ndarray, low: np.ndarray, shape: np.ndarray, pitch: float, progress: Progress
) -> tuple[np.ndarray, np.ndarray]:
    """Distance to the surface at the lattice's nodes near it, + outside; and which nodes those are."""
    near = np.zeros(shape, bool)
    cell = np.clip(np.rint((points - low) / pitch).astype(int), 0, shape - 1)
    near[tuple(cell.T)] = True
    near = ndimage.binary_dilation(near, np.ones((3, 3, 3), bool), iterations=2)
    nodes = np.argwhere(near)
    tree = spatial.cKDTree(points)
    found = np.full(len(nodes), np.nan)
    for start in range(0, len(nodes), _CHUNK):
        part = nodes[start : start + _CHUNK] * pitch + low
        away, at = tree.query(part, k=_NEAR, workers=-1)
        weight = np.exp(-(away**2 - away[:, :1] ** 2) / pitch**2)
        along = np.einsum("ijk,ijk->ij", part[:, None, :] - points[at], normals[at])
        value = (weight * along).sum(axis=1) / weight.sum(axis=1)
        found[start : start + _CHUNK] = np.where(away[:, 0] <= _BAND * pitch, value, np.nan)
        progress.step(0.2 + 0.6 * min((start + _CHUNK) / len(nodes), 1.0), "closing the scan")
    field = np.full(shape, np.nan, np.float32)
    field[tuple(nodes.T)] = found
    return field, ~np.isnan(field)


def _fill_far(field: np.ndarray, asked: np.ndarray, pitch: float) -> None:
    """Nodes away from the surface, in place: each region of them takes the side that the nodes along it are on."""
    label, count = ndimage.label(~asked)
    side, beside = np.zeros(count + 1), np.zeros(count + 1)
    for axis in range(3):
        for one, other in ((slice(None, -1), slice(1, None)), (slice(1, None), slice(None, -1))):
            here = tuple(one if k == axis else slice(None) for k in range(3))
            there = tuple(other if k == axis else slice(None) for k in range(3))
            edge = (label[here] > 0) & asked[there]
            of = label[here][edge]
            side += np.bincount(of, np.sign(field[there][edge]), minlength=count + 1)
            beside += np.bincount(of, minlength=count + 1)
    share = side / np.maximum(beside, 1)
    around = np.unique(
        np.concatenate([label[0].ravel(), label[-1].ravel(), label[:, 0].ravel(), label[:, :, -1].ravel()])
    )
    outside = around[around > 0]
    if len(outside) and share[outside[np.argmax(beside[outside])]] < 0.8:
        raise MasterRefused(
            "The scan's holes are too large to close with what the plan knows; scan those places again and join the "
            "scans."
        )
    value = np.where(share >= 0, pitch * _BAND, -pitch * _BAND)
    value[outside] = pitch * _BAND
    field[~asked] = value[label[~asked]]
