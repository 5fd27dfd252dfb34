"""Stage keys: what returns the glove to its place in the jacket."""

from .fixture import RUBBER_DENSITY_KG_DM3, rubber_properties
from .place import key_assumptions, keys_on_one_spot, piece_prefixes, set_keys, snap_to_outside
from .record import FixtureCheck, Key, Keys, count_keys_in
from .shape import key_bumps

__all__ = [
    "RUBBER_DENSITY_KG_DM3",
    "FixtureCheck",
    "Key",
    "Keys",
    "count_keys_in",
    "key_assumptions",
    "key_bumps",
    "keys_on_one_spot",
    "piece_prefixes",
    "rubber_properties",
    "set_keys",
    "snap_to_outside",
]
