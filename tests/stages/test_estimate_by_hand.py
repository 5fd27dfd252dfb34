"""The early estimate's sums by hand: a body of chosen proportions, and a maquette whose stages say chosen figures."""

from __future__ import annotations

import math
from dataclasses import replace
from types import SimpleNamespace

import mouldloft.stages.estimate as early
import numpy as np
import pytest
from mouldloft.base.errors import PlanImpossible
from mouldloft.base.intervals import Interval
from mouldloft.base.marks import Assumption, Mark
from mouldloft.base.progress import Progress
from mouldloft.inputs.brief import Brief, MasterBrief, MaterialsBrief, OpeningBrief, RubberBrief, RunBrief, SeamBrief
from mouldloft.inputs.catalogue import read_catalogue
from mouldloft.stages.estimate import STAND_INS, Proportion, StandInBody, estimate_rubber, scaled_to, widen
from mouldloft.trade.seamterms import terms_for
from mouldloft.trade.thickness import choose_thickness
from trade_bodies import box, rubber_of

LAYERS = RubberBrief(
    skin_thickness_mm=10.0, edge_thickness_mm=16.0, edge_band_mm=50.0, flange_width_mm=70.0, flange_thickness_mm=12.0,
    brushing_variation=0.2,
)  # fmt: skip
BRIEF = Brief(rubber=LAYERS, master=MasterBrief(detail_allowance=1.1, detail_allowance_uncertainty=0.07))
BODY = StandInBody(
    Proportion(0.8, 1.0, 1.4, Mark.PUBLISHED, "a skin"), Proportion(0.04, 0.05, 0.09, Mark.MEMORY, "a volume"),
    Proportion(2.0, 3.0, 5.0, Mark.MEMORY, "a seam"), Proportion(0.1, 0.2, 0.5, Mark.MEMORY, "a fill"),
)  # fmt: skip


def rubber_dm3(skin: float = 1.0, volume: float = 0.05, seam: float = 3.0, fill: float = 0.2) -> float:
    """Of a body 2 m tall, in dm and dm³: skin 10 mm with a tenth of carving on it; 6 mm more over the edge band of
    50 mm and half of that over its fade of another 25, on both sides; the flange of 70 x 12 mm on both sides and 15 %
    more round the foot; fill; 3 % of keys."""
    laid = 1.1 * skin * 400 * 0.1
    edge = 2 * seam * 20 * (0.5 + 0.25 / 2) * 0.06
    flange = 2 * 1.15 * seam * 20 * 0.7 * 0.12
    return 1.03 * (laid + edge + flange + fill * volume * 8000)


