"""The seam against shapes whose best seam is known, and against brute force."""

from __future__ import annotations

import json
from dataclasses import asdict, replace
from types import SimpleNamespace

import numpy as np
import pytest
import trimesh
from mouldloft.base.errors import BriefRefused, Cancelled, PlanImpossible
from mouldloft.base.progress import Progress
from mouldloft.geometry.contour import cross_at_zero, join_chains, split_faces
from mouldloft.geometry.facegraph import SplitCosts, absorb_small_regions, cheapest_split, face_graph, split_cost
from mouldloft.geometry.polyline import flatness_mm, length_mm, spaced_out, tightest_turn_mm
from mouldloft.geometry.tautline import smooth_level
from mouldloft.inputs.brief import Brief, RatesBrief, RunBrief, SeamBrief
from mouldloft.outputs.planfile import save_plan
from mouldloft.stages.seam.candidates import Judged, bench_of
from mouldloft.stages.seam.costs import bends
from mouldloft.stages.seam.draw import fill_of, measures_of
from mouldloft.stages.seam.fair import line_fairness
from mouldloft.stages.seam.free import line_price
from mouldloft.stages.seam.ground import know_place, survey
from mouldloft.stages.seam.ownline import read_keep_clear, read_own_lines
from mouldloft.stages.seam.place import name_pieces, place_seam
from mouldloft.stages.visibility import how_it_shows, viewpoints
from mouldloft.trade.price import SeamMeasures, price_seam
from mouldloft.trade.seamterms import fair_rule, seam_terms
from scipy.spatial import cKDTree
from scipy.special import ellipe
from seam_bodies import (
    CHEAPEST,
    FREE,
    PLANE,
    SIX,
    as_master,
    ball,
    ellipsoid,
    opening_along,
    ring,
    seam_of,
    seen_field,
    two_lobes,
    unseen_share,
    wavy_post,
)

# --- plane ---


def test_plane_through_a_ball_is_the_small_circle():
    """Analytic: a plane at h cuts a ball of radius R in a circle of radius sqrt(R² - h²), a cap of 2πR(R - h)."""
    master, seam = seam_of(ball(100.0), (1, 0, 0), 60.0, PLANE)
    (line,) = seam.lines
    assert seam.kind == "plane"
    assert line.closed
    assert line.length_mm == pytest.approx(2 * np.pi * 80.0, rel=1e-3)
    assert line.flatness_mm < 1e-3
    assert line.tightest_turn_mm == pytest.approx(80.0, rel=0.03)
    assert seam.pieces[0].area_mm2 == pytest.approx(2 * np.pi * 100.0 * 40.0, rel=0.03)
    assert seam.pieces[0].area_mm2 + seam.pieces[1].area_mm2 == pytest.approx(master.skin_area_mm2)
    assert [piece.name for piece in seam.pieces] == ["left piece", "right piece"]
    assert seam.figures.on_show_mm == pytest.approx(line.show * line.length_mm)


@pytest.mark.parametrize("offset_mm", [-31.7, 3.3, 44.1])
def test_plane_section_agrees_with_a_reference_library(offset_mm):
    """Against trimesh's own section of the same mesh."""
    direction = np.array([0.8, 0.36, 0.48])
    mesh = ring()
    _, seam = seam_of(mesh, direction, offset_mm + 96.0, PLANE)
    reference = mesh.section(direction, direction * (offset_mm + 96.0))
    assert seam.length_mm == pytest.approx(reference.length, rel=1e-6)
    assert len(seam.lines) == len(reference.entities)


def test_line_ends_at_an_open_foot():
    """Analytic: three sides of the box's section; the side on the board carries no seam."""
    box = trimesh.creation.box((100, 60, 200))
    box.apply_translation([0, 0, 100])
    box = box.subdivide().subdivide().subdivide()
    _, seam = seam_of(box, (1, 0, 0), 5.0, PLANE, base="open")
    (line,) = seam.lines
    assert not line.closed
    assert line.length_mm == pytest.approx(200 + 60 + 200, rel=1e-6)
    assert np.allclose(line.points_mm[[0, -1], 2], 0.0)
    _, closed = seam_of(box, (1, 0, 0), 5.0, PLANE, base="closed")
    assert closed.length_mm == pytest.approx(2 * (200 + 60), rel=1e-6)


def test_plane_through_vertices_is_no_trouble():
    """A mesh with vertices exactly on the plane gives one closed line, no crumbs."""
    _, seam = seam_of(ring(), (0, 0, 1), 200.0, PLANE)
    assert [line.closed for line in seam.lines] == [True, True]
    # analytic: the torus's outer and inner equators
    assert seam.lines[0].length_mm == pytest.approx(2 * np.pi * 160.0, rel=2e-3)
    assert seam.lines[1].length_mm == pytest.approx(2 * np.pi * 80.0, rel=2e-3)


def test_plane_beside_the_master_is_refused():
    with pytest.raises(PlanImpossible, match=r"misses the master.*choose an offset"):
        seam_of(ball(), (1, 0, 0), 140.0, PLANE)


@pytest.mark.parametrize(
    ("direction", "names"),
    [
        ((1, 0.2, 0.1), ("left piece", "right piece")),
        ((-1, 0.2, 0.1), ("right piece", "left piece")),
        ((0.1, -1, 0.3), ("front piece", "back piece")),
        ((0, 0.2, 1), ("top piece", "bottom piece")),
    ],
)
def test_names_tell_where_a_piece_sits(direction, names):
    assert name_pieces(np.array(direction, float)) == names


