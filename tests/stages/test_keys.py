"""Keys against solids of revolution, rigid-body motion and plate theory."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from mouldloft.base.errors import BriefRefused
from mouldloft.inputs.brief import KeysBrief
from mouldloft.stages.keys.fixture import (
    RubberProperties,
    check_fixture,
    contact_stiffness,
    hung_sag_mm,
    recheck_keys,
    sag_of_patch_mm,
    smallest_stiffness,
)
from mouldloft.stages.keys.place import key_faults, set_keys
from mouldloft.stages.keys.record import Keys
from mouldloft.stages.keys.shape import key_bumps, key_profile_mm, key_volume_mm3, shape_key
from mouldloft.stages.keys.sites import pulled_off, steepest_slope, survey_sites
from mouldloft.stages.keys.wedges import wedge_height_mm
from mouldloft.stages.locks import LockRegion, Locks
from mouldloft.stages.master import Health, Master
from mouldloft.stages.seam.record import Seam, SeamFigures, SeamPiece
from scipy.integrate import quad, solve_bvp
from synthetic_gloves import (
    FLANGE_THICKNESS_MM,
    FLANGE_WIDTH_MM,
    SKIN_MM,
    box,
    dome,
    envelope_of,
    half_torus,
    rubber_of,
)

BRIEF = KeysBrief()
BRIEF_20 = replace(BRIEF, tilt_deg=20.0)


def flat_disc(radius_mm: float, **options):
    """A level round plate of rubber with no flange."""
    options.setdefault("flange_width_mm", 0.0)
    return envelope_of(lambda x, y: np.where(np.hypot(x, y) <= radius_mm, 50.0, np.nan), radius_mm + 10, **options)


def key_at(x, y, z=50.0, brief=BRIEF, **options):
    return shape_key("K", 0, "middle", (x, y, z), brief, **options)


# --- one key


@pytest.mark.parametrize("scale", [1.0, 0.4])
@pytest.mark.parametrize("taper", [3.0, 20.0, 45.0])
def test_volume_is_the_solid_of_revolution(taper, scale):
    key = key_at(0, 0, brief=replace(BRIEF, taper_deg=taper), scale=scale)
    # shells: V = 2 pi integral of r h(r) dr, by quadrature
    corners = [key.top_diameter_mm / 2, key.base_diameter_mm / 2]
    shells, _ = quad(
        lambda r: 2 * np.pi * r * float(key_profile_mm(key, r)), 0, key.reach_mm, points=corners, limit=400
    )
    assert key.volume_mm3 == pytest.approx(shells, rel=1e-6)
    assert key.taper_deg == pytest.approx(taper)


def test_sharp_root_is_the_frustum_of_the_schoolbook():
    key = replace(key_at(0, 0), blend_mm=0.0)
    r, s, h = key.base_diameter_mm / 2, key.top_diameter_mm / 2, key.height_mm
    assert key_volume_mm3(key) == pytest.approx(np.pi * h / 3 * (r * r + r * s + s * s))
    assert key_at(0, 0).volume_mm3 > key_volume_mm3(key)  # the blend adds rubber


def test_blend_is_smooth():
    key = key_at(0, 0)
    r = np.linspace(key.top_diameter_mm / 2 + 0.01, key.reach_mm + 2, 40_001)
    fall = np.gradient(key_profile_mm(key, r), r)
    assert np.abs(np.diff(fall)).max() < 0.05  # a sharp root jumps by cot(20 deg) = 2.7
    assert key_profile_mm(key, np.array([key.reach_mm]))[0] == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("pull", [(0, 0, 1), (1, 0, 0), (-0.6, 0.64, 0.48)])
def test_rasterised_bump_has_the_volume_on_any_slope(pull):
    # shear keeps volume (Cavalieri); 0.25 mm pixels
    slope = envelope_of(lambda x, y: np.where(np.hypot(x, y) < 40, 60 + 0.8 * x, np.nan), 45, pixel_mm=0.25, pull=pull)
    foot = slope.frame.to_master(np.array([[3.1, -2.2, 60 + 0.8 * 3.1]]))[0]
    key = shape_key("K", 0, "middle", foot, BRIEF)
    bumps = key_bumps(slope, [key, replace(key, piece=1)])
    assert bumps.dtype == np.float32
    assert float(bumps.sum(dtype=float)) * 0.25**2 == pytest.approx(key.volume_mm3, rel=2e-3)
    i, j = np.unravel_index(int(np.argmax(bumps)), bumps.shape)
    x, y = slope.origin_mm[0] + 0.25 * j, slope.origin_mm[1] + 0.25 * i
    assert np.hypot(x - 3.1, y + 2.2) <= key.top_diameter_mm / 2


def test_no_bump_where_there_is_no_rubber():
    plate = flat_disc(100, open_below_mm=0.0)
    bumps = key_bumps(plate, [key_at(0, 0), key_at(2000, 0)])
    assert (bumps[plate.open_base] == 0).all()
    assert bumps.max() == pytest.approx(BRIEF.height_mm)


def test_a_key_with_no_top_is_refused():
    with pytest.raises(BriefRefused, match="runs to a point"):
        key_at(0, 0, brief=replace(BRIEF, height_mm=40.0, taper_deg=45.0))


# --- the fixture


def contact(feet, gyration=200.0, centre=(0, 0, 0)):
    n = len(feet)
    base, top, height = np.full(n, 40.0), np.full(n, 31.3), np.full(n, 12.0)
    return contact_stiffness(np.asarray(feet, float), base, top, height, np.asarray(centre, float), gyration)


def ring(n, radius=250.0):
    a = 2 * np.pi * np.arange(n) / n
    return np.column_stack([radius * np.cos(a), radius * np.sin(a), np.zeros(n)])


def test_one_round_key_leaves_its_own_turn_free():
    # rigid-body kinematics: a cone of revolution cannot resist a turn about its own axis
    assert smallest_stiffness(contact([[80, 30, 10]])) < 1e-7
    assert smallest_stiffness(contact(ring(3))) > BRIEF.least_stiffness
    assert smallest_stiffness(np.zeros((0, 6, 6))) == 0.0


def test_slides_of_a_cone_by_hand():
    # for a cone of taper t the mean squared normal is cos²t/2 across and sin²t along (integrals of cos² and
    # 1)
    t = np.arctan2((40 - 31.3) / 2, 12.0)
    one = contact([[0, 0, 0]])[0]
    assert np.diag(one)[:3] == pytest.approx([np.cos(t) ** 2 / 2, np.cos(t) ** 2 / 2, np.sin(t) ** 2])


def test_stiffness_is_the_least_movement_of_the_sides():
    # independent: move the sampled sides by small rigid motions; rms normal movement is never under the
    # stiffness
    rng = np.random.default_rng(3)
    feet = rng.normal(size=(5, 3)) * [200, 150, 40]
    gyration, centre = 180.0, np.array([10.0, -5.0, 3.0])
    matrix = contact(feet, gyration, centre)
    least = smallest_stiffness(matrix)
    run, height = (40 - 31.3) / 2, 12.0
    taper = np.arctan2(run, height)
    a = np.linspace(0, 2 * np.pi, 360, endpoint=False)
    up = (np.arange(20) + 0.5) / 20
    points, normals = [], []
    for foot in feet:
        for u in up:
            radius = 20 - run * u
            points.append(foot + np.column_stack([radius * np.cos(a), radius * np.sin(a), np.full(360, height * u)]))
            side = np.column_stack([np.cos(taper) * np.cos(a), np.cos(taper) * np.sin(a), np.full(360, np.sin(taper))])
            normals.append(side)
    p, n = np.concatenate(points), np.concatenate(normals)

    def movement(motion):
        moved = motion[:3] + np.cross(motion[3:] / gyration, p - centre)
        return np.sqrt(np.mean((moved * n).sum(axis=1) ** 2))

    motions = rng.normal(size=(60, 6))
    motions /= np.linalg.norm(motions, axis=1, keepdims=True)
    assert min(movement(m) for m in motions) >= least * 0.999
    freest = np.linalg.eigh(matrix.sum(axis=0))[1][:, 0]
    assert movement(freest) == pytest.approx(least, rel=0.01)


def test_taking_keys_away_never_holds_better():
    rng = np.random.default_rng(5)
    matrix = contact(rng.normal(size=(9, 3)) * [300, 200, 60])
    for n in range(9, 1, -1):
        more = smallest_stiffness(matrix[:n]) * np.sqrt(n)
        fewer = smallest_stiffness(matrix[: n - 1]) * np.sqrt(n - 1)
        assert fewer <= more + 1e-12


def test_sag_is_the_clamped_plate():
    # independent: the axisymmetric plate equation solved numerically, with the weight of 10 mm of rubber
    a, t, properties = 120.0, 10.0, RubberProperties(density_kg_dm3=1.08, modulus_mpa=0.7)
    rigidity = 0.7 * t**3 / (12 * (1 - 0.25))
    q = 1.08e-6 * 9.80665 * t

    def plate(r, y):  # w, slope, and Q = q r / 2: slope'' + slope'/r - slope/r² = -q r / 2D (sign: w downwards)
        _, s, ds = y
        with np.errstate(divide="ignore", invalid="ignore"):
            bend = np.where(r > 0, -ds / r + s / r**2, 0.0)
        return np.vstack([s, ds, bend + q * r / (2 * rigidity)])

    r = np.linspace(1e-3, a, 200)
    solved = solve_bvp(plate, lambda at0, at_a: np.array([at0[1], at_a[0], at_a[1]]), r, np.zeros((3, 200)))
    assert solved.success
    assert sag_of_patch_mm(np.array(a), np.array(t), properties) == pytest.approx(abs(solved.sol(1e-3)[0]), rel=2e-3)


def test_widest_gap_of_a_square_grid():
    # plane geometry: between keys on a square grid of side s the widest circle reaches s/sqrt(2), less the
    # foot
    plate = flat_disc(300)
    s = 100.0
    keys = [key_at(x, y) for x in np.arange(-300, 301, s) for y in np.arange(-300, 301, s)]
    (check,) = recheck_keys(keys, rubber_of(plate), BRIEF)
    assert check.widest_gap_mm == pytest.approx(s / np.sqrt(2) - BRIEF.base_diameter_mm / 2, abs=8)
    (lone,) = recheck_keys([key_at(0, 0)], rubber_of(plate), BRIEF)
    assert lone.widest_gap_mm == pytest.approx(300 - 20, abs=8)
    assert lone.sag_mm == 0.0, "a level plate lies on its jacket"
    assert not lone.holds
    (none,) = recheck_keys([], rubber_of(plate), BRIEF)
    assert not none.holds
    assert none.stiffness == 0.0


# --- setting them


@pytest.fixture(scope="module")
def set_on_dome():
    rubber = rubber_of(dome(300.0))
    return rubber, set_keys(rubber, None, None, BRIEF)


def test_a_dome_is_held(set_on_dome):
    rubber, keys = set_on_dome
    assert all(c.holds for c in keys.checks)
    assert keys.notes == ()
    assert {k.where for k in keys.keys} == {"edge", "middle"}
    assert len({k.name for k in keys.keys}) == len(keys.keys)
    again = recheck_keys(keys.keys, rubber, BRIEF)
    assert [c.holds for c in again] == [True]
    assert again[0].stiffness == pytest.approx(keys.checks[0].stiffness, rel=0.02)
    assert check_fixture(keys, rubber, BRIEF) == again


def test_keys_stand_on_gentle_ground_and_on_the_rubber(set_on_dome):
    rubber, keys = set_on_dome
    for key in keys.keys:
        x, y, z = key.foot_mm
        r = np.hypot(x, y)
        if key.where == "middle":
            assert z == pytest.approx(np.sqrt(300.0**2 - r**2), abs=1.0)
            assert r / np.sqrt(300.0**2 - r**2) <= steepest_slope(BRIEF.taper_deg) * 1.02
        else:  # the ball's wall runs along the pull at its foot: wedges from the flange's root
            assert key.is_wedge
            assert 298.0 <= r <= 306.0
            assert z == pytest.approx(12.0, abs=0.2)
            assert np.array(key.out[:2]) == pytest.approx(np.array([x, y]) / r, abs=0.05)
            assert r + key.height_mm < 300 + FLANGE_WIDTH_MM / 2
    assert rubber.envelopes[0].flange.any()


def test_spacing_rules(set_on_dome):
    _, keys = set_on_dome
    edge = np.array([k.foot_mm for k in keys.keys if k.where == "edge"])
    angle = np.sort(np.degrees(np.arctan2(edge[:, 1], edge[:, 0])))
    widest = np.radians(np.diff(np.append(angle, angle[0] + 360)).max()) * np.hypot(*edge[0, :2])
    assert 0.9 * BRIEF.edge_spacing_mm <= widest <= 2 * 0.9 * BRIEF.edge_spacing_mm
    feet = np.array([k.foot_mm for k in keys.keys])
    apart = np.linalg.norm(feet[:, None] - feet[None], axis=2)[~np.eye(len(feet), dtype=bool)]
    assert apart.min() >= 1.5 * BRIEF.base_diameter_mm * 0.999


def test_the_same_ground_gives_the_same_keys(set_on_dome):
    rubber, keys = set_on_dome
    assert set_keys(rubber, None, None, BRIEF) == keys


def test_turning_the_piece_turns_the_keys(set_on_dome):
    _, keys = set_on_dome
    rubber = rubber_of(dome(300.0, pull=(0.6, 0, 0.8)))
    turned = set_keys(rubber, None, None, BRIEF)
    feet = rubber.envelopes[0].frame.to_frame(np.array([k.foot_mm for k in turned.keys]))
    assert feet == pytest.approx(np.array([k.foot_mm for k in keys.keys]), abs=1e-6)
    assert turned.checks[0].stiffness == pytest.approx(keys.checks[0].stiffness)


def test_only_what_tips_past_upright_hangs():
    # resolution of its weight: tipped by 10 degrees, a wall 85 degrees from level leans out by 5
    wall = np.array([0.0, 60.0, 70.0, 71.0, 80.0, 85.0, 90.0])
    share, lies = pulled_off(wall, 10.0)
    by_hand = np.sin(np.radians([0, 0, 0, 0, 0, 5, 10]))
    assert share == pytest.approx(by_hand, abs=1e-12)
    assert lies.tolist() == [True, True, True, False, False, False, False]  # with 10 degrees to spare
    assert not pulled_off(wall + 90.0, 10.0)[1].any()


@pytest.mark.parametrize("pixel_mm", [1.0, 2.0])
def test_sag_of_a_tipped_wall_by_hand(pixel_mm):
    # a long wall of 5 degrees' draft, 300 mm high, between a flat top and a flange that lie on the jacket: tipped by
    # 20 degrees, sin(15) of its weight hangs on a patch that reaches half its length up
    rubber = rubber_of(box(200, 900, 300, draft_deg=5.0, pixel_mm=pixel_mm))
    keys = [key_at(0, y, 300.0) for y in (-400, 0, 400)]
    (check,) = recheck_keys(keys, rubber, replace(BRIEF, tilt_deg=20.0), surveyed=survey_sites(rubber, BRIEF_20))
    half = (300 - FLANGE_THICKNESS_MM) / 2 / np.cos(np.radians(5))
    by_hand = float(hung_sag_mm(half, SKIN_MM, RubberProperties(), np.sin(np.radians(15))))
    assert check.sag_mm == pytest.approx(by_hand, rel=0.03)
    assert check.gap_centre_mm[2] == pytest.approx(156, abs=3)
    (level,) = recheck_keys(keys, rubber, replace(BRIEF, tilt_deg=0.0))
    assert level.sag_mm == 0.0


def test_rubber_on_the_board_does_not_sag():
    # pulled sideways, what is within the flange's thickness of the board (plan z = 0) lies on it
    rubber = rubber_of(dome(300.0, pull=(1, 0, 0), open_below_mm=0.0))
    (sites,) = survey_sites(rubber, BRIEF_20)
    z = rubber.envelopes[0].frame.to_master(sites.points_mm)[:, 2]
    steep = (sites.points_mm[:, 2] > 20) & (sites.points_mm[:, 2] < 50)
    assert not sites.hangs[z < 12].any()
    assert (sites.hangs[steep & (z > 24)] > 0).mean() > 0.95
    upright = survey_sites(rubber_of(dome(300.0)), BRIEF_20)[0]
    low = upright.points_mm[:, 2] < 50
    assert (upright.hangs[low & (upright.points_mm[:, 2] > 20)] > 0).mean() > 0.95
    assert not upright.hangs[upright.points_mm[:, 2] > 120].any()


def test_a_survey_makes_the_recheck_exact(set_on_dome):
    rubber, keys = set_on_dome
    surveyed = survey_sites(rubber, BRIEF)
    assert recheck_keys(keys.keys, rubber, BRIEF, surveyed=surveyed) == keys.checks


def test_more_keys_are_added_for_a_tighter_limit():
    # tipped nearly upright, a dome's upper side hangs from its keys
    rubber = rubber_of(dome(450.0, pixel_mm=4.0))
    tipped = replace(BRIEF, tilt_deg=80.0)
    loose = set_keys(rubber, None, None, replace(tipped, sag_limit_mm=200.0))
    tight = set_keys(rubber, None, None, replace(tipped, sag_limit_mm=4.0))
    assert len(tight.keys) > len(loose.keys)
    assert loose.checks[0].holds
    assert tight.checks[0].sag_mm < loose.checks[0].sag_mm


def test_no_key_stands_on_a_flange_and_a_wedge_runs_out_along_the_pull():
    rubber = rubber_of(half_torus(250, 120))
    keys = set_keys(rubber, None, None, BRIEF)
    assert keys.checks[0].holds
    envelope = rubber.envelopes[0]
    tabs = Keys(tuple(k for k in keys.keys if not k.is_wedge), ())
    assert tabs.keys
    assert key_bumps(envelope, tabs.keys)[envelope.flange].max() == 0.0
    wedge = next(k for k in set_keys(rubber_of(dome(300.0)), None, None, BRIEF).keys if k.is_wedge)
    out = np.linspace(0.0, wedge.height_mm, 50)
    height = wedge_height_mm(wedge, out, np.zeros(50))
    assert (np.diff(height) < 0).all()  # no lock: it only falls outwards, and is gone where it stands out most
    assert height[-1] == pytest.approx(0.0, abs=1e-9)
    assert 60.0 * 0.8 <= wedge.length_mm <= 120.0


def test_a_narrow_flange_takes_smaller_wedges():
    narrow = replace(rubber_of(dome(300.0, flange_width_mm=20.0)), flange_width_mm=20.0)
    keys = set_keys(narrow, None, None, BRIEF)
    edge = [k for k in keys.keys if k.where == "edge"]
    assert edge
    assert max(k.height_mm for k in edge) <= 10.0
    assert keys.checks[0].holds


def test_no_room_is_told():
    # a body of tight ribs with no flange: nowhere to stand
    ribs = envelope_of(
        lambda x, y: np.where(np.hypot(x, y) < 200, 100 + 30 * np.sin(x / 6), np.nan),
        210,
        flange_width_mm=0.0,
    )
    keys = set_keys(rubber_of(ribs), None, None, BRIEF)
    assert keys.keys == ()
    assert not keys.checks[0].holds
    assert "no keys" in keys.checks[0].reason


def master_with(vertices, faces):
    n = np.cross(vertices[faces[:, 1]] - vertices[faces[:, 0]], vertices[faces[:, 2]] - vertices[faces[:, 0]])
    area = np.linalg.norm(n, axis=1)
    health = Health(0, 0, False, 0, 0, 0, True)
    return Master(
        name="patch", vertices_mm=vertices, faces=faces, normals=n / area[:, None], face_areas_mm2=area / 2,
        base_faces=np.zeros(len(faces), bool), base="open", area_mm2=1.0, base_area_mm2=0.0, volume_mm3=1.0,
        height_mm=1.0, size_mm=(1, 1, 1), scale=1.0, unit_assumed="", detail_allowance=1.0,
        detail_allowance_uncertainty=0.0, source_hash="", health=health,
    )  # fmt: skip


def seam_of(labels):
    figures = SeamFigures("plane", 0, 0, 0, 0, 0)
    piece = SeamPiece("upper piece", (0, 0, 1), 1.0)
    return Seam("plane", labels, (piece,), (), 0.0, 0.0, figures, None, ())


def locks_of(fill_mm, region):
    zeros = np.zeros_like(fill_mm)
    return Locks((region,), 1.0, 1.0, 1.0, 0.1, 0.3, 4.8, zeros, zeros, fill_mm)


def test_no_key_over_thin_lock_fill():
    # a patch of locked faces 240 mm wide in the middle of a flat top
    plate = box(700, 700, 80)
    rubber = rubber_of(plate)
    corners = np.array([[-120, -120, 40], [120, -120, 40], [120, 120, 40], [-120, 120, 40]], float)
    master = master_with(corners, np.array([[0, 1, 2], [0, 2, 3]], np.int32))
    region = LockRegion("top", 0, 240.0**2, 30.0, 0.1, 1e6, (0, 0, 40), 40.0, np.array([0, 1], np.int32))
    seam = seam_of(np.zeros(2, np.int8))
    loose = replace(BRIEF, sag_limit_mm=1e9)

    def over(keys):
        return [k for k in keys.keys if max(abs(k.foot_mm[0]), abs(k.foot_mm[1])) < 120 + k.reach_mm - 6]

    thick, thin, texture = (locks_of(np.full(2, f * SKIN_MM, np.float32), region) for f in (3.0, 0.7, 0.3))
    assert over(set_keys(rubber, None, None, loose)), "without the lock keys stand there"
    assert not over(set_keys(rubber, thin, seam, loose, master=master))
    assert over(set_keys(rubber, texture, seam, loose, master=master)), "texture is no lock"
    assert over(set_keys(rubber, thick, seam, loose, master=master)), "thick fill is as good as any ground"
    other_piece = seam_of(np.ones(2, np.int8))
    assert over(set_keys(rubber, thin, other_piece, loose, master=master))
    # without the master the region's own disc is barred, where its mean fill is thin
    shallow = replace(region, fill_mm3=0.7 * SKIN_MM * 240.0**2)

    def in_disc(locks):
        return [k for k in set_keys(rubber, locks, seam, loose).keys if np.hypot(*k.foot_mm[:2]) < 240 / np.sqrt(np.pi)]

    assert not in_disc(replace(thin, regions=(shallow,)))
    assert in_disc(thin), "17 mm of it is not thin"
    # an own key there is told
    sites = survey_sites(rubber, BRIEF, thin, seam, master)[0]
    assert key_faults([key_at(0, 0, 80.0)], sites)
    assert not key_faults([key_at(250, 0, 80.0)], sites)
    assert (
        "run into each other" in key_faults([key_at(250, 0, 80.0), replace(key_at(270, 0, 80.0), name="L")], sites)[0]
    )


def test_small_locked_faces_count_too():
    # specks of 0.2 mm on an 8 mm raster, off the samples of the sites: rasterising alone would miss them all
    at = np.arange(-116.0, 117.0, 8.0) + 1.7
    x, y = (g.ravel() for g in np.meshgrid(at, at))
    corners = np.stack([np.column_stack([x + dx, y + dy, 0 * x + 40]) for dx, dy in ((0, 0), (0.2, 0), (0, 0.2))], 1)
    master = master_with(corners.reshape(-1, 3), np.arange(3 * len(x), dtype=np.int32).reshape(-1, 3))
    region = LockRegion("top", 0, 1.0, 30.0, 0.1, 1e6, (0, 0, 40), 40.0, np.arange(len(x), dtype=np.int32))
    locks = locks_of(np.full(len(x), 0.7 * SKIN_MM, np.float32), region)
    keys = set_keys(rubber_of(box(700, 700, 80)), locks, seam_of(np.zeros(len(x), np.int8)), BRIEF, master=master)
    assert not [k for k in keys.keys if max(abs(k.foot_mm[0]), abs(k.foot_mm[1])) < 110]


def test_own_keys_snap_to_the_surface_and_replace_the_rule():
    rubber = rubber_of(dome(300.0), dome(300.0, pull=(0, 0, -1), piece=1, name="lower piece"))
    brief = replace(BRIEF, own_keys=(("upper piece", 100.0, 0.0, 900.0), ("upper piece", 0.0, 2000.0, 0.0)))
    keys = set_keys(rubber, None, None, brief)
    mine = [k for k in keys.keys if k.piece == 0 and k.own]
    assert len(mine) == 2
    assert all(k.is_wedge for k in keys.keys if k.piece == 0 and not k.own), "the rule adds no tab to one's own"
    on_dome = min(mine, key=lambda k: abs(k.foot_mm[0] - 100))
    assert on_dome.foot_mm == pytest.approx((100.0, 0.0, np.sqrt(300.0**2 - 100.0**2)), abs=0.5)
    on_flange = max(mine, key=lambda k: k.foot_mm[1])
    assert on_flange.foot_mm[1] == pytest.approx(360, abs=4)
    assert on_flange.where == "edge"
    assert keys.checks[1].holds, "the piece without own keys is still keyed by rule"
    assert {k.name[0] for k in keys.keys} == {"U", "L"}
    assert keys.notes, "a key half off the flange is told"


def test_keys_taken_over_as_own_are_the_keys_that_were_set(set_on_dome):
    """Where nothing was moved nothing changes: the same tabs, as large, and the wedges beside them."""
    rubber, keys = set_on_dome
    names = {e.piece: e.name for e in rubber.envelopes}
    rows = tuple((names[k.piece], *k.foot_mm) for k in keys.keys if not k.is_wedge)
    again = set_keys(rubber, None, None, replace(BRIEF, own_keys=rows))
    assert any(k.is_wedge for k in keys.keys)
    assert [k.name for k in again.keys] == [k.name for k in keys.keys]
    for before, after in zip(keys.keys, again.keys, strict=True):
        assert np.linalg.norm(np.subtract(before.foot_mm, after.foot_mm)) < 0.5
        assert (after.is_wedge, after.base_diameter_mm) == (before.is_wedge, before.base_diameter_mm)
    assert [c.holds for c in again.checks] == [c.holds for c in keys.checks]


def test_own_key_on_no_piece_is_refused():
    with pytest.raises(BriefRefused, match=r"'front'.*upper piece"):
        set_keys(rubber_of(dome(200.0)), None, None, replace(BRIEF, own_keys=(("front", 0.0, 0.0, 0.0),)))


def test_moving_a_key_away_is_noticed(set_on_dome):
    rubber, keys = set_on_dome
    before = keys.checks[0].widest_gap_mm
    top = max(keys.keys, key=lambda k: k.foot_mm[2])
    rest = [k for k in keys.keys if k is not top]
    (after,) = recheck_keys(rest, rubber, BRIEF)
    assert after.widest_gap_mm > before
    assert after.gap_centre_mm == pytest.approx(top.foot_mm, abs=130)


def test_large_sag_solves_its_cubic_and_small_sag_is_the_plate():
    radius, thick = np.array([20.0, 90.0, 300.0]), np.array([10.0, 10.0, 12.0])
    small = sag_of_patch_mm(radius, thick, RubberProperties())
    hung = hung_sag_mm(radius, thick, RubberProperties())
    assert np.allclose(hung * (1 + 0.488 * (hung / thick) ** 2), small, rtol=1e-6)
    assert hung[0] == pytest.approx(small[0], rel=1e-3)
    assert hung[2] < 0.3 * small[2]
    assert hung_sag_mm(radius, thick, RubberProperties(), 0.0) == pytest.approx(0.0)
    assert hung_sag_mm(radius, thick, RubberProperties(), 0.5)[0] == pytest.approx(hung[0] / 2, rel=1e-3)


def test_what_bars_keys_from_a_gap_is_said():
    # a thin lock on the side of a dome tipped nearly upright
    corners = np.array([[60, -200, 40], [300, -200, 40], [300, 200, 40], [60, 200, 40]], float)
    master = master_with(corners, np.array([[0, 1, 2], [0, 2, 3]], np.int32))
    region = LockRegion("side", 0, 1e5, 7.0, 0.1, 7e5, (180, 0, 40), 40.0, np.array([0, 1], np.int32))
    locks = locks_of(np.full(2, 0.7 * SKIN_MM, np.float32), region)
    strict = replace(BRIEF, tilt_deg=80.0, sag_limit_mm=5.0)
    (check,) = set_keys(rubber_of(dome(300.0)), locks, seam_of(np.zeros(2, np.int8)), strict, master=master).checks
    assert not check.holds
    assert check.gap_centre_mm[0] > 60
    assert "thin undercut fill" in check.reason


def test_the_demo_hare_is_held(small_plan):
    assert small_plan.brief.keys.tilt_deg == max(small_plan.brief.cradle.working_tilts_deg)
    assert all(check.holds for check in small_plan.keys.checks)
    assert small_plan.keys.notes == ()
