"""The client's sheet: one page to sign, with the seam drawn where it will fall."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import IO

import numpy as np
from reportlab.lib.colors import HexColor
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import Flowable, Spacer

from ...base.figures import First, feet_inches, mm, mm_by
from ...base.files import write_whole
from ...base.progress import SILENT, Progress
from ...inputs.brief import JobBrief
from ...stages.plan import MouldPlan
from ..look import HAIRLINE, SEAM, SOFT_INK
from ..pictures.camera import Camera
from ..pictures.overlay import dashes
from ..pictures.views import ELEVATIONS, SeamView, seam_view
from ..words import installed_words, run_line, said_first, seam_sentences, size_line, title_of, with_candidate
from .letterhead import draw_logo
from .typeset import MARGIN, draw_label, draw_polyline, fitted, house_fonts, image_reader, paper_of, put, set_text

JOB_WIDTH = 150.0  # of the studio's lines at the head
SIGN_HEIGHT = 104.0


def _thinned(points: np.ndarray, least: float = 0.4) -> np.ndarray:
    """A drawn line without points closer than `least` to the last one kept."""
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))])
    _, first = np.unique(np.floor(along / least), return_index=True)
    return points[np.unique(np.append(first, len(points) - 1))]


def draw_seam_view(canvas: Canvas, view: SeamView, x: float, y: float, width: float, line: float = 1.4) -> float:
    """Draw a seam view with its lower left corner at x, y; the seam as vectors. Returns its height in points."""
    scale = width / view.camera.width_px
    height = view.camera.height_px * scale
    canvas.drawImage(image_reader(view.picture), x, y, width, height)
    canvas.saveState()
    path = canvas.beginPath()
    path.rect(x, y, width, height)
    canvas.clipPath(path, stroke=0)
    canvas.setLineJoin(1)
    canvas.setLineCap(1)
    canvas.setStrokeColor(HexColor(SEAM))

    def on_page(points: np.ndarray) -> np.ndarray:
        return np.column_stack([x + points[:, 0] * scale, y + height - points[:, 1] * scale])

    canvas.setLineWidth(0.5 * line)
    for part in view.hidden:
        for dash in dashes(on_page(part), (3.2, 2.6)):
            draw_polyline(canvas, dash)
    canvas.setLineWidth(line)
    for part in view.seen:
        if len(part) > 1:
            draw_polyline(canvas, _thinned(on_page(part)))
    canvas.restoreState()
    return height


def _ground_line(canvas: Canvas, camera: Camera, x: float, y: float, width: float) -> None:
    scale = width / camera.width_px
    at, _ = camera.project(np.zeros((1, 3)))
    level = y + camera.height_px * scale - float(at[0, 1]) * scale
    canvas.setStrokeColor(HexColor(SOFT_INK))
    canvas.setLineWidth(0.4)
    canvas.line(x + 0.06 * width, level, x + 0.94 * width, level)


def _height_measure(
    canvas: Canvas, camera: Camera, height_mm: float, x: float, y: float, width: float, first: First
) -> None:
    """The finished height as a dimension line at the picture's right edge."""
    scale = width / camera.width_px
    ends, _ = camera.project(np.array([[0.0, 0.0, 0.0], [0.0, 0.0, height_mm]]))
    low, high = (y + camera.height_px * scale - float(v) * scale for v in ends[:, 1])
    at = x + width - 9
    canvas.setStrokeColor(HexColor(SOFT_INK))
    canvas.setFillColor(HexColor(SOFT_INK))
    canvas.setLineWidth(0.4)
    canvas.line(at, low, at, high)
    for level in (low, high):
        canvas.line(at - 2.4, level, at + 2.4, level)
    canvas.saveState()
    canvas.translate(at - 2.5, (low + high) / 2)
    canvas.rotate(90)
    canvas.setFont(house_fonts()["regular"], 6.6)
    canvas.drawCentredString(0, 0, feet_inches(height_mm) if first == "imperial" else mm(height_mm))
    canvas.restoreState()


def best_three_quarter(plan: MouldPlan, width_px: int, height_px: int) -> SeamView:
    """The three-quarter view that shows the seam: from in front, unless from behind shows far more of it."""
    ahead = seam_view(plan, "three_quarter", width_px, height_px)
    if ahead.seen_share >= 0.25:
        return ahead
    behind = seam_view(plan, "three_quarter_behind", width_px, height_px)
    return behind if behind.seen_share > 1.6 * ahead.seen_share else ahead


