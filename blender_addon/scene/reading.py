"""Reading the sculpt: its meshes as they are seen (modifiers, multires, instances, scale), in millimetres.

Positions are read from the sculpt's own origin, so that moving it changes nothing; turning or scaling it does.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Literal

import bpy
import numpy as np

from ..work.sections import Sculpt
from . import properties
from .roles import is_ours

_SURFACES = ("CURVE", "SURFACE", "META", "FONT", "CURVES", "POINTCLOUD", "VOLUME", "GREASEPENCIL")


class Unreadable(Exception):
    """What was asked for cannot be done; the sentence says why and what to do. cure : operator that does it."""

    def __init__(self, sentence: str, cure: str = "") -> None:
        super().__init__(sentence)
        self.cure = cure


@dataclass(frozen=True)
class Members:
    """The objects that make up a sculpt, the one they are read from first, and what is left out with the reason."""

    things: tuple[bpy.types.Object, ...]
    left_out: tuple[str, ...]


def _instances(thing: bpy.types.Object) -> bool:
    return thing.type == "EMPTY" and thing.instance_type == "COLLECTION" and thing.instance_collection is not None


def whose_mesh(thing: bpy.types.Object | None) -> str:
    """Why an object cannot be the sculpt, as one sentence; empty where it can."""
    if thing is None:
        return "Choose the sculpt first."
    if is_ours(thing):
        return f"{thing.name} is a result of the plan: choose the sculpt itself."
    if thing.type == "MESH" or _instances(thing) or any(child.type == "MESH" for child in thing.children_recursive):
        return ""
    kind = thing.type.replace("_", " ").lower()
    return f"{thing.name} is not a mesh but a {kind}: convert it to a mesh, or choose another object."


def is_gone(scene: bpy.types.Scene) -> str:
    """A sentence where the sculpt was deleted, which leaves it in the file but in no scene; else empty."""
    s = properties.of(scene)
    if s.sculpt is not None and s.sculpt.name in scene.objects:
        return ""
    name = s.sculpt.name if s.sculpt is not None else "The sculpt"
    return f"{name} was deleted: undo that, or choose the sculpt again."


def members_of(scene: bpy.types.Scene, view_layer: bpy.types.ViewLayer) -> Members:
    """The sculpt with what belongs to it: chosen parts, the objects of a chosen collection, and all their children."""
    s = properties.of(scene)
    roots = [s.sculpt, *(part.thing for part in s.parts)]
    if s.group is not None:
        roots += list(s.group.all_objects)
    found: dict[bpy.types.Object, None] = {}
    for root in roots:
        for thing in (root, *root.children_recursive) if root is not None else ():
            if not is_ours(thing):
                found[thing] = None
    things, left_out = [], []
    for thing in found:
        shown = thing.name in view_layer.objects and thing.visible_get(view_layer=view_layer)
        if thing.type == "MESH" or _instances(thing):
            if shown or thing == s.sculpt:
                things.append(thing)
            else:
                left_out.append(f"{thing.name} (hidden)")
        elif thing.type in _SURFACES and shown:
            left_out.append(f"{thing.name} (a {thing.type.lower()}, not a mesh)")
    return Members(tuple(things), tuple(left_out))


def joined_words(members: Members) -> list[str]:
    """What is planned as one sculpt, and what is not in it, as sentences."""
    said = []
    if len(members.things) > 1:
        names = [thing.name for thing in members.things]
        some = ", ".join(names[:6]) + (f" and {len(names) - 6} more" if len(names) > 6 else "")
        said.append(f"{len(names)} objects are planned as one sculpt: {some}.")
    if members.left_out:
        said.append(f"Left out: {', '.join(members.left_out[:6])}. Show or convert them to have them in the plan.")
    return said


def _painted(mesh: bpy.types.Mesh, group: int) -> np.ndarray:
    """(n,) weights of a vertex group. Blender gives no block access to them, hence the loop over vertices."""
    weights = np.zeros(len(mesh.vertices), np.float32)
    for vertex in mesh.vertices:
        for element in vertex.groups:
            if element.group == group:
                weights[vertex.index] = element.weight
    return weights


def _arrays(thing: bpy.types.Object, mirrored: bool, group: str, depsgraph: bpy.types.Depsgraph):
    """Vertices in its own axes, triangles and weights of one evaluated object."""
    mesh = thing.to_mesh(preserve_all_data_layers=bool(group), depsgraph=depsgraph)
    try:
        count = len(mesh.vertices)
        points = np.empty(count * 3, np.float32)
        mesh.vertices.foreach_get("co", points)
        mesh.calc_loop_triangles()
        faces = np.empty(len(mesh.loop_triangles) * 3, np.int32)
        mesh.loop_triangles.foreach_get("vertices", faces)
        number = thing.vertex_groups.find(group) if group else -1
        weights = _painted(mesh, number) if number >= 0 else np.zeros(count, np.float32)
    finally:
        thing.to_mesh_clear()
    rows = faces.reshape(-1, 3)
    if mirrored:  # by its scale: turn the faces right way out again
        rows = rows[:, ::-1]
    return points.reshape(-1, 3), np.ascontiguousarray(rows), weights


def _leave_modes(context: bpy.types.Context, things: tuple[bpy.types.Object, ...]) -> Literal["SCULPT", ""]:
    """Bring strokes and edits into the mesh; the mode to return to afterwards, where one was left."""
    for thing in things:
        if thing.mode == "EDIT":
            thing.update_from_editmode()
    active = context.view_layer.objects.active
    if active in things and active.mode == "SCULPT":  # multires and dyntopo strokes reach the mesh only then
        bpy.ops.object.mode_set(mode="OBJECT")
        return "SCULPT"
    return ""


def _check(context: bpy.types.Context, thing: bpy.types.Object | None) -> None:
    problem = whose_mesh(thing)
    if problem:
        raise Unreadable(problem, "mouldloft.use_selection" if thing is None else "")
    assert thing is not None
    if not thing.users_scene:
        raise Unreadable(is_gone(context.scene), "mouldloft.use_selection")
    if thing.name not in context.view_layer.objects or not thing.visible_get(view_layer=context.view_layer):
        raise Unreadable(f"{thing.name} is hidden: show it in the view layer and run again.", "mouldloft.show_sculpt")


@contextmanager
def _uncovered(context: bpy.types.Context) -> Iterator[None]:
    """Show what is hidden only because its map lies in its place: Blender evaluates nothing that is hidden."""
    global is_reading
    layer = context.view_layer
    hidden = [kept.thing for kept in properties.of(context.scene).covered if kept.thing is not None]
    hidden = [thing for thing in hidden if thing.name in layer.objects and thing.hide_get(view_layer=layer)]
    is_reading = True
    try:
        for thing in hidden:
            thing.hide_set(False, view_layer=layer)
        if hidden:
            layer.update()
        yield
    finally:
        for thing in hidden:
            thing.hide_set(True, view_layer=layer)
        if hidden:
            layer.update()
        is_reading = False


is_reading = False  # what changes meanwhile is our own doing


def read_sculpt(context: bpy.types.Context) -> tuple[Sculpt, list[str]]:
    """The evaluated sculpt of the scene with all that belongs to it, and remarks on it. Raises `Unreadable`."""
    with _uncovered(context):
        return _read(context)


def _read(context: bpy.types.Context) -> tuple[Sculpt, list[str]]:
    scene = context.scene
    main, group = properties.of(scene).sculpt, properties.of(scene).keep_clear
    _check(context, main)
    members = members_of(scene, context.view_layer)
    remarks = joined_words(members)
    for thing in members.things:
        if thing.override_library is not None:
            source = thing.override_library.reference.library.filepath
            remarks.append(f"{thing.name} overrides what {source} has: it is read as it stands here.")
        elif thing.library or (thing.data and thing.data.library):
            source = (thing.library or thing.data.library).filepath
            remarks.append(f"{thing.name} is linked from {source}: it is read as it stands there.")
    if group and not any(group in thing.vertex_groups for thing in members.things):
        remarks.append(f"{main.name} has no vertex group {group}: nothing is kept clear.")
        group = ""
    mode = _leave_modes(context, members.things)
    try:
        found = _gather(context, members.things, main, group)
    finally:
        if mode:
            bpy.ops.object.mode_set(mode=mode)
    if not found:
        raise Unreadable(f"{main.name} has no faces: choose an object with a surface.")
    return _put_together(main.name, found, properties.mm_per_unit(scene), bool(group)), remarks


def token_now(context: bpy.types.Context) -> str:
    """Digest of the sculpt as it stands; empty where it cannot be read."""
    try:
        return read_sculpt(context)[0].digest
    except Unreadable:
        return ""


def _put_together(name: str, found: list, mm: float, painted: bool) -> Sculpt:
    digest = hashlib.blake2b(f"{name}|{mm:.9g}|{painted}".encode(), digest_size=8)
    points, faces, weights, start = [], [], [], 0
    for matrix, local, triangles, own in found:
        # positions as stored, and places rounded: moving the whole sculpt leaves noise in the last digits
        for part in (local, triangles, own, np.round(matrix, 5) + 0.0):
            digest.update(np.ascontiguousarray(part).tobytes())
        points.append(local.astype(np.float64) @ matrix[:3, :3].T + matrix[:3, 3])
        faces.append(triangles + start)
        weights.append(own)
        start += len(local)
    together = np.concatenate(points) * mm
    kept = np.concatenate(weights) if painted else None
    return Sculpt(name, together, np.concatenate(faces).astype(np.int32), kept, digest.hexdigest())


def _gather(context: bpy.types.Context, things: tuple, main: bpy.types.Object, group: str) -> list:
    """(matrix from its own axes to world axes about the sculpt's origin, arrays) of each object and all instances."""
    depsgraph = context.evaluated_depsgraph_get()
    origin = np.array(main.evaluated_get(depsgraph).matrix_world.translation, float)
    wanted, found = set(things), []
    for instance in depsgraph.object_instances:
        parent = instance.parent.original if instance.parent else None
        own = not instance.is_instance and instance.object.original in wanted
        if not own and not (instance.is_instance and parent in wanted):
            continue
        if instance.object.type != "MESH":
            continue
        matrix = np.array(instance.matrix_world, float)
        matrix[:3, 3] -= origin
        mirrored = np.linalg.det(matrix[:3, :3]) < 0
        arrays = _arrays(instance.object, mirrored, group if own else "", depsgraph)
        if len(arrays[1]):
            found.append((matrix, *arrays))
    return found
