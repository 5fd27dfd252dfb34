"""What the core proposes to keep clear of the seam, as weights to paint over."""

from __future__ import annotations

from dataclasses import dataclass

import bpy
import numpy as np

from . import results, state

_STEPS = 20  # of a weight: a call for each, not for each vertex


@dataclass(frozen=True, eq=False)
class FoundClear:
    """weights : (n,) 0 to 1 on the sculpt's own vertices; names : of the places, "left eye" and so on."""

    weights: np.ndarray
    names: tuple[str, ...]


def found_on(scene: bpy.types.Scene, thing: bpy.types.Object) -> FoundClear | None:
    """What was found from the shape, on a sculpt's own vertices; None before it was taken in, or where it changed."""
    from mouldloft.base.errors import MouldloftError
    from mouldloft.stages.seam import find_features, weights_of

    try:
        master = state.done_now(scene, "sculpt").get("master")
    except MouldloftError:
        return None
    to_plan = results.plan_from_world(scene)
    if master is None or to_plan is None:
        return None
    points = np.empty(3 * len(thing.data.vertices), np.float32)
    thing.data.vertices.foreach_get("co", points)
    matrix = np.array(to_plan @ thing.matrix_world, float)
    at = points.reshape(-1, 3).astype(float) @ matrix[:3, :3].T + matrix[:3, 3]
    regions = find_features(master).regions
    return FoundClear(weights_of(at, regions), tuple(region.name for region in regions))


def painted_in(group: bpy.types.VertexGroup, found: FoundClear | None) -> str:
    """Put what was found into a fresh group; what was done, in a sentence."""
    from mouldloft.base.figures import listed

    if found is None:
        return "The group is empty: take the sculpt in first, and it begins with what is found from the shape."
    if not found.names:
        return "Nothing was found from the shape that the seam should keep clear of: the group is empty."
    steps = np.rint(found.weights * _STEPS).astype(int)
    for step in np.unique(steps[steps > 0]):
        group.add(np.flatnonzero(steps == step).tolist(), step / _STEPS, "REPLACE")
    return f"Painted in from the shape: {listed(found.names)}. Paint over it as you like."
