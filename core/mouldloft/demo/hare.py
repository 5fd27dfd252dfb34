"""The demo piece: a seated hare, 1.4 m tall, carved in numbers, at any triangle count.

The body is a table of blended solids (bent ellipsoids, tapered limbs, a low plinth) under a carved coat. All
its shapes and sizes are invented for the demo.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numba import njit, prange

from ..base.errors import BriefRefused
from ..base.files import make_folder, write_text, write_whole
from ..base.progress import SILENT, Progress
from ..geometry.edges import edges_of
from ..geometry.selfcrossings import find_self_crossings

FINISHED_HEIGHT_MM = 1400.0
MOST_TRIANGLES = 6_000_000

_ELLIPSOID, _LIMB, _PLINTH = 0, 1, 2
_ADD, _CUT = 0, 1
_PLINTH_AT, _PLINTH_SIZE = (0.0, -10.0, 0.0), (278.0, 405.0, 44.0)  # middle; half-axes and height
_COLUMNS = 23  # kind, cut, blend, centre 3, rotation 9, radii 3, bend 2, coat depth, width, length
_COARSE = 4  # fine nodes to one coarse node inside a block
_BLOCK = 48  # fine cells along a block's edge; a multiple of _COARSE
_COAT_REACH_MM = 8.0  # no coat moves the skin further
_COAT_FADE_MM = 45.0  # a solid whose surface passes further off has no say in the coat (weight under 0.2 %)
# marching cubes gives about 2.77 triangles to a square pitch of skin; the hare has some 2.46 m2 of it
_TRIANGLES_TO_PITCH2 = 2.77 * 2.46e6


@dataclass(frozen=True)
class Blend:
    """One blended solid of the body.

    kind : ellipsoid (radii_mm along its own axes), limb (a cone of two radii with round ends, along its own
        z) or plinth. blend_mm : width of the fillet where it meets what stands before it in the table.
        cut : taken away instead of added. bend_mm : how far its two ends lean off the middle, along its own x
        and y. coat_mm : depth of the carved coat, 0 for bare skin.
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


def _turned(pitch_deg: float = 0.0, roll_deg: float = 0.0, yaw_deg: float = 0.0) -> np.ndarray:
    """(3, 3) rows: own axes after tipping the top to the back (pitch), to +x (roll), then turning (yaw)."""
    p, r, y = np.radians([pitch_deg, roll_deg, yaw_deg])
    tip = np.array([[1, 0, 0], [0, np.cos(p), np.sin(p)], [0, -np.sin(p), np.cos(p)]])
    lean = np.array([[np.cos(r), 0, np.sin(r)], [0, 1, 0], [-np.sin(r), 0, np.cos(r)]])
    turn = np.array([[np.cos(y), -np.sin(y), 0], [np.sin(y), np.cos(y), 0], [0, 0, 1]])
    return (turn @ lean @ tip).T


def _ball(centre, radii, *, pitch=0.0, roll=0.0, yaw=0.0, **options) -> Blend:
    return Blend(_ELLIPSOID, centre, radii, _turned(pitch, roll, yaw), **options)


def _limb(start, end, start_radius, end_radius, **options) -> Blend:
    """A tapered limb; its own z runs from start to end, which is also the way its coat lies."""
    a, b = np.asarray(start, float), np.asarray(end, float)
    along = (b - a) / np.linalg.norm(b - a)
    aside = np.cross([1.0, 0.0, 0.0], along)
    aside /= np.linalg.norm(aside)
    axes = np.stack([np.cross(aside, along), aside, along])
    radii = (start_radius, end_radius, float(np.linalg.norm(b - a)))
    return Blend(_LIMB, (float(a[0]), float(a[1]), float(a[2])), radii, axes, **options)


def _both(make) -> list[Blend]:
    """A solid on the left (+x) and its mirror on the right: `make(side)` with side +1 and -1."""
    return [make(1.0), make(-1.0)]


