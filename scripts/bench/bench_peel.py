"""How peeling converges with the lattice's pitch, and the ring rule against mechanics.

python scripts/bench/bench_peel.py known                closed forms at several pitches, a minute or two
python scripts/bench/bench_peel.py bodies [NAME ...]     demo bodies planned and peeled straight: rule, mechanics, time

What is known (ring on a cone, band over a ball, strip bent) stands in tests/stages/peel; here it is run over pitches.
"""

from __future__ import annotations

import resource
import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT / "tests" / "stages" / "peel"), str(ROOT / "tests")]


def known() -> None:
    import test_contact as contact
    import test_element as element

    beta, radius, side = np.radians(20.0), 50.0, 6.0
    print("ring up a 20° cone, force over closed form, with friction 0 and 0.3")
    for pitch in (8.0, 6.0, 4.0, 3.0):
        found = []
        for friction in (0.0, 0.3):
            ring = contact.ring_on(lambda z: radius + z * np.tan(beta), radius, side, pitch, friction, 40.0)
            moved, force = ring[ring[:, 0] > 30.0].T
            way = (np.tan(beta) + friction) / (1 - friction * np.tan(beta))
            exact = 2 * np.pi * contact.tension(radius + moved * np.tan(beta), radius, side) * way
            found.append(float((force / exact).mean()))
        print(f"  {pitch:4.0f} mm  {found[0]:.3f}  {found[1]:.3f}")
    print("strip of 8.5 mm bent in plane strain, stiffness over closed form at 0 to 45° to the cells: mean, range")
    for pitch in (12.0, 8.0, 6.0, 4.0):
        row = []
        for degrees in (0, 15, 30, 45):
            ratios = [_bending(element, pitch, degrees, offset) for offset in (0.0, 0.25, 0.5, 0.75)]
            row.append(f"{np.mean(ratios):.2f} ({min(ratios):.2f} to {max(ratios):.2f})")
        print(f"  {pitch:4.0f} mm  " + "  ".join(row))


def _bending(element, pitch: float, degrees: float, offset: float) -> float:  # type: ignore[no-untyped-def]
    roots = [(12 / element.guided(pitch, degrees, offset, length)) ** (1 / 3) for length in (160.0, 320.0)]
    return float((160.0 / (roots[1] - roots[0])) ** 3 / (4 * element.MU * 8.5**3 / 12))


def bodies(names: list[str]) -> None:
    from mouldloft.base.progress import Progress
    from mouldloft.demo.gallery import BODIES, demo_body
    from mouldloft.inputs.brief import brief_from_dict
    from mouldloft.stages.master import prepare_master
    from mouldloft.stages.pipeline import peel_off, plan

    print("body and piece | rule | stretch by mechanics | N | verdict | processor s | MB at most | longest silence s")
    for name in names or BODIES:
        mesh = demo_body(name, 20_000)
        brief = brief_from_dict({"opening": {"directions": 128, "refine": 3, "seams": 3}, "rubber": {"pixel_mm": 4.0}})
        made = plan(prepare_master(mesh.vertices_mm, mesh.faces, brief.master, name=name), brief)
        brief = replace(brief, peel=replace(brief.peel, run=True, ways="straight"))
        said = [time.monotonic()]
        progress = Progress(lambda *_, said=said: said.append(time.monotonic()))
        begin = time.process_time()
        peel = peel_off(made.master, made.seam, made.locks, made.rubber, brief, made.catalogue, progress)
        took, silence = time.process_time() - begin, float(np.diff(said).max())
        most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        assert peel is not None
        for glove in peel.gloves:
            print(
                f"{name}, {glove.name} | {glove.rule_stretch:.0%} | {glove.stretch_low:.0%} to {glove.stretch_high:.0%}"
                f" | {glove.force_low_n:.0f} to {glove.force_high_n:.0f} | {glove.verdict} | {took:.0f} | {most:.0f} "
                f"| {silence:.1f}",
                flush=True,
            )


if __name__ == "__main__":
    if sys.argv[1:2] == ["known"]:
        known()
    elif sys.argv[1:2] == ["bodies"]:
        bodies(sys.argv[2:])
    else:
        sys.exit(__doc__)
