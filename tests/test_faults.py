"""Faults tried for real: killed, stopped, starved, crowded and misplaced runs; tests/faults.md says what happened."""

from __future__ import annotations

import errno
import io
import os
import signal
import subprocess
import sys
import time
import zipfile
from dataclasses import replace
from pathlib import Path

import faulty_runs
import pytest
import trimesh
from mouldloft import cli
from mouldloft.base.errors import OutputRefused
from mouldloft.base.files import all_or_nothing, drop_stale, make_folder, why_not_written, write_text
from mouldloft.inputs.brief import read_brief
from mouldloft.outputs import results
from mouldloft.outputs.planfile import open_plan
from mouldloft.outputs.summary import summary_text
from mouldloft.stages.master import read_master
from mouldloft.stages.pipeline import plan

POSIX = pytest.mark.skipif(sys.platform == "win32", reason="signals and limits of a process are POSIX")
QUICK = "[opening]\ndirections = 48\nrefine = 1\nseams = 1\n[rubber]\npixel_mm = 4\n[seam]\nkind = 'plane'\n"


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    """A folder with a small mesh and a quick brief."""
    folder = tmp_path_factory.mktemp("bench")
    trimesh.creation.capsule(height=120, radius=60, count=[24, 24]).export(folder / "vase.stl")
    (folder / "quick.toml").write_text(QUICK)
    return folder


def words(bench, out, *more) -> list[str]:
    asked = ("plan", bench / "vase.stl", "--height", 250, "-b", bench / "quick.toml", "--no-pictures", "-o", out)
    return [*map(str, (*asked, *more))]


def run(words, **options) -> subprocess.CompletedProcess:
    """The command as a process of its own."""
    options = {"capture_output": True, "text": True, "timeout": 240, "check": False, **options}
    return subprocess.run([sys.executable, "-m", "mouldloft.cli", *words], **options)


@pytest.fixture(scope="module")
def two_plans(bench):
    """Two saved plans that differ in the run, with their results."""
    brief = read_brief(bench / "quick.toml")
    master = read_master(bench / "vase.stl", replace(brief.master, finished_height_mm=250.0))
    for casts in (2, 5):
        made = plan(master, replace(brief, run=replace(brief.run, casts=casts)))
        results.write_results(made, bench / f"plan{casts}", pictures=False)
    return [bench / "plan2", bench / "plan5"]


def whole_as_one_of(out: Path, plans: list[Path]) -> bool:
    """Assert that `out` reopens as one of the plans and that every file in it is whole; True where all agree."""
    known = [summary_text(open_plan(plan)) + "\n" for plan in plans]
    which = known.index(summary_text(open_plan(out)) + "\n")
    agree = True
    for name in ("summary.txt", "order.csv"):
        of = [(plan / name).read_bytes() for plan in plans]
        agree &= of.index((out / name).read_bytes()) == which
    for pdf in (out / "templates").glob("*.pdf"):
        assert pdf.read_bytes().rstrip().endswith(b"%%EOF")
    for arrays in out.glob("*.npz"):
        assert zipfile.ZipFile(io.BytesIO(arrays.read_bytes())).testzip() is None
    return agree


