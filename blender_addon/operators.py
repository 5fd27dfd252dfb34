# ruff: noqa: RUF012 - Blender reads these plain class attributes
"""Everything the user can press. Long work runs in a thread while a modal operator watches it; Escape stops it."""

from __future__ import annotations

import json
from pathlib import Path

import bpy
from bpy.props import BoolProperty, EnumProperty, IntProperty, StringProperty

from . import bench, chain, display, keeping, lines, reading, results, settings, state
from .chain import BY_KEY, KEYS, SECTIONS

SECTION_ITEMS = tuple((section.key, section.verb, section.title) for section in SECTIONS)
UNDO = {"UNDO"}  # no REGISTER: long work is not for the last operation's panel to run again


def say(operator: bpy.types.Operator, error: BaseException) -> set[str]:
    """Put a refusal of the core into Blender's report, and anything unforeseen with its kind."""
    from mouldloft.base.errors import Cancelled, MouldloftError

    if isinstance(error, Cancelled):
        operator.report({"INFO"}, str(error))
    elif isinstance(error, (MouldloftError, reading.Unreadable)):
        operator.report({"ERROR"}, str(error))
    else:
        import traceback

        traceback.print_exception(error)
        operator.report({"ERROR"}, f"Something unforeseen ({type(error).__name__}: {error}); see the console.")
    return {"CANCELLED"}


class Working:
    """An operator whose `prepare` gives work for a thread, and whose `finish` takes its result."""

    _timer = None
    _job: bench.Job | None = None

    @classmethod
    def poll(cls, context):
        if bench.job() is not None:
            cls.poll_message_set("Wait for what is running, or stop it with Escape")
            return False
        return True

    def prepare(self, context):
        """Read what the work needs on the main thread; return work(progress)."""
        raise NotImplementedError

    def finish(self, context, result) -> None:
        """Put the work's result on screen, on the main thread."""
        raise NotImplementedError

    def salvage(self, context) -> bool:
        """Keep what was finished before the work was stopped or refused; whether there was any."""
        return False

    def _begin(self, context) -> bool:
        try:
            self._job = bench.Job(self.prepare(context))
        except Exception as error:
            say(self, error)
            return False
        return True

    def execute(self, context):
        if not self._begin(context):
            return {"CANCELLED"}
        self._job.run_here()
        return self._end(context)

    def invoke(self, context, event):
        if bpy.app.background or context.window is None:
            return self.execute(context)
        if not self._begin(context):
            return {"CANCELLED"}
        self._job.start()
        self._timer = context.window_manager.event_timer_add(0.1, window=context.window)
        context.window_manager.modal_handler_add(self)
        return {"RUNNING_MODAL"}

    def modal(self, context, event):
        if event.type == "ESC" and event.value == "PRESS":
            self._job.stop()
            return {"RUNNING_MODAL"}
        if event.type == "TIMER":
            if not self._job.running:
                context.window_manager.event_timer_remove(self._timer)
                context.workspace.status_text_set(None)
                bench.clear()
                redraw(context)
                return self._end(context)
            job = self._job
            how = "" if job.stopping else f", {job.fraction:.0%}.  Esc stops it."
            context.workspace.status_text_set(f"Mouldloft: {job.words}{how}")
            redraw(context)
        return {"PASS_THROUGH"}

    def cancel(self, context):
        if self._job is not None:
            self._job.stop(10.0)
        bench.clear()

    def _end(self, context) -> set[str]:
        job, self._job = self._job, None
        if job.error is not None:
            kept = self.salvage(context)
            redraw(context)
            refused = say(self, job.error)
            return {"FINISHED"} if kept else refused  # what was kept can be undone
        try:
            self.finish(context, job.result)
        except Exception as error:
            return say(self, error)
        redraw(context)
        return {"FINISHED"}


def redraw(context: bpy.types.Context) -> None:
    """Have every 3D view drawn anew."""
    for window in context.window_manager.windows:
        for area in window.screen.areas:
            if area.type == "VIEW_3D":
                area.tag_redraw()


