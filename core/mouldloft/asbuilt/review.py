"""The log against its plan: used over planned, what the next brief should say, how the mould lasts, what is left to
buy for the casts to come."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from ..base.errors import BriefRefused
from ..base.figures import counted, listed, money, number, packs_words, percent, unit_words
from ..inputs.brief import Brief, ObservedBrief
from ..inputs.materials import Material
from ..stages.plan import MouldPlan
from ..trade.packs import cheapest_packs
from .rates import Factor, fit_factor
from .runlog import CastEntry, CoatEntry, RunLog

LEAST_ENTRIES = 3  # two entries say little of their scatter: fewer are shown and not carried on (our rule)
NEAR_END = 0.75  # of its life: from here on the glove is looked over before each cast (our rule)
FACTORS_KNOWN = (0.2, 5.0)  # past these it is another unit, or another job's log
_TEMPERATURE_OFF_C = 2.0  # nearer than this the brief's temperature stands


@dataclass(frozen=True)
class Reading:
    """One quantity, planned and used in each entry that gives it. unit : of planned and used; into : the field of the
    brief's [observed] that it corrects, "" for none."""

    what: str
    unit: str
    names: tuple[str, ...]
    planned: tuple[float, ...]
    used: tuple[float, ...]
    factor: Factor
    into: str = ""


@dataclass(frozen=True)
class Life:
    """Casts taken, casts to be expected of one glove by the plan's rule, tears so far and in the last two casts."""

    taken: int
    expected: float
    to_come: int
    tears: int
    late_tears: int

    @property
    def near(self) -> bool:
        return self.taken >= NEAR_END * self.expected or self.late_tears >= 2


@dataclass(frozen=True)
class ToBuy:
    """What the casts to come still need of one material: need and left of stock, in unit, and the packs that cover the
    rest ((size, count), large first) with their cost."""

    name: str
    unit: str
    need: float
    left: float
    packs: tuple[tuple[float, int], ...]
    cost: float


@dataclass(frozen=True)
class LogReview:
    """All that the log says. shrinkage : share by which marks came nearer, or None; brief : for the next plan."""

    readings: tuple[Reading, ...]
    life: Life
    shrinkage: Factor | None
    buy: tuple[ToBuy, ...]
    currency: str
    brief: Brief
    corrected: tuple[str, ...]  # what the next brief says otherwise, in sentences
    casts: tuple[CastEntry, ...]


def review_log(plan: MouldPlan, log: RunLog) -> LogReview:
    """Set a log against its plan. Raises `BriefRefused` for a piece or coat the plan has not."""
    readings = tuple(reading for reading in _readings(plan, log) if reading is not None)
    taken = len(log.casts)
    last = [entry.tears for entry in log.casts[-2:]]
    life = Life(
        taken, plan.takeoff.mould_life_casts, max(len(plan.brief.run.numbers) - taken, 0),
        sum(entry.tears for entry in log.casts), sum(last),
    )  # fmt: skip
    factors = {reading.into: reading.factor for reading in readings if reading.into}
    brief, corrected = _corrected(plan, readings, log)
    return LogReview(
        readings=readings,
        life=life,
        shrinkage=fit_factor([m.before_mm - m.after_mm for m in log.marks], [m.before_mm for m in log.marks]),
        buy=tuple(_left_to_buy(plan, log, life.to_come, factors)),
        currency=plan.takeoff.currency,
        brief=brief,
        corrected=corrected,
        casts=log.casts,
    )


# --- planned beside used ---------------------------------------------------------------------------------


