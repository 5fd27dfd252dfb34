"""The glove's thickness as people look at it: one scale for every piece, colours, shares and a picture."""

from __future__ import annotations

import weakref
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from PIL import Image
from scipy.spatial import cKDTree

from ...base.figures import mm, round_step
from ...base.progress import SILENT, Progress
from ...base.threads import meanwhile
from ...geometry.facets import face_vectors
from ...solids.thickness import GloveThickness, measure_thickness
from ...stages.plan import MouldPlan
from ..look import GLOVE, INK, SOFT_INK, rgb, thickness_colours
from .bodies import kept, mould_bodies
from .camera import Camera, look
from .overlay import Overlay
from .studio import photograph, set_up

BARS = 20
_MOST_SHOWN = 0.9  # of the glove's outside ends within the scale; fills of deep locks lie beyond
_WIDE_PX, _TALL_PX = 1800, 1000

_views: weakref.WeakKeyDictionary = weakref.WeakKeyDictionary()
_photos: weakref.WeakKeyDictionary = weakref.WeakKeyDictionary()


@dataclass(frozen=True, eq=False)
class ThicknessView:
    """Every piece's thickness on one scale from low_mm to high_mm; thicker places count as high_mm.

    shares : by piece, (BARS,) share of its outside's area in even bars along the scale, the last with all beyond.
    """

    pieces: tuple[GloveThickness, ...]
    low_mm: float
    high_mm: float
    shares: tuple[np.ndarray, ...]

    def share_at(self, thickness_mm: np.ndarray) -> np.ndarray:
        """Where thicknesses stand on the scale, 0 to 1."""
        return np.clip((np.asarray(thickness_mm) - self.low_mm) / (self.high_mm - self.low_mm), 0.0, 1.0)

    def ticks_mm(self) -> tuple[float, ...]:
        """Five even figures along the scale."""
        return tuple(float(v) for v in np.linspace(self.low_mm, self.high_mm, 5))

    def colours_on(self, at: int, points_mm: np.ndarray, within_mm: float = np.inf) -> np.ndarray:
        """(n, 3) sRGB of piece `at` at (n, 3) points, by the nearest place measured; the glove's own colour at points
        further than `within_mm` from one, as on its print and its flange."""
        piece = self.pieces[at]
        # a tree that is not balanced is built faster over the even grid that the places stand on
        found = cKDTree(piece.vertices_mm, balanced_tree=False)
        away, nearest = found.query(points_mm, distance_upper_bound=within_mm, workers=2)
        beyond = ~np.isfinite(away)
        colours = thickness_colours(self.share_at(piece.map_mm[np.where(beyond, 0, nearest)]))
        colours[beyond] = rgb(GLOVE)
        return colours

    @property
    def least_mm(self) -> float:
        return min(piece.least_mm for piece in self.pieces)


def thickness_view(plan: MouldPlan, progress: Progress = SILENT) -> ThicknessView:
    """Measure the glove of a plan, once. As `measure_thickness`, it may be unfinished beyond the glove."""
    return kept(
        _views, plan.rubber, lambda: meanwhile(lambda own: _view(measure_thickness(plan, progress=own)), progress)
    )


def _view(pieces: tuple[GloveThickness, ...]) -> ThicknessView:
    areas = [_areas_mm2(piece) for piece in pieces]
    every, weight = np.concatenate([p.map_mm for p in pieces]), np.concatenate(areas)
    order = np.argsort(every, kind="stable")
    most = float(every[order][np.searchsorted(np.cumsum(weight[order]), _MOST_SHOWN * weight.sum())])
    low = float(np.floor(every.min()))
    high = low + 4.0 * round_step(max(most - low, 2.0), 4)
    bars = np.linspace(low, high, BARS + 1)
    shares = []
    for piece, area in zip(pieces, areas):
        held = np.histogram(np.clip(piece.map_mm, low, high), bars, weights=area)[0]
        shares.append(held / held.sum())
    return ThicknessView(pieces, low, high, tuple(shares))


def _areas_mm2(piece: GloveThickness) -> np.ndarray:
    """(n,) area that each vertex of the outside stands for."""
    each = np.linalg.norm(face_vectors(piece.vertices_mm, piece.faces), axis=1) / 2
    return np.bincount(piece.faces.ravel(), np.repeat(each / 3, 3), minlength=len(piece.vertices_mm))


def least_words(plan: MouldPlan) -> str:
    """'thinnest left piece 10 mm, right piece 9.9 mm; 10 mm asked'."""
    found = ", ".join(f"{piece.name} {mm(piece.least_mm)}" for piece in thickness_view(plan).pieces)
    return f"thinnest {found}; {mm(plan.rubber.skin_thickness_mm)} asked"


def thickness_picture(
    plan: MouldPlan, progress: Progress = SILENT, renderer: str = "auto", titled: bool = True
) -> Image.Image:
    """Every glove piece seen along its pull, coloured by its thickness, with the scale and the least."""
    panels, cameras = kept(_photos, plan.rubber, lambda: _photograph(plan, progress, renderer), renderer)
    view, panel = thickness_view(plan), cameras[0].width_px
    over = Overlay(np.concatenate([panels, np.broadcast_to(panels[:1, :1], (190, panels.shape[1], 3))]))
    if titled:
        over.text(48, 70, "How thick the glove is", 34, "strong")
    for at, piece in enumerate(view.pieces):
        over.text(48 + at * panel, _TALL_PX + 4, piece.name, 24, colour=SOFT_INK, anchor="lm")
    _legend(over, view, 48, _TALL_PX + 56)
    over.text(830, _TALL_PX + 68, least_words(plan).capitalize(), 24, colour=SOFT_INK, anchor="lm")
    return over.finished()


def _legend(over: Overlay, view: ThicknessView, x: float, y: float, width: float = 640) -> None:
    over.ramp(x, y, width, 24, thickness_colours(np.linspace(0, 1, 256)))
    for k, tick in enumerate(view.ticks_mm()):
        at = x + width * k / 4
        over.line(np.array([[at, y + 24], [at, y + 31]]), SOFT_INK, 1.4)
        words = f"{tick:.3g}" + (" mm and more" if k == 4 else "")
        over.text(at, y + 38, words, 24, colour=INK, anchor="la" if k == 0 else "ma")


def _photograph(plan: MouldPlan, progress: Progress, renderer: str) -> tuple[np.ndarray, list[Camera]]:
    gloves = mould_bodies(plan, progress).gloves
    view = thickness_view(plan, progress)
    shown = []
    for at, glove in enumerate(gloves):
        colours = view.colours_on(at, glove.vertices_mm)
        body = replace(glove, colours=colours)
        way = -plan.rubber.envelopes[at].frame.pull
        camera = look(way, glove.vertices_mm, _WIDE_PX // len(gloves), _TALL_PX, parallel=True, margin=0.09)
        baked = meanwhile(partial(set_up, [body], ground_mm=None), progress)
        shown.append((photograph(baked, camera, floor=False, renderer=renderer), camera))
    return np.concatenate([picture for picture, _ in shown], axis=1), [camera for _, camera in shown]
