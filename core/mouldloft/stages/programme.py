"""Stage 10, programme: batches inside pot life, coats, waits and days, for the mould and for the run of casts.

Hours come from amounts and the catalogue's working rates. Waits go on overnight and over weekends; work keeps to the
brief's hours. Work that may be done at any time (cradles, cleaning up a cast's joint) fills the waits.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta

from ..base.errors import PlanImpossible
from ..base.marks import Assumption, Mark
from ..base.progress import SILENT, Progress
from ..inputs.brief import Brief, day_one
from ..inputs.catalogue import Catalogue, RubberMaterial, temperature_factor
from .cast import Cast
from .jacket import Jacket, JacketPiece
from .keys import Keys
from .rubber import Rubber, coat_volumes_mm3, flange_areas_mm2, wall_areas_mm2

DAY_H = 24.0
BOARDS_PER_CRADLE = 3  # common practice: two profiles and a middle one; the cradle itself says how many
COOL_WORKSHOP_C = 15.0  # common practice: polyester and condensation silicone cure badly below
WARM_WORKSHOP_C = 30.0  # common practice: mixes run away above
LONGEST_DAYS = 36_500  # a century: no calendar of use is longer


@dataclass(frozen=True)
class Task:
    """One piece of work or wait. hours count from the start of day 1 (24 to a day); hands 0 is an unattended wait."""

    name: str
    stage: str
    start_h: float
    duration_h: float
    hands: int
    day: int  # of the calendar, from 1
    date: str  # ISO, or "" where the brief gives no start date
    note: str
    line: str = ""  # what it is part of, for a chart: "Rubber, left piece", "Cast 2"


@dataclass(frozen=True)
class Batch:
    """What can be mixed and spread inside the pot life: one pot for one pair of hands. batch_kg is the whole mix."""

    coat: str
    piece: str
    batches: int
    batch_kg: float
    pot_life_min: float  # at the workshop's temperature
    brushing_min: float
    catalyst_g: float  # in one batch
    first_day: int = 0  # of the calendar, on which the first is mixed


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


def set_programme(
    rubber: Rubber,
    keys: Keys,
    jacket: Jacket,
    cast: Cast,
    brief: Brief,
    catalogue: Catalogue,
    progress: Progress = SILENT,
) -> Programme:
    """Set batches and days for the mould and the run.

    Raises `BriefRefused` for a start date that is none, `PlanImpossible` where a mix sets before it can be spread.
    """
    progress.step(0.0, "batches inside the pot life")
    shop = _Workshop(rubber, keys, jacket, cast, brief, catalogue)
    mixes = tuple(shop.batches())
    progress.step(0.3, "days on the calendar")
    start, notes = first_day(brief)
    clock, mould_end, run_start = _work_through(shop, brief, start, 1.0)
    swing = catalogue.rates.rate_uncertainty
    ranges = [_days(*_work_through(shop, brief, start, share)) for share in (1 - swing, 1 + swing)]
    mould_days, run_days = _days(clock, mould_end, run_start)
    progress.step(1.0)
    return Programme(
        tasks=tuple(clock.tasks),
        batches=tuple(replace(mix, first_day=clock.mixed.get((mix.coat, mix.piece), 0)) for mix in mixes),
        mould_days=mould_days,
        run_days=run_days,
        temperature_note=_temperature_note(brief, catalogue),
        mould_days_range=(ranges[0][0], ranges[1][0]),
        run_days_range=(ranges[0][1], ranges[1][1]),
        mould_person_hours=_person_hours(t for t in clock.tasks if t.stage != "casts"),
        run_person_hours=_person_hours(t for t in clock.tasks if t.stage == "casts"),
        notes=notes,
    )


# --- what is mixed ---------------------------------------------------------------------------------------


def split_into_batches(
    coat: str,
    piece: str,
    total_kg: float,
    kg_h: float,
    life_min: float,
    catalyst_share: float,
    catalogue: Catalogue,
) -> Batch:
    """Pots of at most what one pair of hands spreads before the mix drags, and at most the batch limit.

    total_kg is of the mix, kg_h what one pair of hands spreads, life_min the pot life at the workshop's temperature,
    catalyst_share the catalyst's share of the mix. Raises `PlanImpossible` where mixing alone takes the pot life.
    """
    rates = catalogue.rates
    brush_min = life_min * rates.usable_pot_life - rates.mixing_min
    if brush_min <= 0:
        raise PlanImpossible(
            f"The mix for the {coat} sets in {life_min:.0f} min at the workshop's temperature, and mixing alone takes "
            f"{rates.mixing_min:.0f} min; cool the workshop (run.workshop_temperature_c) or choose a slower product."
        )
    most_kg = min(kg_h * brush_min / 60.0, rates.batch_limit_kg)
    count = math.ceil(total_kg / most_kg - 1e-9) if total_kg > 0 else 0
    each = total_kg / count if count else 0.0
    return Batch(coat, piece, count, each, life_min, each / kg_h * 60.0, each * catalyst_share * 1000.0)


@dataclass(frozen=True)
class _Workshop:
    """The records and the brief, and the hours and batches that follow from them."""

    rubber: Rubber
    keys: Keys
    jacket: Jacket
    cast: Cast
    brief: Brief
    catalogue: Catalogue

    @property
    def stuff(self) -> RubberMaterial:
        return self.catalogue.rubber_for(self.brief.materials)

    @property
    def hands(self) -> int:
        return self.brief.run.hands

    @property
    def seam_m(self) -> float:
        """Length that wall and flange are built along: the flange's area over its width, of the piece with most; of
        more than two pieces half of all."""
        areas = flange_areas_mm2(self.rubber)
        area = max(areas, default=0.0) if len(areas) <= 2 else sum(areas) / 2
        return area / self.rubber.flange_width_mm * 1e-3

    @property
    def several(self) -> bool:
        """More than two pieces."""
        return len(self.rubber.envelopes) > 2

    def wall_m(self, piece: int) -> float:
        """Length of wall to build before a piece is brushed."""
        if not self.several:
            return self.seam_m if piece == 0 else 0.0
        return wall_areas_mm2(self.rubber)[piece] / self.rubber.flange_width_mm * 1e-3

    def flange_m2(self, piece: int) -> float:
        """Flange to release before a piece is brushed."""
        if not self.several:
            return self.seam_m * self.rubber.flange_width_mm * 1e-3
        return flange_areas_mm2(self.rubber)[piece] * 1e-6

    def warmth(self, stated_at_c: float) -> float:
        run, rates = self.brief.run, self.catalogue.rates
        return temperature_factor(run.workshop_temperature_c, stated_at_c, rates.warm_doubling_c)

    def coat_batch(self, piece: int, at: int) -> Batch:
        stuff, coat = self.stuff, self.rubber.coats[at]
        density = stuff.density_kg_m3 * 1e-9
        kg = coat_volumes_mm3(self.rubber, piece)[at] * density
        spread_mm = coat.thickness_mm or stuff.build_coat_mm
        kg_h = self.catalogue.rates.brushing_m2_h * 1e6 * spread_mm * density
        life = stuff.pot_life_min * self.warmth(stuff.pot_life_temperature_c)
        share = stuff.catalyst_fraction / (1 + stuff.catalyst_fraction)
        name = self.rubber.envelopes[piece].name
        return split_into_batches(coat.name, name, kg, kg_h, life, share, self.catalogue)

    def resin_batch(self, what: str, piece: str, kg: float, glass_fraction: float) -> Batch:
        resin = self.catalogue.resin_for(self.brief.materials)
        kg_h = self.catalogue.rates.laminating_kg_h * (1 / glass_fraction - 1)
        life = resin.gel_time_min * self.warmth(resin.gel_temperature_c)
        share = resin.catalyst_fraction / (1 + resin.catalyst_fraction)
        return split_into_batches(what, piece, kg * (1 + resin.catalyst_fraction), kg_h, life, share, self.catalogue)

    def gelcoat_batch(self) -> Batch:
        gelcoat = self.catalogue.gelcoat_for(self.brief.materials)
        kg = self.cast.gelcoat_kg
        kg_m2 = kg / (self.cast.area_mm2 * 1e-6) if self.cast.area_mm2 > 0 else 1.0
        kg_h = self.catalogue.rates.brushing_m2_h * kg_m2
        life = gelcoat.gel_time_min * self.warmth(gelcoat.gel_temperature_c)
        share = gelcoat.catalyst_fraction / (1 + gelcoat.catalyst_fraction)
        mixed = kg * (1 + gelcoat.catalyst_fraction)
        return split_into_batches("gelcoat", "each cast", mixed, kg_h, life, share, self.catalogue)

    def jacket_batch(self, piece: JacketPiece) -> Batch:
        resin = sum(zone.resin_kg for zone in piece.zones)
        return self.resin_batch("jacket laminate", piece.name, resin, self.brief.jacket.glass_fraction)

    def cast_batch(self) -> Batch:
        kg = self.cast.resin_kg + self.cast.joint_resin_kg
        return self.resin_batch("cast laminate", "each cast", kg, self.brief.cast.glass_fraction)

    def batches(self) -> Iterable[Batch]:
        """Every mix of the mould, then those of one cast."""
        for piece in range(len(self.rubber.envelopes)):
            for at in range(len(self.rubber.coats)):
                yield self.coat_batch(piece, at)
        for shell in self.jacket.pieces:
            yield self.jacket_batch(shell)
        yield self.gelcoat_batch()
        yield self.cast_batch()

    def hours_of(self, batch: Batch) -> float:
        """Time for its pots with all hands at it, each with its own pot."""
        rounds = math.ceil(batch.batches / self.hands)
        return rounds * (self.catalogue.rates.mixing_min + batch.brushing_min) / 60.0


def bolt_count(jacket: Jacket) -> int:
    """Bolts of the whole jacket, also into the board: pieces that meet list the same, so places within 5 mm are one."""
    import numpy as np
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components
    from scipy.spatial import cKDTree

    bolts = [b for piece in jacket.pieces for b in (*piece.bolts_mm, *piece.foot_bolts_mm)]
    points = np.array(bolts, float).reshape(-1, 3)
    if not len(points):
        return 0
    pairs = cKDTree(points).query_pairs(5.0, output_type="ndarray")
    links = coo_array((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(len(points),) * 2)
    return int(connected_components(links, directed=False)[0])


# --- the calendar ----------------------------------------------------------------------------------------


def first_day(brief: Brief) -> tuple[date | None, tuple[str, ...]]:
    """Date of day 1, moved on to a working day, and what to say about it. Raises `BriefRefused`."""
    start = day_one(brief.run)
    if start is None:
        return None, () if brief.run.work_weekends else ("Without a start date, day 1 is taken as a Monday.",)
    if brief.run.work_weekends or start.weekday() < 5:
        return start, ()
    moved = start + timedelta(days=7 - start.weekday())
    return moved, (f"{start.isoformat()} is a weekend day; work starts on {moved.isoformat()}.",)


class _Clock:
    """Places tasks one after another in working hours. `pace` multiplies every task's hours, not the waits."""

    def __init__(self, brief: Brief, start: date | None, pace: float) -> None:
        self._run = brief.run
        self._start = start
        self._pace = pace
        self._now = 0.0
        self._spare: deque[tuple[str, str, str, float, str]] = deque()
        self.line = ""  # what the tasks placed next are part of
        self.tasks: list[Task] = []
        self.mixed: dict[tuple[str, str], int] = {}  # coat and piece of a batch: the day of its first pot

    @property
    def now(self) -> float:
        return self._now

    def _is_free(self, day: int) -> bool:
        weekday = (self._start.weekday() if self._start else 0) + day
        return not self._run.work_weekends and weekday % 7 >= 5

    def _next_working(self, hour: float) -> float:
        """The first hour from `hour` on in which work may be done."""
        day = int(hour // DAY_H)
        if self._is_free(day) or hour - day * DAY_H >= self._run.hours_per_day - 1e-9:
            day += 1
            while self._is_free(day):
                day += 1
            return day * DAY_H
        return hour

    def _left_today(self, hour: float) -> float:
        return self._run.hours_per_day - (hour - (hour // DAY_H) * DAY_H)

    def _put(self, name: str, stage: str, start: float, hours: float, hands: int, note: str) -> None:
        day = int(start // DAY_H)
        if day > LONGEST_DAYS:
            raise PlanImpossible(
                "The programme would take over a hundred years; give it more hands, longer days or fewer casts."
            )
        on = (self._start + timedelta(days=day)).isoformat() if self._start else ""
        self.tasks.append(Task(name, stage, start, hours, hands, day + 1, on, note, self.line))

    def work(
        self, name: str, stage: str, hours: float, note: str = "", unbroken: bool = False, mix: Batch | None = None
    ) -> None:
        """All hands at it. Unbroken work that fits a day is not begun on one that it does not fit any more."""
        before = len(self.tasks)
        self._place(name, stage, hours * self._pace, note, unbroken, math.inf)
        if mix is not None and len(self.tasks) > before:
            self.mixed.setdefault((mix.coat, mix.piece), self.tasks[before].day)

    def _place(self, name: str, stage: str, hours: float, note: str, unbroken: bool, until: float) -> float:
        """Place what fits before `until`; returns the hours left over."""
        if hours <= 1e-9:
            return 0.0
        self._now = self._next_working(self._now)
        if unbroken and hours <= self._run.hours_per_day and hours > self._left_today(self._now) + 1e-9:
            self._now = self._next_working((self._now // DAY_H) * DAY_H + self._run.hours_per_day)
        if unbroken and hours > self._run.hours_per_day:
            note = f"{note}; more than a day's work: it needs more hands to be done in one go"
        while hours > 1e-9:
            self._now = self._next_working(self._now)
            if self._now >= until - 1e-9:
                return hours
            today = min(hours, self._left_today(self._now), until - self._now)
            self._put(name, stage, self._now, today, self._run.hands, note)
            self._now += today
            hours -= today
        return 0.0

    def spare(self, line: str, name: str, stage: str, hours: float, note: str = "") -> None:
        """Work for whenever there is a wait."""
        self._spare.append((line, name, stage, hours * self._pace, note))

    def wait(self, name: str, stage: str, hours: float) -> None:
        """Unattended; spare work fills it."""
        if hours <= 1e-9:
            return
        self._put(name, stage, self._now, hours, 0, "")
        ready = self._now + hours
        while self._spare and self._next_working(self._now) < ready - 1e-9:
            self._spare_until(ready)
        self._now = ready

    def _spare_until(self, until: float) -> None:
        line, name, stage, hours, note = self._spare.popleft()
        between, self.line = self.line, line
        left = self._place(name, stage, hours, note, False, until)
        self.line = between
        if left > 1e-9:
            self._spare.appendleft((line, name, stage, left, note))

    def finish_spare(self) -> None:
        """Do what spare work no wait had room for."""
        while self._spare:
            self._spare_until(math.inf)


def _work_through(shop: _Workshop, brief: Brief, start: date | None, pace: float) -> tuple[_Clock, float, float]:
    """The clock with all tasks, the hour the mould is ready and the hour the run begins."""
    clock = _Clock(brief, start, pace)
    for piece in range(len(shop.rubber.envelopes)):
        _make_piece(clock, shop, piece)
    rates, hands = shop.catalogue.rates, shop.hands
    clock.finish_spare()
    clock.line = "Bolt, trim, open, clean"
    clock.work("Drill and bolt the flange", "jacket", bolt_count(shop.jacket) / rates.drill_bolts_per_h / hands)
    clock.work("Trim the jacket", "jacket", 2 * shop.seam_m / rates.trim_m_h / hands)
    clock.work("Open the mould, lift the master out", "mould", rates.open_mould_h / hands)
    clock.work("Clean the glove and jacket", "mould", shop.rubber.skin_m2 / rates.clean_m2_h / hands)
    mould_end = clock.now
    before = len(clock.tasks)
    for number in range(1, brief.run.casts + 1):
        _make_cast(clock, shop, number)
    clock.finish_spare()
    run_start = clock.tasks[before].start_h if len(clock.tasks) > before else mould_end
    return clock, mould_end, run_start


def _make_piece(clock: _Clock, shop: _Workshop, piece: int) -> None:
    rates, hands, stuff = shop.catalogue.rates, shop.hands, shop.stuff
    name = shop.rubber.envelopes[piece].name
    clock.line = f"Wall and release, {name}"
    if piece == 0:
        clock.work("Build and seal the wall", "wall", shop.wall_m(piece) / rates.wall_m_h / hands)
        clock.work("Seal and release the master", "wall", shop.rubber.skin_m2 / rates.release_m2_h / hands)
    else:
        if shop.wall_m(piece) > 0:
            clock.work(f"Build and seal the wall, {name}", "wall", shop.wall_m(piece) / rates.wall_m_h / hands)
        hours = rates.wall_away_h / hands + shop.flange_m2(piece) / rates.release_m2_h / hands
        clock.work(f"Take the wall away, release the flange for the {name}", "wall", hours)
    clock.line = f"Rubber, {name}"
    recoat = stuff.recoat_min / 60.0 * shop.warmth(stuff.pot_life_temperature_c)
    for at, coat in enumerate(shop.rubber.coats):
        batch = shop.coat_batch(piece, at)
        if at:
            clock.wait(f"{shop.rubber.coats[at - 1].name.capitalize()} sets, {name}", "glove", recoat)
        note = f"{batch.batches} x {batch.batch_kg:.2f} kg, {batch.catalyst_g:.0f} g of it catalyst"
        clock.work(f"{coat.name.capitalize()}, {name}", "glove", shop.hours_of(batch), note, True, batch)
    keys = sum(1 for key in shop.keys.keys if key.piece == piece)
    clock.work(f"Set {keys} keys, {name}", "glove", keys / rates.keys_per_h / hands)
    clock.wait(f"Rubber cures, {name}", "glove", stuff.cure_h * shop.warmth(stuff.pot_life_temperature_c))
    _make_jacket(clock, shop, piece)


def _make_jacket(clock: _Clock, shop: _Workshop, piece: int) -> None:
    rates, hands = shop.catalogue.rates, shop.hands
    resin = shop.catalogue.resin_for(shop.brief.materials)
    for shell in (p for p in shop.jacket.pieces if p.piece == piece):
        area_m2 = shell.area_mm2 * 1e-6
        clock.line = f"Jacket, {shell.name}"
        clock.work(f"Release the rubber, {shell.name}", "jacket", area_m2 / rates.release_m2_h / hands)
        glass = sum(zone.glass_kg for zone in shell.zones)
        batch = shop.jacket_batch(shell)
        mixing = math.ceil(batch.batches / hands) * rates.mixing_min / 60.0
        note = f"{glass:.1f} kg of glass; resin in {batch.batches} x {batch.batch_kg:.2f} kg"
        hours = glass / rates.laminating_kg_h / hands + mixing
        clock.work(f"Lay up the jacket, {shell.name}", "jacket", hours, note, mix=batch)
        hours = BOARDS_PER_CRADLE * rates.cradle_h_per_board / hands
        name = f"Cradle for the {shell.name}"
        clock.spare(name, name, "cradle", hours, f"taken as {BOARDS_PER_CRADLE} boards")
        clock.wait(f"Jacket cures, {shell.name}", "jacket", resin.cure_h * shop.warmth(resin.gel_temperature_c))


def _make_cast(clock: _Clock, shop: _Workshop, number: int) -> None:
    rates, hands, cast = shop.catalogue.rates, shop.hands, shop.cast
    gelcoat = shop.catalogue.gelcoat_for(shop.brief.materials)
    resin = shop.catalogue.resin_for(shop.brief.materials)
    name = clock.line = f"Cast {number}"
    parts = "pieces" if shop.several else "halves"
    coat, laminate = shop.gelcoat_batch(), shop.cast_batch()
    note = f"{coat.batches} x {coat.batch_kg:.2f} kg, {coat.catalyst_g:.0f} g of it catalyst"
    clock.work(f"{name}: gelcoat in the open {parts}", "casts", shop.hours_of(coat), note, True, coat)
    clock.wait(f"{name}: gelcoat sets", "casts", gelcoat.overlay_h * shop.warmth(gelcoat.gel_temperature_c))
    glass = cast.glass_kg
    mixing = math.ceil(laminate.batches / hands) * rates.mixing_min / 60.0
    note = f"{glass:.1f} kg of glass; resin in {laminate.batches} x {laminate.batch_kg:.2f} kg"
    hours = glass / rates.laminating_kg_h / hands + mixing
    clock.work(f"{name}: lay up the {parts}", "casts", hours, note, mix=laminate)
    clock.work(f"{name}: close the mould and tape the joint", "casts", cast.joint_tape_m / rates.join_m_h / hands)
    if cast.baseboard_halves_mm:
        clock.work(f"{name}: glass in the baseboard", "casts", rates.baseboard_h / hands)
    clock.wait(f"{name}: cures", "casts", resin.cure_h * shop.warmth(resin.gel_temperature_c))
    clock.work(f"{name}: open the mould", "casts", rates.open_mould_h / hands)
    clock.work(f"{name}: clean and check the glove", "casts", shop.rubber.skin_m2 / rates.clean_m2_h / hands)
    clock.spare(name, f"{name}: clean up the joint", "casts", cast.joint_tape_m / rates.finish_m_h / hands)


def _days(clock: _Clock, mould_end: float, run_start: float) -> tuple[int, int]:
    last = max((t.start_h + t.duration_h for t in clock.tasks if t.stage == "casts"), default=run_start)
    return _day_of_end(mould_end), _day_of_end(last) - int(run_start // DAY_H)


def _day_of_end(hour: float) -> int:
    """Day, from 1, in which an hour that ends something falls: hour 24 still belongs to day 1."""
    return max(1, math.ceil(hour / DAY_H - 1e-9))


def _person_hours(tasks: Iterable[Task]) -> float:
    return sum(task.hands * task.duration_h for task in tasks)


def _temperature_note(brief: Brief, catalogue: Catalogue) -> str:
    stuff = catalogue.rubber_for(brief.materials)
    run, rates = brief.run, catalogue.rates
    factor = temperature_factor(run.workshop_temperature_c, stuff.pot_life_temperature_c, rates.warm_doubling_c)
    life, at_c, doubling = stuff.pot_life_min, stuff.pot_life_temperature_c, rates.warm_doubling_c
    said = (
        f"At {run.workshop_temperature_c:g} °C the rubber's pot life is taken as {life * factor:.0f} min "
        f"({life:g} min at {at_c:g} °C, half for every {doubling:g} °C warmer: {Mark.COMMON_PRACTICE.value}); "
        "set times and cures follow the same rule."
    )
    if run.workshop_temperature_c < COOL_WORKSHOP_C:
        said += f" Below {COOL_WORKSHOP_C:g} °C polyester and silicone may never cure through: warm the workshop."
    if run.workshop_temperature_c > WARM_WORKSHOP_C:
        said += f" Above {WARM_WORKSHOP_C:g} °C mixes set without warning: mix less, work early."
    return said


def programme_assumptions(catalogue: Catalogue) -> tuple[Assumption, ...]:
    """The figures that the programme rests on, with their marks."""
    own: Sequence[Assumption] = (
        Assumption("profile boards of a cradle, for its hours", f"{BOARDS_PER_CRADLE}", Mark.COMMON_PRACTICE),
        Assumption("all hands at one task, each with its own pot", "rule", Mark.COMMON_PRACTICE),
    )
    return (*catalogue.rates.assumptions(), *own)
