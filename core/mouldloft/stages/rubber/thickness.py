"""How thick the rubber is wanted over each place of the skin, and how thick it came out."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.spatial import cKDTree

from ...geometry.closest import closest_on_faces
from ...geometry.frame import PullFrame
from ...geometry.sampling import samples_on_every_face
from ...inputs.brief import RubberBrief
from ...trade.thickness import ThicknessRule
from ..master import Master, skin_faces
from ..seam import Seam
from .record import Envelope

_NEAREST = 6
FADE = 0.5  # of the handling band: past it the edge's thickness goes smoothly down to the skin's (common practice)


def _smooth_step(x: np.ndarray) -> np.ndarray:
    x = np.clip(x, 0.0, 1.0)
    return x * x * (3 - 2 * x)


def edge_share(above_parting: np.ndarray, band_mm: float) -> np.ndarray:
    """1 all over the handling band, then smoothly to 0 over another half of it."""
    if band_mm <= 0:
        return np.zeros(len(above_parting))
    return 1.0 - _smooth_step((above_parting - band_mm) / (FADE * band_mm))


def wanted_thickness_mm(
    points: np.ndarray,
    above_parting: np.ndarray,
    rule: ThicknessRule,
    frame: PullFrame,
    places_mm: Sequence[Sequence[float]],
    brief: RubberBrief,
) -> np.ndarray:
    """(k,) thickness over each surface point (frame coordinates): skin, edge over the whole handling band and
    close to the given places, and a smooth way between."""
    extra = rule.edge_mm - rule.skin_mm
    share = edge_share(above_parting, rule.band_mm)
    for place in places_mm:
        away = np.linalg.norm(points - frame.to_frame(np.asarray(place, float)[None])[0], axis=1)
        share = np.maximum(share, 1.0 - _smooth_step((away / brief.handling_radius_mm - 0.5) * 2))
    return rule.skin_mm + extra * share


def true_thickness_mm(master: Master, seam: Seam, envelope: Envelope, rule: ThicknessRule) -> np.ndarray:
    """Sampled true thickness (mm): from the glove's outside to the nearest point of the piece's own skin, in 3-D."""
    body = np.isfinite(envelope.outer_mm) & ~envelope.flange & ~envelope.open_base
    i, j = np.nonzero(body)
    step = max(len(i) // 30_000, 1)
    i, j = i[::step], j[::step]
    x = envelope.origin_mm[0] + j * envelope.pixel_mm
    y = envelope.origin_mm[1] + i * envelope.pixel_mm
    points = envelope.frame.to_master(np.column_stack([x, y, envelope.outer_mm[i, j]]))
    mine = np.flatnonzero((seam.labels == envelope.piece) & skin_faces(master))
    faces = master.faces[mine]
    taken = samples_on_every_face(master.vertices_mm, faces, master.face_areas_mm2[mine], 2.5 * rule.skin_mm)
    return closest_on_faces(points, master.vertices_mm, faces, cKDTree(taken.points_mm), taken.faces, _NEAREST)[2]
