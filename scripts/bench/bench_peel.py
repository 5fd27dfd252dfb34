"""How peeling converges with the lattice's pitch, and the ring rule against mechanics.

python scripts/bench/bench_peel.py known [OUT.svg]    closed forms at several pitches, printed and drawn, minutes
python scripts/bench/bench_peel.py bodies FILE [--meshes FOLDER] [--ways straight|all] [--keep FOLDER]
                                    [--names NAME ...]
                                    twenty bodies parted by a plane and peeled: rule, mechanics, time, a line each
                                    added to FILE; those that stand in it are left out;
                                    --keep: each to be looked at again, as a pickle
python scripts/bench/bench_peel.py plot FILE [OUT.svg]   those lines drawn: rule against mechanics, verdicts counted

What is known (ring on a cone, strip bent, clip by finite elements) stands in tests/stages/peel; here it is run over
pitches.
The bodies: ten plain ones 400 mm tall and ten sculpts 450 mm tall, of which six open ones are read from FOLDER (see
`seams.py` for where they come from). They were fixed before any of them was peeled.
"""

from __future__ import annotations

import argparse
import json
import pickle
import sys
import time
from pathlib import Path

import msgspec
import numpy as np

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT / "tests" / "stages" / "peel"), str(ROOT / "tests"), str(ROOT / "scripts" / "bench")]


def known(given: argparse.Namespace) -> None:
    """Errors by pitch of all that has a closed form or a reference, printed and drawn."""
    import test_contact as contact
    import test_element as element
    import test_finite_elements as elements
    from convergence import plot_svg

    beta, radius, side = np.radians(20.0), 50.0, 6.0
    rings: dict[str, list[tuple[float, float]]] = {}
    for pitch in (8.0, 6.0, 4.0, 3.0):
        for friction in (0.0, 0.3):
            ring = contact.ring_on(lambda z: radius + z * np.tan(beta), radius, side, pitch, friction, 40.0)
            moved, force = ring[ring[:, 0] > 30.0].T
            way = (np.tan(beta) + friction) / (1 - friction * np.tan(beta))
            exact = 2 * np.pi * contact.tension(radius + moved * np.tan(beta), radius, side) * way
            _note(rings, f"friction {friction:g}", pitch, float((force / exact).mean()) - 1)
    bent: dict[str, list[tuple[float, float]]] = {}
    for pitch in (12.0, 8.0, 6.0, 4.0):
        for degrees in (0, 15, 30, 45):
            ratios = [_bending(element, pitch, degrees, offset) for offset in (0.0, 0.25, 0.5, 0.75)]
            print(f"  strip at {degrees}°, {pitch:g} mm: {min(ratios):.2f} to {max(ratios):.2f} times as stiff")
            _note(bent, f"mean at {degrees}°", pitch, float(np.mean(ratios)) - 1)
    clips: dict[str, list[tuple[float, float]]] = {}
    exact = elements.by_finite_elements(elements.DRAWN).max()
    for pitch in (13.0, 8.0, 5.0, 4.0, 3.0):
        most = [elements.by_lattice(elements.DRAWN, pitch, offset).max() for offset in (0.0, 0.25, 0.5, 0.75)]
        _note(clips, "mean", pitch, float(np.mean(most)) / exact - 1)
        _note(clips, "worst place", pitch, max(most, key=lambda f: abs(f / exact - 1)) / exact - 1)
    plots = (("6 mm ring up a 20° cone: force", rings), ("8.5 mm strip bent: stiffness", bent),
             ("10 mm clip off a bar: force", clips))  # fmt: skip
    groups = "".join(
        f'<g transform="translate({460 * k} 0)">{plot_svg(title, "cells, mm", lines)}</g>'
        for k, (title, lines) in enumerate(plots)
    )
    head = '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 1380 335" font-family="sans-serif" font-size="13">'
    given.out.write_text(f'{head}<rect width="1380" height="335" fill="#fff"/>{groups}</svg>\n')


def _note(lines: dict[str, list[tuple[float, float]]], name: str, pitch: float, off: float) -> None:
    print(f"  {name}, {pitch:g} mm: {100 * off:+.1f} %", flush=True)
    lines.setdefault(name, []).append((pitch, 100 * abs(off)))


def _bending(element, pitch: float, degrees: float, offset: float) -> float:  # type: ignore[no-untyped-def]
    roots = [(12 / element.guided(pitch, degrees, offset, length)) ** (1 / 3) for length in (160.0, 320.0)]
    return float((160.0 / (roots[1] - roots[0])) ** 3 / (4 * element.MU * 8.5**3 / 12))


