"""The bench's commands: the finished clay scanned, and the run logged."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Annotated

import typer

from .base.errors import BriefRefused
from .terminal import Terminal

bench = typer.Typer()
AT_THE_BENCH = "While it is built and cast"

PlanFolder = Annotated[Path, typer.Argument(help="Folder of the plan, or its plan.json.", show_default=False)]
ScanPath = Annotated[Path, typer.Argument(help="Scan of the finished clay: STL, OBJ, PLY, GLB or 3MF.")]
Unit = Annotated[str | None, typer.Option("--unit", help="The scan's unit: mm, cm, m, in or ft; else found by size.")]


def _folder_of(plan: Path) -> Path:
    """The folder of a plan that was named by it or by its plan.json."""
    return plan if plan.is_dir() else plan.parent


@bench.command("rescan", rich_help_panel=AT_THE_BENCH)
def rescan_command(
    plan_folder: PlanFolder,
    scan: ScanPath,
    out: Annotated[
        Path | None, typer.Option("--out", "-o", help="Folder for the new plan; else <plan folder>-as-built.")
    ] = None,
    unit: Unit = None,
    seam_anew: Annotated[bool, typer.Option("--seam-anew", help="Place the seam anew; else it is kept.")] = False,
    pictures: Annotated[bool, typer.Option("--pictures/--no-pictures", help="Also pictures, sheets and page.")] = True,
) -> None:
    """Lay a scan of the finished clay on its plan, show where it differs, and plan again from it."""
    from .asbuilt.rescan import plan_from_scan
    from .base.files import all_or_nothing
    from .outputs.benchfiles import write_rescan
    from .outputs.planfile import open_plan
    from .outputs.results import write_results
    from .stages.master import MM_PER_UNIT

    if unit is not None and unit not in MM_PER_UNIT:
        raise BriefRefused(f"There is no unit {unit[:20]!r}; use one of: {', '.join(MM_PER_UNIT)}.")
    planned = open_plan(plan_folder)
    root = _folder_of(plan_folder)
    target = (out or root.with_name(f"{root.resolve().name}-as-built")).absolute()
    if target.resolve() == root.resolve():
        raise BriefRefused("The new plan would take the old one's place; give another folder with --out.")
    with Terminal(False) as terminal, all_or_nothing(target) as inner:
        found = plan_from_scan(planned, scan, inner, unit=unit, keep_seam=not seam_anew, progress=terminal.progress)
        seam = found.plan.brief.seam
        line, clear = (_in_place(path, inner, target) for path in (seam.own_line, seam.keep_clear))
        seam = replace(seam, own_line=line, keep_clear=clear)
        made = replace(found.plan, brief=replace(found.plan.brief, seam=seam))
        words = write_rescan(planned, made, inner)
        write_results(made, inner, terminal.progress, pictures=pictures)
    print(words)
    print(f"\nThe new plan is in {target.resolve()}; scan-report.txt says all of this again.")


def _in_place(path: str | None, inner: Path, target: Path) -> str | None:
    """Where a carried file will lie once all files have taken their places."""
    return str(target / Path(path).name) if path is not None and Path(path).parent == inner else path


@bench.command("log", rich_help_panel=AT_THE_BENCH)
def log_command(
    plan_folder: PlanFolder,
    log: Annotated[Path | None, typer.Argument(help="The filled log: TOML or CSV.", show_default=False)] = None,
    blank: Annotated[bool, typer.Option("--blank", help="Write an empty log: TOML, CSV and a form to print.")] = False,
    out: Annotated[
        Path | None, typer.Option("--out", "-o", help="Folder for what is written; else the plan's.")
    ] = None,
) -> None:
    """Set the bench's log against the plan: used, mould life, what is left to buy, the next brief."""
    from .base.files import all_or_nothing
    from .outputs.benchfiles import write_blank, write_log
    from .outputs.planfile import open_plan

    if blank == (log is not None):
        raise BriefRefused("Give the filled log to read, or --blank for an empty one.")
    plan = open_plan(plan_folder)
    target = out or _folder_of(plan_folder)
    with all_or_nothing(target) as inner:
        words = write_blank(plan, inner, target) if log is None else write_log(plan, log, inner, target)
    print(words)


@bench.command("repair", rich_help_panel=AT_THE_BENCH)
def repair_command(
    plan_folder: PlanFolder,
    tear: Annotated[float | None, typer.Option("--tear", help="Patch a tear of this length, mm.")] = None,
    gap: Annotated[float, typer.Option("--gap", help="Rubber missing across the tear, mm.")] = 0.0,
    glove: Annotated[bool, typer.Option("--glove", help="A second glove in the old jacket.")] = False,
    master: Annotated[bool, typer.Option("--cast-as-master", help="One cast kept as a master.")] = False,
    log: Annotated[Path | None, typer.Option("--log", help="The run's log, for shrinkage between marks.")] = None,
) -> None:
    """Patch a torn glove, make a second one in the old jacket, or keep a cast as master."""
    from .asbuilt.repair import cast_as_master, patch_lines, patch_tear, remake_lines, second_glove
    from .asbuilt.review import review_log
    from .asbuilt.runlog import read_log
    from .outputs.planfile import open_plan

    if tear is None and not glove and not master:
        raise BriefRefused("Say what to mend: --tear 80 for a tear of 80 mm, --glove, or --cast-as-master.")
    plan = open_plan(plan_folder)
    parts = []
    if tear is not None:
        parts.append(patch_lines(patch_tear(plan, tear, gap)))
    if glove:
        parts.append(remake_lines(second_glove(plan)))
    if master:
        shrunk = review_log(plan, read_log(log)).shrinkage if log is not None else None
        parts.append(cast_as_master(plan, *((shrunk.likely, shrunk.observations) if shrunk else ())))
    print("\n\n".join("\n".join(lines) for lines in parts))


@bench.command("demo-bench", rich_help_panel=AT_THE_BENCH)
def demo_bench_command(
    plan_folder: PlanFolder,
    casts: Annotated[int, typer.Option("--casts", help="Casts taken in the made-up log.", min=1, max=500)] = 4,
) -> None:
    """Make up a scan of the clay and a filled log for a plan, to try rescan and log on."""
    import trimesh

    from .asbuilt.review import planned_cast, planned_coats
    from .base.files import write_text, write_whole
    from .demo.bench import made_up_log, made_up_scan
    from .outputs.planfile import open_plan

    plan = open_plan(plan_folder)
    folder = _folder_of(plan_folder)
    vertices, faces = made_up_scan(plan.master.vertices_mm, plan.master.faces)
    data = trimesh.Trimesh(vertices, faces, process=False).export(file_type="stl")
    print(write_whole(folder / "made-up-scan.stl", lambda handle: handle.write(data)))  # type: ignore[arg-type]
    text = made_up_log(planned_coats(plan), planned_cast(plan), casts)
    print(write_text(folder / "made-up-log.toml", text))
