# ruff: noqa: RUF012 - Blender reads these plain class attributes
"""Showing the plan to a client: prepared cameras, stills, a turntable, and the mould opening along its pulls."""

from __future__ import annotations

import math
from functools import partial
from typing import Any

import bpy
import numpy as np

from ...registering import registering
from ...scene import properties, results, state, views
from ...work import jobs
from .common import Idle, say

SCENE = "Mouldloft pictures"
PIECE = "Mouldloft piece"
TURN = "Mouldloft turn"
PLACE = "mouldloft_pictures"
TURN_START = 101  # first frame of the turntable; the stills stand before it
FOCAL_MM = 70.0
MOST_FIT_POINTS = 6000


def remove_stills(owner: bpy.types.Scene) -> None:
    """Take away a scene's pictures' scene with its cameras and lights."""
    scene = properties.of(owner).pictures
    if scene is None:
        return
    properties.of(owner).pictures = None
    world = scene.world
    for thing in [thing for thing in scene.objects if thing.get(results.ROLE) == PLACE]:
        data = thing.data
        bpy.data.objects.remove(thing)
        if isinstance(data, bpy.types.Camera) and not data.users:
            bpy.data.cameras.remove(data)
        elif isinstance(data, bpy.types.Light) and not data.users:
            bpy.data.lights.remove(data)
    bpy.data.scenes.remove(scene)
    if world is not None and not world.users:
        bpy.data.worlds.remove(world)


def _place(scene: bpy.types.Scene, name: str, data, parent=None) -> bpy.types.Object:
    thing = bpy.data.objects.new(name, data)
    thing[results.ROLE] = PLACE
    thing.parent = parent
    scene.collection.objects.link(thing)
    return thing


def _lights(scene: bpy.types.Scene) -> None:
    for name, strength, turn in (
        ("Mouldloft key light", 1.6, (0.9, 0.15, 0.6)),
        ("Mouldloft fill light", 0.5, (1.1, 0.0, -1.0)),
    ):
        data: Any = bpy.data.lights.new(name, "SUN")
        data.energy = strength
        data.angle = 0.2
        _place(scene, name, data).rotation_euler = turn


def _world(scene: bpy.types.Scene) -> None:
    from mouldloft.outputs.look import BACKDROP, rgb, to_linear

    world = bpy.data.worlds.new(SCENE)
    colour = [float(v) for v in to_linear(np.array(rgb(BACKDROP)))]
    world.color = colour
    if not world.use_nodes:
        world.use_nodes = True
    background: Any = world.node_tree.nodes.get("Background")
    if background is not None:
        background.inputs["Color"].default_value = (*colour, 1.0)
        background.inputs["Strength"].default_value = 0.9
    scene.world = world


def _corners(thing: bpy.types.Object) -> list[float]:
    """World corners of the bounding box, flat, as Blender's own camera fit takes them."""
    return [v for corner in results.world_corners(thing) for v in corner]


