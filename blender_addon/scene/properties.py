"""What the user sets and what the plan remembers, as properties of the scene."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

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

from .roles import is_ours

ADDON = __package__.rpartition(".")[0]  # the extension itself
AXES = tuple(
    (f"{sign}{axis}", f"{'+' if sign == '+' else '-'}{axis.upper()}", f"The scene's {sign}{axis.upper()}")
    for axis in "xyz"
    for sign in "+-"
)
MAPS = (
    ("PIECES", "Which Piece Takes It", "The pieces of the seam, or those proposed where two are not enough"),
    ("FREES", "Which Pull Frees It", "Free along the pull, free the other way, or locked for both"),
    ("DEPTH", "Depth of the Undercut", "How far the surface reaches behind itself, across the pull"),
    ("STRETCH", "Stretch of the Rubber", "What the glove is asked to stretch to pass"),
    ("FILL", "Undercut Fill", "Height of the rubber that fills the lock so that the jacket comes off"),
    ("THICKNESS", "Thickness of the Glove", "From the glove's outside to the nearest skin, once it was measured"),
    ("PEEL", "Stretch While Peeled", "The greatest stretch of each place of the glove, once it was peeled"),
    ("CLAY", "Scan Against Plan", "How far the finished clay is off its plan, once a scan's folder was read"),
)
OWN_OBJECTS = {
    "THICKNESS": "glove",
    "PEEL": "peel",
    "CLAY": "clay",
}  # maps that lie on results of their own, by those results' role


# what a change of a property does stands on these properties, and enters itself here
on_map_change: list[Callable] = []  # each is called with the context
on_apart_change: list[Callable] = []
on_placing_change: list[Callable] = []


def of(scene: bpy.types.Scene) -> MouldloftSettings:
    """The settings of a scene."""
    return scene.mouldloft  # type: ignore[attr-defined]  # Blender adds it when the class is registered


def preference(name: str) -> str:
    """A text of the add-on's preferences; empty where it runs without any."""
    found: Any = bpy.context.preferences.addons.get(ADDON)
    return str(getattr(found.preferences, name, "")) if found and found.preferences else ""


def mm_per_unit(scene: bpy.types.Scene) -> float:
    """Millimetres in one Blender unit, by the scene's unit scale."""
    return 1000.0 * scene.unit_settings.scale_length


def _map_changed(self, context):
    for show in on_map_change:
        show(context)


def _apart_changed(self, context):
    for move in on_apart_change:
        move(context)


def _place_changed(self, context):
    for stand in on_placing_change:
        stand(context)


def _sculpt_changed(self, context):
    self.touched = True


def _may_be_sculpt(self, thing):
    return thing.type in ("MESH", "EMPTY") and not is_ours(thing)


def _length(stored: str, name: str, description: str, low_mm: float, high_mm: float):
    """A length shown and typed in the scene's unit, kept in millimetres under `stored`."""

    def read(self):
        return getattr(self, stored) / mm_per_unit(self.id_data)

    def write(self, value):
        setattr(self, stored, min(max(value * mm_per_unit(self.id_data), low_mm), high_mm))

    return FloatProperty(name=name, description=description, subtype="DISTANCE", get=read, set=write)


class SectionResult(bpy.types.PropertyGroup):
    """What a section said when it last ran, and the stamp of what it followed from."""

    line: StringProperty()
    remarks: StringProperty()  # JSON list of sentences
    open: BoolProperty(name="Remarks", description="Show what else this section has to say")
    stamp: StringProperty()
    good: BoolProperty(default=True)
    refusal: StringProperty()  # why it did not run when last asked to
    cure: StringProperty()  # operator that mends that
    objects: IntProperty()  # how many it showed: fewer left means some were deleted


class Part(bpy.types.PropertyGroup):
    """An object that belongs to the sculpt, or is hidden while its map lies in its place."""

    thing: PointerProperty(type=bpy.types.Object)


class WayFound(bpy.types.PropertyGroup):
    """A direction the search found, as listed."""

    direction: FloatVectorProperty(size=3)
    text: StringProperty()
    reason: StringProperty()


class SeamFound(bpy.types.PropertyGroup):
    """A seam that the planned one was chosen from, as listed; in the order of the plan's candidates."""

    kind: StringProperty()
    text: StringProperty()
    reason: StringProperty()
    kept: BoolProperty(default=True)  # the limits
    chosen: BoolProperty()


class Signature(bpy.types.PropertyGroup):
    """A client's signature, and the digest of the seam that was signed."""

    who: StringProperty()
    when: StringProperty()
    revision: StringProperty()
    piece: StringProperty()
    mark: StringProperty()


