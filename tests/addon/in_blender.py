"""Runs inside one real Blender (a `bpy` wheel or the program): the whole add-on on the seated hare.

    python in_blender.py [CHECK...] ZIP WORKFOLDER        with a clean BLENDER_USER_RESOURCES and no network

Named checks run alone, after the one that installs the zip.

Prints one line a check, with its processor time, and ends with `N passed, N failed`. Each check is against something
outside the add-on: the mesh's own extents, Blender's own report, the file read anew, or the core's own record.
"""

from __future__ import annotations

import json
import re
import sys
import time
import traceback
from pathlib import Path

import bpy
import numpy as np

import addon_utils  # isort: skip  (bpy puts it on the path)

NAME = "bl_ext.user_default.mouldloft"
ZIP, WORK = Path(sys.argv[-2]), Path(sys.argv[-1])
_checks: list = []


def check(function):
    """Register a check; they run in the order of the file, on one Blender session."""
    _checks.append(function)
    return function


def addon(part: str):
    """A module of the installed add-on."""
    from importlib import import_module

    return import_module(f"{NAME}.{part}")


def settings():
    return bpy.context.scene.mouldloft


def refused(operator, **arguments) -> str:
    """The sentence an operator puts into Blender's report when it refuses (an error report raises in scripts)."""
    try:
        operator(**arguments)
    except RuntimeError as error:
        return str(error)
    raise AssertionError("it was not refused")


def kinds() -> dict[str, str]:
    """How the sections of the plan stand; solids are made only where they are asked for."""
    standings = addon("scene.state").standings(bpy.context.scene)[0]
    return {key: standings[key].kind for key in addon("work.sections").PLAN_KEYS}


def install() -> None:
    done = bpy.ops.extensions.package_install_files(filepath=str(ZIP), repo="user_default", enable_on_install=True)
    assert done == {"FINISHED"}, done
    assert NAME in bpy.context.preferences.addons
    assert hasattr(bpy.types.Scene, "mouldloft")


def select_only(thing) -> None:
    for other in bpy.context.selected_objects:
        other.select_set(False)
    thing.select_set(True)
    bpy.context.view_layer.objects.active = thing


def new_object(name: str, data, location=(0.0, 0.0, 0.0)):
    thing = bpy.data.objects.new(name, data)
    thing.location = location
    bpy.context.collection.objects.link(thing)
    return thing


def box(name: str, size=1.0):
    """An axis-parallel cube with its corner at the origin, as Blender's own primitive makes it."""
    bpy.ops.mesh.primitive_cube_add(size=size)
    thing = bpy.context.active_object
    thing.name = name
    return thing


@check
def installs_and_enables_offline():
    assert not bpy.app.online_access
    bpy.ops.wm.read_factory_settings(use_empty=True)
    addon_utils.enable("bl_pkg")
    install()


@check
def numpy_is_blenders_own():
    wheels = Path(bpy.utils.user_resource("EXTENSIONS")) / ".local"
    assert wheels.exists()
    assert not list(wheels.glob("lib/*/site-packages/numpy/__init__.py"))
    assert str(wheels) not in (np.__file__ or "")


@check
def core_comes_from_the_zip():
    import mouldloft

    assert ".local" in mouldloft.__file__, mouldloft.__file__


@check
def what_is_no_sculpt_is_refused_with_a_sentence():
    s = settings()
    assert "Choose the sculpt first" in refused(bpy.ops.mouldloft.run, section="sculpt")
    s.sculpt = new_object("Lamp", bpy.data.lights.new("Lamp", "POINT"))
    assert "Lamp is not a mesh but a light" in refused(bpy.ops.mouldloft.run, section="sculpt")
    s.sculpt = new_object("Nothing", bpy.data.meshes.new("Nothing"))
    assert "Nothing has no faces" in refused(bpy.ops.mouldloft.run, section="sculpt")
    s.sculpt = box("Hidden")
    s.sculpt.hide_set(True)
    assert "Hidden is hidden" in refused(bpy.ops.mouldloft.run, section="sculpt")
    bpy.context.view_layer.objects.active = bpy.data.objects["Lamp"]
    assert "not a mesh" in refused(bpy.ops.mouldloft.use_selection)
    assert kinds()["sculpt"] == "none"


def extents(thing) -> tuple[np.ndarray, int]:
    """Size in millimetres and triangle count of what the add-on reads."""
    settings().sculpt = thing
    sculpt, _ = addon("scene.reading").read_sculpt(bpy.context)
    return np.ptp(sculpt.vertices_mm, axis=0), len(sculpt.faces)


@check
def evaluated_mesh_units_and_scale_are_respected():
    scene = bpy.context.scene
    cube = box("Plain", size=2.0)
    size, faces = extents(cube)
    assert np.allclose(size, 2000.0)
    assert faces == 12
    cube.scale = (1.0, 0.5, -2.0)  # mirrored too
    bpy.context.view_layer.update()
    sculpt, _ = addon("scene.reading").read_sculpt(bpy.context)
    assert np.allclose(np.ptp(sculpt.vertices_mm, axis=0), (2000.0, 1000.0, 4000.0))
    corner = sculpt.vertices_mm[sculpt.faces]
    volume = np.einsum("ij,ij->i", corner[:, 0], np.cross(corner[:, 1], corner[:, 2])).sum() / 6
    assert np.isclose(volume, 8e9), volume  # positive: still right way out
    scene.unit_settings.scale_length = 0.01
    assert np.allclose(extents(cube)[0], (20.0, 10.0, 40.0), rtol=1e-5)
    scene.unit_settings.scale_length = 1.0
    cube.scale = (1.0, 1.0, 1.0)
    cube.modifiers.new("Row", "ARRAY").count = 3
    assert np.allclose(extents(cube)[0], (6000.0, 2000.0, 2000.0), rtol=1e-5)
    assert extents(cube)[1] == 36
    assert len(cube.data.polygons) == 6, "the sculpt itself is untouched"


@check
def multires_is_read_at_its_shown_level():
    cube = box("Multires", size=2.0)
    select_only(cube)
    cube.modifiers.new("Fine", "MULTIRES")
    for _ in range(2):
        bpy.ops.object.multires_subdivide(modifier="Fine", mode="SIMPLE")
    # a quad becomes 4 at each level: 6 * 16 quads, two triangles each
    assert extents(cube)[1] == 192


@check
def instances_are_read():
    group = bpy.data.collections.new("Group")
    part = bpy.data.objects.new("Part", bpy.data.objects["Plain"].data)
    group.objects.link(part)
    holder = new_object("Holder", None, (5.0, 0.0, 0.0))
    holder.instance_type, holder.instance_collection = "COLLECTION", group
    holder.scale = (2.0, 2.0, 2.0)
    bpy.context.view_layer.update()
    size, faces = extents(holder)
    assert np.allclose(size, 4000.0)
    assert faces == 12


@check
def linked_objects_are_read_and_told():
    library = WORK / "library.blend"
    bpy.data.libraries.write(str(library), {bpy.data.objects["Plain"]})
    with bpy.data.libraries.load(str(library), link=True) as (_, there):
        there.objects = ["Plain"]
    linked = next(o for o in bpy.data.objects if o.library)
    bpy.context.collection.objects.link(linked)
    bpy.context.view_layer.update()
    settings().sculpt = linked
    _, remarks = addon("scene.reading").read_sculpt(bpy.context)
    assert "is linked from" in " ".join(remarks)
    assert "is linked: make it local" in refused(bpy.ops.mouldloft.paint_keep_clear)
    settings().sculpt = linked.override_create(remap_local_usages=True)
    bpy.context.view_layer.update()
    _, remarks = addon("scene.reading").read_sculpt(bpy.context)
    assert [words for words in remarks if "overrides what" in words], remarks
    assert "is linked from" not in " ".join(remarks)


@check
def several_objects_are_one_sculpt_and_it_is_said():
    s = settings()
    body, head, ear = box("Body", 2.0), box("Head", 1.0), box("Ear", 0.5)
    head.location = (0.0, 0.0, 1.5)
    ear.parent, ear.location = head, (0.0, 0.0, 0.75)
    bpy.context.view_layer.update()
    select_only(body)
    head.select_set(True)
    assert bpy.ops.mouldloft.use_selection() == {"FINISHED"}
    assert s.sculpt == body
    reading = addon("scene.reading")
    sculpt, remarks = reading.read_sculpt(bpy.context)
    assert len(sculpt.faces) == 36
    assert np.allclose(np.ptp(sculpt.vertices_mm, axis=0), (2000.0, 2000.0, 3500.0))
    assert any("3 objects are planned as one sculpt: Body, Head, Ear" in words for words in remarks)
    ear.hide_set(True)
    sculpt, remarks = reading.read_sculpt(bpy.context)
    assert len(sculpt.faces) == 24
    assert any(words.startswith("Left out: Ear (hidden)") for words in remarks), "never half a sculpt in silence"
    ear.hide_set(False)
    # moved as a whole it is the same sculpt; one part moved alone is another
    token = reading.token_now(bpy.context)
    for thing in (body, head):
        thing.location.x += 3.3
    bpy.context.view_layer.update()
    assert reading.token_now(bpy.context) == token
    head.location.z += 0.01
    bpy.context.view_layer.update()
    assert reading.token_now(bpy.context) != token
    assert bpy.ops.mouldloft.drop_parts() == {"FINISHED"}
    assert len(reading.read_sculpt(bpy.context)[0].faces) == 12
    s.group = bpy.data.collections.new("Together")
    s.group.objects.link(head)
    assert len(reading.read_sculpt(bpy.context)[0].faces) == 36, "a collection's objects, with their children"
    assert bpy.ops.mouldloft.drop_parts() == {"FINISHED"}


@check
def lengths_follow_the_scenes_unit():
    s, unit = settings(), bpy.context.scene.unit_settings
    assert abs(s.skin_mm - 6.0) < 1e-6
    assert abs(s.skin - 0.006) < 1e-9
    unit.scale_length = 0.001  # a scene in millimetres
    assert abs(s.skin - 6.0) < 1e-6
    s.skin = 8.0
    assert abs(s.skin_mm - 8.0) < 1e-5
    s.skin = 1e9
    assert abs(s.skin_mm - 60.0) < 1e-5, "held within its limits"
    unit.scale_length = 1.0
    s.skin_mm = 6.0
    lines = addon("work.lines")
    feet = lines.Units(imperial=True)
    # 1 ft = 304.8 mm and 1 lb = 0.45359237 kg by the agreement of 1959; the US gallon is 231 cubic inches
    assert feet.mm(1397.0) == "4 ft 7 in"
    assert feet.mm(25.4 * 6) == "6 in"
    assert feet.m2(304.8**2 * 10) == "10 sq ft"
    assert feet.litres(231 * 25.4**3 * 2) == "2 US gal"
    assert feet.kg(45.359237) == "100 lb"


def _coarser(thing, triangles: int) -> None:
    """Fewer faces by Blender's own modifier, so that the runs are short."""
    select_only(thing)
    modifier = thing.modifiers.new("Coarser", "DECIMATE")
    modifier.ratio = triangles / len(thing.data.polygons)
    assert bpy.ops.object.modifier_apply(modifier="Coarser") == {"FINISHED"}
    assert len(thing.data.polygons) < 1.1 * triangles


