"""The calendar as an .ics file (RFC 5545), so that a workshop's own calendar shows the work.

Written by hand rather than by a library: it is forty lines, and the add-on writes it too, whose wheels are few. A
reference library reads it back in the tests.
"""

from __future__ import annotations

from datetime import date, datetime, timedelta
from pathlib import Path

from ..base.errors import OutputRefused
from ..base.figures import counted
from ..base.files import write_text
from ..stages.programme import Programme, Task

_MOST_OCTETS = 75  # of a line, before it is folded


def calendar_ics(programme: Programme, title: str, plan_key: str, day_starts_h: float) -> str:
    """Every stretch of work as an event in local time without a zone. plan_key : of the plan, so that a later one with
    the same key replaces these events. Raises `OutputRefused` where the brief gives no start date."""
    if not any(task.date for task in programme.tasks):
        raise OutputRefused("A calendar file needs dates; give run.start_date in the brief.")
    lines = ["BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//mouldloft//programme//EN", f"X-WR-CALNAME:{_escaped(title)}"]
    works = [task for task in programme.tasks if task.hands]
    for at, task in enumerate(works):
        lines += _event(task, title, f"{plan_key}-{at}@mouldloft", day_starts_h)
    lines.append("END:VCALENDAR")
    return "".join(_folded(line) + "\r\n" for line in lines)


def _event(task: Task, title: str, uid: str, day_starts_h: float) -> list[str]:
    midnight = datetime.combine(date.fromisoformat(task.date), datetime.min.time())
    start = midnight + timedelta(hours=day_starts_h + task.start_h - 24.0 * (task.day - 1))
    end = start + timedelta(hours=task.duration_h)
    said = [counted(task.hands, "person", "people"), task.line, task.note]
    if task.wear:
        said.append(f"wear: {', '.join(task.wear)}")
    return [
        "BEGIN:VEVENT",
        f"UID:{uid}",
        f"DTSTAMP:{midnight:%Y%m%dT%H%M%SZ}",
        f"DTSTART:{start:%Y%m%dT%H%M%S}",
        f"DTEND:{end:%Y%m%dT%H%M%S}",
        f"SUMMARY:{_escaped(f'{task.name} ({title})')}",
        f"DESCRIPTION:{_escaped('; '.join(words for words in said if words))}",
        "END:VEVENT",
    ]


def _escaped(text: str) -> str:
    plain = "".join(c if c.isprintable() else " " for c in text)
    return plain.replace("\\", "\\\\").replace(";", "\\;").replace(",", "\\,")


def _folded(line: str) -> str:
    """A line in parts of at most 75 octets, no character split (RFC 5545, 3.1)."""
    parts: list[str] = []
    now = b""
    for character in line:
        more = character.encode()
        if len(now) + len(more) > _MOST_OCTETS - (1 if parts else 0):
            parts.append(now.decode())
            now = b""
        now += more
    parts.append(now.decode())
    return "\r\n ".join(parts)


def write_calendar(programme: Programme, path: str | Path, title: str, plan_key: str, day_starts_h: float) -> Path:
    """Write the calendar whole or not at all. Raises `OutputRefused`."""
    return write_text(path, calendar_ics(programme, title, plan_key, day_starts_h))
