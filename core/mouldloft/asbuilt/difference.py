"""How the finished clay differs from the plan: signed distances over the scan, and the places that matter."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import trimesh
from scipy import sparse, spatial
from scipy.sparse import csgraph

from ..base.progress import SILENT, Progress
from ..geometry.closest import closest_on_faces
from ..geometry.edges import edges_of
from ..geometry.sampling import samples_on_every_face
from ..stages.clay import ClayDifference, ClayPlace

__all__ = ["ClayDifference", "ClayPlace", "carried_values", "measure_difference", "signed_distances"]

_NEAREST = 4  # samples tried for the nearest face
_CHUNK = 100_000  # points between two steps of progress
_LEAST_OFF_MM = 2.0  # a clay surface is not worked truer than this (common practice, no source)
_NOISES = 4.0  # distances beyond this many spreads are clay, not the scanner


def signed_distances(
    points_mm: np.ndarray, vertices_mm: np.ndarray, faces: np.ndarray, progress: Progress = SILENT
) -> np.ndarray:
    """(n,) distance of (n, 3) points from a mesh, + on the side its faces look to."""
    found = np.empty(len(points_mm))
    normals = trimesh.triangles.cross(vertices_mm[faces])
    for part, closest, face in _closest(points_mm, vertices_mm, faces, progress):
        gap = points_mm[part] - closest
        side = np.einsum("ij,ij->i", gap, normals[face])
        found[part] = np.where(side < 0, -1.0, 1.0) * np.linalg.norm(gap, axis=1)
    return found


def carried_values(points_mm: np.ndarray, vertices_mm: np.ndarray, faces: np.ndarray, values: np.ndarray) -> np.ndarray:
    """(n,) values at (n, 3) points, linear over the nearest face of the mesh that has (k,) of them at its vertices."""
    found = np.empty(len(points_mm))
    for part, closest, face in _closest(points_mm, vertices_mm, faces, SILENT):
        shares = trimesh.triangles.points_to_barycentric(vertices_mm[faces[face]], closest)
        found[part] = (shares * values[faces[face]]).sum(axis=1)
    return found


def _closest(
    points_mm: np.ndarray, vertices_mm: np.ndarray, faces: np.ndarray, progress: Progress
) -> Iterator[tuple[slice, np.ndarray, np.ndarray]]:
    """By chunks of the points: (k, 3) closest places on the mesh and (k,) their faces."""
    areas = trimesh.triangles.area(vertices_mm[faces])
    spacing = max(float(np.sqrt(areas.sum() / 200_000)), 1e-6)
    taken = samples_on_every_face(vertices_mm, faces, areas, spacing)
    tree = spatial.cKDTree(taken.points_mm)
    for start in range(0, len(points_mm), _CHUNK):
        part = slice(start, min(start + _CHUNK, len(points_mm)))
        closest, face, _ = closest_on_faces(points_mm[part], vertices_mm, faces, tree, taken.faces, _NEAREST)
        yield part, closest, face
        progress.step(part.stop / len(points_mm), "measuring the scan against the plan")


def measure_difference(
    scan_vertices_mm: np.ndarray,
    scan_faces: np.ndarray,
    master_vertices_mm: np.ndarray,
    master_faces: np.ndarray,
    noise_mm: float,
    seam_points_mm: np.ndarray | None = None,
    progress: Progress = SILENT,
    measured: np.ndarray | None = None,
) -> ClayDifference:
    """Scan, already in plan coordinates, against the planned master.

    noise_mm : robust spread of the scan (`Pose.spread_mm`). seam_points_mm : (k, 3) points along the planned seam.
    measured : (n,) bool, scan vertices that the scanner saw; of the others nothing is said. None: all of them.
    """
    off = signed_distances(scan_vertices_mm, master_vertices_mm, master_faces, progress.part(0.0, 0.7))
    if measured is not None:
        off[~measured] = 0.0
    threshold = max(_LEAST_OFF_MM, _NOISES * noise_mm)
    patches = _patches(scan_vertices_mm, scan_faces, off, threshold, seam_points_mm)
    progress.step(0.8, "what the scanner did not see")
    missing = _missing_mm2(scan_vertices_mm, scan_faces, master_vertices_mm, master_faces, 3 * threshold)
    volumes = np.array([patch.volume_mm3 for patch in patches])
    return ClayDifference(
        off_mm=off,
        threshold_mm=threshold,
        noise_mm=noise_mm,
        patches=patches,
        height_mm=(float(scan_vertices_mm[:, 2].max()), float(master_vertices_mm[:, 2].max())),
        volume_mm3=(float(volumes[volumes > 0].sum()), float(-volumes[volumes < 0].sum())),
        missing_mm2=missing,
    )


def _patches(
    vertices: np.ndarray, faces: np.ndarray, off: np.ndarray, threshold: float, seam: np.ndarray | None
) -> tuple[ClayPlace, ...]:
    """Joined faces whose clay stands proud, or shy, by more than the threshold; specks of the scanner left out."""
    mean = off[faces].mean(axis=1)
    areas = trimesh.triangles.area(vertices[faces])
    least = max(25.0, 16 * float(np.median(areas)))  # mm²: a fingertip, and more than a few triangles
    edges = edges_of(faces, len(vertices))
    found: list[ClayPlace] = []
    for sign in (1.0, -1.0):
        chosen = np.flatnonzero(sign * mean > threshold)
        for members in _joined(edges.edge_of[chosen], len(edges.ends), chosen):
            area = float(areas[members].sum())
            if area < least:
                continue
            centres = vertices[faces[members]].mean(axis=1)
            middle = (centres * areas[members, None]).sum(axis=0) / area
            values = mean[members]
            nearest = float(spatial.cKDTree(seam).query(centres)[0].min()) if seam is not None else float("inf")
            most = float(values[np.abs(values).argmax()])
            volume = float((values * areas[members]).sum())
            found.append(ClayPlace((float(middle[0]), float(middle[1]), float(middle[2])), area, most, volume, nearest))
    return tuple(sorted(found, key=lambda patch: -abs(patch.volume_mm3)))


def _joined(edge_of: np.ndarray, edge_count: int, faces: np.ndarray) -> list[np.ndarray]:
    """The faces in groups that share edges. edge_of : (k, 3) edges of the k faces."""
    if not len(faces):
        return []
    rows = np.repeat(np.arange(len(faces)), 3)
    on = sparse.csr_matrix((np.ones(len(rows), np.int8), (rows, edge_of.ravel())), shape=(len(faces), edge_count))
    count, labels = csgraph.connected_components(on @ on.T, directed=False)
    order = np.argsort(labels, kind="stable")
    return np.split(faces[order], np.cumsum(np.bincount(labels, minlength=count))[:-1])


def _missing_mm2(
    scan_vertices: np.ndarray, scan_faces: np.ndarray, vertices: np.ndarray, faces: np.ndarray, beyond_mm: float
) -> float:
    """Planned skin with no scan near it: holes of the scan, and the underside it could not see."""
    areas = trimesh.triangles.area(scan_vertices[scan_faces])
    spacing = max(float(np.sqrt(areas.sum() / 100_000)), 1e-6)
    seen = spatial.cKDTree(samples_on_every_face(scan_vertices, scan_faces, areas, spacing).points_mm)
    own = trimesh.triangles.area(vertices[faces])
    asked = samples_on_every_face(vertices, faces, own, max(float(np.sqrt(own.sum() / 40_000)), 1e-6))
    away = seen.query(asked.points_mm, workers=-1)[0]
    return float(asked.areas_mm2[away > max(beyond_mm, 2 * spacing)].sum())
