"""More than two pieces: who takes which face, what has to be filled, and in which order the pieces come off."""

from __future__ import annotations

import graphlib
import itertools
import json
from dataclasses import dataclass, replace

import manifold3d
import meshes
import numpy as np
import pytest
import shapely
import shapely.affinity
import trimesh
from mouldloft.demo.hare import demo_hare
from mouldloft.geometry.expansion import ShareCosts, share_cost, share_out
from mouldloft.geometry.facegraph import FaceGraph, SplitCosts, cheapest_split, face_graph, split_cost
from mouldloft.geometry.rays import ray_scene
from mouldloft.inputs.brief import Brief, RunBrief, SeamBrief
from mouldloft.inputs.catalogue import read_catalogue
from mouldloft.outputs.planfile import open_plan, save_plan
from mouldloft.outputs.results import write_results
from mouldloft.outputs.summary import summary_text
from mouldloft.solids.division import jacket_solids
from mouldloft.stages.answers import Answers
from mouldloft.stages.division.lattice import (
    MasterCells,
    PieceCells,
    cells_of_master,
    cells_of_pieces,
    labels_by_face,
    look_again,
    skin_volume_mm3,
    surface_of,
    unstack,
)
from mouldloft.stages.division.propose import Division, beyond_two, division_rubber, propose_division
from mouldloft.stages.division.sharing import gather_patches, pull_costs
from mouldloft.stages.division.taken import seam_of_division
from mouldloft.stages.locks import Locks, find_locks
from mouldloft.stages.master import Master, prepare_master
from mouldloft.stages.rubber.glove import brush_rubber
from mouldloft.stages.seam.place import place_seam
from mouldloft.stages.seam.record import Seam
from mouldloft.trade.answers import Measured, weigh_answers
from mouldloft.trade.price import SeamMeasures
from mouldloft.trade.seamterms import seam_terms
from mouldloft.trade.thickness import choose_thickness
from scipy.spatial import cKDTree
from seam_bodies import as_master, opening_along, seen_field
from test_planfile import same

# --- sharing out among labels: against all labellings, and against the exact cut of two ---------------------------


def _tiny(rng: np.random.Generator, places: int, labels: int, price: float) -> ShareCosts:
    pairs = np.array([(i, j) for i in range(places) for j in range(i) if rng.random() < 0.5])
    return ShareCosts(rng.uniform(0, 10, (places, labels)), pairs, rng.uniform(0, 4, len(pairs)), price)


def test_sharing_out_against_every_labelling_of_a_tiny_graph():
    rng = np.random.default_rng(3)
    exact = 0
    for trial in range(60):
        costs = _tiny(rng, 7, 3, 0.0)
        least = min(share_cost(costs, np.array(p)) for p in itertools.product(range(3), repeat=7))
        found = share_cost(costs, share_out(costs))
        # Boykov, Veksler and Zabih 2001, theorem 6.1 (from memory): within twice the least for one price on every pair
        assert least - 1e-9 <= found <= 2 * least, trial
        exact += found < least + 1e-9
    assert exact >= 58  # in practice nearly always the least itself; with one term left out of the cut, 55


def test_a_label_dearer_than_it_is_worth_is_left_out():
    data = np.array([[0.0, 5.0, 9.0], [0.0, 5.0, 9.0], [5.0, 0.0, 9.0], [6.0, 6.0, 3.0]])
    pairs, price = np.array([[0, 1], [1, 2], [2, 3]]), np.full(3, 0.5)
    assert share_out(ShareCosts(data, pairs, price)).tolist() == [0, 0, 1, 2]
    assert share_out(ShareCosts(data, pairs, price, 4.0)).tolist() == [0, 0, 1, 1]  # the third saves 3.5 - 0.5
    assert share_out(ShareCosts(data, pairs, price, 20.0)).tolist() == [0, 0, 0, 0]
    for worth in (0.0, 2.0, 4.0, 20.0):
        costs = ShareCosts(data, pairs, price, worth)
        least = min(share_cost(costs, np.array(p)) for p in itertools.product(range(3), repeat=4))
        assert share_cost(costs, share_out(costs)) == least


