"""Panels of a curved shell: how far they give, what they are stressed, when they buckle.

A panel is a square of a surface's own two curvatures, held in place at its four sides but free to turn there: a
shallow shell by Vlasov's equations, solved in Navier's double sine series. Curvature 0 gives the flat plate, one
curvature the cylinder, two the dome or saddle. The shell runs on past its sides, which holds it better than this.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from ..base.linear import solved
from .laminate import Laminate

POISSON = 0.3  # Mark.MEMORY: random mat in polyester, 0.3 to 0.33
PATCH_RADIUS_MM = 50.0  # common practice: a leaning person's hand or knee
# Mark.MEMORY: shells buckle far under theory for want of a true form; NASA SP-8007 gives about this much of a
# cylinder's classical load at radius over thickness of 500, more below it
KNOCK_DOWN = 0.2
# Mark.MEMORY: Vlasov's equations hold to a rise of a fifth of the span; what curves more counts no more than that
SHALLOW_RISE = 0.2
SIZES_MM = np.geomspace(50.0, 500.0, 9)  # radii
COVERED = (0.85, 1.4)  # share of a disc's area that its patch must have, and may have
MOST_CENTRES = 500
MOST_FITTED = 200  # points of one disc
LEAST_FITTED = 12  # twice what a quadric needs: on a huge, coarsely sampled surface small patches hold fewer
TERMS = 20  # odd half-waves a side: their shortest is under half the hand's patch on the widest panel
WAVES = 40  # half-waves a side tried for buckling
# Mark.MEMORY, Timoshenko & Woinowsky-Krieger: large deflections of a clamped round plate under a point load, the rim
# held still: w (1 + 0.443 (w/t)²) = small-deflection w, and 1.232 E (w/a)² of membrane stress in the middle
STRETCH_OF_PLATE = 0.443
STRETCH_STRESS = 1.232
SOURCE = "shallow shell by Vlasov's equations in Navier's series, held at its edges (Timoshenko & "
SOURCE += "Woinowsky-Krieger, Theory of plates and shells; from memory, verify)"


@dataclass(frozen=True, eq=False)
class Panels:
    """Round patches of a surface, each read as a square panel as wide as the patch.

    centre_mm : (k, 3); radius_mm : (k,); curvature_1_mm : (k, 2) principal curvatures, positive where the surface
    bulges outwards, the lesser by size first; along : (k, 3) unit, the direction of that lesser one.
    """

    centre_mm: np.ndarray
    radius_mm: np.ndarray
    curvature_1_mm: np.ndarray
    along: np.ndarray

    def __len__(self) -> int:
        return len(self.radius_mm)

    def only(self, kept: np.ndarray) -> Panels:
        """Those of a mask or of indices."""
        return Panels(self.centre_mm[kept], self.radius_mm[kept], self.curvature_1_mm[kept], self.along[kept])


@dataclass(frozen=True, eq=False)
class Response:
    """(k,) deflection and greatest stress in the middle of each panel."""

    deflection_mm: np.ndarray
    stress_mpa: np.ndarray


def plate_rigidity_nmm(modulus_mpa: float, thickness_mm: float) -> float:
    """D = E t³ / 12 (1 - nu²)."""
    return modulus_mpa * thickness_mm**3 / (12.0 * (1.0 - POISSON**2))


def find_panels(points_mm: np.ndarray, normals: np.ndarray, each_mm2: float) -> Panels:
    """Round patches of several sizes centred all over a surface, off its edges, with the curvatures of the quadric
    that fits each best. Empty on a surface too small for one.

    points_mm, normals : (n, 3), spread evenly, each for `each_mm2`.
    """
    tree = cKDTree(points_mm.reshape(-1, 3))
    patches: list[tuple[int, float, np.ndarray]] = []
    for radius in SIZES_MM if len(points_mm) else ():
        wanted = min(each_mm2 * len(points_mm) / (radius / 3.0) ** 2, MOST_CENTRES)  # a third of a radius apart
        centres = np.arange(0, len(points_mm), max(int(len(points_mm) / max(wanted, 1.0)), 1))
        full = COVERED[0] * np.pi * radius**2 / each_mm2
        centres = centres[tree.query_ball_point(points_mm[centres], radius, return_length=True) >= full]
        for centre, found in zip(centres, tree.query_ball_point(points_mm[centres], radius), strict=True):
            near = np.asarray(found)
            near = near[normals[near] @ normals[centre] > 0.0]  # not the far side of a thin limb
            if max(full, LEAST_FITTED) <= len(near) <= full * COVERED[1] / COVERED[0]:  # else over an edge, or folded
                patches.append((int(centre), float(radius), near[:: max(len(near) // MOST_FITTED, 1)]))
    centre = np.array([c for c, _, _ in patches], int)
    counts = np.array([len(near) for _, _, near in patches], int)
    curvature, along = np.zeros((len(patches), 2)), np.zeros((len(patches), 3))
    for count in np.unique(counts):  # those of as many points are fitted together
        which = np.flatnonzero(counts == count)
        near = np.array([patches[k][2] for k in which])
        curvature[which], along[which] = principal_curvatures(points_mm[near], normals[centre[which]])
    radii = np.array([radius for _, radius, _ in patches], float)
    return Panels(points_mm.reshape(-1, 3)[centre], radii, curvature, along)


def principal_curvatures(points_mm: np.ndarray, outward: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """(..., 2) curvatures in 1/mm of the quadric that fits (..., n, 3) points best over their own best plane, the
    lesser by size first, and the (..., 3) direction of that lesser one. Positive where the points bulge `outward`,
    (..., 3)."""
    about = points_mm - points_mm.mean(axis=-2, keepdims=True)
    axes = np.linalg.eigh(np.swapaxes(about, -1, -2) @ about)[1]
    height, u, v = np.moveaxis(about @ axes, -1, 0)  # the first axis stands on the best plane
    terms = np.stack([np.ones_like(u), u, v, u * u / 2.0, u * v, v * v / 2.0], axis=-1)
    across = np.swapaxes(terms, -1, -2)
    turned = -np.sign((np.swapaxes(axes, -1, -2)[..., :1, :] @ outward[..., None])[..., 0])
    fit = solved(across @ terms, (across @ height[..., None])[..., 0]) * turned
    values, vectors = np.linalg.eigh(np.stack([fit[..., 3:5], fit[..., 4:6]], axis=-2))
    order = np.argsort(np.abs(values), axis=-1)
    along = np.take_along_axis(vectors, order[..., None, :1], axis=-1)
    return np.take_along_axis(values, order, axis=-1), (axes[..., 1:] @ along)[..., 0]


def _counted_curvature(curvature_1_mm: np.ndarray, span_mm: np.ndarray) -> np.ndarray:
    """(k, 2) curvature, no more than a rise of `SHALLOW_RISE` of the span has: rise = span² curvature / 8."""
    most = 8.0 * SHALLOW_RISE / span_mm[:, None]
    return np.clip(curvature_1_mm, -most, most)


def panels_under_load(
    panels: Panels,
    laminate: Laminate,
    point_n: float,
    pressure_mpa: float,
    width_mm: np.ndarray | None = None,
) -> Response:
    """Each panel under a spread load and a person's weight on a hand's breadth in its middle.

    width_mm : (k,) of panels narrower than they are long, such as between ribs that run along them. The load comes from
    inside. Where that presses on the crown of a hollow, and it would go further than its own thickness, it may snap
    through: the hollow's curve is then not counted on, only a bulge across it. No panel goes further than the flat
    plate, whose middle plane stretches once it goes beyond its thickness.
    """
    length = 2.0 * panels.radius_mm
    width = length if width_mm is None else width_mm
    curve = _counted_curvature(panels.curvature_1_mm, length)
    made = _navier(length, width, curve, laminate, point_n, pressure_mpa)
    snaps = (curve < 0).any(axis=1) & (made.deflection_mm > laminate.thickness_mm)
    bulge = _navier(length[snaps], width[snaps], np.maximum(curve[snaps], 0.0), laminate, point_n, pressure_mpa)
    for found, instead in ((made.deflection_mm, bulge.deflection_mm), (made.stress_mpa, bulge.stress_mpa)):
        found[snaps] = instead
    flat = _flat(length, width, laminate, point_n, pressure_mpa)
    as_flat = made.deflection_mm > flat.deflection_mm
    return Response(
        np.where(as_flat, flat.deflection_mm, made.deflection_mm), np.where(as_flat, flat.stress_mpa, made.stress_mpa)
    )


def beyond_thickness_mm(small_mm: np.ndarray, thickness_mm: np.ndarray | float, stretch: float) -> np.ndarray:
    """Deflection w of a plate held still at its rim, from that of small-deflection theory: w (1 + stretch (w/t)²) =
    small. Its one real root, by Cardano."""
    p, q = thickness_mm**2 / stretch, -small_mm * thickness_mm**2 / stretch
    root = np.sqrt((q / 2.0) ** 2 + (p / 3.0) ** 3)
    return np.cbrt(-q / 2.0 + root) + np.cbrt(-q / 2.0 - root)


def _flat(length: np.ndarray, width: np.ndarray, laminate: Laminate, point_n: float, pressure_mpa: float) -> Response:
    """Flat panels, each size once, their middle plane's stretch counted."""
    sizes, which = np.unique(np.column_stack([length, width]), axis=0, return_inverse=True)
    small = _navier(sizes[:, 0], sizes[:, 1], np.zeros_like(sizes), laminate, point_n, pressure_mpa)
    gives = beyond_thickness_mm(small.deflection_mm, laminate.thickness_mm, STRETCH_OF_PLATE)
    bent = small.stress_mpa * gives / np.maximum(small.deflection_mm, 1e-12)
    stress = bent + STRETCH_STRESS * laminate.modulus_mpa * (2.0 * gives / sizes.min(axis=1)) ** 2
    return Response(gives[which.ravel()], stress[which.ravel()])


