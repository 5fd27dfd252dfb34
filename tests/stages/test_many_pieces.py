"""More than two pieces through every stage: bodies cut in sectors, whose skins, flanges and feet are known."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import combinations

import manifold3d
import meshes
import numpy as np
import pytest
import shapely
import trimesh
from mouldloft.base.errors import PlanImpossible
from mouldloft.base.intervals import Interval
from mouldloft.geometry.depthmap import grid_around, solid_between_mm
from mouldloft.geometry.frame import pull_frame
from mouldloft.geometry.rays import inside_body, ray_scene
from mouldloft.inputs.brief import Brief, RubberBrief, RunBrief
from mouldloft.inputs.catalogue import read_catalogue
from mouldloft.outputs.planfile import open_plan, save_plan
from mouldloft.outputs.sheets.section import section_facts
from mouldloft.outputs.summary import summary_text
from mouldloft.outputs.words import work_steps
from mouldloft.solids.build import make_solids
from mouldloft.stages.cast import lay_up_cast
from mouldloft.stages.division.propose import (
    ComingOff,
    Division,
    DivisionPiece,
    JointLine,
)
from mouldloft.stages.division.sharing import Shares, joints_between
from mouldloft.stages.division.taken import seam_of_division
from mouldloft.stages.jacket import STRAP_EVERY_MM, straps_for, unheld_stretches
from mouldloft.stages.locks import find_locks
from mouldloft.stages.master import Master
from mouldloft.stages.pipeline import back_glove, key_glove, order_and_days, with_notes
from mouldloft.stages.plan import MouldPlan
from mouldloft.stages.programme import bolt_count
from mouldloft.stages.rubber.amounts import bare_mm3, flange_areas_mm2, less_held_before, wall_areas_mm2
from mouldloft.stages.rubber.glove import brush_rubber
from mouldloft.stages.rubber.record import Rubber
from mouldloft.stages.seam.place import place_seam
from mouldloft.stages.seam.record import Seam
from mouldloft.stages.takeoff import take_off
from mouldloft.stages.wall.joints import joint_surfaces, parting_of
from mouldloft.trade.thickness import choose_thickness
from seam_bodies import PLANE, as_master, opening_along, seen_field
from test_planfile import same

RADIUS, SKIN, WIDE, THICK = 100.0, 8.0, 40.0, 10.0
BARE = RubberBrief(
    skin_thickness_mm=SKIN, edge_thickness_mm=SKIN, edge_band_mm=0.0, draft_deg=0.5, flange_width_mm=WIDE,
    flange_thickness_mm=THICK, pixel_mm=2.0,
)  # fmt: skip
CATALOGUE = read_catalogue(None)


def fanned(count: int, lift_deg: float = 0.0) -> np.ndarray:
    """(count, 3) pulls evenly round the upright axis, all as steep."""
    turn, lift = 2 * np.pi * np.arange(count) / count + 0.3, np.radians(lift_deg)
    return np.stack([np.cos(turn) * np.cos(lift), np.sin(turn) * np.cos(lift), np.full(count, np.sin(lift))], 1)


def in_sectors(master: Master, pulls: np.ndarray, order: tuple[int, ...] | None = None, hits: int = 0) -> Division:
    """A division whose joints are planes through the upright axis: each face to the pull that it lies along most."""
    fields = pulls @ master.vertices_mm.T
    labels = np.argmax(fields[:, master.faces].mean(axis=2), axis=0).astype(np.int8)
    areas = np.bincount(labels, master.face_areas_mm2 * ~master.base_faces, minlength=len(pulls))
    names = tuple(f"sector {k}" for k in range(len(pulls)))
    pieces = tuple(
        DivisionPiece(n, tuple(p), a, a / areas.sum(), 0.0, 0.0, 1.0) for n, p, a in zip(names, pulls, areas)
    )
    found = joints_between(master, Shares(labels, pulls, fields))
    joints = tuple(
        JointLine((names[a], names[b]), line, closed, float(np.linalg.norm(np.diff(line, axis=0), axis=1).sum()))
        for (a, b), line, closed in found
    )
    steps = tuple(ComingOff(names[k], "", 1.0, 12, 1.0, hits) for k in (range(len(pulls)) if order is None else order))
    nothing = Interval(0.0, 0.0, 0.0, ())
    return Division(
        pieces, labels, joints, sum(j.length_mm for j in joints), steps, True, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, nothing,
        0.0, 1.0, (0.0, 0.0, 0.0), np.zeros((1, 1, 1), np.int8), "", (),
    )  # fmt: skip


@dataclass(frozen=True)
class Cut:
    """A body in two pieces, and in more."""

    master: Master
    two: Seam
    seam: Seam


def cut(master: Master, pulls: np.ndarray) -> Cut:
    two = place_seam(master, opening_along((1, 0, 0)), seen_field(master, (1, 0, 0)), PLANE)
    return Cut(master, two, seam_of_division(master, in_sectors(master, pulls), two, np.full(len(master.faces), 0.5)))


def ball() -> Master:
    return as_master(trimesh.creation.icosphere(4, RADIUS))


def dome() -> Master:
    """Half a ball on the board, its foot a circle of the ball's radius."""
    body = manifold3d.Manifold.sphere(RADIUS, 128).split_by_plane((0, 0, 1), 0)[0]
    return as_master(trimesh.Trimesh(*meshes._arrays(body), process=False), "open")