def test_two_labels_are_the_exact_cut():
    """`cheapest_split` is another formulation of the same two-label problem, exact by construction."""
    rng = np.random.default_rng(5)
    side = 14
    number = np.arange(side * side).reshape(side, side)
    pairs = np.concatenate(
        [
            np.stack([number[:, :-1], number[:, 1:]], -1).reshape(-1, 2),
            np.stack([number[:-1], number[1:]], -1).reshape(-1, 2),
        ]
    ).astype(np.int32)
    for _ in range(5):
        data, price = rng.uniform(0, 3, (side * side, 2)), rng.uniform(0, 2, len(pairs))
        found = share_out(ShareCosts(data, pairs, price))
        graph = FaceGraph(pairs, pairs, price)
        two = SplitCosts(graph, data[:, 0], data[:, 1], price, np.zeros((0, 2), int))
        exact = cheapest_split(two)
        assert 0 < found.sum() < len(found)
        np.testing.assert_allclose(split_cost(two, found), split_cost(two, exact), rtol=1e-12)


def test_what_a_patch_costs_a_pull_is_what_it_locks_and_fills():
    """The walls of a slot 140 mm wide, pulled across it: all their area, and half the slot's rubber each."""
    mesh = trimesh.Trimesh(*meshes.u_shape(), process=False).subdivide_to_size(40.0)
    master, unit = as_master(mesh), seam_terms().unit
    graph = face_graph(master.vertices_mm, master.faces)
    patches = gather_patches(master, graph, graph.length_mm)
    assert patches.area_mm2.sum() == pytest.approx(master.area_mm2)
    slot = (np.abs(patches.centres_mm[:, 0]) < 70.1) & (patches.centres_mm[:, 2] > 80.1) & (patches.normals[:, 0] > 0.9)
    which = np.flatnonzero(slot)
    assert patches.area_mm2[which].sum() == pytest.approx(100 * 220)
    scene = ray_scene(master.vertices_mm, master.faces)
    cost = pull_costs(master, scene, patches, np.array([1.0, 0, 0]), unit, which)
    # as what the limits force: thirty times the price of the fill, locked skin as fill 20 mm deep
    one = 30 * unit.fill_mm3 * patches.area_mm2[which]
    assert cost == pytest.approx(one * (20 + 0.5 * 140), rel=1e-3)
    free = pull_costs(master, scene, patches, np.array([0, 0, 1.0]), unit, which)
    assert (free < 0.05 * 20 * one).all()


# --- blocks: against Steiner's formula, a slot of known volume, and solids moved by manifold3d ---------------------


def _ground(arrays: meshes.Arrays, base: str = "closed", cells: int = 60) -> MasterCells:
    master = as_master(trimesh.Trimesh(*arrays, process=False), base)
    return cells_of_master(master, ray_scene(master.vertices_mm, master.faces), 10.0, 50.0, cells=cells)


def test_the_lattice_holds_the_masters_volume_and_its_skin():
    body = _ground(meshes.sphere(100.0, 5))
    cell = body.lattice.pitch_mm**3
    solid = 4 / 3 * np.pi * 100.0**3
    assert body.inside.sum() * cell == pytest.approx(solid, rel=0.005)
    # Steiner's formula for a ball: A t + M t^2 + 4/3 pi t^3
    area, mean = 4 * np.pi * 100.0**2, 4 * np.pi * 100.0
    for thick in (3.0, 8.0):
        steiner = area * thick + mean * thick**2 + 4 / 3 * np.pi * thick**3
        assert skin_volume_mm3(body, thick) == pytest.approx(steiner, rel=0.02)


def test_skin_on_flat_sides_is_not_counted_in_whole_layers():
    """A box: its sides stand along the lattice. Steiner's formula with M = pi (a + b + c)."""
    body = _ground(meshes.box((200.0, 160.0, 240.0)))
    for thick in (2.0, 5.0, 7.0):
        steiner = 2 * (200 * 160 + 160 * 240 + 240 * 200) * thick + np.pi * 600 * thick**2 + 4 / 3 * np.pi * thick**3
        assert skin_volume_mm3(body, thick) == pytest.approx(steiner, rel=0.03)