def start(out: Path, rounds: int, plans: list[Path]) -> subprocess.Popen:
    asked = [sys.executable, faulty_runs.__file__, out, rounds, *plans]
    process = subprocess.Popen([*map(str, asked)], stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    assert process.stdout.readline() == "ready\n"
    return process


@POSIX
def test_killed_at_any_moment_the_folder_holds_one_whole_plan(two_plans, tmp_path):
    out = tmp_path / "out"
    results.write_results(open_plan(two_plans[0]), out, pictures=False)
    for k in range(4):
        process = start(out, 1000, two_plans)
        time.sleep(0.05 + 0.17 * k)
        process.kill()
        assert process.wait() == -signal.SIGKILL
        whole_as_one_of(out, two_plans)
    # the next run clears what killed runs left, once it is old enough to be nobody's
    for left in out.glob(".mouldloft-*"):
        os.utime(left, (1.0, 1.0))
    results.write_results(open_plan(two_plans[1]), out, pictures=False)
    assert not list(out.glob(".mouldloft-*"))
    assert whole_as_one_of(out, two_plans)


def test_two_runs_on_one_folder_leave_one_whole_plan(two_plans, tmp_path):
    out = tmp_path / "out"
    results.write_results(open_plan(two_plans[0]), out, pictures=False)
    runs = [start(out, 2, two_plans), start(out, 2, two_plans[::-1])]
    while any(process.poll() is None for process in runs):
        open_plan(out)  # a reader in between never meets half a plan
        time.sleep(0.1)
    assert [process.returncode for process in runs] == [0, 0]
    whole_as_one_of(out, two_plans)


def test_another_runs_arrays_are_left_alone_and_old_ones_go(two_plans, tmp_path):
    out = tmp_path / "out"
    results.write_results(open_plan(two_plans[0]), out, pictures=False)
    other = out / "plan-arrays-0123456789ab.npz"
    other.write_bytes(b"another run is about to name these")
    results.write_results(open_plan(two_plans[1]), out, pictures=False)
    assert other.exists()
    os.utime(other, (1.0, 1.0))
    results.write_results(open_plan(two_plans[1]), out, pictures=False)
    assert not other.exists()
    future = time.time() + 1e6  # a clock that was set back
    other.write_bytes(b"")
    os.utime(other, (future, future))
    drop_stale(out, "plan-arrays-*", 60.0)
    assert other.exists()


@POSIX
def test_a_full_disk_keeps_the_plan_that_was_there(two_plans, bench, tmp_path):
    """Files may grow to 30 KB only, by the system's own limit; the array file is larger."""
    import resource

    out = tmp_path / "out"
    results.write_results(open_plan(two_plans[0]), out, pictures=False)
    before = {path: path.read_bytes() for path in out.rglob("*") if path.is_file()}
    limit = 30_000
    assert max(len(data) for data in before.values()) > limit
    asked = [sys.executable, faulty_runs.__file__, out, 1, two_plans[1]]
    done = subprocess.run(
        [*map(str, asked)],
        preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit)),
        capture_output=True,
        text=True,
        check=False,
    )
    assert "OutputRefused" in done.stderr
    assert done.stderr.strip().splitlines()[-1].endswith("is full; free some space and run again.")
    assert {path: path.read_bytes() for path in out.rglob("*") if path.is_file()} == before


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="this system has no /dev/full")
def test_a_full_disk_under_the_printed_summary_is_said(two_plans):
    with open("/dev/full", "w") as full:
        done = run(["show", str(two_plans[0])], stdout=full, stderr=subprocess.PIPE, capture_output=False)
    assert done.returncode == 5
    assert "is full" in done.stderr
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize(
    ("number", "says"),
    [
        (errno.ENOSPC, "is full"),
        (errno.EROFS, "permission is missing"),
        (errno.EACCES, "permission is missing"),
        (errno.ENAMETOOLONG, "too long"),
        (errno.EISDIR, "something else stands"),
        (errno.EIO, "choose another folder"),
    ],
)
def test_each_refusal_of_the_system_says_what_to_do(number, says):
    assert says in why_not_written(OSError(number, os.strerror(number)))


def half_written(out):
    with all_or_nothing(out) as inner:
        write_text(inner / "order.csv", "half")
        raise OSError(errno.ENOSPC, "No space left on device")


def test_results_that_fail_halfway_leave_nothing(tmp_path):
    out = tmp_path / "new" / "out"
    with pytest.raises(OutputRefused, match="is full"):
        half_written(out)
    assert not out.exists()
    (tmp_path / "kept").mkdir()
    with pytest.raises(ZeroDivisionError), all_or_nothing(tmp_path / "kept"):
        raise ZeroDivisionError
    assert list((tmp_path / "kept").iterdir()) == []


@pytest.mark.skipif(not Path("/proc/self").exists(), reason="this system has no /proc")
def test_a_folder_that_takes_nothing_is_said(bench, capsys, monkeypatch):
    """/proc refuses everyone, the administrator too."""
    monkeypatch.setattr(sys, "argv", ["mouldloft", *words(bench, "/proc/self/out")])
    with pytest.raises(SystemExit) as end:
        cli.main()
    assert end.value.code == 5
    said = capsys.readouterr().err.strip().splitlines()[-1]
    assert "cannot be made" in said or "may not be written to" in said  # by what the system answers


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="the administrator may write anywhere")
def test_a_read_only_folder_is_said(tmp_path):
    tmp_path.chmod(0o500)
    with pytest.raises(OutputRefused, match="permission is missing"):
        write_text(tmp_path / "a.txt", "a")


def test_long_and_foreign_paths(two_plans, tmp_path):
    made = open_plan(two_plans[0])
    out = tmp_path / "Häschen 兎 \u202eab" / ("d" * 200) / "plan of the hare"
    results.write_results(made, out, pictures=False)
    assert summary_text(open_plan(out)) == summary_text(made)
    with pytest.raises(OutputRefused, match=r"too long|cannot be"):
        results.write_results(made, tmp_path / ("d" * 300), pictures=False)
    with pytest.raises(OutputRefused, match="cannot be made"):
        make_folder(tmp_path / "a\0b")