def planned_coats(plan: MouldPlan) -> dict[tuple[str, str], tuple[float, float]]:
    """Kilograms of mix and person-hours planned for each (piece, coat) of the glove, in the order of work."""
    names = [envelope.name for envelope in plan.rubber.envelopes]
    hours: dict[str, float] = {}
    for task in plan.programme.tasks:
        if task.stage == "glove" and task.kind == "work":
            hours[task.name.lower()] = hours.get(task.name.lower(), 0.0) + task.duration_h * task.hands
    coats = {coat.name for coat in plan.rubber.coats}
    found = {}
    for batch in plan.programme.batches:
        if batch.piece in names and batch.coat in coats:
            own = hours.get(f"{batch.coat}, {batch.piece}".lower(), 0.0)
            found[batch.piece, batch.coat] = (batch.batches * batch.batch_kg, own)
    return found


def planned_cast(plan: MouldPlan) -> dict[str, float]:
    """One cast as planned: kilograms of gelcoat, resin, glass, its weight as it leaves the mould, person-hours."""
    cast, seen = plan.cast, plan.brief.observed
    tasks = [t for t in plan.programme.tasks if t.stage == "casts" and t.kind == "work" and t.hands]
    return {
        "gelcoat_kg": cast.gelcoat_kg * seen.gelcoat,
        "resin_kg": (cast.resin_kg + cast.joint_resin_kg) * seen.resin,
        "glass_kg": (cast.glass_kg + cast.joint_tape_kg) * seen.glass,
        "weight_kg": cast.lift_kg,
        "hours": sum(t.duration_h * t.hands for t in tasks) / max(len(plan.brief.run.numbers), 1),
    }


def _readings(plan: MouldPlan, log: RunLog) -> Iterable[Reading | None]:
    coats = planned_coats(plan)
    rows = [(entry, *coats[_known_coat(entry, coats)]) for entry in log.coats]
    named = [f"{entry.coat}, {entry.piece}" for entry in log.coats]
    yield _reading("Rubber", "kg", named, [r[1] for r in rows], [r[0].rubber_kg for r in rows], "rubber")
    yield _reading("Hours of a coat", "h", named, [r[2] for r in rows], [r[0].hours for r in rows], "coat_hours")
    planned = planned_cast(plan)
    named = [f"cast {entry.number}" for entry in log.casts]
    for field, what, unit, into in (
        ("gelcoat_kg", "Gelcoat of a cast", "kg", "gelcoat"),
        ("resin_kg", "Resin of a cast", "kg", "resin"),
        ("glass_kg", "Glass of a cast", "kg", "glass"),
        ("weight_kg", "Weight of a cast, with what is glassed into it", "kg", ""),
        ("hours", "Hours of a cast", "h", "cast_hours"),
    ):
        used = [getattr(entry, field) for entry in log.casts]
        yield _reading(what, unit, named, [planned[field]] * len(used), used, into)


def _reading(
    what: str, unit: str, names: list[str], planned: list[float], used: list[float | None], into: str
) -> Reading | None:
    kept = [(n, p, float(u)) for n, p, u in zip(names, planned, used, strict=True) if u is not None and p > 0]
    if not kept:
        return None
    names_, planned_, used_ = (tuple(column) for column in zip(*kept, strict=True))
    factor = fit_factor(used_, planned_)
    assert factor is not None
    if not FACTORS_KNOWN[0] <= factor.likely <= FACTORS_KNOWN[1]:
        raise BriefRefused(
            f"The log's {what[:1].lower() + what[1:]} is {number(factor.likely)} times the plan's; check its unit "
            f"({unit}) and that it is the log of this plan."
        )
    return Reading(what, unit, names_, planned_, used_, factor, into)


def _known_coat(entry: CoatEntry, coats: dict[tuple[str, str], tuple[float, float]]) -> tuple[str, str]:
    wanted = (" ".join(entry.piece.lower().split()), " ".join(entry.coat.lower().split()))
    for piece, coat in coats:
        if (piece.lower(), coat.lower()) == wanted:
            return piece, coat
    pieces = list(dict.fromkeys(piece for piece, _ in coats))
    if wanted[0] not in [piece.lower() for piece in pieces]:
        raise BriefRefused(f"The log has a coat on {entry.piece[:40]!r}; the plan's pieces are {listed(pieces)}.")
    own = [coat for piece, coat in coats if piece.lower() == wanted[0]]
    raise BriefRefused(f"The log has {entry.coat[:40]!r} on the {entry.piece}; its coats are {listed(own)}.")


