"""Loose pieces drawn off the master along their own pulls."""

from __future__ import annotations

import numpy as np
from PIL import Image

from ...base.figures import kg
from ...geometry.frame import unit
from ...solids.shapes import body_of
from ...stages.plan import MouldPlan
from ..look import PLASTER, SOFT_INK, rgb
from .bodies import light_master, mould_bodies
from .camera import look
from .overlay import Overlay
from .studio import photograph, set_up

_WIDTH_PX, _LETTERS = 1200, 26.0


def loose_picture(plan: MouldPlan, at: int, renderer: str = "auto") -> Image.Image:
    """The master and one loose piece on its way, seen from where it goes; an arrow along its pull."""
    one, body = plan.rubber.loose[at], mould_bodies(plan).loose[at]
    pull = unit(one.frame.pull)
    off = body.moved(one.drawn_off_mm)
    bodies = [body_of("master", *light_master(plan), rgb(PLASTER)), off]
    side = unit(np.cross([0.0, 0.0, 1.0], pull)) if abs(pull[2]) < 0.9 else np.array([1.0, 0.0, 0.0])
    way = unit(-pull - 0.85 * side) + np.array([0.0, 0.0, -0.25])
    points = np.concatenate([b.vertices_mm for b in bodies])
    axes = look(way, points, 100, 100, parallel=True).axes
    wide, tall = np.ptp(points @ axes.T, axis=0)[:2]
    height = int(np.clip(_WIDTH_PX * tall / wide, 0.5 * _WIDTH_PX, 1.1 * _WIDTH_PX))
    camera = look(way, points, _WIDTH_PX, height, margin=0.08)
    over = Overlay(photograph(set_up(bodies), camera, renderer=renderer))
    middle = off.vertices_mm.mean(axis=0)
    line, _ = camera.project(np.array([middle, middle + 0.5 * max(one.size_mm) * pull]))
    over.line(line, SOFT_INK, 2.0)
    flat, _ = camera.project(off.vertices_mm)
    x, y = float(flat[:, 0].mean()), float(flat[:, 1].max()) + 1.4 * _LETTERS
    over.text(x, y, one.name, _LETTERS, "strong", anchor="ms", clear=True)
    words = kg(plan.jacket.loose[at].mass_kg)
    over.text(x, y + 1.2 * _LETTERS, words, 0.9 * _LETTERS, colour=SOFT_INK, anchor="ms", clear=True)
    return over.finished()
