"""The jacket against solids of revolution, plate and beam theory, and its own mould's other half."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely
from mouldloft.brief import Brief, JacketBrief, KeysBrief
from mouldloft.heightmap import coarsen, fit_planes, outline, sample, surface_cells
from mouldloft.jacket import (
    BOLT_PITCH_MM,
    POISSON,
    WASHER_RADIUS_MM,
    dome_deflection_mm,
    find_panel,
    lay_up_jacket,
    plate_deflection_mm,
    plate_rigidity_nmm,
    plate_stress_mpa,
    section_length_mm,
    surface_samples,
)
from mouldloft.keys import Keys, set_keys
from mouldloft.laminate import lay_up, mat_g_m2_from_oz
from mouldloft.rims import points_along, widest_step_mm
from scipy.integrate import quad
from synthetic_gloves import FLANGE_THICKNESS_MM, FLANGE_WIDTH_MM, SKIN_MM, box, dome, half_torus, rubber_of

NO_KEYS = Keys((), ())
BRIEF = Brief()
EVEN = replace(BRIEF, jacket=JacketBrief(edge_extra_oz=0.0))
R = 300.0


def dome_area(radius):
    """Ball above the flange's top, and the flange round it (no skirt shows: the draft touches below the
    flange).
    """
    ball = 2 * np.pi * radius * (radius - FLANGE_THICKNESS_MM)  # Archimedes: a zone's area is 2 pi R h
    inner = np.sqrt(radius**2 - FLANGE_THICKNESS_MM**2)
    d = np.radians(3)
    outer = radius * np.cos(d) + radius * np.sin(d) * np.tan(d) + FLANGE_WIDTH_MM
    return ball, np.pi * (outer**2 - inner**2)


@pytest.fixture(scope="module")
def pair():
    """A mould in two halves with keys, the pulls along +x and -x."""
    rubber = rubber_of(
        dome(R, pull=(1, 0, 0), name="left piece"), dome(R, pull=(-1, 0, 0), piece=1, name="right piece")
    )
    keys = set_keys(rubber, None, None, BRIEF.keys)
    return rubber, keys, lay_up_jacket(None, None, rubber, keys, BRIEF)


# --- area, mass, centre


def test_area_is_the_ball_s_and_converges():
    ball, flange = dome_area(200.0)
    errors = []
    for pixel in (4.0, 2.0, 1.0):
        e = dome(200.0, pixel_mm=pixel)
        found = surface_cells(e.outer_mm, e.origin_mm, pixel).area_mm2.sum()
        errors.append(abs(found / (ball + flange) - 1))
    assert errors[2] < 0.004
    assert errors[2] < errors[1] < errors[0]


@pytest.mark.parametrize("turn_deg", [0.0, 10.0, 22.5, 45.0])
def test_area_of_a_drafted_wall_at_any_angle_to_the_pixels(turn_deg):
    # plane geometry: a wall of draft d covers plan area / sin d; 3 degrees is steeper than a pixel can follow
    half, height, draft, p = 250, 200.0, np.radians(3.0), 1.0
    x = p * (np.arange(-half, half) + 0.5)
    gx, gy = np.meshgrid(x, x)
    along = gx * np.cos(np.radians(turn_deg)) + gy * np.sin(np.radians(turn_deg))
    cells = surface_cells(np.clip(height / 2 - along / np.tan(draft), 0, height), (x[0], x[0]), p)
    disc = np.hypot(cells.centre_mm[..., 0], cells.centre_mm[..., 1]) < 200
    w, r = height * np.tan(draft) / 2, 200.0
    strip = 2 * (w * np.sqrt(r * r - w * w) + r * r * np.arcsin(w / r))
    wall = cells.area_mm2[disc].sum() - (disc.sum() * p * p - strip)
    assert wall == pytest.approx(strip / np.sin(draft), rel=0.01)


def test_cells_at_a_ragged_rim():
    # a level map with one pixel out: the three corners left make half a cell; two corners make none
    z = np.zeros((3, 3))
    z[0, 0] = np.nan
    assert surface_cells(z, (0, 0), 2.0).area_mm2 == pytest.approx(np.array([[2.0, 4.0], [4.0, 4.0]]))
    z[0, 1] = np.nan
    assert surface_cells(z, (0, 0), 2.0).area_mm2 == pytest.approx(np.array([[0.0, 2.0], [4.0, 4.0]]))


def test_mass_and_centre_of_a_dome_of_one_laminate():
    rubber = rubber_of(dome(R))
    (piece,) = lay_up_jacket(None, None, rubber, NO_KEYS, EVEN).pieces
    ball, flange = dome_area(R)
    assert piece.area_mm2 == pytest.approx(ball + flange, rel=0.005)
    assert sum(z.area_mm2 for z in piece.zones) == pytest.approx(piece.area_mm2)
    # suppliers' guide: at 30 % glass, 6 kg of glass makes 20 kg of laminate; 4 oz sold is 1200 g/m2
    assert piece.mass_kg == pytest.approx((ball + flange) * 1e-6 * 1.2 * 20 / 6, rel=0.005)
    assert piece.mass_kg == pytest.approx(sum(z.glass_kg + z.resin_kg for z in piece.zones))
    # Archimedes: a zone's centre is midway between its planes
    t = FLANGE_THICKNESS_MM
    by_hand = (ball * (R + t) / 2 + flange * t) / (ball + flange)
    assert piece.centre_of_mass_mm == pytest.approx((0, 0, by_hand), abs=1.0)
    low, high = piece.mass_interval_kg.low, piece.mass_interval_kg.high
    assert low < piece.mass_kg < high


def test_zones_of_a_dome():
    rubber = rubber_of(dome(R))
    (piece,) = lay_up_jacket(None, None, rubber, NO_KEYS, BRIEF).pieces
    field, edge, flange = piece.zones
    assert (field.name, edge.name, flange.name) == ("field", "handling edge", "flange")
    ball, ring = dome_area(R)
    # a cell astride the flange's inner edge counts to the wall: up to two pixels (4 mm) along it, half of
    # one outside
    assert ring - 2 * np.pi * (R * 4 + 360 * 1.5) < flange.area_mm2 < ring
    # 40 mm of band up a wall that rises nearly straight: a belt of the ball 40 mm high (chord for arc: 1 %
    # here)
    assert edge.area_mm2 == pytest.approx(2 * np.pi * R * 40, rel=0.08)
    assert field.area_mm2 == pytest.approx(ball - edge.area_mm2, rel=0.02)
    assert edge.mat_g_m2 == flange.mat_g_m2 > field.mat_g_m2
    assert sum(int(m.split()[0]) for m in flange.layers) == flange.mat_g_m2


def test_keys_add_their_sides(pair):
    rubber, keys, jacket = pair
    bare = lay_up_jacket(None, None, rubber, NO_KEYS, BRIEF)
    added = jacket.pieces[0].area_mm2 - bare.pieces[0].area_mm2
    # a cone's side less the ring it stands on, pi (r + s)(slant - run); less where a slope shears it
    mine = [k for k in keys.keys if k.piece == 0]
    k = mine[0]
    run = (k.base_diameter_mm - k.top_diameter_mm) / 2
    each = np.pi * (k.base_diameter_mm + k.top_diameter_mm) / 2 * (np.hypot(run, k.height_mm) - run)
    assert 0.6 * len(mine) * each < added < 1.1 * len(mine) * each


def test_rubber_mass_is_its_volume(pair):
    rubber, _, jacket = pair
    # typical published density of brushable silicone, 1.07 to 1.09
    for piece, parts in zip(jacket.pieces, rubber.parts, strict=True):
        assert 1.07 <= piece.rubber_mass_kg / (parts.total_mm3 * 1e-6) <= 1.09
        assert piece.lift_with_glove.load_kg == pytest.approx(piece.mass_kg + piece.rubber_mass_kg)


def test_the_catalogue_s_rubber_and_mats_count():
    from mouldloft.catalogue import read_catalogue
    from mouldloft.keys import rubber_stuff

    shelf = read_catalogue(None)
    rubber = rubber_of(dome(200.0))
    material = replace(shelf.rubber[0], density_kg_m3=1300.0, young_modulus_mpa=0.9)
    only_light = tuple(m for m in shelf.mat if m.mat_g_m2 == 300)
    (piece,) = lay_up_jacket(
        None, None, rubber, NO_KEYS, BRIEF, replace(shelf, rubber=(material,), mat=only_light)
    ).pieces
    assert piece.rubber_mass_kg == pytest.approx(1.30e-6 * rubber.parts[0].total_mm3)
    assert piece.zones[0].layers == ("300 g/m²",) * 4
    assert rubber_stuff(material).density_kg_dm3 == pytest.approx(1.3)
    assert rubber_stuff(material).modulus_mpa == 0.9


def test_an_open_base_is_not_covered():
    whole = rubber_of(dome(200.0, pull=(1, 0, 0)))
    cut = rubber_of(dome(200.0, pull=(1, 0, 0), open_below_mm=0.0))
    a, b = (lay_up_jacket(None, None, r, NO_KEYS, BRIEF).pieces[0] for r in (whole, cut))
    assert b.area_mm2 == pytest.approx(a.area_mm2 / 2, rel=0.01)
    assert min(p[2] for p in b.bolts_mm) > 0
    assert b.centre_of_mass_mm[2] > 50


# --- bolts and wedges


def test_bolts_stand_on_the_flange_clear_of_keys_and_not_too_far_apart(pair):
    _, keys, jacket = pair
    feet = np.array([k.foot_mm for k in keys.keys])
    reach = np.array([k.reach_mm for k in keys.keys])
    edge = np.array([k.where == "edge" for k in keys.keys])
    for piece in jacket.pieces:
        bolts = np.array(piece.bolts_mm)
        r = np.hypot(bolts[:, 1], bolts[:, 2])
        assert (np.abs(bolts[:, 0]) < 1e-6).all(), "on the parting surface"
        assert ((r > R + WASHER_RADIUS_MM) & (r < R + FLANGE_WIDTH_MM - WASHER_RADIUS_MM + 2)).all()
        across = np.linalg.norm(bolts[:, None, 1:] - feet[None, edge, 1:], axis=2) - reach[edge]
        assert across.min() >= WASHER_RADIUS_MM - 1e-6
        angle = np.sort(np.arctan2(bolts[:, 2], bolts[:, 1]))
        steps = np.diff(np.append(angle, angle[0] + 2 * np.pi)) * r.mean()
        assert steps.max() <= BOLT_PITCH_MM * 1.02
        assert piece.bolt_pitch_mm == pytest.approx(steps.max(), rel=0.02)


def test_both_halves_take_the_same_bolts_and_wedges(pair):
    _, _, jacket = pair
    one, other = jacket.pieces
    for mine, theirs in ((one.bolts_mm, other.bolts_mm), (one.wedge_points_mm, other.wedge_points_mm)):
        assert np.array(sorted(mine)) == pytest.approx(np.array(sorted(theirs)), abs=1e-3)


def test_wedges_go_in_at_the_rim_between_bolts(pair):
    _, _, jacket = pair
    for piece in jacket.pieces:
        wedges, bolts = np.array(piece.wedge_points_mm), np.array(piece.bolts_mm)
        assert len(wedges) >= 4
        assert (np.hypot(wedges[:, 1], wedges[:, 2]) > R + FLANGE_WIDTH_MM - 8).all()
        assert np.linalg.norm(wedges[:, None] - bolts[None], axis=2).min() >= 35 - 1e-6


def test_a_ring_is_bolted_in_its_hole_too():
    rubber = rubber_of(half_torus(300, 100))
    (piece,) = lay_up_jacket(None, None, rubber, NO_KEYS, BRIEF).pieces
    r = np.hypot(*np.array(piece.bolts_mm)[:, :2].T)
    assert (r < 200).any()
    assert (r > 400).any()


def test_no_flange_no_bolts():
    rubber = rubber_of(dome(200.0, flange_width_mm=0.0))
    (piece,) = lay_up_jacket(None, None, rubber, NO_KEYS, BRIEF).pieces
    assert piece.bolts_mm == ()
    assert piece.bolt_pitch_mm == 0.0
    assert not any("flange" in c.what for c in piece.checks)


def test_points_along_lines_by_hand():
    everywhere = lambda spots: np.ones(len(spots), bool)  # noqa: E731
    none = np.zeros((0, 2))
    straight = [shapely.LineString([(0, 0), (1000, 0)])]
    x = points_along(straight, 150.0, everywhere, none)[:, 0]
    assert np.diff(x).max() <= 150.0
    assert len(x) == 8, "seven steps of at most 150 span a metre"
    ring = [shapely.LinearRing([(0, 0), (300, 0), (300, 300), (0, 300)])]
    round_ = points_along(ring, 150.0, everywhere, none)
    along = [ring[0].project(shapely.Point(p)) for p in round_]
    steps = np.diff([*along, along[0] + 1200.0])
    assert len(round_) in (8, 9)  # eight of exactly 150, or nine when places come every 4 mm
    assert 100.0 <= steps.min() <= steps.max() <= 150.0
    # a stretch where none may stand is stepped over; shared points come first and keep others off
    gap = points_along(straight, 150.0, lambda s: (s[:, 0] < 300) | (s[:, 0] > 520), none)[:, 0]
    assert not ((gap >= 300) & (gap <= 520)).any()
    assert gap.max() > 900
    shared = points_along(straight, 150.0, everywhere, np.array([[500.0, 0.0]]))
    assert shared[0] == pytest.approx([500, 0])
    assert np.abs(shared[1:, 0] - 500).min() >= 0.75 * 150
    # two lines that end side by side share the point there
    two = [*straight, shapely.LineString([(0, 15), (0, 900)])]
    both = points_along(two, 150.0, everywhere, none)
    apart = np.linalg.norm(both[:, None] - both[None], axis=2) + 1e9 * np.eye(len(both))
    assert apart.min() >= 0.4 * 150
    assert widest_step_mm(straight, points_along(straight, 150.0, everywhere, none), 5.0) <= 150.0
    assert widest_step_mm(straight, none, 5.0) == 1000.0


# --- loads


def test_point_and_spread_load_agree_by_reciprocity():
    # Betti: the middle's sag under spread load is the sum of its sags under point loads at every radius;
    # influence of a load at r on the middle of a clamped plate, (r² ln(r/a) + (a² - r²)/2) / 8 pi D
    # (Timoshenko, from memory)
    a, rigidity, q = 180.0, 12_900.0, 1e-3

    def influence(r):
        return (r * r * np.log(r / a) + (a * a - r * r) / 2) / (8 * np.pi * rigidity)

    spread, _ = quad(lambda r: q * 2 * np.pi * r * influence(r), 0, a)
    assert plate_deflection_mm(a, 0.0, q, rigidity) == pytest.approx(spread, rel=1e-6)
    assert plate_deflection_mm(a, 1.0, 0.0, rigidity) == pytest.approx(influence(1e-6), rel=1e-6)


def test_plate_against_a_finite_difference_plate():
    # independent: clamped square plate under spread load, 13-point stencil; published coefficient 0.00126 q
    # b⁴/D (Timoshenko & Woinowsky-Krieger, from memory); the round plate inside it sags 1/64/16 = 0.00098 q
    # b⁴/D, the round plate of the same area more: the square lies between
    n = 41
    h = 1.0 / (n + 1)
    import scipy.sparse as sp
    from scipy.sparse.linalg import spsolve

    d2 = sp.diags([1.0, -2.0, 1.0], [-1, 0, 1], shape=(n, n)) / h**2
    d4 = sp.diags([1.0, -4.0, 6.0, -4.0, 1.0], [-2, -1, 0, 1, 2], shape=(n, n)).tolil()
    d4[0, 0] += 1.0  # clamped: the mirror point outside equals the first inside
    d4[-1, -1] += 1.0
    d4, eye = d4.tocsr() / h**4, sp.identity(n)
    system = sp.kron(d4, eye) + sp.kron(eye, d4) + 2 * sp.kron(d2, d2)
    square = spsolve(system.tocsc(), np.ones(n * n)).reshape(n, n)[n // 2, n // 2]
    assert square == pytest.approx(0.00126, rel=0.03)
    inside, same_area = plate_deflection_mm(0.5, 0, 1, 1), plate_deflection_mm(1 / np.sqrt(np.pi), 0, 1, 1)
    assert inside < square < same_area


def test_shallow_dome_by_hand():
    # from memory, Reissner 1946: w = sqrt(3 (1 - nu²))/4 · P R / E t²; by hand for 300 N, R 1 m, 6400 MPa,
    # 2.8 mm
    assert dome_deflection_mm(1000.0, 300.0, 6400.0, 2.8) == pytest.approx(2.47, abs=0.01)
    assert POISSON == 0.3


def test_stress_of_the_spread_load_at_the_rim():
    # Timoshenko, from memory: 6/t² · q a²/8 at a clamped rim
    assert plate_stress_mpa(200.0, 0.0, 1e-3, 3.0) == pytest.approx(6 / 9 * 1e-3 * 200**2 / 8)
    assert plate_stress_mpa(200.0, 300.0, 1e-3, 3.0) > plate_stress_mpa(100.0, 300.0, 1e-3, 3.0)


LAMINATE = lay_up(mat_g_m2_from_oz(4), 0.30)


def samples_of(envelope):
    cells = surface_cells(envelope.outer_mm, envelope.origin_mm, envelope.pixel_mm)
    body = (cells.area_mm2 > 0) & (cells.centre_mm[..., 2] > FLANGE_THICKNESS_MM + 0.1)
    return surface_samples(cells.area_mm2[body], cells.centre_mm[body], cells.normal[body], envelope.pixel_mm, 20_000)


def test_samples_lie_on_the_surface_evenly():
    points, _, each = samples_of(dome(R))
    assert np.linalg.norm(points, axis=1) == pytest.approx(R, abs=4.0)
    # Archimedes again: equal heights of a ball carry equal areas
    share, _ = np.histogram(points[:, 2], bins=[20, 90, 160, 230, 300])
    assert share == pytest.approx(2 * np.pi * R * 70 / each, rel=0.03)


def test_the_panel_of_a_flat_top_is_the_top():
    top = 500.0
    points, normals, each = samples_of(box(top, top, 150.0))
    panel = find_panel(points, normals, each, LAMINATE, 300.0, 1e-4)
    assert 0.4 * top <= panel.radius_mm <= 0.66 * top
    assert panel.centre_mm[2] == pytest.approx(150.0, abs=0.5)
    rigidity = plate_rigidity_nmm(LAMINATE.modulus_mpa, LAMINATE.thickness_mm)
    assert panel.deflection_mm == pytest.approx(plate_deflection_mm(panel.radius_mm, 300.0, 1e-4, rigidity))


def test_the_panel_of_a_ball_gives_as_a_shallow_shell():
    points, normals, each = samples_of(dome(800.0, pixel_mm=4.0))
    panel = find_panel(points, normals, each, LAMINATE, 300.0, 1e-4)
    assert panel.curve_radius_mm == pytest.approx(800.0, rel=0.08)
    by_hand = dome_deflection_mm(800.0, 300.0, LAMINATE.modulus_mpa, LAMINATE.thickness_mm)
    assert panel.deflection_mm == pytest.approx(by_hand, rel=0.12)


def test_a_steep_flat_side_is_found():
    # a tall box with a small top: the side, at 3 degrees of draft, is the flattest panel
    points, normals, each = samples_of(box(120.0, 600.0, 400.0, draft_deg=3.0, pixel_mm=1.0))
    panel = find_panel(points, normals, each, LAMINATE, 300.0, 1e-4)
    assert panel.radius_mm > 120
    assert abs(panel.centre_mm[0]) > 55
    assert 100 < panel.centre_mm[2] < 300


def test_nothing_to_check_on_a_thumbnail():
    points, normals, each = samples_of(dome(30.0, pixel_mm=1.0))
    assert find_panel(points, normals, each, LAMINATE, 300.0, 1e-4) is None


def test_section_length_of_a_ball():
    # the level cut of a ball, 2 pi sqrt(R² - z²), half of it on each side of the parting
    e = dome(R, pull=(1, 0, 0))
    cells = surface_cells(e.outer_mm, e.origin_mm, e.pixel_mm)
    body = (cells.area_mm2 > 0) & (cells.centre_mm[..., 2] > FLANGE_THICKNESS_MM + 0.1)
    centre, normal = e.frame.to_master(cells.centre_mm[body]), e.frame.to_master(cells.normal[body])
    for z in (0.0, 100.0, 200.0):
        r = np.sqrt(R**2 - z**2)
        by_hand = 2 * r * np.arccos(FLANGE_THICKNESS_MM / r)
        assert section_length_mm(cells.area_mm2[body], centre, normal, z) == pytest.approx(by_hand, rel=0.05)


def test_checks_state_their_loads_and_flat_pieces_fail():
    (flat,) = lay_up_jacket(None, None, rubber_of(box(700, 700, 100)), NO_KEYS, BRIEF).pieces
    (round_,) = lay_up_jacket(None, None, rubber_of(dome(R)), NO_KEYS, BRIEF).pieces
    by_what = {c.what.split(",")[0]: c for c in flat.checks}
    assert not by_what["deflection of the flattest panel"].passes
    assert all(c.passes for c in round_.checks)
    assert len(round_.checks) == 6
    for check in flat.checks + round_.checks:
        assert check.passes == (check.value <= check.limit)
        assert "memory" in check.method
        assert any(c.isdigit() for c in check.load)


def test_flange_against_a_finite_difference_beam(pair):
    # independent: E I w'''' = q, held at both ends, solved on 200 points
    rubber, _, jacket = pair
    piece = jacket.pieces[0]
    check = next(c for c in piece.checks if c.what.startswith("flange between bolts"))
    laminate = lay_up(mat_g_m2_from_oz(6), 0.30)
    n, span = 200, piece.bolt_pitch_mm
    h = span / (n + 1)
    d4 = sum(np.diag(np.full(n - abs(k), v), k) for k, v in zip((-2, -1, 0, 1, 2), (1.0, -4, 6, -4, 1), strict=True))
    d4[0, 0] += 1
    d4[-1, -1] += 1
    force = float(check.load.split("(")[1].split(" N")[0]) * 2 / (piece.zones[2].area_mm2 / FLANGE_WIDTH_MM)
    stiff = laminate.modulus_mpa * FLANGE_WIDTH_MM * laminate.thickness_mm**3 / 12
    sag = np.linalg.solve(d4 / h**4 * stiff, np.full(n, force)).max()
    assert check.value == pytest.approx(sag, rel=0.01)
    assert rubber.flange_width_mm == FLANGE_WIDTH_MM


def test_more_glass_is_stiffer_and_heavier():
    rubber = rubber_of(box(500, 500, 100))
    thin, thick = (
        lay_up_jacket(None, None, rubber, NO_KEYS, replace(BRIEF, jacket=JacketBrief(mat_oz=oz))).pieces[0]
        for oz in (4.0, 8.0)
    )
    assert thick.mass_kg > thin.mass_kg
    assert thick.checks[0].value / thick.checks[0].limit < thin.checks[0].value / thin.checks[0].limit


# --- advice


def test_heavy_pieces_ask_for_hands_or_for_more_pieces(pair):
    rubber, keys, _ = pair
    few = replace(BRIEF, jacket=JacketBrief(lifters=1, lift_limit_per_person_kg=6.0))
    jacket = lay_up_jacket(None, None, rubber, keys, few)
    assert not jacket.pieces[0].lift_with_glove.passes
    told = " ".join(jacket.advice)
    assert "use 2 people" in told
    assert "split the piece" in told
    weak = replace(BRIEF, jacket=JacketBrief(lift_limit_per_person_kg=1.0))
    assert any("hoist" in a for a in lay_up_jacket(None, None, rubber, keys, weak).advice)


def test_a_soft_panel_gets_a_remedy():
    jacket = lay_up_jacket(None, None, rubber_of(box(700, 700, 100)), NO_KEYS, BRIEF)
    assert any("rib" in a and "oz of mat" in a for a in jacket.advice)
    assert jacket.gelcoat_kg == 0.0


# --- height maps


def test_plane_fit_is_exact_up_to_the_edge():
    y, x = np.mgrid[0:60, 0:80] * 2.0
    inside = np.hypot(x - 80, y - 60) < 45
    fit = fit_planes(0.7 * x - 0.3 * y + 12, inside, 2.0, 10.0)
    assert fit.gradient_x[inside] == pytest.approx(0.7, abs=1e-6)
    assert fit.gradient_y[inside] == pytest.approx(-0.3, abs=1e-6)
    assert np.isnan(fit.gradient_x[~inside]).all()
    assert (fit.roughness_mm[inside] < 1e-3).all()


def test_curvature_reads_a_ball():
    y, x = (np.mgrid[0:121, 0:121] - 60) * 2.0
    ball = np.sqrt(400.0**2 - x**2 - y**2)
    fit = fit_planes(ball, np.ones_like(ball, bool), 2.0, 12.0)
    assert fit.curve_radius_mm(12.0)[60, 60] == pytest.approx(400.0, rel=0.03)
    tube = np.sqrt(400.0**2 - x**2)
    along = fit_planes(tube, np.ones_like(tube, bool), 2.0, 12.0).curve_radius_mm(12.0)[60, 60]
    assert along == pytest.approx(400.0 * np.sqrt(2), rel=0.03)


def test_blocks_outline_and_samples():
    z = np.arange(20.0).reshape(4, 5)
    inside = np.ones_like(z, bool)
    inside[0, 0] = False
    mean, share = coarsen(z, inside, 2)
    assert mean.shape == (2, 3)
    assert mean[0, 0] == pytest.approx((1 + 5 + 6) / 3)
    assert share[0, 0] == 0.75
    assert share[1, 2] == 0.5
    ragged = np.hypot(*np.meshgrid(np.arange(200) - 99.3, np.arange(200) - 80.2)) < 70
    crooked = outline(ragged, (-17.3, 912.7), 10 / 7)  # no crack between rows where pixels do not add up exactly
    assert crooked.geom_type == "Polygon"
    assert crooked.area == pytest.approx(ragged.sum() * (10 / 7) ** 2, rel=0.01)
    assert crooked.centroid.coords[0] == pytest.approx((-17.3 + 99.3 * 10 / 7, 912.7 + 80.2 * 10 / 7), abs=0.5)
    x = np.arange(-60, 60) + 0.5
    disc = np.hypot(*np.meshgrid(x, x)) < 50
    shape = outline(disc, (x[0], x[0]), 1.0)
    assert shape.area == pytest.approx(np.pi * 2500, rel=0.01)
    assert shape.length == pytest.approx(100 * np.pi, rel=0.06)
    assert sample(z, (0.0, 0.0), 1.0, np.array([[1.5, 2.5]])) == pytest.approx([1.5 + 5 * 2.5])
    z[0, 0] = np.nan
    assert sample(z, (0.0, 0.0), 1.0, np.array([[0.0, 0.0], [0.25, 0.0]]))[1] == 1.0
    assert KeysBrief().base_diameter_mm > SKIN_MM