def _found_places_are_painted_in(hare, name, master):
    """Both eyes that the core finds, and nothing but what it finds; then the group is emptied to be painted anew."""
    from mouldloft.stages.seam import find_features

    group = hare.vertex_groups[name]
    held = [v.index for v in hare.data.vertices if any(g.group == group.index for g in v.groups)]
    at = np.array([hare.matrix_world @ hare.data.vertices[k].co for k in held]) * 1000.0
    plan = (at - 1000.0 * np.array(hare.matrix_world.translation)) * master.scale + np.array(master.shift_mm)
    found = find_features(master).regions
    eyes = [r for r in found if r.kind == "eye"]
    assert len(eyes) == 2
    assert all(eye.away_mm(plan).min() < eye.radius_mm for eye in eyes)
    assert (np.min([r.away_mm(plan) / r.radius_mm for r in found], axis=0) < 1.5).all()
    for k in held:
        group.remove([k])


@check
def the_hare_is_taken_in():
    for thing in list(bpy.data.objects):
        bpy.data.objects.remove(thing)
    box("In the way", size=2.0)  # which reaches to x = 1 m
    assert bpy.ops.mouldloft.add_hare() == {"FINISHED"}
    s = settings()
    bpy.context.view_layer.update()
    assert min((s.sculpt.matrix_world @ addon("scene.results").vector(c)).x for c in s.sculpt.bound_box) > 1.0
    bpy.data.objects.remove(bpy.data.objects["In the way"])
    s.sculpt.location.x = 0.0
    _coarser(s.sculpt, 20_000)
    s.casts = 6
    s.set_pixel, s.pixel_mm = True, 9.0  # coarse, so that the run is short
    s.directions = 64
    assert bpy.ops.mouldloft.run(section="sculpt") == {"FINISHED"}
    taken = addon("scene.state").done_now(bpy.context.scene)["master"]
    assert bpy.ops.mouldloft.paint_keep_clear() == {"FINISHED"}
    hare = s.sculpt
    _found_places_are_painted_in(hare, s.keep_clear, taken)
    # the face: what lies forward of and above the chest
    points = np.empty(len(hare.data.vertices) * 3, np.float32)
    hare.data.vertices.foreach_get("co", points)
    front = np.flatnonzero((points[1::3] < -0.25) & (points[2::3] > 0.8))
    hare.vertex_groups[s.keep_clear].add([int(k) for k in front], 1.0, "REPLACE")
    if bpy.context.mode != "OBJECT":
        bpy.ops.object.mode_set(mode="OBJECT")
    assert bpy.ops.mouldloft.run(section="sculpt") == {"FINISHED"}
    master = addon("scene.state").done_now(bpy.context.scene)["master"]
    assert abs(master.height_mm - 1400.0) < 0.5  # the demo states its height
    assert master.vertex_weights.sum() > 0
    assert s.result("sculpt").line.startswith("1400 mm tall")
    assert kinds()["sculpt"] == "fresh"
    assert kinds()["opening"] == "none"


@check
def the_map_is_a_copy_with_colours_and_legend():
    s = settings()
    before = bpy.data.objects["Seated hare"].data
    assert bpy.ops.mouldloft.run(section="opening") == {"FINISHED"}
    copy = bpy.data.objects["Undercut map"]
    done = addon("scene.state").done_now(bpy.context.scene)
    master, field = done["master"], done["undercut"]
    assert copy.data is not before
    assert len(before.color_attributes) == 0
    assert np.allclose(np.array(copy.dimensions), np.array(master.size_mm) / 1000.0, rtol=1e-4)
    attribute = copy.data.color_attributes["Mouldloft undercut"]
    colours = np.empty(len(attribute.data) * 4, np.float32)
    attribute.data.foreach_get("color", colours)
    colours = colours.reshape(-1, 3, 4)[:, 0, :3]
    locked = (field.free_plus <= 0.5) & (field.free_minus <= 0.5)
    dark = colours.sum(axis=1) < 0.3
    assert (dark == locked).all(), "the darkest swatch is exactly what neither pull frees"
    assert f"{100 * field.locked_fraction:.0f}"[:2] in s.map_text
    assert len(s.ways) == len(done["opening"].candidates)


@check
def a_new_direction_shows_a_new_map_at_once():
    s = settings()
    first = s.map_text
    s.own_way = (0.0, 0.0, 0.0)
    assert "zero" in refused(bpy.ops.mouldloft.preview_way)
    s.own_way = (0.0, 1.0, 0.0)
    assert bpy.ops.mouldloft.preview_way(index=-1) == {"FINISHED"}
    assert s.map_text != first
    assert "back piece" in s.map_text or "front piece" in s.map_text
    best = addon("scene.state").done_now(bpy.context.scene)["opening"].candidates[0]
    assert s.ways[0].text == addon("work.lines").way_line(1, best)
    assert np.allclose(s.ways[0].direction, best.direction, atol=1e-6)
    assert kinds()["opening"] == "fresh", "a preview changes no section"
    s.way_index = 0
    assert bpy.ops.mouldloft.take_way() == {"FINISHED"}
    assert s.way == "OWN"
    assert kinds()["opening"] == "stale"
    s.way = "SEARCH"
    assert kinds()["opening"] == "fresh"


@check
def the_map_lies_on_the_sculpt_or_beside_it_and_follows():
    s, scene = settings(), bpy.context.scene
    results = addon("scene.results")
    hare, copy = s.sculpt, bpy.data.objects["Undercut map"]
    update = bpy.context.view_layer.update
    results.show_only(scene, "map")
    update()

    def corners(thing):
        return np.array(results.world_corners(thing))

    assert np.allclose(corners(copy).min(axis=0), corners(hare).min(axis=0), atol=1e-4)
    assert np.allclose(corners(copy).max(axis=0), corners(hare).max(axis=0), atol=1e-4)
    assert hare.hide_get(), "the sculpt is hidden while its map lies in its place"
    before = corners(copy)
    hare.location.x += 2.5
    update()
    assert np.allclose(corners(copy) - before, (2.5, 0.0, 0.0), atol=1e-4)
    assert addon("scene.state").settle(bpy.context), "a sculpt that was moved is the same sculpt"
    assert hare.hide_get()
    hare.location.x -= 2.5
    s.placing = "BESIDE"
    update()
    assert not hare.hide_get()
    assert corners(copy)[:, 0].min() > corners(hare)[:, 0].max()
    s.set_height, s.finished_height_mm = True, 700.0  # beside it stands at the finished height, on it at the sculpt's
    assert bpy.ops.mouldloft.take_sculpt() == {"FINISHED"}
    update()
    copy = bpy.data.objects["Undercut map"]
    assert abs(np.ptp(corners(copy)[:, 2]) - 0.7) < 1e-3
    s.placing = "IN_PLACE"
    update()
    assert abs(np.ptp(corners(copy)[:, 2]) - 1.4) < 1e-3
    s.set_height = False
    results.set_seen(scene, False, "map")
    assert not hare.hide_get()
    assert bpy.ops.mouldloft.take_sculpt() == {"FINISHED"}
    assert kinds()["opening"] == "fresh"


@check
def the_opening_is_turned_by_hand():
    s, scene = settings(), bpy.context.scene
    opening = addon("scene.opening")
    assert bpy.ops.mouldloft.turn_opening(direction=(0.9, 0.3, 0.1)) == {"FINISHED"}
    assert s.way == "OWN"
    assert np.allclose(s.own_way, (0.9, 0.3, 0.1), atol=1e-6)
    assert np.allclose(s.map_way, np.array((0.9, 0.3, 0.1)) / np.linalg.norm((0.9, 0.3, 0.1)), atol=1e-5)
    assert kinds()["opening"] == "stale", "what follows has to run again"
    assert bpy.ops.mouldloft.snap_opening(to="Y") == {"FINISHED"}
    assert np.allclose(s.own_way, (0.0, 1.0, 0.0))
    s.own_way = np.array(s.ways[0].direction) + (0.05, -0.05, 0.02)
    assert bpy.ops.mouldloft.snap_opening(to="PROPOSAL") == {"FINISHED"}
    assert np.allclose(s.own_way, s.ways[0].direction, atol=1e-6)
    # the arrow's axes: turned with the plan to the scene and back
    s.front = "+x"
    place = opening.Stand((0.0, 0.0, 0.0), 1.0, tuple(addon("scene.results").turn_to_plan(scene).transposed()))
    assert np.allclose(place.to_world((0.0, -1.0, 0.0)), (1.0, 0.0, 0.0), atol=1e-6), "the front looks to +X"
    assert np.allclose(place.to_plan(place.to_world((0.3, 0.5, 0.2))), np.array((0.3, 0.5, 0.2)) / 0.6164414, atol=1e-5)
    s.front = "-y"
    s.way = "SEARCH"
    assert kinds()["opening"] == "fresh"


@check
def a_map_of_another_direction_says_so():
    s, overlay = settings(), addon("ui.overlay")
    assert bpy.ops.mouldloft.preview_way(index=0) == {"FINISHED"}
    assert overlay._is_plans_way(s)
    s.own_way = (0.0, 1.0, 0.0)
    assert bpy.ops.mouldloft.preview_way(index=-1) == {"FINISHED"}
    assert not overlay._is_plans_way(s)
    assert bpy.ops.mouldloft.preview_way(index=0) == {"FINISHED"}


@check
def everything_is_planned_in_order():
    s = settings()
    assert bpy.ops.mouldloft.run(section="order") == {"FINISHED"}
    assert set(kinds().values()) == {"fresh"}
    for key in addon("work.sections").PLAN_KEYS:
        assert s.result(key).line, key
    done = addon("scene.state").done_now(bpy.context.scene)
    names = [thing.name for thing in bpy.data.objects]
    assert sum(name.startswith("Glove") for name in names) == len(done["rubber"].envelopes)
    assert sum(name.startswith("Jacket") for name in names) == len(done["jacket"].pieces)
    assert sum(name.startswith("Key ") for name in names) == len(done["keys"].keys)
    members = sum(len(p.boards) + len(p.rails) for p in done["cradle"].pieces)
    assert sum(name.startswith("Cradle") for name in names) == members
    # a pin of 16 sides has 64 faces; both pieces name the bolts between them
    through = {tuple(np.round(at)) for p in done["jacket"].pieces for at in (*p.bolts_mm, *p.foot_bolts_mm)}
    assert len(bpy.data.objects["Bolts"].data.polygons) == 64 * len(through)
    assert ("Bead" in names) == (done["rubber"].registration is not None)
    assert "Wall" in names
    top = bpy.data.collections["Mouldloft"]
    assert {thing.name for thing in top.all_objects} >= {"Wall", "Undercut map", "Seam 1"}
    assert "Seated hare" not in top.all_objects
    # the curve follows the seam: the length of its spline against the core's
    spline = bpy.data.objects["Seam 1"].data.splines[0]
    longest = max(line.length_mm for line in done["seam"].lines)
    assert abs(spline.calc_length() * 1000.0 / longest - 1.0) < 0.03


@check
def a_mould_without_cradles_shows_none():
    s = settings()
    s.cradle = "none"
    assert kinds()["jacket"] != "fresh", "it is asked for anew"
    assert bpy.ops.mouldloft.run(section="jacket") == {"FINISHED"}
    assert not [thing.name for thing in bpy.data.objects if thing.name.startswith("Cradle")]
    assert "bag of sand" in s.result("jacket").line
    assert bpy.ops.mouldloft.run(section="order") == {"FINISHED"}
    done = addon("scene.state").done_now(bpy.context.scene)
    assert not [task.name for task in done["programme"].tasks if "cradle" in task.name]
    s.cradle = "as needed"
    assert bpy.ops.mouldloft.run(section="order") == {"FINISHED"}
    assert [thing.name for thing in bpy.data.objects if thing.name.startswith("Cradle")]


