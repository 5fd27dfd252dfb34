"""What happens around a run: edits taken over, the master shown, directions listed, a plan forgotten."""

from __future__ import annotations

import json

import bpy

from ...scene import drawnline, keeping, properties, reading, results, state, views
from ...scene.roles import COLLECTIONS, PIECE
from ...work import lines
from ...work.sections import needed_for
from . import pictures
from .common import Reports


def keys_as_moved(scene: bpy.types.Scene, done: dict):
    """The keys as they stand now, feet on the glove's outside again: a list of the core's keys. Wedges stand where
    the wall has them, wherever their objects are."""
    from dataclasses import replace

    import numpy as np
    from mouldloft.stages.keys import snap_to_outside

    models = {key.name: key for key in done["keys"].keys}
    moved = []
    for envelope in done["bare_rubber"].envelopes:
        moved += [key for key in models.values() if key.piece == envelope.piece and key.is_wedge]
        own = [thing for thing in results.tabs_of(scene, done["keys"]) if thing[PIECE] == envelope.piece]
        if not own:
            continue
        at = np.array([results.plan_position(scene, thing) for thing in own])
        for thing, foot in zip(own, snap_to_outside(envelope, at)):
            model = models.get(results.key_name(thing)) or next(iter(models.values()))
            name, place = thing.name.removeprefix("Key "), tuple(float(v) for v in foot)
            moved.append(replace(model, name=name, piece=envelope.piece, foot_mm=place, out=None, length_mm=0.0))
    return moved


def settle_keys(scene: bpy.types.Scene, done: dict, keys: list) -> None:
    """Stand the keys' objects where they count: tabs on the glove's outside, wedges where the wall has them."""
    home = {key.name: key for key in done["keys"].keys}
    feet = {key.name: key.foot_mm for key in keys if not key.is_wedge}
    tabs = set(results.tabs_of(scene, done["keys"]))
    for thing in results.of_role(scene, "key"):
        if thing in tabs:
            results.stand_at(scene, thing, feet[thing.name.removeprefix("Key ")])
        else:
            results.stand_at(scene, thing, home[results.key_name(thing)].foot_mm)


def take_seam(scene: bpy.types.Scene) -> None:
    """Plan on with the seam's curves as they were dragged, or with the very line that was shaped. Raises `Unreadable`
    where none is left."""
    drawn = results.seam_lines_mm(scene)
    if not drawn:
        raise reading.Unreadable("No seam curve with three points or more is there: draw the seam first.")
    s = properties.of(scene)
    s.drawn_seam = json.dumps(drawn)
    if not drawnline.is_as_left(scene):
        drawnline.forget(scene, lines=False)
    if s.seam_kind == "plane":
        s.seam_kind = "cheapest"
    results.remember(scene, "seam")


def take_keys(scene: bpy.types.Scene) -> None:
    """Plan on with the tabs as they were moved, added or deleted. Raises `Unreadable` where they are out of date, or
    two stand on one spot."""
    from mouldloft.stages.keys import keys_on_one_spot

    done = state.done_now(scene)
    if "keys" not in done:
        raise reading.Unreadable("The keys are out of date: set them again first.")
    names = {envelope.piece: envelope.name for envelope in done["bare_rubber"].envelopes}
    moved = [key for key in keys_as_moved(scene, done) if not key.is_wedge]
    clash = keys_on_one_spot(moved)
    if clash:
        raise reading.Unreadable(" ".join(clash))
    if not moved:
        raise reading.Unreadable("No key is left: forget your keys, or leave at least one.", "mouldloft.forget_keys")
    rows = [[names[key.piece], *(round(v, 2) for v in key.foot_mm)] for key in moved]
    properties.of(scene).moved_keys = json.dumps(rows)
    results.remember(scene, "keys")


def take_edits(operator: Reports, context: bpy.types.Context, section: str) -> None:
    """Take over a dragged seam and moved keys before what follows from them, and say so."""
    scene, needed = context.scene, needed_for(section)
    if "seam" in needed and results.is_edited(scene, "seam"):
        if context.mode != "OBJECT":
            bpy.ops.object.mode_set(mode="OBJECT")
        take_seam(scene)
        operator.report({"INFO"}, "The seam is used as you dragged it")
    if "keys" in needed and results.is_edited(scene, "keys"):
        if "keys" in state.done_now(scene):
            take_keys(scene)
            operator.report({"INFO"}, "The keys are used as you moved them")
        else:
            operator.report({"WARNING"}, "The glove has changed: the keys are set anew, not where you moved them")


def show_master(context: bpy.types.Context, master, stamp: str) -> None:
    """The sculpt was taken in: its copy takes its place, and colours of an earlier one go."""
    scene = context.scene
    s = properties.of(scene)
    s.taken = s.sculpt
    before = next(iter(results.of_role(scene, "map")), None)
    thing = results.show_map(scene, master, stamp)
    if (before is None or thing != before) and not views.colour_again(scene):
        s.map_text = ""
    results.place_for(scene, master)
    for key in ("opening", "seam", "glove"):
        if s.results.get(key) is not None and s.results[key].stamp:
            return  # a plan of an earlier state stands there: leave what is shown
    views.frame(context, "map")


def list_candidates(s, seam, currency: str) -> None:
    """The seams side by side, as the panel lists them."""
    s.candidates.clear()
    for found in seam.candidates:
        row = s.candidates.add()
        row.kind, row.chosen, row.kept = found.kind, found.chosen, found.limits.kept
        row.text = lines.candidate_line(found, currency)
        row.reason = " ".join(dict.fromkeys((found.reason, *found.limits.broken)))


def list_ways(s, opening) -> None:
    """The ranked directions, as the panel lists them; one set by hand leaves those that were found before."""
    if opening.chosen.origin == "brief" and len(s.ways):
        return
    s.ways.clear()
    for number, found in enumerate(opening.candidates, 1):
        way = s.ways.add()
        way.direction, way.reason = found.direction, found.reason
        way.text = lines.way_line(number, found)


def forget_plan(context: bpy.types.Context, everything: bool) -> None:
    """Take away the scene's results and what the sections said; with `everything`, drawn seam and moved keys too."""
    scene = context.scene
    s = properties.of(scene)
    pictures.remove_stills(scene)
    results.set_seen(scene, False, "map")  # which shows the sculpt again
    results.remove(scene, *COLLECTIONS)
    if s.root is not None:
        bpy.data.objects.remove(s.root)
    if s.collection is not None:
        for inner in list(s.collection.children):
            bpy.data.collections.remove(inner)
        bpy.data.collections.remove(s.collection)
    s.results.clear()
    s.ways.clear()
    s.candidates.clear()
    s.log_text = s.map_text = s.keys_check = s.seam_shown = s.keys_shown = s.sheets = s.token = ""
    s.touched, s.taken = False, None
    if everything:
        drawnline.forget(scene)
        s.moved_keys = ""
    keeping.drop(scene)
