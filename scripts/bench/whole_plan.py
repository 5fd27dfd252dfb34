"""Time, processor time, peak memory and longest silence of each stage of the whole plan, on the demo hare.

python scripts/bench/whole_plan.py [--everything] [--sizes TRIANGLES ...]      default 80000 330000 1300000
--everything measures what a person waits for at the command line: the hare is read from its STL file, and pictures,
sheets, templates, the page, the solids (STL) and the saved plan are written too. The solids are made by a process of
their own beside the paper: what they took by the clock after it, and all their processor time, stand in their row.
--out FILE.json keeps what was measured, and draws it beside it as FILE.svg; --draw FILE.json draws one kept before.
Each size runs in a process of its own, so that its peak memory is its own. Times are this machine's and its load's:
compare ratios, and processor seconds where others use the machine too.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import subprocess
import sys
import tempfile
import time
from dataclasses import asdict, dataclass
from pathlib import Path

SIZES = (80_000, 330_000, 1_300_000)


@dataclass
class Row:
    """One stage. silence_s : longest time without a word of progress; peak_gb : of the process so far."""

    stage: str
    wall_s: float
    cpu_s: float
    silence_s: float
    peak_gb: float


def peak_gb() -> float:
    """Peak resident memory of this process and of the largest it began and saw end, GB (0 where the system does not
    say)."""
    try:
        import resource
    except ImportError:
        return 0.0
    factor = 1e9 if sys.platform == "darwin" else 1e6
    return sum(resource.getrusage(who).ru_maxrss for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)) / factor


def cpu_s() -> float:
    """Processor seconds of this process and of those it began and saw end."""
    return sum(os.times()[:4])


class Clock:
    """Listens to a plan's progress."""

    def __init__(self) -> None:
        self.rows: list[Row] = []
        self._stage = ""
        self._began = self._last = time.perf_counter()
        self._cpu = cpu_s()
        self._silence = 0.0

    def step(self, stage: str, _fraction: float, _note: str) -> None:
        now = time.perf_counter()
        self._silence, self._last = max(self._silence, now - self._last), now
        if stage == self._stage:
            return
        cpu = cpu_s()
        if self._stage:
            self.rows.append(Row(self._stage, now - self._began, cpu - self._cpu, self._silence, peak_gb()))
        self._stage, self._began, self._cpu, self._silence = stage, now, cpu, 0.0


def one(triangles: int, everything: bool) -> list[Row]:
    """The stages of one whole plan; with everything, of reading its file and of all it leaves in a folder."""
    from mouldloft.base.progress import Progress
    from mouldloft.demo.gallery import write_demo
    from mouldloft.demo.hare import demo_hare
    from mouldloft.inputs.brief import read_brief
    from mouldloft.outputs.results import write_results
    from mouldloft.stages.master import prepare_master, read_master
    from mouldloft.stages.pipeline import plan

    clock = Clock()
    progress = Progress(clock.step)
    with tempfile.TemporaryDirectory() as folder:
        # compiled code is built once, on a small hare, before the clock starts
        mesh, brief_file = write_demo(folder, 20_000)
        brief = read_brief(brief_file)
        plan(read_master(mesh, brief.master), brief)
        progress.begin("(making the hare)")
        if everything:
            mesh, _ = write_demo(folder, triangles)
            progress.begin("master")
            made = plan(read_master(mesh, brief.master, progress), brief, None, progress)
            write_results(made, Path(folder) / "plan", progress, solids=("stl",), beside=True)
        else:
            vertices, faces = demo_hare(triangles)
            progress.begin("master")
            master = prepare_master(vertices, faces, brief.master, progress=progress)
            del vertices, faces
            plan(master, brief, None, progress)
        progress.begin("end")
    return clock.rows


def table(found: dict[int, list[Row]]) -> str:
    """Markdown, sizes as columns; each cell seconds by the clock / of the processors."""
    sizes = list(found)
    planned = {size: [row for row in rows if not row.stage.startswith("(")] for size, rows in found.items()}
    lines = ["| stage | " + " | ".join(f"{size:,}" for size in sizes) + " |", "|---|" + "---:|" * len(sizes)]
    for k, row in enumerate(planned[sizes[0]]):
        cells = [f"{planned[size][k].wall_s:.1f} / {planned[size][k].cpu_s:.1f}" for size in sizes]
        lines.append(f"| {row.stage} | " + " | ".join(cells) + " |")
    wall = {size: sum(row.wall_s for row in planned[size]) for size in sizes}
    cpu = {size: sum(row.cpu_s for row in planned[size]) for size in sizes}
    total = [f"**{wall[size]:.1f} / {cpu[size]:.1f}**" for size in sizes]
    lines.append("| **whole plan**, s by the clock / of processor | " + " | ".join(total) + " |")
    per = [f"{1e6 * cpu[size] / (size * math.log2(size)):.2f}" for size in sizes]
    lines.append("| processor µs for each n log₂ n | " + " | ".join(per) + " |")
    silent = [max(planned[size], key=lambda row: row.silence_s) for size in sizes]
    lines.append("| longest silence | " + " | ".join(f"{row.silence_s:.1f} s ({row.stage})" for row in silent) + " |")
    peaks = [max(row.peak_gb for row in found[size]) for size in sizes]
    lines.append("| peak memory | " + " | ".join(f"{peak:.1f} GB" for peak in peaks) + " |")
    return "\n".join(lines)


