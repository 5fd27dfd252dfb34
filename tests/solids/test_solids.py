"""The mould as solids: closed by manifold3d's own judgement, in agreement with Steiner's formula and the envelopes."""

from __future__ import annotations

import zipfile
from dataclasses import replace
from types import SimpleNamespace

import manifold3d as m3
import numpy as np
import pytest
import trimesh
from mouldloft.base.errors import BriefRefused, OutputRefused, PlanImpossible
from mouldloft.inputs.brief import Brief, RubberBrief, RunBrief, SeamBrief, brief_from_dict
from mouldloft.inputs.catalogue import read_catalogue
from mouldloft.outputs.results import write_results
from mouldloft.solids import build, finer
from mouldloft.solids.build import make_solids, write_solids
from mouldloft.solids.halves import above_parting, master_halves
from mouldloft.solids.pinches import two_faces_an_edge
from mouldloft.solids.solid import Solid
from mouldloft.stages.cradle import board_in_plan
from mouldloft.stages.jacket.layup import laminate_mm
from mouldloft.stages.keys.record import Keys
from mouldloft.stages.keys.shape import key_bumps
from mouldloft.stages.master import prepare_master
from mouldloft.stages.pipeline import plan
from mouldloft.stages.rubber.glove import brush_rubber
from mouldloft.stages.rubber.rims import inside_of_jacket_mm
from mouldloft.stages.seam.place import place_seam
from mouldloft.stages.undercut import undercut_field
from seam_bodies import as_master, opening_along

LAMINATE_MM = 4.0
SKIN_MM = 10.0


def plan_of(
    mesh: trimesh.Trimesh,
    flange_width_mm: float = 10.0,
    pixel_mm: float = 2.0,
    direction=(1.0, 0.0, 0.0),
    base: str = "closed",
    kind: str = "plane",
    offset_mm: float = 0.0,
):
    """What `make_solids` reads of a plan: no keys, one laminate all over, no cradle, no baseboard."""
    master = as_master(mesh, base=base)
    field = undercut_field(master, direction, check=False)
    own = SeamBrief(kind=kind, plane_offset_mm=offset_mm if kind == "plane" else None)
    seam = place_seam(master, opening_along(direction, offset_mm), field, own)
    thickness = RubberBrief(
        skin_thickness_mm=SKIN_MM, edge_thickness_mm=SKIN_MM, edge_band_mm=0,
        flange_width_mm=flange_width_mm, draft_deg=0.5, pixel_mm=pixel_mm,
    )  # fmt: skip
    brief = Brief(run=RunBrief(casts=1), rubber=thickness)
    rubber = brush_rubber(master, seam, brief)
    zones = [SimpleNamespace(name=n, thickness_mm=LAMINATE_MM) for n in ("field", "handling edge", "flange")]
    shells = tuple(
        SimpleNamespace(
            piece=e.piece, name=e.name, zones=zones, patches=(), ribs=(), wedge_points_mm=(),
            flange_width_mm=flange_width_mm,
            flange_thickness_mm=LAMINATE_MM,
        )
        for e in rubber.envelopes
    )  # fmt: skip
    return SimpleNamespace(
        master=master, seam=seam, rubber=rubber, keys=Keys((), ()), jacket=SimpleNamespace(pieces=shells),
        cradle=SimpleNamespace(pieces=()), brief=brief, catalogue=read_catalogue(None),
        cast=SimpleNamespace(baseboard_halves_mm=()),
    )  # fmt: skip


def manifold(solid: Solid, moved=(0.0, 0.0, 0.0)) -> m3.Manifold:
    made = m3.Manifold(m3.Mesh64(solid.vertices_mm + np.asarray(moved), solid.faces.astype(np.uint64)))
    assert made.status() == m3.Error.NoError
    return made


def of_kind(solids, kind: str) -> list[Solid]:
    return [s for s in solids if s.kind == kind]


@pytest.fixture(scope="module")
def ball_plan():
    return plan_of(trimesh.creation.icosphere(subdivisions=5, radius=150.0))


