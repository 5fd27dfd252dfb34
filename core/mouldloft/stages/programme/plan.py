"""Stage 10, programme: pots inside the pot life, and every task of the mould and the run on a calendar.

The tasks are data (`mouldwork`, `castwork`): people, hours from amounts and working rates, waits with an end where a
window closes. `trade.schedule` places them in the workshop's hours; waits go on overnight and over weekends.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import replace

from ...base.figures import counted, number, percent
from ...base.marks import Assumption, Mark
from ...base.progress import SILENT, Progress
from ...inputs.brief import Brief
from ...inputs.catalogue import Catalogue, temperature_factor
from ...trade.shifts import DAY_MIN
from ..cast import Cast
from ..cradle import Cradle
from ..jacket import Jacket
from ..keys import Keys
from ..locks import Locks
from ..rubber import Rubber
from ..seam import Seam
from .castwork import cast_work_assumptions, run_works
from .days import Worked, days_to, first_day, mended, mixed_days, place_work, tasks_of
from .mixes import Workshop, with_first_days
from .mouldwork import mould_work_assumptions, mould_works
from .painting import paint_hours
from .people import give_out, person_hours
from .record import RUN_PARTS, Batch, HoursLine, Programme
from .work import Work

COOL_WORKSHOP_C = 15.0  # common practice: polyester and condensation silicone cure badly below
WARM_WORKSHOP_C = 30.0  # common practice: mixes run away above


def set_programme(
    seam: Seam,
    locks: Locks,
    rubber: Rubber,
    keys: Keys,
    jacket: Jacket,
    cradle: Cradle,
    cast: Cast,
    brief: Brief,
    catalogue: Catalogue,
    progress: Progress = SILENT,
) -> Programme:
    """Set pots, tasks and days for the mould and the run.

    Raises `BriefRefused` for a start date that is none, `PlanImpossible` where a mix sets before it can be spread.
    """
    progress.step(0.0, "batches inside the pot life")
    shop = Workshop(seam, locks, rubber, keys, jacket, cradle, cast, brief, catalogue)
    mixes = tuple(shop.batches())
    ledger, mould_ready = mould_works(shop)
    run_works(ledger, shop, mould_ready)
    ledger.works[:] = [_as_logged(work, brief) for work in ledger.works]
    progress.step(0.3, "days on the calendar")
    worked = place_work(ledger.works, brief, progress=progress)
    swing = catalogue.rates.rate_uncertainty
    paced = [place_work(ledger.works, brief, pace, tries=0) for pace in (1 - swing, 1 + swing)]
    mould_days, run_days = _days(worked, mould_ready)
    ranges = [_days(each, mould_ready) for each in paced]
    hours = _hours(worked)
    tasks = give_out(tasks_of(worked), brief.run.hands)
    tack = _tack_batches(shop, worked)
    progress.step(1.0)
    return Programme(
        tasks=tasks,
        batches=with_first_days((*mixes, *tack), mixed_days(worked) | _tack_days(worked)),
        mould_days=mould_days,
        run_days=run_days,
        temperature_note=_temperature_note(brief, catalogue),
        mould_days_range=_around(mould_days, [r[0] for r in ranges]),
        run_days_range=_around(run_days, [r[1] for r in ranges]),
        mould_person_hours=sum(line.person_hours for line in hours if line.part not in RUN_PARTS),
        run_person_hours=sum(line.person_hours for line in hours if line.part in RUN_PARTS),
        notes=(*first_day(brief)[1], *_notes(worked, brief)),
        hours=hours,
        next_cast_person_hours=_next_cast_hours(ledger.works, shop),
        broken_windows=worked.calendar.broken,
        gap=worked.calendar.gap,
        people=brief.run.hands,
        by_person=person_hours(tasks),
        tack_coat_kg=math.fsum(batch.batches * batch.batch_kg for batch in tack),
    )


def _as_logged(work: Work, brief: Brief) -> Work:
    """The work at the hours that earlier runs took, where the brief holds them."""
    factor = 1.0
    if work.stage == "glove" and work.mix is not None:
        factor = brief.observed.coat_hours
    elif work.stage == "casts":
        factor = brief.observed.cast_hours
    return work if factor == 1.0 else replace(work, person_h=work.person_h * factor)


def _around(likely: int, found: Sequence[int]) -> tuple[int, int]:
    return min(likely, *found), max(likely, *found)


def _days(worked: Worked, mould_ready: str) -> tuple[int, int]:
    """Days to the mould's end, and from the run's first work to its last."""
    run = [work.key for work in worked.works if work.stage in RUN_PARTS]
    if not run:
        return days_to(worked.end_min(mould_ready)), 0
    begun = min(worked.begin_min(key) for key in run[:1])
    ended = max(p.end for p in worked.calendar.placings if p.key in set(run))
    return days_to(worked.end_min(mould_ready)), days_to(ended) - begun // DAY_MIN


def _hours(worked: Worked) -> tuple[HoursLine, ...]:
    """Person-hours as they stand on the calendar, by part and kind of work, in the order of the work."""
    placed = {p.key: p for p in worked.calendar.placings}
    found: dict[tuple[str, str], float] = {}
    for work in worked.works:
        at = placed[work.key]
        minutes = sum(b - a for a, b in (*at.parts, *at.mend))
        key = (work.stage, work.what)
        found[key] = found.get(key, 0.0) + at.people * minutes / 60.0
    return tuple(HoursLine(part, what, hours) for (part, what), hours in found.items())


def _next_cast_hours(works: Iterable[Work], shop: Workshop) -> float:
    """Of the last cast's own work, and of painting one by itself."""
    last, rates = f"cast {shop.brief.run.casts} ", shop.catalogue.rates
    own = sum(w.person_h for w in works if w.key.startswith(last) and not w.key.endswith(("looked over", "degrease")))
    return own + paint_hours(shop.brief, shop.cast.area_mm2 * 1e-6, rates)


