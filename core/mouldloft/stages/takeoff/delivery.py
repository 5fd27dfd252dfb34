"""When each material has to be in the workshop, and by when to order it from whoever sells it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date

import numpy as np

from ..programme import Programme

# rubber is needed for test patches and cast keys before the glove is begun, so with the first work there is
_BEFORE_THE_GLOVE = ("keys", "wall", "glove")


@dataclass(frozen=True)
class Wanted:
    """The first day that uses a material: day of the calendar from 1, its ISO date and the ISO date to order by, ""
    where the brief gives no start."""

    day: int
    date: str
    order_by: str


def first_days(programme: Programme) -> dict[str, tuple[int, str]]:
    """Section of the order → (day, ISO date) of its first task."""
    found: dict[str, tuple[int, str]] = {}
    for task in programme.tasks:
        sections = ("glove", task.stage) if task.stage in _BEFORE_THE_GLOVE else (task.stage,)
        for section in sections:
            found[section] = min(found.get(section, (task.day, task.date)), (task.day, task.date))
    return found


def wanted(sections: Iterable[str], days: dict[str, tuple[int, str]], delivery_days: int) -> Wanted:
    """When a material of these sections is first used. delivery_days : working days, Monday to Friday."""
    day, iso = min((days[s] for s in sections if s in days), default=(1, days.get("wall", (1, ""))[1]))
    return Wanted(day, iso, order_by(iso, delivery_days))


def order_by(iso: str, delivery_days: int) -> str:
    """The date so many working days (Monday to Friday) before an ISO date; "" for none."""
    if not iso:
        return ""
    # on a day off, what is used then has to be there on the working day before it
    return str(np.busday_offset(date.fromisoformat(iso), -delivery_days, roll="preceding"))
