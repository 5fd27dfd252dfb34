"""The direction search against the plain way: a ray both ways from every face centre for every direction.

python scripts/bench_opening.py [TRIANGLES] [DIRECTIONS]     default 1300000 512

The plain way (trimesh + embreex, the same mesh and cores) is timed on some of the directions, spread evenly, and scaled
to all of them; it judges locked area only, so both are asked for the direction that locks least. Ratios, one run.
"""

from __future__ import annotations

import sys
import time

import numpy as np
import trimesh
from mouldloft.brief import OpeningBrief, SeamBrief, brief_from_dict
from mouldloft.demo import demo_hare
from mouldloft.master import prepare_master
from mouldloft.opening import COARSE_SAMPLES, _judge, _survey, find_opening, half_sphere
from mouldloft.rays import ray_scene
from mouldloft.threads import WORKERS, in_threads
from mouldloft.undercut import skin_faces
from mouldloft.visibility import how_it_shows


def plain_locked_mm2(mesh: trimesh.Trimesh, direction: np.ndarray, skin: np.ndarray) -> float:
    """Area of skin whose face centre is shut both ways, by trimesh's own ray caster."""
    start = mesh.triangles_center + 1e-3 * mesh.face_normals
    ways = []
    for d in (direction, -direction):
        way = mesh.face_normals @ d > 0
        ways.append(~way | mesh.ray.intersects_any(start, np.broadcast_to(d, start.shape)))
    return float(mesh.area_faces[ways[0] & ways[1] & skin].sum())


def main() -> None:
    """Print times, ratio, agreement."""
    triangles = int(sys.argv[1]) if len(sys.argv) > 1 else 1_300_000
    count = int(sys.argv[2]) if len(sys.argv) > 2 else 512
    brief = brief_from_dict({"master": {"finished_height_mm": 1400}})
    vertices, faces = demo_hare(triangles)
    master = prepare_master(vertices, faces, brief.master)
    del vertices, faces
    options = OpeningBrief(directions=count)
    find_opening(prepare_master(*demo_hare(20_000), brief.master), OpeningBrief(directions=32, refine=1))  # compile

    clock = time.perf_counter()
    scene = ray_scene(master.vertices_mm, master.faces)
    show = how_it_shows(master, SeamBrief(), scene=scene)
    survey = _survey(master, options, scene, show, COARSE_SAMPLES, full_mesh=False)
    directions = half_sphere(count)
    found = in_threads(lambda d: _judge(survey, d, "search"), directions)
    ours = time.perf_counter() - clock
    clock = time.perf_counter()
    opening = find_opening(master, options, scene=scene)
    whole = time.perf_counter() - clock

    mesh = trimesh.Trimesh(master.vertices_mm, master.faces, process=False)
    _ = mesh.triangles_center, mesh.face_normals, mesh.area_faces, mesh.ray
    skin = skin_faces(master)
    plain_locked_mm2(mesh, directions[0], skin)
    by_lock = sorted(range(count), key=lambda k: found[k].locked_area_mm2)
    # the ones that lock least, so that the best can be compared, and an even spread for the clock
    timed = sorted({*by_lock[:8], *range(0, count, max(count // 16, 1))})
    clock = time.perf_counter()
    areas = dict(zip(timed, in_threads(lambda k: plain_locked_mm2(mesh, directions[k], skin), timed)))
    plain = (time.perf_counter() - clock) * count / len(timed)
    best_plain = min(areas, key=lambda k: areas[k])
    worst = max(abs(areas[k] - found[k].locked_area_mm2) for k in timed) / master.skin_area_mm2
    angle = np.degrees(np.arccos(min(abs(float(directions[best_plain] @ directions[by_lock[0]])), 1.0)))
    print(f"mesh {len(master.faces):,} triangles, {count} directions, {WORKERS} threads each")
    print(f"plain way        {plain:8.1f} s (from {len(timed)} directions)")
    print(f"ours, search     {ours:8.1f} s   {plain / ours:.0f} times faster")
    print(f"ours, with refinement, symmetry and ranking {whole:.1f} s   {plain / whole:.0f} times faster")
    print(f"least locked by either: {angle:.1f} degrees apart; locked areas within {100 * worst:.2f} % of the skin")
    print(f"chosen: {opening.chosen.reason}")


if __name__ == "__main__":
    main()
