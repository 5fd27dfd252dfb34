"""The one job that may be running, in a thread of its own or a step at a time."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from typing import Any

_job: Job | Steps | None = None


class Job:
    """Work in a thread of its own. It never touches Blender's data: arrays in, records out."""

    def __init__(self, work: Callable[[Any], Any]) -> None:
        from mouldloft.base.progress import Progress

        self.progress = Progress(self._on_step)
        self.stage, self.fraction, self.note = "", 0.0, ""
        self.stopping = False
        self.result: Any = None
        self.error: BaseException | None = None
        self._work = work
        self._thread = threading.Thread(target=self._run, name="mouldloft", daemon=True)

    def _on_step(self, stage: str, fraction: float, note: str) -> None:
        self.stage, self.fraction, self.note = stage, fraction, note

    def _run(self) -> None:
        try:
            self.result = self._work(self.progress)
        except BaseException as error:
            self.error = error

    @property
    def words(self) -> str:
        """What it is at, for panel and status bar."""
        stage = self.stage[:1].upper() + self.stage[1:]
        if self.stopping:
            return f"{stage}: stopping at the next step"
        return f"{stage}{': ' + self.note if self.note else ''}"

    @property
    def running(self) -> bool:
        return self._thread.is_alive()

    def start(self) -> None:
        """Begin, unless another has not ended. Raises RuntimeError."""
        _take_place(self)
        self._thread.start()

    def run_here(self) -> None:
        """The same work without a thread, for scripts and background mode."""
        _take_place(self)
        try:
            self._run()
        finally:
            clear()

    def stop(self, wait_s: float | None = None) -> None:
        """Ask the work to stop; with `wait_s`, wait that long for it."""
        self.stopping = True
        self.progress.cancel()
        if wait_s is not None and self._thread.is_alive():
            self._thread.join(wait_s)


class Steps:
    """Work that only the main thread can do, such as Blender's drawing of pictures: a step at a time, each named."""

    def __init__(self, steps: Sequence[tuple[str, Callable[[], Any]]]) -> None:
        self._steps, self._at = steps, 0
        self.stopping = False

    @property
    def words(self) -> str:
        """What it is at, for panel and status bar."""
        return self._steps[self._at][0] if self.running else ""

    @property
    def fraction(self) -> float:
        return self._at / max(len(self._steps), 1)

    @property
    def done(self) -> int:
        """How many steps were made."""
        return self._at

    @property
    def running(self) -> bool:
        return self._at < len(self._steps) and not self.stopping

    def start(self) -> None:
        """Begin, unless other work has not ended. Raises RuntimeError."""
        _take_place(self)

    def advance(self) -> None:
        """Make the next step."""
        if self.running:
            self._steps[self._at][1]()
            self._at += 1

    def stop(self, wait_s: float | None = None) -> None:
        """Make no further step."""
        self.stopping = True


def _take_place(new: Job | Steps) -> None:
    global _job
    clear()
    if _job is not None:
        raise RuntimeError("What ran before has not stopped yet: wait a moment and try again.")
    _job = new


def job() -> Job | Steps | None:
    """The job that runs, or that was told to stop and has not ended yet. Two must never run at a time."""
    return _job


def clear() -> None:
    """Let go of the job once it has ended; one that has not stays, so that no second one starts beside it."""
    global _job
    if _job is not None and not _job.running:
        _job = None
