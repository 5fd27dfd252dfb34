"""What happens by itself: a saved file takes the plan along, a moved key is checked, a changed sculpt is told."""

from __future__ import annotations

import bpy
from bpy.app.handlers import persistent

from ..scene import keeping, results, state, views
from ..work import jobs
from .operators.keys import check_moved_keys

CHECK_AFTER_S = 0.3  # a dragged key is checked once it rests this long


@persistent
def _before_save(*_):
    for scene in bpy.data.scenes:
        if scene.mouldloft.results:
            state.put_away(scene)


@persistent
def _before_load(*_):
    job = jobs.job()
    if job is not None:
        job.stop(10.0)
    jobs.clear()


@persistent
def _after_load(*_):
    keeping.new_file()


_undoing = False


@persistent
def _before_undo(*_):
    global _undoing
    _undoing = True


@persistent
def _after_undo(*_):
    """Undo tags everything as updated. What it brought back includes whether the sculpt had changed, so let that be."""
    global _undoing
    bpy.context.view_layer.update()
    _undoing = False


@persistent
def _after_change(scene, depsgraph):
    if jobs.job() is not None or _undoing:
        return
    settings = getattr(scene, "mouldloft", None)
    if settings is None or not settings.results:
        return
    moved = changed = False
    for update in depsgraph.updates:
        thing = update.id
        if not isinstance(thing, bpy.types.Object):
            continue
        thing = thing.original
        if thing.get(results.ROLE) == "key":
            moved = moved or update.is_updated_transform
        elif thing == settings.sculpt and (update.is_updated_geometry or update.is_updated_transform):
            changed = True
    if changed and not settings.touched:
        settings.touched = True
    if moved and not bpy.app.background:
        if bpy.app.timers.is_registered(_check_keys):
            bpy.app.timers.unregister(_check_keys)
        bpy.app.timers.register(_check_keys, first_interval=CHECK_AFTER_S)


def _check_keys():
    from mouldloft.base.errors import MouldloftError

    scene = bpy.context.scene
    if jobs.job() is not None:
        return CHECK_AFTER_S
    try:
        done = state.done_now(scene)
        if "keys" in done and _differ(scene, done):
            check_moved_keys(scene)
        elif scene.mouldloft.keys_check:
            scene.mouldloft.keys_check = ""
    except (MouldloftError, KeyError, ValueError) as error:
        scene.mouldloft.keys_check, scene.mouldloft.keys_check_good = str(error), False
    views.redraw(bpy.context)
    return None


def _differ(scene, done) -> bool:
    """Whether any key stands elsewhere than the plan has it."""
    planned = sorted(tuple(round(v, 1) for v in key.foot_mm) for key in done["keys"].keys)
    stand = sorted(tuple(round(v, 1) for v in results.plan_position(scene, thing)) for thing in results.of_role("key"))
    return planned != stand


_HANDLERS = (
    ("save_pre", _before_save),
    ("load_pre", _before_load),
    ("load_post", _after_load),
    ("undo_pre", _before_undo),
    ("redo_pre", _before_undo),
    ("undo_post", _after_undo),
    ("redo_post", _after_undo),
    ("depsgraph_update_post", _after_change),
)


def register():
    for name, handler in _HANDLERS:
        getattr(bpy.app.handlers, name).append(handler)


def unregister():
    for name, handler in _HANDLERS:
        getattr(bpy.app.handlers, name).remove(handler)
    if bpy.app.timers.is_registered(_check_keys):
        bpy.app.timers.unregister(_check_keys)
