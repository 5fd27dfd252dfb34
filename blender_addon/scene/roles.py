"""How the plan's own objects are told from the user's: custom properties, names of roles."""

from __future__ import annotations

import bpy

ROLE = "mouldloft_role"
PIECE = "mouldloft_piece"
WAY = "mouldloft_way"  # full move of the slider, in Blender units
SHARE = "mouldloft_share"  # of that move that its location holds now
STAMP = "mouldloft_stamp"
LEGEND = "mouldloft_legend"
NAME = "mouldloft_name"  # as the plan calls it, whatever Blender made of it

COLLECTIONS = {
    "map": "Mouldloft map",
    "seam": "Mouldloft seam",
    "glove": "Mouldloft glove",
    "wall": "Mouldloft wall",
    "bead": "Mouldloft bead",
    "handling": "Mouldloft handling",
    "key": "Mouldloft keys",
    "jacket": "Mouldloft jacket",
    "loose": "Mouldloft loose pieces",
    "bolt": "Mouldloft bolts",
    "cradle": "Mouldloft cradle",
    "thin": "Mouldloft thin places",
    "solid": "Mouldloft solids",
    "peel": "Mouldloft peel",
    "section": "Mouldloft sections",
    "clay": "Mouldloft clay",
    "place": "Mouldloft places",
}
MOVED = ("glove", "thin", "key", "jacket", "loose", "cradle", "solid", "section")  # along their pulls, by the slider
ROLES_OF = {
    "seam": ("seam",),
    "glove": ("glove", "wall", "bead", "thin"),
    "keys": ("key",),
    "jacket": ("jacket", "loose", "cradle", "bolt"),
    "solids": ("solid",),
}


def is_ours(thing: bpy.types.Object) -> bool:
    """Whether an object was made by the plan."""
    return thing.get(ROLE) is not None