# --- minimum cut ---


def all_labellings(count):
    return ((np.arange(2**count)[:, None] >> np.arange(count)) & 1).astype(np.int8)


@pytest.mark.parametrize("seed", range(4))
def test_cut_costs_what_the_best_of_all_labellings_costs(seed):
    """Brute force: every one of the 2^20 labellings of an icosahedron's faces, with the rule that some must follow."""
    mesh = trimesh.creation.icosahedron()
    graph = face_graph(mesh.vertices, mesh.faces)
    random = np.random.default_rng(seed)
    costs = SplitCosts(
        graph,
        2.0 * random.random(20),
        2.0 * random.random(20),
        random.random(len(graph.faces)),
        np.array([[0, 5], [3, 9], [12, 2]]),
    )
    labels = all_labellings(20)
    total = labels @ (costs.behind - costs.ahead) + costs.ahead.sum()
    for price, (one, two) in zip(costs.pair, graph.faces, strict=True):
        total += price * (labels[:, one] != labels[:, two])
    for low, high in costs.follows:
        total[(labels[:, low] == 0) & (labels[:, high] == 1)] = np.inf
    assert split_cost(costs, cheapest_split(costs)) == pytest.approx(total.min(), abs=1e-9)
    assert split_cost(costs, labels[int(total.argmin())]) == pytest.approx(total.min(), abs=1e-9)


def test_face_graph_matches_the_reference():
    """Against trimesh's face adjacency."""
    mesh = ball(50.0, 2)
    graph = face_graph(mesh.vertices, mesh.faces)
    own = {tuple(sorted(pair)) for pair in graph.faces.tolist()}
    assert own == {tuple(sorted(pair)) for pair in mesh.face_adjacency.tolist()}
    assert graph.length_mm.sum() == pytest.approx(mesh.edges_unique_length.sum())
    # the first face of each pair runs along the edge as its vertices are listed
    ahead = mesh.faces[graph.faces[:, 0]]
    following = np.roll(ahead, -1, axis=1)
    along = (ahead == graph.vertices[:, :1]) & (following == graph.vertices[:, 1:])
    assert along.any(axis=1).all()


def test_small_islands_join_the_piece_around_them():
    mesh = ball(100.0, 3)
    graph = face_graph(mesh.vertices, mesh.faces)
    labels = (mesh.triangles_center[:, 0] < 0).astype(np.int8)
    island = int(np.argmax(mesh.triangles_center[:, 0]))
    labels[island] = 1
    cleaned, given = absorb_small_regions(graph, labels, mesh.area_faces, 1000.0)
    assert given == 1
    assert cleaned[island] == 0
    assert (np.delete(cleaned, island) == np.delete(labels, island)).all()


# --- what a split costs ---


def ground_of(mesh, direction, base="closed", clear=None, show=0.0, **rates):
    master = as_master(mesh, base)
    d = np.asarray(direction, float) / np.linalg.norm(direction)
    brief = Brief(run=RunBrief(casts=6), rates=RatesBrief(**rates))
    place = know_place(master, seam_terms(brief), np.full(len(mesh.vertices), show), clear)
    return survey(place, d)


def slot():
    """Two slabs of 20 x 300 x 600 with 40 between them."""
    slab = trimesh.creation.box((20, 300, 600)).subdivide_to_size(40.0)
    one, two = slab.copy(), slab.copy()
    one.apply_translation([-30, 0, 300])
    two.apply_translation([30, 0, 300])
    return trimesh.util.concatenate([one, two])


@pytest.mark.parametrize("offset_mm", [-30.0, 30.0])
def test_fill_under_a_ball_is_known(offset_mm):
    """Analytic: from the equator to a plane h beside it, the cylinder round the ball holds πh³/3 more than it."""
    _, seam = seam_of(ball(100.0), (1, 0, 0), offset_mm, PLANE)
    assert seam.figures.fill_mm3 == pytest.approx(np.pi * 30.0**3 / 3, rel=0.04)  # facets lie inside the ball


@pytest.mark.parametrize("offset_mm", [0.0, 30.0])
def test_fill_of_a_slot_is_the_slot_wherever_it_is_parted(offset_mm):
    """Analytic: a slot of 40 x 300 x 600 fills whole, with its plane in a slab."""
    bench = bench_of(ground_of(slot(), (1, 0, 0)))
    assert fill_of(bench.canvas, np.zeros(0), [], offset_mm) == pytest.approx(40.0 * 300.0 * 600.0, rel=0.03)


@pytest.mark.parametrize("side", [0, 1])
def test_fill_of_a_place_adds_up_to_the_volume(side):
    """Analytic: depth across the pull times the sine, (R - ρ) ρ / R with ρ² = R² - x², summed over the skin from the
    equator to h beside it; for a small h that is the fill itself, πh³/3."""
    ground = ground_of(ball(1000.0), (1, 0, 0))
    x = ground.place.master.vertices_mm[ground.place.master.faces].mean(axis=1)[:, 0]
    h = 500.0
    strip = ((x < 0) & (x > -h)) if side == 0 else ((x > 0) & (x < h))
    volume = float((ground.fill_mm[side] * ground.place.skin_mm2)[strip].sum())
    r, at_h = 1000.0, np.sqrt(1000.0**2 - h**2)
    exact = 2 * np.pi * (r * (h * at_h + r**2 * np.arcsin(h / r)) / 2 - r**2 * h + h**3 / 3)
    assert exact == pytest.approx(0.959 * np.pi * h**3 / 3, rel=1e-3)
    assert volume == pytest.approx(exact, rel=0.04)  # read off images of some 3 mm a pixel
    assert ground.fill_mm[1 - side][strip].max() < 20.0  # its own side's pull frees it


