"""Carving a body from a table of blended solids: the field, and its skin as a closed mesh at any triangle count."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numba import njit

ELLIPSOID, LIMB, PLINTH, DRUM = 0, 1, 2, 3
_ADD, _CUT = 0, 1
# kind, cut, blend, centre 3, rotation 9, radii 3, bend 2, coat depth, width, length, ripple depth, ripples round
_COLUMNS = 25
COAT_REACH_MM = 8.0  # no coat moves the skin further
_COAT_FADE_MM = 45.0  # a solid whose surface passes further off has no say in the coat (weight under 0.2 %)


@dataclass(frozen=True)
class Blend:
    """One blended solid of a body.

    kind : ellipsoid (radii_mm along its own axes), limb (a cone of two radii with round ends, along its own
        z), plinth, or drum (an oval with flat ends: two half-axes and half its height, along its own z).
    blend_mm : width of the fillet where it meets what stands before it in the table. cut : taken away instead of
        added. bend_mm : of an ellipsoid, how far its two ends lean off the middle, along its own x and y. flat : of a
        limb, its thickness along its own y over that along x. flare : of a drum, what its half-axes lose for each mm
        up. coat_mm : depth of the carved coat, 0 for bare skin. ripple_mm, ripples : folds round a drum, deepest at
        its lower end.
    """

    kind: int
    centre_mm: tuple[float, float, float]
    radii_mm: tuple[float, float, float]
    axes: np.ndarray = field(default_factory=lambda: np.eye(3))
    blend_mm: float = 20.0
    cut: bool = False
    bend_mm: tuple[float, float] = (0.0, 0.0)
    coat_mm: float = 0.0
    coat_width_mm: float = 26.0
    coat_length_mm: float = 90.0
    flat: float = 1.0
    flare: float = 0.0
    ease_mm: float = 8.0
    ripple_mm: float = 0.0
    ripples: int = 0


def turned(pitch_deg: float = 0.0, roll_deg: float = 0.0, yaw_deg: float = 0.0) -> np.ndarray:
    """(3, 3) rows: own axes after tipping the top to the back (pitch), to +x (roll), then turning (yaw)."""
    p, r, y = np.radians([pitch_deg, roll_deg, yaw_deg])
    tip = np.array([[1, 0, 0], [0, np.cos(p), np.sin(p)], [0, -np.sin(p), np.cos(p)]])
    lean = np.array([[np.cos(r), 0, np.sin(r)], [0, 1, 0], [-np.sin(r), 0, np.cos(r)]])
    turn = np.array([[np.cos(y), -np.sin(y), 0], [np.sin(y), np.cos(y), 0], [0, 0, 1]])
    return (turn @ lean @ tip).T


def ball(centre, radii, *, pitch=0.0, roll=0.0, yaw=0.0, **options) -> Blend:
    """An ellipsoid, turned."""
    return Blend(ELLIPSOID, centre, radii, turned(pitch, roll, yaw), **options)


def drum(centre, radii, *, pitch=0.0, roll=0.0, yaw=0.0, **options) -> Blend:
    """An oval with flat ends, turned."""
    return Blend(DRUM, centre, radii, turned(pitch, roll, yaw), **options)


def limb(start, end, start_radius, end_radius, **options) -> Blend:
    """A tapered limb; its own z runs from start to end, which is also the way its coat lies."""
    a, b = np.asarray(start, float), np.asarray(end, float)
    along = (b - a) / np.linalg.norm(b - a)
    aside = np.cross([1.0, 0.0, 0.0], along)
    aside /= np.linalg.norm(aside)
    axes = np.stack([np.cross(aside, along), aside, along])
    radii = (start_radius, end_radius, float(np.linalg.norm(b - a)))
    return Blend(LIMB, (float(a[0]), float(a[1]), float(a[2])), radii, axes, **options)


def both(make: Callable[[float], Blend]) -> list[Blend]:
    """A solid on the left (+x) and its mirror on the right: `make(side)` with side +1 and -1."""
    return [make(1.0), make(-1.0)]


def chain(
    points, radii, *, steps: int = 3, root_mm: float = 20.0, blend_mm: float = 2.5, **options: Any
) -> list[Blend]:
    """Limbs end to end along a smooth curve through (k, 3) points, k > 2, with a radius at each.

    The root blends into the body by `root_mm`.
    """
    from scipy.interpolate import CubicSpline

    at = np.asarray(points, float)
    run = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(at, axis=0), axis=1))])
    t = np.concatenate(
        [np.linspace(run[k], run[k + 1], steps, endpoint=False) for k in range(len(run) - 1)] + [run[-1:]]
    )
    curve = CubicSpline(run, at)(t) if len(at) > 2 else np.column_stack([np.interp(t, run, at[:, k]) for k in range(3)])
    radius = np.interp(t, run, np.asarray(radii, float))
    return [
        limb(curve[k], curve[k + 1], radius[k], radius[k + 1], blend_mm=root_mm if k == 0 else blend_mm, **options)
        for k in range(len(t) - 1)
    ]


def turn_about(solids: Sequence[Blend], pivot, *, pitch=0.0, roll=0.0, yaw=0.0) -> list[Blend]:
    """The solids turned about a point."""
    turn, pivot = turned(pitch, roll, yaw).T, np.asarray(pivot, float)
    out = []
    for solid in solids:
        x, y, z = (float(v) for v in turn @ (np.array(solid.centre_mm) - pivot) + pivot)
        out.append(replace(solid, centre_mm=(x, y, z), axes=solid.axes @ turn.T))
    return out


def table_of(solids: Sequence[Blend]) -> np.ndarray:
    """(k, _COLUMNS) float64, one row a solid."""
    rows = np.zeros((len(solids), _COLUMNS))
    for row, s in zip(rows, solids):
        row[:3] = s.kind, _CUT if s.cut else _ADD, s.blend_mm
        row[3:6], row[6:15], row[15:18] = s.centre_mm, np.asarray(s.axes).ravel(), s.radii_mm
        row[18:20] = (s.flat, 0.0) if s.kind == LIMB else (s.flare, s.ease_mm) if s.kind == DRUM else s.bend_mm
        row[20:23] = s.coat_mm, s.coat_width_mm, s.coat_length_mm
        row[23:25] = s.ripple_mm, s.ripples
    return rows


@njit(cache=True, nogil=True, inline="always")
def local_of_row(row, x, y, z):
    dx, dy, dz = x - row[3], y - row[4], z - row[5]
    a = row[6] * dx + row[7] * dy + row[8] * dz
    b = row[9] * dx + row[10] * dy + row[11] * dz
    c = row[12] * dx + row[13] * dy + row[14] * dz
    if row[0] == ELLIPSOID:
        t = min((c / row[17]) ** 2, 2.0)
        a -= row[18] * t
        b -= row[19] * t
    return a, b, c


@njit(cache=True, nogil=True)
def _limb_distance(row, a, b, c):
    """Of a limb, exact where it is round; of a flat one, of first order."""
    r1, r2, h, flat = row[15], row[16], row[17], row[18]
    b = b / flat
    out = np.sqrt(a * a + b * b)
    slope = (r1 - r2) / h
    level = np.sqrt(1.0 - slope * slope)
    along = -slope * out + level * c
    if along < 0.0:
        far = np.sqrt(out * out + c * c)
        d, across = far - r1, out / max(far, 1e-9)
    elif along > level * h:
        far = np.sqrt(out * out + (c - h) ** 2)
        d, across = far - r2, out / max(far, 1e-9)
    else:
        d, across = out * level + c * slope - r1, level
    if flat == 1.0 or out < 1e-9:
        return d
    sideways = (across * b / out) ** 2
    return d / np.sqrt(1.0 + sideways * (1.0 / (flat * flat) - 1.0))


@njit(cache=True, nogil=True)
def distance(row, a, b, c):
    """About the signed distance: exact for round limbs, first order for the others."""
    if row[0] == ELLIPSOID:
        p, q, r = a / row[15], b / row[16], c / row[17]
        k0 = np.sqrt(p * p + q * q + r * r)
        k1 = np.sqrt((p / row[15]) ** 2 + (q / row[16]) ** 2 + (r / row[17]) ** 2)
        if k1 < 1e-9:
            return -min(row[15], row[16], row[17])
        return k0 * (k0 - 1.0) / k1
    if row[0] == LIMB:
        return _limb_distance(row, a, b, c)
    k0 = np.sqrt((a / row[15]) ** 2 + (b / row[16]) ** 2)
    k1 = np.sqrt((a / row[15] ** 2) ** 2 + (b / row[16] ** 2) ** 2)
    side = k0 * (k0 - 1.0) / k1 if k1 > 1e-9 else -row[15]
    if row[0] == DRUM:
        side += row[18] * c
        if row[23] > 0.0:
            low = min(max(0.5 - 0.5 * c / row[17], 0.0), 1.0)
            turn = np.arctan2(b / row[16], a / row[15])
            side -= row[23] * low * (np.cos(row[24] * turn) + 0.35 * np.cos((2.0 * row[24] + 1.0) * turn + 1.0))
        end, ease = abs(c) - row[17], row[19]
    else:
        # plinth: an oval with drafted sides and an eased top edge; it runs on below the ground
        side += 0.18 * max(c, 0.0)
        end, ease = c - row[17], 14.0
    u, v = max(side + ease, 0.0), max(end + ease, 0.0)
    return min(max(side, end) + ease, 0.0) + np.sqrt(u * u + v * v) - ease


@njit(cache=True, nogil=True, inline="always")
def _hash(i, j, k):
    """Integer lattice noise in -1 .. 1, the same on every machine."""
    h = np.uint32(i) * np.uint32(0x8DA6B343)
    h ^= np.uint32(j) * np.uint32(0xD8163841)
    h ^= np.uint32(k) * np.uint32(0xCB1AB31F)
    h ^= h >> np.uint32(15)
    h = np.uint32(h * np.uint32(0x2C1B3C6D))
    h ^= h >> np.uint32(12)
    h = np.uint32(h * np.uint32(0x297A2D39))
    h ^= h >> np.uint32(15)
    return float(h) / 2147483647.5 - 1.0


@njit(cache=True, nogil=True)
def _noise(x, y, z):
    """Smooth lattice noise in -1 .. 1."""
    i, j, k = int(np.floor(x)), int(np.floor(y)), int(np.floor(z))
    u, v, w = x - i, y - j, z - k
    u, v, w = u * u * (3 - 2 * u), v * v * (3 - 2 * v), w * w * (3 - 2 * w)
    out = 0.0
    for di in range(2):
        for dj in range(2):
            for dk in range(2):
                weight = (u if di else 1 - u) * (v if dj else 1 - v) * (w if dk else 1 - w)
                out += weight * _hash(i + di, j + dj, k + dk)
    return out


@njit(cache=True, nogil=True)
def _coat(row, a, b, c, least_mm):
    """How far the skin is carved in (negative) or stands out, mm: tufts along the solid's own z with grooves.

    Strands finer than `least_mm` are left out: the mesh could not carry them.
    """
    depth, width, length = row[20], row[21], row[22]
    if depth <= 0.0:
        return 0.0
    bow = 0.7 * _noise(a / (3.0 * width), b / (3.0 * width), c / length)
    p, q = a / width + bow, b / width - bow
    groove = _noise(p, q, c / length)
    ridge = 1.0 - min(abs(groove) * 2.4, 1.0)  # narrow grooves where the noise changes sign
    start = c / length + 0.9 * _noise(0.8 * p + 17.0, 0.8 * q, 0.3 * c / length)
    tuft = start - np.floor(start)
    tuft = tuft * (1.0 - tuft**6) * 1.25  # swells along the lie of the coat, then drops to the next
    out = depth * (0.75 * tuft - 0.9 * ridge * ridge)
    if width * 0.4 > least_mm:
        out += 0.28 * depth * _noise(2.7 * p + 5.0, 2.7 * q, 1.6 * c / length)
    return out


@njit(cache=True, nogil=True, inline="always")
def _onto_skin(row, a, b, c, d):
    """The point moved to the solid's own surface, so that a coat is the same all along a ray through the skin."""
    if row[0] == ELLIPSOID:
        k0 = np.sqrt((a / row[15]) ** 2 + (b / row[16]) ** 2 + (c / row[17]) ** 2)
        scale = 1.0 / max(k0, 0.3)
        return a * scale, b * scale, c * scale
    out = np.sqrt(a * a + b * b)
    scale = (out - d) / max(out, 0.3 * row[15])
    return a * scale, b * scale, c


