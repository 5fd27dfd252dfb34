"""Results as Blender objects: one collection beside the sculpt, in plan axes, at the scene's unit."""

from __future__ import annotations

import hashlib
import json
from typing import Any

import bpy
import numpy as np

from ..work.display import (
    FREE_AHEAD,
    FREE_BEHIND,
    FREE_BOTH,
    LOCKED,
    Clay,
    Colours,
    Line,
    Place,
    Shape,
    Shown,
    Thickness,
    linear_colours,
)
from . import properties, reading
from .roles import COLLECTIONS, LEGEND, MOVED, NAME, PIECE, ROLE, ROLES_OF, SHARE, STAMP, WAY

COLLECTION = "Mouldloft"
ROOT = "Mouldloft plan"
MAP = "Undercut map"
ATTRIBUTE = "Mouldloft undercut"
THICKNESS = "Mouldloft thickness"
CLAY = "Mouldloft scan against plan"


def units_per_mm(scene: bpy.types.Scene) -> float:
    """Blender units in a millimetre."""
    return 1.0 / properties.mm_per_unit(scene)


def _is_shared(top: bpy.types.Collection, scene: bpy.types.Scene) -> bool:
    """Whether another scene holds the same results, as a linked copy of a scene does."""
    return any(other != scene and properties.of(other).collection == top for other in bpy.data.scenes)


def collection_for(scene: bpy.types.Scene, role: str = "") -> bpy.types.Collection:
    """The collection of this scene's results, or the one inside it for a role; made where missing."""
    s = properties.of(scene)
    top = s.collection
    if top is not None and _is_shared(top, scene):
        if top.name in scene.collection.children:
            scene.collection.children.unlink(top)
        top, s.root = None, None
        s.covered.clear()
    if top is None:
        top = s.collection = bpy.data.collections.new(COLLECTION)
    if top.name not in scene.collection.children:
        scene.collection.children.link(top)
    if not role:
        return top
    inner = role_collection(scene, role)
    if inner is None:
        inner = bpy.data.collections.new(COLLECTIONS[role])
        inner[ROLE] = role
        top.children.link(inner)
    return inner


def role_collection(scene: bpy.types.Scene, role: str) -> bpy.types.Collection | None:
    """This scene's collection for a role, or None."""
    top = properties.of(scene).collection
    return next((inner for inner in top.children if inner.get(ROLE) == role), None) if top else None


def root_for(scene: bpy.types.Scene) -> bpy.types.Object:
    """The empty that all results of the scene hang from."""
    top, s = collection_for(scene), properties.of(scene)
    if s.root is None:
        root = s.root = bpy.data.objects.new(ROOT, None)
        root[ROLE] = "root"
        root.empty_display_type = "PLAIN_AXES"
        root.empty_display_size = 50.0 * units_per_mm(scene)
    if s.root.name not in top.objects:
        top.objects.link(s.root)
    return s.root


# --- where results stand ------------------------------------------------------------------------------------


def _axis(text: str):
    return vector([("xyz".index(text[1]) == k) * (1.0 if text[0] == "+" else -1.0) for k in range(3)])


def turn_to_plan(scene: bpy.types.Scene):
    """The 3 x 3 turn from the scene's axes to the plan's, by what is set as up and front."""
    from mathutils import Matrix

    z, y = _axis(properties.of(scene).up), -_axis(properties.of(scene).front)
    return Matrix((y.cross(z), y, z))


def place(scene: bpy.types.Scene) -> None:
    """Stand the results on the sculpt or beside it, as chosen, and have them follow it."""
    from mathutils import Matrix

    s = properties.of(scene)
    root = s.root
    if root is None or "mouldloft_scale" not in root:
        return
    unit, sculpt = units_per_mm(scene), s.taken or s.sculpt
    origin = sculpt.matrix_world.translation.copy() if sculpt else vector((0.0, 0.0, 0.0))
    back = _from_plan(root, unit)
    if s.placing == "BESIDE":
        # the finished piece, upright, its own width to the right of the sculpt
        corners = [back @ vector(corner) for corner in _box_corners(root["mouldloft_size"], unit)]
        right, low = max(c.x for c in corners), min(c.z for c in corners)
        middle = sum((c.y for c in corners), 0.0) / 8.0
        side = vector((right + 1.0 * root["mouldloft_size"][0] * unit, middle, low))
        back = Matrix.Translation(side)
    root.parent = sculpt
    world = Matrix.Translation(origin) @ back
    if sculpt is not None:
        root.matrix_parent_inverse = sculpt.matrix_world.inverted_safe()
    root.matrix_basis = world
    cover(scene)


