"""What the user sets, kept in the scene, and the core's brief made from it."""

from __future__ import annotations

import json
from pathlib import Path

import bpy
from bpy.props import (
    BoolProperty,
    CollectionProperty,
    EnumProperty,
    FloatProperty,
    FloatVectorProperty,
    IntProperty,
    PointerProperty,
    StringProperty,
)

from . import reading, results

ADDON = __package__.rpartition(".")[0]  # the extension itself
AXES = (
    ("+x", "+X", "The sculpt's own +X"),
    ("-x", "-X", "The sculpt's own -X"),
    ("+y", "+Y", "The sculpt's own +Y"),
    ("-y", "-Y", "The sculpt's own -Y"),
    ("+z", "+Z", "The sculpt's own +Z"),
    ("-z", "-Z", "The sculpt's own -Z"),
)
MAPS = (
    ("PIECES", "Which piece takes it", "The pieces of the seam, or those proposed where two are not enough"),
    ("FREES", "Which pull frees it", "Free along the pull, free the other way, or locked for both"),
    ("DEPTH", "Depth of the lock", "How far the surface reaches behind itself, across the pull"),
    ("STRETCH", "Stretch of the rubber", "What the glove is asked to stretch to pass"),
    ("FILL", "Fill behind the glove", "Height of the rubber that fills the lock so that the jacket comes off"),
    ("THICKNESS", "Glove's thickness", "From the glove's outside to the nearest skin, once it was measured"),
)


on_map_change: list = []  # what colours the views, which stands on these settings


def _map_changed(self, context):
    for show in on_map_change:
        show(context)


def _apart_changed(self, context):
    results.set_apart(context.scene, self.apart)


def _sculpt_changed(self, context):
    self.touched = True


class SectionResult(bpy.types.PropertyGroup):
    """What a section said when it last ran, and the stamp of what it followed from."""

    line: StringProperty()
    remarks: StringProperty()  # JSON list of sentences
    open: BoolProperty(name="Remarks", description="Show what else this section has to say")
    stamp: StringProperty()
    good: BoolProperty(default=True)


class WayFound(bpy.types.PropertyGroup):
    """A direction the search found, as listed."""

    direction: FloatVectorProperty(size=3)
    text: StringProperty()
    reason: StringProperty()


