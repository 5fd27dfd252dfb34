# ruff: noqa: RUF012 - Blender reads these plain class attributes
"""Long work: it runs in a thread while a modal operator watches it; Escape stops it."""

from __future__ import annotations

import json
from dataclasses import replace

import bpy
from bpy.props import EnumProperty

from ...registering import registering
from ...scene import keeping, properties, reading, results, settings, state, views
from ...work import display, jobs, lines, records, sections
from ...work.sections import BY_KEY, KEYS, PLAN_KEYS, SECTIONS
from . import taking
from .common import UNDO, Idle, say, unforeseen

SECTION_ITEMS = tuple((section.key, section.verb, section.title) for section in SECTIONS)


class Working(Idle):
    """An operator whose `prepare` gives work for a thread, and whose `finish` takes its result."""

    _timer = None
    _job: jobs.Job

    def prepare(self, context):
        """Read what the work needs on the main thread; return work(progress)."""
        raise NotImplementedError

    def finish(self, context, result) -> None:
        """Put the work's result on screen, on the main thread."""
        raise NotImplementedError

    def salvage(self, context, error: BaseException) -> bool:
        """Keep what was finished before the work was stopped or refused; whether there was any."""
        return False

    def _begin(self, context) -> bool:
        try:
            self._job = jobs.Job(self.prepare(context))
        except Exception as error:
            self.salvage(context, error)
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
            views.redraw(context, "UI")  # the sidebar alone: the model need not be drawn anew for a bar
        return {"PASS_THROUGH"}

    def cancel(self, context):
        if jobs.job() is not None:
            self._job.stop(10.0)
        jobs.clear()

    def _end(self, context) -> set[str]:
        job = self._job
        if job.error is not None:
            kept = self.salvage(context, job.error)
            views.redraw(context)
            refused = say(self, job.error)
            return {"FINISHED"} if kept else refused  # what was kept can be undone
        try:
            self.finish(context, job.result)
        except Exception as error:
            return say(self, error)
        views.redraw(context)
        return {"FINISHED"}


# --- the sections -----------------------------------------------------------------------------------------