def test_both_pulls_weigh_a_slot_the_same():
    """Whatever the split, a gap between two walls is filled by the one piece or the other."""
    ground = ground_of(slot(), (1, 0, 0))
    x = ground.place.master.vertices_mm[ground.place.master.faces].mean(axis=1)[:, 0]
    inside = np.abs(np.abs(x) - 20.0) < 1e-6
    assert (ground.locked[:, inside] == 1).all()
    assert (ground.fill_mm[:, inside] == 0).all()


def test_creases_are_told_from_ridges():
    """A bent plate: its valley is a crease, the same bend upside down a ridge, which hides half as much."""
    plate = trimesh.creation.box((120, 60, 4)).subdivide_to_size(4.0)
    for sign in (1.0, -1.0):
        bent = np.array(plate.vertices)
        top = bent[:, 2] > 1.9
        bent[:, 2] += sign * 0.8 * np.abs(bent[:, 0])
        master = as_master(trimesh.Trimesh(bent, plate.faces, process=False))
        graph = face_graph(master.vertices_mm, master.faces)
        ends = master.vertices_mm[graph.vertices]
        fold = (np.abs(ends[:, :, 0]).max(axis=1) < 1e-6) & top[graph.vertices].all(axis=1)
        fold &= np.abs(ends[:, :, 1]).max(axis=1) < 20
        assert fold.any()
        assert np.sign(bends(master, graph)[fold]).mean() == pytest.approx(sign)


def test_price_of_seam_is_that_of_the_one_function():
    """A mm of seam costs the cut what `price_seam` asks for it: seen, hidden, past an arm's reach, to be kept clear."""
    mesh = ball(1000.0, 4)
    clear = (mesh.vertices[:, 0] > 0).astype(float)
    ground = ground_of(mesh, (0, 1, 0), clear=clear, show=0.4)
    terms = ground.place.terms
    price = line_price(ground.place, bent=True)
    for where, kept_clear in ((clear > 0, 1000.0), (clear == 0, 0.0)):
        metre = SeamMeasures(1000.0, 400.0, 1000.0, 1000.0, kept_clear, 1, 0.0, 0.0)
        asked = price_seam(metre, 6, terms.rubber, terms.rates).total / 1000.0
        smooth = ground.place.show > 0.39  # no edge hides it
        assert price[where & smooth] == pytest.approx(asked, rel=0.01)


def test_the_price_of_a_seam_is_that_of_its_figures(lobes):
    _, seam = seam_of(lobes, (1, 0.3, 0), 8.0, CHEAPEST)
    terms = seam_terms()
    for candidate in seam.candidates:
        f = candidate.figures
        again = price_seam(measures_of(f), terms.casts, terms.rubber, terms.rates)
        assert again == candidate.price
        assert f.length_mm == pytest.approx(sum(line.length_mm for line in candidate.lines))
        assert f.on_show_mm == pytest.approx(sum(line.show * line.length_mm for line in candidate.lines))


def test_the_price_follows_from_plan_json_by_hand(small_plan, tmp_path):
    """Common practice, no source, for the rates: worked out anew from the saved plan with none of the price's code."""
    saved = json.loads((save_plan(small_plan, tmp_path)).read_text())["plan"]
    r, n = saved["brief"]["rates"], saved["brief"]["run"]["casts"]
    rubber = saved["catalogue"]["rubber"][0]
    density = rubber["density_kg_m3"] / 1000.0
    per_kg = min(pack["price"] / pack["size"] for pack in rubber["packs"])
    assert saved["seam"]["candidates"]
    for c in saved["seam"]["candidates"]:
        f = c["figures"]
        metres, shown = f["length_mm"] / 1000, f["on_show_mm"] / 1000
        litres, solid = f["fill_mm3"] / 1e6, n * f["solid_mm3"] / 1e6
        hours = n * (r["cleanup_shown_h_m"] * shown + r["cleanup_hidden_h_m"] * (metres - shown))
        hours += r["wall_h_m"] * (metres + r["wall_bent_share"] * f["bent_mm"] / 1000)
        hours += r["wall_line_h"] * (f["loops"] - 1)
        hours += (r["root_h_m"] + n * r["facing_h_m"]) * f["facing_mm"] / 1000
        hours += n * r["joint_h_m"] * (metres + (r["past_reach_factor"] - 1) * f["past_reach_mm"] / 1000)
        hours += n * (r["risk_shown_h_m"] * shown + r["keep_clear_h_m"] * f["keep_clear_mm"] / 1000)
        hours += n * (
            r["carry_h_kg"] * litres * density
            + (r["peel_h_m2"] + r["overhang_h_m2"]) * f["piece_locked_area_mm2"] / 1e6
        )
        hours += r["solid_h_l"] * solid
        waste = 1 + saved["brief"]["materials"]["waste_fraction"]
        money = litres * per_kg * density * waste + n * r["joint_tape_cost_m"] * metres + r["solid_cost_l"] * solid
        assert c["price"]["hours"] == pytest.approx(hours)
        assert c["price"]["total"] == pytest.approx(hours * r["hourly_rate"] + money)
    assert saved["seam"]["length_mm"] == pytest.approx(saved["seam"]["candidates"][0]["figures"]["length_mm"])


