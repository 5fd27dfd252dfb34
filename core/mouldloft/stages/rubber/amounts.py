"""How sure the rubber's volume is, and the areas of flanges, handled edges and wall."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from ...base.intervals import CARVING, Interval, interval_of
from ...geometry.contour import face_centres
from ...geometry.rays import RayScene, inside_body
from ...inputs.brief import Brief
from ...trade.section import JointSection
from ...trade.thickness import ThicknessRule
from ..master import Master, skin_faces
from .flanges import STEEPEST, lean_of
from .record import Envelope, Rubber, RubberParts

_CLAIM_SAMPLES = 60_000  # columns a piece
_CLAIM_LAYERS = 4  # places in each


def less_held_before(
    parts: Sequence[RubberParts], envelopes: Sequence[Envelope], master: Master, scene: RayScene
) -> tuple[RubberParts, ...]:
    """The pieces' rubber less what those made before hold of it, each from the cause it was counted under; both in the
    order the pieces are made.

    Each outside is a height map, and where skin lies one layer under another, or three flanges meet, two may claim the
    same place: it belongs to the first. Of two pieces none: they share one parting surface.
    """
    if len(envelopes) <= 2:
        return tuple(parts)
    left = []
    for at, (part, envelope) in enumerate(zip(parts, envelopes, strict=True)):
        flange, fill, skin = _held_mm3(envelope, envelopes[:at], master, scene)
        left.append(
            replace(
                part,
                flange_mm3=part.flange_mm3 - flange,
                lock_fill_mm3=part.lock_fill_mm3 - fill,
                skin_mm3=part.skin_mm3 - skin,
            )
        )
    return tuple(left)


def _held_mm3(
    envelope: Envelope, before: Sequence[Envelope], master: Master, scene: RayScene
) -> tuple[float, float, float]:
    """Of a piece's flange, its undercut fill and the rest, mm³ that others hold: at even places in its columns."""
    i, j = np.nonzero(np.isfinite(envelope.outer_mm))
    step = max(len(i) // _CLAIM_SAMPLES, 1)
    i, j = i[::step], j[::step]
    low = envelope.parting_mm[i, j]
    if envelope.bead_mm is not None:
        low = low - np.minimum(envelope.bead_mm[i, j], 0.0)  # a dome stands in another's hollow
    thick = np.maximum(envelope.outer_mm[i, j] - low, 0.0)
    x, y = (o + n * envelope.pixel_mm for o, n in zip(envelope.origin_mm, (j, i)))
    held = np.zeros(3)
    for layer in range(_CLAIM_LAYERS if before else 0):
        share = (layer + np.mod(0.5 + 0.6180339887498949 * np.arange(len(i)), 1.0)) / _CLAIM_LAYERS
        height = low + thick * share
        points = envelope.frame.to_master(np.column_stack([x, y, height]))
        found = np.any([columns_hold(e, points) for e in before], axis=0) & (points[:, 2] > _least_mm(master))
        found[found] = ~inside_body(scene, master.normals, points[found])
        with np.errstate(invalid="ignore"):
            cause = np.where(envelope.flange[i, j], 0, np.where(height < envelope.filled_mm[i, j], 1, 2))
        held += np.bincount(cause[found], thick[found].astype(float), minlength=3)
    flange, fill, skin = held * (step * envelope.pixel_mm**2 / _CLAIM_LAYERS)
    return float(flange), float(fill), float(skin)


def _least_mm(master: Master) -> float:
    """Nothing stands under the board of an open base."""
    return 0.0 if master.base == "open" and master.base_faces.any() else -np.inf


def bare_mm3(
    master: Master, envelopes: Sequence[Envelope], rule: ThicknessRule, scene: RayScene
) -> tuple[tuple[str, float], ...]:
    """Skin that no piece reaches, as the rubber it wants, mm³: a cause of the interval."""
    skin = np.flatnonzero(skin_faces(master))
    over = face_centres(master.vertices_mm, master.faces[skin]) + rule.skin_mm / 2 * master.normals[skin]
    bare = ~np.any([columns_hold(e, over) for e in envelopes], axis=0) & ~inside_body(scene, master.normals, over)
    return (
        ("skin by the joints that no piece reaches", float(master.face_areas_mm2[skin[bare]].sum()) * rule.skin_mm),
    )


def columns_hold(envelope: Envelope, points_mm: np.ndarray) -> np.ndarray:
    """(k,) bool: which (k, 3) plan points lie in a piece's columns."""
    at = envelope.frame.to_frame(points_mm)
    rows, columns = envelope.outer_mm.shape
    fx, fy = ((at[:, k] - envelope.origin_mm[k]) / envelope.pixel_mm for k in (0, 1))
    i, j = np.clip(np.rint(fy), 0, rows - 1).astype(int), np.clip(np.rint(fx), 0, columns - 1).astype(int)
    inside = (fx > -0.5) & (fy > -0.5) & (fx < columns - 0.5) & (fy < rows - 0.5)
    with np.errstate(invalid="ignore"):
        return np.asarray(inside & (at[:, 2] > envelope.parting_mm[i, j]) & (at[:, 2] < envelope.outer_mm[i, j]))


def rubber_interval(
    master: Master,
    brief: Brief,
    skin_mm3: float,
    fine_mm3: float,
    coarse_mm3: float,
    claims: tuple[tuple[str, float], ...] = (),
) -> Interval:
    """Rubber with what may move it, each cause by its share."""
    likely = fine_mm3 + (master.detail_allowance - 1.0) * skin_mm3
    share = skin_mm3 / max(likely, 1e-9)
    causes = (
        ("lattice resolution", abs(fine_mm3 - coarse_mm3) / max(fine_mm3, 1e-9)),
        (CARVING, master.detail_allowance_uncertainty * share),
        ("brushing by hand", brief.rubber.brushing_variation * share),
        *((name, volume / max(likely, 1e-9)) for name, volume in claims),
    )
    return interval_of(likely, causes)


def wall_face_mm2(envelope: Envelope, section: JointSection) -> float:
    """Wall under a piece's rubber, by the thickness that lies on it: of its bevel half."""
    thick = np.where(envelope.flange, envelope.outer_mm - envelope.parting_mm, 0.0)
    lean = np.hypot(1.0, lean_of(np.nan_to_num(envelope.parting_mm), envelope.pixel_mm))
    share = np.clip(np.nan_to_num(thick) / lean / section.rubber_flange_thickness_mm, 0.0, 1.0)
    return float((share * lean).sum(dtype=float)) * envelope.pixel_mm**2


def flange_areas_mm2(rubber: Rubber) -> tuple[float, ...]:
    """Area of each piece's flange on its parting surface, as it leans from square across the pull."""
    found = []
    for envelope in rubber.envelopes:
        slope = np.hypot(*np.gradient(envelope.parting_mm.astype(float), envelope.pixel_mm))
        lean = np.hypot(1.0, np.minimum(np.nan_to_num(slope), STEEPEST))
        found.append(float(lean[envelope.flange].sum()) * envelope.pixel_mm**2)
    return tuple(found)


def wall_areas_mm2(rubber: Rubber) -> tuple[float, ...]:
    """Wall to build before each piece is brushed: of two all of it for the first. Of more every joint's wall once, so
    half of all flanges, by the pieces' own flanges; the last finds its neighbours' standing."""
    areas = flange_areas_mm2(rubber)
    if len(areas) <= 2:
        return (areas[0], *(0.0 for _ in areas[1:]))
    whole, first = sum(areas) / 2, max(sum(areas[:-1]), 1e-9)
    return (*(whole * area / first for area in areas[:-1]), 0.0)


def handled_edges_mm2(rubber: Rubber) -> tuple[float, ...]:
    """Area of every piece's handled edges, that hands pull at: the flange, and the band along it that is as thick as
    the edge."""
    wide = 1.0 + rubber.edge_band_mm / max(rubber.flange_width_mm, 1e-9)
    return tuple(area * wide for area in flange_areas_mm2(rubber))
