"""What the work uses up, by what the plan counts: person days, coats, pots, square metres of each interface."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from ...base.intervals import Interval, exactly, interval_of
from ...inputs.brief import Brief
from ...inputs.catalogue import Catalogue
from ...inputs.materials import ConsumableMaterial, Material
from ...trade.crate import crate_m2, crate_mm
from ..cast import Cast
from ..handling import plan_lifts
from ..jacket import Jacket, Strap
from ..programme import Programme, clamp_count, colour_shares, slot_count
from ..rubber import Rubber, flange_areas_mm2, handled_edges_mm2, wall_areas_mm2
from ..wall import FILLET_MM2, Wall


@dataclass(frozen=True)
class Need:
    """A material that a stage uses, without waste."""

    material: Material
    stage: str
    net: Interval
    waste: float


def consumable_needs(
    rubber: Rubber,
    jacket: Jacket,
    cast: Cast,
    programme: Programme,
    brief: Brief,
    catalogue: Catalogue,
    wall: Wall | None,
    straps: Sequence[Strap] = (),
) -> Iterable[Need]:
    """What the work uses up, by what the plan counts: person days, coats, pots, square metres of each interface."""
    loose = (("how the workshop works", 0.3),)
    counted = _counted(rubber, jacket, cast, programme, brief, wall, straps)
    for item in catalogue.consumable:
        if not _is_used(item, brief):
            continue
        for section, amounts in counted.items():
            amount = amounts.get(item.per, 0.0) * item.amount
            for own, share in _in_colours(item, brief):
                if amount * share > 0:
                    net = exactly(amount * share) if item.per in _COUNTED else interval_of(amount * share, loose)
                    yield Need(own, section, net, 0.0)


_COUNTED = ("job", "socket", "eye", "frame kg", "clamp", "strap", "rope")  # things, not amounts used up


def _in_colours(item: ConsumableMaterial, brief: Brief) -> Iterable[tuple[ConsumableMaterial, float]]:
    """Colour is bought by colourway, each by the share of casts in it; all else as it is."""
    shares = colour_shares(brief)
    if item.per != "colour m2" or set(shares) <= {""}:
        yield item, 1.0
        return
    for at, (name, share) in enumerate(shares.items(), 1):
        yield replace(item, code=f"{item.code}-{at}", name=f"Colour, {name}"), share


def _counted(
    rubber: Rubber,
    jacket: Jacket,
    cast: Cast,
    programme: Programme,
    brief: Brief,
    wall: Wall | None,
    straps: Sequence[Strap],
) -> dict[str, dict[str, float]]:
    """What consumables go by, for each section of the order."""
    n = len(brief.run.numbers)
    days = _person_days(programme, brief)
    mould_pots, cast_pots = _pots(programme)
    flanges = [area * 1e-6 for area in flange_areas_mm2(rubber)]
    width_m = rubber.flange_width_mm * 1e-3
    area = cast.area_mm2 * 1e-6
    finish = brief.finish
    painted = area * brief.run.casts / (1.0 - finish.overspray) if finish.paint else 0.0
    wall_m2 = sum(wall_areas_mm2(rubber)) * 1e-6
    held = rubber.registration
    slots = float(slot_count(jacket))
    crates = brief.run.casts * crate_m2(crate_mm(cast.size_mm)) if finish.crates else 0.0
    reinforced = sum(handled_edges_mm2(rubber)) * 1e-6 if brief.joint.reinforced_edges else 0.0
    return {
        "wall": {"skin m2": rubber.skin_m2, "wall m2": wall_m2, "flange m2": sum(flanges),
                 "flange m": sum(flanges) / width_m, "bead m": held.bead_length_mm * 1e-3 if held else 0.0,
                 "dome": float(len(held.domes_mm)) if held else 0.0,
                 "wall clay l": wall.clay_mm3 * 1e-6 if wall is not None else wall_m2 / width_m * FILLET_MM2 * 1e-3,
                 **days.get("wall", {})},
        "glove": {"coat m2": len(rubber.coats) * rubber.skin_m2, "batch": mould_pots, "job": 1.0,
                  "reinforced m2": reinforced,
                  **days.get("glove", {})},
        "jacket": {"jacket m2": sum(p.area_mm2 for p in jacket.pieces) * 1e-6, "wedge slot": slots,
                   "clamp": float(clamp_count(jacket)), "strap": float(sum(one.count for one in straps)),
                   "rope": float(any(lift.tail_kg for lift in plan_lifts(jacket, cast, brief.jacket))),
                   **days.get("jacket", {})},
        "casts": {"coat m2": n * area * 2.0, "batch": n * cast_pots, "cast": float(n), "cast m2": n * area,
                  "joint m": n * cast.joint_tape_m, "socket": float(n * (cast.fixings.count if cast.fixings else 0)),
                  "frame kg": n * (cast.frame.mass_kg if cast.frame else 0.0), "eye": float(n * cast.eyes),
                  "packer l": n * (cast.frame.packer_mm3 * 1e-6 if cast.frame else 0.0),
                  "cored l": n * (cast.joining.cored_l if cast.joining else 0.0),
                  "filled l": n * (cast.joining.filled_l if cast.joining else 0.0),
                  **days.get("casts", {})},  # gelcoat, then resin over the mat
        "finish": {"primer m2": painted * finish.primer_coats, "colour m2": painted * finish.colour_coats,
                   "lacquer m2": painted * finish.lacquer_coats,
                   "crate m2": crates, **days.get("finish", {})},
    }  # fmt: skip


_WORN = {"organic vapour mask": "laminating day", "dust mask": "grinding day", "air-fed hood": "spraying day"}
_SECTION_OF = {"keys": "glove", "mould": "jacket", "cradle": "jacket"}


def _person_days(programme: Programme, brief: Brief) -> dict[str, dict[str, float]]:
    """Person days of each section, and of them those in a vapour mask, a dust mask, an air-fed hood; from the hours on
    the calendar."""
    found: dict[str, dict[str, float]] = {}
    for task in programme.tasks:
        section = found.setdefault(_SECTION_OF.get(task.stage, task.stage), {})
        days = task.duration_h * task.hands / brief.run.hours_per_day
        for per in ("person day", *(_WORN[what] for what in task.wear if what in _WORN)):
            section[per] = section.get(per, 0.0) + days
    return found


def _is_used(item: ConsumableMaterial, brief: Brief) -> bool:
    """Of two lacquers the one the brief names."""
    return not item.only_with or item.only_with == brief.finish.lacquer


def _pots(programme: Programme) -> tuple[float, float]:
    """Pots of the mould, and of one cast."""
    casts = sum(b.batches for b in programme.batches if b.piece == "each cast")
    return float(sum(b.batches for b in programme.batches) - casts), float(casts)
