"""Domes between the rubbers of several pieces: on planes, where what they hold and how they move off is known."""

from __future__ import annotations

from types import SimpleNamespace

import manifold3d
import numpy as np
import pytest
from mouldloft.geometry.depthmap import Grid
from mouldloft.geometry.frame import pull_frame
from mouldloft.inputs.brief import JointBrief, RubberBrief
from mouldloft.solids.domes import dome_solids
from mouldloft.stages.rubber import Registration
from mouldloft.stages.rubber.domes import (
    Domes,
    _marks,
    _spaced,
    behind_at_mm,
    behind_radius_mm,
    dome_height_at_mm,
    dome_that_clears_mm,
    flanges_with,
)
from mouldloft.stages.rubber.flanges import Flanges
from mouldloft.trade.section import choose_section
from scipy.integrate import quad
from scipy.spatial import cKDTree

SECTION = choose_section(2000.0, 10.0, RubberBrief(), JointBrief())
AXIS = np.array([0.2, -0.5, 0.84]) / np.linalg.norm([0.2, -0.5, 0.84])
PIXEL = 0.5


def leaning(deg: float) -> np.ndarray:
    """A pull so far off the axis."""
    side = np.cross(AXIS, [0.0, 1.0, 0.0])
    side /= np.linalg.norm(side)
    return np.cos(np.radians(deg)) * AXIS + np.sin(np.radians(deg)) * side


@pytest.mark.parametrize("lean_deg", [0.0, 12.0, 19.0, 25.0, 30.0, 33.0, 40.0])
def test_no_side_of_a_dome_is_nearer_to_a_pull_than_twenty_degrees(lean_deg):
    """Its surface's steepest place against the pull, by finite differences of its own profile; a millimetre higher it
    is nearer, if that is no higher than the section asks."""
    (high,) = dome_that_clears_mm(np.array([lean_deg]), SECTION)
    away = np.linspace(0.0, 10.0, 4001)

    def least_deg(height: float) -> float:
        slope = np.abs(np.gradient(dome_height_at_mm(away, 20.0, height), away)).max()
        return 90.0 - lean_deg - float(np.degrees(np.arctan(slope)))

    if high == 0.0:
        assert lean_deg == 40.0
        assert least_deg(4.0) < 20.0
        return
    assert least_deg(high) >= 20.0 - 1e-6
    assert high == 8.0 or least_deg(high + 1.0) < 20.0
    assert high >= 4.0


@pytest.mark.parametrize("size_mm", [300.0, 700.0, 2000.0])
@pytest.mark.parametrize("skin_mm", [5.0, 8.0, 14.0])
def test_rubber_behind_a_hollow_is_nowhere_thinner_than_its_flange(size_mm, skin_mm):
    section = choose_section(size_mm, skin_mm, RubberBrief(), JointBrief())
    away = np.linspace(-40.0, 40.0, 8001)
    for high in (section.dome_height_mm, section.dome_height_mm / 2.0):
        hollow = np.column_stack([away, dome_height_at_mm(away, section.dome_diameter_mm, high)])
        outside = np.column_stack([away, section.rubber_flange_thickness_mm + behind_at_mm(away, section, high)])
        least = cKDTree(hollow).query(outside)[0].min()
        assert least >= section.rubber_flange_thickness_mm - 1e-3


def test_domes_along_a_run_are_a_hundred_to_a_hundred_and_fifty_apart():
    for length in np.linspace(100.0, 2000.0, 77):
        at = _marks(float(length), False, SECTION.dome_pitch_mm)
        assert len(at) >= 2
        assert (np.diff(at) > 99.9).all()
        assert (np.diff(at) < 150.1).all()
        assert at[0] + at[-1] == pytest.approx(length)
        assert at[0] < 75.0
    assert list(_marks(60.0, False, SECTION.dome_pitch_mm)) == [30.0]
    turn = np.linspace(0.0, 2.0 * np.pi, 360, endpoint=False)
    ring = 100.0 * np.column_stack([np.cos(turn), np.sin(turn), 0.0 * turn])
    kept = ring[_spaced(ring, np.ones(360, bool), True, SECTION)]
    assert len(kept) == 5  # 628 mm round
    half = ring[:, 0] > 0.0  # begins in the middle of the only run
    kept = ring[_spaced(ring, half, True, SECTION)]
    assert len(kept) == 3  # 314 mm
    assert kept[:, 1].min() < -95.0
    assert kept[:, 1].max() > 95.0


