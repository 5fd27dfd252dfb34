"""Bodies with a known best seam, as masters, for the tests of seam, parting surface and wall."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from functools import partial

import numpy as np
import pytest
import trimesh
from mouldloft.geometry.rays import blocked, ray_scene
from mouldloft.inputs.brief import Brief, RunBrief, SeamBrief
from mouldloft.stages.master import Health, Master
from mouldloft.stages.opening import Candidate, Opening, SymmetryPlane
from mouldloft.stages.seam import candidates, place
from mouldloft.stages.seam.place import place_seam
from mouldloft.stages.seam.record import Seam
from mouldloft.stages.undercut import UndercutField
from mouldloft.trade.seamterms import seam_terms

PLANE = SeamBrief(kind="plane", find_features=False)
FREE = SeamBrief(kind="free", find_features=False)
CHEAPEST = SeamBrief(find_features=False)
SIX = seam_terms(Brief(run=RunBrief(casts=6)))


@contextmanager
def few_candidates() -> Iterator[None]:
    """Seams searched as quickly as when directions are compared, where it is not the search that is tried."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(place, "all_candidates", partial(candidates.all_candidates, quick=True))
        yield


def as_master(mesh: trimesh.Trimesh, base: str = "closed", weights: np.ndarray | None = None) -> Master:
    """A master straight from a trimesh body that already stands where it should, in mm."""
    on_base = np.zeros(len(mesh.faces), bool)
    if base == "open":
        on_base = np.abs(mesh.triangles[:, :, 2] - mesh.bounds[0, 2]).max(axis=1) < 1e-6
    size = mesh.extents
    return Master(
        name="test body",
        vertices_mm=np.array(mesh.vertices, float),
        faces=np.array(mesh.faces, np.int32),
        normals=np.array(mesh.face_normals, float),
        face_areas_mm2=np.array(mesh.area_faces, float),
        base_faces=on_base,
        base=base,
        area_mm2=float(mesh.area),
        base_area_mm2=float(mesh.area_faces[on_base].sum()),
        volume_mm3=float(mesh.volume),
        height_mm=float(size[2]),
        size_mm=(float(size[0]), float(size[1]), float(size[2])),
        scale=1.0,
        unit_assumed="mm",
        detail_allowance=1.0,
        detail_allowance_uncertainty=0.05,
        source_hash="",
        health=Health(0, 0, False, 0, 0, 0, bool(mesh.is_watertight)),
        vertex_weights=weights,
    )


def opening_along(direction, offset_mm: float = 0.0) -> Opening:
    d = np.asarray(direction, float) / np.linalg.norm(direction)
    chosen = Candidate((float(d[0]), float(d[1]), float(d[2])), offset_mm, "brief", 0, 0, 0, 0, 0, 0.5, 0.5, 0, "")
    return Opening(chosen, (chosen,), SymmetryPlane((1.0, 0.0, 0.0), 0.0, 0.0, True), 1)


def seen_field(master: Master, direction) -> UndercutField:
    """Freedom of each face by one ray from its centre each way: enough for small faces."""
    d = np.asarray(direction, float) / np.linalg.norm(direction)
    scene = ray_scene(master.vertices_mm, master.faces)
    centre = master.vertices_mm[master.faces].mean(axis=1)
    along = master.normals @ d
    plus = (along > 1e-9) & ~blocked(scene, centre, master.normals, d)
    minus = (along < -1e-9) & ~blocked(scene, centre, master.normals, -d)
    locked = float(master.face_areas_mm2[~plus & ~minus].sum())
    draft = np.degrees(np.arcsin(np.clip(along, -1, 1))).astype(np.float32)
    return UndercutField(
        (float(d[0]), float(d[1]), float(d[2])),
        plus.astype(np.float32),
        minus.astype(np.float32),
        draft,
        locked,
        locked / master.area_mm2,
        "one ray a face",
        0.0,
    )


def seam_of(
    mesh: trimesh.Trimesh, direction, offset_mm=None, brief=FREE, base="closed", weights=None, terms=None
) -> tuple[Master, Seam]:
    """A body's master and its seam along a direction. offset_mm : of the plane, None to search."""
    master = as_master(mesh, base, weights)
    brief = replace(brief, plane_offset_mm=offset_mm)
    field = seen_field(master, direction)
    return master, place_seam(master, opening_along(direction, offset_mm or 0.0), field, brief, terms=terms)


