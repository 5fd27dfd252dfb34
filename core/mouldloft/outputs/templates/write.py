"""Every template of a plan, written for the cutter and for the bench."""

from __future__ import annotations

from pathlib import Path

from ...base.progress import SILENT, Progress
from ...stages.plan import MouldPlan
from ...stages.wall import build_wall
from .fullsize import PaperLine, Template, write_dxf, write_pdf, write_svg
from .wall import wall_templates


def write_templates(plan: MouldPlan, folder: Path, progress: Progress = SILENT) -> Path:
    """Wall and cradle boards at full size: DXF and SVG for the cutter, PDF on A4 for the bench. Returns the folder."""
    boards = [
        Template(f"{plan.seam.pieces[piece.piece].name}, {board.name}", (PaperLine(board.outline_mm),))
        for piece in plan.cradle.pieces
        for board in piece.boards
    ]
    walls: list[Template] = []
    if len(plan.seam.pieces) == 2:
        wall = build_wall(plan.master, plan.seam, plan.rubber.flange_width_mm, progress)
        walls = list(wall_templates(wall))
    for name, templates in (("wall", walls), ("cradle", boards)):
        if templates:
            progress.step(0.5, f"{name} templates")
            write_dxf(folder / f"{name}.dxf", templates)
            write_svg(folder / f"{name}.svg", templates)
            write_pdf(folder / f"{name}-a4.pdf", templates, "A4", plan.master.name)
    return folder
