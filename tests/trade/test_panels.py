"""Panels of a shell against published plate and shell coefficients, closed integrals and spheres."""

from __future__ import annotations

import numpy as np
import pytest
from mouldloft.geometry.heightmap import surface_cells
from mouldloft.stages.jacket.zones import surface_samples
from mouldloft.trade.laminate import lay_up, mat_g_m2_from_oz
from mouldloft.trade.panels import (
    KNOCK_DOWN,
    PATCH_RADIUS_MM,
    Panels,
    beyond_thickness_mm,
    buckling_stress_mpa,
    find_panels,
    panels_under_load,
    plate_rigidity_nmm,
    principal_curvatures,
)
from scipy import sparse
from scipy.integrate import quad
from scipy.sparse import linalg as splinalg
from scipy.special import j1
from synthetic_gloves import FLANGE_THICKNESS_MM, box, dome

LAMINATE = lay_up(mat_g_m2_from_oz(4), 0.30)  # 2.80 mm of 6400 MPa
E, T = LAMINATE.modulus_mpa, LAMINATE.thickness_mm
D = E * T**3 / 12 / (1 - 0.09)


def panel(radius_mm, one=0.0, other=0.0):
    return Panels(np.zeros((1, 3)), np.array([float(radius_mm)]), np.array([[one, other]]), np.array([[1.0, 0.0, 0.0]]))


def gives(made, point_n, pressure_mpa=0.0, **options):
    found = panels_under_load(made, LAMINATE, point_n, pressure_mpa, **options)
    return float(found.deflection_mm[0]), float(found.stress_mpa[0])


# --- flat


def test_a_flat_square_under_spread_load():
    # Timoshenko & Woinowsky-Krieger, simply supported square (from memory): w = 0.00406 q b⁴ / D, M = 0.0479 q b²
    q, b = 1e-6, 400.0
    sag, stress = gives(panel(b / 2), 0.0, q)
    assert plate_rigidity_nmm(E, T) == pytest.approx(D)
    assert sag == pytest.approx(0.00406 * q * b**4 / D, rel=2e-3)
    assert stress == pytest.approx(6 * 0.0479 * q * b**2 / T**2, rel=5e-3)


def test_a_flat_square_leant_on_in_the_middle():
    # the same (from memory): w = 0.0116 P b² / D for a load in a point; a hand's breadth on a wide panel is nearly one
    sag, _ = gives(panel(2000.0), 1e-3)
    assert sag == pytest.approx(0.0116 * 1e-3 * 4000.0**2 / D, rel=5e-3)


def laplacian(side_mm: float, cells: int) -> sparse.sparray:
    """Of a square's inner nodes, nought at its sides."""
    line = sparse.diags_array([1.0, -2.0, 1.0], offsets=[-1, 0, 1], shape=(cells - 1,) * 2) / (side_mm / cells) ** 2
    one = sparse.eye_array(cells - 1)
    return sparse.kron(line, one) + sparse.kron(one, line)