def unseen_share(master: Master, seam: Seam, looks: int = 160, lean_deg: float = 54.0) -> float:
    """Share of the skin that no line of sight reaches from outside its own half, by trimesh's rays: nothing of ours.

    From each face's middle, to points spread over the flat disc the seam rings, and on; a half's own skin blocks.
    """
    line = seam.lines[0].points_mm
    middle = line.mean(axis=0)
    inside = middle + np.concatenate(
        [share * (line[:: max(len(line) // 32, 1)] - middle) for share in (0.1, 0.4, 0.7, 0.9, 0.99)]
    )
    unseen = 0.0
    for k, piece in enumerate(seam.pieces):
        own = trimesh.Trimesh(master.vertices_mm, master.faces[seam.labels == k], process=False)
        left = np.arange(len(own.faces))
        for point in inside[np.linspace(0, len(inside) - 1, looks).astype(int)]:
            way = point - own.triangles_center[left]
            way /= np.maximum(np.linalg.norm(way, axis=1, keepdims=True), 1e-9)
            fit = (way @ -np.array(piece.pull) > np.cos(np.radians(lean_deg))) & (
                np.einsum("ij,ij->i", way, own.face_normals[left]) < 0
            )
            start = own.triangles_center[left[fit]] - 1e-3 * own.face_normals[left[fit]]
            clear = ~own.ray.intersects_any(start, way[fit])
            left = np.setdiff1d(left, left[fit][clear])
            if not len(left):
                break
        unseen += float(own.area_faces[left].sum())
    return unseen / master.skin_area_mm2


def ball(radius_mm: float = 100.0, subdivisions: int = 5) -> trimesh.Trimesh:
    mesh = trimesh.creation.icosphere(subdivisions, radius_mm)
    mesh.apply_translation([0, 0, radius_mm])
    return mesh


def ellipsoid(a: float, b: float, c: float, subdivisions: int = 5) -> trimesh.Trimesh:
    mesh = trimesh.creation.icosphere(subdivisions, 1.0)
    mesh.apply_scale([a, b, c])
    mesh.apply_translation([0, 0, c])
    return mesh


def ring(major: float = 120.0, minor: float = 40.0) -> trimesh.Trimesh:
    """A torus about z, its middle at z = 200."""
    mesh = trimesh.creation.torus(major, minor, major_sections=120, minor_sections=60)
    mesh.apply_translation([0, 0, 200])
    return mesh


def two_lobes(pitch_mm: float = 6.0) -> trimesh.Trimesh:
    """Two balls of radius 90, one above the other 200 apart, joined by a smooth waist."""
    from skimage.measure import marching_cubes

    # off the round numbers: no node of the lattice may fall on the skin
    corner = np.array([-126.7, -126.3, -36.4])
    x, y, z = np.meshgrid(
        *(np.arange(low, high, pitch_mm) for low, high in zip(corner, (127, 127, 417), strict=True)),
        indexing="ij",
        sparse=True,
    )
    low = np.sqrt(x**2 + y**2 + (z - 90.0) ** 2) - 90.0
    high = np.sqrt(x**2 + y**2 + (z - 290.0) ** 2) - 90.0
    h = np.clip(0.5 + 0.5 * (high - low) / 60.0, 0.0, 1.0)
    field = high + (low - high) * h - 60.0 * h * (1.0 - h)
    vertices, faces, _, _ = marching_cubes(field, 0.0, spacing=(pitch_mm,) * 3)
    mesh = trimesh.Trimesh(vertices + corner, faces)
    if mesh.volume < 0:
        mesh.invert()
    mesh.apply_translation([0, 0, -mesh.bounds[0, 2]])
    return mesh


def wavy_post() -> trimesh.Trimesh:
    """A post on an open base with a coat of waves: seams over it must not zigzag with the mesh."""
    mesh = trimesh.creation.cylinder(60.0, 300.0, sections=96)
    mesh = mesh.subdivide_to_size(9.0)
    mesh.apply_translation([0, 0, 150.0])
    turned = np.array(mesh.vertices)
    swell = 1.0 + 0.03 * np.sin(turned[:, 2] / 17.0) * np.minimum(turned[:, 2] / 40.0, 1.0)
    turned[:, :2] *= swell[:, None]
    return trimesh.Trimesh(turned, mesh.faces)
