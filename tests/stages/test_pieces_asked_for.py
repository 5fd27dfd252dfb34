"""More than two pieces asked for, or taken as proposed, from a mesh to paper."""

from __future__ import annotations

from dataclasses import replace

import meshes
import numpy as np
import pytest
import trimesh
from mouldloft.base.errors import BriefRefused
from mouldloft.cli import _asked
from mouldloft.inputs.brief import Brief, brief_from_dict
from mouldloft.inputs.catalogue import read_catalogue
from mouldloft.outputs.planfile import open_plan
from mouldloft.outputs.results import write_results
from mouldloft.outputs.summary import summary_text
from mouldloft.stages.division.naming import name_by_pull
from mouldloft.stages.pipeline import plan
from mouldloft.trade.seamterms import terms_for
from seam_bodies import as_master
from test_planfile import same


def test_three_pieces_asked_for_are_planned_through_to_paper(monkeypatch, tmp_path):
    from mouldloft.stages.division.propose import propose_division

    monkeypatch.setitem(propose_division.__kwdefaults__, "cells", 40)
    mesh = trimesh.Trimesh(*meshes.three_arms(), process=False)
    mesh.apply_translation([0, 0, -mesh.bounds[0, 2]])
    brief = brief_from_dict(
        {"seam": {"pieces": 3}, "opening": {"directions": 64, "refine": 1, "seams": 2}, "rubber": {"pixel_mm": 3.0}}
    )
    made = plan(as_master(mesh), brief)
    assert len(made.seam.pieces) == len(made.rubber.envelopes) == len(made.jacket.pieces) == 3
    assert made.seam.taking_off == tuple(step.piece for step in made.division.order)
    assert "3 pieces, as asked" in made.division.why
    text = summary_text(made)
    assert "Left out" not in text
    assert "set pieces" not in text
    names = [w.path.name for w in write_results(made, tmp_path, pictures=False)]
    assert "order.csv" in names
    assert (tmp_path / "templates" / "wall.svg").exists()
    assert {s.line for s in made.wall.stations} <= set(range(len(made.seam.lines)))
    same(made, open_plan(tmp_path))


def test_as_proposed_more_pieces_are_taken_only_where_the_table_recommends_them(monkeypatch):
    from mouldloft.stages import pipeline
    from mouldloft.stages.division.propose import propose_division

    monkeypatch.setitem(propose_division.__kwdefaults__, "cells", 40)
    mesh = trimesh.Trimesh(*meshes.three_arms(), process=False)
    mesh.apply_translation([0, 0, -mesh.bounds[0, 2]])
    brief = brief_from_dict(
        {"seam": {"pieces": 3}, "opening": {"directions": 32, "refine": 0, "seams": 1}, "rubber": {"pixel_mm": 4.0}}
    )
    catalogue = read_catalogue(None)
    survey = pipeline.survey_open_master(as_master(mesh), brief, catalogue)
    proposed = pipeline.propose_division(
        survey.master, brief, survey.opening, survey.seam, survey.locks, scene=survey.scene, show=survey.show,
        terms=terms_for(survey.master.height_mm, brief, catalogue),
    )  # fmt: skip
    monkeypatch.setattr(pipeline, "propose_division", lambda *_, **__: proposed)
    monkeypatch.setattr(pipeline, "takes_division", lambda *_: True)
    as_proposed = replace(brief, seam=replace(brief.seam, pieces="as proposed"))
    for kind, pieces in (("gloves", 3), ("loose", 2)):
        weighed = []
        monkeypatch.setattr(
            pipeline, "recommended_kind", lambda found, *_, into=weighed, said=kind: into.extend(found) or said
        )
        seam, locks, division = pipeline.divide(survey, as_proposed, catalogue)
        assert {"two", "gloves"} <= {one.kind for one in weighed}
        assert tuple(weighed) == division.measured
        assert len(seam.pieces) == pieces
        assert (locks is survey.locks) == (kind == "loose")


def test_pieces_are_asked_for_in_the_brief_and_on_the_command_line():
    assert Brief().seam.pieces == 2
    assert brief_from_dict({"seam": {"pieces": 3}}).seam.pieces == 3
    assert brief_from_dict({"seam": {"pieces": "as proposed"}}).seam.pieces == "as proposed"
    for wrong in (1, 9, "many"):
        with pytest.raises(BriefRefused, match="pieces"):
            brief_from_dict({"seam": {"pieces": wrong}})
    assert _asked(None, None, None, "4").seam.pieces == 4
    assert _asked(None, None, None, "as proposed").seam.pieces == "as proposed"
    with pytest.raises(BriefRefused, match="2 to 8"):
        _asked(None, None, None, "9")


def test_names_tell_pieces_to_one_side_apart():
    front, left = (0.0, -1.0, 0.0), (1.0, 0.0, 0.0)
    assert name_by_pull(np.array([front, left]), np.zeros((2, 3))) == ("front piece", "left piece")
    heights = np.array([[0, 0, 900.0], [0, 0, 300.0]])
    assert name_by_pull(np.array([front, front]), heights) == ("upper front piece", "lower front piece")
    three = np.array([[0, 0, 900.0], [0, 0, 300.0], [0, 0, 600.0]])
    assert name_by_pull(np.array([front] * 3), three) == ("front piece 3", "front piece 1", "front piece 2")
