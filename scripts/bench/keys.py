"""Seconds to check the keys again after one was added, moved or removed, on the demo hare.

python scripts/bench/keys.py [TRIANGLES]      default 80000
Twice: as the add-on asks, from the rubber alone (the first time and later), and with the sites surveyed beforehand.
Timings are this machine's; processor seconds leave out what other work on it takes.
"""

from __future__ import annotations

import sys
import time
from dataclasses import replace
from statistics import median

from mouldloft.demo.hare import demo_hare
from mouldloft.inputs.brief import brief_from_dict
from mouldloft.inputs.catalogue import read_catalogue
from mouldloft.stages.keys.fixture import recheck_keys, rubber_properties
from mouldloft.stages.keys.place import set_keys
from mouldloft.stages.keys.sites import survey_sites
from mouldloft.stages.master import prepare_master
from mouldloft.stages.pipeline import survey_open_master
from mouldloft.stages.rubber.glove import brush_rubber

RUNS = 9


def main() -> None:
    """Print a line for each change and way."""
    triangles = int(sys.argv[1]) if len(sys.argv) > 1 else 80_000
    brief = brief_from_dict({"piece": "Seated hare", "master": {"finished_height_mm": 1400}, "run": {"casts": 6}})
    master = prepare_master(*demo_hare(triangles), brief.master)
    survey = survey_open_master(master, brief)
    rubber = brush_rubber(master, survey.seam, brief)
    properties = rubber_properties(read_catalogue(None).rubber_for(brief.materials))
    keys = set_keys(rubber, survey.locks, survey.seam, brief.keys, master=master, properties=properties).keys
    surveyed = survey_sites(rubber, brief.keys, survey.locks, survey.seam, master)
    x, y, z = keys[0].foot_mm
    moved = replace(keys[0], foot_mm=(x, y + 20.0, z - 30.0))
    changes = {"added": (*keys, moved), "moved": (moved, *keys[1:]), "removed": keys[1:]}
    print(f"{triangles:,} triangles, {len(keys)} keys, median of {RUNS}")
    for name, changed in changes.items():
        for way, sites in (("from the rubber alone", None), ("ground surveyed", surveyed)):
            clock, cpu = [], []
            for _ in range(RUNS):
                start, begun = time.perf_counter(), time.process_time()
                recheck_keys(changed, rubber, brief.keys, properties, sites)
                clock.append(time.perf_counter() - start)
                cpu.append(time.process_time() - begun)
            print(
                f"one {name}, {way}: first {clock[0]:.3f} s, then {median(clock[1:]):.3f} s "
                f"(processor {cpu[0]:.3f}, then {median(cpu[1:]):.3f} s)"
            )


if __name__ == "__main__":
    main()
