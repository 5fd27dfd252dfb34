"""Test bodies with known figures, closed and manifold, as (vertices, faces) in mm; and meshes that packages carry."""

from __future__ import annotations

from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path

import manifold3d
import numpy as np
import trimesh

Arrays = tuple[np.ndarray, np.ndarray]


def _arrays(body: manifold3d.Manifold) -> Arrays:
    assert body.status() == manifold3d.Error.NoError
    mesh = body.to_mesh64()
    return np.array(mesh.vert_properties)[:, :3].copy(), np.array(mesh.tri_verts).astype(np.int32)


def as_manifold(vertices: np.ndarray, faces: np.ndarray) -> manifold3d.Manifold:
    return manifold3d.Manifold(
        manifold3d.Mesh64(np.ascontiguousarray(vertices, float), np.ascontiguousarray(faces).astype(np.uint64))
    )


def sphere(radius_mm: float = 100.0, subdivisions: int = 4) -> Arrays:
    """An icosphere, its vertices on the sphere, centred on the origin."""
    mesh = trimesh.creation.icosphere(subdivisions, radius_mm)
    return np.array(mesh.vertices), np.array(mesh.faces, np.int32)


def ellipsoid(radii_mm=(60.0, 90.0, 140.0), subdivisions: int = 4) -> Arrays:
    vertices, faces = sphere(1.0, subdivisions)
    return vertices * np.asarray(radii_mm), faces