def test_an_open_base_has_no_air_below_the_board():
    body = _ground(meshes.cone(), "open")
    assert body.lattice.first_mm[2] > 0
    low = body.away_mm[:, :, 0][body.inside[:, :, 0]]
    assert np.isfinite(low).any()
    assert not np.isfinite(low).all()  # under the middle of the foot there is no skin near


def test_what_a_slot_takes_to_fill():
    """A U pulled to left and right: the slot is the fill, and nothing else is."""
    body = _ground(meshes.u_shape())
    right = body.master.vertices_mm[body.master.faces].mean(axis=1)[:, 0] < 0
    pulls = np.array([[1.0, 0, 0], [-1.0, 0, 0]])
    blocks, found = cells_of_pieces(body, labels_by_face(body, right), pulls, 6.0, 4.0, 40.0)
    fill = blocks.fill_cells * body.lattice.pitch_mm**3
    slot = (300 - 160) * 100 * (300 - 80)
    assert fill.sum() == pytest.approx(slot, rel=0.03)
    assert fill[0] == pytest.approx(fill[1], rel=0.03)
    assert sorted(found.order) == [0, 1]
    # pulled upwards the slot is free: nothing is filled, and what faces down goes the other way
    down = body.master.normals[:, 2] < -0.5
    free, _ = cells_of_pieces(body, labels_by_face(body, down), np.array([[0, 0, 1.0], [0, 0, -1.0]]), 6.0, 4.0, 40.0)
    assert free.fill_cells.sum() * body.lattice.pitch_mm**3 < 0.01 * slot


def test_blocks_have_closed_outsides():
    rng = np.random.default_rng(7)
    body = _ground(meshes.box(), cells=20)
    cells = rng.random(body.lattice.shape) < 0.3
    made = trimesh.Trimesh(*surface_of(cells, body.lattice))
    assert made.volume == pytest.approx(cells.sum() * body.lattice.pitch_mm**3, rel=1e-9)


@pytest.fixture(scope="module")
def cone_in_tiers():
    """A cone whose jacket is a tip and a skirt, both pulled upwards: the tip's flange lies over the skirt's."""
    body = manifold3d.Manifold.cylinder(200.0, 100.0, 60.0, 64).refine_to_length(12.0)
    body = _ground(meshes._arrays(body), "open", cells=44)
    skirt = body.master.vertices_mm[body.master.faces].mean(axis=1)[:, 2] < 110.0
    pulls = np.array([[0, 0, 1.0], [0, 0, 1.0]])
    blocks, found = cells_of_pieces(body, labels_by_face(body, ~skirt), pulls, 6.0, 4.0, 40.0)
    return body, blocks, found, pulls


def test_the_piece_on_top_comes_off_first(cone_in_tiers):
    body, blocks, found, pulls = cone_in_tiers
    assert blocks.given_cells == 0
    assert found.after == ((1,), ())
    assert found.order == (1, 0)
    right = look_again(body, blocks, pulls, (1, 0))
    assert [w.piece for w in right] == [1, 0]
    assert all(w.master_hits == w.other_hits == 0 and w.rays > 100 and w.steps >= 10 for w in right)
    wrong = look_again(body, blocks, pulls, (0, 1))
    assert wrong[0].other_hits > 50
    assert wrong[0].master_hits == 0


def test_flanges_stand_out_as_wide_as_asked(cone_in_tiers):
    """At 110 mm up the cone is 78 mm thick: its 40 mm flange ends near 118 less its slope, the shell alone near 92."""
    body, blocks, _, _ = cone_in_tiers
    for piece in (0, 1):
        centres = body.lattice.centres_mm(np.argwhere(blocks.jacket == piece))
        at_joint = np.abs(centres[:, 2] - 118.0) < 20.0
        reach = np.linalg.norm(centres[at_joint, :2], axis=1).max()
        assert 78.0 + 28.0 < reach < 78.0 + 40.0 + 2 * body.lattice.pitch_mm + 6.0


