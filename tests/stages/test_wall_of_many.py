"""The wall of more than two pieces: a dome in sectors, whose joints are planes through its upright axis."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from mouldloft.inputs.brief import Brief
from mouldloft.outputs.sheets.section import joint_areas, section_built
from mouldloft.stages.jacket.fasteners import fitted_between
from mouldloft.stages.pipeline import plan_wall
from mouldloft.stages.rubber.glove import brush_rubber
from mouldloft.stages.wall import Wall
from test_many_pieces import BARE, CATALOGUE, RADIUS, Cut, cut, dome, fanned

COUNT = 3


@pytest.fixture(scope="module", params=(0.0, 35.0), ids=("level", "lifted"))
def walled(request) -> tuple[Cut, Wall]:
    made = cut(dome(), fanned(COUNT, request.param))
    rubber = brush_rubber(made.master, made.seam, replace(Brief(), rubber=replace(BARE, pixel_mm=3.0)))
    wall = plan_wall(made.master, made.seam, rubber, CATALOGUE)
    assert wall is not None
    return made, wall


def joint_way(angle: float) -> np.ndarray:
    return np.array([np.cos(angle), np.sin(angle), 0.0])


def test_every_joint_has_its_wall_in_its_own_plane_from_pole_to_foot(walled):
    """Skin edge on the dome, rim as far out as the wall is wide or fairly drawn in, all of it on the joint's plane."""
    _, wall = walled
    joints = [joint_way(0.3 + np.pi / COUNT + 2 * np.pi * k / COUNT) for k in range(COUNT)]
    assert {s.line for s in wall.stations} == set(range(COUNT))
    for number in range(COUNT):
        own = [s for s in wall.stations if s.line == number]
        outer = np.array([s.outer_mm for s in own])
        way = max(joints, key=lambda j: float((outer @ j).sum()))
        off = outer - np.outer(outer @ way, way) - np.outer(outer[:, 2], [0.0, 0.0, 1.0])
        # at the pole three walls meet, each cut where the next begins
        assert np.abs(off[outer @ way > 20.0]).max() < 2.0
        away = np.linalg.norm(outer, axis=1)
        assert (away > RADIUS + 0.8 * wall.width_mm).all()
        assert (away < RADIUS + wall.width_mm + 1.0).all()
        feet = np.array([s.on_seam_mm for s in own])
        assert np.abs(np.linalg.norm(feet, axis=1) - RADIUS).max() < 1.0
        heights = sorted(feet[:, 2])
        assert heights[0] < 1.0
        assert heights[-1] > 0.99 * RADIUS


def test_the_wall_is_a_quarter_ring_for_every_joint(walled):
    """Drawn in to a fair edge it has no more than the ring, and at least the flanges' part of it."""
    _, wall = walled
    ring = COUNT * np.pi / 4 * ((RADIUS + wall.width_mm) ** 2 - RADIUS**2)
    assert 0.8 * ring < wall.area_mm2 < ring
    assert wall.area_mm2 == wall.clay_mm2
    assert wall.kind == "clay on ribs"
    assert wall.off_clay_mm < 1.0  # clay drawn straight from rib to rib keeps to a plane
    assert wall.flattest_deg > 60.0


def test_ribs_are_numbered_on_and_stand_at_their_stations(walled):
    _, wall = walled
    assert [s.number for s in wall.stations] == list(range(1, len(wall.stations) + 1))
    ribs = [p for p in wall.pieces if p.kind == "rib"]
    assert [p.name for p in ribs] == [f"R{k}" for k in range(1, len(ribs) + 1)]
    by_number = {s.number: s for s in wall.stations}
    assert all(by_number[p.marks[0].number].line == p.line for p in ribs)
    assert all(one.number < other.number for one, other in pairwise(wall.stations))
    assert all({p.line for p in ribs} == set(range(COUNT)) for _ in ribs)


def test_between_every_two_pieces_that_meet_two_bolts_are_fitted():
    """Of three pieces with bolts in rows between each two: the ends of each row, listed to a tenth by both."""
    row = np.linspace(0.0, 300.0, 4)
    joints = {
        pair: np.column_stack([row, np.full(4, 500.0 * k), 0 * row]) for k, pair in enumerate([(0, 1), (0, 2), (1, 2)])
    }
    pieces = [np.concatenate([at + 0.1 * k for pair, at in joints.items() if k in pair]) for k in range(3)]
    found = np.array(fitted_between(pieces, 2))
    assert len(found) == 6
    for k in range(3):
        own = found[np.abs(found[:, 1] - 500.0 * k) < 1.0]
        assert sorted(np.rint(own[:, 0])) == [0.0, 300.0]


def test_the_section_of_several_is_drawn_without_a_bead(small_plan):
    """Of two the lower rubber's ridge stands up into the upper one's groove; of more it ends on the wall."""
    one, other = small_plan.jacket.pieces
    several = replace(small_plan, jacket=replace(small_plan.jacket, pieces=(one, other, one)))
    high = []
    for plan in (small_plan, several):
        section = section_built(plan)
        assert section is not None
        below = [shape.bounds[3] for shape, _ in joint_areas(plan, section)
                 if shape.bounds[0] == 0.0 and shape.bounds[1] < -20.0]  # fmt: skip
        assert len(below) == 1
        high += below
    assert high == pytest.approx([small_plan.rubber.built_to.bead_height_mm, 0.0])
