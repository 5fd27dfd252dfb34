"""The page's template: its files, what stands in its fields, and how data stands in a script."""

from __future__ import annotations

import base64
import json
from pathlib import Path
from string import Template
from typing import Any

from ..look import DATA as FONTS

_DATA = Path(__file__).parent / "data"


def fields_in(page: str) -> dict[str, str]:
    """What the template's fields were filled with on a page made from it; nothing where it was made from another."""
    found: dict[str, str] = {}
    parts = Template.pattern.split(asset("page.html"))
    fixed, names = parts[::5], parts[2::5]
    at = len(fixed[0]) if page.startswith(fixed[0]) else -1
    for name, after in zip(names, fixed[1:]):
        end = page.find(after, at) if at >= 0 else -1
        if end < 0:
            return {}
        found[name], at = page[at:end], end + len(after)
    return found


def asset(name: str) -> str:
    return (_DATA / name).read_text(encoding="utf-8")


def fonts() -> str:
    rules = []
    for weight, name in ((400, "SourceSans3-Regular.ttf.woff2"), (600, "SourceSans3-Semibold.ttf.woff2")):
        held = base64.b64encode((FONTS / name).read_bytes()).decode("ascii")
        rules.append(
            f"@font-face{{font-family:House;font-weight:{weight};"
            f"src:url(data:font/woff2;base64,{held}) format('woff2')}}"
        )
    return "\n".join(rules)


def script_json(value: Any) -> str:
    """JSON that may stand inside a script element: no character in it can end the element or start a comment."""
    text = json.dumps(value, separators=(",", ":"), ensure_ascii=False, allow_nan=False)
    for character in ("<", ">", "&", "\u2028", "\u2029"):
        text = text.replace(character, f"\\u{ord(character):04x}")
    return text