@pytest.fixture(scope="module")
def ball_solids(ball_plan):
    return make_solids(ball_plan)


@pytest.fixture(scope="module")
def coarse_hare(small_plan):
    """Fewer triangles, for the many booleans of the lifting test."""
    return make_solids(small_plan, tolerance_mm=8.0)


@pytest.fixture(scope="module")
def fine_plan(small_hare):
    """The small hare on the rubber's own lattice, so that its solids come on the default one."""
    settings = {
        "piece": "Seated hare", "master": {"finished_height_mm": 900}, "run": {"casts": 6},
        "opening": {"directions": 64, "refine": 2, "seams": 1}, "rubber": {"pixel_mm": 1.5},
    }  # fmt: skip
    brief = brief_from_dict(settings)
    return plan(prepare_master(*small_hare, brief.master, name="Seated hare"), brief)


# --- analytic


def test_ball_glove_by_steiner():
    """A t + M t^2 + 4/3 pi t^3 with A = 4 pi R^2, M = 4 pi R (Minkowski-Steiner formula)."""
    radius, t = 150.0, SKIN_MM
    steiner = 4 * np.pi * radius**2 * t + 4 * np.pi * radius * t**2 + 4 / 3 * np.pi * t**3
    fine = plan_of(trimesh.creation.icosphere(subdivisions=5, radius=radius), pixel_mm=1.5)
    gloves = of_kind(make_solids(fine, tolerance_mm=1.5), "glove")
    # on the wall each ends in a bevel as long as it is thick, past two pixels of flange (Pappus)
    rim = 2 * np.pi * (t * 3.0 * (radius + t + 1.5) + t * t / 2 * (radius + t + 3.0 + t / 3))
    assert sum(s.volume_mm3 for s in gloves) == pytest.approx(steiner + 2 * rim, rel=0.012)


def test_dome_and_flange_jacket_by_its_profile():
    """Offset of a ball standing on a flange: height over a radius r is the higher of both offsets (a solid of
    revolution, integrated by shells)."""
    wide = plan_of(trimesh.creation.icosphere(subdivisions=5, radius=150.0), flange_width_mm=40.0)
    toe = 150.0 + 40.0  # of the bevel, 45 degrees down from 10 mm
    rim = toe + wide.rubber.section.jacket_flange_mm
    step = 0.05
    r = np.arange(0.5 * step, rim, step)

    def inside(at):
        flange = np.where(at < toe, np.minimum(10.0, toe - at), 0.0)
        return np.maximum(np.sqrt(np.maximum(160.0**2 - at**2, 0)), np.maximum(flange, 0.0))

    off = np.linspace(-LAMINATE_MM, LAMINATE_MM, 401)
    raised = inside(np.clip(r[:, None] + off, 0.0, rim)) + np.sqrt(np.maximum(LAMINATE_MM**2 - off**2, 0.0))
    analytic = float((2 * np.pi * r * (raised.max(axis=1) - inside(r))).sum()) * step
    for jacket in of_kind(make_solids(wide), "jacket"):
        assert jacket.volume_mm3 == pytest.approx(analytic, rel=0.03)


def test_halves_of_the_ball_are_halves(ball_solids):
    whole = trimesh.creation.icosphere(subdivisions=5, radius=150.0).volume
    halves = [s.volume_mm3 for s in of_kind(ball_solids, "master half")]
    assert sum(halves) == pytest.approx(whole, rel=1e-5)
    assert halves[0] == pytest.approx(halves[1], rel=1e-3)


def test_a_ball_cut_by_the_block_over_its_parting_surface_is_two_halves(ball_plan):
    """The way to halve a body that no surface through its seam stays inside of: closed, half the sphere's volume each,
    no edge of four faces in single precision."""
    master, seam = ball_plan.master, ball_plan.seam
    block = m3.Manifold(m3.Mesh64(*as_mesh64(above_parting(master, seam, 4.0))))
    print_of = m3.Manifold(m3.Mesh64(*as_mesh64((master.vertices_mm, master.faces))))
    assert block.status() == print_of.status() == m3.Error.NoError
    for half in (print_of ^ block, print_of - block):
        mesh = half.to_mesh64()
        assert half.volume() == pytest.approx(print_of.volume() / 2.0, rel=1e-3)
        assert two_faces_an_edge(np.array(mesh.vert_properties[:, :3]), np.array(mesh.tri_verts))


