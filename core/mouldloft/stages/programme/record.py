"""What the programme says: tasks on the calendar, pots to mix, and hours by trade."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

TaskKind = Literal["work", "wait", "mend"]
RUN_PARTS = ("casts", "finish")


@dataclass(frozen=True)
class Task:
    """One stretch of work or wait. hours count from the start of work on day 1 (24 to a day); hands 0 is a wait."""

    name: str
    stage: str
    start_h: float
    duration_h: float
    hands: int
    day: int  # of the calendar, from 1
    date: str  # ISO, or "" where the brief gives no start date
    note: str
    line: str = ""  # what it is part of, for a chart: "Rubber, left piece", "Cast 2"
    kind: TaskKind = "work"
    wear: tuple[str, ...] = ()  # what is worn for it
    clock: str = ""  # when it begins, by the workshop's clock: "08:30"
    who: tuple[int, ...] = ()  # which people, from 1


@dataclass(frozen=True)
class Batch:
    """What can be mixed and spread inside the pot life: one pot for one pair of hands. batch_kg is the whole mix, of
    which base_g + catalyst_g + thickener_g is made up."""

    coat: str
    piece: str
    batches: int
    batch_kg: float
    pot_life_min: float  # at the workshop's temperature
    brushing_min: float
    catalyst_g: float  # in one batch
    first_day: int = 0  # of the calendar, on which the first is mixed
    base_g: float = 0.0
    thickener_g: float = 0.0
    base: str = ""  # name of what is weighed out first
    spread_by_min: float = 0.0  # after the catalyst goes in: the last of it is spread by then


@dataclass(frozen=True)
class HoursLine:
    """Person-hours of one part of the work, by kind of task, each of whose hours is on the calendar."""

    part: str  # "wall", "glove", ... "finish"
    what: str
    person_hours: float


@dataclass(frozen=True)
class PersonHours:
    """Hours that one person, counted from 1, works at one part of the job."""

    person: int
    part: str
    hours: float


@dataclass(frozen=True)
class Programme:
    """Days are of the calendar, first to last of each part, weekends between included."""

    tasks: tuple[Task, ...]
    batches: tuple[Batch, ...]
    mould_days: int
    run_days: int
    temperature_note: str
    mould_days_range: tuple[int, int] = (0, 0)  # with work faster and slower by the catalogue's uncertainty
    run_days_range: tuple[int, int] = (0, 0)
    mould_person_hours: float = 0.0
    run_person_hours: float = 0.0
    notes: tuple[str, ...] = ()
    hours: tuple[HoursLine, ...] = ()
    next_cast_person_hours: float = 0.0  # of one cast more, with its finish
    broken_windows: int = 0  # coats that fall past their window, each mended by a tack coat or its like
    gap: float = 0.0  # how far the calendar may be from the shortest there is, a share of its working time
    people: int = 0
    by_person: tuple[PersonHours, ...] = ()
    tack_coat_kg: float = 0.0  # rubber for the tack coats planned, over the whole mould
