"""Gloves of analytic shape, made without the rubber stage, for tests of the stages after it."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from mouldloft.base.intervals import Interval
from mouldloft.geometry.frame import pull_frame
from mouldloft.stages.rubber.record import Envelope, Rubber, RubberParts

SKIN_MM = 10.0
FLANGE_WIDTH_MM = 60.0
FLANGE_THICKNESS_MM = 12.0


def envelope_of(
    outside: Callable[[np.ndarray, np.ndarray], np.ndarray],
    half_width_mm: float,
    half_height_mm: float | None = None,
    *,
    pull=(0.0, 0.0, 1.0),
    pixel_mm: float = 2.0,
    piece: int = 0,
    name: str = "upper piece",
    skin_mm: float = SKIN_MM,
    flange_width_mm: float = FLANGE_WIDTH_MM,
    open_below_mm: float | None = None,
) -> Envelope:
    """Envelope whose body has the height `outside(x, y)` (NaN where there is no body) over a flat parting at
    0.

    A flange goes round the body's outline, none below y = open_below_mm (an open base).
    """
    from scipy import ndimage

    half_height_mm = half_height_mm or half_width_mm
    margin = flange_width_mm + 4 * pixel_mm
    nx, ny = (int(np.ceil((h + margin) / pixel_mm)) for h in (half_width_mm, half_height_mm))
    x = pixel_mm * (np.arange(-nx, nx) + 0.5)
    y = pixel_mm * (np.arange(-ny, ny) + 0.5)
    gx, gy = np.meshgrid(x, y)
    body = outside(gx, gy)
    is_body = np.isfinite(body)
    distance = ndimage.distance_transform_edt(~is_body) * pixel_mm
    flange = ~is_body & (distance <= flange_width_mm)
    body = np.maximum(body, FLANGE_THICKNESS_MM)  # the flange runs up to the body, not under it
    outer = np.where(is_body, body, np.where(flange, FLANGE_THICKNESS_MM, np.nan))
    open_base = np.zeros_like(is_body)
    if open_below_mm is not None:
        open_base = gy < open_below_mm
        outer = np.where(open_base, np.nan, outer)
        flange &= ~open_base
    return Envelope(
        piece=piece,
        name=name,
        frame=pull_frame(np.array(pull, float)),
        origin_mm=(float(x[0]), float(y[0])),
        pixel_mm=pixel_mm,
        parting_mm=np.zeros_like(outer, np.float32),
        filled_mm=np.where(is_body, outer - skin_mm, np.nan).astype(np.float32),
        outer_mm=outer.astype(np.float32),
        flange=flange,
        open_base=open_base,
    )


def dome(radius_mm: float, draft_deg: float = 3.0, **options) -> Envelope:
    """Half a ball, its steep foot drawn out to the draft so that the outside is a height map a tool can
    leave.
    """
    draft = np.radians(draft_deg)
    touch_r, touch_z = radius_mm * np.cos(draft), radius_mm * np.sin(draft)
    foot_r = touch_r + touch_z * np.tan(draft)

    def outside(x, y):
        r = np.hypot(x, y)
        ball = np.sqrt(np.maximum(radius_mm**2 - r**2, 0.0))
        skirt = touch_z - (r - touch_r) / np.tan(draft)
        return np.where(r <= touch_r, ball, np.where(r <= foot_r, skirt, np.nan))

    return envelope_of(outside, foot_r, **options)


def box(length_mm: float, width_mm: float, height_mm: float, draft_deg: float = 10.0, **options) -> Envelope:
    """A truncated pyramid: flat top of `length_mm` (x) by `width_mm` (y), four sides at the draft."""
    cot = 1.0 / np.tan(np.radians(draft_deg))

    def outside(x, y):
        beyond = np.maximum(np.maximum(np.abs(x) - length_mm / 2, np.abs(y) - width_mm / 2), 0.0)
        height = height_mm - beyond * cot
        return np.where(height > 0, height, np.nan)

    run = height_mm / cot
    return envelope_of(outside, length_mm / 2 + run, width_mm / 2 + run, **options)


def half_torus(ring_mm: float, tube_mm: float, **options) -> Envelope:
    """The upper half of a torus whose hole is drafted by its own shape; the hole is flange."""

    def outside(x, y):
        off = np.hypot(x, y) - ring_mm
        return np.where(np.abs(off) < tube_mm, np.sqrt(np.maximum(tube_mm**2 - off**2, 0.0)), np.nan)

    return envelope_of(outside, ring_mm + tube_mm, **options)


def rubber_of(*envelopes: Envelope, skin_mm: float = SKIN_MM) -> Rubber:
    """A rubber record round envelopes; volumes are column sums."""
    parts, volumes = [], []
    for e in envelopes:
        below = np.where(e.flange, e.parting_mm, np.where(np.isfinite(e.filled_mm), e.filled_mm, e.parting_mm))
        volume = float(np.nansum(e.outer_mm - below)) * e.pixel_mm**2
        flange = float(np.nansum(np.where(e.flange, e.outer_mm - below, 0.0))) * e.pixel_mm**2
        parts.append(RubberParts(volume - flange, 0.0, 0.0, 0.0, flange))
        volumes.append(volume)
    total = sum(volumes)
    return Rubber(
        skin_thickness_mm=skin_mm,
        edge_thickness_mm=14.0,
        edge_band_mm=40.0,
        flange_width_mm=FLANGE_WIDTH_MM,
        flange_thickness_mm=FLANGE_THICKNESS_MM,
        thickness_reason="by the test",
        envelopes=envelopes,
        parts=tuple(parts),
        measured_volume_mm3=tuple(volumes),
        volume_mm3=Interval(total, total, total, ()),
        coats=(),
        min_thickness_mm=skin_mm,
        thickness_quantiles_mm=(skin_mm,) * 5,
    )
