"""The wall of more than two pieces: a dome in sectors, whose joints are planes through its upright axis."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from mouldloft.outputs.sheets.section import joint_areas, section_built
from mouldloft.stages.jacket.fasteners import fitted_between
from mouldloft.stages.wall import Wall, build_wall, joint_reach_mm, lay_on_sheets, surface
from mouldloft.stages.wall.rulings import Rulings, flat_parts
from shapely.geometry import Polygon
from test_many_pieces import CATALOGUE, RADIUS, Cut, cut, dome, fanned

COUNT, REACH = 3, 60.0  # of the flanges: rubber's and jacket's


@pytest.fixture(scope="module", params=(0.0, 35.0), ids=("level", "lifted"))
def walled(request) -> tuple[Cut, Wall]:
    made = cut(dome(), fanned(COUNT, request.param))
    wall = build_wall(made.master, made.seam, REACH + 20.0, reach_mm=joint_reach_mm(REACH, 20.0))
    return made, lay_on_sheets(wall, CATALOGUE)


def joint_ways() -> np.ndarray:
    """(3, 3) level unit ways out, one in the plane of each joint."""
    turn = 0.3 + np.pi / COUNT + 2 * np.pi * np.arange(COUNT) / COUNT
    return np.stack([np.cos(turn), np.sin(turn), 0.0 * turn], 1)


def off_own_plane(points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """(k,) distance of points from the plane of the joint they lie along most, and how far out along it they are."""
    way = max(joint_ways(), key=lambda j: float((points @ j).sum()))
    return np.abs(points @ np.cross(way, (0.0, 0.0, 1.0))), points @ way


def test_every_joint_has_its_wall_in_its_own_plane_from_pole_to_foot(walled):
    """Skin edge on the dome, rim as far out as the wall is wide or fairly drawn in, all of it on the joint's plane."""
    _, wall = walled
    assert {s.line for s in wall.stations} == set(range(COUNT))
    for number in range(COUNT):
        own = [s for s in wall.stations if s.line == number]
        outer = np.array([s.outer_mm for s in own])
        off, out = off_own_plane(outer)
        # at the pole three walls meet, each cut where the next begins
        assert off[out > 20.0].max() < 2.0
        away = np.linalg.norm(outer, axis=1)
        assert (away > RADIUS + 0.8 * wall.width_mm).all()
        assert (away < RADIUS + wall.width_mm + 1.0).all()
        feet = np.array([s.on_seam_mm for s in own])
        assert np.abs(np.linalg.norm(feet, axis=1) - RADIUS).max() < 1.0
        heights = sorted(feet[:, 2])
        assert heights[0] < 1.0
        assert heights[-1] > 0.99 * RADIUS


def test_flat_joints_are_boards_in_their_own_planes(walled):
    """Each board lies in the plane of its joint, 4 mm off the dome, and laid flat it is as large as it is there; they
    take nearly all of the three quarter rings, and no rib stands under them."""
    _, wall = walled
    boards = [p for p in wall.pieces if p.kind == "board"]
    assert {p.line for p in boards} == set(range(COUNT))
    assert [p.name for p in boards] == [f"W{k}" for k in range(1, len(boards) + 1)]
    assert not any(p.kind == "strip" for p in wall.pieces)
    assert wall.kind == "boards and clay"  # clay where a board would be too short, and where the wall lies on the board
    for board in boards:
        assert off_own_plane(board.inner_mm)[0].max() < 0.5
        assert off_own_plane(board.outer_mm)[0].max() < 0.5
        assert np.linalg.norm(board.inner_mm, axis=1) == pytest.approx(RADIUS + wall.gap_mm, abs=0.3)
        assert board.stretch < 1e-6
    assert wall.off_sheet_mm < 0.5
    assert wall.strip_share > 0.9
    ring = np.pi / 4 * ((RADIUS + wall.width_mm) ** 2 - (RADIUS + wall.gap_mm) ** 2)
    for number in range(COUNT):
        cut_out = sum(Polygon(p.outline_mm).area for p in boards if p.line == number)
        assert 0.75 * ring < cut_out < ring


