"""What the seam keeps clear of, and by whose word: painted, given in a file, or proposed from the shape."""

from __future__ import annotations

import numpy as np

from ..base.errors import BriefRefused
from ..base.figures import listed
from ..geometry.facets import nearest_values
from ..solids.shapes import Body
from ..stages.plan import MouldPlan
from ..stages.seam import keep_clear_weights, weights_of
from .words import places_of

_LIFT = 1.5e-3  # of the size: how far a patch stands off the skin it shows


def is_proposed(plan: MouldPlan) -> bool:
    """What is kept clear was found from the shape: nothing is painted, and no file is given."""
    brief = plan.brief.seam
    return brief.find_features and brief.keep_clear is None and plan.master.vertex_weights is None


def kept_clear_words(plan: MouldPlan) -> str:
    """'proposed from the shape: left eye, right eye, nose and mouth; paint ...'; "" where nothing is kept clear."""
    if not is_proposed(plan):
        if plan.brief.seam.keep_clear is not None:
            return "as the brief's file has it"
        if plan.master.vertex_weights is None:
            return ""
        if plan.brief.cast.section:
            some = plan.master.vertex_weights.max(initial=0.0) > 0.0
            return "what was painted on the whole" if some else ""
        return "as painted"
    names = [region.name for region in places_of(plan.master).regions]
    if not names:
        return ""
    where = " on the whole" if plan.brief.cast.section else ""
    return (
        f"proposed from the shape: {listed(names)}; to change it, paint over it{where} in Blender, or give weights of "
        "your own as keep_clear under [seam]"
    )


def clear_patch(plan: MouldPlan, master: Body) -> tuple[np.ndarray, np.ndarray] | None:
    """Vertices (n, 3) and faces (m, 3) of what is kept clear, a little off a light copy of the master; None where
    nothing is, or a file of weights is no longer there."""
    try:
        weights = _weights(plan)
    except BriefRefused:
        return None
    if weights is None:
        return None
    near = nearest_values(master.vertices_mm, plan.master.vertices_mm, weights)
    faces = master.faces[near[master.faces].mean(axis=1) > 0.5 * max(float(near.max(initial=0.0)), 1e-9)]
    if not len(faces):
        return None
    used, own = np.unique(faces, return_inverse=True)
    lift = _LIFT * float(np.linalg.norm(plan.master.size_mm))
    return master.vertices_mm[used] + lift * master.normals[used], own.reshape(-1, 3).astype(np.int32)


def _weights(plan: MouldPlan) -> np.ndarray | None:
    if is_proposed(plan):  # found already, for the names of places
        return weights_of(plan.master.vertices_mm, places_of(plan.master).regions)
    return keep_clear_weights(plan.master, plan.brief.seam)
