"""A calendar for work with people, waits and windows: a list schedule, improved by trying other orders.

Jobs follow one another by links. A link may have a least wait (a coat must not lift) and a greatest one (the recoat
window). Jobs tied by windows are placed together, as one run of work, begun on the day on which the fewest windows
break and no weekend falls into it. Where a window has to break, what mends it (wipe, tack coat) is put before the job
with its own time. Everything happens on a grid of five minutes, in a fixed order from a fixed seed: the same jobs give
the same calendar.

List scheduling with priority rules: serial generation scheme, Kolisch and Hartmann 1999 (from memory, verify).
"""

from __future__ import annotations

import heapq
import math
import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from .shifts import DAY_MIN, SLOT_MIN, Shifts

LATER_STARTS = 9  # working days after the first possible one on which a run of work is tried
NUDGES = 4  # times a run is moved on within a day so that an outside wait no longer breaks a window
BROKEN_WINDOW_MIN = 8 * 60  # common practice: a broken window is worth a day's work, being not dependable
FREE_DAYS_MIN = 5 * DAY_MIN  # common practice: a run of coats is put off by days rather than left over a weekend
LEAST_STRETCH = 6  # slots: broken work is taken up for half an hour or more
TRIES = 24_000  # jobs placed while looking for a better order
SEED = 20_270_301


@dataclass(frozen=True)
class Link:
    """The job begins at least least_min after `after` has ended and, where most_min is given, at most that; past it
    mend_min of its own people's work goes before it. Minutes by the clock."""

    after: str
    least_min: int = 0
    most_min: int | None = None
    mend_min: int = 0


@dataclass(frozen=True)
class Job:
    """minutes of work by `people` together. unbroken: done in one go where it fits a day; else at any time that people
    are free, night and weekend between."""

    key: str
    minutes: int
    people: int
    links: tuple[Link, ...] = ()
    unbroken: bool = False


@dataclass(frozen=True)
class Placing:
    """When a job is done. parts : (start, end) clock minutes of its stretches; mend : of what mends a broken window."""

    key: str
    people: int
    parts: tuple[tuple[int, int], ...]
    mend: tuple[tuple[int, int], ...] = ()

    @property
    def start(self) -> int:
        """Clock minute at which its own work begins, mending left out."""
        return self.parts[0][0]

    @property
    def begins(self) -> int:
        """Clock minute at which anything of it begins."""
        return self.mend[0][0] if self.mend else self.start

    @property
    def end(self) -> int:
        """Clock minute at which it is done."""
        return self.parts[-1][1]


@dataclass(frozen=True)
class Calendar:
    """Placings in the order they begin. bound_min : no calendar of these jobs ends sooner; broken : windows mended;
    over_free_days : runs of work with a weekend or holiday inside. gap is in working time, as a share of the bound."""

    placings: tuple[Placing, ...]
    end_min: int
    bound_min: int
    gap: float
    broken: int
    over_free_days: int


