"""The public API: plan a mould from a script or a notebook.

    import mouldloft as ml

    plan = ml.plan_file("hare.stl", height_mm=1400, casts=6)
    print(plan.summary())
    plan.write("out")

The single stages take and return the same records as in a plan; see DEVELOPERS.md for what each reads.
"""

from __future__ import annotations

import html
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from .base.errors import MouldloftError, PlanImpossible
from .base.progress import SILENT, Progress
from .inputs.brief import Brief, brief_from_dict, read_brief
from .inputs.catalogue import Catalogue, read_catalogue
from .stages.estimate import Estimate, StandIn, estimate_rubber
from .stages.master import Master, prepare_master, read_master
from .stages.pipeline import back_glove, draw_seam, key_glove, open_mould, order_and_days
from .stages.pipeline import plan as plan_master
from .stages.plan import MouldPlan
from .stages.rubber import brush_rubber

__all__ = [
    "Brief", "Catalogue", "Estimate", "Master", "MouldloftError", "Plan", "PlanImpossible", "Progress", "back_glove",
    "brush_rubber", "compare", "draw_seam", "estimate", "key_glove", "make_brief", "open", "open_mould",
    "order_and_days", "plan_file", "plan_mesh", "prepare_master", "read_brief", "read_catalogue", "read_master",
]  # fmt: skip


class Plan:
    """A finished plan. Every stage's record is an attribute: `plan.seam`, `plan.rubber`, `plan.takeoff` and so on.

    record : all of them, as `mouldloft.stages.plan.MouldPlan`. In a notebook a plan shows as its summary and a picture.
    """

    def __init__(self, record: MouldPlan) -> None:
        self.record = record

    def __getattr__(self, name: str) -> Any:
        if name.startswith("_") or name == "record":
            raise AttributeError(name)
        return getattr(self.record, name)

    def __repr__(self) -> str:
        size = f"{self.record.master.height_mm:.0f} mm, {self.record.brief.run.casts} casts"
        return f"<Plan of {self.record.master.name}: {size}>"

    def summary(self) -> str:
        """The plan on one screen, as `summary.txt` holds it."""
        from .outputs.summary import summary_text

        return summary_text(self.record)

    def write(
        self, folder: str | Path, *, pictures: bool = True, solids: Sequence[str] = (), progress: Progress = SILENT
    ) -> list[Path]:
        """Write the plan, order, sheets, templates, page and pictures into a folder; returns what was written.

        pictures=False leaves out what needs a renderer; solids : formats of the closed meshes ("stl", "3mf", "glb").
        Raises `OutputRefused`; either all files take their places or none.
        """
        from .outputs.results import write_results

        made = write_results(self.record, folder, progress, pictures=pictures, solids=tuple(solids))
        return [item.path for item in made]

    def again(
        self,
        brief: Brief | Mapping[str, Any] | str | Path | None = None,
        catalogue: Catalogue | str | Path | None = None,
        progress: Progress = SILENT,
    ) -> Plan:
        """The same master under another brief or catalogue; only what changed is planned again."""
        asked = self.record.brief if brief is None else make_brief(brief)
        priced = self.record.catalogue if catalogue is None else _catalogue(catalogue)
        return Plan(plan_master(self.record.master, asked, priced, progress, self.record))

    def _repr_html_(self) -> str:
        """Summary and, where a renderer is at hand, a picture with the seam; for notebooks."""
        words = f"<pre>{html.escape(self.summary())}</pre>"
        try:
            import base64

            from .outputs.pictures.views import seam_jpeg

            data = base64.b64encode(seam_jpeg(self.record, 360, 440)).decode()
        except (ImportError, RuntimeError, OSError):  # no renderer here: the words say it all
            return words
        picture = f'<img alt="the master with its seam" src="data:image/jpeg;base64,{data}">'
        return f'<div style="display:flex;gap:1em;align-items:flex-start">{picture}{words}</div>'


def make_brief(
    given: Brief | Mapping[str, Any] | str | Path | None = None,
    *,
    height_mm: float | None = None,
    casts: int | None = None,
) -> Brief:
    """A brief from a `Brief`, a nested dict as in brief.toml, a path, or nothing; height and casts override it.

    Raises `BriefRefused` with one sentence.

    >>> ml.make_brief({"rubber": {"skin_thickness_mm": 9}}, height_mm=1400, casts=6).run.casts
    6
    """
    if isinstance(given, Brief):
        brief = given
    elif isinstance(given, Mapping):
        brief = brief_from_dict(dict(given))
    else:
        brief = Brief() if given is None else read_brief(given)
    if height_mm is not None:
        brief = replace(brief, master=replace(brief.master, finished_height_mm=height_mm))
    if casts is not None:
        brief = replace(brief, run=replace(brief.run, casts=casts))
    return brief