def show_colours(context: bpy.types.Context, on: bool) -> None:
    """Have the view that was worked in show the maps' colours, or the materials again."""
    space = context.space_data
    if space is None or space.type != "VIEW_3D" or space.shading.type != "SOLID":
        return
    if on or space.shading.color_type == "VERTEX":
        space.shading.color_type = "VERTEX" if on else "MATERIAL"


def show_map(context: bpy.types.Context) -> None:
    """Show the map chosen, as far as the sections have got: on the copy of the sculpt, or on the glove."""
    from mouldloft.base.errors import MouldloftError

    scene = context.scene
    s = scene.mouldloft
    thing = next(iter(results.of_role("map")), None)
    if thing is None:
        return
    if s.map_kind == "THICKNESS":
        s.map_text = results.thickness_legend()
        if s.map_text:
            results.show_only("glove", "thin", "handling")
            show_colours(context, True)
        return redraw(context)
    try:
        done = state.done_now(scene)
        results.colour_map(scene, thing, display.map_colours(skin_map(s, done), done))
    except (MouldloftError, KeyError):
        return
    results.show_only("map", "seam", "handling")
    show_colours(context, True)
    redraw(context)


def skin_map(s, done: dict) -> str:
    """The map over the skin to show now: what frees it, until the seam is drawn."""
    return s.map_kind if "locks" in done else "FREES"


# --- the sections -----------------------------------------------------------------------------------------


class RunsSections(Working):
    """Runs `section` and whatever before it is out of date, and shows what they made."""

    section = ""
    _stamps: dict[str, str]
    _so_far: tuple[dict, list]

    def prepare(self, context):
        scene = context.scene
        s = scene.mouldloft
        keeping.reopen(scene)
        sculpt = None
        if s.touched or not s.token or bench.kept("sculpt", state.stamps_of(scene)["sculpt"]) is None:
            sculpt, remarks = reading.read_sculpt(context, s.sculpt, s.keep_clear)
            for remark in remarks:
                self.report({"WARNING"}, remark)
            s.token, s.touched = sculpt.token(), False
        brief, catalogue = settings.brief_of(scene), state.catalogue_of(scene)
        self._stamps = state.stamps_of(scene)
        wanted = KEYS[: KEYS.index(self.section) + 1]
        already = {key: bench.kept(key, self._stamps[key]) for key in wanted}
        stands = {key: s.result(key).stamp == self._stamps[key] for key in wanted}

        done: dict = {"input": sculpt}
        made: list = []
        self._so_far = (done, made)

        def work(progress):
            for key in wanted:
                records = already[key]
                if records is None:
                    records = chain.run_section(key, done, brief, catalogue, progress)
                done.update(records)
                # what stands needs no showing again, unless it was asked for by name (its objects may be gone)
                if already[key] is None or not stands[key] or key == wanted[-1]:
                    made.append((key, records, display.shown_of(key, done, progress)))
            return done, made

        return work

    def salvage(self, context) -> bool:
        self._take(context, *self._so_far)
        return bool(self._so_far[1])

    def finish(self, context, result) -> None:
        self._take(context, *result)
        said = context.scene.mouldloft.result(self.section)
        self.report({"INFO"} if said.good else {"WARNING"}, said.line)

    def _take(self, context, done: dict, made: list) -> None:
        """Keep each section's records, say its line and show its shapes."""
        scene = context.scene
        for key, records, shown in made:
            bench.keep(key, self._stamps[key], records)
            kept = scene.mouldloft.result(key)
            kept.line, kept.good = lines.line_of(key, done), lines.is_good(key, done)
            kept.remarks = json.dumps([remark for remark in lines.remarks_of(key, done) if remark])
            kept.stamp = self._stamps[key]
            self._show(context, key, done, shown)

    def _show(self, context, key: str, done: dict, shown: display.Shown) -> None:
        scene = context.scene
        s = scene.mouldloft
        if key == "sculpt":
            results.place_beside(scene, s.sculpt, max(done["master"].size_mm[:2]))
            results.show_map(scene, done["master"], self._stamps[key])
        elif key == "opening":
            s.ways.clear()
            for number, found in enumerate(done["opening"].candidates, 1):
                way = s.ways.add()
                way.direction, way.reason = found.direction, found.reason
                way.text = lines.way_line(number, found)
        elif key == "keys":
            s.keys_check, s.keys_check_good = "", True
        results.show(scene, key, shown)
        if s.map_kind == "THICKNESS" and key in ("opening", "seam"):
            s.map_kind = "FREES"
        elif s.map_kind == "THICKNESS":
            s.map_text = results.thickness_legend()  # empty once the glove was laid anew
        if key in ("opening", "seam") or (key == "jacket" and s.map_kind == "PIECES"):
            thing = results.show_map(scene, done["master"], s.result("sculpt").stamp)
            results.colour_map(scene, thing, display.map_colours(skin_map(s, done), done))
        if key == "opening":
            results.show_only("map")
            show_colours(context, True)
        elif shown.shapes or shown.lines:
            show_colours(context, False)