def _solid_of(blocks: PieceCells, body: MasterCells, piece: int) -> manifold3d.Manifold:
    """The jacket's cells, each a little smaller, as one solid: cells that touch by an edge stay apart."""
    cells = body.lattice.centres_mm(np.argwhere(blocks.jacket == piece))
    p = 0.9 * body.lattice.pitch_mm
    one = manifold3d.Manifold.cube((p, p, p), True)
    return manifold3d.Manifold.compose([one.translate(tuple(c)) for c in cells])


def test_the_order_against_solids_moved_by_manifold3d(cone_in_tiers):
    body, blocks, _, pulls = cone_in_tiers
    tip, skirt = _solid_of(blocks, body, 1), _solid_of(blocks, body, 0)
    master = meshes.as_manifold(body.master.vertices_mm, body.master.faces)
    stops = np.linspace(0.0, 260.0, 12)
    for stop in stops:
        moved = tip.translate(tuple(stop * pulls[1]))
        assert (moved ^ skirt).volume() < 1e-3 * tip.volume()
        assert (moved ^ master).volume() == 0
        assert (skirt.translate(tuple(stop * pulls[0])) ^ master).volume() == 0
    assert max((skirt.translate(tuple(s * pulls[0])) ^ tip).volume() for s in stops) > 0.02 * tip.volume()


def test_orders_are_those_of_the_standard_library():
    """`graphlib` raises where there is no order; where there is one, ours obeys every edge."""
    rng = np.random.default_rng(11)
    kinds = {True: 0, False: 0}
    for _ in range(200):
        counts = np.where(rng.random((5, 5)) < 0.22, rng.integers(1, 9, (5, 5)), 0)
        np.fill_diagonal(counts, 0)
        found = unstack(counts)
        try:
            tuple(graphlib.TopologicalSorter({k: np.flatnonzero(counts[k]).tolist() for k in range(5)}).static_order())
        except graphlib.CycleError:
            assert found.order == ()
            assert len(found.stuck) >= 2
            kinds[False] += 1
            continue
        kinds[True] += 1
        assert sorted(found.order) == list(range(5))
        place = {k: n for n, k in enumerate(found.order)}
        assert all(place[j] < place[k] for k in range(5) for j in np.flatnonzero(counts[k]))
    assert min(kinds.values()) > 20


# --- proposals ------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Case:
    master: Master
    brief: Brief
    seam: Seam
    locks: Locks
    division: Division | None


def _case(master: Master, direction, offset_mm: float, casts: int = 1, cells: int = 72, **seam) -> Case:
    """Two pieces on a plane across a direction, and what is proposed instead."""
    brief = Brief(run=RunBrief(casts=casts), seam=SeamBrief(kind="plane", **seam))
    opening, field = opening_along(direction, offset_mm), seen_field(master, direction)
    two = place_seam(master, opening, field, brief.seam)
    locks = find_locks(master, field, two, read_catalogue(None).rubber_for(brief.materials))
    return Case(master, brief, two, locks, propose_division(master, brief, opening, two, locks, cells=cells))


FLARE_DEG = 50.0


def arms_between_discs(turned_deg: float = 0.0) -> Master:
    """Three walls at 120 degrees whose ends flare by 50 degrees, closed above and below by discs, on z = 0.

    Level round arms would not do: pulled up and down, with the seam at half their height, all of them is free (see
    below). Here the discs lock that. A pocket between two walls goes along its own bisector (60, 180, 300 degrees)
    within 90 - 30 - 50 = 10 degrees of it, and no other way; two opposed pulls are never both near a bisector.
    """
    cut, tip, wide = 220.0, 65.0, 15.0
    start = cut - (tip - wide) / np.tan(np.radians(FLARE_DEG))
    arm = manifold3d.CrossSection([[(0, -wide), (start, -wide), (cut, -tip), (cut, tip), (start, wide), (0, wide)]])
    plan = arm + arm.rotate(120) + arm.rotate(240) + manifold3d.CrossSection.circle(45, 96)
    disc = manifold3d.Manifold.cylinder(30.0, 265.0, 265.0, 96)
    body = manifold3d.Manifold.extrude(plan, 240.0).translate((0, 0, 30.0)) + disc + disc.translate((0, 0, 270.0))
    mesh = trimesh.Trimesh(*meshes._arrays(body.refine_to_length(24.0).rotate((0, 0, turned_deg))), process=False)
    return as_master(mesh)


