"""Parting surface, halves and wall against analytic surfaces and a reference library's booleans."""

from __future__ import annotations

from dataclasses import replace

import manifold3d
import numpy as np
import pytest
import shapely
import trimesh
from mouldloft.base.errors import PlanImpossible
from mouldloft.geometry.contour import cross_at_zero
from mouldloft.geometry.depthmap import column_image, grid_around
from mouldloft.geometry.frame import pull_frame
from mouldloft.geometry.heightmap import sample_map
from mouldloft.geometry.membrane import stretched_between
from mouldloft.geometry.patch import fill_loops, refine_patch
from mouldloft.geometry.polyline import spaced_out
from mouldloft.solids.halves import cut_along_seam
from mouldloft.stages.seam.draw import seam_lines
from mouldloft.stages.wall.build import build_wall
from mouldloft.stages.wall.rulings import cell_stretch, lay_flat, section_area
from mouldloft.stages.wall.surface import parting_heights, parting_surface
from scipy.spatial import cKDTree
from seam_bodies import PLANE, ball, ellipsoid, ring, seam_of, two_lobes
from shapely.geometry import Polygon


@pytest.fixture(scope="module")
def bent():
    """An ellipsoid opened askew, parted along its silhouette, which lies in a plane that leans against the pull."""
    master, seam = seam_of(ellipsoid(150.0, 80.0, 200.0), (1, 0.5, 0))
    pull = np.asarray(seam.pieces[0].pull)
    centre = np.array([0.0, 0.0, 200.0])
    level = (master.vertices_mm - centre) / np.array([150.0, 80.0, 200.0]) ** 2 @ pull * 100.0
    lines = tuple(line for line, _ in seam_lines(master, level, np.zeros((len(level), 1))))
    labels = np.where(level[master.faces].mean(axis=1) >= 0, 0, 1).astype(np.int8)
    length = sum(line.length_mm for line in lines)
    return master, replace(seam, level_mm=level, lines=lines, labels=labels, length_mm=length)


@pytest.fixture(scope="module")
def stepped():
    """Two lobes, the upper one wholly one piece's: the seam turns from upright to level at the waist."""
    mesh = two_lobes()
    return seam_of(mesh, (1, 0, 0), 3.0, weights=(mesh.vertices[:, 2] > 230.0).astype(float))


def grid_over(master, seam, pixel_mm, margin_mm=40.0):
    frame = pull_frame(np.asarray(seam.pieces[0].pull))
    return frame, grid_around(frame.to_frame(master.vertices_mm), pixel_mm, margin_mm)


def heights(master, seam, frame, grid, bounded=True):
    return parting_heights(
        seam,
        frame,
        grid.x0_mm,
        grid.y0_mm,
        grid.pixel_mm,
        grid.rows,
        grid.columns,
        master if bounded else None,
    )


# --- surface ---


def test_a_plane_is_level_in_both_frames():
    _, seam = seam_of(ball(100.0, 3), (1, 0, 0), 12.0, PLANE)
    ahead = parting_heights(seam, pull_frame(np.array([1.0, 0, 0])), -50, -50, 10.0, 11, 7)
    behind = parting_heights(seam, pull_frame(np.array([-1.0, 0, 0])), -50, -50, 10.0, 11, 7)
    assert ahead.shape == (11, 7)
    assert ahead.dtype == np.float32
    assert (ahead == np.float32(12.0)).all()
    assert (behind == np.float32(-12.0)).all()


@pytest.mark.parametrize("case", ["bent", "stepped"])
def test_both_pieces_get_the_same_surface(case, request):
    master, seam = request.getfixturevalue(case)
    frame, grid = grid_over(master, seam, 5.0)
    ahead = heights(master, seam, frame, grid)
    turned = replace(grid, x0_mm=-(grid.x0_mm + (grid.columns - 1) * grid.pixel_mm))
    behind = heights(master, seam, pull_frame(-frame.pull), turned)
    assert np.array_equal(ahead, -behind[:, ::-1])


def test_surface_of_a_leaning_silhouette_is_its_plane(bent):
    """Analytic: the silhouette lies in the plane x'Ad = 0, and a plane is harmonic: nothing else fits inside."""
    master, seam = bent
    frame, grid = grid_over(master, seam, 4.0)
    normal = frame.pull / np.array([150.0, 80.0, 200.0]) ** 2
    inside = section_area(master, seam).buffer(-8.0)
    x, y = np.meshgrid(grid.x(), grid.y())
    within = shapely.contains_xy(inside, x, y)
    local = frame.axes @ normal
    centre = frame.to_frame(np.array([[0.0, 0.0, 200.0]]))[0]
    expected = centre[2] - ((x - centre[0]) * local[0] + (y - centre[1]) * local[1]) / local[2]
    for bounded in (True, False):
        height = heights(master, seam, frame, grid, bounded)
        assert np.ptp(expected[within]) > 60.0
        assert np.abs(height - expected)[within].max() < 6.0
        assert np.abs(height - expected)[within].mean() < 2.0


