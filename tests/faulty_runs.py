"""Runs to be killed, starved or set against each other: each writes results into one folder, over and over."""

from __future__ import annotations

import sys
from pathlib import Path

from mouldloft.outputs.planfile import open_plan
from mouldloft.outputs.results import write_results


def write_over_and_over(out: Path, rounds: int, plans: list[Path]) -> None:
    """Say "ready" when the plans are open, then write their results into `out` in turn."""
    opened = [open_plan(path) for path in plans]
    print("ready", flush=True)
    for k in range(rounds):
        write_results(opened[k % len(opened)], out, pictures=False)


if __name__ == "__main__":
    write_over_and_over(Path(sys.argv[1]), int(sys.argv[2]), [Path(word) for word in sys.argv[3:]])
