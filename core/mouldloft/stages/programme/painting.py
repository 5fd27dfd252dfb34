"""Finish of the casts: joint ground and textured, degreased, painted several at once, crated.

Casts are painted in sets, as many as stand in the booth: masking, mixing and cleaning the gun then come once for a set,
and once for each colour in it.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from ...base.figures import listed
from ...base.marks import Assumption, Mark
from ...inputs.brief import Brief
from ...inputs.materials import Rates
from ...trade.crate import crate_mm
from ...trade.price import cleanup_hours, facing_hours
from .mixes import Workshop
from .work import GRIND_WEAR, LIFT_WEAR, RESIN_WEAR, SOLVENT_WEAR, TWO_PACK_WEAR, Ledger, Wait, Work

POST_CURE_H = 24.0  # common practice: at 40 °C overnight, or a week in the warm workshop; the data sheet decides
FILLER_SETS_H = 0.5  # common practice: polyester filler, before it is rubbed down
FILL_SHARE = 0.4  # common practice: of the hours at a joint, grinding and filling; the rest rubs down and textures
PRIMER_DRY_H = 4.0  # common practice
COLOUR_DRY_H = 4.0  # common practice, between colour coats
LACQUER_AFTER_H = 12.0  # common practice: colour dry through
LACQUER_WITHIN_H = 72.0  # common practice: past it the colour is keyed again
LACQUER_FLASH_H = 1.0  # common practice, between lacquer coats
LACQUER_HARD_H = 48.0  # common practice: before it is packed
PACK_H = 1.0


@dataclass(frozen=True)
class Out:
    """A cast out of the mould: its number, key and name, and the key of its weighing."""

    number: int
    key: str
    name: str
    weighed: str


def finish_works(ledger: Ledger, shop: Workshop, casts: Sequence[Out]) -> None:
    """Each cast's joint made good as it comes out; then painted in sets and packed."""
    made = [(cast, _joint_made_good(ledger, shop, cast)) for cast in casts]
    together = shop.brief.finish.painted_together
    for at in range(0, len(made), together):
        group = made[at : at + together]
        if not shop.brief.finish.paint:
            for cast, ground in group:
                _packed(ledger, shop, cast, ground, 0.0)
            continue
        done = _painted(ledger, shop, group)
        for cast, _ in group:
            _packed(ledger, shop, cast, done, LACQUER_HARD_H if shop.brief.finish.lacquer_coats else COLOUR_DRY_H)


def _joint_made_good(ledger: Ledger, shop: Workshop, cast: Out) -> str:
    """Hatches closed, joint ground and filled, rubbed down and textured once the filler has set."""
    rates, name, key = shop.catalogue.rates, cast.name, cast.key
    hatched = ledger.add(
        Work(f"{key} hatch", f"{name}: glass {shop.hatch_words} back", "finish", name, "joint",
             shop.hatches * rates.hatch_h, 1, (Wait(cast.weighed),), wear=RESIN_WEAR)
    )  # fmt: skip
    hours = cleanup_hours(shop.seam.length_mm, shop.seam.figures.on_show_mm, 1, shop.brief.rates)
    hours += facing_hours(shop.seam.figures.facing_mm, 1, shop.brief.rates)
    filled = ledger.add(
        Work(f"{key} ground", f"{name}: take the flash off, grind and fill the joint", "finish", name,
             "joint clean-up", FILL_SHARE * hours, 1, (Wait(hatched),), wear=GRIND_WEAR)
    )  # fmt: skip
    return ledger.add(
        Work(f"{key} textured", f"{name}: rub the filler down, texture the joint", "finish", name,
             "joint clean-up", (1 - FILL_SHARE) * hours, 1, (Wait(filled, FILLER_SETS_H, name=f"{name}: filler sets"),),
             wear=GRIND_WEAR)
    )  # fmt: skip