@pytest.fixture(scope="module", params=(3, 4))
def sectors(request) -> tuple[Cut, Rubber]:
    made = cut(ball(), fanned(request.param))
    return made, brush_rubber(made.master, made.seam, Brief(rubber=BARE))


# --- columns and what is inside: against caps, and a ring ------------------------------------------------------------


def test_the_solid_in_columns_against_a_balls_cap():
    """A cap of height h has the volume pi h^2 (3 R - h) / 3 [classical]; low and high cut it from both sides."""
    mesh = trimesh.creation.icosphere(5, RADIUS)
    frame = pull_frame(np.array([0.3, -0.5, 0.8]))
    points = frame.to_frame(np.asarray(mesh.vertices))
    grid = grid_around(points, 1.0, 3.0)

    def between(low: float, high: float) -> float:
        shape = (grid.rows, grid.columns)
        return float(solid_between_mm(points, mesh.faces, grid, np.full(shape, low), np.full(shape, high)).sum())

    def cap(height: float) -> float:
        return np.pi * height**2 * (3 * RADIUS - height) / 3

    assert between(-200.0, 200.0) == pytest.approx(mesh.volume, rel=1e-3)
    assert between(60.0, 200.0) == pytest.approx(cap(40.0), rel=5e-3)
    assert between(-30.0, 60.0) == pytest.approx(cap(130.0) - cap(40.0), rel=2e-3)
    assert between(60.0, 60.0) == 0.0
    assert between(70.0, 60.0) == 0.0


def test_inside_a_ring():
    mesh = trimesh.creation.torus(60.0, 20.0, 96, 48)
    points = np.random.default_rng(4).uniform(-90, 90, (20_000, 3)) * np.array([1, 1, 0.3])
    away = np.hypot(np.hypot(points[:, 0], points[:, 1]) - 60.0, points[:, 2])
    clear = np.abs(away - 20.0) > 0.2  # the facets' sagitta
    found = inside_body(ray_scene(mesh.vertices, mesh.faces), np.asarray(mesh.face_normals), points)
    assert (found == (away < 20.0))[clear].all()
    assert 1000 < found.sum() < 19_000


# --- a ball in sectors ---------------------------------------------------------------------------------------------


def test_joints_run_from_pole_to_pole(sectors):
    made, _ = sectors
    count = len(made.seam.pieces)
    assert len(made.seam.lines) == count
    assert made.seam.length_mm == pytest.approx(count * np.pi * RADIUS, rel=2e-3)
    assert len({line.between for line in made.seam.lines}) == count
    assert made.seam.alternative is made.two.figures


def test_two_pieces_part_on_one_plane_and_both_say_so(sectors):
    """Along the difference of two pulls the joint's plane is level, so the surface beside it is that plane."""
    made, rubber = sectors
    for surface in joint_surfaces(made.seam, made.master, 1.25 * (WIDE + SKIN)):
        one, other = (np.asarray(made.seam.pieces[k].pull) for k in surface.between)
        across = (one - other) / np.linalg.norm(one - other)
        assert np.abs(surface.vertices_mm @ across).max() < 0.1  # the facets lean a little, and its root with them
        reach = np.linalg.norm(surface.vertices_mm, axis=1)
        assert reach.min() > RADIUS - 3
        assert reach.max() > RADIUS + WIDE
        # never on the far side of the axis, where the others' joints are nearer: joints end within two edges of a pole
        assert (surface.vertices_mm @ (one + other)).min() > -15.0
        for k in surface.between:
            envelope = rubber.envelopes[k]
            rows, columns = envelope.parting_mm.shape
            grid = grid_around(np.zeros((1, 3)), envelope.pixel_mm)
            grid = replace(grid, x0_mm=envelope.origin_mm[0], y0_mm=envelope.origin_mm[1], rows=rows, columns=columns)
            at = envelope.frame.to_frame(surface.vertices_mm)
            near = (reach > RADIUS + 10) & (reach < RADIUS + WIDE)  # at the line the coarse faces of both stand
            i, j = grid.nearest(at[near, 0], at[near, 1])
            lean = 1 / np.tan(np.pi / len(made.seam.pieces))
            plain = envelope.parting_mm - envelope.bead_mm  # domes stand on it, and are hollowed from it
            assert np.abs(plain[i, j] - at[near, 2]).max() < 1.5 * (1 + lean) * envelope.pixel_mm


