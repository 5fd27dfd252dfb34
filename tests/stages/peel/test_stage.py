"""The stage from a plan to a verdict: what the figures decide, and one small mould peeled whole."""

from __future__ import annotations

import base64
import json
import re
import zlib
from dataclasses import replace
from types import SimpleNamespace

import meshes
import numpy as np
import pytest
from mouldloft.base.progress import Progress
from mouldloft.geometry.rays import ray_scene
from mouldloft.inputs.brief import brief_from_dict
from mouldloft.outputs.notkept import not_kept
from mouldloft.outputs.page.build import page_text
from mouldloft.outputs.peelwords import peel_rows, peel_steps, span_words
from mouldloft.outputs.planfile import open_plan, save_plan
from mouldloft.stages.cast import lay_up_cast
from mouldloft.stages.master import prepare_master, skin_faces
from mouldloft.stages.peel import AirPocket, peel_gloves, played
from mouldloft.stages.peel.glove import cast_field, peel_glove
from mouldloft.stages.peel.lattice import lattice_of
from mouldloft.stages.peel.measures import Pockets, averaging
from mouldloft.stages.peel.paths import paths_for, pull_along
from mouldloft.stages.peel.rebuilt import next_seam, rebuilt_gloves
from mouldloft.stages.peel.runs import _all_tries
from mouldloft.stages.peel.verdict import chosen_way, decisive, effort, verdict_of
from mouldloft.stages.pipeline import plan
from mouldloft.stages.rubber import look_at_gloves
from mouldloft.stages.takeoff import mould_life

BRIEF = {
    "master": {"finished_height_mm": 300},
    "opening": {"directions": 32, "refine": 0, "seams": 2},
    "rubber": {"pixel_mm": 5.0},
    "peel": {"run": True, "ways": "straight", "pitch_mm": 14.0, "frictions": [0.0, 0.3]},
}


def tried(**figures):
    base = {"off": True, "freed": 1.0, "stretch": 1.4, "force_n": 150.0, "friction": 0.0, "pitch_mm": 16.0,
            "hands_n": 1600.0, "torn": False}  # fmt: skip
    return SimpleNamespace(**(base | figures))


@pytest.mark.parametrize(
    ("tries", "verdict"),
    [
        ([tried(), tried(friction=0.3, force_n=390.0)], "off"),
        ([tried(), tried(friction=0.3, force_n=410.0)], "doubtful"),  # past half of 800 N
        (
            [tried(force_n=900.0), tried(friction=0.3, force_n=1600.0)],
            "doubtful",
        ),  # more than they can, by less than two
        ([tried(), tried(friction=0.3, off=False, freed=0.7)], "doubtful"),
        ([tried(force_n=100.0), tried(force_n=220.0, pitch_mm=12.0)], "doubtful"),  # two pitches disagree
        ([tried(stretch=2.7)], "doubtful"),  # 170 % where 160 is allowed
        ([tried(stretch=6.0, off=False, torn=True)], "stuck"),  # past what breaks it
        ([tried(), tried(friction=0.3, off=False, torn=True)], "doubtful"),
        ([tried(off=False, freed=0.8), tried(off=False, freed=0.6, friction=0.3)], "stuck"),
    ],
)
def test_what_the_tries_say(tries, verdict):
    found, why = verdict_of(tries, 800.0, 1.6, 4.8)
    assert found == verdict
    assert bool(why) == (verdict != "off")


def test_what_comes_off_gently_is_not_doubted_for_what_hard_hands_pulled():
    """Hands let pull 1,600 N pulled 750; held to 400, half of what two people can, they had it off all the same."""
    hard = [tried(force_n=750.0, path="a"), tried(force_n=660.0, path="a", friction=0.3)]
    gentle = [tried(force_n=400.0, path="a", hands_n=400.0, friction=f) for f in (0.0, 0.3)]
    assert verdict_of(decisive(hard, 800.0), 800.0, 1.6, 4.8)[0] == "doubtful"
    assert decisive(hard + gentle, 800.0) == gentle
    assert verdict_of(gentle, 800.0, 1.6, 4.8)[0] == "off"
    gentle[1].off = False
    assert decisive(hard + gentle, 800.0) == hard


