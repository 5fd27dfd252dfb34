"""Time, processor time and peak memory of every solid of a plan, on the demo hare.

python scripts/bench/solids.py [--sizes TRIANGLES ...]      default 80000 300000 1300000
Each size runs in a process of its own. `ratio` is the processor time over that of one plain boolean on the same master
(manifold3d: a box less the master), which moves with the machine and its load as the solids do; the load is printed.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import time

import numpy as np
from whole_plan import peak_gb

SIZES = (80_000, 300_000, 1_300_000)


class Notes:
    """Listens to the solids' progress: wall and processor seconds of each note."""

    def __init__(self) -> None:
        self.rows: list[tuple[str, float, float]] = []
        self._note, self._wall, self._cpu = "", time.perf_counter(), time.process_time()

    def step(self, _stage: str, _fraction: float, note: str) -> None:
        wall, cpu = time.perf_counter(), time.process_time()
        if self._note:
            self.rows.append((self._note, wall - self._wall, cpu - self._cpu))
        self._note, self._wall, self._cpu = note, wall, cpu


def one_boolean_s(vertices_mm: np.ndarray, faces: np.ndarray) -> float:
    """Processor seconds of a box less the master."""
    import manifold3d

    began = time.process_time()
    body = manifold3d.Manifold(manifold3d.Mesh64(vertices_mm, faces.astype(np.uint64)))
    size = np.ptp(vertices_mm, axis=0)
    box = manifold3d.Manifold.cube(size * [0.5, 2.0, 2.0]).translate(vertices_mm.min(axis=0) - 0.3 * size)
    assert (box - body).num_tri() > 0
    return time.process_time() - began


def one(triangles: int) -> None:
    from mouldloft.base.progress import Progress
    from mouldloft.demo.hare import demo_hare
    from mouldloft.inputs.brief import brief_from_dict
    from mouldloft.solids.build import make_solids
    from mouldloft.stages.master import prepare_master
    from mouldloft.stages.pipeline import plan

    brief = brief_from_dict({"piece": "Seated hare", "master": {"finished_height_mm": 1400}, "run": {"casts": 6}})
    made = plan(prepare_master(*demo_hare(triangles), brief.master), brief)
    plan_gb = peak_gb()
    plain = one_boolean_s(made.master.vertices_mm, made.master.faces)
    notes = Notes()
    progress = Progress(notes.step)
    began, cpu = time.perf_counter(), time.process_time()
    solids = make_solids(made, progress=progress)
    wall, cpu = time.perf_counter() - began, time.process_time() - cpu
    for note, seconds, busy in notes.rows:
        print(f"  {note:34s} {seconds:7.1f} s {busy:7.1f} s processor")
    faces = sum(len(s.faces) for s in solids)
    print(
        f"{triangles:9d} triangles: {len(solids)} solids of {faces} triangles in {wall:.1f} s, {cpu:.1f} s processor, "
        f"ratio {cpu / plain:.1f} to one boolean ({plain:.2f} s); peak {peak_gb():.1f} GB ({plan_gb:.1f} before); "
        f"load {os.getloadavg()[0]:.1f}",
        flush=True,
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--sizes", type=int, nargs="+", default=SIZES)
    parser.add_argument("--one", type=int, help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.one:
        one(given.one)
        return
    for size in given.sizes:
        subprocess.run([sys.executable, __file__, "--one", str(size)], check=True)


if __name__ == "__main__":
    main()
