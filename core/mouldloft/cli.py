"""The command line: plan a mesh, run the demo, reopen a plan. Errors are one sentence; exit codes are in errors.py."""

from __future__ import annotations

import os
import re
import signal
import sys
from dataclasses import replace
from pathlib import Path
from threading import Thread
from typing import Annotated

import typer
from rich.console import Console
from rich.table import Table

from . import __version__
from .base.errors import BriefRefused, Cancelled, MouldloftError, OutputRefused, PlanImpossible
from .base.files import why_not_written
from .bench import bench
from .inputs.brief import Brief
from .terminal import Terminal as _Terminal

_TO_PLAN, _TO_READ, _FIRST = "Plan a mould", "Read and compare plans", "Before there is a plan"

app = typer.Typer(
    add_completion=False,
    no_args_is_help=True,
    help="Plan a brush-on silicone mould, its jacket and a run of casts from a digital master.",
    epilog="Exit codes: 0 done, 1 not all of several planned, 2 the mesh, 3 the brief, 4 the catalogue, 5 the output, "
    "6 a saved plan, 7 no plan within the brief, 130 stopped. A check here is no certification: product data sheets, "
    "local codes and licensed practice decide.",
)

MeshPath = Annotated[Path, typer.Argument(help="The digital master: STL, OBJ, PLY, GLB or 3MF.", show_default=False)]
OutFolder = Annotated[Path, typer.Option("--out", "-o", help="Folder for the results; made if missing.")]
BriefPath = Annotated[Path | None, typer.Option("--brief", "-b", help="What the workshop wants (TOML).")]
CataloguePath = Annotated[Path | None, typer.Option("--catalogue", help="Materials (TOML); else the bundled demo one.")]
Height = Annotated[float | None, typer.Option("--height", help="Finished height in mm.", min=50, max=20000)]
Casts = Annotated[int | None, typer.Option("--casts", help="Casts in the run.", min=1, max=500)]
PieceCount = Annotated[
    str | None, typer.Option("--pieces", help="Pieces of the mould: 2 to 8, or 'as proposed'; else two.")
]
SeamChoice = Annotated[
    str | None,
    typer.Option("--seam", help="Seam to build: cheapest, plane, relief (a plane that follows an edge) or free."),
]
PeelChoice = Annotated[
    bool, typer.Option("--peel", help="Also peel the gloves off the cast by mechanics, which takes minutes.")
]
Up = Annotated[str | None, typer.Option("--up", help="The mesh's axis that points up, such as +y.", metavar="AXIS")]
Front = Annotated[str | None, typer.Option("--front", help="The mesh's axis that its front faces.", metavar="AXIS")]
Pictures = Annotated[bool, typer.Option("--pictures/--no-pictures", help="Also draw pictures, sheets and the page.")]
Solids = Annotated[
    list[str] | None, typer.Option("--solids", help="Also write closed meshes: stl, 3mf or glb; say it again for more.")
]
Quiet = Annotated[bool, typer.Option("--quiet", "-q", help="No progress, no summary; only the results' folder.")]


def _asked(
    brief_path: Path | None,
    height: float | None,
    casts: int | None,
    pieces: str | None = None,
    up: str | None = None,
    front: str | None = None,
    seam: str | None = None,
    peel: bool = False,
) -> Brief:
    from typing import get_args

    from .inputs.brief import Axis, Brief, Pieces, SeamKind, read_brief

    brief = read_brief(brief_path) if brief_path else Brief()
    axes = {str(word): word for word in get_args(Axis)}
    for name, axis in (("up", up), ("front", front)):
        if axis is None:
            continue
        if axis.lower() not in axes:
            raise BriefRefused(f"There is no axis {axis[:40]!r} for --{name}; use one of: {', '.join(axes)}.")
        brief = replace(brief, master=replace(brief.master, **{name: axes[axis.lower()]}))
    if height is not None:
        brief = replace(brief, master=replace(brief.master, finished_height_mm=height))
    if casts is not None:
        brief = replace(brief, run=replace(brief.run, casts=casts))
    if pieces is not None:
        known = {str(word): word for word in get_args(Pieces)}
        if pieces not in known:
            raise BriefRefused(f"A mould in {pieces[:40]!r} pieces cannot be planned; give 2 to 8, or 'as proposed'.")
        brief = replace(brief, seam=replace(brief.seam, pieces=known[pieces]))
    if peel:
        brief = replace(brief, peel=replace(brief.peel, run=True))
    if seam is not None:
        kinds = {str(word): word for word in get_args(SeamKind)}
        if seam not in kinds:
            raise BriefRefused(f"There is no seam {seam[:40]!r}; pick one of: {', '.join(kinds)}.")
        brief = replace(brief, seam=replace(brief.seam, kind=kinds[seam]))
    return brief


