"""The direction search against the plain way: a ray both ways from every face centre for every direction.

python scripts/bench_opening.py [TRIANGLES] [DIRECTIONS]     default 1300000 512

The plain way (trimesh + embreex, the same mesh and cores) is timed on some of the directions, spread evenly, and scaled
to all of them; it judges locked area only, so both are asked for the direction that locks least. Ratios, one run.
Where two directions lock all but the same, either may come out: what each locks says how much that matters.
"""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Callable
from typing import TypeVar

import numpy as np
import trimesh
from mouldloft.base.threads import WORKERS, in_threads
from mouldloft.demo.hare import demo_hare
from mouldloft.geometry.rays import ray_scene
from mouldloft.inputs.brief import OpeningBrief, SeamBrief, brief_from_dict
from mouldloft.stages.master import Master, prepare_master, skin_faces
from mouldloft.stages.opening import COARSE_SAMPLES, Candidate, _judge, _survey, find_opening, half_sphere
from mouldloft.stages.visibility import how_it_shows

Result = TypeVar("Result")


def plain_locked_mm2(mesh: trimesh.Trimesh, direction: np.ndarray, skin: np.ndarray) -> float:
    """Area of skin whose face centre is shut both ways, by trimesh's own ray caster."""
    start = mesh.triangles_center + 1e-3 * mesh.face_normals
    ways = []
    for d in (direction, -direction):
        way = mesh.face_normals @ d > 0
        ways.append(~way | mesh.ray.intersects_any(start, np.broadcast_to(d, start.shape)))
    return float(mesh.area_faces[ways[0] & ways[1] & skin].sum())


def clocked(work: Callable[[], Result]) -> tuple[Result, np.ndarray]:
    """What work() gives, and (2,) seconds by the clock and of the processors."""
    wall, cpu = time.perf_counter(), time.process_time()
    result = work()
    return result, np.array([time.perf_counter() - wall, time.process_time() - cpu])


def search(master: Master, options: OpeningBrief, directions: np.ndarray) -> list[Candidate]:
    """The search alone: every direction judged, its scene and what shows included."""
    scene = ray_scene(master.vertices_mm, master.faces)
    show = how_it_shows(master, SeamBrief(), scene=scene)
    survey = _survey(master, options, scene, show, COARSE_SAMPLES, full_mesh=False)
    return in_threads(lambda d: _judge(survey, d, "search"), directions)


def main() -> None:
    """Print times, ratio, agreement."""
    triangles = int(sys.argv[1]) if len(sys.argv) > 1 else 1_300_000
    count = int(sys.argv[2]) if len(sys.argv) > 2 else 512
    brief = brief_from_dict({"master": {"finished_height_mm": 1400}})
    master = prepare_master(*demo_hare(triangles), brief.master)
    only_locked = {"fill_weight": 0.0, "depth_weight": 0.0, "balance_weight": 0.0, "show_weight": 0.0}
    options, directions = OpeningBrief(directions=count, **only_locked), half_sphere(count)
    find_opening(prepare_master(*demo_hare(20_000), brief.master), OpeningBrief(directions=32, refine=1))  # compile

    found, ours = clocked(lambda: search(master, options, directions))
    opening, whole = clocked(lambda: find_opening(master, options))

    mesh = trimesh.Trimesh(master.vertices_mm, master.faces, process=False)
    _ = mesh.triangles_center, mesh.face_normals, mesh.area_faces, mesh.ray
    skin = skin_faces(master)
    plain_locked_mm2(mesh, directions[0], skin)
    by_lock = sorted(range(count), key=lambda k: found[k].locked_area_mm2)
    # the ones that lock least, so that the best can be compared, and an even spread for the clock
    timed = sorted({*by_lock[:8], *range(0, count, max(count // 16, 1))})
    areas, plain = clocked(lambda: in_threads(lambda k: plain_locked_mm2(mesh, directions[k], skin), timed))
    plain *= count / len(timed)
    worst = max(abs(area - found[k].locked_area_mm2) for k, area in zip(timed, areas)) / master.skin_area_mm2
    best = directions[timed[int(np.argmin(areas))]]
    chosen = np.asarray(opening.chosen.direction)
    angle, apart = np.degrees(np.arccos(np.minimum(np.abs([best @ chosen, best @ directions[by_lock[0]]]), 1.0)))
    shares = np.array([min(areas), plain_locked_mm2(mesh, chosen, skin)]) / master.skin_area_mm2
    load = f", load {os.getloadavg()[0]:.1f}" if hasattr(os, "getloadavg") else ""
    print(f"mesh {len(master.faces):,} triangles, {count} directions, {WORKERS} threads each{load}")
    print("seconds by the clock / of the processors")
    print(f"plain way        {plain[0]:8.1f} / {plain[1]:8.1f} (from {len(timed)} directions)")
    for name, spent in (("search alone", ours), ("whole opening", whole)):
        ratio = plain / spent
        print(f"{name:16} {spent[0]:8.1f} / {spent[1]:8.1f}   {ratio[0]:.0f} / {ratio[1]:.0f} times faster")
    print(f"locked areas within {100 * worst:.2f} % of the skin on {len(timed)} directions")
    print(f"least locked: {apart:.1f} degrees apart, refined {angle:.1f}; judged the plain way it locks")
    print(f"{100 * shares[0]:.2f} % of the skin in the plain way's best and {100 * shares[1]:.2f} % in ours, refined")


if __name__ == "__main__":
    main()
