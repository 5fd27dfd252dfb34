"""Each section planned as a mould of its own, beside the whole in one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from ...base.errors import Cancelled, MouldloftError
from ...base.progress import SILENT, Progress
from ...geometry.parting import Mesh
from ...inputs.brief import Brief
from ...inputs.catalogue import Catalogue, read_catalogue
from ..master import Master
from ..pipeline import plan
from ..plan import MouldPlan
from .parts import brief_of_part, master_of_part
from .record import Sections


@dataclass(frozen=True, eq=False)
class PartPlan:
    """A section's plan, or the sentence that refused it."""

    name: str
    plan: MouldPlan | None
    refused: str = ""


@dataclass(frozen=True, eq=False)
class SectionPlans:
    """The whole in one mould, and each part in its own, in the order of `Sections.parts`."""

    whole: PartPlan
    parts: tuple[PartPlan, ...]


def plan_sections(
    sections: Sections,
    meshes: Sequence[Mesh],
    brief: Brief,
    catalogue: Catalogue | None = None,
    progress: Progress = SILENT,
) -> SectionPlans:
    """Plan the whole, and each section as it is moulded (`meshes`, spigots and all, in plan coordinates): standing on
    its cut face, which stays open as a foot does, in two pieces. One that is refused does not stop the rest."""
    catalogue = catalogue or read_catalogue(None)
    whole = _planned("whole", sections.master, brief, catalogue, progress)
    parts = []
    for k, part in enumerate(sections.parts):
        own = brief_of_part(sections, k, brief)
        try:
            master = master_of_part(sections, k, meshes[k], own, progress)
        except Cancelled:
            raise
        except MouldloftError as error:
            parts.append(PartPlan(part.name, None, str(error)))
            continue
        parts.append(_planned(part.name, master, own, catalogue, progress))
    return SectionPlans(whole, tuple(parts))


def _planned(name: str, master: Master, brief: Brief, catalogue: Catalogue, progress: Progress) -> PartPlan:
    try:
        return PartPlan(name, plan(master, brief, catalogue, progress))
    except Cancelled:
        raise
    except MouldloftError as error:
        return PartPlan(name, None, str(error))