class MOULDLOFT_OT_run(RunsSections, bpy.types.Operator):
    """Run this section, and those before it that are out of date. Escape stops it"""

    bl_idname = "mouldloft.run"
    bl_label = "Run"
    bl_options = UNDO

    section: EnumProperty(items=SECTION_ITEMS)

    @classmethod
    def description(cls, context, properties):
        return f"{BY_KEY[properties.section].verb}, after whatever before it is out of date. Escape stops it"


class MOULDLOFT_OT_stop(bpy.types.Operator):
    """Stop what is running; sections that are finished are kept"""

    bl_idname = "mouldloft.stop"
    bl_label = "Stop"

    @classmethod
    def poll(cls, context):
        return bench.job() is not None

    def execute(self, context):
        bench.job().stop()
        return {"FINISHED"}


class MOULDLOFT_OT_use_active(bpy.types.Operator):
    """Take the active object as the sculpt"""

    bl_idname = "mouldloft.use_active"
    bl_label = "Use the active object"
    bl_options = UNDO

    def execute(self, context):
        problem = reading.whose_mesh(context.active_object)
        if problem:
            self.report({"ERROR"}, problem)
            return {"CANCELLED"}
        context.scene.mouldloft.sculpt = context.active_object
        return {"FINISHED"}


class MOULDLOFT_OT_add_hare(bpy.types.Operator):
    """Add the demo: a seated hare, 1.4 m tall"""

    bl_idname = "mouldloft.add_hare"
    bl_label = "Add the seated hare"
    bl_options = UNDO

    def execute(self, context):
        import numpy as np

        with np.load(Path(__file__).parent / "hare.npz", allow_pickle=False) as kept:
            vertices, faces = kept["vertices_mm"].astype(np.float64), kept["faces"]
        scene = context.scene
        mesh = results.new_mesh("Seated hare", vertices * results.units_per_mm(scene), faces, True)
        hare = bpy.data.objects.new("Seated hare", mesh)
        hare.location.x = results.clear_of(scene, float(np.abs(vertices[:, 0]).max()) * results.units_per_mm(scene))
        context.collection.objects.link(hare)
        for thing in context.selected_objects:
            thing.select_set(False)
        hare.select_set(True)
        context.view_layer.objects.active = hare
        scene.mouldloft.sculpt = hare
        return {"FINISHED"}