def test_only_ways_that_hold_are_pulled_harder():
    """Two gloves: one comes off gently by both of its best ways, the other by one of them."""
    asked = []

    def pulled(jobs, progress, span, note, gently=False):
        asked.append((gently, [(job.glove, job.path.words, job.friction) for job in jobs]))
        held = {paths[1].words}
        pitch, hands = (8.0, 400.0) if gently else (10.0, 1600.0)
        return [
            tried(path=j.path, friction=j.friction, pitch_mm=pitch, hands_n=hands,
                  off=not (gently and j.glove == 1 and j.path.words in held), force_n=200.0 + 10 * paths.index(j.path))
            for j in jobs
        ]  # fmt: skip

    pull = np.array([0.0, -1.0, 0.0])
    paths = paths_for(pull)
    bench = SimpleNamespace(gloves=(SimpleNamespace(pull=pull),) * 2, pulled=pulled)
    brief = brief_from_dict({"peel": {"ways": "all", "frictions": [0.0, 0.3]}}).peel
    _, made = _all_tries(lambda pitch, span: bench, 10.0, 8.0, brief, Progress(), 1.6)
    gentle = [jobs for gently, jobs in asked if gently]
    assert [{friction for *_, friction in jobs} for jobs in gentle] == [{0.3}, {0.0}]
    assert {name for _, name, _ in gentle[0]} == {paths[0].words, paths[1].words}
    # what most friction holds need not be tried with less
    assert set(gentle[0]) - {(*way, 0.3) for *way, _ in gentle[1]} == {(1, paths[1].words, 0.3)}
    assert asked[-1] == (False, [(1, paths[1].words, 0.0), (1, paths[1].words, 0.3)])
    assert chosen_way(made[0], 800.0, 1.6) == chosen_way(made[1], 800.0, 1.6) == paths[0]


def test_ways_are_ranked_by_what_would_raise_a_doubt_first():
    """A figure's side: swung down 392 N and 130 %, in a wave 1,020 N and 125 %; 800 N in the hands, 160 % allowed."""
    swing, wave = tried(force_n=392.0, stretch=2.30), tried(force_n=1020.0, stretch=2.25)
    torn = tried(force_n=100.0, stretch=3.0)
    assert sorted([wave, torn, swing], key=lambda t: effort(t, 800.0, 1.6)) == [swing, torn, wave]
    full, less = tried(force_n=399.8, stretch=1.55), tried(force_n=399.9, stretch=1.42)
    assert effort(less, 800.0, 1.6) < effort(full, 800.0, 1.6)
    assert effort(tried(off=False, force_n=1.0), 800.0, 1.6) > effort(wave, 800.0, 1.6)


def test_it_says_whether_friction_or_pitch_decides():
    for stuck, word in (
        (tried(friction=0.3, off=False, freed=0.7), "friction"),
        (tried(off=False, pitch_mm=12.0), "pitch"),
    ):
        assert f"({word} decides)" in verdict_of([tried(), stuck], 800.0, 1.6, 4.8)[1][0]


def test_it_says_where_rubber_tears():
    torn = tried(friction=0.3, off=False, torn=True, freed=0.6)
    assert verdict_of([torn], 800.0, 1.6, 4.8) == (
        "stuck",
        ("It tears with 60 % of the skin clear: it breaks at 480 %.",),
    )
    assert "tears in some tries, stretched past 480 %" in verdict_of([tried(), torn], 800.0, 1.6, 4.8)[1][0]


def test_a_shut_pocket_is_said_and_does_not_alone_make_doubt():
    found, why = verdict_of([tried()], 800.0, 1.6, 4.8, [AirPocket("front, 100 mm up", (0.0, 0.0, 100.0), 9000.0)])
    assert found == "off"
    assert "Air" in why[0]


def test_a_pocket_is_what_lifts_with_no_way_to_the_edge():
    x, y = (a.ravel() for a in np.meshgrid(np.arange(20.0), np.arange(20.0)))
    pockets = Pockets(np.column_stack([x, y, 0 * x]) * 10.0, np.full(400, 100.0), (x == 0))
    middle = (np.abs(x - 10) < 3) & (np.abs(y - 10) < 3)
    assert pockets.look(middle) == pytest.approx(25 * 100.0)
    assert pockets.look(middle | ((y == 10) & (x < 10))) == 0.0  # a lifted strip leads to the edge
    assert pockets.held_mm2[middle].min() == pytest.approx(2500.0)