def _tack_batches(shop: Workshop, worked: Worked) -> tuple[Batch, ...]:
    found = []
    for work, _ in mended(worked):
        if work.stage == "glove":
            piece = shop.piece_names.index(work.mix[1]) if work.mix else 0
            found.append(replace(shop.tack_batch(piece), coat=f"tack coat before {work.mix[0] if work.mix else ''}"))
    return tuple(found)


def _tack_days(worked: Worked) -> dict[tuple[str, str], int]:
    placed = {p.key: p for p in worked.calendar.placings}
    return {
        (f"tack coat before {work.mix[0]}", work.mix[1]): placed[work.key].begins // DAY_MIN + 1
        for work, _ in mended(worked)
        if work.mix
    }


def _notes(worked: Worked, brief: Brief) -> list[str]:
    made = worked.calendar
    said = []
    late = [(work, wait) for work, wait in mended(worked)]
    if late:
        names = "; ".join(f"{work.name}: {wait.mend[0].lower()}{wait.mend[1:]}" for work, wait in late[:6])
        more = f"; and {len(late) - 6} more" if len(late) > 6 else ""
        said.append(
            f"{counted(len(late), 'window')} {'closes' if len(late) == 1 else 'close'} outside working hours; what is "
            f"done then is planned: {names}{more}. Test first; the product's data sheet decides."
        )
    if made.over_free_days:
        said.append("A weekend or day off falls inside one run of coats; start it elsewhere or work that day.")
    if brief.run.hands == 1:
        said.append(
            "Turning, opening, shutting and jackets over a metre take two people; with one they are not safe as "
            "planned."
        )
    if made.gap > 0.005:
        said.append(
            f"In another order these tasks would save {percent(made.gap / (1 + made.gap))} of the working time at "
            "most; part of that is what keeps coats inside their windows and off weekends."
        )
    else:
        said.append("With these people and hours no order of these tasks is shorter.")
    return said


def _temperature_note(brief: Brief, catalogue: Catalogue) -> str:
    used = catalogue.rubber_for(brief.materials)
    run, rates = brief.run, catalogue.rates
    factor = temperature_factor(run.workshop_temperature_c, used.pot_life_temperature_c, rates.warm_doubling_c)
    life, at_c, doubling = used.pot_life_min, used.pot_life_temperature_c, rates.warm_doubling_c
    opens, closes = (number(minutes * factor / 60) for minutes in (used.recoat_min, used.recoat_most_min))
    said = (
        f"At {run.workshop_temperature_c:g} °C the rubber's pot life is taken as {life * factor:.0f} min "
        f"({life:g} min at {at_c:g} °C, half for every {doubling:g} °C warmer: {Mark.COMMON_PRACTICE.value}) and its "
        f"recoat window as {opens} to {closes} h; "
        "cures follow the same rule."
    )
    if run.workshop_temperature_c < COOL_WORKSHOP_C:
        said += f" Below {COOL_WORKSHOP_C:g} °C polyester and silicone may never cure through: warm the workshop."
    if run.workshop_temperature_c > WARM_WORKSHOP_C:
        said += f" Above {WARM_WORKSHOP_C:g} °C mixes set without warning: mix less, work early."
    return said


def programme_assumptions(catalogue: Catalogue) -> tuple[Assumption, ...]:
    """The figures that the programme rests on, with their marks."""
    return (
        *catalogue.rates.assumptions(),
        *mould_work_assumptions(),
        *cast_work_assumptions(),
        Assumption("a broken window is worth, when days are chosen", "a day's work", Mark.COMMON_PRACTICE),
    )
