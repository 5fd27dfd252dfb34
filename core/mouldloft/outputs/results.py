"""Everything a plan leaves in a folder, in the order a person opens it."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from ..base.errors import PlanImpossible
from ..base.files import all_or_nothing, make_folder, write_text, write_whole
from ..base.progress import SILENT, Progress
from ..base.threads import meanwhile
from ..stages.plan import MouldPlan, OpenSurvey
from ..stages.takeoff import write_order
from .beside import SolidsBeside
from .closedmeshes import write_closed_meshes
from .drawn import PAGE_NAME, Drawn, drawn_before, note_drawn
from .ics import write_calendar
from .planfile import ARRAYS, PLAN_NAME, drop_old_arrays, save_plan
from .summary import summary_text


@dataclass(frozen=True)
class Written:
    """A file that was written and what it is for."""

    path: Path
    what: str


def written_lines(written: Sequence[Written], folder: Path) -> list[str]:
    """A line for each file: where it stands in the folder, and what it is for."""
    return [f"  {item.path.relative_to(folder)!s:<22} {item.what}" for item in written]


# each output brings its own libraries, so it is imported when it is made


def _client_sheet(plan: MouldPlan, folder: Path, progress: Progress) -> Path:
    from .sheets.client import client_sheet

    return client_sheet(plan, folder / "client-sheet.pdf", progress)


def _workshop_sheets(plan: MouldPlan, folder: Path, progress: Progress) -> Path:
    from .sheets.book import workshop_sheets

    return workshop_sheets(plan, folder / "workshop-sheets.pdf", progress)


def _offer(plan: MouldPlan, folder: Path, progress: Progress) -> Path:
    from .sheets.work import write_offer

    return write_offer(plan, folder / "offer.pdf")


def _order(plan: MouldPlan, folder: Path, progress: Progress) -> Path:
    write_order(plan.takeoff, folder / "order-semicolon.csv", comma_decimals=True)
    return write_order(plan.takeoff, folder / "order.csv")


def _before(plan: MouldPlan, folder: Path, progress: Progress) -> Path:
    from .sheets.aside import write_beforehand

    return write_beforehand(plan, folder / "before.csv")


def _calendar(plan: MouldPlan, folder: Path) -> Path:
    title = plan.brief.piece or plan.master.name
    key = plan.master.source_hash[:12]
    return write_calendar(plan.programme, folder / "calendar.ics", title, key, plan.brief.run.day_starts_h)


def _page(plan: MouldPlan, folder: Path, progress: Progress, before: str | None = None) -> Path:
    from .page.build import write_page

    return write_page(plan, folder / PAGE_NAME, progress, before)


def _pictures(plan: MouldPlan, folder: Path, progress: Progress) -> Path:
    from .pictures.draw import draw_pictures

    pictures = make_folder(folder / "pictures")
    draw_pictures(plan, pictures, progress)
    return pictures


def _templates(plan: MouldPlan, folder: Path, progress: Progress) -> Path:
    from .templates.write import write_templates

    return write_templates(plan, make_folder(folder / "templates"), progress)


def write_survey(survey: OpenSurvey, folder: str | Path) -> tuple[Written, ...]:
    """The undercut map as a coloured mesh, the seam as a table of points and what was left out, for an open master."""
    words = [
        survey.opening.chosen.reason,
        f"Seam: {survey.seam.kind}, {survey.seam.length_mm / 1000:.2f} m.",
        f"{survey.locks.rigid_area_mm2 / 100:.0f} cm² is undercut for both pieces; "
        f"{survey.locks.piece_locked_area_mm2 / 100:.0f} cm² is undercut for its own piece.",
        *survey.master.health.left_out,
    ]
    rows = [f"{k},{x:.2f},{y:.2f},{z:.2f}" for k, line in enumerate(survey.seam.lines) for x, y, z in line.points_mm]
    target = Path(folder)
    with all_or_nothing(target) as inner:
        write_whole(inner / "undercut.ply", lambda h: h.write(_coloured_ply(survey)))
        write_text(inner / "seam.csv", "\n".join(["line,x_mm,y_mm,z_mm", *rows]) + "\n")
        write_text(inner / "summary.txt", "\n".join(words) + "\n")
    return (
        Written(target / "undercut.ply", "the map, as colours"),
        Written(target / "seam.csv", "the seam's points"),
        Written(target / "summary.txt", "what was found and what was left out"),
    )


def _coloured_ply(survey: OpenSurvey) -> bytes:
    """Faces from pale (its own piece's pull frees it) to dark (locked), as a binary PLY."""
    import trimesh

    own = np.where(survey.seam.labels == 0, survey.undercut.free_plus, survey.undercut.free_minus)[:, None]
    pale, dark = np.array([236.0, 230.0, 214.0]), np.array([122.0, 40.0, 70.0])
    mesh = trimesh.Trimesh(survey.master.vertices_mm, survey.master.faces, process=False)
    visual: Any = mesh.visual
    visual.face_colors = np.hstack([own * pale + (1 - own) * dark, np.full_like(own, 255)]).astype(np.uint8)
    exported: Any = mesh.export(file_type="ply")
    return bytes(exported)


_OUTPUTS: tuple[tuple[str, str, Callable[..., Path]], ...] = (
    ("order", "what to buy; order-semicolon.csv where decimals have a comma", _order),
    ("before", "what the sculpt itself takes: foam and clay, or a print's filler; sealer", _before),
    ("pictures", "views, seam, undercut map, glove and jacket, thickness", _pictures),
    ("client sheet", "for the client to sign", _client_sheet),
    ("workshop sheets", "for the bench", _workshop_sheets),
    ("offer", "for the client: what it costs, without inner figures", _offer),
    ("templates", "wall and cradle boards to cut, at full size", _templates),
    ("page", "the plan to turn and pull apart, in a browser", _page),
)


_BY_CHOICE = (
    "calendar.ics",
    "offer.pdf",
    "pictures",
    "client-sheet.pdf",
    "workshop-sheets.pdf",
    "templates",
    PAGE_NAME,
    "solids",
)


_DRAWN_AS = {"pictures": "pictures", "client sheet": "client-sheet.pdf", "templates": "templates"}


_WITHOUT_RENDERER = ("order", "before", "templates")


# macOS gives windows, those off the screen too, to a program's first thread alone
_MAY_DRAW_IN_THREADS = sys.platform != "darwin"


def write_results(
    plan: MouldPlan,
    folder: str | Path,
    progress: Progress = SILENT,
    *,
    pictures: bool = True,
    solids: tuple[str, ...] = (),
    beside: bool = False,
) -> tuple[Written, ...]:
    """Write plan.json, the summary, the order list, pictures, sheets and the page: all of them, or none.

    Everything is made in a temporary folder and renamed into place at the end, so that no order list stands beside
    another run's plan; drawings of the same plan at other prices are left as they are (`drawn`). Raises
    `OutputRefused`. pictures=False leaves out what needs a renderer; solids names the formats (stl, 3mf, glb) of the
    closed meshes, none by default; beside : they are made by a process of their own meanwhile. Where no solids can be
    made, all else is written before `PlanImpossible` is raised.
    """
    target = Path(folder)
    with all_or_nothing(target, last=PLAN_NAME) as inner:
        progress.begin("saving")
        meanwhile(lambda _own: save_plan(plan, inner), progress)
        with _meshes(plan, inner, solids, beside) as meshes:
            drawn = meanwhile(lambda _own: drawn_before(plan, target), progress)
            made, refused = _make_all(plan, inner, progress, pictures, meshes, drawn)
        note_drawn(drawn, inner, [file.path.name for file in made])
        arrays = [path.name for path in inner.glob(ARRAYS)]
        files = {path.relative_to(inner) for path in inner.rglob("*") if path.is_file()}
    for name in arrays:
        drop_old_arrays(target, name)
    if refused is not None:
        raise PlanImpossible(f"{refused} All else of the plan is written in {target}.") from refused
    saved = Written(target / PLAN_NAME, "the whole plan; reopen it with: mouldloft show")
    placed = [Written(target / file.path.name, file.what) for file in made]
    return (saved, *placed, *_left_behind(target, [file.path.name for file in made], files))


def write_client_papers(plan: MouldPlan, folder: str | Path, progress: Progress = SILENT) -> tuple[Written, ...]:
    """The client's sheet and the offer alone, both or none. Raises `OutputRefused`."""
    target = Path(folder)
    progress.begin("client sheet and offer")
    with all_or_nothing(target, last="offer.pdf") as inner:
        made = [_made(partial(_client_sheet, plan, inner), "client sheet", progress), _offer(plan, inner, progress)]
    told = ("for the client to sign", "for the client: what it costs, without inner figures")
    return tuple(Written(target / path.name, what) for path, what in zip(made, told, strict=True))


@contextmanager
def _meshes(
    plan: MouldPlan, inner: Path, formats: tuple[str, ...], beside: bool
) -> Iterator[Callable[[Progress], None] | None]:
    """What makes the closed meshes when it is called, or what waits for the process that has begun on them; None where
    none are wanted."""
    if not formats:
        yield None
    elif beside:
        with SolidsBeside(inner, formats) as begun:
            yield begun.finish
    else:
        yield partial(meanwhile, lambda own: write_closed_meshes(plan, inner / "solids", formats, own))


def _make_all(
    plan: MouldPlan,
    inner: Path,
    progress: Progress,
    pictures: bool,
    meshes: Callable[[Progress], None] | None,
    drawn: Drawn,
) -> tuple[list[Written], PlanImpossible | None]:
    """Everything but plan.json, and why there are no solids where they were asked for."""
    words = meanwhile(lambda _own: summary_text(plan), progress)
    made = [Written(write_text(inner / "summary.txt", words + "\n"), "the summary above")]
    for name, what, write in _OUTPUTS:
        if not pictures and name not in _WITHOUT_RENDERER:
            continue
        progress.begin(name)
        stands = drawn.taken_over(_DRAWN_AS[name], inner) if name in _DRAWN_AS else None
        if name == "page" and (before := drawn.page()) is not None:
            write = partial(write, before=before)
        made.append(Written(stands or _made(partial(write, plan, inner), name, progress), what))
    if plan.brief.run.start_date is not None:
        made.append(Written(_calendar(plan, inner), "the days, for the workshop's calendar"))
    if meshes is None:
        return made, None
    progress.begin("solids")
    try:
        meshes(progress)
    except PlanImpossible as error:
        return made, error
    return [*made, Written(inner / "solids", "halves, gloves, jackets and boards as closed meshes")], None


def _made(make: Callable[[Progress], Path], name: str, progress: Progress) -> Path:
    """What was made, with a word of progress while it is."""
    if name in _WITHOUT_RENDERER or _MAY_DRAW_IN_THREADS:
        return meanwhile(make, progress)
    return make(progress)


def _left_behind(target: Path, names: list[str], files: set[Path]) -> list[Written]:
    """What an earlier run left in the folder and this one did not replace."""
    left = [target / name for name in _BY_CHOICE if name not in names and (target / name).exists()]
    inside = [path for name in names if (target / name).is_dir() for path in sorted((target / name).rglob("*"))]
    left += [path for path in inside if path.is_file() and path.relative_to(target) not in files]
    return [Written(path, "left from an earlier run, not of this plan") for path in left]
