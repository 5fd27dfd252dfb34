"""Many sculpts planned one beside the other: a process each, one that fails not stopping the rest."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from .base.errors import Cancelled, MouldloftError

GB_EACH = 4.0  # memory set aside for one plan: 1.3 million triangles take 3.8 (see the README)
_LOOK_S = 0.2
_END_S = 5.0  # for a plan told to stop

Command = Callable[[Path, Path], Sequence[str]]


@dataclass(frozen=True)
class Outcome:
    """One sculpt of the library. code : of its process, 0 where it was planned; words : the last it said."""

    mesh: Path
    folder: Path
    code: int
    seconds: float
    words: str


@dataclass(eq=False)
class _Running:
    mesh: Path
    folder: Path
    process: subprocess.Popen[bytes]
    said: Path
    begun: float


def plan_library(
    meshes: Sequence[Path],
    out: Path,
    command: Command,
    on_done: Callable[[Outcome], None],
    at_once: int | None = None,
) -> tuple[Outcome, ...]:
    """Plan each mesh into a folder of its own in `out`; outcomes in the order given.

    command : what is run for a mesh and its folder. Raises `Cancelled` on Ctrl-C, once the running ones have ended.
    """
    waiting = list(zip(meshes, _folders(meshes, out), strict=True))
    most = at_once or processes_at_once()
    running: list[_Running] = []
    found: dict[Path, Outcome] = {}
    with tempfile.TemporaryDirectory() as held:
        try:
            while waiting or running:
                while waiting and len(running) < most:
                    running.append(_start(*waiting.pop(0), command, Path(held), most))
                for each in [each for each in running if each.process.poll() is not None]:
                    running.remove(each)
                    found[each.folder] = _outcome(each)
                    on_done(found[each.folder])
                _pause()
        except (KeyboardInterrupt, Cancelled):
            _stop(running)
            raise Cancelled(
                f"Stopped: {len(found)} of {len(meshes)} are planned and whole; run again for the rest."
            ) from None
    return tuple(found[folder] for folder in _folders(meshes, out))


def processes_at_once() -> int:
    """As many as there are processors, and memory for."""
    cores = os.cpu_count() or 1
    try:
        memory = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") / 1e9
    except (AttributeError, ValueError, OSError):  # Windows says it elsewhere
        memory = GB_EACH * cores
    return max(1, min(cores, int(memory / GB_EACH)))


def _folders(meshes: Sequence[Path], out: Path) -> list[Path]:
    """A folder for each mesh by its name, numbered where names are alike."""
    taken: dict[str, int] = {}
    found = []
    for mesh in meshes:
        name = mesh.stem or "sculpt"
        while (low := name.lower()) in taken:
            taken[low] += 1
            name = f"{mesh.stem}-{taken[low]}"
        taken[name.lower()] = 1
        found.append(out / name)
    return found


def _start(mesh: Path, folder: Path, command: Command, held: Path, beside: int) -> _Running:
    threads = str(max(1, (os.cpu_count() or 1) // beside))
    room = {**os.environ, **{f"{kind}_NUM_THREADS": threads for kind in ("NUMBA", "OMP", "OPENBLAS")}}
    descriptor, name = tempfile.mkstemp(dir=held)
    with os.fdopen(descriptor, "wb") as said:
        process = subprocess.Popen(
            list(command(mesh, folder)), stdout=subprocess.DEVNULL, stderr=said, stdin=subprocess.DEVNULL, env=room
        )
    return _Running(mesh, folder, process, Path(name), time.monotonic())


def _outcome(each: _Running) -> Outcome:
    lines = each.said.read_text(encoding="utf-8", errors="replace").strip().splitlines()
    words = lines[-1] if lines else ""
    if each.process.returncode < 0:
        words = f"Its process was ended (signal {-each.process.returncode}), most often for want of memory."
    return Outcome(each.mesh, each.folder, each.process.returncode, time.monotonic() - each.begun, words)


def _stop(running: Sequence[_Running]) -> None:
    for each in running:
        each.process.terminate()
    for each in running:
        try:
            each.process.wait(_END_S)
        except subprocess.TimeoutExpired:
            each.process.kill()
            each.process.wait()


def _pause() -> None:
    time.sleep(_LOOK_S)


def this_program() -> list[str]:
    """How this program is run again."""
    return [sys.executable, "-m", "mouldloft.cli"]


HEAD = ("sculpt", "height", "pieces", "rubber", "cast", "material", "days", "time", "")


def table_rows(outcomes: Sequence[Outcome]) -> Iterator[tuple[str, ...]]:
    """For each sculpt what its plan says, or why there is none."""
    from .base.figures import kg, mm, money
    from .outputs.planfile import open_plan

    for each in outcomes:
        took = f"{each.seconds:.0f} s"
        if each.code != 0:
            yield (each.mesh.name, *[""] * 6, took, each.words or f"ended with {each.code}")
            continue
        try:
            plan = open_plan(each.folder)
        except MouldloftError as error:
            yield (each.mesh.name, *[""] * 6, took, str(error))
            continue
        glove = sum(piece.rubber_mass_kg for piece in plan.jacket.pieces)
        days = str(plan.programme.mould_days + plan.programme.run_days)
        yield (
            each.mesh.name, mm(plan.master.height_mm), str(len(plan.seam.pieces)), kg(glove), kg(plan.cast.mass_kg),
            money(plan.takeoff.total_cost, plan.takeoff.currency), days, took, "",
        )  # fmt: skip
