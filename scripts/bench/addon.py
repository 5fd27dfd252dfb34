#!/usr/bin/env python3
"""How soon the undercut map follows a dragged direction, and how close it stays to the exact one.

    python scripts/bench/addon.py --blender 4.5 [--triangles 300000]     inside Blender, without a window
    blender --python scripts/bench/addon.py -- --depth-pass MESH.npz     in a window: by the graphics card

The first takes the demo hare in with the add-on and times the quick map for a row of directions: clock and processor
time of our own work a frame (map, figures, colours handed over), and the locked area against exact rays. The second
times what was weighed against it: depth maps along the pull and against it, drawn by Blender's `gpu` module, and the
hare drawn once with every pixel looked up in both. MESH.npz holds v (n, 3) in millimetres and f (m, 3); the first
leaves one in build/. Run the first with the project's own environment.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

DIRECTIONS = (
    (1, 0, 0), (0, 1, 0), (0, 0, 1), (1, 1, 0), (1, 0, 1), (0.3, 1, 0.2), (-1, 0.4, 0.1), (0.2, 0.1, -1),
    (0.9, 0.4, 0.3),
)  # fmt: skip
MAP_PIXELS = 1024


def _middle(values: list[float]) -> float:
    return sorted(values)[len(values) // 2]


def inside(archive: str, mesh_file: str) -> None:
    """In Blender: install the zip, take the mesh in, time the quick map and compare it with exact rays."""
    import bpy
    import numpy as np

    import addon_utils  # isort: skip  (bpy puts it on the path)

    bpy.ops.wm.read_factory_settings(use_empty=True)
    addon_utils.enable("bl_pkg")
    bpy.ops.extensions.package_install_files(filepath=archive, repo="user_default", enable_on_install=True)
    with np.load(mesh_file) as kept:
        vertices, faces = kept["v"], kept["f"]
    from bl_ext.user_default.mouldloft.scene import results, state
    from bl_ext.user_default.mouldloft.work import quick
    from mouldloft.stages.undercut import undercut_field

    thing = bpy.data.objects.new("Hare", results.new_mesh("Hare", vertices / 1000.0, faces, False))
    bpy.context.collection.objects.link(thing)
    bpy.context.scene.mouldloft.sculpt = thing
    started = time.perf_counter()
    bpy.ops.mouldloft.take_sculpt()
    head = f"{bpy.app.version_string}, {len(faces)} triangles:"
    print(head, f"taken in in {time.perf_counter() - started:.2f} s")
    master = state.done_now(bpy.context.scene)["master"]
    copy = results.of_role(bpy.context.scene, "map")[0]
    started = time.perf_counter()
    quick.quick(master, DIRECTIONS[0])
    print(head, f"made ready in {time.perf_counter() - started:.2f} s, once (compiled code counted)")
    clock, work, object_s, off = [], [], [], []
    for direction in DIRECTIONS * 3:
        at, spent = time.perf_counter(), time.process_time()
        found = quick.quick(master, direction)
        np.zeros(-(-len(found.answers) // 4096) * 4096, np.float32)[: len(found.answers)] = found.answers
        clock.append(time.perf_counter() - at)
        work.append(time.process_time() - spent)
        at = time.perf_counter()
        results.colour_answers(copy, found.answers)
        object_s.append(time.perf_counter() - at)
    scene = quick.mapper_for(master).scene
    exact_s = []
    for direction in DIRECTIONS:
        at = time.perf_counter()
        exact = undercut_field(master, direction, check=False, scene=scene)
        exact_s.append(time.perf_counter() - at)
        off.append(quick.quick(master, direction).locked_area_mm2 / exact.locked_area_mm2 - 1.0)
    print(
        head,
        f"a frame {1e3 * _middle(clock):.0f} ms by the clock, {1e3 * _middle(work):.0f} ms of processor; colours on "
        f"the object instead of by shader {1e3 * _middle(object_s):.0f} ms more; exact map {_middle(exact_s):.2f} s; "
        f"locked area off by {100 * max(abs(v) for v in off):.2f} % of itself at most",
        flush=True,
    )
    os._exit(0)


_DEPTH = ("void main() { gl_Position = whole * vec4(pos, 1.0); }", "void main() { colour = vec4(gl_FragCoord.z); }")
_LOOK = (
    """void main() {
  gl_Position = whole * vec4(pos, 1.0);
  vec4 p = pull * vec4(pos, 1.0);
  at = p.xyz * 0.5 + 0.5;
}""",
    """void main() {
  bool up = at.z > texture(ahead, at.xy).r + 0.004;
  bool down = (1.0 - at.z) > texture(behind, vec2(1.0 - at.x, at.y)).r + 0.004;
  colour = up && down ? vec4(0.26, 0.09, 0.29, 1.0) : vec4(0.31, 0.53, 0.72, 1.0);
}""",
)


def _shader(sources: tuple[str, str], lookup: bool):
    import gpu

    info = gpu.types.GPUShaderCreateInfo()
    info.push_constant("MAT4", "whole")
    info.vertex_in(0, "VEC3", "pos")
    info.fragment_out(0, "VEC4", "colour")
    if lookup:
        between = gpu.types.GPUStageInterfaceInfo("bench_depth_pass")
        between.smooth("VEC3", "at")
        info.push_constant("MAT4", "pull")
        info.sampler(0, "FLOAT_2D", "ahead")
        info.sampler(1, "FLOAT_2D", "behind")
        info.vertex_out(between)
    info.vertex_source(sources[0])
    info.fragment_source(sources[1])
    return gpu.shader.create_from_info(info)


def depth_pass(mesh_file: str) -> None:
    """In Blender's window: both depth maps of a direction, and the body drawn once with them looked up."""
    import gpu
    import numpy as np
    from gpu_extras.batch import batch_for_shader
    from mathutils import Matrix, Vector

    with np.load(mesh_file) as kept:
        vertices, faces = kept["v"], kept["f"]
    middle = (vertices.max(axis=0) + vertices.min(axis=0)) / 2
    half = float(np.linalg.norm(np.ptp(vertices, axis=0))) / 2
    corners = np.ascontiguousarray(((vertices - middle) / half)[faces].reshape(-1, 3), np.float32)
    draw, look = _shader(_DEPTH, False), _shader(_LOOK, True)
    drawn, looked = (batch_for_shader(shader, "TRIS", {"pos": corners}) for shader in (draw, look))
    maps = [gpu.types.GPUOffScreen(MAP_PIXELS, MAP_PIXELS, format="RGBA32F") for _ in range(2)]
    view = gpu.types.GPUOffScreen(1600, 1000)

    def along(direction) -> Matrix:
        turn = Vector(direction).normalized().to_track_quat("Z", "Y").to_matrix().to_4x4().transposed()
        return Matrix.Diagonal((1.0, 1.0, -1.0, 1.0)) @ turn

    took, work = [], []
    gpu.state.depth_test_set("LESS_EQUAL")
    gpu.state.depth_mask_set(True)
    for direction in DIRECTIONS:
        at, spent = time.perf_counter(), time.process_time()
        for target, sign in zip(maps, (1.0, -1.0)):
            with target.bind():
                gpu.state.active_framebuffer_get().clear(color=(1.0, 1.0, 1.0, 1.0), depth=1.0)
                draw.bind()
                draw.uniform_float("whole", along([sign * v for v in direction]))
                drawn.draw(draw)
        with view.bind():
            frame = gpu.state.active_framebuffer_get()
            frame.clear(color=(0.0, 0.0, 0.0, 1.0), depth=1.0)
            look.bind()
            look.uniform_float("whole", along((0.4, -1.0, 0.3)))
            look.uniform_float("pull", along(direction))
            for name, target in zip(("ahead", "behind"), maps):
                look.uniform_sampler(name, target.texture_color)
            looked.draw(look)
            frame.read_color(0, 0, 1, 1, 4, 0, "FLOAT")  # which waits for the card
        took.append(time.perf_counter() - at)
        work.append(time.process_time() - spent)
    renderer = gpu.platform.renderer_get()
    told = f"{1e3 * _middle(took):.0f} ms by the clock, {1e3 * _middle(work):.0f} ms of processor"
    print(f"{renderer}, {len(faces)} triangles: depth passes and one look-up, a frame {told}")
    sys.stdout.flush()
    os._exit(0)


