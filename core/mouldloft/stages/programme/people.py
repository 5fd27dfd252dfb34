"""Who does what: every stretch of work on the calendar given to so many of the workshop's people."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from .record import PersonHours, Task
from .work import TWO_PACK_WEAR


@dataclass
class _Person:
    number: int
    free_from_h: float = 0.0
    hours: float = 0.0
    line: str = ""
    sprays: bool = False


def give_out(tasks: Sequence[Task], people: int) -> tuple[Task, ...]:
    """The tasks with who does each, from 1. A person is at one thing at a time and stays with what they began; two-pack
    lacquer is sprayed by as few as can be, for it asks for training and health surveillance; else whoever has had
    least to do."""
    crew = [_Person(k + 1) for k in range(people)]
    given = []
    for task in sorted(tasks, key=lambda t: (t.start_h, t.hands == 0, -t.hands, t.name)):
        if not task.hands:
            given.append(task)
            continue
        hood = TWO_PACK_WEAR[0] in task.wear
        free = [person for person in crew if person.free_from_h <= task.start_h + 1e-6]
        free.sort(key=lambda p: (hood and not p.sprays, p.line != task.line, p.hours, p.number))
        who = free[: task.hands]
        for person in who:
            person.free_from_h = task.start_h + task.duration_h
            person.hours += task.duration_h
            person.line = task.line
            person.sprays |= hood
        given.append(replace(task, who=tuple(sorted(person.number for person in who))))
    return tuple(sorted(given, key=lambda t: (t.start_h, t.hands == 0, t.name)))


def person_hours(tasks: Sequence[Task]) -> tuple[PersonHours, ...]:
    """Hours of each person in each part of the work, by person, then in the order of the work."""
    found: dict[tuple[int, str], float] = {}
    for task in tasks:
        for person in task.who:
            found[person, task.stage] = found.get((person, task.stage), 0.0) + task.duration_h
    return tuple(PersonHours(person, part, hours) for (person, part), hours in sorted(
        found.items(), key=lambda item: item[0][0]))  # fmt: skip