@pytest.mark.skipif(sys.platform != "linux", reason="file names are text elsewhere")
def test_a_mesh_whose_name_is_no_text(bench, tmp_path, monkeypatch):
    mesh = os.fsencode(tmp_path) + b"/v\xff\xe9.stl"
    Path(os.fsdecode(mesh)).write_bytes((bench / "vase.stl").read_bytes())
    asked = words(bench, tmp_path / "out", "-q")
    asked[1] = os.fsdecode(mesh)
    monkeypatch.setattr(sys, "argv", ["mouldloft", *asked])
    cli.main()
    assert open_plan(tmp_path / "out").master.name == "v??"


BARE = {
    "no home, no terminal, no display": {"HOME": None, "TERM": "dumb", "DISPLAY": None, "WAYLAND_DISPLAY": None},
    "old encoding": {"PYTHONIOENCODING": "ascii", "PYTHONUTF8": "0", "LC_ALL": "C"},
}


@pytest.mark.parametrize("case", BARE)
def test_bare_surroundings_print_the_same_figures(case, two_plans):
    env = {key: value for key, value in os.environ.items() if key not in BARE[case]}
    env |= {key: value for key, value in BARE[case].items() if value is not None}
    done = run(["show", str(two_plans[0])], env=env, stdin=subprocess.DEVNULL, encoding="utf-8")
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""
    told = (two_plans[0] / "summary.txt").read_text("utf-8")
    plain = told.encode("ascii", "replace").decode() if "encoding" in case else told
    assert done.stdout.strip() == plain.strip()


@POSIX
@pytest.mark.parametrize("closed", [0, 1, 2])
def test_closed_streams_do_not_stop_it(closed, two_plans):
    done = run(["show", str(two_plans[0])], preexec_fn=lambda: os.close(closed), stdin=None)
    assert done.returncode == 0
    assert "Traceback" not in (done.stderr or "")


@POSIX
def test_a_reader_that_goes_away_gets_no_traceback(two_plans):
    inner = [sys.executable, "-m", "mouldloft.cli", "show", str(two_plans[0])]
    process = subprocess.Popen(inner, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    assert process.stdout is not None
    process.stdout.close()  # as `head -0` would
    assert process.stderr is not None
    assert process.stderr.read() == ""
    assert process.wait(timeout=60) in (0, 1)


COMMA = """
import locale, sys
locale.setlocale(locale.LC_ALL, "de_DE.UTF-8")
assert locale.format_string("%.1f", 1.5) == "1,5"
from mouldloft.outputs.results import write_results
from mouldloft.outputs.planfile import open_plan
write_results(open_plan(sys.argv[1]), sys.argv[2], pictures=False)
"""


@POSIX
def test_decimal_commas_of_the_locale_reach_no_file(two_plans, tmp_path):
    made = tmp_path / "de_DE.UTF-8"
    subprocess.run(["localedef", "-i", "de_DE", "-f", "UTF-8", str(made)], capture_output=True, check=False)
    if not made.exists():
        pytest.skip("no locale with decimal commas can be made here")
    env = {**os.environ, "LOCPATH": str(tmp_path), "LC_ALL": "de_DE.UTF-8"}
    asked = [sys.executable, "-c", COMMA, str(two_plans[0]), str(tmp_path / "commas")]
    done = subprocess.run(asked, env=env, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    for file in ("plan.json", "order.csv", "summary.txt", "templates/wall.svg"):
        assert (tmp_path / "commas" / file).read_bytes() == (two_plans[0] / file).read_bytes()


STOPS = ("opening", "seam", "rubber", "keys", "cradle", "takeoff", "templates")


@pytest.mark.parametrize("stage", STOPS)
def test_ctrl_c_in_each_stage_ends_in_a_sentence_and_no_folder(stage, bench, tmp_path, capsys, monkeypatch):
    """A real SIGINT, raised as the stage begins."""
    step = cli._Terminal._step

    def interrupt(self, now, fraction, note):
        if now == stage and fraction == 0.0:
            signal.raise_signal(signal.SIGINT)
        step(self, now, fraction, note)

    monkeypatch.setattr(cli._Terminal, "_step", interrupt)
    monkeypatch.setattr(sys, "argv", ["mouldloft", *words(bench, tmp_path / "out")])
    before = signal.getsignal(signal.SIGINT)  # of a job in the background it is ignored
    with pytest.raises(SystemExit) as end:
        cli.main()
    assert end.value.code == 130
    assert capsys.readouterr().err.strip().splitlines()[-1].startswith("Stopped")
    assert not (tmp_path / "out").exists()
    assert signal.getsignal(signal.SIGINT) is before