@pytest.mark.parametrize("case", ["bent", "stepped"])
def test_surface_passes_through_the_seam(case, request):
    master, seam = request.getfixturevalue(case)
    frame, grid = grid_over(master, seam, 2.0)
    height = heights(master, seam, frame, grid)
    points = np.concatenate([frame.to_frame(line.points_mm) for line in seam.lines])
    off = np.abs(sample_map(height, grid, points[:, 0], points[:, 1]) - points[:, 2])
    assert np.median(off) < 0.5
    assert np.quantile(off, 0.95) < 2.5  # where the seam climbs, a pixel holds its mean


@pytest.mark.parametrize("case", ["bent", "stepped"])
def test_surface_keeps_between_the_skins(case, request):
    """By columns: it stays above the piece behind and below the piece ahead, so that both can leave along the pull."""
    master, seam = request.getfixturevalue(case)
    frame, grid = grid_over(master, seam, 4.0)
    height = heights(master, seam, frame, grid)
    points = frame.to_frame(master.vertices_mm)
    low, _ = column_image(points, master.faces[seam.labels == 1], grid)
    _, high = column_image(points, master.faces[seam.labels == 0], grid)
    slack = 6.0  # faces that the seam crosses go whole to one side here: their size
    assert (height - low > -slack).all()
    assert (high - height > -slack).all()
    assert (height - low > -0.5).mean() > 0.998  # the sheet is bent to the skin, not clipped at it
    assert (high - height > -0.5).mean() > 0.998


@pytest.mark.parametrize(("scale", "share"), [(1, 8e-5), (9, 3e-3)])
def test_stretched_map_is_harmonic_between_fixed_pixels(scale, share):
    """Analytic: x² - y² is harmonic, on the grid exactly; fixed on the rim it must be found inside."""
    y, x = np.mgrid[-40 * scale : 40 * scale + 1, -60 * scale : 60 * scale + 1] / (20.0 * scale)
    truth = x**2 - y**2
    rim = np.zeros(x.shape, bool)
    rim[[0, -1], :] = rim[:, [0, -1]] = True
    free = np.full(x.shape, np.inf)
    found = stretched_between(np.where(rim, truth, 0.0), rim, -free, free)
    assert np.abs(found - truth).max() < share * np.ptp(truth)


def test_stretched_map_leans_on_its_bounds():
    """Analytic, in one dimension: a string from 0 to 0 over a peg of height 5 in the middle is two straight lines."""
    rows, columns = 4, 101
    known = np.zeros((rows, columns), bool)
    known[:, [0, -1]] = True
    low = np.full((rows, columns), -np.inf)
    low[:, 50] = 5.0
    found = stretched_between(np.zeros((rows, columns)), known, low, np.full((rows, columns), np.inf))
    expected = 5.0 * (1 - np.abs(np.arange(columns) - 50) / 50)
    assert np.abs(found - expected).max() < 0.02
    found = stretched_between(np.zeros((rows, columns)), known, np.full((rows, columns), -np.inf), -low)
    assert np.abs(found + expected).max() < 0.02


# --- halves ---


def solid(vertices, faces):
    return manifold3d.Manifold(manifold3d.Mesh64(np.asarray(vertices, float), np.asarray(faces).astype(np.uint64)))


def test_halves_of_a_ball_are_its_caps():
    """Analytic: a cap of height h holds πh²(3R - h)/3. Reference: manifold3d splits the same mesh by the plane."""
    mesh = ball(100.0)
    master, seam = seam_of(mesh, (1, 0, 0), 60.0, PLANE)
    ahead, behind = cut_along_seam(master, seam)
    assert ahead.name == "left piece"
    volume = solid(ahead.vertices_mm, ahead.faces).volume()
    assert volume == pytest.approx(np.pi * 40.0**2 * (300.0 - 40.0) / 3, rel=4e-3)
    reference = solid(mesh.vertices, mesh.faces).split_by_plane((1.0, 0.0, 0.0), 60.0)
    assert volume == pytest.approx(reference[0].volume(), rel=1e-7)
    assert solid(behind.vertices_mm, behind.faces).volume() == pytest.approx(reference[1].volume(), rel=1e-7)