PLAIN = {
    "ball": lambda m: m.sphere(),
    "egg": lambda m: m.ellipsoid(),
    "ring standing": lambda m: _standing(m.torus()),
    "cone": lambda m: m.cone(),
    "upturned cone": lambda m: m.cone(60.0, 100.0),
    "block": lambda m: m.box(),
    "bracket": lambda m: m.u_shape(),
    "mushroom": lambda m: m.mushroom(),
    "two balls run together": lambda m: m.two_lobes(),
    "thick-necked mushroom": lambda m: m.mushroom(100.0, 70.0),
}
OWN = ("hare", "figure", "goat", "beast")
OPEN = ("armadillo", "camel", "bull", "man", "bear", "cow")
_PLAIN_MM, _SCULPT_MM, _TRIANGLES = 400.0, 450.0, 20_000


def _standing(mesh):  # type: ignore[no-untyped-def]
    vertices, faces = mesh
    return vertices[:, [0, 2, 1]] * [1, -1, 1], faces


def _body(name: str, folder: Path | None):  # type: ignore[no-untyped-def]
    """Vertices, faces and the brief's lines of one of the twenty, or None where its file is not there."""
    import meshes
    import trimesh
    from mouldloft.demo.gallery import demo_body
    from seams import SCULPTS

    if name in PLAIN:
        return *PLAIN[name](meshes), {"finished_height_mm": _PLAIN_MM}
    if name in OWN:
        mesh = demo_body(name, _TRIANGLES)
        return mesh.vertices_mm, mesh.faces, {"finished_height_mm": _SCULPT_MM}
    path = (folder or Path()) / f"{name}.off"
    if not path.exists():
        return None
    mesh = trimesh.load(path, process=True)
    up, front = SCULPTS[name][1:]
    return np.array(mesh.vertices), np.array(mesh.faces), {"finished_height_mm": _SCULPT_MM, "up": up, "front": front}


def peeled(name: str, folder: Path | None, ways: str, keep: Path | None) -> list[dict]:
    """A line for each glove of a body, parted by a plane."""
    from mouldloft.base.progress import Progress
    from mouldloft.inputs.brief import brief_from_dict
    from mouldloft.inputs.catalogue import read_catalogue
    from mouldloft.stages.master import prepare_master
    from mouldloft.stages.pipeline import peel_off, survey_open_master
    from mouldloft.stages.rubber import brush_rubber

    found = _body(name, folder)
    if found is None:
        return []
    vertices, faces, lines = found
    brief = brief_from_dict(
        {
            "master": lines, "opening": {"directions": 64, "refine": 1, "seams": 2}, "seam": {"kind": "plane"},
            "rubber": {"pixel_mm": 4.0}, "peel": {"run": True, "ways": ways},
        }
    )  # fmt: skip
    catalogue = read_catalogue(None)
    survey = survey_open_master(prepare_master(vertices, faces, brief.master, name=name), brief, catalogue)
    rubber = brush_rubber(survey.master, survey.seam, brief, rubber_material=catalogue.rubber_for(brief.materials))
    said = [time.monotonic()]
    progress = Progress(lambda *_: said.append(time.monotonic()))
    begin = time.process_time()
    peel = peel_off(survey.master, survey.seam, survey.locks, rubber, brief, catalogue, progress)
    took, silence = time.process_time() - begin, float(np.diff(said).max())
    assert peel is not None
    if keep is not None:
        keep.mkdir(parents=True, exist_ok=True)
        shape = survey.master.vertices_mm, survey.master.faces
        (keep / f"{name}.pickle").write_bytes(pickle.dumps((*shape, rubber.envelopes, peel)))
    return [
        {
            "body": name, "sculpt": name not in PLAIN, "glove": g.name, "verdict": g.verdict, "why": g.why,
            "way": g.way, "rule": g.rule_stretch, "stretch": [g.stretch_low, g.stretch_high],
            "force_n": [g.force_low_n, g.force_high_n], "kg": g.rubber_kg, "pockets": len(g.pockets), "ways": ways,
            "allowed": peel.stretch_allowed, "breaks": survey.locks.elongation_at_break, "processor_s": took,
            "silence_s": silence, "cells": len(g.motion.nodes), "tries": [msgspec.to_builtins(t) for t in g.tries],
        }
        for g in peel.gloves
    ]  # fmt: skip


def bodies(given: argparse.Namespace) -> None:
    """Peel what is not in the file yet."""
    known = {row["body"] for row in _rows(given.file)}
    for name in given.names or (*PLAIN, *OWN, *OPEN):
        if name in known:
            continue
        for row in peeled(name, given.meshes, given.ways, given.keep):
            with given.file.open("a") as file:
                file.write(json.dumps(row) + "\n")
            print(
                f"{row['body']}, {row['glove']} | rule {row['rule']:.0%} | stretch {row['stretch'][0]:.0%} to "
                f"{row['stretch'][1]:.0%} | {row['force_n'][0]:.0f} to {row['force_n'][1]:.0f} N, {row['kg']:.1f} kg | "
                f"{row['verdict']} {' '.join(row['why'])} | {row['cells']} cells, {row['processor_s']:.0f} s | "
                f"{row['silence_s']:.1f} s silent",
                flush=True,
            )


