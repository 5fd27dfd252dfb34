"""Pictures: camera, hidden lines and shapes against analytic bodies; both renderers against each other."""

from __future__ import annotations

import os
import subprocess
import sys
from dataclasses import replace

import numpy as np
import pytest
import trimesh
from mouldloft.base.errors import Cancelled, OutputRefused
from mouldloft.base.figures import feet_inches, kg_lb, money, number, round_step
from mouldloft.base.progress import Progress
from mouldloft.geometry.rays import ray_scene
from mouldloft.outputs.look import (
    GLOVE,
    LOCK_STOPS,
    THICKNESS_STOPS,
    lightness,
    lock_colours,
    rgb,
    thickness_colours,
    to_linear,
    to_srgb,
)
from mouldloft.outputs.pictures import apart, overlay, studio
from mouldloft.outputs.pictures import thickness as thicknessview
from mouldloft.outputs.pictures import views as pictures
from mouldloft.outputs.pictures.bodies import mould_bodies
from mouldloft.outputs.pictures.byvtk import vtk_can_draw
from mouldloft.outputs.pictures.camera import look
from mouldloft.outputs.pictures.draw import draw_pictures
from mouldloft.outputs.pictures.overlay import dashes
from mouldloft.outputs.pictures.studio import photograph, set_up
from mouldloft.outputs.pictures.thickness import thickness_view
from mouldloft.outputs.pictures.views import VIEWS, elevation_camera, hidden_points, runs, seam_view, without_flicker
from mouldloft.solids.shapes import (
    body_of,
    clustered,
    fewer_faces,
    jacket_mesh,
    key_mesh,
    pin,
    solid_between,
    split_creases,
)
from mouldloft.solids.thickness import measure_thickness
from PIL import Image
from synthetic_gloves import box, dome
from synthetic_plan import small_plan as figure_plan

needs_vtk = pytest.mark.skipif(not vtk_can_draw(), reason="VTK finds no way to draw off-screen on this machine")


@pytest.fixture(scope="module")
def plan():
    return figure_plan()


@pytest.fixture(scope="module")
def ball():
    return trimesh.creation.icosphere(subdivisions=5, radius=100.0)


# --- colour and figures ----------------------------------------------------------------------------------


def test_srgb_curve_by_its_standard():
    # published: IEC 61966-2-1 maps sRGB 0.5 to linear 0.21404 and is its own inverse with the way back
    assert to_linear(np.array(0.5)) == pytest.approx(0.21404, abs=1e-5)
    values = np.linspace(0, 1, 101)
    assert to_srgb(to_linear(values)) == pytest.approx(values, abs=1e-12)
    # published: CIE L* of white is 100, of 18.42 % reflectance 50
    assert lightness(np.ones(3)) == pytest.approx(100.0, abs=0.01)
    assert lightness(to_srgb(np.full(3, 0.1842))) == pytest.approx(50.0, abs=0.05)


# from memory, verify: full-strength matrices of Machado, Oliveira and Fernandes (2009), linear light
NO_RED = np.array([[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]])
NO_GREEN = np.array([[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]])


@pytest.mark.parametrize("sight", [np.eye(3), NO_RED, NO_GREEN], ids=["all colours", "no red", "no green"])
@pytest.mark.parametrize(
    ("scale", "stops"),
    [(lock_colours, LOCK_STOPS), (lambda share: thickness_colours(1 - share), THICKNESS_STOPS[::-1])],
    ids=["locks", "thickness"],
)
def test_scales_keep_their_order_whatever_the_eye(sight, scale, stops):
    seen = to_srgb(to_linear(scale(np.linspace(0, 1, 33))) @ sight.T)
    steps = np.diff(lightness(seen))
    assert (steps < -0.5).all()  # every step is darker, so a grey print keeps the order too
    ends = lightness(to_srgb(to_linear(np.array([rgb(c) for c in stops])) @ sight.T))
    assert (-np.diff(ends) > 8.0).all()  # the stops are far apart


@pytest.mark.parametrize(("share", "high_mm"), [(0.75, 20.0), (0.95, 12.0)], ids=["in the scale", "beyond it"])
def test_shares_go_by_area_and_little_rubber_does_not_stretch_the_scale(plan, share, high_mm):
    # two facets apart: most of the area 10 mm thick, the rest 20 mm
    legs = np.array([[0, 0, 0], [1, 0, 0], [0, 1, 0]], float)
    vertices = np.concatenate([legs * np.sqrt(share), legs * np.sqrt(1 - share) + 5])
    found = replace(
        measure_thickness(plan)[0], vertices_mm=vertices, faces=np.arange(6).reshape(2, 3),
        map_mm=np.repeat([10.0, 20.0], 3),
    )  # fmt: skip
    view = thicknessview._view((found,))
    assert (view.low_mm, view.high_mm) == (10.0, high_mm)
    assert view.shares[0][0] == pytest.approx(share)
    assert view.shares[0][-1] == pytest.approx(1 - share)


