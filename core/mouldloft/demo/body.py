"""A demo body: its table of solids, where its features and parts are, and its mesh at any triangle count."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from manifold3d import Manifold, Mesh64

from ..base.errors import BriefRefused
from ..base.progress import SILENT, Progress
from ..geometry.selfcrossings import find_self_crossings
from .carving import PLINTH, Blend, ball, table_of, turn_about
from .skin import lattice_over, march, sharp_foot

MOST_TRIANGLES = 6_000_000
LEAST_TRIANGLES = 20_000
_TRIANGLES_TO_PITCH2 = 2.77  # marching cubes gives about so many to a square pitch of skin
_CLOSE, _WITHIN = 0.02, 0.03  # of the wanted count
_NEARBY = tuple(
    sign * step for step in np.arange(0.0, 0.03, 0.003) for sign in (1.0, -1.0) if step or sign > 0
)  # of a tolerance


@dataclass(frozen=True)
class NamedBall:
    """A place on the body by name, as a ball about it. kind : "eye", "nose", "mouth", "fingers", or "part"."""

    name: str
    kind: str
    centre_mm: tuple[float, float, float]
    radius_mm: float


@dataclass(frozen=True)
class Sculpt:
    """A body by numbers. low_mm, high_mm : a box that holds it; skin_mm2 : about how much skin it has;
    finest_mm : the widest lattice pitch that carries its smallest parts: fewer triangles come by decimation."""

    name: str
    title: str
    height_mm: float
    solids: tuple[Blend, ...]
    places: tuple[NamedBall, ...]
    low_mm: tuple[float, float, float]
    high_mm: tuple[float, float, float]
    skin_mm2: float
    finest_mm: float


@dataclass(frozen=True, eq=False)
class DemoMesh:
    """(n, 3) float64 millimetres and (m, 3) int32 faces, outward, front towards -y, standing flat on z = 0; and
    where the body's features and parts are."""

    vertices_mm: np.ndarray
    faces: np.ndarray
    places: tuple[NamedBall, ...]


def moved_places(places: Sequence[NamedBall], pivot: tuple[float, float, float], **turns: float) -> list[NamedBall]:
    """The places turned about a point, as `turn_about` turns solids."""
    out = []
    for place in places:
        x, y, z = turn_about([ball(place.centre_mm, (1.0, 1.0, 1.0))], pivot, **turns)[0].centre_mm
        out.append(replace(place, centre_mm=(x, y, z)))
    return out


def carve(sculpt: Sculpt, triangles: int = 80_000, progress: Progress = SILENT) -> DemoMesh:
    """The body as a closed manifold mesh of one part, within 3 % of the wanted count.

    Raises `BriefRefused` for a count outside 20 thousand to 6 million.
    """
    if not LEAST_TRIANGLES <= triangles <= MOST_TRIANGLES:
        raise BriefRefused(
            f"The {sculpt.title.lower()} cannot be made with {triangles} triangles; ask for {LEAST_TRIANGLES} to "
            f"{MOST_TRIANGLES}."
        )
    pitch = float(np.sqrt(_TRIANGLES_TO_PITCH2 * sculpt.skin_mm2 / triangles))
    if pitch > sculpt.finest_mm:
        vertices, faces = _lightened(sculpt, triangles, progress)
    else:
        vertices, faces = _marched(sculpt, pitch, progress)
        for _ in range(4):
            if abs(len(faces) / triangles - 1.0) < _CLOSE:
                break
            pitch *= float(np.sqrt(len(faces) / triangles))
            vertices, faces = _marched(sculpt, pitch, progress)
    return _stood(sculpt, vertices, faces)


def _marched(sculpt: Sculpt, pitch_mm: float, progress: Progress) -> tuple[np.ndarray, np.ndarray]:
    lattice = lattice_over(np.array(sculpt.low_mm), np.array(sculpt.high_mm), pitch_mm)
    vertices, faces = march(table_of(sculpt.solids), lattice, 1.0, progress, f"carving the {sculpt.title.lower()}")
    for solid in sculpt.solids:
        if solid.kind == PLINTH:
            vertices = sharp_foot(vertices, faces, solid.centre_mm, solid.radii_mm)
    return vertices, faces


def _lightened(sculpt: Sculpt, triangles: int, progress: Progress) -> tuple[np.ndarray, np.ndarray]:
    """Carved fine enough for the smallest parts, then thinned to the wanted count within a tolerance.

    Thinning now and then lets the two walls of a slit cross: then another tolerance near it, then another lattice.
    """
    best, fewest = None, 0
    for finer in (1.0, 0.97, 0.94):
        vertices, faces = _marched(sculpt, sculpt.finest_mm * finer, progress)
        solid = Manifold(Mesh64(vertices, faces.astype(np.uint64)))
        middle = _tolerance_for(solid, triangles, sculpt.height_mm)
        for off in _NEARBY:
            progress.step(0.9, "thinning")
            thinned = _thinned(solid, middle * (1.0 + off))
            if abs(len(thinned[1]) / triangles - 1.0) > _WITHIN:
                continue
            crossing = find_self_crossings(*thinned).count
            if best is None or crossing < fewest:
                best, fewest = thinned, crossing
            if crossing == 0:
                return thinned
    return best if best is not None else _thinned(solid, middle)


def _tolerance_for(solid: Manifold, triangles: int, height_mm: float) -> float:
    """The tolerance that leaves about so many triangles: what is left falls about as its power of 0.85."""
    tolerance, low, high = 3e-4 * height_mm, 1e-6 * height_mm, 5e-3 * height_mm
    for _ in range(8):
        ratio = solid.simplify(tolerance).num_tri() / triangles
        if abs(ratio - 1.0) < 0.005:
            break
        low, high = (tolerance, high) if ratio > 1.0 else (low, tolerance)
        wanted = tolerance * ratio ** (1 / 0.85)
        tolerance = float(wanted if low < wanted < high else np.sqrt(low * high))
    return tolerance


def _thinned(solid: Manifold, tolerance_mm: float) -> tuple[np.ndarray, np.ndarray]:
    mesh = solid.simplify(tolerance_mm).to_mesh64()
    return np.asarray(mesh.vert_properties)[:, :3].copy(), np.asarray(mesh.tri_verts).astype(np.int64)


def _stood(sculpt: Sculpt, vertices: np.ndarray, faces: np.ndarray) -> DemoMesh:
    """Exactly the finished height, on z = 0; faces as int32; the places moved with it."""
    low = vertices[:, 2].min()
    scale = sculpt.height_mm / (vertices[:, 2].max() - low)
    places = tuple(_scaled(place, float(scale)) for place in sculpt.places)
    vertices = vertices * scale
    vertices[:, 2] -= vertices[:, 2].min()
    return DemoMesh(np.ascontiguousarray(vertices), np.ascontiguousarray(faces.astype(np.int32)), places)


def _scaled(place: NamedBall, scale: float) -> NamedBall:
    x, y, z = place.centre_mm
    return replace(place, centre_mm=(scale * x, scale * y, scale * z), radius_mm=scale * place.radius_mm)
