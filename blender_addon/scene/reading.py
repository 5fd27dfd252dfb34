"""Reading the sculpt: the mesh as it is seen (modifiers, multires, instances, scale), in millimetres."""

from __future__ import annotations

import bpy
import numpy as np

from ..work.sections import Sculpt


class Unreadable(Exception):
    """The object cannot be planned from; the sentence says why and what to do."""


def mm_per_unit(scene: bpy.types.Scene) -> float:
    """Millimetres in one Blender unit, by the scene's unit scale."""
    return 1000.0 * scene.unit_settings.scale_length


def whose_mesh(thing: bpy.types.Object | None) -> str:
    """Why an object cannot be the sculpt, as one sentence; empty where it can."""
    if thing is None:
        return "Choose the sculpt first."
    if thing.type == "EMPTY" and thing.instance_type == "COLLECTION" and thing.instance_collection:
        return ""
    if thing.type != "MESH":
        kind = thing.type.replace("_", " ").lower()
        return f"{thing.name} is not a mesh but a {kind}: convert it to a mesh, or choose another object."
    return ""


def _painted(mesh: bpy.types.Mesh, group: int) -> np.ndarray:
    """(n,) weights of a vertex group. Blender gives no block access to them, hence the loop over vertices."""
    weights = np.zeros(len(mesh.vertices), np.float32)
    for vertex in mesh.vertices:
        for element in vertex.groups:
            if element.group == group:
                weights[vertex.index] = element.weight
    return weights


def _arrays(thing: bpy.types.Object, matrix: np.ndarray, group: str, depsgraph: bpy.types.Depsgraph):
    """Vertices in world units, triangles and weights of one evaluated object."""
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
    faces = faces.reshape(-1, 3)
    if np.linalg.det(matrix[:3, :3]) < 0:  # mirrored by its scale: turn the faces right way out again
        faces = faces[:, ::-1]
    world = points.reshape(-1, 3).astype(np.float64) @ matrix[:3, :3].T + matrix[:3, 3]
    return world, np.ascontiguousarray(faces), weights


def read_sculpt(
    context: bpy.types.Context, thing: bpy.types.Object | None, group: str = ""
) -> tuple[Sculpt, list[str]]:
    """The evaluated sculpt with its instances, and remarks for Blender's report. Raises `Unreadable`."""
    problem = whose_mesh(thing)
    if problem:
        raise Unreadable(problem)
    if thing.name not in context.view_layer.objects or not thing.visible_get(view_layer=context.view_layer):
        raise Unreadable(f"{thing.name} is hidden: show it in the view layer and run again.")
    remarks = []
    if thing.library or (thing.data and thing.data.library):
        source = (thing.library or thing.data.library).filepath
        remarks.append(f"{thing.name} is linked from {source}: it is read as it stands there.")
    if thing.mode == "EDIT":
        thing.update_from_editmode()
    elif thing.mode == "SCULPT" and context.view_layer.objects.active == thing:
        bpy.ops.object.mode_set(mode="OBJECT")  # multires and dyntopo strokes reach the mesh only then
    if group and group not in thing.vertex_groups:
        remarks.append(f"{thing.name} has no vertex group {group}: nothing is kept clear.")
        group = ""
    found = _gather(context, thing, group)
    if not found:
        raise Unreadable(f"{thing.name} has no faces: choose an object with a surface.")
    points, faces, weights, start = [], [], [], 0
    for world, triangles, painted in found:
        points.append(world)
        faces.append(triangles + start)
        weights.append(painted)
        start += len(world)
    together = np.concatenate(points) * mm_per_unit(context.scene)
    painted = np.concatenate(weights) if group else None
    return Sculpt(thing.name, together, np.concatenate(faces).astype(np.int32), painted), remarks


def _gather(context: bpy.types.Context, thing: bpy.types.Object, group: str) -> list:
    """Arrays of the object itself and of all that it instances."""
    depsgraph = context.evaluated_depsgraph_get()
    found = []
    for instance in depsgraph.object_instances:
        parent = instance.parent
        own = not instance.is_instance and instance.object.original == thing
        if not own and not (instance.is_instance and parent and parent.original == thing):
            continue
        if instance.object.type != "MESH":
            continue
        matrix = np.array(instance.matrix_world, float)
        arrays = _arrays(instance.object, matrix, group if own else "", depsgraph)
        if len(arrays[1]):
            found.append(arrays)
    return found