# --- the best seam ---


@pytest.fixture(scope="module")
def great_ball():
    return seam_of(ball(1000.0), (1.0, 0.3, 0.2), None, terms=SIX)


def test_free_seam_of_a_ball_is_its_equator(great_ball):
    """Analytic: h beside the equator a seam is about πh²/R shorter, at w a mm, locks 2πRh of skin, at q a mm², and
    fills πh³/3, at f a mm³. 2πqR + πfh² > 2πwh/R for every h, and so nothing is saved by leaving the equator, where
    (w/R)² < 2qRf."""
    _, seam = great_ball
    free = next(c for c in seam.candidates if c.kind == "free")
    (line,) = free.lines
    unit = SIX.unit
    shown = free.figures.on_show_mm / free.figures.length_mm
    w = unit.hidden_mm + (unit.shown_mm - unit.hidden_mm) * shown + unit.past_reach_mm + unit.bent_mm
    assert (w / 1000.0) ** 2 < 2 * unit.locked_mm2 * 1000.0 * unit.fill_mm3
    direction = np.array([1.0, 0.3, 0.2]) / np.linalg.norm([1.0, 0.3, 0.2])
    beside = np.abs(line.points_mm @ direction - 1000.0 * direction[2])
    assert beside.mean() < 20.0
    assert line.length_mm == pytest.approx(2 * np.pi * 1000.0, rel=3e-3)


def test_limits_keep_a_small_ball_from_being_a_sock():
    """On a ball of 300 mm seam is dear beside fill; were there no limit, one half would be a sock with a small mouth.
    By rays of a reference library: each half is seen from its own opening."""
    master, seam = seam_of(ball(150.0, 4), (1, 0, 0), None, CHEAPEST, terms=SIX)
    assert seam.candidates[0].limits.kept
    assert seam.length_mm > 0.6 * 2 * np.pi * 150.0
    assert unseen_share(master, seam) < 0.05  # as seen past its rim through points on a flat disc only


def test_seam_of_an_ellipsoid_follows_its_silhouette():
    """Analytic: the silhouette along d of x'Ax = 1 lies in the plane x'Ad = 0, an ellipse of known length."""
    a, b, c = 1050.0, 560.0, 1400.0
    direction = np.array([1.0, 0.5, 0.0]) / np.hypot(1.0, 0.5)
    _, seam = seam_of(ellipsoid(a, b, c), direction, None, CHEAPEST, terms=SIX)
    assert seam.kind == "free"  # no plane across the pull is the silhouette
    normal = direction / np.array([a, b, c]) ** 2
    normal /= np.linalg.norm(normal)
    (line,) = seam.lines
    off = np.abs((line.points_mm - [0, 0, c]) @ normal)
    assert np.sqrt(np.mean(off**2)) < 60.0  # a fiftieth of its size; as on the ball, a little fill is given for seam
    flat = np.array([-normal[1], normal[0], 0.0])  # the ellipse's horizontal half axis
    half = 1.0 / np.sqrt((flat[0] / a) ** 2 + (flat[1] / b) ** 2)
    long, short = max(half, c), min(half, c)
    assert line.length_mm == pytest.approx(4 * long * ellipe(1 - (short / long) ** 2), rel=0.01)
    assert seam.alternative.kind == "plane"
    assert seam.figures.fill_mm3 < 0.2 * seam.alternative.fill_mm3


def test_ring_gets_two_lines_and_no_more():
    """Analytic: along its axis a torus parts at its outer and inner equator; a body with a hole needs two lines."""
    _, seam = seam_of(ring(1200.0, 400.0), (0, 0, 1), None, CHEAPEST, terms=SIX)
    outer, inner = seam.lines
    assert outer.length_mm == pytest.approx(2 * np.pi * 1600.0, rel=0.02)
    assert inner.length_mm == pytest.approx(2 * np.pi * 800.0, rel=0.02)
    assert seam.figures.loops == seam.figures.forced_lines == 2


@pytest.fixture(scope="module")
def lobes():
    return two_lobes()


def test_seam_keeps_clear_of_a_painted_lobe(lobes):
    """The upper lobe's crown is painted: the seam goes round it."""
    painted = ((lobes.vertices[:, 2] > 320.0) & (np.abs(lobes.vertices[:, 0] - 3.0) < 14)).astype(float)
    _, plain = seam_of(lobes, (1, 0, 0), 3.0, CHEAPEST)
    assert plain.figures.keep_clear_mm == 0.0
    _, seam = seam_of(lobes, (1, 0, 0), 3.0, FREE, weights=painted)
    plane = next(c for c in seam.candidates if c.kind == "plane")
    assert plane.figures.keep_clear_mm > 100.0
    assert seam.figures.keep_clear_mm < 0.3 * plane.figures.keep_clear_mm


def test_keep_clear_from_a_file_is_the_same_as_painted(lobes, tmp_path):
    painted = (lobes.vertices[:, 2] > 230.0).astype(float)
    _, by_paint = seam_of(lobes, (1, 0, 0), 3.0, weights=painted)
    np.save(tmp_path / "clear.npy", painted)
    _, by_file = seam_of(lobes, (1, 0, 0), 3.0, replace(FREE, keep_clear=str(tmp_path / "clear.npy")))
    assert np.array_equal(by_paint.labels, by_file.labels)


