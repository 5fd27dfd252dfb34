"""The mould taken apart along its pulls, each part named."""

from __future__ import annotations

import weakref
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from PIL import Image

from ...base.figures import kg, mm
from ...base.progress import SILENT, Progress
from ...base.threads import meanwhile
from ...geometry.frame import unit
from ...solids.shapes import (
    Body,
    body_of,
)
from ...stages.plan import MouldPlan
from ..look import (
    PATCH,
    PLASTER,
    RIB,
    SOFT_INK,
    rgb,
)
from .bodies import kept, light_master, mould_bodies
from .camera import Camera, look
from .overlay import Overlay
from .studio import photograph, set_up
from .views import with_room_below

_APART_WIDTH_PX = 1600


_LABEL = 32  # letters in the picture of the mould taken apart, which is printed small


_apart_photos: weakref.WeakKeyDictionary = weakref.WeakKeyDictionary()


@dataclass(frozen=True, eq=False)
class Apart:
    """Bodies moved apart along their pulls, and a label with the body it belongs to."""

    bodies: tuple[Body, ...]
    labels: tuple[tuple[str, str, Body], ...]


def taken_apart(plan: MouldPlan, progress: Progress = SILENT) -> Apart:
    """The master in the middle, each glove piece off it, each jacket piece off the glove, bolts drawn out."""
    parts = mould_bodies(plan, progress)
    vertices, faces = light_master(plan)
    bodies = [body_of("master", vertices, faces, rgb(PLASTER))]
    labels: list[tuple[str, str, Body]] = [("master", f"{mm(plan.master.height_mm)} tall", bodies[0])]
    for at, (glove, jacket, bolts) in enumerate(zip(parts.gloves, parts.jackets, parts.bolts)):
        tabs = parts.keys[at]
        pull = unit(plan.rubber.envelopes[at].frame.pull)
        first = apart_steps_mm(plan, at)
        off = glove.moved(first[0] * pull)
        out = jacket.moved(first[1] * pull)
        bodies += [off, out]
        if len(parts.ribs[at].vertices_mm):
            bodies.append(parts.ribs[at].moved(first[1] * pull))
        if len(tabs.vertices_mm):
            bodies.append(tabs.moved(first[0] * pull))
        piece = plan.jacket.pieces[at]
        labels += [(glove.name, kg(piece.rubber_mass_kg), off), (jacket.name, kg(piece.mass_kg), out)]
        if at == 0 and len(bolts.vertices_mm):
            bodies.append(bolts.moved(first[2] * pull))
        for one, shell, body in zip(plan.rubber.loose, plan.jacket.loose, parts.loose):
            if one.piece == plan.rubber.envelopes[at].piece:
                out_of_way = body.moved(first[0] * pull + one.drawn_off_mm)
                bodies.append(out_of_way)
                labels.append((one.name, kg(shell.mass_kg), out_of_way))
        if len(parts.wedges[at].vertices_mm):
            bodies.append(parts.wedges[at].moved(first[1] * pull))
        if len(parts.ridges[at].vertices_mm):
            bodies.append(parts.ridges[at].moved(first[0] * pull))
    return Apart(tuple(bodies), tuple(labels))


def apart_steps_mm(plan: MouldPlan, at: int) -> tuple[float, float, float]:
    """How far piece `at` moves along its pull: its glove, its jacket, its bolts."""
    envelope = plan.rubber.envelopes[at]
    deep = float(
        np.nanmax(envelope.outer_mm) - np.nanmin(np.where(np.isfinite(envelope.outer_mm), envelope.parting_mm, np.nan))
    )
    return 1.3 * deep, 2.6 * deep, 3.3 * deep


def _apart_way(plan: MouldPlan) -> np.ndarray:
    """Way to look so that the pull runs across the picture and a little towards the eye."""
    pull = unit(plan.rubber.envelopes[0].frame.pull)
    flat = np.array([pull[0], pull[1], 0.0])
    if np.linalg.norm(flat) < 0.5:  # a lid: the pull runs up the picture
        return np.array([-0.45, 0.85, -0.22])
    flat = unit(flat)
    ahead = np.array([-flat[1], flat[0], 0.0])
    ahead = ahead if ahead[1] >= 0 else -ahead  # look from the front, or from a side when the pull runs front to back
    return unit(ahead - 0.42 * flat) + np.array([0.0, 0.0, -0.30])


def apart_picture(plan: MouldPlan, progress: Progress = SILENT, renderer: str = "auto") -> Image.Image:
    """The mould taken apart along its pull, each part with its name and mass."""
    apart, camera, picture = kept(
        _apart_photos, plan.jacket, lambda: _photograph_apart(plan, progress, renderer), renderer
    )
    over = Overlay(picture)
    if _stacked(plan):
        _label_beside(over, apart, camera)
    else:
        _label_below(over, apart, camera)
    _shell_key(over, plan, picture)
    return over.finished()