BISECTORS_DEG = (60.0, 180.0, 300.0)


def shadow_behind_arms_mm3(plane_mm: float) -> float:
    """Exact fill of the three arms in two pieces pulled along +x and -x, parted at x = plane_mm: what lies behind each
    in the plan's outline (shapely), times the height between the discs. Discs shadow nothing."""
    start = 220.0 - 50.0 / np.tan(np.radians(FLARE_DEG))
    arm = shapely.Polygon([(0, -15), (start, -15), (220, -65), (220, 65), (start, 15), (0, 15)])
    hub = shapely.Point(0, 0).buffer(45.0, quad_segs=24)
    outline = shapely.union_all([hub, *(shapely.affinity.rotate(arm, turn, (0, 0)) for turn in (0, 120, 240))])
    step, area = 0.5, 0.0
    for side in (1.0, -1.0):
        low, high = sorted((plane_mm, plane_mm + side * 500))
        half = outline & shapely.box(low, -300, high, 300)
        for y in np.arange(-250.0, 250.0, step) + step / 3:
            met = half & shapely.LineString([(plane_mm, y), (plane_mm + side * 500, y)])
            if not met.is_empty:
                far = met.bounds[2] if side > 0 else met.bounds[0]
                area += (abs(far - plane_mm) - met.length) * step
    return 240.0 * area


def _best_two(turned_deg: float):
    turn = np.radians(turned_deg)
    return (np.cos(turn), np.sin(turn), 0.0)


@pytest.fixture(scope="module")
def arms() -> Case:
    return _case(arms_between_discs(), _best_two(0.0), 0.0, max_pieces=4)


def pieces_in(plan_json):
    """Every named piece with a pull in any list called pieces."""
    if isinstance(plan_json, dict):
        own = plan_json.get("pieces")
        yield from (p for p in (own if isinstance(own, list) else ()) if isinstance(p, dict) and "pull" in p)
        plan_json = list(plan_json.values())
    if isinstance(plan_json, list):
        for part in plan_json:
            yield from pieces_in(part)


def _level_turns(division: Division) -> np.ndarray:
    return np.sort([np.degrees(np.arctan2(p.pull[1], p.pull[0])) % 360 for p in division.shares])


def test_three_arms_take_three_pieces_along_the_bisectors(arms):
    made = arms.division
    assert made is not None
    assert made.holds, made.notes
    assert len(made.shares) == 3
    assert all(abs(p.pull[2]) < 0.05 for p in made.shares)
    assert _level_turns(made) == pytest.approx(BISECTORS_DEG, abs=11.5)  # 10 degrees, and what the lattice lets pass
    exact = shadow_behind_arms_mm3(arms.seam.plane_offset_mm)
    assert arms.locks.fill_mm3 == pytest.approx(exact, rel=0.01)
    # blocks may give a place by the parting to the other piece: 7 % less with the plane off the hub, 17 % through it
    assert 0.80 * exact < made.two_piece_fill_mm3 < exact
    assert made.fill_mm3 < 0.05 * made.two_piece_fill_mm3
    assert made.locked_area_mm2 < 0.05 * made.two_piece_locked_area_mm2


def test_every_face_has_a_piece_and_every_piece_a_place(arms):
    made, master = arms.division, arms.master
    assert made.labels.shape == (len(master.faces),)
    areas = np.bincount(made.labels, master.face_areas_mm2, minlength=3)
    assert areas == pytest.approx([p.area_mm2 for p in made.shares])
    assert sum(p.share for p in made.shares) == pytest.approx(1.0)
    assert len({p.name for p in made.shares}) == 3
    # a joint runs down each of the three arms, some 300 mm, and over both discs to where the three meet
    assert made.joint_length_mm == pytest.approx(sum(j.length_mm for j in made.joints))
    assert 3 * 300 < made.joint_length_mm < 3 * (300 + 4 * 265)
    tree = cKDTree(master.vertices_mm)
    for joint in made.joints:
        assert tree.query(joint.points_mm)[0].max() < 24.0
        assert set(joint.between) <= {p.name for p in made.shares}


