"""Time and peak memory of each stage of the whole plan, on the demo hare at several triangle counts.

python scripts/bench.py [TRIANGLES ...]      default 80000 330000 1300000
Each size runs in a process of its own, so that its peak memory is its own. Timings are this machine's; compare ratios.
"""

from __future__ import annotations

import json
import subprocess
import sys
import time

SIZES = (80_000, 330_000, 1_300_000)


def peak_gb() -> float:
    """Peak resident memory of this process, GB (0 where the system does not say)."""
    try:
        import resource
    except ImportError:
        return 0.0
    factor = 1e9 if sys.platform == "darwin" else 1e6
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / factor


def one(triangles: int) -> list[tuple[str, float, float]]:
    """(stage, seconds, peak GB so far) of one whole plan."""
    from mouldloft.brief import brief_from_dict
    from mouldloft.demo import demo_hare
    from mouldloft.master import prepare_master
    from mouldloft.pipeline import plan
    from mouldloft.progress import Progress

    rows: list[tuple[str, float, float]] = []
    running = ["", time.perf_counter()]

    def step(stage: str, _fraction: float, _note: str) -> None:
        if stage != running[0]:
            if running[0]:
                rows.append((running[0], time.perf_counter() - running[1], peak_gb()))
            running[:] = [stage, time.perf_counter()]

    brief = brief_from_dict({"piece": "Seated hare", "master": {"finished_height_mm": 1400}, "run": {"casts": 6}})
    progress = Progress(step)
    # compiled code is built once, on a small hare, before the clock starts
    plan(prepare_master(*demo_hare(20_000), brief.master), brief)
    progress.begin("(making the hare)")
    vertices, faces = demo_hare(triangles)
    progress.begin("master")
    master = prepare_master(vertices, faces, brief.master, progress=progress)
    plan(master, brief, None, progress)
    progress.begin("end")
    return rows


def main() -> None:
    """Print one table, sizes as columns."""
    if len(sys.argv) == 3 and sys.argv[1] == "--one":
        print(json.dumps(one(int(sys.argv[2]))))
        return
    sizes = [int(word) for word in sys.argv[1:]] or list(SIZES)
    tables = {}
    for size in sizes:
        run = subprocess.run([sys.executable, __file__, "--one", str(size)], capture_output=True, text=True, check=True)
        tables[size] = {stage: (seconds, peak) for stage, seconds, peak in json.loads(run.stdout.splitlines()[-1])}
        print(f"{size:,} done", file=sys.stderr)
    stages = list(tables[sizes[0]])
    print("| stage | " + " | ".join(f"{size:,}" for size in sizes) + " |")
    print("|---|" + "---:|" * len(sizes))
    for stage in stages:
        cells = [f"{tables[s][stage][0]:.1f} s" for s in sizes]
        print(f"| {stage} | " + " | ".join(cells) + " |")
    planned = [sum(v[0] for k, v in tables[s].items() if not k.startswith("(")) for s in sizes]
    print("| **whole plan** | " + " | ".join(f"**{total:.1f} s**" for total in planned) + " |")
    print("| peak memory | " + " | ".join(f"{max(v[1] for v in tables[s].values()):.1f} GB" for s in sizes) + " |")


if __name__ == "__main__":
    main()