def _from_outside(chosen) -> None:
    sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
    import numpy as np
    from build_extension import ROOT, build_zip
    from check_extension import RELEASES, environment_for
    from mouldloft.demo.hare import demo_hare

    python = environment_for(chosen.blender)
    archive = build_zip("linux-x64", RELEASES[chosen.blender].python, ROOT / "dist")
    mesh = ROOT / "build" / f"hare-{chosen.triangles}.npz"
    if not mesh.exists():
        vertices, faces = demo_hare(chosen.triangles)
        np.savez(mesh, v=vertices, f=faces)
    with tempfile.TemporaryDirectory() as room:
        environment = {**os.environ, "BLENDER_USER_RESOURCES": room}
        command = [str(python), __file__, "--inside", str(archive), str(mesh)]
        done = subprocess.run(command, env=environment, capture_output=True, text=True)
    print("\n".join(line for line in done.stdout.splitlines() if "triangles" in line) or done.stdout + done.stderr)


def main() -> None:
    words = sys.argv[sys.argv.index("--") + 1 :] if "--" in sys.argv else sys.argv[1:]
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--blender", default="4.5")
    parser.add_argument("--triangles", type=int, default=300_000)
    parser.add_argument("--depth-pass", metavar="MESH")
    parser.add_argument("--inside", nargs=2, metavar=("ZIP", "MESH"), help=argparse.SUPPRESS)
    chosen = parser.parse_args(words)
    if chosen.inside:
        inside(*chosen.inside)
    elif chosen.depth_pass:
        depth_pass(chosen.depth_pass)
    else:
        _from_outside(chosen)


if __name__ == "__main__":
    main()