def _run(
    mesh: Path,
    brief: Brief,
    catalogue_path: Path | None,
    out: Path,
    pictures: bool,
    solids: list[str] | None,
    quiet: bool,
) -> None:
    from .inputs.catalogue import read_catalogue
    from .outputs.results import write_results, write_survey, written_lines
    from .outputs.shown import earlier_plan, show_end, show_plan
    from .stages.freshness import file_stamp
    from .stages.master import read_master
    from .stages.pipeline import plan, survey_open_master

    catalogue = read_catalogue(catalogue_path)
    formats = tuple(word.lower() for word in solids or ())
    if unknown := [word for word in formats if word not in ("stl", "3mf", "glb")]:
        raise BriefRefused(f"There is no solid format '{unknown[0]}'; use stl, 3mf or glb.")
    if os.path.lexists(out) and not out.is_dir():
        raise BriefRefused(f"The output {out} is a file, or a link to nothing; give a folder.")
    standing = next(folder for folder in (out.absolute(), *out.absolute().parents) if folder.exists())
    if not os.access(standing, os.W_OK):  # said before the work, not after it
        raise OutputRefused(f"The folder {standing} may not be written to; choose another folder.")
    with _Terminal(quiet) as terminal:
        terminal.progress.begin("master")
        if pictures:  # whether VTK can draw is tried in a process of its own: meanwhile the plan is made
            from .outputs.pictures.byvtk import vtk_can_draw

            Thread(target=vtk_can_draw, daemon=True).start()
        before = earlier_plan(out)
        mesh_stamp = file_stamp(mesh, brief) if mesh.is_file() else ""
        if before is not None and mesh_stamp and before.mesh_stamp == mesh_stamp:
            master = before.master
        else:
            master = read_master(mesh, brief.master, terminal.progress)
        if master.health.stance:
            print(master.health.stance, file=sys.stderr, flush=True)
        if not master.health.is_solid:
            write_survey(survey_open_master(master, brief, catalogue, terminal.progress), out)
            raise PlanImpossible(
                f"{mesh.name} could not be closed, so rubber, jacket, casts and the order were left out; its undercut "
                f"map and seam are in {out.resolve()}: close the mesh in your sculpting program and run again."
            )
        made = replace(plan(master, brief, catalogue, terminal.progress, before), mesh_stamp=mesh_stamp)
        written = write_results(made, out, terminal.progress, pictures=pictures, solids=formats, beside=True)
    if not quiet:
        show_plan(made)
    print(f"\nResults in {out.resolve()}:" if not quiet else str(out.resolve()))
    if not quiet:
        print("\n".join(written_lines(written, out)))
        show_end(made, pictures)