def _navier(
    length: np.ndarray, width: np.ndarray, curve: np.ndarray, laminate: Laminate, point_n: float, pressure_mpa: float
) -> Response:
    """Middle of rectangular shallow shells, half-wave by half-wave: (D k⁴ + E t c²) w = q.

    c is the curvature across the half-wave, (c_1 + c_2)/2 - (c_1 - c_2)/2 cos 2 theta. How a panel's sides lie to its
    curves is not known, so each half-wave's give, 1 / (D k⁴ + E t c²), is its mean over theta: with a² = D k⁴ / E t,
    half sum H and half difference S of the curvatures, the mean of 1/(c - i a) is 1/sqrt((H - i a)² - S²).
    """
    e, t = laminate.modulus_mpa, laminate.thickness_mm
    rigidity = plate_rigidity_nmm(e, t)
    odd = 2.0 * np.arange(TERMS) + 1.0
    m, n = odd[:, None], odd[None, :]
    hand = np.sqrt(np.pi) * PATCH_RADIUS_MM  # a square of the hand's area
    to_middle = np.sin(m * np.pi / 2.0) * np.sin(n * np.pi / 2.0)
    deflection, stress = np.zeros(len(length)), np.zeros(len(length))
    for k, (a, b) in enumerate(zip(length, width, strict=True)):  # all at once would fill memory
        kx2, ky2 = (m * np.pi / a) ** 2, (n * np.pi / b) ** 2
        k2 = kx2 + ky2
        # the load's own half-waves, each times its sign in the middle; np.sinc(x) = sin(pi x)/(pi x)
        leant = np.sinc(m * min(hand, a) / (2 * a)) * np.sinc(n * min(hand, b) / (2 * b))
        load = 4.0 * point_n / (a * b) * leant + 16.0 * pressure_mpa / (np.pi**2 * m * n) * to_middle
        bending = np.sqrt(rigidity / (e * t)) * k2
        half_sum, half_difference = curve[k].sum() / 2.0, (curve[k, 0] - curve[k, 1]) / 2.0
        mean = 1.0 / np.sqrt((half_sum - 1j * bending) ** 2 - half_difference**2)
        w = load * np.abs(mean.imag) / (e * t * bending)
        airy = load * np.abs(mean.real) / k2
        bent = rigidity * np.array([(w * (kx2 + POISSON * ky2)).sum(), (w * (ky2 + POISSON * kx2)).sum()])
        membrane = np.array([(airy * ky2).sum(), (airy * kx2).sum()])
        deflection[k] = w.sum()
        stress[k] = (np.abs(membrane) / t + 6.0 * np.abs(bent) / t**2).max()
    return Response(deflection, stress)