@check
def maps_of_the_locks_follow_the_record():
    s = settings()
    done = addon("scene.state").done_now(bpy.context.scene)
    for kind, values in (("DEPTH", done["locks"].depth_mm), ("STRETCH", done["locks"].stretch)):
        s.map_kind = kind
        data = bpy.data.objects["Undercut map"].data.color_attributes["Mouldloft undercut"].data
        colours = np.empty(len(data) * 4, np.float32)
        data.foreach_get("color", colours)
        light = colours.reshape(-1, 3, 4)[:, 0, :3] @ np.array([0.2126, 0.7152, 0.0722], np.float32)
        order = np.argsort(values, kind="stable")
        assert (np.diff(light[order]) <= 1e-6).all(), "deeper is darker, always"
        assert "ramp" in json.loads(s.map_text)
    s.map_kind = "PIECES"
    swatches = json.loads(s.map_text)["swatches"]
    assert [words for _, words in swatches] == [piece.name for piece in done["seam"].pieces]
    s.map_kind = "FREES"


def seen(role: str) -> bool:
    """Whether the results of a role are shown in the views."""
    return addon("scene.results").is_seen(bpy.context.scene, role)


def colours_of(thing, name: str) -> np.ndarray:
    """(n, 3) linear colours of an attribute."""
    data = thing.data.color_attributes[name].data
    colours = np.empty(len(data) * 4, np.float32)
    data.foreach_get("color", colours)
    return colours.reshape(-1, 4)[:, :3]


def vertices_mm(thing) -> np.ndarray:
    points = np.empty(len(thing.data.vertices) * 3, np.float32)
    thing.data.vertices.foreach_get("co", points)
    return points.reshape(-1, 3) * 1000.0


@check
def the_gloves_thickness_is_a_map_on_the_glove():
    """Against Blender's own search for the nearest place on the copy of the sculpt."""
    from mathutils.bvhtree import BVHTree
    from mouldloft.outputs.look import GLOVE, rgb, to_linear
    from mouldloft.solids import thickness

    s = settings()
    done = addon("scene.state").done_now(bpy.context.scene)
    s.map_kind = "THICKNESS"
    assert s.map_text == "", "nothing was measured yet"
    s.apart = 0.5  # the slider moves the glove, not what is measured
    thickness.ALLOWED_MM = -4.0  # as if the whole glove were thinner than asked
    try:
        assert bpy.ops.mouldloft.measure_thickness() == {"FINISHED"}
    finally:
        thickness.ALLOWED_MM = 0.3
    s.apart = 0.0
    legend = json.loads(s.map_text)
    assert seen("glove")
    assert not seen("jacket")
    assert not seen("map")
    skin = bpy.data.objects["Undercut map"].data
    tree = BVHTree.FromPolygons([v.co for v in skin.vertices], [p.vertices for p in skin.polygons])
    low, high = float(legend["marks"][0]), float(legend["marks"][-1].split()[0])
    ramp = to_linear(np.array(legend["ramp"]))
    for envelope in done["bare_rubber"].envelopes:
        glove = bpy.data.objects[f"Glove, {envelope.name}"]
        points, colours = vertices_mm(glove), colours_of(glove, "Mouldloft thickness")
        away = 1000.0 * np.array([tree.find_nearest(point / 1000.0)[3] for point in points])
        plain = np.abs(colours - to_linear(np.array(rgb(GLOVE)))).max(axis=1) < 1e-3
        assert plain[away < 0.5].mean() > 0.97, (plain[away < 0.5].mean(), "the print keeps the glove's own colour")
        shown = ~plain & (away < high)
        assert shown.sum() > 300
        nearest = np.linalg.norm(colours[shown, None] - ramp[None], axis=2).argmin(axis=1)
        told = low + (high - low) * nearest * 8 / 255
        # the glove is drawn, and measured, on a coarse grid here: most of it to a fifth of the scale
        assert np.quantile(np.abs(told - away[shown]), 0.8) < 0.2 * (high - low)
        thin, thick = (
            away[shown][part].mean() for part in (told <= np.quantile(told, 0.25), told >= np.quantile(told, 0.75))
        )
        assert thin < thick - 0.5, (thin, thick)
    assert len(bpy.data.objects["Seated hare"].data.color_attributes) == 0
    s.map_kind = "FREES"
    assert seen("map")
    assert not seen("glove")


@check
def thin_places_are_marked_and_move_with_the_glove():
    s = settings()
    marked = addon("scene.results").of_role(bpy.context.scene, "thin")
    assert len(marked) > 3
    assert f"{len(marked)} thin places marked" in addon("scene.results").legend_on(bpy.context.scene, "glove")
    for thing in marked:
        gloves = addon("scene.results").of_role(bpy.context.scene, "glove")
        glove = next(o for o in gloves if o["mouldloft_piece"] == thing["mouldloft_piece"])
        away = np.linalg.norm(vertices_mm(glove) - np.array(thing.location) * 1000.0, axis=1).min()
        assert away < 30.0, (thing.name, away)  # a few of the coarse pixels
        before = np.array(glove.location) - np.array(thing.location)
        s.apart = 1.0
        assert np.allclose(np.array(glove.location) - np.array(thing.location), before, atol=1e-6)
        assert np.linalg.norm(glove.location) > 0.1
        s.apart = 0.0


@check
def solids_are_closed_objects_of_the_volume_told():
    """Against Blender's own mesh library: every edge with two faces, and its volume."""
    import bmesh

    s = settings()
    assert bpy.ops.mouldloft.run(section="solids") == {"FINISHED"}
    assert seen("solid")
    assert not seen("glove")
    assert not seen("jacket")
    solids = addon("scene.state").done_now(bpy.context.scene)["solids"]
    things = addon("scene.results").of_role(bpy.context.scene, "solid")
    assert len(things) == len(solids)
    kinds_made = {solid.kind for solid in solids}
    assert {"master half", "glove", "jacket", "cradle board", "baseboard"} <= kinds_made
    for solid in solids:
        mesh = bmesh.new()
        mesh.from_mesh(bpy.data.objects[f"Solid {solid.name}"[:63]].data)
        assert all(edge.is_manifold for edge in mesh.edges), solid.name
        assert abs(mesh.calc_volume(signed=True) * 1e9 / solid.volume_mm3 - 1.0) < 1e-3, solid.name
        mesh.free()
    s.apart = 1.0
    far = {thing.name: np.linalg.norm(thing.location) for thing in things}
    s.apart = 0.0
    for name, moved in far.items():
        stays = name.startswith(("Solid master half", "Solid baseboard"))
        assert moved == 0.0 if stays else moved > 0.1, (name, moved)

    def stands() -> str:
        return addon("scene.state").standings(bpy.context.scene)[0]["solids"].kind

    assert stands() == "fresh"
    s.hands += 1
    assert (kinds()["order"], stands()) == ("stale", "fresh")
    s.hands -= 1
    s.mat_oz = 6.0
    assert stands() == "stale"
    s.mat_oz = 4.0
    assert stands() == "fresh"
    assert bpy.ops.mouldloft.run(section="jacket") == {"FINISHED"}
    assert seen("jacket"), "what was asked for by name is shown again"
    assert not seen("solid")


@check
def a_change_puts_what_follows_out_of_date():
    s = settings()
    s.set_skin = True
    s.skin_mm = 9.0
    now = kinds()
    assert now["sculpt"] == "fresh"
    assert now["opening"] == now["seam"] == now["glove"] == "stale", "what rubber costs weighs in both"
    s.set_skin = False
    s.draft_deg += 1.0
    now = kinds()
    assert [now[k] for k in ("sculpt", "opening", "seam")] == ["fresh"] * 3
    assert {now[k] for k in ("glove", "keys", "jacket", "order")} == {"stale"}
    s.draft_deg -= 1.0
    assert set(kinds().values()) == {"fresh"}
    s.key_height_mm += 1.0
    now = kinds()
    assert [key for key, kind in now.items() if kind == "stale"] == ["keys", "jacket", "order"]
    assert "Keys is worked out from" in addon("scene.state").standings(bpy.context.scene)[0]["order"].why
    s.key_height_mm -= 1.0
    s.piece = "Hare on the green"
    assert set(kinds().values()) == {"fresh"}, "a name is printed, nothing else"
    s.piece = ""


@check
def a_seam_is_picked_from_the_candidates():
    s, state = settings(), addon("scene.state")
    before = state.done_now(bpy.context.scene)
    seam, way = before["seam"], before["opening"].chosen.direction
    assert [row.kind for row in s.candidates] == [found.kind for found in seam.candidates]
    assert [row.chosen for row in s.candidates] == [True] + [False] * (len(s.candidates) - 1)
    ranked = len(s.ways)
    other = next(at for at, found in enumerate(seam.candidates) if not found.chosen)
    assert f"{round(seam.candidates[other].price.hours)} h" in s.candidates[other].text
    assert bpy.ops.mouldloft.preview_candidate(index=other) == {"FINISHED"}
    drawn = colours_of(bpy.data.objects["Undercut map"], "Mouldloft undercut")[::3]  # of each face, its first corner
    first = drawn[int(np.argmax(seam.candidates[other].labels == 0))]
    assert np.array_equal((drawn == first).all(axis=1), seam.candidates[other].labels == 0)
    assert set(kinds().values()) == {"fresh"}, "looking changes nothing"
    assert "not in the list" in refused(bpy.ops.mouldloft.preview_candidate, index=9)
    assert bpy.ops.mouldloft.take_candidate(kind=seam.candidates[other].kind) == {"FINISHED"}
    after = state.done_now(bpy.context.scene)
    assert np.allclose(after["opening"].chosen.direction, way, atol=1e-5)
    assert after["seam"].kind == seam.candidates[other].kind
    assert np.mean(after["seam"].labels != seam.candidates[other].labels) < 1e-3
    assert len(s.ways) == ranked, "the ranked directions stay in the list"
    assert kinds()["glove"] == "stale"
    s.seam_kind, s.way, s.map_kind = "cheapest", "SEARCH", "FREES"
    assert bpy.ops.mouldloft.run(section="order") == {"FINISHED"}
    assert set(kinds().values()) == {"fresh"}
    assert [row.kind for row in s.candidates] == [found.kind for found in seam.candidates]


@check
def the_slider_moves_pieces_along_their_pull_and_back():
    s = settings()
    done = addon("scene.state").done_now(bpy.context.scene)
    glove = bpy.data.objects[f"Glove, {done['rubber'].envelopes[0].name}"]
    home = np.array(glove.location)
    s.apart = 1.0
    moved = np.array(glove.location) - home
    pull = done["rubber"].envelopes[0].frame.pull
    assert np.linalg.norm(moved) > 0.1
    assert np.allclose(moved / np.linalg.norm(moved), pull, atol=1e-5)
    s.apart = 0.0
    assert np.allclose(np.array(glove.location), home, atol=1e-6)


def from_glove_mm(thing) -> float:
    """How far a key's foot is from the glove of its piece as drawn, by Blender's own search."""
    results = addon("scene.results")
    gloves = results.of_role(bpy.context.scene, "glove")
    glove = next(other for other in gloves if other["mouldloft_piece"] == thing["mouldloft_piece"])
    at = results.vector(results.plan_position(bpy.context.scene, thing)) / 1000.0
    return 1000.0 * (glove.closest_point_on_mesh(at)[1] - at).length