class MouldloftSettings(bpy.types.PropertyGroup):
    """All settings of one scene. Lengths named mm are millimetres; `finished_height` follows the scene's units."""

    sculpt: PointerProperty(
        name="Sculpt", type=bpy.types.Object, update=_sculpt_changed,
        description="The mesh, or the empty that instances a collection, to plan a mould for",
    )  # fmt: skip
    piece: StringProperty(name="Piece", description="Name on the sheets; empty: the object's own")
    set_height: BoolProperty(
        name="Scale to a finished height", description="Plan for another size than the sculpt is modelled at"
    )
    finished_height: FloatProperty(
        name="Finished height", subtype="DISTANCE", default=1.4, min=0.001, soft_max=10.0,
        description="Height of the cast, in the scene's unit",
    )  # fmt: skip
    up: EnumProperty(name="Up", items=AXES, default="+z")
    front: EnumProperty(name="Front", items=AXES, default="-y")
    base: EnumProperty(
        name="Base",
        items=(
            ("open", "Stands on a board", "No rubber under it; the hollow cast is reached from below"),
            ("closed", "Covered too", "Rubber all round, for a piece without a foot"),
        ),
    )
    detail: FloatProperty(
        name="Texture", default=1.0, min=1.0, max=3.0,
        description="Area of the finished skin over that of this sculpt: more where fur or bark is carved later",
    )  # fmt: skip
    keep_clear: StringProperty(
        name="Keep clear", description="Vertex group where the seam should not go, such as eyes and face"
    )

    way: EnumProperty(
        name="Way",
        items=(
            ("SEARCH", "Search", "Try hundreds of directions and rank them"),
            ("OWN", "My own", "Open along the direction set here"),
        ),
    )
    own_way: FloatVectorProperty(
        name="Direction",
        size=3,
        default=(1.0, 0.0, 0.0),
        subtype="XYZ",
        description="In plan axes: x left, y back, z up",
    )
    directions: IntProperty(name="Directions", default=512, min=32, max=20000)
    ways: CollectionProperty(type=WayFound)
    way_index: IntProperty(name="Direction found")

    seam_kind: EnumProperty(
        name="Seam",
        items=(
            ("cheapest", "Cheapest", "The cheapest of all that can be laid up"),
            ("relief", "Relief", "A plane that follows an edge where it pays"),
            ("free", "Free", "The line over the whole surface that costs least"),
            ("plane", "Plane", "A flat wall"),
        ),
    )
    set_offset: BoolProperty(name="Place the plane myself")
    plane_offset: FloatProperty(name="Plane at", subtype="DISTANCE", description="Along the opening, from the middle")
    smooth_mm: FloatProperty(
        name="Smooth (mm)", description="How far smoothing may move the seam", default=6.0, min=0.0, max=100.0
    )
    seen_from: EnumProperty(
        name="Seen from",
        items=tuple((n, n.capitalize(), "") for n in ("all round", "front", "left", "right", "back")),
    )
    max_pieces: IntProperty(
        name="Pieces at most",
        description="Where two pieces cost too much rubber, propose more, up to this many",
        default=2,
        min=2,
        max=8,
    )
    drawn_seam: StringProperty()  # JSON of closed lines in plan mm, once the curve was edited and taken

    set_skin: BoolProperty(name="Own thickness")
    skin_mm: FloatProperty(name="Skin (mm)", default=6.0, min=1.0, max=60.0)
    edge_mm: FloatProperty(name="Edge (mm)", default=9.0, min=1.0, max=80.0)
    handling_mm: FloatProperty(
        name="Around (mm)",
        description="The glove has its edge thickness this far around a place where it is handled",
        default=80.0,
        min=10.0,
        max=500.0,
    )
    draft_deg: FloatProperty(name="Draft (°)", default=3.0, min=0.5, max=30.0)
    set_flange: BoolProperty(name="Own flange")
    flange_mm: FloatProperty(name="Flange (mm)", default=60.0, min=10.0, max=300.0)
    set_pixel: BoolProperty(name="Own grid", description="Spacing of the columns the glove is measured on")
    pixel_mm: FloatProperty(name="Grid (mm)", default=4.0, min=0.2, max=20.0)

    edge_spacing_mm: FloatProperty(
        name="Edge step (mm)",
        description="Greatest distance between keys along the edges",
        default=180.0,
        min=20.0,
        max=2000.0,
    )
    middle_spacing_mm: FloatProperty(
        name="Middle (mm)",
        description="Least distance between keys over the middle of a piece",
        default=260.0,
        min=20.0,
        max=2000.0,
    )
    key_height_mm: FloatProperty(name="Height (mm)", default=12.0, min=2.0, max=100.0)
    key_width_mm: FloatProperty(name="Width (mm)", default=40.0, min=5.0, max=200.0)
    moved_keys: StringProperty()  # JSON rows (piece, x, y, z), once moved keys were taken
    keys_check: StringProperty()  # what the last re-check of moved keys said
    keys_check_good: BoolProperty(default=True)

    mat_oz: FloatProperty(name="Glass (oz)", default=4.0, min=1.0, max=24.0, description="Ounces a square foot")
    edge_extra_oz: FloatProperty(
        name="Edges (oz)",
        description="More glass along the handling edges, ounces a square foot",
        default=2.0,
        min=0.0,
        max=24.0,
    )
    lifters: IntProperty(name="Lifters", description="People who lift a piece together", default=2, min=1, max=8)
    board_mm: FloatProperty(
        name="Board (mm)", description="Thickness of the cradle's boards", default=18.0, min=3.0, max=60.0
    )

    cast_mat_oz: FloatProperty(name="Glass (oz)", default=5.0, min=1.0, max=24.0)
    push_n: FloatProperty(
        name="Push (N)",
        description="Somebody leaning on the cast, at nine tenths of its height",
        default=300.0,
        min=0.0,
        max=10000.0,
    )
    wind_m_s: FloatProperty(
        name="Wind (m/s)", description="Basic wind speed; the local code governs", default=25.0, min=0.0, max=80.0
    )

    catalogue: StringProperty(
        name="Catalogue", subtype="FILE_PATH", description="Own materials.toml; empty: the one that comes along"
    )  # fmt: skip
    casts: IntProperty(name="Casts", description="How many casts are pulled from the mould", default=1, min=1, max=500)
    hands: IntProperty(name="Hands", default=2, min=1, max=20, description="People who work on it")
    start_date: StringProperty(name="Start", description="As 2027-03-01; empty: days are numbered")
    temperature_c: FloatProperty(name="Workshop (°C)", default=20.0, min=0.0, max=45.0)

    map_kind: EnumProperty(name="Map", items=MAPS, default="FREES", update=_map_changed)
    legend: BoolProperty(name="Legend", default=True, description="Draw the map's legend in the view")
    map_text: StringProperty()  # JSON of the legend that goes with the colours shown
    apart: FloatProperty(
        name="Apart", subtype="FACTOR", min=0.0, max=1.0, update=_apart_changed,
        description="Move glove and jacket off along their pulls",
    )  # fmt: skip
    opening_frames: IntProperty(name="Frames", description="Length of the opening", default=120, min=10, max=5000)
    turntable_frames: IntProperty(name="Turn (frames)", default=120, min=4, max=5000)
    picture_size: IntProperty(name="Size (px)", default=1080, min=64, max=8192)
    picture_engine: EnumProperty(
        name="Drawn by",
        items=(
            ("BLENDER_WORKBENCH", "Workbench", "Quick; needs a graphics card or its stand-in"),
            ("CYCLES", "Cycles", "Soft light; also without a graphics card"),
        ),
    )
    samples: IntProperty(name="Samples", default=32, min=1, max=4096)

    folder: StringProperty(name="Folder", subtype="DIR_PATH", default="//mouldloft/")

    solids: EnumProperty(
        name="Solids",
        options={"ENUM_FLAG"},
        items=(
            ("stl", "STL", "Halves, glove and jacket as STL in millimetres"),
            ("glb", "GLB", "The same as GLB"),
        ),
        description="Closed meshes to print or mill, beside the sheets; the command line also writes 3MF",
    )  # fmt: skip

    token: StringProperty()  # digest of the sculpt when last read
    touched: BoolProperty()  # the sculpt changed since
    results: CollectionProperty(type=SectionResult)

    def result(self, key: str) -> SectionResult:
        """The result kept for a section, made where there is none."""
        found = self.results.get(key)
        if found is None:
            found = self.results.add()
            found.name = key
        return found


