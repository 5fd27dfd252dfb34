"""The command line on real files: demo, own meshes, and each bad input's sentence, exit code and lack of litter."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import time

import numpy as np
import pytest
import trimesh
from mouldloft import cli
from mouldloft.base.errors import BriefRefused
from mouldloft.base.progress import SILENT
from mouldloft.inputs.brief import read_brief
from mouldloft.outputs.closedmeshes import write_closed_meshes
from mouldloft.outputs.planfile import open_plan
from stumbles import STUMBLES


def run(capsys, *words) -> tuple[int, str, str]:
    """Exit code, standard output and standard error of the command, in this process."""
    old, sys.argv = sys.argv, ["mouldloft", *map(str, words)]
    try:
        cli.main()
        code = 0
    except SystemExit as end:
        code = int(end.code or 0)
    finally:
        sys.argv = old
    out, err = capsys.readouterr()
    return code, out, err


def sentence(err: str) -> str:
    """The last line of standard error; the others are stage names."""
    return err.strip().splitlines()[-1]


@pytest.fixture
def vase(tmp_path):
    """A small closed body on a flat foot."""
    body = trimesh.creation.capsule(height=120, radius=60, count=[24, 24])
    path = tmp_path / "vase.stl"
    body.export(path)
    return path


@pytest.fixture
def quick(tmp_path):
    path = tmp_path / "quick.toml"
    opening = "[opening]\ndirections = 48\nrefine = 1\nseams = 1\n"
    path.write_text(opening + "[rubber]\npixel_mm = 3\n[seam]\nkind = 'plane'\n")
    return path


def test_help_names_every_command_and_the_exit_codes(capsys):
    code, out, _ = run(capsys, "--help")
    assert code == 0
    for word in ("plan", "demo", "show", "health", "certification"):
        assert word in out
    code, out, _ = run(capsys, "plan", "--help")
    assert code == 0
    for word in ("--height", "--casts", "--brief", "--catalogue", "--out"):
        assert word in out


def test_help_comes_up_without_the_stages():
    """Nine tenths of the time to the first word would go into libraries that help does not need."""
    asked = "import sys, mouldloft.cli; print(*sorted({name.split('.')[0] for name in sys.modules}))"
    names = subprocess.run([sys.executable, "-c", asked], capture_output=True, text=True, check=True).stdout.split()
    assert "typer" in names
    assert not {"scipy", "trimesh", "numba", "shapely", "manifold3d", "reportlab"} & set(names)


def test_own_mesh_is_planned_and_reopened(capsys, vase, quick, tmp_path):
    out_folder = tmp_path / "result"
    code, out, err = run(
        capsys, "plan", vase, "--height", 300, "--casts", 3, "--brief", quick, "--out", out_folder, "--no-pictures",
        "--solids", "stl",
    )  # fmt: skip
    assert code == 0, err
    assert "rubber" in err
    for word in ("Opens", "Pieces", "Seam", "Undercut fill", "Rubber", "Keys", "Jacket", "Caution", str(out_folder)):
        assert word in out
    assert {"plan.json", "order.csv", "summary.txt"} <= {p.name for p in out_folder.iterdir()}
    templates = {p.name for p in (out_folder / "templates").iterdir()}  # they need no renderer
    assert {"wall.dxf", "wall.svg", "wall-a4.pdf"} <= templates
    assert "cradle.dxf" not in templates, "a mould of 300 mm needs no cradle"
    solids = [trimesh.load(p) for p in (out_folder / "solids").glob("*.stl")]
    assert len(solids) >= 6
    assert not [s.metadata for s in solids if not (s.is_watertight and s.volume > 0)]
    # made by another process from the saved plan, and here: the same to the byte
    write_closed_meshes(open_plan(out_folder), tmp_path / "here", ("stl",), SILENT)
    assert {p.name: p.read_bytes() for p in (out_folder / "solids").iterdir()} == {
        p.name: p.read_bytes() for p in (tmp_path / "here").iterdir()
    }
    code, table, _ = run(capsys, "compare", out_folder, out_folder, "--html", tmp_path / "both.html")
    assert code == 0
    assert "ubber" in table
    page = (tmp_path / "both.html").read_text()
    assert "<table" in page
    assert page.count("data:image/jpeg;base64,") == 2
    code, again, _ = run(capsys, "show", out_folder)
    assert code == 0
    assert again.strip() == (out_folder / "summary.txt").read_text().strip()
    assert again.strip() in out


def test_brief_overrides_reach_the_plan(capsys, vase, quick, tmp_path):
    from mouldloft.outputs.planfile import open_plan

    quick.write_text(quick.read_text() + "plane_offset_mm = 5.0\n[jacket]\nlifters = 3\n")
    text = quick.read_text().replace("pixel_mm = 3", "pixel_mm = 3\nskin_thickness_mm = 13")
    quick.write_text(text.replace("refine = 1", "refine = 1\ndirection = [0.0, 1.0, 0.0]"))
    code, _, err = run(capsys, "plan", vase, "--height", 500, "-b", quick, "-o", tmp_path / "r", "--no-pictures", "-q")
    assert code == 0, err
    plan = open_plan(tmp_path / "r")
    assert plan.rubber.skin_thickness_mm == 13
    assert plan.opening.chosen.direction == (0.0, 1.0, 0.0)
    assert plan.seam.plane_offset_mm == 5.0
    assert plan.jacket.pieces[0].lift.lifters == 3


def _nan(path):
    mesh = trimesh.creation.icosphere(subdivisions=2)
    vertices = np.array(mesh.vertices)
    vertices[3] = np.nan
    path = path.with_suffix(".obj")
    rows = [f"v {x} {y} {z}" for x, y, z in vertices] + [f"f {a + 1} {b + 1} {c + 1}" for a, b, c in mesh.faces]
    path.write_text("\n".join(rows))
    return path


def _truncated(path):
    path.write_bytes(trimesh.creation.icosphere().export(file_type="stl")[:3000])
    return path


def _text(path):
    path.write_text("this is a shopping list\n" * 40)
    return path


def _empty(path):
    path.write_bytes(b"")
    return path


def _one_triangle(path):
    trimesh.Trimesh([[0, 0, 0], [1, 0, 0], [0, 1, 1]], [[0, 1, 2]]).export(path)
    return path


def _huge_count(path):
    path.write_bytes(b"\0" * 80 + (4_000_000_000).to_bytes(4, "little") + b"\0" * 500)
    return path


def _missing(path):
    return path.with_name("nowhere.stl")


def _folder(path):
    path.mkdir()
    return path


def _strange_suffix(path):
    path = path.with_suffix(".docx")
    path.write_bytes(b"x" * 100)
    return path


@pytest.mark.parametrize(
    "make",
    [_nan, _truncated, _text, _empty, _one_triangle, _huge_count, _missing, _folder, _strange_suffix],
    ids=lambda make: make.__name__.strip("_"),
)
def test_bad_mesh_gets_one_sentence_and_leaves_nothing(capsys, make, tmp_path):
    mesh = make(tmp_path / "bad.stl")
    out = tmp_path / "out"
    code, printed, err = run(capsys, "plan", mesh, "--height", 500, "--out", out, "--no-pictures")
    assert code == 2
    said = sentence(err)
    assert "Traceback" not in err
    assert said.endswith(".")
    assert len(said) > 30
    assert printed == ""
    assert not out.exists()


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("casts = 3\n", "casts"),
        ("[run]\ncasts = 0\n", "casts"),
        ("[run]\ncasts = 'six'\n", "casts"),
        ("[rubber]\nskin_thikness_mm = 3\n", "skin_thikness_mm"),
        ("[master]\nfinished_height_mm = nan\n", "finished_height_mm"),
        ("[rates]\nhourly_rate = inf\n", "hourly_rate"),
        ("[master\n", "TOML"),
        ("[opening]\ndirection = [0.0, 0.0, 0.0]\n", "direction"),
        (
            "[master]\nfinished_height_mm = '1400 mm'\n",
            "expected a number, got text in quotes at master.finished_height_mm",
        ),
        ("[run]\nhands = 2.5\n", "expected a whole number, got a number at run.hands"),
        (
            "[run]\nstart_date = 2027-03-01T08:00:00\n",
            "expected text in quotes, got a date with a time at run.start_date",
        ),
        ("[run]\nstart_date = '2027-02-30'\n", "'2027-02-30' is no date"),
        ("[run]\nstart_date = 9999-01-01\n", "past any calendar"),
    ],
)
def test_bad_brief_gets_one_sentence(capsys, vase, tmp_path, text, says):
    brief = tmp_path / "brief.toml"
    brief.write_text(text)
    code, _, err = run(capsys, "plan", vase, "--height", 500, "--brief", brief, "--out", tmp_path / "out")
    assert code == 3
    assert says in sentence(err)
    assert not (tmp_path / "out").exists()


def test_bad_catalogue_and_saved_plan(capsys, vase, tmp_path):
    wrong = tmp_path / "materials.toml"
    wrong.write_text("[[rubber]]\nname = 3\n")
    code, _, err = run(capsys, "plan", vase, "--height", 500, "--catalogue", wrong, "--out", tmp_path / "out")
    assert code == 4
    assert sentence(err).endswith(".")
    code, _, err = run(capsys, "show", tmp_path)
    assert code == 6
    assert "make it again" in sentence(err)


def test_unknown_solid_format_is_refused_before_the_work(capsys, vase, tmp_path):
    code, _, err = run(capsys, "plan", vase, "--height", 500, "--solids", "step", "--out", tmp_path / "out")
    assert code == 3
    assert "stl, 3mf or glb" in sentence(err)
    assert not (tmp_path / "out").exists()


def test_unwritable_output_is_said(capsys, vase, quick, tmp_path, monkeypatch):
    taken = tmp_path / "taken"
    taken.write_text("mine")
    code, _, err = run(capsys, "plan", vase, "--height", 500, "--brief", quick, "--out", taken / "deeper")
    assert code == 5
    assert "choose another folder" in sentence(err)
    assert taken.read_text() == "mine"


def test_a_link_to_nothing_is_no_folder_and_a_folder_no_mesh(capsys, vase, tmp_path, monkeypatch):
    monkeypatch.setattr("mouldloft.stages.master.read_master", None)  # said before the mesh is read
    dangling = tmp_path / "dangling"
    dangling.symlink_to(tmp_path / "nowhere")
    code, _, err = run(capsys, "plan", vase, "--height", 500, "--out", dangling)
    assert code == 3
    assert "give a folder" in sentence(err)
    monkeypatch.undo()
    code, _, err = run(capsys, "health", tmp_path)
    assert code == 2
    assert "is a folder; name a mesh file in it." in sentence(err)


def test_a_date_may_stand_without_quotes(tmp_path):
    brief = tmp_path / "brief.toml"
    brief.write_text("[run]\nstart_date = 2027-03-01\n")
    assert read_brief(brief).run.start_date == "2027-03-01"


def test_a_master_that_cannot_be_closed_still_gets_its_map_and_seam(capsys, quick, tmp_path):
    """Half a ball with a ragged rim: its hole is bent and far too large to fill by guess."""
    ball = trimesh.creation.icosphere(subdivisions=4, radius=100)
    high = ball.triangles_center[:, 2] + 25 * np.sin(5 * np.arctan2(*ball.triangles_center[:, :2].T))
    ball.update_faces(high < 30)
    path = tmp_path / "shell.ply"
    ball.export(path)
    out = tmp_path / "out"
    code, _, err = run(capsys, "plan", path, "--height", 600, "--brief", quick, "--out", out)
    assert code == 7, err
    assert "could not be closed" in sentence(err)
    assert {p.name for p in out.iterdir()} == {"undercut.ply", "seam.csv", "summary.txt"}
    assert len(trimesh.load(out / "undercut.ply").faces) > 1000
    assert len((out / "seam.csv").read_text().splitlines()) > 10


def test_estimate_from_a_height_and_from_a_maquette(capsys, vase):
    code, out, err = run(capsys, "estimate", "--height", 1400, "--casts", 6, "--body", "seated animal")
    assert code == 0, err
    assert "kg" in out
    code, out, err = run(capsys, "estimate", "--height", 600, "--maquette", vase)
    assert code == 0, err
    assert "±" in out
    code, _, err = run(capsys, "estimate", "--height", 600, "--body", "unicorn")
    assert code == 3
    assert "seated animal" in sentence(err)


def test_up_and_front_from_the_command_line(capsys, tmp_path):
    cone = trimesh.creation.cone(100, 300, sections=32)
    cone.vertices = cone.vertices[:, [2, 1, 0]] * (-1, 1, 1)  # on its side, its foot towards +x
    cone.export(tmp_path / "lying.stl")
    _, out, _ = run(capsys, "health", tmp_path / "lying.stl")
    assert "- The sculpt stands on almost nothing" in out
    assert "--up -x" in out
    code, out, _ = run(capsys, "health", tmp_path / "lying.stl", "--up", "-x", "--front", "+y")
    assert code == 0
    assert "300 mm high" in out
    assert "stands on almost nothing" not in out
    code, _, err = run(capsys, "health", tmp_path / "lying.stl", "--up", "sky")
    assert code == 3
    assert "There is no axis 'sky' for --up; use one of: +x, -x, +y, -y, +z, -z." in sentence(err)
    code, _, err = run(capsys, "health", tmp_path / "lying.stl", "--up", "-x", "--front", "+x")
    assert "lie along one axis" in sentence(err)


def test_unknown_words_are_explained(capsys):
    code, _, err = run(capsys, "paln")
    assert code == 2
    assert "--help" in sentence(err)
    code, _, err = run(capsys, "plan", "x.stl", "--casts", "many")
    assert code == 2
    assert "casts" in sentence(err)


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_interrupt_says_so_and_leaves_no_half_file(number, vase, quick, tmp_path):
    """A real signal to a real process, while it searches."""

    slow = tmp_path / "slow.toml"
    slow.write_text("[opening]\ndirections = 20000\n")
    out = tmp_path / "out"
    words = [sys.executable, "-m", "mouldloft.cli", "plan", vase, "--height", "500", "-b", slow, "--out", out]
    process = subprocess.Popen([*map(str, words)], stderr=subprocess.PIPE, text=True, env={**os.environ})
    for line in process.stderr:  # wait until it says that it searches
        if line.startswith("opening"):
            break
    time.sleep(0.3)
    process.send_signal(number)
    _, err = process.communicate(timeout=60)
    assert process.returncode == 130
    assert "Stopped" in err
    assert "Traceback" not in err
    assert not out.exists()


def test_a_seam_is_picked_on_the_command_line():
    assert cli._asked(None, None, None, seam="relief").seam.kind == "relief"
    with pytest.raises(BriefRefused, match="pick one of: cheapest, plane, relief, free"):
        cli._asked(None, None, None, seam="wavy")


@pytest.mark.parametrize("command", ["", *sorted(c.name or "" for c in cli.app.registered_commands)])
def test_help_has_no_word_that_readers_stumble_over(capsys, command):
    _, said, _ = run(capsys, *([command] if command else []), "--help")
    assert len(said) > 200
    assert [word for pattern in STUMBLES for word in re.findall(pattern, said)] == []


def test_an_option_past_its_bounds_is_refused_with_its_unit(capsys):
    for given, said in (("3", "--height takes 50 mm or more"), ("90000", "--height takes 20000 mm or less")):
        code, _, err = run(capsys, "plan", "hare.stl", "--height", given)
        assert code != 0
        assert said in sentence(err)
