"""The order of work as data: what is done, by how many, after what, and how long it waits."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace

RUBBER_WEAR = ("nitrile gloves", "goggles")
RESIN_WEAR = ("organic vapour mask", "goggles", "nitrile gloves", "coverall")
GRIND_WEAR = ("dust mask", "goggles", "ear defenders", "coverall")
CUT_WEAR = ("dust mask", "nitrile gloves", "coverall")
SOLVENT_WEAR = ("organic vapour mask", "nitrile gloves")
TWO_PACK_WEAR = ("air-fed hood", "nitrile gloves", "coverall")
LIFT_WEAR = ("safety boots", "work gloves")
KNIFE_WEAR = ("goggles", "cut-proof gloves")
# what a kit is called on the day list
KITS = {
    RUBBER_WEAR: "rubber",
    RESIN_WEAR: "resin",
    GRIND_WEAR: "dust",
    CUT_WEAR: "mat",
    KNIFE_WEAR: "knife",
    SOLVENT_WEAR: "solvent",
    TWO_PACK_WEAR: "two-pack",
    LIFT_WEAR: "lifting",
}
LEAST_TASK_H = 0.25  # common practice: fetched, done and put away, however small


@dataclass(frozen=True)
class Wait:
    """Work goes on at least least_h after `after` has ended and at most most_h; `name` says what happens meanwhile,
    `mend` what is done first where the window is missed, mend_h person-hours of it."""

    after: str
    least_h: float = 0.0
    most_h: float | None = None
    name: str = ""
    mend: str = ""
    mend_h: float = 0.0


@dataclass(frozen=True)
class Work:
    """One piece of work. person_h is of all the people together. unbroken : done in one go where a day holds it. mix :
    coat and piece of the batch that is mixed for it. what : its kind, under which its hours are added up."""

    key: str
    name: str
    stage: str
    line: str
    what: str
    person_h: float
    people: int
    waits: tuple[Wait, ...] = ()
    unbroken: bool = False
    note: str = ""
    wear: tuple[str, ...] = ()
    mix: tuple[str, str] | None = None


@dataclass
class Ledger:
    """Work gathered in order; work without hours is left out, and what follows it follows what it followed. No task
    takes less than `LEAST_TASK_H`."""

    works: list[Work] = field(default_factory=list)
    _passed: dict[str, tuple[Wait, ...]] = field(default_factory=dict)

    def add(self, work: Work) -> str:
        """Take up a piece of work; returns its key."""
        waits = tuple(w for wait in work.waits for w in self._real(wait))
        if work.person_h <= 1e-9:
            self._passed[work.key] = waits
        else:
            least = LEAST_TASK_H * work.people
            kept = replace(work, waits=waits, person_h=max(work.person_h, least))
            self.works.append(kept)
        return work.key

    def _real(self, wait: Wait) -> Iterable[Wait]:
        if wait.after not in self._passed:
            return (wait,)
        before = self._passed[wait.after]
        return tuple(
            Wait(b.after, b.least_h + wait.least_h, wait.most_h, wait.name or b.name, wait.mend, wait.mend_h)
            for b in before
        )
