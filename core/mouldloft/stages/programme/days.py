"""The work on the calendar: jobs placed by `trade.schedule`, told as tasks with days, dates and the clock."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta

from ...base.errors import PlanImpossible
from ...base.progress import SILENT, Progress
from ...inputs.brief import Brief, RunBrief, day_one, days_off
from ...trade.schedule import Calendar, Job, Link, make_calendar
from ...trade.shifts import DAY_MIN, SLOT_MIN, Shifts
from .record import Task
from .work import Wait, Work

LONGEST_DAYS = 36_500  # a century: no calendar of use is longer
SHORT_H = 2.0  # common practice: work as short as this is not left half done


def first_day(brief: Brief) -> tuple[date | None, tuple[str, ...]]:
    """Date of day 1, moved on to a working day, and what to say about it. Raises `BriefRefused`."""
    start, off = day_one(brief.run), set(days_off(brief.run))
    if start is None:
        return None, () if brief.run.work_weekends else ("Without a start date, day 1 is taken as a Monday.",)
    moved = start
    while moved in off or (moved.weekday() >= 5 and not brief.run.work_weekends):
        moved += timedelta(days=1)
    if moved == start:
        return start, ()
    kind = "a day off" if start in off else "a weekend day"
    return moved, (f"{start.isoformat()} is {kind}; work starts on {moved.isoformat()}.",)


def shifts_of(run: RunBrief, start: date | None) -> Shifts:
    """The workshop's working time from day 1 on."""
    minutes = min(DAY_MIN, max(SLOT_MIN, SLOT_MIN * round(run.hours_per_day * 60 / SLOT_MIN)))
    off = frozenset((day - start).days for day in days_off(run)) if start else frozenset()
    return Shifts(minutes, start.weekday() if start else 0, run.work_weekends, off)


@dataclass(frozen=True)
class Worked:
    """Work on the calendar."""

    works: tuple[Work, ...]
    calendar: Calendar
    start: date | None
    run: RunBrief

    def end_min(self, key: str) -> int:
        """Clock minute at which a piece of work is done."""
        return next(p.end for p in self.calendar.placings if p.key == key)

    def begin_min(self, key: str) -> int:
        """Clock minute at which a piece of work begins."""
        return next(p.begins for p in self.calendar.placings if p.key == key)


def place_work(
    works: Sequence[Work], brief: Brief, pace: float = 1.0, tries: int | None = None, progress: Progress = SILENT
) -> Worked:
    """Place work on the calendar; `pace` multiplies every task's hours, not the waits. Raises `PlanImpossible`."""
    start, _ = first_day(brief)
    shifts = shifts_of(brief.run, start)
    whole = sum(w.person_h for w in works) * pace / (brief.run.hands * shifts.minutes_a_day / 60.0)
    if whole > LONGEST_DAYS:
        raise PlanImpossible(
            "The programme would take over a hundred years; give it more hands, longer days or fewer casts."
        )
    jobs = [_job(work, pace) for work in works]
    more = {} if tries is None else {"tries": tries}
    made = make_calendar(
        jobs, brief.run.hands, shifts, step=lambda f: progress.step(0.3 + 0.6 * f, "days on the calendar"), **more
    )
    return Worked(tuple(works), made, start, brief.run)


def _job(work: Work, pace: float) -> Job:
    minutes = SLOT_MIN * max(1, math.ceil(work.person_h / work.people * pace * 60.0 / SLOT_MIN - 1e-6))
    links = tuple(_link(wait, work.people, pace) for wait in work.waits)
    short = minutes <= 60 * SHORT_H
    return Job(work.key, minutes, work.people, links, work.unbroken or short)


def _link(wait: Wait, people: int, pace: float) -> Link:
    least = SLOT_MIN * math.ceil(wait.least_h * 60.0 / SLOT_MIN - 1e-6)
    if wait.most_h is None:
        return Link(wait.after, least)
    most = max(least, SLOT_MIN * math.floor(wait.most_h * 60.0 / SLOT_MIN + 1e-6))
    mend = SLOT_MIN * max(1, math.ceil(wait.mend_h / people * pace * 60.0 / SLOT_MIN)) if wait.mend else 0
    return Link(wait.after, least, most, mend)


def tasks_of(worked: Worked) -> tuple[Task, ...]:
    """Work, waits and what mends a missed window as stretches of the calendar, in the order they begin."""
    placed = {p.key: p for p in worked.calendar.placings}
    tasks = []
    for work in worked.works:
        at = placed[work.key]
        people = min(work.people, worked.run.hands)
        mends = [wait for wait in work.waits if wait.mend]
        for start, end in at.mend:
            tasks.append(_task(worked, work, start, end, people, mends[0].mend, "mend"))
        for start, end in at.parts:
            tasks.append(_task(worked, work, start, end, people, work.name, "work"))
        for wait in work.waits:
            if wait.name and wait.least_h > 0:
                start = placed[wait.after].end
                task = _task(worked, work, start, start + round(60 * wait.least_h), 0, wait.name, "wait")
                tasks.append(replace(task, note=f"{task.note}{_window_words(worked, start, wait)}"))
    return tuple(sorted(tasks, key=lambda t: (t.start_h, t.hands == 0, t.name)))


def _window_words(worked: Worked, start: int, wait: Wait) -> str:
    """'; 10:15 to 14:00' where a window closes."""
    if wait.most_h is None:
        return ""
    opens, closes = (start + round(60 * hours) for hours in (wait.least_h, wait.most_h))
    return f", from {_clock_words(worked.run, opens)} to {_clock_words(worked.run, closes)}"


def _clock_words(run: RunBrief, minute: int) -> str:
    clock = round(run.day_starts_h * 60) + minute % DAY_MIN
    return f"{clock // 60 % 24:02d}:{clock % 60:02d}"


def _task(worked: Worked, work: Work, start: int, end: int, hands: int, name: str, kind) -> Task:
    day, within = divmod(start, DAY_MIN)
    on = (worked.start + timedelta(days=day)).isoformat() if worked.start else ""
    words = _clock_words(worked.run, within)
    note = {"work": work.note, "mend": f"before: {work.name}", "wait": f"then: {work.name}"}[kind]
    wear = work.wear if kind != "wait" else ()
    return Task(
        name, work.stage, start / 60.0, (end - start) / 60.0, hands, day + 1, on, note, work.line, kind, wear, words
    )


def mixed_days(worked: Worked) -> dict[tuple[str, str], int]:
    """(coat, piece) of each batch: the day of its first pot."""
    found: dict[tuple[str, str], int] = {}
    placed = {p.key: p for p in worked.calendar.placings}
    for work in worked.works:
        if work.mix is not None:
            day = placed[work.key].start // DAY_MIN + 1
            found[work.mix] = min(day, found.get(work.mix, day))
    return found


def days_to(minute: int) -> int:
    """Day, from 1, in which a minute that ends something falls."""
    return max(1, math.ceil(minute / DAY_MIN - 1e-9))


def mended(worked: Worked) -> Iterable[tuple[Work, Wait]]:
    """Work whose window is missed, with that window."""
    late = {p.key for p in worked.calendar.placings if p.mend}
    for work in worked.works:
        if work.key in late:
            yield work, next(wait for wait in work.waits if wait.mend)
