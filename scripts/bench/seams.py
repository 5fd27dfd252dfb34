"""Seams of a dozen sculpts and more, side by side: what is chosen, what the best plane would cost, which limits hold.

python scripts/bench/seams.py [--meshes FOLDER] [--keep FOLDER] [NAME ...]

The bodies made in code are always there; open meshes are read from FOLDER by the names in SCULPTS
(they come, for one, with Debian's libcgal-demo, in data.tar.gz under data/meshes). Each stands a metre high, a run of
six. Each seam is set beside the best plane of all the directions that are priced, the one that ranks first: a plane
across the chosen seam's own pull is often none that a half could be laid up from. What is printed of a half's inside
seen and reached is checked with other code in the tests.
"""

from __future__ import annotations

import argparse
import json
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import trimesh
from mouldloft.base.errors import PlanImpossible
from mouldloft.base.figures import listed
from mouldloft.demo.gallery import BODIES, demo_body
from mouldloft.geometry.frame import unit
from mouldloft.inputs.brief import Brief, MasterBrief, RunBrief
from mouldloft.inputs.catalogue import read_catalogue
from mouldloft.stages.lighter import lighten
from mouldloft.stages.master import Master, prepare_master
from mouldloft.stages.opening import Opening, direction_words
from mouldloft.stages.pipeline import open_mould
from mouldloft.stages.seam import Seam, SeamCandidate, keep_clear_weights, place_seam
from mouldloft.stages.seam.candidates import Judged, bench_of, best_plane
from mouldloft.stages.seam.ground import survey
from mouldloft.stages.seam.place import SEARCHED_ON, lay_out
from mouldloft.stages.visibility import how_it_shows
from mouldloft.trade.seamterms import SeamTerms, terms_for

# file, what it is, up, front
SCULPTS = {
    "armadillo": ("scaly beast on its hind legs", "+y", "-z"),
    "camel": ("camel", "+y", "+z"),
    "bull": ("horned bull", "+y", "-x"),
    "man": ("standing man", "+z", "-y"),
    "bear": ("toy bear", "+y", "+z"),
    "triceratops": ("three-horned beast", "+y", "+x"),
    "cow": ("cow", "+y", "+x"),
    "ChineseDragon-10kv": ("temple lion", "+y", "+z"),
    "mannequin-devil": ("horned head", "+z", "-y"),
    "diplodocus": ("long-necked beast", "+y", "+x"),
    "dino": ("two-legged beast", "+z", "-y"),
}


def bodies(folder: Path | None, wanted: list[str]) -> list[tuple[str, Master]]:
    """Names and masters: open ones a metre high, our own as made."""
    out = []
    for name in BODIES:
        if not wanted or name in wanted:
            made = demo_body(name, 40_000)
            brief = MasterBrief(finished_height_mm=float(np.ptp(made.vertices_mm[:, 2])))
            out.append((name, prepare_master(made.vertices_mm, made.faces, brief, name=name)))
    for file, (name, up, front) in SCULPTS.items():
        path = (folder or Path()) / f"{file}.off"
        if not path.exists() or (wanted and name not in wanted and file not in wanted):
            continue
        mesh = trimesh.load(path, process=True)
        brief = MasterBrief(finished_height_mm=1000, up=up, front=front)  # type: ignore[arg-type]
        out.append((name, prepare_master(np.array(mesh.vertices), np.array(mesh.faces), brief, name=name)))
    return out


def show_line(name: str, c: SeamCandidate, mark: str) -> None:
    """One seam in figures."""
    f, p = c.figures, c.price
    broken = listed(c.limits.broken)
    print(
        f"{mark} {name:28} {c.kind:6} {p.total:6.0f} {p.hours:5.1f} h  {f.loops} of {f.forced_lines} lines "
        f"{f.length_mm / 1000:5.2f} m {f.on_show_mm / 1000:5.2f} shown {f.bent_mm / 1000:5.2f} bent "
        f"{f.fill_mm3 / 1e6:6.2f} l  fair {f.fairness_mm:4.1f} turn {f.tightest_turn_mm:4.0f}  {broken}",
        flush=True,
    )


def best_plane_of(master: Master, opening: Opening, brief: Brief, terms: SeamTerms) -> tuple[np.ndarray, Judged]:
    """The plane that ranks first over the directions that are priced and the mirror plane's normal, and its pull."""
    show = how_it_shows(master, brief.seam)
    place = lay_out(lighten(master, SEARCHED_ON), terms, show, keep_clear_weights(master, brief.seam))
    ways = [c.direction for c in opening.candidates[: brief.opening.seams]]
    if opening.symmetry.is_symmetric:
        ways.append(opening.symmetry.normal)
    found = []
    for way in ways:
        pull = unit(np.asarray(way, float))
        try:
            found.append((pull, best_plane(bench_of(survey(place, pull)))))
        except PlanImpossible:
            continue
    return min(found, key=lambda one: one[1].rank)