def plate_by_differences(side_mm: float, hand_mm: float, load_n: float, cells: int = 200) -> float:
    """Middle sag of a simply supported square plate under a square patch: two Poisson equations, one after the other
    (Marcus; w'' = -M / D, M'' = -q), by finite differences."""
    step = side_mm / cells
    at = np.linspace(-side_mm / 2, side_mm / 2, cells + 1)[1:-1]
    share = np.clip((hand_mm / 2 - np.abs(at)) / step + 0.5, 0.0, 1.0)  # of a cell that the hand covers
    solve = splinalg.factorized(laplacian(side_mm, cells).tocsc())
    sag = solve(solve(load_n / hand_mm**2 * np.outer(share, share).ravel())) / D
    return float(sag.reshape(cells - 1, -1)[cells // 2 - 1, cells // 2 - 1])


def test_a_hands_breadth_on_a_small_panel_by_differences():
    hand = np.sqrt(np.pi) * PATCH_RADIUS_MM  # a square of the hand's area
    for side in (200.0, 320.0):
        spread, _ = gives(panel(side / 2), 1e-3)
        assert spread == pytest.approx(plate_by_differences(side, hand, 1e-3), rel=5e-3)


def test_a_strip_bends_across_its_width_like_a_beam():
    # Timoshenko, beam of unit width with its sides held: 5 q w⁴ / 384 D
    q = 1e-6
    sag, _ = gives(panel(1500.0), 0.0, q, width_mm=np.array([300.0]))
    assert sag == pytest.approx(5 * q * 300.0**4 / (384 * D), rel=0.01)


def test_stress_under_a_hand_is_finite_and_that_of_the_series_summed_far():
    # independent: the same double series in one go at ten times the terms
    b, p, c = 300.0, 1e-3, np.sqrt(np.pi) * PATCH_RADIUS_MM
    m = 2.0 * np.arange(300) + 1
    kx, ky = (m * np.pi / b)[:, None], (m * np.pi / b)[None, :]
    load = 4 * p / b**2 * np.sinc(kx * c / 2 / np.pi) * np.sinc(ky * c / 2 / np.pi)
    moment = (load / (kx**2 + ky**2) ** 2 * (kx**2 + 0.3 * ky**2)).sum()
    assert gives(panel(b / 2), p)[1] == pytest.approx(6 * moment / T**2, rel=0.01)


def test_far_beyond_its_thickness_a_plate_stretches():
    # the cubic itself, and Timoshenko's clamped plate under a point load (from memory): w/t + 0.443 (w/t)³
    small = np.array([0.01, 3.0, 200.0])
    w = beyond_thickness_mm(small, T, 0.443)
    assert w / T + 0.443 * (w / T) ** 3 == pytest.approx(small / T)
    assert w[0] == pytest.approx(0.01, rel=1e-4)
    sag, stress = gives(panel(400.0), 300.0)
    small, bent = gives(panel(400.0), 1e-6)
    assert sag == pytest.approx(float(beyond_thickness_mm(small * 3e8, T, 0.443)))
    # bending goes with the deflection, and 1.232 E (w/a)² of stretch comes to it (the same table, from memory)
    assert stress == pytest.approx(bent * sag / small + 1.232 * E * (sag / 400.0) ** 2)


# --- curved


def hand_on_ball(radius: float, p: float) -> float:
    """Independent: a wide shallow ball is a plate on springs of E t / R² (Reissner 1946, from memory); round hand of
    the same area by Hankel's transform: w = p / pi c ∫ J1(s c) / (D s⁴ + E t/R²) ds."""
    c = PATCH_RADIUS_MM
    return quad(
        lambda s: p / (np.pi * c) * j1(s * c) / (D * s**4 + E * T / radius**2), 0, 1.0, limit=2000, epsabs=1e-9
    )[0]


@pytest.mark.parametrize("radius", [300.0, 800.0])
def test_a_dome_leant_on_is_the_shell_on_an_elastic_foundation(radius):
    p = 10.0
    assert gives(panel(0.7 * radius, 1 / radius, 1 / radius), p)[0] == pytest.approx(hand_on_ball(radius, p), rel=0.03)


def test_what_counts_under_a_point_is_the_gaussian_curvature():
    # closed integral over all directions: w = P / 8 sqrt(D E t) sqrt(c1 c2), on a ball Reissner's
    # sqrt(3 (1 - nu²)) / 4 · P R / E t² (both from memory) in a point; a hand's breadth takes a little off
    p = 1.0
    even = gives(panel(1200.0, 1 / 6000, 1 / 6000), p)[0]
    point = np.sqrt(3 * 0.91) / 4 * p * 6000 / (E * T**2)
    assert hand_on_ball(6000.0, p) < point
    assert even == pytest.approx(hand_on_ball(6000.0, p), rel=0.02)
    assert gives(panel(1200.0, 1 / 4000, 1 / 9000), p)[0] == pytest.approx(even, rel=0.02)
    assert gives(panel(1200.0, -1 / 6000, -1 / 6000), p)[0] == pytest.approx(even)


def test_spread_load_on_a_dome_is_carried_by_its_skin():
    # independent: D ∇⁴w + E t/R² w = q on a square whose sides are held and free to turn, by finite differences; in its
    # middle, both ways alike, the skin's stress is E w / 2 R, and bending's 3 D (1 + nu) ∇²w / t²
    side, radius, q, cells = 800.0, 1000.0, 2e-4, 120
    curve = laplacian(side, cells)
    w = splinalg.spsolve(
        (D * curve @ curve + E * T / radius**2 * sparse.eye_array(curve.shape[0])).tocsc(), np.full(curve.shape[0], q)
    )
    middle = curve.shape[0] // 2
    by_differences = E * w[middle] / (2 * radius) + 3 * D * 1.3 * abs((curve @ w)[middle]) / T**2
    sag, stress = gives(panel(side / 2, 1 / radius, 1 / radius), 0.0, q)
    assert sag == pytest.approx(w[middle], rel=0.01)
    assert stress == pytest.approx(by_differences, rel=0.01)
    # membrane theory: away from the edges of a wide one w = q R² / E t, whose ripple from the sides is left
    assert sag == pytest.approx(q * radius**2 / (E * T), rel=0.1)


def test_a_curved_panel_lies_between_the_dome_and_the_flat():
    p = 30.0
    flat, dome_, tube, saddle = (
        gives(panel(200.0, *curve), p)[0] for curve in ((0, 0), (2e-3, 2e-3), (0, 2e-3), (-2e-3, 2e-3))
    )
    assert dome_ < saddle < flat
    assert dome_ < tube < flat
    assert gives(panel(200.0, 2e-3, 0), p) == pytest.approx(gives(panel(200.0, 0, 2e-3), p))


def test_half_waves_mean_over_all_directions():
    # independent: the give of each half-wave summed over 2000 directions in place of the closed mean
    radius, p, c1, c2 = 150.0, 1e-2, 1 / 900, -1 / 2500
    m = 2.0 * np.arange(20) + 1
    kx, ky = (m * np.pi / 300)[:, None], (m * np.pi / 300)[None, :]
    c = np.sqrt(np.pi) * PATCH_RADIUS_MM
    load = 4 * p / 300**2 * np.sinc(kx * c / 2 / np.pi) * np.sinc(ky * c / 2 / np.pi)
    theta = (np.arange(2000) + 0.5) * np.pi / 2000
    bend = c1 * np.sin(theta) ** 2 + c2 * np.cos(theta) ** 2
    k4 = (kx**2 + ky**2) ** 2
    by_hand = sum(load / (D * k4 + E * T * b**2) for b in bend).sum() / 2000
    assert gives(panel(radius, c1, c2), p)[0] == pytest.approx(by_hand, rel=1e-6)


def test_a_hollow_pressed_beyond_its_thickness_is_flat():
    # a hollow shell pressed on its crown may snap through; one that bulges towards the load's far side may not
    wide = panel(250.0, -1 / 1500, -1 / 1500)
    assert gives(wide, 1.0) == pytest.approx(gives(panel(250.0, 1 / 1500, 1 / 1500), 1.0))
    assert gives(wide, 3000.0) == pytest.approx(gives(panel(250.0), 3000.0))
    assert gives(panel(250.0, 1 / 1500, 1 / 1500), 3000.0)[0] <= gives(panel(250.0), 3000.0)[0]
    # a bulge across the hollow is still counted on, and only that
    across, bulge, flat = (gives(panel(150.0, *c), 250.0)[0] for c in ((-1 / 900, 1 / 700), (0, 1 / 700), (0, 0)))
    assert across == pytest.approx(bulge)
    assert T < across < flat


def test_curve_beyond_a_shallow_rise_is_not_counted():
    # rise = span² curvature / 8 may be a fifth of the span: curvature 1.6 / span
    assert gives(panel(100.0, 0.02, 0.02), 10.0) == gives(panel(100.0, 0.008, 0.008), 10.0)
    assert gives(panel(100.0, 0.007, 0.007), 10.0)[0] > gives(panel(100.0, 0.008, 0.008), 10.0)[0]


# --- buckling


def test_a_flat_square_buckles_by_the_book():
    # Timoshenko & Gere (from memory): 4 pi² E (t/b)² / 12 (1 - nu²)
    by_hand = 4 * np.pi**2 * E / (12 * 0.91) * (T / 500.0) ** 2
    assert buckling_stress_mpa(panel(250.0), LAMINATE)[0] == pytest.approx(by_hand)


def test_a_ball_buckles_by_the_book():
    # Timoshenko & Gere (from memory): E t / R sqrt(3 (1 - nu²)), with the share of its curve that is counted
    radius = 700.0
    found = buckling_stress_mpa(panel(450.0, 1 / radius, 1 / radius), LAMINATE)[0]
    assert found == pytest.approx(KNOCK_DOWN * E * T / radius / np.sqrt(3 * 0.91), rel=0.05)
    # a tube is pressed along its axis or, worse, round it: the worse counts
    assert buckling_stress_mpa(panel(450.0), LAMINATE)[0] < buckling_stress_mpa(panel(450.0, 0, 1 / 700), LAMINATE)[0]
    tube = buckling_stress_mpa(panel(450.0, 0, 1 / 700), LAMINATE)[0]
    assert tube < found
    assert buckling_stress_mpa(panel(450.0, 1 / 700, 0), LAMINATE)[0] == pytest.approx(tube), "whichever axis is named"


# --- on a surface


@pytest.mark.parametrize("turn_deg", [0.0, 33.0])
@pytest.mark.parametrize(("one", "other"), [(400.0, 400.0), (300.0, 1200.0), (-500.0, 350.0)])
def test_curvatures_of_a_paraboloid(one, other, turn_deg):
    # w = x² / 2 R1 + y² / 2 R2 has the curvatures 1/R1, 1/R2 at its foot
    rng = np.random.default_rng(2)
    u, v = rng.uniform(-40, 40, (2, 500))
    turn = np.radians(turn_deg)
    x, y = u * np.cos(turn) - v * np.sin(turn), u * np.sin(turn) + v * np.cos(turn)
    points = np.column_stack([x, y, -(u**2) / (2 * one) - v**2 / (2 * other)])
    curve, along = principal_curvatures(points, np.array([0.1, 0.0, 1.0]))
    assert sorted(curve) == pytest.approx(sorted([1 / one, 1 / other]), rel=0.02)
    assert abs(curve[0]) <= abs(curve[1])
    assert principal_curvatures(points, np.array([0.0, 0.1, -1.0]))[0] == pytest.approx(-curve)
    if abs(one) > abs(other):
        assert abs(along @ [np.cos(turn), np.sin(turn), 0]) > 0.99
    elif abs(other) > abs(one):
        assert abs(along @ [-np.sin(turn), np.cos(turn), 0]) > 0.99


def panels_of(envelope):
    cells = surface_cells(envelope.outer_mm, envelope.origin_mm, envelope.pixel_mm)
    body = (cells.area_mm2 > 0) & (cells.centre_mm[..., 2] > FLANGE_THICKNESS_MM + 0.1)
    return find_panels(
        *surface_samples(cells.area_mm2[body], cells.centre_mm[body], cells.normal[body], envelope.pixel_mm, 12_000)
    )


def weakest(panels):
    found = panels_under_load(panels, LAMINATE, 10.0, 0.0).deflection_mm / panels.radius_mm  # small: none stretches
    return panels.only([int(np.argmax(found))])


def test_panels_of_a_ball_have_its_curvature():
    found = panels_of(dome(800.0, pixel_mm=4.0))
    assert len(found) > 300
    assert np.median(found.curvature_1_mm) == pytest.approx(1 / 800, rel=0.05)
    assert np.linalg.norm(found.centre_mm, axis=1) == pytest.approx(800.0, abs=5.0)


def test_the_weakest_panel_of_a_flat_top_is_the_top():
    found = weakest(panels_of(box(500.0, 500.0, 150.0)))
    assert 0.4 * 500 <= found.radius_mm[0] <= 0.66 * 500
    assert found.centre_mm[0, 2] == pytest.approx(150.0, abs=0.5)


def test_a_steep_flat_side_is_found():
    # a tall box with a small top: the side, at 3 degrees of draft, is the flattest panel
    found = weakest(panels_of(box(120.0, 600.0, 400.0, draft_deg=3.0, pixel_mm=1.0)))
    assert found.radius_mm[0] > 120
    assert abs(found.centre_mm[0, 0]) > 55
    assert 100 < found.centre_mm[0, 2] < 300


def test_nothing_to_check_on_a_thumbnail():
    assert len(panels_of(dome(30.0, pixel_mm=1.0))) == 0
    assert len(find_panels(np.zeros((0, 3)), np.zeros((0, 3)), 1.0)) == 0