def _rows(file: Path) -> list[dict]:
    return [json.loads(line) for line in file.read_text().splitlines()] if file.exists() else []


_COLOURS = {"off": "#2f7d4f", "doubtful": "#c98a1b", "stuck": "#b3372f"}
_LOW, _HIGH = 0.01, 10.0  # strains drawn, 1 % to 1,000 %: what is beyond stands on the edge
_SIDE = 430.0


def plot(given: argparse.Namespace) -> None:
    """Rule against mechanics, a mark for each glove: filled for sculpts, its bar from the least to the greatest."""
    rows = _rows(given.file)
    allowed = rows[0]["allowed"]

    def along(strain: float) -> float:
        share = np.log(np.clip(strain, _LOW, _HIGH) / _LOW) / np.log(_HIGH / _LOW)
        return float(60 + share * _SIDE)

    def mark(row: dict) -> str:
        x, low, high = along(row["rule"]), *(500 - along(s) for s in row["stretch"])
        colour = _COLOURS[row["verdict"]]
        fill = colour if row["sculpt"] else "#fff"
        return (
            f'<path d="M{x:.1f} {low:.1f}V{high:.1f}" stroke="{colour}" stroke-width="2"/>'
            f'<circle cx="{x:.1f}" cy="{high:.1f}" r="5" fill="{fill}" stroke="{colour}" stroke-width="1.6">'
            f"<title>{row['body']}, {row['glove']}: {row['verdict']}</title></circle>"
        )

    ticks = (0.01, 0.03, 0.1, 0.3, 1.0, 3.0, 10.0)
    grid = "".join(
        f'<path d="M{along(t):.1f} 10V440M60 {500 - along(t):.1f}H490" stroke="#e4e0d8"/>'
        f'<text x="{along(t):.1f}" y="458" text-anchor="middle">{100 * t:g}</text>'
        f'<text x="54" y="{504 - along(t):.1f}" text-anchor="end">{100 * t:g}</text>'
        for t in ticks
    )
    limit = "".join(
        f'<path d="{d}" stroke="#888" stroke-dasharray="5 4" fill="none"/>'
        for d in (f"M{along(allowed):.1f} 10V440", f"M60 {500 - along(allowed):.1f}H490", "M60 440L490 10")
    )
    count = {v: sum(r["verdict"] == v for r in rows) for v in _COLOURS}
    key = "".join(
        f'<circle cx="520" cy="{40 + 24 * k}" r="5" fill="{c}"/><text x="532" y="{44 + 24 * k}">{v}: {count[v]}</text>'
        for k, (v, c) in enumerate(_COLOURS.items())
    )
    worst = {r["body"]: max(q["verdict"] != "off" for q in rows if q["body"] == r["body"]) for r in rows}
    text = (
        '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 680 500" font-family="sans-serif" font-size="13">'
        f'<rect width="680" height="500" fill="#fff"/>{grid}{limit}{"".join(mark(r) for r in rows)}{key}'
        '<text x="275" y="484" text-anchor="middle">stretch by the ring rule, %</text>'
        '<text transform="translate(16 225) rotate(-90)" text-anchor="middle">stretch by mechanics, %</text>'
        '<text x="515" y="130">filled: sculpts</text><text x="515" y="152">dashed: what is allowed,</text>'
        '<text x="515" y="170">and where both agree</text></svg>\n'
    )
    given.out.write_text(text)
    print(f"{len(worst)} bodies, {len(rows)} gloves: {count}; bodies not plainly off: {sum(worst.values())}")
    for name in ("rule says no, mechanics off", "rule says yes, mechanics not off"):
        no = name.startswith("rule says no")
        said = [r for r in rows if (r["rule"] > allowed) == no and (r["verdict"] == "off") == no]
        print(f"{name}: {len(said)}: {', '.join(r['body'] + ' ' + r['glove'] for r in said)}")


def main() -> None:
    """Run what is asked."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    kinds = parser.add_subparsers(dest="kind", required=True)
    sure = kinds.add_parser("known")
    sure.add_argument("out", type=Path, nargs="?", default=Path(__file__).with_name("bench_peel_known.svg"))
    run = kinds.add_parser("bodies")
    run.add_argument("file", type=Path)
    run.add_argument("--meshes", type=Path)
    run.add_argument("--keep", type=Path)
    run.add_argument("--ways", choices=("straight", "all"), default="all")
    run.add_argument("--names", nargs="+")
    drawn = kinds.add_parser("plot")
    drawn.add_argument("file", type=Path)
    drawn.add_argument("out", type=Path, nargs="?", default=Path(__file__).with_suffix(".svg"))
    given = parser.parse_args()
    {"known": known, "bodies": bodies, "plot": plot}[given.kind](given)


if __name__ == "__main__":
    main()
