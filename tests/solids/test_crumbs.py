"""Loose parts fall away from a solid, and what stays is what it was, to the bit."""

from __future__ import annotations

from types import SimpleNamespace

import manifold3d as m3
import numpy as np
import pytest
from mouldloft.geometry.manifold import arrays_of, as_manifold
from mouldloft.solids.halves import _ways_to_halve
from mouldloft.solids.solid import solid_of


def _ball(radius_mm: float, at: tuple[float, float, float]) -> m3.Manifold:
    return m3.Manifold.sphere(radius_mm, 64).translate(at)


def test_a_crumb_falls_and_the_rest_is_as_made_anew():
    large = _ball(40.0, (3.0, -2.0, 1.0)) - _ball(30.0, (30.0, 0.0, 10.0))
    made = solid_of("ball", "glove", large + _ball(1.0, (90.0, 0.0, 0.0)), crumb_share=1e-3, thinned=False)
    alone = solid_of("ball", "glove", as_manifold(*arrays_of(large)), thinned=False)
    assert np.array_equal(made.vertices_mm, alone.vertices_mm)
    assert np.array_equal(made.faces, alone.faces)
    assert made.volume_mm3 == alone.volume_mm3


def test_two_large_parts_both_stay():
    pair = _ball(20.0, (0.0, 0.0, 0.0)) + _ball(15.0, (60.0, 0.0, 0.0))
    made = solid_of("pair", "glove", pair + _ball(0.5, (0.0, 60.0, 0.0)), crumb_share=1e-3, thinned=False)
    assert len(as_manifold(made.vertices_mm, made.faces).decompose()) == 2
    assert made.volume_mm3 == pair.volume()


@pytest.mark.parametrize(("out_mm", "strays"), [(1.0, True), (0.0, False)])
def test_what_is_cut_in_two_is_what_each_boolean_alone_gives(monkeypatch, out_mm, strays):
    """A ball whose first half stands out of it or not, and a block over its middle."""
    whole, block = _ball(50.0, (0.0, 0.0, 0.0)), m3.Manifold.cube((120.0, 120.0, 70.0)).translate((-60.0, -60.0, 0.3))
    halves = [(whole ^ block).translate((0.0, 0.0, out_mm)), whole - block]
    as_cut = [SimpleNamespace(vertices_mm=v, faces=f) for v, f in map(arrays_of, halves)]
    monkeypatch.setattr("mouldloft.solids.halves.cut_along_seam", lambda *_: as_cut)
    monkeypatch.setattr("mouldloft.solids.halves.above_parting", lambda *_: arrays_of(block))
    master = SimpleNamespace(size_mm=(100.0, 100.0, 100.0))
    first, *others = _ways_to_halve(master, SimpleNamespace(kind="free"), whole, ["one", "other"])
    half, over = as_manifold(*arrays_of(halves[0])), as_manifold(*arrays_of(block))
    _same(first, (half ^ whole, whole - half) if strays else map(as_manifold, *zip(*map(arrays_of, halves))))
    assert len(others) == 3
    for way in others:
        _same(way, (whole ^ over, whole - over))


def _same(made, asked) -> None:
    for one, other in zip(made, asked, strict=True):
        assert all(map(np.array_equal, arrays_of(one), arrays_of(other)))