def test_rubber_of_a_body_by_hand(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(STAND_INS, "bust", BODY)
    made = estimate_rubber(2000.0, 5, stand_in="bust", brief=BRIEF)
    likely = rubber_dm3()
    moves = {
        "skin": (rubber_dm3(skin=0.8), rubber_dm3(skin=1.4)),
        "volume": (rubber_dm3(volume=0.04), rubber_dm3(volume=0.09)),
        "seam": (rubber_dm3(seam=2.0), rubber_dm3(seam=5.0)),
        "fill": (rubber_dm3(fill=0.1), rubber_dm3(fill=0.5)),
    }
    by_hand = likely * math.hypot(0.2, 0.07)  # brushing and carving
    down = math.hypot(by_hand, *(likely - low for low, _ in moves.values()))
    up = math.hypot(by_hand, *(high - likely for _, high in moves.values()))
    volume = made.rubber_mm3
    assert (volume.low, volume.likely, volume.high) == pytest.approx(
        (1e6 * (likely - down), 1e6 * likely, 1e6 * (likely + up))
    )
    causes = {f"{name} of the body": (high - low) / 2 / likely for name, (low, high) in moves.items()}
    causes |= {"brushing by hand": 0.2, "detail still to be carved": 0.07}
    assert dict(volume.causes) == pytest.approx(causes)
    kg = made.rubber_kg
    assert (kg.low, kg.likely, kg.high) == pytest.approx(
        tuple(1.08e-6 * v for v in (volume.low, volume.likely, volume.high))
    )
    assert kg.causes == volume.causes
    assert made.skin_area_mm2 == pytest.approx(1.1 * 1.0 * 2000**2)
    assert made.skin_thickness_mm == 10.0
    assert made.basis == "a height of 2000 mm and a bust for the body"
    reason = choose_thickness(2000.0, 5, LAYERS).reason
    assert made.assumptions[:-5] == (
        Assumption("rubber thickness", "10 mm", Mark.COMMON_PRACTICE, reason),
        Assumption("skin of the stand-in", "1 (0.8 to 1.4)", Mark.PUBLISHED, "a skin"),
        Assumption("volume of the stand-in", "0.05 (0.04 to 0.09)", Mark.MEMORY, "a volume"),
        Assumption("seam of the stand-in", "3 (2 to 5)", Mark.MEMORY, "a seam"),
        Assumption("fill of the stand-in", "0.2 (0.1 to 0.5)", Mark.MEMORY, "a fill"),
    )
    for words in (made.basis, f"{kg.low:.0f} to {kg.high:.0f} kg of rubber, likely {kg.likely:.0f} kg", "5 casts"):
        assert words in made.sentence
    assert reason in made.sentence


def test_a_body_that_could_be_nothing_takes_no_less_than_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    wild = {f: replace(getattr(BODY, f), low=0.0) for f in ("skin", "volume", "seam", "fill")}
    monkeypatch.setitem(STAND_INS, "bust", replace(BODY, **wild))
    layers = replace(LAYERS, brushing_variation=1.0)
    assert estimate_rubber(2000.0, 5, stand_in="bust", brief=Brief(rubber=layers)).rubber_mm3.low == 0.0


def test_its_rubber_is_the_briefs() -> None:
    other = replace(BRIEF, materials=MaterialsBrief(rubber="polyurethane-brush"))
    made = estimate_rubber(900.0, 5, stand_in="head", brief=other)
    assert made.rubber_kg.likely == pytest.approx(1.02e-6 * made.rubber_mm3.likely)
    heavy = replace(read_catalogue(None), rubber=(replace(read_catalogue(None).rubber[0], density_kg_m3=1300.0),))
    made = estimate_rubber(900.0, 5, stand_in="head", catalogue=heavy)
    assert made.rubber_kg.likely == pytest.approx(1.3e-6 * made.rubber_mm3.likely)


def test_moves_of_a_product_by_hand() -> None:
    low, likely, high, causes = widen(lambda p: p["skin"] * p["seam"] + p["fill"] + p["volume"], BODY)
    assert likely == pytest.approx(3.25)
    assert low == pytest.approx(3.25 - math.hypot(0.6, 1.0, 0.1, 0.01))
    assert high == pytest.approx(3.25 + math.hypot(1.2, 2.0, 0.3, 0.04))
    assert dict(causes)["skin of the body"] == pytest.approx(1.8 / 2 / 3.25)


@pytest.mark.parametrize("height", [50.0, 20_000.0])
@pytest.mark.parametrize("casts", [1, 500])
def test_the_ends_of_what_may_be_asked(height: float, casts: int) -> None:
    assert estimate_rubber(height, casts).rubber_mm3.low > 0
    for wrong_height, wrong_casts in ((height * (0.999 if height < 100 else 1.001), casts), (height, 501), (height, 0)):
        with pytest.raises(early.BriefRefused):
            estimate_rubber(wrong_height, wrong_casts)


# --- a maquette ----------------------------------------------------------------------------------------------


def test_a_master_scaled_by_hand() -> None:
    body = replace(box(400, 300, 1000), scale=10.0)
    grown = scaled_to(body, 1500.0)
    assert grown.size_mm == pytest.approx((600.0, 450.0, 1500.0))
    assert (grown.height_mm, grown.scale) == (1500.0, 15.0)
    assert grown.area_mm2 == pytest.approx(2.25 * body.area_mm2)
    assert grown.base_area_mm2 == pytest.approx(600 * 450)
    assert grown.volume_mm3 == pytest.approx(600 * 450 * 1500)
    assert grown.face_areas_mm2.sum() == pytest.approx(grown.area_mm2)
    assert np.ptp(grown.vertices_mm, axis=0) == pytest.approx((600.0, 450.0, 1500.0))


class SaidSeam(tuple):
    """What the seam was asked with; 3 m of it."""

    length_mm = 3000.0


def stages_that_say(monkeypatch: pytest.MonkeyPatch, volume: Interval, brushed: list) -> None:
    """The plan's stages stubbed: the opening's direction, a seam, and rubber of a given volume."""

    def brush(master, seam, brief, progress, rubber_material):
        brushed.append((master, seam, brief, rubber_material))
        return replace(rubber_of(), volume_mm3=volume)

    chosen = SimpleNamespace(direction=(0.0, 1.0, 0.0))

    def opened(master, brief, progress, catalogue):
        return SimpleNamespace(chosen=chosen), ("field", chosen.direction)

    monkeypatch.setattr(early, "open_mould", opened)
    monkeypatch.setattr(
        early,
        "place_seam",
        lambda master, opening, field, brief, progress, terms: SaidSeam(("seam", field, brief, terms)),
    )
    monkeypatch.setattr(early, "brush_rubber", brush)


def test_rubber_of_a_maquette_by_hand(monkeypatch: pytest.MonkeyPatch) -> None:
    brushed: list = []
    volume = Interval(8e6, 1e7, 1.2e7, (("brushing by hand", 0.1), ("resolution", 0.03)))
    stages_that_say(monkeypatch, volume, brushed)
    body = replace(box(40, 30, 100), detail_allowance=1.2)
    own = replace(BRIEF, seam=SeamBrief(kind="free", own_line="a.json", keep_clear="b.npy", max_pieces=3))
    made = estimate_rubber(2000.0, 5, maquette=body, brief=own)
    # keys 3 %; on top of the plan's causes: form 8 %, seam 6 %, carving 4 %, keys 2 % (common practice, no source)
    half = math.hypot(0.1, 0.03, 0.08, 0.06, 0.04, 0.02)
    likely = 1.03e7
    found = made.rubber_mm3
    assert (found.low, found.likely, found.high) == pytest.approx((likely * (1 - half), likely, likely * (1 + half)))
    assert sorted(width for _, width in found.causes) == [0.02, 0.03, 0.04, 0.06, 0.08, 0.1]
    assert made.skin_area_mm2 == pytest.approx(1.2 * (2 * (800 + 600) * 2000 + 800 * 600))
    assert made.basis == "a maquette of 12 triangles at 2000 mm"
    told = {a.what: (a.value, a.mark) for a in made.assumptions[1:-5]}
    assert sorted(value for value, _ in told.values()) == ["± 2 %", "± 4 %", "± 6 %", "± 8 %"]
    assert {mark for _, mark in told.values()} == {Mark.COMMON_PRACTICE}
    (master, seam, brief, rubber_material) = brushed[0]
    assert master.height_mm == 2000.0
    assert seam[1] == ("field", (0.0, 1.0, 0.0))
    # the brief's own kind of seam, without what was drawn on the master's own mesh, at the brief's own prices
    assert seam[2] == SeamBrief(kind="free", max_pieces=2)
    assert seam[3] == terms_for(2000.0, brief, read_catalogue(None))
    assert rubber_material.code == "silicone-tin-brush"
    assert (brief.opening.directions, brief.opening.refine) == (64, 1)
    assert (brief.run.casts, brief.rubber.pixel_mm) == (5, 10.0 / 2.5)


def test_a_rough_lattice_is_bounded_and_few_directions_stay_few(monkeypatch: pytest.MonkeyPatch) -> None:
    brushed: list = []
    stages_that_say(monkeypatch, Interval(1e6, 1e6, 1e6, (("wild", 1.5),)), brushed)
    brief = replace(BRIEF, opening=OpeningBrief(directions=40), run=RunBrief(casts=9))
    made = estimate_rubber(12_000.0, 5, maquette=box(40, 30, 100), brief=brief)
    assert made.rubber_mm3.low == 0.0
    assert brushed[0][2].rubber.pixel_mm == pytest.approx(10.0)  # 12 m over 1200 columns
    assert brushed[0][2].opening.directions == 40
    assert "5 casts" in made.sentence


@pytest.mark.parametrize("why", ["open", "empty", "not to be parted"])
def test_a_maquette_of_which_only_the_skin_holds(monkeypatch: pytest.MonkeyPatch, why: str) -> None:
    def refuse(*_, **__):
        if why != "not to be parted":
            pytest.fail("no stage is asked about a body that is no solid")
        raise PlanImpossible("no")

    monkeypatch.setattr(early, "open_mould", refuse)
    monkeypatch.setitem(STAND_INS, "bust", BODY)
    body = replace(box(40, 30, 100), detail_allowance=1.25)
    body = replace(body, health=replace(body.health, is_solid=why != "open"), volume_mm3=0.0 if why == "empty" else 1e5)
    made = estimate_rubber(2000.0, 5, maquette=body, stand_in="bust", brief=replace(BRIEF, master=MasterBrief()))
    skin = 1.25 * (2 * (800 + 600) * 2000 + 800 * 600)
    assert made.skin_area_mm2 == pytest.approx(skin)
    told = next(a for a in made.assumptions if a.what == "skin of the stand-in")
    ratio = skin / 2000**2
    assert told.value == f"{ratio:g} ({0.9 * ratio:g} to {1.15 * ratio:g})"
    assert told.source == "measured on the maquette"
    reason = "no" if why == "not to be parted" else "it is no closed solid"
    assert made.basis == f"the skin of a maquette at 2000 mm and a bust for the rest, since {reason}"


def test_progress_reaches_the_stages(monkeypatch: pytest.MonkeyPatch) -> None:
    seen: list[str] = []
    stages_that_say(monkeypatch, Interval(1e6, 1e6, 1e6, ()), [])
    progress = Progress(lambda stage, fraction, note: seen.append(note))
    estimate_rubber(2000.0, 5, maquette=box(40, 30, 100), progress=progress)
    assert seen