def client_sheet(plan: MouldPlan, path: str | Path, progress: Progress = SILENT, candidate: int | None = None) -> Path:
    """One A4 page to sign: the piece with its seam, what it crosses, what will show, size, weight, run.

    candidate : index into `plan.seam.candidates`, for a sheet of another seam than the planned one, which then says so.
    Raises `OutputRefused`.
    """
    progress.step(0.05, "the client's sheet")
    other = candidate is not None and not plan.seam.candidates[candidate].chosen
    if candidate is not None and other:
        plan = with_candidate(plan, candidate)
    large = best_three_quarter(plan, 1150, 1340)
    small = []
    for at, name in enumerate(ELEVATIONS):
        progress.step(0.3 + 0.15 * at, "the client's sheet")
        small.append(seam_view(plan, name, 500, 613))

    def fill(handle: IO[bytes]) -> None:
        canvas = Canvas(handle, pagesize=paper_of(plan), invariant=1, pageCompression=1)
        canvas.setTitle(f"{title_of(plan)}: where the seam runs")
        canvas.setAuthor("mouldloft")
        _client_page(canvas, plan, large, small, other)
        canvas.showPage()
        canvas.save()

    return write_whole(path, fill)


def _client_page(
    canvas: Canvas, plan: MouldPlan, large: SeamView, small: Sequence[SeamView], other: bool = False
) -> None:
    width, height = paper_of(plan)
    inner, top, first = width - 2 * MARGIN, height - MARGIN, plan.brief.job.units
    canvas.setFillColor(HexColor(SEAM))
    canvas.rect(MARGIN, top - 1.2, 26, 2.4, stroke=0, fill=1)
    heading = "Where the seam would run: an alternative, not the planned one" if other else "Where the seam will run"
    put(canvas, set_text(heading, weight="strong", size=9.5, colour=SEAM), MARGIN, top - 8, inner)
    job_lines(canvas, plan.brief.job, width - MARGIN, top - 4)
    logo = draw_logo(canvas, plan.brief.job, width - MARGIN - JOB_WIDTH, top + 2, 100, 46)
    title, used = fitted(title_of(plan), inner - JOB_WIDTH - logo, 62, (27, 23, 19, 16, 13), "light")
    title.drawOn(canvas, MARGIN, top - 24 - used)
    y = top - 24 - used - 6
    y = put(
        canvas,
        set_text(f"{size_line(plan)}. {run_line(plan).capitalize()}.", size=10, colour=SOFT_INK),
        MARGIN,
        y,
        inner,
    )
    y -= 12
    # foot first: what is left between is the pictures'
    sign_top = MARGIN + 12 + SIGN_HEIGHT
    agreed = (
        f"I have seen where the seam will run, and that the finished height is {mm_by(plan.master.height_mm, first)} "
        f"for {run_line(plan)}. Making the mould may begin."
    )
    sign_box(canvas, plan.brief.job, agreed, (MARGIN, MARGIN + 12), (inner, SIGN_HEIGHT))
    gap = 6.0
    small_width = (inner - 3 * gap) / 4
    small_height = small_width * small[0].camera.height_px / small[0].camera.width_px
    row = sign_top + 42
    # the height is measured where the piece leaves most room beside it
    across = [np.ptp(view.camera.project(plan.master.vertices_mm[::97])[0][:, 0]) for view in small]
    roomiest = len(small) - 1 - int(np.argmin(across[::-1]))
    for at, view in enumerate(small):
        x = MARGIN + at * (small_width + gap)
        draw_seam_view(canvas, view, x, row, small_width, line=1.1)
        _ground_line(canvas, view.camera, x, row, small_width)
        draw_label(canvas, view.title, x + 6, row + small_height - 11)
        _initials(canvas, x + small_width, row - 3)  # under the picture, clear of the ground line
        if at == roomiest:
            _height_measure(canvas, view.camera, plan.master.height_mm, x, row, small_width, first)
    _line_key(canvas, MARGIN, row - 25)
    space = y - (row + small_height + gap)
    large_width = min(0.62 * inner, space * large.camera.width_px / large.camera.height_px)
    large_height = large_width * large.camera.height_px / large.camera.width_px
    draw_seam_view(canvas, large, MARGIN, y - large_height, large_width, line=1.7)
    draw_label(canvas, large.title, MARGIN + 8, y - 14)
    _initials(canvas, MARGIN + large_width - 6, y - 6)
    _client_words(canvas, plan, MARGIN + large_width + 16, y, inner - large_width - 16, large_height)
    canvas.setFont(house_fonts()["regular"], 6.2)
    canvas.setFillColor(HexColor(SOFT_INK))
    canvas.drawString(
        MARGIN, MARGIN - 4, f"Drawn from the digital master, file {plan.master.source_hash[:10]}. {plan.made_by}."
    )