def buckling_stress_mpa(panels: Panels, laminate: Laminate) -> np.ndarray:
    """(k,) mean stress at which each panel buckles, pressed along the worse of its two directions.

    The least over half-waves of (D k⁴ + E t (c_x k_y² + c_y k_x²)² / k⁴) / t k_x²: 4 pi² E (t/b)² / 12 (1 - nu²) for a
    flat square, E t / R sqrt(3 (1 - nu²)) for a cylinder (Timoshenko & Gere, Theory of elastic stability; from memory,
    verify). `KNOCK_DOWN` of the curve is counted.
    """
    e, t = laminate.modulus_mpa, laminate.thickness_mm
    rigidity = plate_rigidity_nmm(e, t)
    waves = np.arange(1.0, WAVES + 1.0)
    m2, n2 = waves[:, None] ** 2, waves[None, :] ** 2
    span = 2.0 * panels.radius_mm
    curve = KNOCK_DOWN * _counted_curvature(panels.curvature_1_mm, span)
    found = np.zeros(len(panels))
    for k in range(len(panels)):
        unit = (np.pi / span[k]) ** 2
        k4 = (unit * (m2 + n2)) ** 2
        stiff = rigidity * k4 + e * t * (unit * (curve[k, 0] * n2 + curve[k, 1] * m2)) ** 2 / k4
        found[k] = min((stiff / (unit * m2)).min(), (stiff / (unit * n2)).min()) / t
    return found