def table_row(name: str, first: SeamCandidate, pull: np.ndarray, plane: Judged) -> str:
    """One row of the table: the chosen seam, and beside it the best plane."""
    a, b = first.figures, plane.drawn.figures
    cells = [
        f"{first.price.total:.0f}, {plane.drawn.price.total:.0f}",
        f"{a.length_mm / 1000:.2f}, {b.length_mm / 1000:.2f}",
        f"{a.on_show_mm / 1000:.2f}, {b.on_show_mm / 1000:.2f}",
        f"{a.loops} ({a.forced_lines}), {b.loops}",
        f"{a.fill_mm3 / 1e6:.1f}, {b.fill_mm3 / 1e6:.1f}",
        listed(first.limits.broken) or "-",
        f"{direction_words(tuple(pull))}: {listed(plane.limits.broken) or '-'}",
    ]
    return f"| {name} | {first.kind} | {' | '.join(cells)} |"


HEAD = (
    "| sculpt | chosen | price, plane's | m | m on show | lines (forced) | fill l | limits broken | the best plane: "
    "its pull and what it breaks |"
)


def keep(folder: Path, name: str, master: Master, seam: Seam) -> None:
    """What a picture of the seams needs."""
    folder.mkdir(parents=True, exist_ok=True)
    arrays = {"vertices": master.vertices_mm, "faces": master.faces}
    kinds = []
    for n, c in enumerate(seam.candidates):
        arrays[f"labels{n}"] = c.labels
        kinds.append({"kind": c.kind, "reason": c.reason, "lines": len(c.lines), "broken": list(c.limits.broken)})
        for k, line in enumerate(c.lines):
            arrays[f"line{n}_{k}"] = np.vstack([line.points_mm, line.points_mm[:1]]) if line.closed else line.points_mm
    np.savez(folder / f"{name}.npz", **arrays)  # type: ignore[arg-type]
    (folder / f"{name}.json").write_text(json.dumps(kinds))


def main() -> None:
    """Print a table and the counts that are asked of it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--meshes", type=Path)
    parser.add_argument("--keep", type=Path)
    parser.add_argument("names", nargs="*")
    given = parser.parse_args()
    brief = replace(Brief(), run=RunBrief(casts=6))
    catalogue = read_catalogue(None)
    rows, counts = [], np.zeros(6, int)
    for name, master in bodies(given.meshes, given.names):
        began = time.process_time()
        opening, field = open_mould(master, brief, catalogue=catalogue)
        half = time.process_time()
        terms = terms_for(master.height_mm, brief, catalogue)
        seam = place_seam(master, opening, field, brief.seam, terms=terms)
        print(f"{name}: {opening.chosen.reason} ({half - began:.1f} and {time.process_time() - half:.1f} s)")
        for c in seam.candidates:
            show_line(name, c, "*" if c.chosen else " ")
        if given.keep:
            keep(given.keep, name, master, seam)
        pull, plane = best_plane_of(master, opening, brief, terms)
        first = seam.candidates[0]
        rows.append(table_row(name, first, pull, plane))
        print(rows[-1], flush=True)
        counts += counted_of(first, plane)
    print("\n".join(["", HEAD, "|---" * 9 + "|", *rows, ""]))
    print(f"{counts[0]} sculpts: {counts[1]} dearer than the best plane, where it breaks no more limits;")
    print(f"{counts[2]} cheaper by a tenth and less on show, {counts[3]} of the planes keep every limit;")
    print(f"{counts[4]} with no line more than is forced, {counts[5]} keep every limit")


def counted_of(first: SeamCandidate, plane: Judged) -> tuple[int, ...]:
    """One sculpt, and what holds of it: dearer than a plane as good, cheaper by a tenth and less on show, the plane
    keeps every limit, no line more than is forced, keeps every limit."""
    ratio = first.price.total / plane.drawn.price.total
    as_good = plane.limits.excess <= first.limits.excess + 1e-9
    a, b = first.figures, plane.drawn.figures
    return (
        1,
        int(ratio > 1.0 + 1e-9 and as_good),
        int(ratio < 0.9 and a.on_show_mm < b.on_show_mm),
        int(plane.limits.kept),
        int(a.loops <= a.forced_lines),
        int(first.limits.kept),
    )


if __name__ == "__main__":
    main()
