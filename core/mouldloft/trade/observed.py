"""What earlier runs corrected, as figures the plan rests on."""

from __future__ import annotations

from ..base.figures import percent
from ..base.marks import Assumption, Mark
from ..inputs.brief import ObservedBrief

_WHAT = (
    ("rubber", "rubber"),
    ("gelcoat", "gelcoat of a cast"),
    ("resin", "resin of a cast"),
    ("glass", "glass of a cast"),
    ("coat_hours", "hours of a coat"),
    ("cast_hours", "hours of a cast"),
)


def observed_assumptions(seen: ObservedBrief) -> tuple[Assumption, ...]:
    """Each factor from a log, with the number of entries it was found from."""
    found = []
    for name, what in _WHAT:
        factor, half, entries = (getattr(seen, name + end) for end in ("", "_uncertainty", "_entries"))
        if factor != 1.0 or entries:
            width = f" ± {percent(half)}" if half is not None else ""
            words = f"{factor:.3g} times what geometry and rates say{width}"
            found.append(Assumption(f"{what}, from the log", words, Mark.COMMON_PRACTICE, f"{entries} entries"))
    return tuple(found)
