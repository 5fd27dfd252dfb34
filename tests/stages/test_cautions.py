"""Cautions follow from what the plan uses, weighs and stands on, and each defers to somebody."""

from __future__ import annotations

import re
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from mouldloft.inputs.brief import Brief, CastBrief, FinishBrief, MaterialsBrief
from mouldloft.inputs.catalogue import read_catalogue
from mouldloft.stages import cautions
from mouldloft.stages.cast import lay_up_cast
from mouldloft.stages.cradle import Cradle
from mouldloft.stages.handling import plan_lifts
from mouldloft.stages.programme import set_programme
from mouldloft.stages.takeoff import take_off
from mouldloft.trade.handling import lift_of
from trade_bodies import box, jacket_of, keys_of, locks_of, rubber_of, seam_of

pytestmark = pytest.mark.usefixtures("hollow_once")


def cautions_for(plan):
    """The cautions of a stand-in plan."""
    return cautions.cautions_for(
        plan.master, plan.jacket, plan.lifts, plan.cast, plan.programme, plan.takeoff, plan.brief, plan.catalogue
    )


def plan_of(brief: Brief | None = None, height_mm: float = 1000.0, load_kg: float = 10.0):
    brief, catalogue = brief or Brief(), read_catalogue(None)
    master, locks, rubber, keys = box(400, 300, height_mm), locks_of(), rubber_of(), keys_of()
    seam = seam_of(np.array([[0.0, 0, 0], [0, 0, height_mm], [0, 300, height_mm], [0, 300, 0]]))
    base = jacket_of()
    lift = replace(base.pieces[0].lift, load_kg=load_kg, lifters_needed=3)
    jacket = replace(base, pieces=tuple(replace(piece, lift=lift) for piece in base.pieces))
    cast = lay_up_cast(master, seam, locks, brief, catalogue)
    cradle = Cradle((), ())
    programme = set_programme(seam, locks, rubber, keys, jacket, cradle, cast, brief, catalogue)
    takeoff = take_off(master, locks, rubber, keys, jacket, cradle, cast, brief, catalogue, programme=programme)
    return SimpleNamespace(
        brief=brief, catalogue=catalogue, master=master, rubber=rubber, jacket=jacket, cast=cast, takeoff=takeoff,
        programme=programme, lifts=plan_lifts(jacket, cast, brief.jacket),
    )  # fmt: skip


def hazards(plan) -> list[str]:
    return [caution.hazard for caution in cautions_for(plan)]


def test_the_usual_materials_bring_their_cautions() -> None:
    said = cautions_for(plan_of())
    found = {caution.hazard for caution in said}
    assert {"styrene vapour", "peroxide catalyst", "silicone catalyst", "glass dust", "heat of curing"} <= found
    assert "isocyanates" in found  # the two-pack lacquer
    one_pack = cautions_for(plan_of(Brief(finish=FinishBrief(lacquer="one-pack"))))
    assert "isocyanates" not in {c.hazard for c in one_pack}
    peroxide = next(c for c in said if c.hazard == "peroxide catalyst")
    assert "never let it meet an accelerator directly" in peroxide.sentence


def test_polyurethane_brings_isocyanates_and_no_tin() -> None:
    found = hazards(plan_of(Brief(materials=MaterialsBrief(rubber="polyurethane-brush"))))
    assert "isocyanates" in found
    assert "silicone catalyst" not in found


def test_every_caution_defers_and_none_certifies() -> None:
    for caution in cautions_for(plan_of(height_mm=2500.0, load_kg=40.0)):
        assert any(word in caution.defers_to for word in ("data sheet", "local", "licensed"))
        assert str(caution).startswith(caution.sentence)
        assert str(caution).endswith(f"What decides: {caution.defers_to}.")
        for word in ("certified", "guaranteed", "safe to"):
            assert word not in str(caution)


@pytest.mark.parametrize(("load", "said"), [(10.0, False), (29.0, True)])
def test_a_heavy_piece_is_said_with_its_hands(load: float, said: bool) -> None:
    found = [c for c in cautions_for(plan_of(load_kg=load)) if c.hazard == "lifting the mould"]
    assert bool(found) is said
    if said:
        assert "29 kg" in found[0].sentence
        assert "3 people" in found[0].sentence


def test_a_mould_lowered_on_a_rope_says_what_bears_it() -> None:
    plan = plan_of()
    assert "lowering the mould on a rope" not in hazards(plan)
    plan.lifts = (lift_of("laid down", "", 75.0, 80.0, plan.brief.jacket, share=0.4),)
    said = {caution.hazard: caution.sentence for caution in cautions_for(plan)}
    assert "rail or post" in said["lowering the mould on a rope"]
    assert "about 30 kg at its rim, on a rope" in said["lifting the mould"]


def test_height_tipping_and_wind() -> None:
    assert "working at height" not in hazards(plan_of(height_mm=1000.0))
    assert "working at height" in hazards(plan_of(height_mm=2500.0))
    still = Brief(cast=CastBrief(push_n=0.0, basic_wind_m_s=0.0))
    assert not {"tipping over", "wind"} & set(hazards(plan_of(still)))
    breezy = Brief(cast=CastBrief(push_n=5.0, basic_wind_m_s=5.0))  # it stands by itself
    assert not {"tipping over", "wind"} & set(hazards(plan_of(breezy)))
    stormy = Brief(cast=CastBrief(push_n=0.0, basic_wind_m_s=40.0))
    assert "wind" in hazards(plan_of(stormy))
    pushed = cautions_for(plan_of(Brief(cast=CastBrief(push_n=700.0, basic_wind_m_s=0.0))))
    (tipping,) = (c for c in pushed if c.hazard == "tipping over")
    assert re.search(r"over its \w+ edge: fix it to the ground before it is left alone", tipping.sentence)
    assert "ballast" not in tipping.sentence, "no person carries in what 700 N asks for"
    assert "local codes" in tipping.defers_to
    gently = plan_of(Brief(cast=CastBrief(push_n=50.0, basic_wind_m_s=0.0)))
    (tipping,) = (c for c in cautions_for(gently) if c.hazard == "tipping over")
    assert f"put at least {gently.cast.ballast_kg:.0f} kg of ballast low in its foot" in tipping.sentence


def test_a_thick_laminate_is_laid_in_goes() -> None:
    thin = next(c for c in cautions_for(plan_of()) if c.hazard == "heat of curing")
    thick_plan = plan_of(Brief(cast=CastBrief(mat_oz=10.0)))
    thick = next(c for c in cautions_for(thick_plan) if c.hazard == "heat of curing")
    assert "two goes" not in thin.sentence
    assert "two goes" in thick.sentence