def test_any_candidate_can_be_picked(lobes):
    _, cheapest = seam_of(lobes, (1, 0.3, 0), None, CHEAPEST)
    kinds = {c.kind for c in cheapest.candidates}
    assert "plane" in kinds
    assert cheapest.candidates[0].chosen
    assert [c.chosen for c in cheapest.candidates].count(True) == 1
    for kind in kinds:
        _, picked = seam_of(lobes, (1, 0.3, 0), None, SeamBrief(kind=kind))
        assert picked.kind == kind
        assert "as picked" in picked.candidates[0].reason
    assert all(c.reason.endswith(".") for c in cheapest.candidates)


def test_what_is_chosen_keeps_the_limits_and_is_the_cheapest(lobes):
    for direction in ((1, 0.3, 0), (0.7, 0.7, 0.1)):
        _, seam = seam_of(lobes, direction, None, CHEAPEST)
        kept = [c.price.total for c in seam.candidates if c.limits.kept]
        assert seam.candidates[0].limits.kept
        assert seam.candidates[0].price.total == min(kept)


def test_a_plane_between_two_bodies_is_no_seam():
    far = ball(30.0, 3)
    far.apply_translation([0, 140, 0])
    with pytest.raises(PlanImpossible, match="crosses no skin"):
        seam_of(trimesh.util.concatenate([ball(50.0, 3), far]), (0, 1, 0), 80.0, PLANE)


def test_same_input_same_seam():
    mesh = ellipsoid(150, 80, 200, 4)
    _, one = seam_of(mesh, (1, 0.5, 0))
    _, two = seam_of(mesh, (1, 0.5, 0))
    assert np.array_equal(one.labels, two.labels)
    assert np.array_equal(one.level_mm, two.level_mm)
    assert asdict(one.figures) == asdict(two.figures)


def test_labels_lines_and_level_say_the_same():
    master, seam = seam_of(ellipsoid(150, 80, 200, 4), (1, 0.5, 0))
    centre = seam.level_mm[master.faces].mean(axis=1)
    assert np.array_equal(seam.labels == 0, centre >= 0)
    # every point of the line has skin of both pieces within an edge's length
    tree = [cKDTree(master.vertices_mm[master.faces[seam.labels == k]].mean(axis=1)) for k in (0, 1)]
    for side in tree:
        assert side.query(seam.lines[0].points_mm)[0].max() < 25.0
    assert sum(piece.area_mm2 for piece in seam.pieces) == pytest.approx(master.skin_area_mm2)


def test_fairness_follows_the_size():
    """The trade's table (common practice, no source): 15 to 20 mm at 300 mm, 60 from half a metre to 3, 100 at 5 m."""
    assert fair_rule(300.0).turn_mm == pytest.approx(18.0)
    assert fair_rule(1400.0).turn_mm == pytest.approx(60.0)
    assert fair_rule(6000.0).turn_mm == pytest.approx(100.0)
    assert (fair_rule(2000.0).off_mm, fair_rule(2000.0).over_mm) == pytest.approx((3.0, 100.0))


def test_a_line_is_judged_in_the_surface():
    """Analytic: on a cylinder, a sine of 4 mm over 100 mm leaves the smooth line; going round it does not."""
    t = np.linspace(0, 2 * np.pi, 2000, endpoint=False)
    round_it = np.stack([300 * np.cos(t), 300 * np.sin(t), 0 * t], axis=1)
    normals = round_it / 300.0
    _, off, turn = line_fairness(round_it, normals, True, 100.0)
    assert off.max() < 0.05
    assert turn.max() < 1e-4
    wavy = round_it + np.array([0, 0, 4.0]) * np.sin(60 * t)[:, None]  # a wave every 31 mm
    _, off, turn = line_fairness(wavy, normals, True, 100.0)
    assert off.max() == pytest.approx(4.0, rel=0.05)  # a cubic through 100 mm takes up a little of a wave of 31
    # 100 mm of a circle of 50 is two radians, which a cubic flattens; of 150 it is two thirds of one
    for radius, near in ((50.0, 0.08), (150.0, 0.01)):
        circle = radius * np.stack([np.cos(t), np.sin(t), 0 * t], axis=1)
        _, _, turn = line_fairness(circle, np.tile([0, 0, 1.0], (len(t), 1)), True, 100.0)
        assert 1 / turn.max() == pytest.approx(radius, rel=near)


def test_cancelled_work_stops():
    progress = Progress()
    progress.cancel()
    master = as_master(ball(100.0, 3))
    with pytest.raises(Cancelled):
        place_seam(master, opening_along((1, 0, 0)), seen_field(master, (1, 0, 0)), FREE, progress)


# --- smoothing ---


