"""All of a plan's closed meshes, into files."""

from __future__ import annotations

from pathlib import Path

from ..base.progress import Progress
from ..solids.build import make_solids, write_solids
from ..solids.division import jacket_solids
from ..stages.plan import MouldPlan


def write_closed_meshes(plan: MouldPlan, folder: Path, formats: tuple[str, ...], progress: Progress) -> None:
    """The closed meshes in each format. Raises `PlanImpossible` where none can be made, and `OutputRefused`."""
    shapes = make_solids(plan, progress=progress)
    if plan.division is not None:
        shapes += jacket_solids(plan.division)
    write_solids(shapes, folder, formats)
