"""A brief as the text of a brief.toml: what it changes from the defaults, table by table."""

from __future__ import annotations

import json
from dataclasses import fields, is_dataclass
from typing import Any

from .brief import Brief


def brief_text(brief: Brief, heading: str = "") -> str:
    """TOML that `read_brief` reads as this brief. heading : a comment for its first lines."""
    plain, lines = Brief(), [f"# {line}" for line in heading.splitlines()]
    if brief.piece:
        lines.append(f"piece = {_value(brief.piece)}")
    for part in fields(Brief):
        own, usual = getattr(brief, part.name), getattr(plain, part.name)
        if not is_dataclass(own) or own == usual:
            continue
        lines += ["", f"[{part.name}]"]
        for item in fields(own):
            value = getattr(own, item.name)
            if value != getattr(usual, item.name) and value is not None:
                lines.append(f"{item.name} = {_value(value)}")
    return "\n".join(lines) + "\n"


def _value(value: Any) -> str:
    """A TOML value: JSON's text, numbers and lists read the same, but for the one character it leaves bare."""
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
