"""A library of sculpts in processes: stand-in commands, since planning has its own tests."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
import trimesh
from mouldloft import library
from mouldloft.base.errors import Cancelled
from mouldloft.library import plan_library, processes_at_once, table_rows

SAY = (
    "import sys, time; print(sys.argv[2], file=sys.stderr); time.sleep(float(sys.argv[3])); sys.exit(int(sys.argv[1]))"
)


def stand_in(code=0, words="", seconds=0.0):
    return [sys.executable, "-c", SAY, str(code), words, str(seconds)]


def test_one_that_fails_does_not_stop_the_rest(tmp_path):
    meshes = [Path("hare.stl"), Path("broken.stl"), Path("goat.stl")]
    told = []
    made = plan_library(
        meshes, tmp_path,
        lambda mesh, folder: stand_in(2, "It holds no faces.") if mesh.stem == "broken" else stand_in(),
        told.append, 2,
    )  # fmt: skip
    assert [outcome.code for outcome in made] == [0, 2, 0]
    assert [outcome.mesh for outcome in made] == meshes
    assert made[1].words == "It holds no faces."
    assert sorted(outcome.mesh for outcome in told) == sorted(meshes)
    rows = list(table_rows(made))
    assert rows[1][-1] == "It holds no faces."
    assert "cannot be reopened" in rows[0][-1]  # the stand-in left no plan


def test_sculpts_of_one_name_get_folders_of_their_own(tmp_path):
    meshes = [Path("a/hare.stl"), Path("b/hare.obj"), Path("b/Hare.ply"), Path("hare-2.stl")]
    made = plan_library(meshes, tmp_path, lambda mesh, folder: stand_in(), lambda outcome: None, 4)
    assert len({str(outcome.folder).lower() for outcome in made}) == 4


def test_no_more_run_at_once_than_asked(tmp_path):
    running, most = set(), 0

    def command(mesh, folder):
        nonlocal most
        running.add(mesh)
        most = max(most, len(running))
        return stand_in(seconds=0.05)

    plan_library([Path(f"{k}.stl") for k in range(5)], tmp_path, command, lambda o: running.discard(o.mesh), 2)
    assert most == 2
    assert processes_at_once() >= 1


def test_told_to_stop_it_ends_what_runs(tmp_path, monkeypatch):
    started = []
    real = subprocess.Popen

    def watched(*args, **more):
        started.append(real(*args, **more))
        return started[-1]

    def stop():
        raise KeyboardInterrupt

    monkeypatch.setattr(library.subprocess, "Popen", watched)
    monkeypatch.setattr(library, "_pause", stop)
    with pytest.raises(Cancelled, match="0 of 2 are planned"):
        plan_library([Path("a.stl"), Path("b.stl")], tmp_path, lambda m, f: stand_in(seconds=60), lambda o: None, 2)
    assert len(started) == 2
    assert all(process.poll() is not None for process in started)


@pytest.mark.skipif(os.name == "nt", reason="signals of POSIX")
def test_one_that_is_killed_is_told_with_its_likely_cause(tmp_path):
    def kill_itself(mesh, folder):
        return [sys.executable, "-c", f"import os; os.kill(os.getpid(), {int(signal.SIGKILL)})"]

    (made,) = plan_library([Path("a.stl")], tmp_path, kill_itself, lambda outcome: None, 1)
    assert made.code == -signal.SIGKILL
    assert "memory" in made.words


def test_the_command_ends_with_a_table_and_a_code(tmp_path):
    """Two files that are no masters: each gets its row with its reason, and the exit code says that some failed."""
    (tmp_path / "empty.stl").write_bytes(b"")
    trimesh.creation.box((0.001, 1, 1)).export(tmp_path / "flat.stl")
    begun = time.monotonic()
    run = subprocess.run(
        [sys.executable, "-m", "mouldloft.cli", "plan", "empty.stl", "flat.stl", "--out", "plans", "--no-pictures"],
        cwd=tmp_path, capture_output=True, text=True, timeout=300,
    )  # fmt: skip
    assert run.returncode == 1, run.stderr
    assert "empty.stl" in run.stdout
    assert "flat.stl" in run.stdout
    assert "0 of 2 planned" in run.stdout
    assert "2 of 2:" in run.stderr
    assert time.monotonic() - begun < 300