# --- the next brief --------------------------------------------------------------------------------------


def _corrected(plan: MouldPlan, readings: tuple[Reading, ...], log: RunLog) -> tuple[Brief, tuple[str, ...]]:
    """The brief with factors that rest on enough entries, and what changed in sentences."""
    observed, said = plan.brief.observed, []
    for reading in readings:
        factor = reading.factor
        if not reading.into:
            continue
        if factor.observations < LEAST_ENTRIES:
            said.append(
                f"{reading.what}: only {counted(factor.observations, 'entry', 'entries')}, so the next brief is left "
                f"as it is ({LEAST_ENTRIES} are needed)."
            )
            continue
        before = getattr(observed, reading.into)
        now, width = before * factor.likely, (factor.high - factor.low) / 2 / factor.likely
        observed = replace(observed, **{
            reading.into: round(now, 4),
            f"{reading.into}_uncertainty": round(width, 4),
            f"{reading.into}_entries": factor.observations,
        })  # fmt: skip
        sure = "" if factor.differs else ", which scatter alone may be"
        said.append(
            f"{reading.what}: {number(now)} times the plan's, ± {percent(width)}, from {factor.observations} "
            f"entries{sure}."
        )
    brief = replace(plan.brief, observed=observed)
    read = [*(entry.temperature_c for entry in log.coats), *(entry.temperature_c for entry in log.casts)]
    warm = [degrees for degrees in read if degrees is not None]
    if len(warm) >= LEAST_ENTRIES and abs(np.mean(warm) - brief.run.workshop_temperature_c) > _TEMPERATURE_OFF_C:
        brief = replace(brief, run=replace(brief.run, workshop_temperature_c=round(float(np.mean(warm)), 1)))
        said.append(
            f"The workshop was {brief.run.workshop_temperature_c:g} °C on average of {len(warm)} entries, planned "
            f"{plan.brief.run.workshop_temperature_c:g} °C: pot lives follow it."
        )
    return brief, tuple(said)


# --- the casts to come -----------------------------------------------------------------------------------


def _left_to_buy(plan: MouldPlan, log: RunLog, to_come: int, factors: dict[str, Factor]) -> Iterable[ToBuy]:
    """What the casts to come need, less what the order's packs still hold: the mould's use as planned, the casts' as
    logged, and as planned where the log is silent."""
    if to_come == 0:
        return
    logged = _logged_shares(plan, log)
    materials = {material.code: material for material in plan.catalogue.materials()}
    into = _observed_of(plan)
    for line in plan.takeoff.lines:
        stages = dict(line.by_stage)
        run = stages.get("casts", 0.0) + stages.get("finish", 0.0)
        material = materials.get(line.code)
        if run <= 0 or material is None:
            continue
        one = run / len(plan.brief.run.numbers)
        factor = factors.get(into.get(line.code, ""))
        each = factor.likely if factor and factor.observations >= LEAST_ENTRIES else 1.0 + line.waste_fraction
        used = one * logged.get(into.get(line.code, ""), len(log.casts) * (1.0 + line.waste_fraction))
        mould = sum(amount for stage, amount in stages.items() if stage not in ("casts", "finish"))
        left = max(line.buy - mould * (1.0 + line.waste_fraction) - used, 0.0)
        yield _bought(material, line.unit, one * each * to_come, left)


def _bought(material: Material, unit: str, need: float, left: float) -> ToBuy:
    short = need - left
    if short <= 1e-9:
        return ToBuy(material.name, unit, need, left, (), 0.0)
    packs = cheapest_packs(short, material.packs)
    cost = sum(pack.price * count for pack, count in packs)
    return ToBuy(material.name, unit, need, left, tuple((pack.size, count) for pack, count in packs), cost)


