#!/usr/bin/env python3
"""How soon Blender shows a new undercut map after a change of direction, measured inside Blender.

    python scripts/bench/addon.py --blender 4.5 [--triangles 300000]

Presses the add-on's own operator for a row of directions on the demo hare and tells the time from the press to the
colours being written; the first press compiles and sets up what the later ones use again, and is told apart.
Run it with the project's own environment, like check_extension.py.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

DIRECTIONS = ((1, 0, 0), (0, 1, 0), (0, 0, 1), (1, 1, 0), (1, 0, 1), (0.3, 1, 0.2), (-1, 0.4, 0.1), (0.2, 0.1, -1))


def inside(archive: str, mesh_file: str) -> None:
    """In Blender: install the zip, take the mesh in, time the operator."""
    import bpy
    import numpy as np

    import addon_utils  # isort: skip  (bpy puts it on the path)

    bpy.ops.wm.read_factory_settings(use_empty=True)
    addon_utils.enable("bl_pkg")
    bpy.ops.extensions.package_install_files(filepath=archive, repo="user_default", enable_on_install=True)
    with np.load(mesh_file) as kept:
        vertices, faces = kept["v"], kept["f"]
    from bl_ext.user_default.mouldloft.scene import results

    mesh = results.new_mesh("Hare", vertices / 1000.0, faces, False)
    thing = bpy.data.objects.new("Hare", mesh)
    bpy.context.collection.objects.link(thing)
    settings = bpy.context.scene.mouldloft
    settings.sculpt = thing
    started = time.perf_counter()
    bpy.ops.mouldloft.run(section="sculpt")
    print(f"{bpy.app.version_string}: {len(faces)} triangles taken in in {time.perf_counter() - started:.2f} s")
    took = []
    for direction in DIRECTIONS:
        settings.own_way = direction
        started = time.perf_counter()
        bpy.ops.mouldloft.preview_way(index=-1)
        took.append(time.perf_counter() - started)
    later = sorted(took[1:])
    told = f"first {took[0]:.2f} s, then {later[0]:.2f} to {later[-1]:.2f} s (median {later[len(later) // 2]:.2f} s)"
    print(f"{bpy.app.version_string}: new undercut map, {len(faces)} triangles: {told}", flush=True)
    os._exit(0)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--blender", default="4.5")
    parser.add_argument("--triangles", type=int, default=300_000)
    parser.add_argument("--inside", nargs=2, metavar=("ZIP", "MESH"), help=argparse.SUPPRESS)
    chosen = parser.parse_args()
    if chosen.inside:
        return inside(*chosen.inside)
    sys.path.insert(0, str(Path(__file__).resolve().parent.parent))
    import numpy as np
    from build_extension import ROOT, build_zip
    from check_extension import RELEASES, environment_for
    from mouldloft.demo.hare import demo_hare

    python = environment_for(chosen.blender)
    archive = build_zip("linux-x64", RELEASES[chosen.blender].python, ROOT / "dist")
    with tempfile.TemporaryDirectory() as room:
        vertices, faces = demo_hare(chosen.triangles)
        np.savez(Path(room) / "mesh.npz", v=vertices, f=faces)
        environment = {**os.environ, "BLENDER_USER_RESOURCES": room}
        command = [str(python), __file__, "--inside", str(archive), str(Path(room) / "mesh.npz")]
        done = subprocess.run(command, env=environment, capture_output=True, text=True)
    print("\n".join(line for line in done.stdout.splitlines() if "triangles" in line) or done.stdout + done.stderr)


if __name__ == "__main__":
    main()