class RunsSections(Working):
    """Runs `section` and whatever before it is out of date, and shows what they made."""

    section = ""
    _stamps: dict[str, str]
    _so_far: tuple[dict, list] = ({}, [])
    _at = ""  # the section that runs

    def prepare(self, context):
        scene = context.scene
        self._at, self._so_far = self.section, ({}, [])
        keeping.reopen(scene)
        sculpt = self._read(context)
        self._at = self.section
        taking.take_edits(self, context, self.section)
        brief, catalogue = settings.brief_of(scene), state.catalogue_of(scene)
        taken = state.taken_of(scene)
        wanted = sections.needed_for(self.section)
        stood = {key: self._stood(scene, key) for key in wanted}
        done: dict = {"input": sculpt}
        made: list = []
        self._so_far = (done, made)

        def work(progress):
            nonlocal taken
            self._stamps = sections.stamps(brief, taken, catalogue)
            for key in wanted:
                self._at = key
                part = already = records.kept(key, self._stamps[key])
                if part is None:
                    if key == "opening":
                        done["ranked"] = sections.ranking_of(brief, taken, catalogue)
                    part = sections.run_section(key, done, brief, catalogue, progress)
                if key == "opening":
                    sections.keep_ranking(brief, taken, catalogue, part["opening"].directions)
                done.update(part)
                # what stands needs no showing again, unless it was asked for by name or its objects are gone
                if already is None or stood[key] != self._stamps[key] or key == wanted[-1]:
                    made.append((key, part, display.shown_of(key, done, progress)))
                if key == "sculpt":  # what follows is stamped by its height too
                    taken = replace(taken, height_mm=part["master"].height_mm)
                    self._stamps = sections.stamps(brief, taken, catalogue)
            return done, made

        return work

    def _read(self, context):
        """The sculpt as it stands, where it is another than was taken in or its records are gone; else None."""
        s = properties.of(context.scene)
        self._at = "sculpt"
        sculpt, remarks = reading.read_sculpt(context)
        if sculpt.digest == s.token and records.kept("sculpt", state.stamps_of(context.scene)["sculpt"]) is not None:
            s.touched = False
            return None
        for remark in remarks:
            self.report({"WARNING"}, remark)
        if s.taken is not None and s.taken != s.sculpt:
            taking.forget_plan(context, everything=True)
        if s.token != sculpt.digest:
            s.ways.clear()  # they were of another surface
        s.token, s.touched = sculpt.digest, False
        return sculpt

    def _stood(self, scene, key: str) -> str:
        """The stamp of what a section shows; empty where some of its objects are gone."""
        result = properties.of(scene).result(key)
        whole = results.count_of(scene, key) >= result.objects
        return result.stamp if whole and (key != "sculpt" or results.of_role(scene, "map")) else ""

    def salvage(self, context, error) -> bool:
        from mouldloft.base.errors import Cancelled

        kept = bool(self._so_far[1]) and not reading.is_gone(context.scene)
        if kept:
            self._take(context, *self._so_far)
        if not isinstance(error, Cancelled):
            at = self._at or self.section
            refused = properties.of(context.scene).result(at)
            refused.refusal, refused.cure = unforeseen(error), getattr(error, "cure", "")
            setattr(properties.of(context.scene), f"open_{at}", True)
        return kept

    def finish(self, context, result) -> None:
        s = properties.of(context.scene)
        gone = reading.is_gone(context.scene)
        if gone:  # nothing is shown of a sculpt that is not there
            state.settle(context)
            kept = s.result("sculpt")
            kept.refusal, kept.cure, s.open_sculpt = gone, "mouldloft.use_selection", True
            raise reading.Unreadable(gone)
        self._take(context, *result)
        if not state.settle(context):
            self.report({"WARNING"}, "The sculpt changed meanwhile: this is of the sculpt as it was. Run it again.")
            return
        wanted = sections.needed_for(self.section)
        bad = [key for key in wanted if not s.result(key).good]
        if bad and self.section != bad[-1]:
            others = f" ({len(bad) - 1} more above)" if len(bad) > 1 else ""
            self.report({"WARNING"}, f"{BY_KEY[bad[-1]].title}: {s.result(bad[-1]).line}{others}")
        else:
            said = s.result(self.section)
            self.report({"INFO"} if said.good else {"WARNING"}, said.line)
        self._open_next(context)

    def _open_next(self, context) -> None:
        """The next section that does not stand opens, those that do close; where all stand, the seam opens."""
        s = properties.of(context.scene)
        standing = state.standings(context.scene)[0]
        following = next((key for key in PLAN_KEYS if standing[key].kind != "fresh"), None)
        for key in KEYS:
            setattr(s, f"open_{key}", key in (following or "seam", self.section))

    def _take(self, context, done: dict, made: list) -> None:
        """Keep each section's records, say its line and show its shapes."""
        scene = context.scene
        units = lines.Units(scene.unit_settings.system == "IMPERIAL")
        if "master" in done:
            properties.of(scene).taken_height_mm = done["master"].height_mm
        for key, part, shown in made:
            records.keep(key, self._stamps[key], part)
            kept = properties.of(scene).result(key)
            kept.line, kept.good = lines.line_of(key, done, units), lines.is_good(key, done)
            kept.remarks = json.dumps(lines.remarks_of(key, done))
            kept.stamp, kept.refusal, kept.cure = self._stamps[key], "", ""
            self._show(context, key, done, shown)
            kept.objects = results.count_of(scene, key)

    def _show(self, context, key: str, done: dict, shown: display.Shown) -> None:
        scene = context.scene
        s = properties.of(scene)
        if key == "sculpt":
            taking.show_master(context, done["master"], self._stamps[key])
        elif key == "opening":
            taking.list_ways(s, done["opening"])
        elif key == "seam":
            taking.list_candidates(s, done["seam"], state.catalogue_of(scene).currency)
        elif key == "keys":
            s.keys_check, s.keys_check_good = "", True
        results.show(scene, key, shown)
        if s.map_kind in properties.OWN_OBJECTS and key in ("opening", "seam"):
            s.map_kind = "FREES"
        elif s.map_kind == "THICKNESS":
            s.map_text = results.legend_on(scene, "glove")  # empty once the glove was laid anew
        if key in ("opening", "seam"):
            thing = results.show_map(scene, done["master"], s.result("sculpt").stamp)
            results.colour_map(scene, thing, display.map_colours(views.skin_map(s, done), done))
        if key == "opening":
            results.show_only(scene, "map")
            views.show_colours(context, True)
        elif shown.shapes or shown.lines:
            views.show_colours(context, False)


class MOULDLOFT_OT_run(RunsSections, bpy.types.Operator):
    """Run this section, and those before it that are out of date. Escape stops it"""

    bl_idname = "mouldloft.run"
    bl_label = "Run a Section"
    bl_options = {"UNDO", "INTERNAL"}

    section: EnumProperty(items=SECTION_ITEMS, name="Section", description="The section to run")

    @classmethod
    def description(cls, context, properties):
        return f"{BY_KEY[properties.section].verb}, after whatever before it is out of date. Escape stops it"


class MOULDLOFT_OT_plan_all(RunsSections, bpy.types.Operator):
    """Plan the whole mould: opening, seam, glove, keys, jacket, casts, order and days. Escape stops it"""

    bl_idname = "mouldloft.plan_all"
    bl_label = "Plan the Whole Mould"
    bl_options = UNDO

    section = "order"


class MOULDLOFT_OT_find_opening(RunsSections, bpy.types.Operator):
    """Try hundreds of directions and rank those that lock least. Escape stops it"""

    bl_idname = "mouldloft.find_opening"
    bl_label = "Find the Best Opening"
    bl_options = UNDO

    section = "opening"

    def prepare(self, context):
        properties.of(context.scene).way = "SEARCH"
        return super().prepare(context)


class MOULDLOFT_OT_stop(bpy.types.Operator):
    """Stop what is running. Sections that are finished are kept"""

    bl_idname = "mouldloft.stop"
    bl_label = "Stop Planning"

    @classmethod
    def poll(cls, context):
        if jobs.job() is None:
            cls.poll_message_set("Nothing is running")
            return False
        return True

    def execute(self, context):
        job = jobs.job()
        if job is not None:
            job.stop()
        return {"FINISHED"}


_CLASSES = (MOULDLOFT_OT_run, MOULDLOFT_OT_plan_all, MOULDLOFT_OT_find_opening, MOULDLOFT_OT_stop)


register, unregister = registering(_CLASSES)