def _points(thing: bpy.types.Object) -> list[float]:
    """World points of the surface, flat, thinned to what a camera fit needs."""
    count = len(thing.data.vertices)
    local = np.empty(count * 3, np.float32)
    thing.data.vertices.foreach_get("co", local)
    some = local.reshape(-1, 3)[:: max(count // MOST_FIT_POINTS, 1)]
    matrix = np.array(thing.matrix_world, float)
    return (some @ matrix[:3, :3].T + matrix[:3, 3]).ravel().tolist()


def _camera(scene: bpy.types.Scene, name: str, towards, piece: bpy.types.Object, parent=None) -> bpy.types.Object:
    """A camera that looks along `towards` and just takes in the piece, with a margin."""
    data = bpy.data.cameras.new(name)
    data.lens = FOCAL_MM
    thing = _place(scene, name, data, parent)
    thing.rotation_euler = results.vector(towards).to_track_quat("-Z", "Y").to_euler()
    return thing


def _fit(scene: bpy.types.Scene, camera: bpy.types.Object, corners: list[float]) -> None:
    data = camera.data
    data.lens = FOCAL_MM * 1.12  # fitted a little too long, then opened: the margin around the piece
    scene.view_layers[0].update()
    depsgraph = scene.view_layers[0].depsgraph
    place, _ = camera.camera_fit_coords(depsgraph, corners)
    data.lens = FOCAL_MM
    camera.location = place - (camera.parent.location if camera.parent else results.vector((0.0, 0.0, 0.0)))


def set_up(context: bpy.types.Context) -> bpy.types.Scene:
    """The pictures' scene: the piece in plaster with its seam, cameras bound to frames, lights, a turn."""
    from mouldloft.outputs.look import PLASTER, rgb
    from mouldloft.outputs.pictures.views import VIEWS

    remove_stills(context.scene)
    settings = properties.of(context.scene)
    (copy,) = results.of_role(context.scene, "map")
    scene = settings.pictures = bpy.data.scenes.new(SCENE)
    scene[results.STAMP] = _stamp(settings)
    scene.unit_settings.scale_length = context.scene.unit_settings.scale_length
    scene.collection.children.link(results.collection_for(context.scene, "seam"))
    _render_settings(scene, settings)  # first: the cameras are fitted to the picture's shape
    piece = _place(scene, PIECE, copy.data, results.root_for(context.scene))
    piece.material_slots[0].link = "OBJECT"
    piece.material_slots[0].material = results.material("Mouldloft plaster", rgb(PLASTER))
    _lights(scene)
    _world(scene)
    context.view_layer.update()
    scene.view_layers[0].update()
    corners, points = _corners(piece), _points(piece)
    for frame, (_, (towards, label)) in enumerate(VIEWS.items(), 1):
        camera = _camera(scene, f"Still, {label.lower()}", towards, piece)
        _fit(scene, camera, points)
        marker = scene.timeline_markers.new(label, frame=frame)
        marker.camera = camera
        scene.camera = scene.camera or camera
    _turntable(scene, piece, corners, settings.turntable_frames)
    return scene


def _turntable(scene: bpy.types.Scene, piece: bpy.types.Object, corners: list[float], frames: int) -> None:
    """A camera on an arm that turns once round the piece from `TURN_START` on."""
    middle = [sum(corners[k::3]) / 8.0 for k in range(3)]
    arm = _place(scene, TURN, None)
    arm.location = middle
    camera = _camera(scene, "Turntable", (0.0, 1.0, -0.18), piece, arm)
    wide = max(max(corners[k::3]) - min(corners[k::3]) for k in (0, 1)) * math.sqrt(2.0) / 2.0
    low, high = min(corners[2::3]), max(corners[2::3])
    round_it = [
        v
        for x, y in ((-wide, -wide), (-wide, wide), (wide, -wide), (wide, wide))
        for z in (low, high)
        for v in (middle[0] + x, middle[1] + y, z)
    ]
    _fit(scene, camera, round_it)
    arm.rotation_euler = (0.0, 0.0, 0.0)
    arm.keyframe_insert("rotation_euler", index=2, frame=TURN_START)
    arm.rotation_euler = (0.0, 0.0, 2.0 * math.pi)
    arm.keyframe_insert("rotation_euler", index=2, frame=TURN_START + frames)
    for curve in curves_of(arm):
        for point in curve.keyframe_points:
            point.interpolation = "LINEAR"
    marker = scene.timeline_markers.new("Turntable", frame=TURN_START)
    marker.camera = camera


def curves_of(thing: bpy.types.Object) -> list:
    """The F-curves of an object's action, in layered actions and in those before."""
    action: Any = thing.animation_data.action if thing.animation_data else None
    if action is None:
        return []
    if hasattr(action, "fcurves"):
        return list(action.fcurves)
    return [
        curve for layer in action.layers for strip in layer.strips for bag in strip.channelbags for curve in bag.fcurves
    ]


def _can_denoise() -> bool:
    """Whether this build of Blender can: a distribution's own may come without, and then refuses to draw."""
    try:
        import _cycles
    except ImportError:
        return False
    return bool(getattr(_cycles, "with_openimagedenoise", False))


def _render_settings(scene: bpy.types.Scene, settings) -> None:
    scene.render.engine = settings.picture_engine
    scene.render.resolution_x = scene.render.resolution_y = settings.picture_size
    scene.render.resolution_percentage = 100
    scene.render.image_settings.file_format = "PNG"
    view: Any = scene.view_settings  # the stubs list no transform of the colour set-up that is in use
    view.view_transform = "Standard"
    shading = scene.display.shading
    shading.light = "STUDIO"
    shading.color_type = "MATERIAL"
    shading.show_cavity = True
    shading.show_shadows = False
    if settings.picture_engine == "CYCLES":
        scene.cycles.samples = settings.samples
        scene.cycles.use_denoising = _can_denoise()


def _stamp(settings) -> str:
    """What the pictures show: this mesh with this seam."""
    return f"{settings.result('sculpt').stamp}|{settings.result('seam').stamp}|{settings.seam_shown}"


def _has_seam(operator, context) -> bool:
    """Whether the piece stands there with a seam that is up to date; the report says what is missing."""
    try:
        state.done_for_sure(context, "seam", "mouldloft.plan_all")
    except Exception as error:
        say(operator, error)
        return False
    if not results.of_role(context.scene, "map") or not results.of_role(context.scene, "seam"):
        operator.report({"ERROR"}, "Draw the seam first: the pictures show the piece with its seam.")
        return False
    return True


def _ready(operator, context) -> bool:
    """Whether there is a piece with a seam to show; the report says what is missing."""
    if not _has_seam(operator, context):
        return False
    try:
        state.folder_of(context.scene)
    except Exception as error:
        say(operator, error)
        return False
    return True


class MOULDLOFT_OT_cameras(Idle, bpy.types.Operator):
    """Prepare a scene with cameras round the piece, lights and a turning arm, for stills and turntable"""

    bl_idname = "mouldloft.cameras"
    bl_label = "Prepare the Cameras"
    bl_options = {"UNDO"}

    def execute(self, context):
        if not _has_seam(self, context):
            return {"CANCELLED"}
        scene = set_up(context)
        self.report({"INFO"}, f"{len(scene.timeline_markers)} cameras stand in the scene {scene.name}")
        return {"FINISHED"}


class MOULDLOFT_OT_render(Idle, bpy.types.Operator):
    """Draw the client's stills or the turntable into the folder, one after the other. Escape stops it"""

    bl_idname = "mouldloft.render"
    bl_label = "Draw Client Pictures"

    what: bpy.props.EnumProperty(
        name="What",
        description="Which pictures",
        items=(("STILLS", "Stills", "One picture from each camera"), ("TURN", "Turntable", "One turn round the piece")),
    )
    _timer: Any = None
    _drawn = True

    def _pictures(self, context) -> jobs.Steps:
        """Each picture as a step, named by its view."""
        from mouldloft.outputs.pictures.views import VIEWS

        settings = properties.of(context.scene)
        scene = settings.pictures
        if scene is None or scene.get(results.STAMP) != _stamp(settings):
            scene = set_up(context)
        _render_settings(scene, settings)
        folder = state.folder_of(context.scene)
        if self.what == "STILLS":
            names = [(f"still-{name.replace('_', '-')}", label) for name, (_, label) in VIEWS.items()]
            frames = range(1, len(names) + 1)
        else:
            count = settings.turntable_frames
            names = [(f"turntable-{k:04d}", f"Turntable, {k} of {count}") for k in range(1, count + 1)]
            frames = range(TURN_START, TURN_START + count)
        return jobs.Steps([
            (label, partial(_draw, scene, frame, f"{folder}/{name}.png")) for frame, (name, label) in zip(frames, names)
        ])  # fmt: skip

    def _begin(self, context) -> bool:
        if not _ready(self, context):
            return False
        self._job = self._pictures(context)
        self._job.start()
        return True

    def _advance(self) -> bool:
        """The next picture; False where Blender could not draw it."""
        try:
            self._job.advance()
        except RuntimeError as error:
            self.report({"ERROR"}, f"Blender could not draw: {str(error).strip()}")
            self._job.stop()
            return False
        return True

    def execute(self, context):
        if not self._begin(context):
            return {"CANCELLED"}
        while self._job.running and self._advance():
            pass
        return self._end(context)

    def invoke(self, context, event):
        if bpy.app.background or context.window is None:
            return self.execute(context)
        if not self._begin(context):
            return {"CANCELLED"}
        self._timer = context.window_manager.event_timer_add(0.05, window=context.window)
        context.window_manager.modal_handler_add(self)
        return {"RUNNING_MODAL"}

    def modal(self, context, event):
        if event.type == "ESC" and event.value == "PRESS":
            self._job.stop()
        if event.type == "TIMER":
            if not self._job.running:
                return self._end(context)
            self._drawn = not self._drawn
            if self._drawn:  # every other time, so that the bar is seen to move in between
                self._advance()
            words = f"Mouldloft: {self._job.words}, {self._job.fraction:.0%}.  Esc stops it."
            context.workspace.status_text_set(words)
            views.redraw(context, "UI")
        return {"PASS_THROUGH"}

    def cancel(self, context):
        self._job.stop()
        jobs.clear()

    def _end(self, context) -> set[str]:
        if self._timer is not None:
            context.window_manager.event_timer_remove(self._timer)
            context.workspace.status_text_set(None)
        jobs.clear()
        views.redraw(context)
        done = self._job.done
        if done:
            self.report({"INFO"}, f"{done} pictures stand in {state.folder_of(context.scene)}")
        return {"FINISHED"} if done and not self._job.stopping else {"CANCELLED"}


def _draw(scene: bpy.types.Scene, frame: int, path: str) -> None:
    """One picture of the pictures' scene, into a file and no window."""
    scene.frame_set(frame)
    before = [marker for marker in scene.timeline_markers if marker.frame <= frame and marker.camera is not None]
    scene.camera = max(before, key=lambda marker: marker.frame).camera
    scene.render.filepath = path
    bpy.ops.render.render(write_still=True, scene=scene.name)


class MOULDLOFT_OT_animate(Idle, bpy.types.Operator):
    """Key the mould coming apart along its pulls: jackets first, then the glove, in the order of taking off"""

    bl_idname = "mouldloft.animate"
    bl_label = "Animate the Mould Opening"
    bl_options = {"UNDO"}

    @classmethod
    def poll(cls, context):
        if not results.of_role(context.scene, "glove"):
            cls.poll_message_set("Lay the glove first")
            return False
        return super().poll(context)

    def execute(self, context):
        scene = context.scene
        try:
            done = state.done_for_sure(context, "glove", "mouldloft.plan_all")
        except Exception as error:
            return say(self, error)
        forget_opening(scene)
        # what is hidden does not move either
        results.set_seen(scene, True, "glove", "key", "loose", "jacket", "cradle")
        results.set_seen(scene, False, "solid", "wall", "bead", "bolt")
        order = list(done["seam"].taking_off)
        names = {envelope.piece: envelope.name for envelope in done["bare_rubber"].envelopes}
        by_order = [piece for name in order for piece in names if names[piece] == name]
        covered = {thing.get(results.PIECE) for thing in results.of_role(scene, "loose")}
        steps: list[tuple[int, tuple[str, ...]]] = [(piece, ("jacket", "cradle")) for piece in by_order]
        steps += [(piece, ("loose",)) for piece in by_order if piece in covered]
        steps += [(piece, ("glove", "key", "thin")) for piece in by_order]
        start, length = scene.frame_start, properties.of(scene).opening_frames / max(len(steps), 1)
        for number, (piece, roles) in enumerate(steps):
            first, last = start + number * length, start + (number + 0.85) * length
            self._key(scene, piece, roles, first, last)
        scene.frame_end = max(scene.frame_end, int(start + properties.of(scene).opening_frames))
        return {"FINISHED"}

    def _key(self, scene, piece: int, roles: tuple[str, ...], first: float, last: float) -> None:
        for thing in results.of_role(scene, *roles):
            if thing.get(results.PIECE) != piece:
                continue
            thing.delta_location = (0.0, 0.0, 0.0)
            thing.keyframe_insert("delta_location", frame=first)
            thing.delta_location = results.vector(thing[results.WAY])
            thing.keyframe_insert("delta_location", frame=last)


def forget_opening(scene: bpy.types.Scene) -> None:
    """Take the opening's keys off the pieces again."""
    for thing in results.of_role(scene, *results.MOVED):
        thing.animation_data_clear()
        thing.delta_location = (0.0, 0.0, 0.0)


class MOULDLOFT_OT_still_again(bpy.types.Operator):
    """Take the opening's animation off the pieces"""

    bl_idname = "mouldloft.still_again"
    bl_label = "Forget the Animation"
    bl_options = {"UNDO"}

    @classmethod
    def poll(cls, context):
        if not any(thing.animation_data for thing in results.of_role(context.scene, "glove", "jacket")):
            cls.poll_message_set("Nothing is animated")
            return False
        return True

    def execute(self, context):
        forget_opening(context.scene)
        return {"FINISHED"}


_CLASSES = (MOULDLOFT_OT_cameras, MOULDLOFT_OT_render, MOULDLOFT_OT_animate, MOULDLOFT_OT_still_again)


register, unregister = registering(_CLASSES)