@pytest.mark.parametrize("kind", ["plane", "relief"])
def test_halves_put_together_in_single_precision_are_the_master(kind):
    """By manifold3d on what a file holds: no film of skin over a half or between the two. A flat body, whose corners'
    rounding comes to more than a millionth of it, parted a hair off an axis."""
    flat = trimesh.creation.icosphere(subdivisions=4)
    flat.apply_transform(np.diag([40.0, 300.0, 300.0, 1.0]))
    master, direction = as_master(flat), np.array([1.0, 1.2e-4, 0.0])
    field = undercut_field(master, direction, check=False)
    seam = place_seam(master, opening_along(direction, 5.0), field, SeamBrief(kind=kind, find_features=False))
    whole = m3.Manifold(m3.Mesh64(*as_mesh64((master.vertices_mm, master.faces))))
    halves = [m3.Mesh(h.vertices_mm.astype(np.float32), h.faces) for h in master_halves(master, seam, whole)]
    again = m3.Manifold(halves[0]) + m3.Manifold(halves[1])
    assert again.status() == m3.Error.NoError
    assert again.surface_area() == pytest.approx(flat.area, rel=1e-3)


def as_mesh64(arrays) -> tuple[np.ndarray, np.ndarray]:
    return np.ascontiguousarray(arrays[0], np.float64), np.ascontiguousarray(arrays[1], np.uint64)


def test_a_finer_tolerance_keeps_the_volume_with_more_triangles(ball_plan, ball_solids):
    """Taken to whole pixels of 2 mm, never coarser than asked: 4.9 mm is 4 mm, the default of 3 mm is 2 mm."""
    coarse = make_solids(ball_plan, tolerance_mm=4.9)
    for one, other in zip(of_kind(coarse, "glove"), of_kind(ball_solids, "glove"), strict=True):
        assert other.volume_mm3 == pytest.approx(one.volume_mm3, rel=0.01)
        assert len(one.faces) < 0.8 * len(other.faces)


def test_gloves_that_hold_more_than_the_plan_are_made_finer_until_they_do_not(ball_plan, monkeypatch):
    """Twice too much, then still a little, then right; and no finer than the pixels where it never is, nor twice on the
    same lattice (pitches of 4/3, 8/9 and 0.8 mm are all one pixel of 0.8 mm, as are 2.0 and 1.36 mm of 1.36 mm), nor on
    one with more nodes than a machine holds."""
    bought = sum(part.total_mm3 for part in ball_plan.rubber.parts)
    many = ball_plan.rubber.envelopes[0].outer_mm.size
    for pixel, held, pitches, most in (
        (0.8, [1.0, 0.51, 0.5], [3.0, 2.0, 4 / 3], many), (0.8, [1.0] * 9, [3.0, 2.0, 4 / 3], many),
        (1.36, [1.0] * 9, [3.0, 2.0], many), (0.8, [1.0] * 9, [3.0, 2.0], many / 2), (0.8, [1.0] * 9, [3.0], many / 5),
    ):  # fmt: skip
        fine = SimpleNamespace(**vars(ball_plan))
        envelopes = tuple(replace(e, pixel_mm=pixel) for e in ball_plan.rubber.envelopes)
        fine.rubber = replace(ball_plan.rubber, envelopes=envelopes)
        tried: list[float] = []

        def made(plan, whole, pitch_mm, progress, held=held, tried=tried):
            tried.append(pitch_mm)
            glove = Solid("glove", "glove", np.zeros((0, 3)), np.zeros((0, 3), int), held[len(tried) - 1] * bought)
            return [SimpleNamespace(solids=[glove])] * 2

        monkeypatch.setattr(build, "_gloves", made)
        monkeypatch.setattr(build, "_jacket_over", lambda plan, glove, shell: [])
        monkeypatch.setattr(finer, "_MOST_NODES", most)
        make_solids(fine)
        assert tried == pytest.approx(pitches)


