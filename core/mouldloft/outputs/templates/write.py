"""Every template of a plan, written for the cutter and for the bench."""

from __future__ import annotations

from pathlib import Path

from ...base.progress import SILENT, Progress
from ...stages.plan import MouldPlan
from .cradle import cradle_templates
from .fullsize import Page, Template, write_dxf, write_pdf, write_svg
from .sheets import sheet_templates
from .wall import wall_templates


def write_templates(plan: MouldPlan, folder: Path, progress: Progress = SILENT) -> Path:
    """Wall and cradle boards at full size: DXF and SVG for the cutter, nested on sheets as sold; PDF for the
    bench, on the brief's paper. Returns the folder."""
    paper: Page = plan.brief.job.paper
    boards = cradle_templates(plan)
    boards_on_sheets = sheet_templates(boards, plan.cradle.sheets, plan.catalogue)
    walls: tuple[Template, ...] = wall_templates(plan, plan.wall) if plan.wall is not None else ()
    on_sheets = sheet_templates(walls, plan.wall.sheets, plan.catalogue) if plan.wall is not None else ()
    for name, cut, bench in (("wall", on_sheets, walls), ("cradle", boards_on_sheets, boards)):
        if cut:
            progress.step(0.5, f"{name} templates")
            write_dxf(folder / f"{name}.dxf", cut)
            write_svg(folder / f"{name}.svg", cut)
            write_pdf(folder / f"{name}-{paper.lower()}.pdf", bench, paper, plan.master.name)
    return folder