def plan_from_world(scene: bpy.types.Scene):
    """The 4 x 4 from the world, where the sculpt stands now, to plan millimetres; None before the sculpt was taken
    in."""
    from mathutils import Matrix

    s = properties.of(scene)
    root, sculpt = s.root, s.taken or s.sculpt
    if root is None or sculpt is None or "mouldloft_scale" not in root:
        return None
    world = Matrix.Translation(sculpt.matrix_world.translation) @ _from_plan(root, units_per_mm(scene))
    return Matrix.Scale(properties.mm_per_unit(scene), 4) @ world.inverted()


def _from_plan(root: bpy.types.Object, unit: float):
    """The 4 x 4 from the plan's axes, in the scene's units, to the sculpt's about its origin."""
    from mathutils import Matrix

    turn, shift = Matrix(root["mouldloft_turn"]).to_4x4(), vector(root["mouldloft_shift"]) * unit
    return turn.transposed() @ Matrix.Scale(1.0 / root["mouldloft_scale"], 4) @ Matrix.Translation(-shift)


def _box_corners(size_mm, unit: float) -> list[tuple[float, float, float]]:
    x, y, z = (v * unit for v in size_mm)
    return [(sx * x / 2, sy * y / 2, sz * z) for sx in (-1, 1) for sy in (-1, 1) for sz in (0, 1)]


def place_for(scene: bpy.types.Scene, master) -> None:
    """Remember how the plan's axes lie to the sculpt's, and place the results by that."""
    root = root_for(scene)
    root["mouldloft_scale"] = float(master.scale)
    root["mouldloft_turn"] = [list(row) for row in turn_to_plan(scene)]
    root["mouldloft_shift"] = list(master.shift_mm)
    root["mouldloft_size"] = list(master.size_mm)
    place(scene)


def cover(scene: bpy.types.Scene) -> None:
    """Hide the sculpt while its map, scan or sections lie in its place, and show it again when none does."""
    s = properties.of(scene)
    layer = bpy.context.view_layer if bpy.context.scene == scene else scene.view_layers[0]
    lying = [role for role in ("map", "clay", "section") if is_seen(scene, role) and of_role(scene, role)]
    covering = s.placing == "IN_PLACE" and bool(lying)
    there = [kept.thing for kept in s.covered if kept.thing is not None]
    if covering and not there and s.sculpt is not None:
        for thing in reading.members_of(scene, layer).things:
            if thing.mode == "OBJECT" and thing.name in layer.objects and not thing.hide_get(view_layer=layer):
                thing.hide_set(True, view_layer=layer)
                s.covered.add().thing = thing
    elif not covering and s.covered:
        for thing in there:
            if thing.name in layer.objects:
                thing.hide_set(False, view_layer=layer)
        s.covered.clear()


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


def of_role(scene: bpy.types.Scene, *roles: str) -> list[bpy.types.Object]:
    """The scene's own result objects of the given roles, by name; another file's that were appended are not its own."""
    top = properties.of(scene).collection
    if top is None:
        return []
    here = scene.objects
    found = [thing for thing in top.all_objects if thing.get(ROLE) in roles and thing.name in here]
    return sorted(found, key=lambda thing: thing.name)


def remove(scene: bpy.types.Scene, *roles: str) -> None:
    """Take away the scene's result objects of the given roles with their data."""
    if properties.of(scene).collection is not None:
        collection_for(scene)  # its own first, where a copied scene shares them
    remove_things(of_role(scene, *roles))


def remove_things(things: list[bpy.types.Object]) -> None:
    """Take away objects with their data."""
    for thing in things:
        data = thing.data
        bpy.data.objects.remove(thing)
        if data is not None and data.users == 0:
            if isinstance(data, bpy.types.Mesh):
                bpy.data.meshes.remove(data)
            elif isinstance(data, bpy.types.Curve):
                bpy.data.curves.remove(data)


