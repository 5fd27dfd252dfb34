"""Whose sheet it is: the studio's logo, its name, job number and revision."""

from __future__ import annotations

from pathlib import Path

from reportlab.lib.utils import ImageReader
from reportlab.pdfgen.canvas import Canvas

from ...base.errors import OutputRefused
from ...inputs.brief import JobBrief
from .typeset import house_fonts

LOGO_KINDS = (".png", ".jpg", ".jpeg")
_LARGEST_BYTES = 20_000_000  # a picture of a page's size at 600 dots an inch has less
_MOST_PIXELS = 50_000_000


def logo_of(job: JobBrief) -> ImageReader | None:
    """The logo as a picture; None where the brief names none. Raises `OutputRefused` where it cannot be read."""
    if not job.logo:
        return None
    path = Path(job.logo)
    if path.suffix.lower() not in LOGO_KINDS:
        raise OutputRefused(f"The logo {path.name} is neither PNG nor JPEG: save it as one of them.")
    try:
        if path.stat().st_size > _LARGEST_BYTES:
            raise OutputRefused(f"The logo {path.name} is larger than 20 MB: make it smaller.")
        picture = ImageReader(str(path))
        width, height = picture.getSize()
        if width * height > _MOST_PIXELS:
            raise OutputRefused(f"The logo {path.name} has more than 50 million pixels: make it smaller.")
        picture.getRGBData()
    except FileNotFoundError as missing:
        raise OutputRefused(f"The logo {job.logo} is not there: choose it again, or leave it out.") from missing
    except OSError as error:
        raise OutputRefused(f"The logo {path.name} cannot be read as a picture: save it anew as PNG.") from error
    return picture


def draw_logo(canvas: Canvas, job: JobBrief, right: float, top: float, width: float, height: float) -> float:
    """Draw the logo with its upper right corner at (right, top), as large as fits; the width it takes, 0 for none."""
    picture = logo_of(job)
    if picture is None:
        return 0.0
    own_width, own_height = picture.getSize()
    scale = min(width / own_width, height / own_height)
    wide, high = own_width * scale, own_height * scale
    canvas.drawImage(picture, right - wide, top - high, wide, high, mask="auto")
    return wide


def job_line(job: JobBrief) -> str:
    """Studio, job number and revision in one line; "" where the brief gives none."""
    parts = [job.studio, f"job {job.number}" if job.number else "", f"rev. {job.revision}" if job.revision else ""]
    line = ", ".join(part for part in parts if part)
    return line[:1].upper() + line[1:]


def filing_line(job: JobBrief) -> str:
    """'Job 27-014   Revision B   Date 3 March 2027', a line to write on for what the brief leaves out."""
    parts = (("Job", job.number), ("Revision", job.revision), ("Date", job.date))
    return "   ".join(f"{label} {value or '________'}" for label, value in parts)


def draw_right(canvas: Canvas, words: str, right: float, y: float, width: float) -> None:
    """One line that ends at `right`, smaller where it would pass `width`, shortened where that does not do."""
    font = house_fonts()["regular"]
    size = next((s for s in (8.0, 7.0, 6.0, 5.0) if canvas.stringWidth(words, font, s) <= width), 5.0)
    while len(words) > 4 and canvas.stringWidth(words, font, size) > width:
        words = words[:-2].rstrip("…") + "…"
    canvas.setFont(font, size)
    canvas.drawRightString(right, y, words)