def test_thickness_is_shown_on_one_scale_by_area(plan):
    view = thickness_view(plan)
    measured = measure_thickness(plan)
    assert view.least_mm == min(piece.least_mm for piece in measured)
    assert view.low_mm <= view.least_mm < view.low_mm + 1
    assert len(view.ticks_mm()) == 5
    for at, (piece, share) in enumerate(zip(measured, view.shares)):
        assert share.sum() == pytest.approx(1.0)
        # by area, against the middle of every facet of the outside
        outside = trimesh.Trimesh(piece.vertices_mm, piece.faces, process=False)
        middle = piece.map_mm[piece.faces].mean(axis=1)
        bars = np.linspace(view.low_mm, view.high_mm, len(share) + 1)
        cut = bars[len(share) // 2]
        over = outside.area_faces[middle > cut].sum() / outside.area
        assert share[len(share) // 2 :].sum() == pytest.approx(over, abs=0.02)
        thinnest = np.argmin(piece.map_mm)
        colour = view.colours_on(at, piece.vertices_mm[thinnest : thinnest + 1])
        assert colour == pytest.approx(thickness_colours(view.share_at(piece.map_mm[thinnest : thinnest + 1])))
        away = piece.vertices_mm[thinnest : thinnest + 1] + 1000.0  # far from anything measured: the glove's own colour
        assert view.colours_on(at, away, 500.0)[0] == pytest.approx(rgb(GLOVE))
        assert view.colours_on(at, away)[0] != pytest.approx(rgb(GLOVE), abs=0.02)
    beyond = sum(
        trimesh.Trimesh(p.vertices_mm, p.faces, process=False)
        .area_faces[p.map_mm[p.faces].min(axis=1) > view.high_mm]
        .sum()
        for p in measured
    )
    assert beyond < 0.1 * sum(trimesh.Trimesh(p.vertices_mm, p.faces, process=False).area for p in measured)


def test_figures_as_they_are_read():
    assert number(0.3472) == "0.35"
    assert number(0.0) == "0"
    assert number(12.34) == "12.3"
    assert number(1234.5) == "1234"
    assert number(-2.5) == "\N{MINUS SIGN}2.50"
    # by definition: 1 ft = 304.8 mm, 1 in = 25.4 mm, 1 lb = 0.45359237 kg
    assert feet_inches(304.8) == "1 ft 0 in"
    assert feet_inches(1400.0) == "4 ft 7 1/8 in"
    assert feet_inches(25.4 * 3.5) == "3 1/2 in"
    assert kg_lb(0.45359237 * 10) == "4.54 kg (10.0 lb)"
    assert money(1234.5, "EUR").replace("\N{NO-BREAK SPACE}", " ") == "1 234 EUR"
    assert [round_step(v) for v in (3.9, 4.0, 41.0, 88.0)] == [1.0, 1.0, 15.0, 25.0]


# --- shapes ----------------------------------------------------------------------------------------------


def test_solid_between_is_closed_and_holds_its_columns():
    rows, columns, pixel = 41, 61, 2.0
    low, high = np.zeros((rows, columns)), np.full((rows, columns), 5.0)
    high[:3] = np.nan
    from mouldloft.geometry.frame import pull_frame

    for pull in ([0, 0, 1], [1, 0.2, 0.1]):
        vertices, faces = solid_between(low, high, pull_frame(np.array(pull, float)), (0.0, 0.0), pixel)
        mesh = trimesh.Trimesh(vertices, faces, process=False)
        assert mesh.is_watertight
        # the rim's corners are rounded by the smoothing: under a hundredth of the box
        assert mesh.volume == pytest.approx(5.0 * (columns - 1) * pixel * (rows - 4) * pixel, rel=0.01)


def test_solid_between_stays_manifold_where_cells_touch_by_a_corner():
    high = np.full((9, 9), 3.0)
    high[:4, :4] = np.nan
    high[5:, 5:] = np.nan
    from mouldloft.geometry.frame import pull_frame

    vertices, faces = solid_between(np.zeros((9, 9)), high, pull_frame(np.array([0, 0, 1.0])), (0, 0), 1.0)
    assert trimesh.Trimesh(vertices, faces, process=False).is_watertight


def test_jacket_is_as_thick_as_its_laminate():
    # a ball of 100 under 4 mm: inside and outside are spheres 4 apart wherever the dome is not drafted
    envelope = dome(100.0, pixel_mm=2.0)
    vertices, faces = jacket_mesh(envelope, [], 4.0)
    mesh = trimesh.Trimesh(vertices, faces, process=False)
    assert mesh.is_watertight
    count = len(vertices) // 2
    radius = np.linalg.norm(vertices, axis=1)
    high = (vertices[count:, 2] > 60) & (np.hypot(*vertices[count:, :2].T) < 70)
    assert high.sum() > 500
    assert radius[:count][high] == pytest.approx(104.0, abs=0.25)
    assert radius[count:][high] == pytest.approx(100.0, abs=0.25)


def test_keys_stand_on_the_glove(plan):
    key = (
        next(k for k in plan.keys.keys if k.where == "middle")
        if any(k.where == "middle" for k in plan.keys.keys)
        else plan.keys.keys[0]
    )
    envelope = plan.rubber.envelopes[key.piece]
    vertices, faces = key_mesh(envelope, key)
    local = envelope.frame.to_frame(vertices)
    foot = envelope.frame.to_frame(np.array([key.foot_mm]))[0]
    assert local[0, 2] - foot[2] == pytest.approx(key.height_mm, abs=2.0)  # its top, a pixel's slope off at most
    assert np.hypot(*(local[:, :2] - foot[:2]).T).max() == pytest.approx(key.reach_mm)
    normals = np.cross(vertices[faces[:, 1]] - vertices[faces[:, 0]], vertices[faces[:, 2]] - vertices[faces[:, 0]])
    assert (normals @ envelope.frame.pull > -1e-6).all()  # no face of a key looks back: it cannot lock


def test_glove_is_the_block_less_the_master(plan):
    glove = mould_bodies(plan).gloves[0]
    merged = trimesh.Trimesh(glove.vertices_mm, glove.faces, process=True)
    assert merged.is_watertight
    # the columns were summed apart from any mesh; the mesh has the locks' real walls and rounded rims
    assert merged.volume == pytest.approx(plan.rubber.volume_on_coarser_mm3[0], rel=0.06)


def test_creases_are_split_on_a_box_and_not_on_a_ball(ball):
    cube = trimesh.creation.box((10, 20, 30))
    vertices, faces, normals, origin = split_creases(np.asarray(cube.vertices), np.asarray(cube.faces), 40.0)
    assert len(vertices) == 24  # eight corners, three faces each
    flat = np.cross(vertices[faces[:, 1]] - vertices[faces[:, 0]], vertices[faces[:, 2]] - vertices[faces[:, 0]])
    flat /= np.linalg.norm(flat, axis=1, keepdims=True)
    assert np.abs(normals[faces[:, 0]] - flat).max() < 1e-9
    assert (vertices == np.asarray(cube.vertices)[origin]).all()
    assert len(split_creases(np.asarray(ball.vertices), np.asarray(ball.faces), 40.0)[0]) == len(ball.vertices)


def test_fewer_faces_keeps_a_ball_a_ball(ball):
    vertices, faces = fewer_faces(np.asarray(ball.vertices), np.asarray(ball.faces), 4000)
    assert len(faces) <= 4000
    assert trimesh.Trimesh(vertices, faces).volume == pytest.approx(ball.volume, rel=0.01)
    torn = np.asarray(ball.faces)[:-7]  # no manifold any more: clustered instead
    vertices, faces = fewer_faces(np.asarray(ball.vertices), torn, 4000)
    assert 1000 < len(faces) <= 4000
    assert np.linalg.norm(vertices, axis=1) == pytest.approx(100.0, abs=2.0)
    assert len(clustered(np.asarray(ball.vertices), torn, 500)[1]) <= 500


# --- camera ----------------------------------------------------------------------------------------------


def test_parallel_camera_draws_to_scale():
    corners = np.array([[x, y, z] for x in (-50, 50) for y in (-20, 20) for z in (0, 200)], float)
    camera = look((0, 1, 0), corners, 400, 500, parallel=True, margin=0.1)
    flat, _ = camera.project(corners)
    across = np.ptp(flat, axis=0)
    assert across[0] / across[1] == pytest.approx(100 / 200)
    assert across[1] == pytest.approx(500 / 1.2)
    front_left = camera.project(np.array([[50.0, -20.0, 200.0]]))[0][0]
    assert front_left[0] > 200  # its own left stands on the viewer's right ...
    assert front_left[1] < 250  # ... and its top is up


def test_perspective_camera_takes_everything_in_and_its_rays_hit_what_it_projects(ball):
    points = np.asarray(ball.vertices) * (1, 1, 3)
    camera = look((-0.6, 0.7, -0.25), points, 300, 400, margin=0.08)
    flat, _ = camera.project(points)
    assert flat.min() > 0
    assert flat[:, 0].max() < 300
    assert flat[:, 1].max() < 400
    assert np.ptp(flat[:, 1]) == pytest.approx(400 / 1.16, rel=0.02)
    origins, ways = camera.rays()
    spot = origins[-1] + ways[-1] * 1234.0  # the last pixel's own ray comes back to its centre
    assert camera.project(spot[None])[0][0] == pytest.approx([299.5, 399.5], abs=1e-6)


def test_all_elevations_share_one_scale(plan):
    cameras = [elevation_camera(plan, name, 300, 400) for name in ("front", "left", "back", "right")]
    assert len({round(c.px_per_mm, 9) for c in cameras}) == 1


# --- what is hidden --------------------------------------------------------------------------------------


def test_a_great_circle_is_half_hidden(ball):
    # the equator of a ball seen level from far: front half in view, back half behind (analytic)
    turn = np.linspace(0, 2 * np.pi, 720, endpoint=False)
    points = 100.0 * np.column_stack([np.cos(turn), np.sin(turn), np.zeros(720)])
    camera = look((0, 1, 0), np.asarray(ball.vertices), 300, 300, parallel=True)
    scene = ray_scene(np.asarray(ball.vertices), np.asarray(ball.faces))
    hidden = hidden_points(scene, points, points / 100.0, camera)
    sure = np.abs(points[:, 1]) > 15.0  # away from the outline
    assert (hidden[sure] == (points[sure, 1] > 0)).all()


def test_a_line_in_a_groove_is_hidden_by_the_wall_before_it():
    wall = trimesh.creation.box((200, 10, 100), trimesh.transformations.translation_matrix((0, -60, 0)))
    floor = trimesh.creation.box((200, 200, 10), trimesh.transformations.translation_matrix((0, 0, -55)))
    both = trimesh.util.concatenate([wall, floor])
    scene = ray_scene(np.asarray(both.vertices), np.asarray(both.faces))
    points = np.array([[0.0, 50.0, -50.0], [0.0, -80.0, -50.0]])
    camera = look((0, 1, -0.1), np.asarray(both.vertices), 300, 300, parallel=True)
    assert hidden_points(scene, points, np.tile([0, 0, 1.0], (2, 1)), camera).tolist() == [True, False]


def test_the_near_half_of_a_tilted_ring_is_drawn_as_seen(ball):
    # a ring round a ball, tilted so that its near half stands above the middle of the picture and its far half below
    turn = np.linspace(0, 2 * np.pi, 900, endpoint=False)
    ring = 100.0 * np.column_stack([np.cos(turn), np.sin(turn) * np.cos(0.5), -np.sin(turn) * np.sin(0.5)])
    vertices, faces = np.asarray(ball.vertices), np.asarray(ball.faces)
    plain = set_up([body_of("ball", vertices, faces, (1, 1, 1))], ground_mm=None)
    held = pictures.Studio(plain, ray_scene(vertices, faces), (ring / 100.0,), ((ring, True),))
    camera = look((0, 1, 0), vertices, 300, 300, parallel=True)
    seen, hidden = pictures.seam_in_view(held, camera)
    assert np.concatenate(seen)[:, 1].max() < 150 + 12
    assert np.concatenate(hidden)[:, 1].min() > 150 - 12
    lengths = [sum(np.linalg.norm(np.diff(p, axis=0), axis=1).sum() for p in lines) for lines in (seen, hidden)]
    assert lengths[0] == pytest.approx(lengths[1], rel=0.1)


def test_runs_and_flicker():
    flags = np.array([0, 0, 1, 1, 1, 0, 1, 1, 0, 0], bool)
    assert runs(flags, closed=False) == [(0, 2, False), (2, 5, True), (5, 6, False), (6, 8, True), (8, 9, False)]
    assert runs(flags, closed=True) == [(2, 5, True), (5, 6, False), (6, 8, True), (8, 12, False)]
    assert without_flicker(flags, True, 2).tolist() == [False] * 2 + [True] * 6 + [False] * 2
    assert runs(np.ones(4, bool), closed=True) == [(0, 4, True)]


def test_dashes_by_arc_length():
    corner = np.array([[0.0, 0.0], [10.0, 0.0], [10.0, 10.0]])
    parts = dashes(corner, (6.0, 2.0))
    lengths = [np.linalg.norm(np.diff(p, axis=0), axis=1).sum() for p in parts]
    assert lengths == pytest.approx([6.0, 6.0, 4.0])
    assert parts[1].tolist() == [[8.0, 0.0], [10.0, 0.0], [10.0, 4.0]]  # the corner is kept


def test_seam_by_a_plane_across_the_view_is_upright_from_the_front(plan):
    # the plan's seam is a plane of one x, a little off the middle: from the front it is one upright line there
    assert plan.seam.pieces[0].pull == (1.0, 0.0, 0.0)
    view = seam_view(plan, "front", 240, 320, renderer="rays")
    drawn = np.concatenate([*view.seen, *view.hidden])
    there = view.camera.project(np.array([[plan.seam.plane_offset_mm, 0.0, 0.0]]))[0][0, 0]
    assert np.abs(drawn[:, 0] - there).max() < 0.5
    assert 0.3 < view.seen_share < 0.7  # about half of it goes up the front, the rest down the back


# --- drawing ---------------------------------------------------------------------------------------------


def test_rays_draw_the_outline_where_it_is(ball):
    baked = set_up([body_of("ball", np.asarray(ball.vertices), np.asarray(ball.faces), rgb("#c0392b"))], ground_mm=None)
    camera = look((0, 1, 0), np.asarray(ball.vertices), 200, 200, parallel=True, margin=0.1)
    picture = photograph(baked, camera, floor=False, renderer="rays")
    on = (picture.astype(int) - np.array([244, 241, 234])).__abs__().max(axis=2) > 12
    radius = 100.0 * camera.px_per_mm
    assert on.sum() == pytest.approx(np.pi * radius**2, rel=0.02)


def test_light_comes_from_above_and_hollows_are_darker():
    cup = trimesh.creation.annulus(r_min=60, r_max=70, height=200)
    baked = set_up([body_of("pipe", np.asarray(cup.vertices), np.asarray(cup.faces), (1, 1, 1))], ground_mm=None)
    inward = np.einsum("ij,ij->i", baked.normals[:, :2], baked.vertices_mm[:, :2]) < -0.5
    outward = np.einsum("ij,ij->i", baked.normals[:, :2], baked.vertices_mm[:, :2]) > 0.5
    assert baked.open_sky[inward].mean() < 0.75 * baked.open_sky[outward].mean()
    assert baked.open_sky[outward].mean() == pytest.approx(1.0, abs=0.02)  # nothing stands before the outside


@needs_vtk
def test_both_renderers_draw_the_same_picture(plan):
    pictures = [seam_view(plan, "three_quarter", 240, 320, renderer=r).picture for r in ("vtk", "rays")]
    difference = np.abs(pictures[0].astype(int) - pictures[1])
    assert difference.mean() < 0.6
    assert (difference.max(axis=2) > 24).mean() < 0.01  # a few pixels of the outline
    assert pictures[0].std() > 20  # there is something on it


def test_a_machine_that_can_draw_is_not_told_that_it_cannot():
    words = """import numpy as np
from mouldloft.outputs.pictures.byvtk import draw_by_vtk
from mouldloft.outputs.pictures.camera import look
corners = np.array([[-1.0, 0, -1], [1, 0, -1], [0, 0, 1]])
camera = look((0, 1, 0), corners, 16, 16, parallel=True)
drawn = draw_by_vtk(corners, np.array([[0, 1, 2]]), np.tile([0, 0, 1.0], (3, 1)), camera)
raise SystemExit(0 if tuple(drawn[8, 8]) == (0, 0, 255) else 9)
"""
    done = subprocess.run([sys.executable, "-c", words], capture_output=True, timeout=120)
    assert vtk_can_draw() == (done.returncode == 0)


def test_a_machine_that_cannot_draw_is_told_apart():
    # no EGL vendor to load, no display: VTK has no window to draw into, the picture comes from rays
    environment = {k: v for k, v in os.environ.items() if k != "DISPLAY"}
    environment["__EGL_VENDOR_LIBRARY_FILENAMES"] = "/nonexistent.json"
    environment["VTK_DEFAULT_OPENGL_WINDOW"] = "vtkEGLRenderWindow"
    words = "from mouldloft.outputs.pictures.byvtk import vtk_can_draw as v; print('can' if v() else 'cannot')"
    done = subprocess.run([sys.executable, "-c", words], env=environment, capture_output=True, text=True, timeout=120)
    assert done.stdout.strip() == "cannot"


def test_pictures_are_written_without_vtk(plan, tmp_path, monkeypatch):
    monkeypatch.setattr(studio, "vtk_can_draw", lambda: False)
    monkeypatch.setattr(studio, "_SCALE", 1)  # a coarser picture is enough here
    monkeypatch.setattr(overlay, "_FINE", 1)
    monkeypatch.setattr(studio, "draw_by_vtk", None)  # would raise if it were called
    made = draw_pictures(plan, tmp_path / "out")
    assert [p.name for p in made] == [
        *(f"{name}.png" for name in VIEWS if name != "three_quarter_behind"),
        "locks.png",
        "apart.png",
        "thickness.png",
    ]
    for path in made:
        image = np.asarray(Image.open(path).convert("L"), float)
        assert image.std() > 8
    assert not [p for p in (tmp_path / "out").iterdir() if p.name.startswith(".")]
    seam_red = np.asarray(Image.open(made[0])).astype(int)
    red = (seam_red[..., 0] - seam_red[..., 1:].max(axis=2)) > 90
    assert red.sum() > 500  # the seam is on the front view


def test_pictures_stop_when_told_and_refuse_a_folder_that_is_a_file(plan, tmp_path):
    progress = Progress()
    progress.cancel()
    with pytest.raises(Cancelled):
        draw_pictures(plan, tmp_path / "never", progress, renderer="rays")
    assert not list((tmp_path / "never").glob("*"))
    (tmp_path / "file").write_text("here")
    with pytest.raises(OutputRefused, match="choose another folder"):
        draw_pictures(plan, tmp_path / "file" / "in it", renderer="rays")


def test_pin_is_a_closed_cylinder():
    vertices, faces = pin(np.array([1.0, 2.0, 3.0]), np.array([1.0, 1.0, 0.0]), 5.0, 40.0, sides=64)
    mesh = trimesh.Trimesh(vertices, faces)
    assert mesh.is_watertight
    assert mesh.volume == pytest.approx(np.pi * 25 * 40, rel=0.01)  # a 64-sided prism is 0.2 % light
    assert mesh.centroid == pytest.approx([1.0, 2.0, 3.0])


def test_box_glove_shows_flat_sides():
    envelope = box(120.0, 80.0, 60.0, draft_deg=10.0, pixel_mm=2.0)
    vertices, faces = jacket_mesh(envelope, [], 3.0)
    assert trimesh.Trimesh(vertices, faces, process=False).is_watertight
    # what takes the stairs out of steep walls swells a sharp edge by under half a pixel
    assert vertices[:, 2].max() == pytest.approx(63.0, abs=0.9)


def test_a_lid_is_drawn_over_its_floor_with_labels_beside(plan):
    # the same bodies, told that they come off upwards: nothing may sink into the floor
    from types import SimpleNamespace

    low = body_of("low", *pin(np.array([0, 0, -300.0]), np.array([0, 0, 1.0]), 50.0, 100.0), rgb("#c0392b"))
    high = body_of("high", *pin(np.array([0, 0, 300.0]), np.array([0, 0, 1.0]), 50.0, 100.0), rgb("#c0392b"))
    baked = set_up([low, high])
    camera = look((-0.4, 0.85, -0.25), baked.vertices_mm, 200, 400)
    picture = photograph(baked, camera, renderer="rays").astype(int)
    red = (picture[..., 0] - picture[..., 1:].max(axis=2)) > 25
    assert abs(int(red[200:].sum()) - int(red[:200].sum())) < 0.25 * red.sum()  # the lower one is all there
    frame = SimpleNamespace(pull=np.array([0.1, 0.0, -0.9]))
    assert apart._stacked(SimpleNamespace(rubber=SimpleNamespace(envelopes=(SimpleNamespace(frame=frame),))))
    assert not apart._stacked(plan)
    over = pictures.Overlay(picture.astype(np.uint8))
    labels = (("low", "1 kg", low), ("high", "2 kg", high))
    apart._label_beside(over, apart.Apart((low, high), labels), camera)
    assert np.asarray(over.finished()).min() < 60  # letters