@app.command("plan", rich_help_panel=_TO_PLAN)
def plan_command(
    mesh: Annotated[
        list[Path],
        typer.Argument(help="The digital master: STL, OBJ, PLY, GLB or 3MF; or several.", show_default=False),
    ],
    out: OutFolder = Path("mould_plan"),
    height: Height = None,
    casts: Casts = None,
    brief: BriefPath = None,
    pieces: PieceCount = None,
    seam: SeamChoice = None,
    peel: PeelChoice = False,
    up: Up = None,
    front: Front = None,
    catalogue: CataloguePath = None,
    pictures: Pictures = True,
    solids: Solids = None,
    quiet: Quiet = False,
) -> None:
    """Plan the mould of a mesh file. --height, --casts, --pieces, --seam, --up and --front override the brief.

    Of several files each is planned by a process of its own, into a folder of its name in --out; one that fails does
    not stop the rest.
    """
    asked = _asked(brief, height, casts, pieces, up, front, seam, peel)
    if len(mesh) == 1:
        _run(mesh[0], asked, catalogue, out, pictures, solids, quiet)
        return
    given = {"--height": height, "--casts": casts, "--brief": brief, "--pieces": pieces, "--seam": seam, "--up": up,
             "--front": front, "--catalogue": catalogue}  # fmt: skip
    options = [word for name, value in given.items() if value is not None for word in (name, str(value))]
    options += ["--peel"] if peel else []
    options += [word for kind in solids or () for word in ("--solids", kind)]
    _run_many(mesh, out, [*options, "--pictures" if pictures else "--no-pictures", "--quiet"])


def _run_many(meshes: list[Path], out: Path, options: list[str]) -> None:
    """Each mesh in a process; a table at the end, and exit code 1 where one failed."""
    from .base.files import make_folder
    from .library import HEAD, Outcome, plan_library, processes_at_once, table_rows, this_program

    make_folder(out)
    signal.signal(signal.SIGTERM, signal.default_int_handler)  # the processes are ended before this one
    done: list[Outcome] = []

    def said(outcome: Outcome) -> None:
        done.append(outcome)
        how = "planned" if outcome.code == 0 else "NOT PLANNED"
        print(f"{len(done)} of {len(meshes)}: {outcome.mesh.name} {how}", file=sys.stderr, flush=True)

    print(f"{len(meshes)} sculpts, {processes_at_once()} at a time", file=sys.stderr, flush=True)
    command = [*this_program(), "plan"]
    made = plan_library(meshes, out, lambda mesh, folder: [*command, str(mesh), "--out", str(folder), *options], said)
    table = Table(*HEAD, box=None, padding=(0, 1), show_edge=False)
    for row in table_rows(made):
        table.add_row(*row)
    console = Console(width=None if sys.stdout.isatty() else 240)
    console.print(table, highlight=False, markup=False)
    failed = sum(outcome.code != 0 for outcome in made)
    print(f"{len(made) - failed} of {len(made)} planned, in {out.resolve()}.")
    if failed:
        raise SystemExit(1)


@app.command("sections", rich_help_panel=_TO_PLAN)
def sections_command(
    mesh: MeshPath,
    out: OutFolder = Path("mould_sections"),
    height: Height = None,
    casts: Casts = None,
    brief: BriefPath = None,
    cuts: Annotated[
        str | None, typer.Option("--cuts", help="Only these of the cuts proposed, by number: 1,3.", metavar="NUMBERS")
    ] = None,
    each: Annotated[
        bool, typer.Option("--plan", help="Also plan the whole and every part, and set the sum beside the whole.")
    ] = False,
    up: Up = None,
    front: Front = None,
    catalogue: CataloguePath = None,
    pictures: Pictures = True,
    solids: Solids = None,
    quiet: Quiet = False,
) -> None:
    """Cut a master into sections at its necks and limbs, or where it is too large: parts to print or mill.

    Each part stands on its cut face and goes over a spigot. With --plan each is planned as a mould of its own.
    """
    from .outputs.results import written_lines
    from .sectioned import cut_and_write

    asked = _asked(brief, height, casts, None, up, front)
    with _Terminal(quiet) as terminal:
        words, written = cut_and_write(
            mesh, out, asked, catalogue, cuts, each, pictures, tuple(solids or ("stl",)), terminal.progress
        )
    if quiet:
        print(str(out.resolve()))
        return
    print(words)
    print(f"\nResults in {out.resolve()}:")
    print("\n".join(written_lines(written, out)))


