"""Where the master locks: the map, its legend and its worst places."""

from __future__ import annotations

import weakref
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from PIL import Image

from ...base.figures import cm2, mm, percent, round_step, strain_by_rule
from ...base.progress import SILENT, Progress
from ...base.threads import meanwhile
from ...geometry.facets import nearest_values
from ...solids.shapes import (
    Body,
    body_of,
    clustered,
    lock_share,
)
from ...stages.plan import MouldPlan
from ..look import (
    INK,
    SOFT_INK,
    lock_colours,
)
from ..whereabouts import undercut_words
from .bodies import MOST_DRAWN, kept, studio_for
from .camera import Camera
from .overlay import Overlay
from .studio import Baked, photograph, set_up
from .views import VIEWS, camera_for, hidden_points, lowered, seam_in_view

LOCKS_NAMED = 5


_lock_photos: weakref.WeakKeyDictionary = weakref.WeakKeyDictionary()


def lock_scale_end_mm(plan: MouldPlan) -> float:
    """Round end of the lock scale: four steps that reach the deepest lock."""
    deepest = float(np.max(plan.locks.depth_mm, initial=0.0))
    return 4.0 * round_step(max(deepest, 8.0), 4)


def lock_map_body(plan: MouldPlan) -> Body:
    """The master coloured by how deep each place locks its own piece of the mould."""
    share = lock_share(plan.master, plan.locks.depth_mm, lock_scale_end_mm(plan))
    vertices, faces = plan.master.vertices_mm, plan.master.faces
    if len(faces) > MOST_DRAWN:
        thin, faces = clustered(vertices, faces, MOST_DRAWN)
        share = nearest_values(thin, vertices, share)
        vertices = thin
    return body_of("master", vertices, faces, lock_colours(share))


def _lock_map_scene(plan: MouldPlan, progress: Progress) -> Baked:
    """The studio's scene with the lock colours on: the light is the same, so it is not worked out again."""
    plain = studio_for(plan, progress).plain
    body = lock_map_body(plan)
    if len(body.vertices_mm) != len(plain.vertices_mm):
        return set_up([body], progress)
    return replace(plain, bodies=(body,), colours=body.colours)


def _badge_place(plan: MouldPlan, region, camera: Camera) -> np.ndarray | None:
    """Pixel on the visible face of a lock that lies nearest to its middle; None where none is in view."""
    master = plan.master
    faces = region.faces[:: max(1, len(region.faces) // 400)]
    if not len(faces):
        return None
    centre = master.vertices_mm[master.faces[faces]].mean(axis=1)
    hidden = hidden_points(studio_for(plan).scene, centre, master.normals[faces], camera)
    if hidden.all():
        return None
    inside = centre[~hidden]
    nearest = np.argmin(np.linalg.norm(inside - np.asarray(region.centre_mm), axis=1))
    return camera.project(inside[nearest : nearest + 1])[0][0]


def lock_picture(
    plan: MouldPlan, progress: Progress = SILENT, renderer: str = "auto", titled: bool = True
) -> Image.Image:
    """Undercuts, from two sides, with the scale and the worst places named."""
    wide, cameras = kept(_lock_photos, plan.locks, lambda: _photograph_locks(plan, progress, renderer), renderer)
    panel, height = cameras[0].width_px, cameras[0].height_px
    blank = np.broadcast_to(wide[:1, :1], (290, wide.shape[1], 3))
    over = Overlay(np.concatenate([wide, blank]))
    named = plan.locks.regions[:LOCKS_NAMED]
    for at, camera in enumerate(cameras):
        for line in seam_in_view(studio_for(plan), camera)[0]:
            over.line(line + (at * panel, 0), "white", 5.0)
            over.line(line + (at * panel, 0), INK, 2.0)
    for at, (camera, name) in enumerate(zip(cameras, _LOCK_VIEWS)):
        for count, region in enumerate(named, 1):
            place = _badge_place(plan, region, camera)
            if place is not None:
                over.badge(place[0] + at * panel, place[1], str(count), 19)
        over.text(48 + at * panel, height + 6, VIEWS[name][1], 24, colour=SOFT_INK, anchor="lm")
    if titled:
        over.text(48, 70, "Undercuts", 34, "strong")
    over.text(48, 110, "depth of the undercut across the pull of its piece", 25, colour=SOFT_INK)
    _lock_legend(plan, over, 48, height + 60)
    _lock_list(over, list(zip(named, undercut_words(plan))), plan.locks.elongation_at_break, 830, height + 44)
    return over.finished()


_LOCK_VIEWS = ("three_quarter", "three_quarter_behind")


def _photograph_locks(plan: MouldPlan, progress: Progress, renderer: str) -> tuple[np.ndarray, list[Camera]]:
    scene = meanwhile(lambda own: _lock_map_scene(plan, own), progress)
    cameras = [lowered(camera_for(plan, name, 950, 1220), 0.045) for name in _LOCK_VIEWS]
    return np.concatenate([photograph(scene, camera, renderer=renderer) for camera in cameras], axis=1), cameras


def _lock_legend(plan: MouldPlan, over: Overlay, x: float, y: float, width: float = 640) -> None:
    end = lock_scale_end_mm(plan)
    over.ramp(x, y, width, 24, lock_colours(np.linspace(0, 1, 256)))
    for k in range(5):
        at = x + width * k / 4
        over.line(np.array([[at, y + 24], [at, y + 31]]), SOFT_INK, 1.4)
        depth = end * (k / 4) ** 2  # the scale goes by the root
        words = "free" if k == 0 else f"{depth:.3g}" + (" mm" if k == 4 else "")
        over.text(at, y + 38, words, 24, colour=INK, anchor="la" if k == 0 else "ma")
    allowed = percent(plan.locks.stretch_allowed)
    most = strain_by_rule(plan.locks.worst_stretch, plan.locks.elongation_at_break)
    words = f"By rule rubber stretches {most} at most; {allowed} is allowed."
    over.text(x, y + 92, words, 24, colour=SOFT_INK, anchor="la")
    over.line(np.array([[x, y + 150], [x + 44, y + 150]]), INK, 2.0)
    over.text(x + 54, y + 150, "seam", 24, colour=SOFT_INK, anchor="lm")


def _lock_list(over: Overlay, named: Sequence, breaks_at: float, x: float, y: float) -> None:
    if not named:
        over.text(x, y + 20, "No undercuts: every place comes free along its piece's pull.", 24, anchor="lm")
    room = over.size[0] - x - 60
    for at, (region, name) in enumerate(named):
        line = y + 16 + 46 * at
        over.badge(x + 12, line, str(at + 1), 19)
        asked = strain_by_rule(region.stretch, breaks_at)
        words = f"{name}: {cm2(region.area_mm2)}, {mm(region.depth_mm)} deep, stretch by rule {asked}"
        over.text(x + 46, line, _cut_to(over, words, room - 46, 24), 24, anchor="lm")


def _cut_to(over: Overlay, words: str, room: float, size: float) -> str:
    if over.width_of(words, size) <= room:
        return words
    while words and over.width_of(words + "…", size) > room:
        words = words[:-1]
    return words + "…"