def torus(major_mm: float = 120.0, minor_mm: float = 40.0, sections: int = 96) -> Arrays:
    """A torus about z."""
    mesh = trimesh.creation.torus(major_mm, minor_mm, major_sections=sections, minor_sections=sections // 2)
    return np.array(mesh.vertices), np.array(mesh.faces, np.int32)


def cone(bottom_mm: float = 100.0, top_mm: float = 60.0, height_mm: float = 200.0, sections: int = 128) -> Arrays:
    """A tapered round body on z = 0; its draft along z is atan((bottom - top) / height)."""
    return _arrays(manifold3d.Manifold.cylinder(height_mm, bottom_mm, top_mm, sections))


def box(size_mm=(200.0, 160.0, 240.0)) -> Arrays:
    """A box on z = 0, x and y centred."""
    body = manifold3d.Manifold.cube(tuple(size_mm), True)
    return _arrays(body.translate((0.0, 0.0, size_mm[2] / 2)))


def drafted_box(
    width_mm: float = 200.0, depth_mm: float = 160.0, height_mm: float = 240.0, draft_deg: float = 5.0
) -> Arrays:
    """A box on z = 0 whose four sides lean inwards by the draft, measured from the vertical."""
    lean = height_mm * np.tan(np.radians(draft_deg))
    x, y = width_mm / 2, depth_mm / 2
    foot = [(-x, -y, 0), (x, -y, 0), (x, y, 0), (-x, y, 0)]
    top = [(a - np.sign(a) * lean, b - np.sign(b) * lean, height_mm) for a, b, _ in foot]
    return _arrays(manifold3d.Manifold.hull_points(np.array(foot + top)))


def u_shape(
    width_mm: float = 300.0, height_mm: float = 300.0, depth_mm: float = 100.0, wall_mm: float = 80.0
) -> Arrays:
    """A U open upwards, on z = 0. Pulled along x its slot is locked: (width - 2 wall) x depth x (height - wall)."""
    whole = manifold3d.Manifold.cube((width_mm, depth_mm, height_mm), True)
    slot = manifold3d.Manifold.cube((width_mm - 2 * wall_mm, 2 * depth_mm, height_mm), True)
    body = whole - slot.translate((0.0, 0.0, wall_mm))
    return _arrays(body.translate((0.0, 0.0, height_mm / 2)))


def holed_cube(axes=("+x", "+y"), side_mm: float = 200.0, hole_mm: float = 60.0, deep_mm: float = 80.0) -> Arrays:
    """A cube about the origin with a square blind hole in the middle of each named face."""
    body = manifold3d.Manifold.cube((side_mm,) * 3, True)
    for axis in axes:
        k, sign = "xyz".index(axis[1]), 1.0 if axis[0] == "+" else -1.0
        size, place = [hole_mm] * 3, [0.0] * 3
        size[k] = 2 * deep_mm
        place[k] = sign * side_mm / 2
        body = body - manifold3d.Manifold.cube(tuple(size), True).translate(tuple(place))
    return _arrays(body)


def ball_on_ball(radius_mm: float = 150.0, bar_mm: float = 50.0, apart_mm: float = 600.0, sections: int = 48) -> Arrays:
    """Two balls one over the other, joined by a round bar between their middles."""
    ball = manifold3d.Manifold.sphere(radius_mm, sections)
    bar = manifold3d.Manifold.cylinder(apart_mm, bar_mm, bar_mm, sections)
    return _arrays((ball + ball.translate((0.0, 0.0, apart_mm)) + bar).translate((0.0, 0.0, radius_mm)))


def three_arms(reach_mm: float = 260.0, sections: int = 48) -> Arrays:
    """A hub with three level arms at 120 degrees whose ends flare. Pulled up and down they come free in two
    pieces, each split at half its height."""
    arm = manifold3d.Manifold.cylinder(reach_mm, 35.0, 35.0, sections)
    flare = manifold3d.Manifold.cylinder(80.0, 35.0, 80.0, sections).translate((0.0, 0.0, reach_mm - 1.0))
    one = (arm + flare).rotate((0.0, 90.0, 0.0))
    hub = manifold3d.Manifold.sphere(70.0, sections)
    return _arrays(hub + one + one.rotate((0.0, 0.0, 120.0)) + one.rotate((0.0, 0.0, 240.0)))


def torus_knot(p: int = 2, q: int = 3, tube_mm: float = 26.0, steps: int = 240, around: int = 24) -> Arrays:
    """A tube of even radius along the (p, q) torus knot, of genus 1."""
    t = np.linspace(0, 2 * np.pi, steps, endpoint=False)
    radius = 120.0 + 60.0 * np.cos(q * t)
    line = np.stack([radius * np.cos(p * t), radius * np.sin(p * t), 60.0 * np.sin(q * t)], axis=1)
    tangent = np.roll(line, -1, axis=0) - np.roll(line, 1, axis=0)
    tangent /= np.linalg.norm(tangent, axis=1, keepdims=True)
    # axes across the tube that come round to themselves: away from the torus' own centre circle
    circle = 120.0 * np.stack([np.cos(p * t), np.sin(p * t), 0 * t], axis=1)
    out = line - circle
    out -= np.einsum("ij,ij->i", out, tangent)[:, None] * tangent
    out /= np.linalg.norm(out, axis=1, keepdims=True)
    aside = np.cross(tangent, out)
    a = np.linspace(0, 2 * np.pi, around, endpoint=False)
    ring = np.cos(a)[None, :, None] * out[:, None] + np.sin(a)[None, :, None] * aside[:, None]
    vertices = (line[:, None] + tube_mm * ring).reshape(-1, 3)
    i, j = np.meshgrid(np.arange(steps), np.arange(around), indexing="ij")
    here, ahead = i * around + j, (i + 1) % steps * around + j
    beside, both = i * around + (j + 1) % around, (i + 1) % steps * around + (j + 1) % around
    faces = np.concatenate(
        [
            np.stack([here, ahead, both], axis=-1).reshape(-1, 3),
            np.stack([here, both, beside], axis=-1).reshape(-1, 3),
        ]
    ).astype(np.int32)
    if trimesh.Trimesh(vertices, faces, process=False).volume < 0:
        faces = faces[:, ::-1].copy()
    return vertices, faces


def mushroom(
    ball_mm: float = 100.0, neck_mm: float = 40.0, neck_length_mm: float = 150.0, sections: int = 96
) -> Arrays:
    """A ball on a round neck that stands on z = 0: pulled upwards, the ring under the ball is locked."""
    ball = manifold3d.Manifold.sphere(ball_mm, sections).translate((0.0, 0.0, neck_length_mm + ball_mm * 0.9))
    neck = manifold3d.Manifold.cylinder(neck_length_mm + ball_mm, neck_mm, neck_mm, sections)
    return _arrays(ball + neck)


def two_lobes(radius_mm: float = 90.0, apart_mm: float = 140.0, sections: int = 96) -> Arrays:
    """Two balls that run into each other, one above the other, about the origin."""
    ball = manifold3d.Manifold.sphere(radius_mm, sections)
    up, down = (0.0, 0.0, apart_mm / 2), (0.0, 0.0, -apart_mm / 2)
    return _arrays(ball.translate(up) + ball.translate(down))


@dataclass(frozen=True)
class PackagedMesh:
    """A mesh file that an installed package carries; path is None where the package is absent."""

    name: str
    package: str
    licence: str
    path: Path | None


def registry_meshes() -> tuple[PackagedMesh, ...]:
    """Meshes nobody here made: a scanned animal with holes, an animal of many shells, a machine of sheets.

    The licences are the packages' own, as their metadata states them; only the data files are read.
    """
    return (
        _packaged("rabbit scan", "pymeshfix", "AGPL-3.0", "examples/StanfordBunny.ply"),
        _packaged("ant", "pyvista", "MIT", "examples/ant.ply"),
        _packaged("airplane", "pyvista", "MIT", "examples/airplane.ply"),
    )


def _packaged(name: str, package: str, licence: str, inner: str) -> PackagedMesh:
    spec = find_spec(package)
    path = Path(spec.origin).parent / inner if spec and spec.origin else None
    return PackagedMesh(name, package, licence, path if path and path.exists() else None)