def test_skins_of_all_sectors_are_the_skin_of_two(sectors):
    """Steiner's formula for a ball, A t + M t^2 + 4/3 pi t^3 with M = 4 pi R, in as many parts."""
    made, rubber = sectors
    count = len(rubber.parts)
    steiner = 4 * np.pi * (RADIUS**2 * SKIN + RADIUS * SKIN**2 + SKIN**3 / 3)
    for part in rubber.parts:
        assert part.skin_mm3 == pytest.approx(steiner / count, rel=0.015)
        assert abs(part.lock_fill_mm3) < 1e-3 * steiner
    two = brush_rubber(made.master, made.two, Brief(rubber=BARE))
    assert sum(p.skin_mm3 for p in rubber.parts) == pytest.approx(sum(p.skin_mm3 for p in two.parts), rel=0.005)
    assert rubber.min_thickness_mm > 0.99 * SKIN


def test_each_flange_is_half_a_ring_on_either_side(sectors):
    """A slab of the flange's thickness on half the ring from the ball to its rim, less the skin it stands on, on each
    of a sector's two sides; where the two meet over the poles they share a prism on the corner. Over the poles a piece
    has less by what those made before it hold: the first has all."""
    _, rubber = sectors
    count = len(rubber.parts)
    slab = np.pi / 2 * (THICK * ((RADIUS + WIDE) ** 2 - (RADIUS + SKIN) ** 2) + THICK**3 / 3)
    shared = 2 * WIDE * THICK**2 / np.tan(np.pi / count)
    bevel = np.pi / 2 * (RADIUS + WIDE - THICK / 3) * THICK**2  # 45 degrees off the rim of each half ring (Pappus)
    assert rubber.parts[0].flange_mm3 == pytest.approx(2 * (slab - bevel) - shared, rel=0.04)
    for part in rubber.parts[1:]:
        assert 0.9 < part.flange_mm3 / (2 * (slab - bevel) - shared) < 1.04
    areas = flange_areas_mm2(rubber)
    foot = np.pi * ((RADIUS + WIDE) ** 2 - (RADIUS + SKIN) ** 2)
    assert areas == pytest.approx([foot] * count, rel=0.12)  # the slab leans out from the skin it stands on
    walls = wall_areas_mm2(rubber)
    assert sum(walls) == pytest.approx(sum(areas) / 2)
    assert walls[-1] == 0.0
    assert min(walls[:-1]) > 0


def test_what_two_pieces_claim_is_the_first_ones(sectors):
    made, rubber = sectors
    causes = dict(rubber.volume_mm3.causes)
    assert causes["skin by the joints that no piece reaches"] < 0.002
    scene = ray_scene(made.master.vertices_mm, made.master.faces)
    whole = sum(part.total_mm3 for part in rubber.parts)
    # an eighth of every column of the second given to the first as well: all of that is the first's
    first, second, *rest = rubber.envelopes
    twin = replace(first, frame=second.frame, origin_mm=second.origin_mm, parting_mm=second.parting_mm,
                   outer_mm=second.parting_mm + (second.outer_mm - second.parting_mm) / 8)  # fmt: skip
    parts = less_held_before(rubber.parts, [twin, second, *rest], made.master, scene)
    assert parts[0] == rubber.parts[0]
    i, j = np.nonzero(np.isfinite(second.outer_mm))
    x, y = (o + n * second.pixel_mm for o, n in zip(second.origin_mm, (j, i)))
    low, thick = second.parting_mm[i, j], (second.outer_mm - second.parting_mm)[i, j] / 8
    shares = (np.arange(16) + 0.5) / 16
    points = np.stack([np.column_stack([x, y, low + share * thick]) for share in shares])
    out = ~inside_body(scene, made.master.normals, second.frame.to_master(points.reshape(-1, 3)))
    held = float((thick * out.reshape(16, -1).mean(axis=0)).sum()) * second.pixel_mm**2
    assert held > 0.01 * whole
    assert rubber.parts[1].total_mm3 - parts[1].total_mm3 == pytest.approx(held, rel=0.03)
    assert rubber.parts[1].flange_mm3 - parts[1].flange_mm3 > 0.5 * held  # a column's lowest eighth is flange at most