def test_ball_is_no_thicker_than_asked(ball_solids):
    """Distance from the centre: 10 mm of rubber and 4 mm of laminate, where the ball is not steep to the lattice."""
    for kind, least, asked in (("glove", 155.0, 160.0), ("jacket", 162.0, 164.0)):
        for solid in of_kind(ball_solids, kind):
            away = np.linalg.norm(solid.vertices_mm, axis=1)
            outside = away[(away > least) & (np.abs(solid.vertices_mm[:, 0]) > 60.0)]
            assert len(outside) > 1000
            assert asked - 0.1 < outside.min() <= outside.max() < asked + 0.2, solid.name


# --- the hare


def test_every_solid_is_closed_and_right_way_out(small_solids):
    """By manifold3d's status and by trimesh's own reading of the same arrays."""
    assert [len(of_kind(small_solids, k)) for k in ("master half", "glove", "jacket")] == [2, 2, 2]
    assert len(of_kind(small_solids, "cradle board")) >= 4
    for solid in small_solids:
        mesh = trimesh.Trimesh(solid.vertices_mm, solid.faces, process=False)
        assert mesh.is_watertight, solid.name
        assert mesh.is_winding_consistent, solid.name
        # rel: where parts touch along an edge it is opened by micrometres
        assert manifold(solid).volume() == pytest.approx(solid.volume_mm3, rel=3e-5)
        assert mesh.volume == pytest.approx(solid.volume_mm3, rel=1e-6)
        assert solid.volume_mm3 > 0


def test_glove_holds_as_much_rubber_as_its_parts(small_plan, small_solids):
    """On a lattice of 4 mm, three times the rubber's own."""
    for solid, part in zip(of_kind(small_solids, "glove"), small_plan.rubber.parts, strict=True):
        assert solid.volume_mm3 == pytest.approx(part.total_mm3, rel=0.01), solid.name


def test_gloves_do_not_overlap_each_other_nor_the_master(small_plan, small_solids):
    one, other = (manifold(s) for s in of_kind(small_solids, "glove"))
    assert (one ^ other).volume() < 1e-3 * one.volume()
    master = small_plan.master
    body = m3.Manifold(m3.Mesh64(master.vertices_mm, master.faces.astype(np.uint64)))
    assert (one ^ body).volume() < 1e-4 * one.volume()
    assert (other ^ body).volume() < 1e-4 * other.volume()


def lifts_off(plan, solids) -> None:
    """manifold3d's intersection at 10 steps along the pull; against it, it must bite, or contact would not be seen."""
    pieces = zip(of_kind(solids, "glove"), of_kind(solids, "jacket"), plan.rubber.envelopes, strict=True)
    for glove, jacket, envelope in pieces:
        still = manifold(glove)
        depth = float(np.nanmax(envelope.outer_mm - envelope.parting_mm))
        for step in np.linspace(0.0, 1.1 * depth, 10):
            touching = (still ^ manifold(jacket, step * envelope.frame.pull)).volume()
            assert touching < 1e-5 * jacket.volume_mm3, (glove.name, step)
        assert (still ^ manifold(jacket, -2.0 * envelope.frame.pull)).volume() > 0.05 * jacket.volume_mm3


def test_jacket_lifts_off_its_glove_with_keys_without_touching(small_plan, coarse_hare):
    """An open base, and keys on the glove's outside."""
    assert all(any(k.piece == e.piece for k in small_plan.keys.keys) for e in small_plan.rubber.envelopes)
    lifts_off(small_plan, coarse_hare)