def material(name: str, colour: tuple[float, float, float], attribute: str = "") -> bpy.types.Material:
    """A plain material of the house colour (sRGB); with `attribute`, coloured by that attribute."""
    from mouldloft.outputs.look import to_linear

    made: Any = bpy.data.materials.get(name)
    if made is not None:
        return made
    made = bpy.data.materials.new(name)
    linear = (*(float(v) for v in to_linear(np.array(colour))), 1.0)
    made.diffuse_color = linear
    if not made.use_nodes:
        made.use_nodes = True
    shader: Any = made.node_tree.nodes.get("Principled BSDF")
    if shader is not None:
        shader.inputs["Base Color"].default_value = linear
        shader.inputs["Roughness"].default_value = 0.6
        if attribute:
            source: Any = made.node_tree.nodes.new("ShaderNodeAttribute")
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


def hang(scene: bpy.types.Scene, thing: bpy.types.Object, role: str, piece: int = -1) -> None:
    thing[ROLE] = role
    thing[PIECE] = piece
    thing[NAME] = thing.name
    thing.parent = root_for(scene)
    collection_for(scene, role).objects.link(thing)


def _hang_moving(scene: bpy.types.Scene, thing: bpy.types.Object, role: str, shown: Shape | Place) -> None:
    unit = units_per_mm(scene)
    thing.location = [v * unit for v in shown.at_mm]
    thing[SHARE] = 0.0
    thing[WAY] = [v * shown.reach_mm * unit for v in shown.way]
    hang(scene, thing, role, shown.piece)


def show_shape(scene: bpy.types.Scene, shape: Shape) -> bpy.types.Object:
    """One shape as an object under the root."""
    unit = units_per_mm(scene)
    mesh = new_mesh(shape.name, np.asarray(shape.vertices_mm) * unit, shape.faces, shape.smooth)
    mesh.materials.append(material(f"Mouldloft {shape.material_name or shape.role}", shape.colour))
    thing = bpy.data.objects.new(shape.name, mesh)
    _hang_moving(scene, thing, shape.role, shape)
    thing[NAME] = shape.name
    if shape.thick_mm:
        board: Any = thing.modifiers.new("Board", "SOLIDIFY")
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
    hang(scene, thing, "seam")
    return thing


def show(scene: bpy.types.Scene, key: str, shown: Shown) -> None:
    """Put a section's shapes in the place of those it showed before, where they are seen."""
    roles = ROLES_OF.get(key, ())
    remove(scene, *roles)
    for shape in shown.shapes:
        show_shape(scene, shape)
    for line in shown.lines:
        show_line(scene, line)
    set_apart(scene, properties.of(scene).apart)
    if key == "solids":
        show_only(scene, "solid")
    elif shown.shapes or shown.lines:
        set_seen(scene, True, *roles)
        set_seen(scene, False, "solid", "clay", "place", "peel", "section")  # what stands in the same place
    remember(scene, key)


def count_of(scene: bpy.types.Scene, key: str) -> int:
    """How many objects of a section are there."""
    return len(of_role(scene, *ROLES_OF.get(key, ())))


def set_seen(scene: bpy.types.Scene, seen: bool, *roles: str) -> None:
    """Show or hide the collections of roles, in every view."""
    for role in roles:
        collection = role_collection(scene, role)
        if collection is not None:
            collection.hide_viewport = not seen
    cover(scene)


def is_seen(scene: bpy.types.Scene, role: str) -> bool:
    """Whether the results of a role are shown in the views."""
    collection = role_collection(scene, role)
    return collection is not None and not collection.hide_viewport


def show_only(scene: bpy.types.Scene, *roles: str) -> None:
    """Hide all results but those of the given roles, so that they are seen."""
    for role in COLLECTIONS:
        collection = role_collection(scene, role)
        if collection is not None:
            collection.hide_viewport = role not in roles
    cover(scene)


# --- what was dragged since it was shown ------------------------------------------------------------------


def _digest(rows) -> str:
    return hashlib.blake2b(json.dumps(rows).encode(), digest_size=8).hexdigest()


def _seam_rows(scene: bpy.types.Scene):
    return [[[round(v, 2) for v in point] for point in line] for line in seam_lines_mm(scene)]


def _key_rows(scene: bpy.types.Scene):
    things = of_role(scene, "key")
    return sorted([thing[PIECE], *(round(v, 1) for v in plan_position(scene, thing))] for thing in things)


def seam_digest(scene: bpy.types.Scene) -> str:
    """Digest of the seam's curves as they are now; empty where there are none."""
    rows = _seam_rows(scene)
    return _digest(rows) if rows else ""