class MOULDLOFT_OT_paint_keep_clear(bpy.types.Operator):
    """Paint where the seam should not go, as a vertex group of the sculpt"""

    bl_idname = "mouldloft.paint_keep_clear"
    bl_label = "Paint keep-clear"
    bl_options = UNDO

    def execute(self, context):
        s = context.scene.mouldloft
        thing = s.sculpt
        problem = reading.whose_mesh(thing)
        if problem or thing.type != "MESH":
            self.report({"ERROR"}, problem or f"{thing.name} instances a collection: paint on its parts instead.")
            return {"CANCELLED"}
        if thing.library or thing.data.library:
            self.report({"ERROR"}, f"{thing.name} is linked: make it local to paint on it.")
            return {"CANCELLED"}
        if thing.hide_get() or thing.name not in context.view_layer.objects:
            self.report({"ERROR"}, f"{thing.name} is hidden: show it to paint on it.")
            return {"CANCELLED"}
        group = thing.vertex_groups.get(s.keep_clear) or thing.vertex_groups.new(name="Keep clear")
        s.keep_clear = group.name
        thing.vertex_groups.active_index = group.index
        context.view_layer.objects.active = thing
        thing.select_set(True)
        if not bpy.app.background:
            bpy.ops.object.mode_set(mode="WEIGHT_PAINT")
        return {"FINISHED"}


# --- opening and map --------------------------------------------------------------------------------------


class MOULDLOFT_OT_preview_way(bpy.types.Operator):
    """Colour the copy at once by what a pull along this direction frees; nothing else is changed"""

    bl_idname = "mouldloft.preview_way"
    bl_label = "Show the map along it"
    bl_options = UNDO

    index: IntProperty(default=-1, description="Direction found, or -1 for my own")

    @classmethod
    def poll(cls, context):
        return bench.job() is None

    def execute(self, context):
        scene = context.scene
        s = scene.mouldloft
        try:
            done = state.done_now(scene)
            if "master" not in done:
                self.report({"ERROR"}, "Take the sculpt in first.")
                return {"CANCELLED"}
            way = s.ways[self.index].direction if 0 <= self.index < len(s.ways) else s.own_way
            if max(abs(v) for v in way) < 1e-6:
                self.report({"ERROR"}, "The direction is zero: set at least one of its numbers.")
                return {"CANCELLED"}
            from mouldloft.stages.undercut import undercut_field

            if s.map_kind != "FREES":
                s.map_kind = "FREES"
            field = undercut_field(done["master"], tuple(way), check=False, scene=self._rays(done["master"]))
            thing = results.show_map(scene, done["master"], s.result("sculpt").stamp)
            results.colour_map(scene, thing, display.map_colours("FREES", {"undercut": field}))
        except Exception as error:
            return say(self, error)
        results.show_only("map", "seam", "handling")
        show_colours(context, True)
        redraw(context)
        return {"FINISHED"}

    _scene_of: tuple | None = None

    @classmethod
    def _rays(cls, master):
        """The master's ray scene, built once: a new direction asks the same one."""
        from mouldloft.geometry.rays import ray_scene

        if cls._scene_of is None or cls._scene_of[0] is not master:
            cls._scene_of = (master, ray_scene(master.vertices_mm, master.faces))
        return cls._scene_of[1]


class MOULDLOFT_OT_take_way(bpy.types.Operator):
    """Open along the direction chosen in the list instead of the best one"""

    bl_idname = "mouldloft.take_way"
    bl_label = "Open along this one"
    bl_options = UNDO

    @classmethod
    def poll(cls, context):
        s = context.scene.mouldloft
        return bench.job() is None and 0 <= s.way_index < len(s.ways)

    def execute(self, context):
        s = context.scene.mouldloft
        s.way, s.own_way = "OWN", s.ways[s.way_index].direction
        return bpy.ops.mouldloft.preview_way(index=s.way_index)


class MOULDLOFT_OT_map_view(bpy.types.Operator):
    """Have this view show the map's colours, or the materials again"""

    bl_idname = "mouldloft.map_view"
    bl_label = "Colours in this view"

    @classmethod
    def poll(cls, context):
        return context.space_data is not None and context.space_data.type == "VIEW_3D"

    def execute(self, context):
        on = colours_shown(context)
        context.space_data.shading.type = "SOLID"
        show_colours(context, not on)
        return {"FINISHED"}


def colours_shown(context: bpy.types.Context) -> bool:
    """Whether this view shows the maps' colours."""
    shading = context.space_data.shading
    return shading.type == "SOLID" and shading.color_type == "VERTEX"


# --- seam -------------------------------------------------------------------------------------------------