def make_calendar(
    jobs: Sequence[Job],
    people: int,
    shifts: Shifts,
    tries: int = TRIES,
    step: Callable[[float], None] | None = None,
) -> Calendar:
    """The calendar of `jobs` for so many people. A job that asks for more people than there are takes them all, for as
    much longer.

    step : called with 0 to 1 now and then; may raise to stop. Raises ValueError for an unknown or circular link.
    """
    if people < 1 or any(job.people < 1 for job in jobs):
        raise ValueError("a calendar, and each of its jobs, needs at least one person")
    fitted = [_within(job, people) for job in jobs]
    runs = _runs_of(fitted)
    if not runs:
        return Calendar((), 0, 0, 0.0, 0, 0)
    order = _first_order(runs)
    best = _lay_all(runs, order, people, shifts)
    best_cost = _cost(best, shifts)
    rng = random.Random(SEED)
    rounds = min(400, max(0, tries // len(fitted))) if len(runs) > 2 else 0
    rank = {at: k for k, at in enumerate(order)}
    met = {tuple(order)}  # many swaps leave the order as it was, for what has to come first
    for k in range(rounds):
        if step is not None and k % 8 == 0:
            step(k / rounds)
        tried = dict(rank)
        a, b = rng.sample(range(len(runs)), 2)
        tried[a], tried[b] = tried[b], tried[a]
        swapped = tuple(_by_rank(runs, tried))
        if swapped in met:
            continue
        met.add(swapped)
        laid = _lay_all(runs, swapped, people, shifts)
        cost = _cost(laid, shifts)
        if cost < best_cost:
            best, best_cost, rank = laid, cost, tried
    return _calendar(best, fitted, people, shifts)


def _within(job: Job, people: int) -> Job:
    if job.people <= people:
        return job
    longer = math.ceil(job.minutes * job.people / people)
    return Job(job.key, longer, people, job.links, job.unbroken)


def slots_of(minutes: int) -> int:
    """Slots that hold so many minutes, at least one."""
    return max(1, -(-minutes // SLOT_MIN))


# --- runs of work tied by windows ------------------------------------------------------------------------


@dataclass(frozen=True)
class _Run:
    jobs: tuple[Job, ...]  # in an order that keeps the links
    after: frozenset[int]  # runs that come before
    tail_min: int  # longest way from its start to the end of everything


def _runs_of(jobs: Sequence[Job]) -> list[_Run]:
    """Jobs gathered into runs: tied by a window, or by a circle of such runs."""
    import numpy as np
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    at = {job.key: k for k, job in enumerate(jobs)}
    if len(at) < len(jobs):
        raise ValueError("two jobs have the same key")
    order = _sorted(jobs, at)
    links = [(at[link.after], k, link) for k, job in enumerate(jobs) for link in job.links]
    if not jobs:
        return []
    size = (len(jobs), len(jobs))
    tied = np.array([(a, b) for a, b, link in links if link.most_min is not None], int).reshape(-1, 2)
    joined = coo_array((np.ones(len(tied)), (tied[:, 0], tied[:, 1])), shape=size)
    _, label = connected_components(joined, directed=False)
    between = np.array([(label[a], label[b]) for a, b, _ in links], int).reshape(-1, 2)
    _, strong = connected_components(coo_array((np.ones(len(between)), between.T), shape=size), connection="strong")
    label = strong[label]
    tails = _tails(jobs, order, links)
    names = {name: k for k, name in enumerate(dict.fromkeys(int(label[k]) for k in order))}
    groups: list[list[int]] = [[] for _ in names]
    for k in order:
        groups[names[int(label[k])]].append(k)
    before: list[set[int]] = [set() for _ in names]
    for a, b, _ in links:
        one, other = names[int(label[a])], names[int(label[b])]
        if one != other:
            before[other].add(one)
    return [
        _Run(tuple(jobs[k] for k in group), frozenset(before[g]), max(tails[k] for k in group))
        for g, group in enumerate(groups)
    ]


def _sorted(jobs: Sequence[Job], at: dict[str, int]) -> list[int]:
    """Jobs so that what a job follows comes first, else in their own order. Raises ValueError."""
    waits: list[int] = [0] * len(jobs)
    follows: list[list[int]] = [[] for _ in jobs]
    for k, job in enumerate(jobs):
        for link in job.links:
            if link.after not in at:
                raise ValueError(f"'{job.key}' follows '{link.after}', which is no job")
            follows[at[link.after]].append(k)
            waits[k] += 1
    ready = [k for k, count in enumerate(waits) if not count]
    order = []
    while ready:
        k = heapq.heappop(ready)
        order.append(k)
        for other in follows[k]:
            waits[other] -= 1
            if not waits[other]:
                heapq.heappush(ready, other)
    if len(order) < len(jobs):
        raise ValueError("jobs follow one another in a circle")
    return order


def _tails(jobs: Sequence[Job], order: Sequence[int], links: Sequence[tuple[int, int, Link]]) -> list[int]:
    """Longest way from each job's start to the end, in minutes, nights left out."""
    follows: list[list[tuple[int, int]]] = [[] for _ in jobs]
    for a, b, link in links:
        follows[a].append((b, link.least_min))
    tails = [0] * len(jobs)
    for k in reversed(order):
        tails[k] = jobs[k].minutes + max((wait + tails[b] for b, wait in follows[k]), default=0)
    return tails


def _first_order(runs: Sequence[_Run]) -> list[int]:
    by_tail = sorted(range(len(runs)), key=lambda k: (-runs[k].tail_min, k))
    return _by_rank(runs, {at: k for k, at in enumerate(by_tail)})


def _by_rank(runs: Sequence[_Run], rank: dict[int, int]) -> list[int]:
    """Runs by rank, each after those it follows."""
    waits = [len(run.after) for run in runs]
    follows: list[list[int]] = [[] for _ in runs]
    for k, run in enumerate(runs):
        for before in run.after:
            follows[before].append(k)
    ready = [(rank[k], k) for k, count in enumerate(waits) if not count]
    heapq.heapify(ready)
    order = []
    while ready:
        _, k = heapq.heappop(ready)
        order.append(k)
        for other in follows[k]:
            waits[other] -= 1
            if not waits[other]:
                heapq.heappush(ready, (rank[other], other))
    return order


# --- placing ---------------------------------------------------------------------------------------------


class _Hands:
    """Who is free when. busy[p - 1] has a bit for each working slot in which fewer than p people are free."""

    def __init__(self, people: int, busy: list[int] | None = None) -> None:
        self.people = people
        self.busy = busy if busy is not None else [0] * people

    def copy(self) -> _Hands:
        return _Hands(self.people, list(self.busy))

    def take(self, slot: int, count: int, people: int) -> None:
        """`people` are at work in so many slots: where p were free, p - people are."""
        bits = ((1 << count) - 1) << slot
        old = list(self.busy)
        for p in range(self.people, 0, -1):
            was = old[p + people - 1] if p + people <= self.people else -1
            self.busy[p - 1] = old[p - 1] | (bits & was)

    def first_stretch(self, slot: int, count: int, people: int, a_day: int) -> int:
        """The first slot from `slot` on from where `people` are free for `count` slots in a row; within a day where
        they fit one, else from a day's first slot."""
        blocked = self.busy[people - 1] >> slot
        wide, have = blocked, 1
        while have < count:
            more = min(have, count - have)
            wide |= wide >> more
            have += more
        at = 0
        while True:
            at += _lowest_zero(wide >> at)
            within = (slot + at) % a_day
            if (count <= a_day and within + count <= a_day) or (count > a_day and within == 0):
                return slot + at
            at += a_day - within

    def free_slots(self, slot: int, count: int, people: int, a_day: int) -> list[tuple[int, int]]:
        """(slot, count) stretches from `slot` on in which `people` are free, until `count` slots are found; none
        shorter than `LEAST_STRETCH` but the last."""
        found: list[tuple[int, int]] = []
        blocked, at = self.busy[people - 1] >> slot, 0
        while count > 0:
            at += _lowest_zero(blocked >> at)
            rest = blocked >> at
            free = count if rest == 0 else min(count, (rest & -rest).bit_length() - 1)
            today = min(free, a_day - (slot + at) % a_day)
            if 0 < count - today < LEAST_STRETCH and today >= 2 * LEAST_STRETCH:
                today = count - LEAST_STRETCH  # nothing is left over that nobody would come back for
            if today >= min(LEAST_STRETCH, count, a_day):
                found.append((slot + at, today))
                count -= today
            at += today
        return found


def _lowest_zero(bits: int) -> int:
    return (~bits & (bits + 1)).bit_length() - 1


@dataclass
class _Laid:
    placings: dict[str, Placing]
    broken: int = 0
    over_free_days: int = 0


def _lay_all(runs: Sequence[_Run], order: Sequence[int], people: int, shifts: Shifts) -> _Laid:
    hands = _Hands(people)
    laid = _Laid({})
    for k in order:
        hands = _lay_run(runs[k], laid, hands, shifts)
    return laid


def _lay_run(run: _Run, laid: _Laid, hands: _Hands, shifts: Shifts) -> _Hands:
    """Place a run where it costs least; `laid` grows, the hands left over come back."""
    first = shifts.slot(_earliest(run.jobs[0], laid.placings))
    best: tuple[tuple[int, int], _Hands, dict[str, Placing], int, int] | None = None
    for later in range(LATER_STARTS if len(run.jobs) > 1 else 1):
        a_day = shifts.slots_a_day
        start = first if later == 0 else (first // a_day + later) * a_day
        for _ in range(NUDGES):
            own = hands.copy()
            placed, broken, late = _lay_jobs(run, laid.placings, own, shifts, start)
            begun, ended = min(p.begins for p in placed.values()), max(p.end for p in placed.values())
            over = int(len(placed) > 1 and shifts.free_days_between(begun, ended) > 0)
            cost = (ended + broken * BROKEN_WINDOW_MIN + over * FREE_DAYS_MIN, -begun)
            if best is None or cost < best[0]:
                best = (cost, own, placed, broken, over)
            if not late:
                break
            start += slots_of(late)
        assert best is not None
        if best[3] == 0 and best[4] == 0:
            break
    assert best is not None
    laid.placings.update(best[2])
    laid.broken += best[3]
    laid.over_free_days += best[4]
    return best[1]


def _earliest(job: Job, placings: dict[str, Placing]) -> int:
    return max((placings[x.after].end + x.least_min for x in job.links if x.after in placings), default=0)


def _lay_jobs(
    run: _Run, before: dict[str, Placing], hands: _Hands, shifts: Shifts, start: int
) -> tuple[dict[str, Placing], int, int]:
    """Place a run's jobs one after another from a slot on: placings, windows broken, and by how many minutes the first
    of them was missed on a day on which it could have been kept."""
    placed: dict[str, Placing] = {}
    broken = late = 0
    for k, job in enumerate(run.jobs):
        earliest = max(_earliest(job, before), _earliest(job, placed))
        slot = max(shifts.slot(earliest), start if k == 0 else 0)
        tried = hands.copy()
        made = _put(job, 0, slot, tried, shifts)
        missed = [x for x in job.links if x.most_min is not None and _past(x, made.start, before, placed) > 0]
        if missed:
            broken += 1
            over = max(_past(x, made.start, before, placed) for x in missed)
            if not late and over < shifts.minutes_a_day:
                late = over
            made = _put(job, max(x.mend_min for x in missed), slot, hands, shifts)
        else:
            hands.busy = tried.busy
        placed[job.key] = made
    return placed, broken, late


def _past(link: Link, start: int, before: dict[str, Placing], placed: dict[str, Placing]) -> int:
    """Minutes by which a start misses a window's end; not positive where it keeps it."""
    end = (placed.get(link.after) or before[link.after]).end
    return start - end - (link.most_min or 0)


def _put(job: Job, mend_min: int, slot: int, hands: _Hands, shifts: Shifts) -> Placing:
    """Put a job, with what mends its window before it, from a slot on; takes the hands."""
    mend = slots_of(mend_min) if mend_min > 0 else 0
    count = slots_of(job.minutes)
    if job.unbroken:
        at = hands.first_stretch(slot, mend + count, job.people, shifts.slots_a_day)
        stretches = [(at, mend + count)]
    else:
        stretches = hands.free_slots(slot, mend + count, job.people, shifts.slots_a_day)
    for at, many in stretches:
        hands.take(at, many, job.people)
    mending, working = _split(stretches, mend)
    return Placing(job.key, job.people, _clocked(working, shifts), _clocked(mending, shifts))


def _split(stretches: Sequence[tuple[int, int]], first: int) -> tuple[list[tuple[int, int]], list[tuple[int, int]]]:
    """The first so many slots of the stretches, and the rest."""
    head, tail = [], []
    for at, many in stretches:
        here = min(first, many)
        if here:
            head.append((at, here))
        if many - here:
            tail.append((at + here, many - here))
        first -= here
    return head, tail


def _clocked(stretches: Sequence[tuple[int, int]], shifts: Shifts) -> tuple[tuple[int, int], ...]:
    """Stretches of working slots as clock minutes, parted at nights."""
    parts: list[tuple[int, int]] = []
    for at, many in stretches:
        while many > 0:
            today = min(many, shifts.slots_a_day - at % shifts.slots_a_day)
            start, end = shifts.clock(at), shifts.clock(at + today, end=True)
            if parts and parts[-1][1] == start:
                parts[-1] = (parts[-1][0], end)
            else:
                parts.append((start, end))
            at, many = at + today, many - today
    return tuple(parts)


# --- how good it is --------------------------------------------------------------------------------------


def _cost(laid: _Laid, shifts: Shifts) -> tuple[int, int]:
    end = max(p.end for p in laid.placings.values())
    spread = sum(p.end for p in laid.placings.values())
    return end + laid.broken * BROKEN_WINDOW_MIN + laid.over_free_days * FREE_DAYS_MIN, spread


def _calendar(laid: _Laid, jobs: Sequence[Job], people: int, shifts: Shifts) -> Calendar:
    placings = tuple(sorted(laid.placings.values(), key=lambda p: (p.begins, p.end, p.key)))
    end = max(p.end for p in placings)
    bound = bound_min(jobs, people, shifts)
    worked, least = shifts.slot(end), max(1, shifts.slot(bound))
    return Calendar(placings, end, bound, max(0, worked - least) / least, laid.broken, laid.over_free_days)


def bound_min(jobs: Sequence[Job], people: int, shifts: Shifts) -> int:
    """No calendar of these jobs ends sooner, in clock minutes: the longest way through the links with people without
    number, or all the work shared out among the people there are, whichever is later."""
    at = {job.key: k for k, job in enumerate(jobs)}
    alone: dict[str, Placing] = {}
    free = _Hands(people)
    for k in _sorted(jobs, at):
        job = _within(jobs[k], people)
        alone[job.key] = _put(job, 0, shifts.slot(_earliest(job, alone)), free.copy(), shifts)
    longest = max((p.end for p in alone.values()), default=0)
    work = sum(slots_of(job.minutes) * job.people for job in (_within(j, people) for j in jobs))
    shared = shifts.clock(-(-work // people), end=True) if work else 0
    return max(longest, shared)
