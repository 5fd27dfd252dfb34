"""One key: a sheared cone frustum with a blended root, and what it adds to the glove's outside."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

import numpy as np

from ...base.errors import BriefRefused
from ...inputs.brief import KeysBrief
from ..rubber import Envelope, covered
from .record import Key, _blend_run_mm, _side_run_mm
from .wedges import wedge_bump_mm

# Common practice: the root is blended so that the rubber does not tear there and the jacket's mat lies in.
BLEND_OF_HEIGHT = 0.25


def shape_key(
    name: str,
    piece: int,
    where: str,
    foot_mm: Sequence[float],
    brief: KeysBrief,
    scale: float = 1.0,
    own: bool = False,
) -> Key:
    """A key of the brief's shape (times `scale`) at a foot in plan coordinates.

    Raises `BriefRefused` where the taper leaves no top.
    """
    height = brief.height_mm * scale
    base = brief.base_diameter_mm * scale
    top = base - 2.0 * height * float(np.tan(np.radians(brief.taper_deg)))
    if top <= 0:
        raise BriefRefused(
            f"A key {brief.base_diameter_mm:g} mm wide and {brief.height_mm:g} mm high runs to a point at "
            f"{brief.taper_deg:g} degrees; make it wider, lower or less tapered."
        )
    x, y, z = (float(v) for v in foot_mm)
    key = Key(name, piece, where, (x, y, z), base, top, height, 0.0, BLEND_OF_HEIGHT * height, own)
    return replace(key, volume_mm3=key_volume_mm3(key))


def key_profile_mm(key: Key, radius_mm: np.ndarray) -> np.ndarray:
    """Height of the key over the glove's outside at distances from its axis: flat top, cone side, round
    root.
    """
    r = np.asarray(radius_mm, float)
    base, run = key.base_diameter_mm / 2.0, _side_run_mm(key)
    height = np.clip((base - r) * key.height_mm / run, 0.0, key.height_mm)
    if key.blend_mm > 0:
        touch = _blend_run_mm(key)
        side = np.hypot(run, key.height_mm)
        start, end = base - touch * run / side, base + touch
        inside = np.maximum(key.blend_mm**2 - (end - r) ** 2, 0.0)
        height = np.where((r > start) & (r < end), key.blend_mm - np.sqrt(inside), height)
    return height


def key_volume_mm3(key: Key) -> float:
    """Volume of the frustum and its blend, exact. A slope under the key shears it and leaves the volume as
    it is.
    """
    base, top, height = key.base_diameter_mm / 2.0, key.top_diameter_mm / 2.0, key.height_mm
    run = _side_run_mm(key)
    rho = key.blend_mm
    touch = _blend_run_mm(key)
    blend_top = touch * height / np.hypot(run, height)
    at_blend = base - run * blend_top / height
    cone = np.pi / 3.0 * (height - blend_top) * (at_blend**2 + at_blend * top + top**2)
    if rho <= 0:
        return float(cone)
    # discs of radius c - sqrt(rho² - u²), u = rho - z, for z from 0 to blend_top
    c = base + touch

    def integral(u: float) -> float:
        half_chord = u * np.sqrt(max(rho**2 - u**2, 0.0)) + rho**2 * np.arcsin(np.clip(u / rho, -1.0, 1.0))
        return (c**2 + rho**2) * u - u**3 / 3.0 - c * half_chord

    return float(cone + np.pi * (integral(rho) - integral(rho - blend_top)))


def key_bumps(envelope: Envelope, keys: Iterable[Key]) -> np.ndarray:
    """(rows, columns) float32, height that the piece's keys add to `envelope.outer_mm`; 0 elsewhere.

    Where keys overlap the higher counts. Nothing is added where there is no rubber.
    """
    bumps = np.zeros(envelope.outer_mm.shape, np.float32)
    rows, columns = envelope.outer_mm.shape
    x0, y0 = envelope.origin_mm
    p = envelope.pixel_mm
    for key in keys:
        if key.piece != envelope.piece:
            continue
        if key.is_wedge:
            part, wedge = wedge_bump_mm(key, envelope)
            np.maximum(bumps[part], wedge.astype(np.float32), out=bumps[part])
            continue
        x, y = _across(envelope, key.foot_mm)
        reach = key.reach_mm
        j_low, j_high = max(int(np.floor((x - reach - x0) / p)), 0), int(np.ceil((x + reach - x0) / p)) + 1
        i_low, i_high = max(int(np.floor((y - reach - y0) / p)), 0), int(np.ceil((y + reach - y0) / p)) + 1
        if j_high <= 0 or i_high <= 0 or j_low >= columns or i_low >= rows:
            continue
        window = (slice(i_low, min(i_high, rows)), slice(j_low, min(j_high, columns)))
        dy = y0 + p * np.arange(window[0].start, window[0].stop) - y
        dx = x0 + p * np.arange(window[1].start, window[1].stop) - x
        bump = key_profile_mm(key, np.hypot(dx[None, :], dy[:, None]))
        np.maximum(bumps[window], bump.astype(np.float32), out=bumps[window])
    bumps[~covered(envelope)] = 0.0
    return bumps


def _across(envelope: Envelope, point_mm: Sequence[float] | np.ndarray) -> tuple[float, float]:
    point = envelope.frame.to_frame(np.asarray(point_mm, float)[None])[0]
    return float(point[0]), float(point[1])