def _catalogue(given: Catalogue | str | Path | None) -> Catalogue:
    return given if isinstance(given, Catalogue) else read_catalogue(given)


def plan_file(
    mesh: str | Path,
    *,
    height_mm: float | None = None,
    casts: int | None = None,
    brief: Brief | Mapping[str, Any] | str | Path | None = None,
    catalogue: Catalogue | str | Path | None = None,
    progress: Progress = SILENT,
) -> Plan:
    """Plan the mould of a mesh file (STL, OBJ, PLY, GLB or 3MF).

    height_mm : finished height; without one, and without one in the brief, the file's own size counts. brief,
    catalogue : a record, a path, of the brief a nested dict too, or nothing for the defaults. Raises `MasterRefused`,
    `BriefRefused`, `CatalogueRefused` or `PlanImpossible`, each with one sentence.

    >>> plan = ml.plan_file(mesh, height_mm=300, casts=2, brief={"opening": {"directions": 64, "refine": 1}})
    >>> plan.master.height_mm
    300.0
    >>> [piece.name for piece in plan.seam.pieces]  # doctest: +ELLIPSIS
    ['...piece', '...piece']
    >>> dearer = plan.again(catalogue=ml.read_catalogue())
    >>> dearer.takeoff.total_cost == plan.takeoff.total_cost
    True
    """
    asked = make_brief(brief, height_mm=height_mm, casts=casts)
    priced = _catalogue(catalogue)
    return Plan(plan_master(read_master(mesh, asked.master, progress), asked, priced, progress))


def plan_mesh(
    vertices: Any,
    faces: Any,
    *,
    height_mm: float | None = None,
    casts: int | None = None,
    brief: Brief | Mapping[str, Any] | str | Path | None = None,
    catalogue: Catalogue | str | Path | None = None,
    name: str = "master",
    progress: Progress = SILENT,
) -> Plan:
    """Plan the mould of a triangle mesh. vertices : (n, 3) float, in the brief's unit; faces : (m, 3) int.

    Raises as `plan_file` does.
    """
    asked = make_brief(brief, height_mm=height_mm, casts=casts)
    master = prepare_master(vertices, faces, asked.master, name=name, progress=progress)
    return Plan(plan_master(master, asked, _catalogue(catalogue), progress))


def estimate(
    height_mm: float,
    casts: int = 1,
    *,
    body: StandIn = "standing figure",
    maquette: str | Path | None = None,
    brief: Brief | Mapping[str, Any] | str | Path | None = None,
    catalogue: Catalogue | str | Path | None = None,
    progress: Progress = SILENT,
) -> Estimate:
    """An interval for the rubber before any clay, from a finished height and a stand-in body or a rough maquette.

    Raises `BriefRefused` for an absurd height or run.

    >>> made = ml.estimate(1400, 6, body="seated animal")
    >>> made.rubber_kg.low < made.rubber_kg.likely < made.rubber_kg.high
    True
    """
    asked = make_brief(brief, height_mm=height_mm, casts=casts)
    rough = read_master(maquette, asked.master, progress) if maquette is not None else None
    return estimate_rubber(height_mm, casts, rough, body, asked, _catalogue(catalogue), progress)


def compare(plans: Sequence[Plan | MouldPlan], names: Sequence[str] = ()) -> str:
    """Two or more plans side by side, as text: rubber, mass, days, cost, seam on show. Raises `BriefRefused` for one.

    >>> print(str(ml.compare([plan, dearer])).split()[0])
    lobes
    """
    from .outputs.compare import compare_plans, comparison_text

    records = [each.record if isinstance(each, Plan) else each for each in plans]
    return comparison_text(compare_plans(records, names))


def open(folder: str | Path) -> Plan:
    """Reopen a plan from its folder or plan.json. Raises `PlanFileRefused`.

    >>> written = plan.write(folder, pictures=False)
    >>> ml.open(folder).seam.length_mm == plan.seam.length_mm
    True
    """
    from .outputs.planfile import open_plan

    return Plan(open_plan(folder))