def test_skin_that_no_piece_reaches_is_in_the_interval(sectors):
    """A column cut short by 60 mm leaves bare more than a thirtieth of the rubber."""
    made, rubber = sectors
    first, second, *rest = rubber.envelopes
    shorter = replace(second, parting_mm=second.parting_mm + 60.0)
    rule = choose_thickness(made.master.height_mm, 1, BARE)
    scene = ray_scene(made.master.vertices_mm, made.master.faces)
    ((_, bare),) = bare_mm3(made.master, [first, shorter, *rest], rule, scene)
    assert bare > 0.03 * rubber.volume_mm3.likely
    ((name, right),) = bare_mm3(made.master, rubber.envelopes, rule, scene)
    assert right == pytest.approx(dict(rubber.volume_mm3.causes)[name] * rubber.volume_mm3.likely)


def test_nothing_locks_a_ball_in_sectors(sectors):
    made, _ = sectors
    locks = find_locks(
        made.master, seen_field(made.master, (1, 0, 0)), made.seam, CATALOGUE.rubber_for(Brief().materials)
    )
    assert locks.fill_mm3 < 1.0
    assert locks.piece_locked_area_mm2 == locks.rigid_area_mm2 == 0.0


# --- domes between them --------------------------------------------------------------------------------------------


def test_domes_stand_on_both_flanges_of_every_joint_whose_pulls_they_clear(sectors):
    """Between three, pulls lean 30 degrees off the joint's normal, which leaves 40 for a dome's sides: a rise of
    1.5 h / 10 mm no steeper is 5 mm high. Between four they lean 45 degrees, and 3 mm is no dome."""
    made, rubber = sectors
    held, section = rubber.registration, rubber.section
    assert (section.dome_diameter_mm, section.dome_height_mm) == (20.0, 8.0)
    if len(rubber.parts) == 4:
        assert len(held.domes_mm) == held.share == 0
        assert all(part.domes_mm3 == 0.0 for part in rubber.parts)
        return
    assert held.share == 1.0
    assert held.dome_heights_mm == pytest.approx([5.0] * 9)
    middle = RADIUS + section.bead_from_skin_mm
    for one, other in combinations(range(3), 2):
        mine = (held.dome_between == (one, other)).all(axis=1)
        at, axes = held.domes_mm[mine], held.dome_axes[mine]
        pulls = [np.asarray(made.seam.pieces[k].pull) for k in (one, other)]
        across = (pulls[0] - pulls[1]) / np.linalg.norm(pulls[0] - pulls[1])
        assert len(at) == 3
        assert np.linalg.norm(at, axis=1) == pytest.approx([middle] * 3, abs=1.0)
        assert np.abs(at @ across).max() < 1.0
        assert (axes @ across).min() > np.cos(np.radians(2.0))
        turn = np.sort(np.arctan2(at @ (0, 0, 1), at @ (pulls[0] + pulls[1])))
        assert ((middle * np.diff(turn) > 100.0) & (middle * np.diff(turn) < 150.0)).all()
        for k in (one, other):
            envelope, where = rubber.envelopes[k], rubber.envelopes[k].frame.to_frame(at)
            i, j = envelope.grid.nearest(where[:, 0], where[:, 1])
            plain = (envelope.parting_mm - envelope.bead_mm)[i, j]
            assert np.abs(plain - where[:, 2]).max() < 2.0  # a pixel up a lean of 30 degrees, and the map's own
            assert ((envelope.bead_mm[i, j] > 0.0) == (k == one)).all()
            assert (np.abs(envelope.bead_mm[i, j]) > 4.0).all()  # along a pull that leans, over the axis' foot


def test_domes_and_hollows_are_in_the_rubber_of_their_pieces(sectors):
    """Pappus: a dome that rises over its half width R as a smooth step holds 0.3 pi R^2 h. The rise of the outside,
    half a cosine over its own radius to 1.06 h, is summed over the plane, where the skin's rubber is no higher."""
    _, rubber = sectors
    if len(rubber.parts) == 4:
        return
    dome, wide = 0.3 * np.pi * 10.0**2 * 5.0, 10.0 + THICK
    x, y = np.meshgrid(*2 * [np.linspace(-wide, wide, 401)])
    far = np.hypot(RADIUS + rubber.section.bead_from_skin_mm + x, y)
    skin = np.sqrt(np.maximum((RADIUS + SKIN) ** 2 - far**2, 0.0))
    plain = THICK * np.clip((RADIUS + WIDE - far) / rubber.section.bevel_run_mm, 0.0, 1.0)
    back = 1.06 * 5.0 * 0.5 * (1.0 + np.cos(np.pi * np.minimum(np.hypot(x, y) / wide, 1.0)))
    rise = float((np.maximum(plain + back, skin) - np.maximum(plain, skin)).sum()) * (wide / 200.0) ** 2
    first, second, last = (part.domes_mm3 for part in rubber.parts)
    assert last == pytest.approx(6 * dome, rel=0.01)
    assert first == pytest.approx(6 * (rise - dome), rel=0.05)
    assert second == pytest.approx(3 * rise, rel=0.05)