def test_the_way_off_is_clear_and_said(arms):
    made = arms.division
    assert sorted(s.piece for s in made.order) == sorted(p.name for p in made.shares)
    for step in made.order:
        assert step.hits == 0
        assert step.checked_steps >= 10
        assert step.clearance_mm > 0
        assert step.reason.startswith("comes off ")
    assert "two take" in made.why


def test_the_jackets_as_solids_pass_the_master(arms):
    """manifold3d moves them: closed, clear of the master at every stop, and of each other but for sliding on a joint.

    A joint may slide within a cell: here a tenth of one on the mean over the flanges. The wrong way is ten times worse.
    """
    made = arms.division
    master = meshes.as_manifold(arms.master.vertices_mm, arms.master.faces)
    solids = {s.name.removeprefix("proposed jacket, "): s for s in jacket_solids(made)}
    assert len(solids) == 3
    left = [s.piece for s in made.order]
    flange = choose_thickness(arms.master.height_mm, 1, arms.brief.rubber).flange_width_mm
    bodies = {name: meshes.as_manifold(s.vertices_mm, s.faces) for name, s in solids.items()}
    for step in made.order:
        left.remove(step.piece)
        body = bodies[step.piece]
        assert body.volume() > 0
        pull = np.array(next(p.pull for p in made.shares if p.name == step.piece))
        own_joints = sum(j.length_mm for j in made.joints if step.piece in j.between)
        sliding = own_joints * flange * made.cell_mm / 10
        assert (body.translate(tuple(-60.0 * pull)) ^ master).volume() > 10 * sliding
        for stop in np.linspace(0.0, step.travel_mm, 10):
            moved = body.translate(tuple(stop * pull))
            assert (moved ^ master).volume() < 1e-3 * body.volume()
            for other in left:
                assert (moved ^ bodies[other]).volume() < sliding


def test_the_division_turns_with_the_body(arms):
    turned = _case(arms_between_discs(90.0), _best_two(90.0), 0.0, max_pieces=4).division
    assert turned is not None
    assert len(turned.shares) == 3
    assert _level_turns(turned) == pytest.approx(np.sort((np.array(BISECTORS_DEG) + 90) % 360), abs=11.5)
    assert turned.fill_mm3 < 0.05 * turned.two_piece_fill_mm3
    # by blocks: 7 % under the exact shadow with the best plane beside the hub, 17 % with it through it
    assert turned.two_piece_fill_mm3 == pytest.approx(arms.division.two_piece_fill_mm3, rel=0.12)


def test_two_pieces_stay_two_where_they_will_do():
    """Convex bodies, and three level round arms with flared ends: up and down frees every one of them."""
    level = trimesh.Trimesh(*meshes.three_arms(), process=False)
    level.apply_translation([0, 0, -level.bounds[0, 2]])
    for mesh, direction, offset in (
        (trimesh.creation.icosphere(4, 100.0), (1, 0, 0), 0.0),
        (level, (0, 0, 1), float(level.extents[2] / 2)),
    ):
        case = _case(as_master(mesh), direction, offset, max_pieces=8)
        assert case.division is None
        assert beyond_two(case.master, case.locks, case.brief) == ()


def test_more_pieces_are_only_proposed_where_the_brief_allows_them(arms):
    two = replace(arms.brief, seam=replace(arms.brief.seam, max_pieces=2))
    opening = opening_along(_best_two(0.0), 0.0)
    assert propose_division(arms.master, two, opening, arms.seam, arms.locks) is None
    reasons = beyond_two(arms.master, arms.locks, two)
    assert len(reasons) == 2  # too much of it, and too deep
    easy = replace(two, seam=replace(two.seam, most_fill_share=1.0, deepest_fill_skins=1000.0))
    assert beyond_two(arms.master, arms.locks, easy) == ()


def test_a_piece_limit_that_cannot_be_kept_is_said(arms):
    brief = replace(arms.brief, seam=replace(arms.brief.seam, max_pieces=3))
    made = propose_division(
        arms.master, brief, opening_along(_best_two(0.0), 0.0), arms.seam, arms.locks, piece_limit_kg=0.1, cells=40
    )
    assert made is not None
    assert not made.holds
    assert any("0.1 kg" in note for note in made.notes)