@check
def a_moved_key_is_checked_again():
    s, results, scene = settings(), addon("scene.results"), bpy.context.scene
    done = addon("scene.state").done_now(scene)
    assert bpy.ops.mouldloft.check_keys() == {"FINISHED"}
    unmoved = s.keys_check
    tabs = [key for key in done["keys"].keys if not key.is_wedge]
    key = tabs[0]
    for other in tabs:
        if other.piece == key.piece and other.name != key.name:
            bpy.data.objects.remove(bpy.data.objects[f"Key {other.name}"])
    thing = bpy.data.objects[f"Key {key.name}"]
    thing.location.z += 0.05
    assert bpy.ops.mouldloft.check_keys() == {"FINISHED"}
    assert s.keys_check != unmoved
    assert from_glove_mm(thing) < 6.0, "it stays on the glove, drawn on a coarse grid here"
    at = np.array(results.plan_position(scene, thing))
    assert np.linalg.norm(at - key.foot_mm) > 5.0, "and is not where it was"
    s.apart = 0.7
    assert np.allclose(results.plan_position(scene, thing), at, atol=0.05), "the slider does not move a key's place"
    s.apart = 0.0
    assert bpy.ops.mouldloft.use_keys() == {"FINISHED"}
    assert s.moved_keys
    left = [k for k in addon("scene.state").done_now(scene)["keys"].keys if not k.is_wedge]
    assert sum(k.piece == key.piece for k in left) == 1
    assert kinds()["jacket"] == "stale"
    assert bpy.ops.mouldloft.forget_keys() == {"FINISHED"}
    assert bpy.ops.mouldloft.run(section="keys") == {"FINISHED"}
    assert len(results.of_role(scene, "key")) == len(done["keys"].keys)
    assert kinds()["order"] == "fresh"


@check
def keys_are_placed_added_and_taken_away():
    s, results, scene = settings(), addon("scene.results"), bpy.context.scene
    done = addon("scene.state").done_now(scene)
    there = len(done["keys"].keys)
    key, *others = [key for key in done["keys"].keys if not key.is_wedge]
    other = next(k for k in others if k.piece == key.piece)
    place = bpy.ops.mouldloft.place_keys
    assert place(what="MOVE", key=key.name, to=np.array(key.foot_mm) + (0.0, 0.0, 30.0), piece=key.piece) == {
        "FINISHED"
    }
    moved = bpy.data.objects[f"Key {key.name}"]
    assert from_glove_mm(moved) < 6.0
    assert np.linalg.norm(np.array(results.plan_position(scene, moved)) - key.foot_mm) > 5.0
    assert kinds()["keys"] == "stale"
    assert place(what="TAKE", key=other.name) == {"FINISHED"}
    assert f"{there - 1} keys" in s.keys_check
    assert place(what="ADD", to=other.foot_mm, piece=other.piece) == {"FINISHED"}
    assert f"{there} keys" in s.keys_check
    assert place(what="ADD", to=other.foot_mm, piece=other.piece) == {"FINISHED"}
    assert "stand on one spot" in s.keys_check
    assert not s.keys_check_good
    assert "Traceback" not in refused(bpy.ops.mouldloft.use_keys)
    assert "stand on one spot" in s.result("keys").refusal
    assert not s.moved_keys
    wedge = next((k for k in done["keys"].keys if k.is_wedge), None)
    if wedge is not None:
        assert "wedges follow the wall" in refused(place, what="TAKE", key=wedge.name)
        thing = bpy.data.objects[f"Key {wedge.name}"]
        thing.location.x += 0.1
        assert bpy.ops.mouldloft.check_keys() == {"FINISHED"}
        assert np.allclose(results.plan_position(scene, thing), wedge.foot_mm, atol=0.1), "it is back at its wall"
    assert bpy.ops.mouldloft.forget_keys() == {"FINISHED"}
    assert len(results.of_role(scene, "key")) == there
    assert set(kinds().values()) == {"fresh"}


@check
def a_handling_point_thickens_the_glove_there():
    results, state = addon("scene.results"), addon("scene.state")
    before = state.done_now(bpy.context.scene)["bare_rubber"]
    if not results.legend_on(bpy.context.scene, "glove"):
        assert bpy.ops.mouldloft.measure_thickness() == {"FINISHED"}
    root = bpy.data.objects[results.ROOT]
    master = state.done_now(bpy.context.scene)["master"]
    # the furthest out along a pull: away from the seam, where the glove is thick already, and under nothing
    pull = np.array(state.done_now(bpy.context.scene)["seam"].pieces[0].pull)
    place = master.vertices_mm[int(np.argmax(master.vertices_mm @ pull))]
    bpy.context.scene.cursor.location = root.matrix_world @ results.vector(place / 1000.0)
    assert bpy.ops.mouldloft.mark_handling() == {"FINISHED"}
    assert np.allclose(results.handling_points_mm(bpy.context.scene), place, atol=0.11)
    assert kinds()["glove"] == "stale"
    assert kinds()["seam"] == "fresh"
    s = settings()
    s.map_kind = "THICKNESS"
    assert s.map_text
    assert bpy.ops.mouldloft.run(section="glove") == {"FINISHED"}
    assert s.map_text == "", "the new glove was not measured"
    s.map_kind = "FREES"
    after = state.done_now(bpy.context.scene)["bare_rubber"]
    volumes = before.volume_mm3.likely, after.volume_mm3.likely, [part.handling_mm3 for part in after.parts]
    after_run = results.handling_points_mm(bpy.context.scene)
    results.remove(bpy.context.scene, "handling")
    assert volumes[1] > volumes[0], (volumes, after_run)
    assert sum(part.handling_mm3 for part in after.parts) > 0.0
    assert sum(part.handling_mm3 for part in before.parts) == 0.0
    assert bpy.ops.mouldloft.run(section="order") == {"FINISHED"}
    assert set(kinds().values()) == {"fresh"}


@check
def a_dragged_seam_is_used():
    before = addon("scene.state").done_now(bpy.context.scene)["seam"]
    curve = bpy.data.objects["Seam 1"]
    if not bpy.app.background or bpy.context.window:
        assert bpy.ops.mouldloft.edit_seam() == {"FINISHED"}
        bpy.ops.object.mode_set(mode="OBJECT")
    spline = curve.data.splines[0]
    # a few neighbouring points, dragged a hand's width across the pull's plane
    pull = np.array(before.pieces[0].pull)
    middle = len(spline.points) // 3
    for k in range(middle - 3, middle + 4):
        at = np.array(spline.points[k].co[:3]) + 0.06 * pull
        spline.points[k].co = (*at, 1.0)
    assert bpy.ops.mouldloft.use_seam() == {"FINISHED"}
    after = addon("scene.state").done_now(bpy.context.scene)["seam"]
    changed = float(np.mean(before.labels != after.labels))
    assert 0.0 < changed < 0.2, changed
    assert kinds()["glove"] == "stale"
    assert bpy.ops.mouldloft.forget_seam() == {"FINISHED"}
    assert bpy.ops.mouldloft.run(section="seam") == {"FINISHED"}
    assert kinds()["order"] == "fresh"