@pytest.mark.parametrize("subdivisions", [4, 5, 6])
def test_smoothing_takes_the_zigzag_out_and_stays_within_tolerance(subdivisions):
    """Analytic: face labels by a plane zigzag about a circle of radius sqrt(R² - h²); the drawn line must be it."""
    mesh = ball(100.0, subdivisions)
    direction = np.array([1.0, 0.3, 0.2]) / np.linalg.norm([1.0, 0.3, 0.2])
    height = mesh.triangles_center @ direction - direction[2] * 100.0
    labels = (height < 20.0).astype(np.int8)
    graph = face_graph(mesh.vertices, mesh.faces)
    parted = labels[graph.faces[:, 0]] != labels[graph.faces[:, 1]]
    truth = 2 * np.pi * np.sqrt(100.0**2 - 20.0**2)
    assert graph.length_mm[parted].sum() > 1.1 * truth  # it does zigzag
    level, tolerance = smooth_level(mesh.vertices, mesh.faces, labels, 4.0)
    crossings = cross_at_zero(mesh.vertices, mesh.faces, level)
    (chain,) = join_chains(crossings)
    points = crossings.points_mm[chain.nodes]
    assert chain.closed
    assert length_mm(points, True) == pytest.approx(truth, rel=4e-3)
    jagged = mesh.vertices[graph.vertices[parted]]
    steps = np.linspace(0, 1, 9)[:, None, None]
    dense = (jagged[None, :, 0] * (1 - steps) + jagged[None, :, 1] * steps).reshape(-1, 3)
    nearest = np.linalg.norm(points[:, None] - dense[None], axis=2).min(axis=1)
    assert nearest.max() < 1.1 * tolerance
    assert np.abs(points @ direction - direction[2] * 100.0 - 20.0).max() < 0.4 * tolerance


def test_no_zigzag_over_a_carved_coat():
    """The seam over a wavy post turns no tighter than a wall of card can, and goes straight down its sides."""
    _, seam = seam_of(wavy_post(), (1, 0.04, 0), 4.0, base="open")
    for line in seam.lines:
        points = spaced_out(line.points_mm, line.closed, 10.0)
        steps = np.diff(points, axis=0)
        turn = np.einsum("ij,ij->i", steps[:-1], steps[1:]) / 100.0
        assert np.quantile(turn, 0.1) > 0.85


def test_smoothing_never_leaves_its_tube():
    """A square patch of labels on a plate: corners are rounded, but nothing strays further than the tolerance."""
    plate = trimesh.creation.box((200, 200, 10)).subdivide_to_size(4.0)
    centre = plate.triangles_center
    inside = (np.abs(centre[:, :2]).max(axis=1) < 60) & (centre[:, 2] > 4.9)
    labels = (~inside).astype(np.int8)
    level, tolerance = smooth_level(plate.vertices, plate.faces, labels, 5.0)
    crossings = cross_at_zero(plate.vertices, plate.faces, level)
    graph = face_graph(plate.vertices, plate.faces)
    edge = plate.vertices[graph.vertices[labels[graph.faces[:, 0]] != labels[graph.faces[:, 1]]]]
    steps = np.linspace(0, 1, 9)[:, None, None]
    dense = (edge[None, :, 0] * (1 - steps) + edge[None, :, 1] * steps).reshape(-1, 3)
    assert cKDTree(dense).query(crossings.points_mm)[0].max() < 1.1 * tolerance


# --- measures ---


def test_measures_of_a_known_line():
    """Analytic: a circle's radius is its tightest turn; a helix of radius r and slope k has (r² + k²) / r."""
    angle = np.linspace(0, 2 * np.pi, 720, endpoint=False)
    circle = np.stack([30 * np.cos(angle), 30 * np.sin(angle), 0 * angle], axis=1)
    assert length_mm(circle, True) == pytest.approx(2 * np.pi * 30, rel=1e-4)
    assert tightest_turn_mm(circle, True, 5.0) == pytest.approx(30.0, rel=1e-3)
    assert flatness_mm(circle) == pytest.approx(0.0, abs=1e-9)
    helix = np.stack([30 * np.cos(angle), 30 * np.sin(angle), 20 * angle], axis=1)
    assert tightest_turn_mm(helix, False, 2.0) == pytest.approx((30**2 + 20**2) / 30, rel=1e-2)
    straight = np.stack([angle, 0 * angle, 0 * angle], axis=1)
    assert tightest_turn_mm(straight, False, 0.5) == np.inf
    bowed = circle + np.array([0, 0, 1.0]) * (4 * np.sin(2 * angle))[:, None]
    assert flatness_mm(bowed) == pytest.approx(4.0, rel=0.02)


def test_how_much_of_a_line_faces_the_pull():
    """Analytic: on a circle of latitude of a ball the skin faces the pull by the sine of the latitude; nothing under
    30 degrees, where wall and skin meet at 60, and all at the pole."""
    mesh = ball(100.0, 5)
    for height, share in ((40.0, 0.0), (75.0, 0.5), (90.0, 0.8)):
        _, seam = seam_of(mesh, (0, 0, 1), 100.0 + height, PLANE)
        length = 2 * np.pi * np.sqrt(100.0**2 - height**2)
        assert seam.figures.facing_mm == pytest.approx(share * length, rel=0.02, abs=2.0)


def test_split_faces_keep_area_and_sides():
    mesh = ball(50.0, 2)
    level = mesh.vertices @ np.array([0.2, 0.5, 0.7]) - 41.3
    crossings = cross_at_zero(mesh.vertices, mesh.faces, level)
    split = split_faces(mesh.vertices, mesh.faces, level, crossings)
    whole = trimesh.Trimesh(split.vertices_mm, split.faces, process=False)
    assert whole.area == pytest.approx(mesh.area, rel=1e-9)
    assert whole.is_watertight
    at = np.concatenate([level, np.zeros(len(crossings.points_mm))])[split.faces]
    assert (at[split.positive].min(axis=1) >= -1e-9).all()
    assert (at[~split.positive].max(axis=1) <= 1e-9).all()


