"""A scan planned again: what is carried over, what changes in order and templates, and that commands refuse in one
sentence. Planning itself has its own tests; here it gives back what it is asked for."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
import trimesh
from asbuilt_scans import scanned, vertex_normals
from mouldloft.asbuilt import rescan
from mouldloft.asbuilt.changes import order_changes, outline_off_mm, report_lines, template_fates
from mouldloft.base.errors import BriefRefused, MasterRefused
from mouldloft.inputs.brief import KeysBrief, SeamBrief
from mouldloft.outputs.clay import clay_colours, clay_lines, scale_end_mm
from mouldloft.outputs.look import off_colours
from mouldloft.stages.clay import ClayDifference
from mouldloft.stages.seam.ownline import read_level


@pytest.fixture(scope="module")
def carved(small, tmp_path_factory):
    """A scan of the stand-in figure, 9 mm proud at the chest, in another pose, in metres, without its underside."""
    vertices, faces = np.asarray(small.master.vertices_mm), np.asarray(small.master.faces)
    chest = vertices[np.argmin(vertices[:, 1] + 1e3 * (np.abs(vertices[:, 2] - 200) > 15))]
    away = np.linalg.norm(vertices - chest, axis=1)
    out = vertex_normals(vertices, faces)
    made = vertices + out * (9 * np.exp(-((away / 40) ** 2)) * (away < 80))[:, None]
    drop = vertices[faces][:, :, 2].mean(axis=1) < 12
    scan, left, _ = scanned(made, faces, 3, 0.001, drop, 0.3)
    path = tmp_path_factory.mktemp("scan") / "clay.ply"
    trimesh.Trimesh(scan, left, process=False).export(path)
    return path, chest


@pytest.fixture(scope="module")
def again(small, carved, tmp_path_factory):
    folder = tmp_path_factory.mktemp("carried")
    found = {}

    def planned(master, brief, catalogue, progress, before=None):
        found.update(master=master, brief=brief)
        locks = SimpleNamespace(depth_mm=np.zeros(len(master.faces)))
        return replace_plan(small, master=master, brief=brief, locks=locks, catalogue=catalogue)

    patch = pytest.MonkeyPatch()
    patch.setattr(rescan, "plan_master", planned)
    patch.setattr(rescan, "replace", lambda record, **parts: (
        replace_plan(record, **parts) if isinstance(record, SimpleNamespace) else replace(record, **parts)
    ))  # fmt: skip
    made = rescan.plan_from_scan(small, carved[0], folder)
    patch.undo()
    return made, found, folder


def replace_plan(plan, **parts):
    return SimpleNamespace(**{**vars(plan), **parts})


def test_the_carved_place_shows_and_nothing_else(again, carved):
    clay = again[0].plan.clay
    (patch,) = clay.patches
    assert np.linalg.norm(np.array(patch.middle_mm) - carved[1]) < 25
    assert patch.most_mm == pytest.approx(9, abs=2)
    assert clay.height_mm[0] == pytest.approx(clay.height_mm[1], abs=1.5)
    words = " ".join(clay_lines(clay))
    assert "1 place more than" in words
    assert "in m" in words  # the unit was found by size


def test_the_seam_is_carried_to_the_clay(small, again):
    """Its level is nought along the planned seam, and its sides are the planned pieces."""
    _, found, folder = again
    brief, master = found["brief"], found["master"]
    assert brief.opening.direction == pytest.approx(small.opening.chosen.direction)
    if brief.seam.own_line is None:
        assert brief.seam.kind == "plane"
        pull = np.asarray(small.seam.pieces[0].pull)
        offset = small.seam.plane_offset_mm + float(pull @ np.asarray(master.shift_mm))
        assert brief.seam.plane_offset_mm == pytest.approx(offset)
        return
    level = read_level(folder / rescan.SEAM_FILE, len(master.vertices_mm))
    assert (level > 0).any()
    assert (level < 0).any()


def test_a_free_seam_is_carried_as_a_level(small, again, tmp_path):
    _, found, _ = again
    master = found["master"]
    seam = replace(small.seam, kind="free")
    brief, _ = rescan._carried(replace_plan(small, seam=seam), master, tmp_path, True)
    level = read_level(brief.seam.own_line, len(master.vertices_mm))
    line = np.vstack([each.points_mm for each in small.seam.lines]) + np.asarray(master.shift_mm)
    near = np.linalg.norm(master.vertices_mm[:, None] - line[None, ::4], axis=2).argmin(axis=0)
    assert np.abs(level[near]).max() < 8.0  # within an edge of the mesh of it
    assert Path(brief.seam.own_line).parent == tmp_path


def test_own_keys_and_clear_places_are_carried(small, again, tmp_path):
    _, found, _ = again
    master = found["master"]
    keys = replace(small.keys, keys=tuple(replace(key, own=k == 0) for k, key in enumerate(small.keys.keys)))
    np.save(tmp_path / "clear.npy", (small.master.vertices_mm[:, 2] > 400).astype(float))
    asked = replace(small.brief, seam=replace(small.brief.seam, keep_clear=str(tmp_path / "clear.npy")))
    brief, _ = rescan._carried(replace_plan(small, keys=keys, brief=asked), master, tmp_path, True)
    ((_, x, y, z),) = brief.keys.own_keys
    assert (x, y, z) == pytest.approx(np.array(keys.keys[0].foot_mm) + master.shift_mm)
    weights = np.load(brief.seam.keep_clear)
    assert len(weights) == len(master.vertices_mm)
    assert weights[master.vertices_mm[:, 2] > 410].min() == 1.0
    anew, _ = rescan._carried(small, master, tmp_path, False)
    assert anew.seam.own_line is None
    assert anew.opening.direction == small.brief.opening.direction


def test_many_pieces_stay_as_many(small, again, tmp_path):
    seam = replace(small.seam, kind="joints", pieces=(*small.seam.pieces, small.seam.pieces[0]))
    brief, told = rescan._carried(replace_plan(small, seam=seam), again[1]["master"], tmp_path, True)
    assert brief.seam.pieces == 3
    assert any("3 pieces" in words for words in told)


def test_a_carried_seam_that_does_not_fit_gets_one_sentence(tmp_path):
    for name, values in (("short", np.ones(3)), ("one-sided", np.ones(5)), ("nan", np.full(5, np.nan))):
        np.save(tmp_path / f"{name}.npy", values)
        with pytest.raises(BriefRefused, match="cannot be read"):
            read_level(tmp_path / f"{name}.npy", 5)
    assert SeamBrief().own_line is None
    assert KeysBrief().own_keys == ()


def test_another_file_is_refused(small, tmp_path):
    trimesh.creation.box((900, 50, 20)).export(tmp_path / "plank.stl")
    with pytest.raises(MasterRefused) as refused:
        rescan.plan_from_scan(small, tmp_path / "plank.stl", tmp_path)
    assert "\n" not in str(refused.value)


def test_only_lines_whose_packs_change_are_told(small):
    lines = small.takeoff.lines
    more = replace(lines[0], buy=lines[0].buy + 5.0, cost=lines[0].cost + 110.0)
    after = replace_plan(small, takeoff=replace(small.takeoff, lines=(more, *lines[1:-1])))
    changes = order_changes(small, after)
    assert {change.code for change in changes} == {lines[0].code, lines[-1].code}
    assert {round(change.cost, 2) for change in changes} == {110.0, round(-lines[-1].cost, 2)}
    assert "As planned" in " ".join(report_lines(small, small))


def test_outlines_are_compared_wherever_they_lie():
    """A board turned and shifted is the same board; one 6 mm longer is 3 mm off at each end."""
    board = np.array([[0, 0], [400, 0], [400, 90], [250, 140], [0, 90]], float)
    turn = np.array([[np.cos(0.05), -np.sin(0.05)], [np.sin(0.05), np.cos(0.05)]])
    assert outline_off_mm(board, board @ turn.T + [30, -20]) < 0.6
    longer = board * [1.015, 1.0]
    assert outline_off_mm(board, longer) == pytest.approx(3.0, abs=1.2)


def test_colours_say_proud_and_shy_apart_and_nothing_within_the_threshold():
    off = np.array([0.0, 1.9, -1.9, 10.0, -10.0])
    clay = ClayDifference(off, 2.0, 0.5, (), (1400.0, 1400.0), (0.0, 0.0), 0.0)
    shown = clay_colours(clay, off)
    assert np.allclose(shown[:3], shown[0])
    assert shown[3][0] > shown[3][2]  # proud: warm
    assert shown[4][2] > shown[4][0]  # shy: cold
    assert scale_end_mm(clay) >= 10
    grey = off_colours(np.linspace(-1, 1, 9)) @ [0.2126, 0.7152, 0.0722]
    assert (np.diff(grey[:5]) > 0).all()
    assert (np.diff(grey[4:]) < 0).all()


def test_a_board_that_only_changed_its_number_is_kept(small):
    def piece(name, kind, size):
        return SimpleNamespace(name=name, kind=kind, outline_mm=np.array([[0, 0], [size, 0], [size, 90], [0, 60.0]]))

    old = [piece("W1", "board", 500), piece("R1", "rib", 120), piece("R2", "rib", 160), piece("R3", "rib", 300)]
    new = [piece("W1", "board", 503), piece("R1", "rib", 121), piece("R2", "rib", 140), piece("R3", "rib", 161)]
    walls = [replace_plan(small, wall=SimpleNamespace(pieces=pieces)) for pieces in (old, new)]
    fates = {each.name: each for each in template_fates(*walls)}
    assert fates["wall W1"].fate == "keep"  # 1.5 mm at each end: a board keeps 2
    assert fates["wall R1"].fate == "keep"
    assert fates["wall R2"].fate == "cut again"
    assert (fates["wall R3"].fate, fates["wall R3"].serves) == ("renumber", "wall R2")
    assert "wall R2 as R3" in " ".join(report_lines(*walls))