def remember(scene: bpy.types.Scene, key: str) -> None:
    """Remember how seam or keys look as the plan shows them."""
    if key == "seam":
        properties.of(scene).seam_shown = _digest(_seam_rows(scene))
    elif key == "keys":
        properties.of(scene).keys_shown = _digest(_key_rows(scene))


def is_edited(scene: bpy.types.Scene, key: str) -> bool:
    """Whether the seam's curve or the keys were moved since they were shown, and are still there."""
    s = properties.of(scene)
    if key == "seam" and s.seam_shown and of_role(scene, "seam"):
        return _digest(_seam_rows(scene)) != s.seam_shown
    if key == "keys" and s.keys_shown and of_role(scene, "key"):
        return _digest(_key_rows(scene)) != s.keys_shown
    return False


def set_apart(scene: bpy.types.Scene, share: float) -> None:
    """Move every piece along its way by a share of its full move."""
    for thing in of_role(scene, *MOVED):
        thing.location = thing.location + (share - thing[SHARE]) * vector(thing[WAY])
        thing[SHARE] = share


def plan_position(scene: bpy.types.Scene, thing: bpy.types.Object) -> tuple[float, float, float]:
    """Where a result's origin stands in plan millimetres, its move along the slider taken out."""
    moved = thing.location - thing.get(SHARE, 0.0) * vector(thing.get(WAY, (0.0, 0.0, 0.0)))
    x, y, z = moved * properties.mm_per_unit(scene)
    return float(x), float(y), float(z)


def stand_at(scene: bpy.types.Scene, thing: bpy.types.Object, at_mm) -> None:
    """Put a result's origin at plan millimetres, and by the slider's share off it; where it stands already, nothing."""
    if max(abs(a - b) for a, b in zip(plan_position(scene, thing), at_mm)) > 0.05:
        home = vector(at_mm) * units_per_mm(scene)
        thing.location = home + thing.get(SHARE, 0.0) * vector(thing.get(WAY, (0.0, 0.0, 0.0)))


def key_name(thing: bpy.types.Object) -> str:
    """The plan's name of the key that an object is, or was copied from."""
    return str(thing.get(NAME, "")).removeprefix("Key ")


def tabs_of(scene: bpy.types.Scene, keys) -> list[bpy.types.Object]:
    """The objects of keys that may be moved: all but the wedges down the walls, which follow those."""
    wedges = {key.name for key in keys.keys if key.is_wedge}
    return [thing for thing in of_role(scene, "key") if key_name(thing) not in wedges]


def mark_handling(scene: bpy.types.Scene, at, radius_mm: float) -> bpy.types.Object:
    """A ball of empty at a place of the world, carried by the plan: where the glove will be handled."""
    thing = bpy.data.objects.new("Handled", None)
    thing.empty_display_type = "SPHERE"
    thing.empty_display_size = radius_mm * units_per_mm(scene)
    hang(scene, thing, "handling")
    bpy.context.view_layer.update()
    thing.location = thing.parent.matrix_world.inverted() @ vector(at)
    return thing


def handling_points_mm(scene: bpy.types.Scene) -> list[list[float]]:
    """Plan millimetres of the places marked, to a tenth."""
    return [[round(v, 1) for v in plan_position(scene, thing)] for thing in of_role(scene, "handling")]


def seam_lines_mm(scene: bpy.types.Scene) -> list[list[list[float]]]:
    """The seam's curves as the user left them, each a list of points in plan millimetres."""
    lines = []
    for thing in of_role(scene, "seam"):
        matrix = np.array(thing.matrix_parent_inverse @ thing.matrix_basis, float)  # its own, free of rounding
        for spline in thing.data.splines:
            points = spline.points if spline.type != "BEZIER" else spline.bezier_points
            width = 3 if spline.type == "BEZIER" else 4
            rows = np.empty(len(points) * width, np.float32)
            points.foreach_get("co", rows)
            at = rows.reshape(-1, width)[:, :3] @ matrix[:3, :3].T + matrix[:3, 3]
            lines.append((at * properties.mm_per_unit(scene)).round(3).tolist())
    return [line for line in lines if len(line) >= 3]


# --- the maps ---------------------------------------------------------------------------------------------