class MouldloftSettings(bpy.types.PropertyGroup):
    """All settings of one scene. Lengths named mm are millimetres; `finished_height` follows the scene's units."""

    sculpt: PointerProperty(
        name="Sculpt", type=bpy.types.Object, update=_sculpt_changed, poll=_may_be_sculpt,
        description="The mesh to plan a mould for. Its children are planned with it",
    )  # fmt: skip
    parts: CollectionProperty(type=Part)  # further objects of the same sculpt
    group: PointerProperty(
        name="Collection", type=bpy.types.Collection, update=_sculpt_changed,
        description="All meshes of this collection belong to the sculpt too",
    )  # fmt: skip
    taken: PointerProperty(type=bpy.types.Object)  # the sculpt that the results belong to
    piece: StringProperty(name="Piece", description="Name on the sheets. Empty: the object's own")
    set_height: BoolProperty(
        name="Scale to a Finished Height", description="Plan for another size than the sculpt is modelled at"
    )
    finished_height_mm: FloatProperty(default=1400.0)
    finished_height: _length("finished_height_mm", "Finished Height", "Height of the cast", 50.0, 20_000.0)
    up: EnumProperty(name="Up", items=AXES, default="+z", description="Which way is up when the piece stands")
    front: EnumProperty(name="Front", items=AXES, default="-y", description="Which way the piece faces")
    base: EnumProperty(
        name="Base",
        description="What is under the piece",
        items=(
            ("open", "Stands on a Board", "No rubber under it; the hollow cast is reached from below"),
            ("closed", "Covered Too", "Rubber all round, for a piece without a foot"),
        ),
    )
    detail: FloatProperty(
        name="Texture", default=1.0, min=1.0, max=3.0,
        description="Area of the finished skin over that of this sculpt: more where fur or bark is carved later",
    )  # fmt: skip
    keep_clear: StringProperty(
        name="Keep Clear", description="Vertex group where the seam should not go, such as eyes and face"
    )

    way: EnumProperty(
        name="Direction",
        description="Where the opening direction comes from",
        items=(
            ("SEARCH", "Search", "Try directions all round and rank them; on a board the level ones"),
            ("OWN", "By Hand", "Open along the arrow in the view, or the numbers set here"),
        ),
    )
    own_way: FloatVectorProperty(
        name="Direction",
        size=3,
        default=(1.0, 0.0, 0.0),
        subtype="XYZ",
        description="Opening direction in plan axes: X to the piece's left, Y to its back, Z up",
    )
    directions: IntProperty(
        name="Directions",
        default=512,
        min=32,
        max=20000,
        description="How many directions the search tries; on a board 90 at most, all of them level",
    )
    ways: CollectionProperty(type=WayFound)
    way_index: IntProperty(name="Direction Found", description="The ranked direction chosen in the list")
    arrow: BoolProperty(
        name="Opening Arrow", default=True,
        description="Show the arrow and ring that turn the opening direction, with the undercut map following",
    )  # fmt: skip

    seam_kind: EnumProperty(
        name="Seam",
        description="How the mould is split",
        items=(
            ("cheapest", "Cheapest", "The cheapest of all that can be laid up"),
            ("relief", "Relief", "A plane that follows an edge where it pays"),
            ("free", "Free", "The line over the whole surface that costs least"),
            ("plane", "Plane", "A flat wall"),
        ),
    )
    set_offset: BoolProperty(name="Place the Plane", description="Set where along the opening the plane cuts")
    plane_offset_mm: FloatProperty()
    plane_offset: _length(
        "plane_offset_mm", "Plane At", "Where the plane cuts, along the opening from the plan's origin", -2e4, 2e4
    )
    smooth_mm: FloatProperty(default=6.0)
    smooth: _length("smooth_mm", "Smooth", "How far smoothing may move the seam", 0.0, 100.0)
    seen_from: EnumProperty(
        name="Seen From",
        description="Where people stand: the seam avoids what they see",
        items=tuple(
            (n, n.title(), "It is walked round" if n == "all round" else f"People see its {n}")
            for n in ("all round", "front", "left", "right", "back")
        ),
    )
    max_pieces: IntProperty(
        name="Pieces at Most",
        description="Where two pieces cost too much rubber, propose more, up to this many",
        default=2,
        min=2,
        max=8,
    )
    candidates: CollectionProperty(type=SeamFound)
    drawn_seam: StringProperty()  # JSON of closed lines in plan mm, once the curve was edited and taken
    drawn_level: StringProperty()  # the level of a line that was shaped, packed; of which master; its curves' digest
    drawn_level_of: StringProperty()
    drawn_level_shown: StringProperty()

    set_skin: BoolProperty(name="Own Thickness", description="Set the glove's thickness instead of the rule's")
    skin_mm: FloatProperty(default=6.0)
    skin: _length("skin_mm", "Skin", "Thickness of the glove", 1.0, 60.0)
    edge_mm: FloatProperty(default=9.0)
    edge: _length("edge_mm", "Edge", "Thickness of the glove along its edge, where it is handled", 1.0, 80.0)
    handling_mm: FloatProperty(default=80.0)
    handling: _length(
        "handling_mm", "Around", "The glove has its edge thickness this far around a place where it is handled",
        10.0, 500.0,
    )  # fmt: skip
    draft_deg: FloatProperty(
        name="Draft (°)", default=3.0, min=0.5, max=30.0,
        description="Slope of the glove's outside, so that the jacket comes off",
    )  # fmt: skip
    set_flange: BoolProperty(name="Own Flange", description="Set the flange's width instead of the rule's")
    flange_mm: FloatProperty(default=60.0)
    flange: _length("flange_mm", "Flange", "Width of the flange around the seam", 10.0, 300.0)
    set_pixel: BoolProperty(name="Own Grid", description="Set how finely the glove is measured")
    pixel_mm: FloatProperty(default=4.0)
    pixel: _length("pixel_mm", "Grid", "Spacing of the columns that the glove is measured on", 0.2, 20.0)

    edge_spacing_mm: FloatProperty(default=180.0)
    edge_spacing: _length("edge_spacing_mm", "Edge Step", "Greatest distance between keys along the edges", 20.0, 2e3)
    middle_spacing_mm: FloatProperty(default=260.0)
    middle_spacing: _length(
        "middle_spacing_mm", "Middle Step", "Least distance between keys over the middle of a piece", 20.0, 2e3
    )
    key_height_mm: FloatProperty(default=12.0)
    key_height: _length("key_height_mm", "Height", "Height of a key", 2.0, 100.0)
    key_width_mm: FloatProperty(default=40.0)
    key_width: _length("key_width_mm", "Width", "Width of a key at its foot", 5.0, 200.0)
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
    cradle: EnumProperty(
        name="Cradle",
        description="What each piece lies in while it is laid up",
        items=(
            ("as needed", "As Needed", "Boards, but for a small mould, which lies on a bag of sand"),
            ("always", "Always", "Boards at any size"),
            ("none", "None", "A bag of sand or a plaster foot at any size"),
        ),
    )
    board_mm: FloatProperty(default=18.0)
    board: _length("board_mm", "Board", "Thickness of the cradle's boards", 3.0, 60.0)

    cast_mat_oz: FloatProperty(
        name="Glass (oz)", default=5.0, min=1.0, max=24.0, description="Glass behind the gelcoat, ounces a square foot"
    )
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
        name="Catalogue", subtype="FILE_PATH",
        description="Your own materials.toml. Empty: the preferences' or the add-on's own",
    )  # fmt: skip
    casts: IntProperty(name="Casts", description="How many casts are pulled from the mould", default=1, min=1, max=500)
    hands: IntProperty(name="Hands", default=2, min=1, max=20, description="People who work on it")
    start_date: StringProperty(name="Start", description="First day, such as 2027-03-01. Empty: days are numbered")
    temperature_c: FloatProperty(
        name="Workshop (°C)", default=20.0, min=0.0, max=45.0, description="Temperature that rubber and resin cure at"
    )

    map_kind: EnumProperty(
        name="Map", items=MAPS, default="FREES", update=_map_changed, description="What the colours show"
    )
    placing: EnumProperty(
        name="Results", update=_place_changed, default="IN_PLACE",
        description="Where map, glove and jacket stand",
        items=(
            ("IN_PLACE", "On It", "In its place, at its size; it is hidden while the map lies there"),
            ("BESIDE", "Beside It", "Next to it, at the finished height"),
        ),
    )  # fmt: skip
    legend: BoolProperty(name="Legend", default=True, description="Draw the map's legend in the view")
    map_text: StringProperty()  # JSON of the legend that goes with the colours shown
    map_way: FloatVectorProperty(size=3)  # the direction that the colours belong to
    show_pieces: BoolProperty(name="Piece by Piece", description="List glove and jacket by piece, each to hide or show")
    apart: FloatProperty(
        name="Apart", subtype="FACTOR", min=0.0, max=1.0, update=_apart_changed,
        description="Move glove and jacket off along their pulls",
    )  # fmt: skip
    peel_ways: EnumProperty(
        name="Peel", default="STRAIGHT", description="How many ways of peeling are tried",
        items=(
            ("STRAIGHT", "Straight Off", "A first answer, in minutes"),
            ("ALL", "All Ways", "Straight, from the top, in a wave and from one side; minutes"),
        ),
    )  # fmt: skip
    opening_frames: IntProperty(
        name="Frames", description="Length of the opening animation", default=120, min=10, max=5000
    )
    turntable_frames: IntProperty(
        name="Turn (Frames)", default=120, min=4, max=5000, description="Frames for one turn of the turntable"
    )
    picture_size: IntProperty(
        name="Size (px)", default=1080, min=64, max=8192, description="Width and height of a picture in pixels"
    )
    picture_engine: EnumProperty(
        name="Drawn By",
        description="Which of Blender's engines draws the pictures",
        items=(
            ("BLENDER_WORKBENCH", "Workbench", "Quick; needs a graphics card or its stand-in"),
            ("CYCLES", "Cycles", "Soft light; also without a graphics card"),
        ),
    )
    samples: IntProperty(
        name="Samples", default=32, min=1, max=4096, description="Samples a pixel: more are smoother and slower"
    )

    job: StringProperty(
        name="Job", maxlen=40, description="Job number at the head of the sheets. Empty: a line to write it on"
    )
    revision: StringProperty(
        name="Revision", maxlen=20, description="Revision at the head of the sheets. Empty: a line to write it on"
    )
    signatures: CollectionProperty(type=Signature)
    folder: StringProperty(
        name="Folder", subtype="DIR_PATH",
        description="Where sheets and pictures are written. Empty: the preferences', or beside the .blend",
    )  # fmt: skip

    solids: EnumProperty(
        name="Solids",
        options={"ENUM_FLAG"},
        items=(
            ("stl", "STL", "Halves, glove and jacket as STL in millimetres"),
            ("glb", "GLB", "The same as GLB"),
        ),
        description="Closed meshes to print or mill, beside the sheets; the command line also writes 3MF",
    )  # fmt: skip

    as_built: StringProperty(
        name="Scan's Folder", subtype="DIR_PATH",
        description="Folder that mouldloft rescan wrote: the plan made again from a scan of the finished clay",
    )  # fmt: skip
    run_log: StringProperty(
        name="Run's Log", subtype="FILE_PATH", description="The bench's log as it was filled in: TOML or CSV"
    )
    log_text: StringProperty()  # JSON of what the log said
    log_chart: BoolProperty(
        name="Chart in the View", default=True, description="Draw used over planned, entry by entry, in the view"
    )

    token: StringProperty()  # digest of the sculpt when last read
    taken_height_mm: FloatProperty()  # of the piece as it was taken in
    touched: BoolProperty()  # the sculpt changed since
    results: CollectionProperty(type=SectionResult)
    seam_shown: StringProperty()  # digest of the seam's curve as the plan drew it
    keys_shown: StringProperty()  # and of the keys' places
    collection: PointerProperty(type=bpy.types.Collection)  # of this scene's results
    root: PointerProperty(type=bpy.types.Object)  # the empty that they hang from
    pictures: PointerProperty(type=bpy.types.Scene)  # the scene that the client's pictures are drawn in
    covered: CollectionProperty(type=Part)  # objects hidden while the map lies in their place
    sheets: StringProperty()  # JSON rows (path, what) of the results written last

    open_sculpt: BoolProperty(name="The Sculpt", default=True, description="Show this section")
    open_opening: BoolProperty(name="Opening", description="Show this section")
    open_seam: BoolProperty(name="Seam and Wall", description="Show this section")
    open_glove: BoolProperty(name="Glove", description="Show this section")
    open_keys: BoolProperty(name="Keys", description="Show this section")
    open_jacket: BoolProperty(name="Jacket and Cradle", description="Show this section")
    open_casts: BoolProperty(name="Casts", description="Show this section")
    open_order: BoolProperty(name="Order and Days", description="Show this section")
    open_solids: BoolProperty(name="Solids", description="Show this section")

    def result(self, key: str) -> SectionResult:
        """The result kept for a section, made where there is none."""
        found = self.results.get(key)
        if found is None:
            found = self.results.add()
            found.name = key
        return found


_CLASSES = (SectionResult, Part, WayFound, SeamFound, Signature, MouldloftSettings)


def register():
    for cls in _CLASSES:
        bpy.utils.register_class(cls)
    scene: Any = bpy.types.Scene
    scene.mouldloft = PointerProperty(type=MouldloftSettings)  # type: ignore[func-returns-value]


def unregister():
    scene: Any = bpy.types.Scene
    del scene.mouldloft
    for cls in reversed(_CLASSES):
        bpy.utils.unregister_class(cls)
