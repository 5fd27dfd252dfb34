"""The map while a direction is dragged, drawn over the sculpt by a shader of its own.

Faces and normals go to the graphics card once; each new direction sends one number a face. Blender's own mesh is not
touched meanwhile, which would cost more than the map itself.
"""

from __future__ import annotations

from importlib import import_module
from typing import Any

import bpy
import numpy as np

from ..scene import properties, results
from ..work import display

_WIDTH = 4096  # of the texture that holds a number for each face

_VERTEX = """
void main() {
  int i = int(face + 0.5);
  code = texelFetch(answers, ivec2(i % WIDTH, i / WIDTH), 0).r;
  shade_normal = (turn * vec4(normal, 0.0)).xyz;
  gl_Position = whole * vec4(pos, 1.0);
}
"""
_FRAGMENT = """
void main() {
  int k = int(code + 0.5);
  vec3 c = k == 0 ? AHEAD : k == 1 ? BEHIND : k == 2 ? EITHER : LOCKED;
  float light = 0.62 + 0.38 * abs(normalize(shade_normal).z);
  colour = vec4(pow(c * light, vec3(2.2)), 1.0);  // the view encodes what it is given
}
"""


def _vec3(colour: str) -> str:
    from mouldloft.outputs.look import rgb

    return "vec3({:.4f}, {:.4f}, {:.4f})".format(*rgb(colour))


def _shader():
    gpu: Any = import_module("gpu")  # whose stubs know no arguments
    info = gpu.types.GPUShaderCreateInfo()
    between = gpu.types.GPUStageInterfaceInfo("mouldloft_live")
    between.flat("FLOAT", "code")
    between.smooth("VEC3", "shade_normal")
    info.define("WIDTH", str(_WIDTH))
    for name, value in (
        ("AHEAD", display.FREE_AHEAD),
        ("BEHIND", display.FREE_BEHIND),
        ("EITHER", display.FREE_BOTH),
        ("LOCKED", display.LOCKED),
    ):
        info.define(name, _vec3(value))
    info.push_constant("MAT4", "whole")
    info.push_constant("MAT4", "turn")
    info.sampler(0, "FLOAT_2D", "answers")
    info.vertex_in(0, "VEC3", "pos")
    info.vertex_in(1, "VEC3", "normal")
    info.vertex_in(2, "FLOAT", "face")
    info.vertex_out(between)
    info.fragment_out(0, "VEC4", "colour")
    info.vertex_source(_VERTEX)
    info.fragment_source(_FRAGMENT)
    return gpu.shader.create_from_info(info)


lined: set[int] = set()  # scenes, by their address, whose seam is under the hand
shown: set[int] = set()  # scenes, by their address, whose map is drawn here rather than on its object