@pytest.fixture(scope="module")
def joined_hare() -> Case:
    """The hare whose ears are joined, so that one hole goes through between them, under limits two pieces break."""
    brief = Brief()
    master = prepare_master(*demo_hare(20_000, joined_ears=True), replace(brief.master, finished_height_mm=1400.0))
    return _case(master, (1, 0, 0), 0.0, cells=70, max_pieces=4, most_fill_share=0.02)


def test_a_hare_with_joined_ears_comes_out_of_more_pieces(joined_hare):
    made, two = joined_hare.division, joined_hare
    assert made is not None
    assert 3 <= len(made.shares) <= 4
    assert made.fill_mm3 < 0.5 * made.two_piece_fill_mm3
    assert 0.95 * two.locks.fill_mm3 < made.two_piece_fill_mm3 < two.locks.fill_mm3  # as the arms' against shapely
    # it stands on a board: no piece is pulled far down
    assert all(p.pull[2] > -np.sin(np.radians(15.1)) for p in made.shares)
    assert made.order
    assert all(s.hits == 0 for s in made.order)


def test_the_rubber_of_two_pieces_by_the_same_means_agrees_with_the_glove_brushed_in_full(joined_hare):
    case = joined_hare
    brief = replace(case.brief, rubber=replace(case.brief.rubber, pixel_mm=4.0))
    whole = brush_rubber(case.master, case.seam, brief)
    rule = choose_thickness(case.master.height_mm, brief.run.casts, brief.rubber)
    scene = ray_scene(case.master.vertices_mm, case.master.faces)
    body = cells_of_master(case.master, scene, rule.skin_mm, rule.flange_width_mm + 20.0, cells=70)
    pulls = np.array([p.pull for p in case.seam.pieces])
    blocks, _ = cells_of_pieces(
        body, labels_by_face(body, case.seam.labels), pulls, rule.skin_mm, 4.0, rule.flange_width_mm
    )
    reckoned = division_rubber(body, blocks, rule, brief, case.seam.length_mm, 0.0)
    assert reckoned.likely == pytest.approx(whole.volume_mm3.likely, rel=0.02)
    assert reckoned.low < whole.volume_mm3.likely < reckoned.high


def test_the_joined_hare_is_covered_whole_by_the_gloves_of_more_pieces(joined_hare):
    """By column images of each piece, where the proposal reckons with cells of 20 mm; neither asks the other."""
    case, made, master = joined_hare, joined_hare.division, joined_hare.master
    seam = seam_of_division(case.master, made, case.seam, np.full(len(case.master.faces), 0.5))
    assert seam.taking_off == tuple(step.piece for step in made.order)
    assert seam.length_mm == pytest.approx(made.joint_length_mm, rel=0.01)
    brief = replace(case.brief, rubber=replace(case.brief.rubber, pixel_mm=6.0))
    rubber = brush_rubber(case.master, seam, brief)
    causes = dict(rubber.volume_mm3.causes)
    assert causes["skin by the joints that no piece reaches"] < 0.01
    assert rubber.min_thickness_mm > 0.97 * rubber.skin_thickness_mm
    two = brush_rubber(case.master, case.seam, brief)
    # the same skin as in two pieces, and what of it two pieces fill; a place that two claim counts once
    skin, in_two = (sum(p.skin_mm3 for p in glove.parts) for glove in (rubber, two))
    assert 0.99 * in_two < skin < 1.05 * in_two
    fill, of_two = (sum(p.lock_fill_mm3 for p in r.parts) for r in (rubber, two))
    assert made.fill_mm3 < fill < 0.5 * of_two
    low, high = rubber.volume_mm3.low, rubber.volume_mm3.high
    assert low < made.rubber_mm3.high
    assert high > made.rubber_mm3.low
    rubber_material = read_catalogue(None).rubber_for(brief.materials)
    locks = find_locks(case.master, seen_field(case.master, (1, 0, 0)), seam, rubber_material)
    # by rays, which ask whose skin it is: the piece that lies over no other agrees, and so do those together that claim
    # the same places, which go to the one made first
    sine = np.einsum("ij,ij->i", master.normals, np.array([p.pull for p in seam.pieces])[seam.labels])
    hung = locks.fill_mm * np.abs(sine) * master.face_areas_mm2
    by_rays = np.array([hung[seam.labels == k].sum() for k in range(len(seam.pieces))])
    by_columns = np.array([p.lock_fill_mm3 for p in rubber.parts])
    alone = int(np.argmin(np.abs(by_columns / by_rays - 1.0)))
    others = np.arange(len(by_rays)) != alone
    assert by_columns[alone] == pytest.approx(by_rays[alone], rel=0.08)
    assert by_columns[others].sum() == pytest.approx(by_rays[others].sum(), rel=0.08)
    assert 0.92 * by_rays.sum() < fill < 1.1 * by_rays.sum()


