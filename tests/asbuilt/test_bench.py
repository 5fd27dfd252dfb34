"""The bench's commands on the stand-in plan: what they write, and what they refuse."""

from __future__ import annotations

import pytest
from mouldloft.asbuilt.review import planned_coats
from mouldloft.asbuilt.runlog import read_log
from mouldloft.base.errors import BriefRefused
from mouldloft.cli import app
from mouldloft.demo.bench import made_up_scan
from mouldloft.geometry.meshfile import read_mesh_file
from mouldloft.outputs import planfile
from pypdf import PdfReader
from typer.testing import CliRunner


@pytest.fixture
def run(small, monkeypatch, tmp_path):
    """Runs a command on a folder whose plan is the stand-in; gives back its words, or raises what it refused with."""
    monkeypatch.setattr(planfile, "open_plan", lambda path: small)

    def command(*words: str) -> str:
        done = CliRunner().invoke(app, [words[0], str(tmp_path), *words[1:]])
        if done.exception is not None and not isinstance(done.exception, SystemExit):
            raise done.exception
        return done.output

    return command


def test_a_blank_log_is_written_once_and_a_form_with_every_coat(run, small, tmp_path):
    run("log", "--blank")
    words = "".join(page.extract_text() for page in PdfReader(tmp_path / "run-log-form.pdf").pages)
    assert all(piece in words and coat in words for piece, coat in planned_coats(small))
    assert len(planned_coats(small)) > 1
    before = (tmp_path / "run-log.csv").read_text()
    (tmp_path / "run-log.toml").unlink()
    with pytest.raises(BriefRefused, match="already"):  # a filled log is never written over
        run("log", "--blank")
    assert (tmp_path / "run-log.csv").read_text() == before
    assert not (tmp_path / "run-log.toml").exists()


def test_a_made_up_scan_and_log_can_be_read(run, small, tmp_path):
    run("demo-bench", "--casts", "4")
    log = read_log(tmp_path / "made-up-log.toml")
    assert [entry.number for entry in log.casts] == [1, 2, 3, 4]
    scan = read_mesh_file(tmp_path / "made-up-scan.stl")
    assert 0.5 < len(scan.faces) / len(small.master.faces) < 1.0
    one, other = (made_up_scan(small.master.vertices_mm, small.master.faces)[0] for _ in range(2))
    assert (one == other).all()  # the same each time


def test_a_filled_log_is_set_against_the_plan(run, tmp_path):
    run("demo-bench")
    said = run("log", str(tmp_path / "made-up-log.toml"))
    assert "PLANNED AGAINST USED" in said
    assert "LEFT TO BUY" in said
    assert (tmp_path / "log-report.txt").read_text().strip() in said
    assert {"log.html", "next.brief.toml"} <= {path.name for path in tmp_path.iterdir()}


def test_a_torn_glove_a_second_glove_and_a_cast_as_master(run):
    assert "TEAR OF 60 MM" in run("repair", "--tear", "60")
    both = run("repair", "--glove", "--cast-as-master")
    assert "SECOND GLOVE" in both
    assert "KEPT AS MASTER" in both


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("log",), "or --blank"),
        (("log", "no-such.toml"), "cannot be read"),
        (("repair",), "Say what to mend"),
        (("rescan", "scan.stl", "--unit", "cubit"), "no unit"),
    ],
)
def test_what_cannot_be_done_gets_one_sentence(run, words, said):
    with pytest.raises(BriefRefused, match=said) as refused:
        run(*words)
    assert "\n" not in str(refused.value)


def test_the_new_plan_never_takes_the_old_ones_place(run, tmp_path):
    with pytest.raises(BriefRefused, match="old one's place"):
        run("rescan", "scan.stl", "--out", str(tmp_path))
