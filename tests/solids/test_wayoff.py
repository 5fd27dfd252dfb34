"""A jacket laid over what stands in its way off: plates, ramps and boxes whose tops are known."""

from __future__ import annotations

from types import SimpleNamespace

import manifold3d
import numpy as np
import pytest
from mouldloft.geometry.depthmap import Grid
from mouldloft.geometry.footprint import plain_cut
from mouldloft.geometry.frame import pull_frame
from mouldloft.solids.build import _column_solid, _Lattice, _Outside
from mouldloft.solids.wayoff import CLEAR_MM, JacketNodes, jacket_over

PITCH, WIDE, GLASS = 3.0, 60, 6.0
UP = pull_frame(np.array([0.0, 0.0, 1.0]))


def nodes_of(rubber: np.ndarray | None = None, rubber_mm: float = 10.0) -> JacketNodes:
    """A flat jacket over a parting surface at 0, 180 mm square, over rubber of one thickness where there is any."""
    x = PITCH * (np.arange(WIDE) - WIDE / 2)
    flat = np.zeros((WIDE, WIDE))
    rubber = np.zeros((WIDE, WIDE), bool) if rubber is None else rubber
    inside = np.where(rubber, rubber_mm, 0.0)
    share = np.zeros((WIDE, WIDE))
    share[2:-2, 2:-2] = 1.0
    envelope = SimpleNamespace(frame=UP, name="test piece")
    lattice = _Lattice(envelope, False, PITCH, (0, 0), x, x, share, share, flat, flat, inside)
    master = SimpleNamespace(vertices_mm=np.array([[0.0, 0.0, 200.0]]))

    def columns(low, top, over):
        from dataclasses import replace

        plain = _Outside(plain_cut(top.shape), top, np.zeros(0))
        return _column_solid(replace(lattice, low_mm=low), over, plain, master)

    return JacketNodes(
        UP, Grid(float(x[0]), float(x[0]), PITCH, WIDE, WIDE), flat, inside, GLASS, rubber, share > 0, columns,
        lambda low, least: columns(low, np.maximum(inside + GLASS, least), share),
    )  # fmt: skip


def box(size, at) -> manifold3d.Manifold:
    return manifold3d.Manifold.cube(size, True).translate(at)


def way_off(made: manifold3d.Manifold, others) -> float:
    """Most that a jacket meets on its way up."""
    steps = np.concatenate([[0.0], np.geomspace(0.05, 200.0, 25)])
    return max((made.translate((0, 0, float(s))) ^ other).volume() for s in steps for other in others)


def test_nothing_in_the_way_nothing_changed():
    nodes = nodes_of()
    made = jacket_over(nodes, manifold3d.Manifold(), [box((40, 40, 40), (0, 0, -60))], [])
    plain = nodes.over(nodes.low_mm, np.full(nodes.low_mm.shape, -np.inf))
    assert made.volume() == pytest.approx(plain.volume(), rel=1e-9)


@pytest.mark.parametrize("turn", [0.0, 17.0])
def test_a_jacket_is_laid_over_a_box_and_comes_off_it(turn):
    """Its walls stand along the pull, at any angle to the lattice, and no facet cuts their edges; over it the jacket is
    as thick as it is laid, and no more of it is lost than a margin of two pitches round the box."""
    nodes = nodes_of()
    inside = box((50, 40, 30), (3.3, -4.1, 0.0)).rotate((0.0, 0.0, turn))  # 15 mm of it over the parting surface
    made = jacket_over(nodes, manifold3d.Manifold(), [inside], [])
    assert way_off(made, [inside]) < 1e-3
    plain = nodes.over(nodes.low_mm, np.full(nodes.low_mm.shape, -np.inf)).volume()
    cut = plain - (made.trim_by_plane((0, 0, -1), -GLASS)).volume()
    assert 50 * 40 * GLASS < cut < (50 + 4 * PITCH) * (40 + 4 * PITCH) * GLASS
    over = made ^ box((20, 10, 100), (0, 0, 15 + CLEAR_MM + 50))
    assert over.volume() == pytest.approx(20 * 10 * GLASS, rel=0.05)


def test_a_jacket_ends_where_something_stands_far_over_it():
    nodes = nodes_of()
    above = box((50, 40, 30), (0, 0, 150))
    made = jacket_over(nodes, manifold3d.Manifold(), [above], [])
    assert way_off(made, [above]) < 1e-3
    assert (made ^ box((50, 40, 400), (0, 0, 0))).volume() < 1e-3


def test_glass_lies_on_glass_that_was_laid_before():
    """A ramp of 30 degrees through the parting surface, from 4 mm under it: the gap is no more than what it is held
    clear, and the jacket comes off."""
    nodes = nodes_of()
    ramp = box((400, 60, 400), (0, 0, -200)).rotate((0.0, 2.0, 0.0)).translate((0, 0, -0.5))
    made = jacket_over(nodes, manifold3d.Manifold(), [], [ramp])
    assert way_off(made, [ramp]) < 1e-3
    for x in (-60.0, 0.0, 60.0):
        rod = box((1, 1, 100), (x, 5.0, 0.0))
        gap = (made ^ rod).bounding_box()[2] - (ramp ^ rod).bounding_box()[5]
        assert 0.0 < gap < 0.25, x


def test_what_its_own_glove_covers_is_in_nobodys_way():
    rubber = np.zeros((WIDE, WIDE), bool)
    rubber[20:40, 20:40] = True
    nodes = nodes_of(rubber)
    glove = nodes.columns(nodes.low_mm, np.where(rubber, 10.0, 0.0) + 1e-3, rubber.astype(float))
    hidden = box((20, 20, 8), (0, 0, 0))
    made = jacket_over(nodes, glove, [hidden], [])
    plain = jacket_over(nodes, glove, [], [])
    assert made.volume() == pytest.approx(plain.volume(), rel=1e-9)