def _shell_key(over: Overlay, plan: MouldPlan, picture: np.ndarray) -> None:
    """What the colours on the jackets mean, where there are any; in the corner where nothing stands."""
    pieces = plan.jacket.pieces
    signs = [
        (PATCH, "laid heavier", any(p.patches for p in pieces)),
        (RIB, "rib, its core", any(p.ribs for p in pieces)),
    ]
    shown = [(colour, words) for colour, words, there in signs if there]
    if not shown:
        return
    y, size = 1.2 * _LABEL, 0.8 * _LABEL
    wide = 1.4 * size + max(over.width_of(words, 0.95 * _LABEL) for _, words in shown)
    lefts = [_LABEL, over.size[0] - _LABEL - wide]
    foot = y + 1.5 * _LABEL * len(shown)
    x = min(lefts, key=lambda left: _unrest(picture, left, y, left + wide, foot))
    for colour, words in shown:
        over.box(x, y, x + size, y + size, colour)
        over.text(x + 1.4 * size, y + size / 2, words, 0.95 * _LABEL, colour=SOFT_INK, anchor="lm")
        y += 1.5 * _LABEL


def _unrest(picture: np.ndarray, left: float, top: float, right: float, foot: float) -> float:
    """How much there is to see in a box of a picture: the spread of its grey, 0 on plain ground."""
    part = picture[round(top) : round(foot), round(left) : round(right)].astype(float)
    return float(part.mean(axis=2).std()) if part.size else 0.0


def _stacked(plan: MouldPlan) -> bool:
    """Do the pieces come off upwards and downwards?"""
    return abs(float(unit(plan.rubber.envelopes[0].frame.pull)[2])) > 0.8


def _photograph_apart(plan: MouldPlan, progress: Progress, renderer: str) -> tuple[Apart, Camera, np.ndarray]:
    apart = meanwhile(lambda own: taken_apart(plan, own), progress)
    baked = meanwhile(lambda own: set_up(apart.bodies, own), progress)
    way, points, width = _apart_way(plan), baked.vertices_mm, _APART_WIDTH_PX
    spread = np.ptp(points @ look(way, points, 100, 100, parallel=True).axes.T, axis=0)
    height = int(np.clip(width * spread[1] / spread[0] * 1.02, 0.4 * width, 1.05 * width))
    camera = look(way, points, width, height, margin=0.075)
    if not _stacked(plan):
        rows = _label_places(apart, camera)[1]
        camera = with_room_below(camera, round((1.7 + 2.9 * max(rows, default=0)) * _LABEL))
    return apart, camera, photograph(baked, camera, renderer=renderer)


def _label_below(over: Overlay, apart: Apart, camera: Camera) -> None:
    foot, rows = _label_places(apart, camera)
    bases = [over.size[1] - 1.8 * _LABEL - 2.9 * _LABEL * row for row in rows]
    # lines first: where one runs through the words of another row, the words break it
    for (x, y), base in zip(foot, bases):
        over.line(np.array([[x, min(y + 14, base - 1.4 * _LABEL)], [x, base - 1.2 * _LABEL]]), SOFT_INK, 1.2)
    for (name, figure, _), (x, _), base in zip(apart.labels, foot, bases):
        over.text(x, base, name, _LABEL, "strong", anchor="ms", clear=True)
        over.text(x, base + 1.25 * _LABEL, figure, 0.95 * _LABEL, colour=SOFT_INK, anchor="ms", clear=True)


def _label_beside(over: Overlay, apart: Apart, camera: Camera) -> None:
    """Labels in a column to the right, for parts that stand over one another."""
    edge = over.size[0] - 1.2 * _LABEL
    taken = -np.inf
    for name, figure, body in sorted(apart.labels, key=lambda label: -float(label[2].vertices_mm[:, 2].mean())):
        flat, _ = camera.project(body.vertices_mm)
        y = max(float((flat[:, 1].min() + flat[:, 1].max()) / 2), taken + 3.0 * _LABEL)
        taken = y
        width = over.width_of(name, _LABEL, "strong")
        over.line(np.array([[flat[:, 0].max() + 14, y], [edge - width - 14, y]]), SOFT_INK, 1.2)
        over.text(edge, y + 0.32 * _LABEL, name, _LABEL, "strong", anchor="rs")
        over.text(edge, y + 1.5 * _LABEL, figure, 0.95 * _LABEL, colour=SOFT_INK, anchor="rs")


def _label_places(apart: Apart, camera: Camera) -> tuple[list[tuple[float, float]], list[int]]:
    """Where each label's line begins, and the row it stands in."""
    foot = [_label_foot(camera, body) for _, _, body in apart.labels]
    pen = Overlay(np.zeros((8, 8, 3), np.uint8))
    widths = [pen.width_of(name, _LABEL, "strong") for name, _, _ in apart.labels]
    return foot, _rows([x for x, _ in foot], widths)


def _label_foot(camera: Camera, body: Body) -> tuple[float, float]:
    """Middle of a body across the picture, and its lowest point in that column."""
    flat, _ = camera.project(body.vertices_mm)
    x = float((flat[:, 0].min() + flat[:, 0].max()) / 2)
    near = np.abs(flat[:, 0] - x) < 12
    return x, float((flat[near] if near.any() else flat)[:, 1].max())


def _rows(x: Sequence[float], width: Sequence[float], gap: float = 24.0) -> list[int]:
    """A row for each label so that no two in a row run into one another."""
    order = np.argsort(x)
    row = [0] * len(x)
    ends: list[float] = []
    for at in order:
        left, right = x[at] - width[at] / 2, x[at] + width[at] / 2
        free = next((k for k, end in enumerate(ends) if end + gap <= left), len(ends))
        if free == len(ends):
            ends.append(right)
        ends[free] = right
        row[at] = free
    return row