def _turn_about(solids: list[Blend], pivot, yaw_deg: float) -> list[Blend]:
    """The solids turned about a vertical axis through the pivot."""
    turn = _turned(yaw_deg=yaw_deg).T
    out = []
    for solid in solids:
        x, y, z = (float(v) for v in turn @ (np.array(solid.centre_mm) - pivot) + pivot)
        out.append(
            Blend(
                **{
                    **solid.__dict__,
                    "centre_mm": (x, y, z),
                    "axes": solid.axes @ turn.T,
                }
            )
        )
    return out


def _trunk() -> list[Blend]:
    coat = {"coat_mm": 6.0, "coat_width_mm": 30.0, "coat_length_mm": 105.0}
    return [
        _limb((0, -80, 640), (0, 160, 330), 132, 190, blend_mm=90, **coat),  # back
        _ball((0, 70, 500), (132, 150, 255), pitch=144, blend_mm=110, **coat),  # its arch
        _ball((0, 185, 250), (150, 205, 225), pitch=200, blend_mm=70, **coat),  # rump
        _ball((0, -120, 545), (122, 118, 190), pitch=172, blend_mm=80, **coat),  # chest
        _ball((0, -55, 230), (122, 152, 250), pitch=180, blend_mm=60, **coat),  # belly
        *_both(lambda s: _ball((s * 92, -105, 560), (62, 92, 165), pitch=170, blend_mm=55, **coat)),  # shoulders
        *_both(lambda s: _ball((s * 132, 120, 250), (98, 205, 182), pitch=200, blend_mm=34, **coat)),  # haunches
        *_both(lambda s: _limb((s * 168, 235, 76), (s * 178, -185, 66), 56, 40, blend_mm=26, coat_mm=3.5)),
        *_both(lambda s: _ball((s * 180, -190, 64), (52, 62, 40), blend_mm=30, coat_mm=2.5, coat_width_mm=18)),
    ]


def _forelegs() -> list[Blend]:
    coat = {"coat_mm": 3.5, "coat_width_mm": 20.0, "coat_length_mm": 80.0}
    return [
        _ball((0, -250, 250), (36, 118, 205), cut=True, blend_mm=24),  # the gap between them
        *_both(lambda s: _limb((s * 82, -195, 420), (s * 84, -205, 40), 30, 38, blend_mm=40, **coat)),  # web
        *_both(lambda s: _limb((s * 84, -180, 520), (s * 76, -256, 270), 66, 45, blend_mm=50, **coat)),
        *_both(lambda s: _limb((s * 76, -256, 270), (s * 76, -268, 80), 45, 39, blend_mm=20, **coat)),
        *_both(lambda s: _ball((s * 78, -298, 70), (47, 72, 37), blend_mm=22, coat_mm=2.5, coat_width_mm=18)),
    ]


def _head() -> list[Blend]:
    coat = {"coat_mm": 2.6, "coat_width_mm": 17.0, "coat_length_mm": 60.0}
    back = {"pitch": 80.0, **coat}  # coat lies from the nose to the nape
    return [
        _ball((0, -262, 912), (86, 98, 138), blend_mm=55, **back),
        _ball((0, -368, 880), (57, 66, 98), blend_mm=50, **back),
        *_both(lambda s: _ball((s * 46, -292, 862), (46, 54, 74), blend_mm=36, **back)),  # cheeks
        _ball((0, -352, 828), (38, 30, 62), blend_mm=26, **back),  # chin
        *_both(lambda s: _ball((s * 25, -424, 868), (31, 30, 34), blend_mm=20, coat_mm=1.5)),  # lips
        _ball((0, -452, 888), (21, 13, 14), blend_mm=12),  # nose
        _ball((0, -463, 862), (3.5, 16, 22), cut=True, blend_mm=6),  # split lip
        *_both(lambda s: _ball((s * 9, -465, 886), (5, 8, 4), cut=True, blend_mm=5)),  # nostrils
        *_both(lambda s: _ball((s * 86, -318, 925), (20, 39, 29), yaw=s * -14, cut=True, blend_mm=14)),
        *_both(lambda s: _ball((s * 59, -316, 926), (24, 29, 24), blend_mm=5)),  # eyes
        *_both(lambda s: _ball((s * 64, -310, 952), (14, 44, 11), yaw=s * -14, roll=s * 24, blend_mm=16)),
    ]


