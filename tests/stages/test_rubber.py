"""The glove against Steiner's formula, Pappus' theorem and manifold3d's Minkowski sum."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import manifold3d as m3
import numpy as np
import pytest
import trimesh
from mouldloft.base.errors import PlanImpossible
from mouldloft.geometry.frame import pull_frame
from mouldloft.inputs.brief import Brief, RubberBrief, RunBrief, SeamBrief
from mouldloft.inputs.catalogue import read_catalogue
from mouldloft.stages.locks import find_locks
from mouldloft.stages.rubber.coats import coat_volumes_mm3
from mouldloft.stages.rubber.columns import mean_positive_part
from mouldloft.stages.rubber.glove import brush_rubber, lay_lattices
from mouldloft.stages.seam.place import place_seam
from mouldloft.stages.undercut import undercut_field
from mouldloft.trade.thickness import choose_thickness
from seam_bodies import as_master, opening_along, seam_of, two_lobes
from test_undercut import channel, mushroom, to_mesh

PLAIN = RubberBrief(
    skin_thickness_mm=10, edge_thickness_mm=10, edge_band_mm=0, flange_width_mm=10, draft_deg=0.5, pixel_mm=1.5
)


def glove(
    mesh: trimesh.Trimesh,
    direction=(1.0, 0, 0),
    offset_mm: float = 0.0,
    rubber: RubberBrief = PLAIN,
    rubber_material=None,
):
    master = as_master(mesh)
    field = undercut_field(master, direction, check=False)
    own = SeamBrief(kind="plane", plane_offset_mm=offset_mm)
    seam = place_seam(master, opening_along(direction, offset_mm), field, own)
    locks = find_locks(master, field, seam, SimpleNamespace(elongation_at_break=4.8))
    brief = Brief(run=RunBrief(casts=1), rubber=rubber)
    return brush_rubber(master, seam, brief, rubber_material=rubber_material), locks


def skin_mm3(rubber) -> float:
    return sum(part.skin_mm3 for part in rubber.parts)


def test_ball_by_steiner():
    """V(t) - V = A t + M t^2 + 4/3 pi t^3 with A = 4 pi R^2, M = 4 pi R (Minkowski-Steiner formula)."""
    radius, t = 150.0, 10.0
    rubber, _ = glove(trimesh.creation.icosphere(subdivisions=6, radius=radius))
    steiner = 4 * np.pi * radius**2 * t + 4 * np.pi * radius * t**2 + 4 / 3 * np.pi * t**3
    assert skin_mm3(rubber) == pytest.approx(steiner, rel=0.01)
    assert sum(part.lock_fill_mm3 for part in rubber.parts) == pytest.approx(0, abs=1e-3 * steiner)


def test_a_body_without_undercuts_has_no_less_than_no_fill():
    """A plaque's columns miss its volume by a little; its causes still sum to what lies over it: Steiner's for a box,
    A t + pi (a + b + c) t^2 + 4/3 pi t^3."""
    sides, t = np.array([300.6, 120.0, 410.6]), 10.0
    rubber, _ = glove(trimesh.creation.box(sides).subdivide().subdivide(), (0.0, 1.0, 0.0))
    fills = [part.lock_fill_mm3 for part in rubber.parts]
    assert min(fills) >= 0.0
    a, b, c = sides
    over = 2 * (a * b + b * c + c * a) * t + np.pi * sides.sum() * t**2 + 4 / 3 * np.pi * t**3
    # walls along the pull are counted in whole pixels: 1.5 mm on some 10 mm at the worst, less over four of them
    assert skin_mm3(rubber) + sum(fills) == pytest.approx(over, rel=0.05)


def test_box_by_steiner():
    """M = pi (a + b + c) for a box (Minkowski-Steiner formula)."""
    a, b, c, t = 200.0, 150.0, 90.0, 10.0
    mesh = trimesh.creation.box([a, b, c]).subdivide_to_size(30.0)
    # turned, since walls along the lattice are counted in whole pixels (the interval's lattice term covers that)
    mesh.apply_transform(trimesh.transformations.rotation_matrix(np.radians(17), [1, 0, 0]))
    rubber, _ = glove(mesh, offset_mm=3.0)
    steiner = 2 * (a * b + b * c + c * a) * t + np.pi * (a + b + c) * t**2 + 4 / 3 * np.pi * t**3
    assert skin_mm3(rubber) == pytest.approx(steiner, rel=0.01)


def test_torus_by_pappus():
    """A torus of tube radius r has volume 2 pi^2 R r^2 (Pappus' second theorem); its offset is a torus again."""
    major, minor, t = 140.0, 45.0, 10.0
    mesh = trimesh.creation.torus(major, minor, major_sections=256, minor_sections=128)
    rubber, _ = glove(mesh, direction=(0, 0, 1.0))
    assert skin_mm3(rubber) == pytest.approx(2 * np.pi**2 * major * ((minor + t) ** 2 - minor**2), rel=0.01)


def test_ellipsoid_by_minkowski_sum():
    """Against manifold3d's Minkowski sum with a ball."""
    body = m3.Manifold.sphere(1.0, 64).scale([120.0, 80.0, 60.0])
    ball = m3.Manifold.sphere(10.0, 24)
    # an inscribed 24-segment ball is a little small: compare with the sum's own ball
    grown = m3.Manifold.minkowski_sum(body, ball)
    thick = 10.0 * (ball.volume() / (4 / 3 * np.pi * 1000)) ** (1 / 3)
    rubber, _ = glove(to_mesh(body))
    reference = (grown.volume() - body.volume()) * 10.0 / thick
    assert skin_mm3(rubber) == pytest.approx(reference, rel=0.015)


def rubber_by_rays(mesh: trimesh.Trimesh, direction, offset_mm: float, step_mm: float = 1.0) -> float:
    """Undercut fill by trimesh's rays (embree), mm³: in each column along the pull what lies between the master's
    outermost skin and the parting plane, less the master itself."""
    frame = pull_frame(np.asarray(direction, float))
    turned = mesh.copy()
    turned.vertices = frame.to_frame(mesh.vertices)
    low, high = turned.bounds
    x, y = (np.arange(low[k] + step_mm / 2.7, high[k], step_mm) for k in (0, 1))
    spots = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    origins = np.column_stack([spots, np.full(len(spots), low[2] - 1.0)])
    hits, rays, _ = turned.ray.intersects_location(origins, np.tile([0.0, 0.0, 1.0], (len(spots), 1)))
    fill = 0.0
    for ray in np.split(hits[np.lexsort((hits[:, 2], rays))][:, 2], np.unique(np.sort(rays), return_index=True)[1][1:]):
        up, down = np.maximum(ray - offset_mm, 0.0), np.maximum(offset_mm - ray, 0.0)
        solid = np.abs(ray[1::2] - ray[::2]).sum() if len(ray) % 2 == 0 else 0.0
        fill += up.max() + down.max() - solid
    return fill * step_mm**2


@pytest.mark.parametrize(
    ("mesh", "direction", "offset"),
    [(channel(), (1.0, 0, 0), 0.0), (mushroom(), (0, 0, 1.0), 0.5), (mushroom(), (0.2, 0, 1.0), 60.0)],
    ids=["channel", "mushroom", "leaning mushroom"],
)
def test_lock_fill_by_another_librarys_rays(mesh, direction, offset):
    fine = mesh.subdivide_to_size(10.0)
    rubber, locks = glove(fine, direction, offset)
    master = as_master(fine)
    rays = rubber_by_rays(trimesh.Trimesh(master.vertices_mm, master.faces, process=False), direction, offset)
    assert sum(part.lock_fill_mm3 for part in rubber.parts) == pytest.approx(rays, rel=0.02)
    assert locks.fill_mm3 == pytest.approx(rays, rel=0.02)


def test_lock_fill_of_a_slot_by_hand():
    # the slot is 40 wide, 40 deep and 60 long, and all of it is filled
    rubber, _ = glove(channel().subdivide_to_size(10.0), (1.0, 0, 0))
    assert sum(part.lock_fill_mm3 for part in rubber.parts) == pytest.approx(40 * 40 * 60, rel=0.01)


def test_parts_add_up_and_have_converged(small_plan):
    rubber = small_plan.rubber
    total = sum(part.total_mm3 for part in rubber.parts)
    assert sum(rubber.volume_on_coarser_mm3) == pytest.approx(total, rel=0.005)
    assert all(v >= 0 for part in rubber.parts for name, v in vars(part).items() if name != "bead_mm3")
    # the ridge is the bead itself; the first piece's groove takes rubber away and its thicker back adds some
    ridge, length = rubber.parts[1].bead_mm3, rubber.registration.bead_length_mm
    assert 0.8 * 42.5 * length < ridge < 1.3 * 42.5 * length  # 14 wide, 5 high, sides 5.5 long: 8.5 x 5 mm2
    assert rubber.volume_mm3.low < rubber.volume_mm3.likely < rubber.volume_mm3.high
    assert sum(coat.volume_mm3 for coat in rubber.coats) == pytest.approx(rubber.volume_mm3.likely, rel=1e-6)


def test_the_pieces_meet_on_one_parting_surface():
    """Each piece's own map, put back in plan coordinates over the columns that both have, is the same surface."""
    master, seam = seam_of(two_lobes(12.0), (1.0, 0.3, 0.6))
    assert seam.kind == "free"
    rule, pixel = choose_thickness(480.0, 1, PLAIN), 7.0
    pieces = [master.vertices_mm[master.faces[seam.labels == k]].reshape(-1, 3) for k in (0, 1)]
    surfaces = []
    for piece, (grid, height) in zip(seam.pieces, lay_lattices(master, seam, rule, PLAIN, pixel, pieces, 60.0)):
        x, y = np.meshgrid(grid.x(), grid.y())
        places = np.column_stack([x.ravel(), y.ravel(), height.ravel()])
        points = pull_frame(np.asarray(piece.pull)).to_master(places)
        surfaces.append(dict(zip(map(tuple, _columns(points, seam)), points)))
    both = surfaces[0].keys() & surfaces[1].keys()
    assert 2000 < len(both) < len(surfaces[0])
    np.testing.assert_allclose([surfaces[0][c] for c in both], [surfaces[1][c] for c in both], atol=1e-3)


def _columns(points, seam):
    """Where each point stands across the first piece's pull, in whole tenths of a millimetre."""
    return np.rint(10 * pull_frame(np.asarray(seam.pieces[0].pull)).to_frame(points)[:, :2]).astype(int)


def test_a_piece_adds_up_over_its_coats_and_a_coat_over_the_pieces(small_plan):
    rubber, master = small_plan.rubber, small_plan.master
    by_piece = np.array([coat_volumes_mm3(rubber, at) for at in range(len(rubber.parts))])
    assert by_piece.sum(axis=0) == pytest.approx([coat.volume_mm3 for coat in rubber.coats], rel=1e-9)
    carved = (master.detail_allowance - 1) * np.array([part.skin_mm3 for part in rubber.parts])
    wholes = np.array([part.total_mm3 for part in rubber.parts]) + carved
    assert by_piece.sum(axis=1) == pytest.approx(wholes, rel=1e-9)
    assert by_piece.min() >= 0


def test_coats_are_as_thick_as_the_catalogue_lets_them_stand():
    rubber_material = replace(read_catalogue(None).rubber[0], print_coat_mm=0.7, build_coat_mm=1.9)
    rule = RubberBrief(skin_thickness_mm=9, edge_thickness_mm=9, flange_width_mm=10, draft_deg=0.5, pixel_mm=1.0)
    radius = 120.0
    rubber, _ = glove(
        trimesh.creation.icosphere(subdivisions=5, radius=radius), rubber=rule, rubber_material=rubber_material
    )
    skin = [coat for coat in rubber.coats if coat.thickness_mm > 0]
    wall = 2 * np.pi * ((radius + 10) ** 2 - radius**2)  # both flanges, less their bevels
    # 8.3 mm in coats of at most 1.9 mm are five of 1.66 mm
    assert [coat.thickness_mm for coat in skin] == pytest.approx([0.7, *[1.66] * 5])
    assert [coat.thickened for coat in skin] == [False, *[True] * 5]
    ends = radius + np.append(0.7, 0.7 + 1.66 * np.arange(1, 6))
    shells = 4 / 3 * np.pi * np.diff(ends**3)  # each coat is a shell about the ball
    extra = [coat.volume_mm3 - shell for coat, shell in zip(skin[1:], shells)]
    assert min(extra) >= -0.03 * max(shells)
    assert max(extra) <= 0.03 * max(shells) + wall * 1.66
    bare = 4 * np.pi * radius**2 * 0.7
    assert 0.99 * bare <= skin[0].volume_mm3 <= 1.01 * bare + 0.7 * wall


def test_a_skin_thinner_than_a_print_coat_is_one_coat():
    rule = RubberBrief(skin_thickness_mm=1, edge_thickness_mm=1, flange_width_mm=10, pixel_mm=1.0)
    rubber_material = replace(read_catalogue(None).rubber[0], print_coat_mm=1.5)
    rubber, _ = glove(
        trimesh.creation.icosphere(subdivisions=4, radius=40), rubber=rule, rubber_material=rubber_material
    )
    assert [coat.thickness_mm for coat in rubber.coats] == [1.0, 0.0]


def test_a_handling_point_on_a_flat_top_is_the_envelope_of_its_balls():
    rule = RubberBrief(
        skin_thickness_mm=10, edge_thickness_mm=18, edge_band_mm=20, flange_width_mm=10, draft_deg=0.5, pixel_mm=1.0,
        handling_points_mm=((0.0, 0.0, 50.0),), handling_radius_mm=60,
    )  # fmt: skip
    mesh = trimesh.creation.box([260, 260, 100]).subdivide_to_size(30.0)
    rubber, _ = glove(mesh, direction=(0, 0, 1.0), rubber=rule)
    out = np.linspace(0, 100, 2001)
    fade = np.clip((out / 60 - 0.5) * 2, 0, 1)
    ball = 18 - 8 * fade**2 * (3 - 2 * fade)
    gap = out[:, None] - out[None, ::4]
    high = np.sqrt(np.maximum(ball[None, ::4] ** 2 - gap**2, 0)).max(axis=1)
    volume = np.trapezoid((high - 10) * 2 * np.pi * out, out)
    assert rubber.parts[0].handling_mm3 == pytest.approx(volume, rel=0.02)
    assert rubber.parts[1].handling_mm3 == 0
    assert dict(rubber.parts[0].by_cause)["handling points"] == rubber.parts[0].handling_mm3
    assert "handling points" not in dict(rubber.parts[1].by_cause)


def test_skin_is_never_thinner_than_asked(small_plan):
    assert small_plan.rubber.min_thickness_mm >= small_plan.rubber.skin_thickness_mm * 0.995


def test_edge_band_is_as_thick_as_the_edge_and_fades_to_the_skin():
    rule = RubberBrief(
        skin_thickness_mm=10, edge_thickness_mm=18, edge_band_mm=60, flange_width_mm=10, draft_deg=0.5, pixel_mm=1.0
    )
    rubber, _ = glove(trimesh.creation.icosphere(subdivisions=5, radius=150), rubber=rule)
    e = rubber.envelopes[0]
    middle = e.outer_mm.shape[0] // 2, e.outer_mm.shape[1] // 2
    assert e.outer_mm[middle] == pytest.approx(160, abs=0.2)
    x = e.origin_mm[0] + e.pixel_mm * np.arange(e.outer_mm.shape[1])
    row = np.argmin(np.abs(e.origin_mm[1] + e.pixel_mm * np.arange(e.outer_mm.shape[0])))
    low = np.abs(x[np.flatnonzero(e.outer_mm[row] > e.parting_mm[row] + 19)])
    # the union of balls of radius 18 over the band, fading to 10 mm over another half of it, cut 19 mm up
    up = 150 * np.sin(np.linspace(0, np.pi / 2, 20_001))
    fade = np.clip((up - 60) / 30, 0, 1)
    radius = 18 - 8 * fade**2 * (3 - 2 * fade)
    reach = np.sqrt(150**2 - up**2) + np.sqrt(np.maximum(radius**2 - (19 - up) ** 2, 0))
    assert low.max() == pytest.approx(reach[radius > np.abs(19 - up)].max(), abs=1.2)


def test_outside_keeps_its_draft():
    rule = RubberBrief(skin_thickness_mm=10, flange_width_mm=40, draft_deg=6, pixel_mm=1.5)
    rubber, _ = glove(trimesh.creation.box([200, 150, 90]).subdivide_to_size(30.0), rubber=rule)
    for e in rubber.envelopes:
        wall = np.where(e.flange, np.nan, e.outer_mm)
        steepest = e.pixel_mm / np.tan(np.radians(6))
        assert np.nanmax(np.abs(np.diff(wall, axis=0))) <= steepest * 1.001
        assert np.nanmax(np.abs(np.diff(wall, axis=1))) <= steepest * 1.001


def test_an_open_base_carries_no_rubber_below_the_board(small_plan):
    for e in small_plan.rubber.envelopes:
        y = e.origin_mm[1] + e.pixel_mm * np.arange(e.outer_mm.shape[0])
        below = y * e.frame.axes[1][2] < -e.pixel_mm
        assert np.isnan(e.outer_mm[below]).all()


def test_more_casts_and_more_size_never_thin_the_rubber():
    by_run = [choose_thickness(1400, n, RubberBrief()).skin_mm for n in range(1, 60)]
    by_size = [choose_thickness(h, 6, RubberBrief()).skin_mm for h in range(100, 4000, 100)]
    assert np.all(np.diff(by_run) >= 0)
    assert np.all(np.diff(by_size) >= 0)
    assert by_run[-1] > by_run[0]
    assert by_size[-1] > by_size[0]


def test_a_thicker_skin_never_takes_less_rubber():
    volumes = []
    for t in (6.0, 9.0, 13.0):
        rule = RubberBrief(skin_thickness_mm=t, pixel_mm=2.0)
        volumes.append(glove(trimesh.creation.icosphere(subdivisions=4, radius=120), rubber=rule)[0].volume_mm3.likely)
    assert volumes == sorted(volumes)


def test_an_open_mesh_is_refused_with_what_to_do():
    mesh = trimesh.creation.icosphere(subdivisions=3, radius=100)
    mesh.update_faces(np.arange(len(mesh.faces)) > 30)
    with pytest.raises(PlanImpossible, match="closed master"):
        glove(mesh)


def test_mean_of_the_positive_part_over_a_triangle():
    """Against a fine sum over the triangle: none, one, two and three corners above."""
    i, j = np.meshgrid(np.arange(400), np.arange(400), indexing="ij")
    s, t = (i + 1 / 3) / 400, (j + 1 / 3) / 400
    inside = s + t < 1
    corners = np.array([[-1.0, -2, -3], [2.0, -1, -3], [2.0, 1, -1.5], [1.0, 2, 3], [0.0, 0, 1], [0.0, -1, 0]])
    for low, middle, high in corners:
        value = (low + s * (middle - low) + t * (high - low))[inside]
        assert mean_positive_part(np.array([[low, middle, high]]))[0] == pytest.approx(
            np.maximum(value, 0).mean(), abs=5e-3
        )


def test_the_foot_of_an_open_base_turns_out_onto_the_board():
    mesh = trimesh.creation.box([120, 100, 300]).subdivide_to_size(30.0)
    mesh.apply_translation([0, 0, 150])
    rule = RubberBrief(
        skin_thickness_mm=10, edge_thickness_mm=10, flange_width_mm=50, flange_thickness_mm=12, pixel_mm=2.0
    )
    master = as_master(mesh, base="open")
    field = undercut_field(master, (1.0, 0, 0), check=False)
    seam = place_seam(master, opening_along((1.0, 0, 0)), field, SeamBrief(kind="plane", plane_offset_mm=0.0))
    rubber = brush_rubber(master, seam, Brief(rubber=rule))
    e = rubber.envelopes[0]
    up = e.origin_mm[1] + e.pixel_mm * np.arange(e.outer_mm.shape[0])
    # beside the middle of the wall (x = 60) the board flange reaches 50 mm out, higher up only the skin and draft
    middle = e.outer_mm.shape[1] // 2
    assert np.nanmax(e.outer_mm[(up > 0) & (up < 10), middle]) == pytest.approx(110, abs=1)
    assert np.nanmax(e.outer_mm[(up > 100) & (up < 200), middle]) == pytest.approx(70, abs=1)
    assert np.isnan(e.outer_mm[up < 0]).all()
