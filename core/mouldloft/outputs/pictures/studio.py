"""A small photo studio: a camera, soft light baked into vertex colours, and two ways of drawing that look the same.

All light is worked out here (sky with what stands in its way, a soft key light with its shadow, fill and rim), so
the drawing itself only has to fill triangles with colour. VTK does that off-screen where the machine lets it;
otherwise rays do.
"""

from __future__ import annotations

import weakref
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numba import njit
from scipy.ndimage import gaussian_filter
from scipy.spatial import cKDTree

from ...base.progress import SILENT, Progress
from ...base.threads import in_threads
from ...geometry.frame import unit
from ...geometry.rays import RayScene, blocked, ray_scene
from ...solids.shapes import Body, joined
from ..look import BACKDROP, rgb, to_linear, to_srgb
from .byvtk import draw_by_vtk, vtk_can_draw
from .camera import Camera

_MOST_BAKED = 40_000  # places where light is worked out; other vertices take it from their neighbours
_SKY_RAYS = 32
_KEY_RAYS = 10
_KEY_SPREAD = 0.22  # sine of the key light's half angle: how soft its shadow is
_FINE_STEPS = 16_383  # steps of linear light: finer than 8 bits of sRGB at its darkest
_STRIP = 150_000  # rays at a time
_SCALE = 2  # each picture is drawn at twice its size and averaged down

# How the three lights stand to the camera: right, up, towards the eye (invented house values).
_KEY_FROM = (-0.62, 0.72, 0.62)
_FILL_FROM = (0.85, 0.10, 0.55)
_RIM_FROM = (0.35, 0.45, -0.90)
_KEY, _FILL, _RIM, _SKY, _BOUNCE = 0.80, 0.12, 0.10, 0.42, 0.13


# --- light -----------------------------------------------------------------------------------------------


def _spread_directions(count: int) -> np.ndarray:
    """(count, 3) directions spread evenly over the sphere (spherical Fibonacci lattice)."""
    k = np.arange(count) + 0.5
    z = 1.0 - 2.0 * k / count
    turn = np.pi * (3.0 - np.sqrt(5.0)) * k
    flat = np.sqrt(1.0 - z * z)
    return np.column_stack([flat * np.cos(turn), flat * np.sin(turn), z])


@dataclass(frozen=True, eq=False)
class Baked:
    """Bodies in one scene with what each vertex sees of the sky. All arrays run over the bodies put together.

    open_sky : (n,) 0 to 1, the unblocked part of the half-sphere over the vertex, weighted by the cosine.
    stands : (s,) vertices where light is worked out; off_mm : (s, 3) clear of the surface there; near, weight : (n, 3)
    how the others take from them.
    """

    bodies: tuple[Body, ...]
    vertices_mm: np.ndarray
    faces: np.ndarray
    normals: np.ndarray
    colours: np.ndarray
    open_sky: np.ndarray
    scene: RayScene
    stands: np.ndarray
    off_mm: np.ndarray
    near: np.ndarray
    weight: np.ndarray

    def spread(self, values: np.ndarray) -> np.ndarray:
        """(s,) values at the stands carried to all vertices."""
        return np.einsum("ij,ij->i", values[self.near], self.weight)