@pytest.mark.parametrize(("pitch_mm", "off"), [(5.0, 0.07), (2.5, 0.015)])
def test_stretch_is_a_mean_over_the_length_asked(pitch_mm, off):
    """A ball of 20 mm: as many cells as its volume holds, and as far from the middle as a ball's matter, 3/5 r²."""
    lattice = lattice_of(lambda p: np.minimum(p, [40.0, 40.0, 40.0] - p).min(axis=1), np.zeros(3), np.full(3, 40.0),
                         pitch_mm, 1.08e-6)  # fmt: skip
    mean = averaging(lattice, 20.0)
    assert np.allclose(np.asarray(mean.sum(axis=1)), 1.0)
    middles = lattice.positions_mm[lattice.nodes[:, 0]] + pitch_mm / 2
    one = int(np.argmin(np.linalg.norm(middles - 17.5, axis=1)))
    weights = mean[one].toarray().ravel()
    # a cell that the ball's surface cuts counts in part: more of it the larger the cells are
    assert 1 / weights.max() == pytest.approx(4 / 3 * np.pi * 10.0**3 / pitch_mm**3, rel=off)
    away = ((middles - middles[one]) ** 2).sum(axis=1)
    assert weights @ away == pytest.approx(3 / 5 * 10.0**2, rel=2.5 * off)


def test_ways_begin_where_they_say():
    pull = np.array([0.0, -1.0, 0.0])
    assert paths_for(pull)[0].kind == "straight"
    angle = np.linspace(0, 2 * np.pi, 24, endpoint=False)
    places = np.column_stack([np.sin(angle) * 300, 0 * angle, 700 + np.cos(angle) * 600])
    for path in paths_for(pull):
        made = pull_along(path, places, angle / (2 * np.pi) * 2800, 2800.0, pull, 500.0)
        first = places[made.delay_s == made.delay_s.min()]
        if path.start == "top":
            assert first[:, 2].max() == pytest.approx(1300.0)
        if path.start == "left":  # the piece's own left is +x
            assert first[:, 0].max() == pytest.approx(300.0)
        late = made.targets(places, np.full(24, 9.0)) - places
        assert (late[np.linalg.norm(late, axis=1) > 1] @ pull).mean() > 0


@pytest.fixture(scope="module")
def peeled():
    brief = brief_from_dict(BRIEF)
    master = prepare_master(*meshes.two_lobes(90.0, 140.0, 24), brief.master, name="lobes")
    return plan(master, brief)


def test_a_small_mould_peeled_whole(peeled, tmp_path):
    peel = peeled.peel
    assert [g.piece for g in peel.gloves] == [e.piece for e in peeled.rubber.envelopes]
    for glove, part in zip(peel.gloves, peeled.rubber.parts):
        density = peeled.catalogue.rubber_for(peeled.brief.materials).density_kg_m3 * 1e-9
        # the lattice holds the rubber of the plan
        assert part.keys_mm3 > 0.01 * part.total_mm3
        assert glove.rubber_kg == pytest.approx(part.total_mm3 * density, rel=0.05)
        assert len(glove.tries) == 2
        assert glove.force_high_n > glove.rubber_kg * 9.81 * 0.5
        assert 0.0 <= glove.stretch_low <= glove.stretch_high
        moved = played(glove.motion, glove.skin_mm)
        assert np.abs(moved[0] - glove.skin_mm).max() < 0.5
        if glove.verdict == "off":
            pull = np.array(peeled.seam.pieces[glove.piece].pull)
            assert ((moved[-1] - glove.skin_mm) @ pull).mean() > 50.0
    assert len(peel_rows(peeled)) == 2
    assert all(peel_steps(peel, glove) for glove in peel.gloves)
    again = open_plan(save_plan(peeled, tmp_path))
    assert np.array_equal(again.peel.gloves[0].motion.moved_mm, peel.gloves[0].motion.moved_mm)
    assert again.peel.gloves[0].tries == peel.gloves[0].tries