def own_line_file(lines_json: str) -> str:
    """Path of a file with the drawn seam, for the brief; rewritten from the scene where it is missing."""
    import hashlib

    folder = Path(bpy.utils.extension_path_user(ADDON, path="seams", create=True))
    path = folder / f"seam-{hashlib.sha256(lines_json.encode()).hexdigest()[:16]}.json"
    if not path.exists():
        path.write_text(lines_json, encoding="utf-8")
    return str(path)


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

    s = scene.mouldloft
    mm = reading.mm_per_unit(scene)
    given = {
        "piece": s.piece,
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
        "cradle": {"board_thickness_mm": s.board_mm},
        "cast": {"mat_oz": s.cast_mat_oz, "push_n": s.push_n, "basic_wind_m_s": s.wind_m_s},
        "run": {"casts": s.casts, "hands": s.hands, "workshop_temperature_c": s.temperature_c},
    }
    if s.set_height:
        given["master"]["finished_height_mm"] = s.finished_height * mm
    if s.way == "OWN":
        given["opening"]["direction"] = list(s.own_way)
    if s.seam_kind == "plane" and s.set_offset:
        given["seam"]["plane_offset_mm"] = s.plane_offset * mm
    if s.drawn_seam and s.seam_kind != "plane":
        given["seam"]["own_line"] = own_line_file(s.drawn_seam)
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


_CLASSES = (SectionResult, WayFound, MouldloftSettings)


def register():
    for cls in _CLASSES:
        bpy.utils.register_class(cls)
    bpy.types.Scene.mouldloft = PointerProperty(type=MouldloftSettings)


def unregister():
    del bpy.types.Scene.mouldloft
    for cls in reversed(_CLASSES):
        bpy.utils.unregister_class(cls)
