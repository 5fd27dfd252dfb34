"""Progress on a terminal: a bar on a screen, plain lines in a log."""

from __future__ import annotations

import signal
from typing import Any

from rich.console import Console
from rich.progress import BarColumn, TextColumn, TimeElapsedColumn
from rich.progress import Progress as Bar

from .base.progress import Progress


class Terminal:
    """Shows each stage on standard error, as a bar on a screen and as plain lines in a log."""

    def __init__(self, quiet: bool) -> None:
        self._console = Console(stderr=True)
        self._live = self._console.is_terminal and not quiet
        self._quiet = quiet
        self._stage = ""
        self._task: Any = None
        self._bar = Bar(
            TextColumn("{task.description:<16}"), BarColumn(), TextColumn("{task.fields[note]}"), TimeElapsedColumn(),
            console=self._console,
        )  # fmt: skip
        self.progress = Progress(self._step)

    def __enter__(self) -> Terminal:
        # the work hears of Ctrl-C, or of being told to end, at its next step, between files and never inside one; a
        # second one ends it at once
        self._before = {number: signal.signal(number, self._stop) for number in (signal.SIGINT, signal.SIGTERM)}
        if self._live:
            self._bar.start()
        return self

    def _stop(self, number: int, *_: object) -> None:
        self.progress.cancel()
        signal.signal(number, signal.default_int_handler if number == signal.SIGINT else signal.SIG_DFL)

    def __exit__(self, *_: object) -> None:
        for number, before in self._before.items():
            signal.signal(number, before or signal.SIG_DFL)
        if self._live:
            self._bar.stop()

    def _step(self, stage: str, fraction: float, note: str) -> None:
        if self._quiet:
            return
        if stage != self._stage:
            self._stage = stage
            if self._live:
                if self._task is not None:
                    self._bar.update(self._task, completed=1.0, note="")
                self._task = self._bar.add_task(stage, total=1.0, note="")
            else:
                self._console.print(f"{stage} ...", highlight=False)
        if self._live:
            self._bar.update(self._task, completed=fraction, note=note)