# --- refusals ------------------------------------------------------------------------------------------------------


def test_pieces_that_part_nearly_the_same_way_are_refused():
    """Two pulls 10 degrees apart: a flange between them would have to lie along both."""
    near = np.array([[1, 0, 0], [np.cos(np.radians(10)), np.sin(np.radians(10)), 0], [-1, 0, 0]])
    made = cut(ball(), near)
    frame = pull_frame(near[0])
    grid = grid_around(frame.to_frame(made.master.vertices_mm), 10.0)
    with pytest.raises(PlanImpossible, match="nearly the same way"):
        parting_of(made.master, made.seam, 0, frame, grid)


def test_pieces_that_hold_each_other_are_refused():
    master, pulls = ball(), fanned(3)
    two = cut(master, pulls).two
    show = np.zeros(len(master.faces))
    with pytest.raises(PlanImpossible, match="No order was found"):
        seam_of_division(master, in_sectors(master, pulls, order=()), two, show)
    with pytest.raises(PlanImpossible, match="would touch"):
        seam_of_division(master, in_sectors(master, pulls, hits=3), two, show)


# --- a dome on a board, all the way ----------------------------------------------------------------------------------


@pytest.fixture(scope="module", params=(0.0, 35.0), ids=("level", "lifted"))
def dome_plan(request, small_plan) -> MouldPlan:
    """A dome in three sectors, pulled level or upwards, through every stage after the seam."""
    made = cut(dome(), fanned(3, request.param))
    master, seam = made.master, made.seam
    brief = replace(small_plan.brief, rubber=replace(BARE, pixel_mm=2.0), run=RunBrief(casts=2))
    field = seen_field(master, (1, 0, 0))
    locks = find_locks(master, field, seam, CATALOGUE.rubber_for(brief.materials))
    bare = brush_rubber(master, seam, brief)
    rubber, keys = key_glove(master, seam, locks, bare, brief, CATALOGUE)
    jacket, cradle = back_glove(rubber, keys, brief, CATALOGUE)
    cast = lay_up_cast(master, seam, locks, brief, CATALOGUE)
    takeoff, programme = order_and_days(master, seam, locks, rubber, keys, jacket, cradle, cast, brief, CATALOGUE)
    return with_notes(
        replace(
            small_plan, brief=brief, catalogue=CATALOGUE, master=master, undercut=field, seam=seam, locks=locks,
            rubber=rubber, keys=keys, jacket=jacket, cradle=cradle, cast=cast, takeoff=takeoff, programme=programme,
        )
    )  # fmt: skip


def test_the_flange_on_the_board_goes_round_the_foot_whichever_way_the_pieces_are_pulled(dome_plan):
    """A ring of the flange's width and thickness round the foot's circle, less the skin it stands on; what draft adds
    on a dome is little. Half of Steiner's skin of the ball above the board."""
    parts = dome_plan.rubber.parts
    ring = np.pi * (THICK * ((RADIUS + WIDE) ** 2 - (RADIUS + SKIN) ** 2) + THICK**3 / 3)
    assert sum(p.draft_mm3 for p in parts) == pytest.approx(ring, rel=0.04)
    steiner = 2 * np.pi * (RADIUS**2 * SKIN + RADIUS * SKIN**2 + SKIN**3 / 3)
    assert sum(p.skin_mm3 for p in parts) == pytest.approx(steiner, rel=0.015)
    assert abs(sum(p.lock_fill_mm3 for p in parts)) < 0.02 * steiner