def test_the_bead_is_in_the_rubber_that_is_peeled(small_plan):
    """A groove in the first glove, a ridge on the other: less and more rubber than on a plain wall, by the bead's own
    section (14 wide, 5 high, sides 5.5 long) along its length."""
    master, bead = small_plan.master, 42.5 * small_plan.rubber.registration.bead_length_mm
    cast = cast_field(master, ray_scene(master.vertices_mm, master.faces))
    for piece, (envelope, gains) in enumerate(zip(small_plan.rubber.envelopes, (-1.0, 1.0))):
        plain = replace(envelope, parting_mm=envelope.parting_mm - envelope.bead_mm)
        fill = [peel_glove(master, small_plan.seam.labels, e, cast, 12.0, 1e-6).lattice.fill_mm3.sum()
                for e in (envelope, plain)]  # fmt: skip
        assert (fill[0] - fill[1]) * gains == pytest.approx(bead, rel=0.3), piece


def test_what_did_not_change_is_not_peeled_again(peeled):
    same = plan(peeled.master, peeled.brief, before=peeled)
    assert same.peel is peeled.peel
    without = plan(peeled.master, replace(peeled.brief, peel=replace(peeled.brief.peel, run=False)), before=peeled)
    assert without.peel is None
    assert without.rubber is peeled.rubber


def test_a_glove_in_doubt_is_tried_thicker_and_on_another_seam(peeled):
    """With hands that hardly pull it stays on; each cure is brushed and run, and said with its figures."""
    weak = replace(peeled.brief, peel=replace(peeled.brief.peel, people=1, person_n=5.0))
    found = peel_gloves(
        peeled.master, peeled.seam, peeled.locks, peeled.rubber, weak,
        peeled.catalogue.rubber_for(weak.materials),
    )  # fmt: skip
    glove = next(g for g in found.gloves if g.verdict != "off")
    said = " ".join(glove.advice)
    thick = peeled.rubber.skin_thickness_mm
    assert f"a skin of {np.ceil(2.5 * thick) / 2:g} mm in place of {thick:g} mm: " in said
    assert "a rubber two thirds as stiff" in said
    assert ("another seam" in said) == (next_seam(peeled.seam) is not None)


def rebuilt(made, begins, pitch_mm=8.0):
    """The first piece's glove brushed otherwise as the words say that begin so, cut into cells."""
    cast = cast_field(made.master, ray_scene(made.master.vertices_mm, made.master.faces))

    def cut(labels, envelope, loose, progress):
        return peel_glove(made.master, labels, envelope, cast, pitch_mm, 1e-6, progress, loose)

    found = rebuilt_gloves(made.master, made.seam, made.rubber, made.brief, 0, cut)
    return next(one.brush(Progress()) for one in found if one.words.startswith(begins))


def test_a_thicker_glove_holds_the_rubber_of_its_thickness(peeled):
    """By Steiner's formula a skin t thick holds A t + M t² + 4π/3 t³: for a convex body between the ratio of the
    thicknesses and its cube."""
    glove = rebuilt(peeled, "a skin of")
    ratio = np.ceil(2.5 * peeled.rubber.skin_thickness_mm) / 2 / peeled.rubber.skin_thickness_mm
    plain = peeled.rubber.parts[0].total_mm3 - peeled.rubber.parts[0].keys_mm3
    assert 1.02 * ratio < glove.lattice.fill_mm3.sum() / plain < ratio**2


def test_a_glove_on_another_seam_covers_its_own_side_of_that(small_plan):
    """Its skin is of the faces that the other seam gives it, and its rubber what a look at that seam has."""
    other = next_seam(small_plan.seam)
    glove = rebuilt(small_plan, "another seam", 14.0)
    master = small_plan.master
    own = (other.labels == 0) & skin_faces(master)
    assert glove.skin_area_mm2.sum() == pytest.approx(master.face_areas_mm2[own].sum(), rel=0.01)
    moved = replace(small_plan.seam, labels=other.labels, lines=other.lines, level_mm=None)
    whole = look_at_gloves(master, moved, small_plan.brief).volume_mm3
    assert 0.25 * whole < glove.lattice.fill_mm3.sum() < 0.75 * whole