def _ear(side: float, tilt_deg: float, lean_deg: float) -> list[Blend]:
    """A cupped leaf on the crown, hollow in front and a little outward."""
    axes = {"pitch": tilt_deg, "roll": side * lean_deg, "yaw": side * 22.0}
    root = np.array([side * 43.0, -208.0, 965.0])
    frame = _turned(tilt_deg, side * lean_deg, side * 22.0)
    along, front = frame[2], -frame[1]

    def at(up: float, forward: float = 0.0):
        x, y, z = root + up * along + forward * front
        return (float(x), float(y), float(z))

    bend = {"bend_mm": (side * 4.0, 34.0)}
    coat = {"coat_mm": 2.4, "coat_width_mm": 16.0, "coat_length_mm": 75.0}
    return [
        _ball(at(10), (36, 36, 85), blend_mm=26, **axes, **coat),
        _ball(at(215), (60, 30, 248), blend_mm=34, **axes, **bend, **coat),
        _ball(at(232, 26), (41, 30, 208), cut=True, blend_mm=18, **axes, **bend),
    ]


def hare_solids(joined_ears: bool = False) -> list[Blend]:
    """The table of the seated hare, in the order of blending.

    The head is turned and one ear tilted, so that it is nearly, not exactly, mirror-symmetric about x = 0.
    """
    lean = 12.0 if joined_ears else 11.0
    head = _head() + _ear(1.0, 12.0, lean) + _ear(-1.0, 12.0 if joined_ears else 17.0, lean)
    if joined_ears:
        head.append(_ball((0, -122, 1320), (92, 18, 30), blend_mm=22))
    coat = {"coat_mm": 5.0, "coat_width_mm": 26.0, "coat_length_mm": 95.0}
    return [
        Blend(_PLINTH, _PLINTH_AT, _PLINTH_SIZE, blend_mm=1.0),
        *_trunk(),
        *_forelegs(),
        _ball((0, 380, 196), (56, 58, 92), pitch=42, blend_mm=34, coat_mm=6, coat_width_mm=24),  # scut
        _limb((0, -222, 890), (0, -112, 665), 62, 112, blend_mm=70, **coat),  # neck
        *_turn_about(head, np.array([0.0, -200.0, 0.0]), 4.0),
    ]


def _table(solids: list[Blend]) -> np.ndarray:
    """(k, _COLUMNS) float64, one row a solid."""
    rows = np.zeros((len(solids), _COLUMNS))
    for row, s in zip(rows, solids):
        row[:3] = s.kind, _CUT if s.cut else _ADD, s.blend_mm
        row[3:6], row[6:15], row[15:18] = s.centre_mm, np.asarray(s.axes).ravel(), s.radii_mm
        row[18:20] = s.bend_mm
        row[20:23] = s.coat_mm, s.coat_width_mm, s.coat_length_mm
    return rows


@njit(cache=True, nogil=True, inline="always")
def _local(row, x, y, z):
    dx, dy, dz = x - row[3], y - row[4], z - row[5]
    a = row[6] * dx + row[7] * dy + row[8] * dz
    b = row[9] * dx + row[10] * dy + row[11] * dz
    c = row[12] * dx + row[13] * dy + row[14] * dz
    if row[0] == _ELLIPSOID:
        t = min((c / row[17]) ** 2, 2.0)
        a -= row[18] * t
        b -= row[19] * t
    return a, b, c


