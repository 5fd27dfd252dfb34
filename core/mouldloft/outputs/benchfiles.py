"""What the bench's commands leave in a folder: of a scan laid on its plan, and of a run's log."""

from __future__ import annotations

from pathlib import Path

from ..asbuilt.blank import blank_csv, blank_log
from ..asbuilt.changes import report_lines
from ..asbuilt.rescan import CLOSED_FILE
from ..asbuilt.review import review_lines, review_log
from ..asbuilt.runlog import read_log
from ..base.errors import BriefRefused
from ..base.files import write_text
from ..inputs.brieftext import brief_text
from ..stages.plan import MouldPlan
from .clay import clay_lines, write_closed_scan, write_difference
from .compare import compare_plans, comparison_text, write_comparison
from .logpage import write_log_page
from .sheets.benchlog import log_form


def write_rescan(planned: MouldPlan, made: MouldPlan, folder: Path) -> str:
    """What a rescan leaves beside the new plan; returns the report."""
    assert made.clay is not None
    names = ("as planned", "as scanned")
    comparison = compare_plans([planned, made], names)
    lines = ["SCAN AGAINST PLAN", "", *clay_lines(made.clay), "", *report_lines(planned, made), ""]
    words = "\n".join([*lines, comparison_text(comparison)])
    write_text(folder / "scan-report.txt", words + "\n")
    write_comparison(comparison, folder / "planned-and-scanned.html", [planned, made])
    write_difference(made, folder / "difference.ply")
    write_closed_scan(made, folder / CLOSED_FILE)
    write_text(folder / "as-built.brief.toml", brief_text(made.brief, "The brief of the plan made from the scan."))
    return words


def write_blank(plan: MouldPlan, inner: Path, target: Path) -> str:
    """An empty log as TOML, CSV and a form to print; returns where. Raises `BriefRefused` where one stands there."""
    for name in ("run-log.toml", "run-log.csv"):
        if (target / name).exists():
            raise BriefRefused(f"There is a {name} in {target} already; move it, or give another folder with --out.")
    write_text(inner / "run-log.toml", blank_log(plan))
    write_text(inner / "run-log.csv", blank_csv(plan))
    log_form(plan, inner / "run-log-form.pdf")
    return f"In {target.resolve()}: run-log-form.pdf to print; run-log.toml or run-log.csv to fill in, either will do."


def write_log(plan: MouldPlan, log: Path, inner: Path, target: Path) -> str:
    """A filled log against its plan: report, page and the next brief; returns the report."""
    review = review_log(plan, read_log(log))
    words = "\n".join(review_lines(review))
    write_text(inner / "log-report.txt", words + "\n")
    write_log_page(plan, review, inner / "log.html", (target / "plan.html").exists())
    heading = "Corrected from the run's log; [observed] says from how many entries."
    write_text(inner / "next.brief.toml", brief_text(review.brief, heading))
    return f"{words}\n\nIn {target.resolve()}: log-report.txt, log.html (chart), next.brief.toml (for the next plan)."