def _painted(ledger: Ledger, shop: Workshop, group: Sequence[tuple[Out, str]]) -> str:
    """Degreased each, then every coat over the whole set, each dry before the next; the key of the last."""
    rates, finish, area = shop.catalogue.rates, shop.brief.finish, shop.cast.area_mm2 * 1e-6
    casts = [cast for cast, _ in group]
    ready = [
        ledger.add(
            Work(f"{cast.key} degrease", f"{cast.name}: degrease and key the skin", "finish", cast.name, "painting",
                 area / rates.degrease_m2_h, 1,
                 (Wait(ground), Wait(cast.weighed, POST_CURE_H, name=f"{cast.name}: post-cure")), wear=SOLVENT_WEAR)
        )
        for cast, ground in group
    ]  # fmt: skip
    name = set_words([cast.number for cast in casts])
    colours = list(dict.fromkeys(colourway(finish.colourways, cast.number) for cast in casts))
    said = f"colour, {listed([c for c in colours if c])}" if any(colours) else "colour"
    lacquer_wear = TWO_PACK_WEAR if finish.lacquer == "two-pack" else SOLVENT_WEAR
    steps = (
        ("primer", finish.primer_coats, 1, 0.0, PRIMER_DRY_H, None, SOLVENT_WEAR),
        (said, finish.colour_coats, len(colours), PRIMER_DRY_H, COLOUR_DRY_H, None, SOLVENT_WEAR),
        (f"{finish.lacquer} lacquer", finish.lacquer_coats, 1, LACQUER_AFTER_H, LACQUER_FLASH_H, LACQUER_WITHIN_H,
         lacquer_wear),
    )  # fmt: skip
    waits = tuple(Wait(key) for key in ready)
    dry_h, last = 0.0, ""
    for what, coats, set_ups, after_h, between_h, most_h, wear in steps:
        for coat in range(coats):
            wait_h = max(after_h, dry_h) if coat == 0 else between_h
            within = most_h if coat == 0 else None
            if last:
                waits = (Wait(last, wait_h, within, f"{name}: dries" if wait_h else "", "Key the colour again", 0.5),)
            words = f"{what}, coat {coat + 1} of {coats}" if coats > 1 else what
            last = ledger.add(
                Work(f"{name} {what} {coat}", f"{name}: {words}", "finish", f"Paint, {name[:1].lower()}{name[1:]}",
                     "painting", len(casts) * area / rates.paint_m2_h + set_ups * rates.spray_setup_h, 1, waits, True,
                     wear=wear)
            )  # fmt: skip
        dry_h = between_h if coats else dry_h
    return last or _all_ready(ledger, name, ready)


def _all_ready(ledger: Ledger, name: str, ready: Sequence[str]) -> str:
    """One key for a set that gets no coat at all: work without hours passes its waits on."""
    return ledger.add(Work(f"{name} ready", f"{name}: ready", "finish", name, "painting", 0.0, 1,
                           tuple(Wait(key) for key in ready)))  # fmt: skip


def _packed(ledger: Ledger, shop: Workshop, cast: Out, done: str, hard_h: float) -> None:
    waits = [Wait(done, hard_h, name=f"{cast.name}: hardens" if hard_h else "")]
    if shop.brief.finish.crates:
        waits.append(
            Wait(
                ledger.add(
                    Work(f"{cast.key} crate", f"{cast.name}: make and line its crate", "finish", cast.name, "packing",
                         shop.catalogue.rates.crate_h, 1, (Wait(done),),
                         note=" × ".join(f"{side:.0f}" for side in crate_mm(shop.cast.size_mm)) + " mm outside",
                         wear=GRIND_WEAR)
                )
            )
        )  # fmt: skip
    ledger.add(
        Work(f"{cast.key} pack", f"{cast.name}: look over and pack", "finish", cast.name, "packing", PACK_H,
             2 if shop.cast.lift_kg > ALONE_KG else 1, tuple(waits), wear=LIFT_WEAR)
    )  # fmt: skip


ALONE_KG = 15.0  # common practice: heavier is put into its crate by two


def paint_hours(brief: Brief, area_m2: float, rates: Rates) -> float:
    """Person-hours of one cast painted by itself."""
    finish = brief.finish
    if not finish.paint:
        return 0.0
    coats = finish.primer_coats + finish.colour_coats + finish.lacquer_coats
    return area_m2 / rates.degrease_m2_h + coats * (area_m2 / rates.paint_m2_h + rates.spray_setup_h)


def set_words(numbers: Sequence[int]) -> str:
    """'Cast 3', 'Casts 1 and 2', 'Casts 1 to 3'."""
    if len(numbers) == 1:
        return f"Cast {numbers[0]}"
    joint = " and " if len(numbers) == 2 else " to "
    return f"Casts {numbers[0]}{joint}{numbers[-1]}"


def colourway(colourways: Sequence[str], number: int) -> str:
    """The colourway of a cast, from 1; over and over where there are fewer than casts."""
    return colourways[(number - 1) % len(colourways)] if colourways else ""


def colour_shares(brief: Brief) -> dict[str, float]:
    """Of all casts, the share in each colourway; one without a name where the brief names none."""
    counts: dict[str, float] = {}
    for number in range(1, brief.run.casts + 1):
        name = colourway(brief.finish.colourways, number)
        counts[name] = counts.get(name, 0.0) + 1.0 / brief.run.casts
    return counts


def painting_assumptions() -> Iterable[Assumption]:
    """The waits of the finish, with their marks."""
    rule = Mark.COMMON_PRACTICE
    for what, hours in (
        ("filler sets before it is rubbed down", FILLER_SETS_H),
        ("post-cure before paint", POST_CURE_H),
        ("primer dries", PRIMER_DRY_H),
        ("colour dries between coats", COLOUR_DRY_H),
        ("colour dries before lacquer", LACQUER_AFTER_H),
        ("colour is keyed again before lacquer after", LACQUER_WITHIN_H),
        ("lacquer flashes off between coats", LACQUER_FLASH_H),
        ("lacquer hardens before packing", LACQUER_HARD_H),
    ):
        yield Assumption(what, f"{hours:g} h", rule)
    yield Assumption("packed by two from", f"{ALONE_KG:g} kg", rule)