def test_jacket_lifts_off_over_a_free_seam():
    """A ball whose plane was given 75 mm off its middle: the seam leaves it for the equator. Of 600 mm across: the
    surface past the flanges is as wide round a small one, on a finer lattice."""
    direction = (1.0, 0.3, 0.2)
    ball = trimesh.creation.icosphere(subdivisions=4, radius=300.0)
    free = plan_of(ball, 20.0, 5.0, direction, kind="free", offset_mm=75.0)
    assert free.seam.kind == "free"
    lifts_off(free, make_solids(free))


def test_jacket_lifts_off_where_the_pull_leans_from_the_board():
    """The board cuts both at a slant, one from above: no film of jacket may be left in the rubber at the foot.

    A cone that stands on its board, pulled 10 degrees off the level.
    """
    cone = trimesh.creation.cone(90.0, 260.0, sections=96).subdivide_to_size(20.0)
    leaning = plan_of(cone, 40.0, 4.0, (np.cos(np.radians(10)), 0.0, np.sin(np.radians(10))), base="open")
    solids = make_solids(leaning)
    lifts_off(leaning, solids)
    for glove, jacket in zip(of_kind(solids, "glove"), of_kind(solids, "jacket"), strict=True):
        assert (manifold(glove) ^ manifold(jacket)).volume() < 1e-5 * jacket.volume_mm3
    for glove, envelope in zip(of_kind(solids, "glove"), leaning.rubber.envelopes, strict=True):
        highest = float(np.nanmax(np.where(envelope.open_base, np.nan, envelope.outer_mm)))
        assert envelope.frame.to_frame(glove.vertices_mm)[:, 2].max() < highest + 2.0


def test_volumes_of_the_hare_at_the_default_lattice(fine_plan):
    """Glove: its parts. Jacket: A t + M t^2 (Steiner) of the envelope's own pixels, keys on and flange past the rubber,
    clear of the foot's, which no pixel shows; and what the plan says is laid, ribs being solids of their own."""
    solids = make_solids(fine_plan)
    shells = fine_plan.jacket.pieces
    for k, envelope in enumerate(fine_plan.rubber.envelopes):
        glove, jacket = (of_kind(solids, kind)[k] for kind in ("glove", "jacket"))
        assert glove.volume_mm3 == pytest.approx(fine_plan.rubber.parts[k].total_mm3, rel=0.01), glove.name
        assert envelope.frame.axes[1] == pytest.approx([0.0, 0.0, 1.0])  # pulled level: a row is a height
        heights = envelope.origin_mm[1] + envelope.pixel_mm * np.arange(envelope.outer_mm.shape[0])
        row = int(np.argmax(heights > 60.0))
        clear = manifold(jacket).trim_by_plane((0.0, 0.0, 1.0), float(heights[row]))
        # wedge formers stand in the second jacket's glass, which is laid over them: no pixel shows that
        assert clear.volume() == pytest.approx(laid_over(fine_plan, k, row), rel=0.02), jacket.name
        laid = sum(z.area_mm2 * z.thickness_mm for z in shells[k].zones if z.name != "ribs")
        assert jacket.volume_mm3 == pytest.approx(laid, rel=0.015), jacket.name


def laid_over(plan, k: int, row: int) -> float:
    """Volume of the laminate over an envelope's pixels from a row up, the mean of their two diagonals."""
    envelope, shell = plan.rubber.envelopes[k], plan.jacket.pieces[k]
    height = (inside_of_jacket_mm(envelope) + key_bumps(envelope, plan.keys.keys)).astype(float)[row:]
    thick = laminate_mm(shell, envelope, plan.rubber.edge_band_mm)[row:].ravel()
    rows, columns = height.shape
    x, y = np.meshgrid(np.arange(columns) * envelope.pixel_mm, np.arange(rows) * envelope.pixel_mm)
    points = np.column_stack([x.ravel(), y.ravel(), height.ravel()])
    number = np.arange(rows * columns).reshape(rows, columns)
    a, b, c, d = (number[s].ravel() for s in (np.s_[:-1, :-1], np.s_[:-1, 1:], np.s_[1:, 1:], np.s_[1:, :-1]))
    volumes = []
    for cut in (((a, b, c), (a, c, d)), ((a, b, d), (b, c, d))):
        faces = np.concatenate([np.column_stack(corners) for corners in cut])
        faces = faces[np.isfinite(points[faces][:, :, 2]).all(axis=1)]
        mesh = trimesh.Trimesh(points, faces, process=False)
        flat = float((mesh.area_faces * thick[faces].mean(axis=1)).sum())
        volumes.append(flat + mesh.integral_mean_curvature * (flat / mesh.area) ** 2)
    return float(np.mean(volumes))


