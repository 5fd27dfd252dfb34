"""The opening in the scene: where its arrow stands, which way it points, and the exact map along a direction."""

from __future__ import annotations

from dataclasses import dataclass

import bpy

from ..work import display, quick
from . import properties, reading, results, state


@dataclass(frozen=True)
class Stand:
    """Where the arrow stands. centre : world; radius : Blender units; turn : 3 x 3, plan axes to world axes."""

    centre: tuple[float, float, float]
    radius: float
    turn: tuple[tuple[float, float, float], ...]

    def to_world(self, direction):
        """A plan direction in world axes, at length one."""
        return (_matrix(self.turn) @ results.vector(direction)).normalized()

    def to_plan(self, direction) -> tuple[float, float, float]:
        """A world direction in plan axes."""
        x, y, z = (_matrix(self.turn).transposed() @ results.vector(direction)).normalized()
        return float(x), float(y), float(z)


def _matrix(rows):
    from mathutils import Matrix

    return Matrix(rows)


def stand(scene: bpy.types.Scene) -> Stand | None:
    """Where the arrow stands: on the plan where there is one, else on the sculpt; None without a sculpt."""
    s = properties.of(scene)
    if s.root is not None and "mouldloft_size" in s.root:
        world = s.root.matrix_world
        size = [v * results.units_per_mm(scene) for v in s.root["mouldloft_size"]]
        scale = world.median_scale
        turn = world.to_3x3().normalized()
        centre = world @ results.vector((0.0, 0.0, size[2] / 2))
        return Stand(tuple(centre), 0.6 * max(size) * scale, tuple(tuple(row) for row in turn))
    if s.sculpt is None:
        return None
    corners = results.world_corners(s.sculpt)
    low, high = ([f(c[k] for c in corners) for k in range(3)] for f in (min, max))
    centre = tuple((a + b) / 2 for a, b in zip(low, high))
    radius = 0.6 * max(b - a for a, b in zip(low, high)) or 1.0
    turn = results.turn_to_plan(scene).transposed()
    return Stand(centre, radius, tuple(tuple(row) for row in turn))


def direction_now(s) -> tuple[float, float, float]:
    """The direction the mould would open in now: by hand, else the best found, else sideways."""
    best = s.way == "SEARCH" and len(s.ways) > 0
    found = tuple(s.ways[0].direction if best else s.own_way)
    return found if max(abs(v) for v in found) > 1e-6 else (1.0, 0.0, 0.0)


def set_direction(s, direction) -> None:
    """Open by hand along a direction in plan axes."""
    s.way, s.own_way = "OWN", direction


def proposals(s) -> list[tuple[float, float, float]]:
    """The ranked directions found."""
    return [tuple(way.direction) for way in s.ways]


def show_exact(context: bpy.types.Context, direction):
    """Colour the map by what a pull along a direction frees, by exact rays; the core's field.

    Raises `Unreadable` where the sculpt was not taken in, ValueError for a zero direction.
    """
    from mouldloft.stages.undercut import undercut_field

    scene = context.scene
    s = properties.of(scene)
    done = state.done_now(scene)
    if "master" not in done:
        raise reading.Unreadable("Take the sculpt in first.", "mouldloft.take_sculpt")
    if max(abs(v) for v in direction) < 1e-6:
        raise reading.Unreadable("The direction is zero: set at least one of its numbers.")
    master = done["master"]
    field = undercut_field(master, tuple(direction), check=False, scene=quick.mapper_for(master).scene)
    thing = results.show_map(scene, master, s.result("sculpt").stamp)
    results.colour_map(scene, thing, display.map_colours("FREES", {"undercut": field}))
    return field
