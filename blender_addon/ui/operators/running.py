"""Long work: it runs in a thread while a modal operator watches it; Escape stops it."""

from __future__ import annotations

import json

import bpy
from bpy.props import EnumProperty

from ...scene import keeping, reading, results, settings, state, views
from ...work import display, jobs, lines, records, sections
from ...work.sections import BY_KEY, KEYS, SECTIONS

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
    _job: jobs.Job | None = None

    @classmethod
    def poll(cls, context):
        if jobs.job() is not None:
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
            self._job = jobs.Job(self.prepare(context))
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
                jobs.clear()
                views.redraw(context)
                return self._end(context)
            job = self._job
            how = "" if job.stopping else f", {job.fraction:.0%}.  Esc stops it."
            context.workspace.status_text_set(f"Mouldloft: {job.words}{how}")
            views.redraw(context)
        return {"PASS_THROUGH"}

    def cancel(self, context):
        if self._job is not None:
            self._job.stop(10.0)
        jobs.clear()

    def _end(self, context) -> set[str]:
        job, self._job = self._job, None
        if job.error is not None:
            kept = self.salvage(context)
            views.redraw(context)
            refused = say(self, job.error)
            return {"FINISHED"} if kept else refused  # what was kept can be undone
        try:
            self.finish(context, job.result)
        except Exception as error:
            return say(self, error)
        views.redraw(context)
        return {"FINISHED"}


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
        if s.touched or not s.token or records.kept("sculpt", state.stamps_of(scene)["sculpt"]) is None:
            sculpt, remarks = reading.read_sculpt(context, s.sculpt, s.keep_clear)
            for remark in remarks:
                self.report({"WARNING"}, remark)
            s.token, s.touched = sculpt.token(), False
        brief, catalogue = settings.brief_of(scene), state.catalogue_of(scene)
        self._stamps = state.stamps_of(scene)
        wanted = KEYS[: KEYS.index(self.section) + 1]
        already = {key: records.kept(key, self._stamps[key]) for key in wanted}
        stands = {key: s.result(key).stamp == self._stamps[key] for key in wanted}

        done: dict = {"input": sculpt}
        made: list = []
        self._so_far = (done, made)

        def work(progress):
            for key in wanted:
                part = already[key]
                if part is None:
                    part = sections.run_section(key, done, brief, catalogue, progress)
                done.update(part)
                # what stands needs no showing again, unless it was asked for by name (its objects may be gone)
                if already[key] is None or not stands[key] or key == wanted[-1]:
                    made.append((key, part, display.shown_of(key, done, progress)))
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
        for key, made_now, shown in made:
            records.keep(key, self._stamps[key], made_now)
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
            results.colour_map(scene, thing, display.map_colours(views.skin_map(s, done), done))
        if key == "opening":
            results.show_only("map")
            views.show_colours(context, True)
        elif shown.shapes or shown.lines:
            views.show_colours(context, False)


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
        return jobs.job() is not None

    def execute(self, context):
        jobs.job().stop()
        return {"FINISHED"}


_CLASSES = (MOULDLOFT_OT_run, MOULDLOFT_OT_stop)


register, unregister = bpy.utils.register_classes_factory(_CLASSES)