def test_another_seam_is_the_cheapest_of_those_that_keep_the_limits():
    def seam(kind, total, excess, labels):
        return SimpleNamespace(kind=kind, labels=np.array(labels), price=SimpleNamespace(total=total),
                               limits=SimpleNamespace(excess=excess))  # fmt: skip

    first = seam("free", 100.0, 0.0, [0, 0, 1])
    same, over, dear, next_one = (
        seam("relief", 90.0, 0.0, [0, 0, 1]), seam("plane", 95.0, 0.2, [0, 1, 1]), seam("plane", 140.0, 0.0, [1, 1, 0]),
        seam("relief", 120.0, 0.0, [0, 1, 1]),
    )  # fmt: skip
    parted = SimpleNamespace(labels=first.labels, candidates=(first, same, over, dear, next_one))
    assert next_seam(parted) is next_one
    assert next_seam(SimpleNamespace(labels=first.labels, candidates=(first, same, over))) is over
    assert next_seam(SimpleNamespace(labels=first.labels, candidates=(first, same))) is None


def test_spans_read_as_people_say_them():
    assert span_words(0.34, 0.76, "%") == "34 to 76 %"
    assert span_words(118.0, 312.0, "N") == "120 to 310 N"
    assert span_words(0.2, 0.203, "%") == "20 %"


def test_a_pull_past_the_hands_is_said(peeled):
    hands = peeled.peel.hands_n
    glove = replace(peeled.peel.gloves[0], verdict="doubtful", force_high_n=hands + 1.0)
    said = f"in it; the hands have {hands:.0f} N, so loosen all round first"
    assert any(said in step for step in peel_steps(peeled.peel, glove))
    within = replace(glove, force_high_n=hands - 1.0)
    assert not any("the hands have" in step for step in peel_steps(peeled.peel, within))


def test_mould_life_goes_by_mechanics_where_there_is_any(peeled):
    """As by the ring rule of the same stretch; common practice, no source."""
    material = peeled.catalogue.rubber_for(peeled.brief.materials)
    gloves = tuple(replace(glove, stretch_high=0.8) for glove in peeled.peel.gloves)
    by_mechanics = mould_life(peeled.rubber, peeled.locks, material, replace(peeled.peel, gloves=gloves))
    assert by_mechanics == mould_life(peeled.rubber, replace(peeled.locks, worst_stretch=0.8), material)


def test_where_both_stand_mechanics_decide(peeled):
    """A rule that says it breaks is not repeated where the glove was peeled; a stuck glove is what is not kept."""
    by_rule = replace(peeled, peel=None, locks=replace(peeled.locks, worst_stretch=900.0))
    assert any("By rule the glove stretches over 480 %" in words for words in not_kept(by_rule))
    for verdict, kept in (("off", True), ("stuck", False)):
        why = () if kept else ("60 % of the skin comes clear.",)
        gloves = tuple(replace(glove, verdict=verdict, why=why) for glove in peeled.peel.gloves)
        made = replace(by_rule, peel=replace(peeled.peel, gloves=gloves))
        said = " ".join(not_kept(made))
        assert "rule" not in said
        assert ("STUCK: 60 %" in said) != kept
        cast = lay_up_cast(made.master, made.seam, made.locks, made.brief, made.catalogue, peel=made.peel)
        assert cast.comes_out == kept
        assert cast.comes_out_reason.startswith("By mechanics")


def test_the_page_plays_the_glove_coming_off(peeled):
    text = page_text(peeled)
    data = json.loads(re.search(r'id="plan">(.*?)</script>', text, re.DOTALL).group(1))
    block = zlib.decompress(base64.b64decode(re.search(r'id="shapes">(.*?)</script>', text, re.DOTALL).group(1)))
    assert [peel["label"] for peel in data["peel"]] == ["Front piece", "Back piece"]
    for peel, glove in zip(data["peel"], peeled.peel.gloves):
        body = next(b for b in data["bodies"] if b["part"] == peel["part"])
        count = 3 * peel["vertices"]
        frames = np.frombuffer(block, "<u2", count * peel["frames"], peel["at"]).reshape(-1, peel["vertices"], 3)
        places = frames * np.array(peel["step"]) + peel["low"]
        rest = np.frombuffer(block, "<u2", count, body["at"]["vertices"]).reshape(-1, 3)
        assert np.abs(places[0] - (rest * np.array(body["step"]) + body["low"])).max() < 0.5
        if glove.verdict == "off":
            pull = np.array(peeled.seam.pieces[glove.piece].pull)
            assert ((places[-1] - places[0]) @ pull).min() > 20.0
        assert peel["said"][0] == "glove home"