class MOULDLOFT_OT_edit_seam(bpy.types.Operator):
    """Edit the seam's curve: drag its points, then press Use this line"""

    bl_idname = "mouldloft.edit_seam"
    bl_label = "Edit the line"
    bl_options = UNDO

    @classmethod
    def poll(cls, context):
        return bool(results.of_role("seam"))

    def execute(self, context):
        if context.mode != "OBJECT":
            bpy.ops.object.mode_set(mode="OBJECT")
        results.show_only("map", "seam", "handling")  # glove and jacket lie over the line
        show_colours(context, False)
        for thing in context.selected_objects:
            thing.select_set(False)
        things = [thing for thing in results.of_role("seam") if thing.name in context.view_layer.objects]
        if not things:
            self.report({"ERROR"}, "The seam's curve is not in this view layer: show its collection first.")
            return {"CANCELLED"}
        for thing in things:
            thing.hide_set(False)
            thing.select_set(True)
        context.view_layer.objects.active = things[0]
        bpy.ops.object.mode_set(mode="EDIT")
        return {"FINISHED"}


class MOULDLOFT_OT_use_seam(RunsSections, bpy.types.Operator):
    """Snap the edited curve to the sculpt and split the mould along it"""

    bl_idname = "mouldloft.use_seam"
    bl_label = "Use this line"
    bl_options = UNDO

    section = "seam"

    def prepare(self, context):
        if context.mode != "OBJECT":
            bpy.ops.object.mode_set(mode="OBJECT")
        drawn = results.seam_lines_mm(context.scene)
        if not drawn:
            raise reading.Unreadable("No seam curve with three points or more is there: draw the seam first.")
        context.scene.mouldloft.drawn_seam = json.dumps(drawn)
        context.scene.mouldloft.seam_kind = "free"
        return super().prepare(context)


class MOULDLOFT_OT_forget_seam(bpy.types.Operator):
    """Forget the line drawn by hand; the seam is placed by rule again"""

    bl_idname = "mouldloft.forget_seam"
    bl_label = "Forget my line"
    bl_options = UNDO

    @classmethod
    def poll(cls, context):
        return bool(context.scene.mouldloft.drawn_seam)

    def execute(self, context):
        context.scene.mouldloft.drawn_seam = ""
        return {"FINISHED"}


# --- glove ------------------------------------------------------------------------------------------------


class MOULDLOFT_OT_mark_handling(bpy.types.Operator):
    """Mark the 3D cursor's place on the map, seam or glove as one where the glove is handled: it is thicker there"""

    bl_idname = "mouldloft.mark_handling"
    bl_label = "Handled at the cursor"
    bl_options = UNDO

    @classmethod
    def poll(cls, context):
        if bench.job() is None and results.of_role("map"):
            return True
        cls.poll_message_set("Take the sculpt in first, then set the cursor on the copy beside it")
        return False

    def execute(self, context):
        scene = context.scene
        results.mark_handling(scene, scene.cursor.location, scene.mouldloft.handling_mm)
        return {"FINISHED"}


class MOULDLOFT_OT_measure_thickness(Working, bpy.types.Operator):
    """Measure the glove from its outside to the nearest skin, colour it, and mark where it is thinner than asked"""

    bl_idname = "mouldloft.measure_thickness"
    bl_label = "Measure the thickness"
    bl_options = UNDO

    def prepare(self, context):
        scene = context.scene
        done = state.done_now(scene)
        points = results.glove_points_mm(scene)
        if "bare_rubber" not in done or not points:
            raise reading.Unreadable("The glove is out of date: lay it first, then measure it.")
        brief = settings.brief_of(scene)
        return lambda progress: display.thickness_shown(done, brief, points, progress)

    def finish(self, context, result) -> None:
        results.show_thickness(context.scene, result)
        context.scene.mouldloft.map_kind = "THICKNESS"
        self.report({"WARNING"} if result.thin else {"INFO"}, result.legend["note"].capitalize())


# --- keys -------------------------------------------------------------------------------------------------


