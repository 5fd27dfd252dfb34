"""Working time: which minutes of the calendar people are at work, and the way between that and the clock.

Clock minutes count from the start of work on day 1, 1440 to a day; a day's work is its first `minutes_a_day`. Working
slots count five minutes of work each, nights, weekends and days off left out.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

SLOT_MIN = 5  # the calendar's grain: finer than anybody plans, coarse enough to place exactly
DAY_MIN = 1440


@dataclass(frozen=True)
class Shifts:
    """When people are at work. first_weekday : 0 for a Monday, of day 1; days_off : calendar days, from 0, on which
    nobody works. Day 1 itself need not be a working day."""

    minutes_a_day: int = 480
    first_weekday: int = 0
    work_weekends: bool = False
    days_off: frozenset[int] = frozenset()
    _worked: list[int] = field(default_factory=list, compare=False, repr=False)  # calendar day of each working day

    def __post_init__(self) -> None:
        if not SLOT_MIN <= self.minutes_a_day <= DAY_MIN or self.minutes_a_day % SLOT_MIN:
            raise ValueError(f"a day's work is {SLOT_MIN} to {DAY_MIN} min, in steps of {SLOT_MIN}")

    @cached_property
    def slots_a_day(self) -> int:
        """Working slots in a day."""
        return self.minutes_a_day // SLOT_MIN

    def is_worked(self, day: int) -> bool:
        """Is anybody at work on calendar day `day` (0 is day 1)?"""
        weekend = (self.first_weekday + day) % 7 >= 5
        return day not in self.days_off and (self.work_weekends or not weekend)

    def worked_day(self, at: int) -> int:
        """Calendar day of the `at`-th working day."""
        while len(self._worked) <= at:
            day = self._worked[-1] + 1 if self._worked else 0
            while not self.is_worked(day):
                day += 1
            self._worked.append(day)
        return self._worked[at]

    def clock(self, slot: int, end: bool = False) -> int:
        """Clock minute at which a working slot begins; end : at which the slot before it ends, so that work until the
        end of a day does not end the next morning."""
        day, within = divmod(slot - 1 if end else slot, self.slots_a_day)
        return self.worked_day(day) * DAY_MIN + (within + (1 if end else 0)) * SLOT_MIN

    def slot(self, clock_min: int) -> int:
        """The first working slot that begins at or after a clock minute."""
        calendar_day, minute = divmod(max(clock_min, 0), DAY_MIN)
        low, high = 0, calendar_day + 1  # a working day never comes before its number
        while low < high:
            middle = (low + high) // 2
            if self.worked_day(middle) < calendar_day:
                low = middle + 1
            else:
                high = middle
        if self.worked_day(low) > calendar_day or minute >= self.minutes_a_day:
            return (low + (self.worked_day(low) == calendar_day)) * self.slots_a_day
        return low * self.slots_a_day + -(-minute // SLOT_MIN)

    def free_days_between(self, first_clock: int, last_clock: int) -> int:
        """The most days without work in a row between two clock minutes."""
        longest = run = 0
        for day in range(first_clock // DAY_MIN, last_clock // DAY_MIN + 1):
            run = 0 if self.is_worked(day) else run + 1
            longest = max(longest, run)
        return longest