@njit(cache=True, nogil=True)
def field_at(rows, x, y, z, coat_share, coat_within_mm, least_mm, scratch):
    """The body's field at a point: negative inside, about a distance near the skin.

    scratch : (k, 4) float64, overwritten. The coat is worked out only where the bare body is within
    `coat_within_mm`.
    """
    value = 1e9
    count = rows.shape[0]
    for k in range(count):
        row = rows[k]
        a, b, c = local_of_row(row, x, y, z)
        d = distance(row, a, b, c)
        scratch[k, 0], scratch[k, 1], scratch[k, 2], scratch[k, 3] = a, b, c, d
        blend = row[2]
        if row[1] == _CUT:
            h = max(blend - abs(value + d), 0.0)
            value = max(value, -d) + 0.25 * h * h / blend
        else:
            h = max(blend - abs(value - d), 0.0)
            value = min(value, d) - 0.25 * h * h / blend
    if coat_share <= 0.0 or abs(value) > coat_within_mm:
        return value
    total, moved = 0.0, 0.0
    for k in range(count):
        row = rows[k]
        a, b, c, d = scratch[k, 0], scratch[k, 1], scratch[k, 2], scratch[k, 3]
        # whose skin is it: the solid whose own surface passes nearest
        apart = abs((-d if row[1] == _CUT else d) - value)
        if apart < _COAT_FADE_MM:
            weight = np.exp(-apart / 7.0)
            total += weight
            if row[20] > 0.0:
                a, b, c = _onto_skin(row, a, b, c, d)
                moved += weight * _coat(row, a, b, c, least_mm)
    # a little bare skin: in deep fillets, where no solid's own surface is near, the coat runs out
    return value - coat_share * 1.02 * moved / (total + 0.02)