@check
def a_seam_is_shaped_by_hand():
    state, results, scene = addon("scene.state"), addon("scene.results"), bpy.context.scene
    done = state.done_now(scene)
    before, points = done["seam"], done["seam"].lines[0].points_mm
    wanted = points[len(points) // 3] + 40.0 * np.array(before.pieces[0].pull)
    vertices = done["master"].vertices_mm
    place = vertices[int(np.argmin(np.linalg.norm(vertices - wanted, axis=1)))]
    assert bpy.ops.mouldloft.shape_seam(through=place, reach=60.0) == {"FINISHED"}
    drawn = np.concatenate([np.array(line) for line in results.seam_lines_mm(scene)])
    assert np.linalg.norm(drawn - place, axis=1).min() < 20.0, "as far apart as the curve's points"
    assert kinds()["seam"] == "stale"
    beside = vertices[int(np.argmin(np.linalg.norm(vertices - points[2 * len(points) // 3], axis=1)))]
    assert bpy.ops.mouldloft.shape_seam(through=beside, reach=60.0) == {"FINISHED"}, "on from the line as it was left"
    left = addon("scene.drawnline").level_left(scene)
    glove, rubber = "Glove, " + before.pieces[0].name, done["bare_rubber"].volume_mm3.likely
    planned = len(bpy.data.objects[glove].data.polygons)
    assert bpy.ops.mouldloft.look_at_glove() == {"FINISHED"}
    assert len(results.of_role(scene, "glove")) == 2
    assert len(bpy.data.objects[glove].data.polygons) != planned
    assert results.is_seen(scene, "glove")
    assert not results.is_seen(scene, "jacket")
    said = settings().result("glove").line
    assert 0.9 < float(re.search(r"about ([0-9.]+) l", said).group(1)) / (rubber / 1e6) < 1.1, said
    assert kinds()["glove"] == "stale"
    assert bpy.ops.mouldloft.run(section="seam") == {"FINISHED"}
    assert kinds()["glove"] == "stale", "what was looked at is no plan"
    after = state.done_now(scene)["seam"]
    assert after.kind == "own"
    assert np.array_equal(np.sign(after.level_mm), np.sign(left)), "the very line, not its points"
    ends = np.concatenate([line.points_mm for line in after.lines])
    assert np.linalg.norm(ends - beside, axis=1).min() < 20.0
    assert 0.0 < float(np.mean(before.labels != after.labels)) < 0.2
    ends = np.concatenate([line.points_mm for line in after.lines])
    assert np.linalg.norm(ends - place, axis=1).min() < 20.0
    assert settings().candidates[0].kind == "own"
    assert bpy.ops.mouldloft.forget_seam() == {"FINISHED"}
    assert bpy.ops.mouldloft.plan_all() == {"FINISHED"}
    assert set(kinds().values()) == {"fresh"}
    assert "skin" in settings().result("glove").line
    assert len(bpy.data.objects[glove].data.polygons) == planned, "the plan's own glove is back"
    assert results.of_role(scene, "wall")


@check
def what_makes_no_other_shape_makes_nothing_stale():
    s, hare = settings(), settings().sculpt
    settle = addon("scene.state").settle
    hare.data.polygons.foreach_set("use_smooth", np.zeros(len(hare.data.polygons), bool))
    hare.data.materials.append(bpy.data.materials.new("Clay"))
    hare.data.update()
    bpy.context.view_layer.update()
    assert settle(bpy.context)
    assert set(kinds().values()) == {"fresh"}
    scene = bpy.context.scene
    scene.unit_settings.scale_length = 0.5
    assert kinds()["sculpt"] == "stale", "another unit is another size"
    assert not settle(bpy.context)
    scene.unit_settings.scale_length = 1.0
    assert settle(bpy.context)
    hare.scale.z = 0.9
    bpy.context.view_layer.update()
    assert not settle(bpy.context)
    hare.scale.z = 1.0
    bpy.context.view_layer.update()
    assert settle(bpy.context)
    assert set(kinds().values()) == {"fresh"}
    assert not s.touched


@check
def sculpt_mode_is_left_for_reading_and_entered_again():
    s, hare = settings(), settings().sculpt
    addon("scene.results").set_seen(bpy.context.scene, False, "map")  # so that the sculpt itself is shown
    select_only(hare)
    bpy.ops.object.mode_set(mode="SCULPT")
    assert addon("scene.state").settle(bpy.context), "entering the mode makes no other shape"
    assert set(kinds().values()) == {"fresh"}
    home = tuple(hare.data.vertices[0].co)
    hare.data.vertices[0].co.z += 0.001  # as a stroke does
    hare.data.update()
    assert bpy.ops.mouldloft.take_sculpt() == {"FINISHED"}
    assert bpy.context.mode == "SCULPT", "the sculptor goes on where he was"
    assert (kinds()["sculpt"], kinds()["opening"]) == ("fresh", "stale")
    assert s.map_text == "", "a white copy has no legend"
    hare.data.vertices[0].co = home
    hare.data.update()
    assert bpy.ops.mouldloft.take_sculpt() == {"FINISHED"}
    assert bpy.context.mode == "SCULPT"
    assert s.map_text, "the map of this sculpt is known, and drawn again"
    assert len(bpy.data.objects["Undercut map"].data.color_attributes) == 1
    bpy.ops.object.mode_set(mode="OBJECT")
    assert set(kinds().values()) == {"fresh"}
    assert not s.touched


@check
def nothing_is_written_or_measured_from_a_plan_out_of_date():
    s, hare = settings(), settings().sculpt
    s.folder = str(WORK / "stale")
    hare.scale.z = 0.9  # now 1260 mm tall
    bpy.context.view_layer.update()
    for operator in (bpy.ops.mouldloft.write_sheets, bpy.ops.mouldloft.measure_thickness, bpy.ops.mouldloft.check_keys):
        assert "The sculpt has changed" in refused(operator)
    assert "The sculpt has changed" in refused(bpy.ops.mouldloft.render, what="STILLS")
    assert not (WORK / "stale").exists()
    assert "The sculpt has changed" in s.result("sheets").refusal, "it stays readable in its section"
    assert s.result("sheets").cure == "mouldloft.plan_all"
    hare.scale.z = 1.0
    bpy.context.view_layer.update()
    assert addon("scene.state").settle(bpy.context)


class Watched:
    """While it holds, a function runs on the main thread just before each section."""

    def __init__(self, before):
        self.sections, self.before = addon("work.sections"), before

    def __enter__(self):
        self.own = self.sections.run_section

        def run(*given):
            self.before()
            return self.own(*given)

        self.sections.run_section = run

    def __exit__(self, *_):
        self.sections.run_section = self.own


@check
def a_change_during_a_run_is_noticed():
    s, hare = settings(), settings().sculpt
    home = tuple(hare.data.vertices[0].co)
    s.hands += 1

    def lift():
        hare.data.vertices[0].co.z += 0.001
        hare.data.update()

    with Watched(lift):
        assert bpy.ops.mouldloft.plan_all() == {"FINISHED"}
    assert s.touched
    assert set(kinds().values()) == {"stale"}
    hare.data.vertices[0].co = home
    hare.data.update()
    s.hands -= 1
    assert addon("scene.state").settle(bpy.context)
    assert [key for key, kind in kinds().items() if kind == "stale"] == ["order"], "it was of one more pair of hands"
    assert bpy.ops.mouldloft.plan_all() == {"FINISHED"}
    assert set(kinds().values()) == {"fresh"}


@check
def a_sculpt_deleted_during_a_run_leaves_nothing_half_made():
    s, hare = settings(), settings().sculpt
    homes = list(hare.users_collection)
    names, lines = {thing.name for thing in bpy.data.objects}, [result.line for result in s.results]
    s.hands += 2  # which no check before has planned

    def delete():  # as the Delete key does: it stays in the file, for the settings point at it
        for home in hare.users_collection:
            home.objects.unlink(hare)

    with Watched(delete):
        assert "Seated hare was deleted: undo that" in refused(bpy.ops.mouldloft.plan_all)
    assert {thing.name for thing in bpy.data.objects} == names
    assert [result.line for result in s.results] == lines
    assert "was deleted" in s.result("sculpt").refusal
    assert "Seated hare was deleted" in refused(bpy.ops.mouldloft.plan_all), "and so it is said before a run"
    for home in homes:
        home.objects.link(hare)
    bpy.context.view_layer.update()
    hare.hide_set(any(kept.thing == hare for kept in s.covered))
    s.hands -= 2
    assert addon("scene.state").settle(bpy.context)
    assert set(kinds().values()) == {"fresh"}
    assert bpy.ops.mouldloft.take_sculpt() == {"FINISHED"}
    assert s.result("sculpt").refusal == ""


@check
def edits_are_used_by_what_follows():
    s, scene = settings(), bpy.context.scene
    state, results = addon("scene.state"), addon("scene.results")
    before = state.done_now(scene)["seam"]
    spline = bpy.data.objects["Seam 1"].data.splines[0]
    home = [tuple(point.co) for point in spline.points]
    pull = np.array(before.pieces[0].pull)
    middle = len(spline.points) // 3
    for k in range(middle - 3, middle + 4):
        spline.points[k].co = (*(np.array(spline.points[k].co[:3]) + 0.06 * pull), 1.0)
    assert kinds()["seam"] == "stale"
    assert kinds()["glove"] == "stale"
    assert "dragged" in state.standings(scene)[0]["seam"].why
    assert bpy.ops.mouldloft.run(section="glove") == {"FINISHED"}
    after = state.done_now(scene)["seam"]
    assert 0.0 < float(np.mean(before.labels != after.labels)) < 0.2
    assert bpy.ops.mouldloft.forget_seam() == {"FINISHED"}
    shown = bpy.data.objects["Seam 1"].data.splines[0]
    assert [tuple(point.co) for point in shown.points] == home, "the line of before is drawn again"
    thing = results.of_role(scene, "key")[0]
    thing.location.z += 0.03
    assert (kinds()["glove"], kinds()["keys"]) == ("stale", "stale")  # the glove is of the dragged line
    assert bpy.ops.mouldloft.forget_keys() == {"FINISHED"}
    assert bpy.ops.mouldloft.plan_all() == {"FINISHED"}
    assert set(kinds().values()) == {"fresh"}
    results.of_role(scene, "key")[0].location.z += 0.03
    assert kinds()["keys"] == "stale"
    assert bpy.ops.mouldloft.run(section="jacket") == {"FINISHED"}
    assert s.moved_keys
    assert kinds()["keys"] == "fresh"
    assert bpy.ops.mouldloft.forget_keys() == {"FINISHED"}
    assert bpy.ops.mouldloft.plan_all() == {"FINISHED"}
    assert set(kinds().values()) == {"fresh"}


@check
def deleted_results_come_back():
    results, scene = addon("scene.results"), bpy.context.scene
    there = len(results.of_role(scene, "glove"))
    results.remove(scene, "glove", "wall")
    assert bpy.ops.mouldloft.plan_all() == {"FINISHED"}
    assert len(results.of_role(scene, "glove")) == there
    assert len(results.of_role(scene, "wall")) == 1


class Heard:
    """Stands for an operator, to hear what it reports."""

    section = "order"

    def __init__(self):
        self.said = []

    def report(self, level, words):
        self.said.append((*level, words))


@check
def a_limit_that_is_not_kept_ends_in_a_warning():
    s, running = settings(), addon("ui.operators.running")
    heard = Heard()
    for name in ("_take", "_open_next"):
        setattr(heard, name, lambda *_: None)
    running.RunsSections.finish(heard, bpy.context, ({}, []))
    assert heard.said[-1][0] == ("INFO" if all(result.good for result in s.results) else "WARNING")
    s.result("casts").good = False
    running.RunsSections.finish(heard, bpy.context, ({}, []))
    assert heard.said[-1][0] == "WARNING"
    assert s.result("casts").line in heard.said[-1][1]
    s.result("casts").good = True


@check
def two_scenes_keep_their_own_results():
    first, results = bpy.context.scene, addon("scene.results")
    names = {thing.name for thing in first.mouldloft.collection.all_objects}
    line = first.mouldloft.result("sculpt").line
    second = bpy.data.scenes.new("Second")
    window = bpy.context.window
    if window is not None:
        window.scene = second
    with bpy.context.temp_override(scene=second, view_layer=second.view_layers[0]):
        cube = bpy.data.objects.new("Block", bpy.data.meshes.new_from_object(first.mouldloft.sculpt))
        second.collection.objects.link(cube)
        second.mouldloft.sculpt = cube
        second.mouldloft.directions = 64
        second.view_layers[0].update()
        assert bpy.ops.mouldloft.take_sculpt() == {"FINISHED"}
        assert second.mouldloft.collection != first.mouldloft.collection
        assert len(results.of_role(second, "map")) == 1
        assert {thing.name for thing in first.mouldloft.collection.all_objects} == names
        assert bpy.ops.mouldloft.clear() == {"FINISHED"}
        assert results.of_role(second, "map") == []
    assert {thing.name for thing in first.mouldloft.collection.all_objects} == names
    assert first.mouldloft.result("sculpt").line == line
    if window is not None:
        window.scene = first
    bpy.data.objects.remove(cube)
    bpy.data.scenes.remove(second)
    assert set(kinds().values()) == {"fresh"}


@check
def a_copied_scene_takes_results_of_its_own():
    first, results = bpy.context.scene, addon("scene.results")
    names = {thing.name for thing in first.mouldloft.collection.all_objects}
    second = first.copy()  # as a linked copy: it shares the objects
    assert second.mouldloft.collection == first.mouldloft.collection
    results.remove(second, *results.COLLECTIONS)
    assert {thing.name for thing in first.mouldloft.collection.all_objects} == names
    bpy.data.scenes.remove(second)


@check
def no_second_job_starts_beside_one_that_has_not_ended():
    import threading

    jobs, held = addon("work.jobs"), threading.Event()
    job = jobs.Job(lambda progress: held.wait(60.0))
    job.start()
    job.stop(0.05)
    jobs.clear()
    assert jobs.job() is job
    assert not bpy.ops.mouldloft.plan_all.poll()
    assert "still running" in refused(bpy.ops.mouldloft.plan_all)
    held.set()
    job._thread.join(10.0)
    assert bpy.ops.mouldloft.plan_all.poll()
    assert jobs.job() is None


@check
def a_run_in_the_window_is_stopped_by_escape_and_keeps_what_was_finished():
    """The modal operator's own handler, fed with the window's events; the window itself is looked at by hand."""
    from types import SimpleNamespace

    s, running, jobs = settings(), addon("ui.operators.running"), addon("work.jobs")
    s.edge_extra_oz, s.push_n = 3.0, 250.0  # which no seam is priced by
    manager = SimpleNamespace(event_timer_remove=lambda _: None, windows=[])

    class Context:
        window_manager = manager
        workspace = SimpleNamespace(status_text_set=lambda _: None)

        def __getattr__(self, name):
            return getattr(bpy.context, name)

    context = Context()
    operator = type("Run", (Heard, running.RunsSections), {"section": "order"})()
    operator._job = jobs.Job(operator.prepare(context))
    operator._job.start()
    while operator._job.running and operator._at != "casts":
        assert operator.modal(context, SimpleNamespace(type="TIMER", value="NOTHING")) == {"PASS_THROUGH"}
        time.sleep(0.02)  # the run needs the interpreter too
    operator.modal(context, SimpleNamespace(type="ESC", value="PRESS"))
    operator._job._thread.join(30.0)
    ended = operator.modal(context, SimpleNamespace(type="TIMER", value="NOTHING"))
    assert ended == {"FINISHED"}, "the jacket was finished, so there is something to undo"
    assert jobs.job() is None
    assert operator.said[-1][0] == "INFO"
    assert kinds()["jacket"] == "fresh"
    assert kinds()["order"] == "stale"
    s.edge_extra_oz, s.push_n = 2.0, 300.0
    assert bpy.ops.mouldloft.plan_all() == {"FINISHED"}


class Layout:
    """Stands for a panel's layout: every property and operator that is drawn has to be there, with a description."""

    def __init__(self, seen):
        self.__dict__["seen"] = seen

    def __setattr__(self, name, value):
        assert name in bpy.types.UILayout.bl_rna.properties, name

    def prop(self, data, name, **_):
        found = data.bl_rna.properties[name]
        assert found.description or data.bl_rna.identifier not in ("MouldloftSettings",), name
        self.seen.append(name)

    def operator(self, name, **_):
        group, own = name.split(".")
        kind = getattr(getattr(bpy.ops, group), own).get_rna_type()
        assert kind.description
        self.seen.append(name)

        class Given:
            def __setattr__(self, key, value):
                assert key in kind.properties, (name, key)

        return Given()

    def operator_menu_enum(self, name, key, **_):
        self.operator(name)

    def panel_prop(self, data, name):
        self.prop(data, name)
        return self, self

    def label(self, **given):
        self.seen.append(given.get("text", ""))

    def _more(self, *_, **__):
        return self

    row = column = box = grid_flow = split = menu = _more

    def separator(self, **_):
        pass

    def progress(self, **_):
        pass

    def prop_search(self, data, name, other, collection, **_):
        assert hasattr(other, collection)
        self.prop(data, name)

    def template_list(self, kind, _, data, name, other, index, **__):
        assert hasattr(bpy.types, kind)
        self.prop(other, index)


def drawn(name: str) -> list[str]:
    """What a panel draws: labels, and names of properties and operators."""
    from types import SimpleNamespace

    panels, seen = addon("ui.panels"), []
    cls = getattr(panels, name)
    space = SimpleNamespace(type="VIEW_3D", shading=SimpleNamespace(type="SOLID", color_type="VERTEX"))
    panels.wrapped = lambda layout, context, text, icon="NONE", room=1.0: layout.label(text=text)

    class Context:
        space_data, region = space, SimpleNamespace(width=300)

        def __getattr__(self, name):
            return getattr(bpy.context, name)

    panel = type("Panel", (), {k: v for k, v in vars(cls).items() if callable(v)})()
    panel.layout = Layout(seen)
    panel.draw(Context())
    return seen


@check
def every_panel_draws():
    s = settings()
    before = s.seam_kind
    for kind in ("free", "plane"):
        s.seam_kind = kind
        s.way = "OWN" if kind == "plane" else "SEARCH"
        for cls in addon("ui.panels")._CLASSES[1:]:
            assert len(drawn(cls.__name__)) > 3, cls.__name__
    assert "mouldloft.run" in drawn("MOULDLOFT_PT_plan")
    assert "mouldloft.write_sheets" in drawn("MOULDLOFT_PT_sheets")
    s.seam_kind, s.way = before, "SEARCH"
    assert set(kinds().values()) == {"fresh"}


@check
def every_operator_and_property_explains_itself():
    for name in dir(bpy.ops.mouldloft):
        kind = getattr(bpy.ops.mouldloft, name).get_rna_type()
        assert kind.description, name
        words = [
            w
            for w in kind.name.split()
            if w.lower() not in ("a", "and", "as", "at", "in", "it", "of", "or", "the", "this")
        ]
        assert all(w[0].isupper() or not w[0].isalpha() for w in words), f"{kind.name} is not in title case"
        for prop in kind.properties:
            own = prop.identifier not in ("rna_type", "name", "remove_name", "remove_active")
            assert prop.description or not own, (name, prop.identifier)
    sidebar = [p for p in settings().bl_rna.properties if p.name != p.identifier and p.identifier not in ("rna_type",)]
    for prop in sidebar:
        if prop.name and prop.name[0].isupper() and prop.identifier not in ("name",):
            assert prop.description or not prop.name.istitle(), prop.identifier


@check
def a_mould_opens_in_an_animation():
    s = settings()
    scene = bpy.context.scene
    assert bpy.ops.mouldloft.animate() == {"FINISHED"}
    done = addon("scene.state").done_now(scene)
    piece = done["seam"].taking_off[0]
    jacket, glove = bpy.data.objects[f"Jacket, {piece}"], bpy.data.objects[f"Glove, {piece}"]
    scene.frame_set(scene.frame_start)
    assert np.allclose(jacket.delta_location, 0.0, atol=1e-6)
    scene.frame_set(scene.frame_start + s.opening_frames // 4)
    assert np.linalg.norm(jacket.delta_location) > 0.05, "the first jacket is on its way"
    assert np.linalg.norm(glove.delta_location) < 1e-6, "its glove still sits"
    scene.frame_set(scene.frame_start + s.opening_frames)
    assert np.linalg.norm(glove.delta_location) > 0.05
    assert bpy.ops.mouldloft.still_again() == {"FINISHED"}
    assert np.allclose(jacket.delta_location, 0.0)


@check
def sections_lie_apart_and_make_up_the_sculpt():
    import bmesh

    s, results, scene = settings(), addon("scene.results"), bpy.context.scene
    apart = s.apart
    assert bpy.ops.mouldloft.propose_sections() == {"FINISHED"}
    parts = results.of_role(scene, "section")
    volume = addon("scene.state").done_now(scene)["master"].volume_mm3
    assert len(parts) >= 2, "the hare's ears at least"
    total = 0.0
    for thing in parts:  # by Blender's own mesh library
        mesh = bmesh.new()
        mesh.from_mesh(thing.data)
        assert all(len(edge.link_faces) == 2 for edge in mesh.edges), thing.name
        total += mesh.calc_volume() * 1e9
        mesh.free()
    assert abs(total / volume - 1.0) < 0.01, "cut plain, nothing is lost"
    places = [tuple(thing.location) for thing in parts]
    s.apart = 0.0
    assert any(tuple(thing.location) != place for thing, place in zip(parts, places)), "each off along its cut"
    assert all(abs(v) < 1e-6 for thing in parts for v in thing.location)
    assert s.result("sections").line.startswith(f"{len(parts)} parts")
    assert any("Ear" in words or "ear" in words for words in addon("ui.panels").remarks_of(s.result("sections")))
    results.remove(scene, "section")
    s.apart = apart


@check
def a_peeled_glove_is_played_with_its_stretch_in_colours():
    """On a lattice far too coarse for an answer: what is looked at is that each frame shows the core's places."""
    from dataclasses import replace

    s, results, scene, trials = settings(), addon("scene.results"), bpy.context.scene, addon("ui.trying")
    from mouldloft.stages import pipeline

    own, kept = pipeline.peel_off, []

    def coarse(*given):
        brief = replace(given[4], peel=replace(given[4].peel, pitch_mm=60.0, frictions=(0.0,)))
        kept.append(own(*given[:4], brief, *given[5:]))
        return kept[-1]

    pipeline.peel_off = coarse
    try:
        assert bpy.ops.mouldloft.peel_gloves() == {"FINISHED"}
    finally:
        pipeline.peel_off = own
    gloves = results.of_role(scene, "peel")
    assert len(gloves) == len(kept[0].gloves) == 2
    assert s.map_kind == "PEEL"
    assert "allowed" in s.map_text
    first = next(thing for thing in gloves if thing.data.shape_keys.animation_data.action.frame_range[0] == 1.0)
    motion = next(glove.motion for glove in kept[0].gloves if glove.piece == first["mouldloft_piece"])
    rest, end = evaluated_mm(first, 1), evaluated_mm(first, first.data.shape_keys.animation_data.action.frame_range[1])
    from mouldloft.stages.peel import played

    wanted = played(motion, rest, np.array([len(motion.moved_mm) - 1]))[0]
    assert np.abs(rest - vertices_mm(first)).max() < 1e-3, "home on the first frame"
    assert np.abs(end - wanted).max() < 0.02 * np.abs(wanted - rest).max(), "as the mechanics left it on its last"
    assert np.ptp(colours_of(first, "Mouldloft peel"), axis=0).max() > 0.05
    assert trials.MOST_FRAMES >= len(first.data.shape_keys.key_blocks) > 2
    s.hands += 1
    assert kinds()["keys"] == "fresh", "other hands peel the same glove"
    s.hands -= 1
    results.remove(scene, "peel")
    s.map_kind = "FREES"


def evaluated_mm(thing, frame) -> np.ndarray:
    bpy.context.scene.frame_set(int(frame))
    seen = thing.evaluated_get(bpy.context.evaluated_depsgraph_get())
    points = np.empty(len(seen.data.vertices) * 3, np.float32)
    seen.data.vertices.foreach_get("co", points)
    return points.reshape(-1, 3).astype(float) * 1000.0


@check
def stills_and_turntable_are_drawn():
    s = settings()
    s.folder = str(WORK / "pictures")
    s.picture_engine, s.samples, s.picture_size, s.turntable_frames = "CYCLES", 2, 96, 4
    assert bpy.ops.mouldloft.cameras() == {"FINISHED"}
    assert bpy.ops.mouldloft.render(what="STILLS") == {"FINISHED"}
    assert bpy.ops.mouldloft.render(what="TURN") == {"FINISHED"}
    drawn = sorted((WORK / "pictures").glob("*.png"))
    assert len([p for p in drawn if p.name.startswith("still")]) == 6
    assert {p.name for p in drawn} >= {"still-front.png", "still-left.png", "still-three-quarter.png"}
    assert [p.name for p in drawn if p.name.startswith("turntable")] == [f"turntable-000{k}.png" for k in (1, 2, 3, 4)]
    for path in drawn:
        pixels = _luminance(path)
        inside = np.abs(pixels - np.median(pixels[0])) > 0.04  # what is not backdrop
        assert not inside[-1].any(), f"{path.name}: cut off below"
        assert not inside[:, -1].any(), f"{path.name}: cut off at the right"
        assert 0.03 < inside.mean() < 0.9, (path.name, inside.mean())
        assert not inside[0].any(), f"{path.name}: cut off above"
        assert not inside[:, 0].any(), f"{path.name}: cut off at the left"


@check
def stills_after_another_seam_show_that_seam():
    s, scene, results = settings(), bpy.context.scene, addon("scene.results")
    first = s.pictures[results.STAMP]
    before = [_luminance(path) for path in sorted((WORK / "pictures").glob("still*.png"))]
    kind = s.seam_kind
    assert bpy.ops.mouldloft.take_candidate(kind="plane") == {"FINISHED"}
    assert addon("scene.state").done_now(scene)["seam"].kind == "plane"
    assert bpy.ops.mouldloft.render(what="STILLS") == {"FINISHED"}
    assert s.pictures[results.STAMP] != first
    drawn = {thing.data for thing in s.pictures.objects if thing.type in ("CURVE", "MESH")}
    assert {thing.data for thing in results.of_role(scene, "seam", "map")} <= drawn
    after = [_luminance(path) for path in sorted((WORK / "pictures").glob("still*.png"))]
    assert max(float(np.abs(a - b).max()) for a, b in zip(before, after)) > 0.1, "another line, another picture"
    s.seam_kind, s.way = kind, "SEARCH"
    assert bpy.ops.mouldloft.plan_all() == {"FINISHED"}
    assert set(kinds().values()) == {"fresh"}


def _luminance(path: Path) -> np.ndarray:
    image = bpy.data.images.load(str(path))
    width, height = image.size
    pixels = np.empty(width * height * 4, np.float32)
    image.pixels.foreach_get(pixels)
    bpy.data.images.remove(image)
    return pixels.reshape(height, width, 4)[::-1, :, :3].mean(axis=2)


@check
def sheets_are_written():
    s = settings()
    s.folder = str(WORK / "sheets")
    s.solids = {"stl", "glb"}
    s.job, s.revision = "041", "B"
    ours = bpy.context.preferences.addons[NAME].preferences
    image = bpy.data.images.new("Logo", 41, 17)
    image.filepath_raw, image.file_format = str(WORK / "logo.png"), "PNG"
    image.save()
    ours.studio, ours.logo = "Kiln Lane Workshop", str(WORK / "logo.png")
    assert set(kinds().values()) == {"fresh"}, "whose sheet it is changes no mould"
    assert bpy.ops.mouldloft.write_sheets() == {"FINISHED"}
    found = {path.name for path in (WORK / "sheets").iterdir()}
    assert {"plan.json", "order.csv", "client-sheet.pdf", "workshop-sheets.pdf"} <= found
    for name in ("client-sheet.pdf", "workshop-sheets.pdf"):
        page = (WORK / "sheets" / name).read_bytes()
        assert page.startswith(b"%PDF-")
        assert b"/Width 41" in page, "the logo, at its own size"
    job = json.loads((WORK / "sheets" / "plan.json").read_text())["plan"]["brief"]["job"]
    assert (job["studio"], job["number"], job["revision"]) == ("Kiln Lane Workshop", "041", "B")
    ours.studio = ours.logo = s.job = s.revision = ""
    for kind in ("stl", "glb"):
        assert list((WORK / "sheets").rglob(f"*.{kind}")), kind
    told = json.loads(s.sheets)
    assert all(Path(path).exists() for path, _ in told)
    assert "is not there any more" in refused(bpy.ops.mouldloft.open_file, path=str(WORK / "no.pdf"))
    from mouldloft.outputs.planfile import open_plan

    again = open_plan(WORK / "sheets")
    assert again.master.height_mm == addon("scene.state").done_now(bpy.context.scene)["master"].height_mm
    s.folder = str(ZIP / "in a file")
    assert "choose another folder" in refused(bpy.ops.mouldloft.write_sheets)


@check
def a_client_signs_the_seam_and_a_change_voids_it():
    s, scene, signing = settings(), bpy.context.scene, addon("scene.signing")
    s.folder = str(WORK / "client")
    assert "name of the client" in refused(bpy.ops.mouldloft.sign_seam)
    s.revision = "B"
    assert bpy.ops.mouldloft.sign_seam(who="Ada Clay", when="2027-03-01") == {"FINISHED"}
    assert signing.signature_now(scene) == ("Ada Clay", "2027-03-01")
    assert "Ada Clay, 2027-03-01, Seated hare, rev. B" in drawn("MOULDLOFT_PT_client")
    assert set(kinds().values()) == {"fresh"}, "a signature changes no mould"
    assert bpy.ops.mouldloft.sign_seam(who="Ada Clay", when="2027-03-01", write=True) == {"FINISHED"}
    assert {path.name for path in (WORK / "client").iterdir()} == {"client-sheet.pdf", "offer.pdf"}
    assert json.loads(s.sheets)[0][0].endswith("client-sheet.pdf")
    job = addon("scene.settings").brief_of(scene).job
    assert (job.signed_by, job.signed_on) == ("Ada Clay", "2027-03-01")
    point = bpy.data.objects["Seam 1"].data.splines[0].points[5]
    home = tuple(point.co)
    point.co.x += 0.01
    assert signing.signed(scene)[0].why == "the seam has changed since"
    assert "Void: the seam has changed since." in drawn("MOULDLOFT_PT_client")
    assert addon("scene.settings").brief_of(scene).job.signed_by == ""
    point.co = home
    assert signing.signed(scene)[0].why == ""
    s.revision = "C"
    assert signing.signed(scene)[0].why == "the revision is another now"
    s.revision = "B"
    hare = s.sculpt
    hare.scale.z = 0.9
    bpy.context.view_layer.update()
    addon("scene.state").settle(bpy.context)
    assert signing.signed(scene)[0].why == "the sculpt has changed since"
    hare.scale.z = 1.0
    bpy.context.view_layer.update()
    assert addon("scene.state").settle(bpy.context)
    assert bpy.ops.mouldloft.run(section="seam") == {"FINISHED"}
    assert signing.signature_now(scene)[0] == "Ada Clay", "drawn again, the same line"


def scanned(folder: Path, shift: np.ndarray, middle: np.ndarray) -> np.ndarray:
    """A plan as `mouldloft rescan` writes it, of clay that is 8 mm proud within a hand of a place; where it is so."""
    from dataclasses import replace

    from mouldloft.outputs.planfile import open_plan, save_plan
    from mouldloft.stages.clay import ClayDifference, ClayPlace

    plan = open_plan(WORK / "sheets")
    points = plan.master.vertices_mm
    proud = np.linalg.norm(points - middle, axis=1) < 100.0
    at = tuple(float(v) for v in middle + shift)
    patch = ClayPlace(at, 31_000.0, 8.0, 2.4e5, np.inf, where="chest, 610 mm up")
    clay = ClayDifference(
        np.where(proud, 8.0, 0.1), 2.0, 0.4, (patch,), (plan.master.height_mm,) * 2, (2.4e5, 0.0), 0.0, ("It lies.",)
    )
    moved = replace(plan.master, vertices_mm=points + shift, shift_mm=tuple(float(v) for v in shift))
    folder.mkdir()
    save_plan(replace(plan, master=moved, clay=clay), folder)
    return proud


@check
def a_scan_lies_on_the_sculpt_in_colours():
    """Clay made up in a known place, in a plan that stands otherwise than the first, as scanned clay does."""
    s, scene, results = settings(), bpy.context.scene, addon("scene.results")
    assert "Choose the folder" in refused(bpy.ops.mouldloft.show_clay)
    s.as_built = str(WORK / "nowhere")
    assert "There is no plan in" in refused(bpy.ops.mouldloft.show_clay)
    s.as_built = str(WORK / "sheets")
    assert "holds a plan but no scan" in refused(bpy.ops.mouldloft.show_clay)
    assert "no scan" in s.result("clay").refusal
    hare, copy = s.sculpt, bpy.data.objects["Undercut map"]
    middle = vertices_mm(copy).astype(float)[1234]
    proud = scanned(WORK / "as built", np.array((11.0, -7.0, 3.0)), middle)
    s.as_built = str(WORK / "as built")
    assert bpy.ops.mouldloft.show_clay() == {"FINISHED"}
    (clay,) = results.of_role(scene, "clay")
    bpy.context.view_layer.update()
    assert np.allclose(results.world_corners(clay), results.world_corners(copy), atol=1e-4), "it lies on the plan"
    colours = colours_of(clay, results.CLAY)
    assert proud.sum() > 20
    assert np.ptp(colours[~proud], axis=0).max() < 1e-6, "as planned: one colour"
    assert np.abs(colours[proud] - colours[~proud][0]).max(axis=1).min() > 0.05
    assert seen("clay")
    assert not seen("map")
    assert hare.hide_get(), "two skins in one place flicker"
    legend = json.loads(s.map_text)
    assert (legend["title"], legend["marks"][-1]) == ("Scan against plan", "10 mm proud")
    (place,) = results.of_role(scene, "place")
    at = clay.matrix_world.inverted() @ place.matrix_world.translation
    assert np.allclose(np.array(at) * 1000.0, middle, atol=0.1)
    assert json.loads(s.result("clay").remarks) == ["chest, 610 mm up: 8 mm proud at most, 310 cm²"]
    assert "chest, 610 mm up: 8 mm proud at most, 310 cm²" in drawn("MOULDLOFT_PT_as_built")
    assert bpy.ops.mouldloft.look_at_place(number=1) == {"FINISHED"}
    assert "not marked" in refused(bpy.ops.mouldloft.look_at_place, number=2)
    s.map_kind = "FREES"
    assert seen("map")
    assert not seen("clay")
    assert set(kinds().values()) == {"fresh"}, "a scan that is looked at changes no plan"


@check
def the_runs_log_is_set_against_the_plan():
    """A log made from the plan's own amounts: its factors are known."""
    from mouldloft.asbuilt.review import planned_cast

    s, charts = settings(), addon("ui.charts")
    assert "Choose the log" in refused(bpy.ops.mouldloft.show_log)
    s.run_log = str(WORK / "none.toml")
    assert "cannot be read" in refused(bpy.ops.mouldloft.show_log)
    assert "cannot be read" in s.result("log").refusal
    s.as_built, s.run_log = "", str(WORK / "log.toml")
    each = planned_cast(addon("scene.state").plan_for_sure(bpy.context))["weight_kg"]
    rows = [f"[[cast]]\nnumber = {k}\nweight_kg = {f * each}" for k, f in enumerate((1.1, 1.2, 1.3), 1)]
    Path(s.run_log).write_text("\n".join(rows))
    assert bpy.ops.mouldloft.show_log() == {"FINISHED"}
    told = charts.log_kept(s)
    (row,) = told["rows"]
    assert row["ratios"] == [1.1, 1.2, 1.3]
    assert abs(row["span"][1] - 1.2) < 1e-3
    assert row["span"][0] < 1.1 < 1.3 < row["span"][2], "three entries say little: 95 % is wider than they are"
    assert any(line.startswith("  Weight of a cast") and "factor 1.2" in line for line in told["lines"])
    assert {line.strip() for line in told["lines"] if line} <= set(drawn("MOULDLOFT_PT_as_built"))
    for spoilt in ("{", "[]", '{"rows": 3}', '{"rows": [1], "file": "", "lines": []}'):
        s.log_text = spoilt
        assert charts.log_kept(s) == {}
    s.run_log = s.log_text = ""


@check
def undo_takes_back_a_section_and_redo_brings_it():
    s = settings()
    bpy.ops.ed.undo_push(message="before")
    s.edge_extra_oz = 9.0
    bpy.ops.ed.undo_push(message="thicker jacket")
    assert kinds()["jacket"] == "stale"
    assert bpy.ops.mouldloft.run(section="jacket") == {"FINISHED"}
    thick = settings().result("jacket").line
    bpy.ops.ed.undo_push(message="run")
    bpy.ops.ed.undo()
    bpy.ops.ed.undo()
    assert abs(settings().edge_extra_oz - 2.0) < 1e-6
    assert settings().result("jacket").line != thick
    assert set(kinds().values()) == {"fresh"}, "the records of before are still on the bench"
    assert bpy.data.objects.get("Wall") is not None
    bpy.ops.ed.redo()
    assert abs(settings().edge_extra_oz - 9.0) < 1e-6
    bpy.ops.ed.undo()


@check
def escape_stops_the_work_and_nothing_is_kept():
    from mouldloft.base.errors import Cancelled

    jobs = addon("work.jobs")

    def work(progress):
        progress.begin("seam")
        job.stop()
        progress.step(0.5)
        raise AssertionError("not stopped")

    job = jobs.Job(work)
    job.start()
    job._thread.join(10.0)
    jobs.clear()
    assert isinstance(job.error, Cancelled)
    assert set(kinds().values()) == {"fresh"}


@check
def a_changed_sculpt_is_told():
    hare = bpy.data.objects["Seated hare"]
    home = tuple(hare.data.vertices[0].co)
    hare.data.vertices[0].co.z += 0.001
    hare.data.update()
    hare.update_tag(refresh={"DATA"})
    bpy.context.view_layer.update()
    assert not addon("scene.state").settle(bpy.context), "an edit of the mesh is noticed"
    assert kinds()["sculpt"] == "stale"
    hare.data.vertices[0].co = home
    hare.data.update()
    bpy.context.view_layer.update()
    assert bpy.ops.mouldloft.run(section="sculpt") == {"FINISHED"}
    bpy.context.view_layer.update()
    assert addon("scene.state").settle(bpy.context)
    assert kinds()["sculpt"] == "fresh"


_saved: dict = {}


@check
def saved_and_reopened_whole():
    scene = bpy.context.scene
    done = addon("scene.state").done_now(scene)
    assert "programme" in done, sorted(done)
    listed = [(row.kind, row.text, row.chosen) for row in settings().candidates]
    assert len(listed) > 1, "seams beside the one that was taken, each with its price"
    _saved.update(line=settings().result("order").line, done=done, listed=listed)
    path = WORK / "hare.blend"
    scene["mouldloft_store"] = np.arange(10, dtype=np.int32)  # a smaller one, from an earlier save
    assert bpy.ops.wm.save_as_mainfile(filepath=str(path)) == {"FINISHED"}
    assert len(scene["mouldloft_store"]) * 4 >= scene["mouldloft_store_bytes"] > 100_000
    bpy.ops.wm.read_factory_settings(use_empty=True)
    addon_utils.enable(NAME)
    bpy.ops.wm.open_mainfile(filepath=str(path))
    _reopened_equals()


def _reopened_equals() -> None:
    assert addon("scene.signing").signature_now(bpy.context.scene) == ("Ada Clay", "2027-03-01")
    assert settings().result("order").line == _saved["line"]
    assert set(kinds().values()) == {"fresh"}
    again, before = addon("scene.state").done_now(bpy.context.scene), _saved["done"]
    assert again["master"] is not before["master"], "read from the file, not from memory"
    assert np.array_equal(again["seam"].labels, before["seam"].labels)
    assert [found.price for found in again["seam"].candidates] == [found.price for found in before["seam"].candidates]
    assert [(row.kind, row.text, row.chosen) for row in settings().candidates] == _saved["listed"]
    assert again["takeoff"] == before["takeoff"]
    assert again["keys"] == before["keys"]
    assert again["rubber"].volume_mm3 == before["rubber"].volume_mm3
    assert np.array_equal(again["rubber"].envelopes[0].outer_mm, before["rubber"].envelopes[0].outer_mm, equal_nan=True)


@check
def a_plan_is_packed_once_a_change():
    store = addon("work.store")
    own, times = store.pack, []
    store.pack = lambda *given: times.append(1) or own(*given)
    try:
        for hands in (0, 0, 1, 0):
            settings().hands += hands
            assert bpy.ops.wm.save_as_mainfile(filepath=str(WORK / "again.blend")) == {"FINISHED"}
        assert times == [1], "only where something else is up to date than what is packed"
    finally:
        store.pack = own
    settings().hands -= 1
    bpy.ops.wm.open_mainfile(filepath=str(WORK / "hare.blend"))


def _stored(scene, data: bytes) -> None:
    keeping = addon("scene.keeping")
    keeping.write(scene, np.frombuffer(data, np.uint8), {})
    keeping.new_file()


@check
def a_strangers_file_is_read_with_care():
    """What unpacks to far more than it weighs, heads that lie, arrays of another mesh: refused, nothing reserved."""
    import io
    import zipfile

    scene, store = bpy.context.scene, addon("work.store")
    addon("scene.state").done_now(scene)
    whole = np.array(scene["mouldloft_store"], np.int32).tobytes()[: scene["mouldloft_store_bytes"]]
    with zipfile.ZipFile(io.BytesIO(whole)) as given:
        told, arrays = json.loads(given.read("records.json")), given.read("arrays.npz")

    def zipped(table, inner: bytes) -> bytes:
        made = io.BytesIO()
        with zipfile.ZipFile(made, "w", zipfile.ZIP_DEFLATED) as out:
            out.writestr("records.json", table if isinstance(table, bytes) else json.dumps(table))
            out.writestr("arrays.npz", inner)
        return made.getvalue()

    def npz(change) -> bytes:
        made = io.BytesIO()
        with zipfile.ZipFile(io.BytesIO(arrays)) as inner, zipfile.ZipFile(made, "w") as out:
            for name in inner.namelist():
                out.writestr(name, change(name, inner.read(name)))
        return made.getvalue()

    def lying(name, data):
        return data.replace(b"'shape': (", b"'shape': (9999999999, ", 1) if name.endswith("vertices_mm.npy") else data

    def shorter(name, data):
        if not name.startswith("seam.labels"):
            return data
        short = io.BytesIO()
        np.save(short, np.zeros(7, np.int32))
        return short.getvalue()

    def outside(name, data):
        if name != "master.faces.npy":
            return data
        faces = np.load(io.BytesIO(data)).copy()
        faces[0, 0] = 10**6
        made = io.BytesIO()
        np.save(made, faces)
        return made.getvalue()

    short_told = json.loads(json.dumps(told))
    short_told["records"]["seam"]["labels"]["shape"] = [7]
    for spoilt in (
        zipped(b" " * 300_000_000, b""),
        zipped(told, zipped({}, b"\0" * 300_000_000)),
        zipped(told, npz(lying)),
        zipped(short_told, npz(shorter)),
        zipped(told, npz(outside)),
        zipped(b"[" * 100_000, arrays),
        zipped({"records": [], "stamps": 3}, arrays),
        b"",
    ):
        try:
            store.unpack(spoilt)
        except store.UNREADABLE:
            pass
        else:
            raise AssertionError("it was read")
        _stored(scene, spoilt or b"\0\0\0\0")
        assert "master" not in addon("scene.state").done_now(scene)
    s = settings()
    s.sheets = json.dumps([["/bin/sh", "a shell"], [str(WORK / "a.pdf"), "a sheet"]])
    assert [what for _, what in addon("ui.operators.sheets").written_files(scene)] == ["a sheet"]
    assert "not a result" in refused(bpy.ops.mouldloft.open_file, path="/bin/sh")
    s.result("seam").refusal, s.result("seam").cure = "x", "wm.quit_blender"
    assert s.result("seam").cure not in addon("ui.panels").CURES
    bpy.ops.wm.open_mainfile(filepath=str(WORK / "hare.blend"))
    assert "master" in addon("scene.state").done_now(bpy.context.scene)


@check
def an_appended_scene_brings_its_plan_and_appended_results_are_no_plan():
    bpy.ops.wm.read_factory_settings(use_empty=True)
    addon_utils.enable(NAME)
    with bpy.data.libraries.load(str(WORK / "hare.blend")) as (there, wanted):
        wanted.objects = [name for name in there.objects if name.startswith(("Seam", "Glove"))]
    for thing in wanted.objects:
        bpy.context.collection.objects.link(thing)
    assert len(wanted.objects) > 2
    assert addon("scene.results").of_role(bpy.context.scene, "seam", "glove") == []
    assert set(kinds().values()) == {"none"}
    with bpy.data.libraries.load(str(WORK / "hare.blend")) as (there, wanted):
        wanted.scenes = list(there.scenes[:1])
    scene = wanted.scenes[0]
    done = addon("scene.state").done_now(scene)
    assert np.array_equal(done["seam"].labels, _saved["done"]["seam"].labels)
    assert {s.kind for k, s in addon("scene.state").standings(scene)[0].items() if k != "solids"} == {"fresh"}
    bpy.ops.wm.open_mainfile(filepath=str(WORK / "hare.blend"))


@check
def a_spoilt_store_is_survived():
    scene = bpy.context.scene
    del scene["mouldloft_store"]
    scene["mouldloft_store"] = np.arange(100, dtype=np.int32)
    addon("scene.keeping").new_file()
    assert "master" not in addon("scene.state").done_now(scene)
    bpy.ops.wm.open_mainfile(filepath=str(WORK / "hare.blend"))
    assert "master" in addon("scene.state").done_now(bpy.context.scene)


@check
def what_another_version_cannot_read_costs_its_own_section_only():
    import io
    import zipfile

    scene = bpy.context.scene
    whole = np.array(scene["mouldloft_store"], np.int32).tobytes()[: scene["mouldloft_store_bytes"]]
    made = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(whole)) as given, zipfile.ZipFile(made, "w") as out:
        told = json.loads(given.read("records.json"))
        told["records"]["takeoff"] = {"no such field": 1}
        out.writestr("records.json", json.dumps(told))
        out.writestr("arrays.npz", given.read("arrays.npz"))
    data = made.getvalue()
    del scene["mouldloft_store"]
    scene["mouldloft_store"] = np.frombuffer(data + b"\0" * (-len(data) % 4), np.int32)
    scene["mouldloft_store_bytes"] = len(data)
    addon("scene.keeping").new_file()
    done = addon("scene.state").done_now(scene)
    assert "cast" in done
    assert "takeoff" not in done
    assert bpy.ops.mouldloft.run(section="order") == {"FINISHED"}
    assert addon("scene.state").done_now(scene)["takeoff"] == _saved["done"]["takeoff"]
    bpy.ops.wm.open_mainfile(filepath=str(WORK / "hare.blend"))


@check
def disabled_and_installed_again():
    addon_utils.disable(NAME, default_set=True)
    assert not hasattr(bpy.types.Scene, "mouldloft")
    assert not hasattr(bpy.types, "MOULDLOFT_PT_plan")
    install()
    bpy.ops.wm.open_mainfile(filepath=str(WORK / "hare.blend"))
    _reopened_equals()


@check
def another_sculpt_does_not_inherit_the_plan():
    s, scene = settings(), bpy.context.scene
    assert s.ways
    hare = s.sculpt
    block = box("Another", 0.4)
    block.location.x = 9.0
    select_only(block)
    assert bpy.ops.mouldloft.use_selection() == {"FINISHED"}
    assert s.touched
    assert bpy.ops.mouldloft.take_sculpt() == {"FINISHED"}
    results = addon("scene.results")
    assert results.of_role(scene, "seam", "glove", "key", "jacket") == []
    assert (s.map_text, s.drawn_seam, s.moved_keys, len(s.ways)) == ("", "", "", 0)
    assert [key for key, kind in kinds().items() if kind != "none"] == ["sculpt"]
    assert not hare.hide_get()
    bpy.ops.wm.open_mainfile(filepath=str(WORK / "hare.blend"))


@check
def cleared_to_the_sculpt_alone():
    assert bpy.ops.mouldloft.clear() == {"FINISHED"}
    assert [thing.name for thing in bpy.data.objects] == ["Seated hare"]
    assert set(kinds().values()) == {"none"}
    assert "mouldloft_store" not in bpy.context.scene


def main() -> None:
    print("BLENDER", bpy.app.version_string, "NumPy", np.__version__, "Python", sys.version.split()[0], flush=True)
    passed = failed = 0
    named = sys.argv[1:-2]
    for function in (f for f in _checks if not named or f is _checks[0] or f.__name__ in named):
        began = time.process_time()
        try:
            function()
        except Exception:
            failed += 1
            traceback.print_exc()
            print("FAILED", function.__name__, flush=True)
        else:
            passed += 1
            print(f"ok {function.__name__}  {time.process_time() - began:.1f} s", flush=True)
    print(f"{passed} passed, {failed} failed", flush=True)
    sys.stdout.flush()
    import os

    os._exit(1 if failed else 0)  # bpy has nothing left to save, and some of its releases crash on the way out


if __name__ == "__main__":
    main()
