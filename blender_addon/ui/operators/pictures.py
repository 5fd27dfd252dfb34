# ruff: noqa: RUF012 - Blender reads these plain class attributes
"""Showing the plan to a client: prepared cameras, stills, a turntable, and the mould opening along its pulls."""

from __future__ import annotations

import math

import bpy
import numpy as np

from ...scene import results, state
from ...work import jobs

SCENE = "Mouldloft pictures"
PIECE = "Mouldloft piece"
TURN = "Mouldloft turn"
PLACE = "mouldloft_pictures"
TURN_START = 101  # first frame of the turntable; the stills stand before it
FOCAL_MM = 70.0
MOST_FIT_POINTS = 6000


def remove_stills() -> None:
    """Take away the pictures' scene with its cameras and lights."""
    scene = bpy.data.scenes.get(SCENE)
    for thing in [thing for thing in bpy.data.objects if thing.get(results.ROLE) == PLACE]:
        data = thing.data
        bpy.data.objects.remove(thing)
        if isinstance(data, bpy.types.Camera) and not data.users:
            bpy.data.cameras.remove(data)
        elif isinstance(data, bpy.types.Light) and not data.users:
            bpy.data.lights.remove(data)
    if scene is not None:
        bpy.data.scenes.remove(scene)
    world = bpy.data.worlds.get(SCENE)
    if world is not None:
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
        data = bpy.data.lights.new(name, "SUN")
        data.energy = strength
        data.angle = 0.2
        _place(scene, name, data).rotation_euler = turn


def _world(scene: bpy.types.Scene) -> None:
    from mouldloft.outputs.look import BACKDROP, rgb, to_linear

    world = bpy.data.worlds.new(SCENE)
    colour = [float(v) for v in to_linear(list(rgb(BACKDROP)))]
    world.color = colour
    if not world.use_nodes:
        world.use_nodes = True
    background = world.node_tree.nodes.get("Background")
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

    remove_stills()
    settings = context.scene.mouldloft
    (copy,) = results.of_role("map")
    scene = bpy.data.scenes.new(SCENE)
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
    action = thing.animation_data.action if thing.animation_data else None
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
    scene.view_settings.view_transform = "Standard"
    shading = scene.display.shading
    shading.light = "STUDIO"
    shading.color_type = "MATERIAL"
    shading.show_cavity = True
    shading.show_shadows = False
    if settings.picture_engine == "CYCLES":
        scene.cycles.samples = settings.samples
        scene.cycles.use_denoising = _can_denoise()


def _ready(operator, context) -> bool:
    """Whether there is a piece with a seam to show; the report says what is missing."""
    if not results.of_role("map") or not results.of_role("seam"):
        operator.report({"ERROR"}, "Draw the seam first: the pictures show the piece with its seam.")
        return False
    folder = context.scene.mouldloft.folder
    if folder.startswith("//") and not bpy.data.filepath:
        operator.report({"ERROR"}, "Save the .blend first, or choose a folder that does not start with //.")
        return False
    return True


class MOULDLOFT_OT_cameras(bpy.types.Operator):
    """Prepare a scene with cameras round the piece, lights and a turning arm, for stills and turntable"""

    bl_idname = "mouldloft.cameras"
    bl_label = "Prepare the cameras"
    bl_options = {"UNDO"}

    @classmethod
    def poll(cls, context):
        return jobs.job() is None

    def execute(self, context):
        if not results.of_role("map") or not results.of_role("seam"):
            self.report({"ERROR"}, "Draw the seam first: the pictures show the piece with its seam.")
            return {"CANCELLED"}
        scene = set_up(context)
        self.report({"INFO"}, f"{len(scene.timeline_markers)} cameras stand in the scene {SCENE}")
        return {"FINISHED"}


