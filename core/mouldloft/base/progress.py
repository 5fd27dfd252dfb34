"""How long work tells where it is and hears that it should stop.

A stage calls ``progress.step(fraction, note)`` often (at least every second of work). The terminal and the
Blender add-on each give their own `Progress`; `SILENT` does nothing.
"""

from __future__ import annotations

from collections.abc import Callable

from .errors import Cancelled


class Progress:
    """Reports the running stage, and raises `Cancelled` from `step` once `cancel` was called."""

    def __init__(self, on_step: Callable[[str, float, str], None] | None = None) -> None:
        self._on_step = on_step
        self._cancelled = False
        self._stage = ""
        self.last = (0.0, "")  # what was stepped last

    def begin(self, stage: str) -> None:
        """Start a named stage at fraction 0."""
        self._stage = stage
        self.step(0.0)

    def step(self, fraction: float, note: str = "") -> None:
        """Say how much of the stage is done (0 to 1). Raises `Cancelled` if the user asked to stop."""
        if self._cancelled:
            raise Cancelled(f"Stopped during {self._stage or 'the plan'}: nothing was written.")
        self.last = (fraction, note)
        if self._on_step is not None:
            self._on_step(self._stage, min(max(fraction, 0.0), 1.0), note)

    def part(self, start: float, end: float) -> Progress:
        """One for work that takes this one's stage from a fraction to another; stopped with it."""
        return Progress(lambda _stage, fraction, note: self.step(start + (end - start) * fraction, note))

    def cancel(self) -> None:
        """Ask the work to stop at its next step; safe to call from another thread."""
        self._cancelled = True


SILENT = Progress()
