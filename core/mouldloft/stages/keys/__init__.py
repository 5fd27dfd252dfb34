"""Stage keys: what returns the glove to its place in the jacket."""

from .place import (
    GRAVITY_M_S2,
    RUBBER_DENSITY_KG_DM3,
    key_assumptions,
    key_bumps,
    piece_prefixes,
    rubber_stuff,
    set_keys,
    snap_to_outside,
)
from .record import FixtureCheck, Key, Keys, add_tabs

__all__ = [
    "GRAVITY_M_S2",
    "RUBBER_DENSITY_KG_DM3",
    "FixtureCheck",
    "Key",
    "Keys",
    "add_tabs",
    "key_assumptions",
    "key_bumps",
    "piece_prefixes",
    "rubber_stuff",
    "set_keys",
    "snap_to_outside",
]
