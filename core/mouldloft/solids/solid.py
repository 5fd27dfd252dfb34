"""A closed mesh with a name."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from ..base.errors import PlanImpossible
from ..geometry.frame import PullFrame
from ..geometry.manifold import arrays_of, as_manifold
from .pinches import opened_as_stored, opened_pinches, welded

_CRUMB_ROUNDS = 4
_EVEN_MM = 0.01  # flat parts are thinned within this, far below any tool's accuracy


@dataclass(frozen=True, eq=False)
class Solid:
    """A closed mesh in plan coordinates. vertices_mm : (n, 3) float64; faces : (m, 3) int32, outward.

    kind : "master half" (of more than two pieces the master whole), "glove" and "jacket" (each with its flange in
    one), "loose piece", "rib core" and "rib glass" (what covers them), "cradle board", "cradle rail" or "baseboard"
    (half of what stands in the cast's foot).
    """

    name: str
    kind: str
    vertices_mm: np.ndarray
    faces: np.ndarray
    volume_mm3: float


def manifold_of(vertices_mm: np.ndarray, faces: np.ndarray, name: str) -> Any:
    """The mesh as a manifold3d solid. Raises `PlanImpossible` where it is no closed manifold."""
    solid = as_manifold(vertices_mm, faces)
    if solid is None:
        mend = "mend the mesh in your sculpting program, or make a new surface over it."
        raise PlanImpossible(f"No solids can be made: {name} is no closed manifold; {mend}")
    return solid


def solid_of(
    name: str,
    kind: str,
    solid: Any,
    frame: PullFrame | None = None,
    crumb_share: float = 0.0,
    thinned: bool = True,
) -> Solid:
    """A manifold as a `Solid`, out of the frame into plan coordinates, without loose parts below a share of it.

    Edges too short for single precision go first: most formats store no better. What is left is checked once more.
    thinned : flat parts in fewer triangles; not where another solid has the same triangles.
    """
    vertices, faces = arrays_of(solid.simplify(_EVEN_MM) if thinned else solid)
    del solid
    if frame is not None:
        vertices = frame.to_master(vertices)
    # walls that pass closer than the weld are tied by it, and opened again by a hair
    made = as_manifold(*opened_pinches(*welded(vertices, faces))) or manifold_of(vertices, faces, f"the {name}")
    # taking a part away can bare another that hung on it by a corner
    for _ in range(_CRUMB_ROUNDS):
        made, fell = _without_crumbs(made, crumb_share, name)
        if not fell:
            break
    made = opened_as_stored(made)
    vertices, faces = arrays_of(made)
    return Solid(name, kind, vertices, np.ascontiguousarray(faces, np.int32), float(made.volume()))


def _without_crumbs(solid: Any, share: float, name: str) -> tuple[Any, bool]:
    """The parts larger than a share of the whole, as one manifold, and whether any fell away."""
    parts = solid.decompose()
    volumes = np.array([p.volume() for p in parts])
    if not volumes.sum() > 0:
        raise PlanImpossible(
            f"Nothing is left of the {name}: {volumes.sum():.0f} mm³; check that the master's faces look outward, and "
            "the rubber's thickness against the tolerance."
        )
    # an inner hollow comes as a part of negative volume and is kept by its size like any other
    large = [p for p, v in zip(parts, volumes) if p.num_tri() and abs(v) > share * volumes.sum()]
    if len(large) == len(parts):
        return solid, False
    if len(large) == 1:  # it is what putting its arrays together again would give, to the bit
        return large[0], True
    kept = [arrays_of(p) for p in large]
    starts = np.cumsum([0] + [len(v) for v, _ in kept[:-1]])
    faces = np.concatenate([f + start for (_, f), start in zip(kept, starts)])
    return manifold_of(np.concatenate([v for v, _ in kept]), faces, f"the {name}"), True