@app.command("demo", rich_help_panel=_TO_PLAN)
def demo_command(
    out: OutFolder = Path("demo_plan"),
    triangles: Annotated[int, typer.Option(help="Triangles of the body.", min=20_000, max=5_000_000)] = 300_000,
    body: Annotated[str, typer.Option(help="hare, figure, goat or beast.")] = "hare",
    peel: PeelChoice = False,
    catalogue: CataloguePath = None,
    pictures: Pictures = True,
    solids: Solids = None,
    quiet: Quiet = False,
) -> None:
    """Make the demo hare (1.4 m, a run of six), or another demo body, and plan its mould."""
    from .base.files import make_folder
    from .demo.gallery import write_demo

    folder = make_folder(out)
    with _Terminal(quiet) as terminal:
        terminal.progress.begin(f"demo {body}")
        mesh, brief_path = write_demo(folder, triangles, terminal.progress, body)
    _run(mesh, _asked(brief_path, None, None, peel=peel), catalogue, folder, pictures, solids, quiet)


@app.command("show", rich_help_panel=_TO_READ)
def show_command(
    saved: Annotated[Path, typer.Argument(help="A plan.json or the folder it lies in.", show_default=False)],
) -> None:
    """Reopen a saved plan and print its summary."""
    from .outputs.planfile import open_plan
    from .outputs.shown import show_plan

    show_plan(open_plan(saved))


@app.command("compare", rich_help_panel=_TO_READ)
def compare_command(
    saved: Annotated[list[Path], typer.Argument(help="Two or more saved plans (folder or plan.json).")],
    page: Annotated[Path | None, typer.Option("--html", help="Also write the comparison as a page.")] = None,
) -> None:
    """Set saved plans side by side: rubber, mass, days, cost, seam on show."""
    from .outputs.compare import compare_plans, comparison_text, write_comparison
    from .outputs.planfile import open_plan

    plans = [open_plan(path) for path in saved]
    comparison = compare_plans(plans)
    print(comparison_text(comparison))
    if page is not None:
        print(write_comparison(comparison, page, plans))


@app.command("estimate", rich_help_panel=_FIRST)
def estimate_command(
    height: Annotated[float, typer.Option("--height", help="Finished height in mm.", min=50, max=20000)],
    casts: Annotated[int, typer.Option("--casts", help="Casts in the run.", min=1, max=500)] = 1,
    maquette: Annotated[Path | None, typer.Option("--maquette", help="A rough mesh of any size.")] = None,
    body: Annotated[str, typer.Option("--body", help="Stand-in without a maquette, such as 'seated animal'.")] = (
        "standing figure"
    ),
    brief: BriefPath = None,
    up: Up = None,
    front: Front = None,
    catalogue: CataloguePath = None,
) -> None:
    """Before any clay: rubber, glass, resin, hours, days and money as intervals, from a height or a rough maquette."""
    from typing import cast

    from .inputs.catalogue import read_catalogue
    from .outputs.shown import show_early
    from .stages.estimate import StandIn, estimate_rubber
    from .stages.master import read_master

    asked = _asked(brief, height, casts, None, up, front)
    with _Terminal(False) as terminal:
        terminal.progress.begin("estimate")
        rough = read_master(maquette, asked.master, terminal.progress) if maquette else None
        if rough is not None and rough.health.stance:
            print(rough.health.stance, file=sys.stderr, flush=True)
        made = estimate_rubber(
            height, casts, rough, cast(StandIn, body), asked, read_catalogue(catalogue), terminal.progress
        )
    print(made.sentence)
    show_early(made.rows)
    print("What makes the rubber uncertain: " + "; ".join(f"{c} ± {100 * w:.0f} %" for c, w in made.rubber_kg.causes))