def test_nothing_lies_below_the_ground(small_solids):
    for solid in small_solids:
        if solid.kind in ("glove", "jacket"):
            assert solid.vertices_mm[:, 2].min() > -1e-6, solid.name


def test_every_member_of_the_cut_list_is_a_solid(small_plan, small_solids):
    """Rows and solids by length, width and thickness; each count of them."""
    listed, made = [], []
    for piece in small_plan.cradle.pieces:
        listed += [row[2:] for row in piece.cut_list for _ in range(row[1])]
    for solid in (*of_kind(small_solids, "cradle board"), *of_kind(small_solids, "cradle rail")):
        pull = small_plan.rubber.envelopes[0].frame.axes
        made.append(np.ptp(solid.vertices_mm @ pull.T, axis=0))
    assert len(of_kind(small_solids, "cradle rail")) >= 4
    assert np.sort(np.sort(listed, axis=1), axis=0) == pytest.approx(np.sort(np.sort(made, axis=1), axis=0), abs=0.1)


def test_rails_clear_the_jacket_and_sit_in_their_boards(small_plan, small_solids):
    """Each rail in the slots of its boards: no wood in wood, and no further off than a slot's play."""
    boards = {s.name.removeprefix("cradle board, "): s for s in of_kind(small_solids, "cradle board")}
    jackets = [manifold(s) for s in of_kind(small_solids, "jacket")]
    solids = of_kind(small_solids, "cradle rail")
    rails = [rail for piece in small_plan.cradle.pieces for rail in piece.rails]
    assert len(solids) == len(rails) >= 4
    for solid, rail in zip(solids, rails, strict=True):
        for jacket in jackets:
            assert (manifold(solid) ^ jacket).volume() < 1.0, solid.name
        for name in rail.boards:
            board = next(s for key, s in boards.items() if key.endswith(name))
            assert (manifold(solid) ^ manifold(board)).volume() < 1.0
            assert manifold(solid).min_gap(manifold(board), 5.0) < 0.5


def test_baseboard_comes_in_its_halves(small_plan, small_solids):
    halves = of_kind(small_solids, "baseboard")
    assert len(halves) == len(small_plan.cast.baseboard_halves_mm) >= 2
    assert sum(s.volume_mm3 for s in halves) == pytest.approx(small_plan.cast.baseboard_area_mm2 * 18.0, rel=1e-3)
    one, other = (manifold(s) for s in halves[:2])
    assert (one ^ other).volume() < 1.0


def test_boards_are_their_outlines_sawn(small_plan, small_solids):
    boards = iter(of_kind(small_solids, "cradle board"))
    for piece, envelope in zip(small_plan.cradle.pieces, small_plan.rubber.envelopes, strict=True):
        for board in piece.boards:
            solid = next(boards)
            x, y = board.cut_mm.T
            area = abs(np.dot(x, np.roll(y, 1)) - np.dot(y, np.roll(x, 1))) / 2  # the surveyor's formula
            assert solid.volume_mm3 == pytest.approx(area * board.thickness_mm, rel=1e-6)
            middle = board_in_plan(board, piece, envelope)
            mean_low, mean_high = solid.vertices_mm.min(axis=0), solid.vertices_mm.max(axis=0)
            assert np.all(middle.min(axis=0) >= mean_low - 1e-6)
            assert np.all(middle.max(axis=0) <= mean_high + 1e-6)


# --- files