def test_bolts_go_through_two_flanges_or_into_the_board(dome_plan):
    jacket = dome_plan.jacket
    for piece in jacket.pieces:
        board = np.array(piece.foot_bolts_mm)
        assert len(board) >= 1
        assert np.abs(board[:, 2]).max() == 0.0
        # past the rubber, half-way across the glass that lies on the board
        out = RADIUS + WIDE + dome_plan.rubber.built_to.jacket_flange_mm / 2
        assert np.hypot(board[:, 0], board[:, 1]) == pytest.approx(out, abs=2.0)
        others = np.array([at for p in jacket.pieces if p is not piece for at in (*p.bolts_mm, *p.clamps_mm)])
        held = np.array([*piece.bolts_mm, *piece.clamps_mm])
        assert len(held) >= 4  # two joints
        gaps = [np.linalg.norm(others - b, axis=1).min() for b in held]
        assert np.mean(np.array(gaps) < 5.0) > 0.6
    through, foot = (sum(len(v) for v in some) for some in zip(*((p.bolts_mm, p.foot_bolts_mm) for p in jacket.pieces)))
    # upright planes: however steep the pulls, they lie square to the way two pieces part
    assert all(not p.clamps_mm for p in jacket.pieces)
    # three or four on every joint and none over the pole, where three pieces meet; both pieces have the same ones
    assert 18 <= through <= 24
    assert bolt_count(jacket) == foot + through // 2
    every = np.array(sorted(at for p in jacket.pieces for at in p.bolts_mm))
    assert np.abs(every[::2] - every[1::2]).max() == 0.0
    for way in ((p.pull, q.pull) for p, q in combinations(dome_plan.seam.pieces, 2)):
        across = np.subtract(*way) / np.linalg.norm(np.subtract(*way))
        joint = every[::2][np.abs(every[::2] @ across) < 5.0]
        joint = joint[joint[:, :2] @ np.sum(way, axis=0)[:2] > 0.0]
        gaps = np.linalg.norm(np.diff(joint[np.argsort(joint[:, 2])], axis=0), axis=1)
        assert len(gaps) in (2, 3)
        assert gaps.max() <= dome_plan.rubber.built_to.bolt_pitch_mm
    assert unheld_stretches(jacket, dome_plan.rubber, dome_plan.seam) == ()
    bare = replace(jacket, pieces=tuple(replace(p, bolts_mm=()) for p in jacket.pieces))
    found = unheld_stretches(bare, dome_plan.rubber, dome_plan.seam)
    assert sum(u.long_mm for u in found) == pytest.approx(3 * RADIUS * np.pi / 2, rel=0.05)


def test_straps_go_round_where_no_bolt_stands(dome_plan):
    """With its bolts a dome needs none. Without, its three joints rise together from the board to the pole: one strap
    for each 300 mm of its height, as long as the flanges' circle is round there; and so many are bought."""
    jacket, rubber, seam = dome_plan.jacket, dome_plan.rubber, dome_plan.seam
    assert straps_for(jacket, rubber, seam) == ()
    bare = replace(jacket, pieces=tuple(replace(p, bolts_mm=()) for p in jacket.pieces))
    straps = straps_for(bare, rubber, seam)
    assert len(straps) == np.ceil(RADIUS / STRAP_EVERY_MM)
    for strap in straps:
        widest = np.sqrt((RADIUS + WIDE) ** 2 - max(strap.height_mm - 60.0, 0.0) ** 2)
        assert strap.round_mm == pytest.approx(2 * np.pi * widest, rel=0.03)
    order = take_off(
        dome_plan.master, dome_plan.locks, rubber, dome_plan.keys, bare, dome_plan.cradle, dome_plan.cast,
        dome_plan.brief, CATALOGUE, programme=dome_plan.programme, straps=straps,
    )  # fmt: skip
    bought = {line.code: line.net.likely for line in order.lines}
    assert bought["strap-5"] == sum(s.count for s in straps)
    assert "clamp-75" not in bought
    assert "strap-5" not in {line.code for line in dome_plan.takeoff.lines}


def test_masses_follow_from_the_areas(dome_plan):
    """Outside of half a ball of the skin's radius, flanges up three planes on both sides and round the foot, over the
    rubber and past it glass to glass; bevels lie between nothing and the rim's own height."""
    area = sum(p.area_mm2 for p in dome_plan.jacket.pieces)
    outside = 2 * np.pi * (RADIUS + SKIN) ** 2
    past = dome_plan.rubber.built_to.jacket_flange_mm
    ring = np.pi * ((RADIUS + WIDE + past) ** 2 - (RADIUS + SKIN) ** 2)
    hidden = THICK * (RADIUS + SKIN) * (6 * np.pi / 2 + 2 * np.pi)  # under the flanges' thickness
    seen = outside - hidden + ring + 6 * ring / 4
    rims = THICK * (RADIUS + WIDE) * (6 * np.pi / 2 + 2 * np.pi)
    assert seen < area < seen + rims
    density = CATALOGUE.rubber_for(dome_plan.brief.materials).density_kg_m3 * 1e-9
    for part, piece in zip(dome_plan.rubber.parts, dome_plan.jacket.pieces, strict=True):
        assert piece.rubber_mass_kg == pytest.approx(part.total_mm3 * density)
        assert piece.mass_kg == pytest.approx(sum(z.glass_kg + z.resin_kg for z in piece.zones))
    assert len({round(p.mass_kg, 1) for p in dome_plan.jacket.pieces}) <= 2  # three alike, but for their keys' places


