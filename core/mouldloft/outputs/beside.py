"""The closed meshes made by a process of their own, beside the paper: on the other processor, and ended at once where
they are not wanted, which a library at work in this process cannot be."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from threading import Thread
from types import TracebackType
from typing import IO, Any

from ..base.errors import BriefRefused, MouldloftError, OutputRefused, PlanImpossible
from ..base.progress import Progress
from .closedmeshes import write_closed_meshes
from .planfile import open_plan

_LOOK_S = 0.2
_REFUSALS = {error.exit_code: error for error in (BriefRefused, OutputRefused, PlanImpossible, MouldloftError)}
_NO_MEMORY = 12
# glibc's allocator keeps what large arrays leave behind unless its bound is fixed; elsewhere nothing reads this
_GIVES_BACK = {"MALLOC_MMAP_THRESHOLD_": str(4 << 20)}


class SolidsBeside:
    """Begins on the closed meshes of the plan saved in a folder, into its `solids`; ended on the way out."""

    def __init__(self, folder: Path, formats: tuple[str, ...]) -> None:
        ways = os.pathsep.join(path for path in sys.path if path)  # an add-on's or a checkout's packages, found again
        self._process = subprocess.Popen(
            [sys.executable, "-m", __name__, str(folder), *formats],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, encoding="utf-8", errors="replace",
            env={**_GIVES_BACK, **os.environ, "PYTHONPATH": ways},
        )  # fmt: skip
        self._at: tuple[float, str] = (0.0, "")
        self._said = ""
        readers = (Thread(target=self._follow, daemon=True), Thread(target=self._listen, daemon=True))
        for reader in readers:
            reader.start()
        self._readers = readers

    def __enter__(self) -> SolidsBeside:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        if self._process.poll() is None:
            self._process.kill()
        self._process.wait()

    def finish(self, progress: Progress) -> None:
        """Wait for it, saying where it is. Raises what it was refused with, `Cancelled` within a second."""
        while True:
            progress.step(*self._at)
            try:
                code = self._process.wait(_LOOK_S)
                break
            except subprocess.TimeoutExpired:
                continue
        for reader in self._readers:
            reader.join()
        if code:
            raise refusal_of(code, self._said)

    def _follow(self) -> None:
        for line in _stream(self._process.stdout):
            fraction, note = json.loads(line)
            self._at = (float(fraction), str(note))

    def _listen(self) -> None:
        self._said = _stream(self._process.stderr).read()


def refusal_of(code: int, said: str) -> MouldloftError | MemoryError:
    """What the process ended with, by its exit code and what it said last."""
    if code == _NO_MEMORY or code < 0:  # ended by the system, most often for want of memory
        return MemoryError()
    lines = said.strip().splitlines()
    return _REFUSALS.get(code, MouldloftError)(lines[-1] if lines else "The closed meshes could not be made.")


def _stream(stream: IO[str] | None) -> IO[str]:
    assert stream is not None
    return stream


def _end_with_the_other() -> None:
    """Its standard input closes when the process that began it ends, however that ends."""
    sys.stdin.read()
    os._exit(1)


def main(words: list[str]) -> int:
    """Closed meshes of the plan in the folder named first, in the formats after it; progress on standard output."""
    Thread(target=_end_with_the_other, daemon=True).start()

    def said(_stage: str, fraction: float, note: str) -> None:
        print(json.dumps([fraction, note]), flush=True)

    folder = Path(words[0])
    try:
        plan: Any = open_plan(folder)
        write_closed_meshes(plan, folder / "solids", tuple(words[1:]), Progress(said))
    except MouldloftError as error:
        print(" ".join(str(error).split()), file=sys.stderr)
        return error.exit_code
    except MemoryError:
        return _NO_MEMORY
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
