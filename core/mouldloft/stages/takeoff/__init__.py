"""Stage take-off: what to buy, in packs, what it costs, and how long the mould may last."""

from .delivery import Wanted, first_days
from .order import (
    MOULD_SECTIONS,
    ORDER_SECTIONS,
    OrderLine,
    Takeoff,
    mats_of_zone,
    mould_life,
    order_csv,
    order_rows,
    safe_cell,
    take_off,
    takeoff_assumptions,
    write_order,
)

__all__ = [
    "MOULD_SECTIONS",
    "ORDER_SECTIONS",
    "OrderLine",
    "Takeoff",
    "Wanted",
    "first_days",
    "mats_of_zone",
    "mould_life",
    "order_csv",
    "order_rows",
    "safe_cell",
    "take_off",
    "takeoff_assumptions",
    "write_order",
]