def keys_as_moved(scene: bpy.types.Scene, done: dict):
    """The keys as their objects stand now, feet on the glove's outside again: a list of the core's keys."""
    from dataclasses import replace

    import numpy as np
    from mouldloft.stages.keys.place import snap_to_outside

    models = {key.name: key for key in done["keys"].keys}
    things, moved = results.of_role("key"), []
    for envelope in done["bare_rubber"].envelopes:
        own = [thing for thing in things if thing[results.PIECE] == envelope.piece]
        if not own:
            continue
        at = np.array([results.plan_position(scene, thing) for thing in own])
        for thing, foot in zip(own, snap_to_outside(envelope, at)):
            # a copy of a key carries its name with a number behind the point
            name = thing.name.removeprefix("Key ").split(".")[0]
            model = models.get(name) or done["keys"].keys[0]
            moved.append(replace(model, piece=envelope.piece, foot_mm=tuple(float(v) for v in foot)))
    return moved


def check_moved_keys(scene: bpy.types.Scene) -> bool:
    """Re-check the keys as they stand and keep what the check says. False where there is nothing to check."""
    from mouldloft.stages.keys.place import recheck_keys, rubber_stuff

    done = state.done_now(scene)
    if "keys" not in done or not results.of_role("key"):
        return False
    moved = keys_as_moved(scene, done)
    brief = settings.brief_of(scene)
    stuff = rubber_stuff(state.catalogue_of(scene).rubber_for(brief.materials))
    checks = recheck_keys(moved, done["bare_rubber"], brief.keys, stuff)
    s = scene.mouldloft
    s.keys_check = lines.keys_line(checks, len(moved))
    s.keys_check_good = all(check.holds for check in checks)
    return True


class MOULDLOFT_OT_check_keys(bpy.types.Operator):
    """Check whether the glove is still held with the keys where they stand now"""

    bl_idname = "mouldloft.check_keys"
    bl_label = "Check as moved"
    bl_options = UNDO

    @classmethod
    def poll(cls, context):
        return bench.job() is None and bool(results.of_role("key"))

    def execute(self, context):
        try:
            if not check_moved_keys(context.scene):
                self.report({"ERROR"}, "The keys are out of date: set them again first.")
                return {"CANCELLED"}
        except Exception as error:
            return say(self, error)
        s = context.scene.mouldloft
        self.report({"INFO"} if s.keys_check_good else {"WARNING"}, s.keys_check)
        return {"FINISHED"}


class MOULDLOFT_OT_use_keys(RunsSections, bpy.types.Operator):
    """Plan on with the keys as they were moved, added or deleted"""

    bl_idname = "mouldloft.use_keys"
    bl_label = "Use these keys"
    bl_options = UNDO

    section = "keys"

    def prepare(self, context):
        scene = context.scene
        done = state.done_now(scene)
        if "keys" not in done:
            raise reading.Unreadable("The keys are out of date: set them again first.")
        names = {envelope.piece: envelope.name for envelope in done["bare_rubber"].envelopes}
        rows = [[names[key.piece], *(round(v, 2) for v in key.foot_mm)] for key in keys_as_moved(scene, done)]
        scene.mouldloft.moved_keys = json.dumps(rows)
        return super().prepare(context)


class MOULDLOFT_OT_forget_keys(bpy.types.Operator):
    """Forget the keys placed by hand; they are set by rule again"""

    bl_idname = "mouldloft.forget_keys"
    bl_label = "Forget my keys"
    bl_options = UNDO

    @classmethod
    def poll(cls, context):
        return bool(context.scene.mouldloft.moved_keys)

    def execute(self, context):
        context.scene.mouldloft.moved_keys = ""
        return {"FINISHED"}


# --- sheets -----------------------------------------------------------------------------------------------


