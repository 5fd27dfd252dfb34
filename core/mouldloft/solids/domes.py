"""Domes between the rubbers of several pieces, and their hollows, as closed solids turned round their axes."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from ..geometry.frame import pull_frame
from ..stages.rubber.domes import dome_height_at_mm
from ..stages.rubber.record import Rubber
from ..trade.section import JointSection

_ROOT = 0.3  # of the flange's thickness: how far a dome reaches into its own rubber, past what lattices differ by
_STEPS, _SIDES = 24, 48


def without_domes(rubber: Rubber) -> Rubber:
    """The rubber with its parting surfaces as they are beside domes and hollows; the rise behind stays."""
    plain = tuple(
        e if e.bead_mm is None else replace(e, parting_mm=e.parting_mm - e.bead_mm, bead_mm=None)
        for e in rubber.envelopes
    )
    return replace(rubber, envelopes=plain)


def dome_solids(rubber: Rubber, at: int, film_mm: float) -> tuple[tuple[Any, ...], tuple[Any, ...]]:
    """Hollows and domes of piece `at` as manifolds in plan coordinates; a hollow is a release film wider than its
    dome."""
    held = rubber.registration
    if held is None or held.dome_axes is None or held.dome_heights_mm is None or held.dome_between is None:
        return (), ()
    hollows, domes = [], []
    for place, axis, high, (first, later) in zip(
        held.domes_mm, held.dome_axes, held.dome_heights_mm, held.dome_between, strict=True
    ):
        if first == at:
            hollows.append(_turned(place, axis, float(high), rubber.built_to, film_mm))
        if later == at:
            domes.append(_turned(place, axis, float(high), rubber.built_to, 0.0))
    return tuple(hollows), tuple(domes)


def hollow_points(rubber: Rubber, at: int, film_mm: float) -> tuple[np.ndarray, float]:
    """(k, 3) points over the hollows of piece `at`, plan coordinates, and how thick rubber lies over them."""
    held, section = rubber.registration, rubber.built_to
    points = [np.zeros((0, 3))]
    if held is not None and held.dome_axes is not None and held.dome_heights_mm is not None:
        assert held.dome_between is not None
        away, turn = np.meshgrid(
            np.linspace(0.0, section.dome_diameter_mm / 2.0, _STEPS // 2), 2.0 * np.pi * np.arange(_SIDES) / _SIDES
        )
        for k in np.flatnonzero(held.dome_between[:, 0] == at):
            high = dome_height_at_mm(away, section.dome_diameter_mm, float(held.dome_heights_mm[k])) + film_mm
            own = np.column_stack([(away * np.cos(turn)).ravel(), (away * np.sin(turn)).ravel(), high.ravel()])
            points.append(pull_frame(held.dome_axes[k]).to_master(own) + held.domes_mm[k])
    return np.concatenate(points), section.rubber_flange_thickness_mm


def _turned(place_mm: np.ndarray, axis: np.ndarray, height_mm: float, section: JointSection, wider_mm: float) -> Any:
    """A dome's profile, so much wider square to it, turned round its axis at a place."""
    import manifold3d

    half = section.dome_diameter_mm / 2.0
    away = np.linspace(half, 0.0, _STEPS + 1)
    high = dome_height_at_mm(away, section.dome_diameter_mm, height_mm)
    slope = -np.gradient(high, away)  # how steeply it falls outwards
    across = wider_mm / np.hypot(1.0, slope)
    foot = -_ROOT * section.rubber_flange_thickness_mm
    side = np.column_stack([away + across * slope, high + across])
    side[-1, 0] = 0.0
    ring = np.concatenate([[[0.0, foot], [half + wider_mm, foot], [half + wider_mm, 0.0]], side])
    area = manifold3d.CrossSection([ring], manifold3d.FillRule.Positive)
    turn = pull_frame(axis).axes.T
    return area.revolve(_SIDES).transform(np.column_stack([turn, place_mm]))