# --- own lines ---


def circle_on_ball(tilt, count=9):
    angle = np.linspace(0, 2 * np.pi, count, endpoint=False)
    u = np.array([0.0, 1.0, 0.0])
    v = np.array([np.sin(tilt), 0.0, np.cos(tilt)])
    return 100 * (np.cos(angle)[:, None] * u + np.sin(angle)[:, None] * v) + [0, 0, 100]


def test_own_line_becomes_the_seam(tmp_path):
    """A great circle tilted 20 degrees from the silhouette, given by nine points: drawn over the surface between."""
    points = circle_on_ball(np.radians(20.0))
    path = tmp_path / "line.json"
    path.write_text(json.dumps(points.tolist()))
    _, seam = seam_of(ball(100.0), (1, 0, 0), 0.0, replace(FREE, own_line=str(path)))
    assert seam.kind == "own"
    (line,) = seam.lines
    assert line.length_mm == pytest.approx(2 * np.pi * 100, rel=0.01)
    normal = np.array([np.cos(np.radians(20.0)), 0.0, -np.sin(np.radians(20.0))])
    assert np.abs((line.points_mm - [0, 0, 100]) @ normal).max() < 8.0
    gap = np.linalg.norm(points[:, None] - line.points_mm[None], axis=2).min(axis=1)
    assert gap.max() < 8.0
    assert seam.labels.min() == 0
    assert seam.alternative.kind == "plane"


@pytest.mark.parametrize("side", [1.0, -1.0])
def test_own_line_may_be_drawn_either_way_and_to_and_fro(tmp_path, side):
    """Four points on a great circle; a spur walked out and back parts nothing; piece 0 lies ahead."""
    points = circle_on_ball(0.0, 4)
    spur = [100 * np.array([np.sin(0.5), np.cos(0.5), 0]) + [0, 0, 100]]
    walked = np.concatenate([points[:1], spur, points[:1], points[1:]])[:: int(side)]
    path = tmp_path / "line.json"
    path.write_text(json.dumps(walked.tolist()))
    master, seam = seam_of(ball(100.0), (side, 0, 0), 0.0, replace(FREE, own_line=str(path)))
    (line,) = seam.lines
    assert np.abs(line.points_mm[:, 0]).max() < 8.0
    centre = master.vertices_mm[master.faces].mean(axis=1)[:, 0] * side
    assert centre[seam.labels == 0].mean() > 40
    assert centre[seam.labels == 1].mean() < -40


def test_own_line_that_parts_nothing_is_refused(tmp_path):
    """One loop round a ring's tube leaves the ring in one part; two such loops part it."""
    angle = np.linspace(0, 2 * np.pi, 12, endpoint=False)
    tube = np.stack([120 + 40 * np.cos(angle), 0 * angle, 200 + 40 * np.sin(angle)], axis=1)
    one = tmp_path / "one.csv"
    one.write_text("\n".join(",".join(f"{v:.3f}" for v in p) for p in tube))
    with pytest.raises(PlanImpossible, match="does not part the master"):
        seam_of(ring(), (0, 1, 0), 0.0, replace(FREE, own_line=str(one)))
    two = tmp_path / "two.json"
    two.write_text(json.dumps([tube.tolist(), (tube * [-1, 1, 1]).tolist()]))
    _, seam = seam_of(ring(), (0, 1, 0), 0.0, replace(FREE, own_line=str(two)))
    assert len(seam.lines) == 2
    assert seam.pieces[0].area_mm2 == pytest.approx(seam.pieces[1].area_mm2, rel=0.05)


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("a.json", "{"),
        ("b.json", "[[1, 2, 3], [4, 5, 6]]"),
        ("c.json", '[[1, 2], "x"]'),
        ("d.csv", "1,2,3\n4,5,nan\n7,8,9\n"),
        ("e.csv", "1,2,3\nfour,5,6\n"),
        ("f.txt", ""),
        ("g.json", "[" * 5000),
        ("h.json", "[null, 3]"),
    ],
)
def test_broken_line_files_are_refused_in_one_sentence(tmp_path, name, text):
    path = tmp_path / name
    path.write_text(text)
    with pytest.raises(BriefRefused) as refused:
        read_own_lines(path)
    assert str(path) in str(refused.value)
    assert "\n" not in str(refused.value)


def test_missing_line_file_is_refused(tmp_path):
    with pytest.raises(BriefRefused, match="cannot be read"):
        read_own_lines(tmp_path / "none.json")


def test_lines_are_read_from_rows(tmp_path):
    path = tmp_path / "two.csv"
    path.write_text("# x y z\n1 2 3\n4;5;6\n7,8,9\n\n1,1,1\n2,2,2\n3,3,4\n")
    one, two = read_own_lines(path)
    assert one.tolist() == [[1, 2, 3], [4, 5, 6], [7, 8, 9]]
    assert len(two) == 3