class MOULDLOFT_OT_write_sheets(Working, bpy.types.Operator):
    """Write the client sheet, workshop sheets, order list and templates of the plan into the folder"""

    bl_idname = "mouldloft.write_sheets"
    bl_label = "Write the sheets"

    def prepare(self, context):
        scene = context.scene
        folder = scene.mouldloft.folder
        if folder.startswith("//") and not bpy.data.filepath:
            raise reading.Unreadable("Save the .blend first, or choose a folder that does not start with //.")
        plan = state.plan_now(scene)
        if plan is None:
            raise reading.Unreadable("A section is out of date: reckon the order first, then write the sheets.")
        target = bpy.path.abspath(folder)
        solids = tuple(sorted(scene.mouldloft.solids))

        def work(progress):
            from mouldloft.outputs.results import write_results

            return [(str(made.path), made.what) for made in write_results(plan, target, progress, solids=solids)]

        return work

    def finish(self, context, result) -> None:
        context.scene["mouldloft_sheets"] = json.dumps(result)
        self.report({"INFO"}, f"{len(result)} results stand in {bpy.path.abspath(context.scene.mouldloft.folder)}")


class MOULDLOFT_OT_open_file(bpy.types.Operator):
    """Open this file with the program that shows its kind"""

    bl_idname = "mouldloft.open_file"
    bl_label = "Open"

    path: StringProperty()
    what: StringProperty()

    @classmethod
    def description(cls, context, properties):
        return f"Open {Path(properties.path).name}: {properties.what}"

    def execute(self, context):
        if not Path(self.path).exists():
            self.report({"ERROR"}, f"{self.path} is not there any more: write the sheets again.")
            return {"CANCELLED"}
        return bpy.ops.wm.path_open(filepath=self.path)


class MOULDLOFT_OT_clear(bpy.types.Operator):
    """Take away all objects of the plan and what the sections said; the sculpt and the settings stay"""

    bl_idname = "mouldloft.clear"
    bl_label = "Clear the plan"
    bl_options = {"REGISTER", "UNDO"}

    all_settings: BoolProperty(name="Drawn seam and moved keys too", default=True)

    @classmethod
    def poll(cls, context):
        return bench.job() is None

    def execute(self, context):
        from . import studio

        s = context.scene.mouldloft
        studio.remove_stills()
        results.remove(*results.COLLECTIONS)
        root = bpy.data.objects.get(results.ROOT)
        if root:
            bpy.data.objects.remove(root)
        for name in (*results.COLLECTIONS.values(), results.COLLECTION):
            collection = bpy.data.collections.get(name)
            if collection:
                bpy.data.collections.remove(collection)
        s.results.clear()
        s.ways.clear()
        s.map_text = s.keys_check = ""
        if self.all_settings:
            s.drawn_seam = s.moved_keys = ""
        for name in (keeping.STORE, keeping.LENGTH, "mouldloft_sheets"):
            if name in context.scene:
                del context.scene[name]
        return {"FINISHED"}


_CLASSES = (
    MOULDLOFT_OT_run,
    MOULDLOFT_OT_stop,
    MOULDLOFT_OT_use_active,
    MOULDLOFT_OT_add_hare,
    MOULDLOFT_OT_paint_keep_clear,
    MOULDLOFT_OT_preview_way,
    MOULDLOFT_OT_take_way,
    MOULDLOFT_OT_map_view,
    MOULDLOFT_OT_edit_seam,
    MOULDLOFT_OT_use_seam,
    MOULDLOFT_OT_forget_seam,
    MOULDLOFT_OT_mark_handling,
    MOULDLOFT_OT_measure_thickness,
    MOULDLOFT_OT_check_keys,
    MOULDLOFT_OT_use_keys,
    MOULDLOFT_OT_forget_keys,
    MOULDLOFT_OT_write_sheets,
    MOULDLOFT_OT_open_file,
    MOULDLOFT_OT_clear,
)


def register():
    from . import studio

    for cls in _CLASSES:
        bpy.utils.register_class(cls)
    studio.register()


def unregister():
    from . import studio

    job = bench.job()
    if job is not None:
        job.stop(10.0)
    studio.unregister()
    for cls in reversed(_CLASSES):
        bpy.utils.unregister_class(cls)
    keeping.new_file()
    bench.clear()