@pytest.mark.parametrize("case", ["bent", "stepped", "ring"])
def test_halves_are_solids_that_make_up_the_master(case, request):
    """manifold3d takes both, they share no space, neither leaves the master, and volumes add up to 1e-6."""
    if case == "ring":  # a large one: the surface past the flanges is as wide round a small one, on a finer lattice
        master, seam = seam_of(ring(300.0, 100.0), (0, 0, 1), 237.5)
    else:
        master, seam = request.getfixturevalue(case)
    assert seam.kind == "free"
    whole = solid(master.vertices_mm, master.faces)
    parts = []
    for half in cut_along_seam(master, seam):
        part = solid(half.vertices_mm, half.faces)
        assert part.status() == manifold3d.Error.NoError
        assert part.volume() > 0
        assert (part - whole).volume() < 2e-5 * whole.volume()
        assert half.cap.any()
        assert (half.parent[half.cap] == -1).all()
        # its skin is the master's own: every face lies in its parent's plane
        parent = half.parent[~half.cap]
        corner = half.vertices_mm[half.faces[~half.cap]] - master.vertices_mm[master.faces[parent, 0]][:, None]
        assert np.abs(np.einsum("ijk,ik->ij", corner, master.normals[parent])).max() < 1e-6
        parts.append(part)
    assert sum(part.volume() for part in parts) == pytest.approx(whole.volume(), rel=1e-6)
    assert (parts[0] ^ parts[1]).volume() < 2e-5 * whole.volume()


def test_halves_meet_exactly_on_the_seam(bent):
    master, seam = bent
    ahead, behind = cut_along_seam(master, seam)
    for half in (ahead, behind):
        cap, skin = half.faces[half.cap], half.faces[~half.cap]
        rim = half.vertices_mm[np.intersect1d(cap, skin)]
        crossings = cross_at_zero(master.vertices_mm, master.faces, seam.level_mm)
        assert len(rim) == len(crossings.points_mm)
        gap = np.linalg.norm(rim[:, None] - crossings.points_mm[None], axis=2).min(axis=1)
        assert gap.max() < 1e-9
    assert ahead.cap.sum() == behind.cap.sum()


def test_open_master_is_not_cut():
    mesh = ball(100.0, 3)
    mesh.update_faces(np.arange(len(mesh.faces)) != int(np.argmin(np.abs(mesh.triangles_center[:, 0]))))
    master, seam = seam_of(mesh, (1, 0, 0), 0.3, PLANE)
    with pytest.raises(PlanImpossible, match="mend the mesh first"):
        cut_along_seam(master, seam)


def rim_is_kept(loops, points, faces):
    edges = np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]])
    have = {tuple(edge) for edge in edges.tolist()}
    first = 0
    for loop in loops:
        own = first + np.arange(len(loop))
        if not all((int(a), int(b)) in have for a, b in zip(own, np.roll(own, -1), strict=True)):
            return False
        first += len(loop)
    inner = have - {(b, a) for a, b in have}
    return len(inner) == first and len(have) == len(edges)


def test_patch_fills_a_ring_of_two_loops():
    """Analytic: a square of 20 with a square hole of 8 is 400 - 64."""
    outer = spaced_out(np.array([[0, 0, 0], [20, 0, 1], [20, 20, 0], [0, 20, 1.0]]), True, 1.0)
    inner = spaced_out(np.array([[6, 6, 0], [6, 14, 1], [14, 14, 0], [14, 6, 1.0]]), True, 4.0)
    points, faces = fill_loops([outer, inner])
    assert rim_is_kept([outer, inner], points, faces)
    for edge in (100.0, 2.0):
        fine, cells = refine_patch(points, faces, edge)
        assert rim_is_kept([outer, inner], fine, cells)
        corner = fine[cells][:, :, :2]
        u, v = corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0]
        area = (u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0]) / 2
        assert area.min() > 0
        assert area.sum() == pytest.approx(336.0)
    lengths = np.linalg.norm(fine[cells] - fine[np.roll(cells, -1, axis=1)], axis=2)
    assert np.median(lengths) < 2.0
    assert np.array_equal(fine[: len(outer) + len(inner)], np.concatenate([outer, inner]))


def test_patch_closes_a_loop_that_crosses_itself():
    angle = np.linspace(0, 2 * np.pi, 40, endpoint=False)
    eight = np.stack([np.sin(2 * angle), np.sin(angle), np.cos(angle)], axis=1) * 50
    points, faces = fill_loops([eight])
    assert rim_is_kept([eight], points, faces)


