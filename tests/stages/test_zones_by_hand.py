"""Zones, masses, patches and ribs of a shell of a few cells, every figure reckoned by hand."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from mouldloft.stages.jacket.record import Patch, Rib
from mouldloft.stages.jacket.stiffness import _cover, _draw_ribs, _least_glass
from mouldloft.stages.jacket.zones import Outside, Ribbed, Schedule, glove_columns, lay, rib_cover_mm2, rib_words
from mouldloft.trade.laminate import laminate_of
from mouldloft.trade.panels import Panels
from scipy.spatial import cKDTree
from synthetic_gloves import envelope_of

FIELD, EDGE, PATCH = (laminate_of(mats, 0.30) for mats in ((300, 450), (300, 450, 450), (300, 450, 900)))
KG_M2 = 1.0 / 0.30 / 1000.0  # laminate per g of glass, at 30 % glass by mass (suppliers' hand lay-up guides)


def cells(centres, zones, area=1e4):
    """An outside of flat cells, a hundredth of a square metre each."""
    count = len(centres)
    up = np.tile([0.0, 0.0, 1.0], (count, 1))
    none = Panels(np.zeros((0, 3)), np.zeros(0), np.zeros((0, 2)), np.zeros((0, 3)))
    envelope = SimpleNamespace(name="left piece", piece=0, past_rubber=np.zeros(1, bool))
    return Outside(
        envelope, 2.0, 2e6, area * count, 0.03, 0.04, np.full(count, float(area)),
        np.array(centres, float), up, np.array(zones), 1e4, none, np.array(centres, float),
    )  # fmt: skip


ROW = [(100.0 * k, 0.0, 0.0) for k in range(5)]  # field, field, edge, flange, flange
ZONES = (0, 0, 1, 2, 2)


def test_zones_weigh_their_cells():
    shell = lay(cells(ROW, ZONES), Schedule(FIELD, EDGE))
    areas = {zone.name: zone.area_mm2 for zone in shell.zones}
    assert areas == {"field": 2e4, "handling edge": 1e4, "flange": 2e4}
    field, edge = 750 * KG_M2 * 0.01, 1200 * KG_M2 * 0.01
    assert shell.mass_kg == pytest.approx(2 * field + 3 * edge)
    assert shell.cell_kg == pytest.approx([field, field, edge, edge, edge])
    middle = (field * 100 + edge * (200 + 300 + 400)) / shell.mass_kg
    assert shell.centre_mm == pytest.approx([middle, 0, 0])
    # 3 % of area and 4 % of resin, apart from one another: Pythagoras
    assert shell.interval.low == pytest.approx(shell.mass_kg * 0.95)
    assert shell.interval.high == pytest.approx(shell.mass_kg * 1.05)
    assert shell.interval.likely == shell.mass_kg
    assert shell.interval.causes == (("column image resolution", 0.03), ("resin taken up by hand", 0.04))
    flange = next(z for z in shell.zones if z.name == "flange")
    assert flange.glass_kg == pytest.approx(0.02 * 1.2)
    assert flange.resin_kg == pytest.approx(0.02 * 1.2 * 7 / 3)
    # an ounce a square foot is 305.15 g/m², by the definition of the units
    assert (flange.mat_g_m2, flange.mat_oz_ft2) == (1200, pytest.approx(1200 / 305.15, rel=1e-4))
    assert (flange.layers, flange.thickness_mm) == (EDGE.layers, EDGE.thickness_mm)
    assert (shell.area_mm2, shell.unjoined_mm2, shell.rubber_kg) == (5e4, 1e4, 2.0)
    assert shell.envelope.name == "left piece"
    assert shell.schedule.field is FIELD


@pytest.mark.parametrize(("edge", "patched"), [(EDGE, 2), (laminate_of((900, 900), 0.30), 1), (PATCH, 1)])
def test_a_patch_lies_where_it_is_heavier_and_never_on_the_flange(edge, patched):
    made = Schedule(FIELD, edge, PATCH, (Patch((250.0, 0.0, 0.0), 160.0),))  # over all but the first cell
    areas = {zone.name: zone.area_mm2 for zone in lay(cells(ROW, ZONES), made).zones}
    assert areas["patch"] == patched * 1e4
    assert areas["flange"] == 2e4
    assert sum(areas.values()) == 5e4
    assert made.heaviest is PATCH
    assert Schedule(FIELD, edge).heaviest is FIELD


def test_ribs_weigh_by_their_cover_and_core():
    rib = Rib((0.0, 0.0, 0.0), (0.0, 300.0, 400.0), 60.0, 40.0, EDGE.layers, core_kg=0.7)  # 500 mm long
    assert rib_cover_mm2(rib) == 500 * 40 + 2 * 60 * 500 + 2 * 60 * 40 + (600 * 140 - 500 * 40)
    bare, ribbed = (lay(cells(ROW, ZONES), Schedule(FIELD, EDGE, ribs=ribs)) for ribs in ((), (rib,)))
    glassed = rib_cover_mm2(rib) * 1e-6 * 1200 * KG_M2
    assert ribbed.mass_kg - bare.mass_kg == pytest.approx(glassed + 0.7)
    moment = ribbed.centre_mm * ribbed.mass_kg - bare.centre_mm * bare.mass_kg
    assert moment == pytest.approx((glassed + 0.7) * np.array([0, 150, 200]))
    assert ribbed.zones[-1].name == "ribs"
    assert ribbed.zones[-1].area_mm2 == rib_cover_mm2(rib)
    assert rib_words((rib, replace(rib, core_height_mm=20.0))) == (
        "2 ribs on cores 40 mm wide and 20 and 60 mm high, glassed over"
    )


def test_columns_of_a_glove_by_hand():
    # 20 mm over its filled body, flange 12 thick on the parting, pulled to the left
    envelope = envelope_of(
        lambda x, y: np.where(np.hypot(x, y) < 40, 100.0, np.nan), 40, pull=(1, 0, 0), skin_mm=20.0, pixel_mm=4.0
    )
    middles, thick = glove_columns(envelope)
    assert len(middles) == np.isfinite(envelope.outer_mm).sum()
    body = thick > 15
    assert thick[body] == pytest.approx(20.0)
    assert middles[body, 0] == pytest.approx(90.0), "along the pull"
    assert thick[~body] == pytest.approx(12.0)
    assert middles[~body, 0] == pytest.approx(6.0)
    assert np.abs(middles[:, 1:]).max() == pytest.approx(98.0, abs=4.0)


# --- patches and ribs


def panels(*rows):
    """(centre x, radius) of panels along x."""
    return Panels(
        np.array([(x, 0.0, 0.0) for x, _ in rows]), np.array([r for _, r in rows], float), np.zeros((len(rows), 2)),
        np.tile([1.0, 0.0, 0.0], (len(rows), 1)),
    )  # fmt: skip


def test_rounds_cover_panels_with_a_lap_and_none_lies_in_another():
    found = _cover(panels((0.0, 100.0), (90.0, 50.0), (500.0, 60.0), (40.0, 110.0)))
    # the largest first: 160 about 40; the 100 about 0 reaches to 150 left of 0, out of it; the 50 lies inside
    assert [(p.centre_mm[0], p.radius_mm) for p in found] == [(40.0, 160.0), (0.0, 150.0), (500.0, 110.0)]
    assert len(_cover(panels((0.0, 100.0), (0.0, 100.0)))) == 1
    assert len(_cover(panels((0.0, 100.0), (0.5, 100.0)))) == 2, "half a millimetre stands out"


def test_the_way_that_takes_least_glass():
    # ten samples of the field a metre apart; two plies more are needed
    row = [(1000.0 * k, 0.0, 0.0) for k in range(10)]
    outside, ply = cells(row, [0] * 10), laminate_of((450,), 0.30)
    start = Schedule(FIELD, EDGE)

    def laid(*weak):
        made = _least_glass(outside, start, ply, [panels(*rows) for rows in weak], len(weak) - 1)
        return len(made.field.layers) - 2, len(made.patch.layers) - len(made.field.layers) if made.patch else 0

    one, four, all_ = [(0.0, 100.0)], [(1000.0 * k, 100.0) for k in range(4)], [(1000.0 * k, 100.0) for k in range(10)]
    # glass by share of the field: both plies on one in ten 0.2, or one on all and one on a tenth 1.1
    assert laid(one, one, []) == (0, 2)
    # all weak under none, one under one: patches everywhere are no patches; one ply on all and one on a tenth
    assert laid(all_, one, []) == (1, 1)
    assert laid(all_, all_, []) == (2, 0)
    assert laid(four, one, []) == (0, 2), "0.8 against 1.1"
    # three plies: all on half of the field 1.5, or one on all and two on a fifth 1.4; half is still a patch
    assert laid(four + [(4000.0, 100.0)], four[:2], four[:2], []) == (1, 2)
    assert laid(four + [(4000.0, 100.0)], four + [(4000.0, 100.0)], []) == (0, 2)
    patched = _least_glass(outside, start, ply, [panels(*one), panels(*one), panels()], 2)
    assert patched.patches == _cover(panels(*one))
    assert patched.patch.weights_g_m2 == (300, 450, 450, 450)
    made = _least_glass(outside, start, ply, [panels(*all_), panels(*all_), panels()], 2)
    assert (made.patch, made.patches) == (None, ())
    assert made.field.glass_g_m2 == 750 + 900
    # common practice, no source: the flange is half as heavy again as the field, by the plies that takes
    assert made.edge.glass_g_m2 - 450 < 1.5 * 1650 <= made.edge.glass_g_m2


def plate(flange_from=np.inf):
    """Cells 10 mm apart, level, flange from some x on."""
    x, y = np.meshgrid(np.arange(-400.0, 401.0, 10.0), np.arange(-400.0, 401.0, 10.0))
    centres = np.column_stack([x.ravel(), y.ravel(), np.full(x.size, 7.0)])
    return cells(centres, np.where(centres[:, 0] >= flange_from, 2, 0), 100.0)


def ribs_on(outside, pitch):
    ribbed = Ribbed(Patch((0.0, 0.0, 7.0), 200.0), pitch, 30.0)
    surface = cKDTree(outside.cell_centre_mm)
    return _draw_ribs(outside, ribbed, np.array([1.0, 0.0, 0.0]), Schedule(FIELD, EDGE, core_kg_mm3=1e-6), surface)


def test_ribs_are_chords_of_their_round():
    (alone,) = ribs_on(plate(), 200.0)
    assert (alone.start_mm, alone.end_mm) == ((-200.0, 0.0, 7.0), (200.0, 0.0, 7.0))
    assert (alone.core_height_mm, alone.core_width_mm, alone.layers) == (30.0, 40.0, EDGE.layers)
    assert alone.core_kg == pytest.approx(400 * 40 * 30 * 1e-6)
    three = ribs_on(plate(), 100.0)
    assert [rib.start_mm[1] for rib in three] == [-100.0, 0.0, 100.0]
    # a chord 100 off the middle of a round of 200: sqrt(200² - 100²) = 173 to each side
    assert [abs(rib.end_mm[0]) for rib in three] == pytest.approx([173.2, 200.0, 173.2], abs=5.0)


def test_ribs_end_a_lap_off_the_flange():
    (rib,) = ribs_on(plate(flange_from=150.0), 200.0)
    assert rib.start_mm[0] == -200.0
    assert rib.end_mm[0] == pytest.approx(150 - 10 - 50, abs=10.0)
    turned = replace(plate(), cell_zone=np.where(plate().cell_centre_mm[:, 0] <= -150, 2, 0))
    (rib,) = ribs_on(turned, 200.0)
    assert rib.start_mm[0] == pytest.approx(-90.0, abs=10.0)
    assert rib.end_mm[0] == 200.0
    assert ribs_on(plate(flange_from=-np.inf), 200.0) == [], "no body, no rib"
    low = replace(plate(), cell_zone=np.where(plate().cell_centre_mm[:, 1] < -50, 2, 0))
    assert [rib.start_mm[1] for rib in ribs_on(low, 100.0)] == [0.0, 100.0], "the others stay"
