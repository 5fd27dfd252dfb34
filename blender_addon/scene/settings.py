"""The core's brief, made from what the user set in the scene."""

from __future__ import annotations

import json
from typing import Any

import bpy

from . import drawnline, properties, results, signing


def _plain(value):
    """The same nested value with floats as they were typed: Blender keeps them in single precision."""
    if isinstance(value, dict):
        return {key: _plain(inner) for key, inner in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(inner) for inner in value]
    return float(f"{value:.6g}") if isinstance(value, float) else value


def brief_of(scene: bpy.types.Scene):
    """The core's `Brief` from the scene's settings. Raises `BriefRefused` where they make none."""
    from mouldloft.inputs.brief import brief_from_dict

    s = properties.of(scene)
    signed_by, signed_on = signing.signature_now(scene)
    given: dict[str, Any] = {
        "piece": s.piece or (s.sculpt.name if s.sculpt is not None else ""),
        "job": {
            "studio": properties.preference("studio"),
            "number": s.job,
            "revision": s.revision,
            "signed_by": signed_by,
            "signed_on": signed_on,
            "logo": bpy.path.abspath(properties.preference("logo")),
        },
        "master": {
            "unit": "mm",
            "up": s.up,
            "front": s.front,
            "base": s.base,
            "detail_allowance": s.detail,
        },
        "opening": {"directions": s.directions},
        "seam": {"kind": s.seam_kind, "smooth_mm": s.smooth_mm, "seen_from": s.seen_from, "max_pieces": s.max_pieces},
        "rubber": {"draft_deg": s.draft_deg},
        "keys": {
            "edge_spacing_mm": s.edge_spacing_mm,
            "middle_spacing_mm": s.middle_spacing_mm,
            "height_mm": s.key_height_mm,
            "base_diameter_mm": s.key_width_mm,
        },
        "jacket": {"mat_oz": s.mat_oz, "edge_extra_oz": s.edge_extra_oz, "lifters": s.lifters},
        "cradle": {"made": s.cradle, "board_thickness_mm": s.board_mm},
        "cast": {"mat_oz": s.cast_mat_oz, "push_n": s.push_n, "basic_wind_m_s": s.wind_m_s},
        "run": {"casts": s.casts, "hands": s.hands, "workshop_temperature_c": s.temperature_c},
    }
    if s.set_height:
        given["master"]["finished_height_mm"] = s.finished_height_mm
    if s.way == "OWN":
        given["opening"]["direction"] = list(s.own_way)
    if s.seam_kind == "plane" and s.set_offset:
        given["seam"]["plane_offset_mm"] = s.plane_offset_mm
    if s.drawn_seam and s.seam_kind != "plane":
        given["seam"]["own_line"] = drawnline.file_of(scene)
    if s.set_skin:
        given["rubber"].update(skin_thickness_mm=s.skin_mm, edge_thickness_mm=s.edge_mm)
    handled = results.handling_points_mm(scene)
    if handled:
        given["rubber"].update(handling_points_mm=handled, handling_radius_mm=s.handling_mm)
    if s.set_flange:
        given["rubber"]["flange_width_mm"] = s.flange_mm
    if s.set_pixel:
        given["rubber"]["pixel_mm"] = s.pixel_mm
    if s.moved_keys:
        given["keys"]["own_keys"] = json.loads(s.moved_keys)
    if s.start_date.strip():
        given["run"]["start_date"] = s.start_date.strip()
    return brief_from_dict(_plain(given))
