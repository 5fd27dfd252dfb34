"""Everything a plan leaves in a folder, in the order a person opens it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING

from .files import make_folder, write_text
from .planfile import save_plan
from .progress import SILENT, Progress
from .summary import summary_text

if TYPE_CHECKING:
    from .pipeline import MouldPlan


@dataclass(frozen=True)
class Written:
    """A file that was written and what it is for."""

    path: Path
    what: str


def _client_sheet(plan: MouldPlan, folder: Path, progress: Progress) -> Path:
    return import_module(".sheets", __package__).client_sheet(plan, folder / "client-sheet.pdf")


def _workshop_sheets(plan: MouldPlan, folder: Path, progress: Progress) -> Path:
    return import_module(".sheets", __package__).workshop_sheets(plan, folder / "workshop-sheets.pdf")


def _order(plan: MouldPlan, folder: Path, progress: Progress) -> Path:
    return import_module(".sheets", __package__).order_list(plan, folder / "order.csv")


def _page(plan: MouldPlan, folder: Path, progress: Progress) -> Path:
    return import_module(".webpage", __package__).write_page(plan, folder / "plan.html")


def _pictures(plan: MouldPlan, folder: Path, progress: Progress) -> Path:
    pictures = make_folder(folder / "pictures")
    import_module(".pictures", __package__).draw_pictures(plan, pictures, progress)
    return pictures


def _templates(plan: MouldPlan, folder: Path, progress: Progress) -> Path:
    """Wall and cradle boards at full size: DXF and SVG for the cutter, PDF on A4 for the bench."""
    paper, wall = import_module(".paper", __package__), import_module(".wall", __package__)
    inner = make_folder(folder / "templates")
    boards = [
        paper.Template(f"{plan.seam.pieces[piece.piece].name}, {board.name}", (paper.PaperLine(board.outline_mm),))
        for piece in plan.cradle.pieces
        for board in piece.boards
    ]
    built = wall.build_wall(plan.master, plan.seam, plan.rubber.flange_width_mm, progress)
    for name, templates in (("wall", list(wall.wall_templates(built))), ("cradle", boards)):
        if templates:
            progress.step(0.5, f"{name} templates")
            paper.write_dxf(inner / f"{name}.dxf", templates)
            paper.write_svg(inner / f"{name}.svg", templates)
            paper.write_pdf(inner / f"{name}-a4.pdf", templates, "A4", plan.master.name)
    return inner


_OUTPUTS: tuple[tuple[str, str, Callable[[MouldPlan, Path, Progress], Path]], ...] = (
    ("order", "what to buy", _order),
    ("pictures", "views, seam, undercut map, glove and jacket", _pictures),
    ("client sheet", "for the client to sign", _client_sheet),
    ("workshop sheets", "for the bench", _workshop_sheets),
    ("templates", "wall and cradle boards to cut, at full size", _templates),
    ("page", "the plan to turn and pull apart, in a browser", _page),
)


def write_results(
    plan: MouldPlan, folder: str | Path, progress: Progress = SILENT, *, pictures: bool = True
) -> tuple[Written, ...]:
    """Write plan.json, the summary, the order list, pictures, sheets and the page. Each file is whole or absent.

    Raises `OutputRefused`. pictures=False leaves out what needs a renderer.
    """
    target = make_folder(folder)
    progress.begin("saving")
    written = [Written(save_plan(plan, target), "the whole plan; reopen it with: mouldloft show")]
    written.append(Written(write_text(target / "summary.txt", summary_text(plan) + "\n"), "the summary above"))
    for name, what, write in _OUTPUTS:
        if not pictures and name != "order":
            continue
        progress.begin(name)
        written.append(Written(write(plan, target, progress), what))
    return tuple(written)