def _client_words(canvas: Canvas, plan: MouldPlan, x: float, y: float, width: float, height: float) -> None:
    where, shows, cleaned = seam_sentences(plan)
    first = said_first(plan)
    blocks = [("What it crosses", first)] if first else []
    blocks += [("The seam", where), ("What will be seen", shows), ("What is cleaned up", cleaned)]
    blocks.append(("Weight and fixing", installed_words(plan)))
    for size in (10.2, 9.6, 9.0, 8.4, 7.8, 7.0, 6.6, 6.2, 5.8):
        parts: list[Flowable] = []
        for title, words in blocks:
            parts += [
                set_text(title, weight="strong", size=size),
                set_text(words, size=size, leading=size * 1.42, spaceAfter=0),
                Spacer(1, size * 0.9),
            ]
        if sum(part.wrap(width, 10_000)[1] for part in parts) <= height:
            break
    for part in parts:
        y = put(canvas, part, x, y, width)


def job_lines(canvas: Canvas, job: JobBrief, right: float, top: float) -> None:
    """Studio, job number, revision and date at the head, a line to write on for what the brief leaves out."""
    canvas.setFillColor(HexColor(SOFT_INK))
    canvas.setStrokeColor(HexColor(SOFT_INK))
    canvas.setLineWidth(0.4)
    left = right - JOB_WIDTH + 10
    for at, (label, value) in enumerate(
        (("Studio", job.studio), ("Job", job.number), ("Revision", job.revision), ("Date", job.date))
    ):
        y = top - 4 - 13 * at
        canvas.setFont(house_fonts()["regular"], 7)
        canvas.drawString(left, y, label)
        if value:
            words, _ = fitted(value, JOB_WIDTH - 52, 11, (8.5, 7.5, 6.5, 5.5), "regular")
            words.drawOn(canvas, left + 42, y - 3.5)
        else:
            canvas.line(left + 42, y - 1.5, right, y - 1.5)


def _initials(canvas: Canvas, right: float, top: float) -> None:
    """A box for the client's initials in a view's corner."""
    canvas.saveState()
    canvas.setStrokeColor(HexColor(SOFT_INK))
    canvas.setFillColor(HexColor("#ffffff"))
    canvas.setLineWidth(0.4)
    canvas.rect(right - 28, top - 11, 28, 11, stroke=1, fill=1)
    canvas.setFillColor(HexColor(SOFT_INK))
    canvas.setFont(house_fonts()["regular"], 5.2)
    canvas.drawRightString(right - 30, top - 8, "initials")
    canvas.restoreState()


def _line_key(canvas: Canvas, x: float, y: float) -> None:
    canvas.setStrokeColor(HexColor(SEAM))
    canvas.setFillColor(HexColor(SOFT_INK))
    canvas.setFont(house_fonts()["regular"], 7.6)
    canvas.setLineWidth(1.4)
    canvas.line(x, y, x + 20, y)
    canvas.drawString(x + 25, y - 2.6, "seam in view")
    canvas.setLineWidth(0.7)
    canvas.setDash(3.2, 2.6)
    canvas.line(x + 84, y, x + 104, y)
    canvas.setDash()
    canvas.drawString(x + 109, y - 2.6, "seam behind")


def sign_box(canvas: Canvas, job: JobBrief, words: str, corner: tuple[float, float], size: tuple[float, float]) -> None:
    """What is agreed to, with name, signature, date and a line for changes; its lower left corner at `corner`."""
    (x, y), (width, height) = corner, size
    canvas.setStrokeColor(HexColor(HAIRLINE))
    canvas.setLineWidth(0.8)
    canvas.roundRect(x, y, width, height, 4, stroke=1, fill=0)
    put(canvas, set_text(words, size=9.2), x + 12, y + height - 9, width - 24)
    canvas.setFont(house_fonts()["regular"], 7)
    spots = (
        (12, 0.40, "Name", job.signed_by),
        (0.42 * width, 0.36, "Signature", "signed in the plan's file" if job.signed_by else ""),
        (0.81 * width, 0.16, "Date", job.signed_on),
    )
    for left, share, label, known in spots:
        canvas.setStrokeColor(HexColor(SOFT_INK))
        canvas.setLineWidth(0.5)
        canvas.line(x + left, y + 42, x + left + share * width - 12, y + 42)
        canvas.setFillColor(HexColor(SOFT_INK))
        canvas.drawString(x + left, y + 33, label)
        if known:
            part, used = fitted(known, share * width - 16, 14, (9.2, 8.0, 7.0), "regular")
            put(canvas, part, x + left, y + 45 + used, share * width - 12)
    canvas.line(x + 12, y + 18, x + width - 12, y + 18)
    canvas.drawString(x + 12, y + 9, "Changes wished before that")
