"""What a sculpture in sections takes once its parts are joined: one crate a cast, of the whole's size."""

from __future__ import annotations

from dataclasses import dataclass

from ..stages.sections import Sections
from ..stages.sections.plans import SectionPlans


@dataclass(frozen=True)
class Crates:
    """Crates of the joined casts, over the run. labour, material : in the catalogue's currency."""

    hours: float
    labour: float
    material: float

    @property
    def total(self) -> float:
        return self.labour + self.material


def whole_crates(sections: Sections, plans: SectionPlans) -> Crates | None:
    """The crates of casts that are joined before they are packed, as the whole's plan has them; None where each part
    goes in a crate of its own, where none are asked for, or where the whole was not planned."""
    whole = plans.whole.plan
    if whole is None or not sections.joined_before_packing or not whole.brief.finish.crates:
        return None
    of_crates = {item.code for item in whole.catalogue.consumable if item.per == "crate m2"}
    material = sum(line.cost for line in whole.takeoff.lines if line.code in of_crates)
    hours = whole.brief.run.casts * whole.catalogue.rates.crate_h
    return Crates(hours, hours * whole.brief.rates.hourly_rate, material)