def test_keep_clear_files_are_checked(tmp_path):
    np.save(tmp_path / "short.npy", np.zeros(5))
    with pytest.raises(BriefRefused, match="5 weights for 9 vertices"):
        read_keep_clear(tmp_path / "short.npy", 9)
    np.save(tmp_path / "wild.npy", np.full(9, 3.0))
    with pytest.raises(BriefRefused, match="outside -1 to 1"):
        read_keep_clear(tmp_path / "wild.npy", 9)
    np.save(tmp_path / "object.npy", np.array([{}] * 9, dtype=object), allow_pickle=True)
    with pytest.raises(BriefRefused, match="cannot be read"):
        read_keep_clear(tmp_path / "object.npy", 9)
    np.save(tmp_path / "huge.npy", np.zeros(100_000))
    with pytest.raises(BriefRefused, match="larger than"):
        read_keep_clear(tmp_path / "huge.npy", 9)
    (tmp_path / "rows.csv").write_text("0\n1\n-0.5\n")
    assert read_keep_clear(tmp_path / "rows.csv", 3).tolist() == [0.0, 1.0, -0.5]
    (tmp_path / "words.csv").write_text("clear\n")
    with pytest.raises(BriefRefused, match="cannot be read"):
        read_keep_clear(tmp_path / "words.csv", 1)


# --- how it shows ---


def test_an_upright_wall_shows_fully_and_its_underside_not_at_all():
    """By definition: 1 for an unhidden upright place seen from all round at its own height; 0 facing the ground."""
    post = trimesh.creation.cylinder(100.0, 1000.0, sections=64)
    post.apply_translation([0, 0, 1600.0])
    post = post.subdivide_to_size(60.0)
    master = as_master(post)
    show = how_it_shows(master, SeamBrief(viewer_distance_mm=50_000.0))
    side = np.abs(master.normals[:, 2]) < 0.1
    assert show[side].min() > 0.93
    assert show[master.normals[:, 2] < -0.9].max() == 0.0
    front = how_it_shows(master, SeamBrief(viewer_distance_mm=50_000.0, seen_from="front"))
    assert front[side & (master.normals[:, 1] < -0.95)].min() > 0.9
    assert front[master.normals[:, 1] > 0.95].max() == 0.0
    left = how_it_shows(master, SeamBrief(viewer_distance_mm=50_000.0, seen_from="left"))
    assert left[master.normals[:, 0] > 0.95].min() > 0.9
    assert left[master.normals[:, 0] < -0.95].max() == 0.0


def test_what_stands_behind_does_not_show():
    """A slot between two slabs shows less inside than outside."""
    slab = trimesh.creation.box((20, 300, 600))
    one, two = slab.copy(), slab.copy()
    one.apply_translation([-30, 0, 300])
    two.apply_translation([30, 0, 300])
    mesh = trimesh.util.concatenate([one.subdivide_to_size(40.0), two.subdivide_to_size(40.0)])
    master = as_master(mesh)
    show = how_it_shows(master, SeamBrief())
    centre = mesh.triangles_center
    inside = (np.abs(np.abs(centre[:, 0]) - 20) < 1) & (np.abs(centre[:, 1]) < 100)
    outside = (np.abs(np.abs(centre[:, 0]) - 40) < 1) & (np.abs(centre[:, 1]) < 100)
    assert show[inside].mean() < 0.25 * show[outside].mean()


def test_viewers_stand_round_the_piece_at_eye_height():
    master = as_master(ball(100.0, 2))
    eyes = viewpoints(master, SeamBrief(eye_height_mm=1200.0, viewer_distance_mm=2500.0))
    assert np.allclose(eyes[:, 2], 1200.0)
    assert np.linalg.norm(eyes[:, :2], axis=1).min() > 2500.0
    assert np.allclose(eyes[:, :2].mean(axis=0), 0.0, atol=1e-6)


@pytest.mark.parametrize(
    ("sock", "open_plane", "first"),
    [
        # a short seam about the trunk of a beast that stands on four legs, beside a plane along its middle
        ((1674.0, 0.39), (3106.0, 0.22), "plane"),
        # the same price weighed against a palm's breadth: what is small is weighed and no more
        ((1674.0, 0.015), (1820.0, 0.0), "sock"),
        ((1674.0, 0.019), (1820.0, 0.0), "plane"),
        # where both hide as much, the price decides
        ((1674.0, 0.25), (3106.0, 0.25), "sock"),
    ],
)
def test_a_short_seam_does_not_pay_for_half_its_inside_hidden(sock, open_plane, first):
    def judged(price, excess):
        figures = SimpleNamespace(loops=1, forced_lines=1)
        drawn = SimpleNamespace(kind="plane", price=SimpleNamespace(total=price), figures=figures)
        limits = SimpleNamespace(excess=excess, overstretched_mm2=0.0)
        return Judged(drawn, None, limits)

    ranked = sorted([("sock", judged(*sock)), ("plane", judged(*open_plane))], key=lambda one: one[1].rank)
    assert ranked[0][0] == first


@pytest.mark.parametrize(
    ("saved", "loops", "first"), [(0.006, 2, "one line"), (0.05, 2, "more"), (0.05, 3, "one line")]
)
def test_a_line_more_than_forced_has_to_pay(saved, loops, first):
    def judged(price, loops):
        figures = SimpleNamespace(loops=loops, forced_lines=1)
        drawn = SimpleNamespace(kind="free", price=SimpleNamespace(total=price), figures=figures)
        return Judged(drawn, None, SimpleNamespace(excess=0.0, overstretched_mm2=0.0))

    both = [("one line", judged(1000.0, 1)), ("more", judged(1000.0 * (1.0 - saved), loops))]
    assert min(both, key=lambda one: one[1].rank)[0] == first
