"""Results as Blender objects: one collection beside the sculpt, in plan axes, at the scene's unit."""

from __future__ import annotations

import json

import bpy
import numpy as np

from ..work.display import Colours, Line, Place, Shape, Shown, Thickness
from . import reading

COLLECTION = "Mouldloft"
ROOT = "Mouldloft plan"
MAP = "Undercut map"
ATTRIBUTE = "Mouldloft undercut"
THICKNESS = "Mouldloft thickness"
LEGEND = "mouldloft_legend"
ROLE = "mouldloft_role"
PIECE = "mouldloft_piece"
WAY = "mouldloft_way"  # full move of the slider, in Blender units
SHARE = "mouldloft_share"  # of that move that its location holds now
STAMP = "mouldloft_stamp"
COLLECTIONS = {
    "map": "Mouldloft map",
    "seam": "Mouldloft seam",
    "glove": "Mouldloft glove",
    "wall": "Mouldloft wall",
    "handling": "Mouldloft handling",
    "key": "Mouldloft keys",
    "jacket": "Mouldloft jacket",
    "cradle": "Mouldloft cradle",
    "thin": "Mouldloft thin places",
    "solid": "Mouldloft solids",
}
MOVED = ("glove", "thin", "key", "jacket", "cradle", "solid")  # along their pulls, by the slider


def units_per_mm(scene: bpy.types.Scene) -> float:
    """Blender units in a millimetre."""
    return 1.0 / reading.mm_per_unit(scene)


def collection_for(scene: bpy.types.Scene, role: str = "") -> bpy.types.Collection:
    """The results' collection, or the one inside it for a role; made where missing."""
    top = bpy.data.collections.get(COLLECTION) or bpy.data.collections.new(COLLECTION)
    if top.name not in scene.collection.children:
        scene.collection.children.link(top)
    if not role:
        return top
    name = COLLECTIONS[role]
    inner = bpy.data.collections.get(name) or bpy.data.collections.new(name)
    if inner.name not in top.children:
        top.children.link(inner)
    return inner


def root_for(scene: bpy.types.Scene) -> bpy.types.Object:
    """The empty that all results hang from, set beside the sculpt when it is first made."""
    root = bpy.data.objects.get(ROOT)
    if root is None:
        root = bpy.data.objects.new(ROOT, None)
        root.empty_display_type = "PLAIN_AXES"
        root.empty_display_size = 50.0 * units_per_mm(scene)
    if root.name not in collection_for(scene).objects:
        collection_for(scene).objects.link(root)
    return root


def place_beside(scene: bpy.types.Scene, sculpt: bpy.types.Object, width_mm: float) -> None:
    """Stand the results beside the sculpt, the plan's own size away, on the ground."""
    if ROOT in bpy.data.objects:
        return
    root = root_for(scene)
    world = world_corners(sculpt)
    right = max(corner.x for corner in world)
    middle = sum(corner.y for corner in world) / len(world)
    low = min(corner.z for corner in world)
    root.location = (right + 1.5 * width_mm * units_per_mm(scene), middle, low)


def clear_of(scene: bpy.types.Scene, half_width: float) -> float:
    """An x where something of that half width, in Blender units, stands clear of every mesh of the scene."""
    there = [thing for thing in scene.objects if thing.type == "MESH" and thing.visible_get()]
    right = max((corner.x for thing in there for corner in world_corners(thing)), default=-1.5 * half_width)
    return right + 1.5 * half_width


def world_corners(thing: bpy.types.Object) -> list:
    """World corners of the bounding box."""
    return [thing.matrix_world @ corner for corner in map(vector, thing.bound_box)]


def vector(values):
    from mathutils import Vector

    return Vector(values)


def of_role(*roles: str) -> list[bpy.types.Object]:
    """All result objects of the given roles, by name."""
    found = [thing for thing in bpy.data.objects if thing.get(ROLE) in roles]
    return sorted(found, key=lambda thing: thing.name)


def remove(*roles: str) -> None:
    """Take away the result objects of the given roles with their data."""
    for thing in of_role(*roles):
        data = thing.data
        bpy.data.objects.remove(thing)
        if data is not None and data.users == 0:
            kinds = {bpy.types.Mesh: bpy.data.meshes, bpy.types.Curve: bpy.data.curves}
            for kind, store in kinds.items():
                if isinstance(data, kind):
                    store.remove(data)


def material(name: str, colour: tuple[float, float, float], attribute: str = "") -> bpy.types.Material:
    """A plain material of the house colour (sRGB); with `attribute`, coloured by that attribute."""
    from mouldloft.outputs.look import to_linear

    made = bpy.data.materials.get(name)
    if made is not None:
        return made
    made = bpy.data.materials.new(name)
    linear = (*(float(v) for v in to_linear(np.array(colour))), 1.0)
    made.diffuse_color = linear
    if not made.use_nodes:
        made.use_nodes = True
    shader = made.node_tree.nodes.get("Principled BSDF")
    if shader is not None:
        shader.inputs["Base Color"].default_value = linear
        shader.inputs["Roughness"].default_value = 0.6
        if attribute:
            source = made.node_tree.nodes.new("ShaderNodeAttribute")
            source.attribute_name = attribute
            source.location = (-300.0, 300.0)
            made.node_tree.links.new(source.outputs["Color"], shader.inputs["Base Color"])
    return made