def test_the_baseboard_is_cut_where_the_parts_of_the_cast_meet(dome_plan):
    cast = dome_plan.cast
    parts = [shapely.Polygon(p) for p in cast.baseboard_halves_mm]
    assert len(parts) == 3
    inner = RADIUS - cast.thickness_mm - 3.0
    assert sum(p.area for p in parts) == pytest.approx(np.pi * inner**2, rel=0.03)
    assert [p.area for p in parts] == pytest.approx([parts[0].area] * 3, rel=0.05)
    overlap = sum(a.intersection(b).area for k, a in enumerate(parts) for b in parts[:k])
    assert overlap < 0.01 * inner**2
    assert cast.joint_tape_m * 1000 == pytest.approx(3 * np.pi / 2 * RADIUS, rel=0.02)


def test_every_piece_has_its_work_and_its_rubber_in_the_order(dome_plan):
    names = [p.name for p in dome_plan.seam.pieces]
    tasks = " ".join(t.name for t in dome_plan.programme.tasks)
    assert all(f"Rubber cures, {name}" in tasks for name in names)
    assert "Build the wall, sector 1" in tasks
    assert "Build the wall, sector 0" not in tasks  # off first, made last: its neighbours stand by then
    assert "halves" not in tasks
    held = dome_plan.rubber.registration
    set_on = {t.name: t.note for t in dome_plan.programme.tasks if "domes on the wall" in t.name}
    assert held.domes_set_for(0) + held.domes_set_for(1) == len(held.domes_mm)
    if abs(dome_plan.seam.pieces[0].pull[2]) < 0.1:
        assert list(set_on) == ["Set domes on the wall", "Set domes on the wall, sector 1"]
        assert [int(said.split()[0]) for said in set_on.values()] == [held.domes_set_for(0), held.domes_set_for(1)]
        assert dict(section_facts(dome_plan))["Domes"].startswith(f"{len(held.domes_mm)} domes, ")
    else:  # lifted by 35° they stand 90° apart, and lean 45° to their joint: no side of a dome clears both by 20°
        assert len(held.domes_mm) == 0
        assert set_on == {}
        assert dict(section_facts(dome_plan))["Domes"].startswith("none")
    steps = " ".join(f"{s.title} {s.text}" for s in work_steps(dome_plan))
    assert "each part laid up" in steps
    assert all(name in steps for name in names)
    density = CATALOGUE.rubber_for(dome_plan.brief.materials).density_kg_m3 * 1e-9
    mixed = dome_plan.rubber.volume_mm3.likely * density
    glove = [line for line in dome_plan.takeoff.lines if line.stage == "glove"]
    assert sum(line.net.likely for line in glove if line.unit == "kg") == pytest.approx(mixed, rel=0.06)


# --- its closed meshes, measured by manifold3d alone ------------------------------------------------------------------

LEVEL = pytest.mark.parametrize("dome_plan", [0.0], indirect=True, ids=["level"])
STEPS_MM = (0.5, 2.0, 8.0, 30.0, 100.0, 300.0)


@pytest.fixture(scope="module")
def dome_solids(dome_plan) -> dict[str, manifold3d.Manifold]:
    """By name, on a coarse lattice."""
    found = {}
    for solid in make_solids(dome_plan, tolerance_mm=6.0):
        found[solid.name] = manifold3d.Manifold(manifold3d.Mesh64(solid.vertices_mm, solid.faces.astype(np.uint64)))
        assert found[solid.name].status() == manifold3d.Error.NoError
    return found


def of_kind(solids: dict[str, manifold3d.Manifold], kind: str) -> list[manifold3d.Manifold]:
    return [solid for name, solid in solids.items() if name.startswith(kind)]