class LiveMap:
    """The map of one master, drawn in all 3D views of its scene from `start` to `stop`."""

    def __init__(self, scene: bpy.types.Scene, master) -> None:
        self._scene, self._master = scene, master
        self._batch: Any = None
        self._shader: Any = None
        self._answers: Any = None
        self._handle = None

    def start(self) -> None:
        """Send the surface to the graphics card and begin to draw. Raises where this Blender cannot."""
        gpu: Any = import_module("gpu")
        from gpu_extras.batch import batch_for_shader

        self._shader = _shader()
        faces = self._master.faces
        corner = self._master.vertices_mm[faces].reshape(-1, 3) * results.units_per_mm(self._scene)
        own: dict[str, Any] = {
            "pos": np.ascontiguousarray(corner, np.float32),
            "normal": np.repeat(self._master.normals.astype(np.float32), 3, axis=0),
            "face": np.repeat(np.arange(len(faces), dtype=np.float32), 3),
        }
        self._batch = batch_for_shader(self._shader, "TRIS", own)
        self._rows = -(-len(faces) // _WIDTH)
        self._gpu = gpu
        shown.add(self._scene.as_pointer())
        self._handle = bpy.types.SpaceView3D.draw_handler_add(self._draw, (), "WINDOW", "POST_VIEW")

    def show(self, answers: np.ndarray) -> None:
        """Draw these answers, (m,) uint8, from now on."""
        cells = np.zeros(self._rows * _WIDTH, np.float32)
        cells[: len(answers)] = answers
        data = self._gpu.types.Buffer("FLOAT", len(cells), cells)
        self._answers = self._gpu.types.GPUTexture((_WIDTH, self._rows), format="R32F", data=data)

    def _draw(self) -> None:
        context = bpy.context
        if context.scene != self._scene or self._answers is None:
            return
        state, region = self._gpu.state, context.region_data
        world = properties.of(self._scene).root.matrix_world
        self._shader.bind()
        self._shader.uniform_float("whole", region.perspective_matrix @ world)
        self._shader.uniform_float("turn", (region.view_matrix @ world).to_3x3().normalized().to_4x4())
        self._shader.uniform_sampler("answers", self._answers)
        state.depth_test_set("LESS_EQUAL")
        state.depth_mask_set(True)
        self._batch.draw(self._shader)
        state.depth_mask_set(False)
        state.depth_test_set("NONE")

    def stop(self) -> None:
        """No longer draw, and let go of what was sent."""
        if self._handle is not None:
            bpy.types.SpaceView3D.draw_handler_remove(self._handle, "WINDOW")
        shown.discard(self._scene.as_pointer())
        self._handle = self._batch = self._shader = self._answers = None


class LiveLine:
    """Lines over the skin while they are dragged, in all 3D views of a scene: bright where seen, thin behind."""

    def __init__(self, scene: bpy.types.Scene) -> None:
        self._scene = scene
        self._runs: list[tuple[np.ndarray, bool]] = []
        self._dots = np.zeros((0, 3))
        self._handle = None

    def start(self) -> None:
        lined.add(self._scene.as_pointer())
        self._handle = bpy.types.SpaceView3D.draw_handler_add(self._draw, (), "WINDOW", "POST_VIEW")

    def show(self, runs: list[tuple[np.ndarray, bool]], dots: np.ndarray) -> None:
        """Draw these lines, each (k, 3) in plan millimetres and whether it is closed, and its (k, 3) handles, from now
        on."""
        self._runs, self._dots = runs, dots

    def _draw(self) -> None:
        import gpu
        from gpu_extras.batch import batch_for_shader
        from mouldloft.outputs.look import SEAM, rgb

        context: Any = bpy.context
        if context.scene != self._scene:
            return
        world = np.array(properties.of(self._scene).root.matrix_world)
        eye = np.array(context.region_data.view_matrix.inverted())
        shader = gpu.shader.from_builtin("POLYLINE_UNIFORM_COLOR")
        shader.uniform_float("viewportSize", (context.region.width, context.region.height))
        for points, closed in self._runs:
            path = np.concatenate([points, points[:1]]) if closed else points
            own: dict[str, Any] = {"pos": self._in_view(path, world, eye, context).tolist()}
            batch = batch_for_shader(shader, "LINE_STRIP", own)
            for test, wide, alpha in (("NONE", 1.0, 0.5), ("LESS_EQUAL", 4.0, 1.0)):
                gpu.state.depth_test_set(test)
                gpu.state.blend_set("ALPHA")
                shader.uniform_float("lineWidth", wide * context.preferences.system.ui_scale)
                shader.uniform_float("color", (*rgb(SEAM), alpha))
                batch.draw(shader)
        if len(self._dots):
            self._draw_dots(self._in_view(self._dots, world, eye, context), context.preferences.system.ui_scale)
        gpu.state.depth_test_set("NONE")
        gpu.state.blend_set("NONE")

    def _in_view(self, points: np.ndarray, world: np.ndarray, eye: np.ndarray, context: Any) -> np.ndarray:
        """(k, 3) places of the world, a little nearer to the eye, of points in plan millimetres."""
        at = points * results.units_per_mm(self._scene) @ world[:3, :3].T + world[:3, 3]
        return _nearer(at, eye, context.region_data.is_perspective).astype(np.float32)

    def _draw_dots(self, at: np.ndarray, scale: float) -> None:
        """Handles: white in a ring of the seam's colour."""
        import gpu
        from gpu_extras.batch import batch_for_shader
        from mouldloft.outputs.look import SEAM, rgb

        shader = gpu.shader.from_builtin("UNIFORM_COLOR")
        own: dict[str, Any] = {"pos": at.tolist()}
        batch = batch_for_shader(shader, "POINTS", own)
        gpu.state.depth_test_set("NONE")  # one behind is still a handle
        for size, colour in ((13.0, (*rgb(SEAM), 1.0)), (8.0, (1.0, 1.0, 1.0, 1.0))):
            gpu.state.point_size_set(size * scale)
            shader.uniform_float("color", colour)
            batch.draw(shader)

    def stop(self) -> None:
        """No longer draw."""
        if self._handle is not None:
            bpy.types.SpaceView3D.draw_handler_remove(self._handle, "WINDOW")
        lined.discard(self._scene.as_pointer())
        self._handle = None


def _nearer(at: np.ndarray, eye: np.ndarray, is_perspective: bool) -> np.ndarray:
    """(k, 3) places a hundredth of the way nearer to the eye, so that the skin below them does not hide them."""
    towards = eye[:3, 3] - at if is_perspective else np.ptp(at, axis=0).max() * eye[:3, 2]
    return at + 0.01 * towards