# what is drawn as one, in the order of the work
_GROUPS = (
    ("reading the mesh", "#8f8a7a", ("master",)),
    ("direction and seam", "#b02a30", ("visibility", "opening", "undercut", "seam")),
    ("locks, glove and wall", "#6fa9a8", ("locks", "division", "rubber", "wall", "keys")),
    (
        "jacket, cast, order",
        "#dcb765",
        ("jacket", "peel", "cradle", "answers", "cast", "programme", "takeoff", "order", "before"),
    ),
    ("pictures", "#1f5a70", ("pictures",)),
    ("sheets, templates, page", "#6b4c9a", ("client sheet", "workshop sheets", "offer", "templates", "page")),
    ("closed meshes", "#6e4a2a", ("solids",)),
    ("saving", "#3b3d40", ("saving", "summary")),
)


def chart_svg(found: dict[int, list[Row]], title: str) -> str:
    """A bar for each size, its processor seconds by what they went into; what was measured and where above it."""
    totals = {size: sum(row.cpu_s for row in rows if not row.stage.startswith("(")) for size, rows in found.items()}
    known = {stage for _, _, stages in _GROUPS for stage in stages}
    if strange := sorted({r.stage for rows in found.values() for r in rows if r.stage[0] != "("} - known):
        raise SystemExit(f"Put into a group what is drawn of: {', '.join(strange)}.")
    per_px = max(totals.values()) / 560.0
    parts = [f'<text x="20" y="26">{title}</text>']
    for at, (size, rows) in enumerate(found.items()):
        y, x = 44 + 42 * at, 110.0
        parts.append(f'<text x="100" y="{y + 18}" text-anchor="end">{size:,}</text>')
        for _, colour, stages in _GROUPS:
            wide = sum(row.cpu_s for row in rows if row.stage in stages) / per_px
            parts.append(f'<rect x="{x:.1f}" y="{y}" width="{wide:.1f}" height="26" fill="{colour}"/>')
            x += wide
        parts.append(f'<text x="{x + 8:.1f}" y="{y + 18}">{totals[size]:.0f} s</text>')
    foot = 44 + 42 * len(found) + 14
    for at, (name, colour, _) in enumerate(_GROUPS):
        x, y = 20 + 185 * (at % 4), foot + 24 * (at // 4)
        parts.append(f'<rect x="{x}" y="{y}" width="13" height="13" fill="{colour}"/>')
        parts.append(f'<text x="{x + 20}" y="{y + 11}">{name}</text>')
    head = f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 760 {foot + 48}" font-family="sans-serif"'
    return f'{head} font-size="13"><rect width="760" height="{foot + 48}" fill="#fff"/>{"".join(parts)}</svg>\n'


def keep(found: dict[int, list[Row]], loads: dict[int, str], file: Path) -> None:
    """Write what was measured, and draw it."""
    rows = {str(size): [asdict(row) for row in rows] for size, rows in found.items()}
    record = {"cores": os.cpu_count(), "load_before": {str(k): v for k, v in loads.items()}, "stages": rows}
    file.write_text(json.dumps(record, indent=1) + "\n", encoding="utf-8")
    draw(file)


def draw(file: Path) -> None:
    """Draw a file of `keep` beside it."""
    record = json.loads(file.read_text(encoding="utf-8"))
    found = {int(size): [Row(**row) for row in rows] for size, rows in record["stages"].items()}
    loads = ", ".join(record["load_before"].values())
    words = f"Processor seconds by triangles, {record['cores']} cores, load before each {loads}"
    file.with_suffix(".svg").write_text(chart_svg(found, words), encoding="utf-8")


def main() -> None:
    """Print one table."""
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("--sizes", type=int, nargs="+", default=list(SIZES))
    ask.add_argument("--everything", action="store_true", help="also read the file and write all results")
    ask.add_argument("--out", type=Path, help="keep the figures as JSON, and draw them beside it")
    ask.add_argument("--draw", type=Path, help="draw figures kept before; measures nothing")
    ask.add_argument("--one", type=int, help=argparse.SUPPRESS)
    asked = ask.parse_args()
    if asked.draw:
        draw(asked.draw)
        return
    if asked.one:
        print(json.dumps([asdict(row) for row in one(asked.one, asked.everything)]))
        return
    found, loads = {}, {}
    for size in asked.sizes:
        loads[size] = load = f"{os.getloadavg()[0]:.1f}" if hasattr(os, "getloadavg") else "unknown"
        command = [sys.executable, __file__, "--one", str(size), *(["--everything"] if asked.everything else [])]
        run = subprocess.run(command, stdout=subprocess.PIPE, text=True, check=True)
        found[size] = [Row(**row) for row in json.loads(run.stdout.splitlines()[-1])]
        print(f"{size:,} done; {os.cpu_count()} cores, load before it {load}", file=sys.stderr, flush=True)
    print(table(found))
    if asked.out:
        keep(found, loads, asked.out)


if __name__ == "__main__":
    main()
