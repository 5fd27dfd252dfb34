"""The direction search on bodies whose best opening is known."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from mouldloft.base.errors import BriefRefused, Cancelled
from mouldloft.base.progress import Progress
from mouldloft.base.threads import in_threads
from mouldloft.inputs.brief import Brief, OpeningBrief, RatesBrief, SeamBrief
from mouldloft.stages.opening import best_offset, direction_words, fill_at, find_opening, find_symmetry, half_sphere
from mouldloft.stages.pipeline import open_mould
from mouldloft.stages.visibility import how_it_shows
from mouldloft.trade.seamterms import seam_terms
from seam_bodies import as_master
from test_undercut import channel

FEW = OpeningBrief(directions=96, refine=3)
# where only rubber is paid for, the least fill wins
RUBBER_ALONE = seam_terms(Brief(rates=RatesBrief(hourly_rate=0.0, joint_tape_cost_m=0.0, solid_cost_l=0.0)))


def angle_deg(a, b) -> float:
    return float(np.degrees(np.arccos(min(abs(np.dot(a, b)) / np.linalg.norm(a) / np.linalg.norm(b), 1.0))))


def test_directions_are_spread_evenly_over_the_half_sphere():
    d = half_sphere(512)
    assert np.allclose(np.linalg.norm(d, axis=1), 1)
    rng = np.random.default_rng(1)
    probe = rng.normal(size=(4000, 3))
    probe /= np.linalg.norm(probe, axis=1)[:, None]
    widest = np.degrees(np.arccos(np.abs(probe @ d.T).max(axis=1))).max()
    # 512 caps that just tile a half-sphere have radius acos(1 - 1/512) = 3.6 degrees; a good covering is within twice
    assert widest < 7.0


def test_best_offset_has_the_least_fill():
    rng = np.random.default_rng(5)
    bottoms = rng.normal(size=4001) * 30
    tops = bottoms + rng.gamma(2.0, 20.0, size=4001)
    best = best_offset(tops, bottoms)
    fills = [fill_at(tops, bottoms, z, 1.0, 0.0) for z in np.linspace(-60, 120, 721)]
    assert fill_at(tops, bottoms, best, 1.0, 0.0) <= min(fills) + 1e-6


def test_a_slotted_block_opens_along_its_slot():
    opening = find_opening(as_master(channel()), FEW, terms=RUBBER_ALONE)
    chosen = np.asarray(opening.chosen.direction)
    # the slot is open towards y (both ends) and z: nothing locks in either; across it (x) the whole slot does
    assert abs(chosen[0]) < 0.2
    assert opening.chosen.fill_fraction < 0.01
    assert opening.candidates == tuple(sorted(opening.candidates, key=lambda c: c.cost))


def test_a_flat_ring_opens_along_its_axis():
    mesh = trimesh.creation.torus(120, 30, major_sections=64, minor_sections=32)
    turn = trimesh.transformations.rotation_matrix(0.7, [1, 2, 0])
    mesh.apply_transform(turn)
    opening = find_opening(as_master(mesh), FEW, terms=RUBBER_ALONE)
    assert angle_deg(opening.chosen.direction, turn[:3, 2]) < 2.0


def test_symmetry_plane_is_found_where_it_was_put():
    one = trimesh.creation.icosphere(subdivisions=3, radius=60)
    one.apply_translation([50, 10, 20])
    other = one.copy()
    other.apply_transform(np.diag([-1, 1, 1, 1]))
    other.invert()
    keel = trimesh.creation.box([30, 240, 90])
    keel.apply_translation([0, 40, -30])
    mesh = trimesh.util.concatenate([one, other, keel])
    turn = trimesh.transformations.rotation_matrix(np.radians(25), [0, 0, 1])
    mesh.apply_transform(turn)
    found = find_symmetry(as_master(mesh))
    assert found.is_symmetric
    assert angle_deg(found.normal, turn[:3, 0]) < 2.0


def test_a_lopsided_body_is_not_called_symmetric():
    mesh = trimesh.util.concatenate(
        [trimesh.creation.box([200, 60, 60]), trimesh.creation.box([40, 40, 160], transform=np.eye(4))]
    )
    arm = trimesh.creation.box([30, 220, 30])
    arm.apply_translation([80, 110, 45])
    leg = trimesh.creation.box([30, 30, 260])
    leg.apply_translation([-85, -20, 140])
    assert not find_symmetry(as_master(trimesh.util.concatenate([mesh, arm, leg]))).is_symmetric


def test_hare_opens_near_its_mirror_plane_or_cheaper(small_plan):
    # the demo hare is made left and right alike about x = 0, with one paw forward
    chosen = small_plan.opening.chosen
    assert small_plan.opening.symmetry.is_symmetric
    assert angle_deg(small_plan.opening.symmetry.normal, (1.0, 0.0, 0.0)) < 5
    # its profile is what a mould maker tries first; another way has to be cheaper with its seam
    sideways = [c for c in small_plan.opening.candidates if angle_deg(c.direction, (1.0, 0.0, 0.0)) < 15]
    assert sideways
    assert chosen in sideways or all(chosen.cost < 1.1 * c.cost or not c.keeps_limits for c in sideways)
    assert all(c.reason for c in small_plan.opening.candidates)


def test_the_same_master_gives_the_same_opening(small_plan):
    again, _ = open_mould(small_plan.master, small_plan.brief, catalogue=small_plan.catalogue)
    assert again.chosen == small_plan.opening.chosen
    assert again.candidates == small_plan.opening.candidates


def test_the_cheapest_pair_of_direction_and_seam_wins(small_plan):
    """Each of the best directions stands with its seam's price, and the first is the cheapest of those that keep the
    limits, or dearer by no more than a direction askew to the mirror plane, or a small breach, is allowed."""
    priced = [c for c in small_plan.opening.candidates if c.seam_kind]
    assert len(priced) >= 3
    assert small_plan.opening.chosen == priced[0]
    kept = [c.cost for c in priced if c.keeps_limits]
    assert not kept or priced[0].cost <= 1.1 * min(kept)
    assert priced[0].cost <= 1.1 * min(c.cost for c in priced if c.keeps_limits or c is priced[0])


def test_own_direction_is_kept_and_still_compared():
    opening = find_opening(as_master(channel()), OpeningBrief(directions=64, refine=1, direction=(1.0, 0.0, 0.0)))
    assert opening.chosen.origin == "brief"
    assert opening.chosen.direction == (1.0, 0.0, 0.0)
    assert len(opening.candidates) > 1
    assert all(c.cost > 0 for c in opening.candidates)


def test_zero_direction_is_refused():
    with pytest.raises(BriefRefused, match="no length"):
        find_opening(as_master(channel()), OpeningBrief(directions=32, refine=0, direction=(0.0, 0.0, 0.0)))


def test_search_stops_when_told():
    progress = Progress()
    progress.begin("opening")
    progress.cancel()
    with pytest.raises(Cancelled, match="opening"):
        find_opening(as_master(channel()), FEW, progress)


def test_words_for_directions():
    assert direction_words((1.0, 0.0, 0.0)) == "to the left"
    assert direction_words((0.0, -1.0, 0.0)) == "to the front"
    assert direction_words((0.0, 0.0, 1.0)) == "straight up"
    assert direction_words((np.cos(0.1745), 0.0, np.sin(0.1745))) == "to the left, 10° up"


def test_the_search_tells_where_it_is():
    """In order, to the end, and through every part of the work; how long it is silent is in scripts/bench.py."""
    told: list[tuple[float, str]] = []
    progress = Progress(lambda _stage, fraction, note: told.append((fraction, note)))
    find_opening(as_master(channel()), FEW, progress)
    fractions = [fraction for fraction, _ in told]
    assert fractions == sorted(fractions)
    assert fractions[-1] == 1.0
    parts = {
        "how much each place shows",
        "96 directions",
        "symmetry plane",
        "refining the best",
        "judging the finalists",
    }
    assert parts <= {note for _, note in told}


def test_the_search_stops_half_way():
    def stop(_stage: str, fraction: float, _note: str) -> None:
        if fraction > 0.3:
            progress.cancel()

    progress = Progress(stop)
    progress.begin("opening")
    with pytest.raises(Cancelled, match="opening"):
        find_opening(as_master(channel()), FEW, progress)


def test_a_failure_in_a_thread_comes_out_and_the_rest_is_dropped():
    begun = []

    def work(k: int) -> int:
        begun.append(k)
        if k == 3:
            raise ValueError("the third")
        return k

    with pytest.raises(ValueError, match="the third"):
        in_threads(work, range(4))
    assert in_threads(lambda k: k * k, range(50)) == [k * k for k in range(50)]


def test_the_default_search_tries_five_hundred_directions():
    assert OpeningBrief().directions >= 500
    opening = find_opening(as_master(channel()), OpeningBrief(directions=500, refine=2))
    assert opening.directions_tried == 500


def test_what_stands_on_its_board_opens_level(small_plan):
    """Common practice, no source: laid up on a board, no piece comes off down through it."""
    opening = find_opening(small_plan.master, OpeningBrief(refine=2))
    assert opening.directions_tried == 90  # every second degree of half a turn
    assert max(abs(c.direction[2]) for c in opening.candidates) < 1e-9
    near = [c for c in opening.candidates if angle_deg(c.direction, opening.symmetry.normal) < 12]
    assert near  # the mirror plane's own normal, or what beat it within the spacing of the ranking


def test_every_alternative_says_in_numbers_what_is_worse(small_plan):
    first, *others = small_plan.opening.candidates
    assert "of fill" in first.reason
    for c in others:
        assert "over the run" in c.reason
        assert " more" in c.reason or " less" in c.reason
        assert c.keeps_limits or "breaks a limit" in c.reason


def test_what_shows_is_reckoned_from_the_briefs_own_viewers(small_plan):
    """Seen only from the front, a seam down the left side costs less on show than one down the middle."""
    master = small_plan.master
    options = OpeningBrief(directions=32, refine=0, direction=(0.0, 1.0, 0.0))
    round_about = find_opening(master, options, show=how_it_shows(master, SeamBrief())).chosen
    from_back = find_opening(master, options, show=how_it_shows(master, SeamBrief(seen_from="back"))).chosen
    from_left = find_opening(master, options, show=how_it_shows(master, SeamBrief(seen_from="left"))).chosen
    assert from_back.locked_fraction == round_about.locked_fraction
    assert from_back.show < from_left.show  # the section runs round the sides