# --- wall ---


def test_flat_wall_of_a_ball_is_a_ring_in_boards():
    """Analytic: a ring from the circle to the flange's width, boards 4 mm off the circle."""
    master, seam = seam_of(ball(100.0), (1, 0, 0), 0.0, PLANE)
    wall = build_wall(master, seam, 50.0)
    assert wall.kind == "boards"
    assert wall.area_mm2 == pytest.approx(np.pi * (150.0**2 - 100.0**2), rel=2e-3)
    assert len(wall.pieces) == 2
    parts = [Polygon(piece.outline_mm, piece.holes_mm) for piece in wall.pieces]
    assert sum(part.area for part in parts) == pytest.approx(np.pi * (150.0**2 - 104.0**2), rel=2e-3)
    for piece in wall.pieces:
        out = np.linalg.norm(piece.skin_edge_mm - [0, 100.0], axis=1)
        assert np.abs(out - 104.0).max() < 1.0
    assert wall.rooted_mm == 0.0


def test_a_flat_wall_that_meets_the_skin_flat_gets_a_root():
    """Analytic: a plane 70 mm off a ball's middle meets it at 45 degrees all round. Boards stop short by the root; the
    wall leaves the skin at 60 degrees or more, passes through the seam, and is the plane again where boards begin."""
    master, seam = seam_of(ball(100.0), (1, 0, 0), 100.0 * np.sin(np.pi / 4), PLANE)
    low = build_wall(master, seam, 50.0)
    assert low.rooted_mm == pytest.approx(seam.length_mm, rel=0.05)
    assert low.flattest_deg > 59.0
    round_it = np.concatenate([np.linalg.norm(p.skin_edge_mm - [0, 100.0], axis=1) for p in low.pieces])
    assert np.abs(round_it - (100.0 * np.cos(np.pi / 4) + low.root_mm)).max() < 1.5
    made = parting_surface(seam, master)
    angle = np.linspace(0.0, 2 * np.pi, 60, endpoint=False)
    round_line = np.column_stack([np.cos(angle), np.sin(angle)])
    middle = made.frame.to_frame(np.array([[0.0, 0.0, 100.0]]))[0]

    def off(radius):
        x, y = (middle[:2] + radius * round_line).T
        return made.over(x, y) - seam.plane_offset_mm

    rim = 100.0 * np.cos(np.pi / 4)
    assert np.abs(off(rim)).max() < 0.3
    assert made.off_seam_mm < 0.3
    assert np.abs(off(rim + low.root_mm + 1.0)).max() < 0.05
    assert np.abs(off(0.5 * rim)).max() < 1e-9
    # the ball leans by 45 degrees there: a rise of 1 in 1 would stand square, 0.27 in 1 at 60 degrees
    rise = (off(rim + 0.4333 * low.root_mm) - off(rim + 0.1 * low.root_mm)) / (low.root_mm / 3)
    assert rise.min() > np.tan(np.radians(14.0))
    assert rise.max() < np.tan(np.radians(30.0))
    assert low.clay_root_mm == pytest.approx(np.abs(off(rim + 0.447 * low.root_mm)).max(), abs=0.2)
    behind = parting_heights(seam, pull_frame(-made.frame.pull), -150, 0, 2.0, 100, 151, master)
    ahead = parting_heights(seam, made.frame, -150, 0, 2.0, 100, 151, master)
    assert np.array_equal(ahead, -behind[:, ::-1])
    assert np.ptp(ahead) > 1.0


def test_boards_stand_on_the_base_and_fit_the_sheet():
    post = trimesh.creation.box((400, 300, 3000))
    post.apply_translation([0, 0, 1500])
    post = post.subdivide().subdivide()
    master, seam = seam_of(post, (1, 0, 0), 3.0, PLANE, base="open")
    wall = build_wall(master, seam, 80.0)
    # analytic: a strip of 80 up both sides and over the top, its corners rounded
    assert wall.area_mm2 == pytest.approx(80 * (3000 + 300 + 3000) + np.pi * 80**2 / 2, rel=1e-3)
    for piece in wall.pieces:
        low, high = piece.outline_mm.min(axis=0), piece.outline_mm.max(axis=0)
        assert low[1] > -1e-6
        assert high[0] - low[0] <= 1220.0 + 1e-6
        assert high[1] - low[1] <= 2440.0 + 1e-6