def test_a_torus_knot_is_not_promised_what_cannot_come_off():
    """Its strands thread through one another: a few pieces hold each other, and the proposal has to say so."""
    mesh = trimesh.Trimesh(*meshes.torus_knot(steps=120, around=16), process=False)
    mesh.apply_translation([0, 0, -mesh.bounds[0, 2]])
    case = _case(as_master(mesh), (0, 0, 1), float(mesh.extents[2] / 2), cells=36, max_pieces=4)
    made = case.division
    assert made is not None
    assert made.fill_mm3 < 0.7 * made.two_piece_fill_mm3  # more pieces do help ...
    assert not made.holds  # ... and four are still too few
    said = " ".join(made.notes)
    assert ("No order of taking off" in said) == (not made.order)
    assert "No order of taking off" in said or "Still not within the brief" in said


def test_a_proposal_is_saved_reopened_and_summed_up(arms, small_plan, tmp_path, monkeypatch):
    asked = Measured("two", 2, 2, SeamMeasures(4e3, 2e3, 0.0, 0.0, 0.0, 1, 1e7, 2e5), 0.0, 300.0, 0.5, 10.0, True)
    terms = seam_terms()
    answers = weigh_answers((asked,), 6, terms.rubber, terms.rates, "EUR")
    plan = replace(small_plan, division=arms.division, answers=Answers(answers, ()))
    again = open_plan(save_plan(plan, tmp_path))
    same(plan, again)
    # solids of two pieces have their own tests
    monkeypatch.setattr("mouldloft.outputs.closedmeshes.make_solids", lambda *_, **__: ())
    write_results(plan, tmp_path / "out", pictures=False, solids=("stl",))
    written = {path.stem for path in (tmp_path / "out" / "solids").iterdir()}
    # who reads the plan finds each piece by its name once, as it is built
    pulls: dict[str, list[float]] = {}
    for piece in pieces_in(json.loads((tmp_path / "out" / "plan.json").read_text())):
        assert pulls.setdefault(piece["name"], piece["pull"]) == piece["pull"], piece["name"]
    assert set(pulls) == {p.name for p in plan.seam.pieces}
    apart = arms.division.jackets
    assert apart is not None  # the flares behind each arm are deep under two jackets
    assert apart.fill_mm3 < 0.5 * arms.division.two_piece_fill_mm3
    # of jackets apart nothing is built
    assert written == {f"proposed-jacket-{p.name.replace(' ', '-')}" for p in arms.division.shares}
    text = summary_text(again)
    for piece in arms.division.shares:
        assert piece.name in text
    assert arms.division.why in text
    assert f"To plan in more, set pieces = {len(arms.division.shares)} under [seam]." in text
    assert "two pieces, with fill" in text
    assert "none keeps all limits, this breaks them least (fill 300 mm deep, over 80 mm)" in text
    assert arms.division.order[1].reason in text
    assert small_plan.division is None  # the ordinary hare stays in two, and pays nothing


def test_a_plan_that_breaks_the_limits_says_how_to_ask(small_plan):
    seam = replace(small_plan.brief.seam, most_fill_share=0.001)
    text = summary_text(replace(small_plan, brief=replace(small_plan.brief, seam=seam)))
    assert "max_pieces" in text
    assert "0.1 % allowed" in text