def test_boards_are_bought_as_plywood_and_marked_with_their_stations(walled):
    _, wall = walled
    ply = next(lot for lot in wall.sheets if lot.code == "plywood-9")
    assert {k for k, p in enumerate(wall.pieces) if p.kind == "board"} <= set(ply.pieces)
    by_number = {s.number: s for s in wall.stations}
    for board in (p for p in wall.pieces if p.kind == "board"):
        assert len(board.marks) >= 2
        assert {by_number[m.number].line for m in board.marks} == {board.line}
        for mark in board.marks:  # as far from skin edge to rim on the template as at the station
            there = by_number[mark.number]
            wide = np.linalg.norm(np.subtract(there.outer_mm, there.inner_mm))
            assert np.linalg.norm(np.subtract(mark.outer_mm, mark.inner_mm)) == pytest.approx(wide, abs=0.5)


def test_the_wall_is_a_quarter_ring_for_every_joint(walled):
    """Drawn in to a fair edge it has no more than the ring, and at least the flanges' part of it."""
    _, wall = walled
    ring = COUNT * np.pi / 4 * ((RADIUS + wall.width_mm) ** 2 - RADIUS**2)
    assert 0.8 * ring < wall.area_mm2 < ring
    assert wall.clay_mm2 < 0.1 * wall.area_mm2
    assert wall.off_clay_mm < 1.0  # clay drawn straight from rib to rib keeps to a plane
    assert wall.flattest_deg > 60.0


def bent_run(bend: np.ndarray) -> Rulings:
    """A stretch of wall 80 mm wide that stands upright over a plan line with those heights every 8 mm."""
    along = 8.0 * np.arange(len(bend))
    foot = np.column_stack([along, 0 * along, bend])
    return Rulings(foot, foot + (0.0, -80.0, 0.0), along, 0, False, 5)


def test_flat_stretches_of_a_strip_become_boards_and_the_rest_stays_a_strip():
    """400 mm flat, then 400 mm of a bend of 500 mm radius: the board ends within a few rulings of where it begins."""
    along = 8.0 * np.arange(101)
    bend = np.where(along > 400.0, 500.0 - np.sqrt(np.maximum(500.0**2 - (along - 400.0) ** 2, 0.0)), 0.0)
    flat, bent = flat_parts(bent_run(bend))
    assert (flat.flat, bent.flat) == (True, False)
    assert flat.first == 5
    assert bent.first == flat.first + len(flat.along_mm) - 1
    assert len(flat.along_mm) + len(bent.along_mm) == 102
    assert 400.0 <= flat.along_mm[-1] < 480.0
    assert np.ptp(np.gradient(flat.on_seam_mm[:, 2])) < 1e-9
    assert np.abs(flat.on_seam_mm[:, 2] - bend[: len(flat.along_mm)]).max() <= 1.001
    assert bent.on_seam_mm[:, 2] == pytest.approx(bend[len(flat.along_mm) - 1 :])


@pytest.mark.parametrize(("count", "radius", "kinds"), [
    (26, 1e9, ["board"]), (26, 300.0, []), (14, 1e9, []), (40, 300.0, ["strip"]), (40, 1e9, ["board"]),
])  # fmt: skip
def test_what_a_short_stretch_is_built_of(count: int, radius: float, kinds: list[str]):
    """200 mm is a board if flat, else clay; 104 mm is clay; 312 mm bent is a strip."""
    along = 8.0 * np.arange(count)
    parts = flat_parts(bent_run(radius - np.sqrt(radius**2 - (along / 1.2) ** 2) if radius < 1e6 else 0.1 * along))
    assert ["board" if part.flat else "strip" for part in parts] == kinds


def test_where_no_board_or_sheet_goes_ribs_stand_at_their_stations_on_every_joint(walled, monkeypatch):
    monkeypatch.setattr(surface, "BOARD_SHORTEST_MM", np.inf)
    made, with_boards = walled
    seam = replace(made.seam)  # what is kept for the other is not for this one
    wall = build_wall(made.master, seam, REACH + 20.0, reach_mm=joint_reach_mm(REACH, 20.0))
    assert [s.number for s in wall.stations] == list(range(1, len(wall.stations) + 1))
    ribs = [p for p in wall.pieces if p.kind == "rib"]
    assert [p.name for p in ribs] == [f"R{k}" for k in range(1, len(ribs) + 1)]
    assert {p.line for p in ribs} == set(range(COUNT))
    by_number = {s.number: s for s in wall.stations}
    assert all(by_number[p.marks[0].number].line == p.line for p in ribs)
    assert all(one.number < other.number for one, other in pairwise(wall.stations))
    assert (wall.kind, wall.strip_share, wall.off_sheet_mm) == ("clay on ribs", 0.0, 0.0)
    assert wall.area_mm2 == wall.clay_mm2 == pytest.approx(with_boards.area_mm2, rel=1e-3)


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