@app.command("health", rich_help_panel=_FIRST)
def health_command(
    mesh: MeshPath,
    height: Height = None,
    brief: BriefPath = None,
    up: Up = None,
    front: Front = None,
) -> None:
    """Only read a mesh: what is wrong with it, what was mended, where to look."""
    from collections import Counter

    from .stages.master import read_master
    from .stages.undercut import where_on_piece

    with _Terminal(False) as terminal:
        terminal.progress.begin("master")
        master = read_master(mesh, _asked(brief, height, None, None, up, front).master, terminal.progress)
    h = master.health
    print(f"{master.name}: {len(master.faces):,} triangles, {master.height_mm:.0f} mm high. {master.unit_assumed}")
    print(
        f"Open edges {h.open_edges}, non-manifold edges {h.non_manifold_edges}, inside-out "
        f"{'yes' if h.inside_out else 'no'}, self-intersections {h.self_intersections}, stray shells {h.stray_shells}, "
        f"degenerate faces {h.degenerate_faces}."
    )
    for line in (*h.repairs, *filter(None, [h.stance]), *h.notes, *h.left_out):
        print(f"- {line}")
    if h.fault_points_mm is not None:
        places = Counter(where_on_piece(point, master) for point in h.fault_points_mm)
        for where, count in places.most_common(10):
            print(f"- look at: {where}" + (f" ({count} places)" if count > 1 else ""))
    print("A closed solid: the whole plan can be made." if h.is_solid else "Not a closed solid after repair.")


app.registered_commands += bench.registered_commands


def _version(wanted: bool) -> None:
    if wanted:
        print(f"mouldloft {__version__}")
        raise typer.Exit


@app.callback()
def _common(
    version: Annotated[bool, typer.Option("--version", callback=_version, is_eager=True, help="Print it.")] = False,
) -> None:
    pass


def main() -> None:
    """Entry point: turns every refusal into one sentence on standard error and its exit code."""
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")  # a terminal without "²" or "兎" must not end the work
    try:
        app(standalone_mode=False)
        if sys.stdout is not None:
            sys.stdout.flush()
    except MouldloftError as error:
        _end(str(error), error.exit_code)
    except KeyboardInterrupt:
        _end(_STOPPED, Cancelled.exit_code)
    except MemoryError:
        _end("There is not enough memory for this mesh; reduce its triangles or use a larger machine.", 1)
    except BrokenPipeError:
        os._exit(1)  # the reader has gone; what was written to files is whole
    except OSError as error:
        print(f"The output cannot be written: {why_not_written(error)}.", file=sys.stderr)
        os._exit(OutputRefused.exit_code)
    except Exception as error:
        _end_unknown(error)


_STOPPED = "Stopped: files already finished are whole, nothing else was written."


_UNIT_OF = {"--height": " mm", "--tear": " mm", "--gap": " mm", "--casts": " casts", "--triangles": " triangles"}


def with_unit(complaint: str) -> str:
    """A complaint about an option's size, said with its unit: '--height takes 50 mm or more'."""
    found = re.search(r"'(--[a-z-]+)[^']*'.*?(greater|less) than or equal to ([\d.]+)", complaint)
    if found is None:
        return complaint
    option, way, limit = found.groups()
    return f"{option} takes {limit}{_UNIT_OF.get(option, '')} or {'more' if way == 'greater' else 'less'}"


def _end_unknown(error: Exception) -> None:
    # typer's own complaints about the words of the command carry format_message and their exit code
    if hasattr(error, "format_message"):
        said = with_unit(error.format_message().rstrip("."))
        _end(f"{said}; try 'mouldloft --help'.", getattr(error, "exit_code", 2))
    if type(error).__name__ == "Abort":
        _end(_STOPPED, Cancelled.exit_code)
    if os.environ.get("MOULDLOFT_TRACEBACK"):
        raise error
    _end(
        f"Something went wrong inside mouldloft ({type(error).__name__}: {error}); set MOULDLOFT_TRACEBACK=1 to see "
        "where, and report it with the mesh.",
        70,
    )


def _end(sentence: str, code: int) -> None:
    print(" ".join(sentence.split()), file=sys.stderr)
    raise SystemExit(code)


def program() -> None:
    """`main`, for a process of its own: work that was stopped is not waited for."""
    try:
        main()
    except SystemExit as end:
        if end.code == Cancelled.exit_code:
            sys.stderr.flush()
            os._exit(Cancelled.exit_code)
        raise


if __name__ == "__main__":
    program()