def new_mesh(name: str, vertices: np.ndarray, faces, smooth: bool) -> bpy.types.Mesh:
    """A mesh from (n, 3) vertices in Blender units and (m, 3) faces or a list of polygons."""
    mesh = bpy.data.meshes.new(name)
    if isinstance(faces, list):
        mesh.from_pydata(vertices.tolist(), [], faces)
        mesh.update()
        return mesh
    count = len(faces)
    mesh.vertices.add(len(vertices))
    mesh.vertices.foreach_set("co", np.ascontiguousarray(vertices, np.float32).ravel())
    mesh.loops.add(count * 3)
    mesh.loops.foreach_set("vertex_index", np.ascontiguousarray(faces, np.int32).ravel())
    mesh.polygons.add(count)
    mesh.polygons.foreach_set("loop_start", np.arange(0, count * 3, 3, dtype=np.int32))
    mesh.polygons.foreach_set("use_smooth", np.full(count, smooth))
    mesh.update(calc_edges=True)
    return mesh


def _hang(scene: bpy.types.Scene, thing: bpy.types.Object, role: str, piece: int = -1) -> None:
    thing[ROLE] = role
    thing[PIECE] = piece
    thing.parent = root_for(scene)
    collection_for(scene, role).objects.link(thing)


def _hang_moving(scene: bpy.types.Scene, thing: bpy.types.Object, role: str, shown: Shape | Place) -> None:
    unit = units_per_mm(scene)
    thing.location = [v * unit for v in shown.at_mm]
    thing[SHARE] = 0.0
    thing[WAY] = [v * shown.reach_mm * unit for v in shown.way]
    _hang(scene, thing, role, shown.piece)


def show_shape(scene: bpy.types.Scene, shape: Shape) -> bpy.types.Object:
    """One shape as an object under the root."""
    unit = units_per_mm(scene)
    mesh = new_mesh(shape.name, np.asarray(shape.vertices_mm) * unit, shape.faces, shape.smooth)
    mesh.materials.append(material(f"Mouldloft {shape.stuff or shape.role}", shape.colour))
    thing = bpy.data.objects.new(shape.name, mesh)
    _hang_moving(scene, thing, shape.role, shape)
    if shape.thick_mm:
        board = thing.modifiers.new("Board", "SOLIDIFY")
        board.thickness = shape.thick_mm * unit
        board.offset = 0.0
    return thing


def show_line(scene: bpy.types.Scene, line: Line) -> bpy.types.Object:
    """A run of the seam as an editable poly curve."""
    from mouldloft.outputs.look import SEAM, rgb

    unit = units_per_mm(scene)
    curve = bpy.data.curves.new(line.name, "CURVE")
    curve.dimensions = "3D"
    curve.bevel_depth = 2.5 * unit
    spline = curve.splines.new("POLY")
    spline.points.add(len(line.points_mm) - 1)
    rows = np.ones((len(line.points_mm), 4), np.float32)
    rows[:, :3] = line.points_mm * unit
    spline.points.foreach_set("co", rows.ravel())
    spline.use_cyclic_u = line.closed
    curve.materials.append(material("Mouldloft seam", rgb(SEAM)))
    thing = bpy.data.objects.new(line.name, curve)
    _hang(scene, thing, "seam")
    return thing


ROLES_OF = {
    "seam": ("seam",),
    "glove": ("glove", "wall", "thin"),
    "keys": ("key",),
    "jacket": ("jacket", "cradle"),
    "solids": ("solid",),
}


def show(scene: bpy.types.Scene, key: str, shown: Shown) -> None:
    """Put a section's shapes in the place of those it showed before, where they are seen."""
    remove(*ROLES_OF.get(key, ()))
    for shape in shown.shapes:
        show_shape(scene, shape)
    for line in shown.lines:
        show_line(scene, line)
    set_apart(scene, scene.mouldloft.apart)
    if key == "solids":
        show_only("solid")
    elif shown.shapes or shown.lines:
        set_seen(True, *ROLES_OF[key])
        set_seen(False, "solid")  # those made before stand in the same place


def set_seen(seen: bool, *roles: str) -> None:
    """Show or hide the collections of roles, in every view."""
    for role in roles:
        collection = bpy.data.collections.get(COLLECTIONS[role])
        if collection is not None:
            collection.hide_viewport = not seen


def show_only(*roles: str) -> None:
    """Hide all results but those of the given roles, so that they are seen."""
    set_seen(False, *COLLECTIONS)
    set_seen(True, *roles)


def set_apart(scene: bpy.types.Scene, share: float) -> None:
    """Move every piece along its way by a share of its full move."""
    for thing in of_role(*MOVED):
        thing.location = thing.location + (share - thing[SHARE]) * vector(thing[WAY])
        thing[SHARE] = share