def show_map(scene: bpy.types.Scene, master, stamp: str) -> bpy.types.Object:
    """The copy of the master that carries the map's colours; kept while the master is the same."""
    thing = next(iter(of_role(scene, "map")), None)
    if thing is not None and thing.get(STAMP) == stamp:
        return thing
    remove(scene, "map")
    from mouldloft.outputs.look import PLASTER, rgb

    mesh = new_mesh(MAP, master.vertices_mm * units_per_mm(scene), master.faces, True)
    mesh.materials.append(material("Mouldloft map", rgb(PLASTER), ATTRIBUTE))
    thing = bpy.data.objects.new(MAP, mesh)
    thing[STAMP] = stamp
    hang(scene, thing, "map")
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
    properties.of(scene).map_text = json.dumps(colours.legend)
    properties.of(scene).map_way = colours.way


def colour_answers(thing: bpy.types.Object, answers: np.ndarray) -> None:
    """Colour the map's object by a quick map's answers, (m,) uint8, where no shader of our own draws them."""
    colours = linear_colours([FREE_AHEAD, FREE_BEHIND, FREE_BOTH, LOCKED])
    attribute = thing.data.color_attributes.get(ATTRIBUTE)
    if attribute is None:
        attribute = thing.data.color_attributes.new(ATTRIBUTE, "FLOAT_COLOR", "CORNER")
        thing.data.color_attributes.active_color = attribute
    attribute.data.foreach_set("color", np.repeat(colours[answers], 3, axis=0).ravel())
    thing.data.update()


def glove_points_mm(scene: bpy.types.Scene) -> dict[int, np.ndarray]:
    """By piece, (n, 3) vertices of its glove as drawn, in plan millimetres, wherever the slider has moved it."""
    found = {}
    for thing in of_role(scene, "glove"):
        points = np.empty(len(thing.data.vertices) * 3, np.float32)
        thing.data.vertices.foreach_get("co", points)
        found[thing[PIECE]] = points.reshape(-1, 3).astype(float) * properties.mm_per_unit(scene)
    return found


def show_thickness(scene: bpy.types.Scene, shown: Thickness) -> None:
    """Colour the gloves by their thickness, keep the legend with them, and mark the thin places."""
    for thing in of_role(scene, "glove"):
        mesh = thing.data
        attribute = mesh.color_attributes.get(THICKNESS)
        if attribute is None:
            attribute = mesh.color_attributes.new(THICKNESS, "FLOAT_COLOR", "POINT")
        attribute.data.foreach_set("color", shown.per_vertex[thing[PIECE]].ravel())
        mesh.color_attributes.active_color = attribute
        mesh.update()
        thing[LEGEND] = json.dumps(shown.legend)
    remove(scene, "thin")
    for place in shown.thin:
        mark_place(scene, place, "thin")
    set_apart(scene, properties.of(scene).apart)


def mark_place(scene: bpy.types.Scene, place: Place, role: str) -> None:
    """A ball of empty with the place's name beside it."""
    thing = bpy.data.objects.new(place.name, None)
    thing.empty_display_type = "SPHERE"
    thing.empty_display_size = place.radius_mm * units_per_mm(scene)
    thing.show_name = thing.show_in_front = True
    _hang_moving(scene, thing, role, place)


def legend_on(scene: bpy.types.Scene, role: str) -> str:
    """The legend kept with results that carry a map of their own, as JSON; empty where they were not measured."""
    return next((thing[LEGEND] for thing in of_role(scene, role) if thing.get(LEGEND)), "")


def show_clay(scene: bpy.types.Scene, shown: Clay) -> None:
    """The scanned body in its colours where the plan lies, and the places that differ."""
    from mouldloft.outputs.look import PLASTER, rgb

    remove(scene, "clay", "place")
    unit = units_per_mm(scene)
    # faceted: the closed scan's slender triangles would be shaded in streaks
    mesh = new_mesh("Scan against plan", shown.vertices_mm * unit, shown.faces, False)
    mesh.materials.append(material("Mouldloft clay", rgb(PLASTER), CLAY))
    attribute: Any = mesh.color_attributes.new(CLAY, "FLOAT_COLOR", "POINT")
    attribute.data.foreach_set("color", shown.colours.ravel())
    mesh.color_attributes.active_color = attribute
    thing = bpy.data.objects.new("Scan against plan", mesh)
    thing[LEGEND] = json.dumps(shown.legend)
    hang(scene, thing, "clay")
    for place in shown.places:
        mark_place(scene, place, "place")


properties.on_apart_change.append(lambda context: set_apart(context.scene, properties.of(context.scene).apart))
properties.on_placing_change.append(lambda context: place(context.scene))