def _observed_of(plan: MouldPlan) -> dict[str, str]:
    """Which logged quantity each material of a cast goes by."""
    catalogue, materials = plan.catalogue, plan.brief.materials
    mats = catalogue.mat_layers(plan.brief.cast.mat_oz, materials)
    return {
        catalogue.gelcoat_for(materials).code: "gelcoat",
        catalogue.resin_for(materials).code: "resin",
        catalogue.joint_tape.code: "glass",
        **{mat.code: "glass" for mat in mats},
    }


def _logged_shares(plan: MouldPlan, log: RunLog) -> dict[str, float]:
    """What the casts so far took, in planned casts' worth; casts whose amount is not logged count as planned."""
    planned = planned_cast(plan)
    found = {}
    for name in ("gelcoat", "resin", "glass"):
        each = planned[f"{name}_kg"]
        used = [getattr(entry, f"{name}_kg") for entry in log.casts]
        found[name] = sum(u / each if u is not None and each > 0 else 1.0 for u in used)
    return found


# --- in words --------------------------------------------------------------------------------------------


def review_lines(review: LogReview) -> list[str]:
    """The review in plain lines: planned against used, corrections, the mould's life, what is left to buy."""
    lines = ["PLANNED AGAINST USED (factor with its 95 % interval)"]
    for reading in review.readings:
        f = reading.factor
        span = f"{number(f.low)} to {number(f.high)}" if f.observations > 1 else "one entry"
        lines.append(
            f"  {reading.what}: planned {number(sum(reading.planned))} {reading.unit}, used "
            f"{number(sum(reading.used))} {reading.unit} in {counted(f.observations, 'entry', 'entries')}; "
            f"factor {number(f.likely)} ({span})"
        )
    if review.shrinkage is not None:
        s = review.shrinkage
        of = f", {percent(s.low)} to {percent(s.high)}" if s.observations > 1 else ""
        lines.append(f"  Shrinkage between marks: {percent(s.likely)}{of} ({counted(s.observations, 'pair')})")
    lines += ["", "NEXT BRIEF", *(f"  {words}" for words in review.corrected or ("Nothing to correct.",))]
    return [*lines, "", "MOULD", *_life_lines(review.life), "", *_buy_lines(review)]


def _life_lines(life: Life) -> list[str]:
    lines = [
        f"  {counted(life.taken, 'cast')} taken of about {life.expected:.0f} that one glove is expected to give (rule "
        f"of thumb, not a promise); {life.to_come} to come; {counted(life.tears, 'tear')} so far."
    ]
    if life.near and life.to_come:
        begun = "The glove nears its end" if life.taken >= NEAR_END * life.expected else "It tears sooner than expected"
        lines.append(
            f"  {begun}: look it over before each cast, patch what has begun to tear, and order rubber "
            "for a second glove before the next cast if it must not stop the run (mouldloft repair --glove)."
        )
    elif life.taken + life.to_come > life.expected:
        lines.append("  The casts to come outlast one glove by the rule: plan a second glove in the same jacket.")
    return lines


def _buy_lines(review: LogReview) -> list[str]:
    if review.life.to_come == 0:
        return ["LEFT TO BUY", "  Nothing: the run is complete."]
    lines = [f"LEFT TO BUY for {counted(review.life.to_come, 'cast')} to come"]
    wanted = [item for item in review.buy if item.packs]
    for item in wanted:
        unit = unit_words(item.unit)
        lines.append(
            f"  {item.name}: {packs_words(item.packs, item.unit)} (needs {number(item.need)} {unit}, "
            f"{number(item.left)} {unit} left); {money(item.cost, review.currency)}"
        )
    if not wanted:
        lines.append("  Nothing: what the order bought still covers them.")
    else:
        lines.append(f"  In all {money(sum(item.cost for item in wanted), review.currency)}.")
    return lines


__all__ = ["LogReview", "ObservedBrief", "Reading", "review_lines", "review_log"]