def plan_position(scene: bpy.types.Scene, thing: bpy.types.Object) -> tuple[float, float, float]:
    """Where a result's origin stands in plan millimetres, its move along the slider taken out."""
    moved = thing.location - thing.get(SHARE, 0.0) * vector(thing.get(WAY, (0.0, 0.0, 0.0)))
    x, y, z = moved * reading.mm_per_unit(scene)
    return float(x), float(y), float(z)


def mark_handling(scene: bpy.types.Scene, at, radius_mm: float) -> bpy.types.Object:
    """A ball of empty at a place of the world, carried by the plan: where the glove will be handled."""
    thing = bpy.data.objects.new("Handled", None)
    thing.empty_display_type = "SPHERE"
    thing.empty_display_size = radius_mm * units_per_mm(scene)
    _hang(scene, thing, "handling")
    bpy.context.view_layer.update()
    thing.location = thing.parent.matrix_world.inverted() @ vector(at)
    return thing


def handling_points_mm(scene: bpy.types.Scene) -> list[list[float]]:
    """Plan millimetres of the places marked, to a tenth."""
    return [[round(v, 1) for v in plan_position(scene, thing)] for thing in of_role("handling")]


def seam_lines_mm(scene: bpy.types.Scene) -> list[list[list[float]]]:
    """The seam's curves as the user left them, each a list of points in plan millimetres."""
    lines = []
    for thing in of_role("seam"):
        matrix = np.array(thing.matrix_local, float)
        for spline in thing.data.splines:
            points = spline.points if spline.type != "BEZIER" else spline.bezier_points
            width = 3 if spline.type == "BEZIER" else 4
            rows = np.empty(len(points) * width, np.float32)
            points.foreach_get("co", rows)
            at = rows.reshape(-1, width)[:, :3] @ matrix[:3, :3].T + matrix[:3, 3]
            lines.append((at * reading.mm_per_unit(scene)).round(3).tolist())
    return [line for line in lines if len(line) >= 3]


# --- the maps ---------------------------------------------------------------------------------------------


def show_map(scene: bpy.types.Scene, master, stamp: str) -> bpy.types.Object:
    """The copy of the master that carries the map's colours; kept while the master is the same."""
    thing = next(iter(of_role("map")), None)
    if thing is not None and thing.get(STAMP) == stamp:
        return thing
    remove("map")
    from mouldloft.outputs.look import PLASTER, rgb

    mesh = new_mesh(MAP, master.vertices_mm * units_per_mm(scene), master.faces, True)
    mesh.materials.append(material("Mouldloft map", rgb(PLASTER), ATTRIBUTE))
    thing = bpy.data.objects.new(MAP, mesh)
    thing[STAMP] = stamp
    _hang(scene, thing, "map")
    return thing


def colour_map(scene: bpy.types.Scene, thing: bpy.types.Object, colours: Colours) -> None:
    """Write the colours to the copy's attribute and the legend to the scene."""
    mesh = thing.data
    attribute = mesh.color_attributes.get(ATTRIBUTE)
    if attribute is None:
        attribute = mesh.color_attributes.new(ATTRIBUTE, "FLOAT_COLOR", "CORNER")
    attribute.data.foreach_set("color", np.repeat(colours.per_face, 3, axis=0).ravel())
    mesh.color_attributes.active_color = attribute
    mesh.update()
    scene.mouldloft.map_text = json.dumps(colours.legend)


def glove_points_mm(scene: bpy.types.Scene) -> dict[int, np.ndarray]:
    """By piece, (n, 3) vertices of its glove as drawn, in plan millimetres, wherever the slider has moved it."""
    found = {}
    for thing in of_role("glove"):
        points = np.empty(len(thing.data.vertices) * 3, np.float32)
        thing.data.vertices.foreach_get("co", points)
        found[thing[PIECE]] = points.reshape(-1, 3).astype(float) * reading.mm_per_unit(scene)
    return found


def show_thickness(scene: bpy.types.Scene, shown: Thickness) -> None:
    """Colour the gloves by their thickness, keep the legend with them, and mark the thin places."""
    for thing in of_role("glove"):
        mesh = thing.data
        attribute = mesh.color_attributes.get(THICKNESS)
        if attribute is None:
            attribute = mesh.color_attributes.new(THICKNESS, "FLOAT_COLOR", "POINT")
        attribute.data.foreach_set("color", shown.per_vertex[thing[PIECE]].ravel())
        mesh.color_attributes.active_color = attribute
        mesh.update()
        thing[LEGEND] = json.dumps(shown.legend)
    remove("thin")
    for place in shown.thin:
        thing = bpy.data.objects.new(place.name, None)
        thing.empty_display_type = "SPHERE"
        thing.empty_display_size = place.radius_mm * units_per_mm(scene)
        thing.show_name = thing.show_in_front = True
        _hang_moving(scene, thing, "thin", place)
    set_apart(scene, scene.mouldloft.apart)


def thickness_legend() -> str:
    """The legend of the glove's thickness as JSON; empty where the gloves as they stand were not measured."""
    return next((thing[LEGEND] for thing in of_role("glove") if LEGEND in thing), "")
