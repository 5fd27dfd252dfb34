"""The demo hare: a closed solid at its stated size, with the locks it was made for."""

from __future__ import annotations

import manifold3d
import numpy as np
import pytest
import trimesh
from meshes import as_manifold
from mouldloft.base.errors import BriefRefused, Cancelled
from mouldloft.base.progress import Progress
from mouldloft.demo import carving, gallery, skin
from mouldloft.demo import hare as demo
from mouldloft.geometry.selfcrossings import find_self_crossings
from mouldloft.inputs.brief import read_brief
from mouldloft.stages.master import read_master


@pytest.mark.parametrize("triangles", [20_000, 60_000])
def test_hare_is_one_solid_of_the_wanted_count(triangles):
    vertices, faces = demo.demo_hare(triangles)
    assert len(faces) == pytest.approx(triangles, rel=0.03)
    assert vertices.dtype == np.float64
    assert faces.dtype == np.int32
    assert find_self_crossings(vertices, faces).count == 0
    # reference library: manifold3d accepts only closed oriented manifolds
    body = as_manifold(vertices, faces)
    assert body.status() == manifold3d.Error.NoError
    assert body.genus() == 0
    assert len(body.decompose()) == 1
    assert body.volume() > 0
    assert vertices[:, 2].min() == 0.0
    assert vertices[:, 2].max() == pytest.approx(1400.0, abs=1e-9)


def test_hare_is_the_same_every_time():
    one, two = demo.demo_hare(20_000), demo.demo_hare(20_000)
    assert np.array_equal(one[0], two[0])
    assert np.array_equal(one[1], two[1])


def test_blocks_change_nothing(monkeypatch):
    """The skin found block by block, with far solids and far nodes left out, is that of one dense lattice."""
    from skimage.measure import marching_cubes

    rows = carving.table_of(demo.hare_solids())
    pitch = 16.0
    vertices, faces = demo._march(rows, pitch, 1.0, Progress())
    lattice = skin.lattice_over(demo._LOW_MM, demo._HIGH_MM, pitch)
    shape = np.array(lattice.blocks) * skin.BLOCK + 1
    dense = np.empty(shape, np.float32)
    scratch = np.empty((len(rows), 4))
    origin = lattice.origin((0, 0, 0))
    x, y, z = (origin[k] + pitch * np.arange(shape[k]) for k in range(3))
    for i in range(shape[0]):
        for j in range(shape[1]):
            for k in range(shape[2]):
                value = carving.field_at(
                    rows, x[i], y[j], z[k], 1.0, carving.COAT_REACH_MM + 2 * pitch, 2 * pitch, scratch
                )
                dense[i, j, k] = max(value, -z[k])
    reference, reference_faces, _, _ = marching_cubes(dense, 0.0)
    reference = reference * pitch + origin
    assert len(faces) == pytest.approx(len(reference_faces), rel=0.002)
    reference = np.where(np.abs(reference) < 1e-4, 0.0, reference)
    reference = skin.sharp_foot(reference, reference_faces, demo._PLINTH_AT, demo._PLINTH_SIZE)
    whole = trimesh.Trimesh(reference, reference_faces, process=False)
    ours = trimesh.Trimesh(vertices, faces, process=False)
    assert ours.volume == pytest.approx(abs(whole.volume), rel=1e-5)
    assert ours.area == pytest.approx(whole.area, rel=1e-4)


def test_finer_hares_converge():
    areas, volumes = [], []
    for triangles in (20_000, 60_000, 180_000):
        body = as_manifold(*demo.demo_hare(triangles))
        areas.append(body.surface_area())
        volumes.append(body.volume())
    assert abs(volumes[2] - volumes[1]) < abs(volumes[1] - volumes[0])
    assert volumes[2] == pytest.approx(volumes[1], rel=0.005)
    # a carved coat that finer meshes carry better: more skin, never less
    assert areas[0] < areas[1] < areas[2]
    assert areas[2] == pytest.approx(areas[1], rel=0.03)


def test_hare_stands_on_a_flat_foot(small_hare):
    vertices, faces = small_hare
    mesh = trimesh.Trimesh(vertices, faces, process=False)
    foot = (mesh.triangles[:, :, 2] == 0.0).all(axis=1)
    # an oval's area is pi a b; the plinth's half-axes in the table are scaled with the rest to the finished height
    a, b = np.ptp(vertices[vertices[:, 2] == 0.0][:, :2], axis=0) / 2
    assert (a, b) == pytest.approx((278, 405), rel=0.01)
    assert mesh.area_faces[foot].sum() == pytest.approx(np.pi * a * b, rel=0.005)
    assert (mesh.face_normals[foot, 2] < -0.999).all()


