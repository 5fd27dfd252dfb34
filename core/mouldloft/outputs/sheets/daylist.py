"""The day list: what is done when, by whom, in which kit; who works how many hours."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

from reportlab.platypus import Flowable

from ...base.figures import listed, number
from ...stages.plan import MouldPlan
from ...stages.programme import KITS, Task
from ..look import SOFT_INK
from .typeset import heading, ruled_table, set_text, tick_box

MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
_PARTS = ("wall", "keys", "glove", "jacket", "cradle", "mould", "casts", "finish")


def short_date(iso: str) -> str:
    """'2027-03-01' as '1 Mar': no reader takes day and month for one another."""
    return f"{int(iso[8:10])} {MONTHS[int(iso[5:7]) - 1]}" if len(iso) == 10 else ""


def who_words(task: Task, names: Sequence[str] = ()) -> str:
    """Who does it: names where the brief gives them, else numbers; how many, where nobody is named yet."""
    if not task.who:
        return str(task.hands)
    return ", ".join(names[k - 1] if k <= len(names) else str(k) for k in task.who)


def kit_words(wear: Sequence[str]) -> str:
    """The kit by its name, or what is worn."""
    return KITS.get(tuple(wear), ", ".join(wear))


def kit_legend(tasks: Sequence[Task]) -> str:
    """What is in each kit that these tasks name."""
    used = dict.fromkeys(task.wear for task in tasks if task.hands and task.wear in KITS)
    return "; ".join(f"{KITS[wear]}: {', '.join(wear)}" for wear in used)


def day_rows(tasks: Sequence[Task], who: Callable[[Task], str] = who_words) -> list[list[str]]:
    """Day and date, from and to by the clock, what is done, by whom and in which kit, for every stretch of work in the
    order it begins; a wait is told with the work before it. Day and date stand at the day's first row only."""
    rows: list[list[str]] = []
    last = 0
    for task in sorted((t for t in tasks if t.hands), key=lambda t: (t.start_h, t.name)):
        first = task.day != last
        last = task.day
        rows.append(
            [
                f"{task.day}" if first else "",
                short_date(task.date) if first else "",
                f"{task.clock} to {_end_clock(task)}" if task.clock else _hours_words(task.duration_h),
                f"{task.name}; {task.note}" if task.note else task.name,
                who(task),
                kit_words(task.wear),
            ]
        )
    return rows


def by_the_card(tasks: Sequence[Task]) -> list[Task]:
    """Tasks with each later cast's work in the mould as one stretch a day: the first cast's rows say every step, and
    the casting card says them again."""
    cast_lines = list(dict.fromkeys(t.line for t in tasks if t.stage == "casts" and t.hands))
    first = set(cast_lines[:1])
    kept = [t for t in tasks if t.stage != "casts" or t.line in first or not t.hands]
    for line in cast_lines[1:]:
        own = [t for t in tasks if t.stage == "casts" and t.line == line and t.hands]
        for day in sorted({t.day for t in own}):
            kept.append(_one_stretch([t for t in own if t.day == day]))
    return kept


def _one_stretch(tasks: Sequence[Task]) -> Task:
    begins = min(tasks, key=lambda t: t.start_h)
    ends = max(tasks, key=lambda t: t.start_h + t.duration_h)
    if len(tasks) == 1:
        return begins
    last = ends.name.split(": ", 1)[-1]
    said = f"{begins.name} … {last}" if begins is not ends else begins.name
    people = sorted({k for t in tasks for k in t.who})
    return replace(
        begins, name=said, duration_h=ends.start_h + ends.duration_h - begins.start_h, note="by the casting card",
        who=tuple(people), hands=max(len(people), max(t.hands for t in tasks)), wear=("card",),
    )  # fmt: skip


def _end_clock(task: Task) -> str:
    hour, minute = (int(part) for part in task.clock.split(":"))
    end = hour * 60 + minute + round(60 * task.duration_h)
    return f"{end // 60 % 24:02d}:{end % 60:02d}"


def _hours_words(hours: float) -> str:
    """'2.5 h', in minutes under an hour and a half."""
    return f"{60 * hours:.0f} min" if hours < 1.5 else f"{number(hours, 2, 1).removesuffix('.0')} h"


def day_list(plan: MouldPlan, inner: float) -> list[Flowable]:
    """The calendar as a list to tick off."""
    tasks, names = plan.programme.tasks, plan.brief.run.people_names
    note = "Each line as it begins; tick it when it is done. What is setting goes on setting overnight."
    if plan.brief.run.casts > 1:
        note += " From the second cast on, a day in the mould is one line: its steps are on the casting card."
    rows = day_rows(by_the_card(tasks), lambda task: who_words(task, names))
    legend = kit_legend(tasks)
    return [
        *heading("Day by day", note),
        *([set_text(f"Kits. {legend[:1].upper()}{legend[1:]}.", size=7.8, colour=SOFT_INK)] if legend else []),
        ruled_table(
            ("Day", "Date", "From, to", "Work", "Who", "Kit", "Done"),
            [[*row, tick_box()] for row in rows],
            [inner * v for v in (0.05, 0.075, 0.12, 0.51, 0.085, 0.1, 0.06)],
            size=7.4,
        ),
    ]


def people_table(plan: MouldPlan, inner: float) -> list[Flowable]:
    """Hours of each person in each part of the job."""
    lines, names = plan.programme.by_person, plan.brief.run.people_names
    if not lines:
        return []
    parts = [part for part in _PARTS if any(line.part == part for line in lines)]
    rows = []
    for person in sorted({line.person for line in lines}):
        own = {line.part: line.hours for line in lines if line.person == person}
        name = names[person - 1] if person <= len(names) else f"person {person}"
        rows.append([name, *(f"{number(own.get(p, 0.0))} h" if p in own else "" for p in parts),
                     f"{number(sum(own.values()))} h"])  # fmt: skip
    whole = [sum(line.hours for line in lines if line.part == part) for part in parts]
    rows.append(["all", *(f"{number(hours)} h" for hours in whole), f"{number(sum(whole))} h"])
    wide = 0.86 / (len(parts) + 1)
    spraying = {k for t in plan.programme.tasks if "air-fed hood" in t.wear for k in t.who}
    note = "Hours at work, as they stand on the calendar."
    if spraying:
        who = listed(names[k - 1] if k <= len(names) else f"person {k}" for k in sorted(spraying))
        note += f" Two-pack lacquer is sprayed by {who}, so that few need training and health surveillance for it."
    return [
        *heading("Who does how many hours", note),
        ruled_table(("", *parts, "all"), rows, [inner * 0.14, *(inner * wide,) * (len(parts) + 1)],
                    tuple(range(1, len(parts) + 2)), total=True),
    ]  # fmt: skip
