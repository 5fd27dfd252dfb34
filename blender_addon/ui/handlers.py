"""What happens by itself: a saved file takes the plan along, a moved key is checked, a changed sculpt is told."""

from __future__ import annotations

import bpy
from bpy.app.handlers import persistent

from ..scene import keeping, properties, reading, results, state, views
from ..scene.roles import ROLE, is_ours
from ..work import jobs, quick
from .operators.keys import check_moved_keys
from .operators.taking import keys_as_moved, settle_keys

REST_S = 0.4  # what is dragged or sculpted is looked at once it rests this long


@persistent
def _before_save(*_):
    for scene in bpy.data.scenes:
        if properties.of(scene).results:
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
    quick.forget()


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
    if reading.is_reading or _undoing:
        return
    s = getattr(scene, "mouldloft", None)
    if s is None or not s.results:
        return
    moved = changed = False
    for update in depsgraph.updates:
        thing = update.id
        if isinstance(thing, (bpy.types.Scene, bpy.types.Collection)):
            moved = moved or _keys_gone(scene, s)
        if not isinstance(thing, bpy.types.Object):
            continue
        thing = thing.original
        if thing.get(ROLE) == "key":
            moved = moved or update.is_updated_transform
        elif not is_ours(thing) and (update.is_updated_geometry or update.is_updated_transform):
            changed = changed or _belongs(s, thing)
    if changed:
        _soon(_look_at_sculpt)
    if moved and jobs.job() is None:
        _soon(_check_keys)


def _keys_gone(scene, s) -> bool:
    """Whether there are other keys than were set: some were deleted, or copied."""
    kept = s.results.get("keys")
    return kept is not None and bool(kept.stamp) and results.count_of(scene, "keys") != kept.objects


def _belongs(s, thing) -> bool:
    """Whether an object may be of the sculpt: the sculpt itself, a chosen part, one of a chosen collection, a child."""
    parts = {s.sculpt, *(part.thing for part in s.parts)}
    if thing in parts or (s.group is not None and thing.name in s.group.all_objects):
        return True
    parent = thing.parent
    while parent is not None:
        if parent in parts:
            return True
        parent = parent.parent
    return False


def _soon(function) -> None:
    """Call it once things have rested; scripts and tests call `state.settle` themselves."""
    if bpy.app.background:
        return
    if bpy.app.timers.is_registered(function):
        bpy.app.timers.unregister(function)
    bpy.app.timers.register(function, first_interval=REST_S)


def _look_at_sculpt():
    """Whether the sculpt is another than was taken in. Entering a mode, shading or a material leave it the same."""
    context = bpy.context
    if jobs.job() is not None:
        return REST_S
    if context.mode in ("SCULPT", "EDIT_MESH"):
        return None  # leaving the mode tells of it again
    s = properties.of(context.scene)
    before = s.touched
    state.settle(context)
    if s.touched != before:
        views.redraw(context, "UI")
    return None


def _check_keys():
    from mouldloft.base.errors import MouldloftError

    scene = bpy.context.scene
    if jobs.job() is not None:
        return REST_S
    try:
        done = state.done_now(scene, "keys")
        if "keys" in done and results.is_edited(scene, "keys"):
            moved = keys_as_moved(scene, done)
            settle_keys(scene, done, moved)
            check_moved_keys(scene, done, moved)
        elif properties.of(scene).keys_check:
            properties.of(scene).keys_check = ""
    except (MouldloftError, KeyError, ValueError) as error:
        properties.of(scene).keys_check, properties.of(scene).keys_check_good = str(error), False
    views.redraw(bpy.context, "UI")
    return None


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
    for function in (_check_keys, _look_at_sculpt):
        if bpy.app.timers.is_registered(function):
            bpy.app.timers.unregister(function)
