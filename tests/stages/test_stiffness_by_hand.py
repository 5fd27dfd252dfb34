"""Loads, limits and what is added until a shell holds, on shells of a few cells and panels reckoned by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from mouldloft.inputs.brief import Brief, JacketBrief
from mouldloft.stages.jacket.record import Patch
from mouldloft.stages.jacket.stiffness import (
    RIB_CORES_MM,
    Found,
    Loads,
    _final_look,
    _flange_checks,
    _rib_found,
    _rib_limits,
    _ribs_for,
    check_loads,
    loads_on,
    rib_section,
    stand_closed,
    strengthen,
)
from mouldloft.stages.jacket.zones import Ribbed, Schedule, lay
from mouldloft.trade.laminate import laminate_of
from mouldloft.trade.panels import Panels, buckling_stress_mpa, panels_under_load
from synthetic_gloves import dome, rubber_of
from test_zones_by_hand import EDGE, FIELD, PATCH, ROW, ZONES, cells

G = 9.80665
STRONG = 502 * 0.3**2 + 106.8  # breaking stress at 30 % glass (ISO 12215-5, from memory)
BENDS = 38_000 * 0.3 - 5_000  # modulus (the same)


def flats(*rows):
    """Flat panels: (x, z, radius)."""
    n = len(rows)
    return Panels(
        np.array([(x, 0.0, z) for x, z, _ in rows], float).reshape(-1, 3), np.array([r for *_, r in rows], float),
        np.zeros((n, 2)), np.tile([1.0, 0.0, 0.0], (n, 1)),
    )  # fmt: skip


def loads(panels, leaning_n=200.0, pressure=1e-4, line=0.1, pitch=150.0):
    brief = JacketBrief(leaning_load_n=leaning_n)
    return Loads(brief, pressure, 5e-6, np.full(len(panels), line), 80.0, pitch, 60.0, 60.0)


def outside_with(panels):
    return replace(cells(ROW, ZONES), panels=panels)


def use(panels, laminate, on, width):
    """Greatest share of a limit: span / 100, a third of the breaking stress, a third of the buckling stress."""
    wide = np.minimum(2.0 * panels.radius_mm, width)
    given = panels_under_load(panels, laminate, on.brief.leaning_load_n, on.pressure_mpa, wide)
    buckles = buckling_stress_mpa(replace(panels, radius_mm=wide / 2.0), laminate) / 3.0
    shares = (
        given.deflection_mm / (wide / 100.0), given.stress_mpa / (STRONG / 3.0),
        on.line_n_mm / laminate.thickness_mm / buckles,
    )  # fmt: skip
    return np.max(shares, axis=0)


# --- loads


def test_the_closed_mould_standing():
    # a square tube of four walls a metre long, 540 mm tall, in cells 60 mm tall; a roof of one square metre, and a
    # flange that stands out over it, which weighs and carries nothing
    rows, areas, normals = [], [], []
    for z in np.arange(30.0, 540.0, 60.0):
        for x, y in ((1, 0), (-1, 0), (0, 1), (0, -1)):
            rows.append((500.0 * x, 500.0 * y, z))
            areas.append(60.0 * 1000.0)
            normals.append((x, y, 0.0))
    rows = [*rows, (0.0, 0.0, 540.0), (600.0, 0.0, 700.0)]
    areas, normals = [*areas, 1e6, 5e4], [*normals, (0.0, 0.0, 1.0), (0.0, 1.0, 0.0)]
    total = 9 * 240e3 + 1e6 + 5e4
    tube = replace(
        cells(rows, [*[0] * (len(rows) - 1), 2]),
        cell_area_mm2=np.array(areas), cell_normal=np.array(normals), area_mm2=total,
    )  # fmt: skip
    start = Schedule(FIELD, EDGE)
    made = stand_closed([tube], start, 4e-6)
    # its jacket twice over, 2 kg of rubber and the cast
    assert made.mould_kg == pytest.approx(2 * lay(tube, start).mass_kg + 2.0 + total * 4e-6)
    # the bottom slab carries all of it on four metres of wall, the fifth what lies from 240 mm up
    assert made.level_mm[[0, 4]] == pytest.approx([30.0, 270.0])
    assert made.line_n_mm[0] == pytest.approx(made.mould_kg * G / 4000.0, rel=1e-3)
    above = (5 * 240e3 + 1e6 + 5e4) / total
    assert made.line_n_mm[4] == pytest.approx(made.mould_kg * above * G / 4000.0, rel=1e-3)
    rubber, panels = rubber_of(dome(100.0)), flats((0.0, 270.0, 50.0), (0.0, 300.0, 50.0))
    on = loads_on(replace(tube, panels=panels), made, 140.0, rubber, Brief())
    assert on.line_n_mm[0] == pytest.approx(made.line_n_mm[4])
    assert on.line_n_mm[1] == pytest.approx((made.line_n_mm[4] + made.line_n_mm[5]) / 2.0)
    # the cast's 5 oz of mat as sold, at 30 % glass, and 0.55 mm of gelcoat of 1.25 kg/dm³ (from memory)
    cast = (300 + 600 + 600) / 0.3 / 1000.0 + 0.55 * 1.25
    assert on.cast_kg_mm2 == pytest.approx(cast * 1e-6, rel=0.02)
    assert on.pressure_mpa == pytest.approx((2.0 / total + on.cast_kg_mm2) * G)
    assert (on.mould_kg, on.pitch_mm, on.flange_width_mm) == (made.mould_kg, 140.0, rubber.flange_width_mm)


def test_the_flange_by_elementary_beams():
    # from memory, Timoshenko, Strength of materials: q L⁴/384 E I and q L²/12 between held ends, F w at a ledge's root
    shell = lay(replace(cells(ROW, ZONES), unjoined_mm2=1e4), Schedule(FIELD, EDGE))
    on = loads(flats())
    sag, bent, ledge = _flange_checks(shell, on)
    hangs = (shell.mass_kg + 2.0 + 5e4 * 5e-6) * G
    line, t = 2.0 * hangs / ((2e4 - 1e4) / 60.0), EDGE.thickness_mm  # the board's flange carries nothing
    assert sag.value == pytest.approx(line * 150.0**4 / (384 * BENDS * 60.0 * t**3 / 12))
    assert sag.limit == pytest.approx(1.5)
    assert bent.value == pytest.approx(line * 150.0**2 / 12 / (60.0 * t**2 / 6))
    assert ledge.value == pytest.approx(200.0 * 60.0 / ((120.0 + 100.0) * t**2 / 6))
    assert bent.limit == ledge.limit == pytest.approx(STRONG / 3)
    assert [c.passes for c in (sag, bent, ledge)] == [c.value <= c.limit for c in (sag, bent, ledge)]
    assert _flange_checks(shell, replace(on, pitch_mm=0.0)) == []


# --- what is added


def test_nothing_is_added_to_what_holds():
    panels, ply = flats((0.0, 0.0, 60.0)), laminate_of((450,), 0.30)
    start = Schedule(PATCH, laminate_of((*PATCH.weights_g_m2, 450, 450), 0.30))  # half as heavy again past the rubber
    on = loads(panels, leaning_n=20.0, pressure=1e-6, line=0.0)
    assert use(panels, PATCH, on, np.inf).max() < 1.0
    outside = replace(outside_with(panels), rubber_kg=0.0)
    assert strengthen(outside, start, ply, on) == start


def test_plies_are_added_until_panels_hold_and_no_more():
    panels, ply = flats((0.0, 0.0, 150.0)), laminate_of((450,), 0.30)
    start = Schedule(PATCH, PATCH)  # three mats of 1650 g: as much again is three plies
    on = loads(panels, leaning_n=150.0, pressure=1e-5, line=0.0, pitch=0.0)
    needed = next(
        n for n in range(4) if use(panels, laminate_of((300, 450, 900, *[450] * n), 0.30), on, np.inf)[0] <= 1
    )
    assert needed > 0
    made = strengthen(outside_with(panels), start, ply, on)
    laid = made.patch or made.field
    assert len(laid.layers) == 3 + needed
    assert made.edge.glass_g_m2 >= made.field.glass_g_m2


def test_as_few_ribs_as_do_on_the_lowest_core():
    panels = flats((0.0, 0.0, 250.0))
    outside, made = outside_with(panels), Schedule(PATCH, EDGE)
    on = loads(panels, leaning_n=250.0, pressure=2e-4, line=0.0)
    assert use(panels, PATCH, on, np.inf)[0] > 1.0
    disc = Patch((0.0, 0.0, 0.0), 250.0)
    found = _ribs_for(outside, made, np.array([0]), disc, on)
    strips = {count: 500.0 / (count + 1) for count in range(1, 5)}  # pitches no closer than 100 mm
    count = next(n for n, pitch in strips.items() if use(panels, PATCH, on, pitch - 40.0)[0] <= 1.0)
    assert found.pitch_mm == pytest.approx(strips[count])
    assert found.strip_mm == pytest.approx(strips[count] - 40.0)

    def holds(height):
        # a beam free to turn at its ends (from memory): P L³/48 E I + 5 q L⁴/384 E I, (P L/4 + q L²/8) c / I
        second, far = rib_section(height, EDGE, PATCH)
        line = 2e-4 * found.pitch_mm
        sag = (250.0 * 500.0**3 / 48 + 5 * line * 500.0**4 / 384) / (BENDS * second)
        stress = (250.0 * 500.0 / 4 + line * 500.0**2 / 8) * far / second
        tried = Ribbed(disc, found.pitch_mm, height)
        assert _rib_found(tried, made, on) == pytest.approx((sag, stress))
        assert _rib_limits(tried, made, on) == pytest.approx((5.0, STRONG / 3))
        return sag <= 5.0 and stress <= STRONG / 3

    assert found.core_height_mm == next(h for h in RIB_CORES_MM if holds(h))
    assert found.disc == disc
    heavy = replace(on, pressure_mpa=1.0)
    assert _ribs_for(outside, made, np.array([0]), disc, heavy) is None, "not with ribs 100 mm apart either"


def test_what_is_checked_is_what_is_laid():
    # one panel in a patch, one between ribs, one bare; the patch must hold the whole of its panel
    panels = flats((0.0, 100.0, 100.0), (1000.0, 200.0, 100.0), (2000.0, 300.0, 100.0), (140.0, 400.0, 100.0))
    made = Schedule(
        FIELD, EDGE, PATCH, (Patch((0.0, 0.0, 100.0), 150.0),),
        ribbed=(Ribbed(Patch((1000.0, 0.0, 200.0), 120.0), 110.0, 20.0),),
    )  # fmt: skip
    on = loads(panels)
    found, width = _final_look(outside_with(panels), made, on)
    assert width == pytest.approx([200.0, 70.0, 200.0, 200.0])
    each = [
        use(panels.only(np.array([k])), laminate, replace(on, line_n_mm=on.line_n_mm[:1]), wide)[0]
        for k, (laminate, wide) in enumerate(((PATCH, np.inf), (FIELD, 70.0), (FIELD, np.inf), (FIELD, np.inf)))
    ]
    assert found.use == pytest.approx(each)
    checks = check_loads(outside_with(panels), made, on)
    assert len(checks) == 3 + 1 + 3
    worst = max(each[2], each[3])
    assert max(c.value / c.limit for c in checks[:3]) == pytest.approx(worst)
    assert "200 mm across" in checks[0].what
    assert checks[3].what.endswith("of a 20 mm rib, 240 mm long, 200 mm up")
    # the bare panel gives 5 mm where 200 mm over 100 allow 2; all else holds
    assert [c.passes for c in checks] == [False] + 6 * [True]
    assert (checks[0].value, checks[0].limit) == pytest.approx((5.008, 2.0), abs=1e-3)


def test_ribs_do_not_weaken_what_holds_without_them(monkeypatch):
    """A strip may bend by less the narrower it is: a curved panel that holds whole may not between ribs, which stiffen
    it all the same."""
    panels = flats((0.0, 0.0, 100.0), (50.0, 0.0, 100.0))
    made = Schedule(FIELD, EDGE, ribbed=(Ribbed(Patch((0.0, 0.0, 0.0), 120.0), 110.0, 20.0),))

    def look(some, line, laminate, loads, wide):
        whole = np.where(some.centre_mm[:, 0] > 0, 0.9, 1.3) if wide == np.inf else np.full(len(some), 1.0)
        between = np.where(some.centre_mm[:, 0] > 0, 1.1, 0.7)
        return Found(np.tile(whole if wide == np.inf else between, (3, 1)), np.ones((3, len(some))))

    monkeypatch.setattr("mouldloft.stages.jacket.stiffness._look", look)
    found, width = _final_look(outside_with(panels), made, loads(panels))
    assert found.use == pytest.approx([0.7, 0.9])
    assert width == pytest.approx([70.0, 200.0])
