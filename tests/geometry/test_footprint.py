"""Footprints of a lattice: areas known beforehand, and no crack or pinch whatever the cells."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from mouldloft.geometry.footprint import plain_cut, quartered, sheet_of


@pytest.mark.parametrize("turn_deg", [0.0, 17.0, 45.0])
def test_footprint_of_a_square_keeps_its_area(turn_deg):
    """A square turned on the lattice, blocks' coverage known by 8 x 8 points: no side is out by a 20th of a block."""
    side, c, s = 41.0, np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    fine = (np.arange(80 * 8) + 0.5) / 8 - 40.0
    x, y = np.meshgrid(fine, fine)
    inside = (np.abs(c * x + s * y) < side / 2) & (np.abs(c * y - s * x) < side / 2)
    share = inside.reshape(80, 8, 80, 8).mean(axis=(1, 3))
    sheet = sheet_of(share, mirrored=False)
    gx, gy = np.meshgrid(np.arange(80.0), np.arange(80.0))
    a, b, d = (np.column_stack([sheet.at(gx), sheet.at(gy)])[sheet.faces[:, k]] for k in range(3))
    areas = ((b - a)[:, 0] * (d - a)[:, 1] - (b - a)[:, 1] * (d - a)[:, 0]) / 2
    assert areas.min() > 0
    assert areas.sum() == pytest.approx(side**2, abs=0.05 * 4 * side)


def test_any_speckle_makes_a_footprint_without_pinches():
    """Random coverage has every saddle there is; each point may have only one fan of triangles round it."""
    share = np.pad(np.random.default_rng(7).random((60, 50)), 1)
    sheet = sheet_of(share, mirrored=True)
    edges = np.concatenate([sheet.faces[:, [0, 1]], sheet.faces[:, [1, 2]], sheet.faces[:, [2, 0]]])
    assert len(np.unique(edges, axis=0)) == len(edges)
    sides, count = np.unique(np.sort(edges, axis=1), axis=0, return_counts=True)
    at_rim = np.bincount(sides[count == 1].ravel(), minlength=len(sheet.one))
    assert set(np.unique(at_rim)) == {0, 2}


def test_any_quarters_leave_no_crack():
    """Random cells in quarters, others turned: every side has two faces or lies on the rim, and the area is whole."""
    draw = np.random.default_rng(3)
    cells = np.zeros((39, 29), bool)
    cells[3:-3, 3:-3] = draw.random((33, 23)) < 0.3
    cut = replace(quartered(cells), turned=draw.random(cells.shape) < 0.5)
    share = np.pad(np.ones((38, 28)), 1)
    sheet = sheet_of(share, mirrored=False, cut=cut)
    x, y = np.meshgrid(np.arange(30.0), np.arange(40.0))
    a, b, c = (np.column_stack([sheet.at(x), sheet.at(y)])[sheet.faces[:, k]] for k in range(3))
    areas = ((b - a)[:, 0] * (c - a)[:, 1] - (b - a)[:, 1] * (c - a)[:, 0]) / 2
    assert areas.min() > 0.01
    plain = sheet_of(share, mirrored=False, cut=plain_cut(share.shape))
    assert len(sheet.faces) > len(plain.faces) + 6 * cells.sum()
    assert np.isclose(areas.sum(), (37 + 2 * 0.5) * (27 + 2 * 0.5) - 4 * 0.5 * 0.5**2, atol=0.3)
    edges = np.concatenate([sheet.faces[:, [0, 1]], sheet.faces[:, [1, 2]], sheet.faces[:, [2, 0]]])
    assert len(np.unique(edges, axis=0)) == len(edges)
    assert np.array_equal(np.sort(sheet.rim(), axis=0), np.sort(plain.rim(), axis=0))
    assert sheet.middles == len(cut.one) == len(np.unique(np.stack([cut.one, cut.other]), axis=1).T)