@njit(cache=True, nogil=True)
def _distance(row, a, b, c):
    """About the signed distance: exact for limbs, first order for ellipsoids and the plinth."""
    if row[0] == _ELLIPSOID:
        p, q, r = a / row[15], b / row[16], c / row[17]
        k0 = np.sqrt(p * p + q * q + r * r)
        k1 = np.sqrt((p / row[15]) ** 2 + (q / row[16]) ** 2 + (r / row[17]) ** 2)
        if k1 < 1e-9:
            return -min(row[15], row[16], row[17])
        return k0 * (k0 - 1.0) / k1
    if row[0] == _LIMB:
        r1, r2, h = row[15], row[16], row[17]
        out = np.sqrt(a * a + b * b)
        slope = (r1 - r2) / h
        level = np.sqrt(1.0 - slope * slope)
        along = -slope * out + level * c
        if along < 0.0:
            return np.sqrt(out * out + c * c) - r1
        if along > level * h:
            return np.sqrt(out * out + (c - h) ** 2) - r2
        return out * level + c * slope - r1
    # plinth: an oval with drafted sides and an eased top edge; it runs on below the ground
    k0 = np.sqrt((a / row[15]) ** 2 + (b / row[16]) ** 2)
    k1 = np.sqrt((a / row[15] ** 2) ** 2 + (b / row[16] ** 2) ** 2)
    side = (k0 * (k0 - 1.0) / k1 if k1 > 1e-9 else -row[15]) + 0.18 * max(c, 0.0)
    top = c - row[17]
    ease = 14.0
    u, v = max(side + ease, 0.0), max(top + ease, 0.0)
    return min(max(side, top) + ease, 0.0) + np.sqrt(u * u + v * v) - ease


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
    if row[0] == _ELLIPSOID:
        k0 = np.sqrt((a / row[15]) ** 2 + (b / row[16]) ** 2 + (c / row[17]) ** 2)
        scale = 1.0 / max(k0, 0.3)
        return a * scale, b * scale, c * scale
    out = np.sqrt(a * a + b * b)
    scale = (out - d) / max(out, 0.3 * row[15])
    return a * scale, b * scale, c


@njit(cache=True, nogil=True)
def _field(rows, x, y, z, coat_share, coat_within_mm, least_mm, scratch):
    """The body's field at a point: negative inside, about a distance near the skin.

    scratch : (k, 4) float64, overwritten. The coat is worked out only where the bare body is within
    `coat_within_mm`.
    """
    value = 1e9
    count = rows.shape[0]
    for k in range(count):
        row = rows[k]
        a, b, c = _local(row, x, y, z)
        d = _distance(row, a, b, c)
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


@njit(cache=True, nogil=True, parallel=True)
def _body_on(rows, origin, pitch, shape):
    """(i, j, k) float64 body without its coat on a lattice, x first."""
    out = np.empty((shape[0], shape[1], shape[2]))
    for i in prange(shape[0]):
        scratch = np.empty((rows.shape[0], 4))
        x = origin[0] + i * pitch
        for j in range(shape[1]):
            for k in range(shape[2]):
                y, z = origin[1] + j * pitch, origin[2] + k * pitch
                out[i, j, k] = _field(rows, x, y, z, 0.0, 0.0, 0.0, scratch)
    return out


