"""One number a bolt on paper, templates and page; the wall and the seams to choose from beside the stage."""

from __future__ import annotations

import re
from types import SimpleNamespace

import numpy as np
from mouldloft.base.figures import litres
from mouldloft.outputs.bolts import all_bolts, bolt_names
from mouldloft.outputs.page.candidates import candidates_list
from mouldloft.outputs.page.jointsection import joint_svg
from mouldloft.outputs.page.turns import bolt_marks
from mouldloft.outputs.page.wall import wall_marks, wall_mesh
from mouldloft.outputs.templates.wall import wall_templates
from mouldloft.outputs.words import fill_mm3


def jacket(*pieces):
    return SimpleNamespace(pieces=[SimpleNamespace(bolts_mm=through, foot_bolts_mm=foot) for through, foot in pieces])


def test_a_bolt_that_pieces_share_has_one_number() -> None:
    made = jacket(
        ([(0, 0, 0), (100, 0, 0)], [(0, 50, 0)]),
        ([(100, 0, 2), (200, 0, 0)], []),
        ([(200, 1, 0), (0, 0, 0), (300, 0, 0)], [(300, 0, 1), (0, 99, 0)]),
    )
    assert bolt_names(made) == ((("1", "2"), ("D1",)), (("2", "3"), ()), (("3", "1", "4"), ("4", "D2")))
    assert [name for name, _ in all_bolts(made)] == ["1", "2", "3", "4"]
    assert [[mark["name"] for mark in bolt_marks(made, at)] for at in range(3)] == [
        ["1", "2"],
        ["2", "3"],
        ["3", "1", "4"],
    ]


def test_templates_of_the_wall_have_the_numbers_of_their_bolts(small_plan) -> None:
    numbers = {f"bolt {name}" for name, _ in all_bolts(small_plan.jacket)}
    flat = [t for t, piece in zip(wall_templates(small_plan, small_plan.wall), small_plan.wall.pieces, strict=True)
            if piece.kind != "rib"]  # fmt: skip
    for template in flat:
        rings = sum(len(line.points_mm) > 8 and np.ptp(line.points_mm[:, 0]) < 10.5 for line in template.lines)
        said = [text for text in template.texts if text.text in numbers]
        assert len(said) == len({text.text for text in said})
        assert rings >= len(said)
    assert any(text.text in numbers for template in flat for text in template.texts)


def test_the_page_shows_the_wall_from_the_skin_to_its_rim(small_plan) -> None:
    wall = small_plan.wall
    points, faces = wall_mesh(small_plan, wall)
    assert faces.max() == len(points) - 1
    for station in wall.stations:
        for edge in (station.inner_mm, station.outer_mm):
            # between places 12 mm apart, at a station within 6 of one
            assert np.linalg.norm(points - edge, axis=1).min() < 9.0
    assert {mark["name"] for mark in wall_marks(wall)} == {piece.name for piece in wall.pieces}


def test_the_planned_seams_fill_is_its_gloves_own(small_plan) -> None:
    said = candidates_list(small_plan)
    planned, *others = re.split('<label class="seam">', said)[1:]
    assert f"{litres(fill_mm3(small_plan))} of undercut fill" in planned
    assert others
    assert all("about" in other for other in others)


def test_the_joint_is_drawn_on_the_page(small_plan) -> None:
    drawn = joint_svg(small_plan)
    for piece in small_plan.jacket.pieces:
        assert piece.name in drawn
    assert small_plan.jacket.bolt.name in drawn
    assert drawn.count("url(#") == 4