@LEVEL
def test_closed_meshes_hold_what_the_plan_says(dome_plan, dome_solids):
    (whole,) = of_kind(dome_solids, "master")
    assert len(of_kind(dome_solids, "jacket")) == 3
    assert whole.volume() == pytest.approx(dome_plan.master.volume_mm3, rel=1e-5)
    for envelope, bought in zip(dome_plan.rubber.envelopes, dome_plan.rubber.parts, strict=True):
        glove = dome_solids[f"glove, {envelope.name}"]
        assert glove.volume() == pytest.approx(bought.total_mm3, rel=0.02)
    # 2 mm off the skin, all round but for the foot, there is rubber
    ways = np.random.default_rng(3).normal(size=(400, 3)) * (1, 1, 0.5)
    ways = ways[ways[:, 2] > 0.2] / np.linalg.norm(ways[ways[:, 2] > 0.2], axis=1, keepdims=True)
    cube = manifold3d.Manifold.cube((0.2, 0.2, 0.2), True)
    places = manifold3d.Manifold.compose([cube.translate(tuple(at)) for at in (RADIUS + 2.0) * ways])
    held = sum((glove ^ places).volume() for glove in of_kind(dome_solids, "glove"))
    assert held > 0.99 * places.volume()


@LEVEL
def test_domes_fill_their_hollows_and_have_the_flange_behind_them(dome_plan, dome_solids):
    """Up a dome's axis: the later rubber to its height, a film, then the earlier one, as thick as its flange."""
    held = dome_plan.rubber.registration
    assert len(held.domes_mm) >= 6
    pin = manifold3d.Manifold.cylinder(40.0, 0.05, 0.05, 8, True)  # 20 mm to both sides
    for at, axis, high, pair in zip(
        held.domes_mm, held.dome_axes, held.dome_heights_mm, held.dome_between, strict=True
    ):
        standing = pin.transform(np.column_stack([pull_frame(axis).axes.T, at]))
        first, later = ((standing ^ dome_solids[f"glove, {dome_plan.rubber.envelopes[k].name}"]) for k in pair)
        up = [np.array(m.to_mesh().vert_properties)[:, :3] @ axis - at @ axis for m in (first, later)]
        assert up[1].max() == pytest.approx(high, abs=0.05)
        assert up[0].min() == pytest.approx(high + 0.2, abs=0.05)
        assert np.ptp(up[0]) > 0.98 * THICK
        assert up[1].min() < -0.9 * THICK


@LEVEL
def test_no_two_closed_meshes_claim_one_place(dome_solids):
    built = [(n, s) for n, s in dome_solids.items() if n.startswith(("master", "glove", "jacket"))]
    for k, (name, one) in enumerate(built):
        for other_name, other in built[:k]:
            assert (one ^ other).volume() < 30.0, (name, other_name)


@LEVEL
def test_glass_meets_glass_at_every_bolt_of_several(dome_plan, dome_solids):
    """1.5 mm off the joint to both sides of every bolt there is glass, and each time another jacket's."""
    cube = manifold3d.Manifold.cube((0.4, 0.4, 0.4), True)
    for shell in dome_plan.jacket.pieces:
        own = dome_solids[f"jacket, {shell.name}"]
        others = [s for s in of_kind(dome_solids, "jacket") if s is not own]
        for at, axis in zip(np.array(shell.bolts_mm), np.array(shell.bolt_axes), strict=True):
            ahead, behind = (cube.translate(tuple(at + side * axis)) for side in (1.5, -1.5))
            assert (own ^ ahead).volume() > 0.99 * cube.volume()
            assert max((other ^ behind).volume() for other in others) > 0.99 * cube.volume()


@LEVEL
def test_every_piece_moves_off_past_all_that_still_stands(dome_plan, dome_solids):
    """Jackets first, in the order of coming off, while all gloves stand; then the gloves, along their pulls."""
    pulls = {piece.name: np.asarray(piece.pull) for piece in dome_plan.seam.pieces}
    assert tuple(piece.name for piece in reversed(dome_plan.seam.pieces)) == dome_plan.seam.taking_off
    standing = {n: s for n, s in dome_solids.items() if n.startswith(("master", "glove", "jacket"))}
    for kind in ("jacket", "glove"):
        for name in dome_plan.seam.taking_off:
            mover = standing.pop(f"{kind}, {name}")
            rest = manifold3d.Manifold.batch_boolean(list(standing.values()), manifold3d.OpType.Add)
            for step in STEPS_MM:
                assert (mover.translate(tuple(step * pulls[name])) ^ rest).volume() < 30.0, (kind, name, step)
    # a test that sees: into the master nothing moves
    glove = dome_solids[f"glove, {name}"]
    assert (glove.translate(tuple(-8.0 * pulls[name])) ^ rest).volume() > 1e4


def test_the_plan_is_saved_and_reopened(dome_plan, tmp_path):
    again = open_plan(save_plan(dome_plan, tmp_path))
    same(dome_plan, again)
    assert "joints of more than two pieces" in summary_text(again)