def _inside(mesh, points):
    return mesh.contains(np.asarray(points, float))


def test_hare_has_the_locks_it_was_made_for(small_hare):
    """Gaps between ears and between forelegs, a chin over the chest: points asked one by one."""
    mesh = trimesh.Trimesh(*small_hare, process=False)
    ears = mesh.section(plane_origin=[0, 0, 1330], plane_normal=[0, 0, 1])
    assert len(ears.discrete) == 2
    # forelegs: along x at shin height in front of the belly, two bodies with air between
    row = np.column_stack([np.arange(-150, 151, 2.0), np.full(151, -265.0), np.full(151, 200.0)])
    solid = _inside(mesh, row)
    starts = np.flatnonzero(np.diff(solid.astype(int)) == 1)
    assert len(starts) == 2
    assert not solid[75]
    # chin: going down from it there is air, then the plinth's forepart
    down = np.column_stack([np.zeros(50), np.full(50, -390.0), np.linspace(860, 100, 50)])
    below = _inside(mesh, down)
    assert below[0]
    assert not below[10:].any()


def test_hare_faces_the_front_and_is_nearly_symmetric(small_hare):
    vertices, faces = small_hare
    mesh = trimesh.Trimesh(vertices, faces, process=False)
    nose = vertices[vertices[:, 2] > 820][:, 1].min()
    assert nose < -430  # the nose reaches forward, over the plinth's edge
    from scipy.spatial import cKDTree

    # 0.03 rad of head turn at about 250 mm from its axis, and a tilted ear, over the whole skin: under 1 % of 1.4 m
    apart, _ = cKDTree(vertices).query(vertices * [-1, 1, 1])
    assert 0.5 < apart.mean() < 14.0
    swapped, _ = cKDTree(vertices).query((vertices - [0, mesh.centroid[1], 0]) * [1, -1, 1])
    assert swapped.mean() > 3 * apart.mean()


def test_joined_ears_leave_one_hole():
    body = as_manifold(*demo.demo_hare(40_000, joined_ears=True))
    assert body.status() == manifold3d.Error.NoError
    assert body.genus() == 1


def test_maquette_is_the_same_body_rougher():
    vertices, faces = demo.demo_maquette(2_000)
    assert len(faces) == pytest.approx(2_000, rel=0.03)
    rough = as_manifold(vertices, faces)
    assert rough.status() == manifold3d.Error.NoError
    assert rough.genus() == 0
    carved = as_manifold(*demo.demo_hare(60_000))
    # no coat and chords instead of curves: a little less skin and body, the same height
    assert rough.volume() == pytest.approx(carved.volume(), rel=0.03)
    assert 0.9 < rough.surface_area() / carved.surface_area() < 1.0
    assert vertices[:, 2].max() == pytest.approx(1400.0)
    assert (vertices[:, 2] == 0).sum() > 10


@pytest.mark.parametrize("triangles", [0, 19_999, 6_000_001])
def test_other_counts_are_refused(triangles):
    with pytest.raises(BriefRefused, match=r"cannot be made with .* ask for 20000 to 6000000\."):
        demo.demo_hare(triangles)


def test_cancelling_stops_the_carving():
    progress = Progress()
    progress.cancel()
    with pytest.raises(Cancelled):
        demo.demo_hare(20_000, progress)


def test_written_demo_reads_back(tmp_path):
    stl, brief_path = gallery.write_demo(tmp_path / "new", 20_000)
    brief = read_brief(brief_path)
    assert (brief.piece, brief.run.casts, brief.run.start_date) == ("Seated hare", 6, "2027-03-01")
    assert "invented for the demo" in brief_path.read_text()
    master = read_master(stl, brief.master)
    assert master.height_mm == pytest.approx(1400.0)
    assert master.health.is_solid
    # reference library reads the same body
    assert trimesh.load_mesh(stl).volume == pytest.approx(master.volume_mm3, rel=1e-5)
    assert [p.name for p in sorted(stl.parent.iterdir())] == ["hare.brief.toml", "hare.stl"]
