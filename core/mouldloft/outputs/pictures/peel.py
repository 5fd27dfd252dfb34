"""The glove coming off the cast, in frames: what the peel stage found, to look at."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from PIL import Image

from ...base.figures import newtons, percent
from ...base.progress import SILENT, Progress
from ...geometry.frame import unit
from ...solids.shapes import Body, body_of, fewer_faces
from ...stages.peel import PeeledGlove, played
from ...stages.plan import MouldPlan
from ..look import GLOVE, PLASTER, SOFT_INK, rgb, stretch_colours
from .bodies import light_master, mould_meshes
from .camera import Camera, look
from .overlay import Overlay
from .studio import photograph, set_up

SHOWN = 6  # frames on a sheet
_WIDE_PX, _TALL_PX = 560, (380, 640)  # of a frame: as tall as what is shown asks for
_MOST_FACES = 14_000
_MASTER_FACES = 30_000


def glove_to_peel(plan: MouldPlan, at: int, most_faces: int = _MOST_FACES) -> Body:
    """Glove `at`, light enough to move, coloured by the greatest stretch nearby, from none to what is allowed."""
    from scipy.spatial import cKDTree

    assert plan.peel is not None
    glove = plan.peel.gloves[at]
    body = body_of("glove", *fewer_faces(*mould_meshes(plan).gloves[at], most_faces), rgb(GLOVE))
    near = cKDTree(glove.skin_mm).query(body.vertices_mm)[1]
    return replace(body, colours=stretch_colours(glove.stretches[near] / plan.peel.stretch_allowed))


def _moved_to(body: Body, places_mm: np.ndarray) -> Body:
    corners = places_mm[body.faces].astype(float)
    across = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    normals = np.zeros((len(places_mm), 3))
    for k in range(3):
        np.add.at(normals, body.faces[:, k], across)
    normals /= np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-9)
    return replace(body, vertices_mm=places_mm.astype(float), normals=normals)


def frames_to_show(glove: PeeledGlove, count: int) -> np.ndarray:
    """Frames at even steps of how much skin is clear and of time alike, the first and the last among them."""
    clear = glove.motion.clear.astype(float)
    run = np.linspace(0, 1, len(clear)) + np.maximum.accumulate(clear) / max(float(clear.max()), 1e-6)
    return np.unique([int(np.abs(run - share).argmin()) for share in np.linspace(0, run[-1], count)])


def _camera(shown_mm: np.ndarray, pull: np.ndarray, size: tuple[int, int] | None) -> Camera:
    """From beside the way the glove goes, a little in front of it and above, on all (k, 3) points."""
    side = np.cross([0.0, 0.0, 1.0], pull)
    side = unit(side) if np.linalg.norm(side) > 0.3 else np.array([0.0, -1.0, 0.0])
    way = -unit(side + 0.45 * pull + np.array([0.0, 0.0, 0.28]))
    if size is None:
        wide, tall, _ = np.ptp(shown_mm @ look(way, shown_mm, 100, 100, parallel=True).axes.T, axis=0)
        size = _WIDE_PX, int(np.clip(_WIDE_PX * tall / wide, *_TALL_PX))
    return look(way, shown_mm, *size, margin=0.05)


def peel_frames(
    plan: MouldPlan, at: int, count: int = SHOWN, size: tuple[int, int] | None = None, progress: Progress = SILENT
) -> list[tuple[Image.Image, str]]:
    """Pictures of glove `at` coming off its cast, all from one place, each with what it shows in words.

    size : of each in pixels; None for one that leaves little empty.
    """
    assert plan.peel is not None
    glove = plan.peel.gloves[at]
    frames = frames_to_show(glove, count)
    glove_body = glove_to_peel(plan, at)
    places = played(glove.motion, glove_body.vertices_mm, frames)
    cast = body_of("cast", *fewer_faces(*light_master(plan), _MASTER_FACES), rgb(PLASTER))
    pull = np.asarray(plan.rubber.envelopes[at].frame.pull, float)
    shown = np.vstack([plan.master.vertices_mm, places[0][::7], places[-1][::7]])
    camera = _camera(shown, pull, size)
    made = []
    for k, (frame, moved) in enumerate(zip(frames, places)):
        progress.step(k / len(frames), "how the glove is peeled")
        baked = set_up([cast, _moved_to(glove_body, moved)], ground_mm=None)
        picture = photograph(baked, camera, floor=False)
        made.append((Image.fromarray(picture), frame_words(glove, int(frame))))
    return made


def frame_words(glove: PeeledGlove, frame: int) -> str:
    """'62 % off, 180 N'."""
    clear, force = float(glove.motion.clear[frame]), float(glove.motion.force_n[frame])
    if frame == 0:
        return "glove home"
    return f"{percent(min(clear, 1.0))} off, {newtons(force)}"


def peel_picture(plan: MouldPlan, at: int, progress: Progress = SILENT) -> Image.Image:
    """The frames side by side with their words, in two rows."""
    frames = peel_frames(plan, at, progress=progress)
    wide, high = frames[0][0].size
    columns = (len(frames) + 1) // 2
    sheet = Image.new("RGB", (columns * wide, 2 * (high + 40)), frames[0][0].getpixel((2, 2)))
    for k, (picture, _) in enumerate(frames):
        sheet.paste(picture, ((k % columns) * wide, (k // columns) * (high + 40)))
    over = Overlay(np.asarray(sheet))
    for k, (_, words) in enumerate(frames):
        x, y = (k % columns) * wide + wide / 2, (k // columns) * (high + 40) + high + 18
        over.text(x, y, f"{k + 1}  {words}", 22, "strong" if k in (0, len(frames) - 1) else "regular", SOFT_INK, "mm")
    return over.finished()