@pytest.mark.parametrize("lean_deg", [0.0, 25.0])
def test_maps_hold_what_a_dome_and_the_rise_behind_its_hollow_do(lean_deg):
    """Volumes of bodies of revolution (Pappus), by columns along a pull that leans; to the other piece it is a dome."""
    (high,) = dome_that_clears_mm(np.array([lean_deg]), SECTION)
    frame = pull_frame(leaning(lean_deg))
    normal = frame.to_frame(AXIS[None])[0]
    grid = Grid(-60.0, -60.0, PIXEL, 241, 241)
    x, y = np.meshgrid(grid.x(), grid.y())
    low = -(normal[0] * x + normal[1] * y) / normal[2]
    none, nothing = np.zeros(low.shape), np.zeros((0, 3))
    plain = Flanges(none > -1, none > 0, low, none, none, none + 10.0, nothing, nothing, (), nothing)
    dome = Domes(np.zeros((1, 3)), AXIS[None], np.array([high]), np.array([[0, 1]]))
    with_hollow = flanges_with(plain, SimpleNamespace(frame=frame, grid=grid, low=low), 0, dome, SECTION)
    held = 2.0 * np.pi * quad(lambda r: r * float(dome_height_at_mm(r, 20.0, high)), 0.0, 10.0)[0]
    wide = behind_radius_mm(SECTION)
    risen = 2.0 * np.pi * quad(lambda r: r * float(behind_at_mm(r, SECTION, high)), 0.0, wide)[0]
    assert held == pytest.approx(0.3 * np.pi * 10.0**2 * high)
    assert with_hollow.bead_mm.sum() * PIXEL**2 == pytest.approx(held, rel=0.005)
    assert with_hollow.behind_mm.sum() * PIXEL**2 == pytest.approx(risen, rel=0.005)
    floor = frame.to_master(np.stack([x, y, low + with_hollow.bead_mm], axis=2).reshape(-1, 3))
    up = floor @ AXIS
    away = np.linalg.norm(floor - up[:, None] * AXIS, axis=1)
    assert np.abs(up - dome_height_at_mm(away, 20.0, high)).max() < 1e-5
    back = pull_frame(-leaning(lean_deg))
    other = SimpleNamespace(frame=back, grid=grid, low=-(normal[0] * x + normal[1] * y) / normal[2])
    with_dome = flanges_with(plain, other, 1, dome, SECTION)
    assert with_dome.bead_mm.sum() * PIXEL**2 == pytest.approx(-held, rel=0.005)
    assert with_dome.behind_mm.max() == 0.0
    assert flanges_with(plain, other, 2, dome, SECTION).bead_mm.max() == 0.0


def test_a_dome_comes_out_of_its_hollow_along_every_pull_it_clears():
    """The earlier rubber a slab with the hollow cut; the later one's dome is drawn out along its pull."""
    (high,) = dome_that_clears_mm(np.array([25.0]), SECTION)
    held = Registration(
        (), np.zeros((1, 3)), 1.0, np.zeros((0, 3)), np.zeros((0, 3)), None, AXIS[None], np.array([high]),
        np.array([[0, 1]]),
    )  # fmt: skip
    rubber = SimpleNamespace(registration=held, built_to=SECTION)
    ((hollow,), none), (nothing, (dome,)) = (dome_solids(rubber, k, 0.2) for k in (0, 1))
    assert (none, nothing) == ((), ())
    slab = manifold3d.Manifold.cube((80.0, 80.0, 20.0), True).translate((0.0, 0.0, 10.0))
    slab = slab.transform(np.column_stack([pull_frame(AXIS).axes.T, np.zeros(3)]))
    rubber_1 = slab - hollow
    assert (dome ^ slab).volume() == pytest.approx(0.3 * np.pi * 100.0 * high, rel=0.01)
    assert (hollow ^ slab).volume() > (dome ^ slab).volume() + 0.2 * np.pi * 90.0
    for lean_deg in (0.0, 10.0, 25.0):
        for step in (0.0, 0.05, 0.2, 0.5, 1.0, 2.0, 4.0, 8.0, 16.0):
            assert (dome.translate(tuple(-step * leaning(lean_deg))) ^ rubber_1).volume() < 1e-6
    # a test that sees: along a pull that leans past its side it does not come
    assert (dome.translate(tuple(-2.0 * leaning(75.0))) ^ rubber_1).volume() > 10.0