class MOULDLOFT_OT_render(bpy.types.Operator):
    """Draw the client's stills or the turntable into the folder. Escape stops it"""

    bl_idname = "mouldloft.render"
    bl_label = "Draw"

    what: bpy.props.EnumProperty(
        items=(("STILLS", "Stills", "One picture from each camera"), ("TURN", "Turntable", "One turn round the piece"))
    )

    @classmethod
    def poll(cls, context):
        return jobs.job() is None

    def _prepare(self, context):
        settings = context.scene.mouldloft
        scene = bpy.data.scenes.get(SCENE) or set_up(context)
        _render_settings(scene, settings)
        folder = bpy.path.abspath(settings.folder).rstrip("/\\")
        turn = self.what == "TURN"
        stills = [m.frame for m in scene.timeline_markers if m.frame < TURN_START]
        scene.frame_start = TURN_START if turn else min(stills)
        scene.frame_end = TURN_START + settings.turntable_frames - 1 if turn else max(stills)
        scene.render.filepath = f"{folder}/{'turntable' if turn else 'still'}_"
        return scene

    def execute(self, context):
        if not _ready(self, context):
            return {"CANCELLED"}
        scene = self._prepare(context)
        try:
            done = bpy.ops.render.render(animation=True, scene=scene.name)
        except RuntimeError as error:
            self.report({"ERROR"}, f"Blender could not draw: {str(error).strip()}")
            return {"CANCELLED"}
        return done

    def invoke(self, context, event):
        if bpy.app.background:
            return self.execute(context)
        if not _ready(self, context):
            return {"CANCELLED"}
        scene = self._prepare(context)
        bpy.ops.render.render("INVOKE_DEFAULT", animation=True, scene=scene.name)
        return {"FINISHED"}


class MOULDLOFT_OT_animate(bpy.types.Operator):
    """Key the mould coming apart along its pulls: jackets first, then the glove, in the order of taking off"""

    bl_idname = "mouldloft.animate"
    bl_label = "Animate the opening"
    bl_options = {"UNDO"}

    @classmethod
    def poll(cls, context):
        return jobs.job() is None and bool(results.of_role("glove"))

    def execute(self, context):
        scene = context.scene
        done = state.done_now(scene)
        if "bare_rubber" not in done:
            self.report({"ERROR"}, "The glove is out of date: lay it again first.")
            return {"CANCELLED"}
        forget_opening()
        results.set_seen(True, "glove", "key", "jacket", "cradle")  # what is hidden does not move either
        results.set_seen(False, "solid", "wall")
        order = list(done["seam"].taking_off)
        names = {envelope.piece: envelope.name for envelope in done["bare_rubber"].envelopes}
        steps = [[(piece, "jacket", "cradle")] for name in order for piece in names if names[piece] == name]
        steps += [[(piece, "glove", "key", "thin")] for name in order for piece in names if names[piece] == name]
        start, length = scene.frame_start, scene.mouldloft.opening_frames / max(len(steps), 1)
        for number, step in enumerate(steps):
            first, last = start + number * length, start + (number + 0.85) * length
            for piece, *roles in step:
                self._key(piece, roles, first, last)
        scene.frame_end = max(scene.frame_end, int(start + scene.mouldloft.opening_frames))
        return {"FINISHED"}

    def _key(self, piece: int, roles: list[str], first: float, last: float) -> None:
        for thing in results.of_role(*roles):
            if thing.get(results.PIECE) != piece:
                continue
            thing.delta_location = (0.0, 0.0, 0.0)
            thing.keyframe_insert("delta_location", frame=first)
            thing.delta_location = results.vector(thing[results.WAY])
            thing.keyframe_insert("delta_location", frame=last)


def forget_opening() -> None:
    """Take the opening's keys off the pieces again."""
    for thing in results.of_role(*results.MOVED):
        thing.animation_data_clear()
        thing.delta_location = (0.0, 0.0, 0.0)


class MOULDLOFT_OT_still_again(bpy.types.Operator):
    """Take the opening's animation off the pieces"""

    bl_idname = "mouldloft.still_again"
    bl_label = "Forget the animation"
    bl_options = {"UNDO"}

    @classmethod
    def poll(cls, context):
        return any(thing.animation_data for thing in results.of_role("glove", "jacket"))

    def execute(self, context):
        forget_opening()
        return {"FINISHED"}


_CLASSES = (MOULDLOFT_OT_cameras, MOULDLOFT_OT_render, MOULDLOFT_OT_animate, MOULDLOFT_OT_still_again)


register, unregister = bpy.utils.register_classes_factory(_CLASSES)