def set_up(
    bodies: Sequence[Body],
    progress: Progress = SILENT,
    ground_mm: float | None = 0.0,
    most_stands: int = _MOST_BAKED,
) -> Baked:
    """Put the bodies into one scene and find what each vertex sees of the sky.

    ground_mm : height of the floor, or None for none. It blocks the sky from below and gets a contact shadow.
    most_stands : places at most where light is worked out.
    """
    bodies = tuple(bodies)
    if ground_mm is not None:  # what is drawn below the floor lowers it
        ground_mm = min(ground_mm, *(float(b.vertices_mm[:, 2].min()) for b in bodies if len(b.vertices_mm)))
    vertices, faces = joined((b.vertices_mm, b.faces) for b in bodies)
    normals = np.concatenate([b.normals for b in bodies])
    scene = ray_scene(vertices, faces)
    stands = np.arange(len(vertices))
    if len(vertices) > most_stands:
        stands = stands[:: int(np.ceil(len(vertices) / most_stands))]
    size = float(np.linalg.norm(np.ptp(vertices, axis=0)))
    # a ray starts clear of the tessellation, or facets shade one another along every edge
    near, weight = _neighbours(vertices, normals, stands, 0.03 * size)
    lift = np.concatenate([np.full(len(b.vertices_mm), max(6e-4 * size, 1.3 * b.coarse_mm)) for b in bodies])
    off = vertices + lift[:, None] * normals
    at, facing = off[stands], normals[stands]

    def sky_along(direction: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Stands that face the direction, their cosines, and how much of the sky there each sees."""
        cosine = facing @ direction
        ahead = np.flatnonzero(cosine > 0.05)
        hidden = blocked(scene, at[ahead], facing[ahead], direction)
        open_share = np.ones(len(ahead))
        if ground_mm is not None and direction[2] < 0:
            # the floor stands under everything: it gives back some light, far less close to the foot
            run = (at[ahead, 2] - ground_mm) / -direction[2]
            open_share = np.clip(run / (0.25 * size), 0.0, 1.0) * 0.8
        return ahead, cosine[ahead], np.where(hidden, 0.0, open_share * cosine[ahead])

    seen, total = np.zeros(len(stands)), np.zeros(len(stands))
    directions = _spread_directions(2 * _SKY_RAYS)
    for ahead, cosine, light in in_threads(sky_along, directions, progress, (0.0, 0.4), "soft light"):
        seen[ahead] += light
        total[ahead] += cosine
    share = seen / np.maximum(total, 1e-9)
    colours = np.concatenate([b.colours for b in bodies])
    baked = Baked(bodies, vertices, faces, normals, colours, share, scene, stands, off[stands], near, weight)
    return replace(baked, open_sky=baked.spread(share))


def _neighbours(
    vertices: np.ndarray, normals: np.ndarray, stands: np.ndarray, turn_mm: float
) -> tuple[np.ndarray, np.ndarray]:
    """Three stands for each vertex and their weights. Facing the other way counts as `turn_mm` away, or the two sides
    of a thin shell would take each other's light."""
    if len(stands) == len(vertices):
        own = np.arange(len(vertices))
        return np.column_stack([own, own, own]), np.tile([1.0, 0.0, 0.0], (len(own), 1))
    places = np.concatenate([vertices, 0.5 * turn_mm * normals], axis=1)
    distance, near = cKDTree(places[stands]).query(places, k=3, workers=2)
    weight = 1.0 / (distance + 1e-6 * (distance.max() + 1.0))
    return near, weight / weight.sum(axis=1, keepdims=True)


def _cone(direction: np.ndarray, count: int, spread: float) -> np.ndarray:
    """(count, 3) directions filling a cone about one: a sunflower disc."""
    side = unit(np.cross(direction, [0.0, 0.0, 1.0] if abs(direction[2]) < 0.9 else [1.0, 0.0, 0.0]))
    other = np.cross(direction, side)
    k = np.arange(count) + 0.5
    radius, turn = spread * np.sqrt(k / count), np.pi * (3.0 - np.sqrt(5.0)) * k
    out = direction + (radius * np.cos(turn))[:, None] * side + (radius * np.sin(turn))[:, None] * other
    return out / np.linalg.norm(out, axis=1, keepdims=True)


def _lit_share(baked: Baked, light: np.ndarray) -> np.ndarray:
    """(n,) share of a soft light that reaches each vertex."""
    at, facing = baked.off_mm, baked.normals[baked.stands]
    share = np.zeros(len(at))
    ahead = np.flatnonzero(facing @ light > -0.1)
    way = _cone(light, _KEY_RAYS, _KEY_SPREAD)
    for hidden in in_threads(lambda d: blocked(baked.scene, at[ahead], facing[ahead], d), way):
        share[ahead] += ~hidden
    return baked.spread(share / _KEY_RAYS)


def shaded(baked: Baked, camera: Camera) -> np.ndarray:
    """(n, 3) sRGB of every vertex under the studio's lights, which go with the camera."""
    key, fill, rim = (unit(np.array(way) @ camera.axes) for way in (_KEY_FROM, _FILL_FROM, _RIM_FROM))
    n = baked.normals
    # half a wrap round the terminator, as a large soft source gives
    direct = np.clip((n @ key + 0.15) / 1.15, 0.0, 1.0) * _lit_share(baked, key)
    side = np.clip((n @ fill + 0.3) / 1.3, 0.0, 1.0) * (0.4 + 0.6 * baked.open_sky)
    edge = np.clip(n @ rim, 0.0, 1.0) * baked.open_sky
    sky = baked.open_sky**1.15 * (0.72 + 0.28 * n[:, 2])
    light = _KEY * direct + _FILL * side + _RIM * edge + _SKY * sky
    albedo = to_linear(baked.colours)
    # light that has been on the body before is warmer and darker: it keeps hollows from going grey
    bounced = _BOUNCE * (1.0 - baked.open_sky)[:, None] * albedo**1.6
    return to_srgb(albedo * light[:, None] + bounced)


# --- the floor -------------------------------------------------------------------------------------------


def floor_shadow(baked: Baked, camera: Camera, height_mm: float = 0.0, cells: int = 110) -> Body | None:
    """The floor under the bodies as a body of its own: backdrop, darkened where they keep light off; None when it
    is seen edge on."""
    if abs(camera.axes[2][2]) < 0.05:
        return None
    low, high = baked.vertices_mm.min(axis=0), baked.vertices_mm.max(axis=0)
    spread = 0.55 * float(np.linalg.norm((high - low)[:2])) + 0.2 * float(high[2] - low[2])
    middle = (low + high) / 2
    x = middle[0] + np.linspace(-1, 1, cells) * ((high - low)[0] / 2 + spread)
    y = middle[1] + np.linspace(-1, 1, cells) * ((high - low)[1] / 2 + spread)
    gx, gy = np.meshgrid(x, y)
    points = np.column_stack([gx.ravel(), gy.ravel(), np.full(gx.size, height_mm)])
    up = np.tile([0.0, 0.0, 1.0], (len(points), 1))
    sky = _kept_floors.get(baked.scene)
    if sky is None:
        sky = _floor_sky(baked.scene, points)
        _kept_floors[baked.scene] = sky
    light = unit(np.array(_KEY_FROM) @ camera.axes)
    key = np.zeros(len(points))
    for hidden in in_threads(lambda d: blocked(baked.scene, points, up, d), _cone(light, 24, 1.6 * _KEY_SPREAD)):
        key += ~hidden
    kept = [gaussian_filter((1.0 - v).reshape(cells, cells), 1.2).ravel() for v in (sky, key / 24)]
    shade = 1.0 - 0.6 * kept[0] - 0.16 * kept[1]
    # fade to the backdrop before the floor ends, so that its edge never shows
    edge = np.hypot((gx.ravel() - middle[0]) / np.ptp(x), (gy.ravel() - middle[1]) / np.ptp(y)) * 2
    shade = 1.0 - (1.0 - shade) * np.clip((1.0 - edge) / 0.5, 0.0, 1.0)
    colours = to_srgb(to_linear(np.array(rgb(BACKDROP))) * shade[:, None])
    number = np.arange(cells * cells).reshape(cells, cells)
    a, b, c, d = (q.ravel() for q in (number[:-1, :-1], number[:-1, 1:], number[1:, 1:], number[1:, :-1]))
    faces = np.concatenate([np.column_stack([a, b, c]), np.column_stack([a, c, d])]).astype(np.int32)
    return Body("floor", points, faces, up, colours)


_kept_floors: weakref.WeakKeyDictionary = weakref.WeakKeyDictionary()  # by scene: every view has the same floor


def _floor_sky(scene: RayScene, points: np.ndarray) -> np.ndarray:
    """(k,) share of the sky that level points see."""
    up = np.tile([0.0, 0.0, 1.0], (len(points), 1))
    directions = _spread_directions(120)
    directions = directions[directions[:, 2] > 0.05]
    seen = np.zeros(len(points))
    for direction, hidden in zip(directions, in_threads(lambda d: blocked(scene, points, up, d), directions)):
        seen += direction[2] * ~hidden
    return seen / directions[:, 2].sum()


# --- drawing ---------------------------------------------------------------------------------------------


def photograph(baked: Baked, camera: Camera, *, floor: bool = True, renderer: str = "auto") -> np.ndarray:
    """(height, width, 3) uint8 picture of the scene on the backdrop.

    renderer : "vtk" draws off-screen with VTK, "rays" with embree; "auto" takes VTK where this machine can.
    """
    vertices, faces, colours = baked.vertices_mm, baked.faces, shaded(baked, camera)
    ground = floor_shadow(baked, camera, min(0.0, float(vertices[:, 2].min()))) if floor else None
    if ground is not None:
        vertices, faces = joined([(vertices, faces), (ground.vertices_mm, ground.faces)])
        colours = np.concatenate([colours, ground.colours])
    if renderer == "vtk" or (renderer == "auto" and vtk_can_draw()):
        large = draw_by_vtk(vertices, faces, colours, camera, _SCALE)
    else:
        large = _draw_by_rays(vertices, faces, colours, camera)
    picture = _averaged(large)
    return picture if ground is None else _feathered(picture)


def _feathered(picture: np.ndarray, share: float = 0.08) -> np.ndarray:
    """The picture faded to the backdrop along its edges, so that the floor has no end and panels join."""
    rows, columns = picture.shape[:2]
    width = share * min(rows, columns)
    near = np.minimum.outer(
        np.minimum(np.arange(rows), np.arange(rows)[::-1]),
        np.minimum(np.arange(columns), np.arange(columns)[::-1]),
    )
    edge = near < width
    keep = (near[edge] / width)[:, None]
    keep = keep * keep * (3 - 2 * keep)
    faded = picture.copy()
    faded[edge] = np.rint(keep * picture[edge] + (1 - keep) * 255 * np.array(rgb(BACKDROP)))
    return faded


def _averaged(large: np.ndarray) -> np.ndarray:
    """Down by `_SCALE`, in linear light so that edges keep their weight."""
    light = np.rint(to_linear(np.arange(256) / 255.0) * _FINE_STEPS).astype(np.uint32)
    back = np.rint(255 * to_srgb(np.arange(_FINE_STEPS + 1) / _FINE_STEPS)).astype(np.uint8)
    return _average_kernel(large, light, back, _SCALE)


@njit(cache=True, nogil=True)
def _average_kernel(large, light, back, scale):
    """scale is handed over: what is compiled is kept on disk with the globals it saw."""
    rows, columns = large.shape[0] // scale, large.shape[1] // scale
    out = np.empty((rows, columns, 3), np.uint8)
    for i in range(rows):
        for j in range(columns):
            for k in range(3):
                total = 0
                for di in range(scale):
                    for dj in range(scale):
                        total += light[large[scale * i + di, scale * j + dj, k]]
                out[i, j, k] = back[total // scale**2]
    return out


def _draw_by_rays(vertices: np.ndarray, faces: np.ndarray, colours: np.ndarray, camera: Camera) -> np.ndarray:
    scene = ray_scene(vertices, faces)
    back = np.array(rgb(BACKDROP))
    columns, rows = camera.width_px * _SCALE, camera.height_px * _SCALE
    out = np.broadcast_to(back, (rows, columns, 3)).astype(np.float32)
    deep = max(1, _STRIP // columns)

    def draw(start: int) -> None:
        strip = slice(start, start + deep)
        origins, ways = camera.rays(_SCALE, strip)
        hit = scene.scene.run(
            (origins - scene.centre_mm).astype(np.float32), ways.astype(np.float32), query="INTERSECT", output=True
        )
        face = np.asarray(hit["primID"])
        on = np.flatnonzero(face >= 0)
        corners = faces[face[on]]
        u, v = np.asarray(hit["u"])[on, None], np.asarray(hit["v"])[on, None]
        seen = (1 - u - v) * colours[corners[:, 0]] + u * colours[corners[:, 1]] + v * colours[corners[:, 2]]
        out[strip].reshape(-1, 3)[on] = seen

    in_threads(draw, range(0, rows, deep))
    return np.rint(np.clip(out, 0, 1) * 255).astype(np.uint8)