def cone_strip(half_angle, near_mm, far_mm, count=200):
    angle = np.linspace(0, np.pi, count)
    ray = np.stack(
        [np.sin(half_angle) * np.cos(angle), np.sin(half_angle) * np.sin(angle), np.full(count, np.cos(half_angle))],
        axis=1,
    )
    return near_mm * ray, far_mm * ray


def test_a_cone_unrolls_to_a_sector():
    """Analytic: a cone of half angle α unrolls to rings of its slant lengths, over sin α times the turn."""
    inner, outer = cone_strip(np.radians(35.0), 200.0, 260.0)
    flat_inner, flat_outer = lay_flat(inner, outer)
    # circle through three points of an edge
    for edge, slant in ((flat_inner, 200.0), (flat_outer, 260.0)):
        a, b, c = edge[0], edge[len(edge) // 2], edge[-1]
        sides = [np.linalg.norm(p - q) for p, q in ((a, b), (b, c), (c, a))]
        area = abs((b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])) / 2
        assert np.prod(sides) / (4 * area) == pytest.approx(slant, rel=2e-3)
    turn = np.linalg.norm(np.diff(flat_inner, axis=0), axis=1).sum() / 200.0
    assert turn == pytest.approx(np.pi * np.sin(np.radians(35.0)), rel=1e-3)
    assert cell_stretch(inner, outer).max() < 1e-9
    for flat, bent in ((flat_inner, inner), (flat_outer, outer)):
        assert np.allclose(np.linalg.norm(np.diff(flat, axis=0), axis=1), np.linalg.norm(np.diff(bent, axis=0), axis=1))


def test_a_twisted_strip_says_so():
    """A helicoid is ruled but cannot be unrolled."""
    along = np.linspace(0, 200, 26)
    turn = along / 60.0
    inner = np.stack([along, 0 * along, 0 * along], axis=1)
    outer = inner + 60.0 * np.stack([0 * along, np.cos(turn), np.sin(turn)], axis=1)
    assert cell_stretch(inner, outer).max() > 0.005


@pytest.mark.parametrize("case", ["bent", "stepped"])
def test_a_bent_wall_is_what_is_calculated(case, request):
    """Strips lie in the parting surface, clay drawn from rib to rib near it; every station is on the seam."""
    master, seam = request.getfixturevalue(case)
    wall = build_wall(master, seam, 40.0)
    assert wall.kind in ("strips", "strips and clay", "clay on ribs")
    assert wall.off_sheet_mm < 2.0
    assert wall.off_clay_mm <= 5.0
    assert wall.stretch <= 0.005
    on_seam = np.concatenate([spaced_out(line.points_mm, line.closed, 1.0) for line in seam.lines])
    for station in wall.stations:
        assert np.linalg.norm(on_seam - station.on_seam_mm, axis=1).min() < 1.5
    assert [s.number for s in wall.stations] == list(range(1, len(wall.stations) + 1))
    for piece in wall.pieces:
        assert Polygon(piece.outline_mm).is_valid
        assert piece.marks


def test_wall_of_a_leaning_silhouette_is_nearly_flat(bent):
    """Its parting surface is a plane inside the seam, so the strip round it leans little and bends little."""
    master, seam = bent
    wall = build_wall(master, seam, 40.0)
    assert wall.strip_share > 0.85
    assert wall.steepest_deg < 30.0
    assert wall.flattest_deg > 60.0


@pytest.mark.parametrize(("case", "share"), [("bent", 0.99), ("stepped", 0.7)])
def test_wall_stands_square_to_the_skin_at_its_root(case, share, request):
    """Measured on the surface itself over 8 mm beside the seam, against the skin's own normals there. Where the stepped
    seam runs along the pull no height map stands square."""
    master, seam = request.getfixturevalue(case)
    made = parting_surface(seam, master)
    on = np.concatenate([spaced_out(line.points_mm, line.closed, 6.0) for line in seam.lines])
    normal = made.frame.to_frame(master.normals[cKDTree(master.vertices_mm[master.faces].mean(axis=1)).query(on)[1]])
    local = made.frame.to_frame(on)
    way = normal[:, :2] / np.linalg.norm(normal[:, :2], axis=1, keepdims=True)
    near, far = local[:, :2] + 2.0 * way, local[:, :2] + 10.0 * way
    rise = np.degrees(np.arctan2(made.over(*far.T) - made.over(*near.T), 8.0))
    off = np.abs(rise - np.degrees(np.arcsin(normal[:, 2])))
    assert np.quantile(off, share) < 30.0
    assert made.off_seam_mm < 1.5