@njit(cache=True, nogil=True, parallel=True)
def _fill_block(rows, coarse, origin, pitch, cells, step, near_mm, coat_share, least_mm):
    """(cells + 1,)*3 float32 field of one block, cut off flat at z = 0.

    Far from the skin the coarse body interpolated is enough. It is read the same from both sides of a block's
    face, so neighbouring blocks agree to the last bit.
    """
    n = cells + 1
    out = np.empty((n, n, n), np.float32)
    least = 1e-3 * pitch
    coat_within = _COAT_REACH_MM + 2.0 * pitch
    for i in prange(n):
        scratch = np.empty((rows.shape[0], 4))
        ci = min(i // step, coarse.shape[0] - 2)
        u = (i - ci * step) / step
        for j in range(n):
            cj = min(j // step, coarse.shape[1] - 2)
            v = (j - cj * step) / step
            for k in range(n):
                ck = min(k // step, coarse.shape[2] - 2)
                w = (k - ck * step) / step
                value = 0.0
                for di in range(2):
                    for dj in range(2):
                        for dk in range(2):
                            share = (u if di else 1 - u) * (v if dj else 1 - v) * (w if dk else 1 - w)
                            if share > 0.0:
                                value += share * coarse[ci + di, cj + dj, ck + dk]
                x, y, z = origin[0] + i * pitch, origin[1] + j * pitch, origin[2] + k * pitch
                if abs(value) < near_mm:
                    value = _field(rows, x, y, z, coat_share, coat_within, least_mm, scratch)
                value = max(value, -z)
                if abs(value) < least:  # a surface through a lattice point makes slivers that do not weld
                    value = least if value >= 0.0 else -least
                out[i, j, k] = value
    return out


@dataclass(frozen=True)
class _Lattice:
    """Fine lattice over the hare: z = 0 half-way between two layers, whole blocks of cells."""

    pitch_mm: float
    low: tuple[int, int, int]  # first node, in pitches (z: half a pitch up)
    blocks: tuple[int, int, int]

    def origin(self, block) -> np.ndarray:
        """(3,) first node of a block, mm; the same number whichever block asks for a shared node's index."""
        node = np.array(self.low) + np.array(block) * _BLOCK
        return (node + np.array([0.0, 0.0, 0.5])) * self.pitch_mm


_LOW_MM, _HIGH_MM = np.array([-330.0, -530.0, 0.0]), np.array([330.0, 500.0, 1450.0])


def _lattice(pitch_mm: float) -> _Lattice:
    low = np.floor(_LOW_MM / pitch_mm).astype(int) - 2
    blocks = np.ceil((_HIGH_MM / pitch_mm + 2 - low) / _BLOCK).astype(int)
    x, y, z = (int(v) for v in low)
    i, j, k = (int(v) for v in blocks)
    return _Lattice(pitch_mm, (x, y, z), (i, j, k))


def _distances(rows: np.ndarray, point: np.ndarray) -> np.ndarray:
    """(k,) distance of a point from each solid by itself."""
    return np.array([_distance(row, *_local_of(row, point)) for row in rows])


@njit(cache=True, nogil=True)
def _local_of(row, point):
    return _local(row, point[0], point[1], point[2])


def _march_block(rows, lattice: _Lattice, block, coat_share: float):
    """Vertices ((n, 3) float64, in lattice nodes) and faces of one block, or None where no skin passes it."""
    from skimage.measure import marching_cubes

    pitch = lattice.pitch_mm
    origin = lattice.origin(block)
    half = 0.5 * np.sqrt(3.0) * _BLOCK * pitch
    apart = _distances(rows, origin + 0.5 * _BLOCK * pitch)
    # fillets are at most 110 mm wide: a solid this far off changes nothing near the skin
    near = rows[apart < 1.5 * half + 200.0]
    if apart.min() > 1.5 * half + 110.0:
        return None
    middle = _body_on(near, origin + 0.5 * _BLOCK * pitch, pitch, (1, 1, 1))[0, 0, 0]
    if middle > 1.5 * half or (middle < -1.5 * half and origin[2] > 0):
        return None
    nodes = _BLOCK // _COARSE + 1
    coarse = _body_on(near, origin, pitch * _COARSE, (nodes, nodes, nodes))
    # interpolated between coarse nodes, a crease is missed by under half a coarse diagonal
    reach = _COAT_REACH_MM + 2.0 * pitch + np.sqrt(3.0) / 2.0 * _COARSE * pitch
    if coarse.min() > reach or (coarse.max() < -reach and origin[2] > 0):
        return None
    filled = _fill_block(near, coarse, origin, pitch, _BLOCK, _COARSE, reach, coat_share, 2.0 * pitch)
    if filled.min() > 0 or filled.max() < 0:
        return None
    vertices, faces, _, _ = marching_cubes(filled, 0.0)
    return vertices.astype(np.float64) + np.array(block) * float(_BLOCK), faces.astype(np.int64)


def _weld(vertices: np.ndarray, faces: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Join the vertices that neighbouring blocks share: those on block faces, equal to the last bit."""
    shared = np.flatnonzero((np.mod(vertices, _BLOCK) == 0).any(axis=1))
    _, first, inverse = np.unique(vertices[shared], axis=0, return_index=True, return_inverse=True)
    into = np.arange(len(vertices))
    into[shared] = shared[first[inverse.ravel()]]
    faces = into[faces]
    kept, renumbered = np.unique(faces, return_inverse=True)
    return vertices[kept], renumbered.reshape(-1, 3)


def _largest_part(vertices: np.ndarray, faces: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The part with the most faces: a carved groove can close over a bubble."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components

    a = np.concatenate([faces[:, 0], faces[:, 1]])
    b = np.concatenate([faces[:, 1], faces[:, 2]])
    links = coo_matrix((np.ones(len(a), np.int8), (a, b)), shape=(len(vertices), len(vertices)))
    _, part = connected_components(links, directed=False)
    wanted = np.bincount(part[faces[:, 0]]).argmax()
    faces = faces[part[faces[:, 0]] == wanted]
    kept, renumbered = np.unique(faces, return_inverse=True)
    return vertices[kept], renumbered.reshape(-1, 3)


def _march(rows: np.ndarray, pitch_mm: float, coat_share: float, progress: Progress) -> tuple[np.ndarray, np.ndarray]:
    """The whole hare at one lattice pitch: (n, 3) mm and (m, 3), closed, one part, height not yet exact."""
    lattice = _lattice(pitch_mm)
    vertices, faces, count = [], [], 0
    for i in range(lattice.blocks[0]):
        for j in range(lattice.blocks[1]):
            progress.step((i * lattice.blocks[1] + j) / (lattice.blocks[0] * lattice.blocks[1]), "carving the hare")
            for k in range(lattice.blocks[2]):
                piece = _march_block(rows, lattice, (i, j, k), coat_share)
                if piece is not None:
                    vertices.append(piece[0])
                    faces.append(piece[1] + count)
                    count += len(piece[0])
    nodes, joined = _largest_part(*_weld(np.concatenate(vertices), np.concatenate(faces)))
    return _sharp_foot((nodes + np.array(lattice.low) + np.array([0.0, 0.0, 0.5])) * pitch_mm, joined), joined


def _sharp_foot(vertices: np.ndarray, faces: np.ndarray) -> np.ndarray:
    """The rim of the foot moved out to the plinth's own outline, which the lattice chamfers by up to a pitch."""
    ground = vertices[:, 2] == 0.0
    flat = ground[faces].all(axis=1)
    rim = np.zeros(len(vertices), bool)
    rim[faces[~flat].ravel()] = True
    rim &= ground
    x0, y0, _ = _PLINTH_AT
    a, b, _ = _PLINTH_SIZE
    x, y = vertices[rim, 0] - x0, vertices[rim, 1] - y0
    out = vertices.copy()
    reach = np.hypot(x / a, y / b)
    out[rim, 0], out[rim, 1] = x0 + x / reach, y0 + y / reach
    return out


def _to_height(vertices: np.ndarray, faces: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Exactly the finished height, standing on z = 0; faces as int32."""
    vertices = vertices * (FINISHED_HEIGHT_MM / (vertices[:, 2].max() - vertices[:, 2].min()))
    vertices[:, 2] -= vertices[:, 2].min()
    return np.ascontiguousarray(vertices), np.ascontiguousarray(faces.astype(np.int32))


def _checked_count(triangles: int, least: int) -> None:
    if not least <= triangles <= MOST_TRIANGLES:
        raise BriefRefused(f"The hare cannot be made with {triangles} triangles; ask for {least} to {MOST_TRIANGLES}.")


def _pitch_for(triangles: float) -> float:
    """Lattice pitch that gives about this many triangles, mm."""
    return float(np.sqrt(_TRIANGLES_TO_PITCH2 / triangles))


def demo_hare(
    triangles: int = 80_000, progress: Progress = SILENT, *, joined_ears: bool = False
) -> tuple[np.ndarray, np.ndarray]:
    """The seated hare with its carved coat, within 3 % of the wanted count (20 thousand to 6 million).

    Returns (n, 3) float64 millimetres and (m, 3) int32 faces, outward: 1400 mm tall, front towards -y,
    standing flat on z = 0, closed and manifold, one part without handles. With `joined_ears` a bridge joins the
    ears near their tips and leaves one hole; from two million faces on, carving pierces a few pinholes in deep
    folds. Coat finer than the mesh can carry is left out. Raises `BriefRefused` for another count.
    """
    _checked_count(triangles, 20_000)
    rows = _table(hare_solids(joined_ears))
    pitch = _pitch_for(triangles)
    vertices, faces = _march(rows, pitch, 1.0, progress)
    for _ in range(4):
        if abs(len(faces) / triangles - 1.0) < 0.02:
            break
        pitch *= np.sqrt(len(faces) / triangles)
        vertices, faces = _march(rows, pitch, 1.0, progress)
    return _to_height(vertices, faces)


def demo_maquette(triangles: int = 2_000, progress: Progress = SILENT) -> tuple[np.ndarray, np.ndarray]:
    """The same hare as a rough maquette: no coat, few facets, within 3 % of the wanted count (1000 or more).

    Arrays as `demo_hare`. Raises `BriefRefused` for another count.
    """
    _checked_count(triangles, 1_000)
    rows = _table(hare_solids())
    for step in range(12):
        progress.step(step / 12, "blocking out the maquette")
        # decimation now and then pinches an edge: start it from another lattice and look again
        fine = (8.0 + 0.7 * step) * max(triangles, 2_500)
        vertices, faces = _flat_foot(*_decimate(*_march(rows, _pitch_for(fine), 0.0, progress), triangles))
        if edges_of(faces, len(vertices)).is_closed and find_self_crossings(vertices, faces).count == 0:
            break
    return _to_height(vertices, faces)


def _decimate(vertices: np.ndarray, faces: np.ndarray, triangles: int) -> tuple[np.ndarray, np.ndarray]:
    """By quadric edge collapse to about the wanted count."""
    import vtk
    from vtk.util.numpy_support import numpy_to_vtk, numpy_to_vtkIdTypeArray, vtk_to_numpy

    cells = vtk.vtkCellArray()
    four = np.column_stack([np.full(len(faces), 3), faces]).ravel().astype(np.int64)
    cells.SetCells(len(faces), numpy_to_vtkIdTypeArray(four, deep=True))
    body, points = vtk.vtkPolyData(), vtk.vtkPoints()
    points.SetData(numpy_to_vtk(vertices, deep=True))
    body.SetPoints(points)
    body.SetPolys(cells)
    rough = vtk.vtkQuadricDecimation()
    rough.SetInputData(body)
    rough.SetTargetReduction(1.0 - triangles / len(faces))
    rough.VolumePreservationOn()
    rough.Update()
    out = rough.GetOutput()
    joined = vtk_to_numpy(out.GetPolys().GetData()).reshape(-1, 4)[:, 1:]
    kept, renumbered = np.unique(joined, return_inverse=True)
    corners = vtk_to_numpy(out.GetPoints().GetData()).astype(np.float64)[kept]
    return corners, renumbered.reshape(-1, 3)


def _flat_foot(vertices: np.ndarray, faces: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The same mesh with its lowest vertices on one level again: decimation lets the foot sag a little."""
    vertices = vertices.copy()
    vertices[vertices[:, 2] < 8.0, 2] = 0.0
    return vertices, faces


BRIEF_TEXT = """# The brief of the demo: every value here is invented for the demo.
piece = "Seated hare"

[master]
finished_height_mm = 1400
unit = "mm"

[run]
casts = 6
start_date = "2027-03-01"
"""


def write_demo(folder: str | Path, triangles: int = 80_000, progress: Progress = SILENT) -> tuple[Path, Path]:
    """Write `hare.stl` (binary, millimetres) and `hare.brief.toml` into the folder; returns both paths.

    Raises `OutputRefused` where they cannot be written; a file half written never stands there.
    """
    target = make_folder(folder)
    vertices, faces = demo_hare(triangles, progress)
    stl = write_whole(target / "hare.stl", lambda handle: handle.write(binary_stl(vertices, faces)))
    return stl, write_text(target / "hare.brief.toml", BRIEF_TEXT)


def binary_stl(vertices: np.ndarray, faces: np.ndarray) -> bytes:
    """A binary STL of (n, 3) vertices and (m, 3) faces, with unit normals."""
    corners = vertices[faces].astype("<f4")
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    length = np.linalg.norm(normals, axis=1, keepdims=True)
    records = np.zeros(len(faces), np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("spare", "<u2")]))
    records["normal"] = normals / np.where(length > 0, length, 1.0)
    records["corners"] = corners
    header = b"mouldloft: seated hare, millimetres".ljust(80, b" ")
    return header + np.uint32(len(faces)).tobytes() + records.tobytes()