def test_files_read_back_as_the_same_solids(tmp_path, ball_solids):
    written = write_solids(ball_solids, tmp_path / "solids", ("stl", "3mf", "glb"))
    assert len(written) == 3 * len(ball_solids)
    assert sorted(p.name for p in (tmp_path / "solids").iterdir()) == sorted(p.name for p in written)
    for number, path in enumerate(written):
        solid = ball_solids[number // 3]
        mesh = trimesh.load(path, force="mesh")
        mesh.merge_vertices()
        scale = 1000.0 if path.suffix == ".glb" else 1.0
        assert mesh.is_watertight, path.name
        assert mesh.volume * scale**3 == pytest.approx(solid.volume_mm3, rel=1e-4)
        low, high = mesh.bounds * scale
        if path.suffix == ".glb":  # glTF 2.0: +Y up, +Z forward
            assert (low[1], high[1]) == pytest.approx(solid.vertices_mm[:, 2][[*extremes(solid, 2)]], abs=1e-2)
            assert (-high[2], -low[2]) == pytest.approx(solid.vertices_mm[:, 1][[*extremes(solid, 1)]], abs=1e-2)
        else:
            assert low == pytest.approx(solid.vertices_mm.min(axis=0), abs=1e-2)
            assert high == pytest.approx(solid.vertices_mm.max(axis=0), abs=1e-2)
        if path.suffix == ".3mf":
            model = zipfile.ZipFile(path).read("3D/3dmodel.model").decode()
            assert 'unit="millimeter"' in model[:600]


def extremes(solid: Solid, axis: int) -> tuple[int, int]:
    along = solid.vertices_mm[:, axis]
    return int(along.argmin()), int(along.argmax())


def test_stl_of_the_hare_is_closed_in_single_precision(tmp_path, small_solids):
    for path in write_solids(small_solids, tmp_path):
        mesh = trimesh.load(path)
        assert mesh.is_watertight, path.name


def test_names_never_leave_the_folder(tmp_path):
    box = trimesh.creation.box()
    named = [
        Solid(n, "glove", np.array(box.vertices), np.array(box.faces, np.int32), 1.0)
        for n in ("../../etc/x", "C:\\y", "a b", "A-B", "…", "n" * 400)
    ]
    written = write_solids(named, tmp_path / "out")
    assert all(p.parent == tmp_path / "out" and p.exists() for p in written)
    assert [p.name for p in written][:5] == ["etc-x.stl", "c-y.stl", "a-b.stl", "a-b-2.stl", "solid.stl"]
    assert [p.name for p in tmp_path.iterdir()] == ["out"]


def test_refusals_are_one_sentence(tmp_path, ball_plan):
    for wrong in (0.0, -1.0, float("nan"), 1e6):
        with pytest.raises(BriefRefused, match="tolerance"):
            make_solids(ball_plan, tolerance_mm=wrong)
    with pytest.raises(OutputRefused, match="stl, 3mf, glb"):
        write_solids((), tmp_path, ("step",))
    (tmp_path / "file").write_text("")
    with pytest.raises(OutputRefused, match="cannot be made"):
        write_solids((), tmp_path / "file" / "inner")


def test_all_else_is_written_where_no_solids_can_be_made(small_plan, tmp_path, monkeypatch):
    def refuse(*_args, **_named):
        raise PlanImpossible("No solids can be made: the mesh is torn.")

    monkeypatch.setattr("mouldloft.outputs.closedmeshes.make_solids", refuse)
    with pytest.raises(PlanImpossible, match=r"torn\. All else"):
        write_results(small_plan, tmp_path / "out", pictures=False, solids=("stl",))
    assert {"plan.json", "order.csv", "summary.txt"} <= {p.name for p in (tmp_path / "out").iterdir()}


def test_a_torn_master_is_refused(ball_plan):
    torn = SimpleNamespace(**vars(ball_plan))
    master = ball_plan.master
    torn.master = as_master(trimesh.Trimesh(master.vertices_mm, master.faces[:-1], process=False))
    with pytest.raises(PlanImpossible, match="closed manifold"):
        make_solids(torn)
